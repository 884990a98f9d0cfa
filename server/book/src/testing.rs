//! Means of this crate's tests.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex};

use rusqlite::Connection;
use tallyseal_control::{Command, Context, Draft, Key, Need, Piece, Refusal, Stop, World};
use tallyseal_schema::entry::{Entry, Machine, Person};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    AccountDisabled, AccountEnrolled, BookStarted, Grant, Link, PluginDrafted, RemarkMade, Role, SessionEnd,
    SessionEnded, SessionOpened, StationRegistered, StationStrayCaptured, SupplierApproved, SupplierRegistered,
    Synchronised,
};
use tallyseal_schema::{Act, By, Hash, Time, checkpoint, tree};

use crate::{Book, BootInfo, Clock, Layout, OpenError, Opening, Order, Reader, Settings, differing_views};

/// A moment. Unit: microseconds since the epoch.
pub(crate) fn at(micros: i64) -> Time {
    Time::from_micros(micros).unwrap()
}

/// A clock that stands still until a test moves it.
pub(crate) struct HandClock {
    mono_us: AtomicU64,
    wall: AtomicI64,
}

impl HandClock {
    /// At that wall time.
    pub(crate) fn at(wall: i64) -> Arc<Self> {
        Arc::new(Self { mono_us: AtomicU64::new(1_000_000), wall: AtomicI64::new(wall) })
    }

    /// Time passes on both clocks.
    pub(crate) fn pass(&self, micros: u32) {
        self.mono_us.fetch_add(u64::from(micros), Ordering::SeqCst);
        self.wall.fetch_add(i64::from(micros), Ordering::SeqCst);
    }

    /// Somebody sets the wall clock.
    pub(crate) fn set(&self, wall: i64) {
        self.wall.store(wall, Ordering::SeqCst);
    }

    /// What the wall clock says.
    pub(crate) fn wall(&self) -> i64 {
        self.wall.load(Ordering::SeqCst)
    }
}

impl Clock for HandClock {
    fn now(&self) -> Time {
        at(self.wall())
    }

    fn mono_us(&self) -> u64 {
        self.mono_us.load(Ordering::SeqCst)
    }
}

/// When the tests' books are opened.
pub(crate) const MORNING: i64 = 1_767_600_000_000_000;

/// Any words.
pub(crate) fn id(text: &str) -> Id {
    text.parse().unwrap()
}

/// Any stream.
pub(crate) fn stream(text: &str) -> Stream {
    text.parse().unwrap()
}

/// A directory for one book, its clock, and the rules it is served under.
pub(crate) struct Plant {
    pub(crate) clock: Arc<HandClock>,
    pub(crate) dir: tempfile::TempDir,
    pub(crate) gate: Arc<Gate>,
    pub(crate) queue: usize,
}

impl Plant {
    /// A new book, not served yet.
    pub(crate) fn new() -> Self {
        let (clock, dir) = (HandClock::at(MORNING), tempfile::tempdir().unwrap());
        let plant = Self { clock, dir, gate: Arc::default(), queue: 64 };
        let opening = Opening {
            name: "book.example/test".parse().unwrap(),
            zone: "Europe/Prague".to_owned(),
            software: "tests".to_owned(),
            at: at(MORNING),
            key_seed: [1; 32],
        };
        Book::create(&plant.path(), opening).unwrap();
        plant
    }

    pub(crate) fn path(&self) -> PathBuf {
        self.dir.path().join("book")
    }

    pub(crate) fn layout(&self) -> Layout {
        Layout::new(&self.path())
    }

    pub(crate) fn settings(&self) -> Settings {
        Settings {
            accept_earlier_clock: None,
            boot: BootInfo { id: "boot".to_owned(), clock: "hand".to_owned(), synchronised: Synchronised::Unknown },
            clock: self.clock.clone(),
            engine: "none".to_owned(),
            schemas: Hash::of(b"schemas"),
            software: "tests".to_owned(),
        }
    }

    pub(crate) fn try_open(&self) -> Result<Book, OpenError> {
        let gate = Arc::clone(&self.gate);
        let rules = move |world: &World, context: &Context, command: &Command| rules(world, context, command, &gate);
        Book::open_with(&self.path(), self.settings(), Arc::new(rules), self.queue)
    }

    /// Serves it under the tests' own rules.
    pub(crate) fn open(&self) -> Book {
        self.try_open().unwrap()
    }

    /// The database, for a person with an editor.
    pub(crate) fn database(&self) -> Connection {
        Connection::open(self.layout().db()).unwrap()
    }

    /// The words in which a start is refused.
    #[track_caller]
    pub(crate) fn refused(&self) -> OpenError {
        match self.try_open() {
            Ok(_) => panic!("the book was served"),
            Err(error) => error,
        }
    }
}

/// The act of that number.
pub(crate) fn act(number: u32) -> Act {
    format!("00000000-0000-4000-8000-{number:012}").parse().unwrap()
}

/// A component of the software.
pub(crate) fn software() -> By {
    By::system("test")
}

