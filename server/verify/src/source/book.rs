//! The database of a data directory, opened so that nothing in the directory changes.
//!
//! Only the bytes of entries are believed, and nothing that the file says about itself: its triggers, views and
//! functions do not run.

use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

use rusqlite::config::DbConfig;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Error, ErrorCode, OpenFlags, OptionalExtension as _, params};
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::ENTRY_MAX;
use tallyseal_schema::plugin_files::FILE_MAX;

use super::lock::Lock;
use super::private_copy::PrivateCopy;
use crate::cannot_run::CannotRun;
use crate::chunk::{CHUNK, Row};

/// How the file may be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mode {
    /// Nobody writes it and it has no log: no lock, no shared memory, no file beside it is made.
    Still,
    /// A private copy with its log.
    Copy,
    /// Its server, which is the caller, writes on.
    Live,
}

/// The entries of a data directory.
pub(crate) struct BookFile {
    path: PathBuf,
    mode: Mode,
    /// The n at which each chunk begins that has any entry.
    pub(super) starts: Vec<u64>,
    /// One more than the last n.
    pub(crate) end: u64,
    /// Rows that stand before entry 0.
    pub(crate) before_zero: u64,
    // Held until the last reader is gone.
    _lock: Option<Lock>,
    _copy: Option<PrivateCopy>,
}

impl BookFile {
    /// Opens the database of a data directory. `live`: the caller is the server that holds its lock.
    ///
    /// Errors: somebody else serves it, or it cannot be read at all.
    pub(crate) fn open(dir: &Path, live: bool) -> Result<Self, CannotRun> {
        let lock = if live { None } else { Some(Lock::take(dir)?) };
        let path = dir.join("book.db");
        let log = dir.join("book.db-wal");
        let log_is_left = std::fs::metadata(&log).is_ok_and(|log| log.len() > 0);
        let mut book =
            Self { path, mode: Mode::Still, starts: Vec::new(), end: 0, before_zero: 0, _lock: lock, _copy: None };
        if live {
            book.mode = Mode::Live;
        } else if log_is_left {
            let copy = PrivateCopy::of(&book.path, &log)?;
            book.path = copy.database();
            book.mode = Mode::Copy;
            book._copy = Some(copy);
        }
        let connection = book.connect()?;
        book.expect_table(&connection)?;
        book.plan(&connection)?;
        Ok(book)
    }

    fn error(&self, error: &Error) -> CannotRun {
        CannotRun::reading(self.path.display(), error)
    }

    fn connect(&self) -> Result<Connection, CannotRun> {
        let connect = || -> Result<Connection, Error> {
            let read = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let connection = match self.mode {
                Mode::Still => Connection::open_with_flags(still_uri(&self.path), read | OpenFlags::SQLITE_OPEN_URI)?,
                // A log is only carried over by a writer; this one is nobody else's.
                Mode::Copy => Connection::open_with_flags(
                    &self.path,
                    OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
                )?,
                Mode::Live => Connection::open_with_flags(&self.path, read)?,
            };
            for (setting, value) in [
                (DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true),
                (DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false),
                (DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false),
                (DbConfig::SQLITE_DBCONFIG_ENABLE_VIEW, false),
            ] {
                connection.set_db_config(setting, value)?;
            }
            connection.pragma_update(None, "cell_size_check", 1)?;
            connection.pragma_update(None, "query_only", 1)?;
            connection.pragma_update(None, "cache_size", -1_024)?;
            connection.busy_timeout(std::time::Duration::from_secs(5))?;
            Ok(connection)
        };
        connect().map_err(|error| self.error(&error))
    }

    /// The entries stand in a plain table: nothing in it is computed.
    fn expect_table(&self, connection: &Connection) -> Result<(), CannotRun> {
        let columns = || -> Result<i64, Error> {
            connection.query_row(
                "SELECT count(*) FROM sqlite_schema AS s JOIN pragma_table_xinfo('entry') AS c
                  WHERE s.type = 'table' AND s.name = 'entry' AND s.rootpage > 0 AND c.hidden = 0
                    AND (c.name IN ('stream', 'rev', 'bytes') OR c.name = 'n' AND c.pk = 1 AND c.type = 'INTEGER')",
                [],
                |row| row.get(0),
            )
        };
        match columns() {
            Ok(4) => Ok(()),
            Ok(_) => Err(CannotRun::new(format!("{} is not the database of a book", self.path.display()))),
            Err(error) => Err(self.error(&error)),
        }
    }

