//! Lists in pages: keyset cursors and the link to the next page.

use crate::keys::Keys;
use crate::problem::Problem;
use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use rules::{Field, Subject, SubjectKind};
use serde::{Deserialize, Deserializer, Serialize};
use utoipa::IntoParams;
use uuid::Uuid;

/// How many items a page has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limit(pub u8);

impl Default for Limit {
    fn default() -> Limit {
        Limit(50)
    }
}

impl<'de> Deserialize<'de> for Limit {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Limit, D::Error> {
        let limit = u8::deserialize(deserializer).ok().filter(|limit| (1..=200).contains(limit));
        limit
            .map(Limit)
            .ok_or_else(|| serde::de::Error::custom("a number from 1 to 200 is expected"))
    }
}

/// Which page of a list is asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Paging {
    /// How many items at most.
    #[serde(default)]
    #[param(value_type = u8, required = false, minimum = 1, maximum = 200, default = 50)]
    pub limit: Limit,
    /// The `next` of the page before.
    #[serde(default)]
    #[param(pattern = "^[A-Za-z0-9_-]{32}$")]
    pub after: Option<String>,
}

/// One list of one organisation: its cursors are good for nothing else.
pub struct List<'a> {
    keys: &'a Keys,
    org: Uuid,
    name: Uuid,
}

/// Bytes of the seal on a cursor: enough to notice a mistake or a guess.
const SEAL: usize = 8;

impl<'a> List<'a> {
    /// The list of the subjects of a kind.
    #[must_use]
    pub fn of_kind(keys: &'a Keys, org: Uuid, kind: SubjectKind) -> List<'a> {
        List { keys, org, name: Uuid::new_v5(&Uuid::nil(), kind.name().as_bytes()) }
    }

    /// The list of what was refused.
    #[must_use]
    pub fn of_refusals(keys: &'a Keys, org: Uuid) -> List<'a> {
        List { keys, org, name: Uuid::new_v5(&Uuid::nil(), b"refusals") }
    }

    /// The list of a subject's entries.
    #[must_use]
    pub fn of_entries(keys: &'a Keys, org: Uuid, subject: Subject) -> List<'a> {
        List { keys, org, name: subject.id }
    }

    /// The text that stands for the place after this item.
    #[must_use]
    pub fn cursor(&self, last: Uuid) -> String {
        let mut bytes = last.as_bytes().to_vec();
        bytes.extend(&self.seal(last)[..SEAL]);
        BASE64_URL_SAFE_NO_PAD.encode(bytes)
    }

    /// The item that a page comes after, if one is given.
    ///
    /// # Errors
    /// 400 where the text is not a cursor of this list.
    pub fn after(&self, cursor: Option<&str>) -> Result<Option<Uuid>, Problem> {
        let Some(cursor) = cursor else {
            return Ok(None);
        };
        let read = || {
            let bytes = BASE64_URL_SAFE_NO_PAD.decode(cursor).ok()?;
            let (last, seal) = bytes.split_at_checked(16)?;
            let last = Uuid::from_slice(last).ok()?;
            (*seal == self.seal(last)[..SEAL]).then_some(last)
        };
        read().map(Some).ok_or_else(|| {
            let say = "This is not the `next` of a page of this list.";
            Problem::not_well_formed(Field::new("?after", say))
        })
    }

    fn seal(&self, last: Uuid) -> [u8; 32] {
        let parts = [self.org.into_bytes(), self.name.into_bytes(), last.into_bytes()];
        self.keys.mac("cursor", parts.as_flattened())
    }

    /// Cuts one item too many off, and gives the cursor of the next page if there was one.
    pub fn cut<T>(
        &self,
        items: &mut Vec<T>,
        limit: Limit,
        place: impl Fn(&T) -> Uuid,
    ) -> Option<String> {
        let more = items.len() > usize::from(limit.0);
        items.truncate(usize::from(limit.0));
        items.last().filter(|_| more).map(|last| self.cursor(place(last)))
    }
}

/// The answer with a page, with the header `Link` where there is a next one.
#[must_use]
pub fn answer<T: Serialize>(request: &HttpRequest, next: Option<&str>, page: &T) -> HttpResponse {
    let mut answer = HttpResponse::Ok();
    if let Some(next) = next {
        answer.insert_header((header::LINK, next_link(request, next)));
    }
    answer.json(page)
}

/// The header `Link` (RFC 8288) to the next page of what was asked.
fn next_link(request: &HttpRequest, next: &str) -> String {
    let asked = form_urlencoded::parse(request.query_string().as_bytes());
    let mut query = form_urlencoded::Serializer::new(String::new());
    query.extend_pairs(asked.filter(|(name, _)| name != "after")).append_pair("after", next);
    format!("<{}?{}>; rel=\"next\"", request.path(), query.finish())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::Query;
    use crate::problem::Code;
    use actix_web::test::TestRequest;

    // Common practice, no published source: a cursor is opaque, and good for its list only.
    #[test]
    fn a_cursor_is_read_back_and_a_tampered_one_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let list = |org, name| List {
            keys: &keys,
            org: Uuid::from_u128(org),
            name: Uuid::from_u128(name),
        };
        let place = Uuid::from_u128(7);
        let cursor = list(1, 2).cursor(place);
        assert_eq!(list(1, 2).after(Some(&cursor)).unwrap(), Some(place));
        assert_eq!(list(1, 2).after(None).unwrap(), None);
        let tampered = format!("B{}", &cursor[1..]);
        for wrong in [tampered.as_str(), "", "x", "%", &cursor[1..]] {
            assert_eq!(list(1, 2).after(Some(wrong)).unwrap_err().code(), Code::NotWellFormed);
        }
        assert!(list(3, 2).after(Some(&cursor)).is_err());
        assert!(list(1, 3).after(Some(&cursor)).is_err());
    }

    // Common practice, no published source.
    #[test]
    fn a_page_knows_whether_there_is_another() {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let list = List { keys: &keys, org: Uuid::nil(), name: Uuid::nil() };
        let mut items = vec![1u128, 2, 3];
        let next = list.cut(&mut items, Limit(2), |item| Uuid::from_u128(*item)).unwrap();
        assert_eq!(items, [1, 2]);
        assert_eq!(list.after(Some(&next)).unwrap(), Some(Uuid::from_u128(2)));
        assert!(list.cut(&mut items, Limit(2), |item| Uuid::from_u128(*item)).is_none());
        assert!(
            list.cut(&mut Vec::<u128>::new(), Limit(2), |item| Uuid::from_u128(*item)).is_none()
        );
    }

    // RFC 8288 section 3: target in angle brackets, relation in quotes.
    #[test]
    fn the_link_keeps_the_filters() {
        let request = TestRequest::get().uri("/v1/casings?standing=suspect&after=a&limit=2");
        assert_eq!(
            next_link(&request.to_http_request(), "b_-"),
            "</v1/casings?standing=suspect&limit=2&after=b_->; rel=\"next\""
        );
    }

    // The stated bounds, no outside source.
    #[test]
    fn a_limit_is_from_1_to_200() {
        let limit = |query| Query::<Paging>::read(query).map(|paging| paging.0.limit);
        assert_eq!(limit("").unwrap(), Limit(50));
        assert_eq!(limit("limit=200").unwrap(), Limit(200));
        for wrong in ["limit=0", "limit=201", "limit=-1", "limit=x"] {
            assert!(limit(wrong).is_err(), "{wrong}");
        }
    }
}
