//! What every request handler shares.

use crate::auth::Callers;
use crate::clock::Clock;
use crate::keys::Keys;
use crate::limits::Limits;
use crate::passwords::Passwords;
use crate::problem::{Code, Problem};
use crate::throttle::Throttle;
use crate::tokens::Verified;
use std::io;
use std::sync::Arc;
use store::gather::Gatherer;
use store::{Store, StoreError};

/// The parts of one running service.
#[derive(Clone)]
pub struct State {
    /// The way to the database.
    pub store: Store,
    /// The way to record entries, gathered with what others send at the same time.
    pub gatherer: Arc<Gatherer>,
    /// Its keys.
    pub keys: Arc<Keys>,
    /// The access tokens that were verified.
    pub tokens: Arc<Verified>,
    /// Who was let through a moment ago.
    pub callers: Arc<Callers>,
    /// Its clock.
    pub clock: Clock,
    /// Its work on passwords.
    pub passwords: Arc<Passwords>,
    /// Failed sign-ins.
    pub throttle: Arc<Throttle>,
    /// What a request may take.
    pub limits: Limits,
}

impl State {
    /// The parts of a service with this database, these keys and this clock.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub fn new(store: Store, keys: Keys, clock: Clock) -> io::Result<State> {
        let passwords = Passwords::new().map_err(|error| io::Error::other(error.to_string()))?;
        let now = clock.clone();
        let gatherer = Gatherer::start(&store, move || now.now())?;
        Ok(State {
            store,
            gatherer: Arc::new(gatherer),
            keys: Arc::new(keys),
            tokens: Arc::default(),
            callers: Arc::default(),
            clock,
            passwords: Arc::new(passwords),
            throttle: Arc::default(),
            limits: Limits::default(),
        })
    }

    /// The same service for a thread of its own: everything is shared but the connections to
    /// the database, so that no thread has to wake another one for an answer of it.
    #[must_use]
    pub fn for_a_thread(&self) -> State {
        State { store: self.store.apart(), ..self.clone() }
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Problem {
        match error {
            StoreError::Unavailable(cause) => Problem::unavailable(cause),
            StoreError::Busy => Problem::plain(Code::Busy).retry_after(1),
            StoreError::Overtaken => Problem::plain(Code::Busy).retry_after(1),
            other => Problem::internal(other),
        }
    }
}
