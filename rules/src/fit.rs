//! Whether a move fits between what is on record.
//!
//! A move that arrives late is recorded only if no time of a casing on a wheel or at a
//! position then overlaps another's, and if everything recorded of the casing afterwards
//! still finds it where it needs it. It is judged together with the later entries of the
//! same casing in the same request: a mount and its demount are one stay. Where another casing
//! is in the way, so are the later entries about that one.

use crate::decide::{Case, Depth, decide_to};
use crate::entry::{Command, Entry, Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::casing::Origin;
use crate::fold::casing::{Casing, Whereabouts};
use crate::fold::{Moment, State, in_order};
use crate::spot::{Stay, stays};
use crate::world::World;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// What a move does not fit with.
#[derive(Clone, Debug, Default)]
pub(crate) struct Fit {
    /// The first entry of the casing that would not find it where it needs it, and the first
    /// such move.
    pub(crate) order: Vec<Uuid>,
    /// The entries that put other casings there for some of the time, each with its casing.
    pub(crate) taken: BTreeMap<Uuid, Subject>,
    /// It fits only together with later entries of the request about these.
    pub(crate) leans: BTreeSet<Subject>,
}

impl Fit {
    pub(crate) fn fits(&self) -> bool {
        self.order.is_empty() && self.taken.is_empty()
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
    // A spare is held by no nuts.
    let spare = matches!(facts, Facts::Torqued(_)) && !casing.driven_on();
    spare
        || places(facts).is_some_and(|places| !places.contains(&casing.whereabouts))
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
    let alone = clashes(case.world, case.world, own, known.iter().chain([as_recorded]));
    if alone.fits() {
        return alone;
    }
    let mut about = BTreeSet::from([own]);
    loop {
        let together = with_followers(case, as_recorded, &followers(case.world, rest, &about));
        if together.fits() {
            return Fit { leans: about, ..Fit::default() };
        }
        // Who is in the way may have left by then: what follows tells it too.
        let before = about.len();
        about.extend(together.taken.into_values());
        if about.len() == before {
            return alone;
        }
    }
}

/// How the command fits together with these, as far as they are needed.
fn with_followers(case: &Case<'_>, as_recorded: &Entry, followers: &[&Command]) -> Fit {
    let own = case.command.subject;
    let mut then = case.world.clone();
    then.apply(as_recorded);
    let mut fit = clashes(case.world, &then, own, &then.histories[&own]);
    for command in followers {
        if fit.fits() {
            break;
        }
        let decided = decide_to(Depth::Alone, &then, case.now, case.sender, command, &[], None);
        decided.iter().for_each(|entry| then.apply(entry));
        fit = clashes(case.world, &then, own, &then.histories[&own]);
    }
    fit
}

/// What would be in each other's way, and was not before, if all this were told of a casing
/// where the others are as `others` has it.
pub(crate) fn clashes<'a>(
    before: &World,
    others: &World,
    own: Subject,
    told: impl IntoIterator<Item = &'a Entry> + Clone,
) -> Fit {
    let known = misfits(&before.histories[&own]);
    let mut then = misfits(told.clone());
    then.retain(|misfit| !known.contains(misfit));
    let both = [then.first(), then.iter().find(|misfit| misfit.moves)];
    let mut order: Vec<Uuid> = both.into_iter().flatten().map(|misfit| misfit.entry).collect();
    order.dedup();
    let stood = before.stays(own.id);
    let new: Vec<Stay> = stays(told).into_iter().filter(|stay| !stood.contains(stay)).collect();
    Fit { order, taken: taken(others, own.id, &new), leans: BTreeSet::new() }
}

/// The entries that put other casings where these stays of a casing are, for some of the time.
fn taken(world: &World, own: Uuid, stays: &[Stay]) -> BTreeMap<Uuid, Subject> {
    let others = world.casings().filter(|(id, _)| !stays.is_empty() && *id != own);
    let others = others.flat_map(|(id, _)| world.stays(id).into_iter().map(move |stay| (id, stay)));
    let taken = others.filter(|(_, other)| stays.iter().any(|stay| stay.overlaps(other)));
    taken.map(|(id, other)| (other.from.entry, Subject::casing(id))).collect()
}

/// A recorded entry that does not find the casing where it needs it.
#[derive(PartialEq)]
struct Misfit {
    entry: Uuid,
    moves: bool,
}

/// The misfits of a history, in order of time.
fn misfits<'a>(history: impl IntoIterator<Item = &'a Entry>) -> Vec<Misfit> {
    let (mut state, mut misfits) = (State::Unknown, Vec::new());
    for entry in in_order(history, None) {
        let misplaced = |casing| misplaced(&entry.facts, casing);
        if entry.recorded() && state.casing().is_some_and(misplaced) {
            misfits.push(Misfit { entry: entry.id, moves: moves(&entry.facts) });
        }
        state.apply(&entry);
    }
    misfits
}
