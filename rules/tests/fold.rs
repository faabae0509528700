//! The cached row of a casing is the fold of its entries, whatever the order in
//! which they arrive; and an entry is what its bytes say. No outside source: the
//! ledger's own promise.

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use rules::canonical::Line;
use rules::entry::{Basis, Outcome, Reason, Worked};
use rules::facts::Body;
use rules::facts::model::Construction;
use rules::fold::{State, fold};
use rules::table::Class;
use rules::world::Head;
use rules::{Entry, Facts, Kind, Quantity, Subject, SubjectKind, View, World};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

const CASING: Uuid = Uuid::from_u128(1);

fn what(choice: u8, amount: i64) -> (Kind, Value) {
    let id = Uuid::from_u128(2);
    match choice {
        0 => (Kind::PressureRead, json!({"psi": amount})),
        1 => (Kind::TreadRead, json!({"grooves_32nds": [[amount % 30, 12]]})),
        2 => (
            Kind::Inspected,
            json!({"off_wheel": true, "inside": "clear", "outside": "clear", "beads": "clear", "passed": true}),
        ),
        3 => {
            (Kind::Mounted, json!({"wheel": id, "place": "open", "seat_psi": 30, "to_psi": amount}))
        }
        4 => (Kind::Demounted, json!({})),
        5 => (Kind::Installed, json!({"vehicle": id, "position": "2RO", "damage": []})),
        6 => (Kind::Removed, json!({"found_psi": amount, "core_out_flat": amount % 2 == 0})),
        7 => (Kind::Flagged, json!({"reason": "low"})),
        8 => (Kind::Flagged, json!({"reason": "sign"})),
        9 => (Kind::Identified, json!({"marks": {"tag": format!("E{amount}")}})),
        10 => (Kind::Torqued, json!({"torque_ft_lb": 475})),
        11 => (Kind::SentAway, json!({"to": "Pinebrook", "purpose": "retread"})),
        12 => (Kind::Returned, json!({"done": "retread", "tread_32nds": 1 + amount % 24})),
        13 => (Kind::Moved, json!({"to_depot": id})),
        14 => (Kind::Missing, json!({"off_wheel": amount % 2 == 0})),
        15 => (Kind::Found, json!({"depot": id, "off_wheel": amount % 3 == 0})),
        16 => (Kind::Disposed, json!({"how": "sold"})),
        17 => (Kind::Preserved, json!({"matter": format!("M{}", amount % 2), "held_by": "Elm"})),
        18 => (Kind::PreservationEnded, json!({"matter": "M1", "reason": "closed"})),
        19 => (Kind::Recalled, json!({"campaign": format!("26T-{}", amount % 2)})),
        20 => (Kind::Remedied, json!({"campaign": "26T-1", "remedy": "checked"})),
        21 => (Kind::MadeUnusable, json!({"cut": "beads", "photo": "p1", "witness": id})),
        22 => (Kind::Inflated, json!({"found_psi": 0, "to_psi": amount, "place": "open"})),
        23 => (Kind::Deflated, json!({"found_psi": amount, "damage": []})),
        24 => (Kind::ThirdPartyService, json!({"by_whom": "not told", "what": "not told"})),
        25 => (
            Kind::Repaired,
            json!({"repair": "ply", "place": "crown", "size_32nds": amount % 60 + 1}),
        ),
        26 => (Kind::Regrooved, json!({"by_whom": "own shop"})),
        _ => (Kind::Scrapped, json!({"reason": "worn_out"})),
    }
}

fn entry(n: u64, minutes: i64, facts: Facts, outcome: Outcome) -> Entry {
    let start = DateTime::parse_from_rfc3339("2026-03-02T08:00:00-06:00").unwrap();
    Entry {
        org: Uuid::from_u128(9),
        id: Uuid::from_u128(1000 + u128::from(n)),
        subject: Subject::casing(CASING),
        n,
        occurred_at: start + TimeDelta::minutes(minutes),
        recorded_at: start.with_timezone(&Utc)
            + TimeDelta::days(30)
            + TimeDelta::microseconds(n as i64),
        sent_at: None,
        sender: Uuid::from_u128(3),
        by: Uuid::from_u128(3),
        facts,
        attested: BTreeSet::new(),
        retries: None,
        cause: None,
        outcome,
        basis: Basis { rules: "1".to_owned(), entries: BTreeSet::new(), leans_on: Vec::new() },
        personal_hash: None,
    }
}

