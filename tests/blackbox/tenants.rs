//! Organisations are kept apart.

use crate::postgres::wait;
use crate::proofhold::Proofhold;
use rules::Role;
use store::account;
use uuid::Uuid;

/// PostgreSQL's documentation of row security policies: without a policy that lets
/// them through, rows do not exist. One organisation never sees another's accounts.
#[test]
fn rows_of_another_organisation_do_not_exist() {
    let proofhold = Proofhold::start();
    let (one, other) = (proofhold.organisation("larkspur"), proofhold.organisation("quillfeather"));
    let admin = Uuid::now_v7();
    proofhold.account(other, admin, "gus", Role::Admin);
    let find = |signed_in: Uuid, asked: Uuid| {
        let find = async |conn: &mut _| account::find(conn, asked, admin).await;
        wait(proofhold.store.in_org(signed_in, find)).unwrap()
    };
    assert!(find(one, one).is_none());
    // Binding the other organisation's id does not help: the policy still holds.
    assert!(find(one, other).is_none());
    assert!(find(other, other).is_some());
}

/// PostgreSQL's documentation of row security policies: the owner is not bound by
/// them. Every table with an organisation has row-level security, is not the service's
/// own, and its key begins with the organisation.
#[test]
fn every_table_of_an_organisation_is_secured() {
    let proofhold = Proofhold::start();
    let query = "SELECT c.relname::text, c.relrowsecurity, pg_get_userbyid(c.relowner)::text, \
                        (SELECT pg_get_constraintdef(k.oid) FROM pg_constraint k \
                          WHERE k.conrelid = c.oid AND k.contype = 'p') \
                   FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid \
                  WHERE a.attname = 'org_id' AND c.relkind = 'r' \
                    AND c.relnamespace = 'public'::regnamespace";
    let rows = wait(proofhold.database.superuser().query(query, &[])).unwrap();
    assert!(rows.len() >= 7);
    for row in rows {
        let (table, secured, owner, key): (String, bool, String, String) =
            (row.get(0), row.get(1), row.get(2), row.get(3));
        // Who seals reads over all organisations which of them have work.
        assert_eq!(secured, table != "seal_queue", "{table}");
        assert_eq!(owner, "proofhold_owner", "{table}");
        assert!(key.starts_with("PRIMARY KEY (org_id"), "{table}: {key}");
    }
}
