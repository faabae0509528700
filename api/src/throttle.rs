//! Slowing down guesses at an account's password.
//!
//! Kept in memory, a table a process: with several processes a guesser gets as many tries
//! more. A restart forgets.

use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

/// Failures that cost nothing.
const FREE: u32 = 5;

/// The longest wait.
const LONGEST: TimeDelta = TimeDelta::minutes(15);

/// Accounts remembered at most.
const ACCOUNTS: usize = 50_000;

#[derive(Clone, Copy)]
struct Failures {
    count: u32,
    until: DateTime<Utc>,
}

/// Failed sign-ins by account, existing or not.
#[derive(Default)]
pub struct Throttle(Mutex<HashMap<String, Failures>>);

impl Throttle {
    /// Lets an attempt through and counts it as failed until [`Throttle::forgive`] is told
    /// otherwise, so that guesses sent at once count too.
    ///
    /// # Errors
    /// The time to wait: after five failures 1 s, doubling with each to 15 minutes.
    pub fn admit(&self, account: &str, now: DateTime<Utc>) -> Result<(), TimeDelta> {
        let mut table = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if table.len() >= ACCOUNTS && !table.contains_key(account) {
            make_room(&mut table, now);
        }
        let failures = table.entry(account.to_owned()).or_insert(Failures { count: 0, until: now });
        if now < failures.until {
            return Err(failures.until - now);
        }
        if now - failures.until > LONGEST {
            failures.count = 0;
        }
        failures.count += 1;
        failures.until = now + wait(failures.count);
        Ok(())
    }

    /// Takes an admitted attempt back: whether the password was right never came out, because
    /// the service could not look.
    pub fn take_back(&self, account: &str) {
        let mut table = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(failures) = table.get_mut(account) {
            failures.until -= wait(failures.count);
            failures.count = failures.count.saturating_sub(1);
        }
    }

    /// Forgets an account's failures: the right password was given.
    pub fn forgive(&self, account: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(account);
    }
}

fn wait(failures: u32) -> TimeDelta {
    match failures.checked_sub(FREE) {
        None => TimeDelta::zero(),
        Some(beyond) => TimeDelta::seconds(1 << beyond.min(10)).min(LONGEST),
    }
}

/// Forgets whoever waits no longer; if everybody does, all with the shorter waits.
fn make_room(table: &mut HashMap<String, Failures>, now: DateTime<Utc>) {
    table.retain(|_, failures| now < failures.until);
    if table.len() >= ACCOUNTS {
        let mut waits: Vec<DateTime<Utc>> = table.values().map(|failures| failures.until).collect();
        waits.sort_unstable();
        let middle = waits[waits.len() / 2];
        table.retain(|_, failures| failures.until > middle);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> DateTime<Utc> {
        "2026-03-02T08:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::seconds(seconds)
    }

    // OWASP authentication sheet: a counter an account, exponential delay instead of a lock.
    #[test]
    fn waits_double_from_the_fifth_failure_to_fifteen_minutes() {
        let throttle = Throttle::default();
        let mut now = at(0);
        let mut waits = Vec::new();
        for _ in 0..18 {
            throttle.admit("a", now).unwrap();
            let wait = throttle.admit("a", now).err();
            waits.extend(wait.map(|wait| wait.num_seconds()));
            now += wait.unwrap_or_default();
        }
        // While nothing waits, both attempts of a round are let through and counted.
        assert_eq!(waits[..6], [1, 2, 4, 8, 16, 32]);
        assert_eq!(waits.last(), Some(&900));
        assert!(throttle.admit("b", at(0)).is_ok());
    }

    // Common practice, no published source.
    #[test]
    fn success_and_a_quiet_time_forget_failures() {
        let throttle = Throttle::default();
        for _ in 0..5 {
            throttle.admit("a", at(0)).unwrap();
        }
        assert!(throttle.admit("a", at(0)).is_err());
        throttle.forgive("a");
        for _ in 0..5 {
            throttle.admit("a", at(0)).unwrap();
        }
        assert!(throttle.admit("a", at(0)).is_err());
        for _ in 0..5 {
            throttle.admit("a", at(1 + 901)).unwrap();
        }
        assert!(throttle.admit("a", at(1 + 901)).is_err());
    }

    // RFC 9110 section 15.6.4: a 503 is the server's failure, not the client's.
    #[test]
    fn an_attempt_that_was_not_judged_does_not_count() {
        let throttle = Throttle::default();
        for _ in 0..20 {
            throttle.admit("a", at(0)).unwrap();
            throttle.take_back("a");
        }
        for _ in 0..5 {
            throttle.admit("a", at(0)).unwrap();
        }
        assert_eq!(throttle.admit("a", at(0)), Err(TimeDelta::seconds(1)));
        throttle.admit("a", at(1)).unwrap();
        throttle.take_back("a");
        assert_eq!(throttle.admit("a", at(1)), Ok(()));
        assert_eq!(throttle.admit("a", at(1)), Err(TimeDelta::seconds(2)));
    }

    // Common practice, no published source.
    #[test]
    fn the_table_is_bounded() {
        let throttle = Throttle::default();
        for number in 0..ACCOUNTS + 10 {
            throttle.admit(&number.to_string(), at(0)).unwrap();
        }
        assert!(throttle.0.lock().unwrap().len() <= ACCOUNTS);
        let mut waiting: HashMap<String, Failures> = (0..ACCOUNTS)
            .map(|n| (n.to_string(), Failures { count: 9, until: at(1 + n as i64) }))
            .collect();
        make_room(&mut waiting, at(0));
        assert!(waiting.len() <= ACCOUNTS / 2);
    }
}