fn acquired() -> Entry {
    let facts = json!({"origin": "new", "model": Uuid::from_u128(4), "depot": Uuid::from_u128(5)});
    let facts = Facts::from_value(Kind::Acquired, SubjectKind::Casing, facts).unwrap();
    let worked = Some(Worked::Construction(Construction::SteelRadial));
    entry(1, 0, facts, Outcome::Recorded { cautions: Vec::new(), worked })
}

/// A vehicle of one axle at this set pressure, registered first and then changed.
fn vehicle(n: u64, minutes: i64, set_psi: i64) -> Entry {
    let kind = if n == 1 { Kind::Registered } else { Kind::Changed };
    let axle = json!({"places": "dual", "steer": false, "set_psi": set_psi, "placard_psi": 80});
    let body = json!({"unit": "LH-214", "kind": "trailer", "axles": [axle]});
    let facts = Facts::from_value(kind, SubjectKind::Vehicle, body).unwrap();
    let recorded = Outcome::Recorded { cautions: Vec::new(), worked: None };
    let subject = Subject::of(SubjectKind::Vehicle, CASING);
    Entry { subject, ..entry(n, minutes, facts, recorded) }
}

fn set_psi(entry: &Entry) -> Quantity {
    match &entry.facts {
        Facts::Registered(Body::Vehicle(body)) | Facts::Changed(Body::Vehicle(body)) => {
            body.axles[0].set_psi
        }
        other => panic!("{other:?} is no vehicle"),
    }
}

/// A raise that happened first, told after a lower one: 100, then 110 at minute
/// 10, then 105 said to be of minute 5. At 105 for minute 10 and after, a tire
/// held for 105 would go where 110 was asked when it went.
#[test]
fn a_set_pressure_is_lowered_against_what_it_takes_the_place_of() {
    let told = [vehicle(1, 0, 100), vehicle(2, 10, 110), vehicle(3, 5, 105)];
    let State::Registry(vehicle) = fold(&told, None) else { panic!("a vehicle is registered") };
    let from: Vec<_> = vehicle.versions.iter().map(|version| version.from).collect();
    assert_eq!(from, [told[0].at(), told[1].at(), told[2].recorded_at]);
}

/// A casing that was acquired, and what is told of it after that.
fn told(steps: &[(u8, i64, i64, bool)]) -> Vec<Entry> {
    let mut entries = vec![acquired()];
    for (i, (choice, amount, minutes, recorded)) in steps.iter().copied().enumerate() {
        let (kind, facts) = what(choice, amount);
        let facts = Facts::from_value(kind, SubjectKind::Casing, facts).unwrap();
        let refused_by = |rule: &str| Outcome::Refused {
            reasons: vec![Reason {
                rule: rule.to_owned(),
                class: Class::Fact,
                evidence: Vec::new(),
                found: None,
            }],
        };
        let outcome = match recorded {
            true => Outcome::Recorded { cautions: Vec::new(), worked: None },
            false if amount % 3 == 0 => refused_by("fact.time"),
            false => refused_by("fact.order"),
        };
        entries.push(entry(i as u64 + 2, minutes, facts, outcome));
    }
    entries
}

/// A world that knows the whole history of the casing, of which there is none yet.
fn world() -> World {
    let mut world = World::new(Uuid::from_u128(9));
    world.histories.insert(Subject::casing(CASING), Vec::new());
    world
}

