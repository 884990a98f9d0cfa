//! Any single change of anything that the record rests on is found by the whole verifier, given one checkpoint from outside:
//! 10,000 changes from a seed, on four small books that together have an entry of every kind that the demo has, and 60 on all
//! of the demo's book. Most are of a value in an entry; the others of a column of a table or of a byte that a machine sent.
//! Some are made once more with every link after them mended.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::PathBuf;

use rusqlite::types::Value as Cell;
use rusqlite::{Connection, params};
use serde_json::{Value, json};
use tallyseal_book::Reader;
use tallyseal_machines::table::Random;
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::write_value;
use tallyseal_tests::book::{administer, as_administrator, checkpoints, entries};
use tallyseal_verify::{Options, Report};

use crate::attack::{Outside, both_agree, holds};
use crate::forge::Forge;
use crate::replay::store;
use crate::stock::{Copy, lines};

/// So many changes are made of the small books.
const MANY: u64 = 10_000;
/// So many small books there are.
const BOOKS: u64 = 4;
/// Each of so many is made once more with everything after it mended.
const MENDED: u64 = 20;
/// Of so many entries at the beginning of the demo's book both verifiers are asked.
const BEGINNING: usize = 200;
/// So many are made of the demo's whole book.
const CHANGES: u64 = 60;
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

fn put(db: &Connection, from: usize, stored: &[Vec<u8>]) {
    let transaction = db.unchecked_transaction().unwrap();
    for (n, bytes) in stored.iter().enumerate().skip(from) {
        transaction.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![bytes, n as i64]).unwrap();
    }
    transaction.commit().unwrap();
}

/// A change of a value of the entry at `n` is found there, and nothing before it is blamed.
#[track_caller]
fn found_there(report: &Report, n: usize, entries: usize, what: &str) {
    assert!(!report.ok(), "{what}: not found");
    // The entry itself is named, except the last: nothing stands after it that would not fit.
    let named = report.faults.iter().any(|fault| fault.check != "tree" && fault.n == Some(n as u64));
    assert!(named || n + 1 == entries, "{what}: not named\n{report}");
    // Of the last two either may be the one that was changed. Rule: `FORMAT.md` section 7, chain.
    let first = if n + 1 == entries { n - 1 } else { n } as u64;
    let before = |fault: &&tallyseal_verify::Fault| fault.check != "tree" && fault.n.is_some_and(|at| at < first);
    assert_eq!(report.faults.iter().find(before), None, "{what}: an entry before it is blamed");
}

/// The same with every link after it mended is found by the checkpoint that somebody kept: by its root, or, where entry 0
/// names another book or key, because it is none of that book's.
#[track_caller]
fn found_by_the_kept_one(report: &Report, n: usize, what: &str) {
    let by = |fault: &tallyseal_verify::Fault| fault.check == "tree" || n == 0 && fault.check == "checkpoints";
    assert!(report.faults.iter().any(by), "{what}, mended: not found\n{report}");
}

/// A change of a value of one entry, from that number: its place, its bytes, and in words.
fn changed(stored: &[Vec<u8>], number: u64, random: &mut Random) -> (usize, Vec<u8>, String) {
    let n = below(random, stored.len());
    let mut entry: Value = serde_json::from_slice(&stored[n]).unwrap();
    let what = change(&mut entry, random);
    let bytes = write_value(&entry).unwrap();
    assert_ne!(bytes, stored[n], "change {number} changes nothing: {what}");
    (n, bytes, format!("change {number} at entry {n}, {what}"))
}

