//! The ledger of one organisation, kept in memory, with what a shop needs.

use chrono::{DateTime, FixedOffset, Utc};
use rules::canonical::personal_hash;
use rules::entry::{Outcome, Sender};
use rules::facts::vehicle::Position;
use rules::fold::casing::Casing;
use rules::spot::Spot;
use rules::table::{How, RULES};
use rules::{Command, Entry, Kind, Subject, SubjectKind, World, decide};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// The id of what the tests call so.
pub fn id(name: &str) -> Uuid {
    Uuid::new_v8(Uuid::new_v5(&Uuid::NAMESPACE_URL, name.as_bytes()).into_bytes())
}

/// A clock time of 2 March 2026 in Chicago.
pub fn at(clock: &str) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339(&format!("2026-03-02T{clock}:00-06:00")).unwrap()
}

/// Ids of the rules that stopped it; none where it was recorded.
pub fn stopped(entries: &[Entry]) -> Vec<&str> {
    match &entries[0].outcome {
        Outcome::Recorded { .. } => Vec::new(),
        Outcome::Refused { reasons } => reasons.iter().map(|r| r.rule.as_str()).collect(),
    }
}

/// Every head and mark, and every entry in the order of arrival.
pub struct Ledger {
    pub all: World,
    pub log: Vec<Entry>,
}

impl Ledger {
    /// Two tractors with 100 psi in front, 95 psi on the duals and two spares, wheels, a cage, a gauge,
    /// tire models of 120 psi, Ada who may do everything and Bo who was never trained.
    pub fn shop() -> Ledger {
        let mut shop = Ledger { all: World::new(id("fleet")), log: Vec::new() };
        use SubjectKind as K;
        shop.register(K::Depot, "elmford", json!({"name": "Elmford", "zone": "America/Chicago"}));
        for name in ["ada", "bo"] {
            shop.register(K::Person, name, json!({}));
        }
        let abilities = [
            "demount_deflate",
            "inspect_identify",
            "mount_inflate",
            "use_restraint",
            "handle",
            "inflate_on_vehicle",
            "trajectory",
            "install_remove",
        ];
        let trained = json!({"wheel_kind": "single_piece", "abilities": abilities});
        shop.early(Kind::Trained, Subject::of(K::Person, id("ada")), trained);
        for construction in ["steel_radial", "fabric_radial"] {
            let model = json!({"maker": "Invented", "name": construction, "size": "295/75R22.5",
                "load_range": "H", "construction": construction, "tube_type": false,
                "sidewall_psi": 120, "single_lb": 6610, "dual_lb": 6005, "rim_in": 22.5,
                "rim_widths_in": [8.25], "new_tread_32nds": 22});
            shop.register(K::Model, construction, model);
        }
        for wheel in ["W1", "W2", "W3", "W4"] {
            let body =
                json!({"kind": "single_piece", "rim_in": 22.5, "width_in": 8.25, "rated_psi": 140});
            shop.register(K::Wheel, wheel, body);
        }
        for (cage, kind) in [("K1", "cage"), ("K2", "cage"), ("F1", "barrier")] {
            let body = json!({"name": cage, "kind": kind, "depot": id("elmford"), "largest_tire_psi": 150});
            shop.register(K::Cage, cage, body);
        }
        let gauge = json!({"name": "G1", "span_psi": 200, "grade": "2A", "resolution_psi": 0.1,
            "calibrated_until": "2026-12-31"});
        shop.register(K::Gauge, "G1", gauge);
        let axles = json!([{"places": "single", "steer": true, "set_psi": 100, "placard_psi": 90},
            {"places": "dual", "steer": false, "set_psi": 95, "placard_psi": 90}]);
        for unit in ["T1", "T2"] {
            let body = json!({"unit": unit, "kind": "tractor", "axles": axles, "spares": 2});
            shop.register(K::Vehicle, unit, body);
        }
        for cage in ["K1", "F1"] {
            let checked = json!({"defects": [], "label": "readable"});
            shop.must(Kind::CageChecked, Subject::of(K::Cage, id(cage)), "06:00", checked);
        }
        shop
    }

    /// Registers something long before the day of the test.
    pub fn register(&mut self, kind: SubjectKind, name: &str, body: Value) {
        self.early(Kind::Registered, Subject::of(kind, id(name)), body);
    }

    /// A chart of these rows, in force long before the day of the test.
    pub fn register_chart(&mut self, name: &str, rows: Value) {
        self.register(SubjectKind::Chart, name, chart(name, rows));
    }

