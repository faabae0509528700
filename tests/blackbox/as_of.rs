//! The ledger as it was at a moment, and as it was known at a moment. Source: OSHA's chart, by
//! which 80 % of set pressure and less is run low; else the ledger's own promise, no outside
//! source: what is known late is not known earlier, but was so.

use crate::fleet::Fleet;
use crate::script::id;
use chrono::{DateTime, Duration, TimeDelta, Utc};
use rules::{Subject, SubjectKind};
use serde_json::{Value, json};

/// A on the outside and B on the inside of a pair of T1, C in the yard.
fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "installed", "wheel": "W1",
            "vehicle": "T1", "position": "2LO"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LI"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"}}}))
}

fn text(moment: DateTime<Utc>) -> String {
    moment.format("%FT%TZ").to_string()
}

/// Lets time pass; gives the moment just before.
fn pass(fleet: &Fleet, time: Duration) -> String {
    let now = fleet.proofhold.now();
    fleet.proofhold.set_clock(now + time);
    text(now)
}

fn brands(items: &[Value]) -> Vec<&str> {
    let mut brands: Vec<&str> =
        items.iter().map(|item| item["marks"]["brand"].as_str().unwrap()).collect();
    brands.sort_unstable();
    brands
}

/// What is at each of the two positions.
fn pair(fleet: &Fleet, unit: &str, query: &str) -> [Value; 2] {
    let unit = fleet.get("vera", &format!("/v1/units/{unit}?{query}")).expect(200);
    let at = |position: &str| {
        let mut places = unit["positions"].as_array().unwrap().iter();
        places.find(|place| place["position"] == position).unwrap()["casing"].clone()
    };
    [at("2LO"), at("2LI")]
}

#[test]
fn a_late_low_reading_was_so_but_was_not_known() {
    let fleet = fleet();
    let before = pass(&fleet, TimeDelta::hours(1));
    let read_at = pass(&fleet, TimeDelta::hours(1));
    let next_day = text(fleet.proofhold.now() + TimeDelta::days(1));
    fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::days(2));
    let mut low = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 60}));
    low["occurred_at"] = json!(read_at);
    fleet.post("ada", "/v1/entries", &low).expect(201);
    let rows = fleet.rows();
    let path = format!("/v1/casings/{}", id("A"));
    let newest = fleet.get("vera", &path).expect(200);
    assert_eq!((&newest["standing"], &newest["as_of"]), (&json!("suspect"), &Value::Null));
    for (query, standing) in [
        (format!("as_of={read_at}"), "suspect"),
        (format!("as_of={before}"), "serviceable"),
        (format!("as_of={read_at}&known_at={next_day}"), "serviceable"),
        (format!("known_at={next_day}"), "serviceable"),
        (
            format!("known_at={}", text(fleet.proofhold.now() - TimeDelta::seconds(1))),
            "serviceable",
        ),
    ] {
        let then = fleet.get("vera", &format!("{path}?{query}")).expect(200);
        assert_eq!(then["standing"], standing, "{query}");
        for (name, moment) in query.split('&').filter_map(|asked| asked.split_once('=')) {
            assert_eq!(then[name], moment, "{query}: it is said back");
        }
        let told = newest["n"].as_u64().unwrap() - then["n"].as_u64().unwrap();
        assert_eq!(told, if standing == "suspect" { 0 } else { 2 }, "{query}");
        let [outer, inner] = pair(&fleet, "T1", &query);
        assert_eq!((&outer["id"], &inner["id"]), (&json!(id("A")), &json!(id("B"))));
        assert_eq!(outer["standing"], standing, "{query}");
        let listed = |standing: &str| {
            let path = format!("/v1/casings?vehicle={}&standing={standing}&{query}", id("T1"));
            fleet.all("vera", &path, 1)
        };
        assert!(brands(&listed(standing)).contains(&"LK-1"), "{query}");
        let other = if standing == "suspect" { "serviceable" } else { "suspect" };
        assert!(!brands(&listed(other)).contains(&"LK-1"), "{query}");
    }
    assert_eq!(fleet.rows(), rows, "reading writes nothing");
}

