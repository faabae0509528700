//! Reading the whole ledger again: does every entry say what was decided, does every row say
//! what its entries say?
//!
//! Nothing stored is trusted but the bytes of the entries, and these only as far as the rules
//! give the same bytes again from what each decision stood on.

use crate::StoreError;
use crate::load::{self, HEAD, HeadRow, MarkRow};
use crate::read;
use crate::record::erased_by;
use crate::spots::put_on;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Binary, Bool, Nullable, Text, Timestamptz};
use diesel_async::{AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection};
use rules::canonical::{leaf_hash, personal_hash};
use rules::entry::Sender;
use rules::world::{Head, Owned, Retried, owned};
use rules::{Command, Entry, Subject, World, decide};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet, btree_map};
use uuid::Uuid;

type Id = diesel::sql_types::Uuid;

/// Entries read at once.
const PAGE: i64 = 500;

/// The first thing that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wrong {
    /// What it is about.
    pub subject: Subject,
    /// The entry, where one is wrong.
    pub entry: Option<Uuid>,
    /// What is wrong.
    pub say: String,
}

/// What a check found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// Entries that were read and are right.
    pub entries: u64,
    /// Those of them that earlier rules decided, and today's would decide otherwise.
    pub otherwise: u64,
    /// Subjects they are about.
    pub subjects: u64,
    /// The first wrong thing; what follows it was not looked at.
    pub wrong: Option<Wrong>,
}

/// Checks the ledger of an organisation as it is at one moment. It is to be the first work
/// of its transaction.
///
/// # Errors
/// When the database fails.
pub async fn check(conn: &mut AsyncPgConnection, org: Uuid) -> Result<Report, StoreError> {
    conn.batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY").await?;
    let mut checker = Checker { org, ..Checker::default() };
    let wrong = match checker.read_all(conn).await? {
        None => checker.compare_rows(conn).await?,
        wrong => wrong,
    };
    let subjects = checker.heads.len() as u64;
    let otherwise = checker.otherwise.len() as u64;
    Ok(Report { entries: checker.entries, otherwise, subjects, wrong })
}

/// An entry with all that is kept beside its bytes.
#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Id)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    subject_kind: String,
    #[diesel(sql_type = Id)]
    subject_id: Uuid,
    #[diesel(sql_type = BigInt)]
    n: i64,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Timestamptz)]
    occurred_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    recorded_at: DateTime<Utc>,
    #[diesel(sql_type = Bool)]
    refused: bool,
    #[diesel(sql_type = Nullable<Id>)]
    closes: Option<Uuid>,
    #[diesel(sql_type = Nullable<Id>)]
    cause: Option<Uuid>,
    #[diesel(sql_type = Nullable<Id>)]
    wheel: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    position: Option<String>,
    #[diesel(sql_type = Binary)]
    bytes: Vec<u8>,
    #[diesel(sql_type = Nullable<Binary>)]
    leaf_hash: Option<Vec<u8>>,
    #[diesel(sql_type = Nullable<Binary>)]
    salt: Option<Vec<u8>>,
    #[diesel(sql_type = Nullable<Binary>)]
    personal: Option<Vec<u8>>,
}

impl Row {
    /// The entry, if everything beside its bytes agrees with them.
    fn entry(&self, org: Uuid) -> Result<Entry, String> {
        let entry = Entry::from_bytes(&self.bytes).map_err(|error| error.to_string())?;
        let columns = [
            ("org_id", entry.org == org),
            ("id", entry.id == self.id),
            ("subject_kind", entry.subject.kind.name() == self.subject_kind),
            ("subject_id", entry.subject.id == self.subject_id),
            ("n", i64::try_from(entry.n) == Ok(self.n)),
            ("kind", entry.facts.kind().name() == self.kind),
            ("occurred_at", entry.at() == self.occurred_at),
            ("recorded_at", entry.recorded_at == self.recorded_at),
            ("refused", entry.recorded() != self.refused),
            ("closes", entry.closes() == self.closes),
            ("cause", entry.cause == self.cause),
            ("wheel", put_on(&entry).0 == self.wheel),
            ("position", put_on(&entry).1 == self.position),
        ];
        if let Some((column, _)) = columns.iter().find(|(_, agrees)| !agrees) {
            return Err(format!("the column {column} is not what the bytes say"));
        }
        if self.leaf_hash.as_deref() != Some(&leaf_hash(&self.bytes)) {
            return Err("its hash in the seal queue is not the hash of its bytes".to_owned());
        }
        // Without one it was erased, or something is wrong: which, later entries say.
        if self.personal_hash()?.is_some_and(|hash| Some(hash) != entry.personal_hash) {
            return Err("its personal part is not the one it was recorded with".to_owned());
        }
        Ok(entry)
    }

