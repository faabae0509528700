//! Tread depth: what is legal, how fast it wears, and when to pull the tire.
//!
//! Depths are read at points of the major grooves, those with a wear bar (49 CFR 393.5),
//! never on bars, humps, fillets or in other grooves. The least of all points decides what
//! is legal; the mean of a groove tells of wear.

mod slope;

pub use slope::{Slope, theil_sen};

use crate::Quantity;

/// Fewer readings are no ground for a forecast: wear is faster near the full depth, so trade
/// guidance projects only after two or three readings.
pub(crate) const FEWEST: usize = 3;

/// Grooves that differ so much are worn unevenly, 32nds: common practice, no published
/// source.
pub const UNEVEN_32NDS: Quantity = Quantity::whole(4);

/// Why a tread's wear cannot be told.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TreadError {
    /// No point was read, or a groove without any.
    #[error("Read the tread at one point or more of every major groove (49 CFR 393.5).")]
    NotRead,
    /// Too few readings.
    #[error("{found} readings are no ground for a forecast. Take three or more (trade guidance).")]
    TooFew {
        /// Readings found.
        found: usize,
    },
    /// All readings at one odometer or on one day.
    #[error("All readings were taken at one place of the scale. Read again after a run.")]
    OnePlace,
    /// The readings show no wear.
    #[error("The readings show no wear: {per} 32nds for each unit. Check them.")]
    NoWear {
        /// The slope.
        per: f64,
    },
    /// Not a number.
    #[error("A reading is not a finite number.")]
    NotFinite,
    /// No probability.
    #[error("A confidence of {0} cannot be: between 0 and 1 is expected.")]
    Confidence(f64),
}

/// The least depth that is legal, 32nds: 4 on the front wheels of a bus, truck or tractor,
/// 2 elsewhere. Source: 49 CFR 393.75(b), (c).
#[must_use]
pub fn legal_least_32nds(front_wheel: bool) -> Quantity {
    Quantity::whole(if front_wheel { 4 } else { 2 })
}

/// What the depths of the major grooves say.
#[derive(Clone, Debug, PartialEq)]
pub struct Depths {
    /// The least of all points, 32nds: it decides what is legal.
    pub least_32nds: Quantity,
    /// The mean of each groove, 32nds.
    pub grooves_32nds: Vec<f64>,
    /// The mean of the grooves, 32nds: it tells of wear.
    pub mean_32nds: f64,
    /// The most worn groove is so much deeper worn than the least worn, 32nds.
    pub apart_32nds: f64,
}

impl Depths {
    /// What these depths say: points in each major groove, 32nds of an inch.
    ///
    /// # Errors
    /// Where no point of a groove was read.
    pub fn of(grooves_32nds: &[Vec<Quantity>]) -> Result<Depths, TreadError> {
        let points = grooves_32nds.iter().flatten().copied();
        let least_32nds = points.min().ok_or(TreadError::NotRead)?;
        if grooves_32nds.iter().any(Vec::is_empty) {
            return Err(TreadError::NotRead);
        }
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let groove = |points: &Vec<Quantity>| {
            mean(&points.iter().map(|point| point.to_f64()).collect::<Vec<_>>())
        };
        let means: Vec<f64> = grooves_32nds.iter().map(groove).collect();
        let most = means.iter().copied().fold(f64::MIN, f64::max);
        let least = means.iter().copied().fold(f64::MAX, f64::min);
        let mean_32nds = mean(&means);
        Ok(Depths { least_32nds, grooves_32nds: means, mean_32nds, apart_32nds: most - least })
    }

    /// The grooves are worn unevenly: by [`UNEVEN_32NDS`] or more.
    #[must_use]
    pub fn uneven(&self) -> bool {
        self.apart_32nds >= UNEVEN_32NDS.to_f64()
    }
}

/// Miles for each 32nd worn between two readings; none where nothing is worn.
#[must_use]
pub fn miles_per_32nd(miles: f64, from_32nds: f64, to_32nds: f64) -> Option<f64> {
    let worn = from_32nds - to_32nds;
    (worn > 0.0).then(|| miles / worn)
}

/// When a tread comes to its pull point, on the scale of the readings: an odometer in miles
/// or a day counted from any day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Where the line through the readings comes to the pull point.
    pub at: f64,
    /// Not before this, at the fastest wear of the interval.
    pub earliest: f64,
    /// Not after this, at the slowest; none where the interval takes in no wear at all.
    pub latest: Option<f64>,
    /// The wear that it rests on, 32nds for each unit of the scale.
    pub wear: Slope,
}

