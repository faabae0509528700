//! Signing in, going on and signing out.

use crate::auth::Caller;
use crate::input::Body;
use crate::problem::{self, Code, Details, Problem};
use crate::refresh::{self, Presented, Verdict};
use crate::shapes::on_record;
use crate::state::State;
use crate::tokens;
use actix_web::{HttpResponse, delete, post, web};
use chrono::{DateTime, TimeDelta, Utc};
use rules::{Field, Role, SubjectKind};
use serde::{Deserialize, Serialize};
use store::account::{self, Account, Ended, Family};
use utoipa::ToSchema;
use uuid::Uuid;

/// What kind of device somebody signs in on; it decides how long a session may last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeviceKind {
    /// A crew's own device: a session ends after 30 days.
    CrewDevice,
    /// Any other device: a session ends after 12 hours.
    Other,
}

impl DeviceKind {
    fn session_lasts(self) -> TimeDelta {
        match self {
            DeviceKind::CrewDevice => TimeDelta::days(30),
            DeviceKind::Other => TimeDelta::hours(12),
        }
    }
}

/// The device that somebody signs in on.
#[derive(Clone, Copy, Debug, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Device {
    /// Made once on the device and kept there. Refreshing needs the same one.
    #[schema(example = "018f4e1a-7c1b-7b7e-9d5e-0c2f6f1f2a11")]
    pub id: Uuid,
    /// What kind of device it is.
    pub kind: DeviceKind,
}

/// What somebody signs in with.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"organisation": "larkspur", "login": "ada", "password": "correct horse battery",
    "device": {"id": "018f4e1a-7c1b-7b7e-9d5e-0c2f6f1f2a11", "kind": "crew_device"}}))]
pub struct SignIn {
    /// The organisation's slug.
    #[schema(example = "larkspur", max_length = 64)]
    pub organisation: String,
    /// The account's login, in any case of letters.
    #[schema(example = "ada.finch", max_length = 64)]
    pub login: String,
    /// The account's password.
    #[schema(example = "correct horse battery", max_length = 128, format = Password)]
    pub password: String,
    /// The device.
    pub device: Device,
}

/// What a session goes on with.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"refresh_token": example_refresh_token(), "device_id": "018f4e1a-7c1b-7b7e-9d5e-0c2f6f1f2a11"}))]
pub struct Refresh {
    /// The newest refresh token of the session.
    #[schema(max_length = 200)]
    pub refresh_token: String,
    /// The device that signed in.
    #[schema(example = "018f4e1a-7c1b-7b7e-9d5e-0c2f6f1f2a11")]
    pub device_id: Uuid,
}

/// A session, with the tokens to use it.
#[derive(Serialize, ToSchema)]
#[schema(example = json!({
    "access_token": "eyJ0eXAiOiJhdCtqd3QiLCJhbGciOiJFZERTQSJ9.eyJpc3MiOiJwcm9vZmhvbGQifQ.AAAA",
    "token_type": "Bearer", "expires_in_s": 900,
    "refresh_token": example_refresh_token(), "refresh_expires_at": "2026-04-02T13:00:00Z",
    "organisation": on_record(SubjectKind::Policy), "person": on_record(SubjectKind::Person), "role": "crew"}))]
pub struct Session {
    /// Goes into the header `Authorization: Bearer …`.
    pub access_token: String,
    /// Always `Bearer`.
    #[schema(example = "Bearer")]
    pub token_type: &'static str,
    /// Seconds until the access token ends.
    #[schema(example = 900)]
    pub expires_in_s: i64,
    /// Exchanged once for the next pair of tokens.
    pub refresh_token: String,
    /// When the session ends, however often it is refreshed.
    pub refresh_expires_at: DateTime<Utc>,
    /// The organisation's id.
    pub organisation: Uuid,
    /// The signed-in person's id.
    pub person: Uuid,
    /// What the person may do.
    pub role: Role,
}

/// The form of a refresh token; it is of no session.
fn example_refresh_token() -> String {
    "A".repeat(90) + "w"
}

