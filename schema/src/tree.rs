//! The Merkle tree over leaf hashes, its proofs, and the compact right edge that lets it grow.
//!
//! Rule: RFC 6962 section 2.1 for the tree, RFC 9162 sections 2.1.3 and 2.1.4 for proofs; `FORMAT.md` section 2.
//! The tree of the whole book and the root of one stream are the same tree over different leaves.

use std::convert::Infallible;
use std::fmt;

use crate::hash::Hash;

/// How large a tree may be: positions are numbers of the record, which end at 2^53-1.
const SIZE_MAX: u64 = 1 << 53;

/// The root over `leaves`. Rule: RFC 6962 section 2.1; of no leaves `SHA-256("")`.
pub fn root(leaves: &[Hash]) -> Hash {
    let mut frontier = Frontier::new();
    for leaf in leaves {
        frontier.push(*leaf);
    }
    frontier.root()
}

/// A tree that only grows, held as its size and the roots of the full subtrees along its right edge.
///
/// Shape: one hash per one-bit of the size, the largest subtree first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Frontier {
    size: u64,
    edge: Vec<Hash>,
}

impl Frontier {
    /// The tree without leaves.
    pub fn new() -> Self {
        Self::default()
    }

    /// Appends one leaf hash.
    pub fn push(&mut self, leaf: Hash) {
        let mut node = leaf;
        for _ in 0..self.size.trailing_ones() {
            // The edge holds one hash per one-bit, so there is one to pop for each.
            if let Some(left) = self.edge.pop() {
                node = Hash::node(&left, &node);
            }
        }
        self.edge.push(node);
        self.size += 1;
    }

    /// How many leaves it has.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The root over all leaves so far.
    pub fn root(&self) -> Hash {
        self.edge.iter().copied().rev().reduce(|right, left| Hash::node(&left, &right)).unwrap_or_else(|| Hash::of(b""))
    }

    /// For storage: the size as 8 bytes, highest first, then the hashes of the edge.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = self.size.to_be_bytes().to_vec();
        out.extend(self.edge.iter().flat_map(|hash| hash.0));
        out
    }

    /// Back from [`Frontier::to_bytes`]; `None` where the number of hashes does not fit the size, or the size is
    /// beyond what a book can number.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (size, hashes) = bytes.split_first_chunk::<8>()?;
        let size = u64::from_be_bytes(*size);
        let (edge, rest) = hashes.as_chunks::<32>();
        let fits = size <= SIZE_MAX && rest.is_empty() && edge.len() == size.count_ones() as usize;
        fits.then(|| Self { size, edge: edge.iter().copied().map(Hash).collect() })
    }
}

/// What a stored tree is asked for: `node(level, i)` is the root of the full subtree over the `2^level` leaves that
/// begin at leaf `i * 2^level`. Only subtrees whose leaves all exist are ever asked for.
pub type NodeOf<'a, E> = dyn FnMut(u8, u64) -> Result<Hash, E> + 'a;

/// The root over the leaves `[start, start + len)` of a stored tree; `start` is a multiple of the smallest power of
/// two that is at least `len`, as it is for every subtree of RFC 6962.
fn range_root<E>(start: u64, len: u64, node: &mut NodeOf<'_, E>) -> Result<Hash, E> {
    // The full subtrees of a ragged range, from the left, are the one-bits of its length; joined from the right.
    let mut full = Vec::new();
    let (mut at, mut left) = (start, len);
    while left > 0 {
        let level = left.ilog2();
        full.push(node(level as u8, at >> level)?);
        at += 1 << level;
        left -= 1 << level;
    }
    Ok(full.into_iter().rev().reduce(|right, left| Hash::node(&left, &right)).unwrap_or_else(|| Hash::of(b"")))
}

/// The largest power of two below `len`. Range: `len` at least 2.
fn split(len: u64) -> u64 {
    1 << (len.saturating_sub(1)).max(1).ilog2()
}

