//! `identity.*`: which tire this is.

use super::Stop;
use crate::decide::Case;
use crate::facts::Facts;
use crate::facts::casing::Mark;

fn mark_read<'a>(case: &'a Case<'_>) -> Option<Option<&'a Mark>> {
    match &case.command.facts {
        Facts::Mounted(facts) => Some(facts.read.as_ref()),
        Facts::Held(facts) => Some(facts.read.as_ref()),
        Facts::Released(facts) => Some(facts.read.as_ref()),
        Facts::Installed(facts) => Some(facts.read.as_ref()),
        Facts::Returned(facts) => Some(facts.read.as_ref()),
        _ => None,
    }
}

/// Neither brand number nor tag was read.
pub(super) fn read(case: &Case<'_>) -> Option<Stop> {
    Stop::when(matches!(mark_read(case), Some(None | Some(Mark::Tin(_)))))
}

/// The mark is not one of this casing.
pub(super) fn matches(case: &Case<'_>) -> Option<Stop> {
    let marks = &case.casing()?.marks;
    let (read, own) = match mark_read(case)?? {
        Mark::Brand(read) => (read, marks.brand.as_ref()),
        Mark::Tag(read) => (read, marks.tag.as_ref()),
        Mark::Tin(read) => (read, marks.tins.iter().find(|tin| *tin == read)),
    };
    Stop::when(own != Some(read))
}
