//! Any bytes at all: no reader of ours may panic, run away or take memory without bound, and what a reader accepts it writes
//! back byte for byte.
//!
//! Bytes are bred from good ones: those of the demo, and those kept under `tests/fuzz/corpus/READER/`, where an input goes that
//! once was trouble. The breeding knows the structures (tokens of JSON, headers of ZIP, boundaries of numbers) and is made from a
//! seed, so that a failure comes again. Bounded by number, never by time.
//!
//! A reader more: a folder in the corpus, and one test below with [`breed`] and what must hold.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use serde_json::{Value, json};
use tallyseal_machines::table::Random;
use tallyseal_plugin_host::{Plugin, Session};
use tallyseal_schema::canonical::{base64, scan, scan_entry, unbase64, write_value};
use tallyseal_schema::checkpoint::{Note, VerifierKey, open, parse_body};
use tallyseal_schema::entry::Header;
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::sealed::{ConsistencyLine, Manifest, ProofLine, read_zip, write_zip};
use tallyseal_schema::tree::{Frontier, verify_consistency, verify_inclusion};
use tallyseal_schema::{Entry, Hash};
use tallyseal_tests::book::{checkpoints, entries};
use tallyseal_tests::top;
use tallyseal_verify::time_stamp::{Authorities, answer, covers, judge};
use tallyseal_verify::{Options, verify};

use crate::archive::Members;
use crate::stock::{Copy, lines, stock, zip};

/// What all of it is made from.
const SEED: u64 = 0xF0_2210;
/// Longest input. Unit: bytes.
const LONGEST: usize = 300_000;
/// The most memory that this whole process may ever have held. Unit: KiB. It holds the demo's files, and many tests at a time.
const MEMORY_KIB: u64 = 2 * 1024 * 1024;

/// What is put in anywhere: tokens and numbers at the edges of what readers know.
const TOKENS: &[&[u8]] = &[
    b"{",
    b"}",
    b"[",
    b"]",
    b"\"",
    b"\\",
    b":",
    b",",
    b"\n",
    b"\r\n",
    b"null",
    b"true",
    b"-0",
    b"0",
    b"1e9",
    b"1.0",
    b"01",
    b"9007199254740991",
    b"9007199254740992",
    b"18446744073709551615",
    b"-9007199254740992",
    b"\\u0000",
    b"\\ud800",
    b"\xff",
    b"\xc3\x28",
    b"\xe2\x80\x94",
    b"\xef\xbb\xbf",
    b"\0",
    b"[[[[[[[[[[[[[[[[[",
    b"PK\x03\x04",
    b"PK\x01\x02",
    b"PK\x05\x06",
    b"\xff\xff\xff\xff",
    b"\xff\xff",
    b"\0\0\0\0",
    b"..",
    b"/",
    b"\"n\":",
    b"\"body\":{}",
    b"\"prev\":\"",
    b"=",
    b"TSC1",
    b"\xe2\x80\x94 label-room.example/plant-1 AAAA",
    b"{\"a\":1,\"a\":1}",
    b"\x02",
    b"\x03",
    b"1969-12-31T23:59:60.000000Z",
];

/// A number below `bound`, which is not 0.
fn below(random: &mut Random, bound: usize) -> usize {
    random.between(0, u32::try_from(bound - 1).unwrap()) as usize
}

