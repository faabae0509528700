//! State of a casing.

mod custody;
mod disposal;
mod opening;

use super::Moment;
use crate::Quantity;
use crate::entry::{Entry, Worked};
use crate::facts::Facts;
use crate::facts::casing::{
    Damage, Doubt, Installed, Marks, Ordered, Origin, Path, Removed, RepairKind, RepairPlace,
};
use crate::facts::model::Construction;
use crate::facts::vehicle::Position;
use crate::hold::{HoldKind, Verdict};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::Uuid;

/// Whether a casing may be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// No open doubt.
    Serviceable,
    /// Known or suspected run low or overloaded, or any other open doubt.
    Suspect,
    /// Never again.
    Scrap,
}

/// Where a casing is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Whereabouts {
    /// Off the wheel, at a depot.
    Depot,
    /// Mounted on a wheel, not on a vehicle.
    Wheel,
    /// On a vehicle.
    Vehicle,
    /// At a retreader, a repairer or its maker.
    Away,
    /// Nobody knows.
    Missing,
    /// It left the fleet for good.
    Gone,
}

/// A doubt that is still open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OpenDoubt {
    /// The entry that raised it.
    pub entry: Uuid,
    /// When.
    pub at: DateTime<Utc>,
    /// Why.
    pub reason: Doubt,
}

/// The decision that it is scrap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Scrap {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// For a sign of a zipper rupture.
    pub sign: bool,
}

/// A passed proof hold that still counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Proof {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The highest set pressure it proves.
    pub covers_psi: Quantity,
}

/// A release of the present mounting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Release {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The pressure it went to work with.
    pub operating_psi: Quantity,
    /// The highest set pressure it is good for.
    pub covers_psi: Quantity,
    /// No doubt came since.
    pub stands: bool,
}

/// The present mounting.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Mounting {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// Leaks found by holds in this mounting.
    pub leaks: u32,
    /// The passed hold of the highest pressure since this mounting and the latest doubt.
    pub proof: Option<Proof>,
    /// The last passed extended hold since this mounting and the latest doubt.
    pub extended: Option<Moment>,
    /// The last release of this mounting.
    pub release: Option<Release>,
}

/// The present place on a vehicle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Fitting {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// Cold pressure when it was installed.
    pub psi: Option<Quantity>,
    /// Outside diameter when it was installed.
    pub diameter_in: Option<Quantity>,
    /// The vehicle's odometer when it was installed.
    pub odometer_mi: Option<Quantity>,
    /// The recheck of the nuts.
    pub rechecked: Option<Moment>,
}

/// The last tread reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Tread {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The shallowest point of any major groove.
    pub least_32nds: Quantity,
    /// It has run since.
    pub ran_since: bool,
}

/// The last pressure reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Pressure {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// As read.
    pub psi: Quantity,
}

/// Damage that has not been answered by a clean inspection.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Damaged {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// What.
    pub damage: Vec<Damage>,
}

/// What a casing is kept from use for: a matter that it is evidence in, or a recall.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Matter {
    /// Since when.
    #[serde(flatten)]
    pub moment: Moment,
    /// The matter or the campaign.
    pub name: String,
}

/// A repair that a casing has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Repair {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// How.
    pub repair: RepairKind,
    /// Where.
    pub place: RepairPlace,
}

/// What it was sent away for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Order {
    /// When.
    #[serde(flatten)]
    pub moment: Moment,
    /// The firm.
    pub to: String,
    /// What is ordered.
    pub purpose: Ordered,
}

