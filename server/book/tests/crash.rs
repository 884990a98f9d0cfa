//! Ends the process at every named place, and at random moments, under load; then looks what is left.
//!
//! What was acknowledged is there as it was acknowledged. What was not is there wholly or not at all. Who tries again
//! with the same act gets it once. The views are those of the entries. A fault that did not fire fails the test.
//!
//! The program starts itself again as the victim: `TALLYSEAL_CRASH` says on which book, with which acts.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command as Process, Stdio};
use std::sync::Arc;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use tallyseal_book::fault::{self, Point};
use tallyseal_book::{
    ActError, Book, BootInfo, Clock, Layout, Opening, Order, Reader, Receipt, Settings, differing_views, rebuild,
};
use tallyseal_control::{Command, Piece};
use tallyseal_schema::entry::Person;
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{Grant, Link, Role, Synchronised};
use tallyseal_schema::signature::{SigningKey, key_name, key_statement};
use tallyseal_schema::{Act, Body, By, Entry, Hash, Time, canonical};

const ABORTED: i32 = 6;
const KILLED: i32 = 9;
/// Callers of the victim.
const CALLERS: u64 = 4;
/// Acts of each of them.
const ACTS: u64 = 40;

struct RealClock(Instant);

impl Clock for RealClock {
    fn now(&self) -> Time {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        Time::from_micros(i64::try_from(since.as_micros()).unwrap()).unwrap()
    }

    fn mono_us(&self) -> u64 {
        u64::try_from(self.0.elapsed().as_micros()).unwrap()
    }
}

fn open(dir: &Path) -> Book {
    let settings = Settings {
        accept_earlier_clock: None,
        boot: BootInfo { id: "boot".to_owned(), clock: "real".to_owned(), synchronised: Synchronised::Unknown },
        clock: Arc::new(RealClock(Instant::now())),
        engine: "none".to_owned(),
        schemas: Hash::of(b"schemas"),
        software: "crash".to_owned(),
    };
    Book::open(dir, settings).unwrap()
}

/// The act of a round, a caller and a number. Shape: the three in the last group of the UUID.
fn act(round: u64, caller: u64, i: u64) -> Act {
    format!("00000000-0000-4000-8000-{:012}", round * 1_000_000 + caller * 1_000 + i).parse().unwrap()
}

fn order(act: Act, by: By, command: Command) -> Order {
    let request = Hash::of(&serde_json::to_vec(&command).unwrap());
    Order {
        act,
        by,
        expected: BTreeMap::new(),
        command,
        key: None,
        capture: None,
        files: Vec::new(),
        secret: None,
        request,
    }
}

fn account(number: u64) -> AccountId {
    format!("U-{number}").parse().unwrap()
}

fn key_of(account: &AccountId) -> SigningKey {
    SigningKey::from_seed(&Hash::of(account.as_str().as_bytes()).0).unwrap()
}

fn seated(number: u64, role: Role) -> By {
    By::Person(Person {
        account: account(number),
        device: "D-1".parse().unwrap(),
        name: format!("Person {number}"),
        role,
        session: format!("SE-{number}").parse().unwrap(),
    })
}

fn enrol_key(account: &AccountId) -> Command {
    let (key, book) = (key_of(account), "book.example/crash".parse().unwrap());
    let statement = key_statement(account, &book, &key_name(&key.public()), None).unwrap();
    Command::EnrolKey {
        account: account.clone(),
        key: key_name(&key.public()),
        public_key: canonical::base64(key.public()),
        previous: None,
        proof: canonical::base64(key.sign(&statement)),
    }
}

/// A book with two founders, confirmed and signed in, and a station.
fn found(dir: &Path) {
    let opening = Opening {
        name: "book.example/crash".parse().unwrap(),
        zone: "Europe/Prague".to_owned(),
        software: "crash".to_owned(),
        at: RealClock(Instant::now()).now(),
        key_seed: [1; 32],
    };
    Book::create(dir, opening).unwrap();
    let book = open(dir);
    let system = || By::system("init");
    let people = [(1, Role::Administrator), (2, Role::Reviewer)];
    let mut orders = Vec::new();
    for (number, role) in people {
        let name = format!("Person {number}");
        orders.push((system(), Command::FoundAccount { account: account(number), name, roles: vec![role] }, None));
        let session = Command::OpenSession {
            session: format!("SE-{number}").parse().unwrap(),
            account: account(number),
            device: "D-1".parse().unwrap(),
            expires: RealClock(Instant::now()).now().plus_micros(3_600_000_000),
        };
        orders.push((system(), session, None));
        orders.push((seated(number, role), enrol_key(&account(number)), None));
    }
    for (number, role) in people {
        let confirm = Command::ConfirmIdentity { account: account(3 - number) };
        orders.push((seated(number, role), confirm, Some(key_of(&account(number)))));
    }
    let station = Command::RegisterStation {
        station: "T-1".parse().unwrap(),
        name: "Table".to_owned(),
        place: "here".to_owned(),
        rated_labels_per_min: 100,
        challenge_interval_min: 60,
        link: Link::TcpOut { address: "127.0.0.1:1".to_owned() },
    };
    orders.push((seated(1, Role::Administrator), station, None));
    for (i, (by, command, key)) in (0..).zip(orders) {
        book.act_blocking(Order { key, ..order(act(0, 0, i), by, command) }).unwrap();
    }
    book.shutdown_blocking();
}

