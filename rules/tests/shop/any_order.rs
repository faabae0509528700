//! Work at random that arrives in any order. No outside source: the ledger's own promise.

use crate::ledger::{Ledger, at, held, id, inspected, installed, mounted, released};
use crate::plain;
use chrono::TimeDelta;
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{FileFailurePersistence, TestRunner};
use rules::facts::casing::Doubt;
use rules::facts::model::Construction;
use rules::fold::casing::{Casing, Whereabouts};
use rules::{Entry, Kind, Subject, SubjectKind, View};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt::Debug;

const CASINGS: [&str; 3] = ["A", "B", "C"];

/// What may be told out of the ordinary.
const KINDS: [Kind; 20] = [
    Kind::Mounted,
    Kind::Demounted,
    Kind::Demounted,
    Kind::Installed,
    Kind::Removed,
    Kind::Inspected,
    Kind::PressureRead,
    Kind::Inflated,
    Kind::Deflated,
    Kind::ThirdPartyService,
    Kind::TreadRead,
    Kind::Torqued,
    Kind::Flagged,
    Kind::Held,
    Kind::SentAway,
    Kind::Returned,
    Kind::Missing,
    Kind::Found,
    Kind::Corrected,
    Kind::Resolved,
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
    (0..CASINGS.len(), 0u8..51, 0u8..3, 1i64..8, late)
        .prop_map(|(casing, what, place, after, late)| Told { casing, what, place, after, late })
}

