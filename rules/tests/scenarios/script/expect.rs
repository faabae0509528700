//! What a scenario says of the answers and of the state at its end.

use super::{Ledger, id, texts};
use rules::entry::{Outcome, Reason, Worked};
use rules::{Entry, Facts};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The answer to a step comes out as written.
pub(super) fn answer(
    place: &str,
    expect: &Value,
    ids: &BTreeMap<String, Uuid>,
    answer: Result<Vec<Entry>, u16>,
) {
    let entries = match answer {
        Ok(entries) => entries,
        Err(status) => {
            assert_eq!(expect["outcome"], format!("error:{status}"), "{place}");
            return;
        }
    };
    // What was stored before comes out as it came out then.
    let replayed = expect["outcome"] == "replayed";
    let outcome = if replayed { &expect["of"] } else { &expect["outcome"] };
    match &entries[0].outcome {
        Outcome::Recorded { cautions, worked } => {
            assert_eq!(outcome, "recorded", "{place}: recorded");
            let given: BTreeSet<String> = cautions.iter().cloned().collect();
            assert_eq!(given, texts(&expect["cautions"]), "{place}: cautions");
            held(place, expect, worked.as_ref());
        }
        Outcome::Refused { reasons } => {
            let rules: Vec<&str> = reasons.iter().map(|reason| reason.rule.as_str()).collect();
            assert_eq!(outcome, "refused", "{place}: refused by {rules:?}");
            refused(place, expect, reasons);
        }
    }
    let shown: BTreeSet<Uuid> = entries.iter().flat_map(evidence).collect();
    for step in texts(&expect["names"]) {
        assert!(shown.contains(&ids[&step]), "{place}: {step} is not named");
    }
    added(place, expect, &entries);
}

/// The entries that an entry names: why it was refused, or why there is doubt.
fn evidence(entry: &Entry) -> Vec<Uuid> {
    match (&entry.outcome, &entry.facts) {
        (Outcome::Refused { reasons }, _) => {
            reasons.iter().flat_map(|reason| reason.evidence.clone()).collect()
        }
        (_, Facts::Flagged(flagged)) => flagged.evidence.clone(),
        _ => Vec::new(),
    }
}

fn held(place: &str, expect: &Value, worked: Option<&Worked>) {
    let result = match worked {
        Some(Worked::Held(held)) => serde_json::to_value(&held.result).unwrap(),
        _ => Value::Null,
    };
    for field in ["verdict", "target_psi", "at_limit"] {
        if let Some(value) = expect.get(field) {
            let same = result[field]
                .as_f64()
                .map_or(&result[field] == value, |number| value.as_f64() == Some(number));
            assert!(same, "{place}: {field} {value} {result}");
        }
    }
}

fn refused(place: &str, expect: &Value, reasons: &[Reason]) {
    let rules: Vec<&str> = reasons.iter().map(|reason| reason.rule.as_str()).collect();
    if expect["exact"] == true {
        assert_eq!(json!(rules), expect["rules"], "{place}");
    } else {
        for rule in texts(&expect["rules"]) {
            assert!(rules.contains(&rule.as_str()), "{place}: {rule} is not among {rules:?}");
        }
    }
    for reason in reasons {
        if let Some(class) = expect["classes"].get(&reason.rule) {
            assert_eq!(&serde_json::to_value(reason.class).unwrap(), class, "{place}");
        }
    }
}

/// Kind, subject and reason of an entry that the ledger added.
type Added = (String, Uuid, String);

fn added(place: &str, expect: &Value, entries: &[Entry]) {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let added: BTreeSet<Added> = entries[1..]
        .iter()
        .map(|entry| {
            let reason = text(&entry.facts.to_value()["reason"]);
            (entry.facts.kind().name().to_owned(), entry.subject.id, reason)
        })
        .collect();
    let expected: BTreeSet<Added> = expect["adds"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|add| {
            let on = add["on"].as_str().map_or(entries[0].subject.id, id);
            (text(&add["kind"]), on, text(&add["reason"]))
        })
        .collect();
    let flagged = |set: &BTreeSet<Added>| {
        set.iter().filter(|(kind, ..)| kind == "flagged").cloned().collect::<BTreeSet<_>>()
    };
    assert_eq!(flagged(&added), flagged(&expected), "{place}: flagged");
    assert!(expected.is_subset(&added), "{place}: {expected:?} not among {added:?}");
}

/// `org/name`, or the name of a thing of the first organisation.
fn org_and_name(name: &str) -> (&str, &str) {
    name.split_once('/').unwrap_or(("larkspur", name))
}

/// How many entries there are of the casing with this name.
pub(super) fn entries(ledger: &mut impl Ledger, name: &str) -> u64 {
    let (org, name) = org_and_name(name);
    ledger.casing(org, id(name))["n"].as_u64().unwrap_or_default()
}

/// The state at the end is as written.
pub(super) fn then(
    place: &str,
    ledger: &mut impl Ledger,
    name: &str,
    then: &Value,
    entries_before: u64,
) {
    let (org, name) = org_and_name(name);
    for (field, value) in then.as_object().unwrap() {
        let casing = |ledger: &mut _| Ledger::casing(ledger, org, id(name));
        let got = match field.as_str() {
            "do_not_move" => json!(ledger.do_not_move(org, name)),
            "tagged" => json!(ledger.tagged(org, id(name))),
            "n_more" => json!(casing(ledger)["n"].as_u64().unwrap() - entries_before),
            "open_refusals" => json!(casing(ledger)[field].as_array().unwrap().len()),
            "life" if casing(ledger)[field] == 0 => json!("original"),
            "life" => json!(format!("retread {}", casing(ledger)[field])),
            "vehicle" | "wheel" => {
                let expected = json!(id(value.as_str().unwrap()));
                assert_eq!(casing(ledger)[field], expected, "{place}: {field}");
                continue;
            }
            "due" => {
                same_tasks(place, value, &casing(ledger)[field]);
                continue;
            }
            "standing" | "whereabouts" | "position" => casing(ledger)[field].clone(),
            other => panic!("{place}: {other} is not looked at"),
        };
        assert_eq!(&got, value, "{place}: {field}");
    }
}

/// The open tasks, in any order, each with all that is written of it.
fn same_tasks(place: &str, expected: &Value, got: &Value) {
    let (expected, mut left) = (expected.as_array().unwrap(), got.as_array().unwrap().clone());
    for task in expected {
        let mut task = task.as_object().unwrap().clone();
        task.insert("vehicle".to_owned(), json!(id(task["vehicle"].as_str().unwrap())));
        let is_it = |got: &Value| task.iter().all(|(field, value)| got[field] == *value);
        let found = left.iter().position(is_it);
        left.remove(found.unwrap_or_else(|| panic!("{place}: {task:?} not among {got}")));
    }
    assert_eq!(left, Vec::<Value>::new(), "{place}: not expected");
}
