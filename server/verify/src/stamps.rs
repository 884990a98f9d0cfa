//! Time-stamp tokens: those that lie beside the book's checkpoints, and those that came from outside.
//!
//! A token says that its checkpoint, and so every entry under it, was there before the authority's time. It is judged in
//! two steps, as the entries are read once: first the tokens alone, then each entry against those that cover it, and at the
//! end whether the checkpoints under them hold.

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use tallyseal_schema::checkpoint::parse_body;
use tallyseal_schema::{Hash, Time};

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::chunk::Fact;
use crate::findings::Findings;
use crate::notes::{NoteText, files};
use crate::options::Options;
use crate::report::TimeStampSeen;
use crate::time_stamp::{Stamp, TOKEN_MAX, covers, judge};

/// What a kept token's name ends with; before it stands the name of its checkpoint.
const ENDING: &str = ".tst";

/// True for the name of a kept token.
pub(crate) fn is_token(name: &str) -> bool {
    name.ends_with(ENDING)
}

/// A token, and where it is from.
pub(crate) struct TokenFile {
    name: String,
    bytes: Vec<u8>,
    outside: bool,
}

/// Reads every token that is kept beside checkpoints. Where none is judged, what is in them is not kept: they are counted.
///
/// Errors: the directory cannot be read.
pub(crate) fn read_dir(dir: &Path, options: &Options<'_>) -> Result<Vec<TokenFile>, CannotRun> {
    let mut tokens = Vec::new();
    let judged = options.authorities.is_some();
    files(dir, TOKEN_MAX as u64, is_token, &mut |name, bytes| {
        let bytes = if judged { bytes } else { Vec::new() };
        tokens.push(TokenFile { name, bytes, outside: false });
    })?;
    tokens.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(tokens)
}

/// The tokens that were given from outside.
pub(crate) fn given(options: &Options<'_>) -> impl Iterator<Item = TokenFile> {
    options.time_stamps.iter().zip(1..).map(|(bytes, number)| TokenFile {
        name: format!("given, number {number}"),
        bytes: bytes.clone(),
        outside: true,
    })
}

/// A good token.
struct Good {
    name: String,
    /// The name of the checkpoint that it is over.
    note: String,
    size: u64,
    stamp: Stamp,
    /// The first entry below its size that says a later time than it may.
    later: Option<(u64, Time)>,
    /// There was one, and the clock was set back after it, below its size.
    set_right: bool,
}

/// All tokens of one verification.
#[derive(Default)]
pub(crate) struct Stamps {
    /// By size, ascending.
    good: Vec<Good>,
    /// Of each, the earliest bound of it and all larger ones.
    least: Vec<Time>,
    /// The first of them that covers the entries that are read now.
    place: usize,
    /// `at` of the entry before.
    last: Option<Time>,
    /// They are looked at.
    made: bool,
}

impl Stamps {
    /// Judges tokens by themselves, and finds the checkpoint of each.
    pub(crate) fn judge(
        tokens: &[TokenFile],
        notes: &[NoteText],
        options: &Options<'_>,
        findings: &mut Findings,
    ) -> Self {
        let Some(authorities) = &options.authorities else {
            let why = "no certificates of a time-stamping authority were given (--tsa-ca)";
            findings.not_judged(Check::TimeStamps, why, tokens.len() as u64);
            return Self::default();
        };
        findings.looked(Check::TimeStamps, tokens.len() as u64);
        let mut good = Vec::new();
        let kept: HashMap<&str, &NoteText> =
            notes.iter().filter(|note| !note.outside).map(|note| (note.name.as_str(), note)).collect();
        for token in tokens {
            let judged = note_of(token, notes, &kept).and_then(|(note, size)| {
                let hash = Hash::of(note.text.as_bytes());
                let stamp = judge(&token.bytes, &hash, Some(authorities)).map_err(|error| format!("it {error}"))?;
                Ok(Good {
                    name: token.name.clone(),
                    note: note.name.clone(),
                    size,
                    stamp,
                    later: None,
                    set_right: false,
                })
            });
            match judged {
                Ok(one) => good.push(one),
                Err(what) => findings.fault(Check::TimeStamps, None, format!("the time-stamp {}: {what}", token.name)),
            }
        }
        Self::of(good)
    }

    fn of(mut good: Vec<Good>) -> Self {
        good.sort_by_key(|one| one.size);
        let mut least = Vec::new();
        let mut earliest = None;
        for one in good.iter().rev() {
            let bound = earliest.map_or(one.stamp.bound(), |earliest: Time| earliest.min(one.stamp.bound()));
            earliest = Some(bound);
            least.push(bound);
        }
        least.reverse();
        Self { good, least, place: 0, last: None, made: true }
    }

    /// The next entry, in the order of n.
    pub(crate) fn entry(&mut self, fact: &Fact) {
        if let Some((n, head)) = fact.n.zip(fact.head.as_ref()) {
            self.entry_of(n, head.at);
        }
    }

