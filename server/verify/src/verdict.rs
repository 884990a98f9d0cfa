//! What the verdict rests on: which of the things that came from outside the book agrees with.

use std::time::{SystemTime, UNIX_EPOCH};

use tallyseal_schema::Time;
use tallyseal_schema::checkpoint::VerifierKey;

use crate::check::Check;
use crate::findings::Findings;
use crate::options::{Options, Require};
use crate::report::{Outside, Trust};
use crate::source::Opening;

/// A checkpoint that holds, and why it speaks from outside.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Proof {
    pub(crate) trust: Trust,
    pub(crate) size: u64,
    /// When it was made, as far as it says so itself. Unit: seconds since 1970.
    pub(crate) made: Option<u64>,
}

/// The book's key as it says itself.
pub(crate) fn own_key(opening: &Opening) -> Option<VerifierKey> {
    Some(VerifierKey::of_book(opening.book.as_ref()?, opening.public?))
}

/// True where a key that came from outside is the book's. Where one came and none is, that is a fault.
pub(crate) fn key_is_given(own: Option<&VerifierKey>, options: &Options<'_>, findings: &mut Findings) -> bool {
    if options.keys.is_empty() {
        return false;
    }
    let Some(own) = own else {
        findings.not_judged(Check::Keys, "the book's key is not here to hold the given one against", 1);
        return false;
    };
    let given = options.keys.iter().any(|key| key.name == own.name && key.public == own.public);
    if !given {
        findings.fault(Check::Keys, Some(0), format!("the book's key is {own}, which is not the one that was given"));
    }
    given
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
        if !has(trust) {
            findings.fault(Check::Require, None, what);
        }
    }
    let strongest = proofs.iter().map(|proof| proof.trust).max().unwrap_or(Trust::Itself);
    let outside = proofs.iter().max_by_key(|proof| (proof.size, proof.made)).map(|newest| {
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
