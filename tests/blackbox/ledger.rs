//! The ledger below the API: what is recorded can be checked, what is changed is found, and
//! the rows can be made again.
//!
//! Sources: the form of the bytes is RFC 8785, of the hash RFC 9162 section 2.1.1; that an
//! entry never changes is the ledger's own promise.

use crate::postgres::{Database, wait};
use api::demo::{self, Drawn, Posting};
use chrono::{DateTime, Utc};
use rules::entry::{Outcome, Sender};
use rules::{Entry, Kind, World, decide};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use std::thread;
use store::Store;
use store::account;
use store::check::{Report, check};
use store::rebuild::rebuild;
use store::record::{Answer, Request, Sent, judge, record};
use tokio_postgres::Client;
use uuid::Uuid;

/// The demo fleet, recorded once for all tests here.
pub struct Fleet {
    pub postings: Vec<Posting>,
    answers: Vec<Answer>,
    database: Database,
}

/// The part of the demo that is told of.
pub fn told(now: DateTime<Utc>) -> impl Iterator<Item = Posting> {
    demo::days(now, Drawn::NOTHING).flatten()
}

pub static FLEET: LazyLock<Fleet> = LazyLock::new(|| {
    let now: DateTime<Utc> = "2026-03-12T15:00:00Z".parse().unwrap();
    let ledger = Ledger::on(Database::new(), told(now).collect());
    let add =
        async |conn: &mut _| account::add_organisation(conn, ledger.org, ("larkspur", "")).await;
    assert!(wait(ledger.store.in_org(ledger.org, add)).unwrap());
    let answers = ledger.postings.iter().map(|posting| ledger.record(posting)).collect();
    let Ledger { postings, database, store, superuser, .. } = ledger;
    drop((store, superuser));
    wait(database.left_alone());
    Fleet { postings, answers, database }
});

/// A ledger with the demo fleet in it.
pub struct Ledger {
    pub org: Uuid,
    pub store: Store,
    superuser: Client,
    pub postings: Vec<Posting>,
    // Dropped last.
    pub database: Database,
}

pub fn request(posting: &Posting) -> Request {
    let sender = Sender { person: posting.person, sent_at: None };
    let command = posting.command.clone();
    // The demo's ids are all different, so they will do to know an entry again by.
    let id = *posting.command.id.as_bytes();
    let content = [id, id].concat().try_into().unwrap();
    Request { sender, commands: vec![Sent { command, content }] }
}

impl Ledger {
    pub fn new() -> Ledger {
        Ledger::on(Database::copy_of(&FLEET.database.name), FLEET.postings.clone())
    }

    fn on(database: Database, postings: Vec<Posting>) -> Ledger {
        let store = Store::connect(&database.url());
        let (org, superuser) = (demo::organisation(), database.superuser());
        Ledger { org, store, superuser, postings, database }
    }

    fn record(&self, posting: &Posting) -> Answer {
        let requests = [request(posting)];
        let work = async |conn: &mut _| record(conn, self.org, posting.at, &requests).await;
        wait(self.store.in_org(self.org, work)).unwrap().remove(0).remove(0)
    }

    pub fn check(&self) -> Report {
        wait(self.store.in_org(self.org, async |conn: &mut _| check(conn, self.org).await)).unwrap()
    }

    fn rebuild(&self) -> u64 {
        wait(self.store.in_org(self.org, async |conn: &mut _| rebuild(conn, self.org).await))
            .unwrap()
    }

    pub fn count(&self, of: &str) -> i64 {
        wait(self.superuser.query_one(&format!("SELECT count(*) FROM {of}"), &[])).unwrap().get(0)
    }

    /// Changes what nobody may change, as somebody who owns the machine could.
    fn tamper(&self, statement: &str) {
        let text = format!(
            "BEGIN; ALTER TABLE entry DISABLE TRIGGER ALL; ALTER TABLE personal DISABLE TRIGGER ALL; \
             {statement}; \
             ALTER TABLE entry ENABLE TRIGGER ALL; ALTER TABLE personal ENABLE TRIGGER ALL; COMMIT"
        );
        wait(self.superuser.batch_execute(&text)).unwrap();
    }

