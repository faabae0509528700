//! Reading the ledger, for answers.

use crate::load::{self, BytesRow, HEAD, HeadRow};
use crate::prepared::Prepared;
use crate::record::lock_all;
use crate::take_turn;
use crate::{StoreError, asked, storable};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Binary, Nullable, Text};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::canonical::{Line, NotAnEntry};
use rules::facts::Personal;
use rules::fold::casing::{Standing, Whereabouts};
use rules::world::{Head, Owned};
use rules::{Entry, Subject, SubjectKind};
use serde::Serialize;
use std::fmt::Display;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// An entry with its personal part, where it has one that was not erased.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept<E = Entry> {
    /// The entry.
    pub entry: E,
    /// Notes and names.
    pub personal: Option<Personal>,
}

#[derive(QueryableByName)]
pub(crate) struct KeptRow {
    #[diesel(sql_type = Binary)]
    bytes: Vec<u8>,
    #[diesel(sql_type = Nullable<Binary>)]
    personal: Option<Vec<u8>>,
}

impl KeptRow {
    fn read(self) -> Result<Kept, StoreError> {
        self.with(Entry::read)
    }

    pub(crate) fn line(self) -> Result<Kept<Line>, StoreError> {
        self.with(Line::read)
    }

    fn with<E>(self, read: fn(&[u8]) -> Result<E, NotAnEntry>) -> Result<Kept<E>, StoreError> {
        let broken = |error: &dyn Display| StoreError::Broken(error.to_string());
        let entry = read(&self.bytes).map_err(|error| broken(&error))?;
        let personal = self.personal.map(|bytes| serde_json::from_slice(&bytes)).transpose();
        Ok(Kept { entry, personal: personal.map_err(|error| broken(&error))? })
    }
}

/// The entry with this id.
///
/// # Errors
/// When the database fails.
pub async fn entry(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    id: Uuid,
) -> Result<Option<Kept>, StoreError> {
    let query = sql_query(
        "SELECT e.bytes, p.bytes AS personal FROM entry e \
         LEFT JOIN personal p ON p.org_id = e.org_id AND p.entry_id = e.id \
         WHERE e.org_id = $1 AND e.id = $2",
    );
    let query = query.bind::<Id, _>(org).bind::<Id, _>(id);
    Prepared(query).get_result::<KeptRow>(conn).await.optional()?.map(KeptRow::read).transpose()
}

/// What the ledger added because of an entry, in the order in which it was added.
///
/// # Errors
/// When the database fails.
pub async fn added(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    cause: Uuid,
) -> Result<Vec<Entry>, StoreError> {
    let query =
        sql_query("SELECT bytes FROM entry WHERE org_id = $1 AND cause = $2 ORDER BY recorded_at");
    let rows: Vec<BytesRow> =
        Prepared(query.bind::<Id, _>(org).bind::<Id, _>(cause)).load::<BytesRow>(conn).await?;
    rows.into_iter().map(BytesRow::read).collect()
}

/// The entries of a subject after this place among them, in the order of arrival; none where
/// nothing is recorded of it.
///
/// # Errors
/// When the database fails.
pub async fn history(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    subject: Subject,
    after_n: u64,
    most: i64,
) -> Result<Vec<Kept>, StoreError> {
    let rows = asked::history(conn, org, subject, after_n, most).await?;
    rows.into_iter().map(KeptRow::read).collect()
}

/// What is known of a subject; none where nothing is recorded of it.
///
/// # Errors
/// When the database fails.
pub async fn head(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    subject: Subject,
) -> Result<Option<Head>, StoreError> {
    let text = format!("SELECT {HEAD} FROM subject WHERE org_id = $1 AND kind = $2 AND id = $3");
    let query = sql_query(text).bind::<Id, _>(org).bind::<Text, _>(subject.kind.name());
    let row: Option<HeadRow> =
        Prepared(query.bind::<Id, _>(subject.id)).get_result(conn).await.optional()?;
    let head = row.map(HeadRow::read).transpose()?.map(|(_, head)| head);
    Ok(head.filter(Head::known))
}

/// The same, and nobody else may change it before this transaction ends: for a precondition
/// that is to hold while something is recorded. What else that will need can be locked with it,
/// in the order in which recording locks.
///
/// # Errors
/// When the database fails.
pub async fn lock(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    subject: Subject,
    with: Option<Subject>,
) -> Result<Option<Head>, StoreError> {
    let all: Vec<Subject> = with.into_iter().chain([subject]).collect();
    take_turn(conn, org).await?;
    Ok(lock_all(conn, org, &all).await?.remove(&subject).filter(Head::known))
}

