//! Making a cluster; starting, adopting and stopping its server.

use std::fs::{self, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use tokio_postgres::NoTls;
use tokio_postgres::error::SqlState;

use super::find::Programs;
use super::place::Place;
use super::room;
use super::{EmbeddedError, SUPERUSER, failed, url};

/// How often a server that ends at once is started anew: its port may have been taken, or the remains of a
/// killed server may need a moment to go.
const ATTEMPTS: u32 = 5;
const BETWEEN_ATTEMPTS: Duration = Duration::from_millis(400);
/// Recovery after a crash takes as long as the work since the last checkpoint.
const READY_WITHIN: Duration = Duration::from_secs(300);
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
/// A fast shutdown writes all that is in memory; after this time it is cut short, and recovered at the next start.
const STOPPED_WITHIN: Duration = Duration::from_secs(60);
const POLL: Duration = Duration::from_millis(25);
/// A log longer than this is put aside, in place of the one put aside before.
const LOG_BYTES: u64 = 20_000_000;

/// A server process that answers.
#[derive(Debug)]
pub(super) struct Server {
    pid: i32,
    port: u16,
    cluster: PathBuf,
    /// `None`: adopted, so not this process's child.
    child: Option<Child>,
    stopped: bool,
}

/// Makes the cluster of `place`: whole, or not at all.
pub(super) async fn initdb(place: &Place, programs: &Programs) -> Result<(), EmbeddedError> {
    let program = programs.initdb();
    place.new_password()?;
    let fresh = place.new_cluster()?;
    let mut command = place.command(&program);
    command.args([
        "--locale=C",
        "--encoding=UTF8",
        "--data-checksums",
        "--auth=scram-sha-256",
        "--no-instructions",
    ]);
    command
        .arg("--username")
        .arg(SUPERUSER)
        .arg("--pwfile")
        .arg(place.password_file())
        .arg("--pgdata")
        .arg(&fresh);
    let output =
        tokio::process::Command::from(command).output().await.map_err(failed("run", &program))?;
    if !output.status.success() {
        let said = [output.stdout, output.stderr].concat();
        let said = last_lines(&String::from_utf8_lossy(&said));
        let folder = place.folder().to_path_buf();
        return Err(if room::is_missing(&folder, &said) {
            EmbeddedError::Full { folder, said }
        } else {
            EmbeddedError::Initdb { folder, said }
        });
    }
    place.keep_cluster(&fresh)
}

/// Starts a server and waits until it answers. Every attempt takes the port that `port` then gives.
pub(super) async fn launch(
    place: &Place,
    programs: &Programs,
    password: &str,
    settings: &[(String, String)],
    mut port: impl FnMut() -> io::Result<u16>,
) -> Result<Server, EmbeddedError> {
    let log = place.log();
    put_aside(&log);
    let mut said = String::new();
    for attempt in 0..ATTEMPTS {
        if attempt > 0 {
            tokio::time::sleep(BETWEEN_ATTEMPTS).await;
        }
        let before = fs::metadata(&log).map_or(0, |file| file.len());
        let port = port().map_err(failed("find a free port on", Path::new("127.0.0.1")))?;
        let mut server = spawn(place, programs, settings, port)?;
        if server.answers(place, password).await? {
            return Ok(server);
        }
        said = last_lines(&read_from(&log, before).map_err(failed("read", &log))?);
    }
    if room::is_missing(place.folder(), &said) {
        return Err(EmbeddedError::Full { folder: place.folder().to_path_buf(), said });
    }
    Err(EmbeddedError::Start { log, said })
}

fn spawn(
    place: &Place,
    programs: &Programs,
    settings: &[(String, String)],
    port: u16,
) -> Result<Server, EmbeddedError> {
    let (log, program, cluster) = (place.log(), programs.postgres(), place.cluster());
    let output = OpenOptions::new()
        .create(true)
        .append(true)
        .mode(0o600)
        .open(&log)
        .map_err(failed("open", &log))?;
    let mut command = place.command(&program);
    command.arg("-D").arg(&cluster).arg("-p").arg(port.to_string());
    for (name, value) in [
        ("listen_addresses", "127.0.0.1"),
        ("unix_socket_directories", ""),
        ("logging_collector", "off"),
        ("log_destination", "stderr"),
        ("log_timezone", "UTC"),
        ("timezone", "UTC"),
    ] {
        command.arg("-c").arg(format!("{name}={value}"));
    }
    for (name, value) in settings {
        command.arg("-c").arg(format!("{name}={value}"));
    }
    let child = command
        .stdout(output.try_clone().map_err(failed("open", &log))?)
        .stderr(output)
        // A process group of its own: Ctrl-C at the terminal must reach Proofhold, which then stops the server.
        .process_group(0)
        .spawn()
        .map_err(failed("run", &program))?;
    let pid =
        i32::try_from(child.id()).map_err(|e| failed("run", &program)(io::Error::other(e)))?;
    Ok(Server { pid, port, cluster, child: Some(child), stopped: false })
}

/// A port that nobody listens on at this moment.
pub(super) fn free_port() -> io::Result<u16> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

/// Takes over the server that a killed process left running on this cluster, where there is one.
pub(super) async fn adopt(place: &Place, password: &str) -> Result<Option<Server>, EmbeddedError> {
    let cluster = place.cluster();
    let Some(file) = PidFile::read(&cluster) else {
        return Ok(None);
    };
    if !is_server_of(file.pid, &cluster) {
        // Where that number now belongs to another process of this user, PostgreSQL would refuse to start.
        let stale = cluster.join(PidFile::NAME);
        match fs::remove_file(&stale) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(failed("remove", &stale)(error));
            }
            _ => return Ok(None),
        }
    }
    // Not to be stopped before it proved to be ours: the value is made without Drop's duty, then given it.
    let mut server = Server { pid: file.pid, port: file.port, cluster, child: None, stopped: true };
    let answers = server.answers(place, password).await?;
    server.stopped = !answers;
    Ok(answers.then_some(server))
}

