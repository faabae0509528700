//! What is still to be done about a tire on an axle.
//!
//! Sources: the nuts after 50 to 100 miles, vehicle makers' manuals; in seven days where no
//! odometer tells, common practice, no published source; air for the weight, 49 CFR 393.75(g),
//! (i)(1) and the rows of 295/75R22.5 as the scenarios' load table has them.

use crate::ledger::{Ledger, at, id, installed};
use crate::loads::{weigh, with_table};
use chrono::{DateTime, FixedOffset};
use rules::due::{self, Due, When};
use rules::{Kind, Quantity, Subject, SubjectKind, World};
use serde_json::{Value, json};

/// What is due of A, loaded from nothing, as a store would.
fn due(shop: &Ledger, moment: DateTime<FixedOffset>) -> Vec<Due> {
    let mut world = World::new(shop.all.org);
    let casing = Subject::casing(id("A"));
    world.heads.insert(casing, shop.all.heads[&casing].clone());
    loop {
        let wants = due::wants(&world);
        if wants.is_empty() {
            return due::due(&world, id("A"), moment.to_utc());
        }
        for subject in wants.subjects {
            world.heads.insert(subject, shop.all.heads.get(&subject).cloned().unwrap_or_default());
        }
        for kind in wants.charts {
            let charts = shop.all.heads.iter().filter(|(head, _)| head.kind == SubjectKind::Chart);
            world.heads.extend(charts.map(|(subject, head)| (*subject, head.clone())));
            world.charts.insert(kind);
        }
    }
}

/// On the front axle of T1 at 09:10.
fn on_axle(shop: &mut Ledger, odometer_mi: Option<i64>) {
    shop.released("A", "steel_radial", "W1");
    let mut facts = installed("A", "1L");
    facts["odometer_mi"] = json!(odometer_mi);
    shop.must(Kind::Installed, Subject::casing(id("A")), "09:10", facts);
}

/// There too, read at this pressure, its axle weighed at this load.
fn weighed(shop: &mut Ledger, psi: i64, axle_lb: f64) {
    on_axle(shop, None);
    shop.must(Kind::PressureRead, Subject::casing(id("A")), "09:30", json!({"psi": psi}));
    weigh(shop, "T1", "10:00", 1, axle_lb);
}

fn recheck(due: &[Due]) -> Value {
    let one = due.iter().find(|one| matches!(one, Due::TorqueRecheck { .. }));
    serde_json::to_value(one).unwrap()
}

fn when(due: &[Due]) -> Option<When> {
    due.iter().find_map(|one| match one {
        Due::TorqueRecheck { when, .. } => Some(*when),
        Due::AirUpBeforeItMoves { .. } => None,
    })
}

#[test]
fn the_odometer_tells_when_nuts_are_checked_again() {
    for (read, expected) in [
        (150_049.99, When::Later),
        (150_050.0, When::Now),
        (150_100.0, When::Now),
        (150_100.01, When::Overdue),
    ] {
        let mut shop = Ledger::shop();
        on_axle(&mut shop, Some(150_000));
        let truck = Subject::of(SubjectKind::Vehicle, id("T1"));
        shop.must(Kind::OdometerRead, truck, "12:00", json!({"odometer_mi": read}));
        let due = due(&shop, at("12:01"));
        assert_eq!(when(&due), Some(expected), "{read}");
        let shown = recheck(&due);
        assert_eq!(
            (&shown["from_mi"], &shown["overdue_after_mi"]),
            (&json!(150_050), &json!(150_100))
        );
        assert_eq!(shown.get("by"), None, "miles are known");
    }
}

#[test]
fn the_depots_day_tells_where_no_odometer_does() {
    let mut shop = Ledger::shop();
    on_axle(&mut shop, None);
    for (moment, expected) in [
        ("2026-03-08T23:59:59-05:00", When::Later),
        ("2026-03-09T00:00:00-05:00", When::Now),
        ("2026-03-09T23:59:59-05:00", When::Now),
        ("2026-03-10T00:00:00-05:00", When::Overdue),
    ] {
        let due = due(&shop, DateTime::parse_from_rfc3339(moment).unwrap());
        assert_eq!(when(&due), Some(expected), "{moment}");
        assert_eq!(recheck(&due)["by"], "2026-03-09");
    }
}

