//! The whole fleet before the rules, in a world kept in memory.
//!
//! What is refused, and why, is what the rules' table names on its sources; that the demo
//! shows these situations has no outside source.

use super::*;
use chrono::{TimeDelta, TimeZone, Timelike};
use rules::entry::{Outcome, Sender, Worked};
use rules::facts::Facts;
use rules::facts::casing::Doubt;
use rules::fold::casing::{Casing, Standing, Whereabouts};
use rules::hold::Verdict;
use rules::{Entry, Kind, Subject, World, decide};
use std::collections::{BTreeMap, BTreeSet};

/// Moments at which somebody may start the demo: at night, in the morning, in the evening,
/// after a change to and from summer time, on a leap day and on New Year's Day.
fn moments() -> Vec<DateTime<Utc>> {
    [
        (2026, 11, 25, 14, 40),
        (2026, 11, 25, 15, 0),
        (2026, 3, 8, 12, 0),
        (2026, 11, 1, 15, 30),
        (2028, 2, 29, 23, 59),
        (2027, 1, 1, 6, 0),
    ]
    .into_iter()
    .map(|(year, month, day, hour, minute)| {
        Utc.with_ymd_and_hms(year, month, day, hour, minute, 17).unwrap()
    })
    .collect()
}

/// Gives the world what it asks for: nothing is on record but what was decided before.
fn load(world: &mut World, ledger: &[Entry], posting: &Posting) {
    loop {
        let wants = world.wants([(posting.person, &posting.command)]);
        if wants.is_empty() {
            return;
        }
        let resolves = posting.command.facts.kind() == Kind::Resolved;
        assert!(resolves || wants.histories.is_empty(), "late: {:?}", posting.command);
        for subject in wants.histories {
            let history = ledger.iter().filter(|entry| entry.subject == subject);
            world.histories.insert(subject, history.cloned().collect());
        }
        for subject in wants.subjects {
            world.heads.entry(subject).or_default();
        }
        world.wheels.extend(wants.wheels);
        world.axles.extend(wants.axles);
        for (spot, since) in wants.spots {
            // Nobody who was there comes into anybody's way: nothing is late.
            world.spots.insert(spot, (since, BTreeSet::new()));
        }
        world.models.extend(wants.models);
        for mark in wants.marks {
            world.owners.entry(mark).or_default();
        }
        for id in wants.retried {
            world.retried.entry(id).or_default();
        }
    }
}

fn fleet(now: DateTime<Utc>, drawn: Drawn) -> Vec<Posting> {
    days(now, drawn).flatten().collect()
}

/// The ledger of what is told: what was decided on each posting, in order.
fn told(now: DateTime<Utc>) -> (World, Vec<Entry>) {
    decided(now, Drawn::NOTHING)
}

fn decided(now: DateTime<Utc>, drawn: Drawn) -> (World, Vec<Entry>) {
    let mut world = World::new(organisation());
    let mut ledger = Vec::new();
    for posting in fleet(now, drawn) {
        load(&mut world, &ledger, &posting);
        assert!(!world.unknown(&posting.command), "{:?}", posting.command);
        assert_eq!(world.dangling(&posting.command), [], "{:?}", posting.command);
        let sender = Sender { person: posting.person, sent_at: None };
        for entry in decide(&world, posting.at, sender, &posting.command, &[], None) {
            world.apply(&entry);
            ledger.push(entry);
        }
    }
    (world, ledger)
}

fn brand(number: u32) -> Uuid {
    id(SubjectKind::Casing, &format!("LK-{number}"))
}

fn casing(world: &World, number: u32) -> &Casing {
    world.heads[&Subject::casing(brand(number))].state.casing().unwrap()
}

fn rules_of(entry: &Entry) -> Vec<String> {
    match &entry.outcome {
        Outcome::Refused { reasons } => reasons.iter().map(|reason| reason.rule.clone()).collect(),
        Outcome::Recorded { .. } => Vec::new(),
    }
}

