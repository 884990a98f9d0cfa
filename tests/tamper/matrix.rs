//! A case for every cell of the table of attacks (`tallyseal_tests::tampering`). Each is looked at three ways: untouched, all
//! is well; changed, the mechanism of the cell finds it and names the first bad entry; changed and without that mechanism (its
//! checks switched off, or the key, checkpoint or receipt from outside not given), nobody finds anything.
//!
//! A case of somebody who can do more stands for those who can do less, where the same mechanism finds it.

use std::collections::BTreeSet;

use serde_json::json;
use tallyseal_book::key_file;
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::{base64, write_value};
use tallyseal_schema::checkpoint::{Checkpoint, parse_body, sign};
use tallyseal_schema::signature::{SigningKey, book_key_statement, key_name};
use tallyseal_schema::tree::root;
use tallyseal_tests::api::Client;
use tallyseal_tests::book::{administer, as_administrator, checkpoint_size, checkpoints, cosigned, entries};
use tallyseal_tests::faketime::{self, SetClock, off_by};
use tallyseal_tests::server::Server;
use tallyseal_tests::tampering::Who::{Database, File, Server as Holder, System};
use tallyseal_tests::tampering::{Cell, ROWS, Who};
use tallyseal_tests::verifiers::{binary, tallyseal};
use tallyseal_verify::Trust;

use crate::archive::Members;
use crate::attack::Place::{At, Nowhere, Somewhere};
use crate::attack::{
    Outside, both_agree, both_find, both_hold, both_over_the_dump, found, found_by_rules, found_first, holds, rebuild,
    sentences, whole_holds,
};
use crate::forge::{BOOK, Forge, grant, key};
use crate::holder_of_keys::reseal;
use crate::pdf::Pdf;
use crate::replay;
use crate::served::{
    ask_now, asking, cosigned_beyond, followed, on_a_clock, said, sign_in, submitted, taken_out, wait_for, written,
};
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

