//! Where PostgreSQL's server programs are.

use std::collections::BTreeSet;
use std::env;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::EmbeddedError;

/// The oldest PostgreSQL that Proofhold runs on.
pub const OLDEST: u32 = 15;

/// Where packages put the programs: Debian, PGDG's RPMs, SUSE, Alpine, a build from source, Homebrew on
/// ARM, Intel and Linux. Plain Fedora, RHEL and Arch use `/usr/bin`.
const USUAL: [&str; 9] = [
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/usr/lib/postgresql*/bin",
    "/usr/libexec/postgresql*",
    "/usr/bin",
    "/usr/local/pgsql/bin",
    "/opt/homebrew/opt/postgresql*/bin",
    "/usr/local/opt/postgresql*/bin",
    "/home/linuxbrew/.linuxbrew/opt/postgresql*/bin",
];

/// A folder with `initdb` and `postgres`, both of one version.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Programs {
    /// The folder.
    pub folder: PathBuf,
    /// The major version, such as 15.
    pub version: u32,
}

impl Programs {
    pub(super) fn initdb(&self) -> PathBuf {
        self.folder.join("initdb")
    }

    pub(super) fn postgres(&self) -> PathBuf {
        self.folder.join("postgres")
    }
}

/// The programs of `setting`, or where there is no setting those of PATH and the usual folders: never
/// empty, newest first.
pub(super) fn programs(setting: Option<&Path>) -> Result<Vec<Programs>, EmbeddedError> {
    match setting {
        Some(folder) => named(folder).map(|programs| vec![programs]),
        None => searched(usual_folders()),
    }
}

fn named(folder: &Path) -> Result<Programs, EmbeddedError> {
    let bad = |why: String| EmbeddedError::BadSetting { folder: folder.to_path_buf(), why };
    match look(folder) {
        None => Err(bad("PostgreSQL's server programs are not there or do not run".into())),
        Some(old) if old.version < OLDEST => {
            Err(bad(format!("that is PostgreSQL {}", old.version)))
        }
        Some(programs) => Ok(programs),
    }
}

pub(super) fn searched(
    folders: impl IntoIterator<Item = PathBuf>,
) -> Result<Vec<Programs>, EmbeddedError> {
    let distinct: BTreeSet<PathBuf> =
        folders.into_iter().filter_map(|f| f.canonicalize().ok()).collect();
    let (mut found, too_old): (Vec<_>, Vec<_>) =
        distinct.iter().filter_map(|f| look(f)).partition(|programs| programs.version >= OLDEST);
    if found.is_empty() {
        return Err(EmbeddedError::NoPrograms {
            too_old: too_old.iter().map(|p| p.version).collect(),
        });
    }
    found.sort_by_key(|programs| std::cmp::Reverse(programs.version));
    Ok(found)
}

fn usual_folders() -> Vec<PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let usual =
        USUAL.iter().flat_map(|pattern| glob::glob(pattern).into_iter().flatten().flatten());
    env::split_paths(&path).filter(|folder| folder.is_absolute()).chain(usual).collect()
}

/// The programs in `folder`, where both are there and run.
fn look(folder: &Path) -> Option<Programs> {
    let says = |program: &str| {
        let program = folder.join(program);
        if !program.is_file() {
            return None;
        }
        let output = Command::new(program).arg("--version").stdin(Stdio::null()).output().ok()?;
        version(&String::from_utf8_lossy(&output.stdout))
    };
    let version = says("postgres")?;
    (says("initdb")? == version).then(|| Programs { folder: folder.to_path_buf(), version })
}

/// The major version in `postgres (PostgreSQL) 15.18 (…)`; also of a `19devel`.
fn version(said: &str) -> Option<u32> {
    let (_, rest) = said.split_once("(PostgreSQL) ")?;
    rest.split(|c: char| !c.is_ascii_digit()).next()?.parse().ok()
}

/// Of the programs found, those that can run a cluster made by `made.0` in the folder `made.1`.
pub(super) fn for_version(
    found: Vec<Programs>,
    made: (u32, PathBuf),
) -> Result<Programs, EmbeddedError> {
    let versions: Vec<u32> = found.iter().map(|programs| programs.version).collect();
    let (made, folder) = made;
    found
        .into_iter()
        .find(|programs| programs.version == made)
        .ok_or_else(|| EmbeddedError::OtherVersion { folder, made, found: listed(&versions) })
}

pub(super) fn listed(versions: &[u32]) -> String {
    versions.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    // The texts are what `postgres --version` of Debian, a build from source and a pre-release print (from memory).
    #[test]
    fn versions_are_read_as_printed() {
        assert_eq!(version("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n"), Some(15));
        assert_eq!(version("initdb (PostgreSQL) 17.2\n"), Some(17));
        assert_eq!(version("postgres (PostgreSQL) 19devel\n"), Some(19));
        assert_eq!(version("postgres: command not found"), None);
    }
}
