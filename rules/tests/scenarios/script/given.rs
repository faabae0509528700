//! What a scenario is given: its things, and the facts of its steps.

use super::{id, time};
use chrono::{DateTime, FixedOffset, NaiveTime, TimeZone};
use rules::{Kind, Subject, SubjectKind};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

/// The eight abilities of 29 CFR 1910.177(c)(2), in its order.
const ABILITIES: [&str; 8] = [
    "demount_deflate",
    "inspect_identify",
    "mount_inflate",
    "use_restraint",
    "handle",
    "inflate_on_vehicle",
    "trajectory",
    "install_remove",
];

pub(super) fn file() -> Value {
    serde_json::from_str(include_str!("../../data/scenarios.json")).unwrap()
}

/// The worked hold series.
pub(super) fn series() -> Vec<Value> {
    serde_json::from_str(include_str!("../../data/proof_hold_examples.json")).unwrap()
}

fn series_gauge(one: &Value) -> String {
    format!("gauge of {}", one["id"].as_str().unwrap())
}

/// An object with `like` is a copy of the named one with its own fields laid over.
fn like(all: &Map<String, Value>, name: &str) -> Map<String, Value> {
    let own = all[name].as_object().unwrap();
    let mut object =
        own.get("like").map(|base| like(all, base.as_str().unwrap())).unwrap_or_default();
    object.extend(
        own.iter().filter(|(field, _)| *field != "like").map(|(f, v)| (f.clone(), v.clone())),
    );
    object
}

fn lay_over(base: &mut Map<String, Value>, over: Option<&Value>) {
    for (field, value) in over.and_then(Value::as_object).into_iter().flatten() {
        base.insert(field.clone(), value.clone());
    }
}

/// Where the scenarios name something otherwise than the ledger: whose certificate it is.
pub(super) fn as_registered(mut fields: Value) -> Map<String, Value> {
    if fields["structural_repair"]["certificate_by"] == "shop_foreman" {
        fields["structural_repair"]["certificate_by"] = json!("other");
    }
    serde_json::from_value(fields).unwrap()
}

/// Lays over the axles of a vehicle what a step changes of some of them, by number.
pub(super) fn lay_over_axles(axles: &mut Value, changes: &Value) {
    for (number, change) in changes.as_object().unwrap() {
        let axle = &mut axles[number.parse::<usize>().unwrap() - 1];
        lay_over(axle.as_object_mut().unwrap(), Some(change));
    }
}

/// An entry that makes something known: kind, subject, when, facts.
pub(super) type Registration = (Kind, Subject, DateTime<FixedOffset>, Value);

/// The things that a scenario is given, by topic and name.
pub(super) struct Given {
    defaults: Value,
    states: Value,
    topics: BTreeMap<String, Map<String, Value>>,
}

impl Given {
    pub(super) fn of(scenario: &Value) -> Given {
        let file = file();
        let mut topics: BTreeMap<String, Map<String, Value>> = BTreeMap::new();
        for source in [&file["defaults"]["given"], &scenario["given"]] {
            for (topic, things) in source.as_object().into_iter().flatten() {
                let things = things.as_object().unwrap().clone();
                topics.entry(topic.clone()).or_default().extend(things);
            }
        }
        let mut given = Given {
            defaults: file["defaults"]["steps"].clone(),
            states: file["states"].clone(),
            topics,
        };
        let gauges = given.topics.entry("gauges".to_owned()).or_default();
        gauges.extend(series().iter().map(|one| (series_gauge(one), one["gauge"].clone())));
        given
    }

    pub(super) fn names(&self, topic: &str) -> Vec<String> {
        self.topics.get(topic).map(|all| all.keys().cloned().collect()).unwrap_or_default()
    }

    pub(super) fn thing(&self, topic: &str, name: &str) -> Map<String, Value> {
        like(&self.topics[topic], name)
    }

