//! `install.*`: before an assembly goes on an axle.

use super::Stop;
use crate::Quantity;
use crate::decide::{Case, doubt_entries};
use crate::facts::Facts;
use crate::facts::casing::{Installed, RepairKind};
use crate::facts::model::{Construction, Marking};
use crate::facts::vehicle::{Axle, Places, Position, Vehicle, VehicleKind};
use crate::fold::Moment;
use crate::fold::casing::Casing;
use crate::load_table::{LoadTable, Reading, sidewall_lb};
use std::borrow::Cow;

/// What is put on an axle. Where a spare is carried no axle asks anything of it.
struct Ask<'a> {
    facts: &'a Installed,
    casing: &'a Casing,
    vehicle: &'a Vehicle,
    axle: &'a Axle,
}

fn asked<'a>(case: &'a Case<'_>) -> Option<Ask<'a>> {
    let Facts::Installed(facts) = &case.command.facts else {
        return None;
    };
    let vehicle = case.world.vehicle(facts.vehicle, case.at)?;
    let axle = vehicle.axle_of(facts.position)?;
    Some(Ask { facts, casing: case.casing()?, vehicle, axle })
}

/// Put on an axle, or where a spare is carried: the casing, and whether it is a spare.
fn put_on<'a>(case: &'a Case<'_>) -> Option<(&'a Installed, &'a Casing, bool)> {
    let Facts::Installed(facts) = &case.command.facts else {
        return None;
    };
    Some((facts, case.casing()?, facts.position.axle().is_none()))
}

pub(super) fn installed(case: &Case<'_>) -> bool {
    asked(case).is_some()
}

pub(super) fn dual_position(case: &Case<'_>) -> bool {
    asked(case).is_some_and(|ask| ask.axle.places == Places::Dual)
}

/// This mounting was not released, or a doubt came since.
pub(super) fn released(case: &Case<'_>) -> Option<Stop> {
    let (_, casing, spare) = put_on(case)?;
    let release = casing.mounting.as_ref().and_then(|mounting| mounting.release);
    let found = spare.then(|| "A spare has to be ready to run.".to_owned());
    (!release.is_some_and(|release| release.stands))
        .then(|| Stop { found, ..Stop::shown(doubt_entries(casing)) })
}

/// Proved for less than this position's set pressure.
pub(super) fn hold_covers(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let (covers, set) = (ask.casing.covers_psi()?, ask.axle.set_psi);
    (covers < set)
        .then(|| Stop::found(format!("Held for {covers} psi, set pressure here {set} psi.")))
}

/// 49 CFR 393.75(b), (c): 4/32 on front wheels of bus, truck and tractor, else 2/32.
pub(super) fn tread(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let carried = ask.facts.grooves_32nds.as_ref().and_then(|g| g.iter().flatten().min().copied());
    let new = || {
        let never_ran = ask.casing.ran.is_none() && ask.casing.life == 0;
        never_ran.then(|| case.model().map(|model| model.new_tread_32nds)).flatten()
    };
    let read = ask.casing.tread.filter(|tread| !tread.ran_since).map(|tread| tread.least_32nds);
    let Some(least) = carried.or(read).or_else(|| ask.casing.tread.is_none().then(new).flatten())
    else {
        return Some(Stop::found("The tread was not read since it last ran.".to_owned()));
    };
    let need = Quantity::whole(if ask.vehicle.front_wheel(ask.facts.position) { 4 } else { 2 });
    (least < need).then(|| Stop::found(format!("{least}/32 is left, {need}/32 is needed here.")))
}

/// 49 CFR 393.75(a), or let down and not aired up since.
pub(super) fn condition(case: &Case<'_>) -> Option<Stop> {
    let (facts, casing, _) = put_on(case)?;
    let damage = casing.damage.as_ref().map(|damage| damage.moment);
    let shown: Vec<_> =
        damage.into_iter().chain(casing.let_down).map(|moment| moment.entry).collect();
    (!shown.is_empty() || !facts.damage.is_empty()).then(|| Stop::shown(shown))
}

