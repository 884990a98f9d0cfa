//! The tree over all entries, put together from the subtrees that the reading threads made.

use std::collections::BTreeMap;

use tallyseal_schema::Hash;
use tallyseal_schema::tree::Frontier;

use crate::chunk::{CHUNK, Chunk};

/// The roots of the book's tree at every size that somebody asks for.
pub(crate) struct TreeRun {
    /// The tree whose leaves are the roots of full chunks: its right edge is that of the whole tree.
    full: Frontier,
    size: u64,
    root: Hash,
    pub(crate) roots: BTreeMap<u64, Hash>,
    broken: bool,
}

impl TreeRun {
    /// The tree without entries.
    pub(crate) fn new() -> Self {
        let empty = Frontier::new().root();
        Self { full: Frontier::new(), size: 0, root: empty, roots: BTreeMap::from([(0, empty)]), broken: false }
    }

    /// The next chunk.
    pub(crate) fn chunk(&mut self, chunk: &Chunk) {
        if self.broken || chunk.before != self.size || !chunk.before.is_multiple_of(CHUNK) {
            self.broken = true;
            return;
        }
        self.broken = chunk.broken;
        for (size, cut) in &chunk.cuts {
            if let Some(root) = self.with(cut).map(|tree| tree.root()) {
                self.roots.insert(*size, root);
            }
        }
        let Some(tree) = self.with(&chunk.subtree) else {
            self.broken = true;
            return;
        };
        self.size += chunk.subtree.size();
        self.root = tree.root();
        if chunk.subtree.size() == CHUNK {
            self.full.push(chunk.subtree.root());
        }
    }

    /// The whole tree after all full chunks and `part` of the next one: one edge beside the other.
    fn with(&self, part: &Frontier) -> Option<Frontier> {
        let size = self.full.size().checked_mul(CHUNK)?.checked_add(part.size())?;
        if part.size() == CHUNK {
            let mut full = self.full.clone();
            full.push(part.root());
            return joined(size, &full, &Frontier::new());
        }
        joined(size, &self.full, part)
    }

    /// Size and root of the tree over all entries; nothing where one of them is missing.
    pub(crate) fn whole(&self) -> Option<(u64, Hash)> {
        (!self.broken).then_some((self.size, self.root))
    }

    /// Up to where the tree could be made.
    pub(crate) fn size(&self) -> u64 {
        self.size
    }
}

/// A tree of `size` leaves from the edge of its full chunks and the edge of what follows them.
fn joined(size: u64, full: &Frontier, part: &Frontier) -> Option<Frontier> {
    let edge = |frontier: &Frontier| frontier.to_bytes().get(8..).unwrap_or_default().to_vec();
    let bytes = [size.to_be_bytes().to_vec(), edge(full), edge(part)].concat();
    Frontier::from_bytes(&bytes)
}

#[cfg(test)]
mod tests {
    use tallyseal_schema::tree;

    use super::*;

    #[test]
    fn the_joined_tree_is_the_tree_over_all_leaves() {
        let leaves: Vec<Hash> = (0..2_600_u32).map(|i| Hash::leaf(&i.to_be_bytes())).collect();
        let wanted = [1, 2, 1_023, 1_024, 1_025, 2_000, 2_047, 2_048, 2_049, 2_600];
        for len in wanted {
            let mut run = TreeRun::new();
            for (i, part) in leaves[..len].chunks(CHUNK as usize).enumerate() {
                let mut chunk = Chunk { before: i as u64 * CHUNK, ..Chunk::default() };
                for leaf in part {
                    chunk.subtree.push(*leaf);
                    let size = chunk.before + chunk.subtree.size();
                    if wanted.contains(&(size as usize)) {
                        chunk.cuts.push((size, chunk.subtree.clone()));
                    }
                }
                run.chunk(&chunk);
            }
            assert_eq!(run.whole(), Some((len as u64, tree::root(&leaves[..len]))));
            for size in wanted.into_iter().filter(|size| *size <= len) {
                assert_eq!(run.roots.get(&(size as u64)), Some(&tree::root(&leaves[..size])), "{size} of {len}");
            }
        }
    }

    #[test]
    fn a_missing_chunk_ends_the_tree() {
        let mut run = TreeRun::new();
        let mut chunk = Chunk { before: CHUNK, ..Chunk::default() };
        chunk.subtree.push(Hash::ZERO);
        run.chunk(&chunk);
        assert_eq!((run.whole(), run.size()), (None, 0));
    }
}
