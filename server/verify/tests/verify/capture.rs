//! What lies beside the entries: raw bytes, plugin files, the log of a crash, the lock; and files that are no book.

use serde_json::json;
use tallyseal_schema::Hash;
use tallyseal_verify::{Check, Options, verify, verify_chain};

use crate::fixture::places::*;
use crate::fixture::*;

/// Writes the sample book, spoils its directory, and asks who names it.
#[track_caller]
fn beside(check: Check, n: Option<u64>, also: &[Check], spoil: impl Fn(&std::path::Path)) {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    spoil(dir.path());
    finds(|options| verify(dir.path(), options).unwrap(), check, n, also);
}

fn day(dir: &std::path::Path) -> std::path::PathBuf {
    dir.join("captures/2026-03-02.cap")
}

fn sql(dir: &std::path::Path, sql: &str) {
    rusqlite::Connection::open(dir.join("book.db")).unwrap().execute_batch(sql).unwrap();
}

#[test]
fn raw_bytes_lost_or_changed() {
    beside(Check::Captures, Some(SEGMENT), &[], |dir| std::fs::remove_file(day(dir)).unwrap());
    beside(Check::Captures, Some(SECOND_SEGMENT), &[], |dir| std::fs::write(day(dir), piece(FIRST)).unwrap());
    // A byte inside the first piece, and the first byte of the second: the other is found all the same.
    for (at, n) in [(60, SEGMENT), (piece(FIRST).len(), SECOND_SEGMENT)] {
        beside(Check::Captures, Some(n), &[], |dir| {
            let mut bytes = std::fs::read(day(dir)).unwrap();
            bytes[at] ^= 0x40;
            std::fs::write(day(dir), bytes).unwrap();
        });
    }
    // Named by the right hash, and other bytes.
    beside(Check::Captures, Some(SEGMENT), &[], |dir| {
        let mut other = piece(b"other bytes, as many");
        other[4..36].copy_from_slice(&Hash::of(FIRST).0);
        std::fs::write(day(dir), [other, piece(SECOND)].concat()).unwrap();
    });
}

#[test]
fn raw_bytes_stand_in_any_order_and_a_torn_piece_that_nobody_names_is_only_noted() {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    let torn = &piece(b"never named")[..40];
    std::fs::write(day(dir.path()), [piece(b"orphan"), piece(SECOND), piece(FIRST), torn.to_vec()].concat()).unwrap();
    let report = verify(dir.path(), &without(&[])).unwrap();
    assert!(report.ok(), "{report}");
    assert!(report.notes.iter().any(|note| note.contains("40 bytes that are no piece")), "{report}");
}

#[test]
fn a_segment_that_leaves_a_gap_or_names_another_length() {
    for (field, value) in [("offset", 21), ("length", 15)] {
        println!("{field}");
        let mut book = Forge::founded(9);
        let body = json!({
            "attempt": 1, "bracket": 0, "counts": "labels", "direction": "forward", "item": "item/I-1",
            "plugin": plugin_digest().hex(), "purpose": "incoming", "roll": "roll/R-1", "station": "station/ST-1",
        });
        drafted(&mut book);
        book.add(system(), "count.opened", "count/C-1", body);
        book.segment("count/C-1", 0, FIRST);
        let n = book.segment("count/C-1", FIRST.len() as u64, SECOND);
        book.change(n, |entry| entry["body"][field] = json!(value));
        finds(|options| book.verify(options), Check::Captures, Some(n), &[]);
    }
    // Each link of each count is a stream of bytes of its own.
    let mut book = sample(9);
    book.segment("count/C-2", 0, FIRST);
    let n = book.segment("count/C-2", 0, SECOND);
    book.change(n, |entry| entry["body"]["link"] = json!("second"));
    assert!(book.verify(&without(&[])).ok());
}

/// The sample's plugin, drafted.
fn drafted(book: &mut Forge) -> u64 {
    let files: Vec<_> = plugin()
        .iter()
        .map(|(path, bytes)| json!({"length": bytes.len(), "path": path, "sha256": Hash::of(bytes).hex()}))
        .collect();
    book.files = plugin().into_values().collect();
    let draft = json!({
        "counts": "labels", "digest": plugin_digest().hex(), "emits": ["total"], "files": files, "name": "line",
        "version": "1.0.0",
    });
    book.add(system(), "plugin.drafted", "plugin/P-1", draft)
}

