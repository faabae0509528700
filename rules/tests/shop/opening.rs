//! Opening stock, bought used, and what vehicles were weighed at.

use crate::ledger::{Ledger, at, id, installed, stopped};
use rules::entry::FormError;
use rules::fold::casing::{Standing, Whereabouts};
use rules::{Command, Entry, Kind, Subject, SubjectKind};
use serde_json::{Value, json};

fn rolling(name: &str, position: &str, wheel: &str, cold_psi: f64) -> Value {
    json!({"origin": "opening", "model": id("steel_radial"), "marks": {"brand": name},
        "vehicle": id("T1"), "position": position, "wheel": id(wheel), "walk_round": "clear",
        "cold_psi": cold_psi})
}

fn flags(entries: &[Entry]) -> Vec<(Subject, String)> {
    let reason = |entry: &Entry| entry.facts.to_value()["reason"].as_str().unwrap().to_owned();
    entries[1..].iter().map(|entry| (entry.subject, reason(entry))).collect()
}

fn wrong(facts: &Value) -> Vec<String> {
    let body = json!({"id": id("one"), "kind": "acquired", "occurred_at": at("08:00"),
        "subject": Subject::casing(id("A")), "facts": facts});
    match Command::read(body.to_string().as_bytes()) {
        Ok(_) => Vec::new(),
        Err(FormError::Impossible(fields)) => fields.into_iter().map(|f| f.pointer).collect(),
        Err(other) => panic!("{other:?}"),
    }
}

/// The ledger's own shape, no outside source.
#[test]
fn opening_stock_says_where_it_runs_and_other_stock_where_it_lies() {
    let good = rolling("A", "1L", "W1", 100.0);
    assert_eq!(wrong(&good), [""; 0]);
    for field in ["vehicle", "position", "wheel", "walk_round", "cold_psi"] {
        let mut facts = good.clone();
        facts.as_object_mut().unwrap().remove(field);
        assert_eq!(wrong(&facts), [format!("/facts/{field}")]);
    }
    for (field, value) in [("walk_round", "not_seen"), ("walk_round", "clear")] {
        let mut facts = good.clone();
        facts[field] = json!(value);
        facts["damage"] = json!(["leaking"]);
        assert_eq!(wrong(&facts), ["/facts/walk_round"], "{value}");
    }
    let mut used = json!({"origin": "used", "model": id("steel_radial")});
    assert_eq!(wrong(&used), ["/facts/depot"]);
    used["depot"] = json!(id("elmford"));
    assert_eq!(wrong(&used), [""; 0]);
    used["cold_psi"] = json!(100);
    assert_eq!(wrong(&used), ["/facts/cold_psi"]);
}

/// Common practice, no published source: a fleet cannot strip every truck on the day it
/// begins; from its first demount a casing's past has to be proved.
#[test]
fn opening_stock_runs_until_its_first_demount() {
    let mut shop = Ledger::shop();
    let a = Subject::casing(id("A"));
    assert_eq!(shop.casing(Kind::Acquired, "A", "08:00", rolling("A", "2LO", "W1", 90.0)).len(), 1);
    let known = shop.known("A");
    assert_eq!((known.standing, known.whereabouts), (Standing::Serviceable, Whereabouts::Vehicle));
    shop.must(Kind::Removed, a, "09:00", json!({"found_psi": 95, "core_out_flat": false}));
    // It was never held: good for the 95 psi it came with, not for the 100 psi in front.
    let mut elsewhere = installed("A", "1L");
    elsewhere["psi"] = json!(100);
    elsewhere["grooves_32nds"] = json!([[15]]);
    let refused = shop.casing(Kind::Installed, "A", "09:10", elsewhere.clone());
    assert_eq!(stopped(&refused), ["install.hold_covers"]);
    elsewhere["position"] = json!("2RO");
    shop.must(Kind::Installed, a, "09:20", elsewhere);
    shop.must(Kind::Removed, a, "10:00", json!({"found_psi": 95, "core_out_flat": true}));
    let off = shop.casing(Kind::Demounted, "A", "10:10", json!({}));
    assert_eq!(flags(&off), [(a, "unknown".to_owned())]);
    assert_eq!(shop.known("A").taken_over, None);
}

