//! Time-stamp tokens: those that lie beside the book's checkpoints, and those that came from outside.
//!
//! A token says that its checkpoint, and so every entry under it, was there before the authority's time. It is judged in
//! two steps, as the entries are read once: first the tokens alone, then each entry against those that cover it, and at the
//! end whether the checkpoints under them hold.

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

/// Reads every token that is kept beside checkpoints.
///
/// Errors: the directory cannot be read.
pub(crate) fn read_dir(dir: &Path) -> Result<Vec<TokenFile>, CannotRun> {
    let mut tokens = Vec::new();
    files(dir, TOKEN_MAX as u64, is_token, &mut |name, bytes| tokens.push(TokenFile { name, bytes, outside: false }))?;
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
        for token in tokens {
            let judged = note_of(token, notes).and_then(|(note, size)| {
                let hash = Hash::of(note.text.as_bytes());
                let stamp = judge(&token.bytes, &hash, Some(authorities)).map_err(|error| format!("it {error}"))?;
                Ok(Good { name: token.name.clone(), note: note.name.clone(), size, stamp, later: None })
            });
            match judged {
                Ok(one) => good.push(one),
                Err(what) => findings.fault(Check::TimeStamps, None, format!("the time-stamp {}: {what}", token.name)),
            }
        }
        good.sort_by_key(|one| one.size);
        let mut least = Vec::new();
        let mut earliest = None;
        for one in good.iter().rev() {
            let bound = earliest.map_or(one.stamp.bound(), |earliest: Time| earliest.min(one.stamp.bound()));
            earliest = Some(bound);
            least.push(bound);
        }
        least.reverse();
        Self { good, least, place: 0, made: true }
    }

    /// The next entry, in the order of n.
    pub(crate) fn entry(&mut self, fact: &Fact) {
        let Some((n, head)) = fact.n.zip(fact.head.as_ref()) else { return };
        while self.good.get(self.place).is_some_and(|one| one.size <= n) {
            self.place += 1;
        }
        if self.least.get(self.place).is_none_or(|least| head.at <= *least) {
            return;
        }
        for one in self.good.iter_mut().skip(self.place).filter(|one| head.at > one.stamp.bound()) {
            one.later.get_or_insert((n, head.at));
        }
    }

    /// Says what the tokens show whose checkpoints hold, by their names. Gives the newest, and what is to be said of it.
    pub(crate) fn finish(&self, held: &[&str], findings: &mut Findings) -> (Option<TimeStampSeen>, Vec<String>) {
        let mut newest: Option<&Good> = None;
        for one in self.good.iter().filter(|one| held.contains(&one.note.as_str())) {
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
fn note_of<'a>(token: &TokenFile, notes: &'a [NoteText]) -> Result<(&'a NoteText, u64), String> {
    let found = match token.outside {
        true => {
            let hash = covers(&token.bytes).map_err(|error| format!("it {error}"))?;
            let over = |note: &&NoteText| Hash::of(note.text.as_bytes()) == hash;
            notes.iter().find(over).ok_or("it is over no checkpoint that is here or was given (--checkpoint)")?
        }
        false => {
            let name = token.name.strip_suffix(ENDING).unwrap_or_default();
            let beside = |note: &&NoteText| !note.outside && note.name == name;
            notes.iter().find(beside).ok_or("the checkpoint that it lies beside is not there")?
        }
    };
    let size = parse_body(&found.text).map_err(|error| format!("the checkpoint under it: {error}"))?.size;
    Ok((found, size))
}
