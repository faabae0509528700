//! A running Proofhold on a database of its own, and what a client does with it.

use crate::postgres::{Database, Server, wait};
use actix_web::dev::ServerHandle;
use api::clock::Clock;
use api::keys::Keys;
use api::limits::Limits;
use chrono::{DateTime, TimeDelta, Utc};
use reqwest::blocking::{Client, RequestBuilder, Response};
use reqwest::header::HeaderMap;
use reqwest::redirect::Policy;
use reqwest::{Method, StatusCode};
use rules::Role;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::{Arc, LazyLock, Mutex, mpsc};
use std::thread;
use store::account::{self, NewAccount};
use store::{Patience, Store};
use uuid::Uuid;

/// Everybody's password.
pub const PASSWORD: &str = "an invented long password";

/// Hashing is slow by design, so it is done once.
static PASSWORD_HASH: LazyLock<String> = LazyLock::new(|| api::passwords::hash(PASSWORD).unwrap());

/// A clock that a test sets; it stands still.
pub type Hands = Arc<Mutex<DateTime<Utc>>>;

pub struct Proofhold {
    pub base: String,
    pub client: Client,
    /// The tests' own way to the database, beside the service's.
    pub store: Store,
    hands: Hands,
    handle: ServerHandle,
    sessions: Mutex<HashMap<(String, String), Session>>,
    // Dropped last, when every service on it has stopped.
    pub database: Arc<Database>,
}

/// The tokens of a signed-in person.
struct Session {
    access: String,
    refresh: String,
    device: Uuid,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    refreshed_until: DateTime<Utc>,
}

/// An answer with its body read.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
}

impl Answer {
    fn of(response: Response) -> Answer {
        let (status, headers) = (response.status(), response.headers().clone());
        Answer { status, headers, text: response.text().unwrap() }
    }

    /// The body as JSON; null where there is none.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_default()
    }

    /// The body, where the answer has this status.
    #[track_caller]
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        self.json()
    }

    /// The problem (RFC 9457), where the answer is one with this status and code.
    #[track_caller]
    pub fn problem(&self, status: u16, code: &str) -> Value {
        let problem = self.expect(status);
        assert_eq!(self.headers["content-type"], "application/problem+json", "{}", self.text);
        assert_eq!((&problem["code"], &problem["status"]), (&json!(code), &json!(status)));
        problem
    }
}

impl Proofhold {
    /// Starts it with its clock at noon UTC on 2 March 2026.
    pub fn start() -> Proofhold {
        Proofhold::limited(Limits::default())
    }

    /// The same with these limits.
    pub fn limited(limits: Limits) -> Proofhold {
        let now: DateTime<Utc> = "2026-03-02T12:00:00Z".parse().unwrap();
        let hands = Arc::new(Mutex::new(now));
        Proofhold::on(Arc::new(Database::new()), hands, limits, Patience::SERVICE)
    }

    /// A second service on the same database, with the same clock and keys: nothing else ties
    /// the two together, as if each ran in a process of its own.
    pub fn beside(&self) -> Proofhold {
        self.beside_with(Patience::SERVICE)
    }

    /// The same, of this patience with the database.
    pub fn beside_with(&self, patience: Patience) -> Proofhold {
        Proofhold::on(self.database.clone(), self.hands.clone(), Limits::default(), patience)
    }

    fn on(database: Arc<Database>, hands: Hands, limits: Limits, patience: Patience) -> Proofhold {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let store = Store::with_patience(&database.url(), patience);
        let keys = Server::get().folder(&format!("keys-{}", database.name));
        Proofhold {
            base,
            // Where an answer leads is looked at, not followed.
            client: Client::builder().redirect(Policy::none()).build().unwrap(),
            store: Store::connect(&database.url()),
            handle: serve(listener, store, keys, hands.clone(), limits),
            hands,
            sessions: Mutex::default(),
            database,
        }
    }

    /// What its clock says.
    pub fn now(&self) -> DateTime<Utc> {
        *self.hands.lock().unwrap()
    }

    /// Sets its clock.
    pub fn set_clock(&self, now: DateTime<Utc>) {
        *self.hands.lock().unwrap() = now;
    }

    /// Makes an organisation; its slug is its name.
    pub fn organisation(&self, slug: &str) -> Uuid {
        let org = Uuid::now_v7();
        self.organisation_with_id(slug, org);
        org
    }

