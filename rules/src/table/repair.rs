//! `repair.*` and `regroove.*`: what may be done to the casing itself.

use super::Stop;
use crate::Quantity;
use crate::decide::Case;
use crate::facts::Facts;
use crate::facts::casing::{RepairKind, RepairPlace, Repaired};
use crate::facts::chart::{Chart, ChartKind, RepairLimit, Rows};
use crate::fold::casing::Repair;
use uuid::Uuid;

/// Section repairs that a casing may have in all, line haul.
const SECTIONS: Quantity = Quantity::whole(2);

/// Beyond the charts in force, every one of them; where the organisation has none, beyond
/// common practice, makers' and trade repair charts: a section of 1 1/2 inch in the crown, of
/// 1 inch by 4 inches in shoulder or sidewall, two a casing. In any case a nail hole of 3/8 inch
/// in the crown, and nothing at the bead.
pub(super) fn limits(case: &Case<'_>) -> Option<Stop> {
    let Facts::Repaired(facts) = &case.command.facts else {
        return None;
    };
    if never(facts) {
        return Some(Stop::default());
    }
    let charts: Vec<_> = case.world.charts(ChartKind::RepairLimits, case.at).collect();
    if charts.is_empty() {
        return beyond_practice(facts)
            .then(Stop::default)
            .or_else(|| too_many_sections(case, facts));
    }
    let rows = |chart: &Chart| match &chart.rows {
        Rows::RepairLimits(rows) => rows.clone(),
        _ => Vec::new(),
    };
    let limits: Vec<(RepairLimit, Uuid)> = charts
        .iter()
        .flat_map(|(chart, entry)| rows(chart).into_iter().map(|row| (row, *entry)))
        .filter(|(row, _)| (row.repair, row.place) == (facts.repair, facts.place))
        .collect();
    if limits.is_empty() {
        return Some(Stop {
            evidence: charts.iter().map(|(_, entry)| *entry).collect(),
            found: Some("The chart in force has no such repair there.".to_owned()),
            caution: false,
        });
    }
    limits.iter().find_map(|(row, entry)| beyond_chart(case, facts, row, *entry))
}

/// Too large for any chart, or where nothing is repaired.
fn never(facts: &Repaired) -> bool {
    match (facts.repair, facts.place) {
        (_, RepairPlace::Bead) => true,
        (RepairKind::NailHole, RepairPlace::Crown) => larger(facts, 12, 12),
        (RepairKind::NailHole, _) => true,
        _ => false,
    }
}

/// Too large for a section repair by common practice.
fn beyond_practice(facts: &Repaired) -> bool {
    match (facts.repair, facts.place) {
        (RepairKind::NailHole, _) => false,
        (_, RepairPlace::Crown) => larger(facts, 48, 48),
        _ => larger(facts, 32, 128),
    }
}

fn larger(facts: &Repaired, along: i64, across: i64) -> bool {
    facts.size_32nds > Quantity::whole(along)
        || facts.across_32nds.is_some_and(|length| length > Quantity::whole(across))
}

fn too_many_sections(case: &Case<'_>, facts: &Repaired) -> Option<Stop> {
    let section = |kind| kind != RepairKind::NailHole;
    if !section(facts.repair) {
        return None;
    }
    too_many(case, SECTIONS, "section repairs", |one| section(one.repair))
}

/// Beyond this row of a chart, which this entry gave.
fn beyond_chart(case: &Case<'_>, facts: &Repaired, row: &RepairLimit, entry: Uuid) -> Option<Stop> {
    let across = row.across_32nds.unwrap_or(row.size_32nds);
    if facts.size_32nds > row.size_32nds || facts.across_32nds.is_some_and(|own| own > across) {
        let found = format!("The chart allows {} by {across} 32nds of an inch.", row.size_32nds);
        return Some(Stop { evidence: vec![entry], found: Some(found), caution: false });
    }
    match row.most {
        Some(most) => too_many(case, most, "such repairs", |one| {
            (one.repair, one.place) == (row.repair, row.place)
        }),
        None => too_many_sections(case, facts),
    }
}

/// The casing has as many of these repairs as it may have.
fn too_many(
    case: &Case<'_>,
    most: Quantity,
    name: &str,
    counts: impl Fn(&Repair) -> bool,
) -> Option<Stop> {
    let before: Vec<_> = case.casing()?.repairs.iter().filter(|one| counts(one)).collect();
    (Quantity::whole(before.len() as i64) >= most).then(|| Stop {
        evidence: before.iter().map(|one| one.moment.entry).collect(),
        found: Some(format!("It has {} {name} already.", before.len())),
        caution: false,
    })
}

/// Not marked regroovable on both sides by its maker or a retreader, 49 CFR 569.
pub(super) fn marked(case: &Case<'_>) -> Option<Stop> {
    let Facts::Regrooved(_) = &case.command.facts else {
        return None;
    };
    Stop::when(!case.model()?.regroovable && !case.casing()?.regroovable)
}
