//! A day's work at random: most of it possible where the casing is, some of it late, some
//! of it impossible. The same seed gives the same day.

use crate::script::{Sending, id};
use chrono::{DateTime, FixedOffset, TimeDelta};
use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rules::table::{How, RULES};
use rules::{Entry, Kind, Subject, SubjectKind};
use serde_json::{Value, json};
use uuid::{Builder, Uuid};

/// The casings worked on; the wheels are `W1` and so on.
pub const CASINGS: [&str; 6] = ["A", "B", "C", "D", "E", "F"];
pub const WHEELS: u32 = 10;

use Kind as K;

#[rustfmt::skip]
const AT_A_DEPOT: &[Kind] = &[
    K::Inspected, K::Inspected, K::Mounted, K::Mounted, K::Mounted, K::TreadRead, K::SentAway,
];
const ON_A_WHEEL: &[Kind] =
    &[K::Held, K::Held, K::Released, K::Installed, K::Installed, K::Demounted, K::PressureRead];
const AWAY: &[Kind] = &[K::Returned];
const LOST: &[Kind] = &[K::Found];
const ON_A_VEHICLE: &[Kind] = &[K::PressureRead, K::Removed, K::Removed, K::Torqued, K::TreadRead];
#[rustfmt::skip]
const ANYWHERE: &[Kind] = &[
    K::Inspected, K::Mounted, K::Held, K::Released, K::Installed, K::Removed, K::Demounted,
    K::PressureRead, K::Flagged, K::Identified, K::Torqued, K::Acquired, K::Moved, K::Missing,
];

/// The scenario that the day begins with.
pub fn given() -> Value {
    let casing = |n: u8, state: &str, wheel: &str, position: &str| {
        json!({"model": "merrow-295g", "brand": format!("LK-{n}"), "state": state, "wheel": wheel,
            "vehicle": "T1", "position": position})
    };
    let steps = json!([{"id": "s1", "do": "cage_checked", "subject": "K1",
        "occurred_at": "2026-03-10T06:10:00-05:00", "expect": {"outcome": "recorded"}}]);
    json!({"id": "work at random", "steps": steps, "then": {}, "given": {"casings": {
        "A": casing(1, "installed", "W1", "2LO"), "B": casing(2, "installed", "W2", "2LI"),
        "C": casing(3, "released", "W3", ""), "D": casing(4, "mounted", "W4", ""),
        "E": casing(5, "inspected", "", ""), "F": casing(6, "stock", "", "")}}})
}

pub struct Day {
    dice: StdRng,
    now: DateTime<FixedOffset>,
    refused: Vec<(Subject, Uuid)>,
}

impl Day {
    pub fn new(seed: u64) -> Day {
        let now = DateTime::parse_from_rfc3339("2026-03-10T06:30:00-05:00").unwrap();
        Day { dice: StdRng::seed_from_u64(seed), now, refused: Vec::new() }
    }

    /// Somebody may try it again.
    pub fn was_refused(&mut self, sending: &Sending, entry: &Entry) {
        if !sending.dry_run {
            self.refused.push((entry.subject, entry.id));
        }
    }

    /// The next entry; `casing` shows a casing as it stands.
    pub fn next(&mut self, mut casing: impl FnMut(Uuid) -> Value) -> Sending {
        self.now += TimeDelta::seconds(self.dice.random_range(1..300));
        let (kind, subject, facts) = if self.once_in(8) {
            self.elsewhere()
        } else {
            let n = self.dice.random_range(0..CASINGS.len());
            let subject = Subject::casing(id(CASINGS[n]));
            let kind = self.kind(casing(subject.id)["whereabouts"].as_str());
            (kind, subject, self.facts(kind, n + 1))
        };
        let person = match kind {
            K::Changed => "dora",
            // Never trained.
            _ if self.once_in(15) => "cora",
            _ => self.one(&["ada", "ben"]),
        };
        Sending {
            org: "larkspur".to_owned(),
            person: person.to_owned(),
            now: self.now.to_utc(),
            sent_at: None,
            dry_run: self.once_in(10),
            body: self.body(kind, subject, facts),
        }
    }

    fn body(&mut self, kind: Kind, subject: Subject, facts: Value) -> Value {
        // Sent when there was no connection, it comes late.
        let late = if self.once_in(6) { self.dice.random_range(1..400) } else { 0 };
        let occurred_at = self.now - TimeDelta::minutes(late);
        let attested = RULES.iter().filter(|rule| rule.how == How::Attested);
        let mut attested: Vec<&str> = attested.map(|rule| rule.id.as_str()).collect();
        if self.once_in(12) {
            attested.remove(self.dice.random_range(0..attested.len()));
        }
        if self.once_in(2) {
            attested.push("install.duals");
        }
        let id = Builder::from_random_bytes(self.dice.random()).into_uuid();
        let mut body = json!({"id": id, "kind": kind.name(),
            "subject": subject, "occurred_at": occurred_at.to_rfc3339(), "facts": facts,
            "attested": attested});
        let again = self.once_in(3);
        let refused = self.refused.iter().rev().find(|(of, _)| again && *of == subject);
        if let Some((_, refused)) = refused {
            body["retries"] = json!(refused);
        }
        body
    }

    fn one<T: Copy>(&mut self, of: &[T]) -> T {
        *of.choose(&mut self.dice).unwrap()
    }

    fn once_in(&mut self, times: u32) -> bool {
        self.dice.random_ratio(1, times)
    }

    /// A list that is nearly always empty.
    fn seldom(&mut self, times: u32, what: &str) -> Vec<String> {
        if self.once_in(times) { vec![what.to_owned()] } else { Vec::new() }
    }

