//! How many last how long: Kaplan and Meier's estimate, and whether two groups differ.

use super::{LifeError, Watched, by_time, z};
use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use utoipa::ToSchema;

/// One time at which lives ended or were no longer watched.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
#[schema(as = SurvivalStep)]
pub struct Step {
    /// The time.
    pub time: f64,
    /// Lives that had lasted until just before it.
    pub at_risk: u64,
    /// Those that ended at it.
    pub ended: u64,
    /// Those that were watched no longer. They were still at risk for those that ended at it.
    pub censored: u64,
    /// The share that lasts longer.
    pub survival: f64,
    /// Its standard error, Greenwood's; none where nothing is left.
    pub se: Option<f64>,
    /// The lower end of its interval; none where none can be told: nothing is left.
    pub low: Option<f64>,
    /// The upper end.
    pub high: Option<f64>,
}

/// How many last how long.
#[derive(Clone, Debug, PartialEq)]
pub struct Survival {
    /// The times, in order.
    pub steps: Vec<Step>,
}

impl Survival {
    /// The time that half of them do not outlast; none where more than half last to the end.
    #[must_use]
    pub fn median(&self) -> Option<f64> {
        self.falls_to_half(|step| Some(step.survival))
    }

    /// The interval of the median: where the ends of the interval of the estimate fall to one
    /// half (Brookmeyer and Crowley 1982, Biometrics 38:29, of the log-log interval).
    #[must_use]
    pub fn median_interval(&self) -> (Option<f64>, Option<f64>) {
        (self.falls_to_half(|step| step.low), self.falls_to_half(|step| step.high))
    }

    /// The share that lasts longer than this time; none past the last time that was watched.
    #[must_use]
    pub fn at(&self, time: f64) -> Option<f64> {
        if self.steps.last()?.time < time {
            return None;
        }
        let past = self.steps.iter().take_while(|step| step.time <= time);
        Some(past.last().map_or(1.0, |step| step.survival))
    }

    fn falls_to_half(&self, share: impl Fn(&Step) -> Option<f64>) -> Option<f64> {
        let half = |step: &&Step| share(step).is_some_and(|share| share <= 0.5);
        self.steps.iter().find(half).map(|step| step.time)
    }
}

/// The share that lasts longer than each time, by Kaplan and Meier, with Greenwood's standard
/// error and the log-log interval of this confidence (0.95 is 95 %).
///
/// Source: Kaplan & Meier 1958 (J. Am. Stat. Assoc. 53:457); Greenwood 1926; Kalbfleisch &
/// Prentice for the interval.
///
/// # Errors
/// Where there is no life, a time is negative or not finite, or the confidence is not between
/// 0 and 1.
pub fn kaplan_meier(watched: &[Watched], confidence: f64) -> Result<Survival, LifeError> {
    let z = z(confidence)?;
    let sorted = by_time(watched)?;
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut at_risk = sorted.len();
    let mut steps = Vec::new();
    for now in sorted.chunk_by(|a, b| a.time == b.time) {
        let ended = now.iter().filter(|one| one.ended).count();
        let (risk, ends) = (at_risk as f64, ended as f64);
        survival *= 1.0 - ends / risk;
        greenwood += if ended == 0 { 0.0 } else { ends / (risk * (risk - ends)) };
        let (low, high) = log_log(survival, greenwood, z).unzip();
        steps.push(Step {
            time: now[0].time,
            at_risk: at_risk as u64,
            ended: ended as u64,
            censored: (now.len() - ended) as u64,
            survival,
            se: (survival > 0.0).then(|| survival * greenwood.sqrt()),
            low,
            high,
        });
        at_risk -= now.len();
    }
    Ok(Survival { steps })
}

/// The interval is one of ln(-ln S), so that it never leaves 0 to 1.
fn log_log(survival: f64, greenwood: f64, z: f64) -> Option<(f64, f64)> {
    if survival <= 0.0 {
        return None;
    }
    if survival >= 1.0 {
        return Some((1.0, 1.0));
    }
    let wide = (z * greenwood.sqrt() / survival.ln().abs()).exp();
    Some((survival.powf(wide), survival.powf(1.0 / wide)))
}

/// Whether two groups last alike.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct LogRank {
    /// The statistic: chi-square with one degree of freedom.
    pub statistic: f64,
    /// The probability of as much or more where both last alike.
    pub p: f64,
}

