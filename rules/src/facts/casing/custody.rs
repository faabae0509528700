//! Where a casing goes and in whose hands it is.

use super::Mark;
use crate::Quantity;
use crate::facts::bounds::{Life, NewDepth, ShortText, named, whole_number_if_any, within};
use crate::facts::{Field, shape};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Work that a casing is sent away for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ordered {
    /// A new tread.
    Retread,
    /// A repair.
    Repair,
    /// To be looked at, for a claim or an opinion.
    Inspection,
}

/// `sent_away`: a casing went to a retreader, a repairer or its maker.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SentAway {
    /// The firm.
    #[schema(example = "Pinebrook Retreading", value_type = ShortText)]
    pub to: String,
    /// What is ordered.
    pub purpose: Ordered,
    /// They were told in writing why it is under doubt.
    #[serde(default)]
    pub declared_suspect: bool,
}

shape!(SentAway, |sent, fields| named(fields, "to", &sent.to));

/// Work that was done on a casing while it was away.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Done {
    /// It has a new tread.
    Retread,
    /// It was repaired.
    Repair,
    /// Nothing.
    Nothing,
}

impl Done {
    /// Nothing but what was ordered, or nothing at all.
    #[must_use]
    pub fn as_ordered(self, purpose: Ordered) -> bool {
        match self {
            Done::Retread => purpose == Ordered::Retread,
            Done::Repair => purpose == Ordered::Repair,
            Done::Nothing => true,
        }
    }
}

/// `returned`: a casing came back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Returned {
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// What was done.
    pub done: Done,
    /// Why they would not do it; only where nothing was done. Counts as an inspection that
    /// was not passed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>)]
    pub rejected_for: Option<String>,
    /// Retread: which one it is, from 1; the next one where left out.
    #[serde(
        default,
        deserialize_with = "whole_number_if_any",
        skip_serializing_if = "Option::is_none"
    )]
    #[schema(value_type = Option<u8>, minimum = 1, maximum = 20)]
    pub life: Option<u32>,
    /// Retread: depth of the new tread.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<NewDepth>)]
    pub tread_32nds: Option<Quantity>,
    /// Retread: the retreader's tire identification number, 49 CFR 574.5; may lawfully be
    /// absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>)]
    pub tin: Option<String>,
    /// Retread: the retreader marked it regroovable on both sides, 49 CFR 569.
    #[serde(default)]
    pub regroovable: bool,
    /// The depot it came to; the last one it was at where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
}

shape!(Returned, |returned, fields| {
    if let Some(mark) = &returned.read {
        mark.check(fields);
    }
    if let Some(life) = returned.life {
        within::<Life>(fields, "life", Quantity::whole(life.into()));
    }
    if let Some(depth) = returned.tread_32nds {
        within::<NewDepth>(fields, "tread_32nds", depth);
    }
    for (name, text) in [("tin", &returned.tin), ("rejected_for", &returned.rejected_for)] {
        if let Some(text) = text {
            named(fields, name, text);
        }
    }
    for (name, given) in [
        ("life", returned.life.is_some()),
        ("tread_32nds", returned.tread_32nds.is_some()),
        ("tin", returned.tin.is_some()),
        ("regroovable", returned.regroovable),
    ] {
        if given && returned.done != Done::Retread {
            fields.push(Field::new(format!("/facts/{name}"), "Only a retread has it."));
        }
    }
    if returned.rejected_for.is_some() && returned.done != Done::Nothing {
        fields.push(Field::new("/facts/rejected_for", "It was not rejected: something was done."));
    }
});

/// `moved`: a casing was brought from one depot to another, on a wheel or off it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Moved {
    /// The depot it was at; the last one on record where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_depot: Option<Uuid>,
    /// The depot it is at now.
    pub to_depot: Uuid,
}

shape!(Moved, |moved, fields| {
    if moved.from_depot == Some(moved.to_depot) {
        fields.push(Field::new("/facts/to_depot", "That is where it came from."));
    }
});

/// `missing`: a casing is not where it ought to be.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Missing {
    /// The wheel that it was on is here, without it.
    #[serde(default)]
    pub off_wheel: bool,
}

shape!(Missing, |_missing, _fields| {});

/// `found`: a missing casing turned up. What happened to it meanwhile is not known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Found {
    /// The depot it is at.
    pub depot: Uuid,
    /// It is no longer on the wheel that it went missing with.
    #[serde(default)]
    pub off_wheel: bool,
}

shape!(Found, |_found, _fields| {});
