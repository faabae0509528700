//! What a tire is put together with: the parts of a multi-piece wheel, tube and flap.

use crate::facts::Field;
use crate::facts::bounds::{ShortText, named};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The parts of a multi-piece wheel as they are stamped, 29 CFR 1910.177(b). What is left out
/// is not there, or its stamp cannot be read.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WheelParts)]
pub struct Parts {
    /// The rim base.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LB-20-75", value_type = Option<ShortText>)]
    pub base: Option<String>,
    /// The side ring.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LS-20", value_type = Option<ShortText>)]
    pub side_ring: Option<String>,
    /// The lock ring.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LK-20", value_type = Option<ShortText>)]
    pub lock_ring: Option<String>,
}

impl Parts {
    pub(super) fn check(&self, fields: &mut Vec<Field>) {
        let stamps =
            [("base", &self.base), ("side_ring", &self.side_ring), ("lock_ring", &self.lock_ring)];
        for (name, stamp) in stamps {
            if let Some(stamp) = stamp {
                named(fields, &format!("parts/{name}"), stamp);
            }
        }
    }
}

/// A tube, or the flap between tube and rim.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = TubeOrFlap)]
pub struct Tube {
    /// The size of the tire that it is made for.
    #[schema(example = "10.00R20", value_type = ShortText)]
    pub size: String,
    /// It is marked for radial tires.
    #[serde(default)]
    pub radial: bool,
    /// It was never used before.
    #[serde(default)]
    pub new: bool,
}

impl Tube {
    pub(super) fn check(&self, fields: &mut Vec<Field>, name: &str) {
        named(fields, &format!("{name}/size"), &self.size);
    }
}
