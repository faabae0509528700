//! Organisations are kept apart.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::proofhold::{Answer, Proofhold};
use crate::script::id;
use api::routes::ROUTES;
use rules::{Kind, Role, Subject, SubjectKind};
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

/// What an entry's own fields name, from the document's schema of its facts: ids of other things.
fn named_in(shape: &str) -> Vec<(String, bool)> {
    let document: Value = serde_json::from_str(include_str!("../../openapi/v1.json")).unwrap();
    let fields = document["components"]["schemas"][shape]["properties"].as_object().cloned();
    let named = |(name, field): (String, Value)| match (&field["format"], &field["items"]["format"])
    {
        (format, _) if format == "uuid" => Some((name, false)),
        (_, format) if format == "uuid" => Some((name, true)),
        _ => None,
    };
    fields.unwrap_or_default().into_iter().filter_map(named).collect()
}

/// The kind of thing that a field names, and one of Larkspur's.
fn meant_by(field: &str) -> (SubjectKind, &'static str) {
    match field {
        "depot" | "to_depot" => (SubjectKind::Depot, "elmford"),
        "from_depot" => (SubjectKind::Depot, "sandgate"),
        "model" | "models" => (SubjectKind::Model, "merrow-295g"),
        "wheel" => (SubjectKind::Wheel, "W1"),
        "vehicle" => (SubjectKind::Vehicle, "T1"),
        "cage" => (SubjectKind::Cage, "K1"),
        "gauge" => (SubjectKind::Gauge, "G1"),
        "witness" => (SubjectKind::Person, "ben"),
        _ => panic!("what does {field} name?"),
    }
}

/// The facts of an entry of this kind, with Larkspur's things in place of the document's.
fn facts(kind: Kind, subject: SubjectKind) -> Value {
    let examples: Value =
        serde_json::from_str(include_str!("../../api/src/examples.json")).unwrap();
    let name = match kind {
        Kind::Registered | Kind::Changed => subject.name(),
        _ => kind.name(),
    };
    let mut facts = examples[name].clone();
    if kind == Kind::Released {
        // Only a release bolted on names a vehicle.
        facts["path"] = json!("bolted_on");
        facts["position"] = json!("2RO");
    }
    for (field, many) in named_in(&kind.shape(subject)) {
        if field != "evidence" {
            let own = id(meant_by(&field).1);
            facts[field] = if many { json!([own]) } else { json!(own) };
        }
    }
    facts
}

