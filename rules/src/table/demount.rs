//! `demount.*` and `remove.*`: the air goes out first.

use super::Stop;
use crate::Quantity;
use crate::decide::{Case, doubt_entries};
use crate::facts::Facts;
use crate::facts::casing::Removed;
use crate::facts::wheel::WheelKind;
use crate::fold::casing::{Casing, Standing};
use crate::low;

pub(super) fn demounted(case: &Case<'_>) -> bool {
    matches!(case.command.facts, Facts::Demounted(_))
}

pub(super) fn valve_clear(case: &Case<'_>) -> bool {
    match &case.command.facts {
        Facts::Demounted(_) | Facts::Deflated(_) => true,
        Facts::Removed(facts) => deflation_demanded(case, facts),
        _ => false,
    }
}

/// The wheel alone demands it: multi-piece or demountable.
fn wheel_demands(case: &Case<'_>) -> bool {
    case.wheel().is_some_and(|wheel| wheel.kind == WheelKind::MultiPiece || wheel.demountable)
}

fn in_doubt(casing: &Casing) -> bool {
    casing.standing != Standing::Serviceable || casing.damage.is_some()
}

/// Where a spare is carried, the wheel alone demands nothing: no axle is involved.
fn deflation_demanded(case: &Case<'_>, facts: &Removed) -> bool {
    case.casing().is_some_and(in_doubt)
        || !facts.damage.is_empty()
        || (driven_on(case) && wheel_demands(case))
        || low::found_low(case).own
}

fn driven_on(case: &Case<'_>) -> bool {
    case.casing().is_some_and(Casing::driven_on)
}

/// Not fully deflated where it must be, or the pressure found is not given.
pub(super) fn remove_deflated(case: &Case<'_>) -> Option<Stop> {
    let Facts::Removed(facts) = &case.command.facts else {
        return None;
    };
    // Where it was let down before, the pressure was noted then.
    let down = case.casing().is_some_and(|casing| casing.let_down.is_some());
    let found = facts.found_psi.is_some() || down || !driven_on(case);
    if found && (facts.core_out_flat || down || !deflation_demanded(case, facts)) {
        return None;
    }
    Some(Stop::shown(case.casing().map(doubt_entries).unwrap_or_default()))
}

/// Either of a dual pair low or damaged: both are let down first.
pub(super) fn duals_deflated(case: &Case<'_>) -> bool {
    let Facts::Removed(facts) = &case.command.facts else {
        return false;
    };
    let Some((vehicle, mate)) =
        case.casing().and_then(|casing| casing.vehicle.zip(casing.position?.mate()))
    else {
        return false;
    };
    let mate_in_doubt =
        case.world.at_position(vehicle, mate, case.at, case.id()).is_some_and(|(_, mate)| {
            in_doubt(&mate) || mate.pressure.is_some_and(|p| p.psi == Quantity::ZERO)
        });
    mate_in_doubt || deflation_demanded(case, facts)
}
