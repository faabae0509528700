//! `fact.*`: what cannot be so.

use super::Stop;
use crate::decide::Case;
use crate::entry::SubjectKind;
use crate::facts::Facts;
use crate::facts::casing::Marks;
use crate::fold::State;
use crate::fold::casing::{Casing, Whereabouts};
use crate::world::Owned;
use crate::{Quantity, Subject};
use chrono::TimeDelta;

/// A tread that reads deeper by more than this has grown, 32nds of an inch.
const READING_SPREAD: Quantity = Quantity::whole(1);

/// The thing is not where or how the entry needs it.
pub(super) fn order(case: &Case<'_>) -> Option<Stop> {
    match case.state() {
        State::Unknown => None,
        State::Registry(_) => matches!(case.command.facts, Facts::Registered(_))
            .then(|| Stop::found("It is registered already: change it.".to_owned())),
        State::Casing(casing) => casing_order(case, casing).or_else(|| late_move(case)),
    }
}

fn casing_order(case: &Case<'_>, casing: &Casing) -> Option<Stop> {
    if let Some(places) = places(&case.command.facts)
        && !places.contains(&casing.whereabouts)
    {
        return Some(Stop::shown(vec![casing.moved.entry]));
    }
    match &case.command.facts {
        Facts::Acquired(_) => Some(Stop::shown(vec![casing.acquired.entry])),
        Facts::TreadRead(facts) => grown(casing, &facts.grooves_32nds),
        Facts::Returned(facts) => {
            let passed = facts.life.is_some_and(|life| life <= casing.life);
            passed.then(|| Stop::found(format!("It had {} retreads already.", casing.life)))
        }
        Facts::Moved(facts) => {
            let elsewhere = facts.from_depot.is_some_and(|depot| depot != casing.depot);
            elsewhere.then(|| Stop::shown(vec![casing.moved.entry]))
        }
        _ => None,
    }
}

/// Where a casing has to be for an entry of this kind; anywhere where it does not matter.
fn places(facts: &Facts) -> Option<&'static [Whereabouts]> {
    use Whereabouts::{Away, Depot, Missing, Vehicle, Wheel};
    Some(match facts {
        Facts::Mounted(_) | Facts::SentAway(_) => &[Depot],
        Facts::Inspected(facts) if facts.off_wheel => &[Depot, Away],
        Facts::Demounted(_) | Facts::Held(_) | Facts::Released(_) | Facts::Installed(_) => &[Wheel],
        Facts::Removed(_) | Facts::Torqued(_) => &[Vehicle],
        Facts::PressureRead(_) => &[Wheel, Vehicle],
        Facts::Moved(_) => &[Depot, Wheel],
        Facts::Inspected(_) | Facts::TreadRead(_) | Facts::Identified(_) | Facts::Missing(_) => {
            &[Depot, Wheel, Vehicle, Away]
        }
        Facts::Returned(_) => &[Away],
        Facts::Found(_) => &[Missing],
        _ => return None,
    })
}

/// A tread does not grow while a casing is worn.
fn grown(casing: &Casing, grooves: &[Vec<Quantity>]) -> Option<Stop> {
    let least = grooves.iter().flatten().min()?;
    let before = casing.tread?;
    (*least > before.least_32nds + READING_SPREAD).then(|| Stop {
        evidence: vec![before.moment.entry],
        found: Some(format!("It read {}/32 before and cannot have grown.", before.least_32nds)),
        caution: false,
    })
}

/// A move is late when another move of the casing is on record after it.
fn late_move(case: &Case<'_>) -> Option<Stop> {
    let moves = matches!(
        case.command.facts,
        Facts::Mounted(_)
            | Facts::Demounted(_)
            | Facts::Installed(_)
            | Facts::Removed(_)
            | Facts::SentAway(_)
            | Facts::Returned(_)
            | Facts::Moved(_)
            | Facts::Missing(_)
            | Facts::Found(_)
    );
    let now = case.world.heads.get(&case.command.subject)?.state.casing()?;
    (moves && now.moved.at > case.at).then(|| Stop {
        evidence: vec![now.moved.entry],
        found: Some("A later move of this tire is on record.".to_owned()),
        caution: false,
    })
}

/// The wheel, the position or the mark belongs to another.
pub(super) fn place_taken(case: &Case<'_>) -> Option<Stop> {
    let taken = |by: Option<(uuid::Uuid, &Casing)>| {
        by.map(|(_, casing)| Stop::shown(vec![casing.moved.entry]))
    };
    match &case.command.facts {
        Facts::Mounted(facts) => taken(case.world.on_wheel(facts.wheel, case.id())),
        Facts::Installed(facts) => {
            taken(case.world.at_position(facts.vehicle, facts.position, case.id()))
        }
        Facts::Acquired(facts) => mark_taken(case, &facts.marks),
        Facts::Identified(facts) => mark_taken(case, &facts.marks),
        Facts::Registered(body) | Facts::Changed(body) => match body {
            crate::facts::Body::Vehicle(body) => {
                owned_by_another(case, Owned::Unit(body.unit.clone()))
            }
            _ => None,
        },
        _ => None,
    }
}

fn mark_taken(case: &Case<'_>, marks: &Marks) -> Option<Stop> {
    let brand = marks.brand.clone().map(Owned::Brand);
    let tag = marks.tag.clone().map(Owned::Tag);
    brand.into_iter().chain(tag).find_map(|mark| owned_by_another(case, mark))
}

fn owned_by_another(case: &Case<'_>, mark: Owned) -> Option<Stop> {
    let owner: Subject = case.world.owners.get(&mark).copied().flatten()?;
    (owner != case.command.subject)
        .then(|| Stop::found(format!("{} belongs to another.", mark.parts().1)))
}

/// The time cannot be right.
pub(super) fn time(case: &Case<'_>) -> Option<Stop> {
    let ahead = case.at > case.now + TimeDelta::minutes(5);
    let skewed = case
        .sender
        .sent_at
        .is_some_and(|sent| (sent.to_utc() - case.now).abs() > TimeDelta::hours(24));
    let before = case.command.subject.kind == SubjectKind::Casing
        && case
            .world
            .heads
            .get(&case.command.subject)
            .and_then(|head| head.state.casing())
            .is_some_and(|casing| case.at < casing.acquired.at);
    Stop::when(ahead || skewed || before)
}
