//! What cannot be so, and what is not even readable: a problem that names it, and
//! nothing half written. Sources: RFC 9457 (problems), RFC 8259 (JSON), RFC 8785
//! (doubled keys), RFC 9110 (content types); the bounds are the project's own.

use crate::fleet::Fleet;
use crate::proofhold::send;
use crate::script::id;
use chrono::TimeDelta;
use rules::{Subject, SubjectKind};
use serde_json::{Value, json};
use uuid::Uuid;

/// A fleet with a mounted tire, A, an installed one, B, and one in stock, C.
fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"}}}))
}

fn held() -> Value {
    json!({"read": {"brand": "LK-1"}, "kind": "standard", "evidence": "logged", "supply_isolated": true,
        "place": "cage", "cage": id("K1"), "gauge": id("G1"), "for_set_psi": 100,
        "readings": [[0, 120.2, 70], [60, 120.2, 70]], "signs": []})
}

fn mounted(wheel: &str) -> Value {
    json!({"read": {"brand": "LK-3"}, "wheel": id(wheel), "place": "cage", "cage": id("K1"),
        "wheel_condition": [], "outside_psi": 3, "seat_psi": 30, "to_psi": 100, "rib_spread_32nds": 1,
        "signs": []})
}

/// `value` with one place in it changed.
fn with(mut value: Value, pointer: &str, to: Value) -> Value {
    let (parent, field) = pointer.rsplit_once('/').unwrap();
    match value.pointer_mut(parent).unwrap() {
        Value::Array(list) => list[field.parse::<usize>().unwrap()] = to,
        object => object[field] = to,
    }
    value
}

#[test]
fn a_wrong_entry_is_named_and_not_stored() {
    let fleet = fleet();
    let (a, b) = (Subject::casing(id("A")), Subject::casing(id("B")));
    let hold = fleet.entry("held", a, held());
    let read = fleet.entry("pressure_read", b, json!({"psi": 100}));
    let tread = fleet.entry("tread_read", b, json!({"grooves_32nds": [[12, 12]]}));
    let marks = fleet.entry("identified", b, json!({"marks": {"brand": "LK-2"}}));
    let before = fleet.rows();
    let nested = (0..20).fold(json!(1), |inner, _| json!({"more": inner}));
    let bad = [
        (400, "/colour", with(read.clone(), "/colour", json!("red"))),
        (400, "/facts/colour", with(read.clone(), "/facts/colour", json!("red"))),
        (400, "/facts/more", with(read.clone(), "/facts/more", nested)),
        (400, "/facts/psi", with(read.clone(), "/facts/psi", json!("100"))),
        (400, "/facts/psi", with(read.clone(), "/facts/psi", json!(99.999))),
        (400, "/kind", with(read.clone(), "/kind", json!("exploded"))),
        (400, "/subject/kind", with(read.clone(), "/subject/kind", json!("moon"))),
        (400, "/id", with(read.clone(), "/id", json!("17"))),
        (400, "/occurred_at", with(read.clone(), "/occurred_at", json!("2026-03-10T08:00:00"))),
        (422, "/facts/psi", with(read.clone(), "/facts/psi", json!(200.01))),
        (422, "/facts/psi", with(read.clone(), "/facts/psi", json!(-1))),
        (422, "/facts/grooves_32nds", with(tread, "/facts/grooves_32nds/0/1", json!(41))),
        (422, "/facts/readings", with(hold.clone(), "/facts/readings/1/0", json!(-1))),
        (422, "/facts/readings", with(hold.clone(), "/facts/readings/1/0", json!(0))),
        (422, "/facts/readings", with(hold.clone(), "/facts/readings/0/1", json!(201))),
        (422, "/facts/gauge", with(hold.clone(), "/facts/gauge", json!(Uuid::now_v7()))),
        (422, "/facts/cage", with(hold.clone(), "/facts/cage", json!(Uuid::now_v7()))),
        (422, "/by", with(read.clone(), "/by", json!(Uuid::now_v7()))),
        (422, "/retries", with(read.clone(), "/retries", json!(Uuid::now_v7()))),
        (422, "/attested", with(read.clone(), "/attested", json!(["no.rule"]))),
        (422, "/occurred_at", with(read.clone(), "/occurred_at", json!("1970-01-01T00:00:00Z"))),
        // RFC 3339 knows leap seconds; the database does not.
        (
            422,
            "/occurred_at",
            with(read.clone(), "/occurred_at", json!("2026-03-10T07:59:60-05:00")),
        ),
        (422, "/id", with(read.clone(), "/id", json!(Uuid::nil()))),
        // The ledger's own for what it adds: they can be foreseen (RFC 9562 section 5.5).
        (422, "/id", with(read.clone(), "/id", json!(Uuid::new_v5(&id("A"), b"flagged")))),
        (422, "/facts/marks/brand", with(marks.clone(), "/facts/marks/brand", json!("LK-1 "))),
        (422, "/facts/marks/brand", with(marks.clone(), "/facts/marks/brand", json!("LK\n9"))),
        (
            422,
            "/facts/marks/brand",
            with(marks.clone(), "/facts/marks/brand", json!("LK\u{202e}9")),
        ),
        (422, "/facts/marks/brand", with(marks, "/facts/marks/brand", json!("9".repeat(201)))),
        (422, "/personal/note", with(read.clone(), "/personal", json!({"note": "a\u{0}b"}))),
        // RFC 8785 leaves text as it is, so only the composed form is taken.
        (422, "/personal/note", with(read.clone(), "/personal", json!({"note": "e\u{301}"}))),
        (404, "", with(read.clone(), "/subject/id", json!(Uuid::now_v7()))),
    ];
    for (status, pointer, body) in bad {
        for path in ["/v1/entries", "/v1/entries?dry_run=true"] {
            let answer = fleet.post("ada", path, &body);
            let code = match status {
                400 => "NOT_WELL_FORMED",
                404 => "NOT_FOUND",
                _ => "IMPOSSIBLE",
            };
            let problem = answer.problem(status, code);
            let fields = problem["fields"].as_array().map(Vec::as_slice).unwrap_or_default();
            let named = fields.iter().any(|f| f["pointer"].as_str().unwrap().starts_with(pointer));
            assert!(named || pointer.is_empty(), "{pointer}: {problem}");
        }
    }
    assert_eq!(fleet.rows(), before, "nothing is stored");
    // What they were made from is good.
    fleet.post("ada", "/v1/entries", &hold).expect(201);
    fleet.post("ada", "/v1/entries", &read).expect(201);
}

