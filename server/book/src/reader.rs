//! Reading: entries, states, proofs, captures. Readers never write, and see what was committed when they look.

use std::cell::RefCell;
use std::fs::OpenOptions;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OptionalExtension as _};
use tallyseal_control::{Key, Record};
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::ids::{AccountId, BookName, Stream};
use tallyseal_schema::{Body, Entry, Hash};

use crate::book_keys::BookKeys;
use crate::capture_files;
use crate::entries::{self, Head, sql};
use crate::error::{Fatal, OpenError, ReadError};
use crate::layout::Layout;
use crate::notes;
use crate::order::Secret;
use crate::secrets;
use crate::store;
use crate::tile::{Known, Tree};
use crate::views;

/// Where the book ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeadInfo {
    /// The book's name.
    pub book: BookName,
    /// Leaf hash of the last entry.
    pub leaf: Hash,
    /// Position of the last entry.
    pub n: u64,
}

/// One connection that reads a book.
pub struct Reader {
    captures: PathBuf,
    checkpoints: PathBuf,
    conn: Connection,
    /// What was read of the tree for earlier proofs: an export asks for thousands.
    known: RefCell<Known>,
}

impl Reader {
    /// Reads the book in `dir`, whether or not a server writes to it: the database is opened read-only, with the same
    /// SQLite, and its log is never carried over from here. On a disk that takes no writes it is read as it lies there.
    ///
    /// Errors: there is none, or it cannot be read.
    pub fn open(dir: &Path) -> Result<Self, OpenError> {
        Self::with(dir, store::open_reader_anywhere)
    }

    /// As [`Reader::open`], of a book that nobody writes: no file is left beside it.
    ///
    /// Errors: there is none, or it cannot be read.
    pub fn open_still(dir: &Path) -> Result<Self, OpenError> {
        Self::with(dir, store::open_still)
    }

    fn with(dir: &Path, open: fn(&Path) -> Result<Connection, OpenError>) -> Result<Self, OpenError> {
        let layout = Layout::new(dir);
        if !layout.db().exists() {
            return Err(OpenError::NoBook(dir.to_owned()));
        }
        Ok(Self {
            captures: layout.captures(),
            checkpoints: layout.checkpoints(),
            conn: open(&layout.db())?,
            known: RefCell::default(),
        })
    }

    /// Where the book ends. Errors: [`ReadError`].
    pub fn head(&self) -> Result<HeadInfo, ReadError> {
        let head = self.head_row()?;
        Ok(HeadInfo { book: self.first()?, leaf: head.leaf, n: head.n() })
    }

    fn head_row(&self) -> Result<Head, ReadError> {
        let none = || Fatal::damaged(None, "the book has no head");
        Ok(Head::load(&self.conn)?.ok_or_else(none)?)
    }

    /// Name of the book, as entry 0 says it.
    fn first(&self) -> Result<BookName, ReadError> {
        let bytes = entries::bytes(&self.conn, 0)?.ok_or_else(|| Fatal::damaged(0, "it is missing"))?;
        match Entry::read(&bytes).map_err(|error| Fatal::entry(0, &error))?.body {
            Body::BookOpened(opened) => Ok(opened.name),
            _ => Err(Fatal::damaged(0, "it does not open a book").into()),
        }
    }

    /// The exact bytes of an entry; `None` beyond the end. Errors: [`ReadError`].
    pub fn entry(&self, n: u64) -> Result<Option<Vec<u8>>, ReadError> {
        Ok(entries::bytes(&self.conn, n)?)
    }

