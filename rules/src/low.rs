//! Whether a tire was run low, and its dual mate overloaded by it.

use crate::Quantity;
use crate::decide::Case;
use crate::entry::Command;
use crate::facts::Facts;
use crate::facts::vehicle::Position;
use crate::fold::casing::Casing;
use crate::gas::gauge_psi_at;
use crate::load;
use crate::world::World;
use uuid::Uuid;

/// The air's temperature where none was taken, degrees Fahrenheit.
const REFERENCE_F: f64 = 68.0;

/// Who is in doubt after a pressure was found, or after a tire went missing.
#[derive(Default)]
pub(crate) struct Low {
    pub(crate) own: bool,
    /// The mate, and what shows that it carried too much besides that this one was down.
    pub(crate) mate: Option<(Uuid, Vec<Uuid>)>,
}

/// Who is in doubt after this. Only an installed tire was driven.
pub(crate) fn found_low(case: &Case<'_>) -> Low {
    let Some((vehicle, position)) = where_down(case.world, case.command) else {
        return Low::default();
    };
    let mate = position
        .mate()
        .and_then(|mate| case.world.at_position(vehicle, mate, case.at, case.id()))
        .and_then(|(id, mate)| Some((id, carried_too_much(case, (vehicle, position), &mate)?)));
    Low { own: !matches!(case.command.facts, Facts::Missing(_)), mate }
}

/// What shows that the mate carried too much, if it did: flat, missing or at half of its set
/// pressure a tire carries nothing worth counting (common practice, no published source).
fn carried_too_much(case: &Case<'_>, place: (Uuid, Position), mate: &Casing) -> Option<Vec<Uuid>> {
    let psi = found_psi(case.world, case.command);
    let set = set_psi(case.world, case.command);
    match psi.zip(set).filter(|(psi, set)| !Quantity::at_or_below_percent(*psi, 50, *set)) {
        Some((psi, _)) => load::mate_overloaded(case, place, psi, mate),
        None => Some(Vec::new()),
    }
}

/// Where a tire was found low or missing on a vehicle, if it was.
pub(crate) fn where_down(world: &World, command: &Command) -> Option<(Uuid, Position)> {
    use Facts::{Acquired, Deflated, Inflated, Missing, PressureRead, Removed};
    if !matches!(
        command.facts,
        PressureRead(_) | Inflated(_) | Deflated(_) | Removed(_) | Missing(_) | Acquired(_)
    ) {
        return None;
    }
    let (vehicle, position) = place(world, command)?;
    if matches!(command.facts, Missing(_)) {
        return Some((vehicle, position));
    }
    let psi = found_psi(world, command)?;
    run_low(psi, set_psi(world, command)?).then_some((vehicle, position))
}

/// The pressure that counts of what was found.
fn found_psi(world: &World, command: &Command) -> Option<Quantity> {
    let heavy = || {
        let at = command.occurred_at.to_utc();
        let state = world.at(command.subject, at);
        Some(world.model(state.casing()?.model, at)?.single_lb > Quantity::whole(4000))
    };
    found(&command.facts, heavy)
}

/// At or below 80 % of the recommended pressure, 29 CFR 1910.177(f)(2)(i) and OSHA's chart
/// for tubeless tires.
pub(crate) fn run_low(psi: Quantity, set: Quantity) -> bool {
    Quantity::at_or_below_percent(psi, 80, set)
}

/// The set pressure of the place that the tire of this command runs at; a spare runs nowhere.
pub(crate) fn set_psi(world: &World, command: &Command) -> Option<Quantity> {
    let (vehicle, position) = place(world, command)?;
    Some(world.vehicle(vehicle, command.occurred_at.to_utc())?.axle_of(position)?.set_psi)
}

/// The pressure that the tire of this command ought to have where it is, a spare too.
pub(crate) fn recommended_psi(world: &World, command: &Command) -> Option<Quantity> {
    let (vehicle, position) = place(world, command)?;
    world.vehicle(vehicle, command.occurred_at.to_utc())?.recommended_psi(position)
}

/// Where the tire is: where it was, or where it is taken over.
fn place(world: &World, command: &Command) -> Option<(Uuid, Position)> {
    if let Facts::Acquired(facts) = &command.facts {
        return facts.vehicle.zip(facts.position);
    }
    let state = world.at(command.subject, command.occurred_at.to_utc());
    let casing = state.casing()?;
    casing.vehicle.zip(casing.position)
}

/// The lowest of the pressure as read, its cold equivalent, and the federal
/// table's. A hot reading may flag; it never clears.
fn found(facts: &Facts, heavy: impl Fn() -> Option<bool>) -> Option<Quantity> {
    match facts {
        Facts::Acquired(facts) => facts.cold_psi,
        Facts::Removed(facts) => facts.found_psi,
        Facts::Inflated(facts) => Some(facts.found_psi),
        Facts::Deflated(facts) => Some(facts.found_psi),
        Facts::PressureRead(facts) => {
            let mut lowest = facts.psi;
            if let Some(tire_f) = facts.tire_f {
                let ambient = facts.ambient_f.map_or(REFERENCE_F, Quantity::to_f64);
                let cold = gauge_psi_at(facts.psi.to_f64(), tire_f.to_f64(), 0.0, ambient, 0.0);
                lowest = lowest.min(Quantity::nearest(cold));
            }
            if facts.last_hour_mph.is_some_and(in_the_one_speed_row) {
                lowest = lowest.min(facts.psi - Quantity::whole(if heavy()? { 15 } else { 5 }));
            }
            Some(lowest)
        }
        _ => None,
    }
}

/// Table 1 of 49 CFR 393.75(i)(2) has one row: 41 to 55 mph in the hour before.
fn in_the_one_speed_row(mph: Quantity) -> bool {
    (Quantity::whole(41)..=Quantity::whole(55)).contains(&mph)
}
