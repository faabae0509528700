//! A share, and how well a count tells it.

use super::{LifeError, z};
use serde::Serialize;
use utoipa::ToSchema;

/// A share with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Proportion {
    /// The share.
    pub rate: f64,
    /// The lower end of its interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// The share of these in all, with Wilson's score interval of this confidence (0.95 is 95 %),
/// which holds for few and for none too.
///
/// Source: Wilson 1927 (J. Am. Stat. Assoc. 22:209), without correction for continuity.
///
/// # Errors
/// Where there are none at all, more count than there are, or the confidence is not between 0
/// and 1.
pub fn wilson(count: u64, of: u64, confidence: f64) -> Result<Proportion, LifeError> {
    let z = z(confidence)?;
    if of == 0 || count > of {
        return Err(LifeError::Count { count, of });
    }
    let n = of as f64;
    let rate = count as f64 / n;
    let spread = z * (rate * (1.0 - rate) / n + z * z / (4.0 * n * n)).sqrt();
    let middle = rate + z * z / (2.0 * n);
    let end = |end: f64| (end / (1.0 + z * z / n)).clamp(0.0, 1.0);
    // At the ends the exact value is known; rounding must not leave a hair.
    let low = if count == 0 { 0.0 } else { end(middle - spread) };
    let high = if count == of { 1.0 } else { end(middle + spread) };
    Ok(Proportion { rate, low, high })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn more_than_all_is_refused() {
        assert_eq!(wilson(3, 2, 0.95), Err(LifeError::Count { count: 3, of: 2 }));
        assert_eq!(wilson(0, 0, 0.95), Err(LifeError::Count { count: 0, of: 0 }));
        assert_eq!(wilson(1, 2, 1.0), Err(LifeError::Confidence(1.0)));
    }

    proptest! {
        /// By its definition: its ends are where the score test just rejects, and the rest is
        /// its mirror image.
        #[test]
        fn its_ends_are_where_the_score_test_rejects(of in 1u64..5000, part in 0.0f64..=1.0) {
            let count = (part * of as f64) as u64;
            let share = wilson(count, of, 0.95).unwrap();
            prop_assert!(share.low <= share.rate && share.rate <= share.high);
            let rest = wilson(of - count, of, 0.95).unwrap();
            prop_assert!((share.low + rest.high - 1.0).abs() < 1e-12);
            for end in [share.low, share.high].into_iter().filter(|end| *end > 0.0 && *end < 1.0) {
                let score = (share.rate - end).abs() / (end * (1.0 - end) / of as f64).sqrt();
                prop_assert!((score - z(0.95).unwrap()).abs() < 1e-6);
            }
        }
    }
}
