//! Reading what clients send, strictly, and naming the field that is wrong.

use crate::limits::DEPTH_LIMIT;
use crate::problem::Problem;
use actix_web::dev::Payload;
use actix_web::web::Bytes;
use actix_web::{FromRequest, HttpRequest};
use futures_util::future::LocalBoxFuture;
use rules::Field;
use serde::de::DeserializeOwned;
use std::future::{Ready, ready};

/// A JSON body. Unknown fields are refused where `T` denies them.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<T: DeserializeOwned> Body<T> {
    /// Reads a body.
    ///
    /// # Errors
    /// [`Code::NotWellFormed`](crate::problem::Code::NotWellFormed) naming the first field that
    /// cannot be read.
    pub fn read(bytes: &[u8]) -> Result<Body<T>, Problem> {
        check_depth(bytes)?;
        let mut reader = serde_json::Deserializer::from_slice(bytes);
        let value = serde_path_to_error::deserialize(&mut reader)
            .map_err(|error| Problem::not_well_formed(Field::unreadable("", &error)))?;
        reader.end().map_err(|_| {
            Problem::not_well_formed(Field::new("", "Something follows the JSON value."))
        })?;
        Ok(Body(value))
    }
}

/// Lets a body through that is not nested too deep, before anything follows its nesting.
///
/// # Errors
/// [`Code::NotWellFormed`](crate::problem::Code::NotWellFormed).
fn check_depth(json: &[u8]) -> Result<(), Problem> {
    let (mut depth, mut in_text, mut escaped) = (0_usize, false, false);
    for byte in json {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_text => escaped = true,
            b'"' => in_text = !in_text,
            _ if in_text => {}
            b'[' | b'{' => depth += 1,
            b']' | b'}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth > DEPTH_LIMIT {
            let say = format!("Values may be nested {DEPTH_LIMIT} deep.");
            return Err(Problem::not_well_formed(Field::new("", say)));
        }
    }
    Ok(())
}

impl<T: DeserializeOwned> FromRequest for Body<T> {
    type Error = actix_web::Error;
    type Future = LocalBoxFuture<'static, Result<Body<T>, actix_web::Error>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let bytes = Bytes::from_request(request, payload);
        Box::pin(async move { Ok(Body::read(&bytes.await?)?) })
    }
}

/// The query of an address. Unknown parameters are refused where `T` denies them.
#[derive(Debug)]
pub struct Query<T>(pub T);

impl<T: DeserializeOwned> Query<T> {
    /// Reads a query string.
    ///
    /// # Errors
    /// [`Code::NotWellFormed`](crate::problem::Code::NotWellFormed) naming the parameter as
    /// `?name`.
    pub fn read(query: &str) -> Result<Query<T>, Problem> {
        let mut sent = form_urlencoded::parse(query.as_bytes());
        if let Some((name, _)) = sent.find(|(_, value)| value.contains('\0')) {
            // The database has no text with it.
            let say = format!("The parameter `{name}` has a NUL.");
            return Err(Problem::not_well_formed(Field::new(format!("?{name}"), say)));
        }
        let pairs = serde_urlencoded::Deserializer::new(form_urlencoded::parse(query.as_bytes()));
        serde_path_to_error::deserialize(pairs).map(Query).map_err(|error| {
            let say = error.inner().to_string();
            let name = match error.path().iter().next() {
                Some(serde_path_to_error::Segment::Map { key }) => key.clone(),
                // A missing, unknown or repeated parameter is named by the message only.
                _ => say.split('`').nth(1).unwrap_or_default().to_owned(),
            };
            Problem::not_well_formed(Field::new(
                format!("?{name}"),
                format!("The parameter `{name}` cannot be read: {say}."),
            ))
        })
    }
}

impl<T: DeserializeOwned> FromRequest for Query<T> {
    type Error = actix_web::Error;
    type Future = Ready<Result<Query<T>, actix_web::Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Query::read(request.query_string()).map_err(actix_web::Error::from))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::ResponseError;
    use actix_web::body::to_bytes;
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Inner {
        size: u8,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        name: String,
        parts: Vec<Inner>,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Page {
        limit: u8,
    }

    async fn pointer(problem: Problem) -> String {
        assert_eq!(problem.status_code(), 400);
        let bytes = to_bytes(problem.error_response().into_body()).await.unwrap();
        let body: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        body["fields"][0]["pointer"].as_str().unwrap().to_owned()
    }

    // RFC 6901 for the pointers; RFC 8259 section 4 asks for unique names.
    #[actix_web::test]
    async fn a_body_that_cannot_be_read_names_its_field() {
        let good = Body::<Outer>::read(br#"{"name":"a","parts":[{"size":1}]}"#).unwrap().0;
        assert_eq!((good.name.as_str(), good.parts[0].size), ("a", 1));
        for (text, place) in [
            (r#"{"name":"a","parts":[{"size":1},{"size":"x"}]}"#, "/parts/1/size"),
            (r#"{"name":"a","parts":[{"size":1,"colour":2}]}"#, "/parts/0/colour"),
            (r#"{"name":"a","parts":[],"org_id":"b"}"#, "/org_id"),
            (r#"{"name":"a","parts":[]} x"#, ""),
            (r#"{"name":"#, "/name"),
            ("", ""),
        ] {
            let found = pointer(Body::<Outer>::read(text.as_bytes()).unwrap_err()).await;
            assert_eq!(found, place, "{text}");
        }
        assert!(Body::<Outer>::read(br#"{"name":"a","name":"b","parts":[]}"#).is_err());
        let deep = |depth: usize| format!("{}1{}", "[".repeat(depth), "]".repeat(depth));
        let read = |text: String| Body::<serde_json::Value>::read(text.as_bytes());
        assert!(read(deep(DEPTH_LIMIT)).is_ok());
        assert!(read(deep(DEPTH_LIMIT + 1)).is_err() && read(deep(10_000)).is_err());
        // Brackets in a text nest nothing.
        assert!(read(format!("[\"\\\"{}\"]", "[".repeat(100))).is_ok());
    }

    // Common practice, no published source.
    #[actix_web::test]
    async fn a_query_that_cannot_be_read_names_its_parameter() {
        assert_eq!(Query::<Page>::read("limit=5").unwrap().0.limit, 5);
        for query in ["limit=x", "limit=300", "", "limit=1&limit=2"] {
            assert_eq!(pointer(Query::<Page>::read(query).unwrap_err()).await, "?limit", "{query}");
        }
        assert_eq!(pointer(Query::<Page>::read("limit=1&sort=a").unwrap_err()).await, "?sort");
        assert_eq!(pointer(Query::<Page>::read("limit=1%00").unwrap_err()).await, "?limit");
    }
}
