//! Spares, which are carried and not driven on, and axles that lift.
//!
//! Sources: 29 CFR 1910.177(f)(2), which asks for deflation before a wheel is removed from the
//! axle, and (f)(4) for air on the vehicle; 49 CFR 393.75(a), (b), which are about tires that a
//! vehicle is operated on. What a ledger makes of a spare is common practice, no published source.

use crate::ledger::{Ledger, at, held, id, installed, released, stopped};
use rules::entry::FormError;
use rules::fold::casing::{Standing, Whereabouts};
use rules::{Command, Entry, Kind, Subject, SubjectKind};
use serde_json::{Value, json};

/// Put where a spare is carried: there are no nuts to torque.
fn carried(name: &str, position: &str) -> Value {
    json!({"read": {"brand": name}, "vehicle": id("T1"), "position": position})
}

fn removed(found_psi: u32, flat: bool) -> Value {
    json!({"found_psi": found_psi, "core_out_flat": flat})
}

fn flags(entries: &[Entry]) -> Vec<String> {
    let reason = |entry: &Entry| entry.facts.to_value()["reason"].as_str().unwrap().to_owned();
    entries[1..].iter().map(reason).collect()
}

/// A spare at SP1 of T1 since 09:10.
fn with_spare() -> (Ledger, Subject) {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    let a = Subject::casing(id("A"));
    shop.must(Kind::Installed, a, "09:10", carried("A", "SP1"));
    (shop, a)
}

#[test]
fn a_spare_is_not_run_low_and_does_not_run() {
    let (mut shop, a) = with_spare();
    let known = shop.known("A");
    assert_eq!(known.whereabouts, Whereabouts::Vehicle);
    assert!(known.recheck_due().is_none(), "no nuts to recheck");
    let low = shop.casing(Kind::PressureRead, "A", "10:00", json!({"psi": 60}));
    assert_eq!((stopped(&low).len(), flags(&low).len()), (0, 0));
    // Off its carrier with its air in it.
    let off = shop.casing(Kind::Removed, "A", "10:10", removed(60, false));
    assert_eq!((stopped(&off).len(), flags(&off).len()), (0, 0));
    assert_eq!((shop.known("A").ran, shop.known("A").standing), (None, Standing::Serviceable));
    // It never ran, so it has its new tread.
    let mut facts = installed("A", "1L");
    facts["psi"] = json!(100);
    shop.must(Kind::Installed, a, "10:20", facts);
    let low = shop.casing(Kind::PressureRead, "A", "11:00", json!({"psi": 60}));
    assert_eq!(flags(&low), ["low"]);
}

/// From spare to axle it is removed and installed, so nothing that is asked there is left out.
#[test]
fn from_spare_to_axle_everything_is_asked() {
    let (mut shop, a) = with_spare();
    let straight = shop.casing(Kind::Installed, "A", "10:00", installed("A", "1L"));
    assert_eq!(stopped(&straight), ["fact.order"]);
    shop.must(Kind::Removed, a, "10:10", removed(100, false));
    let mut bare = carried("A", "1L");
    bare["psi"] = json!(90);
    let refused = shop.casing(Kind::Installed, "A", "10:20", bare);
    assert_eq!(stopped(&refused), ["install.pressure", "install.torque"]);
    shop.must(Kind::Installed, a, "10:30", installed("A", "1L"));
}

#[test]
fn a_spare_has_to_be_ready_to_run() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let refused = shop.casing(Kind::Installed, "A", "09:10", carried("A", "SP1"));
    assert_eq!(stopped(&refused), ["install.released"]);
    let mut cut = carried("A", "SP1");
    cut["damage"] = json!(["cut_to_cord"]);
    let refused = shop.casing(Kind::Installed, "A", "09:20", cut);
    assert_eq!(stopped(&refused), ["install.released", "install.condition"]);
}

