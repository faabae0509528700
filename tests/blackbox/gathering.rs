//! Entries that arrive at the same moment are recorded together, and each is answered as if it
//! had come alone. The ledger's own promise, no outside source.

use crate::ledger::{FLEET, Ledger, request};
use crate::postgres::wait;
use api::demo::Posting;
use chrono::{DateTime, Utc};
use rules::Kind;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use store::gather::Gatherer;
use store::record::Answer;
use store::{Store, StoreError};
use tokio::task::JoinSet;
use uuid::Uuid;

/// After everything that the fleet has on record.
pub fn now() -> DateTime<Utc> {
    FLEET.postings.last().unwrap().at
}

/// The same reading again, under an id of its own.
pub fn another(reading: &Posting, n: u128) -> Posting {
    let mut posting = reading.clone();
    posting.command.id = Uuid::from_u128(n);
    posting.command.occurred_at = now().fixed_offset();
    posting
}

/// The last reading of every casing.
pub fn readings(ledger: &Ledger) -> Vec<Posting> {
    let is_reading = |posting: &&Posting| posting.command.facts.kind() == Kind::TreadRead;
    let mut casings = BTreeSet::new();
    let last = ledger.postings.iter().rev().filter(is_reading);
    last.filter(|posting| casings.insert(posting.command.subject)).cloned().collect()
}

/// Sends all of it at once; the answers stand in the order of what was sent.
fn at_once(gatherer: &Arc<Gatherer>, org: Uuid, posts: Vec<Posting>) -> Vec<Answer> {
    wait(async {
        let mut sent = JoinSet::new();
        for (i, posting) in posts.into_iter().enumerate() {
            let gatherer = gatherer.clone();
            sent.spawn(async move { (i, gatherer.record(org, request(&posting)).await) });
        }
        let mut answers = sent.join_all().await;
        answers.sort_by_key(|(i, _)| *i);
        answers.into_iter().map(|(_, answer)| answer.unwrap().remove(0)).collect()
    })
}

/// What gathers in a process, with connections of its own.
pub fn gatherer(ledger: &Ledger) -> Arc<Gatherer> {
    Arc::new(Gatherer::start(&Store::connect(&ledger.database.url()), now).unwrap())
}

#[test]
fn two_hundred_at_once_about_one_casing_are_counted_without_a_hole() {
    let ledger = Ledger::new();
    let reading = readings(&ledger).remove(0);
    let before = ledger.count("entry");
    let posts = (1..=200).map(|n| another(&reading, n)).collect();
    let answers = at_once(&gatherer(&ledger), ledger.org, posts);
    let mut places: Vec<u64> = answers
        .iter()
        .map(|answer| match answer {
            Answer::Decided(entries) if entries[0].recorded() => entries[0].n,
            other => panic!("{other:?}"),
        })
        .collect();
    places.sort_unstable();
    assert!(places.windows(2).all(|pair| pair[1] == pair[0] + 1), "{places:?}");
    assert_eq!(ledger.count("entry") - before, 200);
    assert_eq!(ledger.check().wrong, None);
}

#[test]
fn one_entry_twenty_times_at_once_is_one_entry_with_twenty_equal_answers() {
    let ledger = Ledger::new();
    let before = ledger.count("entry");
    let posts = vec![another(&readings(&ledger)[0], 1); 20];
    // Two processes, so that it is not one gathering task alone that sees to it.
    let (one, other) = (gatherer(&ledger), gatherer(&ledger));
    let (one, other) = std::thread::scope(|scope| {
        let (org, more) = (ledger.org, posts.clone());
        let there = scope.spawn(move || at_once(&other, org, more));
        (at_once(&one, org, posts), there.join().unwrap())
    });
    assert!(one.iter().chain(&other).all(|answer| *answer == one[0]));
    assert_eq!(ledger.count("entry") - before, 1);
}

/// A transaction that fails is done again request by request, and the task goes on.
#[test]
fn what_fails_together_is_recorded_alone() {
    let ledger = Ledger::new();
    let calls = Arc::new(AtomicUsize::new(0));
    let counted = calls.clone();
    let clock = move || {
        assert!(counted.fetch_add(1, Ordering::Relaxed) > 0, "the clock fails once");
        now()
    };
    let gatherer = Arc::new(Gatherer::start(&ledger.store, clock).unwrap());
    let readings = readings(&ledger);
    let posts: Vec<Posting> = readings.iter().zip(1..).map(|(r, n)| another(r, n)).collect();
    let count = posts.len();
    let answers = at_once(&gatherer, ledger.org, posts);
    assert!(answers.iter().all(|answer| matches!(answer, Answer::Decided(_))));
    assert!(calls.load(Ordering::Relaxed) > 1 && count > 1);
    assert_eq!(ledger.check().wrong, None);
}

/// RFC 9110 section 15.6.4: who cannot serve now says so, rather than let all wait.
#[test]
fn too_much_at_once_is_refused_as_busy() {
    let ledger = Ledger::new();
    let gatherer = gatherer(&ledger);
    let mut too_much = request(&another(&readings(&ledger)[0], 1));
    too_much.commands = vec![too_much.commands[0].clone(); 5000];
    let answer = wait(gatherer.record(ledger.org, too_much));
    assert!(matches!(answer, Err(StoreError::Busy)), "{answer:?}");
}
