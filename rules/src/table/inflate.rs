//! `inflate.*` and `seat.*`: where and how far a tire is aired.
//!
//! Goggles and hearing protection, remote inflation, everybody out of the
//! trajectory; local codes and licensed practice come first.

use super::{Stop, mount};
use crate::Quantity;
use crate::decide::{Case, doubt_entries};
use crate::entry::{Subject, SubjectKind};
use crate::facts::cage::CageKind;
use crate::facts::casing::{Mounted, Place};
use crate::facts::{Body, Facts};
use crate::fold::casing::Standing;

fn facts<'a>(case: &'a Case<'_>) -> Option<&'a Mounted> {
    match &case.command.facts {
        Facts::Mounted(facts) => Some(facts),
        _ => None,
    }
}

pub(super) fn aired(case: &Case<'_>) -> bool {
    mount::mounted(case) || matches!(case.command.facts, Facts::Held(_))
}

/// What stands at the named place: a cage, a barrier, or something called so.
pub(super) fn stands(case: &Case<'_>, place: Place, cage: Option<uuid::Uuid>) -> Option<CageKind> {
    let registry =
        case.world.heads.get(&Subject::of(SubjectKind::Cage, cage?))?.state.registry()?;
    let Body::Cage(body) = &registry.at(case.at)?.body else {
        return None;
    };
    // A barrier called a cage is still a barrier.
    matches!(place, Place::Cage | Place::Barrier).then_some(body.kind)
}

/// Neither cage nor barrier nor bolted on, 29 CFR 1910.177(d)(2), (g)(6).
pub(super) fn place(case: &Case<'_>) -> Option<Stop> {
    let facts = facts(case)?;
    Stop::when(facts.place == Place::Open)
}

/// A suspect casing is aired in a cage only.
pub(super) fn suspect(case: &Case<'_>) -> Option<Stop> {
    let (facts, casing) = (facts(case)?, case.casing()?);
    let caged = stands(case, facts.place, facts.cage) == Some(CageKind::Cage);
    (casing.standing == Standing::Suspect && !caged).then(|| Stop::shown(doubt_entries(casing)))
}

/// Above the sidewall's pressure, 29 CFR 1910.177(g)(9).
pub(super) fn sidewall_limit(case: &Case<'_>) -> Option<Stop> {
    let (facts, limit) = (facts(case)?, case.sidewall_limit()?);
    (facts.to_psi > limit).then(|| Stop::found(format!("The limit is {limit} psi.")))
}

/// Common practice, no published source: 5 psi outside the cage.
pub(super) fn outside_limit(case: &Case<'_>) -> Option<Stop> {
    Stop::when(facts(case)?.outside_psi? > Quantity::whole(5))
}

/// OSHA's charts: never above 40 psi to seat beads.
pub(super) fn seat_limit(case: &Case<'_>) -> Option<Stop> {
    Stop::when(facts(case)?.seat_psi > Quantity::whole(40))
}

/// 29 CFR 1910.177(g)(10): the maker's own limit.
pub(super) fn maker_limit(case: &Case<'_>) -> Option<Stop> {
    let (facts, limit) = (facts(case)?, case.model()?.seat_psi_max?);
    (facts.seat_psi > limit).then(|| Stop::found(format!("The maker allows {limit} psi.")))
}

/// Common practice, no published source: within 2/32 inch all round.
pub(super) fn concentric(case: &Case<'_>) -> Option<Stop> {
    Stop::when(facts(case)?.rib_spread_32nds? > Quantity::whole(2))
}
