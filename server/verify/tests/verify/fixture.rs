//! A writer of books for tests. It knows the form and no rule, so that it can write what no server would.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use rusqlite::{Connection, params};
use serde_json::{Value, json};
use tallyseal_schema::canonical::{base64, write_value};
use tallyseal_schema::checkpoint::{self, Checkpoint, VerifierKey};
use tallyseal_schema::plugin_files::{self, Files};
use tallyseal_schema::sealed::write_zip;
use tallyseal_schema::signature::{SigningKey, book_key_statement, key_name, key_statement};
use tallyseal_schema::{Hash, Time, tree};
use tallyseal_verify::{Check, Options, Report, verify};

pub const BOOK: &str = "label-room.example/plant-1";

/// Somebody with a key.
pub struct Person {
    pub account: &'static str,
    pub name: &'static str,
    pub role: &'static str,
    pub key: SigningKey,
}

pub fn person(account: &'static str, name: &'static str, role: &'static str, seed: u8) -> Person {
    Person { account, name, role, key: SigningKey::from_seed(&[seed; 32]).unwrap() }
}

impl Person {
    /// As the author of an entry.
    pub fn by(&self) -> Value {
        json!({"account": self.account, "device": "D-1", "name": self.name, "role": self.role, "session": "S-1"})
    }

    pub fn stream(&self) -> String {
        format!("account/{}", self.account)
    }

    pub fn key_name(&self) -> Hash {
        key_name(&self.key.public())
    }
}

pub fn system() -> Value {
    json!({"system": "book"})
}

/// The people of the sample book.
pub fn ada() -> Person {
    person("U-1", "Ada Lund", "administrator", 1)
}
pub fn bo() -> Person {
    person("U-2", "Bo Říha", "reviewer", 2)
}
pub fn cy() -> Person {
    person("U-3", "Cy \"Tab\" Wren", "label_room", 3)
}
pub fn di() -> Person {
    person("U-4", "Di Amato", "supervisor", 4)
}

pub struct Forge {
    pub book: String,
    pub key: SigningKey,
    pub values: Vec<Value>,
    pub bytes: Vec<Vec<u8>>,
    /// Kept checkpoints: size and text.
    pub notes: Vec<(u64, String)>,
    pub captures: Vec<Vec<u8>>,
    pub files: Vec<Vec<u8>>,
}

/// A role that does not end.
pub fn grant(role: &str) -> Value {
    json!({"role": role, "training": "TR-1"})
}

impl Forge {
    /// A book without entries, with the key of this seed.
    pub fn empty(seed: u8) -> Self {
        Self {
            book: BOOK.to_owned(),
            key: SigningKey::from_seed(&[seed; 32]).unwrap(),
            values: Vec::new(),
            bytes: Vec::new(),
            notes: Vec::new(),
            captures: Vec::new(),
            files: Vec::new(),
        }
    }

    /// A book with entry 0 and its two founders, who confirmed each other.
    pub fn founded(seed: u8) -> Self {
        let mut forge = Self::empty(seed);
        forge.open();
        for founder in [ada(), bo()] {
            forge.enrol(system(), &founder, true);
            forge.enrol_key(system(), &founder, &founder.key, None);
        }
        forge.sign(&ada(), "identity confirmed", &bo().stream(), &[]);
        forge.sign(&bo(), "identity confirmed", &ada().stream(), &[]);
        forge
    }

    pub fn open(&mut self) -> u64 {
        let body = json!({
            "format": 1, "hash": "sha-256", "name": self.book, "public_key": base64(self.key.public()),
            "sign": "ed25519", "software": "forge 0", "zone": "Europe/Prague",
        });
        self.add(system(), "book.opened", "book/B", body)
    }

    pub fn enrol(&mut self, by: Value, who: &Person, founder: bool) -> u64 {
        let roles: Vec<Value> = match who.role {
            "supervisor" => vec![grant("label_room"), grant("supervisor")],
            role => vec![grant(role)],
        };
        let body = json!({
            "account": who.account, "founder": founder, "identity": "passport seen", "name": who.name, "roles": roles,
        });
        self.add(by, "account.enrolled", &who.stream(), body)
    }

