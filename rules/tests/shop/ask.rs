//! What is answered before the work.

use crate::ledger::{Ledger, ada, at, held, id, inspected, installed, mounted, released, stopped};
use rules::ask::{Asked, Question, ask};
use rules::entry::Sender;
use rules::facts::Field;
use rules::{Kind, Quantity, Subject, SubjectKind};
use serde_json::json;

const RELEASE: Question = Question::Release { operating_psi: None };
const HOLD: Question = Question::Hold { cage: None, gauge: None, for_set_psi: None };

fn asked_by(shop: &Ledger, sender: Sender, clock: &str, name: &str, what: &Question) -> Asked {
    let mut world = shop.world_for(&[&what.command(id(name), at(clock))]);
    let asker = Subject::of(SubjectKind::Person, sender.person);
    world.heads.insert(asker, shop.all.heads[&asker].clone());
    ask(&world, at(clock).to_utc(), sender, id(name), what)
}

fn asked(shop: &Ledger, clock: &str, name: &str, what: &Question) -> Asked {
    asked_by(shop, ada(), clock, name, what)
}

fn stops(asked: &Asked) -> Vec<&str> {
    asked.stops.iter().map(|reason| reason.rule.as_str()).collect()
}

fn install(position: &str) -> Question {
    Question::Install { vehicle: id("T1"), position: position.parse().unwrap() }
}

fn mount(wheel: &str, cage: Option<&str>) -> Question {
    Question::Mount { wheel: id(wheel), cage: cage.map(id) }
}

fn hold_for(psi: i64) -> Question {
    Question::Hold { cage: None, gauge: None, for_set_psi: Some(Quantity::whole(psi)) }
}

/// Installed, found at 80 of 100 psi, taken off, inspected and mounted again at 12:00.
/// Gives the id of the flag that the removal raised.
fn run_low(shop: &mut Ledger, name: &str, model: &str) -> uuid::Uuid {
    shop.released(name, model, "W1");
    let casing = Subject::casing(id(name));
    shop.must(Kind::Installed, casing, "09:30", installed(name, "1L"));
    let found = json!({"found_psi": 80, "core_out_flat": true});
    let removed = shop.casing(Kind::Removed, name, "10:00", found);
    assert_eq!(removed[1].facts.to_value()["reason"], "low");
    shop.must(Kind::Demounted, casing, "10:30", json!({}));
    shop.must(Kind::Inspected, casing, "11:00", inspected(true));
    shop.must(Kind::Mounted, casing, "12:00", mounted(name, "W2"));
    removed[1].id
}

/// Sources: OSHA's chart (80 % is run low); common practice, no published source, for
/// the extended hold.
#[test]
fn suspect_steel_radial_is_released_only_after_its_extended_hold() {
    let mut shop = Ledger::shop();
    let flag = run_low(&mut shop, "A", "steel_radial");
    let answer = asked(&shop, "12:30", "A", &RELEASE);
    assert_eq!(stops(&answer), ["release.proof", "release.extended"]);
    for reason in &answer.stops {
        assert_eq!(reason.evidence, [flag], "{}", reason.rule);
    }
    assert_eq!(answer.to_attest, ["release.seated", "release.cap"]);
    assert_eq!(stops(&asked(&shop, "12:30", "A", &HOLD)), [""; 0]);

    let casing = Subject::casing(id("A"));
    shop.must(Kind::Held, casing, "12:40", held("A", "standard"));
    assert_eq!(stops(&asked(&shop, "12:50", "A", &RELEASE)), ["release.extended"]);
    shop.must(Kind::Held, casing, "13:00", held("A", "extended"));
    assert_eq!(stops(&asked(&shop, "13:30", "A", &RELEASE)), [""; 0]);
    assert_eq!(stopped(&shop.casing(Kind::Released, "A", "13:40", released("A"))), [""; 0]);
}

/// 29 CFR 1910.177(c): the person asking would do the work.
#[test]
fn training_is_asked_of_the_person_asking() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    let bo = Sender { person: id("bo"), sent_at: None };
    let answer = asked_by(&shop, bo, "09:00", "A", &HOLD);
    assert_eq!(stops(&answer), ["service.trained"]);
    assert_eq!(stops(&asked(&shop, "09:00", "A", &HOLD)), [""; 0]);
}

/// No outside source: what is not on record is never allowed.
#[test]
fn what_is_not_on_record_is_named_and_stops() {
    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    let nowhere = Question::Install { vehicle: id("T9"), position: "1L".parse().unwrap() };
    for (name, what, pointer) in [
        ("A", nowhere, "/vehicle"),
        ("A", install("7RO"), "/position"),
        ("A", install("1LO"), "/position"),
        ("A", mount("W9", None), "/wheel"),
        ("A", mount("W2", Some("K9")), "/cage"),
        ("A", Question::Hold { cage: None, gauge: Some(id("G9")), for_set_psi: None }, "/gauge"),
    ] {
        let answer = asked(&shop, "09:30", name, &what);
        assert_eq!(stops(&answer), ["fact.order"], "{pointer}");
        let fields = what.dangling(&shop.all, id(name), at("09:30"));
        let pointers: Vec<&str> = fields.iter().map(|field| field.pointer.as_str()).collect();
        assert_eq!(pointers, [pointer]);
    }
    assert_eq!(stops(&asked(&shop, "09:30", "Z", &RELEASE)), ["fact.order"]);
    let none: [Field; 0] = [];
    assert_eq!(HOLD.dangling(&shop.all, id("A"), at("09:30")), none);
}