    fn personal_hash(&self) -> Result<Option<String>, String> {
        let (Some(salt), Some(bytes)) = (&self.salt, &self.personal) else {
            return Ok(None);
        };
        let personal = serde_json::from_slice(bytes).map_err(|error| error.to_string())?;
        Ok(Some(personal_hash(salt, &personal)))
    }
}

#[derive(Default)]
struct Checker {
    org: Uuid,
    entries: u64,
    /// What the entries read so far say of each subject.
    heads: BTreeMap<Subject, Head>,
    /// The subject of each newest entry.
    newest: HashMap<Uuid, Subject>,
    /// What the rules added and was not read yet.
    expected: HashMap<Uuid, Entry>,
    /// What earlier rules decided, and today's would decide otherwise.
    otherwise: HashSet<Uuid>,
    /// The entries without their personal part that no order was read for yet.
    bare: HashMap<Uuid, Subject>,
}

impl Checker {
    /// Reads every entry, each after what it follows from, up to the first wrong one.
    async fn read_all(
        &mut self,
        conn: &mut AsyncPgConnection,
    ) -> Result<Option<Wrong>, StoreError> {
        let mut after: Option<Row> = None;
        loop {
            let rows = page(conn, self.org, after.as_ref()).await?;
            for row in &rows {
                if let Err(say) = self.read_one(conn, row).await? {
                    let subject = load::subject(&row.subject_kind, row.subject_id)?;
                    return Ok(Some(Wrong { subject, entry: Some(row.id), say }));
                }
                self.entries += 1;
            }
            let full = rows.len() as i64 == PAGE;
            after = rows.into_iter().last();
            if !full {
                break;
            }
        }
        let missing = self.expected.values().min_by_key(|entry| entry.recorded_at);
        let missing = missing.map(|entry| Wrong {
            subject: entry.subject,
            entry: entry.cause,
            say: format!("what follows from it is missing: {}", entry.facts.kind().name()),
        });
        let bare = self.bare.iter().min_by_key(|(entry, _)| **entry);
        let bare = bare.map(|(entry, subject)| Wrong {
            subject: *subject,
            entry: Some(*entry),
            say: "its personal part is gone, and no order erased it".to_owned(),
        });
        Ok(missing.or(bare))
    }

    async fn read_one(
        &mut self,
        conn: &mut AsyncPgConnection,
        row: &Row,
    ) -> Result<Result<(), String>, StoreError> {
        let entry = match row.entry(self.org) {
            Ok(entry) => entry,
            Err(say) => return Ok(Err(say)),
        };
        let head = self.heads.get(&entry.subject).cloned().unwrap_or_default();
        if entry.n != head.n + 1 {
            return Ok(Err(format!("entry {} of its subject comes after {}", entry.n, head.n)));
        }
        if head.recorded_at.is_some_and(|last| last >= entry.recorded_at) {
            return Ok(Err("it was recorded before the one that it follows".to_owned()));
        }
        match entry.cause {
            // What earlier rules added is not to be had from today's.
            Some(cause) if self.otherwise.contains(&cause) => {}
            Some(_) => match self.expected.remove(&entry.id) {
                Some(expected) if expected == entry => {}
                _ => return Ok(Err("the rules do not add this".to_owned())),
            },
            None => {
                if let Err(say) = self.decide_again(conn, &entry).await? {
                    return Ok(Err(say));
                }
            }
        }
        if entry.personal_hash.is_some() && row.salt.is_none() {
            self.bare.insert(entry.id, entry.subject);
        }
        if let Some(erased) = erased_by(&entry)
            && self.bare.remove(&erased).is_none()
        {
            return Ok(Err("what it erased is still there".to_owned()));
        }
        self.advance(conn, entry).await?;
        Ok(Ok(()))
    }

