//! What an organisation demands beyond the rules.

use crate::auth::Caller;
use crate::headers::{IfMatch, etag};
use crate::problem::{self, Code, Details, Problem};
use crate::registry::{self, Known, Thing};
use crate::shapes::{self, example_body};
use crate::state::State;
use crate::writing::Writing;
use actix_web::http::header;
use actix_web::{HttpResponse, get, patch, web};
use rules::facts::Body;
use rules::facts::policy::Policy;
use rules::{Subject, SubjectKind, View};
use serde::Serialize;
use serde_json::{Value, json};
use std::borrow::Cow;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

/// The organisation's policy.
#[derive(Serialize, ToSchema)]
#[schema(as = Policy, example = json!(example()))]
pub struct Shown {
    /// What is known of it besides its body. Its id is the organisation's.
    #[serde(flatten)]
    pub thing: Thing,
    /// What it demands.
    pub body: Policy,
}

/// What of the policy changes. Only its schema: it is merged before it is read.
pub struct Patch;

impl PartialSchema for Patch {
    fn schema() -> RefOr<Schema> {
        shapes::patch_of(Policy::schema())
    }
}

impl ToSchema for Patch {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("PolicyPatch")
    }
}

fn example() -> Value {
    json!({
        "id": "019b9f2c-5c00-7000-8000-000000000000",
        "kind": "policy",
        "n": 1,
        "entry": "019b9f2c-6000-7000-8000-000000000002",
        "since": "2026-01-12T14:00:00Z",
        "body": example_body(SubjectKind::Policy),
    })
}

fn answer((thing, body): Known) -> Result<HttpResponse, Problem> {
    match body {
        Body::Policy(body) => Ok(HttpResponse::Ok()
            .insert_header((header::ETAG, etag(thing.n)))
            .json(Shown { thing, body })),
        _ => Err(Problem::internal("the policy has a body of another kind")),
    }
}

fn of(org: Uuid) -> Subject {
    Subject::of(SubjectKind::Policy, org)
}

/// The organisation's policy
#[utoipa::path(
    tag = "registry",
    responses((status = 200, description = "The policy; the least that may be asked where none is set.", body = Shown,
        headers(("ETag" = String, description = "Its version, for `If-Match`."))))
)]
#[get("/v1/policy")]
pub async fn get_policy(state: web::Data<State>, caller: Caller) -> Result<HttpResponse, Problem> {
    answer(registry::find(&state, caller, of(caller.org), View::default()).await?)
}

/// Change the organisation's policy
///
/// The body is a merge patch (RFC 7396): only what changes. `If-Match` names the version that it
/// is meant for. A policy may ask for more than common practice, never for less.
#[utoipa::path(
    tag = "registry",
    params(
        ("If-Match" = String, Header, example = "\"1\"", description = "The `ETag` of what was read, or `*`."),
        ("Idempotency-Key" = Option<String>, Header, pattern = r#"^("[!#-\[\]-~]{1,255}"|[!#-\[\]-~]{1,255})$"#, example = "8e03978e-40d5-43e8-bc93-6894a57f9324",
                    description = "Made by the client for this request, in quotes or bare."),
    ),
    request_body(content(
        (Patch = "application/merge-patch+json", example = json!({"extended_hold_s": 1500})),
        (Patch = "application/json", example = json!({"extended_hold_s": 1500})),
    )),
    responses(
        (status = 200, description = "Changed.", body = Shown, headers(("ETag" = String, description = "Its version, for `If-Match`."))),
        (status = 409, description = "Refused by the rules, and kept as refused.", body = Details, content_type = "application/problem+json", example = json!(problem::example_refusal())),
        (status = 412, description = "Changed meanwhile.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionFailed))),
        (status = 428, description = "`If-Match` is missing.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::PreconditionRequired))),
    )
)]
#[patch("/v1/policy")]
pub async fn change_policy(writing: Writing, if_match: IfMatch) -> Result<HttpResponse, Problem> {
    answer(registry::change(&writing, &if_match, of(writing.caller.org)).await?)
}
