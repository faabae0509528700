//! The keys folder: the server's secret and the keys that sign access tokens.
//!
//! `server.secret` is 32 random bytes; `token-<kid>.pem` are Ed25519 keys (PKCS#8), whose
//! `kid` is their RFC 7638 thumbprint. What is missing is made under a lock on the folder,
//! so that processes starting at once share one secret. Two token keys live at a time: a
//! new one is published first and signs after [`PUBLISHED_AHEAD`], the one before it goes
//! on verifying.

use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use jsonwebtoken::{DecodingKey, EncodingKey};
use sha2::{Digest, Sha256};
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, SystemTime};
use uuid::Uuid;

/// How long a new token key is published before it signs: longer than every process takes
/// to read it ([`REREAD_EVERY`]) and than clients may keep the published set (5 minutes).
pub const PUBLISHED_AHEAD: Duration = Duration::from_secs(600);

/// How often a running process reads the folder again.
pub const REREAD_EVERY: Duration = Duration::from_secs(60);

/// A key may be replaced when nothing signed by the one before it can still be valid:
/// [`PUBLISHED_AHEAD`], a token's 15 minutes and the leeway, rounded up.
const ROTATION_PAUSE: Duration = Duration::from_secs(1800);

const SECRET: &str = "server.secret";

/// A key that signs access tokens.
pub struct TokenKey {
    /// RFC 7638 thumbprint of the public key.
    pub kid: String,
    /// The public key, base64url.
    pub x: String,
    /// Signs.
    pub signing: EncodingKey,
    /// Verifies.
    pub verifying: DecodingKey,
    made: SystemTime,
}

impl TokenKey {
    fn read(path: &Path) -> io::Result<TokenKey> {
        let wrong = |_| io::Error::new(io::ErrorKind::InvalidData, "not an Ed25519 key");
        let text = fs::read(path)?;
        let der =
            pem::parse(&text).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
        let pair = Ed25519KeyPair::from_pkcs8(der.contents()).map_err(wrong)?;
        let x = BASE64_URL_SAFE_NO_PAD.encode(pair.public_key().as_ref());
        Ok(TokenKey {
            kid: thumbprint(&x),
            signing: EncodingKey::from_ed_der(der.contents()),
            verifying: DecodingKey::from_ed_der(pair.public_key().as_ref()),
            made: fs::metadata(path)?.modified()?,
            x,
        })
    }

    fn age(&self) -> Duration {
        self.made.elapsed().unwrap_or_default()
    }
}

/// RFC 7638 over the members that RFC 8037 section 2 names for an Ed25519 key.
fn thumbprint(x: &str) -> String {
    let members = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
    BASE64_URL_SAFE_NO_PAD.encode(Sha256::digest(members.as_bytes()))
}

/// The keys of one installation, shared by all its processes.
pub struct Keys {
    folder: PathBuf,
    secret: [u8; 32],
    /// Newest first; never empty.
    tokens: RwLock<Vec<Arc<TokenKey>>>,
}

impl Keys {
    /// Reads the folder, made with what is missing in it.
    ///
    /// # Errors
    /// When the folder cannot be read or made, or a file in it is no key.
    pub fn open(folder: impl Into<PathBuf>) -> io::Result<Keys> {
        let folder = folder.into();
        let (secret, tokens) = match read_all(&folder)? {
            (Some(secret), tokens) if !tokens.is_empty() => (secret, tokens),
            _ => make_missing(&folder)?,
        };
        Ok(Keys { folder, secret, tokens: RwLock::new(tokens) })
    }

