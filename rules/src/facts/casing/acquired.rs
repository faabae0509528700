//! How a casing comes into the fleet.

use super::{Damage, Marks, Money, Seen};
use crate::Quantity;
use crate::facts::bounds::{Grooves, Psi, ShortText, depths, named, within};
use crate::facts::vehicle::Position;
use crate::facts::{Field, shape};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// How a casing came into the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Bought new: it never ran, so its history is known.
    New,
    /// Bought used: its history is not known.
    Used,
    /// Rolling on a vehicle when the fleet begins its ledger: walked round and read cold. It
    /// may run until its first demount.
    Opening,
}

/// `acquired`: a casing came into the fleet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acquired {
    /// How it came.
    pub origin: Origin,
    /// Its tire model.
    pub model: Uuid,
    /// Where it was put. Opening stock may leave it out: it is on its vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
    /// Its marks.
    #[serde(default)]
    pub marks: Marks,
    /// What it cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<Money>,
    /// The firm that sold it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Hazel Yard", value_type = Option<ShortText>)]
    pub seller: Option<String>,
    /// Opening stock: the vehicle it runs on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// Opening stock: its position there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Opening stock: the wheel it is on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wheel: Option<Uuid>,
    /// Opening stock: what the walk round it showed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub walk_round: Option<Seen>,
    /// Opening stock: its pressure, read cold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub cold_psi: Option<Quantity>,
    /// Opening stock: depths of tread, as in `tread_read`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Grooves>)]
    pub grooves_32nds: Option<Vec<Vec<Quantity>>>,
    /// Opening stock: damage of 49 CFR 393.75(a).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub damage: Vec<Damage>,
}

shape!(Acquired, |acquired, fields| {
    acquired.marks.check("marks/", fields);
    if let Some(money) = &acquired.price
        && (money.currency.len() != 3 || !money.currency.bytes().all(|b| b.is_ascii_uppercase()))
    {
        fields
            .push(Field::new("/facts/price/currency", "A three-letter ISO 4217 code is expected."));
    }
    if let Some(seller) = &acquired.seller {
        named(fields, "seller", seller);
    }
    if let Some(psi) = acquired.cold_psi {
        within::<Psi>(fields, "cold_psi", psi);
    }
    if let Some(grooves) = &acquired.grooves_32nds {
        depths(fields, "grooves_32nds", grooves);
    }
    rolling(acquired, fields);
});

/// Opening stock runs on a vehicle and was looked at; everything else lies at a depot.
fn rolling(acquired: &Acquired, fields: &mut Vec<Field>) {
    let opening = acquired.origin == Origin::Opening;
    for (name, given) in [
        ("vehicle", acquired.vehicle.is_some()),
        ("position", acquired.position.is_some()),
        ("wheel", acquired.wheel.is_some()),
        ("walk_round", acquired.walk_round.is_some()),
        ("cold_psi", acquired.cold_psi.is_some()),
    ] {
        if given != opening {
            let say =
                if opening { "Opening stock needs it." } else { "Only opening stock has it." };
            fields.push(Field::new(format!("/facts/{name}"), say));
        }
    }
    if !opening {
        if acquired.depot.is_none() {
            fields.push(Field::new("/facts/depot", "Where was it put?"));
        }
        for (name, given) in [
            ("grooves_32nds", acquired.grooves_32nds.is_some()),
            ("damage", !acquired.damage.is_empty()),
        ] {
            if given {
                let say = "Only opening stock has it.";
                fields.push(Field::new(format!("/facts/{name}"), say));
            }
        }
    }
    if acquired.walk_round == Some(Seen::NotSeen) {
        fields.push(Field::new("/facts/walk_round", "Walk round it before it is taken over."));
    }
    if acquired.walk_round == Some(Seen::Clear) && !acquired.damage.is_empty() {
        fields.push(Field::new("/facts/walk_round", "It is not clear: there is damage."));
    }
}
