//! What happens to a casing.

use super::vehicle::Position;
use super::{Field, depths, named, pressure, shape, within};
use crate::Quantity;
use crate::hold::{Evidence, HoldEvent, HoldKind, Reading};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// How a casing came into the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Bought new: it never ran, so its history is known.
    New,
}

/// The marks by which one casing is told from another.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Marks {
    /// The number branded on the sidewall by the fleet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LK-1001")]
    pub brand: Option<String>,
    /// The identity of the radio tag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "E280-77A1")]
    pub tag: Option<String>,
    /// Tire identification numbers (49 CFR 574.5): the maker's, then one a
    /// retread. They name a plant and a week, not one tire.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tins: Vec<String>,
}

impl Marks {
    fn check(&self, under: &str, fields: &mut Vec<Field>) {
        for (name, mark) in [("brand", &self.brand), ("tag", &self.tag)] {
            if let Some(mark) = mark {
                named(fields, &format!("{under}{name}"), mark);
            }
        }
        for (i, tin) in self.tins.iter().enumerate() {
            named(fields, &format!("{under}tins/{i}"), tin);
        }
        if self.tins.len() > 12 {
            fields.push(Field::new(
                format!("/facts/{under}tins"),
                "At most twelve numbers are expected.",
            ));
        }
    }
}

/// The mark that was read at the tire before the work.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// The brand number.
    Brand(String),
    /// The radio tag.
    Tag(String),
    /// Only a TIN: not enough to tell one tire from its siblings.
    Tin(String),
}

/// Where a tire is inflated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// In a restraining device.
    Cage,
    /// Behind a barrier.
    Barrier,
    /// Bolted on the vehicle with all nuts fully tightened, 29 CFR 1910.177(g)(6).
    BoltedOn,
    /// None of these.
    Open,
}

/// A sign of a zipper rupture. Each is scrap for good. The pop of beads seating
/// is no sign, nor is the bulge of a recorded repair within limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Sign {
    Ripple,
    Bulge,
    Undulation,
    Distortion,
    SoftSpot,
    ProtrudingFilaments,
    PoppingSound,
    SnappingSound,
    CrackingSound,
    LinerCreasing,
    LinerWrinkling,
    LinerDiscolouration,
    WeakSidewall,
}

/// Damage with which no vehicle may run, 49 CFR 393.75(a).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Damage {
    /// A body ply shows through tread or sidewall.
    PlyExposed,
    /// A belt shows through tread or sidewall.
    BeltExposed,
    /// Tread or sidewall comes apart.
    Separation,
    /// No air.
    Flat,
    /// A leak that can be heard or felt.
    Leaking,
    /// A cut down to ply or belt.
    CutToCord,
}

/// What was seen of one part of a casing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Seen {
    /// Looked at and felt, and sound.
    Clear,
    /// Damaged.
    Damaged,
    /// Not looked at.
    NotSeen,
}

/// `acquired`: a casing came into the fleet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acquired {
    /// How it came.
    pub origin: Origin,
    /// Its tire model.
    pub model: Uuid,
    /// Where it was put.
    pub depot: Uuid,
    /// Its marks.
    #[serde(default)]
    pub marks: Marks,
    /// What it cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<Money>,
}

/// An amount of money.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Money {
    /// Hundredths of the currency's unit.
    pub cents: u32,
    /// ISO 4217 code.
    #[schema(example = "USD")]
    pub currency: String,
}

shape!(Acquired, |acquired, fields| {
    acquired.marks.check("marks/", fields);
    if let Some(money) = &acquired.price
        && (money.currency.len() != 3 || !money.currency.bytes().all(|b| b.is_ascii_uppercase()))
    {
        fields
            .push(Field::new("/facts/price/currency", "A three-letter ISO 4217 code is expected."));
    }
});

/// `identified`: marks were read or put on; those given replace the old ones,
/// TINs are added.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Identified {
    /// The marks.
    pub marks: Marks,
}

shape!(Identified, |identified, fields| {
    identified.marks.check("marks/", fields);
    if identified.marks == Marks::default() {
        fields.push(Field::new("/facts/marks", "At least one mark is expected."));
    }
});

