//! What is on a vehicle, and why it may not move.

use crate::stopping::StoppingRule;
use chrono::{DateTime, Utc};
use rules::entry::{Outcome, Reason};
use rules::facts::Body;
use rules::facts::casing::{Doubt, Flagged};
use rules::facts::vehicle::{Position, Vehicle};
use rules::facts::wheel::WheelKind;
use rules::fold::casing::Casing;
use rules::fold::registry::Registry;
use rules::spot::Spot;
use rules::table::{self, Class};
use rules::world::Head;
use rules::{Entry, Facts, SubjectKind, View};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use store::read::{self, CasingFilter};
use store::{Connection, StoreError, past};
use utoipa::ToSchema;
use uuid::Uuid;

/// More casings than the positions of any vehicle.
const MOST: i64 = 200;

/// A tire that has to come off before its vehicle may move.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Danger {
    /// The casing.
    pub casing: Uuid,
    /// Its brand number.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "LK-1010")]
    pub brand: Option<String>,
    /// Where it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// The entry that shows it: a sign, a flat, damage, or the flag of a deviation.
    pub entry: Uuid,
    /// When it was found, or done.
    #[schema(example = "2026-03-03T13:00:00Z")]
    pub at: DateTime<Utc>,
    /// The rules that keep the vehicle where it is; after a deviation's own those that it broke.
    pub rules: Vec<StoppingRule>,
    /// What to do next, in plain words.
    #[schema(example = "Exposed cord, separation or leak: not on the road.")]
    pub say: String,
}

/// The casings on a vehicle of which this is the head, as they were.
///
/// # Errors
/// When the database fails.
pub async fn casings(
    conn: &mut Connection,
    org: Uuid,
    vehicle: Uuid,
    head: &Head,
    view: View,
) -> Result<Vec<(Uuid, Casing)>, StoreError> {
    let heads: Vec<(Uuid, Head)> = if view.is_now() {
        let filter = CasingFilter { vehicle: Some(vehicle), ..CasingFilter::default() };
        read::casings(conn, org, &filter, None, MOST).await?
    } else {
        let registry = head.state.registry();
        let spots = registry.map(|registry| spots(vehicle, registry)).unwrap_or_default();
        let put_on = past::put_on(conn, org, vehicle, spots, view).await?;
        let entries = past::entries(conn, org, SubjectKind::Casing, &put_on, view).await?;
        entries.into_iter().map(|(id, entries)| (id, view.head(&entries))).collect()
    };
    let casings =
        heads.into_iter().filter_map(|(id, head)| Some((id, head.state.casing()?.clone())));
    Ok(casings.filter(|(_, casing)| casing.vehicle == Some(vehicle)).collect())
}

/// Every position that the vehicle had up to then.
fn spots(vehicle: Uuid, registry: &Registry) -> BTreeSet<Spot> {
    let bodies = registry.versions.iter().filter_map(|version| match &version.body {
        Body::Vehicle(body) => Some(body),
        _ => None,
    });
    bodies.flat_map(Vehicle::positions).map(|place| Spot::Position(vehicle, place)).collect()
}

/// Why the vehicle with these casings may not move; nothing where it may.
///
/// # Errors
/// When the database fails.
pub async fn dangers(
    conn: &mut Connection,
    org: Uuid,
    casings: &[(Uuid, Casing)],
) -> Result<Vec<Danger>, StoreError> {
    let mut dangers = Vec::new();
    for (id, casing) in casings {
        for (entry, at) in shown_by(casing) {
            let Some(kept) = read::entry(conn, org, entry).await? else { continue };
            let rules = rules(conn, org, &kept.entry).await?;
            let say = rules.first().map(|rule| rule.say.clone()).unwrap_or_default();
            let (brand, position) = (casing.marks.brand.clone(), casing.position);
            dangers.push(Danger { casing: *id, brand, position, entry, at, rules, say });
        }
    }
    Ok(dangers)
}

/// The entries that keep a casing's vehicle where it is: the newest danger, and every deviation
/// since it was put on.
fn shown_by(casing: &Casing) -> BTreeMap<Uuid, DateTime<Utc>> {
    let Some(newest) = casing.danger else {
        return BTreeMap::new();
    };
    let fitted = casing.fitting.as_ref().map(|fitting| fitting.moment.at);
    let deviations = casing.doubts.iter().filter(|doubt| doubt.reason == Doubt::Deviation);
    let since = deviations.filter(|doubt| fitted.is_none_or(|fitted| doubt.at >= fitted));
    since.map(|doubt| (doubt.entry, doubt.at)).chain([(newest.entry, newest.at)]).collect()
}

/// The rules that an entry shows to be broken.
async fn rules(
    conn: &mut Connection,
    org: Uuid,
    entry: &Entry,
) -> Result<Vec<StoppingRule>, StoreError> {
    let rule = match &entry.facts {
        Facts::Flagged(flagged) => flagged.reason.rule(),
        Facts::Inspected(facts) if !facts.signs.is_empty() => Doubt::Sign.rule(),
        _ => "install.condition",
    };
    // These rules bind alike on every kind of wheel.
    let class = table::rule(rule).and_then(|rule| rule.class(WheelKind::SinglePiece, false));
    let own = Reason {
        rule: rule.to_owned(),
        class: class.unwrap_or(Class::Safety),
        evidence: vec![entry.id],
        found: None,
    };
    let mut rules = vec![StoppingRule::from(&own)];
    if let Facts::Flagged(Flagged { reason: Doubt::Deviation, evidence }) = &entry.facts {
        for refusal in evidence {
            let kept = read::entry(conn, org, *refusal).await?;
            if let Some(Outcome::Refused { reasons }) = kept.map(|kept| kept.entry.outcome) {
                rules.extend(reasons.iter().map(StoppingRule::from));
            }
        }
    }
    Ok(rules)
}
