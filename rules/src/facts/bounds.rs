//! The bounds of what can be recorded. They are generous: they stop what is mistyped, not what
//! is dangerous, which is for the rules. Each stands here once, for the check and for the API
//! document. Sources: common practice, no published source.

use super::Field;
use crate::Quantity;
use serde::de::Error;
use serde::{Deserialize, Deserializer};
use serde_json::Number;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, Schema, Type};
use utoipa::openapi::{KnownFormat, RefOr, SchemaFormat};
use utoipa::{PartialSchema, ToSchema};

/// The amounts that a field takes, both ends allowed.
pub(crate) trait Bounds {
    /// The least amount.
    const LEAST: Quantity;
    /// The greatest amount.
    const MOST: Quantity;
    /// The unit, as a sentence names it.
    const UNIT: &'static str;
}

macro_rules! bounds {
    ($($(#[doc = $doc:literal])* $name:ident from $least:expr, $most:expr, $unit:literal;)*) => {$(
        $(#[doc = $doc])*
        pub struct $name;

        impl Bounds for $name {
            const LEAST: Quantity = $least;
            const MOST: Quantity = $most;
            const UNIT: &'static str = $unit;
        }

        impl PartialSchema for $name {
            fn schema() -> RefOr<Schema> {
                amount()
                    .minimum(Some($name::LEAST.to_f64()))
                    .maximum(Some($name::MOST.to_f64()))
                    .description(Some(concat!($($doc),*).trim_ascii_start()))
                    .build()
                    .into()
            }
        }

        impl ToSchema for $name {}
    )*};
}

/// A number with at most two decimals.
pub(crate) fn amount() -> ObjectBuilder {
    ObjectBuilder::new().schema_type(Type::Number).multiple_of(Some(0.01))
}

const fn whole(units: i64) -> Quantity {
    Quantity::whole(units)
}

bounds! {
    /// A pressure, psi.
    Psi from whole(0), whole(200), "psi";
    /// A position's set pressure, psi.
    SetPsi from whole(20), whole(200), "psi";
    /// How far a proof hold goes above the set pressure, psi.
    Overpressure from whole(20), whole(60), "psi";
    /// How long an extended hold lasts, seconds.
    ExtendedHold from whole(1200), whole(14_400), "seconds";
    /// Time since a hold began, seconds.
    Elapsed from whole(0), whole(86_400), "seconds";
    /// A depth of tread, 32nds of an inch.
    Depth from whole(0), whole(40), "32nds of an inch";
    /// A depth of tread when new, 32nds of an inch.
    NewDepth from whole(1), whole(40), "32nds of an inch";
    /// Which retread of a casing it is, from 1.
    Life from whole(1), whole(20), "retreads";
    /// A temperature, degrees Fahrenheit.
    Temperature from whole(-80), whole(400), "degrees Fahrenheit";
    /// A speed, miles per hour.
    Speed from whole(0), whole(100), "miles per hour";
    /// A speed that a tire is restricted to, miles per hour.
    RestrictedSpeed from whole(5), whole(55), "miles per hour";
    /// A load, pounds.
    Load from whole(100), whole(50_000), "pounds";
    /// The load of an axle, pounds.
    AxleWeight from whole(100), whole(100_000), "pounds";
    /// A speed that a State special permit allows, miles per hour.
    PermitSpeed from whole(5), whole(50), "miles per hour";
    /// A width or length of an injury, 32nds of an inch.
    RepairSize from whole(1), whole(640), "32nds of an inch";
    /// A bead diameter, inches.
    Rim from whole(10), whole(60), "inches";
    /// A width of a rim, inches.
    RimWidth from whole(3), whole(40), "inches";
    /// An outside diameter, inches.
    Diameter from whole(10), whole(100), "inches";
    /// A torque, foot-pounds.
    Torque from whole(1), whole(1500), "foot-pounds";
    /// An odometer, miles.
    Odometer from whole(0), whole(10_000_000), "miles";
    /// The full scale of a gauge, psi.
    Span from whole(1), whole(1000), "psi";
    /// The smallest step that a gauge shows, psi.
    Step from Quantity::from_hundredths(1), whole(20), "psi";
    /// A height above the sea, feet.
    Altitude from whole(-1500), whole(20_000), "feet";
    /// Degrees north.
    Latitude from whole(-90), whole(90), "degrees";
    /// Degrees east.
    Longitude from whole(-180), whole(180), "degrees";
}

/// Names an amount outside its bounds.
pub(crate) fn within<B: Bounds>(fields: &mut Vec<Field>, name: &str, amount: Quantity) {
    if !(B::LEAST..=B::MOST).contains(&amount) {
        let (least, most, unit) = (B::LEAST, B::MOST, B::UNIT);
        let say = format!("{amount} cannot be. From {least} to {most} {unit} is expected.");
        fields.push(Field::new(format!("/facts/{name}"), say));
    }
}

/// A short text that says something.
pub struct ShortText;

/// The most characters of a short text.
const SHORT: usize = 200;

/// No blanks around it, and nothing in it that cannot be seen.
const SEEN: &str = r"^[^\s\u0000-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff]([^\u0000-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff]*[^\s\u0000-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff])?$";

impl PartialSchema for ShortText {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .min_length(Some(1))
            .max_length(Some(SHORT))
            .pattern(Some(SEEN))
            .description(Some(
                "A short text without blanks around it, in Unicode normalisation form C.",
            ))
            .build()
            .into()
    }
}

impl ToSchema for ShortText {}

/// Names a text that is empty or too long, or that has what cannot be seen in it: that would
/// make two names of what reads like one.
pub(crate) fn named(fields: &mut Vec<Field>, name: &str, text: &str) {
    let unseen = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    let long = text.chars().count() > SHORT;
    if text.trim() != text || text.is_empty() || long || text.contains(unseen) {
        let say = format!(
            "A text of 1 to {SHORT} characters is expected, without blanks around it and without \
             characters that cannot be seen."
        );
        fields.push(Field::new(format!("/facts/{name}"), say));
    }
}

/// A text in the crew's own words.
pub struct LongText;

/// The most characters of any text.
pub(crate) const LONG: usize = 4000;

impl PartialSchema for LongText {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .max_length(Some(LONG))
            .pattern(Some(r"^[^\u0000]*$"))
            .description(Some("A text in Unicode normalisation form C."))
            .build()
            .into()
    }
}

