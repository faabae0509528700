//! The refused entries, for whoever has to see to them.

use crate::StoreError;
use crate::prepared::Prepared;
use crate::read::{Kept, KeptRow};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Bool, Nullable, Text, Timestamptz};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::canonical::Line;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// Which refusals are asked for: those to which all that is given applies.
#[derive(Clone, Debug, Default)]
pub struct RefusalFilter {
    /// Of work at this depot.
    pub depot: Option<Uuid>,
    /// Of work on this vehicle.
    pub vehicle: Option<Uuid>,
    /// Of work done or sent by this person.
    pub by: Option<Uuid>,
    /// Stopped by the rule of this id.
    pub rule: Option<String>,
    /// Recorded before this moment.
    pub recorded_before: Option<DateTime<Utc>>,
    /// Whether those that a recorded entry settled are among them.
    pub settled: bool,
}

/// A refused entry with what it is about.
#[derive(Clone, Debug)]
pub struct Refusal {
    /// The entry.
    pub kept: Kept<Line>,
    /// Where the work was to be done: the depot that the entry names, or its subject's own.
    pub depot: Option<Uuid>,
    /// On which vehicle: the one that the entry names, or the one that its subject is on or is.
    pub vehicle: Option<Uuid>,
    /// The recorded entry that tried it again, or says what became of it.
    pub settled_by: Option<Uuid>,
}

#[derive(QueryableByName)]
struct RefusalRow {
    #[diesel(embed)]
    kept: KeptRow,
    #[diesel(sql_type = Nullable<Id>)]
    depot: Option<Uuid>,
    #[diesel(sql_type = Nullable<Id>)]
    vehicle: Option<Uuid>,
    #[diesel(sql_type = Nullable<Id>)]
    settled_by: Option<Uuid>,
}

/// Refused entries in the order in which they were recorded, after this one.
///
/// # Errors
/// When the database fails.
pub async fn refusals(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    filter: &RefusalFilter,
    after: Option<Uuid>,
    most: i64,
) -> Result<Vec<Refusal>, StoreError> {
    let query = sql_query(
        "SELECT entry.bytes, personal.bytes AS personal, place.depot, place.vehicle, \
                again.id AS settled_by \
           FROM entry \
           JOIN subject ON subject.org_id = $1 AND subject.kind = entry.subject_kind \
                       AND subject.id = entry.subject_id \
           LEFT JOIN personal ON personal.org_id = $1 AND personal.entry_id = entry.id \
           LEFT JOIN LATERAL (SELECT id FROM entry AS later \
                               WHERE later.org_id = $1 AND later.closes = entry.id \
                                 AND NOT later.refused ORDER BY n LIMIT 1) AS again ON true \
          CROSS JOIN LATERAL (SELECT convert_from(entry.bytes, 'UTF8')::jsonb AS json) AS record \
          CROSS JOIN LATERAL (SELECT \
                coalesce((json -> 'facts' ->> 'depot')::uuid, subject.depot, \
                         (subject.state -> 'versions' -> -1 -> 'body' ->> 'depot')::uuid) AS depot, \
                coalesce((json -> 'facts' ->> 'vehicle')::uuid, subject.vehicle, \
                         CASE WHEN subject.kind = 'vehicle' THEN subject.id END) AS vehicle) AS place \
          WHERE entry.org_id = $1 AND entry.refused \
            AND ($2 IS NULL OR place.depot = $2) AND ($3 IS NULL OR place.vehicle = $3) \
            AND ($4 IS NULL OR $4::text IN (json ->> 'by', json ->> 'sender')) \
            AND ($5 IS NULL OR json @> jsonb_build_object('outcome', jsonb_build_object( \
                    'reasons', jsonb_build_array(jsonb_build_object('rule', $5::text))))) \
            AND ($6 IS NULL OR entry.recorded_at < $6) AND ($7 OR again.id IS NULL) \
            AND ($8 IS NULL OR (entry.recorded_at, entry.id) > \
                    (SELECT recorded_at, id FROM entry WHERE org_id = $1 AND id = $8)) \
          ORDER BY entry.recorded_at, entry.id LIMIT $9",
    )
    .bind::<Id, _>(org)
    .bind::<Nullable<Id>, _>(filter.depot)
    .bind::<Nullable<Id>, _>(filter.vehicle)
    .bind::<Nullable<Text>, _>(filter.by.map(|person| person.to_string()))
    .bind::<Nullable<Text>, _>(filter.rule.as_deref())
    .bind::<Nullable<Timestamptz>, _>(filter.recorded_before)
    .bind::<Bool, _>(filter.settled)
    .bind::<Nullable<Id>, _>(after)
    .bind::<BigInt, _>(most);
    let rows: Vec<RefusalRow> = Prepared(query).load(conn).await?;
    let read = |row: RefusalRow| {
        let RefusalRow { kept, depot, vehicle, settled_by } = row;
        Ok(Refusal { kept: kept.line()?, depot, vehicle, settled_by })
    };
    rows.into_iter().map(read).collect()
}
