//! The entries of one sealed record, read and folded: all that the paper is made of.

use std::collections::BTreeMap;
use std::fmt;

use chrono_tz::Tz;
use tallyseal_control::{EvolveError, Record, State, evolve};
use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, Entry, Time};

/// Why a paper cannot be made of these entries.
#[derive(Debug)]
pub enum PaperError {
    /// The checkpoint is not one.
    Checkpoint(String),
    /// An entry cannot be read, or entry 0 does not open a book.
    Entry {
        /// Which.
        n: u64,
        /// What is wrong with it.
        what: String,
    },
    /// The record has no entry among them.
    Empty(Stream),
    /// An entry does not follow what stands before it in its stream.
    Evolve(EvolveError),
}

impl fmt::Display for PaperError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Checkpoint(what) => write!(f, "the checkpoint cannot be read: {what}"),
            Self::Entry { n, what } => write!(f, "entry {n} cannot be printed: {what}"),
            Self::Empty(record) => {
                write!(f, "nothing of {record} is among these entries: give those of its own record")
            }
            Self::Evolve(error) => write!(f, "entry {} cannot be printed: {}", error.n, error.what),
        }
    }
}

impl std::error::Error for PaperError {}

/// A sealed record's entries with what they come to.
pub struct Gathered {
    /// C1.
    pub(crate) checkpoint: Checkpoint,
    /// By position. What of a stream lies after C1 is not there.
    pub(crate) entries: BTreeMap<u64, Entry>,
    /// The book's verifier key, as text.
    pub(crate) key: String,
    /// `at` of the newest entry: where the clock was set back it is not the last one's.
    pub(crate) newest: Time,
    /// Whose record.
    pub(crate) record: Stream,
    /// Each stream that is here in full, folded as the rules do it.
    pub(crate) records: BTreeMap<Stream, Record>,
    /// Positions of each stream's entries, in order of `rev`.
    pub(crate) streams: BTreeMap<Stream, Vec<u64>>,
    /// The plant's time zone, by entry 0.
    pub(crate) zone: Tz,
}

impl Gathered {
    /// Reads the bytes of `entries` (as in `entries.jsonl`) and folds them. `note`: C1. `key`: the book's verifier key.
    ///
    /// Errors: what cannot be read.
    pub fn of(record: &Stream, entries: &BTreeMap<u64, Vec<u8>>, note: &str, key: &str) -> Result<Self, PaperError> {
        let checkpoint = checkpoint::parse_body(note).map_err(|error| PaperError::Checkpoint(error.to_string()))?;
        let mut read = BTreeMap::new();
        let mut records: BTreeMap<Stream, Record> = BTreeMap::new();
        let mut streams: BTreeMap<Stream, Vec<u64>> = BTreeMap::new();
        let mut zone = None;
        for (n, bytes) in entries {
            let entry = Entry::read(bytes).map_err(|error| PaperError::Entry { n: *n, what: error.to_string() })?;
            if let Body::BookOpened(opened) = &entry.body {
                zone = opened.zone.parse::<Tz>().ok();
            }
            let stream = entry.header.stream.clone();
            let known = records.remove(&stream);
            // Of `book/B` a record may hold entry 0 alone; every other stream is there from its beginning.
            if entry.header.rev == 1 || known.is_some() {
                records.insert(stream.clone(), evolve(known, &entry).map_err(PaperError::Evolve)?);
            }
            streams.entry(stream).or_default().push(*n);
            read.insert(*n, entry);
        }
        let zone =
            zone.ok_or_else(|| PaperError::Entry { n: 0, what: "it names no time zone that is known".to_owned() })?;
        let none = || PaperError::Entry { n: 0, what: "there is no entry".to_owned() };
        let newest = read.values().map(|entry: &Entry| entry.header.at).max().ok_or_else(none)?;
        let (key, record) = (key.to_owned(), record.clone());
        Ok(Self { checkpoint, entries: read, key, newest, record, records, streams, zone })
    }

    /// The entries of a stream, in order.
    pub(crate) fn stream(&self, stream: &Stream) -> impl DoubleEndedIterator<Item = &Entry> {
        self.streams.get(stream).into_iter().flatten().filter_map(|n| self.entries.get(n))
    }

    /// The entries before that one in its stream, the last first.
    pub(crate) fn earlier<'a>(&'a self, entry: &Entry) -> impl Iterator<Item = &'a Entry> {
        let n = entry.header.n;
        self.stream(&entry.header.stream).rev().skip_while(move |one| one.header.n >= n)
    }

    /// The entries before that one in its stream, as judgements and sentences want them. Of a count only what it began
    /// with: nothing else of it is asked, and it may have many thousands. Of what only logs, nothing.
    pub(crate) fn before(&self, entry: &Entry) -> Vec<Entry> {
        let stream = &entry.header.stream;
        let mut before: Vec<Entry> = match stream.thing() {
            "station" | "account" | "session" | "book" => Vec::new(),
            "count" => self.stream(stream).take(1).filter(|first| first.header.n < entry.header.n).cloned().collect(),
            _ => self.earlier(entry).cloned().collect(),
        };
        before.reverse();
        before
    }

    /// What one of the things is now; `None` where it is not in the record.
    pub(crate) fn state(&self, stream: &Stream) -> Option<&State> {
        self.records.get(stream).map(|record| &record.state)
    }
}
