//! What is said of earlier entries: corrections, what became of refusals, and what is erased.

use super::bounds::{ShortText, named};
use super::{Field, shape};
use crate::canonical::plain;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// `corrected`: an entry of this casing was wrong in its facts, or was about another casing.
/// The entry stays; what it counts for changes. No doubt ends by it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Corrected {
    /// The entry that was wrong; where it was corrected before, the newest correction.
    pub corrects: Uuid,
    /// The right facts, all of them, as an entry of that kind has them.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "with_plain_numbers"
    )]
    #[schema(value_type = Option<Object>, example = json!({"psi": 78}))]
    pub facts: Option<Value>,
    /// The casing that it was about: it receives the entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub right_casing: Option<Uuid>,
    /// The entry made the wrong casing scrap: that is void, and the right one is scrap.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub void: bool,
    /// Why.
    #[schema(value_type = ShortText)]
    pub reason: String,
}

/// Numbers are kept in one form, so that what is read back is what was sent.
fn with_plain_numbers<'de, D: Deserializer<'de>>(reader: D) -> Result<Option<Value>, D::Error> {
    Ok(Option::<Value>::deserialize(reader)?.map(plain))
}

shape!(Corrected, |corrected, fields| {
    named(fields, "reason", &corrected.reason);
    if corrected.void && corrected.right_casing.is_none() {
        let say = "Scrap is void only where it was meant for another casing. Name that one.";
        fields.push(Field::new("/facts/right_casing", say));
    } else if corrected.facts.is_none() && corrected.right_casing.is_none() {
        fields.push(Field::new("/facts", "Give the right facts or the right casing."));
    }
});

/// `resolved`: the office found out what became of a refused entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Resolved {
    /// The refused entry.
    pub refusal: Uuid,
    /// It was done all the same: a deviation, which counts at its own time, with a doubt. Else
    /// it did not happen, or not so.
    pub it_did_happen: bool,
}

shape!(Resolved, |_resolved, _fields| {});

/// `erased`: what is personal in an entry of this subject was destroyed on a legal order. The
/// entry stays, with the hash of what was there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Erased {
    /// The entry that loses its notes and names.
    pub entry: Uuid,
    /// The order: who gave it, and its number.
    #[schema(example = "District court, order 26-114", value_type = ShortText)]
    pub order: String,
}

shape!(Erased, |erased, fields| named(fields, "order", &erased.order));
