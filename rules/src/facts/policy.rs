//! What an organisation demands beyond the rules.

use super::bounds::{Bounds, ExtendedHold, Overpressure};
use super::{Checked, Field};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An organisation may tighten a rule of common practice, never loosen it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PolicyBody)]
pub struct Policy {
    /// How far a proof hold goes above the set pressure.
    #[schema(value_type = Overpressure)]
    pub overpressure_psi: Quantity,
    /// How long an extended hold lasts without a break.
    #[schema(value_type = ExtendedHold)]
    pub extended_hold_s: Quantity,
    /// Whether a never-suspect casing may be released bolted on the vehicle.
    pub bolted_on_path: bool,
}

impl Policy {
    /// Common practice, no published source: 20 psi over for 20 minutes.
    pub const LEAST_OVERPRESSURE_PSI: Quantity = Overpressure::LEAST;
    /// Common practice, no published source: 20 minutes.
    pub const LEAST_EXTENDED_HOLD_S: Quantity = ExtendedHold::LEAST;
}

impl Default for Policy {
    fn default() -> Policy {
        Policy {
            overpressure_psi: Policy::LEAST_OVERPRESSURE_PSI,
            extended_hold_s: Policy::LEAST_EXTENDED_HOLD_S,
            bolted_on_path: false,
        }
    }
}

impl Checked for Policy {
    fn check(&self, fields: &mut Vec<Field>) {
        asks::<Overpressure>(fields, "overpressure_psi", self.overpressure_psi);
        asks::<ExtendedHold>(fields, "extended_hold_s", self.extended_hold_s);
    }
}

fn asks<B: Bounds>(fields: &mut Vec<Field>, name: &str, amount: Quantity) {
    if !(B::LEAST..=B::MOST).contains(&amount) {
        let (least, most, unit) = (B::LEAST, B::MOST, B::UNIT);
        let say =
            format!("A policy may ask for more, never for less: from {least} to {most} {unit}.");
        fields.push(Field::new(format!("/facts/{name}"), say));
    }
}