/// `inspected`: a casing was looked at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Inspected {
    /// Off the wheel, so that the inside could be seen and felt.
    pub off_wheel: bool,
    /// The liner.
    pub inside: Seen,
    /// Tread and sidewalls.
    pub outside: Seen,
    /// Both beads.
    pub beads: Seen,
    /// The inspector's verdict.
    pub passed: bool,
    /// Signs of a zipper rupture.
    #[serde(default)]
    pub signs: Vec<Sign>,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default)]
    pub damage: Vec<Damage>,
}

impl Inspected {
    /// Passed off the wheel, inside, outside and beads, with nothing found.
    #[must_use]
    pub fn clean(&self) -> bool {
        self.off_wheel
            && self.passed
            && [self.inside, self.outside, self.beads] == [Seen::Clear; 3]
            && self.signs.is_empty()
            && self.damage.is_empty()
    }
}

shape!(Inspected, |inspected, fields| {
    if inspected.off_wheel && inspected.passed && !inspected.clean() {
        fields.push(Field::new(
            "/facts/passed",
            "Off the wheel it passes only if inside, outside and beads are clear, without signs and damage.",
        ));
    }
});

/// `mounted`: tire and wheel were put together and inflated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Mounted {
    /// The wheel.
    pub wheel: Uuid,
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// Where it was inflated.
    pub place: Place,
    /// The cage or barrier.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cage: Option<Uuid>,
    /// What is wrong with the wheel.
    #[serde(default)]
    pub wheel_condition: Vec<super::wheel::Fault>,
    /// The most air it had outside the cage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outside_psi: Option<Quantity>,
    /// The pressure at which the beads seated.
    pub seat_psi: Quantity,
    /// The pressure it was brought to.
    pub to_psi: Quantity,
    /// How far the distance from flange to rib varies round the tire.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rib_spread_32nds: Option<Quantity>,
    /// Signs of a zipper rupture.
    #[serde(default)]
    pub signs: Vec<Sign>,
}

shape!(Mounted, |mounted, fields| {
    for (name, psi) in [
        ("outside_psi", mounted.outside_psi),
        ("seat_psi", Some(mounted.seat_psi)),
        ("to_psi", Some(mounted.to_psi)),
    ] {
        if let Some(psi) = psi {
            pressure(fields, name, psi);
        }
    }
    if let Some(spread) = mounted.rib_spread_32nds {
        within(fields, "rib_spread_32nds", spread, 0, 40, "32nds of an inch");
    }
    caged(fields, mounted.place, mounted.cage);
});

fn caged(fields: &mut Vec<Field>, place: Place, cage: Option<Uuid>) {
    let needed = matches!(place, Place::Cage | Place::Barrier);
    if needed != cage.is_some() {
        let say = if needed { "Which cage or barrier?" } else { "There is no cage at this place." };
        fields.push(Field::new("/facts/cage", say));
    }
}

/// `demounted`: tire and wheel were taken apart.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Demounted {
    /// The depot the casing is at; the last one it was at where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
}

shape!(Demounted, |_demounted, _fields| {});

/// `pressure_read`: a pressure was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PressureRead {
    /// Gauge pressure as read.
    pub psi: Quantity,
    /// The tire's temperature, where it was taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tire_f: Option<Quantity>,
    /// The air's temperature; 68 F where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_f: Option<Quantity>,
    /// Average speed in the hour before, for the heat table of 49 CFR 393.75(i)(2).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_hour_mph: Option<Quantity>,
}

shape!(PressureRead, |read, fields| {
    pressure(fields, "psi", read.psi);
    for (name, temperature) in [("tire_f", read.tire_f), ("ambient_f", read.ambient_f)] {
        if let Some(temperature) = temperature {
            within(fields, name, temperature, -80, 400, "degrees Fahrenheit");
        }
    }
    if let Some(speed) = read.last_hour_mph {
        within(fields, "last_hour_mph", speed, 0, 100, "miles per hour");
    }
});

/// `tread_read`: tread depths were read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TreadRead {
    /// Points in each major groove: those with a wear bar (49 CFR 393.5).
    pub grooves_32nds: Vec<Vec<Quantity>>,
    /// Depths of grooves that do not count.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_major_32nds: Vec<Quantity>,
}

