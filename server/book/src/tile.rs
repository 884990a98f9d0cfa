//! The tree over all leaf hashes, stored as full tiles of 256 hashes, so that a proof reads a few of them.
//!
//! Level 0 holds leaf hashes; a hash of level L is the root over one full tile of level L-1. What no full tile holds
//! yet is read from the entries. All of it can be made again from them.

use std::collections::HashMap;

use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_schema::Hash;
use tallyseal_schema::tree::{self, Frontier};

use crate::entries::{self, sql};
use crate::error::Fatal;

/// Hashes in a tile. Rule: C2SP tlog-tiles, whose tiles these are.
const WIDTH: u64 = 256;
/// Levels of the tree inside a tile: `WIDTH` is 2 to this.
const HEIGHT: u8 = 8;
/// Tiles kept from one proof to the next. Unit: tiles of 8 KiB.
const TILES_MAX: usize = 256;
/// Nodes kept from one proof to the next. Unit: nodes of some 50 bytes.
const NODES_MAX: usize = 65_536;

/// Fills tiles, leaf by leaf, and stores each that is full.
pub(crate) struct TileWriter {
    insert: &'static str,
    /// How many leaves there are.
    size: u64,
    /// For each level: the hashes of the tile that is not full yet.
    open: Vec<Vec<Hash>>,
}

impl TileWriter {
    /// For a book without an entry, into the views that are being made.
    pub(crate) fn into_new() -> Self {
        Self { insert: "INSERT INTO tile_new (level, idx, hashes) VALUES (?1, ?2, ?3)", size: 0, open: Vec::new() }
    }

    /// Goes on where the stored tiles of a book with `size` entries end.
    pub(crate) fn resume(conn: &Connection, size: u64) -> Result<Self, Fatal> {
        let mut known = Known::default();
        let mut tree = Tree::new(conn, &mut known);
        let mut open = Vec::new();
        let (mut level, mut total) = (0, size);
        while total > 0 {
            let hashes = (total - total % WIDTH..total).map(|i| tree.hash(level, i));
            open.push(hashes.collect::<Result<_, _>>()?);
            level += 1;
            total /= WIDTH;
        }
        Ok(Self { insert: "INSERT INTO tile (level, idx, hashes) VALUES (?1, ?2, ?3)", size, open })
    }

    /// Takes the next leaf.
    pub(crate) fn push(&mut self, conn: &Connection, leaf: Hash) -> Result<(), rusqlite::Error> {
        self.size += 1;
        let (mut hash, mut done) = (leaf, self.size);
        for level in 0_u8.. {
            let at = usize::from(level);
            if self.open.len() == at {
                self.open.push(Vec::with_capacity(WIDTH as usize));
            }
            let Some(tile) = self.open.get_mut(at) else { break };
            tile.push(hash);
            if tile.len() < WIDTH as usize {
                break;
            }
            done /= WIDTH;
            let bytes: Vec<u8> = tile.iter().flat_map(|hash| hash.0).collect();
            conn.prepare_cached(self.insert)?.execute(params![level, sql(done - 1), bytes])?;
            hash = tree::root(tile);
            tile.clear();
        }
        Ok(())
    }
}

/// What was read of the tree. It never changes once it is there, so it can be kept from one proof to the next.
#[derive(Default)]
pub(crate) struct Known {
    tiles: HashMap<(u8, u64), Vec<Hash>>,
    nodes: HashMap<(u8, u64), Hash>,
}

/// Reads the tree.
pub(crate) struct Tree<'c> {
    conn: &'c Connection,
    known: &'c mut Known,
}

impl<'c> Tree<'c> {
    pub(crate) fn new(conn: &'c Connection, known: &'c mut Known) -> Self {
        Self { conn, known }
    }

    /// The hash at `index` of a level of tiles. Only asked for where all its leaves exist.
    fn hash(&mut self, level: u8, index: u64) -> Result<Hash, Fatal> {
        if let Some(hash) = self.tile(level, index / WIDTH)?.and_then(|tile| tile.get((index % WIDTH) as usize)) {
            return Ok(*hash);
        }
        let Some(below) = level.checked_sub(1) else { return self.leaf(index) };
        let missing = || Fatal::damaged(None, format!("tile {index} of level {below} is missing; `rebuild` makes it"));
        Ok(tree::root(self.tile(below, index)?.ok_or_else(missing)?))
    }

    fn leaf(&self, n: u64) -> Result<Hash, Fatal> {
        let bytes = entries::bytes(self.conn, n)?.ok_or_else(|| Fatal::damaged(n, "it is missing"))?;
        Ok(Hash::leaf(&bytes))
    }

    fn tile(&mut self, level: u8, index: u64) -> Result<Option<&Vec<Hash>>, Fatal> {
        if !self.known.tiles.contains_key(&(level, index)) {
            let stored: Option<Vec<u8>> = self
                .conn
                .prepare_cached("SELECT hashes FROM tile WHERE level = ?1 AND idx = ?2")?
                .query_row(params![level, sql(index)], |row| row.get(0))
                .optional()?;
            let Some(stored) = stored else { return Ok(None) };
            let (hashes, rest) = stored.as_chunks::<32>();
            if hashes.len() != WIDTH as usize || !rest.is_empty() {
                return Err(Fatal::damaged(None, format!("tile {index} of level {level} has no 256 hashes")));
            }
            if self.known.tiles.len() >= TILES_MAX {
                self.known.tiles.clear();
            }
            self.known.tiles.insert((level, index), hashes.iter().copied().map(Hash).collect());
        }
        Ok(self.known.tiles.get(&(level, index)))
    }