    pub fn enrol_key(&mut self, by: Value, who: &Person, key: &SigningKey, previous: Option<Hash>) -> u64 {
        let name = key_name(&key.public());
        let account = who.account.parse().unwrap();
        let statement = key_statement(&account, &self.book.parse().unwrap(), &name, previous.as_ref()).unwrap();
        let mut body = json!({
            "account": who.account, "key": name.hex(), "proof": base64(key.sign(&statement)),
            "public_key": base64(key.public()),
        });
        if let Some(previous) = previous {
            body["previous"] = json!(previous.hex());
        }
        self.add(by, "account.key_enrolled", &who.stream(), body)
    }

    /// Another key for the book, vouched for by the one that it has.
    pub fn rotate(&mut self, seed: u8) -> u64 {
        let next = SigningKey::from_seed(&[seed; 32]).unwrap();
        let name = key_name(&next.public());
        let statement = book_key_statement(&self.book.parse().unwrap(), &name).unwrap();
        let body = json!({
            "key": name.hex(), "proof": base64(self.key.sign(&statement)), "public_key": base64(next.public()),
        });
        self.key = next;
        self.add(system(), "book.key_enrolled", "book/B", body)
    }

    /// A further person, confirmed by the administrator.
    pub fn join(&mut self, who: &Person) {
        self.enrol(bo().by(), who, false);
        self.enrol_key(who.by(), who, &who.key, None);
        self.sign(&ada(), "identity confirmed", &who.stream(), &[]);
    }

    pub fn size(&self) -> u64 {
        self.bytes.len() as u64
    }

    pub fn leaves(&self) -> Vec<Hash> {
        self.bytes.iter().map(|bytes| Hash::leaf(bytes)).collect()
    }

    /// The leaves of a stream, in order of n.
    pub fn stream(&self, stream: &str) -> Vec<Hash> {
        let of = self.values.iter().zip(self.leaves()).filter(|(value, _)| value["stream"] == stream);
        of.map(|(_, leaf)| leaf).collect()
    }

    /// The entry that would come next, before its bytes are made. A person's entry has an act of its own.
    pub fn draft(&self, by: Value, kind: &str, stream: &str, body: Value) -> Value {
        let n = self.size();
        let mut value = json!({
            "at": at(n), "body": body, "book": self.book, "by": by, "kind": kind, "n": n,
            "prev": self.bytes.last().map_or(Hash::ZERO, |last| Hash::leaf(last)).hex(),
            "rev": self.stream(stream).len() + 1, "stream": stream, "v": 1,
        });
        if by.get("account").is_some() {
            value["act"] = json!(format!("00000000-0000-4000-8000-{n:012x}"));
        }
        value
    }

    /// Appends an entry as it is.
    pub fn put(&mut self, value: Value) -> u64 {
        self.bytes.push(write_value(&value).unwrap());
        self.values.push(value);
        self.size() - 1
    }

    pub fn add(&mut self, by: Value, kind: &str, stream: &str, body: Value) -> u64 {
        let value = self.draft(by, kind, stream, body);
        self.put(value)
    }

    /// The signature that would come next: its entry, signed over all of `record` and `also` after `change`.
    pub fn signature(
        &self,
        who: &Person,
        meaning: &str,
        record: &str,
        also: &[&str],
        change: impl Fn(&mut Value),
    ) -> Value {
        let mut covers = BTreeMap::new();
        for stream in [record].iter().chain(also) {
            let leaves = self.stream(stream);
            covers.insert(*stream, json!({"rev": leaves.len(), "root": tree::root(&leaves).hex()}));
        }
        let mut body = json!({
            "account": who.account, "covers": covers, "key": who.key_name().hex(), "meaning": meaning,
            "name": who.name, "record": record, "role": who.role,
        });
        change(&mut body);
        let mut statement = body.clone();
        let mut value = self.draft(who.by(), "signature.applied", record, Value::Null);
        statement["at"] = value["at"].clone();
        statement["book"] = json!(self.book);
        let message = [b"tallyseal signature v1\n".to_vec(), write_value(&statement).unwrap()].concat();
        body["sig"] = json!(base64(who.key.sign(&message)));
        value["body"] = body;
        value
    }

    pub fn sign(&mut self, who: &Person, meaning: &str, record: &str, also: &[&str]) -> u64 {
        self.sign_changed(who, meaning, record, also, |_| {})
    }