impl Server {
    pub(super) fn port(&self) -> u16 {
        self.port
    }

    pub(super) fn adopted(&self) -> bool {
        self.child.is_none()
    }

    /// Whether the server has ended by itself.
    pub(super) fn ended(&mut self) -> bool {
        self.stopped = self.stopped || gone(self.pid, &self.cluster, self.child.as_mut());
        self.stopped
    }

    /// Waits until the server answers; false where it ended instead.
    async fn answers(&mut self, place: &Place, password: &str) -> Result<bool, EmbeddedError> {
        let pid = self.pid;
        let not_answering = |why: String| EmbeddedError::NotAnswering {
            pid,
            folder: place.folder().to_path_buf(),
            why,
        };
        let since = Instant::now();
        while since.elapsed() < READY_WITHIN {
            if let Some(file) =
                PidFile::read(&self.cluster).filter(|file| file.pid == self.pid && file.ready)
            {
                self.port = file.port;
                let url = url(SUPERUSER, password, file.port, "postgres");
                match tokio::time::timeout(ANSWER_WITHIN, data_folder(&url)).await {
                    Ok(Ok(folder)) if Path::new(&folder) == self.cluster => return Ok(true),
                    Ok(Ok(folder)) => {
                        return Err(not_answering(format!("port {} serves {folder}", file.port)));
                    }
                    Ok(Err(error)) if !is_passing(&error) => {
                        return Err(not_answering(error.to_string()));
                    }
                    Ok(Err(_)) | Err(_) => {}
                }
            }
            tokio::time::sleep(POLL).await;
            if gone(self.pid, &self.cluster, self.child.as_mut()) {
                self.stopped = true;
                return Ok(false);
            }
        }
        Err(not_answering(format!("nothing within {} seconds", READY_WITHIN.as_secs())))
    }