/// The inclusion proof of leaf `index` in the first `size` leaves of a stored tree; `None` unless `index < size`.
///
/// Errors: what `node` returns. Rule: RFC 9162 section 2.1.3.1.
pub fn inclusion_from<E>(size: u64, index: u64, node: &mut NodeOf<'_, E>) -> Result<Option<Vec<Hash>>, E> {
    if index >= size || size > SIZE_MAX {
        return Ok(None);
    }
    let mut path = Vec::new();
    let (mut start, mut len) = (0, size);
    while len > 1 {
        let left = split(len);
        if index - start < left {
            path.push(range_root(start + left, len - left, node)?);
            len = left;
        } else {
            path.push(range_root(start, left, node)?);
            start += left;
            len -= left;
        }
    }
    path.reverse();
    Ok(Some(path))
}

/// The consistency proof from the first `old` to the first `new` leaves of a stored tree; `None` unless
/// `0 < old <= new`.
///
/// Errors: what `node` returns. Rule: RFC 9162 section 2.1.4.1.
pub fn consistency_from<E>(old: u64, new: u64, node: &mut NodeOf<'_, E>) -> Result<Option<Vec<Hash>>, E> {
    if old == 0 || old > new || new > SIZE_MAX {
        return Ok(None);
    }
    let mut path = Vec::new();
    let (mut start, mut len) = (0, new);
    // Down to the subtree that ends where the old tree ended.
    while start + len != old {
        let left = split(len);
        if old - start <= left {
            path.push(range_root(start + left, len - left, node)?);
            len = left;
        } else {
            path.push(range_root(start, left, node)?);
            start += left;
            len -= left;
        }
    }
    // Where that subtree is the whole old tree, the verifier knows its root already.
    if start > 0 {
        path.push(range_root(start, len, node)?);
    }
    path.reverse();
    Ok(Some(path))
}

/// The root of a full subtree of `leaves`. Only asked for ranges that exist; the empty root otherwise.
fn node_of(leaves: &[Hash], level: u8, index: u64) -> Result<Hash, Infallible> {
    let wanted = usize::try_from(index << level).ok().zip(1_usize.checked_shl(u32::from(level)));
    let range = wanted.and_then(|(from, len)| leaves.get(from..from.checked_add(len)?));
    Ok(root(range.unwrap_or_default()))
}

/// The inclusion proof of leaf `index` in the tree over `leaves`; `None` where there is no such leaf.
///
/// Rule: RFC 9162 section 2.1.3.1.
pub fn inclusion(leaves: &[Hash], index: u64) -> Option<Vec<Hash>> {
    let Ok(path) = inclusion_from(leaves.len() as u64, index, &mut |level, i| node_of(leaves, level, i));
    path
}

/// The consistency proof from the first `old` leaves to all of `leaves`; `None` unless `0 < old <= leaves.len()`.
///
/// Rule: RFC 9162 section 2.1.4.1.
pub fn consistency(leaves: &[Hash], old: u64) -> Option<Vec<Hash>> {
    let Ok(path) = consistency_from(old, leaves.len() as u64, &mut |level, i| node_of(leaves, level, i));
    path
}

/// Why a proof does not hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProofError {
    /// The positions cannot be: a leaf outside the tree, an old tree larger than the new one, or an empty old tree.
    Position,
    /// Fewer or more hashes than a proof for these positions has.
    Length,
    /// The hashes do not lead to the root (of the older tree, where it is a consistency proof).
    Root,
    /// The hashes do not lead to the root of the newer tree.
    NewRoot,
}

impl fmt::Display for ProofError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Position => "the proof is for positions that cannot be",
            Self::Length => "the proof has too few or too many hashes",
            Self::Root => "the proof does not lead to the root",
            Self::NewRoot => "the proof does not lead to the newer root",
        })
    }
}

impl std::error::Error for ProofError {}

