//! Every error that the API answers with: RFC 9457 problem details from one
//! closed catalogue, so that no unlisted code can be sent.

use crate::stopping::{StoppingRule, first_to_do};
use actix_web::HttpResponse;
use actix_web::ResponseError;
use actix_web::http::{StatusCode, header};
use rules::entry::Reason;
use rules::facts::casing::Doubt;
use rules::table::{self, Class};
use rules::{Entry, Facts, Field};
use serde::Serialize;
use std::fmt;
use utoipa::ToSchema;
use uuid::Uuid;

/// One kind of problem, as the catalogue describes it.
#[derive(Debug)]
pub struct Known {
    /// The code that stands for it in this program.
    pub code: Code,
    /// Its name in addresses: `/problems/{slug}`.
    pub slug: &'static str,
    /// The HTTP status it is sent with.
    pub status: StatusCode,
    /// Whether the same request may succeed later without being changed.
    pub retryable: bool,
    /// A short title, the same for every occurrence.
    pub title: &'static str,
    /// What it means and what to do, for the page about it.
    pub explanation: &'static str,
}

impl Known {
    /// The machine-readable code: the slug in upper snake case.
    #[must_use]
    pub fn name(&self) -> String {
        self.slug.to_uppercase().replace('-', "_")
    }
}

macro_rules! catalogue {
    ($($code:ident $slug:literal $status:ident $retryable:literal $title:literal $explanation:literal;)*) => {
        /// The kinds of problem.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Code {
            $(#[doc = $explanation] $code,)*
        }

        /// Every kind of problem, in the order of [`Code`].
        pub static CATALOGUE: &[Known] = &[$(Known {
            code: Code::$code,
            slug: $slug,
            status: StatusCode::$status,
            retryable: $retryable,
            title: $title,
            explanation: $explanation,
        },)*];
    };
}

catalogue! {
    NotWellFormed "not-well-formed" BAD_REQUEST false "Not well formed"
        "The request cannot be read: it is not valid JSON, a field is missing, unknown or of another type. `fields` names the place.";
    SignInNeeded "sign-in-needed" UNAUTHORIZED false "Sign in first"
        "This needs an access token in the header `Authorization: Bearer …`. Get one from POST /v1/sessions.";
    InvalidToken "invalid-token" UNAUTHORIZED false "The access token is not accepted"
        "The access token is expired, not ours, or its session has ended. Refresh it with POST /v1/sessions/refresh or sign in again.";
    WrongCredentials "wrong-credentials" UNAUTHORIZED false "Not signed in"
        "No account with this organisation, login and password may sign in. Which of the three is wrong is never said.";
    SessionEnded "session-ended" UNAUTHORIZED false "The session has ended"
        "The refresh token is not accepted: it is unknown, too old, used before or its session has ended. Sign in again.";
    Forbidden "forbidden" FORBIDDEN false "Not allowed for this role"
        "The signed-in person's role may not do this. An admin of the organisation can change roles.";
    NotFound "not-found" NOT_FOUND false "Not found"
        "There is no such thing, or it is not yours to know of.";
    MethodNotAllowed "method-not-allowed" METHOD_NOT_ALLOWED false "Method not allowed"
        "This address exists but not with this method. The header `Allow` lists the methods it has.";
    RequestTimeout "request-timeout" REQUEST_TIMEOUT true "The request came too slowly"
        "A body must keep coming, 1 KiB a second after the first 5 seconds, and be there within 30 seconds. Send the same request again.";
    Refused "refused" CONFLICT false "Refused by the rules"
        "Rules stopped the entry. It is kept as refused under `entry_id`; `rules` names each rule and says what to do. Put that right, then try again with a new id and `retries`.";
    LoginTaken "login-taken" CONFLICT false "The login is taken"
        "Another person of the organisation has this login. Choose another one.";
    LastAdmin "last-admin" CONFLICT false "The last admin stays"
        "An organisation keeps at least one admin who can sign in. Make somebody else admin first.";
    PreconditionFailed "precondition-failed" PRECONDITION_FAILED false "Changed meanwhile"
        "The thing has changed since it was read. Read it again and send its new `ETag` in `If-Match`.";
    PayloadTooLarge "payload-too-large" PAYLOAD_TOO_LARGE false "The body is too large"
        "A request body may have at most 256 KiB.";
    UnsupportedMediaType "unsupported-media-type" UNSUPPORTED_MEDIA_TYPE false "Not JSON"
        "Bodies are sent as `application/json`, in UTF-8 and without a content encoding.";
    Impossible "impossible" UNPROCESSABLE_ENTITY false "Never possible"
        "The request is well formed but can never be carried out. `fields` names each wrong value. Nothing was stored.";
    IdReused "id-reused" UNPROCESSABLE_ENTITY false "The id or key was used for something else"
        "This id or key was sent before with other content. `fields` names what differs. Use a new one for something new.";
    PreconditionRequired "precondition-required" PRECONDITION_REQUIRED false "If-Match is needed"
        "Send the `ETag` of what you read in the header `If-Match`, so that nobody's change is lost.";
    TooManyAttempts "too-many-attempts" TOO_MANY_REQUESTS true "Too many attempts"
        "Signing in to this account failed several times. Wait as long as `Retry-After` says.";
    Internal "internal" INTERNAL_SERVER_ERROR true "Something went wrong here"
        "The service failed. The cause is in its log under `request_id`. The same request may be sent again.";
    Busy "busy" SERVICE_UNAVAILABLE true "Busy"
        "The service has more to do than it can. Send the same request again after `Retry-After` seconds.";
    Unavailable "unavailable" SERVICE_UNAVAILABLE true "Not available now"
        "The database cannot be reached, or did not answer in time. Send the same request again after `Retry-After` seconds.";
    ReadOnly "read-only" SERVICE_UNAVAILABLE true "Read-only"
        "A check found the ledger broken. It takes no entries until an operator decides; reading goes on.";
}

