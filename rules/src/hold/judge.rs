//! The judgement of readings.

use super::run::{
    Breaks, Conditions, Measured, Runs, TOGETHER_S, clock, last_bled, length, window,
};
use super::{Evidence, Gauge, HoldEvent, HoldEventKind, HoldKind, HoldResult, Reading, Verdict};
use crate::Quantity;
use std::fmt;

/// A reading counts for the hold from this far below the target, psi.
const BAND_BELOW: Quantity = Quantity::from_hundredths(50);
/// A reading counts up to this far above the target, psi.
const BAND_ABOVE: Quantity = Quantity::whole(2);
/// Held at the limit, a reading counts from this far below it, psi.
const BAND_BELOW_LIMIT: Quantity = Quantity::from_hundredths(250);
/// Logged readings are at most this far apart, seconds.
const LOGGED_GAP_S: Quantity = TOGETHER_S;
/// Watched readings are at most this far apart, seconds.
const WATCHED_GAP_S: Quantity = Quantity::whole(300);
/// A greater loss over the hold, beyond uncertainty, is a leak, psi. It is
/// 3 °F of temperature not measured, half a psi of resolution and a margin.
const LEAK_PSI: f64 = 1.5;
/// A fall of this much between two readings is a sudden loss, psi.
const SUDDEN: Quantity = Quantity::whole(2);
/// Below this share of the target the casing has let go, per cent.
const COLLAPSE_PERCENT: i64 = 80;
/// A rise of this much is air added, psi.
const AIR_ADDED: Quantity = Quantity::from_hundredths(80);
/// Temperature may move by this much, degrees Fahrenheit.
const SWING_F: Quantity = Quantity::whole(10);
/// Absolute zero, degrees Fahrenheit.
const ABSOLUTE_ZERO_F: Quantity = Quantity::from_hundredths(-45_967);
/// Computed values count in favour of the limit they meet.
const TOLERANCE: f64 = 1e-9;
/// So many things that broke a hold are told; more tell nothing new.
const BREAKS_TOLD: usize = 3;

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
    /// The pressure that may not be passed: the lower of the wheel's rating and the
    /// sidewall's pressure, or in its place the maker's recommendation.
    pub limit_psi: Quantity,
    /// Held at the limit, because the target passes it. Where it does not, the
    /// hold is judged at its target.
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
    /// This reading's pressure is below zero.
    Negative(usize),
    /// This reading's temperature is at or below absolute zero.
    TooCold(usize),
}

impl fmt::Display for HoldError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            HoldError::NoReadings => f.write_str("a hold needs readings"),
            HoldError::OutOfOrder(i) => {
                write!(f, "reading {i} is not later than the one before it")
            }
            HoldError::Negative(i) => write!(f, "the pressure of reading {i} is below zero"),
            HoldError::TooCold(i) => {
                write!(f, "the temperature of reading {i} is below absolute zero")
            }
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
    let hold = Hold::of(input);
    let mut result = hold
        .over_limit()
        .or_else(|| hold.sudden_loss())
        .or_else(|| hold.proves_nothing())
        .unwrap_or_else(|| match input.kind {
            HoldKind::Standard => hold.standard(),
            HoldKind::Extended => hold.extended(),
        });
    if input.signs {
        result.because.push("A sign of a rupture was found: no pressure clears that.".to_owned());
        if result.verdict == Verdict::Pass {
            result.verdict = Verdict::Inconclusive;
        }
    }
    Ok(result)
}

fn well_formed(readings: &[Reading]) -> Result<(), HoldError> {
    if readings.is_empty() {
        return Err(HoldError::NoReadings);
    }
    for (i, reading) in readings.iter().enumerate() {
        if i > 0 && reading.at_s <= readings[i - 1].at_s {
            return Err(HoldError::OutOfOrder(i));
        }
        if reading.psi < Quantity::ZERO {
            return Err(HoldError::Negative(i));
        }
        if reading.temp_f.is_some_and(|temp_f| temp_f <= ABSOLUTE_ZERO_F) {
            return Err(HoldError::TooCold(i));
        }
    }
    Ok(())
}

