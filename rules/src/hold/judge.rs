//! The judgement of readings.

use super::{Evidence, Gauge, HoldEvent, HoldEventKind, HoldKind, HoldResult, Reading, Verdict};
use crate::Quantity;
use crate::gas::{atmosphere_psi, rankine};
use std::fmt;

/// A reading counts for the hold from this far below the target, psi.
const BAND_BELOW: Quantity = Quantity::from_hundredths(50);
/// A reading counts up to this far above the target, psi.
const BAND_ABOVE: Quantity = Quantity::whole(2);
/// Held at the limit, a reading counts from this far below it, psi.
const BAND_BELOW_LIMIT: Quantity = Quantity::from_hundredths(250);
/// The casing stretches after inflation; this long is left out of the loss.
const SETTLE_S: Quantity = Quantity::whole(120);
/// Logged readings are at most this far apart.
const LOGGED_GAP_S: Quantity = Quantity::whole(60);
/// Watched readings are at most this far apart.
const WATCHED_GAP_S: Quantity = Quantity::whole(300);
/// A loss of more than this, after temperature and uncertainty, is a leak, psi.
const LEAK_PSI: f64 = 1.5;
/// A fall of this much between two readings is a sudden loss, psi.
const SUDDEN: Quantity = Quantity::whole(2);
/// A rise of this much between two readings is air added, psi.
const AIR_ADDED: Quantity = Quantity::from_hundredths(80);
/// Temperature may change by this much, degrees Fahrenheit.
const SWING_F: Quantity = Quantity::whole(10);
/// Temperature that was not taken may have changed by this much, degrees Fahrenheit.
const UNKNOWN_SWING_F: f64 = 5.0;
/// The uncertainty of a pressure is never less, psi.
const LEAST_UNCERTAINTY_PSI: f64 = 0.1;
/// Computed values at a limit count in favour of the limit.
const TOLERANCE: f64 = 1e-9;

/// What a judgement is made of.
#[derive(Clone, Copy, Debug)]
pub struct HoldInput<'a> {
    /// What the hold has to show.
    pub kind: HoldKind,
    /// How the readings were taken.
    pub evidence: Evidence,
    /// The supply was shut off from the tire.
    pub supply_isolated: bool,
    /// Set pressure and overpressure.
    pub target_psi: Quantity,
    /// The pressure that may not be passed.
    pub limit_psi: Quantity,
    /// Held at the limit in place of the target.
    pub at_limit: bool,
    /// How long an extended hold lasts.
    pub required_s: Quantity,
    /// The gauge.
    pub gauge: Gauge,
    /// The readings, in order.
    pub readings: &'a [Reading],
    /// What was done to the air.
    pub events: &'a [HoldEvent],
    /// A sign of a zipper rupture was seen, felt or heard.
    pub signs: bool,
    /// Height of the depot above the sea.
    pub altitude_ft: Quantity,
}

/// Readings that cannot be judged: an input error, no verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HoldError {
    /// There is none.
    NoReadings,
    /// This reading is not later than the one before it.
    OutOfOrder(usize),
    /// This reading is below zero.
    Negative(usize),
}

impl fmt::Display for HoldError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            HoldError::NoReadings => f.write_str("a hold needs readings"),
            HoldError::OutOfOrder(i) => {
                write!(f, "reading {i} is not later than the one before it")
            }
            HoldError::Negative(i) => write!(f, "reading {i} is below zero"),
        }
    }
}

impl std::error::Error for HoldError {}

/// Judges the readings of a proof hold.
///
/// # Errors
/// [`HoldError`] where the readings are malformed.
pub fn judge(input: &HoldInput<'_>) -> Result<HoldResult, HoldError> {
    well_formed(input.readings)?;
    let case = Case::of(input);
    let mut result = HoldResult {
        verdict: Verdict::Inconclusive,
        judged_as: if case.complete_for_logged() { Evidence::Logged } else { Evidence::Watched },
        target_psi: input.target_psi,
        limit_psi: input.limit_psi,
        at_limit: input.at_limit,
        error_bound_psi: input.gauge.error_psi(case.target),
        start_s: None,
        duration_s: None,
        drop_psi: None,
        uncertainty_psi: None,
        because: Vec::new(),
    };
    let (verdict, because) = case.verdict(&mut result);
    result.because.push(because);
    result.verdict = verdict;
    if input.signs && verdict == Verdict::Pass {
        result.verdict = Verdict::Inconclusive;
        result
            .because
            .push("A sign of a zipper rupture was found: no pressure clears that.".to_owned());
    }
    Ok(result)
}

fn well_formed(readings: &[Reading]) -> Result<(), HoldError> {
    if readings.is_empty() {
        return Err(HoldError::NoReadings);
    }
    if let Some(i) = readings.iter().position(|reading| reading.psi < Quantity::ZERO) {
        return Err(HoldError::Negative(i));
    }
    match readings.windows(2).position(|pair| pair[1].at_s <= pair[0].at_s) {
        Some(i) => Err(HoldError::OutOfOrder(i + 1)),
        None => Ok(()),
    }
}

