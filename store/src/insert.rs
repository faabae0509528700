//! Writing what was decided, one statement a table.

use crate::StoreError;
use crate::json::Json;
use crate::load;
use crate::prepared::Prepared;
use crate::record::{Before, Written, erased_by};
use crate::spots::{self, put_on};
use chrono::{DateTime, Utc};
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Binary, Bool, Jsonb, Nullable, SmallInt, Text, Timestamptz,
};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::canonical::{bytes_of, leaf_hash};
use rules::world::{Head, Owned, owned};
use rules::{Entry, Subject, World};
use std::collections::BTreeSet;
use tokio::join;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// Writes entries, heads, marks, personal parts and what waits to be sealed.
pub(crate) async fn all(
    conn: &AsyncPgConnection,
    before: &Before,
    world: &World,
    written: &Written,
) -> Result<(), StoreError> {
    if written.entries.is_empty() {
        return Ok(());
    }
    let touched: BTreeSet<Subject> = written.entries.iter().map(|entry| entry.subject).collect();
    let is_new = |subject: &Subject| before.heads.get(subject).is_none_or(|(n, _)| *n == 0);
    let (new, old): (Vec<Subject>, Vec<Subject>) = touched.iter().copied().partition(is_new);
    let rows = |subjects: &[Subject]| -> Vec<(Subject, Head)> {
        subjects.iter().map(|subject| (*subject, world.heads[subject].clone())).collect()
    };
    let bytes: Vec<Vec<u8>> = written.entries.iter().map(Entry::bytes).collect();
    let (mut gone, mut come) = (Vec::new(), Vec::new());
    for subject in &touched {
        let old = before.heads.get(subject).map(|(_, marks)| &marks[..]).unwrap_or_default();
        let new = world.heads.get(subject).map(|head| owned(&head.state)).unwrap_or_default();
        gone.extend(old.iter().filter(|mark| !new.contains(mark)).cloned());
        come.extend(new.into_iter().filter(|m| !old.contains(m)).map(|mark| (mark, *subject)));
    }
    // What others refer to goes first, and marks that go before those that come, so that two
    // subjects may exchange a mark; all of it is sent in one go.
    let (new, old, org, stood_on) = (rows(&new), rows(&old), world.org, before.stood_on(written));
    let done: [Result<(), StoreError>; 10] = join!(
        hold_still(conn, world, &stood_on),
        takeovers_stand(conn, org, &before.takeovers),
        insert_heads(conn, org, &new),
        update_heads(conn, org, &old),
        insert_entries(conn, org, written, &bytes),
        insert_personal(conn, org, written),
        erase(conn, org, written),
        queue(conn, org, &written.entries, &bytes),
        delete_marks(conn, org, &gone),
        insert_marks(conn, org, &come),
    )
    .into();
    // After one has failed the others fail with it: the one that says why is looked for.
    let failed: Vec<StoreError> = done.into_iter().filter_map(Result::err).collect();
    let place = failed.iter().position(StoreError::overtaken).unwrap_or(0);
    failed.into_iter().nth(place).map_or(Ok(()), Err)
}

