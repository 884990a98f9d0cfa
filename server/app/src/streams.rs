//! Who watches: pages that hear of news hold a connection each. One session must not take those of everybody else.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tallyseal_schema::ids::Id;
use tokio::sync::Notify;

/// Pages of one session that watch at a time; a person has a few open.
const SESSION_MAX: usize = 8;
/// Pages of all sessions: well below the connections that the server takes, so that it still answers.
const ALL_MAX: usize = 512;

#[derive(Default)]
struct Open {
    /// Also those that were told to end and have not yet: they still hold their connection.
    all: usize,
    next: u64,
    /// Of each session, the oldest first.
    sessions: BTreeMap<Id, VecDeque<(u64, Arc<Notify>)>>,
}

/// The pages that watch.
#[derive(Default)]
pub(crate) struct Streams {
    open: Mutex<Open>,
}

impl Streams {
    /// A place for one more page of that session; its oldest one is told to end where it has too many. `None`: the house is
    /// full.
    pub(crate) fn enter(self: &Arc<Self>, session: &Id) -> Option<Place> {
        let mut open = self.lock();
        if open.all >= ALL_MAX {
            return None;
        }
        open.all += 1;
        let number = open.next;
        open.next += 1;
        let told = Arc::new(Notify::new());
        let own = open.sessions.entry(session.clone()).or_default();
        own.push_back((number, Arc::clone(&told)));
        if own.len() > SESSION_MAX
            && let Some((_, oldest)) = own.pop_front()
        {
            oldest.notify_one();
        }
        Some(Place { number, session: session.clone(), streams: Arc::clone(self), told })
    }

    fn lock(&self) -> MutexGuard<'_, Open> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The place of one page, given back when it is let go.
pub(crate) struct Place {
    number: u64,
    session: Id,
    streams: Arc<Streams>,
    told: Arc<Notify>,
}

impl Place {
    /// Returns when another page of the session has taken the place.
    pub(crate) async fn taken(&self) {
        self.told.notified().await;
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.streams.lock();
        open.all = open.all.saturating_sub(1);
        if let Some(own) = open.sessions.get_mut(&self.session) {
            own.retain(|(number, _)| *number != self.number);
            if own.is_empty() {
                open.sessions.remove(&self.session);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use futures_util::FutureExt as _;

    use super::*;

    #[test]
    fn the_oldest_of_a_session_makes_room_and_no_other_sessions_does() {
        let streams = Arc::new(Streams::default());
        let (one, other): (Id, Id) = ("S-1".parse().unwrap(), "S-2".parse().unwrap());
        let first = streams.enter(&other).unwrap();
        let mut places: Vec<Place> = (0..SESSION_MAX).map(|_| streams.enter(&one).unwrap()).collect();
        assert!(places[0].taken().now_or_never().is_none());
        places.push(streams.enter(&one).unwrap());
        assert!(places[0].taken().now_or_never().is_some());
        assert!(places[1].taken().now_or_never().is_none() && first.taken().now_or_never().is_none());
        // Who leaves makes room as well.
        drop(places.pop());
        places.push(streams.enter(&one).unwrap());
        assert!(places[1].taken().now_or_never().is_none());
        drop((places, first));
        let open = streams.lock();
        assert!(open.all == 0 && open.sessions.is_empty());
    }

    #[test]
    fn a_full_house_takes_nobody_until_somebody_leaves() {
        let streams = Arc::new(Streams::default());
        let session = |n: usize| format!("S-{n}").parse::<Id>().unwrap();
        let mut places: Vec<Place> = (0..ALL_MAX).map(|n| streams.enter(&session(n)).unwrap()).collect();
        assert!(streams.enter(&session(ALL_MAX)).is_none());
        places.pop();
        assert!(streams.enter(&session(ALL_MAX)).is_some());
    }
}
