//! The database refuses by itself what the executor never does.

use rusqlite::Connection;

use crate::testing::*;

/// A book with a few acts, at rest.
fn written() -> Plant {
    let plant = Plant::new();
    let book = plant.open();
    for number in 1..=3 {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    book.shutdown_blocking();
    plant
}

#[track_caller]
fn refuses(database: &Connection, sql: &str, why: &str) {
    let error = database.execute_batch(sql).unwrap_err().to_string();
    assert!(error.contains(why), "{sql}: {error}");
}

#[test]
fn entries_acts_and_files_are_only_added_to() {
    let plant = written();
    // As anybody with the file can open it: without our settings, so with bare triggers.
    let database = plant.database();
    database.execute_batch("PRAGMA recursive_triggers = OFF").unwrap();
    database.execute("INSERT INTO file VALUES (?1, x'01')", [[1_u8; 32]]).unwrap();
    for (sql, why) in [
        ("UPDATE entry SET bytes = x'00' WHERE n = 1", "never changed"),
        ("UPDATE entry SET n = 99 WHERE n = 4", "never changed"),
        ("DELETE FROM entry WHERE n = 4", "never deleted"),
        ("DELETE FROM entry", "never deleted"),
        ("INSERT INTO entry VALUES (4, 'roll/R-1', 1, x'00')", "next n"),
        ("INSERT INTO entry VALUES (6, 'roll/R-1', 1, x'00')", "next n"),
        ("INSERT INTO entry VALUES (-1, 'roll/R-1', 1, x'00')", "next n"),
        ("INSERT INTO entry (stream, rev, bytes) VALUES ('roll/R-1', 1, x'00')", "next n"),
        ("INSERT OR REPLACE INTO entry VALUES (4, 'roll/R-1', 1, x'00')", "next n"),
        ("INSERT OR REPLACE INTO entry VALUES (5, 'supplier/SU-1', 1, x'00')", "next rev"),
        ("INSERT INTO entry VALUES (5, 'supplier/SU-1', 3, x'00')", "next rev"),
        ("REPLACE INTO entry SELECT n, stream, rev, x'00' FROM entry", "next n"),
        ("UPDATE act SET request = zeroblob(32)", "never changed"),
        ("DELETE FROM act", "never deleted"),
        ("INSERT OR REPLACE INTO act SELECT act, zeroblob(32), first, n, refusal FROM act", "answered once"),
        ("UPDATE file SET bytes = x'00'", "never changed"),
        ("DELETE FROM file", "never deleted"),
        ("INSERT OR REPLACE INTO file SELECT sha256, x'00' FROM file", "stored once"),
    ] {
        refuses(&database, sql, why);
    }
    database.execute_batch("INSERT INTO entry VALUES (5, 'supplier/SU-1', 2, x'00')").unwrap();
}

#[test]
fn the_files_of_a_book_are_its_owners_alone() {
    use std::os::unix::fs::PermissionsExt as _;
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register_station())).unwrap();
    book.act_blocking(captured(2, b"bytes")).unwrap();
    let copy = plant.dir.path().join("copy.db");
    book.snapshot(&copy).unwrap();
    let mode = |path: &std::path::Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&plant.path()), mode(&copy)), (0o700, 0o600));
    let mut seen = 0;
    let mut folders = vec![plant.path()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let wanted = if path.is_dir() { 0o700 } else { 0o600 };
            assert_eq!(mode(&path), wanted, "{}", path.display());
            if path.is_dir() {
                folders.push(path);
            }
            seen += 1;
        }
    }
    // Database, its log and index, lock, key, two checkpoints, a day of captures, four folders.
    assert_eq!(seen, 12);
    book.shutdown_blocking();
}

#[test]
fn a_snapshot_of_a_served_book_is_a_whole_database() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let copy = plant.dir.path().join("copy.db");
    book.snapshot(&copy).unwrap();
    assert!(book.snapshot(&copy).is_err(), "nothing is written over");
    book.act_blocking(order(2, software(), register("SU-2"))).unwrap();
    let count = |path: &std::path::Path| -> (i64, String) {
        let database = Connection::open(path).unwrap();
        let count = database.query_row("SELECT count(*) FROM entry", [], |row| row.get(0)).unwrap();
        (count, database.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap())
    };
    assert_eq!(count(&copy), (3, "ok".to_owned()));
    book.shutdown_blocking();
    assert_eq!(count(&plant.layout().db()), (4, "ok".to_owned()));
}

#[test]
fn a_book_that_was_ended_in_order_is_one_file_and_reading_adds_nothing_to_it() {
    let plant = written();
    let log = plant.path().join("book.db-wal");
    assert!(!log.exists());
    let before = std::fs::read(plant.layout().db()).unwrap();
    verify(&plant);
    // A reader may leave an empty log, as SQLite does; nothing is in it.
    assert!(log.metadata().map_or(true, |log| log.len() == 0));
    assert_eq!(std::fs::read(plant.layout().db()).unwrap(), before);
}

#[test]
fn every_look_up_of_the_hot_path_and_of_reading_goes_by_an_index() {
    let plant = written();
    let database = plant.database();
    for sql in [
        "SELECT coalesce(max(n) + 1, 0) FROM entry",
        "SELECT coalesce(max(rev) + 1, 1) FROM entry WHERE stream = 'roll/R-1'",
        "SELECT bytes FROM entry WHERE n = 1",
        "SELECT bytes FROM entry WHERE stream = 'roll/R-1' ORDER BY rev",
        "SELECT request, first, n, refusal FROM act WHERE act = x'00'",
        "SELECT rev, n, frontier, record FROM stream WHERE stream = 'roll/R-1'",
        "SELECT stream FROM stream_key WHERE key = 'thing=roll' ORDER BY stream",
        "SELECT count FROM thing_count WHERE thing = 'roll'",
        "SELECT hashes FROM tile WHERE level = 0 AND idx = 0",
        "SELECT file, position FROM capture WHERE sha256 = x'00'",
    ] {
        let mut plan = database.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        let steps: Vec<String> = plan.query_map([], |row| row.get(3)).unwrap().map(Result::unwrap).collect();
        // max() over the primary key is answered from its end, and is called a search.
        assert!(steps.iter().all(|step| step.starts_with("SEARCH")), "{sql}: {steps:?}");
    }
}
