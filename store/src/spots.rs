//! Which casings were where: the wheels and positions that entries put casings on.

use crate::StoreError;
use crate::load::HeadRow;
use crate::prepared::Prepared;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Nullable, Text, Timestamptz};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use rules::spot::Spot;
use rules::{Entry, World};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// The wheel, and the vehicle with its position, that an entry puts a casing on.
pub(crate) fn put_on(entry: &Entry) -> (Option<Uuid>, Option<String>) {
    let spots = entry.facts.put_on();
    (spots.iter().find_map(Spot::wheel), spots.iter().find_map(Spot::position))
}

/// Spots and since when they are looked at, as arrays that a statement unnests.
#[derive(Default)]
pub(crate) struct Columns {
    pub(crate) wheels: Vec<Option<Uuid>>,
    pub(crate) positions: Vec<Option<String>>,
    pub(crate) since: Vec<DateTime<Utc>>,
}

impl Columns {
    pub(crate) fn of<'a>(spots: impl IntoIterator<Item = (&'a Spot, DateTime<Utc>)>) -> Columns {
        let mut columns = Columns::default();
        for (spot, since) in spots {
            columns.wheels.push(spot.wheel());
            columns.positions.push(spot.position());
            columns.since.push(since);
        }
        columns
    }
}

/// The head of a casing that was put on a spot.
#[derive(QueryableByName)]
pub(crate) struct SpotRow {
    #[diesel(sql_type = Nullable<Id>)]
    on_wheel: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    at_position: Option<String>,
    #[diesel(embed)]
    head: HeadRow,
}

impl SpotRow {
    fn is_of(&self, spot: &Spot) -> bool {
        (self.on_wheel, &self.at_position) == (spot.wheel(), &spot.position())
    }
}

/// The casings that were put on each of these spots after a moment, and of those before it
/// the last, where something is known of them after that moment: all that were there then or
/// came later and are somewhere else now.
pub(crate) async fn heads(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    spots: &BTreeMap<Spot, DateTime<Utc>>,
) -> Result<Vec<SpotRow>, StoreError> {
    if spots.is_empty() {
        return Ok(Vec::new());
    }
    let columns = Columns::of(spots.iter().map(|(spot, since)| (spot, *since)));
    let query = sql_query(
        "SELECT there.on_wheel, there.at_position, \
             s.kind, s.id, s.n, s.last_entry, s.recorded_at, s.occurred_at, s.state \
         FROM casings_on_spots($1, $2, $3, $4) AS there \
         JOIN subject s ON s.org_id = $1 AND s.kind = 'casing' AND s.id = there.casing",
    );
    let query = query.bind::<Id, _>(org).bind::<Array<Nullable<Id>>, _>(columns.wheels);
    let query = query.bind::<Array<Nullable<Text>>, _>(columns.positions);
    Ok(Prepared(query.bind::<Array<Timestamptz>, _>(columns.since)).load(&mut conn).await?)
}

/// Puts into a world what was found on the spots that were looked for.
pub(crate) fn put_in(
    found: Vec<SpotRow>,
    spots: &BTreeMap<Spot, DateTime<Utc>>,
    world: &mut World,
) -> Result<(), StoreError> {
    for (spot, since) in spots {
        world.spots.insert(*spot, (*since, BTreeSet::new()));
    }
    for row in found {
        let spot = spots.keys().find(|spot| row.is_of(spot));
        let (subject, head) = row.head.read()?;
        if let Some((_, casings)) = spot.and_then(|spot| world.spots.get_mut(spot)) {
            casings.insert(subject.id);
        }
        world.heads.entry(subject).or_insert(head);
    }
    Ok(())
}