    /// The exact bytes of the entries from `from` to `to`, both included, as far as they are there.
    pub fn entries(&self, from: u64, to: u64) -> Result<Vec<Vec<u8>>, ReadError> {
        let mut statement = self.conn.prepare_cached("SELECT bytes FROM entry WHERE n >= ?1 AND n <= ?2 ORDER BY n")?;
        let rows = statement.query_map([sql(from), sql(to)], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The exact bytes of all entries of a stream, in order.
    pub fn stream_entries(&self, stream: &Stream) -> Result<Vec<Vec<u8>>, ReadError> {
        let mut statement = self.conn.prepare_cached("SELECT bytes FROM entry WHERE stream = ?1 ORDER BY rev")?;
        let rows = statement.query_map([stream.as_str()], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// As [`Reader::stream_entries`], the last first: `limit` at most, those before a rev where one is given.
    pub fn stream_page(&self, stream: &Stream, before: Option<u64>, limit: usize) -> Result<Vec<Vec<u8>>, ReadError> {
        let text = "SELECT bytes FROM entry WHERE stream = ?1 AND rev < ?2 ORDER BY rev DESC LIMIT ?3";
        let mut statement = self.conn.prepare_cached(text)?;
        let (before, limit) = (before.map_or(i64::MAX, sql), i64::try_from(limit).unwrap_or(i64::MAX));
        let rows = statement.query_map((stream.as_str(), before, limit), |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// A stream as remembered, with its last rev; `None` where there is no such thing.
    pub fn record(&self, stream: &Stream) -> Result<Option<(u64, Record)>, ReadError> {
        Ok(views::read_live(&self.conn, stream)?.map(|live| (live.rev, live.record)))
    }

    /// The streams that carry a key, in ascending order.
    pub fn set(&self, key: &Key) -> Result<Vec<Stream>, ReadError> {
        Ok(views::read_set(&self.conn, "SELECT stream FROM stream_key WHERE key = ?1 ORDER BY stream", key)?)
    }

    /// As [`Reader::set`], `limit` at most, those after a stream where one is given.
    pub fn set_page(&self, key: &Key, after: Option<&str>, limit: usize) -> Result<Vec<Stream>, ReadError> {
        let text = "SELECT stream FROM stream_key WHERE key = ?1 AND stream > ?2 ORDER BY stream LIMIT ?3";
        let mut statement = self.conn.prepare_cached(text)?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let rows = statement
            .query_map((&key.0, after.unwrap_or_default(), limit), |row| entries::name(0, &row.get::<_, String>(0)?))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The values that a key's property has now, in ascending order, `limit` at most: every place in which a roll stands.
    /// Each is one step in the index, however many streams carry it.
    pub fn values(&self, property: &str, limit: usize) -> Result<Vec<String>, ReadError> {
        // SQLite compares texts byte by byte: '>' is the character after '='.
        let (from, to) = (format!("{property}="), format!("{property}>"));
        let text = "SELECT key FROM stream_key WHERE key > ?1 AND key < ?2 ORDER BY key LIMIT 1";
        let mut statement = self.conn.prepare_cached(text)?;
        let mut values = Vec::new();
        let mut last = from.clone();
        while values.len() < limit {
            let next: Option<String> = statement.query_row((&last, &to), |row| row.get(0)).optional()?;
            let Some(key) = next else { break };
            values.extend(key.strip_prefix(&from).map(str::to_owned));
            last = key;
        }
        Ok(values)
    }

    /// How many streams carry a key.
    pub fn set_size(&self, key: &Key) -> Result<u64, ReadError> {
        let mut statement = self.conn.prepare_cached("SELECT COUNT(*) FROM stream_key WHERE key = ?1")?;
        let size: i64 = statement.query_row([&key.0], |row| row.get(0))?;
        Ok(size.unsigned_abs())
    }

    /// How many entries a stream has, and the root over them: what a signature on it covers. `None`: no such thing.
    pub fn stands_at(&self, stream: &Stream) -> Result<Option<(u64, Hash)>, ReadError> {
        Ok(views::read_live(&self.conn, stream)?.map(|live| (live.rev, live.frontier.root())))
    }

    /// What an account's password opens; `None` where it has none.
    pub fn secret(&self, account: &AccountId) -> Result<Option<Secret>, ReadError> {
        Ok(secrets::read(&self.conn, account)?)
    }

    /// The bytes of a file that an entry names by its SHA-256.
    pub fn file(&self, sha256: &Hash) -> Result<Option<Vec<u8>>, ReadError> {
        let mut statement = self.conn.prepare_cached("SELECT bytes FROM file WHERE sha256 = ?1")?;
        let found: Option<Vec<u8>> = statement.query_row([sha256.0], |row| row.get(0)).optional()?;
        match found {
            Some(bytes) if Hash::of(&bytes) != *sha256 => {
                Err(ReadError::Damaged(format!("the file {sha256} is not what was stored")))
            }
            found => Ok(found),
        }
    }

    /// The raw machine bytes with this SHA-256.
    pub fn capture(&self, sha256: &Hash) -> Result<Option<Vec<u8>>, ReadError> {
        // Nothing was said: no file holds that.
        if *sha256 == Hash::of(b"") {
            return Ok(Some(Vec::new()));
        }
        Ok(capture_files::raw(&self.conn, &self.captures, sha256)?)
    }

    /// Inclusion of entry `n` in the tree of `size` entries. Errors: there is no such entry or tree.
    pub fn inclusion(&self, n: u64, size: u64) -> Result<Vec<Hash>, ReadError> {
        let none = || Fatal::damaged(None, format!("there is no entry {n} in a tree of {size}"));
        self.within(size)?;
        Ok(Tree::new(&self.conn, &mut self.known.borrow_mut()).inclusion(n, size)?.ok_or_else(none)?)
    }

    /// Consistency of the tree of `old` entries with that of `new`. Errors: there are no such trees.
    pub fn consistency(&self, old: u64, new: u64) -> Result<Vec<Hash>, ReadError> {
        let none = || Fatal::damaged(None, format!("a tree of {old} is not within one of {new}"));
        self.within(new)?;
        Ok(Tree::new(&self.conn, &mut self.known.borrow_mut()).consistency(old, new)?.ok_or_else(none)?)
    }

    fn within(&self, size: u64) -> Result<(), ReadError> {
        if size > self.head_row()?.size() {
            return Err(ReadError::Store(format!("the book has no {size} entries")));
        }
        Ok(())
    }

    /// Copies the database, as it is at this moment, to a new file of mode 0600.
    ///
    /// Errors: the file is there already; it cannot be written.
    pub fn snapshot(&self, to: &Path) -> Result<(), ReadError> {
        let file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(to);
        let file = file.map_err(Fatal::file("making the copy"))?;
        let mut copy = Connection::open(to)?;
        // All pages in one step: one moment of the book. A reader in WAL mode keeps no writer waiting.
        let done = Backup::new(&self.conn, &mut copy)?.step(-1)?;
        if done != StepResult::Done {
            return Err(ReadError::Store("the database could not be copied in one step".to_owned()));
        }
        copy.close().map_err(|(_, error)| error)?;
        file.sync_all().map_err(Fatal::file("syncing the copy"))?;
        Ok(())
    }

    /// The newest checkpoint that was kept.
    pub fn checkpoint(&self) -> Result<String, ReadError> {
        let newest = notes::newest_text(&self.checkpoints).map_err(Fatal::file("reading checkpoints/"))?;
        Ok(newest.ok_or_else(|| Fatal::damaged(None, "no checkpoint is kept"))?)
    }

    /// The book's public key as a C2SP verifier key: the one that signs now.
    pub fn verifier_key(&self) -> Result<String, ReadError> {
        let keys = BookKeys::load(&self.conn)?;
        Ok(VerifierKey::of_book(&self.first()?, keys.newest()).to_string())
    }
}
