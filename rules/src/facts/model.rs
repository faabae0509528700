//! Tire models and their limits.

use super::{Checked, Field, named, pressure, within};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How a casing is built.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Construction {
    /// Radial with a steel body ply: its cords break when it is run low.
    SteelRadial,
    /// Radial with a fabric body ply.
    FabricRadial,
    /// Bias.
    Bias,
}

impl Construction {
    /// Radial of either kind.
    #[must_use]
    pub fn radial(self) -> bool {
        self != Construction::Bias
    }
}

/// A marking that keeps a tire off some positions, 49 CFR 396 Appendix A 10.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Marking {
    /// Not for highway use.
    NotForHighwayUse,
    /// Not for a steering axle.
    NotForSteeringAxle,
    /// For trailers only.
    TrailerOnly,
}

/// A tire model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ModelBody)]
pub struct Model {
    /// Its maker.
    #[schema(example = "Merrow")]
    pub maker: String,
    /// Its name.
    #[schema(example = "Longhaul G")]
    pub name: String,
    /// Size designation.
    #[schema(example = "295/75R22.5")]
    pub size: String,
    /// Load range letter.
    #[schema(example = "G")]
    pub load_range: String,
    /// How it is built.
    pub construction: Construction,
    /// Made for a tube.
    pub tube_type: bool,
    /// Marked LT: 29 CFR 1910.177 does not cover it, so its paragraphs count as safety rules.
    #[serde(default)]
    pub light_truck: bool,
    /// Cold pressure of the maximum load on the sidewall.
    pub sidewall_psi: Quantity,
    /// Maximum load, single.
    pub single_lb: Quantity,
    /// Maximum load, dual; left out where it has no dual rating.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dual_lb: Option<Quantity>,
    /// Bead diameter code.
    pub rim_in: Quantity,
    /// Approved rim widths.
    pub rim_widths_in: Vec<Quantity>,
    /// Tread depth when new.
    pub new_tread_32nds: Quantity,
    /// The maker's highest pressure to seat the beads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seat_psi_max: Option<Quantity>,
    /// The speed it is restricted to, where 55 mph or less.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_speed_mph: Option<Quantity>,
    /// Markings that keep it off some positions.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub markings: Vec<Marking>,
}

impl Checked for Model {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "maker", &self.maker);
        named(fields, "name", &self.name);
        named(fields, "size", &self.size);
        named(fields, "load_range", &self.load_range);
        pressure(fields, "sidewall_psi", self.sidewall_psi);
        within(fields, "single_lb", self.single_lb, 100, 50_000, "pounds");
        if let Some(dual) = self.dual_lb {
            within(fields, "dual_lb", dual, 100, 50_000, "pounds");
        }
        within(fields, "rim_in", self.rim_in, 10, 60, "inches");
        within(fields, "new_tread_32nds", self.new_tread_32nds, 1, 40, "32nds of an inch");
        if self.rim_widths_in.is_empty() || self.rim_widths_in.len() > 20 {
            fields
                .push(Field::new("/facts/rim_widths_in", "One to twenty rim widths are expected."));
        }
        if let Some(psi) = self.seat_psi_max {
            pressure(fields, "seat_psi_max", psi);
        }
        if let Some(speed) = self.max_speed_mph {
            within(fields, "max_speed_mph", speed, 5, 55, "miles per hour");
        }
    }
}