/// OWASP API security 2023, API1: an entry that names something of another organisation, in
/// whatever field, gets the answer to one that names nothing on record. The fields are those of
/// the API document.
#[test]
fn an_entry_names_nothing_of_another_organisation() {
    let fleet = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1",
        "state": "mounted", "wheel": "W1"}}}));
    let other = fleet.proofhold.organisation("quillfeather");
    fleet.proofhold.account(other, Uuid::now_v7(), "gus", Role::Admin);
    let register = |kind: SubjectKind, facts: Value| {
        let thing = Subject::of(kind, Uuid::now_v7());
        let entry = fleet.entry("registered", thing, facts);
        fleet.post("quillfeather/gus", "/v1/entries", &entry).expect(201);
        (thing.id, entry["id"].clone())
    };
    let depot = register(SubjectKind::Depot, facts(Kind::Registered, SubjectKind::Depot));
    let theirs = |kind: SubjectKind| match kind {
        SubjectKind::Depot => depot.clone(),
        _ => {
            let mut facts = facts(Kind::Registered, kind);
            if !facts["depot"].is_null() {
                facts["depot"] = json!(depot.0);
            }
            if !facts["unit"].is_null() {
                facts["unit"] = json!(Uuid::now_v7().simple().to_string()[20..]);
            }
            register(kind, facts)
        }
    };
    let (person, entry) = theirs(SubjectKind::Person);
    let refused = |entry: &Value, pointer: &str| {
        let mut problem = fleet.post("dora", "/v1/entries", entry).problem(422, "IMPOSSIBLE");
        assert_eq!(problem["fields"].as_array().unwrap().len(), 1, "{problem}");
        assert_eq!(problem["fields"][0]["pointer"], pointer, "{problem}");
        problem.as_object_mut().unwrap().remove("request_id");
        problem
    };
    let subject_of = |kind: SubjectKind| match kind {
        SubjectKind::Casing => Subject::casing(id("A")),
        SubjectKind::Policy => Subject::of(kind, id("larkspur")),
        SubjectKind::Person => Subject::of(kind, id("ben")),
        SubjectKind::Recommendation => Subject::of(kind, id("letter-12")),
        _ => {
            let field = if kind == SubjectKind::Model { "model" } else { kind.name() };
            Subject::of(kind, id(meant_by(field).1))
        }
    };
    let mut proved = 0;
    // What those two name are entries, not things.
    let of_things = |kind: &&Kind| !matches!(kind, Kind::Corrected | Kind::Resolved);
    for kind in Kind::ALL.iter().filter(of_things) {
        for subject in kind.subjects() {
            let known = fleet.entry(kind.name(), subject_of(*subject), facts(*kind, *subject));
            let with = |field: &str, value: Value| {
                let mut entry = known.clone();
                entry["id"] = json!(Uuid::now_v7());
                *entry.pointer_mut(field).unwrap_or_else(|| panic!("{field}")) = value;
                entry
            };
            let mut known_by = known.clone();
            known_by["by"] = json!(person);
            let by = refused(&known_by, "/by");
            known_by["by"] = json!(Uuid::now_v7());
            assert_eq!(by, refused(&known_by, "/by"));
            let mut again = known.clone();
            again["retries"] = entry.clone();
            let retries = refused(&again, "/retries");
            again["retries"] = json!(Uuid::now_v7());
            assert_eq!(retries, refused(&again, "/retries"));
            for (field, many) in named_in(&kind.shape(*subject)) {
                // What a doubt leans on is kept as its sender says it; nothing follows it.
                if field == "evidence" {
                    continue;
                }
                let place = format!("/facts/{field}");
                let one = |id: Uuid| if many { json!([id]) } else { json!(id) };
                let before = theirs(meant_by(&field).0).0;
                let stored = fleet.rows();
                let named = refused(&with(&place, one(before)), &place);
                assert_eq!(named, refused(&with(&place, one(Uuid::now_v7())), &place));
                assert_eq!(fleet.rows(), stored, "{} {place}", kind.name());
                proved += 1;
            }
        }
    }
    assert!(proved >= 18, "{proved}");
}

/// OWASP API security 2023, API1: an entry of another organisation is neither corrected nor
/// resolved; the answer is the one about an entry that nobody ever sent.
#[test]
fn no_entry_of_another_organisation_is_amended() {
    let fleet = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1",
        "state": "mounted", "wheel": "W1"}}}));
    let other = fleet.proofhold.organisation("quillfeather");
    fleet.proofhold.account(other, Uuid::now_v7(), "gus", Role::Admin);
    let depot = Subject::of(SubjectKind::Depot, Uuid::now_v7());
    let theirs = fleet.entry("registered", depot, facts(Kind::Registered, SubjectKind::Depot));
    fleet.post("quillfeather/gus", "/v1/entries", &theirs).expect(201);
    for (kind, facts) in [
        ("corrected", json!({"corrects": null, "facts": {"psi": 90}, "reason": "misread"})),
        ("resolved", json!({"refusal": null, "it_did_happen": true})),
    ] {
        let answer = |named: &Value| {
            let mut facts = facts.clone();
            let field = if kind == "corrected" { "corrects" } else { "refusal" };
            facts[field] = named.clone();
            let entry = fleet.entry(kind, Subject::casing(id("A")), facts);
            let mut problem = fleet.post("dora", "/v1/entries", &entry).problem(422, "IMPOSSIBLE");
            assert_eq!(problem["fields"][0]["pointer"], format!("/facts/{field}"), "{problem}");
            problem.as_object_mut().unwrap().remove("request_id");
            problem
        };
        assert_eq!(answer(&theirs["id"]), answer(&json!(Uuid::now_v7())));
    }
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
    let document: Value = serde_json::from_str(include_str!("../../openapi/v1.json")).unwrap();
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
