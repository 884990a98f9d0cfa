//! The views can be dropped and made again, the same to the byte.

use std::collections::BTreeMap;

use rusqlite::Connection;
use rusqlite::types::Value;
use tallyseal_schema::signature::SigningKey;

use crate::testing::*;
use crate::{Order, differing_views, rebuild};

/// Everything that can be made again, row by row.
fn tables(database: &Connection) -> BTreeMap<&'static str, Vec<Vec<Value>>> {
    ["stream", "stream_key", "thing_count", "tile", "view", "capture", "capture_file"]
        .map(|table| {
            let mut statement = database.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2")).unwrap();
            let width = statement.column_count();
            let rows = statement
                .query_map([], |row| (0..width).map(|column| row.get(column)).collect())
                .unwrap()
                .map(Result::unwrap)
                .collect();
            (table, rows)
        })
        .into()
}

/// A book with something in every view, at rest.
fn written() -> Plant {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    book.act_blocking(order(1, software(), register_station())).unwrap();
    book.act_blocking(order(2, software(), sign_in())).unwrap();
    for number in 10..300 {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    for number in 300..320 {
        book.act_blocking(captured(number, format!("bytes {number}").as_bytes())).unwrap();
        let record = format!("supplier/SU-{}", number - 200);
        let _ = book.act_blocking(order(number + 100, person(), remark(&record, "refuse")));
        book.act_blocking(order(number + 200, person(), remark(&record, "a word"))).unwrap();
    }
    let key = SigningKey::from_seed(&[9; 32]).unwrap();
    book.act_blocking(Order { key: Some(key), ..order(3, person(), approve("SU-10")) }).unwrap();
    book.shutdown_blocking();
    plant
}

#[test]
fn what_is_made_again_is_what_was_followed() {
    let plant = written();
    let before = tables(&plant.database());
    assert!(before.values().all(|rows| !rows.is_empty()), "every view has something in it");
    let entries = verify(&plant).len() as u64;
    assert_eq!(rebuild(&plant.path()).unwrap(), entries);
    assert_eq!(tables(&plant.database()), before);
    verify(&plant);
}

#[test]
fn views_of_another_version_missing_or_half_made_are_made_anew_at_the_start() {
    for sql in [
        "UPDATE view SET version = '0.0'; UPDATE stream SET record = '{}'",
        "DELETE FROM view; DELETE FROM stream_key",
        "DROP TABLE tile",
        "DROP TABLE stream; CREATE TABLE stream (stream TEXT)",
        "DROP TABLE thing_count; CREATE TABLE stream_new (x)",
    ] {
        let plant = written();
        let before = tables(&plant.database());
        plant.database().execute_batch(sql).unwrap();
        let book = plant.open();
        book.act_blocking(order(4, software(), register("SU-4"))).unwrap();
        book.shutdown_blocking();
        verify(&plant);
        let mut after = tables(&plant.database());
        let added = |rows: &[Vec<Value>]| {
            rows.iter().any(|row| row.iter().any(|cell| *cell == Value::Text("supplier/SU-4".to_owned())))
        };
        assert!(added(&after["stream"]) && added(&after["stream_key"]), "{sql}");
        assert_eq!(after.remove("capture"), before.get("capture").cloned(), "{sql}");
    }
}

#[test]
fn a_view_that_was_changed_is_named() {
    for (sql, named) in [
        (
            "UPDATE stream SET record = replace(record, 'Printer SU-11', 'Printer SU-99') WHERE stream = 'supplier/SU-11'",
            "stream: supplier/SU-11 is not",
        ),
        (
            "DELETE FROM stream_key WHERE stream = 'supplier/SU-12' AND key = 'thing=supplier'",
            "stream_key: thing=supplier supplier/SU-12 is missing",
        ),
        ("INSERT INTO stream_key VALUES ('thing=roll', 'roll/R-1')", "stream_key: thing=roll roll/R-1 is there"),
        ("UPDATE thing_count SET count = 1 WHERE thing = 'supplier'", "thing_count: supplier is not"),
    ] {
        let plant = written();
        assert!(plant.database().execute(sql, []).unwrap() > 0);
        let found = differing_views(&plant.path()).unwrap();
        assert!(found.faults.len() == 1 && found.faults[0].contains(named), "{sql}: {:?}", found.faults);
    }
}

#[test]
fn sets_follow_their_streams() {
    let plant = Plant::new();
    let book = plant.open();
    let key = tallyseal_control::Key::new("thing", "supplier");
    assert!(book.set(&key).unwrap().is_empty());
    for number in [3, 1, 2] {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    let wanted = ["supplier/SU-1", "supplier/SU-2", "supplier/SU-3"].map(stream);
    assert_eq!(book.set(&key).unwrap(), wanted);
    book.shutdown_blocking();
}
