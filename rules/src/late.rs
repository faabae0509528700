//! Late entries against the decisions that still stand.
//!
//! A decision is never taken again. But where a late entry would have stopped the release
//! of the present mounting, or its installation, the casing comes under doubt.

use crate::decide::{Case, Depth, decide_to, follows, number};
use crate::entry::{Command, Entry, Sender, Subject};
use crate::facts::Facts;
use crate::facts::casing::{Doubt, Flagged};
use crate::fit::followers;
use crate::fold::casing::Casing;
use crate::fold::{Moment, State, in_order};
use crate::table::CHECKS;
use crate::world::World;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// What an entry means for decisions that stand.
#[derive(Default)]
pub(crate) struct Late {
    /// A doubt for each casing that has a standing decision which would have been stopped.
    pub(crate) doubts: Vec<Entry>,
    /// What follows in the request answers some of it.
    pub(crate) leans: bool,
}

/// The standing decisions on each casing that would be stopped.
type Stopped = BTreeMap<Subject, Vec<Uuid>>;

/// The doubts that an entry raises together with what the ledger adds because of it, unless
/// the rest of the request answers them. The entry and the decisions are named as evidence.
pub(crate) fn doubts(case: &Case<'_>, own: &Entry, added: &[Entry], rest: &[&Command]) -> Late {
    let world = case.world;
    let entries = number(world, own.clone(), added.to_vec());
    let about: BTreeSet<Subject> = entries.iter().map(|entry| entry.subject).collect();
    let late = |subject: &Subject| world.histories.contains_key(subject);
    let alone: Stopped = about
        .iter()
        .filter(|subject| late(subject))
        .filter_map(|subject| {
            let told = entries.iter().filter(|e| e.subject == *subject && e.recorded());
            let known = &world.histories[subject];
            Some((*subject, stopped(world, world, *subject, known.iter().chain(told))?))
        })
        .collect();
    if alone.is_empty() {
        return Late::default();
    }
    let after = after_the_rest(case, &entries, &alone, &followers(world, rest, &about));
    let leans = after != alone;
    let doubt = |(subject, stopped): (Subject, Vec<Uuid>)| {
        let evidence = [vec![own.id], stopped].concat();
        follows(own, subject, Facts::Flagged(Flagged { reason: Doubt::Late, evidence }))
    };
    Late { doubts: after.into_iter().map(doubt).collect(), leans }
}

/// What of it is still stopped after the rest of the request.
fn after_the_rest(
    case: &Case<'_>,
    entries: &[Entry],
    alone: &Stopped,
    rest: &[&Command],
) -> Stopped {
    if rest.is_empty() {
        return alone.clone();
    }
    let mut then = case.world.clone();
    entries.iter().for_each(|entry| then.apply(entry));
    for (i, command) in rest.iter().enumerate() {
        let (rest, now, sender) = (&rest[i + 1..], case.now, case.sender);
        let decided = decide_to(Depth::Fit, &then, now, sender, command, rest, None);
        decided.iter().for_each(|entry| then.apply(entry));
    }
    let still = |(subject, stopped_alone): (&Subject, &Vec<Uuid>)| {
        let now = stopped(case.world, &then, *subject, &then.histories[subject])?;
        let both: Vec<Uuid> = stopped_alone.iter().filter(|d| now.contains(d)).copied().collect();
        (!both.is_empty()).then_some((*subject, both))
    };
    alone.iter().filter_map(still).collect()
}

/// The decisions standing on a casing that would be stopped if this were known of it, and are
/// not by what is known before.
fn stopped<'a>(
    before: &World,
    now: &World,
    subject: Subject,
    told: impl IntoIterator<Item = &'a Entry>,
) -> Option<Vec<Uuid>> {
    let known = before.histories.get(&subject)?;
    let casing = before.heads.get(&subject)?.state.casing()?;
    let (known, told) = (in_order(known, None), in_order(told, None));
    let stopped: Vec<Uuid> = standing(casing)
        .into_iter()
        .filter_map(|decision| told.iter().find(|entry| entry.id == decision.entry))
        .filter(|decision| !stops(now, decision, &told).is_subset(&stops(before, decision, &known)))
        .map(|decision| decision.id)
        .collect();
    (!stopped.is_empty()).then_some(stopped)
}

/// The release of the present mounting, unless a doubt came since, and the installation
/// where it is now.
fn standing(casing: &Casing) -> Vec<Moment> {
    let release = casing.mounting.as_ref().and_then(|mounting| mounting.release);
    let release = release.filter(|release| release.stands).map(|release| release.moment);
    release.into_iter().chain(casing.fitting.as_ref().map(|fitting| fitting.moment)).collect()
}

/// The rules that stop a decision on the casing as these entries show it just before.
/// A caution is the crew's to acknowledge; it never casts doubt.
fn stops(world: &World, decision: &Entry, entries: &[Cow<'_, Entry>]) -> BTreeSet<&'static str> {
    let place = (decision.at(), decision.n);
    let mut state = State::Unknown;
    let before = entries.iter().filter(|entry| (entry.at(), entry.n) < place);
    before.for_each(|entry| state.apply(entry));
    let command = decision.command();
    let sender = Sender { person: decision.sender, sent_at: decision.sent_at };
    let case = Case::on(world, decision.recorded_at, sender, &command, Cow::Owned(state));
    CHECKS
        .iter()
        .filter(|check| check.ask(&case).is_some_and(|stop| !stop.caution))
        .map(|check| check.id)
        .collect()
}