#[test]
fn a_vehicle_has_the_tires_and_the_number_that_it_had() {
    let fleet = fleet();
    let send = |kind: &str, casing: &str, facts: Value| {
        let entry = fleet.entry(kind, Subject::casing(id(casing)), facts);
        fleet.post("ada", "/v1/entries", &entry).expect(201);
    };
    let before = pass(&fleet, TimeDelta::hours(1));
    for casing in ["A", "B"] {
        send("removed", casing, json!({"found_psi": 100, "core_out_flat": false}));
    }
    let off = pass(&fleet, TimeDelta::hours(1));
    for (casing, brand, position) in [("A", "LK-1", "2LI"), ("B", "LK-2", "2LO")] {
        let facts = json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": position,
            "torque_ft_lb": 475, "grooves_32nds": [[14, 14]], "damage": []});
        send("installed", casing, facts);
    }
    let after = pass(&fleet, TimeDelta::hours(1));
    let path = format!("/v1/vehicles/{}", id("T1"));
    let rename = fleet.request("cora", "PATCH", &path).header("If-Match", "*");
    crate::proofhold::send(rename.json(&json!({"unit": "T1-NEW"}))).expect(200);
    let renamed = pass(&fleet, TimeDelta::hours(1));
    let there = |unit: &str, query: &str| pair(&fleet, unit, query).map(|on| on["id"].clone());
    let (a, b) = (json!(id("A")), json!(id("B")));
    assert_eq!(there("T1", &format!("as_of={before}")), [a.clone(), b.clone()]);
    assert_eq!(there("T1", &format!("as_of={off}")), [Value::Null, Value::Null]);
    assert_eq!(there("T1", &format!("as_of={after}")), [b.clone(), a.clone()]);
    assert_eq!(there("T1-NEW", &format!("as_of={renamed}")), [b.clone(), a.clone()]);
    assert_eq!(there("T1-NEW", ""), [b, a]);
    for (unit, query) in [
        ("T1-NEW".to_owned(), format!("as_of={after}")),
        ("T1".to_owned(), format!("as_of={renamed}")),
        ("T1".to_owned(), "as_of=2001-01-01T00:00:00Z".to_owned()),
        ("no-such-unit".to_owned(), format!("as_of={after}")),
    ] {
        let path = format!("/v1/units/{unit}?{query}");
        let detail = fleet.get("vera", &path).problem(404, "NOT_FOUND")["detail"].clone();
        assert!(detail.as_str().unwrap().contains("on record then"), "{detail}");
    }
    for (query, unit) in [(format!("as_of={after}"), "T1"), (String::new(), "T1-NEW")] {
        let vehicle = fleet.get("vera", &format!("{path}?{query}")).expect(200);
        assert_eq!(vehicle["body"]["unit"], unit);
    }
}

/// An entry of a person, which has to be recorded; gives its id.
fn must(fleet: &Fleet, who: &str, kind: &str, casing: &str, facts: Value) -> Value {
    let entry = fleet.entry(kind, Subject::casing(id(casing)), facts);
    fleet.post(who, "/v1/entries", &entry).expect(201);
    entry["id"].clone()
}

fn fitted(brand: &str, vehicle: &str, position: &str) -> Value {
    json!({"read": {"brand": brand}, "vehicle": id(vehicle), "position": position,
        "torque_ft_lb": 475, "grooves_32nds": [[14, 14]], "damage": []})
}

fn off() -> Value {
    json!({"found_psi": 100, "core_out_flat": false})
}

