//! What a server looks for before it serves: a book that somebody changed is refused with what was changed, and nothing is
//! written to it.

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use rusqlite::Connection;
use tallyseal_schema::canonical::base64;
use tallyseal_tests::book::{administer, as_administrator, checkpoints, entries};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::binary;

use crate::stock::Copy;

/// The server does not start, says that sentence, and leaves the book as it was.
#[track_caller]
fn refused(copy: &Copy, wanted: &str) {
    let before = entries(&copy.dir());
    let said = Server::try_start(&copy.dir(), &binary("tallyseal"), &[]).err();
    let said = said.unwrap_or_else(|| panic!("it serves, and should say: {wanted}"));
    assert!(said.starts_with("exit 2: ") && said.contains(wanted), "wanted: {wanted}\nsaid: {said}");
    assert_eq!(entries(&copy.dir()), before, "nothing was written");
}

/// SQL as it is, triggers and all.
fn plainly(dir: &Path, sql: &str) {
    Connection::open(dir.join("book.db")).unwrap().execute_batch(sql).unwrap();
}

#[test]
fn untouched_it_serves() {
    Server::start(&Copy::new().dir()).stop();
}

#[test]
fn the_triggers_themselves_refuse_a_change() {
    let copy = Copy::new();
    let db = Connection::open(copy.dir().join("book.db")).unwrap();
    for sql in [
        "UPDATE entry SET bytes = x'7b7d' WHERE n = 5",
        "DELETE FROM entry WHERE n = 5",
        "INSERT INTO entry SELECT n + 10000, stream, rev + 10000, bytes FROM entry WHERE n = 5",
        "INSERT OR REPLACE INTO entry SELECT n, stream, rev, x'7b7d' FROM entry WHERE n = 5",
        "DELETE FROM act",
        "UPDATE act SET n = n + 1",
        "INSERT OR REPLACE INTO act SELECT * FROM act LIMIT 1",
        "DELETE FROM file",
        "UPDATE file SET bytes = x'00'",
        "INSERT OR REPLACE INTO file SELECT sha256, x'00' FROM file LIMIT 1",
    ] {
        let error = db.execute_batch(sql).expect_err(sql).to_string();
        assert!(error.contains("never") || error.contains("once") || error.contains("nowhere else"), "{sql}: {error}");
    }
}

#[test]
fn a_trigger_that_was_dropped_is_named() {
    for trigger in [
        "entry_insert",
        "entry_update",
        "entry_delete",
        "act_insert",
        "act_update",
        "act_delete",
        "file_insert",
        "file_update",
        "file_delete",
    ] {
        let copy = Copy::new();
        plainly(&copy.dir(), &format!("DROP TRIGGER {trigger}"));
        refused(&copy, &format!("the trigger {trigger} is missing or changed"));
    }
}

#[test]
fn a_trigger_that_was_made_harmless_is_named() {
    let copy = Copy::new();
    plainly(
        &copy.dir(),
        "DROP TRIGGER entry_update; CREATE TRIGGER entry_update BEFORE UPDATE ON entry WHEN 0 BEGIN SELECT 1; END;",
    );
    refused(&copy, "the trigger entry_update is missing or changed");
}

#[test]
fn what_was_added_to_the_database_is_named() {
    for (sql, named) in [
        ("CREATE TABLE other (a)", "the table other is not ours"),
        ("CREATE INDEX other ON entry (rev)", "the index other is not ours"),
        ("CREATE TRIGGER other AFTER INSERT ON act BEGIN SELECT 1; END", "the trigger other is not ours"),
        ("CREATE VIEW other AS SELECT 1", "the view other is not ours"),
    ] {
        let copy = Copy::new();
        plainly(&copy.dir(), sql);
        refused(&copy, named);
    }
}

#[test]
fn a_file_that_is_no_book_or_a_newer_one_is_said() {
    let copy = Copy::new();
    plainly(&copy.dir(), "PRAGMA application_id = 1");
    refused(&copy, "it does not say that it is a book");
    let copy = Copy::new();
    plainly(&copy.dir(), "PRAGMA user_version = 99");
    refused(&copy, "written by a newer version of the software (store version 99)");
}

