//! The list of what was refused. No outside source: what an office needs to see to it.

use crate::fleet::Fleet;
use crate::script::id;
use chrono::TimeDelta;
use rules::Subject;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// A stock tire and a released one are refused at a position, in this order; the second is tried
/// again at another one.
fn fleet() -> (Fleet, [String; 2], String) {
    let fleet = Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "released", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"}}}));
    let install = |casing: &str, brand: &str, position: &str| {
        let facts = json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": position,
            "torque_ft_lb": 475, "damage": []});
        fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::hours(1));
        fleet.entry("installed", Subject::casing(id(casing)), facts)
    };
    let told = |answer: &Value| answer["id"].as_str().unwrap().to_owned();
    let stock = install("C", "LK-3", "2RO");
    fleet.post("ada", "/v1/entries", &stock).problem(409, "REFUSED");
    let taken = install("A", "LK-1", "2LO");
    fleet.post("ben", "/v1/entries", &taken).problem(409, "REFUSED");
    let mut again = install("A", "LK-1", "2RO");
    again["retries"] = taken["id"].clone();
    fleet.post("ben", "/v1/entries", &again).expect(201);
    let refused = [told(&stock), told(&taken)];
    let again = told(&again);
    (fleet, refused, again)
}

fn ids(items: &[Value]) -> Vec<&str> {
    items.iter().map(|item| item["id"].as_str().unwrap()).collect()
}

#[test]
fn what_is_refused_waits_until_it_is_settled() {
    let (fleet, [stock, taken], again) = fleet();
    let open = fleet.all("cora", "/v1/refusals", 200);
    assert_eq!(ids(&open), [&stock]);
    let one = &open[0];
    assert_eq!((&one["outcome"], &one["depot"]), (&json!("refused"), &json!(id("elmford"))));
    assert_eq!((&one["vehicle"], &one["settled_by"]), (&json!(id("T1")), &Value::Null));
    let kept = fleet.get("cora", &format!("/v1/entries/{stock}")).expect(200);
    for field in ["kind", "subject", "n", "facts", "rules", "by", "recorded_at"] {
        assert_eq!(one[field], kept[field], "{field}");
    }
    let all = fleet.all("cora", "/v1/refusals?settled=true", 1);
    assert_eq!(ids(&all), [&stock, &taken], "the oldest first, page by page");
    assert_eq!(all[1]["settled_by"], json!(again));
    // As the casing's own list has it.
    let casing = format!("/v1/casings/{}", id("C"));
    assert_eq!(fleet.get("cora", &casing).expect(200)["open_refusals"], json!([stock]));

    let found_out = json!({"refusal": stock, "it_did_happen": false});
    let resolved = fleet.entry("resolved", Subject::casing(id("C")), found_out);
    fleet.post("ada", "/v1/entries", &resolved).problem(403, "FORBIDDEN");
    fleet.post("cora", "/v1/entries", &resolved).expect(201);
    assert!(fleet.all("cora", "/v1/refusals", 200).is_empty());
    let all = fleet.all("cora", "/v1/refusals?settled=true", 200);
    assert_eq!(all[0]["settled_by"], resolved["id"]);
    assert_eq!(fleet.get("cora", &casing).expect(200)["open_refusals"], json!([]));
}

#[test]
fn refusals_are_found_by_what_they_are_about() {
    let (fleet, [stock, taken], _) = fleet();
    let recorded = fleet.get("vera", &format!("/v1/entries/{taken}")).expect(200);
    let moment = recorded["recorded_at"].as_str().unwrap();
    let rules = |entry: &str| -> BTreeSet<String> {
        let entry = fleet.get("vera", &format!("/v1/entries/{entry}")).expect(200);
        let rules = entry["rules"].as_array().unwrap().iter();
        rules.map(|rule| rule["id"].as_str().unwrap().to_owned()).collect()
    };
    let (of_stock, of_taken) = (rules(&stock), rules(&taken));
    let (both, one, other) = (vec![&stock, &taken], vec![&stock], vec![&taken]);
    let mut wanted = vec![
        (format!("vehicle={}", id("T1")), both.clone()),
        (format!("vehicle={}", id("T2")), vec![]),
        (format!("depot={}", id("elmford")), both.clone()),
        (format!("depot={}", id("T1")), vec![]),
        (format!("by={}", id("ada")), one.clone()),
        (format!("by={}", id("ben")), other.clone()),
        (format!("by={}", id("cora")), vec![]),
        (format!("recorded_before={moment}"), one.clone()),
        (format!("by={}&vehicle={}", id("ben"), id("T1")), other.clone()),
        ("rule=hold.inspected".to_owned(), vec![]),
    ];
    for rule in of_stock.union(&of_taken) {
        let found = [(&stock, &of_stock), (&taken, &of_taken)];
        let found = found.iter().filter(|(_, rules)| rules.contains(rule)).map(|(id, _)| *id);
        wanted.push((format!("rule={rule}"), found.collect()));
    }
    assert_ne!(of_stock, of_taken);
    for (filter, expected) in wanted {
        let found = fleet.all("vera", &format!("/v1/refusals?settled=true&{filter}"), 200);
        assert_eq!(ids(&found), expected, "{filter}");
    }
    for (filter, pointer) in
        [("rule=no.such", "?rule"), ("recorded_before=yesterday", "?recorded_before")]
    {
        let problem =
            fleet.get("vera", &format!("/v1/refusals?{filter}")).problem(400, "NOT_WELL_FORMED");
        assert_eq!(problem["fields"][0]["pointer"], pointer, "{problem}");
    }
}
