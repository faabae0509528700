//! The schema brought up to date: by several at once, by somebody who is killed at it, and not
//! at all where it is ahead of the program.
//!
//! Sources: PostgreSQL manual 3.4 (a transaction happens whole or not at all), 13.3.5 (an advisory
//! lock ends with its session), 40.1 (event triggers, which hold a migration here where a test
//! wants it). The rest is the ledger's own promise, no outside source.

use crate::ledger::{Ledger, request, told};
use crate::postgres::{Database, WAITING, connect, until, wait};
use api::demo;
use std::env;
use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::process::{Child, Command, Stdio};
use std::thread;
use store::Store;
use store::account::add_organisation;
use store::check::check;
use store::embedded::{Embedded, Options, SUPERUSER};
use store::migrate::{self, Newer};
use store::record::record;
use tempfile::TempDir;
use tokio_postgres::Client;

/// The lock at which a migration is held.
const HELD: i64 = 7;

/// Where a migration is held: its tables are half there; and entries may be changed for a moment.
const TABLES: &str = "to_regclass('public.subject') IS NOT NULL";
const UNGUARDED: &str =
    "EXISTS (SELECT FROM pg_trigger WHERE tgname = 'entry_stays' AND tgenabled = 'D')";

/// Everything in the schema that a migration makes, a line each.
const SCHEMA: &str = "
    SELECT format('%s %s %s %s %s', relname, relkind, relowner::regrole, relacl, relrowsecurity)
      FROM pg_class WHERE relnamespace = 'public'::regnamespace
    UNION ALL
    SELECT format('%s.%s %s %s %s %s', relname, attname, format_type(atttypid, atttypmod),
                  attnotnull, attacl, pg_get_expr(adbin, adrelid))
      FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid
      LEFT JOIN pg_attrdef ON adrelid = attrelid AND adnum = attnum
     WHERE relnamespace = 'public'::regnamespace AND attnum > 0 AND NOT attisdropped
    UNION ALL
    SELECT format('%s %s', conname, pg_get_constraintdef(oid))
      FROM pg_constraint WHERE connamespace = 'public'::regnamespace
    UNION ALL
    SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'
    UNION ALL
    SELECT format('%s %s %s', proowner::regrole, proacl, pg_get_functiondef(oid))
      FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND proname <> 'hold_here'
    UNION ALL
    SELECT format('%s %s', pg_get_triggerdef(oid), tgenabled) FROM pg_trigger WHERE NOT tgisinternal
    UNION ALL
    SELECT format('%s %s %s %s', polrelid::regclass, polname, pg_get_expr(polqual, polrelid),
                  pg_get_expr(polwithcheck, polrelid))
      FROM pg_policy
    UNION ALL
    SELECT 'migration ' || version FROM __diesel_schema_migrations
    ORDER BY 1";

fn lines(superuser: &Client) -> Vec<String> {
    let rows = wait(superuser.query(SCHEMA, &[])).unwrap();
    rows.iter().map(|row| row.get(0)).collect()
}

/// A schema that is up to date.
fn whole() -> Vec<String> {
    lines(&Database::new().superuser())
}

fn up(url: &str) -> Result<Vec<String>, String> {
    wait(migrate::up(url)).map_err(|error| error.to_string())
}

/// The migration that lets entries be changed for a moment, to fill in what is on record.
const TAKEOVERS: &str = "20261126000004";

/// Takes back that migration and what came after it. Says which these are, in the order in which
/// they are run again, and gives the schema that is left.
fn without_takeovers(url: &str, superuser: &Client) -> (Vec<String>, Vec<String>) {
    let mut taken_back = Vec::new();
    while taken_back.last().is_none_or(|last| last != TAKEOVERS) {
        taken_back.extend(wait(migrate::down(url, 1)).unwrap());
    }
    taken_back.reverse();
    (taken_back, lines(superuser))
}

/// From now on a migration stops after a command that makes this so, until [`let_go`].
fn hold(superuser: &Client, condition: &str) {
    let function = format!(
        "CREATE FUNCTION hold_here() RETURNS event_trigger LANGUAGE plpgsql AS $$
         BEGIN
             IF {condition} THEN
                 PERFORM pg_advisory_xact_lock_shared({HELD});
             END IF;
         END $$;
         CREATE EVENT TRIGGER hold_here ON ddl_command_end EXECUTE FUNCTION hold_here();
         SELECT pg_advisory_lock({HELD})"
    );
    wait(superuser.batch_execute(&function)).unwrap();
}

