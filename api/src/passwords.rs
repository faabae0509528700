//! Passwords: Argon2id, a few at a time.

use crate::problem::{Code, Problem};
use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, PasswordVerifier, Version};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::Semaphore;

/// Memory in KiB, passes and lanes: one of the equally strong settings of the OWASP password
/// storage sheet, and what ASVS 5.0 appendix C approves.
const COST: (u32, u32, u32) = (47_104, 1, 1);

/// How many are worked out at a time; each takes 46 MiB.
const AT_A_TIME: usize = 2;

/// How many may wait for that.
const QUEUE: usize = 20;

/// The fewest and most characters (ASVS 5.0 6.2.1 and 6.2.9 ask for at least 8 and for at
/// least 64 to be allowed; 15 or more are recommended).
pub const LENGTH: std::ops::RangeInclusive<usize> = 8..=128;

fn argon2() -> Argon2<'static> {
    let params = Params::new(COST.0, COST.1, COST.2, None).expect("the cost is within bounds");
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

/// The hash of a password, as a PHC string with its own salt. Takes about 50 ms.
///
/// # Errors
/// When there are no random numbers for the salt.
pub fn hash(password: &str) -> Result<String, argon2::password_hash::Error> {
    Ok(argon2().hash_password(password.as_bytes())?.to_string())
}

fn verify(password: &str, hash: &str) -> bool {
    PasswordHash::new(hash)
        .is_ok_and(|hash| argon2().verify_password(password.as_bytes(), &hash).is_ok())
}

/// What is wrong with a new password, if anything.
#[must_use]
pub fn fault(password: &str, login: &str) -> Option<&'static str> {
    if !LENGTH.contains(&password.chars().count()) {
        Some("A password has 8 to 128 characters; 15 or more are recommended.")
    } else if password.to_lowercase() == login.to_lowercase() {
        Some("A password may not be the login.")
    } else {
        None
    }
}

/// The work on passwords of one process.
pub struct Passwords {
    permits: Arc<Semaphore>,
    waiting: AtomicUsize,
    /// Compared with where there is no account, so that both cost the same.
    dummy: String,
}

impl Passwords {
    /// Ready to work.
    ///
    /// # Errors
    /// When there are no random numbers for a salt.
    pub fn new() -> Result<Passwords, argon2::password_hash::Error> {
        Ok(Passwords {
            permits: Arc::new(Semaphore::new(AT_A_TIME)),
            waiting: AtomicUsize::new(0),
            dummy: hash(&rand::random::<u128>().to_string())?,
        })
    }

    /// Whether this is the password of that hash. Without a hash it is not, and takes as long.
    ///
    /// # Errors
    /// [`Code::Busy`] when too many wait already.
    pub async fn verify(&self, password: String, hash: Option<String>) -> Result<bool, Problem> {
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.dummy.clone());
        let right = self.work(move || verify(&password, &hash)).await?;
        Ok(right && known)
    }

    /// The hash of a new password.
    ///
    /// # Errors
    /// [`Code::Busy`] when too many wait already.
    pub async fn hash(&self, password: String) -> Result<String, Problem> {
        self.work(move || hash(&password)).await?.map_err(Problem::internal)
    }

    async fn work<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Problem> {
        let _place = Place::take(&self.waiting)?;
        let permit = self.permits.clone().acquire_owned().await.map_err(Problem::internal)?;
        // The permit goes along, so that a caller who gives up does not free it early.
        actix_web::web::block(move || {
            let _permit = permit;
            work()
        })
        .await
        .map_err(Problem::internal)
    }
}

/// A place among those at work or waiting, given back when dropped.
struct Place<'a>(&'a AtomicUsize);

impl Place<'_> {
    fn take(taken: &AtomicUsize) -> Result<Place<'_>, Problem> {
        let place = Place(taken);
        if taken.fetch_add(1, Ordering::SeqCst) >= AT_A_TIME + QUEUE {
            return Err(
                Problem::new(Code::Busy, "Too many people sign in at this moment.").retry_after(2)
            );
        }
        Ok(place)
    }
}

impl Drop for Place<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // OWASP password storage sheet: Argon2id with m=47104, t=1, p=1.
    #[actix_web::test]
    async fn a_password_is_known_by_its_hash_only() {
        let passwords = Passwords::new().unwrap();
        let hash = passwords.hash("correct horse".to_owned()).await.unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=47104,t=1,p=1$"), "{hash}");
        let verify =
            |text: &str, hash: Option<&String>| passwords.verify(text.to_owned(), hash.cloned());
        assert!(verify("correct horse", Some(&hash)).await.unwrap());
        assert!(!verify("correct hors", Some(&hash)).await.unwrap());
        assert!(!verify("correct horse", None).await.unwrap());
        assert!(!verify("correct horse", Some(&"nonsense".to_owned())).await.unwrap());
        assert_ne!(hash, passwords.hash("correct horse".to_owned()).await.unwrap());
    }

    // Common practice, no published source: a bounded queue, then 503.
    #[test]
    fn places_are_bounded_and_given_back() {
        let taken = AtomicUsize::new(0);
        let places: Vec<_> = (0..AT_A_TIME + QUEUE).map(|_| Place::take(&taken).unwrap()).collect();
        assert_eq!(Place::take(&taken).err().map(|problem| problem.code()), Some(Code::Busy));
        drop(places);
        assert!(Place::take(&taken).is_ok());
        assert_eq!(taken.load(Ordering::SeqCst), 0);
    }

    // ASVS 5.0 6.2.1, 6.2.5 (no rules of composition) and 6.2.9.
    #[test]
    fn new_passwords_are_judged_by_length_and_login() {
        assert!(fault("aaaaaaaa", "ada").is_none());
        assert!(fault(&"ß".repeat(128), "ada").is_none());
        assert!(fault("short77", "ada").is_some());
        assert!(fault(&"a".repeat(129), "ada").is_some());
        assert!(fault("Ada.Finch", "ada.finch").is_some());
    }
}
