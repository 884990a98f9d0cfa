//! Why a book could not be made, opened or read, in sentences for the person who runs it.

use std::fmt;
use std::io;
use std::path::PathBuf;

use tallyseal_control::{EvolveError, Refusal};
use tallyseal_schema::Time;
use tallyseal_schema::entry::EntryError;

use crate::key_file::KeyFileError;
use crate::lock::LockError;

/// Why a new book was not made.
#[derive(Debug)]
pub enum CreateError {
    /// There is a book in the directory already.
    Exists(PathBuf),
    /// There is something else in the directory.
    NotEmpty(PathBuf),
    /// The key could not be made or written.
    Key(String),
    /// A file or the database could not be written.
    Store(String),
}

impl fmt::Display for CreateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Exists(dir) => write!(f, "There is a book in {} already. A book is opened once.", dir.display()),
            Self::NotEmpty(dir) => {
                write!(f, "{} is not empty. Name a directory that is empty or not there yet.", dir.display())
            }
            Self::Key(what) => write!(f, "The book's key could not be made: {what}"),
            Self::Store(what) => write!(
                f,
                "The book could not be made: {what}. Nothing was recorded; remove the directory before the next try."
            ),
        }
    }
}

impl std::error::Error for CreateError {}

/// Why a book is not served. Every one of them fails closed: nothing was written.
#[derive(Debug)]
pub enum OpenError {
    /// There is no book there.
    NoBook(PathBuf),
    /// Its making was interrupted before its first checkpoint.
    Unfinished(PathBuf),
    /// Somebody else serves it.
    Lock(LockError),
    /// Its key cannot be used.
    Key(KeyFileError),
    /// Its key is none that its entries name.
    OtherKey,
    /// Its key is one that another has followed.
    OldKey,
    /// The database is gone from a directory that holds other parts of a book.
    Lost(PathBuf),
    /// Others than the owner may write into the directory; its path and mode.
    Open(PathBuf, u32),
    /// The SQLite in this program is older than the book may be trusted to; its version.
    Engine(String),
    /// The database does not take a setting that durability rests on.
    Setting(&'static str),
    /// The book was written by a newer version of the software; the version of its store.
    Newer(i64),
    /// A table or trigger is missing, changed or not ours; which.
    Schema(String),
    /// The book is damaged; at which entry, where that is known.
    Damaged {
        /// The first entry that is wrong.
        n: Option<u64>,
        /// What is wrong.
        what: String,
    },
    /// The newest checkpoint was signed for a longer book.
    SetBack {
        /// How many entries the book has.
        size: u64,
        /// How many it had.
        signed: u64,
    },
    /// The newest checkpoint file is not good; which, and why.
    Checkpoint(PathBuf, String),
    /// The clock is before the last entry.
    Clock {
        /// What the clock says.
        now: Time,
        /// `at` of the last entry.
        last: Time,
    },
    /// Those who are said to have agreed on a start on an earlier clock are not two people of this book; why.
    People(String),
    /// The captured bytes of a day are not all there; which file, and why.
    Capture(PathBuf, String),
    /// The entries do not make sense one after the other.
    Fold(EvolveError),
    /// A file or the database could not be used.
    Store(String),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoBook(dir) => write!(f, "There is no book in {}. `init` makes one.", dir.display()),
            Self::Unfinished(dir) => write!(
                f,
                "The making of the book in {} was interrupted: it has no checkpoint. Was it ever in use, restore it from a \
                 backup; else remove the directory and make it anew.",
                dir.display()
            ),
            Self::Lock(error) => write!(f, "{error}"),
            Self::Key(error) => write!(f, "{error}"),
            Self::OtherKey => f.write_str(
                "keys/book.key is not the key that this book's entries name. Put the book's own key back.",
            ),
            Self::OldKey => f.write_str(
                "keys/book.key is a key that this book has left behind: its entries enrol a newer one. Put the newer key \
                 back; it was in keys/ when the key was changed.",
            ),
            Self::Lost(dir) => write!(
                f,
                "{0} holds keys, checkpoints or captured bytes of a book, and its book.db is gone. Restore book.db from \
                 the newest backup, or the whole directory. A book is never begun anew under a name that is known: \
                 whoever must, does so in another directory and under another name. Only where `init` never said that \
                 the book is open was there none: then remove the directory.",
                dir.display()
            ),
            Self::Open(path, mode) => write!(
                f,
                "{0} can be written to by others than its owner (mode {mode:04o}). See who did; then `chmod go-w {0}`.",
                path.display()
            ),
            Self::Engine(version) => write!(
                f,
                "SQLite {version} can lose what it said was safe; 3.51.3 or newer is needed. Build with the bundled one."
            ),
            Self::Setting(what) => write!(f, "The database does not take the setting {what}; it would not be durable."),
            Self::Newer(version) => write!(
                f,
                "The book was written by a newer version of the software (store version {version}). Use that one."
            ),
            Self::Schema(what) => write!(
                f,
                "The database is not as this software made it: {what}. Somebody changed it; keep a copy and verify the \
                 book against a checkpoint from outside."
            ),
            Self::Damaged { n: Some(n), what } => write!(f, "The book is damaged at entry {n}: {what}. Restore it."),
            Self::Damaged { n: None, what } => write!(f, "The book is damaged: {what}. Restore it."),
            Self::SetBack { size, signed } => write!(
                f,
                "The book was set back: it has {size} entries and signed that it had {signed}. Restore the newer copy; \
                 {} entries are missing.",
                signed.saturating_sub(*size)
            ),
            Self::Checkpoint(file, what) => {
                write!(f, "The newest checkpoint {} does not agree with the book: {what}.", file.display())
            }
            Self::Clock { now, last } => write!(
                f,
                "The clock says {now}, and the last entry was made at {last}. Set the clock right; a start on an earlier \
                 clock needs two people who agree on it: --accept-earlier-clock A,B --why TEXT."
            ),
            Self::People(what) => write!(
                f,
                "An earlier clock is accepted by two people who each have an account here that works: {what}."
            ),
            Self::Capture(file, what) => {
                write!(f, "The captured machine bytes in {} are not all there: {what}.", file.display())
            }
            Self::Fold(error) => write!(f, "The book cannot be followed: {error}."),
            Self::Store(what) => write!(f, "The book could not be opened: {what}."),
        }
    }
}