/// One more input, from one or two good ones.
fn bred(random: &mut Random, seeds: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = seeds[below(random, seeds.len())].clone();
    for _ in 0..=below(random, 4) {
        let at = below(random, bytes.len() + 1);
        let to = (at + below(random, 64)).min(bytes.len());
        match below(random, 9) {
            0 if at < bytes.len() => bytes[at] ^= 1 << below(random, 8),
            1 if at < bytes.len() => bytes[at] = random.between(0, 255) as u8,
            2 => drop(bytes.drain(at..to)),
            3 => bytes.truncate(at),
            4 => {
                let again = bytes[at..to].to_vec();
                bytes.splice(at..at, again);
            }
            5 => {
                let other = &seeds[below(random, seeds.len())];
                let from = below(random, other.len() + 1);
                let part = other[from..(from + below(random, 200)).min(other.len())].to_vec();
                bytes.splice(at..to, part);
            }
            // A number, another: where it stands as digits.
            6 => {
                if let Some(start) = bytes[at..].iter().position(u8::is_ascii_digit).map(|digit| at + digit) {
                    let end = bytes[start..]
                        .iter()
                        .position(|byte| !byte.is_ascii_digit())
                        .map_or(bytes.len(), |len| start + len);
                    bytes.splice(start..end, TOKENS[11 + below(random, 5)].iter().copied());
                }
            }
            _ => drop(bytes.splice(at..at, TOKENS[below(random, TOKENS.len())].iter().copied())),
        }
    }
    bytes.truncate(LONGEST);
    bytes
}

/// The kept inputs of a reader.
fn kept(reader: &str) -> Vec<Vec<u8>> {
    let files = std::fs::read_dir(top().join("tests/fuzz/corpus").join(reader)).into_iter().flatten().flatten();
    let mut files: Vec<_> = files.map(|file| file.path()).collect();
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// Reads all seeds as they are, and `times` inputs bred from them. A panic says with which bytes, to be kept.
fn breed(reader: &str, times: u64, mut seeds: Vec<Vec<u8>>, mut read: impl FnMut(&[u8])) {
    seeds.extend(kept(reader));
    assert!(!seeds.is_empty());
    let name: u64 = reader.bytes().map(u64::from).sum();
    let mut one = |bytes: &[u8], which: &str| {
        if let Err(panic) = catch_unwind(AssertUnwindSafe(|| read(bytes))) {
            let file =
                std::env::temp_dir().join(format!("tallyseal-fuzz-{reader}-{}", &Hash::of(bytes).to_string()[..12]));
            std::fs::write(&file, bytes).unwrap();
            eprintln!("{which}: keep {} under tests/fuzz/corpus/{reader}/", file.display());
            std::panic::resume_unwind(panic);
        }
    };
    for seed in &seeds {
        one(seed, "a seed");
    }
    for number in 0..times {
        let mut random = Random::new(SEED + name * 1_000_003 + number);
        let bytes = bred(&mut random, &seeds);
        one(&bytes, &format!("input {number}"));
    }
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    let peak: u64 = peak.trim().trim_end_matches(" kB").parse().unwrap();
    assert!(peak < MEMORY_KIB, "{reader}: {peak} KiB");
}

fn some_entries() -> Vec<Vec<u8>> {
    let copy = Copy::new();
    let mut all = entries(&copy.dir());
    let mut kinds = std::collections::HashSet::new();
    all.retain(|bytes| {
        let entry: Value = serde_json::from_slice(bytes).unwrap();
        kinds.insert(entry["kind"].to_string())
    });
    all
}

#[test]
fn any_bytes_as_an_entry() {
    let mut accepted = 0;
    breed("entry", 20_000, some_entries(), |bytes| {
        let scanned = scan_entry(bytes);
        let read = Entry::read(bytes);
        let _ = Header::read(bytes);
        if scanned.is_ok() {
            // One form: whatever is accepted is written back as it was.
            let value: Value = serde_json::from_slice(bytes).unwrap();
            assert_eq!(write_value(&value).unwrap(), bytes);
            accepted += u64::from(read.is_ok());
        }
    });
    assert!(accepted > 100, "{accepted}");
}

#[test]
fn any_bytes_as_a_time_stamp() {
    let file = |name: &str| std::fs::read(top().join("server/verify/tests/time_stamps").join(name)).unwrap();
    let given = Authorities::read(&[file("rsa.pem"), file("p256.pem"), file("chain.pem")].concat()).unwrap();
    let (over, good) = (Hash::of(&file("note.txt")), ["rsa.tst", "p256.tst", "chain.tst"].map(file));
    let mut seeds = good.to_vec();
    // An answer has a status before the token.
    for token in &good {
        let inside = [&[0x30, 0x03, 0x02, 0x01, 0x00], token.as_slice()].concat();
        let length = u16::try_from(inside.len()).unwrap().to_be_bytes();
        seeds.push([&[0x30, 0x82], &length[..], &inside].concat());
    }
    seeds.extend([file("rsa.pem"), file("p256.pem")]);
    let mut accepted = 0;
    breed("time_stamp", 20_000, seeds, |bytes| {
        let _ = covers(bytes);
        let _ = Authorities::read(bytes);
        let _ = answer(bytes, &over, b"a nonce", Some(&given));
        // Nothing else is good than what the authority signed, byte for byte.
        if judge(bytes, &over, Some(&given)).is_ok() {
            assert!(good.iter().any(|good| good == bytes));
            accepted += 1;
        }
        // Held against no certificate less is asked, and it still stands for one that is in it.
        let _ = judge(bytes, &over, None);
    });
    assert!(accepted >= 3, "{accepted}");
}

#[test]
fn any_bytes_as_a_checkpoint() {
    let copy = Copy::new();
    let notes = checkpoints(&copy.dir()).into_iter().take(8).map(|file| std::fs::read(file).unwrap()).collect();
    let key: VerifierKey = stock().key.parse().unwrap();
    let mut good = 0;
    breed("note", 20_000, notes, |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let _ = (Note::parse(&text).map(|note| note.checkpoint()), text.parse::<VerifierKey>());
        if let Ok(opened) = open(&text, std::slice::from_ref(&key)) {
            good += u64::from(!opened.signed_by.is_empty());
            assert_eq!(Ok(opened.checkpoint), parse_body(&text));
        }
    });
    assert!(good > 8, "{good}");
}

