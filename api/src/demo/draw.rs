//! The rest of the fleet: as many casings as are asked for, drawn from a seed.
//!
//! Vehicles live day by day. Their tires wear, are read on walk rounds, found low, taken apart,
//! held and put back; or they are damaged, worn out, retreaded and scrapped. How often each
//! happens is invented.

use super::Drawn;
use super::diary::{
    Depot, Diary, ELMFORD, FIRST_DAY, Hold, RETREAD_DEPTH, SANDGATE, Spot, Tire, When, vary,
};
use super::given::{DUAL_PSI, Unit, vehicle, wheel_body};
use rules::SubjectKind as Kind;
use rules::facts::vehicle::VehicleKind;
use serde_json::json;
use std::borrow::Cow;

/// The first number of a drawn casing, and of a drawn vehicle.
pub(super) const FIRST_CASING: u32 = 100_000;
const FIRST_UNIT: u32 = 1_000;

/// Of a hundred casings so many are put on vehicles at once; the others take their places.
const FITTED_AT_ONCE: u32 = 55;

/// What runs on dual axles.
const DUAL_MODEL: &str = "Longhaul G";

/// Tread of a new tire, and the least at which one is kept for use elsewhere, 32nds of an inch.
const NEW_DEPTH: i64 = 22;
const KEPT: i64 = 12;

/// Mates of a dual pair are no further apart in tread: half of what trade guidance allows.
const APART: i64 = 2;

/// Days between walk rounds.
const ROUND: u64 = 21;

/// At this depth a tire comes off, 32nds of an inch: above what 49 CFR 393.75(b) and (c) ask of
/// a steering axle and of others.
const PULL_STEER: i64 = 6;
const PULL_OTHER: i64 = 4;

pub(super) struct Draw {
    seed: u64,
    casings: std::ops::Range<u32>,
    vehicles: Vec<Rolling>,
}

/// A drawn vehicle.
struct Rolling {
    unit: Unit,
    places: Vec<Place>,
    /// What may be put on it again: taken off good, or come back from the retreader.
    spares: Vec<Carcass>,
    /// Casings at the retreader, with the day on which each comes back.
    away: Vec<(u64, Carcass)>,
}

/// A casing off the vehicle.
struct Carcass {
    tire: Tire,
    /// How often it was retreaded.
    retreads: u32,
    /// What is left of its tread, 32nds of an inch.
    depth: i64,
    /// It is under doubt: it is held for twenty minutes before it runs again.
    doubtful: bool,
}

struct Place {
    spot: Spot,
    wheel: String,
    on: Option<Running>,
}

/// A tire on its place.
struct Running {
    carcass: Carcass,
    since: u64,
    days_a_32nd: u64,
    /// Put on yesterday: its nuts are checked again.
    recheck: bool,
}

impl Running {
    fn depth(&self, day: u64) -> i64 {
        (self.carcass.depth - ((self.since - day) / self.days_a_32nd) as i64).max(2)
    }
}

impl Draw {
    pub(super) fn new(drawn: Drawn) -> Draw {
        let casings = FIRST_CASING..FIRST_CASING + drawn.casings;
        let mut draw = Draw { seed: drawn.seed, casings, vehicles: Vec::new() };
        let mut places = u64::from(drawn.casings) * u64::from(FITTED_AT_ONCE) / 100;
        for number in FIRST_UNIT.. {
            let rolling = draw.vehicle(number);
            match places.checked_sub(rolling.places.len() as u64) {
                Some(left) => places = left,
                None => break,
            }
            draw.vehicles.push(rolling);
        }
        draw
    }

    fn vehicle(&self, number: u32) -> Rolling {
        let name = format!("LH-{number}");
        let dice = |what: &str, low, high| vary(&format!("{} {name} {what}", self.seed), low, high);
        let (kind, steer_psi, duals) = match dice("kind", 0, 9) {
            0..=3 => (VehicleKind::Tractor, Some(110), 2),
            4..=5 => (VehicleKind::Truck, Some(100), 1),
            _ => (VehicleKind::Trailer, None, 2),
        };
        let depot: &'static Depot = if dice("depot", 0, 9) < 6 { &ELMFORD } else { &SANDGATE };
        let fitted = dice("fitted", FIRST_DAY as i64 * 6 / 10, FIRST_DAY as i64 - 5) as u64;
        let unit =
            Unit { unit: Cow::Owned(name), kind, depot, steer_psi, duals, first_tire: 0, fitted };
        let wheel = |i: usize| format!("LW-{number}-{}", i + 1);
        let places = unit.spots().into_iter().enumerate();
        let places = places.map(|(i, spot)| Place { spot, wheel: wheel(i), on: None }).collect();
        Rolling { unit, places, spares: Vec::new(), away: Vec::new() }
    }

