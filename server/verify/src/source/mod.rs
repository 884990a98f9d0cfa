//! Where entries come from: rows of a book's database, or lines. Either is cut into chunks that any thread can read.

pub(crate) mod book;
pub(crate) mod lines;
mod lock;
mod private_copy;

use tallyseal_schema::entry::Header;
use tallyseal_schema::{Body, BookName, canonical};

use crate::cannot_run::CannotRun;
use crate::chunk::Row;

pub(crate) use book::BookFile;
pub(crate) use lines::Lines;

/// Entries in chunks.
pub(crate) enum Source<'a> {
    /// Rows of a book's database.
    Book(BookFile),
    /// Lines of a file or of a member of an archive.
    Lines(Lines<'a>),
}

/// Reads chunks of a source, on one thread.
pub(crate) enum Reader<'a> {
    Book(book::BookReader<'a>),
    Lines(&'a Lines<'a>),
}

impl Source<'_> {
    /// How many chunks it has.
    pub(crate) fn chunks(&self) -> usize {
        match self {
            Self::Book(book) => book.starts.len(),
            Self::Lines(lines) => lines.chunks(),
        }
    }

    /// How many entries it has, about.
    pub(crate) fn total(&self) -> u64 {
        match self {
            Self::Book(book) => book.end,
            Self::Lines(lines) => lines.count,
        }
    }

    /// A reader of its own for a thread.
    pub(crate) fn reader(&self) -> Result<Reader<'_>, CannotRun> {
        Ok(match self {
            Self::Book(book) => Reader::Book(book.reader()?),
            Self::Lines(lines) => Reader::Lines(lines),
        })
    }
}

impl Reader<'_> {
    /// How many entries stand before that chunk.
    pub(crate) fn before(&self, chunk: usize) -> u64 {
        match self {
            Self::Book(reader) => reader.before(chunk),
            Self::Lines(lines) => lines.before(chunk),
        }
    }

    /// Hands over every row of a chunk, in order.
    ///
    /// Errors: the file could not be read. Rows that are damaged are handed over as such.
    pub(crate) fn rows(&mut self, chunk: usize, each: &mut dyn FnMut(Row<'_>)) -> Result<(), CannotRun> {
        match self {
            Self::Book(reader) => reader.rows(chunk, false, each),
            Self::Lines(lines) => lines.rows(chunk, each),
        }
    }

    /// As [`Reader::rows`], without what a store repeats of each entry.
    pub(crate) fn bare_rows(&mut self, chunk: usize, each: &mut dyn FnMut(Row<'_>)) -> Result<(), CannotRun> {
        match self {
            Self::Book(reader) => reader.rows(chunk, true, each),
            Self::Lines(lines) => lines.rows(chunk, each),
        }
    }
}

/// What the first entry says about the book.
#[derive(Debug, Clone, Default)]
pub(crate) struct Opening {
    /// Where it stands, where it can be read.
    pub(crate) n: Option<u64>,
    /// The book's name.
    pub(crate) book: Option<BookName>,
}

impl Opening {
    /// What these bytes say; nothing where they cannot be read.
    pub(crate) fn of(bytes: &[u8]) -> Self {
        if canonical::scan_entry(bytes).is_err() {
            return Self::default();
        }
        let Ok((header, body)) = Header::read(bytes) else { return Self::default() };
        let n = Some(header.n);
        match Body::read(&header.kind, header.v, body) {
            // The name that the book was opened under, so that a header which says another is seen.
            Ok(Body::BookOpened(body)) if header.n == 0 => Self { n, book: Some(body.name) },
            _ => Self { n, book: Some(header.book) },
        }
    }
}
