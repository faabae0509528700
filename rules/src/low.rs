//! Whether a tire was run low, and its dual mate overloaded by it.

use crate::decide::Case;
use crate::facts::Facts;
use crate::facts::vehicle::Position;
use crate::gas::gauge_psi_at;
use crate::{Quantity, Subject};
use uuid::Uuid;

/// The air's temperature where none was taken, degrees Fahrenheit.
const REFERENCE_F: f64 = 68.0;

/// Who is in doubt after a pressure was found, or after a tire went missing.
#[derive(Default)]
pub(crate) struct Low {
    pub(crate) own: bool,
    pub(crate) mate: Option<Uuid>,
}

/// 29 CFR 1910.177(f)(2)(i) and OSHA's chart for tubeless tires: 80 % or less of
/// the recommended pressure is run low. Only an installed tire was driven.
pub(crate) fn found_low(case: &Case<'_>) -> Low {
    let Some((psi, at)) = found(case) else {
        return Low { own: false, mate: missing(case).and_then(|at| mate_of(case, at)) };
    };
    let Some(set) = case.casing().and_then(|casing| casing.vehicle).and_then(|vehicle| {
        case.world.vehicle(vehicle, case.at)?.axle_of(at).map(|axle| axle.set_psi)
    }) else {
        return Low::default();
    };
    if !Quantity::at_or_below_percent(psi, 80, set) {
        return Low::default();
    }
    // The load of a dual pair is not known without a weighing of the same day,
    // so a mate of a tire at 80 % or less is in doubt.
    Low { own: true, mate: mate_of(case, at) }
}

/// The position that a tire went missing from.
fn missing(case: &Case<'_>) -> Option<Position> {
    matches!(case.command.facts, Facts::Missing(_)).then(|| case.casing()?.position).flatten()
}

/// The casing beside this position of the pair, if it was there then.
fn mate_of(case: &Case<'_>, at: Position) -> Option<Uuid> {
    let vehicle = case.casing()?.vehicle?;
    let (id, now) = case.world.at_position(vehicle, at.mate()?, case.id())?;
    // What is there now need not have been there then.
    let then = case.world.at(Subject::casing(id), case.at);
    then.casing()
        .is_some_and(|c| (c.vehicle, c.position) == (now.vehicle, now.position))
        .then_some(id)
}

/// The lowest of the pressure as read, its cold equivalent, and the federal
/// table's, with the position it was found at. A hot reading may flag; it never clears.
fn found(case: &Case<'_>) -> Option<(Quantity, Position)> {
    let position = case.casing()?.position?;
    let psi = match &case.command.facts {
        Facts::Removed(facts) => facts.found_psi?,
        Facts::PressureRead(facts) => {
            let mut lowest = facts.psi;
            if let Some(tire_f) = facts.tire_f {
                let ambient = facts.ambient_f.map_or(REFERENCE_F, Quantity::to_f64);
                let cold = gauge_psi_at(facts.psi.to_f64(), tire_f.to_f64(), 0.0, ambient, 0.0);
                lowest = lowest.min(Quantity::nearest(cold));
            }
            if facts.last_hour_mph.is_some_and(in_the_one_speed_row) {
                let heavy = case.model()?.single_lb > Quantity::whole(4000);
                lowest = lowest.min(facts.psi - Quantity::whole(if heavy { 15 } else { 5 }));
            }
            lowest
        }
        _ => return None,
    };
    Some((psi, position))
}

/// Table 1 of 49 CFR 393.75(i)(2) has one row: 41 to 55 mph in the hour before.
fn in_the_one_speed_row(mph: Quantity) -> bool {
    (Quantity::whole(41)..=Quantity::whole(55)).contains(&mph)
}