/// Source: 29 CFR 1910.177(f)(2)(i), and the trailer maker's manual for the mate.
#[test]
fn what_is_taken_over_low_is_run_low() {
    let mut shop = Ledger::shop();
    let (a, b) = (Subject::casing(id("A")), Subject::casing(id("B")));
    shop.must(Kind::Acquired, a, "08:00", rolling("A", "2LO", "W1", 95.0));
    let low = shop.casing(Kind::Acquired, "B", "08:10", rolling("B", "2LI", "W2", 76.0));
    assert_eq!(flags(&low), [(b, "low".to_owned()), (a, "mate".to_owned())]);
    // What the ledger added is no entry that ends the takeover.
    shop.must(Kind::Acquired, Subject::casing(id("C")), "08:20", rolling("C", "1L", "W3", 100.0));
}

/// The ledger's own promise, no outside source: a position, a wheel and a mark are taken
/// once, and a vehicle is taken over before anything else.
#[test]
fn a_takeover_ends_with_the_first_other_entry() {
    let take = |shop: &mut Ledger, clock: &str| {
        let entries = shop.casing(Kind::Acquired, "B", clock, rolling("B", "2LO", "W2", 95.0));
        stopped(&entries).iter().map(|rule| (*rule).to_owned()).collect::<Vec<_>>()
    };
    let mut shop = Ledger::shop();
    let (a, t1) = (Subject::casing(id("A")), Subject::of(SubjectKind::Vehicle, id("T1")));
    shop.must(Kind::Acquired, a, "08:00", rolling("A", "1L", "W1", 100.0));
    for facts in [
        rolling("B", "1L", "W2", 100.0),
        rolling("B", "1R", "W1", 100.0),
        rolling("A", "1R", "W2", 100.0),
    ] {
        let refused = shop.casing(Kind::Acquired, "B", "08:10", facts);
        assert_eq!(stopped(&refused), ["fact.place_taken"]);
    }
    shop.must(Kind::TreadRead, a, "08:20", json!({"grooves_32nds": [[15]]}));
    assert_eq!(take(&mut shop, "08:30"), ["fact.order"]);
    shop.must(Kind::Removed, a, "08:40", json!({"found_psi": 100, "core_out_flat": true}));
    assert_eq!(take(&mut shop, "08:50"), ["fact.order"]);
    for (kind, facts) in [
        (Kind::Weighed, json!({"axles": [{"axle": 1, "load_lb": 12_000}]})),
        (Kind::OdometerRead, json!({"odometer_mi": 412_000})),
    ] {
        let mut shop = Ledger::shop();
        shop.must(kind, t1, "08:00", facts);
        assert_eq!(take(&mut shop, "08:30"), ["fact.order"], "{kind:?}");
    }
    let mut shop = Ledger::shop();
    assert_eq!(take(&mut shop, "08:30"), [""; 0]);
}

/// 49 CFR 393.75(g), 396 Appendix A 10(a)(11): the axle against the sidewalls of its tires.
/// The model's are 6,610 lb single and 6,005 lb dual.
#[test]
fn an_axle_above_its_sidewalls_puts_its_tires_in_doubt() {
    let table = [
        ("1L", 1, 13_220.0, false),
        ("1L", 1, 13_220.01, true),
        ("2LO", 2, 24_020.0, false),
        ("2LO", 2, 24_020.01, true),
        ("1L", 2, 40_000.0, false),
    ];
    for (position, axle, load, over) in table {
        let mut shop = Ledger::shop();
        let a = Subject::casing(id("A"));
        let psi = if axle == 1 { 100.0 } else { 95.0 };
        shop.must(Kind::Acquired, a, "08:00", rolling("A", position, "W1", psi));
        let weighed = json!({"axles": [{"axle": axle, "load_lb": load}]});
        let t1 = Subject::of(SubjectKind::Vehicle, id("T1"));
        let entries = shop.send(Kind::Weighed, t1, at("09:00"), at("09:00"), weighed);
        let expected = if over { vec![(a, "load".to_owned())] } else { Vec::new() };
        assert_eq!(flags(&entries), expected, "{position} {axle} {load}");
    }
}

