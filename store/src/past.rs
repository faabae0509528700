//! Reading what was. Each function is one statement; in [`Store::in_snapshot`](crate::Store) they
//! all see the same ledger.

use crate::load::BytesRow;
use crate::prepared::Prepared;
use crate::read::{CasingFilter, FITS, name};
use crate::{StoreError, storable};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Nullable, Text, Timestamptz};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::spot::Spot;
use rules::{Entry, Kind, Subject, SubjectKind, View, World};
use std::collections::BTreeMap;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

#[derive(QueryableByName)]
struct IdRow {
    #[diesel(sql_type = Id)]
    id: Uuid,
}

fn ids(rows: Vec<IdRow>) -> Vec<Uuid> {
    rows.into_iter().map(|row| row.id).collect()
}

/// All entries of these subjects of a kind that a view needs, in the order of arrival.
///
/// # Errors
/// When the database fails.
pub async fn entries(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    kind: SubjectKind,
    subjects: &[Uuid],
    view: View,
) -> Result<BTreeMap<Uuid, Vec<Entry>>, StoreError> {
    let query = sql_query(
        "SELECT bytes FROM entry \
         WHERE org_id = $1 AND subject_kind = $2 AND subject_id = ANY($3) \
         AND ($4 IS NULL OR recorded_at <= $4 OR EXISTS ( \
             SELECT FROM entry AS own WHERE own.org_id = $1 AND own.id = entry.cause \
                AND own.subject_id = entry.subject_id AND own.recorded_at <= $4)) \
         AND ($5 IS NULL OR occurred_at <= $5 OR kind = ANY($6)) ORDER BY n",
    );
    let query = query.bind::<Id, _>(org).bind::<Text, _>(kind.name());
    let query = query.bind::<Array<Id>, _>(subjects);
    let query = query.bind::<Nullable<Timestamptz>, _>(view.known_at);
    let query = query.bind::<Nullable<Timestamptz>, _>(view.until(kind));
    let query = query.bind::<Array<Text>, _>(View::OF_THE_PAST.map(Kind::name).to_vec());
    let mut found: BTreeMap<Uuid, Vec<Entry>> = BTreeMap::new();
    for row in Prepared(query).load::<BytesRow>(conn).await? {
        let entry = row.read()?;
        found.entry(entry.subject.id).or_default().push(entry);
    }
    Ok(found)
}

/// Puts the things of a world back to what they were in a view; its casings are so already.
pub(crate) async fn look_back(
    conn: &mut AsyncPgConnection,
    world: &mut World,
    view: View,
) -> Result<(), StoreError> {
    let mut things: BTreeMap<SubjectKind, Vec<Uuid>> = BTreeMap::new();
    for subject in world.heads.keys().filter(|subject| subject.kind != SubjectKind::Casing) {
        things.entry(subject.kind).or_default().push(subject.id);
    }
    for (kind, ids) in things {
        let mut entries = entries(conn, world.org, kind, &ids, view).await?;
        for id in ids {
            let head = view.head(&entries.remove(&id).unwrap_or_default());
            world.heads.insert(Subject::of(kind, id), head);
        }
    }
    Ok(())
}

/// The casings that a filter may let through as they were then, in the order of their ids, after
/// this one: those that it lets through now, and those of which something came later.
///
/// # Errors
/// When the database fails.
pub async fn casings(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    filter: &CasingFilter,
    view: View,
    after: Option<Uuid>,
    limit: usize,
) -> Result<Vec<Uuid>, StoreError> {
    let text = format!(
        "SELECT id FROM subject WHERE org_id = $1 AND kind = 'casing' AND id > $2 \
         AND (occurred_at > $8 OR recorded_at > $9 OR ({FITS})) \
         AND state IS NOT NULL ORDER BY id LIMIT $10"
    );
    let query = sql_query(text)
        .bind::<Id, _>(org)
        .bind::<Id, _>(after.unwrap_or_default())
        .bind::<Nullable<Text>, _>(filter.standing.map(name))
        .bind::<Nullable<Text>, _>(filter.whereabouts.map(name))
        .bind::<Nullable<Id>, _>(filter.depot)
        .bind::<Nullable<Id>, _>(filter.model)
        .bind::<Nullable<Id>, _>(filter.vehicle)
        .bind::<Nullable<Timestamptz>, _>(view.as_of)
        .bind::<Nullable<Timestamptz>, _>(view.known_at)
        .bind::<BigInt, _>(i64::try_from(limit).unwrap_or(i64::MAX));
    Ok(ids(Prepared(query).load(conn).await?))
}

