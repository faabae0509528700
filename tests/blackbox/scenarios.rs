//! The scenarios, played over HTTP.

use crate::script::{self, Script};
use crate::second_model::Both;
use serde_json::Value;

fn play(scenario: &Value) {
    let script = Script::new(scenario);
    let mut ledger = Both::of(&script);
    script.play(&mut ledger);
    ledger.fleet.stands();
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
    a29 "A29" a30 "A30" a31 "A31" a32 "A32" a33 "A33" a34 "A34" a35 "A35" a36 "A36" a37 "A37"
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
