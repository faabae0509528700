//! Work on the casing itself.

use crate::Quantity;
use crate::facts::bounds::{Grooves, RepairSize, ShortText, depths, named, within};
use crate::facts::shape;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How a casing was repaired.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RepairKind {
    /// A nail hole was filled and patched.
    NailHole,
    /// Broken body plies were cut out and replaced or reinforced: a section repair.
    Ply,
    /// A boot or a blowout patch was put in.
    Boot,
}

/// Where a casing was repaired.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RepairPlace {
    /// Under the tread, but for its edges.
    Crown,
    /// At the edge of the tread.
    Shoulder,
    /// Between shoulder and bead.
    Sidewall,
    /// At the bead.
    Bead,
}

/// `repaired`: an injury of a casing was repaired.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Repaired {
    /// How.
    pub repair: RepairKind,
    /// Where.
    pub place: RepairPlace,
    /// The injury's width once it was cleaned out, along the tire, 32nds of an inch.
    #[schema(value_type = RepairSize)]
    pub size_32nds: Quantity,
    /// Its length across, from the bead towards the tread, where that is more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<RepairSize>)]
    pub across_32nds: Option<Quantity>,
    /// Who did it, where not its sender.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Pinebrook Repairs", value_type = Option<ShortText>)]
    pub by_whom: Option<String>,
}

shape!(Repaired, |repaired, fields| {
    within::<RepairSize>(fields, "size_32nds", repaired.size_32nds);
    if let Some(across) = repaired.across_32nds {
        within::<RepairSize>(fields, "across_32nds", across);
    }
    if let Some(by_whom) = &repaired.by_whom {
        named(fields, "by_whom", by_whom);
    }
});

/// `regrooved`: the tread pattern was renewed, or a new one cut, 49 CFR 569.3.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Regrooved {
    /// Who cut it.
    #[schema(example = "own shop", value_type = ShortText)]
    pub by_whom: String,
    /// Depths of the new grooves, as in `tread_read`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Grooves>)]
    pub grooves_32nds: Option<Vec<Vec<Quantity>>>,
}

shape!(Regrooved, |regrooved, fields| {
    named(fields, "by_whom", &regrooved.by_whom);
    if let Some(grooves) = &regrooved.grooves_32nds {
        depths(fields, "grooves_32nds", grooves);
    }
});