impl std::error::Error for OpenError {}

impl From<Fatal> for OpenError {
    fn from(fatal: Fatal) -> Self {
        match fatal {
            Fatal::Damaged { n, what } => Self::Damaged { n, what },
            Fatal::Fold(error) => Self::Fold(error),
            Fatal::Database(error) => Self::Store(format!("the database says: {error}")),
            Fatal::File(what, error) => Self::Store(format!("{what}: {error}")),
            Fatal::Panic(what) => Self::Store(what),
        }
    }
}

impl From<rusqlite::Error> for OpenError {
    fn from(error: rusqlite::Error) -> Self {
        Fatal::from(error).into()
    }
}

/// Why something could not be read from a book.
#[derive(Debug)]
pub enum ReadError {
    /// What is stored is not what was stored; what it is.
    Damaged(String),
    /// A file or the database could not be read.
    Store(String),
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged(what) => write!(f, "The book is damaged: {what}."),
            Self::Store(what) => write!(f, "The book could not be read: {what}."),
        }
    }
}

impl std::error::Error for ReadError {}

impl From<Fatal> for ReadError {
    fn from(fatal: Fatal) -> Self {
        match fatal {
            Fatal::Damaged { .. } | Fatal::Fold(_) => Self::Damaged(fatal.to_string()),
            Fatal::Database(_) | Fatal::File(..) | Fatal::Panic(_) => Self::Store(fatal.to_string()),
        }
    }
}

impl From<rusqlite::Error> for ReadError {
    fn from(error: rusqlite::Error) -> Self {
        Fatal::from(error).into()
    }
}

/// What nothing may go on after: the batch has failed and so has the process, until it has read its head again.
#[derive(Debug)]
pub(crate) enum Fatal {
    /// What is stored is not what was stored.
    Damaged { n: Option<u64>, what: String },
    /// Stored entries do not follow one another.
    Fold(EvolveError),
    /// The database failed.
    Database(rusqlite::Error),
    /// A file failed; what was done with it.
    File(&'static str, io::Error),
    /// The software is wrong.
    Panic(String),
}

impl Fatal {
    pub(crate) fn damaged(n: impl Into<Option<u64>>, what: impl Into<String>) -> Self {
        Self::Damaged { n: n.into(), what: what.into() }
    }

    /// For `map_err`: a file failed while `what` was done.
    pub(crate) fn file(what: &'static str) -> impl FnOnce(io::Error) -> Self {
        move |error| Self::File(what, error)
    }

    /// Bytes of the entry at `n` are not an entry.
    pub(crate) fn entry(n: u64, error: &EntryError) -> Self {
        Self::damaged(n, error.to_string())
    }
}

impl fmt::Display for Fatal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged { n: Some(n), what } => write!(f, "entry {n}: {what}"),
            Self::Damaged { n: None, what } | Self::Panic(what) => f.write_str(what),
            Self::Fold(error) => write!(f, "{error}"),
            Self::Database(error) => write!(f, "the database says: {error}"),
            Self::File(what, error) => write!(f, "{what}: {error}"),
        }
    }
}

impl From<rusqlite::Error> for Fatal {
    fn from(error: rusqlite::Error) -> Self {
        Self::Database(error)
    }
}

/// Why one order was not written.
#[derive(Debug)]
pub(crate) enum Trip {
    /// This order only, by a fault of the software; nothing of it was written.
    Order(String),
    /// This order only: it may not be done.
    Refused(Box<Refusal>),
    /// The whole batch.
    Fatal(Fatal),
}

impl From<Fatal> for Trip {
    fn from(fatal: Fatal) -> Self {
        Self::Fatal(fatal)
    }
}

impl From<rusqlite::Error> for Trip {
    fn from(error: rusqlite::Error) -> Self {
        Self::Fatal(error.into())
    }
}
