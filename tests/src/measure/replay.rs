//! The reference for commands: the rows that ours wrote, put into the same tables by plain SQL in the same batches.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::{Duration, Instant};

use rusqlite::{Connection, params};
use tallyseal_control::{Key, Record, evolve};
use tallyseal_schema::tree::{Frontier, root};
use tallyseal_schema::{Entry, Hash, Stream};

/// Hashes in a stored tile of the tree.
const TILE: usize = 256;
/// The log is carried over after so many entries, as ours does.
const LOG_ENTRIES: usize = 1_000;

/// A row of the table of streams.
struct StreamRow {
    stream: String,
    rev: i64,
    n: i64,
    frontier: Vec<u8>,
    record: String,
}

/// A row of the table of acts: act, request, first and last entry.
type ActRow = (Vec<u8>, Vec<u8>, i64, i64);

/// What one transaction writes.
#[derive(Default)]
pub struct Batch {
    entries: Vec<(i64, String, i64, Vec<u8>)>,
    acts: Vec<ActRow>,
    streams: Vec<StreamRow>,
    keys_gone: Vec<(String, String)>,
    keys_new: Vec<(String, String)>,
    counts: Vec<(String, i64)>,
    tiles: Vec<(i64, i64, Vec<u8>)>,
    head: (i64, Vec<u8>, Vec<u8>),
}

/// A stream while the rows are worked out.
struct Live {
    n: i64,
    rev: u64,
    frontier: Frontier,
    record: Record,
    keys: Vec<Key>,
}

/// Works out what ours wrote from entry `from` on, in the transactions that ended at these sizes of the book.
pub fn rows(dir: &Path, from: u64, ends: &BTreeSet<u64>) -> Vec<Batch> {
    let db = Connection::open(dir.join("book.db")).unwrap();
    let mut acts: BTreeMap<i64, Vec<ActRow>> = BTreeMap::new();
    {
        let mut statement = db.prepare("SELECT act, request, first, n FROM act").unwrap();
        let mut rows = statement.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let act = (row.get(0).unwrap(), row.get(1).unwrap(), row.get(2).unwrap(), row.get(3).unwrap());
            acts.entry(act.3).or_default().push(act);
        }
    }
    let mut batches = Vec::new();
    let mut batch = Batch::default();
    let mut lives: BTreeMap<Stream, Live> = BTreeMap::new();
    let mut changed: BTreeSet<Stream> = BTreeSet::new();
    let mut counts: BTreeMap<String, i64> = BTreeMap::new();
    let (mut tree, mut leaves) = (Frontier::new(), Vec::new());
    let mut statement = db.prepare("SELECT n, bytes FROM entry ORDER BY n").unwrap();
    let mut rows = statement.query([]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let (n, bytes): (i64, Vec<u8>) = (row.get(0).unwrap(), row.get(1).unwrap());
        let entry = Entry::read(&bytes).unwrap();
        let leaf = Hash::leaf(&bytes);
        let stream = entry.header.stream.clone();
        let before = lives.remove(&stream);
        if before.is_none() {
            *counts.entry(stream.thing().to_owned()).or_default() += 1;
        }
        let (mut frontier, old, record) = match before {
            Some(live) => (live.frontier, live.keys, Some(live.record)),
            None => (Frontier::new(), Vec::new(), None),
        };
        frontier.push(leaf);
        let record = evolve(record, &entry).unwrap();
        let keys = record.keys(&stream);
        let pair = |key: &Key| (key.0.clone(), stream.as_str().to_owned());
        batch.keys_gone.extend(old.iter().filter(|key| !keys.contains(key)).map(pair));
        batch.keys_new.extend(keys.iter().filter(|key| !old.contains(key)).map(pair));
        if old.is_empty() {
            let thing = stream.thing().to_owned();
            batch.counts.push((thing.clone(), counts[&thing]));
        }
        lives.insert(stream.clone(), Live { n, rev: entry.header.rev, frontier, record, keys });
        tree.push(leaf);
        leaves.push(leaf);
        batch.tiles.extend(full_tiles(&leaves));
        batch.entries.push((n, stream.as_str().to_owned(), entry.header.rev as i64, bytes));
        batch.acts.extend(acts.remove(&n).into_iter().flatten());
        changed.insert(stream);
        let size = n as u64 + 1;
        if size < from {
            continue;
        }
        if size == from {
            // What was there before is in the database already.
            (batch, changed) = (Batch::default(), BTreeSet::new());
        } else if ends.contains(&size) {
            batch.streams.extend(std::mem::take(&mut changed).into_iter().map(|stream| {
                let live = &lives[&stream];
                StreamRow {
                    stream: stream.as_str().to_owned(),
                    rev: live.rev as i64,
                    n: live.n,
                    frontier: live.frontier.to_bytes(),
                    record: serde_json::to_string(&live.record).unwrap(),
                }
            }));
            batch.head = (n, leaf.0.to_vec(), tree.to_bytes());
            batches.push(std::mem::take(&mut batch));
        }
    }
    batches
}