/// What is known of a casing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = CasingState)]
pub struct Casing {
    /// When it came.
    pub acquired: Moment,
    /// How it came.
    pub origin: Origin,
    /// Its model.
    pub model: Uuid,
    /// How it is built.
    pub construction: Construction,
    /// Its marks.
    pub marks: Marks,
    /// Retreads so far; 0 is the original tread.
    pub life: u32,
    /// Whether it may be used.
    pub standing: Standing,
    /// Where it is.
    pub whereabouts: Whereabouts,
    /// The last depot it was at; none where it came on its vehicle.
    pub depot: Option<Uuid>,
    /// The wheel it is on.
    pub wheel: Option<Uuid>,
    /// The vehicle it is on.
    pub vehicle: Option<Uuid>,
    /// Its position there.
    pub position: Option<Position>,
    /// Taken over while it was rolling, and not demounted since.
    pub taken_over: Option<Moment>,
    /// The vehicles that an entry named, or that it sat on at an entry, after it came: they
    /// are taken over no longer.
    #[serde(default)]
    pub worked_on: BTreeSet<Uuid>,
    /// The last move.
    pub moved: Moment,
    /// While it is away: what it was sent for.
    pub order: Option<Order>,
    /// Doubts that are open.
    pub doubts: Vec<OpenDoubt>,
    /// The latest doubt, open or answered.
    pub doubted: Option<Moment>,
    /// The decision that it is scrap.
    pub scrap: Option<Scrap>,
    /// When it was cut, so that nobody can run it again.
    pub unusable: Option<Moment>,
    /// The matters that it is kept for as evidence.
    pub preserved: Vec<Matter>,
    /// The recalls that are not remedied.
    pub recalls: Vec<Matter>,
    /// The clean inspection off the wheel since the last demount.
    pub inspected: Option<Moment>,
    /// The clean inspection off the wheel since the later of the last demount
    /// and the latest doubt.
    pub sound: Option<Moment>,
    /// The present mounting.
    pub mounting: Option<Mounting>,
    /// The present place on a vehicle.
    pub fitting: Option<Fitting>,
    /// When it last came off a vehicle.
    pub ran: Option<Moment>,
    /// The last tread reading.
    pub tread: Option<Tread>,
    /// The last pressure reading.
    pub pressure: Option<Pressure>,
    /// Let down and not aired up since.
    pub let_down: Option<Moment>,
    /// Its repairs, in order.
    #[serde(default)]
    pub repairs: Vec<Repair>,
    /// The retreader of this tread marked it regroovable.
    #[serde(default)]
    pub regroovable: bool,
    /// When this tread was regrooved.
    pub regrooved: Option<Moment>,
    /// Damage not answered by a clean inspection.
    pub damage: Option<Damaged>,
    /// A sign, a flat or damage was found while it was installed, or it was installed against
    /// the rules: the vehicle may not move until it is off.
    pub danger: Option<Moment>,
}

/// A tread reading taken this long before a removal still counts as taken after
/// the run: crews read the treads on the walk round, then take the wheels off.
const WALK_ROUND: TimeDelta = TimeDelta::hours(24);

impl Casing {
    /// The state after `acquired`.
    #[must_use]
    pub fn acquired(entry: &Entry) -> Option<Casing> {
        let Facts::Acquired(facts) = &entry.facts else {
            return None;
        };
        let (construction, covers) = match entry.worked()? {
            Worked::Construction(construction) => (construction, None),
            Worked::TakenOver(taken) => (&taken.construction, taken.covers_psi),
            _ => return None,
        };
        let mut casing = Casing {
            acquired: Moment::of(entry),
            origin: facts.origin,
            model: facts.model,
            construction: *construction,
            marks: facts.marks.clone(),
            life: 0,
            standing: Standing::Serviceable,
            whereabouts: Whereabouts::Depot,
            depot: facts.depot,
            wheel: None,
            vehicle: None,
            position: None,
            taken_over: None,
            worked_on: BTreeSet::new(),
            moved: Moment::of(entry),
            order: None,
            doubts: Vec::new(),
            doubted: None,
            scrap: None,
            unusable: None,
            preserved: Vec::new(),
            recalls: Vec::new(),
            inspected: None,
            sound: None,
            mounting: None,
            fitting: None,
            ran: None,
            tread: None,
            pressure: None,
            let_down: None,
            repairs: Vec::new(),
            regroovable: false,
            regrooved: None,
            damage: None,
            danger: None,
        };
        if facts.origin == Origin::Opening {
            casing.take_over(Moment::of(entry), facts, covers);
        }
        Some(casing)
    }

    /// Takes in the next entry in the order of the fold.
    pub fn apply(&mut self, entry: &Entry) {
        if entry.tells() {
            self.notice_danger(entry);
        }
        if entry.recorded() {
            self.work_on(entry);
            self.take_in(entry);
        }
        self.standing = if self.scrap.is_some() {
            Standing::Scrap
        } else if self.doubts.is_empty() {
            Standing::Serviceable
        } else {
            Standing::Suspect
        };
    }

