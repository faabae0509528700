//! Request headers that say something of the ledger's own: the device's clock, the key of a
//! request, the version that a change is meant for.

use crate::problem::{Code, Problem};
use actix_web::dev::Payload;
use actix_web::http::header::{self, HeaderMap, HeaderValue};
use actix_web::{FromRequest, HttpRequest};
use chrono::{DateTime, FixedOffset, SubsecRound, Timelike};
use rules::Field;
use std::future::{Ready, ready};
use uuid::Uuid;

/// The device's clock when it sent, from the header `Device-Time`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeviceTime(pub Option<DateTime<FixedOffset>>);

impl DeviceTime {
    fn read(headers: &HeaderMap) -> Result<DeviceTime, Problem> {
        let Some(sent) = headers.get("device-time") else {
            return Ok(DeviceTime(None));
        };
        let time = sent.to_str().ok().and_then(|text| DateTime::parse_from_rfc3339(text).ok());
        // A leap second has no place of its own among the instants that the database keeps.
        let time = time.filter(|time| time.nanosecond() < 1_000_000_000);
        let time = time.ok_or_else(|| wrong("Device-Time", "A time in RFC 3339 is expected."))?;
        Ok(DeviceTime(Some(time.trunc_subsecs(6))))
    }
}

impl FromRequest for DeviceTime {
    type Error = actix_web::Error;
    type Future = Ready<Result<DeviceTime, actix_web::Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(DeviceTime::read(request.headers()).map_err(actix_web::Error::from))
    }
}

/// What a client made up so that the same request sent again is known, from the header
/// `Idempotency-Key`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IdempotencyKey(pub Option<String>);

impl IdempotencyKey {
    /// The draft has it in quotes (a structured field string); many clients send it bare.
    fn read(headers: &HeaderMap) -> Result<IdempotencyKey, Problem> {
        let Some(sent) = headers.get("idempotency-key") else {
            return Ok(IdempotencyKey(None));
        };
        let text = sent.to_str().unwrap_or_default().trim();
        let bare = text.strip_prefix('"').and_then(|text| text.strip_suffix('"')).unwrap_or(text);
        let plain = |c: char| c.is_ascii_graphic() && c != '"' && c != '\\';
        if bare.is_empty() || bare.len() > 255 || !bare.chars().all(plain) {
            return Err(wrong(
                "Idempotency-Key",
                "1 to 255 letters, digits and signs are expected.",
            ));
        }
        Ok(IdempotencyKey(Some(bare.to_owned())))
    }

    /// The id of the entry that this key stands for: the same for the same person and key.
    #[must_use]
    pub fn entry_id(&self, person: Uuid) -> Uuid {
        match &self.0 {
            // The ids that the ledger makes itself come from names that begin otherwise.
            Some(key) => Uuid::new_v5(&person, format!("key/{key}").as_bytes()),
            None => Uuid::now_v7(),
        }
    }
}

impl FromRequest for IdempotencyKey {
    type Error = actix_web::Error;
    type Future = Ready<Result<IdempotencyKey, actix_web::Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(IdempotencyKey::read(request.headers()).map_err(actix_web::Error::from))
    }
}

fn wrong(header: &str, say: &str) -> Problem {
    Problem::not_well_formed(Field::new(header, say))
}

/// The entity tag of the version with this place among a subject's entries.
#[must_use]
pub fn etag(n: u64) -> String {
    format!("\"{n}\"")
}

/// The version that a change is meant for, from the header `If-Match`.
#[derive(Clone, Debug)]
pub struct IfMatch(Vec<HeaderValue>);

impl IfMatch {
    /// Lets a change through if it is meant for this version.
    ///
    /// # Errors
    /// 428 without the header, 412 for another version.
    pub fn admit(&self, n: u64) -> Result<(), Problem> {
        if self.0.is_empty() {
            return Err(Problem::plain(Code::PreconditionRequired));
        }
        let tags = self.0.iter().filter_map(|value| value.to_str().ok());
        let mut tags = tags.flat_map(|value| value.split(',')).map(str::trim);
        // A weak tag never matches here (RFC 9110 section 13.1.1).
        match tags.any(|tag| tag == "*" || tag == etag(n)) {
            true => Ok(()),
            false => Err(Problem::plain(Code::PreconditionFailed)),
        }
    }
}

impl IfMatch {
    /// Lets through what is meant for nothing yet on record.
    ///
    /// # Errors
    /// 412 where a version is named.
    pub fn admit_new(&self) -> Result<(), Problem> {
        if self.0.is_empty() { Ok(()) } else { Err(Problem::plain(Code::PreconditionFailed)) }
    }
}

impl FromRequest for IfMatch {
    type Error = actix_web::Error;
    type Future = Ready<Result<IfMatch, actix_web::Error>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Ok(IfMatch(request.headers().get_all(header::IF_MATCH).cloned().collect())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::http::header::HeaderName;

    fn headers(name: &'static str, value: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        headers.append(HeaderName::from_static(name), HeaderValue::from_str(value).unwrap());
        headers
    }

    // RFC 3339 section 5.6; the ledger keeps whole microseconds.
    #[test]
    fn the_time_of_a_device_is_read() {
        let read = |value| DeviceTime::read(&headers("device-time", value));
        let time = read("2026-03-03T07:00:00.1234567-06:00").unwrap().0.unwrap();
        assert_eq!(time.to_rfc3339(), "2026-03-03T07:00:00.123456-06:00");
        for wrong in ["yesterday", "2026-03-03T07:59:60-06:00"] {
            assert_eq!(read(wrong).unwrap_err().code(), Code::NotWellFormed, "{wrong}");
        }
        assert_eq!(DeviceTime::read(&HeaderMap::new()).unwrap(), DeviceTime(None));
    }

    // draft-ietf-httpapi-idempotency-key-header-07 section 2: a string in quotes; bare keys are
    // common practice.
    #[test]
    fn a_key_is_the_same_in_quotes_and_bare() {
        let read = |value| IdempotencyKey::read(&headers("idempotency-key", value));
        let (person, other) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let id = |value| read(value).unwrap().entry_id(person);
        assert_eq!(id("\"8e03978e-40d5\""), id("8e03978e-40d5"));
        assert_ne!(id("a"), id("b"));
        assert_ne!(read("a").unwrap().entry_id(other), id("a"));
        for wrong in ["", "\"\"", "a b", "\"a\\\"b\"", &"x".repeat(256)] {
            assert_eq!(read(wrong).unwrap_err().code(), Code::NotWellFormed, "{wrong}");
        }
        let none = IdempotencyKey::read(&HeaderMap::new()).unwrap();
        assert_ne!(none.entry_id(person), none.entry_id(person));
    }

    // RFC 9110 sections 8.8.3 and 13.1.1; RFC 6585 section 3.
    #[test]
    fn a_change_needs_the_tag_of_what_it_changes() {
        let admit = |value: &str| IfMatch(vec![HeaderValue::from_str(value).unwrap()]).admit(7);
        for good in ["\"7\"", "*", "\"3\", \"7\""] {
            assert!(admit(good).is_ok(), "{good}");
        }
        for bad in ["\"8\"", "7", "W/\"7\"", ""] {
            assert_eq!(admit(bad).unwrap_err().code(), Code::PreconditionFailed, "{bad}");
        }
        assert_eq!(IfMatch(Vec::new()).admit(7).unwrap_err().code(), Code::PreconditionRequired);
    }
}
