//! Bytes, links and tree of a data directory and nothing else: what every other check rests on, as fast as it goes.

use std::path::Path;

use tallyseal_schema::Hash;
use tallyseal_schema::tree::Frontier;

use crate::cannot_run::CannotRun;
use crate::chunk::{Chunk, Row};
use crate::options::threads;
use crate::pipeline;
use crate::report::Head;
use crate::source::{BookFile, Source};
use crate::tree_run::TreeRun;

/// What [`verify_chain`] found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainReport {
    /// How many entries.
    pub entries: u64,
    /// How many bytes they have.
    pub bytes: u64,
    /// The last of them.
    pub head: Option<Head>,
    /// The root of the tree over them, where all are there.
    pub root: Option<Hash>,
    /// The first entry whose `prev` is not the leaf hash of the one before it, or that is missing.
    pub broken_at: Option<u64>,
}

impl ChainReport {
    /// True where every entry is there and follows the one before it.
    pub fn ok(&self) -> bool {
        self.entries > 0 && self.root.is_some() && self.broken_at.is_none()
    }
}

/// Hashes the bytes of every entry, follows the links, and makes the tree.
///
/// Nothing is said about what the entries say, nor who says so: bytes that are not canonical are hashed as they are,
/// and whether the root is the one that it should be is for the caller to ask. `workers` 0: as many as there are cores.
///
/// Errors: the book is being served, or cannot be read.
pub fn verify_chain(dir: &Path, workers: usize) -> Result<ChainReport, CannotRun> {
    let source = Source::Book(BookFile::open(dir, false)?);
    let mut tree = TreeRun::new();
    let mut report = ChainReport { entries: 0, bytes: 0, head: None, root: None, broken_at: None };
    let mut last = Some(Hash::ZERO);
    // Where the next entry must stand, after the chunk that came last.
    let mut next = 0;
    pipeline::run(
        &source,
        threads(workers),
        |reader, chunk| {
            let mut part = Part::new(reader.before(chunk));
            reader.bare_rows(chunk, &mut |row| part.row(&row))?;
            Ok(part)
        },
        || {},
        |part| {
            let broken = if part.chunk.before != next {
                Some(next)
            } else if part.entries > 0 && part.first_prev != last {
                Some(part.broken_at.unwrap_or(next).min(next))
            } else {
                part.broken_at
            };
            report.broken_at = report.broken_at.or(broken);
            next = part.chunk.before + part.entries;
            report.entries += part.entries;
            report.bytes += part.bytes;
            last = part.last;
            report.head = next.checked_sub(1).zip(part.last).map(|(n, leaf)| Head { n, leaf });
            tree.chunk(&part.chunk);
        },
    )?;
    report.root = tree.whole().map(|(_, root)| root);
    Ok(report)
}

/// The links and the subtree of one chunk.
struct Part {
    chunk: Chunk,
    entries: u64,
    bytes: u64,
    first_prev: Option<Hash>,
    last: Option<Hash>,
    broken_at: Option<u64>,
}

impl Part {
    fn new(before: u64) -> Self {
        let chunk = Chunk { before, subtree: Frontier::new(), ..Chunk::default() };
        Self { chunk, entries: 0, bytes: 0, first_prev: None, last: None, broken_at: None }
    }

    fn row(&mut self, row: &Row<'_>) {
        let place = self.chunk.before + self.entries;
        let (n, bytes) = match row {
            Row::Stored { n, bytes, .. } => (*n, *bytes),
            Row::Unreadable { n, .. } => (*n, [].as_slice()),
            _ => return,
        };
        let prev = prev_of(bytes);
        let follows = match self.last {
            None => {
                self.first_prev = prev.and_then(|hex| std::str::from_utf8(hex).ok()?.parse().ok());
                self.first_prev.is_some()
            }
            Some(last) => prev.is_some_and(|hex| is_hex_of(hex, &last)),
        };
        if n != place || !follows {
            self.broken_at = self.broken_at.or(Some(place.min(n)));
            self.chunk.broken |= n != place || bytes.is_empty();
        }
        let leaf = Hash::leaf(bytes);
        self.entries += 1;
        self.bytes += bytes.len() as u64;
        self.last = Some(leaf);
        if self.chunk.broken {
            return;
        }
        self.chunk.subtree.push(leaf);
    }
}

/// `prev` of an entry, without reading the rest.
///
/// In canonical bytes this text stands only where a key of that name does: inside a string its quotes are escaped. The
/// last such key is the header's, since a body and an author come before it.
fn prev_of(bytes: &[u8]) -> Option<&[u8; 64]> {
    const KEY: &[u8; 9] = b",\"prev\":\"";
    let mut end = bytes.len().checked_sub(64)?;
    loop {
        // Looked for from behind: `prev` stands among the last fields, and little comes after it.
        end = bytes.get(..end)?.iter().rposition(|byte| *byte == b'p')?;
        let start = end.checked_sub(2)?;
        if let Some((KEY, rest)) = bytes.get(start..).and_then(|rest| rest.split_first_chunk()) {
            return rest.first_chunk();
        }
    }
}

/// True where `hex` is the text of `hash`: cheaper than to read it back.
fn is_hex_of(hex: &[u8; 64], hash: &Hash) -> bool {
    let digit = |half: u8| if half < 10 { b'0' + half } else { b'a' - 10 + half };
    let (pairs, _) = hex.as_chunks::<2>();
    let mut differ = 0;
    for ([high, low], byte) in pairs.iter().zip(&hash.0) {
        differ |= (high ^ digit(byte >> 4)) | (low ^ digit(byte & 0x0f));
    }
    differ == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_link_of_an_entry_is_found_whatever_stands_around_it() {
        let hash = Hash::of(b"x");
        for (before, after) in [
            ("{\"at\":1,\"body\":{\"prev\":\"no\"},\"n\":1", "\"rev\":1}"),
            ("{\"n\":1", "\"rev\":1,\"why\":\"pppp \\\",\\\"prev\\\":\\\" p\"}"),
        ] {
            let entry = format!("{before},\"prev\":\"{hash}\",{after}");
            assert!(is_hex_of(prev_of(entry.as_bytes()).unwrap(), &hash), "{entry}");
        }
        for none in ["", "p", ",\"prev\":\"", "{\"rev\":1}"] {
            assert_eq!(prev_of(none.as_bytes()), None);
        }
        assert!(!is_hex_of(prev_of(format!(",\"prev\":\"{hash}").as_bytes()).unwrap(), &Hash::of(b"y")));
    }
}