/// The vehicle's own axles, no outside source.
#[test]
fn an_axle_that_a_vehicle_has_not_dangles() {
    let shop = Ledger::shop();
    let body = json!({"id": id("one"), "kind": "weighed", "occurred_at": at("08:00"),
        "subject": Subject::of(SubjectKind::Vehicle, id("T1")),
        "facts": {"axles": [{"axle": 2, "load_lb": 12_000}, {"axle": 3, "load_lb": 12_000}]}});
    let command = Command::read(body.to_string().as_bytes()).unwrap();
    let dangling = shop.world_for(&[&command]).dangling(&command);
    assert_eq!(
        dangling.iter().map(|field| &*field.pointer).collect::<Vec<_>>(),
        ["/facts/axles/1/axle"]
    );
}

/// The ledger's own promise, no outside source: what was written wrongly of a takeover is put
/// right afterwards, though the vehicle has other entries by then, and no place is taken twice.
#[test]
fn a_takeover_is_put_right_later() {
    let mut shop = Ledger::shop();
    let (a, b) = (Subject::casing(id("A")), Subject::casing(id("B")));
    let first = shop.must(Kind::Acquired, a, "08:00", rolling("A", "2LO", "W1", 95.0));
    shop.must(Kind::Acquired, b, "08:10", rolling("B", "2RO", "W2", 95.0));
    shop.must(Kind::TreadRead, a, "08:20", json!({"grooves_32nds": [[15]]}));
    let right = |facts: Value| json!({"corrects": first, "facts": facts, "reason": "misread"});
    let corrected =
        |shop: &mut Ledger, facts| shop.casing(Kind::Corrected, "A", "09:00", right(facts));
    for facts in [rolling("A", "2RO", "W1", 95.0), rolling("A", "2LO", "W2", 95.0)] {
        assert_eq!(stopped(&corrected(&mut shop, facts)), ["fact.place_taken"]);
    }
    let mut other = rolling("A", "1L", "W1", 95.0);
    other["vehicle"] = json!(id("T2"));
    shop.must(
        Kind::OdometerRead,
        Subject::of(SubjectKind::Vehicle, id("T2")),
        "08:30",
        json!({"odometer_mi": 412_000}),
    );
    assert_eq!(stopped(&corrected(&mut shop, other)), ["fact.order"]);
    let low = corrected(&mut shop, rolling("A", "2LI", "W3", 70.0));
    assert_eq!(flags(&low), [(a, "low".to_owned())]);
    let known = shop.known("A");
    assert_eq!(known.position.map(|position| position.to_string()).as_deref(), Some("2LI"));
    assert_eq!((known.wheel, known.standing), (Some(id("W3")), Standing::Suspect));
}

/// The ledger's own promise, no outside source: a takeover told late fits between what is on
/// record of its wheel.
#[test]
fn a_late_takeover_takes_no_wheel_that_another_casing_was_on() {
    let mut shop = Ledger::shop();
    shop.mounted("B", "steel_radial", "W1");
    shop.must(Kind::Demounted, Subject::casing(id("B")), "10:00", json!({}));
    let mut take = |clock: &str, wheel: &str| {
        let facts = rolling("A", "1L", wheel, 100.0);
        shop.late(Kind::Acquired, "A", clock, "11:00", facts)
    };
    assert_eq!(stopped(&take("09:00", "W1")), ["fact.place_taken"]);
    assert_eq!(stopped(&take("07:30", "W1")), ["fact.place_taken"]);
    assert!(take("10:00", "W1")[0].recorded());
}

/// 49 CFR 393.75(g): whoever was on the axle when it was weighed carried the load, wherever
/// it is when the weighing is told.
#[test]
fn a_late_weighing_is_of_the_tires_of_its_time() {
    let mut shop = Ledger::shop();
    let a = Subject::casing(id("A"));
    shop.must(Kind::Acquired, a, "08:00", rolling("A", "1L", "W1", 100.0));
    shop.must(Kind::Removed, a, "10:00", json!({"found_psi": 100, "core_out_flat": true}));
    shop.released("B", "steel_radial", "W2");
    shop.must(Kind::Installed, Subject::casing(id("B")), "10:30", installed("B", "1L"));
    let t1 = Subject::of(SubjectKind::Vehicle, id("T1"));
    let weighed = json!({"axles": [{"axle": 1, "load_lb": 14_000}]});
    let entries = shop.send(Kind::Weighed, t1, at("09:30"), at("11:00"), weighed);
    assert_eq!(flags(&entries), [(a, "load".to_owned())]);
    assert_eq!(entries[1].at(), at("09:30"));
}
