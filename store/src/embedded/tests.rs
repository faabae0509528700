//! The private server against real PostgreSQL programs, as root and as an ordinary user.
//!
//! Sources: what a setting must show is from PostgreSQL's documentation of `initdb` and of its settings; what
//! is kept and refused is common practice for a server of one's own, no published source.

mod disk;
mod full;

use std::env;
use std::fs::{self, Permissions};
use std::io::{BufRead, BufReader};
use std::iter;
use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::signal::{Signal, kill, killpg};
use nix::unistd::{Pid, Uid, User};
use tempfile::TempDir;
use tokio_postgres::error::SqlState;
use tokio_postgres::{Client, NoTls};

use super::*;

/// A data folder that any user reaches, and a state folder beside it.
struct Fixture {
    folder: TempDir,
    options: Options,
}

impl Fixture {
    fn new() -> Fixture {
        let folder = tempfile::tempdir().unwrap();
        fs::set_permissions(folder.path(), Permissions::from_mode(0o755)).unwrap();
        let mut options = Options::new(folder.path().join("data"));
        options.state = folder.path().join("state");
        Fixture { folder, options }
    }

    async fn start(&self) -> Embedded {
        Embedded::start(&self.options).await.unwrap()
    }

    fn inside(&self) -> PathBuf {
        self.folder.path().canonicalize().unwrap().join("data/postgres")
    }

    /// Another process of this test program that starts the server and holds it; see [`hold`].
    fn holder(&self) -> Child {
        Command::new(env::current_exe().unwrap())
            .args(["--exact", "embedded::tests::hold", "--ignored", "--nocapture"])
            .env(HOLD, self.folder.path())
            .stdout(Stdio::piped())
            .process_group(0)
            .spawn()
            .unwrap()
    }

    fn initdb_has_begun(&self) -> bool {
        let folder = fs::read_dir(self.inside()).into_iter().flatten().flatten();
        folder.into_iter().any(|entry| entry.path().join("global").exists())
    }

    fn pid(&self) -> i32 {
        let file = fs::read_to_string(self.inside().join("cluster/postmaster.pid")).unwrap();
        file.lines().next().unwrap().parse().unwrap()
    }
}

const HOLD: &str = "PROOFHOLD_TEST_HOLD";

/// The other process: only ever run by [`Fixture::holder`].
#[tokio::test]
#[ignore = "run by other tests as a process of its own"]
async fn hold() {
    let folder = PathBuf::from(env::var_os(HOLD).expect("run by other tests"));
    let mut options = Options::new(folder.join("data"));
    options.state = folder.join("state");
    let server = Embedded::start(&options).await.unwrap();
    println!("\nholding {}", server.url(SUPERUSER, "postgres"));
    tokio::time::sleep(Duration::from_secs(120)).await;
}

fn wait_until_holding(holder: &mut Child) {
    let output = BufReader::new(holder.stdout.take().unwrap());
    assert!(
        output.lines().map_while(Result::ok).any(|line| line.starts_with("holding")),
        "it held no server"
    );
}

fn signal_group(holder: &mut Child, signal: Signal) {
    killpg(Pid::from_raw(holder.id() as i32), signal).unwrap();
    holder.wait().unwrap();
}

async fn connect(server: &Embedded) -> Client {
    let (client, connection) =
        tokio_postgres::connect(&server.url(SUPERUSER, "postgres"), NoTls).await.unwrap();
    tokio::spawn(connection);
    client
}

async fn write_a_row(server: &Embedded) {
    connect(server)
        .await
        .batch_execute("CREATE TABLE kept (n int); INSERT INTO kept VALUES (7)")
        .await
        .unwrap();
}

async fn row(server: &Embedded) -> i32 {
    connect(server).await.query_one("SELECT n FROM kept", &[]).await.unwrap().get(0)
}

