//! What is still to be done about a casing on an axle: by whom it is not asked, only until when.
//!
//! It hangs on more than the casing: its vehicle's odometer and weighing, its depot's day and the
//! load tables. [`wants`] tells what is missing for an answer, [`due`] gives it.

use crate::Quantity;
use crate::entry::{Subject, SubjectKind};
use crate::facts::Body;
use crate::facts::chart::ChartKind;
use crate::facts::vehicle::Position;
use crate::fold::casing::{Casing, Fitting, Standing};
use crate::fold::registry::Odometer;
use crate::load::pressure_of;
use crate::load_table::{LoadTable, sidewall_lb};
use crate::wants::Wants;
use crate::world::World;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::Serialize;
use std::cmp::Ordering;
use utoipa::ToSchema;
use uuid::Uuid;

/// Miles after fastening from which nuts are to be checked again. Source: vehicle makers'
/// manuals, after 50 to 100 miles.
pub const RECHECK_AFTER_MI: Quantity = Quantity::whole(50);
/// Miles after fastening up to which that is in time.
pub const RECHECK_UP_TO_MI: Quantity = Quantity::whole(100);
/// Days after fastening in which nuts are checked again where no odometer tells the miles:
/// common practice, no published source.
pub const RECHECK_IN_DAYS: u64 = 7;

/// What is still to be done about a casing on an axle.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Due {
    /// The nuts are to be checked again. By the odometer where it was read when they were
    /// fastened and since, else by the day.
    TorqueRecheck {
        /// The vehicle.
        vehicle: Uuid,
        /// The position on it.
        position: Position,
        /// Whether it is time.
        when: When,
        /// The last day, of its depot.
        #[serde(skip_serializing_if = "Option::is_none")]
        by: Option<NaiveDate>,
        /// The vehicle's odometer from which it is time, miles.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<f64>, example = 150_050)]
        from_mi: Option<Quantity>,
        /// The vehicle's odometer beyond which it is overdue, miles.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<f64>, example = 150_100)]
        overdue_after_mi: Option<Quantity>,
        /// What to do, in plain words.
        #[schema(example = "Check the nuts again: from 150050 miles on the odometer, by 150100.")]
        say: String,
    },
    /// Its axle was last weighed above what its tires carry at this tire's pressure, and not
    /// above what its sidewall allows with more air.
    AirUpBeforeItMoves {
        /// The vehicle.
        vehicle: Uuid,
        /// The position on it.
        position: Position,
        /// The weighing's entry.
        weighing: Uuid,
        /// What the axle carried, pounds.
        #[schema(value_type = f64, example = 20_600)]
        axle_lb: Quantity,
        /// The pressure that counts for this tire, psi: its set pressure, or what was read since
        /// it was fitted where that is lower, because what was read above may have been warm.
        #[schema(value_type = f64, example = 95)]
        psi: Quantity,
        /// The cold pressure that this weight needs by the table, psi.
        #[schema(value_type = f64, example = 100)]
        needed_psi: Quantity,
        /// A row of the table that this was read from was written down from memory.
        from_memory: bool,
        /// What to do, in plain words.
        #[schema(
            example = "Too little air for this weight: it needs 100 psi cold before it moves."
        )]
        say: String,
    },
}

/// Whether it is time for something.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum When {
    /// Not yet.
    Later,
    /// It is.
    Now,
    /// It has passed.
    Overdue,
}

/// What is missing to say what is due of the casings of a world.
#[must_use]
pub fn wants(world: &World) -> Wants {
    let mut wants = Wants::default();
    for (_, casing) in world.casings() {
        let Some((vehicle, position)) = axle_of(casing) else { continue };
        let subject = Subject::of(SubjectKind::Vehicle, vehicle);
        wants.subjects.extend([subject, Subject::of(SubjectKind::Model, casing.model)]);
        wants.subjects.extend(depot_of(world, casing));
        let weighed = world.heads.get(&subject).and_then(|head| head.state.registry());
        let weighed = weighed.filter(|vehicle| {
            vehicle
                .weighings
                .iter()
                .flat_map(|one| &one.axles)
                .any(|one| one.axle == position.row())
        });
        wants.charts.extend(weighed.map(|_| ChartKind::LoadInflation));
    }
    wants.subjects.retain(|subject| !world.heads.contains_key(subject));
    wants.charts.retain(|kind| !world.charts.contains(kind));
    wants
}

/// What is due of a casing at a moment.
#[must_use]
pub fn due(world: &World, casing: Uuid, at: DateTime<Utc>) -> Vec<Due> {
    let head = world.heads.get(&Subject::casing(casing));
    let Some(casing) = head.and_then(|head| head.state.casing()) else {
        return Vec::new();
    };
    [recheck(world, casing, at), air_up(world, casing, at)].into_iter().flatten().collect()
}

/// Where it is driven on.
fn axle_of(casing: &Casing) -> Option<(Uuid, Position)> {
    let (vehicle, position) = casing.vehicle.zip(casing.position)?;
    position.axle().map(|_| (vehicle, position))
}