    /// Stops the server and waits for its end.
    pub(super) fn shut_down(&mut self) -> Result<(), EmbeddedError> {
        if self.stopped {
            return Ok(());
        }
        self.stopped = true;
        for (signal, patience) in
            [(Signal::SIGINT, STOPPED_WITHIN), (Signal::SIGQUIT, STOPPED_WITHIN / 4)]
        {
            let since = Instant::now();
            let sent = kill(Pid::from_raw(self.pid), signal);
            while sent.is_ok() && since.elapsed() < patience {
                if gone(self.pid, &self.cluster, self.child.as_mut()) {
                    return Ok(());
                }
                thread::sleep(POLL);
            }
        }
        if gone(self.pid, &self.cluster, self.child.as_mut()) {
            return Ok(());
        }
        Err(EmbeddedError::NotStopped { pid: self.pid })
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Err(error) = self.shut_down() {
            tracing::error!("{error}");
        }
    }
}

/// PostgreSQL's `postmaster.pid`: its lines are process, folder, start, port, socket folder, address, shared
/// memory, status. Source: PostgreSQL's `miscadmin.h`.
struct PidFile {
    pid: i32,
    port: u16,
    ready: bool,
}

impl PidFile {
    const NAME: &str = "postmaster.pid";

    fn read(cluster: &Path) -> Option<PidFile> {
        let text = fs::read_to_string(cluster.join(PidFile::NAME)).ok()?;
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        let ready = lines.get(7).is_some_and(|status| *status == "ready");
        // A server so young that its port is not yet written counts, with no port: it is waited for.
        let port = lines.get(3).and_then(|port| port.parse().ok()).unwrap_or(0);
        Some(PidFile { pid: lines.first()?.parse().ok()?, port, ready })
    }
}

fn gone(pid: i32, cluster: &Path, child: Option<&mut Child>) -> bool {
    match child {
        Some(child) => !matches!(child.try_wait(), Ok(None)),
        // An ended process may stay in the table where nobody collects it; its file goes at its end.
        None => {
            PidFile::read(cluster).is_none_or(|file| file.pid != pid)
                || kill(Pid::from_raw(pid), None) == Err(Errno::ESRCH)
        }
    }
}

/// Whether the process is a server that [`spawn`] started on `cluster`, by its arguments.
///
/// Its working folder would say more, but root in a container may not read that of another user's process.
fn is_server_of(pid: i32, cluster: &Path) -> bool {
    let arguments = fs::read(format!("/proc/{pid}/cmdline")).or_else(|_| {
        let mut ps = Command::new("ps");
        ps.args(["-ww", "-o", "args=", "-p", &pid.to_string()]).stderr(Stdio::null());
        ps.output().map(|output| output.stdout)
    });
    let arguments = arguments.unwrap_or_default();
    String::from_utf8_lossy(&arguments)
        .replace('\0', " ")
        .contains(&format!(" -D {} ", cluster.display()))
}

/// The folder of the server that answers at `url`.
async fn data_folder(url: &str) -> Result<String, tokio_postgres::Error> {
    let (client, connection) = tokio_postgres::connect(url, NoTls).await?;
    let connection = tokio::spawn(connection);
    let row = client.query_one("SHOW data_directory", &[]).await;
    drop(client);
    connection.abort();
    row?.try_get(0)
}

/// Whether it is only starting, stopping, or too busy for one more connection.
fn is_passing(error: &tokio_postgres::Error) -> bool {
    match error.code() {
        Some(code) => [SqlState::CANNOT_CONNECT_NOW, SqlState::TOO_MANY_CONNECTIONS].contains(code),
        None => true,
    }
}

fn put_aside(log: &Path) {
    if fs::metadata(log).is_ok_and(|file| file.len() > LOG_BYTES)
        && let Err(error) = fs::rename(log, log.with_extension("log.1"))
    {
        tracing::warn!(%error, "the server's log could not be put aside");
    }
}

fn read_from(log: &Path, start: u64) -> io::Result<String> {
    let mut file = fs::File::open(log)?;
    file.seek(SeekFrom::Start(start))?;
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes)?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn last_lines(text: &str) -> String {
    let lines: Vec<&str> = text.lines().filter(|line| !line.trim().is_empty()).collect();
    lines[lines.len().saturating_sub(10)..].join("\n")
}
