//! How much and how long the service lets a request take, so that a slow or greedy client
//! takes nothing from the others.

use std::thread;
use std::time::Duration;

/// The most bytes of a request's body: a hold of 10,000 readings fits.
pub const BODY_LIMIT: usize = 256 * 1024;

/// How deep values in a body may be nested.
pub const DEPTH_LIMIT: usize = 32;

/// The limits of time and number. The defaults are the service's; no outside source.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// How long the head of a request may take.
    pub head: Duration,
    /// How long a body may take whatever its size; then each KiB that has come gives a second
    /// more: a crew with one bar of signal passes, who sends byte by byte does not.
    pub body_grace: Duration,
    /// How long a body may take in all.
    pub body: Duration,
    /// How long an answer may take once the body is there.
    pub answer: Duration,
    /// How long an idle connection is kept; above what proxies in front usually keep (60 s).
    pub keep_alive: Duration,
    /// Threads that read requests and write answers.
    pub workers: usize,
    /// Connections that a worker holds at most; others wait to be taken.
    pub connections: usize,
    /// How long requests under way may take to finish when the service stops.
    pub stop: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            head: Duration::from_secs(5),
            body_grace: Duration::from_secs(5),
            body: Duration::from_secs(30),
            answer: Duration::from_secs(15),
            keep_alive: Duration::from_secs(75),
            workers: thread::available_parallelism().map_or(1, |cores| cores.get().min(8)),
            connections: 1024,
            stop: Duration::from_secs(20),
        }
    }
}

impl Limits {
    /// How long after its beginning a body must go on of which this many bytes have come.
    #[must_use]
    pub fn body_due(&self, bytes: usize) -> Duration {
        (self.body_grace + Duration::from_secs(bytes as u64 / 1024)).min(self.body)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The stated limits, no outside source: 5 s, then 1 KiB a second, 30 s in all.
    #[test]
    fn a_body_must_keep_coming() {
        let due = |bytes| Limits::default().body_due(bytes).as_secs();
        assert_eq!([due(0), due(1023), due(1024), due(4096)], [5, 5, 6, 9]);
        assert_eq!(due(BODY_LIMIT), 30);
    }
}