/// The log-rank test of two groups.
///
/// Source: Mantel 1966 (Cancer Chemother. Rep. 50:163), with the hypergeometric variance.
///
/// # Errors
/// Where a group is empty, a time is negative or not finite, or none has ended while both
/// groups were watched.
pub fn log_rank(one: &[Watched], other: &[Watched]) -> Result<LogRank, LifeError> {
    let of = |group: &[Watched], first| -> Result<Vec<(Watched, bool)>, LifeError> {
        Ok(by_time(group)?.into_iter().map(|life| (life, first)).collect())
    };
    let mut all = of(one, true)?;
    all.extend(of(other, false)?);
    all.sort_by(|a, b| a.0.time.total_cmp(&b.0.time));
    let (mut risk, mut risk_one) = (all.len() as f64, one.len() as f64);
    let (mut more, mut variance) = (0.0, 0.0);
    for now in all.chunk_by(|a, b| a.0.time == b.0.time) {
        let count =
            |which: fn(&(Watched, bool)) -> bool| now.iter().filter(|l| which(l)).count() as f64;
        let ends = count(|(life, _)| life.ended);
        let share = risk_one / risk;
        more += count(|(life, first)| life.ended && *first) - ends * share;
        if risk > 1.0 {
            variance += ends * share * (1.0 - share) * (risk - ends) / (risk - 1.0);
        }
        risk -= now.len() as f64;
        risk_one -= count(|(_, first)| *first);
    }
    let none_ended = LifeError::NoneEnded { watched: all.len() };
    let chi_squared = ChiSquared::new(1.0).ok().filter(|_| variance > 0.0).ok_or(none_ended)?;
    let statistic = more * more / variance;
    Ok(LogRank { statistic, p: chi_squared.sf(statistic) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lives() -> impl Strategy<Value = Vec<Watched>> {
        let one = (0u32..40, any::<bool>());
        let one = one.prop_map(|(time, ended)| Watched { time: f64::from(time), ended });
        proptest::collection::vec(one, 1..60)
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let at = |time| Watched { time, ended: true };
        assert_eq!(kaplan_meier(&[], 0.95), Err(LifeError::Nobody));
        assert_eq!(kaplan_meier(&[at(-1.0)], 0.95), Err(LifeError::Time(-1.0)));
        assert_eq!(kaplan_meier(&[at(1.0)], 0.0), Err(LifeError::Confidence(0.0)));
        assert!(matches!(kaplan_meier(&[at(f64::NAN)], 0.95), Err(LifeError::Time(_))));
        let in_use = [Watched { time: 3.0, ended: false }];
        assert_eq!(log_rank(&in_use, &in_use), Err(LifeError::NoneEnded { watched: 2 }));
    }

    proptest! {
        /// Kaplan & Meier 1958: without censoring it is the share that lasted longer.
        #[test]
        fn without_censoring_it_is_the_share_that_lasted(mut lives in lives()) {
            lives.iter_mut().for_each(|life| life.ended = true);
            for step in kaplan_meier(&lives, 0.95).unwrap().steps {
                let longer = lives.iter().filter(|life| life.time > step.time).count();
                let share = longer as f64 / lives.len() as f64;
                prop_assert!((step.survival - share).abs() < 1e-12);
            }
        }

        /// By its definition: it never rises, and its interval holds it.
        #[test]
        fn it_falls_within_its_interval(lives in lives()) {
            let survival = kaplan_meier(&lives, 0.9).unwrap();
            prop_assert!(survival.steps.is_sorted_by(|a, b| a.survival >= b.survival));
            for step in &survival.steps {
                if let (Some(low), Some(high)) = (step.low, step.high) {
                    prop_assert!(0.0 <= low && low <= step.survival + 1e-12);
                    prop_assert!(step.survival <= high + 1e-12 && high <= 1.0);
                }
                prop_assert_eq!(survival.at(step.time), Some(step.survival));
            }
        }

        /// By its definition: the order in which lives are told does not matter.
        #[test]
        fn the_order_of_lives_does_not_matter(lives in lives(), turn in 0usize..60) {
            let mut turned = lives.clone();
            turned.rotate_left(turn % lives.len());
            prop_assert_eq!(kaplan_meier(&lives, 0.95), kaplan_meier(&turned, 0.95));
            let halves = lives.split_at(lives.len() / 2);
            let (there, back) = (log_rank(halves.0, halves.1), log_rank(halves.1, halves.0));
            if let (Ok(there), Ok(back)) = (there, back) {
                prop_assert!((there.statistic - back.statistic).abs() < 1e-9);
            }
        }

        /// By its definition: a group does not differ from itself.
        #[test]
        fn equal_groups_do_not_differ(lives in lives()) {
            if let Ok(test) = log_rank(&lives, &lives) {
                prop_assert!(test.statistic < 1e-20, "{}", test.statistic);
                prop_assert!((test.p - 1.0).abs() < 1e-9);
            }
        }
    }
}