/// The casings that can have been on these positions of a vehicle then: of those whose entries
/// were never changed afterwards the one that was last put on each, or several that were at the
/// same moment; of the others all that any entry puts there.
///
/// # Errors
/// When the database fails.
pub async fn put_on(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    vehicle: Uuid,
    spots: impl IntoIterator<Item = Spot>,
    view: View,
) -> Result<Vec<Uuid>, StoreError> {
    let positions: Vec<String> = spots.into_iter().filter_map(|spot| spot.position()).collect();
    let query = sql_query(
        "WITH amending AS MATERIALIZED ( \
             SELECT subject_id, closes, kind, \
                    convert_from(bytes, 'UTF8')::jsonb -> 'facts' -> 'facts' ->> 'vehicle' AS on_it \
               FROM entry WHERE org_id = $1 AND kind IN ('corrected', 'resolved') AND NOT refused \
                AND recorded_at <= coalesce($5, 'infinity')), \
         told AS ( \
             SELECT spot.position, entry.subject_id, entry.occurred_at \
               FROM unnest($3) AS spot (position) \
               JOIN entry ON entry.org_id = $1 AND NOT entry.refused \
                         AND entry.position = spot.position \
              WHERE entry.recorded_at <= coalesce($5, 'infinity')) \
         SELECT DISTINCT there.subject_id AS id FROM unnest($3) AS spot (position) \
          CROSS JOIN LATERAL (SELECT subject_id FROM told \
             WHERE told.position = spot.position AND occurred_at <= coalesce($4, 'infinity') \
               AND subject_id NOT IN (SELECT subject_id FROM amending) \
             ORDER BY occurred_at DESC FETCH FIRST 1 ROWS WITH TIES) AS there \
         UNION SELECT subject_id FROM told WHERE subject_id IN (SELECT subject_id FROM amending) \
         UNION SELECT subject_id FROM amending WHERE on_it = $2::text \
         UNION SELECT refusal.subject_id FROM amending \
                 JOIN entry AS refusal ON refusal.org_id = $1 AND refusal.id = amending.closes \
                WHERE refusal.position = ANY($3)",
    );
    let query = query.bind::<Id, _>(org).bind::<Id, _>(vehicle);
    let query = query.bind::<Array<Text>, _>(positions);
    let query = query.bind::<Nullable<Timestamptz>, _>(view.as_of);
    let query = query.bind::<Nullable<Timestamptz>, _>(view.known_at);
    Ok(ids(Prepared(query).load(conn).await?))
}

/// The vehicles that ever had this unit number.
///
/// # Errors
/// When the database fails.
pub async fn ever_unit(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    unit: &str,
) -> Result<Vec<Uuid>, StoreError> {
    if !storable(unit) {
        return Ok(Vec::new());
    }
    let query = sql_query(
        "SELECT id FROM subject WHERE org_id = $1 AND kind = 'vehicle' \
         AND EXISTS (SELECT FROM jsonb_array_elements(state -> 'versions') AS v (version) \
                     WHERE version -> 'body' ->> 'unit' = $2) ORDER BY id",
    );
    let query = query.bind::<Id, _>(org).bind::<Text, _>(unit);
    Ok(ids(Prepared(query).load(conn).await?))
}
