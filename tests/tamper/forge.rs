//! Somebody who knows the format and writes what no server would: entries with their places, links, roots and signatures
//! made anew, with keys that they have or make.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::{Value, json};
use tallyseal_book::key_file;
use tallyseal_schema::canonical::{base64, write_value};
use tallyseal_schema::checkpoint::{self, Checkpoint, VerifierKey};
use tallyseal_schema::kinds::SignatureApplied;
use tallyseal_schema::signature::{SigningKey, Statement, key_name, key_statement};
use tallyseal_schema::{BookName, Hash, Time, tree};
use tallyseal_tests::book::{checkpoint_size, checkpoints, entries, replace_entries};

/// The name of the demo's book.
pub const BOOK: &str = "label-room.example/plant-1";

/// What is done to one entry while it is made: before it is signed, by whose key, and after.
struct Spoil {
    before: Box<dyn Fn(&mut Value)>,
    with: Option<Seed>,
    after: Box<dyn Fn(&mut Value)>,
}

/// What an Ed25519 key is made of.
type Seed = [u8; 32];

/// What is done to an entry's bytes.
type Form = Box<dyn Fn(&str) -> String>;

/// A book while it is forged.
pub struct Forge {
    /// Whole entries as JSON. [`Forge::mend`] sets their places, links, roots and signatures.
    pub entries: Vec<Value>,
    /// The book's key.
    pub book: SigningKey,
    /// Private keys of people, by account. Signatures of others are left as they are.
    people: BTreeMap<String, Seed>,
    spoils: BTreeMap<usize, Spoil>,
    /// Entries whose stored bytes are not those of the canonical form.
    forms: BTreeMap<usize, Form>,
}

/// The key of a seed.
pub fn key(seed: &Seed) -> SigningKey {
    SigningKey::from_seed(seed).unwrap()
}

/// What is made so far while a book is put together.
#[derive(Default)]
struct Made {
    /// Leaf hashes of each stream.
    streams: BTreeMap<String, Vec<Hash>>,
    /// The keys of each account whose private parts the forger has, the newest last.
    keys: BTreeMap<String, Vec<Seed>>,
}

/// A role that does not end.
pub fn grant(role: &str) -> Value {
    json!({ "role": role, "training": "forged" })
}

impl Forge {
    fn new(entries: Vec<Value>, book: SigningKey) -> Self {
        Self { entries, book, people: BTreeMap::new(), spoils: BTreeMap::new(), forms: BTreeMap::new() }
    }

    /// The book in a data directory, and its server's key.
    pub fn of(dir: &Path) -> Self {
        let entries = entries(dir).iter().map(|bytes| serde_json::from_slice(bytes).unwrap()).collect();
        let seed = key_file::read(&dir.join("keys/book.key")).unwrap();
        Self::new(entries, key(&seed))
    }

    /// The same book with every person's key replaced by one of the forger's from the beginning.
    pub fn with_everyones_keys(dir: &Path) -> Self {
        let mut forge = Self::of(dir);
        for (seed, entry) in (101..).zip(forge.all("account.key_enrolled")) {
            let account = forge.entries[entry]["body"]["account"].as_str().unwrap().to_owned();
            forge.people.insert(account, [seed; 32]);
        }
        forge.mend();
        forge
    }

    /// The same book under another key of its own.
    pub fn under(mut self, book: SigningKey) -> Self {
        self.entries[0]["body"]["public_key"] = json!(base64(book.public()));
        self.book = book;
        self.mend();
        self
    }

    /// Every entry of a kind.
    pub fn all(&self, kind: &str) -> Vec<usize> {
        (0..self.entries.len()).filter(|n| self.entries[*n]["kind"] == kind).collect()
    }

    /// The first entry of a kind in a stream that begins so.
    pub fn find(&self, stream: &str, kind: &str) -> usize {
        let stream_of = |n: &usize| self.entries[*n]["stream"].as_str().unwrap().starts_with(stream);
        self.all(kind).into_iter().find(stream_of).unwrap_or_else(|| panic!("there is no {kind} in {stream}"))
    }

    /// The first signature that covers the entry at `n`, or one that stands after it: its root rests on that entry.
    pub fn first_signature_over(&self, n: usize) -> u64 {
        let rests_on = |signature: &usize| {
            let covers = &self.entries[*signature]["body"]["covers"];
            (n..*signature).any(|between| covers.get(self.entries[between]["stream"].as_str().unwrap()).is_some())
        };
        self.all("signature.applied").into_iter().find(rests_on).unwrap() as u64
    }

    /// The last entry.
    pub fn last(&self) -> usize {
        self.entries.len() - 1
    }

