//! The book's key changes, and a crash at any step leaves exactly one key that the entries name.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use tallyseal_schema::checkpoint::{self, VerifierKey};
use tallyseal_schema::signature::{self, SigningKey, key_name};
use tallyseal_schema::{Body, canonical};

use crate::testing::*;
use crate::{OpenError, Reader, key_file};

fn public(seed: u8) -> [u8; 32] {
    SigningKey::from_seed(&[seed; 32]).unwrap().public()
}

fn of_book(seed: u8) -> VerifierKey {
    VerifierKey::of_book(&"book.example/test".parse().unwrap(), public(seed))
}

/// A book whose key was changed from 1 to 2 after its entry 2, and that has an entry after that.
fn rotated() -> Plant {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    book.keep_checkpoint_blocking().unwrap();
    let told = book.rotate_key_blocking([2; 32], Some("yearly change".to_owned())).unwrap();
    assert_eq!(told, of_book(2).to_string());
    assert_eq!(book.verifier_key().unwrap(), told);
    book.act_blocking(order(2, software(), register("SU-2"))).unwrap();
    book.shutdown_blocking();
    plant
}

fn kept(plant: &Plant, size: u64) -> String {
    fs::read_to_string(plant.layout().checkpoints().join(format!("000000000000/{size:016}"))).unwrap()
}

#[test]
fn another_key_signs_from_its_entry_on_and_the_old_one_is_gone() {
    let plant = rotated();
    let entries = verify(&plant);
    assert_eq!(
        kinds(&entries),
        ["book.opened", "book.started", "supplier.registered", "book.key_enrolled", "supplier.registered"]
    );
    assert_eq!(entries[3].header.why.as_deref(), Some("yearly change"));
    let Body::BookKeyEnrolled(body) = &entries[3].body else { panic!() };
    assert_eq!((body.key, &body.public_key), (key_name(&public(2)), &canonical::base64(public(2))));
    let statement = signature::book_key_statement(&entries[3].header.book, &body.key).unwrap();
    assert!(signature::verify(&public(1), &statement, &canonical::unbase64(&body.proof).unwrap()));
    // The one before the entry by the old key, the one with the entry and all after it by the new one.
    for (size, seed, other) in [(3, 1, 2), (4, 2, 1), (5, 2, 1)] {
        let note = kept(&plant, size);
        assert_eq!(checkpoint::open(&note, &[of_book(seed)]).unwrap().signed_by, [0], "{size}");
        assert_eq!(checkpoint::open(&note, &[of_book(other)]).unwrap().signed_by, [0; 0], "{size}");
    }
    assert_eq!(key_file::read(&plant.layout().book_key()).unwrap(), [2; 32]);
    assert!(!plant.layout().next_book_key().exists());
    assert_eq!(Reader::open(&plant.path()).unwrap().verifier_key().unwrap(), of_book(2).to_string());
    // And again, after a start.
    let book = plant.open();
    assert_eq!(book.verifier_key().unwrap(), of_book(2).to_string());
    book.rotate_key_blocking([3; 32], None).unwrap();
    book.shutdown_blocking();
    plant.open().shutdown_blocking();
    verify(&plant);
    assert_eq!(key_file::read(&plant.layout().book_key()).unwrap(), [3; 32]);
}

/// Writes a key file as a crash may have left it, whatever was there.
fn put(path: &std::path::Path, text: &str) {
    fs::write(path, text).unwrap();
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
}

fn key_text(seed: u8) -> String {
    canonical::base64([seed; 32]) + "\n"
}

#[test]
fn a_change_that_a_crash_interrupted_before_its_entry_is_taken_back() {
    let whole = key_text(9);
    for left in [whole.as_str(), "", &whole[..20]] {
        let plant = Plant::new();
        plant.open().shutdown_blocking();
        put(&plant.layout().next_book_key(), left);
        let book = plant.open();
        assert_eq!(book.verifier_key().unwrap(), of_book(1).to_string(), "{left:?}");
        book.shutdown_blocking();
        assert!(!plant.layout().next_book_key().exists(), "{left:?}");
        verify(&plant);
    }
}

