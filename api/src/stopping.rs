//! The rules that stopped an entry, as they are shown.

use rules::entry::Reason;
use rules::table::{self, Class, How};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// A rule that stopped an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StoppingRule {
    /// The rule's id, as in `GET /v1/rules`.
    #[schema(example = "release.extended")]
    pub id: String,
    /// How binding it is here.
    pub class: Class,
    /// Where the rule comes from.
    #[schema(example = "common practice")]
    pub source: String,
    /// What to do, in plain words, and what was found.
    #[schema(
        example = "Suspected low or overloaded: hold 20 minutes at 20 psi over set pressure."
    )]
    pub say: String,
    /// The entries that show it.
    pub evidence: Vec<Uuid>,
}

impl From<&Reason> for StoppingRule {
    fn from(reason: &Reason) -> StoppingRule {
        let rule = table::rule(&reason.rule);
        let sentence = rule.map_or_else(String::new, |rule| rule.say.clone());
        StoppingRule {
            id: reason.rule.clone(),
            class: reason.class,
            source: rule.map_or_else(String::new, |rule| rule.source.clone()),
            say: match &reason.found {
                Some(found) => format!("{sentence} {found}"),
                None => sentence,
            },
            evidence: reason.evidence.clone(),
        }
    }
}

/// What somebody at the tire has to do first: the sentence of the first rule that ticking a
/// box does not fulfil, and how many more there are.
#[must_use]
pub fn first_to_do(rules: &[StoppingRule]) -> String {
    let ticked =
        |rule: &&StoppingRule| table::rule(&rule.id).is_some_and(|rule| rule.how == How::Attested);
    let first = rules.iter().find(|rule| !ticked(rule)).or(rules.first());
    let say = first.map(|rule| rule.say.as_str()).unwrap_or_default();
    match rules.len() {
        0 | 1 => say.to_owned(),
        2 => format!("{say} One more rule stops it."),
        more => format!("{say} {} more rules stop it.", more - 1),
    }
}