/// The next ordinary thing to do with a casing that stands so.
fn ordinary(casing: &Casing) -> Kind {
    match (casing.whereabouts, &casing.mounting) {
        (Whereabouts::Away, _) => Kind::Returned,
        (Whereabouts::Missing, _) => Kind::Found,
        (Whereabouts::Gone, _) => Kind::Inspected,
        (Whereabouts::Depot, _) if casing.inspected.is_none() => Kind::Inspected,
        (Whereabouts::Depot, _) => Kind::Mounted,
        (Whereabouts::Vehicle, _) if casing.taken_over.is_some() => Kind::Removed,
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
            facts["vehicle"] = json!(id(if name == "C" { "T2" } else { "T1" }));
            facts["grooves_32nds"] = json!([[14, 14]]);
            facts
        }
        Kind::Removed => json!({"found_psi": 96, "core_out_flat": true}),
        Kind::Inspected => inspected(told.place > 0 || told.what > 20),
        Kind::PressureRead => json!({"psi": 70 + 10 * told.place}),
        // Found lower it is refused, and flagged all the same.
        Kind::Inflated => json!({"found_psi": 85 + 5 * told.place, "to_psi": 100, "remote": true,
            "trajectory_clear": true}),
        Kind::Deflated => json!({"found_psi": 70 + 10 * told.place}),
        Kind::ThirdPartyService => json!({"by_whom": "roadside outfit", "what": "not told"}),
        Kind::TreadRead => json!({"grooves_32nds": [[14 - told.place, 14]]}),
        Kind::Torqued => json!({"torque_ft_lb": 475}),
        Kind::Flagged => json!({"reason": "load"}),
        // There is nothing to correct or to resolve yet.
        Kind::Corrected | Kind::Resolved => return (Kind::PressureRead, json!({"psi": 96})),
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

/// A correction or a resolution of something on record of the casing, if there is anything.
fn amending(told: &Told, shop: &Ledger) -> Option<(Kind, Value)> {
    let kind = *KINDS.get(usize::from(told.what))?;
    let own = shop.log.iter().filter(|e| e.subject == Subject::casing(id(CASINGS[told.casing])));
    let sent = own.filter(|e| e.cause.is_none() && !AMENDING.contains(&e.facts.kind()));
    let (recorded, refused): (Vec<&Entry>, Vec<&Entry>) = sent.partition(|entry| entry.recorded());
    let one = |entries: &[&Entry]| {
        let nth = told.after.unsigned_abs() as usize * 7 + usize::from(told.place);
        (!entries.is_empty()).then(|| entries[nth % entries.len()].clone())
    };
    match kind {
        Kind::Resolved => {
            let facts = json!({"refusal": one(&refused)?.id, "it_did_happen": told.place > 0});
            Some((kind, facts))
        }
        Kind::Corrected => {
            let wrong = one(&recorded)?;
            let mut facts = json!({"corrects": wrong.id, "reason": "read the wrong line"});
            let right = match wrong.facts.kind() {
                Kind::PressureRead => Some(json!({"psi": 70 + 10 * told.place})),
                Kind::TreadRead => Some(json!({"grooves_32nds": [[13, 14]]})),
                Kind::Inspected => Some(inspected(told.late % 2 == 0)),
                Kind::Mounted => Some(mounted(CASINGS[told.casing], "W3")),
                _ => None,
            };
            match right {
                Some(right) if told.place < 2 => facts["facts"] = right,
                _ => facts["right_casing"] = json!(id(CASINGS[(told.casing + 1) % 3])),
            }
            Some((kind, facts))
        }
        _ => None,
    }
}

/// Kinds that change how others count.
const AMENDING: [Kind; 2] = [Kind::Corrected, Kind::Resolved];

/// Two new casings and one that was rolling, then all that is told of them, in this order
/// of arrival.
fn tell(all: &[Told]) -> Ledger {
    let mut shop = Ledger::shop();
    for name in ["A", "B"] {
        let acquired = json!({"origin": "new", "model": id("steel_radial"), "depot": id("elmford"),
            "marks": {"brand": name}});
        let casing = Subject::casing(id(name));
        shop.must(Kind::Acquired, casing, "06:10", acquired);
        shop.must(Kind::Inspected, casing, "06:20", inspected(true));
    }
    let rolling = json!({"origin": "opening", "model": id("fabric_radial"), "marks": {"brand": "C"},
        "vehicle": id("T2"), "position": "1L", "wheel": id("W4"), "walk_round": "clear",
        "cold_psi": 100, "grooves_32nds": [[15]]});
    shop.must(Kind::Acquired, Subject::casing(id("C")), "06:10", rolling);
    let mut now = at("06:30");
    for told in all {
        now += TimeDelta::minutes(told.after);
        let when = (now - TimeDelta::minutes(told.late)).max(at("06:21"));
        let (kind, facts) =
            amending(told, &shop).unwrap_or_else(|| facts(told, shop.known(CASINGS[told.casing])));
        shop.send(kind, Subject::casing(id(CASINGS[told.casing])), when, now, facts);
    }
    shop
}

fn entries_of(shop: &Ledger, name: &str) -> Vec<Entry> {
    let subject = Subject::casing(id(name));
    shop.log.iter().filter(|entry| entry.subject == subject).cloned().collect()
}

/// Every row is what the second fold finds in the entries, and no casing was anywhere
/// where another was.
fn agree(shop: &Ledger) {
    let mut times = Vec::new();
    for name in CASINGS {
        let subject = Subject::casing(id(name));
        let entries = entries_of(shop, name);
        let casing = shop.known(name);
        let spares = casing.construction != Construction::SteelRadial;
        assert_eq!(plain::of_row(casing), plain::of_entries(&entries, None, spares), "{name}");
        times.extend(plain::times(subject.id, &entries));
    }
    plain::no_two_at_once(&times);
}

/// What was known of every casing at each moment is what the second fold finds in the entries
/// recorded until then, now and as of any moment; and what is known now of now is its row.
fn looks_back(shop: &Ledger) {
    for name in CASINGS {
        let entries = entries_of(shop, name);
        let spares = shop.known(name).construction != Construction::SteelRadial;
        let row = &shop.all.heads[&Subject::casing(id(name))];
        let now = entries.iter().map(|entry| entry.recorded_at).max();
        for view in [View::default(), View { as_of: now, known_at: now }] {
            assert_eq!(&view.head(&entries), row, "{name} {view:?}");
        }
        for (i, last) in entries.iter().enumerate() {
            let goes_on = |next: &Entry| {
                next.cause.is_some_and(|cause| cause == last.id || last.cause == Some(cause))
            };
            if entries.get(i + 1).is_some_and(goes_on) {
                continue;
            }
            let known: Vec<Entry> = entries[..=i].to_vec();
            // What follows from an entry is known with it.
            let cause = known.iter().find(|entry| last.cause == Some(entry.id));
            let known_at = Some(cause.unwrap_or(last).recorded_at);
            let moments = entries.iter().skip(i % 5).step_by(5).map(|entry| Some(entry.at()));
            for as_of in moments.chain([None, now]) {
                let view = View { as_of, known_at };
                let then = view.head(&entries);
                assert_eq!(then, View { as_of, known_at: None }.head(&known), "{name} {view:?}");
                if let Some(casing) = then.state.casing() {
                    let found = plain::of_entries(&known, as_of, spares);
                    assert_eq!(plain::of_row(casing), found, "{name} {view:?}");
                }
            }
        }
    }
}

/// What is known of every casing, without names of entries and without late doubts, which
/// depend on the order of arrival.
fn known(shop: &Ledger) -> Vec<impl PartialEq + Debug> {
    let of = |name: &str| {
        let casing = shop.known(name);
        let doubts = casing.doubts.iter().filter(|doubt| doubt.reason != Doubt::Late);
        let doubts: Vec<_> = doubts.map(|doubt| (doubt.reason, doubt.at)).collect();
        let release = casing.mounting.as_ref().and_then(|mounting| mounting.release);
        let place = (casing.whereabouts, casing.wheel, casing.vehicle, casing.position);
        (place, doubts, release.map(|release| release.moment.at), casing.scrap.is_some())
    };
    CASINGS.map(of).into_iter().collect()
}

/// One true day, told as it happened. A and B run on one truck, C on another; they take
/// turns on the same wheels. Gives what was recorded, in order of time.
fn true_day(all: &[Told]) -> (Ledger, Vec<Entry>) {
    let amends = |told: &&Told| {
        KINDS.get(usize::from(told.what)).is_some_and(|kind| AMENDING.contains(kind))
    };
    let true_ones = all.iter().filter(|told| !amends(told));
    let on_time: Vec<Told> = true_ones.map(|told| Told { late: 0, ..told.clone() }).collect();
    let shop = tell(&on_time);
    let day = shop.log.iter().filter(|entry| entry.cause.is_none() && entry.recorded());
    let day = day.filter(|e| e.at() > at("06:20") && e.subject.kind == SubjectKind::Casing);
    let day = day.cloned().collect();
    (shop, day)
}

/// The same day, told truck by truck in the evening.
fn told_in_the_evening(day: &[Entry], trucks: [&str; 2]) -> Ledger {
    let mut shop = tell(&[]);
    for (hour, truck) in ["20:00", "21:00"].into_iter().zip(trucks) {
        let of_truck = day.iter().filter(|entry| truck_of(entry.subject) == truck);
        let told = of_truck
            .map(|entry| {
                (entry.facts.kind(), entry.subject, entry.occurred_at, entry.facts.to_value())
            })
            .collect();
        for answer in shop.request(at(hour), told) {
            assert!(answer[0].recorded(), "{:?} {:?}", answer[0].facts, answer[0].outcome);
        }
    }
    shop
}

fn truck_of(casing: Subject) -> &'static str {
    if casing.id == id("C") { "T2" } else { "T1" }
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

    #[test]
    fn two_folds_agree_on_the_past(all in prop::collection::vec(told(), 0..60)) {
        looks_back(&tell(&all));
    }

    #[test]
    fn two_trucks_in_any_order(all in prop::collection::vec(told(), 0..60)) {
        let (shop, day) = true_day(&all);
        for trucks in [["T1", "T2"], ["T2", "T1"]] {
            let later = told_in_the_evening(&day, trucks);
            agree(&later);
            prop_assert_eq!(known(&later), known(&shop), "{:?}", trucks);
        }
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
    for kind in [
        "mounted",
        "held",
        "released",
        "installed",
        "removed",
        "demounted",
        "corrected",
        "resolved",
    ] {
        for recorded in [true, false] {
            assert!(seen.get(&(kind, recorded)) > Some(&10), "{kind} {recorded}: {seen:?}");
        }
    }
    assert!(late > 100, "{late}");
}
