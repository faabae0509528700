//! Which folder the server lives in, whose it is, and the lock on it.

use std::fs::{self, File, OpenOptions, Permissions, TryLockError};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use nix::unistd::{Uid, User};
use rand::distr::{Alphanumeric, SampleString};

use super::{EmbeddedError, Options, failed};

/// The folder of one server and the user that runs it, locked for as long as this value lives.
///
/// In the folder: `cluster` (PostgreSQL's own, there only once it is whole), `password`, `server.log`, `lock`.
/// All but the cluster belong to whoever runs Proofhold, so that the server's user can plant nothing there.
#[derive(Debug)]
pub(super) struct Place {
    folder: PathBuf,
    moved: bool,
    /// Where Proofhold runs as root: the user to become.
    user: Option<Account>,
    /// The locks on the data folder and, where it is elsewhere, on the server's.
    _locks: Vec<Lock>,
}

#[derive(Clone, Debug)]
struct Account {
    name: String,
    uid: u32,
    gid: u32,
}

impl Place {
    /// Settles the folder and the user, and takes the lock.
    pub(super) fn choose(options: &Options) -> Result<Place, EmbeddedError> {
        let data = made(&options.data)?;
        let mut locks = vec![lock(&data)?];
        // The folder once chosen is kept: the ledger must not change places when rights do.
        let note = data.join("postgres.moved");
        let inside = data.join("postgres");
        let noted = fs::read_to_string(&note).ok().map(|text| PathBuf::from(text.trim()));
        let noted = noted.filter(|folder| folder.is_absolute());
        let chosen = noted.clone().unwrap_or_else(|| inside.clone());
        let user = account(&chosen)?;
        let folder = match &user {
            Some(user) if !reachable(&chosen, user)? => {
                if noted.is_some() || chosen.join("cluster").exists() {
                    return Err(EmbeddedError::Unreachable {
                        folder: chosen,
                        user: user.name.clone(),
                    });
                }
                elsewhere(&options.state, &note, user)?
            }
            _ => made(&chosen)?,
        };
        let moved = folder != inside;
        if moved {
            // A copy of the data folder leads to the same server.
            locks.push(lock(&folder)?);
        }
        Ok(Place { folder, moved, user, _locks: locks })
    }

    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    pub(super) fn moved(&self) -> bool {
        self.moved
    }

    /// PostgreSQL's data folder.
    pub(super) fn cluster(&self) -> PathBuf {
        self.folder.join("cluster")
    }

    /// The server's log.
    pub(super) fn log(&self) -> PathBuf {
        self.folder.join("server.log")
    }

    pub(super) fn is_empty(&self) -> bool {
        !self.cluster().exists()
    }

    /// The version that made the cluster, and the cluster's folder.
    pub(super) fn version(&self) -> Result<(u32, PathBuf), EmbeddedError> {
        let file = self.cluster().join("PG_VERSION");
        let text = fs::read_to_string(&file).map_err(failed("read", &file))?;
        let version = text
            .trim()
            .parse()
            .map_err(|_| failed("understand", &file)(ErrorKind::InvalidData.into()))?;
        Ok((version, self.cluster()))
    }

    pub(super) fn password(&self) -> Result<String, EmbeddedError> {
        let file = self.password_file();
        Ok(fs::read_to_string(&file).map_err(failed("read", &file))?.trim().to_owned())
    }

    pub(super) fn password_file(&self) -> PathBuf {
        self.folder.join("password")
    }

    /// Writes a new random password, readable by the server's user only (`initdb` reads it).
    pub(super) fn new_password(&self) -> Result<(), EmbeddedError> {
        let file = self.password_file();
        if file.exists() {
            fs::remove_file(&file).map_err(failed("replace", &file))?;
        }
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&file)
            .and_then(|mut open| {
                writeln!(open, "{}", random(32))?;
                open.sync_all()
            })
            .map_err(failed("write", &file))?;
        self.give(&file)
    }

    /// A new empty folder of the server's user, for `initdb`.
    pub(super) fn new_cluster(&self) -> Result<PathBuf, EmbeddedError> {
        let fresh = self.folder.join(format!("{HALF}{}", random(8)));
        fs::DirBuilder::new().mode(0o700).create(&fresh).map_err(failed("make", &fresh))?;
        self.give(&fresh)?;
        Ok(fresh)
    }

    /// Makes the finished folder of `initdb` the cluster, in one step that a crash cannot halve.
    pub(super) fn keep_cluster(&self, fresh: &Path) -> Result<(), EmbeddedError> {
        fs::rename(fresh, self.cluster()).map_err(failed("rename", fresh))?;
        File::open(&self.folder)
            .and_then(|folder| folder.sync_all())
            .map_err(failed("write", &self.folder))
    }

    /// Removes what killed runs of `initdb` left.
    pub(super) fn clear_half_clusters(&self) -> Result<(), EmbeddedError> {
        for entry in fs::read_dir(&self.folder).map_err(failed("read", &self.folder))?.flatten() {
            if entry.file_name().to_string_lossy().starts_with(HALF) {
                // An `initdb` that outlived its killed parent may still write there; what is left goes at the next start.
                if let Err(error) = fs::remove_dir_all(entry.path()) {
                    tracing::warn!(folder = %entry.path().display(), %error, "a half-made cluster is left over");
                }
            }
        }
        Ok(())
    }

    /// A command that runs in this folder as the server's user, with no setting of the caller's environment.
    pub(super) fn command(&self, program: &Path) -> Command {
        let mut command = as_user(program, self.user.as_ref());
        command.current_dir(&self.folder);
        command
    }

    fn give(&self, path: &Path) -> Result<(), EmbeddedError> {
        match &self.user {
            Some(user) => chown(path, Some(user.uid), Some(user.gid))
                .map_err(failed("change the owner of", path)),
            None => Ok(()),
        }
    }
}

