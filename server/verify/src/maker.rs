//! Makes chunks: each entry is hashed, scanned, read, and judged as far as that needs no other entry.

use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::sync::{Arc, LazyLock};

use serde_json::value::RawValue;
use tallyseal_schema::entry::{EntryError, Header};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::MEANINGS;
use tallyseal_schema::{Act, Body, BookName, By, Hash, Time, canonical};

use crate::check::Check;
use crate::chunk::{CHUNK, Chunk, Fact, Head, Row, Scene};
use crate::detail::{Detail, detail};
use crate::header::{self, Lean, Read};

/// Kinds whose authors a meaning excludes. Every entry asks, so it is a set.
static EXCLUDING: LazyLock<HashSet<&'static str>> =
    LazyLock::new(|| MEANINGS.iter().flat_map(|meaning| meaning.excludes.iter().copied()).collect());

/// Makes a chunk, entry by entry.
pub(crate) struct Maker<'a> {
    scene: &'a Scene,
    chunk: Chunk,
    index: HashMap<String, usize>,
    authors: HashMap<String, Arc<By>>,
    /// What is left of the wanted sizes.
    sizes: &'a [u64],
    /// Where the entries are lines: the number of this one, from 1.
    line: Option<u64>,
    /// Where an entry must stand that does not say so itself.
    next: Option<u64>,
}

impl<'a> Maker<'a> {
    /// A chunk that begins after `before` entries.
    pub(crate) fn new(scene: &'a Scene, before: u64) -> Self {
        let sizes = scene.sizes.get(scene.sizes.partition_point(|size| *size <= before)..).unwrap_or_default();
        let chunk = Chunk { before, facts: Vec::with_capacity(CHUNK as usize), ..Chunk::default() };
        Self { scene, chunk, index: HashMap::new(), authors: HashMap::new(), sizes, line: None, next: None }
    }

    /// The next row of a source.
    pub(crate) fn row(&mut self, row: Row<'_>) {
        match row {
            Row::Stored { n, stream, rev, bytes } => {
                self.place(n);
                self.entry(Some(n), bytes, Some((stream, rev)));
            }
            Row::Line { line, bytes } => {
                self.line = Some(line);
                self.entry(None, bytes, None);
            }
            Row::TooLong { line, leaf, len } => {
                self.line = Some(line);
                let most = canonical::ENTRY_MAX;
                self.bare(None, Some(leaf), format!("{len} bytes long; an entry has at most {most}"));
            }
            Row::Cut { line } => {
                self.line = Some(line);
                self.fault(None, "the last line does not end in a line feed".to_owned());
            }
            Row::Unreadable { n, what } => {
                self.place(n);
                self.bare(Some(n), None, what);
            }
        }
    }

    /// A row says where it stands: is that the next place of the chunk?
    fn place(&mut self, n: u64) {
        self.chunk.broken |= n != self.chunk.before.saturating_add(self.chunk.facts.len() as u64);
    }

    /// An entry with its bytes; `n` where its place says it; `columns`: stream and rev as the store repeats them.
    fn entry(&mut self, n: Option<u64>, bytes: &[u8], columns: Option<(&[u8], i64)>) {
        let leaf = Hash::leaf(bytes);
        self.leaf(leaf);
        let n = n.or(self.next);
        let head = self.head(n, bytes, columns);
        let n = if self.line.is_some() { head.as_ref().map(|head| head.n).or(n) } else { n };
        self.next = n.filter(|_| self.line.is_some() && self.scene.contiguous).and_then(|n| n.checked_add(1));
        self.chunk.facts.push(Fact { n, leaf: Some(leaf), head });
    }

    /// An entry whose bytes cannot be read as one.
    fn bare(&mut self, n: Option<u64>, leaf: Option<Hash>, what: String) {
        let n = n.or(self.next);
        match leaf {
            Some(leaf) => self.leaf(leaf),
            None => self.chunk.broken = true,
        }
        self.fault(n, what);
        self.next = n.filter(|_| self.line.is_some() && self.scene.contiguous).and_then(|n| n.checked_add(1));
        self.chunk.facts.push(Fact { n, leaf, head: None });
    }