    pub fn sign_changed(
        &mut self,
        who: &Person,
        meaning: &str,
        record: &str,
        also: &[&str],
        change: impl Fn(&mut Value),
    ) -> u64 {
        let value = self.signature(who, meaning, record, also, change);
        self.put(value)
    }

    /// The note over the first `size` entries, signed by the book's key.
    pub fn note(&self, size: u64) -> String {
        let root = tree::root(&self.leaves()[..size as usize]);
        checkpoint::sign(&Checkpoint { origin: self.book.parse().unwrap(), size, root }, &self.key)
    }

    /// Keeps a checkpoint over everything so far.
    pub fn keep(&mut self) -> String {
        let note = self.note(self.size());
        self.notes.push((self.size(), note.clone()));
        note
    }

    pub fn verifier_key(&self) -> VerifierKey {
        VerifierKey::of_book(&self.book.parse().unwrap(), self.key.public())
    }

    /// Changes an entry that is there, and nothing else.
    pub fn change(&mut self, n: u64, change: impl FnOnce(&mut Value)) {
        let value = &mut self.values[n as usize];
        change(value);
        self.bytes[n as usize] = write_value(value).unwrap();
    }

    /// Makes every link from `n` on fit again.
    pub fn relink(&mut self, n: u64) {
        for n in n.max(1) as usize..self.bytes.len() {
            self.values[n]["prev"] = json!(Hash::leaf(&self.bytes[n - 1]).hex());
            self.bytes[n] = write_value(&self.values[n]).unwrap();
        }
    }

    pub fn capture(&mut self, raw: &[u8]) -> Hash {
        self.captures.push(raw.to_vec());
        Hash::of(raw)
    }

    pub fn segment(&mut self, count: &str, offset: u64, raw: &[u8]) -> u64 {
        let sha256 = self.capture(raw);
        let body = json!({
            "labels": 3, "length": raw.len(), "lines": Hash::of(b"").hex(), "link": "main", "observed": 3,
            "offset": offset, "sha256": sha256.hex(),
        });
        self.add(machine(), "count.segment_captured", count, body)
    }

    /// Writes the data directory. The table has no constraint, so that anything can be stored in it.
    pub fn write(&self, dir: &Path) {
        for sub in ["captures", "checkpoints", "keys"] {
            std::fs::create_dir_all(dir.join(sub)).unwrap();
        }
        let connection = Connection::open(dir.join("book.db")).unwrap();
        connection
            .execute_batch(
                "CREATE TABLE entry (n INTEGER PRIMARY KEY, stream, rev, bytes);
                 CREATE TABLE file (sha256 BLOB PRIMARY KEY, bytes);",
            )
            .unwrap();
        let fill = connection.unchecked_transaction().unwrap();
        for (n, (bytes, value)) in self.bytes.iter().zip(&self.values).enumerate() {
            let row = params![n as i64, value["stream"].as_str(), value["rev"].as_i64(), bytes];
            fill.execute("INSERT INTO entry VALUES (?1, ?2, ?3, ?4)", row).unwrap();
        }
        for file in &self.files {
            fill.execute("INSERT INTO file VALUES (?1, ?2)", params![Hash::of(file).0, file]).unwrap();
        }
        fill.commit().unwrap();
        let day: Vec<u8> = self.captures.iter().flat_map(|raw| piece(raw)).collect();
        std::fs::write(dir.join("captures/2026-03-02.cap"), day).unwrap();
        for (size, note) in &self.notes {
            std::fs::write(dir.join(format!("checkpoints/{size:016}")), note).unwrap();
        }
    }

    /// Verifies the data directory of this book.
    pub fn verify(&self, options: &Options<'_>) -> Report {
        let dir = tempfile::tempdir().unwrap();
        self.write(dir.path());
        verify(dir.path(), options).unwrap()
    }
}

/// A piece of a day file, written by the rule beside the reader.
pub fn piece(raw: &[u8]) -> Vec<u8> {
    let mut deflate = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::fast());
    deflate.write_all(raw).unwrap();
    let payload = deflate.finish().unwrap();
    let mut bytes = b"TSC1".to_vec();
    bytes.extend_from_slice(&Hash::of(raw).0);
    bytes.extend_from_slice(&(raw.len() as u32).to_be_bytes());
    bytes.extend_from_slice(&(payload.len() as u32).to_be_bytes());
    // The checksum is for the writer.
    bytes.extend_from_slice(&[0; 4]);
    bytes.extend_from_slice(&payload);
    bytes
}

