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
use rules::{Entry, Facts, Kind, Quantity, Subject, SubjectKind, World};
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
        steps in proptest::collection::vec((0u8..23, 0i64..150, 1i64..500, any::<bool>()), 0..40)
    ) {
        let mut world = World::new(Uuid::from_u128(9));
        world.histories.insert(Subject::casing(CASING), Vec::new());
        let mut entries = vec![acquired()];
        for (i, (choice, amount, minutes, recorded)) in steps.into_iter().enumerate() {
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
}
