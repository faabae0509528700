//! Vehicles, their axles and positions.

use super::bounds::{
    AxleWeight, Odometer, PermitSpeed, Psi, SetPsi, ShortText, named, whole_number, within,
};
use super::{Checked, Field, shape};
use crate::Quantity;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};
use std::fmt;
use std::str::FromStr;
use utoipa::ToSchema;
use uuid::Uuid;

/// What a vehicle is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum VehicleKind {
    /// A bus.
    Bus,
    /// A truck.
    Truck,
    /// A truck tractor.
    Tractor,
    /// A trailer or semi-trailer.
    Trailer,
    /// A converter dolly.
    Dolly,
}

impl VehicleKind {
    /// Whether it has an engine: bus, truck or tractor.
    #[must_use]
    pub fn power_unit(self) -> bool {
        matches!(self, VehicleKind::Bus | VehicleKind::Truck | VehicleKind::Tractor)
    }
}

/// How many tires a side of an axle carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Places {
    /// One.
    Single,
    /// Two.
    Dual,
}

/// One axle. Its positions follow from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Axle {
    /// Tires a side.
    pub places: Places,
    /// It steers.
    pub steer: bool,
    /// It can be lifted off the road. Nobody records whether it is, so its tires count as
    /// driven on; it is weighed while it is down.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub lift: bool,
    /// The fleet's cold pressure for its positions.
    #[schema(value_type = SetPsi)]
    pub set_psi: Quantity,
    /// The cold pressure on the vehicle's placard.
    #[schema(value_type = Psi)]
    pub placard_psi: Quantity,
}

/// A State's special permit to carry more than the tires are rated for, at reduced speed,
/// 49 CFR 393.75(g).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StatePermit {
    /// The State.
    #[schema(example = "WY", value_type = ShortText)]
    pub state: String,
    /// The permit's number.
    #[schema(value_type = ShortText)]
    pub number: String,
    /// The highest speed it allows; never above 50 mph.
    #[schema(value_type = PermitSpeed)]
    pub max_mph: Quantity,
}

/// A vehicle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = VehicleBody)]
pub struct Vehicle {
    /// The fleet's unit number, unique in the organisation.
    #[schema(example = "LH-214")]
    #[schema(value_type = ShortText)]
    pub unit: String,
    /// What it is.
    pub kind: VehicleKind,
    /// Its axles from the front.
    #[schema(min_items = 1, max_items = 12)]
    pub axles: Vec<Axle>,
    /// How many spares it has a place for.
    #[serde(default, deserialize_with = "whole_number", skip_serializing_if = "is_none")]
    #[schema(maximum = 8)]
    pub spares: u8,
    /// Designated by the carrier for tires restricted to 55 mph or less,
    /// 49 CFR 393.75(f).
    #[serde(default)]
    pub speed_restricted: bool,
    /// It runs on tires marked LT, so that 29 CFR 1910.177(a)(1) leaves it out.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub light_truck_tires: bool,
    /// A State special permit for more load than the tires' rating.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub state_permit: Option<StatePermit>,
    /// Where it is kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depot: Option<Uuid>,
}

/// The most places for spares.
const SPARES: u8 = 8;

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_none(spares: &u8) -> bool {
    *spares == 0
}

impl Vehicle {
    /// Every position of the vehicle, from the front, left before right, outer before inner,
    /// spares last.
    #[must_use]
    pub fn positions(&self) -> Vec<Position> {
        let mut positions = Vec::new();
        for (i, axle) in self.axles.iter().enumerate() {
            for side in [Side::Left, Side::Right] {
                let places: &[Where] = match axle.places {
                    Places::Single => &[Where::Single],
                    Places::Dual => &[Where::Outer, Where::Inner],
                };
                let axle = i as u8 + 1;
                positions.extend(places.iter().map(|&place| Position::Axle { axle, side, place }));
            }
        }
        positions.extend((1..=self.spares).map(Position::Spare));
        positions
    }

    /// Whether the vehicle has this position.
    #[must_use]
    pub fn has(&self, position: Position) -> bool {
        match position {
            Position::Spare(n) => n <= self.spares,
            Position::Axle { .. } => self.axle_of(position).is_some(),
        }
    }

