//! The bytes of an entry: built once, stored, hashed, never rebuilt from what
//! a database gives back.
//!
//! The form is RFC 8785 (JSON Canonicalization Scheme) over a typed value
//! without floating point: every number inside `facts` and `worked` is the
//! integer count of hundredths of its unit, so 120.3 psi stands there as 12030.

use crate::Quantity;
use crate::entry::{Entry, Outcome};
use crate::facts::bounds::LONG;
use crate::facts::{Facts, Field, Kind, Personal};
use chrono::{DateTime, FixedOffset, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use unicode_normalization::is_nfc;
use uuid::Uuid;

/// The version of the record's form.
pub const VERSION: u32 = 1;

/// The record as it stands in the bytes.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Record {
    v: u32,
    org: Uuid,
    id: Uuid,
    subject: crate::entry::Subject,
    n: u64,
    kind: Kind,
    occurred_at: String,
    recorded_at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sent_at: Option<String>,
    sender: Uuid,
    by: Uuid,
    facts: Value,
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    attested: BTreeSet<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    retries: Option<Uuid>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    cause: Option<Uuid>,
    outcome: Value,
    basis: crate::entry::Basis,
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
        let bad = |error: &dyn std::fmt::Display| NotAnEntry(error.to_string());
        let record: Record = serde_json::from_slice(bytes).map_err(|e| bad(&e))?;
        if record.v != VERSION {
            return Err(NotAnEntry(format!("version {} is not known", record.v)));
        }
        let facts = Facts::from_value(record.kind, record.subject.kind, in_units(record.facts))
            .map_err(|field| NotAnEntry(format!("{}: {}", field.pointer, field.say)))?;
        let outcome: Outcome =
            serde_json::from_value(in_units(record.outcome)).map_err(|e| bad(&e))?;
        let parse =
            |text: &str| DateTime::<FixedOffset>::parse_from_rfc3339(text).map_err(|e| bad(&e));
        Ok(Entry {
            org: record.org,
            id: record.id,
            subject: record.subject,
            n: record.n,
            occurred_at: parse(&record.occurred_at)?,
            recorded_at: parse(&record.recorded_at)?.with_timezone(&Utc),
            sent_at: record.sent_at.as_deref().map(parse).transpose()?,
            sender: record.sender,
            by: record.by,
            facts,
            attested: record.attested,
            retries: record.retries,
            cause: record.cause,
            outcome,
            basis: record.basis,
            personal_hash: record.personal_hash,
        })
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

fn in_units(value: Value) -> Value {
    map_numbers(value, &|number| match number.as_i64() {
        Some(hundredths) => {
            serde_json::to_value(Quantity::from_hundredths(hundredths)).unwrap_or_default()
        }
        None => Value::Number(number),
    })
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
