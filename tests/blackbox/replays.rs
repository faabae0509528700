//! The same thing sent again.

use crate::fleet::Fleet;
use crate::proofhold::{Answer, send};
use crate::script::id;
use chrono::TimeDelta;
use rules::Subject;
use serde_json::{Value, json};
use uuid::Uuid;

/// A fleet with a mounted tire, A, and an installed one, B.
fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "mounted", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "installed", "wheel": "W2",
            "vehicle": "T1", "position": "2LO"}}}))
}

/// Status and body, but for the id of the request.
fn told(answer: &Answer) -> (u16, Value) {
    let mut body = answer.json();
    body.as_object_mut().unwrap().remove("request_id");
    (answer.status.as_u16(), body)
}

/// RFC 9110 section 9.2.2 on idempotent methods, kept for entries by their ids: the
/// same entry sent again has the same answer, however late and whatever happened since.
#[test]
fn the_same_entry_has_the_same_answer_for_ever() {
    let fleet = fleet();
    let (a, b) = (Subject::casing(id("A")), Subject::casing(id("B")));
    let refused = fleet.entry(
        "released",
        a,
        json!({"read": {"brand": "LK-1"}, "path": "cage",
        "operating_psi": 100, "left_cage_psi": 100, "core_in": true}),
    );
    let flagging = fleet.entry("pressure_read", b, json!({"psi": 70.5}));
    let send = |who: &str, body: &Value| fleet.post(who, "/v1/entries", body);
    let first: Vec<_> = [&refused, &flagging].map(|body| told(&send("ada", body))).into();
    assert_eq!((first[0].0, first[1].0), (409, 201));
    assert_eq!(first[1].1["added"][0]["facts"]["reason"], "low");
    let rows = fleet.rows();

    let held = fleet.entry(
        "held",
        a,
        json!({"read": {"brand": "LK-1"}, "kind": "standard",
        "evidence": "logged", "supply_isolated": true, "place": "cage", "cage": id("K1"),
        "gauge": id("G1"), "for_set_psi": 100, "readings": [[0, 120.2], [60, 120.2]], "signs": []}),
    );
    send("ada", &held).expect(201);
    fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::weeks(9));
    for who in ["ada", "ben"] {
        let again: Vec<_> = [&refused, &flagging].map(|body| told(&send(who, body))).into();
        assert_eq!(again, first, "{who}");
    }
    // Written otherwise (RFC 8785: order, blanks and the form of numbers do not matter).
    let text = serde_json::to_string_pretty(&flagging).unwrap().replace("70.5", "70.50");
    let request = fleet.request("ada", "POST", "/v1/entries");
    let answer =
        crate::proofhold::send(request.header("content-type", "application/json").body(text));
    assert_eq!(told(&answer), first[1]);
    // And asked as a dry run it is what it was.
    fleet.post("ada", "/v1/entries?dry_run=true", &refused).expect(200);
    let grown: i64 = fleet
        .rows()
        .iter()
        .zip(&rows)
        .filter(|((table, _), _)| table == "entry")
        .map(|((_, now), (_, then))| now - then)
        .sum();
    assert_eq!(grown, 1, "only the hold was added");
}

/// IETF draft httpapi-idempotency-key-header, section 2.7, as for its keys: an id that
/// was used for something else is 422, and says what differs.
#[test]
fn an_id_is_good_for_one_content() {
    let fleet = fleet();
    let b = Subject::casing(id("B"));
    let first = fleet.entry("pressure_read", b, json!({"psi": 99}));
    fleet.post("ada", "/v1/entries", &first).expect(201);
    let before = fleet.rows();
    let mut changed = Vec::new();
    for (pointer, value) in [
        ("/facts", json!({"psi": 98})),
        ("/occurred_at", json!("2026-03-10T07:59:00-05:00")),
        ("/subject", json!(Subject::casing(id("A")))),
        ("/attested", json!([])),
        ("/by", json!(id("ben"))),
    ] {
        let mut other = first.clone();
        other[&pointer[1..]] = value;
        let problem = fleet.post("ada", "/v1/entries", &other).problem(422, "ID_REUSED");
        let named = problem["fields"][0]["pointer"].as_str().unwrap();
        assert!(named.starts_with(pointer), "{pointer}: {problem}");
        changed.push(named.to_owned());
    }
    assert_eq!(changed.len(), 5);
    assert_eq!(fleet.rows(), before, "nothing is stored");
}

