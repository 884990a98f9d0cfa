//! What others outside know of this book: its witnesses as they stand, and what was found that contradicts it.

use tallyseal_schema::Entry;
use tallyseal_schema::Time;

use super::exceptions::told;
use super::{PageError, words};
use crate::clock;
use crate::desk::Desk;
use crate::error::DeskError;
use crate::witnesses::book_state;

/// One witness as shown.
pub(super) struct WitnessShown {
    /// How old its newest cosignature is.
    pub(super) age: String,
    /// Entries after what it cosigned.
    pub(super) after: String,
    /// How many entries it cosigned; empty: none.
    pub(super) cosigned: String,
    pub(super) key: String,
    pub(super) mark: &'static str,
    pub(super) name: String,
    /// Since when nobody outside follows, by this one.
    pub(super) since: Option<words::When>,
    pub(super) url: String,
    pub(super) when: Option<words::When>,
    /// Why it did not cosign.
    pub(super) why: String,
    pub(super) word: &'static str,
}

/// What says that another history of this book is known: at which entry, and what.
pub(super) struct Alarm {
    pub(super) n: u64,
    pub(super) what: String,
}

/// All of it.
#[derive(Default)]
pub(super) struct Outside {
    pub(super) alarms: Vec<Alarm>,
    pub(super) witnesses: Vec<WitnessShown>,
}

impl Outside {
    /// Errors: the book cannot be read.
    pub(super) fn of(desk: &Desk) -> Result<Self, PageError> {
        let book = desk.book();
        let state = book_state(book)?;
        let entries = book.head()?.n + 1;
        let now = clock::now();
        let shown = desk.witnesses().into_iter().map(|standing| {
            let key = standing.key.to_string();
            let lost = state.lost.get(&key);
            let forked = state.forked.contains(&key);
            let size = standing.cosigned.map_or(0, |cosigned| cosigned.size);
            let (mark, word) = match (forked, lost, &standing.problem, standing.cosigned) {
                (true, ..) => ("grave", "Knows another history"),
                (_, Some(_), ..) => ("hold", "Unwitnessed"),
                (_, _, Some(_), _) => ("hold", "Did not answer well"),
                (_, _, None, None) => ("hold", "Nothing cosigned yet"),
                (_, _, None, Some(_)) => ("good", "Cosigns"),
            };
            WitnessShown {
                age: standing.cosigned.map_or(String::new(), |cosigned| age(cosigned.at, now)),
                after: words::number(entries.saturating_sub(size)),
                cosigned: if size == 0 { String::new() } else { words::number(size) },
                key,
                mark,
                name: standing.key.name().to_owned(),
                since: lost.copied().flatten().map(|since| words::when(since, desk.zone())),
                url: standing.url,
                when: standing.cosigned.map(|cosigned| words::when(cosigned.at, desk.zone())),
                why: standing.problem.unwrap_or_default(),
                word,
            }
        });
        Ok(Self { witnesses: shown.collect(), alarms: alarms(desk)? })
    }
}

/// Everything that says that another history of this book is known.
///
/// Errors: the book cannot be read.
pub(super) fn alarms(desk: &Desk) -> Result<Vec<Alarm>, PageError> {
    let mut alarms = Vec::new();
    for n in book_state(desk.book())?.alarms {
        let Some(bytes) = desk.book().entry(n)? else { continue };
        let entry = Entry::read(&bytes).map_err(|error| DeskError::Internal(error.to_string()))?;
        alarms.push(Alarm { n, what: told::sentence(&entry, &[]) });
    }
    Ok(alarms)
}

fn age(at: Time, now: Time) -> String {
    match now.micros().saturating_sub(at.micros()).max(0).unsigned_abs() / 1_000_000 {
        0 => "just now".to_owned(),
        seconds => format!("{} ago", words::span_words(seconds)),
    }
}