fn radial_beside_bias(case: &Case<'_>, ask: &Ask<'_>) -> bool {
    let own = ask.casing.construction.radial();
    case.world.casings_at(case.at).any(|(id, other)| {
        id != case.id()
            && other.vehicle == Some(ask.facts.vehicle)
            && other.position.is_some_and(|p| p.row() == ask.facts.position.row())
            && other.construction.radial() != own
    })
}

/// 49 CFR 396 Appendix A 10(a): bias and radial on a power unit's steering axle.
pub(super) fn steer_mix(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    Stop::when(ask.vehicle.front_wheel(ask.facts.position) && radial_beside_bias(case, &ask))
}

/// The same on any other axle.
pub(super) fn axle_mix(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    Stop::when(!ask.vehicle.front_wheel(ask.facts.position) && radial_beside_bias(case, &ask))
}

fn mate<'a>(case: &'a Case<'_>, ask: &Ask<'_>) -> Option<Cow<'a, Casing>> {
    let place: Position = ask.facts.position.mate()?;
    case.world.at_position(ask.facts.vehicle, place, case.at, case.id()).map(|(_, casing)| casing)
}

fn apart(one: Option<Quantity>, other: Option<Quantity>) -> Quantity {
    one.zip(other).map_or(Quantity::ZERO, |(one, other)| one.apart(other))
}

fn diameters_apart(ask: &Ask<'_>, mate: &Casing) -> Quantity {
    apart(ask.facts.diameter_in, mate.fitting.as_ref().and_then(|fitting| fitting.diameter_in))
}

/// Trade guidance: mates within 1/4 inch of diameter, 4/32 of tread, and 5 psi (radial).
pub(super) fn duals(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let mate = mate(case, &ask)?;
    let carried = ask.facts.grooves_32nds.as_ref().and_then(|g| g.iter().flatten().min().copied());
    let tread = apart(
        carried.or(ask.casing.tread.map(|tread| tread.least_32nds)),
        mate.tread.map(|tread| tread.least_32nds),
    );
    let pressure = apart(ask.facts.psi, mate.fitting.as_ref().and_then(|fitting| fitting.psi));
    let diameter = diameters_apart(&ask, &mate);
    let uneven = (diameter > Quantity::from_hundredths(25)
        && diameter <= Quantity::from_hundredths(50))
        || tread > Quantity::whole(4)
        || (ask.casing.construction.radial() && pressure > Quantity::whole(5));
    uneven.then(|| Stop { caution: true, ..Stop::default() })
}

/// 49 CFR 393.75(d), (e): no retread and nothing regrooved on the front wheels of a bus, nothing
/// regrooved of 4,920 lb or more on those of a truck or tractor. A lighter one there is for the
/// crew to acknowledge, 49 CFR 396 Appendix A 10(a).
pub(super) fn bus_front(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    if !ask.vehicle.front_wheel(ask.facts.position) {
        return None;
    }
    let regrooved = ask.casing.regrooved;
    let barred = match ask.vehicle.kind {
        VehicleKind::Bus => regrooved.is_some() || ask.casing.life > 0,
        _ => regrooved.is_some() && case.model()?.single_lb >= Quantity::whole(4920),
    };
    (barred || regrooved.is_some()).then(|| Stop {
        evidence: regrooved.map(|moment| moment.entry).into_iter().collect(),
        found: None,
        caution: !barred,
    })
}

/// 49 CFR 396 Appendix A 10(a): a boot, blowout patch or other ply repair on the steering axle
/// of a power unit.
pub(super) fn steer_repair(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let plies = ask.casing.repairs.iter().filter(|one| one.repair != RepairKind::NailHole);
    let evidence: Vec<_> = plies.map(|one| one.moment.entry).collect();
    (ask.vehicle.front_wheel(ask.facts.position) && !evidence.is_empty())
        .then(|| Stop::shown(evidence))
}

/// A State inspection rule: more than 1/2 inch of diameter; bias beside radial.
pub(super) fn dual_limit(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let mate = mate(case, &ask)?;
    let mixed = (mate.construction == Construction::Bias)
        != (ask.casing.construction == Construction::Bias);
    Stop::when(diameters_apart(&ask, &mate) > Quantity::from_hundredths(50) || mixed)
}

