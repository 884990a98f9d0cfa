//! What is remembered of the entries: streams with their states, the keys they are found under, numbers of things.
//!
//! The executor and the folding of a whole book go through the same code, so that the views of both are the same.
//! States that were changed in a batch are held and written once at its end; keys are written at once, so that a
//! set is always a query. Any failure drops all of it with the transaction.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_control::{Key, Record, VIEW_VERSION};
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::tree::Frontier;

use crate::entries::{name, sql, unsql};
use crate::error::Fatal;

/// Version of the tables themselves: raise it with every change to what they hold.
const TABLES_VERSION: u32 = 1;
/// States held from one batch to the next, by the length of their stored form. Unit: bytes, per generation; there are
/// two. A decoded state takes a few times its stored form.
const HELD_MAX: usize = 8 * 1024 * 1024;
/// What a held stream takes beside its state. Unit: bytes, roughly.
const HELD_EACH: usize = 512;

/// What the views of this software are called.
pub(crate) fn version() -> String {
    format!("{VIEW_VERSION}.{TABLES_VERSION}")
}

/// Of which version the stored views are; `None` where none were ever made.
pub(crate) fn stored_version(conn: &Connection) -> Result<Option<String>, rusqlite::Error> {
    conn.query_row("SELECT version FROM view WHERE id = 1", [], |row| row.get(0)).optional()
}

/// Says that the stored views are of this version.
pub(crate) fn store_version(conn: &Connection) -> Result<(), rusqlite::Error> {
    conn.execute(
        "INSERT INTO view (id, version) VALUES (1, ?1) ON CONFLICT (id) DO UPDATE SET version = excluded.version",
        [version()],
    )
    .map(|_| ())
}

/// A stream as it stands.
#[derive(Debug, Clone)]
pub(crate) struct Live {
    /// How many entries it has.
    pub(crate) rev: u64,
    /// The last of them.
    pub(crate) n: u64,
    /// The tree over their leaf hashes.
    pub(crate) frontier: Frontier,
    /// What is remembered of it.
    pub(crate) record: Record,
}

/// The statements, for one set of table names.
struct Texts {
    stream: String,
    put_stream: String,
    set: String,
    put_key: String,
    drop_key: String,
    count: String,
    put_count: String,
}

impl Texts {
    fn new(suffix: &str) -> Self {
        Self {
            stream: format!("SELECT rev, n, frontier, record FROM stream{suffix} WHERE stream = ?1"),
            put_stream: format!(
                "INSERT INTO stream{suffix} (stream, rev, n, frontier, record) VALUES (?1, ?2, ?3, ?4, ?5)
                 ON CONFLICT (stream) DO UPDATE SET
                 rev = excluded.rev, n = excluded.n, frontier = excluded.frontier, record = excluded.record"
            ),
            set: format!("SELECT stream FROM stream_key{suffix} WHERE key = ?1 ORDER BY stream"),
            put_key: format!("INSERT INTO stream_key{suffix} (key, stream) VALUES (?1, ?2)"),
            drop_key: format!("DELETE FROM stream_key{suffix} WHERE key = ?1 AND stream = ?2"),
            count: format!("SELECT count FROM thing_count{suffix} WHERE thing = ?1"),
            put_count: format!(
                "INSERT INTO thing_count{suffix} (thing, count) VALUES (?1, ?2)
                 ON CONFLICT (thing) DO UPDATE SET count = excluded.count"
            ),
        }
    }
}

/// A held stream, with the keys that it is stored under.
struct Held {
    live: Live,
    keys: Vec<Key>,
}

/// The views, as one writer sees them.
pub(crate) struct Views {
    texts: Texts,
    /// Held states in two generations: what is not used while the younger one fills up is let go.
    young: HashMap<Stream, Held>,
    old: HashMap<Stream, Held>,
    /// Bytes that went into the younger generation, a state that was stored again counted again: so also a few states
    /// that change all the time let the others go, which then are loaded again.
    weight: usize,
    /// Streams whose row is older than what is held. In order, so that a new row's place does not depend on chance.
    dirty: BTreeMap<u64, Stream>,
    counts: BTreeMap<String, u64>,
    dirty_counts: BTreeSet<String>,
}

impl Views {
    /// The views in their place.
    pub(crate) fn in_place() -> Self {
        Self::with("")
    }

    /// The views that are being made.
    pub(crate) fn into_new() -> Self {
        Self::with("_new")
    }

    fn with(suffix: &str) -> Self {
        Self {
            texts: Texts::new(suffix),
            young: HashMap::new(),
            old: HashMap::new(),
            weight: 0,
            dirty: BTreeMap::new(),
            counts: BTreeMap::new(),
            dirty_counts: BTreeSet::new(),
        }
    }

    /// A stream as it stands; `None` where it has no entry.
    pub(crate) fn live(&mut self, conn: &Connection, stream: &Stream) -> Result<Option<&Live>, Fatal> {
        if !self.young.contains_key(stream) {
            let held = match self.old.remove(stream) {
                Some(held) => held,
                None => match load(conn, &self.texts.stream, stream)? {
                    Some((live, length)) => {
                        self.weight += HELD_EACH + length;
                        Held { keys: live.record.keys(stream), live }
                    }
                    None => return Ok(None),
                },
            };
            self.young.insert(stream.clone(), held);
        }
        Ok(self.young.get(stream).map(|held| &held.live))
    }

