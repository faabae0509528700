//! Air let in and out, on the vehicle and off it.

use crate::ledger::{Ledger, held, id, inspected, installed, mounted, stopped};
use rules::fold::casing::Standing;
use rules::{Facts, Kind, Subject, SubjectKind};
use serde_json::{Value, json};

fn on_vehicle(found: f64, to: f64) -> Value {
    json!({"found_psi": found, "to_psi": to, "remote": true, "trajectory_clear": true})
}

fn in_cage(found: f64, to: f64) -> Value {
    json!({"found_psi": found, "to_psi": to, "place": "cage", "cage": id("K1")})
}

/// A on the front axle with 100 psi set.
fn rolling() -> Ledger {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    shop.must(Kind::Installed, Subject::casing(id("A")), "09:30", installed("A", "1L"));
    shop
}

fn low(shop: &mut Ledger, kind: Kind, facts: Value) -> (Vec<String>, bool) {
    let entries = shop.casing(kind, "A", "10:00", facts);
    let rules = stopped(&entries).iter().map(|rule| (*rule).to_owned()).collect();
    (rules, entries.len() > 1)
}

/// Source: 29 CFR 1910.177(f)(4): more than 80 % of the recommended pressure may be aired up
/// on the vehicle, with remote equipment and nobody in the trajectory.
#[test]
fn on_the_vehicle_air_needs_more_than_80_percent_and_nobody_near() {
    let table = [
        (on_vehicle(80.01, 100.0), vec![], false),
        (on_vehicle(80.0, 100.0), vec!["inflate.on_vehicle"], true),
        (
            json!({"found_psi": 90, "to_psi": 100, "trajectory_clear": true}),
            vec!["inflate.on_vehicle"],
            false,
        ),
        (
            json!({"found_psi": 90, "to_psi": 100, "remote": true}),
            vec!["inflate.on_vehicle"],
            false,
        ),
        // Places off the vehicle are no places of a tire that is on it.
        (in_cage(90.0, 100.0), vec!["fact.order", "inflate.on_vehicle"], false),
    ];
    for (facts, rules, flagged) in table {
        let mut shop = rolling();
        let place = facts.to_string();
        assert_eq!(
            low(&mut shop, Kind::Inflated, facts),
            (rules.iter().map(|r| (*r).to_owned()).collect(), flagged),
            "{place}"
        );
    }
}

/// Source: 29 CFR 1910.177(f)(2)(i), OSHA's chart: 80 % or less is run low, whoever finds it.
#[test]
fn a_tire_let_down_is_judged_by_what_was_found_before() {
    for (found, flagged) in [(80.0, true), (80.01, false), (0.0, true)] {
        let mut shop = rolling();
        let told = low(&mut shop, Kind::Deflated, json!({"found_psi": found}));
        assert_eq!(told, (Vec::new(), flagged), "{found}");
        // Let down it is, so it comes off without the pressure being noted again.
        let off = shop.casing(Kind::Removed, "A", "10:10", json!({"core_out_flat": false}));
        assert!(off[0].recorded(), "{found}");
    }
    let mut shop = rolling();
    let off = shop.casing(Kind::Removed, "A", "10:10", json!({"core_out_flat": true}));
    assert_eq!(stopped(&off), ["remove.deflated"]);
}