/// A reading from before the nuts were fastened, or lower than then, tells no miles.
#[test]
fn an_odometer_counts_only_from_where_it_was_read_then() {
    let truck = Subject::of(SubjectKind::Vehicle, id("T1"));
    for (clock, read) in [("09:09", 150_200), ("12:00", 149_000)] {
        let mut shop = Ledger::shop();
        if clock < "09:10" {
            shop.must(Kind::OdometerRead, truck, clock, json!({"odometer_mi": read}));
        }
        on_axle(&mut shop, Some(150_000));
        if clock > "09:10" {
            shop.must(Kind::OdometerRead, truck, clock, json!({"odometer_mi": read}));
        }
        let shown = recheck(&due(&shop, at("12:01")));
        assert_eq!((&shown["when"], &shown["by"]), (&json!("later"), &json!("2026-03-09")));
        assert_eq!(shown["from_mi"], 150_050, "and the miles too, for who reads it again");
    }
}

#[test]
fn checked_nuts_and_spares_are_not_due() {
    let mut shop = Ledger::shop();
    on_axle(&mut shop, Some(150_000));
    let torqued = json!({"torque_ft_lb": 475, "odometer_mi": 150_060});
    shop.must(Kind::Torqued, Subject::casing(id("A")), "12:00", torqued);
    assert_eq!(due(&shop, at("12:01")), []);

    let mut shop = Ledger::shop();
    shop.released("A", "steel_radial", "W1");
    shop.must(Kind::Installed, Subject::casing(id("A")), "09:10", installed("A", "SP1"));
    assert_eq!(due(&shop, at("12:01")), []);
}

/// 5,510 lb at 95 psi and 5,780 lb at 100 psi single; the sidewall's 6,610 lb at 120 psi.
#[test]
fn too_little_air_for_the_weight_is_said_where_more_air_would_do() {
    for (axle_lb, psi, needed) in [
        (11_020.0, 95, None),
        (11_020.01, 95, Some((100, true))),
        (11_560.0, 100, None),
        (11_560.01, 100, Some((110, true))),
        // What was read above the set pressure of 100 psi may have been warm.
        (11_560.01, 110, Some((110, true))),
        (12_350.01, 110, Some((120, true))),
        // What no pressure carries is a doubt, not a matter of air.
        (13_220.01, 110, None),
    ] {
        let mut shop = with_table();
        weighed(&mut shop, psi, axle_lb);
        let due = due(&shop, at("12:01"));
        let found = due.iter().find_map(|one| match one {
            Due::AirUpBeforeItMoves { needed_psi, from_memory, say, .. } => {
                assert_eq!(say.contains("from memory"), *from_memory, "{say}");
                assert_eq!(say.contains("raise"), needed_psi > &Quantity::whole(100), "{say}");
                Some((needed_psi.to_string().parse::<i64>().unwrap(), *from_memory))
            }
            Due::TorqueRecheck { .. } => None,
        });
        assert_eq!(found, needed, "{axle_lb} at {psi}");
    }
}

/// Without a load table nothing is promised; nobody is told to put air in a suspect tire.
#[test]
fn a_suspect_tire_is_not_to_be_aired_up() {
    let mut shop = with_table();
    weighed(&mut shop, 95, 11_500.0);
    assert_eq!(due(&shop, at("12:01")).len(), 2);
    shop.casing(Kind::PressureRead, "A", "11:00", json!({"psi": 70}));
    assert_eq!(due(&shop, at("12:01")).len(), 1, "run low: only the nuts");

    let mut shop = Ledger::shop();
    weighed(&mut shop, 95, 11_500.0);
    assert_eq!(due(&shop, at("12:01")).len(), 1);
}