    fn kind(&mut self, whereabouts: Option<&str>) -> Kind {
        let here = match whereabouts {
            _ if self.once_in(5) => ANYWHERE,
            Some("depot") => AT_A_DEPOT,
            Some("wheel") => ON_A_WHEEL,
            Some("away") => AWAY,
            Some("missing") => LOST,
            _ => ON_A_VEHICLE,
        };
        self.one(here)
    }

    /// The facts of an entry about the casing with this number.
    fn facts(&mut self, kind: Kind, number: usize) -> Value {
        let read = if self.once_in(20) { 1 } else { number };
        let read = json!({"brand": format!("LK-{read}")});
        let psi = self.one(&[0, 60, 80, 81, 95, 100, 100, 100, 100, 100, 100, 105]);
        match kind {
            K::Mounted => self.mounted(read),
            K::Held => self.held(read),
            K::Inspected => json!({"off_wheel": true, "inside": "clear", "outside": "clear",
                "beads": "clear", "passed": !self.once_in(8), "signs": self.seldom(80, "bulge")}),
            K::Released => json!({"read": read, "path": "cage", "operating_psi": psi.max(80),
                "left_cage_psi": psi.max(80), "core_in": true}),
            K::Installed => json!({"read": read, "vehicle": id("T1"),
                "position": self.one(&["2LO", "2LI", "2RO", "2RI", "3LO", "3LI", "3RO", "1L"]),
                "torque_ft_lb": 475, "damage": self.seldom(20, "flat")}),
            K::Removed => json!({"found_psi": psi, "core_out_flat": !self.once_in(4)}),
            K::Demounted => json!({}),
            K::PressureRead => json!({"psi": psi}),
            K::TreadRead => json!({"grooves_32nds": [[self.one(&[15, 14, 14, 13, 12, 3]), 12]]}),
            K::Flagged => json!({"reason": self.one(&["low", "unknown"])}),
            K::Identified => json!({"marks": {"tag": self.one(&["TAG-1", "TAG-2", "TAG-3"])}}),
            K::SentAway => json!({"to": "Pinebrook", "purpose": self.one(&["retread", "repair"]),
                "declared_suspect": !self.once_in(4)}),
            K::Returned => {
                json!({"read": read, "done": self.one(&["retread", "repair", "nothing"])})
            }
            K::Moved => json!({"to_depot": id(self.one(&["elmford", "sandgate"]))}),
            K::Missing => json!({"off_wheel": self.once_in(2)}),
            K::Found => json!({"depot": id("elmford")}),
            K::Torqued => json!({"torque_ft_lb": 475}),
            _ => json!({"origin": "new", "model": id("merrow-295g"), "depot": id("elmford"),
                "marks": {"brand": format!("LK-{number}")}}),
        }
    }

    fn wheel(&mut self) -> Uuid {
        id(&format!("W{}", self.dice.random_range(1..=WHEELS)))
    }

    fn mounted(&mut self, read: Value) -> Value {
        json!({"wheel": self.wheel(), "read": read, "place": "cage", "cage": id("K1"),
            "wheel_condition": self.seldom(60, "cracked"), "outside_psi": 3,
            "seat_psi": if self.once_in(15) { 41 } else { 30 }, "to_psi": 100,
            "rib_spread_32nds": 1, "signs": self.seldom(80, "bulge")})
    }

    fn held(&mut self, read: Value) -> Value {
        let psi = self.one(&[120.2, 120.2, 120.2, 120.2, 118.0, 150.0]);
        let (kind, minutes) = self.one(&[("standard", 1), ("extended", 20), ("extended", 20)]);
        let readings: Vec<Value> = (0..=minutes).map(|n| json!([n * 60, psi, 70])).collect();
        json!({"read": read, "kind": kind, "evidence": "logged", "supply_isolated": true,
            "place": "cage", "cage": id("K1"), "gauge": id(self.one(&["G1", "G1", "G2"])),
            "for_set_psi": 100, "readings": readings, "signs": self.seldom(80, "bulge")})
    }

    /// Something about anything but a casing.
    fn elsewhere(&mut self) -> (Kind, Subject, Value) {
        let of = |kind, name: &str| Subject::of(kind, id(name));
        match self.dice.random_range(0..7) {
            0..=2 => {
                let defects = self.seldom(8, "cracked_weld");
                let facts = json!({"defects": defects, "label": "readable"});
                (K::CageChecked, of(SubjectKind::Cage, "K1"), facts)
            }
            3 if self.once_in(4) => {
                let wheel = Subject::of(SubjectKind::Wheel, self.wheel());
                (K::Tagged, wheel, json!({"faults": ["bent"]}))
            }
            3 | 4 => {
                let until = self.one(&["2026-03-09", "2027-01-01", "2027-01-01"]);
                (K::Calibrated, of(SubjectKind::Gauge, "G1"), json!({"calibrated_until": until}))
            }
            5 => {
                let body = json!({"overpressure_psi": self.one(&[20, 21]),
                    "extended_hold_s": 1200, "bolted_on_path": false});
                (K::Changed, of(SubjectKind::Policy, "larkspur"), body)
            }
            _ => {
                let axle = |steer: bool, set_psi: i32| {
                    let places = if steer { "single" } else { "dual" };
                    json!({"places": places, "steer": steer, "set_psi": set_psi, "placard_psi": 90})
                };
                let axles =
                    [axle(true, 110), axle(false, self.one(&[100, 95, 105])), axle(false, 100)];
                let body = json!({"unit": "T1", "kind": "tractor", "axles": axles});
                (K::Changed, of(SubjectKind::Vehicle, "T1"), body)
            }
        }
    }
}
