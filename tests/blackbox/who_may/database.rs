//! What the database lets the service and the reader do, whatever the program asks.
//!
//! Sources: PostgreSQL manual, chapters "Privileges", "Row Security Policies" and "Role
//! Attributes"; OWASP API Security Top 10 2023, API1.

use super::Grid;
use crate::fleet::Fleet;
use crate::postgres::{Database, wait};
use crate::script::id;
use rules::{Subject, SubjectKind};
use serde_json::json;
use tokio_postgres::Client;

const SERVICE: &str = "proofhold_service";
const READER: &str = "proofhold_reader";

/// `insufficient_privilege` in PostgreSQL's table of SQLSTATE codes; a row that a policy does not
/// let in has it too.
const NOT_GRANTED: &str = "42501";

/// `feature_not_supported`: what a trigger's function is answered with when it is called.
const NOT_SUPPORTED: &str = "0A000";

/// The SQLSTATE that this is answered with, in a transaction that is undone; none where it works.
fn code(client: &Client, statement: &str) -> Option<String> {
    let tried = wait(client.batch_execute(&format!("BEGIN; {statement}")));
    wait(client.batch_execute("ROLLBACK")).unwrap();
    let error = tried.err()?;
    Some(error.code().unwrap_or_else(|| panic!("{statement}: {error}")).code().to_owned())
}

fn is_refused(client: &Client, statement: &str) -> bool {
    let code = code(client, statement);
    assert!(code.as_deref().is_none_or(|code| code == NOT_GRANTED), "{statement}: {code:?}");
    code.is_some()
}

fn texts(client: &Client, query: &str) -> Vec<String> {
    wait(client.query(query, &[])).unwrap().iter().map(|row| row.get(0)).collect()
}

/// The tables, whoever they belong to.
fn tables(client: &Client) -> Vec<String> {
    let query = "SELECT relname::text FROM pg_class WHERE relkind IN ('r', 'p', 'v', 'm') \
                 AND relnamespace = 'public'::regnamespace ORDER BY relname";
    texts(client, query)
}

/// A call of every function with nothing, by the function's name.
fn calls(client: &Client) -> Vec<(String, String)> {
    let query = "SELECT proname || '()', format('SELECT %s(%s)', p.oid::regproc, \
                        (SELECT string_agg('NULL::' || format_type(a.type, NULL), ', ') \
                           FROM unnest(proargtypes) AS a (type))) \
                   FROM pg_proc p WHERE pronamespace = 'public'::regnamespace ORDER BY 1";
    wait(client.query(query, &[])).unwrap().iter().map(|row| (row.get(0), row.get(1))).collect()
}

/// Every statement on every table, and every function, is tried as either role.
#[test]
fn every_table_and_function_is_open_as_written() {
    let database = Database::new();
    let superuser = database.superuser();
    let roles = [database.member_of(SERVICE), database.member_of(READER)];
    let mut grid = Grid::new("tables.txt", &["table or function", SERVICE, READER]);
    for table in tables(&superuser) {
        let query = "SELECT attname::text, format_type(atttypid, atttypmod) FROM pg_attribute \
                     WHERE attrelid = $1::text::regclass AND attnum = 1";
        let first = wait(superuser.query_one(query, &[&table])).unwrap();
        let (column, kind): (String, String) = (first.get(0), first.get(1));
        let statements = [
            ("select", format!("SELECT * FROM {table}")),
            ("insert", format!("INSERT INTO {table} ({column}) SELECT NULL::{kind} WHERE false")),
            ("update", format!("UPDATE {table} SET {column} = NULL WHERE false")),
            ("delete", format!("DELETE FROM {table} WHERE false")),
            ("truncate", format!("TRUNCATE {table} CASCADE")),
        ];
        let may = |client: &Client| {
            let open = statements.iter().filter(|(_, statement)| !is_refused(client, statement));
            let open: Vec<&str> = open.map(|(name, _)| *name).collect();
            if open.is_empty() { "nothing".to_owned() } else { open.join(" ") }
        };
        grid.line(table, roles.iter().map(may).collect());
    }
    for (function, call) in calls(&superuser) {
        let may = |client: &Client| match code(client, &call).as_deref() {
            Some(NOT_GRANTED | NOT_SUPPORTED) => "nothing".to_owned(),
            // With nothing to go by it may well fail, but it ran.
            _ => "execute".to_owned(),
        };
        grid.line(function, roles.iter().map(may).collect());
    }
    grid.is_as_written();
}