#[test]
fn a_head_that_was_edited_is_held_against_the_entries() {
    for (sql, named) in [
        ("UPDATE head SET n = n - 1", "the stored head contradicts itself"),
        ("UPDATE head SET leaf = zeroblob(32)", "it is not the one that the head names"),
        (
            "UPDATE head SET frontier = CAST(substr(frontier, 1, 8) || zeroblob(length(frontier) - 8) AS BLOB)",
            "the tree over its entries is another than the head's",
        ),
        ("DELETE FROM head", "interrupted"),
    ] {
        let copy = Copy::new();
        plainly(&copy.dir(), sql);
        refused(&copy, named);
    }
}

#[test]
fn a_last_row_without_its_head_or_a_head_without_its_row_is_said() {
    let copy = Copy::new();
    let last = entries(&copy.dir()).len() - 1;
    as_administrator(&copy.dir(), &format!("DELETE FROM entry WHERE n = {last}"));
    refused(&copy, &format!("the head says {last}, the last entry is"));
}

#[test]
fn an_entry_that_was_changed_or_filed_elsewhere_is_named() {
    let copy = Copy::new();
    as_administrator(
        &copy.dir(),
        "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), '\"labels\":2497', '\"labels\":2500') AS BLOB)
          WHERE n = (SELECT min(n) FROM entry WHERE instr(CAST(bytes AS TEXT), '\"kind\":\"roll.counted\"') > 0
                       AND instr(CAST(bytes AS TEXT), '\"labels\":2497') > 0)",
    );
    let stored = entries(&copy.dir());
    let changed = stored.iter().position(|bytes| {
        let text = String::from_utf8_lossy(bytes);
        text.contains("\"kind\":\"roll.counted\"") && text.contains("\"stream\":\"roll/R-000102\"")
    });
    // The entry after it is the first that does not follow.
    let wanted = format!("damaged at entry {}: it does not follow the entry before it", changed.unwrap() + 1);
    refused(&copy, &wanted);

    let copy = Copy::new();
    as_administrator(&copy.dir(), "UPDATE entry SET stream = 'roll/R-999999' WHERE n = 200");
    refused(&copy, "damaged at entry 200: it is filed as rev");
}

#[test]
fn a_missing_row_is_named() {
    let copy = Copy::new();
    as_administrator(&copy.dir(), "DELETE FROM entry WHERE n = 200");
    refused(&copy, "damaged at entry 200: it is missing");
}

#[test]
fn the_newest_checkpoint_is_held_against_the_book() {
    let copy = Copy::new();
    let files = checkpoints(&copy.dir());
    let (newest, older) = (files.last().unwrap(), &files[files.len() - 2]);
    let text = std::fs::read_to_string(newest).unwrap();
    std::fs::write(newest, text.replacen("plant-1", "plant-2", 1)).unwrap();
    refused(&copy, "does not agree with the book");
    std::fs::copy(older, newest).unwrap();
    refused(&copy, "it is of size");
    for file in files {
        std::fs::remove_file(file).unwrap();
    }
    refused(&copy, "no checkpoint is there");
}

#[test]
fn another_key_or_one_that_others_may_read_is_refused() {
    let copy = Copy::new();
    let file = copy.dir().join("keys/book.key");
    std::fs::set_permissions(&file, Permissions::from_mode(0o644)).unwrap();
    refused(&copy, "can be read by others than its owner (mode 0644)");
    std::fs::set_permissions(&file, Permissions::from_mode(0o600)).unwrap();
    std::fs::write(&file, format!("{}\n", base64([7; 32]))).unwrap();
    refused(&copy, "is not the key that this book's entries name");
    std::fs::remove_file(&file).unwrap();
    refused(&copy, "book.key cannot be used");
}

#[test]
fn captured_bytes_that_are_gone_are_named_by_their_file() {
    let copy = Copy::new();
    let day = std::fs::read_dir(copy.dir().join("captures")).unwrap().next().unwrap().unwrap().path();
    let bytes = std::fs::read(&day).unwrap();
    std::fs::write(&day, &bytes[..bytes.len() - 1]).unwrap();
    refused(&copy, &format!("it has {} bytes and had {}", bytes.len() - 1, bytes.len()));
    std::fs::remove_file(&day).unwrap();
    refused(&copy, "the file is gone");
}

/// A view is no part of the record: a server makes it anew where its table is not as it should be.
#[test]
fn views_that_are_gone_are_made_anew() {
    let copy = Copy::new();
    plainly(&copy.dir(), "DROP TABLE stream_key");
    Server::start(&copy.dir()).stop();
    let copies = administer(&copy.dir(), |db| {
        db.query_row("SELECT count(*) FROM stream_key", [], |row| row.get::<_, i64>(0)).unwrap()
    });
    assert!(copies > 100);
}