    /// A person as the author of entries, as they were when they last made one.
    pub fn by(&self, account: &str) -> Value {
        let made = self.entries.iter().rev().find(|entry| entry["by"]["account"] == account);
        made.unwrap_or_else(|| panic!("{account} made nothing"))["by"].clone()
    }

    /// Puts an entry in at `n`, at the time of the one before it.
    pub fn insert(&mut self, n: usize, by: Value, kind: &str, stream: &str, body: Value) -> usize {
        let mut entry = json!({
            "at": self.entries[n - 1]["at"], "body": body, "book": BOOK, "by": by, "kind": kind, "stream": stream, "v": 1,
        });
        if by.get("account").is_some() {
            entry["act"] = json!(uuid::Uuid::new_v4());
        }
        self.entries.insert(n, entry);
        n
    }

    /// Puts a signature in at `n`: over all of `record` and `also`.
    pub fn sign(&mut self, n: usize, account: &str, meaning: &str, record: &str, also: &[&str]) -> usize {
        let by = self.by(account);
        let covers: BTreeMap<&str, Value> = [record].iter().chain(also).map(|stream| (*stream, json!({}))).collect();
        let body = json!({
            "account": account, "covers": covers, "meaning": meaning, "name": by["name"], "record": record,
            "role": by["role"],
        });
        self.insert(n, by, "signature.applied", record, body)
    }

    /// Puts an account with a key in at `n`, which nobody has confirmed. Gives the place after it.
    pub fn enrol(&mut self, n: usize, account: &str, role: &str, seed: Seed) -> usize {
        let stream = format!("account/{account}");
        let body = json!({
            "account": account, "founder": false, "identity": "forged", "name": "Nobody", "roles": [grant(role)],
        });
        let administrator = self.by("U-0001");
        self.insert(n, administrator, "account.enrolled", &stream, body);
        let by = json!({ "account": account, "device": "D-1", "name": "Nobody", "role": role, "session": "S-1" });
        self.insert(n + 1, by, "account.key_enrolled", &stream, json!({ "account": account }));
        self.people.insert(account.to_owned(), seed);
        n + 2
    }

    /// The seed of an account's first key, or of a later one.
    pub fn seed(&self, account: &str, nth: u8) -> Seed {
        let first = self.people[account];
        if nth == 0 { first } else { Hash::of(&[first.as_slice(), &[nth]].concat()).0 }
    }

    /// What is done to the entry at `n`, in its body, before it is signed.
    pub fn before_signing(&mut self, n: usize, change: impl Fn(&mut Value) + 'static) {
        self.spoil(n).before = Box::new(change);
    }

    /// What is done to the entry at `n`, in its body, after it was signed.
    pub fn after_signing(&mut self, n: usize, change: impl Fn(&mut Value) + 'static) {
        self.spoil(n).after = Box::new(change);
    }

    /// Which key signs the entry at `n`, and is named there.
    pub fn signed_with(&mut self, n: usize, seed: Seed) {
        self.spoil(n).with = Some(seed);
    }

    /// The bytes of the entry at `n` are stored in that form, and everything after it fits.
    pub fn stored_as(&mut self, n: usize, change: impl Fn(&str) -> String + 'static) {
        self.forms.insert(n, Box::new(change));
    }

    fn spoil(&mut self, n: usize) -> &mut Spoil {
        let nothing = || Spoil { before: Box::new(|_| ()), with: None, after: Box::new(|_| ()) };
        self.spoils.entry(n).or_insert_with(nothing)
    }

    /// Gives every entry its place, its link and its rev, and makes every key and every signature anew that the forger
    /// has the private key for.
    pub fn mend(&mut self) {
        let mut made = Made::default();
        let mut link = Hash::ZERO;
        for n in 0..self.entries.len() {
            let mut entry = self.entries[n].clone();
            let stream = entry["stream"].as_str().unwrap().to_owned();
            let rev = made.streams.get(&stream).map_or(1, |leaves| leaves.len() + 1);
            (entry["n"], entry["prev"], entry["rev"]) = (json!(n), json!(link), json!(rev));
            match entry["kind"].as_str().unwrap() {
                "account.key_enrolled" => self.enrolment(n, &mut entry, &mut made),
                "signature.applied" => self.signature_at(n, &mut entry, &made),
                _ => {}
            }
            link = Hash::leaf(&self.form(n, &entry));
            made.streams.entry(stream).or_default().push(link);
            self.entries[n] = entry;
        }
    }

