//! Callers who are cut off at any moment, and transactions that are.
//!
//! No outside source: the ledger's own promise that an entry is recorded whole or not at all,
//! and that whoever got no answer sends it again and gets the one that there is. That a session
//! that ends gives its locks free is PostgreSQL manual 13.3.

use crate::fleet::Fleet;
use crate::postgres::{until, wait};
use crate::proofhold::{Answer, send};
use crate::script::id;
use chrono::TimeDelta;
use rand::rngs::StdRng;
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rules::entry::Sender;
use rules::{Command, Subject};
use serde_json::{Value, json};
use std::future::poll_fn;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::pin::pin;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::task::Poll;
use std::thread;
use store::record::{self, Request, Sent, record};
use uuid::Uuid;

/// The casings worked on, and where they are.
const CASINGS: [(&str, &str); 4] = [("A", "2LO"), ("B", "2LI"), ("C", "2RO"), ("D", "2RI")];

/// Callers over HTTP, and transactions below it.
const CALLERS: usize = 600;
const TRANSACTIONS: usize = 120;

/// Entries of a transaction.
const TOGETHER: usize = 3;

/// How many at a time.
const AT_ONCE: usize = 12;

fn fleet() -> Fleet {
    let mut casings = json!({});
    for (i, (name, position)) in CASINGS.iter().enumerate() {
        casings[name] = json!({"model": "merrow-295g", "brand": format!("LK-{}", i + 1),
            "state": "installed", "wheel": format!("W{}", i + 1), "vehicle": "T1",
            "position": position});
    }
    Fleet::given(json!({ "casings": casings }))
}

/// What a caller asks, again and again where need be.
struct Call {
    method: &'static str,
    path: String,
    /// None for entries, which are known by their ids.
    key: Option<Uuid>,
    body: Value,
    /// How it is cut off.
    cut: Cut,
    /// What the caller read before that.
    read: Option<(u16, String)>,
}

/// Where a caller goes away.
#[derive(Clone, Copy, Debug)]
enum Cut {
    /// After this share of the request, in thousandths.
    Sending(usize),
    /// After this many bytes of the answer.
    Reading(usize),
    /// After all of the answer.
    Late,
}

fn cut(dice: &mut StdRng) -> Cut {
    match dice.random_range(0..8) {
        0 | 1 => Cut::Sending(dice.random_range(0..1000)),
        2 => Cut::Sending(1000),
        3 | 4 => Cut::Reading(dice.random_range(0..600)),
        _ => Cut::Late,
    }
}

/// An entry: mostly recorded, sometimes refused, sometimes with a consequence.
fn entry(fleet: &Fleet, dice: &mut StdRng) -> Value {
    let casing = Subject::casing(id(CASINGS.choose(dice).unwrap().0));
    match dice.random_range(0..12) {
        0 => fleet.entry("demounted", casing, json!({})),
        1 => fleet.entry("pressure_read", casing, json!({"psi": 70})),
        2 | 3 => fleet.entry("tread_read", casing, json!({"grooves_32nds": [[14, 13]]})),
        _ => fleet.entry("pressure_read", casing, json!({"psi": 99})),
    }
}

fn call(fleet: &Fleet, dice: &mut StdRng) -> Call {
    let wheel = json!({"kind": "single_piece", "rim_in": 22.5, "width_in": 8.25, "rated_psi": 140});
    let depot = json!({"name": "Fernhill", "zone": "America/Denver"});
    let new = |body: Value| json!({"id": Uuid::now_v7(), "body": body});
    let (method, path, body) = match dice.random_range(0..10) {
        0 => ("POST", "/v1/wheels".to_owned(), new(wheel)),
        1 => ("POST", "/v1/depots".to_owned(), new(depot)),
        2 => {
            let altitude = json!({"altitude_ft": dice.random_range(0..8000)});
            ("PATCH", format!("/v1/depots/{}", id("elmford")), altitude)
        }
        _ => ("POST", "/v1/entries".to_owned(), entry(fleet, dice)),
    };
    let key = (path != "/v1/entries").then(Uuid::now_v7);
    Call { method, path, key, body, cut: cut(dice), read: None }
}

