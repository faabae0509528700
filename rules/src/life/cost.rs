//! What a tread life costs, for each mile and for each 32nd of an inch of tread.
//!
//! The cost of a life is all that was paid for it (purchase or retread, mounting, repairs, and
//! at the end the fee for scrap), less what the casing brought. Source: trade practice.

use std::iter::Sum;

/// What a life, or several together, cost and gave.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Run {
    /// All that was paid less what was got back, hundredths of the currency's unit.
    pub cents: i64,
    /// Miles that it ran.
    pub miles: f64,
    /// Tread that was worn off, 32nds of an inch.
    pub worn_32nds: f64,
}

impl Run {
    /// Hundredths of the currency's unit for each mile; none where it never ran.
    #[must_use]
    pub fn cents_per_mile(&self) -> Option<f64> {
        (self.miles > 0.0).then(|| self.cents as f64 / self.miles)
    }

    /// The same for each 32nd that was worn off; none where nothing was.
    #[must_use]
    pub fn cents_per_32nd(&self) -> Option<f64> {
        (self.worn_32nds > 0.0).then(|| self.cents as f64 / self.worn_32nds)
    }

    /// Without what the casing is worth under its tread, which another life uses.
    #[must_use]
    pub fn without_casing(self, value_cents: i64) -> Run {
        Run { cents: self.cents - value_cents, ..self }
    }

    /// The worth of tread that is thrown away when the tire is pulled at one depth instead of
    /// a lesser one, hundredths; none where nothing was worn.
    #[must_use]
    pub fn unused_cents(&self, pulled_32nds: f64, could_32nds: f64) -> Option<f64> {
        Some((pulled_32nds - could_32nds) * self.cents_per_32nd()?)
    }
}

/// Several lives together: the whole casing, or all of a model.
impl Sum for Run {
    fn sum<I: Iterator<Item = Run>>(lives: I) -> Run {
        lives.fold(Run::default(), |all, life| Run {
            cents: all.cents + life.cents,
            miles: all.miles + life.miles,
            worn_32nds: all.worn_32nds + life.worn_32nds,
        })
    }
}
