//! Members of a sealed record left out, doubled, exchanged or put in, and entries dropped, with everything mended that can
//! be mended without a key: checksums, proofs, the manifest.

use serde_json::{Value, json};
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::sealed::write_zip;

use crate::archive::Members;
use crate::attack::Place::{At, Nowhere};
use crate::attack::{Finding, Outside, both_find, both_hold, sentences};
use crate::stock::{Sealed, stock, zip};

fn with_key() -> Outside {
    Outside::key(&stock().key)
}

/// A record changed by `change`, after it was seen to hold; exactly those checks find it, and the other verifier too.
#[track_caller]
fn attack(by: &[Finding], change: impl FnOnce(&mut Members)) -> Sealed {
    let mut members = Members::of(zip("DL-0001"));
    let sealed = Sealed::new(&members.zip());
    both_hold(&sealed.path(), &with_key());
    let attached = |members: &Members| {
        let ours =
            members.0.iter().filter(|(name, _)| ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"].contains(&&**name));
        ours.cloned().collect::<Vec<_>>()
    };
    let before = attached(&members);
    change(&mut members);
    std::fs::write(sealed.path(), members.zip()).unwrap();
    // The pages have these attached, too: what is changed in the archive alone is another than they hold.
    let has_pages = members.0.iter().any(|(name, _)| name == "record.pdf");
    let pages = (has_pages && attached(&members) != before).then_some(("pdf", Nowhere));
    let by: Vec<Finding> = by.iter().copied().chain(pages).collect();
    both_find(&sealed.path(), &with_key(), &by);
    sealed
}

/// The archive itself is not of the strict form.
#[track_caller]
fn spoiled(zip: &[u8], says: &str) {
    let sealed = Sealed::new(zip);
    both_find(&sealed.path(), &with_key(), &[("zip", Nowhere)]);
    let said = sentences(&sealed.path(), &with_key(), "zip");
    assert!(said.contains(says), "{said}");
}

/// The entries as JSON, with their places.
fn entries(members: &Members) -> Vec<Value> {
    members.lines("entries.jsonl").iter().map(|line| serde_json::from_slice(line).unwrap()).collect()
}

fn n_of(entry: &Value) -> u64 {
    entry["n"].as_u64().unwrap()
}

/// Drops the entry in that line with its proof, and makes the manifest fit.
fn drop_line(members: &mut Members, line: usize, change: impl FnOnce(&mut Value)) {
    for name in ["entries.jsonl", "proofs.jsonl"] {
        let mut lines = members.lines(name);
        lines.remove(line);
        members.put_lines(name, &lines);
    }
    members.mend_manifest(change);
}

#[test]
fn a_member_left_out_is_found() {
    for beginning in ["schemas/", "checkpoint.txt"] {
        let name = Members::of(zip("DL-0001")).first(beginning);
        let left_out = |members: &mut Members| members.remove(&name);
        let sealed = attack(&[("manifest", Nowhere)], left_out);
        assert!(sentences(&sealed.path(), &with_key(), "manifest").contains(&name));
    }
    attack(&[("manifest", Nowhere)], |members| members.remove("seal.txt"));
    attack(&[("manifest", Nowhere)], |members| members.remove("seal.jsonl"));
}

#[test]
fn raw_bytes_or_plugin_files_left_out_are_found_at_what_names_them() {
    let members = Members::of(zip("DL-0001"));
    let capture = members.first("captures/");
    let hash = capture.trim_start_matches("captures/");
    let named = entries(&members).iter().find(|entry| entry["body"]["sha256"] == hash).map(n_of).unwrap();
    attack(&[("captures", At(named)), ("manifest", Nowhere)], |members| members.remove(&capture));
    let plugin = members.first("plugins/");
    let drafted = entries(&members).iter().find(|entry| entry["kind"] == "plugin.drafted").map(n_of).unwrap();
    let sealed = Sealed::new(&members.zip());
    let mut without = members.clone();
    without.remove(&plugin);
    std::fs::write(sealed.path(), without.zip()).unwrap();
    // The digest of the folder fits no more, and the draft names a file that is not there.
    both_find(&sealed.path(), &with_key(), &[("manifest", Nowhere), ("plugins", Nowhere)]);
    let report = with_key().report(&sealed.path(), &[]);
    assert!(report.faults.iter().any(|fault| fault.check == "plugins" && fault.n == Some(drafted)), "{report}");
}

#[test]
fn entries_or_proofs_left_out_are_found() {
    for name in ["entries.jsonl", "proofs.jsonl", "manifest.json"] {
        let mut members = Members::of(zip("DL-0001"));
        members.remove(name);
        let sealed = Sealed::new(&members.zip());
        let said = sentences(&sealed.path(), &with_key(), "manifest");
        assert!(said.contains(&format!("{name} is not there")), "{said}");
        assert_eq!((with_key().ours(&sealed.path()).code, with_key().theirs(&sealed.path()).code), (1, 1), "{name}");
    }
}

#[test]
fn a_member_put_in_is_found_unless_the_manifest_and_the_seal_name_it() {
    attack(&[("manifest", Nowhere)], |members| members.put("schemas/roll.opened.v1.json", "{}"));
    let sealed = n_of_seal();
    // The manifest can be made to name it; its own hash is in the entry of the export.
    attack(&[("seal", At(sealed))], |members| {
        members.put("record.txt", "all is well");
        members.mend_manifest(|_| ());
    });
}

/// Position of the entry of the export.
fn n_of_seal() -> u64 {
    n_of(&serde_json::from_slice(&Members::of(zip("DL-0001")).lines("seal.jsonl")[0]).unwrap())
}

#[test]
fn a_member_that_is_there_twice_is_found() {
    let mut members = Members::of(zip("DL-0001"));
    // Written under a name of the same length first: no writer of ours makes two of one name.
    let twin = "entries.jsonX";
    members.0.insert(1, (twin.to_owned(), members.get("entries.jsonl").to_vec()));
    let mut bytes = write_zip(&members.0).unwrap();
    let places: Vec<usize> =
        (0..bytes.len() - twin.len()).filter(|at| &bytes[*at..at + twin.len()] == twin.as_bytes()).collect();
    assert_eq!(places.len(), 2, "the local and the central name");
    for at in places {
        bytes[at + twin.len() - 1] = b'l';
    }
    spoiled(&bytes, "entries.jsonl is there twice");
}

#[test]
fn members_in_another_order_are_the_same_record_and_headers_in_another_order_are_none() {
    let mut members = Members::of(zip("DL-0001"));
    members.0.reverse();
    both_hold(&Sealed::new(&members.zip()).path(), &with_key());

    let zip = zip("DL-0001");
    let end = zip.len() - 22;
    let central = u32::from_le_bytes(zip[end + 16..end + 20].try_into().unwrap()) as usize;
    let first = 46 + usize::from(u16::from_le_bytes(zip[central + 28..central + 30].try_into().unwrap()));
    let mut moved = zip.to_vec();
    // The first central header after the second.
    let second = central + first;
    let length = 46 + usize::from(u16::from_le_bytes(zip[second + 28..second + 30].try_into().unwrap()));
    moved[central..second + length].rotate_left(first);
    spoiled(&moved, "members do not follow one another");
}

#[test]
fn bytes_that_belong_to_no_member_are_found() {
    let zip = zip("DL-0001");
    let end = zip.len() - 22;
    let central = u32::from_le_bytes(zip[end + 16..end + 20].try_into().unwrap()) as usize;
    spoiled(&[b"x", zip].concat(), "central");
    spoiled(&[zip, b"x"].concat(), "end record");
    spoiled(&zip[..zip.len() - 1], "end record");
    // Between the members and their headers, with the end record made to fit.
    let mut between = [&zip[..central], b"hidden", &zip[central..]].concat();
    let moved = (central as u32 + 6).to_le_bytes();
    let at = between.len() - 6;
    between[at..at + 4].copy_from_slice(&moved);
    spoiled(&between, "between the members and the central directory");
    // A comment, which many programs pass over.
    let mut comment = [zip, b"hi"].concat();
    comment[end + 20] = 2;
    spoiled(&comment, "end record");
}

#[test]
fn an_entry_dropped_with_its_proof_and_its_manifest_is_found_in_its_stream_and_by_the_seal() {
    let members = Members::of(zip("DL-0001"));
    let all = entries(&members);
    let line = all.iter().position(|entry| entry["kind"] == "count.fault_seen").unwrap();
    let stream = &all[line]["stream"];
    // Where its stream goes on, and who signed over all of it.
    let next = all[line + 1..].iter().find(|entry| entry["stream"] == *stream).map(n_of).unwrap();
    let by = [("chain", At(next)), ("complete", Nowhere), ("seal", At(n_of_seal()))];
    let sealed = attack(&by, |members| drop_line(members, line, |_| ()));
    assert!(sentences(&sealed.path(), &with_key(), "chain").contains("where rev"));
    assert!(sentences(&sealed.path(), &with_key(), "complete").contains("is not there in full"));
}

#[test]
fn the_last_entry_of_a_stream_dropped_with_everything_mended_is_found_by_the_seal_alone() {
    let members = Members::of(zip("DL-0001"));
    let all = entries(&members);
    let line = all.iter().rposition(|entry| entry["stream"] == "roll/R-000102").unwrap();
    let rev = all[line]["rev"].as_u64().unwrap();
    let sealed = attack(&[("seal", At(n_of_seal()))], |members| {
        // With pages of its own, or none at all.
        members.remove("record.pdf");
        drop_line(members, line, |manifest| manifest["streams"]["roll/R-000102"] = json!(rev - 1));
    });
    let said = sentences(&sealed.path(), &with_key(), "seal");
    assert!(said.contains("it names another manifest") && said.contains("other streams, or up to elsewhere"), "{said}");
}

#[test]
fn a_whole_stream_dropped_is_found() {
    let members = Members::of(zip("DL-0001"));
    let dropped = "roll/R-000103";
    let kept = |entry: &Value| entry["stream"] != dropped;
    let keep: Vec<bool> = entries(&members).iter().map(kept).collect();
    let sealed = n_of_seal();
    attack(&[("seal", At(sealed))], |members| {
        for name in ["entries.jsonl", "proofs.jsonl"] {
            let lines: Vec<_> = members.lines(name).into_iter().zip(&keep).filter(|(_, keep)| **keep).collect();
            let lines: Vec<_> = lines.into_iter().map(|(line, _)| line).collect();
            members.put_lines(name, &lines);
        }
        members.mend_manifest(|manifest| drop(manifest["streams"].as_object_mut().unwrap().remove(dropped)));
    });
}

#[test]
fn an_entry_of_another_stream_put_in_is_found_at_it() {
    let other = Members::of(zip("DL-0002"));
    let (all, strange) = (entries(&Members::of(zip("DL-0001"))), entries(&other));
    let line = strange.iter().position(|entry| entry["stream"] == "deviation/DV-000001").unwrap();
    let n = n_of(&strange[line]);
    let place = all.iter().position(|entry| n_of(entry) > n).unwrap();
    // A proof against this record's own checkpoint cannot be had by who has only the other record.
    let by = [("complete", At(n)), ("seal", At(n_of_seal())), ("tree", At(n))];
    attack(&by, |members| {
        for name in ["entries.jsonl", "proofs.jsonl"] {
            let mut lines = members.lines(name);
            lines.insert(place, other.lines(name)[line].clone());
            members.put_lines(name, &lines);
        }
        members.mend_manifest(|_| ());
    });
}

#[test]
fn two_entries_exchanged_with_their_proofs_are_found_at_the_second() {
    let all = entries(&Members::of(zip("DL-0001")));
    let line = all.iter().position(|entry| entry["kind"] == "count.fault_seen").unwrap();
    let mut members = Members::of(zip("DL-0001"));
    for name in ["entries.jsonl", "proofs.jsonl"] {
        let mut lines = members.lines(name);
        lines.swap(line, line + 1);
        members.put_lines(name, &lines);
    }
    members.mend_manifest(|_| ());
    let sealed = Sealed::new(&members.zip());
    let report = with_key().report(&sealed.path(), &[]);
    let chain = report.faults.iter().filter(|fault| fault.check == "chain").filter_map(|fault| fault.n).min();
    assert_eq!(chain, Some(n_of(&all[line])), "{report}");
    assert!(report.faults.iter().any(|fault| fault.check == "seal"), "{report}");
    assert_eq!((with_key().ours(&sealed.path()).code, with_key().theirs(&sealed.path()).code), (1, 1));
}

#[test]
fn a_changed_entry_with_its_proof_and_its_manifest_is_found_by_the_checkpoint() {
    let members = Members::of(zip("DL-0001"));
    let line = entries(&members).iter().position(|entry| entry["kind"] == "item.drafted").unwrap();
    let mut entry = entries(&members)[line].clone();
    let n = n_of(&entry);
    entry["body"]["strength"] = json!("500 mg");
    let mut changed = members.clone();
    let mut lines = changed.lines("entries.jsonl");
    lines[line] = write_value(&entry).unwrap();
    changed.put_lines("entries.jsonl", &lines);
    let mut proofs = changed.lines("proofs.jsonl");
    let mut proof: Value = serde_json::from_slice(&proofs[line]).unwrap();
    proof["leaf"] = json!(tallyseal_schema::Hash::leaf(&lines[line]));
    proofs[line] = write_value(&proof).unwrap();
    changed.put_lines("proofs.jsonl", &proofs);
    changed.mend_manifest(|_| ());
    let sealed = Sealed::new(&changed.zip());
    let report = with_key().report(&sealed.path(), &[]);
    let at = |check: &str| report.faults.iter().filter(|fault| fault.check == check).filter_map(|fault| fault.n).min();
    assert_eq!((at("tree"), at("chain"), at("seal")), (Some(n), Some(n), Some(n_of_seal())), "{report}");
    assert_eq!((with_key().ours(&sealed.path()).code, with_key().theirs(&sealed.path()).code), (1, 1));
}

#[test]
fn raw_bytes_exchanged_or_changed_with_the_manifest_mended_are_found_by_their_names() {
    let members = Members::of(zip("DL-0001"));
    let names: Vec<String> =
        members.0.iter().map(|(name, _)| name.clone()).filter(|name| name.starts_with("captures/")).take(2).collect();
    let hash = |name: &str| name.trim_start_matches("captures/").to_owned();
    let named: Vec<u64> = names
        .iter()
        .map(|name| entries(&members).iter().find(|entry| entry["body"]["sha256"] == hash(name)).map(n_of).unwrap())
        .collect();
    let sealed = attack(&[("captures", Nowhere), ("seal", At(n_of_seal()))], |members| {
        let (first, second) = (members.get(&names[0]).to_vec(), members.get(&names[1]).to_vec());
        members.put(&names[0], second);
        members.put(&names[1], first);
        members.mend_manifest(|_| ());
    });
    let report = with_key().report(&sealed.path(), &[]);
    for n in named {
        assert!(report.faults.iter().any(|fault| fault.check == "captures" && fault.n == Some(n)), "{n}: {report}");
    }
}

#[test]
fn a_plugin_that_reads_more_kindly_is_found_by_its_digest() {
    let members = Members::of(zip("DL-0001"));
    let name = members.0.iter().map(|(name, _)| name).find(|name| name.ends_with("plugin.toml")).unwrap().clone();
    let text = members.text(&name);
    let sealed = attack(&[("plugins", Nowhere), ("seal", At(n_of_seal()))], |members| {
        members.put(&name, text.replacen("missing", "skipped", 1));
        members.mend_manifest(|_| ());
    });
    assert!(sentences(&sealed.path(), &with_key(), "plugins").contains("has files of digest"));
}

#[test]
fn a_schema_that_allows_more_is_found_by_the_seal() {
    let name = Members::of(zip("DL-0001")).first("schemas/");
    attack(&[("seal", At(n_of_seal()))], |members| {
        members.put(&name, "{}");
        members.mend_manifest(|_| ());
    });
}

#[test]
fn another_records_seal_or_checkpoint_does_not_fit() {
    let other = Members::of(zip("DL-0002"));
    let n = n_of(&serde_json::from_slice(&other.lines("seal.jsonl")[0]).unwrap());
    let sealed = attack(&[("seal", Nowhere)], |members| {
        for name in ["seal.jsonl", "seal.txt"] {
            members.put(name, other.get(name));
        }
    });
    let report = with_key().report(&sealed.path(), &[]);
    assert!(report.faults.iter().any(|fault| fault.n == Some(n) && fault.what.contains("another record")), "{report}");

    let sealed = Sealed::new(&{
        let mut members = Members::of(zip("DL-0001"));
        members.put("checkpoint.txt", other.get("checkpoint.txt"));
        members.mend_manifest(|_| ());
        members.zip()
    });
    let report = with_key().report(&sealed.path(), &[]);
    let found: std::collections::BTreeSet<&str> = report.faults.iter().map(|fault| fault.check.as_str()).collect();
    assert!(["manifest", "tree", "seal"].iter().all(|check| found.contains(check)), "{report}");
    assert_eq!((with_key().ours(&sealed.path()).code, with_key().theirs(&sealed.path()).code), (1, 1));
}

#[test]
fn a_checkpoint_signed_by_somebody_else_is_found() {
    for name in ["checkpoint.txt", "seal.txt"] {
        let members = Members::of(zip("DL-0001"));
        let text = members.text(name);
        let checkpoint = tallyseal_schema::checkpoint::parse_body(&text).unwrap();
        let signed = tallyseal_schema::checkpoint::sign(&checkpoint, &crate::forge::key(&[9; 32]));
        let mut changed = members.clone();
        changed.put(name, signed);
        changed.mend_manifest(|_| ());
        let sealed = Sealed::new(&changed.zip());
        let said = sentences(&sealed.path(), &with_key(), "checkpoints");
        assert!(said.contains("not signed by the book's key"), "{said}");
        assert_eq!((with_key().ours(&sealed.path()).code, with_key().theirs(&sealed.path()).code), (1, 1));
    }
}