    fn entries(&self, of: &str) -> Vec<Entry> {
        let query = format!("SELECT bytes FROM entry WHERE {of} ORDER BY recorded_at, n");
        let rows = wait(self.superuser.query(&query, &[])).unwrap();
        rows.iter().map(|row| Entry::from_bytes(row.get(0)).unwrap()).collect()
    }

    /// The check names this entry and says this.
    #[track_caller]
    fn finds(&self, entry: Option<Uuid>, say: &str) {
        let wrong = self.check().wrong.unwrap_or_else(|| panic!("not found: {say}"));
        assert!(wrong.say.contains(say), "{wrong:?} instead of {say}");
        assert_eq!(wrong.entry, entry, "{wrong:?}");
    }
}

/// Decides in a world kept in memory, where nothing has to be looked for.
fn decided_in_memory(postings: &[Posting]) -> Vec<Vec<Entry>> {
    let mut world = World::new(demo::organisation());
    let mut ledger: Vec<Entry> = Vec::new();
    let decide_one = |posting: &Posting| {
        loop {
            let wants = world.wants([(posting.person, &posting.command)]);
            if wants.is_empty() {
                break;
            }
            for subject in wants.histories {
                let history = ledger.iter().filter(|entry| entry.subject == subject);
                world.histories.insert(subject, history.cloned().collect());
            }
            world.wheels.extend(wants.wheels);
            world.axles.extend(wants.axles);
            for (spot, since) in wants.spots {
                world.spots.insert(spot, (since, BTreeSet::new()));
            }
            world.models.extend(wants.models);
            world.charts.extend(wants.charts);
            for subject in wants.subjects {
                world.heads.entry(subject).or_default();
            }
            for mark in wants.marks {
                world.owners.entry(mark).or_default();
            }
            for id in wants.retried {
                world.retried.entry(id).or_default();
            }
        }
        let sender = Sender { person: posting.person, sent_at: None };
        let entries = decide(&world, posting.at, sender, &posting.command, &[], None);
        entries.iter().for_each(|entry| world.apply(entry));
        ledger.extend(entries.iter().cloned());
        entries
    };
    postings.iter().map(decide_one).collect()
}

/// The store finds and locks what decisions read; that it finds all of it is shown by deciding
/// the same in memory: a second model, no outside source.
#[test]
fn the_store_decides_as_the_rules_do_in_memory() {
    let in_memory = decided_in_memory(&FLEET.postings);
    for ((posting, answer), expected) in FLEET.postings.iter().zip(&FLEET.answers).zip(in_memory) {
        let Answer::Decided(entries) = answer else { panic!("{posting:?}: {answer:?}") };
        let without_salt = |entry: &Entry| Entry { personal_hash: None, ..entry.clone() };
        let entries: Vec<Entry> = entries.iter().map(without_salt).collect();
        assert_eq!(entries, expected);
    }
}

#[test]
fn the_demo_fleet_checks_out_and_its_rows_can_be_made_again() {
    let ledger = Ledger::new();
    let report = ledger.check();
    assert_eq!(report.wrong, None);
    assert_eq!(report.entries as i64, ledger.count("entry"));
    assert_eq!(report.subjects as i64, ledger.count("subject"));
    assert!(report.entries > ledger.postings.len() as u64, "the ledger added entries of its own");
    assert_eq!(ledger.count("seal_queue"), ledger.count("entry"));
    assert_eq!(ledger.rebuild(), 0, "the rows are the folds");

    ledger.tamper("UPDATE subject SET state = NULL WHERE kind = 'casing'; DELETE FROM mark");
    ledger.finds(None, "row is not the fold");
    let casings = ledger.count("subject WHERE kind = 'casing'");
    assert_eq!(ledger.rebuild() as i64, casings);
    assert_eq!(ledger.check(), report);
}

