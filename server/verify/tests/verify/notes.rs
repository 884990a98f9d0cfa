//! Checkpoints: notes that are not good, and notes that contradict.

use serde_json::json;
use tallyseal_schema::signature::SigningKey;
use tallyseal_verify::{Check, verify};

use crate::fixture::places::*;
use crate::fixture::*;

#[test]
fn notes_that_are_not_good() {
    let other = SigningKey::from_seed(&[77; 32]).unwrap();
    let cases: [(&str, Box<dyn Fn(&Forge) -> String>); 5] = [
        ("no note", Box::new(|_| "anything".to_owned())),
        ("a bad signature", Box::new(|book| book.note(20).replace("\n20\n", "\n21\n"))),
        (
            "another key",
            Box::new(move |book| {
                let root = tallyseal_schema::tree::root(&book.leaves()[..20]);
                let checkpoint =
                    tallyseal_schema::checkpoint::Checkpoint { origin: book.book.parse().unwrap(), size: 20, root };
                tallyseal_schema::checkpoint::sign(&checkpoint, &other)
            }),
        ),
        (
            "another book",
            Box::new(|_| {
                let mut other = sample(9);
                other.book = "label-room.example/plant-2".to_owned();
                other.note(20)
            }),
        ),
        ("too long", Box::new(|book| book.note(20) + &"\u{2014} x AAAAAAAA\n".repeat(10_000))),
    ];
    for (what, note) in cases {
        println!("{what}");
        let mut book = sample(9);
        let note = note(&book);
        book.notes.push((20, note));
        finds(|options| book.verify(options), Check::Checkpoints, None, &[]);
    }
}

#[test]
fn a_note_with_extensions_and_strangers_signatures_is_good_and_a_torn_temporary_file_is_passed_over() {
    let mut book = sample(9);
    let note = book.note(20);
    book.notes.push((20, note + "\u{2014} witness.example AAAAAAAA\n"));
    let dir = tempfile::tempdir().unwrap();
    book.write(dir.path());
    std::fs::write(dir.path().join("checkpoints/next.tmp"), "torn").unwrap();
    let report = verify(dir.path(), &without(&[])).unwrap();
    assert!(report.ok(), "{report}");
}

#[test]
fn a_book_whose_key_signed_two_histories() {
    let mut book = sample(9);
    let mut other = sample(9);
    other.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other"));
    book.notes.push((90, other.note(20)));
    book.notes.push((91, book.note(20)));
    finds(|options| book.verify(options), Check::Checkpoints, None, &[Check::Tree]);
}