shape!(TreadRead, |read, fields| {
    depths(fields, "grooves_32nds", &read.grooves_32nds);
    for (i, &depth) in read.not_major_32nds.iter().enumerate() {
        within(fields, &format!("not_major_32nds/{i}"), depth, 0, 40, "32nds of an inch");
    }
});

/// `held`: a proof hold was made. The readings are judged; a failed or
/// inconclusive hold is a result, not a refusal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Held {
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// Standard, or extended: without a break for the time of the policy.
    pub kind: HoldKind,
    /// How the readings were taken.
    pub evidence: Evidence,
    /// The supply was shut off from the tire during the hold.
    #[serde(default)]
    pub supply_isolated: bool,
    /// Where it was held.
    pub place: Place,
    /// The cage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cage: Option<Uuid>,
    /// The gauge.
    pub gauge: Uuid,
    /// The set pressure of the position it is meant for, or the highest it may go to.
    pub for_set_psi: Quantity,
    /// Held at the limit, because the target passes it.
    #[serde(default)]
    pub at_limit: bool,
    /// Readings in order of time.
    pub readings: Vec<Reading>,
    /// Air let out or the hold ended.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<HoldEvent>,
    /// Signs of a zipper rupture seen or heard, at the stop of 20 psi or during the hold.
    #[serde(default)]
    pub signs: Vec<Sign>,
}

shape!(Held, |held, fields| {
    pressure(fields, "for_set_psi", held.for_set_psi);
    caged(fields, held.place, held.cage);
    if held.readings.is_empty() || held.readings.len() > 10_000 {
        fields.push(Field::new("/facts/readings", "1 to 10,000 readings are expected."));
    }
    for (i, reading) in held.readings.iter().enumerate() {
        pressure(fields, &format!("readings/{i}/1"), reading.psi);
        within(fields, &format!("readings/{i}/0"), reading.at_s, 0, 86_400, "seconds");
        if let Some(temperature) = reading.temp_f {
            within(fields, &format!("readings/{i}/2"), temperature, -80, 400, "degrees Fahrenheit");
        }
    }
    for (i, pair) in held.readings.windows(2).enumerate() {
        if pair[1].at_s <= pair[0].at_s {
            fields.push(Field::new(
                format!("/facts/readings/{}/0", i + 1),
                "Each reading must be later than the one before it.",
            ));
        }
    }
    if held.events.len() > 100 {
        fields.push(Field::new("/facts/events", "At most 100 events are expected."));
    }
    for (i, event) in held.events.iter().enumerate() {
        within(fields, &format!("events/{i}/at_s"), event.at_s, 0, 86_400, "seconds");
    }
});

/// The way a mounted casing returns to service.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Path {
    /// Held in a cage.
    Cage,
    /// Inflated bolted on the vehicle, where the policy allows it.
    BoltedOn,
}

/// `released`: the decision that a mounted casing may return to service.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Released {
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// The way.
    pub path: Path,
    /// The pressure it goes to work with.
    pub operating_psi: Quantity,
    /// The pressure with which it left the cage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_cage_psi: Option<Quantity>,
    /// The core went in at operating pressure.
    #[serde(default)]
    pub core_in: bool,
    /// Bolted on: the vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// Bolted on: the position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
}

shape!(Released, |released, fields| {
    pressure(fields, "operating_psi", released.operating_psi);
    if let Some(psi) = released.left_cage_psi {
        pressure(fields, "left_cage_psi", psi);
    }
    let bolted_on = released.path == Path::BoltedOn;
    for (name, given) in
        [("vehicle", released.vehicle.is_some()), ("position", released.position.is_some())]
    {
        if given != bolted_on {
            let say =
                if bolted_on { "Bolted on where?" } else { "Only a release bolted on names it." };
            fields.push(Field::new(format!("/facts/{name}"), say));
        }
    }
});

/// `installed`: an assembly was put on a vehicle's axle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Installed {
    /// The mark that was read; left out where none was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read: Option<Mark>,
    /// The vehicle.
    pub vehicle: Uuid,
    /// The position.
    pub position: Position,
    /// Torque of the nuts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub torque_ft_lb: Option<Quantity>,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer_mi: Option<Quantity>,
    /// Cold pressure; the operating pressure of the release where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub psi: Option<Quantity>,
    /// Tread depths, points in each major groove.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grooves_32nds: Option<Vec<Vec<Quantity>>>,
    /// Outside diameter, mounted and inflated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameter_in: Option<Quantity>,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default)]
    pub damage: Vec<Damage>,
}

