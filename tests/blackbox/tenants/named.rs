//! Whatever names something of another organisation is answered like what names nothing on record.
//!
//! Source: OWASP API Security Top 10 2023, API1 (broken object level authorization). Which fields
//! and parameters are ids is read from the API document, so that a new one is tried too.

use crate::fleet::Fleet;
use crate::proofhold::{Answer, send};
use crate::script::id;
use api::routes::ROUTES;
use reqwest::blocking::RequestBuilder;
use rules::{Kind, Role, Subject, SubjectKind};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

fn document() -> Value {
    serde_json::from_str(include_str!("../../../openapi/v1.json")).unwrap()
}

fn example(name: &str) -> Value {
    let examples: Value =
        serde_json::from_str(include_str!("../../../api/src/examples.json")).unwrap();
    examples[name].clone()
}

/// How many ids a schema has room for, at whatever depth.
fn ids_in(document: &Value, schema: &Value) -> usize {
    let below = match schema {
        Value::Object(fields) => fields
            .iter()
            .filter(|(name, _)| *name != "example" && *name != "examples")
            .map(|(_, field)| ids_in(document, field))
            .sum(),
        Value::Array(items) => items.iter().map(|item| ids_in(document, item)).sum(),
        _ => 0,
    };
    let referred = schema["$ref"].as_str().map_or(0, |to| {
        ids_in(document, document.pointer(&to[1..]).unwrap_or_else(|| panic!("{to}")))
    });
    below + referred + usize::from(schema["format"] == "uuid")
}

/// The fields of a schema that name other things, and whether they name several.
fn named_in(shape: &str) -> Vec<(String, bool)> {
    let document = document();
    let schema = &document["components"]["schemas"][shape];
    let fields = schema["properties"].as_object().cloned();
    let named = |(name, field): (String, Value)| match (&field["format"], &field["items"]["format"])
    {
        (format, _) if format == "uuid" => Some((name, false)),
        (_, format) if format == "uuid" => Some((name, true)),
        _ => None,
    };
    let named: Vec<_> = fields.unwrap_or_default().into_iter().filter_map(named).collect();
    assert_eq!(named.len(), ids_in(&document, schema), "{shape} names something further down");
    named
}

/// The kind of thing that a field names, and one of Larkspur's.
fn meant_by(field: &str) -> (SubjectKind, &'static str) {
    match field {
        "depot" | "to_depot" => (SubjectKind::Depot, "elmford"),
        "from_depot" => (SubjectKind::Depot, "sandgate"),
        "model" | "models" => (SubjectKind::Model, "merrow-295g"),
        "wheel" => (SubjectKind::Wheel, "W1"),
        "vehicle" => (SubjectKind::Vehicle, "T1"),
        "cage" => (SubjectKind::Cage, "K1"),
        "gauge" => (SubjectKind::Gauge, "G1"),
        "witness" => (SubjectKind::Person, "ben"),
        _ => panic!("what does {field} name?"),
    }
}

/// A field that names one or several.
fn naming(many: bool, id: Uuid) -> Value {
    if many { json!([id]) } else { json!(id) }
}

/// The facts of an entry of this kind, with Larkspur's things in place of the document's.
fn facts(kind: Kind, subject: SubjectKind) -> Value {
    let mut facts = match kind {
        Kind::Registered | Kind::Changed => example(subject.name()),
        _ => example(kind.name()),
    };
    // What names a vehicle, a wheel or a cage only then.
    let then = match kind {
        Kind::Released => json!({"path": "bolted_on", "position": "2RO"}),
        Kind::Acquired => {
            json!({"origin": "opening", "position": "2RO", "walk_round": "clear", "cold_psi": 100})
        }
        Kind::Inflated => json!({"place": "cage"}),
        _ => json!({}),
    };
    facts.as_object_mut().unwrap().extend(then.as_object().unwrap().clone());
    for (field, many) in named_in(&kind.shape(subject)) {
        let not_here = in_the_cage(kind) && field == "vehicle";
        if field != "evidence" && !not_here {
            facts[field.as_str()] = naming(many, id(meant_by(&field).1));
        }
    }
    facts
}

/// The example names a cage, and would name a vehicle only bolted on.
fn in_the_cage(kind: Kind) -> bool {
    matches!(kind, Kind::Mounted | Kind::Held)
}

/// Larkspur with a casing, and an organisation whose things have other ids.
struct Apart {
    fleet: Fleet,
    /// Something of each kind there.
    theirs: BTreeMap<SubjectKind, Uuid>,
    /// An entry there.
    entry: Uuid,
}

