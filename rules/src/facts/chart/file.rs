//! A chart as a file: comma-separated values with a header line, RFC 4180, in UTF-8.

use super::{ChartKind, LoadStep, RepairLimit, RimParts, Row, Rows, Wrong, wrong_in};
use crate::Quantity;
use crate::facts::Field;
use csv::StringRecord;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// A column of a chart.
pub(super) struct Column {
    name: &'static str,
    /// Every row has a value here.
    needed: bool,
    holds: Holds,
}

enum Holds {
    Text,
    /// A number with at most two decimals.
    Amount,
    OneOf(&'static [&'static str]),
}

const fn needed(name: &'static str, holds: Holds) -> Column {
    Column { name, needed: true, holds }
}

const fn optional(name: &'static str, holds: Holds) -> Column {
    Column { name, needed: false, holds }
}

pub(super) const RIM_PARTS: &[Column] = &[
    needed("base", Holds::Text),
    needed("side_ring", Holds::Text),
    optional("lock_ring", Holds::Text),
];

pub(super) const LOAD_INFLATION: &[Column] = &[
    needed("size", Holds::Text),
    optional("load_range", Holds::Text),
    needed("fitment", Holds::OneOf(&["single", "dual"])),
    needed("psi", Holds::Amount),
    needed("load_lb", Holds::Amount),
    needed("evidence", Holds::OneOf(&["seen", "memory"])),
    optional("source", Holds::Text),
];

pub(super) const REPAIR_LIMITS: &[Column] = &[
    needed("repair", Holds::OneOf(&["nail_hole", "ply", "boot"])),
    needed("place", Holds::OneOf(&["crown", "shoulder", "sidewall", "bead"])),
    needed("size_32nds", Holds::Amount),
    optional("across_32nds", Holds::Amount),
    optional("most", Holds::Amount),
];

impl Rows {
    /// Reads the rows of a chart of this kind from a file.
    ///
    /// # Errors
    /// Everything that is wrong in it: the columns, then the values and rows, each with its
    /// line and with a pointer of row and column, rows counted from 0.
    pub fn read(kind: ChartKind, file: &[u8]) -> Result<Rows, Vec<Field>> {
        match kind {
            ChartKind::RimParts => rows::<RimParts>(file).map(Rows::RimParts),
            ChartKind::LoadInflation => rows::<LoadStep>(file).map(Rows::LoadInflation),
            ChartKind::RepairLimits => rows::<RepairLimit>(file).map(Rows::RepairLimits),
        }
    }
}

fn rows<R: Row>(file: &[u8]) -> Result<Vec<R>, Vec<Field>> {
    // Spreadsheets put a byte order mark before a file in UTF-8.
    let file = file.strip_prefix(b"\xef\xbb\xbf").unwrap_or(file);
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(file);
    let header = reader.headers().map_err(|error| vec![unreadable(&error)])?.clone();
    let columns = columns::<R>(&header)?;
    let (mut read, mut wrong, mut fields) = (Vec::new(), Vec::new(), Vec::new());
    let mut lines = BTreeMap::new();
    for (number, record) in reader.records().enumerate() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                fields.push(unreadable(&error));
                continue;
            }
        };
        lines.insert(number, record.position().map_or(0, csv::Position::line));
        match row(number, &columns, header.len(), &record) {
            Ok(row) => read.push((number, row)),
            Err(in_row) => wrong.extend(in_row),
        }
    }
    wrong.extend(wrong_in(&read.iter().map(|(number, row)| (*number, row)).collect::<Vec<_>>()));
    wrong.sort_by_key(|wrong| wrong.row);
    let line = |row: usize| format!("line {}", lines[&row]);
    fields.extend(wrong.into_iter().map(|wrong| {
        let column = wrong.column.as_ref().map(|column| format!(", {column}")).unwrap_or_default();
        let say = format!("Line {}{column}: {}", lines[&wrong.row], wrong.say(line));
        Field::new(format!("/{}", wrong.place()), say)
    }));
    if fields.is_empty() { Ok(read.into_iter().map(|(_, row)| row).collect()) } else { Err(fields) }
}

/// Which column stands where.
fn columns<R: Row>(header: &StringRecord) -> Result<Vec<(usize, &'static Column)>, Vec<Field>> {
    let mut fields = Vec::new();
    let mut found: Vec<(usize, &'static Column)> = Vec::new();
    for (i, name) in header.iter().enumerate() {
        let column = R::COLUMNS.iter().find(|column| column.name == name.trim());
        let twice = column.filter(|column| found.iter().any(|(_, seen)| seen.name == column.name));
        match (column, twice) {
            (Some(_), Some(_)) => {
                fields
                    .push(Field::new("", format!("Line 1: The column {name} stands there twice.")));
            }
            (Some(column), None) => found.push((i, column)),
            (None, _) => {
                let known: Vec<&str> = R::COLUMNS.iter().map(|column| column.name).collect();
                let known = known.join(", ");
                let say = format!("Line 1: No column is called {name:?}. There are {known}.");
                fields.push(Field::new("", say));
            }
        }
    }
    let missing = R::COLUMNS
        .iter()
        .filter(|column| column.needed && !found.iter().any(|(_, seen)| seen.name == column.name));
    fields.extend(
        missing.map(|column| {
            Field::new("", format!("Line 1: The column {} is missing.", column.name))
        }),
    );
    if fields.is_empty() { Ok(found) } else { Err(fields) }
}

fn row<R: Row>(
    number: usize,
    columns: &[(usize, &'static Column)],
    width: usize,
    record: &StringRecord,
) -> Result<R, Vec<Wrong>> {
    let mut values = Map::new();
    let mut wrong = Vec::new();
    if record.len() != width {
        let say = format!("{width} values are expected, {} are there.", record.len());
        return Err(vec![Wrong::row(number, say)]);
    }
    for (i, column) in columns {
        match value(column, record[*i].trim()) {
            Ok(Some(value)) => {
                values.insert(column.name.to_owned(), value);
            }
            Ok(None) => {}
            Err(say) => wrong.push(Wrong::value(number, column.name, say)),
        }
    }
    if !wrong.is_empty() {
        return Err(wrong);
    }
    serde_json::from_value(Value::Object(values))
        .map_err(|error| vec![Wrong::row(number, format!("It cannot be read: {error}."))])
}

/// The value of a cell as JSON; none where it is empty and may be.
fn value(column: &Column, cell: &str) -> Result<Option<Value>, String> {
    if cell.is_empty() {
        return if column.needed { Err("A value is expected.".to_owned()) } else { Ok(None) };
    }
    let value = match column.holds {
        Holds::Text => Some(json!(cell)),
        Holds::Amount => amount(cell).map(|amount| json!(amount)),
        Holds::OneOf(names) => names.contains(&cell).then(|| json!(cell)),
    };
    let expected = || match column.holds {
        Holds::Text => "A text".to_owned(),
        Holds::Amount => "A number with at most two decimals".to_owned(),
        Holds::OneOf(names) => format!("One of {}", names.join(", ")),
    };
    value.map(Some).ok_or_else(|| format!("{} is expected, not {cell:?}.", expected()))
}

/// A decimal number as people write it, without exponents and signs of thousands.
fn amount(cell: &str) -> Option<Quantity> {
    let plain = cell.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-'));
    cell.parse().ok().filter(|_| plain).and_then(Quantity::exact)
}

fn unreadable(error: &csv::Error) -> Field {
    let line = error.position().map_or(1, csv::Position::line);
    Field::new("", format!("Line {line} cannot be read: it is not comma-separated UTF-8 text."))
}