    /// Something that is wrong with the bytes of an entry.
    fn fault(&mut self, n: Option<u64>, what: String) {
        let what = match (n, self.line) {
            (None, Some(line)) => format!("line {line}: {what}"),
            _ => what,
        };
        self.chunk.faults.push((Check::Bytes, n, what));
    }

    /// The chunk.
    pub(crate) fn finish(self) -> Chunk {
        self.chunk
    }

    fn leaf(&mut self, leaf: Hash) {
        if self.chunk.broken {
            return;
        }
        self.chunk.subtree.push(leaf);
        let size = self.chunk.before + self.chunk.subtree.size();
        if let Some((wanted, rest)) = self.sizes.split_first()
            && *wanted == size
        {
            self.chunk.cuts.push((size, self.chunk.subtree.clone()));
            self.sizes = rest;
        }
    }

    fn head(&mut self, n: Option<u64>, bytes: &[u8], columns: Option<(&[u8], i64)>) -> Option<Head> {
        if let Err(error) = canonical::scan_entry(bytes) {
            self.fault(n, error.to_string());
            return None;
        }
        let read = header::read(bytes).and_then(|read| match read {
            Read::Lean(lean) => match self.known(&lean) {
                Some(known) => Ok((known, lean.body)),
                // A name that is not of its form: `schema` says which.
                None => Header::read(bytes).map(|(header, body)| (self.of_header(header), body)),
            },
            Read::Full(header, body) => Ok((self.of_header(*header), body)),
        });
        match read {
            Ok((known, body)) => Some(self.judged(n, known, body, columns)),
            Err(error) => {
                self.fault(n, error.to_string());
                None
            }
        }
    }

