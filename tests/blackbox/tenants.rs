//! Organisations are kept apart.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::proofhold::{Answer, Proofhold};
use crate::script::id;
use rules::{Role, Subject, SubjectKind};
use serde_json::{Value, json};
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

/// OWASP API security 2023, API1 (broken object level authorization): a thing of
/// another organisation is answered like one that nobody ever heard of.
#[test]
fn things_of_another_organisation_are_unknown() {
    let scenario = json!({"id": "two fleets", "given": {
        "organisations": {"quillfeather": {"name": "Quillfeather Freight"}},
        "casings": {"A": {"model": "merrow-295g", "brand": "LK-1", "state": "installed", "wheel": "W1",
            "vehicle": "T1", "position": "2LO"}}}, "steps": [], "then": {}});
    let fleet = Fleet::played(&scenario);
    let vehicle = Uuid::now_v7();
    let body = json!({"unit": "LK-77", "kind": "truck", "axles": [
        {"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90}]});
    let truck = fleet.entry("registered", Subject::of(SubjectKind::Vehicle, vehicle), body);
    fleet.post("gus", "/v1/entries", &truck).expect(201);
    let read = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 100}));
    fleet.post("ada", "/v1/entries", &read).expect(201);
    let entry = read["id"].as_str().unwrap();
    let without_id = |answer: Answer| {
        let mut problem = answer.problem(404, "NOT_FOUND");
        problem.as_object_mut().unwrap().remove("request_id");
        problem
    };
    for (known, unknown) in [
        (format!("/v1/casings/{}", id("A")), format!("/v1/casings/{}", Uuid::now_v7())),
        (
            format!("/v1/casings/{}/history", id("A")),
            format!("/v1/casings/{}/history", Uuid::now_v7()),
        ),
        (
            format!("/v1/casings/{}/check?for=release", id("A")),
            format!("/v1/casings/{}/check?for=release", Uuid::now_v7()),
        ),
        (format!("/v1/entries/{entry}"), format!("/v1/entries/{}", Uuid::now_v7())),
        (format!("/v1/vehicles/{vehicle}"), format!("/v1/vehicles/{}", Uuid::now_v7())),
        ("/v1/units/LK-77".to_owned(), "/v1/units/LK-78".to_owned()),
    ] {
        fleet.get("gus", &known).expect(200);
        let answer = without_id(fleet.get("quillfeather/gus", &known));
        assert_eq!(answer, without_id(fleet.get("quillfeather/gus", &unknown)), "{known}");
    }
    let found = fleet.get("quillfeather/gus", "/v1/casings?brand=LK-1").expect(200);
    assert_eq!(found["items"], json!([]));
    let theirs = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 100}));
    fleet.post("quillfeather/ada", "/v1/entries", &theirs).problem(404, "NOT_FOUND");
    let named = fleet.entry(
        "cage_checked",
        Subject::of(SubjectKind::Cage, id("K1")),
        json!({"defects": [], "label": "readable"}),
    );
    // The same ids, marks and unit numbers are free there: here is the same entry id again.
    let mut same_id = named.clone();
    same_id["id"] = read["id"].clone();
    fleet.post("quillfeather/ada", "/v1/entries", &same_id).expect(201);
    let truck = fleet.entry(
        "registered",
        Subject::of(SubjectKind::Vehicle, vehicle),
        truck["facts"].clone(),
    );
    fleet.post("quillfeather/gus", "/v1/entries", &truck).expect(201);
    let retried = with_retries(&named, entry);
    fleet.post("quillfeather/ada", "/v1/entries", &retried).problem(422, "IMPOSSIBLE");
}

fn with_retries(entry: &Value, of: &str) -> Value {
    let mut entry = entry.clone();
    entry["id"] = json!(Uuid::now_v7());
    entry["retries"] = json!(of);
    entry
}