/// Changes of those numbers of the demo's whole book.
fn changes(numbers: Range<u64>) {
    let copy = Copy::new();
    let dir = copy.dir();
    let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
    // What the book itself keeps is not needed: one checkpoint elsewhere is enough.
    for file in checkpoints(&dir) {
        std::fs::remove_file(file).unwrap();
    }
    as_administrator(&dir, "PRAGMA journal_mode = DELETE");
    holds(&dir, &with);
    let stored = entries(&dir);
    administer(&dir, |db| {
        for number in numbers {
            let (n, bytes, what) = changed(&stored, number, &mut Random::new(SEED + number));
            let mut plain = stored.clone();
            plain[n].clone_from(&bytes);
            put(db, n, &plain[..=n]);
            found_there(&with.report(&dir, &[]), n, stored.len(), &what);
            put(db, n, &mend(&stored, n, &bytes));
            let report = with.report(&dir, &[]);
            found_by_the_kept_one(&report, n, &what);
            put(db, n, &stored[..]);
        }
    });
    holds(&dir, &with);
}

/// A small book with everything in it.
struct Small {
    copy: Copy,
    stored: Vec<Vec<u8>>,
    /// The bytes that machines sent, each in a file of its own.
    captures: Vec<PathBuf>,
    options: Options<'static>,
}

/// The first entry of each kind and the first signature of each meaning in the demo's book, as far as they are of that part
/// of all; its founders and those who sign, with their keys; and the first entry of whatever is signed.
fn one_of_each(all: &[Value], part: usize) -> BTreeSet<usize> {
    let stream = |n: usize| all[n]["stream"].as_str().unwrap();
    let mut seen = BTreeSet::new();
    let new = |n: &usize| seen.insert((all[*n]["kind"].to_string(), all[*n]["body"]["meaning"].to_string()));
    let firsts: Vec<usize> = (0..all.len()).filter(new).collect();
    let mut kept: BTreeSet<usize> = firsts.into_iter().skip(part).step_by(BOOKS as usize).collect();
    let signed: Vec<usize> = kept.iter().copied().filter(|n| all[*n]["kind"] == "signature.applied").collect();
    let signers = signed.iter().map(|n| all[*n]["body"]["account"].as_str().unwrap());
    let people: BTreeSet<String> =
        ["U-0001", "U-0002"].into_iter().chain(signers).map(|account| format!("account/{account}")).collect();
    kept.extend((0..all.len()).filter(|n| people.contains(stream(*n)) || stream(*n).starts_with("book/")));
    for covered in signed.iter().flat_map(|n| all[*n]["body"]["covers"].as_object().unwrap().keys()) {
        kept.insert((0..all.len()).find(|n| stream(*n) == covered).unwrap());
    }
    // Whatever bytes a machine sent were read by some plugin.
    kept.extend((0..all.len()).find(|n| all[*n]["kind"] == "plugin.drafted"));
    kept.extend((0..all.len()).find(|n| all[*n]["kind"] == "count.segment_captured"));
    kept
}

impl Small {
    /// One of the small books, made to fit by somebody who has all keys.
    fn new(part: usize) -> Self {
        let copy = Copy::new();
        let dir = copy.dir();
        let mut forge = Forge::with_everyones_keys(&dir);
        let kept = one_of_each(&forge.entries, part);
        let mut n = 0..;
        forge.entries.retain(|_| kept.contains(&n.next().unwrap()));
        forge.mend();
        let reader = Reader::open(&dir).unwrap();
        let hash = |entry: &Value| entry["body"]["sha256"].as_str()?.parse::<Hash>().ok();
        let raw: Vec<Vec<u8>> =
            forge.entries.iter().filter_map(hash).map(|hash| reader.capture(&hash).unwrap().unwrap()).collect();
        drop(reader);
        std::fs::remove_dir_all(dir.join("captures")).unwrap();
        std::fs::create_dir(dir.join("captures")).unwrap();
        as_administrator(&dir, "DELETE FROM capture; DELETE FROM capture_file");
        for bytes in &raw {
            store(&copy, bytes);
        }
        let captures: Vec<PathBuf> =
            std::fs::read_dir(dir.join("captures")).unwrap().map(|file| file.unwrap().path()).collect();
        forge.write(&dir);
        for file in checkpoints(&dir) {
            std::fs::remove_file(file).unwrap();
        }
        // One statement changes one row.
        as_administrator(&dir, "PRAGMA journal_mode = DELETE");
        let text = forge.checkpoint(forge.entries.len());
        // The one checkpoint, kept elsewhere.
        let options = Options { checkpoints: vec![text], threads: 1, ..Options::default() };
        Self { stored: forge.bytes(), copy, captures, options }
    }

