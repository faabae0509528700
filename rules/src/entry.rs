//! An entry: one line of the ledger, as it is sent and as it is kept.

use crate::canonical;
use crate::facts::model::Construction;
use crate::facts::{Facts, Field, Kind, Personal};
use crate::hold::HoldResult;
use chrono::{DateTime, Datelike, FixedOffset, Timelike, Utc};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::{Uuid, Version};

/// What kinds of thing an entry can be about.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum SubjectKind {
    /// A tire body followed through all its tread lives.
    Casing,
    /// A bus, truck, tractor, trailer or dolly.
    Vehicle,
    /// A wheel that a tire is mounted on.
    Wheel,
    /// A restraining device or a barrier, 29 CFR 1910.177(b).
    Cage,
    /// A pressure gauge.
    Gauge,
    /// Somebody who does or decides something.
    Person,
    /// A place with a time zone, where casings are kept and served.
    Depot,
    /// A tire model with its limits.
    Model,
    /// A tire maker's document that allows a higher pressure than the sidewall's.
    Recommendation,
    /// A chart that decisions are read from.
    Chart,
    /// What the organisation demands beyond the rules. Its id is the organisation's.
    Policy,
}

impl SubjectKind {
    /// Every kind of subject.
    pub const ALL: [SubjectKind; 11] = [
        SubjectKind::Casing,
        SubjectKind::Vehicle,
        SubjectKind::Wheel,
        SubjectKind::Cage,
        SubjectKind::Gauge,
        SubjectKind::Person,
        SubjectKind::Depot,
        SubjectKind::Model,
        SubjectKind::Recommendation,
        SubjectKind::Chart,
        SubjectKind::Policy,
    ];

    /// The name used in JSON and in the database.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            SubjectKind::Casing => "casing",
            SubjectKind::Vehicle => "vehicle",
            SubjectKind::Wheel => "wheel",
            SubjectKind::Cage => "cage",
            SubjectKind::Gauge => "gauge",
            SubjectKind::Person => "person",
            SubjectKind::Depot => "depot",
            SubjectKind::Model => "model",
            SubjectKind::Recommendation => "recommendation",
            SubjectKind::Chart => "chart",
            SubjectKind::Policy => "policy",
        }
    }

    /// The kind with this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<SubjectKind> {
        SubjectKind::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// What an entry is about.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema,
)]
#[serde(deny_unknown_fields)]
pub struct Subject {
    /// The kind of thing.
    pub kind: SubjectKind,
    /// Its id, made by the client that first recorded it.
    pub id: Uuid,
}

impl Subject {
    /// The casing with this id; the other kinds are made with [`Subject::of`].
    #[must_use]
    pub fn casing(id: Uuid) -> Subject {
        Subject::of(SubjectKind::Casing, id)
    }

    /// The subject of this kind with this id.
    #[must_use]
    pub fn of(kind: SubjectKind, id: Uuid) -> Subject {
        Subject { kind, id }
    }
}

/// What a person may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Does the work at the tire.
    Crew,
    /// Keeps vehicles, wheels, cages, gauges, people and models.
    Office,
    /// Decides for the fleet.
    Manager,
    /// Reads everything and writes nothing.
    Auditor,
    /// Gives people their accounts, and erases what is personal on a legal order.
    Admin,
}

impl Role {
    /// Whether this role may write entries of this kind. No role passes a rule.
    #[must_use]
    pub fn may_write(self, kind: Kind) -> bool {
        match kind {
            Kind::Registered | Kind::Changed => {
                matches!(self, Role::Office | Role::Manager | Role::Admin)
            }
            Kind::PreservationEnded => self == Role::Manager,
            Kind::Erased => self == Role::Admin,
            Kind::Corrected => self == Role::Manager,
            Kind::Resolved => matches!(self, Role::Office | Role::Manager),
            _ => self != Role::Auditor,
        }
    }
}

