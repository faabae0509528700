//! The scenarios, played over HTTP.

use crate::postgres::wait;
use crate::script::{self, Script, id};
use crate::second_model::Both;
use serde_json::{Value, json};
use store::migrate;

fn play(scenario: &Value) {
    played(scenario).fleet.stands();
}

fn played(scenario: &Value) -> Both {
    let script = Script::new(scenario);
    let mut ledger = Both::of(&script);
    script.play(&mut ledger);
    ledger
}

macro_rules! scenarios {
    ($($name:ident $id:literal)*) => {
        $(#[test]
        fn $name() {
            let scenarios = script::scenarios();
            let scenario = scenarios.iter().find(|scenario| scenario["id"] == $id).unwrap();
            play(scenario);
        })*

        const PLAYED: &[&str] = &[$($id),*];
    };
}

scenarios! {
    a01 "A01" a02 "A02" a03 "A03" a04 "A04" a05 "A05" a06 "A06" a07 "A07" a08 "A08" a09 "A09"
    a10 "A10" a11 "A11" a12 "A12" a13 "A13" a14 "A14" a15 "A15" a16 "A16" a17 "A17" a18 "A18"
    a19 "A19" a20 "A20" a21 "A21" a22 "A22" a23 "A23" a24 "A24" a25 "A25" a26 "A26" a27 "A27"
    a28 "A28" a29 "A29" a30 "A30" a31 "A31" a32 "A32" a33 "A33" a34 "A34" a35 "A35" a36 "A36" a37 "A37"
    a38 "A38" a39 "A39" a40 "A40" a41 "A41" a42 "A42" a43 "A43" a44 "A44" a45 "A45" a46 "A46"
    a47 "A47" a48 "A48" a49 "A49" a50 "A50" a51 "A51" a52 "A52" a53 "A53" a54 "A54"
}

#[test]
fn none_is_left_out() {
    let scenarios = script::scenarios();
    let written: Vec<&str> =
        scenarios.iter().map(|scenario| scenario["id"].as_str().unwrap()).collect();
    assert_eq!(PLAYED, written);
}

/// The verdicts are those written with the ten worked series.
#[test]
fn worked_holds_come_out_as_written() {
    play(&script::worked_holds());
}

/// Where a correction says that a casing was, no other one is put late, though the first facts put
/// the newest there. Such a correction that was on record before its columns were is found too. No
/// outside source: the ledger's own promise that no two casings are anywhere at once.
#[test]
fn a_late_move_sees_where_corrections_put_others() {
    let right = json!({"wheel": id("W3"), "read": {"brand": "LK-1951"}, "place": "cage",
        "cage": id("K1"), "seat_psi": 30, "to_psi": 100, "outside_psi": 3, "rib_spread_32nds": 1});
    let at = |clock: &str| format!("2026-03-12T{clock}:00-05:00");
    let step = |n: u8, kind: &str, casing: &str, clock: &str, facts: Value| {
        json!({"id": format!("s{n}"), "do": kind, "subject": casing, "occurred_at": at(clock),
            "facts": facts, "expect": {"outcome": "recorded"}})
    };
    let mut correction = step(
        3,
        "corrected",
        "A",
        "12:00",
        json!({"corrects": "s1", "facts": right, "reason": "read the wrong rim"}),
    );
    correction["by"] = json!("dora");
    let mut late = step(6, "mounted", "C", "08:30", json!({"wheel": "W3"}));
    let mut out = step(7, "demounted", "C", "09:00", json!({}));
    for (step, rule) in [(&mut late, "fact.place_taken"), (&mut out, "fact.order")] {
        step["job"] = json!("J1");
        step["arrives_at"] = json!(at("15:00"));
        step["expect"] = json!({"outcome": "refused", "rules": [rule], "exact": true});
    }
    let casing =
        |brand: &str| json!({"model": "merrow-295g", "brand": brand, "state": "inspected"});
    let ledger = played(&json!({
        "id": "corrected wheel",
        "given": {"casings": {"A": casing("LK-1951"), "B": casing("LK-1952"), "C": casing("LK-1953")}},
        "steps": [
            // The last that the first facts put there, and gone again.
            step(4, "mounted", "B", "07:00", json!({"wheel": "W3"})),
            step(5, "demounted", "B", "07:30", json!({})),
            step(1, "mounted", "A", "08:00", json!({"wheel": "W1"})),
            step(2, "demounted", "A", "10:00", json!({})),
            correction,
            late,
            out,
        ],
        "then": {}
    }));
    ledger.fleet.stands();
    let url = ledger.fleet.proofhold.database.url();
    assert_eq!(wait(migrate::down(&url, 1)).unwrap(), ["20261126000008"]);
    wait(migrate::up(&url)).unwrap();
    ledger.fleet.stands();
}