struct Case<'a> {
    input: &'a HoldInput<'a>,
    /// The target, or the limit where it was held at the limit.
    target: Quantity,
    /// The lowest pressure that counts.
    low: Quantity,
    /// The highest pressure that counts, never above the limit.
    high: Quantity,
    /// Readings from the first that counts to the vent.
    region: &'a [Reading],
}

/// The loss over a run of readings.
#[derive(Clone, Copy)]
struct Loss {
    psi: f64,
    uncertainty: f64,
}

impl<'a> Case<'a> {
    fn of(input: &'a HoldInput<'a>) -> Case<'a> {
        let (target, low, high) = if input.at_limit {
            (input.limit_psi, input.limit_psi - BAND_BELOW_LIMIT, input.limit_psi)
        } else {
            let high = (input.target_psi + BAND_ABOVE).min(input.limit_psi);
            (input.target_psi, input.target_psi - BAND_BELOW, high)
        };
        let vent =
            input.events.iter().filter(|e| e.what == HoldEventKind::Vent).map(|e| e.at_s).min();
        let end = vent.map_or(input.readings.len(), |vent| {
            input.readings.partition_point(|reading| reading.at_s <= vent)
        });
        let before_vent = &input.readings[..end];
        let start = before_vent.iter().position(|reading| reading.psi >= low).unwrap_or(end);
        Case { input, target, low, high, region: &before_vent[start..] }
    }

    fn complete_for_logged(&self) -> bool {
        self.input.evidence == Evidence::Logged
            && self.input.supply_isolated
            && self.input.gauge.fit_for_logged(self.target)
    }

    fn verdict(&self, result: &mut HoldResult) -> (Verdict, String) {
        let gauge = &self.input.gauge;
        // Taken over the limit, before or after the vent: that did happen to the casing.
        let over = self.input.limit_psi + gauge.resolution_psi;
        if let Some(reading) = self.input.readings.iter().find(|reading| reading.psi > over) {
            let say = format!(
                "{} psi at {} s is over the limit of {} psi.",
                reading.psi, reading.at_s, self.input.limit_psi
            );
            return (Verdict::OverLimit, say);
        }
        if let Some(say) = self.sudden_loss() {
            return (Verdict::SuddenLoss, say);
        }
        if self.region.is_empty() {
            return (Verdict::Inconclusive, format!("It never reached {} psi.", self.low));
        }
        if !gauge.fit_for_watched(self.target) && !gauge.fit_for_logged(self.target) {
            let why = if gauge.in_calibration { "is too coarse" } else { "is out of calibration" };
            return (Verdict::Inconclusive, format!("The gauge {why}: it proves nothing."));
        }
        match self.input.kind {
            HoldKind::Standard => self.standard(result),
            HoldKind::Extended => self.extended(result),
        }
    }

    fn sudden_loss(&self) -> Option<String> {
        for pair in self.region.windows(2) {
            let (before, after) = (pair[0], pair[1]);
            let fall = before.psi - after.psi;
            let judged =
                after.at_s - before.at_s <= LOGGED_GAP_S && !self.bled_between(before, after);
            if judged && fall >= SUDDEN && fall > self.input.gauge.resolution_psi {
                return Some(format!(
                    "It fell by {fall} psi between {} and {} s.",
                    before.at_s, after.at_s
                ));
            }
        }
        self.region
            .iter()
            .find(|reading| reading.psi.hundredths() * 100 < self.target.hundredths() * 80)
            .map(|reading| format!("It fell below 80 percent of the target at {} s.", reading.at_s))
    }

    fn bled_between(&self, before: Reading, after: Reading) -> bool {
        self.input.events.iter().any(|event| {
            event.what == HoldEventKind::Bled
                && event.at_s >= before.at_s
                && event.at_s < after.at_s
        })
    }

    fn inside(&self, reading: &Reading) -> bool {
        (self.low..=self.high).contains(&reading.psi)
    }

    fn standard(&self, result: &mut HoldResult) -> (Verdict, String) {
        match self.region.iter().find(|reading| self.inside(reading)) {
            Some(reading) => {
                result.start_s = Some(reading.at_s);
                (Verdict::Pass, format!("It stood at {} psi.", reading.psi))
            }
            None => (
                Verdict::Inconclusive,
                format!("No reading is between {} and {} psi.", self.low, self.high),
            ),
        }
    }

    fn extended(&self, result: &mut HoldResult) -> (Verdict, String) {
        let segments = self.segments();
        let longest = segments.iter().max_by_key(|segment| (length(segment), segment[0].at_s));
        let passing = segments.iter().find(|segment| self.passes_logged(segment));
        let leaking = segments.iter().find(|segment| {
            self.loss(segment)
                .is_some_and(|loss| loss.psi - loss.uncertainty > LEAK_PSI + TOLERANCE)
        });
        if let Some(shown) = leaking.or(passing).or(longest) {
            let loss = self.loss(shown);
            result.start_s = Some(shown[0].at_s);
            result.duration_s = Some(length(shown));
            result.drop_psi = loss.map(|loss| Quantity::nearest(loss.psi));
            result.uncertainty_psi = loss.map(|loss| Quantity::nearest(loss.uncertainty));
        }
        if leaking.is_some() {
            return (
                Verdict::Leak,
                "It lost more air than temperature and gauge explain.".to_owned(),
            );
        }
        let whole =
            format!("It kept its pressure for {} s without a break.", self.input.required_s);
        if passing.is_some() {
            result.judged_as = Evidence::Logged;
            return (Verdict::Pass, whole);
        }
        result.judged_as = Evidence::Watched;
        if let Some(start) = self.passes_watched() {
            result.start_s = Some(start);
            return (Verdict::Pass, whole);
        }
        let say =
            format!("No {} s without a break are shown by the readings.", self.input.required_s);
        (Verdict::Inconclusive, say)
    }

    /// Runs of readings without a gap, air added or air let out.
    fn segments(&self) -> Vec<&'a [Reading]> {
        self.region
            .chunk_by(|before, after| {
                after.at_s - before.at_s <= LOGGED_GAP_S
                    && after.psi - before.psi < AIR_ADDED
                    && !self.bled_between(*before, *after)
            })
            .collect()
    }

    /// The readings of a segment that the hold needs.
    fn needed(&self, segment: &'a [Reading]) -> &'a [Reading] {
        let end = segment[0].at_s + self.input.required_s;
        &segment[..segment.partition_point(|reading| reading.at_s <= end)]
    }

    fn loss(&self, segment: &'a [Reading]) -> Option<Loss> {
        let needed = self.needed(segment);
        let air = atmosphere_psi(self.input.altitude_ft.to_f64());
        let warm = needed.iter().all(|reading| reading.temp_f.is_some());
        let first = segment[0].temp_f.map_or(0.0, Quantity::to_f64);
        let compensated = |reading: &Reading| match reading.temp_f {
            Some(temp_f) if warm => {
                (reading.psi.to_f64() + air) * rankine(first) / rankine(temp_f.to_f64()) - air
            }
            _ => reading.psi.to_f64(),
        };
        let settled: Vec<f64> = needed
            .iter()
            .filter(|reading| reading.at_s >= segment[0].at_s + SETTLE_S)
            .map(compensated)
            .collect();
        if settled.len() < 6 {
            return None;
        }
        let step = self.input.gauge.resolution_psi.to_f64().max(LEAST_UNCERTAINTY_PSI);
        let unknown =
            if warm { 0.0 } else { UNKNOWN_SWING_F * (self.target.to_f64() + air) / rankine(70.0) };
        let psi = middle(&settled[..3]) - middle(&settled[settled.len() - 3..]);
        Some(Loss { psi, uncertainty: step + unknown })
    }

    fn passes_logged(&self, segment: &'a [Reading]) -> bool {
        let needed = self.needed(segment);
        let temperatures = needed.iter().map(|reading| reading.temp_f).collect::<Option<Vec<_>>>();
        let steady = temperatures.is_some_and(|t| {
            t.iter().max().zip(t.iter().min()).is_some_and(|(high, low)| *high - *low <= SWING_F)
        });
        self.complete_for_logged()
            && length(segment) >= self.input.required_s
            && needed.iter().all(|reading| self.inside(reading))
            && steady
            && self
                .loss(segment)
                .is_some_and(|loss| loss.psi + loss.uncertainty <= LEAK_PSI + TOLERANCE)
    }

    /// The start of a run that passes by the rules of a watched hold.
    fn passes_watched(&self) -> Option<Quantity> {
        let gauge = &self.input.gauge;
        if !gauge.fit_for_watched(self.target) {
            return None;
        }
        let mark =
            if self.input.at_limit { self.target - gauge.resolution_psi } else { self.target };
        let added = AIR_ADDED.max(gauge.resolution_psi);
        let mut start: Option<Quantity> = None;
        let mut before: Option<Reading> = None;
        for &reading in self.region {
            let good = reading.psi >= mark && reading.psi <= self.input.limit_psi;
            let unbroken = before.is_some_and(|before| {
                reading.at_s - before.at_s <= WATCHED_GAP_S
                    && reading.psi - before.psi < added
                    && !self.bled_between(before, reading)
            });
            start = match start {
                Some(start) if good && unbroken => Some(start),
                _ if good => Some(reading.at_s),
                _ => None,
            };
            if start.is_some_and(|start| reading.at_s - start >= self.input.required_s) {
                return start;
            }
            before = Some(reading);
        }
        None
    }
}

fn length(segment: &[Reading]) -> Quantity {
    segment[segment.len() - 1].at_s - segment[0].at_s
}

/// The middle one of three.
fn middle(three: &[f64]) -> f64 {
    let mut sorted = [three[0], three[1], three[2]];
    sorted.sort_by(f64::total_cmp);
    sorted[1]
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
