//! What every request handler shares.

use crate::clock::Clock;
use crate::keys::Keys;
use crate::limits::Limits;
use crate::passwords::Passwords;
use crate::problem::{Code, Problem};
use crate::throttle::Throttle;
use std::io;
use store::gather::Gatherer;
use store::{Store, StoreError};

/// The parts of one running service.
pub struct State {
    /// The way to the database.
    pub store: Store,
    /// The way to record entries, gathered with what others send at the same time.
    pub gatherer: Gatherer,
    /// Its keys.
    pub keys: Keys,
    /// Its clock.
    pub clock: Clock,
    /// Its work on passwords.
    pub passwords: Passwords,
    /// Failed sign-ins.
    pub throttle: Throttle,
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
        let gatherer = Gatherer::start(store.clone(), move || now.now())?;
        let (throttle, limits) = (Throttle::default(), Limits::default());
        Ok(State { store, gatherer, keys, clock, passwords, throttle, limits })
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
