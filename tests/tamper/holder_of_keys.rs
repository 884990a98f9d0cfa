//! Who holds the server, its disk and the book's own key can make another past. What is kept elsewhere shows it, and
//! nothing else does.

use serde_json::{Value, json};
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_schema::sealed::read_zip;
use tallyseal_schema::tree;
use tallyseal_tests::book::{checkpoint_size, checkpoints, entries};
use tallyseal_tests::verifiers::tallyseal;

use crate::archive::Members;
use crate::attack::Place::{At, Nowhere, Somewhere};
use crate::attack::{Outside, both_find, both_hold, both_over_the_dump, found, holds, sentences};
use crate::forge::{Forge, key};
use crate::stock::{Copy, Sealed, stock, zip};

/// The label that was counted as 2,497 becomes 2,500, and everything is signed anew: people with keys of the forger's,
/// checkpoints with the book's own.
fn another_past(copy: &Copy) -> Forge {
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let counted = forge.find("roll/R-000102", "roll.counted");
    forge.entries[counted]["body"]["labels"] = json!(2_500);
    forge.mend();
    forge
}

#[test]
fn another_past_under_the_books_own_key_is_found_by_a_kept_checkpoint_alone() {
    let copy = Copy::new();
    let kept = copy.kept_elsewhere(u64::MAX);
    holds(&copy.dir(), &Outside::key(&stock().key).and_checkpoints([kept.clone()]));
    let forge = another_past(&copy);
    forge.write_with_checkpoints(&copy.dir());

    // The book's key is not enough: it says AUTHENTIC, and that is true of whoever holds the key.
    let report = Outside::key(&stock().key).report(&copy.dir(), &[]);
    assert!(report.ok() && report.to_string().contains("(trust: key)"), "{report}");
    both_over_the_dump(&copy, &Outside::key(&stock().key), 0);

    // People's keys were replaced from the beginning, so nothing is left of the old book below the kept checkpoint.
    let with = Outside::checkpoint(&kept);
    found(&copy.dir(), &with, &[("checkpoints", Nowhere), ("tree", Somewhere)]);
    assert!(sentences(&copy.dir(), &with, "checkpoints").contains("two roots"));
    both_find(&copy.dump(), &with, &[("tree", At(0))]);
}

/// The book's own checkpoints hold in whatever past its key signed: they must not narrow down where it was changed.
#[test]
fn what_a_kept_checkpoint_contradicts_is_looked_for_below_the_last_one_from_outside_that_holds() {
    let copy = Copy::new();
    let early = copy.put("early.txt", &std::fs::read(&checkpoints(&copy.dir())[1]).unwrap());
    let size = checkpoint_size(&early);
    let kept = copy.kept_elsewhere(u64::MAX);
    let mut forge = Forge::of(&copy.dir());
    let session = forge.all("session.opened")[0];
    assert!(size <= session as u64);
    forge.entries[session]["body"]["device"] = json!("D-OTHER");
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    let signed = forge.first_signature_over(session);
    let both = Outside::checkpoint(&early).and_checkpoints([kept.clone()]);
    found(&copy.dir(), &both, &[("checkpoints", Nowhere), ("signatures", At(signed)), ("tree", At(size))]);
    let one = Outside::checkpoint(&kept);
    found(&copy.dir(), &one, &[("checkpoints", Nowhere), ("signatures", At(signed)), ("tree", At(0))]);
}

#[test]
fn another_past_is_found_by_a_sealed_record_that_was_given_away_before() {
    let copy = Copy::new();
    let sealed = zip("DL-0001");
    let members = read_zip(sealed).unwrap();
    let kept: Vec<_> = ["checkpoint.txt", "seal.txt"]
        .map(|name| copy.put(name, members.iter().find(|member| member.name == name).unwrap().bytes(sealed)))
        .into();
    let with = Outside::nothing().and_checkpoints(kept);
    holds(&copy.dir(), &with);
    another_past(&copy).write_with_checkpoints(&copy.dir());
    found(&copy.dir(), &with, &[("checkpoints", Nowhere), ("tree", Somewhere)]);
    both_find(&copy.dump(), &with, &[("tree", At(0))]);
}

