//! The rules, as crews and programs read them.

use crate::input::Query;
use actix_web::{HttpResponse, get};
use rules::Kind;
use rules::facts::wheel::WheelKind;
use rules::table::{Class, How, RULES, Rule, Verified};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which rules are asked for.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Wanted {
    /// Only rules that can be asked on this kind of entry.
    #[serde(default, rename = "for")]
    #[param(inline, example = "mounted")]
    for_kind: Option<Kind>,
    /// The kind of wheel: classes differ, and some rules bind one kind only.
    #[serde(default = "single_piece")]
    #[param(inline, required = false, example = "single_piece")]
    wheel: WheelKind,
    /// Whether the tire has a tube; the rules about tubes and flaps are left out where not.
    #[serde(default)]
    #[param(required = false, example = false)]
    tube: bool,
}

fn single_piece() -> WheelKind {
    WheelKind::SinglePiece
}

/// One rule, as it binds this kind of wheel.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Rule)]
pub struct Listed {
    /// Its id; an attested rule is confirmed by naming it in an entry's `attested`.
    #[schema(example = "mount.clean")]
    pub id: &'static str,
    /// How binding it is.
    pub class: Class,
    /// How it is judged.
    pub how: How,
    /// Where it comes from.
    #[schema(example = "29 CFR 1910.177(e)(3)")]
    pub source: &'static str,
    /// How far the source was verified.
    pub verified: Verified,
    /// What to do, in plain words.
    #[schema(example = "Clean seats, flanges and gutter, and empty the tire.")]
    pub say: &'static str,
    /// The entries it is asked on.
    #[schema(example = "mounted")]
    pub on: &'static str,
}

/// Rules, in the order in which they are asked and answered.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Rules)]
pub struct List {
    /// The rules.
    pub items: Vec<Listed>,
}

/// The rules
///
/// With `for`, the list that a crew works through: a rule with `how` `attested` is confirmed by
/// naming its id in the entry's `attested`, the others are judged from what is recorded.
#[utoipa::path(
    tag = "rules",
    params(Wanted),
    responses((status = 200, description = "The rules, in the order in which they are asked.", body = List,
        example = json!(List { items: list(&Wanted { for_kind: Some(Kind::Released), wheel: WheelKind::SinglePiece, tube: false }) })))
)]
#[get("/v1/rules")]
pub async fn list_rules(Query(wanted): Query<Wanted>) -> HttpResponse {
    HttpResponse::Ok().json(List { items: list(&wanted) })
}

fn list(wanted: &Wanted) -> Vec<Listed> {
    let asked = |rule: &&Rule| wanted.for_kind.is_none_or(|kind| asked_on(rule, kind));
    let of_this_tire = |rule: &&Rule| wanted.tube || !rule.on.contains("tube-type");
    RULES
        .iter()
        .filter(asked)
        .filter(of_this_tire)
        .filter_map(|rule| {
            Some(Listed {
                id: &rule.id,
                class: rule.class(wanted.wheel, false)?,
                how: rule.how,
                source: &rule.source,
                verified: rule.evidence,
                say: &rule.say,
                on: &rule.on,
            })
        })
        .collect()
}

/// Whether a rule can be asked on this kind of entry. The table says so in words that name
/// the kinds.
#[must_use]
pub fn asked_on(rule: &Rule, kind: Kind) -> bool {
    let mut words = rule.on.split(|c: char| !c.is_ascii_lowercase() && c != '_');
    rule.on.starts_with("every ") || rule.on.starts_with("any ") || words.any(|w| w == kind.name())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ids(query: &str) -> Vec<&'static str> {
        let wanted = Query::<Wanted>::read(query).unwrap().0;
        list(&wanted).into_iter().map(|rule| rule.id).collect()
    }

    // The table of rules itself, no outside source; 29 CFR 1910.177(e)(1) binds multi-piece
    // wheels only, (g)(2) single-piece ones only.
    #[test]
    fn the_list_fits_the_entry_the_wheel_and_the_tube() {
        let single = ids("for=mounted");
        assert!(single.contains(&"mount.narrow_ledge") && !single.contains(&"mount.parts"));
        assert!(single.contains(&"fact.order") && !single.contains(&"release.seated"));
        assert!(single.contains(&"cage.checked") && !single.contains(&"mount.flap_seated"));
        let multi = ids("for=mounted&wheel=multi_piece&tube=true");
        assert!(multi.contains(&"mount.parts") && !multi.contains(&"mount.narrow_ledge"));
        assert!(multi.contains(&"mount.flap_seated"));
        assert!(ids("for=held").contains(&"hold.core_out"));
        let all: std::collections::BTreeSet<_> =
            ids("tube=true").into_iter().chain(ids("tube=true&wheel=multi_piece")).collect();
        assert_eq!(all.len(), RULES.len());
    }

    // Common practice, no published source.
    #[test]
    fn an_unknown_kind_of_entry_is_refused() {
        assert!(Query::<Wanted>::read("for=polished").is_err());
        assert!(Query::<Wanted>::read("color=red").is_err());
    }
}
