//! Late entries against the decisions that still stand.
//!
//! A decision is never taken again. But where a late entry would have stopped the release
//! of the present mounting, or its installation, the casing comes under doubt.

use crate::decide::Case;
use crate::entry::{Entry, Outcome, Sender, Subject};
use crate::facts::Facts;
use crate::facts::casing::{Doubt, Flagged};
use crate::fold::casing::Casing;
use crate::fold::{Moment, fold};
use crate::table::CHECKS;
use crate::world::World;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// The doubts that an entry raises together with what the ledger adds because of it:
/// one for each casing that has a standing decision which they would have stopped. The
/// entry and the decisions are named as evidence.
pub(crate) fn doubts(
    world: &World,
    own: &Entry,
    added: &[(Subject, Facts)],
) -> Vec<(Subject, Facts)> {
    let mut told: BTreeMap<Subject, Vec<Entry>> = BTreeMap::new();
    // Among entries of the same time, those that arrive last come last.
    let own = Entry { n: u64::MAX, ..own.clone() };
    if own.recorded() {
        told.entry(own.subject).or_default().push(own.clone());
    }
    for (subject, facts) in added {
        told.entry(*subject).or_default().push(Entry {
            subject: *subject,
            facts: facts.clone(),
            outcome: Outcome::Recorded { cautions: Vec::new(), worked: None },
            ..own.clone()
        });
    }
    told.into_iter()
        .filter_map(|(subject, told)| {
            let stopped = would_be_stopped(world, subject, &told)?;
            let evidence = [vec![own.id], stopped].concat();
            Some((subject, Facts::Flagged(Flagged { reason: Doubt::Late, evidence })))
        })
        .collect()
}

/// The standing decisions on a casing that what is told now would have stopped.
fn would_be_stopped(world: &World, subject: Subject, told: &[Entry]) -> Option<Vec<Uuid>> {
    let known: Vec<&Entry> = world.histories.get(&subject)?.iter().collect();
    let with: Vec<&Entry> = known.iter().copied().chain(told).collect();
    let casing = world.heads.get(&subject)?.state.casing()?;
    let stopped: Vec<Uuid> = standing(casing)
        .into_iter()
        .filter_map(|decision| known.iter().copied().find(|entry| entry.id == decision.entry))
        .filter(|decision| {
            !stops(world, decision, &with).is_subset(&stops(world, decision, &known))
        })
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
fn stops(world: &World, decision: &Entry, entries: &[&Entry]) -> BTreeSet<&'static str> {
    let place = (decision.at(), decision.n);
    let before = entries.iter().copied().filter(|entry| (entry.at(), entry.n) < place);
    let state = fold(before, None);
    let command = decision.command();
    let sender = Sender { person: decision.sender, sent_at: decision.sent_at };
    let case = Case::on(world, decision.recorded_at, sender, &command, Cow::Owned(state));
    CHECKS
        .iter()
        .filter(|check| check.ask(&case).is_some_and(|stop| !stop.caution))
        .map(|check| check.id)
        .collect()
}
