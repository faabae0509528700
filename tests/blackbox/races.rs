//! Requests that arrive at the same time. No outside source: the ledger's own promise
//! that they are decided one after the other.

use crate::fleet::Fleet;
use crate::postgres::{WAITING, until, wait};
use crate::proofhold::{Answer, send};
use crate::script::id;
use chrono::TimeDelta;
use reqwest::blocking::RequestBuilder;
use rules::entry::{Outcome, Sender};
use rules::{Command, Subject};
use serde_json::{Value, json};
use std::sync::Barrier;
use std::thread;
use store::record::{self as kept, Request, Sent, record};
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
pub fn at_once(requests: Vec<RequestBuilder>) -> Vec<Answer> {
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
pub fn count(answers: &[Answer], statuses: [u16; 2]) -> [usize; 2] {
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

/// An installation of a tire on a vehicle, at its left outer drive position.
fn installed(fleet: &Fleet, casing: &str, brand: &str, vehicle: &str) -> Value {
    let facts = json!({"read": {"brand": brand}, "vehicle": id(vehicle), "position": "2LO",
        "torque_ft_lb": 475, "grooves_32nds": [[14, 14]], "damage": []});
    fleet.entry("installed", Subject::casing(id(casing)), facts)
}

/// Two trucks' services, which know nothing of each other, send at the same instant: by turns
/// two tires for one position, and one tire for two vehicles. In a quarter of the rounds the row
/// that both need is held until both wait for it (PostgreSQL manual 13.3.2), so that they
/// surely meet there.
#[test]
fn of_two_installations_at_one_instant_one_is_recorded_a_hundred_times() {
    let here = fleet();
    let there = here.beside();
    let services = [&here, &there];
    for round in 0..100 {
        here.proofhold.set_clock(here.proofhold.now() + TimeDelta::seconds(1));
        let (pair, contested, rule) = if round % 2 == 0 {
            ([("A", "LK-1", "T1"), ("B", "LK-2", "T1")], id("T1"), "fact.place_taken")
        } else {
            ([("A", "LK-1", "T1"), ("A", "LK-1", "T2")], id("A"), "fact.order")
        };
        let entries = pair.map(|(casing, brand, on)| installed(&here, casing, brand, on));
        // Now the one, now the other goes through this service.
        let through = |i: usize| services[(i + round / 2) % 2];
        let request = |i: usize| through(i).request("ada", "POST", "/v1/entries").json(&entries[i]);
        let requests = vec![request(0), request(1)];
        let answers = if round % 8 < 2 {
            let hold = format!("SELECT FROM subject WHERE id = '{contested}' FOR UPDATE");
            here.proofhold.database.while_held(&hold, 2, || at_once(requests))
        } else {
            at_once(requests)
        };
        assert_eq!(count(&answers, [201, 409]), [1, 1], "round {round}");
        let won = usize::from(answers[1].status == 201);
        let lost = 1 - won;
        let problem = answers[lost].problem(409, "REFUSED");
        let ids: Vec<&Value> =
            problem["rules"].as_array().unwrap().iter().map(|rule| &rule["id"]).collect();
        assert_eq!(ids, [rule], "round {round}");
        // Both are on record, and the other service shows them.
        let kept = |i: usize| {
            let path = format!("/v1/entries/{}", entries[i]["id"].as_str().unwrap());
            through(i + 1).get("vera", &path).expect(200)
        };
        assert_eq!(kept(won), answers[won].json());
        let refused = kept(lost);
        assert_eq!(
            (&refused["outcome"], &refused["id"]),
            (&json!("refused"), &problem["entry_id"])
        );
        assert_eq!(refused["rules"], problem["rules"], "the refusal is kept whole");

        let off = json!({"found_psi": 100, "core_out_flat": false});
        let removed = here.entry("removed", Subject::casing(id(pair[won].0)), off);
        through(won).post("ada", "/v1/entries", &removed).expect(201);
    }
    let superuser = here.proofhold.database.superuser();
    let query = "SELECT count(*) FROM entry WHERE kind = 'installed' GROUP BY refused";
    let installed: Vec<i64> =
        wait(superuser.query(query, &[])).unwrap().iter().map(|row| row.get(0)).collect();
    assert_eq!(installed, [100, 100]);
    here.stands();
}

/// A bias tire and a radial one for two places of one axle (49 CFR 396 Appendix A 10(a)): which
/// one comes second is told so, though no row of the other is among those that it locks.
#[test]
fn of_two_kinds_for_one_axle_the_second_is_told() {
    let here = Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "state": "released", "wheel": "W1"},
        "B": {"model": "briar-11b", "brand": "LK-2", "state": "released", "wheel": "W2",
            "facts": {"held": {"for_set_psi": 100}}}}}));
    let there = here.beside();
    let install = |name: &str, brand: &str, position: &str, at: &Fleet| {
        let facts = json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": position,
            "torque_ft_lb": 475, "grooves_32nds": [[14, 14]], "damage": []});
        let entry = here.entry("installed", Subject::casing(id(name)), facts);
        at.request("ada", "POST", "/v1/entries").json(&entry)
    };
    let requests = vec![install("A", "LK-1", "2LO", &here), install("B", "LK-2", "2RO", &there)];
    let hold = format!("SELECT FROM subject WHERE id = '{}' FOR UPDATE", id("T1"));
    let answers = here.proofhold.database.while_held(&hold, 2, || at_once(requests));
    assert_eq!(count(&answers, [201, 409]), [1, 1]);
    let refused = answers.iter().find(|answer| answer.status == 409).unwrap();
    assert_eq!(refused.json()["rules"][0]["id"], "install.axle_mix", "{}", refused.text);
    here.stands();
}