    pub fn organisation_with_id(&self, slug: &str, org: Uuid) {
        let add = async |conn: &mut _| account::add_organisation(conn, org, (slug, slug)).await;
        assert!(wait(self.store.in_org(org, add)).unwrap());
    }

    /// Gives a person an account.
    pub fn account(&self, org: Uuid, person: Uuid, login: &str, role: Role) {
        let account = new_account(person, login, role);
        let now = self.now();
        let put = async |conn: &mut _| account::put(conn, org, &account, now).await;
        wait(self.store.in_org(org, put)).unwrap();
    }

    pub fn sign_in(&self, slug: &str, login: &str, password: &str, device: Uuid) -> Answer {
        let body = json!({"organisation": slug, "login": login, "password": password,
            "device": {"id": device, "kind": "crew_device"}});
        self.post("/v1/sessions", &body)
    }

    /// A valid access token of this person, who signs in or goes on with a session
    /// where there is none.
    pub fn token(&self, slug: &str, login: &str) -> String {
        let now = self.now();
        let mut sessions = self.sessions.lock().unwrap();
        let who = (slug.to_owned(), login.to_owned());
        let known = sessions.get(&who).filter(|session| session.from <= now);
        if let Some(session) = known.filter(|session| now < session.until) {
            return session.access.clone();
        }
        let session = match known.filter(|session| now < session.refreshed_until) {
            Some(known) => {
                let body = json!({"refresh_token": known.refresh, "device_id": known.device});
                let tokens = self.post("/v1/sessions/refresh", &body).expect(200);
                Session::of(&tokens, known.device, now)
            }
            None => {
                let device = Uuid::now_v7();
                let tokens = self.sign_in(slug, login, PASSWORD, device).expect(201);
                Session::of(&tokens, device, now)
            }
        };
        let access = session.access.clone();
        sessions.insert(who, session);
        access
    }

    /// A request to this path.
    pub fn request(&self, method: &str, path: &str) -> RequestBuilder {
        let method: Method = method.parse().unwrap();
        self.client.request(method, format!("{}{path}", self.base))
    }

    /// Posts without a token.
    pub fn post(&self, path: &str, body: &Value) -> Answer {
        send(self.request("POST", path).json(body))
    }
}

/// Sends a request and reads the answer.
pub fn send(request: RequestBuilder) -> Answer {
    Answer::of(request.send().unwrap())
}

/// An account with everybody's password.
pub fn new_account(person: Uuid, login: &str, role: Role) -> NewAccount {
    NewAccount {
        person_id: person,
        login: login.to_owned(),
        password_hash: Some(PASSWORD_HASH.clone()),
        role,
        disabled: false,
    }
}

impl Session {
    fn of(tokens: &Value, device: Uuid, from: DateTime<Utc>) -> Session {
        let text = |field: &str| tokens[field].as_str().unwrap().to_owned();
        Session {
            access: text("access_token"),
            refresh: text("refresh_token"),
            device,
            from,
            until: from + TimeDelta::seconds(tokens["expires_in_s"].as_i64().unwrap()),
            refreshed_until: text("refresh_expires_at").parse().unwrap(),
        }
    }
}

/// Runs the service on threads of its own until it is stopped.
pub fn serve(
    listener: TcpListener,
    store: Store,
    keys: PathBuf,
    hands: Hands,
    limits: Limits,
) -> ServerHandle {
    let (started, handle) = mpsc::channel();
    thread::spawn(move || {
        actix_web::rt::System::new().block_on(async move {
            let clock = Clock::of(move || *hands.lock().unwrap());
            let state = api::state::State::new(store, Keys::open(keys).unwrap(), clock).unwrap();
            let state = actix_web::web::Data::new(api::state::State { limits, ..state });
            let server = api::server::start(state, listener, false).unwrap();
            started.send(server.handle()).unwrap();
            server.await.unwrap();
        });
    });
    handle.recv().unwrap()
}

impl Proofhold {
    /// Stops it as a signal does: what was accepted is finished.
    pub fn stop(&self) {
        wait(self.handle.stop(true));
    }

    /// Where it listens.
    pub fn address(&self) -> &str {
        self.base.trim_start_matches("http://")
    }
}

impl Drop for Proofhold {
    fn drop(&mut self) {
        wait(self.handle.stop(false));
    }
}
