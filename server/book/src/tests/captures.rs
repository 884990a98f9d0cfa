//! Captured machine bytes: held before they are named, found again, and never thrown away.

use std::collections::BTreeSet;
use std::fs::{self, OpenOptions};
use std::io::Write as _;

use tallyseal_control::Command;
use tallyseal_schema::Hash;
use tallyseal_schema::kinds::{MachineCounts, PluginFile};

use crate::testing::*;
use crate::{ActError, Book, OpenError, Order};

fn with_station(plant: &Plant) -> Book {
    let book = plant.open();
    book.act_blocking(order(1, software(), register_station())).unwrap();
    book
}

/// The only day file.
fn day(plant: &Plant) -> std::path::PathBuf {
    plant.layout().captures().join("2026-01-05.cap")
}

#[test]
fn captured_bytes_come_back_once_stored_and_from_the_right_day() {
    let plant = Plant::new();
    let book = with_station(&plant);
    let long = vec![7; 200_000];
    book.act_blocking(captured(2, b"one")).unwrap();
    book.act_blocking(captured(3, &long)).unwrap();
    let length = fs::metadata(day(&plant)).unwrap().len();
    book.act_blocking(captured(4, b"one")).unwrap();
    assert_eq!(fs::metadata(day(&plant)).unwrap().len(), length, "the same bytes are stored once");
    for _ in 0..24 {
        plant.clock.pass(3_600_000_000);
    }
    book.act_blocking(captured(5, b"another day")).unwrap();
    let days: BTreeSet<String> = fs::read_dir(plant.layout().captures())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(days.len(), 2, "{days:?}");
    for bytes in [&b"one"[..], &long, b"another day", b""] {
        assert_eq!(book.capture(&Hash::of(bytes)).unwrap().unwrap(), bytes);
    }
    assert_eq!(book.capture(&Hash::of(b"never")).unwrap(), None);
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn no_entry_names_bytes_that_are_not_held() {
    let plant = Plant::new();
    let book = with_station(&plant);
    for (number, order) in [
        (2, Order { capture: None, ..captured(2, b"one") }),
        (3, Order { capture: Some(b"two".to_vec()), ..captured(3, b"one") }),
    ] {
        let answer = book.act_blocking(order);
        assert!(matches!(answer, Err(ActError::Failed { .. })), "{number}: {answer:?}");
    }
    assert!(!day(&plant).exists());
    book.act_blocking(captured(4, b"one")).unwrap();
    // Held already: it need not come again.
    book.act_blocking(Order { capture: None, ..captured(5, b"one") }).unwrap();
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn files_of_a_plugin_are_kept_with_the_entry_that_names_them() {
    let plant = Plant::new();
    let book = plant.open();
    let draft = |files: Vec<Vec<u8>>, number| {
        let named = [&b"manifest"[..], b"rules"].map(|bytes| PluginFile {
            length: bytes.len() as u64,
            path: format!("f{}", bytes.len()),
            sha256: Hash::of(bytes),
        });
        let command = Command::DraftPlugin {
            digest: Hash::of(b"digest"),
            name: "p".to_owned(),
            version: "1".to_owned(),
            counts: MachineCounts::Labels,
            emits: BTreeSet::new(),
            files: named.to_vec(),
        };
        Order { files, ..order(number, software(), command) }
    };
    let answer = book.act_blocking(draft(vec![b"manifest".to_vec()], 1));
    assert!(matches!(answer, Err(ActError::Failed { .. })), "one is missing: {answer:?}");
    assert_eq!(book.file(&Hash::of(b"manifest")).unwrap(), None, "all or nothing");
    book.act_blocking(draft(vec![b"manifest".to_vec(), b"rules".to_vec(), b"rules".to_vec()], 2)).unwrap();
    assert_eq!(book.file(&Hash::of(b"rules")).unwrap().as_deref(), Some(&b"rules"[..]));
    book.act_blocking(draft(Vec::new(), 3)).unwrap();
    book.shutdown_blocking();
    verify(&plant);
}

/// What a crash in the middle of writing a day file leaves at its end.
fn append(plant: &Plant, bytes: &[u8]) {
    OpenOptions::new().append(true).open(day(plant)).unwrap().write_all(bytes).unwrap();
}

#[test]
fn a_torn_end_is_put_aside_and_a_whole_piece_behind_the_end_is_taken_in() {
    let plant = Plant::new();
    let book = with_station(&plant);
    book.act_blocking(captured(2, b"acknowledged")).unwrap();
    book.shutdown_blocking();
    let known = fs::metadata(day(&plant)).unwrap().len();
    let orphan = crate::capture::Frame::of(b"an orphan").unwrap().bytes;
    let torn = crate::capture::Frame::of(b"torn in the middle").unwrap().bytes;
    append(&plant, &orphan);
    append(&plant, &torn[..torn.len() - 3]);

    let book = plant.open();
    assert_eq!(fs::metadata(day(&plant)).unwrap().len(), known + orphan.len() as u64);
    assert_eq!(book.capture(&Hash::of(b"an orphan")).unwrap().unwrap(), b"an orphan");
    let aside = format!("2026-01-05.cap.torn-{}", known + orphan.len() as u64);
    assert_eq!(fs::read(plant.layout().captures().join(aside)).unwrap(), torn[..torn.len() - 3]);
    // The act whose piece it was tries again, and others go on behind it.
    book.act_blocking(captured(3, b"an orphan")).unwrap();
    book.act_blocking(captured(4, b"torn in the middle")).unwrap();
    for bytes in [&b"acknowledged"[..], b"an orphan", b"torn in the middle"] {
        assert_eq!(book.capture(&Hash::of(bytes)).unwrap().unwrap(), bytes);
    }
    book.shutdown_blocking();
    verify(&plant);
    crate::rebuild(&plant.path()).unwrap();
    plant.open().shutdown_blocking();
}

#[test]
fn captured_bytes_that_are_gone_are_seen_at_the_start() {
    let cut = |plant: &Plant| {
        let length = fs::metadata(day(plant)).unwrap().len();
        OpenOptions::new().write(true).open(day(plant)).unwrap().set_len(length - 1).unwrap();
    };
    let remove = |plant: &Plant| fs::remove_file(day(plant)).unwrap();
    for harm in [&cut as &dyn Fn(&Plant), &remove] {
        let plant = Plant::new();
        let book = with_station(&plant);
        book.act_blocking(captured(2, b"acknowledged")).unwrap();
        book.shutdown_blocking();
        harm(&plant);
        assert!(matches!(plant.refused(), OpenError::Capture(..)));
    }
}

#[test]
fn changed_bytes_are_never_given_out() {
    let plant = Plant::new();
    let book = with_station(&plant);
    book.act_blocking(captured(2, b"acknowledged")).unwrap();
    let mut bytes = fs::read(day(&plant)).unwrap();
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    fs::write(day(&plant), bytes).unwrap();
    assert!(book.capture(&Hash::of(b"acknowledged")).is_err());
    book.shutdown_blocking();
}