#[test]
fn something_seen_in_bytes_that_are_not_there() {
    for (from, to) in [(10, 1_000), (25, 10)] {
        let mut book = Forge::founded(9);
        drafted(&mut book);
        book.segment("count/C-1", 0, FIRST);
        let seen = json!({"fault": "splice", "from": from, "link": "main", "ordinal": 1, "to": to});
        let n = book.add(machine(), "count.fault_seen", "count/C-1", seen);
        book.add(system(), "count.interrupted", "count/C-1", json!({"cause": "power"}));
        finds(|options| book.verify(options), Check::Captures, Some(n), &[]);
    }
    // As long as the count is open, the bytes may still come.
    let mut book = Forge::founded(9);
    drafted(&mut book);
    let seen = json!({"fault": "splice", "from": 10, "link": "main", "ordinal": 1, "to": 15});
    book.add(machine(), "count.fault_seen", "count/C-1", seen);
    assert!(book.verify(&without(&[])).ok());
    book.segment("count/C-1", 0, FIRST);
    book.add(system(), "count.interrupted", "count/C-1", json!({"cause": "power"}));
    assert!(book.verify(&without(&[])).ok());
}

/// FORMAT.md section 6: each plugin that an entry's `by` names is there, whether or not a count ran it.
#[test]
fn a_machine_that_speaks_through_a_plugin_that_nobody_drafted() {
    let mut book = Forge::founded(9);
    let stray = json!({"length": 5, "link": "main", "observed": 0, "sha256": book.capture(b"stray").hex()});
    let n = book.add(machine(), "station.stray_captured", "station/ST-1", stray);
    finds(|options| book.verify(options), Check::Plugins, Some(n), &[]);
}

#[test]
fn stray_bytes_are_kept_and_a_segment_without_bytes_needs_none() {
    let mut book = sample(9);
    let stray = json!({"length": 5, "link": "main", "observed": 0, "sha256": book.capture(b"stray").hex()});
    book.add(machine(), "station.stray_captured", "station/ST-1", stray);
    book.segment("count/C-9", 0, b"");
    book.captures.retain(|raw| !raw.is_empty());
    assert!(book.verify(&without(&[])).ok());
    book.captures.pop();
    finds(|options| book.verify(options), Check::Captures, Some(LAST + 1), &[]);
}

#[test]
fn plugin_files_lost_changed_or_added() {
    beside(Check::Plugins, Some(PLUGIN), &[], |dir| sql(dir, "DELETE FROM file WHERE length(bytes) = 10"));
    beside(Check::Plugins, Some(PLUGIN), &[], |dir| sql(dir, "UPDATE file SET bytes = x'00'"));
    beside(Check::Plugins, Some(PLUGIN), &[], |dir| sql(dir, "DROP TABLE file"));
}

#[test]
fn a_plugin_whose_digest_is_not_that_of_its_files_or_that_nobody_drafted() {
    let mut book = Forge::founded(9);
    let n = drafted(&mut book);
    book.change(n, |entry| entry["body"]["digest"] = json!("ab".repeat(32)));
    finds(|options| book.verify(options), Check::Plugins, Some(n), &[]);
    let mut book = Forge::founded(9);
    let n = drafted(&mut book);
    book.change(n, |entry| entry["body"]["files"].as_array_mut().unwrap().truncate(1));
    finds(|options| book.verify(options), Check::Plugins, Some(n), &[]);
    let mut book = Forge::founded(9);
    let n = drafted(&mut book);
    book.change(n, |entry| entry["body"]["files"][0]["length"] = json!(1));
    finds(|options| book.verify(options), Check::Plugins, Some(n), &[]);
    let mut book = Forge::founded(9);
    let body = json!({
        "attempt": 1, "bracket": 0, "counts": "labels", "direction": "forward", "item": "item/I-1",
        "plugin": plugin_digest().hex(), "purpose": "incoming", "roll": "roll/R-1", "station": "station/ST-1",
    });
    let n = book.add(system(), "count.opened", "count/C-1", body);
    finds(|options| book.verify(options), Check::Plugins, Some(n), &[]);
}

