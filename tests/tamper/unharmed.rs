//! What is no attack: the same book in another file, in another order of pages, or taken apart and put together again.

use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, params_from_iter};
use tallyseal_tests::book::{Kept, as_administrator, entries};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::tallyseal;

use crate::attack::{Outside, both_hold, both_over_the_dump, holds, whole_holds};
use crate::stock::{Copy, stock, zip};

/// Everything holds: against the key and a kept checkpoint, with the views, in a dump, and for a server.
#[track_caller]
fn all_is_well(copy: &Copy, with: &Outside) {
    holds(&copy.dir(), with);
    both_over_the_dump(copy, with, 0);
    let whole = tallyseal(["verify", copy.dir().to_str().unwrap()]);
    assert!(whole.status.success(), "{}", String::from_utf8_lossy(&whole.stdout));
    Server::start(&copy.dir()).stop();
    holds(&copy.dir(), with);
}

fn copy_with_outside() -> (Copy, Outside) {
    let copy = Copy::new();
    let kept = copy.kept_elsewhere(u64::MAX);
    (copy, Outside::key(&stock().key).and_checkpoints([kept]))
}

#[test]
fn a_copy_holds() {
    let (copy, with) = copy_with_outside();
    all_is_well(&copy, &with);
}

/// Whoever verifies a book leaves nothing behind in it: not a byte, not a file.
#[test]
fn a_verification_leaves_the_directory_as_it_was() {
    let (copy, with) = copy_with_outside();
    let before = Kept::of(&copy.dir());
    whole_holds(&copy.dir(), &with);
    assert!(before == Kept::of(&copy.dir()), "a file came, went or changed");
}

#[test]
fn a_database_whose_pages_were_written_anew_holds() {
    let (copy, with) = copy_with_outside();
    as_administrator(&copy.dir(), "VACUUM");
    all_is_well(&copy, &with);
    as_administrator(&copy.dir(), "PRAGMA journal_mode = DELETE; PRAGMA page_size = 8192; VACUUM");
    all_is_well(&copy, &with);
}

/// Tables, then rows, then what stands on the tables: as a dump of the database that is read back.
fn read_back(from: &Path, to: &Path) {
    let (old, new) = (Connection::open(from).unwrap(), Connection::open(to).unwrap());
    for setting in ["application_id", "user_version"] {
        let value: i64 = old.pragma_query_value(None, setting, |row| row.get(0)).unwrap();
        new.pragma_update(None, setting, value).unwrap();
    }
    let texts = |kinds: &str| -> Vec<(String, String)> {
        let sql = format!(
            "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND type IN ({kinds}) ORDER BY name DESC"
        );
        let mut statement = old.prepare(&sql).unwrap();
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    };
    for (table, sql) in texts("'table'") {
        new.execute_batch(&sql).unwrap();
        let mut rows = old.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let width = rows.column_count();
        let marks = vec!["?"; width].join(", ");
        let mut insert = new.prepare(&format!("INSERT INTO {table} VALUES ({marks})")).unwrap();
        let mut rows = rows.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let cells: Vec<Value> = (0..width).map(|column| row.get(column).unwrap()).collect();
            insert.execute(params_from_iter(cells)).unwrap();
        }
    }
    for (_, sql) in texts("'index', 'trigger'") {
        new.execute_batch(&sql).unwrap();
    }
}

#[test]
fn a_database_that_was_taken_apart_and_put_together_again_holds() {
    let (copy, with) = copy_with_outside();
    let (old, new) = (copy.dir().join("book.db"), copy.dir().join("other.db"));
    let before = entries(&copy.dir());
    read_back(&old, &new);
    let mode = std::fs::metadata(&old).unwrap().permissions();
    std::fs::rename(&new, &old).unwrap();
    std::fs::set_permissions(&old, mode).unwrap();
    assert_eq!(entries(&copy.dir()), before);
    all_is_well(&copy, &with);
}

#[test]
fn sealed_records_hold() {
    for delivery in ["DL-0001", "DL-0002"] {
        let sealed = crate::stock::Sealed::new(zip(delivery));
        both_hold(&sealed.path(), &Outside::nothing());
        both_hold(&sealed.path(), &Outside::key(&stock().key));
    }
}