    fn enrolment(&self, n: usize, entry: &mut Value, made: &mut Made) {
        let body = &mut entry["body"];
        let account = body["account"].as_str().unwrap().to_owned();
        if !self.people.contains_key(&account) {
            return;
        }
        let keys = made.keys.entry(account.clone()).or_default();
        let before = keys.last().map(|seed| key_name(&key(seed).public()));
        keys.push(self.seed(&account, keys.len() as u8));
        let key = key(keys.last().unwrap());
        let name = key_name(&key.public());
        let statement = key_statement(&account.parse().unwrap(), &book_name(), &name, before.as_ref()).unwrap();
        *body = json!({
            "account": account, "key": name, "proof": base64(key.sign(&statement)),
            "public_key": base64(key.public()),
        });
        if let Some(before) = before {
            body["previous"] = json!(before);
        }
        if let Some(spoil) = self.spoils.get(&n) {
            (spoil.after)(body);
        }
    }

    fn signature_at(&self, n: usize, entry: &mut Value, made: &Made) {
        let spoil = self.spoils.get(&n);
        let own = made.keys.get(entry["body"]["account"].as_str().unwrap()).and_then(|keys| keys.last());
        let Some(seed) = spoil.and_then(|spoil| spoil.with.as_ref()).or(own) else { return };
        let key = key(seed);
        let at = entry["at"].as_str().unwrap().parse().unwrap();
        let body = &mut entry["body"];
        (body["key"], body["sig"]) = (json!(key_name(&key.public())), json!(""));
        for (stream, cover) in body["covers"].as_object_mut().unwrap() {
            let leaves = made.streams.get(stream).map_or(&[][..], Vec::as_slice);
            *cover = json!({ "rev": leaves.len(), "root": tree::root(leaves) });
        }
        if let Some(spoil) = spoil {
            (spoil.before)(body);
        }
        body["sig"] = json!(base64(key.sign(&statement(at, body))));
        if let Some(spoil) = spoil {
            (spoil.after)(body);
        }
    }

    /// The entries as they are stored.
    pub fn bytes(&self) -> Vec<Vec<u8>> {
        self.entries.iter().enumerate().map(|(n, entry)| self.form(n, entry)).collect()
    }

    fn form(&self, n: usize, entry: &Value) -> Vec<u8> {
        let bytes = write_value(entry).unwrap();
        match self.forms.get(&n) {
            Some(change) => change(std::str::from_utf8(&bytes).unwrap()).into_bytes(),
            None => bytes,
        }
    }

    /// The root over the first `rev` entries of a stream.
    pub fn root(&self, stream: &str, rev: usize) -> Hash {
        let leaves = self.leaves().into_iter().zip(&self.entries);
        let of: Vec<Hash> = leaves.filter(|(_, entry)| entry["stream"] == stream).map(|(leaf, _)| leaf).collect();
        tree::root(&of[..rev])
    }

    /// Their leaf hashes.
    pub fn leaves(&self) -> Vec<Hash> {
        self.bytes().iter().map(|bytes| Hash::leaf(bytes)).collect()
    }

    /// The checkpoint of that size, signed by the book's key.
    pub fn checkpoint(&self, size: usize) -> String {
        let root = tree::root(&self.leaves()[..size]);
        checkpoint::sign(&Checkpoint { origin: book_name(), size: size as u64, root }, &self.book)
    }

    /// The book's key as text.
    pub fn verifier_key(&self) -> String {
        VerifierKey::of_book(&book_name(), self.book.public()).to_string()
    }

    /// Puts the entries in the place of those in a data directory. What the book keeps of checkpoints is left as it is.
    pub fn write(&self, dir: &Path) {
        replace_entries(dir, &self.bytes());
    }

    /// As [`Forge::write`], with every kept checkpoint signed anew, and one over all entries.
    pub fn write_with_checkpoints(&self, dir: &Path) {
        self.write(dir);
        for file in checkpoints(dir) {
            let size = checkpoint_size(&file) as usize;
            match size <= self.entries.len() {
                true => std::fs::write(&file, self.checkpoint(size)).unwrap(),
                false => std::fs::remove_file(&file).unwrap(),
            }
        }
        let size = self.entries.len();
        std::fs::write(dir.join(format!("checkpoints/{size:016}")), self.checkpoint(size)).unwrap();
    }
}

fn book_name() -> BookName {
    BOOK.parse().unwrap()
}

/// What the signature in that body signs.
fn statement(at: Time, body: &Value) -> Vec<u8> {
    let body: SignatureApplied = serde_json::from_value(body.clone()).unwrap();
    let statement = Statement {
        account: &body.account,
        at,
        book: &book_name(),
        covers: &body.covers,
        key: &body.key,
        meaning: &body.meaning,
        name: &body.name,
        record: &body.record,
        role: body.role.as_str(),
    };
    statement.bytes().unwrap()
}
