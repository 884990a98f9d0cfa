//! Sealed records: left out, put in, mended and forged.

use serde_json::{Value, json};
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::{Hash, tree};
use tallyseal_verify::{Check, Options, Require, Trust};

use crate::fixture::places::*;
use crate::fixture::*;

fn record() -> Members {
    sample(9).export("count/C-1", &STREAMS)
}

#[track_caller]
fn spoiled(check: Check, n: Option<u64>, also: &[Check], spoil: impl Fn(&mut Members)) {
    let mut members = record();
    spoil(&mut members);
    // What is changed in the archive alone is another than what is attached to the pages, which says so, too.
    let mut attached = record();
    let ours = ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"];
    let differs = ours.iter().any(|name| {
        members.0.iter().find(|(known, _)| known == name).map(|(_, bytes)| bytes) != Some(&*attached.get(name))
    });
    let also: Vec<Check> = also.iter().copied().chain(differs.then_some(Check::Pdf)).collect();
    finds(|options| members.verify(options), check, n, &also);
}

fn split(bytes: &[u8]) -> Vec<Vec<u8>> {
    bytes.strip_suffix(b"\n").unwrap().split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect()
}

fn join(lines: &[Vec<u8>]) -> Vec<u8> {
    lines.iter().flat_map(|line| line.iter().copied().chain([b'\n'])).collect()
}

fn edit(bytes: &mut Vec<u8>, change: impl FnOnce(&mut Vec<Vec<u8>>)) {
    let mut lines = split(bytes);
    change(&mut lines);
    *bytes = join(&lines);
}

#[test]
fn an_untouched_record_is_in_order_and_every_check_looked_at_something() {
    let report = record().verify(&without(&[]));
    assert!(report.ok(), "{report}");
    // Two entries of streams that are not in the record stand between; and its page is none that we know.
    let [chain, page] = &report.notes[..] else { panic!("{:?}", report.notes) };
    assert_eq!(chain, "chain: 1 not judged: prev, because the entry before is not here");
    assert!(page.starts_with("verify.html is another checking page than this version's, with SHA-256 "), "{page}");
    let looked: Vec<(&str, u64)> = report.checks.iter().map(|line| (line.check.as_str(), line.looked_at)).collect();
    assert_eq!(
        looked,
        [
            ("zip", 12),
            ("manifest", 9),
            ("complete", 6),
            ("bytes", 24),
            ("chain", 24),
            ("time", 24),
            ("tree", 24),
            ("checkpoints", 2),
            ("keys", 5),
            ("signatures", 7),
            ("separation", 7),
            ("captures", 2),
            ("plugins", 2),
            ("pdf", 1),
            ("seal", 1),
        ]
    );
    assert_eq!(report.checkpoint.map(|newest| newest.size), Some(27));
    assert_eq!((report.signatures.standing, report.signatures.void), (7, 0));
    assert!(report.to_string().lines().count() < 40, "{report}");
}

#[test]
fn a_key_a_checkpoint_or_neither() {
    let mut book = sample(9);
    let members = book.export("count/C-1", &STREAMS);
    let with_key = Options { keys: vec![book.verifier_key()], require: vec![Require::Key], ..without(&[]) };
    let report = members.verify(&with_key);
    assert!(report.ok(), "{report}");
    assert_eq!(report.trust, Trust::Key);
    for size in [26, 27] {
        let options = Options { checkpoints: vec![book.note(size)], ..without(&[]) };
        let report = members.verify(&options);
        assert!(report.ok(), "{report}");
        assert_eq!(report.trust, Trust::Checkpoint);
    }
    // There is no proof to a checkpoint of another size: that is said, and where it was required it is a fault.
    let options = Options { checkpoints: vec![book.note(20)], ..without(&[]) };
    let report = members.verify(&options);
    assert!(report.ok(), "{report}");
    assert_eq!(report.trust, Trust::Itself);
    assert!(report.notes.iter().any(|note| note.contains("of another size")), "{report}");
    let report = members.verify(&Options { require: vec![Require::Checkpoint], ..options });
    assert_eq!(found(&report), [("require".to_owned(), None)]);
    // One of the same size and another root: the book's key signed two histories.
    let mut other = sample(9);
    other.change(SUPPLIER, |entry| entry["body"]["name"] = json!("Other"));
    let report = members.verify(&Options { checkpoints: vec![other.note(26)], ..without(&[]) });
    assert_eq!(found(&report), [("checkpoints".to_owned(), None)]);
}

