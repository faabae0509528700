//! The limits of size, time and number: who is slow or greedy takes nothing from the others.
//!
//! Sources: RFC 9110 sections 15.5.9 (408), 15.5.14 (413) and 15.6.4 (503); OWASP's denial of
//! service sheet for slow clients. The limits themselves are the service's own; here they are
//! shorter, so that nobody has to wait.

use crate::fleet::Fleet;
use crate::postgres::wait;
use crate::proofhold::Proofhold;
use crate::script::id;
use api::limits::{BODY_LIMIT, Limits};
use rules::{Role, Subject};
use serde_json::{Value, json};
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::thread;
use std::time::Duration;
use store::Patience;
use uuid::Uuid;

/// Longer than any test takes.
const NEVER: Duration = Duration::from_secs(100);

/// Limits that nothing here meets.
fn roomy() -> Limits {
    Limits { head: NEVER, body_grace: NEVER, body: NEVER, answer: NEVER, ..Limits::default() }
}

fn with_an_admin(limits: Limits) -> Proofhold {
    let proofhold = Proofhold::limited(limits);
    let org = proofhold.organisation("larkspur");
    proofhold.account(org, Uuid::now_v7(), "gus", Role::Admin);
    proofhold
}

/// A client that sends what and when it likes.
struct Raw(TcpStream);

impl Raw {
    fn connect(proofhold: &Proofhold) -> Raw {
        let stream = TcpStream::connect(proofhold.address()).unwrap();
        stream.set_read_timeout(Some(NEVER)).unwrap();
        Raw(stream)
    }

    fn send(&mut self, bytes: impl AsRef<[u8]>) -> &mut Raw {
        self.0.write_all(bytes.as_ref()).unwrap();
        self
    }

    /// All that comes until the service closes the connection.
    fn rest(&mut self) -> String {
        let mut bytes = Vec::new();
        if let Err(error) = self.0.read_to_end(&mut bytes) {
            // Closed with something of ours unread.
            assert_eq!(error.kind(), ErrorKind::ConnectionReset, "{error}");
        }
        String::from_utf8(bytes).unwrap()
    }

    /// The problem with this status, after which the service closes the connection.
    #[track_caller]
    fn problem(&mut self, status: u16) -> Value {
        let answer = self.rest();
        assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{answer}");
        assert!(answer.contains("content-type: application/problem+json"), "{answer}");
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        serde_json::from_str(body).unwrap()
    }
}

/// The head of a post with a body of this many bytes.
fn head(path: &str, length: usize) -> String {
    format!(
        "POST {path} HTTP/1.1\r\nHost: test\r\nContent-Type: application/json\r\nContent-Length: {length}\r\n\r\n"
    )
}

/// The head of a post with a body of no announced size.
fn chunked(path: &str) -> String {
    head(path, 0).replace("Content-Length: 0", "Transfer-Encoding: chunked")
}

#[test]
fn a_head_that_does_not_come_is_not_waited_for() {
    let proofhold = Proofhold::limited(Limits { head: Duration::from_secs(1), ..roomy() });
    let mut raw = Raw::connect(&proofhold);
    let answer = raw.send("GET /healthz HTTP/1.1\r\nHos").rest();
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408 "), "{answer}");
}

#[test]
fn a_body_that_does_not_come_is_not_waited_for() {
    let proofhold = Proofhold::limited(Limits { body_grace: Duration::from_secs(1), ..roomy() });
    let mut raw = Raw::connect(&proofhold);
    let problem = raw.send(head("/v1/sessions", 1000)).send("{").problem(408);
    assert_eq!(
        (&problem["code"], &problem["retryable"]),
        (&json!("REQUEST_TIMEOUT"), &json!(true))
    );
    let mut raw = Raw::connect(&proofhold);
    raw.send(chunked("/v1/sessions")).send("1\r\n{\r\n").problem(408);
}

/// It is the pace that counts: a KiB a second is enough, whatever it takes in all.
#[test]
fn a_slow_but_steady_body_passes() {
    let proofhold = Proofhold::limited(Limits { body_grace: Duration::from_secs(2), ..roomy() });
    let body = format!("{:8192}", "{}");
    let mut raw = Raw::connect(&proofhold);
    raw.send(head("/v1/sessions", body.len()).replace("Host", "Connection: close\r\nHost"));
    for part in body.as_bytes().chunks(1024) {
        thread::sleep(Duration::from_millis(400));
        raw.send(part);
    }
    assert_eq!(raw.problem(400)["code"], "NOT_WELL_FORMED");
}

