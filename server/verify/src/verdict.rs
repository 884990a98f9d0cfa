//! What the verdict rests on: which of the things that came from outside the book agrees with.

use std::collections::BTreeMap;
use std::time::{SystemTime, UNIX_EPOCH};

use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::{BookName, Time};

use crate::check::Check;
use crate::findings::Findings;
use crate::judge::BookKeys;
use crate::notes::Note;
use crate::options::{Options, Require};
use crate::report::{CompromisedKey, Outside, Trust};

/// A checkpoint that holds, and why it speaks from outside.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Proof {
    pub(crate) trust: Trust,
    pub(crate) size: u64,
    /// When it was made, as far as it says so itself. Unit: seconds since 1970.
    pub(crate) made: Option<u64>,
}

/// Which of the book's keys came from outside, and what they vouch for.
pub(crate) struct Given<'a> {
    keys: &'a BookKeys,
    places: Vec<usize>,
}

impl<'a> Given<'a> {
    /// Holds the keys that came from outside against the book's. Where some came and none is the book's, that is a fault.
    pub(crate) fn of(
        book: Option<&BookName>,
        keys: &'a BookKeys,
        options: &Options<'_>,
        findings: &mut Findings,
    ) -> Self {
        let mut places = Vec::new();
        match book.and_then(|book| Some((book, keys.newest(book)?))) {
            _ if options.keys.is_empty() => {}
            None => findings.not_judged(Check::Keys, "the book's key is not here to hold the given one against", 1),
            Some((book, newest)) => {
                places = keys.places(book, &options.keys);
                if places.is_empty() {
                    let what = match keys.len() {
                        1 => format!("the book's key is {newest}, which is not the one that was given"),
                        many => format!("the book's {many} keys, the newest {newest}, are not the one that was given"),
                    };
                    findings.fault(Check::Keys, Some(0), what);
                }
            }
        }
        Self { keys, places }
    }

    /// True where a key that came from outside vouches for a checkpoint that holds.
    fn vouches(&self, note: &Note) -> bool {
        let vouches = |place| self.places.iter().any(|given| self.keys.vouches(*given, place, note.checkpoint.size));
        note.key.is_some_and(vouches)
    }

    /// What the notes that hold prove from outside.
    ///
    /// Whoever cosigned a checkpoint speaks for all that it covers, so a quorum stands where the last of its members does.
    pub(crate) fn proofs<'n>(
        &self,
        held: impl IntoIterator<Item = &'n Note>,
        options: &Options<'_>,
        findings: &mut Findings,
    ) -> Vec<Proof> {
        let held: Vec<&Note> = held.into_iter().collect();
        // Since when somebody else may have signed it, by the policy, where that is so.
        let tainted = |note: &Note| {
            let id = note.key.and_then(|place| self.keys.id(&note.checkpoint.origin, place))?;
            let since = options.policy.as_ref()?.tainted(id, note.checkpoint.size)?;
            Some(since.micros().max(0).unsigned_abs() / 1_000_000)
        };
        let witnessed = quorum(&held, options, tainted);
        let covered = witnessed.map_or(0, |proof| proof.size);
        let mut proofs = Vec::from_iter(witnessed);
        for note in held {
            if note.key.is_some_and(|place| self.keys.is_compromised(place, note.checkpoint.size)) {
                let why = "signed by a key of the book that is marked as compromised at their size: they prove nothing by \
                           themselves";
                findings.not_judged(Check::Checkpoints, why, 1);
            }
            if tainted(note).is_some() && note.checkpoint.size > covered {
                continue;
            }
            let mut proof = |trust| proofs.push(Proof { trust, size: note.checkpoint.size, made: None });
            if self.vouches(note) {
                proof(Trust::Key);
            }
            if note.outside {
                proof(Trust::Checkpoint);
            }
        }
        proofs
    }
}

/// The largest size for which enough witnesses speak, and when the last of them said so.
fn quorum(held: &[&Note], options: &Options<'_>, tainted: impl Fn(&Note) -> Option<u64>) -> Option<Proof> {
    let wanted = options.quorum();
    // Of each witness the largest that it cosigned, and when it did last. One key under two names is one witness.
    let mut newest: BTreeMap<&[u8; 32], (u64, u64)> = BTreeMap::new();
    for note in held {
        let before = tainted(note).unwrap_or(u64::MAX);
        for (witness, time) in note.witnessed.iter().filter(|(_, time)| *time < before) {
            let Some(key) = options.witnesses.get(*witness) else { continue };
            let of = newest.entry(key.public()).or_default();
            *of = (*of).max((note.checkpoint.size, *time));
        }
    }
    let mut sizes: Vec<(u64, u64)> = newest.into_values().collect();
    sizes.sort_unstable_by(|a, b| b.cmp(a));
    let (size, made) = sizes.get(wanted.checked_sub(1)?).copied()?;
    Some(Proof { trust: Trust::Witness, size, made: Some(made) })
}

