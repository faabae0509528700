//! What is personal in an entry, destroyed on a legal order; the ledger stands as before.
//!
//! Sources: PostgreSQL manual, "Writing SECURITY DEFINER Functions Safely" and "Overview of
//! Trigger Behavior" (`ENABLE ALWAYS`); RFC 9457 for the answers. What may be erased, and by
//! whom, is the ledger's own.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::script::id;
use rules::canonical::leaf_hash;
use rules::entry::Sender;
use rules::{Command, Subject, SubjectKind};
use serde_json::{Value, json};
use store::record::{Answer, Request, Sent, record};
use tokio_postgres::Client;
use uuid::Uuid;

/// `insufficient_privilege` in PostgreSQL's table of SQLSTATE codes.
const NOT_GRANTED: &str = "42501";

/// What the ledger's own triggers raise.
const ONLY_GROWS: &str = "PH001";

const NOTE: &str = "watched by Ben Oakes, call him at home";

fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1",
        "state": "mounted", "wheel": "W1"}}}))
}

fn a() -> Subject {
    Subject::casing(id("A"))
}

/// A pressure that was read, with a note.
fn noted(fleet: &Fleet) -> Value {
    let mut entry = fleet.entry("pressure_read", a(), json!({"psi": 100}));
    entry["personal"] = json!({"note": NOTE});
    fleet.post("ada", "/v1/entries", &entry).expect(201);
    entry
}

fn order(fleet: &Fleet, subject: Subject, entry: &Value) -> Value {
    let facts = json!({"entry": entry["id"], "order": "District court, order 26-114"});
    fleet.entry("erased", subject, facts)
}

/// All that the database keeps of an organisation, as text.
fn kept(superuser: &Client) -> String {
    let tables = "SELECT relname::text FROM pg_class WHERE relkind = 'r' \
                  AND relnamespace = 'public'::regnamespace";
    let mut kept = String::new();
    for table in wait(superuser.query(tables, &[])).unwrap() {
        let table: String = table.get(0);
        let rows = format!("SELECT t::text FROM {table} t");
        wait(superuser.query(&rows, &[])).unwrap().iter().for_each(|row| kept += row.get(0));
    }
    kept
}

/// The bytes of an entry, and what waits to be sealed of it.
fn bytes(superuser: &Client, entry: &Value) -> (Vec<u8>, Vec<u8>) {
    let query = format!(
        "SELECT bytes, leaf_hash FROM entry JOIN seal_queue ON entry_id = id WHERE id = '{}'",
        entry["id"].as_str().unwrap()
    );
    let row = wait(superuser.query_one(&query, &[])).unwrap();
    (row.get(0), row.get(1))
}

#[test]
fn what_is_erased_is_nowhere_and_the_ledger_stands() {
    let fleet = fleet();
    let superuser = fleet.proofhold.database.superuser();
    let entry = noted(&fleet);
    let path = format!("/v1/entries/{}", entry["id"].as_str().unwrap());
    let hex: String = NOTE.bytes().map(|byte| format!("{byte:02x}")).collect();
    let before = (fleet.get("gus", &path).expect(200), bytes(&superuser, &entry));
    assert_eq!(before.0["personal"], json!({"note": NOTE}));
    assert!(kept(&superuser).contains(&hex));
    fleet.stands();

    let erasing = order(&fleet, a(), &entry);
    for who in ["ada", "cora", "dora", "vera"] {
        fleet.post(who, "/v1/entries", &erasing).problem(403, "FORBIDDEN");
    }
    let answer = fleet.post("gus", "/v1/entries", &erasing).expect(201);
    fleet.stands();
    assert!(!kept(&superuser).contains(&hex), "neither in a row nor in anything made from it");

    let mut without = before.0.clone();
    without.as_object_mut().unwrap().remove("personal");
    assert_eq!(fleet.get("gus", &path).expect(200), without);
    let (bytes_now, leaf) = bytes(&superuser, &entry);
    assert_eq!((&bytes_now, &leaf), (&before.1.0, &before.1.1), "the record is untouched");
    assert_eq!(leaf, leaf_hash(&bytes_now));
    let history = fleet.all("gus", &format!("/v1/casings/{}/history", id("A")), 50);
    assert!(history.iter().all(|shown| shown["personal"].is_null()));
    assert_eq!(history.last().unwrap()["facts"], answer["facts"]);

    // Sent again, each is what it was; the note is not said again, nor asked for.
    fleet.proofhold.set_clock(fleet.proofhold.now() + chrono::TimeDelta::weeks(7));
    let rows = fleet.rows();
    assert_eq!(fleet.post("ada", "/v1/entries", &entry).expect(201), without);
    assert_eq!(fleet.post("ada", "/v1/entries?dry_run=true", &entry).expect(200), without);
    assert_eq!(fleet.post("gus", "/v1/entries", &erasing).expect(201), answer);
    let mut other = entry.clone();
    other["personal"]["note"] = json!("watched by somebody else");
    let problem = fleet.post("ada", "/v1/entries", &other).problem(422, "ID_REUSED");
    assert_eq!(problem["fields"][0]["pointer"], "/personal");
    assert_eq!(fleet.rows(), rows);
}

