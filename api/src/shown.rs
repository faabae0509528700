//! Entries as they are shown: the record in the units in which it was sent.

use crate::shapes;
use crate::stopping::StoppingRule;
use chrono::{DateTime, FixedOffset, Utc};
use rules::canonical::Line;
use rules::entry::{Basis, Outcome, Worked};
use rules::facts::Personal;
use rules::{Entry, Facts, Kind, Subject, SubjectKind, table};
use serde::Serialize;
use serde_json::value::RawValue;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use utoipa::ToSchema;
use uuid::Uuid;

/// Whether an entry counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = Outcome)]
pub enum Came {
    /// It counts.
    Recorded,
    /// Rules stopped it; it is kept whole all the same.
    Refused,
}

/// One line of the ledger.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(as = Entry)]
pub struct Shown {
    /// Its id.
    #[schema(example = "019cb1d4-3a80-7000-8000-000000000001")]
    pub id: Uuid,
    /// What it is about.
    pub subject: Subject,
    /// Its place among the subject's entries, in the order of arrival, from 1.
    #[schema(example = 9, minimum = 1)]
    pub n: u64,
    /// What kind of entry it is.
    pub kind: Kind,
    /// When it happened.
    #[schema(example = "2026-03-03T07:00:00-06:00")]
    pub occurred_at: DateTime<FixedOffset>,
    /// When the ledger took it.
    #[schema(example = "2026-03-03T13:00:02.114Z")]
    pub recorded_at: DateTime<Utc>,
    /// The device's clock when it was sent, where the device said so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sent_at: Option<DateTime<FixedOffset>>,
    /// Who sent it.
    pub sender: Uuid,
    /// Who did the work.
    pub by: Uuid,
    /// What happened.
    #[schema(schema_with = shapes::any_facts)]
    pub facts: Box<RawValue>,
    /// The rules that were confirmed.
    pub attested: BTreeSet<String>,
    /// The refused entry that it tries again.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retries: Option<Uuid>,
    /// The entry that it follows from, where the ledger added it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cause: Option<Uuid>,
    /// Whether it counts.
    pub outcome: Came,
    /// The ids of the cautions that were acknowledged.
    pub cautions: Vec<String>,
    /// What the ledger worked out from it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worked: Option<Worked>,
    /// The rules that stopped it, in the table's order; only where it was refused.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub rules: Vec<StoppingRule>,
    /// What to do about a doubt, in plain words; only where it is `flagged`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "Run low. Core out before removal, demount, inspect, hold 20 minutes.")]
    pub say: Option<&'static str>,
    /// What the decision stood on.
    pub basis: Basis,
    /// Notes and names, where there are any and they were not erased.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub personal: Option<Personal>,
}

impl Shown {
    /// An entry with its personal part.
    #[must_use]
    pub fn of(line: Line, personal: Option<Personal>) -> Shown {
        let (outcome, cautions, worked, rules) = match line.outcome {
            Outcome::Recorded { cautions, worked } => {
                (Came::Recorded, cautions, worked, Vec::new())
            }
            Outcome::Refused { reasons } => {
                let rules = reasons.iter().map(StoppingRule::from).collect();
                (Came::Refused, Vec::new(), None, rules)
            }
        };
        Shown {
            id: line.id,
            subject: line.subject,
            n: line.n,
            kind: line.kind,
            occurred_at: line.occurred_at,
            recorded_at: line.recorded_at,
            sent_at: line.sent_at,
            sender: line.sender,
            by: line.by,
            say: say(line.kind, line.subject.kind, line.facts.get()),
            facts: line.facts,
            attested: line.attested,
            retries: line.retries,
            cause: line.cause,
            outcome,
            cautions,
            worked,
            rules,
            basis: line.basis,
            personal,
        }
    }
}

fn say(kind: Kind, subject: SubjectKind, facts: &str) -> Option<&'static str> {
    if kind != Kind::Flagged {
        return None;
    }
    match Facts::read(kind, subject, facts) {
        Ok(Facts::Flagged(flagged)) => table::rule(flagged.reason.rule()).map(|rule| &*rule.say),
        _ => None,
    }
}

/// An entry, and what the ledger added because of it.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(as = EntryWithAdded)]
pub struct WithAdded {
    /// The entry.
    #[serde(flatten)]
    pub entry: Shown,
    /// What the ledger added, recorded with it.
    pub added: Vec<Shown>,
}

impl WithAdded {
    /// An entry with its personal part, and what the ledger added because of it.
    #[must_use]
    pub fn of(own: &Entry, personal: Option<Personal>, added: &[Entry]) -> WithAdded {
        let added = added.iter().map(|entry| Shown::of(Line::of(entry), None)).collect();
        WithAdded { entry: Shown::of(Line::of(own), personal), added }
    }
}

/// How the document shows an entry, with what the ledger added because of it.
#[must_use]
pub fn example() -> Value {
    let line = |kind: Kind, id: &str, n: u64| {
        let mut line = shapes::example(kind, SubjectKind::Casing);
        let person = "019b9f2c-5c00-7000-8000-00000000aaaa";
        line["id"] = json!(id);
        line["n"] = json!(n);
        line["recorded_at"] = json!("2026-03-03T13:00:02.114Z");
        line["sender"] = json!(person);
        line["by"] = json!(person);
        line["outcome"] = json!("recorded");
        line["cautions"] = json!([]);
        line["basis"] =
            json!({"rules": rules::VERSION, "entries": ["019b9f2c-6000-7000-8000-000000000001"]});
        line
    };
    let cause = "019cb1d4-3a80-7000-8000-000000000001";
    let mut flagged = line(Kind::Flagged, "5ee8d0c3-6f0b-5b52-9c9b-3f5b0f2f6a11", 10);
    flagged["cause"] = json!(cause);
    flagged["say"] = json!(table::rule("flag.low").map(|rule| &rule.say));
    flagged["facts"] = json!({"reason": "low", "evidence": [cause]});
    let mut entry = line(Kind::PressureRead, cause, 9);
    entry["added"] = json!([flagged]);
    entry
}
