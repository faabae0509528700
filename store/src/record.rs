//! The one write path of the ledger.
//!
//! Read the subjects concerned, decide each command in turn; then, in one go, lock what the
//! decisions stood on, in one sorted statement that stops where it has changed meanwhile, and
//! write what was decided. Stopped so, the work is done again from the start; after the lock
//! only a fault can stop the write.

use crate::load::{self, BytesRow, HEAD, HeadRow};
use crate::prepared::Prepared;
use crate::{StoreError, insert};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Binary, Bool, Nullable, Text};
use diesel_async::{AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection};
use rand::RngCore;
use rules::canonical::personal_hash;
use rules::entry::Sender;
use rules::facts::Personal;
use rules::world::{Head, Owned, Wants, owned};
use rules::{Command, Entry, Facts, Field, Subject, SubjectKind, World, decide};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use tokio::try_join;
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// A command with what it is known by when it comes again.
#[derive(Clone, Debug)]
pub struct Sent {
    /// The command.
    pub command: Command,
    /// HMAC-SHA-256 of what was sent, under a key of the organisation.
    pub content: [u8; 32],
}

/// What one caller asks to be recorded, in this order.
#[derive(Clone, Debug)]
pub struct Request {
    /// Who sends it.
    pub sender: Sender,
    /// What is sent.
    pub commands: Vec<Sent>,
}

/// What became of a command.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// It is in the ledger: its own entry, recorded or refused, then what the ledger added.
    /// The same for the same command, whenever it is sent again.
    Decided(Vec<Entry>),
    /// The same, of what was sent before and has lost its personal part since, on a legal order.
    Erased(Vec<Entry>),
    /// Nothing of its subject is on record, and it does not begin it. Nothing is stored.
    Unknown,
    /// It points to what is not on record. Nothing is stored.
    Impossible(Vec<Field>),
    /// Its sender may not change what it names. Nothing is stored.
    Forbidden,
    /// Its id was sent before with other content; what differs. Nothing is stored.
    Reused(Vec<Field>),
}

/// A personal part on its way into the ledger.
pub(crate) struct Apart {
    pub(crate) entry: Uuid,
    pub(crate) salt: [u8; 16],
    pub(crate) personal: Personal,
}

/// What was decided and is to be written.
#[derive(Default)]
pub(crate) struct Written {
    pub(crate) entries: Vec<Entry>,
    /// By entry; none for what the ledger adds.
    pub(crate) contents: HashMap<Uuid, [u8; 32]>,
    pub(crate) personal: Vec<Apart>,
}

/// Records what was asked, all of it or, on an error, none of it. The answers have the
/// lengths and order of what was asked. The only function that adds entries.
///
/// # Errors
/// [`StoreError::Overtaken`] where another transaction came between; then it is to be run
/// again from the start, as [`Store::in_org`](crate::Store::in_org) does.
pub async fn record(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    now: DateTime<Utc>,
    requests: &[Request],
) -> Result<Vec<Vec<Answer>>, StoreError> {
    let (mut world, mut known) = read(conn, org, requests).await?;
    let before = Before::of(&world);
    let (answers, written) = decide_all(&mut world, now, requests, &mut known);
    insert::all(conn, &before, &world, &written).await?;
    Ok(answers)
}

/// The answers that [`record`] would give, with nothing locked and nothing written.
///
/// # Errors
/// When the database fails.
pub async fn judge(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    now: DateTime<Utc>,
    requests: &[Request],
) -> Result<Vec<Vec<Answer>>, StoreError> {
    let (mut world, mut known) = read(conn, org, requests).await?;
    Ok(decide_all(&mut world, now, requests, &mut known).0)
}

/// The answer that was given to this id before, if it was sent before.
///
/// # Errors
/// When the database fails.
pub async fn seen(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    id: Uuid,
    content: &[u8; 32],
) -> Result<Option<Answer>, StoreError> {
    let known = load_known(conn, org, &[id]).await?;
    Ok(known.get(&id).map(|known| match known.content == *content {
        true => known.answer(),
        false => Answer::Reused(vec![Field::new("", "It was sent before with another body.")]),
    }))
}

/// An entry that is in the ledger already, with what was added because of it.
struct Known {
    content: Vec<u8>,
    entries: Vec<Entry>,
    /// Its personal part was erased.
    erased: bool,
}

impl Known {
    fn answer(&self) -> Answer {
        let entries = self.entries.clone();
        if self.erased { Answer::Erased(entries) } else { Answer::Decided(entries) }
    }
}

#[derive(QueryableByName)]
struct KnownRow {
    #[diesel(sql_type = Nullable<Binary>)]
    content: Option<Vec<u8>>,
    #[diesel(sql_type = Binary)]
    bytes: Vec<u8>,
    #[diesel(sql_type = Bool)]
    apart: bool,
}