    /// What happens on a day.
    pub(super) fn day(&mut self, diary: &mut Diary, day: u64) {
        for rolling in &mut self.vehicles {
            let today = Today { seed: self.seed, day, unit: rolling.unit.unit.to_string() };
            if day == rolling.unit.fitted + 1 {
                rolling.register(diary, day);
            } else if day == rolling.unit.fitted {
                for i in 0..rolling.places.len() {
                    let bought = self.casings.next().map(|n| rolling.buy(diary, &today, i, n));
                    if let Some(carcass) = bought {
                        rolling.put_on(diary, &today, i, carcass, (7, 30));
                    }
                }
            } else if (1..rolling.unit.fitted).contains(&day) {
                rolling.live(diary, &today, &mut self.casings);
            }
        }
        if day == 1 {
            self.rest(diary);
        }
    }

    /// What is still to be bought lies at the depots.
    fn rest(&mut self, diary: &mut Diary) {
        for number in self.casings.by_ref() {
            let depot = if number % 2 == 0 { &ELMFORD } else { &SANDGATE };
            let minute = number % 60;
            diary.acquire(&Tire::new(number, DUAL_MODEL, depot), (1, 14, minute));
        }
    }
}

/// A day of a vehicle.
struct Today {
    seed: u64,
    day: u64,
    unit: String,
}

impl Today {
    /// A number drawn for something of this vehicle on this day.
    fn dice(&self, what: &str, low: i64, high: i64) -> i64 {
        vary(&format!("{} {} {} {what}", self.seed, self.unit, self.day), low, high)
    }

    /// So many minutes after this hour.
    fn at(&self, hour: u32, minutes: u32) -> When {
        (self.day, hour + minutes / 60, minutes % 60)
    }
}

impl Rolling {
    fn register(&self, diary: &mut Diary, day: u64) {
        let at = diary.time(self.unit.depot, (day, 9, 0));
        for place in &self.places {
            diary.about("cora", at, "registered", (Kind::Wheel, &place.wheel), wheel_body());
        }
        let body = json!(vehicle(&self.unit, DUAL_PSI));
        diary.about("cora", at, "registered", (Kind::Vehicle, &self.unit.unit), body);
    }

    /// A new tire for this place, delivered in the morning.
    fn buy(&self, diary: &mut Diary, today: &Today, place: usize, number: u32) -> Carcass {
        let model = if self.places[place].spot.dual() { DUAL_MODEL } else { "Longhaul H" };
        let tire = Tire::new(number, model, self.unit.depot);
        diary.acquire(&tire, today.at(6, 40 + place as u32));
        Carcass { tire, retreads: 0, depth: NEW_DEPTH, doubtful: false }
    }

    /// From off the wheel onto its place: inspected, mounted, held, released, installed. Takes
    /// an hour and a half.
    fn put_on(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        i: usize,
        mut carcass: Carcass,
        (hour, minute): (u32, u32),
    ) {
        let at = |minutes| today.at(hour, minute + 3 * i as u32 + minutes);
        let place = &mut self.places[i];
        let (tire, psi) = (&carcass.tire, place.spot.set_psi);
        let hold = if carcass.doubtful { Hold::Extended } else { Hold::Standard };
        diary.inspect(tire, at(0));
        diary.mount(tire, at(10), &place.wheel, psi);
        diary.hold(tire, at(25), psi, hold);
        diary.release(tire, at(50), psi, None);
        diary.install(tire, at(60), &place.spot);
        carcass.doubtful = false;
        let dual = place.spot.dual();
        let days_a_32nd =
            today.dice(&format!("wear {i}"), 18, 24) as u64 + if dual { 6 } else { 0 };
        place.on = Some(Running { carcass, since: today.day, days_a_32nd, recheck: true });
    }

    fn live(&mut self, diary: &mut Diary, today: &Today, casings: &mut impl Iterator<Item = u32>) {
        self.take_back(diary, today);
        for place in &mut self.places {
            if let Some(running) = place.on.as_mut().filter(|running| running.recheck) {
                running.recheck = false;
                diary.torque(&running.carcass.tire, today.at(6, 45), &place.spot);
            }
        }
        let phase = vary(&self.unit.unit, 0, ROUND as i64 - 1) as u64;
        if today.day % ROUND == phase {
            self.walk_round(diary, today, casings);
        }
    }

    /// What comes back from the retreader today.
    fn take_back(&mut self, diary: &mut Diary, today: &Today) {
        let back = self.away.extract_if(.., |(back, _)| *back >= today.day);
        for (_, carcass) in back {
            let (tire, retreads) = (carcass.tire, carcass.retreads + 1);
            if today.dice(&format!("rejected {}", tire.brand), 0, 99) < 12 {
                diary.come_back(&tire, today.at(6, 30), Some("separation at the shoulder"));
                diary.scrap(&tire, today.at(6, 50), "belt_separation");
                diary.cut(&tire, today.at(7, 0));
            } else {
                diary.come_back(&tire, today.at(6, 30), None);
                self.spares.push(Carcass { tire, retreads, depth: RETREAD_DEPTH, ..carcass });
            }
        }
    }

