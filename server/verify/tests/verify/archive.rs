//! Every single byte of a sealed record, and the archive's own structure.

use tallyseal_verify::{Check, verify};

use crate::fixture::*;

/// The smallest record that has a signature, captures and a plugin in it would be slow to go through byte by byte with
/// all checksums mended; this one has an account, its confirmation, and every member that any record has.
fn small() -> Members {
    let mut book = sample(9);
    book.export("account/U-2", &["account/U-1", "account/U-2"])
}

/// Offsets of bytes that the format says are ignored: the maker's version and the attributes in central headers.
fn ignored(zip: &[u8]) -> Vec<usize> {
    let mut at = u32::from_le_bytes(zip[zip.len() - 6..zip.len() - 2].try_into().unwrap()) as usize;
    let mut ignored = Vec::new();
    while zip[at..].starts_with(b"PK\x01\x02") {
        ignored.extend([4, 5, 36, 37, 38, 39, 40, 41].map(|field| at + field));
        at += 46 + usize::from(u16::from_le_bytes(zip[at + 28..at + 30].try_into().unwrap()));
    }
    ignored
}

#[test]
fn every_byte_of_the_archive_counts() {
    let zip = small().zip();
    assert!(verify_zip(&zip, &without(&[])).ok());
    let ignored = ignored(&zip);
    assert_eq!(ignored.len(), 8 * 8);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.zip");
    for at in 0..zip.len() {
        let mut spoiled = zip.clone();
        spoiled[at] ^= 1 << (at % 8);
        std::fs::write(&path, spoiled).unwrap();
        let report = verify(&path, &without(&[])).unwrap();
        assert_eq!(report.exit_code(), u8::from(!ignored.contains(&at)), "byte {at}: {report}");
    }
}

#[test]
fn every_byte_of_every_member_counts_when_the_archive_is_mended() {
    let members = small();
    // Half of the bytes on each of two threads.
    std::thread::scope(|scope| {
        for part in 0..2 {
            let members = &members;
            scope.spawn(move || {
                let dir = tempfile::tempdir().unwrap();
                let path = dir.path().join("record.zip");
                for (name, bytes) in &members.0 {
                    for at in (part..bytes.len()).step_by(2) {
                        let mut spoiled = members.clone();
                        spoiled.get(name)[at] ^= 0x01;
                        std::fs::write(&path, spoiled.zip()).unwrap();
                        let options = tallyseal_verify::Options { threads: 1, ..without(&[]) };
                        let report = verify(&path, &options).unwrap();
                        assert_eq!(report.exit_code(), 1, "{name} byte {at}");
                    }
                }
            });
        }
    });
}

#[test]
fn every_byte_of_the_seal_and_the_manifest_counts_without_the_checks_that_hash_them() {
    // The manifest's hash is in the seal; the seal itself is under a signature: neither rests on a checksum.
    let members = small();
    for name in ["seal.txt", "seal.jsonl"] {
        let len = members.clone().get(name).len();
        for at in 0..len {
            let mut spoiled = members.clone();
            spoiled.get(name)[at] ^= 0x02;
            let report = spoiled.verify(&without(&[Check::Zip, Check::Manifest]));
            assert_eq!(report.exit_code(), 1, "{name} byte {at}");
        }
    }
}

#[track_caller]
fn structure(spoil: impl Fn(&mut Vec<u8>)) {
    let mut zip = small().zip();
    spoil(&mut zip);
    finds(|options| verify_zip(&zip, options), Check::Zip, None, &[]);
}

#[test]
fn an_archive_with_a_comment_a_tail_a_head_or_cut() {
    structure(|zip| zip.push(b'\n'));
    structure(|zip| zip.insert(0, b'#'));
    structure(|zip| zip.truncate(zip.len() - 1));
    structure(Vec::clear);
    structure(|zip| {
        let end = zip.len() - 2;
        zip[end] = 1;
        zip.push(b'x');
    });
}

#[test]
fn members_in_another_order_than_they_are_listed() {
    structure(|zip| {
        let end = zip.len() - 22;
        let start = u32::from_le_bytes(zip[end + 16..end + 20].try_into().unwrap()) as usize;
        let first = 46 + usize::from(u16::from_le_bytes(zip[start + 28..start + 30].try_into().unwrap()));
        let second = start + first;
        let second = 46 + usize::from(u16::from_le_bytes(zip[second + 28..second + 30].try_into().unwrap()));
        zip[start..start + first + second].rotate_left(first);
    });
}

#[test]
fn a_member_twice() {
    // Under one name: no writer of ours makes it, so one is renamed in place afterwards.
    let mut members = small();
    let pdf = members.get("record.pdf").clone();
    members.0.push(("record.pdg".to_owned(), pdf));
    let mut zip = members.zip();
    let name = b"record.pdg";
    for at in 0..zip.len() - name.len() {
        if &zip[at..at + name.len()] == name {
            zip[at..at + name.len()].copy_from_slice(b"record.pdf");
        }
    }
    finds(|options| verify_zip(&zip, options), Check::Zip, None, &[]);
}

#[test]
fn the_members_may_stand_in_any_order_as_long_as_the_list_has_the_same() {
    // The names say what is what; the format demands no order of its own.
    let mut members = small();
    members.0.reverse();
    assert!(members.verify(&without(&[])).ok());
}
