//! Erasing what is personal in an entry, on a legal order.
//!
//! The rules only judge the order: the personal part itself is not theirs to see. The entry
//! keeps its bytes, and so the hash of what was there.

use crate::decide::Case;
use crate::entry::{Command, Entry};
use crate::facts::amend::Erased;
use crate::facts::{Facts, Field};
use crate::fold::casing::Casing;
use crate::table::Stop;
use crate::world::World;

/// What a command names wrongly, as far as its subject's history is at hand.
pub(crate) fn dangling(world: &World, command: &Command) -> Option<Field> {
    let Facts::Erased(facts) = &command.facts else {
        return None;
    };
    let history = world.histories.get(&command.subject)?;
    let known = history.iter().any(|entry| entry.id == facts.entry);
    (!known).then(|| Field::new("/facts/entry", "There is no such entry of this subject."))
}

/// Why there is nothing to erase. Of what is kept as evidence that alone is said.
pub(crate) fn stop(case: &Case<'_>) -> Option<Stop> {
    let Facts::Erased(facts) = &case.command.facts else {
        return None;
    };
    let history = case.world.histories.get(&case.command.subject)?;
    if let Some(before) = history.iter().find(|entry| erases(entry, facts)) {
        let found = Some("That was erased already.".to_owned());
        return Some(Stop { found, ..Stop::shown(vec![before.id]) });
    }
    let has_any = history.iter().any(|e| e.id == facts.entry && e.personal_hash.is_some());
    let kept = kept_now(case).is_some_and(|casing| !casing.preserved.is_empty());
    (!has_any && !kept).then(|| Stop::found("Nothing personal is kept with that entry.".to_owned()))
}

fn erases(entry: &Entry, as_here: &Erased) -> bool {
    entry.recorded() && matches!(&entry.facts, Facts::Erased(facts) if facts.entry == as_here.entry)
}

/// The casing as it stands now: what is destroyed now is not destroyed at an earlier time,
/// whenever it is said to have been.
pub(crate) fn kept_now<'a>(case: &Case<'a>) -> Option<&'a Casing> {
    case.world.heads.get(&case.command.subject)?.state.casing()
}
