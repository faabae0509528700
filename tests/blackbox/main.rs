//! The service over HTTP, with a real PostgreSQL of its own and a database a test,
//! made from a template.

use api::clock::Clock;
use api::keys::Keys;
use api::state::State;
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;
use store::Store;
use store::account::{self, NewAccount};
use store::embedded::{Embedded, Options, SUPERUSER};
use uuid::Uuid;

const PASSWORD: &str = "an invented long password";

/// The served document is the one in the repository.
/// Write it anew with `cargo run --package api -- document > openapi/v1.json`.
#[test]
fn the_document_is_the_published_one() {
    let published = include_str!("../../openapi/v1.json");
    assert!(api::docs::document_text() == published, "openapi/v1.json is not what the code says");
}

/// A private server in a folder that its unprivileged user can reach.
async fn private_server(folder: &Path) -> Embedded {
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o755)).unwrap();
    let mut options = Options::new(folder.join("data"));
    options.state = folder.join("state");
    options.settings.push(("fsync".to_owned(), "off".to_owned()));
    Embedded::start(&options).await.unwrap()
}

async fn superuser(server: &Embedded, database: &str) -> tokio_postgres::Client {
    let url = server.url(SUPERUSER, database);
    let (client, connection) = tokio_postgres::connect(&url, tokio_postgres::NoTls).await.unwrap();
    actix_web::rt::spawn(connection);
    client
}

fn admin_account(person: Uuid) -> NewAccount {
    NewAccount {
        person_id: person,
        login: "gus".to_owned(),
        password_hash: Some(api::passwords::hash(PASSWORD).unwrap()),
        role: rules::Role::Admin,
        disabled: false,
    }
}

/// A running service on a database of its own.
struct Service {
    base: String,
    client: Client,
    database: String,
    store: Store,
}

impl Service {
    async fn start(server: &Embedded, folder: &Path, database: &str) -> Service {
        let admin = superuser(server, "postgres").await;
        admin.batch_execute(&format!("CREATE DATABASE {database} TEMPLATE ledger")).await.unwrap();
        let store = Store::connect(&server.url(SUPERUSER, database)).await.unwrap();
        let keys = Keys::open(folder.join(format!("keys-{database}"))).unwrap();
        let state =
            actix_web::web::Data::new(State::new(store.clone(), keys, Clock::system()).unwrap());
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        actix_web::rt::spawn(api::server::start(state, listener, false).unwrap());
        Service { base, client: Client::new(), database: database.to_owned(), store }
    }

    async fn organisation(&self, slug: &str) -> (Uuid, Uuid) {
        let (org, person) = (Uuid::now_v7(), Uuid::now_v7());
        let admin = admin_account(person);
        let create = async |conn: &mut _| {
            assert!(account::add_organisation(conn, org, slug).await?);
            account::put(conn, org, &admin, chrono::Utc::now()).await
        };
        self.store.in_org(org, create).await.unwrap();
        (org, person)
    }

    async fn post(&self, path: &str, body: Value) -> (StatusCode, Value) {
        let answer =
            self.client.post(format!("{}{path}", self.base)).json(&body).send().await.unwrap();
        (answer.status(), answer.json().await.unwrap())
    }

    async fn sign_in(&self, slug: &str, password: &str, device: Uuid) -> (StatusCode, Value) {
        let body = json!({"organisation": slug, "login": "gus", "password": password,
            "device": {"id": device, "kind": "other"}});
        self.post("/v1/sessions", body).await
    }
}

async fn signing_in(service: &Service) {
    service.organisation("larkspur").await;
    let device = Uuid::now_v7();
    let (status, problem) = service.sign_in("larkspur", "not the password", device).await;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
    let (_, unknown) = service.sign_in("nobody", PASSWORD, device).await;
    assert_eq!(problem["code"], unknown["code"], "an unknown organisation is answered the same");

    let (status, session) = service.sign_in("larkspur", PASSWORD, device).await;
    assert!(status.is_success(), "{session}");
    let refresh = json!({"refresh_token": session["refresh_token"], "device_id": device});
    let (status, second) = service.post("/v1/sessions/refresh", refresh.clone()).await;
    assert!(status.is_success(), "{second}");
    // RFC 9700 §4.14.2 rotation; within a minute a lost answer gives the same successor.
    let (status, again) = service.post("/v1/sessions/refresh", refresh.clone()).await;
    assert!(status.is_success(), "{again}");
    assert_eq!(again["refresh_token"], second["refresh_token"]);
    // Once the successor was used, the old token ends the whole family.
    let next = json!({"refresh_token": second["refresh_token"], "device_id": device});
    let (status, third) = service.post("/v1/sessions/refresh", next).await;
    assert!(status.is_success(), "{third}");
    let (status, _) = service.post("/v1/sessions/refresh", refresh).await;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
    let last = json!({"refresh_token": third["refresh_token"], "device_id": device});
    let (status, _) = service.post("/v1/sessions/refresh", last).await;
    assert_eq!(status, StatusCode::UNAUTHORIZED);
}