/// IETF draft httpapi-idempotency-key-header: the same key and body have the same
/// answer, quoted (RFC 8941) or bare; another body with the key is 422.
#[test]
fn a_key_is_good_for_one_request() {
    let fleet = fleet();
    let depot =
        json!({"id": Uuid::now_v7(), "body": {"name": "Fernhill", "zone": "America/Denver"}});
    let post = |who: &str, key: &str, path: &str, body: &Value| {
        send(fleet.request(who, "POST", path).header("Idempotency-Key", key).json(body))
    };
    let first = post("cora", "\"a-key\"", "/v1/depots", &depot);
    first.expect(201);
    let rows = fleet.rows();
    for key in ["\"a-key\"", "a-key"] {
        let again = post("cora", key, "/v1/depots", &depot);
        assert_eq!(told(&again), told(&first));
        for header in ["etag", "location"] {
            assert_eq!(again.headers[header], first.headers[header]);
        }
    }
    let mut other = depot.clone();
    other["body"]["name"] = json!("Fern Hill");
    post("cora", "a-key", "/v1/depots", &other).problem(422, "ID_REUSED");
    let person = json!({"id": depot["id"], "body": {}});
    post("cora", "a-key", "/v1/people", &person).problem(422, "ID_REUSED");
    assert_eq!(fleet.rows(), rows);
    // Another person's key is another key.
    let elsewhere =
        json!({"id": Uuid::now_v7(), "body": {"name": "Oakend", "zone": "America/Chicago"}});
    post("dora", "a-key", "/v1/depots", &elsewhere).expect(201);
}

/// RFC 9110 section 13.1.1 and RFC 6585 section 3: a change needs the version that it
/// changes; RFC 7396: what it does not name stays.
#[test]
fn nobodys_change_is_lost() {
    let fleet = fleet();
    let path = format!("/v1/depots/{}", id("elmford"));
    let read = fleet.get("cora", &path);
    let (etag, thing) = (read.headers["etag"].clone(), read.expect(200));
    let patch = |body: Value| fleet.request("cora", "PATCH", &path).json(&body);
    let body = json!({"altitude_ft": 740});
    send(patch(body.clone())).problem(428, "PRECONDITION_REQUIRED");
    send(patch(body.clone()).header("If-Match", "\"999\"")).problem(412, "PRECONDITION_FAILED");
    let changed = send(patch(body.clone()).header("If-Match", &etag));
    let expected = json!({"name": "elmford", "zone": "America/Chicago", "altitude_ft": 740});
    assert_eq!(changed.expect(200)["body"], expected, "{thing}");
    assert_ne!(changed.headers["etag"], etag);
    let late = json!({"altitude_ft": 800});
    send(patch(late).header("If-Match", &etag)).problem(412, "PRECONDITION_FAILED");
    let now = fleet.get("cora", &path);
    assert_eq!((&now.headers["etag"], &now.json()["body"]), (&changed.headers["etag"], &expected));
}

/// IETF draft httpapi-idempotency-key-header: a change whose answer was lost is sent
/// again with the version that it was made for, and has the same answer.
#[test]
fn a_change_sent_again_has_the_same_answer() {
    let fleet = fleet();
    let policy = fleet.get("dora", "/v1/policy").headers["etag"].clone();
    let patch = |psi: i64| {
        let request = fleet.request("dora", "PATCH", "/v1/policy").header("If-Match", &policy);
        send(request.header("Idempotency-Key", "tighter").json(&json!({"overpressure_psi": psi})))
    };
    let first = patch(25);
    let body = &first.expect(200)["body"];
    assert_eq!((&body["overpressure_psi"], &body["extended_hold_s"]), (&json!(25), &json!(1200)));
    let rows = fleet.rows();
    let again = patch(25);
    assert_eq!(told(&again), told(&first));
    assert_eq!(again.headers["etag"], first.headers["etag"]);
    patch(26).problem(422, "ID_REUSED");
    assert_eq!(fleet.rows(), rows);
}
