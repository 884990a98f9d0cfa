//! One changed byte anywhere in a sealed record.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use tallyseal_machines::table::Random;
use tallyseal_verify::Check;

use crate::archive::{Members, Part, parts};
use crate::attack::{Outside, both_agree, both_hold};
use crate::stock::{Sealed, stock, zip};

/// At least so many places are changed.
const PLACES: usize = 2_000;
/// From which the places and the changes are drawn.
const SEED: u64 = 0x0b17e;

/// The smaller of the demo's two records: every structure is in it.
fn record() -> &'static [u8] {
    zip("DL-0002")
}

/// Places to change, with the change: the whole end record, whole headers and names of a few members, the first and the
/// last byte of every run, and as many others as are wanted.
fn places(parts: &[Part]) -> BTreeMap<usize, u8> {
    let mut random = Random::new(SEED);
    let mut places = BTreeSet::new();
    let mut headers = BTreeMap::new();
    let mut from = 0;
    while from < parts.len() {
        let part = parts[from];
        let length = parts[from..].iter().take_while(|other| **other == part).count();
        places.extend([from, from + length - 1]);
        let seen: &mut u32 = headers.entry(part).or_default();
        *seen += 1;
        if part != Part::Bytes && (*seen % 40 == 1 || part == Part::End) {
            places.extend(from..from + length);
        }
        from += length;
    }
    while places.len() < PLACES {
        places.insert(random.between(0, parts.len() as u32 - 1) as usize);
    }
    places.into_iter().map(|at| (at, random.between(1, 255) as u8)).collect()
}

struct Changed {
    sealed: Sealed,
    outside: Outside,
}

impl Changed {
    fn new() -> Self {
        Self { sealed: Sealed::new(record()), outside: Outside::key(&stock().key) }
    }

    fn write(&self, zip: &[u8]) -> PathBuf {
        std::fs::write(self.sealed.path(), zip).unwrap();
        self.sealed.path()
    }

    /// The names of the checks that find something.
    fn found(&self, zip: &[u8], skip: &[Check]) -> BTreeSet<String> {
        let report = self.outside.report(&self.write(zip), skip);
        assert_eq!(report.ok(), report.faults.is_empty());
        report.faults.into_iter().map(|fault| fault.check).collect()
    }
}

#[test]
fn a_changed_byte_is_found_wherever_it_is() {
    let changed = Changed::new();
    both_hold(&changed.write(record()), &changed.outside);
    let parts = parts(record());
    let places = places(&parts);
    assert!(places.len() >= PLACES);
    let kinds: BTreeSet<Part> = places.keys().map(|at| parts[*at]).collect();
    assert_eq!(kinds.len(), 6, "every kind of byte is changed: {kinds:?}");
    for (at, change) in places {
        let mut zip = record().to_vec();
        zip[at] ^= change;
        let what = format!("byte {at} ({:?}) changed by {change:#04x}", parts[at]);
        let found = changed.found(&zip, &[]);
        if parts[at] == Part::Meaningless {
            // Who made the archive and the attributes of its members are no part of the record.
            assert!(found.is_empty(), "{what}: {found:?}");
            continue;
        }
        assert_eq!(found, BTreeSet::from(["zip".to_owned()]), "{what}");
        assert!(changed.found(&zip, &[Check::Zip]).is_empty(), "{what}: found without the check of the archive");
    }
}

/// Which check must find a changed byte of that member where checksums were mended.
fn behind_the_checksum(name: &str) -> &'static str {
    match name {
        "seal.jsonl" => "seal",
        "seal.txt" => "checkpoints",
        // Its hash is in the entry of the export.
        "manifest.json" => "seal",
        _ => "manifest",
    }
}

/// Somebody who changes a byte can mend the checksum of its member: then the hash that the manifest names, and the manifest's
/// own in the entry of the export, are what finds it.
#[test]
fn a_changed_byte_under_a_mended_checksum_is_found_by_what_stands_behind_it() {
    let changed = Changed::new();
    let members = Members::of(record());
    let mut random = Random::new(SEED + 1);
    let mut tried = 0;
    for (member, (name, bytes)) in members.0.iter().enumerate() {
        // Every member, the larger ones more often.
        for _ in 0..3 + bytes.len() / 4_096 {
            let mut other = members.clone();
            let at = random.between(0, bytes.len() as u32 - 1) as usize;
            other.0[member].1[at] ^= random.between(1, 255) as u8;
            let found = changed.found(&other.zip(), &[]);
            let wanted = behind_the_checksum(name);
            // A manifest or a seal that cannot be read any more is found as what it is.
            let spoiled = name == "manifest.json" && found.contains("manifest");
            assert!(found.contains(wanted) || spoiled, "byte {at} of {name}: {found:?}");
            assert!(!found.contains("zip"), "byte {at} of {name}: {found:?}");
            tried += 1;
        }
    }
    assert!(tried >= 200, "{tried}");
}

/// The independent verifier finds the same by the same checks, first at the same entries, over places of every kind and members of every kind.
#[test]
fn both_verifiers_agree_on_changed_bytes() {
    let changed = Changed::new();
    let parts = parts(record());
    let mut by_kind: BTreeMap<Part, Vec<usize>> = BTreeMap::new();
    for at in places(&parts).into_keys() {
        by_kind.entry(parts[at]).or_default().push(at);
    }
    let mut random = Random::new(SEED + 2);
    let mut zips: Vec<(String, Vec<u8>)> = Vec::new();
    for (part, places) in &by_kind {
        for _ in 0..6 {
            let at = places[random.between(0, places.len() as u32 - 1) as usize];
            let mut zip = record().to_vec();
            zip[at] ^= random.between(1, 255) as u8;
            zips.push((format!("byte {at}, {part:?}"), zip));
        }
    }
    let members = Members::of(record());
    let mut kinds = BTreeSet::new();
    for (member, (name, bytes)) in members.0.iter().enumerate() {
        let folder = name.split('/').next().unwrap();
        // Two of each kind of member, and three places in each of those that carry proofs.
        if kinds.iter().filter(|(kind, _)| *kind == folder).count() >= 2 {
            continue;
        }
        kinds.insert((folder, name.as_str()));
        for _ in 0..3 {
            let mut other = members.clone();
            let at = random.between(0, bytes.len() as u32 - 1) as usize;
            other.0[member].1[at] ^= random.between(1, 255) as u8;
            zips.push((format!("byte {at} of {name}"), other.zip()));
        }
    }
    assert!(zips.len() >= 60, "{}", zips.len());
    let mut faulty = 0;
    for (what, zip) in zips {
        let path = changed.write(&zip);
        eprintln!("{what}");
        faulty += both_agree(&path, &changed.outside).code;
    }
    assert!(faulty >= 50, "{faulty} were found");
}
