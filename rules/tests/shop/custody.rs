//! Sent away, moved, missing: where a casing goes and in whose hands it is.

use crate::ledger::{Ledger, id, inspected, installed, mounted, stopped};
use rules::fold::casing::{Standing, Whereabouts};
use rules::{Entry, Kind, Quantity, Subject};
use serde_json::{Value, json};

/// A new casing at the depot since 07:00.
fn stock(shop: &mut Ledger, name: &str) -> Subject {
    let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
        "marks": {"brand": name, "tins": ["1Z7KMRL4525"]}});
    shop.must(Kind::Acquired, Subject::casing(id(name)), "07:00", acquired);
    Subject::casing(id(name))
}

fn sent(purpose: &str) -> Value {
    json!({"to": "Pinebrook", "purpose": purpose})
}

fn back(name: &str, done: &str) -> Value {
    json!({"read": {"brand": name}, "done": done})
}

/// What the ledger added: the casing and why it is in doubt.
fn flags(entries: &[Entry]) -> Vec<(Subject, String)> {
    let reason = |entry: &Entry| entry.facts.to_value()["reason"].as_str().unwrap().to_owned();
    entries[1..].iter().map(|entry| (entry.subject, reason(entry))).collect()
}

/// Source: 49 CFR 574.5, one TIN a retread, which may lawfully be absent.
#[test]
fn each_retread_is_a_life_of_its_own() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    shop.must(Kind::TreadRead, a, "07:10", json!({"grooves_32nds": [[6, 5]]}));
    shop.must(Kind::SentAway, a, "08:00", sent("retread"));
    assert_eq!(shop.known("A").whereabouts, Whereabouts::Away);
    let first = json!({"read": {"brand": "A"}, "done": "retread", "life": 1, "tread_32nds": 24,
        "tin": "R7KM2126"});
    shop.must(Kind::Returned, a, "09:00", first);
    let known = shop.known("A");
    assert_eq!((known.life, known.whereabouts), (1, Whereabouts::Depot));
    assert_eq!(known.marks.tins, ["1Z7KMRL4525", "R7KM2126"]);
    assert_eq!(known.tread.unwrap().least_32nds, Quantity::whole(24));

    shop.must(Kind::SentAway, a, "10:00", sent("retread"));
    // The ledger has the first life on record, so the next one is the second at least.
    let again = json!({"read": {"brand": "A"}, "done": "retread", "life": 1});
    assert_eq!(stopped(&shop.casing(Kind::Returned, "A", "11:00", again)), ["fact.order"]);
    shop.must(Kind::Returned, a, "11:10", back("A", "retread"));
    let known = shop.known("A");
    assert_eq!((known.life, known.tread), (2, None));
    assert_eq!(known.marks.tins.len(), 2);
}

/// Source: 49 CFR 393.75(b), (c): the new depth of the model tells nothing of a retread.
#[test]
fn a_retread_of_unknown_depth_is_read_before_it_is_installed() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    shop.must(Kind::SentAway, a, "07:10", sent("retread"));
    shop.must(Kind::Returned, a, "07:20", back("A", "retread"));
    shop.must(Kind::Inspected, a, "07:30", inspected(true));
    shop.must(Kind::Mounted, a, "08:00", mounted("A", "W1"));
    shop.must(Kind::Held, a, "08:30", crate::ledger::held("A", "standard"));
    shop.must(Kind::Released, a, "09:00", crate::ledger::released("A"));
    let refused = shop.casing(Kind::Installed, "A", "09:30", installed("A", "1L"));
    assert_eq!(stopped(&refused), ["install.tread"]);
}

/// Common practice, no published source: work that was neither ordered nor nothing leaves
/// its history unknown.
#[test]
fn returned_otherwise_than_it_was_sent_is_of_unknown_history() {
    let table = [
        ("retread", "retread", false),
        ("retread", "repair", true),
        ("retread", "nothing", false),
        ("repair", "repair", false),
        ("repair", "retread", true),
        ("repair", "nothing", false),
        ("inspection", "nothing", false),
        ("inspection", "repair", true),
        ("inspection", "retread", true),
    ];
    for (purpose, done, unknown) in table {
        let mut shop = Ledger::shop();
        let a = stock(&mut shop, "A");
        shop.must(Kind::SentAway, a, "08:00", sent(purpose));
        let entries = shop.casing(Kind::Returned, "A", "09:00", back("A", done));
        assert!(entries[0].recorded());
        let expected = if unknown { vec![(a, "unknown".to_owned())] } else { Vec::new() };
        assert_eq!(flags(&entries), expected, "{purpose} {done}");
    }
}

/// Common practice, no published source: another tire than was sent is not this one, and
/// who rejects a casing has looked at it.
#[test]
fn the_mark_is_read_when_it_comes_back_and_a_rejection_is_no_pass() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    shop.must(Kind::Inspected, a, "07:30", inspected(true));
    shop.must(Kind::SentAway, a, "08:00", sent("retread"));
    let another = shop.casing(Kind::Returned, "A", "09:00", back("B", "nothing"));
    assert_eq!(stopped(&another), ["identity.match"]);
    let unread = shop.casing(Kind::Returned, "A", "09:10", json!({"done": "nothing"}));
    assert_eq!(stopped(&unread), ["identity.read"]);
    let rejected = json!({"read": {"brand": "A"}, "done": "nothing", "rejected_for": "run flat"});
    shop.must(Kind::Returned, a, "09:20", rejected);
    assert_eq!((shop.known("A").inspected, shop.known("A").life), (None, 0));
    let refused = shop.casing(Kind::Mounted, "A", "09:30", mounted("A", "W1"));
    assert_eq!(stopped(&refused), ["mount.inspected"]);
}