    /// Pressures are read, every third time treads; then what was found is seen to, one thing
    /// a place and no more than one pair a day.
    fn walk_round(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        casings: &mut impl Iterator<Item = u32>,
    ) {
        let treads = today.dice("treads", 0, 2) == 0;
        let mut low = None;
        for (i, place) in self.places.iter().enumerate() {
            let Some(running) = &place.on else { continue };
            let (tire, at) = (&running.carcass.tire, today.at(7, 2 * i as u32));
            let leaks = low.is_none() && today.dice(&format!("leak {i}"), 0, 999) < 6;
            let psi = match leaks {
                true => place.spot.set_psi * today.dice("low", 55, 79) / 100,
                false => place.spot.set_psi + today.dice(&format!("psi {i}"), -5, 1),
            };
            diary.read_pressure(tire, at, psi);
            if treads {
                diary.read_tread(tire, today.at(7, 2 * i as u32 + 1), running.depth(today.day));
            }
            if leaks {
                low = Some((i, psi));
            }
        }
        if let Some((i, psi)) = low {
            self.found_low(diary, today, (i, psi), casings);
            return;
        }
        let worn = (0..self.places.len()).find(|i| {
            let pull = if self.places[*i].spot.dual() { PULL_OTHER } else { PULL_STEER };
            self.places[*i].on.as_ref().is_some_and(|running| running.depth(today.day) <= pull)
        });
        let damaged = |i: &usize| today.dice(&format!("damage {i}"), 0, 999) < 4;
        if let Some(i) = worn {
            self.replace(diary, today, i, None, casings);
        } else if let Some(i) = (0..self.places.len()).find(damaged) {
            self.replace(diary, today, i, Some("impact_break"), casings);
        }
    }

    /// The other place of a dual pair, if there is a tire on it.
    fn mate(&self, i: usize) -> Option<usize> {
        let mate = self.places[i].spot.position.mate()?;
        self.places.iter().position(|place| place.on.is_some() && place.spot.position == mate)
    }

    /// The low tire and the one beside it come off flat and are inspected; both are held for
    /// twenty minutes, unless the liner tells that the low one is scrap.
    fn found_low(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        (low, psi): (usize, i64),
        casings: &mut impl Iterator<Item = u32>,
    ) {
        let pair: Vec<usize> = std::iter::once(low).chain(self.mate(low)).collect();
        for (minutes, i) in (0..).step_by(5).zip(&pair) {
            let Place { spot, on: Some(running), .. } = &self.places[*i] else { continue };
            let (tire, found) = (&running.carcass.tire, if *i == low { psi } else { spot.set_psi });
            diary.remove_flat(tire, today.at(9, minutes), spot, found);
            diary.read_tread(tire, today.at(9, minutes + 10), running.depth(today.day));
            self.take_apart(diary, today, *i, minutes);
        }
        if today.dice("creased", 0, 99) >= 15 {
            for (minutes, i) in (0..).step_by(40).zip(pair) {
                self.hold_and_put_back(diary, today, i, minutes);
            }
            return;
        }
        for i in &pair {
            let Some(running) = self.places[*i].on.take() else { continue };
            let depth = running.depth(today.day);
            let carcass = Carcass { depth, doubtful: true, ..running.carcass };
            if *i == low {
                diary.inspect_creased(&carcass.tire, today.at(10, 30));
                diary.cut(&carcass.tire, today.at(10, 45));
            } else {
                diary.inspect(&carcass.tire, today.at(10, 40));
                self.keep_or_retread(diary, today, carcass, 11 * 60);
            }
        }
        self.renew(diary, today, &pair, casings);
    }

    /// Sometimes somebody who is not trained yet tries first, and nobody comes back to it.
    fn take_apart(&self, diary: &mut Diary, today: &Today, i: usize, minutes: u32) {
        let Some(running) = &self.places[i].on else { return };
        let tire = &running.carcass.tire;
        if today.dice(&format!("nell {i}"), 0, 99) < 8 {
            diary.demount(tire, ("nell", today.at(9, minutes + 25)), None);
        }
        diary.demount(tire, (tire.depot.crew, today.at(9, minutes + 30)), None);
    }

