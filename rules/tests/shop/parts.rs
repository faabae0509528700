//! Multi-piece and demountable wheels, tubes and flaps.

use crate::ledger::{Ledger, ada, at, id, inspected, stopped};
use rules::ask::{Question, ask};
use rules::entry::Outcome;
use rules::table::Class;
use rules::{Command, Entry, Kind, Subject, SubjectKind, decide};
use serde_json::{Value, json};

/// A shop with tube-type tires, wheels of every kind, a ring chart of a two-piece and of a
/// three-piece wheel, and Ada trained for multi-piece wheels too.
fn shop() -> Ledger {
    let mut shop = single_piece_shop();
    let abilities = [
        "demount_deflate",
        "inspect_identify",
        "mount_inflate",
        "use_restraint",
        "handle",
        "trajectory",
        "install_remove",
    ];
    let trained = json!({"wheel_kind": "multi_piece", "abilities": abilities});
    shop.early(Kind::Trained, Subject::of(SubjectKind::Person, id("ada")), trained);
    shop
}

/// The same, where nobody is trained for multi-piece wheels.
fn single_piece_shop() -> Ledger {
    let mut shop = Ledger::shop();
    for (name, construction, size) in
        [("tube_radial", "steel_radial", "10.00R20"), ("tube_bias", "bias", "10.00-20")]
    {
        let model = json!({"maker": "Invented", "name": name, "size": size, "load_range": "H",
            "construction": construction, "tube_type": true, "sidewall_psi": 120,
            "single_lb": 6615, "dual_lb": 6010, "rim_in": 20, "rim_widths_in": [7.5],
            "new_tread_32nds": 20});
        shop.register(SubjectKind::Model, name, model);
    }
    let wheel = |kind: &str, rim: f64, width: f64| json!({"kind": kind, "rim_in": rim, "width_in": width, "rated_psi": 140});
    for (name, kind) in
        [("M1", "multi_piece"), ("DV", "divided"), ("BL", "bead_lock"), ("S20", "single_piece")]
    {
        shop.register(SubjectKind::Wheel, name, wheel(kind, 20.0, 7.5));
    }
    shop.register(SubjectKind::Wheel, "MT", wheel("multi_piece", 22.5, 8.25));
    let mut demountable = wheel("single_piece", 22.5, 8.25);
    demountable["demountable"] = json!(true);
    shop.register(SubjectKind::Wheel, "D1", demountable);
    shop.register_chart(
        "rings",
        json!({"rim_parts": [
        {"base": "B3", "side_ring": "S3", "lock_ring": "L3"}, {"base": "B2", "side_ring": "S2"}]}),
    );
    shop
}

/// A casing of this model, bought new and inspected.
fn inspected_casing(shop: &mut Ledger, model: &str) -> Subject {
    let acquired = json!({"origin": "new", "model": id(model), "depot": id("elmford"),
        "marks": {"brand": "A"}});
    let casing = Subject::casing(id("A"));
    shop.must(Kind::Acquired, casing, "07:00", acquired);
    shop.must(Kind::Inspected, casing, "07:30", inspected(true));
    casing
}

/// Mounted in the cage with a new radial tube and flap of its size, on the three-piece wheel.
fn mounted(over: Value) -> Value {
    let tube = json!({"size": "10.00R20", "radial": true, "new": true});
    let mut facts = json!({"wheel": id("M1"), "read": {"brand": "A"}, "place": "cage",
        "cage": id("K1"), "seat_psi": 30, "to_psi": 95, "tube": tube, "flap": tube,
        "parts": {"base": "B3", "side_ring": "S3", "lock_ring": "L3"}});
    for (field, value) in over.as_object().unwrap() {
        facts[field] = value.clone();
    }
    facts.as_object_mut().unwrap().retain(|_, value| !value.is_null());
    facts
}

/// What stops a radial tube-type casing from being mounted so.
fn mounting(over: Value) -> Vec<String> {
    let mut shop = shop();
    inspected_casing(&mut shop, "tube_radial");
    let entries = shop.casing(Kind::Mounted, "A", "08:00", mounted(over));
    stopped(&entries).into_iter().map(str::to_owned).collect()
}