#[test]
fn any_bytes_as_a_manifest_or_a_proof() {
    let members = Members::of(zip("DL-0002"));
    let mut seeds = vec![members.get("manifest.json").to_vec()];
    seeds.extend(members.lines("proofs.jsonl").into_iter().take(20));
    seeds.extend(members.lines("seal.jsonl"));
    let root = parse_body(&members.text("checkpoint.txt")).unwrap();
    breed("json", 20_000, seeds, |bytes| {
        let _ = (scan(bytes), serde_json::from_slice::<Manifest>(bytes).is_ok(), Frontier::from_bytes(bytes));
        if let Ok(proof) = serde_json::from_slice::<ProofLine>(bytes) {
            for size in [0, 1, proof.n, root.size, u64::MAX] {
                let _ = verify_inclusion(&proof.leaf, proof.n, size, &proof.path, &root.root);
            }
        }
        if let Ok(line) = serde_json::from_slice::<ConsistencyLine>(bytes) {
            for (old, new) in [(0, 0), (0, 1), (1, root.size), (root.size, u64::MAX), (u64::MAX, 1)] {
                let _ = verify_consistency(old, &root.root, new, &root.root, &line.consistency);
            }
        }
    });
}

/// A small archive: every structure is in it.
fn small_zip() -> Vec<u8> {
    let members = ["a", "entries.jsonl", "captures/00", "plugins/x/plugin.toml"];
    let members: Vec<(String, Vec<u8>)> =
        members.iter().enumerate().map(|(n, name)| ((*name).to_owned(), vec![b'a'; n * 7])).collect();
    write_zip(&members).unwrap()
}

#[test]
fn any_bytes_as_an_archive() {
    let mut accepted = 0;
    breed("zip", 20_000, vec![small_zip()], |bytes| {
        let Ok(members) = read_zip(bytes) else { return };
        accepted += 1;
        // Every byte was accounted for: the same members again make an archive of the same length, and the same members.
        let again: Vec<_> = members.iter().map(|member| (member.name.clone(), member.bytes(bytes).to_vec())).collect();
        let written = write_zip(&again).unwrap();
        assert_eq!(written.len(), bytes.len());
        assert_eq!(read_zip(&written), Ok(members));
    });
    assert!(accepted > 10, "{accepted}");
}