/// The time of entry n: a second each.
pub fn at(n: u64) -> String {
    Time::from_micros(1_772_431_200_000_000 + n as i64 * 1_000_000).unwrap().to_string()
}

/// The machine of the sample book.
pub fn machine() -> Value {
    json!({"plugin": plugin_digest().hex(), "station": "ST-1"})
}

pub fn plugin() -> Files {
    Files::from([
        ("plugin.toml".to_owned(), b"api = 1\nname = \"line\"\n".to_vec()),
        ("samples/a.capture".to_owned(), b"C;000003\r\n".to_vec()),
    ])
}

pub fn plugin_digest() -> Hash {
    plugin_files::digest(&plugin()).unwrap()
}

pub const FIRST: &[u8] = b"C;000001\r\nC;000002\r\n";
pub const SECOND: &[u8] = b"C;000003\r\nHALT\r\n";

/// Where things stand in [`sample`].
pub mod places {
    pub const ADA_KEY: u64 = 2;
    pub const ADA_CONFIRMS_BO: u64 = 5;
    pub const CY_ENROLLED: u64 = 7;
    pub const SUPPLIER: u64 = 13;
    pub const REMARK: u64 = 14;
    pub const PLUGIN: u64 = 15;
    pub const PLUGIN_SIGNED: u64 = 17;
    pub const COUNT: u64 = 18;
    pub const SEGMENT: u64 = 19;
    pub const SEEN: u64 = 20;
    pub const SECOND_SEGMENT: u64 = 21;
    pub const CLOSED: u64 = 22;
    pub const COUNTED: u64 = 23;
    pub const CHECKED: u64 = 24;
    pub const LAST: u64 = 25;
}

/// A small book with everything in it: people, a plugin, a count with two segments, counted and checked.
pub fn sample(seed: u8) -> Forge {
    let mut forge = Forge::founded(seed);
    forge.keep();
    forge.join(&cy());
    forge.join(&di());
    forge.keep();
    let supplier = json!({"name": "Prints & Co", "site": "Brno"});
    assert_eq!(forge.add(di().by(), "supplier.registered", "supplier/SU-1", supplier), places::SUPPLIER);
    forge.add(cy().by(), "remark.made", "supplier/SU-1", json!({"text": "late again\n"}));
    let files: Vec<Value> = plugin()
        .iter()
        .map(|(path, bytes)| json!({"length": bytes.len(), "path": path, "sha256": Hash::of(bytes).hex()}))
        .collect();
    forge.files = plugin().into_values().collect();
    let draft = json!({
        "counts": "labels", "digest": plugin_digest().hex(), "emits": ["total"], "files": files, "name": "line",
        "version": "1.0.0",
    });
    assert_eq!(forge.add(di().by(), "plugin.drafted", "plugin/P-1", draft), places::PLUGIN);
    forge.keep();
    forge.add(bo().by(), "plugin.approved", "plugin/P-1", json!({"digest": plugin_digest().hex()}));
    assert_eq!(forge.sign(&bo(), "plugin approved", "plugin/P-1", &[]), places::PLUGIN_SIGNED);
    let opened = json!({
        "attempt": 1, "bracket": 0, "counts": "labels", "direction": "forward", "item": "item/I-1",
        "plugin": plugin_digest().hex(), "purpose": "incoming", "roll": "roll/R-1", "station": "station/ST-1",
    });
    assert_eq!(forge.add(cy().by(), "count.opened", "count/C-1", opened), places::COUNT);
    assert_eq!(forge.segment("count/C-1", 0, FIRST), places::SEGMENT);
    let seen = json!({"fault": "splice", "from": 10, "link": "main", "ordinal": 1, "to": 25});
    assert_eq!(forge.add(machine(), "count.fault_seen", "count/C-1", seen), places::SEEN);
    assert_eq!(forge.segment("count/C-1", FIRST.len() as u64, SECOND), places::SECOND_SEGMENT);
    let closed = json!({"exceptions": 0, "faults": {"splice": 1}, "labels": 3, "labels_seen": 3, "machine_total": 3});
    assert_eq!(forge.add(cy().by(), "count.closed", "count/C-1", closed), places::CLOSED);
    assert_eq!(forge.sign(&cy(), "counted", "count/C-1", &[]), places::COUNTED);
    assert_eq!(forge.sign(&di(), "count checked", "count/C-1", &["plugin/P-1"]), places::CHECKED);
    forge.keep();
    let text = json!({"text": "nothing odd"});
    assert_eq!(forge.add(di().by(), "remark.made", "count/C-1", text), places::LAST);
    forge
}