/// A takeover that waits while another service's entry of the same truck is recorded was ended
/// by it: common to both is the truck's row alone, which has no entry more than before.
#[test]
fn a_takeover_that_another_entry_ends_meanwhile_is_refused() {
    let here = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1"},
        "B": {"model": "merrow-295g", "brand": "LK-2"},
        "C": {"model": "merrow-295g", "brand": "LK-3"}}}));
    let there = here.beside();
    let take = |name: &str, brand: &str, position: &str, wheel: &str| {
        let facts = json!({"origin": "opening", "model": id("merrow-295g"), "marks": {"brand": brand},
            "vehicle": id("T1"), "position": position, "wheel": id(wheel), "walk_round": "clear",
            "cold_psi": 100});
        let entry = here.entry("acquired", Subject::casing(id(name)), facts);
        here.request("ada", "POST", "/v1/entries").json(&entry)
    };
    send(take("A", "LK-1", "2LO", "W1")).expect(201);
    send(take("B", "LK-2", "3LO", "W2")).expect(201);
    let superuser = here.proofhold.database.superuser();
    // The casing on the axle of the one that is taken over: its row is locked before the truck's.
    let hold = format!("BEGIN; SELECT FROM subject WHERE id = '{}' FOR UPDATE", id("B"));
    wait(superuser.batch_execute(&hold)).unwrap();
    let third = take("C", "LK-3", "3RO", "W3");
    let answer = thread::scope(|scope| {
        let waiting = scope.spawn(|| send(third));
        let watcher = here.proofhold.database.superuser();
        wait(until(&watcher, WAITING, 1));
        let read = json!({"grooves_32nds": [[15, 15]]});
        let read = here.entry("tread_read", Subject::casing(id("A")), read);
        there.post("ada", "/v1/entries", &read).expect(201);
        wait(superuser.batch_execute("ROLLBACK")).unwrap();
        waiting.join().unwrap()
    });
    assert_eq!(answer.problem(409, "REFUSED")["rules"][0]["id"], "fact.order");
    here.stands();
}

/// Two requests, each with a whole stay of a tire on a wheel in the past: it had one of them.
#[test]
fn of_two_late_stays_on_one_wheel_one_is_recorded() {
    let here = fleet();
    let there = here.beside();
    let stay = |name: &str, brand: &str| {
        let mount = json!({"read": {"brand": brand}, "wheel": id("W3"), "place": "cage", "cage": id("K1"),
            "wheel_condition": [], "outside_psi": 3, "seat_psi": 30, "to_psi": 100,
            "rib_spread_32nds": 1, "signs": []});
        let off_again = json!({});
        let told = [("mounted", mount, 40), ("demounted", off_again, 20)];
        let commands = told.map(|(kind, facts, minutes)| {
            let mut entry = here.entry(kind, Subject::casing(id(name)), facts);
            let at = here.proofhold.now() - TimeDelta::minutes(minutes);
            entry["occurred_at"] = json!(at.to_rfc3339());
            let command = Command::read(entry.to_string().as_bytes()).unwrap();
            Sent { command, content: [0; 32] }
        });
        let sender = Sender { person: id("ada"), sent_at: None };
        [Request { sender, commands: commands.to_vec() }]
    };
    let (org, now) = (id("larkspur"), here.proofhold.now());
    let send = |fleet: &Fleet, stay: [Request; 1]| {
        let work = async |conn: &mut _| record(conn, org, now, &stay).await;
        wait(fleet.proofhold.store.in_org(org, work)).unwrap().remove(0)
    };
    let (one, other) = (stay("C", "LK-3"), stay("D", "LK-4"));
    let hold = format!("SELECT FROM subject WHERE id = '{}' FOR UPDATE", id("W3"));
    let answers = here.proofhold.database.while_held(&hold, 2, || {
        thread::scope(|scope| {
            let first = scope.spawn(|| send(&here, one));
            let second = scope.spawn(|| send(&there, other));
            [first.join().unwrap(), second.join().unwrap()]
        })
    });
    let of = |answers: &[kept::Answer], i: usize| match &answers[i] {
        kept::Answer::Decided(entries) => entries[0].outcome.clone(),
        other => panic!("{other:?}"),
    };
    let (won, lost): (Vec<_>, Vec<_>) =
        answers.iter().partition(|answers| matches!(of(answers, 0), Outcome::Recorded { .. }));
    assert_eq!((won.len(), lost.len()), (1, 1), "{answers:?}");
    assert!(matches!(of(won[0], 1), Outcome::Recorded { .. }), "{won:?}");
    match of(lost[0], 0) {
        Outcome::Refused { reasons } => assert_eq!(reasons[0].rule, "fact.place_taken"),
        other => panic!("{other:?}"),
    }
    here.stands();
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
