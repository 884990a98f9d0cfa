//! Any single change of anything that any entry says is found, given one checkpoint from outside: 10,000 changes from a seed
//! against the root that the checkpoint names, and 300 against the whole verifier, made once as they are and once with every
//! link after them mended. And any change of a column of a table that holds what the record rests on.

use std::ops::Range;
use std::path::Path;

use rusqlite::params;
use rusqlite::types::Value as Cell;
use serde_json::{Value, json};
use tallyseal_machines::table::Random;
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::checkpoint::{Checkpoint, sign};
use tallyseal_schema::tree::root;
use tallyseal_tests::book::{administer, as_administrator, checkpoints, entries, replace_entries};
use tallyseal_verify::verify_chain;

use crate::attack::{Outside, both_agree, holds};
use crate::forge::Forge;
use crate::stock::{Copy, lines};

/// So many changes are held against the whole verifier.
const CHANGES: u64 = 300;
/// So many against chain and root alone, on a book of so many entries.
const MANY: u64 = 10_000;
const SMALL: usize = 200;
/// What they are made from.
const SEED: u64 = 0x5eed_7a11;

/// A number below `bound`.
fn below(random: &mut Random, bound: usize) -> usize {
    random.between(0, u32::try_from(bound - 1).unwrap()) as usize
}

/// Changes one value somewhere in `value`; says what it did.
fn change(value: &mut Value, random: &mut Random) -> String {
    match value {
        Value::Object(fields) => {
            let keys: Vec<String> = fields.keys().cloned().collect();
            // Now and then a field goes, or one comes.
            match below(random, 12) {
                0 if !keys.is_empty() => {
                    let key = &keys[below(random, keys.len())];
                    fields.remove(key);
                    return format!("without {key}");
                }
                1 => {
                    fields.insert("zz".to_owned(), json!(1));
                    return "with another field".to_owned();
                }
                _ if keys.is_empty() => {
                    fields.insert("zz".to_owned(), json!(1));
                    return "with a field".to_owned();
                }
                _ => {}
            }
            let key = &keys[below(random, keys.len())];
            format!("{key}: {}", change(fields.get_mut(key).unwrap(), random))
        }
        Value::Array(items) if items.is_empty() => {
            items.push(json!("x"));
            "an item more".to_owned()
        }
        Value::Array(items) => {
            let at = below(random, items.len());
            if below(random, 4) == 0 {
                items.remove(at);
                return format!("without item {at}");
            }
            format!("[{at}]: {}", change(&mut items[at], random))
        }
        Value::String(text) => {
            let before = text.clone();
            let letters: Vec<char> = text.chars().collect();
            let at = if letters.is_empty() { 0 } else { below(random, letters.len()) };
            *text =
                letters.iter().enumerate().map(|(i, letter)| if i == at { other(*letter) } else { *letter }).collect();
            if letters.is_empty() {
                text.push('x');
            }
            format!("{before:?} is {text:?}")
        }
        Value::Number(number) => {
            let before = number.as_i64().unwrap();
            let after = if before > 0 && below(random, 2) == 0 { before - 1 } else { before + 1 };
            *value = json!(after);
            format!("{before} is {after}")
        }
        Value::Bool(yes) => {
            *yes = !*yes;
            format!("is {yes}")
        }
        Value::Null => {
            *value = json!(0);
            "null is 0".to_owned()
        }
    }
}

/// Another letter that could stand in the same place, so that form alone does not tell.
fn other(letter: char) -> char {
    match letter {
        '0'..='8' | 'a'..='e' | 'g'..='y' | 'A'..='Y' => char::from_u32(letter as u32 + 1).unwrap(),
        '9' => '0',
        'f' => 'a',
        'z' => 'y',
        'Z' => 'A',
        _ => 'x',
    }
}

/// Every link after `n` made to fit again: what can be done without any key.
fn mend(stored: &[Vec<u8>], n: usize, changed: &[u8]) -> Vec<Vec<u8>> {
    let mut mended = stored.to_vec();
    mended[n] = changed.to_vec();
    for n in n + 1..mended.len() {
        let mut entry: Value = serde_json::from_slice(&mended[n]).unwrap();
        entry["prev"] = json!(Hash::leaf(&mended[n - 1]));
        mended[n] = write_value(&entry).unwrap();
    }
    mended
}

fn put(dir: &Path, from: usize, stored: &[Vec<u8>]) {
    administer(dir, |db| {
        let transaction = db.unchecked_transaction().unwrap();
        for (n, bytes) in stored.iter().enumerate().skip(from) {
            transaction.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![bytes, n as i64]).unwrap();
        }
        transaction.commit().unwrap();
    });
}