/// What the machine said in that act. Some of it is said twice.
fn said(round: u64, caller: u64, i: u64) -> Vec<u8> {
    format!("CNT,{round},{caller},{}\r\n", i / 2).repeat(200).into_bytes()
}

/// The order of an act: every sort in turn, refusals, signatures, captures and exports among them.
fn order_of(round: u64, caller: u64, i: u64) -> Order {
    let person = 1_000 + (round * 10 + caller) * 100 + i / 8;
    let admin = || seated(1, Role::Administrator);
    let act = act(round, caller, i);
    match i % 8 {
        0 => {
            let name = format!("Person {person}");
            // Without an end: the same order is made again after a crash, from nothing but its numbers.
            let granted = Grant { role: Role::Administrator, training: "TR-0007".to_owned(), until: None };
            let (roles, identity) = (vec![granted], "card seen".to_owned());
            order(act, admin(), Command::EnrolAccount { account: account(person), name, roles, identity })
        }
        1 => order(act, By::system("test"), enrol_key(&account(person))),
        2 => {
            let confirm = Command::ConfirmIdentity { account: account(person) };
            Order { key: Some(key_of(&account(2))), ..order(act, seated(2, Role::Reviewer), confirm) }
        }
        3 => {
            let supplier = Command::RegisterSupplier {
                supplier: "SU-1".parse().unwrap(),
                name: "Printer".to_owned(),
                site: "somewhere".to_owned(),
            };
            order(act, admin(), supplier)
        }
        4 => {
            let streams = BTreeMap::from([(Stream::account(&account(1)), 1)]);
            let record = Stream::account(&account(1));
            let export =
                Command::NoteExport { record, manifest: Hash::of(act.as_str().as_bytes()), pdf: None, streams };
            order(act, By::system("export"), export)
        }
        5 => {
            let at = Time::default();
            let strangers = Command::NoteStrangers { source: "somewhere".to_owned(), count: 1, from: at, to: at };
            order(act, By::system("access"), strangers)
        }
        _ => {
            let bytes = said(round, caller, i);
            let piece = Piece {
                count: None,
                codes: Vec::new(),
                events: Vec::new(),
                irregular: Vec::new(),
                labels: 0,
                length: bytes.len() as u64,
                lines: Hash::of(b""),
                link: "L1".to_owned(),
                observed: 0,
                offset: 0,
                ordinals: None,
                sha256: Hash::of(&bytes),
                total: None,
            };
            let observe = Command::Observe { station: "T-1".parse().unwrap(), piece: Box::new(piece) };
            Order { capture: Some(bytes), ..order(act, By::system("capture"), observe) }
        }
    }
}

/// The receipt of an answer; a recorded refusal has one too.
fn receipt(answer: Result<Receipt, ActError>) -> Option<Receipt> {
    match answer {
        Ok(receipt) => Some(receipt),
        Err(ActError::Refused { refusal, receipt }) => {
            let receipt = receipt.unwrap_or_else(|| panic!("refused and not recorded: {refusal}"));
            Some(*receipt)
        }
        Err(ActError::Failed { .. } | ActError::Stopped(_)) => None,
        Err(other) => panic!("{other}"),
    }
}

/// The victim: says each acknowledgement as soon as it has it. A line: act, `n`, leaf hash.
fn victim(dir: &Path, round: u64) {
    let book = open(dir);
    std::thread::scope(|scope| {
        for caller in 0..CALLERS {
            let book = &book;
            scope.spawn(move || {
                for i in 0..ACTS {
                    let Some(receipt) = receipt(book.act_blocking(order_of(round, caller, i))) else { return };
                    let line = format!("{} {} {}\n", receipt.act, receipt.n, receipt.leaf);
                    std::io::stdout().write_all(line.as_bytes()).unwrap();
                }
            });
        }
    });
    book.shutdown_blocking();
}

fn start(dir: &Path, work: &str, fault: Option<String>) -> Child {
    let mut victim = Process::new(std::env::current_exe().unwrap());
    victim.env("TALLYSEAL_CRASH", format!("{work} {}", dir.display())).stdout(Stdio::piped());
    if let Some(fault) = fault {
        victim.env("TALLYSEAL_FAULT", fault);
    }
    victim.spawn().unwrap()
}

/// An acknowledgement as the victim said it. A last line that was cut short acknowledges nothing.
fn heard(line: &str) -> Option<(String, (u64, String))> {
    let mut words = line.split(' ');
    let (act, n, leaf) = (words.next()?, words.next()?, words.next()?);
    (leaf.len() == 64).then(|| (act.to_owned(), (n.parse().unwrap(), leaf.to_owned())))
}

type Heard = BTreeMap<String, (u64, String)>;

