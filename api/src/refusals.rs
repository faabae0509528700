//! What was refused, for whoever sees to it: the office, and the crew that was stopped.

use crate::auth::Caller;
use crate::input::Query;
use crate::page::{self, Limit, List};
use crate::problem::Problem;
use crate::shapes::on_record;
use crate::shown::{self, Shown};
use crate::state::State;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use rules::{Field, SubjectKind, table};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use store::Connection;
use store::refusals::{RefusalFilter, refusals};
use utoipa::openapi::schema::{Object, ObjectBuilder, Type};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// A refused entry, and what became of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct Refusal {
    /// The entry, with the rules that stopped it and what to do.
    #[serde(flatten)]
    pub entry: Shown,
    /// The depot that it names, or the one of its subject.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
    /// The vehicle that it names, or the one that its subject is on or is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// The recorded entry that settled it: it tried it again, or says what became of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<Uuid>,
}

/// A page of refusals, in the order in which they were recorded: the oldest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct Refusals {
    /// The refusals.
    pub items: Vec<Refusal>,
    /// The `after` of the next page, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// Which refusals are asked for: those to which all that is given applies.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Wanted {
    /// Of work at this depot.
    depot: Option<Uuid>,
    /// Of work on this vehicle.
    vehicle: Option<Uuid>,
    /// Of work that this person did or sent.
    by: Option<Uuid>,
    /// Stopped by this rule.
    #[param(schema_with = rule_ids, example = "release.extended")]
    rule: Option<String>,
    /// Recorded before this moment: what has waited so long.
    #[param(example = "2026-03-03T00:00:00Z")]
    recorded_before: Option<DateTime<Utc>>,
    /// With those that were settled: tried again, or resolved.
    #[serde(default)]
    #[param(required = false, default = false)]
    settled: bool,
    /// How many items at most.
    #[serde(default)]
    #[param(value_type = u8, required = false, minimum = 1, maximum = 200, default = 50)]
    limit: Limit,
    /// The `next` of the page before.
    #[param(pattern = "^[A-Za-z0-9_-]{32}$")]
    after: Option<String>,
}

/// The ids of the rules.
fn rule_ids() -> Object {
    let ids = table::RULES.iter().map(|rule| rule.id.as_str());
    ObjectBuilder::new().schema_type(Type::String).enum_values(Some(ids)).build()
}

impl Wanted {
    fn filter(&self) -> Result<RefusalFilter, Problem> {
        if let Some(rule) = self.rule.as_deref().filter(|rule| table::rule(rule).is_none()) {
            let say = format!("There is no rule {}.", rule.escape_debug());
            return Err(Problem::not_well_formed(Field::new("?rule", say)));
        }
        Ok(RefusalFilter {
            depot: self.depot,
            vehicle: self.vehicle,
            by: self.by,
            rule: self.rule.clone(),
            recorded_before: self.recorded_before,
            settled: self.settled,
        })
    }
}

/// How the document shows a page.
fn example() -> Value {
    let mut refused = shown::example();
    refused.as_object_mut().map(|entry| entry.remove("added"));
    let rule = "release.extended";
    let found = table::rule(rule);
    refused["outcome"] = json!("refused");
    refused["rules"] = json!([{"id": rule, "class": "law", "source": found.map(|rule| &rule.source),
        "say": found.map(|rule| &rule.say), "evidence": []}]);
    refused["depot"] = json!(on_record(SubjectKind::Depot));
    json!({"items": [refused]})
}

/// Refused entries
///
/// The oldest first. One is settled when a recorded entry tries it again, or `resolved` says what became of it.
#[utoipa::path(
    tag = "entries",
    params(Wanted),
    responses((status = 200, description = "A page, in the order in which they were recorded.", body = Refusals,
        headers(("Link" = Option<String>, description = "The next page, RFC 8288.")),
        example = json!(example())))
)]
#[get("/v1/refusals")]
pub async fn list_refusals(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    Query(wanted): Query<Wanted>,
) -> Result<HttpResponse, Problem> {
    let org = caller.org;
    let pages = List::of_refusals(&state.keys, org);
    let after = pages.after(wanted.after.as_deref())?;
    let (filter, most) = (wanted.filter()?, i64::from(wanted.limit.0) + 1);
    let look = async |conn: &mut Connection| refusals(conn, org, &filter, after, most).await;
    let found = state.store.in_org(org, look).await?;
    let shown = found.into_iter().map(|refusal| Refusal {
        entry: Shown::of(refusal.kept.entry, refusal.kept.personal),
        depot: refusal.depot,
        vehicle: refusal.vehicle,
        settled_by: refusal.settled_by,
    });
    let mut items: Vec<Refusal> = shown.collect();
    let next = pages.cut(&mut items, wanted.limit, |item| item.entry.id);
    Ok(page::answer(&request, next.clone().as_deref(), &Refusals { items, next }))
}
