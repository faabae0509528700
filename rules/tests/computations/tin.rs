//! Tire identification numbers.

use super::{Check, rows};
use chrono::NaiveDate;
use rules::tin::{Marked, Week, read};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

pub fn weeks() -> Vec<Check> {
    let check = |row: &csv::StringRecord| {
        Check::same(&row[0], &row[1], Week::of(day(&row[0])).code(), &row[2])
    };
    rows("checks/tin_weeks.csv").iter().map(check).collect()
}

pub fn numbers() -> Vec<Check> {
    let check = |row: &csv::StringRecord| {
        let marked = if &row[1] == "retread" { Marked::Retread } else { Marked::Original };
        let readings = read(&row[0], marked, day(&row[2])).unwrap_or_default();
        let mut readings: Vec<_> =
            readings.iter().map(|tin| format!("{tin} {}", tin.made())).collect();
        if readings.is_empty() {
            readings.push("none".to_owned());
        }
        let of = format!("{} on a tire ({}), read on {}", &row[0], &row[1], &row[2]);
        Check::same(of, &row[3], readings.join("; "), &row[4])
    };
    rows("checks/tins.csv").iter().map(check).collect()
}