impl Apart {
    fn new() -> Apart {
        let fleet = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g",
            "brand": "LK-1", "state": "mounted", "wheel": "W1"}}}));
        let other = fleet.proofhold.organisation("quillfeather");
        fleet.proofhold.account(other, Uuid::now_v7(), "gus", Role::Admin);
        let mut apart = Apart { fleet, theirs: BTreeMap::new(), entry: Uuid::nil() };
        apart.theirs.insert(SubjectKind::Policy, other);
        use SubjectKind::{
            Cage, Casing, Chart, Depot, Gauge, Model, Person, Recommendation, Vehicle, Wheel,
        };
        for kind in
            [Depot, Person, Model, Recommendation, Chart, Vehicle, Wheel, Cage, Gauge, Casing]
        {
            let kind_of_entry = if kind == Casing { Kind::Acquired } else { Kind::Registered };
            let mut body = facts(kind_of_entry, kind);
            for (field, many) in named_in(&kind_of_entry.shape(kind)) {
                body[field.as_str()] = naming(many, apart.theirs[&meant_by(&field).0]);
            }
            let thing = Subject::of(kind, Uuid::now_v7());
            let entry = apart.fleet.entry(kind_of_entry.name(), thing, body);
            apart.fleet.post("quillfeather/gus", "/v1/entries", &entry).expect(201);
            apart.theirs.insert(kind, thing.id);
            apart.entry = entry["id"].as_str().unwrap().parse().unwrap();
        }
        assert_eq!(apart.theirs.len(), SubjectKind::ALL.len());
        apart
    }

    /// Something of Larkspur's.
    fn own(&self, kind: SubjectKind) -> Uuid {
        match kind {
            SubjectKind::Casing => id("A"),
            SubjectKind::Policy => id("larkspur"),
            SubjectKind::Person => id("ben"),
            SubjectKind::Recommendation => id("letter-12"),
            SubjectKind::Chart => id("rings-2025"),
            SubjectKind::Model => id("merrow-295g"),
            _ => id(meant_by(kind.name()).1),
        }
    }

    /// What is asked with an id of theirs is answered as with one that nobody ever heard of, and
    /// stores nothing. Gives the problem.
    fn alike(&self, theirs: Uuid, mut ask: impl FnMut(Uuid) -> Answer) -> Value {
        let stored = self.fleet.rows();
        let mut answer = |id: Uuid| {
            let answer = ask(id);
            let status = answer.status.as_u16();
            let mut problem = answer.problem(status, answer.json()["code"].as_str().unwrap());
            problem.as_object_mut().unwrap().remove("request_id");
            assert!(!problem.to_string().contains(&id.to_string()), "{problem}");
            problem
        };
        let problem = answer(theirs);
        assert_eq!(problem, answer(Uuid::now_v7()));
        assert_eq!(self.fleet.rows(), stored, "{problem}");
        problem
    }

    /// The same of an entry with such an id at this place.
    fn entry_alike(&self, entry: &Value, place: &str, many: bool, theirs: Uuid) -> Value {
        self.entry_alike_by("dora", entry, place, many, theirs)
    }

    fn entry_alike_by(
        &self,
        who: &str,
        entry: &Value,
        place: &str,
        many: bool,
        theirs: Uuid,
    ) -> Value {
        self.alike(theirs, |named| {
            let mut entry = entry.clone();
            entry["id"] = json!(Uuid::now_v7());
            let (within, field) = place.rsplit_once('/').unwrap();
            entry.pointer_mut(within).unwrap()[field] = naming(many, named);
            self.fleet.post(who, "/v1/entries", &entry)
        })
    }
}

/// Such a thing is impossible, for this field alone.
fn is_impossible(problem: &Value, pointer: &str) {
    assert_eq!(problem["code"], "IMPOSSIBLE", "{problem}");
    assert_eq!(problem["fields"].as_array().unwrap().len(), 1, "{problem}");
    assert_eq!(problem["fields"][0]["pointer"], pointer, "{problem}");
}