/// Every file of a directory with its bytes.
fn content(dir: &std::path::Path) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(content(&path));
        } else {
            found.push((path.clone(), std::fs::read(path).unwrap()));
        }
    }
    found.sort();
    found
}

/// A book in write-ahead mode, as a killed server leaves it: its last entries only in the log.
fn crashed(dir: &std::path::Path) {
    let made = tempfile::tempdir().unwrap();
    sample(9).write(made.path());
    let connection = rusqlite::Connection::open(made.path().join("book.db")).unwrap();
    connection
        .execute_batch(
            "CREATE TEMP TABLE last AS SELECT * FROM entry WHERE n >= 20; DELETE FROM entry WHERE n >= 20;
             PRAGMA journal_mode=wal; PRAGMA wal_autocheckpoint=0; INSERT INTO entry SELECT * FROM last;",
        )
        .unwrap();
    for (path, bytes) in content(made.path()) {
        let to = dir.join(path.strip_prefix(made.path()).unwrap());
        std::fs::create_dir_all(to.parent().unwrap()).unwrap();
        std::fs::write(to, bytes).unwrap();
    }
    std::fs::remove_file(dir.join("book.db-shm")).unwrap();
}

#[test]
fn the_log_that_a_crash_left_is_read_and_nothing_is_changed() {
    let dir = tempfile::tempdir().unwrap();
    crashed(dir.path());
    let before = content(dir.path());
    assert!(before.iter().any(|(path, bytes)| path.ends_with("book.db-wal") && !bytes.is_empty()));
    let report = verify(dir.path(), &without(&[])).unwrap();
    assert!(report.ok(), "{report}");
    assert_eq!(report.entries, 26);
    assert_eq!(verify_chain(dir.path(), 2).unwrap().entries, 26);
    assert!(content(dir.path()) == before, "the directory is as it was");
    // Without its log it ends earlier, and the kept checkpoint says so.
    std::fs::remove_file(dir.path().join("book.db-wal")).unwrap();
    let report = verify(dir.path(), &without(&[])).unwrap();
    assert_eq!(found(&report), [("checkpoints".to_owned(), Some(20))]);
}

#[test]
fn a_book_that_is_read_only_and_at_rest_is_read_in_place_and_nothing_is_made_beside_it() {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    sql(dir.path(), "PRAGMA journal_mode=wal;");
    let before = content(dir.path());
    assert!(verify(dir.path(), &without(&[])).unwrap().ok());
    assert!(content(dir.path()) == before, "the directory is as it was");
}

#[test]
fn a_path_with_characters_that_mean_something_in_a_uri() {
    let dir = tempfile::tempdir().unwrap();
    let odd = dir.path().join("a book?mode=rw#%41 é&x");
    std::fs::create_dir(&odd).unwrap();
    sample(9).write(&odd);
    assert!(verify(&odd, &without(&[])).unwrap().ok());
}

#[test]
fn a_book_that_is_served_is_left_alone_unless_the_server_itself_asks() {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    let path = dir.path().join("lock");
    std::fs::write(&path, "process 17 (tallyseal 0.1.0)\n").unwrap();
    let held = std::fs::File::open(&path).unwrap();
    held.try_lock().unwrap();
    let error = verify(dir.path(), &without(&[])).unwrap_err().to_string();
    assert!(error.contains("in use by process 17 (tallyseal 0.1.0); ask the server"), "{error}");
    assert!(verify_chain(dir.path(), 1).is_err());

    // The server writes on while it is verified: what comes after the start is not looked at.
    let writer = rusqlite::Connection::open(dir.path().join("book.db")).unwrap();
    writer.execute_batch("PRAGMA journal_mode=wal").unwrap();
    let more = || writer.execute("INSERT INTO entry SELECT max(n) + 1, 'x', 1, x'00' FROM entry", []).unwrap();
    let progress = |_: u64, _: u64| {
        more();
    };
    let options = Options { live: true, progress: Some(&progress), ..without(&[]) };
    let report = verify(dir.path(), &options).unwrap();
    assert!(report.ok(), "{report}");
    assert_eq!(report.entries, 26);

    drop(held);
    writer.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    assert!(!verify(dir.path(), &without(&[])).unwrap().ok(), "what was written is no entry");
}

