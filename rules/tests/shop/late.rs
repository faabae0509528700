//! What a late entry does to a decision that stands. Sources: OSHA's chart (80 % of set
//! pressure is run low); that a late entry casts doubt is common practice, no published
//! source.

use crate::ledger::{Ledger, at, held, id, inspected, installed, mounted, released, stopped};
use rules::facts::casing::Doubt;
use rules::fold::casing::Standing;
use rules::fold::fold;
use rules::{Entry, Facts, Kind, Subject};
use serde_json::{Value, json};
use uuid::Uuid;

/// A casing that ran at 1L of the tractor from 09:30 to 12:00, was inspected at 13:00,
/// mounted at 13:30, held at 14:00 and released at 15:00. Gives the release.
fn released_again(shop: &mut Ledger, name: &str, model: &str) -> Uuid {
    shop.released(name, model, "W1");
    let casing = Subject::casing(id(name));
    shop.must(Kind::Installed, casing, "09:30", installed(name, "1L"));
    shop.must(Kind::Removed, casing, "12:00", json!({"found_psi": 100, "core_out_flat": true}));
    shop.must(Kind::Demounted, casing, "12:30", json!({}));
    shop.must(Kind::Inspected, casing, "13:00", inspected(true));
    shop.must(Kind::Mounted, casing, "13:30", mounted(name, "W2"));
    shop.must(Kind::Held, casing, "14:00", held(name, "standard"));
    shop.must(Kind::Released, casing, "15:00", released(name))
}

/// The same, installed at 1L again at 15:30, its tread read at 15:20.
fn back_on_the_road(shop: &mut Ledger, name: &str, model: &str) -> (Uuid, Uuid) {
    let release = released_again(shop, name, model);
    let casing = Subject::casing(id(name));
    shop.must(Kind::TreadRead, casing, "15:20", json!({"grooves_32nds": [[14, 14]]}));
    let installation = shop.must(Kind::Installed, casing, "15:30", installed(name, "1L"));
    (release, installation)
}

/// Reason, casing and evidence of the doubts that were added.
fn doubts(entries: &[Entry]) -> Vec<(Doubt, Subject, Vec<Uuid>)> {
    entries[1..]
        .iter()
        .map(|entry| match &entry.facts {
            Facts::Flagged(flagged) => (flagged.reason, entry.subject, flagged.evidence.clone()),
            other => panic!("{other:?}"),
        })
        .collect()
}

fn row_is_fold(shop: &Ledger) {
    for (subject, head) in &shop.all.heads {
        let of = shop.log.iter().filter(|entry| entry.subject == *subject);
        assert_eq!(fold(of, None), head.state, "{subject:?}");
    }
}

#[test]
fn late_low_reading_casts_doubt_on_the_release() {
    for road in [false, true] {
        let mut shop = Ledger::shop();
        let release = if road {
            back_on_the_road(&mut shop, "A", "steel_radial").0
        } else {
            released_again(&mut shop, "A", "steel_radial")
        };
        let casing = Subject::casing(id("A"));
        let late = shop.late(Kind::PressureRead, "A", "11:00", "18:00", json!({"psi": 72}));
        let own = late[0].id;
        let expected = [(Doubt::Low, casing, vec![own]), (Doubt::Late, casing, vec![own, release])];
        assert_eq!(doubts(&late), expected, "on the road: {road}");
        assert_eq!(late[1].at(), at("11:00"), "run low at its own time");
        assert_eq!(late[2].occurred_at.to_utc(), late[2].recorded_at, "in doubt from now on");
        let known = shop.known("A");
        assert_eq!(known.standing, Standing::Suspect);
        assert!(!known.mounting.as_ref().unwrap().release.unwrap().stands);
        row_is_fold(&shop);
    }
}