    /// The subject with this name.
    pub(super) fn subject(&self, name: &str) -> Subject {
        let topics = [
            ("casings", SubjectKind::Casing),
            ("cages", SubjectKind::Cage),
            ("gauges", SubjectKind::Gauge),
            ("vehicles", SubjectKind::Vehicle),
            ("people", SubjectKind::Person),
            ("recommendations", SubjectKind::Recommendation),
            ("charts", SubjectKind::Chart),
            ("organisations", SubjectKind::Policy),
        ];
        let known = |topic: &str| self.topics.get(topic).is_some_and(|all| all.contains_key(name));
        let found = topics.into_iter().find(|(topic, _)| known(topic));
        // What is not given is a document that a step registers.
        Subject::of(found.map_or(SubjectKind::Recommendation, |(_, kind)| kind), id(name))
    }

    /// All that is registered in an organisation before its first casing comes.
    pub(super) fn registrations(&self, org: &str) -> Vec<Registration> {
        let policy =
            json!({"overpressure_psi": 20, "extended_hold_s": 1200, "bolted_on_path": false});
        let mut all = vec![registered(SubjectKind::Policy, org, policy)];
        let topics = [
            ("depots", SubjectKind::Depot),
            ("people", SubjectKind::Person),
            ("models", SubjectKind::Model),
            ("wheels", SubjectKind::Wheel),
            ("cages", SubjectKind::Cage),
            ("gauges", SubjectKind::Gauge),
            ("recommendations", SubjectKind::Recommendation),
            ("charts", SubjectKind::Chart),
            ("vehicles", SubjectKind::Vehicle),
        ];
        for (topic, kind) in topics {
            for name in self.names(topic) {
                let thing = self.thing(topic, &name);
                let trainings = trainings(&name, &thing);
                all.push(registered(kind, &name, body(kind, &name, thing)));
                all.extend(trainings);
            }
        }
        all
    }

    /// The cages that are checked daily, with the time of the check on the day of a moment.
    pub(super) fn daily_checks(
        &self,
        at: DateTime<FixedOffset>,
    ) -> Vec<(String, DateTime<FixedOffset>)> {
        let checked_at = |name: &String| {
            let cage = self.thing("cages", name);
            let clock = cage.get("daily_check_at")?.as_str()?;
            let clock = NaiveTime::parse_from_str(clock, "%H:%M").unwrap();
            let depot = self.thing("depots", cage["depot"].as_str().unwrap());
            let zone: chrono_tz::Tz = depot["zone"].as_str().unwrap().parse().unwrap();
            let day = at.with_timezone(&zone).date_naive();
            Some(zone.from_local_datetime(&day.and_time(clock)).unwrap().fixed_offset())
        };
        let cages = self.names("cages").into_iter();
        cages.filter_map(|name| checked_at(&name).map(|at| (name, at))).collect()
    }

    /// The entries that bring a casing into its first state, in order of time.
    pub(super) fn states(&self, name: &str) -> Vec<(Kind, DateTime<FixedOffset>, Value)> {
        let casing = self.thing("casings", name);
        let Some(state) = casing.get("state").and_then(Value::as_str) else {
            return Vec::new();
        };
        let entry = |step: &Value| {
            let kind = step["do"].as_str().unwrap();
            let mut step = step.clone();
            let facts = step["facts"].as_object_mut().unwrap();
            for value in facts.values_mut() {
                if let Some(field) = value.as_str().and_then(|text| text.strip_prefix('$')) {
                    *value = casing[field].clone();
                }
            }
            lay_over(facts, casing.get("facts").and_then(|all| all.get(kind)));
            let at = time(step["occurred_at"].as_str().unwrap());
            if let Some(base) = casing.get("step_like").and_then(|all| all.get(kind)) {
                step["like"] = base.clone();
            }
            let (kind, facts) = self.facts(&step, name);
            (serde_json::from_value(json!(kind)).unwrap(), at, facts)
        };
        self.states[state].as_array().unwrap().iter().map(entry).collect()
    }