    /// Sometimes it is released too early first.
    fn hold_and_put_back(&mut self, diary: &mut Diary, today: &Today, i: usize, minutes: u32) {
        let place = &mut self.places[i];
        let (Some(running), psi) = (&mut place.on, place.spot.set_psi) else { return };
        let (tire, at) = (&running.carcass.tire, |more| today.at(11, minutes + more));
        diary.inspect(tire, at(0));
        diary.mount(tire, at(10), &place.wheel, psi);
        let hasty = today.dice(&format!("hasty {i}"), 0, 99) < 25;
        let refused = hasty.then(|| {
            diary.hold(tire, at(25), psi, Hold::Standard);
            diary.release(tire, at(35), psi, None)
        });
        diary.hold(tire, at(45), psi, Hold::Extended);
        diary.release(tire, at(75), psi, refused);
        diary.install(tire, at(90), &place.spot);
        running.recheck = true;
    }

    /// Worn or damaged, a tire comes off, and where no spare matches the other one of its pair
    /// that one comes off too.
    fn replace(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        i: usize,
        damage: Option<&str>,
        casings: &mut impl Iterator<Item = u32>,
    ) {
        let beside = self.mate(i).filter(|mate| self.spare_for(today, *mate).is_none());
        let off: Vec<usize> = std::iter::once(i).chain(beside).collect();
        for (minutes, j) in (0..).step_by(40).zip(&off) {
            self.take_off(diary, today, *j, damage.filter(|_| *j == i), 8 * 60 + minutes);
        }
        self.renew(diary, today, &off, casings);
    }

    /// A tire comes off: damaged it is scrap, good it is kept, worn it goes to be retreaded.
    fn take_off(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        i: usize,
        damage: Option<&str>,
        minutes: u32,
    ) {
        let place = &mut self.places[i];
        let Some(running) = place.on.take() else { return };
        let depth = running.depth(today.day);
        let (carcass, at) =
            (Carcass { depth, ..running.carcass }, |more| today.at(0, minutes + more));
        let tire = &carcass.tire;
        match damage {
            Some(_) => diary.remove_flat(tire, at(0), &place.spot, place.spot.set_psi),
            None => diary.remove(tire, at(0), &place.spot),
        }
        diary.read_tread(tire, at(5), depth);
        diary.demount(tire, (tire.depot.crew, at(15)), None);
        if let Some(reason) = damage {
            diary.inspect_broken(tire, at(25));
            diary.scrap(tire, at(30), reason);
            diary.cut(tire, at(35));
        } else {
            diary.inspect(tire, at(25));
            self.keep_or_retread(diary, today, carcass, minutes + 30);
        }
    }

    /// A casing off its wheel, inspected.
    fn keep_or_retread(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        carcass: Carcass,
        minutes: u32,
    ) {
        if carcass.depth >= KEPT {
            self.spares.push(carcass);
        } else if carcass.retreads < 2 && carcass.tire.model == DUAL_MODEL {
            diary.send_to_retread(&carcass.tire, today.at(0, minutes), carcass.doubtful);
            let days = today.dice(&format!("away {}", carcass.tire.brand), 14, 24) as u64;
            self.away.push((today.day.saturating_sub(days), carcass));
        } else {
            diary.scrap(&carcass.tire, today.at(0, minutes), "worn_out");
            diary.cut(&carcass.tire, today.at(0, minutes + 5));
        }
    }

    /// Where among the spares one lies that may run beside this tire.
    fn spare_for(&self, today: &Today, mate: usize) -> Option<usize> {
        let depth = self.places[mate].on.as_ref()?.depth(today.day);
        self.spares.iter().position(|spare| {
            spare.tire.model == DUAL_MODEL && (spare.depth - depth).abs() <= APART
        })
    }

    /// What comes on instead: beside a tire that stays a spare that matches it, for a pair two
    /// spares that match each other, else new tires while there are any.
    fn renew(
        &mut self,
        diary: &mut Diary,
        today: &Today,
        off: &[usize],
        casings: &mut impl Iterator<Item = u32>,
    ) {
        for (minutes, i) in (0..).step_by(40).zip(off) {
            let spare = self.mate(*i).and_then(|mate| self.spare_for(today, mate));
            let pair = || self.spares.iter().position(|one| self.matched(one, off.len()));
            let next = match spare.or_else(pair) {
                Some(spare) => Some(self.spares.swap_remove(spare)),
                None => casings.next().map(|number| self.buy(diary, today, *i, number)),
            };
            if let Some(carcass) = next {
                self.put_on(diary, today, *i, carcass, (13, minutes));
            }
        }
    }

    /// Whether there is another spare to run beside this one.
    fn matched(&self, spare: &Carcass, places: usize) -> bool {
        let like = |other: &&Carcass| (other.depth - spare.depth).abs() <= APART;
        let duals = |other: &&Carcass| other.tire.model == DUAL_MODEL;
        places == 2 && duals(&spare) && self.spares.iter().filter(duals).filter(like).count() >= 2
    }
}
