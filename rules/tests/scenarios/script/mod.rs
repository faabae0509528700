//! Command sequences with their outcomes, for any ledger.
//!
//! Sources: 29 CFR 1910.177, OSHA's charts, 49 CFR 393.75 and common practice, as
//! the table of rules names them; people, vehicles and casings are invented.

mod expect;
mod given;

use chrono::{DateTime, FixedOffset, Utc};
use given::Given;
use rules::table::{How, RULES};
use rules::{Entry, Kind, Role, Subject, SubjectKind, View};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// A ledger that scenarios are played on.
pub trait Ledger {
    /// Sends an entry. The answer is the entry as decided, then what the ledger
    /// added; or the HTTP status of what is neither recorded nor refused.
    fn send(&mut self, sending: &Sending) -> Result<Vec<Entry>, u16> {
        self.send_together(std::slice::from_ref(sending)).remove(0)
    }
    /// Sends entries of one person in one request; the answers in their order.
    fn send_together(&mut self, sendings: &[Sending]) -> Vec<Result<Vec<Entry>, u16>>;
    /// What is shown of a casing; null where it is not to be known of.
    fn casing(&mut self, org: &str, casing: Uuid) -> Value;
    /// The same as it was at a moment, or as it was known then.
    fn as_of(&mut self, org: &str, casing: Uuid, view: View) -> Value;
    /// Whether a wheel is tagged as bad.
    fn tagged(&mut self, org: &str, wheel: Uuid) -> bool;
    /// Whether a vehicle, by its unit number, must stay where it is.
    fn do_not_move(&mut self, org: &str, unit: &str) -> bool;
}

/// An entry on its way to a ledger.
#[derive(Debug)]
pub struct Sending {
    /// The name of the organisation.
    pub org: String,
    /// The name of the person who sends.
    pub person: String,
    /// The ledger's clock when it arrives.
    pub now: DateTime<Utc>,
    /// The device's clock when it was sent.
    pub sent_at: Option<DateTime<FixedOffset>>,
    /// It is only asked how it would come out.
    pub dry_run: bool,
    /// The entry.
    pub body: Value,
}

/// What a step says of an entry.
struct Saying {
    kind: String,
    subject: Subject,
    occurred_at: String,
    facts: Value,
    attested: BTreeSet<String>,
    note: Option<Value>,
    retries: Option<Uuid>,
}

/// The id of the thing, person or organisation with this name.
pub fn id(name: &str) -> Uuid {
    Uuid::new_v8(Uuid::new_v5(&Uuid::NAMESPACE_URL, name.as_bytes()).into_bytes())
}

/// An instant.
pub fn time(text: &str) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339(text).unwrap()
}

fn texts(value: &Value) -> BTreeSet<String> {
    value.as_array().into_iter().flatten().map(|text| text.as_str().unwrap().to_owned()).collect()
}

/// The written scenarios.
pub fn scenarios() -> Vec<Value> {
    given::file()["scenarios"].as_array().unwrap().clone()
}

/// The ten worked hold series, each on a casing of its own, whose wheel sets the
/// series' limit, in a cage of its own, because one that saw a failure is checked
/// again: the verdicts come out as written with the series.
pub fn worked_holds() -> Value {
    let mut given = json!({"casings": {}, "wheels": {}, "cages": {}});
    let mut steps = Vec::new();
    for (n, one) in given::series().iter().enumerate() {
        let name = one["id"].as_str().unwrap();
        let (wheel, cage) = (format!("wheel of {name}"), format!("cage of {name}"));
        given["wheels"][&wheel] = json!({"like": "W1", "rated_psi": one["limit_psi"]});
        given["cages"][&cage] = json!({"like": "K1"});
        given["casings"][name] = json!({"model": "merrow-295g", "brand": format!("LK-19{n:02}"),
            "state": "mounted", "wheel": wheel});
        // A leak may be the valve's; the other failures are doubts about the casing.
        let adds = match one["verdict"].as_str().unwrap() {
            "over_limit" | "sudden_loss" => json!([{"kind": "flagged", "reason": "hold"}]),
            _ => json!([]),
        };
        steps.push(json!({"id": name, "do": "held", "subject": name,
            "occurred_at": format!("2026-03-16T{:02}:00:00-05:00", 8 + n),
            "facts": {"kind": "extended", "cage": cage, "readings_from": name},
            "expect": {"outcome": "recorded", "verdict": one["verdict"],
                "target_psi": one["target_psi"], "adds": adds}}));
    }
    json!({"id": "worked holds", "given": given, "steps": steps, "then": {}})
}

/// One scenario with all that it is given.
pub struct Script {
    scenario: Value,
    given: Given,
    sent: u32,
    checked: BTreeSet<(String, String, String)>,
    bodies: BTreeMap<(String, Subject), Value>,
}

