//! The start: everything that can be wrong is looked for, and a book that is not as it should be is not served.

use std::path::Path;
use std::sync::Arc;

use rusqlite::Connection;
use tallyseal_control::State;
use tallyseal_schema::checkpoint;
use tallyseal_schema::ids::{AccountId, BookName, Stream};
use tallyseal_schema::kinds::{BookStarted, Synchronised};
use tallyseal_schema::{Body, Entry, Hash, Time};

use crate::book::Book;
use crate::book_keys::{self, BookKeys};
use crate::capture_files::{self, CaptureWriter};
use crate::clock::{Clock, NUMBER_MAX, Pace};
use crate::core::{Core, Decide};
use crate::entries::{self, Head, sql, unsql};
use crate::error::{Fatal, OpenError};
use crate::executor::{Executor, QUEUE, Start};
use crate::fold;
use crate::layout::Layout;
use crate::lock::Lock;
use crate::modes;
use crate::notes::{self, Notes};
use crate::store;
use crate::tile::{Known, TileWriter, Tree};
use crate::views::{self, Views};

/// So many of the last entries are hashed again at each start.
const TAIL: u64 = 1_000;

/// The machine that the server runs on.
#[derive(Debug, Clone)]
pub struct BootInfo {
    /// Its boot ID; [`UNKNOWN_BOOT`](crate::UNKNOWN_BOOT) where it does not say.
    pub id: String,
    /// What it says about its clock.
    pub clock: String,
    /// Whether that follows a time service.
    pub synchronised: Synchronised,
}

/// Who agreed that a server starts although its clock is before the last entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EarlierClock {
    /// The accounts of two people.
    pub people: [AccountId; 2],
    /// Why they did.
    pub why: String,
}

/// What a server starts with.
pub struct Settings {
    /// Start although the clock is before the last entry, where two people agreed on it.
    pub accept_earlier_clock: Option<EarlierClock>,
    /// The machine.
    pub boot: BootInfo,
    /// The clock.
    pub clock: Arc<dyn Clock>,
    /// Version of the plugin engine.
    pub engine: String,
    /// SHA-256 over the JSON Schemas of every entry kind.
    pub schemas: Hash,
    /// Name and version of the software.
    pub software: String,
}

impl Book {
    /// Opens the book in `dir`, checks it, and starts its executor. The start is an entry.
    ///
    /// Shape of the check: nobody else may write here or read the keys, the tables and triggers are ours, the key is the
    /// newest that an entry names, the head is the last entry, the
    /// last 1,000 entries hash to each other, the tree has the head's root, the newest checkpoint that was kept is of
    /// this book and agrees with the tree, captured bytes are all there, the clock is not before the last entry.
    ///
    /// Errors: [`OpenError`]: what is wrong. No entry was written then; views of another version may have been made.
    /// Crash: what it repairs (views, a torn end of captured bytes) is repaired again by the next start.
    pub fn open(dir: &Path, settings: Settings) -> Result<Self, OpenError> {
        Self::open_with(dir, settings, Arc::new(tallyseal_control::decide), QUEUE)
    }

