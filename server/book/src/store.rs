//! The database file: how it is opened, which settings durability rests on, and that nobody changed its tables.

use std::collections::BTreeSet;
use std::fs::OpenOptions;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, Row};

use crate::error::{Fatal, OpenError};

/// Numbered migrations; the file's `user_version` is how many of them it has.
const MIGRATIONS: &[&str] = &[include_str!("../../../schema/sql/sqlite/0001_book.sql")];
/// Makes new views under names of their own.
pub(crate) const VIEWS_NEW: &str = include_str!("../../../schema/sql/sqlite/views_new.sql");
/// Removes what an interrupted making of views left.
pub(crate) const VIEWS_DROP_NEW: &str = include_str!("../../../schema/sql/sqlite/views_drop_new.sql");
/// Puts the new views in the place of the old ones.
pub(crate) const VIEWS_SWAP: &str = include_str!("../../../schema/sql/sqlite/views_swap.sql");

/// Tables that can be dropped and made again.
const VIEW_TABLES: [&str; 8] =
    ["stream", "stream_key", "thing_count", "tile", "stream_new", "stream_key_new", "thing_count_new", "tile_new"];

/// Says of the file that it is a book. Shape: "Taly" in ASCII.
const APPLICATION_ID: i64 = 0x5461_6c79;

/// The first SQLite in which a checkpoint beside a writer cannot lose a commit (sqlite.org/wal.html, WAL-reset bug).
const ENGINE_MIN: i32 = 3_051_003;

/// The store as `book.started` names it.
pub(crate) fn description() -> String {
    format!("sqlite {} wal synchronous=full", rusqlite::version())
}

/// Makes the database file of a new book, with its tables, without views and without an entry.
///
/// Crash: the file may be there without tables; the book then counts as unfinished.
pub(crate) fn create(path: &Path) -> Result<Connection, OpenError> {
    // Made by ourselves, so that its mode, which the log beside it inherits, is never wider, whatever the umask.
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(Fatal::file("the database file"))?;
    let mut conn =
        Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    set_up(&conn)?;
    conn.pragma_update(None, "application_id", APPLICATION_ID)?;
    migrate(&mut conn, 0)?;
    Ok(conn)
}

/// Opens the database of a book for its one writer, brings its tables to this version, and checks them.
pub(crate) fn open_writer(path: &Path) -> Result<Connection, OpenError> {
    let mut conn =
        Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    set_up(&conn)?;
    if objects(&conn)?.is_empty() {
        return Err(OpenError::Unfinished(path.parent().unwrap_or(path).to_owned()));
    }
    let version = check_version(&conn)?;
    migrate(&mut conn, version)?;
    check_schema(&conn)?;
    Ok(conn)
}

/// Opens the database of a book to read it.
pub(crate) fn open_reader(path: &Path) -> Result<Connection, OpenError> {
    check_engine()?;
    let conn = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    harden(&conn)?;
    check_version(&conn)?;
    Ok(conn)
}

/// As [`open_reader`], also where SQLite can put no index of its log beside the file: on a disk that takes no writes.
///
/// Only where there is no log: a server that runs always has one, and a database that is written must not be read as one
/// that lies still.
pub(crate) fn open_reader_anywhere(path: &Path) -> Result<Connection, OpenError> {
    open_reader(path).or_else(|error| {
        let mut log = path.as_os_str().to_owned();
        log.push("-wal");
        if Path::new(&log).exists() { Err(error) } else { open_still(path) }
    })
}

/// Opens the database of a book that nobody writes, to read it without leaving a trace: also from a read-only disk.
///
/// Where a crash left a log beside it, the log is read with it, as every reader does.
pub(crate) fn open_still(path: &Path) -> Result<Connection, OpenError> {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    if std::fs::metadata(&log).is_ok_and(|log| log.len() > 0) {
        return open_reader(path);
    }
    check_engine()?;
    let mut uri = "file:".to_owned();
    for byte in path.as_os_str().as_bytes() {
        // Everything else would be read as a part of the URI.
        if byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'.' | b'_' | b'-') {
            uri.push(char::from(*byte));
        } else {
            uri.push_str(&format!("%{byte:02x}"));
        }
    }
    uri.push_str("?mode=ro&immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(uri, flags)?;
    harden(&conn)?;
    check_version(&conn)?;
    Ok(conn)
}

/// For a connection that only reads.
fn harden(conn: &Connection) -> Result<(), OpenError> {
    conn.set_prepared_statement_cache_capacity(64);
    conn.busy_timeout(std::time::Duration::from_secs(5))?;
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    for (name, value) in [("trusted_schema", 0), ("cell_size_check", 1), ("query_only", 1), ("cache_size", -8192)] {
        conn.pragma_update(None, name, value)?;
    }
    Ok(())
}

fn check_engine() -> Result<(), OpenError> {
    if rusqlite::version_number() < ENGINE_MIN {
        return Err(OpenError::Engine(rusqlite::version().to_owned()));
    }
    Ok(())
}

