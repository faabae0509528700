//! Who calls, and whether they may: every request passes [`guard`] before its body is read.

use crate::problem::{Code, Problem};
use crate::routes::{self, Route};
use crate::state::State;
use actix_web::body::MessageBody;
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{self, HeaderMap};
use actix_web::middleware::Next;
use actix_web::{Error, FromRequest, HttpMessage, HttpRequest, web};
use quick_cache::sync::Cache;
use rules::Role;
use std::future::{Ready, ready};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// The signed-in person behind a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Caller {
    /// The organisation.
    pub org: Uuid,
    /// The person.
    pub person: Uuid,
    /// What the person may do, as the database says now; where nothing is written, a moment ago.
    pub role: Role,
    /// The session.
    pub session: Uuid,
}

impl FromRequest for Caller {
    type Error = Error;
    type Future = Ready<Result<Caller, Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let caller = request.extensions().get::<Caller>().copied();
        // Only a route listed as public lacks a caller; asking for one there is our mistake.
        ready(caller.ok_or_else(|| Problem::internal("a public route asks for a caller").into()))
    }
}

/// Lets a request through if its route is in the table and the caller has one of the roles
/// listed there: 404, 405, 401, 403 and 415, in this order.
///
/// # Errors
/// The problem that the request stops at.
pub async fn guard(
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    if request.method() == Method::HEAD {
        // Answered like GET (RFC 9110 section 9.3.2); the framework leaves the body out.
        request.head_mut().method = Method::GET;
    }
    let pattern = request.match_pattern().ok_or_else(Problem::not_found)?;
    let route = routes::find(request.method(), &pattern)?;
    if let Some(roles) = route.roles {
        let state = request
            .app_data::<web::Data<State>>()
            .ok_or_else(|| Problem::internal("the service has no state"))?;
        let caller = authenticate(state, &request, roles).await?;
        if !roles.contains(&caller.role) {
            tracing::warn!(event = "authz_fail", person = %caller.person, route = route.operation_id);
            return Err(Problem::plain(Code::Forbidden).into());
        }
        request.extensions_mut().insert(caller);
    }
    if has_body(request.headers()) && !is_taken(route, request.headers()) {
        return Err(Problem::plain(Code::UnsupportedMediaType).into());
    }
    next.call(request).await
}

async fn authenticate(
    state: &State,
    request: &ServiceRequest,
    roles: &[Role],
) -> Result<Caller, Problem> {
    let token = bearer(request.headers()).ok_or_else(|| Problem::plain(Code::SignInNeeded))?;
    let invalid = || Problem::plain(Code::InvalidToken);
    let claims = state.tokens.verify(&state.keys, state.clock.now(), token).ok_or_else(invalid)?;
    let (org, person, session) = (claims.org, claims.sub, claims.sid);
    let caller = |role| Caller { org, person, role, session };
    if request.method().is_safe() {
        let known = state.callers.role(&(org, person, session)).map(caller);
        if let Some(caller) = known.filter(|caller| roles.contains(&caller.role)) {
            return Ok(caller);
        }
    }
    let role = state.store.role_in_session(org, person, session).await?.ok_or_else(invalid)?;
    state.callers.remember((org, person, session), role);
    Ok(caller(role))
}

/// Organisation, person and session.
type Who = (Uuid, Uuid, Uuid);

/// Who was let through a moment ago, for those who only read: whoever writes is looked up every
/// time. What this process changes about anyone's rights is known at once, what another one
/// changes after [`Callers::HOLDS`].
#[derive(Debug)]
pub struct Callers(Cache<Who, (Role, Instant)>);

impl Default for Callers {
    fn default() -> Callers {
        Callers(Cache::new(4096))
    }
}

impl Callers {
    /// How long it holds; no outside source.
    const HOLDS: Duration = Duration::from_secs(1);

    fn role(&self, who: &Who) -> Option<Role> {
        let (role, since) = self.0.get(who)?;
        (since.elapsed() < Callers::HOLDS).then_some(role)
    }

    fn remember(&self, who: Who, role: Role) {
        self.0.insert(who, (role, Instant::now()));
    }

