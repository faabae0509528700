//! Speed-restricted tires.

use crate::ledger::{Ledger, id, installed, stopped};
use rules::entry::FormError;
use rules::{Command, Kind, Subject, SubjectKind};
use serde_json::{Value, json};

fn model(max_speed_mph: Option<f64>) -> Value {
    let mut body = json!({"maker": "Invented", "name": "slow", "size": "295/75R22.5",
        "load_range": "H", "construction": "steel_radial", "tube_type": false,
        "sidewall_psi": 120, "single_lb": 6610, "dual_lb": 6005, "rim_in": 22.5,
        "rim_widths_in": [8.25], "new_tread_32nds": 22});
    if let Some(max_speed_mph) = max_speed_mph {
        body["max_speed_mph"] = json!(max_speed_mph);
    }
    body
}

/// 49 CFR 393.75(f): a tire for 55 mph or less only on a vehicle designated for it.
#[test]
fn a_speed_restricted_tire_goes_on_a_vehicle_designated_for_it() {
    for (max_speed_mph, designated, refused) in [
        (None, false, false),
        (Some(55.0), false, true),
        (Some(35.0), false, true),
        (Some(55.0), true, false),
    ] {
        let mut shop = Ledger::shop();
        shop.register(SubjectKind::Model, "slow", model(max_speed_mph));
        let axles = json!([{"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90}]);
        let body = json!({"unit": "S1", "kind": "truck", "axles": axles,
            "speed_restricted": designated});
        shop.register(SubjectKind::Vehicle, "S1", body);
        shop.released("A", "slow", "W1");
        let mut facts = installed("A", "1L");
        facts["vehicle"] = json!(id("S1"));
        let entries = shop.casing(Kind::Installed, "A", "09:10", facts);
        let rules = if refused { vec!["install.speed"] } else { Vec::new() };
        assert_eq!(stopped(&entries), rules, "{max_speed_mph:?} {designated}");
    }
}

/// The same: above 55 mph a tire is not speed-restricted, and is not registered as one.
#[test]
fn above_55_mph_no_tire_is_speed_restricted() {
    for (max_speed_mph, possible) in [(55.0, true), (55.01, false), (65.0, false)] {
        let subject = Subject::of(SubjectKind::Model, id("slow"));
        let sent = json!({"id": id("sent"), "kind": "registered", "subject": subject,
            "occurred_at": "2026-03-02T08:00:00-06:00", "facts": model(Some(max_speed_mph))});
        let read = Command::read(sent.to_string().as_bytes());
        match read {
            Ok(_) => assert!(possible, "{max_speed_mph}"),
            Err(FormError::Impossible(fields)) => {
                assert!(!possible);
                assert_eq!(fields[0].pointer, "/facts/max_speed_mph");
            }
            Err(other) => panic!("{other:?}"),
        }
    }
}