impl Code {
    /// What the catalogue says of it.
    #[must_use]
    pub fn known(self) -> &'static Known {
        &CATALOGUE[self as usize]
    }
}

/// What quotes the client's own words, cut where it is longer than anybody reads.
fn short(text: &str) -> String {
    const MOST: usize = 500;
    match text.char_indices().nth(MOST) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// Wrong values that are named at most: one for each row of the largest chart.
const FIELDS: usize = 1000;

/// An error: RFC 9457 problem details.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Problem)]
pub struct Details {
    /// The page about this kind of problem, relative to the service's address.
    #[serde(rename = "type")]
    #[schema(format = "uri-reference", example = "/problems/not-found")]
    pub kind: String,
    /// A short title, the same for every problem of this type.
    #[schema(example = "Not found")]
    pub title: &'static str,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599, example = 404)]
    pub status: u16,
    /// What went wrong this time.
    #[schema(example = "There is no such thing, or it is not yours to know of.")]
    pub detail: String,
    /// The same as `type` for programs.
    #[schema(pattern = "^[A-Z][A-Z0-9_]+[A-Z0-9]$", example = "NOT_FOUND")]
    pub code: String,
    /// Whether the same request may succeed later without being changed.
    pub retryable: bool,
    /// The request's id, also in the header `X-Request-Id` and in the service's log.
    #[schema(example = "0f8fad5b-d9cb-469f-a165-70867728950e")]
    pub request_id: String,
    /// The rules that stopped an entry.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub rules: Vec<StoppingRule>,
    /// The values that are wrong, at most 20 of them. A pointer that begins with `?` names a query parameter, one
    /// without a slash a header.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub fields: Vec<Field>,
    /// The refused entry, kept in the ledger.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry_id: Option<Uuid>,
    /// What the ledger added because of the refused entry: its flags stay.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub added: Vec<Uuid>,
}

/// An error on its way to the client.
#[derive(Clone, Debug)]
pub struct Problem {
    code: Code,
    detail: String,
    /// Boxed, so that a result that holds no problem stays small.
    more: Box<More>,
}

/// What only some problems have.
#[derive(Clone, Debug, Default)]
struct More {
    rules: Vec<StoppingRule>,
    fields: Vec<Field>,
    entry_id: Option<Uuid>,
    added: Vec<Uuid>,
    retry_after_s: Option<u64>,
    allow: Option<String>,
    cause: Option<String>,
}

impl Problem {
    /// A problem of this kind; `detail` is one plain sentence about this case.
    pub fn new(code: Code, detail: impl Into<String>) -> Problem {
        Problem { code, detail: detail.into(), more: Box::default() }
    }

    /// A problem of this kind, with the catalogue's explanation as its detail.
    #[must_use]
    pub fn plain(code: Code) -> Problem {
        Problem::new(code, code.known().explanation)
    }

    /// A failure of the service. `cause` goes to the log and never to the client.
    pub fn internal(cause: impl fmt::Display) -> Problem {
        Problem::plain(Code::Internal).because(cause)
    }

    /// The database cannot be used now. `cause` goes to the log only.
    pub fn unavailable(cause: impl fmt::Display) -> Problem {
        Problem::plain(Code::Unavailable).because(cause).retry_after(2)
    }

    /// There is no such thing, or it is not the caller's to know of.
    #[must_use]
    pub fn not_found() -> Problem {
        Problem::plain(Code::NotFound)
    }

    /// A body or query that cannot be read.
    #[must_use]
    pub fn not_well_formed(field: Field) -> Problem {
        let field = Field { pointer: short(&field.pointer), say: short(&field.say) };
        Problem::new(Code::NotWellFormed, field.say.clone()).with_fields(vec![field])
    }

    /// Well formed but never possible.
    #[must_use]
    pub fn impossible(fields: Vec<Field>) -> Problem {
        let first = fields.first().map_or("Some values can never be.", |field| &field.say);
        let detail = match fields.len() {
            0 | 1 => first.to_owned(),
            2 => format!("{first} One more value is wrong."),
            more => format!("{first} {} more values are wrong.", more - 1),
        };
        Problem::new(Code::Impossible, detail).with_fields(fields)
    }

    /// An entry that rules stopped and that is kept as refused, with what the ledger added
    /// because of it. A sign of a zipper rupture is more pressing than any rule that stops.
    #[must_use]
    pub fn refused(entry_id: Uuid, reasons: &[Reason], added: &[Entry]) -> Problem {
        let rules: Vec<StoppingRule> = reasons.iter().map(StoppingRule::from).collect();
        let sign = added.iter().find_map(|entry| match &entry.facts {
            Facts::Flagged(flagged) if flagged.reason == Doubt::Sign => table::rule("flag.sign"),
            _ => None,
        });
        let first = first_to_do(&rules);
        let detail = sign.map_or(first, |rule| rule.say.clone());
        let mut problem = Problem::new(Code::Refused, detail);
        problem.more.entry_id = Some(entry_id);
        problem.more.rules = rules;
        problem.more.added = added.iter().map(|entry| entry.id).collect();
        problem
    }

    /// The method is not one of `allowed` at this address.
    #[must_use]
    pub fn method_not_allowed(allowed: &[&str]) -> Problem {
        let allow = allowed.join(", ");
        let mut problem =
            Problem::new(Code::MethodNotAllowed, format!("This address takes {allow}."));
        problem.more.allow = Some(allow);
        problem
    }

    /// The same problem with the values that are wrong, the first [`FIELDS`] of them.
    #[must_use]
    pub fn with_fields(mut self, mut fields: Vec<Field>) -> Problem {
        fields.truncate(FIELDS);
        self.more.fields = fields;
        self
    }

    /// The same problem, where what an entry has under `/facts` was sent at this place.
    #[must_use]
    pub fn placed(self, at: &str) -> Problem {
        self.moved(|field| match field.pointer.strip_prefix("/facts") {
            Some(rest) => Field { pointer: format!("{at}{rest}"), ..field },
            None => field,
        })
    }

    /// The same problem, where each wrong value was sent at the place that this gives it.
    #[must_use]
    pub fn moved(mut self, place: impl Fn(Field) -> Field) -> Problem {
        self.more.fields = self.more.fields.into_iter().map(place).collect();
        self
    }

    /// The same problem with the seconds after which to try again.
    #[must_use]
    pub fn retry_after(mut self, seconds: u64) -> Problem {
        self.more.retry_after_s = Some(seconds);
        self
    }

    fn because(mut self, cause: impl fmt::Display) -> Problem {
        self.more.cause = Some(cause.to_string());
        self
    }

    /// Its kind.
    #[must_use]
    pub fn code(&self) -> Code {
        self.code
    }

    /// The problem behind any error of the framework, or the problem itself.
    #[must_use]
    pub fn of(error: &actix_web::Error) -> Problem {
        error.as_error::<Problem>().cloned().unwrap_or_else(|| {
            Problem::of_status(error.as_response_error().status_code(), &error.to_string())
        })
    }

    /// The problem for an answer that only has a status. `said` is shown where
    /// it tells a client what it did wrong, and else goes to the log.
    #[must_use]
    pub fn of_status(status: StatusCode, said: &str) -> Problem {
        match status {
            StatusCode::BAD_REQUEST => Problem::new(Code::NotWellFormed, said),
            StatusCode::NOT_FOUND => Problem::not_found(),
            StatusCode::METHOD_NOT_ALLOWED => Problem::new(Code::MethodNotAllowed, said),
            StatusCode::REQUEST_TIMEOUT => Problem::new(Code::RequestTimeout, said),
            StatusCode::PAYLOAD_TOO_LARGE => Problem::plain(Code::PayloadTooLarge),
            StatusCode::UNSUPPORTED_MEDIA_TYPE => Problem::new(Code::UnsupportedMediaType, said),
            StatusCode::SERVICE_UNAVAILABLE => Problem::unavailable(said),
            _ => Problem::internal(format!("status {status}: {said}")),
        }
    }

    /// The answer, with the headers that its kind asks for. The inner cause is
    /// logged here and nowhere else.
    #[must_use]
    pub fn render(&self, request_id: &str) -> HttpResponse {
        let known = self.code.known();
        if let Some(cause) = &self.more.cause {
            tracing::error!(request_id, code = known.slug, cause, "a request failed");
        }
        let mut answer = HttpResponse::build(known.status);
        answer.content_type("application/problem+json");
        if let Some(seconds) = self.more.retry_after_s {
            answer.insert_header((header::RETRY_AFTER, seconds));
        }
        if let Some(allow) = &self.more.allow {
            answer.insert_header((header::ALLOW, allow.as_str()));
        }
        if let Some(challenge) = self.challenge() {
            answer.insert_header((header::WWW_AUTHENTICATE, challenge));
        }
        if matches!(self.code, Code::RequestTimeout | Code::PayloadTooLarge) {
            // The rest of the body is not wanted.
            answer.force_close();
        }
        answer.body(serde_json::to_string(&self.details(request_id)).unwrap_or_default())
    }

    /// RFC 6750 section 3: what to send to be let in.
    fn challenge(&self) -> Option<&'static str> {
        match self.code {
            Code::InvalidToken => Some(r#"Bearer realm="proofhold", error="invalid_token""#),
            code if code.known().status == StatusCode::UNAUTHORIZED => {
                Some(r#"Bearer realm="proofhold""#)
            }
            _ => None,
        }
    }

    fn details(&self, request_id: &str) -> Details {
        let known = self.code.known();
        Details {
            kind: format!("/problems/{}", known.slug),
            title: known.title,
            status: known.status.as_u16(),
            detail: self.detail.clone(),
            code: known.name(),
            retryable: known.retryable,
            request_id: request_id.to_owned(),
            rules: self.more.rules.clone(),
            fields: self.more.fields.clone(),
            entry_id: self.more.entry_id,
            added: self.more.added.clone(),
        }
    }
}

/// How the document shows a problem of this kind.
#[must_use]
pub fn example(code: Code) -> Details {
    Problem::plain(code).details("0f8fad5b-d9cb-469f-a165-70867728950e")
}

/// How the document shows a refusal.
#[must_use]
pub fn example_refusal() -> Details {
    let evidence = Uuid::from_u128(0x019c_b1d4_3a80_7000_8000_0000_0000_0001);
    let refused = Uuid::from_u128(0x019c_b2c4_1f00_7000_8000_0000_0000_0002);
    let reason = Reason {
        rule: "release.extended".to_owned(),
        class: Class::Practice,
        evidence: vec![evidence],
        found: None,
    };
    Problem::refused(refused, &[reason], &[]).details(&Uuid::nil().to_string())
}

impl fmt::Display for Problem {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: {}", self.code.known().slug, self.detail)
    }
}

impl std::error::Error for Problem {}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        self.code.known().status
    }

    fn error_response(&self) -> HttpResponse {
        self.render("")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::body::to_bytes;
    use rules::entry::{Basis, Outcome};
    use rules::facts::casing::Flagged;
    use serde_json::Value;

    async fn body(problem: &Problem) -> Value {
        let answer = problem.render("r-1");
        serde_json::from_slice(&to_bytes(answer.into_body()).await.unwrap()).unwrap()
    }

    // AIP-193: a code is [A-Z][A-Z0-9_]+[A-Z0-9], at most 63 characters.
    #[test]
    fn the_catalogue_is_in_order_and_its_names_are_unique() {
        let mut slugs = std::collections::HashSet::new();
        for (place, known) in CATALOGUE.iter().enumerate() {
            assert_eq!(known.code as usize, place);
            assert!(slugs.insert(known.slug), "{} twice", known.slug);
            let name = known.name();
            assert!(name.len() <= 63 && name.bytes().all(|b| b.is_ascii_uppercase() || b == b'_'));
            assert!(known.status.is_client_error() || known.status.is_server_error());
        }
    }

    // RFC 9457 section 3.1: the members and the media type.
    #[actix_web::test]
    async fn a_problem_has_the_members_of_rfc_9457() {
        let problem = Problem::not_well_formed(Field::new("/login", "Missing."));
        assert_eq!(
            problem.render("r-1").headers().get("content-type").unwrap(),
            "application/problem+json"
        );
        let body = body(&problem).await;
        assert_eq!(body["type"], "/problems/not-well-formed");
        assert_eq!(body["title"], "Not well formed");
        assert_eq!(body["status"], 400);
        assert_eq!(body["code"], "NOT_WELL_FORMED");
        assert_eq!(body["retryable"], false);
        assert_eq!(body["request_id"], "r-1");
        assert_eq!(body["fields"][0]["pointer"], "/login");
        assert!(body.get("rules").is_none() && body.get("entry_id").is_none());
        let long = Problem::not_well_formed(Field::new("/kind", "é".repeat(5000)));
        assert_eq!(long.detail.chars().count(), 501);
        let many = Problem::impossible(vec![Field::new("/attested", "No such rule."); 5000]);
        assert_eq!(many.more.fields.len(), FIELDS);
        assert_eq!(many.detail, "No such rule. 4999 more values are wrong.");
    }

    // The ledger's own promise, no outside source: what to do comes first, in the rule's own
    // sentence with what was found; boxes to tick come after.
    #[actix_web::test]
    async fn a_refusal_says_first_what_to_do() {
        let reason = |rule: &str, found: Option<&str>| Reason {
            rule: rule.to_owned(),
            class: Class::Practice,
            evidence: Vec::new(),
            found: found.map(str::to_owned),
        };
        let reasons = [
            reason("release.extended", None),
            reason("release.seated", None),
            reason("install.hold_covers", Some("Held for 95 psi, set pressure here 100 psi.")),
        ];
        let detail = async |reasons: &[Reason]| {
            let problem = Problem::refused(Uuid::from_u128(1), reasons, &[]);
            body(&problem).await["detail"].as_str().unwrap().to_owned()
        };
        let hold = "Suspected low or overloaded: hold 20 minutes at 20 psi over set pressure.";
        assert_eq!(detail(&reasons[..1]).await, hold);
        assert_eq!(detail(&reasons).await, format!("{hold} 2 more rules stop it."));
        let turned = [reasons[1].clone(), reasons[0].clone()];
        assert_eq!(detail(&turned).await, format!("{hold} One more rule stops it."));
        let ticks = [reasons[1].clone()];
        assert_eq!(detail(&ticks).await, table::rule("release.seated").unwrap().say);

        let body = body(&Problem::refused(Uuid::from_u128(1), &reasons, &[])).await;
        assert!(body.get("added").is_none());
        assert_eq!(
            body["rules"][2]["say"],
            "Held for a lower pressure. Hold again for this position. Held for 95 psi, set pressure here 100 psi."
        );
    }

    fn flagged(reason: Doubt) -> Entry {
        let (id, at) = (Uuid::from_u128(2), chrono::DateTime::UNIX_EPOCH);
        Entry {
            org: id,
            id,
            subject: rules::Subject::casing(id),
            n: 2,
            occurred_at: at.fixed_offset(),
            recorded_at: at,
            sent_at: None,
            sender: id,
            by: id,
            facts: Facts::Flagged(Flagged { reason, evidence: Vec::new() }),
            attested: Default::default(),
            retries: None,
            cause: Some(Uuid::from_u128(1)),
            outcome: Outcome::Recorded { cautions: Vec::new(), worked: None },
            basis: Basis {
                rules: rules::VERSION.to_owned(),
                entries: Default::default(),
                leans_on: Vec::new(),
            },
            personal_hash: None,
        }
    }

    // OSHA 3401 chart: a tire with a sign of a zipper rupture is scrap, and nobody goes near.
    #[actix_web::test]
    async fn a_sign_comes_before_every_rule() {
        let reason = Reason {
            rule: "mount.clean".to_owned(),
            class: Class::Law,
            evidence: Vec::new(),
            found: None,
        };
        let refused = |doubt| {
            Problem::refused(Uuid::from_u128(1), std::slice::from_ref(&reason), &[flagged(doubt)])
        };
        let sign = body(&refused(Doubt::Sign)).await;
        assert_eq!(sign["detail"], table::rule("flag.sign").unwrap().say);
        assert_eq!(sign["added"][0], Uuid::from_u128(2).to_string());
        let low = body(&refused(Doubt::Low)).await;
        assert_eq!(low["detail"], table::rule("mount.clean").unwrap().say);
    }

    // Zalando guideline 177: no inner causes in answers.
    #[actix_web::test]
    async fn an_inner_cause_is_not_sent() {
        for problem in [Problem::internal("secret 42"), Problem::unavailable("secret 42")] {
            assert!(!body(&problem).await.to_string().contains("secret"));
        }
    }

    // RFC 9110 sections 10.2.1, 10.2.3 and 11.6.1; RFC 6750 section 3.1.
    #[test]
    fn headers_follow_from_the_kind() {
        let headers = |problem: Problem| problem.render("").headers().clone();
        assert_eq!(
            headers(Problem::method_not_allowed(&["GET", "PUT"])).get("allow").unwrap(),
            "GET, PUT"
        );
        assert_eq!(headers(Problem::unavailable("x")).get("retry-after").unwrap(), "2");
        let challenge = |code| headers(Problem::new(code, "x")).get("www-authenticate").cloned();
        assert_eq!(challenge(Code::SignInNeeded).unwrap(), r#"Bearer realm="proofhold""#);
        assert_eq!(
            challenge(Code::InvalidToken).unwrap(),
            r#"Bearer realm="proofhold", error="invalid_token""#
        );
        assert!(challenge(Code::Forbidden).is_none());
    }

    // Common practice, no published source: what the framework says is put in the same form.
    #[test]
    fn errors_of_the_framework_become_problems() {
        use actix_web::error::{ErrorBadRequest, ErrorImATeapot, PayloadError};
        assert_eq!(Problem::of(&ErrorBadRequest("no")).code(), Code::NotWellFormed);
        assert_eq!(Problem::of(&PayloadError::Overflow.into()).code(), Code::PayloadTooLarge);
        assert_eq!(Problem::of(&ErrorImATeapot("what")).code(), Code::Internal);
        let ours = Problem::new(Code::LastAdmin, "No.");
        assert_eq!(Problem::of(&ours.into()).code(), Code::LastAdmin);
    }
}
