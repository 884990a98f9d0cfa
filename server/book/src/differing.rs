//! Holds the views of a book at rest against what its entries fold to, and changes nothing in it.

use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, Row, Rows};

use crate::entries::Head;
use crate::error::{Fatal, OpenError};
use crate::fold::{self, Fold};
use crate::layout::Layout;
use crate::store;

/// Entries folded in one transaction of the scratch database.
const STEP: u64 = 10_000;
/// Differences that are named one by one; the rest is only counted.
const NAMED_MAX: usize = 100;

/// How the views of a book differ from what its entries fold to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Differing {
    /// Rows that were compared. 0 where the views are of another version: the next start makes them anew.
    pub looked_at: u64,
    /// What differs, a sentence each; at most a hundred, and one more that counts the rest.
    pub faults: Vec<String>,
}

impl Differing {
    fn say(&mut self, count: &mut u64, what: String) {
        *count += 1;
        if self.faults.len() < NAMED_MAX {
            self.faults.push(what);
        }
    }
}

/// Each view: its name, its columns in the order of its key, and how many of them are the key.
const VIEWS: [(&str, &str, usize); 4] = [
    ("stream", "stream, rev, n, frontier, record", 1),
    ("stream_key", "key, stream", 2),
    ("thing_count", "thing, count", 1),
    ("tile", "level, idx, hashes", 2),
];

/// Compares the views of a book at rest with a fold of its entries into a scratch database.
///
/// Nothing in the book's directory is written. Entries that cannot be folded are a fault, not an error.
/// Errors: there is no book, or it cannot be read at all.
pub fn differing_views(dir: &Path) -> Result<Differing, OpenError> {
    let layout = Layout::new(dir);
    if !layout.db().is_file() {
        return Err(OpenError::NoBook(dir.to_owned()));
    }
    let book = store::open_still(&layout.db())?;
    if !fold::is_current(&book)? {
        return Ok(Differing::default());
    }
    // A private file that SQLite deletes: as large as the views are, and never in memory as a whole.
    let scratch = Connection::open("")?;
    scratch.set_prepared_statement_cache_capacity(64);
    scratch.pragma_update(None, "synchronous", 0)?;
    scratch.execute_batch(store::VIEWS_NEW)?;
    if let Err(fatal) = fold_into(&book, &scratch) {
        return Ok(Differing { looked_at: 0, faults: vec![format!("the entries do not fold: {fatal}")] });
    }
    let (mut found, mut count) = (Differing::default(), 0);
    for (view, columns, key) in VIEWS {
        compare(&book, &scratch, view, columns, key, &mut found, &mut count)?;
    }
    if count > NAMED_MAX as u64 {
        found.faults.push(format!("and {} more rows differ", count - NAMED_MAX as u64));
    }
    Ok(found)
}

fn fold_into(book: &Connection, scratch: &Connection) -> Result<(), Fatal> {
    let size = Head::load(book)?.map_or(0, |head| head.size());
    let mut fold = Fold::new();
    let mut at = 0;
    while at < size {
        let upto = size.min(at + STEP);
        scratch.execute_batch("BEGIN")?;
        fold.take(book, scratch, at, upto)?;
        scratch.execute_batch("COMMIT")?;
        at = upto;
    }
    Ok(())
}

/// Both tables, row by row, in the order of their key.
fn compare(
    book: &Connection,
    scratch: &Connection,
    view: &str,
    columns: &str,
    key: usize,
    found: &mut Differing,
    count: &mut u64,
) -> Result<(), OpenError> {
    let order: Vec<String> = (1..=key).map(|column| column.to_string()).collect();
    let order = order.join(", ");
    let width = columns.split(',').count();
    let mut have = book.prepare(&format!("SELECT {columns} FROM {view} ORDER BY {order}"))?;
    let mut want = scratch.prepare(&format!("SELECT {columns} FROM {view}_new ORDER BY {order}"))?;
    let (mut have, mut want) = (have.query([])?, want.query([])?);
    let (mut is, mut should) = (next(&mut have, width)?, next(&mut want, width)?);
    loop {
        let order = match (&is, &should) {
            (None, None) => return Ok(()),
            (Some(_), None) => std::cmp::Ordering::Less,
            (None, Some(_)) => std::cmp::Ordering::Greater,
            (Some(is), Some(should)) => cells(is).take(key).cmp(cells(should).take(key)),
        };
        found.looked_at += 1;
        match order {
            std::cmp::Ordering::Less => {
                found.say(count, format!("{view}: {} is there and no entry made it", named(&is, key)));
                is = next(&mut have, width)?;
            }
            std::cmp::Ordering::Greater => {
                found.say(count, format!("{view}: {} is missing", named(&should, key)));
                should = next(&mut want, width)?;
            }
            std::cmp::Ordering::Equal => {
                if is != should {
                    found.say(count, format!("{view}: {} is not what the entries say", named(&is, key)));
                }
                (is, should) = (next(&mut have, width)?, next(&mut want, width)?);
            }
        }
    }
}

type Cells = Option<Vec<Value>>;

fn next(rows: &mut Rows<'_>, width: usize) -> Result<Cells, rusqlite::Error> {
    let row = |row: &Row<'_>| (0..width).map(|column| row.get(column)).collect();
    rows.next()?.map(row).transpose()
}

/// Key cells in an order that is SQLite's own: the views' keys are texts or positive integers, never mixed.
fn cells(row: &[Value]) -> impl Iterator<Item = (i64, &[u8])> {
    row.iter().map(|cell| match cell {
        Value::Integer(number) => (*number, &[][..]),
        Value::Text(text) => (0, text.as_bytes()),
        Value::Blob(bytes) => (0, bytes.as_slice()),
        Value::Null | Value::Real(_) => (0, &[][..]),
    })
}

fn named(row: &Cells, key: usize) -> String {
    let cell = |cell: &Value| match cell {
        Value::Integer(number) => number.to_string(),
        Value::Text(text) => text.clone(),
        _ => "?".to_owned(),
    };
    row.iter().flatten().take(key).map(cell).collect::<Vec<_>>().join(" ")
}