    fn report(&self) -> Report {
        tallyseal_verify::verify(&self.copy.dir(), &self.options).unwrap()
    }

    /// Another value in a column of a row of a table.
    fn cell(&self, db: &Connection, table: &str, column: &str, random: &mut Random) {
        let rows = rows(db, table);
        let row = rows[below(random, rows.len())];
        let (old, now) = put_other(db, table, column, row, random);
        let report = self.report();
        assert!(!report.ok(), "{table}.{column} of row {row} changed from {old:?}: not found");
        put_back(db, table, column, now, old);
    }

    /// Another byte in what a machine sent, as it is stored.
    fn captured(&self, random: &mut Random) {
        let file = &self.captures[below(random, self.captures.len())];
        let good = std::fs::read(file).unwrap();
        let mut bytes = good.clone();
        let at = below(random, bytes.len());
        bytes[at] ^= 1 << below(random, 8);
        std::fs::write(file, bytes).unwrap();
        let report = self.report();
        assert!(report.faults.iter().any(|fault| fault.check == "captures"), "byte {at} of {file:?}: {report}");
        std::fs::write(file, good).unwrap();
    }

    /// Another value in an entry.
    fn value(&self, db: &Connection, number: u64, random: &mut Random) {
        let (n, bytes, what) = changed(&self.stored, number, random);
        db.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![bytes, n as i64]).unwrap();
        found_there(&self.report(), n, self.stored.len(), &what);
        if number.is_multiple_of(MENDED) {
            put(db, n, &mend(&self.stored, n, &bytes));
            let report = self.report();
            found_by_the_kept_one(&report, n, &what);
            put(db, n, &self.stored);
        } else {
            db.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![self.stored[n], n as i64]).unwrap();
        }
    }
}

/// The changes of one of the small books.
fn many(part: u64) {
    let small = Small::new(part as usize);
    let untouched = small.report();
    assert!(untouched.ok() && untouched.signatures.standing > 4 && !small.captures.is_empty(), "{untouched}");
    administer(&small.copy.dir(), |db| {
        db.execute_batch("PRAGMA journal_mode = MEMORY").unwrap();
        for number in (part * MANY / BOOKS)..((part + 1) * MANY / BOOKS) {
            let mut random = Random::new(!SEED + number);
            match number % 16 {
                0 => small.cell(db, "entry", ["n", "stream", "rev"][below(&mut random, 3)], &mut random),
                1 => small.cell(db, "file", ["sha256", "bytes"][below(&mut random, 2)], &mut random),
                2 => small.captured(&mut random),
                _ => small.value(db, number, &mut random),
            }
        }
    });
    let after = small.report();
    assert_eq!((after.ok(), after.checks, after.head), (true, untouched.checks, untouched.head));
}

#[test]
fn the_first_quarter_of_many_changes_is_found_by_the_whole_verifier() {
    many(0);
}

#[test]
fn the_second_quarter_of_many_changes_is_found_by_the_whole_verifier() {
    many(1);
}

#[test]
fn the_third_quarter_of_many_changes_is_found_by_the_whole_verifier() {
    many(2);
}

#[test]
fn the_fourth_quarter_of_many_changes_is_found_by_the_whole_verifier() {
    many(3);
}

