//! The members of a sealed record, and those of them that are named by their hash.

use std::collections::{BTreeMap, HashMap};

use tallyseal_schema::Hash;
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::sealed::read_zip;

use super::hash_name;
use crate::check::Check;
use crate::findings::Findings;
use crate::judge::{PluginFiles, digest_of};

/// Every member by name.
pub(crate) struct Archive<'a> {
    pub(crate) members: BTreeMap<String, &'a [u8]>,
}

impl<'a> Archive<'a> {
    /// Opens the archive; `None` where it is not of the strict form, which is then said.
    pub(super) fn open(zip: &'a [u8], findings: &mut Findings) -> Option<Self> {
        match read_zip(zip) {
            Ok(members) => {
                findings.looked(Check::Zip, members.len() as u64);
                let members = members.iter().map(|member| (member.name.clone(), member.bytes(zip))).collect();
                Some(Self { members })
            }
            Err(error) => {
                findings.fault(Check::Zip, None, error.to_string());
                None
            }
        }
    }

    /// A member's bytes.
    pub(crate) fn get(&self, name: &str) -> Option<&'a [u8]> {
        self.members.get(name).copied()
    }

    /// The raw bytes under `captures/`, each of which must have the hash that it is named by.
    pub(super) fn captures(&self, findings: &mut Findings) -> HashMap<Hash, u64> {
        let mut index = HashMap::new();
        for (name, bytes) in &self.members {
            let Some(named) = name.strip_prefix("captures/") else { continue };
            match hash_name(named).filter(|hash| *hash == Hash::of(bytes)) {
                Some(hash) => {
                    index.insert(hash, bytes.len() as u64);
                }
                None => {
                    findings.fault(Check::Captures, None, format!("{name} is not named by the SHA-256 of its bytes"))
                }
            }
        }
        index
    }

    /// The plugins under `plugins/`, each of which must have the digest that its folder is named by.
    pub(super) fn plugins(&self, findings: &mut Findings) -> PluginFiles<'static> {
        let mut folders: BTreeMap<Hash, Files> = BTreeMap::new();
        for (name, bytes) in &self.members {
            let Some(inside) = name.strip_prefix("plugins/") else { continue };
            let place = inside.split_once('/').and_then(|(digest, path)| Some((hash_name(digest)?, path)));
            match place {
                Some((digest, path)) => {
                    folders.entry(digest).or_default().insert(path.to_owned(), bytes.to_vec());
                }
                None => {
                    findings.fault(Check::Plugins, None, format!("{name} does not lie in a folder named by a digest"))
                }
            }
        }
        for (digest, files) in &folders {
            findings.looked(Check::Plugins, 1);
            digest_of(None, digest, files, findings);
        }
        PluginFiles::Folders(folders)
    }
}