/// An entry that names something of theirs: as its subject, as who did it, as what it retries, or
/// in whatever field of its facts.
#[test]
fn an_entry_names_nothing_of_another_organisation() {
    let apart = Apart::new();
    let mut proved = 0;
    // What those name are entries, not things.
    let of_things = |kind: &&Kind| !NAMING_ENTRIES.contains(kind);
    for kind in Kind::ALL.iter().filter(of_things) {
        for subject in kind.subjects() {
            let thing = Subject::of(*subject, apart.own(*subject));
            let entry = apart.fleet.entry(kind.name(), thing, facts(*kind, *subject));
            // The id of what is new is free in every organisation; a policy has its organisation's.
            let new = matches!(kind, Kind::Registered | Kind::Acquired);
            if !new || *subject == SubjectKind::Policy {
                let problem =
                    apart.entry_alike(&entry, "/subject/id", false, apart.theirs[subject]);
                let code = if new { "IMPOSSIBLE" } else { "NOT_FOUND" };
                assert_eq!(problem["code"], code, "{} {problem}", kind.name());
            }
            let person = apart.theirs[&SubjectKind::Person];
            is_impossible(&apart.entry_alike(&entry, "/by", false, person), "/by");
            is_impossible(&apart.entry_alike(&entry, "/retries", false, apart.entry), "/retries");
            for (field, many) in named_in(&kind.shape(*subject)) {
                // What a doubt leans on has a test of its own.
                if field == "evidence" {
                    continue;
                }
                let place = format!("/facts/{field}");
                let theirs = apart.theirs[&meant_by(&field).0];
                let mut entry = entry.clone();
                if in_the_cage(*kind) && field == "vehicle" {
                    entry["facts"]["place"] = json!("bolted_on");
                    entry["facts"]["position"] = json!("2RO");
                    entry["facts"].as_object_mut().unwrap().remove("cage");
                }
                is_impossible(&apart.entry_alike(&entry, &place, many, theirs), &place);
                proved += 1;
            }
        }
    }
    assert!(proved >= 18, "{proved}");
}

/// The kinds that name entries.
const NAMING_ENTRIES: [Kind; 3] = [Kind::Corrected, Kind::Resolved, Kind::Erased];

/// An entry of theirs is neither corrected nor resolved nor erased, and none is put on a casing of
/// theirs.
#[test]
fn no_entry_of_another_organisation_is_amended() {
    let apart = Apart::new();
    let casing = Subject::casing(id("A"));
    let read = apart.fleet.entry("pressure_read", casing, json!({"psi": 100}));
    apart.fleet.post("ada", "/v1/entries", &read).expect(201);
    let there = apart.theirs[&SubjectKind::Casing];
    let mut proved = Vec::new();
    for (kind, facts, field, theirs) in [
        (
            Kind::Corrected,
            json!({"facts": {"psi": 90}, "reason": "misread"}),
            "corrects",
            apart.entry,
        ),
        (
            Kind::Corrected,
            json!({"corrects": read["id"], "reason": "wrong tire"}),
            "right_casing",
            there,
        ),
        (Kind::Resolved, json!({"it_did_happen": true}), "refusal", apart.entry),
        (Kind::Erased, json!({"order": "order 7"}), "entry", apart.entry),
    ] {
        let place = format!("/facts/{field}");
        let who = if kind == Kind::Erased { "gus" } else { "dora" };
        let entry = apart.fleet.entry(kind.name(), casing, facts);
        is_impossible(&apart.entry_alike_by(who, &entry, &place, false, theirs), &place);
        proved.push(field.to_owned());
    }
    // Nor where all of it is theirs.
    let orders = [SubjectKind::Casing, SubjectKind::Person, SubjectKind::Vehicle];
    for theirs in orders.map(|kind| Subject::of(kind, apart.theirs[&kind])) {
        let order = json!({"entry": apart.entry, "order": "order 7"});
        let entry = apart.fleet.entry("erased", theirs, order);
        let place = "/subject/id";
        let problem = apart.entry_alike_by("gus", &entry, place, false, theirs.id);
        assert_eq!(problem["code"], "NOT_FOUND", "{problem}");
    }
    let named = NAMING_ENTRIES
        .map(|kind| named_in(&kind.shape(SubjectKind::Casing)).into_iter().map(|(field, _)| field));
    assert_eq!(proved, named.into_iter().flatten().collect::<Vec<_>>());
}

/// What a doubt leans on is kept as its sender says it, and says nothing of what is there.
#[test]
fn evidence_tells_nothing_of_another_organisation() {
    let apart = Apart::new();
    let facts = json!({"reason": "low", "evidence": []});
    let mut entry = apart.fleet.entry("flagged", Subject::casing(id("A")), facts);
    let mut answer = |evidence: Uuid| {
        entry["facts"]["evidence"] = json!([evidence]);
        let answer = apart.fleet.post("dora", "/v1/entries?dry_run=true", &entry);
        answer.expect(200).to_string().replace(&evidence.to_string(), "evidence")
    };
    assert_eq!(answer(apart.entry), answer(Uuid::now_v7()));
}

