//! One private PostgreSQL for this test program, and a database a test.

use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{LazyLock, OnceLock};
use std::thread;
use std::time::{Duration, Instant};
use store::embedded::{Embedded, Options, SUPERUSER};
use tokio::runtime::Runtime;
use tokio_postgres::{Client, NoTls};
use uuid::Uuid;

/// Waits until its input closes, which is when this program has ended in whatever
/// way; then stops the server ($1) and removes its folder ($2).
const AFTERWARDS: &str = r#"
    cat >/dev/null
    kill -INT "$1"
    for _ in $(seq 300); do
        kill -0 "$1" 2>/dev/null && [ -e "$2/data/postgres/cluster/postmaster.pid" ] || break
        sleep 0.1
    done
    rm -rf "$2"
"#;

/// Ends every session of a database but the one that says so.
const END_OTHERS: &str = "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity \
                          WHERE datname = current_database() AND pid <> pg_backend_pid()";

/// What is waited for that long never comes.
const GENEROUS: Duration = Duration::from_secs(60);

/// Runs what the tests themselves ask of a database.
static RUNTIME: LazyLock<Runtime> = LazyLock::new(|| Runtime::new().unwrap());

/// Waits for something asked of a database.
pub fn wait<T>(work: impl Future<Output = T>) -> T {
    RUNTIME.block_on(work)
}

/// Sessions of a database that wait for a lock.
pub const WAITING: &str = "SELECT count(*) FROM pg_stat_activity \
                           WHERE datname = current_database() AND wait_event_type = 'Lock'";

/// The server that all tests use.
pub struct Server {
    embedded: Embedded,
    folder: PathBuf,
    _afterwards: Child,
}

impl Server {
    /// The server, started by the test that first needs it.
    pub fn get() -> &'static Server {
        static SERVER: OnceLock<Server> = OnceLock::new();
        SERVER.get_or_init(|| wait(Server::start()))
    }

    async fn start() -> Server {
        let folder = tempfile::tempdir().unwrap().keep().canonicalize().unwrap();
        // As root the server runs as another user, who must reach it.
        fs::set_permissions(&folder, Permissions::from_mode(0o755)).unwrap();
        let mut options = Options::new(folder.join("data"));
        options.state = folder.join("state");
        options.settings.push(("fsync".to_owned(), "off".to_owned()));
        options.settings.push(("max_connections".to_owned(), "400".to_owned()));
        // Every line of the log begins with the name of its database.
        options.settings.push(("log_line_prefix".to_owned(), "%d ".to_owned()));
        let embedded = Embedded::start(&options).await.unwrap();
        let afterwards = afterwards(&embedded, &folder);
        let server = Server { embedded, folder, _afterwards: afterwards };
        let postgres = server.connect("postgres").await;
        postgres.batch_execute("CREATE DATABASE ledger").await.unwrap();
        store::migrate::up(&server.url("ledger")).await.unwrap();
        server
    }

    /// The superuser's address of a database.
    pub fn url(&self, database: &str) -> String {
        self.embedded.url(SUPERUSER, database)
    }

    /// What the server wrote into its log so far.
    fn log(&self) -> String {
        fs::read_to_string(self.embedded.folder().join("server.log")).unwrap()
    }

    /// A folder that goes with the server.
    pub fn folder(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    async fn connect(&self, database: &str) -> Client {
        connect(&self.url(database)).await
    }
}

/// A connection to this address.
pub async fn connect(url: &str) -> Client {
    let (client, connection) = tokio_postgres::connect(url, NoTls).await.unwrap();
    RUNTIME.spawn(connection);
    client
}

