//! What the verdict rests on, and how it is told.

use serde_json::{Value, json};
use tallyseal_schema::canonical::base64;
use tallyseal_schema::signature::SigningKey;
use tallyseal_verify::{Check, Options, Policy, Report, Require, Trust, WitnessKey};

use crate::fixture::places::*;
use crate::fixture::*;

#[test]
fn with_nothing_from_outside_the_book_is_consistent_and_not_authenticated() {
    let book = sample(9);
    let report = book.verify(&without(&[]));
    assert_eq!((report.trust, report.outside), (Trust::Itself, None));
    let text = report.to_string();
    assert!(text.contains("CONSISTENT, NOT AUTHENTICATED"), "{text}");
    assert!(text.contains(&book.verifier_key().to_string()), "{text}");
    assert!(text.lines().count() < 40, "{text}");
}

#[test]
fn a_whole_book_forged_under_another_key_is_named_by_the_key_that_was_given() {
    let (real, forged) = (sample(9), sample(10));
    let with = |key: &Forge| Options { keys: vec![key.verifier_key()], ..without(&[]) };
    let report = real.verify(&with(&real));
    assert!(report.ok(), "{report}");
    assert_eq!((report.trust, report.outside.map(|outside| (outside.size, outside.tail))), (Trust::Key, Some((25, 1))));
    // The forged one is consistent in itself: only what comes from outside shows it.
    assert!(forged.verify(&without(&[])).ok());
    let report = forged.verify(&with(&real));
    assert_eq!(found(&report), [("keys".to_owned(), Some(0))]);
    assert_eq!(report.trust, Trust::Itself);
    let blind = forged.verify(&Options { keys: vec![real.verifier_key()], ..without(&[Check::Keys]) });
    assert!(blind.ok(), "{blind}");
    // The right key under another name is another book's.
    let mut other = sample(9);
    other.book = "label-room.example/plant-2".to_owned();
    assert_eq!(found(&real.verify(&with(&other))), [("keys".to_owned(), Some(0))]);
}

#[test]
fn a_kept_checkpoint_shows_a_book_that_was_rewritten_with_its_own_key() {
    let mut book = sample(9);
    let kept = book.note(20);
    let with = Options { checkpoints: vec![kept], ..without(&[]) };
    let report = book.verify(&with);
    assert!(report.ok(), "{report}");
    assert_eq!(
        (report.trust, report.outside.map(|outside| (outside.size, outside.tail))),
        (Trust::Checkpoint, Some((20, 6)))
    );
    assert_eq!(report.outside.and_then(|outside| outside.at).map(|at| at.to_string()), Some(at(19)));
    // All that the holder of every key can do: another history, with checkpoints over it.
    book.change(REMARK, |entry| entry["body"]["text"] = json!("on time"));
    book.relink(REMARK + 1);
    let mut fresh = Forge::founded(9);
    fresh.values.clone_from(&book.values[..18].to_vec());
    fresh.bytes.clone_from(&book.bytes[..18].to_vec());
    let plugin = fresh.values.split_off(PLUGIN_SIGNED as usize);
    fresh.bytes.truncate(PLUGIN_SIGNED as usize);
    assert_eq!(plugin.len(), 1);
    fresh.sign(&bo(), "plugin approved", "plugin/P-1", &[]);
    fresh.files.clone_from(&book.files);
    fresh.add(di().by(), "remark.made", "supplier/SU-1", json!({"text": "x"}));
    fresh.add(di().by(), "remark.made", "supplier/SU-1", json!({"text": "y"}));
    fresh.keep();
    assert!(fresh.verify(&without(&[])).ok(), "{}", fresh.verify(&without(&[])));
    let report = fresh.verify(&with);
    assert_eq!(found(&report), [("checkpoints".to_owned(), None), ("tree".to_owned(), Some(0))], "{report}");
}

fn witness() -> (SigningKey, WitnessKey) {
    witness_of(88)
}

fn witness_of(seed: u8) -> (SigningKey, WitnessKey) {
    let key = SigningKey::from_seed(&[seed; 32]).unwrap();
    let public = WitnessKey::new("witness.example/w1", key.public()).unwrap();
    (key, public)
}

/// A note with the witness's line, made by C2SP tlog-cosignature.
fn cosigned(note: &str, seconds: u64) -> String {
    cosigned_by(88, note, seconds)
}

