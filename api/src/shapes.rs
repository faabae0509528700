//! The shapes of entries in the API document: every kind of entry has a schema of its own.
//!
//! What is sent is told apart by `kind`; `facts` has the shape of that kind, typed once in
//! `rules`. The examples are in `examples.json`, by kind of entry and by kind of subject; what
//! they name is on record in the demo, so that they can be tried there.

use crate::demo;
use crate::rules_list::asked_on;
use rules::facts::bounds::Occurred;
use rules::facts::wheel::WheelKind;
use rules::facts::{Body, Personal};
use rules::table::{How, RULES};
use rules::{Kind, SubjectKind};
use serde_json::{Map, Value, json};
use std::borrow::Cow;
use std::sync::LazyLock;
use utoipa::openapi::schema::{
    AdditionalProperties, AnyOfBuilder, ArrayBuilder, Discriminator, Object, ObjectBuilder,
    OneOfBuilder, Schema, SchemaType, Type,
};
use utoipa::openapi::{KnownFormat, Ref, RefOr, SchemaFormat};
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

/// An entry as it is sent. Only its schema: it is read by [`rules::Command::read`].
pub struct NewEntry;

impl PartialSchema for NewEntry {
    fn schema() -> RefOr<Schema> {
        let location = |kind: &Kind| Ref::from_schema_name(entry_name(*kind)).ref_location;
        let by_kind = Kind::ALL.iter().map(|kind| (kind.name(), location(kind)));
        let kinds = Kind::ALL.iter().fold(OneOfBuilder::new(), |one_of, kind| {
            one_of.item(Ref::from_schema_name(entry_name(*kind)))
        });
        kinds
            .description(Some("Something that happened, or a decision, as it is sent."))
            .discriminator(Some(Discriminator::with_mapping("kind", by_kind)))
            .into()
    }
}

impl ToSchema for NewEntry {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("NewEntry")
    }

    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        schemas.extend(Kind::shapes());
        // Which body it is, the subject says; the schemas of entries name it.
        schemas.retain(|(name, _)| *name != Body::name());
        schemas.push((Personal::name().into_owned(), Personal::schema()));
        schemas.push((Occurred::name().into_owned(), Occurred::schema()));
        schemas.push((RULE_ID.to_owned(), rule_id().into()));
        for &kind in Kind::ALL {
            match kind.subjects() {
                &[subject] => schemas.push((entry_name(kind), entry(kind, subject))),
                subjects => {
                    schemas.extend(subjects.iter().map(|&s| (about_name(kind, s), entry(kind, s))));
                    schemas.push((entry_name(kind), one_of_subjects(kind)));
                }
            }
        }
    }
}

/// The schema of the ids of rules.
const RULE_ID: &str = "RuleId";

/// A rule's id. New ones may come.
fn rule_id() -> Schema {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .enum_values(Some(RULES.iter().map(|rule| &*rule.id)))
        .description(Some("The id of a rule, as in `GET /v1/rules`. New ones may come."))
        .build()
        .into()
}

/// The facts of any entry, for the entries that are shown.
pub fn any_facts() -> Schema {
    let mut names: Vec<String> = Kind::ALL
        .iter()
        .flat_map(|kind| kind.subjects().iter().map(|&subject| kind.shape(subject)))
        .collect();
    names.sort();
    names.dedup();
    // Shapes without a required field are alike in JSON, so this is no `oneOf`.
    let any = names
        .iter()
        .fold(AnyOfBuilder::new(), |any, name| any.item(Ref::from_schema_name(name.as_str())));
    any.description(Some("What happened, in the shape of the entry's kind.")).build().into()
}

/// The shape of a merge patch (RFC 7396) of this shape: nothing is needed, and null removes.
#[must_use]
pub fn patch_of(body: RefOr<Schema>) -> RefOr<Schema> {
    match body {
        RefOr::T(Schema::Object(mut body)) => {
            for (name, schema) in &mut body.properties {
                if !body.required.contains(name) && !takes_null(schema) {
                    let null = ObjectBuilder::new().schema_type(Type::Null);
                    let either = OneOfBuilder::new().item(schema.clone()).item(null);
                    *schema = either.into();
                }
            }
            body.required.clear();
            body.description = Some("What changes; null removes what may be left out.".to_owned());
            Schema::Object(body).into()
        }
        other => other,
    }
}