fn let_go(superuser: &Client) {
    wait(superuser.batch_execute(&format!("SELECT pg_advisory_unlock({HELD})"))).unwrap();
}

/// Another process of this test program that migrates; see [`migrate`].
fn process(url: &str) -> Child {
    Command::new(env::current_exe().unwrap())
        .args(["--exact", "migrating::migrate", "--ignored"])
        .env(ADDRESS, url)
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

const ADDRESS: &str = "PROOFHOLD_TEST_ADDRESS";

/// The other process: only ever run by [`process`].
#[test]
#[ignore = "run by other tests as a process of its own"]
fn migrate() {
    up(&env::var(ADDRESS).expect("run by other tests")).unwrap();
}

#[test]
fn a_schema_that_is_ahead_of_the_program_is_left_alone() {
    let database = Database::new();
    let (url, superuser) = (database.url(), database.superuser());
    // One of this program's is missing besides, and must not be run either.
    without_takeovers(&url, &superuser);
    let newer = "ALTER TABLE subject ADD COLUMN tomorrow int; \
                 INSERT INTO __diesel_schema_migrations (version) VALUES ('20991231000001')";
    wait(superuser.batch_execute(newer)).unwrap();
    let before = lines(&superuser);
    for refused in [wait(migrate::up(&url)), wait(migrate::down(&url, 1))] {
        let refused = refused.unwrap_err();
        assert_eq!(refused.downcast_ref::<Newer>().unwrap().newest, "20991231000001");
        let said = refused.to_string();
        for part in ["newer Proofhold", "20991231000001", "Nothing was changed", "Run the newer"] {
            assert!(said.contains(part), "{part} is missing in: {said}");
        }
        assert_eq!(lines(&superuser), before);
    }
}

/// Four at once, of which one is held half-way while the others come.
#[test]
fn an_empty_database_is_migrated_once_however_many_begin() {
    let database = Database::copy_of("template1");
    let (url, superuser) = (database.url(), database.superuser());
    hold(&superuser, TABLES);
    let mut run: Vec<usize> = thread::scope(|scope| {
        let migrating: Vec<_> = (0..4).map(|_| scope.spawn(|| up(&url))).collect();
        wait(until(&superuser, WAITING, 4));
        let_go(&superuser);
        migrating.into_iter().map(|one| one.join().unwrap().unwrap().len()).collect()
    });
    run.sort_unstable();
    let all = lines(&superuser).iter().filter(|line| line.starts_with("migration ")).count();
    assert_eq!(run, [0, 0, 0, all]);
    assert_eq!(lines(&superuser), whole());
}

/// The roles are the server's, so two databases make the same ones.
#[test]
fn two_new_databases_of_a_new_server_are_migrated_at_once() {
    let private = Private::start();
    let [one, other] = ["one", "other"].map(|name| private.create(name));
    let (first, second) = (private.connect("one"), private.connect("other"));
    hold(&first, TABLES);
    thread::scope(|scope| {
        let begun = scope.spawn(|| up(&one));
        wait(until(&first, WAITING, 1));
        // It finds no role, as the first one's are not there before it is done.
        let following = scope.spawn(|| up(&other));
        wait(until(&second, WAITING, 1));
        let_go(&first);
        assert_eq!(begun.join().unwrap().unwrap(), following.join().unwrap().unwrap());
    });
    assert_eq!((lines(&first), lines(&second)), (whole(), whole()));
}

#[test]
fn whoever_is_cut_off_while_it_migrates_leaves_nothing_half_done() {
    let ledger = Ledger::new();
    let (url, superuser) = (ledger.database.url(), ledger.database.superuser());
    let before = (lines(&superuser), ledger.count("entry"));
    let (later, without) = without_takeovers(&url, &superuser);
    hold(&superuser, UNGUARDED);

    // The server ends its session.
    let end = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity \
               WHERE datname = current_database() AND wait_event_type = 'Lock'";
    thread::scope(|scope| {
        let migrating = scope.spawn(|| up(&url));
        wait(until(&superuser, WAITING, 1));
        wait(superuser.batch_execute(end)).unwrap();
        migrating.join().unwrap().unwrap_err();
    });
    assert_eq!(lines(&superuser), without);

    // Its process is killed, and the next one comes before the server has noticed.
    let mut killed = process(&url);
    wait(until(&superuser, WAITING, 1));
    killed.kill().unwrap();
    killed.wait().unwrap();
    thread::scope(|scope| {
        let next = scope.spawn(|| up(&url));
        wait(until(&superuser, WAITING, 2));
        assert_eq!(lines(&superuser), without);
        let_go(&superuser);
        assert_eq!(next.join().unwrap().unwrap(), later);
    });
    assert_eq!((lines(&superuser), ledger.count("entry")), before);
    assert_eq!(ledger.check().wrong, None);
}

/// What is on record when takeovers come ends them as if it had come later.
#[test]
fn vehicles_that_are_worked_on_already_are_not_taken_over() {
    let ledger = Ledger::new();
    let (url, superuser) = (ledger.database.url(), ledger.database.superuser());
    let worked_on = "SELECT count(*) FROM subject WHERE state -> 'worked_on' @> '[]' \
                     AND state -> 'worked_on' <> '[]'";
    let count = || -> i64 { wait(superuser.query_one(worked_on, &[])).unwrap().get(0) };
    let before = count();
    assert!(before > 0);
    without_takeovers(&url, &superuser);
    let older = "UPDATE subject SET state = state - 'worked_on' WHERE kind = 'casing'";
    wait(superuser.batch_execute(older)).unwrap();
    up(&url).unwrap();
    assert_eq!(count(), before);
    assert_eq!(ledger.check().wrong, None);
}

/// SIGKILL to the server itself, which then recovers from its log (PostgreSQL manual 30.3).
#[test]
fn a_server_killed_while_it_migrates_comes_back_whole() {
    let private = Private::start();
    let url = private.create("ledger");
    up(&url).unwrap();
    private.record(100);
    let superuser = private.connect("ledger");
    let before = lines(&superuser);
    let (later, without) = without_takeovers(&url, &superuser);
    hold(&superuser, UNGUARDED);
    let private = thread::scope(|scope| {
        let migrating = scope.spawn(|| up(&url));
        wait(until(&superuser, WAITING, 1));
        let private = private.killed();
        migrating.join().unwrap().unwrap_err();
        private
    });
    let superuser = private.connect("ledger");
    assert_eq!(lines(&superuser), without);
    assert_eq!(up(&private.url("ledger")).unwrap(), later);
    assert_eq!(lines(&superuser), before);
    private.stands(100);
}

/// A private PostgreSQL of one test.
struct Private {
    // Stopped before its folder goes.
    embedded: Embedded,
    folder: TempDir,
}

impl Private {
    fn start() -> Private {
        let folder = tempfile::tempdir().unwrap();
        // As root the server runs as another user, who must reach it.
        fs::set_permissions(folder.path(), Permissions::from_mode(0o755)).unwrap();
        Private { embedded: wait(Embedded::start(&options(&folder))).unwrap(), folder }
    }

    /// Killed, and started again.
    fn killed(self) -> Private {
        let Private { embedded, folder } = self;
        let file = fs::read_to_string(embedded.folder().join("cluster/postmaster.pid")).unwrap();
        let kill = Command::new("kill").args(["-KILL", file.lines().next().unwrap()]).status();
        assert!(kill.unwrap().success());
        drop(embedded);
        Private { embedded: wait(Embedded::start(&options(&folder))).unwrap(), folder }
    }

    fn url(&self, database: &str) -> String {
        self.embedded.url(SUPERUSER, database)
    }

    fn connect(&self, database: &str) -> Client {
        wait(connect(&self.url(database)))
    }

    /// Makes an empty database and gives its address.
    fn create(&self, database: &str) -> String {
        let create = format!("CREATE DATABASE {database}");
        wait(self.connect("postgres").batch_execute(&create)).unwrap();
        self.url(database)
    }

    /// Records the first so many entries of the demo fleet.
    fn record(&self, count: usize) {
        let (store, org) = (Store::connect(&self.url("ledger")), demo::organisation());
        let add = async |conn: &mut _| add_organisation(conn, org, ("larkspur", "")).await;
        assert!(wait(store.in_org(org, add)).unwrap());
        for posting in told("2026-03-12T15:00:00Z".parse().unwrap()).take(count) {
            let requests = [request(&posting)];
            let work = async |conn: &mut _| record(conn, org, posting.at, &requests).await;
            wait(store.in_org(org, work)).unwrap();
        }
    }

    /// They are all there and right.
    fn stands(&self, count: u64) {
        let (store, org) = (Store::connect(&self.url("ledger")), demo::organisation());
        let report = wait(store.in_org(org, async |conn: &mut _| check(conn, org).await)).unwrap();
        assert_eq!((report.wrong, report.entries), (None, count));
    }
}

fn options(folder: &TempDir) -> Options {
    let mut options = Options::new(folder.path().join("data"));
    options.state = folder.path().join("state");
    options
}
