//! The files of plugins: those that the entries name are there, and their digest is the plugin's.

use std::collections::{BTreeMap, HashSet};

use tallyseal_schema::kinds::PluginFile;
use tallyseal_schema::plugin_files::{self, Files};
use tallyseal_schema::{By, Hash};

use crate::check::Check;
use crate::detail::Detail;
use crate::findings::Findings;

/// Gives the bytes that are stored under a SHA-256.
pub(crate) type ByHash<'a> = Box<dyn FnMut(&Hash) -> Option<Vec<u8>> + 'a>;

/// What files of plugins there are.
pub(crate) enum PluginFiles<'a> {
    /// None are here to be looked at.
    NotHere,
    /// Single files by their SHA-256; which file belongs to which plugin is said by its entry.
    Store(ByHash<'a>),
    /// Whole plugins by the digest that they say they have.
    Folders(BTreeMap<Hash, Files>),
}

pub(crate) struct Plugins<'a> {
    files: PluginFiles<'a>,
    /// Every digest that was drafted.
    drafted: HashSet<Hash>,
    /// Every digest that a count or a machine ran, so that each is said once.
    used: HashSet<Hash>,
    absent: u64,
    /// All entries are there, so every plugin that ran was drafted before.
    whole: bool,
}

impl<'a> Plugins<'a> {
    pub(crate) fn new(files: PluginFiles<'a>, whole: bool) -> Self {
        Self { files, drafted: HashSet::new(), used: HashSet::new(), absent: 0, whole }
    }

    /// What an entry says about a plugin.
    pub(super) fn entry(&mut self, n: u64, detail: &Detail, findings: &mut Findings) {
        match detail {
            Detail::PluginDrafted { digest, files } => {
                self.drafted.insert(*digest);
                match &mut self.files {
                    PluginFiles::NotHere => {}
                    PluginFiles::Store(by_hash) => stored(n, digest, files, by_hash, findings),
                    PluginFiles::Folders(folders) => match folders.get(digest) {
                        Some(folder) => in_folder(n, files, folder, findings),
                        // Whether it must be there is said by the counts that ran it.
                        None => self.absent += 1,
                    },
                }
            }
            Detail::CountOpened(digest) => self.named(n, digest, findings),
            _ => {}
        }
    }

    /// Who made an entry: a machine speaks through a plugin, whether or not a count is open.
    pub(super) fn by(&mut self, n: u64, by: &By, findings: &mut Findings) {
        if let By::Machine(machine) = by {
            self.named(n, &machine.plugin, findings);
        }
    }

    fn named(&mut self, n: u64, digest: &Hash, findings: &mut Findings) {
        if self.used.insert(*digest) {
            self.ran(n, digest, findings);
        }
    }

    fn ran(&mut self, n: u64, digest: &Hash, findings: &mut Findings) {
        if self.whole && !self.drafted.contains(digest) {
            findings.fault(
                Check::Plugins,
                Some(n),
                format!("it ran the plugin {digest}, which no entry before drafted"),
            );
        }
        if let PluginFiles::Folders(folders) = &self.files {
            findings.looked(Check::Plugins, 1);
            if !folders.contains_key(digest) {
                findings.fault(
                    Check::Plugins,
                    Some(n),
                    format!("it ran the plugin {digest}, whose files are not there"),
                );
            }
        }
    }

    pub(super) fn finish(&self, findings: &mut Findings) {
        findings.not_judged(
            Check::Plugins,
            "the files are not in the record, and no count in it ran them",
            self.absent,
        );
    }
}

/// The files that a draft names are stored, and give its digest.
fn stored(n: u64, digest: &Hash, files: &[PluginFile], by_hash: &mut ByHash<'_>, findings: &mut Findings) {
    findings.looked(Check::Plugins, 1);
    let mut folder = Files::new();
    for file in files {
        let Some(bytes) = by_hash(&file.sha256) else {
            findings.fault(Check::Plugins, Some(n), format!("the file {} of the plugin is not there", file.path));
            return;
        };
        folder.insert(file.path.clone(), bytes);
    }
    in_folder(n, files, &folder, findings);
    digest_of(Some(n), digest, &folder, findings);
}

/// A plugin's files have the digest that it goes by.
pub(crate) fn digest_of(n: Option<u64>, digest: &Hash, folder: &Files, findings: &mut Findings) {
    match plugin_files::digest(folder) {
        Ok(real) if real == *digest => {}
        Ok(real) => findings.fault(Check::Plugins, n, format!("the plugin {digest} has files of digest {real}")),
        Err(error) => findings.fault(Check::Plugins, n, format!("the plugin {digest}: {error}")),
    }
}

/// Each named file is in the folder as it is named, and no other is.
fn in_folder(n: u64, files: &[PluginFile], folder: &Files, findings: &mut Findings) {
    for file in files {
        let found = folder.get(&file.path);
        if found.is_none_or(|bytes| bytes.len() as u64 != file.length || Hash::of(bytes) != file.sha256) {
            findings.fault(Check::Plugins, Some(n), format!("the file {} is not the one that was drafted", file.path));
        }
    }
    if folder.len() != files.len() {
        findings.fault(Check::Plugins, Some(n), "the plugin has other files than were drafted");
    }
}
