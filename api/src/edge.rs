//! What every request and answer passes at the edge: limits of size and time, the form of
//! errors, and security headers.

use crate::limits::{BODY_LIMIT, Limits};
use crate::problem::{Code, Problem};
use crate::state::State;
use actix_web::body::{BoxBody, EitherBody, MessageBody};
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::web::{Bytes, BytesMut, Data, PayloadConfig};
use actix_web::{Error, HttpMessage, HttpResponse};
use futures_util::{FutureExt, StreamExt, stream};
use std::any::Any;
use std::panic::AssertUnwindSafe;
use std::time::Duration;
use tokio::time::{Instant, sleep, timeout, timeout_at};
use tracing_actix_web::RequestId;

/// Longer than it takes to send the answer to a body that is not wanted.
const UNREAD: Duration = Duration::from_secs(2);

/// The limit as the framework wants it.
#[must_use]
pub fn body_limit() -> PayloadConfig {
    PayloadConfig::new(BODY_LIMIT)
}

/// Reads the whole body within the limits of size and time, then lets the request through
/// with a deadline of its own.
///
/// # Errors
/// 413, 408, or 503 when there is no answer in time.
pub async fn limit(
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let limits = request.app_data::<Data<State>>().map(|state| state.limits).unwrap_or_default();
    let length = request.headers().get(header::CONTENT_LENGTH).and_then(|sent| sent.to_str().ok());
    if length.and_then(|sent| sent.parse::<u64>().ok()).is_some_and(|n| n > BODY_LIMIT as u64) {
        return Err(Problem::plain(Code::PayloadTooLarge).into());
    }
    let mut payload = request.take_payload();
    let body = match read(&mut payload, &limits).await {
        Ok(body) => body,
        Err(error) => {
            // While somebody holds it, the connection is closed after the answer; let go of, the
            // framework would read what comes of a chunked body for ever.
            actix_web::rt::spawn(async move {
                sleep(UNREAD).await;
                drop(payload);
            });
            return Err(error);
        }
    };
    request.set_payload(Payload::Stream { payload: Box::pin(stream::once(async { Ok(body) })) });
    match timeout(limits.answer, next.call(request)).await {
        Ok(answer) => answer,
        Err(_) => Err(Problem::unavailable("no answer in time").into()),
    }
}

async fn read(payload: &mut Payload, limits: &Limits) -> Result<Bytes, Error> {
    let begun = Instant::now();
    let mut body = BytesMut::new();
    loop {
        match timeout_at(begun + limits.body_due(body.len()), payload.next()).await {
            Err(_) => return Err(Problem::plain(Code::RequestTimeout).into()),
            Ok(None) => return Ok(body.freeze()),
            Ok(Some(part)) => body.extend_from_slice(&part?),
        }
        if body.len() > BODY_LIMIT {
            return Err(Problem::plain(Code::PayloadTooLarge).into());
        }
    }
}