/// 49 CFR 571.119 S6.5(d): no dual rating on the sidewall.
pub(super) fn dual_rating(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    Stop::when(ask.axle.places == Places::Dual && case.model()?.dual_lb.is_none())
}

/// What the axle was last weighed at, and by how many tires it is carried.
struct Load {
    weighed: Moment,
    axle: u8,
    load_lb: Quantity,
    tires: i64,
    /// What this tire carries at which pressure, where a chart in force says so.
    table: Option<LoadTable>,
    rated_lb: Quantity,
}

fn load_on_record(case: &Case<'_>, ask: &Ask<'_>) -> Option<Load> {
    let Position::Axle { axle, place, .. } = ask.facts.position else {
        return None;
    };
    let (weighed, load_lb) = case.world.axle_load(ask.facts.vehicle, axle, case.at)?;
    let model = case.model()?;
    let table = LoadTable::of(case.world, model, place, case.at);
    let (tires, rated_lb) = (ask.vehicle.tires(axle)?, sidewall_lb(model, place)?);
    Some(Load { weighed, axle, load_lb, tires, table, rated_lb })
}

/// 49 CFR 393.75(g), (i)(1): the axle carries more than such tires may in this fitment at the
/// set pressure, and no State special permit at reduced speed allows it. Where no chart has the
/// tire's size, its sidewall alone says what it may carry.
pub(super) fn load(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    if ask.vehicle.state_permit.is_some() {
        return None;
    }
    let load = load_on_record(case, &ask)?;
    let set = ask.axle.set_psi;
    let read = load.table.map(|table| table.capacity(set));
    let may = read.as_ref().map_or(load.rated_lb, |read| read.amount).times(load.tires);
    let mark = read.as_ref().map_or("", Reading::mark);
    let (axle, load_lb) = (load.axle, load.load_lb);
    let found = format!("Axle {axle}: {load_lb} lb, at {set} psi they carry {may} lb.{mark}");
    let charts = read.map(|read| read.charts).unwrap_or_default();
    (load_lb > may).then(|| Stop {
        found: Some(found),
        ..Stop::shown([vec![load.weighed.entry], charts].concat())
    })
}

/// 49 CFR 393.75(i)(1): below what the load on record needs; below the set pressure, where the
/// load is not known.
pub(super) fn pressure(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let release = ask.casing.mounting.as_ref().and_then(|mounting| mounting.release);
    let psi = ask.facts.psi.or(release.map(|release| release.operating_psi))?;
    let set = ask.axle.set_psi;
    let known = load_on_record(case, &ask);
    let known = known.and_then(|load| {
        Some((load.table.as_ref()?.needed_psi(load.load_lb, load.tires), load.weighed))
    });
    let Some((need, weighed)) = known else {
        let found = format!("{psi} psi, set pressure here {set} psi.");
        return (psi < set).then(|| Stop::found(found));
    };
    let found = format!("{psi} psi, the load needs {} psi.{}", need.amount, need.mark());
    (psi < need.amount).then(|| Stop {
        found: Some(found),
        ..Stop::shown([vec![weighed.entry], need.charts].concat())
    })
}

/// 49 CFR 396 Appendix A 10: excluded from this axle by its marking.
pub(super) fn marking(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    let excluded = case.model()?.markings.iter().any(|marking| match marking {
        Marking::NotForHighwayUse => true,
        Marking::NotForSteeringAxle => ask.axle.steer,
        Marking::TrailerOnly => {
            !matches!(ask.vehicle.kind, VehicleKind::Trailer | VehicleKind::Dolly)
        }
    });
    Stop::when(excluded)
}

/// 49 CFR 393.75(f): speed-restricted, on a vehicle not designated for it.
pub(super) fn speed(case: &Case<'_>) -> Option<Stop> {
    let ask = asked(case)?;
    Stop::when(case.model()?.max_speed_mph.is_some() && !ask.vehicle.speed_restricted)
}

/// No torque recorded for this fastening.
pub(super) fn torque(case: &Case<'_>) -> Option<Stop> {
    Stop::when(asked(case)?.facts.torque_ft_lb.is_none())
}
