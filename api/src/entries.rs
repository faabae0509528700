//! Recording entries and reading them back.

use crate::auth::Caller;
use crate::headers::DeviceTime;
use crate::input::{Body, Query};
use crate::problem::{self, Code, Details, Problem};
use crate::shapes::{self, NewEntry};
use crate::shown::{self, WithAdded};
use crate::state::State;
use crate::strict::{self, Strict};
use actix_web::http::header;
use actix_web::web::Bytes;
use actix_web::{HttpResponse, get, post, web};
use rules::entry::{FormError, Outcome, Sender};
use rules::facts::Personal;
use rules::{Command, Entry, Kind, SubjectKind};
use serde::Deserialize;
use store::read;
use store::record::{self, Answer, Request, Sent};
use utoipa::IntoParams;
use uuid::Uuid;

/// How an entry is sent.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Sending {
    /// Only judge it, and store nothing.
    #[serde(default)]
    #[param(required = false, example = false)]
    dry_run: bool,
}

/// Record an entry
///
/// The same entry sent again, however much later, gets the same answer and is not recorded
/// twice. Refused by rules it is kept whole all the same, and what it tells of the world is not
/// lost: `added` names what the ledger added.
///
/// Wherever there is inflation: goggles and hearing protection, remote inflation, everybody out
/// of the trajectory. Local codes and licensed practice come first; the ledger does not make a
/// tire safe.
#[utoipa::path(
    tag = "entries",
    params(Sending, ("Device-Time" = Option<String>, Header, format = DateTime, example = "2026-03-03T07:00:02-06:00", description = "The device's clock when it sends, RFC 3339.")),
    request_body(content = NewEntry, example = json!(shapes::example(Kind::PressureRead, SubjectKind::Casing))),
    responses(
        (status = 200, description = "A dry run: what would be recorded or refused.", body = WithAdded, example = json!(shown::example())),
        (status = 201, description = "Recorded.", body = WithAdded,
            headers(("Location" = String, description = "The entry's address.")),
            example = json!(shown::example())),
        (status = 404, description = "Nothing of its subject is on record.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::NotFound))),
        (status = 409, description = "Refused by the rules, and kept as refused.", body = Details, content_type = "application/problem+json",
            example = json!(problem::example_refusal())),
        (status = 422, description = "Never possible, or the id was used for something else.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::Impossible))),
    )
)]
#[post("/v1/entries")]
pub async fn create_entry(
    state: web::Data<State>,
    caller: Caller,
    Query(sending): Query<Sending>,
    DeviceTime(sent_at): DeviceTime,
    body: Bytes,
) -> Result<HttpResponse, Problem> {
    let command = read_command(&body)?;
    if !caller.role.may_write(command.facts.kind()) {
        return Err(Problem::plain(Code::Forbidden));
    }
    let (org, id, now) = (caller.org, command.id, state.clock.now());
    let personal = command.personal.clone();
    let content = state.keys.content(org, &command.content());
    let sender = Sender { person: caller.person, sent_at };
    let request = Request { sender, commands: vec![Sent { command, content }] };
    if sending.dry_run {
        let request = [request];
        let work = async |conn: &mut _| record::judge(conn, org, now, &request).await;
        let answer = the_one(state.store.in_org(org, work).await?)?;
        let personal = unless_erased(&answer, personal);
        return Ok(HttpResponse::Ok().json(with_added(&decided(answer)?, personal)));
    }
    let answer = the_one(vec![state.gatherer.record(org, request).await?])?;
    let personal = unless_erased(&answer, personal);
    let entries = decided(answer)?;
    refuse(&entries)?;
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/v1/entries/{id}")))
        .json(with_added(&entries, personal)))
}

fn read_command(body: &[u8]) -> Result<Command, Problem> {
    let Body(Strict(sent)) = Body::read(body)?;
    let command = Command::read(body)?;
    strict::by_name(&sent, &command)?;
    Ok(command)
}

impl From<FormError> for Problem {
    fn from(error: FormError) -> Problem {
        match error {
            FormError::Malformed(field) => Problem::not_well_formed(field),
            FormError::Impossible(fields) => Problem::impossible(fields),
        }
    }
}

/// The answer to a single command.
///
/// # Errors
/// Where there is none, which is a fault.
pub fn the_one(answers: Vec<Vec<Answer>>) -> Result<Answer, Problem> {
    let answer = answers.into_iter().flatten().next();
    answer.ok_or_else(|| Problem::internal("a command has no answer"))
}

/// The entries of a command that is in the ledger, recorded or refused: its own first.
///
/// # Errors
/// 404 and 422 where nothing was stored.
pub fn decided(answer: Answer) -> Result<Vec<Entry>, Problem> {
    match answer {
        Answer::Decided(entries) | Answer::Erased(entries) => Ok(entries),
        Answer::Unknown => Err(Problem::not_found()),
        Answer::Impossible(fields) => Err(Problem::impossible(fields)),
        Answer::Forbidden => Err(Problem::plain(Code::Forbidden)),
        Answer::Reused(fields) => Err(Problem::plain(Code::IdReused).with_fields(fields)),
    }
}

/// Lets a command's entries through if they were recorded.
///
/// # Errors
/// 409 with the rules that stopped it.
pub fn refuse(entries: &[Entry]) -> Result<(), Problem> {
    match entries {
        [own, added @ ..] => match &own.outcome {
            Outcome::Recorded { .. } => Ok(()),
            Outcome::Refused { reasons } => Err(Problem::refused(own.id, reasons, added)),
        },
        [] => Err(Problem::internal("a command has no entry")),
    }
}

/// What was erased since is not said again.
fn unless_erased(answer: &Answer, personal: Option<Personal>) -> Option<Personal> {
    personal.filter(|_| !matches!(answer, Answer::Erased(_)))
}

fn with_added(entries: &[Entry], personal: Option<Personal>) -> Option<WithAdded> {
    let (own, added) = entries.split_first()?;
    Some(WithAdded::of(own, personal, added))
}

/// One entry
#[utoipa::path(
    tag = "entries",
    params(("id" = Uuid, Path, example = json!(shapes::EXAMPLE_ENTRY), description = "The entry.")),
    responses((status = 200, description = "The entry, and what the ledger added because of it.", body = WithAdded, example = json!(shown::example())))
)]
#[get("/v1/entries/{id}")]
pub async fn get_entry(
    state: web::Data<State>,
    caller: Caller,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let (org, id) = (caller.org, *id);
    let find = async |conn: &mut _| {
        let Some(kept) = read::entry(conn, org, id).await? else {
            return Ok(None);
        };
        Ok(Some((kept, read::added(conn, org, id).await?)))
    };
    let (kept, added) = state.store.in_org(org, find).await?.ok_or_else(Problem::not_found)?;
    Ok(HttpResponse::Ok().json(WithAdded::of(&kept.entry, kept.personal, &added)))
}