    /// Takes the decision again from what it stood on.
    async fn decide_again(
        &mut self,
        conn: &mut AsyncPgConnection,
        entry: &Entry,
    ) -> Result<Result<(), String>, StoreError> {
        let version = entry.basis.rules.as_str();
        let earlier = rules::EARLIER_VERSIONS.contains(&version);
        if version != rules::VERSION && !earlier {
            return Ok(Err(format!("version {version} of the rules is not known")));
        }
        let mut rest = read::entries(conn, self.org, &entry.basis.leans_on).await?;
        rest.sort_by_key(|later| entry.basis.leans_on.iter().position(|id| *id == later.id));
        let Some(world) = self.stood_on(conn, entry, &rest).await? else {
            return Ok(Err("it stands on an entry that is not there".to_owned()));
        };
        let sender = Sender { person: entry.sender, sent_at: entry.sent_at };
        let hash = entry.personal_hash.clone();
        let rest: Vec<Command> = rest.iter().map(Entry::command).collect();
        let rest: Vec<&Command> = rest.iter().collect();
        let mut again = decide(&world, entry.recorded_at, sender, &entry.command(), &rest, hash);
        for entry in &mut again {
            version.clone_into(&mut entry.basis.rules);
        }
        if again[0] != *entry && earlier {
            self.otherwise.insert(entry.id);
        } else if again[0] != *entry {
            let say = if again[0].outcome == entry.outcome {
                "decided again, it differs".to_owned()
            } else {
                format!("decided again, it comes out otherwise: {:?}", again[0].outcome)
            };
            return Ok(Err(say));
        } else {
            self.expected.extend(again.into_iter().skip(1).map(|added| (added.id, added)));
        }
        Ok(Ok(()))
    }

    /// The world that a decision read: its own subject as it was, and of every other subject
    /// what was on record up to the entry named in the basis; and so for what it leaned on.
    async fn stood_on(
        &self,
        conn: &mut AsyncPgConnection,
        entry: &Entry,
        rest: &[Entry],
    ) -> Result<Option<World>, StoreError> {
        let mut world = World::new(self.org);
        let own = self.heads.get(&entry.subject).cloned().unwrap_or_default();
        world.heads.insert(entry.subject, own);
        if rest.len() != entry.basis.leans_on.len() {
            return Ok(None);
        }
        for one in std::iter::once(entry).chain(rest) {
            if !self.add_heads(conn, &mut world, &one.basis.entries).await? {
                return Ok(None);
            }
        }
        for later in rest {
            let own = self.heads.get(&later.subject).cloned().unwrap_or_default();
            world.heads.entry(later.subject).or_insert(own);
            let refused = Retried { subject: later.subject, refused: true };
            world.retried.extend(later.retries.map(|id| (id, Some(refused))));
        }
        for (subject, head) in &world.heads {
            for mark in owned(&head.state) {
                world.owners.insert(mark, Some(*subject));
            }
        }
        self.complete(conn, &mut world, entry, rest).await?;
        Ok(Some(world))
    }

    /// Adds what was on record of the subjects of these entries, up to them. Says whether
    /// all of them are there.
    async fn add_heads(
        &self,
        conn: &mut AsyncPgConnection,
        world: &mut World,
        newest: &BTreeSet<Uuid>,
    ) -> Result<bool, StoreError> {
        let mut old = Vec::new();
        for id in newest {
            match self.newest.get(id) {
                Some(subject) => {
                    let head = self.heads[subject].clone();
                    world.heads.entry(*subject).or_insert(head);
                }
                None => old.push(*id),
            }
        }
        let found = read::entries(conn, self.org, &old).await?;
        for read in &found {
            if let btree_map::Entry::Vacant(head) = world.heads.entry(read.subject) {
                let history = load::history(conn, self.org, read.subject, Some(read.n)).await?;
                head.insert(Head::of(&history));
            }
        }
        Ok(found.len() == old.len())
    }

    /// What a decision looked for and did not find was not there.
    async fn complete(
        &self,
        conn: &mut AsyncPgConnection,
        world: &mut World,
        entry: &Entry,
        rest: &[Entry],
    ) -> Result<(), StoreError> {
        let commands: Vec<Command> =
            std::iter::once(entry).chain(rest).map(Entry::command).collect();
        let all: BTreeSet<Uuid> = world.casings().map(|(id, _)| id).collect();
        loop {
            let wants = world.wants(commands.iter().map(|command| (entry.sender, command)));
            if wants.is_empty() {
                return Ok(());
            }
            for subject in wants.subjects {
                world.heads.entry(subject).or_default();
            }
            world.wheels.extend(wants.wheels);
            world.axles.extend(wants.axles);
            for (spot, since) in wants.spots {
                world.spots.insert(spot, (since, all.clone()));
            }
            world.models.extend(wants.models);
            world.charts.extend(wants.charts);
            world.takeovers.extend(wants.takeovers);
            world.owners.extend(wants.marks.into_iter().map(|mark| (mark, None)));
            world.retried.extend(wants.retried.into_iter().map(|id| (id, None)));
            for subject in wants.histories {
                let n = world.heads[&subject].n;
                let history = load::history(conn, self.org, subject, Some(n)).await?;
                world.histories.insert(subject, history);
            }
        }
    }