#[test]
fn the_same_entry_again_is_answered_the_same_and_stored_once() {
    let ledger = Ledger::new();
    let entries = ledger.count("entry");
    for posting in &ledger.postings {
        let Answer::Decided(first) = ledger.record(posting) else { panic!("{posting:?}") };
        assert_eq!(first[0].id, posting.command.id);
        let own = BTreeSet::from_iter(
            ledger.entries(&format!("cause = '{}'", first[0].id)).iter().map(|e| e.id),
        );
        assert_eq!(BTreeSet::from_iter(first[1..].iter().map(|entry| entry.id)), own);
    }
    // Twice in one request, and judged without recording: the same answers again.
    let posting = &ledger.postings[ledger.postings.len() / 2];
    let mut twice = request(posting);
    twice.commands.push(twice.commands[0].clone());
    let requests = [twice];
    let now = posting.at;
    let both = async |conn: &mut _| record(conn, ledger.org, now, &requests).await;
    let judged = async |conn: &mut _| judge(conn, ledger.org, now, &requests).await;
    let both = wait(ledger.store.in_org(ledger.org, both)).unwrap();
    assert_eq!(both[0][0], both[0][1]);
    assert_eq!(wait(ledger.store.in_org(ledger.org, judged)).unwrap(), both);
    assert_eq!(ledger.count("entry"), entries);
}

#[test]
fn whatever_is_changed_is_found() {
    let ledger = Ledger::new();
    assert_eq!(ledger.check().wrong, None);
    wait(ledger.superuser.batch_execute("CREATE TABLE saved AS SELECT * FROM entry")).unwrap();
    let pressures = ledger.entries("kind = 'pressure_read' AND NOT refused");
    let victim = pressures[pressures.len() / 2].id;

    // A bit of the bytes; undone by the same change again.
    let flip = format!(
        "UPDATE entry SET bytes = set_byte(bytes, 40, get_byte(bytes, 40) # 1) WHERE id = '{victim}'"
    );
    ledger.tamper(&flip);
    assert!(ledger.check().wrong.is_some_and(|wrong| wrong.entry == Some(victim)));
    ledger.tamper(&flip);
    assert_eq!(ledger.check().wrong, None);

    for (change, undo, say) in [
        ("refused = NOT refused", "refused = NOT refused", "column refused"),
        (
            "occurred_at = occurred_at + interval '1 s'",
            "occurred_at = occurred_at - interval '1 s'",
            "column occurred_at",
        ),
        ("kind = 'tread_read'", "kind = 'pressure_read'", "column kind"),
    ] {
        ledger.tamper(&format!("UPDATE entry SET {change} WHERE id = '{victim}'"));
        ledger.finds(Some(victim), say);
        ledger.tamper(&format!("UPDATE entry SET {undo} WHERE id = '{victim}'"));
    }

    // An entry that is gone leaves a hole in its subject's count, or a missing consequence.
    let restore = |id: Uuid| format!("INSERT INTO entry SELECT * FROM saved WHERE id = '{id}'");
    let gone = format!("DELETE FROM entry WHERE id = '{victim}'");
    ledger.tamper(&gone);
    assert!(ledger.check().wrong.is_some(), "an entry is gone");
    ledger.tamper(&restore(victim));
    let added = ledger.entries("cause IS NOT NULL").pop().unwrap();
    ledger.tamper(&format!("DELETE FROM entry WHERE id = '{}'", added.id));
    assert!(ledger.check().wrong.is_some(), "a consequence is gone");
    ledger.tamper(&restore(added.id));

    let queued = format!(
        "UPDATE seal_queue SET leaf_hash = set_byte(leaf_hash, 0, get_byte(leaf_hash, 0) # 1) WHERE entry_id = '{victim}'"
    );
    ledger.tamper(&queued);
    ledger.finds(Some(victim), "its hash in the seal queue");
    ledger.tamper(&queued);

    let named = ledger.entries("id IN (SELECT entry_id FROM personal)").pop().unwrap().id;
    let salt = format!(
        "UPDATE personal SET salt = set_byte(salt, 0, get_byte(salt, 0) # 1) WHERE entry_id = '{named}'"
    );
    ledger.tamper(&salt);
    ledger.finds(Some(named), "personal part");
    ledger.tamper(&salt);
    ledger.tamper(&format!(
        "CREATE TABLE apart AS SELECT * FROM personal WHERE entry_id = '{named}'; \
         DELETE FROM personal WHERE entry_id = '{named}'"
    ));
    ledger.finds(Some(named), "no order erased it");
    ledger.tamper("INSERT INTO personal SELECT * FROM apart");

    ledger.tamper("DELETE FROM mark WHERE kind = 'unit'");
    ledger.finds(None, "table of marks");
    ledger.rebuild();
    assert_eq!(ledger.check().wrong, None);
}

