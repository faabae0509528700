//! Work that touches the same things in opposite orders, at the same time.
//!
//! Source: PostgreSQL manual 13.3.4: transactions that lock several rows lock them in the same
//! order, or they wait for each other until the server breaks one of them off.

use crate::fleet::Fleet;
use crate::gathering::{another, gatherer, readings};
use crate::ledger::{Ledger, request};
use crate::postgres::wait;
use crate::races::at_once;
use crate::script::id;
use api::demo::Posting;
use rand::rngs::StdRng;
use rand::seq::{IndexedRandom, SliceRandom};
use rand::{Rng, SeedableRng};
use rules::Subject;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::Arc;
use store::gather::Gatherer;
use store::record::{Answer, Request};
use tokio::task::JoinSet;
use uuid::Uuid;

/// One request with all of these, in this order.
fn together(postings: impl IntoIterator<Item = Posting>) -> Request {
    let mut requests = postings.into_iter().map(|posting| request(&posting));
    let mut first = requests.next().unwrap();
    first.commands.extend(requests.flat_map(|request| request.commands));
    first
}

/// Sends the requests at once, each through a process of its own.
fn from_all_sides(
    org: Uuid,
    processes: &[Arc<Gatherer>],
    requests: Vec<Request>,
) -> Vec<Vec<Answer>> {
    let mut sent = JoinSet::new();
    wait(async {
        for (process, request) in processes.iter().cloned().zip(requests) {
            sent.spawn(async move { process.record(org, request).await.unwrap() });
        }
        sent.join_all().await
    })
}

#[test]
fn casings_named_in_opposite_orders_are_all_recorded() {
    let ledger = Ledger::new();
    let (readings, mut dice) = (readings(&ledger), StdRng::seed_from_u64(7));
    let processes: Vec<_> = (0..4).map(|_| gatherer(&ledger)).collect();
    let (before, mut sent) = (ledger.count("entry"), 0);
    for _ in 0..40 {
        let count = dice.random_range(2..6);
        let some: Vec<_> = readings.choose_multiple(&mut dice, count).cloned().collect();
        let mut orders = [some.clone(), some.clone(), some.clone(), some];
        orders[1].reverse();
        orders[2..].iter_mut().for_each(|order| order.shuffle(&mut dice));
        let mut fresh = |reading: &Posting| {
            sent += 1;
            another(reading, sent)
        };
        let requests = orders.iter().map(|order| together(order.iter().map(&mut fresh)));
        let requests = requests.collect();
        for answer in from_all_sides(ledger.org, &processes, requests).iter().flatten() {
            let recorded = matches!(answer, Answer::Decided(entries) if entries[0].recorded());
            assert!(recorded, "{answer:?}");
        }
    }
    assert_eq!(ledger.count("entry") - before, sent as i64);
    assert_eq!(ledger.check().wrong, None);
    assert_eq!(ledger.database.deadlocks(), 0);
}

/// The same ids, used for other casings by each of two senders, in opposite orders: what the
/// one has written the other waits for, though no casing is the same.
#[test]
fn ids_used_twice_in_opposite_orders_are_told() {
    let ledger = Ledger::new();
    // Tires on one vehicle and tires on none of them: the two never lock the same row.
    let query = "SELECT id::text FROM subject WHERE vehicle = \
                 (SELECT vehicle FROM subject GROUP BY vehicle ORDER BY count(vehicle) DESC LIMIT 1)";
    let rows = wait(ledger.database.superuser().query(query, &[])).unwrap();
    let on: BTreeSet<Uuid> =
        rows.iter().map(|row| row.get::<_, &str>(0).parse().unwrap()).collect();
    let (some, others): (Vec<_>, Vec<_>) =
        readings(&ledger).into_iter().partition(|reading| on.contains(&reading.command.subject.id));
    let count = some.len();
    assert!((6..=others.len()).contains(&count), "{count} and {}", others.len());
    let processes = [gatherer(&ledger), gatherer(&ledger)];
    for round in 0..5 {
        let ids: Vec<u128> = (1..=count as u128).map(|n| 1000 * round + n).collect();
        let one = some.iter().zip(&ids);
        let other = others.iter().zip(ids.iter().rev());
        let mut requests = vec![
            together(one.map(|(reading, id)| another(reading, *id))),
            together(other.map(|(reading, id)| another(reading, *id))),
        ];
        // Known again by their content, which differs here.
        requests[1].commands.iter_mut().for_each(|sent| sent.content[0] ^= 1);
        // The one in the middle is kept from both until both wait.
        let middle = Uuid::from_u128(ids[count / 2]);
        let hold = format!(
            "INSERT INTO entry (org_id, id, subject_kind, subject_id, n, kind, occurred_at, \
                                recorded_at, refused, content, bytes) \
             SELECT org_id, '{middle}', subject_kind, subject_id, n + 1000000, kind, occurred_at, \
                    recorded_at, refused, content, bytes \
             FROM entry WHERE cause IS NULL LIMIT 1"
        );
        let send = || from_all_sides(ledger.org, &processes, requests);
        let answers = ledger.database.while_held(&hold, 2, send);
        let of = |is: fn(&Answer) -> bool| answers.iter().flatten().filter(|a| is(a)).count();
        let decided = of(|answer| matches!(answer, Answer::Decided(_)));
        let reused = of(|answer| matches!(answer, Answer::Reused(_)));
        assert_eq!((decided, reused), (count, count), "{answers:?}");
    }
    assert_eq!(ledger.check().wrong, None);
    assert_eq!(ledger.database.deadlocks(), 0);
}

/// Over HTTP: two vehicles, each to have the other's unit number; two casings, each to have the
/// other's tag; two tires that change their places.
#[test]
fn what_two_want_of_each_other_is_answered() {
    let here = Fleet::given(json!({"casings": {
        "A": {"model": "merrow-295g", "brand": "LK-1", "tag": "TAG-1", "state": "released",
            "wheel": "W1"},
        "B": {"model": "merrow-295g", "brand": "LK-2", "tag": "TAG-2", "state": "released",
            "wheel": "W2"}}}));
    let there = here.beside();
    let unit = |of: &str, to: &str, at: &Fleet| {
        let request = at.request("cora", "PATCH", &format!("/v1/vehicles/{}", id(of)));
        request.header("If-Match", "*").json(&json!({ "unit": to }))
    };
    let post = |entry: Value, at: &Fleet| at.request("ada", "POST", "/v1/entries").json(&entry);
    let tag = |of: &str, to: &str, at: &Fleet| {
        let facts = json!({"marks": {"tag": to}});
        post(here.entry("identified", Subject::casing(id(of)), facts), at)
    };
    let read = |of: &str, at: &Fleet| {
        post(here.entry("pressure_read", Subject::casing(id(of)), json!({"psi": 99})), at)
    };
    for round in 0..40 {
        let answers = at_once(vec![
            unit("T1", "T2", &here),
            unit("T2", "T1", &there),
            tag("A", "TAG-2", &here),
            tag("B", "TAG-1", &there),
            read("B", &here),
            read("A", &there),
        ]);
        let statuses: Vec<u16> = answers.iter().map(|answer| answer.status.as_u16()).collect();
        assert_eq!(statuses, [409, 409, 409, 409, 201, 201], "round {round}: {answers:?}");
        for refused in &answers[..4] {
            assert_eq!(refused.json()["rules"][0]["id"], "fact.place_taken", "{}", refused.text);
        }
    }
    here.stands();
    assert_eq!(here.proofhold.database.deadlocks(), 0);
}