/// A hold with the pressures and the readings that count.
struct Hold<'a> {
    input: &'a HoldInput<'a>,
    at_limit: bool,
    /// The target, or the limit where it was held at the limit.
    target: Quantity,
    /// The lowest pressure that counts.
    low: Quantity,
    /// The highest pressure that counts, never above the limit.
    high: Quantity,
    /// The readings from the first that counts to the vent.
    region: &'a [Reading],
}

/// A run of logged readings with what was measured over it.
struct Stretch<'a> {
    run: &'a [Reading],
    measured: Measured,
}

impl<'a> Hold<'a> {
    fn of(input: &'a HoldInput<'a>) -> Hold<'a> {
        // Claimed where the target does not pass the limit, it would prove set pressures
        // without the overpressure.
        let at_limit = input.at_limit && input.target_psi > input.limit_psi;
        let (target, low, high) = if at_limit {
            (input.limit_psi, input.limit_psi - BAND_BELOW_LIMIT, input.limit_psi)
        } else {
            let high = (input.target_psi + BAND_ABOVE).min(input.limit_psi);
            (input.target_psi, input.target_psi - BAND_BELOW, high)
        };
        let vents = input.events.iter().filter(|event| event.what == HoldEventKind::Vent);
        let end = vents.map(|event| event.at_s).min().map_or(input.readings.len(), |vent| {
            input.readings.partition_point(|reading| reading.at_s <= vent)
        });
        let start = input.readings[..end].iter().position(|reading| reading.psi >= low);
        let region = &input.readings[start.unwrap_or(end)..end];
        Hold { input, at_limit, target, low, high, region }
    }

    /// A result of this hold without a run.
    fn result(&self, verdict: Verdict, judged_as: Evidence, because: Vec<String>) -> HoldResult {
        HoldResult {
            verdict,
            judged_as,
            target_psi: self.input.target_psi,
            limit_psi: self.input.limit_psi,
            at_limit: self.at_limit,
            error_bound_psi: self.input.gauge.error_bound_psi(self.target),
            start_s: None,
            duration_s: None,
            drop_psi: None,
            uncertainty_psi: None,
            temp_swing_f: None,
            because,
        }
    }

    fn inconclusive(&self) -> HoldResult {
        self.result(Verdict::Inconclusive, Evidence::Watched, Vec::new())
    }

    /// What the crew and its gear could do at best.
    fn equipped_for(&self) -> Evidence {
        let fine = self.input.gauge.unfit_for(Evidence::Logged, self.target).is_none();
        if self.input.evidence == Evidence::Logged && self.input.supply_isolated && fine {
            Evidence::Logged
        } else {
            Evidence::Watched
        }
    }

    /// Above the limit by more than the gauge's step, before or after a vent: the
    /// casing did bear that.
    fn over_limit(&self) -> Option<HoldResult> {
        let most = self.input.limit_psi + self.input.gauge.resolution_psi;
        let over = self.input.readings.iter().find(|reading| reading.psi > most)?;
        Some(self.result(Verdict::OverLimit, self.equipped_for(), vec![self.above_limit(over)]))
    }

    fn above_limit(&self, reading: &Reading) -> String {
        let (at, limit) = (clock(reading.at_s), self.input.limit_psi);
        format!("{} psi at {at} is above the limit of {limit} psi.", reading.psi)
    }

    /// A fall at one blow, judged as read: a temperature probe's glitch is no loss of air.
    fn sudden_loss(&self) -> Option<HoldResult> {
        let say = self.region.iter().enumerate().find_map(|(i, reading)| {
            if reading.psi.hundredths() * 100 < self.target.hundredths() * COLLAPSE_PERCENT {
                return Some(format!(
                    "{} psi at {} is below {COLLAPSE_PERCENT} % of {} psi.",
                    reading.psi,
                    clock(reading.at_s),
                    self.target
                ));
            }
            self.fall_to(&self.region[..i], reading)
        })?;
        Some(self.result(Verdict::SuddenLoss, self.equipped_for(), vec![say]))
    }

    /// Any two readings close together count, not only neighbours: a device that
    /// reads often must not hide a fall by spreading it.
    fn fall_to(&self, before: &[Reading], reading: &Reading) -> Option<String> {
        let bled_s = last_bled(self.input.events, reading.at_s);
        let higher = before
            .iter()
            .rev()
            .take_while(|before| reading.at_s - before.at_s <= TOGETHER_S)
            .take_while(|before| bled_s.is_none_or(|bled_s| bled_s < before.at_s))
            .max_by_key(|before| before.psi)?;
        let fall = higher.psi - reading.psi;
        (fall >= SUDDEN && fall > self.input.gauge.resolution_psi).then(|| {
            let (from, to) = (clock(higher.at_s), clock(reading.at_s));
            format!("Pressure fell by {fall} psi between {from} and {to}.")
        })
    }

    /// The hold pressure was never reached, or nobody can trust the gauge.
    fn proves_nothing(&self) -> Option<HoldResult> {
        let say = if self.region.is_empty() {
            format!("The hold pressure of {} psi was not reached.", self.target)
        } else {
            let unfit = self.input.gauge.unfit_for(Evidence::Watched, self.target)?;
            format!("This proves nothing: {unfit}")
        };
        Some(self.result(Verdict::Inconclusive, self.equipped_for(), vec![say]))
    }

    fn inside(&self, reading: &Reading) -> bool {
        self.low <= reading.psi && reading.psi <= self.high
    }

    /// One reading inside the band is enough.
    fn standard(&self) -> HoldResult {
        let (low, high) = (self.low, self.high);
        let (verdict, say) = match self.region.iter().find(|reading| self.inside(reading)) {
            Some(reading) => (
                Verdict::Pass,
                format!(
                    "{} psi at {} is inside {low} to {high} psi.",
                    reading.psi,
                    clock(reading.at_s)
                ),
            ),
            None => (Verdict::Inconclusive, format!("No reading is inside {low} to {high} psi.")),
        };
        self.result(verdict, Evidence::Watched, vec![say])
    }

    /// A leak in any run first, then one whole logged run, then one watched run.
    fn extended(&self) -> HoldResult {
        let logged = self.logged_runs();
        let conditions = Conditions {
            target_psi: self.target,
            required_s: self.input.required_s,
            resolution_psi: self.input.gauge.resolution_psi,
            altitude_ft: self.input.altitude_ft,
        };
        let stretches: Vec<Stretch<'a>> = logged
            .runs
            .iter()
            .map(|&run| Stretch { run, measured: conditions.measure(run) })
            .collect();
        if let Some(leaking) = stretches.iter().find(|stretch| stretch.leaks()) {
            return self.leak(leaking);
        }
        if let Some(passing) = stretches.iter().find(|stretch| self.passes_logged(stretch)) {
            return self.logged_pass(passing);
        }
        let watched = self.watched_runs();
        let passing = watched.runs.iter().find(|run| self.passes_watched(run, &stretches));
        if let Some(passing) = passing {
            return self.watched_pass(passing, &stretches);
        }
        match stretches.iter().find(|stretch| self.complete(stretch)) {
            Some(stretch) => self.logged_short(stretch),
            None => self.watched_short(&logged, &watched, &stretches),
        }
    }

    fn logged_runs(&self) -> Runs<'a> {
        Breaks { gap_s: LOGGED_GAP_S, rise_psi: AIR_ADDED, below_psi: Quantity::ZERO }
            .cut(self.region, self.input.events)
    }

    fn watched_runs(&self) -> Runs<'a> {
        let step = self.input.gauge.resolution_psi;
        Breaks { gap_s: WATCHED_GAP_S, rise_psi: AIR_ADDED.max(step), below_psi: self.mark() }
            .cut(self.region, self.input.events)
    }

    /// What every watched reading has to meet, as the gauge shows it.
    fn mark(&self) -> Quantity {
        if self.at_limit { self.target - self.input.gauge.resolution_psi } else { self.target }
    }

    fn long_enough(&self, run: &[Reading]) -> bool {
        length(run) >= self.input.required_s
    }

    /// Everything is there that `logged` asks for: such a run is judged by `logged` alone.
    fn complete(&self, stretch: &Stretch<'_>) -> bool {
        self.equipped_for() == Evidence::Logged
            && self.long_enough(stretch.run)
            && stretch.measured.temp_swing_f.is_some()
    }

    fn passes_logged(&self, stretch: &Stretch<'_>) -> bool {
        self.complete(stretch)
            && window(stretch.run, self.input.required_s).iter().all(|r| self.inside(r))
            && stretch.measured.temp_swing_f.is_some_and(|swing| swing <= SWING_F)
            && stretch.tight()
    }

    fn passes_watched(&self, run: &[Reading], stretches: &[Stretch<'_>]) -> bool {
        let within_limit = |reading: &Reading| reading.psi <= self.input.limit_psi;
        let end = run[0].at_s + self.input.required_s;
        let judged_already = |stretch: &Stretch<'_>| {
            let (first, last) = (stretch.run[0], stretch.run[stretch.run.len() - 1]);
            self.complete(stretch) && first.at_s <= run[0].at_s && end <= last.at_s
        };
        self.long_enough(run)
            && window(run, self.input.required_s).iter().all(within_limit)
            && !stretches.iter().any(judged_already)
    }

    fn leak(&self, stretch: &Stretch<'_>) -> HoldResult {
        let temps = stretch.measured.temp_swing_f;
        let judged_as = if temps.is_some() { self.equipped_for() } else { Evidence::Watched };
        let without = if temps.is_some() { "With temperature taken out" } else { "After settling" };
        let say = format!("{without} it lost {}; {LEAK_PSI} psi is the most.", stretch.loss());
        stretch.shown_in(self.result(Verdict::Leak, judged_as, vec![say]))
    }

    fn logged_pass(&self, stretch: &Stretch<'_>) -> HoldResult {
        let held = clock(self.input.required_s);
        let because = vec![
            format!(
                "It stayed inside {} to {} psi for {held} without a break.",
                self.low, self.high
            ),
            format!("With temperature taken out it lost {}.", stretch.loss()),
        ];
        stretch.shown_in(self.result(Verdict::Pass, Evidence::Logged, because))
    }

    fn watched_pass(&self, run: &[Reading], stretches: &[Stretch<'_>]) -> HoldResult {
        let (mark, held) = (self.mark(), clock(self.input.required_s));
        let mut because = self.why_watched(stretches);
        because.push(format!("It stayed at or above {mark} psi for {held} without a break."));
        shown(run, self.result(Verdict::Pass, Evidence::Watched, because))
    }

    /// Complete for `logged` and yet no pass.
    fn logged_short(&self, stretch: &Stretch<'_>) -> HoldResult {
        let mut because = Vec::new();
        let window = window(stretch.run, self.input.required_s);
        if let Some(reading) = window.iter().find(|reading| !self.inside(reading)) {
            because.push(if reading.psi > self.input.limit_psi {
                self.above_limit(reading)
            } else {
                let (at, low, high) = (clock(reading.at_s), self.low, self.high);
                format!("{} psi at {at} is outside {low} to {high} psi.", reading.psi)
            });
        }
        if let Some(swing) = stretch.measured.temp_swing_f.filter(|swing| *swing > SWING_F) {
            because.push(format!("Temperature moved by {swing} F; {SWING_F} F is the most."));
        }
        if !stretch.tight() {
            because.push(format!("A loss of {} is too near a leak.", stretch.loss()));
        }
        stretch.shown_in(self.result(Verdict::Inconclusive, Evidence::Logged, because))
    }

    /// Neither whole enough for `logged` nor good enough for `watched`.
    fn watched_short(
        &self,
        logged: &Runs<'a>,
        watched: &Runs<'a>,
        stretches: &[Stretch<'a>],
    ) -> HoldResult {
        let mut because = self.why_watched(stretches);
        let longest = stretches
            .iter()
            .reduce(|best, next| if length(next.run) > length(best.run) { next } else { best });
        let logged_s = longest.map_or(Quantity::ZERO, |stretch| length(stretch.run));
        let run = watched.longest().unwrap_or_default();
        let result = match longest {
            Some(stretch) if logged_s >= length(run) => stretch.shown_in(self.inconclusive()),
            _ => shown(run, self.inconclusive()),
        };
        // Long enough as logged: then it was a mark of `watched` that it missed.
        if logged_s >= self.input.required_s || length(run) > logged_s {
            because.extend(self.too_short(run, watched));
        } else {
            because.extend(self.too_short(longest.map_or(run, |stretch| stretch.run), logged));
        }
        HoldResult { because, ..result }
    }

    /// Why the longest of these runs proves nothing, and what broke them.
    fn too_short(&self, longest: &[Reading], of: &Runs<'_>) -> Vec<String> {
        let Some(first) = longest.first() else {
            return vec![format!("No reading is at or above {} psi.", self.mark())];
        };
        let over = longest.iter().find(|reading| reading.psi > self.input.limit_psi);
        if let Some(reading) = over.filter(|_| self.long_enough(longest)) {
            return vec![self.above_limit(reading)];
        }
        let (held, from) = (clock(length(longest)), clock(first.at_s));
        let required = clock(self.input.required_s);
        let mut told =
            vec![format!("Held {held} without a break from {from}; {required} is needed.")];
        told.extend(of.broken_by.iter().take(BREAKS_TOLD).cloned());
        told
    }

    /// Why readings sent as `logged` are judged as `watched`.
    fn why_watched(&self, stretches: &[Stretch<'_>]) -> Vec<String> {
        if self.input.evidence == Evidence::Watched {
            return Vec::new();
        }
        let untold = || {
            let long = stretches.iter().find(|stretch| self.long_enough(stretch.run))?;
            let untold =
                window(long.run, self.input.required_s).iter().find(|r| r.temp_f.is_none())?;
            Some(format!("there is no temperature at {}.", clock(untold.at_s)))
        };
        let why = if let Some(unfit) = self.input.gauge.unfit_for(Evidence::Logged, self.target) {
            unfit
        } else if !self.input.supply_isolated {
            "the supply was not shut off.".to_owned()
        } else {
            untold().unwrap_or_else(|| {
                let required = clock(self.input.required_s);
                format!("no {required} without a break has a reading each minute.")
            })
        };
        vec![format!("Judged as watched: {why}")]
    }
}

impl Stretch<'_> {
    /// Whatever its uncertainty, the loss is a leak.
    fn leaks(&self) -> bool {
        let Measured { drop_psi, uncertainty_psi, .. } = self.measured;
        drop_psi.is_some_and(|drop| drop - uncertainty_psi > LEAK_PSI + TOLERANCE)
    }

    /// Even with its uncertainty the loss is no leak.
    fn tight(&self) -> bool {
        let Measured { drop_psi, uncertainty_psi, .. } = self.measured;
        drop_psi.is_some_and(|drop| drop + uncertainty_psi <= LEAK_PSI + TOLERANCE)
    }

    /// The loss in words.
    fn loss(&self) -> String {
        let within = rounded(self.measured.uncertainty_psi);
        match self.measured.drop_psi {
            Some(drop) => format!("{} psi, give or take {within} psi", rounded(drop)),
            None => "an unknown amount".to_owned(),
        }
    }

    fn shown_in(&self, result: HoldResult) -> HoldResult {
        let Measured { drop_psi, uncertainty_psi, temp_swing_f } = self.measured;
        HoldResult {
            drop_psi: drop_psi.map(rounded),
            uncertainty_psi: drop_psi.map(|_| rounded(uncertainty_psi)),
            temp_swing_f,
            ..shown(self.run, result)
        }
    }
}

/// The result with the run that it shows.
fn shown(run: &[Reading], result: HoldResult) -> HoldResult {
    let start_s = run.first().map(|first| first.at_s);
    HoldResult { start_s, duration_s: start_s.map(|_| length(run)), ..result }
}

/// A computed amount in hundredths; far beyond any bound it is cut off.
fn rounded(units: f64) -> Quantity {
    Quantity::nearest(units.clamp(-1e9, 1e9))
}