/// Changes of those numbers, each on the same copy, which is put right again after it.
fn changes(numbers: Range<u64>) {
    let copy = Copy::new();
    let dir = copy.dir();
    let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
    // What the book itself keeps is not needed: one checkpoint elsewhere is enough.
    for file in checkpoints(&dir) {
        std::fs::remove_file(file).unwrap();
    }
    holds(&dir, &with);
    let stored = entries(&dir);
    for number in numbers {
        let mut random = Random::new(SEED + number);
        let n = below(&mut random, stored.len());
        let mut entry: Value = serde_json::from_slice(&stored[n]).unwrap();
        let what = change(&mut entry, &mut random);
        let changed = write_value(&entry).unwrap();
        assert_ne!(changed, stored[n], "change {number} changes nothing: {what}");
        let what = format!("change {number} at entry {n}, {what}");

        let mut plain = stored.clone();
        plain[n].clone_from(&changed);
        put(&dir, n, &plain[..=n]);
        let report = with.report(&dir, &[]);
        assert!(!report.ok(), "{what}: not found");
        // The entry itself is named, except the last: nothing stands after it that would not fit.
        let named = report.faults.iter().any(|fault| fault.check != "tree" && fault.n == Some(n as u64));
        assert!(named || n + 1 == stored.len(), "{what}: not named\n{report}");
        let before =
            |fault: &&tallyseal_verify::Fault| fault.check != "tree" && fault.n.is_some_and(|at| at < n as u64);
        assert_eq!(report.faults.iter().find(before), None, "{what}: an entry before it is blamed");

        put(&dir, n, &mend(&stored, n, &changed));
        let report = with.report(&dir, &[]);
        assert!(report.faults.iter().any(|fault| fault.check == "tree"), "{what}, mended: not found\n{report}");
        put(&dir, n, &stored);
    }
    holds(&dir, &with);
}

/// The first entries of the demo's book, in a database without a log, so that one statement changes one row.
fn small() -> (Copy, Vec<Vec<u8>>, Hash) {
    let copy = Copy::new();
    let mut stored = entries(&copy.dir());
    stored.truncate(SMALL);
    replace_entries(&copy.dir(), &stored);
    for file in checkpoints(&copy.dir()) {
        std::fs::remove_file(file).unwrap();
    }
    as_administrator(&copy.dir(), "PRAGMA journal_mode = DELETE");
    let leaves: Vec<Hash> = stored.iter().map(|bytes| Hash::leaf(bytes)).collect();
    (copy, stored, root(&leaves))
}

/// Changes of those numbers: none of them leaves the root as it was, and the chain breaks at the entry or at the one after.
fn many(numbers: Range<u64>) {
    let (copy, stored, good) = small();
    let dir = copy.dir();
    let untouched = verify_chain(&dir, 1).unwrap();
    assert!(untouched.ok() && untouched.root == Some(good), "{untouched:?}");
    administer(&dir, |db| {
        for number in numbers {
            let mut random = Random::new(!SEED + number);
            let n = below(&mut random, stored.len());
            let mut entry: Value = serde_json::from_slice(&stored[n]).unwrap();
            let what = change(&mut entry, &mut random);
            let changed = write_value(&entry).unwrap();
            let put = |bytes: &[u8]| {
                db.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![bytes, n as i64]).unwrap();
            };
            put(&changed);
            let report = verify_chain(&dir, 1).unwrap();
            assert_ne!(report.root, Some(good), "change {number} at entry {n}, {what}: the root is the same");
            let named = report.broken_at.map(|at| at as usize);
            let last = n + 1 == stored.len() && named.is_none();
            assert!(
                named == Some(n) || named == Some(n + 1) || last,
                "change {number} at entry {n}, {what}: {report:?}"
            );
            put(&stored[n]);
        }
    });
    let untouched = verify_chain(&dir, 1).unwrap();
    assert!(untouched.ok() && untouched.root == Some(good), "{untouched:?}");
}

#[test]
fn the_first_five_thousand_changes_change_the_root() {
    many(0..MANY / 2);
}

#[test]
fn the_second_five_thousand_changes_change_the_root() {
    many(MANY / 2..MANY);
}

/// What each table is to the record. The verifier believes nothing but `entry`, `file` and the day files.
const TABLES: [(&str, &str); 13] = [
    ("account_secret", "keys under passwords: their loss stops people, and no record rests on them"),
    ("act", "which act was answered how: the entries themselves say which acts there are"),
    ("capture", "where a piece stands: it is found by its hash, by reading the day files"),
    ("capture_file", "how far a day file is known"),
    ("entry", ""),
    ("file", ""),
    ("head", "the last entry, held against the entries when a server starts"),
    ("stream", "a view"),
    ("stream_key", "a view"),
    ("thing_count", "a view"),
    ("tile", "a view"),
    ("view", "the version of the views"),
    ("sqlite_stat1", "SQLite's own"),
];