/// Two organisations with rows in every table.
fn two_organisations() -> Fleet {
    let casing =
        json!({"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"});
    let scenario = json!({"id": "two fleets", "given": {
        "organisations": {"quillfeather": {"name": "Quillfeather Freight"}},
        "casings": {"A": casing}}, "steps": [], "then": {}});
    let fleet = Fleet::played(&scenario);
    for who in ["ada", "quillfeather/ada"] {
        let cage = Subject::of(SubjectKind::Cage, id("K1"));
        let mut check =
            fleet.entry("cage_checked", cage, json!({"defects": [], "label": "readable"}));
        check["personal"] = json!({"note": "bars wiped down"});
        fleet.post(who, "/v1/entries", &check).expect(201);
    }
    fleet
}

/// Without an organisation there are no rows; with one, its own: they can be neither read,
/// changed, removed nor added in another's name, nor given away to it.
#[test]
fn rows_stay_with_their_organisation() {
    let fleet = two_organisations();
    let database = &fleet.proofhold.database;
    let superuser = database.superuser();
    let (own, other) = (id("larkspur"), id("quillfeather"));
    let secured = texts(
        &superuser,
        "SELECT relname::text FROM pg_class WHERE relrowsecurity ORDER BY relname",
    );
    let mut proved = 0;
    for role in [SERVICE, READER] {
        let client = database.member_of(role);
        for table in &secured {
            let count = |client: &Client, of: &str| -> i64 {
                let query = format!("SELECT count(org_id) FROM {table} WHERE {of}");
                wait(client.query_one(&query, &[])).unwrap().get(0)
            };
            let (mine, theirs) = (format!("org_id = '{own}'"), format!("org_id = '{other}'"));
            let there = (count(&superuser, &mine), count(&superuser, &theirs));
            assert!(there.0 > 0 && there.1 > 0, "{table} has rows of both: {there:?}");
            if is_refused(&client, &format!("SELECT org_id FROM {table}")) {
                continue;
            }
            assert_eq!(count(&client, "true"), 0, "{table} as {role} without an organisation");
            wait(client.batch_execute(&format!("SET app.org = '{own}'"))).unwrap();
            assert_eq!(count(&client, "true"), there.0, "{table} as {role}");
            assert_eq!(count(&client, &theirs), 0, "{table} as {role}");
            for statement in [
                format!("UPDATE {table} SET org_id = org_id WHERE {theirs}"),
                format!("DELETE FROM {table} WHERE {theirs}"),
            ] {
                if !is_refused(&client, &statement) {
                    assert_eq!(wait(client.execute(&statement, &[])).unwrap(), 0, "{statement}");
                }
            }
            let given_away = format!("UPDATE {table} SET org_id = '{other}' WHERE {mine}");
            assert!(is_refused(&client, &given_away), "{given_away}");
            let added = copy_of_a_row(&superuser, table, &theirs);
            assert!(is_refused(&client, &added), "{added}");
            wait(client.batch_execute("RESET app.org")).unwrap();
            assert_eq!(count(&client, "true"), 0, "{table} as {role} with an organisation reset");
            assert!(is_refused(&client, &added), "{added}");
            proved += 1;
        }
    }
    assert!(proved >= 9, "{proved}");
}

/// A statement that adds one of these rows once more.
fn copy_of_a_row(superuser: &Client, table: &str, which: &str) -> String {
    let columns = format!(
        "SELECT string_agg(attname, ', ') FROM pg_attribute WHERE attrelid = '{table}'::regclass \
         AND attnum > 0 AND NOT attisdropped AND attgenerated = ''"
    );
    let columns = &texts(superuser, &columns)[0];
    let row = format!("SELECT to_jsonb({table})::text FROM {table} WHERE {which} LIMIT 1");
    let row = &texts(superuser, &row)[0];
    format!(
        "INSERT INTO {table} ({columns}) \
         SELECT {columns} FROM jsonb_populate_record(NULL::{table}, $row${row}$row$)"
    )
}

