//! Reading what decisions stand on.

use crate::json::Json;
use crate::prepared::Prepared;
use crate::spots::{self, SpotRow};
use crate::{StoreError, past};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Binary, Bool, Jsonb, Nullable, SmallInt, Text, Timestamptz,
};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use futures_util::future::try_join_all;
use rules::facts::chart::ChartKind;
use rules::fold::State;
use rules::fold::casing::Casing;
use rules::world::{Head, Owned, Retried, Wants};
use rules::{Command, Entry, Subject, SubjectKind, View, World, due};
use std::collections::{BTreeMap, BTreeSet};
use tokio::try_join;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// All that decisions on these commands of this person read, as it stands now, unlocked.
///
/// # Errors
/// When the database fails.
pub async fn world(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    person: Uuid,
    commands: &[Command],
) -> Result<World, StoreError> {
    let mut world = World::new(org);
    let wants = |world: &World| world.wants(commands.iter().map(|command| (person, command)));
    fill(conn, &mut world, wants).await?;
    Ok(world)
}

/// These casings, and all that says what is due of them, as it stood in a view.
///
/// # Errors
/// When the database fails.
pub async fn due(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    casings: impl IntoIterator<Item = (Uuid, Casing)>,
    view: View,
) -> Result<World, StoreError> {
    let mut world = World::new(org);
    for (id, casing) in casings {
        let head = Head { state: State::Casing(casing.into()), ..Head::default() };
        world.heads.insert(Subject::casing(id), head);
    }
    fill(conn, &mut world, due::wants).await?;
    if !view.is_now() {
        past::look_back(conn, &mut world, view).await?;
    }
    Ok(world)
}

/// Loads what is wanted until nothing more is: in each round all that is known to be missing,
/// in one go.
pub(crate) async fn fill(
    conn: &AsyncPgConnection,
    world: &mut World,
    wants: impl Fn(&World) -> Wants,
) -> Result<(), StoreError> {
    loop {
        let wants = wants(world);
        if wants.is_empty() {
            return Ok(());
        }
        let loaded = load(conn, world.org, wants).await?;
        loaded.put_in(world)?;
    }
}

/// What was wanted, as the database keeps it.
pub(crate) struct Loaded {
    wants: Wants,
    heads: Vec<HeadRow>,
    on_spots: Vec<SpotRow>,
    marks: BTreeMap<Owned, Option<Subject>>,
    retried: BTreeMap<Uuid, Option<Retried>>,
    histories: Vec<Vec<Entry>>,
}

/// Loads all that is wanted, in one go.
pub(crate) async fn load(
    conn: &AsyncPgConnection,
    org: Uuid,
    wants: Wants,
) -> Result<Loaded, StoreError> {
    let histories = wants.histories.iter().map(|subject| history(conn, org, *subject, None));
    let (
        named,
        on_wheels,
        on_axles,
        on_spots,
        recommendations,
        charts,
        worked_on,
        marks,
        retried,
        histories,
    ) = try_join!(
        heads_named(conn, org, &wants.subjects),
        heads_on_wheels(conn, org, &wants.wheels),
        heads_on_axles(conn, org, &wants.axles),
        spots::heads(conn, org, &wants.spots),
        recommendations(conn, org, &wants.models),
        charts(conn, org, &wants.charts),
        heads_worked_on(conn, org, &wants.takeovers),
        marks(conn, org, &wants.marks),
        retried(conn, org, &wants.retried),
        try_join_all(histories),
    )?;
    let heads = [named, on_wheels, on_axles, recommendations, charts, worked_on];
    let heads = heads.into_iter().flatten().collect();
    Ok(Loaded { wants, heads, on_spots, marks, retried, histories })
}

impl Loaded {
    /// Puts it into a world.
    pub(crate) fn put_in(self, world: &mut World) -> Result<(), StoreError> {
        let wants = self.wants;
        for row in self.heads {
            let (subject, head) = row.read()?;
            // What is there already was read together with others.
            world.heads.entry(subject).or_insert(head);
        }
        spots::put_in(self.on_spots, &wants.spots, world)?;
        for subject in &wants.subjects {
            // What is not on record has an empty head.
            world.heads.entry(*subject).or_default();
        }
        world.wheels.extend(&wants.wheels);
        world.axles.extend(&wants.axles);
        world.models.extend(&wants.models);
        world.charts.extend(&wants.charts);
        world.takeovers.extend(&wants.takeovers);
        world.owners.extend(self.marks);
        world.retried.extend(self.retried);
        world.histories.extend(wants.histories.into_iter().zip(self.histories));
        Ok(())
    }
}

/// The columns of a head, in the order of [`HeadRow`].
pub(crate) const HEAD: &str = "kind, id, n, last_entry, recorded_at, occurred_at, state";

