//! How far a gauge may be off.

use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Accuracy grade of a dial or digital gauge, in per cent of span. Grades A and B
/// as quoted in public manuals of such gauges; the others from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[allow(missing_docs)]
pub enum Grade {
    #[serde(rename = "4A")]
    FourA,
    #[serde(rename = "3A")]
    ThreeA,
    #[serde(rename = "2A")]
    TwoA,
    #[serde(rename = "1A")]
    OneA,
    A,
    B,
    C,
    D,
}

impl Grade {
    /// Hundredths of a per cent of span: in the outer quarters, in the middle half.
    fn per_myriad(self) -> (i64, i64) {
        match self {
            Grade::FourA => (10, 10),
            Grade::ThreeA => (25, 25),
            Grade::TwoA => (50, 50),
            Grade::OneA => (100, 100),
            Grade::A => (200, 100),
            Grade::B => (300, 200),
            Grade::C => (400, 300),
            Grade::D => (500, 500),
        }
    }
}

/// A gauge on the day of the hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gauge {
    /// Full scale.
    pub span_psi: Quantity,
    /// Accuracy grade.
    pub grade: Grade,
    /// The smallest step it shows.
    pub resolution_psi: Quantity,
    /// Its calibration holds on that day.
    pub in_calibration: bool,
}

impl Gauge {
    /// How far it may be off at a pressure. Exactly at a quarter point of the
    /// span the larger error counts. Rounded up to hundredths.
    #[must_use]
    pub fn error_psi(&self, at: Quantity) -> Quantity {
        let (outer, middle) = self.grade.per_myriad();
        let (at, span) = (at.hundredths(), self.span_psi.hundredths());
        let share = if at * 4 <= span || at * 4 >= span * 3 { outer } else { middle };
        Quantity::from_hundredths((span * share + 9_999) / 10_000)
    }

    /// Good enough to compute a leak: within 2 psi, in steps of at most 0.5 psi.
    #[must_use]
    pub fn fit_for_logged(&self, at: Quantity) -> bool {
        self.fit(at, 200, 50)
    }

    /// Good enough to be watched: within 4 psi, in steps of at most 2 psi.
    #[must_use]
    pub fn fit_for_watched(&self, at: Quantity) -> bool {
        self.fit(at, 400, 200)
    }

    fn fit(&self, at: Quantity, error: i64, step: i64) -> bool {
        self.in_calibration
            && at <= self.span_psi
            && self.error_psi(at) <= Quantity::from_hundredths(error)
            && self.resolution_psi <= Quantity::from_hundredths(step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: grade B is 3-2-3 per cent of span in public gauge manuals.
    #[test]
    fn larger_error_counts_at_the_quarter_points() {
        let gauge = Gauge {
            span_psi: Quantity::whole(200),
            grade: Grade::B,
            resolution_psi: Quantity::whole(2),
            in_calibration: true,
        };
        for (at, error) in [(50, 6), (51, 4), (120, 4), (149, 4), (150, 6)] {
            assert_eq!(gauge.error_psi(Quantity::whole(at)), Quantity::whole(error), "{at}");
        }
        assert!(gauge.fit_for_watched(Quantity::whole(120)));
        assert!(!gauge.fit_for_logged(Quantity::whole(120)));
        assert!(!gauge.fit_for_watched(Quantity::whole(150)));
    }
}
