//! The bytes of an entry: built once, stored, hashed, never rebuilt from what
//! a database gives back.
//!
//! The form is RFC 8785 (JSON Canonicalization Scheme) over a typed value
//! without floating point: every number inside `facts` and `worked` is the
//! integer count of hundredths of its unit, so 120.3 psi stands there as 12030.

use crate::Quantity;
use crate::entry::{Basis, Entry, Outcome, Subject};
use crate::facts::bounds::LONG;
use crate::facts::{Facts, Field, Kind, Personal};
use chrono::{DateTime, FixedOffset, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use serde_json::value::RawValue;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fmt::Write;
use unicode_normalization::is_nfc;
use uuid::Uuid;

/// The version of the record's form.
pub const VERSION: u32 = 1;

/// The record as it stands in the bytes: written from values, read as raw JSON.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Record<Json> {
    v: u32,
    org: Uuid,
    id: Uuid,
    subject: Subject,
    n: u64,
    kind: Kind,
    occurred_at: String,
    recorded_at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sent_at: Option<String>,
    sender: Uuid,
    by: Uuid,
    facts: Json,
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    attested: BTreeSet<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    retries: Option<Uuid>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    cause: Option<Uuid>,
    outcome: Json,
    basis: Basis,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    personal_hash: Option<String>,
}

/// Why stored bytes are not an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotAnEntry(pub String);

impl std::fmt::Display for NotAnEntry {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "these bytes are not an entry: {}", self.0)
    }
}

impl std::error::Error for NotAnEntry {}

impl Entry {
    /// The canonical bytes.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        let record = Record {
            v: VERSION,
            org: self.org,
            id: self.id,
            subject: self.subject,
            n: self.n,
            kind: self.facts.kind(),
            occurred_at: time(self.occurred_at),
            recorded_at: self.recorded_at.to_rfc3339_opts(SecondsFormat::Micros, true),
            sent_at: self.sent_at.map(time),
            sender: self.sender,
            by: self.by,
            facts: in_hundredths(self.facts.to_value()),
            attested: self.attested.clone(),
            retries: self.retries,
            cause: self.cause,
            outcome: in_hundredths(serde_json::to_value(&self.outcome).unwrap_or_default()),
            basis: self.basis.clone(),
            personal_hash: self.personal_hash.clone(),
        };
        bytes_of(&record)
    }

    /// Reads canonical bytes back, and proves that they are.
    ///
    /// # Errors
    /// [`NotAnEntry`] where a field is missing, unknown, of another type, or
    /// where the bytes are not the canonical form of what they say.
    pub fn from_bytes(bytes: &[u8]) -> Result<Entry, NotAnEntry> {
        let entry = Entry::read(bytes)?;
        if entry.bytes() == bytes {
            Ok(entry)
        } else {
            Err(NotAnEntry("they are not in canonical form".to_owned()))
        }
    }

    /// Reads bytes that were canonical when they were stored; whether they still are is for
    /// [`Entry::from_bytes`] to say.
    ///
    /// # Errors
    /// [`NotAnEntry`] where a field is missing, unknown or of another type.
    pub fn read(bytes: &[u8]) -> Result<Entry, NotAnEntry> {
        let line = Line::read(bytes)?;
        let facts = Facts::read(line.kind, line.subject.kind, line.facts.get())
            .map_err(|error| NotAnEntry(format!("{error:?}")))?;
        Ok(Entry {
            org: line.org,
            id: line.id,
            subject: line.subject,
            n: line.n,
            occurred_at: line.occurred_at,
            recorded_at: line.recorded_at,
            sent_at: line.sent_at,
            sender: line.sender,
            by: line.by,
            facts,
            attested: line.attested,
            retries: line.retries,
            cause: line.cause,
            outcome: line.outcome,
            basis: line.basis,
            personal_hash: line.personal_hash,
        })
    }
}