fn class(entries: &[Entry], rule: &str) -> Class {
    match &entries[0].outcome {
        Outcome::Refused { reasons } => reasons.iter().find(|r| r.rule == rule).unwrap().class,
        recorded => panic!("{recorded:?}"),
    }
}

/// 29 CFR 1910.177(e)(1): rim parts are put together only as the charts say, and only those
/// that can be told by their stamps.
#[test]
fn parts_belong_together_by_the_chart() {
    let parts = |base: &str, side: &str, lock: Option<&str>| {
        let mut parts = json!({"base": base, "side_ring": side});
        lock.into_iter().for_each(|lock| parts["lock_ring"] = json!(lock));
        json!({"parts": parts})
    };
    for (over, fits) in [
        (parts("B3", "S3", Some("L3")), true),
        (parts("B2", "S2", None), true),
        (parts("B3", "S3", None), false),
        (parts("B2", "S2", Some("L3")), false),
        (parts("B2", "S3", Some("L3")), false),
        (parts("B3", "S2", Some("L3")), false),
        (parts("B3", "S3", Some("L4")), false),
        (parts("b3", "S3", Some("L3")), false),
        (json!({"parts": {"side_ring": "S3", "lock_ring": "L3"}}), false),
        (json!({"parts": {"base": "B3", "lock_ring": "L3"}}), false),
        (json!({"parts": null}), false),
    ] {
        let expected: &[&str] = if fits { &[] } else { &["mount.parts"] };
        assert_eq!(mounting(over.clone()), expected, "{over}");
    }
}

/// The same source: "current charts". The ledger's own promise: the decision names them.
#[test]
fn parts_are_judged_by_the_chart_in_force_and_name_it() {
    let mut shop = shop();
    inspected_casing(&mut shop, "tube_radial");
    let rings = Subject::of(SubjectKind::Chart, id("rings"));
    let first = shop.all.heads[&rings].last.unwrap();
    let other = json!({"rim_parts": [{"base": "B3", "side_ring": "S3", "lock_ring": "L9"}]});
    let newer = shop.must(Kind::Changed, rings, "08:00", crate::ledger::chart("rings", other));
    let refused = shop.casing(Kind::Mounted, "A", "08:10", mounted(json!({})));
    assert_eq!(stopped(&refused), ["mount.parts"]);
    assert_eq!(class(&refused, "mount.parts"), Class::Law);
    match &refused[0].outcome {
        Outcome::Refused { reasons } => assert_eq!(reasons[0].evidence, [newer]),
        recorded => panic!("{recorded:?}"),
    }
    assert!(refused[0].basis.entries.contains(&newer));
    // Done before the newer one came, told after it.
    let before = shop.late(Kind::Mounted, "A", "07:59", "08:20", mounted(json!({})));
    assert_eq!(stopped(&before), [""; 0]);
    assert!(before[0].basis.entries.contains(&newer) && !before[0].basis.entries.contains(&first));
}

/// Common practice, no published source: right size, radial with radial, new with new.
#[test]
fn tube_and_flap_go_with_the_tire() {
    let one =
        |size: &str, radial: bool, new: bool| json!({"size": size, "radial": radial, "new": new});
    let good = one("10.00R20", true, true);
    for (over, fits) in [
        (json!({"tube": one("10.00r20", true, true)}), true),
        (json!({"tube": one("9.00R20", true, true)}), false),
        (json!({"tube": one("10.00R20", false, true)}), false),
        (json!({"tube": one("10.00R20", true, false)}), false),
        (json!({"tube": null}), false),
        (json!({"flap": one("9.00R20", true, true)}), false),
        (json!({"flap": one("10.00R20", false, true)}), false),
        (json!({"flap": one("10.00R20", true, false)}), false),
        (json!({"flap": null}), false),
        // A drop centre needs none.
        (json!({"wheel": id("S20"), "parts": null, "flap": null}), true),
        (json!({"wheel": id("S20"), "parts": null, "flap": null, "tube": null}), false),
        (json!({"flap": good}), true),
    ] {
        let expected: &[&str] = if fits { &[] } else { &["mount.tube_flap"] };
        assert_eq!(mounting(over.clone()), expected, "{over}");
    }
    // A tubeless tire needs neither.
    let mut shop = shop();
    shop.mounted("B", "steel_radial", "W1");
    // A bias tire takes any tube, and one that has run a used one.
    inspected_casing(&mut shop, "tube_bias");
    let bias = one("10.00-20", false, true);
    let used = one("10.00-20", false, false);
    let entries =
        shop.casing(Kind::Mounted, "A", "08:00", mounted(json!({"tube": used, "flap": bias})));
    assert_eq!(stopped(&entries), ["mount.tube_flap"]);
    let both = mounted(json!({"tube": bias, "flap": bias}));
    assert_eq!(stopped(&shop.casing(Kind::Mounted, "A", "08:10", both)), [""; 0]);
}

