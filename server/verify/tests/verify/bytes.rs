//! No bytes whatever make the verifier panic: it answers, or says that it cannot.

use tallyseal_verify::{CannotRun, Options, Report, verify, verify_chain};

use crate::fixture::*;

/// Numbers from a seed, by xorshift: enough to spoil bytes, and the same each time.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }
}

/// Flips, cuts, doubles and overwrites a few places.
fn spoil(bytes: &mut Vec<u8>, numbers: &mut Numbers) {
    for _ in 0..=numbers.below(4) {
        let at = numbers.below(bytes.len());
        match numbers.below(6) {
            0 if !bytes.is_empty() => bytes[at] ^= 1 << numbers.below(8),
            1 if !bytes.is_empty() => bytes[at] = numbers.next() as u8,
            2 => bytes.truncate(at),
            3 => {
                let piece = bytes[at..(at + numbers.below(64)).min(bytes.len())].to_vec();
                let to = numbers.below(bytes.len());
                bytes.splice(to..to, piece);
            }
            4 => {
                let end = (at + 8).min(bytes.len());
                bytes[at..end].fill(if numbers.below(2) == 0 { 0xff } else { 0 });
            }
            _ => bytes.insert(at, numbers.next() as u8),
        }
    }
}

fn file(name: &str, bytes: &[u8]) -> Result<Report, CannotRun> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    verify(&path, &without(&[]))
}

#[test]
fn random_bytes_are_no_form_of_a_book() {
    let mut numbers = Numbers(0x9e37_79b9_7f4a_7c15);
    for round in 0..400 {
        let bytes: Vec<u8> = (0..numbers.below(600)).map(|_| numbers.next() as u8).collect();
        let zip = file("a.zip", &bytes).unwrap();
        assert_eq!(zip.exit_code(), 1, "round {round}");
        if let Ok(report) = file("a.jsonl", &bytes) {
            assert_eq!(report.exit_code(), 1, "round {round}");
        }
        let _ = file("a", &bytes);
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("book.db"), &bytes).unwrap();
        assert!(verify(dir.path(), &Options::default()).is_err(), "round {round}");
    }
}

#[test]
fn a_spoiled_record_is_never_in_order() {
    let mut book = sample(9);
    let members = book.export("count/C-1", &STREAMS);
    let mut numbers = Numbers(7);
    for round in 0..600 {
        let mut spoiled = members.clone();
        let which = numbers.below(spoiled.0.len());
        let before = spoiled.0[which].1.clone();
        spoil(&mut spoiled.0[which].1, &mut numbers);
        let report = spoiled.verify(&without(&[]));
        assert_eq!(report.ok(), spoiled.0[which].1 == before, "round {round}: {report}");
        assert!(!report.to_string().is_empty() && report.to_json().starts_with('{'));
    }
}

#[test]
fn a_spoiled_dump_is_never_in_order_when_it_is_held_against_a_checkpoint() {
    let book = sample(9);
    let dump: Vec<u8> = book.bytes.iter().flat_map(|bytes| bytes.iter().copied().chain([b'\n'])).collect();
    let options = Options { checkpoints: vec![book.note(book.size())], threads: 2, ..Options::default() };
    let mut numbers = Numbers(77);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("dump.jsonl");
    for round in 0..600 {
        let mut spoiled = dump.clone();
        spoil(&mut spoiled, &mut numbers);
        std::fs::write(&path, &spoiled).unwrap();
        if let Ok(report) = verify(&path, &options) {
            // A dump that begins later cannot be held against the checkpoint; it says so.
            let said = report.notes.iter().any(|note| note.contains("the dump begins at"));
            assert!(!report.ok() || said || spoiled == dump, "round {round}: {report}");
        }
    }
}

#[test]
fn a_spoiled_database_changes_no_entry_unseen() {
    let dir = tempfile::tempdir().unwrap();
    let mut book = sample(9);
    book.keep();
    // Enough for several pages and some depth.
    for i in 0..300 {
        book.add(
            system(),
            "moon.landed",
            &format!("moon/M-{}", i % 9),
            serde_json::json!({"i": i, "x": "y".repeat(150)}),
        );
    }
    book.keep();
    book.write(dir.path());
    let path = dir.path().join("book.db");
    let whole = std::fs::read(&path).unwrap();
    let sound = verify(dir.path(), &without(&[])).unwrap();
    assert!(sound.ok(), "{sound}");
    let (mut numbers, mut found) = (Numbers(777), 0);
    for round in 0..600 {
        let mut spoiled = whole.clone();
        for _ in 0..=numbers.below(3) {
            let at = numbers.below(spoiled.len());
            spoiled[at] ^= 1 << numbers.below(8);
        }
        if round % 10 == 0 {
            spoiled.truncate(numbers.below(whole.len()));
        }
        std::fs::write(&path, &spoiled).unwrap();
        let _ = verify_chain(dir.path(), 2);
        match verify(dir.path(), &without(&[])) {
            Err(_) => {}
            // Bits that no entry stands on: then nothing of the book is changed.
            Ok(report) if report.ok() => {
                assert_eq!((report.head, report.entries), (sound.head, sound.entries), "round {round}");
            }
            Ok(_) => found += 1,
        }
    }
    assert!(found > 200, "{found}");
}

#[test]
fn spoiled_captures_and_checkpoints() {
    let book = sample(9);
    let mut numbers = Numbers(99);
    for name in ["captures/2026-03-02.cap", "checkpoints/0000000000000025"] {
        let dir = tempfile::tempdir().unwrap();
        book.write(dir.path());
        let path = dir.path().join(name);
        let whole = std::fs::read(&path).unwrap();
        for round in 0..200 {
            let mut spoiled = whole.clone();
            spoil(&mut spoiled, &mut numbers);
            std::fs::write(&path, &spoiled).unwrap();
            let report = verify(dir.path(), &without(&[])).unwrap();
            // The checksum of a piece and whatever stands after the last one are nobody's; a note may get other lines.
            assert!(report.entries == 26, "{name} round {round}");
        }
    }
}