/// Locks what the decisions stood on; where it has changed since it was read, nothing is written.
async fn hold_still(
    mut conn: &AsyncPgConnection,
    world: &World,
    stood_on: &[(Subject, u64)],
) -> Result<(), StoreError> {
    let (kinds, ids) = load::columns(stood_on.iter().map(|(subject, _)| subject));
    let n: Vec<i64> = stood_on.iter().map(|(_, n)| count(*n)).collect();
    let wheels: Vec<Uuid> = world.wheels.iter().copied().collect();
    let (vehicles, axles) = load::axle_columns(&world.axles);
    let spots = spots::Columns::of(world.spots.iter().map(|(spot, (since, _))| (spot, *since)));
    let query = sql_query("SELECT hold_still($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)")
        .bind::<Id, _>(world.org)
        .bind::<Array<Text>, _>(kinds)
        .bind::<Array<Id>, _>(ids)
        .bind::<Array<BigInt>, _>(n)
        .bind::<Array<Id>, _>(wheels)
        .bind::<Array<Id>, _>(vehicles)
        .bind::<Array<SmallInt>, _>(axles)
        .bind::<Array<Nullable<Id>>, _>(spots.wheels)
        .bind::<Array<Nullable<Text>>, _>(spots.positions)
        .bind::<Array<Timestamptz>, _>(spots.since);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Once the vehicles are locked: where another transaction has ended one of these takeovers,
/// nothing is written.
async fn takeovers_stand(
    conn: &AsyncPgConnection,
    org: Uuid,
    vehicles: &BTreeSet<Uuid>,
) -> Result<(), StoreError> {
    let ended = load::heads_worked_on(conn, org, vehicles).await?;
    if ended.is_empty() { Ok(()) } else { Err(StoreError::Overtaken) }
}

/// Heads as arrays that a statement unnests.
#[derive(Default)]
struct HeadColumns {
    kinds: Vec<&'static str>,
    ids: Vec<Uuid>,
    n: Vec<i64>,
    last: Vec<Option<Uuid>>,
    recorded_at: Vec<Option<DateTime<Utc>>>,
    occurred_at: Vec<Option<DateTime<Utc>>>,
    state: Vec<Option<Json>>,
}

impl HeadColumns {
    fn of(heads: &[(Subject, Head)]) -> HeadColumns {
        let mut columns = HeadColumns::default();
        for (subject, head) in heads {
            columns.kinds.push(subject.kind.name());
            columns.ids.push(subject.id);
            columns.n.push(count(head.n));
            columns.last.push(head.last);
            columns.recorded_at.push(head.recorded_at);
            columns.occurred_at.push(head.occurred_at);
            columns.state.push(head.state.to_json().map(Json));
        }
        columns
    }
}

/// A count as the database keeps it; no subject ever has 2^63 entries.
fn count(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

async fn heads(
    mut conn: &AsyncPgConnection,
    statement: &str,
    org: Uuid,
    heads: &[(Subject, Head)],
) -> Result<(), StoreError> {
    if heads.is_empty() {
        return Ok(());
    }
    let columns = HeadColumns::of(heads);
    let query = sql_query(statement)
        .bind::<Id, _>(org)
        .bind::<Array<Text>, _>(columns.kinds)
        .bind::<Array<Id>, _>(columns.ids)
        .bind::<Array<BigInt>, _>(columns.n)
        .bind::<Array<Nullable<Id>>, _>(columns.last)
        .bind::<Array<Nullable<Timestamptz>>, _>(columns.recorded_at)
        .bind::<Array<Nullable<Timestamptz>>, _>(columns.occurred_at)
        .bind::<Array<Nullable<Jsonb>>, _>(columns.state);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Adds the rows of subjects that had none; another's coming first is a broken key.
pub(crate) async fn insert_heads(
    conn: &AsyncPgConnection,
    org: Uuid,
    rows: &[(Subject, Head)],
) -> Result<(), StoreError> {
    let statement = "INSERT INTO subject \
         (org_id, kind, id, n, last_entry, recorded_at, occurred_at, state) \
         SELECT $1, * FROM unnest($2, $3, $4, $5, $6, $7, $8) RETURNING n";
    heads(conn, statement, org, rows).await
}

/// Brings the rows of subjects up to date.
pub(crate) async fn update_heads(
    conn: &AsyncPgConnection,
    org: Uuid,
    rows: &[(Subject, Head)],
) -> Result<(), StoreError> {
    let statement = "UPDATE subject SET n = new.n, last_entry = new.last_entry, \
         recorded_at = new.recorded_at, occurred_at = new.occurred_at, state = new.state \
         FROM unnest($2, $3, $4, $5, $6, $7, $8) \
         AS new (kind, id, n, last_entry, recorded_at, occurred_at, state) \
         WHERE subject.org_id = $1 AND subject.kind = new.kind AND subject.id = new.id";
    heads(conn, statement, org, rows).await
}

async fn insert_entries(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    written: &Written,
    bytes: &[Vec<u8>],
) -> Result<(), StoreError> {
    let entries = &written.entries;
    let text = |of: fn(&Entry) -> &'static str| entries.iter().map(of).collect::<Vec<_>>();
    let ids = |of: fn(&Entry) -> Uuid| entries.iter().map(of).collect::<Vec<_>>();
    let some = |of: fn(&Entry) -> Option<Uuid>| entries.iter().map(of).collect::<Vec<_>>();
    let times = |of: fn(&Entry) -> DateTime<Utc>| entries.iter().map(of).collect::<Vec<_>>();
    let contents: Vec<Option<&[u8]>> =
        entries.iter().map(|e| Some(&written.contents.get(&e.id)?[..])).collect();
    let refused: Vec<bool> = entries.iter().map(|entry| !entry.recorded()).collect();
    let n: Vec<i64> = entries.iter().map(|entry| count(entry.n)).collect();
    let put_on: Vec<(Option<Uuid>, Option<String>)> = entries.iter().map(put_on).collect();
    // By id: two who use the same ids for different things wait for each other in one order.
    let query = sql_query(
        "INSERT INTO entry (org_id, id, subject_kind, subject_id, n, kind, occurred_at, \
             recorded_at, refused, closes, cause, wheel, position, content, bytes) \
         SELECT $1, * FROM \
         unnest($2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) \
         ORDER BY 2 RETURNING n",
    )
    .bind::<Id, _>(org)
    .bind::<Array<Id>, _>(ids(|entry| entry.id))
    .bind::<Array<Text>, _>(text(|entry| entry.subject.kind.name()))
    .bind::<Array<Id>, _>(ids(|entry| entry.subject.id))
    .bind::<Array<BigInt>, _>(n)
    .bind::<Array<Text>, _>(text(|entry| entry.facts.kind().name()))
    .bind::<Array<Timestamptz>, _>(times(Entry::at))
    .bind::<Array<Timestamptz>, _>(times(|entry| entry.recorded_at))
    .bind::<Array<Bool>, _>(refused)
    .bind::<Array<Nullable<Id>>, _>(some(Entry::closes))
    .bind::<Array<Nullable<Id>>, _>(some(|entry| entry.cause))
    .bind::<Array<Nullable<Id>>, _>(put_on.iter().map(|(wheel, _)| *wheel).collect::<Vec<_>>())
    .bind::<Array<Nullable<Text>>, _>(put_on.iter().map(|(_, place)| place).collect::<Vec<_>>())
    .bind::<Array<Nullable<Binary>>, _>(contents)
    .bind::<Array<Binary>, _>(bytes);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

async fn insert_personal(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    written: &Written,
) -> Result<(), StoreError> {
    if written.personal.is_empty() {
        return Ok(());
    }
    let apart = &written.personal;
    let query = sql_query(
        "INSERT INTO personal (org_id, entry_id, salt, bytes) \
         SELECT $1, * FROM unnest($2, $3, $4) RETURNING entry_id",
    )
    .bind::<Id, _>(org)
    .bind::<Array<Id>, _>(apart.iter().map(|one| one.entry).collect::<Vec<_>>())
    .bind::<Array<Binary>, _>(apart.iter().map(|one| &one.salt[..]).collect::<Vec<_>>())
    .bind::<Array<Binary>, _>(apart.iter().map(|one| bytes_of(&one.personal)).collect::<Vec<_>>());
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Takes away what these entries say is erased.
async fn erase(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    written: &Written,
) -> Result<(), StoreError> {
    let orders = written.entries.iter().filter(|entry| erased_by(entry).is_some());
    let orders: Vec<Uuid> = orders.map(|entry| entry.id).collect();
    if orders.is_empty() {
        return Ok(());
    }
    let query = sql_query("SELECT erase_personal($1, $2)");
    let query = query.bind::<Id, _>(org).bind::<Array<Id>, _>(orders);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Puts the entries before whoever seals them.
async fn queue(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    entries: &[Entry],
    bytes: &[Vec<u8>],
) -> Result<(), StoreError> {
    let hashes: Vec<[u8; 32]> = bytes.iter().map(|bytes| leaf_hash(bytes)).collect();
    let ids = |of: fn(&Entry) -> Uuid| entries.iter().map(of).collect::<Vec<_>>();
    let query = sql_query(
        "INSERT INTO seal_queue \
             (org_id, entry_id, recorded_at, subject_kind, subject_id, n, leaf_hash) \
         SELECT $1, * FROM unnest($2, $3, $4, $5, $6, $7) RETURNING n",
    )
    .bind::<Id, _>(org)
    .bind::<Array<Id>, _>(ids(|entry| entry.id))
    .bind::<Array<Timestamptz>, _>(entries.iter().map(|e| e.recorded_at).collect::<Vec<_>>())
    .bind::<Array<Text>, _>(entries.iter().map(|e| e.subject.kind.name()).collect::<Vec<_>>())
    .bind::<Array<Id>, _>(ids(|entry| entry.subject.id))
    .bind::<Array<BigInt>, _>(entries.iter().map(|e| count(e.n)).collect::<Vec<_>>())
    .bind::<Array<Binary>, _>(hashes.iter().map(|hash| &hash[..]).collect::<Vec<_>>());
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Takes marks from the table of owners.
pub(crate) async fn delete_marks(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    gone: &[Owned],
) -> Result<(), StoreError> {
    if gone.is_empty() {
        return Ok(());
    }
    let (kinds, values): (Vec<&str>, Vec<&str>) = gone.iter().map(Owned::parts).unzip();
    let query = sql_query(
        "DELETE FROM mark WHERE org_id = $1 \
         AND (kind, value) IN (SELECT * FROM unnest($2, $3))",
    )
    .bind::<Id, _>(org)
    .bind::<Array<Text>, _>(kinds)
    .bind::<Array<Text>, _>(values);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}

/// Puts marks into the table of owners.
pub(crate) async fn insert_marks(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    come: &[(Owned, Subject)],
) -> Result<(), StoreError> {
    if come.is_empty() {
        return Ok(());
    }
    let mut come: Vec<&(Owned, Subject)> = come.iter().collect();
    come.sort();
    let (kinds, values): (Vec<&str>, Vec<&str>) = come.iter().map(|(m, _)| m.parts()).unzip();
    let (of_kinds, of): (Vec<&str>, Vec<Uuid>) =
        come.iter().map(|(_, subject)| (subject.kind.name(), subject.id)).unzip();
    let query = sql_query(
        "INSERT INTO mark (org_id, kind, value, subject_kind, subject_id) \
         SELECT $1, * FROM unnest($2, $3, $4, $5) RETURNING kind",
    )
    .bind::<Id, _>(org)
    .bind::<Array<Text>, _>(kinds)
    .bind::<Array<Text>, _>(values)
    .bind::<Array<Text>, _>(of_kinds)
    .bind::<Array<Id>, _>(of);
    Prepared(query).execute(&mut conn).await?;
    Ok(())
}
