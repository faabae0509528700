//! Published tables. They stand in `data`, one file a table, each row with its source.

use serde::de::DeserializeOwned;

/// The rows of a table, in its order.
pub(crate) fn rows<T: DeserializeOwned>(table: &str) -> Vec<T> {
    let rows: Result<_, _> =
        csv::Reader::from_reader(table.as_bytes()).into_deserialize().collect();
    rows.expect("every table is read by a test")
}

/// Quantities with blanks between them.
pub(crate) fn quantities<'de, D>(deserializer: D) -> Result<Vec<crate::Quantity>, D::Error>
where
    D: serde::Deserializer<'de>,
{
    use serde::{Deserialize, de::Error};
    let text = String::deserialize(deserializer)?;
    let one = |text: &str| text.parse().ok().and_then(crate::Quantity::exact);
    let all: Option<Vec<_>> = text.split_whitespace().map(one).collect();
    all.ok_or_else(|| D::Error::custom("quantities with blanks between them are expected"))
}