#[test]
fn what_is_no_book_cannot_be_verified() {
    let dir = tempfile::tempdir().unwrap();
    let missing = verify(&dir.path().join("nothing"), &without(&[])).unwrap_err().to_string();
    assert!(missing.contains("cannot be read"), "{missing}");
    assert!(verify(dir.path(), &without(&[])).is_err(), "an empty directory");
    for sql in [
        "CREATE TABLE other (n)",
        // Rows that are computed, or not there: whoever reads them runs what the file says.
        "CREATE TABLE t (n, stream, rev, bytes); CREATE VIEW entry AS SELECT * FROM t",
        "CREATE TABLE entry (n INTEGER PRIMARY KEY, stream, rev, bytes AS (zeroblob(1)))",
        "CREATE TABLE entry (n TEXT PRIMARY KEY, stream, rev, bytes)",
        "CREATE TABLE entry (n INTEGER PRIMARY KEY, bytes)",
    ] {
        let dir = tempfile::tempdir().unwrap();
        rusqlite::Connection::open(dir.path().join("book.db")).unwrap().execute_batch(sql).unwrap();
        let error = verify(dir.path(), &without(&[])).unwrap_err().to_string();
        assert!(error.contains("is not the database of a book"), "{sql}: {error}");
    }
    for (name, bytes, said) in [
        ("a.txt", b"hello".to_vec(), "none of the forms"),
        ("a", Vec::new(), "none of the forms"),
        ("a.jsonl", Vec::new(), "holds no entry"),
    ] {
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let error = verify(&path, &without(&[])).unwrap_err().to_string();
        assert!(error.contains(said), "{name}: {error}");
    }
}

#[test]
fn the_chain_alone_says_what_the_whole_verification_says_about_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut book = sample(9);
    for i in 0..2_600 {
        book.add(system(), "moon.landed", &format!("moon/M-{}", i % 7), json!({"prev": "x", "say": "\",\"prev\":\""}));
    }
    book.keep();
    book.write(dir.path());
    let root = tallyseal_schema::tree::root(&book.leaves());
    for workers in [1, 2, 5] {
        let report = verify_chain(dir.path(), workers).unwrap();
        assert!(report.ok(), "{report:?}");
        assert_eq!((report.entries, report.root), (book.size(), Some(root)));
        assert_eq!(report.bytes, book.bytes.iter().map(|bytes| bytes.len() as u64).sum::<u64>());
        assert_eq!(
            report.head.map(|head| (head.n, head.leaf)),
            Some((book.size() - 1, *book.leaves().last().unwrap()))
        );
    }
    assert!(verify(dir.path(), &without(&[])).unwrap().ok());
    for (n, broken) in [(100, 101), (1_023, 1_024), (1_024, 1_025), (2_000, 2_001)] {
        let dir = tempfile::tempdir().unwrap();
        book.write(dir.path());
        sql(
            dir.path(),
            &format!("UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), 'M-', 'M-1') AS BLOB) WHERE n = {n}"),
        );
        let report = verify_chain(dir.path(), 2).unwrap();
        assert_eq!((report.ok(), report.broken_at), (false, Some(broken)), "{n}");
        assert_ne!(report.root, Some(root));
    }
    for (sql_text, broken) in
        [("n = 0", 0), ("n = 700", 700), ("n BETWEEN 1024 AND 2047", 1_024), ("n BETWEEN 1000 AND 1023", 1_000)]
    {
        let dir = tempfile::tempdir().unwrap();
        book.write(dir.path());
        sql(dir.path(), &format!("DELETE FROM entry WHERE {sql_text}"));
        let report = verify_chain(dir.path(), 2).unwrap();
        assert_eq!((report.ok(), report.broken_at, report.root), (false, Some(broken), None), "{sql_text}");
    }
}