/// The tiles that the last leaf fills.
fn full_tiles(leaves: &[Hash]) -> Vec<(i64, i64, Vec<u8>)> {
    let mut tiles = Vec::new();
    let bytes = |hashes: &[Hash]| hashes.iter().flat_map(|hash| hash.0).collect::<Vec<u8>>();
    if leaves.len().is_multiple_of(TILE) {
        tiles.push((0, (leaves.len() / TILE - 1) as i64, bytes(&leaves[leaves.len() - TILE..])));
    }
    if leaves.len().is_multiple_of(TILE * TILE) {
        let roots: Vec<Hash> = leaves[leaves.len() - TILE * TILE..].chunks(TILE).map(root).collect();
        tiles.push((1, (leaves.len() / (TILE * TILE) - 1) as i64, bytes(&roots)));
    }
    tiles
}

/// Writes them to the database in `dir`, which stands where ours began, with the same durability. Gives the time.
pub fn write(dir: &Path, batches: &[Batch]) -> Duration {
    let db = Connection::open(dir.join("book.db")).unwrap();
    let mode: String = db.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal");
    for (name, value) in [
        ("synchronous", 2),
        ("wal_autocheckpoint", 0),
        ("recursive_triggers", 1),
        ("cache_size", -32_768),
        ("mmap_size", 0),
    ] {
        db.pragma_update(None, name, value).unwrap();
    }
    db.set_prepared_statement_cache_capacity(64);
    let mut logged = 0;
    let begin = Instant::now();
    for batch in batches {
        transaction(&db, batch);
        logged += batch.entries.len();
        if logged >= LOG_ENTRIES {
            db.prepare_cached("PRAGMA wal_checkpoint(PASSIVE)").unwrap().query_row([], |_| Ok(())).unwrap();
            logged = 0;
        }
    }
    begin.elapsed()
}

fn transaction(db: &Connection, batch: &Batch) {
    let run = |sql: &str, row: &[&dyn rusqlite::ToSql]| {
        db.prepare_cached(sql).unwrap().execute(row).unwrap();
    };
    run("BEGIN IMMEDIATE", &[]);
    for (n, stream, rev, bytes) in &batch.entries {
        run("INSERT INTO entry (n, stream, rev, bytes) VALUES (?1, ?2, ?3, ?4)", params![n, stream, rev, bytes]);
    }
    for (act, request, first, n) in &batch.acts {
        let none: Option<&str> = None;
        run(
            "INSERT INTO act (act, request, first, n, refusal) VALUES (?1, ?2, ?3, ?4, ?5)",
            params![act, request, first, n, none],
        );
    }
    for (key, stream) in &batch.keys_gone {
        run("DELETE FROM stream_key WHERE key = ?1 AND stream = ?2", params![key, stream]);
    }
    for (key, stream) in &batch.keys_new {
        run("INSERT INTO stream_key (key, stream) VALUES (?1, ?2)", params![key, stream]);
    }
    for StreamRow { stream, rev, n, frontier, record } in &batch.streams {
        run(
            "INSERT INTO stream (stream, rev, n, frontier, record) VALUES (?1, ?2, ?3, ?4, ?5)
             ON CONFLICT (stream) DO UPDATE SET
             rev = excluded.rev, n = excluded.n, frontier = excluded.frontier, record = excluded.record",
            params![stream, rev, n, frontier, record],
        );
    }
    for (thing, count) in &batch.counts {
        run(
            "INSERT INTO thing_count (thing, count) VALUES (?1, ?2)
             ON CONFLICT (thing) DO UPDATE SET count = excluded.count",
            params![thing, count],
        );
    }
    for (level, index, hashes) in &batch.tiles {
        run("INSERT INTO tile (level, idx, hashes) VALUES (?1, ?2, ?3)", params![level, index, hashes]);
    }
    let (n, leaf, frontier) = &batch.head;
    run(
        "INSERT INTO head (id, n, leaf, frontier) VALUES (1, ?1, ?2, ?3)
         ON CONFLICT (id) DO UPDATE SET n = excluded.n, leaf = excluded.leaf, frontier = excluded.frontier",
        params![n, leaf, frontier],
    );
    run("COMMIT", &[]);
}
