//! The rules: one table with id, class, source and the sentence for the crew.

mod cage;
mod demount;
mod dispose;
mod fact;
mod hold;
mod identity;
mod inflate;
mod install;
mod mount;
mod release;
mod repair;
mod service;

use crate::decide::Case;
use crate::entry::Reason;
use crate::facts::wheel::WheelKind;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;
use utoipa::ToSchema;
use uuid::Uuid;

/// How binding a rule is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// It cannot be so.
    Fact,
    /// A regulation demands it.
    Law,
    /// A published chart, a bulletin or a maker's limit.
    Safety,
    /// Common practice; an organisation may tighten it, never loosen it.
    Practice,
    /// It stops the entry until the crew acknowledges it.
    Caution,
}

/// How a rule is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// From what is recorded.
    Computed,
    /// The crew confirms it by naming the rule's id.
    Attested,
    /// The ledger adds an entry.
    Consequence,
}

/// How far the source of a rule was verified.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum Verified {
    /// The text was read.
    #[serde(rename = "seen")]
    Seen,
    /// It was read as quoted by others.
    #[serde(rename = "indirect")]
    Indirect,
    /// A fact of the trade without a published source.
    #[serde(rename = "common practice")]
    CommonPractice,
    /// The ledger itself.
    #[serde(rename = "-")]
    TheLedger,
}

/// One rule.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Rule {
    /// Its id.
    pub id: String,
    #[serde(deserialize_with = "class")]
    class_single_piece: Option<Class>,
    #[serde(deserialize_with = "class")]
    class_multi_piece: Option<Class>,
    /// How it is judged.
    pub how: How,
    /// The entries it is asked on.
    pub on: String,
    /// What stops the entry, or what is confirmed.
    pub stops_when_or_confirms: String,
    /// Where it comes from.
    pub source: String,
    /// How far that was verified.
    pub evidence: Verified,
    /// The sentence for the crew.
    pub say: String,
}

fn class<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Option<Class>, D::Error> {
    let text = String::deserialize(deserializer)?;
    if text == "-" {
        return Ok(None);
    }
    Class::deserialize(serde::de::value::StrDeserializer::new(&text)).map(Some)
}

impl Rule {
    /// Its class on this kind of wheel; none where it does not apply. A tire
    /// marked LT, or a vehicle on such tires, is outside 29 CFR 1910.177(a)(1):
    /// there that section's law becomes a rule of safety.
    #[must_use]
    pub fn class(&self, wheel: WheelKind, light_truck: bool) -> Option<Class> {
        let class = match wheel {
            WheelKind::MultiPiece => self.class_multi_piece,
            _ => self.class_single_piece,
        };
        match class {
            Some(Class::Law) if light_truck && self.source.contains("1910.177") => {
                Some(Class::Safety)
            }
            class => class,
        }
    }
}

/// Every rule, in the order in which they are asked and answered.
pub static RULES: LazyLock<Vec<Rule>> = LazyLock::new(|| {
    csv::Reader::from_reader(include_bytes!("rules.csv").as_slice())
        .deserialize()
        .collect::<Result<_, _>>()
        .expect("rules.csv is read by a test")
});

/// The rule with this id.
#[must_use]
pub fn rule(id: &str) -> Option<&'static Rule> {
    RULES.iter().find(|rule| rule.id == id)
}

/// The rule's class for this command.
pub(crate) fn class_here(id: &str, case: &Case<'_>) -> Class {
    let light_truck = case.model().is_some_and(|model| model.light_truck)
        || case.vehicle().is_some_and(|vehicle| vehicle.light_truck_tires);
    rule(id).and_then(|rule| rule.class(case.wheel_kind(), light_truck)).unwrap_or(Class::Fact)
}

/// Why a check stops a command.
#[derive(Default)]
pub(crate) struct Stop {
    /// The entries that show it.
    pub(crate) evidence: Vec<Uuid>,
    /// What was found, where the rule's sentence does not say it.
    pub(crate) found: Option<String>,
    /// It stops only until it is acknowledged.
    pub(crate) caution: bool,
}

