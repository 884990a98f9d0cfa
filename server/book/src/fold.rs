//! Makes the views again from the entries: for a new book, after a change of what is remembered, and on request.

use std::path::Path;

use rusqlite::Connection;
use tallyseal_control::evolve;
use tallyseal_schema::tree::Frontier;
use tallyseal_schema::{Entry, Hash};

use crate::capture_files;
use crate::entries::{Head, sql};
use crate::error::{Fatal, OpenError};
use crate::fault::{self, Point};
use crate::layout::Layout;
use crate::lock::Lock;
use crate::store;
use crate::tile::TileWriter;
use crate::views::{self, Live, Views};

/// Entries folded in one transaction.
const STEP: u64 = 2_000;
/// So many entries, and the log hears of the progress.
const TELL: u64 = 100_000;

/// Makes all views of a book at rest again, and the index of its captured bytes. Gives how many entries were folded.
///
/// Errors: the lock is held, the entries make no sense, captured bytes are not all there.
/// Crash: the old views stand until the new ones take their place, in one transaction.
pub fn rebuild(dir: &Path) -> Result<u64, OpenError> {
    let layout = Layout::new(dir);
    if !layout.db().is_file() {
        return Err(OpenError::NoBook(dir.to_owned()));
    }
    let _lock = Lock::take(&layout, "rebuild").map_err(OpenError::Lock)?;
    let mut conn = store::open_writer(&layout.db())?;
    let size = Head::load(&conn)?.ok_or_else(|| OpenError::Unfinished(dir.to_owned()))?.size();
    let recovery = conn.transaction()?;
    capture_files::recover(&recovery, &layout.captures())?;
    recovery.commit()?;
    fold_with(&mut conn, |conn| capture_files::rebuild(conn, &layout.captures()))?;
    store::carry_log(&conn, true)?;
    Ok(size)
}

/// True where the views are there, word for word, and of this version.
pub(crate) fn is_current(conn: &Connection) -> Result<bool, OpenError> {
    Ok(store::views_are_whole(conn)? && views::stored_version(conn)?.as_deref() == Some(&views::version()))
}

/// Folds all entries into new views and puts them in the place of the old ones.
pub(crate) fn fold(conn: &mut Connection) -> Result<(), OpenError> {
    fold_with(conn, |_| Ok(()))
}

/// As [`fold`], with what `along` does in the same last transaction.
///
/// CRASH: until the last transaction the old views stand; new tables that are left behind are dropped by the next try.
fn fold_with(conn: &mut Connection, along: impl FnOnce(&Connection) -> Result<(), OpenError>) -> Result<(), OpenError> {
    let size = Head::load(conn)?.map_or(0, |head| head.size());
    let begin = conn.transaction()?;
    begin.execute_batch(store::VIEWS_DROP_NEW)?;
    begin.execute_batch(store::VIEWS_NEW)?;
    begin.commit()?;

    let mut fold = Fold::new();
    let mut at = 0;
    while at < size {
        let upto = size.min(at + STEP);
        let step = conn.transaction()?;
        fold.take(&step, &step, at, upto)?;
        step.commit()?;
        store::carry_log(conn, false)?;
        at = upto;
        if at % TELL == 0 {
            tracing::info!(done = at, of = size, "the views are made from the entries");
        }
    }

    fault::point(Point::BeforeViewSwap);
    let swap = conn.transaction()?;
    swap.execute_batch(store::VIEWS_SWAP)?;
    fault::point(Point::InViewSwap);
    views::store_version(&swap)?;
    along(&swap)?;
    swap.commit()?;
    Ok(())
}

/// The views while they are made.
pub(crate) struct Fold {
    views: Views,
    tiles: TileWriter,
}

impl Fold {
    pub(crate) fn new() -> Self {
        Self { views: Views::into_new(), tiles: TileWriter::into_new() }
    }

    /// Takes the entries `from` to `upto`, the last one not included, of the book into the new views in `into`.
    pub(crate) fn take(&mut self, book: &Connection, into: &Connection, from: u64, upto: u64) -> Result<(), Fatal> {
        let mut statement = book.prepare_cached("SELECT bytes FROM entry WHERE n >= ?1 AND n < ?2 ORDER BY n")?;
        let mut rows = statement.query([sql(from), sql(upto)])?;
        let mut n = from;
        while let Some(row) = rows.next()? {
            let bytes = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
            self.one(into, n, bytes)?;
            n += 1;
        }
        if n != upto {
            return Err(Fatal::damaged(n, "it is missing"));
        }
        self.views.flush(into)
    }

    fn one(&mut self, into: &Connection, n: u64, bytes: &[u8]) -> Result<(), Fatal> {
        let entry = Entry::read(bytes).map_err(|error| Fatal::entry(n, &error))?;
        if entry.header.n != n {
            return Err(Fatal::damaged(n, format!("it says that it is entry {}", entry.header.n)));
        }
        let leaf = Hash::leaf(bytes);
        self.tiles.push(into, leaf)?;
        let stream = entry.header.stream.clone();
        let before = self.views.live(into, &stream)?.cloned();
        let (rev, mut frontier, record) = match before {
            Some(live) => (live.rev + 1, live.frontier, Some(live.record)),
            None => (1, Frontier::new(), None),
        };
        if entry.header.rev != rev {
            let what = format!("it is rev {rev} of {stream} and says that it is {}", entry.header.rev);
            return Err(Fatal::damaged(n, what));
        }
        let record = evolve(record, &entry).map_err(Fatal::Fold)?;
        frontier.push(leaf);
        self.views.put(into, stream, Live { rev, n, frontier, record })
    }
}