/// The key that signs for the book at its end, as it says itself.
pub(crate) fn own_key(book: Option<&BookName>, keys: &BookKeys) -> Option<VerifierKey> {
    keys.newest(book?)
}

/// How the book changed its key, where it did.
pub(crate) fn about_keys(book: Option<&BookName>, keys: &BookKeys) -> Option<String> {
    let all: Vec<String> = keys.all(book?).map(|(n, key)| format!("from entry {n} on {key}")).collect();
    (all.len() > 1).then(|| format!("keys: the book changed its key: {}", all.join("; ")))
}

/// So many signatures of a compromised key are named in a sentence; all are in the JSON form.
const NAMED_MAX: usize = 20;

/// One sentence for each compromised key of a person, with the signatures that fell with it.
pub(crate) fn about_compromised(keys: &[CompromisedKey]) -> impl Iterator<Item = String> {
    keys.iter().map(|CompromisedKey { account, entries, from, key }| {
        let named: Vec<String> = entries.iter().take(NAMED_MAX).map(u64::to_string).collect();
        let fell = match (named.is_empty(), entries.len() - named.len()) {
            (true, _) => "it signed nothing from there on".to_owned(),
            (false, 0) => format!("not standing: entries {}", named.join(", ")),
            (false, more) => format!("not standing: entries {} and {more} more", named.join(", ")),
        };
        format!("signatures: key compromised from n {from}, of account {account}: {key}; {fell}")
    })
}

/// The strongest trust that the proofs give, and the newest of them; what was required and is not there is a fault.
///
/// `end`: how many entries the book has; `at`: the time of the entry before that size, where it is known.
pub(crate) fn trust(
    proofs: &[Proof],
    end: u64,
    at: impl Fn(u64) -> Option<Time>,
    options: &Options<'_>,
    findings: &mut Findings,
) -> (Trust, Option<Outside>) {
    let has = |wanted: Trust| proofs.iter().any(|proof| proof.trust == wanted);
    for require in &options.require {
        findings.looked(Check::Require, 1);
        let (trust, what) = match require {
            Require::Key => (Trust::Key, "no checkpoint that holds is signed by a key that was given"),
            Require::Checkpoint => {
                (Trust::Checkpoint, "no checkpoint was given that the entries could be held against")
            }
            Require::Witness => (Trust::Witness, "no checkpoint that holds is cosigned by a witness that was named"),
        };
        let quorum = options.quorum();
        match has(trust) {
            true => {}
            false if *require == Require::Witness && quorum > 1 => findings.fault(
                Check::Require,
                None,
                format!("the checkpoints that hold are not cosigned by {quorum} of the witnesses that were named"),
            ),
            false => findings.fault(Check::Require, None, what),
        }
    }
    let strongest = proofs.iter().map(|proof| proof.trust).max().unwrap_or(Trust::Itself);
    // A key that was given makes the book's own checkpoints count, where nothing else is there. What somebody else kept or
    // cosigned speaks against the holder of that key too, so these do not hide how old it is.
    let kept = |proof: &&Proof| proof.trust != Trust::Key || strongest == Trust::Key;
    let outside = proofs.iter().filter(kept).max_by_key(|proof| (proof.size, proof.made)).map(|newest| {
        let made = newest.made.and_then(|seconds| i64::try_from(seconds).ok()?.checked_mul(1_000_000));
        let at = made.and_then(Time::from_micros).or_else(|| at(newest.size));
        Outside { size: newest.size, at, age_s: at.and_then(age), tail: end.saturating_sub(newest.size) }
    });
    (strongest, outside)
}

/// How long ago that was. Unit: seconds; 0 for a moment that has not come yet.
fn age(at: Time) -> Option<u64> {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    let then = u64::try_from(at.micros()).ok()? / 1_000_000;
    Some(now.as_secs().saturating_sub(then))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_age_is_in_whole_seconds_and_never_negative() {
        let now = i64::try_from(SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_micros()).unwrap();
        let ago = |seconds: i64| age(Time::from_micros(now - seconds * 1_000_000).unwrap()).unwrap();
        assert!((7_200..7_260).contains(&ago(7_200)), "{}", ago(7_200));
        assert_eq!(ago(-7_200), 0);
    }
}