    /// Takes the entry into its subject's head.
    async fn advance(
        &mut self,
        conn: &mut AsyncPgConnection,
        entry: Entry,
    ) -> Result<(), StoreError> {
        let subject = entry.subject;
        let head = self.heads.remove(&subject).unwrap_or_default();
        if let Some(last) = head.last {
            self.newest.remove(&last);
        }
        let mut world = World::new(self.org);
        if entry.amends() || head.occurred_at.is_some_and(|latest| latest > entry.at()) {
            let history = load::history(conn, self.org, subject, Some(head.n)).await?;
            world.histories.insert(subject, history);
        }
        world.heads.insert(subject, head);
        world.apply(&entry);
        self.newest.insert(entry.id, subject);
        self.heads.extend(world.heads);
        Ok(())
    }

    /// Compares the rows, which are caches, with what the entries say.
    async fn compare_rows(
        &self,
        conn: &mut AsyncPgConnection,
    ) -> Result<Option<Wrong>, StoreError> {
        let wrong =
            |subject: Subject, say: &str| Some(Wrong { subject, entry: None, say: say.to_owned() });
        let text = format!("SELECT {HEAD} FROM subject WHERE org_id = $1 ORDER BY kind, id");
        let rows: Vec<HeadRow> = sql_query(text).bind::<Id, _>(self.org).load(conn).await?;
        let mut stored = BTreeMap::new();
        for row in rows {
            let subject = load::subject(&row.kind, row.id)?;
            match row.read() {
                Ok((subject, head)) => stored.insert(subject, head),
                Err(_) => return Ok(wrong(subject, "its row cannot be read")),
            };
        }
        for (subject, head) in &self.heads {
            if stored.get(subject) != Some(head) {
                return Ok(wrong(*subject, "its row is not the fold of its entries"));
            }
        }
        if let Some(subject) = stored.keys().find(|subject| !self.heads.contains_key(subject)) {
            return Ok(wrong(*subject, "it has a row and no entries"));
        }
        let marks = stored_marks(conn, self.org).await?;
        let mut owners = BTreeMap::new();
        for (subject, head) in &self.heads {
            owners.extend(owned(&head.state).iter().map(|mark| (parts(mark), *subject)));
        }
        let differing = owners
            .iter()
            .find(|(mark, subject)| marks.get(mark) != Some(subject))
            .or_else(|| marks.iter().find(|(mark, _)| !owners.contains_key(mark)));
        Ok(differing.and_then(|((kind, value), subject)| {
            wrong(*subject, &format!("the table of marks is wrong about the {kind} {value}"))
        }))
    }
}

fn parts(mark: &Owned) -> (String, String) {
    let (kind, value) = mark.parts();
    (kind.to_owned(), value.to_owned())
}

async fn stored_marks(
    conn: &mut AsyncPgConnection,
    org: Uuid,
) -> Result<BTreeMap<(String, String), Subject>, StoreError> {
    let query =
        sql_query("SELECT kind, value, subject_kind, subject_id FROM mark WHERE org_id = $1");
    let rows: Vec<MarkRow> = query.bind::<Id, _>(org).load(conn).await?;
    let read = |row: MarkRow| {
        let subject = load::subject(&row.subject_kind, row.subject_id)?;
        Ok(((row.kind, row.value), subject))
    };
    rows.into_iter().map(read).collect()
}

/// The next entries in the order of recording, in which each stands after what it follows from.
async fn page(
    conn: &mut AsyncPgConnection,
    org: Uuid,
    after: Option<&Row>,
) -> Result<Vec<Row>, StoreError> {
    let start = DateTime::<Utc>::UNIX_EPOCH;
    let query = sql_query(
        "SELECT e.id, e.subject_kind, e.subject_id, e.n, e.kind, e.occurred_at, e.recorded_at, \
             e.refused, e.closes, e.cause, e.wheel, e.position, e.bytes, q.leaf_hash, p.salt, \
             p.bytes AS personal \
         FROM entry e \
         LEFT JOIN seal_queue q ON q.org_id = e.org_id AND q.entry_id = e.id \
         LEFT JOIN personal p ON p.org_id = e.org_id AND p.entry_id = e.id \
         WHERE e.org_id = $1 \
         AND (e.recorded_at, e.subject_kind, e.subject_id, e.n) > ($2, $3, $4, $5) \
         ORDER BY e.recorded_at, e.subject_kind, e.subject_id, e.n LIMIT $6",
    );
    let query = query
        .bind::<Id, _>(org)
        .bind::<Timestamptz, _>(after.map_or(start, |row| row.recorded_at))
        .bind::<Text, _>(after.map_or(String::new(), |row| row.subject_kind.clone()))
        .bind::<Id, _>(after.map_or(Uuid::nil(), |row| row.subject_id))
        .bind::<BigInt, _>(after.map_or(0, |row| row.n))
        .bind::<BigInt, _>(PAGE);
    Ok(query.load(conn).await?)
}
