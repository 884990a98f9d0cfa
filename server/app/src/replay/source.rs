//! Where replay finds raw bytes and the files of plugins: what was stored, and no folder.

use std::collections::HashMap;

use tallyseal_book::Reader;
use tallyseal_schema::Hash;
use tallyseal_schema::kinds::PluginFile;
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::sealed::Member;

/// What was stored beside the entries.
pub(crate) trait Source {
    /// The raw bytes with this SHA-256; `None` where they are not there, or are others.
    fn capture(&self, sha256: &Hash) -> Option<Vec<u8>>;

    /// The files of a plugin; `named`: those that its draft names.
    fn files(&self, digest: &Hash, named: &[PluginFile]) -> Option<Files>;
}

/// A data directory.
pub(crate) struct OfBook<'r>(pub(crate) &'r Reader);

impl Source for OfBook<'_> {
    fn capture(&self, sha256: &Hash) -> Option<Vec<u8>> {
        self.0.capture(sha256).ok().flatten()
    }

    fn files(&self, _digest: &Hash, named: &[PluginFile]) -> Option<Files> {
        named.iter().map(|file| Some((file.path.clone(), self.0.file(&file.sha256).ok()??))).collect()
    }
}

/// A sealed record.
pub(crate) struct OfRecord<'z> {
    pub(crate) zip: &'z [u8],
    pub(crate) members: &'z HashMap<&'z str, &'z Member>,
}

impl Source for OfRecord<'_> {
    fn capture(&self, sha256: &Hash) -> Option<Vec<u8>> {
        if *sha256 == Hash::of(b"") {
            return Some(Vec::new());
        }
        let member = self.members.get(format!("captures/{sha256}").as_str())?;
        Some(member.bytes(self.zip).to_vec()).filter(|bytes| Hash::of(bytes) == *sha256)
    }

    fn files(&self, digest: &Hash, _named: &[PluginFile]) -> Option<Files> {
        let folder = format!("plugins/{digest}/");
        let inside = self.members.iter().filter_map(|(name, member)| {
            Some((name.strip_prefix(&folder)?.to_owned(), member.bytes(self.zip).to_vec()))
        });
        Some(inside.collect::<Files>()).filter(|files| !files.is_empty())
    }
}