#[test]
fn the_exposed_tail_can_be_made_anew_and_what_stands_below_the_kept_checkpoint_cannot() {
    let copy = Copy::new();
    let forge = Forge::of(&copy.dir());
    // The last signature of a person; after it the server's key alone is enough.
    let signed = *forge.all("signature.applied").last().unwrap();
    let kept = copy.kept_elsewhere(signed as u64 + 1);
    let with = Outside::key(&stock().key).and_checkpoints([kept]);

    let mut forge = Forge::of(&copy.dir());
    let last = forge.last();
    forge.entries[last]["why"] = json!("written by nobody");
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    let report = with.report(&copy.dir(), &[]);
    assert!(report.ok(), "{report}");
    // Which entries those are is said: as many as stand after what came from outside.
    let before = entries(&copy.dir()).len() as u64;
    let outside = Outside { key: None, ..with.clone() }.report(&copy.dir(), &[]).outside.unwrap();
    assert_eq!(outside.tail, before - outside.size);
    assert!(outside.tail > 0);

    let other = Copy::new();
    let mut forge = Forge::of(&other.dir());
    // An entry that nobody signs for, below the kept checkpoint.
    let session = forge.all("session.opened")[0];
    forge.entries[session]["body"]["device"] = json!("D-OTHER");
    forge.mend();
    forge.write_with_checkpoints(&other.dir());
    let signed = forge.first_signature_over(session);
    found(&other.dir(), &with, &[("checkpoints", Nowhere), ("signatures", At(signed)), ("tree", Somewhere)]);
}

#[test]
fn a_whole_book_forged_under_another_key_is_found_by_the_books_key() {
    let copy = Copy::new();
    holds(&copy.dir(), &Outside::key(&stock().key));
    let forge = another_past(&copy).under(key(&[7; 32]));
    forge.write_with_checkpoints(&copy.dir());

    let report = Outside::nothing().report(&copy.dir(), &[]);
    assert!(report.ok(), "{report}");
    assert!(report.to_string().contains("CONSISTENT, NOT AUTHENTICATED"), "{report}");
    assert!(report.to_json().contains("\"trust\":\"self\""), "{}", report.to_json());
    assert_eq!(report.key, Some(forge.verifier_key()), "the report says which key, to be compared");
    both_over_the_dump(&copy, &Outside::nothing(), 0);

    found(&copy.dir(), &Outside::key(&stock().key), &[("keys", At(0))]);
    both_find(&copy.dump(), &Outside::key(&stock().key), &[("keys", At(0))]);
}

#[test]
fn a_sealed_record_that_the_real_server_makes_of_a_forged_book_is_found_by_the_books_key() {
    let copy = Copy::new();
    let dir = copy.dir();
    another_past(&copy).under(key(&[7; 32])).write_with_checkpoints(&dir);
    let file = dir.join("keys/book.key");
    std::fs::write(&file, format!("{}\n", tallyseal_schema::canonical::base64([7; 32]))).unwrap();
    // The acts that were answered and the views are made to fit, as an administrator would.
    let run = |words: &[&str]| {
        let output = tallyseal(words);
        assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
    };
    run(&["rebuild", "--dir", dir.to_str().unwrap()]);
    let out = dir.join("forged.zip");
    let record = ["--record", "delivery/DL-0001", "--out", out.to_str().unwrap()];
    run(&[&["export", "--dir", dir.to_str().unwrap()], &record[..]].concat());

    both_hold(&out, &Outside::nothing());
    let report = Outside::nothing().report(&out, &[]);
    assert!(report.to_string().contains("CONSISTENT, NOT AUTHENTICATED"), "{report}");
    both_find(&out, &Outside::key(&stock().key), &[("keys", At(0))]);
}

/// Without the book's key a chain can be made to fit up to its head, and no checkpoint over it.
#[test]
fn a_chain_rewritten_to_the_head_without_the_key_is_found_by_any_checkpoint_over_it() {
    let copy = Copy::new();
    let dir = copy.dir();
    let mut forge = Forge::of(&dir);
    let session = forge.all("session.opened")[0];
    forge.entries[session]["body"]["device"] = json!("D-OTHER");
    forge.mend();
    forge.write(&dir);
    let good = checkpoints(&dir).into_iter().map(|file| checkpoint_size(&file));
    let good = good.filter(|size| *size <= session as u64).max().unwrap();
    // What people signed after it does not fit any more either.
    let signed = forge.first_signature_over(session);
    found(&dir, &Outside::nothing(), &[("signatures", At(signed)), ("tree", At(good))]);
    both_over_the_dump(&copy, &Outside::nothing(), 1);
}

