//! A run of consecutive entries as a reading thread leaves it: reduced to facts.

use std::collections::HashMap;
use std::sync::Arc;

use tallyseal_schema::ids::Stream;
use tallyseal_schema::tree::Frontier;
use tallyseal_schema::{AccountId, BookName, By, Hash, Time};

use crate::check::Check;
use crate::detail::Detail;

/// How many entries a full chunk has. A power of two, so that each full chunk is one subtree of the book's tree.
pub(crate) const CHUNK: u64 = 1_024;

/// What is known before the first entry is read.
#[derive(Debug, Default)]
pub(crate) struct Scene {
    /// The book's name by its first entry.
    pub(crate) book: Option<BookName>,
    /// Sizes, ascending, at which the root of the tree is wanted.
    pub(crate) sizes: Vec<u64>,
    /// Each entry stands right after the one before it in the book.
    pub(crate) contiguous: bool,
    /// Raw bytes of machines by their SHA-256, with how many they are; nothing where none can be here.
    pub(crate) raw_bytes: Option<HashMap<Hash, u64>>,
}

/// One entry as a source hands it over.
pub(crate) enum Row<'a> {
    /// A row of a book's database: its place, what the store repeats of it, and its bytes.
    Stored { n: u64, stream: &'a [u8], rev: i64, bytes: &'a [u8] },
    /// A line of a file, counted from 1.
    Line { line: u64, bytes: &'a [u8] },
    /// A line that is too long to be held; its leaf hash was made from its pieces.
    TooLong { line: u64, leaf: Hash, len: u64 },
    /// The last line is not ended.
    Cut { line: u64 },
    /// There is something at that place, and it cannot be had.
    Unreadable { n: u64, what: String },
}

/// What is remembered of one entry.
#[derive(Debug)]
pub(crate) struct Fact {
    /// Where it stands; unknown where only its own bytes could say so and cannot be read.
    pub(crate) n: Option<u64>,
    /// Unknown where the bytes are there and cannot be had.
    pub(crate) leaf: Option<Hash>,
    /// Nothing where the bytes cannot be read.
    pub(crate) head: Option<Head>,
}

/// The header of one entry, less what no later check looks at.
#[derive(Debug)]
pub(crate) struct Head {
    pub(crate) n: u64,
    pub(crate) at: Time,
    pub(crate) prev: Hash,
    pub(crate) rev: u64,
    /// Position in [`Chunk::streams`].
    pub(crate) stream: usize,
    pub(crate) act: Option<u128>,
    pub(crate) by: Arc<By>,
    /// It says that it is of another book.
    pub(crate) stranger: bool,
    /// A signature on its record is void after it.
    pub(crate) content: bool,
    /// Kind and author, where having made such an entry excludes from a signature.
    pub(crate) doer: Option<(&'static str, AccountId)>,
    pub(crate) detail: Option<Box<Detail>>,
}

/// Facts about consecutive entries.
#[derive(Debug, Default)]
pub(crate) struct Chunk {
    pub(crate) facts: Vec<Fact>,
    /// Every stream in it, once.
    pub(crate) streams: Vec<Stream>,
    /// What was found wrong with single entries.
    pub(crate) faults: Vec<(Check, Option<u64>, String)>,
    /// Entries of a kind that is not known.
    pub(crate) unknown: u64,
    /// The tree over the leaves of this chunk alone.
    pub(crate) subtree: Frontier,
    /// The same tree at each wanted size inside this chunk, with that size.
    pub(crate) cuts: Vec<(u64, Frontier)>,
    /// How often its entries name raw bytes.
    pub(crate) raw_bytes: u64,
    /// How many entries there are before it.
    pub(crate) before: u64,
    /// An entry in it is missing or cannot be had: its tree ends before that one.
    pub(crate) broken: bool,
}