#[test]
fn a_steady_body_ends_some_time() {
    let body = Duration::from_secs(2);
    let proofhold = Proofhold::limited(Limits { body, ..roomy() });
    let mut raw = Raw::connect(&proofhold);
    raw.send(head("/v1/sessions", BODY_LIMIT));
    raw.send("x".repeat(20_000));
    assert_eq!(raw.problem(408)["code"], "REQUEST_TIMEOUT");
}

#[test]
fn a_body_is_not_read_beyond_its_limit() {
    let proofhold = Proofhold::limited(roomy());
    // Announced, none of it is waited for.
    let problem = Raw::connect(&proofhold).send(head("/v1/sessions", 2 << 30)).problem(413);
    assert_eq!(problem["code"], "PAYLOAD_TOO_LARGE");
    // Not announced, it ends where the limit is.
    let mut raw = Raw::connect(&proofhold);
    raw.send(chunked("/v1/sessions"));
    for _ in 0..=BODY_LIMIT / 4096 {
        raw.send(format!("1000\r\n{}\r\n", "x".repeat(4096)));
    }
    assert_eq!(raw.problem(413)["code"], "PAYLOAD_TOO_LARGE");
}

/// RFC 9112 section 6.3: what is ambiguous about its length is refused.
#[test]
fn a_body_has_one_length() {
    let proofhold = Proofhold::limited(roomy());
    for more in [
        "Content-Length: 2\r\nContent-Length: 3",
        "Content-Length: -1",
        "Content-Length: 2\r\nTransfer-Encoding: chunked",
    ] {
        let mut raw = Raw::connect(&proofhold);
        raw.send(format!("POST /v1/sessions HTTP/1.1\r\nHost: test\r\nConnection: close\r\nContent-Type: application/json\r\n{more}\r\n\r\n{{}}"));
        let answer = raw.rest();
        assert!(answer.starts_with("HTTP/1.1 400 "), "{more}: {answer}");
    }
}

/// More clients than workers send half a request each and then nothing; another is answered.
#[test]
fn a_slow_client_holds_no_worker() {
    let proofhold = Proofhold::limited(roomy());
    let mut slow: Vec<Raw> = (0..200).map(|_| Raw::connect(&proofhold)).collect();
    for (place, raw) in slow.iter_mut().enumerate() {
        match place % 2 {
            0 => raw.send("GET /readyz HTTP/1.1\r\nHos"),
            _ => raw.send(head("/v1/sessions", 100)).send("{"),
        };
    }
    for _ in 0..20 {
        crate::proofhold::send(proofhold.request("GET", "/readyz")).expect(200);
    }
    // And in the end the slow ones are served too.
    slow[0].send("t: test\r\nConnection: close\r\n\r\n");
    assert!(slow[0].rest().starts_with("HTTP/1.1 200 "));
}

/// Connections beyond the limit wait until others end; none is lost.
#[test]
fn connections_beyond_the_limit_wait() {
    let limits = Limits { head: Duration::from_secs(1), connections: 1, ..roomy() };
    let proofhold = Proofhold::limited(limits);
    let workers = thread::available_parallelism().unwrap().get();
    let idle: Vec<Raw> = (0..4 * workers).map(|_| Raw::connect(&proofhold)).collect();
    crate::proofhold::send(proofhold.request("GET", "/readyz")).expect(200);
    drop(idle);
}

/// A transaction elsewhere holds what every request needs: who waits too long, for the work or
/// for a connection, is told to come again, and nothing is left behind.
#[test]
fn an_answer_that_takes_too_long_is_given_up() {
    let proofhold = with_an_admin(Limits { answer: Duration::from_secs(3), ..roomy() });
    let token = proofhold.token("larkspur", "gus");
    let superuser = proofhold.database.superuser();
    wait(superuser.batch_execute("BEGIN; LOCK TABLE account IN ACCESS EXCLUSIVE MODE")).unwrap();
    let ask = || {
        let answer =
            crate::proofhold::send(proofhold.request("GET", "/v1/depots").bearer_auth(&token));
        assert_eq!(answer.headers["retry-after"], "2");
        answer.problem(503, "UNAVAILABLE");
    };
    // More than there are connections to the database.
    thread::scope(|scope| (0..24).for_each(|_| drop(scope.spawn(ask))));
    wait(superuser.batch_execute("ROLLBACK")).unwrap();
    crate::proofhold::send(proofhold.request("GET", "/v1/depots").bearer_auth(&token)).expect(200);
}

