//! Vehicles by unit number, as somebody who walks round one wants to see them.

use crate::as_of::{self, AsOf};
use crate::auth::Caller;
use crate::casings::due_of;
use crate::fitted;
use crate::input::Query;
use crate::problem::Problem;
use crate::registry::{self, Known};
use crate::shapes;
use crate::state::State;
use crate::things::vehicles;
use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use rules::due::Due;
use rules::facts::Body;
use rules::facts::vehicle::{Position, Vehicle};
use rules::fold::Moment;
use rules::fold::casing::{Casing, Pressure, Standing, Tread};
use rules::fold::registry::Registry;
use rules::world::{Head, Owned};
use rules::{Quantity, Subject, SubjectKind, View};
use serde::Serialize;
use std::collections::BTreeMap;
use store::{Connection, StoreError, past, read};
use utoipa::ToSchema;
use uuid::Uuid;

/// A vehicle with every position.
#[derive(Serialize, ToSchema)]
pub struct Unit {
    /// The vehicle.
    pub vehicle: vehicles::Shown,
    /// A sign of a zipper rupture, a flat or damage was found on it: it may not move until that
    /// tire is off.
    #[schema(example = false)]
    pub do_not_move: bool,
    /// Its positions from the front, left before right, outer before inner.
    pub positions: Vec<Place>,
}

/// One position of a vehicle.
#[derive(Serialize, ToSchema)]
#[schema(as = UnitPosition)]
pub struct Place {
    /// The position.
    pub position: Position,
    /// Its set pressure; none for a spare, and where the vehicle has the position no more.
    pub set_psi: Option<Quantity>,
    /// What is on it.
    pub casing: Option<Fitted>,
}

/// A casing on a vehicle.
#[derive(Serialize, ToSchema)]
#[schema(as = UnitCasing)]
pub struct Fitted {
    /// Its id.
    pub id: Uuid,
    /// Its brand number.
    #[schema(example = "LK-1010")]
    pub brand: Option<String>,
    /// Its radio tag.
    pub tag: Option<String>,
    /// Whether it may be used.
    pub standing: Standing,
    /// Its last pressure reading.
    pub pressure: Option<Pressure>,
    /// Its last tread reading.
    pub tread: Option<Tread>,
    /// Why the vehicle may not move, where this tire is the cause.
    pub danger: Option<Moment>,
    /// What is still to be done.
    pub due: Vec<Due>,
}

impl Fitted {
    fn of(id: Uuid, casing: &Casing, due: Vec<Due>) -> Fitted {
        Fitted {
            id,
            brand: casing.marks.brand.clone(),
            tag: casing.marks.tag.clone(),
            standing: casing.standing,
            pressure: casing.pressure,
            tread: casing.tread,
            danger: casing.danger,
            due,
        }
    }
}

/// A vehicle by its unit number
///
/// With every position, its set pressure and the tire on it: as it stands, or as it was at a
/// moment, or as it was known at a moment. The number is the one that the vehicle had then.
#[utoipa::path(
    tag = "casings",
    params(("unit" = String, Path, description = "The fleet's unit number.", example = "LH-214"), AsOf),
    responses((status = 200, description = "The vehicle.", body = Unit, example = json!(shapes::example_named("unit"))))
)]
#[get("/v1/units/{unit}")]
pub async fn get_unit(
    state: web::Data<State>,
    caller: Caller,
    unit: web::Path<String>,
    Query(as_of): Query<AsOf>,
) -> Result<HttpResponse, Problem> {
    let (org, unit) = (caller.org, unit.into_inner());
    let at = state.clock.now();
    let view = as_of.view(at)?;
    let look = async |conn: &mut Connection| {
        let found = match view.is_now() {
            true => now(conn, org, &unit).await?,
            false => then(conn, org, &unit, view).await?,
        };
        let Some((known, casings)) = found else { return Ok(None) };
        let on_it = casings.iter().map(|(id, casing)| (*id, casing));
        let due = due_of(conn, org, on_it, view, at).await?;
        Ok(Some((known, casings, due)))
    };
    let found = match view.is_now() {
        true => state.store.in_org(org, look).await?,
        false => state.store.in_snapshot(org, look).await?,
    };
    let (known, casings, due) = found.ok_or_else(|| as_of::not_found(view))?;
    let vehicle = vehicles::Shown::of(known)?;
    Ok(HttpResponse::Ok().json(Unit {
        do_not_move: casings.iter().any(|(_, casing)| casing.danger.is_some()),
        positions: places(&vehicle.body, &casings, &due),
        vehicle,
    }))
}

/// A vehicle and the casings on it.
type Found = Option<(Known, Vec<(Uuid, Casing)>)>;

/// The vehicle that has this unit number, and what is on it.
async fn now(conn: &mut Connection, org: Uuid, unit: &str) -> Result<Found, StoreError> {
    let owner = read::owner(conn, org, &Owned::Unit(unit.to_owned())).await?;
    let Some(subject) = owner.filter(|owner| owner.kind == SubjectKind::Vehicle) else {
        return Ok(None);
    };
    let Some(head) = read::head(conn, org, subject).await? else {
        return Ok(None);
    };
    with_casings(conn, org, subject, &head, View::default()).await
}

/// The vehicle that had this unit number then, and what was on it.
async fn then(
    conn: &mut Connection,
    org: Uuid,
    unit: &str,
    view: View,
) -> Result<Found, StoreError> {
    let kind = SubjectKind::Vehicle;
    let ever = past::ever_unit(conn, org, unit).await?;
    let entries = past::entries(conn, org, kind, &ever, view).await?;
    let heads = entries.into_iter().map(|(id, entries)| (id, view.head(&entries)));
    let had = heads.filter(|(_, head)| named(head, unit)).max_by_key(|(_, head)| since(head));
    let Some((id, head)) = had else {
        return Ok(None);
    };
    with_casings(conn, org, Subject::of(kind, id), &head, view).await
}

/// A vehicle, and what is on it.
async fn with_casings(
    conn: &mut Connection,
    org: Uuid,
    vehicle: Subject,
    head: &Head,
    view: View,
) -> Result<Found, StoreError> {
    let casings = fitted::casings(conn, org, vehicle.id, head, view).await?;
    let known = registry::vehicle(conn, org, vehicle, head, view, &casings).await?;
    Ok(known.map(|known| (known, casings)))
}

/// Whether this is the head of a vehicle with this unit number.
fn named(head: &Head, unit: &str) -> bool {
    let newest = head.state.registry().and_then(Registry::newest);
    newest.is_some_and(|version| matches!(&version.body, Body::Vehicle(body) if body.unit == unit))
}

/// Since when it has been so.
fn since(head: &Head) -> Option<DateTime<Utc>> {
    Some(head.state.registry()?.newest()?.from)
}

/// Every position of the vehicle, and those that it has no more but where something still is.
fn places(
    vehicle: &Vehicle,
    casings: &[(Uuid, Casing)],
    due: &BTreeMap<Uuid, Vec<Due>>,
) -> Vec<Place> {
    let mut positions = vehicle.positions();
    for position in casings.iter().filter_map(|(_, casing)| casing.position) {
        if !positions.contains(&position) {
            positions.push(position);
        }
    }
    let on = |position| casings.iter().find(|(_, casing)| casing.position == Some(position));
    let due = |id| due.get(id).cloned().unwrap_or_default();
    positions
        .into_iter()
        .map(|position| Place {
            position,
            set_psi: vehicle.axle_of(position).map(|axle| axle.set_psi),
            casing: on(position).map(|(id, casing)| Fitted::of(*id, casing, due(id))),
        })
        .collect()
}
