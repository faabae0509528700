//! The shapes of what can be recorded, one file a topic.
//!
//! Every kind of entry has a documented shape of its own, typed once, here.

pub mod amend;
pub mod bounds;
pub mod cage;
pub mod casing;
pub mod chart;
pub mod depot;
pub mod gauge;
pub mod model;
pub mod person;
pub mod policy;
pub mod recommendation;
pub mod vehicle;
pub mod wheel;

use crate::Quantity;
use crate::entry::{FormError, SubjectKind};
use bounds::{Latitude, LongText, Longitude, ShortText, named, within};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use utoipa::{PartialSchema, ToSchema};

/// A value that is wrong, and where it stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Field {
    /// JSON Pointer (RFC 6901) to the value.
    #[schema(example = "/facts/psi")]
    pub pointer: String,
    /// What is wrong with it, in plain words.
    #[schema(example = "A pressure from 0 to 200 psi is expected.")]
    pub say: String,
}

impl Field {
    /// A wrong value at this place.
    pub fn new(pointer: impl Into<String>, say: impl Into<String>) -> Field {
        Field { pointer: pointer.into(), say: say.into() }
    }

    /// A value that cannot be read, as serde reports it.
    pub fn unreadable(
        prefix: &str,
        error: &serde_path_to_error::Error<serde_json::Error>,
    ) -> Field {
        let mut pointer = prefix.to_owned();
        for segment in error.path() {
            match segment {
                serde_path_to_error::Segment::Seq { index } => {
                    pointer.push_str(&format!("/{index}"))
                }
                serde_path_to_error::Segment::Map { key } => {
                    pointer.push_str(&format!("/{}", escaped(key)));
                }
                serde_path_to_error::Segment::Enum { variant } => {
                    pointer.push_str(&format!("/{}", escaped(variant)));
                }
                serde_path_to_error::Segment::Unknown => {}
            }
        }
        let text = error.inner().to_string();
        let say = text.split(" at line ").next().unwrap_or(&text).to_owned();
        // An unknown field is named by the message, not by the path.
        if let Some(name) =
            say.strip_prefix("unknown field `").and_then(|rest| rest.split('`').next())
            && !pointer.ends_with(&format!("/{}", escaped(name)))
        {
            pointer.push_str(&format!("/{}", escaped(name)));
        }
        Field { pointer, say: format!("Cannot be read: {say}.") }
    }
}

/// A name as a JSON Pointer has it, RFC 6901 section 3.
fn escaped(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

/// Notes and names about an entry, kept in a table of their own.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Personal {
    /// The name of the person that the entry is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<ShortText>, example = "Ada Finch")]
    pub name: Option<String>,
    /// Anything worth saying in the crew's own words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<LongText>)]
    pub note: Option<String>,
    /// Where it was done, degrees north.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Latitude>)]
    pub latitude: Option<Quantity>,
    /// Where it was done, degrees east.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Longitude>)]
    pub longitude: Option<Quantity>,
}

impl Personal {
    /// Names every value that can never be.
    pub(crate) fn check(&self, fields: &mut Vec<Field>) {
        let mut wrong = Vec::new();
        if let Some(name) = &self.name {
            named(&mut wrong, "name", name);
        }
        if let Some(latitude) = self.latitude {
            within::<Latitude>(&mut wrong, "latitude", latitude);
        }
        if let Some(longitude) = self.longitude {
            within::<Longitude>(&mut wrong, "longitude", longitude);
        }
        fields.extend(wrong.into_iter().map(|field| Field {
            pointer: field.pointer.replacen("/facts", "/personal", 1),
            ..field
        }));
    }
}

