//! `retread.*` and `dispose.*`: before a casing leaves the fleet's hands.

use super::Stop;
use crate::decide::{Case, doubt_entries};
use crate::facts::Facts;
use crate::fold::casing::Standing;

/// Suspect, and whoever gets it was not told. Retreading never clears a doubt.
pub(super) fn declared(case: &Case<'_>) -> Option<Stop> {
    let told = match &case.command.facts {
        Facts::SentAway(facts) => facts.declared_suspect,
        _ => return None,
    };
    let casing = case.casing()?;
    (casing.standing == Standing::Suspect && !told).then(|| Stop::shown(doubt_entries(casing)))
}

/// Scrap leaves only as scrap, made unusable with proof.
pub(super) fn scrap(case: &Case<'_>) -> Option<Stop> {
    let casing = case.casing()?;
    let leaves = match &case.command.facts {
        Facts::SentAway(_) => casing.standing == Standing::Scrap,
        _ => return None,
    };
    leaves.then(|| Stop::shown(doubt_entries(casing)))
}