/// The addresses that are written to: the id in the address, and those in the body.
#[test]
fn no_address_writes_what_names_another_organisation() {
    let apart = Apart::new();
    let fleet = &apart.fleet;
    let document = document();
    let mut proved = 0;
    for route in ROUTES.iter().filter(|route| route.roles.is_some() && route.method != "GET") {
        let operation = &document["paths"][route.path][route.method.to_lowercase()];
        let schema = operation["requestBody"]["content"]["application/json"]["schema"]["$ref"]
            .as_str()
            .and_then(|schema| schema.rsplit('/').next());
        // Entries have their own tests; a policy and a session are one's own, and name nothing.
        let Some(schema) = schema.filter(|_| route.operation_id != "create_entry") else {
            // A chart that is put is new where it is not on record here; its file names nothing.
            let known = ["create_entry", "delete_session", "put_chart"];
            assert!(known.contains(&route.operation_id), "{route:?}");
            continue;
        };
        let topic = route.operation_id.split_once('_').unwrap().1;
        let kind = SubjectKind::from_name(topic).unwrap_or(SubjectKind::Person);
        let request = |path: &str| -> RequestBuilder {
            fleet.request("gus", route.method, path).header("If-Match", "*")
        };
        if route.path.contains("{id}") {
            let body = match route.operation_id {
                "put_account" => json!({"login": "ben", "role": "crew"}),
                _ => json!({}),
            };
            let problem = apart.alike(apart.theirs[&kind], |named| {
                let path = route.path.replace("{id}", &named.to_string());
                send(request(&path).json(&body))
            });
            assert_eq!(problem["code"], "NOT_FOUND", "{route:?}");
            proved += 1;
        }
        let create = route.method == "POST";
        let schema = match create {
            true => format!("{}Body", schema.strip_prefix("New").unwrap()),
            false => schema.to_owned(),
        };
        for (field, many) in named_in(&schema) {
            let path = route.path.replace("{id}", &apart.own(kind).to_string());
            let problem = apart.alike(apart.theirs[&meant_by(&field).0], |named| {
                let mut body = if create { facts(Kind::Registered, kind) } else { json!({}) };
                body[field.as_str()] = naming(many, named);
                if create {
                    body = json!({"id": Uuid::now_v7(), "body": body});
                }
                send(request(&path).json(&body))
            });
            assert_eq!(problem["code"], "IMPOSSIBLE", "{problem}");
            proved += 1;
        }
    }
    assert!(proved >= 15, "{proved}");
}

/// The addresses that are read: the id in the address, and those in the query, but for the
/// filters of lists, which have a test of their own.
#[test]
fn no_address_reads_what_is_another_organisations() {
    let apart = Apart::new();
    let document = document();
    let mut proved = 0;
    for route in ROUTES.iter().filter(|route| route.roles.is_some() && route.method == "GET") {
        let parameters = document["paths"][route.path]["get"]["parameters"].as_array();
        let parameters = parameters.map(Vec::as_slice).unwrap_or_default();
        let ids = parameters.iter().filter(|parameter| parameter["schema"]["format"] == "uuid");
        for parameter in ids {
            let name = parameter["name"].as_str().unwrap();
            let (theirs, address) = match (parameter["in"].as_str().unwrap(), route.operation_id) {
                ("path", operation) => {
                    let theirs = match route.path.split('/').nth(2).unwrap() {
                        "entries" => apart.entry,
                        topic => {
                            *apart
                                .theirs
                                .iter()
                                .find(|(kind, _)| topic == plural(**kind))
                                .unwrap_or_else(|| panic!("what is at {topic}?"))
                                .1
                        }
                    };
                    let asked = if operation == "check_casing" { "?for=release" } else { "" };
                    (theirs, format!("{}{asked}", route.path))
                }
                (_, "check_casing") => {
                    let path = route.path.replace("{id}", &id("A").to_string());
                    let asked = match name {
                        "wheel" => "for=mount",
                        "cage" | "gauge" => "for=hold&for_set_psi=100",
                        "vehicle" => "for=install&position=2LO",
                        _ => panic!("what is asked with {name}?"),
                    };
                    (apart.theirs[&meant_by(name).0], format!("{path}?{asked}&{name}={{id}}"))
                }
                _ => {
                    let list = parameters.iter().any(|parameter| parameter["name"] == "after");
                    assert!(list, "what does {name} of {} name?", route.path);
                    continue;
                }
            };
            apart.alike(theirs, |named| {
                apart.fleet.get("gus", &address.replace("{id}", &named.to_string()))
            });
            proved += 1;
        }
    }
    assert!(proved >= 16, "{proved}");
}

/// The part of an address that has things of this kind.
fn plural(kind: SubjectKind) -> String {
    match kind {
        SubjectKind::Person => "people".to_owned(),
        _ => format!("{}s", kind.name()),
    }
}