/// Source: 29 CFR 1910.177(d)(2), (g)(6), (g)(9); OSHA's charts for the 40 psi.
#[test]
fn off_the_vehicle_air_has_a_place_and_limits() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let place = |place: &str| json!({"found_psi": 60, "to_psi": 100, "place": place});
    let bolted = |tight: bool| json!({"found_psi": 60, "to_psi": 100, "place": "bolted_on", "nuts_tight": tight});
    for (facts, rules) in [
        (json!({"found_psi": 60, "to_psi": 100}), vec!["inflate.place"]),
        (place("open"), vec!["inflate.place"]),
        (bolted(false), vec!["inflate.place"]),
        (bolted(true), vec![]),
        (in_cage(60.0, 120.01), vec!["inflate.sidewall_limit"]),
        (in_cage(60.0, 120.0), vec![]),
        (in_cage(0.0, 100.0), vec!["seat.limit"]),
        (
            json!({"found_psi": 0, "to_psi": 100, "place": "cage", "cage": id("K1"), "seat_psi": 40.01}),
            vec!["seat.limit"],
        ),
        (
            json!({"found_psi": 0, "to_psi": 100, "place": "cage", "cage": id("K1"), "seat_psi": 40}),
            vec![],
        ),
        // Nobody looked it over today.
        (
            json!({"found_psi": 60, "to_psi": 100, "place": "cage", "cage": id("K2")}),
            vec!["cage.checked"],
        ),
    ] {
        let said = facts.to_string();
        assert_eq!(stopped(&shop.casing(Kind::Inflated, "A", "10:00", facts)), rules, "{said}");
    }
}

/// Source: OSHA's chart for tubeless tires: a tire in doubt is aired in a cage, after it was
/// off the wheel and inspected; scrap is not aired at all.
#[test]
fn what_is_in_doubt_is_aired_after_inspection_and_in_the_cage() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let a = Subject::casing(id("A"));
    shop.must(Kind::Flagged, a, "09:00", json!({"reason": "low"}));
    let refused = shop.casing(Kind::Inflated, "A", "09:10", in_cage(60.0, 100.0));
    assert_eq!(stopped(&refused), ["hold.inspected"]);
    shop.must(Kind::Demounted, a, "09:20", json!({}));
    shop.must(Kind::Inspected, a, "09:30", inspected(true));
    shop.must(Kind::Mounted, a, "09:40", mounted("A", "W1"));
    let barrier = json!({"found_psi": 60, "to_psi": 100, "place": "barrier", "cage": id("F1")});
    assert_eq!(stopped(&shop.casing(Kind::Inflated, "A", "09:50", barrier)), ["inflate.suspect"]);
    shop.must(Kind::Inflated, a, "10:00", in_cage(60.0, 100.0));
    shop.must(Kind::Scrapped, a, "10:10", json!({"reason": "run_low"}));
    let refused = shop.casing(Kind::Inflated, "A", "10:20", in_cage(60.0, 100.0));
    assert_eq!(stopped(&refused), ["hold.inspected"]);
}

/// The bytes of an entry are the record: what came to a kind of entry later is not in those
/// that were written without it.
#[test]
fn a_mount_that_says_nothing_of_nuts_is_written_as_before() {
    let facts = mounted("A", "W1");
    let mount = Facts::from_value(Kind::Mounted, SubjectKind::Casing, facts).unwrap().to_value();
    for field in ["nuts_tight", "vehicle", "position"] {
        assert_eq!(mount.get(field), None, "{field}");
    }
}

/// Common practice, no published source: whoever worked on it and told nothing leaves it of
/// unknown history, wherever it is.
#[test]
fn strangers_leave_a_casing_in_doubt() {
    let mut shop = rolling();
    let told = json!({"by_whom": "roadside outfit", "what": "not told"});
    let entries = shop.casing(Kind::ThirdPartyService, "A", "10:00", told.clone());
    assert_eq!(entries[1].facts.to_value()["reason"], "unknown");
    assert_eq!(shop.known("A").standing, Standing::Suspect);
    shop.mounted("B", "fabric_radial", "W2");
    let b = Subject::casing(id("B"));
    shop.must(Kind::ThirdPartyService, b, "08:10", told.clone());
    let refused = shop.casing(Kind::Held, "B", "08:30", held("B", "standard"));
    assert_eq!(stopped(&refused), ["hold.inspected"]);
    shop.must(Kind::Missing, b, "08:40", json!({}));
    assert_eq!(stopped(&shop.casing(Kind::ThirdPartyService, "B", "08:50", told)), ["fact.order"]);
}