#[test]
fn a_record_forged_as_a_whole_under_another_key() {
    let members = sample(10).export("count/C-1", &STREAMS);
    assert!(members.verify(&without(&[])).ok());
    let options = Options { keys: vec![sample(9).verifier_key()], ..without(&[]) };
    let report = members.verify(&options);
    assert_eq!(found(&report), [("keys".to_owned(), Some(0))]);
}

#[test]
fn a_member_left_out_or_put_in() {
    let captures: Vec<String> = record().0.iter().map(|(name, _)| name.clone()).collect();
    for name in captures {
        println!("{name}");
        let mut members = record();
        members.remove(&name);
        let report = members.verify(&without(&[]));
        assert!(report.faults.iter().any(|fault| fault.check == "manifest"), "{name}: {report}");
    }
    spoiled(Check::Manifest, None, &[], |members| members.0.push(("extra.txt".to_owned(), b"x".to_vec())));
    // Named by the manifest as well: then the seal is over another manifest.
    spoiled(Check::Seal, Some(26), &[], |members| {
        members.0.push(("extra.txt".to_owned(), b"x".to_vec()));
        members.mend_manifest(|_| {});
    });
    spoiled(Check::Manifest, None, &[], |members| {
        members.remove("verify.html");
    });
    // Raw bytes that nobody asked for, with a manifest that names them.
    spoiled(Check::Captures, None, &[Check::Seal], |members| {
        members.0.push((format!("captures/{}", Hash::of(b"x")), b"x".to_vec()));
        members.mend_manifest(|_| {});
    });
}

#[test]
fn the_last_entry_dropped_with_manifest_and_proofs_mended() {
    // Everything in the archive fits; only the entry in the book says that there was more.
    spoiled(Check::Seal, Some(26), &[], |members| {
        edit(members.get("entries.jsonl"), |lines| drop(lines.pop()));
        edit(members.get("proofs.jsonl"), |lines| drop(lines.pop()));
        members.mend_manifest(|manifest| manifest["streams"]["count/C-1"] = json!(7));
    });
}

#[test]
fn an_inner_entry_dropped_with_manifest_and_proofs_mended() {
    spoiled(Check::Chain, Some(SEEN + 1), &[Check::Complete, Check::Seal], |members| {
        let at = 1 + (SEEN - 3) as usize;
        edit(members.get("entries.jsonl"), |lines| {
            assert!(String::from_utf8_lossy(&lines[at]).contains("count.fault_seen"));
            lines.remove(at);
        });
        edit(members.get("proofs.jsonl"), |lines| drop(lines.remove(at)));
        members.mend_manifest(|_| {});
    });
}

#[test]
fn a_field_of_an_entry_changed_with_manifest_and_proofs_mended() {
    spoiled(Check::Tree, Some(LAST), &[Check::Seal], |members| {
        let mut leaf = Hash::ZERO;
        edit(members.get("entries.jsonl"), |lines| {
            let last = lines.last_mut().unwrap();
            let mut entry: Value = serde_json::from_slice(last).unwrap();
            entry["body"]["text"] = json!("all odd");
            *last = write_value(&entry).unwrap();
            leaf = Hash::leaf(last);
        });
        edit(members.get("proofs.jsonl"), |lines| {
            let last = lines.last_mut().unwrap();
            let mut proof: Value = serde_json::from_slice(last).unwrap();
            proof["leaf"] = json!(leaf.hex());
            *last = write_value(&proof).unwrap();
        });
        members.mend_manifest(|_| {});
    });
}

