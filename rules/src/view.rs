//! Looking back: a subject as it was at a moment, and as it was known at a moment.

use crate::entry::{Entry, SubjectKind};
use crate::facts::Kind;
use crate::fold::{State, fold};
use crate::world::Head;
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::Uuid;

/// The moments from which a subject is looked at: as it stands where neither is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct View {
    /// As it was at this moment: by what happened up to then. Only where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_of: Option<DateTime<Utc>>,
    /// As it was known at this moment: by what was recorded up to then. Only where it was asked
    /// for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub known_at: Option<DateTime<Utc>>,
}

impl View {
    /// Whether nothing is left out.
    #[must_use]
    pub fn is_now(self) -> bool {
        self == View::default()
    }

    /// The moment that is looked at; now, where neither is given.
    #[must_use]
    pub fn moment(self, now: DateTime<Utc>) -> DateTime<Utc> {
        self.as_of.or(self.known_at).unwrap_or(now)
    }

    /// The kinds that tell of the past whenever they happened: what they say of an earlier entry
    /// counts from when it was recorded.
    pub const OF_THE_PAST: [Kind; 2] = [Kind::Corrected, Kind::Resolved];

    /// The entries that were known then: what follows from an entry of the same subject is known
    /// with it, though it is recorded a moment after it.
    fn known(self, entries: &[Entry]) -> impl Iterator<Item = &Entry> {
        let known =
            move |entry: &Entry| self.known_at.is_none_or(|known_at| entry.recorded_at <= known_at);
        let causes: BTreeSet<Uuid> =
            entries.iter().filter(|entry| known(entry)).map(|entry| entry.id).collect();
        let follows = move |entry: &Entry| entry.cause.is_some_and(|cause| causes.contains(&cause));
        entries.iter().filter(move |entry| known(entry) || follows(entry))
    }

    fn happened(self, at: DateTime<Utc>) -> bool {
        self.as_of.is_none_or(|as_of| at <= as_of)
    }

    /// The head of a subject then, from all of its entries; of one that was not on record then
    /// nothing is known. It counts the entries that had happened.
    #[must_use]
    pub fn head(self, entries: &[Entry]) -> Head {
        let mut head = Head::until(self.known(entries), self.as_of);
        if let State::Registry(then) = &mut head.state {
            // A version may be in force later than it happened, by what arrived before it.
            let known = fold(self.known(entries), None);
            let versions = known.registry().map(|known| known.versions.clone());
            then.versions = versions.unwrap_or_default();
            then.versions.retain(|version| self.happened(version.from));
            if then.versions.is_empty() {
                head.state = State::Unknown;
            }
        }
        head
    }

    /// The refused entries that stood open then, in the order of arrival: no recorded one had
    /// tried them again, and nobody had said what became of them.
    #[must_use]
    pub fn open_refusals(self, entries: &[Entry]) -> Vec<Uuid> {
        let counts = |entry: &&Entry| {
            self.happened(entry.at()) || View::OF_THE_PAST.contains(&entry.facts.kind())
        };
        let (recorded, refused): (Vec<&Entry>, Vec<&Entry>) =
            self.known(entries).filter(counts).partition(|entry| entry.recorded());
        let closed: BTreeSet<Uuid> = recorded.iter().filter_map(|entry| entry.closes()).collect();
        let open = refused.iter().filter(|entry| self.happened(entry.at()));
        open.map(|entry| entry.id).filter(|id| !closed.contains(id)).collect()
    }

    /// Up to when entries about this kind of subject matter, those [of the past](View::OF_THE_PAST)
    /// apart; all of them where none is given.
    #[must_use]
    pub fn until(self, kind: SubjectKind) -> Option<DateTime<Utc>> {
        // Versions of what is registered follow each other in the order of arrival.
        self.as_of.filter(|_| kind == SubjectKind::Casing)
    }
}
