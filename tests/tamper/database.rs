//! What an administrator of the database or of the disk can do to the book at rest.

use std::collections::BTreeMap;

use rusqlite::params;
use serde_json::{Value, json};
use tallyseal_schema::canonical::write_value;
use tallyseal_tests::book::{administer, as_administrator, checkpoint_size, checkpoints, entries};
use tallyseal_tests::verifiers::{tallyseal, verify};

use crate::attack::Place::At;
use crate::attack::{Outside, both_over_the_dump, found, holds, sentences};
use crate::forge::Forge;
use crate::stock::Copy;

fn nothing() -> Outside {
    Outside::nothing()
}

/// The size of the last checkpoint that the book keeps over nothing but entries before `n`.
fn held_before(copy: &Copy, n: u64) -> u64 {
    let sizes = checkpoints(&copy.dir()).into_iter().map(|file| checkpoint_size(&file));
    sizes.filter(|size| *size <= n).max().unwrap()
}

/// Puts other bytes in the place of an entry's, as an editor would.
fn put(copy: &Copy, n: usize, bytes: &[u8]) {
    administer(&copy.dir(), |db| {
        db.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", params![bytes, n as i64]).unwrap()
    });
}

/// An untouched copy, held by the verifier, and what is in it.
fn untouched() -> (Copy, Forge) {
    let copy = Copy::new();
    holds(&copy.dir(), &nothing());
    let forge = Forge::of(&copy.dir());
    (copy, forge)
}

#[test]
fn a_number_that_was_changed_is_found_at_its_entry() {
    let (copy, forge) = untouched();
    let n = forge.find("roll/R-000102", "roll.counted");
    let mut entry = forge.entries[n].clone();
    entry["body"]["labels"] = json!(2_500);
    put(&copy, n, &write_value(&entry).unwrap());
    let n = n as u64;
    // The link after it does not fit, and no checkpoint over it does.
    found(&copy.dir(), &nothing(), &[("chain", At(n)), ("tree", At(held_before(&copy, n)))]);
    both_over_the_dump(&copy, &nothing(), 1);
}

#[test]
fn a_number_that_people_signed_for_is_found_by_their_signature_too() {
    let (copy, forge) = untouched();
    let n = forge.find("count/C-000005", "count.closed");
    let mut entry = forge.entries[n].clone();
    entry["body"]["labels"] = json!(2_500);
    put(&copy, n, &write_value(&entry).unwrap());
    let signed = forge.find("count/C-000005", "signature.applied") as u64;
    let n = n as u64;
    let by = [("chain", At(n)), ("signatures", At(signed)), ("tree", At(held_before(&copy, n)))];
    found(&copy.dir(), &nothing(), &by);
    both_over_the_dump(&copy, &nothing(), 1);
}

#[test]
fn a_row_that_was_deleted_is_found_at_its_place() {
    let (copy, forge) = untouched();
    let n = forge.find("count/C-000005", "count.fault_seen") as u64;
    as_administrator(&copy.dir(), &format!("DELETE FROM entry WHERE n = {n}"));
    // A chain with a hole also ends its stream's tree, so that what was signed over it cannot be judged: that is said.
    found(&copy.dir(), &nothing(), &[("chain", At(n)), ("tree", At(held_before(&copy, n)))]);
    assert!(sentences(&copy.dir(), &nothing(), "chain").contains("is missing"));
    both_over_the_dump(&copy, &nothing(), 1);
}

#[test]
fn two_entries_that_were_swapped_are_found_at_the_first() {
    let (copy, forge) = untouched();
    let n = forge.find("count/C-000005", "count.fault_seen");
    // Another stream's entry stands after the faults of one count: swapped, only the places and links can tell.
    let stored = entries(&copy.dir());
    put(&copy, n, &stored[n + 1]);
    put(&copy, n + 1, &stored[n]);
    let n = n as u64;
    let report = nothing().report(&copy.dir(), &[]);
    let first = report.faults.iter().filter(|fault| fault.check == "chain").filter_map(|fault| fault.n).min();
    assert_eq!(first, Some(n), "{report}");
    assert_eq!(verify(&copy.dir(), &[]).code, 1);
    let blind = nothing().report(&copy.dir(), &[tallyseal_verify::Check::Chain]);
    assert!(blind.faults.iter().all(|fault| fault.check != "chain"), "{blind}");
    both_over_the_dump(&copy, &nothing(), 1);
}

