//! The slope through readings that a blunder does not bend: Theil and Sen's.

use super::TreadError;
use statrs::distribution::{ContinuousCDF, Normal};

/// A slope with its interval, and the line through the medians.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Median of the slopes of all pairs, y for each x.
    pub slope: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
    /// Median of x.
    pub median_x: f64,
    /// Median of y.
    pub median_y: f64,
}

impl Slope {
    /// Where the line through the medians meets x = 0.
    #[must_use]
    pub fn intercept(&self) -> f64 {
        self.median_y - self.slope * self.median_x
    }

    /// Where a line of this slope, turned about the medians, comes to y.
    pub(super) fn x_at(&self, y: f64, slope: f64) -> f64 {
        self.median_x + (y - self.median_y) / slope
    }
}

/// The Theil–Sen slope through points (x, y), with Sen's interval at this confidence
/// (0.95 is 95 %). Pairs of equal x are left out; ties widen the interval.
///
/// Source: Sen 1968 (J. Am. Stat. Assoc. 63:1379), with the indices that SciPy takes.
///
/// # Errors
/// Where there are fewer than three points, all have one x, a value is not finite, or the
/// confidence is not between 0 and 1.
pub fn theil_sen(points: &[(f64, f64)], confidence: f64) -> Result<Slope, TreadError> {
    if points.len() < super::FEWEST {
        return Err(TreadError::TooFew { found: points.len() });
    }
    if points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return Err(TreadError::NotFinite);
    }
    let inside = confidence > 0.0 && confidence < 1.0;
    let z = inside.then(|| standard_normal_quantile(0.5 + confidence / 2.0)).flatten();
    let z = z.ok_or(TreadError::Confidence(confidence))?;
    let pairs =
        points.iter().enumerate().flat_map(|(i, a)| points[..i].iter().map(move |b| (a, b)));
    let mut slopes: Vec<f64> =
        pairs.filter(|(a, b)| a.0 != b.0).map(|(a, b)| (a.1 - b.1) / (a.0 - b.0)).collect();
    if slopes.is_empty() {
        return Err(TreadError::OnePlace);
    }
    slopes.sort_by(f64::total_cmp);
    let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let (low, high) = interval(&slopes, &xs, &ys, z);
    Ok(Slope {
        slope: median(slopes.clone()),
        low,
        high,
        median_x: median(xs),
        median_y: median(ys),
    })
}

fn standard_normal_quantile(p: f64) -> Option<f64> {
    Some(Normal::new(0.0, 1.0).ok()?.inverse_cdf(p))
}

fn interval(slopes: &[f64], xs: &[f64], ys: &[f64], z: f64) -> (f64, f64) {
    let spread = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let tied = |values: &[f64]| {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted.chunk_by(|a, b| a == b).map(|tie| spread(tie.len() as f64)).sum::<f64>()
    };
    let sigma = ((spread(xs.len() as f64) - tied(xs) - tied(ys)) / 18.0).max(0.0).sqrt();
    let many = slopes.len() as f64;
    let upper = ((many + z * sigma) / 2.0).round_ties_even().min(many - 1.0);
    let lower = (((many - z * sigma) / 2.0).round_ties_even() - 1.0).max(0.0);
    (slopes[lower as usize], slopes[upper as usize])
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    }
}
