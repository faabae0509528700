//! Who may do what: every route with every caller, every kind of entry with every role, every
//! table with every role of the database. The answers are kept as text beside this file.
//!
//! Sources: OWASP API Security Top 10 2023, API1 (broken object level authorization) and API5
//! (broken function level authorization); RFC 6750 section 3 and RFC 9110 sections 15.5.2 and
//! 15.5.4 for 401 and 403. Which role may do what is the project's own.

mod database;
mod grid;

use crate::fleet::Fleet;
use crate::proofhold::{Answer, PASSWORD, send};
use crate::script::id;
use api::routes::{ROUTES, Route};
use chrono::TimeDelta;
use grid::Grid;
use reqwest::blocking::RequestBuilder;
use rules::{Kind, Role, Subject};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// A person of each role.
const PEOPLE: [(&str, Role); 5] = [
    ("ada", Role::Crew),
    ("cora", Role::Office),
    ("dora", Role::Manager),
    ("vera", Role::Auditor),
    ("gus", Role::Admin),
];

/// An organisation of which nothing is on record but who may sign in.
const OTHER: &str = "quillfeather";

/// How many routes are open to everybody. It may only become smaller.
const OPEN: usize = 10;

/// A body about this kind of subject, or of this kind of entry, from the API document.
fn example(name: &str) -> Value {
    let examples: Value =
        serde_json::from_str(include_str!("../../../api/src/examples.json")).unwrap();
    examples[name].clone()
}

/// Larkspur with everything that an address can name, and the other organisation.
struct Ground {
    fleet: Fleet,
    /// An entry of Larkspur.
    entry: Value,
    /// Tokens of Larkspur's people that end before all others.
    ending: Vec<String>,
}