#[test]
fn a_field_of_a_signed_entry_changed() {
    spoiled(Check::Chain, Some(CLOSED), &[Check::Tree, Check::Manifest, Check::Signatures], |members| {
        let bytes = members.get("entries.jsonl");
        *bytes =
            String::from_utf8(bytes.clone()).unwrap().replace("\"labels_seen\":3", "\"labels_seen\":4").into_bytes();
    });
}

#[test]
fn entries_out_of_order_or_twice() {
    spoiled(Check::Chain, Some(LAST - 1), &[Check::Tree, Check::Manifest, Check::Complete], |members| {
        edit(members.get("entries.jsonl"), |lines| {
            let last = lines.len() - 1;
            lines.swap(last, last - 1);
        });
    });
    spoiled(Check::Chain, Some(LAST), &[Check::Tree, Check::Manifest, Check::Complete], |members| {
        edit(members.get("entries.jsonl"), |lines| lines.push(lines.last().unwrap().clone()));
    });
}

#[test]
fn entries_of_two_streams_in_each_others_place() {
    // Each stream is still in its own order.
    let swapped = |members: &mut Members| {
        for name in ["entries.jsonl", "proofs.jsonl"] {
            edit(members.get(name), |lines| {
                let at = lines.iter().position(|line| String::from_utf8_lossy(line).contains("\"n\":15,")).unwrap();
                lines.swap(at, at - 1);
            });
        }
        members.mend_manifest(|_| {});
    };
    spoiled(Check::Chain, Some(PLUGIN - 3), &[Check::Seal], swapped);
    let mut members = record();
    swapped(&mut members);
    let report = members.verify(&without(&[]));
    assert!(report.notes.iter().any(|note| note.starts_with("time: 1 not judged")), "{report}");
}

#[test]
fn proofs_that_are_others_or_not_canonical() {
    spoiled(Check::Tree, Some(LAST), &[Check::Manifest], |members| {
        edit(members.get("proofs.jsonl"), |lines| drop(lines.pop()));
    });
    spoiled(Check::Tree, None, &[Check::Manifest], |members| {
        edit(members.get("proofs.jsonl"), |lines| lines.push(lines[0].clone()));
    });
    spoiled(Check::Tree, Some(LAST), &[Check::Manifest], |members| {
        edit(members.get("proofs.jsonl"), |lines| {
            let last = lines.len() - 1;
            lines[last] = lines[last - 1].clone();
        });
    });
    spoiled(Check::Tree, None, &[Check::Manifest], |members| {
        let proofs = members.get("proofs.jsonl");
        proofs.truncate(proofs.len() - 1);
    });
    spoiled(Check::Tree, Some(0), &[Check::Manifest], |members| {
        edit(members.get("proofs.jsonl"), |lines| lines[0] = [b" ", lines[0].as_slice()].concat());
    });
    spoiled(Check::Tree, Some(0), &[Check::Manifest], |members| {
        edit(members.get("proofs.jsonl"), |lines| {
            let mut proof: Value = serde_json::from_slice(&lines[0]).unwrap();
            proof["path"][0] = json!("ab".repeat(32));
            lines[0] = write_value(&proof).unwrap();
        });
    });
}