/// The person of the tests, in session `SE-1`.
pub(crate) fn person() -> By {
    By::Person(Person {
        account: "U-1".parse().unwrap(),
        device: id("D-1"),
        name: "Jo Example".to_owned(),
        role: Role::Reviewer,
        session: id("SE-1"),
    })
}

/// The table of the tests, at station `T-1`.
pub(crate) fn machine() -> By {
    By::Machine(Machine { plugin: Hash::of(b"plugin"), station: id("T-1") })
}

/// An order of that act's number.
pub(crate) fn order(number: u32, by: By, command: Command) -> Order {
    let request = Hash::of(serde_json::to_string(&command).unwrap().as_bytes());
    Order {
        act: act(number),
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

pub(crate) fn register(supplier: &str) -> Command {
    Command::RegisterSupplier {
        supplier: id(supplier),
        name: format!("Printer {supplier}"),
        site: "somewhere".to_owned(),
    }
}

pub(crate) fn remark(record: &str, text: &str) -> Command {
    Command::Remark { record: stream(record), text: text.to_owned() }
}

pub(crate) fn approve(supplier: &str) -> Command {
    Command::ApproveSupplier { supplier: id(supplier), item: id("I-1") }
}

pub(crate) fn sign_in() -> Command {
    Command::OpenSession {
        session: id("SE-1"),
        account: "U-1".parse().unwrap(),
        device: id("D-1"),
        expires: at(MORNING + 3_600_000_000),
    }
}

pub(crate) fn sign_out() -> Command {
    Command::EndSession { session: id("SE-1"), cause: SessionEnd::SignedOut }
}

pub(crate) fn register_station() -> Command {
    Command::RegisterStation {
        station: id("T-1"),
        name: "Table".to_owned(),
        place: "here".to_owned(),
        rated_labels_per_min: 100,
        challenge_interval_min: 60,
        link: Link::TcpOut { address: "127.0.0.1:1".to_owned() },
    }
}

/// What a machine said while nothing was counted, with its bytes.
pub(crate) fn captured(number: u32, bytes: &[u8]) -> Order {
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
        sha256: Hash::of(bytes),
        total: None,
    };
    let command = Command::Observe { station: id("T-1"), piece: Box::new(piece) };
    Order { capture: Some(bytes.to_vec()), ..order(number, machine(), command) }
}

fn granted(role: Role) -> Grant {
    Grant { role, training: "TR-0007".to_owned(), until: None }
}

/// Rules so simple that a test sees the executor and nothing else. The text of a remark says what is to happen.
fn rules(world: &World, _: &Context, command: &Command, gate: &Gate) -> Result<Vec<Draft>, Stop> {
    match command {
        Command::RegisterSupplier { supplier, name, site } => {
            let stream = Stream::of(Thing::Supplier, supplier);
            world.must_be_new("supplier", &stream)?;
            Ok(vec![Draft::entry(&stream, SupplierRegistered { name: name.clone(), site: site.clone() })])
        }
        Command::ApproveSupplier { supplier, item } => {
            let stream = Stream::of(Thing::Supplier, supplier);
            world.supplier(&stream)?;
            // Two signatures' worth of trouble: one stands on what the same act wrote just before.
            Ok(vec![
                Draft::entry(&stream, RemarkMade { text: "looked at".to_owned() }),
                Draft::Signature { record: stream.clone(), meaning: "supplier approved", also: vec![Stream::book()] },
                Draft::entry(&stream, SupplierApproved { item: Stream::of(Thing::Item, item) }),
            ])
        }
        Command::FoundAccount { account, name, roles } => {
            let body = AccountEnrolled {
                account: account.clone(),
                founder: true,
                identity: "card seen".to_owned(),
                name: name.clone(),
                roles: roles.iter().map(|role| granted(*role)).collect(),
            };
            Ok(vec![Draft::entry(&Stream::account(account), body)])
        }
        Command::DisableAccount { account, .. } => {
            Ok(vec![Draft::entry(&Stream::account(account), AccountDisabled { account: account.clone() })])
        }
        Command::Remark { record, text } => remarked(world, record, text, gate),
        Command::OpenSession { session, account, device, expires } => {
            let body = SessionOpened { account: account.clone(), device: device.clone(), expires: *expires };
            Ok(vec![Draft::entry(&Stream::of(Thing::Session, session), body)])
        }
        Command::EndSession { session, cause } => {
            Ok(vec![Draft::entry(&Stream::of(Thing::Session, session), SessionEnded { cause: *cause })])
        }
        Command::RegisterStation { station, name, place, rated_labels_per_min, challenge_interval_min, link } => {
            let body = StationRegistered {
                challenge_interval_min: *challenge_interval_min,
                link: link.clone(),
                name: name.clone(),
                place: place.clone(),
                rated_labels_per_min: *rated_labels_per_min,
            };
            Ok(vec![Draft::entry(&Stream::of(Thing::Station, station), body)])
        }
        Command::Observe { station, piece } => {
            let body = StationStrayCaptured {
                after: None,
                length: piece.length,
                link: piece.link.clone(),
                observed: piece.observed,
                sha256: piece.sha256,
            };
            Ok(vec![Draft::entry(&Stream::of(Thing::Station, station), body)])
        }
        Command::DraftPlugin { digest, name, version, counts, emits, files } => {
            let body = PluginDrafted {
                counts: *counts,
                digest: *digest,
                emits: emits.clone(),
                files: files.clone(),
                name: name.clone(),
                version: version.clone(),
            };
            Ok(vec![Draft::entry(&stream("plugin/P-1"), body)])
        }
        _ => Err(Refusal::invalid("not-here", "The tests have no such rule.", "").into()),
    }
}

fn remarked(world: &World, record: &Stream, text: &str, gate: &Gate) -> Result<Vec<Draft>, Stop> {
    if world.record(record)?.is_none() {
        return Err(Refusal::not_found("thing", record).into());
    }
    let good = Draft::entry(record, RemarkMade { text: text.to_owned() });
    let too_long = || Draft::entry(record, RemarkMade { text: "x".repeat(300 * 1024) });
    match text {
        "refuse" => Err(Refusal::conflict("refused-here", "It may not be.", "Leave it.").into()),
        "make no sense" => Err(Refusal::invalid("no-sense", "It makes none.", "Make sense.").into()),
        "say nothing" => Ok(Vec::new()),
        "panic" => panic!("a rule panicked, as the test wants"),
        "ask for ever" => Err(Stop::Need(Need::Stream(record.clone()))),
        "half" => Ok(vec![good, too_long()]),
        "misplace" => Ok(vec![
            good,
            Draft::entry(
                record,
                BookStarted {
                    boot: String::new(),
                    clock: String::new(),
                    engine: String::new(),
                    mono_us: 0,
                    schemas: Hash::ZERO,
                    software: String::new(),
                    store: String::new(),
                    synchronised: Synchronised::Unknown,
                },
            ),
        ]),
        // How many things of the set it saw, and what number comes next: what a batch's earlier orders wrote counts.
        "look around" => {
            let set = world.set(&Key::new("thing", "supplier"))?.len();
            let sessions = world.set(&Key::new("session.open", "U-1"))?.len();
            let next = world.next(Thing::Supplier, "SU", 0)?;
            let text = format!("{set} suppliers, next {next}, {sessions} sessions");
            Ok(vec![Draft::entry(record, RemarkMade { text })])
        }
        "wait" => {
            gate.wait();
            Ok(vec![good])
        }
        _ => Ok(vec![good]),
    }
}

/// Where an order waits whose remark says so, until the test comes to the gate as well.
#[derive(Default)]
pub(crate) struct Gate {
    /// How many came to wait, and how many may pass.
    open: Mutex<(u32, u32)>,
    moved: Condvar,
}

impl Gate {
    fn wait(&self) {
        let mut open = self.open.lock().unwrap();
        open.0 += 1;
        let mine = open.0;
        self.moved.notify_all();
        while open.1 < mine {
            open = self.moved.wait(open).unwrap();
        }
    }

    /// Returns when somebody waits inside.
    pub(crate) fn until_waited(&self) {
        let mut open = self.open.lock().unwrap();
        while open.0 == open.1 {
            open = self.moved.wait(open).unwrap();
        }
    }

    /// Lets the one pass that waits, or the next one to come.
    pub(crate) fn pass(&self) {
        self.open.lock().unwrap().1 += 1;
        self.moved.notify_all();
    }
}

/// The whole book, from its file: bytes, links, tree, head. Every test that writes ends with it.
#[track_caller]
pub(crate) fn verify(plant: &Plant) -> Vec<Entry> {
    let reader = Reader::open(&plant.path()).unwrap();
    let mut entries = Vec::new();
    let mut leaves = Vec::new();
    let mut revs: BTreeMap<Stream, u64> = BTreeMap::new();
    for bytes in reader.entries(0, u64::MAX >> 12).unwrap() {
        let entry = Entry::read(&bytes).unwrap();
        let rev = revs.entry(entry.header.stream.clone()).or_default();
        *rev += 1;
        assert_eq!((entry.header.n, entry.header.rev), (leaves.len() as u64, *rev));
        assert_eq!(entry.header.prev, leaves.last().copied().unwrap_or(Hash::ZERO));
        leaves.push(Hash::leaf(&bytes));
        entries.push(entry);
    }
    let head = reader.head().unwrap();
    assert_eq!((head.n + 1, Some(&head.leaf)), (leaves.len() as u64, leaves.last()));
    let note = checkpoint::parse_body(&reader.checkpoint().unwrap()).unwrap();
    assert_eq!(note.root, tree::root(&leaves[..note.size as usize]));
    for n in [0, note.size / 2, note.size - 1] {
        let path = reader.inclusion(n, note.size).unwrap();
        tree::verify_inclusion(&leaves[n as usize], n, note.size, &path, &note.root).unwrap();
    }
    drop(reader);
    let differing = differing_views(&plant.path()).unwrap();
    assert_eq!(differing.faults, Vec::<String>::new());
    assert!(differing.looked_at > 0);
    entries
}

/// The kinds of entries, in order.
pub(crate) fn kinds(entries: &[Entry]) -> Vec<&str> {
    entries.iter().map(|entry| entry.header.kind.as_str()).collect()
}