/// Looks after the server until what is asked of it comes true.
async fn kept_until(server: &mut Embedded, is_so: impl AsyncFn(&Client) -> bool) {
    let (url, mut room) = (server.url(SUPERUSER, "postgres"), room::Watch::default());
    let since = Instant::now();
    while since.elapsed() < Duration::from_secs(120) {
        // A start under way is not cut off, as that would stop the server.
        server.look_after(&mut room).await;
        if let Ok((client, connection)) = tokio_postgres::connect(&url, NoTls).await {
            tokio::spawn(connection);
            if is_so(&client).await {
                return;
            }
        }
    }
    panic!("it did not come true");
}

fn is_running(pid: i32) -> bool {
    kill(Pid::from_raw(pid), None) != Err(Errno::ESRCH)
}

#[tokio::test]
async fn runs_durably_on_loopback_only_with_a_password() {
    let fixture = Fixture::new();
    let server = fixture.start().await;
    let client = connect(&server).await;
    for (setting, value) in [
        ("listen_addresses", "127.0.0.1"),
        ("unix_socket_directories", ""),
        ("fsync", "on"),
        ("synchronous_commit", "on"),
        ("full_page_writes", "on"),
        ("data_checksums", "on"),
        ("server_encoding", "UTF8"),
        ("password_encryption", "scram-sha-256"),
    ] {
        let shown: String = client.query_one(&format!("SHOW {setting}"), &[]).await.unwrap().get(0);
        assert_eq!(shown, value, "{setting}");
    }
    let collation = "SELECT datcollate FROM pg_database WHERE datname = 'template1'";
    assert_eq!(client.query_one(collation, &[]).await.unwrap().get::<_, String>(0), "C");
    let wrong = url(SUPERUSER, "wrong", server.port(), "postgres");
    let refused = tokio_postgres::connect(&wrong, NoTls).await.err().unwrap();
    assert_eq!(refused.code(), Some(&SqlState::INVALID_PASSWORD));
    let password = fs::metadata(server.folder().join("password")).unwrap();
    assert_eq!(password.mode() & 0o777, 0o600);
    assert_ne!(fs::metadata(server.folder().join("cluster")).unwrap().uid(), 0);
    server.stop().await.unwrap();
}

#[tokio::test]
async fn what_is_written_is_there_after_a_restart() {
    let fixture = Fixture::new();
    let server = fixture.start().await;
    write_a_row(&server).await;
    let pid = fixture.pid();
    server.stop().await.unwrap();
    assert!(!is_running(pid));
    let server = fixture.start().await;
    assert!(!server.adopted());
    assert_eq!(row(&server).await, 7);
}

#[tokio::test]
async fn dropping_it_stops_it() {
    let fixture = Fixture::new();
    let server = fixture.start().await;
    let (pid, port) = (fixture.pid(), server.port());
    drop(server);
    assert!(!is_running(pid));
    assert!(std::net::TcpStream::connect(("127.0.0.1", port)).is_err());
}

#[tokio::test]
async fn a_killed_process_leaves_a_server_that_is_adopted() {
    // SIGKILL; and SIGINT to the whole process group, as Ctrl-C at a terminal sends it.
    for signal in [Signal::SIGKILL, Signal::SIGINT] {
        let fixture = Fixture::new();
        let mut holder = fixture.holder();
        wait_until_holding(&mut holder);
        signal_group(&mut holder, signal);
        let pid = fixture.pid();
        assert!(is_running(pid), "{signal}");
        let server = fixture.start().await;
        assert!(server.adopted(), "{signal}");
        write_a_row(&server).await;
        server.stop().await.unwrap();
        assert!(!fixture.inside().join("cluster/postmaster.pid").exists());
        assert_eq!(row(&fixture.start().await).await, 7);
    }
}

#[tokio::test]
async fn a_killed_server_is_recovered() {
    let fixture = Fixture::new();
    let server = fixture.start().await;
    write_a_row(&server).await;
    kill(Pid::from_raw(fixture.pid()), Signal::SIGKILL).unwrap();
    drop(server);
    assert!(fixture.inside().join("cluster/postmaster.pid").exists());
    let server = fixture.start().await;
    assert!(!server.adopted());
    assert_eq!(row(&server).await, 7);
}

