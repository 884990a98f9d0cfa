//! A record that leaves out what it leans on, sealed by whoever holds the book's key: all that the format asks is there, and
//! only the rules know that something is missing.

use serde_json::{Value, json};
use tallyseal_schema::Hash;

use crate::archive::Members;
use crate::attack::{Outside, found_by_rules, whole_holds};
use crate::holder_of_keys::reseal;
use crate::stock::{Copy, Sealed, stock, zip};

#[test]
fn a_stream_that_the_record_leans_on_and_that_was_left_out_is_found_at_what_names_it() {
    let key = Outside::key(&stock().key);
    let mut members = Members::of(zip("DL-0001"));
    whole_holds(&Sealed::new(&members.zip()).path(), &key);
    let all: Vec<Value> =
        members.lines("entries.jsonl").iter().map(|line| serde_json::from_slice(line).unwrap()).collect();
    let received = all.iter().find(|entry| entry["kind"] == "delivery.received").unwrap();
    let left_out = received["body"]["supplier"].as_str().unwrap().to_owned();
    // Who holds the keys sets other pages, or none.
    members.remove("record.pdf");
    for name in ["entries.jsonl", "proofs.jsonl"] {
        let lines = members.lines(name).into_iter().zip(&all).filter(|(_, entry)| entry["stream"] != *left_out);
        let lines: Vec<Vec<u8>> = lines.map(|(line, _)| line).collect();
        members.put_lines(name, &lines);
    }
    members.mend_manifest(|manifest| drop(manifest["streams"].as_object_mut().unwrap().remove(&left_out)));
    let manifest = Hash::of(members.get("manifest.json"));
    let (sealed, _) = reseal(&Copy::new(), members, |entry| {
        entry["body"]["manifest"] = json!(manifest);
        entry["body"].as_object_mut().unwrap().remove("pdf");
        entry["body"]["streams"].as_object_mut().unwrap().remove(&left_out).unwrap();
    });
    // The first entry that is left and names it.
    let names = |entry: &&Value| entry["stream"] != *left_out && entry.to_string().contains(&format!("\"{left_out}\""));
    let n = all.iter().find(names).unwrap()["n"].as_u64();
    let said = found_by_rules(&sealed.path(), &key, "scope", n);
    assert!(said.contains(&format!("it leans on {left_out}")), "{said}");
}
