//! Writes the demo's entries down: one method a kind of work.

use super::{Person, Posting, id, named, person_id};
use chrono::{DateTime, Days, FixedOffset, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use rules::facts::vehicle::Position;
use rules::{Command, Quantity, Subject, SubjectKind};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// A depot with the people and things usually at work there.
pub(super) struct Depot {
    pub(super) name: &'static str,
    pub(super) zone: Tz,
    pub(super) altitude_ft: i64,
    pub(super) crew: &'static str,
    pub(super) cage: &'static str,
    pub(super) gauge: &'static str,
}

pub(super) static ELMFORD: Depot = Depot {
    name: "Elmford",
    zone: chrono_tz::America::Chicago,
    altitude_ft: 620,
    crew: "ada",
    cage: "Elmford cage 1",
    gauge: "Elmford digital 1",
};

pub(super) static SANDGATE: Depot = Depot {
    name: "Sandgate",
    zone: chrono_tz::America::Denver,
    altitude_ft: 5_300,
    crew: "ben",
    cage: "Sandgate cage 1",
    gauge: "Sandgate digital 1",
};

/// Local time at a depot: days before the demo's last morning, hour, minute.
pub(super) type When = (u64, u32, u32);

/// A casing as its crew thinks of it.
pub(super) struct Tire {
    pub(super) brand: String,
    pub(super) model: &'static str,
    pub(super) depot: &'static Depot,
}

impl Tire {
    /// The one with this number.
    pub(super) fn new(number: u32, model: &'static str, depot: &'static Depot) -> Tire {
        Tire { brand: format!("LK-{number}"), model, depot }
    }
}

/// A place on a vehicle, with its set pressure.
pub(super) struct Spot {
    pub(super) unit: String,
    pub(super) position: Position,
    pub(super) set_psi: i64,
}

impl Spot {
    pub(super) fn dual(&self) -> bool {
        self.position.mate().is_some()
    }
}

/// A proof hold: its kind, what its readings show, and the gauge if not the usual one.
#[derive(Clone, Copy)]
pub(super) enum Hold {
    Standard,
    StandardWith(&'static str),
    Extended,
    ExtendedLeaking,
}

/// An entry before it has an id.
struct Note<'a> {
    who: &'a str,
    at: DateTime<FixedOffset>,
    kind: &'a str,
    subject: Subject,
    name: &'a str,
    more: Value,
}

/// Depth of a new tread from the retreader, 32nds of an inch.
pub(super) const RETREAD_DEPTH: i64 = 18;

/// Days between the first entry and the last morning.
pub(super) const FIRST_DAY: u64 = 730;

pub(super) struct Diary {
    /// The last morning: today's, or yesterday's where it is too early in the day.
    last_morning: NaiveDate,
    postings: Vec<Posting>,
    /// How many entries of this kind a thing has.
    counts: BTreeMap<String, u32>,
    /// Depots and days on which a cage is used.
    caged: BTreeSet<(&'static str, u64)>,
    /// Those of them on which it was looked at.
    looked: BTreeSet<(&'static str, u64)>,
    registered: i32,
}

impl Diary {
    /// A diary of the time before `now`.
    pub(super) fn before(now: DateTime<Utc>) -> Diary {
        let here = now.with_timezone(&ELMFORD.zone).naive_local();
        let early = here.time() < NaiveTime::from_hms_opt(9, 0, 0).expect("nine o'clock");
        let last_morning = here.date() - Days::new(u64::from(early));
        let (caged, looked) = (BTreeSet::new(), BTreeSet::new());
        let (postings, counts) = (Vec::new(), BTreeMap::new());
        Diary { last_morning, postings, counts, caged, looked, registered: 0 }
    }

    /// Takes out what was written, in order of time, with the looks at the cages that it took.
    pub(super) fn take(&mut self) -> Vec<Posting> {
        for (depot, day) in std::mem::take(&mut self.caged) {
            if !self.looked.insert((depot, day)) {
                continue;
            }
            let depot = if depot == ELMFORD.name { &ELMFORD } else { &SANDGATE };
            let facts = json!({"defects": [], "label": "readable"});
            let at = self.time(depot, (day, 6, 30));
            self.about(depot.crew, at, "cage_checked", (SubjectKind::Cage, depot.cage), facts);
        }
        let mut postings = std::mem::take(&mut self.postings);
        postings.sort_by_key(|posting| posting.at);
        postings
    }

    /// The day so many days before the last morning.
    pub(super) fn day(&self, days: u64) -> NaiveDate {
        self.last_morning - Days::new(days)
    }

    /// When that day begins, at Elmford.
    pub(super) fn begins(&self, days: u64) -> DateTime<FixedOffset> {
        self.time(&ELMFORD, (days, 0, 0))
    }

    pub(super) fn time(&self, depot: &Depot, (days, hour, minute): When) -> DateTime<FixedOffset> {
        let local = self.day(days).and_hms_opt(hour, minute, 0).expect("an hour of the day");
        let at = depot.zone.from_local_datetime(&local).earliest();
        at.expect("nobody works in the hour that summer time leaves out").fixed_offset()
    }

    fn write(&mut self, note: Note<'_>) -> Uuid {
        let name = format!("{} {} {}", note.subject.kind.name(), note.name, note.kind);
        let count = self.counts.entry(name.clone()).or_default();
        *count += 1;
        let entry = Uuid::new_v8(named(&format!("{name} {count}")).into_bytes());
        let mut body = json!({"id": entry, "kind": note.kind, "subject": note.subject,
            "occurred_at": note.at.to_rfc3339()});
        if let (Value::Object(body), Value::Object(more)) = (&mut body, note.more) {
            body.extend(more);
        }
        let command = Command::read(body.to_string().as_bytes())
            .unwrap_or_else(|error| panic!("the demo's own entry: {body}: {error:?}"));
        let person = person_id(note.who);
        self.postings.push(Posting { person, at: note.at.to_utc(), command });
        entry
    }

    /// An entry about anything but a casing.
    pub(super) fn about(
        &mut self,
        who: &str,
        at: DateTime<FixedOffset>,
        kind: &str,
        (subject, name): (SubjectKind, &str),
        facts: Value,
    ) {
        let subject = Subject::of(subject, id(subject, name));
        self.write(Note { who, at, kind, subject, name, more: json!({"facts": facts}) });
    }

    /// A thing entered into the ledger on the first day, each a little after the one before.
    pub(super) fn register(&mut self, who: &str, thing: (SubjectKind, &str), facts: Value) {
        let at = self.first_day();
        self.about(who, at, "registered", thing, facts);
    }

    /// A person entered into the ledger; the name is kept apart.
    pub(super) fn register_person(&mut self, person: &Person) {
        let at = self.first_day();
        let subject = Subject::of(SubjectKind::Person, person_id(person.login));
        let facts = person.employer.map_or(json!({}), |firm| json!({"employer": firm}));
        let more = json!({"facts": facts, "personal": {"name": person.name}});
        let (who, name) = ("gus", person.login);
        self.write(Note { who, at, kind: "registered", subject, name, more });
    }

    fn first_day(&mut self) -> DateTime<FixedOffset> {
        self.registered += 1;
        self.time(&ELMFORD, (FIRST_DAY, 8, 0)) + TimeDelta::seconds(20) * self.registered
    }

    /// An entry about a casing, with everything that its crew confirms.
    fn work(
        &mut self,
        tire: &Tire,
        when: When,
        kind: &str,
        confirmed: &[&str],
        facts: Value,
    ) -> Uuid {
        let more = json!({"facts": facts, "attested": confirmed});
        self.sent(tire, (tire.depot.crew, when), kind, more)
    }

    fn sent(&mut self, tire: &Tire, (who, when): (&str, When), kind: &str, more: Value) -> Uuid {
        let at = self.time(tire.depot, when);
        let subject = Subject::casing(id(SubjectKind::Casing, &tire.brand));
        self.write(Note { who, at, kind, subject, name: &tire.brand, more })
    }

    pub(super) fn acquire(&mut self, tire: &Tire, when: When) {
        let facts = json!({
            "origin": "new",
            "model": id(SubjectKind::Model, tire.model),
            "depot": id(SubjectKind::Depot, tire.depot.name),
            "marks": {"brand": tire.brand},
            "price": {"cents": 41_000 + vary(&tire.brand, 0, 40) * 100, "currency": "USD"},
        });
        let more = json!({"facts": facts});
        self.sent(tire, ("cora", when), "acquired", more);
    }

    /// A radio tag is put on.
    pub(super) fn tag(&mut self, tire: &Tire, when: When) {
        let tag =
            format!("E280-{}", &id(SubjectKind::Casing, &tire.brand).simple().to_string()[..8]);
        self.work(tire, when, "identified", &[], json!({"marks": {"tag": tag.to_uppercase()}}));
    }

    /// Inspected off the wheel: inside, outside and beads, nothing found.
    pub(super) fn inspect(&mut self, tire: &Tire, when: When) {
        let clear = json!({"off_wheel": true, "inside": "clear", "outside": "clear",
            "beads": "clear", "passed": true});
        self.work(tire, when, "inspected", &[], clear);
    }

    /// Inspected off the wheel: a break in the plies, seen from inside.
    pub(super) fn inspect_broken(&mut self, tire: &Tire, when: When) {
        let broken = json!({"off_wheel": true, "inside": "damaged", "outside": "clear",
            "beads": "clear", "passed": false});
        self.work(tire, when, "inspected", &[], broken);
    }

    /// Inspected off the wheel, and the liner is creased: a sign of a zipper rupture.
    pub(super) fn inspect_creased(&mut self, tire: &Tire, when: When) {
        let creased = json!({"off_wheel": true, "inside": "damaged", "outside": "clear",
            "beads": "clear", "passed": false, "signs": ["liner_creasing"]});
        self.work(tire, when, "inspected", &[], creased);
    }

    pub(super) fn mount(&mut self, tire: &Tire, when: When, wheel: &str, to_psi: i64) -> Uuid {
        self.mount_on(tire, when, wheel, json!({"to_psi": to_psi}), None)
    }

    /// Mounted in the depot's cage, with what is particular about it.
    pub(super) fn mount_on(
        &mut self,
        tire: &Tire,
        when: When,
        wheel: &str,
        particular: Value,
        retries: Option<Uuid>,
    ) -> Uuid {
        self.caged.insert((tire.depot.name, when.0));
        let mut facts = json!({"wheel": id(SubjectKind::Wheel, wheel), "read": {"brand": tire.brand},
            "place": "cage", "cage": id(SubjectKind::Cage, tire.depot.cage), "outside_psi": 3,
            "seat_psi": 26 + vary(&tire.brand, 0, 8), "rib_spread_32nds": 1});
        if let (Value::Object(facts), Value::Object(particular)) = (&mut facts, particular) {
            facts.extend(particular);
        }
        let more = with_retry(json!({"facts": facts, "attested": MOUNTING}), retries);
        self.sent(tire, (tire.depot.crew, when), "mounted", more)
    }

    /// Held in the depot's cage for this set pressure.
    pub(super) fn hold(&mut self, tire: &Tire, when: When, set_psi: i64, hold: Hold) {
        self.caged.insert((tire.depot.name, when.0));
        let kind = match hold {
            Hold::Standard | Hold::StandardWith(_) => "standard",
            Hold::Extended | Hold::ExtendedLeaking => "extended",
        };
        let gauge = if let Hold::StandardWith(gauge) = hold { gauge } else { tire.depot.gauge };
        let facts = json!({"read": {"brand": tire.brand}, "kind": kind, "evidence": "logged",
            "supply_isolated": true, "place": "cage", "cage": id(SubjectKind::Cage, tire.depot.cage),
            "gauge": id(SubjectKind::Gauge, gauge), "for_set_psi": set_psi,
            "readings": readings(hold, set_psi + 20)});
        self.work(tire, when, "held", HOLDING, facts);
    }

    pub(super) fn release(
        &mut self,
        tire: &Tire,
        when: When,
        psi: i64,
        retries: Option<Uuid>,
    ) -> Uuid {
        let facts = json!({"read": {"brand": tire.brand}, "path": "cage", "operating_psi": psi,
            "left_cage_psi": psi, "core_in": true});
        let more = json!({"facts": facts, "attested": ["release.seated", "release.cap"]});
        self.sent(tire, (tire.depot.crew, when), "released", with_retry(more, retries))
    }

    pub(super) fn install(&mut self, tire: &Tire, when: When, spot: &Spot) {
        self.install_by(tire, (tire.depot.crew, when), spot, Some(475));
    }

    /// Installed by this person, the nuts tightened so far as they say.
    pub(super) fn install_by(
        &mut self,
        tire: &Tire,
        by: (&str, When),
        spot: &Spot,
        torque_ft_lb: Option<i64>,
    ) -> Uuid {
        let mut confirmed = vec!["install.wheel"];
        if spot.dual() {
            confirmed.push("install.dual_contact");
        }
        let facts = json!({"read": {"brand": tire.brand}, "vehicle": id(SubjectKind::Vehicle, &spot.unit),
            "position": spot.position, "torque_ft_lb": torque_ft_lb, "psi": spot.set_psi,
            "odometer_mi": odometer(&spot.unit, by.1.0)});
        self.sent(tire, by, "installed", json!({"facts": facts, "attested": confirmed}))
    }

    /// The office finds out that what was refused did happen.
    pub(super) fn resolve(&mut self, tire: &Tire, when: When, refused: Uuid) {
        let facts = json!({"refusal": refused, "it_did_happen": true});
        let more = json!({"facts": facts, "personal": {"note": "Finn called: it is on the road."}});
        self.sent(tire, ("cora", when), "resolved", more);
    }

    /// The nuts are checked again.
    pub(super) fn torque(&mut self, tire: &Tire, when: When, spot: &Spot) {
        let facts = json!({"torque_ft_lb": 475, "odometer_mi": odometer(&spot.unit, when.0)});
        self.work(tire, when, "torqued", &[], facts);
    }

    pub(super) fn read_pressure(&mut self, tire: &Tire, when: When, psi: i64) {
        self.work(tire, when, "pressure_read", &[], json!({"psi": psi}));
    }

    pub(super) fn read_tread(&mut self, tire: &Tire, when: When, depth: i64) {
        let grooves =
            json!([[depth + 1, depth, depth], [depth, depth, depth], [depth, depth, depth + 1]]);
        self.work(tire, when, "tread_read", &[], json!({"grooves_32nds": grooves}));
    }

    /// Taken off the vehicle with its air in.
    pub(super) fn remove(&mut self, tire: &Tire, when: When, spot: &Spot) {
        self.off(tire, (tire.depot.crew, when), spot, (spot.set_psi, false));
    }

    /// Core out and fully flat first, because it was found low.
    pub(super) fn remove_flat(&mut self, tire: &Tire, when: When, spot: &Spot, found_psi: i64) {
        self.off(tire, (tire.depot.crew, when), spot, (found_psi, true));
    }

    /// Taken off by this person: pressure found, and whether it was let down first.
    pub(super) fn off(
        &mut self,
        tire: &Tire,
        by: (&str, When),
        spot: &Spot,
        (found_psi, flat): (i64, bool),
    ) {
        let confirmed: &[&str] = match (flat, spot.dual()) {
            (true, true) => &["demount.valve_clear", "remove.duals_deflated"],
            (true, false) => &["demount.valve_clear"],
            (false, _) => &[],
        };
        let facts = json!({"found_psi": found_psi, "core_out_flat": flat,
            "depot": id(SubjectKind::Depot, tire.depot.name),
            "odometer_mi": odometer(&spot.unit, by.1.0)});
        self.sent(tire, by, "removed", json!({"facts": facts, "attested": confirmed}));
    }

    pub(super) fn scrap(&mut self, tire: &Tire, when: When, reason: &str) {
        self.work(tire, when, "scrapped", &[], json!({"reason": reason}));
    }

    /// Scrap is cut and goes to be shredded.
    pub(super) fn cut(&mut self, tire: &Tire, when: When) {
        let cut = json!({"cut": "both beads cut through", "photo": format!("{}-cut.jpg", tire.brand),
            "witness": person_id("dora")});
        self.work(tire, when, "made_unusable", &[], cut);
        let gone = json!({"facts": {"how": "scrap", "to": "Copse Recycling"}});
        let (day, hour, minute) = when;
        let minutes = hour * 60 + minute + 20;
        self.sent(tire, ("cora", (day, minutes / 60, minutes % 60)), "disposed", gone);
    }

    /// To be retreaded; the retreader is told where it is under doubt.
    pub(super) fn send_to_retread(&mut self, tire: &Tire, when: When, doubtful: bool) {
        let more = json!({"facts": {"to": "Pinebrook Retreading", "purpose": "retread",
            "declared_suspect": doubtful}});
        self.sent(tire, ("cora", when), "sent_away", more);
    }

    /// It comes back with a new tread, or without one where it was rejected.
    pub(super) fn come_back(&mut self, tire: &Tire, when: When, rejected: Option<&str>) {
        let read = json!({"brand": tire.brand});
        let facts = match rejected {
            Some(why) => json!({"read": read, "done": "nothing", "rejected_for": why}),
            None => json!({"read": read, "done": "retread", "tread_32nds": RETREAD_DEPTH}),
        };
        self.sent(tire, ("cora", when), "returned", json!({"facts": facts}));
    }

    pub(super) fn demount(&mut self, tire: &Tire, by: (&str, When), retries: Option<Uuid>) -> Uuid {
        let more = json!({"facts": {}, "attested": DEMOUNTING});
        self.sent(tire, by, "demounted", with_retry(more, retries))
    }
}

const DEMOUNTING: &[&str] = &["service.charts", "demount.deflated", "demount.valve_clear"];

const MOUNTING: &[&str] = &[
    "service.charts",
    "mount.valve",
    "mount.clean",
    "mount.lubricated",
    "mount.narrow_ledge",
    "mount.no_force",
    "inflate.air_line",
    "inflate.trajectory",
    "inflate.clear",
    "seat.first_stop",
    "seat.no_ether",
];

const HOLDING: &[&str] = &[
    "inflate.air_line",
    "inflate.trajectory",
    "inflate.clear",
    "hold.valve_reach",
    "hold.core_out",
];

fn with_retry(mut more: Value, retries: Option<Uuid>) -> Value {
    if let Some(refused) = retries {
        more["retries"] = json!(refused);
    }
    more
}

/// Readings a minute apart, in steps of a tenth of a psi.
fn readings(hold: Hold, target_psi: i64) -> Value {
    let (minutes, fall): (i64, fn(i64) -> i64) = match hold {
        Hold::Standard | Hold::StandardWith(_) => (1, |_| 0),
        Hold::Extended => (20, |minute| minute / 8),
        // A weeping valve core: a fifth of a psi each minute.
        Hold::ExtendedLeaking => (20, |minute| minute * 2),
    };
    let tenths = |minute| Quantity::from_hundredths(target_psi * 100 + 120 - fall(minute) * 10);
    (0..=minutes).map(|minute| json!([minute * 60, tenths(minute), 66])).collect()
}

/// A vehicle's odometer so many days before the last morning, miles.
fn odometer(unit: &str, days: u64) -> i64 {
    let daily = vary(unit, 180, 330);
    vary(unit, 90_000, 300_000) + (FIRST_DAY - days) as i64 * daily
}

/// A number between two others, both included, that hangs on a name alone.
pub(super) fn vary(name: &str, low: i64, high: i64) -> i64 {
    let draw = named(&format!("vary {name} {low} {high}")).as_u128() % (high - low + 1) as u128;
    low + draw as i64
}
