//! Machines' bytes, their plugins and what follows from them, changed by somebody who holds every key and makes everything
//! fit again. Only running the bytes again finds it: the check `replay`, which the whole program has.

use std::io::Write as _;

use flate2::write::DeflateEncoder;
use flate2::{Compression, Crc};
use rusqlite::params;
use serde_json::{Value, json};
use tallyseal_schema::Hash;
use tallyseal_schema::plugin_files::{Files, digest};
use tallyseal_tests::book::administer;

use crate::attack::{Outside, found_by_rules, rebuild, whole_holds};
use crate::forge::Forge;
use crate::stock::{Copy, stock};

/// The count of R-000102, with faults.
const COUNT: &str = "count/C-000005";

fn key() -> Outside {
    Outside::key(&stock().key)
}

/// The book made anew by `make`, which gives the first entry that is wrong, and found there by `replay` alone.
#[track_caller]
pub fn attack(says: &str, make: impl FnOnce(&Copy, &mut Forge) -> usize) {
    let copy = Copy::new();
    whole_holds(&copy.dir(), &key());
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let n = make(&copy, &mut forge);
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    rebuild(&copy);
    let said = found_by_rules(&copy.dir(), &key(), "replay", Some(n as u64));
    assert!(said.contains(says), "{said}");
}

/// Everybody's keys new and everything made to fit: nothing to find.
#[test]
fn a_book_made_anew_that_says_the_same_holds() {
    let copy = Copy::new();
    let forge = Forge::with_everyones_keys(&copy.dir());
    forge.write_with_checkpoints(&copy.dir());
    rebuild(&copy);
    whole_holds(&copy.dir(), &key());
}

/// The files of the book's only plugin, as they are stored.
fn plugin_files(copy: &Copy, drafted: &Value) -> Files {
    let files = drafted["body"]["files"].as_array().unwrap();
    let stored = |sha256: &Hash| -> Vec<u8> {
        administer(&copy.dir(), |db| {
            db.query_row("SELECT bytes FROM file WHERE sha256 = ?1", [sha256.0], |row| row.get(0)).unwrap()
        })
    };
    let named = files.iter().map(|file| {
        let sha256: Hash = file["sha256"].as_str().unwrap().parse().unwrap();
        (file["path"].as_str().unwrap().to_owned(), stored(&sha256))
    });
    named.collect()
}

/// Puts other files in the place of the plugin's, under their own digest, wherever it is named.
fn another_plugin(copy: &Copy, forge: &mut Forge, changes: &[(&str, &str)]) {
    let drafted = forge.all("plugin.drafted")[0];
    let mut files = plugin_files(copy, &forge.entries[drafted]);
    let mut text = String::from_utf8(files["plugin.toml"].clone()).unwrap();
    for (from, to) in changes {
        assert!(text.contains(from), "{text}");
        text = text.replacen(from, to, 1);
    }
    files.insert("plugin.toml".to_owned(), text.into_bytes());
    let old = forge.entries[drafted]["body"]["digest"].as_str().unwrap().to_owned();
    let new = digest(&files).unwrap().to_string();
    let toml = files["plugin.toml"].clone();
    for entry in &mut forge.entries {
        *entry = serde_json::from_str(&entry.to_string().replace(&old, &new)).unwrap();
    }
    let named = forge.entries[drafted]["body"]["files"].as_array_mut().unwrap();
    for file in named.iter_mut().filter(|file| file["path"] == "plugin.toml") {
        (file["sha256"], file["length"]) = (json!(Hash::of(&toml)), json!(toml.len()));
    }
    administer(&copy.dir(), |db| {
        db.execute("INSERT INTO file (sha256, bytes) VALUES (?1, ?2)", params![Hash::of(&toml).0, toml]).unwrap();
    });
}

/// Another plugin takes every splice for a missing label. Gives the first segment in which that makes a difference.
pub fn a_splice_read_as_missing(copy: &Copy, forge: &mut Forge) -> usize {
    another_plugin(copy, forge, &[("emits = \"splice\"", "emits = \"missing\""), (" \"splice\",", "")]);
    let splice = |n: &usize| forge.entries[*n]["body"]["fault"] == "splice";
    let first = forge.all("count.fault_seen").into_iter().find(splice).unwrap();
    let same_act = |n: &usize| forge.entries[*n]["act"] == forge.entries[first]["act"];
    forge.all("count.segment_captured").into_iter().find(same_act).unwrap()
}

/// The first segment that has that text in its bytes, with its bytes.
fn segment(copy: &Copy, forge: &Forge, text: &str) -> (usize, Vec<u8>) {
    let reader = tallyseal_book_reader(copy);
    let bytes = |n: &usize| reader.capture(&forge.entries[*n]["body"]["sha256"].as_str().unwrap().parse().unwrap());
    let segments = forge.all("count.segment_captured");
    let found = segments.into_iter().map(|n| (n, bytes(&n).unwrap().unwrap()));
    let mut found = found.filter(|(_, bytes)| bytes.windows(text.len()).any(|part| part == text.as_bytes()));
    found.next().unwrap_or_else(|| panic!("no machine said {text}"))
}

fn tallyseal_book_reader(copy: &Copy) -> tallyseal_book::Reader {
    tallyseal_book::Reader::open(&copy.dir()).unwrap()
}