impl Forecast {
    /// Units of the scale, such as miles, for each 32nd.
    #[must_use]
    pub fn per_32nd(&self) -> f64 {
        -1.0 / self.wear.slope
    }
}

/// When readings (odometer or day, depth in 32nds) come to the pull point, with an interval
/// of this confidence: the limits of the slope, turned about the medians of the readings.
///
/// # Errors
/// Where there are fewer than three readings, or they show no wear.
pub fn forecast(
    readings: &[(f64, f64)],
    pull_32nds: f64,
    confidence: f64,
) -> Result<Forecast, TreadError> {
    if !pull_32nds.is_finite() {
        return Err(TreadError::NotFinite);
    }
    let wear = theil_sen(readings, confidence)?;
    if wear.slope >= 0.0 {
        return Err(TreadError::NoWear { per: wear.slope });
    }
    let ends = (wear.x_at(pull_32nds, wear.low), wear.x_at(pull_32nds, wear.high));
    let at = wear.x_at(pull_32nds, wear.slope);
    // Where the pull point is behind the medians, the faster wear came to it later.
    let (earliest, latest) = if wear.high < 0.0 {
        (ends.0.min(ends.1), Some(ends.0.max(ends.1)))
    } else {
        (ends.0.min(at), None)
    };
    Ok(Forecast { at, earliest, latest, wear })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn depths(grooves: &[&[i64]]) -> Vec<Vec<Quantity>> {
        let groove = |points: &&[i64]| points.iter().map(|one| Quantity::whole(*one)).collect();
        grooves.iter().map(groove).collect()
    }

    /// Source: 49 CFR 393.75(b): any point of a major groove; the mean and the difference are
    /// arithmetic.
    #[test]
    fn the_least_point_decides_and_the_mean_tells_of_wear() {
        let read = Depths::of(&depths(&[&[9, 8, 10], &[12, 12, 12], &[3, 9, 9]])).unwrap();
        assert_eq!(read.least_32nds, Quantity::whole(3));
        assert!(read.least_32nds < legal_least_32nds(true));
        assert!(read.least_32nds >= legal_least_32nds(false));
        assert_eq!(read.grooves_32nds, [9.0, 12.0, 7.0]);
        assert!((read.mean_32nds - 28.0 / 3.0).abs() < 1e-12);
        assert!(read.uneven());
        assert!(!Depths::of(&depths(&[&[9], &[12]])).unwrap().uneven());
        assert_eq!(Depths::of(&depths(&[&[9], &[]])), Err(TreadError::NotRead));
        assert_eq!(Depths::of(&[]), Err(TreadError::NotRead));
    }

    /// Source: trade guidance: project after two or three readings.
    #[test]
    fn no_forecast_without_ground() {
        let two = [(0.0, 22.0), (8000.0, 21.0)];
        assert_eq!(forecast(&two, 5.0, 0.95), Err(TreadError::TooFew { found: 2 }));
        let one_place = [(10.0, 22.0), (10.0, 21.0), (10.0, 20.0)];
        assert_eq!(forecast(&one_place, 5.0, 0.95), Err(TreadError::OnePlace));
        let growing = [(0.0, 20.0), (8000.0, 21.0), (16_000.0, 22.0)];
        assert!(matches!(forecast(&growing, 5.0, 0.95), Err(TreadError::NoWear { .. })));
        assert_eq!(forecast(&growing, 5.0, 1.0), Err(TreadError::Confidence(1.0)));
    }

    proptest! {
        /// Readings on a line are forecast on it, wherever their odometer begins.
        #[test]
        fn a_straight_wear_is_found(begin in 0f64..1e6, per in 3000f64..12_000.0) {
            let readings: Vec<_> =
                (0..6).map(|i| (begin + 5000.0 * f64::from(i), 22.0 - 5000.0 * f64::from(i) / per)).collect();
            let forecast = forecast(&readings, 5.0, 0.95).unwrap();
            prop_assert!((forecast.at - (begin + 17.0 * per)).abs() < 1e-3);
            prop_assert!((forecast.per_32nd() - per).abs() < 1e-3);
            prop_assert!(forecast.earliest <= forecast.at + 1e-6);
        }
    }
}