/// Common practice, no published source, but for the tread: 49 CFR 393.75(b) and the
/// cage: 29 CFR 1910.177(d)(3)(iii).
#[test]
fn installing_is_asked_of_release_place_and_tread() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    assert_eq!(stops(&asked(&shop, "08:10", "A", &install("1L"))), ["install.released"]);
    let casing = Subject::casing(id("A"));
    shop.must(Kind::Held, casing, "08:30", held("A", "standard"));
    shop.must(Kind::Released, casing, "09:00", released("A"));
    let answer = asked(&shop, "09:10", "A", &install("1L"));
    assert_eq!(stops(&answer), [""; 0]);
    assert_eq!(answer.to_attest, ["install.wheel"]);
    let answer = asked(&shop, "09:10", "A", &install("2LO"));
    assert_eq!(answer.to_attest, ["install.dual_contact", "install.wheel"]);

    for (depth, front) in [(4, vec![]), (3, vec!["install.tread"])] {
        let read = json!({"grooves_32nds": [[12, depth]]});
        shop.must(Kind::TreadRead, casing, "09:15", read);
        assert_eq!(stops(&asked(&shop, "09:20", "A", &install("1L"))), front, "{depth}/32");
    }
    assert_eq!(stops(&asked(&shop, "09:20", "A", &install("2LO"))), [""; 0]);

    shop.must(Kind::Installed, casing, "09:30", installed("A", "2LO"));
    assert_eq!(stops(&asked(&shop, "09:40", "A", &RELEASE)), ["fact.order"]);
    shop.released("B", "steel_radial", "W2");
    let taken = asked(&shop, "09:40", "B", &install("2LO"));
    assert_eq!(stops(&taken), ["fact.place_taken"]);
}

/// A tire that ran and was never read may carry its reading with the entry; one read
/// before it ran is no deeper now. 49 CFR 393.75(b), (c); the reading's age is the
/// ledger's own.
#[test]
fn tread_not_read_since_it_ran_is_left_to_the_work() {
    let mut shop = Ledger::shop();
    let casing = Subject::casing(id("A"));
    shop.released("A", "steel_radial", "W1");
    shop.must(Kind::Installed, casing, "09:30", installed("A", "2LO"));
    let found = json!({"found_psi": 95, "core_out_flat": false});
    shop.must(Kind::Removed, casing, "10:00", found);
    assert_eq!(stops(&asked(&shop, "10:10", "A", &install("1L"))), [""; 0]);
    let without = shop.casing(Kind::Installed, "A", "10:20", installed("A", "1L"));
    assert_eq!(stopped(&without), ["install.tread"]);
}

/// 49 CFR 393.75(i)(1). The entry may carry the pressure to which it was brought up.
#[test]
fn pressure_below_the_set_one_is_left_to_the_work() {
    let mut shop = Ledger::shop();
    let casing = Subject::casing(id("A"));
    shop.mounted("A", "steel_radial", "W1");
    shop.must(Kind::Held, casing, "08:30", held("A", "standard"));
    let mut soft = released("A");
    (soft["operating_psi"], soft["left_cage_psi"]) = (json!(95), json!(95));
    shop.must(Kind::Released, casing, "09:00", soft);
    assert_eq!(stops(&asked(&shop, "09:10", "A", &install("1L"))), [""; 0]);
    let mut fitted = installed("A", "1L");
    let without = shop.casing(Kind::Installed, "A", "09:20", fitted.clone());
    assert_eq!(stopped(&without), ["install.pressure"]);
    fitted["psi"] = json!(100);
    assert_eq!(stopped(&shop.casing(Kind::Installed, "A", "09:30", fitted)), [""; 0]);
}

/// Trade guidance: mates within 4/32 of tread. It is a caution: acknowledged, no stop.
#[test]
fn a_caution_is_to_be_acknowledged() {
    for (depth, expected) in [
        (10, vec!["install.dual_contact", "install.wheel"]),
        (9, vec!["install.duals", "install.dual_contact", "install.wheel"]),
    ] {
        let mut shop = Ledger::shop();
        for (name, wheel, depth) in [("A", "W1", 14), ("B", "W2", depth)] {
            shop.released(name, "steel_radial", wheel);
            let read = json!({"grooves_32nds": [[depth, depth]]});
            shop.must(Kind::TreadRead, Subject::casing(id(name)), "09:10", read);
        }
        shop.must(Kind::Installed, Subject::casing(id("B")), "09:30", installed("B", "2LI"));
        let answer = asked(&shop, "09:40", "A", &install("2LO"));
        assert_eq!(stops(&answer), [""; 0], "{depth}/32 beside 14/32");
        assert_eq!(answer.to_attest, expected, "{depth}/32 beside 14/32");
    }
}

