//! The program itself: what it prints and what it ends with.

use std::process::{Command, Output};

use crate::fixture::places::*;
use crate::fixture::*;

fn run(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallyseal-verify")).args(arguments).output().unwrap()
}

#[test]
fn it_ends_with_0_1_or_2() {
    let dir = tempfile::tempdir().unwrap();
    let mut book = sample(9);
    let zip = dir.path().join("C-1.zip");
    std::fs::write(&zip, book.export("count/C-1", &STREAMS).zip()).unwrap();
    let zip = zip.to_str().unwrap();

    let good = run(&[zip]);
    let text = String::from_utf8(good.stdout).unwrap();
    assert_eq!(good.status.code(), Some(0), "{text}");
    assert!(text.contains("CONSISTENT, NOT AUTHENTICATED"), "{text}");
    assert!(good.stderr.is_empty());

    let key = book.verifier_key().to_string();
    let good = run(&[zip, "--key", &key, "--require", "key", "--json"]);
    let text = String::from_utf8(good.stdout).unwrap();
    assert_eq!(good.status.code(), Some(0), "{text}");
    assert!(text.starts_with(r#"{"ok":true,"trust":"key","#) && text.ends_with("}\n"), "{text}");

    let note = dir.path().join("kept.txt");
    std::fs::write(&note, book.note(26)).unwrap();
    let good = run(&[zip, "--checkpoint", note.to_str().unwrap(), "--require", "checkpoint"]);
    assert_eq!(good.status.code(), Some(0));

    let bad = run(&[zip, "--key", &sample(10).verifier_key().to_string()]);
    let text = String::from_utf8(bad.stdout).unwrap();
    assert_eq!(bad.status.code(), Some(1));
    assert!(text.contains("FAULT at entry 0, keys:"), "{text}");

    for arguments in [
        vec!["/nowhere/at/all"],
        vec![zip, "--key", "nonsense"],
        vec![zip, "--require", "luck"],
        vec![zip, "--checkpoint", "/nowhere/at/all"],
        vec![],
    ] {
        let cannot = run(&arguments);
        assert_eq!(cannot.status.code(), Some(2), "{arguments:?}");
        assert!(cannot.stdout.is_empty() && !cannot.stderr.is_empty());
    }
}

#[test]
fn it_says_at_which_entry_a_spoiled_directory_is_spoiled() {
    let dir = tempfile::tempdir().unwrap();
    forged(|book| book.change(SUPPLIER, |entry| entry["body"]["name"] = serde_json::json!("Other"))).write(dir.path());
    let bad = run(&[dir.path().to_str().unwrap()]);
    let text = String::from_utf8(bad.stdout).unwrap();
    assert_eq!(bad.status.code(), Some(1));
    assert!(text.contains("FAULT at entry 13, chain:"), "{text}");
    assert!(text.contains("NOT IN ORDER: 2 faults"), "{text}");
}