/// What would lead past the grants, the policies and the triggers.
const WAYS_ROUND: &[&str] = &[
    "SET ROLE proofhold_owner",
    "SET ROLE postgres",
    "SET SESSION AUTHORIZATION proofhold_owner",
    "RESET ROLE; DELETE FROM entry",
    "RESET ROLE; SET row_security = off; SELECT * FROM entry",
    "SET row_security = off; SELECT * FROM entry",
    "SET session_replication_role = replica",
    "ALTER TABLE entry DISABLE ROW LEVEL SECURITY",
    "ALTER TABLE entry DISABLE TRIGGER entry_stays",
    "ALTER TABLE entry OWNER TO CURRENT_USER",
    "ALTER TABLE seal_queue ADD COLUMN x integer",
    "DROP TRIGGER entry_stays ON entry",
    "DELETE FROM personal",
    "UPDATE personal SET bytes = ''",
    "TRUNCATE personal",
    "ALTER TABLE personal DISABLE TRIGGER personal_stays",
    "DROP TRIGGER personal_stays ON personal",
    "DROP POLICY entry_of_organisation ON entry",
    "CREATE POLICY everything ON entry USING (true)",
    "CREATE TRIGGER mine BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION refuse_change()",
    "CREATE RULE mine AS ON INSERT TO entry DO INSTEAD NOTHING",
    "CREATE INDEX ON entry (n)",
    "DROP TABLE seal_queue",
    "LOCK TABLE entry IN ACCESS EXCLUSIVE MODE",
    "GRANT UPDATE ON entry TO CURRENT_USER; UPDATE entry SET n = n",
    "GRANT proofhold_owner TO CURRENT_USER",
    "ALTER ROLE CURRENT_USER BYPASSRLS",
    "ALTER ROLE CURRENT_USER SUPERUSER",
    "CREATE ROLE mine SUPERUSER",
    "CREATE SCHEMA mine",
    "CREATE TABLE mine (id integer)",
    "CREATE FUNCTION mine() RETURNS integer LANGUAGE sql AS 'SELECT 1'",
    "CREATE FUNCTION mine() RETURNS integer LANGUAGE sql SECURITY DEFINER AS 'SELECT 1'",
    "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS \
     'BEGIN RETURN NULL; END'",
    "ALTER FUNCTION session_role(uuid, uuid, uuid) RESET ALL",
    "DROP FUNCTION refuse_change() CASCADE",
    "CREATE OR REPLACE FUNCTION refuse_unless_erased() RETURNS trigger LANGUAGE plpgsql AS \
     'BEGIN RETURN OLD; END'",
    "DROP FUNCTION refuse_unless_erased() CASCADE",
    "ALTER FUNCTION erase_personal(uuid, uuid[]) RESET ALL",
    "COPY entry TO PROGRAM 'cat'",
    "COPY entry FROM '/dev/null'",
    "SELECT pg_read_file('PG_VERSION')",
    "SELECT rolpassword FROM pg_authid",
];

/// What besides is not for the reader.
const NOT_FOR_THE_READER: &[&str] = &[
    "SELECT password_hash FROM account",
    "SELECT token_hash FROM refresh_family",
    "SELECT * FROM personal",
    "SELECT erase_personal(NULL, NULL)",
    "SELECT session_role(NULL, NULL, NULL)",
    "SELECT * FROM head_in_org(NULL, NULL, NULL)",
    "SELECT * FROM history_in_org(NULL, NULL, NULL, 0, 1)",
];

/// No way leads round: each is refused for want of a privilege, and for nothing else.
#[test]
fn no_way_leads_round() {
    let database = Database::new();
    let (service, reader) = (database.member_of(SERVICE), database.member_of(READER));
    for way in WAYS_ROUND {
        assert!(is_refused(&service, way), "{way} as {SERVICE}");
        assert!(is_refused(&reader, way), "{way} as {READER}");
    }
    for way in NOT_FOR_THE_READER {
        assert!(is_refused(&reader, way), "{way} as {READER}");
    }
    let seen = "SELECT login, role FROM account";
    assert!(!is_refused(&reader, seen), "{seen} as {READER}");
}

