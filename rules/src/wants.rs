//! What is still missing for a decision.
//!
//! The store asks [`World::wants`], loads it, and asks again until nothing is missing.

use crate::amend::{self, Change};
use crate::circle::Circle;
use crate::entry::{Command, Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::chart::ChartKind;
use crate::spot::{self, Spot};
use crate::world::{Owned, World, marks_of};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// What has to be loaded before a decision.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wants {
    /// Heads of these subjects; absent ones become an empty [`Head`].
    pub subjects: BTreeSet<Subject>,
    /// The casing on each of these wheels.
    pub wheels: BTreeSet<Uuid>,
    /// The casings on each of these axles (vehicle, axle from the front; 0 are its spares).
    pub axles: BTreeSet<(Uuid, u8)>,
    /// The recommendations that speak of these models.
    pub models: BTreeSet<Uuid>,
    /// The charts of these kinds.
    pub charts: BTreeSet<ChartKind>,
    /// A casing of each of these vehicles that ended its takeover, if there is one.
    pub takeovers: BTreeSet<Uuid>,
    /// The owners of these marks.
    pub marks: BTreeSet<Owned>,
    /// These entries, which somebody wants to try again.
    pub retried: BTreeSet<Uuid>,
    /// The casings that are on each of these spots at this moment or come later.
    pub spots: BTreeMap<Spot, DateTime<Utc>>,
    /// All entries of these subjects, because a command came late.
    pub histories: BTreeSet<Subject>,
}

impl Wants {
    /// Nothing is missing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Wants::default()
    }

    /// What these and those want together.
    pub fn extend(&mut self, other: Wants) {
        self.subjects.extend(other.subjects);
        self.wheels.extend(other.wheels);
        self.axles.extend(other.axles);
        self.models.extend(other.models);
        self.charts.extend(other.charts);
        self.takeovers.extend(other.takeovers);
        self.marks.extend(other.marks);
        self.retried.extend(other.retried);
        for (spot, since) in other.spots {
            self.want_spot(spot, since);
        }
        self.histories.extend(other.histories);
    }

    fn want_spot(&mut self, spot: Spot, since: DateTime<Utc>) {
        self.spots.entry(spot).and_modify(|s| *s = since.min(*s)).or_insert(since);
    }
}

/// What the commands before one may have changed.
#[derive(Default)]
struct Told {
    /// When the latest of what was told of each subject occurred.
    latest: BTreeMap<Subject, DateTime<Utc>>,
    /// The casings that were put on each spot.
    put_on: BTreeMap<Spot, BTreeSet<Uuid>>,
}

impl Told {
    fn take_in(&mut self, command: &Command, circle: &Circle) {
        let at = command.occurred_at.to_utc();
        // What the ledger adds is about the casings nearby, and about the cage of a hold.
        let held = matches!(command.facts, Facts::Held(_));
        let touched = circle.subjects.iter().filter(|subject| match subject.kind {
            SubjectKind::Casing => true,
            SubjectKind::Cage => held,
            _ => **subject == command.subject,
        });
        for subject in touched.chain([&command.subject]) {
            self.latest
                .entry(*subject)
                .and_modify(|latest| *latest = at.max(*latest))
                .or_insert(at);
        }
        for spot in command.facts.put_on() {
            self.put_on.entry(spot).or_default().insert(command.subject.id);
        }
    }
}

impl World {
    /// What these commands of these people, decided in this order, still need.
    #[must_use]
    pub fn wants<'a>(&self, commands: impl IntoIterator<Item = (Uuid, &'a Command)>) -> Wants {
        let mut wants = Wants::default();
        let mut told = Told::default();
        for (person, command) in commands {
            let sender = Subject::of(SubjectKind::Person, person);
            wants.subjects.extend((!self.heads.contains_key(&sender)).then_some(sender));
            self.want(command, &mut told, &mut wants);
        }
        wants
    }

    fn want(&self, command: &Command, told: &mut Told, wants: &mut Wants) {
        let at = command.occurred_at.to_utc();
        let circle = self.circle(command);
        wants.subjects.extend(circle.subjects.iter().filter(|s| !self.heads.contains_key(s)));
        wants.wheels.extend(circle.wheels.difference(&self.wheels));
        wants.axles.extend(circle.axles.difference(&self.axles));
        wants.models.extend(circle.models.difference(&self.models));
        wants.charts.extend(circle.charts.difference(&self.charts));
        wants.takeovers.extend(circle.takeovers.difference(&self.takeovers));
        wants.marks.extend(marks_of(command).into_iter().filter(|m| !self.owners.contains_key(m)));
        wants.retried.extend(command.retries.filter(|id| !self.retried.contains_key(id)));
        for subject in &circle.subjects {
            let folds_by_time = *subject == command.subject
                || matches!(
                    subject.kind,
                    SubjectKind::Casing | SubjectKind::Cage | SubjectKind::Wheel
                );
            if folds_by_time && self.late(*subject, at, told) {
                self.want_history(*subject, wants);
            }
        }
        for spot in spot::looked_at(self, command) {
            let known = self.spots.get(&spot).filter(|(since, _)| *since <= at);
            if known.is_none() {
                wants.want_spot(spot, at);
            }
            let found = known.into_iter().flat_map(|(_, casings)| casings);
            let others = found.chain(told.put_on.get(&spot).into_iter().flatten());
            for other in others.filter(|other| **other != command.subject.id) {
                // When it left, and when the other came, only the histories tell.
                let other = Subject::casing(*other);
                if self.late(other, at, told) {
                    self.want_history(other, wants);
                    self.want_history(command.subject, wants);
                }
            }
        }
        told.take_in(command, &circle);
        if matches!(command.facts, Facts::Corrected(_) | Facts::Resolved(_) | Facts::Erased(_)) {
            // What it changes or erases is looked for among all that is known of its subject.
            self.want_history(command.subject, wants);
        }
        if let Some(Ok(Change { instead: Some(instead), .. })) = amend::change(self, command) {
            if instead.subject != command.subject {
                // What was done to the right casing, step by step with the rest of the request.
                self.want_history(instead.subject, wants);
            }
            self.want(&instead, told, wants);
        }
    }

    /// Whether something is known of a subject, or told before, that occurred after this.
    fn late(&self, subject: Subject, at: DateTime<Utc>, told: &Told) -> bool {
        let known = self.heads.get(&subject).and_then(|head| head.occurred_at);
        known.max(told.latest.get(&subject).copied()).is_some_and(|latest| latest > at)
    }

    fn want_history(&self, subject: Subject, wants: &mut Wants) {
        if !self.histories.contains_key(&subject) {
            wants.histories.insert(subject);
        }
    }
}