/// Checks that `leaf` stands at `index` in the tree of `size` leaves with this `root`.
///
/// Errors: [`ProofError`]. Rule: RFC 9162 section 2.1.3.2.
pub fn verify_inclusion(leaf: &Hash, index: u64, size: u64, path: &[Hash], root: &Hash) -> Result<(), ProofError> {
    if index >= size {
        return Err(ProofError::Position);
    }
    // Names as in the RFC, which calls them fn, sn and r.
    let (mut first, mut second, mut hash) = (index, size - 1, *leaf);
    for step in path {
        if second == 0 {
            return Err(ProofError::Length);
        }
        if first & 1 == 1 || first == second {
            hash = Hash::node(step, &hash);
            while first & 1 == 0 && first != 0 {
                first >>= 1;
                second >>= 1;
            }
        } else {
            hash = Hash::node(&hash, step);
        }
        first >>= 1;
        second >>= 1;
    }
    match (second == 0, hash == *root) {
        (false, _) => Err(ProofError::Length),
        (true, false) => Err(ProofError::Root),
        (true, true) => Ok(()),
    }
}

/// Checks that the tree of `new` leaves begins with the tree of `old` leaves.
///
/// Nothing is proved from an empty tree, so `old` is at least 1. Equal sizes need equal roots and an empty path.
///
/// Errors: [`ProofError`]. Rule: RFC 9162 section 2.1.4.2.
pub fn verify_consistency(
    old: u64,
    old_root: &Hash,
    new: u64,
    new_root: &Hash,
    path: &[Hash],
) -> Result<(), ProofError> {
    if old == 0 || old > new {
        return Err(ProofError::Position);
    }
    if old == new {
        return match (path.is_empty(), old_root == new_root) {
            (false, _) => Err(ProofError::Length),
            (true, false) => Err(ProofError::NewRoot),
            (true, true) => Ok(()),
        };
    }
    // An old tree that is one full subtree is where the path starts; it is not sent.
    let (seed, path) = if old.is_power_of_two() {
        (*old_root, path)
    } else {
        let (seed, rest) = path.split_first().ok_or(ProofError::Length)?;
        (*seed, rest)
    };
    let (mut first, mut second) = (old - 1, new - 1);
    let shift = first.trailing_ones();
    first >>= shift;
    second >>= shift;
    let (mut old_hash, mut new_hash) = (seed, seed);
    for step in path {
        if second == 0 {
            return Err(ProofError::Length);
        }
        if first & 1 == 1 || first == second {
            old_hash = Hash::node(step, &old_hash);
            new_hash = Hash::node(step, &new_hash);
            while first & 1 == 0 && first != 0 {
                first >>= 1;
                second >>= 1;
            }
        } else {
            new_hash = Hash::node(&new_hash, step);
        }
        first >>= 1;
        second >>= 1;
    }
    if second != 0 {
        return Err(ProofError::Length);
    }
    match (old_hash == *old_root, new_hash == *new_root) {
        (false, _) => Err(ProofError::Root),
        (true, false) => Err(ProofError::NewRoot),
        (true, true) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;

    fn hash(value: &Value) -> Hash {
        value.as_str().unwrap().parse().unwrap()
    }

    fn hashes(value: &Value) -> Vec<Hash> {
        value.as_array().unwrap().iter().map(hash).collect()
    }

    fn number(value: &Value) -> u64 {
        value.as_u64().unwrap()
    }

    /// Leaves as different from one another as hashes are.
    fn leaves(count: u64) -> Vec<Hash> {
        (0..count).map(|n| Hash::leaf(&n.to_be_bytes())).collect()
    }

    /// RFC 6962 section 2.1 word for word, as slow as it reads.
    fn root_by_definition(leaves: &[Hash]) -> Hash {
        match leaves {
            [] => Hash::of(b""),
            [leaf] => *leaf,
            _ => {
                let k = leaves.len().next_power_of_two() / 2;
                Hash::node(&root_by_definition(&leaves[..k]), &root_by_definition(&leaves[k..]))
            }
        }
    }

    #[test]
    fn roots_and_proofs_are_the_known_answers_of_the_record_format() {
        let vectors: Value = serde_json::from_str(include_str!("../vectors/record-format.json")).unwrap();
        let entries: Vec<&str> = vectors["entries"].as_array().unwrap().iter().map(|e| e.as_str().unwrap()).collect();
        let leaves: Vec<Hash> = entries.iter().map(|entry| Hash::leaf(entry.as_bytes())).collect();
        assert_eq!(leaves, hashes(&vectors["leaves"]));
        for (size, wanted) in hashes(&vectors["roots"]).into_iter().enumerate() {
            assert_eq!(root(&leaves[..size]), wanted, "{size}");
        }
        for (index, path) in vectors["inclusion_of_each_in_all"].as_array().unwrap().iter().enumerate() {
            assert_eq!(inclusion(&leaves, index as u64).unwrap(), hashes(path), "{index}");
        }
        for (old, path) in vectors["consistency_to_all"].as_array().unwrap().iter().enumerate() {
            assert_eq!(consistency(&leaves, old as u64 + 1).unwrap(), hashes(path), "{old}");
        }
    }

    #[test]
    fn the_classic_tree_of_certificate_transparency_has_its_published_hashes() {
        let vectors: Value = serde_json::from_str(include_str!("../vectors/merkle_rfc6962.json")).unwrap();
        let hasher = &vectors["hasher"];
        assert_eq!(root(&[]), hash(&hasher["empty_root"]));
        assert_eq!(Hash::leaf(b""), hash(&hasher["empty_leaf"]));
        assert_eq!(Hash::leaf(b"L123456"), hash(&hasher["leaf_L123456"]));
        assert_eq!(Hash::digest(&[&[0x01], b"N123", b"N456"]), hash(&hasher["node_N123_N456"]));
        let leaves = hashes(&vectors["leaf_hashes"]);
        for (size, wanted) in hashes(&vectors["roots"]).into_iter().enumerate() {
            assert_eq!(root(&leaves[..size]), wanted, "{size}");
        }
        check_proofs(&vectors, &leaves);
        let thousand: Vec<Hash> = (0..1000).map(|n| Hash::leaf(format!("leaf-{n}").as_bytes())).collect();
        let vectors = &vectors["thousand_leaves"];
        for (size, wanted) in vectors["roots"].as_object().unwrap() {
            assert_eq!(root(&thousand[..size.parse().unwrap()]), hash(wanted), "{size}");
        }
        check_proofs(vectors, &thousand);
    }

    fn check_proofs(vectors: &Value, leaves: &[Hash]) {
        for proof in vectors["inclusion"].as_array().unwrap() {
            let (index, size) = (number(&proof["leaf_index"]), number(&proof["tree_size"]));
            let tree = &leaves[..size as usize];
            assert_eq!(inclusion(tree, index).unwrap(), hashes(&proof["proof"]), "{index} in {size}");
        }
        for proof in vectors["consistency"].as_array().unwrap() {
            let (old, new) = (number(&proof["size1"]), number(&proof["size2"]));
            let tree = &leaves[..new as usize];
            assert_eq!(consistency(tree, old).unwrap(), hashes(&proof["proof"]), "{old} to {new}");
        }
    }

    #[test]
    fn a_frontier_follows_the_definition_and_comes_back_from_its_bytes() {
        let leaves = leaves(300);
        let mut frontier = Frontier::new();
        for size in 0..=leaves.len() {
            assert_eq!(frontier.size(), size as u64);
            assert_eq!(frontier.root(), root_by_definition(&leaves[..size]), "{size}");
            assert_eq!(Frontier::from_bytes(&frontier.to_bytes()).as_ref(), Some(&frontier));
            if let Some(leaf) = leaves.get(size) {
                frontier.push(*leaf);
            }
        }
    }

    #[test]
    fn bytes_that_are_no_frontier_are_refused() {
        let mut seven = Frontier::new();
        leaves(7).into_iter().for_each(|leaf| seven.push(leaf));
        let bytes = seven.to_bytes();
        assert!(Frontier::from_bytes(&bytes[..bytes.len() - 1]).is_none());
        assert!(Frontier::from_bytes(&[&bytes[..], &[0]].concat()).is_none());
        assert!(Frontier::from_bytes(&[&bytes[..], &[0; 32]].concat()).is_none());
        assert!(Frontier::from_bytes(&bytes[..40]).is_none());
        assert!(Frontier::from_bytes(&[]).is_none());
        let too_large = (1_u64 << 53) + (1 << 60);
        assert!(Frontier::from_bytes(&[&too_large.to_be_bytes()[..], &[0; 64]].concat()).is_none());
    }

    /// A stored tree that only has full subtrees, and complains when asked for another.
    fn stored(leaves: &[Hash], level: u8, index: u64) -> Result<Hash, String> {
        let (from, to) = (index << level, (index + 1) << level);
        let range = leaves.get(from as usize..to as usize).ok_or(format!("level {level}, {index}"))?;
        Ok(root_by_definition(range))
    }

    #[test]
    fn proofs_from_stored_nodes_are_those_of_the_leaves_and_all_hold() {
        let all = leaves(70);
        for size in 0..=70 {
            let tree = &all[..size as usize];
            let top = root(tree);
            for index in 0..size {
                let path = inclusion_from(size, index, &mut |level, i| stored(tree, level, i)).unwrap().unwrap();
                assert_eq!(Some(&path), inclusion(tree, index).as_ref());
                assert_eq!(verify_inclusion(&tree[index as usize], index, size, &path, &top), Ok(()));
            }
            for old in 1..=size {
                let path = consistency_from(old, size, &mut |level, i| stored(tree, level, i)).unwrap().unwrap();
                assert_eq!(Some(&path), consistency(tree, old).as_ref());
                let old_root = root(&all[..old as usize]);
                assert_eq!(verify_consistency(old, &old_root, size, &top, &path), Ok(()), "{old} to {size}");
            }
        }
    }

    #[test]
    fn positions_that_cannot_be_have_no_proof() {
        let three = leaves(3);
        let top = root(&three);
        assert_eq!(inclusion(&three, 3), None);
        assert_eq!(inclusion(&[], 0), None);
        assert_eq!(consistency(&three, 0), None);
        assert_eq!(consistency(&three, 4), None);
        assert_eq!(inclusion_from(u64::MAX, 0, &mut |_, _| Err(())), Ok(None));
        assert_eq!(inclusion_from(2, 0, &mut |_, _| Err("disk")), Err("disk"));
        for (index, size) in [(3, 3), (0, 0), (u64::MAX, 3), (u64::MAX, u64::MAX)] {
            assert_eq!(verify_inclusion(&three[0], index, size, &[], &top), Err(ProofError::Position));
        }
        // Also where both trees are empty and equal: transparency-dev/merkle, consistency probes from size 0.
        for (old, new) in [(0, 0), (0, 3), (4, 3)] {
            assert_eq!(verify_consistency(old, &root(&[]), new, &top, &[]), Err(ProofError::Position));
        }
    }

    #[test]
    fn proofs_of_the_largest_positions_end() {
        let path = vec![Hash::ZERO; 64];
        assert!(verify_inclusion(&Hash::ZERO, u64::MAX - 1, u64::MAX, &path, &Hash::ZERO).is_err());
        assert!(verify_consistency(u64::MAX - 1, &Hash::ZERO, u64::MAX, &Hash::ZERO, &path).is_err());
        assert!(verify_consistency(1 << 63, &Hash::ZERO, u64::MAX, &Hash::ZERO, &path).is_err());
    }

    fn flipped(hash: &Hash, bit: usize) -> Hash {
        let mut out = *hash;
        out.0[bit / 8] ^= 1 << (bit % 8);
        out
    }

    /// Every path that is one step away: a bit changed, a hash dropped, doubled, swapped with the next, added.
    fn spoiled(path: &[Hash], bit: usize) -> Vec<Vec<Hash>> {
        let mut out = vec![[path, &[Hash::ZERO]].concat(), [&[Hash::ZERO], path].concat()];
        for i in 0..path.len() {
            let edit = |change: fn(&mut Vec<Hash>, usize)| {
                let mut path = path.to_vec();
                change(&mut path, i);
                path
            };
            let mut bad = path.to_vec();
            bad[i] = flipped(&bad[i], bit);
            out.push(bad);
            out.push(edit(|path, i| {
                path.remove(i);
            }));
            out.push(edit(|path, i| path.insert(i, path[i])));
            if i + 1 < path.len() {
                out.push(edit(|path, i| path.swap(i, i + 1)));
            }
        }
        out
    }

    #[test]
    fn a_spoiled_proof_does_not_hold() {
        let all = leaves(20);
        for size in 1..=20_u64 {
            let tree = &all[..size as usize];
            let top = root(tree);
            for index in 0..size {
                let leaf = &tree[index as usize];
                let path = inclusion(tree, index).unwrap();
                for (bit, bad) in spoiled(&path, 77).into_iter().enumerate() {
                    assert!(verify_inclusion(leaf, index, size, &bad, &top).is_err(), "{index} in {size}, {bit}");
                }
                assert!(verify_inclusion(&flipped(leaf, 200), index, size, &path, &top).is_err());
                assert!(verify_inclusion(leaf, index, size, &path, &flipped(&top, 3)).is_err());
                for other in (0..size).filter(|other| *other != index) {
                    assert!(verify_inclusion(leaf, other, size, &path, &top).is_err(), "{index} as {other} in {size}");
                }
            }
            for old in 1..=size {
                let old_root = root(&all[..old as usize]);
                let path = consistency(tree, old).unwrap();
                for bad in spoiled(&path, 11) {
                    assert!(verify_consistency(old, &old_root, size, &top, &bad).is_err(), "{old} to {size}");
                }
                let old_bad = verify_consistency(old, &flipped(&old_root, 0), size, &top, &path);
                assert!(old_bad.is_err(), "{old} to {size}");
                let new_bad = verify_consistency(old, &old_root, size, &flipped(&top, 0), &path);
                assert_eq!(new_bad, Err(ProofError::NewRoot), "{old} to {size}");
            }
        }
    }

    #[test]
    fn each_refusal_of_a_proof_says_another_thing() {
        let all = [ProofError::Position, ProofError::Length, ProofError::Root, ProofError::NewRoot];
        let said: std::collections::BTreeSet<String> = all.iter().map(ToString::to_string).collect();
        assert!(said.len() == 4 && said.iter().all(|text| text.starts_with("the proof ")), "{said:?}");
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_as_a_frontier_without_panic(bytes in any::<Vec<u8>>()) {
            if let Some(frontier) = Frontier::from_bytes(&bytes) {
                prop_assert_eq!(frontier.to_bytes(), bytes);
            }
        }

        #[test]
        fn any_path_is_checked_without_panic(
            a in any::<u64>(), b in any::<u64>(), small in 0..70_u64, path in prop::collection::vec(any::<[u8; 32]>(), 0..70),
        ) {
            let path: Vec<Hash> = path.into_iter().map(Hash).collect();
            for (a, b) in [(a, b), (small, b), (a >> (small % 64), b >> (small % 64))] {
                prop_assert!(verify_inclusion(&Hash::ZERO, a, b, &path, &Hash::ZERO).is_err());
                if a != b {
                    prop_assert!(verify_consistency(a, &Hash::ZERO, b, &Hash([1; 32]), &path).is_err());
                }
            }
        }
    }
}