/// One thing that somebody asks to be recorded, as it was sent.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Command {
    /// Made by the client, of any version but 5; unique in the organisation for ever.
    pub id: Uuid,
    /// What it is about.
    pub subject: Subject,
    /// When it happened, with the offset the device gave.
    pub occurred_at: DateTime<FixedOffset>,
    /// Who did the work, where that is not the sender.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<Uuid>,
    /// What happened.
    #[serde(flatten)]
    pub facts: Facts,
    /// The rules that the crew confirms by naming their ids.
    pub attested: BTreeSet<String>,
    /// Notes and names, kept apart so that they can be erased on a legal order.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub personal: Option<Personal>,
    /// The refused entry that this one tries again.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retries: Option<Uuid>,
}

/// Why a body is not an entry that could ever be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FormError {
    /// It is not well formed: a field is missing, unknown or of another type.
    Malformed(Field),
    /// It is well formed but never possible.
    Impossible(Vec<Field>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Envelope<'a> {
    id: Uuid,
    kind: Kind,
    subject: Subject,
    occurred_at: DateTime<FixedOffset>,
    #[serde(default)]
    by: Option<Uuid>,
    #[serde(borrow)]
    facts: &'a RawValue,
    #[serde(default)]
    attested: BTreeSet<String>,
    #[serde(default)]
    personal: Option<Personal>,
    #[serde(default)]
    retries: Option<Uuid>,
}

impl Command {
    /// Reads an entry as it is sent: `{id, kind, subject, occurred_at, by?, facts,
    /// attested?, personal?, retries?}`.
    ///
    /// # Errors
    /// [`FormError::Malformed`] names the first field that cannot be read,
    /// [`FormError::Impossible`] every value that can never be.
    pub fn read(body: &[u8]) -> Result<Command, FormError> {
        let mut reader = serde_json::Deserializer::from_slice(body);
        let envelope: Envelope<'_> = serde_path_to_error::deserialize(&mut reader)
            .map_err(|error| FormError::Malformed(Field::unreadable("", &error)))?;
        reader.end().map_err(|error| {
            FormError::Malformed(Field::new("", format!("Something follows the entry: {error}.")))
        })?;
        let facts = Facts::read(envelope.kind, envelope.subject.kind, envelope.facts.get())?;
        if envelope.id.get_version() == Some(Version::Sha1) {
            // Ids of what the ledger adds are of this version; nobody may take one beforehand.
            let say = "Ids of version 5 are the ledger's own. Send one of version 7.";
            return Err(FormError::Impossible(vec![Field::new("/id", say)]));
        }
        let command = Command {
            id: envelope.id,
            subject: envelope.subject,
            occurred_at: envelope.occurred_at,
            by: envelope.by,
            facts,
            attested: envelope.attested,
            personal: envelope.personal,
            retries: envelope.retries,
        };
        command.checked()
    }

    /// The same command, if nothing in it is impossible.
    ///
    /// # Errors
    /// [`FormError::Impossible`] with every value that can never be.
    pub fn checked(self) -> Result<Command, FormError> {
        let mut fields = Vec::new();
        if self.id.is_nil() || self.subject.id.is_nil() {
            fields.push(Field::new("/id", "An id may not be all zeros."));
        }
        // A leap second would be kept as another moment than the bytes say.
        let nanosecond = self.occurred_at.nanosecond();
        if !(1990..2200).contains(&self.occurred_at.year())
            || !nanosecond.is_multiple_of(1000)
            || nanosecond >= 1_000_000_000
        {
            fields.push(Field::new(
                "/occurred_at",
                "A time between 1990 and 2199 with at most six decimals of a second, and no leap \
                 second, is expected.",
            ));
        }
        let unknown = self.attested.iter().filter(|id| crate::table::rule(id).is_none());
        for id in unknown {
            fields.push(Field::new("/attested", format!("There is no rule {id}.")));
        }
        self.facts.check(&mut fields);
        if let Some(personal) = &self.personal {
            personal.check(&mut fields);
        }
        canonical::check_text(&serde_json::to_value(&self).unwrap_or_default(), "", &mut fields);
        if fields.is_empty() { Ok(self) } else { Err(FormError::Impossible(fields)) }
    }

    /// The RFC 8785 form of the command as sent, by which the same entry sent
    /// again is known.
    #[must_use]
    pub fn content(&self) -> Vec<u8> {
        canonical::bytes_of(&serde_json::to_value(self).unwrap_or_default())
    }
}