#[test]
fn a_corrected_reading_was_so_but_was_not_known() {
    let fleet = fleet();
    let before = pass(&fleet, TimeDelta::hours(1));
    let wrong = must(&fleet, "ada", "pressure_read", "A", json!({"psi": 100}));
    let read_at = pass(&fleet, TimeDelta::days(1));
    let next_day = pass(&fleet, TimeDelta::days(1));
    let right = json!({"corrects": wrong, "facts": {"psi": 60}, "reason": "read the wrong line"});
    let corrected = must(&fleet, "dora", "corrected", "A", right);
    let path = format!("/v1/casings/{}", id("A"));
    let kept = fleet.get("vera", &format!("/v1/entries/{}", corrected.as_str().unwrap()));
    let recorded_at = kept.expect(200)["recorded_at"].as_str().unwrap().to_owned();
    for (query, standing, psi) in [
        (String::new(), "suspect", json!(60)),
        (format!("as_of={read_at}"), "suspect", json!(60)),
        (format!("as_of={next_day}"), "suspect", json!(60)),
        (format!("as_of={next_day}&known_at={next_day}"), "serviceable", json!(100)),
        (format!("as_of={read_at}&known_at={next_day}"), "serviceable", json!(100)),
        (format!("known_at={next_day}"), "serviceable", json!(100)),
        // What the ledger adds is known with what it follows from.
        (format!("as_of={read_at}&known_at={recorded_at}"), "suspect", json!(60)),
        (format!("as_of={before}"), "serviceable", Value::Null),
    ] {
        let then = fleet.get("vera", &format!("{path}?{query}")).expect(200);
        assert_eq!(
            (&then["standing"], &then["pressure"]["psi"]),
            (&json!(standing), &psi),
            "{query}"
        );
        let [outer, _] = pair(&fleet, "T1", &query);
        assert_eq!(outer["standing"], standing, "{query}");
        for asked in ["suspect", "serviceable"] {
            let path = format!("/v1/casings?standing={asked}&{query}");
            let listed = fleet.all("vera", &path, 2);
            assert_eq!(brands(&listed).contains(&"LK-1"), asked == standing, "{query}");
        }
    }
}

#[test]
fn a_vehicle_had_the_tires_that_were_put_right_later() {
    let fleet = fleet();
    for casing in ["A", "B"] {
        must(&fleet, "ada", "removed", casing, off());
    }
    pass(&fleet, TimeDelta::hours(1));
    let wrong = must(&fleet, "ada", "installed", "A", fitted("LK-1", "T1", "2LO"));
    let there = pass(&fleet, TimeDelta::hours(1));
    let inner = json!({"corrects": wrong, "facts": fitted("LK-1", "T1", "2LI"), "reason": "inner"});
    let inner = must(&fleet, "dora", "corrected", "A", inner);
    let put_right = pass(&fleet, TimeDelta::hours(1));
    let truck = json!({"corrects": inner, "facts": fitted("LK-1", "T2", "2LO"), "reason": "T2"});
    must(&fleet, "dora", "corrected", "A", truck);
    let again = pass(&fleet, TimeDelta::hours(1));
    must(&fleet, "ada", "removed", "A", off());
    pass(&fleet, TimeDelta::hours(1));
    let on = |unit: &str, query: String| pair(&fleet, unit, &query).map(|on| on["id"].clone());
    let (a, none) = (json!(id("A")), Value::Null);
    for (known_at, t1, t2) in [
        (String::new(), [none.clone(), none.clone()], [a.clone(), none.clone()]),
        (format!("&known_at={again}"), [none.clone(), none.clone()], [a.clone(), none.clone()]),
        (format!("&known_at={put_right}"), [none.clone(), a.clone()], [none.clone(), none.clone()]),
        (format!("&known_at={there}"), [a.clone(), none.clone()], [none.clone(), none.clone()]),
    ] {
        for unit in ["T1", "T2"] {
            let expected = if unit == "T1" { &t1 } else { &t2 };
            assert_eq!(&on(unit, format!("as_of={there}{known_at}")), expected, "{unit}{known_at}");
        }
    }
}