/// OSHA's interpretations: bolt-together divided wheels are outside 29 CFR 1910.177; bead-locks
/// and tubeless tires on multi-piece wheels, common practice.
#[test]
fn what_no_rule_here_judges_is_refused() {
    for (model, wheel, outside) in [
        ("tube_radial", "M1", false),
        ("tube_radial", "S20", false),
        ("tube_radial", "DV", true),
        ("tube_radial", "BL", true),
        ("steel_radial", "MT", true),
        ("steel_radial", "W1", false),
    ] {
        let mut shop = shop();
        inspected_casing(&mut shop, model);
        let entries =
            shop.casing(Kind::Mounted, "A", "08:00", mounted(json!({"wheel": id(wheel)})));
        assert_eq!(stopped(&entries).contains(&"mount.supported"), outside, "{model} {wheel}");
    }
}

/// 29 CFR 1910.177(d)(1): multi-piece wheels are inflated in a restraining device; (d)(2),
/// (g)(6): single-piece wheels behind a barrier too, or bolted on.
#[test]
fn a_ring_wheel_is_aired_in_the_cage_only() {
    let barrier = json!({"place": "barrier", "cage": id("F1")});
    let called_a_cage = json!({"place": "cage", "cage": id("F1")});
    let bolted_on = json!({"place": "bolted_on", "cage": null, "nuts_tight": true,
        "vehicle": id("T1"), "position": "2LO"});
    let open = json!({"place": "open", "cage": null});
    for place in [barrier.clone(), called_a_cage, bolted_on, open] {
        assert_eq!(mounting(place.clone()), ["inflate.place"], "{place}");
    }
    assert_eq!(mounting(json!({})), [""; 0]);
    let mut single = barrier;
    single["wheel"] = json!(id("S20"));
    assert_eq!(mounting(single), [""; 0]);
}

/// What comes of a mount with so much air outside the cage, these rules acknowledged too.
fn outside(psi: f64, wheel: &str, acknowledged: &[&str]) -> Outcome {
    let mut shop = shop();
    inspected_casing(&mut shop, "tube_radial");
    let facts = mounted(json!({"wheel": id(wheel), "outside_psi": psi}));
    let attested: Vec<String> = rules::table::RULES
        .iter()
        .filter(|rule| rule.how == rules::table::How::Attested)
        .map(|rule| rule.id.clone())
        .chain(acknowledged.iter().map(|id| (*id).to_owned()))
        .collect();
    let body = json!({"id": id("outside"), "kind": "mounted", "subject": Subject::casing(id("A")),
        "occurred_at": at("08:00"), "facts": facts, "attested": attested});
    let command = Command::read(body.to_string().as_bytes()).unwrap();
    let world = shop.world_for(&[&command]);
    decide(&world, at("08:00").to_utc(), ada(), &command, &[], None).remove(0).outcome
}

