//! What only one casing can be on at a time, and which casing was on it when.

use crate::entry::{Command, Entry, Subject};
use crate::facts::Facts;
use crate::facts::amend::Corrected;
use crate::facts::vehicle::{Position, Vehicle};
use crate::fold::casing::Casing;
use crate::fold::{Moment, State, in_order};
use crate::low;
use crate::world::World;
use chrono::{DateTime, Utc};
use serde_json::Value;
use std::borrow::Cow;
use std::collections::BTreeSet;
use uuid::Uuid;

/// What only one casing can be on at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Spot {
    /// A wheel.
    Wheel(Uuid),
    /// A position of a vehicle.
    Position(Uuid, Position),
}

/// The time of a casing on a spot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stay {
    pub(crate) spot: Spot,
    /// It came.
    pub(crate) from: Moment,
    /// It left; none while it is there.
    pub(crate) until: Option<DateTime<Utc>>,
}

impl Stay {
    /// Whether it is there at this moment or comes later.
    pub(crate) fn lasts(&self, since: DateTime<Utc>) -> bool {
        self.until.is_none_or(|until| until > since)
    }

    /// Whether both cannot be: at the moment at which one leaves the other may come.
    pub(crate) fn overlaps(&self, other: &Stay) -> bool {
        let before = |one: &Stay, other: &Stay| other.until.is_none_or(|u| one.from.at < u);
        self.spot == other.spot && before(self, other) && before(other, self)
    }
}

impl Spot {
    /// The wheel, if it is one.
    #[must_use]
    pub fn wheel(&self) -> Option<Uuid> {
        match self {
            Spot::Wheel(wheel) => Some(*wheel),
            Spot::Position(..) => None,
        }
    }

    /// Vehicle and position, if it is one, written as one text.
    #[must_use]
    pub fn position(&self) -> Option<String> {
        match self {
            Spot::Wheel(_) => None,
            Spot::Position(vehicle, position) => Some(format!("{vehicle} {position}")),
        }
    }
}

impl Facts {
    /// What the facts put a casing on.
    #[must_use]
    pub fn put_on(&self) -> Vec<Spot> {
        match self {
            // Opening stock comes on its wheel and its vehicle.
            Facts::Acquired(facts) => {
                let position = facts.vehicle.zip(facts.position);
                let position =
                    position.map(|(vehicle, position)| Spot::Position(vehicle, position));
                facts.wheel.map(Spot::Wheel).into_iter().chain(position).collect()
            }
            Facts::Mounted(facts) => vec![Spot::Wheel(facts.wheel)],
            Facts::Installed(facts) => vec![Spot::Position(facts.vehicle, facts.position)],
            Facts::Corrected(Corrected { facts: Some(right), .. }) => put_on_rightly(right),
            _ => Vec::new(),
        }
    }
}

/// The same of the right facts of whatever kind a correction is about.
fn put_on_rightly(right: &Value) -> Vec<Spot> {
    let id = |field| right[field].as_str().and_then(|id| Uuid::parse_str(id).ok());
    let position = right["position"].as_str().and_then(|position| position.parse().ok());
    let position = id("vehicle").zip(position);
    let position = position.map(|(vehicle, position)| Spot::Position(vehicle, position));
    id("wheel").map(Spot::Wheel).into_iter().chain(position).collect()
}

/// Where the casing is now.
fn present(casing: &Casing) -> Vec<Stay> {
    let mounted = casing.mounting.as_ref().map(|mounting| mounting.moment);
    let on_wheel = casing.wheel.zip(mounted);
    let fitted = casing.fitting.as_ref().map(|fitting| fitting.moment);
    let at_position = casing.vehicle.zip(casing.position).zip(fitted);
    let stay = |spot, from| Stay { spot, from, until: None };
    let on_wheel = on_wheel.map(|(wheel, from)| stay(Spot::Wheel(wheel), from));
    let at_position =
        at_position.map(|((vehicle, p), from)| stay(Spot::Position(vehicle, p), from));
    on_wheel.into_iter().chain(at_position).collect()
}