/// An [`Entry`] to be shown and not judged: its facts are JSON, in the units in which they were
/// sent, and were not read.
#[derive(Clone, Debug)]
#[expect(missing_docs, reason = "the fields are those of an entry")]
pub struct Line {
    pub org: Uuid,
    pub id: Uuid,
    pub subject: Subject,
    pub n: u64,
    pub kind: Kind,
    pub occurred_at: DateTime<FixedOffset>,
    pub recorded_at: DateTime<Utc>,
    pub sent_at: Option<DateTime<FixedOffset>>,
    pub sender: Uuid,
    pub by: Uuid,
    pub facts: Box<RawValue>,
    pub attested: BTreeSet<String>,
    pub retries: Option<Uuid>,
    pub cause: Option<Uuid>,
    pub outcome: Outcome,
    pub basis: Basis,
    pub personal_hash: Option<String>,
}

impl Line {
    /// Reads the canonical bytes of an entry, without its facts.
    ///
    /// # Errors
    /// [`NotAnEntry`] where a field is missing, unknown or of another type.
    pub fn read(bytes: &[u8]) -> Result<Line, NotAnEntry> {
        let bad = |error: &dyn std::fmt::Display| NotAnEntry(error.to_string());
        let record: Record<&RawValue> = serde_json::from_slice(bytes).map_err(|e| bad(&e))?;
        if record.v != VERSION {
            return Err(NotAnEntry(format!("version {} is not known", record.v)));
        }
        let parse =
            |text: &str| DateTime::<FixedOffset>::parse_from_rfc3339(text).map_err(|e| bad(&e));
        Ok(Line {
            org: record.org,
            id: record.id,
            subject: record.subject,
            n: record.n,
            kind: record.kind,
            occurred_at: parse(&record.occurred_at)?,
            recorded_at: parse(&record.recorded_at)?.with_timezone(&Utc),
            sent_at: record.sent_at.as_deref().map(parse).transpose()?,
            sender: record.sender,
            by: record.by,
            facts: RawValue::from_string(in_units(record.facts.get())).map_err(|e| bad(&e))?,
            attested: record.attested,
            retries: record.retries,
            cause: record.cause,
            outcome: serde_json::from_str(&in_units(record.outcome.get())).map_err(|e| bad(&e))?,
            basis: record.basis,
            personal_hash: record.personal_hash,
        })
    }

    /// The same of an entry at hand.
    #[must_use]
    pub fn of(entry: &Entry) -> Line {
        let facts = serde_json::value::to_raw_value(&entry.facts.to_value());
        Line {
            org: entry.org,
            id: entry.id,
            subject: entry.subject,
            n: entry.n,
            kind: entry.facts.kind(),
            occurred_at: entry.occurred_at,
            recorded_at: entry.recorded_at,
            sent_at: entry.sent_at,
            sender: entry.sender,
            by: entry.by,
            facts: facts.expect("a value is JSON"),
            attested: entry.attested.clone(),
            retries: entry.retries,
            cause: entry.cause,
            outcome: entry.outcome.clone(),
            basis: entry.basis.clone(),
            personal_hash: entry.personal_hash.clone(),
        }
    }
}

/// RFC 9162 leaf hash: SHA-256 over 0x00 and the canonical bytes.
#[must_use]
pub fn leaf_hash(bytes: &[u8]) -> [u8; 32] {
    Sha256::new().chain_update([0u8]).chain_update(bytes).finalize().into()
}

/// What an entry says of its personal part: SHA-256 over salt and canonical bytes, in
/// hexadecimal. With the salt gone, nobody can guess what stood there.
#[must_use]
pub fn personal_hash(salt: &[u8], personal: &Personal) -> String {
    let hash = Sha256::new().chain_update(salt).chain_update(bytes_of(personal)).finalize();
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The RFC 8785 bytes of a value.
#[must_use]
pub fn bytes_of<T: Serialize>(value: &T) -> Vec<u8> {
    // Only maps with non-string keys and non-finite numbers can fail, and no type here has them.
    serde_json_canonicalizer::to_vec(value).expect("a value of this crate has a canonical form")
}

fn time(at: DateTime<FixedOffset>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Micros, false)
}

fn map_numbers(value: Value, each: &dyn Fn(serde_json::Number) -> Value) -> Value {
    match value {
        Value::Number(number) => each(number),
        Value::Array(items) => items.into_iter().map(|v| map_numbers(v, each)).collect(),
        Value::Object(fields) => {
            fields.into_iter().map(|(name, v)| (name, map_numbers(v, each))).collect()
        }
        other => other,
    }
}

