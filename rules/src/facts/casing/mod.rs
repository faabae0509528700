//! What happens to a casing.

mod acquired;
mod air;
mod assembly;
mod custody;
mod disposal;
mod fitting;
mod parts;
mod repair;

pub use acquired::{Acquired, Origin};
pub use air::{Deflated, Inflated, ThirdPartyService};
pub use assembly::{Demounted, Held, Mounted, Path, Place, Released};
pub use custody::{Done, Found, Missing, Moved, Ordered, Returned, SentAway};
pub use disposal::{
    Disposal, Disposed, MadeUnusable, PreservationEnded, Preserved, Recalled, Remedied,
};
pub use fitting::{Installed, Removed, Torqued};
pub use parts::{Parts, Tube};
pub use repair::{Regrooved, RepairKind, RepairPlace, Repaired};

use super::bounds::{
    Depth, Grooves, Psi, ShortText, Speed, Temperature, depths, named, whole_number, within,
};
use super::{Field, shape};
use crate::Quantity;
use serde::{Deserialize, Serialize};
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, OneOfBuilder, Schema};
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

/// The marks by which one casing is told from another.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Marks {
    /// The number branded on the sidewall by the fleet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "LK-1001")]
    #[schema(value_type = Option<ShortText>)]
    pub brand: Option<String>,
    /// The identity of the radio tag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "E280-77A1")]
    #[schema(value_type = Option<ShortText>)]
    pub tag: Option<String>,
    /// Tire identification numbers (49 CFR 574.5): the maker's, then one a
    /// retread. They name a plant and a week, not one tire.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<ShortText>, max_items = 12)]
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
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// The brand number.
    Brand(String),
    /// The radio tag.
    Tag(String),
    /// Only a TIN: not enough to tell one tire from its siblings.
    Tin(String),
}

impl PartialSchema for Mark {
    fn schema() -> RefOr<Schema> {
        let one = |name: &str, says: &str| {
            ObjectBuilder::new()
                .property(name, ShortText::schema())
                .required(name)
                .additional_properties(Some(AdditionalProperties::FreeForm(false)))
                .description(Some(says))
        };
        OneOfBuilder::new()
            .item(one("brand", "The brand number."))
            .item(one("tag", "The radio tag."))
            .item(one("tin", "Only a TIN: not enough to tell one tire from its siblings."))
            .description(Some("The mark that was read at the tire before the work."))
            .into()
    }
}

impl ToSchema for Mark {}

impl Mark {
    fn check(&self, fields: &mut Vec<Field>) {
        let (name, text) = match self {
            Mark::Brand(text) => ("brand", text),
            Mark::Tag(text) => ("tag", text),
            Mark::Tin(text) => ("tin", text),
        };
        named(fields, &format!("read/{name}"), text);
    }
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

/// An amount of money.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Money {
    /// Hundredths of the currency's unit.
    #[serde(deserialize_with = "whole_number")]
    #[schema(value_type = u32, maximum = 4_294_967_295_i64)]
    pub cents: u32,
    /// ISO 4217 code.
    #[schema(example = "USD", pattern = "^[A-Z]{3}$")]
    pub currency: String,
}

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

/// `pressure_read`: a pressure was read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PressureRead {
    /// Gauge pressure as read.
    #[schema(value_type = Psi)]
    pub psi: Quantity,
    /// The tire's temperature, where it was taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Temperature>)]
    pub tire_f: Option<Quantity>,
    /// The air's temperature; 68 F where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Temperature>)]
    pub ambient_f: Option<Quantity>,
    /// Average speed in the hour before, for the heat table of 49 CFR 393.75(i)(2).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Speed>)]
    pub last_hour_mph: Option<Quantity>,
}

shape!(PressureRead, |read, fields| {
    within::<Psi>(fields, "psi", read.psi);
    for (name, temperature) in [("tire_f", read.tire_f), ("ambient_f", read.ambient_f)] {
        if let Some(temperature) = temperature {
            within::<Temperature>(fields, name, temperature);
        }
    }
    if let Some(speed) = read.last_hour_mph {
        within::<Speed>(fields, "last_hour_mph", speed);
    }
});

/// `tread_read`: tread depths were read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TreadRead {
    /// Points in each major groove: those with a wear bar (49 CFR 393.5).
    #[schema(value_type = Grooves)]
    pub grooves_32nds: Vec<Vec<Quantity>>,
    /// Depths of grooves that do not count.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Depth>)]
    pub not_major_32nds: Vec<Quantity>,
}

shape!(TreadRead, |read, fields| {
    depths(fields, "grooves_32nds", &read.grooves_32nds);
    for (i, &depth) in read.not_major_32nds.iter().enumerate() {
        within::<Depth>(fields, &format!("not_major_32nds/{i}"), depth);
    }
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
    /// It was done though it was refused.
    Deviation,
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
            Doubt::Deviation => "flag.deviation",
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
    #[schema(max_items = 100)]
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
