//! A large book written straight into the database of a new one: every entry in its form, every link, root and signature
//! right, one signature to a hundred entries. Made once, and kept for later measures.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, params};
use tallyseal_book::{Book, Layout, Opening, key_file};
use tallyseal_schema::canonical::base64;
use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::entry::{Entry, Header, Person};
use tallyseal_schema::kinds::{
    AccountEnrolled, AccountKeyEnrolled, DeliveryReceived, Grant, RemarkMade, Role, RollMoved, RollReceived,
    RollStated, SignatureApplied,
};
use tallyseal_schema::signature::{Cover, SigningKey, Statement, key_name, key_statement};
use tallyseal_schema::tree::Frontier;
use tallyseal_schema::{Act, Body, By, Hash, Labels, Stream, Time};
use tallyseal_tests::api::Client;
use tallyseal_tests::book::{administer, entries};
use tallyseal_tests::server::Server;

use crate::machine::folder;
use crate::table::{row, thousands};

/// Raise it with every change to what is written, so that an older book is not taken for a newer one.
const VERSION: u32 = 1;
const BOOK: &str = "label-room.example/measure";
/// Of both founders of a served book.
pub const PASSWORD: &str = "only for measuring, no secret";
/// Entries from one signature to the next.
const SIGNED_EVERY: u64 = 100;
/// Rolls of one delivery.
const ROLLS: u64 = 4;
/// A book keeps a checkpoint at least so often.
const CHECKPOINT_EVERY: u64 = 1_000;

/// The large book of that size, made where it is not there yet.
pub fn book(size: u64) -> PathBuf {
    let dir = folder().join(format!("book-v{VERSION}-{size}"));
    let done = dir.join("whole");
    if !done.exists() {
        let _ = std::fs::remove_dir_all(&dir);
        let begin = std::time::Instant::now();
        write(&dir, size);
        std::fs::write(&done, "").unwrap();
        row(
            "book made for this and later measures",
            format!("{} entries in {:.1?}", thousands(size as f64), begin.elapsed()),
        );
    }
    dir
}

struct Writer<'a> {
    db: &'a Connection,
    at: i64,
    book: SigningKey,
    link: Hash,
    notes: PathBuf,
    /// From one entry to the next. Unit: microseconds.
    step: i64,
    streams: BTreeMap<Stream, (u64, Frontier)>,
    tree: Frontier,
}

fn key(account: &str) -> SigningKey {
    SigningKey::from_seed(&Hash::of(account.as_bytes()).0).unwrap()
}

fn person(account: &str, role: Role) -> By {
    By::Person(Person {
        account: account.parse().unwrap(),
        device: "D-BENCH-1".parse().unwrap(),
        name: format!("Person {account}"),
        role,
        session: "S-MEASURE0MEASURE0".parse().unwrap(),
    })
}

