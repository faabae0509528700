//! Organisations are kept apart.

mod named;

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::proofhold::{Answer, Proofhold};
use crate::script::id;
use api::routes::ROUTES;
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

/// OWASP API security 2023, API1: a filter finds nothing of another organisation, a cursor of
/// another is no cursor. Both organisations have the same things under the same ids, and only
/// Larkspur has casings.
#[test]
fn lists_and_cursors_stay_with_their_organisation() {
    let casing = |brand: &str, wheel: &str, position: &str| {
        json!({"model": "merrow-295g", "brand": brand, "state": "installed", "wheel": wheel,
            "vehicle": "T1", "position": position})
    };
    let fleet = Fleet::played(&json!({"id": "two fleets", "given": {
        "organisations": {"quillfeather": {"name": "Quillfeather Freight"}},
        "charts": {"rings-2024": {"like": "rings-2025"}},
        "casings": {"A": casing("LK-1", "W1", "2LO"), "B": casing("LK-2", "W2", "2LI")}},
        "steps": [], "then": {}}));
    let tag =
        fleet.entry("identified", Subject::casing(id("A")), json!({"marks": {"tag": "E280-1"}}));
    fleet.post("ada", "/v1/entries", &tag).expect(201);
    for _ in 0..2 {
        // It is on the vehicle already, and the place is taken.
        let facts = json!({"read": {"brand": "LK-1"}, "vehicle": id("T1"), "position": "2LI",
            "torque_ft_lb": 475, "damage": []});
        let installed = fleet.entry("installed", Subject::casing(id("A")), facts);
        fleet.post("ada", "/v1/entries", &installed).problem(409, "REFUSED");
    }
    let document: Value = serde_json::from_str(include_str!("../../../openapi/v1.json")).unwrap();
    let (mut filters, mut cursors) = (0, 0);
    for route in ROUTES.iter().filter(|route| route.method == "GET" && route.roles.is_some()) {
        let path = route.path.replace("{id}", &id("A").to_string()).replace("{unit}", "T1");
        let parameters = document["paths"][route.path]["get"]["parameters"].as_array().cloned();
        let parameters = parameters.unwrap_or_default();
        let names: Vec<&str> = parameters
            .iter()
            .filter(|p| p["in"] == "query")
            .filter_map(|p| p["name"].as_str())
            .collect();
        if !names.contains(&"after") {
            continue;
        }
        let page = fleet.get("gus", &format!("{path}?limit=1")).expect(200);
        let next = page["next"].as_str().unwrap_or_else(|| panic!("{path} has one page only"));
        let after = fleet.get("quillfeather/gus", &format!("{path}?limit=1&after={next}"));
        assert_eq!(
            after.problem(400, "NOT_WELL_FORMED")["fields"][0]["pointer"],
            "?after",
            "{path}"
        );
        cursors += 1;
        for name in names {
            let value = match name {
                "depot" => id("elmford").to_string(),
                "model" => id("merrow-295g").to_string(),
                "vehicle" => id("T1").to_string(),
                "by" => id("ada").to_string(),
                "brand" => "LK-1".to_owned(),
                "tag" => "E280-1".to_owned(),
                "standing" => "serviceable".to_owned(),
                "whereabouts" => "vehicle".to_owned(),
                "rule" => page["items"][0]["rules"][0]["id"].as_str().unwrap().to_owned(),
                "recorded_before" => "2100-01-01T00:00:00Z".to_owned(),
                "as_of" | "known_at" => fleet.proofhold.now().format("%FT%TZ").to_string(),
                "settled" => "true".to_owned(),
                "limit" | "after" => continue,
                _ => panic!("what does {name} of {path} pick by?"),
            };
            let found = |who: &str| fleet.all(who, &format!("{path}?{name}={value}"), 200).len();
            assert!(found("gus") > 0, "{path} by {name}");
            assert_eq!(found("quillfeather/gus"), 0, "{path} by {name}");
            filters += 1;
        }
    }
    assert!(filters >= 13 && cursors >= 11, "{filters} filters, {cursors} cursors");
}
