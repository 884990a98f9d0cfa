//! The day files of captured machine bytes: `captures/YYYY-MM-DD.cap`, only ever added to, and where each piece stands.
//!
//! Two tables help: `capture` says where a piece stands, `capture_file` how far each file is known. Both can be made
//! again by reading the files.

use std::fs::{self, File, OpenOptions};
use std::io::{BufReader, Read as _, Seek as _, SeekFrom};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_schema::{Hash, Time};

use crate::capture::{self, Frame};
use crate::entries::{sql, unsql};
use crate::error::{Fatal, OpenError};
use crate::fault::{self, Point};
use crate::layout::sync_dir;

const SUFFIX: &str = ".cap";

/// The day file that is being written.
struct Day {
    name: String,
    file: File,
    length: u64,
    /// It is new: its name is not on disk yet.
    new: bool,
}

/// Adds pieces to the day files.
pub(crate) struct CaptureWriter {
    dir: PathBuf,
    day: Option<Day>,
}

impl CaptureWriter {
    pub(crate) fn new(dir: PathBuf) -> Self {
        Self { dir, day: None }
    }

    /// Adds the pieces of a batch, syncs them once, and says in the open transaction where they stand.
    ///
    /// CRASH: after the sync and before the commit they are orphans: no entry names them, and the next start takes
    /// them in; a retried act finds its piece there and does not add it again. Before the sync the file may end in a
    /// torn frame, which the next start cuts off.
    pub(crate) fn add(&mut self, conn: &Connection, at: Time, frames: &[Frame]) -> Result<(), Fatal> {
        let mut placed: Vec<(Hash, &Vec<u8>)> = Vec::new();
        for frame in frames {
            if !holds(conn, &frame.sha256)? && !placed.iter().any(|(sha256, ..)| *sha256 == frame.sha256) {
                placed.push((frame.sha256, &frame.bytes));
            }
        }
        if placed.is_empty() {
            return Ok(());
        }
        let day = Self::day(&mut self.day, &self.dir, conn, at)?;
        let bytes: Vec<u8> = placed.iter().flat_map(|(_, bytes)| bytes.iter().copied()).collect();
        day.file.write_all_at(&bytes, day.length).map_err(Fatal::file("writing captured bytes"))?;
        fault::point(Point::AfterCaptureWrite);
        // ORDER: before the commit that names them.
        day.file.sync_data().map_err(Fatal::file("syncing captured bytes"))?;
        if std::mem::take(&mut day.new) {
            sync_dir(&self.dir).map_err(Fatal::file("syncing captures/"))?;
        }
        fault::point(Point::AfterCaptureSync);
        for (sha256, bytes) in placed {
            let length = bytes.len() as u64;
            note(conn, &sha256, &day.name, day.length, length)?;
            day.length += length;
        }
        note_file(conn, &day.name, day.length)
    }

    /// The file of the day of `at`, opened where its known bytes end.
    fn day<'d>(open: &'d mut Option<Day>, dir: &Path, conn: &Connection, at: Time) -> Result<&'d mut Day, Fatal> {
        let mut name = at.to_string();
        name.truncate("YYYY-MM-DD".len());
        name.push_str(SUFFIX);
        let current = open.take().filter(|day| day.name == name);
        let day = match current {
            Some(day) => day,
            None => {
                let path = dir.join(&name);
                let new = !path.exists();
                let file = OpenOptions::new()
                    .write(true)
                    .create(true)
                    .truncate(false)
                    .mode(0o600)
                    .open(&path)
                    .map_err(Fatal::file("opening a file of captured bytes"))?;
                let length = known_length(conn, &name)?;
                Day { name, file, length, new }
            }
        };
        Ok(open.insert(day))
    }
}

/// True where a piece with this hash is stored.
pub(crate) fn holds(conn: &Connection, sha256: &Hash) -> Result<bool, rusqlite::Error> {
    conn.prepare_cached("SELECT 1 FROM capture WHERE sha256 = ?1")?.exists([sha256.0])
}

/// The raw bytes with this hash; `None` where no piece has it. Errors: the file is gone or damaged.
pub(crate) fn raw(conn: &Connection, dir: &Path, sha256: &Hash) -> Result<Option<Vec<u8>>, Fatal> {
    let place = conn
        .prepare_cached("SELECT file, position FROM capture WHERE sha256 = ?1")?
        .query_row([sha256.0], |row| Ok((row.get::<_, String>(0)?, unsql(row.get(1)?))))
        .optional()?;
    let Some((name, position)) = place else { return Ok(None) };
    let mut file = File::open(dir.join(&name)).map_err(Fatal::file("opening a file of captured bytes"))?;
    file.seek(SeekFrom::Start(position)).map_err(Fatal::file("reading captured bytes"))?;
    let found = capture::read(&mut BufReader::new(file)).map_err(Fatal::file("reading captured bytes"))?;
    let raw = found.filter(|found| found.sha256() == *sha256).and_then(|found| found.raw());
    raw.map(Some).ok_or_else(|| Fatal::damaged(None, format!("the captured bytes {sha256} in {name} are not whole")))
}