/// The depot whose day counts: its own, else its vehicle's.
fn depot_of(world: &World, casing: &Casing) -> Option<Subject> {
    let vehicle = casing.vehicle.map(|vehicle| Subject::of(SubjectKind::Vehicle, vehicle));
    let newest = || world.heads.get(&vehicle?)?.state.registry()?.newest();
    let of_vehicle = || match &newest()?.body {
        Body::Vehicle(body) => body.depot,
        _ => None,
    };
    let depot = casing.depot.or_else(of_vehicle)?;
    Some(Subject::of(SubjectKind::Depot, depot))
}

fn recheck(world: &World, casing: &Casing, at: DateTime<Utc>) -> Option<Due> {
    let (vehicle, position) = axle_of(casing)?;
    let fitting = casing.recheck_due()?;
    let depot = depot_of(world, casing).and_then(|depot| world.depot(depot.id, at));
    let zone = depot.map_or(chrono_tz::UTC, |depot| depot.zone);
    let day = |at: DateTime<Utc>| at.with_timezone(&zone).date_naive();
    let from_mi = fitting.odometer_mi.map(|mi| mi + RECHECK_AFTER_MI);
    let overdue_after_mi = fitting.odometer_mi.map(|mi| mi + RECHECK_UP_TO_MI);
    let head = world.heads.get(&Subject::of(SubjectKind::Vehicle, vehicle));
    let odometer = head.and_then(|head| head.state.registry()?.odometer);
    let (when, by) = match miles_since(fitting, odometer, at) {
        Some(run) if run > RECHECK_UP_TO_MI => (When::Overdue, None),
        Some(run) if run >= RECHECK_AFTER_MI => (When::Now, None),
        Some(_) => (When::Later, None),
        None => {
            let by = day(fitting.moment.at) + Days::new(RECHECK_IN_DAYS);
            let when = match day(at).cmp(&by) {
                Ordering::Less => When::Later,
                Ordering::Equal => When::Now,
                Ordering::Greater => When::Overdue,
            };
            (when, Some(by))
        }
    };
    let by_miles = from_mi.zip(overdue_after_mi);
    let by_miles = by_miles.map(|(from, to)| format!("from {from} miles on the odometer, by {to}"));
    let by_day = by.map(|by| format!("by {by}"));
    let late = if when == When::Overdue { "Overdue. Before it moves, check" } else { "Check" };
    let limits: Vec<String> = by_miles.into_iter().chain(by_day).collect();
    let say = format!("{late} the nuts again: {}.", limits.join(", or "));
    Some(Due::TorqueRecheck { vehicle, position, when, by, from_mi, overdue_after_mi, say })
}

/// The miles since the nuts were fastened, where the odometer was read both times and did not
/// go back.
fn miles_since(
    fitting: &Fitting,
    odometer: Option<Odometer>,
    at: DateTime<Utc>,
) -> Option<Quantity> {
    let since = |read: &Odometer| (fitting.moment.at..=at).contains(&read.moment.at);
    let read = odometer.filter(since)?.odometer_mi;
    fitting.odometer_mi.map(|from| read - from).filter(|run| *run >= Quantity::ZERO)
}

fn air_up(world: &World, casing: &Casing, at: DateTime<Utc>) -> Option<Due> {
    let (vehicle, position) = axle_of(casing)?;
    let Position::Axle { axle, place, .. } = position else {
        return None;
    };
    // Nobody is to put air in one that may have been run low.
    if casing.standing != Standing::Serviceable {
        return None;
    }
    let body = world.vehicle(vehicle, at)?;
    let (weighing, axle_lb) = world.axle_load(vehicle, axle, at)?;
    let (tires, set_psi) = (body.tires(axle)?, body.axle_of(position)?.set_psi);
    let model = world.model(casing.model, at)?;
    let table = LoadTable::of(world, model, place, at)?;
    let psi = pressure_of(casing, set_psi);
    let carries = table.capacity(psi);
    let too_much = axle_lb > carries.amount.times(tires);
    // What no pressure carries is a doubt, not a matter of air.
    let may_carry = axle_lb <= sidewall_lb(model, place)?.times(tires);
    if !(too_much && may_carry) {
        return None;
    }
    let needed = table.needed_psi(axle_lb, tires);
    let say = match needed.amount > set_psi {
        // Air alone does not end it: the next who reads it would go by the set pressure.
        true => format!(
            "Too little air for this weight: raise the set pressure from {set_psi} to {} psi, and \
             fill it cold before it moves.",
            needed.amount
        ),
        false => {
            format!("Too little air for this weight: fill to {set_psi} psi cold before it moves.")
        }
    };
    Some(Due::AirUpBeforeItMoves {
        vehicle,
        position,
        weighing: weighing.entry,
        axle_lb,
        psi,
        needed_psi: needed.amount,
        from_memory: carries.memory || needed.memory,
        say: say + if carries.memory { carries.mark() } else { needed.mark() },
    })
}
