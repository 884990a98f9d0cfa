//! The book itself: the keys that sign its checkpoints, its witnesses, and whether another history of it is known elsewhere.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{
    BookForkSeen, BookKeyCompromised, BookReceiptContradicted, BookTimeAuthorityNamed, BookTimeStampBack,
    BookTimeStampLost, BookWitnessBack, BookWitnessLost, BookWitnessesNamed, NoTimeStamp, OtherHistory,
};
use tallyseal_schema::signature::key_name;
use tallyseal_schema::{Body, Entry, Hash, Time, canonical};

use crate::Draft;
use crate::refusal::Refusal;
use crate::state::{Key, State};
use crate::text::{heard, line, reason};
use crate::world::{Stop, World};

/// So many witnesses are asked at most.
const WITNESSES_MAX: usize = 16;
/// The longest checkpoint that is kept in an entry. Unit: characters.
const CHECKPOINT_MAX: usize = 2_000;
/// So many certificates are given for a time-stamping authority at most.
const CERTIFICATES_MAX: usize = 16;

/// A key of the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BookKey {
    /// Somebody else may have held it: its checkpoints of this size and larger prove nothing by themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compromised_from: Option<u64>,
    /// SHA-256 of the raw public key.
    pub key: Hash,
    /// The entry that enrolled it: it signs checkpoints larger than this.
    pub n: u64,
}

/// The time-stamping authority that is asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TimeAuthority {
    /// SHA-256 of each certificate that was given for it.
    pub certificates: BTreeSet<Hash>,
    /// Why there is no token of the newest checkpoint; `None`: there is.
    pub lost: Option<NoTimeStamp>,
    /// Its address.
    pub url: String,
}

/// What is remembered of the book.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct BookState {
    /// Entries that say that another history of this book is known elsewhere. They stand for good: no later entry makes
    /// it untrue.
    pub alarms: Vec<u64>,
    /// Witnesses that know another history, by their keys.
    pub forked: BTreeSet<String>,
    /// Every key, in order; the last one signs.
    pub keys: Vec<BookKey>,
    /// A receipt that this book contradicts was shown; true where its own key had signed it.
    pub receipt: Option<bool>,
    /// Witnesses that do not cosign, by their keys, and when they did last.
    pub lost: BTreeMap<String, Option<Time>>,
    /// The time-stamping authority that is asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_authority: Option<TimeAuthority>,
    /// The witnesses that are asked, by their keys.
    pub witnesses: BTreeSet<String>,
}