/// Common practice, no published source: a doubt is told in writing, and no retread ends
/// it. OSHA's charts: scrap goes nowhere but to scrap.
#[test]
fn a_doubt_is_declared_and_scrap_is_not_retreaded() {
    let mut shop = Ledger::shop();
    let (a, b) = (stock(&mut shop, "A"), stock(&mut shop, "B"));
    shop.must(Kind::Flagged, a, "07:30", json!({"reason": "low"}));
    let refused = shop.casing(Kind::SentAway, "A", "08:00", sent("retread"));
    assert_eq!(stopped(&refused), ["retread.declared"]);
    let told = json!({"to": "Pinebrook", "purpose": "retread", "declared_suspect": true});
    shop.must(Kind::SentAway, a, "08:10", told.clone());
    shop.must(Kind::Returned, a, "09:00", back("A", "retread"));
    assert_eq!((shop.known("A").standing, shop.known("A").life), (Standing::Suspect, 1));

    shop.must(Kind::Scrapped, b, "09:10", json!({"reason": "run_flat"}));
    assert_eq!(stopped(&shop.casing(Kind::SentAway, "B", "09:20", told)), ["dispose.scrap"]);
}

/// The ledger's own promise, no outside source: each move starts from where the casing is.
#[test]
fn a_casing_is_moved_from_where_it_is() {
    let mut shop = Ledger::shop();
    let a = stock(&mut shop, "A");
    shop.register_depot("sandgate");
    let from = |from: &str, to: &str| json!({"from_depot": id(from), "to_depot": id(to)});
    let refused = shop.casing(Kind::Moved, "A", "08:00", from("sandgate", "elmford"));
    assert_eq!(stopped(&refused), ["fact.order"]);
    shop.must(Kind::Moved, a, "08:10", from("elmford", "sandgate"));
    assert_eq!(shop.known("A").depot, Some(id("sandgate")));
    // Another move that happened before the last one comes too late.
    let late = shop.late(Kind::Moved, "A", "08:05", "09:00", from("elmford", "sandgate"));
    assert_eq!(stopped(&late), ["fact.order"]);
    shop.must(Kind::SentAway, a, "09:10", sent("repair"));
    let away = shop.casing(Kind::Moved, "A", "09:20", json!({"to_depot": id("elmford")}));
    assert_eq!(stopped(&away), ["fact.order"]);
}

/// A trailer maker's manual: a tire that ran beside a missing mate carried the load of
/// both. Common practice, no published source: what was lost is of unknown history.
#[test]
fn missing_from_an_axle_it_leaves_its_mate_in_doubt() {
    let mut shop = Ledger::shop();
    for (name, wheel, position) in [("A", "W1", "2LO"), ("B", "W2", "2LI"), ("C", "W3", "1L")] {
        shop.released(name, "steel_radial", wheel);
        let casing = Subject::casing(id(name));
        shop.must(Kind::Installed, casing, "09:30", installed(name, position));
    }
    let lost = shop.casing(Kind::Missing, "A", "12:00", json!({}));
    assert_eq!(flags(&lost), [(Subject::casing(id("B")), "mate".to_owned())]);
    let known = shop.known("A");
    assert_eq!(
        (known.whereabouts, known.vehicle, known.wheel),
        (Whereabouts::Missing, None, Some(id("W1")))
    );
    assert_eq!(flags(&shop.casing(Kind::Missing, "C", "12:00", json!({"off_wheel": true}))), []);
    assert_eq!(shop.known("C").wheel, None);

    // Nobody can do anything with it before it is found.
    for (kind, facts) in [
        (Kind::Demounted, json!({})),
        (Kind::PressureRead, json!({"psi": 0})),
        (Kind::TreadRead, json!({"grooves_32nds": [[5]]})),
        (
            Kind::Inspected,
            json!({"off_wheel": false, "inside": "not_seen", "outside": "clear",
            "beads": "not_seen", "passed": true}),
        ),
        (Kind::Missing, json!({})),
    ] {
        assert_eq!(stopped(&shop.casing(kind, "A", "12:30", facts)), ["fact.order"], "{kind:?}");
    }
    let found = json!({"depot": id("elmford")});
    let on_its_wheel = shop.casing(Kind::Found, "A", "13:00", found.clone());
    assert_eq!(flags(&on_its_wheel), [(Subject::casing(id("A")), "unknown".to_owned())]);
    assert_eq!(shop.known("A").whereabouts, Whereabouts::Wheel);
    shop.must(Kind::Found, Subject::casing(id("C")), "13:00", found.clone());
    assert_eq!(shop.known("C").whereabouts, Whereabouts::Depot);
    assert_eq!(stopped(&shop.casing(Kind::Found, "C", "13:10", found)), ["fact.order"]);
    let refused = shop.casing(Kind::Mounted, "C", "13:20", mounted("C", "W3"));
    assert_eq!(stopped(&refused), ["mount.inspected"]);
}