/// The key of a book at rest is changed as the plant does it. Gives the private key of before, which a thief may have, and
/// the newer key as text.
fn changed_key(copy: &Copy) -> (SigningKey, String) {
    let old = key(&key_file::read(&copy.dir().join("keys/book.key")).unwrap());
    let output = tallyseal(["key", "rotate", "--dir", copy.dir().to_str().unwrap(), "--why", "yearly change"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    (old, String::from_utf8(output.stdout).unwrap().trim().to_owned())
}

/// The book says that its clock was set, in the entry at `n`, and is a good book. Whoever holds its key can take that out:
/// then the entry that stands there tells, by its time.
#[track_caller]
fn a_step_taken_out(copy: &Copy, n: u64) {
    holds(&copy.dir(), &book_key());
    both_over_the_dump(copy, &book_key(), 0);
    taken_out(copy, |entry| entry["kind"] == "clock.stepped");
    found(&copy.dir(), &book_key(), &[("time", At(n))]);
    both_over_the_dump(copy, &book_key(), 1);
}

/// The entry of a sealed record that says that a roll has 2,497 labels.
fn counted_in(members: &Members) -> u64 {
    let lines = members.lines("entries.jsonl");
    let line = lines.iter().find(|line| String::from_utf8_lossy(line).contains("\"labels\":2497")).unwrap();
    serde_json::from_slice::<serde_json::Value>(line).unwrap()["n"].as_u64().unwrap()
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
    5 [File, Database, Holder], a_tail_cut_below_what_a_witness_cosigned => {
        let followed = followed();
        let copy = followed.copy();
        let (policy, with) = (followed.policy(&copy, ""), followed.kept(&copy));
        followed.speaks(&copy.dir(), &policy, followed.size);
        followed.speaks(&copy.dir(), &with, followed.size);
        let left = cut(&copy);
        cut_checkpoints(&copy, left);
        rebuild(&copy);
        cut_is_found(&copy, &with, left);
        // Whoever asks for the witness need not have kept anything: nothing that it cosigned is there any more.
        found(&copy.dir(), &policy, &[("require", Nowhere)]);
        both_over_the_dump(&copy, &policy, 1);
        assert_eq!(followed.refuses(&copy)["body"]["history"], "longer");
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
    6 [File, Database, Holder], a_receipt_shown_to_a_server_whose_book_was_cut => {
        let copy = Copy::new();
        let server = Server::start(&copy.dir());
        let receipt = sign_in(&server).receipt;
        let client = Client::stranger(&server.url);
        client.showing(&receipt).get("/api/health").good();
        server.stop();
        let left = cut(&copy);
        cut_checkpoints(&copy, left);
        rebuild(&copy);
        whole_holds(&copy.dir(), &book_key());

        let server = Server::start(&copy.dir());
        let client = Client::stranger(&server.url);
        // Whoever shows none is served, and nobody notices.
        client.get("/api/health").good();
        assert!(said(&copy, "book.receipt_contradicted").is_empty());
        client.showing(&receipt).get("/api/health").problem(409, "book-set-back");
        server.stop();
        // Its checkpoint is signed by this book's own key: so it is in the book, for anybody to check.
        let alarm = said(&copy, "book.receipt_contradicted").pop().expect("it is recorded");
        assert!(receipt.contains(&format!("&n={}&leaf={}&", alarm["body"]["n"], alarm["body"]["leaf"].as_str().unwrap())));
        let proof = copy.put("proof.txt", alarm["body"]["checkpoint"].as_str().unwrap().as_bytes());
        let with = Outside::checkpoint(&proof);
        let end = entries(&copy.dir()).len() as u64;
        found(&copy.dir(), &with, &[("checkpoints", At(end))]);
        both_find(&copy.dump(), &with, &[("checkpoints", At(end))]);
        holds(&copy.dir(), &book_key());
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
    12 [File, Database, Holder], an_old_backup_of_a_book_that_a_witness_follows => {
        let followed = followed();
        followed.speaks(&followed.copy().dir(), &followed.policy(&followed.copy(), ""), followed.size);
        // As it was before the server ran that the witness heard of.
        let copy = Copy::new();
        let end = entries(&copy.dir()).len() as u64;
        let (policy, with) = (followed.policy(&copy, ""), followed.kept(&copy));
        cut_is_found(&copy, &with, end);
        found(&copy.dir(), &policy, &[("require", Nowhere)]);
        both_over_the_dump(&copy, &policy, 1);
        followed.refuses(&copy);
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
    14 [File, Database, Holder], two_servers_before_one_witness => {
        let followed = followed();
        let witness = followed.witness();
        let (one, other) = (followed.copy(), followed.copy());
        let first = asking(&one.dir(), &witness);
        ask_now(&one);
        let note = std::fs::read(cosigned_beyond(&one, followed.size)).unwrap();
        // Both at once. The second asks nobody at first, and nobody notices.
        Server::start(&other.dir()).stop();
        assert!(said(&other, "book.fork_seen").is_empty());
        holds(&other.dir(), &followed.policy(&other, ""));
        let second = asking(&other.dir(), &witness);
        ask_now(&other);
        let seen = wait_for(&other, "book.fork_seen");
        assert_eq!((&seen["body"]["witness"], &seen["body"]["history"]), (&json!(followed.key), &json!("differs")), "{seen}");
        assert!(seen["body"]["known"].as_u64() > Some(followed.size), "{seen}");
        second.stop();
        first.stop();
        assert!(said(&one, "book.fork_seen").is_empty());
        let known = checkpoint_size(cosigned(&one.dir()).last().unwrap());
        assert_eq!(submitted(&other, &witness, followed.size), 409);
        assert_eq!(submitted(&other, &witness, known), 422);
        // The one is whom the witness speaks for. Of the other it cosigned what both have, and no more.
        followed.speaks(&one.dir(), &followed.policy(&one, ""), known);
        followed.speaks(&other.dir(), &followed.policy(&other, ""), followed.size);
        let with = followed.kept(&other).and_checkpoints([other.put("one.txt", &note)]);
        found_first(&other.dir(), &with, "tree", At(followed.size));
        both_find(&other.dump(), &with, &[("tree", At(followed.size))]);
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
    16 [File, Database], a_past_under_a_later_key_that_the_book_never_named => {
        let (copy, mut forge) = untouched();
        let later = key(&[6; 32]);
        let name = key_name(&later.public());
        let proof = later.sign(&book_key_statement(&BOOK.parse().unwrap(), &name).unwrap());
        let n = forge.entries.len();
        let body = json!({ "key": name, "proof": base64(proof), "public_key": base64(later.public()) });
        forge.insert(n, json!({ "system": "book" }), "book.key_enrolled", "book/B", body);
        let past = forge.all("session.opened")[0];
        forge.entries[past]["body"]["device"] = json!("D-OTHER");
        forge.book = later;
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        found_first(&copy.dir(), &nothing(), "keys", At(n as u64));
        found_first(&copy.dir(), &nothing(), "checkpoints", Nowhere);
        both_over_the_dump(&copy, &nothing(), 1);
    }
    16 [Holder], a_past_under_the_key_that_came_after_it => {
        let copy = Copy::new();
        let with = Outside::checkpoint(&copy.kept_elsewhere(u64::MAX));
        let (_, later) = changed_key(&copy);
        let later = Outside::key(&later);
        holds(&copy.dir(), &later);
        holds(&copy.dir(), &with);
        let mut forge = Forge::with_everyones_keys(&copy.dir());
        let changed = forge.all("book.key_enrolled")[0];
        let n = counted(&forge);
        forge.entries[n]["body"]["labels"] = json!(2_500);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        // The key of before is destroyed: what is of its time and by another is refused.
        found(&copy.dir(), &later, &[("checkpoints", Nowhere)]);
        both_over_the_dump(&copy, &later, 1);
        // Without any of its time nothing is left to refuse, but what somebody kept.
        for file in checkpoints(&copy.dir()).iter().filter(|file| checkpoint_size(file) <= changed as u64) {
            std::fs::remove_file(file).unwrap();
        }
        holds(&copy.dir(), &later);
        found(&copy.dir(), &with, &[("tree", At(0))]);
        both_find(&copy.dump(), &with, &[("tree", At(0))]);
    }
    17 [File, Database, Holder], a_key_that_a_policy_knows_as_stolen => {
        let followed = followed();
        let copy = followed.copy();
        let stolen = |from: u64, since: &str| {
            let key = &stock().key;
            let id = key.split('+').nth(1).unwrap();
            format!("key = \"{key}\"\n[[compromised]]\nkey = \"{id}\"\nfrom = {from}\nsince = \"{since}\"\n")
        };
        // Cosigned before it was stolen, so it stands; cosigned later it does not.
        let with = followed.policy(&copy, &stolen(1, "2099-01-01T00:00:00.000000Z"));
        followed.speaks(&copy.dir(), &with, followed.size);
        let late = followed.copy();
        found(&late.dir(), &followed.policy(&late, &stolen(1, "2026-01-01T00:00:00.000000Z")), &[("require", Nowhere)]);
        // The thief has the book, its key, and everybody's.
        let mut forge = Forge::with_everyones_keys(&copy.dir());
        let n = counted(&forge);
        forge.entries[n]["body"]["labels"] = json!(2_500);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        cosigned(&copy.dir()).iter().for_each(|file| std::fs::remove_file(file).unwrap());
        found(&copy.dir(), &with, &[("require", Nowhere)]);
        both_over_the_dump(&copy, &with, 1);
        // Whoever does not know of it takes the key at its word.
        holds(&copy.dir(), &book_key());
        assert_eq!(book_key().report(&copy.dir(), &[]).trust, Trust::Key);

        // Stolen at some size: nothing by that key speaks for what is behind it, and the report says from where on.
        let copy = Copy::new();
        let sizes: Vec<u64> = checkpoints(&copy.dir()).iter().map(|file| checkpoint_size(file)).collect();
        let good = sizes[sizes.len() / 2];
        let text = stolen(good + 1, "2026-01-01T00:00:00.000000Z");
        let with = Outside::policy(&copy.put("stolen.toml", text.as_bytes()));
        let proved = |with: &Outside| {
            holds(&copy.dir(), with);
            with.report(&copy.dir(), &[]).outside.unwrap().size
        };
        assert_eq!(proved(&with), good);
        let mut forge = Forge::of(&copy.dir());
        let n = forge.entries.len();
        strangers(&mut forge, n);
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        assert_eq!((proved(&with), proved(&book_key())), (good, n as u64 + 1));
    }
    17 [File, Database, Holder], a_key_that_the_book_marks_as_stolen => {
        let copy = Copy::new();
        let mut thief = Forge::of(&copy.dir());
        let mut forge = Forge::of(&copy.dir());
        let n = forge.entries.len();
        let body = json!({ "from": n, "key": key_name(&forge.book.public()) });
        let by = forge.by("U-0001");
        forge.insert(n, by, "book.key_compromised", "book/B", body);
        forge.entries[n]["why"] = json!("the backup medium was lost");
        forge.mend();
        forge.write_with_checkpoints(&copy.dir());
        rebuild(&copy);
        let (old, newer) = changed_key(&copy);
        let newer = Outside::key(&newer);
        whole_holds(&copy.dir(), &newer);
        // The old key alone vouches for nothing behind the mark.
        assert!(book_key().report(&copy.dir(), &[]).outside.unwrap().size < n as u64 + 1);
        // With it the thief signs what there is now, however true.
        let leaves: Vec<Hash> = entries(&copy.dir()).iter().map(|bytes| Hash::leaf(bytes)).collect();
        let origin = BOOK.parse().unwrap();
        let note = sign(&Checkpoint { origin, size: leaves.len() as u64, root: root(&leaves) }, &old);
        let with = newer.clone().and_checkpoints([copy.put("stolen.txt", note.as_bytes())]);
        found(&copy.dir(), &with, &[("checkpoints", Nowhere)]);
        both_find(&copy.dump(), &with, &[("checkpoints", Nowhere)]);
        // Or goes on with a book in which it was never reported.
        strangers(&mut thief, n);
        thief.mend();
        thief.write_with_checkpoints(&copy.dir());
        found(&copy.dir(), &newer, &[("keys", At(0))]);
        both_over_the_dump(&copy, &newer, 1);
        holds(&copy.dir(), &book_key());
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
    18 [Holder, System], a_clock_set_back_under_a_server => {
        let copy = Copy::new();
        let size = entries(&copy.dir()).len();
        let clock = SetClock::right();
        let server = on_a_clock(&copy, &clock.environment());
        sign_in(&server);
        written(&copy, size, ["book.started", "session.opened"]);
        clock.set("-600");
        sign_in(&server);
        server.stop();
        let [.., step, _] = written(&copy, size, ["book.started", "session.opened", "clock.stepped", "session.opened"]);
        // Without the step, what is recorded next is earlier than what stands before it.
        a_step_taken_out(&copy, step as u64);
    }
    19 [Holder, System], a_clock_set_forward_under_a_server => {
        let copy = Copy::new();
        let size = entries(&copy.dir()).len();
        let clock = SetClock::right();
        let server = on_a_clock(&copy, &clock.environment());
        sign_in(&server);
        written(&copy, size, ["book.started", "session.opened"]);
        clock.set("+20m");
        sign_in(&server);
        server.stop();
        on_a_clock(&copy, &clock.environment()).stop();
        let [.., again] = written(
            &copy,
            size,
            ["book.started", "session.opened", "clock.stepped", "session.opened", "book.started"],
        );
        // Without the step, the next start in the same boot tells: it says both clocks.
        a_step_taken_out(&copy, again as u64 - 1);
    }
    20 [Holder, System], a_start_on_an_earlier_clock => {
        let copy = Copy::new();
        let size = entries(&copy.dir()).len();
        Server::start(&copy.dir()).stop();
        written(&copy, size, ["book.started"]);
        let before = entries(&copy.dir()).len();
        let back = off_by("-2h");
        let said = faketime::start(&copy.dir(), &back, &[]).err().expect("it must not start");
        assert!(said.starts_with("exit 2: ") && said.contains("--accept-earlier-clock"), "{said}");
        assert_eq!(entries(&copy.dir()).len(), before);
        // Two people together can have it started, which is what the refusal is for: then the book says so.
        let accepted = ["--accept-earlier-clock", "U-0001,U-0002", "--why", "the battery of the clock was changed"];
        faketime::start(&copy.dir(), &back, &accepted).unwrap().stop();
        let [step, _] = written(&copy, before, ["clock.stepped", "book.started"]);
        a_step_taken_out(&copy, step as u64);
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
        let n = counted_in(&members);
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
    24 [File], the_pages_file_changed => {
        let pages = Members::of(zip("DL-0001")).get("record.pdf").to_vec();
        let folder = Copy::new();
        let pdf = folder.put("record.pdf", &pages);
        let changed = |change: fn(&mut Pdf)| {
            let mut taken_apart = Pdf::of(&pages);
            change(&mut taken_apart);
            std::fs::write(&pdf, taken_apart.bytes()).unwrap();
        };
        whole_holds(&pdf, &book_key());
        changed(|_| ());
        both_hold(&pdf, &book_key());
        // A bit of what is attached; then an entry of it, with everything mended that needs no key.
        changed(|pdf| pdf.flip_attached("\"labels\":2497"));
        both_find(&pdf, &book_key(), &[("pdf", Nowhere)]);
        changed(|pdf| pdf.change_attached("\"labels\":2497", "\"labels\":2500"));
        let n = counted_in(&Members::of(zip("DL-0001")));
        found_first(&pdf, &book_key(), "tree", At(n));
        both_agree(&pdf, &book_key());
        // The pages themselves prove nothing, alone: they are set again.
        changed(Pdf::exchange_pages);
        assert!(book_key().report(&pdf, &[]).to_string().contains("UNPROVEN"));
        let said = found_by_rules(&pdf, &book_key(), "pages", None);
        assert!(said.contains("not those that its entries give"), "{said}");
    }
    24 [File], other_pages_in_a_sealed_record => {
        let mut members = Members::of(zip("DL-0001"));
        let sealed = Sealed::new(&members.zip());
        whole_holds(&sealed.path(), &book_key());
        let mut pdf = Pdf::of(members.get("record.pdf"));
        pdf.exchange_pages();
        members.put("record.pdf", pdf.bytes());
        members.mend_manifest(|_| ());
        std::fs::write(sealed.path(), members.zip()).unwrap();
        let exported: serde_json::Value = serde_json::from_slice(&members.lines("seal.jsonl")[0]).unwrap();
        // The book says which file of pages it gave away.
        both_find(&sealed.path(), &book_key(), &[("seal", At(exported["n"].as_u64().unwrap()))]);
    }
    24 [Holder], other_pages_sealed_with_the_books_key => {
        let mut members = Members::of(zip("DL-0001"));
        let mut pdf = Pdf::of(members.get("record.pdf"));
        pdf.exchange_pages();
        members.put("record.pdf", pdf.bytes());
        members.mend_manifest(|_| ());
        let (manifest, pages) = (Hash::of(members.get("manifest.json")), Hash::of(members.get("record.pdf")));
        let (sealed, _) = reseal(&Copy::new(), members, |entry| {
            (entry["body"]["manifest"], entry["body"]["pdf"]) = (json!(manifest), json!(pages));
        });
        both_hold(&sealed.path(), &book_key());
        found_by_rules(&sealed.path(), &book_key(), "pages", None);
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
    26 [Holder, System], a_witness_kept_away => {
        let followed = followed();
        let copy = followed.copy();
        let policy = followed.policy(&copy, "");
        followed.speaks(&copy.dir(), &policy, followed.size);
        let mut witness = followed.witness();
        witness.kill();
        let server = asking(&copy.dir(), &witness);
        ask_now(&copy);
        let lost = wait_for(&copy, "book.witness_lost");
        server.stop();
        assert_eq!((&lost["body"]["size"], &lost["body"]["witness"]), (&json!(followed.size), &json!(followed.key)));
        // The book says so; and whether it does or not, the report says from which entry on no witness speaks.
        followed.speaks(&copy.dir(), &policy, followed.size);
        taken_out(&copy, |entry| entry["kind"] == "book.witness_lost");
        followed.speaks(&copy.dir(), &policy, followed.size);
        // Whoever does not ask for a witness is told of no tail.
        holds(&copy.dir(), &book_key());
        let outside = book_key().report(&copy.dir(), &[]).outside.unwrap();
        assert_eq!((outside.size, outside.tail), (entries(&copy.dir()).len() as u64, 0));
        // Kept away from the beginning, nothing is there that was asked for.
        let never = Copy::new();
        let policy = followed.policy(&never, "");
        found(&never.dir(), &policy, &[("require", Nowhere)]);
        both_over_the_dump(&never, &policy, 1);
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
                Cell::No(why) => assert!(!why.is_empty()),
            }
        }
    }
    assert_eq!(cases, wanted);
}