/// Who sends a command, and what is known of the sending.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sender {
    /// The signed-in person.
    pub person: Uuid,
    /// The device's clock when it sent.
    pub sent_at: Option<DateTime<FixedOffset>>,
}

/// Why a rule stopped an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reason {
    /// The rule's id.
    pub rule: String,
    /// The rule's class here, on this kind of wheel.
    pub class: crate::table::Class,
    /// The entries that show it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<Uuid>,
    /// What was found, where the rule's sentence alone does not say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found: Option<String>,
}

/// What the ledger worked out and the fold needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Worked {
    /// `acquired`: how the model was built when the casing came.
    Construction(Construction),
    /// `acquired`, opening stock: what it was taken over as.
    TakenOver(TakenOver),
    /// `held`: how the readings were judged.
    Held(HoldWorked),
    /// `released`, `installed`: the highest set pressure that this mounting is
    /// proved for, in psi.
    CoversPsi(crate::Quantity),
}

/// What a casing was taken over as.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TakenOver {
    /// How its model was built then.
    pub construction: Construction,
    /// The highest set pressure that the mounting it came with is good for; none where it
    /// has to be held first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub covers_psi: Option<crate::Quantity>,
}

/// How a proof hold came out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldWorked {
    /// The verdict and what it stands on.
    pub result: HoldResult,
    /// The highest set pressure that a pass proves, in psi.
    pub covers_psi: crate::Quantity,
}

/// Whether an entry counts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "outcome")]
pub enum Outcome {
    /// It counts.
    Recorded {
        /// Cautions that the crew acknowledged.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        cautions: Vec<String>,
        /// What was worked out from it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        worked: Option<Worked>,
    },
    /// Rules stopped it; it is kept whole all the same.
    Refused {
        /// Every rule that stopped it, in the table's order.
        reasons: Vec<Reason>,
    },
}

/// What a decision stood on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Basis {
    /// The version of the rules.
    pub rules: String,
    /// The newest entry of every subject outside the entry's own that was read.
    /// All entries of that subject up to this one are what was known of it.
    pub entries: BTreeSet<Uuid>,
    /// Later entries of the same request that it was judged together with, in their order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub leans_on: Vec<Uuid>,
}

/// One line of the ledger.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The organisation whose ledger it is in.
    pub org: Uuid,
    /// Its id.
    pub id: Uuid,
    /// What it is about.
    pub subject: Subject,
    /// Its place among the subject's entries, in the order of arrival, from 1.
    pub n: u64,
    /// When it happened.
    pub occurred_at: DateTime<FixedOffset>,
    /// When the ledger took it.
    pub recorded_at: DateTime<Utc>,
    /// The device's clock when it was sent.
    pub sent_at: Option<DateTime<FixedOffset>>,
    /// Who sent it.
    pub sender: Uuid,
    /// Who did the work.
    pub by: Uuid,
    /// What happened.
    pub facts: Facts,
    /// The rules that were confirmed.
    pub attested: BTreeSet<String>,
    /// The refused entry that it tries again.
    pub retries: Option<Uuid>,
    /// The entry that this one follows from, where the ledger added it.
    pub cause: Option<Uuid>,
    /// Whether it counts.
    pub outcome: Outcome,
    /// What the decision stood on.
    pub basis: Basis,
    /// SHA-256 of salt and canonical `personal`, in hexadecimal.
    pub personal_hash: Option<String>,
}

impl Entry {
    /// Whether the entry counts.
    #[must_use]
    pub fn recorded(&self) -> bool {
        matches!(self.outcome, Outcome::Recorded { .. })
    }

    /// Whether the fold looks at it: it counts, or it was refused and its time can be right,
    /// so that the danger it tells of is not forgotten.
    #[must_use]
    pub fn tells(&self) -> bool {
        match &self.outcome {
            Outcome::Recorded { .. } => true,
            Outcome::Refused { reasons } => !reasons.iter().any(|r| r.rule == "fact.time"),
        }
    }

    /// Whether it changes how earlier entries of its subject count.
    #[must_use]
    pub fn amends(&self) -> bool {
        let amends = match &self.facts {
            Facts::Corrected(_) => true,
            Facts::Resolved(resolved) => resolved.it_did_happen,
            _ => false,
        };
        amends && self.recorded()
    }