    /// The kind and the facts of a step about this subject: the defaults, then what it
    /// is like, then its own.
    pub(super) fn facts(&self, step: &Value, subject: &str) -> (String, Value) {
        let kind = step["do"].as_str().unwrap();
        let mut facts = Map::new();
        lay_over(&mut facts, self.defaults["facts"].get(kind));
        if let Some(base) = step["like"].as_str() {
            lay_over(&mut facts, Some(&self.defaults["like"][base]));
        }
        lay_over(&mut facts, step.get("facts"));
        if let Some(name) = facts.remove("readings_from") {
            let one = series().into_iter().find(|one| one["id"] == name).unwrap();
            facts.insert("readings".to_owned(), one["samples_s_psi_f"].clone());
            facts.insert("gauge".to_owned(), json!(series_gauge(&one)));
        }
        let named = [
            "wheel",
            "cage",
            "gauge",
            "vehicle",
            "depot",
            "model",
            "from_depot",
            "to_depot",
            "witness",
            "right_casing",
        ];
        for field in named {
            if let Some(name) = facts.get(field).and_then(Value::as_str) {
                facts.insert(field.to_owned(), json!(id(name)));
            }
        }
        if kind == "scrapped" {
            // The reasons are a list of the trade's; what is written here is in somebody's words.
            facts.insert("reason".to_owned(), json!("run_low"));
        }
        if kind == "trained" {
            facts.insert("abilities".to_owned(), abilities(&Value::Object(facts.clone())));
            // An evaluation that says so is of all that was shown before.
            if facts.remove("evaluation") == Some(json!("retrain")) {
                facts.insert("retrain".to_owned(), json!(true));
            }
        }
        if let Some(models) = facts.get_mut("models").and_then(Value::as_array_mut) {
            models.iter_mut().for_each(|model| *model = json!(id(model.as_str().unwrap())));
        }
        // The cage of the defaults is not where it is inflated.
        if matches!(facts.get("place").and_then(Value::as_str), Some("bolted_on" | "open")) {
            facts.remove("cage");
        }
        if let Some(loads) = facts.remove("axles_lb") {
            let loads = loads.as_object().unwrap().iter();
            let axle = |(axle, load): (&String, &Value)| json!({"axle": axle.parse::<u8>().unwrap(), "load_lb": load});
            facts.insert("axles".to_owned(), loads.map(axle).collect());
        }
        if let Some(inches) = facts.remove("size_in") {
            facts.insert("size_32nds".to_owned(), json!(inches.as_f64().unwrap() * 32.0));
        }
        let casings = self.topics.get("casings");
        let casing =
            casings.and_then(|all| all.get(subject)).map(|_| self.thing("casings", subject));
        self.marks(kind, &mut facts, &casing.unwrap_or_default());
        if let Some(life) = facts.get("life").and_then(Value::as_str) {
            let number: u32 = life.strip_prefix("retread ").unwrap().parse().unwrap();
            facts.insert("life".to_owned(), json!(number));
        }
        facts.retain(|_, value| !value.is_null());
        (kind.to_owned(), Value::Object(facts))
    }

    /// The marks of a casing, where it comes and where they are read.
    fn marks(&self, kind: &str, facts: &mut Map<String, Value>, casing: &Map<String, Value>) {
        match facts.get("read").and_then(Value::as_str) {
            Some("brand") => facts.insert("read".to_owned(), json!({"brand": casing["brand"]})),
            Some(_) => facts.remove("read"),
            None => None,
        };
        if kind == "acquired" {
            facts.insert("model".to_owned(), json!(id(casing["model"].as_str().unwrap())));
            let marks = ["brand", "tag", "tins"];
            let marks: Map<_, _> = marks
                .into_iter()
                .filter_map(|mark| Some((mark.to_owned(), casing.get(mark)?.clone())))
                .collect();
            facts.insert("marks".to_owned(), Value::Object(marks));
        }
    }
}

fn registered(kind: SubjectKind, name: &str, body: Value) -> Registration {
    let at = time("2025-11-01T00:00:00-06:00");
    (Kind::Registered, Subject::of(kind, id(name)), at, body)
}