    /// The header with its names looked up; `None` where one is not of its form.
    fn known<'h>(&mut self, lean: &Lean<'h>) -> Option<Known<'h>> {
        let book = match &self.scene.book {
            Some(book) if book.as_str() == lean.book => None,
            _ => Some(lean.book.parse().ok()?),
        };
        let act = match lean.act {
            Some(act) => Some(act_number(act.parse::<Act>().ok()?.as_str())),
            None => None,
        };
        Some(Known {
            act,
            at: lean.at,
            book,
            kind: Cow::Borrowed(lean.kind),
            n: lean.n,
            prev: lean.prev.parse().ok()?,
            rev: lean.rev,
            v: lean.v,
            late_without_reason: lean.late && !lean.reasoned,
            by: self.author(lean.by)?,
            stream: self.stream(lean.stream)?,
        })
    }

    fn of_header(&mut self, header: Header) -> Known<'static> {
        Known {
            act: header.act.as_ref().map(|act| act_number(act.as_str())),
            at: header.at,
            book: Some(header.book).filter(|book| self.scene.book.as_ref() != Some(book)),
            n: header.n,
            prev: header.prev,
            rev: header.rev,
            v: header.v,
            late_without_reason: header.occurred.is_some() && header.why.is_none(),
            kind: Cow::Owned(header.kind),
            by: Arc::new(header.by),
            stream: self.stream_of(header.stream),
        }
    }

    /// What is said about an entry whose header is known.
    fn judged(&mut self, n: Option<u64>, known: Known<'_>, body: &RawValue, columns: Option<(&[u8], i64)>) -> Head {
        let place = if self.line.is_some() { Some(known.n) } else { n };
        let body = match Body::read(&known.kind, known.v, body) {
            Ok(body) => Some(body),
            Err(EntryError::Unknown { .. }) => {
                self.chunk.unknown += 1;
                None
            }
            Err(error) => {
                self.fault(place, error.to_string());
                None
            }
        };
        let kind = body.as_ref().map(Body::kind);
        if let Some(stream) = self.chunk.streams.get(known.stream) {
            if let Some(kind) = kind
                && !kind.things.is_empty()
                && !kind.things.contains(&stream.thing())
            {
                let what = format!("{} cannot stand in {stream}", kind.name);
                self.chunk.faults.push((Check::Bytes, place, what));
            }
            if let Some((filed, rev)) = columns
                && (filed != stream.as_str().as_bytes() || u64::try_from(rev) != Ok(known.rev))
            {
                let filed = String::from_utf8_lossy(filed).chars().take(70).collect::<String>();
                let what =
                    format!("the store files it under {filed} rev {rev}, its bytes say {stream} rev {}", known.rev);
                self.chunk.faults.push((Check::Chain, place, what));
            }
        }
        if known.late_without_reason {
            self.fault(place, "a late entry (occurred) without a reason (why)".to_owned());
        }
        let author = known.by.account();
        let doer = kind.and_then(|kind| Some((EXCLUDING.get(kind.name).copied()?, author?.clone())));
        let book = known.book.as_ref().or(self.scene.book.as_ref());
        let detail = body.zip(book).and_then(|(body, book)| detail(book, known.at, &known.by, body));
        if let (Some(index), Some(detail)) = (&self.scene.raw_bytes, detail.as_deref()) {
            self.raw_bytes(place, index, detail);
        }
        Head {
            n: known.n,
            at: known.at,
            prev: known.prev,
            rev: known.rev,
            act: known.act,
            stranger: known.book.is_some() && self.scene.book.is_some(),
            content: kind.is_some_and(|kind| kind.content),
            doer,
            detail,
            stream: known.stream,
            by: known.by,
        }
    }

    /// The raw bytes that an entry names are there, and as many.
    fn raw_bytes(&mut self, place: Option<u64>, index: &HashMap<Hash, u64>, detail: &Detail) {
        let (Detail::Segment { length, sha256, .. } | Detail::Stray { length, sha256 }) = detail else { return };
        // Nothing was said: there are no bytes to hold.
        if *length == 0 && *sha256 == Hash::of(b"") {
            return;
        }
        self.chunk.raw_bytes += 1;
        let what = match index.get(sha256) {
            None => format!("the raw bytes {sha256} are not there"),
            Some(found) if found != length => format!("{length} raw bytes are named, {found} are there"),
            Some(_) => return,
        };
        self.chunk.faults.push((Check::Captures, place, what));
    }

    /// The number of a stream in this chunk; `None` where the text names none.
    fn stream(&mut self, text: &str) -> Option<usize> {
        match self.index.get(text) {
            Some(at) => Some(*at),
            None => Some(self.stream_of(text.parse().ok()?)),
        }
    }

    fn stream_of(&mut self, stream: Stream) -> usize {
        if let Some(at) = self.index.get(stream.as_str()) {
            return *at;
        }
        let at = self.chunk.streams.len();
        self.index.insert(stream.as_str().to_owned(), at);
        self.chunk.streams.push(stream);
        at
    }

    /// An author, read once in a chunk; `None` where the text names none.
    fn author(&mut self, text: &str) -> Option<Arc<By>> {
        if let Some(by) = self.authors.get(text) {
            return Some(Arc::clone(by));
        }
        let by: Arc<By> = Arc::new(serde_json::from_str(text).ok()?);
        self.authors.insert(text.to_owned(), Arc::clone(&by));
        Some(by)
    }
}

/// A header whose names are known.
struct Known<'a> {
    act: Option<u128>,
    at: Time,
    /// Where it is not the book that is read.
    book: Option<BookName>,
    by: Arc<By>,
    kind: Cow<'a, str>,
    n: u64,
    prev: Hash,
    rev: u64,
    stream: usize,
    v: u32,
    late_without_reason: bool,
}

/// The 128 bits of a UUID in its text form.
fn act_number(act: &str) -> u128 {
    act.bytes()
        .filter_map(|digit| char::from(digit).to_digit(16))
        .fold(0, |number, digit| number << 4 | u128::from(digit))
}