    /// The root of the full subtree over the `2^level` leaves that begin at leaf `index * 2^level`.
    fn node(&mut self, level: u8, index: u64) -> Result<Hash, Fatal> {
        if let Some(node) = self.known.nodes.get(&(level, index)) {
            return Ok(*node);
        }
        // A subtree of at most 128 hashes of a level of tiles lies inside one tile.
        let (tiles, inside) = (level / HEIGHT, level % HEIGHT);
        let hashes = (index << inside..(index + 1) << inside).map(|i| self.hash(tiles, i));
        let node = tree::root(&hashes.collect::<Result<Vec<_>, _>>()?);
        if self.known.nodes.len() >= NODES_MAX {
            self.known.nodes.clear();
        }
        self.known.nodes.insert((level, index), node);
        Ok(node)
    }

    /// The tree over the first `size` leaves.
    pub(crate) fn frontier(&mut self, size: u64) -> Result<Frontier, Fatal> {
        let mut bytes = size.to_be_bytes().to_vec();
        let mut from = 0;
        for level in (0..u64::BITS as u8).rev().filter(|level| size >> level & 1 == 1) {
            bytes.extend_from_slice(&self.node(level, from >> level)?.0);
            from += 1 << level;
        }
        Frontier::from_bytes(&bytes).ok_or_else(|| Fatal::damaged(None, "the book is larger than a book can be"))
    }

    /// The inclusion proof of entry `n` in the first `size` entries; `None` unless `n < size`.
    pub(crate) fn inclusion(&mut self, n: u64, size: u64) -> Result<Option<Vec<Hash>>, Fatal> {
        tree::inclusion_from(size, n, &mut |level, index| self.node(level, index))
    }

    /// The consistency proof between two sizes; `None` unless `0 < old <= new`.
    pub(crate) fn consistency(&mut self, old: u64, new: u64) -> Result<Option<Vec<Hash>>, Fatal> {
        tree::consistency_from(old, new, &mut |level, index| self.node(level, index))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store;

    /// A database with `size` entries that are no entries: the tree does not look inside.
    fn filled(size: u64) -> (Connection, Vec<Hash>, TileWriter) {
        let conn = Connection::open_in_memory().unwrap();
        store::make_tables(&conn).unwrap();
        conn.execute_batch(store::VIEWS_NEW).unwrap();
        let mut writer = TileWriter::into_new();
        let mut leaves = Vec::new();
        for n in 0..size {
            let bytes = n.to_string().into_bytes();
            let leaf = Hash::leaf(&bytes);
            conn.execute("INSERT INTO entry VALUES (?1, 'roll/R-1', ?2, ?3)", params![sql(n), sql(n + 1), bytes])
                .unwrap();
            writer.push(&conn, leaf).unwrap();
            leaves.push(leaf);
        }
        conn.execute_batch(store::VIEWS_SWAP).unwrap();
        (conn, leaves, writer)
    }

    #[test]
    fn roots_and_proofs_are_those_of_the_leaves() {
        let (conn, leaves, _) = filled(700);
        let mut known = Known::default();
        let mut tree = Tree::new(&conn, &mut known);
        for size in [1, 2, 3, 255, 256, 257, 511, 512, 513, 699, 700] {
            let leaves = &leaves[..size as usize];
            assert_eq!(tree.frontier(size).unwrap().root(), tree::root(leaves), "{size}");
            for n in [0, 1, size / 2, size - 1] {
                assert_eq!(tree.inclusion(n, size).unwrap(), tree::inclusion(leaves, n), "{n} in {size}");
                assert_eq!(tree.consistency(n + 1, size).unwrap(), tree::consistency(leaves, n + 1), "{n} to {size}");
            }
        }
        assert_eq!(tree.inclusion(700, 700).unwrap(), None);
        assert_eq!(tree.consistency(0, 700).unwrap(), None);
    }

    #[test]
    fn two_levels_of_tiles_are_one_tree() {
        let (conn, leaves, _) = filled(65_536 + 300);
        let mut known = Known::default();
        let mut tree = Tree::new(&conn, &mut known);
        let size = leaves.len() as u64;
        assert_eq!(tree.frontier(size).unwrap().root(), tree::root(&leaves));
        for n in [0, 65_535, 65_536, size - 1] {
            assert_eq!(tree.inclusion(n, size).unwrap(), tree::inclusion(&leaves, n), "{n}");
        }
        let stored: i64 = conn.query_row("SELECT count(*) FROM tile WHERE level = 1", [], |row| row.get(0)).unwrap();
        assert_eq!(stored, 1);
    }

    #[test]
    fn a_writer_goes_on_where_the_last_one_ended() {
        for size in [0, 1, 255, 256, 300, 512, 65_536 + 257] {
            let (conn, _, writer) = filled(size);
            let resumed = TileWriter::resume(&conn, size).unwrap();
            let mut open = writer.open;
            open.truncate(resumed.open.len());
            assert_eq!(resumed.open, open, "{size}");
            assert_eq!(resumed.size, size);
        }
    }
}