impl Script {
    pub fn new(scenario: &Value) -> Script {
        Script {
            given: Given::of(scenario),
            scenario: scenario.clone(),
            sent: 0,
            checked: BTreeSet::new(),
            bodies: BTreeMap::new(),
        }
    }

    /// The names of the organisations.
    pub fn organisations(&self) -> Vec<String> {
        self.given.names("organisations")
    }

    /// Everybody's name and role; the same people in every organisation.
    pub fn people(&self) -> Vec<(String, Role)> {
        let role = |name: &str| self.given.thing("people", name)["role"].clone();
        let people = self.given.names("people").into_iter();
        people.map(|name| (name.clone(), serde_json::from_value(role(&name)).unwrap())).collect()
    }

    /// Plays the scenario; panics where something comes out otherwise than written.
    pub fn play(mut self, ledger: &mut impl Ledger) {
        self.register(ledger);
        self.check_cages(ledger, time("2026-01-12T08:00:00-06:00"));
        self.prepare(ledger);
        let then = self.scenario["then"].as_object().unwrap().clone();
        let before: Vec<u64> = then.keys().map(|name| expect::entries(ledger, name)).collect();
        let mut ids = BTreeMap::new();
        let steps = self.scenario["steps"].as_array().unwrap().clone();
        for steps in steps.chunk_by(one_request) {
            self.take(ledger, steps, &mut ids);
        }
        for ((name, then), before) in then.iter().zip(before) {
            let place = format!("{} then {name}", self.scenario["id"]);
            expect::then(&place, ledger, name, then, before);
        }
        for as_of in self.scenario["as_of"].as_array().into_iter().flatten() {
            let moment = |field: &str| as_of[field].as_str().map(|text| time(text).to_utc());
            let view = View { as_of: moment("occurred"), known_at: moment("known") };
            let name = as_of["subject"].as_str().unwrap();
            let shown = ledger.as_of("larkspur", id(name), view);
            for (field, value) in as_of["expect"].as_object().unwrap() {
                let wheel = (field == "wheel").then(|| json!(id(value.as_str().unwrap())));
                let place = format!("{} {name} {view:?}: {field}", self.scenario["id"]);
                assert_eq!(shown[field], wheel.unwrap_or(value.clone()), "{place}");
            }
        }
    }

    fn register(&mut self, ledger: &mut impl Ledger) {
        for org in self.organisations() {
            for (kind, subject, at, facts) in self.given.registrations(&org) {
                self.must(ledger, (&org, "gus"), kind, subject, at, facts);
            }
        }
    }

    /// Cages with a daily check have a clean one on each day on which something happens.
    fn check_cages(&mut self, ledger: &mut impl Ledger, at: DateTime<FixedOffset>) {
        for org in self.organisations() {
            for (name, checked_at) in self.given.daily_checks(at) {
                let day = checked_at.date_naive().to_string();
                if self.checked.insert((org.clone(), name.clone(), day)) {
                    let cage = Subject::of(SubjectKind::Cage, id(&name));
                    let facts = json!({"defects": [], "label": "readable"});
                    self.must(ledger, (&org, "gus"), Kind::CageChecked, cage, checked_at, facts);
                }
            }
        }
    }

    /// Brings every casing into the state that the scenario begins with.
    fn prepare(&mut self, ledger: &mut impl Ledger) {
        for name in self.given.names("casings") {
            for (kind, at, facts) in self.given.states(&name) {
                let casing = Subject::casing(id(&name));
                self.must(ledger, ("larkspur", "ada"), kind, casing, at, facts);
            }
        }
    }

    fn must(
        &mut self,
        ledger: &mut impl Ledger,
        (org, person): (&str, &str),
        kind: Kind,
        subject: Subject,
        at: DateTime<FixedOffset>,
        facts: Value,
    ) {
        let said = Saying {
            kind: kind.name().to_owned(),
            subject,
            occurred_at: at.to_rfc3339(),
            facts,
            attested: every_attested(),
            note: None,
            retries: None,
        };
        let sending = Sending {
            org: org.to_owned(),
            person: person.to_owned(),
            now: at.to_utc(),
            sent_at: None,
            dry_run: false,
            body: self.body(said),
        };
        let place = format!("{} {}", self.scenario["id"], sending.body);
        match self.send(ledger, &sending) {
            Ok(entries) => assert!(entries[0].recorded(), "{:?}: {place}", entries[0].outcome),
            Err(status) => panic!("{status}: {place}"),
        }
    }

