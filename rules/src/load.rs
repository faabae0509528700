//! Loads that were weighed against what the tires may carry.

use crate::decide::Case;
use crate::facts::model::Model;
use crate::facts::vehicle::{Position, Weighed, Where};
use crate::{Quantity, Subject};
use uuid::Uuid;

/// What the sidewall allows a tire in this place; none where it has no rating for it.
pub(crate) fn sidewall_lb(model: &Model, place: Where) -> Option<Quantity> {
    if place == Where::Single { Some(model.single_lb) } else { model.dual_lb }
}

/// The casings that a weighing shows overloaded: the axle carries more than the sidewalls
/// of its tires allow in this fitment, 49 CFR 396 Appendix A 10(a)(11), 393.75(g).
pub(crate) fn overloaded(case: &Case<'_>, weighed: &Weighed) -> Vec<Uuid> {
    let Some(vehicle) = case.world.vehicle(case.id(), case.at) else {
        return Vec::new();
    };
    let on_axle = |id: Uuid| {
        // What is there now need not have been there then.
        let then = case.world.at(Subject::casing(id), case.at);
        let casing = then.casing().filter(|casing| casing.vehicle == Some(case.id()))?;
        Some((casing.model, casing.position?))
    };
    let over = |(model, position): (Uuid, Position)| {
        let Position::Axle { axle, place, .. } = position else {
            return None;
        };
        let load = weighed.axles.iter().find(|one| one.axle == axle)?.load_lb;
        let rating = sidewall_lb(case.world.model(model, case.at)?, place)?;
        Some(load > rating.times(vehicle.tires(axle)?))
    };
    let casings = case.world.casings().map(|(id, _)| id);
    casings.filter(|id| on_axle(*id).and_then(over).unwrap_or(false)).collect()
}