macro_rules! kinds {
    ($($(#[doc = $doc:literal])* $variant:ident($shape:ty) = $name:literal on $($subject:ident)|+;)*) => {
        /// The kinds of entry.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Kind { $($(#[doc = $doc])* $variant),* }

        impl Kind {
            /// Every kind of entry.
            pub const ALL: &'static [Kind] = &[$(Kind::$variant),*];

            /// The name used in JSON and in the database.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(Kind::$variant => $name),* }
            }

            /// The kinds of subject that it can be about.
            #[must_use]
            pub fn subjects(self) -> &'static [SubjectKind] {
                match self { $(Kind::$variant => &[$(SubjectKind::$subject),+]),* }
            }

            /// What it says, in one sentence.
            #[must_use]
            pub fn says(self) -> &'static str {
                match self { $(Kind::$variant => concat!($($doc),*).trim_ascii_start()),* }
            }

            /// The shape of its facts about this kind of subject, as the API document
            /// names it.
            #[must_use]
            pub fn shape(self, subject: SubjectKind) -> String {
                match self { $(Kind::$variant => <$shape as Shape>::schema_name(subject)),* }
            }

            /// Every shape of facts for the API document, with what it is made of.
            #[must_use]
            pub fn shapes() -> Vec<(String, RefOr<Schema>)> {
                let mut shapes = Vec::new();
                $(
                    shapes.push((<$shape as ToSchema>::name().into_owned(), <$shape as PartialSchema>::schema()));
                    <$shape as ToSchema>::schemas(&mut shapes);
                )*
                shapes
            }
        }

        /// What happened, by kind of entry.
        #[derive(Clone, Debug, PartialEq, Serialize)]
        #[serde(tag = "kind", content = "facts", rename_all = "snake_case")]
        pub enum Facts { $($(#[doc = $doc])* $variant($shape)),* }

        impl Facts {
            /// The kind of entry that says this.
            #[must_use]
            pub fn kind(&self) -> Kind {
                match self { $(Facts::$variant(_) => Kind::$variant),* }
            }

            /// The facts alone, as JSON.
            #[must_use]
            pub fn to_value(&self) -> Value {
                let value = match self { $(Facts::$variant(shape) => serde_json::to_value(shape)),* };
                value.unwrap_or_default()
            }

            fn parse(kind: Kind, subject: SubjectKind, json: &str) -> Result<Facts, Field> {
                match kind { $(Kind::$variant => <$shape as Shape>::parse(subject, json).map(Facts::$variant)),* }
            }

            /// Names every value that can never be.
            pub(crate) fn check(&self, fields: &mut Vec<Field>) {
                match self { $(Facts::$variant(shape) => shape.check(fields)),* }
            }
        }
    };
}

kinds! {
    /// A casing came into the fleet.
    Acquired(casing::Acquired) = "acquired" on Casing;
    /// Marks were read or put on a casing.
    Identified(casing::Identified) = "identified" on Casing;
    /// A casing was looked at, on or off the wheel.
    Inspected(casing::Inspected) = "inspected" on Casing;
    /// Tire and wheel were put together and inflated.
    Mounted(casing::Mounted) = "mounted" on Casing;
    /// Tire and wheel were taken apart.
    Demounted(casing::Demounted) = "demounted" on Casing;
    /// A pressure was read.
    PressureRead(casing::PressureRead) = "pressure_read" on Casing;
    /// A mounted tire was aired up.
    Inflated(casing::Inflated) = "inflated" on Casing;
    /// A tire was let down on order.
    Deflated(casing::Deflated) = "deflated" on Casing;
    /// Tread depths were read.
    TreadRead(casing::TreadRead) = "tread_read" on Casing;
    /// A proof hold was made, with its readings.
    Held(casing::Held) = "held" on Casing;
    /// A mounted casing may return to service.
    Released(casing::Released) = "released" on Casing;
    /// An assembly was put on a vehicle's axle.
    Installed(casing::Installed) = "installed" on Casing;
    /// An assembly was taken off a vehicle's axle.
    Removed(casing::Removed) = "removed" on Casing;
    /// The nuts were checked again after a run.
    Torqued(casing::Torqued) = "torqued" on Casing;
    /// An injury of a casing was repaired.
    Repaired(casing::Repaired) = "repaired" on Casing;
    /// The tread pattern was renewed, or a new one cut.
    Regrooved(casing::Regrooved) = "regrooved" on Casing;
    /// A casing went to a retreader, a repairer or its maker.
    SentAway(casing::SentAway) = "sent_away" on Casing;
    /// A casing came back.
    Returned(casing::Returned) = "returned" on Casing;
    /// A casing was brought to another depot.
    Moved(casing::Moved) = "moved" on Casing;
    /// A casing is not where it ought to be.
    Missing(casing::Missing) = "missing" on Casing;
    /// A missing casing turned up.
    Found(casing::Found) = "found" on Casing;
    /// Somebody outside the ledger worked on a casing.
    ThirdPartyService(casing::ThirdPartyService) = "third_party_service" on Casing;
    /// A doubt was cast on a casing.
    Flagged(casing::Flagged) = "flagged" on Casing;
    /// A casing may never be used again.
    Scrapped(casing::Scrapped) = "scrapped" on Casing;
    /// Scrap was cut, so that nobody can run it again.
    MadeUnusable(casing::MadeUnusable) = "made_unusable" on Casing;
    /// A casing left the fleet for good.
    Disposed(casing::Disposed) = "disposed" on Casing;
    /// A casing is kept as evidence.
    Preserved(casing::Preserved) = "preserved" on Casing;
    /// A casing is no longer kept for a matter.
    PreservationEnded(casing::PreservationEnded) = "preservation_ended" on Casing;
    /// Its maker recalled a casing.
    Recalled(casing::Recalled) = "recalled" on Casing;
    /// What a recall asked for was done.
    Remedied(casing::Remedied) = "remedied" on Casing;
    /// An earlier entry about a casing was wrong.
    Corrected(amend::Corrected) = "corrected" on Casing;
    /// It was found out what became of a refused entry.
    Resolved(amend::Resolved) = "resolved" on Casing | Vehicle | Wheel | Cage | Gauge | Person | Depot | Model | Recommendation | Chart | Policy;
    /// What is personal in an entry was destroyed on a legal order.
    Erased(amend::Erased) = "erased" on Casing | Vehicle | Wheel | Cage | Gauge | Person | Depot | Model | Recommendation | Chart | Policy;
    /// A thing was entered into the ledger.
    Registered(Body) = "registered" on Vehicle | Wheel | Cage | Gauge | Person | Depot | Model | Recommendation | Chart | Policy;
    /// A thing was changed; the whole new body is given.
    Changed(Body) = "changed" on Vehicle | Wheel | Cage | Gauge | Person | Depot | Model | Recommendation | Chart | Policy;
    /// The axles of a vehicle were weighed.
    Weighed(vehicle::Weighed) = "weighed" on Vehicle;
    /// An odometer was read.
    OdometerRead(vehicle::OdometerRead) = "odometer_read" on Vehicle;
    /// A cage or barrier was looked over.
    CageChecked(cage::CageChecked) = "cage_checked" on Cage;
    /// Something let go in a cage.
    CageIncident(cage::CageIncident) = "cage_incident" on Cage;
    /// A gauge was calibrated.
    Calibrated(gauge::Calibrated) = "calibrated" on Gauge;
    /// A person was trained or evaluated.
    Trained(person::Trained) = "trained" on Person;
    /// A bad wheel was tagged and taken out of the work area.
    Tagged(wheel::Tagged) = "tagged" on Wheel;
}

impl Facts {
    /// Reads the facts of an entry of this kind about this kind of subject.
    ///
    /// # Errors
    /// [`FormError`] naming the field.
    pub fn read(kind: Kind, subject: SubjectKind, json: &str) -> Result<Facts, FormError> {
        if !kind.subjects().contains(&subject) {
            let say = format!("An entry {} cannot be about a {}.", kind.name(), subject.name());
            return Err(FormError::Malformed(Field::new("/subject/kind", say)));
        }
        Facts::parse(kind, subject, json).map_err(FormError::Malformed)
    }

    /// The same from a JSON value.
    ///
    /// # Errors
    /// The field that cannot be read.
    pub fn from_value(kind: Kind, subject: SubjectKind, value: Value) -> Result<Facts, Field> {
        Facts::parse(kind, subject, &value.to_string())
    }
}

/// One shape of facts.
trait Shape: Sized {
    fn parse(subject: SubjectKind, json: &str) -> Result<Self, Field>;
    /// Its name in the API document, where it is about this kind of subject.
    fn schema_name(subject: SubjectKind) -> String;
    /// Names every value that can never be, with pointers below `/facts`.
    fn check(&self, fields: &mut Vec<Field>);
}

/// Reads a shape and names the field where it cannot.
fn parse<T: DeserializeOwned>(json: &str) -> Result<T, Field> {
    let mut reader = serde_json::Deserializer::from_str(json);
    serde_path_to_error::deserialize(&mut reader)
        .map_err(|error| Field::unreadable("/facts", &error))
}

/// Shapes that serde reads as they stand; only the check differs.
macro_rules! shape {
    ($type:ty, |$shape:ident, $fields:ident| $check:expr) => {
        impl crate::facts::Shape for $type {
            fn parse(
                _: crate::entry::SubjectKind,
                json: &str,
            ) -> Result<Self, crate::facts::Field> {
                crate::facts::parse(json)
            }
            fn schema_name(_: crate::entry::SubjectKind) -> String {
                <$type as utoipa::ToSchema>::name().into_owned()
            }
            fn check(&self, $fields: &mut Vec<crate::facts::Field>) {
                let $shape = self;
                $check
            }
        }
    };
}
pub(crate) use shape;

/// The whole body of a thing that is registered or changed.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(untagged)]
pub enum Body {
    /// A vehicle.
    Vehicle(vehicle::Vehicle),
    /// A wheel.
    Wheel(wheel::Wheel),
    /// A cage or barrier.
    Cage(cage::Cage),
    /// A gauge.
    Gauge(gauge::Gauge),
    /// A person.
    Person(person::Person),
    /// A depot.
    Depot(depot::Depot),
    /// A tire model.
    Model(model::Model),
    /// A maker's recommendation.
    Recommendation(recommendation::Recommendation),
    /// A chart.
    Chart(chart::Chart),
    /// The organisation's policy.
    Policy(policy::Policy),
}

impl Body {
    fn shape(&self) -> &dyn Checked {
        match self {
            Body::Vehicle(body) => body,
            Body::Wheel(body) => body,
            Body::Cage(body) => body,
            Body::Gauge(body) => body,
            Body::Person(body) => body,
            Body::Depot(body) => body,
            Body::Model(body) => body,
            Body::Recommendation(body) => body,
            Body::Chart(body) => body,
            Body::Policy(body) => body,
        }
    }

    /// Reads the body of a thing of this kind.
    ///
    /// # Errors
    /// The field that cannot be read.
    pub fn read(subject: SubjectKind, json: &str) -> Result<Body, Field> {
        <Body as Shape>::parse(subject, json)
    }
}

impl Shape for Body {
    fn parse(subject: SubjectKind, json: &str) -> Result<Body, Field> {
        match subject {
            SubjectKind::Vehicle => parse(json).map(Body::Vehicle),
            SubjectKind::Wheel => parse(json).map(Body::Wheel),
            SubjectKind::Cage => parse(json).map(Body::Cage),
            SubjectKind::Gauge => parse(json).map(Body::Gauge),
            SubjectKind::Person => parse(json).map(Body::Person),
            SubjectKind::Depot => parse(json).map(Body::Depot),
            SubjectKind::Model => parse(json).map(Body::Model),
            SubjectKind::Recommendation => parse(json).map(Body::Recommendation),
            SubjectKind::Chart => parse(json).map(Body::Chart),
            SubjectKind::Policy => parse(json).map(Body::Policy),
            SubjectKind::Casing => {
                Err(Field::new("/subject/kind", "A casing is acquired, not registered."))
            }
        }
    }

    fn schema_name(subject: SubjectKind) -> String {
        let name = match subject {
            SubjectKind::Vehicle => vehicle::Vehicle::name(),
            SubjectKind::Wheel => wheel::Wheel::name(),
            SubjectKind::Cage => cage::Cage::name(),
            SubjectKind::Gauge => gauge::Gauge::name(),
            SubjectKind::Person => person::Person::name(),
            SubjectKind::Depot => depot::Depot::name(),
            SubjectKind::Model => model::Model::name(),
            SubjectKind::Recommendation => recommendation::Recommendation::name(),
            SubjectKind::Chart => chart::Chart::name(),
            SubjectKind::Policy => policy::Policy::name(),
            SubjectKind::Casing => Body::name(),
        };
        name.into_owned()
    }

    fn check(&self, fields: &mut Vec<Field>) {
        self.shape().check(fields);
    }
}

/// A body whose values can be checked.
pub(crate) trait Checked {
    fn check(&self, fields: &mut Vec<Field>);
}
