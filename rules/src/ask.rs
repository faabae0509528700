//! Questions before the work: would a rule stop it?
//!
//! What only the work will show (the mark that is read, pressures, the torque) is
//! taken as it ought to be, so that a rule stops only for what is on record.
//! The answer is no decision, and an entry sent afterwards is judged by its own facts.

use crate::Quantity;
use crate::decide::Case;
use crate::entry::{Command, Reason, Sender, Subject};
use crate::facts::casing::{Held, Inflated, Installed, Mark, Mounted, Path, Place, Released};
use crate::facts::vehicle::Position;
use crate::facts::{Facts, Field};
use crate::fold::casing::Casing;
use crate::hold::{Evidence, HoldKind};
use crate::table::{CHECKS, Class};
use crate::world::World;
use chrono::{DateTime, FixedOffset, Utc};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What somebody wants to do with a casing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Question {
    /// Release it from the cage.
    Release {
        /// The pressure it would go to work with.
        operating_psi: Option<Quantity>,
    },
    /// Mount it on a wheel and inflate it in a cage.
    Mount {
        /// The wheel.
        wheel: Uuid,
        /// The cage; without one, no rule on cages is asked.
        cage: Option<Uuid>,
    },
    /// Hold it above its operating pressure in a cage.
    Hold {
        /// The cage; without one, no rule on cages is asked.
        cage: Option<Uuid>,
        /// The gauge. No rule stops a hold for its gauge; the verdict depends on it.
        gauge: Option<Uuid>,
        /// The set pressure it is meant for; left out, one within the limits.
        for_set_psi: Option<Quantity>,
    },
    /// Install it on a vehicle.
    Install {
        /// The vehicle.
        vehicle: Uuid,
        /// The position there.
        position: Position,
    },
    /// Air it up again in a cage, mounted as it is.
    Inflate,
}

/// The rules on a question, in the table's order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// The rules that stop it, for what is on record.
    pub stops: Vec<Reason>,
    /// Ids of the rules that the entry has to name under `attested`: what the crew
    /// confirms, and cautions that it acknowledges.
    pub to_attest: Vec<String>,
}

/// The least air that a tire has which was not let down.
const A_LITTLE_PSI: Quantity = Quantity::whole(1);

impl Question {
    /// The entry that would be sent about this casing, as far as the question says it.
    /// It names what has to be loaded for the answer; it is never recorded.
    #[must_use]
    pub fn command(&self, casing: Uuid, at: DateTime<FixedOffset>) -> Command {
        Command {
            id: Uuid::nil(),
            subject: Subject::casing(casing),
            occurred_at: at,
            by: None,
            facts: self.facts(),
            attested: BTreeSet::new(),
            personal: None,
            retries: None,
        }
    }

    fn facts(&self) -> Facts {
        match *self {
            Question::Release { operating_psi } => Facts::Released(released(operating_psi)),
            Question::Mount { wheel, cage } => Facts::Mounted(mounted(wheel, cage)),
            Question::Hold { cage, gauge, for_set_psi } => {
                Facts::Held(held(cage, gauge, for_set_psi))
            }
            Question::Install { vehicle, position } => {
                Facts::Installed(installed(vehicle, position))
            }
            Question::Inflate => Facts::Inflated(inflated()),
        }
    }

    /// Names everything in the question that points to nothing on record, by the name
    /// that it has in the question.
    #[must_use]
    pub fn dangling(&self, world: &World, casing: Uuid, at: DateTime<FixedOffset>) -> Vec<Field> {
        let gauge_asked = matches!(self, Question::Hold { gauge: Some(_), .. });
        world
            .dangling(&self.command(casing, at))
            .into_iter()
            .map(|field| Field { pointer: field.pointer.replace("/facts", ""), ..field })
            .filter(|field| gauge_asked || field.pointer != "/gauge")
            .collect()
    }

    /// Whether what this rule looks at is on record before the work. What only the work
    /// shows is not asked.
    fn asks(&self, rule: &str, casing: &Casing) -> bool {
        match (self, rule) {
            (Question::Mount { .. }, "mount.parts" | "mount.tube_flap")
            | (Question::Mount { cage: None, .. }, "inflate.place" | "inflate.suspect")
            | (
                Question::Inflate,
                "inflate.place" | "inflate.suspect" | "inflate.on_vehicle" | "seat.limit",
            )
            | (Question::Hold { cage: None, .. }, "hold.place")
            | (Question::Install { .. }, "install.pressure") => false,
            (Question::Install { .. }, "install.tread") => {
                casing.tread.is_some() || casing.ran.is_none()
            }
            _ => true,
        }
    }
}

