//! The subjects that a decision reads: those that a command names and what hangs on them.

use crate::entry::{Command, Subject, SubjectKind};
use crate::facts::casing::Path;
use crate::facts::chart::ChartKind;
use crate::facts::vehicle::Position;
use crate::facts::{Body, Facts};
use crate::fold::State;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Subjects and questions that a command leads to.
#[derive(Default)]
pub(crate) struct Circle {
    pub(crate) subjects: BTreeSet<Subject>,
    pub(crate) wheels: BTreeSet<Uuid>,
    pub(crate) axles: BTreeSet<(Uuid, u8)>,
    pub(crate) models: BTreeSet<Uuid>,
    pub(crate) charts: BTreeSet<ChartKind>,
    pub(crate) takeovers: BTreeSet<Uuid>,
}

impl Circle {
    pub(crate) fn extend(&mut self, other: Circle) {
        self.subjects.extend(other.subjects);
        self.wheels.extend(other.wheels);
        self.axles.extend(other.axles);
        self.models.extend(other.models);
        self.charts.extend(other.charts);
        self.takeovers.extend(other.takeovers);
    }

    pub(crate) fn named(&mut self, org: Uuid, command: &Command) {
        self.subjects.insert(command.subject);
        self.subjects.extend(named(command).into_iter().map(|(_, subject)| subject));
        if command.subject.kind == SubjectKind::Casing {
            self.subjects.insert(Subject::of(SubjectKind::Policy, org));
        }
        self.charts.extend(charts_asked(command));
        if let Facts::Mounted(facts) = &command.facts {
            self.wheels.insert(facts.wheel);
        }
        if let Facts::Acquired(facts) = &command.facts {
            self.models.insert(facts.model);
            self.wheels.extend(facts.wheel);
            self.takeovers.extend(facts.vehicle);
        }
        if let Facts::Weighed(facts) = &command.facts {
            self.axles.extend(facts.axles.iter().map(|one| (command.subject.id, one.axle)));
        }
        if let Some((vehicle, position)) = position_of(command) {
            self.axles.insert((vehicle, position.row()));
        }
    }

    pub(crate) fn hang_on(&mut self, state: &State) {
        match state {
            State::Casing(casing) => {
                self.subjects.insert(Subject::of(SubjectKind::Model, casing.model));
                self.subjects.extend(casing.depot.map(|id| Subject::of(SubjectKind::Depot, id)));
                self.models.insert(casing.model);
                self.subjects.extend(casing.wheel.map(|id| Subject::of(SubjectKind::Wheel, id)));
                self.subjects
                    .extend(casing.vehicle.map(|id| Subject::of(SubjectKind::Vehicle, id)));
                self.axles.extend(casing.vehicle.zip(casing.position.map(Position::row)));
            }
            State::Registry(registry) => {
                if let Some(Body::Cage(body)) = registry.newest().map(|version| &version.body) {
                    self.subjects.insert(Subject::of(SubjectKind::Depot, body.depot));
                }
            }
            State::Unknown => {}
        }
    }
}

/// The kind of chart that the decision on a command is read from.
fn charts_asked(command: &Command) -> Option<ChartKind> {
    match &command.facts {
        // Where no stamp can be read, no chart is needed.
        Facts::Mounted(facts) => facts.parts.as_ref().map(|_| ChartKind::RimParts),
        Facts::Repaired(_) => Some(ChartKind::RepairLimits),
        // What the same request puts on that axle, or finds low there, is judged by the load.
        Facts::Weighed(_) => Some(ChartKind::LoadInflation),
        _ => None,
    }
}

/// The subjects that a command names, besides its own, with their pointers.
pub(crate) fn named(command: &Command) -> Vec<(&'static str, Subject)> {
    use SubjectKind as K;
    let mut named = Vec::new();
    let mut add = |pointer, kind, id: Option<Uuid>| {
        named.extend(id.map(|id| (pointer, Subject::of(kind, id))));
    };
    add("/by", K::Person, command.by);
    match &command.facts {
        Facts::Acquired(facts) => {
            add("/facts/model", K::Model, Some(facts.model));
            add("/facts/depot", K::Depot, facts.depot);
            add("/facts/vehicle", K::Vehicle, facts.vehicle);
            add("/facts/wheel", K::Wheel, facts.wheel);
        }
        Facts::Inflated(facts) => add("/facts/cage", K::Cage, facts.cage),
        Facts::Mounted(facts) => {
            add("/facts/wheel", K::Wheel, Some(facts.wheel));
            add("/facts/cage", K::Cage, facts.cage);
            add("/facts/vehicle", K::Vehicle, facts.vehicle);
        }
        Facts::Demounted(facts) => add("/facts/depot", K::Depot, facts.depot),
        Facts::Held(facts) => {
            add("/facts/cage", K::Cage, facts.cage);
            add("/facts/gauge", K::Gauge, Some(facts.gauge));
            add("/facts/vehicle", K::Vehicle, facts.vehicle);
        }
        Facts::Released(facts) if facts.path == Path::BoltedOn => {
            add("/facts/vehicle", K::Vehicle, facts.vehicle);
        }
        Facts::Installed(facts) => add("/facts/vehicle", K::Vehicle, Some(facts.vehicle)),
        Facts::Corrected(facts) => add("/facts/right_casing", K::Casing, facts.right_casing),
        Facts::Removed(facts) => add("/facts/depot", K::Depot, facts.depot),
        Facts::Returned(facts) => add("/facts/depot", K::Depot, facts.depot),
        Facts::Moved(facts) => {
            add("/facts/from_depot", K::Depot, facts.from_depot);
            add("/facts/to_depot", K::Depot, Some(facts.to_depot));
        }
        Facts::MadeUnusable(facts) => add("/facts/witness", K::Person, Some(facts.witness)),
        Facts::Found(facts) => add("/facts/depot", K::Depot, Some(facts.depot)),
        Facts::Registered(body) | Facts::Changed(body) => match body {
            Body::Cage(body) => add("/facts/depot", K::Depot, Some(body.depot)),
            Body::Vehicle(body) => add("/facts/depot", K::Depot, body.depot),
            Body::Recommendation(body) => {
                for model in &body.models {
                    add("/facts/models", K::Model, Some(*model));
                }
            }
            _ => {}
        },
        _ => {}
    }
    named
}

pub(crate) fn position_of(command: &Command) -> Option<(Uuid, Position)> {
    match &command.facts {
        Facts::Installed(facts) => Some((facts.vehicle, facts.position)),
        Facts::Released(facts) => facts.vehicle.zip(facts.position),
        Facts::Mounted(facts) => facts.vehicle.zip(facts.position),
        Facts::Held(facts) => facts.vehicle.zip(facts.position),
        Facts::Acquired(facts) => facts.vehicle.zip(facts.position),
        _ => None,
    }
}