impl Ground {
    fn new() -> Ground {
        let fleet = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1",
            "state": "installed", "wheel": "W1", "vehicle": "T1", "position": "2LO"}}}));
        let other = fleet.proofhold.organisation(OTHER);
        for (login, role) in PEOPLE {
            fleet.proofhold.account(other, Uuid::now_v7(), login, role);
        }
        let entry = fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 100}));
        fleet.post("ada", "/v1/entries", &entry).expect(201);
        let mut ground = Ground { fleet, entry, ending: Vec::new() };
        ground.ending = PEOPLE
            .iter()
            .map(|(login, _)| ground.session("larkspur", login, "access_token"))
            .collect();
        ground
    }

    /// A token of a session of its own.
    fn session(&self, org: &str, login: &str, token: &str) -> String {
        let session = self.fleet.proofhold.sign_in(org, login, PASSWORD, DEVICE).expect(201);
        session[token].as_str().unwrap().to_owned()
    }

    /// The address of a route that leads to something of Larkspur's.
    fn path(&self, route: &Route) -> String {
        let topic = route.path.split('/').nth(2).unwrap_or_default();
        let known = match topic {
            "entries" => self.entry["id"].as_str().unwrap().to_owned(),
            "casings" => id("A").to_string(),
            "depots" => id("elmford").to_string(),
            "people" => id("ben").to_string(),
            "vehicles" => id("T1").to_string(),
            "wheels" => id("W1").to_string(),
            "cages" => id("K1").to_string(),
            "gauges" => id("G1").to_string(),
            "models" => id("merrow-295g").to_string(),
            "recommendations" => id("letter-12").to_string(),
            "charts" => id("rings-2025").to_string(),
            _ => String::new(),
        };
        assert!(!route.path.contains("{id}") || !known.is_empty(), "what is at {}?", route.path);
        let path = route.path.replace("{id}", &known).replace("{unit}", "T1");
        let path = path.replace("{file}", "index.html").replace("{slug}", "not-found");
        assert!(!path.contains('{'), "what is at {path}?");
        match route.operation_id {
            "check_casing" => path + "?for=release",
            "put_chart" => path + "?kind=rim_parts&name=Rings&document=chart&edition=2026",
            _ => path,
        }
    }

    /// What is sent along; something that nothing stands in the way of.
    fn body(&self, route: &Route) -> Value {
        match route.operation_id {
            "create_session" => json!({"organisation": "larkspur", "login": "ada",
                "password": PASSWORD, "device": {"id": DEVICE, "kind": "crew_device"}}),
            "refresh_session" => json!({"device_id": DEVICE,
                "refresh_token": self.session("larkspur", "ada", "refresh_token")}),
            "create_entry" => {
                self.fleet.entry("pressure_read", Subject::casing(id("A")), json!({"psi": 100}))
            }
            "put_account" => json!({"login": "ben", "role": "crew"}),
            create if create.starts_with("create_") => new_thing(&create["create_".len()..]),
            _ => json!({}),
        }
    }

    fn request(&self, route: &Route, token: Option<&str>) -> RequestBuilder {
        let mut request = self.fleet.proofhold.request(route.method, &self.path(route));
        if let Some(token) = token {
            request = request.bearer_auth(token);
        }
        if route.operation_id == "put_chart" {
            let file = "base,side_ring,lock_ring\nLB-20-75,LS-20,LK-20\n";
            let request = request.header("If-Match", "*").header("Content-Type", "text/csv");
            return request.body(file);
        }
        match route.method {
            "PATCH" => request.header("If-Match", "*").json(&self.body(route)),
            "POST" | "PUT" => request.json(&self.body(route)),
            _ => request,
        }
    }

    fn ask(&self, route: &Route, token: Option<&str>) -> Answer {
        let answer = send(self.request(route, token));
        // RFC 9110 section 11.6.1: a 401 says how to sign in.
        let challenged = answer.headers.contains_key("www-authenticate");
        assert_eq!(challenged, answer.status == 401, "{} {}", route.method, route.path);
        answer
    }

    /// The answer to a person's good token.
    fn ask_as(&self, route: &Route, org: &str, login: &str) -> Answer {
        // Signing out ends the session, so each has one of its own there.
        let token = match route.operation_id {
            "delete_session" => self.session(org, login, "access_token"),
            _ => self.fleet.proofhold.token(org, login),
        };
        self.ask(route, Some(&token))
    }

    /// The answer to tokens of each role a while after they ended.
    fn ask_too_late(&self, route: &Route) -> String {
        let now = self.fleet.proofhold.now();
        self.fleet.proofhold.set_clock(now + TimeDelta::minutes(17));
        let answers = self.ending.iter().map(|token| told(&self.ask(route, Some(token)))).collect();
        self.fleet.proofhold.set_clock(now);
        alike(route, answers)
    }

    /// The answers to the other organisation's people: 403 to the same roles as here, one
    /// answer to all others, and nothing of Larkspur's to anybody.
    fn ask_from_outside(&self, route: &Route, here: &[String]) -> String {
        let mut others = BTreeSet::new();
        for ((login, role), here) in PEOPLE.iter().zip(here) {
            let answer = self.ask_as(route, OTHER, login);
            for name in ["A", "T1", "W1", "K1", "G1", "elmford", "ben", "merrow-295g", "letter-12"]
            {
                let shown = answer.text.contains(&id(name).to_string());
                assert!(!shown, "{} {} shows {name} to {OTHER}", route.method, route.path);
            }
            let answer = told(&answer);
            let same = (answer == "FORBIDDEN") == (here == "FORBIDDEN");
            assert!(same, "{} {} as {role:?}: {here} and {answer}", route.method, route.path);
            if answer != "FORBIDDEN" {
                others.insert(answer);
            }
        }
        alike(route, others)
    }
}

const DEVICE: Uuid = Uuid::from_u128(0x0194_5c7e_7d1a_7000_8000_0000_0000_0002);

/// A new thing of this kind.
fn new_thing(kind: &str) -> Value {
    let mut body = example(kind);
    assert!(body.is_object(), "what is created as {kind}?");
    if body["depot"].is_string() {
        body["depot"] = json!(id("elmford"));
    }
    if body["models"].is_array() {
        body["models"] = json!([id("merrow-295g")]);
    }
    let id = Uuid::now_v7();
    if body["unit"].is_string() {
        body["unit"] = json!(format!("U-{}", &id.simple().to_string()[20..]));
    }
    json!({"id": id, "body": body})
}