fn released(operating_psi: Option<Quantity>) -> Released {
    let operating_psi = operating_psi.unwrap_or(Quantity::ZERO);
    Released {
        read: None,
        path: Path::Cage,
        operating_psi,
        left_cage_psi: Some(operating_psi),
        core_in: true,
        reinflated_in_cage: true,
        vehicle: None,
        position: None,
    }
}

fn mounted(wheel: Uuid, cage: Option<Uuid>) -> Mounted {
    Mounted {
        wheel,
        read: None,
        place: Place::Cage,
        cage,
        nuts_tight: false,
        vehicle: None,
        position: None,
        parts: None,
        tube: None,
        flap: None,
        wheel_condition: Vec::new(),
        outside_psi: None,
        seat_psi: Quantity::ZERO,
        to_psi: Quantity::ZERO,
        rib_spread_32nds: None,
        signs: Vec::new(),
    }
}

/// Held at the limit where the target passes it: the rules know who may not.
fn held(cage: Option<Uuid>, gauge: Option<Uuid>, for_set_psi: Option<Quantity>) -> Held {
    Held {
        read: None,
        kind: HoldKind::Extended,
        evidence: Evidence::Logged,
        supply_isolated: true,
        place: Place::Cage,
        cage,
        nuts_tight: false,
        vehicle: None,
        position: None,
        gauge: gauge.unwrap_or_default(),
        for_set_psi: for_set_psi.unwrap_or(Quantity::ZERO),
        at_limit: true,
        readings: Vec::new(),
        events: Vec::new(),
        signs: Vec::new(),
    }
}

fn inflated() -> Inflated {
    Inflated {
        found_psi: Quantity::ZERO,
        to_psi: Quantity::ZERO,
        place: Some(Place::Cage),
        cage: None,
        nuts_tight: false,
        seat_psi: None,
        remote: true,
        trajectory_clear: true,
    }
}

fn installed(vehicle: Uuid, position: Position) -> Installed {
    Installed {
        read: None,
        vehicle,
        position,
        torque_ft_lb: Some(Quantity::ZERO),
        odometer_mi: None,
        psi: None,
        grooves_32nds: None,
        diameter_in: None,
        damage: Vec::new(),
    }
}

/// Adds what the work would show of this casing: its own mark is read, and its tread is
/// no deeper than it was, though it has run since.
fn as_it_ought_to_be(facts: &mut Facts, casing: &Casing) {
    let mark = casing.marks.brand.clone().map(Mark::Brand);
    let mark = mark.or(casing.marks.tag.clone().map(Mark::Tag));
    match facts {
        Facts::Mounted(facts) => facts.read = mark,
        Facts::Held(facts) => facts.read = mark,
        Facts::Released(facts) => facts.read = mark,
        Facts::Inflated(facts) => {
            // What was let down is flat; anything else has air.
            facts.found_psi = if casing.let_down.is_some() { Quantity::ZERO } else { A_LITTLE_PSI };
        }
        Facts::Installed(facts) => {
            facts.read = mark;
            facts.grooves_32nds = casing.tread.map(|tread| vec![vec![tread.least_32nds]]);
        }
        _ => {}
    }
}

/// Answers a question about a casing, asked by this sender now.
///
/// The world holds what the question's [`Question::command`] needs. Where the casing, or
/// something that the question names, is not on record, `fact.order` stops it.
#[must_use]
pub fn ask(
    world: &World,
    now: DateTime<Utc>,
    sender: Sender,
    casing: Uuid,
    question: &Question,
) -> Asked {
    let at = now.fixed_offset();
    let mut command = question.command(casing, at);
    let state = world.at(command.subject, now);
    let Some(known) = state.casing() else {
        return not_on_record("There is no such casing on record.".to_owned());
    };
    if let Some(field) = question.dangling(world, casing, at).into_iter().next() {
        return not_on_record(field.say);
    }
    as_it_ought_to_be(&mut command.facts, known);
    let case = Case::new(world, now, sender, &command).fitted(&[]);
    let mut asked = Asked::default();
    for check in CHECKS.iter().filter(|check| question.asks(check.id, known)) {
        match check.ask(&case) {
            Some(stop) if stop.caution || check.attested() => {
                asked.to_attest.push(check.id.to_owned());
            }
            Some(stop) => asked.stops.push(stop.reason(check.id, &case)),
            None => {}
        }
    }
    asked
}

fn not_on_record(found: String) -> Asked {
    let reason = Reason {
        rule: "fact.order".to_owned(),
        class: Class::Fact,
        evidence: Vec::new(),
        found: Some(found),
    };
    Asked { stops: vec![reason], to_attest: Vec::new() }
}