    /// The refused entry that this one closes, where it is recorded: it tries it again, or
    /// says what became of it.
    #[must_use]
    pub fn closes(&self) -> Option<Uuid> {
        match &self.facts {
            Facts::Resolved(resolved) => Some(resolved.refusal),
            _ => self.retries,
        }
    }

    /// What was worked out from it.
    #[must_use]
    pub fn worked(&self) -> Option<&Worked> {
        match &self.outcome {
            Outcome::Recorded { worked, .. } => worked.as_ref(),
            Outcome::Refused { .. } => None,
        }
    }

    /// The command that it came from, without its personal part: what is decided again when
    /// the ledger is checked.
    #[must_use]
    pub fn command(&self) -> Command {
        Command {
            id: self.id,
            subject: self.subject,
            occurred_at: self.occurred_at,
            by: Some(self.by),
            facts: self.facts.clone(),
            attested: self.attested.clone(),
            personal: None,
            retries: self.retries,
        }
    }

    /// The moment it happened, without the offset.
    #[must_use]
    pub fn at(&self) -> DateTime<Utc> {
        self.occurred_at.to_utc()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn read(change: impl Fn(&mut Value)) -> Result<Command, FormError> {
        let id = Uuid::from_u128(0x0193_0000_0000_7000_8000_0000_0000_0001);
        let mut body = json!({"id": id, "kind": "registered",
            "subject": {"kind": "depot", "id": Uuid::from_u128(2)},
            "occurred_at": "2026-03-10T07:59:59-05:00",
            "facts": {"name": "Elmford", "zone": "America/Chicago"}});
        change(&mut body);
        Command::read(body.to_string().as_bytes())
    }

    fn impossible(change: impl Fn(&mut Value)) -> Vec<String> {
        match read(change) {
            Err(FormError::Impossible(fields)) => fields.into_iter().map(|f| f.pointer).collect(),
            other => panic!("{other:?}"),
        }
    }

    /// RFC 3339 section 5.6 allows second 60; a record that cannot keep it does not take it.
    #[test]
    fn times_are_kept_exactly_or_not_taken() {
        let at = |text: &'static str| move |body: &mut Value| body["occurred_at"] = json!(text);
        assert!(read(at("2026-03-10T07:59:59.999999-05:00")).is_ok());
        for text in [
            "2026-03-10T07:59:60-05:00",
            "2026-03-10T07:59:60.5-05:00",
            "2026-03-10T07:59:59.9999999-05:00",
            "1989-12-31T23:59:59Z",
            "2200-01-01T00:00:00Z",
        ] {
            assert_eq!(impossible(at(text)), ["/occurred_at"], "{text}");
        }
    }

    /// RFC 9562 section 5.5: whoever knows the parts of a version 5 id can make it beforehand.
    #[test]
    fn ids_of_what_the_ledger_adds_cannot_be_taken() {
        let taken = Uuid::new_v5(&Uuid::from_u128(7), b"flagged/flag.low/1");
        assert_eq!(impossible(|body| body["id"] = json!(taken)), ["/id"]);
        assert_eq!(impossible(|body| body["id"] = json!(Uuid::nil())), ["/id"]);
        assert!(read(|body| body["id"] = json!(Uuid::from_u128(7 << 76 | 1))).is_ok());
    }

    /// Unicode technical report 36 section 2: names that look alike are a danger.
    #[test]
    fn names_have_nothing_unseen() {
        let name = |text: &'static str| move |body: &mut Value| body["facts"]["name"] = json!(text);
        assert!(read(name("Élmford North")).is_ok());
        for text in ["", " Elmford", "Elmford ", "Elm\nford", "Elm\u{202e}ford", "Elm\u{200b}ford"]
        {
            assert_eq!(impossible(name(text)), ["/facts/name"], "{text:?}");
        }
    }

    /// RFC 6901 section 3.
    #[test]
    fn pointers_are_escaped() {
        match read(|body| body["facts"]["a/b~c"] = json!(1)) {
            Err(FormError::Malformed(field)) => assert_eq!(field.pointer, "/facts/a~1b~0c"),
            other => panic!("{other:?}"),
        }
    }
}
