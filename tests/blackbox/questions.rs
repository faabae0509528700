//! Asking before the work whether a rule would stop it. The answers are held against
//! what happens to the entry itself.

use crate::fleet::Fleet;
use crate::script::id;
use rules::Subject;
use serde_json::{Value, json};

fn rules(answer: &Value) -> Vec<&str> {
    answer["rules"].as_array().unwrap().iter().map(|rule| rule["id"].as_str().unwrap()).collect()
}

/// No outside source: the question writes nothing, and the entry then sent is stopped by
/// the same rules.
#[test]
fn a_question_is_answered_as_the_entry_will_be() {
    let fleet = Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"}}}));
    let install = |brand: &str| {
        json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": "2LO",
        "torque_ft_lb": 475, "damage": []})
    };
    let low = fleet.entry("pressure_read", Subject::casing(id("B")), json!({"psi": 60}));
    fleet.post("ada", "/v1/entries", &low).expect(201);
    let rows = fleet.rows();
    for (name, kind, query, facts) in [
        (
            "A",
            "released",
            "for=release&operating_psi=100".to_owned(),
            json!({"read": {"brand": "LK-1"},
            "path": "cage", "operating_psi": 100, "left_cage_psi": 100, "core_in": true}),
        ),
        (
            "A",
            "installed",
            format!("for=install&vehicle={}&position=2LO", id("T1")),
            install("LK-1"),
        ),
        (
            "A",
            "held",
            format!("for=hold&cage={}&gauge={}&for_set_psi=100", id("K1"), id("G1")),
            json!({"read": {"brand": "LK-1"}, "kind": "standard", "evidence": "logged",
                "supply_isolated": true, "place": "cage", "cage": id("K1"), "gauge": id("G1"),
                "for_set_psi": 100, "readings": [[0, 120.2], [60, 120.2]], "signs": []}),
        ),
        (
            "C",
            "mounted",
            format!("for=mount&wheel={}&cage={}", id("W1"), id("K1")),
            json!({"read": {"brand": "LK-3"}, "wheel": id("W1"), "place": "cage", "cage": id("K1"),
                "wheel_condition": [], "outside_psi": 3, "seat_psi": 30, "to_psi": 100,
                "rib_spread_32nds": 1, "signs": []}),
        ),
        (
            "C",
            "mounted",
            format!("for=mount&wheel={}&cage={}", id("W3"), id("K1")),
            json!({"read": {"brand": "LK-3"}, "wheel": id("W3"), "place": "cage", "cage": id("K1"),
                "wheel_condition": [], "outside_psi": 3, "seat_psi": 30, "to_psi": 100,
                "rib_spread_32nds": 1, "signs": []}),
        ),
    ] {
        let path = format!("/v1/casings/{}/check?{query}", id(name));
        let asked = fleet.get("ada", &path).expect(200);
        let entry = fleet.entry(kind, Subject::casing(id(name)), facts);
        let judged = fleet.post("ada", "/v1/entries?dry_run=true", &entry).expect(200);
        let stops: Vec<&str> = if judged["outcome"] == "refused" { rules(&judged) } else { vec![] };
        assert_eq!(rules(&asked), stops, "{path}");
        assert_eq!(asked["allowed"], stops.is_empty(), "{path}");
        // What is to be attested is what stops the entry when nothing is.
        let mut bare = entry.clone();
        bare["attested"] = json!([]);
        let bare = fleet.post("ada", "/v1/entries?dry_run=true", &bare).expect(200);
        let mut missing = if bare["outcome"] == "refused" { rules(&bare) } else { vec![] };
        missing.retain(|rule| !stops.contains(rule));
        let to_attest = asked["to_attest"].as_array().unwrap().iter();
        let to_attest: Vec<&str> = to_attest.map(|one| one["id"].as_str().unwrap()).collect();
        assert_eq!(to_attest, missing, "{path}");
    }
    assert_eq!(fleet.rows(), rows, "a question writes nothing");
}

#[test]
fn a_wrong_question_is_named() {
    let fleet = Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"}}}));
    let ask = |query: &str| fleet.get("ada", &format!("/v1/casings/{}/check{query}", id("A")));
    for (query, pointer) in [
        ("", "?for"),
        ("?for=polish", "?for"),
        ("?for=install&position=2LO", "?vehicle"),
        ("?for=mount", "?wheel"),
        ("?for=inflate&wheel=00000000-0000-0000-0000-000000000007", "?wheel"),
        ("?for=release&colour=red", "?colour"),
        ("?for=release&operating_psi=ninety", "?operating_psi"),
    ] {
        let problem = ask(query).problem(400, "NOT_WELL_FORMED");
        assert_eq!(problem["fields"][0]["pointer"], pointer, "{query}: {problem}");
    }
    let nowhere = format!("?for=install&vehicle={}&position=9LO", id("T1"));
    let problem = ask(&nowhere).problem(422, "IMPOSSIBLE");
    assert_eq!(problem["fields"][0]["pointer"], "?position", "{problem}");
    let unknown = ask(&format!("?for=mount&wheel={}", uuid::Uuid::now_v7()));
    assert_eq!(unknown.problem(422, "IMPOSSIBLE")["fields"][0]["pointer"], "?wheel");
}