/// Sets what durability and safety rest on, and reads each back: a setting that SQLite does not know is silently left.
fn set_up(conn: &Connection) -> Result<(), OpenError> {
    check_engine()?;
    conn.set_prepared_statement_cache_capacity(64);
    conn.busy_timeout(std::time::Duration::from_secs(5))?;
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    let mode: String = conn.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0))?;
    if mode != "wal" {
        return Err(OpenError::Setting("journal_mode=wal"));
    }
    // CRASH: with synchronous=FULL a commit that returned is on disk. NORMAL lost acknowledged entries in power cuts.
    // ORDER: autocheckpoint off: the executor carries the log over when nobody waits for it.
    // cache_size: in KiB, where negative. The indexes of acts are hit at random places.
    let settings: [(&str, i64, &'static str); 9] = [
        ("synchronous", 2, "synchronous=FULL"),
        ("wal_autocheckpoint", 0, "wal_autocheckpoint=0"),
        ("recursive_triggers", 1, "recursive_triggers=ON"),
        ("trusted_schema", 0, "trusted_schema=OFF"),
        ("foreign_keys", 1, "foreign_keys=ON"),
        ("cell_size_check", 1, "cell_size_check=ON"),
        ("temp_store", 2, "temp_store=MEMORY"),
        ("mmap_size", 0, "mmap_size=0"),
        ("cache_size", -32_768, "cache_size=-32768"),
    ];
    for (name, value, said) in settings {
        conn.pragma_update(None, name, value)?;
        let is: i64 = conn.pragma_query_value(None, name, |row| row.get(0))?;
        if is != value {
            return Err(OpenError::Setting(said));
        }
    }
    Ok(())
}

/// The file is a book of a version that this software knows; which. Errors: [`OpenError::Schema`],
/// [`OpenError::Newer`].
fn check_version(conn: &Connection) -> Result<usize, OpenError> {
    let id: i64 = conn.pragma_query_value(None, "application_id", |row| row.get(0))?;
    if id != APPLICATION_ID {
        return Err(OpenError::Schema("it does not say that it is a book".to_owned()));
    }
    let version: i64 = conn.pragma_query_value(None, "user_version", |row| row.get(0))?;
    usize::try_from(version).ok().filter(|version| *version <= MIGRATIONS.len()).ok_or(OpenError::Newer(version))
}

/// Brings the tables from `version` to the newest.
///
/// Crash: each migration and its number are one transaction.
fn migrate(conn: &mut Connection, version: usize) -> Result<(), OpenError> {
    for (i, migration) in MIGRATIONS.iter().enumerate().skip(version) {
        let step = conn.transaction()?;
        step.execute_batch(migration)?;
        step.pragma_update(None, "user_version", i as i64 + 1)?;
        step.commit()?;
    }
    Ok(())
}

/// One object of a database: type, name, table, its text.
type Object = (String, String, String, String);

fn objects(conn: &Connection) -> Result<BTreeSet<Object>, rusqlite::Error> {
    let object = |row: &Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?));
    conn.prepare("SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema")?.query_map([], object)?.collect()
}

/// Makes the tables of the newest version, without the views, in an empty database.
pub(crate) fn make_tables(conn: &Connection) -> Result<(), rusqlite::Error> {
    MIGRATIONS.iter().try_for_each(|migration| conn.execute_batch(migration))
}

/// What the tables, indexes and triggers must be: what the migrations make in an empty database.
fn wanted() -> Result<BTreeSet<Object>, rusqlite::Error> {
    let conn = Connection::open_in_memory()?;
    make_tables(&conn)?;
    conn.execute_batch(VIEWS_NEW)?;
    conn.execute_batch(VIEWS_SWAP)?;
    objects(&conn)
}

fn is_view(object: &Object) -> bool {
    VIEW_TABLES.contains(&object.2.as_str())
}

/// Checks that tables, indexes and above all triggers are there word for word, and nothing else is.
///
/// The views are left out: they are made again where they are not as they should be.
fn check_schema(conn: &Connection) -> Result<(), OpenError> {
    let (have, want) = (objects(conn)?, wanted()?);
    let differ = |what: &str, (kind, name, ..): &Object| OpenError::Schema(format!("the {kind} {name} {what}"));
    if let Some(lost) = want.difference(&have).find(|object| !is_view(object)) {
        return Err(differ("is missing or changed", lost));
    }
    if let Some(added) = have.difference(&want).find(|object| !is_view(object)) {
        return Err(differ("is not ours", added));
    }
    Ok(())
}

/// True where the tables of the views are there word for word.
pub(crate) fn views_are_whole(conn: &Connection) -> Result<bool, rusqlite::Error> {
    let views = |set: BTreeSet<Object>| -> BTreeSet<Object> { set.into_iter().filter(is_view).collect() };
    Ok(views(objects(conn)?) == views(wanted()?))
}

/// Carries the log into the database file. `all`: also empties the log, which needs that nobody reads.
///
/// Crash: the log stays until all of it was carried over and synced; a half-carried one is carried again.
pub(crate) fn carry_log(conn: &Connection, all: bool) -> Result<(), rusqlite::Error> {
    crate::fault::point(crate::fault::Point::BeforeWalCheckpoint);
    let mode = if all { "TRUNCATE" } else { "PASSIVE" };
    conn.prepare_cached(&format!("PRAGMA wal_checkpoint({mode})"))?.query_row([], |_| Ok(()))
}