/// What may be left out is optional, which takes null already, or has a default.
fn takes_null(schema: &RefOr<Schema>) -> bool {
    match schema {
        RefOr::T(Schema::Object(schema)) => !matches!(schema.schema_type, SchemaType::Type(_)),
        RefOr::T(Schema::Array(_)) | RefOr::Ref(_) => false,
        RefOr::T(_) => true,
    }
}

/// `pressure_read` is `PressureReadEntry`.
fn entry_name(kind: Kind) -> String {
    format!("{}Entry", in_capitals(kind.name()))
}

/// `registered` about a vehicle is `RegisteredVehicleEntry`.
fn about_name(kind: Kind, subject: SubjectKind) -> String {
    format!("{}{}Entry", in_capitals(kind.name()), in_capitals(subject.name()))
}

fn in_capitals(name: &str) -> String {
    let word = |word: &str| word[..1].to_uppercase() + &word[1..];
    name.split('_').map(word).collect()
}

fn one_of_subjects(kind: Kind) -> RefOr<Schema> {
    let subjects = kind.subjects().iter().fold(OneOfBuilder::new(), |one_of, &subject| {
        one_of.item(Ref::from_schema_name(about_name(kind, subject)))
    });
    subjects.description(Some(kind.says())).into()
}

fn entry(kind: Kind, subject: SubjectKind) -> RefOr<Schema> {
    let named = ObjectBuilder::new()
        .property("kind", only(subject.name()))
        .property("id", uuid("Its id, made by the client that first recorded it."))
        .required("kind")
        .required("id")
        .additional_properties(Some(AdditionalProperties::FreeForm(false)))
        .description(Some("What it is about."));
    let rules = ArrayBuilder::new()
        .items(Ref::from_schema_name(RULE_ID))
        .description(Some("The ids of the rules that are confirmed."));
    let personal = OneOfBuilder::new()
        .item(Object::with_type(Type::Null))
        .item(Ref::from_schema_name(Personal::name()))
        .description(Some("Notes and names, kept apart so that they can be erased."));
    ObjectBuilder::new()
        .description(Some(kind.says()))
        .property(
            "id",
            uuid("Made by the client, UUID version 7; the same again is the same entry."),
        )
        .property("kind", only(kind.name()))
        .property("subject", named)
        .property("occurred_at", Ref::from_schema_name(Occurred::name()))
        .property("by", optional(uuid("Who did the work, where that is not the sender.")))
        .property("facts", Ref::from_schema_name(kind.shape(subject)))
        .property("attested", rules)
        .property("personal", personal)
        .property("retries", optional(uuid("The refused entry that this one tries again.")))
        .required("id")
        .required("kind")
        .required("subject")
        .required("occurred_at")
        .required("facts")
        .additional_properties(Some(AdditionalProperties::FreeForm(false)))
        .examples([example(kind, subject)])
        .build()
        .into()
}

fn only(name: &str) -> ObjectBuilder {
    ObjectBuilder::new().schema_type(Type::String).enum_values(Some([name]))
}

fn uuid(description: &str) -> ObjectBuilder {
    text(KnownFormat::Uuid, description)
}

fn text(format: KnownFormat, description: &str) -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(format)))
        .description(Some(description))
}

fn optional(builder: ObjectBuilder) -> ObjectBuilder {
    builder.schema_type(SchemaType::from_iter([Type::String, Type::Null]))
}

static EXAMPLES: LazyLock<Map<String, Value>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("examples.json")).expect("examples.json is read by a test")
});

/// The id of what is new in the examples.
pub const EXAMPLE_ID: &str = "019cb1d4-3000-7000-8000-00000000f001";

