//! A Weibull life, fitted where some have not ended yet.

use super::{LifeError, Watched, by_time};
use serde::Serialize;
use statrs::function::gamma::gamma;
use utoipa::ToSchema;

/// A Weibull life: the share exp(-(t / scale)^shape) lasts longer than t.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Weibull {
    /// The time that 63.2 % do not outlast.
    pub scale: f64,
    /// Below 1 the young end more often, above 1 the old.
    pub shape: f64,
    /// Standard error of the scale, from the observed information.
    pub scale_se: f64,
    /// Standard error of the shape.
    pub shape_se: f64,
    /// Covariance of both.
    pub covariance: f64,
    /// Logarithm of the likelihood, natural.
    pub log_likelihood: f64,
}

impl Weibull {
    /// The time that this share of them does not outlast: 0.1 gives what engineers call B10.
    #[must_use]
    pub fn quantile(&self, share: f64) -> f64 {
        self.scale * (-(-share).ln_1p()).powf(1.0 / self.shape)
    }

    /// The mean life.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.scale * gamma(1.0 + 1.0 / self.shape)
    }

    /// The share that lasts longer than this time.
    #[must_use]
    pub fn survival(&self, time: f64) -> f64 {
        (-(time / self.scale).powf(self.shape)).exp()
    }
}

/// The Weibull life of the greatest likelihood, lives still in use counted as lasting longer.
///
/// Source: Cohen 1965 (Technometrics 7:579): the equation of the shape, which has one root.
///
/// # Errors
/// Where there is no life, none has ended, a time is negative or not finite, one ended at
/// zero, or all that ended did so at the longest time: then no shape is the likeliest.
pub fn weibull(watched: &[Watched]) -> Result<Weibull, LifeError> {
    let sorted = by_time(watched)?;
    if let Some(wrong) = sorted.iter().find(|one| one.ended && one.time == 0.0) {
        return Err(LifeError::Time(wrong.time));
    }
    let longest = sorted[sorted.len() - 1].time;
    // Logarithms of times in units of the longest, so that no power overflows. What was
    // watched for no time says nothing.
    let logs: Vec<f64> =
        sorted.iter().filter(|one| one.time > 0.0).map(|one| (one.time / longest).ln()).collect();
    let ended = sorted.iter().filter(|one| one.ended).map(|one| (one.time / longest).ln());
    let (ends, sum) = ended.fold((0.0, 0.0), |(ends, sum), log| (ends + 1.0, sum + log));
    if ends == 0.0 {
        return Err(LifeError::NoneEnded { watched: watched.len() });
    }
    let mean = sum / ends;
    if mean == 0.0 {
        return Err(LifeError::OneTime(longest));
    }
    let shape = shape(&logs, mean);
    let powers: f64 = logs.iter().map(|log| (shape * log).exp()).sum();
    let log_scale = (powers / ends).ln() / shape;
    Ok(with_errors(&logs, ends, sum, (log_scale, shape), longest))
}

/// The root of the likelihood's equation, which rises with the shape: found between a lower
/// and an upper bound by Newton's steps, halving where a step leaves them.
fn shape(logs: &[f64], mean: f64) -> f64 {
    let equation = |shape: f64| {
        let (mut zero, mut one, mut two) = (0.0, 0.0, 0.0);
        for log in logs {
            let power = (shape * log).exp();
            zero += power;
            one += power * log;
            two += power * log * log;
        }
        let weighted = one / zero;
        let value = weighted - 1.0 / shape - mean;
        (value, two / zero - weighted * weighted + 1.0 / (shape * shape))
    };
    let (mut below, mut above) = (0.0, 1.0);
    while equation(above).0 < 0.0 {
        (below, above) = (above, above * 2.0);
    }
    let mut shape = f64::midpoint(below, above);
    for _ in 0..200 {
        let (value, slope) = equation(shape);
        if value < 0.0 {
            below = shape
        } else {
            above = shape
        }
        let step = shape - value / slope;
        let next = if step > below && step < above { step } else { f64::midpoint(below, above) };
        if (next - shape).abs() <= f64::EPSILON * shape {
            return next;
        }
        shape = next;
    }
    shape
}

/// Standard errors from the second derivatives of the likelihood at its top.
fn with_errors(logs: &[f64], ends: f64, sum: f64, top: (f64, f64), unit: f64) -> Weibull {
    let (log_scale, shape) = top;
    let (mut zero, mut one, mut two) = (0.0, 0.0, 0.0);
    for log in logs {
        let apart = log - log_scale;
        let power = (shape * apart).exp();
        zero += power;
        one += power * apart;
        two += power * apart * apart;
    }
    let scale = log_scale.exp() * unit;
    let of_scale = (shape * (shape + 1.0) * zero - ends * shape) / (scale * scale);
    let of_shape = ends / (shape * shape) + two;
    let of_both = (ends - zero - shape * one) / scale;
    let determinant = of_scale * of_shape - of_both * of_both;
    Weibull {
        scale,
        shape,
        scale_se: (of_shape / determinant).sqrt(),
        shape_se: (of_scale / determinant).sqrt(),
        covariance: -of_both / determinant,
        log_likelihood: ends * (shape.ln() - shape * log_scale - unit.ln()) + (shape - 1.0) * sum
            - zero,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn no_life_is_the_likeliest() {
        let at = |time, ended| Watched { time, ended };
        assert_eq!(weibull(&[at(4.0, false)]), Err(LifeError::NoneEnded { watched: 1 }));
        assert_eq!(weibull(&[at(0.0, true), at(4.0, true)]), Err(LifeError::Time(0.0)));
        let one_time = [at(2.0, false), at(4.0, true), at(4.0, true)];
        assert_eq!(weibull(&one_time), Err(LifeError::OneTime(4.0)));
    }

    proptest! {
        /// By its definition: no other scale and shape near it is likelier, and the unit of
        /// time stretches the scale only.
        #[test]
        fn no_other_is_likelier(
            lives in proptest::collection::vec((1u32..1000, any::<bool>()), 3..40),
            unit in 0.001f64..1000.0,
        ) {
            let told = |unit: f64| -> Vec<Watched> {
                let one = |&(time, ended)| Watched { time: f64::from(time) * unit, ended };
                lives.iter().map(one).collect()
            };
            let Ok(fit) = weibull(&told(1.0)) else { return Ok(()) };
            let likelihood = |scale: f64, shape: f64| -> f64 {
                let one = |life: &Watched| {
                    let part = life.time / scale;
                    let ends = (shape / scale).ln() + (shape - 1.0) * part.ln();
                    f64::from(u8::from(life.ended)) * ends - part.powf(shape)
                };
                told(1.0).iter().map(one).sum()
            };
            let top = likelihood(fit.scale, fit.shape);
            prop_assert!((top - fit.log_likelihood).abs() < 1e-6 * (1.0 + top.abs()));
            for (scale, shape) in [(1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99)] {
                prop_assert!(likelihood(fit.scale * scale, fit.shape * shape) <= top + 1e-9);
            }
            let stretched = weibull(&told(unit)).unwrap();
            prop_assert!((stretched.shape / fit.shape - 1.0).abs() < 1e-6);
            prop_assert!((stretched.scale / fit.scale / unit - 1.0).abs() < 1e-6);
        }
    }
}
