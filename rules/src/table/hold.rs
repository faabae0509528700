//! `hold.*`: before a proof hold counts.

use super::{Stop, inflate};
use crate::decide::{Case, doubt_entries};
use crate::facts::Facts;
use crate::facts::cage::CageKind;
use crate::facts::casing::Held;
use crate::fold::casing::Standing;

fn facts<'a>(case: &'a Case<'_>) -> Option<&'a Held> {
    match &case.command.facts {
        Facts::Held(facts) => Some(facts),
        _ => None,
    }
}

pub(super) fn held(case: &Case<'_>) -> bool {
    facts(case).is_some()
}

/// Anywhere but in a cage.
pub(super) fn place(case: &Case<'_>) -> Option<Stop> {
    let facts = facts(case)?;
    Stop::when(inflate::stands(case, facts.place, facts.cage) != Some(CageKind::Cage))
}

/// Suspect, and not inspected off the wheel since the latest doubt.
pub(super) fn inspected(case: &Case<'_>) -> Option<Stop> {
    let casing = case.casing()?;
    let unseen = casing.standing == Standing::Suspect && casing.sound.is_none();
    let stops = match &case.command.facts {
        Facts::Held(_) => unseen,
        // No inspection makes scrap fit to be aired up.
        Facts::Inflated(_) => unseen || casing.standing == Standing::Scrap,
        _ => false,
    };
    stops.then(|| Stop::shown(doubt_entries(casing)))
}

/// The target is above what the sidewall or the maker allows. A serviceable
/// casing may be held at the limit; a suspect one may not be held at all.
pub(super) fn sidewall_limit(case: &Case<'_>) -> Option<Stop> {
    let limit = case.sidewall_limit()?;
    over(case, limit)
}

/// The target is above the wheel's rating; a letter from the tire's maker does
/// not lift that. Mounting and airing up are asked too.
pub(super) fn wheel_limit(case: &Case<'_>) -> Option<Stop> {
    let rated = case.wheel()?.rated_psi;
    match &case.command.facts {
        Facts::Mounted(_) | Facts::Inflated(_) => (inflate::to_psi(case)? > rated)
            .then(|| Stop::found(format!("The wheel is rated {rated} psi."))),
        _ => over(case, rated),
    }
}

fn over(case: &Case<'_>, limit: crate::Quantity) -> Option<Stop> {
    let (facts, target) = (facts(case)?, case.target()?);
    let at_limit = facts.at_limit && case.casing()?.standing != Standing::Suspect;
    (target > limit && !at_limit)
        .then(|| Stop::found(format!("The hold asks {target} psi, the limit is {limit} psi.")))
}