impl Stop {
    /// A stop, if it is so.
    pub(crate) fn when(stops: bool) -> Option<Stop> {
        stops.then(Stop::default)
    }

    /// A stop shown by these entries.
    pub(crate) fn shown(evidence: Vec<Uuid>) -> Stop {
        Stop { evidence, ..Stop::default() }
    }

    /// A stop that says what was found.
    pub(crate) fn found(found: String) -> Stop {
        Stop { found: Some(found), ..Stop::default() }
    }

    /// The reason that is given for it, by this rule on this command.
    pub(crate) fn reason(self, rule: &str, case: &Case<'_>) -> Reason {
        Reason {
            rule: rule.to_owned(),
            class: class_here(rule, case),
            evidence: self.evidence,
            found: self.found,
        }
    }
}

enum Ask {
    /// It stops where this says so.
    Computed(fn(&Case<'_>) -> Option<Stop>),
    /// Where this applies, the crew has to confirm it.
    Attested(fn(&Case<'_>) -> bool),
}

/// A rule that is asked before an entry is recorded.
pub(crate) struct Check {
    pub(crate) id: &'static str,
    ask: Ask,
}

impl Check {
    /// Whether the crew confirms it.
    pub(crate) fn attested(&self) -> bool {
        matches!(self.ask, Ask::Attested(_))
    }

    /// Why it stops the command, if it does.
    pub(crate) fn ask(&self, case: &Case<'_>) -> Option<Stop> {
        match self.ask {
            Ask::Computed(stops) => stops(case),
            Ask::Attested(applies) => {
                Stop::when(applies(case) && !case.command.attested.contains(self.id))
            }
        }
    }
}

const fn computed(id: &'static str, stops: fn(&Case<'_>) -> Option<Stop>) -> Check {
    Check { id, ask: Ask::Computed(stops) }
}

const fn attested(id: &'static str, applies: fn(&Case<'_>) -> bool) -> Check {
    Check { id, ask: Ask::Attested(applies) }
}

/// Every rule that is asked, in the order of the table.
pub(crate) const CHECKS: &[Check] = &[
    computed("fact.order", fact::order),
    computed("fact.place_taken", fact::place_taken),
    computed("fact.time", fact::time),
    computed("identity.read", identity::read),
    computed("identity.match", identity::matches),
    computed("service.trained", service::trained),
    attested("service.charts", service::charts),
    attested("demount.deflated", demount::demounted),
    attested("demount.valve_clear", demount::valve_clear),
    computed("remove.deflated", demount::remove_deflated),
    attested("remove.duals_deflated", demount::duals_deflated),
    computed("mount.supported", mount::supported),
    computed("mount.standing", mount::standing),
    computed("mount.inspected", mount::inspected),
    computed("mount.size", mount::size),
    computed("mount.parts", mount::parts),
    computed("mount.wheel_condition", mount::wheel_condition),
    attested("mount.valve", mount::mounted),
    attested("mount.clean", mount::mounted),
    attested("mount.lubricated", mount::mounted),
    attested("mount.narrow_ledge", mount::single_piece),
    attested("mount.no_force", mount::mounted),
    computed("mount.tube_flap", mount::tube_flap),
    attested("mount.flap_seated", mount::with_flap),
    attested("mount.ring_seated", mount::with_ring),
    computed("inflate.place", inflate::place),
    computed("inflate.suspect", inflate::suspect),
    attested("inflate.air_line", inflate::aired),
    attested("inflate.trajectory", inflate::aired),
    attested("inflate.clear", inflate::aired_off_vehicle),
    computed("inflate.on_vehicle", inflate::remote),
    computed("inflate.sidewall_limit", inflate::sidewall_limit),
    computed("seat.outside_limit", inflate::outside_limit),
    attested("seat.first_stop", inflate::seated),
    computed("seat.limit", inflate::seat_limit),
    computed("seat.maker_limit", inflate::maker_limit),
    attested("seat.no_ether", mount::mounted),
    computed("seat.concentric", inflate::concentric),
    computed("cage.checked", cage::checked),
    computed("cage.sound", cage::sound),
    computed("cage.strength", cage::strength),
    computed("cage.repair", cage::repair),
    computed("cage.label", cage::label),
    computed("hold.place", hold::place),
    computed("hold.inspected", hold::inspected),
    attested("hold.valve_reach", hold::held),
    attested("hold.core_out", hold::held),
    computed("hold.sidewall_limit", hold::sidewall_limit),
    computed("hold.wheel_limit", hold::wheel_limit),
    computed("release.inspected", release::inspected),
    computed("release.proof", release::proof),
    computed("release.extended", release::extended),
    computed("release.signs", release::signs),
    attested("release.seated", release::released),
    computed("release.reduced", release::reduced),
    attested("release.cap", release::released),
    computed("install.released", install::released),
    computed("install.hold_covers", install::hold_covers),
    computed("install.tread", install::tread),
    computed("install.condition", install::condition),
    computed("install.bus_front", install::bus_front),
    computed("install.steer_repair", install::steer_repair),
    computed("install.steer_mix", install::steer_mix),
    computed("install.axle_mix", install::axle_mix),
    computed("install.duals", install::duals),
    computed("install.dual_limit", install::dual_limit),
    attested("install.dual_contact", install::dual_position),
    computed("install.dual_rating", install::dual_rating),
    computed("install.load", install::load),
    computed("install.pressure", install::pressure),
    computed("install.marking", install::marking),
    computed("install.speed", install::speed),
    attested("install.wheel", install::installed),
    computed("install.torque", install::torque),
    computed("repair.limits", repair::limits),
    computed("regroove.marked", repair::marked),
    computed("retread.declared", dispose::declared),
    computed("dispose.preserved", dispose::preserved),
    computed("dispose.scrap", dispose::scrap),
    computed("dispose.recalled", dispose::recalled),
];

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_rule_has_its_sentence_and_source() {
        assert_eq!(RULES.len(), 88);
        let ids: BTreeSet<&str> = RULES.iter().map(|rule| rule.id.as_str()).collect();
        assert_eq!(ids.len(), 88);
        for rule in RULES.iter() {
            assert!(!rule.say.is_empty() && !rule.source.is_empty(), "{}", rule.id);
            assert!(rule.say.split_whitespace().count() <= 25, "{}: {}", rule.id, rule.say);
            let applies =
                [WheelKind::SinglePiece, WheelKind::MultiPiece].map(|w| rule.class(w, false));
            assert!(applies.iter().any(Option::is_some), "{}", rule.id);
        }
    }

    /// What is asked is in the table, in its order, each once, judged as it says.
    #[test]
    fn checks_follow_the_table() {
        let place = |id: &str| RULES.iter().position(|rule| rule.id == id).unwrap();
        assert!(CHECKS.windows(2).all(|pair| place(pair[0].id) < place(pair[1].id)));
        for check in CHECKS {
            let attested = rule(check.id).unwrap().how == How::Attested;
            assert_eq!(check.attested(), attested, "{}", check.id);
        }
    }

    /// Source: 29 CFR 1910.177(f) is for multi-piece wheels; the same demand for
    /// single-piece wheels stands on OSHA's tubeless chart only.
    #[test]
    fn class_depends_on_the_wheel_and_on_light_truck_tires() {
        let removed = rule("remove.deflated").unwrap();
        assert_eq!(removed.class(WheelKind::SinglePiece, false), Some(Class::Safety));
        assert_eq!(removed.class(WheelKind::MultiPiece, false), Some(Class::Law));
        assert_eq!(rule("mount.parts").unwrap().class(WheelKind::SinglePiece, false), None);
        assert_eq!(
            rule("mount.valve").unwrap().class(WheelKind::SinglePiece, true),
            Some(Class::Safety)
        );
        assert_eq!(
            rule("install.tread").unwrap().class(WheelKind::SinglePiece, true),
            Some(Class::Law)
        );
    }
}