/// How the folders of an unfinished `initdb` begin.
const HALF: &str = "cluster.half-";

fn random(length: usize) -> String {
    Alphanumeric.sample_string(&mut rand::rng(), length)
}

/// The folder, made where it is missing, as an absolute path without symbolic links.
fn made(folder: &Path) -> Result<PathBuf, EmbeddedError> {
    fs::create_dir_all(folder).map_err(failed("make", folder))?;
    folder.canonicalize().map_err(failed("open", folder))
}

/// The lock on a folder, which the system releases when this process ends, however it ends.
#[derive(Debug)]
struct Lock(File);

impl Drop for Lock {
    /// Released in so many words: closing the file is not enough while a child, just forked by another thread
    /// and not yet its own program, has a copy of it.
    fn drop(&mut self) {
        if let Err(error) = self.0.unlock() {
            tracing::warn!(%error, "the lock on the data folder could not be released");
        }
    }
}

fn lock(folder: &Path) -> Result<Lock, EmbeddedError> {
    let path = folder.join("postgres.lock");
    let opened =
        OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).open(&path);
    let file = opened.map_err(|error| match (error.kind(), fs::metadata(folder)) {
        (ErrorKind::PermissionDenied, Ok(data)) => not_owner(folder, data.uid()),
        _ => failed("open", &path)(error),
    })?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => Err(EmbeddedError::InUse { folder: folder.to_path_buf() }),
        Err(TryLockError::Error(error)) => Err(failed("lock", &path)(error)),
    }
}

/// The user to run the server: as root the cluster's owner, else `postgres`, else `nobody`; otherwise this one.
fn account(folder: &Path) -> Result<Option<Account>, EmbeddedError> {
    let owner =
        fs::metadata(folder.join("cluster")).ok().map(|cluster| (cluster.uid(), cluster.gid()));
    let me = Uid::effective();
    match owner {
        Some((uid, _)) if !me.is_root() && uid != me.as_raw() => Err(not_owner(folder, uid)),
        _ if !me.is_root() => Ok(None),
        Some((uid, gid)) if uid != 0 => Ok(Some(Account { name: name_of(uid), uid, gid })),
        _ => ["postgres", "nobody"]
            .into_iter()
            .find_map(|name| User::from_name(name).ok().flatten())
            .map(|user| {
                Some(Account { name: user.name, uid: user.uid.as_raw(), gid: user.gid.as_raw() })
            })
            .ok_or(EmbeddedError::NoUser),
    }
}

fn not_owner(folder: &Path, owner: u32) -> EmbeddedError {
    EmbeddedError::NotOwner { folder: folder.to_path_buf(), owner: name_of(owner) }
}

fn name_of(uid: u32) -> String {
    User::from_uid(uid.into()).ok().flatten().map_or_else(|| uid.to_string(), |user| user.name)
}

fn as_user(program: &Path, user: Option<&Account>) -> Command {
    let mut command = Command::new(program);
    command.env_clear().env("PATH", "/usr/bin:/bin").env("LC_ALL", "C").stdin(Stdio::null());
    if let Some(user) = user {
        command.uid(user.uid).gid(user.gid);
    }
    command
}

/// Whether `user` can pass through all folders above `folder` (made where it is missing), by trying.
fn reachable(folder: &Path, user: &Account) -> Result<bool, EmbeddedError> {
    let existed = folder.exists();
    fs::create_dir_all(folder).map_err(failed("make", folder))?;
    open_to_all(folder)?;
    let shell = Path::new("/bin/sh");
    let reached = as_user(shell, Some(user))
        .args(["-c", "cd \"$1\"", "sh"])
        .arg(folder)
        .current_dir("/")
        .stderr(Stdio::null())
        .status()
        .map_err(failed("run as an unprivileged user", shell))?
        .success();
    if !reached && !existed {
        fs::remove_dir(folder).map_err(failed("remove", folder))?;
    }
    Ok(reached)
}

/// Passage for the server's user, whatever the umask; the cluster inside and the password stay closed.
fn open_to_all(folder: &Path) -> Result<(), EmbeddedError> {
    fs::set_permissions(folder, Permissions::from_mode(0o755))
        .map_err(failed("change the rights of", folder))
}

/// A new folder under the system's state folder, noted in the data folder.
///
/// Its name is random, not made from the data folder's path: a data folder that is moved keeps its ledger, and a
/// new one at the same path does not come upon an old ledger.
fn elsewhere(state: &Path, note: &Path, user: &Account) -> Result<PathBuf, EmbeddedError> {
    made(state)?;
    open_to_all(state)?;
    let folder = made(&state.join(random(12).to_lowercase()))?;
    if !reachable(&folder, user)? {
        return Err(EmbeddedError::Unreachable { folder, user: user.name.clone() });
    }
    fs::write(note, format!("{}\n", folder.display())).map_err(failed("write", note))?;
    Ok(folder)
}
