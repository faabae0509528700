//! What is asked most, each in one statement, on one connection that all who ask share: there is
//! no transaction to begin and to end, and nobody waits for a connection of his own.

use crate::load::HeadRow;
use crate::prepared::Prepared;
use crate::read::{Kept, KeptRow};
use crate::{Patience, Store, StoreError, WAIT, open};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error as DieselError};
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Text};
use diesel_async::{AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection};
use rules::canonical::Line;
use rules::world::Head;
use rules::{Role, Subject};
use serde::Deserialize;
use serde::de::IntoDeserializer;
use serde::de::value::Error as UnknownRole;
use std::sync::Arc;
use tokio::sync::Mutex;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// The shared connection. It is opened when it is needed, has the role of the service from the
/// beginning, and never a transaction under way.
pub(crate) struct Asking {
    url: String,
    patience: Patience,
    connection: Mutex<Option<Arc<AsyncPgConnection>>>,
}

impl Asking {
    pub(crate) fn new(url: &str, patience: Patience) -> Asking {
        Asking { url: url.to_owned(), patience, connection: Mutex::new(None) }
    }

    /// The same address and patience, with no connection yet.
    pub(crate) fn apart(&self) -> Store {
        Store::with_patience(&self.url, self.patience)
    }

    async fn connection(&self) -> Result<Arc<AsyncPgConnection>, StoreError> {
        let mut kept = self.connection.lock().await;
        if let Some(connection) = &*kept {
            return Ok(connection.clone());
        }
        let opened = tokio::time::timeout(WAIT, open(self.url.clone(), self.patience)).await;
        let mut opened = opened
            .map_err(|_| StoreError::Unavailable("it does not answer".to_owned()))?
            .map_err(|error| StoreError::Unavailable(error.to_string()))?;
        opened.batch_execute("SET ROLE proofhold_service").await?;
        Ok(kept.insert(Arc::new(opened)).clone())
    }

    async fn forget(&self, lost: &Arc<AsyncPgConnection>) {
        let mut kept = self.connection.lock().await;
        kept.take_if(|kept| Arc::ptr_eq(kept, lost));
    }
}

/// Whether the connection is of no more use.
fn is_lost(error: &DieselError) -> bool {
    match error {
        DieselError::DatabaseError(kind, said) => match kind {
            DatabaseErrorKind::UnableToSendCommand | DatabaseErrorKind::ClosedConnection => true,
            // The last that a connection is told before the server closes it.
            _ => said.message().starts_with("terminating connection"),
        },
        _ => false,
    }
}

diesel::define_sql_function! {
    /// The role of a person in a session that has not ended.
    fn session_role(org: Id, person: Id, session: Id) -> Nullable<Text>;
}

/// A head as [`Store::head`] asks for it.
#[derive(QueryableByName)]
struct AskedRow {
    #[diesel(embed)]
    head: HeadRow,
    #[diesel(sql_type = Array<Id>)]
    open_refusals: Vec<Uuid>,
}

impl Store {
    /// Asks one statement; where the connection was lost meanwhile, once more on a new one.
    async fn ask<T>(
        &self,
        statement: impl AsyncFn(&AsyncPgConnection) -> QueryResult<T>,
    ) -> Result<T, StoreError> {
        let connection = self.asking.connection().await?;
        match statement(&connection).await {
            Err(error) if is_lost(&error) => {
                self.asking.forget(&connection).await;
                Ok(statement(&*self.asking.connection().await?).await?)
            }
            answer => Ok(answer?),
        }
    }

    /// What a person may do now, if the account is not disabled and the session not ended.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn role_in_session(
        &self,
        org: Uuid,
        person: Uuid,
        session: Uuid,
    ) -> Result<Option<Role>, StoreError> {
        let statement = async |mut conn: &AsyncPgConnection| {
            let asked = diesel::select(session_role(org, person, session));
            asked.get_result::<Option<String>>(&mut conn).await
        };
        let read = |role: String| Role::deserialize(role.into_deserializer());
        let role = self.ask(statement).await?.map(read).transpose();
        role.map_err(|error: UnknownRole| StoreError::Broken(error.to_string()))
    }

    /// What is known of a subject, with its refused entries that no recorded entry tries again,
    /// in the order of arrival; none where nothing is recorded of it.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn head(
        &self,
        org: Uuid,
        subject: Subject,
    ) -> Result<Option<(Head, Vec<Uuid>)>, StoreError> {
        let statement = async |mut conn: &AsyncPgConnection| {
            let query = sql_query("SELECT * FROM head_in_org($1, $2, $3)").bind::<Id, _>(org);
            let query = query.bind::<Text, _>(subject.kind.name()).bind::<Id, _>(subject.id);
            Prepared(query).get_result::<AskedRow>(&mut conn).await.optional()
        };
        let Some(row) = self.ask(statement).await? else {
            return Ok(None);
        };
        let (_, head) = row.head.read()?;
        Ok(head.known().then_some((head, row.open_refusals)))
    }

    /// The entries of a subject after this place among them, in the order of arrival, to be shown.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn history(
        &self,
        org: Uuid,
        subject: Subject,
        after_n: u64,
        most: i64,
    ) -> Result<Vec<Kept<Line>>, StoreError> {
        let statement =
            async |conn: &AsyncPgConnection| history(conn, org, subject, after_n, most).await;
        self.ask(statement).await?.into_iter().map(KeptRow::line).collect()
    }
}

/// The entries of a subject, in a transaction or without one.
pub(crate) async fn history(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    subject: Subject,
    after_n: u64,
    most: i64,
) -> QueryResult<Vec<KeptRow>> {
    let after = i64::try_from(after_n).unwrap_or(i64::MAX);
    let query = sql_query("SELECT * FROM history_in_org($1, $2, $3, $4, $5)");
    let query = query.bind::<Id, _>(org).bind::<Text, _>(subject.kind.name());
    let query = query.bind::<Id, _>(subject.id).bind::<BigInt, _>(after);
    Prepared(query.bind::<BigInt, _>(most)).load(&mut conn).await
}