/// Common practice, no published source: 5 psi outside the cage; above 3 psi on a multi-piece
/// wheel the crew has to acknowledge it.
#[test]
fn little_air_goes_in_outside_the_cage() {
    let acknowledged = ["seat.outside_limit"];
    let cautions = |outcome: Outcome| match outcome {
        Outcome::Recorded { cautions, .. } => Some(cautions),
        Outcome::Refused { reasons } => {
            assert_eq!(reasons.len(), 1);
            assert_eq!(reasons[0].rule, "seat.outside_limit");
            None
        }
    };
    assert_eq!(cautions(outside(3.0, "M1", &[])), Some(Vec::new()));
    assert_eq!(cautions(outside(3.01, "M1", &[])), None);
    assert_eq!(
        cautions(outside(5.0, "M1", &acknowledged)),
        Some(vec!["seat.outside_limit".to_owned()])
    );
    assert_eq!(cautions(outside(5.01, "M1", &acknowledged)), None);
    assert_eq!(cautions(outside(5.0, "S20", &[])), Some(Vec::new()));
    assert_eq!(cautions(outside(5.01, "S20", &acknowledged)), None);
}

/// Held at 115 psi in the cage.
fn held() -> Value {
    json!({"read": {"brand": "A"}, "kind": "standard", "evidence": "logged",
        "supply_isolated": true, "place": "cage", "cage": id("K1"), "gauge": id("G1"),
        "for_set_psi": 95, "readings": [[0, 115.2, 70], [60, 115.2, 70]]})
}

fn released(over: Value) -> Value {
    let mut facts = json!({"read": {"brand": "A"}, "path": "cage", "operating_psi": 95,
        "left_cage_psi": 95, "core_in": true, "reinflated_in_cage": true});
    facts.as_object_mut().unwrap().extend(over.as_object().unwrap().clone());
    facts
}

/// Tube makers' manuals and common practice: aired to operating pressure without the core, fully
/// deflated, the core put in, aired again in the cage, so that no tube lies creased.
#[test]
fn a_tube_is_let_down_and_aired_again_before_it_leaves() {
    for (over, reduced) in [
        (json!({}), false),
        (json!({"reinflated_in_cage": false}), true),
        (json!({"core_in": false}), true),
        (json!({"left_cage_psi": 95.01}), true),
    ] {
        let mut shop = shop();
        let a = inspected_casing(&mut shop, "tube_radial");
        shop.must(Kind::Mounted, a, "08:00", mounted(json!({})));
        shop.must(Kind::Held, a, "08:30", held());
        let entries = shop.casing(Kind::Released, "A", "09:00", released(over.clone()));
        let expected: &[&str] = if reduced { &["release.reduced"] } else { &[] };
        assert_eq!(stopped(&entries), expected, "{over}");
    }
}

/// 29 CFR 1910.177(d)(1) against trade advisories: what law is on a multi-piece wheel.
#[test]
fn a_proof_hold_in_the_open_breaks_the_law_on_a_ring_wheel_only() {
    let mut shop = shop();
    let a = inspected_casing(&mut shop, "tube_radial");
    shop.must(Kind::Mounted, a, "08:00", mounted(json!({})));
    shop.mounted("B", "steel_radial", "W1");
    let barrier = |mut facts: Value, brand: &str| {
        facts["place"] = json!("barrier");
        facts["cage"] = json!(id("F1"));
        facts["read"] = json!({"brand": brand});
        facts
    };
    let on_ring = shop.casing(Kind::Held, "A", "08:30", barrier(held(), "A"));
    let on_single = shop.casing(Kind::Held, "B", "08:40", barrier(held(), "B"));
    assert_eq!(
        (stopped(&on_ring), class(&on_ring, "hold.place")),
        (vec!["hold.place"], Class::Law)
    );
    assert_eq!(stopped(&on_single), ["hold.place"]);
    assert_eq!(class(&on_single, "hold.place"), Class::Practice);
}

/// 29 CFR 1910.177(c)(1)(i): trained for the type of wheel being serviced.
#[test]
fn training_is_for_a_kind_of_wheel() {
    let mut shop = single_piece_shop();
    inspected_casing(&mut shop, "tube_radial");
    let ring = shop.casing(Kind::Mounted, "A", "08:00", mounted(json!({})));
    assert_eq!(stopped(&ring), ["service.trained"]);
    let single = mounted(json!({"wheel": id("S20"), "parts": null}));
    assert_eq!(stopped(&shop.casing(Kind::Mounted, "A", "08:10", single)), [""; 0]);
}

