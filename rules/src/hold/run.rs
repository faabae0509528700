//! Runs of readings without a break, and what can be measured over one.

use super::{HoldEvent, HoldEventKind, Reading};
use crate::Quantity;
use crate::gas::{atmosphere_psi, gauge_psi_at, rankine};

/// The casing stretches after inflation; this long is left out of the loss, seconds.
const SETTLE_S: Quantity = Quantity::whole(120);
/// Readings that the loss needs after settling: three for each median.
const LEAST_READINGS: usize = 6;
/// The uncertainty of a pressure is never less, psi.
const LEAST_UNCERTAINTY_PSI: f64 = 0.1;
/// Temperature that was not taken may have moved by this much, degrees Fahrenheit.
const UNMEASURED_F: f64 = 5.0;
/// The usual temperature of a shop, degrees Fahrenheit.
const SHOP_F: f64 = 70.0;
/// Two readings at most this far apart tell of one movement of the gauge, seconds.
pub(super) const TOGETHER_S: Quantity = Quantity::whole(60);

/// A time since the start as a crew reads it: minutes and seconds.
pub(super) fn clock(at_s: Quantity) -> String {
    let seconds = at_s.hundredths().div_euclid(100);
    format!("{}:{:02}", seconds.div_euclid(60), seconds.rem_euclid(60))
}

/// How long a run lasts, from its first reading to its last.
pub(super) fn length(run: &[Reading]) -> Quantity {
    run.first().zip(run.last()).map_or(Quantity::ZERO, |(first, last)| last.at_s - first.at_s)
}

/// The part of a run that the hold needs: up to its start and the time required.
pub(super) fn window(run: &[Reading], required_s: Quantity) -> &[Reading] {
    let end = run.first().map_or(Quantity::ZERO, |first| first.at_s + required_s);
    &run[..run.partition_point(|reading| reading.at_s <= end)]
}

/// When air was last let out on purpose before a reading of this second: a fall from what
/// was read in that second or before it is not judged, for it may have been read first.
pub(super) fn last_bled(events: &[HoldEvent], until_s: Quantity) -> Option<Quantity> {
    let bled = events.iter().filter(|event| event.what == HoldEventKind::Bled);
    bled.map(|event| event.at_s).filter(|&at_s| at_s <= until_s).max()
}

/// What breaks a run of readings.
pub(super) struct Breaks {
    /// Readings further apart than this.
    pub gap_s: Quantity,
    /// A rise of this much or more: air was added.
    pub rise_psi: Quantity,
    /// A reading below this.
    pub below_psi: Quantity,
}

/// Readings cut where something broke them.
pub(super) struct Runs<'a> {
    /// The runs, in order.
    pub runs: Vec<&'a [Reading]>,
    /// What ended each run but one that reached the end, in plain words.
    pub broken_by: Vec<String>,
}

impl<'a> Runs<'a> {
    /// The longest run; the first of equals.
    pub(super) fn longest(&self) -> Option<&'a [Reading]> {
        self.runs
            .iter()
            .copied()
            .reduce(|best, run| if length(run) > length(best) { run } else { best })
    }
}

