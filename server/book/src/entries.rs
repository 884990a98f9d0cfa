//! The table of entries, and the row that says where it ends.

use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_schema::Hash;
use tallyseal_schema::entry::Header;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::tree::Frontier;

use crate::error::Fatal;
use crate::order::LastChange;

/// An entry that is about to be stored.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) n: u64,
    pub(crate) stream: Stream,
    pub(crate) rev: u64,
    pub(crate) kind: &'static str,
    pub(crate) bytes: Vec<u8>,
    pub(crate) leaf: Hash,
}

/// SQLite's integers are signed; positions end at 2^53-1, so none is lost.
pub(crate) fn sql(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Back from [`sql`]; a stored negative number is damage that the caller's next check sees as a wrong position.
pub(crate) fn unsql(n: i64) -> u64 {
    u64::try_from(n).unwrap_or(u64::MAX)
}

/// Stores one entry.
pub(crate) fn insert(conn: &Connection, line: &Line) -> Result<(), rusqlite::Error> {
    conn.prepare_cached("INSERT INTO entry (n, stream, rev, bytes) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![sql(line.n), line.stream.as_str(), sql(line.rev), line.bytes])
        .map(|_| ())
}

/// The bytes of an entry.
pub(crate) fn bytes(conn: &Connection, n: u64) -> Result<Option<Vec<u8>>, rusqlite::Error> {
    conn.prepare_cached("SELECT bytes FROM entry WHERE n = ?1")?.query_row([sql(n)], |row| row.get(0)).optional()
}

/// The header of an entry that is known to be there.
pub(crate) fn header(conn: &Connection, n: u64) -> Result<Header, Fatal> {
    let bytes = bytes(conn, n)?.ok_or_else(|| Fatal::damaged(n, "it is missing"))?;
    let (header, _) = Header::read(&bytes).map_err(|error| Fatal::entry(n, &error))?;
    Ok(header)
}

/// What an entry was, for somebody who has not seen it.
pub(crate) fn last_change(conn: &Connection, n: u64) -> Result<LastChange, Fatal> {
    let header = header(conn, n)?;
    Ok(LastChange { kind: header.kind, by: header.by, at: header.at })
}

/// Where the book ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Head {
    /// Leaf hash of the last entry; zeros where there is none.
    pub(crate) leaf: Hash,
    /// The tree over all leaf hashes.
    pub(crate) frontier: Frontier,
}

impl Head {
    /// Of a book without an entry.
    pub(crate) fn new() -> Self {
        Self { leaf: Hash::ZERO, frontier: Frontier::new() }
    }

    /// How many entries there are: the `n` of the next.
    pub(crate) fn size(&self) -> u64 {
        self.frontier.size()
    }

    /// The `n` of the last entry. Only asked of a book that has one.
    pub(crate) fn n(&self) -> u64 {
        self.size().saturating_sub(1)
    }

    /// An entry was added.
    pub(crate) fn push(&mut self, leaf: Hash) {
        self.leaf = leaf;
        self.frontier.push(leaf);
    }

    /// Stores it.
    pub(crate) fn store(&self, conn: &Connection) -> Result<(), rusqlite::Error> {
        conn.prepare_cached(
            "INSERT INTO head (id, n, leaf, frontier) VALUES (1, ?1, ?2, ?3)
             ON CONFLICT (id) DO UPDATE SET n = excluded.n, leaf = excluded.leaf, frontier = excluded.frontier",
        )?
        .execute(params![sql(self.n()), self.leaf.0, self.frontier.to_bytes()])
        .map(|_| ())
    }

    /// Reads it; `None` where no entry was ever stored.
    pub(crate) fn load(conn: &Connection) -> Result<Option<Self>, Fatal> {
        let row = conn
            .prepare_cached("SELECT n, leaf, frontier FROM head WHERE id = 1")?
            .query_row([], |row| {
                let frontier: Vec<u8> = row.get(2)?;
                Ok((unsql(row.get(0)?), Hash(row.get(1)?), frontier))
            })
            .optional()?;
        let Some((n, leaf, frontier)) = row else { return Ok(None) };
        let frontier = Frontier::from_bytes(&frontier)
            .filter(|frontier| frontier.size() == n.saturating_add(1))
            .ok_or_else(|| Fatal::damaged(None, "the stored head contradicts itself"))?;
        Ok(Some(Self { leaf, frontier }))
    }
}

/// A text column that holds one of our names.
pub(crate) fn name<T: std::str::FromStr>(column: usize, text: &str) -> Result<T, rusqlite::Error>
where
    T::Err: std::error::Error + Send + Sync + 'static,
{
    text.parse().map_err(|error| rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error)))
}