    fn take_in(&mut self, entry: &Entry) {
        let moment = Moment::of(entry);
        match &entry.facts {
            Facts::Identified(facts) => self.identify(&facts.marks),
            Facts::Inspected(facts) => {
                if facts.clean() {
                    self.inspected = Some(moment);
                    self.sound = Some(moment);
                    self.damage = None;
                    if self.construction != Construction::SteelRadial {
                        self.doubts.clear();
                    }
                } else if facts.off_wheel {
                    // The last look counts: one that failed takes back one that passed.
                    self.inspected = None;
                    self.sound = None;
                }
                self.notice_damage(moment, &facts.damage);
            }
            Facts::Mounted(facts) => {
                self.whereabouts = Whereabouts::Wheel;
                self.wheel = Some(facts.wheel);
                self.moved = moment;
                self.let_down = None;
                self.mounting =
                    Some(Mounting { moment, leaks: 0, proof: None, extended: None, release: None });
            }
            Facts::Demounted(facts) => {
                self.whereabouts = Whereabouts::Depot;
                self.depot = facts.depot.or(self.depot);
                self.taken_over = None;
                self.wheel = None;
                self.moved = moment;
                self.mounting = None;
                self.inspected = None;
                self.sound = None;
            }
            Facts::PressureRead(facts) => self.pressure = Some(Pressure { moment, psi: facts.psi }),
            Facts::Inflated(facts) => {
                self.let_down = None;
                self.pressure = Some(Pressure { moment, psi: facts.to_psi });
            }
            Facts::Deflated(facts) => {
                self.let_down = Some(moment);
                self.pressure = Some(Pressure { moment, psi: facts.found_psi });
                self.notice_damage(moment, &facts.damage);
            }
            Facts::TreadRead(facts) => self.read_tread(moment, &facts.grooves_32nds),
            Facts::Held(_) => self.hold(entry),
            Facts::Released(facts) => {
                if let (Some(mounting), Some(Worked::CoversPsi(covers))) =
                    (&mut self.mounting, entry.worked())
                {
                    mounting.release = Some(Release {
                        moment,
                        operating_psi: facts.operating_psi,
                        covers_psi: *covers,
                        stands: true,
                    });
                    if facts.path == Path::BoltedOn {
                        self.let_down = None;
                    }
                }
            }
            Facts::Installed(facts) => self.install(moment, facts),
            Facts::Removed(facts) => self.remove(moment, facts),
            Facts::Torqued(_) => {
                if let Some(fitting) = &mut self.fitting {
                    fitting.rechecked = Some(moment);
                }
            }
            Facts::Repaired(facts) => {
                self.repairs.push(Repair { moment, repair: facts.repair, place: facts.place });
            }
            Facts::Regrooved(facts) => {
                self.regrooved = Some(moment);
                // What was read of the old grooves says nothing of the new ones.
                self.tread = None;
                self.read_tread(moment, facts.grooves_32nds.as_deref().unwrap_or_default());
            }
            Facts::SentAway(facts) => self.send_away(moment, facts),
            Facts::Returned(facts) => self.come_back(moment, facts),
            Facts::Moved(facts) => {
                self.depot = Some(facts.to_depot);
                self.moved = moment;
            }
            Facts::Missing(facts) => self.go_missing(moment, facts),
            Facts::Found(facts) => self.turn_up(moment, facts),
            Facts::Flagged(facts) => self.doubt(moment, facts.reason),
            Facts::Scrapped(_) => {
                self.scrap.get_or_insert(Scrap { moment, sign: false });
            }
            facts => self.keep_or_let_go(moment, facts),
        }
    }

    fn identify(&mut self, marks: &Marks) {
        if marks.brand.is_some() {
            self.marks.brand.clone_from(&marks.brand);
        }
        if marks.tag.is_some() {
            self.marks.tag.clone_from(&marks.tag);
        }
        for tin in &marks.tins {
            if !self.marks.tins.contains(tin) {
                self.marks.tins.push(tin.clone());
            }
        }
    }

    fn hold(&mut self, entry: &Entry) {
        let (Facts::Held(facts), Some(Worked::Held(worked))) = (&entry.facts, entry.worked())
        else {
            return;
        };
        let moment = Moment::of(entry);
        self.let_down = None;
        let Some(mounting) = &mut self.mounting else {
            return;
        };
        match worked.result.verdict {
            Verdict::Leak => mounting.leaks += 1,
            Verdict::Pass => {
                let covers_psi = worked.covers_psi;
                if mounting.proof.is_none_or(|proof| proof.covers_psi <= covers_psi) {
                    mounting.proof = Some(Proof { moment, covers_psi });
                }
                if facts.kind == HoldKind::Extended {
                    mounting.extended = Some(moment);
                    if self.sound.is_some() {
                        self.doubts.clear();
                    }
                }
            }
            Verdict::SuddenLoss | Verdict::OverLimit | Verdict::Inconclusive => {}
        }
    }

