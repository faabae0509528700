//! Tire models and their limits.

use super::bounds::{
    Load, NewDepth, Psi, RestrictedSpeed, Rim, RimWidth, ShortText, named, within,
};
use super::{Checked, Field};
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
    #[schema(value_type = ShortText)]
    pub maker: String,
    /// Its name.
    #[schema(example = "Longhaul G")]
    #[schema(value_type = ShortText)]
    pub name: String,
    /// Size designation.
    #[schema(example = "295/75R22.5")]
    #[schema(value_type = ShortText)]
    pub size: String,
    /// Load range letter.
    #[schema(example = "G")]
    #[schema(value_type = ShortText)]
    pub load_range: String,
    /// How it is built.
    pub construction: Construction,
    /// Made for a tube.
    pub tube_type: bool,
    /// Marked LT: 29 CFR 1910.177 does not cover it, so its paragraphs count as safety rules.
    #[serde(default)]
    pub light_truck: bool,
    /// Cold pressure of the maximum load on the sidewall.
    #[schema(value_type = Psi)]
    pub sidewall_psi: Quantity,
    /// Maximum load, single.
    #[schema(value_type = Load)]
    pub single_lb: Quantity,
    /// Maximum load, dual; left out where it has no dual rating.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Load>)]
    pub dual_lb: Option<Quantity>,
    /// Bead diameter code.
    #[schema(value_type = Rim)]
    pub rim_in: Quantity,
    /// Approved rim widths.
    #[schema(value_type = Vec<RimWidth>, min_items = 1, max_items = 20)]
    pub rim_widths_in: Vec<Quantity>,
    /// Tread depth when new.
    #[schema(value_type = NewDepth)]
    pub new_tread_32nds: Quantity,
    /// The maker's highest pressure to seat the beads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub seat_psi_max: Option<Quantity>,
    /// The speed it is restricted to, where 55 mph or less.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<RestrictedSpeed>)]
    pub max_speed_mph: Option<Quantity>,
    /// The maker marked it regroovable on both sides, 49 CFR 569.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub regroovable: bool,
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
        within::<Psi>(fields, "sidewall_psi", self.sidewall_psi);
        within::<Load>(fields, "single_lb", self.single_lb);
        if let Some(dual) = self.dual_lb {
            within::<Load>(fields, "dual_lb", dual);
        }
        within::<Rim>(fields, "rim_in", self.rim_in);
        within::<NewDepth>(fields, "new_tread_32nds", self.new_tread_32nds);
        if self.rim_widths_in.is_empty() || self.rim_widths_in.len() > 20 {
            fields
                .push(Field::new("/facts/rim_widths_in", "One to twenty rim widths are expected."));
        }
        for (i, &width) in self.rim_widths_in.iter().enumerate() {
            within::<RimWidth>(fields, &format!("rim_widths_in/{i}"), width);
        }
        if let Some(psi) = self.seat_psi_max {
            within::<Psi>(fields, "seat_psi_max", psi);
        }
        if let Some(speed) = self.max_speed_mph {
            within::<RestrictedSpeed>(fields, "max_speed_mph", speed);
        }
    }
}
