//! `mount.*`: tire and wheel belong together and are fit to be used.

use super::Stop;
use super::dispose::entries_of;
use crate::decide::{Case, doubt_entries, entry_of};
use crate::entry::{Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::casing::{Mounted, Origin, Tube};
use crate::facts::chart::{Chart, ChartKind, Rows};
use crate::facts::model::Construction;
use crate::facts::wheel::WheelKind;

fn facts<'a>(case: &'a Case<'_>) -> Option<&'a Mounted> {
    match &case.command.facts {
        Facts::Mounted(facts) => Some(facts),
        _ => None,
    }
}

pub(super) fn mounted(case: &Case<'_>) -> bool {
    facts(case).is_some()
}

pub(super) fn single_piece(case: &Case<'_>) -> bool {
    mounted(case) && case.wheel_kind() == WheelKind::SinglePiece
}

fn multi_piece(case: &Case<'_>) -> bool {
    case.wheel_kind() == WheelKind::MultiPiece
}

fn tube_type(case: &Case<'_>) -> bool {
    case.model().is_some_and(|model| model.tube_type)
}

/// Divided wheels, bead-locks, and tubeless tires on multi-piece wheels are not judged here.
pub(super) fn supported(case: &Case<'_>) -> Option<Stop> {
    let outside = match case.wheel_kind() {
        WheelKind::SinglePiece => false,
        WheelKind::MultiPiece => !tube_type(case),
        WheelKind::Divided | WheelKind::BeadLock => true,
    };
    Stop::when(mounted(case) && outside)
}

/// Scrap is never used again; neither is what is recalled or kept as evidence, until that ends.
pub(super) fn standing(case: &Case<'_>) -> Option<Stop> {
    let used = matches!(
        case.command.facts,
        Facts::Mounted(_) | Facts::Held(_) | Facts::Released(_) | Facts::Installed(_)
    );
    let casing = case.casing()?;
    let shown: Vec<_> = entry_of(casing.scrap.map(|scrap| scrap.moment))
        .into_iter()
        .chain(entries_of(&casing.recalls))
        .chain(entries_of(&casing.preserved))
        .collect();
    (used && !shown.is_empty()).then(|| Stop::shown(shown))
}

/// No clean inspection off the wheel since the last demount.
pub(super) fn inspected(case: &Case<'_>) -> Option<Stop> {
    let casing = case.casing()?;
    (mounted(case) && casing.inspected.is_none()).then(|| Stop::shown(doubt_entries(casing)))
}

/// Bead diameter equal, width approved; a half inch off is a mismatch that
/// almost fits, OSHA's chart.
pub(super) fn size(case: &Case<'_>) -> Option<Stop> {
    if !mounted(case) {
        return None;
    }
    let (model, wheel) = (case.model()?, case.wheel()?);
    let fits = model.rim_in == wheel.rim_in && model.rim_widths_in.contains(&wheel.width_in);
    (!fits).then(|| {
        Stop::found(format!(
            "Tire {} for a {} inch rim, wheel {} x {} inches.",
            model.size, model.rim_in, wheel.rim_in, wheel.width_in
        ))
    })
}

/// Base, side ring and lock ring do not belong together by any chart in force, or cannot be
/// told by their stamps, 29 CFR 1910.177(e)(1).
pub(super) fn parts(case: &Case<'_>) -> Option<Stop> {
    let facts = facts(case).filter(|_| multi_piece(case))?;
    let read =
        facts.parts.as_ref().and_then(|parts| parts.base.as_ref().zip(parts.side_ring.as_ref()));
    let Some((base, side_ring)) = read else {
        return Some(Stop::found("Base and side ring need a stamp that can be read.".to_owned()));
    };
    let lock_ring = facts.parts.as_ref().and_then(|parts| parts.lock_ring.as_ref());
    let charts: Vec<_> = case.world.charts(ChartKind::RimParts, case.at).collect();
    let belongs = |chart: &Chart| match &chart.rows {
        Rows::RimParts(rows) => rows.iter().any(|row| {
            (&row.base, &row.side_ring, row.lock_ring.as_ref()) == (base, side_ring, lock_ring)
        }),
        _ => false,
    };
    if charts.iter().any(|(chart, _)| belongs(chart)) {
        return None;
    }
    let lock_ring = lock_ring.map_or("no lock ring", String::as_str);
    Some(Stop {
        evidence: charts.iter().map(|(_, entry)| *entry).collect(),
        found: Some(format!("No chart in force has {base}, {side_ring} and {lock_ring} together.")),
        caution: false,
    })
}

/// A tube-type tire without tube or flap, or with one of another size; radial with radial, new
/// with new. Common practice, no published source. Only a multi-piece wheel needs a flap.
pub(super) fn tube_flap(case: &Case<'_>) -> Option<Stop> {
    let facts = facts(case).filter(|_| tube_type(case))?;
    let (model, casing) = (case.model()?, case.casing()?);
    let new_tire = casing.origin == Origin::New && casing.life == 0 && casing.ran.is_none();
    let fits = |one: &Tube| {
        one.size.eq_ignore_ascii_case(&model.size)
            && (one.radial || model.construction == Construction::Bias)
            && (one.new || !new_tire)
    };
    let tube = facts.tube.as_ref().is_some_and(fits);
    let flap = facts.flap.as_ref().map_or(!multi_piece(case), fits);
    Stop::when(!tube || !flap)
}

/// Tube-type: a tube and a flap to lay straight.
pub(super) fn with_flap(case: &Case<'_>) -> bool {
    mounted(case) && tube_type(case)
}

/// There is a ring to seat.
pub(super) fn with_ring(case: &Case<'_>) -> bool {
    mounted(case) && multi_piece(case)
}

/// The wheel is bad now, or was tagged before.
pub(super) fn wheel_condition(case: &Case<'_>) -> Option<Stop> {
    let facts = facts(case)?;
    let head = case.world.heads.get(&Subject::of(SubjectKind::Wheel, facts.wheel));
    let tagged = head.and_then(|head| head.state.registry()?.tagged.as_ref());
    (!facts.wheel_condition.is_empty() || tagged.is_some())
        .then(|| Stop::shown(entry_of(tagged.map(|tag| tag.moment))))
}
