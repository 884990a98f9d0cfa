//! Dumps: entries as lines, from entry 0 or from a later one.

use serde_json::json;
use tallyseal_schema::Hash;
use tallyseal_verify::{Check, Options, Report, Trust, verify};

use crate::fixture::places::*;
use crate::fixture::*;

fn lines(book: &Forge, from: u64, to: u64) -> Vec<u8> {
    book.bytes[from as usize..to as usize].iter().flat_map(|bytes| bytes.iter().copied().chain([b'\n'])).collect()
}

fn verify_dump(bytes: &[u8], options: &Options<'_>) -> Report {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("entries.jsonl");
    std::fs::write(&path, bytes).unwrap();
    verify(&path, options).unwrap()
}

#[test]
fn a_whole_dump_is_held_against_a_checkpoint() {
    let book = sample(9);
    let dump = lines(&book, 0, book.size());
    let report = verify_dump(&dump, &without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!((report.trust, report.entries), (Trust::Itself, 26));
    let options = Options { checkpoints: vec![book.note(20)], ..without(&[]) };
    let report = verify_dump(&dump, &options);
    assert!(report.ok(), "{report}");
    assert_eq!(
        (report.trust, report.outside.map(|outside| (outside.size, outside.tail))),
        (Trust::Checkpoint, Some((20, 6)))
    );
    // The tail is cut.
    let report = verify_dump(&lines(&book, 0, 12), &options);
    assert_eq!(found(&report), [("checkpoints".to_owned(), Some(12))]);
}

#[test]
fn a_dump_from_a_later_entry_is_judged_as_far_as_it_goes_and_says_so() {
    let book = sample(9);
    for from in 1..book.size() {
        let options = Options { checkpoints: vec![book.note(20)], keys: vec![book.verifier_key()], ..without(&[]) };
        let report = verify_dump(&lines(&book, from, book.size()), &options);
        assert!(report.ok(), "{from}: {report}");
        assert_eq!(report.trust, Trust::Itself);
        for said in [
            &format!("begins at n {from}"),
            "chain: 1 not judged: prev",
            "checkpoints: 1 not judged: the book's key",
            "checkpoints: 1 not judged: the entries before the dump",
            "keys: 1 not judged",
            "raw bytes of machines and files of plugins are not part of a dump",
        ] {
            assert!(report.notes.iter().any(|note| note.contains(said)), "{said}: {report}");
        }
    }
    let mut forged = sample(9);
    forged.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other"));
    finds(|options| verify_dump(&lines(&forged, 10, 26), options), Check::Chain, Some(SUPPLIER), &[]);
}

#[test]
fn a_signature_that_covers_less_is_seen_though_its_stream_began_before_the_dump() {
    let mut book = sample(9);
    let leaves = book.stream("count/C-1");
    let cover = json!({"rev": leaves.len() - 1, "root": Hash::of(b"cannot be made").hex()});
    let n = book.sign_changed(&cy(), "counted", "count/C-1", &[], |body| body["covers"]["count/C-1"] = cover.clone());
    finds(|options| verify_dump(&lines(&book, 20, n + 1), options), Check::Signatures, Some(n), &[]);
}

#[test]
fn lines_left_out_doubled_or_spoiled() {
    let book = sample(9);
    let whole = |change: fn(&mut Vec<Vec<u8>>)| {
        let mut bytes = book.bytes.clone();
        change(&mut bytes);
        bytes.into_iter().flat_map(|line| line.into_iter().chain([b'\n'])).collect::<Vec<u8>>()
    };
    let cases: [(&str, Check, Option<u64>, fn(&mut Vec<Vec<u8>>)); 6] = [
        ("left out", Check::Chain, Some(13), |lines| drop(lines.remove(13))),
        ("doubled", Check::Chain, Some(25), |lines| lines.push(lines[25].clone())),
        ("swapped", Check::Chain, Some(13), |lines| lines.swap(13, 14)),
        ("spoiled", Check::Bytes, Some(25), |lines| lines[25].truncate(9)),
        ("empty", Check::Bytes, Some(26), |lines| lines.push(Vec::new())),
        ("too long", Check::Bytes, Some(26), |lines| lines.push(vec![b'x'; 300_000])),
    ];
    for (what, check, n, change) in cases {
        println!("{what}");
        finds(|options| verify_dump(&whole(change), options), check, n, &[]);
    }
    let mut cut = lines(&book, 0, 26);
    cut.pop();
    finds(|options| verify_dump(&cut, options), Check::Bytes, None, &[]);
    cut.extend_from_slice(&vec![b' '; 300_000]);
    let report = verify_dump(&cut, &without(&[]));
    assert!(report.faults.iter().any(|fault| fault.what.contains("bytes long")), "{report}");
    assert!(report.faults.iter().any(|fault| fault.what.contains("line feed")), "{report}");
}

#[test]
fn a_line_that_is_too_long_still_has_its_place_in_the_tree() {
    let mut book = sample(9);
    // Written by somebody who knows no limit: the chain and the tree go on over it.
    book.bytes.push(vec![b'x'; 300_000]);
    book.values.push(json!({}));
    let next = book.draft(system(), "moon.landed", "moon/M-1", json!({}));
    book.put(next);
    let note = book.note(28);
    let report = verify_dump(&lines(&book, 0, 28), &Options { checkpoints: vec![note], ..without(&[]) });
    assert_eq!(found(&report), [("bytes".to_owned(), Some(26))], "{report}");
    assert_eq!(report.checkpoint.map(|newest| newest.size), Some(28));
}

#[test]
fn a_long_dump_is_read_in_chunks() {
    let mut book = sample(9);
    for i in 0..1_100 {
        book.add(system(), "moon.landed", &format!("moon/M-{}", i % 5), json!({"i": i}));
    }
    let options = Options { checkpoints: vec![book.note(1_024), book.note(1_126), book.note(700)], ..without(&[]) };
    let report = verify_dump(&lines(&book, 0, 1_126), &options);
    assert!(report.ok(), "{report}");
    assert_eq!(report.head.map(|head| head.leaf), Some(Hash::leaf(&book.bytes[1_125])));
    assert_eq!(report.outside.map(|outside| (outside.size, outside.tail)), Some((1_126, 0)));
    book.change(900, |entry| entry["body"]["i"] = json!(-1));
    let report = verify_dump(&lines(&book, 0, 1_126), &options);
    assert_eq!(found(&report), [("tree".to_owned(), Some(700)), ("chain".to_owned(), Some(900))], "{report}");
}
