//! Keys that change and keys that others may have held: of the book and of people. And the two clocks of one boot.

use serde_json::{Value, json};
use tallyseal_schema::canonical::base64;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::signature::{SigningKey, book_key_statement, key_name};
use tallyseal_verify::{Check, Options, Report, Require, Trust};

use crate::fixture::places::*;
use crate::fixture::*;

fn key(seed: u8) -> SigningKey {
    SigningKey::from_seed(&[seed; 32]).unwrap()
}

fn of_book(seed: u8) -> VerifierKey {
    VerifierKey::of_book(&BOOK.parse().unwrap(), key(seed).public())
}

/// Where the key changes in [`changed`]: from 9 to 21 here, from 21 to 22 at the last entry.
const FIRST_CHANGE: u64 = LAST + 1;

/// The sample book under key 9, then 21, then 22, with checkpoints kept under each.
fn changed() -> Forge {
    let mut book = sample(9);
    book.keep();
    assert_eq!(book.rotate(21), FIRST_CHANGE);
    book.keep();
    book.add(di().by(), "remark.made", "count/C-1", json!({"text": "under the second key"}));
    book.keep();
    book.rotate(22);
    book.keep();
    book
}

fn with(seeds: &[u8]) -> Options<'static> {
    Options { keys: seeds.iter().map(|seed| of_book(*seed)).collect(), ..without(&[]) }
}

fn compromise(book: &mut Forge, seed: u8, from: u64) -> u64 {
    let body = json!({"from": from, "key": key_name(&key(seed).public()).hex()});
    book.add(ada().by(), "book.key_compromised", "book/B", body)
}

#[test]
fn a_key_of_any_time_is_the_books_and_an_older_one_vouches_for_the_newer() {
    let book = changed();
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!(report.key, Some(of_book(22).to_string()), "the one that signs now");
    let text = report.to_string();
    for seed in [9, 21, 22] {
        assert!(text.contains(&of_book(seed).to_string()), "{text}");
    }
    for seed in [9, 21, 22] {
        let report = book.verify(&with(&[seed]));
        assert!(report.ok(), "{report}");
        assert_eq!((report.trust, report.outside.unwrap().size), (Trust::Key, book.size()), "{seed}");
    }
    assert_eq!(found(&book.verify(&with(&[23]))), [("keys".to_owned(), Some(0))]);
    // The newest key does not vouch for a checkpoint of before its time.
    let mut early = changed();
    early.notes.truncate(early.notes.len() - 1);
    let report = early.verify(&with(&[22]));
    assert_eq!((report.ok(), report.trust), (true, Trust::Itself), "{report}");
    assert_eq!(early.verify(&with(&[21])).outside.unwrap().size, FIRST_CHANGE + 2);
}

#[test]
fn a_checkpoint_by_the_key_of_another_time_is_refused() {
    // By the one that was left behind; by the one that comes later.
    for (size, seed) in [(FIRST_CHANGE + 1, 9), (FIRST_CHANGE + 3, 9), (FIRST_CHANGE + 3, 21), (FIRST_CHANGE, 21)] {
        let forge = |options: &Options<'_>| {
            let mut book = changed();
            let now = std::mem::replace(&mut book.key, key(seed));
            let note = book.note(size);
            book.key = now;
            book.notes.retain(|(kept, _)| *kept != size);
            book.notes.push((size, note));
            book.verify(options)
        };
        finds(forge, Check::Checkpoints, None, &[]);
    }
}

#[test]
fn a_key_that_the_one_before_does_not_vouch_for_is_none_of_the_books() {
    let forged = |change: fn(&mut Value)| {
        let mut book = sample(9);
        let n = book.rotate(21);
        book.change(n, |entry| change(&mut entry["body"]));
        // The thief's checkpoint over it.
        book.keep();
        (book, n)
    };
    let stranger = |body: &mut Value| {
        let name = key_name(&key(21).public());
        let statement = book_key_statement(&BOOK.parse().unwrap(), &name).unwrap();
        body["proof"] = json!(base64(key(7).sign(&statement)));
    };
    let itself = |body: &mut Value| {
        let name = key_name(&key(21).public());
        let statement = book_key_statement(&BOOK.parse().unwrap(), &name).unwrap();
        body["proof"] = json!(base64(key(21).sign(&statement)));
    };
    let other_name = |body: &mut Value| body["key"] = json!(key_name(&key(22).public()).hex());
    let other_key = |body: &mut Value| body["public_key"] = json!(base64(key(22).public()));
    for change in [stranger, itself, other_name, other_key] {
        let (book, n) = forged(change);
        finds(|options| book.verify(options), Check::Keys, Some(n), &[Check::Checkpoints]);
    }
    // A key that the book had before.
    let mut book = changed();
    let n = book.rotate(9);
    finds(|options| book.verify(options), Check::Keys, Some(n), &[]);
}