/// Gives every answer its request id and security headers, and every error, a panic too, the
/// one form that errors have.
///
/// # Errors
/// The dressed answer to a request that did not come as far as a handler.
pub async fn dress(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<EitherBody<impl MessageBody, BoxBody>>, Error> {
    let begun = Instant::now();
    let id = request.extensions().get::<RequestId>().map(ToString::to_string).unwrap_or_default();
    let answered = |status: StatusCode| {
        let elapsed_ms = begun.elapsed().as_secs_f64() * 1000.0;
        tracing::info!(status = status.as_u16(), elapsed_ms, "answered");
    };
    let problem = match AssertUnwindSafe(next.call(request)).catch_unwind().await {
        Ok(Ok(answer)) => {
            let answer = dress_answer(answer, &id);
            answered(answer.status());
            return Ok(answer);
        }
        Ok(Err(error)) => Problem::of(&error),
        Err(panic) => Problem::internal(format!("panic: {}", said(panic.as_ref()))),
    };
    let mut answer = problem.render(&id);
    answered(answer.status());
    put_headers(answer.headers_mut(), &id);
    Err(InternalError::from_response(problem, answer).into())
}

fn dress_answer<B: MessageBody>(
    answer: ServiceResponse<B>,
    id: &str,
) -> ServiceResponse<EitherBody<B, BoxBody>> {
    let status = answer.status();
    let mut answer = if status.is_client_error() || status.is_server_error() {
        let problem = match answer.response().error() {
            Some(error) => Problem::of(error),
            None => Problem::of_status(status, status.canonical_reason().unwrap_or_default()),
        };
        answer.into_response(problem.render(id)).map_into_right_body()
    } else {
        answer.map_into_left_body()
    };
    put_headers(answer.headers_mut(), id);
    answer
}

fn said(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_default()
}

/// The OWASP secure headers for an API; a handler's own `Content-Security-Policy` and
/// `Cache-Control` stay.
fn put_headers(headers: &mut HeaderMap, id: &str) {
    const ALWAYS: [(HeaderName, &str); 5] = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::STRICT_TRANSPORT_SECURITY, "max-age=63072000; includeSubDomains"),
        (header::CROSS_ORIGIN_RESOURCE_POLICY, "same-origin"),
    ];
    const UNLESS_SET: [(HeaderName, &str); 2] = [
        (header::CONTENT_SECURITY_POLICY, "default-src 'none'; frame-ancestors 'none'"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    for (name, value) in UNLESS_SET {
        if !headers.contains_key(&name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    }
    if let Ok(id) = HeaderValue::from_str(id) {
        headers.insert(HeaderName::from_static("x-request-id"), id);
    }
}

/// The answer where nothing is registered; [`crate::auth::guard`] comes before it.
pub async fn nothing_here() -> Result<HttpResponse, Problem> {
    Err(Problem::not_found())
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::middleware::from_fn;
    use actix_web::test::{TestRequest, init_service, try_call_service};
    use actix_web::{App, web};
    use serde_json::Value;
    use tracing_actix_web::TracingLogger;

    async fn fails() -> HttpResponse {
        panic!("secret 42")
    }

    async fn echoes(body: Bytes) -> HttpResponse {
        HttpResponse::Ok().body(body)
    }

    /// The answer as a client gets it: its headers and body.
    async fn answer(request: TestRequest) -> (HttpResponse, Value) {
        let app = init_service(
            App::new()
                .app_data(body_limit())
                .route("/panic", web::get().to(fails))
                .route("/echo", web::post().to(echoes))
                .route(
                    "/teapot",
                    web::get().to(async || HttpResponse::ImATeapot().body("secret 42")),
                )
                .default_service(web::to(nothing_here))
                .wrap(from_fn(limit))
                .wrap(from_fn(dress))
                .wrap(TracingLogger::default()),
        )
        .await;
        let answer = match try_call_service(&app, request.to_request()).await {
            Ok(answer) => answer.into_parts().1.map_into_boxed_body(),
            Err(error) => error.error_response(),
        };
        let (head, body) = answer.into_parts();
        let bytes = actix_web::body::to_bytes(body).await.unwrap();
        (head.set_body(BoxBody::new(())), serde_json::from_slice(&bytes).unwrap_or(Value::Null))
    }

    // RFC 9457; OWASP ASVS 5.0 16.5.1 and 16.5.4: a last-resort handler, no inner causes.
    #[actix_web::test]
    async fn every_error_has_one_form_and_an_id() {
        for (path, status) in [("/panic", 500), ("/nothing", 404), ("/teapot", 500)] {
            let (head, body) = answer(TestRequest::get().uri(path)).await;
            assert_eq!(head.status().as_u16(), status, "{path}");
            assert_eq!(head.headers().get("content-type").unwrap(), "application/problem+json");
            assert_eq!(body["status"], status);
            assert!(!body.to_string().contains("secret"));
            let id = body["request_id"].as_str().unwrap();
            assert_eq!(head.headers().get("x-request-id").unwrap(), id);
            assert!(id.parse::<uuid::Uuid>().is_ok());
        }
    }

    // RFC 9110 section 15.5.14.
    #[actix_web::test]
    async fn a_body_is_passed_on_up_to_the_limit() {
        let fits = vec![b'1'; BODY_LIMIT];
        let (head, _) = answer(TestRequest::post().uri("/echo").set_payload(fits)).await;
        assert_eq!(head.status(), StatusCode::OK);
        let (head, body) =
            answer(TestRequest::post().uri("/echo").set_payload(vec![b'1'; BODY_LIMIT + 1])).await;
        assert_eq!(head.status(), StatusCode::PAYLOAD_TOO_LARGE);
        assert_eq!(body["code"], "PAYLOAD_TOO_LARGE");
        let (_, body) = answer(TestRequest::post().uri("/echo").set_payload("7")).await;
        assert_eq!(body, 7);
    }

    // OWASP secure headers sheet.
    #[actix_web::test]
    async fn every_answer_has_the_security_headers() {
        for path in ["/nothing", "/panic"] {
            let (head, _) = answer(TestRequest::get().uri(path)).await;
            let value = |name: &str| head.headers().get(name).unwrap().to_str().unwrap().to_owned();
            assert_eq!(value("x-content-type-options"), "nosniff");
            assert_eq!(value("cache-control"), "no-store");
            assert_eq!(
                value("content-security-policy"),
                "default-src 'none'; frame-ancestors 'none'"
            );
        }
    }
}
