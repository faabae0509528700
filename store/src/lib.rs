//! The only place that knows SQL.

pub mod account;
mod asked;
pub mod check;
pub mod embedded;
pub mod gather;
mod insert;
mod json;
pub mod load;
pub mod migrate;
pub mod past;
mod prepared;
pub mod read;
pub mod rebuild;
pub mod record;
pub mod refusals;
mod spots;

use asked::Asking;
use diesel::result::{
    ConnectionError, ConnectionResult, DatabaseErrorInformation, DatabaseErrorKind,
    Error as DieselError,
};
use diesel_async::pooled_connection::deadpool::{Object, Pool};
use diesel_async::pooled_connection::{
    AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod,
};
use diesel_async::{AsyncConnection, AsyncPgConnection, SimpleAsyncConnection};
use std::sync::Arc;
use std::time::Duration;
use uuid::Uuid;

/// What the work of a transaction is handed.
pub use diesel_async::AsyncPgConnection as Connection;

/// Connections for transactions that a store holds at most; who needs one waits this long.
const CONNECTIONS: usize = 4;
const WAIT: Duration = Duration::from_secs(2);

/// How long the server bears with a connection; zero is for ever. Then it ends what is under way, and the
/// answer is [`StoreError::Unavailable`]. PostgreSQL's settings of these names.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// `statement_timeout`: for one statement.
    pub statement: Duration,
    /// `lock_timeout`: for a lock that another transaction holds.
    pub lock: Duration,
    /// `idle_in_transaction_session_timeout`: for the next statement of a transaction, as of a process that
    /// is stopped or out of reach and still holds its locks.
    pub idle: Duration,
}

impl Patience {
    /// For requests that somebody waits for. Idle is longer than any transaction may take ([`gather`]).
    pub const SERVICE: Patience = Patience {
        statement: Duration::from_secs(10),
        lock: Duration::from_secs(5),
        idle: Duration::from_secs(15),
    };
    /// For work that takes as long as the ledger is: checking it, making its rows again.
    pub const ENDLESS: Patience =
        Patience { statement: Duration::ZERO, lock: Duration::ZERO, idle: Duration::ZERO };

    /// What a connection begins with. What is prepared is planned once: the plans do not depend on the values.
    /// Messages are asked for in English, where the role may, for [`passing`].
    fn setup(self) -> String {
        format!(
            "SET plan_cache_mode = force_generic_plan; \
             SET statement_timeout = {}; \
             SET lock_timeout = {}; \
             SET idle_in_transaction_session_timeout = {}; \
             SELECT set_config('lc_messages', 'C', false) WHERE has_parameter_privilege('lc_messages', 'SET')",
            self.statement.as_millis(),
            self.lock.as_millis(),
            self.idle.as_millis()
        )
    }
}

/// Whether a text can be on record: PostgreSQL takes no NUL in a text, not even to look for it.
fn storable(text: &str) -> bool {
    !text.contains('\0')
}

/// Why the database gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database cannot be reached or cannot work now; trying again later may help.
    #[error("the database cannot be used now: {0}")]
    Unavailable(String),
    /// More waits to be recorded than there is room for; trying again later may help.
    #[error("too much waits to be recorded")]
    Busy,
    /// A statement failed.
    #[error("a statement failed: {0}")]
    Database(DieselError),
    /// What is stored cannot be read; the check of the ledger names it.
    #[error("what is stored is broken: {0}")]
    Broken(String),
    /// Another transaction came between; the same work succeeds when it is done again.
    #[error("overtaken by another transaction")]
    Overtaken,
}

/// How often work that was overtaken is done before it counts as a fault. From the second time on it has
/// the organisation for itself ([`begin`]), so that nothing more is to be expected.
const ATTEMPTS: usize = 4;

/// The constraints that break where two transactions write the same at the same time. Done
/// again, the later one sees what the earlier one wrote, and the rules speak.
const RACED: [&str; 6] = [
    "subject_key",
    "entry_key",
    "entry_place",
    "mark_key",
    "casing_on_wheel",
    "casing_at_position",
];