/// A second order for the same entry is refused and names the first; so is one for an entry that
/// says nothing personal. What is kept as evidence stays.
#[test]
fn there_is_nothing_to_erase_twice_nor_in_evidence() {
    let fleet = fleet();
    let refused = |erasing: &Value| {
        let problem = fleet.post("gus", "/v1/entries", erasing).problem(409, "REFUSED");
        let rules = problem["rules"].as_array().unwrap().clone();
        assert_eq!(rules.len(), 1, "{problem}");
        rules[0].clone()
    };
    let (entry, plain) = (noted(&fleet), fleet.entry("pressure_read", a(), json!({"psi": 100})));
    fleet.post("ada", "/v1/entries", &plain).expect(201);
    let nothing = refused(&order(&fleet, a(), &plain));
    assert_eq!(nothing["id"], "fact.order");
    assert!(nothing["say"].as_str().unwrap().contains("Nothing personal is kept"), "{nothing}");

    let kept_for = json!({"matter": "burst", "held_by": "Elm & Rowe"});
    let preserved = fleet.entry("preserved", a(), kept_for);
    fleet.post("dora", "/v1/entries", &preserved).expect(201);
    let evidence = refused(&order(&fleet, a(), &entry));
    assert_eq!(
        (&evidence["id"], &evidence["class"]),
        (&json!("dispose.preserved"), &json!("practice"))
    );
    assert_eq!(evidence["evidence"], json!([preserved["id"]]));
    let ended = fleet.entry("preservation_ended", a(), json!({"reason": "matter closed"}));
    fleet.post("dora", "/v1/entries", &ended).expect(201);

    let erasing = order(&fleet, a(), &entry);
    fleet.post("gus", "/v1/entries", &erasing).expect(201);
    let again = refused(&order(&fleet, a(), &entry));
    assert_eq!((&again["id"], &again["evidence"]), (&json!("fact.order"), &json!([erasing["id"]])));
    fleet.stands();
}

/// A person's name comes with the entry that registered the person.
#[test]
fn a_name_is_erased_like_a_note() {
    let fleet = fleet();
    let person = json!({"id": Uuid::now_v7(), "body": {}, "personal": {"name": "Nell Byrd"}});
    let shown = fleet.post("gus", "/v1/people", &person).expect(201);
    assert_eq!(shown["personal"]["name"], "Nell Byrd");
    let entry = json!({"id": shown["entry"]});
    let subject: Uuid = person["id"].as_str().unwrap().parse().unwrap();
    let subject = Subject::of(SubjectKind::Person, subject);
    fleet.post("gus", "/v1/entries", &order(&fleet, subject, &entry)).expect(201);
    let path = format!("/v1/people/{}", subject.id);
    let known = fleet.get("gus", &path).expect(200);
    assert!(known["personal"].is_null(), "{known}");
    let listed = fleet.all("gus", "/v1/people", 200);
    assert!(!json!(listed).to_string().contains("Nell Byrd"));
    fleet.stands();
}

