//! What holds for any readings whatever. Sources: pressure-decay practice and
//! common practice, no published source, as in the tables.

use super::tests::{event, extended, fine, psi, shop, verdict};
use super::{
    Evidence, Gauge, Grade, HoldEvent, HoldEventKind, HoldInput, HoldKind, HoldResult, Reading,
    Verdict, judge,
};
use crate::Quantity;
use proptest::prelude::*;

/// Seconds between readings, at the limits and around them, seldom long.
fn apart() -> impl Strategy<Value = i64> {
    prop_oneof![12 => Just(60i64), 2 => 1i64..60, 1 => 61i64..400, 1 => prop::sample::select(vec![61, 300, 301])]
}

/// How the pressure moves from reading to reading, in hundredths of psi.
fn movement() -> impl Strategy<Value = i64> {
    prop_oneof![20 => -8i64..6, 2 => -60i64..60, 1 => -250i64..250]
}

/// A hold that lasts about as long as it should, near 120 psi, with its failings.
fn plausible() -> impl Strategy<Value = Vec<Reading>> {
    let reading = (apart(), movement(), -20i64..20, prop::bool::weighted(0.995));
    (11_900i64..12_300, prop::collection::vec(reading, 5..40), prop::bool::weighted(0.8)).prop_map(
        |(start, rows, with_temps)| {
            let (mut at_s, mut pressure, mut temp) = (0, start, 7_000);
            rows.into_iter()
                .map(|(apart, movement, warming, told)| {
                    at_s += apart;
                    pressure += movement;
                    temp += warming;
                    Reading {
                        at_s: Quantity::whole(at_s),
                        psi: Quantity::from_hundredths(pressure),
                        temp_f: (told && with_temps).then(|| Quantity::from_hundredths(temp)),
                    }
                })
                .collect()
        },
    )
}

fn events() -> impl Strategy<Value = Vec<HoldEvent>> {
    let what = prop::sample::select(vec![HoldEventKind::Bled, HoldEventKind::Vent]);
    let one = (0i64..3000, what).prop_map(|(at_s, what)| event(at_s, what));
    prop_oneof![4 => Just(Vec::new()), 1 => prop::collection::vec(one, 1..4)]
}

fn any_gauge() -> impl Strategy<Value = Gauge> {
    let grade = prop::sample::select(vec![Grade::TwoA, Grade::A, Grade::B, Grade::D]);
    (grade, prop::sample::select(vec![10i64, 50, 200, 500]), any::<bool>()).prop_map(
        |(grade, step, in_calibration)| Gauge {
            grade,
            resolution_psi: Quantity::from_hundredths(step),
            in_calibration,
            ..fine()
        },
    )
}

/// Any amount that JSON can say.
fn any_amount() -> impl Strategy<Value = Quantity> {
    prop_oneof![-20_000i64..20_000, -100_000_000_000_000i64..100_000_000_000_000]
        .prop_map(Quantity::from_hundredths)
}

fn any_reading() -> impl Strategy<Value = Reading> {
    (any_amount(), any_amount(), prop::option::of(any_amount()))
        .prop_map(|(at_s, psi, temp_f)| Reading { at_s, psi, temp_f })
}