#[test]
fn a_body_that_is_not_an_entry_is_refused() {
    let fleet = fleet();
    let read =
        fleet.entry("pressure_read", Subject::casing(id("B")), json!({"psi": 100})).to_string();
    let before = fleet.rows();
    let cut = read[..read.len() - 1].to_owned();
    let bad: Vec<(&str, Vec<u8>)> = vec![
        ("cut short", cut.clone().into_bytes()),
        ("two of them", format!("{read}{read}").into_bytes()),
        ("empty", Vec::new()),
        ("not an object", b"[]".to_vec()),
        ("a number that is none", read.replace("100", "NaN").into_bytes()),
        ("doubled key", format!("{cut},\"kind\":\"pressure_read\"}}").into_bytes()),
        ("doubled key in facts", read.replace("100", "100,\"psi\":90").into_bytes()),
        ("not UTF-8", [cut.as_bytes(), b",\"personal\":{\"note\":\"\xff\xfe\"}}"].concat()),
        (
            "half a surrogate pair",
            format!("{cut},\"personal\":{{\"note\":\"\\ud800\"}}}}").into_bytes(),
        ),
        ("deep nesting", ["[".repeat(20_000), "]".repeat(20_000)].concat().into_bytes()),
    ];
    let post = |content_type: Option<&str>, body: Vec<u8>| {
        let request = fleet.request("ada", "POST", "/v1/entries").body(body);
        send(content_type.into_iter().fold(request, |r, kind| r.header("content-type", kind)))
    };
    for (what, body) in bad {
        let answer = post(Some("application/json"), body);
        assert_eq!(answer.status, 400, "{what}: {}", answer.text);
        answer.problem(400, "NOT_WELL_FORMED");
    }
    for content_type in [None, Some("text/plain"), Some("application/x-www-form-urlencoded")] {
        let answer = post(content_type, read.clone().into_bytes());
        answer.problem(415, "UNSUPPORTED_MEDIA_TYPE");
    }
    for time in ["yesterday", "2026-03-10T07:59:60-05:00"] {
        let request = fleet.request("ada", "POST", "/v1/entries").header("Device-Time", time);
        let request = request.header("content-type", "application/json").body(read.clone());
        let problem = send(request).problem(400, "NOT_WELL_FORMED");
        assert_eq!(problem["fields"][0]["pointer"], "Device-Time", "{problem}");
    }
    // What was sent comes back cut short.
    let long = read.replace("pressure_read", &"x".repeat(100_000));
    let answer = post(Some("application/json"), long.into_bytes());
    answer.problem(400, "NOT_WELL_FORMED");
    assert!(answer.text.len() < 4_000, "{}", answer.text.len());
    let large = read.replace("pressure_read", &"x".repeat(api::limits::BODY_LIMIT));
    post(Some("application/json"), large.into_bytes()).problem(413, "PAYLOAD_TOO_LARGE");
    assert_eq!(fleet.rows(), before, "nothing is stored");
}