#[test]
fn every_posting_comes_out_as_intended() {
    let intended = [
        (1022, Kind::Demounted, "service.trained"),
        (1016, Kind::Released, "release.extended"),
        (1039, Kind::Mounted, "mount.wheel_condition"),
        (1023, Kind::Released, "release.extended"),
        (1045, Kind::Installed, "install.torque"),
    ]
    .map(|(number, kind, rule)| (brand(number), kind, vec![rule.to_owned()]));
    for now in moments() {
        let (_, ledger) = told(now);
        let refused: Vec<_> = ledger
            .iter()
            .filter(|entry| !entry.recorded())
            .map(|entry| (entry.subject.id, entry.facts.kind(), rules_of(entry)))
            .collect();
        assert_eq!(refused, intended, "{now}");
        let settled = |entry: &Entry| match &entry.facts {
            Facts::Resolved(resolved) => Some(resolved.refusal),
            _ => entry.retries,
        };
        let settled: BTreeSet<Uuid> =
            ledger.iter().filter(|entry| entry.recorded()).filter_map(settled).collect();
        let open: Vec<Uuid> = ledger
            .iter()
            .filter(|entry| !entry.recorded() && !settled.contains(&entry.id))
            .map(|entry| entry.subject.id)
            .collect();
        assert_eq!(open, [brand(1023)], "{now}");
    }
}

#[test]
fn what_the_ledger_adds_is_as_intended() {
    let (world, ledger) = told(moments()[0]);
    let mut added: BTreeMap<(Uuid, Option<Doubt>), usize> = BTreeMap::new();
    for entry in ledger.iter().filter(|entry| entry.cause.is_some()) {
        let doubt = match &entry.facts {
            Facts::Flagged(flagged) => Some(flagged.reason),
            _ => None,
        };
        *added.entry((entry.subject.id, doubt)).or_default() += 1;
    }
    // Found low on the walk round, and again when it came off.
    let twice = [1001, 1016, 1017, 1022, 1023].map(|n| ((brand(n), Some(Doubt::Low)), 2));
    let wheel = id(SubjectKind::Wheel, given::CRACKED_WHEEL);
    let once = [
        (brand(1028), Some(Doubt::Low)),
        (brand(1029), Some(Doubt::Mate)),
        (brand(1022), Some(Doubt::Sign)),
        (brand(1045), Some(Doubt::Deviation)),
        (wheel, None),
    ];
    let intended: BTreeMap<_, _> = twice.into_iter().chain(once.map(|added| (added, 1))).collect();
    assert_eq!(added, intended);
    let wheel = &world.heads[&Subject::of(SubjectKind::Wheel, wheel)];
    assert!(wheel.state.registry().unwrap().tagged.is_some());
}

#[test]
fn the_fleet_stands_as_the_readme_shows_it() {
    for now in moments() {
        let (world, _) = told(now);
        let mut standings: BTreeMap<Standing, usize> = BTreeMap::new();
        for (_, casing) in world.casings() {
            *standings.entry(casing.standing).or_default() += 1;
        }
        let intended = [(Standing::Serviceable, 40), (Standing::Suspect, 5), (Standing::Scrap, 1)];
        assert_eq!(standings, BTreeMap::from(intended), "{now}");
        for number in [1001, 1023, 1028, 1029, 1045] {
            assert_eq!(casing(&world, number).standing, Standing::Suspect, "{number}");
        }
        assert_eq!(casing(&world, 1022).standing, Standing::Scrap);

        let waiting = casing(&world, 1001);
        assert_eq!(waiting.whereabouts, Whereabouts::Wheel);
        assert!(waiting.sound.is_some() && waiting.tread.is_some_and(|tread| !tread.ran_since));
        assert!(waiting.mounting.as_ref().is_some_and(|mounting| mounting.proof.is_none()));

        let ready = casing(&world, 1038).mounting.as_ref().unwrap();
        assert!(ready.proof.is_some() && ready.release.is_some_and(|release| release.stands));
        let on_the_road =
            world.casings().filter(|(_, casing)| casing.whereabouts == Whereabouts::Vehicle);
        // Every place but the one of the tire that waits.
        assert_eq!(on_the_road.count(), 35);
        assert!(casing(&world, 1036).recheck_due().is_some());
    }
}