shape!(Installed, |installed, fields| {
    if let Some(psi) = installed.psi {
        pressure(fields, "psi", psi);
    }
    if let Some(grooves) = &installed.grooves_32nds {
        depths(fields, "grooves_32nds", grooves);
    }
    if let Some(diameter) = installed.diameter_in {
        within(fields, "diameter_in", diameter, 10, 100, "inches");
    }
    fastened(fields, installed.torque_ft_lb, installed.odometer_mi);
});

fn fastened(fields: &mut Vec<Field>, torque: Option<Quantity>, odometer: Option<Quantity>) {
    if let Some(torque) = torque {
        within(fields, "torque_ft_lb", torque, 1, 1500, "foot-pounds");
    }
    if let Some(odometer) = odometer {
        within(fields, "odometer_mi", odometer, 0, 10_000_000, "miles");
    }
}

/// `removed`: an assembly was taken off a vehicle's axle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Removed {
    /// The pressure found before the core came out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found_psi: Option<Quantity>,
    /// Core out and fully flat before the wheel was loosened.
    pub core_out_flat: bool,
    /// Damage of 49 CFR 393.75(a).
    #[serde(default)]
    pub damage: Vec<Damage>,
    /// The depot it was brought to; the last one it was at where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer_mi: Option<Quantity>,
}

shape!(Removed, |removed, fields| {
    if let Some(psi) = removed.found_psi {
        pressure(fields, "found_psi", psi);
    }
    fastened(fields, None, removed.odometer_mi);
});

/// `torqued`: the nuts were checked again after a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Torqued {
    /// Torque of the nuts.
    pub torque_ft_lb: Quantity,
    /// The vehicle's odometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub odometer_mi: Option<Quantity>,
}

shape!(Torqued, |torqued, fields| {
    fastened(fields, Some(torqued.torque_ft_lb), torqued.odometer_mi);
});

/// Why there is doubt about a casing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// Run low: at or below 80 % of its set pressure.
    Low,
    /// Overloaded.
    Load,
    /// Its dual mate was down, so it carried the load of both.
    Mate,
    /// Its history is not known.
    Unknown,
    /// A proof hold failed.
    Hold,
    /// A sign of a zipper rupture: scrap.
    Sign,
    /// New facts about the time before a release.
    Late,
}

impl Doubt {
    /// The rule that raises it.
    #[must_use]
    pub fn rule(self) -> &'static str {
        match self {
            Doubt::Low => "flag.low",
            Doubt::Load => "flag.load",
            Doubt::Mate => "flag.mate",
            Doubt::Unknown => "flag.unknown",
            Doubt::Hold => "flag.hold",
            Doubt::Sign => "flag.sign",
            Doubt::Late => "flag.late",
        }
    }
}

/// `flagged`: a doubt was cast on a casing, by a rule or by a person who knows
/// or suspects it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Flagged {
    /// Why.
    pub reason: Doubt,
    /// The entries that show it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<Uuid>,
}

shape!(Flagged, |flagged, fields| {
    if flagged.evidence.len() > 100 {
        fields.push(Field::new("/facts/evidence", "At most 100 entries are expected."));
    }
});

/// Why a casing is scrap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum ScrapReason {
    PunctureBeyondLimits,
    CrownCut,
    SidewallCut,
    ImpactBreak,
    StoneDrilling,
    RunFlat,
    RunLow,
    CordFatigue,
    LinerLeak,
    Overload,
    HeatSeparation,
    BrakeHeatedBead,
    BeltSeparation,
    PlySeparation,
    TreadLifting,
    BondOpen,
    CordExposed,
    BeadDamaged,
    MountingDamage,
    WornOut,
    IrregularWear,
    Weathered,
    FluidSwollen,
    TooOld,
    RepairFailed,
    BeyondRepair,
    RetreadLimit,
    Unknown,
}

/// `scrapped`: the decision that a casing may never be used again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Scrapped {
    /// Why.
    pub reason: ScrapReason,
}

shape!(Scrapped, |_scrapped, _fields| {});