/// The id of what the examples are about, where it is on record: one thing of each kind in
/// the demo.
#[must_use]
pub fn on_record(subject: SubjectKind) -> Uuid {
    let name = match subject {
        SubjectKind::Casing => "LK-1010",
        SubjectKind::Vehicle => "LH-214",
        SubjectKind::Wheel => "LW-1010",
        SubjectKind::Cage => "Elmford cage 1",
        SubjectKind::Gauge => "Elmford digital 1",
        SubjectKind::Person => "ada",
        SubjectKind::Depot => "Elmford",
        SubjectKind::Model => "Longhaul G",
        SubjectKind::Recommendation => "service letter 12",
        SubjectKind::Chart => "Ring matching",
        SubjectKind::Policy => demo::SLUG,
    };
    demo::id(subject, name)
}

/// The id of an entry of the demo: the one by which the casing of the examples came.
pub const EXAMPLE_ENTRY: &str = "cfe2591a-5443-876f-bd76-5f5b8c2b13a5";

/// The example of this name.
///
/// # Panics
/// Where there is none of this name.
#[must_use]
pub fn example_named(name: &str) -> Value {
    EXAMPLES[name].clone()
}

/// An example of the body of this kind of thing, or of a casing as it stands.
#[must_use]
pub fn example_body(subject: SubjectKind) -> Value {
    example_named(subject.name())
}

/// An example of an entry of this kind about this kind of subject, as it is sent.
#[must_use]
pub fn example(kind: Kind, subject: SubjectKind) -> Value {
    let facts = EXAMPLES.get(kind.name()).unwrap_or_else(|| &EXAMPLES[subject.name()]);
    let confirmed = |rule: &&rules::table::Rule| {
        rule.how == How::Attested
            && asked_on(rule, kind)
            && rule.class(WheelKind::SinglePiece, false).is_some()
            && !rule.on.contains("tube-type")
    };
    let id = match kind {
        Kind::Acquired => EXAMPLE_ID.to_owned(),
        Kind::Registered if subject != SubjectKind::Policy => EXAMPLE_ID.to_owned(),
        _ => on_record(subject).to_string(),
    };
    let attested: Vec<&str> = RULES.iter().filter(confirmed).map(|rule| &*rule.id).collect();
    json!({
        "id": "019cb1d4-3a80-7000-8000-000000000001",
        "kind": kind.name(),
        "subject": {"kind": subject.name(), "id": id},
        "occurred_at": "2026-03-03T07:00:00-06:00",
        "facts": facts,
        "attested": attested,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rules::Command;

    // The ledger's own promise, no outside source: what the document shows can be sent.
    #[test]
    fn every_example_is_an_entry() {
        for &kind in Kind::ALL {
            for &subject in kind.subjects() {
                let sent = example(kind, subject).to_string();
                let read = Command::read(sent.as_bytes());
                assert!(read.is_ok(), "{} about a {}: {read:?}", kind.name(), subject.name());
            }
        }
    }

    // OpenAPI 3.1.0 section 4.8.25: a discriminator maps values to schemas of the document.
    #[test]
    fn every_kind_has_a_closed_schema_of_its_own() {
        let mut schemas = Vec::new();
        NewEntry::schemas(&mut schemas);
        let by_name: std::collections::BTreeMap<_, _> = schemas.into_iter().collect();
        let root = serde_json::to_value(NewEntry::schema()).unwrap();
        for kind in Kind::ALL {
            let place = root["discriminator"]["mapping"][kind.name()].as_str().unwrap();
            let name = place.rsplit('/').next().unwrap();
            let schema = serde_json::to_value(&by_name[name]).unwrap();
            for &subject in kind.subjects() {
                let schema = match kind.subjects() {
                    [_] => schema.clone(),
                    _ => serde_json::to_value(&by_name[&about_name(*kind, subject)]).unwrap(),
                };
                assert_eq!(schema["additionalProperties"], false);
                assert_eq!(schema["properties"]["kind"]["enum"], json!([kind.name()]));
                let facts = schema["properties"]["facts"]["$ref"].as_str().unwrap();
                assert!(by_name.contains_key(facts.rsplit('/').next().unwrap()), "{facts}");
            }
        }
    }
}