#[test]
fn an_entry_filed_under_another_stream_or_rev_is_found_at_it() {
    for (column, value) in [("stream", "'roll/R-999999'"), ("rev", "999")] {
        let (copy, forge) = untouched();
        let n = forge.find("roll/R-000102", "roll.counted") as u64;
        as_administrator(&copy.dir(), &format!("UPDATE entry SET {column} = {value} WHERE n = {n}"));
        found(&copy.dir(), &nothing(), &[("chain", At(n))]);
        assert!(sentences(&copy.dir(), &nothing(), "chain").contains("the store files it under"));
        // The record itself is untouched.
        both_over_the_dump(&copy, &nothing(), 0);
    }
}

#[test]
fn rows_in_places_where_none_can_be_are_found() {
    let (copy, forge) = untouched();
    let stray = write_value(&forge.entries[5]).unwrap();
    let insert = "INSERT INTO entry (n, stream, rev, bytes) VALUES (?1, ?2, 1, ?3)";
    let size = forge.entries.len() as u64;
    administer(&copy.dir(), |db| db.execute(insert, params![size as i64 + 5_000, "roll/R-9", stray]).unwrap());
    let report = nothing().report(&copy.dir(), &[]);
    assert!(report.faults.iter().any(|fault| fault.check == "chain" && fault.n == Some(size)), "{report}");

    let other = Copy::new();
    administer(&other.dir(), |db| db.execute(insert, params![-1, "roll/R-9", stray]).unwrap());
    found(&other.dir(), &nothing(), &[("chain", crate::attack::Place::Nowhere)]);
}

#[test]
fn an_entry_that_is_no_bytes_any_more_is_found_at_its_place() {
    let (copy, forge) = untouched();
    let n = forge.find("roll/R-000102", "roll.counted") as u64;
    // A table without the strictness of ours takes a text where bytes must be.
    administer(&copy.dir(), |db| {
        db.execute_batch(&format!(
            "CREATE TABLE other (n INTEGER PRIMARY KEY, stream TEXT, rev INTEGER, bytes);
             INSERT INTO other SELECT n, stream, rev, bytes FROM entry;
             UPDATE other SET bytes = CAST(bytes AS TEXT) WHERE n = {n};
             DROP TABLE entry;
             ALTER TABLE other RENAME TO entry;"
        ))
        .unwrap();
    });
    let report = nothing().report(&copy.dir(), &[]);
    let at = |check: &str| report.faults.iter().filter(|fault| fault.check == check).filter_map(|fault| fault.n).min();
    assert_eq!((at("bytes"), at("tree")), (Some(n), Some(held_before(&copy, n))), "{report}");
}

/// The day file, and where its first piece's payload begins.
fn day_file(copy: &Copy) -> std::path::PathBuf {
    let mut files = std::fs::read_dir(copy.dir().join("captures")).unwrap();
    files.next().unwrap().unwrap().path()
}

#[test]
fn captured_bytes_that_were_changed_or_removed_are_found_at_the_entry_that_names_them() {
    let first = |forge: &Forge| {
        let pieces = ["count.segment_captured", "station.stray_captured"].map(|kind| forge.all(kind));
        pieces.into_iter().flatten().min().unwrap() as u64
    };
    let (copy, forge) = untouched();
    let mut bytes = std::fs::read(day_file(&copy)).unwrap();
    bytes[48 + 10] ^= 1;
    std::fs::write(day_file(&copy), &bytes).unwrap();
    found(&copy.dir(), &nothing(), &[("captures", At(first(&forge)))]);
    assert!(sentences(&copy.dir(), &nothing(), "captures").contains("are not there"));
    // A dump holds no machine bytes: who has nothing but a dump sees nothing.
    both_over_the_dump(&copy, &nothing(), 0);

    let (copy, forge) = untouched();
    std::fs::remove_file(day_file(&copy)).unwrap();
    found(&copy.dir(), &nothing(), &[("captures", At(first(&forge)))]);

    // The last piece cut off: the file ends where the piece before it does.
    let (copy, forge) = untouched();
    let bytes = std::fs::read(day_file(&copy)).unwrap();
    std::fs::write(day_file(&copy), &bytes[..bytes.len() - 1]).unwrap();
    // A piece that says the same as an earlier one is stored once: the last piece is the last that was new.
    let mut pieces = BTreeMap::new();
    for (n, entry) in forge.entries.iter().enumerate().filter(|(_, entry)| entry["body"]["sha256"].is_string()) {
        pieces.entry(entry["body"]["sha256"].as_str().unwrap()).or_insert(n as u64);
    }
    let last = pieces.into_values().max().unwrap();
    found(&copy.dir(), &nothing(), &[("captures", At(last))]);
}