impl ToSchema for LongText {}

/// The depths of a tread: points in each groove, 32nds of an inch.
pub struct Grooves;

/// The most grooves, and the most points of each.
const GROOVES: usize = 12;

impl PartialSchema for Grooves {
    fn schema() -> RefOr<Schema> {
        let list = || ArrayBuilder::new().min_items(Some(1)).max_items(Some(GROOVES));
        list()
            .items(list().items(Depth::schema()))
            .description(Some("Points in each groove, 32nds of an inch."))
            .build()
            .into()
    }
}

impl ToSchema for Grooves {}

/// Names depths of a tread that cannot be.
pub(crate) fn depths(fields: &mut Vec<Field>, name: &str, grooves: &[Vec<Quantity>]) {
    if grooves.is_empty() || grooves.len() > GROOVES {
        fields.push(Field::new(format!("/facts/{name}"), "One to twelve grooves are expected."));
    }
    for (i, points) in grooves.iter().enumerate() {
        if points.is_empty() || points.len() > GROOVES {
            fields.push(Field::new(
                format!("/facts/{name}/{i}"),
                "One to twelve points of each groove are expected.",
            ));
        }
        for (j, &depth) in points.iter().enumerate() {
            within::<Depth>(fields, &format!("{name}/{i}/{j}"), depth);
        }
    }
}

/// When something happened: RFC 3339 from 1990 to 2199, to the microsecond.
pub struct Occurred;

impl PartialSchema for Occurred {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)))
            .pattern(Some(
                r"^(199[0-9]|2[01][0-9]{2})-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-5][0-9](\.[0-9]{1,6})?([Zz]|[+-][0-9]{2}:[0-9]{2})$",
            ))
            .description(Some(
                "RFC 3339 with the device's offset, from 1990 to 2199, to the microsecond.",
            ))
            .build()
            .into()
    }
}

impl ToSchema for Occurred {}

/// A whole number, however it is written: JSON Schema knows no difference between 6 and 6.0.
pub(crate) fn whole_number<'de, D: Deserializer<'de>, T: TryFrom<u64>>(
    reader: D,
) -> Result<T, D::Error> {
    counted(&Number::deserialize(reader)?)
}

/// The same where it may be left out.
pub(crate) fn whole_number_if_any<'de, D: Deserializer<'de>, T: TryFrom<u64>>(
    reader: D,
) -> Result<Option<T>, D::Error> {
    Option::<Number>::deserialize(reader)?.map(|number| counted(&number)).transpose()
}

fn counted<T: TryFrom<u64>, E: Error>(number: &Number) -> Result<T, E> {
    // Exact up to 2^53, more than any field takes.
    let written = |float: f64| (float.fract() == 0.0 && float >= 0.0).then_some(float as u64);
    let count = number.as_u64().or_else(|| written(number.as_f64()?));
    count
        .and_then(|count| T::try_from(count).ok())
        .ok_or_else(|| E::custom(format!("{number} is not a whole number that fits here")))
}

#[cfg(test)]
mod tests {
    use crate::facts::casing::Money;
    use serde_json::json;

    // JSON Schema 2020-12 validation 6.1.1: a number with a zero fraction is an integer.
    #[test]
    fn whole_numbers_may_be_written_with_a_zero_fraction() {
        let read =
            |cents| serde_json::from_value::<Money>(json!({"cents": cents, "currency": "USD"}));
        for (written, cents) in
            [(json!(6), 6), (json!(6.0), 6), (json!(4_294_967_295_f64), u32::MAX)]
        {
            assert_eq!(read(written).unwrap().cents, cents);
        }
        for written in
            [json!(6.5), json!(-1), json!(-1.0), json!(4_294_967_296_f64), json!("6"), json!(1e300)]
        {
            assert!(read(written.clone()).is_err(), "{written}");
        }
    }
}