#[test]
fn a_vehicle_had_the_tire_that_was_put_on_though_it_was_refused() {
    let fleet = fleet();
    must(&fleet, "ada", "removed", "B", off());
    must(&fleet, "ada", "flagged", "B", json!({"reason": "load"}));
    pass(&fleet, TimeDelta::hours(1));
    let put_on = fleet.entry("installed", Subject::casing(id("B")), fitted("LK-2", "T1", "2LI"));
    fleet.post("ada", "/v1/entries", &put_on).problem(409, "REFUSED");
    let there = pass(&fleet, TimeDelta::hours(1));
    let found_out = json!({"refusal": put_on["id"], "it_did_happen": true});
    must(&fleet, "cora", "resolved", "B", found_out);
    pass(&fleet, TimeDelta::hours(1));
    must(&fleet, "ada", "removed", "B", json!({"found_psi": 100, "core_out_flat": true}));
    pass(&fleet, TimeDelta::hours(1));
    let open = |query: &str| {
        let path = format!("/v1/casings/{}?{query}", id("B"));
        fleet.get("vera", &path).expect(200)["open_refusals"].clone()
    };
    let now = format!("as_of={there}");
    let unresolved = format!("as_of={there}&known_at={there}");
    let b = json!(id("B"));
    for (query, inner, danger) in [(&now, &b, true), (&unresolved, &Value::Null, false)] {
        assert_eq!(&pair(&fleet, "T1", query)[1]["id"], inner, "{query}");
        let unit = fleet.get("vera", &format!("/v1/units/T1?{query}")).expect(200);
        assert_eq!(unit["do_not_move"], danger, "{query}");
    }
    assert_eq!((open(&now), open(&unresolved)), (json!([]), json!([put_on["id"]])));
    assert_eq!(pair(&fleet, "T1", "")[1], Value::Null);
}

/// OWASP API security 2023, API1 (broken object level authorization): what was is no more to be
/// seen from another organisation than what is.
/// 5,070 lb on each of four tires at 95 psi, as the scenarios' load table has it.
#[test]
fn what_was_due_then_hung_on_what_was_known_then() {
    let fleet = fleet();
    let casing = Subject::casing(id("A"));
    let air = |query: &str| {
        let one = fleet.get("vera", &format!("/v1/casings/{}?{query}", casing.id)).expect(200);
        let page = format!("/v1/casings?vehicle={}&{query}", id("T1"));
        let page = fleet.get("vera", &page).expect(200);
        let items = page["items"].as_array().unwrap();
        let listed = items.iter().find(|item| item["id"] == one["id"]).unwrap();
        let [outer, _] = pair(&fleet, "T1", query);
        for other in [listed, &outer] {
            assert_eq!(other["due"], one["due"], "{query}");
        }
        let due = one["due"].as_array().unwrap().iter().map(|due| due["what"].as_str().unwrap());
        due.filter(|what| *what == "air_up_before_it_moves").count()
    };
    fleet.post("ada", "/v1/entries", &fleet.entry("pressure_read", casing, json!({"psi": 95})));
    pass(&fleet, TimeDelta::hours(1));
    let weighed_at = pass(&fleet, TimeDelta::hours(1));
    let before = text(fleet.proofhold.now() - TimeDelta::minutes(90));
    let unknown = text(fleet.proofhold.now());
    fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::hours(1));
    let axles = json!({"axles": [{"axle": 2, "load_lb": 20_600}]});
    let truck = Subject::of(SubjectKind::Vehicle, id("T1"));
    let mut weighed = fleet.entry("weighed", truck, axles);
    weighed["occurred_at"] = json!(weighed_at);
    fleet.post("ada", "/v1/entries", &weighed).expect(201);
    assert_eq!(air(""), 1);
    assert_eq!(air(&format!("as_of={weighed_at}")), 1);
    assert_eq!(air(&format!("as_of={before}")), 0, "it was not weighed yet");
    assert_eq!(air(&format!("known_at={unknown}")), 0, "nobody had sent it");
}

