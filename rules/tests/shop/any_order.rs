//! Work at random that arrives in any order. No outside source: the ledger's own promise.

use crate::ledger::{Ledger, at, held, id, inspected, installed, mounted, released};
use crate::plain;
use chrono::TimeDelta;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{FileFailurePersistence, TestRunner};
use rules::facts::model::Construction;
use rules::fold::casing::{Casing, Whereabouts};
use rules::{Entry, Kind, Subject};
use serde_json::{Value, json};
use std::collections::BTreeMap;

const CASINGS: [&str; 3] = ["A", "B", "C"];

/// What may be told out of the ordinary.
const KINDS: [Kind; 15] = [
    Kind::Mounted,
    Kind::Demounted,
    Kind::Demounted,
    Kind::Installed,
    Kind::Removed,
    Kind::Inspected,
    Kind::PressureRead,
    Kind::TreadRead,
    Kind::Torqued,
    Kind::Flagged,
    Kind::Held,
    Kind::SentAway,
    Kind::Returned,
    Kind::Missing,
    Kind::Found,
];

/// One thing that is told, of which casing, how long after the last thing and how long
/// after it happened it arrives, in minutes.
#[derive(Clone, Debug)]
struct Told {
    casing: usize,
    what: u8,
    place: u8,
    after: i64,
    late: i64,
}

fn told() -> impl Strategy<Value = Told> {
    let late = prop_oneof![3 => Just(0i64), 2 => 1i64..30, 1 => 30i64..300];
    (0..CASINGS.len(), 0u8..48, 0u8..3, 1i64..8, late)
        .prop_map(|(casing, what, place, after, late)| Told { casing, what, place, after, late })
}

/// The next ordinary thing to do with a casing that stands so.
fn ordinary(casing: &Casing) -> Kind {
    match (casing.whereabouts, &casing.mounting) {
        (Whereabouts::Away, _) => Kind::Returned,
        (Whereabouts::Missing, _) => Kind::Found,
        (Whereabouts::Depot, _) if casing.inspected.is_none() => Kind::Inspected,
        (Whereabouts::Depot, _) => Kind::Mounted,
        (_, Some(mounting)) if mounting.extended.is_none() => Kind::Held,
        (_, Some(mounting)) if mounting.release.is_none() => Kind::Released,
        (Whereabouts::Wheel, _) => Kind::Installed,
        (Whereabouts::Vehicle, _) => Kind::Removed,
    }
}

/// What happened: the ordinary way of a tire more often than anything else.
fn facts(told: &Told, casing: &Casing) -> (Kind, Value) {
    let name = CASINGS[told.casing];
    let place = usize::from(told.place);
    let kind = KINDS.get(usize::from(told.what)).copied().unwrap_or_else(|| ordinary(casing));
    let facts = match kind {
        Kind::Mounted => mounted(name, ["W1", "W2", "W3"][place]),
        Kind::Held => held(name, ["extended", "extended", "standard"][place]),
        Kind::Released => released(name),
        Kind::Installed => {
            let mut facts = installed(name, ["1L", "2LO", "2LI"][place]);
            facts["grooves_32nds"] = json!([[14, 14]]);
            facts
        }
        Kind::Removed => json!({"found_psi": 96, "core_out_flat": true}),
        Kind::Inspected => inspected(told.place > 0 || told.what > 20),
        Kind::PressureRead => json!({"psi": 70 + 10 * told.place}),
        Kind::TreadRead => json!({"grooves_32nds": [[14 - told.place, 14]]}),
        Kind::Torqued => json!({"torque_ft_lb": 475}),
        Kind::Flagged => json!({"reason": "load"}),
        Kind::SentAway => {
            json!({"to": "Pinebrook", "purpose": "repair", "declared_suspect": told.place > 0})
        }
        Kind::Returned => {
            let done = ["repair", "nothing", "retread"][place];
            json!({"read": {"brand": name}, "done": done})
        }
        Kind::Found => json!({"depot": id("elmford")}),
        _ => json!({}),
    };
    (kind, facts)
}

/// Three new casings, then all that is told of them, in this order of arrival.
fn tell(all: &[Told]) -> Ledger {
    let mut shop = Ledger::shop();
    for (name, model) in CASINGS.iter().zip(["steel_radial", "steel_radial", "fabric_radial"]) {
        let acquired = json!({"origin": "new", "model": id(model), "depot": id("elmford"),
            "marks": {"brand": name}});
        let casing = Subject::casing(id(name));
        shop.must(Kind::Acquired, casing, "06:10", acquired);
        shop.must(Kind::Inspected, casing, "06:20", inspected(true));
    }
    let mut now = at("06:30");
    for told in all {
        now += TimeDelta::minutes(told.after);
        let when = (now - TimeDelta::minutes(told.late)).max(at("06:21"));
        let (kind, facts) = facts(told, shop.known(CASINGS[told.casing]));
        shop.send(kind, Subject::casing(id(CASINGS[told.casing])), when, now, facts);
    }
    shop
}

/// Every row is what the second fold finds in the entries.
fn agree(shop: &Ledger) {
    for name in CASINGS {
        let subject = Subject::casing(id(name));
        let entries: Vec<Entry> =
            shop.log.iter().filter(|entry| entry.subject == subject).cloned().collect();
        let casing = shop.known(name);
        let spares = casing.construction != Construction::SteelRadial;
        assert_eq!(plain::of_row(casing), plain::of_entries(&entries, spares), "{name}");
    }
}

fn kept() -> ProptestConfig {
    ProptestConfig {
        failure_persistence: Some(Box::new(FileFailurePersistence::WithSource("seeds"))),
        cases: 96,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(kept())]

    #[test]
    fn two_folds_agree(all in prop::collection::vec(told(), 0..60)) {
        agree(&tell(&all));
    }
}

/// What is told at random reaches each kind of work, recorded and refused, early and late.
#[test]
fn the_work_is_varied() {
    let mut runner = TestRunner::deterministic();
    let mut seen: BTreeMap<(&str, bool), u32> = BTreeMap::new();
    let mut late = 0;
    for _ in 0..60 {
        let all = prop::collection::vec(told(), 60).new_tree(&mut runner).unwrap().current();
        for entry in tell(&all).log.iter().filter(|entry| entry.cause.is_none()) {
            *seen.entry((entry.facts.kind().name(), entry.recorded())).or_default() += 1;
            late += u32::from(entry.recorded() && entry.at() < entry.recorded_at);
        }
    }
    for kind in ["mounted", "held", "released", "installed", "removed", "demounted"] {
        for recorded in [true, false] {
            assert!(seen.get(&(kind, recorded)) > Some(&10), "{kind} {recorded}: {seen:?}");
        }
    }
    assert!(late > 100, "{late}");
}