/// Streams of the sealed record of the sample's count.
pub const STREAMS: [&str; 6] = ["account/U-1", "account/U-2", "account/U-3", "account/U-4", "count/C-1", "plugin/P-1"];

/// The members of a sealed record before they are put into an archive.
#[derive(Clone)]
pub struct Members(pub Vec<(String, Vec<u8>)>);

impl Members {
    pub fn get(&mut self, name: &str) -> &mut Vec<u8> {
        &mut self.0.iter_mut().find(|(known, _)| known == name).unwrap_or_else(|| panic!("{name}")).1
    }

    pub fn remove(&mut self, name: &str) {
        self.0.retain(|(known, _)| known != name);
    }

    /// Makes the manifest name every file as it is now.
    pub fn mend_manifest(&mut self, change: impl FnOnce(&mut Value)) {
        let mut manifest: Value = serde_json::from_slice(self.get("manifest.json")).unwrap();
        let outside = ["manifest.json", "seal.jsonl", "seal.txt"];
        let files = self.0.iter().filter(|(name, _)| !outside.contains(&name.as_str()));
        let files: BTreeMap<_, _> = files.map(|(name, bytes)| (name.clone(), Hash::of(bytes).hex())).collect();
        manifest["files"] = json!(files);
        change(&mut manifest);
        *self.get("manifest.json") = write_value(&manifest).unwrap();
    }

    pub fn zip(&self) -> Vec<u8> {
        write_zip(&self.0).unwrap()
    }

    pub fn verify(&self, options: &Options<'_>) -> Report {
        verify_zip(&self.zip(), options)
    }
}

pub fn verify_zip(zip: &[u8], options: &Options<'_>) -> Report {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.zip");
    std::fs::write(&path, zip).unwrap();
    verify(&path, options).unwrap()
}

fn lines(values: impl IntoIterator<Item = Vec<u8>>) -> Vec<u8> {
    values.into_iter().flat_map(|line| line.into_iter().chain([b'\n'])).collect()
}

impl Forge {
    fn proof(&self, n: u64, size: u64) -> Vec<u8> {
        let leaves = self.leaves();
        let path = tree::inclusion(&leaves[..size as usize], n).unwrap();
        let path: Vec<String> = path.iter().map(Hash::hex).collect();
        write_value(&json!({"leaf": leaves[n as usize].hex(), "n": n, "path": path})).unwrap()
    }

    /// Exports the record of `record` with these streams, as a server does: C1, the manifest, the entry, C2.
    pub fn export(&mut self, record: &str, streams: &[&str]) -> Members {
        let size = self.size();
        let of = |n: u64| n == 0 || streams.contains(&self.values[n as usize]["stream"].as_str().unwrap());
        let ns: Vec<u64> = (0..size).filter(|n| of(*n)).collect();
        let mut members = vec![
            ("record.pdf".to_owned(), b"%PDF-1.7 the pages".to_vec()),
            ("entries.jsonl".to_owned(), lines(ns.iter().map(|n| self.bytes[*n as usize].clone()))),
            ("proofs.jsonl".to_owned(), lines(ns.iter().map(|n| self.proof(*n, size)))),
            ("checkpoint.txt".to_owned(), self.note(size).into_bytes()),
            ("verify.html".to_owned(), b"<!doctype html>".to_vec()),
            ("manifest.json".to_owned(), Vec::new()),
            ("seal.jsonl".to_owned(), Vec::new()),
            ("seal.txt".to_owned(), Vec::new()),
        ];
        if record.starts_with("count/") {
            members.extend(self.captures.iter().map(|raw| (format!("captures/{}", Hash::of(raw)), raw.clone())));
            let digest = plugin_digest();
            members.extend(plugin().into_iter().map(|(path, bytes)| (format!("plugins/{digest}/{path}"), bytes)));
        }
        let mut members = Members(members);
        *members.get("record.pdf") = crate::printed::pages(&mut members).bytes();
        let listed: BTreeMap<&str, usize> = streams.iter().map(|stream| (*stream, self.stream(stream).len())).collect();
        *members.get("manifest.json") =
            write_value(&json!({"book": self.book, "files": {}, "record": record, "size": size, "streams": listed}))
                .unwrap();
        members.mend_manifest(|_| {});
        self.seal(&mut members, record, &listed);
        members
    }