/// 29 CFR 1910.177(f)(2) for multi-piece wheels; clamps of a demountable rim let go all at once,
/// public safety guidance: core out and fully flat before any of them is loosened.
#[test]
fn rings_and_clamps_are_loosened_flat() {
    let installed = |position: &str| {
        json!({"read": {"brand": "A"}, "vehicle": id("T1"),
        "position": position, "torque_ft_lb": 475})
    };
    for (model, wheel, found, expected) in [
        ("tube_radial", "M1", Some(Class::Law), vec!["remove.deflated"]),
        ("steel_radial", "D1", Some(Class::Safety), vec!["remove.deflated"]),
        ("steel_radial", "W1", None, vec![]),
    ] {
        let mut shop = shop();
        let a = inspected_casing(&mut shop, model);
        let parts = if wheel == "M1" { json!({}) } else { json!({"parts": null}) };
        let mut facts = mounted(parts);
        facts["wheel"] = json!(id(wheel));
        shop.must(Kind::Mounted, a, "08:00", facts);
        shop.must(Kind::Held, a, "08:30", held());
        shop.must(Kind::Released, a, "09:00", released(json!({})));
        shop.must(Kind::Installed, a, "09:30", installed("2LO"));
        let pressed = json!({"found_psi": 95, "core_out_flat": false});
        let entries = shop.casing(Kind::Removed, "A", "10:00", pressed);
        assert_eq!(stopped(&entries), expected, "{wheel}");
        if let Some(expected) = found {
            assert_eq!(class(&entries, "remove.deflated"), expected, "{wheel}");
            let flat = json!({"found_psi": 95, "core_out_flat": true});
            shop.must(Kind::Removed, a, "10:10", flat);
        }
    }
}

/// 29 CFR 1910.177(a)(1): vehicles on tires marked LT are left out, so its demands are not law
/// there.
#[test]
fn the_law_leaves_light_truck_tires_out() {
    let axles = json!([{"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90},
        {"places": "dual", "steer": false, "set_psi": 95, "placard_psi": 90}]);
    for (light, expected) in [(false, Class::Law), (true, Class::Safety)] {
        let mut shop = shop();
        let body =
            json!({"unit": "L1", "kind": "truck", "axles": axles, "light_truck_tires": light});
        shop.register(SubjectKind::Vehicle, "L1", body);
        shop.released("A", "steel_radial", "W1");
        let facts = json!({"read": {"brand": "A"}, "vehicle": id("L1"), "position": "2LO",
            "torque_ft_lb": 475});
        let body = json!({"id": id("by Bo"), "kind": "installed", "by": id("bo"),
            "subject": Subject::casing(id("A")), "occurred_at": at("09:30"), "facts": facts,
            "attested": ["install.wheel", "install.dual_contact"]});
        let command = Command::read(body.to_string().as_bytes()).unwrap();
        let world = shop.world_for(&[&command]);
        let entries = decide(&world, at("09:30").to_utc(), ada(), &command, &[], None);
        assert_eq!(stopped(&entries), ["service.trained"]);
        assert_eq!(class(&entries, "service.trained"), expected);
    }
}

/// What a crew confirms before it mounts: the table of rules, by kind of wheel and tire.
#[test]
fn what_is_confirmed_depends_on_wheel_and_tire() {
    for (model, wheel, ring, flap, ledge) in [
        ("tube_radial", "M1", true, true, false),
        ("tube_radial", "S20", false, true, true),
        ("steel_radial", "W1", false, false, true),
    ] {
        let mut shop = shop();
        let a = inspected_casing(&mut shop, model);
        let question = Question::Mount { wheel: id(wheel), cage: Some(id("K1")) };
        let world = shop.world_for(&[&question.command(a.id, at("08:00"))]);
        let asked = ask(&world, at("08:00").to_utc(), ada(), a.id, &question);
        assert!(asked.stops.is_empty(), "{wheel}: {:?}", asked.stops);
        let confirms = |rule: &str| asked.to_attest.iter().any(|id| id == rule);
        let found = ["mount.ring_seated", "mount.flap_seated", "mount.narrow_ledge"].map(confirms);
        assert_eq!(found, [ring, flap, ledge], "{wheel}");
    }
}
