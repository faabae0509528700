//! Casing life: how long casings last, what share of them is scrapped, and what they cost.
//!
//! Nothing here knows of casings: times may be days, miles or cycles, and what ends may be
//! anything. What is still in use has not ended; its time is censored, which says that it
//! lasted at least so long.

pub mod cost;
mod survival;
mod weibull;
mod wilson;

pub use survival::{LogRank, Step, Survival, kaplan_meier, log_rank};
pub use weibull::{Weibull, weibull};
pub use wilson::{Proportion, wilson};

use statrs::distribution::{ContinuousCDF, Normal};

/// How long one was watched, and whether it ended then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watched {
    /// The time, zero or more, in any unit.
    pub time: f64,
    /// It ended at this time. Where not, it was still in use: censored.
    pub ended: bool,
}

/// Why nothing can be said of lives.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LifeError {
    /// A time that cannot be.
    #[error("A life of {0} cannot be: zero or more is expected, and more where it ended.")]
    Time(f64),
    /// Nobody was watched.
    #[error("No life was watched. At least one is expected.")]
    Nobody,
    /// None has ended.
    #[error("None of {watched} lives has ended. At least one that ended is expected.")]
    NoneEnded {
        /// Lives that were watched.
        watched: usize,
    },
    /// All that ended did so at the longest time.
    #[error(
        "All that ended lasted {0}, the longest time of all. A Weibull life needs one that ended earlier."
    )]
    OneTime(f64),
    /// No probability.
    #[error("A confidence of {0} cannot be: between 0 and 1 is expected.")]
    Confidence(f64),
    /// More than all.
    #[error("{count} of {of} cannot be: at most all, of at least one, is expected.")]
    Count {
        /// Those that count.
        count: u64,
        /// All.
        of: u64,
    },
}

/// The quantile of the standard normal distribution that leaves out as much on either side.
fn z(confidence: f64) -> Result<f64, LifeError> {
    let inside = confidence > 0.0 && confidence < 1.0;
    let normal = Normal::new(0.0, 1.0).ok().filter(|_| inside);
    let normal = normal.ok_or(LifeError::Confidence(confidence))?;
    Ok(normal.inverse_cdf(0.5 + confidence / 2.0))
}

/// These lives, the shortest first.
fn by_time(watched: &[Watched]) -> Result<Vec<Watched>, LifeError> {
    if watched.is_empty() {
        return Err(LifeError::Nobody);
    }
    if let Some(wrong) = watched.iter().find(|one| !one.time.is_finite() || one.time < 0.0) {
        return Err(LifeError::Time(wrong.time));
    }
    let mut sorted = watched.to_vec();
    sorted.sort_by(|a, b| a.time.total_cmp(&b.time));
    Ok(sorted)
}
