//! Loads that were weighed against what the tires may carry.

use crate::Subject;
use crate::decide::Case;
use crate::entry::{Command, SubjectKind};
use crate::facts::Facts;
use crate::facts::vehicle::{Position, Weighed};
use crate::fold::Moment;
use crate::fold::casing::Casing;
use crate::load_table::{LoadTable, sidewall_lb};
use crate::world::World;
use crate::{Quantity, low};
use chrono::{DateTime, Utc};
use uuid::Uuid;

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

impl World {
    /// What an axle carried when it was last weighed up to a moment.
    pub(crate) fn axle_load(
        &self,
        vehicle: Uuid,
        axle: u8,
        at: DateTime<Utc>,
    ) -> Option<(Moment, Quantity)> {
        let head = self.heads.get(&Subject::of(SubjectKind::Vehicle, vehicle))?;
        head.state.registry()?.axle_load(axle, at)
    }
}

/// Whether the decision on a command is read from the load tables: on an axle whose load is on
/// record a tire is installed, or one of a pair was found low.
pub(crate) fn asks_tables(world: &World, command: &Command) -> bool {
    let place = match &command.facts {
        Facts::Installed(facts) => Some((facts.vehicle, facts.position)),
        _ => low::where_down(world, command).filter(|(_, position)| position.mate().is_some()),
    };
    place.is_some_and(|(vehicle, position)| {
        let at = command.occurred_at.to_utc();
        position.axle().is_some_and(|axle| world.axle_load(vehicle, axle, at).is_some())
    })
}

/// What shows that the mate of a tire found at this pressure carried more than it may: the
/// weighing and the tables, nothing where it is not known; none where it did not. Half of what
/// the axle carried that day is on the pair, and the low tire carries what it still can.
pub(crate) fn mate_overloaded(
    case: &Case<'_>,
    (vehicle, position): (Uuid, Position),
    psi: Quantity,
    mate: &Casing,
) -> Option<Vec<Uuid>> {
    // What is not known is no excuse.
    let unknown = Some(Vec::new());
    let Position::Axle { axle, place, .. } = position else {
        return None;
    };
    let day = |at: DateTime<Utc>| at.with_timezone(&case.zone()).date_naive();
    let weighed = case.world.axle_load(vehicle, axle, case.at);
    let Some((weighing, load_lb)) = weighed.filter(|(w, _)| day(w.at) == day(case.at)) else {
        return unknown;
    };
    let table = |model| LoadTable::of(case.world, model, place, case.at);
    let own = case.model().and_then(table);
    let other = case.world.model(mate.model, case.at).and_then(table);
    let set = case.world.vehicle(vehicle, case.at).and_then(|body| body.axle_of(position));
    let (Some(own), Some(other), Some(axle)) = (own, other, set) else {
        return unknown;
    };
    let (still, may) = (own.capacity(psi), other.capacity(pressure_of(mate, axle.set_psi)));
    let over = load_lb > (still.amount + may.amount).times(2);
    over.then(|| [vec![weighing.entry], still.charts, may.charts].concat())
}

/// The set pressure, or what was read since it was installed, where that is lower.
pub(crate) fn pressure_of(casing: &Casing, set: Quantity) -> Quantity {
    let fitted = casing.fitting.as_ref();
    let since = |at: DateTime<Utc>| fitted.is_none_or(|fitted| at >= fitted.moment.at);
    let read = casing.pressure.filter(|read| since(read.moment.at)).map(|read| read.psi);
    read.or(fitted.and_then(|fitted| fitted.psi)).map_or(set, |psi| psi.min(set))
}