fn note(conn: &Connection, sha256: &Hash, file: &str, position: u64, length: u64) -> Result<(), Fatal> {
    // The first place counts: a piece that a crash left twice is the same bytes.
    conn.prepare_cached("INSERT OR IGNORE INTO capture (sha256, file, position, length) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![sha256.0, file, sql(position), sql(length)])?;
    Ok(())
}

fn note_file(conn: &Connection, file: &str, length: u64) -> Result<(), Fatal> {
    conn.prepare_cached(
        "INSERT INTO capture_file (file, length) VALUES (?1, ?2) ON CONFLICT (file) DO UPDATE SET length = excluded.length",
    )?
    .execute(params![file, sql(length)])?;
    Ok(())
}

fn known_length(conn: &Connection, file: &str) -> Result<u64, rusqlite::Error> {
    let mut statement = conn.prepare_cached("SELECT length FROM capture_file WHERE file = ?1")?;
    Ok(statement.query_row([file], |row| row.get(0)).optional()?.map_or(0, unsql))
}

/// The day files that are there, by name, with their lengths.
fn files(dir: &Path) -> Result<Vec<(String, u64)>, Fatal> {
    let read = || -> std::io::Result<Vec<(String, u64)>> {
        let mut found = Vec::new();
        for entry in fs::read_dir(dir)? {
            let entry = entry?;
            if let Some(name) = entry.file_name().to_str().filter(|name| name.ends_with(SUFFIX)) {
                found.push((name.to_owned(), entry.metadata()?.len()));
            }
        }
        found.sort_unstable();
        Ok(found)
    };
    read().map_err(Fatal::file("reading captures/"))
}

/// At start: takes in what a crash left behind what is known of each day file, and cuts off a torn end.
///
/// Errors: a file is shorter than what is known of it, or gone: bytes that entries name would be lost.
/// Crash: it begins again; a torn end is cut before anything is added after it.
pub(crate) fn recover(conn: &Connection, dir: &Path) -> Result<(), OpenError> {
    let there = files(dir)?;
    // A file that the crash before this start made may have no lasting name yet.
    sync_dir(dir).map_err(Fatal::file("syncing captures/"))?;
    let mut statement = conn.prepare("SELECT file, length FROM capture_file ORDER BY file")?;
    let known = statement.query_map([], |row| Ok((row.get::<_, String>(0)?, unsql(row.get(1)?))))?;
    for known in known {
        let (name, length) = known?;
        match there.iter().find(|(file, _)| *file == name) {
            None => return Err(OpenError::Capture(dir.join(name), "the file is gone".to_owned())),
            Some((_, is)) if *is < length => {
                let what = format!("it has {is} bytes and had {length}");
                return Err(OpenError::Capture(dir.join(name), what));
            }
            Some(_) => {}
        }
    }
    for (name, length) in there {
        let known = known_length(conn, &name)?;
        if length > known {
            let end = take_in(conn, dir, &name, known)?;
            cut(dir, &name, length, end)?;
        }
    }
    Ok(())
}

/// Cuts a torn end off. Its bytes are kept beside the file: they are nobody's, and nothing that came from a machine is
/// thrown away on a guess.
fn cut(dir: &Path, name: &str, length: u64, end: u64) -> Result<(), Fatal> {
    if end == length {
        return Ok(());
    }
    tracing::warn!(file = name, bytes = length - end, "a torn end of captured bytes was put aside");
    let put = || -> std::io::Result<()> {
        let mut file = OpenOptions::new().read(true).write(true).open(dir.join(name))?;
        file.seek(SeekFrom::Start(end))?;
        let aside = dir.join(format!("{name}.torn-{end}"));
        let mut aside = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(aside)?;
        std::io::copy(&mut file, &mut aside)?;
        // ORDER: kept before it is cut.
        aside.sync_all()?;
        sync_dir(dir)?;
        file.set_len(end)?;
        file.sync_all()
    };
    put().map_err(Fatal::file("putting a torn end of captured bytes aside"))
}

/// Reads whole frames of a day file from `from` on and notes them. Gives where they end.
fn take_in(conn: &Connection, dir: &Path, name: &str, from: u64) -> Result<u64, Fatal> {
    let mut file = File::open(dir.join(name)).map_err(Fatal::file("opening a file of captured bytes"))?;
    file.seek(SeekFrom::Start(from)).map_err(Fatal::file("reading captured bytes"))?;
    let mut file = BufReader::with_capacity(256 * 1024, file);
    let mut end = from;
    while let Some(found) = capture::read(file.by_ref()).map_err(Fatal::file("reading captured bytes"))? {
        note(conn, &found.sha256(), name, end, found.length())?;
        end += found.length();
    }
    if end > 0 {
        note_file(conn, name, end)?;
    }
    Ok(end)
}

/// Makes both tables again from the files. Inside the caller's transaction.
///
/// Errors: a file holds bytes that are no frame: they are never dropped on purpose.
pub(crate) fn rebuild(conn: &Connection, dir: &Path) -> Result<(), OpenError> {
    conn.execute_batch("DELETE FROM capture; DELETE FROM capture_file;")?;
    for (name, length) in files(dir)? {
        let end = take_in(conn, dir, &name, 0)?;
        if end != length {
            let what = format!("the bytes from {end} to {length} are no captured piece");
            return Err(OpenError::Capture(dir.join(name), what));
        }
    }
    Ok(())
}