/// What the rules stop is kept as refused, whole, and changes nothing else: a casing on
/// two wheels, two casings at one position, and what has not happened yet.
#[test]
fn what_cannot_be_so_is_kept_as_refused() {
    let fleet = fleet();
    let (a, b, c) = (Subject::casing(id("A")), Subject::casing(id("B")), Subject::casing(id("C")));
    let on_two_wheels =
        fleet.entry("mounted", a, with(mounted("W3"), "/read/brand", json!("LK-1")));
    let wheel_taken = fleet.entry("mounted", c, mounted("W1"));
    fleet.post("ada", "/v1/entries", &fleet.entry("held", a, held())).expect(201);
    let release = json!({"read": {"brand": "LK-1"}, "path": "cage", "operating_psi": 100,
        "left_cage_psi": 100, "core_in": true});
    fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::minutes(30));
    fleet.post("ada", "/v1/entries", &fleet.entry("released", a, release)).expect(201);
    let install = |at: &str| {
        json!({"read": {"brand": "LK-1"}, "vehicle": id("T1"), "position": at,
        "torque_ft_lb": 475, "damage": []})
    };
    let place_taken = fleet.entry("installed", a, install("2LO"));
    let no_such_place = fleet.entry("installed", a, install("9LO"));
    let ahead = (fleet.proofhold.now() + TimeDelta::minutes(6)).to_rfc3339();
    let future =
        with(fleet.entry("pressure_read", b, json!({"psi": 100})), "/occurred_at", json!(ahead));
    let states = || {
        [a, b, c].map(|casing| {
            let mut shown = fleet.get("vera", &format!("/v1/casings/{}", casing.id)).expect(200);
            let counted = shown.as_object_mut().unwrap();
            counted.remove("n");
            counted.remove("open_refusals");
            shown
        })
    };
    let before = states();
    for (rule, body) in [
        ("fact.order", on_two_wheels),
        ("fact.place_taken", wheel_taken),
        ("fact.place_taken", place_taken),
        ("fact.time", future),
    ] {
        let entries = || fleet.rows().into_iter().find(|(table, _)| table == "entry").unwrap().1;
        let count = entries();
        fleet.post("ada", "/v1/entries?dry_run=true", &body).expect(200);
        assert_eq!(entries(), count, "{rule}: a dry run stores nothing");
        let problem = fleet.post("ada", "/v1/entries", &body).problem(409, "REFUSED");
        let rules = problem["rules"].as_array().unwrap();
        assert!(rules.iter().any(|one| one["id"] == rule), "{rule}: {problem}");
        assert_eq!(entries(), count + 1, "{rule}: the refusal is kept, and nothing else");
    }
    assert_eq!(states(), before);
    let problem = fleet.post("ada", "/v1/entries", &no_such_place).problem(422, "IMPOSSIBLE");
    assert_eq!(problem["fields"][0]["pointer"], "/facts/position");
}

#[test]
fn wrong_things_and_queries_are_named() {
    let fleet = fleet();
    let wheel = json!({"id": Uuid::now_v7(),
        "body": {"kind": "single_piece", "rim_in": 22.5, "width_in": 8.25, "rated_psi": 140}});
    let before = fleet.rows();
    for (status, pointer, body) in [
        (400, "/colour", with(wheel.clone(), "/colour", json!("red"))),
        (400, "/body/colour", with(wheel.clone(), "/body/colour", json!("red"))),
        (400, "/body/kind", with(wheel.clone(), "/body/kind", json!("wooden"))),
        (422, "/body/rated_psi", with(wheel.clone(), "/body/rated_psi", json!(-1))),
        (422, "/id", with(wheel.clone(), "/id", json!(Uuid::nil()))),
    ] {
        let code = if status == 400 { "NOT_WELL_FORMED" } else { "IMPOSSIBLE" };
        let problem = fleet.post("cora", "/v1/wheels", &body).problem(status, code);
        assert_eq!(problem["fields"][0]["pointer"], pointer, "{problem}");
    }
    assert_eq!(fleet.rows(), before, "nothing is stored");
    fleet.post("cora", "/v1/wheels", &wheel).expect(201);
    for query in [
        "limit=0",
        "limit=201",
        "limit=many",
        "after=tampered",
        "standing=bad",
        "whereabouts=moon",
        "depot=elmford",
        "colour=red",
        "model=%00",
        "brand=%00",
        "tag=%00",
    ] {
        let problem =
            fleet.get("vera", &format!("/v1/casings?{query}")).problem(400, "NOT_WELL_FORMED");
        let name = query.split('=').next().unwrap();
        assert_eq!(problem["fields"][0]["pointer"], format!("?{name}"), "{problem}");
    }
    let patch = |body: &'static str| {
        let request = fleet.request("cora", "PATCH", &format!("/v1/depots/{}", id("elmford")));
        let request = request.header("If-Match", "*").header("content-type", "application/json");
        send(request.body(body))
    };
    for (pointer, body) in [
        ("", r#"{"name": "Fernhill", "name": "Elmford"}"#),
        ("", "[1]"),
        ("/colour", r#"{"colour": "red"}"#),
        ("/name", r#"{"name": 5}"#),
    ] {
        let problem = patch(body).problem(400, "NOT_WELL_FORMED");
        let named = problem["fields"][0]["pointer"].as_str().unwrap();
        assert!(named.starts_with(pointer), "{body}: {problem}");
    }
    for path in [
        "/v1/units/%00",
        "/v1/units/%FF",
        "/v1/casings/17",
        "/v1/entries/nothing",
        "/v1/nothing",
        "/v1/units/none",
    ] {
        fleet.get("vera", path).problem(404, "NOT_FOUND");
    }
    let cage = Subject::of(SubjectKind::Cage, Uuid::now_v7());
    fleet.get("vera", &format!("/v1/cages/{}", cage.id)).problem(404, "NOT_FOUND");
}