/// Every statement here finds what is wrong in the catalogue; it finds nothing. The sources are
/// beside each.
const WRONG: &[(&str, &str)] = &[
    (
        // Manual, "Row Security Policies": without it every row is there for everybody. Who seals
        // reads over all organisations which of them have work.
        "has no row-level security",
        "SELECT relname::text FROM tenant WHERE NOT relrowsecurity AND relname <> 'seal_queue'",
    ),
    (
        // The same: a table's owner passes by its policies.
        "is not its owner's alone",
        "SELECT relname::text FROM tenant WHERE pg_get_userbyid(relowner) <> 'proofhold_owner'",
    ),
    (
        // The same: permissive policies are joined by OR, so there is one, for all commands and
        // everybody, and both its sides are the organisation.
        "has not the one policy",
        "SELECT relname::text FROM tenant LEFT JOIN pg_policy ON polrelid = oid_of \
          WHERE relrowsecurity GROUP BY relname HAVING count(polname) <> 1 \
             OR NOT bool_and(polcmd = '*' AND polroles = '{0}' \
                AND pg_get_expr(polqual, polrelid) = pg_get_expr(polwithcheck, polrelid) \
                AND pg_get_expr(polqual, polrelid) = '(org_id = (NULLIF(current_setting(''app.org''::text, true), ''''::text))::uuid)')",
    ),
    (
        // Manual, "Row Security Policies": constraints look past the policies, so that a key
        // without the organisation would tell of another's rows.
        "has a key that does not begin with org_id",
        "SELECT indexrelid::regclass::text FROM pg_index JOIN tenant ON indrelid = oid_of \
          WHERE indisunique AND indkey[0] <> org_id_at",
    ),
    (
        // The same.
        "refers to something without its organisation",
        "SELECT conname::text FROM pg_constraint JOIN tenant ON conrelid = oid_of \
          WHERE contype = 'f' AND conkey[1] <> org_id_at",
    ),
    (
        // Manual, "Foreign Keys": what refers is to be indexed too.
        "refers without an index",
        "SELECT conname::text FROM pg_constraint WHERE contype = 'f' AND NOT EXISTS ( \
           SELECT FROM pg_index WHERE indrelid = conrelid AND indisvalid \
              AND (indkey::int2[])[0:cardinality(conkey) - 1] @> conkey)",
    ),
    (
        // No outside source: what belongs to no organisation is named here.
        "belongs to no organisation",
        "SELECT relname::text FROM pg_class WHERE relkind IN ('r', 'p', 'v', 'm', 'f') \
            AND relnamespace = 'public'::regnamespace AND oid NOT IN (SELECT oid_of FROM tenant) \
            AND relname NOT IN ('organisation', '__diesel_schema_migrations')",
    ),
    (
        // Manual, "Writing SECURITY DEFINER Functions Safely".
        "runs as its owner for everybody, or looks where the caller says",
        "SELECT proname::text FROM pg_proc WHERE pronamespace = 'public'::regnamespace \
            AND prosecdef AND (proacl IS NULL OR proconfig IS NULL \
             OR NOT 'search_path=public, pg_temp' = ANY (proconfig) \
             OR EXISTS (SELECT FROM aclexplode(proacl) WHERE grantee = 0))",
    ),
    (
        // Manual, "Role Attributes" and "Role Membership".
        "may more than its grants say",
        "SELECT rolname::text FROM pg_roles WHERE rolname IN ('proofhold_service', 'proofhold_reader') \
            AND (rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication \
             OR rolcanlogin OR EXISTS (SELECT FROM pg_auth_members WHERE member = pg_roles.oid))",
    ),
    (
        // Manual, "The Public Schema": nothing is put there but by the owner of the tables.
        "can make things in the schema",
        "SELECT rolname::text FROM pg_roles WHERE rolname IN ('proofhold_service', 'proofhold_reader') \
            AND (has_schema_privilege(rolname, 'public', 'CREATE') \
             OR has_database_privilege(rolname, current_database(), 'CREATE'))",
    ),
];

/// A table of organisations, by its column.
const TENANT: &str = "CREATE TEMP VIEW tenant AS \
    SELECT c.oid AS oid_of, c.relname, c.relrowsecurity, c.relowner, a.attnum AS org_id_at \
      FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'org_id' \
     WHERE c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace";

/// Walks through the catalogue, whatever tables there are by now.
#[test]
fn the_catalogue_has_no_gap() {
    let database = Database::new();
    let superuser = database.superuser();
    wait(superuser.batch_execute(TENANT)).unwrap();
    assert!(texts(&superuser, "SELECT relname::text FROM tenant").len() >= 7);
    for (wrong, query) in WRONG {
        assert_eq!(texts(&superuser, query), Vec::<String>::new(), "{wrong}");
    }
}

/// No outside source: each of the questions to the catalogue finds what it is there for.
#[test]
fn a_gap_in_the_catalogue_is_found() {
    let database = Database::new();
    let superuser = database.superuser();
    wait(superuser.batch_execute(TENANT)).unwrap();
    let gaps = [
        "ALTER TABLE mark DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE mark OWNER TO proofhold_service",
        "CREATE POLICY more ON mark FOR SELECT USING (true)",
        "CREATE UNIQUE INDEX ON mark (value)",
        "ALTER TABLE mark ADD FOREIGN KEY (subject_id) REFERENCES organisation (id)",
        "DROP INDEX mark_subject",
        "CREATE TABLE loose (id integer)",
        "GRANT EXECUTE ON FUNCTION session_role(uuid, uuid, uuid) TO PUBLIC",
        "ALTER ROLE proofhold_reader BYPASSRLS",
        "GRANT CREATE ON SCHEMA public TO proofhold_reader",
    ];
    for (gap, (wrong, query)) in gaps.iter().zip(WRONG) {
        wait(superuser.batch_execute(&format!("BEGIN; {gap}"))).unwrap();
        assert_eq!(texts(&superuser, query).len(), 1, "{gap}: {wrong}");
        wait(superuser.batch_execute("ROLLBACK")).unwrap();
    }
    assert_eq!(gaps.len(), WRONG.len());
}