/// What PostgreSQL and its client say where the same may succeed later: a limit of [`Patience`], a server that
/// stops, starts, recovers or is full, a connection that is gone. Diesel does not pass the SQLSTATE on.
/// Source: the messages of classes 40P01, 53, 55P03 and 57 of PostgreSQL's appendix A, in its source.
const PASSING: [&str; 14] = [
    "canceling statement due to",
    "terminating connection",
    "the database system is",
    "No space left on device",
    "Disk quota exceeded",
    "Check free disk space",
    "out of memory",
    "out of shared memory",
    "too many clients",
    "connection slots are reserved",
    "deadlock detected",
    "connection closed",
    "error communicating with the server",
    "error connecting to server",
];

fn passing(kind: &DatabaseErrorKind, said: &dyn DatabaseErrorInformation) -> bool {
    let says = |text: &str| PASSING.iter().any(|passing| text.contains(passing));
    match kind {
        DatabaseErrorKind::ClosedConnection | DatabaseErrorKind::ReadOnlyTransaction => true,
        DatabaseErrorKind::UnableToSendCommand | DatabaseErrorKind::Unknown => {
            says(said.message()) || said.hint().is_some_and(says)
        }
        _ => false,
    }
}

impl From<DieselError> for StoreError {
    fn from(error: DieselError) -> StoreError {
        match error {
            DieselError::DatabaseError(kind, said) if passing(&kind, &*said) => {
                StoreError::Unavailable(said.message().to_owned())
            }
            other => StoreError::Database(other),
        }
    }
}

impl StoreError {
    fn overtaken(&self) -> bool {
        match self {
            StoreError::Overtaken => true,
            StoreError::Database(DieselError::DatabaseError(kind, said)) => match kind {
                DatabaseErrorKind::SerializationFailure => true,
                DatabaseErrorKind::UniqueViolation => {
                    said.constraint_name().is_some_and(|name| RACED.contains(&name))
                }
                _ => false,
            },
            _ => false,
        }
    }
}

/// The way to the database.
#[derive(Clone)]
pub struct Store {
    pool: Pool<AsyncPgConnection>,
    asking: Arc<Asking>,
}

impl Store {
    /// A store on this PostgreSQL server for answering requests. Connections are opened when needed.
    #[must_use]
    pub fn connect(url: &str) -> Store {
        Store::with_patience(url, Patience::SERVICE)
    }

    /// The same with this patience.
    #[must_use]
    pub fn with_patience(url: &str, patience: Patience) -> Store {
        let mut config = ManagerConfig::<AsyncPgConnection>::default();
        // A connection that was lost is seen without asking, and a transaction under way is
        // never left on one that goes back ([`Lent`]).
        config.recycling_method = RecyclingMethod::Fast;
        config.custom_setup = Box::new(move |url| Box::pin(open(url.to_owned(), patience)));
        let manager = AsyncDieselConnectionManager::new_with_config(url, config);
        let pool = Pool::builder(manager).max_size(CONNECTIONS).build();
        let pool = pool.expect("only a pool with times of its own needs a runtime");
        Store { pool, asking: Arc::new(Asking::new(url, patience)) }
    }

    /// The same database, on connections of its own: for a thread of its own.
    #[must_use]
    pub fn apart(&self) -> Store {
        self.asking.apart()
    }

    async fn connection(&self) -> Result<Object<AsyncPgConnection>, StoreError> {
        tokio::time::timeout(WAIT, self.pool.get())
            .await
            .map_err(|_| StoreError::Unavailable("every connection is in use".to_owned()))?
            .map_err(|error| StoreError::Unavailable(error.to_string()))
    }