#[test]
fn a_dump_and_a_sealed_record_follow_the_change_too() {
    let mut book = changed();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("dump.jsonl");
    let lines: Vec<u8> = book.bytes.iter().flat_map(|line| [line.as_slice(), b"\n"].concat()).collect();
    std::fs::write(&path, lines).unwrap();
    let options = Options { checkpoints: vec![book.note(book.size())], ..with(&[9]) };
    let report = tallyseal_verify::verify(&path, &options).unwrap();
    assert_eq!((report.ok(), report.trust), (true, Trust::Checkpoint), "{report}");

    let streams: Vec<&str> = STREAMS.into_iter().chain(["book/B"]).collect();
    let members = book.export("count/C-1", &streams);
    for seed in [9, 21, 22] {
        let report = members.verify(&Options { require: vec![Require::Key], ..with(&[seed]) });
        assert_eq!((report.ok(), report.trust), (true, Trust::Key), "{report}");
    }
    // Without the stream that holds the change nobody can know the key that signed it.
    let members = changed().export("count/C-1", &STREAMS);
    let report = members.verify(&without(&[]));
    assert!(found(&report).iter().all(|(check, _)| check == "checkpoints" || check == "seal"), "{report}");
    assert!(!report.ok());
}

#[test]
fn a_compromised_key_of_the_book_proves_nothing_from_there_on() {
    let size = |report: &Report| report.outside.map(|outside| outside.size);
    // The first key, from a size at which it had kept a checkpoint: what it signed before that still speaks.
    let mut book = changed();
    compromise(&mut book, 9, 26);
    book.keep();
    let report = book.verify(&with(&[9]));
    assert!(report.ok(), "{report}");
    assert_eq!((report.trust, size(&report)), (Trust::Key, Some(25)), "nor does it vouch for a later key\n{report}");
    assert!(report.to_string().contains("marked as compromised"), "{report}");
    // Who knows the second key from elsewhere needs the first one for nothing.
    let report = book.verify(&with(&[21]));
    assert_eq!((report.trust, size(&report)), (Trust::Key, Some(book.size())), "{report}");
    // From after its last checkpoint and proof on: it takes nothing back.
    let mut book = changed();
    compromise(&mut book, 9, FIRST_CHANGE + 1);
    book.keep();
    assert_eq!(size(&book.verify(&with(&[9]))), Some(book.size()));
    // The one that signs now, from the beginning of its time: only the earlier ones speak.
    let mut book = changed();
    compromise(&mut book, 22, FIRST_CHANGE + 3);
    book.keep();
    let report = book.verify(&with(&[22]));
    assert_eq!((report.ok(), report.trust), (true, Trust::Itself), "{report}");
    assert_eq!(size(&book.verify(&with(&[9]))), Some(FIRST_CHANGE + 2));
    // A checkpoint that somebody kept elsewhere speaks by that.
    let kept = Options { checkpoints: vec![book.note(book.size())], ..without(&[]) };
    assert_eq!(book.verify(&kept).trust, Trust::Checkpoint);
    // The earliest mark counts, whatever comes later.
    compromise(&mut book, 22, FIRST_CHANGE + 100);
    book.keep();
    assert_eq!(book.verify(&with(&[22])).trust, Trust::Itself);
    let n = compromise(&mut book, 40, 1);
    finds(|options| book.verify(options), Check::Keys, Some(n), &[]);
}

fn compromise_person(book: &mut Forge, who: &Person, from: u64) -> u64 {
    let body = json!({"account": who.account, "from": from, "key": who.key_name().hex()});
    let n = book.add(bo().by(), "account.key_compromised", &who.stream(), body);
    let retired = json!({"account": who.account, "key": who.key_name().hex()});
    book.add(bo().by(), "account.key_retired", &who.stream(), retired);
    n
}

