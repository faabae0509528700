//! Lists, page by page. Sources: RFC 8288 (`Link`); the bounds are the project's own.

use crate::fleet::Fleet;
use crate::script::id;
use serde_json::{Value, json};
use std::collections::BTreeSet;

fn ids(items: &[Value]) -> Vec<&str> {
    items.iter().map(|item| item["id"].as_str().unwrap()).collect()
}

fn fleet() -> Fleet {
    let mut casings = json!({});
    for n in 1..=7 {
        casings[format!("C{n}")] =
            json!({"model": "merrow-295g", "brand": format!("LK-{n}"), "state": "inspected"});
    }
    casings["M"] =
        json!({"model": "merrow-295h", "brand": "LK-M", "state": "mounted", "wheel": "W1"});
    casings["V"] = json!({"model": "merrow-295g", "brand": "LK-V", "state": "installed", "wheel": "W2",
        "vehicle": "T1", "position": "2LO"});
    Fleet::given(json!({"casings": casings}))
}

/// Whatever the size of the pages, everything comes once, in the same order.
#[test]
fn pages_leave_nothing_out() {
    let fleet = fleet();
    for (path, count) in [
        ("/v1/casings".to_owned(), 9),
        ("/v1/wheels".to_owned(), 14),
        ("/v1/gauges".to_owned(), 12),
        ("/v1/people".to_owned(), 7),
        (format!("/v1/casings/{}/history", id("V")), 6),
    ] {
        let whole = fleet.all("vera", &path, 200);
        assert_eq!(ids(&whole).into_iter().collect::<BTreeSet<_>>().len(), count, "{path}");
        for limit in [1, 2, 5] {
            assert_eq!(ids(&fleet.all("vera", &path, limit)), ids(&whole), "{path} by {limit}");
        }
    }
}

/// A cursor is good for its own list only, and only as it was given. Common practice, no
/// published source.
#[test]
fn a_cursor_that_was_changed_is_refused() {
    let fleet = fleet();
    let next = |who: &str, path: &str| {
        let page = fleet.get(who, &format!("{path}?limit=1")).expect(200);
        page["next"].as_str().unwrap().to_owned()
    };
    let refused = |path: &str, after: &str| {
        let problem =
            fleet.get("vera", &format!("{path}?after={after}")).problem(400, "NOT_WELL_FORMED");
        assert_eq!(problem["fields"][0]["pointer"], "?after", "{problem}");
    };
    let casings = next("vera", "/v1/casings");
    let other = if casings.starts_with('A') { "B" } else { "A" };
    refused("/v1/casings", &format!("{other}{}", &casings[1..]));
    refused("/v1/casings", &casings[1..]);
    refused("/v1/casings", "%00");
    refused("/v1/wheels", &casings);
    let history = next("vera", &format!("/v1/casings/{}/history", id("V")));
    refused(&format!("/v1/casings/{}/history", id("M")), &history);
}

/// RFC 8288: the header `Link` leads to the next page, and keeps the filters.
#[test]
fn the_link_leads_on() {
    let fleet = fleet();
    let first = fleet.get("vera", "/v1/casings?limit=2&standing=serviceable");
    let link = first.headers["link"].to_str().unwrap().to_owned();
    let next = link.strip_suffix(">; rel=\"next\"").unwrap().strip_prefix('<').unwrap();
    let path = next.strip_prefix(&fleet.proofhold.base).unwrap_or(next);
    let second = fleet.get("vera", path).expect(200);
    let whole = fleet.all("vera", "/v1/casings", 200);
    assert_eq!(ids(second["items"].as_array().unwrap()), ids(&whole)[2..4]);
}

/// Filters are named fields; what they give is what the casings themselves say.
#[test]
fn filters_pick_what_the_casings_say() {
    let fleet = fleet();
    let found = |query: &str| {
        let items = fleet.all("vera", &format!("/v1/casings?{query}"), 2);
        items.iter().map(|item| item["id"].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>()
    };
    let these =
        |names: &[&str]| names.iter().map(|name| id(name).to_string()).collect::<BTreeSet<_>>();
    assert_eq!(found("whereabouts=wheel"), these(&["M"]));
    assert_eq!(found("whereabouts=vehicle"), these(&["V"]));
    assert_eq!(found(&format!("vehicle={}", id("T1"))), these(&["V"]));
    assert_eq!(found(&format!("model={}", id("merrow-295h"))), these(&["M"]));
    assert_eq!(found("brand=LK-3"), these(&["C3"]));
    assert_eq!(found("brand=LK-99"), these(&[]));
    assert_eq!(found("standing=suspect"), these(&[]));
    assert_eq!(found(&format!("depot={}&whereabouts=depot", id("elmford"))).len(), 7);
    let low = fleet.entry("pressure_read", rules::Subject::casing(id("V")), json!({"psi": 60}));
    fleet.post("ada", "/v1/entries", &low).expect(201);
    assert_eq!(found("standing=suspect"), these(&["V"]));
    assert_eq!(found("standing=serviceable").len(), 8);
    let unit = fleet.get("vera", "/v1/units/T1").expect(200);
    let positions = unit["positions"].as_array().unwrap();
    // Two on the front axle, four on each of the others, and a spare.
    assert_eq!(positions.len(), 11);
    for place in positions {
        let on = (place["position"] == "2LO").then(|| id("V").to_string());
        assert_eq!(place["casing"]["id"].as_str().map(str::to_owned), on, "{place}");
    }
}