#[test]
fn each_place_takes_one_and_a_vehicle_has_as_many_as_it_says() {
    let (mut shop, _) = with_spare();
    shop.released("B", "steel_radial", "W2");
    let refused = shop.casing(Kind::Installed, "B", "09:20", carried("B", "SP1"));
    assert_eq!(stopped(&refused), ["fact.place_taken"]);
    shop.must(Kind::Installed, Subject::casing(id("B")), "09:30", carried("B", "SP2"));
    let body = json!({"id": id("one"), "kind": "installed", "subject": Subject::casing(id("B")),
        "occurred_at": at("10:00"), "facts": carried("B", "SP3")});
    let command = Command::read(body.to_string().as_bytes()).unwrap();
    let fields = shop.world_for(&[&command]).dangling(&command);
    assert_eq!(fields[0].say, "Unit T1 has no position SP3.");
}

/// A spare taken over was held by nobody: before it is put on an axle it is.
#[test]
fn a_spare_taken_over_needs_a_hold_before_it_is_installed() {
    let mut shop = Ledger::shop();
    let a = Subject::casing(id("A"));
    let acquired = json!({"origin": "opening", "model": id("steel_radial"), "marks": {"brand": "A"},
        "vehicle": id("T1"), "position": "SP1", "wheel": id("W1"), "walk_round": "clear",
        "cold_psi": 60, "grooves_32nds": [[15]]});
    let taken = shop.casing(Kind::Acquired, "A", "08:00", acquired);
    assert_eq!((stopped(&taken).len(), flags(&taken).len()), (0, 0), "it was not driven on");
    assert_eq!(shop.known("A").covers_psi(), None);
    shop.must(Kind::Removed, a, "08:10", removed(60, false));
    let mut on_axle = installed("A", "1L");
    on_axle["psi"] = json!(100);
    let refused = shop.casing(Kind::Installed, "A", "08:20", on_axle.clone());
    assert_eq!(stopped(&refused), ["install.released"]);
    let unproved = shop.casing(Kind::Released, "A", "08:25", released("A"));
    assert!(stopped(&unproved).contains(&"release.proof"));
    // Its past is known from then on only: off the wheel, looked at, mounted and held.
    shop.must(Kind::Demounted, a, "08:30", json!({}));
    shop.must(Kind::Inspected, a, "08:40", crate::ledger::inspected(true));
    shop.must(Kind::Mounted, a, "08:50", crate::ledger::mounted("A", "W1"));
    shop.must(Kind::Held, a, "09:00", held("A", "extended"));
    shop.must(Kind::Released, a, "09:30", released("A"));
    shop.must(Kind::Installed, a, "09:40", on_axle);
}

#[test]
fn a_flat_spare_keeps_nobody_and_a_sign_does() {
    let (mut shop, _) = with_spare();
    shop.casing(Kind::PressureRead, "A", "10:00", json!({"psi": 0}));
    assert_eq!(shop.known("A").danger, None);
    let seen = json!({"off_wheel": false, "inside": "not_seen", "outside": "damaged",
        "beads": "not_seen", "passed": false, "damage": ["leaking"], "signs": ["bulge"]});
    let sign = shop.casing(Kind::Inspected, "A", "10:10", seen);
    assert_eq!(flags(&sign), ["sign"]);
    assert!(shop.known("A").danger.is_some());
}