/// Seconds and pressures of what a pass may stand on, checked reading by reading.
fn pass_stands_on_complete_evidence(input: &HoldInput<'_>, result: &HoldResult) {
    let start_s = result.start_s.expect("a pass shows its run");
    let end_s = start_s + input.required_s;
    let from =
        input.readings.iter().position(|r| r.at_s == start_s).expect("it starts at a reading");
    let closing = input.readings.iter().position(|r| r.at_s >= end_s).expect("it reaches its end");
    let run = &input.readings[from..=closing];
    let (gap, low) = match result.judged_as {
        Evidence::Logged => (60, 11_950),
        Evidence::Watched => (300, 12_000),
    };
    for pair in run.windows(2) {
        assert!(pair[1].at_s - pair[0].at_s <= Quantity::whole(gap), "no gap");
        let rise = (pair[1].psi - pair[0].psi).hundredths();
        assert!(rise < 80.max(input.gauge.resolution_psi.hundredths()), "no air added");
    }
    for reading in run.iter().filter(|reading| reading.at_s <= end_s) {
        assert!(reading.psi.hundredths() >= low && reading.psi <= input.limit_psi);
        if result.judged_as == Evidence::Logged {
            assert!(reading.temp_f.is_some() && input.supply_isolated);
            assert!(reading.psi <= psi(122.0));
        }
    }
    for event in input.events {
        assert!(event.at_s < start_s || event.at_s >= run[run.len() - 1].at_s, "no air let out");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn nothing_that_json_can_say_makes_it_panic(
        mut readings in prop::collection::vec(any_reading(), 0..30),
        in_order in any::<bool>(),
        target_psi in any_amount(),
        limit_psi in any_amount(),
        required_s in any_amount(),
        altitude_ft in any_amount(),
        gauge in any_gauge(),
        span_psi in any_amount(),
        resolution_psi in any_amount(),
        at_limit in any::<bool>(),
    ) {
        if in_order {
            readings.sort_by_key(|reading| reading.at_s);
            readings.dedup_by_key(|reading| reading.at_s);
            for reading in &mut readings {
                reading.psi = Quantity::from_hundredths(reading.psi.hundredths().abs());
                reading.temp_f = reading.temp_f.map(|t| Quantity::from_hundredths(t.hundredths().abs()));
            }
        }
        let malformed = readings.is_empty()
            || readings.windows(2).any(|pair| pair[0].at_s >= pair[1].at_s)
            || readings.iter().any(|r| r.psi < Quantity::ZERO)
            || readings.iter().filter_map(|r| r.temp_f).any(|t| t <= psi(-459.67));
        for kind in [HoldKind::Standard, HoldKind::Extended] {
            let gauge = Gauge { span_psi, resolution_psi, ..gauge };
            let input = HoldInput {
                kind, target_psi, limit_psi, required_s, altitude_ft, at_limit, ..extended(gauge, &readings)
            };
            prop_assert_eq!(judge(&input).is_err(), malformed);
        }
    }

    /// The ledger keeps the result in hundredths and reads it back.
    #[test]
    fn result_is_the_same_after_json(readings in plausible(), gauge in any_gauge(), events in events()) {
        let result = judge(&HoldInput { events: &events, ..extended(gauge, &readings) }).unwrap();
        let json = serde_json::to_string(&result).unwrap();
        prop_assert_eq!(&serde_json::from_str::<HoldResult>(&json).unwrap(), &result);
        prop_assert!(!result.because.is_empty());
        for say in &result.because {
            prop_assert!(say.split_whitespace().count() <= 25, "{say}");
        }
    }

    #[test]
    fn over_the_limit_is_seen_always_and_only_then(
        readings in plausible(), gauge in any_gauge(), events in events(), limit in 11_800i64..12_800,
    ) {
        let limit_psi = Quantity::from_hundredths(limit);
        let over = readings.iter().any(|reading| reading.psi > limit_psi + gauge.resolution_psi);
        let input = HoldInput { limit_psi, events: &events, ..extended(gauge, &readings) };
        prop_assert_eq!(verdict(&input) == Verdict::OverLimit, over);
    }

    #[test]
    fn pass_needs_complete_evidence(
        readings in plausible(), gauge in any_gauge(), events in events(), supply_isolated in any::<bool>(),
    ) {
        let input = HoldInput { events: &events, supply_isolated, limit_psi: psi(125.0), ..extended(gauge, &readings) };
        let result = judge(&input).unwrap();
        if result.verdict == Verdict::Pass {
            pass_stands_on_complete_evidence(&input, &result);
        }
    }

    #[test]
    fn signs_never_pass_and_change_nothing_else(readings in plausible(), gauge in any_gauge()) {
        let without = extended(gauge, &readings);
        let with = HoldInput { signs: true, ..without };
        let expected = match verdict(&without) {
            Verdict::Pass => Verdict::Inconclusive,
            other => other,
        };
        prop_assert_eq!(verdict(&with), expected);
    }

    #[test]
    fn untrusted_gauge_neither_passes_nor_leaks(readings in plausible(), coarse in any::<bool>()) {
        let gauge = if coarse {
            Gauge { grade: Grade::D, ..fine() }
        } else {
            Gauge { in_calibration: false, ..fine() }
        };
        for kind in [HoldKind::Standard, HoldKind::Extended] {
            let input = HoldInput { kind, ..extended(gauge, &readings) };
            prop_assert!(!matches!(verdict(&input), Verdict::Pass | Verdict::Leak));
            // What needs no trust in it is seen all the same.
            let trusted = verdict(&HoldInput { kind, ..extended(fine(), &readings) });
            if matches!(trusted, Verdict::SuddenLoss | Verdict::OverLimit) {
                prop_assert_eq!(verdict(&input), trusted);
            }
        }
    }

    #[test]
    fn readings_after_the_vent_within_the_limit_change_nothing(
        readings in plausible(), after in prop::collection::vec(0i64..13_500, 1..5),
    ) {
        let last_s = readings[readings.len() - 1].at_s;
        let vent = [HoldEvent { at_s: last_s, what: HoldEventKind::Vent }];
        let later = after.iter().zip(1..).map(|(&low, i)| Reading {
            at_s: last_s + Quantity::whole(30 * i),
            psi: Quantity::from_hundredths(low),
            temp_f: None,
        });
        let longer: Vec<Reading> = readings.iter().copied().chain(later).collect();
        let short = HoldInput { events: &vent, ..extended(fine(), &readings) };
        let long = HoldInput { events: &vent, ..extended(fine(), &longer) };
        prop_assert_eq!(judge(&short), judge(&long));
    }

    #[test]
    fn readings_after_a_pass_can_only_fail_it(
        readings in plausible(), events in events(), gauge in prop::sample::select(vec![fine(), shop()]),
        cut in any::<prop::sample::Index>(),
    ) {
        let whole = HoldInput { events: &events, ..extended(gauge, &readings) };
        let part = HoldInput { readings: &readings[..=cut.index(readings.len())], ..whole };
        if verdict(&part) == Verdict::Pass {
            prop_assert_ne!(verdict(&whole), Verdict::Inconclusive);
        }
    }

    #[test]
    fn one_more_reading_never_hides_a_sudden_loss(
        readings in plausible(), after in any::<prop::sample::Index>(), pressure in 11_000i64..13_500,
    ) {
        let before = verdict(&extended(fine(), &readings));
        let i = after.index(readings.len());
        let between = Reading {
            at_s: Quantity::from_hundredths(readings[i].at_s.hundredths() + 50),
            psi: Quantity::from_hundredths(pressure),
            temp_f: None,
        };
        let mut more = readings.clone();
        more.insert(i + 1, between);
        if before == Verdict::SuddenLoss {
            prop_assert_eq!(verdict(&extended(fine(), &more)), Verdict::SuddenLoss);
        }
    }

    #[test]
    fn a_later_start_of_the_clock_changes_nothing(
        readings in plausible(), events in events(), later in 0i64..5000,
    ) {
        let later = Quantity::whole(later);
        let moved: Vec<Reading> =
            readings.iter().map(|r| Reading { at_s: r.at_s + later, ..*r }).collect();
        let moved_events: Vec<HoldEvent> =
            events.iter().map(|e| HoldEvent { at_s: e.at_s + later, ..*e }).collect();
        let here = judge(&HoldInput { events: &events, ..extended(fine(), &readings) }).unwrap();
        let there = judge(&HoldInput { events: &moved_events, ..extended(fine(), &moved) }).unwrap();
        let back = HoldResult {
            start_s: there.start_s.map(|start_s| start_s - later),
            because: here.because.clone(),
            ..there
        };
        prop_assert_eq!(back, here);
    }
}

/// The readings made up above are worth something: they reach every verdict.
#[test]
fn plausible_readings_reach_every_verdict() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    let mut runner = TestRunner::deterministic();
    let mut seen = [0; 6];
    for _ in 0..4000 {
        let readings = plausible().new_tree(&mut runner).unwrap().current();
        let result =
            judge(&HoldInput { limit_psi: psi(125.0), ..extended(fine(), &readings) }).unwrap();
        seen[match (result.verdict, result.judged_as) {
            (Verdict::Pass, Evidence::Logged) => 0,
            (Verdict::Pass, Evidence::Watched) => 1,
            (Verdict::Leak, _) => 2,
            (Verdict::SuddenLoss, _) => 3,
            (Verdict::OverLimit, _) => 4,
            (Verdict::Inconclusive, _) => 5,
        }] += 1;
    }
    assert!(seen.iter().all(|&times| times >= 20), "{seen:?}");
}
