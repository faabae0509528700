//! State from entries.
//!
//! The order of the fold is (`occurred_at`, `n`). The versions of what is
//! registered go first, in the order of arrival: each is held against the one
//! that it took the place of, whenever either is said to have happened. A refused entry
//! changes nothing, except that danger seen on an installed tire is not forgotten.
//! Entries that were corrected later, or that did happen though they were refused,
//! are put right first.

pub mod casing;
pub mod registry;

use crate::amend::put_right;
use crate::entry::{Entry, SubjectKind};
use crate::facts::Facts;
use casing::Casing;
use chrono::{DateTime, Utc};
use registry::Registry;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use utoipa::ToSchema;
use uuid::Uuid;

/// An entry and when it happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Moment {
    /// The entry.
    pub entry: Uuid,
    /// When it happened.
    pub at: DateTime<Utc>,
}

impl Moment {
    /// The moment of this entry.
    #[must_use]
    pub fn of(entry: &Entry) -> Moment {
        Moment { entry: entry.id, at: entry.at() }
    }
}

/// What is known of one subject.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(untagged)]
pub enum State {
    /// Nothing is recorded of it.
    #[default]
    Unknown,
    /// A casing.
    Casing(Box<Casing>),
    /// Anything that is registered and changed.
    Registry(Box<Registry>),
}

impl State {
    /// Reads the state of a subject of this kind back from JSON.
    ///
    /// # Errors
    /// Where the JSON is not the state of this kind of subject.
    pub fn read(kind: SubjectKind, json: &[u8]) -> Result<State, serde_json::Error> {
        Ok(match kind {
            SubjectKind::Casing => State::Casing(serde_json::from_slice(json)?),
            kind => {
                let value = serde_json::from_slice(json)?;
                State::Registry(Box::new(Registry::from_value(kind, value)?))
            }
        })
    }

    /// The state as JSON; none where nothing is recorded.
    #[must_use]
    pub fn to_json(&self) -> Option<Vec<u8>> {
        match self {
            State::Unknown => None,
            known => serde_json::to_vec(known).ok(),
        }
    }

    /// Takes in the next entry in the order of the fold.
    pub fn apply(&mut self, entry: &Entry) {
        match self {
            State::Casing(casing) => casing.apply(entry),
            State::Registry(registry) => registry.apply(entry),
            State::Unknown if !entry.recorded() => {}
            State::Unknown => {
                *self = match entry.subject.kind {
                    SubjectKind::Casing => Casing::acquired(entry)
                        .map_or(State::Unknown, |c| State::Casing(Box::new(c))),
                    _ => State::Registry(Box::new(Registry::new(entry))),
                }
            }
        }
    }

    /// The casing, if this is one.
    #[must_use]
    pub fn casing(&self) -> Option<&Casing> {
        match self {
            State::Casing(casing) => Some(casing),
            _ => None,
        }
    }

    /// The registered thing, if this is one.
    #[must_use]
    pub fn registry(&self) -> Option<&Registry> {
        match self {
            State::Registry(registry) => Some(registry),
            _ => None,
        }
    }
}

/// The state after these entries of one subject, up to a moment where one is given.
#[must_use]
pub fn fold<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
    until: Option<DateTime<Utc>>,
) -> State {
    let mut state = State::Unknown;
    for entry in in_order(entries, until) {
        state.apply(&entry);
    }
    state
}

/// These entries as they count, in the order of the fold, up to a moment where one is given.
pub(crate) fn in_order<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
    until: Option<DateTime<Utc>>,
) -> Vec<Cow<'a, Entry>> {
    let mut entries = put_right(entries);
    entries.retain(|entry| until.is_none_or(|until| entry.at() <= until));
    entries.sort_by_key(|entry| match entry.facts {
        Facts::Registered(_) | Facts::Changed(_) => (None, entry.n),
        _ => (Some(entry.at()), entry.n),
    });
    entries
}
