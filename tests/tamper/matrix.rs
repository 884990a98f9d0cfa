//! A case for every cell of the table of attacks (`tallyseal_tests::tampering`). Each is looked at three ways: untouched, all
//! is well; changed, the mechanism of the cell finds it and names the first bad entry; changed and without that mechanism (its
//! checks switched off, or the key, checkpoint or receipt from outside not given), nobody finds anything.
//!
//! A case of somebody who can do more stands for those who can do less, where the same mechanism finds it.

use std::collections::BTreeSet;

use serde_json::json;
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_tests::book::{administer, as_administrator, checkpoint_size, checkpoints, entries};
use tallyseal_tests::server::Server;
use tallyseal_tests::tampering::Who::{Database, File, Server as Holder, System};
use tallyseal_tests::tampering::{Cell, ROWS, Who};
use tallyseal_tests::verifiers::{binary, tallyseal};

use crate::archive::Members;
use crate::attack::Place::{At, Nowhere, Somewhere};
use crate::attack::{
    Outside, both_agree, both_find, both_hold, both_over_the_dump, found, found_by_rules, found_first, holds, rebuild,
    sentences, whole_holds,
};
use crate::forge::{Forge, grant, key};
use crate::replay;
use crate::stock::{Copy, Sealed, stock, zip};
use crate::tails::{cut, cut_checkpoints, left_by_a_cut};

