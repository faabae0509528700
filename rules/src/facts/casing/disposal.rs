//! How a casing is kept from use, and how it leaves the fleet.

use crate::facts::bounds::{ShortText, named};
use crate::facts::shape;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// `made_unusable`: scrap was cut, so that nobody can run it again. What shows it is named.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MadeUnusable {
    /// What was cut.
    #[schema(example = "both beads cut through", value_type = ShortText)]
    pub cut: String,
    /// The photograph that shows the cut and the mark.
    #[schema(example = "LK-1010-cut.jpg", value_type = ShortText)]
    pub photo: String,
    /// Who saw it, besides the one who cut.
    pub witness: Uuid,
}

shape!(MadeUnusable, |made, fields| {
    named(fields, "cut", &made.cut);
    named(fields, "photo", &made.photo);
});

/// How a casing leaves the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Disposal {
    /// Sold, to be used again.
    Sold,
    /// Leased out.
    Leased,
    /// Given back to its maker, for a claim or a recall.
    ToMaker,
    /// As scrap, cut.
    Scrap,
}

/// `disposed`: a casing left the fleet for good.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Disposed {
    /// How.
    pub how: Disposal,
    /// Who has it now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Copse Recycling", value_type = Option<ShortText>)]
    pub to: Option<String>,
    /// They were told in writing why it is under doubt.
    #[serde(default)]
    pub declared_suspect: bool,
}

shape!(Disposed, |disposed, fields| {
    if let Some(to) = &disposed.to {
        named(fields, "to", to);
    }
});

/// `preserved`: a casing is kept as evidence; nothing of it may be destroyed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Preserved {
    /// What it is kept for.
    #[schema(example = "burst on 7 April", value_type = ShortText)]
    pub matter: String,
    /// The office or firm that keeps it.
    #[schema(example = "Elm & Rowe", value_type = ShortText)]
    pub held_by: String,
}

shape!(Preserved, |preserved, fields| {
    named(fields, "matter", &preserved.matter);
    named(fields, "held_by", &preserved.held_by);
});

/// `preservation_ended`: a casing is no longer kept for a matter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PreservationEnded {
    /// The matter, as it was named; may be left out where it is kept for one only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>)]
    pub matter: Option<String>,
    /// Why.
    #[schema(example = "matter closed", value_type = ShortText)]
    pub reason: String,
}

shape!(PreservationEnded, |ended, fields| {
    if let Some(matter) = &ended.matter {
        named(fields, "matter", matter);
    }
    named(fields, "reason", &ended.reason);
});

/// `recalled`: its maker recalled a casing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Recalled {
    /// The campaign, as its maker or the government numbers it.
    #[schema(example = "26T-014", value_type = ShortText)]
    pub campaign: String,
}

shape!(Recalled, |recalled, fields| named(fields, "campaign", &recalled.campaign));

/// `remedied`: what a recall asked for was done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Remedied {
    /// The campaign.
    #[schema(example = "26T-014", value_type = ShortText)]
    pub campaign: String,
    /// What was done.
    #[schema(example = "checked by the maker", value_type = ShortText)]
    pub remedy: String,
}

shape!(Remedied, |remedied, fields| {
    named(fields, "campaign", &remedied.campaign);
    named(fields, "remedy", &remedied.remedy);
});
