//! A book that is not as it should be is not served.

use std::fs;

use rusqlite::Connection;
use rusqlite::params;
use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{Hash, tree};

use crate::testing::*;
use crate::{Book, CreateError, OpenError, Opening};

/// A book with some acts, at rest.
fn written() -> Plant {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    for number in 1..=5 {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    book.shutdown_blocking();
    plant
}

/// What an administrator of the database does: takes the triggers out, works, and puts them back word for word.
fn behind_the_triggers(plant: &Plant, work: impl FnOnce(&Connection)) {
    let database = plant.database();
    let mut triggers = database.prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").unwrap();
    let texts: Vec<(String, String)> =
        triggers.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect();
    for (name, _) in &texts {
        database.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    work(&database);
    for (_, text) in &texts {
        database.execute_batch(text).unwrap();
    }
}

#[test]
fn triggers_put_back_word_for_word_are_the_triggers() {
    // The means of the other tests changes nothing by itself.
    let plant = written();
    behind_the_triggers(&plant, |_| ());
    plant.open().shutdown_blocking();
    verify(&plant);
}

#[test]
fn a_dropped_changed_or_added_trigger_is_seen() {
    for (sql, named) in [
        ("DROP TRIGGER entry_update", "entry_update"),
        ("DROP TRIGGER act_delete", "act_delete"),
        (
            "DROP TRIGGER entry_delete; CREATE TRIGGER entry_delete BEFORE DELETE ON entry BEGIN SELECT 1; END",
            "entry_delete",
        ),
        ("CREATE TRIGGER mine AFTER INSERT ON entry BEGIN DELETE FROM head; END", "mine"),
        ("CREATE TABLE mine (x)", "mine"),
        ("CREATE INDEX mine ON entry (bytes)", "mine"),
    ] {
        let plant = written();
        plant.database().execute_batch(sql).unwrap();
        match plant.refused() {
            OpenError::Schema(what) => assert!(what.contains(named), "{sql}: {what}"),
            other => panic!("{sql}: {other}"),
        }
    }
}

#[test]
fn an_edited_head_is_seen() {
    for sql in [
        "UPDATE head SET n = n - 1",
        "UPDATE head SET n = n + 1",
        "UPDATE head SET leaf = zeroblob(32)",
        "UPDATE head SET frontier = zeroblob(length(frontier))",
        "UPDATE head SET frontier = CAST(substr(frontier, 1, 8) || zeroblob(length(frontier) - 8) AS BLOB)",
    ] {
        let plant = written();
        assert_eq!(plant.database().execute(sql, []).unwrap(), 1);
        assert!(matches!(plant.refused(), OpenError::Damaged { .. }), "{sql}");
    }
    let plant = written();
    plant.database().execute("DELETE FROM head", []).unwrap();
    plant.refused();
}

#[test]
fn an_edited_entry_among_the_last_is_seen_at_its_place() {
    let plant = written();
    behind_the_triggers(&plant, |database| {
        // The name of the third supplier, by as many bytes: still canonical, still of its schema.
        let sql = "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), 'Printer SU-3', 'Printer SU-9') AS BLOB) WHERE n = 4";
        assert_eq!(database.execute(sql, []).unwrap(), 1);
    });
    assert!(matches!(plant.refused(), OpenError::Damaged { n: Some(5), .. }), "its follower names another");
    let plant = written();
    behind_the_triggers(&plant, |database| {
        let sql = "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), 'SU-5', 'SU-9') AS BLOB) WHERE n = 6";
        assert_eq!(database.execute(sql, []).unwrap(), 1);
    });
    assert!(matches!(plant.refused(), OpenError::Damaged { n: Some(6), .. }), "the newest");
    let plant = written();
    behind_the_triggers(&plant, |database| {
        assert_eq!(database.execute("UPDATE entry SET stream = 'supplier/SU-7' WHERE n = 6", []).unwrap(), 1);
    });
    assert!(matches!(plant.refused(), OpenError::Damaged { n: Some(6), .. }), "filed under another name");
}

#[test]
fn an_entry_that_is_missing_is_seen() {
    let plant = written();
    behind_the_triggers(&plant, |database| {
        assert_eq!(database.execute("DELETE FROM entry WHERE n = 3", []).unwrap(), 1);
    });
    assert!(matches!(plant.refused(), OpenError::Damaged { n: Some(3), .. }));
}

/// Cuts the newest entries off so well that the database by itself is right again.
fn cut(plant: &Plant, entries: u64) {
    let size = 7 - entries;
    let early = Plant::new();
    let book = early.open();
    for number in 1..=(size - 2) {
        book.act_blocking(order(number as u32, software(), register(&format!("SU-{number}")))).unwrap();
    }
    book.shutdown_blocking();
    fs::copy(early.layout().db(), plant.layout().db()).unwrap();
}

#[test]
fn a_book_that_was_set_back_is_refused_and_says_by_how_much() {
    let plant = written();
    cut(&plant, 2);
    match plant.refused() {
        OpenError::SetBack { size: 5, signed: 7 } => {}
        other => panic!("{other}"),
    }
    // Without the kept checkpoints nothing in the directory can know.
    let newest = plant.layout().checkpoints().join("000000000000/0000000000000007");
    fs::remove_file(newest).unwrap();
    plant.open().shutdown_blocking();
    verify(&plant);
}

#[test]
fn a_checkpoint_that_is_not_the_books_own_is_refused() {
    let other_key = SigningKey::from_seed(&[2; 32]).unwrap();
    let key = SigningKey::from_seed(&[1; 32]).unwrap();
    let of = |origin: &str, size, root, key: &SigningKey| {
        checkpoint::sign(&Checkpoint { origin: origin.parse().unwrap(), size, root }, key)
    };
    let plant = written();
    let file = plant.layout().checkpoints().join("000000000000/0000000000000007");
    let good = fs::read_to_string(&file).unwrap();
    let root = checkpoint::parse_body(&good).unwrap().root;
    let entries = crate::Reader::open(&plant.path()).unwrap().entries(0, 5).unwrap();
    let root_of_six = tree::root(&entries.iter().map(|bytes| Hash::leaf(bytes)).collect::<Vec<_>>());
    for (what, text) in [
        ("another key", of("book.example/test", 7, root, &other_key)),
        ("another root", of("book.example/test", 7, Hash::ZERO, &key)),
        ("another book", of("book.example/other", 7, root, &key)),
        ("an older one under its name", of("book.example/test", 6, root_of_six, &key)),
        ("a torn file", good[..good.len() - 9].to_owned()),
        ("an empty file", String::new()),
    ] {
        fs::write(&file, text).unwrap();
        assert!(matches!(plant.refused(), OpenError::Checkpoint(..)), "{what}");
    }
    fs::write(&file, good).unwrap();
    plant.open().shutdown_blocking();
}

#[test]
fn a_book_whose_checkpoints_were_taken_is_not_called_unfinished() {
    let plant = written();
    for entry in fs::read_dir(plant.layout().checkpoints().join("000000000000")).unwrap() {
        fs::remove_file(entry.unwrap().path()).unwrap();
    }
    let error = plant.refused();
    assert!(matches!(error, OpenError::Checkpoint(..)), "{error}");
    assert!(!error.to_string().contains("remove"), "{error}");
}

#[test]
fn another_key_and_an_open_key_are_refused() {
    use std::os::unix::fs::PermissionsExt as _;
    let plant = written();
    let file = plant.layout().book_key();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
    assert!(matches!(plant.refused(), OpenError::Key(_)));
    fs::remove_file(&file).unwrap();
    assert!(matches!(plant.refused(), OpenError::Key(_)));
    crate::key_file::write(&file, &[2; 32]).unwrap();
    assert!(matches!(plant.refused(), OpenError::OtherKey));
}

#[test]
fn a_tile_that_was_changed_is_seen() {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    for number in 1..=300 {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    book.shutdown_blocking();
    assert_eq!(plant.database().execute("UPDATE tile SET hashes = zeroblob(8192)", []).unwrap(), 1);
    assert!(matches!(plant.refused(), OpenError::Damaged { n: None, .. }));
    crate::rebuild(&plant.path()).unwrap();
    plant.open().shutdown_blocking();
    verify(&plant);
}

#[test]
fn a_newer_books_store_is_refused_by_its_version() {
    let plant = written();
    plant.database().pragma_update(None, "user_version", 99).unwrap();
    assert!(matches!(plant.refused(), OpenError::Newer(99)));
    let plant = written();
    plant.database().pragma_update(None, "application_id", 1).unwrap();
    assert!(matches!(plant.refused(), OpenError::Schema(_)));
}

#[test]
fn the_second_server_is_told_who_serves() {
    let plant = written();
    let book = plant.open();
    let error = plant.refused();
    assert!(matches!(error, OpenError::Lock(_)) && error.to_string().contains("process"), "{error}");
    book.shutdown_blocking();
    let error = crate::rebuild(&plant.path());
    assert!(error.is_ok(), "{error:?}");
}

#[test]
fn a_book_is_made_in_an_empty_place_only() {
    let plant = Plant::new();
    let opening = || Opening {
        name: "book.example/test".parse().unwrap(),
        zone: "Europe/Prague".to_owned(),
        software: "tests".to_owned(),
        at: at(MORNING),
        key_seed: [1; 32],
    };
    assert!(matches!(Book::create(&plant.path(), opening()), Err(CreateError::Exists(_))));
    let other = plant.dir.path().join("other");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("notes.txt"), "mine").unwrap();
    assert!(matches!(Book::create(&other, opening()), Err(CreateError::NotEmpty(_))));
    assert_eq!(fs::read_dir(&other).unwrap().count(), 1, "nothing was put there");
    assert!(matches!(Book::open(&other, plant.settings()), Err(OpenError::NoBook(_))));
    fs::remove_file(other.join("notes.txt")).unwrap();
    Book::create(&other, opening()).unwrap();
}

#[test]
fn a_book_whose_making_was_interrupted_says_so() {
    type Undo = fn(&Plant);
    // Each is what a crash leaves at that step of the making.
    let steps: [(&str, Undo); 2] = [
        ("an empty database", |plant| {
            fs::write(plant.layout().db(), "").unwrap();
            fs::remove_file(plant.layout().checkpoints().join("000000000000/0000000000000001")).unwrap();
        }),
        ("before the checkpoint", |plant| {
            fs::remove_file(plant.layout().checkpoints().join("000000000000/0000000000000001")).unwrap();
        }),
    ];
    for (step, undo) in steps {
        let plant = Plant::new();
        undo(&plant);
        let error = plant.refused();
        assert!(matches!(error, OpenError::Unfinished(_)), "{step}: {error}");
    }
}

#[test]
fn a_book_whose_database_is_gone_is_to_be_restored_and_never_begun_anew() {
    // Whatever else of it is left, alone.
    for left in ["keys", "checkpoints", "captures"] {
        let plant = written();
        fs::remove_file(plant.layout().db()).unwrap();
        for other in ["keys", "checkpoints", "captures"].iter().filter(|other| **other != left) {
            fs::remove_dir_all(plant.path().join(other)).unwrap();
        }
        let error = plant.refused();
        assert!(matches!(error, OpenError::Lost(_)), "{left}: {error}");
        assert!(error.to_string().contains("Restore book.db"), "{left}: {error}");
        let opening = Opening {
            name: "book.example/test".parse().unwrap(),
            zone: "Europe/Prague".to_owned(),
            software: "tests".to_owned(),
            at: at(MORNING),
            key_seed: [2; 32],
        };
        assert!(matches!(Book::create(&plant.path(), opening), Err(CreateError::NotEmpty(_))), "{left}");
    }
    // An empty file in its place is no book that was never begun.
    let plant = written();
    fs::write(plant.layout().db(), "").unwrap();
    assert!(matches!(plant.refused(), OpenError::Lost(_)));
}

#[test]
fn the_last_thousand_are_hashed_and_the_root_speaks_for_the_rest() {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    let receipts = std::thread::scope(|scope| {
        let callers: Vec<_> = (0..8_u32)
            .map(|caller| {
                let book = book.clone();
                scope.spawn(move || {
                    for i in 0..150 {
                        let number = caller * 1_000 + i;
                        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
                    }
                })
            })
            .collect();
        callers.into_iter().map(|caller| caller.join().unwrap()).count()
    });
    assert_eq!(receipts, 8);
    book.shutdown_blocking();
    // An entry far from the end, below a full tile: the start does not look there, `verify` does.
    behind_the_triggers(&plant, |database| {
        let sql = "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), 'somewhere', 'elsewhere') AS BLOB) WHERE n = ?1";
        assert_eq!(database.execute(sql, params![10]).unwrap(), 1);
    });
    plant.open().shutdown_blocking();
    let found = crate::differing_views(&plant.path()).unwrap();
    assert!(found.faults.iter().any(|fault| fault.contains("tile: 0 0")), "{:?}", found.faults);
}