/// A head as the database keeps it.
#[derive(QueryableByName)]
pub(crate) struct HeadRow {
    #[diesel(sql_type = Text)]
    pub(crate) kind: String,
    #[diesel(sql_type = Id)]
    pub(crate) id: Uuid,
    #[diesel(sql_type = BigInt)]
    n: i64,
    #[diesel(sql_type = Nullable<Id>)]
    last_entry: Option<Uuid>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    recorded_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    occurred_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    state: Option<Json>,
}

impl HeadRow {
    /// The subject and its head.
    pub(crate) fn read(self) -> Result<(Subject, Head), StoreError> {
        let subject = subject(&self.kind, self.id)?;
        let state = match self.state {
            Some(json) => State::read(subject.kind, &json.0).map_err(|error| {
                StoreError::Broken(format!("the state of {}: {error}", self.id))
            })?,
            None => State::Unknown,
        };
        let head = Head {
            n: u64::try_from(self.n).unwrap_or_default(),
            last: self.last_entry,
            recorded_at: self.recorded_at,
            occurred_at: self.occurred_at,
            state,
        };
        Ok((subject, head))
    }
}

/// The subject of this kind, by the kind's name in the database.
pub(crate) fn subject(kind: &str, id: Uuid) -> Result<Subject, StoreError> {
    let kind = SubjectKind::from_name(kind)
        .ok_or_else(|| StoreError::Broken(format!("there is no kind of subject {kind}")))?;
    Ok(Subject::of(kind, id))
}

/// Kinds and ids of subjects, as arrays that a statement unnests.
pub(crate) fn columns<'a>(
    subjects: impl IntoIterator<Item = &'a Subject>,
) -> (Vec<&'static str>, Vec<Uuid>) {
    subjects.into_iter().map(|subject| (subject.kind.name(), subject.id)).unzip()
}

/// Axles, as arrays that a statement unnests: of which vehicle, and which from the front.
pub(crate) fn axle_columns(axles: &BTreeSet<(Uuid, u8)>) -> (Vec<Uuid>, Vec<i16>) {
    axles.iter().map(|&(vehicle, axle)| (vehicle, i16::from(axle))).unzip()
}

async fn heads_named(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    subjects: &BTreeSet<Subject>,
) -> Result<Vec<HeadRow>, StoreError> {
    if subjects.is_empty() {
        return Ok(Vec::new());
    }
    let (kinds, ids) = columns(subjects);
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 \
         AND (kind, id) IN (SELECT * FROM unnest($2, $3))"
    );
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Text>, _>(kinds);
    Ok(Prepared(query.bind::<Array<Id>, _>(ids)).load(&mut conn).await?)
}

async fn heads_on_wheels(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    wheels: &BTreeSet<Uuid>,
) -> Result<Vec<HeadRow>, StoreError> {
    if wheels.is_empty() {
        return Ok(Vec::new());
    }
    let text = format!("SELECT {HEAD} FROM subject WHERE org_id = $1 AND wheel = ANY($2)");
    let wheels: Vec<Uuid> = wheels.iter().copied().collect();
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Id>, _>(wheels);
    Ok(Prepared(query).load(&mut conn).await?)
}

async fn heads_on_axles(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    axles: &BTreeSet<(Uuid, u8)>,
) -> Result<Vec<HeadRow>, StoreError> {
    if axles.is_empty() {
        return Ok(Vec::new());
    }
    let (vehicles, axles) = axle_columns(axles);
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 \
         AND (vehicle, axle) IN (SELECT * FROM unnest($2, $3))"
    );
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Id>, _>(vehicles);
    Ok(Prepared(query.bind::<Array<SmallInt>, _>(axles)).load(&mut conn).await?)
}

/// Of each of these vehicles the first casing that ended its takeover, if there is one.
pub(crate) async fn heads_worked_on(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    vehicles: &BTreeSet<Uuid>,
) -> Result<Vec<HeadRow>, StoreError> {
    if vehicles.is_empty() {
        return Ok(Vec::new());
    }
    let text = format!(
        "SELECT first.* FROM unnest($2) AS v (vehicle), \
         LATERAL (SELECT {HEAD} FROM subject WHERE org_id = $1 \
                  AND worked_on @> jsonb_build_array(v.vehicle) ORDER BY id LIMIT 1) AS first"
    );
    let vehicles: Vec<Uuid> = vehicles.iter().copied().collect();
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Id>, _>(vehicles);
    Ok(Prepared(query).load(&mut conn).await?)
}

/// The recommendations that speak of one of these models, in any of their versions.
async fn recommendations(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    models: &BTreeSet<Uuid>,
) -> Result<Vec<HeadRow>, StoreError> {
    if models.is_empty() {
        return Ok(Vec::new());
    }
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 AND kind = 'recommendation' \
         AND EXISTS (SELECT FROM jsonb_array_elements(state -> 'versions') AS v (version), \
                     jsonb_array_elements_text(version -> 'body' -> 'models') AS m (spoken_of) \
                     WHERE spoken_of::uuid = ANY($2))"
    );
    let models: Vec<Uuid> = models.iter().copied().collect();
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Id>, _>(models);
    Ok(Prepared(query).load(&mut conn).await?)
}

