//! The manifest: it names every file with its hash, and nothing more is there.

use tallyseal_schema::sealed::Manifest;
use tallyseal_schema::{Hash, canonical};

use super::archive::Archive;
use crate::check::Check;
use crate::findings::Findings;

/// Members that the manifest cannot name: itself, and what was made after it.
const OUTSIDE: [&str; 3] = ["manifest.json", "seal.jsonl", "seal.txt"];

/// Members without which nothing can be judged.
const NEEDED: [&str; 3] = ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"];

/// Checks the manifest against the members. Gives it where it can be read.
pub(super) fn check(archive: &Archive<'_>, findings: &mut Findings) -> Option<Manifest> {
    let mut wrong = |what: String| findings.fault(Check::Manifest, None, what);
    for name in OUTSIDE.iter().chain(&NEEDED).filter(|name| archive.get(name).is_none()) {
        wrong(format!("{name} is not there"));
    }
    let bytes = archive.get("manifest.json")?;
    if let Err(error) = canonical::scan_object(bytes) {
        wrong(format!("manifest.json: {error}"));
        return None;
    }
    let manifest: Manifest = match serde_json::from_slice(bytes) {
        Ok(manifest) => manifest,
        Err(error) => {
            wrong(format!("manifest.json: {error}"));
            return None;
        }
    };
    for (name, hash) in &manifest.files {
        match archive.get(name) {
            _ if OUTSIDE.contains(&name.as_str()) => wrong(format!("it names {name}, which it cannot")),
            None => wrong(format!("it names {name}, which is not there")),
            Some(bytes) if Hash::of(bytes) != *hash => wrong(format!("{name} does not have the hash that it names")),
            Some(_) => {}
        }
    }
    for name in archive.members.keys() {
        if !manifest.files.contains_key(name) && !OUTSIDE.contains(&name.as_str()) {
            wrong(format!("{name} is there, and it does not name it"));
        }
    }
    if !manifest.streams.contains_key(&manifest.record) {
        wrong(format!("{}, which the record is about, is none of its streams", manifest.record));
    }
    if manifest.streams.values().any(|rev| *rev == 0) {
        wrong("it lists a stream without entries".to_owned());
    }
    findings.looked(Check::Manifest, manifest.files.len() as u64);
    Some(manifest)
}
