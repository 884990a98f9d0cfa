//! What the verdict rests on, and how it is told.

use serde_json::{Value, json};
use tallyseal_schema::canonical::base64;
use tallyseal_schema::signature::SigningKey;
use tallyseal_verify::{Check, Options, Report, Require, Trust, WitnessKey};

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
    let key = SigningKey::from_seed(&[88; 32]).unwrap();
    let public = WitnessKey::new("witness.example/w1", key.public()).unwrap();
    (key, public)
}

/// A note with the witness's line, made by C2SP tlog-cosignature.
fn cosigned(note: &str, seconds: u64) -> String {
    let (key, public) = witness();
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
    assert_eq!(names, ["book", "checkpoint", "checks", "entries", "faults", "head", "ok", "trust"]);
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