/// A record's PDF without pages: the smallest that is of the strict form.
fn small_pdf() -> Vec<u8> {
    let mut objects = Vec::new();
    let mut names = String::new();
    for (place, name) in ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"].into_iter().enumerate() {
        let file = 2 * place + 3;
        names.push_str(&format!("({name}) {} 0 R ", file - 1));
        objects.push(format!("<</Type/Filespec/F({name})/UF({name})/EF<</F {file} 0 R>>>>"));
        objects.push(format!("<</Type/EmbeddedFile/Length {}>>\nstream\n{name}\nendstream", name.len()));
    }
    objects.insert(0, format!("<</Type/Catalog/Names<</EmbeddedFiles<</Names[{names}]>>>>>>"));
    let (mut out, mut table) = (String::from("%PDF-1.7\n"), String::from("0000000000 65535 f\r\n"));
    for (number, object) in (1..).zip(&objects) {
        table.push_str(&format!("{:010} 00000 n\r\n", out.len()));
        out.push_str(&format!("{number} 0 obj\n{object}\nendobj\n"));
    }
    let (at, size) = (out.len(), objects.len() + 1);
    out.push_str(&format!("xref\n0 {size}\n{table}trailer\n<</Size {size}/Root 1 0 R>>\nstartxref\n{at}\n%%EOF"));
    out.into_bytes()
}

#[test]
fn any_bytes_as_the_pages_of_a_record() {
    let mut accepted = 0;
    breed("pdf", 20_000, vec![small_pdf()], |bytes| {
        let Some(attached) = tallyseal_verify::attached(bytes) else { return };
        accepted += 1;
        assert_eq!(attached.keys().collect::<Vec<_>>(), ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"]);
    });
    assert!(accepted > 10, "{accepted}");
}

/// What `verify` says of a file: all well, a fault, or that it could not run; never anything else.
fn verified(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).unwrap();
    let options = Options { keys: vec![stock().key.parse().unwrap()], threads: 1, ..Options::default() };
    if let Ok(report) = verify(path, &options) {
        assert!(report.exit_code() <= 1);
        let json: Value = serde_json::from_str(&report.to_json()).unwrap();
        assert_eq!(json["ok"], report.ok());
        assert!(!report.to_string().is_empty());
    }
}

#[test]
fn any_bytes_as_a_dump() {
    let copy = Copy::new();
    let all = entries(&copy.dir());
    let seeds = vec![lines(&all[..30]), lines(&all[150..190])];
    let path = copy.put("fuzzed.jsonl", b"");
    breed("dump", 400, seeds, |bytes| verified(&path, bytes));
}

#[test]
fn any_members_as_a_sealed_record() {
    let members = Members::of(zip("DL-0002"));
    let copy = Copy::new();
    let path = copy.put("fuzzed.zip", b"");
    let names = ["manifest.json", "proofs.jsonl", "entries.jsonl", "seal.jsonl", "checkpoint.txt", "seal.txt"];
    let mut random = Random::new(SEED);
    for number in 0..60 {
        // The archive is of the strict form, so that what is read is what stands in it.
        let mut changed = members.clone();
        let name = names[number % names.len()];
        let bytes = bred(&mut random, &[members.get(name).to_vec()]);
        changed.put(name, bytes);
        if number % 2 == 0 && name != "manifest.json" {
            changed.mend_manifest(|_| ());
        }
        verified(&path, &changed.zip());
    }
}

