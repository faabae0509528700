//! `fact.*`: what cannot be so.

use super::{Stop, inflate};
use crate::amend;
use crate::decide::Case;
use crate::entry::SubjectKind;
use crate::erase;
use crate::facts::Facts;
use crate::facts::casing::Marks;
use crate::fit;
use crate::fold::State;
use crate::fold::casing::{Casing, Matter};
use crate::world::Owned;
use crate::{Quantity, Subject};
use chrono::TimeDelta;
use uuid::Uuid;

/// A tread that reads deeper by more than this has grown, 32nds of an inch.
const READING_SPREAD: Quantity = Quantity::whole(1);

/// The thing is not where or how the entry needs it.
pub(super) fn order(case: &Case<'_>) -> Option<Stop> {
    if let Some(found) = amend::stop(case) {
        return Some(Stop::found(found.to_owned()));
    }
    if let Some(stop) = erase::stop(case) {
        return Some(stop);
    }
    match case.state() {
        State::Unknown => takeover(case),
        State::Registry(_) => matches!(case.command.facts, Facts::Registered(_))
            .then(|| Stop::found("It is registered already: change it.".to_owned())),
        State::Casing(casing) => casing_order(case, casing).or_else(|| late_move(case)),
    }
}

fn casing_order(case: &Case<'_>, casing: &Casing) -> Option<Stop> {
    let misplaced = || Some(Stop::shown(vec![casing.moved.entry]));
    match &case.command.facts {
        facts if fit::misplaced(facts, casing) => misplaced(),
        Facts::Acquired(_) => Some(Stop::shown(vec![casing.acquired.entry])),
        Facts::Inflated(facts) if facts.place.is_some() && inflate::on_vehicle(case) => {
            Some(Stop::shown(vec![casing.moved.entry]))
        }
        Facts::TreadRead(facts) => grown(casing, &facts.grooves_32nds),
        Facts::Returned(facts) => {
            let passed = facts.life.is_some_and(|life| life <= casing.life);
            passed.then(|| Stop::found(format!("It had {} retreads already.", casing.life)))
        }
        Facts::MadeUnusable(_) if casing.scrap.is_none() => {
            Some(Stop::found("Only scrap is cut. Record first that it is scrap.".to_owned()))
        }
        Facts::MadeUnusable(_) => casing.unusable.map(|cut| Stop::shown(vec![cut.entry])),
        Facts::PreservationEnded(facts) => match casing.matters_ended(facts) {
            0 => Some(Stop::found("It is not kept for that.".to_owned())),
            1 => None,
            _ => Some(Stop::found("It is kept for several matters. Name the one.".to_owned())),
        },
        Facts::Preserved(facts) => again(&casing.preserved, &facts.matter),
        Facts::Recalled(facts) => again(&casing.recalls, &facts.campaign),
        Facts::Remedied(facts) => {
            let open = casing.recalls.iter().any(|recall| recall.name == facts.campaign);
            (!open).then(|| Stop::found("There is no such open recall of it.".to_owned()))
        }
        _ => None,
    }
}

/// A vehicle is taken over before anything else is recorded of it.
fn takeover(case: &Case<'_>) -> Option<Stop> {
    let Facts::Acquired(facts) = &case.command.facts else {
        return None;
    };
    let head = case.world.heads.get(&Subject::of(SubjectKind::Vehicle, facts.vehicle?))?;
    let vehicle = head.state.registry()?;
    if taken_over_before(case, facts.vehicle) {
        return None;
    }
    let other = vehicle.versions.len() > 1
        || !vehicle.weighings.is_empty()
        || vehicle.odometer.is_some()
        || case.world.worked_on(facts.vehicle?).is_some();
    other.then(|| Stop::found("There are other entries of this vehicle already.".to_owned()))
}

/// It was taken over with this vehicle before, and that is put right now.
fn taken_over_before(case: &Case<'_>, vehicle: Option<Uuid>) -> bool {
    let mut known = case.world.histories.get(&case.command.subject).into_iter().flatten();
    known.any(|entry| {
        entry.recorded() && matches!(&entry.facts, Facts::Acquired(f) if f.vehicle == vehicle)
    })
}

/// It is so already.
fn again(open: &[Matter], name: &str) -> Option<Stop> {
    let before = open.iter().find(|matter| matter.name == name)?;
    Some(Stop::shown(vec![before.moment.entry]))
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

/// A late move after which what is recorded of later times could not have been.
fn late_move(case: &Case<'_>) -> Option<Stop> {
    (!case.fit.order.is_empty()).then(|| Stop {
        evidence: case.fit.order.clone(),
        found: Some("It does not fit with what is on record of a later time.".to_owned()),
        caution: false,
    })
}

/// The wheel, the position or the mark belongs to another.
pub(super) fn place_taken(case: &Case<'_>) -> Option<Stop> {
    match &case.command.facts {
        _ if !case.fit.taken.is_empty() => {
            Some(Stop::shown(case.fit.taken.keys().copied().collect()))
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