/// 29 CFR 1910.177(d)(3)(iii): looked over before each day's use.
#[test]
fn rules_on_the_cage_are_asked_where_it_is_named() {
    let mut shop = Ledger::shop();
    let casing = Subject::casing(id("A"));
    shop.mounted("A", "steel_radial", "W1");
    let in_cage = |cage| Question::Hold { cage: Some(id(cage)), gauge: None, for_set_psi: None };
    for (cage, expected) in
        [("K1", vec![]), ("K2", vec!["cage.checked"]), ("F1", vec!["hold.place"])]
    {
        assert_eq!(stops(&asked(&shop, "09:00", "A", &in_cage(cage))), expected, "{cage}");
    }
    shop.must(Kind::Demounted, casing, "09:30", json!({}));
    shop.must(Kind::Inspected, casing, "09:40", inspected(true));
    let answer = asked(&shop, "10:00", "A", &mount("W2", Some("K2")));
    assert_eq!(stops(&answer), ["cage.checked"]);
    shop.must(Kind::Flagged, casing, "10:10", json!({"reason": "low"}));
    let behind_barrier = asked(&shop, "10:20", "A", &mount("W2", Some("F1")));
    assert_eq!(stops(&behind_barrier), ["inflate.suspect"]);
    assert_eq!(stops(&asked(&shop, "10:20", "A", &mount("W2", None))), [""; 0]);
    for rule in ["service.charts", "mount.valve", "seat.first_stop", "inflate.trajectory"] {
        assert!(answer.to_attest.iter().any(|id| id == rule), "{rule} is to be confirmed");
    }
}

/// 29 CFR 1910.177(g)(9) for the sidewall's limit; that a serviceable tire may be held
/// at it is common practice, no published source.
#[test]
fn a_hold_is_asked_for_the_pressure_it_is_meant_for() {
    let mut shop = Ledger::shop();
    shop.mounted("A", "steel_radial", "W1");
    for psi in [100, 101, 120] {
        assert_eq!(stops(&asked(&shop, "09:00", "A", &hold_for(psi))), [""; 0], "{psi}");
    }
    let mut shop = Ledger::shop();
    run_low(&mut shop, "A", "steel_radial");
    for (psi, expected) in [(100, vec![]), (101, vec!["hold.sidewall_limit"])] {
        let answer = asked(&shop, "12:30", "A", &hold_for(psi));
        assert_eq!(stops(&answer), expected, "{psi}");
    }
}

/// OSHA's chart: a tire under doubt is demounted and inspected before it is aired up.
#[test]
fn airing_up_again_is_asked_of_doubt_and_scrap() {
    let mut shop = Ledger::shop();
    let casing = Subject::casing(id("A"));
    shop.released("A", "steel_radial", "W1");
    let answer = asked(&shop, "09:10", "A", &Question::Inflate);
    assert_eq!(stops(&answer), [""; 0]);
    assert_eq!(answer.to_attest, ["inflate.air_line", "inflate.trajectory", "inflate.clear"]);
    shop.must(Kind::Installed, casing, "09:30", installed("A", "1L"));
    let answer = asked(&shop, "09:40", "A", &Question::Inflate);
    assert_eq!(stops(&answer), ["fact.order"]);
    let flat = json!({"found_psi": 80, "core_out_flat": true});
    shop.must(Kind::Removed, casing, "10:00", flat);
    let answer = asked(&shop, "10:10", "A", &Question::Inflate);
    assert_eq!(stops(&answer), ["hold.inspected"]);
    assert_eq!(answer.to_attest.last().unwrap(), "seat.first_stop");
    let scrapped = json!({"reason": "run_low"});
    shop.must(Kind::Scrapped, casing, "10:20", scrapped);
    let answer = asked(&shop, "10:30", "A", &Question::Inflate);
    assert_eq!(stops(&answer), ["hold.inspected"]);
    assert_eq!(stops(&asked(&shop, "10:30", "A", &HOLD))[0], "mount.standing");
}

/// Common practice, no published source: without brand number or tag nothing tells this
/// tire from its siblings, whoever reads it.
#[test]
fn a_casing_without_a_mark_cannot_be_told_from_its_siblings() {
    let mut shop = Ledger::shop();
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"tins": ["1M3LK2A4825"]}});
    let casing = Subject::casing(id("A"));
    shop.must(Kind::Acquired, casing, "07:00", acquired);
    shop.must(Kind::Inspected, casing, "07:30", inspected(true));
    let what = mount("W1", Some("K1"));
    assert_eq!(stops(&asked(&shop, "08:00", "A", &what)), ["identity.read"]);
    shop.must(Kind::Identified, casing, "08:10", json!({"marks": {"tag": "E280-0001"}}));
    assert_eq!(stops(&asked(&shop, "08:20", "A", &what)), [""; 0]);
}
