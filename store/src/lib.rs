//! The only place that knows SQL.

pub mod account;
pub mod embedded;
pub mod migrate;

use diesel::result::Error as DieselError;
use diesel_async::pooled_connection::AsyncDieselConnectionManager;
use diesel_async::pooled_connection::deadpool::{Object, Pool};
use diesel_async::{
    AnsiTransactionManager, AsyncPgConnection, SimpleAsyncConnection, TransactionManager,
};
use std::time::Duration;
use uuid::Uuid;

/// Connections a process holds at most; each waits this long for a free one.
const CONNECTIONS: usize = 16;
const WAIT: Duration = Duration::from_secs(2);

/// Why the database gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No connection could be had; trying again later may help.
    #[error("the database cannot be reached: {0}")]
    Unavailable(String),
    /// A statement failed.
    #[error("a statement failed: {0}")]
    Database(#[from] DieselError),
}

/// The way to the database.
#[derive(Clone)]
pub struct Store {
    pool: Pool<AsyncPgConnection>,
}

impl Store {
    /// A store on this PostgreSQL server. Connections are opened when needed.
    ///
    /// # Errors
    /// [`StoreError::Unavailable`] where the address cannot be used.
    pub async fn connect(url: &str) -> Result<Store, StoreError> {
        let manager = AsyncDieselConnectionManager::<AsyncPgConnection>::new(url);
        let pool = Pool::builder(manager)
            .max_size(CONNECTIONS)
            .build()
            .map_err(|error| StoreError::Unavailable(error.to_string()))?;
        Ok(Store { pool })
    }

    /// Runs one transaction for one organisation: the only way to a connection.
    ///
    /// The role of the service is taken on, which owns no table, so row-level
    /// security binds whatever role the address signs in with. Both settings end
    /// with the transaction. A transaction that is dropped half-way closes its
    /// connection, so that the server rolls back and gives its locks free at once.
    ///
    /// # Errors
    /// What `work` answers, or [`StoreError`]; then nothing is written.
    pub async fn in_org<T, F>(&self, org: Uuid, work: F) -> Result<T, StoreError>
    where
        F: for<'c> AsyncFnOnce(&'c mut AsyncPgConnection) -> Result<T, StoreError>,
    {
        type Manager = AnsiTransactionManager;
        let pooled = tokio::time::timeout(WAIT, self.pool.get())
            .await
            .map_err(|_| StoreError::Unavailable("every connection is in use".to_owned()))?
            .map_err(|error| StoreError::Unavailable(error.to_string()))?;
        let mut lent = Lent(Some(pooled));
        let conn = lent.connection();
        Manager::begin_transaction(conn).await?;
        let scope = format!("SET LOCAL ROLE proofhold_service; SET LOCAL app.org = '{org}'");
        let answer = match conn.batch_execute(&scope).await {
            Ok(()) => work(conn).await,
            Err(error) => Err(error.into()),
        };
        match &answer {
            Ok(_) => Manager::commit_transaction(conn).await?,
            Err(_) => Manager::rollback_transaction(conn).await?,
        }
        lent.give_back();
        answer
    }
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
