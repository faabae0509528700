//! Quantities without floating point.

use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use std::fmt;
use std::ops::{Add, Sub};

/// A measured or set amount, kept exactly as hundredths of the unit that its
/// field name carries (`_psi`, `_32nds`, `_in`, `_lb`, `_mi`, `_ft_lb`, `_f`, `_s`).
///
/// In JSON it is a number with at most two decimals. A third decimal is
/// refused rather than rounded: a ledger keeps what was sent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Quantity(i64);

/// The largest amount a quantity may have, in units; far beyond every bound
/// that a field states, and small enough that hundredths are exact in a double.
const LARGEST: f64 = 1e12;

impl Quantity {
    /// Nothing of the unit.
    pub const ZERO: Quantity = Quantity(0);

    /// So many hundredths of the unit.
    #[must_use]
    pub const fn from_hundredths(hundredths: i64) -> Quantity {
        Quantity(hundredths)
    }

    /// So many whole units.
    #[must_use]
    pub const fn whole(units: i64) -> Quantity {
        Quantity(units * 100)
    }

    /// The amount in hundredths of the unit.
    #[must_use]
    pub const fn hundredths(self) -> i64 {
        self.0
    }

    /// So many times the amount.
    #[must_use]
    pub const fn times(self, many: i64) -> Quantity {
        Quantity(self.0 * many)
    }

    /// The amount in units, for computations that need real numbers.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        self.0 as f64 / 100.0
    }

    /// The amount in units rounded to the nearest hundredth.
    #[must_use]
    pub fn nearest(units: f64) -> Quantity {
        Quantity((units * 100.0).round() as i64)
    }

    /// The amount, if `units` has at most two decimals.
    #[must_use]
    pub fn exact(units: f64) -> Option<Quantity> {
        if !units.is_finite() || units.abs() > LARGEST {
            return None;
        }
        let hundredths = (units * 100.0).round();
        // Division rounds correctly, so a two-decimal text gives back the same double.
        (hundredths / 100.0 == units).then_some(Quantity(hundredths as i64))
    }

    /// `percent` hundredths of this amount are at or above `part`, exactly.
    #[must_use]
    pub fn at_or_below_percent(part: Quantity, percent: i64, of: Quantity) -> bool {
        part.0 * 100 <= of.0 * percent
    }

    /// The absolute difference of two amounts.
    #[must_use]
    pub fn apart(self, other: Quantity) -> Quantity {
        Quantity((self.0 - other.0).abs())
    }
}

impl Add for Quantity {
    type Output = Quantity;
    fn add(self, other: Quantity) -> Quantity {
        Quantity(self.0 + other.0)
    }
}

impl Sub for Quantity {
    type Output = Quantity;
    fn sub(self, other: Quantity) -> Quantity {
        Quantity(self.0 - other.0)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let (units, rest) = (self.0.abs() / 100, self.0.abs() % 100);
        match rest {
            0 => write!(f, "{sign}{units}"),
            r if r % 10 == 0 => write!(f, "{sign}{units}.{}", r / 10),
            r => write!(f, "{sign}{units}.{r:02}"),
        }
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.0 % 100 == 0 {
            serializer.serialize_i64(self.0 / 100)
        } else {
            serializer.serialize_f64(self.to_f64())
        }
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Quantity, D::Error> {
        let units = f64::deserialize(deserializer)?;
        Quantity::exact(units)
            .ok_or_else(|| D::Error::custom("a number with at most two decimals is expected"))
    }
}

impl utoipa::PartialSchema for Quantity {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        crate::facts::bounds::amount()
            .description(Some(
                "A number with at most two decimals, in the unit of the field's name.",
            ))
            .build()
            .into()
    }
}

impl utoipa::ToSchema for Quantity {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn third_decimal_is_refused_not_rounded() {
        assert!(serde_json::from_str::<Quantity>("120.345").is_err());
        assert!(serde_json::from_str::<Quantity>("1e300").is_err());
        assert_eq!(serde_json::from_str::<Quantity>("120.3").unwrap().hundredths(), 12030);
    }

    /// 29 CFR 1910.177(f)(2)(i): "80 % or less". 80 % of 110 psi is 88 psi.
    #[test]
    fn eighty_percent_is_exact_and_inclusive() {
        let set = Quantity::whole(110);
        assert!(Quantity::at_or_below_percent(Quantity::whole(88), 80, set));
        assert!(!Quantity::at_or_below_percent(Quantity::from_hundredths(8801), 80, set));
    }

    proptest! {
        #[test]
        fn json_gives_back_the_same_hundredths(hundredths in -10_000_000_000i64..10_000_000_000) {
            let quantity = Quantity::from_hundredths(hundredths);
            let text = serde_json::to_string(&quantity).unwrap();
            prop_assert_eq!(serde_json::from_str::<Quantity>(&text).unwrap(), quantity);
        }
    }
}