/// The release does not stand any more, so it cannot be installed on it.
#[test]
fn after_a_late_doubt_the_way_back_begins_at_the_inspection() {
    let mut shop = Ledger::shop();
    released_again(&mut shop, "A", "steel_radial");
    shop.late(Kind::PressureRead, "A", "11:00", "16:00", json!({"psi": 72}));
    let again = shop.casing(Kind::Released, "A", "16:30", released("A"));
    assert_eq!(stopped(&again), ["release.inspected", "release.proof", "release.extended"]);
    let install = json!({"read": {"brand": "A"}, "vehicle": id("T1"), "position": "1L",
        "torque_ft_lb": 475, "grooves_32nds": [[14, 14]]});
    let install = shop.casing(Kind::Installed, "A", "16:40", install);
    assert_eq!(stopped(&install), ["install.released"]);
}

/// Work recorded after the doubt and answering it counts: other constructions are cleared
/// by the inspection.
#[test]
fn a_doubt_that_the_work_has_answered_is_not_late() {
    let mut shop = Ledger::shop();
    back_on_the_road(&mut shop, "A", "fabric_radial");
    let late = shop.late(Kind::PressureRead, "A", "11:00", "18:00", json!({"psi": 72}));
    assert_eq!(doubts(&late), [(Doubt::Low, Subject::casing(id("A")), vec![late[0].id])]);
    assert_eq!(shop.known("A").standing, Standing::Serviceable);
    row_is_fold(&shop);
}

#[test]
fn late_sign_before_a_release_makes_it_scrap_and_names_the_release() {
    let mut shop = Ledger::shop();
    let release = released_again(&mut shop, "A", "steel_radial");
    let casing = Subject::casing(id("A"));
    let mut sign = inspected(false);
    sign["signs"] = json!(["ripple"]);
    let late = shop.late(Kind::Inspected, "A", "12:45", "16:00", sign);
    let own = late[0].id;
    let expected = [(Doubt::Sign, casing, vec![own]), (Doubt::Late, casing, vec![own, release])];
    assert_eq!(doubts(&late), expected);
    assert_eq!(shop.known("A").standing, Standing::Scrap);
    row_is_fold(&shop);
}

/// The last look counts: one that failed takes back one that passed.
#[test]
fn late_failed_inspection_casts_doubt_on_the_release() {
    for (clock, expected) in [("12:45", false), ("13:15", true)] {
        let mut shop = Ledger::shop();
        let (release, _) = back_on_the_road(&mut shop, "A", "steel_radial");
        let late = shop.late(Kind::Inspected, "A", clock, "16:00", inspected(false));
        let doubt = (Doubt::Late, Subject::casing(id("A")), vec![late[0].id, release]);
        assert_eq!(doubts(&late), if expected { vec![doubt] } else { vec![] }, "{clock}");
        let standing = if expected { Standing::Suspect } else { Standing::Serviceable };
        assert_eq!(shop.known("A").standing, standing, "{clock}");
        row_is_fold(&shop);
    }
}

/// 49 CFR 393.75(b): 4/32 on a front wheel.
#[test]
fn late_tread_reading_names_the_installation() {
    let mut shop = Ledger::shop();
    let (_, installation) = back_on_the_road(&mut shop, "A", "steel_radial");
    let read = |depth: i64| json!({"grooves_32nds": [[14, depth]]});
    let late = shop.late(Kind::TreadRead, "A", "15:25", "16:00", read(4));
    assert_eq!(doubts(&late), []);
    let late = shop.late(Kind::TreadRead, "A", "15:26", "16:10", read(3));
    let casing = Subject::casing(id("A"));
    assert_eq!(doubts(&late), [(Doubt::Late, casing, vec![late[0].id, installation])]);
    let again = shop.late(Kind::TreadRead, "A", "15:27", "16:20", read(3));
    assert_eq!(doubts(&again), [], "it was stopped without this one too");
    row_is_fold(&shop);
}

#[test]
fn a_late_entry_that_would_have_stopped_nothing_casts_no_doubt() {
    let low = json!({"psi": 72});
    let cases: [(Kind, &str, Value, &[Doubt]); 3] = [
        (Kind::PressureRead, "11:00", json!({"psi": 96}), &[]),
        (Kind::Identified, "13:10", json!({"marks": {"tag": "E280-0001"}}), &[]),
        // After release and installation it is run low, and no decision is older news.
        (Kind::PressureRead, "16:00", low, &[Doubt::Low]),
    ];
    for (kind, clock, facts, expected) in cases {
        let mut shop = Ledger::shop();
        back_on_the_road(&mut shop, "A", "steel_radial");
        shop.must(Kind::Torqued, Subject::casing(id("A")), "17:00", json!({"torque_ft_lb": 475}));
        let late = shop.late(kind, "A", clock, "18:00", facts);
        let reasons: Vec<Doubt> = doubts(&late).into_iter().map(|(reason, ..)| reason).collect();
        assert_eq!(reasons, expected, "{kind:?} {clock}");
        row_is_fold(&shop);
    }
}