    /// Finds which chunks there are, without reading them: rows may stand anywhere between 0 and 2^63.
    fn plan(&mut self, connection: &Connection) -> Result<(), CannotRun> {
        let error = |error: Error| CannotRun::reading(self.path.display(), error);
        let before = connection.query_row("SELECT count(*) FROM entry WHERE n < 0", [], |row| row.get::<_, i64>(0));
        self.before_zero = before.map_err(error)?.unsigned_abs();
        let last: Option<i64> =
            connection.query_row("SELECT max(n) FROM entry WHERE n >= 0", [], |row| row.get(0)).map_err(error)?;
        let Some(last) = last.and_then(|last| u64::try_from(last).ok()) else { return Ok(()) };
        self.end = last + 1;
        let mut next = connection.prepare("SELECT n FROM entry WHERE n >= ?1 ORDER BY n LIMIT 1").map_err(error)?;
        let mut at = 0;
        while at <= last {
            let found: Result<Option<i64>, Error> =
                next.query_row([i64::try_from(at).unwrap_or(i64::MAX)], |row| row.get(0)).optional();
            let start = match found {
                Ok(None) => break,
                Ok(Some(n)) => u64::try_from(n).unwrap_or(0) / CHUNK * CHUNK,
                // Damage here is met again when the chunk is read, and said there.
                Err(other) if is_damage(&other) => at / CHUNK * CHUNK,
                Err(other) => return Err(error(other)),
            };
            self.starts.push(start);
            let Some(after) = start.checked_add(CHUNK) else { break };
            at = after;
        }
        Ok(())
    }

    /// The bytes of entry 0.
    pub(crate) fn first(&self) -> Result<Option<Vec<u8>>, CannotRun> {
        let bytes = self
            .connect()?
            .query_row("SELECT bytes FROM entry WHERE n = 0 AND length(bytes) <= ?1", [ENTRY_MAX as i64], |row| {
                Ok(row.get_ref(0)?.as_blob().map(<[u8]>::to_vec))
            })
            .optional();
        match bytes {
            Ok(bytes) => Ok(bytes.and_then(Result::ok)),
            Err(error) if is_damage(&error) => Ok(None),
            Err(error) => Err(self.error(&error)),
        }
    }

    pub(super) fn reader(&self) -> Result<BookReader<'_>, CannotRun> {
        Ok(BookReader { book: self, connection: self.connect()? })
    }

    /// Looks up plugin files by their SHA-256.
    pub(crate) fn files(&self) -> Result<impl FnMut(&Hash) -> Option<Vec<u8>> + use<>, CannotRun> {
        let connection = self.connect()?;
        Ok(move |sha256: &Hash| {
            // What is longer than any file of a plugin is none, and is not brought into memory.
            let sql = "SELECT bytes FROM file WHERE sha256 = ?1 AND length(bytes) <= ?2";
            let mut statement = connection.prepare_cached(sql).ok()?;
            statement.query_row(params![sha256.0, FILE_MAX as i64], |row| row.get(0)).ok()
        })
    }
}

/// The file is damaged at one place; others may be readable.
fn is_damage(error: &Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(
            ErrorCode::DatabaseCorrupt
                | ErrorCode::TooBig
                | ErrorCode::OutOfMemory
                | ErrorCode::SystemIoFailure
                | ErrorCode::NotADatabase
        )
    )
}

/// The URI under which SQLite reads a file that nobody changes.
fn still_uri(path: &Path) -> String {
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'.' | b'_' | b'-') {
            uri.push(char::from(*byte));
        } else {
            uri.push_str(&format!("%{byte:02x}"));
        }
    }
    uri + "?mode=ro&immutable=1"
}

/// Reads chunks of a book, on one thread.
pub(crate) struct BookReader<'a> {
    book: &'a BookFile,
    connection: Connection,
}

/// Entries of a range, with what the store repeats of them.
const ROWS: &str = "SELECT n, stream, rev, bytes FROM entry WHERE n BETWEEN ?1 AND ?2 ORDER BY n";
/// The bytes alone.
const BARE_ROWS: &str = "SELECT n, bytes FROM entry WHERE n BETWEEN ?1 AND ?2 ORDER BY n";

