//! Vehicles by unit number, as somebody who walks round one wants to see them.

use crate::auth::Caller;
use crate::casings::{Due, due};
use crate::problem::Problem;
use crate::registry;
use crate::shapes;
use crate::state::State;
use crate::things::vehicles;
use actix_web::{HttpResponse, get, web};
use rules::facts::vehicle::{Position, Vehicle};
use rules::fold::Moment;
use rules::fold::casing::{Casing, Pressure, Standing, Tread};
use rules::world::Owned;
use rules::{Quantity, SubjectKind};
use serde::Serialize;
use store::Connection;
use store::read::{self, CasingFilter};
use utoipa::ToSchema;
use uuid::Uuid;

/// More casings than the positions of any vehicle.
const MOST: i64 = 200;

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
    /// Its set pressure; none where the vehicle has the position no more.
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
    fn of(id: Uuid, casing: &Casing) -> Fitted {
        Fitted {
            id,
            brand: casing.marks.brand.clone(),
            tag: casing.marks.tag.clone(),
            standing: casing.standing,
            pressure: casing.pressure,
            tread: casing.tread,
            danger: casing.danger,
            due: due(casing),
        }
    }
}

/// A vehicle by its unit number
///
/// With every position, its set pressure and the tire on it.
#[utoipa::path(
    tag = "casings",
    params(("unit" = String, Path, description = "The fleet's unit number.", example = "LH-214")),
    responses((status = 200, description = "The vehicle.", body = Unit, example = json!(shapes::example_named("unit"))))
)]
#[get("/v1/units/{unit}")]
pub async fn get_unit(
    state: web::Data<State>,
    caller: Caller,
    unit: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let (org, mark) = (caller.org, Owned::Unit(unit.into_inner()));
    let look = async |conn: &mut Connection| {
        let owner = read::owner(conn, org, &mark).await?;
        let Some(subject) = owner.filter(|owner| owner.kind == SubjectKind::Vehicle) else {
            return Ok(None);
        };
        let Some(head) = read::head(conn, org, subject).await? else {
            return Ok(None);
        };
        let known = registry::known(conn, org, subject, &head).await?;
        let filter = CasingFilter { vehicle: Some(subject.id), ..CasingFilter::default() };
        Ok(known.zip(Some(read::casings(conn, org, &filter, None, MOST).await?)))
    };
    let (known, heads) = state.store.in_org(org, look).await?.ok_or_else(Problem::not_found)?;
    let vehicle = vehicles::Shown::of(known)?;
    let casings: Vec<(Uuid, &Casing)> =
        heads.iter().filter_map(|(id, head)| Some((*id, head.state.casing()?))).collect();
    Ok(HttpResponse::Ok().json(Unit {
        do_not_move: casings.iter().any(|(_, casing)| casing.danger.is_some()),
        positions: places(&vehicle.body, &casings),
        vehicle,
    }))
}

/// Every position of the vehicle, and those that it has no more but where something still is.
fn places(vehicle: &Vehicle, casings: &[(Uuid, &Casing)]) -> Vec<Place> {
    let mut positions = vehicle.positions();
    for position in casings.iter().filter_map(|(_, casing)| casing.position) {
        if !positions.contains(&position) {
            positions.push(position);
        }
    }
    let on = |position| casings.iter().find(|(_, casing)| casing.position == Some(position));
    positions
        .into_iter()
        .map(|position| Place {
            position,
            set_psi: vehicle.axle_of(position).map(|axle| axle.set_psi),
            casing: on(position).map(|(id, casing)| Fitted::of(*id, casing)),
        })
        .collect()
}