impl Session {
    fn of(state: &State, org: Uuid, family: &Family, role: Role) -> Result<Session, Problem> {
        let now = state.clock.now();
        let who = (org, family.person_id, family.id);
        let (access_token, claims) =
            tokens::issue(&state.keys, now, who, family.expires_at).map_err(Problem::internal)?;
        Ok(Session {
            access_token,
            token_type: "Bearer",
            expires_in_s: claims.exp - claims.iat,
            refresh_token: refresh::token(&state.keys, org, family.id, family.generation),
            refresh_expires_at: family.expires_at,
            organisation: org,
            person: family.person_id,
            role,
        })
    }
}

/// Sign in
///
/// Wrong organisation, login and password are answered alike. After five failures an account
/// waits 1 second, doubling with each further failure to 15 minutes.
#[utoipa::path(
    tag = "sign-in",
    request_body = SignIn,
    responses(
        (status = 201, description = "Signed in.", body = Session),
        (status = 401, description = "Not signed in.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::WrongCredentials))),
        (status = 429, description = "Too many failures; `Retry-After` says how long to wait.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::TooManyAttempts))),
    )
)]
#[post("/v1/sessions")]
pub async fn create_session(
    state: web::Data<State>,
    Body(sign_in): Body<SignIn>,
) -> Result<HttpResponse, Problem> {
    check_lengths(&sign_in)?;
    let login = sign_in.login.to_lowercase();
    let throttled = format!("{}/{login}", sign_in.organisation);
    state.throttle.admit(&throttled, state.clock.now()).map_err(|wait| {
        tracing::warn!(event = "excess_rate_limit_exceeded", account = throttled);
        let seconds = (wait.num_milliseconds() + 999) / 1000;
        Problem::new(Code::TooManyAttempts, format!("Wait {seconds} seconds before the next try."))
            .retry_after(seconds.try_into().unwrap_or(1))
    })?;
    let judged = judge(&state, &sign_in, &login).await;
    // A failure of the service is no failure of whoever signs in.
    let (org, account) = judged.inspect_err(|_| state.throttle.take_back(&throttled))?;
    let account = account.ok_or_else(|| {
        tracing::warn!(event = "authn_login_fail", account = throttled);
        Problem::new(Code::WrongCredentials, "Organisation, login or password is wrong.")
    })?;
    state.throttle.forgive(&throttled);

    let family = begin(&state, org, &account, sign_in.device).await?;
    tracing::info!(event = "authn_login_success", %org, person = %account.person_id);
    Ok(HttpResponse::Created().json(Session::of(&state, org, &family, account.role)?))
}

fn check_lengths(sign_in: &SignIn) -> Result<(), Problem> {
    let sent = [
        ("/organisation", &sign_in.organisation, 64),
        ("/login", &sign_in.login, 64),
        ("/password", &sign_in.password, *crate::passwords::LENGTH.end()),
    ];
    let too_long: Vec<Field> = sent
        .into_iter()
        .filter(|(_, text, most)| text.chars().count() > *most)
        .map(|(pointer, _, most)| {
            Field::new(pointer, format!("At most {most} characters are expected."))
        })
        .collect();
    if too_long.is_empty() { Ok(()) } else { Err(Problem::impossible(too_long)) }
}

/// The organisation, and the account if this is its password and it may sign in.
async fn judge(
    state: &State,
    sign_in: &SignIn,
    login: &str,
) -> Result<(Uuid, Option<Account>), Problem> {
    let (org, found) = look_up(state, &sign_in.organisation, login).await?;
    let hash = found.as_ref().map(|account| account.password_hash.clone());
    let right = state.passwords.verify(sign_in.password.clone(), hash).await?;
    Ok((org, found.filter(|account| right && !account.disabled)))
}

/// The organisation and the account that somebody wants to sign in to. An unknown
/// organisation is looked into like any other, so that it takes as long.
async fn look_up(
    state: &State,
    slug: &str,
    login: &str,
) -> Result<(Uuid, Option<Account>), Problem> {
    let find_org = async |conn: &mut _| account::organisation_by_slug(conn, slug).await;
    let org = state.store.in_org(Uuid::nil(), find_org).await?.unwrap_or_default();
    let find = async |conn: &mut _| account::find_by_login(conn, org, login).await;
    Ok((org, state.store.in_org(org, find).await?))
}