impl BookReader<'_> {
    pub(super) fn before(&self, chunk: usize) -> u64 {
        self.book.starts.get(chunk).copied().unwrap_or(self.book.end)
    }

    /// Every row of a chunk; `bare`: nothing but the bytes.
    pub(super) fn rows(&mut self, chunk: usize, bare: bool, each: &mut dyn FnMut(Row<'_>)) -> Result<(), CannotRun> {
        let mut from = self.before(chunk);
        // A running server writes on; what came after the start is not looked at.
        let to = from.saturating_add(CHUNK).min(self.book.end);
        loop {
            let mut last = None;
            let read = if bare { self.bare(from, to, &mut last, each) } else { self.full(from, to, &mut last, each) };
            match read {
                Ok(()) => return Ok(()),
                Err(error) if is_damage(&error) => {
                    // Past the row that cannot be had, to the next whose place can be read at all.
                    let after = last.map_or(from, |last: u64| last + 1);
                    let n = self.next(after, to).unwrap_or(after);
                    each(Row::Unreadable { n, what: format!("the database is damaged here: {error}") });
                    from = n + 1;
                    if from >= to {
                        return Ok(());
                    }
                }
                Err(error) => return Err(self.book.error(&error)),
            }
        }
    }

    /// The first n of a range; its bytes are not read.
    fn next(&self, from: u64, to: u64) -> Option<u64> {
        let mut next =
            self.connection.prepare_cached("SELECT n FROM entry WHERE n BETWEEN ?1 AND ?2 ORDER BY n LIMIT 1").ok()?;
        next.query_row(bounds(from, to), |row| row.get::<_, i64>(0)).ok().and_then(|n| u64::try_from(n).ok())
    }

    /// Hands over rows until the range ends or one cannot be had.
    fn full(&self, from: u64, to: u64, last: &mut Option<u64>, each: &mut dyn FnMut(Row<'_>)) -> Result<(), Error> {
        let mut statement = self.connection.prepare_cached(ROWS)?;
        let mut rows = statement.query(bounds(from, to))?;
        while let Some(row) = rows.next()? {
            let n = place(row.get_ref(0)?);
            *last = Some(n);
            let rev = row.get_ref(2)?.as_i64().unwrap_or(-1);
            let stream = row.get_ref(1)?.as_bytes().unwrap_or_default();
            stored(n, stream, rev, row.get_ref(3)?, each);
        }
        Ok(())
    }

    /// As [`Self::full`], with nothing but the bytes.
    fn bare(&self, from: u64, to: u64, last: &mut Option<u64>, each: &mut dyn FnMut(Row<'_>)) -> Result<(), Error> {
        let mut statement = self.connection.prepare_cached(BARE_ROWS)?;
        let mut rows = statement.query(bounds(from, to))?;
        while let Some(row) = rows.next()? {
            let n = place(row.get_ref(0)?);
            *last = Some(n);
            stored(n, b"", 0, row.get_ref(1)?, each);
        }
        Ok(())
    }
}

/// The first and the last n of a range that ends before `to`.
fn bounds(from: u64, to: u64) -> [i64; 2] {
    [from, to.saturating_sub(1)].map(|n| i64::try_from(n).unwrap_or(i64::MAX))
}

/// `n` is the key of the table, which SQLite holds as an integer whatever is put in.
fn place(n: ValueRef<'_>) -> u64 {
    n.as_i64().ok().and_then(|n| u64::try_from(n).ok()).unwrap_or_default()
}

fn stored(n: u64, stream: &[u8], rev: i64, bytes: ValueRef<'_>, each: &mut dyn FnMut(Row<'_>)) {
    match bytes {
        ValueRef::Blob(bytes) if bytes.len() <= ENTRY_MAX => each(Row::Stored { n, stream, rev, bytes }),
        ValueRef::Blob(bytes) => {
            let what = format!("{} bytes long; an entry has at most {ENTRY_MAX}", bytes.len());
            each(Row::Unreadable { n, what });
        }
        other => each(Row::Unreadable { n, what: format!("{} is stored, and no bytes", other.data_type()) }),
    }
}