#[tokio::test]
async fn a_server_that_ends_by_itself_is_started_again_on_its_port() {
    let fixture = Fixture::new();
    let mut server = fixture.start().await;
    write_a_row(&server).await;
    let begun = async |client: &Client| -> Option<String> {
        let query = "SELECT pg_postmaster_start_time()::text FROM kept";
        client.query_one(query, &[]).await.ok().map(|row| row.get(0))
    };
    let before = begun(&connect(&server).await).await.unwrap();
    let pid = fixture.pid();
    kill(Pid::from_raw(pid), Signal::SIGKILL).unwrap();
    // The killed one may answer for a moment more; it began earlier.
    kept_until(&mut server, async |client| begun(client).await.is_some_and(|it| it != before))
        .await;
    assert_ne!(fixture.pid(), pid);
    assert_eq!(row(&server).await, 7);
    server.stop().await.unwrap();
}

#[tokio::test]
async fn a_port_that_another_program_took_meanwhile_is_left_to_it() {
    let fixture = Fixture::new();
    let server = fixture.start().await;
    write_a_row(&server).await;
    // A killed server: its files name the port, which now is another program's.
    kill(Pid::from_raw(fixture.pid()), Signal::SIGKILL).unwrap();
    let port = server.port();
    drop(server);
    let others = TcpListener::bind(("127.0.0.1", port)).unwrap();
    let server = fixture.start().await;
    assert_ne!(server.port(), port);
    assert_eq!(row(&server).await, 7);
    server.stop().await.unwrap();

    // Taken between choosing and starting: the first choice fails, the second serves.
    let place = Place::choose(&fixture.options).unwrap();
    let programs = find::programs(None).unwrap().remove(0);
    let mut choices = [Ok(port)].into_iter().chain(iter::repeat_with(run::free_port));
    let choose = || choices.next().unwrap();
    let password = place.password().unwrap();
    let again = run::launch(&place, &programs, &password, &[], choose).await.unwrap();
    assert_ne!(again.port(), port);
    drop((again, others));
}

#[tokio::test]
async fn a_stale_process_number_that_another_process_has_now_does_not_matter() {
    let fixture = Fixture::new();
    fixture.start().await.stop().await.unwrap();
    let cluster = fixture.inside().join("cluster");
    let owner = fs::metadata(&cluster).unwrap();
    let mut sleep = Command::new("sleep");
    sleep.arg("60");
    if Uid::effective().is_root() {
        sleep.uid(owner.uid()).gid(owner.gid());
    }
    let mut other = sleep.spawn().unwrap();
    let stale = format!(
        "{}\n{}\n1700000000\n5432\n\n127.0.0.1\n  1 1\nready\n",
        other.id(),
        cluster.display()
    );
    fs::write(cluster.join("postmaster.pid"), stale).unwrap();
    let server = fixture.start().await;
    assert!(!server.adopted());
    server.stop().await.unwrap();
    assert!(other.try_wait().unwrap().is_none(), "the other process was stopped");
    other.kill().unwrap();
    other.wait().unwrap();
}

/// A folder whose `initdb` was killed together with its parent before it ended.
fn half_made() -> Fixture {
    let since = Instant::now();
    while since.elapsed() < Duration::from_secs(120) {
        let fixture = Fixture::new();
        let mut holder = fixture.holder();
        while !fixture.initdb_has_begun() && since.elapsed() < Duration::from_secs(120) {
            sleep(Duration::from_millis(2));
        }
        signal_group(&mut holder, Signal::SIGKILL);
        if !fixture.inside().join("cluster").exists() {
            return fixture;
        }
        // On a busy machine it may be whole before it is killed.
        let server = fixture.inside().join("cluster/postmaster.pid");
        if server.exists() {
            kill(Pid::from_raw(fixture.pid()), Signal::SIGQUIT).unwrap();
        }
    }
    panic!("no `initdb` could be killed half-way");
}