#[test]
fn any_bytes_as_captured_pieces() {
    let copy = Copy::new();
    let day = std::fs::read_dir(copy.dir().join("captures")).unwrap().next().unwrap().unwrap().path();
    let seeds = vec![std::fs::read(&day).unwrap()[..4_000].to_vec()];
    let dir = copy.dir().join("fuzzed");
    std::fs::create_dir_all(dir.join("captures")).unwrap();
    // A book of one entry beside them, so that little else is read.
    std::fs::copy(copy.dir().join("book.db"), dir.join("book.db")).unwrap();
    tallyseal_tests::book::as_administrator(&dir, "DELETE FROM entry WHERE n > 0; PRAGMA journal_mode = DELETE");
    breed("capture", 400, seeds, |bytes| {
        std::fs::write(dir.join("captures/2026-01-01.cap"), bytes).unwrap();
        let _ = verify(&dir, &Options { threads: 1, ..Options::default() });
    });
}

#[test]
fn any_bytes_as_a_plugin_and_from_a_machine() {
    let plugin = std::fs::read(top().join("plugins/ticket-line/plugin.toml")).unwrap();
    breed("plugin", 1_000, vec![plugin.clone()], |bytes| {
        let _ = Plugin::load(&Files::from([("plugin.toml".to_owned(), bytes.to_vec())]));
    });
    let folder = top().join("plugins/ticket-line/samples");
    let samples = std::fs::read_dir(folder).unwrap().map(|file| file.unwrap().path());
    let samples = samples.filter(|file| file.extension().is_some_and(|extension| extension == "capture"));
    let samples: Vec<Vec<u8>> = samples.map(|file| std::fs::read(file).unwrap()).collect();
    let plugin = Plugin::load(&Files::from([("plugin.toml".to_owned(), plugin)])).unwrap();
    breed("capture", 2_000, samples, |bytes| {
        let whole = tallyseal_plugin_host::replay(&plugin, bytes, &[]);
        // However a link cuts them.
        let mut session = Session::new(&plugin);
        let mut seen = Vec::new();
        for piece in bytes.chunks(7) {
            session.feed(piece, &mut seen);
        }
        session.finish(&mut seen);
        assert_eq!(seen, whole);
    });
}

/// A value of the format, from a seed.
fn value(random: &mut Random, depth: u32) -> Value {
    const TEXTS: &[&str] = &[
        "",
        "a",
        "A",
        "\u{e4}",
        "a\u{308}",
        "\u{0}",
        "\u{7f}",
        "\n",
        "\"",
        "\\",
        "0",
        "null",
        "\u{1f600}",
        "\u{2028}",
    ];
    let text = |random: &mut Random| TEXTS[below(random, TEXTS.len())].repeat(1 + below(random, 2));
    match below(random, if depth == 0 { 5 } else { 7 }) {
        0 => Value::Null,
        1 => json!(below(random, 2) == 0),
        2 => json!([0, 1, -1, 10, 9_007_199_254_740_991_i64, -9_007_199_254_740_991][below(random, 6)]),
        3 | 4 => json!(text(random)),
        5 => (0..below(random, 4)).map(|_| value(random, depth - 1)).collect(),
        _ => Value::Object(
            (0..below(random, 4))
                .map(|_| (["", "a", "b", "ab", "~"][below(random, 5)].to_owned(), value(random, depth - 1)))
                .collect(),
        ),
    }
}

/// RFC 8785: one value has one form. Rule: `FORMAT.md` section 1.
#[test]
fn other_values_have_other_bytes_and_are_read_back_as_they_were() {
    let mut seen: HashMap<Vec<u8>, Value> = HashMap::new();
    let mut random = Random::new(SEED);
    for _ in 0..20_000 {
        let value = value(&mut random, 4);
        let bytes = write_value(&value).unwrap();
        scan(&bytes).unwrap();
        assert_eq!(serde_json::from_slice::<Value>(&bytes).unwrap(), value);
        if let Some(other) = seen.insert(bytes, value.clone()) {
            assert_eq!(other, value);
        }
    }
    assert!(seen.len() > 2_000, "{}", seen.len());
    for length in 0..70_u8 {
        let bytes: Vec<u8> = (0..length).collect();
        assert_eq!(unbase64(base64(&bytes)), Some(bytes));
    }
}