#[test]
fn holds_come_out_as_intended() {
    let (_, ledger) = told(moments()[0]);
    let mut verdicts: BTreeMap<Uuid, Vec<Verdict>> = BTreeMap::new();
    for entry in &ledger {
        if let Some(Worked::Held(held)) = entry.worked() {
            verdicts.entry(entry.subject.id).or_default().push(held.result.verdict);
        }
    }
    let not_passed: BTreeMap<_, _> = verdicts
        .into_iter()
        .filter(|(_, verdicts)| verdicts.iter().any(|verdict| *verdict != Verdict::Pass))
        .collect();
    let intended = [
        (brand(1017), vec![Verdict::Pass, Verdict::Leak, Verdict::Pass]),
        (brand(1036), vec![Verdict::Inconclusive, Verdict::Pass]),
    ];
    assert_eq!(not_passed, BTreeMap::from(intended));
}

#[test]
fn the_same_moment_gives_the_same_fleet_and_any_moment_the_same_ids() {
    let moments = moments();
    let drawn = Drawn { casings: 60, seed: 7 };
    assert_eq!(fleet(moments[0], drawn), fleet(moments[0], drawn));
    assert_ne!(fleet(moments[0], drawn), fleet(moments[0], Drawn { seed: 8, ..drawn }));
    let ids =
        |now| fleet(now, drawn).iter().map(|posting| posting.command.id).collect::<BTreeSet<_>>();
    let first = ids(moments[0]);
    assert_eq!(first.len(), fleet(moments[0], drawn).len(), "every id is used once");
    for now in &moments[1..] {
        assert_eq!(ids(*now), first, "{now}");
    }
}

#[test]
fn everything_was_sent_in_order_in_working_hours_and_in_the_past() {
    for now in moments() {
        let postings = fleet(now, Drawn { casings: 60, seed: 7 });
        assert!(postings.windows(2).all(|pair| pair[0].at <= pair[1].at));
        for posting in &postings {
            assert_eq!(posting.at, posting.command.occurred_at.to_utc());
            let hour = posting.command.occurred_at.hour();
            assert!((6..17).contains(&hour), "{:?}", posting.command);
        }
        // The README's first step happened half an hour before it is sent.
        assert!(postings.last().unwrap().at + TimeDelta::hours(1) < now, "{now}");
    }
}

/// However many are drawn and from whatever seed, no more is refused than was meant to be, and
/// all that happens to tires happens to some.
#[test]
fn what_is_drawn_comes_out_as_intended() {
    let (mut refused, mut kinds) = (BTreeSet::new(), BTreeSet::new());
    for (now, (casings, seed)) in moments().into_iter().zip([(300, 1), (1, 2), (60, 3), (120, 4)]) {
        let (world, ledger) = decided(now, Drawn { casings, seed });
        let drawn = |number| world.heads.contains_key(&Subject::casing(brand(number)));
        assert!((draw::FIRST_CASING..draw::FIRST_CASING + casings).all(drawn));
        assert_eq!(world.casings().count(), 46 + casings as usize);
        for entry in ledger.iter().filter(|entry| !told_of(entry)) {
            kinds.insert(entry.facts.kind());
            let of = |rule| (entry.facts.kind(), rule);
            refused.extend(rules_of(entry).into_iter().map(of));
        }
    }
    let intended = [(Kind::Demounted, "service.trained"), (Kind::Released, "release.extended")];
    assert_eq!(refused, intended.map(|(kind, rule)| (kind, rule.to_owned())).into());
    use Kind::{
        Acquired, CageChecked, Demounted, Disposed, Flagged, Held, Inspected, Installed,
        MadeUnusable, Mounted, PressureRead, Registered, Released, Removed, Returned, Scrapped,
        SentAway, Torqued, TreadRead,
    };
    for kind in [
        Acquired,
        CageChecked,
        Demounted,
        Disposed,
        Flagged,
        Held,
        Inspected,
        Installed,
        MadeUnusable,
        Mounted,
        PressureRead,
        Registered,
        Released,
        Removed,
        Returned,
        Scrapped,
        SentAway,
        Torqued,
        TreadRead,
    ] {
        assert!(kinds.contains(&kind), "{kind:?}");
    }
}

/// Whether an entry is about one of the casings that are told of one by one.
fn told_of(entry: &Entry) -> bool {
    (1000..1046).any(|number| entry.subject.id == brand(number))
        || entry.subject.id == id(SubjectKind::Wheel, given::CRACKED_WHEEL)
}