#[tokio::test]
async fn a_half_made_cluster_is_made_again() {
    let fixture = half_made();
    let server = fixture.start().await;
    write_a_row(&server).await;
    assert_eq!(row(&server).await, 7);
}

/// Only the parent is killed: its `initdb` goes on, in a folder that is none of the next start's.
#[tokio::test]
async fn an_initdb_that_outlives_its_parent_does_not_matter() {
    let fixture = Fixture::new();
    let mut holder = fixture.holder();
    let halves = || {
        let folder = fs::read_dir(fixture.inside()).into_iter().flatten().flatten();
        folder.filter(|entry| entry.file_name().to_string_lossy().contains("half")).count()
    };
    let since = Instant::now();
    // Begun in earnest: until it is its own program it has a copy of its parent's lock.
    while !fixture.initdb_has_begun() && since.elapsed() < Duration::from_secs(120) {
        sleep(Duration::from_millis(2));
    }
    holder.kill().unwrap();
    holder.wait().unwrap();
    let server = fixture.start().await;
    write_a_row(&server).await;
    server.stop().await.unwrap();
    while killpg(Pid::from_raw(holder.id() as i32), None).is_ok() {
        assert!(since.elapsed() < Duration::from_secs(120), "`initdb` does not end");
        sleep(Duration::from_millis(20));
    }
    // What it left is gone after one more start.
    let server = fixture.start().await;
    assert_eq!(halves(), 0);
    assert_eq!(row(&server).await, 7);
    server.stop().await.unwrap();
}

#[tokio::test]
async fn the_second_process_on_a_folder_is_refused() {
    let fixture = Fixture::new();
    let mut holder = fixture.holder();
    wait_until_holding(&mut holder);
    let refused = Embedded::start(&fixture.options).await.unwrap_err();
    assert!(matches!(refused, EmbeddedError::InUse { .. }), "{refused}");
    assert!(refused.to_string().contains("Another Proofhold is running on"));
    assert!(is_running(fixture.pid()));
    signal_group(&mut holder, Signal::SIGTERM);
    fixture.start().await.stop().await.unwrap();
}

#[tokio::test]
async fn where_its_user_cannot_reach_the_data_it_lives_under_the_state_folder() {
    let mut fixture = Fixture::new();
    let closed = fixture.folder.path().join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, Permissions::from_mode(0o700)).unwrap();
    fixture.options.data = closed.join("data");
    let server = fixture.start().await;
    // An ordinary user runs the server as itself and reaches its own folder.
    assert_eq!(server.moved(), Uid::effective().is_root());
    let folder = server.folder().to_path_buf();
    let expected = if server.moved() { &fixture.options.state } else { &fixture.options.data };
    assert!(folder.starts_with(expected.canonicalize().unwrap()));
    write_a_row(&server).await;
    server.stop().await.unwrap();
    // The folder stays where it was settled, even when the rights have changed since.
    fs::set_permissions(&closed, Permissions::from_mode(0o755)).unwrap();
    let server = fixture.start().await;
    assert_eq!(server.folder(), folder);
    assert_eq!(row(&server).await, 7);
}

#[tokio::test]
async fn a_ledger_its_user_can_no_longer_reach_is_not_replaced_by_an_empty_one() {
    let fixture = Fixture::new();
    fixture.start().await.stop().await.unwrap();
    fs::set_permissions(fixture.folder.path(), Permissions::from_mode(0o700)).unwrap();
    let again = Embedded::start(&fixture.options).await;
    if Uid::effective().is_root() {
        let refused = again.unwrap_err();
        assert!(matches!(refused, EmbeddedError::Unreachable { .. }), "{refused}");
    } else {
        again.unwrap().stop().await.unwrap();
    }
}