impl Writer<'_> {
    fn size(&self) -> u64 {
        self.tree.size()
    }

    /// Appends one entry. A person's entry has an act of its own.
    fn put(&mut self, by: By, stream: &Stream, body: impl Into<Body>) {
        let body = body.into();
        let kind = body.kind();
        let n = self.size();
        let act: Option<Act> = by.account().map(|_| format!("00000000-0000-4000-8000-{n:012x}").parse().unwrap());
        let (rev, frontier) = self.streams.entry(stream.clone()).or_default();
        *rev += 1;
        let header = Header {
            act,
            at: Time::from_micros(self.at).unwrap(),
            book: BOOK.parse().unwrap(),
            by,
            kind: kind.name.to_owned(),
            n,
            occurred: None,
            prev: self.link,
            rev: *rev,
            stream: stream.clone(),
            v: kind.v,
            why: None,
        };
        let bytes = Entry { header, body }.to_bytes().unwrap();
        let leaf = Hash::leaf(&bytes);
        frontier.push(leaf);
        self.tree.push(leaf);
        self.link = leaf;
        self.db
            .prepare_cached("INSERT INTO entry (n, stream, rev, bytes) VALUES (?1, ?2, ?3, ?4)")
            .unwrap()
            .execute(params![n as i64, stream.as_str(), *rev as i64, bytes])
            .unwrap();
        self.at += self.step;
        if self.size().is_multiple_of(CHECKPOINT_EVERY) {
            self.checkpoint();
        }
    }

    fn checkpoint(&self) {
        let note = Checkpoint { origin: BOOK.parse().unwrap(), size: self.size(), root: self.tree.root() };
        std::fs::write(self.notes.join(format!("{:016}", self.size())), checkpoint::sign(&note, &self.book)).unwrap();
    }

    fn enrol(&mut self, by: By, account: &str, role: Role, founder: bool) {
        let stream = Stream::account(&account.parse().unwrap());
        let enrolled = AccountEnrolled {
            account: account.parse().unwrap(),
            founder,
            identity: "card seen".to_owned(),
            name: format!("Person {account}"),
            roles: vec![Grant { role, training: "TR-0007".to_owned(), until: None }],
        };
        self.put(by, &stream, enrolled);
        let (key, of) = (key(account), account.parse().unwrap());
        let name = key_name(&key.public());
        let proof = key.sign(&key_statement(&of, &BOOK.parse().unwrap(), &name, None).unwrap());
        let enrolled = AccountKeyEnrolled {
            account: of,
            key: name,
            previous: None,
            proof: base64(proof),
            public_key: base64(key.public()),
        };
        self.put(By::system("measure"), &stream, enrolled);
    }

    fn sign(&mut self, account: &str, role: Role, meaning: &str, record: &Stream, also: &[Stream]) {
        let covers: BTreeMap<Stream, Cover> = std::iter::once(record)
            .chain(also)
            .map(|stream| {
                let (rev, frontier) = &self.streams[stream];
                (stream.clone(), Cover { rev: *rev, root: frontier.root() })
            })
            .collect();
        let (signer, name) = (key(account), format!("Person {account}"));
        let key_name = key_name(&signer.public());
        let of = account.parse().unwrap();
        let statement = Statement {
            account: &of,
            at: Time::from_micros(self.at).unwrap(),
            book: &BOOK.parse().unwrap(),
            covers: &covers,
            key: &key_name,
            meaning,
            name: &name,
            record,
            role: role.as_str(),
        };
        let sig = base64(signer.sign(&statement.bytes().unwrap()));
        let body = SignatureApplied {
            account: of,
            covers,
            key: key_name,
            meaning: meaning.to_owned(),
            name,
            record: record.clone(),
            role,
            sig,
        };
        self.put(person(account, role), record, body);
    }

    /// Deliveries up to that size, the last checkpoint, and the head.
    fn fill(&mut self, size: u64) {
        let mut number = 0;
        while self.size() < size {
            self.delivery(number, size);
            number += 1;
        }
        self.checkpoint();
        let (last, leaf, frontier) = (self.size() as i64 - 1, self.link.0, self.tree.to_bytes());
        self.db.execute("UPDATE head SET n = ?1, leaf = ?2, frontier = ?3", params![last, leaf, frontier]).unwrap();
    }

    /// One delivery of a hundred entries: received with its rolls, moved and remarked on, examined at the end.
    fn delivery(&mut self, number: u64, upto: u64) {
        let stream = |thing: &str, id: String| Stream::new(thing, &id).unwrap();
        let delivery = stream("delivery", format!("DL-{number:06}"));
        let rolls: Vec<Stream> = (0..ROLLS).map(|roll| stream("roll", format!("R-{number:06}-{roll}"))).collect();
        let (item, supplier) = (stream("item", "L-1".to_owned()), stream("supplier", "SU-1".to_owned()));
        let hand = || person("U-0004", Role::LabelRoom);
        let received = DeliveryReceived {
            condition: "boxes sound, papers complete".to_owned(),
            item: item.clone(),
            maker: "Printer".to_owned(),
            place: "quarantine cage".to_owned(),
            receiving_code: format!("RC-{number}"),
            rolls: rolls
                .iter()
                .map(|roll| RollStated { roll: roll.id(), stated: Labels::new(2_500).unwrap() })
                .collect(),
            supplier,
            supplier_lot: format!("LOT-{number}"),
        };
        self.put(hand(), &delivery, received);
        for roll in &rolls {
            let received = RollReceived {
                delivery: delivery.clone(),
                item: item.clone(),
                place: "quarantine cage".to_owned(),
                stated: Labels::new(2_500).unwrap(),
            };
            self.put(hand(), roll, received);
        }
        while self.size() % SIGNED_EVERY != SIGNED_EVERY - 1 && self.size() < upto {
            let n = self.size();
            let roll = &rolls[(n % ROLLS) as usize];
            match n % 3 {
                0 => self.put(
                    hand(),
                    roll,
                    RollMoved { place: format!("label room, shelf {}, place {}", n % 90, n % 7) },
                ),
                _ => {
                    let text =
                        format!("Core clean, outer wrap without damage, label side out, seen at the shelf; {n}.");
                    self.put(hand(), roll, RemarkMade { text });
                }
            }
        }
        if self.size() < upto {
            self.sign("U-0003", Role::IncomingExaminer, "examined", &delivery, &rolls);
        }
    }
}