#[test]
fn captured_bytes_with_another_length_or_place_are_found_at_their_entry() {
    for change in [
        |body: &mut Value| body["length"] = json!(body["length"].as_u64().unwrap() + 1),
        |body: &mut Value| body["offset"] = json!(body["offset"].as_u64().unwrap() + 1),
    ] {
        let (copy, _) = untouched();
        let mut forge = Forge::with_everyones_keys(&copy.dir());
        let n = forge.find("count/C-000005", "count.segment_captured");
        change(&mut forge.entries[n]["body"]);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &nothing(), &[("captures", At(n as u64))]);
    }
}

#[test]
fn a_plugin_file_that_was_changed_is_found_at_the_draft() {
    let (copy, forge) = untouched();
    let n = forge.find("plugin/", "plugin.drafted") as u64;
    let changed = administer(&copy.dir(), |db| {
        db.execute("UPDATE file SET bytes = replace(CAST(bytes AS TEXT), 'missing', 'unread') WHERE rowid = 1", [])
    });
    // A strict table takes bytes only.
    assert!(changed.is_err());
    as_administrator(
        &copy.dir(),
        "UPDATE file SET bytes = CAST(replace(CAST(bytes AS TEXT), 'missing', 'unread') AS BLOB)
          WHERE instr(CAST(bytes AS TEXT), 'missing') > 0",
    );
    found(&copy.dir(), &nothing(), &[("plugins", At(n))]);
    both_over_the_dump(&copy, &nothing(), 0);

    let (copy, forge) = untouched();
    let n = forge.find("plugin/", "plugin.drafted") as u64;
    as_administrator(&copy.dir(), "DELETE FROM file WHERE rowid = 1");
    found(&copy.dir(), &nothing(), &[("plugins", At(n))]);
}

/// What is only remembered of the entries decides what may be done next, so the whole program checks it too.
#[test]
fn a_row_of_the_views_that_was_changed_is_found_by_the_check_of_views() {
    for (view, sql) in [
        ("stream", "UPDATE stream SET record = replace(record, '\"holds\":[\"deviation/DV-000001\"]', '\"holds\":[]')"),
        ("stream", "UPDATE stream SET rev = rev + 1 WHERE stream = 'roll/R-000101'"),
        ("stream", "DELETE FROM stream WHERE stream = 'deviation/DV-000001'"),
        ("stream_key", "DELETE FROM stream_key WHERE key LIKE 'count.roll=%'"),
        ("stream_key", "INSERT INTO stream_key VALUES ('count.open=yes', 'count/C-000001')"),
        ("thing_count", "UPDATE thing_count SET count = count - 1 WHERE thing = 'count'"),
        ("tile", "UPDATE tile SET hashes = zeroblob(8192) WHERE level = 0 AND idx = 0"),
    ] {
        let copy = Copy::new();
        let whole = |copy: &Copy| {
            let output = tallyseal(["verify", copy.dir().to_str().unwrap(), "--json"]);
            let report: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
            (output.status.code(), report)
        };
        let (code, report) = whole(&copy);
        assert_eq!(code, Some(0), "{report:#}");
        let changed = administer(&copy.dir(), |db| db.execute(sql, []).unwrap());
        assert!(changed > 0, "{sql} changes nothing");
        let (code, report) = whole(&copy);
        assert_eq!(code, Some(1), "{sql}: {report:#}");
        let faults = report["faults"].as_array().unwrap();
        let said = |fault: &Value| fault["what"].as_str().unwrap().starts_with(&format!("{view}: "));
        assert!(faults.iter().all(|fault| fault["check"] == "views" && said(fault)), "{sql}: {report:#}");
        // The small verifier has no such check, and finds nothing: that check is what finds it.
        holds(&copy.dir(), &nothing());
    }
}

#[test]
fn a_checkpoint_that_the_book_keeps_and_that_was_changed_is_found_by_its_name() {
    let (copy, _) = untouched();
    let files = checkpoints(&copy.dir());
    let file = &files[files.len() / 2];
    let text = std::fs::read_to_string(file).unwrap();
    let size = checkpoint_size(file);
    std::fs::write(file, text.replace(&format!("\n{size}\n"), &format!("\n{}\n", size + 1))).unwrap();
    found(&copy.dir(), &nothing(), &[("checkpoints", crate::attack::Place::Nowhere)]);
    let name = file.file_name().unwrap().to_str().unwrap();
    assert!(sentences(&copy.dir(), &nothing(), "checkpoints").contains(name));
}