    fn install(&mut self, moment: Moment, facts: &Installed) {
        self.whereabouts = Whereabouts::Vehicle;
        self.vehicle = Some(facts.vehicle);
        self.position = Some(facts.position);
        self.moved = moment;
        if let Some(grooves) = &facts.grooves_32nds {
            self.read_tread(moment, grooves);
        }
        self.fitting = Some(Fitting {
            moment,
            psi: facts.psi,
            diameter_in: facts.diameter_in,
            odometer_mi: facts.odometer_mi,
            // A spare is held by no nuts.
            rechecked: facts.position.axle().is_none().then_some(moment),
        });
    }

    fn remove(&mut self, moment: Moment, facts: &Removed) {
        if self.driven_on() {
            self.ran = Some(moment);
            if let Some(tread) = &mut self.tread {
                tread.ran_since = tread.moment.at + WALK_ROUND < moment.at;
            }
        }
        self.whereabouts = Whereabouts::Wheel;
        self.vehicle = None;
        self.position = None;
        self.moved = moment;
        self.depot = facts.depot.or(self.depot);
        self.fitting = None;
        self.danger = None;
        if facts.core_out_flat {
            self.let_down = Some(moment);
        }
        if let Some(psi) = facts.found_psi {
            self.pressure = Some(Pressure { moment, psi });
        }
        self.notice_damage(moment, &facts.damage);
    }

    fn read_tread(&mut self, moment: Moment, grooves: &[Vec<Quantity>]) {
        if let Some(&least_32nds) = grooves.iter().flatten().min() {
            self.tread = Some(Tread { moment, least_32nds, ran_since: false });
        }
    }

    fn notice_damage(&mut self, moment: Moment, damage: &[Damage]) {
        if !damage.is_empty() {
            self.damage = Some(Damaged { moment, damage: damage.to_vec() });
        }
    }

    fn doubt(&mut self, moment: Moment, reason: Doubt) {
        self.doubts.push(OpenDoubt { entry: moment.entry, at: moment.at, reason });
        self.doubted = Some(moment);
        self.sound = None;
        if let Some(mounting) = &mut self.mounting {
            mounting.proof = None;
            mounting.extended = None;
            if let Some(release) = &mut mounting.release {
                release.stands = false;
            }
        }
        if reason == Doubt::Sign {
            self.scrap.get_or_insert(Scrap { moment, sign: true }).sign = true;
        }
    }

    /// A sign, a flat or damage on an installed tire, in a refused entry too, or what was
    /// done against the rules: its vehicle may not move until it is off.
    fn notice_danger(&mut self, entry: &Entry) {
        if self.whereabouts != Whereabouts::Vehicle {
            return;
        }
        let (flat, damaged, sign) = match &entry.facts {
            Facts::PressureRead(facts) => (facts.psi == Quantity::ZERO, false, false),
            Facts::Inflated(facts) => (facts.found_psi == Quantity::ZERO, false, false),
            Facts::Deflated(facts) => {
                (facts.found_psi == Quantity::ZERO, !facts.damage.is_empty(), false)
            }
            Facts::Removed(facts) => {
                (facts.found_psi == Some(Quantity::ZERO), !facts.damage.is_empty(), false)
            }
            Facts::Inspected(facts) => (false, !facts.damage.is_empty(), !facts.signs.is_empty()),
            Facts::Flagged(facts) => {
                (false, false, matches!(facts.reason, Doubt::Sign | Doubt::Deviation))
            }
            _ => return,
        };
        // A spare that is flat or damaged is not driven on; one with a sign is a danger anywhere.
        if sign || self.driven_on() && (flat || damaged) {
            self.danger = Some(Moment::of(entry));
        }
    }

    /// Whether it is on an axle: a spare is carried, not driven on.
    #[must_use]
    pub fn driven_on(&self) -> bool {
        self.position.is_some_and(|position| position.axle().is_some())
    }

    /// The recheck of the nuts that is still to be done.
    #[must_use]
    pub fn recheck_due(&self) -> Option<&Fitting> {
        self.fitting.as_ref().filter(|fitting| fitting.rechecked.is_none())
    }

    /// The highest set pressure this mounting is proved for.
    #[must_use]
    pub fn covers_psi(&self) -> Option<Quantity> {
        let mounting = self.mounting.as_ref()?;
        let held = mounting.proof.map(|proof| proof.covers_psi);
        let released = mounting.release.map(|release| release.covers_psi);
        held.max(released)
    }
}
