//! What happens to tire and wheel together, off the vehicle.

use super::{Mark, Parts, Sign, Tube};
use crate::Quantity;
use crate::facts::bounds::{Depth, Elapsed, Psi, Temperature, within};
use crate::facts::vehicle::Position;
use crate::facts::wheel::Fault;
use crate::facts::{Field, shape};
use crate::hold::{Evidence, HoldEvent, HoldKind, Reading};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

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
    /// Bolted on: all nuts were fully tightened, 29 CFR 1910.177(g)(6).
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub nuts_tight: bool,
    /// Bolted on: the vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// Bolted on: the position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Multi-piece: the parts, by their stamps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parts: Option<Parts>,
    /// Tube-type: the tube.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tube: Option<Tube>,
    /// Tube-type: the flap.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flap: Option<Tube>,
    /// What is wrong with the wheel.
    #[serde(default)]
    pub wheel_condition: Vec<Fault>,
    /// The most air it had outside the cage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub outside_psi: Option<Quantity>,
    /// The pressure at which the beads seated.
    #[schema(value_type = Psi)]
    pub seat_psi: Quantity,
    /// The pressure it was brought to.
    #[schema(value_type = Psi)]
    pub to_psi: Quantity,
    /// How far the distance from flange to rib varies round the tire.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Depth>)]
    pub rib_spread_32nds: Option<Quantity>,
    /// Signs of a zipper rupture.
    #[serde(default)]
    pub signs: Vec<Sign>,
}

shape!(Mounted, |mounted, fields| {
    if let Some(mark) = &mounted.read {
        mark.check(fields);
    }
    for (name, psi) in [
        ("outside_psi", mounted.outside_psi),
        ("seat_psi", Some(mounted.seat_psi)),
        ("to_psi", Some(mounted.to_psi)),
    ] {
        if let Some(psi) = psi {
            within::<Psi>(fields, name, psi);
        }
    }
    if let Some(spread) = mounted.rib_spread_32nds {
        within::<Depth>(fields, "rib_spread_32nds", spread);
    }
    caged(fields, mounted.place, mounted.cage);
    bolted_on(fields, mounted.place, mounted.vehicle, mounted.position);
    if let Some(parts) = &mounted.parts {
        parts.check(fields);
    }
    for (name, one) in [("tube", &mounted.tube), ("flap", &mounted.flap)] {
        if let Some(one) = one {
            one.check(fields, name);
        }
    }
});

fn bolted_on(
    fields: &mut Vec<Field>,
    place: Place,
    vehicle: Option<Uuid>,
    position: Option<Position>,
) {
    for (name, given) in [("vehicle", vehicle.is_some()), ("position", position.is_some())] {
        if given && place != Place::BoltedOn {
            let say = "Only what is inflated bolted on names it.";
            fields.push(Field::new(format!("/facts/{name}"), say));
        }
    }
    on_an_axle(fields, position);
}

/// Nothing is bolted on where a spare is carried.
fn on_an_axle(fields: &mut Vec<Field>, position: Option<Position>) {
    if matches!(position, Some(Position::Spare(_))) {
        fields.push(Field::new("/facts/position", "Bolted on an axle: name its position."));
    }
}

pub(super) fn caged(fields: &mut Vec<Field>, place: Place, cage: Option<Uuid>) {
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
    /// Bolted on: all nuts were fully tightened.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub nuts_tight: bool,
    /// Bolted on: the vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// Bolted on: the position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// The gauge.
    pub gauge: Uuid,
    /// The set pressure of the position it is meant for, or the highest it may go to.
    #[schema(value_type = Psi)]
    pub for_set_psi: Quantity,
    /// Held at the limit, because the target passes it.
    #[serde(default)]
    pub at_limit: bool,
    /// Readings in order of time.
    #[schema(min_items = 1, max_items = 10_000)]
    pub readings: Vec<Reading>,
    /// Air let out or the hold ended.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 100)]
    pub events: Vec<HoldEvent>,
    /// Signs of a zipper rupture seen or heard, at the stop of 20 psi or during the hold.
    #[serde(default)]
    pub signs: Vec<Sign>,
}

shape!(Held, |held, fields| {
    if let Some(mark) = &held.read {
        mark.check(fields);
    }
    within::<Psi>(fields, "for_set_psi", held.for_set_psi);
    caged(fields, held.place, held.cage);
    bolted_on(fields, held.place, held.vehicle, held.position);
    if held.readings.is_empty() || held.readings.len() > 10_000 {
        fields.push(Field::new("/facts/readings", "1 to 10,000 readings are expected."));
    }
    for (i, reading) in held.readings.iter().enumerate() {
        within::<Psi>(fields, &format!("readings/{i}/1"), reading.psi);
        within::<Elapsed>(fields, &format!("readings/{i}/0"), reading.at_s);
        if let Some(temperature) = reading.temp_f {
            within::<Temperature>(fields, &format!("readings/{i}/2"), temperature);
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
        within::<Elapsed>(fields, &format!("events/{i}/at_s"), event.at_s);
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
    #[schema(value_type = Psi)]
    pub operating_psi: Quantity,
    /// The pressure with which it left the cage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Psi>)]
    pub left_cage_psi: Option<Quantity>,
    /// The core went in at operating pressure; tube-type, fully deflated.
    #[serde(default)]
    pub core_in: bool,
    /// Tube-type: once the core was in, it was re-inflated in the cage to operating pressure.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reinflated_in_cage: bool,
    /// Bolted on: the vehicle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<Uuid>,
    /// Bolted on: the position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
}

shape!(Released, |released, fields| {
    if let Some(mark) = &released.read {
        mark.check(fields);
    }
    within::<Psi>(fields, "operating_psi", released.operating_psi);
    if let Some(psi) = released.left_cage_psi {
        within::<Psi>(fields, "left_cage_psi", psi);
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
    on_an_axle(fields, released.position);
});
