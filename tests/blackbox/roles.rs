//! Who may do what.

use crate::fleet::Fleet;
use crate::proofhold::{PASSWORD, send};
use crate::script::id;
use api::routes::ROUTES;
use rules::{Kind, Role, Subject, SubjectKind};
use serde_json::{Value, json};
use uuid::Uuid;

/// A person of each role.
const PEOPLE: [(&str, Role); 5] = [
    ("ada", Role::Crew),
    ("cora", Role::Office),
    ("dora", Role::Manager),
    ("vera", Role::Auditor),
    ("gus", Role::Admin),
];

/// OWASP API security 2023, API5 (broken function level authorization): every route
/// with every role answers 403 exactly where the table does not list the role.
#[test]
fn every_route_is_open_to_the_roles_listed() {
    let fleet = Fleet::given(json!({}));
    for route in ROUTES {
        let Some(roles) = route.roles else { continue };
        let path = route.path.replace("{id}", &Uuid::now_v7().to_string()).replace("{unit}", "T9");
        for (person, role) in PEOPLE {
            // Signing out ends the session, so each request has one of its own there.
            let request = match route.operation_id {
                "delete_session" => {
                    let session =
                        fleet.proofhold.sign_in("larkspur", person, PASSWORD, Uuid::now_v7());
                    let token = session.expect(201)["access_token"].as_str().unwrap().to_owned();
                    fleet.proofhold.request(route.method, &path).bearer_auth(token)
                }
                _ => fleet.request(person, route.method, &path),
            };
            let request = match route.method {
                "POST" | "PUT" | "PATCH" => request.json(&json!({})),
                _ => request,
            };
            let answer = send(request);
            let place = format!("{} {} as {role:?}: {}", route.method, path, answer.text);
            assert_eq!(answer.status == 403, !roles.contains(&role), "{place}");
            assert_ne!(answer.status, 401, "{place}");
            assert!(answer.status.as_u16() < 500, "{place}");
        }
    }
}

/// The facts of an entry of each kind about each kind of subject.
fn facts(kind: Kind, subject: SubjectKind) -> Value {
    let examples: Value =
        serde_json::from_str(include_str!("../../api/src/examples.json")).unwrap();
    match kind {
        Kind::Registered | Kind::Changed => examples[subject.name()].clone(),
        _ => examples[kind.name()].clone(),
    }
}

/// The table of roles and kinds is the project's own (no outside source): an auditor
/// writes nothing, a crew registers nothing, whatever the body says.
#[test]
fn every_kind_is_written_by_the_roles_listed() {
    let fleet = Fleet::given(json!({}));
    let before = fleet.rows();
    for kind in Kind::ALL {
        for subject in kind.subjects() {
            let what = Subject::of(*subject, Uuid::now_v7());
            let entry = fleet.entry(kind.name(), what, facts(*kind, *subject));
            for (person, role) in PEOPLE {
                // Asked without writing, for what may be written is not wanted here.
                let answer = fleet.post(person, "/v1/entries?dry_run=true", &entry);
                let place =
                    format!("{} {} as {role:?}: {}", kind.name(), subject.name(), answer.text);
                let registers = matches!(kind, Kind::Registered | Kind::Changed);
                let may = match role {
                    Role::Auditor => false,
                    role if *kind == Kind::PreservationEnded => role == Role::Manager,
                    role if *kind == Kind::Corrected => role == Role::Manager,
                    role if *kind == Kind::Resolved => {
                        [Role::Office, Role::Manager].contains(&role)
                    }
                    Role::Crew => !registers,
                    _ => true,
                };
                assert_eq!(answer.status == 403, !may, "{place}");
                assert_ne!(answer.status, 400, "{place}");
                if !may {
                    fleet.post(person, "/v1/entries", &entry).problem(403, "FORBIDDEN");
                }
            }
        }
    }
    assert_eq!(fleet.rows(), before, "what is forbidden or only asked stores nothing");
}

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
