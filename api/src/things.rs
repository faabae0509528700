//! The addresses of what is registered: depots, people, vehicles, wheels, cages, gauges, tire
//! models, makers' recommendations, charts, and the policy.
//!
//! Each kind has the same four operations; they are written once, as a macro, because the API
//! document wants a handler and schemas of its own for each.

use crate::as_of::AsOf;
use crate::auth::Caller;
use crate::headers::{IfMatch, etag};
use crate::input::Query;
use crate::page::{self, Paging};
use crate::problem::{self, Code, Details, Problem};
use crate::registry::{self, Known, Thing};
use crate::shapes::{self, EXAMPLE_ID, example_body};
use crate::state::State;
use crate::writing::Writing;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, get, patch, post, web};
use chrono::{DateTime, FixedOffset};
use rules::facts::bounds::Occurred;
use rules::facts::{self, Body, Personal};
use rules::{Subject, SubjectKind};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::borrow::Cow;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

/// How the document shows a new thing of this kind.
fn example_new(kind: SubjectKind) -> Value {
    json!({"id": EXAMPLE_ID, "body": example_body(kind)})
}

/// How the document shows a thing of this kind.
pub(crate) fn example_shown(kind: SubjectKind) -> Value {
    json!({
        "id": EXAMPLE_ID,
        "kind": kind.name(),
        "n": 1,
        "entry": "019b9f2c-6000-7000-8000-000000000001",
        "since": "2026-01-12T14:00:00Z",
        "body": example_body(kind),
    })
}