/// A release that a doubt has undone does not stand.
#[test]
fn an_undone_release_is_not_doubted_again() {
    let mut shop = Ledger::shop();
    released_again(&mut shop, "A", "steel_radial");
    shop.must(Kind::Flagged, Subject::casing(id("A")), "15:30", json!({"reason": "load"}));
    let late = shop.late(Kind::Inspected, "A", "13:15", "16:00", inspected(false));
    assert_eq!(doubts(&late), []);
    row_is_fold(&shop);
}

/// A mate that was somewhere else then has carried nothing.
#[test]
fn late_low_reading_flags_the_mate_of_that_time_only() {
    for (since, flagged) in [("10:00", true), ("11:30", false)] {
        let mut shop = Ledger::shop();
        shop.released("A", "steel_radial", "W1");
        shop.released("B", "steel_radial", "W2");
        let (a, b) = (Subject::casing(id("A")), Subject::casing(id("B")));
        shop.must(Kind::Installed, a, "09:30", installed("A", "2LO"));
        shop.must(Kind::Installed, b, since, installed("B", "2LI"));
        shop.must(Kind::Torqued, a, "12:00", json!({"torque_ft_lb": 475}));
        let late = shop.late(Kind::PressureRead, "A", "11:00", "13:00", json!({"psi": 40}));
        let own = vec![late[0].id];
        let mut expected = vec![(Doubt::Low, a, own.clone())];
        if flagged {
            expected.push((Doubt::Mate, b, own));
        }
        assert_eq!(doubts(&late), expected, "mate since {since}");
        row_is_fold(&shop);
    }
}

/// A refused entry tells of the world all the same.
#[test]
fn a_late_refused_sign_casts_doubt_too() {
    let mut shop = Ledger::shop();
    let release = released_again(&mut shop, "A", "steel_radial");
    let mut hold = held("A", "standard");
    hold["signs"] = json!(["popping_sound"]);
    hold["cage"] = json!(id("K2"));
    let late = shop.late(Kind::Held, "A", "13:45", "16:00", hold);
    assert_eq!(stopped(&late), ["cage.checked"]);
    let casing = Subject::casing(id("A"));
    let own = late[0].id;
    let expected = [(Doubt::Sign, casing, vec![own]), (Doubt::Late, casing, vec![own, release])];
    assert_eq!(doubts(&late), expected);
    row_is_fold(&shop);
}

/// A late move is refused where another casing was by what a correction says, and recorded where
/// that one was by its first, wrong facts only. The ledger's own promise, no outside source.
#[test]
fn a_late_move_sees_where_a_correction_puts_others() {
    for (wheel, rules) in [("W3", vec!["fact.place_taken"]), ("W1", Vec::new())] {
        let mut shop = Ledger::shop();
        shop.mounted("A", "steel_radial", "W1");
        let mount = shop.log.last().unwrap().id;
        let a = Subject::casing(id("A"));
        shop.must(Kind::Demounted, a, "10:00", json!({}));
        let right = json!({"corrects": mount, "facts": mounted("A", "W3"), "reason": "misread"});
        shop.must(Kind::Corrected, a, "14:00", right);
        let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
            "marks": {"brand": "B"}});
        let b = Subject::casing(id("B"));
        shop.must(Kind::Acquired, b, "07:00", acquired);
        shop.must(Kind::Inspected, b, "07:30", inspected(true));
        let stay = vec![
            (Kind::Mounted, b, at("08:30"), mounted("B", wheel)),
            (Kind::Demounted, b, at("09:00"), json!({})),
        ];
        let answers = shop.request(at("15:00"), stay);
        assert_eq!(stopped(&answers[0]), rules, "{wheel}");
    }
}
