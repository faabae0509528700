//! Requests that arrive at the same time. No outside source: the ledger's own promise
//! that they are decided one after the other.

use crate::fleet::Fleet;
use crate::proofhold::{Answer, send};
use crate::script::id;
use reqwest::blocking::RequestBuilder;
use rules::Subject;
use serde_json::{Value, json};
use std::sync::Barrier;
use std::thread;
use uuid::Uuid;

/// Two released tires, A and B, two in stock, C and D.
fn fleet() -> Fleet {
    Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "released", "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "state": "released", "wheel": "W2"},
        "C": {"model": "merrow-295g", "brand": "LK-3", "state": "inspected"},
        "D": {"model": "merrow-295g", "brand": "LK-4", "state": "inspected"}}}))
}

/// Sends all of them at once.
fn at_once(requests: Vec<RequestBuilder>) -> Vec<Answer> {
    let start = Barrier::new(requests.len());
    let one = |request| {
        start.wait();
        send(request)
    };
    thread::scope(|scope| {
        let sent: Vec<_> =
            requests.into_iter().map(|request| scope.spawn(move || one(request))).collect();
        sent.into_iter().map(|sent| sent.join().unwrap()).collect()
    })
}

/// How many answers have each of these statuses; there are no others.
fn count(answers: &[Answer], statuses: [u16; 2]) -> [usize; 2] {
    for answer in answers {
        assert!(statuses.contains(&answer.status.as_u16()), "{}", answer.text);
    }
    statuses.map(|status| answers.iter().filter(|answer| answer.status == status).count())
}

#[test]
fn one_place_takes_one_tire() {
    let fleet = fleet();
    let install = |name: &str, brand: &str| {
        let facts = json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": "2LO",
            "torque_ft_lb": 475, "damage": []});
        fleet.entry("installed", Subject::casing(id(name)), facts)
    };
    let mount = |name: &str, brand: &str| {
        let facts = json!({"read": {"brand": brand}, "wheel": id("W3"), "place": "cage", "cage": id("K1"),
            "wheel_condition": [], "outside_psi": 3, "seat_psi": 30, "to_psi": 100,
            "rib_spread_32nds": 1, "signs": []});
        fleet.entry("mounted", Subject::casing(id(name)), facts)
    };
    let post = |entry: Value| fleet.request("ada", "POST", "/v1/entries").json(&entry);
    for [one, other] in
        [[install("A", "LK-1"), install("B", "LK-2")], [mount("C", "LK-3"), mount("D", "LK-4")]]
    {
        let answers = at_once(vec![post(one), post(other)]);
        assert_eq!(count(&answers, [201, 409]), [1, 1]);
        let refused = answers.iter().find(|answer| answer.status == 409).unwrap();
        assert_eq!(refused.json()["rules"][0]["id"], "fact.place_taken", "{}", refused.text);
    }
    fleet.stands();
}

#[test]
fn one_entry_sent_many_times_at_once_is_one_entry() {
    let fleet = fleet();
    let read = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 99}));
    let post = || fleet.request("ada", "POST", "/v1/entries").json(&read);
    let answers = at_once((0..8).map(|_| post()).collect());
    assert_eq!(count(&answers, [201, 409]), [8, 0]);
    assert!(answers.iter().all(|answer| answer.text == answers[0].text));
    let depot =
        json!({"id": Uuid::now_v7(), "body": {"name": "Fernhill", "zone": "America/Denver"}});
    let post = || {
        let request = fleet.request("cora", "POST", "/v1/depots");
        request.header("Idempotency-Key", "one").json(&depot)
    };
    let answers = at_once((0..8).map(|_| post()).collect());
    assert_eq!(count(&answers, [201, 409]), [8, 0]);
    assert!(answers.iter().all(|answer| answer.text == answers[0].text));
    fleet.stands();
}

/// RFC 9110 section 13.1.1: of changes to the same version one is made.
#[test]
fn of_two_changes_one_is_made() {
    let fleet = fleet();
    let path = format!("/v1/depots/{}", id("elmford"));
    let etag = fleet.get("cora", &path).headers["etag"].clone();
    let patch = |altitude: i64| {
        let request = fleet.request("cora", "PATCH", &path).header("If-Match", &etag);
        request.json(&json!({"altitude_ft": altitude}))
    };
    let answers = at_once((0..6).map(|n| patch(700 + n)).collect());
    assert_eq!(count(&answers, [200, 412]), [1, 5]);
    let made = answers.iter().find(|answer| answer.status == 200).unwrap();
    assert_eq!(fleet.get("cora", &path).json(), made.json());
}

#[test]
fn one_unit_number_has_one_vehicle() {
    let fleet = fleet();
    let post = || {
        let body = json!({"unit": "LK-77", "kind": "truck", "axles": [
            {"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90}]});
        let vehicle = json!({"id": Uuid::now_v7(), "body": body});
        fleet.request("cora", "POST", "/v1/vehicles").json(&vehicle)
    };
    let answers = at_once((0..4).map(|_| post()).collect());
    assert_eq!(count(&answers, [201, 409]), [1, 3]);
    fleet.get("vera", "/v1/units/LK-77").expect(200);
    fleet.stands();
}