    /// As [`Book::open`], under other rules and with another queue: for tests of the executor itself.
    pub(crate) fn open_with(dir: &Path, settings: Settings, decide: Decide, queue: usize) -> Result<Self, OpenError> {
        let layout = Layout::new(dir);
        if !layout.db().exists() {
            return Err(no_database(&layout));
        }
        let lock = Lock::take(&layout, &settings.software).map_err(OpenError::Lock)?;
        modes::check(&layout)?;
        let mut conn = store::open_writer(&layout.db()).map_err(|error| match error {
            // An empty file in the place of the database of a book that was served.
            OpenError::Unfinished(dir) if matches!(notes::newest(&layout.checkpoints()), Ok(Some(_))) => {
                OpenError::Lost(dir)
            }
            error => error,
        })?;
        let head = Head::load(&conn)?.ok_or_else(|| OpenError::Unfinished(dir.to_owned()))?;
        let name = check_first(&conn)?;
        let last = check_tail(&conn, &head, &name)?;
        if !fold::is_current(&conn)? {
            tracing::info!("the views are of another version and are made anew");
            fold::fold(&mut conn)?;
        }
        let keys = BookKeys::load(&conn)?;
        let key = book_keys::recover(&layout, &keys)?;
        let kept = check_tree(&conn, &layout, &head, &name, &keys)?;
        let transaction = conn.transaction()?;
        capture_files::recover(&transaction, &layout.captures())?;
        transaction.commit()?;
        let mut pace = Pace::new(Arc::clone(&settings.clock), settings.boot.id.clone(), last);
        if let Some((boot, at, mono_us)) = last_clocks(&conn)? {
            pace.anchored(&boot, at, mono_us);
        }
        let behind = pace.is_behind();
        let accepted = match (behind, settings.accept_earlier_clock) {
            (false, _) => None,
            (true, None) => return Err(OpenError::Clock { now: settings.clock.now(), last }),
            (true, Some(EarlierClock { people, why })) => {
                let [first, second] = two_people(&conn, &people)?;
                let cause =
                    format!("whoever started the server states that {first} and {second} accept an earlier clock");
                Some((pace.accept(&cause), why))
            }
        };
        let tiles = TileWriter::resume(&conn, head.size())?;
        let core = Core {
            conn,
            book: name.clone(),
            head,
            views: Views::in_place(),
            tiles,
            pace,
            captures: CaptureWriter::new(layout.captures()),
            decide,
            incidents: 0,
        };
        let started = Body::from(BookStarted {
            boot: settings.boot.id,
            clock: settings.boot.clock,
            engine: settings.engine,
            mono_us: settings.clock.mono_us().min(NUMBER_MAX),
            schemas: settings.schemas,
            software: settings.software,
            store: store::description(),
            synchronised: settings.boot.synchronised,
        });
        let executor = Executor::new(core, key, layout.clone(), Notes::new(layout.checkpoints(), kept), lock);
        executor.start(Start { accepted, layout, name, queue, started })
    }
}

/// The two people who agreed on something, each as `ID (name)`: two accounts of this book that work, of two persons.
fn two_people(conn: &Connection, people: &[AccountId; 2]) -> Result<[String; 2], OpenError> {
    let mut names = Vec::new();
    for account in people {
        let live = views::read_live(conn, &Stream::account(account))?;
        let Some(State::Account(state)) = live.map(|live| live.record.state) else {
            return Err(OpenError::People(format!("there is no account {account} in this book")));
        };
        if state.disabled {
            return Err(OpenError::People(format!("the account {account} is disabled")));
        }
        names.push(state.name);
    }
    let [first, second] = people;
    match names.as_slice() {
        [one, other] if first != second && one != other => {
            Ok([format!("{first} ({one})"), format!("{second} ({other})")])
        }
        _ => Err(OpenError::People(format!("{first} and {second} are one person"))),
    }
}

/// Why there is no database: it was lost, the making of the book was interrupted before it, or there never was a book.
/// Where any part of a book is left nobody is told to remove the directory.
fn no_database(layout: &Layout) -> OpenError {
    let dir = layout.dir().to_owned();
    if layout.traces().is_empty() { OpenError::NoBook(dir) } else { OpenError::Lost(dir) }
}

/// The last entry that says both clocks, a start or a step: its boot ID, its `at`, its steady count.
fn last_clocks(conn: &Connection) -> Result<Option<(String, Time, u64)>, OpenError> {
    let mut statement = conn.prepare("SELECT n, bytes FROM entry WHERE stream = ?1 ORDER BY rev DESC")?;
    let mut rows = statement.query([Stream::book().as_str()])?;
    while let Some(row) = rows.next()? {
        let (n, bytes): (u64, Vec<u8>) = (unsql(row.get(0)?), row.get(1)?);
        let entry = Entry::read(&bytes).map_err(|error| Fatal::entry(n, &error))?;
        match entry.body {
            Body::BookStarted(body) => return Ok(Some((body.boot, entry.header.at, body.mono_us))),
            Body::ClockStepped(body) => return Ok(Some((body.boot, entry.header.at, body.mono_us))),
            _ => {}
        }
    }
    Ok(None)
}

/// Entry 0 opens this very book. Gives the book's name.
fn check_first(conn: &Connection) -> Result<BookName, OpenError> {
    let bytes = entries::bytes(conn, 0)?.ok_or_else(|| Fatal::damaged(0, "it is missing"))?;
    let entry = Entry::read(&bytes).map_err(|error| Fatal::entry(0, &error))?;
    let Body::BookOpened(opened) = entry.body else {
        return Err(Fatal::damaged(0, "it does not open a book").into());
    };
    if opened.name != entry.header.book {
        return Err(Fatal::damaged(0, "it names another book").into());
    }
    Ok(opened.name)
}

