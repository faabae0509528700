//! `mount.*`: tire and wheel belong together and are fit to be used.

use super::Stop;
use super::dispose::entries_of;
use crate::decide::{Case, doubt_entries, entry_of};
use crate::entry::{Subject, SubjectKind};
use crate::facts::Facts;
use crate::facts::wheel::WheelKind;

pub(super) fn mounted(case: &Case<'_>) -> bool {
    matches!(case.command.facts, Facts::Mounted(_))
}

pub(super) fn single_piece(case: &Case<'_>) -> bool {
    mounted(case) && case.wheel_kind() == WheelKind::SinglePiece
}

/// Only tubeless tires on single-piece wheels are judged here.
pub(super) fn supported(case: &Case<'_>) -> Option<Stop> {
    let tube_type = case.model().is_some_and(|model| model.tube_type);
    Stop::when(mounted(case) && (case.wheel_kind() != WheelKind::SinglePiece || tube_type))
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

/// The wheel is bad now, or was tagged before.
pub(super) fn wheel_condition(case: &Case<'_>) -> Option<Stop> {
    let Facts::Mounted(facts) = &case.command.facts else {
        return None;
    };
    let head = case.world.heads.get(&Subject::of(SubjectKind::Wheel, facts.wheel));
    let tagged = head.and_then(|head| head.state.registry()?.tagged.as_ref());
    (!facts.wheel_condition.is_empty() || tagged.is_some())
        .then(|| Stop::shown(entry_of(tagged.map(|tag| tag.moment))))
}
