//! Proof holds: a mounted casing is kept above its operating pressure in a cage,
//! and the readings are judged.
//!
//! Failing needs positive evidence, passing needs complete evidence: an
//! interruption or a poor gauge can never turn into a pass. Pressure alone
//! cannot clear a casing: a pass carries the look-and-listen result too.
//!
//! The hold is dangerous work: goggles and hearing protection, remote inflation,
//! everybody out of the trajectory. Local codes and licensed practice come first;
//! a pass does not make a tire safe.

mod gauge;
mod judge;
mod run;

#[cfg(test)]
mod limits;
#[cfg(test)]
mod properties;
#[cfg(test)]
mod tests;

pub use gauge::{Gauge, Grade};
pub use judge::{HoldError, HoldInput, judge};

use crate::Quantity;
use crate::facts::bounds::{Elapsed, Psi, Temperature};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{ArrayBuilder, ArrayItems, Schema};
use utoipa::{PartialSchema, ToSchema};

/// What a hold has to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HoldKind {
    /// It reached the pressure and nothing let go.
    Standard,
    /// It kept the pressure without a break for the time of the policy.
    Extended,
}

/// How readings were taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// At most 60 s apart, with temperatures, a fine gauge and the supply isolated.
    Logged,
    /// At least every 5 minutes, with the gauge of a real shop.
    Watched,
}

/// One reading: `[seconds, psi]` or `[seconds, psi, degrees Fahrenheit]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Seconds since the hold began.
    pub at_s: Quantity,
    /// Gauge pressure.
    pub psi: Quantity,
    /// Temperature of tire or room.
    pub temp_f: Option<Quantity>,
}

impl Serialize for Reading {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.temp_f {
            Some(temp_f) => (self.at_s, self.psi, temp_f).serialize(serializer),
            None => (self.at_s, self.psi).serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Reading {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Reading, D::Error> {
        let values = Vec::<Quantity>::deserialize(deserializer)?;
        match values[..] {
            [at_s, psi] => Ok(Reading { at_s, psi, temp_f: None }),
            [at_s, psi, temp_f] => Ok(Reading { at_s, psi, temp_f: Some(temp_f) }),
            _ => Err(serde::de::Error::custom(
                "a reading is [seconds, psi] or [seconds, psi, degrees F]",
            )),
        }
    }
}

impl PartialSchema for Reading {
    fn schema() -> RefOr<Schema> {
        let parts = [Elapsed::schema(), Psi::schema(), Temperature::schema()];
        let parts = parts.into_iter().filter_map(|part| match part {
            RefOr::T(schema) => Some(schema),
            RefOr::Ref(_) => None,
        });
        ArrayBuilder::new()
            .prefix_items(parts)
            .items(ArrayItems::False)
            .min_items(Some(2))
            .max_items(Some(3))
            .description(Some(
                "Seconds since the hold began, gauge psi, and degrees Fahrenheit where taken.",
            ))
            .build()
            .into()
    }
}

impl ToSchema for Reading {}

/// What was done to the air during a hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HoldEventKind {
    /// Some air was let out on purpose.
    Bled,
    /// The hold was ended and the air let down.
    Vent,
}

/// Something done during a hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldEvent {
    /// Seconds since the hold began.
    #[schema(value_type = Elapsed)]
    pub at_s: Quantity,
    /// What.
    pub what: HoldEventKind,
}

/// How a hold came out. A failed or inconclusive hold is a result, not a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The evidence is complete and good.
    Pass,
    /// It loses air.
    Leak,
    /// Pressure fell at one blow: a cord or a bead let go.
    SuddenLoss,
    /// It was taken above the limit.
    OverLimit,
    /// Nothing is shown either way; hold it again.
    Inconclusive,
}

/// The judgement of a hold. Quantities are rounded to hundredths.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldResult {
    /// How it came out.
    pub verdict: Verdict,
    /// By which rules it was judged.
    pub judged_as: Evidence,
    /// Set pressure and overpressure, never lowered.
    pub target_psi: Quantity,
    /// The pressure it might not pass.
    pub limit_psi: Quantity,
    /// Held at the limit, because the target passes it.
    pub at_limit: bool,
    /// How far the gauge may be off at the pressure held; left out where nobody
    /// knows: out of calibration, or a pressure beyond its span.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error_bound_psi: Option<Quantity>,
    /// When the run of readings began that passed or leaked, else the longest
    /// without a break, in seconds; left out where the verdict needed no run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_s: Option<Quantity>,
    /// How long that run lasted, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<Quantity>,
    /// Loss over that run, with temperature taken out where it was taken; left
    /// out where the readings are too few or too far apart to work it out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drop_psi: Option<Quantity>,
    /// How uncertain that loss is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty_psi: Option<Quantity>,
    /// How far the temperature moved over that run; left out where one is missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temp_swing_f: Option<Quantity>,
    /// Why, in plain words for the crew.
    pub because: Vec<String>,
}