#[test]
fn what_is_done_at_an_axle_is_not_done_to_a_spare() {
    let (mut shop, _) = with_spare();
    let torqued = shop.casing(Kind::Torqued, "A", "10:00", json!({"torque_ft_lb": 475}));
    assert_eq!(stopped(&torqued), ["fact.order"]);
    // 80 % of the highest set pressure of the vehicle, 100 psi.
    let air = |found: u32| {
        json!({"found_psi": found, "to_psi": 100, "remote": true,
        "trajectory_clear": true})
    };
    let low = shop.casing(Kind::Inflated, "A", "10:10", air(80));
    assert_eq!((stopped(&low), flags(&low).len()), (vec!["inflate.on_vehicle"], 0));
    assert_eq!(stopped(&shop.casing(Kind::Inflated, "A", "10:20", air(81))), [""; 0]);
    let gone = shop.casing(Kind::Missing, "A", "11:00", json!({}));
    assert_eq!((stopped(&gone).len(), flags(&gone).len()), (0, 0));
    assert_eq!(shop.known("A").ran, None);
    // A demountable rim comes off an axle flat, and off a carrier as it is.
    let mut shop = Ledger::shop();
    let rim = json!({"kind": "single_piece", "rim_in": 22.5, "width_in": 8.25, "rated_psi": 140,
        "demountable": true});
    shop.register(SubjectKind::Wheel, "D1", rim);
    shop.released("A", "steel_radial", "D1");
    let a = Subject::casing(id("A"));
    shop.must(Kind::Installed, a, "09:10", carried("A", "SP1"));
    shop.must(Kind::Removed, a, "09:20", json!({"core_out_flat": false}));
    shop.must(Kind::Installed, a, "09:30", installed("A", "1L"));
    let full = shop.casing(Kind::Removed, "A", "09:40", removed(100, false));
    assert_eq!(stopped(&full), ["remove.deflated"]);
}

fn wrong(kind: Kind, subject: Subject, facts: &Value) -> Vec<String> {
    let body = json!({"id": id("one"), "kind": kind, "subject": subject,
        "occurred_at": at("10:00"), "facts": facts});
    match Command::read(body.to_string().as_bytes()) {
        Ok(_) => Vec::new(),
        Err(FormError::Impossible(fields)) => fields.into_iter().map(|f| f.pointer).collect(),
        Err(other) => panic!("{other:?}"),
    }
}

/// The ledger's own shape, no outside source.
#[test]
fn nothing_is_bolted_on_where_a_spare_is_carried() {
    let casing = Subject::casing(id("A"));
    let mut mounted = crate::ledger::mounted("A", "W1");
    mounted.as_object_mut().unwrap().remove("cage");
    let bolted_on = json!({"place": "bolted_on", "vehicle": id("T1"), "position": "1L"});
    mounted.as_object_mut().unwrap().extend(bolted_on.as_object().unwrap().clone());
    let released = json!({"read": {"brand": "A"}, "path": "bolted_on", "operating_psi": 100,
        "core_in": true, "vehicle": id("T1"), "position": "1L"});
    for (kind, mut facts) in [(Kind::Mounted, mounted), (Kind::Released, released)] {
        assert_eq!(wrong(kind, casing, &facts), [""; 0]);
        facts["position"] = json!("SP1");
        assert_eq!(wrong(kind, casing, &facts), ["/facts/position"], "{kind:?}");
    }
}

/// A lift axle's tires count as driven on; a vehicle stands on at least one axle that stays down.
#[test]
fn a_lift_axle_is_an_axle() {
    let axle = |steer: bool, lift: bool| json!({"places": "single", "steer": steer, "lift": lift, "set_psi": 100, "placard_psi": 90});
    let body = |axles: Value, spares: u32| json!({"unit": "T3", "kind": "truck", "axles": axles, "spares": spares});
    let t3 = Subject::of(SubjectKind::Vehicle, id("T3"));
    let good = body(json!([axle(true, false), axle(false, true)]), 8);
    assert_eq!(wrong(Kind::Registered, t3, &good), [""; 0]);
    let in_the_air = body(json!([axle(true, true), axle(false, true)]), 0);
    assert_eq!(wrong(Kind::Registered, t3, &in_the_air), ["/facts/axles"]);
    let many = body(json!([axle(true, false)]), 9);
    assert_eq!(wrong(Kind::Registered, t3, &many), ["/facts/spares"]);

    let mut shop = Ledger::shop();
    shop.register(SubjectKind::Vehicle, "T3", good);
    shop.released("A", "steel_radial", "W1");
    let mut facts = installed("A", "2L");
    facts["vehicle"] = json!(id("T3"));
    shop.must(Kind::Installed, Subject::casing(id("A")), "09:10", facts);
    let low = shop.casing(Kind::PressureRead, "A", "10:00", json!({"psi": 80}));
    assert_eq!(flags(&low), ["low"]);
}