/// The head is the last entry, and the last [`TAIL`] entries hash to each other. Gives `at` of the last.
fn check_tail(conn: &Connection, head: &Head, name: &BookName) -> Result<Time, OpenError> {
    let last: Option<i64> = conn.query_row("SELECT max(n) FROM entry", [], |row| row.get(0))?;
    if last.map(unsql) != Some(head.n()) {
        let what = format!("the head says {}, the last entry is {:?}", head.n(), last);
        return Err(Fatal::damaged(None, what).into());
    }
    let from = head.size().saturating_sub(TAIL);
    let mut statement = conn.prepare("SELECT n, bytes, stream, rev FROM entry WHERE n >= ?1 ORDER BY n")?;
    let mut rows = statement.query([sql(from)])?;
    let mut before: Option<Hash> = (from == 0).then_some(Hash::ZERO);
    let mut at = Time::default();
    let mut expected = from;
    while let Some(row) = rows.next()? {
        let (n, bytes): (u64, Vec<u8>) = (unsql(row.get(0)?), row.get(1)?);
        let entry = Entry::read(&bytes).map_err(|error| Fatal::entry(n, &error))?;
        if n != expected || entry.header.n != n {
            return Err(Fatal::damaged(expected, "it is missing").into());
        }
        if before.is_some_and(|before| entry.header.prev != before) {
            return Err(Fatal::damaged(n, "it does not follow the entry before it").into());
        }
        let (stream, rev): (String, u64) = (row.get(2)?, unsql(row.get(3)?));
        if entry.header.stream.as_str() != stream || entry.header.rev != rev {
            return Err(
                Fatal::damaged(n, format!("it is filed as rev {rev} of {stream} and says something else")).into()
            );
        }
        if entry.header.book != *name {
            return Err(Fatal::damaged(n, "it is of another book").into());
        }
        before = Some(Hash::leaf(&bytes));
        at = entry.header.at;
        expected = expected.saturating_add(1);
    }
    if before != Some(head.leaf) {
        return Err(Fatal::damaged(head.n(), "it is not the one that the head names").into());
    }
    Ok(at)
}

/// The tree of the stored hashes has the head's root, and the newest checkpoint that was kept agrees with it. Gives
/// that checkpoint's size.
fn check_tree(
    conn: &Connection,
    layout: &Layout,
    head: &Head,
    name: &BookName,
    keys: &BookKeys,
) -> Result<u64, OpenError> {
    let mut known = Known::default();
    let mut tree = Tree::new(conn, &mut known);
    if tree.frontier(head.size())? != head.frontier {
        return Err(Fatal::damaged(None, "the tree over its entries is another than the head's").into());
    }
    let newest = notes::newest(&layout.checkpoints()).map_err(Fatal::file("reading checkpoints/"))?;
    let Some((file, named)) = newest else {
        // Only a book that was never started can have none; from any other somebody took them.
        return Err(match head.size() {
            1 => OpenError::Unfinished(layout.dir().to_owned()),
            _ => OpenError::Checkpoint(layout.checkpoints(), "no checkpoint is there".to_owned()),
        });
    };
    let text = std::fs::read_to_string(&file).map_err(Fatal::file("reading a checkpoint"))?;
    let wrong = |what: String| OpenError::Checkpoint(file.clone(), what);
    // Another size than the name says is looked at below, before anything rests on it.
    let opened = checkpoint::open(&text, &[keys.at(name, named)]).map_err(|error| wrong(error.to_string()))?;
    if opened.signed_by.is_empty() {
        return Err(wrong("it is not signed by the book's key".to_owned()));
    }
    let note = opened.checkpoint;
    if note.origin != *name {
        return Err(wrong(format!("it is of the book {}", note.origin)));
    }
    if note.size != named {
        return Err(wrong(format!("it is of size {}", note.size)));
    }
    if note.size > head.size() {
        return Err(OpenError::SetBack { size: head.size(), signed: note.size });
    }
    if tree.frontier(note.size)?.root() != note.root {
        return Err(wrong("the entries below it are others".to_owned()));
    }
    Ok(note.size)
}