#[test]
fn a_manifest_that_lists_more_or_less_than_there_is() {
    let cases: [(&str, Check, fn(&mut Value)); 7] = [
        ("further", Check::Complete, |manifest| manifest["streams"]["count/C-1"] = json!(9)),
        ("less far", Check::Complete, |manifest| manifest["streams"]["count/C-1"] = json!(7)),
        ("a stream that is not there", Check::Complete, |manifest| manifest["streams"]["roll/R-1"] = json!(1)),
        ("a record that is not there", Check::Manifest, |manifest| manifest["record"] = json!("roll/R-1")),
        ("another book", Check::Manifest, |manifest| manifest["book"] = json!("other.example")),
        ("another size", Check::Manifest, |manifest| manifest["size"] = json!(25)),
        ("a stream without entries", Check::Manifest, |manifest| manifest["streams"]["roll/R-1"] = json!(0)),
    ];
    for (what, check, change) in cases {
        println!("{what}");
        spoiled(check, None, &[Check::Seal], |members| members.mend_manifest(change));
    }
    // A file that was made after it.
    spoiled(Check::Manifest, None, &[Check::Seal], |members| {
        let hash = Hash::of(members.get("seal.txt")).hex();
        members.mend_manifest(|manifest| manifest["files"]["seal.txt"] = json!(hash));
    });
    // A stream that is here and not listed: named at its first entry.
    spoiled(Check::Complete, Some(PLUGIN), &[Check::Seal], |members| {
        members.mend_manifest(|manifest| drop(manifest["streams"].as_object_mut().unwrap().remove("plugin/P-1")));
    });
    for bytes in [b"[]".to_vec(), b"{}".to_vec(), b"".to_vec(), b"{ }".to_vec()] {
        let mut members = record();
        *members.get("manifest.json") = bytes;
        let report = members.verify(&without(&[]));
        assert!(report.faults.iter().any(|fault| fault.check == "manifest"), "{report}");
    }
}

#[test]
fn a_record_without_entry_0() {
    spoiled(Check::Complete, Some(0), &[Check::Manifest, Check::Tree], |members| {
        edit(members.get("entries.jsonl"), |lines| drop(lines.remove(0)));
    });
}

#[test]
fn a_record_whose_entry_0_opens_no_book() {
    // Then there is no key that its checkpoints could be held against: anything would hold.
    let mut book = Forge::empty(9);
    let started = json!({
        "boot": "", "clock": "", "engine": "", "mono_us": 0, "schemas": "00".repeat(32), "software": "",
        "store": "", "synchronised": "unknown",
    });
    book.add(system(), "book.started", "book/B", started);
    book.add(di().by(), "remark.made", "supplier/SU-1", json!({"text": "x"}));
    let members = book.export("supplier/SU-1", &["supplier/SU-1"]);
    finds(|options| members.verify(options), Check::Keys, Some(0), &[]);
}

#[test]
fn an_archive_larger_than_any_zip_is_not_brought_into_memory() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.zip");
    std::fs::File::create(&path).unwrap().set_len(1 << 40).unwrap();
    let report = tallyseal_verify::verify(&path, &without(&[])).unwrap();
    assert_eq!(found(&report), [("zip".to_owned(), None)]);
}

#[test]
fn checkpoints_inside_that_are_anothers() {
    let other = || sample(10).export("count/C-1", &STREAMS);
    for name in ["checkpoint.txt", "seal.txt"] {
        println!("{name}");
        let mut members = record();
        *members.get(name) = other().get(name).clone();
        let report = members.verify(&without(&[]));
        assert!(report.faults.iter().any(|fault| fault.check == "checkpoints"), "{report}");
    }
}

#[test]
fn the_seal_of_another_export() {
    // A second export of the same record: a good seal, over another manifest.
    let mut book = sample(9);
    let mut first = book.export("count/C-1", &STREAMS);
    let mut second = book.export("count/C-1", &STREAMS);
    assert!(second.verify(&without(&[])).ok());
    for name in ["seal.jsonl", "seal.txt"] {
        *first.get(name) = second.get(name).clone();
    }
    finds(|options| first.verify(options), Check::Seal, None, &[]);
}