macro_rules! things {
    ($(
        $module:ident: $kind:ident($body:ty) at $path:tt, $one:tt;
        $(#[doc = $create_says:tt])* $create:ident($new:ident);
        $(#[doc = $list_says:tt])* $list:ident($page:ident);
        $(#[doc = $get_says:tt])* $get:ident($shown:ident);
        $(#[doc = $change_says:tt])* $change:ident($patch:ident $patch_example:tt);
    )*) => {$(
        #[doc = concat!("What is at `", $path, "`.")]
        pub mod $module {
            use super::*;

            /// What is to be registered.
            #[derive(Deserialize, Serialize, ToSchema)]
            #[serde(deny_unknown_fields)]
            #[schema(as = $new, example = json!(example_new(SubjectKind::$kind)))]
            pub struct New {
                /// Its id, a UUID made by the client.
                pub id: Uuid,
                /// From when it holds; now where left out.
                #[serde(default)]
                #[schema(value_type = Option<Occurred>)]
                pub occurred_at: Option<DateTime<FixedOffset>>,
                /// What it is.
                pub body: $body,
                /// Names and notes, kept apart so that they can be erased.
                #[serde(default)]
                pub personal: Option<Personal>,
            }

            /// A registered thing.
            #[derive(Serialize, ToSchema)]
            #[schema(as = $shown)]
            pub struct Shown {
                /// What is known of it besides its body.
                #[serde(flatten)]
                pub thing: Thing,
                /// What it is.
                pub body: $body,
            }

            impl Shown {
                /// A thing of this kind.
                ///
                /// # Errors
                /// Where it is of another kind, which is a fault.
                pub fn of((thing, body): Known) -> Result<Shown, Problem> {
                    match body {
                        Body::$kind(body) => Ok(Shown { thing, body }),
                        _ => Err(Problem::internal("a thing has a body of another kind")),
                    }
                }
            }

            /// What of the body changes. Only its schema: it is merged before it is read.
            pub struct Patch;

            impl PartialSchema for Patch {
                fn schema() -> RefOr<Schema> {
                    shapes::patch_of(<$body>::schema())
                }
            }

            impl ToSchema for Patch {
                fn name() -> Cow<'static, str> {
                    Cow::Borrowed(stringify!($patch))
                }

                fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
                    <$body>::schemas(schemas);
                }
            }

            /// A page of registered things, in the order of their ids.
            #[derive(Serialize, ToSchema)]
            #[schema(as = $page)]
            pub struct Page {
                /// The things.
                pub items: Vec<Shown>,
                /// The `after` of the next page, if there is one.
                #[serde(skip_serializing_if = "Option::is_none")]
                pub next: Option<String>,
            }

            $(#[doc = $create_says])*
            ///
            /// With an `Idempotency-Key` the same request sent again gets the same answer.
            #[utoipa::path(
                tag = "registry",
                params(("Idempotency-Key" = Option<String>, Header, pattern = r#"^("[!#-\[\]-~]{1,255}"|[!#-\[\]-~]{1,255})$"#, example = "8e03978e-40d5-43e8-bc93-6894a57f9324",
                    description = "Made by the client for this request, in quotes or bare.")),
                request_body = New,
                responses(
                    (status = 201, description = "Registered.", body = Shown,
                        headers(("Location" = String, description = "Its address."), ("ETag" = String, description = "Its version, for `If-Match`.")),
                        example = json!(example_shown(SubjectKind::$kind))),
                    (status = 409, description = "Refused by the rules, and kept as refused.", body = Details, content_type = "application/problem+json", example = json!(problem::example_refusal())),
                )
            )]
            #[post($path)]
            pub async fn $create(writing: Writing) -> Result<HttpResponse, Problem> {
                let new: New = writing.read()?;
                let subject = Subject::of(SubjectKind::$kind, new.id);
                let body = Body::$kind(new.body);
                let known =
                    registry::register(&writing, subject, new.occurred_at, body, new.personal).await?;
                let shown = Shown::of(known)?;
                Ok(HttpResponse::Created()
                    .insert_header((header::LOCATION, format!("{}/{}", $path, shown.thing.id)))
                    .insert_header((header::ETAG, etag(shown.thing.n)))
                    .json(shown))
            }

            $(#[doc = $list_says])*
            #[utoipa::path(
                tag = "registry",
                params(Paging),
                responses((status = 200, description = "A page, in the order of their ids.", body = Page,
                    headers(("Link" = Option<String>, description = "The next page, RFC 8288.")),
                    example = json!({"items": [example_shown(SubjectKind::$kind)]})))
            )]
            #[get($path)]
            pub async fn $list(
                state: web::Data<State>,
                caller: Caller,
                request: HttpRequest,
                Query(paging): Query<Paging>,
            ) -> Result<HttpResponse, Problem> {
                let (things, next) =
                    registry::list(&state, caller, SubjectKind::$kind, &paging).await?;
                let items = things.into_iter().map(Shown::of).collect::<Result<_, _>>()?;
                Ok(page::answer(&request, next.clone().as_deref(), &Page { items, next }))
            }

            $(#[doc = $get_says])*
            ///
            /// As it stands, or as it was at a moment, or as it was known at a moment.
            #[utoipa::path(
                tag = "registry",
                params(("id" = Uuid, Path, example = json!(shapes::on_record(SubjectKind::$kind)), description = "Its id."), AsOf),
                responses((status = 200, description = "It, as it stands, or stood.", body = Shown,
                    headers(("ETag" = String, description = "Its version, for `If-Match`.")),
                    example = json!(example_shown(SubjectKind::$kind))))
            )]
            #[get($one)]
            pub async fn $get(
                state: web::Data<State>,
                caller: Caller,
                id: web::Path<Uuid>,
                Query(as_of): Query<AsOf>,
            ) -> Result<HttpResponse, Problem> {
                let subject = Subject::of(SubjectKind::$kind, *id);
                let view = as_of.view(state.clock.now())?;
                let shown = Shown::of(registry::find(&state, caller, subject, view).await?)?;
                Ok(HttpResponse::Ok().insert_header((header::ETAG, etag(shown.thing.n))).json(shown))
            }

            $(#[doc = $change_says])*
            ///
            /// The body is a merge patch (RFC 7396): only what changes, null removes. `If-Match`
            /// names the version that it is meant for.
            #[utoipa::path(
                tag = "registry",
                params(
                    ("id" = Uuid, Path, example = json!(shapes::on_record(SubjectKind::$kind)), description = "Its id."),
                    ("If-Match" = String, Header, example = "\"1\"", description = "The `ETag` of what was read, or `*`."),
                    ("Idempotency-Key" = Option<String>, Header, pattern = r#"^("[!#-\[\]-~]{1,255}"|[!#-\[\]-~]{1,255})$"#, example = "8e03978e-40d5-43e8-bc93-6894a57f9324",
                    description = "Made by the client for this request, in quotes or bare."),
                ),
                request_body(content(
                    (Patch = "application/merge-patch+json", example = json!($patch_example)),
                    (Patch = "application/json", example = json!($patch_example)),
                )),
                responses(
                    (status = 200, description = "Changed.", body = Shown,
                        headers(("ETag" = String, description = "Its version, for `If-Match`.")),
                        example = json!(example_shown(SubjectKind::$kind))),
                    (status = 409, description = "Refused by the rules, and kept as refused.", body = Details, content_type = "application/problem+json", example = json!(problem::example_refusal())),
                    (status = 412, description = "Changed meanwhile.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionFailed))),
                    (status = 428, description = "`If-Match` is missing.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionRequired))),
                )
            )]
            #[patch($one)]
            pub async fn $change(
                writing: Writing,
                if_match: IfMatch,
                id: web::Path<Uuid>,
            ) -> Result<HttpResponse, Problem> {
                let subject = Subject::of(SubjectKind::$kind, *id);
                let shown = Shown::of(registry::change(&writing, &if_match, subject).await?)?;
                Ok(HttpResponse::Ok().insert_header((header::ETAG, etag(shown.thing.n))).json(shown))
            }
        }
    )*};
}