/// A session elsewhere holds the row of a casing: whoever has an entry for it is told to come
/// again, and nothing of it is written; sent again after that, it is recorded once. PostgreSQL
/// manual 13.3.2 (row locks) and 19.11.1 (`lock_timeout`, `statement_timeout`).
#[test]
fn an_entry_that_waits_too_long_for_a_row_is_given_up_whole() {
    let short = Duration::from_secs(2);
    let fleet = Fleet::given(json!({"casings": {"A": {"model": "merrow-295g", "brand": "LK-1",
        "state": "installed", "wheel": "W1", "vehicle": "T1", "position": "2LO"}}}));
    let hold = format!("BEGIN; SELECT FROM subject WHERE id = '{}' FOR UPDATE", id("A"));
    for patience in [
        Patience { lock: short, ..Patience::ENDLESS },
        Patience { statement: short, ..Patience::ENDLESS },
    ] {
        let impatient = Fleet { proofhold: fleet.proofhold.beside_with(patience) };
        let facts = json!({"grooves_32nds": [[14, 13]]});
        let entry = impatient.entry("tread_read", Subject::casing(id("A")), facts);
        let post = || impatient.post("ada", "/v1/entries", &entry);
        let superuser = fleet.proofhold.database.superuser();
        let before = fleet.rows();
        wait(superuser.batch_execute(&hold)).unwrap();
        let answer = post();
        let problem = answer.problem(503, "UNAVAILABLE");
        assert_eq!(
            (&answer.headers["retry-after"], &problem["retryable"]),
            (&"2".parse().unwrap(), &json!(true))
        );
        assert_eq!(fleet.rows(), before);
        wait(superuser.batch_execute("ROLLBACK")).unwrap();
        assert_eq!(fleet.rows(), before, "it is not written behind the caller's back");
        let recorded = post().expect(201);
        assert_eq!(post().expect(201), recorded);
        let rows = |rows: Vec<(String, i64)>| {
            rows.into_iter().find_map(|(table, rows)| (table == "entry").then_some(rows)).unwrap()
        };
        assert_eq!(rows(fleet.rows()), rows(before) + 1);
    }
    fleet.stands();
}

/// Stopped, the service takes nothing new and finishes what it has: a request whose body is
/// still coming, and one that waits for a lock in the database.
#[test]
fn stopping_finishes_what_was_accepted() {
    let proofhold = with_an_admin(roomy());
    let token = proofhold.token("larkspur", "gus");
    let depot = |name: &str| {
        json!({"id": Uuid::now_v7(), "body": {"name": name, "zone": "America/Chicago"}}).to_string()
    };
    let post = |body: &str| {
        let more = format!("Authorization: Bearer {token}\r\nHost");
        let mut raw = Raw::connect(&proofhold);
        raw.send(head("/v1/depots", body.len()).replacen("Host", &more, 1));
        raw
    };
    let (coming, waiting) = (depot("Elmford"), depot("Sandgate"));
    let superuser = proofhold.database.superuser();
    wait(superuser.batch_execute("BEGIN; LOCK TABLE entry IN EXCLUSIVE MODE")).unwrap();
    let mut second = post(&waiting);
    second.send(&waiting);
    let blocked = "SELECT count(*) FROM pg_locks WHERE NOT granted";
    while wait(superuser.query_one(blocked, &[])).unwrap().get::<_, i64>(0) == 0 {
        thread::sleep(Duration::from_millis(20));
    }
    let mut first = post(&coming);
    first.send(&coming[..20]);
    thread::sleep(Duration::from_millis(200));
    thread::scope(|scope| {
        scope.spawn(|| proofhold.stop());
        while let Ok(mut late) = TcpStream::connect(proofhold.address()) {
            // Taken by the system, but not by the service any more.
            late.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
            let _ = late.write_all(b"GET /healthz HTTP/1.1\r\nHost: test\r\n\r\n");
            if late.read(&mut [0; 12]).is_err() {
                break;
            }
        }
        first.send(&coming[20..]);
        wait(superuser.batch_execute("ROLLBACK")).unwrap();
        for raw in [&mut first, &mut second] {
            let answer = raw.rest();
            assert!(answer.starts_with("HTTP/1.1 201 "), "{answer}");
        }
    });
    let rows = wait(superuser.query("SELECT FROM entry", &[])).unwrap();
    assert_eq!(rows.len(), 2);
}
