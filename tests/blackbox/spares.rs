//! Spares over HTTP: found where they are carried, now and then, and each place taken once. No
//! outside source: the ledger's own promise.

use crate::fleet::Fleet;
use crate::script::id;
use chrono::TimeDelta;
use rules::Subject;
use serde_json::{Value, json};

fn fleet() -> Fleet {
    let released = |brand: &str, wheel: &str| json!({"model": "merrow-295g", "brand": brand, "state": "released", "wheel": wheel});
    Fleet::given(json!({"casings": {"A": released("LK-1", "W1"), "B": released("LK-2", "W2")}}))
}

fn put_on_spare_place(fleet: &Fleet, name: &str, brand: &str) -> Value {
    let facts = json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": "SP1"});
    fleet.entry("installed", Subject::casing(id(name)), facts)
}

/// What is shown at the spare place of T1.
fn spare(fleet: &Fleet, asked: &str) -> Value {
    let unit = fleet.get("ada", &format!("/v1/units/T1{asked}")).expect(200);
    let place = unit["positions"].as_array().unwrap().last().unwrap().clone();
    assert_eq!((&place["position"], &place["set_psi"]), (&json!("SP1"), &Value::Null));
    place["casing"]["id"].clone()
}

#[test]
fn a_spare_place_holds_one_and_shows_it() {
    let fleet = fleet();
    assert_eq!(spare(&fleet, ""), Value::Null);
    let before = fleet.proofhold.now();
    fleet.proofhold.set_clock(before + TimeDelta::hours(1));
    fleet.post("ada", "/v1/entries", &put_on_spare_place(&fleet, "A", "LK-1")).expect(201);
    assert_eq!(spare(&fleet, ""), json!(id("A")));

    // Long after, by somebody who has to look for who is there.
    fleet.proofhold.set_clock(before + TimeDelta::weeks(3));
    let as_of = format!("?as_of={}", before.format("%FT%TZ"));
    assert_eq!(spare(&fleet, &as_of), Value::Null);
    let later = format!("?as_of={}", (before + TimeDelta::hours(2)).format("%FT%TZ"));
    assert_eq!(spare(&fleet, &later), json!(id("A")));
    let refused = fleet.post("ada", "/v1/entries", &put_on_spare_place(&fleet, "B", "LK-2"));
    let problem = refused.problem(409, "REFUSED");
    assert_eq!(problem["rules"][0]["id"], "fact.place_taken", "{problem}");
    let check =
        format!("/v1/casings/{}/check?for=install&vehicle={}&position=SP1", id("B"), id("T1"));
    let asked = fleet.get("ada", &check).expect(200);
    assert_eq!((&asked["allowed"], &asked["to_attest"]), (&json!(false), &json!([])));

    let low = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 60}));
    assert_eq!(fleet.post("ada", "/v1/entries", &low).expect(201)["added"], json!([]));
    let off = fleet.entry("removed", Subject::casing(id("A")), json!({"core_out_flat": false}));
    fleet.post("ada", "/v1/entries", &off).expect(201);
    fleet.post("ada", "/v1/entries", &put_on_spare_place(&fleet, "B", "LK-2")).expect(201);
    assert_eq!(spare(&fleet, ""), json!(id("B")));
    fleet.stands();
}
