//! What a file editor or an administrator of the database does: one deed each, and the check and the entry that name it.

use serde_json::json;
use tallyseal_verify::{Check, verify};

use crate::fixture::places::*;
use crate::fixture::*;

#[test]
fn an_untouched_book_is_in_order_and_every_check_looked_at_something() {
    let report = sample(9).verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!((report.signatures.standing, report.signatures.void), (7, 0));
    assert_eq!(report.entries, 26);
    assert_eq!(report.checkpoint.map(|newest| newest.size), Some(25));
    let looked: Vec<(&str, u64)> = report.checks.iter().map(|line| (line.check.as_str(), line.looked_at)).collect();
    assert_eq!(
        looked,
        [
            ("bytes", 26),
            ("chain", 26),
            ("time", 26),
            ("tree", 26),
            ("checkpoints", 4),
            ("keys", 5),
            ("signatures", 7),
            ("separation", 7),
            ("captures", 2),
            ("plugins", 1),
        ]
    );
    assert!(report.notes.is_empty(), "{report}");
}

#[test]
fn the_same_is_found_with_any_number_of_threads() {
    let book = forged(|book| book.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other")));
    let one = book.verify(&tallyseal_verify::Options { threads: 1, ..without(&[]) });
    for threads in [2, 3, 8] {
        assert_eq!(book.verify(&tallyseal_verify::Options { threads, ..without(&[]) }), one);
    }
}

#[test]
fn one_field_of_one_entry_changed() {
    spoiled(Check::Chain, SUPPLIER, &[Check::Tree], |book| {
        book.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other"));
    });
}

#[test]
fn one_field_of_the_last_entry_but_one_changed() {
    spoiled(Check::Chain, LAST - 1, &[Check::Tree, Check::Signatures], |book| {
        book.change(LAST - 1, |entry| entry["body"]["name"] = json!("Other"));
    });
}

#[test]
fn a_link_changed() {
    spoiled(Check::Chain, SUPPLIER, &[Check::Tree], |book| {
        book.change(SUPPLIER, |entry| entry["prev"] = json!("ab".repeat(32)));
    });
}

#[test]
fn a_field_changed_and_every_link_after_it_mended() {
    // The last checkpoint that holds covers 13 entries: entry 13 is the first that may be another.
    spoiled(Check::Tree, SUPPLIER, &[], |book| {
        book.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other"));
        book.relink(REMARK);
        // What was signed after it was signed over other bytes, unless the signers sign again.
        resign(book);
    });
}

/// Makes every signature from the supplier on fit the book as it is now, as one who holds all keys can.
fn resign(book: &mut Forge) {
    let tail = book.values.split_off(SUPPLIER as usize + 1);
    book.bytes.truncate(SUPPLIER as usize + 1);
    for mut entry in tail {
        let prev = tallyseal_schema::Hash::leaf(book.bytes.last().unwrap());
        entry["prev"] = json!(prev.hex());
        if entry["kind"] == "signature.applied" {
            let who =
                [ada(), bo(), cy(), di()].into_iter().find(|who| who.account == entry["body"]["account"]).unwrap();
            let record = entry["body"]["record"].as_str().unwrap().to_owned();
            let covers = entry["body"]["covers"].as_object().unwrap().keys().cloned().collect::<Vec<_>>();
            let also: Vec<&str> = covers.iter().map(String::as_str).filter(|stream| *stream != record).collect();
            let act = entry["act"].clone();
            let meaning = entry["body"]["meaning"].as_str().unwrap().to_owned();
            entry = book.signature(&who, &meaning, &record, &also, |_| {});
            entry["act"] = act;
        }
        book.put(entry);
    }
}

#[test]
fn an_inner_row_deleted() {
    by_sql(Check::Chain, Some(SUPPLIER), &[Check::Tree], "DELETE FROM entry WHERE n = 13");
}

#[test]
fn many_rows_deleted() {
    let others = [Check::Tree, Check::Signatures, Check::Plugins];
    by_sql(Check::Chain, Some(13), &others, "DELETE FROM entry WHERE n BETWEEN 13 AND 18");
}

#[test]
fn a_row_moved_far_away() {
    by_sql(Check::Chain, Some(LAST), &[], "UPDATE entry SET n = 9000000000000000 WHERE n = 25");
}

#[test]
fn a_row_at_the_very_last_place_that_there_is() {
    by_sql(
        Check::Chain,
        Some(LAST + 1),
        &[],
        "INSERT INTO entry SELECT 9223372036854775807, stream, rev, bytes FROM entry WHERE n = 25",
    );
}

#[test]
fn a_row_before_the_first() {
    by_sql(Check::Chain, None, &[], "INSERT INTO entry SELECT -1, stream, rev, bytes FROM entry WHERE n = 3");
}

#[test]
fn two_rows_swapped() {
    by_sql(
        Check::Chain,
        Some(SUPPLIER),
        &[Check::Tree, Check::Time],
        "UPDATE entry SET n = -1 WHERE n = 13; UPDATE entry SET n = 13 WHERE n = 14; UPDATE entry SET n = 14 WHERE n = -1",
    );
}

#[test]
fn a_row_filed_under_another_stream() {
    by_sql(Check::Chain, Some(REMARK), &[], "UPDATE entry SET stream = 'supplier/SU-2' WHERE n = 14");
    by_sql(Check::Chain, Some(REMARK), &[], "UPDATE entry SET rev = 7 WHERE n = 14");
    by_sql(Check::Chain, Some(REMARK), &[], "UPDATE entry SET stream = NULL WHERE n = 14");
}

#[test]
fn bytes_that_are_no_bytes() {
    for value in ["NULL", "12", "1.5", "'text'", "CAST(bytes AS TEXT)"] {
        by_sql(
            Check::Bytes,
            Some(REMARK),
            &[Check::Tree, Check::Chain],
            &format!("UPDATE entry SET bytes = {value} WHERE n = 14; UPDATE entry SET rev = 9 WHERE n = 12"),
        );
    }
}

#[test]
fn an_entry_longer_than_any_may_be() {
    by_sql(Check::Bytes, Some(LAST), &[], "UPDATE entry SET bytes = zeroblob(10000000) WHERE n = 25");
}

#[test]
fn the_tail_cut_below_a_kept_checkpoint() {
    by_sql(Check::Checkpoints, Some(20), &[], "DELETE FROM entry WHERE n >= 20");
    by_sql(Check::Checkpoints, Some(7), &[], "DELETE FROM entry WHERE n >= 7");
}

#[test]
fn the_tail_cut_above_the_newest_checkpoint_is_what_nothing_inside_shows() {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    let connection = rusqlite::Connection::open(dir.path().join("book.db")).unwrap();
    connection.execute_batch("DELETE FROM entry WHERE n >= 25").unwrap();
    drop(connection);
    let report = verify(dir.path(), &without(&[])).unwrap();
    assert!(report.ok(), "{report}");
    // A checkpoint that was kept elsewhere does.
    let mut outside = sample(9);
    let note = outside.keep();
    let options = tallyseal_verify::Options { checkpoints: vec![note], ..without(&[]) };
    let report = verify(dir.path(), &options).unwrap();
    assert_eq!(found(&report), [("checkpoints".to_owned(), Some(25))]);
}

#[test]
fn an_empty_database() {
    by_sql(Check::Chain, Some(0), &[Check::Checkpoints, Check::Keys], "DELETE FROM entry");
}

#[test]
fn a_key_is_named_by_its_hash() {
    // Guards the fixture: the name in entries is SHA-256 of the raw key, and not of anything else.
    assert_eq!(cy().key_name(), tallyseal_schema::Hash::of(&cy().key.public()));
    assert_eq!(sample(9).values[ADA_KEY as usize]["body"]["key"], json!(ada().key_name().hex()));
    assert_eq!(sample(9).values[ADA_CONFIRMS_BO as usize]["body"]["record"], json!("account/U-2"));
    assert_eq!(sample(9).values[CY_ENROLLED as usize]["body"]["account"], json!("U-3"));
}
