//! People and what they are trained for.

use super::bounds::{ShortText, named};
use super::wheel::WheelKind;
use super::{Checked, Field, shape};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A person. The name is `personal`, so that it can be erased on a legal order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = PersonBody)]
pub struct Person {
    /// The firm that a technician comes from, where it is not the fleet itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>)]
    pub employer: Option<String>,
}

impl Checked for Person {
    fn check(&self, fields: &mut Vec<Field>) {
        if let Some(employer) = &self.employer {
            named(fields, "employer", employer);
        }
    }
}

/// The abilities of 29 CFR 1910.177(c)(2), in its order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ability {
    /// (c)(2)(i): demounting, deflation included.
    DemountDeflate,
    /// (c)(2)(ii): inspecting and identifying components.
    InspectIdentify,
    /// (c)(2)(iii): mounting, inflation with a restraining device included.
    MountInflate,
    /// (c)(2)(iv): using the restraining device or barrier.
    UseRestraint,
    /// (c)(2)(v): handling.
    Handle,
    /// (c)(2)(vi): inflating a single-piece wheel on the vehicle.
    InflateOnVehicle,
    /// (c)(2)(vii): standing clear of the trajectory.
    Trajectory,
    /// (c)(2)(viii): installing and removing.
    InstallRemove,
}

/// `trained`: a person was trained or evaluated for a kind of wheel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Trained {
    /// The kind of wheel.
    pub wheel_kind: WheelKind,
    /// What was shown.
    #[schema(min_items = 1, max_items = 8)]
    pub abilities: Vec<Ability>,
    /// The evaluation says train again: the abilities do not count until they
    /// are shown again, 29 CFR 1910.177(c)(3).
    #[serde(default)]
    pub retrain: bool,
}

shape!(Trained, |trained, fields| {
    if trained.abilities.is_empty() || trained.abilities.len() > 8 {
        fields.push(Field::new("/facts/abilities", "One to eight abilities are expected."));
    }
});