#[test]
fn a_change_that_a_crash_interrupted_after_its_entry_is_finished() {
    let spoiled = "\n".repeat(45);
    // The old key as it was; written over; written over in part; and its file gone.
    for old in [Some(key_text(1)), Some(spoiled.clone()), Some(spoiled[..9].to_owned() + &key_text(1)[9..]), None] {
        let plant = rotated();
        let layout = plant.layout();
        fs::rename(layout.book_key(), layout.next_book_key()).unwrap();
        if let Some(old) = &old {
            put(&layout.book_key(), old);
        }
        let book = plant.open();
        assert_eq!(book.verifier_key().unwrap(), of_book(2).to_string(), "{old:?}");
        book.act_blocking(order(3, software(), register("SU-3"))).unwrap();
        book.shutdown_blocking();
        assert_eq!(key_file::read(&layout.book_key()).unwrap(), [2; 32], "{old:?}");
        assert!(!layout.next_book_key().exists(), "{old:?}");
        verify(&plant);
    }
}

#[test]
fn a_key_that_another_has_followed_does_not_serve() {
    let plant = rotated();
    put(&plant.layout().book_key(), &key_text(1));
    assert!(matches!(plant.refused(), OpenError::OldKey));
    put(&plant.layout().book_key(), &key_text(7));
    assert!(matches!(plant.refused(), OpenError::OtherKey));
    // A checkpoint of after the change by the key from before it.
    put(&plant.layout().book_key(), &key_text(2));
    let at = checkpoint::parse_body(&kept(&plant, 5)).unwrap();
    let old = checkpoint::sign(&at, &SigningKey::from_seed(&[1; 32]).unwrap());
    fs::write(plant.layout().checkpoints().join("000000000000/0000000000000005"), old).unwrap();
    assert!(matches!(plant.refused(), OpenError::Checkpoint(..)));
}

#[test]
fn a_key_that_cannot_be_made_durable_changes_nothing() {
    let plant = Plant::new();
    let book = plant.open();
    // A folder in its place can neither be removed as a file nor written.
    fs::create_dir(plant.layout().next_book_key()).unwrap();
    fs::set_permissions(plant.layout().next_book_key(), fs::Permissions::from_mode(0o700)).unwrap();
    assert!(book.rotate_key_blocking([2; 32], None).is_err());
    assert_eq!(book.verifier_key().unwrap(), of_book(1).to_string());
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    book.shutdown_blocking();
    fs::remove_dir(plant.layout().next_book_key()).unwrap();
    assert_eq!(kinds(&verify(&plant)), ["book.opened", "book.started", "supplier.registered"]);
}

#[test]
fn whatever_others_can_touch_is_not_served_and_the_sentence_says_how_to_close_it() {
    let plant = Plant::new();
    plant.open().shutdown_blocking();
    let layout = plant.layout();
    let pepper = layout.keys().join("pepper.key");
    key_file::write(&pepper, &[5; 32]).unwrap();
    let cases = [
        (layout.keys(), 0o750, 0o700, "chmod go="),
        (layout.book_key(), 0o604, 0o600, "chmod go="),
        (pepper, 0o640, 0o600, "chmod go="),
        (layout.dir().to_owned(), 0o770, 0o700, "chmod go-w"),
        (layout.dir().to_owned(), 0o702, 0o700, "chmod go-w"),
        (layout.checkpoints(), 0o722, 0o700, "chmod go-w"),
        (layout.captures(), 0o770, 0o700, "chmod go-w"),
    ];
    let set = |path: &std::path::Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    for (path, open, closed, command) in cases {
        set(&path, open);
        let error = plant.refused().to_string();
        assert!(error.contains(&format!("{command} {}", path.display())), "{error}");
        set(&path, closed);
    }
    // Others may read the directory's names; a stricter file is as good.
    set(layout.dir(), 0o755);
    set(&layout.book_key(), 0o400);
    plant.open().shutdown_blocking();
}
