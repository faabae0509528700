//! Air let in and out of a tire on its wheel.

use super::{Damage, Place};
use crate::Quantity;
use crate::facts::bounds::{Psi, ShortText, named, within};
use crate::facts::{Field, shape};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// `inflated`: a mounted tire was aired up, on its vehicle or off it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Inflated {
    /// The pressure found before.
    #[schema(value_type = Psi)]
    pub found_psi: Quantity,
    /// The pressure it was brought to.
    #[schema(value_type = Psi)]
    pub to_psi: Quantity,
    /// Off the vehicle: where it was inflated. Left out while it is installed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
    /// The cage or barrier.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cage: Option<Uuid>,
    /// Bolted on: all nuts were fully tightened.
    #[serde(default)]
    pub nuts_tight: bool,
    /// From flat: the pressure at which the beads seated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub seat_psi: Option<Quantity>,
    /// On the vehicle: with remote equipment, 29 CFR 1910.177(f)(4).
    #[serde(default)]
    pub remote: bool,
    /// On the vehicle: nobody was in the trajectory.
    #[serde(default)]
    pub trajectory_clear: bool,
}

shape!(Inflated, |inflated, fields| {
    within::<Psi>(fields, "found_psi", inflated.found_psi);
    within::<Psi>(fields, "to_psi", inflated.to_psi);
    if let Some(psi) = inflated.seat_psi {
        within::<Psi>(fields, "seat_psi", psi);
    }
    if inflated.to_psi < inflated.found_psi {
        fields.push(Field::new("/facts/to_psi", "That is less than was found: send `deflated`."));
    }
    super::assembly::caged(fields, inflated.place.unwrap_or(Place::Open), inflated.cage);
});

/// `deflated`: a tire was let down on order, fully and by the core.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Deflated {
    /// The pressure found before the core came out.
    #[schema(value_type = Psi)]
    pub found_psi: Quantity,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub damage: Vec<Damage>,
}

shape!(Deflated, |deflated, fields| within::<Psi>(fields, "found_psi", deflated.found_psi));

/// `third_party_service`: somebody outside the ledger worked on a casing, so its history is
/// no longer known.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ThirdPartyService {
    /// Who, as far as it was told.
    #[schema(example = "roadside outfit", value_type = ShortText)]
    pub by_whom: String,
    /// What was done, as far as it was told.
    #[schema(example = "aired up, nothing written", value_type = ShortText)]
    pub what: String,
}

shape!(ThirdPartyService, |service, fields| {
    named(fields, "by_whom", &service.by_whom);
    named(fields, "what", &service.what);
});
