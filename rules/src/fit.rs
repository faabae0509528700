//! Whether a move fits between what is on record.
//!
//! A move that arrives late is recorded only if no time of a casing on a wheel or at a
//! position then overlaps another's, and if everything recorded of the casing afterwards
//! still finds it where it needs it. It is judged together with the later entries of the
//! same casing in the same request: a mount and its demount are one stay.

use crate::decide::{Case, Depth, decide_to};
use crate::entry::{Command, Entry, Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::casing::Origin;
use crate::fold::casing::{Casing, Whereabouts};
use crate::fold::{Moment, State, in_order};
use crate::spot::{Stay, stays};
use crate::world::World;
use std::borrow::Cow;
use std::collections::BTreeSet;
use uuid::Uuid;

/// What a move does not fit with.
#[derive(Clone, Debug, Default)]
pub(crate) struct Fit {
    /// The first entry of the casing that would not find it where it needs it.
    pub(crate) order: Option<Uuid>,
    /// The entries that put other casings there for some of the time.
    pub(crate) taken: Vec<Uuid>,
    /// It fits only together with later entries of the request.
    pub(crate) leans: bool,
}

impl Fit {
    pub(crate) fn fits(&self) -> bool {
        self.order.is_none() && self.taken.is_empty()
    }
}

/// Whether these facts say that the casing went somewhere.
pub(crate) fn moves(facts: &Facts) -> bool {
    use Facts as F;
    matches!(
        facts,
        F::Acquired(facts) if facts.origin == Origin::Opening
    ) || matches!(
        facts,
        F::Mounted(_)
            | F::Demounted(_)
            | F::Installed(_)
            | F::Removed(_)
            | F::SentAway(_)
            | F::Returned(_)
            | F::Moved(_)
            | F::Missing(_)
            | F::Found(_)
            | F::Disposed(_)
    )
}

/// Whether the casing is not where this needs it.
pub(crate) fn misplaced(facts: &Facts, casing: &Casing) -> bool {
    let depot = match facts {
        Facts::Moved(moved) => moved.from_depot,
        _ => None,
    };
    places(facts).is_some_and(|places| !places.contains(&casing.whereabouts))
        || casing.depot.zip(depot).is_some_and(|(known, from)| known != from)
}

/// Where a casing has to be for an entry of this kind; anywhere where it does not matter.
fn places(facts: &Facts) -> Option<&'static [Whereabouts]> {
    use Whereabouts::{Away, Depot, Missing, Vehicle, Wheel};
    Some(match facts {
        Facts::Mounted(_) | Facts::SentAway(_) => &[Depot],
        Facts::Inspected(facts) if facts.off_wheel => &[Depot, Away],
        Facts::Demounted(_) | Facts::Held(_) | Facts::Released(_) | Facts::Installed(_) => &[Wheel],
        Facts::Removed(_) | Facts::Torqued(_) => &[Vehicle],
        Facts::PressureRead(_) | Facts::Inflated(_) | Facts::Deflated(_) => &[Wheel, Vehicle],
        Facts::ThirdPartyService(_) => &[Depot, Wheel, Vehicle, Away],
        Facts::Moved(_) | Facts::Regrooved(_) => &[Depot, Wheel],
        Facts::Repaired(_) => &[Depot, Away],
        Facts::Inspected(_) | Facts::TreadRead(_) | Facts::Identified(_) | Facts::Missing(_) => {
            &[Depot, Wheel, Vehicle, Away]
        }
        Facts::MadeUnusable(_) => &[Depot],
        // Sold with its wheel or its vehicle, or left where it was sent.
        Facts::Disposed(_) => &[Depot, Wheel, Vehicle, Away],
        Facts::Preserved(_) | Facts::Scrapped(_) => &[Depot, Wheel, Vehicle, Away, Missing],
        Facts::Returned(_) => &[Away],
        Facts::Found(_) => &[Missing],
        _ => return None,
    })
}

/// The later commands of a request that a decision may lean on: those about casings that
/// would be decided as things stand.
pub(crate) fn followers<'a>(
    world: &World,
    rest: &[&'a Command],
    about: &BTreeSet<Subject>,
) -> Vec<&'a Command> {
    let mut seen = BTreeSet::new();
    let decided = |command: &Command| {
        !world.unknown(command)
            && world.dangling(command).is_empty()
            && world.retried.get(&command.id).copied().flatten().is_none()
    };
    let concerned = rest.iter().copied().filter(|command| about.contains(&command.subject));
    concerned.filter(|command| decided(command) && seen.insert(command.id)).collect()
}

/// How the command fits, if it is recorded as this entry.
pub(crate) fn fit(case: &Case<'_>, as_recorded: &Entry, rest: &[&Command]) -> Fit {
    let own = case.command.subject;
    if own.kind != SubjectKind::Casing || !moves(&case.command.facts) {
        return Fit::default();
    }
    let Some(known) = case.world.histories.get(&own) else {
        // Nothing of it is later, so where it goes it stays.
        let from = Moment::of(as_recorded);
        let stay = |spot| Stay { spot, from, until: None };
        let stays: Vec<Stay> = case.command.facts.put_on().into_iter().map(stay).collect();
        return Fit { taken: taken(case.world, own.id, &stays), ..Fit::default() };
    };
    let alone = clashes(case.world, own, known.iter().chain([as_recorded]));
    if alone.fits() {
        return alone;
    }
    let followers = followers(case.world, rest, &BTreeSet::from([own]));
    let mut then = Cow::Borrowed(case.world);
    if !followers.is_empty() {
        then.to_mut().apply(as_recorded);
    }
    for command in followers {
        let decided = decide_to(Depth::Alone, &then, case.now, case.sender, command, &[], None);
        decided.iter().for_each(|entry| then.to_mut().apply(entry));
        if clashes(case.world, own, &then.histories[&own]).fits() {
            return Fit { leans: true, ..Fit::default() };
        }
    }
    alone
}

/// What would be in each other's way, and is not yet, if all this were told of a casing.
pub(crate) fn clashes<'a>(
    world: &World,
    own: Subject,
    told: impl IntoIterator<Item = &'a Entry> + Clone,
) -> Fit {
    let known = misfits(&world.histories[&own]);
    let order = misfits(told.clone()).into_iter().find(|entry| !known.contains(entry));
    let before = world.stays(own.id);
    let new: Vec<Stay> = stays(told).into_iter().filter(|stay| !before.contains(stay)).collect();
    Fit { order, taken: taken(world, own.id, &new), leans: false }
}

/// The entries that put other casings where these stays of a casing are, for some of the time.
fn taken(world: &World, own: Uuid, stays: &[Stay]) -> Vec<Uuid> {
    let others = world.casings().filter(|(id, _)| !stays.is_empty() && *id != own);
    let others = others.flat_map(|(id, _)| world.stays(id));
    let taken = others.filter(|other| stays.iter().any(|stay| stay.overlaps(other)));
    let taken: BTreeSet<Uuid> = taken.map(|other| other.from.entry).collect();
    taken.into_iter().collect()
}

/// The recorded entries that do not find the casing where they need it, in order of time.
fn misfits<'a>(history: impl IntoIterator<Item = &'a Entry>) -> Vec<Uuid> {
    let (mut state, mut misfits) = (State::Unknown, Vec::new());
    for entry in in_order(history, None) {
        let misplaced = |casing| misplaced(&entry.facts, casing);
        if entry.recorded() && state.casing().is_some_and(misplaced) {
            misfits.push(entry.id);
        }
        state.apply(&entry);
    }
    misfits
}