impl Call {
    fn who(&self) -> &'static str {
        if self.key.is_some() { "cora" } else { "ada" }
    }

    /// The request as it goes over the wire (RFC 9112).
    fn bytes(&self, fleet: &Fleet) -> Vec<u8> {
        let token = fleet.proofhold.token("larkspur", self.who());
        let (body, address) = (self.body.to_string(), fleet.proofhold.address());
        let key = self.key.map(|key| format!("idempotency-key: {key}\r\nif-match: *\r\n"));
        format!(
            "{} {} HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {token}\r\n{}\
             content-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            self.method,
            self.path,
            key.unwrap_or_default(),
            body.len()
        )
        .into_bytes()
    }

    /// Sends it as far as it goes.
    fn be_cut_off(&mut self, fleet: &Fleet) {
        fleet.proofhold.set_clock(fleet.proofhold.now() + TimeDelta::milliseconds(1));
        let bytes = self.bytes(fleet);
        let mut stream = TcpStream::connect(fleet.proofhold.address()).unwrap();
        match self.cut {
            Cut::Sending(share) => stream.write_all(&bytes[..bytes.len() * share / 1000]).unwrap(),
            Cut::Reading(most) => {
                stream.write_all(&bytes).unwrap();
                let mut some = vec![0; most];
                let read = stream.read(&mut some).unwrap();
                self.read = whole(&some[..read]);
            }
            Cut::Late => {
                stream.write_all(&bytes).unwrap();
                let (mut all, mut some) = (Vec::new(), [0; 4096]);
                while self.read.is_none() {
                    let read = stream.read(&mut some).unwrap();
                    assert!(read > 0, "the answer is cut short: {}", String::from_utf8_lossy(&all));
                    all.extend(&some[..read]);
                    self.read = whole(&all);
                }
            }
        }
        // Callers who do not wait for their answers send faster than is recorded, and some may be
        // told to come again (RFC 9110 section 15.6.4).
        self.read.take_if(|(status, _)| *status == 503);
    }

    /// What it read is in the ledger, word for word.
    fn is_on_record(&self, fleet: &Fleet) {
        let Some((status, text)) = &self.read else { return };
        let kept =
            || fleet.get("ada", &format!("/v1/entries/{}", self.body["id"].as_str().unwrap()));
        match (status, self.key) {
            (201, None) => assert_eq!(&kept().text, text),
            (409, None) => {
                let (problem, kept) = (read_json(text), kept().expect(200));
                let refused = (&kept["outcome"], &kept["rules"]);
                assert_eq!(refused, (&json!("refused"), &problem["rules"]));
            }
            // Shown anew when it comes again.
            (200 | 201, Some(_)) => {}
            _ => panic!("{} {}: {text}", self.method, self.path),
        }
    }

    /// Sent again it has the answer that it had, or would have had.
    fn come_again(&mut self, fleet: &Fleet) {
        let answer = self.again(fleet);
        let status = answer.status.as_u16();
        assert!(
            [200, 201, 409].contains(&status),
            "{} {}: {}",
            self.method,
            self.path,
            answer.text
        );
        match &self.read {
            // A problem says which request it answers.
            Some((409, text)) => {
                let (then, now) = (read_json(text), answer.problem(409, "REFUSED"));
                assert_eq!((&then["entry_id"], &then["rules"]), (&now["entry_id"], &now["rules"]));
            }
            Some(read) => assert_eq!(*read, (status, answer.text)),
            None => {}
        }
    }

    /// The same again, to the end.
    fn again(&self, fleet: &Fleet) -> Answer {
        let request = fleet.request(self.who(), self.method, &self.path).json(&self.body);
        let key = self.key.map(|key| key.to_string());
        let headers = key.iter().flat_map(|key| [("idempotency-key", &**key), ("if-match", "*")]);
        send(headers.fold(request, |request, (name, value)| request.header(name, value)))
    }
}

/// Status and body of an answer, if all of it is here.
fn whole(bytes: &[u8]) -> Option<(u16, String)> {
    let text = std::str::from_utf8(bytes).ok()?;
    let (head, body) = text.split_once("\r\n\r\n")?;
    let length = head.lines().find_map(|line| line.strip_prefix("content-length: "))?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    (body.len() == length.parse::<usize>().ok()?).then(|| (status, body.to_owned()))
}

fn read_json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