/// Where a casing was and is, from all its entries.
pub(crate) fn stays<'a>(entries: impl IntoIterator<Item = &'a Entry>) -> Vec<Stay> {
    let (mut state, mut stays) = (State::Unknown, Vec::<Stay>::new());
    for entry in in_order(entries, None) {
        state.apply(&entry);
        let now = state.casing().map(present).unwrap_or_default();
        for stay in stays.iter_mut().filter(|stay| stay.until.is_none() && !now.contains(stay)) {
            stay.until = Some(entry.at());
        }
        let come: Vec<Stay> = now.into_iter().filter(|stay| !stays.contains(stay)).collect();
        stays.extend(come);
    }
    stays
}

impl World {
    /// Where a casing was and is: all of it where its history is at hand, else what its
    /// newest state says.
    pub(crate) fn stays(&self, casing: Uuid) -> Vec<Stay> {
        let subject = Subject::casing(casing);
        match self.histories.get(&subject) {
            Some(history) => stays(history),
            None => {
                let state = self.heads.get(&subject).and_then(|head| head.state.casing());
                state.map(present).unwrap_or_default()
            }
        }
    }

    /// The casings that are on this spot at this moment or come later, as far as they have
    /// been looked for.
    pub(crate) fn on_spot_since(&self, spot: Spot, since: DateTime<Utc>) -> BTreeSet<Uuid> {
        let looked_for = self.spots.get(&spot).map(|(_, casings)| casings);
        let there = |casing: &&Uuid| {
            self.stays(**casing).iter().any(|stay| stay.spot == spot && stay.lasts(since))
        };
        looked_for.into_iter().flatten().filter(there).copied().collect()
    }

    /// Every casing as it stood at a moment.
    pub(crate) fn casings_at(
        &self,
        at: DateTime<Utc>,
    ) -> impl Iterator<Item = (Uuid, Cow<'_, Casing>)> {
        self.casings().filter_map(move |(id, _)| {
            let casing = match self.at(Subject::casing(id), at) {
                Cow::Borrowed(state) => Cow::Borrowed(state.casing()?),
                Cow::Owned(State::Casing(casing)) => Cow::Owned(*casing),
                Cow::Owned(_) => return None,
            };
            Some((id, casing))
        })
    }

    /// The casing that was at this position at a moment, if another than `but`.
    pub(crate) fn at_position(
        &self,
        vehicle: Uuid,
        position: Position,
        at: DateTime<Utc>,
        but: Uuid,
    ) -> Option<(Uuid, Cow<'_, Casing>)> {
        self.casings_at(at).find(|(id, casing)| {
            *id != but && casing.vehicle == Some(vehicle) && casing.position == Some(position)
        })
    }
}

/// The spots on which the decision on a command looks for other casings: where it puts the
/// casing, and the other place of the pair; there too if the tire is found low or missing; all
/// of an axle that was weighed.
pub(crate) fn looked_at(world: &World, command: &Command) -> Vec<Spot> {
    let put_on = command.facts.put_on();
    let mate = |spot: &Spot| match spot {
        Spot::Position(vehicle, position) => Some(Spot::Position(*vehicle, position.mate()?)),
        Spot::Wheel(_) => None,
    };
    let down = low::where_down(world, command).map(|(vehicle, p)| Spot::Position(vehicle, p));
    let mates: Vec<Spot> = put_on.iter().chain(&down).filter_map(mate).collect();
    [put_on, mates, weighed(world, command)].concat()
}

/// The positions on the axles that were weighed.
fn weighed(world: &World, command: &Command) -> Vec<Spot> {
    let Facts::Weighed(facts) = &command.facts else {
        return Vec::new();
    };
    let vehicle = command.subject.id;
    let positions = world
        .vehicle(vehicle, command.occurred_at.to_utc())
        .map(Vehicle::positions)
        .unwrap_or_default();
    let on_axle = |p: &Position| facts.axles.iter().any(|one| Some(one.axle) == p.axle());
    positions.into_iter().filter(on_axle).map(|p| Spot::Position(vehicle, p)).collect()
}
