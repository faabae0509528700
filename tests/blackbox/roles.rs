//! Giving a role and taking it away. What each role may is in `who_may`.

use crate::fleet::Fleet;
use crate::proofhold::{PASSWORD, send};
use crate::script::id;
use rules::{Subject, SubjectKind};
use serde_json::json;
use std::thread;
use std::time::{Duration, Instant};
use uuid::Uuid;

/// OWASP ASVS 4.0.3, 3.3.3 and 4.1: an account is given by an admin, works at once,
/// and a role that is taken away or an account that is disabled is gone at once.
#[test]
fn an_admin_gives_and_takes_accounts() {
    let fleet = Fleet::given(json!({}));
    let person = Uuid::now_v7();
    let path = format!("/v1/people/{person}/account");
    let put = |who: &str, role: &str, disabled: bool| {
        let body = json!({"login": "Nell.Frost", "password": PASSWORD, "role": role, "disabled": disabled});
        send(fleet.request(who, "PUT", &path).json(&body))
    };
    put("gus", "crew", false).problem(404, "NOT_FOUND");
    let subject = Subject::of(SubjectKind::Person, person);
    let registered = fleet.entry("registered", subject, json!({}));
    fleet.post("cora", "/v1/entries", &registered).expect(201);
    put("dora", "crew", false).problem(403, "FORBIDDEN");
    put("gus", "crew", false).expect(201);
    assert_eq!(fleet.get("gus", &path).expect(200)["login"], "nell.frost");
    fleet.get("nell.frost", "/v1/casings").expect(200);
    let taken = json!({"login": "nell.frost", "password": PASSWORD, "role": "crew"});
    let other = format!("/v1/people/{}/account", id("ben"));
    send(fleet.request("gus", "PUT", &other).json(&taken)).problem(409, "LOGIN_TAKEN");

    let unchanged = json!({"login": "nell.frost", "role": "auditor"});
    send(fleet.request("gus", "PUT", &path).json(&unchanged)).expect(200);
    let gauge = fleet.entry(
        "cage_checked",
        Subject::of(SubjectKind::Cage, id("K1")),
        json!({"defects": [], "label": "readable"}),
    );
    fleet.post("nell.frost", "/v1/entries", &gauge).problem(403, "FORBIDDEN");
    put("gus", "crew", true).expect(200);
    fleet.get("nell.frost", "/v1/casings").problem(401, "INVALID_TOKEN");
    let last = json!({"login": "gus", "role": "crew"});
    let own = format!("/v1/people/{}/account", id("gus"));
    send(fleet.request("gus", "PUT", &own).json(&last)).problem(409, "LAST_ADMIN");
}

/// OWASP ASVS 4.0.3, 4.1.3 and 4.1.5: rights that are taken away are gone at the next write, also
/// at another process that knew them; who only reads there is known for a moment longer.
#[test]
fn rights_taken_away_are_gone_at_every_process() {
    let fleet = Fleet::given(json!({}));
    let second = fleet.beside();
    let path = format!("/v1/people/{}/account", id("cora"));
    let put = |role: &str, disabled: bool| {
        let body = json!({"login": "cora", "role": role, "disabled": disabled});
        send(fleet.request("gus", "PUT", &path).json(&body)).expect(200);
    };
    let depot = || {
        let depot = Subject::of(SubjectKind::Depot, Uuid::now_v7());
        let facts = json!({"name": "Larchmere", "zone": "America/Chicago"});
        second.post("cora", "/v1/entries", &second.entry("registered", depot, facts))
    };
    depot().expect(201);
    second.get("cora", "/v1/depots").expect(200);
    fleet.get("cora", "/v1/depots").expect(200);
    put("auditor", false);
    depot().problem(403, "FORBIDDEN");
    put("office", false);
    depot().expect(201);
    put("office", true);
    depot().problem(401, "INVALID_TOKEN");
    let started = Instant::now();
    while second.get("cora", "/v1/depots").status != 401 {
        assert!(started.elapsed() < Duration::from_secs(60), "a disabled account reads on");
        thread::sleep(Duration::from_millis(20));
    }
    fleet.get("cora", "/v1/depots").problem(401, "INVALID_TOKEN");
}
