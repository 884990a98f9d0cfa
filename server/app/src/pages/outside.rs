//! What others outside know of this book: its witnesses as they stand, and what was found that contradicts it.

use tallyseal_schema::Entry;
use tallyseal_schema::Time;
use tallyseal_schema::kinds::NoTimeStamp;

use super::exceptions::told;
use super::{PageError, words};
use crate::clock;
use crate::desk::Desk;
use crate::error::DeskError;
use crate::time_stamps::Standing;
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

/// The time-stamping authority as shown.
pub(super) struct StampShown {
    /// How old its newest token is.
    pub(super) age: String,
    /// Whose certificate is in the newest token.
    pub(super) authority: String,
    /// SHA-256 of it.
    pub(super) certificate: String,
    /// Its tokens are held against certificates from outside.
    pub(super) certified: bool,
    pub(super) mark: &'static str,
    /// How many entries the newest token covers; empty: there is none.
    pub(super) size: String,
    pub(super) url: String,
    pub(super) when: Option<words::When>,
    /// Why it gave none.
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
    pub(super) stamp: Option<StampShown>,
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
        let lost = state.time_authority.as_ref().and_then(|asked| asked.lost);
        let stamp = desk.time_stamps().map(|standing| stamped(standing, lost, now, desk.zone()));
        Ok(Self { alarms: alarms(desk)?, stamp, witnesses: shown.collect() })
    }
}

fn stamped(standing: Standing, lost: Option<NoTimeStamp>, now: Time, zone: chrono_tz::Tz) -> StampShown {
    let kept = standing.kept.as_ref();
    let (mark, word) = match (lost, &standing.problem, kept) {
        (Some(NoTimeStamp::BadToken), ..) => ("grave", "Gave a bad token"),
        (Some(NoTimeStamp::NoToken), ..) => ("hold", "Tokens are missing"),
        (None, Some(_), _) => ("hold", "Did not answer well"),
        (None, None, None) => ("hold", "Nothing stamped yet"),
        (None, None, Some(_)) => ("good", "Stamps"),
    };
    StampShown {
        age: kept.map_or(String::new(), |kept| age(kept.stamp.at, now)),
        authority: kept.map_or(String::new(), |kept| kept.stamp.authority.clone()),
        certificate: kept.map_or(String::new(), |kept| kept.stamp.certificate.to_string()),
        certified: standing.authorities.is_some(),
        mark,
        size: kept.map_or(String::new(), |kept| words::number(kept.size)),
        when: kept.map(|kept| words::when(kept.stamp.at, zone)),
        url: standing.url,
        why: standing.problem.unwrap_or_default(),
        word,
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