fn cosigned_by(seed: u8, note: &str, seconds: u64) -> String {
    let (key, public) = witness_of(seed);
    let body = note.split_once("\n\n").unwrap().0;
    let signature = key.sign(format!("cosignature/v1\ntime {seconds}\n{body}\n").as_bytes());
    let id = public.to_string().split('+').nth(1).map(|id| u32::from_str_radix(id, 16).unwrap()).unwrap();
    let blob = [id.to_be_bytes().as_slice(), &seconds.to_be_bytes(), &signature].concat();
    format!("{note}\u{2014} witness.example/w1 {}\n", base64(blob))
}

#[test]
fn a_witness_that_was_named_speaks_for_the_checkpoint_that_it_cosigned() {
    let mut book = sample(9);
    let note = cosigned(&book.note(24), 1_772_431_300);
    book.notes.push((24, note));
    let report = book.verify(&Options { witnesses: vec![witness().1], ..without(&[]) });
    assert!(report.ok(), "{report}");
    assert_eq!(report.trust, Trust::Witness);
    let outside = report.outside.unwrap();
    assert_eq!((outside.size, outside.tail), (24, 2));
    assert_eq!(outside.at.unwrap().to_string(), "2026-03-02T06:01:40.000000Z");
    assert!(report.to_string().contains("as a witness saw it"));
    // With the book's key too: its own newer checkpoints do not hide how far the witness came.
    let keys = vec![book.verifier_key()];
    let report = book.verify(&Options { keys, witnesses: vec![witness().1], ..without(&[]) });
    assert_eq!(
        (report.trust, report.outside.map(|outside| (outside.size, outside.tail))),
        (Trust::Witness, Some((24, 2)))
    );
    // Nobody named it: it says nothing.
    assert_eq!(book.verify(&without(&[])).trust, Trust::Itself);
    // Its signature is bad: the note is none.
    let last = book.notes.len() - 1;
    let line = cosigned(&book.note(24), 5).lines().last().map(str::to_owned).unwrap();
    book.notes[last].1 = format!("{}{line}\n", book.note(20));
    let spoiled = |options: &Options<'_>| book.verify(&Options { witnesses: vec![witness().1], ..options.clone() });
    finds(spoiled, Check::Checkpoints, None, &[]);
}

#[test]
fn what_is_required_and_does_not_come_is_a_fault() {
    let book = sample(9);
    let all = vec![Require::Key, Require::Checkpoint, Require::Witness];
    let nothing = Options { require: all.clone(), ..without(&[]) };
    let report = book.verify(&nothing);
    assert_eq!(report.faults.iter().filter(|fault| fault.check == "require").count(), 3, "{report}");
    assert!(book.verify(&Options { skip: vec![Check::Require], ..nothing }).ok());
    let mut kept = sample(9);
    let note = cosigned(&kept.keep(), 1_772_431_300);
    let everything = Options {
        require: all,
        keys: vec![book.verifier_key()],
        checkpoints: vec![note],
        witnesses: vec![witness().1],
        ..without(&[])
    };
    let report = book.verify(&everything);
    assert!(report.ok(), "{report}");
    assert_eq!(report.checks.last().map(|line| (line.check.as_str(), line.looked_at)), Some(("require", 3)));
    // A key that signed no checkpoint proves nothing.
    let mut bare = sample(9);
    bare.notes.clear();
    let options = Options { require: vec![Require::Key], keys: vec![book.verifier_key()], ..without(&[]) };
    assert_eq!(found(&bare.verify(&options)), [("require".to_owned(), None)]);
}

fn fields(report: &Report) -> Value {
    serde_json::from_str(&report.to_json()).unwrap()
}