    /// The streams that carry a key, in ascending order.
    pub(crate) fn set(&self, conn: &Connection, key: &Key) -> Result<Vec<Stream>, Fatal> {
        read_set(conn, &self.texts.set, key)
    }

    /// How many streams of a thing there are.
    pub(crate) fn count(&mut self, conn: &Connection, thing: Thing) -> Result<u64, Fatal> {
        self.count_of(conn, thing.as_str())
    }

    fn count_of(&mut self, conn: &Connection, thing: &str) -> Result<u64, Fatal> {
        if let Some(count) = self.counts.get(thing) {
            return Ok(*count);
        }
        let stored = conn.prepare_cached(&self.texts.count)?.query_row([thing], |row| row.get(0)).optional()?;
        let count = stored.map_or(0, unsql);
        self.counts.insert(thing.to_owned(), count);
        Ok(count)
    }

    /// A stream stands differently now.
    pub(crate) fn put(&mut self, conn: &Connection, stream: Stream, live: Live) -> Result<(), Fatal> {
        let before = self.live(conn, &stream)?.map(|live| live.n);
        let held = self.young.remove(&stream);
        if before.is_none() {
            let count = self.count_of(conn, stream.thing())?;
            self.counts.insert(stream.thing().to_owned(), count.saturating_add(1));
            self.dirty_counts.insert(stream.thing().to_owned());
        }
        let keys = live.record.keys(&stream);
        let old_keys = held.map(|held| held.keys).unwrap_or_default();
        for key in old_keys.iter().filter(|key| keys.binary_search(key).is_err()) {
            conn.prepare_cached(&self.texts.drop_key)?.execute(params![key.0, stream.as_str()])?;
        }
        for key in keys.iter().filter(|key| old_keys.binary_search(key).is_err()) {
            conn.prepare_cached(&self.texts.put_key)?.execute(params![key.0, stream.as_str()])?;
        }
        // A stream is in `dirty` under the last entry it had when it was put; it must not be there twice.
        if let Some(before) = before {
            self.dirty.remove(&before);
        }
        self.dirty.insert(live.n, stream.clone());
        self.young.insert(stream, Held { live, keys });
        Ok(())
    }

    /// Writes what was held back. Called at the end of each batch, inside its transaction.
    pub(crate) fn flush(&mut self, conn: &Connection) -> Result<(), Fatal> {
        for stream in std::mem::take(&mut self.dirty).into_values() {
            let Some(Held { live, .. }) = self.young.get(&stream).or_else(|| self.old.get(&stream)) else {
                return Err(Fatal::Panic(format!("the state of {stream} was let go before it was written")));
            };
            let record = serde_json::to_string(&live.record)
                .map_err(|error| Fatal::Panic(format!("the state of {stream} cannot be stored: {error}")))?;
            self.weight += HELD_EACH + record.len();
            conn.prepare_cached(&self.texts.put_stream)?.execute(params![
                stream.as_str(),
                sql(live.rev),
                sql(live.n),
                live.frontier.to_bytes(),
                record
            ])?;
        }
        for thing in std::mem::take(&mut self.dirty_counts) {
            let count = self.counts.get(&thing).copied().unwrap_or(0);
            conn.prepare_cached(&self.texts.put_count)?.execute(params![thing, sql(count)])?;
        }
        // Only here, where nothing is held that is not stored as well.
        if self.weight > HELD_MAX {
            self.weight = 0;
            self.old = std::mem::take(&mut self.young);
        }
        Ok(())
    }
}

/// A stored stream, and the length of its stored state.
fn load(conn: &Connection, text: &str, stream: &Stream) -> Result<Option<(Live, usize)>, Fatal> {
    let row = conn
        .prepare_cached(text)?
        .query_row([stream.as_str()], |row| {
            let (frontier, record): (Vec<u8>, String) = (row.get(2)?, row.get(3)?);
            Ok((unsql(row.get(0)?), unsql(row.get(1)?), frontier, record))
        })
        .optional()?;
    let Some((rev, n, frontier, record)) = row else { return Ok(None) };
    let damaged =
        |what: &str| Fatal::damaged(None, format!("what is remembered of {stream} {what}; `rebuild` makes it"));
    let frontier = Frontier::from_bytes(&frontier)
        .filter(|frontier| frontier.size() == rev)
        .ok_or_else(|| damaged("contradicts itself"))?;
    let length = record.len();
    let record = serde_json::from_str(&record).map_err(|error| damaged(&format!("cannot be read ({error})")))?;
    Ok(Some((Live { rev, n, frontier, record }, length)))
}

/// A stream as it stands in the database.
pub(crate) fn read_live(conn: &Connection, stream: &Stream) -> Result<Option<Live>, Fatal> {
    let loaded = load(conn, "SELECT rev, n, frontier, record FROM stream WHERE stream = ?1", stream)?;
    Ok(loaded.map(|(live, _)| live))
}

/// A set as it stands in the database.
pub(crate) fn read_set(conn: &Connection, text: &str, key: &Key) -> Result<Vec<Stream>, Fatal> {
    let mut statement = conn.prepare_cached(text)?;
    let rows = statement.query_map([&key.0], |row| name(0, &row.get::<_, String>(0)?))?;
    Ok(rows.collect::<Result<_, _>>()?)
}