    fn entry_of(&mut self, n: u64, at: Time) {
        while self.good.get(self.place).is_some_and(|one| one.size <= n) {
            self.place += 1;
        }
        // A clock that was wrong and was set right, which the book says itself: no token over it can be later than what was
        // written before.
        if self.last.replace(at).is_some_and(|last| at < last) {
            for one in self.good.iter_mut().skip(self.place) {
                one.set_right |= one.later.take().is_some();
            }
        }
        if self.least.get(self.place).is_none_or(|least| at <= *least) {
            return;
        }
        for one in self.good.iter_mut().skip(self.place).filter(|one| at > one.stamp.bound()) {
            one.later.get_or_insert((n, at));
        }
    }

    /// Says what the tokens show whose checkpoints hold, by their names. Gives the newest, and what is to be said of it.
    pub(crate) fn finish(&self, held: &[&str], findings: &mut Findings) -> (Option<TimeStampSeen>, Vec<String>) {
        let mut newest: Option<&Good> = None;
        let held: HashSet<&str> = held.iter().copied().collect();
        let mut set_right = 0;
        for one in self.good.iter().filter(|one| held.contains(one.note.as_str())) {
            set_right += u64::from(one.set_right);
            if let Some((n, at)) = one.later {
                let Stamp { at: stamped, authority, .. } = &one.stamp;
                let what = format!(
                    "it says {at}, and the time-stamp {} over the first {} entries is of {stamped}, by {authority}: one of \
                     the two clocks was wrong",
                    one.name, one.size
                );
                findings.fault(Check::Time, Some(n), what);
            }
            newest = Some(one);
        }
        let mut notes = Vec::new();
        if set_right > 0 {
            notes.push(format!(
                "time: {set_right} time-stamps are earlier than entries under them; the clock was set back after those, which \
                 the book says"
            ));
        }
        let Some(newest) = newest else {
            if self.made {
                notes.push("no good time-stamp is over a checkpoint that holds".to_owned());
            }
            return (None, notes);
        };
        let stamp = &newest.stamp;
        if now().is_some_and(|now| now > stamp.ends) {
            notes.push(format!(
                "the certificate of the newest time-stamp ended {}; it was valid when it signed, and whoever holds its key \
                 since could sign any time before that",
                stamp.ends
            ));
        }
        let seen = TimeStampSeen {
            accuracy_us: stamp.accuracy_us,
            at: stamp.at,
            authority: stamp.authority.clone(),
            certificate: stamp.certificate,
            size: newest.size,
        };
        (Some(seen), notes)
    }
}

fn now() -> Option<Time> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    Time::from_micros(i64::try_from(now.as_micros()).ok()?)
}

/// The checkpoint that a token is beside, or, for one from outside, the one that it is over; and its size.
fn note_of<'a>(
    token: &TokenFile,
    notes: &'a [NoteText],
    kept: &HashMap<&str, &'a NoteText>,
) -> Result<(&'a NoteText, u64), String> {
    let found = match token.outside {
        true => {
            let hash = covers(&token.bytes).map_err(|error| format!("it {error}"))?;
            let over = |note: &&NoteText| Hash::of(note.text.as_bytes()) == hash;
            notes.iter().find(over).ok_or("it is over no checkpoint that is here or was given (--checkpoint)")?
        }
        false => {
            let name = token.name.strip_suffix(ENDING).unwrap_or_default();
            *kept.get(name).ok_or("the checkpoint that it lies beside is not there")?
        }
    };
    let size = parse_body(&found.text).map_err(|error| format!("the checkpoint under it: {error}"))?.size;
    Ok((found, size))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Faults and notes of a token of minute 10 over so many entries, written in those minutes.
    fn found(size: u64, minutes: &[i64]) -> (usize, Vec<String>) {
        let at = |minute: i64| Time::from_micros(1_790_000_000_000_000 + minute * 60_000_000).unwrap();
        let (name, note) = ("7.tst".to_owned(), "7".to_owned());
        let stamp = Stamp::of(at(10));
        let mut stamps = Stamps::of(vec![Good { name, note, size, stamp, later: None, set_right: false }]);
        for (minute, n) in minutes.iter().zip(0..) {
            stamps.entry_of(n, at(*minute));
        }
        let mut findings = Findings::new(&[]);
        let (newest, notes) = stamps.finish(&["7"], &mut findings);
        assert!(newest.is_some());
        let notes = notes.into_iter().filter(|note| note.starts_with("time:")).collect();
        (findings.finish().1.len(), notes)
    }

    #[test]
    fn an_entry_that_a_token_is_earlier_than_is_a_fault_but_where_the_clock_was_set_right_after_it() {
        assert_eq!(found(3, &[1, 2, 3]), (0, vec![]));
        assert_eq!(found(3, &[1, 11, 11]), (0, vec![]));
        assert_eq!(found(3, &[1, 12, 12]).0, 1);
        // A server that was an hour ahead, and was set right before the token was asked for.
        let (faults, notes) = found(3, &[61, 62, 3]);
        assert_eq!((faults, notes.len()), (0, 1));
        // Set right behind what the token is over: then it is earlier than what it covers.
        assert_eq!(found(2, &[61, 62, 3]).0, 1);
        // Set right, and wrong again.
        assert_eq!(found(4, &[61, 3, 62, 63]).0, 1);
    }
}