impl BookState {
    pub(crate) fn evolve(&mut self, entry: &Entry) {
        let mut enrolled = |key| self.keys.push(BookKey { compromised_from: None, key, n: entry.header.n });
        match &entry.body {
            Body::BookOpened(body) => {
                let public = canonical::unbase64(&body.public_key).and_then(|raw| <[u8; 32]>::try_from(raw).ok());
                // One that is none signs nothing; the start of the book says so.
                if let Some(public) = public {
                    enrolled(key_name(&public));
                }
            }
            Body::BookKeyEnrolled(body) => enrolled(body.key),
            Body::BookKeyCompromised(body) => {
                for key in self.keys.iter_mut().filter(|known| known.key == body.key) {
                    // The earliest counts: a later mark takes nothing back.
                    key.compromised_from = Some(key.compromised_from.map_or(body.from, |from| from.min(body.from)));
                }
            }
            Body::BookWitnessesNamed(body) => {
                self.witnesses = body.witnesses.iter().cloned().collect();
                let named = &self.witnesses;
                self.lost.retain(|witness, _| named.contains(witness));
            }
            Body::BookWitnessLost(body) => {
                self.lost.insert(body.witness.clone(), body.since);
            }
            Body::BookWitnessBack(body) => {
                self.lost.remove(&body.witness);
            }
            Body::BookForkSeen(body) => {
                self.forked.insert(body.witness.clone());
                self.alarms.push(entry.header.n);
            }
            Body::BookTimeAuthorityNamed(body) => {
                let certificates = body.certificates.iter().copied().collect();
                let named = |url: &String| TimeAuthority { certificates, lost: None, url: url.clone() };
                self.time_authority = body.authority.as_ref().map(named);
            }
            Body::BookTimeStampLost(body) => {
                if let Some(authority) = &mut self.time_authority {
                    authority.lost = Some(body.how);
                }
            }
            Body::BookTimeStampBack(_) => {
                if let Some(authority) = &mut self.time_authority {
                    authority.lost = None;
                }
            }
            Body::BookReceiptContradicted(body) => {
                self.receipt = Some(body.checkpoint.is_some());
                self.alarms.push(entry.header.n);
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if !self.alarms.is_empty() {
            keys.push(Key::new("book.forked", "yes"));
        }
        if !self.lost.is_empty() {
            keys.push(Key::new("book.unwitnessed", "yes"));
        }
    }
}

fn state(world: &World) -> Result<BookState, Stop> {
    Ok(match world.record(&Stream::book())?.map(|record| &record.state) {
        Some(State::Book(state)) => state.clone(),
        _ => BookState::default(),
    })
}

/// The witness's key as a line, of those that are asked.
fn asked(state: &BookState, witness: &str) -> Result<String, Stop> {
    match state.witnesses.get(witness) {
        Some(witness) => Ok(witness.clone()),
        None => Err(Refusal::internal("that witness is not asked").into()),
    }
}

/// Says which witnesses are asked, where it is others than before.
pub(crate) fn name_witnesses(world: &World, witnesses: &[String]) -> Result<Vec<Draft>, Stop> {
    let before = state(world)?.witnesses;
    let mut named = BTreeSet::new();
    for witness in witnesses {
        named.insert(line("witness", witness)?);
    }
    if named.len() > WITNESSES_MAX {
        return Err(Refusal::invalid(
            "too-many-witnesses",
            format!("{} witnesses are named; {WITNESSES_MAX} are asked at most.", named.len()),
            "Name fewer.",
        )
        .into());
    }
    if named == before {
        return Ok(Vec::new());
    }
    Ok(vec![Draft::entry(&Stream::book(), BookWitnessesNamed { witnesses: named.into_iter().collect() })])
}

/// A witness has not cosigned for a while. Said once, until it is back.
pub(crate) fn lose_witness(
    world: &World,
    witness: &str,
    since: Option<Time>,
    size: u64,
    cause: &str,
) -> Result<Vec<Draft>, Stop> {
    let state = state(world)?;
    let witness = asked(&state, witness)?;
    // One that knows another history says so itself; it is not lost.
    if state.lost.contains_key(&witness) || state.forked.contains(&witness) {
        return Ok(Vec::new());
    }
    let body = BookWitnessLost { cause: heard(cause), since, size, witness };
    Ok(vec![Draft::entry(&Stream::book(), body)])
}

/// A witness that was lost cosigns again.
pub(crate) fn restore_witness(world: &World, witness: &str, size: u64) -> Result<Vec<Draft>, Stop> {
    let state = state(world)?;
    let witness = asked(&state, witness)?;
    if !state.lost.contains_key(&witness) {
        return Ok(Vec::new());
    }
    Ok(vec![Draft::entry(&Stream::book(), BookWitnessBack { size, witness })])
}

/// A witness knows another history of this book. Said once for each witness.
pub(crate) fn note_fork(
    world: &World,
    witness: &str,
    size: u64,
    known: u64,
    history: OtherHistory,
) -> Result<Vec<Draft>, Stop> {
    let state = state(world)?;
    let witness = asked(&state, witness)?;
    if state.forked.contains(&witness) {
        return Ok(Vec::new());
    }
    Ok(vec![Draft::entry(&Stream::book(), BookForkSeen { history, known, size, witness })])
}

/// Says which time-stamping authority is asked, where it is another than before.
pub(crate) fn name_time_authority(
    world: &World,
    authority: Option<&String>,
    certificates: &[Hash],
) -> Result<Vec<Draft>, Stop> {
    let before = state(world)?.time_authority;
    let authority = authority.map(|url| line("authority", url)).transpose()?;
    let certificates: BTreeSet<Hash> = certificates.iter().copied().collect();
    if certificates.len() > CERTIFICATES_MAX {
        return Err(Refusal::invalid(
            "too-many-certificates",
            format!(
                "{} certificates are given for the time-stamping authority; {CERTIFICATES_MAX} are the most.",
                certificates.len()
            ),
            "Give those that its path ends at, and no others.",
        )
        .into());
    }
    let same = match (&before, &authority) {
        (None, None) => true,
        (Some(before), Some(url)) => before.url == *url && before.certificates == certificates,
        _ => false,
    };
    if same {
        return Ok(Vec::new());
    }
    let body = BookTimeAuthorityNamed { authority, certificates: certificates.into_iter().collect() };
    Ok(vec![Draft::entry(&Stream::book(), body)])
}

/// The time-stamping authority as it stands, where it is that one.
fn stamping(state: BookState, authority: &str) -> Result<TimeAuthority, Stop> {
    match state.time_authority {
        Some(asked) if asked.url == authority => Ok(asked),
        _ => Err(Refusal::internal("that time-stamping authority is not asked").into()),
    }
}

/// The newest checkpoint has no time-stamp token. Said once, and once more where none was given first and then a bad one,
/// until there is a good one again.
pub(crate) fn lose_time_stamp(
    world: &World,
    authority: &str,
    how: NoTimeStamp,
    since: Option<Time>,
    size: u64,
    cause: &str,
) -> Result<Vec<Draft>, Stop> {
    let asked = stamping(state(world)?, authority)?;
    if asked.lost == Some(NoTimeStamp::BadToken) || asked.lost == Some(how) {
        return Ok(Vec::new());
    }
    let body = BookTimeStampLost { authority: asked.url, cause: heard(cause), how, since, size };
    Ok(vec![Draft::entry(&Stream::book(), body)])
}

/// There is a good token again.
pub(crate) fn restore_time_stamp(world: &World, authority: &str, at: Time, size: u64) -> Result<Vec<Draft>, Stop> {
    let asked = stamping(state(world)?, authority)?;
    if asked.lost.is_none() {
        return Ok(Vec::new());
    }
    Ok(vec![Draft::entry(&Stream::book(), BookTimeStampBack { at, authority: asked.url, size })])
}

/// A receipt was shown that this book contradicts. Said once, and once more where only the later one is proved.
pub(crate) fn note_receipt(
    world: &World,
    account: Option<&AccountId>,
    n: u64,
    leaf: Hash,
    ours: Option<Hash>,
    checkpoint: Option<&String>,
) -> Result<Vec<Draft>, Stop> {
    if ours == Some(leaf) {
        return Err(Refusal::internal("the receipt is as the book").into());
    }
    if checkpoint.is_some_and(|note| note.chars().count() > CHECKPOINT_MAX) {
        return Err(Refusal::internal("the checkpoint of the receipt is too long").into());
    }
    match state(world)?.receipt {
        Some(true) => return Ok(Vec::new()),
        Some(false) if checkpoint.is_none() => return Ok(Vec::new()),
        _ => {}
    }
    let body = BookReceiptContradicted { account: account.cloned(), checkpoint: checkpoint.cloned(), leaf, n, ours };
    Ok(vec![Draft::entry(&Stream::book(), body)])
}

/// Marks a key of the book that somebody else may have held. It goes on to sign until another is enrolled, which is the
/// next thing to do: `tallyseal key rotate`.
///
/// Rule: `FORMAT.md` section 3.
pub(crate) fn compromise_key(world: &World, key: &Hash, from: u64, why: &str) -> Result<Vec<Draft>, Stop> {
    let state = world.book()?;
    let Some(known) = state.keys.iter().find(|known| known.key == *key) else {
        return Err(Refusal::invalid(
            "not-the-books-key",
            format!("The book has never had the key {key}."),
            "Copy the key from the page of the book.",
        )
        .into());
    };
    if let Some(earlier) = known.compromised_from.filter(|earlier| *earlier <= from) {
        return Err(Refusal::conflict(
            "compromised-already",
            format!("That key is marked as compromised from size {earlier} on already."),
            "Nothing is left to do, unless it was compromised even earlier.",
        )
        .into());
    }
    Ok(vec![Draft::because(&Stream::book(), BookKeyCompromised { from, key: *key }, &reason(why)?)])
}

#[cfg(test)]
mod tests {
    use tallyseal_schema::entry::Header;
    use tallyseal_schema::kinds::{BookKeyEnrolled, BookOpened};
    use tallyseal_schema::{By, Time};

    use super::*;
    use crate::{Record, State};

    fn entry(n: u64, body: impl Into<Body>) -> Entry {
        let body = body.into();
        let header = Header {
            act: None,
            at: Time::default(),
            book: "label-room.example/plant-1".parse().unwrap(),
            by: By::system("test"),
            kind: body.kind().name.to_owned(),
            n,
            occurred: None,
            prev: Hash::ZERO,
            rev: n + 1,
            stream: Stream::book(),
            v: 1,
            why: None,
        };
        Entry { header, body }
    }

    fn opened() -> Record {
        let body = BookOpened {
            format: 1,
            hash: "sha-256".to_owned(),
            name: "label-room.example/plant-1".parse().unwrap(),
            public_key: canonical::base64([1; 32]),
            sign: "ed25519".to_owned(),
            software: String::new(),
            zone: "Europe/Prague".to_owned(),
        };
        crate::evolve(None, &entry(0, body)).unwrap()
    }

    fn refused(record: &Record, key: Hash, from: u64, why: &str) -> Option<String> {
        let mut world = World::default();
        world.put(Stream::book(), Some(record.clone()));
        match compromise_key(&world, &key, from, why) {
            Ok(drafts) => {
                assert_eq!(drafts.len(), 1);
                None
            }
            Err(Stop::Refused(refusal)) => Some(refusal.code.clone()),
            Err(Stop::Need(need)) => panic!("{need:?}"),
        }
    }

    #[test]
    fn every_key_of_the_book_is_known_and_only_these_are_marked() {
        let (first, second) = (key_name(&[1; 32]), key_name(&[2; 32]));
        let body =
            BookKeyEnrolled { key: second, proof: canonical::base64([0; 64]), public_key: canonical::base64([2; 32]) };
        let record = crate::evolve(Some(opened()), &entry(7, body)).unwrap();
        let State::Book(state) = &record.state else { panic!() };
        assert_eq!(state.keys.iter().map(|key| (key.key, key.n)).collect::<Vec<_>>(), [(first, 0), (second, 7)]);
        assert_eq!(refused(&record, Hash::ZERO, 3, "a laptop was stolen").as_deref(), Some("not-the-books-key"));
        assert!(refused(&record, first, 3, " ").is_some(), "without a reason");
        assert_eq!(refused(&record, first, 3, "a laptop was stolen"), None);
        let mark = BookKeyCompromised { from: 3, key: first };
        let record = crate::evolve(Some(record), &entry(8, mark)).unwrap();
        assert_eq!(refused(&record, first, 3, "a laptop was stolen").as_deref(), Some("compromised-already"));
        assert_eq!(refused(&record, first, 2, "it was earlier"), None);
        assert_eq!(refused(&record, second, 9, "that one too"), None);
    }
}