    /// The axle of this position, if it is on one and the vehicle has it.
    #[must_use]
    pub fn axle_of(&self, position: Position) -> Option<&Axle> {
        let Position::Axle { axle, place, .. } = position else {
            return None;
        };
        let axle = self.axles.get(usize::from(axle).checked_sub(1)?)?;
        ((axle.places == Places::Dual) == (place != Where::Single)).then_some(axle)
    }

    /// The pressure that a tire at this position ought to have: its axle's set pressure. A
    /// spare has to do for every axle, so the highest.
    #[must_use]
    pub fn recommended_psi(&self, position: Position) -> Option<Quantity> {
        match position {
            Position::Spare(_) => self.axles.iter().map(|axle| axle.set_psi).max(),
            Position::Axle { .. } => self.axle_of(position).map(|axle| axle.set_psi),
        }
    }

    /// How many tires carry an axle.
    #[must_use]
    pub fn tires(&self, axle: u8) -> Option<i64> {
        let axle = self.axles.get(usize::from(axle).checked_sub(1)?)?;
        Some(if axle.places == Places::Dual { 4 } else { 2 })
    }

    /// Whether the position is a front wheel of a bus, truck or tractor, 49 CFR 393.75(b).
    #[must_use]
    pub fn front_wheel(&self, position: Position) -> bool {
        self.kind.power_unit() && self.axle_of(position).is_some_and(|axle| axle.steer)
    }
}

impl Checked for Vehicle {
    fn check(&self, fields: &mut Vec<Field>) {
        named(fields, "unit", &self.unit);
        if let Some(permit) = &self.state_permit {
            named(fields, "state_permit/state", &permit.state);
            named(fields, "state_permit/number", &permit.number);
            within::<PermitSpeed>(fields, "state_permit/max_mph", permit.max_mph);
        }
        if self.axles.is_empty() || self.axles.len() > 12 {
            fields.push(Field::new("/facts/axles", "One to twelve axles are expected."));
        }
        if !self.axles.is_empty() && self.axles.iter().all(|axle| axle.lift) {
            fields.push(Field::new("/facts/axles", "An axle that stays on the road is expected."));
        }
        if self.spares > SPARES {
            let say = format!("At most {SPARES} spares are expected.");
            fields.push(Field::new("/facts/spares", say));
        }
        for (i, axle) in self.axles.iter().enumerate() {
            within::<Psi>(fields, &format!("axles/{i}/placard_psi"), axle.placard_psi);
            within::<SetPsi>(fields, &format!("axles/{i}/set_psi"), axle.set_psi);
            if axle.set_psi < axle.placard_psi {
                fields.push(Field::new(
                    format!("/facts/axles/{i}/set_psi"),
                    format!(
                        "A set pressure may not be below the placard's: {} is below {} psi.",
                        axle.set_psi, axle.placard_psi
                    ),
                ));
            }
        }
    }
}

/// What an axle was found to carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AxleLoad {
    /// The axle, counted from the front.
    #[serde(deserialize_with = "whole_number")]
    #[schema(minimum = 1, maximum = 12)]
    pub axle: u8,
    /// Its load.
    #[schema(value_type = AxleWeight)]
    pub load_lb: Quantity,
}

/// `weighed`: axles of a vehicle were weighed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Weighed {
    /// The axles weighed, each once.
    #[schema(min_items = 1, max_items = 12)]
    pub axles: Vec<AxleLoad>,
}

shape!(Weighed, |weighed, fields| {
    if weighed.axles.is_empty() || weighed.axles.len() > 12 {
        fields.push(Field::new("/facts/axles", "One to twelve axles are expected."));
    }
    for (i, one) in weighed.axles.iter().enumerate() {
        within::<AxleWeight>(fields, &format!("axles/{i}/load_lb"), one.load_lb);
        let again = weighed.axles[..i].iter().any(|before| before.axle == one.axle);
        if !(1..=12).contains(&one.axle) || again {
            let say = "An axle from 1 to 12 is expected, each once.";
            fields.push(Field::new(format!("/facts/axles/{i}/axle"), say));
        }
    }
});

/// `odometer_read`: a vehicle's odometer was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OdometerRead {
    /// What it shows.
    #[schema(value_type = Odometer)]
    pub odometer_mi: Quantity,
}

shape!(OdometerRead, |read, fields| within::<Odometer>(fields, "odometer_mi", read.odometer_mi));

/// A side of the vehicle, as the driver sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
}

