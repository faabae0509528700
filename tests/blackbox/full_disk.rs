//! A disk that fills up while entries are sent.
//!
//! Sources: PostgreSQL manual 29.2 (disk full failure), RFC 9110 sections 10.2.3 and 15.6.4 (503 with
//! `Retry-After`). That what is sent again is recorded once is the ledger's own promise.

#[path = "../../store/src/embedded/tests/disk.rs"]
#[allow(dead_code)] // The store's own tests change its size too.
mod disk;

use crate::postgres::{connect, wait};
use crate::proofhold::{Answer, send, serve};
use actix_web::dev::ServerHandle;
use api::clock::Clock;
use api::demo::{self, Drawn};
use api::keys::Keys;
use api::limits::Limits;
use api::state::State;
use chrono::{DateTime, Utc};
use disk::Disk;
use reqwest::blocking::Client;
use rules::SubjectKind;
use serde_json::{Value, json};
use std::fs::{self, Permissions};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};
use store::check::check;
use store::embedded::{Embedded, Options, SUPERUSER};
use store::{Patience, Store, migrate};
use tokio::sync::oneshot;
use uuid::Uuid;

/// Room for the demo fleet, in megabytes.
const ROOM: u32 = 300;

/// How many callers are turned away before there is room again.
const TURNED_AWAY: usize = 20;

/// More than there is room for in what PostgreSQL's files have left.
const TOO_MANY: usize = 5000;

/// A server that ended for want of room is started again within seconds.
const GENEROUS: Duration = Duration::from_secs(120);

#[test]
fn what_a_full_disk_turned_away_is_recorded_once_when_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    // As root the server runs as another user, who must reach it.
    fs::set_permissions(folder.path(), Permissions::from_mode(0o755)).unwrap();
    // Only root may mount a disk; to anybody else this says why nothing is tested.
    let Some(disk) = Disk::on(&folder.path().join("data"), ROOM) else { return };
    let demo = Served::on(folder.path());
    let superuser = wait(connect(&demo.url));
    let before = demo.entries();
    let mut sent: Vec<Sent> = Vec::new();

    // The tables cannot grow any more.
    disk.fill();
    while sent.iter().filter(|one| one.answer.is_none()).count() < TURNED_AWAY {
        assert!(sent.len() < TOO_MANY, "the disk is full and nobody is turned away");
        sent.push(demo.new_entry());
        sent.last_mut().unwrap().is_sent(&demo);
    }
    // Nor can the log of changes: PostgreSQL ends its work, and often itself.
    let next_segment = "SELECT pg_switch_wal(); SELECT pg_logical_emit_message(true, '', 'more')";
    while wait(superuser.batch_execute(next_segment)).is_ok() {}
    for one in &mut sent {
        one.is_sent(&demo);
    }

    disk.clear();
    let since = Instant::now();
    for one in &mut sent {
        while !one.is_sent(&demo) {
            assert!(since.elapsed() < GENEROUS, "there is room, and still it is turned away");
            thread::sleep(Duration::from_millis(100));
        }
        assert!(one.is_sent(&demo), "it has the answer that it had");
    }
    assert_eq!(demo.entries(), before + sent.len() as u64);
}

/// An entry, and what was answered when it was recorded.
struct Sent {
    entry: Value,
    answer: Option<String>,
}

impl Sent {
    /// Sends it, for the first time or again. It is recorded, or the caller is told to come again.
    fn is_sent(&mut self, demo: &Served) -> bool {
        let answer = demo.post("/v1/entries", &self.entry);
        if answer.status.as_u16() == 503 {
            assert_eq!(answer.problem(503, "UNAVAILABLE")["retryable"], json!(true));
            assert_eq!(answer.headers["retry-after"], "2");
            return false;
        }
        answer.expect(201);
        assert_eq!(*self.answer.get_or_insert_with(|| answer.text.clone()), answer.text);
        true
    }
}

/// The demo on a private PostgreSQL that is looked after, as `proofhold demo` serves it.
struct Served {
    url: String,
    base: String,
    token: String,
    client: Client,
    now: DateTime<Utc>,
    handle: ServerHandle,
    stop: Option<oneshot::Sender<()>>,
    kept_running: Option<JoinHandle<()>>,
}

impl Served {
    /// With the database in `data` of this folder, and everything else beside it.
    fn on(folder: &Path) -> Served {
        let mut options = Options::new(folder.join("data"));
        options.state = folder.join("state");
        let mut embedded = wait(Embedded::start(&options)).unwrap();
        let url = embedded.url(SUPERUSER, "postgres");
        let (stop, stopped) = oneshot::channel();
        let kept_running = thread::spawn(move || {
            wait(async {
                tokio::select! {
                    never = embedded.keep_running() => never,
                    _ = stopped => {}
                }
                embedded.stop().await.unwrap();
            });
        });
        wait(migrate::up(&url)).unwrap();

        let now: DateTime<Utc> = "2026-03-12T15:00:00Z".parse().unwrap();
        let (store, keys) = (Store::connect(&url), folder.join("keys"));
        let clock = Clock::of(move || now);
        let state = State::new(store.clone(), Keys::open(keys.clone()).unwrap(), clock).unwrap();
        let loaded = wait(demo::open(&state, folder, Drawn::NOTHING))
            .map_err(|error| error.to_string())
            .unwrap();

        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let handle = serve(listener, store, keys, Arc::new(Mutex::new(now)), Limits::default());
        let (stop, kept_running, client) = (Some(stop), Some(kept_running), Client::new());
        let token = String::new();
        let mut served = Served { url, base, token, client, now, handle, stop, kept_running };
        let who = json!({"organisation": demo::SLUG, "login": "ada", "password": loaded.password,
            "device": {"id": Uuid::now_v7(), "kind": "other"}});
        let session = served.post("/v1/sessions", &who).expect(201);
        served.token = session["access_token"].as_str().unwrap().to_owned();
        served
    }

    fn post(&self, path: &str, body: &Value) -> Answer {
        let request = self.client.post(format!("{}{path}", self.base));
        send(request.bearer_auth(&self.token).json(body))
    }

    /// The cage is found in order.
    fn new_entry(&self) -> Sent {
        let cage = demo::id(SubjectKind::Cage, "Elmford cage 1");
        let entry = json!({"id": Uuid::now_v7(), "kind": "cage_checked",
            "subject": {"kind": "cage", "id": cage}, "occurred_at": self.now.to_rfc3339(),
            "facts": {"defects": [], "label": "readable"}});
        Sent { entry, answer: None }
    }

    /// How many entries there are; all of them are right, and none is there twice or is missing.
    fn entries(&self) -> u64 {
        let (store, org) =
            (Store::with_patience(&self.url, Patience::ENDLESS), demo::organisation());
        let report = wait(store.in_org(org, async |conn: &mut _| check(conn, org).await)).unwrap();
        assert_eq!(report.wrong, None);
        report.entries
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        wait(self.handle.stop(false));
        drop(self.stop.take());
        if let Some(kept_running) = self.kept_running.take() {
            assert!(kept_running.join().is_ok() || thread::panicking());
        }
    }
}
