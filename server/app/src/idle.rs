//! How long nobody has used a session. A screen that its person has left is locked; nobody can switch that off.
//!
//! What is measured is kept in memory only: that a session is locked is an entry, when it was last used is none.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tallyseal_schema::ids::Id;

/// Most often that all sessions are looked through.
const SWEEP: Duration = Duration::from_secs(5);

/// When each session was last used.
pub(crate) struct Idle {
    /// For how long nobody had used any session when this server started, at least.
    before: Duration,
    limit: Duration,
    started: Instant,
    used: Mutex<BTreeMap<Id, Instant>>,
}

impl Idle {
    /// Sessions are locked after `limit`. `before`: how long before this moment somebody used the book for the last time,
    /// as far as can be told; a restart makes no session younger.
    pub(crate) fn new(limit: Duration, before: Duration) -> Self {
        Self { before, limit, started: Instant::now(), used: Mutex::new(BTreeMap::new()) }
    }

    /// How long to wait between two looks at all sessions.
    pub(crate) fn sweep(&self) -> Duration {
        SWEEP.min(self.limit / 4).max(Duration::from_millis(50))
    }

    /// Its person uses the session. `Some`: too late, for so long nobody had; it is to be locked.
    pub(crate) fn used(&self, session: &Id) -> Option<Duration> {
        let mut used = self.lock();
        let over = self.over_in(&used, session);
        if over.is_none() {
            used.insert(session.clone(), Instant::now());
        }
        over
    }

    /// The session begins anew now: its person has just given the password.
    pub(crate) fn begin(&self, session: &Id) {
        self.lock().insert(session.clone(), Instant::now());
    }

    /// For how long nobody has used the session, where that is too long.
    pub(crate) fn over(&self, session: &Id) -> Option<Duration> {
        self.over_in(&self.lock(), session)
    }

    /// Lets go of sessions that were used too long ago: they are over without being remembered, as this server is older.
    pub(crate) fn forget(&self) {
        let limit = self.limit;
        self.lock().retain(|_, used| used.elapsed() < limit);
    }

    fn over_in(&self, used: &BTreeMap<Id, Instant>, session: &Id) -> Option<Duration> {
        let idle = match used.get(session) {
            Some(used) => used.elapsed(),
            None => self.started.elapsed().saturating_add(self.before),
        };
        (idle >= self.limit).then_some(idle)
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<Id, Instant>> {
        self.used.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn session(name: &str) -> Id {
        name.parse().unwrap()
    }

    #[test]
    fn a_session_that_is_used_is_young_and_one_that_is_not_is_over_at_the_limit() {
        let idle = Idle::new(Duration::from_millis(200), Duration::ZERO);
        assert_eq!(idle.used(&session("S-1")), None);
        std::thread::sleep(Duration::from_millis(120));
        assert_eq!(idle.used(&session("S-1")), None);
        std::thread::sleep(Duration::from_millis(120));
        // S-2 was never used since the start; S-1 was, half the time ago.
        assert!(idle.over(&session("S-2")).is_some_and(|idle| idle >= Duration::from_millis(240)));
        assert_eq!(idle.over(&session("S-1")), None);
        std::thread::sleep(Duration::from_millis(120));
        assert!(idle.used(&session("S-1")).is_some());
        // Too late is too late: that it was tried makes it no younger.
        assert!(idle.used(&session("S-1")).is_some());
        idle.forget();
        assert!(idle.over(&session("S-1")).is_some());
        idle.begin(&session("S-1"));
        assert_eq!(idle.over(&session("S-1")), None);
    }

    #[test]
    fn a_restart_makes_no_session_younger() {
        let idle = Idle::new(Duration::from_secs(900), Duration::from_secs(899));
        assert_eq!(idle.over(&session("S-1")), None);
        let idle = Idle::new(Duration::from_secs(900), Duration::from_secs(900));
        assert!(idle.over(&session("S-1")).is_some());
    }
}
