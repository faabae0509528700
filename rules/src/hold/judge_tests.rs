//! Worked series: pressure decay at constant volume with temperature taken out
//! (ideal gas law); 20 psi over for 20 minutes is common practice, no published source.

use super::super::Grade;
use super::*;
use proptest::prelude::*;
use serde_json::Value;

fn fine() -> Gauge {
    Gauge {
        span_psi: Quantity::whole(200),
        grade: Grade::TwoA,
        resolution_psi: Quantity::from_hundredths(10),
        in_calibration: true,
    }
}

fn shop() -> Gauge {
    Gauge { grade: Grade::B, resolution_psi: Quantity::whole(2), ..fine() }
}

fn input(gauge: Gauge, readings: &[Reading]) -> HoldInput<'_> {
    HoldInput {
        kind: HoldKind::Extended,
        evidence: Evidence::Logged,
        supply_isolated: true,
        target_psi: Quantity::whole(120),
        limit_psi: Quantity::whole(135),
        at_limit: false,
        required_s: Quantity::whole(1200),
        gauge,
        readings,
        events: &[],
        signs: false,
        altitude_ft: Quantity::ZERO,
    }
}

fn readings(json: &str) -> Vec<Reading> {
    serde_json::from_str(json).unwrap()
}

/// A reading each minute from 0 to `until`, changed by `change`.
fn minutes(until: i64, temp_f: Option<i64>, change: impl Fn(i64) -> f64) -> Vec<Reading> {
    (0..=until)
        .map(|minute| Reading {
            at_s: Quantity::whole(minute * 60),
            psi: Quantity::nearest(change(minute)),
            temp_f: temp_f.map(Quantity::whole),
        })
        .collect()
}

fn verdict(input: &HoldInput<'_>) -> Verdict {
    judge(input).unwrap().verdict
}

#[test]
fn ten_worked_series_come_out_as_written() {
    let series: Vec<Value> =
        serde_json::from_str(include_str!("../../tests/data/proof_hold_examples.json")).unwrap();
    assert_eq!(series.len(), 10);
    for one in &series {
        let readings: Vec<Reading> =
            serde_json::from_value(one["samples_s_psi_f"].clone()).unwrap();
        let quantity = |value: &Value| Quantity::exact(value.as_f64().unwrap()).unwrap();
        let gauge = Gauge {
            span_psi: quantity(&one["gauge"]["span_psi"]),
            grade: serde_json::from_value(one["gauge"]["grade"].clone()).unwrap(),
            resolution_psi: quantity(&one["gauge"]["resolution_psi"]),
            in_calibration: one["gauge"]["in_calibration"].as_bool().unwrap(),
        };
        let input = HoldInput {
            target_psi: quantity(&one["target_psi"]),
            limit_psi: quantity(&one["limit_psi"]),
            ..input(gauge, &readings)
        };
        let result = judge(&input).unwrap();
        assert_eq!(serde_json::to_value(result.verdict).unwrap(), one["verdict"], "{}", one["id"]);
        let segment = &one["segment"];
        if segment.is_null() {
            continue;
        }
        assert_eq!(result.start_s, Some(quantity(&segment["start_s"])), "{}", one["id"]);
        assert_eq!(result.duration_s, Some(quantity(&segment["duration_s"])), "{}", one["id"]);
        let drop = segment["drop_compensated"].as_f64().unwrap();
        assert!((result.drop_psi.unwrap().to_f64() - drop).abs() <= 0.005 + 1e-9, "{}", one["id"]);
        assert_eq!(
            result.uncertainty_psi,
            Some(quantity(&segment["uncertainty"])),
            "{}",
            one["id"]
        );
    }
}

#[test]
fn gap_of_sixty_seconds_is_no_gap() {
    let mut steady = minutes(21, Some(70), |_| 120.3);
    assert_eq!(verdict(&input(fine(), &steady)), Verdict::Pass);
    for reading in steady.iter_mut().skip(10) {
        reading.at_s = reading.at_s + Quantity::whole(1);
    }
    // One second more breaks the logged run; below the mark nothing is watched either.
    for reading in &mut steady {
        reading.psi = Quantity::from_hundredths(11_990);
    }
    assert_eq!(verdict(&input(fine(), &steady)), Verdict::Inconclusive);
}

