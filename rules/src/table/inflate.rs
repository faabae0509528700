//! `inflate.*` and `seat.*`: where and how far a tire is aired.
//!
//! Goggles and hearing protection, remote inflation, everybody out of the
//! trajectory; local codes and licensed practice come first.

use super::{Stop, mount};
use crate::Quantity;
use crate::decide::{Case, doubt_entries};
use crate::entry::{Subject, SubjectKind};
use crate::facts::cage::CageKind;
use crate::facts::casing::{Inflated, Mounted, Place};
use crate::facts::wheel::WheelKind;
use crate::facts::{Body, Facts};
use crate::fold::casing::{Standing, Whereabouts};
use crate::low;
use uuid::Uuid;

fn facts<'a>(case: &'a Case<'_>) -> Option<&'a Mounted> {
    match &case.command.facts {
        Facts::Mounted(facts) => Some(facts),
        _ => None,
    }
}

fn inflated<'a>(case: &'a Case<'_>) -> Option<&'a Inflated> {
    match &case.command.facts {
        Facts::Inflated(facts) => Some(facts),
        _ => None,
    }
}

/// The tire is on a vehicle.
pub(super) fn on_vehicle(case: &Case<'_>) -> bool {
    case.casing().is_some_and(|casing| casing.whereabouts == Whereabouts::Vehicle)
}

/// The pressure that a tire is brought to, on its way into service.
pub(super) fn to_psi(case: &Case<'_>) -> Option<Quantity> {
    facts(case).map(|facts| facts.to_psi).or(inflated(case).map(|facts| facts.to_psi))
}

/// Where a tire is inflated off the vehicle.
struct Spot {
    place: Option<Place>,
    cage: Option<Uuid>,
    nuts_tight: bool,
}

fn off_vehicle(case: &Case<'_>) -> Option<Spot> {
    match &case.command.facts {
        Facts::Mounted(facts) => {
            Some(Spot { place: Some(facts.place), cage: facts.cage, nuts_tight: facts.nuts_tight })
        }
        Facts::Inflated(facts) if !on_vehicle(case) => {
            Some(Spot { place: facts.place, cage: facts.cage, nuts_tight: facts.nuts_tight })
        }
        _ => None,
    }
}

pub(super) fn aired(case: &Case<'_>) -> bool {
    matches!(case.command.facts, Facts::Mounted(_) | Facts::Held(_) | Facts::Inflated(_))
}

pub(super) fn aired_off_vehicle(case: &Case<'_>) -> bool {
    aired(case) && !on_vehicle(case)
}

/// Aired up from flat, the beads seat again.
fn from_flat(case: &Case<'_>) -> bool {
    let down = case.casing().is_some_and(|casing| casing.let_down.is_some());
    inflated(case).is_some_and(|facts| down || facts.found_psi == Quantity::ZERO)
}

pub(super) fn seated(case: &Case<'_>) -> bool {
    mount::mounted(case) || from_flat(case)
}

/// What stands at the named place: a cage, a barrier, or something called so.
pub(super) fn stands(case: &Case<'_>, place: Place, cage: Option<Uuid>) -> Option<CageKind> {
    let registry =
        case.world.heads.get(&Subject::of(SubjectKind::Cage, cage?))?.state.registry()?;
    let Body::Cage(body) = &registry.at(case.at)?.body else {
        return None;
    };
    // A barrier called a cage is still a barrier.
    matches!(place, Place::Cage | Place::Barrier).then_some(body.kind)
}

/// Multi-piece in anything but a cage; single-piece in neither cage nor barrier nor bolted
/// on with all nuts tight, 29 CFR 1910.177(d)(1), (d)(2), (g)(6).
pub(super) fn place(case: &Case<'_>) -> Option<Stop> {
    let spot = off_vehicle(case)?;
    let stands = spot.place.and_then(|place| stands(case, place, spot.cage));
    let bolted_on = spot.place == Some(Place::BoltedOn) && spot.nuts_tight;
    let safe = match case.wheel_kind() {
        WheelKind::MultiPiece => stands == Some(CageKind::Cage),
        _ => stands.is_some() || bolted_on,
    };
    Stop::when(!safe)
}

/// A suspect casing is aired in a cage only.
pub(super) fn suspect(case: &Case<'_>) -> Option<Stop> {
    let (spot, casing) = (off_vehicle(case)?, case.casing()?);
    let stands = spot.place.and_then(|place| stands(case, place, spot.cage));
    (casing.standing == Standing::Suspect && stands != Some(CageKind::Cage))
        .then(|| Stop::shown(doubt_entries(casing)))
}

/// On the vehicle: found at 80 % or less, or without remote equipment, or with somebody in
/// the trajectory, 29 CFR 1910.177(f)(4).
pub(super) fn remote(case: &Case<'_>) -> Option<Stop> {
    let facts = inflated(case).filter(|_| on_vehicle(case))?;
    let set = low::recommended_psi(case.world, case.command);
    let low = set.is_some_and(|set| low::run_low(facts.found_psi, set));
    Stop::when(low || !facts.remote || !facts.trajectory_clear)
}

/// Above the sidewall's pressure, 29 CFR 1910.177(g)(9).
pub(super) fn sidewall_limit(case: &Case<'_>) -> Option<Stop> {
    let (to, limit) = (to_psi(case)?, case.sidewall_limit()?);
    (to > limit).then(|| Stop::found(format!("The limit is {limit} psi.")))
}

/// Common practice, no published source: 5 psi outside the cage; on multi-piece wheels a
/// caution above 3 psi.
pub(super) fn outside_limit(case: &Case<'_>) -> Option<Stop> {
    let outside = facts(case)?.outside_psi?;
    let caution = outside <= Quantity::whole(5);
    let warned = case.wheel_kind() == WheelKind::MultiPiece && outside > Quantity::whole(3);
    (warned || !caution).then(|| Stop { caution, ..Stop::default() })
}

/// OSHA's charts: never above 40 psi to seat beads.
pub(super) fn seat_limit(case: &Case<'_>) -> Option<Stop> {
    let seat = match facts(case) {
        Some(facts) => Some(facts.seat_psi),
        None if from_flat(case) => inflated(case)?.seat_psi,
        None => return None,
    };
    let Some(seat) = seat else {
        return Some(Stop::found("The pressure at which the beads seated is missing.".to_owned()));
    };
    Stop::when(seat > Quantity::whole(40))
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