#[test]
fn the_small_books_have_every_kind_that_the_demo_has() {
    let all: Vec<Value> =
        entries(&Copy::new().dir()).iter().map(|bytes| serde_json::from_slice(bytes).unwrap()).collect();
    let kind = |n: usize| all[n]["kind"].as_str().unwrap();
    let ours: BTreeSet<&str> = (0..BOOKS as usize).flat_map(|part| one_of_each(&all, part)).map(kind).collect();
    assert_eq!(ours, (0..all.len()).map(kind).collect());
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

fn texts(db: &Connection, sql: &str) -> Vec<String> {
    let mut statement = db.prepare(sql).unwrap();
    let rows = statement.query_map([], |row| row.get(0)).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

fn rows(db: &Connection, table: &str) -> Vec<i64> {
    let rows = texts(db, &format!("SELECT CAST(rowid AS TEXT) FROM {table} ORDER BY rowid"));
    rows.iter().map(|row| row.parse().unwrap()).collect()
}

fn update(table: &str, column: &str) -> String {
    format!("UPDATE {table} SET {column} = ?1 WHERE rowid = ?2")
}

/// Puts another value into a column of a row. Gives what was there, and the number that the row has now.
fn put_other(db: &Connection, table: &str, column: &str, row: i64, random: &mut Random) -> (Cell, i64) {
    let select = format!("SELECT {column} FROM {table} WHERE rowid = ?1");
    let old: Cell = db.query_row(&select, [row], |row| row.get(0)).unwrap();
    let new = match &old {
        // A place where no other row stands.
        Cell::Integer(number) => Cell::Integer(number + 1_000_000),
        Cell::Text(text) => Cell::Text(format!("{text}X")),
        Cell::Blob(bytes) => {
            let mut bytes = bytes.clone();
            let at = below(random, bytes.len());
            bytes[at] ^= 1 << below(random, 8);
            Cell::Blob(bytes)
        }
        other => panic!("{table}.{column} is {other:?}"),
    };
    assert_eq!(db.execute(&update(table, column), params![new, row]).unwrap(), 1);
    (old, if column == "n" { row + 1_000_000 } else { row })
}

fn put_back(db: &Connection, table: &str, column: &str, row: i64, old: Cell) {
    assert_eq!(db.execute(&update(table, column), params![old, row]).unwrap(), 1);
}

#[test]
fn a_changed_cell_of_any_table_that_the_record_rests_on_is_found() {
    let copy = Copy::new();
    let dir = copy.dir();
    let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
    as_administrator(&dir, "PRAGMA journal_mode = DELETE");
    holds(&dir, &with);
    administer(&dir, |db| {
        for table in texts(db, "SELECT name FROM sqlite_schema WHERE type = 'table'") {
            assert!(TABLES.iter().any(|(known, _)| *known == table), "what is {table} to the record?");
        }
        let mut random = Random::new(SEED);
        for (table, _) in TABLES.iter().filter(|(_, why)| why.is_empty()) {
            for column in texts(db, &format!("SELECT name FROM pragma_table_info('{table}')")) {
                let rows = rows(db, table);
                // Of entries as many as the time of a test allows.
                for _ in 0..8 {
                    let row = rows[below(&mut random, rows.len())];
                    let (old, now) = put_other(db, table, &column, row, &mut random);
                    let report = with.report(&dir, &[]);
                    assert!(!report.ok(), "{table}.{column} of row {row} changed from {old:?}: not found");
                    put_back(db, table, &column, now, old);
                }
            }
        }
    });
    holds(&dir, &with);
}

/// Both verifiers say the same of a sample of them, over the beginning of the demo's book: the same checks, first at the same
/// entries.
#[test]
fn both_verifiers_agree_on_a_sample_of_the_changes() {
    let copy = Copy::new();
    let mut forge = Forge::of(&copy.dir());
    forge.entries.truncate(BEGINNING);
    let stored = forge.bytes();
    let with = Outside::checkpoint(&copy.put("beginning.txt", forge.checkpoint(BEGINNING).as_bytes()));
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
        let (n, bytes, _) = changed(&stored, number, &mut Random::new(!SEED + 31 * number));
        let mut other = stored.clone();
        other[n].clone_from(&bytes);
        agree(&other);
        agree(&mend(&stored, n, &bytes));
    }
}

#[test]
fn the_first_half_of_all_changes_of_the_whole_book_is_found() {
    changes(0..CHANGES / 2);
}

#[test]
fn the_second_half_of_all_changes_of_the_whole_book_is_found() {
    changes(CHANGES / 2..CHANGES);
}