    /// Writes the entry about an export, and the seal with it.
    pub fn seal(&mut self, members: &mut Members, record: &str, listed: &BTreeMap<&str, usize>) {
        let old = serde_json::from_slice::<Value>(members.get("manifest.json")).unwrap()["size"].as_u64().unwrap();
        let body = json!({
            "manifest": Hash::of(members.get("manifest.json")).hex(), "pdf": Hash::of(members.get("record.pdf")).hex(),
            "record": record, "streams": listed,
        });
        let n = self.add(system(), "record.exported", record, body);
        let leaves = self.leaves();
        let path: Vec<String> = tree::consistency(&leaves, old).unwrap().iter().map(Hash::hex).collect();
        *members.get("seal.jsonl") = lines([
            self.bytes[n as usize].clone(),
            self.proof(n, n + 1),
            write_value(&json!({"consistency": path})).unwrap(),
        ]);
        *members.get("seal.txt") = self.keep().into_bytes();
    }
}

/// Nothing from outside, these checks switched off.
pub fn without(skip: &[Check]) -> Options<'static> {
    Options { skip: skip.to_vec(), threads: 2, ..Options::default() }
}

/// The faults of a report as check and entry, each once.
pub fn found(report: &Report) -> Vec<(String, Option<u64>)> {
    let mut found: Vec<_> = report.faults.iter().map(|fault| (fault.check.clone(), fault.n)).collect();
    found.dedup();
    found
}

/// The right check names the right entry first; with that check switched off (and `also`, those that see the same deed
/// from another side) nothing is found, so no other check is what found it.
#[track_caller]
pub fn finds(report: impl Fn(&Options<'_>) -> Report, check: Check, n: Option<u64>, also: &[Check]) {
    let seen = report(&without(&[]));
    assert_eq!(seen.exit_code(), 1);
    let first = seen.faults.iter().find(|fault| fault.check == check.name());
    assert_eq!(first.map(|fault| fault.n), Some(n), "{check} names the entry\n{seen}");
    let skip: Vec<Check> = also.iter().copied().chain([check]).collect();
    let blind = report(&without(&skip));
    assert!(blind.ok(), "only {skip:?} find it\n{blind}");
    for one in also {
        assert!(seen.faults.iter().any(|fault| fault.check == one.name()), "{one} has no part in it\n{seen}");
    }
}

/// The sample book, spoiled.
pub fn forged(forge: impl Fn(&mut Forge)) -> Forge {
    let mut book = sample(9);
    forge(&mut book);
    book
}

/// Spoils the sample book, and asks who names it.
#[track_caller]
pub fn spoiled(check: Check, n: u64, also: &[Check], forge: impl Fn(&mut Forge)) {
    let book = forged(forge);
    finds(|options| book.verify(options), check, Some(n), also);
}

/// Adds to the sample book, and asks who names what was added.
#[track_caller]
pub fn added(check: Check, also: &[Check], forge: impl Fn(&mut Forge) -> u64) {
    let mut book = sample(9);
    let n = forge(&mut book);
    finds(|options| book.verify(options), check, Some(n), also);
}

/// Writes the sample book, spoils its database, and asks who names it.
#[track_caller]
pub fn by_sql(check: Check, n: Option<u64>, also: &[Check], sql: &str) {
    let dir = tempfile::tempdir().unwrap();
    sample(9).write(dir.path());
    let connection = rusqlite::Connection::open(dir.path().join("book.db")).unwrap();
    connection.execute_batch(sql).unwrap();
    drop(connection);
    finds(|options| verify(dir.path(), options).unwrap(), check, n, also);
}