/// What the decisions stand on, and which commands are in the ledger already.
async fn read(
    conn: &AsyncPgConnection,
    org: Uuid,
    requests: &[Request],
) -> Result<(World, HashMap<Uuid, Known>), StoreError> {
    let mut world = World::new(org);
    let ids: Vec<Uuid> = requests
        .iter()
        .flat_map(|request| request.commands.iter().map(|sent| sent.command.id))
        .collect();
    // What all of them want is asked for together with which of them are known.
    let first = wants(&world, requests, &HashMap::new());
    let (known, loaded) = try_join!(load_known(conn, org, &ids), load::load(conn, org, first))?;
    loaded.put_in(&mut world)?;
    load::fill(conn, &mut world, |world| wants(world, requests, &known)).await?;
    Ok((world, known))
}

async fn load_known(
    mut conn: &AsyncPgConnection,
    org: Uuid,
    ids: &[Uuid],
) -> Result<HashMap<Uuid, Known>, StoreError> {
    let query = sql_query(
        "SELECT content, bytes, EXISTS (SELECT FROM personal \
                    WHERE personal.org_id = $1 AND personal.entry_id = entry.id) AS apart \
         FROM entry WHERE org_id = $1 AND (id = ANY($2) OR cause = ANY($2)) \
         ORDER BY recorded_at",
    );
    let query = query.bind::<Id, _>(org).bind::<Array<Id>, _>(ids);
    let mut known: HashMap<Uuid, Known> = HashMap::new();
    // What the ledger adds is recorded after its cause.
    for row in Prepared(query).load::<KnownRow>(&mut conn).await? {
        let entry = BytesRow { bytes: row.bytes }.read()?;
        // What the ledger added itself has no content and so is never "sent again".
        if ids.contains(&entry.id) {
            let content = row.content.unwrap_or_default();
            let erased = entry.personal_hash.is_some() && !row.apart;
            known.insert(entry.id, Known { content, entries: vec![entry.clone()], erased });
        }
        if let Some(cause) = entry.cause.and_then(|cause| known.get_mut(&cause)) {
            cause.entries.push(entry);
        }
    }
    Ok(known)
}

/// The commands of a request that are not in the ledger yet.
fn fresh<'a>(
    request: &'a Request,
    known: &'a HashMap<Uuid, Known>,
) -> impl Iterator<Item = &'a Command> {
    let commands = request.commands.iter().map(|sent| &sent.command);
    commands.filter(|command| !known.contains_key(&command.id))
}

fn wants(world: &World, requests: &[Request], known: &HashMap<Uuid, Known>) -> Wants {
    let of_request =
        |request| fresh(request, known).map(|command| (request.sender.person, command));
    world.wants(requests.iter().flat_map(of_request))
}

/// Whether entries about other subjects may be decided on this one at the same time, so
/// that it has to be locked. People, gauges, models and the like are read as they stand.
fn is_locked(kind: SubjectKind) -> bool {
    use SubjectKind as K;
    matches!(kind, K::Casing | K::Vehicle | K::Wheel | K::Cage)
}

/// What the decisions stood on, of which something may be written.
pub(crate) struct Before {
    /// Heads as they were read: how many entries each had, and its marks.
    pub(crate) heads: BTreeMap<Subject, (u64, Vec<Owned>)>,
    /// Vehicles whose takeover no casing's entry had ended.
    pub(crate) takeovers: BTreeSet<Uuid>,
}

impl Before {
    fn of(world: &World) -> Before {
        let read = |head: &Head| (head.n, owned(&head.state));
        let heads = world.heads.iter().map(|(subject, head)| (*subject, read(head)));
        let open = world.takeovers.iter().filter(|vehicle| world.worked_on(**vehicle).is_none());
        Before { heads: heads.collect(), takeovers: open.copied().collect() }
    }

    /// What has to be as it was read when it is written: subject and number of entries.
    pub(crate) fn stood_on(&self, written: &Written) -> Vec<(Subject, u64)> {
        let own: BTreeSet<Subject> = written.entries.iter().map(|entry| entry.subject).collect();
        let heads = self.heads.iter().filter(|(subject, (n, _))| {
            *n > 0 && (is_locked(subject.kind) || own.contains(subject))
        });
        heads.map(|(subject, (n, _))| (*subject, *n)).collect()
    }
}

/// Locks the rows of these subjects, in the order of their keys, and reads them.
pub(crate) async fn lock_all(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    subjects: &[Subject],
) -> Result<BTreeMap<Subject, Head>, StoreError> {
    if subjects.is_empty() {
        return Ok(BTreeMap::new());
    }
    let (kinds, ids) = load::columns(subjects);
    let text = format!(
        "SELECT {HEAD} FROM subject WHERE org_id = $1 \
         AND (kind, id) IN (SELECT * FROM unnest($2, $3)) ORDER BY kind, id FOR NO KEY UPDATE"
    );
    let query = sql_query(text).bind::<Id, _>(org).bind::<Array<Text>, _>(kinds);
    let rows: Vec<HeadRow> = Prepared(query.bind::<Array<Id>, _>(ids)).load(conn).await?;
    rows.into_iter().map(HeadRow::read).collect()
}

