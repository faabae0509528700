//! `cage.*`: the restraining device or barrier, 29 CFR 1910.177(d)(3).

use super::Stop;
use crate::decide::Case;
use crate::entry::{Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::cage::{self, Label};
use crate::fold::State;
use crate::fold::registry::{Check, Registry};
use std::borrow::Cow;
use uuid::Uuid;

fn cage_id(case: &Case<'_>) -> Option<Uuid> {
    match &case.command.facts {
        Facts::Mounted(facts) => facts.cage,
        Facts::Held(facts) => facts.cage,
        Facts::Inflated(facts) => facts.cage,
        _ => None,
    }
}

fn body<'a>(case: &'a Case<'_>) -> Option<&'a cage::Cage> {
    case.world.cage(cage_id(case)?, case.at)
}

fn with_last_check(
    case: &Case<'_>,
    stops: impl Fn(&Registry, Option<&Check>) -> bool,
) -> Option<Stop> {
    let state: Cow<'_, State> =
        case.world.at(Subject::of(SubjectKind::Cage, cage_id(case)?), case.at);
    let registry = state.registry()?;
    let check = registry.check.as_ref();
    stops(registry, check)
        .then(|| Stop::shown(check.map(|check| check.moment.entry).into_iter().collect()))
}

/// Not looked over on the depot's day, or since an incident.
pub(super) fn checked(case: &Case<'_>) -> Option<Stop> {
    let day = |at: chrono::DateTime<chrono::Utc>| at.with_timezone(&case.zone()).date_naive();
    with_last_check(case, |registry, check| {
        let fresh = check.is_some_and(|check| {
            day(check.moment.at) == day(case.at)
                && registry.incident.is_none_or(|incident| incident.at < check.moment.at)
        });
        !fresh
    })
}

/// An open defect at the last check.
pub(super) fn sound(case: &Case<'_>) -> Option<Stop> {
    with_last_check(case, |_, check| check.is_some_and(|check| !check.defects.is_empty()))
}

/// Built for tires of less pressure.
pub(super) fn strength(case: &Case<'_>) -> Option<Stop> {
    let (cage, tire) = (body(case)?.largest_tire_psi, case.model()?.sidewall_psi);
    (cage < tire).then(|| Stop::found(format!("Cage {cage} psi, tire {tire} psi.")))
}

/// A structural repair that nobody entitled has certified.
pub(super) fn repair(case: &Case<'_>) -> Option<Stop> {
    Stop::when(body(case)?.structural_repair.as_ref().is_some_and(|repair| !repair.certified()))
}

/// The warning label was not readable at the last check.
pub(super) fn label(case: &Case<'_>) -> Option<Stop> {
    with_last_check(case, |_, check| check.is_some_and(|check| check.label != Label::Readable))
}