things! {
    depots: Depot(facts::depot::Depot) at "/v1/depots", "/v1/depots/{id}";
    /// Register a depot
    create_depot(NewDepot);
    /// Depots
    list_depots(Depots);
    /// A depot
    get_depot(Depot);
    /// Change a depot
    change_depot(DepotPatch {"altitude_ft": 745});

    people: Person(facts::person::Person) at "/v1/people", "/v1/people/{id}";
    /// Register a person
    create_person(NewPerson);
    /// People, with what they are trained for
    list_people(People);
    /// A person, with what they are trained for
    get_person(Person);
    /// Change a person
    change_person(PersonPatch {"employer": null});

    vehicles: Vehicle(facts::vehicle::Vehicle) at "/v1/vehicles", "/v1/vehicles/{id}";
    /// Register a vehicle
    create_vehicle(NewVehicle);
    /// Vehicles
    list_vehicles(Vehicles);
    /// A vehicle
    get_vehicle(Vehicle);
    /// Change a vehicle
    change_vehicle(VehiclePatch {"unit": "LH-214A"});

    wheels: Wheel(facts::wheel::Wheel) at "/v1/wheels", "/v1/wheels/{id}";
    /// Register a wheel
    create_wheel(NewWheel);
    /// Wheels
    list_wheels(Wheels);
    /// A wheel
    get_wheel(Wheel);
    /// Change a wheel
    change_wheel(WheelPatch {"rated_psi": 130});

    cages: Cage(facts::cage::Cage) at "/v1/cages", "/v1/cages/{id}";
    /// Register a cage or barrier
    create_cage(NewCage);
    /// Cages and barriers
    list_cages(Cages);
    /// A cage or barrier, with its last look-over
    get_cage(Cage);
    /// Change a cage or barrier
    change_cage(CagePatch {"structural_repair": {"what": "new bar welded", "certificate_by": "manufacturer"}});

    gauges: Gauge(facts::gauge::Gauge) at "/v1/gauges", "/v1/gauges/{id}";
    /// Register a gauge
    create_gauge(NewGauge);
    /// Gauges
    list_gauges(Gauges);
    /// A gauge, with its calibrations
    get_gauge(Gauge);
    /// Change a gauge
    change_gauge(GaugePatch {"name": "Elmford digital 2"});

    models: Model(facts::model::Model) at "/v1/models", "/v1/models/{id}";
    /// Register a tire model
    create_model(NewModel);
    /// Tire models
    list_models(Models);
    /// A tire model
    get_model(Model);
    /// Change a tire model
    change_model(ModelPatch {"seat_psi_max": 35});

    recommendations: Recommendation(facts::recommendation::Recommendation) at "/v1/recommendations", "/v1/recommendations/{id}";
    /// Register a maker's recommendation of a higher pressure
    create_recommendation(NewRecommendation);
    /// Makers' recommendations
    list_recommendations(Recommendations);
    /// A maker's recommendation
    get_recommendation(Recommendation);
    /// Change a maker's recommendation
    change_recommendation(RecommendationPatch {"highest_psi": 130});

    charts: Chart(facts::chart::Chart) at "/v1/charts", "/v1/charts/{id}";
    /// Register a chart
    create_chart(NewChart);
    /// Charts
    list_charts(Charts);
    /// A chart
    get_chart(Chart);
    /// Change a chart
    change_chart(ChartPatch {"name": "Ring matching, shop copy"});
}