/// A case: which row, whose attack, and the test.
type Case = (u8, &'static [Who], fn());

macro_rules! cases {
    ($($row:literal $who:expr, $name:ident => $body:block)*) => {
        $(#[test] fn $name() $body)*
        const CASES: &[Case] = &[$(($row, &$who, $name)),*];
    };
}

fn nothing() -> Outside {
    Outside::nothing()
}

fn book_key() -> Outside {
    Outside::key(&stock().key)
}

/// A copy that holds, and what is in it.
fn untouched() -> (Copy, Forge) {
    let copy = Copy::new();
    holds(&copy.dir(), &nothing());
    let forge = Forge::of(&copy.dir());
    (copy, forge)
}

/// A copy, the newest checkpoint as somebody kept it elsewhere, and the book with keys of the holder's for everybody.
fn holder() -> (Copy, Outside, Forge) {
    let copy = Copy::new();
    let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
    holds(&copy.dir(), &with);
    let forge = Forge::with_everyones_keys(&copy.dir());
    (copy, with, forge)
}

/// Written with every checkpoint signed anew: the kept one finds it, and without it nobody does.
#[track_caller]
fn found_by_the_kept_one(copy: &Copy, with: &Outside, mut forge: Forge) {
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    let at = match checkpoints(&copy.dir()).iter().any(|file| checkpoint_size(file) > entries(&copy.dir()).len() as u64)
    {
        true => Somewhere,
        // People's keys are others from the beginning.
        false => At(0),
    };
    found_first(&copy.dir(), with, "tree", at);
    both_over_the_dump(copy, &book_key(), 0);
    holds(&copy.dir(), &book_key());
}

/// As [`found_by_the_kept_one`], where there are fewer entries than it speaks of.
#[track_caller]
fn cut_is_found(copy: &Copy, with: &Outside, left: u64) {
    found(&copy.dir(), with, &[("checkpoints", At(left))]);
    both_find(&copy.dump(), with, &[("checkpoints", At(left))]);
    holds(&copy.dir(), &book_key());
}

/// The size of the last checkpoint that the book keeps over nothing but entries before `n`.
fn held_before(copy: &Copy, n: usize) -> u64 {
    let sizes = checkpoints(&copy.dir()).into_iter().map(|file| checkpoint_size(&file));
    sizes.filter(|size| *size <= n as u64).max().unwrap()
}

/// The roll that was counted as 2,497 labels.
fn counted(forge: &Forge) -> usize {
    forge.find("roll/R-000102", "roll.counted")
}

/// Something that a system writes, put in before `n`.
fn strangers(forge: &mut Forge, n: usize) {
    let at = forge.entries[n - 1]["at"].clone();
    let body = json!({ "count": 1, "from": at, "source": "192.0.2.1", "to": at });
    forge.insert(n, json!({ "system": "door" }), "access.refused", "book/B", body);
}

/// Two neighbours that are whole acts each, of two streams, and no signatures.
fn neighbours(forge: &Forge) -> usize {
    let act = |n: usize| forge.entries[n]["act"].to_string();
    let single = |n: usize| act(n) != act(n - 1) && act(n) != act(n + 1) && forge.entries[n]["act"].is_string();
    let plain = |n: usize| forge.entries[n]["kind"] == "session.opened" || forge.entries[n]["kind"] == "session.closed";
    let fits = |n: &usize| {
        single(*n)
            && single(n + 1)
            && forge.entries[*n]["stream"] != forge.entries[n + 1]["stream"]
            && (plain(*n) || plain(n + 1))
    };
    (1..forge.last() - 1).find(fits).expect("two single acts follow each other")
}

cases! {
    1 [File, System], a_field_patched_in_the_file => {
        let (copy, forge) = untouched();
        let n = counted(&forge);
        let old = entries(&copy.dir()).swap_remove(n);
        let mut entry = forge.entries[n].clone();
        entry["body"]["labels"] = json!(2_500);
        let new = write_value(&entry).unwrap();
        assert_eq!(old.len(), new.len());
        let file = copy.dir().join("book.db");
        let mut bytes = std::fs::read(&file).unwrap();
        let at = bytes.windows(old.len()).position(|part| part == old).expect("the entry lies in one page");
        bytes[at..at + new.len()].copy_from_slice(&new);
        std::fs::write(&file, bytes).unwrap();
        found(&copy.dir(), &nothing(), &[("chain", At(n as u64)), ("tree", At(held_before(&copy, n)))]);
        both_over_the_dump(&copy, &nothing(), 1);
    }
    1 [Database], a_field_changed_by_sql => {
        let (copy, forge) = untouched();
        let n = counted(&forge);
        as_administrator(&copy.dir(), &format!(
            "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), '2497', '2500') AS BLOB) WHERE n = {n}"
        ));
        found(&copy.dir(), &nothing(), &[("chain", At(n as u64)), ("tree", At(held_before(&copy, n)))]);
        both_over_the_dump(&copy, &nothing(), 1);
    }
    1 [Holder], a_field_changed_in_another_past => {
        let (copy, with, mut forge) = holder();
        let n = counted(&forge);
        forge.entries[n]["body"]["labels"] = json!(2_500);
        found_by_the_kept_one(&copy, &with, forge);
    }
    2 [File, Database], a_chain_made_to_fit_without_the_key => {
        let (copy, mut forge) = untouched();
        let n = forge.all("session.opened")[0];
        forge.entries[n]["body"]["device"] = json!("D-OTHER");
        forge.mend();
        forge.write(&copy.dir());
        let signed = forge.first_signature_over(n);
        found(&copy.dir(), &nothing(), &[("signatures", At(signed)), ("tree", At(held_before(&copy, n)))]);
        both_over_the_dump(&copy, &nothing(), 1);
    }
    2 [Holder], a_chain_made_to_fit_with_the_key => {
        let (copy, with, mut forge) = holder();
        let n = forge.all("session.opened")[0];
        forge.entries[n]["body"]["device"] = json!("D-OTHER");
        found_by_the_kept_one(&copy, &with, forge);
    }
    3 [File, Database], an_entry_deleted => {
        let (copy, forge) = untouched();
        let n = forge.find("count/C-000005", "count.fault_seen");
        as_administrator(&copy.dir(), &format!("DELETE FROM entry WHERE n = {n}"));
        found(&copy.dir(), &nothing(), &[("chain", At(n as u64)), ("tree", At(held_before(&copy, n)))]);
        both_over_the_dump(&copy, &nothing(), 1);
    }
    3 [Holder], an_entry_deleted_from_another_past => {
        let (copy, with, mut forge) = holder();
        let n = forge.find("count/C-000005", "count.fault_seen");
        forge.entries.remove(n);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found_first(&copy.dir(), &with, "checkpoints", At(forge.entries.len() as u64));
        holds(&copy.dir(), &book_key());
        both_over_the_dump(&copy, &book_key(), 0);
    }
    4 [File, Database, Holder], a_tail_cut_below_the_books_checkpoints => {
        let (copy, _) = untouched();
        let left = cut(&copy);
        found(&copy.dir(), &nothing(), &[("checkpoints", At(left))]);
    }
    5 [File, Database, Holder], a_tail_cut_with_its_checkpoints => {
        let (copy, _) = untouched();
        let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
        holds(&copy.dir(), &with);
        let left = cut(&copy);
        cut_checkpoints(&copy, left);
        cut_is_found(&copy, &with, left);
    }
    6 [File, Database, Holder], a_tail_that_only_a_receipt_speaks_of => {
        let (copy, forge) = untouched();
        // Nothing else was kept over the last entries: a receipt has its own checkpoint in it.
        let size = forge.entries.len();
        let receipt = copy.put("receipt.txt", forge.checkpoint(size).as_bytes());
        let left = left_by_a_cut(&copy);
        cut_checkpoints(&copy, left);
        let with = Outside::checkpoint(&receipt);
        holds(&copy.dir(), &with);
        assert_eq!(cut(&copy), left);
        cut_is_found(&copy, &with, left);
    }
    7 [File, Database], an_entry_inserted_without_the_key => {
        let (copy, mut forge) = untouched();
        let n = forge.all("session.opened")[0];
        strangers(&mut forge, n);
        forge.mend();
        forge.write(&copy.dir());
        found_first(&copy.dir(), &nothing(), "tree", At(held_before(&copy, n)));
        both_over_the_dump(&copy, &nothing(), 1);
    }
    7 [Holder], an_entry_inserted_with_the_key => {
        let (copy, with, mut forge) = holder();
        let n = forge.all("session.opened")[3];
        strangers(&mut forge, n);
        found_by_the_kept_one(&copy, &with, forge);
    }
    8 [File, Database, Holder], a_signature_in_anothers_name => {
        let (copy, mut forge) = untouched();
        let n = forge.entries.len();
        forge.sign(n, "U-0004", "counted", "count/C-000005", &[]);
        forge.signed_with(n, [9; 32]);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("signatures", At(n as u64))]);
        both_over_the_dump(&copy, &book_key(), 1);
    }
    9 [File, Database], two_entries_exchanged => {
        let (copy, forge) = untouched();
        let n = neighbours(&forge);
        let stored = entries(&copy.dir());
        administer(&copy.dir(), |db| {
            for (place, bytes) in [(n, &stored[n + 1]), (n + 1, &stored[n])] {
                db.execute("UPDATE entry SET bytes = ?1 WHERE n = ?2", rusqlite::params![bytes, place as i64]).unwrap();
            }
        });
        found_first(&copy.dir(), &nothing(), "chain", At(n as u64));
        both_over_the_dump(&copy, &nothing(), 1);
    }
    9 [Holder], two_entries_exchanged_in_another_past => {
        let (copy, with, mut forge) = holder();
        let n = neighbours(&forge);
        let times = [n, n + 1].map(|n| forge.entries[n]["at"].clone());
        forge.entries.swap(n, n + 1);
        for (place, at) in [n, n + 1].into_iter().zip(times) {
            forge.entries[place]["at"] = at;
        }
        found_by_the_kept_one(&copy, &with, forge);
    }
    10 [File, Database, Holder], an_act_written_twice => {
        let (copy, mut forge) = untouched();
        let act = forge.all("session.opened")[0];
        let n = forge.entries.len();
        let mut again = forge.entries[act].clone();
        again["at"] = forge.entries[n - 1]["at"].clone();
        again["kind"] = json!("remark.made");
        again["body"] = json!({ "text": "once more" });
        forge.entries.push(again);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("chain", At(n as u64))]);
        both_over_the_dump(&copy, &book_key(), 1);
    }
    11 [File, Database, Holder], a_signature_copied_onto_another_record => {
        let (copy, _, mut forge) = holder();
        let signed: Vec<usize> =
            forge.all("signature.applied").into_iter().filter(|n| forge.entries[*n]["body"]["meaning"] == "counted").collect();
        let (from, n) = (signed[0], signed[1]);
        let sig = forge.entries[from]["body"]["sig"].clone();
        forge.after_signing(n, move |body| body["sig"] = sig.clone());
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("signatures", At(n as u64))]);
        both_over_the_dump(&copy, &book_key(), 1);
    }
    12 [File, Database, Holder], an_old_backup_put_back => {
        let (copy, forge) = untouched();
        let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
        holds(&copy.dir(), &with);
        let files = checkpoints(&copy.dir());
        let size = checkpoint_size(&files[files.len() / 2]);
        let old = forge.bytes();
        tallyseal_tests::book::replace_entries(&copy.dir(), &old[..size as usize]);
        as_administrator(&copy.dir(), &format!("DELETE FROM act WHERE n >= {size}"));
        cut_checkpoints(&copy, size);
        rebuild(&copy);
        whole_holds(&copy.dir(), &book_key());
        cut_is_found(&copy, &with, size);
    }
    13 [File, Database, Holder], a_new_book_under_the_same_name => {
        let copy = Copy::new();
        holds(&copy.dir(), &book_key());
        let kept = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
        let mut forge = Forge::with_everyones_keys(&copy.dir());
        forge.entries.truncate(40);
        let forge = forge.under(key(&[8; 32]));
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("keys", At(0))]);
        both_find(&copy.dump(), &book_key(), &[("keys", At(0))]);
        found_first(&copy.dir(), &kept, "checkpoints", Nowhere);
        holds(&copy.dir(), &nothing());
        // And where nothing is left, no server begins a book by itself.
        std::fs::remove_file(copy.dir().join("book.db")).unwrap();
        let said = Server::try_start(&copy.dir(), &binary("tallyseal"), &[]).err().expect("it must not start");
        assert!(said.contains("exit 2"), "{said}");
        assert!(!copy.dir().join("book.db").exists());
    }
    14 [File, Database, Holder], two_servers_from_one_copy => {
        let (one, other) = (Copy::new(), Copy::new());
        let its = [(&one, "192.0.2.1"), (&other, "192.0.2.2")].map(|(copy, source)| {
            let mut forge = Forge::of(&copy.dir());
            let n = forge.entries.len();
            strangers(&mut forge, n);
            forge.entries[n]["body"]["source"] = json!(source);
            forge.mend();
            forge.write_with_checkpoints(&copy.dir());
            holds(&copy.dir(), &book_key());
            Outside::checkpoint(&copy.put("signed.txt", forge.checkpoint(n + 1).as_bytes()))
        });
        let [own, with] = its;
        holds(&one.dir(), &own);
        found(&one.dir(), &with, &[("checkpoints", Nowhere), ("tree", Somewhere)]);
        assert!(sentences(&one.dir(), &with, "checkpoints").contains("two roots"));
        let both = with.and_checkpoints(own.checkpoints.clone());
        both_find(&one.dump(), &both, &[("checkpoints", Nowhere), ("tree", Somewhere)]);
        // Also beside a record of another size, against which neither can be held.
        let sealed = Sealed::new(zip("DL-0001"));
        both_hold(&sealed.path(), &own);
        both_find(&sealed.path(), &both, &[("checkpoints", Nowhere)]);
    }
    15 [File, Database], everything_anew_under_another_key => {
        let (copy, _, forge) = holder();
        holds(&copy.dir(), &book_key());
        forge.under(key(&[7; 32])).write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("keys", At(0))]);
        both_find(&copy.dump(), &book_key(), &[("keys", At(0))]);
        holds(&copy.dir(), &nothing());
    }
    15 [Holder], everything_anew_under_the_books_own_key => {
        let (copy, with, forge) = holder();
        found_by_the_kept_one(&copy, &with, forge);
    }
    18 [Holder, System], an_earlier_time_that_nobody_said => {
        let (copy, mut forge) = untouched();
        let n = forge.entries.len();
        strangers(&mut forge, n);
        forge.entries[n]["at"] = forge.entries[n - 400]["at"].clone();
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &book_key(), &[("time", At(n as u64))]);
        both_over_the_dump(&copy, &book_key(), 1);
    }
    21 [File, Database, Holder], a_row_of_the_views => {
        let (copy, _) = untouched();
        whole_holds(&copy.dir(), &book_key());
        as_administrator(&copy.dir(), "UPDATE stream SET rev = rev + 1 WHERE stream = 'roll/R-000101'");
        let said = found_by_rules(&copy.dir(), &book_key(), "views", None);
        assert!(said.contains("roll/R-000101"), "{said}");
        rebuild(&copy);
        whole_holds(&copy.dir(), &book_key());
    }
    22 [File, Database, Holder], a_trigger_dropped => {
        let (copy, _) = untouched();
        let db = rusqlite::Connection::open(copy.dir().join("book.db")).unwrap();
        let sql: String = db
            .query_row("SELECT sql FROM sqlite_schema WHERE name = 'entry_update'", [], |row| row.get(0))
            .unwrap();
        db.execute_batch("DROP TRIGGER entry_update").unwrap();
        drop(db);
        let said = Server::try_start(&copy.dir(), &binary("tallyseal"), &[]).err().expect("it must not start");
        assert!(said.contains("the trigger entry_update is missing or changed"), "{said}");
        // With the trigger put back nothing else is looked at there.
        rusqlite::Connection::open(copy.dir().join("book.db")).unwrap().execute_batch(&sql).unwrap();
        Server::start(&copy.dir()).stop();
    }
    23 [File, Database], a_role_given_by_sql => {
        // In what pages are made from, no entry gives the role.
        let (copy, forge) = untouched();
        let changed = administer(&copy.dir(), |db| {
            db.execute("UPDATE stream SET record = replace(record, 'label_room', 'reviewer') WHERE stream = 'account/U-0004'", [])
        });
        assert_eq!(changed, Ok(1));
        found_by_rules(&copy.dir(), &book_key(), "views", None);
        // In the entry that enrolled the account, the entries after it say so.
        let n = forge.find("account/U-0004", "account.enrolled");
        as_administrator(&copy.dir(), &format!(
            "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), 'label_room', 'reviewer') AS BLOB) WHERE n = {n}"
        ));
        found_first(&copy.dir(), &nothing(), "chain", At(n as u64));
        both_over_the_dump(&copy, &nothing(), 1);
    }
    23 [Holder], a_role_given_in_another_past => {
        let (copy, with, mut forge) = holder();
        let n = forge.find("account/U-0004", "account.enrolled");
        forge.entries[n]["body"]["roles"].as_array_mut().unwrap().push(grant("reviewer"));
        found_by_the_kept_one(&copy, &with, forge);
    }
    24 [File], a_sealed_record_changed => {
        let members = Members::of(zip("DL-0001"));
        let sealed = Sealed::new(&members.zip());
        both_hold(&sealed.path(), &book_key());
        let mut lines = members.lines("entries.jsonl");
        let line = lines.iter().position(|line| String::from_utf8_lossy(line).contains("\"labels\":2497")).unwrap();
        let text = String::from_utf8(lines[line].clone()).unwrap();
        let n = serde_json::from_str::<serde_json::Value>(&text).unwrap()["n"].as_u64().unwrap();
        lines[line] = text.replace("\"labels\":2497", "\"labels\":2500").into_bytes();
        let mut changed = members.clone();
        changed.put_lines("entries.jsonl", &lines);
        changed.mend_manifest(|_| ());
        std::fs::write(sealed.path(), changed.zip()).unwrap();
        found_first(&sealed.path(), &book_key(), "tree", At(n));
        both_agree(&sealed.path(), &book_key());
    }
    24 [Holder], a_sealed_record_of_another_past => {
        let take = |copy: &Copy, name: &str| {
            let out = copy.dir().join(name);
            let (dir, file) = (copy.dir(), out.to_str().unwrap().to_owned());
            let words = ["export", "--dir", dir.to_str().unwrap(), "--record", "delivery/DL-0001", "--out", &file];
            let output = tallyseal(words);
            assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
            out
        };
        let truth = Copy::new();
        let record = take(&truth, "true.zip");
        let text = Members::of(&std::fs::read(&record).unwrap()).text("checkpoint.txt");
        let with = Outside::checkpoint(&truth.put("paper.txt", text.as_bytes()));
        both_hold(&record, &with);

        let (copy, _, mut forge) = holder();
        let n = counted(&forge);
        forge.entries[n]["body"]["labels"] = json!(2_500);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        rebuild(&copy);
        let forged = take(&copy, "forged.zip");
        let size = |text: &str| parse_body(text).unwrap().size;
        assert_eq!(size(&text), size(&Members::of(&std::fs::read(&forged).unwrap()).text("checkpoint.txt")));
        both_hold(&forged, &book_key());
        both_find(&forged, &with, &[("checkpoints", Nowhere)]);
    }
    25 [File, Database], a_plugins_file_changed => {
        let (copy, forge) = untouched();
        let n = forge.find("plugin/", "plugin.drafted") as u64;
        as_administrator(&copy.dir(),
            "UPDATE file SET bytes = CAST(replace(CAST(bytes AS TEXT), 'missing', 'unread') AS BLOB)
              WHERE instr(CAST(bytes AS TEXT), 'missing') > 0");
        found(&copy.dir(), &nothing(), &[("plugins", At(n))]);
    }
    25 [Holder], a_plugin_under_a_digest_of_its_own => {
        replay::attack("the plugin sees something else", replay::a_splice_read_as_missing);
    }
    27 [Holder], a_key_that_is_not_the_plants => {
        let (copy, _, forge) = holder();
        let forge = forge.under(key(&[7; 32]));
        forge.write_with_checkpoints(&copy.dir());
        let theirs = Outside::key(&forge.verifier_key());
        // Held against the attacker's own key it holds; which key that was is in the report, to be compared.
        holds(&copy.dir(), &theirs);
        let report = theirs.report(&copy.dir(), &[]);
        assert_eq!(report.key, Some(forge.verifier_key()));
        assert!(report.to_string().contains(&forge.verifier_key()) && !report.to_string().contains(&stock().key), "{report}");
        found(&copy.dir(), &book_key(), &[("keys", At(0))]);
    }
    28 [File, Database, Holder], an_entry_in_other_bytes => {
        let (copy, mut forge) = untouched();
        let n = forge.entries.len();
        strangers(&mut forge, n);
        for (from, to) in [("\"count\":1", "\"count\":1.0"), ("{\"at\"", "{ \"at\""), ("192", "\\u0031\\u0039\\u0032")] {
            forge.stored_as(n, move |text| text.replacen(from, to, 1));
            forge.mend();
            forge.write_with_checkpoints(&copy.dir());
            found_first(&copy.dir(), &book_key(), "bytes", At(n as u64));
            both_over_the_dump(&copy, &book_key(), 1);
        }
    }
}

#[test]
fn every_cell_of_the_table_has_a_case_or_a_reason_and_no_other_has() {
    let cases: BTreeSet<(u8, Who)> =
        CASES.iter().flat_map(|(row, who, _)| who.iter().map(|who| (*row, *who))).collect();
    let mut wanted = BTreeSet::new();
    for (row, number) in ROWS.iter().zip(1..) {
        assert_eq!(row.number, number);
        for (cell, who) in row.cells.iter().zip(Who::ALL) {
            match cell {
                Cell::By(letters) => {
                    assert!(!letters.is_empty());
                    wanted.insert((number, who));
                }
                Cell::Elsewhere(letters, place) => assert!(!letters.is_empty() && !place.is_empty()),
                Cell::No(why) => assert!(!why.is_empty()),
            }
        }
    }
    assert_eq!(cases, wanted);
}