#[test]
fn without_programs_it_says_what_to_install() {
    let empty = tempfile::tempdir().unwrap();
    let said = find::searched([empty.path().to_path_buf()]).unwrap_err().to_string();
    for part in [
        "proofhold install-postgres",
        "apt-get install -y postgresql",
        "dnf install",
        "brew install",
        "PROOFHOLD_PG_BIN",
    ] {
        assert!(said.contains(part), "{part} is missing in: {said}");
    }
}

#[test]
fn too_old_programs_are_named_and_newer_ones_preferred() {
    let folder = tempfile::tempdir().unwrap();
    let programs = |version: u32| {
        let bin = folder.path().join(version.to_string());
        fs::create_dir(&bin).unwrap();
        for name in ["postgres", "initdb"] {
            let program = bin.join(name);
            // Written by another process, for the same reason as in the last test of this file.
            let script = format!(
                "printf '#!/bin/sh\\necho \"{name} (PostgreSQL) {version}.1\"\\n' > \"$1\""
            );
            assert!(
                Command::new("sh")
                    .args(["-c", &script, "sh"])
                    .arg(&program)
                    .status()
                    .unwrap()
                    .success()
            );
            fs::set_permissions(&program, Permissions::from_mode(0o755)).unwrap();
        }
        bin
    };
    let (old, first, newest) = (programs(14), programs(15), programs(18));
    let refused = find::searched([old.clone()]).unwrap_err().to_string();
    assert!(refused.contains("too old: 14"), "{refused}");
    let found = find::searched([first.clone(), old, newest, first]).unwrap();
    assert_eq!(found.iter().map(|programs| programs.version).collect::<Vec<_>>(), [18, 15]);
}

#[tokio::test]
async fn a_setting_that_names_no_programs_is_refused() {
    let mut fixture = Fixture::new();
    fixture.options.programs = Some(fixture.folder.path().to_path_buf());
    let refused = Embedded::start(&fixture.options).await.unwrap_err();
    assert!(matches!(refused, EmbeddedError::BadSetting { .. }), "{refused}");
    assert!(!fixture.inside().join("cluster").exists());
}

#[tokio::test]
async fn a_cluster_of_another_version_names_the_version() {
    let fixture = Fixture::new();
    fixture.start().await.stop().await.unwrap();
    fs::write(fixture.inside().join("cluster/PG_VERSION"), "9\n").unwrap();
    let refused = Embedded::start(&fixture.options).await.unwrap_err();
    assert!(matches!(refused, EmbeddedError::OtherVersion { made: 9, .. }), "{refused}");
}

#[tokio::test]
async fn a_server_that_does_not_start_shows_its_log() {
    let mut fixture = Fixture::new();
    fixture.options.settings = vec![("shared_buffers".into(), "plenty".into())];
    let refused = Embedded::start(&fixture.options).await.unwrap_err().to_string();
    assert!(refused.contains("server.log") && refused.contains("shared_buffers"), "{refused}");
    fixture.options.settings.clear();
    fixture.start().await.stop().await.unwrap();
}

/// Runs all of the above again as `nobody`, where the tests themselves run as root.
#[test]
fn all_this_holds_for_an_ordinary_user() {
    if !Uid::effective().is_root() {
        return;
    }
    let nobody = User::from_name("nobody").unwrap().expect("a user `nobody`");
    let folder = Fixture::new().folder;
    let program = folder.path().join("tests");
    // Copied by another process: a program still open for writing here cannot be run.
    assert!(
        Command::new("cp")
            .arg(env::current_exe().unwrap())
            .arg(&program)
            .status()
            .unwrap()
            .success()
    );
    fs::set_permissions(&program, Permissions::from_mode(0o755)).unwrap();
    let output = Command::new(&program)
        .arg("embedded::")
        .current_dir("/")
        .uid(nobody.uid.as_raw())
        .gid(nobody.gid.as_raw())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
}
