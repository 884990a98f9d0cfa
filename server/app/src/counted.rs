//! Which rolls are being counted now. What was stated, certified or counted before stays hidden for so long, so that
//! nobody counts towards a number.

use std::collections::BTreeSet;

use tallyseal_book::{Book, ReadError};
use tallyseal_control::{CountStatus, Key, Record, State};
use tallyseal_schema::ids::{AccountId, Stream};

/// The keys that things are searched for by. A key that tells what is hidden at times is none of them: who may ask
/// whether a roll is certified for a number may ask for one number after the other.
const SEARCHABLE: &[&str] = &[
    "account.founder",
    "account.key",
    "count.open",
    "count.roll",
    "count.station",
    "count.unsigned",
    "delivery.item",
    "delivery.supplier_lot",
    "deviation.about",
    "deviation.open",
    "item.revision",
    "plugin.digest",
    "plugin.version",
    "roll.bracket",
    "roll.delivery",
    "roll.held",
    "roll.item",
    "roll.stock",
    "session.open",
    "station.counting",
    "thing",
];

/// True where things may be searched for by that key, `PROPERTY=VALUE`.
pub(crate) fn is_searchable(key: &str) -> bool {
    key.split_once('=').is_some_and(|(property, _)| SEARCHABLE.contains(&property))
}

/// The rolls and test rolls that run over a table now, and who counts them.
pub(crate) struct Counted {
    people: BTreeSet<AccountId>,
    rolls: BTreeSet<Stream>,
    /// Whatever says what to expect of them: they themselves, their deliveries, the stations with their challenges.
    telling: BTreeSet<Stream>,
}

impl Counted {
    /// As it stands now.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn now(book: &Book) -> Result<Self, ReadError> {
        let mut now = Self { people: BTreeSet::new(), rolls: BTreeSet::new(), telling: BTreeSet::new() };
        for count in book.set(&Key::new("count.open", "yes"))? {
            if let Some((_, Record { state: State::Count(state), .. })) = book.record(&count)? {
                if let Some((_, Record { state: State::Roll(roll), .. })) = book.record(&state.roll)? {
                    now.telling.insert(roll.delivery);
                }
                now.telling.extend([state.roll.clone(), state.station]);
                now.people.extend(state.opened_by);
                now.rolls.insert(state.roll);
            }
        }
        Ok(now)
    }

    /// True where that roll or test roll runs.
    pub(crate) fn has(&self, roll: &Stream) -> bool {
        self.rolls.contains(roll)
    }

    /// True where the entries of that stream say what to expect of a roll that runs.
    pub(crate) fn tells(&self, stream: &Stream) -> bool {
        self.telling.contains(stream)
    }

    /// True where that person runs a count, in whichever role they ask.
    pub(crate) fn counts(&self, account: &AccountId) -> bool {
        self.people.contains(account)
    }

    /// The fields of a thing's state that are hidden now.
    pub(crate) fn hidden(&self, stream: &Stream, state: &State) -> &'static [&'static str] {
        match state {
            State::Roll(_) if self.has(stream) => &["stated", "settled", "counts", "tag"],
            State::TestRoll(_) if self.has(stream) => &["certified"],
            State::Count(count) if count.status != CountStatus::Open && self.has(&count.roll) => &[
                "codes_checked",
                "codes_read",
                "labels",
                "labels_seen",
                "machine_total",
                "ticket",
                "total_first",
                "totals",
            ],
            _ => &[],
        }
    }
}