    /// Runs one transaction for one organisation: the only way to a connection for what
    /// follows.
    ///
    /// The role of the service is taken on, which owns no table, so row-level
    /// security binds whatever role the address signs in with. Both settings end
    /// with the transaction. A transaction that is dropped half-way closes its
    /// connection, so that the server rolls back and gives its locks free at once.
    ///
    /// Work that another transaction overtook is rolled back and done again from the start.
    ///
    /// # Errors
    /// What `work` answers, or [`StoreError`]; then nothing is written.
    pub async fn in_org<T, F>(&self, org: Uuid, work: F) -> Result<T, StoreError>
    where
        F: for<'c> AsyncFn(&'c mut AsyncPgConnection) -> Result<T, StoreError>,
    {
        let mut answer = self.attempt(org, &work, Beginning::Plain).await;
        for _ in 1..ATTEMPTS {
            match &answer {
                Err(error) if error.overtaken() => {
                    answer = self.attempt(org, &work, Beginning::Alone).await;
                }
                _ => break,
            }
        }
        answer
    }

    /// The same for reading only: all its statements see the ledger as it stood at the first.
    ///
    /// # Errors
    /// What `work` answers, or [`StoreError`].
    pub async fn in_snapshot<T, F>(&self, org: Uuid, work: F) -> Result<T, StoreError>
    where
        F: for<'c> AsyncFn(&'c mut AsyncPgConnection) -> Result<T, StoreError>,
    {
        self.attempt(org, &work, Beginning::Snapshot).await
    }

    async fn attempt<T, F>(&self, org: Uuid, work: &F, how: Beginning) -> Result<T, StoreError>
    where
        F: for<'c> AsyncFn(&'c mut AsyncPgConnection) -> Result<T, StoreError>,
    {
        let mut lent = Lent(Some(self.connection().await?));
        let conn = lent.connection();
        begin(conn, org, how).await?;
        let mut answer = work(conn).await;
        if answer.is_ok() {
            // Deferred constraints speak here.
            if let Err(error) = conn.batch_execute("COMMIT").await {
                answer = Err(error.into());
            }
        } else if conn.batch_execute("ROLLBACK").await.is_err() {
            // Not given back, it is closed.
            return answer;
        }
        lent.give_back();
        answer
    }
}

/// Opens a connection.
async fn open(url: String, patience: Patience) -> ConnectionResult<AsyncPgConnection> {
    let mut conn = AsyncPgConnection::establish(&url).await?;
    conn.batch_execute(&patience.setup())
        .await
        .map_err(ConnectionError::CouldntSetupConfiguration)?;
    Ok(conn)
}

/// How a transaction begins.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Beginning {
    /// Each statement sees what was committed before it.
    Plain,
    /// The same, but it waits until no other transaction of the organisation is about to write,
    /// and keeps them waiting ([`take_turn`]).
    Alone,
    /// Only to read, and all statements see the same.
    Snapshot,
}

/// Begins a transaction of an organisation, as the role of the service, in one message.
async fn begin(conn: &mut AsyncPgConnection, org: Uuid, how: Beginning) -> Result<(), StoreError> {
    let isolation = match how {
        Beginning::Snapshot => " ISOLATION LEVEL REPEATABLE READ READ ONLY",
        Beginning::Plain | Beginning::Alone => "",
    };
    let mut begin =
        format!("BEGIN{isolation}; SET LOCAL ROLE proofhold_service; SET LOCAL app.org = '{org}'");
    if how == Beginning::Alone {
        begin += &format!("; SELECT pg_advisory_xact_lock({})", turn(org));
    }
    Ok(conn.batch_execute(&begin).await?)
}

/// Waits while another transaction has the organisation for itself. Whoever locks subjects does
/// this first. It is for progress alone: what is written is right without it.
pub(crate) async fn take_turn(conn: &mut AsyncPgConnection, org: Uuid) -> Result<(), StoreError> {
    conn.batch_execute(&format!("SELECT pg_advisory_xact_lock_shared({})", turn(org))).await?;
    Ok(())
}

/// The number under which the turns of an organisation are kept.
fn turn(org: Uuid) -> String {
    format!("hashtextextended('{org}', 0)")
}

/// A connection with a transaction on it: closed unless it is given back.
struct Lent(Option<Object<AsyncPgConnection>>);

impl Lent {
    fn connection(&mut self) -> &mut AsyncPgConnection {
        self.0.as_mut().expect("a lent connection is there until it is given back")
    }

    fn give_back(mut self) {
        drop(self.0.take());
    }
}

impl Drop for Lent {
    fn drop(&mut self) {
        // Taken out of the pool, the connection is closed when it is dropped.
        drop(self.0.take().map(Object::take));
    }
}