    /// HMAC-SHA-256 under the server's secret. `purpose` keeps the uses apart: each has a
    /// word of its own and data of a fixed length.
    #[must_use]
    pub fn mac(&self, purpose: &str, data: &[u8]) -> [u8; 32] {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.secret).expect("any length is a key");
        mac.update(purpose.as_bytes());
        mac.update(data);
        mac.finalize().into_bytes().into()
    }

    /// The key under which an organisation's entries are compared by content.
    #[must_use]
    pub fn content_key(&self, org: Uuid) -> [u8; 32] {
        self.mac("content", org.as_bytes())
    }

    /// What something sent to an organisation is known by when it comes again: HMAC-SHA-256
    /// of its canonical bytes under [`Keys::content_key`].
    #[must_use]
    pub fn content(&self, org: Uuid, sent: &[u8]) -> [u8; 32] {
        let key = self.content_key(org);
        let mut mac = Hmac::<Sha256>::new_from_slice(&key).expect("any length is a key");
        mac.update(sent);
        mac.finalize().into_bytes().into()
    }

    /// The key that signs now: the newest that has been published long enough.
    #[must_use]
    pub fn signing(&self) -> Arc<TokenKey> {
        let keys = self.live();
        let ready = keys.iter().find(|key| key.age() >= PUBLISHED_AHEAD);
        ready.unwrap_or(&keys[keys.len() - 1]).clone()
    }

    /// The live key with this id.
    #[must_use]
    pub fn verifying(&self, kid: &str) -> Option<Arc<TokenKey>> {
        self.live().into_iter().find(|key| key.kid == kid)
    }

    /// The live keys, newest first.
    #[must_use]
    pub fn live(&self) -> Vec<Arc<TokenKey>> {
        self.tokens.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Reads the token keys again, to learn of a rotation by another process.
    ///
    /// # Errors
    /// When the folder cannot be read; the keys known before stay in use.
    pub fn reread(&self) -> io::Result<()> {
        let keys = read_token_keys(&self.folder)?;
        if !keys.is_empty() {
            *self.tokens.write().unwrap_or_else(PoisonError::into_inner) = keys;
        }
        Ok(())
    }

    /// Makes a new token key, keeps the one before it and removes older ones. Gives the
    /// new key's id. Running processes read it within a minute.
    ///
    /// # Errors
    /// When the last rotation is less than half an hour ago, or the folder cannot be written.
    pub fn rotate(&self) -> io::Result<String> {
        let _lock = lock(&self.folder)?;
        let keys = read_token_keys(&self.folder)?;
        if keys.len() > 1 && keys[0].age() < ROTATION_PAUSE {
            return Err(io::Error::other(
                "the last rotation is less than 30 minutes ago; tokens signed before it are still valid",
            ));
        }
        let made = make_token_key(&self.folder)?;
        for old in keys.iter().skip(1) {
            fs::remove_file(self.folder.join(file_name(&old.kid)))?;
        }
        self.reread()?;
        Ok(made)
    }
}

fn file_name(kid: &str) -> String {
    format!("token-{kid}.pem")
}

type Contents = (Option<[u8; 32]>, Vec<Arc<TokenKey>>);

fn read_all(folder: &Path) -> io::Result<Contents> {
    if !folder.exists() {
        return Ok((None, Vec::new()));
    }
    let secret = match fs::read(folder.join(SECRET)) {
        Ok(bytes) => {
            Some(bytes.try_into().map_err(|_| at(folder, "server.secret is not 32 bytes"))?)
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(at(folder, error)),
    };
    Ok((secret, read_token_keys(folder)?))
}

fn read_token_keys(folder: &Path) -> io::Result<Vec<Arc<TokenKey>>> {
    let mut keys = Vec::new();
    for file in fs::read_dir(folder).map_err(|error| at(folder, error))? {
        let path = file?.path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        if name.starts_with("token-") && name.ends_with(".pem") {
            keys.push(Arc::new(TokenKey::read(&path).map_err(|error| at(&path, error))?));
        }
    }
    keys.sort_by(|a, b| (b.made, &b.kid).cmp(&(a.made, &a.kid)));
    Ok(keys)
}

fn make_missing(folder: &Path) -> io::Result<([u8; 32], Vec<Arc<TokenKey>>)> {
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(|error| at(folder, error))?;
    let _lock = lock(folder)?;
    // Another process may have made them while this one waited.
    let (found, keys) = read_all(folder)?;
    let secret = match found {
        Some(secret) => secret,
        None => {
            let secret: [u8; 32] = rand::random();
            write(folder, SECRET, &secret)?;
            secret
        }
    };
    if keys.is_empty() {
        make_token_key(folder)?;
    }
    Ok((secret, read_token_keys(folder)?))
}

fn make_token_key(folder: &Path) -> io::Result<String> {
    let failed = |_| io::Error::other("no random numbers for a new key");
    let der = Ed25519KeyPair::generate_pkcs8v1(&SystemRandom::new()).map_err(failed)?;
    let pair =
        Ed25519KeyPair::from_pkcs8(der.as_ref()).map_err(|_| io::Error::other("no key made"))?;
    let kid = thumbprint(&BASE64_URL_SAFE_NO_PAD.encode(pair.public_key().as_ref()));
    let text = pem::encode(&pem::Pem::new("PRIVATE KEY", der.as_ref()));
    write(folder, &file_name(&kid), text.as_bytes())?;
    Ok(kid)
}

/// Held until dropped; the system frees it when the process dies.
fn lock(folder: &Path) -> io::Result<File> {
    let file = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .mode(0o600)
        .open(folder.join(".lock"))
        .map_err(|error| at(folder, error))?;
    file.lock().map_err(|error| at(folder, error))?;
    Ok(file)
}

/// Writes a file that is there whole or not at all, readable by its owner only.
fn write(folder: &Path, name: &str, bytes: &[u8]) -> io::Result<()> {
    let unfinished = folder.join(format!(".{name}.new"));
    let mut file = OpenOptions::new()
        .create(true)
        .truncate(true)
        .write(true)
        .mode(0o600)
        .open(&unfinished)
        .map_err(|error| at(&unfinished, error))?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&unfinished, folder.join(name))?;
    File::open(folder)?.sync_all()
}