/// The charts of these kinds; each stays of the kind of its first version.
async fn charts(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    kinds: &BTreeSet<ChartKind>,
) -> Result<Vec<HeadRow>, StoreError> {
    if kinds.is_empty() {
        return Ok(Vec::new());
    }
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 AND kind = 'chart' \
         AND EXISTS (SELECT FROM unnest($2) AS k (kind_of_chart) \
                     WHERE state #> ARRAY['versions', '0', 'body', 'rows', kind_of_chart] IS NOT NULL)"
    );
    let kinds: Vec<&str> = kinds.iter().map(|kind| kind.name()).collect();
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Text>, _>(kinds);
    Ok(Prepared(query).load(&mut conn).await?)
}

/// A mark and whose it is.
#[derive(QueryableByName)]
pub(crate) struct MarkRow {
    #[diesel(sql_type = Text)]
    pub(crate) kind: String,
    #[diesel(sql_type = Text)]
    pub(crate) value: String,
    #[diesel(sql_type = Text)]
    pub(crate) subject_kind: String,
    #[diesel(sql_type = Id)]
    pub(crate) subject_id: Uuid,
}

/// The owner of each of these marks; none where a mark is free.
async fn marks(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    marks: &BTreeSet<Owned>,
) -> Result<BTreeMap<Owned, Option<Subject>>, StoreError> {
    if marks.is_empty() {
        return Ok(BTreeMap::new());
    }
    let (kinds, values): (Vec<&str>, Vec<&str>) = marks.iter().map(Owned::parts).unzip();
    let query = sql_query(
        "SELECT kind, value, subject_kind, subject_id FROM mark \
         WHERE org_id = $1 AND (kind, value) IN (SELECT * FROM unnest($2, $3))",
    );
    let query = query.bind::<Id, _>(org).bind::<Array<Text>, _>(kinds);
    let rows: Vec<MarkRow> = Prepared(query.bind::<Array<Text>, _>(values)).load(&mut conn).await?;
    let owner_of = |mark: &Owned| {
        let row = rows.iter().find(|row| mark.parts() == (&*row.kind, &*row.value));
        row.map(|row| subject(&row.subject_kind, row.subject_id)).transpose()
    };
    marks.iter().map(|mark| Ok((mark.clone(), owner_of(mark)?))).collect()
}

#[derive(QueryableByName)]
struct RetriedRow {
    #[diesel(sql_type = Id)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    subject_kind: String,
    #[diesel(sql_type = Id)]
    subject_id: Uuid,
    #[diesel(sql_type = Bool)]
    refused: bool,
}

/// What is known of each of these entries; nothing where there is none.
async fn retried(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    ids: &BTreeSet<Uuid>,
) -> Result<BTreeMap<Uuid, Option<Retried>>, StoreError> {
    if ids.is_empty() {
        return Ok(BTreeMap::new());
    }
    let query = sql_query(
        "SELECT id, subject_kind, subject_id, refused FROM entry \
         WHERE org_id = $1 AND id = ANY($2)",
    );
    let list: Vec<Uuid> = ids.iter().copied().collect();
    let query = query.bind::<Id, _>(org).bind::<Array<Id>, _>(list);
    let rows: Vec<RetriedRow> = Prepared(query).load(&mut conn).await?;
    let mut found: BTreeMap<Uuid, Option<Retried>> = ids.iter().map(|id| (*id, None)).collect();
    for row in rows {
        let subject = subject(&row.subject_kind, row.subject_id)?;
        found.insert(row.id, Some(Retried { subject, refused: row.refused }));
    }
    Ok(found)
}

/// The bytes of an entry.
#[derive(QueryableByName)]
pub(crate) struct BytesRow {
    #[diesel(sql_type = Binary)]
    pub(crate) bytes: Vec<u8>,
}

impl BytesRow {
    pub(crate) fn read(self) -> Result<Entry, StoreError> {
        Entry::read(&self.bytes).map_err(|error| StoreError::Broken(error.to_string()))
    }
}

/// All entries of a subject in the order of arrival, up to one of them where it is given.
pub(crate) async fn history(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    subject: Subject,
    up_to_n: Option<u64>,
) -> Result<Vec<Entry>, StoreError> {
    let query = sql_query(
        "SELECT bytes FROM entry \
         WHERE org_id = $1 AND subject_kind = $2 AND subject_id = $3 AND n <= $4 ORDER BY n",
    );
    let up_to = up_to_n.and_then(|n| i64::try_from(n).ok()).unwrap_or(i64::MAX);
    let query = query.bind::<Id, _>(org).bind::<Text, _>(subject.kind.name());
    let query = query.bind::<Id, _>(subject.id).bind::<BigInt, _>(up_to);
    let rows: Vec<BytesRow> = Prepared(query).load(&mut conn).await?;
    rows.into_iter().map(BytesRow::read).collect()
}
