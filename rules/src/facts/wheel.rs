//! Wheels.

use super::bounds::{Psi, Rim, RimWidth, within};
use super::{Checked, Field, shape};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How a wheel is built.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WheelKind {
    /// One piece.
    SinglePiece,
    /// Parts held by a side or lock ring, 29 CFR 1910.177(b).
    MultiPiece,
    /// Two halves bolted together, without a ring.
    Divided,
    /// Beads clamped to the rim.
    BeadLock,
}

/// A wheel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WheelBody)]
pub struct Wheel {
    /// How it is built.
    pub kind: WheelKind,
    /// Bead diameter code.
    #[schema(value_type = Rim)]
    pub rim_in: Quantity,
    /// Rim width code.
    #[schema(value_type = RimWidth)]
    pub width_in: Quantity,
    /// The highest pressure it is rated for.
    #[schema(value_type = Psi)]
    pub rated_psi: Quantity,
    /// A rim without disc, clamped to a spoke wheel.
    #[serde(default)]
    pub demountable: bool,
}

impl Checked for Wheel {
    fn check(&self, fields: &mut Vec<Field>) {
        within::<Rim>(fields, "rim_in", self.rim_in);
        within::<RimWidth>(fields, "width_in", self.width_in);
        within::<Psi>(fields, "rated_psi", self.rated_psi);
    }
}

/// What is wrong with a wheel, 29 CFR 1910.177(e)(2), (f)(9), (g)(12).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Fault {
    Bent,
    Pitted,
    Cracked,
    Broken,
    Reworked,
    Welded,
    Brazed,
    Heated,
}

/// `tagged`: a bad wheel was marked unserviceable and taken out of the work area.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Tagged {
    /// What is wrong with it.
    #[schema(min_items = 1)]
    pub faults: Vec<Fault>,
}

shape!(Tagged, |tagged, fields| {
    if tagged.faults.is_empty() {
        fields.push(Field::new("/facts/faults", "At least one fault is expected."));
    }
});