#[test]
fn a_last_entry_that_nobody_signed_is_held_by_checkpoints_alone() {
    let copy = Copy::new();
    let dir = copy.dir();
    let kept = copy.kept_elsewhere(u64::MAX);
    let mut forge = Forge::of(&dir);
    let last = forge.last();
    forge.entries[last]["why"] = json!("written by nobody");
    forge.mend();
    forge.write(&dir);
    let below = checkpoints(&dir).into_iter().map(|file| checkpoint_size(&file)).filter(|size| *size <= last as u64);
    found(&dir, &Outside::nothing(), &[("tree", At(below.max().unwrap()))]);
    both_over_the_dump(&copy, &Outside::nothing(), 1);

    // With its checkpoints taken away nothing inside contradicts it, and then nothing is authenticated either.
    for file in checkpoints(&dir) {
        std::fs::remove_file(file).unwrap();
    }
    let report = Outside::key(&stock().key).report(&dir, &[]);
    assert!(report.ok() && report.to_string().contains("CONSISTENT, NOT AUTHENTICATED"), "{report}");
    found(&dir, &Outside::checkpoint(&kept), &[("tree", At(0))]);
    both_find(&copy.dump(), &Outside::checkpoint(&kept), &[("tree", At(0))]);
}

/// The seal of a record made anew with the book's key, after `change` to the entry of the export.
fn resealed(copy: &Copy, change: impl FnOnce(&mut Value)) -> (Sealed, u64) {
    reseal(copy, Members::of(zip("DL-0001")), change)
}

/// As [`resealed`], of members that were changed.
pub fn reseal(copy: &Copy, mut members: Members, change: impl FnOnce(&mut Value)) -> (Sealed, u64) {
    let (c1, c2) =
        ["checkpoint.txt", "seal.txt"].map(|name| parse_body(&members.text(name)).unwrap().size as usize).into();
    let mut forge = Forge::of(&copy.dir());
    let exported: Value = serde_json::from_slice(&members.lines("seal.jsonl")[0]).unwrap();
    let n = exported["n"].as_u64().unwrap() as usize;
    change(&mut forge.entries[n]);
    forge.mend();
    let leaves = &forge.leaves()[..c2];
    let proof = json!({ "leaf": leaves[n], "n": n, "path": tree::inclusion(leaves, n as u64).unwrap() });
    let consistency = json!({ "consistency": tree::consistency(leaves, c1 as u64).unwrap() });
    let lines = [forge.entries[n].clone(), proof, consistency].map(|line| write_value(&line).unwrap());
    members.put_lines("seal.jsonl", &lines);
    members.put("seal.txt", forge.checkpoint(c2));
    (Sealed::new(&members.zip()), n as u64)
}

#[test]
fn a_seal_made_anew_with_the_books_key_must_still_be_about_this_very_record() {
    let copy = Copy::new();
    let with = Outside::key(&stock().key);
    let (sealed, _) = resealed(&copy, |_| ());
    both_hold(&sealed.path(), &with);
    let (sealed, n) = resealed(&copy, |entry| entry["body"]["record"] = json!("delivery/DL-0002"));
    both_find(&sealed.path(), &with, &[("seal", At(n))]);
    let (sealed, n) = resealed(&copy, |entry| entry["body"]["manifest"] = json!("00".repeat(32)));
    both_find(&sealed.path(), &with, &[("seal", At(n))]);
    let (sealed, n) =
        resealed(&copy, |entry| drop(entry["body"]["streams"].as_object_mut().unwrap().remove("roll/R-000103")));
    both_find(&sealed.path(), &with, &[("seal", At(n))]);
}

/// FORMAT.md section 6: the entry of the export stands in the stream of the record.
#[test]
fn a_seal_whose_entry_stands_in_another_stream_is_found() {
    let copy = Copy::new();
    let (sealed, n) = resealed(&copy, |entry| entry["stream"] = json!("delivery/DL-0002"));
    both_find(&sealed.path(), &Outside::key(&stock().key), &[("seal", At(n))]);
}