/// Entries that arrive at the same time: each is decided once, and a subject's count has no
/// hole. The ledger's own promise, no outside source.
#[test]
fn what_arrives_at_once_is_decided_one_after_the_other() {
    let ledger = Ledger::new();
    let read = ledger
        .postings
        .iter()
        .rfind(|posting| posting.command.facts.kind() == Kind::TreadRead)
        .unwrap();
    let at = ledger.postings.last().unwrap().at;
    let again = |n: u128| {
        let mut posting = read.clone();
        posting.at = at;
        posting.command.occurred_at = at.fixed_offset();
        posting.command.id = Uuid::from_u128(n);
        posting
    };
    let before = ledger.count("entry");
    let answers: Vec<Answer> = thread::scope(|scope| {
        let ledger = &ledger;
        let posts: Vec<_> =
            (0..24).map(|i| scope.spawn(move || ledger.record(&again(1 + i % 12)))).collect();
        posts.into_iter().map(|post| post.join().unwrap()).collect()
    });
    assert_eq!(ledger.count("entry") - before, 12, "each of twelve came twice");
    for (one, other) in answers.iter().zip(&answers[12..]) {
        assert_eq!(one, other);
    }
    assert_eq!(ledger.check().wrong, None);
}

/// Somebody rewrites a refused release as recorded, with its hash and all its columns right:
/// the rules, asked again, do not agree.
#[test]
fn a_decision_that_the_rules_did_not_take_is_found() {
    let ledger = Ledger::new();
    let refused = ledger
        .entries("refused")
        .into_iter()
        .find(|entry| entry.facts.kind() == Kind::Released)
        .unwrap();
    let forged = Entry {
        outcome: Outcome::Recorded { cautions: Vec::new(), worked: None },
        ..refused.clone()
    };
    ledger.tamper(&rewritten(&forged));
    ledger.finds(Some(refused.id), "comes out otherwise");
}

/// What earlier rules decided counts, and is told; a version that nobody knows is wrong. An entry
/// that keeps its outcome is right under both.
#[test]
fn what_earlier_rules_decided_is_told() {
    let ledger = Ledger::new();
    let alone =
        "kind = 'pressure_read' AND id NOT IN (SELECT cause FROM entry WHERE cause IS NOT NULL)";
    let read = ledger.entries(alone).pop().unwrap();
    let by = |version: &str, cautions: &[&str]| {
        let mut entry = read.clone();
        entry.basis.rules = version.to_owned();
        let cautions = cautions.iter().map(|&id| id.to_owned()).collect();
        entry.outcome = Outcome::Recorded { cautions, worked: None };
        entry
    };
    for (version, cautions, otherwise) in [("1", &[][..], 0), ("1", &["install.duals"], 1)] {
        ledger.tamper(&rewritten(&by(version, cautions)));
        let report = ledger.check();
        assert_eq!((report.wrong, report.otherwise), (None, otherwise));
    }
    ledger.tamper(&rewritten(&by(rules::VERSION, &["install.duals"])));
    ledger.finds(Some(read.id), "comes out otherwise");
    ledger.tamper(&rewritten(&by("0", &[])));
    ledger.finds(Some(read.id), "version 0 of the rules is not known");
}

/// Writes an entry over the one with its id, with its hash and all its columns right.
fn rewritten(entry: &Entry) -> String {
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    format!(
        "UPDATE entry SET refused = {}, bytes = '\\x{}' WHERE id = '{id}'; \
         UPDATE seal_queue SET leaf_hash = '\\x{}' WHERE entry_id = '{id}'",
        !entry.recorded(),
        hex(&entry.bytes()),
        hex(&rules::canonical::leaf_hash(&entry.bytes())),
        id = entry.id
    )
}
