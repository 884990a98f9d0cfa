//! Any single change of anything that any entry says is found, given one checkpoint from outside: 500 changes from a seed,
//! made once as they are and once with every link after them mended.

use std::ops::Range;
use std::path::Path;

use rusqlite::params;
use serde_json::{Value, json};
use tallyseal_machines::table::Random;
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::write_value;
use tallyseal_tests::book::{administer, checkpoints, entries};

use crate::attack::{Outside, holds};
use crate::stock::Copy;

/// So many changes are made.
const CHANGES: u64 = 500;
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

#[test]
fn the_first_half_of_all_changes_is_found() {
    changes(0..CHANGES / 2);
}

#[test]
fn the_second_half_of_all_changes_is_found() {
    changes(CHANGES / 2..CHANGES);
}