#[test]
fn band_edges_are_inside() {
    for (psi, expected) in
        [(119.5, Verdict::Pass), (119.49, Verdict::Inconclusive), (122.0, Verdict::Pass)]
    {
        let steady = minutes(20, Some(70), |_| psi);
        assert_eq!(verdict(&input(fine(), &steady)), expected, "{psi}");
    }
    // Above the band no logged run passes; the same readings pass when watched.
    let result = judge(&input(fine(), &minutes(20, Some(70), |_| 122.01))).unwrap();
    assert_eq!((result.verdict, result.judged_as), (Verdict::Pass, Evidence::Watched));
}

#[test]
fn one_step_of_the_gauge_over_the_limit_is_no_pass_and_no_failure() {
    let over =
        |psi: f64| minutes(20, Some(70), move |minute| if minute == 10 { psi } else { 120.9 });
    for (psi, expected) in
        [(121.0, Verdict::Pass), (121.1, Verdict::Inconclusive), (121.2, Verdict::OverLimit)]
    {
        let readings = over(psi);
        let input = HoldInput { limit_psi: Quantity::whole(121), ..input(fine(), &readings) };
        assert_eq!(verdict(&input), expected, "{psi}");
    }
}

#[test]
fn missing_temperatures_are_judged_as_watched() {
    let step = |low: f64| minutes(20, None, move |minute| if minute >= 10 { low } else { 120.3 });
    assert_eq!(verdict(&input(fine(), &step(120.0))), Verdict::Pass);
    assert_eq!(verdict(&input(fine(), &step(119.8))), Verdict::Inconclusive);
}

#[test]
fn watched_hold_of_a_shop_gauge() {
    for (json, expected) in [
        ("[[0,120],[300,120],[600,120],[900,120],[1200,120]]", Verdict::Pass),
        ("[[0,120],[300,120],[600,118],[900,120],[1200,120]]", Verdict::Inconclusive),
        ("[[0,120],[301,120],[600,120],[900,120],[1200,120]]", Verdict::Inconclusive),
        ("[[0,120],[300,120],[600,120],[900,120],[1199,120]]", Verdict::Inconclusive),
        ("[[0,60],[60,120],[360,120],[660,120],[960,120],[1260,120]]", Verdict::Pass),
    ] {
        let readings = readings(json);
        let input = HoldInput { evidence: Evidence::Watched, ..input(shop(), &readings) };
        assert_eq!(verdict(&input), expected, "{json}");
    }
}

#[test]
fn held_at_the_limit() {
    for (json, kind, expected) in [
        ("[[0,60],[60,109.6]]", HoldKind::Standard, Verdict::Pass),
        ("[[0,60],[60,107.5]]", HoldKind::Standard, Verdict::Pass),
        ("[[0,60],[60,107.4]]", HoldKind::Standard, Verdict::Inconclusive),
        ("[[0,110],[300,110],[600,108],[900,108],[1200,108]]", HoldKind::Extended, Verdict::Pass),
        (
            "[[0,110],[300,110],[600,106],[900,108],[1200,108]]",
            HoldKind::Extended,
            Verdict::Inconclusive,
        ),
    ] {
        let readings = readings(json);
        let input = HoldInput {
            kind,
            evidence: Evidence::Watched,
            limit_psi: Quantity::whole(110),
            at_limit: true,
            ..input(shop(), &readings)
        };
        assert_eq!(verdict(&input), expected, "{json}");
    }
}

#[test]
fn poor_gauge_neither_passes_nor_leaks_but_sees_the_limit_passed() {
    let out = Gauge { in_calibration: false, ..fine() };
    let steady = minutes(20, Some(70), |_| 120.3);
    assert_eq!(verdict(&input(out, &steady)), Verdict::Inconclusive);
    let leaking = minutes(20, Some(70), |minute| 121.9 - 0.12 * minute as f64);
    assert_eq!(verdict(&input(out, &leaking)), Verdict::Inconclusive);
    assert_eq!(verdict(&input(fine(), &leaking)), Verdict::Leak);
    let over = readings("[[0,120.4,70],[60,120.4,70],[120,125.2,70]]");
    let input = HoldInput { limit_psi: Quantity::whole(125), ..input(out, &over) };
    assert_eq!(verdict(&input), Verdict::OverLimit);
}