    /// One more depot.
    pub fn register_depot(&mut self, name: &str) {
        self.register(SubjectKind::Depot, name, json!({"name": name, "zone": "America/Denver"}));
    }

    /// Recorded long before the day of the test.
    pub fn early(&mut self, kind: Kind, subject: Subject, facts: Value) {
        let when = DateTime::parse_from_rfc3339("2026-01-01T00:00:00-06:00").unwrap();
        let entries = self.send(kind, subject, when, when, facts);
        assert!(entries[0].recorded(), "{:?}", entries[0].outcome);
    }

    /// Sends an entry about a casing as it happens.
    pub fn casing(&mut self, kind: Kind, name: &str, clock: &str, facts: Value) -> Vec<Entry> {
        self.send(kind, Subject::casing(id(name)), at(clock), at(clock), facts)
    }

    /// Sends an entry about a casing that arrives later than it happened.
    pub fn late(
        &mut self,
        kind: Kind,
        name: &str,
        clock: &str,
        arrives: &str,
        facts: Value,
    ) -> Vec<Entry> {
        self.send(kind, Subject::casing(id(name)), at(clock), at(arrives), facts)
    }

    /// Sends an entry that has to be recorded; gives its id.
    pub fn must(&mut self, kind: Kind, subject: Subject, clock: &str, facts: Value) -> Uuid {
        let entries = self.send(kind, subject, at(clock), at(clock), facts);
        assert!(entries[0].recorded(), "{kind:?}: {:?}", entries[0].outcome);
        entries[0].id
    }

    /// Sends an entry, with every rule attested.
    pub fn send(
        &mut self,
        kind: Kind,
        subject: Subject,
        at: DateTime<FixedOffset>,
        now: DateTime<FixedOffset>,
        facts: Value,
    ) -> Vec<Entry> {
        self.request(now, vec![(kind, subject, at, facts)]).remove(0)
    }

    /// Sends entries in one request, with every rule attested. A note among the facts is kept
    /// apart from them.
    pub fn request(
        &mut self,
        now: DateTime<FixedOffset>,
        told: Vec<(Kind, Subject, DateTime<FixedOffset>, Value)>,
    ) -> Vec<Vec<Entry>> {
        let attested: Vec<&str> =
            RULES.iter().filter(|r| r.how == How::Attested).map(|r| r.id.as_str()).collect();
        let command = |(i, (kind, subject, at, facts)): (usize, (Kind, Subject, _, Value))| {
            let (at, mut facts): (DateTime<FixedOffset>, Value) = (at, facts);
            let note = facts.as_object_mut().and_then(|facts| facts.remove("note"));
            let body = json!({"id": id(&format!("entry {} {i}", self.log.len())), "kind": kind,
                "subject": subject, "occurred_at": at, "facts": facts, "attested": attested,
                "personal": note.map(|note| json!({"note": note}))});
            Command::read(body.to_string().as_bytes()).unwrap()
        };
        let commands: Vec<Command> = told.into_iter().enumerate().map(command).collect();
        let all: Vec<&Command> = commands.iter().collect();
        let mut world = self.world_for(&all);
        let mut answers = Vec::new();
        for (i, command) in all.iter().enumerate() {
            assert_eq!(world.dangling(command), []);
            // What those before it changed leads to nothing that was not found.
            let wants = world.wants([(id("ada"), *command)]);
            assert!(wants.is_empty(), "{:?}: {wants:?}", command.facts);
            let hash = command.personal.as_ref().map(|personal| personal_hash(&[], personal));
            let entries = decide(&world, now.to_utc(), ada(), command, &all[i + 1..], hash);
            for entry in &entries {
                world.apply(entry);
                self.log.push(entry.clone());
            }
            answers.push(entries);
        }
        self.all.heads.extend(world.heads);
        self.all.owners.extend(world.owners);
        answers
    }