fn at(path: &Path, error: impl std::fmt::Display) -> io::Error {
    io::Error::other(format!("{}: {error}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn mode(path: &Path) -> u32 {
        fs::metadata(path).unwrap().permissions().mode() & 0o777
    }

    fn make_older(folder: &Path, kid: &str, by: Duration) {
        let file = File::options().write(true).open(folder.join(file_name(kid))).unwrap();
        file.set_modified(SystemTime::now() - by).unwrap();
    }

    // RFC 8037 appendix A.3: the thumbprint of the key of appendix A.2.
    #[test]
    fn the_kid_is_the_thumbprint_of_the_standard() {
        assert_eq!(
            thumbprint("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"),
            "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
        );
    }

    // RFC 4231 test case 2 fixes HMAC-SHA-256 itself; here: uses and organisations are kept apart.
    #[test]
    fn macs_differ_by_purpose_and_data() {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let org = Uuid::from_u128(1);
        assert_eq!(keys.content_key(org), keys.mac("content", org.as_bytes()));
        assert_ne!(keys.mac("content", b"a"), keys.mac("refresh", b"a"));
        assert_ne!(keys.content_key(org), keys.content_key(Uuid::from_u128(2)));
    }

    // Common practice, no published source: secrets are readable by their owner only.
    #[test]
    fn what_is_missing_is_made_once_and_kept_private() {
        let parent = tempfile::tempdir().unwrap();
        let folder = parent.path().join("keys");
        let first = Keys::open(&folder).unwrap();
        let again = Keys::open(&folder).unwrap();
        assert_eq!(first.secret, again.secret);
        assert_eq!(first.signing().kid, again.signing().kid);
        assert_eq!(mode(&folder), 0o700);
        for name in [SECRET.to_owned(), file_name(&first.signing().kid)] {
            assert_eq!(mode(&folder.join(name)), 0o600);
        }
    }

    // Common practice, no published source.
    #[test]
    fn processes_starting_at_once_share_one_secret_and_one_key() {
        let parent = tempfile::tempdir().unwrap();
        let folder = parent.path().join("keys");
        let opened: Vec<Keys> = std::thread::scope(|scope| {
            let starts: Vec<_> =
                (0..8).map(|_| scope.spawn(|| Keys::open(&folder).unwrap())).collect();
            starts.into_iter().map(|start| start.join().unwrap()).collect()
        });
        assert!(opened.iter().all(|keys| keys.secret == opened[0].secret));
        assert!(opened.iter().all(|keys| keys.live().len() == 1));
        assert!(opened.iter().all(|keys| keys.signing().kid == opened[0].signing().kid));
    }

    // RFC 7517 section 5 and design practice: publish the next key before use, keep the one before.
    #[test]
    fn a_new_key_is_published_before_it_signs_and_the_old_one_goes_on_verifying() {
        let folder = tempfile::tempdir().unwrap();
        let keys = Keys::open(folder.path()).unwrap();
        let first = keys.signing().kid.clone();
        make_older(folder.path(), &first, Duration::from_secs(7200));

        let second = keys.rotate().unwrap();
        assert_eq!(keys.signing().kid, first);
        assert!(keys.verifying(&second).is_some());
        assert!(keys.rotate().is_err());

        make_older(folder.path(), &second, PUBLISHED_AHEAD);
        keys.reread().unwrap();
        assert_eq!(keys.signing().kid, second);
        assert!(keys.verifying(&first).is_some());

        make_older(folder.path(), &second, ROTATION_PAUSE);
        let third = keys.rotate().unwrap();
        assert_eq!(keys.live().len(), 2);
        assert!(keys.verifying(&first).is_none());
        assert!(keys.verifying(&second).is_some() && keys.verifying(&third).is_some());
    }

    // Common practice, no published source: a damaged secret stops the start instead of being replaced.
    #[test]
    fn a_damaged_file_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let kid = Keys::open(folder.path()).unwrap().signing().kid.clone();
        fs::write(folder.path().join(file_name(&kid)), "nonsense").unwrap();
        assert!(Keys::open(folder.path()).is_err());
        fs::remove_file(folder.path().join(file_name(&kid))).unwrap();
        fs::write(folder.path().join(SECRET), "short").unwrap();
        assert!(Keys::open(folder.path()).is_err());
    }
}
