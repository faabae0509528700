//! What is computed, beside what is published. The published values stand with their
//! sources in `tests/data`. To see them all:
//! `cargo test --package rules --test computations -- --nocapture`

mod life;
mod load_index;
mod size;
mod tin;
mod tread;

use std::fmt::Display;
use std::path::Path;

/// A computed value beside a published one.
struct Check {
    of: String,
    published: String,
    computed: String,
    holds: bool,
    source: String,
}

impl Check {
    /// Both have to read the same.
    fn same(
        of: impl Display,
        published: impl Display,
        computed: impl Display,
        source: &str,
    ) -> Check {
        let (published, computed) = (published.to_string(), computed.to_string());
        let holds = published == computed;
        Check { of: of.to_string(), published, computed, holds, source: source.to_owned() }
    }

    /// The computed value is at most so far off.
    fn near(of: impl Display, published: f64, computed: f64, within: f64, source: &str) -> Check {
        Check {
            of: of.to_string(),
            published: format!("{published} within {within}"),
            computed: computed.to_string(),
            holds: (published - computed).abs() <= within,
            source: source.to_owned(),
        }
    }
}

/// The rows of a table of check values.
fn rows(table: &str) -> Vec<csv::StringRecord> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(table);
    let rows: Result<Vec<_>, _> = csv::Reader::from_path(path).unwrap().into_records().collect();
    let rows = rows.unwrap();
    assert!(!rows.is_empty(), "{table}");
    rows
}

/// Values of reference libraries, each with its versions and data.
fn statistics() -> serde_json::Value {
    serde_json::from_str(include_str!("../data/statistics.json")).unwrap()
}

fn numbers(list: &serde_json::Value) -> Vec<f64> {
    list.as_array().unwrap().iter().map(|one| one.as_f64().unwrap()).collect()
}

/// Prints all of it, and fails where any value is not the published one.
fn compare(topic: &str, checks: &[Check]) {
    println!("\n{topic}");
    for Check { of, published, computed, holds, source } in checks {
        let mark = if *holds { "" } else { "  NOT THE SAME" };
        println!("  {of}\n    published {published}\n    computed  {computed}{mark}\n    {source}");
    }
    let wrong: Vec<&str> = checks.iter().filter(|one| !one.holds).map(|one| &*one.of).collect();
    assert!(wrong.is_empty(), "{topic}: {wrong:?}");
}

#[test]
fn tire_identification_numbers() {
    compare("Weeks of date codes", &tin::weeks());
    compare("Tire identification numbers", &tin::numbers());
}

#[test]
fn sizes() {
    compare("Sizes and load ranges", &size::written());
    compare("Shapes of sizes", &size::shapes());
    compare("Rims and dual spacings", &size::fitting());
}

#[test]
fn load_indices() {
    compare("Service descriptions", &load_index::descriptions());
    compare("Load indices beside sidewalls", &load_index::pounds());
}

#[test]
fn wear() {
    compare("Slopes", &tread::slopes());
    compare("Pull point", &tread::pull_point());
}

#[test]
fn lives() {
    compare("Survival", &life::survival());
    compare("Two groups", &life::two_groups());
    compare("Weibull lives", &life::fits());
    compare("Shares", &life::shares());
}

#[test]
fn cost() {
    compare("Cost of lives", &life::costs());
}
