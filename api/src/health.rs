//! Whether the service lives, and whether it can work.

use crate::problem::{self, Code, Details, Problem};
use crate::state::State;
use actix_web::{HttpResponse, get, web};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// How the service is.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({"status": "ok"}))]
pub struct Health {
    /// Always `ok`; otherwise the answer is an error.
    #[schema(example = "ok")]
    pub status: &'static str,
}

const OK: Health = Health { status: "ok" };

/// Whether the service lives
#[utoipa::path(tag = "service", responses((status = 200, description = "It does.", body = Health)))]
#[get("/healthz")]
pub async fn check_health() -> HttpResponse {
    HttpResponse::Ok().json(OK)
}

/// Whether the service can work
///
/// It asks the database.
#[utoipa::path(
    tag = "service",
    responses(
        (status = 200, description = "It can.", body = Health),
        (status = 503, description = "It cannot now.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::Unavailable))),
    )
)]
#[get("/readyz")]
pub async fn check_readiness(state: web::Data<State>) -> Result<HttpResponse, Problem> {
    // An empty transaction shows that the database answers; no organisation has the nil id.
    let empty = async |_: &mut _| Ok(());
    state.store.in_org(Uuid::nil(), empty).await.map_err(Problem::unavailable)?;
    Ok(HttpResponse::Ok().json(OK))
}
