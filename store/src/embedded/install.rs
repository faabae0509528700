//! Installing PostgreSQL's server programs with the system's package manager.

use std::env;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use nix::unistd::Uid;

use super::EmbeddedError;
use super::find::{self, OLDEST, Programs};

/// On Debian a newly installed server makes a cluster of its own and takes port 5432, unless a file here says no.
/// Source: pg_createcluster(1), the include directive of createcluster.conf.
const NO_CLUSTER_FOLDER: &str = "/etc/postgresql-common/createcluster.d";
const NO_CLUSTER: &str = "create_main_cluster = false";

/// Why the programs are still not there.
#[derive(Debug, thiserror::Error)]
pub enum InstallError {
    /// The search itself failed, before or after the installation.
    #[error(transparent)]
    Find(#[from] EmbeddedError),
    /// No package manager that this program knows.
    #[error(
        "No known package manager (apt-get, dnf, yum, brew) was found. Install the server programs of PostgreSQL {OLDEST} or later by hand."
    )]
    NoManager,
    /// It takes another user to install.
    #[error(
        "PostgreSQL's server programs are missing, and installing them takes {who}. Run:\n  {line}"
    )]
    WrongUser {
        /// Who may.
        who: &'static str,
        /// The line to run.
        line: String,
    },
    /// The distribution's PostgreSQL is too old.
    #[error(
        "This system's own packages offer PostgreSQL {version}; Proofhold needs {OLDEST} or later. Install a newer one from https://www.postgresql.org/download/ and start again."
    )]
    TooOld {
        /// The version offered.
        version: u32,
    },
    /// A command of the package manager failed; it printed why.
    #[error(
        "`{line}` failed ({status}). Put right what it names, or install PostgreSQL's server programs by hand."
    )]
    Command {
        /// The command.
        line: String,
        /// How it ended.
        status: String,
    },
    /// A file could not be written or a command not run.
    #[error("Could not use {path}: {source}.")]
    System {
        /// The file or program.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// Installs the programs where they are missing, and gives the newest; what the package manager prints is shown.
///
/// # Errors
/// [`InstallError`]; as another user than the package manager needs, the line to run.
pub fn install(setting: Option<&Path>) -> Result<Programs, InstallError> {
    match find::programs(setting) {
        Ok(found) => return Ok(newest(found)),
        Err(EmbeddedError::NoPrograms { .. }) => {}
        Err(other) => return Err(other.into()),
    }
    let manager = Manager::detect().ok_or(InstallError::NoManager)?;
    if Uid::effective().is_root() != manager.wants_root() {
        let who = if manager.wants_root() { "root" } else { "an ordinary user" };
        return Err(InstallError::WrongUser { who, line: manager.line().to_owned() });
    }
    manager.install()?;
    Ok(newest(find::programs(None)?))
}

fn newest(mut found: Vec<Programs>) -> Programs {
    found.swap_remove(0)
}

/// The package managers that are known.
#[derive(Clone, Copy, Debug)]
pub(super) enum Manager {
    Apt,
    Dnf,
    Yum,
    Brew,
}

impl Manager {
    fn detect() -> Option<Manager> {
        let path = env::var_os("PATH").unwrap_or_default();
        let is_there =
            |program: &str| env::split_paths(&path).any(|folder| folder.join(program).is_file());
        [
            ("apt-get", Manager::Apt),
            ("dnf", Manager::Dnf),
            ("yum", Manager::Yum),
            ("brew", Manager::Brew),
        ]
        .into_iter()
        .find_map(|(program, manager)| is_there(program).then_some(manager))
    }

    fn wants_root(self) -> bool {
        !matches!(self, Manager::Brew)
    }

    /// What a person types.
    pub(super) fn line(self) -> &'static str {
        match self {
            Manager::Apt => concat!(
                "sudo sh -c 'mkdir -p /etc/postgresql-common/createcluster.d && ",
                "echo \"create_main_cluster = false\" > /etc/postgresql-common/createcluster.d/proofhold.conf && ",
                "apt-get update && apt-get install -y postgresql'"
            ),
            Manager::Dnf => "sudo dnf install -y postgresql-server",
            Manager::Yum => "sudo yum install -y postgresql-server",
            Manager::Brew => "brew install postgresql@17",
        }
    }

    fn install(self) -> Result<(), InstallError> {
        match self {
            Manager::Apt => install_on_debian(),
            Manager::Dnf => run("dnf", &["install", "-y", "postgresql-server"]),
            Manager::Yum => run("yum", &["install", "-y", "postgresql-server"]),
            Manager::Brew => run("brew", &["install", "postgresql@17"]),
        }
    }
}

fn install_on_debian() -> Result<(), InstallError> {
    let file = Path::new(NO_CLUSTER_FOLDER).join("proofhold.conf");
    let text = format!("# Proofhold runs a private server; no other was wanted.\n{NO_CLUSTER}\n");
    fs::create_dir_all(NO_CLUSTER_FOLDER)
        .and_then(|()| fs::write(&file, text))
        .map_err(|source| InstallError::System { path: file, source })?;
    run("apt-get", &["update"])?;
    let version = debian_version()?;
    if version < OLDEST {
        return Err(InstallError::TooOld { version });
    }
    let package = format!("postgresql-{version}");
    // Reinstalling also brings back programs that somebody deleted by hand.
    run("apt-get", &["install", "-y", "--no-install-recommends", "--reinstall", &package])
}

/// The version that the distribution's package `postgresql` stands for.
fn debian_version() -> Result<u32, InstallError> {
    let (program, arguments) = ("apt-cache", ["depends", "--important", "postgresql"]);
    let output = command(program, &arguments)
        .output()
        .map_err(|source| InstallError::System { path: program.into(), source })?;
    String::from_utf8_lossy(&output.stdout)
        .lines()
        .find_map(|line| line.trim().strip_prefix("Depends: postgresql-")?.parse().ok())
        .ok_or_else(|| InstallError::Command {
            line: format!("{program} {}", arguments.join(" ")),
            status: "no version of PostgreSQL in its answer".into(),
        })
}

fn run(program: &str, arguments: &[&str]) -> Result<(), InstallError> {
    let status = command(program, arguments)
        .status()
        .map_err(|source| InstallError::System { path: program.into(), source })?;
    if status.success() {
        return Ok(());
    }
    Err(InstallError::Command {
        line: format!("{program} {}", arguments.join(" ")),
        status: status.to_string(),
    })
}

fn command(program: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(program);
    command
        .args(arguments)
        .env("DEBIAN_FRONTEND", "noninteractive")
        .env("LC_ALL", "C")
        .stdin(Stdio::null());
    command
}