/// Stores raw bytes as the book does, in a day file of their own.
pub fn store(copy: &Copy, raw: &[u8]) -> Hash {
    let mut deflate = DeflateEncoder::new(Vec::new(), Compression::fast());
    deflate.write_all(raw).unwrap();
    let payload = deflate.finish().unwrap();
    let sha256 = Hash::of(raw);
    let mut piece = b"TSC1".to_vec();
    piece.extend(sha256.0);
    piece.extend((raw.len() as u32).to_be_bytes());
    piece.extend((payload.len() as u32).to_be_bytes());
    let mut crc = Crc::new();
    crc.update(&piece[4..]);
    crc.update(&payload);
    piece.extend(crc.sum().to_be_bytes());
    piece.extend(payload);
    let name = format!("forged-{}.cap", &sha256.to_string()[..8]);
    std::fs::write(copy.dir().join("captures").join(&name), &piece).unwrap();
    administer(&copy.dir(), |db| {
        db.execute(
            "INSERT INTO capture (sha256, file, position, length) VALUES (?1, ?2, 0, ?3)",
            params![sha256.0, name, piece.len() as i64],
        )
        .unwrap();
        db.execute("INSERT INTO capture_file (file, length) VALUES (?1, ?2)", params![name, piece.len() as i64])
            .unwrap();
    });
    sha256
}

#[test]
fn a_plugin_that_reads_otherwise_under_a_digest_of_its_own_is_found_at_the_first_bytes_it_ran_over() {
    attack("the plugin sees something else", a_splice_read_as_missing);
}

#[test]
fn a_plugin_that_is_none_is_found_at_the_first_count_that_names_it() {
    attack("its plugin cannot be run", |copy, forge| {
        another_plugin(copy, forge, &[("api = 1", "api = 1000")]);
        forge.all("count.opened")[0]
    });
}

#[test]
fn other_bytes_under_a_hash_of_their_own_are_found_at_their_segment() {
    attack("the plugin sees something else", |copy, forge| {
        let (n, mut bytes) = segment(copy, forge, "0109521234567899");
        let at = bytes.windows(16).position(|part| part == b"0109521234567899").unwrap();
        bytes[at + 15] = b'8';
        forge.entries[n]["body"]["sha256"] = json!(store(copy, &bytes));
        n
    });
}

macro_rules! changes {
    // One line for each: what is changed in the body of the first such entry of the count.
    ($($name:ident: $kind:expr, $says:expr, $change:expr;)*) => {
        $(#[test] fn $name() {
            attack($says, |_, forge| {
                let n = forge.find(COUNT, $kind);
                let change: fn(&mut Value) = $change;
                change(&mut forge.entries[n]["body"]);
                n
            });
        })*
    };
}

fn add(value: &mut Value, more: i64) {
    *value = json!(value.as_i64().unwrap() + more);
}

changes! {
    a_fault_at_another_place_of_the_stream: "count.fault_seen", "says something else", |body| add(&mut body["from"], 1);
    a_fault_at_another_label: "count.fault_seen", "says something else", |body| add(&mut body["ordinal"], 1);
    a_fault_of_another_kind: "count.fault_seen", "says something else", |body| body["fault"] = json!("missing");
    a_report_of_another_kind: "count.machine_reported", "says something else",
        |body| body["seen"] = json!({ "kind": "halted", "ordinal": 0 });
    more_labels_than_the_machine_told: "count.segment_captured", "says something else", |body| add(&mut body["labels"], 3);
    another_total_than_the_machine_told: "count.segment_captured", "says something else", |body| add(&mut body["total"], 3);
    fewer_observations_than_the_plugin_makes: "count.segment_captured", "observations are recorded",
        |body| add(&mut body["observed"], -1);
    more_observations_than_the_plugin_makes: "count.segment_captured", "observations are recorded",
        |body| add(&mut body["observed"], 1);
    observations_of_another_hash: "count.segment_captured", "the plugin sees something else",
        |body| body["lines"] = json!(Hash::of(b"x"));
}

#[test]
fn a_fault_that_was_left_out_is_found_in_its_act() {
    attack("count.fault_seen", |_, forge| {
        let n = forge.find(COUNT, "count.fault_seen");
        assert_eq!(forge.entries[n]["act"], forge.entries[n - 1]["act"]);
        forge.entries.remove(n);
        // The next entry of the act stands where it should, or the act ends.
        if forge.entries[n]["act"] == forge.entries[n - 1]["act"] { n } else { n - 1 }
    });
}

#[test]
fn a_fault_that_no_bytes_tell_of_is_found_at_it() {
    attack("no bytes come with", |_, forge| {
        let n = forge.find(COUNT, "count.fault_seen");
        let mut entry = forge.entries[n].clone();
        entry["act"] = json!(uuid::Uuid::new_v4());
        let last = forge.all("count.segment_captured").into_iter().rfind(|at| forge.entries[*at]["stream"] == COUNT);
        let last = last.unwrap();
        let after = (last..).find(|at| forge.entries[*at]["act"] != forge.entries[last]["act"]).unwrap();
        entry["at"] = forge.entries[after - 1]["at"].clone();
        forge.entries.insert(after, entry);
        after
    });
    attack("no machine made it", |_, forge| {
        let n = forge.find(COUNT, "count.fault_seen");
        let mut entry = forge.entries[n].clone();
        entry["act"] = json!(uuid::Uuid::new_v4());
        entry["by"] = json!({ "system": "capture" });
        let after = (n..).find(|at| forge.entries[*at]["act"] != forge.entries[n]["act"]).unwrap();
        entry["at"] = forge.entries[after - 1]["at"].clone();
        forge.entries.insert(after, entry);
        after
    });
}