/// The place on a side of an axle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Where {
    /// The only one.
    Single,
    /// The outer of two.
    Outer,
    /// The inner of two.
    Inner,
}

/// A place for an assembly on a vehicle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Position {
    /// On an axle. Written `1L`, `2RO`, `3LI`.
    Axle {
        /// Axle counted from the front, from 1.
        axle: u8,
        /// Side.
        side: Side,
        /// Place on the side.
        place: Where,
    },
    /// Where a spare is carried, counted from 1. Written `SP1`.
    Spare(u8),
}

impl Position {
    /// The other place of a dual pair.
    #[must_use]
    pub fn mate(self) -> Option<Position> {
        let Position::Axle { axle, side, place } = self else {
            return None;
        };
        let place = match place {
            Where::Single => return None,
            Where::Outer => Where::Inner,
            Where::Inner => Where::Outer,
        };
        Some(Position::Axle { axle, side, place })
    }

    /// The axle that it is on; none for a spare, which is not driven on.
    #[must_use]
    pub fn axle(self) -> Option<u8> {
        match self {
            Position::Axle { axle, .. } => Some(axle),
            Position::Spare(_) => None,
        }
    }

    /// What its tire is looked for with: its axle, or 0 for all spares of a vehicle.
    #[must_use]
    pub fn row(self) -> u8 {
        self.axle().unwrap_or(0)
    }
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Position::Spare(n) => write!(f, "SP{n}"),
            Position::Axle { axle, side, place } => {
                let side = if side == Side::Left { "L" } else { "R" };
                let place = match place {
                    Where::Single => "",
                    Where::Outer => "O",
                    Where::Inner => "I",
                };
                write!(f, "{axle}{side}{place}")
            }
        }
    }
}

/// The text does not name a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotAPosition;

impl fmt::Display for NotAPosition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(
            "a position is the axle from the front, L or R, and on duals O or I, or a spare: 1L, \
             2RO, SP1",
        )
    }
}

impl FromStr for Position {
    type Err = NotAPosition;

    fn from_str(text: &str) -> Result<Position, NotAPosition> {
        if let Some(n) = text.strip_prefix("SP") {
            let number = n.parse().ok().filter(|n| (1..=SPARES).contains(n));
            let canonical = n.bytes().all(|byte| byte.is_ascii_digit()) && !n.starts_with('0');
            return number.filter(|_| canonical).map(Position::Spare).ok_or(NotAPosition);
        }
        let digits = text.bytes().take_while(u8::is_ascii_digit).count();
        let (axle, rest) = text.split_at(digits);
        let canonical = !axle.starts_with('0');
        let axle = axle.parse().ok().filter(|axle| canonical && (1..=12).contains(axle));
        let (side, place) = match rest {
            "L" => (Side::Left, Where::Single),
            "R" => (Side::Right, Where::Single),
            "LO" => (Side::Left, Where::Outer),
            "RO" => (Side::Right, Where::Outer),
            "LI" => (Side::Left, Where::Inner),
            "RI" => (Side::Right, Where::Inner),
            _ => return Err(NotAPosition),
        };
        Ok(Position::Axle { axle: axle.ok_or(NotAPosition)?, side, place })
    }
}

impl Serialize for Position {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Position {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Position, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
    }
}

impl utoipa::PartialSchema for Position {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .pattern(Some("^(([1-9]|1[0-2])[LR][OI]?|SP[1-8])$"))
            .description(Some(
                "Axle from the front, side as the driver sits, on duals outer or inner; or a spare.",
            ))
            .examples(["1L", "2RO", "SP1"])
            .build()
            .into()
    }
}

impl ToSchema for Position {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn positions_are_written_as_crews_say_them() {
        for text in ["1L", "2RO", "12LI", "SP1", "SP8"] {
            assert_eq!(text.parse::<Position>().unwrap().to_string(), text);
        }
        for text in [
            "", "L", "0L", "01L", "13L", "1", "1LOI", "1l", "1X", "SP", "SP0", "SP01", "SP9",
            "sp1", "SP+1", "1SP",
        ] {
            assert_eq!(text.parse::<Position>(), Err(NotAPosition), "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_that_is_a_position_is_written_the_same(text in "\\PC{0,5}") {
            if let Ok(position) = text.parse::<Position>() {
                prop_assert_eq!(position.to_string(), text);
            }
        }
    }
}