#[test]
fn what_a_compromised_key_signed_does_not_stand_and_is_named_and_is_no_fault() {
    let counts = |report: &Report| (report.signatures.standing, report.signatures.void, report.signatures.compromised);
    let before = counts(&sample(9).verify(&without(&[])));
    assert_eq!(before.2, 0);
    // From its one signature on that stands, and from the entry after it.
    for (from, fallen) in [(0, 1), (COUNTED, 1), (COUNTED + 1, 0)] {
        let mut book = sample(9);
        compromise_person(&mut book, &cy(), from);
        let report = book.verify(&without(&[]));
        assert!(report.ok(), "{report}");
        assert_eq!(counts(&report), (before.0 - fallen, before.1, fallen), "{from}");
        let said = report.notes.iter().find(|note| note.contains("key compromised from n")).unwrap();
        assert!(said.contains(&format!("from n {from}, of account U-3: {}", cy().key_name())), "{said}");
        assert_eq!(said.contains(&format!("not standing: entries {COUNTED}")), fallen == 1, "{said}");
        let json: Value = serde_json::from_str(&report.to_json()).unwrap();
        let entries = if fallen == 1 { vec![COUNTED] } else { vec![] };
        let key = json!({"account": "U-3", "entries": entries, "from": from, "key": cy().key_name().hex()});
        assert_eq!(json["compromised"], json!([key]));
        assert_eq!(json["signatures"]["compromised"], json!(fallen));
    }
    // The earlier of two marks counts, in whatever order they were made.
    let mut book = sample(9);
    compromise_person(&mut book, &cy(), COUNTED + 1);
    compromise_person(&mut book, &cy(), COUNTED);
    assert_eq!(book.verify(&without(&[])).signatures.compromised, 1);
    // After the mark it signs nothing at all: that is a fault, as with any key that was retired.
    let mut book = sample(9);
    compromise_person(&mut book, &cy(), COUNTED);
    let n = book.sign(&cy(), "counted", "count/C-1", &[]);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[]);
    // A mark on a key that is another's.
    let mut book = sample(9);
    let body = json!({"account": "U-3", "from": 1, "key": di().key_name().hex()});
    let n = book.add(bo().by(), "account.key_compromised", "account/U-3", body);
    finds(|options| book.verify(options), Check::Keys, Some(n), &[]);
}

#[test]
fn what_rests_on_a_confirmation_by_a_compromised_key_falls_with_it() {
    // Ada confirmed Bo, Cy and Di. Bo confirmed Ada; the founders' own two rest on nobody.
    let all = sample(9).verify(&without(&[])).signatures.standing;
    let mut book = sample(9);
    compromise_person(&mut book, &ada(), ADA_CONFIRMS_BO + 1);
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    // Her confirmations of Cy and Di, and what those two signed; Bo's key was confirmed before.
    assert_eq!((report.signatures.standing, report.signatures.compromised), (all - 4, 4), "{report}");
    // A second, later confirmation by somebody else holds what comes after it, and nothing before.
    let mut book = sample(9);
    book.sign(&bo(), "identity confirmed", &cy().stream(), &[]);
    compromise_person(&mut book, &ada(), ADA_CONFIRMS_BO + 1);
    book.sign(&cy(), "counted", "count/C-1", &[]);
    let report = book.verify(&without(&[Check::Separation]));
    assert!(report.ok(), "{report}");
    assert_eq!((report.signatures.standing, report.signatures.compromised), (all - 4 + 2, 4), "{report}");
}

fn started(book: &mut Forge, boot: &str, mono_us: u64, seconds: u64) -> u64 {
    let body = json!({
        "boot": boot, "clock": "none", "engine": "none", "mono_us": mono_us, "schemas": "00".repeat(32),
        "software": "forge 0", "store": "none", "synchronised": "unknown",
    });
    let mut entry = book.draft(system(), "book.started", "book/B", body);
    entry["at"] = json!(at(seconds));
    book.put(entry)
}

fn stepped(book: &mut Forge, boot: &str, mono_us: u64, seconds: u64) -> u64 {
    let body = json!({"boot": boot, "cause": "set", "from": Value::Null, "mono_us": mono_us, "to": at(seconds)});
    let mut entry = book.draft(system(), "clock.stepped", "book/B", body);
    entry["body"]["from"] = book.values.last().unwrap()["at"].clone();
    entry["at"] = json!(at(seconds));
    book.put(entry)
}

#[test]
fn the_two_clocks_of_one_boot_go_on_together_or_a_step_says_why_not() {
    const S: u64 = 1_000_000;
    // A step that is said; then the two go on together from there; a new boot counts from the beginning.
    let mut book = sample(9);
    started(&mut book, "a", 100 * S, 1_000);
    started(&mut book, "a", 200 * S, 1_105);
    stepped(&mut book, "a", 210 * S, 900);
    started(&mut book, "a", 310 * S, 995);
    started(&mut book, "b", 5 * S, 2_000);
    started(&mut book, "unknown", 9 * S, 2_001);
    started(&mut book, "unknown", 5 * S, 9_001);
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    // Six seconds apart, ahead and behind; and a count that runs backwards.
    for (mono, seconds) in [(200 * S, 1_106), (206 * S, 1_100), (99 * S, 1_000)] {
        added(Check::Time, &[], |book| {
            started(book, "a", 100 * S, 1_000);
            started(book, "a", mono, seconds)
        });
    }
    // A step from a steady count that the boot has left behind.
    added(Check::Time, &[], |book| {
        started(book, "a", 100 * S, 1_000);
        stepped(book, "a", 99 * S, 900)
    });
}