#[test]
fn a_seal_that_says_something_else() {
    let cases: [(&str, fn(&mut Value)); 4] = [
        ("pdf", |body| body["pdf"] = json!("ab".repeat(32))),
        ("no pdf", |body| drop(body.as_object_mut().unwrap().remove("pdf"))),
        ("record", |body| body["record"] = json!("plugin/P-1")),
        ("streams", |body| body["streams"]["count/C-1"] = json!(9)),
    ];
    for (what, change) in cases {
        println!("{what}");
        let mut book = sample(9);
        let mut members = book.export("count/C-1", &STREAMS);
        // The book itself says it, and proves it.
        let n = book.size() - 1;
        book.change(n, |entry| change(&mut entry["body"]));
        reseal(&book, &mut members, n);
        finds(|options| members.verify(options), Check::Seal, Some(n), &[]);
    }
    let mut book = sample(9);
    let mut members = book.export("count/C-1", &STREAMS);
    let n = book.size() - 1;
    book.change(n, |entry| entry["book"] = json!("label-room.example/plant-2"));
    reseal(&book, &mut members, n);
    finds(|options| members.verify(options), Check::Seal, Some(n), &[]);
    let mut book = sample(9);
    let mut members = book.export("count/C-1", &STREAMS);
    let n = book.add(system(), "moon.landed", "moon/M-1", json!({}));
    reseal(&book, &mut members, n);
    finds(|options| members.verify(options), Check::Seal, None, &[]);
    let n = book.add(di().by(), "remark.made", "count/C-1", json!({"text": "sealed"}));
    reseal(&book, &mut members, n);
    finds(|options| members.verify(options), Check::Seal, Some(n), &[]);
}

/// Makes the entry at `n` the one that seals.
fn reseal(book: &Forge, members: &mut Members, n: u64) {
    let leaves = &book.leaves()[..=n as usize];
    let hex = |path: Vec<Hash>| path.iter().map(Hash::hex).collect::<Vec<_>>();
    let proof = json!({"leaf": leaves[n as usize].hex(), "n": n, "path": hex(tree::inclusion(leaves, n).unwrap())});
    let consistency = json!({"consistency": hex(tree::consistency(leaves, 26).unwrap())});
    *members.get("seal.jsonl") =
        join(&[book.bytes[n as usize].clone(), write_value(&proof).unwrap(), write_value(&consistency).unwrap()]);
    *members.get("seal.txt") = book.note(n + 1).into_bytes();
}

#[test]
fn seal_lines_left_out_or_changed() {
    let cases: [(&str, Option<u64>, fn(&mut Vec<Vec<u8>>)); 8] = [
        ("two lines", None, |lines| drop(lines.pop())),
        ("four lines", None, |lines| lines.push(lines[2].clone())),
        ("an entry that is none", None, |lines| lines[0] = b"{}".to_vec()),
        ("a proof of another entry", Some(26), |lines| {
            let mut proof: Value = serde_json::from_slice(&lines[1]).unwrap();
            proof["n"] = json!(25);
            lines[1] = write_value(&proof).unwrap();
        }),
        ("no way from C1 to C2", None, |lines| lines[2] = b"{\"consistency\":[]}".to_vec()),
        ("a proof that leads elsewhere", Some(26), |lines| {
            let mut proof: Value = serde_json::from_slice(&lines[1]).unwrap();
            proof["path"][0] = json!("ab".repeat(32));
            lines[1] = write_value(&proof).unwrap();
        }),
        ("a way that is none", None, |lines| lines[2].push(b' ')),
        ("a proof that is none", None, |lines| lines[1].push(b' ')),
    ];
    for (what, n, change) in cases {
        println!("{what}");
        spoiled(Check::Seal, n, &[], |members| edit(members.get("seal.jsonl"), change));
    }
    spoiled(Check::Seal, None, &[], |members| members.get("seal.jsonl").truncate(900));
}

#[test]
fn an_export_that_claims_to_stand_under_its_own_checkpoint() {
    let mut book = sample(9);
    let mut members = book.export("count/C-1", &STREAMS);
    let mut later = book.export("count/C-1", &STREAMS);
    // The second export's checkpoint C1 covers the first export's entry.
    *later.get("seal.jsonl") = members.get("seal.jsonl").clone();
    *later.get("seal.txt") = members.get("seal.txt").clone();
    let report = later.verify(&without(&[]));
    assert!(
        report.faults.iter().any(|fault| fault.check == "seal" && fault.what.contains("made before it")),
        "{report}"
    );
}

