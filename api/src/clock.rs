//! What time it is: the system's clock, or one that a test sets.

use chrono::{DateTime, SubsecRound, Utc};
use std::sync::Arc;

/// A clock. Its times have whole microseconds, as the database keeps them.
#[derive(Clone)]
pub struct Clock(Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>);

impl Clock {
    /// The clock of the machine.
    #[must_use]
    pub fn system() -> Clock {
        Clock::of(Utc::now)
    }

    /// A clock that asks `now` each time.
    pub fn of(now: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Clock {
        Clock(Arc::new(now))
    }

    /// The time now.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        (self.0)().trunc_subsecs(6)
    }
}
