//! The keys of the book: which one signs at which size, and how one follows another.
//!
//! The order of a change, so that a crash at any moment leaves a book with exactly one key that its entries name: the next
//! key is on disk under its own name; the entry that enrols it is committed; the old key's file is written over; the next
//! key takes its name. A start does what was left undone, from the file that the entries name.

use rusqlite::Connection;
use tallyseal_control::State;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::ids::{BookName, Stream};
use tallyseal_schema::kinds::BookKeyEnrolled;
use tallyseal_schema::signature::{self, SigningKey, key_name};
use tallyseal_schema::{Body, Entry, canonical};
use zeroize::Zeroize as _;

use crate::entries;
use crate::error::{Fatal, OpenError};
use crate::key_file::{self, KeyFault, KeyFileError};
use crate::layout::Layout;
use crate::views;

/// Every key of the book: the entry that enrolled it, and its public part. In the order of the entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct BookKeys(Vec<(u64, [u8; 32])>);

impl BookKeys {
    /// As the entries say that the book's view names. The bytes are those of the entries; a view that was changed is seen
    /// where the key on disk is not the newest.
    pub(crate) fn load(conn: &Connection) -> Result<Self, Fatal> {
        let none = || Fatal::damaged(0, "the book has no key");
        let live = views::read_live(conn, &Stream::book())?.ok_or_else(none)?;
        let State::Book(state) = live.record.state else { return Err(none()) };
        let mut keys = Vec::new();
        for key in state.keys {
            let bytes = entries::bytes(conn, key.n)?.ok_or_else(|| Fatal::damaged(key.n, "it is missing"))?;
            let entry = Entry::read(&bytes).map_err(|error| Fatal::entry(key.n, &error))?;
            let text = match &entry.body {
                Body::BookOpened(body) => &body.public_key,
                Body::BookKeyEnrolled(body) => &body.public_key,
                _ => return Err(Fatal::damaged(key.n, "it enrols no key of the book")),
            };
            let public = canonical::unbase64(text).and_then(|raw| <[u8; 32]>::try_from(raw).ok());
            keys.push((key.n, public.ok_or_else(|| Fatal::damaged(key.n, "its public_key is none"))?));
        }
        if keys.is_empty() { Err(none()) } else { Ok(Self(keys)) }
    }

    /// The one that signs now.
    pub(crate) fn newest(&self) -> [u8; 32] {
        self.0.last().map(|(_, public)| *public).unwrap_or_default()
    }

    /// The one that signs a checkpoint of that size: the newest enrolled by an entry below it.
    ///
    /// Rule: `FORMAT.md` section 3.
    pub(crate) fn at(&self, name: &BookName, size: u64) -> VerifierKey {
        let public = self.0.iter().rev().find(|(n, _)| *n < size).or(self.0.first()).map(|(_, public)| *public);
        VerifierKey::of_book(name, public.unwrap_or_default())
    }

    /// True where the book ever had that key.
    pub(crate) fn holds(&self, public: &[u8; 32]) -> bool {
        self.0.iter().any(|(_, known)| known == public)
    }
}

/// A key from the bytes of its file, which are written over in memory.
fn opened(mut seed: [u8; 32]) -> Result<SigningKey, OpenError> {
    let key = SigningKey::from_seed(&seed).map_err(|error| OpenError::Store(error.to_string()));
    seed.zeroize();
    key
}

/// The private key that the book's newest entry about keys names, from whichever file holds it; a change that a crash
/// interrupted is finished or taken back.
///
/// Errors: no file holds it; a file cannot be used.
pub(crate) fn recover(layout: &Layout, keys: &BookKeys) -> Result<SigningKey, OpenError> {
    let (path, next) = (layout.book_key(), layout.next_book_key());
    let current = key_file::read(&path);
    // A torn or unsynced file of a next key holds none: only an entry makes one of it, and that came after its sync.
    let waiting = if next.exists() { key_file::read(&next).ok().map(opened).transpose()? } else { None };
    if let Some(key) = waiting.filter(|key| key.public() == keys.newest()) {
        // CRASH: after the entry: the next key is the book's.
        tracing::warn!("a change of the book's key was interrupted and is finished now");
        key_file::replace(&path, &next).map_err(OpenError::Key)?;
        return Ok(key);
    }
    let key = opened(current.map_err(OpenError::Key)?)?;
    if key.public() != keys.newest() {
        return Err(if keys.holds(&key.public()) { OpenError::OldKey } else { OpenError::OtherKey });
    }
    if next.exists() {
        // CRASH: before the entry: nobody ever heard of it.
        tracing::warn!("a change of the book's key was interrupted before its entry and is taken back");
        key_file::discard(&next).map_err(OpenError::Key)?;
    }
    Ok(key)
}

/// A next key that is on disk, and the entry that is to enrol it.
pub(crate) struct Next {
    pub(crate) key: SigningKey,
    pub(crate) body: BookKeyEnrolled,
}

/// Makes the next key durable under its own name, and its entry by the proof of the old one.
pub(crate) fn prepare(
    layout: &Layout,
    book: &BookName,
    old: &SigningKey,
    seed: &[u8; 32],
) -> Result<Next, KeyFileError> {
    let path = layout.next_book_key();
    let broken = || KeyFileError { path: path.clone(), fault: KeyFault::Form };
    if path.exists() {
        // Left by a try that failed before its entry: a start would have taken it away.
        key_file::discard(&path)?;
    }
    let key = SigningKey::from_seed(seed).map_err(|_| broken())?;
    let name = key_name(&key.public());
    let statement = signature::book_key_statement(book, &name).map_err(|_| broken())?;
    key_file::write(&path, seed)?;
    let body = BookKeyEnrolled {
        key: name,
        proof: canonical::base64(old.sign(&statement)),
        public_key: canonical::base64(key.public()),
    };
    Ok(Next { key, body })
}
