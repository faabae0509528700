//! `retread.*` and `dispose.*`: before a casing leaves the fleet's hands.

use super::Stop;
use crate::decide::{Case, doubt_entries};
use crate::erase;
use crate::facts::Facts;
use crate::facts::casing::Disposal;
use crate::fold::casing::{Matter, Standing};
use uuid::Uuid;

/// Suspect, and whoever gets it was not told. Retreading never clears a doubt.
pub(super) fn declared(case: &Case<'_>) -> Option<Stop> {
    let told = match &case.command.facts {
        Facts::SentAway(facts) => facts.declared_suspect,
        // Whoever gets it cut cannot run it.
        Facts::Disposed(facts) => facts.declared_suspect || facts.how == Disposal::Scrap,
        _ => return None,
    };
    let casing = case.casing()?;
    (casing.standing == Standing::Suspect && !told).then(|| Stop::shown(doubt_entries(casing)))
}

/// Scrap leaves only as scrap, made unusable with proof.
pub(super) fn scrap(case: &Case<'_>) -> Option<Stop> {
    let casing = case.casing()?;
    let scrap = casing.standing == Standing::Scrap;
    let leaves = match &case.command.facts {
        Facts::SentAway(_) => scrap,
        Facts::Disposed(facts) if facts.how == Disposal::Scrap => casing.unusable.is_none(),
        Facts::Disposed(_) => scrap,
        _ => return None,
    };
    leaves.then(|| Stop::shown(doubt_entries(casing)))
}

/// Kept as evidence.
pub(super) fn preserved(case: &Case<'_>) -> Option<Stop> {
    let casing = match &case.command.facts {
        Facts::MadeUnusable(_) | Facts::Disposed(_) => case.casing()?,
        Facts::Erased(_) => erase::kept_now(case)?,
        _ => return None,
    };
    let kept = &casing.preserved;
    (!kept.is_empty()).then(|| Stop::shown(entries_of(kept)))
}

/// Recalled and not remedied: neither sold nor leased, 49 CFR 573.12.
pub(super) fn recalled(case: &Case<'_>) -> Option<Stop> {
    let Facts::Disposed(facts) = &case.command.facts else {
        return None;
    };
    let recalls = &case.casing()?.recalls;
    (matches!(facts.how, Disposal::Sold | Disposal::Leased) && !recalls.is_empty())
        .then(|| Stop::shown(entries_of(recalls)))
}

/// The entries that keep it from use.
pub(super) fn entries_of(matters: &[Matter]) -> Vec<Uuid> {
    matters.iter().map(|matter| matter.moment.entry).collect()
}
