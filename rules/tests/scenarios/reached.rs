//! Which scenario, or which test besides, reaches each rule.

use crate::memory::Memory;
use crate::script::{self, Script};
use rules::entry::Outcome;
use rules::table::RULES;
use rules::{Entry, Facts};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// What no scenario reaches: the rule, the file and the test that does.
const ELSEWHERE: [(&str, &str, &str); 3] = [
    ("install.load", LOADS, "an_axle_above_the_table_at_set_pressure_takes_no_tire"),
    (
        "install.speed",
        "tests/shop/speed.rs",
        "a_speed_restricted_tire_goes_on_a_vehicle_designated_for_it",
    ),
    ("flag.load", LOADS, "an_axle_above_the_sidewalls_makes_its_tires_suspect"),
];
const LOADS: &str = "tests/shop/loads.rs";

/// The rules that spoke: what stopped an entry, what was acknowledged, and what was added.
fn spoken(entry: &Entry) -> BTreeSet<String> {
    let mut rules: BTreeSet<String> = match &entry.outcome {
        Outcome::Refused { reasons } => reasons.iter().map(|reason| reason.rule.clone()).collect(),
        Outcome::Recorded { cautions, .. } => cautions.iter().cloned().collect(),
    };
    if let Facts::Flagged(flagged) = &entry.facts {
        rules.insert(format!("flag.{}", json!(flagged.reason).as_str().unwrap()));
    }
    rules
}

/// The scenarios by which each rule is reached.
fn scenarios() -> BTreeMap<String, BTreeSet<String>> {
    let mut reached: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for scenario in script::scenarios() {
        let script = Script::new(&scenario);
        let mut ledger = Memory::of(&script);
        script.play(&mut ledger);
        let entries = ledger.books.values().flat_map(|book| &book.entries);
        for rule in entries.flat_map(spoken) {
            reached.entry(rule).or_default().insert(scenario["id"].as_str().unwrap().to_owned());
        }
    }
    reached
}

/// Prints the table of rules with what reaches each, and that of scenarios with how they come out:
/// `make show-ledger`.
#[test]
fn every_rule_is_reached() {
    let reached = scenarios();
    println!("{:<24} {:<13} reached by", "rule", "how");
    let mut missing = Vec::new();
    for rule in RULES.iter() {
        let by = match (reached.get(&rule.id), ELSEWHERE.iter().find(|(id, ..)| *id == rule.id)) {
            (Some(scenarios), _) => scenarios.iter().cloned().collect::<Vec<_>>().join(" "),
            (None, Some((_, file, test))) => {
                let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file));
                let text = text.unwrap_or_default();
                let begins = text
                    .find(&format!("fn {test}()"))
                    .unwrap_or_else(|| panic!("{file} has no {test}"));
                let body = text[begins..].split("\n}\n").next().unwrap();
                assert!(
                    body.contains(&format!("\"{}\"", rule.id)),
                    "{test} does not name {}",
                    rule.id
                );
                format!("{file}: {test}")
            }
            (None, None) => {
                missing.push(&rule.id);
                "nothing".to_owned()
            }
        };
        println!("{:<24} {:<13} {by}", rule.id, json!(rule.how).as_str().unwrap());
    }
    println!("\n{} rules\n", RULES.len());
    for scenario in script::scenarios() {
        let text = |field: &str| scenario[field].as_str().unwrap_or_default().to_owned();
        let steps = scenario["steps"].as_array().unwrap();
        println!("{}  as written, {:>2} steps  {}", text("id"), steps.len(), text("title"));
    }
    assert!(missing.is_empty(), "no scenario and no test reaches {missing:?}");
    assert_eq!(RULES.len(), 88);
}