/// The code of a problem, the status of anything else.
fn told(answer: &Answer) -> String {
    match answer.status.as_u16() {
        status @ ..400 => status.to_string(),
        status => answer.problem(status, answer.json()["code"].as_str().unwrap())["code"]
            .as_str()
            .unwrap()
            .to_owned(),
    }
}

/// The one answer that all got.
fn alike(route: &Route, answers: BTreeSet<String>) -> String {
    assert_eq!(answers.len(), 1, "{} {}: {answers:?}", route.method, route.path);
    answers.into_iter().next().unwrap()
}

/// Every route of the table in the code with every caller. 403 goes to the roles that the table
/// does not list, and to nobody else.
#[test]
fn every_route_answers_every_caller_as_written() {
    let ground = Ground::new();
    let ended = ground.session("larkspur", "gus", "access_token");
    let sign_out = ground.fleet.proofhold.request("DELETE", "/v1/sessions/current");
    send(sign_out.bearer_auth(&ended)).expect(204);
    let mut grid = Grid::new(
        "routes.txt",
        &[
            "route",
            "no token",
            "bad token",
            "expired",
            "signed out",
            "crew",
            "office",
            "manager",
            "auditor",
            "admin",
            "other organisation",
        ],
    );
    let mut open = BTreeSet::new();
    for route in ROUTES {
        let name = format!("{} {}", route.method, route.path);
        let nobody = told(&ground.ask(route, None));
        if nobody != "SIGN_IN_NEEDED" {
            open.insert(name.clone());
        }
        let mut cells = vec![
            nobody,
            told(&ground.ask(route, Some("not.a.token"))),
            ground.ask_too_late(route),
            told(&ground.ask(route, Some(&ended))),
        ];
        let here: Vec<String> = PEOPLE
            .iter()
            .map(|(login, _)| told(&ground.ask_as(route, "larkspur", login)))
            .collect();
        for ((_, role), answer) in PEOPLE.iter().zip(&here) {
            let listed = route.roles.is_none_or(|roles| roles.contains(role));
            assert_eq!(answer != "FORBIDDEN", listed, "{name} as {role:?}");
        }
        let outside = ground.ask_from_outside(route, &here);
        cells.extend(here);
        cells.push(outside);
        grid.line(name, cells);
    }
    grid.is_as_written();
    let excepted = include_str!("open.txt").lines().map(|line| line.split("  ").next().unwrap());
    let excepted: BTreeSet<String> = excepted.map(str::to_owned).collect();
    assert_eq!(open, excepted, "open.txt names each open route and why it is open");
    assert_eq!(excepted.len(), OPEN);
}

/// Every kind of entry about every kind of subject with every role: `may`, or 403. An auditor
/// writes nothing, a crew registers nothing, whatever the body says.
#[test]
fn every_kind_is_written_by_the_roles_written_down() {
    let fleet = Fleet::given(json!({}));
    let before = fleet.rows();
    let mut grid =
        Grid::new("kinds.txt", &["entry", "crew", "office", "manager", "auditor", "admin"]);
    for kind in Kind::ALL {
        for subject in kind.subjects() {
            let facts = match kind {
                Kind::Registered | Kind::Changed => example(subject.name()),
                _ => example(kind.name()),
            };
            let entry = fleet.entry(kind.name(), Subject::of(*subject, Uuid::now_v7()), facts);
            let name = format!("{} {}", kind.name(), subject.name());
            let may = |(person, _): &(&str, Role)| {
                // Asked without writing, for what may be written is not wanted here.
                let answer = fleet.post(person, "/v1/entries?dry_run=true", &entry);
                assert_ne!(answer.status, 400, "{name}: {}", answer.text);
                if answer.status == 403 {
                    return told(&fleet.post(person, "/v1/entries", &entry));
                }
                "may".to_owned()
            };
            grid.line(name.clone(), PEOPLE.iter().map(may).collect());
        }
    }
    grid.is_as_written();
    assert_eq!(fleet.rows(), before, "what is forbidden or only asked stores nothing");
}
