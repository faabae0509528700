//! A vehicle that may not move says why. Sources: 49 CFR 393.75(a) for a flat or damaged tire;
//! OSHA's charts for signs of a zipper rupture; that a truck stays where it is while a tire is on it
//! against the rules is common practice, no published source.

use crate::fleet::Fleet;
use crate::script::id;
use rules::Subject;
use serde_json::{Value, json};

/// A on the outside and B on the inside of a pair of T1.
fn fleet() -> Fleet {
    let on = |brand: &str, wheel: &str, position: &str| {
        json!({"model": "merrow-295g", "brand": brand, "state": "installed", "wheel": wheel,
            "vehicle": "T1", "position": position})
    };
    Fleet::given(json!({"casings": {"A": on("LK-1", "W1", "2LO"), "B": on("LK-2", "W2", "2LI")}}))
}

fn must(fleet: &Fleet, who: &str, kind: &str, casing: &str, facts: Value) -> Value {
    let entry = fleet.entry(kind, Subject::casing(id(casing)), facts);
    fleet.post(who, "/v1/entries", &entry).expect(201);
    entry["id"].clone()
}

fn off(fleet: &Fleet, casing: &str, found_psi: u8) {
    must(fleet, "ada", "removed", casing, json!({"found_psi": found_psi, "core_out_flat": true}));
}

/// The vehicle, which its unit's card shows alike.
fn vehicle(fleet: &Fleet) -> Value {
    let vehicle = fleet.get("vera", &format!("/v1/vehicles/{}", id("T1"))).expect(200);
    let unit = fleet.get("vera", "/v1/units/T1").expect(200);
    assert_eq!(unit["vehicle"], vehicle);
    assert_eq!(unit["do_not_move"], vehicle["do_not_move"]);
    assert_eq!(vehicle["do_not_move"], json!(vehicle["dangers"].is_array()));
    vehicle
}

/// Whose danger it is, the entry that shows it, and its rules.
fn dangers(fleet: &Fleet) -> Vec<(Value, Value, Vec<String>)> {
    let vehicle = vehicle(fleet);
    let all = vehicle["dangers"].as_array().cloned().unwrap_or_default();
    let rules = |danger: &Value| {
        let rules = danger["rules"].as_array().unwrap();
        assert_eq!(danger["say"], rules[0]["say"], "what to do next");
        rules.iter().map(|rule| rule["id"].as_str().unwrap().to_owned()).collect()
    };
    all.iter().map(|d| (d["position"].clone(), d["entry"].clone(), rules(d))).collect()
}

#[test]
fn it_stays_until_the_flat_and_the_rupture_are_off() {
    let fleet = fleet();
    assert_eq!(vehicle(&fleet)["do_not_move"], false);
    let flat = must(&fleet, "ada", "pressure_read", "A", json!({"psi": 0}));
    let flat = (json!("2LO"), flat, vec!["install.condition".to_owned()]);
    assert_eq!(dangers(&fleet), std::slice::from_ref(&flat));
    let danger = vehicle(&fleet)["dangers"][0].clone();
    assert_eq!((&danger["casing"], &danger["brand"]), (&json!(id("A")), &json!("LK-1")));
    assert_eq!(danger["rules"][0]["source"], "49 CFR 393.75(a)");
    assert_eq!(danger["rules"][0]["evidence"], json!([flat.1]));
    let bulging = json!({"off_wheel": false, "inside": "not_seen", "outside": "damaged", "beads": "not_seen", "passed": false, "signs": ["bulge"]});
    let bulging = fleet.entry("inspected", Subject::casing(id("B")), bulging);
    let shown = fleet.post("ada", "/v1/entries", &bulging).expect(201);
    let flag = shown["added"][0]["id"].clone();
    let sign = (json!("2LI"), flag, vec!["flag.sign".to_owned()]);
    let mut both = dangers(&fleet);
    both.sort_by_key(|danger| danger.0.to_string());
    assert_eq!(both, [sign.clone(), flat]);
    off(&fleet, "A", 0);
    assert_eq!(dangers(&fleet), [sign]);
    off(&fleet, "B", 100);
    assert_eq!(dangers(&fleet), []);
    assert_eq!(vehicle(&fleet)["do_not_move"], false);
    let listed = fleet.all("vera", "/v1/vehicles", 200);
    assert!(listed.iter().all(|vehicle| vehicle["do_not_move"].is_null()));
}

#[test]
fn it_stays_while_a_tire_is_on_it_against_the_rules() {
    let fleet = fleet();
    off(&fleet, "B", 100);
    must(&fleet, "ada", "flagged", "B", json!({"reason": "load"}));
    let facts = json!({"read": {"brand": "LK-2"}, "vehicle": id("T1"), "position": "2LI",
        "torque_ft_lb": 475, "grooves_32nds": [[14, 14]], "damage": []});
    let put_on = fleet.entry("installed", Subject::casing(id("B")), facts);
    let refused = fleet.post("ada", "/v1/entries", &put_on).problem(409, "REFUSED");
    assert_eq!(vehicle(&fleet)["do_not_move"], false, "it was refused");
    let found_out = json!({"refusal": put_on["id"], "it_did_happen": true});
    let found_out = fleet.entry("resolved", Subject::casing(id("B")), found_out);
    let shown = fleet.post("cora", "/v1/entries", &found_out).expect(201);
    let added = shown["added"].as_array().unwrap();
    let flag = added.iter().find(|entry| entry["facts"]["reason"] == "deviation").unwrap();
    let broken = refused["rules"].as_array().unwrap();
    let broken = broken.iter().map(|rule| rule["id"].as_str().unwrap().to_owned());
    let rules: Vec<String> = ["flag.deviation".to_owned()].into_iter().chain(broken).collect();
    assert!(rules.len() > 1);
    assert_eq!(dangers(&fleet), [(json!("2LI"), flag["id"].clone(), rules)]);
    off(&fleet, "B", 100);
    assert_eq!(dangers(&fleet), []);
}