#[test]
fn fall_of_two_psi_is_sudden_unless_it_was_bled() {
    let fall =
        |by: f64| minutes(20, Some(70), move |minute| if minute >= 5 { 121.9 - by } else { 121.9 });
    assert_eq!(verdict(&input(fine(), &fall(1.99))), Verdict::Leak);
    assert_eq!(verdict(&input(fine(), &fall(2.0))), Verdict::SuddenLoss);
    let readings = fall(2.0);
    let bled = [HoldEvent { at_s: Quantity::whole(240), what: HoldEventKind::Bled }];
    let input = HoldInput { events: &bled, ..input(fine(), &readings) };
    assert_eq!(verdict(&input), Verdict::Inconclusive);
}

#[test]
fn policy_may_ask_for_longer() {
    let readings = minutes(20, Some(70), |_| 120.3);
    let input = HoldInput { required_s: Quantity::whole(1500), ..input(fine(), &readings) };
    assert_eq!(verdict(&input), Verdict::Inconclusive);
}

#[test]
fn malformed_readings_are_no_verdict() {
    for (json, expected) in [
        ("[]", HoldError::NoReadings),
        ("[[0,120],[0,120]]", HoldError::OutOfOrder(1)),
        ("[[0,120],[60,-1]]", HoldError::Negative(1)),
    ] {
        assert_eq!(judge(&input(fine(), &readings(json))), Err(expected));
    }
}

fn any_readings() -> impl Strategy<Value = Vec<Reading>> {
    proptest::collection::vec((1i64..400, 0i64..20_000, proptest::option::of(0i64..12_000)), 1..60)
        .prop_map(|rows| {
            let mut at = 0;
            rows.into_iter()
                .map(|(gap, psi, temp)| {
                    at += gap;
                    Reading {
                        at_s: Quantity::whole(at),
                        psi: Quantity::from_hundredths(psi),
                        temp_f: temp.map(Quantity::from_hundredths),
                    }
                })
                .collect()
        })
}

proptest! {
    #[test]
    fn over_the_limit_is_always_seen(mut readings in any_readings(), place in any::<prop::sample::Index>()) {
        let i = place.index(readings.len());
        readings[i].psi = Quantity::from_hundredths(13_511);
        prop_assert_eq!(verdict(&input(fine(), &readings)), Verdict::OverLimit);
    }

    #[test]
    fn signs_never_pass_and_poor_gauges_neither_pass_nor_leak(readings in any_readings()) {
        let signs = HoldInput { signs: true, ..input(fine(), &readings) };
        prop_assert_ne!(verdict(&signs), Verdict::Pass);
        let out = input(Gauge { in_calibration: false, ..fine() }, &readings);
        prop_assert!(!matches!(verdict(&out), Verdict::Pass | Verdict::Leak));
    }

    #[test]
    fn a_later_start_of_the_clock_changes_nothing(readings in any_readings(), later in 0i64..5000) {
        let moved: Vec<Reading> =
            readings.iter().map(|r| Reading { at_s: r.at_s + Quantity::whole(later), ..*r }).collect();
        prop_assert_eq!(verdict(&input(fine(), &readings)), verdict(&input(fine(), &moved)));
    }

    #[test]
    fn readings_after_the_vent_within_the_limit_change_nothing(readings in any_readings(), low in 0i64..13_500) {
        let last = readings[readings.len() - 1];
        let vent = [HoldEvent { at_s: last.at_s, what: HoldEventKind::Vent }];
        let mut longer = readings.clone();
        longer.push(Reading { at_s: last.at_s + Quantity::whole(30), psi: Quantity::from_hundredths(low), temp_f: None });
        let short = HoldInput { events: &vent, ..input(fine(), &readings) };
        let long = HoldInput { events: &vent, ..input(fine(), &longer) };
        prop_assert_eq!(judge(&short).unwrap(), judge(&long).unwrap());
    }
}