#[test]
fn the_json_form_is_the_documented_one() {
    let book = sample(9);
    let json = book.verify(&without(&[])).to_json();
    assert!(
        json.starts_with(
            r#"{"ok":true,"trust":"self","book":"label-room.example/plant-1","entries":26,"head":{"n":25,"leaf":""#
        ),
        "{json}"
    );
    assert!(json.contains(r#""checkpoint":{"size":25,"root":""#), "{json}");
    let signatures = r#""signatures":{"standing":7,"void":0,"compromised":0},"compromised":[],"checks":["#;
    assert!(json.contains(signatures), "{json}");
    assert!(json.contains(r#""checks":[{"check":"bytes","looked_at":26,"faults":0},"#), "{json}");
    assert!(json.ends_with(r#""faults":[]}"#), "{json}");
    let mut bad = sample(9);
    bad.notes.clear();
    bad.change(LAST, |entry| entry["body"] = json!({}));
    let json = fields(&bad.verify(&without(&[])));
    assert_eq!((&json["ok"], &json["checkpoint"]), (&json!(false), &Value::Null));
    assert_eq!(json["faults"][0]["n"], json!(LAST));
    assert_eq!(json["faults"][0]["check"], json!("bytes"));
    let names: Vec<&String> = json.as_object().unwrap().keys().collect();
    let all = ["book", "checkpoint", "checks", "compromised", "entries", "faults", "head", "ok", "signatures", "trust"];
    assert_eq!(names, all);
}

#[test]
fn a_report_prints_fifty_faults_and_its_json_has_all() {
    let mut book = sample(9);
    for i in 0..120 {
        let mut entry = book.draft(system(), "moon.landed", "moon/M-1", json!({"i": i}));
        entry["book"] = json!("another.example");
        book.put(entry);
    }
    let report = book.verify(&without(&[]));
    assert_eq!(fields(&report)["faults"].as_array().unwrap().len(), 120);
    let text = report.to_string();
    assert_eq!(text.lines().filter(|line| line.starts_with("FAULT")).count(), 50);
    assert!(text.contains("and 70 more faults"), "{text}");
    assert!(text.contains("NOT IN ORDER: 120 faults"), "{text}");
}

#[test]
fn another_program_adds_its_own_checks() {
    let mut report = sample(9).verify(&without(&[]));
    report.add_check("replay", 2, vec![(Some(19), "other observations".to_owned())]);
    assert_eq!(report.exit_code(), 1);
    assert_eq!(fields(&report)["faults"], json!([{"n": 19, "check": "replay", "what": "other observations"}]));
}

/// Options with a policy: that many of the witnesses of these seeds, and more lines.
fn asking(quorum: usize, seeds: &[u8], more: &str) -> Options<'static> {
    let keys: Vec<String> = seeds.iter().map(|seed| format!("\"{}\"", witness_of(*seed).1)).collect();
    let text = format!("witness = [{}]\nquorum = {quorum}\n{more}", keys.join(", "));
    Options { policy: Some(Policy::read(text.as_bytes()).unwrap()), ..without(&[]) }
}

fn outside(report: &Report) -> Option<u64> {
    report.outside.map(|outside| outside.size)
}

#[test]
fn a_quorum_stands_where_the_last_of_its_members_does() {
    let mut book = sample(9);
    // One cosigned 24, another 20 and 22, a third nothing: each speaks for all that it cosigned.
    for (seed, size) in [(88, 24), (89, 20), (89, 22)] {
        let note = cosigned_by(seed, &book.note(size), 1_772_431_300 + size);
        book.notes.push((size, note));
    }
    for (quorum, seeds, size) in [(1, &[88_u8, 89, 90][..], 24), (2, &[88, 89, 90], 22), (1, &[89], 22)] {
        let report = book.verify(&asking(quorum, seeds, ""));
        assert!(report.ok(), "{report}");
        assert_eq!((report.trust, outside(&report)), (Trust::Witness, Some(size)), "{quorum} of {seeds:?}");
        assert_eq!(report.outside.unwrap().at.unwrap().micros(), (1_772_431_300 + size as i64) * 1_000_000);
    }
    for (quorum, seeds) in [(3, &[88_u8, 89, 90][..]), (2, &[88, 90]), (1, &[90])] {
        let report = book.verify(&asking(quorum, seeds, ""));
        assert_eq!(found(&report), [("require".to_owned(), None)], "{report}");
        assert_eq!(report.trust, Trust::Itself);
        // The check is what finds it.
        assert!(book.verify(&Options { skip: vec![Check::Require], ..asking(quorum, seeds, "") }).ok());
    }
    // A quorum of none asks for none.
    assert!(book.verify(&asking(0, &[90], "")).ok());
}

#[test]
fn one_key_under_two_names_is_one_witness() {
    let mut book = sample(9);
    let (key, _) = witness();
    let other = WitnessKey::new("witness.example/w2", key.public()).unwrap();
    let note = cosigned(&book.note(24), 1_772_431_300);
    let named = cosigned(&book.note(24), 1_772_431_300).replace("/w1 ", "/w2 ");
    // As it stands the ID is that of the first name; a second line under the second name needs its own.
    let id = |key: &WitnessKey| key.id();
    let line = named.lines().last().unwrap().rsplit_once(' ').unwrap().1;
    let mut blob = tallyseal_schema::canonical::unbase64(line).unwrap();
    blob[..4].copy_from_slice(&id(&other));
    let both = format!("{note}\u{2014} witness.example/w2 {}\n", base64(blob));
    book.notes.push((24, both));
    let report = book.verify(&Options { witnesses: vec![other], ..asking(2, &[88, 90], "") });
    assert_eq!(found(&report), [("require".to_owned(), None)], "{report}");
}

#[test]
fn a_policy_says_what_it_asked_and_by_which_bytes() {
    let book = sample(9);
    let text = format!("key = \"{}\"\n", book.verifier_key());
    let policy = Policy::read(text.as_bytes()).unwrap();
    let report = book.verify(&Options { policy: Some(policy), ..without(&[]) });
    assert!(report.ok(), "{report}");
    assert_eq!(report.trust, Trust::Key);
    let print = tallyseal_schema::Hash::of(text.as_bytes()).hex();
    assert!(report.to_string().contains(&format!("policy {print}")), "{report}");
    assert!(report.to_string().contains(&format!("asks for the book's key {}", book.verifier_key())), "{report}");
    let json: Value = serde_json::from_str(&report.to_json()).unwrap();
    let wanted = json!({
        "sha256": print, "key": book.verifier_key().to_string(), "quorum": 0, "witnesses": [], "compromised": [],
    });
    assert_eq!(json["policy"], wanted);
    // Without one nothing is said of it.
    let json: Value = serde_json::from_str(&book.verify(&without(&[])).to_json()).unwrap();
    assert!(json.get("policy").is_none());
    // Another book's key.
    let other = format!("key = \"{}\"\n", sample(10).verifier_key());
    let policy = Policy::read(other.as_bytes()).unwrap();
    let report = book.verify(&Options { policy: Some(policy), ..without(&[]) });
    assert_eq!(found(&report), [("require".to_owned(), None), ("keys".to_owned(), Some(0))], "{report}");
}

#[test]
fn a_stolen_key_proves_nothing_from_there_on_unless_it_was_witnessed_before() {
    let mut book = sample(9);
    let key = book.verifier_key();
    let id: String = key.id.iter().map(|byte| format!("{byte:02x}")).collect();
    // 2026-03-02T06:01:40Z is 1772431300.
    let stolen = |from: u64| {
        format!(
            "key = \"{key}\"\n[[compromised]]\nkey = \"{id}\"\nfrom = {from}\nsince = \"2026-03-02T06:01:40.000000Z\"\n"
        )
    };
    let with = |book: &Forge, from: u64, seeds: &[u8]| {
        let options = asking(usize::from(!seeds.is_empty()), seeds, &stolen(from));
        let skip = vec![Check::Require];
        let report = book.verify(&Options { skip, ..options });
        assert!(report.ok(), "{report}");
        (report.trust, outside(&report))
    };
    book.notes.clear();
    for size in [20, 23, 25] {
        let note = book.note(size);
        book.notes.push((size, note));
    }
    assert_eq!(with(&book, 30, &[]), (Trust::Key, Some(25)));
    // What is signed from 23 on counts no more; what was signed below it does.
    assert_eq!(with(&book, 23, &[]), (Trust::Key, Some(20)));
    assert_eq!(with(&book, 1, &[]), (Trust::Itself, None));
    // Witnessed before: then it does not rest on that key.
    let note = cosigned(&book.note(23), 1_772_431_299);
    book.notes.push((23, note));
    assert_eq!(with(&book, 1, &[88]), (Trust::Witness, Some(23)));
    // Witnessed at that moment or later: whoever has the key can have asked the witness.
    let late = cosigned(&book.note(25), 1_772_431_300);
    book.notes.push((25, late));
    assert_eq!(with(&book, 1, &[88]), (Trust::Witness, Some(23)));
    assert_eq!(with(&book, 26, &[88]), (Trust::Witness, Some(25)));
}