#[test]
fn a_changed_cell_of_any_table_that_the_record_rests_on_is_found() {
    let copy = Copy::new();
    let dir = copy.dir();
    let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
    as_administrator(&dir, "PRAGMA journal_mode = DELETE");
    holds(&dir, &with);
    administer(&dir, |db| {
        let texts = |sql: &str| -> Vec<String> {
            let mut statement = db.prepare(sql).unwrap();
            let rows = statement.query_map([], |row| row.get(0)).unwrap();
            rows.collect::<Result<_, _>>().unwrap()
        };
        for table in texts("SELECT name FROM sqlite_schema WHERE type = 'table'") {
            assert!(TABLES.iter().any(|(known, _)| *known == table), "what is {table} to the record?");
        }
        let mut random = Random::new(SEED);
        for (table, _) in TABLES.iter().filter(|(_, why)| why.is_empty()) {
            for column in texts(&format!("SELECT name FROM pragma_table_info('{table}')")) {
                let rows: Vec<i64> = texts(&format!("SELECT CAST(rowid AS TEXT) FROM {table} ORDER BY rowid"))
                    .iter()
                    .map(|row| row.parse().unwrap())
                    .collect();
                // Files are few; each of their rows. Of entries as many as the time of a test allows.
                for _ in 0..8 {
                    let row = rows[below(&mut random, rows.len())];
                    let select = format!("SELECT {column} FROM {table} WHERE rowid = ?1");
                    let old: Cell = db.query_row(&select, [row], |row| row.get(0)).unwrap();
                    let new = match &old {
                        // A place where no other row stands.
                        Cell::Integer(number) => Cell::Integer(number + 1_000_000),
                        Cell::Text(text) => Cell::Text(format!("{text}X")),
                        Cell::Blob(bytes) => {
                            let mut bytes = bytes.clone();
                            let at = below(&mut random, bytes.len());
                            bytes[at] ^= 1 << below(&mut random, 8);
                            Cell::Blob(bytes)
                        }
                        other => panic!("{table}.{column} is {other:?}"),
                    };
                    let update = format!("UPDATE {table} SET {column} = ?1 WHERE rowid = ?2");
                    db.execute(&update, params![new, row]).unwrap();
                    let report = with.report(&dir, &[]);
                    assert!(!report.ok(), "{table}.{column} of row {row} changed from {old:?} to {new:?}: not found");
                    let now = if column == "n" { row + 1_000_000 } else { row };
                    assert_eq!(db.execute(&update, params![old, now]).unwrap(), 1);
                }
            }
        }
    });
    holds(&dir, &with);
}

/// Both verifiers say the same of a sample of them: the same checks, first at the same entries.
#[test]
fn both_verifiers_agree_on_a_sample_of_the_changes() {
    let (copy, stored, good) = small();
    let note = {
        let forge = Forge::of(&copy.dir());
        let checkpoint = Checkpoint { origin: crate::forge::BOOK.parse().unwrap(), size: SMALL as u64, root: good };
        copy.put("small.txt", sign(&checkpoint, &forge.book).as_bytes())
    };
    let with = Outside::checkpoint(&note);
    let agree = |entries: &[Vec<u8>]| {
        let dump = copy.put("sample.jsonl", &lines(entries));
        // A dump has no JSON Schemas in it: what a body may say is known to ours alone.
        let form = with.report(&dump, &[]).faults.iter().any(|fault| fault.check == "bytes");
        match form {
            true => assert_eq!((with.ours(&dump).code, with.theirs(&dump).code), (1, 1)),
            false => drop(both_agree(&dump, &with)),
        }
    };
    agree(&stored);
    for number in 0..16 {
        let mut random = Random::new(!SEED + 31 * number);
        let n = below(&mut random, stored.len());
        let mut entry: Value = serde_json::from_slice(&stored[n]).unwrap();
        change(&mut entry, &mut random);
        let mut changed = stored.clone();
        changed[n] = write_value(&entry).unwrap();
        agree(&changed);
        agree(&mend(&stored, n, &changed[n]));
    }
}

#[test]
fn the_first_half_of_all_changes_is_found() {
    changes(0..CHANGES / 2);
}

#[test]
fn the_second_half_of_all_changes_is_found() {
    changes(CHANGES / 2..CHANGES);
}