#[test]
fn captures_and_plugins_that_are_not_the_named_ones() {
    let name = format!("captures/{}", Hash::of(FIRST));
    let file = format!("plugins/{}/plugin.toml", plugin_digest());
    spoiled(Check::Captures, Some(SEGMENT), &[Check::Seal], |members| {
        members.remove(&name);
        members.mend_manifest(|_| {});
    });
    spoiled(Check::Captures, None, &[Check::Seal], |members| {
        *members.get(&name) = b"other".to_vec();
        members.mend_manifest(|_| {});
    });
    spoiled(Check::Plugins, None, &[Check::Seal], |members| {
        members.get(&file).push(b'#');
        members.mend_manifest(|_| {});
    });
    // A path that no plugin has, so that there is no digest at all.
    spoiled(Check::Plugins, None, &[Check::Seal], |members| {
        members.0.push((format!("plugins/{}/README.md", "ab".repeat(32)), b"x".to_vec()));
        members.mend_manifest(|_| {});
    });
    spoiled(Check::Plugins, Some(COUNT), &[Check::Seal], |members| {
        for path in plugin().keys() {
            members.remove(&format!("plugins/{}/{path}", plugin_digest()));
        }
        members.mend_manifest(|_| {});
    });
    spoiled(Check::Plugins, None, &[Check::Seal], |members| {
        members.0.push(("plugins/readme.txt".to_owned(), b"x".to_vec()));
        members.mend_manifest(|_| {});
    });
}

#[test]
fn a_plugin_with_more_files_than_its_draft_names() {
    let mut book = Forge::founded(9);
    let file = plugin()
        .into_iter()
        .next()
        .map(|(path, bytes)| json!({"length": bytes.len(), "path": path, "sha256": Hash::of(&bytes).hex()}));
    // Its digest is that of all files.
    let draft = json!({
        "counts": "labels", "digest": plugin_digest().hex(), "emits": [], "files": [file], "name": "line",
        "version": "1.0.0",
    });
    let n = book.add(system(), "plugin.drafted", "plugin/P-1", draft);
    let aborted = json!({});
    book.add(system(), "count.aborted", "count/C-1", aborted);
    let members = book.export("count/C-1", &["count/C-1", "plugin/P-1"]);
    finds(|options| members.verify(options), Check::Plugins, Some(n), &[]);
}

#[test]
fn a_plugin_that_no_count_in_the_record_ran_need_not_bring_its_files() {
    let members = sample(9).export("plugin/P-1", &["plugin/P-1"]);
    let report = members.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert!(report.notes.iter().any(|note| note.starts_with("plugins: 1 not judged")), "{report}");
}

#[test]
fn what_rests_on_streams_that_are_not_in_the_record_is_not_judged_and_said() {
    // Without the accounts of the signers and the plugin that one of them covered.
    let members = sample(9).export("count/C-1", &["count/C-1"]);
    let report = members.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    for said in ["signatures: 2 not judged: the signer's account", "signatures: 1 not judged: a covered stream"] {
        assert!(report.notes.iter().any(|note| note.starts_with(said)), "{said}: {report}");
    }
    // Listed and not there is another matter.
    let mut members = record();
    edit(members.get("entries.jsonl"), |lines| {
        lines.retain(|line| !String::from_utf8_lossy(line).contains("account/U-3\",\"v\""))
    });
    let report = members.verify(&without(&[]));
    let named = |check: &str| report.faults.iter().any(|fault| fault.check == check);
    assert!(named("complete") && named("signatures"), "{report}");
}

#[test]
fn a_record_of_one_small_thing() {
    let mut book = sample(9);
    let members = book.export("supplier/SU-1", &["supplier/SU-1"]);
    let report = members.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!(report.entries, 3);
}
