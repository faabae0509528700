//! How far a gauge may be off.

use super::Evidence;
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Accuracy grade of a dial or digital gauge, in per cent of span. Grades A and B
/// as quoted in public manuals of such gauges; the others from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum Grade {
    /// 0.1 %.
    #[serde(rename = "4A")]
    FourA,
    /// 0.25 %.
    #[serde(rename = "3A")]
    ThreeA,
    /// 0.5 %.
    #[serde(rename = "2A")]
    TwoA,
    /// 1 %.
    #[serde(rename = "1A")]
    OneA,
    /// 2 %, in the middle half of the span 1 %.
    A,
    /// 3 %, in the middle half of the span 2 %.
    B,
    /// 4 %, in the middle half of the span 3 %.
    C,
    /// 5 %.
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
    /// How far it may be off at a pressure, rounded up to hundredths. Exactly at
    /// a quarter point of the span the larger error counts. Unknown out of
    /// calibration and beyond the span.
    #[must_use]
    pub fn error_bound_psi(&self, at: Quantity) -> Option<Quantity> {
        if !self.in_calibration || at > self.span_psi {
            return None;
        }
        let (outer, middle) = self.grade.per_myriad();
        let (at, span) = (at.hundredths(), self.span_psi.hundredths());
        let share = if at * 4 <= span || at * 4 >= span * 3 { outer } else { middle };
        // Rounding up keeps comparisons with whole hundredths exact.
        Some(Quantity::from_hundredths((span * share + 9_999).div_euclid(10_000)))
    }

    /// Why it is not good enough for this evidence at a pressure; nothing where it is.
    ///
    /// A leak is computed (`logged`) within 2 psi and in steps of at most 0.5 psi;
    /// a shop's gauge is watched within 4 psi and in steps of at most 2 psi. Source:
    /// pressure-decay practice (a gauge finer than the limit) for the first; common
    /// practice, no published source, for the second.
    #[must_use]
    pub fn unfit_for(&self, evidence: Evidence, at: Quantity) -> Option<String> {
        let (error_psi, step_psi) = match evidence {
            Evidence::Logged => (Quantity::whole(2), Quantity::from_hundredths(50)),
            Evidence::Watched => (Quantity::whole(4), Quantity::whole(2)),
        };
        match self.error_bound_psi(at) {
            None if self.in_calibration => Some(format!("the gauge does not reach {at} psi.")),
            None => Some("the gauge is out of calibration.".to_owned()),
            Some(error) if error > error_psi => {
                Some(format!("the gauge may be off by {error} psi, {error_psi} psi is the most."))
            }
            Some(_) if self.resolution_psi > step_psi => Some(format!(
                "the gauge shows steps of {} psi, {step_psi} psi is the most.",
                self.resolution_psi
            )),
            Some(_) => None,
        }
    }
}