fn write(dir: &Path, size: u64) {
    let at = Time::from_micros(1_790_000_000_000_000).unwrap();
    let opening = Opening {
        name: BOOK.parse().unwrap(),
        zone: "Europe/Prague".to_owned(),
        software: "measure".to_owned(),
        at,
        key_seed: [7; 32],
    };
    Book::create(dir, opening).unwrap();
    let layout = Layout::new(dir);
    let first = entries(dir).remove(0);
    administer(dir, |db| {
        db.set_prepared_statement_cache_capacity(16);
        let transaction = db.unchecked_transaction().unwrap();
        let link = Hash::leaf(&first);
        let (mut tree, mut own) = (Frontier::new(), Frontier::new());
        tree.push(link);
        own.push(link);
        let book = SigningKey::from_seed(&key_file::read(&layout.book_key()).unwrap()).unwrap();
        let streams = BTreeMap::from([(Stream::book(), (1, own))]);
        let mut writer = Writer {
            db: &transaction,
            at: at.micros() + 1,
            book,
            link,
            notes: layout.checkpoints(),
            step: 1_000,
            streams,
            tree,
        };
        let account = |account: &str| Stream::account(&account.parse().unwrap());
        writer.enrol(By::system("measure"), "U-0001", Role::Administrator, true);
        writer.enrol(By::system("measure"), "U-0002", Role::Reviewer, true);
        writer.sign("U-0001", Role::Administrator, "identity confirmed", &account("U-0002"), &[]);
        writer.sign("U-0002", Role::Reviewer, "identity confirmed", &account("U-0001"), &[]);
        for (number, role) in [("U-0003", Role::IncomingExaminer), ("U-0004", Role::LabelRoom)] {
            writer.enrol(person("U-0001", Role::Administrator), number, role, false);
            writer.sign("U-0002", Role::Reviewer, "identity confirmed", &account(number), &[]);
        }
        writer.fill(size);
        transaction.commit().unwrap();
    });
    // The views too, so that it is a book that a server serves.
    assert_eq!(tallyseal_book::rebuild(dir).unwrap(), entries_of(dir));
}

/// As [`book`], begun with the real program, so that its founders sign in with [`PASSWORD`].
pub fn served(size: u64, program: &Path) -> PathBuf {
    let dir = folder().join(format!("served-v{VERSION}-{size}"));
    let done = dir.join("whole");
    if !done.exists() {
        let _ = std::fs::remove_dir_all(&dir);
        let begin = std::time::Instant::now();
        let init = ["init", "--book", BOOK, "--zone", "Europe/Prague", "--dir"];
        let output = std::process::Command::new(program).args(init).arg(&dir).output().unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        let server = Server::start_with(&dir, program, &[]);
        for (account, role) in [("U-0001", "administrator"), ("U-0002", "reviewer")] {
            let line = said.lines().find(|line| line.trim_start().starts_with(account)).unwrap();
            let secret = line.split_whitespace().nth(1).unwrap();
            Client::sign_in(&server.url, account, secret, role).unwrap().set_password(PASSWORD).good();
        }
        server.stop();
        go_on(&dir, size);
        std::fs::write(&done, "").unwrap();
        row(
            "served book made for this and later measures",
            format!("{} entries in {:.1?}", thousands(size as f64), begin.elapsed()),
        );
    }
    dir
}

/// Fills a book that was begun. The founders' keys are their own, so nobody confirms the others'.
fn go_on(dir: &Path, size: u64) {
    let layout = Layout::new(dir);
    let begun = entries(dir);
    administer(dir, |db| {
        db.set_prepared_statement_cache_capacity(16);
        let transaction = db.unchecked_transaction().unwrap();
        let book = SigningKey::from_seed(&key_file::read(&layout.book_key()).unwrap()).unwrap();
        let (mut link, mut at) = (Hash::ZERO, 0);
        let (mut streams, mut tree) = (BTreeMap::<Stream, (u64, Frontier)>::new(), Frontier::new());
        for bytes in &begun {
            let header = Entry::read(bytes).unwrap().header;
            (link, at) = (Hash::leaf(bytes), header.at.micros());
            let (rev, frontier) = streams.entry(header.stream).or_default();
            *rev = header.rev;
            frontier.push(link);
            tree.push(link);
        }
        // A microsecond each: the server's clock must be past the last of them when it starts again.
        let mut writer =
            Writer { db: &transaction, at: at + 1, book, link, notes: layout.checkpoints(), step: 1, streams, tree };
        for (number, role) in [("U-0003", Role::IncomingExaminer), ("U-0004", Role::LabelRoom)] {
            writer.enrol(person("U-0001", Role::Administrator), number, role, false);
        }
        writer.fill(size);
        transaction.commit().unwrap();
    });
    assert_eq!(tallyseal_book::rebuild(dir).unwrap(), entries_of(dir));
}

fn entries_of(dir: &Path) -> u64 {
    tallyseal_book::Reader::open(dir).unwrap().head().unwrap().n + 1
}