#[test]
fn the_past_of_another_organisation_is_unknown() {
    let fleet = Fleet::played(&json!({"id": "two fleets", "given": {
        "organisations": {"quillfeather": {"name": "Quillfeather Freight"}},
        "casings": {"A": {"model": "merrow-295g", "brand": "LK-1", "state": "installed",
            "wheel": "W1", "vehicle": "T1", "position": "2LO"}}},
        "steps": [], "then": {}}));
    let axles = json!([{"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90}]);
    let truck = json!({"id": id("LK-T"),
        "body": {"unit": "LK-T", "kind": "truck", "axles": axles}});
    fleet.post("cora", "/v1/vehicles", &truck).expect(201);
    let depot =
        json!({"id": id("other depot"), "body": {"name": "Other", "zone": "America/Denver"}});
    fleet.post("cora", "/v1/depots", &depot).expect(201);
    let now = pass(&fleet, TimeDelta::hours(1));
    for name in ["as_of", "known_at"] {
        for path in [
            format!("/v1/casings/{}", id("A")),
            format!("/v1/vehicles/{}", id("LK-T")),
            format!("/v1/depots/{}", id("other depot")),
            "/v1/units/LK-T".to_owned(),
        ] {
            let path = format!("{path}?{name}={now}");
            fleet.get("gus", &path).expect(200);
            fleet.get("quillfeather/gus", &path).problem(404, "NOT_FOUND");
        }
        let list = format!("/v1/casings?{name}={now}");
        assert_eq!(brands(&fleet.all("gus", &list, 50)), ["LK-1"]);
        let theirs = fleet.all("quillfeather/gus", &list, 50);
        assert!(theirs.is_empty(), "{theirs:?}");
    }
}

#[test]
fn a_depot_has_the_casings_that_were_there() {
    let fleet = fleet();
    let (elmford, casing) = (id("elmford"), Subject::casing(id("C")));
    let path = format!("/v1/depots/{elmford}");
    let name = fleet.get("vera", &path).expect(200)["body"]["name"].clone();
    let other =
        json!({"id": id("other depot"), "body": {"name": "Other", "zone": "America/Denver"}});
    fleet.post("cora", "/v1/depots", &other).expect(201);
    let before = pass(&fleet, TimeDelta::hours(1));
    let moved = fleet.entry("moved", casing, json!({"to_depot": id("other depot")}));
    fleet.post("ada", "/v1/entries", &moved).expect(201);
    let rename = fleet.request("cora", "PATCH", &path).header("If-Match", "*");
    crate::proofhold::send(rename.json(&json!({"name": "Elmford North"}))).expect(200);
    let after = pass(&fleet, TimeDelta::hours(1));
    let there = |depot: &str, moment: &str| {
        let path = format!("/v1/casings?depot={}&as_of={moment}", id(depot));
        let whole = fleet.all("vera", &path, 200);
        assert_eq!(fleet.all("vera", &path, 1), whole, "page by page");
        brands(&whole).into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(there("elmford", &before), ["LK-1", "LK-2", "LK-3"]);
    assert_eq!(there("elmford", &after), ["LK-1", "LK-2"]);
    assert_eq!(there("other depot", &before), [""; 0]);
    assert_eq!(there("other depot", &after), ["LK-3"]);
    let named = |moment: &str| {
        let then = fleet.get("vera", &format!("{path}?as_of={moment}")).expect(200);
        assert_eq!(then["as_of"], moment);
        then["body"]["name"].clone()
    };
    assert_eq!((named(&before), named(&after)), (name, json!("Elmford North")));
    let early = format!("/v1/depots/{}?as_of=2001-01-01T00:00:00Z", id("other depot"));
    fleet.get("vera", &early).problem(404, "NOT_FOUND");
}

/// RFC 3339 section 5.6 for what a moment is; that nobody is told of the future is the project's
/// own rule.
#[test]
fn a_moment_that_cannot_be_asked_for_is_named() {
    let fleet = fleet();
    let ahead = text(fleet.proofhold.now() + TimeDelta::seconds(1));
    let paths = [
        format!("/v1/casings/{}", id("A")),
        format!("/v1/vehicles/{}", id("T1")),
        format!("/v1/depots/{}", id("elmford")),
        "/v1/units/T1".to_owned(),
        "/v1/casings".to_owned(),
    ];
    for path in &paths {
        for name in ["as_of", "known_at"] {
            let wrong = |moment: &str, status: u16, code: &str| {
                let problem =
                    fleet.get("vera", &format!("{path}?{name}={moment}")).problem(status, code);
                assert_eq!(problem["fields"][0]["pointer"], format!("?{name}"), "{problem}");
            };
            wrong(&ahead, 422, "IMPOSSIBLE");
            for moment in ["yesterday", "2026-03-10", "2026-03-10T08:00:00", ""] {
                wrong(moment, 400, "NOT_WELL_FORMED");
            }
        }
    }
    let unknown = Subject::of(SubjectKind::Casing, id("nobody's"));
    let path = format!("/v1/casings/{}?as_of={}", unknown.id, text(fleet.proofhold.now()));
    fleet.get("vera", &path).problem(404, "NOT_FOUND");
}