/// The abilities that a training names: a list, or all.
fn abilities(training: &Value) -> Value {
    match &training["abilities"] {
        list @ Value::Array(_) => list.clone(),
        _ => json!(ABILITIES),
    }
}

fn trainings(name: &str, thing: &Map<String, Value>) -> Vec<Registration> {
    let trained = |training: &Value| {
        let at = time(training["at"].as_str().unwrap());
        let facts = json!({"wheel_kind": training["wheel_kind"], "abilities": abilities(training)});
        (Kind::Trained, Subject::of(SubjectKind::Person, id(name)), at, facts)
    };
    thing.get("trained").and_then(Value::as_array).into_iter().flatten().map(trained).collect()
}

/// What is registered of a thing, from what it is given as.
fn body(kind: SubjectKind, name: &str, mut thing: Map<String, Value>) -> Value {
    let text = |field: &str| thing[field].as_str().unwrap();
    match kind {
        SubjectKind::Person => json!({}),
        SubjectKind::Depot => json!({"name": name, "zone": thing["zone"]}),
        SubjectKind::Model => {
            if thing.remove("regroovable_sides") == Some(json!(2)) {
                thing.insert("regroovable".to_owned(), json!(true));
            }
            thing.extend([
                ("maker".to_owned(), json!("Invented")),
                ("name".to_owned(), json!(name)),
            ]);
            Value::Object(thing)
        }
        SubjectKind::Cage => {
            let mut body = json!({"name": name, "kind": thing.get("kind").unwrap_or(&json!("cage")),
                "depot": id(text("depot")), "largest_tire_psi": thing["largest_tire_psi"]});
            if let Some(repair) = thing.get("structural_repair") {
                body["structural_repair"] = repair.clone();
            }
            Value::Object(as_registered(body))
        }
        SubjectKind::Gauge => {
            thing.remove("in_calibration");
            thing.entry("calibrated_until").or_insert(json!("2026-12-31"));
            thing.insert("name".to_owned(), json!(name));
            Value::Object(thing)
        }
        SubjectKind::Recommendation => {
            let models = thing["models"].as_array().unwrap().iter();
            let models: Vec<Uuid> = models.map(|model| id(model.as_str().unwrap())).collect();
            json!({"maker": thing["maker"], "document": thing["document"], "models": models,
                "highest_psi": thing["highest_psi"]})
        }
        SubjectKind::Chart => {
            let rows = match thing.get("rows_from") {
                Some(_) => json!({"load_inflation": load_steps()}),
                None => json!({"rim_parts": thing["rows"]}),
            };
            json!({"name": name, "source": {"document": thing["chart"], "edition": "2025"},
                "rows": rows})
        }
        SubjectKind::Vehicle => {
            let axles: Vec<&Value> = thing["axles"].as_object().unwrap().values().collect();
            let mut body = json!({"unit": name, "kind": thing["kind"], "axles": axles});
            if let Some(light_truck) = thing.get("lt_tires") {
                body["light_truck_tires"] = light_truck.clone();
            }
            for field in ["state_permit", "spares"] {
                if let Some(value) = thing.get(field) {
                    body[field] = value.clone();
                }
            }
            body
        }
        _ => Value::Object(thing),
    }
}

/// The rows of the load table. What is marked there beside a pressure is the load range that is
/// rated at it; every range carries the same at lower pressures.
fn load_steps() -> Vec<Value> {
    let mut file =
        csv::Reader::from_reader(include_bytes!("../../data/load_inflation.csv").as_slice());
    let step = |row: csv::StringRecord| {
        let number = |text: &str| json!(text.parse::<f64>().unwrap());
        let evidence = if row[5].starts_with("seen") { "seen" } else { "memory" };
        let mut step = json!({"size": &row[0], "fitment": &row[1], "psi": number(&row[2]),
            "load_lb": number(&row[3]), "evidence": evidence});
        if !row[6].is_empty() {
            step["source"] = json!(&row[6]);
        }
        step
    };
    file.records().map(|record| step(record.unwrap())).collect()
}
