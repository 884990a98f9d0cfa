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
    /// A line of the entries is none.
    Line {
        /// Which, from 1.
        line: u64,
        /// What is wrong with it.
        what: String,
    },
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
            Self::Line { line, what } => write!(f, "line {line} of the entries cannot be read: {what}"),
            Self::Entry { n, what } => write!(f, "entry {n} cannot be printed: {what}"),
            Self::Empty(record) => {
                write!(f, "nothing of {record} is among these entries: give those of its own record")
            }
            Self::Evolve(error) => write!(f, "entry {} cannot be printed: {}", error.n, error.what),
        }
    }
}

impl std::error::Error for PaperError {}

/// Stream of each entry by its position, and where it stands among the stream's.
pub(crate) type Places = BTreeMap<u64, (Stream, usize)>;

/// A sealed record's entries with what they come to.
pub struct Gathered {
    /// C1.
    pub(crate) checkpoint: Checkpoint,
    /// The book's verifier key, as text.
    pub(crate) key: String,
    /// `at` of the newest entry: where the clock was set back it is not the last one's.
    pub(crate) newest: Time,
    /// Where each entry stands among its stream's, by position.
    pub(crate) places: Places,
    /// Whose record.
    pub(crate) record: Stream,
    /// Each stream that is here in full, folded as the rules do it.
    pub(crate) records: BTreeMap<Stream, Record>,
    /// Each stream's entries, in order. What of it lies after C1 is not there. One list for each, so that what stands before
    /// an entry is a part of it: a stream may have many thousands.
    pub(crate) streams: BTreeMap<Stream, Vec<Entry>>,
    /// The plant's time zone, by entry 0.
    pub(crate) zone: Tz,
}

impl Gathered {
    /// Folds entries, in order. `note`: C1. `key`: the book's verifier key.
    ///
    /// Errors: what cannot be folded or read.
    pub fn of(record: &Stream, entries: Vec<Entry>, note: &str, key: &str) -> Result<Self, PaperError> {
        let checkpoint = checkpoint::parse_body(note).map_err(|error| PaperError::Checkpoint(error.to_string()))?;
        let mut records: BTreeMap<Stream, Record> = BTreeMap::new();
        let mut zone = None;
        for entry in &entries {
            if let Body::BookOpened(opened) = &entry.body {
                zone = opened.zone.parse::<Tz>().ok();
            }
            let stream = entry.header.stream.clone();
            let known = records.remove(&stream);
            // Of `book/B` a record may hold entry 0 alone; every other stream is there from its beginning.
            if entry.header.rev == 1 || known.is_some() {
                records.insert(stream, evolve(known, entry).map_err(PaperError::Evolve)?);
            }
        }
        let zone =
            zone.ok_or_else(|| PaperError::Entry { n: 0, what: "it names no time zone that is known".to_owned() })?;
        let none = || PaperError::Entry { n: 0, what: "there is no entry".to_owned() };
        let newest = entries.iter().map(|entry| entry.header.at).max().ok_or_else(none)?;
        let (key, record) = (key.to_owned(), record.clone());
        let (places, streams) = placed(entries);
        Ok(Self { checkpoint, key, newest, places, record, records, streams, zone })
    }

    /// Every entry, in order.
    pub(crate) fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.places.values().filter_map(|(stream, index)| self.streams.get(stream)?.get(*index))
    }

    /// The entry at that position; `None` where it is not in the record.
    pub(crate) fn entry(&self, n: u64) -> Option<&Entry> {
        let (stream, index) = self.places.get(&n)?;
        self.streams.get(stream)?.get(*index)
    }

    /// The entries of a stream, in order.
    pub(crate) fn stream(&self, stream: &Stream) -> impl DoubleEndedIterator<Item = &Entry> {
        self.streams.get(stream).into_iter().flatten()
    }

    /// The entries before that one in its stream.
    pub(crate) fn earlier(&self, entry: &Entry) -> &[Entry] {
        let all = self.streams.get(&entry.header.stream).map_or(&[][..], Vec::as_slice);
        let before = all.partition_point(|one| one.header.n < entry.header.n);
        all.get(..before).unwrap_or_default()
    }

    /// The entries before that one in its stream, as judgements and sentences want them. Of a count only what it began
    /// with: nothing else of it is asked, and it may have many thousands. Of what only logs, nothing.
    pub(crate) fn before(&self, entry: &Entry) -> &[Entry] {
        let earlier = self.earlier(entry);
        match entry.header.stream.thing() {
            "station" | "account" | "session" | "book" => &[],
            "count" => earlier.get(..1).unwrap_or_default(),
            _ => earlier,
        }
    }

    /// What one of the things is now; `None` where it is not in the record.
    pub(crate) fn state(&self, stream: &Stream) -> Option<&State> {
        self.records.get(stream).map(|record| &record.state)
    }
}

/// Entries by stream, and where each of them is there.
pub(crate) fn placed(entries: Vec<Entry>) -> (Places, BTreeMap<Stream, Vec<Entry>>) {
    let mut places = BTreeMap::new();
    let mut streams: BTreeMap<Stream, Vec<Entry>> = BTreeMap::new();
    for entry in entries {
        let stream = entry.header.stream.clone();
        let of_it = streams.entry(stream.clone()).or_default();
        places.insert(entry.header.n, (stream, of_it.len()));
        of_it.push(entry);
    }
    (places, streams)
}