    /// Someone's rights change.
    pub fn forget(&self) {
        self.0.clear();
    }
}

/// RFC 6750 section 2.1; the scheme's name is in any case of letters (RFC 9110 section 11.1).
fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, token) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

fn has_body(headers: &HeaderMap) -> bool {
    let length = headers.get(header::CONTENT_LENGTH);
    length.is_some_and(|length| length != "0") || headers.contains_key(header::TRANSFER_ENCODING)
}

/// Whether a route takes a body of this type: JSON, a merge patch (RFC 7396 section 4) for a
/// change, or a file of comma-separated values (RFC 4180 section 3) for a chart.
fn is_taken(route: &Route, headers: &HeaderMap) -> bool {
    let sent = headers.get(header::CONTENT_TYPE).and_then(|sent| sent.to_str().ok());
    let named = sent.and_then(|sent| sent.split(';').next()).unwrap_or_default();
    let encoded = headers.get(header::CONTENT_ENCODING).is_some_and(|how| how != "identity");
    let is = |kind: &str| named.trim().eq_ignore_ascii_case(kind);
    let taken = match (route.method, route.operation_id) {
        (_, "put_chart") => is("text/csv"),
        ("PATCH", _) => is("application/json") || is("application/merge-patch+json"),
        _ => is("application/json"),
    };
    taken && !encoded
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let build =
            |request: TestRequest, pair: &(&'static str, &str)| request.insert_header(*pair);
        pairs.iter().fold(TestRequest::default(), build).to_http_request().headers().clone()
    }

    // No outside source: a reader's right is believed for a moment and no longer.
    #[test]
    fn a_reader_is_known_for_a_moment() {
        let (callers, who) = (Callers::default(), (Uuid::nil(), Uuid::max(), Uuid::nil()));
        assert_eq!(callers.role(&who), None);
        callers.remember(who, Role::Crew);
        assert_eq!(callers.role(&(Uuid::nil(), Uuid::nil(), Uuid::max())), None);
        assert_eq!(callers.role(&who), Some(Role::Crew));
        callers.forget();
        assert_eq!(callers.role(&who), None);
        let before = Instant::now().checked_sub(Callers::HOLDS).unwrap();
        callers.0.insert(who, (Role::Crew, before));
        assert_eq!(callers.role(&who), None);
    }

    // RFC 6750 section 2.1.
    #[test]
    fn a_bearer_token_is_found() {
        let found = |value: &str| bearer(&headers(&[("authorization", value)])).map(str::to_owned);
        assert_eq!(found("Bearer a.b.c").as_deref(), Some("a.b.c"));
        assert_eq!(found("bearer a.b.c").as_deref(), Some("a.b.c"));
        assert_eq!(found("Basic YTpi"), None);
        assert_eq!(found("Bearer"), None);
        assert_eq!(bearer(&headers(&[])), None);
    }

    // RFC 9110 sections 8.3 and 8.4; RFC 8259 section 8.1 (UTF-8).
    #[test]
    fn only_plain_json_is_json() {
        let route = |name: &str| routes::ROUTES.iter().find(|r| r.operation_id == name).unwrap();
        let taken = |name: &str, pairs: &[_]| is_taken(route(name), &headers(pairs));
        let json = |pairs: &[_]| taken("create_entry", pairs);
        assert!(json(&[("content-type", "application/json")]));
        assert!(json(&[("content-type", "Application/JSON; charset=utf-8")]));
        assert!(!json(&[("content-type", "text/plain")]));
        assert!(!json(&[]));
        assert!(!json(&[("content-type", "application/json"), ("content-encoding", "gzip")]));

        // RFC 7396 section 4 names the type of a merge patch; RFC 5789 is for PATCH alone.
        let patch = [("content-type", "application/merge-patch+json")];
        assert!(taken("change_depot", &patch) && !json(&patch));

        // RFC 4180 section 3.
        let file = [("content-type", "text/csv; charset=utf-8; header=present")];
        assert!(taken("put_chart", &file) && !json(&file));
        assert!(!taken("put_chart", &[("content-type", "application/json")]));
    }
}