/// Waits until this query counts so many.
pub async fn until(client: &Client, query: &str, count: i64) {
    let started = Instant::now();
    loop {
        let counted: i64 = client.query_one(query, &[]).await.unwrap().get(0);
        if counted == count {
            return;
        }
        assert!(started.elapsed() < GENEROUS, "{counted} instead of {count}: {query}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

fn afterwards(server: &Embedded, folder: &Path) -> Child {
    let pid = fs::read_to_string(server.folder().join("cluster/postmaster.pid")).unwrap();
    Command::new("sh")
        .args(["-c", AFTERWARDS, "afterwards", pid.lines().next().unwrap()])
        .arg(folder)
        // Ctrl-C at a terminal must not end it too.
        .process_group(0)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// A migrated database of one test.
pub struct Database {
    pub name: String,
}

impl Database {
    /// An empty ledger.
    pub fn new() -> Database {
        Database::copy_of("ledger")
    }

    /// A copy of a database that nobody is connected to.
    pub fn copy_of(template: &str) -> Database {
        let server = Server::get();
        let name = format!("test_{}", Uuid::now_v7().simple());
        wait(async {
            let postgres = server.connect("postgres").await;
            let create = format!("CREATE DATABASE {name} TEMPLATE {template}");
            postgres.batch_execute(&create).await.unwrap();
        });
        Database { name }
    }

    pub fn url(&self) -> String {
        Server::get().url(&self.name)
    }

    /// Waits until nobody is connected, so that it can be copied.
    pub async fn left_alone(&self) {
        let postgres = Server::get().connect("postgres").await;
        let connected =
            format!("SELECT count(*) FROM pg_stat_activity WHERE datname = '{}'", self.name);
        until(&postgres, &connected, 0).await;
    }

    /// Lets the server log every statement from now on; connections that are open end.
    pub fn log_statements(&self) {
        let log = format!("ALTER DATABASE {} SET log_statement = 'all'", self.name);
        wait(self.superuser().batch_execute(&format!("{log}; {END_OTHERS}"))).unwrap();
    }

    /// How many deadlocks there were. A session counts them in when it ends at the latest
    /// (PostgreSQL manual 28.2.2), so connections that are open end.
    pub fn deadlocks(&self) -> i64 {
        let superuser = self.superuser();
        wait(superuser.batch_execute(END_OTHERS)).unwrap();
        let query = "SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()";
        wait(superuser.query_one(query, &[])).unwrap().get(0)
    }

    /// The statements that the server logged so far, in their order.
    pub fn statements(&self) -> Vec<String> {
        let simple = format!("{} LOG:  statement: ", self.name);
        let prepared = format!("{} LOG:  execute ", self.name);
        let log = Server::get().log();
        let statement = |line: &str| {
            let name_and_text = line.strip_prefix(&prepared).and_then(|it| it.split_once(": "));
            line.strip_prefix(&simple).or(name_and_text.map(|(_, text)| text)).map(str::to_owned)
        };
        log.lines().filter_map(statement).collect()
    }

    /// Does this while the locks of a statement are held; they are let go, and what it wrote is
    /// undone, when so many sessions wait for a lock.
    pub fn while_held<T>(&self, statement: &str, waiting: i64, work: impl FnOnce() -> T) -> T {
        let (holder, watcher) = (self.superuser(), self.superuser());
        wait(holder.batch_execute(&format!("BEGIN; {statement}"))).unwrap();
        let let_go = async || {
            until(&watcher, WAITING, waiting).await;
            holder.batch_execute("ROLLBACK").await.unwrap();
        };
        thread::scope(|scope| {
            let letting_go = scope.spawn(|| wait(let_go()));
            let done = work();
            letting_go.join().unwrap();
            done
        })
    }

    /// A connection of the superuser.
    pub fn superuser(&self) -> Client {
        wait(Server::get().connect(&self.name))
    }

    /// A connection of somebody who is a member of this role and nothing else, in that role as
    /// the service is.
    pub fn member_of(&self, role: &str) -> Client {
        let server = Server::get();
        let login = format!("login_{}", Uuid::now_v7().simple());
        let password = server.embedded.password();
        let create = format!("CREATE ROLE {login} LOGIN PASSWORD '{password}' IN ROLE {role}");
        wait(async {
            server.connect(&self.name).await.batch_execute(&create).await.unwrap();
            let client = connect(&server.embedded.url(&login, &self.name)).await;
            client.batch_execute(&format!("SET ROLE {role}")).await.unwrap();
            client
        })
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        let drop = format!("DROP DATABASE {} WITH (FORCE)", self.name);
        let dropped =
            wait(async { Server::get().connect("postgres").await.batch_execute(&drop).await });
        if let Err(error) = dropped {
            eprintln!("{drop}: {error}");
        }
    }
}
