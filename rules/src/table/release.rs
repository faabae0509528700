//! `release.*`: before a mounted casing returns to service.

use super::Stop;
use crate::decide::{Case, doubt_entries};
use crate::facts::Facts;
use crate::facts::casing::{Path, Released};
use crate::facts::model::Construction;
use crate::facts::wheel::WheelKind;
use crate::fold::casing::{Casing, Standing};

fn asked<'a>(case: &'a Case<'_>) -> Option<(&'a Released, &'a Casing)> {
    match &case.command.facts {
        Facts::Released(facts) => Some((facts, case.casing()?)),
        _ => None,
    }
}

pub(super) fn released(case: &Case<'_>) -> bool {
    asked(case).is_some()
}

/// No clean inspection off the wheel since the later of the last demount and
/// the latest doubt.
pub(super) fn inspected(case: &Case<'_>) -> Option<Stop> {
    let (_, casing) = asked(case)?;
    casing.sound.is_none().then(|| Stop::shown(doubt_entries(casing)))
}

/// No passed hold since the later of this mounting and the latest doubt, and
/// not the way bolted on the vehicle, where the policy allows it.
pub(super) fn proof(case: &Case<'_>) -> Option<Stop> {
    let (facts, casing) = asked(case)?;
    let bolted_on = facts.path == Path::BoltedOn
        && case.world.policy(case.at).bolted_on_path
        && case.wheel_kind() == WheelKind::SinglePiece
        && casing.doubted.is_none();
    let held = casing.mounting.as_ref().is_some_and(|mounting| mounting.proof.is_some());
    (!held && !bolted_on).then(|| Stop::shown(doubt_entries(casing)))
}

/// A suspect steel radial needs the extended hold.
pub(super) fn extended(case: &Case<'_>) -> Option<Stop> {
    let (_, casing) = asked(case)?;
    let held = casing.mounting.as_ref().is_some_and(|mounting| mounting.extended.is_some());
    (casing.standing == Standing::Suspect
        && casing.construction == Construction::SteelRadial
        && !held)
        .then(|| Stop::shown(doubt_entries(casing)))
}

/// Any sign, at any time.
pub(super) fn signs(case: &Case<'_>) -> Option<Stop> {
    let scrap = asked(case)?.1.scrap?;
    scrap.sign.then(|| Stop::shown(vec![scrap.moment.entry]))
}

/// Not brought down to operating pressure before the core went in; tube-type, not fully
/// deflated, the core put in and re-inflated in the cage, so that the tube lies straight.
pub(super) fn reduced(case: &Case<'_>) -> Option<Stop> {
    let (facts, _) = asked(case)?;
    let down = facts.left_cage_psi.is_some_and(|psi| psi <= facts.operating_psi);
    let straight = facts.reinflated_in_cage || !case.model().is_some_and(|model| model.tube_type);
    Stop::when(facts.path == Path::Cage && !(down && facts.core_in && straight))
}