    fn body(&mut self, said: Saying) -> Value {
        self.sent += 1;
        let mut body = json!({"id": id(&format!("entry {}", self.sent)), "kind": said.kind, "subject": said.subject,
            "occurred_at": said.occurred_at, "facts": said.facts, "attested": said.attested});
        if let Some(note) = said.note {
            body["personal"] = json!({"note": note});
        }
        if let Some(retries) = said.retries {
            body["retries"] = json!(retries);
        }
        body
    }

    fn send(&mut self, ledger: &mut impl Ledger, sending: &Sending) -> Result<Vec<Entry>, u16> {
        let entries = ledger.send(sending)?;
        let own = &entries[0];
        if own.recorded() && matches!(own.facts.kind(), Kind::Registered | Kind::Changed) {
            let facts = sending.body["facts"].clone();
            self.bodies.insert((sending.org.clone(), own.subject), facts);
        }
        Ok(entries)
    }

    /// Steps that are sent in one request.
    fn take(
        &mut self,
        ledger: &mut impl Ledger,
        steps: &[Value],
        ids: &mut BTreeMap<String, Uuid>,
    ) {
        let sendings: Vec<Sending> =
            steps.iter().map(|step| self.sending(ledger, step, ids)).collect();
        let answers = match &sendings[..] {
            [one] => vec![self.send(ledger, one)],
            all => ledger.send_together(all),
        };
        for (step, answer) in steps.iter().zip(answers) {
            let place = format!("{} {}", self.scenario["id"], step["id"]);
            expect::answer(&place, &step["expect"], ids, answer);
        }
    }

    fn sending(
        &mut self,
        ledger: &mut impl Ledger,
        step: &Value,
        ids: &mut BTreeMap<String, Uuid>,
    ) -> Sending {
        let name = step["id"].as_str().unwrap();
        let org = step["org"].as_str().unwrap_or("larkspur");
        let occurred_at = step["occurred_at"].as_str().unwrap();
        let arrives = step["arrives_at"].as_str().unwrap_or(occurred_at);
        // A step may lack the offset, which is its error; it arrives all the same.
        let now = DateTime::parse_from_rfc3339(arrives)
            .unwrap_or_else(|_| time(&format!("{arrives}-05:00")));
        self.check_cages(ledger, now);
        let mut body = self.said(step, org, ids);
        for same in ["same_id_in_other_org", "same_id_as", "repeat"] {
            if let Some(of) = step[same].as_str() {
                body["id"] = json!(ids[of]);
            }
        }
        ids.insert(name.to_owned(), serde_json::from_value(body["id"].clone()).unwrap());
        Sending {
            org: org.to_owned(),
            person: step["by"].as_str().unwrap_or("ada").to_owned(),
            now: now.to_utc(),
            sent_at: step["device_sent_at"].as_str().map(time),
            dry_run: step["dry_run"] == true,
            body,
        }
    }

    fn said(&mut self, step: &Value, org: &str, ids: &BTreeMap<String, Uuid>) -> Value {
        let name = step["subject"].as_str().unwrap();
        let subject = self.given.subject(name);
        let (kind, mut facts) = self.given.facts(step, name);
        if kind == "changed" {
            // A thing is changed by its whole new body; the step gives what changes.
            let mut changes = facts;
            facts = self.bodies[&(org.to_owned(), subject)].clone();
            if let Some(axles) = changes.as_object_mut().unwrap().remove("axles") {
                given::lay_over_axles(&mut facts["axles"], &axles);
            }
            facts.as_object_mut().unwrap().extend(given::as_registered(changes));
        }
        for field in ["corrects", "refusal", "entry"] {
            if let Some(of) = facts.get(field).and_then(Value::as_str) {
                facts[field] = json!(ids[of]);
            }
        }
        let note = facts.as_object_mut().and_then(|facts| facts.remove("note"));
        self.body(Saying {
            kind,
            subject,
            note,
            occurred_at: step["occurred_at"].as_str().unwrap().to_owned(),
            facts,
            attested: attested(step),
            retries: step["retries"].as_str().map(|of| ids[of]),
        })
    }
}

/// Steps of one job that arrive together are one request.
fn one_request(step: &Value, next: &Value) -> bool {
    step["job"].is_string()
        && step["job"] == next["job"]
        && step["arrives_at"] == next["arrives_at"]
}

fn every_attested() -> BTreeSet<String> {
    RULES.iter().filter(|rule| rule.how == How::Attested).map(|rule| rule.id.clone()).collect()
}

fn attested(step: &Value) -> BTreeSet<String> {
    match step.get("attested") {
        None | Some(Value::String(_)) => every_attested(),
        Some(list @ Value::Array(_)) => texts(list),
        Some(object) => {
            let without = texts(&object["all_but"]);
            let mut all: BTreeSet<String> =
                every_attested().difference(&without).cloned().collect();
            all.extend(texts(&object["all_and"]));
            all
        }
    }
}