proptest! {
    #[test]
    fn no_set_pressure_is_lower_before_it_was_recorded(
        told in proptest::collection::vec((0i64..90_000, 80i64..120), 1..12)
    ) {
        let told: Vec<Entry> = (1..).zip(told).map(|(n, (minutes, psi))| vehicle(n, minutes, psi)).collect();
        let mut world = World::new(Uuid::from_u128(9));
        world.histories.insert(told[0].subject, Vec::new());
        told.iter().for_each(|entry| world.apply(entry));
        let head = &world.heads[&told[0].subject];
        prop_assert_eq!(&head.state, &fold(&told, None));
        let versions = &head.state.registry().unwrap().versions;
        for (i, entry) in told.iter().enumerate().skip(1) {
            prop_assert!(versions[i].from >= versions[i - 1].from);
            if set_psi(&told[i]) < set_psi(&told[i - 1]) {
                prop_assert!(versions[i].from >= entry.recorded_at);
            }
        }
    }

    #[test]
    fn row_is_fold_in_any_order_of_arrival(
        steps in proptest::collection::vec((0u8..28, 0i64..150, 1i64..500, any::<bool>()), 0..40)
    ) {
        let mut world = world();
        let entries = told(&steps);
        for entry in &entries {
            world.apply(entry);
            prop_assert_eq!(&Entry::from_bytes(&entry.bytes()).unwrap(), entry);
            let line = Line::read(&entry.bytes()).unwrap();
            prop_assert_eq!(format!("{line:?}"), format!("{:?}", Line::of(entry)));
        }
        let head = &world.heads[&Subject::casing(CASING)];
        prop_assert_eq!(&head.state, &fold(&entries, None));
        prop_assert_eq!(head, &Head::of(&entries));
        let read_back = State::read(SubjectKind::Casing, &head.state.to_json().unwrap()).unwrap();
        prop_assert_eq!(&read_back, &head.state);
    }

    /// What was known when an entry had arrived is the row as it stood then, whatever the order
    /// of arrival; where all arrives as it happens, so is what was when it happened.
    #[test]
    fn the_past_is_what_the_row_was(
        mut steps in proptest::collection::vec((0u8..17, 0i64..150, 1i64..500, any::<bool>()), 0..40),
        in_order: bool,
    ) {
        if in_order {
            let mut clock = 0;
            for (_, _, minutes, _) in &mut steps {
                clock += *minutes;
                *minutes = clock;
            }
        }
        let (mut world, entries) = (world(), told(&steps));
        for entry in &entries {
            world.apply(entry);
            let row = &world.heads[&Subject::casing(CASING)];
            let known_at = Some(entry.recorded_at);
            prop_assert_eq!(&View { as_of: None, known_at }.head(&entries), row);
            if in_order {
                let as_of = Some(entry.at());
                prop_assert_eq!(&View { as_of, known_at: None }.head(&entries), row);
                prop_assert_eq!(&View { as_of, known_at }.head(&entries), row);
            }
        }
        prop_assert_eq!(View::default().head(&entries), Head::of(&entries));
    }
}

/// A version holds from the later of its time and its predecessor's start, so a change told late
/// is in force where the one before it began; and nothing is known before the first.
#[test]
fn versions_come_into_force_in_the_order_of_arrival() {
    let depot = |n, minutes, kind, name: &str| {
        let body = json!({"name": name, "zone": "America/Chicago"});
        let facts = Facts::from_value(kind, SubjectKind::Depot, body).unwrap();
        let outcome = Outcome::Recorded { cautions: Vec::new(), worked: None };
        let subject = Subject::of(SubjectKind::Depot, Uuid::from_u128(5));
        Entry { subject, ..entry(n, minutes, facts, outcome) }
    };
    let entries = [
        depot(1, 10, Kind::Registered, "first"),
        depot(2, 50, Kind::Changed, "second"),
        depot(3, 30, Kind::Changed, "third"),
    ];
    let start = entries[0].at() - TimeDelta::minutes(10);
    let name = |minutes: i64, arrived: usize| {
        let as_of = Some(start + TimeDelta::minutes(minutes));
        let view = View { as_of, known_at: Some(entries[arrived - 1].recorded_at) };
        let head = view.head(&entries);
        assert_eq!(head.known(), head.state.registry().is_some());
        let body = &head.state.registry()?.newest()?.body;
        Some(serde_json::to_value(body).unwrap()["name"].as_str().unwrap().to_owned())
    };
    assert_eq!(name(9, 3), None);
    for (minutes, arrived, expected) in [
        (10, 3, "first"),
        (40, 3, "first"),
        (50, 3, "third"),
        (40, 2, "first"),
        (50, 2, "second"),
        (60, 1, "first"),
    ] {
        assert_eq!(name(minutes, arrived).as_deref(), Some(expected), "{minutes} {arrived}");
    }
}

/// A refusal is open until something recorded tries it again.
#[test]
fn a_refusal_was_open_until_it_was_tried_again() {
    let mut entries = told(&[(0, 100, 10, false), (0, 100, 20, true)]);
    entries[2].retries = Some(entries[1].id);
    let open = |n: usize| {
        let known_at = Some(entries[n - 1].recorded_at);
        View { as_of: None, known_at }.open_refusals(&entries)
    };
    assert_eq!((open(1), open(2), open(3)), (vec![], vec![entries[1].id], vec![]));
}
