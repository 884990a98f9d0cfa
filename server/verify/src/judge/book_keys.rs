//! The keys of the book: each vouched for by the one before it, the first by entry 0.

use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::signature::{key_name, verify};
use tallyseal_schema::{BookName, Hash};

use super::Extent;
use crate::check::Check;
use crate::detail::{Detail, NewBookKey, public_key};
use crate::findings::Findings;

/// One key of the book.
#[derive(Debug, Clone)]
struct BookKey {
    /// The entry that enrolled it.
    n: u64,
    name: Hash,
    public: [u8; 32],
    /// From which size on its checkpoints prove nothing by themselves, and from which `n` on it vouches for none.
    compromised: Option<u64>,
}

impl BookKey {
    fn is_compromised_at(&self, at: u64) -> bool {
        self.compromised.is_some_and(|from| from <= at)
    }
}

/// Every key of the book so far, in the order of the entries.
#[derive(Debug, Clone, Default)]
pub(crate) struct BookKeys {
    keys: Vec<BookKey>,
}

impl BookKeys {
    /// What an entry says about the book's keys. Anything else passes by.
    pub(super) fn entry(&mut self, n: u64, detail: &Detail, extent: Extent, findings: &mut Findings) {
        match detail {
            // A second opening is a fault of its own.
            Detail::Opened(body) if n == 0 && self.keys.is_empty() => {
                if let Some(public) = public_key(&body.public_key) {
                    self.keys.push(BookKey { n, name: key_name(&public), public, compromised: None });
                }
            }
            Detail::BookKey(new) => self.enrol(n, new, extent, findings),
            Detail::BookKeyCompromised(mark) => match self.keys.iter_mut().find(|key| key.name == mark.key) {
                Some(key) => key.compromised = Some(key.compromised.map_or(mark.from, |from| from.min(mark.from))),
                None if extent == Extent::Tail => {}
                None => findings.fault(Check::Keys, Some(n), "the key that it marks is none of the book's"),
            },
            _ => {}
        }
    }

    fn enrol(&mut self, n: u64, new: &NewBookKey, extent: Extent, findings: &mut Findings) {
        findings.looked(Check::Keys, 1);
        for wrong in &new.wrong {
            findings.fault(Check::Keys, Some(n), *wrong);
        }
        let Some(before) = self.keys.last() else {
            if extent == Extent::Tail {
                findings.not_judged(Check::Keys, "the book's key before a change is not here", 1);
            }
            // Elsewhere entry 0 is missing, or holds no key: that is said.
            return;
        };
        if !verify(&before.public, &new.statement, &new.proof) {
            findings.fault(Check::Keys, Some(n), "the new key of the book is not vouched for by the one before it");
            return;
        }
        if self.keys.iter().any(|key| key.name == new.key) {
            findings.fault(Check::Keys, Some(n), "the book had that key before");
            return;
        }
        if let Some(public) = new.public.filter(|_| new.wrong.is_empty()) {
            self.keys.push(BookKey { n, name: new.key, public, compromised: None });
        }
    }

    /// True where none is known: entry 0 is not here.
    pub(crate) fn is_empty(&self) -> bool {
        self.keys.is_empty()
    }

    /// How many the book has had.
    pub(crate) fn len(&self) -> usize {
        self.keys.len()
    }

    /// The newest one, as a verifier key of that book.
    pub(crate) fn newest(&self, book: &BookName) -> Option<VerifierKey> {
        self.keys.last().map(|key| VerifierKey::of_book(book, key.public))
    }

    /// The ID that checkpoints name for the key at that place.
    pub(crate) fn id(&self, book: &BookName, place: usize) -> Option<[u8; 4]> {
        self.keys.get(place).map(|key| VerifierKey::of_book(book, key.public).id)
    }

    /// Every key with the entry that enrolled it.
    pub(crate) fn all(&self, book: &BookName) -> impl Iterator<Item = (u64, VerifierKey)> {
        self.keys.iter().map(|key| (key.n, VerifierKey::of_book(book, key.public)))
    }

    /// The place of the key that signs a checkpoint of that size: the newest enrolled by an entry below it.
    ///
    /// Rule: `FORMAT.md` section 3. The empty tree is the first key's.
    pub(crate) fn at(&self, size: u64) -> Option<usize> {
        let newer = self.keys.partition_point(|key| key.n < size);
        newer.max(1).checked_sub(1).filter(|place| *place < self.keys.len())
    }

    /// The raw key at a place.
    pub(crate) fn public(&self, place: usize) -> Option<[u8; 32]> {
        self.keys.get(place).map(|key| key.public)
    }

    /// The places of those of the given keys that are the book's.
    pub(crate) fn places(&self, book: &BookName, given: &[VerifierKey]) -> Vec<usize> {
        let is_given =
            |key: &BookKey| given.iter().any(|given| given.name == book.as_str() && given.public == key.public);
        self.keys.iter().enumerate().filter(|(_, key)| is_given(key)).map(|(place, _)| place).collect()
    }

    /// True where a checkpoint of that size by the key at `place` proves nothing by itself.
    pub(crate) fn is_compromised(&self, place: usize, size: u64) -> bool {
        self.keys.get(place).is_some_and(|key| key.is_compromised_at(size))
    }

    /// True where the key at `given` vouches for a checkpoint of that size by the key at `place`: it is the same, or an
    /// older one that leads to it from proof to proof, and none on the way was compromised when it vouched.
    pub(crate) fn vouches(&self, given: usize, place: usize, size: u64) -> bool {
        let led = |(before, after): (&BookKey, &BookKey)| !before.is_compromised_at(after.n);
        let path = self.keys.get(given..=place).unwrap_or_default();
        !path.is_empty() && path.iter().zip(path.iter().skip(1)).all(led) && !self.is_compromised(place, size)
    }
}