/// Does this to each, some at a time.
fn each<T: Send>(all: &mut [T], work: impl Fn(&mut T) + Sync) {
    let next = AtomicUsize::new(0);
    let slots: Vec<Mutex<&mut T>> = all.iter_mut().map(Mutex::new).collect();
    thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                while let Some(slot) = slots.get(next.fetch_add(1, Ordering::Relaxed)) {
                    work(&mut slot.lock().unwrap());
                }
            });
        }
    });
}

/// A transaction below HTTP, dropped when it was polled so often.
struct Transaction {
    requests: [Request; 1],
    polls: usize,
    read: Option<Vec<record::Answer>>,
}

fn transaction(fleet: &Fleet, dice: &mut StdRng) -> Transaction {
    let sent = |_| {
        let command = Command::read(entry(fleet, dice).to_string().as_bytes()).unwrap();
        let own = *command.id.as_bytes();
        Sent { command, content: [own, own].concat().try_into().unwrap() }
    };
    let commands = (0..TOGETHER).map(sent).collect();
    let sender = Sender { person: id("ada"), sent_at: None };
    let requests = [Request { sender, commands }];
    Transaction { requests, polls: dice.random_range(1..40), read: None }
}

impl Transaction {
    fn record(&mut self, fleet: &Fleet, most: usize) {
        let (org, now, requests) = (id("larkspur"), fleet.proofhold.now(), &self.requests);
        let work = async |conn: &mut _| record(conn, org, now, requests).await;
        let mut recording = pin!(fleet.proofhold.store.in_org(org, work));
        let mut polls = 0;
        let cut_off = poll_fn(|context| {
            polls += 1;
            if polls > most {
                Poll::Ready(None)
            } else {
                recording.as_mut().poll(context).map(Some)
            }
        });
        let answers = wait(cut_off);
        self.read = answers.map(|answers| answers.unwrap().remove(0));
    }
}

/// Nobody holds a lock, is half-way through a transaction or waits.
fn nothing_is_left(fleet: &Fleet) {
    let superuser = fleet.proofhold.database.superuser();
    for (what, of) in [
        ("pg_stat_activity", "datname = current_database() AND state <> 'idle'"),
        ("pg_locks JOIN pg_database ON pg_database.oid = database", "datname = current_database()"),
    ] {
        let query = format!("SELECT count(*) FROM {what} WHERE {of} AND pid <> pg_backend_pid()");
        wait(until(&superuser, &query, 0));
    }
}

/// How many entries were sent by somebody and are on record.
fn entries(fleet: &Fleet) -> i64 {
    let query = "SELECT count(*) FROM entry WHERE cause IS NULL";
    wait(fleet.proofhold.database.superuser().query_one(query, &[])).unwrap().get(0)
}

#[test]
fn whoever_is_cut_off_finds_all_or_nothing() {
    let seed: u64 = rand::rng().random();
    println!("seed {seed}");
    let mut dice = StdRng::seed_from_u64(seed);
    let fleet = fleet();
    let at_first = entries(&fleet);
    let mut calls: Vec<Call> = (0..CALLERS).map(|_| call(&fleet, &mut dice)).collect();
    let mut transactions: Vec<Transaction> =
        (0..TRANSACTIONS).map(|_| transaction(&fleet, &mut dice)).collect();
    thread::scope(|scope| {
        scope.spawn(|| each(&mut calls, |call| call.be_cut_off(&fleet)));
        scope.spawn(|| each(&mut transactions, |one| one.record(&fleet, one.polls)));
    });
    nothing_is_left(&fleet);
    let answered = calls.iter().filter(|call| call.read.is_some()).count();
    assert!(0 < answered && answered < CALLERS, "{answered} of them were answered");
    let finished = transactions.iter().filter(|one| one.read.is_some()).count();
    assert!(0 < finished && finished < TRANSACTIONS, "{finished} of them were finished");
    let after = entries(&fleet);

    each(&mut calls, |call| call.is_on_record(&fleet));
    each(&mut calls, |call| call.come_again(&fleet));
    each(&mut transactions, |one| {
        let read = one.read.take();
        one.record(&fleet, usize::MAX);
        assert!(read.is_none() || read == one.read, "{read:?} and then {:?}", one.read);
    });
    // Each was recorded once, whether it came once or twice.
    let sent = CALLERS + TRANSACTIONS * TOGETHER;
    assert_eq!(entries(&fleet) - at_first, sent as i64);
    assert!(after - at_first < sent as i64, "some were cut off before they were recorded");
    nothing_is_left(&fleet);
    fleet.stands();
}