async fn begin(
    state: &State,
    org: Uuid,
    account: &Account,
    device: Device,
) -> Result<Family, Problem> {
    let now = state.clock.now();
    let id = Uuid::now_v7();
    let family = Family {
        id,
        person_id: account.person_id,
        device_id: device.id,
        generation: 0,
        token_hash: refresh::hash(&refresh::token(&state.keys, org, id, 0)),
        rotated_at: now,
        expires_at: now + device.kind.session_lasts(),
        ended_at: None,
    };
    let begin = async |conn: &mut _| account::begin_session(conn, org, &family).await;
    state.store.in_org(org, begin).await?;
    Ok(family)
}

/// Go on with a session
///
/// Each refresh token is good once. Sent again within 60 seconds by the same device, before
/// its successor was used, it gives the same successor: an answer that got lost signs nobody
/// out. Any other second use ends the session.
#[utoipa::path(
    tag = "sign-in",
    request_body = Refresh,
    responses(
        (status = 200, description = "The next pair of tokens.", body = Session),
        (status = 401, description = "The session has ended.", body = Details, content_type = "application/problem+json", example = json!(problem::example(Code::SessionEnded))),
    )
)]
#[post("/v1/sessions/refresh")]
pub async fn refresh_session(
    state: web::Data<State>,
    Body(sent): Body<Refresh>,
) -> Result<HttpResponse, Problem> {
    let over = || Problem::new(Code::SessionEnded, "Sign in again.");
    let presented = Presented::read(&sent.refresh_token)
        .filter(|presented| presented.genuine(&state.keys))
        .ok_or_else(over)?;
    let hash = refresh::hash(&sent.refresh_token);
    let (family, role) = go_on(&state, presented, &hash, sent.device_id).await?.ok_or_else(over)?;
    Ok(HttpResponse::Ok().json(Session::of(&state, presented.org, &family, role)?))
}

/// The session after a refresh, or `None` if it is over. What ends a session is committed.
async fn go_on(
    state: &State,
    presented: Presented,
    hash: &[u8],
    device: Uuid,
) -> Result<Option<(Family, Role)>, Problem> {
    let Presented { org, family: id, generation, .. } = presented;
    let now = state.clock.now();
    let step = async |conn: &mut _| {
        let Some(mut family) = account::lock_session(conn, org, id).await? else {
            return Ok(None);
        };
        match refresh::judge(&family, generation, hash, device, now) {
            Verdict::Over => return Ok(None),
            Verdict::Stolen => {
                tracing::warn!(event = "authn_token_reuse", %org, session = %id);
                account::end_session(conn, org, id, Ended::Reused, now).await?;
                return Ok(None);
            }
            Verdict::Repeat => {}
            Verdict::Rotate => {
                family.generation += 1;
                let next = refresh::token(&state.keys, org, id, family.generation);
                let next = (family.generation, &refresh::hash(&next)[..]);
                account::rotate_session(conn, org, id, next, now).await?;
            }
        }
        Ok(Some(family))
    };
    let Some(family) = state.store.in_org(org, step).await? else {
        state.callers.forget();
        return Ok(None);
    };
    let role = state.store.role_in_session(org, family.person_id, id).await?;
    Ok(role.map(|role| (family, role)))
}

/// Sign out
///
/// Ends the session of the access token sent: neither it nor the refresh token is accepted
/// any more.
#[utoipa::path(
    tag = "sign-in",
    responses((status = 204, description = "Signed out."))
)]
#[delete("/v1/sessions/current")]
pub async fn delete_session(
    state: web::Data<State>,
    caller: Caller,
) -> Result<HttpResponse, Problem> {
    let (org, session, now) = (caller.org, caller.session, state.clock.now());
    let end =
        async |conn: &mut _| account::end_session(conn, org, session, Ended::SignedOut, now).await;
    state.store.in_org(org, end).await?;
    state.callers.forget();
    tracing::info!(event = "session_ended", %org, person = %caller.person);
    Ok(HttpResponse::NoContent().finish())
}