/// The one function that deletes does so for what a recorded order names, and for nothing else;
/// and without it nobody does, the owner and a superuser no more than before.
#[test]
fn only_what_an_order_names_can_be_deleted() {
    let fleet = fleet();
    let superuser = fleet.proofhold.database.superuser();
    let (gone, stays) = (noted(&fleet), noted(&fleet));
    fleet.post("gus", "/v1/entries", &order(&fleet, a(), &gone)).expect(201);
    let preserved = fleet.entry("preserved", a(), json!({"matter": "burst", "held_by": "us"}));
    fleet.post("dora", "/v1/entries", &preserved).expect(201);
    let refused = order(&fleet, a(), &stays);
    fleet.post("gus", "/v1/entries", &refused).problem(409, "REFUSED");
    let entry_of = |entry: &Value| entry["id"].as_str().unwrap().to_owned();
    let there = || -> Vec<String> {
        let query = "SELECT entry_id::text FROM personal";
        wait(superuser.query(query, &[])).unwrap().iter().map(|row| row.get(0)).collect()
    };
    assert!(there().contains(&entry_of(&stays)) && !there().contains(&entry_of(&gone)));

    let all = "SELECT erase_personal(org_id, array_agg(id)) FROM entry GROUP BY org_id";
    let before = there();
    let tried = |role: &str, statement: &str| {
        let script = format!(
            "BEGIN; SET LOCAL ROLE {role}; SET LOCAL app.org = '{}'; {statement}; COMMIT",
            id("larkspur")
        );
        let error = wait(superuser.batch_execute(&script)).err();
        wait(superuser.batch_execute("ROLLBACK")).unwrap();
        error.map(|error| error.code().unwrap().code().to_owned())
    };
    assert_eq!(tried("proofhold_service", all), None);
    assert_eq!(tried("proofhold_reader", all).as_deref(), Some(NOT_GRANTED));
    assert_eq!(there(), before, "a refused order, and entries that are none, erase nothing");
    for (delete, reason) in [
        (format!("DELETE FROM personal WHERE entry_id = '{}'", entry_of(&stays)), ONLY_GROWS),
        ("UPDATE personal SET bytes = ''".to_owned(), ONLY_GROWS),
        ("TRUNCATE personal".to_owned(), ONLY_GROWS),
    ] {
        assert_eq!(tried("proofhold_service", &delete).as_deref(), Some(NOT_GRANTED), "{delete}");
        assert_eq!(tried("proofhold_reader", &delete).as_deref(), Some(NOT_GRANTED), "{delete}");
        assert_eq!(tried("proofhold_owner", &delete).as_deref(), Some(reason), "{delete}");
        assert_eq!(tried("postgres", &delete).as_deref(), Some(reason), "{delete}");
    }
    assert_eq!(there(), before);

    // Whoever puts it back as owner of the machine is found out.
    let put_back = format!(
        "INSERT INTO personal SELECT org_id, '{}', salt, bytes FROM personal WHERE entry_id = '{}'",
        entry_of(&gone),
        entry_of(&stays)
    );
    wait(superuser.batch_execute(&put_back)).unwrap();
    let org = id("larkspur");
    let check = async |conn: &mut _| store::check::check(conn, org).await;
    let wrong = wait(fleet.proofhold.store.in_org(org, check)).unwrap().wrong.unwrap();
    assert_eq!(wrong.entry.map(|entry| entry.to_string()), Some(entry_of(&gone)), "{wrong:?}");
}

/// A note, its erasure and the note again, gathered into one transaction.
#[test]
fn what_is_erased_in_the_same_transaction_leaves_nothing() {
    let fleet = fleet();
    let mut noted = fleet.entry("pressure_read", a(), json!({"psi": 100}));
    noted["personal"] = json!({"note": NOTE});
    let sent = |body: &Value| {
        let command = Command::read(body.to_string().as_bytes()).unwrap();
        let content = [*command.id.as_bytes(); 2].concat().try_into().unwrap();
        Sent { command, content }
    };
    let commands = vec![sent(&noted), sent(&order(&fleet, a(), &noted)), sent(&noted)];
    let sender = Sender { person: id("gus"), sent_at: None };
    let requests = [Request { sender, commands }];
    let (org, now) = (id("larkspur"), fleet.proofhold.now());
    let work = async |conn: &mut _| record(conn, org, now, &requests).await;
    let answers = wait(fleet.proofhold.store.in_org(org, work)).unwrap().remove(0);
    let [Answer::Decided(first), Answer::Decided(_), Answer::Erased(again)] = &answers[..] else {
        panic!("{answers:?}");
    };
    assert_eq!(first, again);
    let superuser = fleet.proofhold.database.superuser();
    let left = wait(superuser.query_one("SELECT count(*) FROM personal", &[])).unwrap();
    assert_eq!(left.get::<_, i64>(0), 0);
    fleet.stands();
}