/// What is left is right: starts the book, tries every act again, and reads everything.
fn look(dir: &Path, round: u64, heard: &Heard) {
    let book = open(dir);
    for (act, (n, leaf)) in heard {
        let bytes = book.entry(*n).unwrap().unwrap_or_else(|| panic!("{act}: entry {n} was acknowledged and is lost"));
        assert_eq!(Hash::leaf(&bytes).hex(), *leaf, "{act}: another entry {n} was acknowledged");
    }
    for caller in 0..CALLERS {
        for i in 0..ACTS {
            let again = receipt(book.act_blocking(order_of(round, caller, i))).unwrap();
            if let Some((n, leaf)) = heard.get(again.act.as_str()) {
                assert!(again.repeated && again.n == *n && again.leaf.hex() == *leaf, "{again:?}");
            }
            if i % 8 >= 6 {
                let bytes = said(round, caller, i);
                assert_eq!(book.capture(&Hash::of(&bytes)).unwrap().as_deref(), Some(bytes.as_slice()));
            }
        }
    }
    book.shutdown_blocking();
    read_all(dir);
}

/// Every entry, in order; every act once, its entries together; every captured piece there; the views right.
fn read_all(dir: &Path) {
    let reader = Reader::open(dir).unwrap();
    let (mut prev, mut last_act, mut acts) = (Hash::ZERO, None, BTreeSet::new());
    for (n, bytes) in (0..).zip(reader.entries(0, 1 << 40).unwrap()) {
        let entry = Entry::read(&bytes).unwrap();
        assert_eq!((entry.header.n, entry.header.prev), (n, prev));
        if entry.header.act.is_some() && entry.header.act != last_act {
            assert!(acts.insert(entry.header.act.clone()), "entry {n}: its act was done before");
        }
        if let Body::StationStrayCaptured(body) = &entry.body {
            assert!(reader.capture(&body.sha256).unwrap().is_some(), "entry {n} names bytes that are lost");
        }
        last_act = entry.header.act;
        prev = Hash::leaf(&bytes);
    }
    drop(reader);
    let differing = differing_views(dir).unwrap();
    assert!(differing.looked_at > 0 && differing.faults.is_empty(), "{:?}", differing.faults);
}

/// The victim ends at a named place.
fn ends_at(dir: &Path, round: u64, point: Point, nth: u64) {
    let work = match point {
        Point::BeforeViewSwap | Point::InViewSwap => "rebuild",
        Point::AfterNextKey | Point::AfterKeyEntry | Point::AfterOldKeyGone => "rotate",
        _ => "acts",
    };
    let mut child = start(dir, &format!("{work} {round}"), Some(format!("{}:{nth}", point.as_str())));
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let heard: Heard = lines.filter_map(|line| heard(&line.unwrap())).collect();
    let status = child.wait().unwrap();
    assert_eq!(status.signal(), Some(ABORTED), "{point:?}:{nth} did not fire: {status}");
    println!("{point:?}:{nth}: {} acknowledged before", heard.len());
    look(dir, round, &heard);
    assert!(!Layout::new(dir).next_book_key().exists(), "{point:?}: a key is left over");
}

/// The victim is killed when it has acknowledged so many.
fn killed_after(dir: &Path, round: u64, count: usize) {
    let mut child = start(dir, &format!("acts {round}"), None);
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut all: Heard = lines.by_ref().take(count).filter_map(|line| heard(&line.unwrap())).collect();
    child.kill().unwrap();
    all.extend(lines.filter_map(|line| heard(&line.unwrap())));
    let status = child.wait().unwrap();
    assert_eq!(status.signal(), Some(KILLED), "it had ended before: {status}");
    look(dir, round, &all);
}

fn main() {
    const { assert!(fault::ACTIVE) };
    if let Ok(text) = std::env::var("TALLYSEAL_CRASH") {
        let mut words = text.splitn(3, ' ');
        let (work, round, dir) = (words.next().unwrap(), words.next().unwrap(), PathBuf::from(words.next().unwrap()));
        match work {
            "rebuild" => drop(rebuild(&dir).unwrap()),
            "rotate" => {
                let seed = [round.parse().unwrap(); 32];
                open(&dir).rotate_key_blocking(seed, None).unwrap();
            }
            _ => victim(&dir, round.parse().unwrap()),
        }
        return;
    }
    let kills = std::env::var("TALLYSEAL_KILLS").map_or(25, |text| text.parse().unwrap());
    let place = tempfile::tempdir().unwrap();
    let dir = place.path().join("book");
    found(&dir);
    let mut round = 1;
    for point in Point::ALL {
        let often = match point {
            Point::AfterCheckpointTmp | Point::AfterCheckpointRename => &[1, 2, 9][..],
            Point::BeforeWalCheckpoint | Point::BeforeViewSwap | Point::InViewSwap => &[1],
            Point::AfterNextKey | Point::AfterKeyEntry | Point::AfterOldKeyGone => &[1],
            _ => &[1, 2, 12],
        };
        for nth in often {
            ends_at(&dir, round, point, *nth);
            round += 1;
        }
    }
    for kill in 0..kills {
        killed_after(&dir, round, 1 + kill * 7 % 120);
        round += 1;
    }
    println!("test result: ok. {} ends of the process, nothing lost, nothing half, nothing twice", round - 1);
}