impl Breaks {
    /// Cuts readings into runs without a break.
    pub(super) fn cut<'a>(&self, readings: &'a [Reading], events: &[HoldEvent]) -> Runs<'a> {
        let mut cut = Runs { runs: Vec::new(), broken_by: Vec::new() };
        let mut start = None;
        for (i, next) in readings.iter().enumerate() {
            let begins = (next.psi >= self.below_psi).then_some(i);
            let Some(from) = start else {
                start = begins;
                continue;
            };
            if let Some(why) = self.ended(&readings[from..i], next, events) {
                cut.runs.push(&readings[from..i]);
                cut.broken_by.push(why);
                start = begins;
            }
        }
        cut.runs.extend(start.map(|from| &readings[from..]));
        cut
    }

    /// Why the next reading does not belong to this run any more.
    fn ended(&self, run: &[Reading], next: &Reading, events: &[HoldEvent]) -> Option<String> {
        let last = run.last()?;
        // What happens in the second of a reading comes after the reading.
        let bled = |e: &&HoldEvent| {
            e.what == HoldEventKind::Bled && last.at_s <= e.at_s && e.at_s < next.at_s
        };
        if next.psi < self.below_psi {
            let at = clock(next.at_s);
            return Some(format!("{} psi at {at} is below {} psi.", next.psi, self.below_psi));
        }
        if next.at_s - last.at_s > self.gap_s {
            let (from, to) = (clock(last.at_s), clock(next.at_s));
            return Some(format!("There is no reading between {from} and {to}."));
        }
        if let Some(event) = events.iter().find(bled) {
            return Some(format!("Air was let out at {}.", clock(event.at_s)));
        }
        // A device that reads often must not hide a rise by spreading it.
        let together =
            |before: &&Reading| before.at_s == last.at_s || next.at_s - before.at_s <= TOGETHER_S;
        let lower = run.iter().rev().take_while(together).map(|before| before.psi).min()?;
        (next.psi - lower >= self.rise_psi)
            .then(|| format!("Air was added before {}.", clock(next.at_s)))
    }
}

/// What the measurement needs to know besides the readings.
pub(super) struct Conditions {
    /// The pressure held.
    pub target_psi: Quantity,
    /// How long the hold lasts.
    pub required_s: Quantity,
    /// The smallest step of the gauge.
    pub resolution_psi: Quantity,
    /// Height above the sea.
    pub altitude_ft: Quantity,
}

/// What was measured over a run up to its start and the time required.
pub(super) struct Measured {
    /// Loss after settling, psi, with temperature taken out where it was taken;
    /// nothing where there are too few readings.
    pub drop_psi: Option<f64>,
    /// How uncertain that loss is, psi.
    pub uncertainty_psi: f64,
    /// How far the temperature moved; nothing where one is missing.
    pub temp_swing_f: Option<Quantity>,
}

impl Conditions {
    /// Measures a run.
    pub(super) fn measure(&self, run: &[Reading]) -> Measured {
        let window = window(run, self.required_s);
        let temps: Option<Vec<Quantity>> = window.iter().map(|reading| reading.temp_f).collect();
        let temp_swing_f = temps.as_ref().and_then(|t| Some(*t.iter().max()? - *t.iter().min()?));
        let start_f = temps.as_ref().and_then(|t| t.first()).copied();
        let settled_s = run.first().map_or(Quantity::ZERO, |first| first.at_s + SETTLE_S);
        let pressures: Vec<f64> = window
            .iter()
            .filter(|reading| reading.at_s >= settled_s)
            .map(|reading| self.at_start_temperature(reading, start_f))
            .collect();
        let drop_psi = (pressures.len() >= LEAST_READINGS)
            .then(|| median(&pressures[..3]) - median(&pressures[pressures.len() - 3..]));
        let step = self.resolution_psi.to_f64().max(LEAST_UNCERTAINTY_PSI);
        let unmeasured = if temps.is_some() { 0.0 } else { self.unmeasured_psi() };
        Measured { drop_psi, uncertainty_psi: step + unmeasured, temp_swing_f }
    }

    /// The reading as it would be at the run's first temperature (ideal gas law);
    /// as read where the run is judged without temperatures.
    fn at_start_temperature(&self, reading: &Reading, start_f: Option<Quantity>) -> f64 {
        match (start_f, reading.temp_f) {
            (Some(start_f), Some(temp_f)) => {
                let feet = self.altitude_ft.to_f64();
                gauge_psi_at(reading.psi.to_f64(), temp_f.to_f64(), feet, start_f.to_f64(), feet)
            }
            _ => reading.psi.to_f64(),
        }
    }

    /// What a temperature that was not taken may have moved the gauge by, psi.
    fn unmeasured_psi(&self) -> f64 {
        let absolute = self.target_psi.to_f64() + atmosphere_psi(self.altitude_ft.to_f64());
        UNMEASURED_F * absolute / rankine(SHOP_F)
    }
}

/// The middle value.
fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}