/// Decides each command in turn; each sees what those before it did.
fn decide_all(
    world: &mut World,
    now: DateTime<Utc>,
    requests: &[Request],
    known: &mut HashMap<Uuid, Known>,
) -> (Vec<Vec<Answer>>, Written) {
    let mut written = Written::default();
    let mut answers = Vec::with_capacity(requests.len());
    for request in requests {
        let mut of_request = Vec::with_capacity(request.commands.len());
        for (i, sent) in request.commands.iter().enumerate() {
            let rest = request.commands[i + 1..].iter().map(|sent| &sent.command);
            let rest: Vec<&Command> = rest.filter(|c| !known.contains_key(&c.id)).collect();
            of_request.push(decide_one(
                world,
                now,
                request.sender,
                sent,
                &rest,
                known,
                &mut written,
            ));
        }
        answers.push(of_request);
    }
    (answers, written)
}

fn decide_one(
    world: &mut World,
    now: DateTime<Utc>,
    sender: Sender,
    sent: &Sent,
    rest: &[&Command],
    known: &mut HashMap<Uuid, Known>,
    written: &mut Written,
) -> Answer {
    let command = &sent.command;
    if let Some(known) = known.get(&command.id) {
        return again(known, sent);
    }
    if world.unknown(command) {
        return Answer::Unknown;
    }
    let dangling = world.dangling(command);
    if !dangling.is_empty() {
        return Answer::Impossible(dangling);
    }
    if world.forbidden(sender.person, command) {
        return Answer::Forbidden;
    }
    let apart = command.personal.clone().map(|personal| {
        let mut salt = [0; 16];
        rand::rng().fill_bytes(&mut salt);
        Apart { entry: command.id, salt, personal }
    });
    let hash = apart.as_ref().map(|apart| personal_hash(&apart.salt, &apart.personal));
    let entries = decide(world, now, sender, command, rest, hash);
    for entry in &entries {
        world.apply(entry);
    }
    written.entries.extend(entries.iter().cloned());
    written.contents.insert(command.id, sent.content);
    written.personal.extend(apart);
    for entry in entries.iter().filter_map(erased_by) {
        known.entry(entry).and_modify(|known| known.erased = true);
    }
    let content = sent.content.to_vec();
    known.insert(command.id, Known { content, entries: entries.clone(), erased: false });
    Answer::Decided(entries)
}

/// The entry that this one takes the personal part from.
pub(crate) fn erased_by(entry: &Entry) -> Option<Uuid> {
    match &entry.facts {
        Facts::Erased(facts) if entry.recorded() => Some(facts.entry),
        _ => None,
    }
}

/// The answer to what was sent before.
fn again(known: &Known, sent: &Sent) -> Answer {
    if known.content == sent.content {
        return known.answer();
    }
    Answer::Reused(differences(&known.entries[0], &sent.command))
}

/// Names the parts in which a command differs from the entry that has its id.
fn differences(entry: &Entry, command: &Command) -> Vec<Field> {
    let same = [
        ("/kind", entry.facts.kind() == command.facts.kind()),
        ("/subject", entry.subject == command.subject),
        ("/occurred_at", entry.occurred_at == command.occurred_at),
        ("/by", command.by.is_none_or(|by| by == entry.by)),
        ("/facts", entry.facts == command.facts),
        ("/attested", entry.attested == command.attested),
        ("/retries", entry.retries == command.retries),
    ];
    let mut differing: Vec<&str> =
        same.into_iter().filter(|(_, same)| !same).map(|(pointer, _)| pointer).collect();
    if differing.is_empty() {
        // All that is left is what the entry keeps as a hash only, or how it was written.
        differing.push(if entry.personal_hash.is_some() || command.personal.is_some() {
            "/personal"
        } else {
            ""
        });
    }
    let say = "This id was sent before with something else here.";
    differing.into_iter().map(|pointer| Field::new(pointer, say)).collect()
}

/// Counts anew what the tables hold, so far as this transaction has filled them. Much recorded in one
/// transaction would else be looked for as in tables that are still empty: nobody but the transaction
/// itself sees what they hold by now. Where the database's user does not own the tables it does nothing.
///
/// # Errors
/// Those of the statement.
pub async fn take_stock(conn: &mut AsyncPgConnection) -> Result<(), StoreError> {
    let count = "SET LOCAL ROLE NONE; ANALYZE entry, subject, personal, mark; \
                 SET LOCAL ROLE proofhold_service";
    Ok(conn.batch_execute(count).await?)
}