fn in_hundredths(value: Value) -> Value {
    map_numbers(value, &|number| {
        let quantity = number.as_f64().and_then(Quantity::exact);
        // Every number of a fact is a quantity or a small count.
        quantity.map_or(Value::Number(number), |q| q.hundredths().into())
    })
}

/// The same value with every number in the form in which it is read back.
pub(crate) fn plain(value: Value) -> Value {
    map_numbers(value, &|number| {
        let quantity = number.as_f64().and_then(Quantity::exact);
        let in_units = quantity.and_then(|quantity| serde_json::to_value(quantity).ok());
        in_units.unwrap_or(Value::Number(number))
    })
}

/// JSON in hundredths as JSON in units: every number outside of texts is a count of hundredths.
fn in_units(json: &str) -> String {
    let mut units = String::with_capacity(json.len());
    let mut rest = json;
    while let Some(start) = rest.find(|c: char| c == '"' || c == '-' || c.is_ascii_digit()) {
        units.push_str(&rest[..start]);
        rest = &rest[start..];
        let end = if rest.starts_with('"') { end_of_text(rest) } else { end_of_number(rest) };
        let (token, after) = rest.split_at(end);
        match token.parse() {
            // What an amount is written as is what serde writes of it.
            Ok(hundredths) => write!(units, "{}", Quantity::from_hundredths(hundredths)),
            Err(_) => units.write_str(token),
        }
        .expect("a string takes what is written to it");
        rest = after;
    }
    units.push_str(rest);
    units
}

/// Where the JSON text ends that begins here.
fn end_of_text(json: &str) -> usize {
    let mut escaped = false;
    let ends = |&(place, byte): &(usize, u8)| {
        let end = byte == b'"' && !escaped && place > 0;
        escaped = byte == b'\\' && !escaped;
        end
    };
    json.bytes().enumerate().find(ends).map_or(json.len(), |(place, _)| place + 1)
}

/// Where the JSON number ends that begins here.
fn end_of_number(json: &str) -> usize {
    json.find(|c: char| !matches!(c, '0'..='9' | '-' | '+' | '.' | 'e' | 'E')).unwrap_or(json.len())
}

/// Names every text that could not be compared byte by byte: not in Unicode
/// normalisation form C, or with a NUL.
pub(crate) fn check_text(value: &Value, pointer: &str, fields: &mut Vec<Field>) {
    match value {
        Value::String(text) => {
            if text.contains('\0') || !is_nfc(text) {
                fields.push(Field::new(
                    pointer,
                    "The text has a NUL or is not in Unicode normalisation form C.",
                ));
            }
            if text.chars().count() > LONG {
                let say = format!("The text is longer than {LONG} characters.");
                fields.push(Field::new(pointer, say));
            }
        }
        Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                check_text(item, &format!("{pointer}/{i}"), fields);
            }
        }
        Value::Object(map) => {
            for (name, item) in map {
                check_text(item, &format!("{pointer}/{name}"), fields);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// RFC 8259 section 7: a quotation mark in a text is escaped, and so is the escape.
    #[test]
    fn numbers_become_units_and_texts_stay() {
        assert_eq!(in_units(r#"{"psi":12030,"n":-5}"#), r#"{"psi":120.3,"n":-0.05}"#);
        assert_eq!(in_units(r#"[100,0,-100,110,["7\\",700]]"#), r#"[1,0,-1,1.1,["7\\",7]]"#);
        assert_eq!(
            in_units(r#"{"a \"100":"100\"\\","b":[true,null]}"#),
            r#"{"a \"100":"100\"\\","b":[true,null]}"#
        );
        assert_eq!(in_units("12345"), "123.45");
        let texts = json!(["\"", "\\", "\\\"5", "5\u{e9}5", "\u{0}5"]);
        assert_eq!(in_units(&texts.to_string()), texts.to_string());
        let values = json!({"psi": 120.3, "ft": [1.0, 0.05, -3.5], "ok": "9"});
        let back = in_units(&in_hundredths(values.clone()).to_string());
        let back: Value = serde_json::from_str(&back).unwrap();
        assert_eq!(in_hundredths(back), in_hundredths(values));
    }
}
