//! Questions about the past: how it was at a moment, and as it was known at a moment.

use crate::problem::{Code, Problem};
use chrono::{DateTime, Utc};
use rules::{Entry, Field, Subject, View};
use serde::{Deserialize, Deserializer, de};
use store::{Connection, StoreError, past};
use utoipa::IntoParams;
use uuid::Uuid;

/// The moments that are asked for.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AsOf {
    /// As it was at this moment: by what happened up to then. RFC 3339, not in the future; in an
    /// address `+` is written `%2B`.
    #[serde(default, deserialize_with = "moment")]
    #[param(example = "2026-03-03T13:00:00Z")]
    pub as_of: Option<DateTime<Utc>>,
    /// As it was known at this moment: by what was recorded up to then. RFC 3339, not in the
    /// future.
    #[serde(default, deserialize_with = "moment")]
    #[param(example = "2026-03-03T13:00:00Z")]
    pub known_at: Option<DateTime<Utc>>,
}

/// A moment as RFC 3339 writes it.
///
/// # Errors
/// Where the text is not one.
pub fn moment<'de, D: Deserializer<'de>>(text: D) -> Result<Option<DateTime<Utc>>, D::Error> {
    let text = String::deserialize(text)?;
    let read = DateTime::parse_from_rfc3339(&text);
    let expected = "a time as in 2026-03-03T13:00:00Z is expected, with + written %2B";
    read.map(|read| Some(read.to_utc())).map_err(|_| de::Error::custom(expected))
}

impl AsOf {
    /// The view that is asked for.
    ///
    /// # Errors
    /// 422 naming what lies in the future: nobody knows yet how it will be.
    pub fn view(&self, now: DateTime<Utc>) -> Result<View, Problem> {
        let asked = [("?as_of", self.as_of), ("?known_at", self.known_at)];
        let ahead = asked.iter().filter(|(_, moment)| moment.is_some_and(|moment| moment > now));
        let say = "This lies in the future. Ask for a moment up to now.";
        let fields: Vec<Field> = ahead.map(|(pointer, _)| Field::new(*pointer, say)).collect();
        match fields.is_empty() {
            true => Ok(View { as_of: self.as_of, known_at: self.known_at }),
            false => Err(Problem::impossible(fields)),
        }
    }
}

/// What was not on record then, and perhaps never was.
#[must_use]
pub fn not_found(view: View) -> Problem {
    match view.is_now() {
        true => Problem::not_found(),
        false => Problem::new(
            Code::NotFound,
            "There was no such thing on record then. Ask for a later moment, or without one.",
        ),
    }
}

/// All entries of a subject that a view needs.
///
/// # Errors
/// When the database fails.
pub async fn entries(
    conn: &mut Connection,
    org: Uuid,
    subject: Subject,
    view: View,
) -> Result<Vec<Entry>, StoreError> {
    let mut found = past::entries(conn, org, subject.kind, &[subject.id], view).await?;
    Ok(found.remove(&subject.id).unwrap_or_default())
}