/// Subjects of a kind, in the order of their ids, after this one.
///
/// # Errors
/// When the database fails.
pub async fn subjects(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    kind: SubjectKind,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<(Uuid, Head)>, StoreError> {
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 AND kind = $2 AND id > $3 \
         AND state IS NOT NULL ORDER BY id LIMIT $4"
    );
    let query = sql_query(text).bind::<Id, _>(org).bind::<Text, _>(kind.name());
    let query = query.bind::<Id, _>(after.unwrap_or_default()).bind::<BigInt, _>(limit);
    by_id(Prepared(query).load(conn).await?)
}

fn by_id(rows: Vec<HeadRow>) -> Result<Vec<(Uuid, Head)>, StoreError> {
    rows.into_iter().map(|row| row.read().map(|(subject, head)| (subject.id, head))).collect()
}

/// Which casings a list is to have; all of them where nothing is given.
#[derive(Clone, Debug, Default)]
pub struct CasingFilter {
    /// With this standing.
    pub standing: Option<Standing>,
    /// Being there.
    pub whereabouts: Option<Whereabouts>,
    /// Last at this depot.
    pub depot: Option<Uuid>,
    /// Of this model.
    pub model: Option<Uuid>,
    /// On this vehicle.
    pub vehicle: Option<Uuid>,
}

/// What a [`CasingFilter`] asks of a row.
pub(crate) const FITS: &str = "($3 IS NULL OR standing = $3) \
     AND ($4 IS NULL OR whereabouts = $4) AND ($5 IS NULL OR depot = $5) \
     AND ($6 IS NULL OR model = $6) AND ($7 IS NULL OR vehicle = $7)";

/// Casings, in the order of their ids, after this one.
///
/// # Errors
/// When the database fails.
pub async fn casings(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    filter: &CasingFilter,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<(Uuid, Head)>, StoreError> {
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 AND kind = 'casing' AND id > $2 \
         AND {FITS} AND state IS NOT NULL ORDER BY id LIMIT $8"
    );
    let query = sql_query(text)
        .bind::<Id, _>(org)
        .bind::<Id, _>(after.unwrap_or_default())
        .bind::<Nullable<Text>, _>(filter.standing.map(name))
        .bind::<Nullable<Text>, _>(filter.whereabouts.map(name))
        .bind::<Nullable<Id>, _>(filter.depot)
        .bind::<Nullable<Id>, _>(filter.model)
        .bind::<Nullable<Id>, _>(filter.vehicle)
        .bind::<BigInt, _>(limit);
    by_id(Prepared(query).load(conn).await?)
}

/// The name of a value in JSON, which is how the generated columns have it.
pub(crate) fn name<T: Serialize>(value: T) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    value.as_str().unwrap_or_default().to_owned()
}

/// Whose this mark is.
///
/// # Errors
/// When the database fails.
pub async fn owner(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    mark: &Owned,
) -> Result<Option<Subject>, StoreError> {
    let query = sql_query(
        "SELECT kind, value, subject_kind, subject_id FROM mark \
         WHERE org_id = $1 AND kind = $2 AND value = $3",
    );
    let (kind, value) = mark.parts();
    if !storable(value) {
        return Ok(None);
    }
    let query = query.bind::<Id, _>(org).bind::<Text, _>(kind).bind::<Text, _>(value);
    let row: Option<load::MarkRow> = Prepared(query).get_result(conn).await.optional()?;
    row.map(|row| load::subject(&row.subject_kind, row.subject_id)).transpose()
}

/// Organisations by id, with their short names, in the order of these.
///
/// # Errors
/// When the database fails.
pub async fn organisations(
    conn: &mut AsyncPgConnection,
) -> Result<Vec<(Uuid, String)>, StoreError> {
    use crate::account::organisation;
    let all = organisation::table.order(organisation::slug);
    Ok(all.select((organisation::id, organisation::slug)).load(conn).await?)
}

/// Entries by id, in any order.
pub(crate) async fn entries(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    ids: &[Uuid],
) -> Result<Vec<Entry>, StoreError> {
    let query = sql_query("SELECT bytes FROM entry WHERE org_id = $1 AND id = ANY($2)");
    let query = query.bind::<Id, _>(org).bind::<Array<Id>, _>(ids);
    Prepared(query).load::<BytesRow>(conn).await?.into_iter().map(BytesRow::read).collect()
}