/// Every route that is not public answers 401 without a token and with a bad one.
async fn routes_without_a_token(service: &Service) {
    let mut guarded = 0;
    for route in api::routes::ROUTES.iter().filter(|route| route.roles.is_some()) {
        let path = route.path.replace("{id}", &Uuid::now_v7().to_string());
        for token in [None, Some("not.a.token")] {
            let method = route.method.parse().unwrap();
            let mut request = service.client.request(method, format!("{}{path}", service.base));
            if let Some(token) = token {
                request = request.bearer_auth(token);
            }
            let answer = request.send().await.unwrap();
            assert_eq!(answer.status(), StatusCode::UNAUTHORIZED, "{path}");
            assert_eq!(answer.headers()["content-type"], "application/problem+json", "{path}");
            guarded += 1;
        }
    }
    assert!(guarded > 0);
}

/// One organisation never sees another's accounts, nor does a connection without any.
async fn tenants(service: &Service) {
    let (one, _) = service.organisation("larkspur").await;
    let (other, admin) = service.organisation("quillfeather").await;
    let find = async |conn: &mut _| account::find(conn, one, admin).await;
    assert!(service.store.in_org(one, find).await.unwrap().is_none());
    // Binding the other organisation's id does not help: the policy still holds.
    let find = async |conn: &mut _| account::find(conn, other, admin).await;
    assert!(service.store.in_org(one, find).await.unwrap().is_none());
    assert!(service.store.in_org(other, find).await.unwrap().is_some());
}

/// Work that is cut off leaves no lock: another can change the same rows at once.
/// The ledger's own promise, no outside source.
async fn cut_off(server: &Embedded, service: &Service) {
    let (org, person) = service.organisation("larkspur").await;
    let hang = async |conn: &mut _| {
        account::put(conn, org, &admin_account(person), chrono::Utc::now()).await?;
        std::future::pending().await
    };
    let cut =
        tokio::time::timeout(Duration::from_millis(300), service.store.in_org::<(), _>(org, hang));
    assert!(cut.await.is_err());
    let watch = superuser(server, &service.database).await;
    let open = "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() \
                AND state LIKE 'idle in transaction%'";
    for _ in 0..40 {
        let left: i64 = watch.query_one(open, &[]).await.unwrap().get(0);
        if left == 0 {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("a transaction that was cut off is still open after two seconds");
}

/// Every table with an organisation has row-level security, is not the service's
/// own, and its key begins with the organisation.
async fn catalogue(server: &Embedded, service: &Service) {
    let client = superuser(server, &service.database).await;
    let rows = client
        .query(
            "SELECT c.relname::text, c.relrowsecurity, pg_get_userbyid(c.relowner)::text, \
                    (SELECT pg_get_constraintdef(k.oid) FROM pg_constraint k \
                      WHERE k.conrelid = c.oid AND k.contype = 'p') \
               FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid \
              WHERE a.attname = 'org_id' AND c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace",
            &[],
        )
        .await
        .unwrap();
    assert!(rows.len() >= 3);
    for row in rows {
        let (table, secured, owner, key): (String, bool, String, String) =
            (row.get(0), row.get(1), row.get(2), row.get(3));
        assert!(secured, "{table}");
        assert_eq!(owner, "proofhold_owner", "{table}");
        assert!(key.starts_with("PRIMARY KEY (org_id"), "{table}: {key}");
    }
}

#[actix_web::test]
async fn the_service_over_http() {
    let folder = tempfile::tempdir().unwrap();
    let server = private_server(folder.path()).await;
    let admin = superuser(&server, "postgres").await;
    admin.batch_execute("CREATE DATABASE ledger").await.unwrap();
    store::migrate::up(&server.url(SUPERUSER, "ledger")).await.unwrap();
    signing_in(&Service::start(&server, folder.path(), "signing_in").await).await;
    routes_without_a_token(&Service::start(&server, folder.path(), "routes").await).await;
    tenants(&Service::start(&server, folder.path(), "tenants").await).await;
    cut_off(&server, &Service::start(&server, folder.path(), "cut_off").await).await;
    catalogue(&server, &Service::start(&server, folder.path(), "catalogue").await).await;
    server.stop().await.unwrap();
}
