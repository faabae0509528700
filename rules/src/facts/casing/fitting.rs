//! What happens to an assembly on a vehicle.

use super::{Damage, Mark};
use crate::Quantity;
use crate::facts::bounds::{Diameter, Grooves, Odometer, Psi, Torque, depths, within};
use crate::facts::vehicle::Position;
use crate::facts::{Field, shape};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// `installed`: an assembly was put on a vehicle's axle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Installed {
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// The vehicle.
    pub vehicle: Uuid,
    /// The position.
    pub position: Position,
    /// Torque of the nuts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Torque>)]
    pub torque_ft_lb: Option<Quantity>,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Odometer>)]
    pub odometer_mi: Option<Quantity>,
    /// Cold pressure; the operating pressure of the release where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub psi: Option<Quantity>,
    /// Tread depths, points in each major groove.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Grooves>)]
    pub grooves_32nds: Option<Vec<Vec<Quantity>>>,
    /// Outside diameter, mounted and inflated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Diameter>)]
    pub diameter_in: Option<Quantity>,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default)]
    pub damage: Vec<Damage>,
}

shape!(Installed, |installed, fields| {
    if let Some(mark) = &installed.read {
        mark.check(fields);
    }
    if let Some(psi) = installed.psi {
        within::<Psi>(fields, "psi", psi);
    }
    if let Some(grooves) = &installed.grooves_32nds {
        depths(fields, "grooves_32nds", grooves);
    }
    if let Some(diameter) = installed.diameter_in {
        within::<Diameter>(fields, "diameter_in", diameter);
    }
    fastened(fields, installed.torque_ft_lb, installed.odometer_mi);
});

fn fastened(fields: &mut Vec<Field>, torque: Option<Quantity>, odometer: Option<Quantity>) {
    if let Some(torque) = torque {
        within::<Torque>(fields, "torque_ft_lb", torque);
    }
    if let Some(odometer) = odometer {
        within::<Odometer>(fields, "odometer_mi", odometer);
    }
}

/// `removed`: an assembly was taken off a vehicle's axle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Removed {
    /// The pressure found before the core came out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub found_psi: Option<Quantity>,
    /// Core out and fully flat before the wheel was loosened.
    pub core_out_flat: bool,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default)]
    pub damage: Vec<Damage>,
    /// The depot it was brought to; the last one it was at where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Odometer>)]
    pub odometer_mi: Option<Quantity>,
}

shape!(Removed, |removed, fields| {
    if let Some(psi) = removed.found_psi {
        within::<Psi>(fields, "found_psi", psi);
    }
    fastened(fields, None, removed.odometer_mi);
});

/// `torqued`: the nuts were checked again after a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Torqued {
    /// Torque of the nuts.
    #[schema(value_type = Torque)]
    pub torque_ft_lb: Quantity,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Odometer>)]
    pub odometer_mi: Option<Quantity>,
}

shape!(Torqued, |torqued, fields| {
    fastened(fields, Some(torqued.torque_ft_lb), torqued.odometer_mi);
});