    /// What decisions on these commands read, loaded from nothing, as a store would.
    pub fn world_for(&self, commands: &[&Command]) -> World {
        let mut world = World::new(self.all.org);
        loop {
            let wants = world.wants(commands.iter().map(|command| (id("ada"), *command)));
            if wants.is_empty() {
                return world;
            }
            let put_on = |spot: &Spot| {
                let put_on = self.log.iter().filter(|entry| entry.facts.put_on().contains(spot));
                put_on.map(|entry| entry.subject.id).collect::<BTreeSet<Uuid>>()
            };
            let on_spots: Vec<(Spot, DateTime<Utc>, BTreeSet<Uuid>)> =
                wants.spots.iter().map(|(spot, since)| (*spot, *since, put_on(spot))).collect();
            let were_there = on_spots.iter().flat_map(|(.., casings)| casings);
            let were_there: Vec<Subject> = were_there.map(|id| Subject::casing(*id)).collect();
            let hung = self.all.casings().filter(|(_, casing)| {
                let axle = casing.vehicle.zip(casing.position.map(Position::row));
                casing.wheel.is_some_and(|wheel| wants.wheels.contains(&wheel))
                    || axle.is_some_and(|axle| wants.axles.contains(&axle))
            });
            let hung: Vec<Subject> = hung.map(|(id, _)| Subject::casing(id)).collect();
            let worked_on = wants.takeovers.iter().filter_map(|vehicle| {
                let mut casings = self.all.casings();
                casings.find(|(_, casing)| casing.worked_on.contains(vehicle))
            });
            let worked_on: Vec<Subject> = worked_on.map(|(id, _)| Subject::casing(id)).collect();
            let charts =
                self.all.heads.keys().filter(|subject| {
                    subject.kind == SubjectKind::Chart && !wants.charts.is_empty()
                });
            let hung = hung.into_iter().chain(worked_on).chain(charts.copied());
            for subject in wants.subjects.into_iter().chain(hung).chain(were_there) {
                let head = self.all.heads.get(&subject).cloned().unwrap_or_default();
                world.heads.insert(subject, head);
            }
            for subject in wants.histories {
                let of = self.log.iter().filter(|entry| entry.subject == subject).cloned();
                world.histories.insert(subject, of.collect());
            }
            for mark in wants.marks {
                let owner = self.all.owners.get(&mark).copied().flatten();
                world.owners.insert(mark, owner);
            }
            for (spot, since, casings) in on_spots {
                world.spots.insert(spot, (since, casings));
            }
            world.wheels.extend(wants.wheels);
            world.axles.extend(wants.axles);
            world.models.extend(wants.models);
            world.charts.extend(wants.charts);
            world.takeovers.extend(wants.takeovers);
        }
    }

    pub fn known(&self, name: &str) -> &Casing {
        self.all.heads[&Subject::casing(id(name))].state.casing().unwrap()
    }

    /// A new casing with a brand number, inspected at 07:30, on a wheel from 08:00.
    pub fn mounted(&mut self, name: &str, model: &str, wheel: &str) {
        let acquired = json!({"origin": "new", "model": id(model), "depot": id("elmford"),
            "marks": {"brand": name}});
        let casing = Subject::casing(id(name));
        self.must(Kind::Acquired, casing, "07:00", acquired);
        self.must(Kind::Inspected, casing, "07:30", inspected(true));
        self.must(Kind::Mounted, casing, "08:00", mounted(name, wheel));
    }

    /// The same, then held at 08:30 and released at 09:00 for 100 psi.
    pub fn released(&mut self, name: &str, model: &str, wheel: &str) {
        self.mounted(name, model, wheel);
        let casing = Subject::casing(id(name));
        self.must(Kind::Held, casing, "08:30", held(name, "standard"));
        self.must(Kind::Released, casing, "09:00", released(name));
    }
}

pub fn ada() -> Sender {
    Sender { person: id("ada"), sent_at: None }
}

pub fn chart(name: &str, rows: Value) -> Value {
    json!({"name": name, "source": {"document": name, "edition": "2025"}, "rows": rows})
}

pub fn inspected(passed: bool) -> Value {
    json!({"off_wheel": true, "inside": "clear", "outside": "clear",
        "beads": if passed { "clear" } else { "damaged" }, "passed": passed})
}

pub fn mounted(brand: &str, wheel: &str) -> Value {
    json!({"wheel": id(wheel), "read": {"brand": brand}, "place": "cage", "cage": id("K1"),
        "seat_psi": 30, "to_psi": 100})
}

/// A passed hold at 120 psi; an extended one lasts 20 minutes.
pub fn held(brand: &str, kind: &str) -> Value {
    let minutes = if kind == "extended" { 21 } else { 2 };
    let readings: Vec<Value> = (0..=minutes).map(|m| json!([m * 60, 120, 70])).collect();
    json!({"read": {"brand": brand}, "kind": kind, "evidence": "logged", "supply_isolated": true,
        "place": "cage", "cage": id("K1"), "gauge": id("G1"), "for_set_psi": 100,
        "readings": readings})
}

pub fn released(brand: &str) -> Value {
    json!({"read": {"brand": brand}, "path": "cage", "operating_psi": 100, "left_cage_psi": 100,
        "core_in": true})
}

pub fn installed(brand: &str, position: &str) -> Value {
    json!({"read": {"brand": brand}, "vehicle": id("T1"), "position": position,
        "torque_ft_lb": 475})
}
