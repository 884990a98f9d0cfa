//! The executor's one transaction: what happens between taking orders from the queue and their being on disk.
//!
//! Everything here is lost with the process and read again at the next start; after any error nothing of it is used.

use std::collections::BTreeMap;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension as _, params};
use tallyseal_control::{Command, Context, Draft, Need, Refusal, Stop, World};
use tallyseal_schema::entry::By;
use tallyseal_schema::ids::{BookName, Stream, Thing};
use tallyseal_schema::kinds::ClockStepped;
use tallyseal_schema::signature::{self, SigningKey};
use tallyseal_schema::{Act, Body, Hash, Time};

use crate::capture::Frame;
use crate::capture_files::CaptureWriter;
use crate::clock::Pace;
use crate::entries::{self, Head, sql, unsql};
use crate::error::{Fatal, Trip};
use crate::fault::{self, Point};
use crate::held::{self, Brought};
use crate::order::{Committed, Order, SecretChange, StaleStream};
use crate::refused;
use crate::secrets;
use crate::sheet::{Author, Sheet, Written};
use crate::tile::TileWriter;
use crate::views::Views;

/// How many things one decision may ask for. A decision that asks for more has lost its way.
const NEEDS_MAX: usize = 10_000;

/// The rules: [`tallyseal_control::decide`], or a test's own.
pub(crate) type Decide = Arc<dyn Fn(&World, &Context, &Command) -> Result<Vec<Draft>, Stop> + Send + Sync>;

/// An order made ready by its caller: what can be hashed and deflated outside the queue is.
#[derive(Debug)]
pub(crate) struct Packed {
    pub(crate) act: Act,
    act_bytes: [u8; 16],
    by: By,
    expected: BTreeMap<Stream, u64>,
    command: Command,
    key: Option<SigningKey>,
    frame: Option<Frame>,
    files: Vec<(Hash, Vec<u8>)>,
    brought: Brought,
    secret: Option<SecretChange>,
    request: Hash,
}

impl Packed {
    /// Errors: the captured bytes are more than one piece may be.
    pub(crate) fn of(order: Order) -> Result<Self, Box<Refusal>> {
        let Order { act, by, expected, command, key, capture, files, secret, request } = order;
        let invalid = |code: &str, text: String| Box::new(Refusal::invalid(code, text, "Send what it should be."));
        let act_bytes = uuid::Uuid::parse_str(act.as_str())
            .map_err(|error| invalid("act", format!("The act is not a UUID: {error}.")))?
            .into_bytes();
        let frame = capture.as_deref().map(Frame::of).transpose();
        let frame = frame.map_err(|error| invalid("capture-too-large", format!("The captured bytes: {error}.")))?;
        let files: Vec<(Hash, Vec<u8>)> = files.into_iter().map(|bytes| (Hash::of(&bytes), bytes)).collect();
        let brought = Brought {
            capture: frame.as_ref().map(|frame| frame.sha256),
            files: files.iter().map(|(sha256, _)| *sha256).collect(),
        };
        Ok(Self { act, act_bytes, by, expected, command, key, frame, files, brought, secret, request })
    }
}

/// What became of an act's entries.
#[derive(Debug)]
pub(crate) struct Done {
    pub(crate) first: u64,
    pub(crate) n: u64,
    pub(crate) leaf: Hash,
    pub(crate) entries: Vec<(u64, Stream, String)>,
    pub(crate) repeated: bool,
}

/// What became of an order; told when its batch is on disk.
#[derive(Debug)]
pub(crate) enum Answer {
    Done(Done),
    Refused(Box<Refusal>, Option<Done>),
    Stale(Vec<StaleStream>),
    OtherRequest,
    Failed(String),
}

/// What became of a batch.
#[derive(Debug, Default)]
pub(crate) struct Batch {
    /// One for each order, in their order.
    pub(crate) answers: Vec<Answer>,
    /// Its entries.
    pub(crate) fresh: Vec<Committed>,
    /// It holds a signature or an export: its checkpoint is kept before anybody is answered.
    pub(crate) keep: bool,
    frames: Vec<Frame>,
}

/// The writer: its connection, and all that it remembers from one batch to the next.
pub(crate) struct Core {
    pub(crate) conn: Connection,
    pub(crate) book: BookName,
    pub(crate) head: Head,
    pub(crate) views: Views,
    pub(crate) tiles: TileWriter,
    pub(crate) pace: Pace,
    pub(crate) captures: CaptureWriter,
    pub(crate) decide: Decide,
    pub(crate) incidents: u64,
}

impl Core {
    /// Executes orders in one transaction.
    ///
    /// CRASH: before the commit nothing of the batch is there; after it all of it is, whether or not anybody heard.
    /// A commit that reports an error may be there as well: the caller must stop, and the next start reads the head.
    pub(crate) fn run(&mut self, orders: Vec<Packed>) -> Result<Batch, Fatal> {
        self.transaction(|core, batch| {
            for order in orders {
                let answer = core.execute(order, batch)?;
                batch.answers.push(answer);
            }
            Ok(())
        })
    }

    /// Writes entries of the book itself, in its own stream, in a transaction of their own.
    pub(crate) fn write_own(&mut self, at: Time, entries: Vec<(Body, Option<String>)>) -> Result<Batch, Fatal> {
        self.transaction(|core, batch| {
            for (body, why) in entries {
                core.own_entry(at, body, why, batch)?;
            }
            Ok(())
        })
    }

    fn transaction(&mut self, work: impl FnOnce(&mut Self, &mut Batch) -> Result<(), Fatal>) -> Result<Batch, Fatal> {
        let mut batch = Batch::default();
        fault::point(Point::BeforeBegin);
        self.conn.prepare_cached("BEGIN IMMEDIATE")?.execute([])?;
        work(self, &mut batch)?;
        if !batch.fresh.is_empty() {
            fault::point(Point::AfterInsert);
            self.views.flush(&self.conn)?;
            self.head.store(&self.conn)?;
            let frames = std::mem::take(&mut batch.frames);
            // ORDER: captured bytes are on disk before the commit that names them.
            self.captures.add(&self.conn, self.pace.last(), &frames)?;
            fault::point(Point::BeforeCommit);
        }
        self.conn.prepare_cached("COMMIT")?.execute([])?;
        if !batch.fresh.is_empty() {
            fault::point(Point::AfterCommit);
        }
        Ok(batch)
    }

    fn execute(&mut self, mut order: Packed, batch: &mut Batch) -> Result<Answer, Fatal> {
        if let Some(answer) = self.known(&order)? {
            return Ok(answer);
        }
        let stale = self.stale(&order.expected)?;
        if !stale.is_empty() {
            return Ok(Answer::Stale(stale));
        }
        let at = self.now(batch)?;
        let key = order.key.as_ref().map(|key| signature::key_name(&key.public()));
        let context = Context { at, by: order.by.clone(), key };
        let outcome = match self.decided(&order, &context)? {
            Ok(drafts) => self.sheet(&order, at, drafts),
            Err(refusal) => Err(Trip::Refused(refusal)),
        };
        match outcome {
            Ok(written) if written.lines.is_empty() => Ok(Answer::Done(self.nothing())),
            Ok(written) => {
                let done = self.apply(written, batch)?;
                self.remember(&order, &done, None)?;
                self.bring(&mut order, batch)?;
                Ok(Answer::Done(done))
            }
            Err(Trip::Refused(refusal)) => self.refuse(&order, at, refusal, batch),
            Err(Trip::Order(what)) => Ok(self.incident(&order, &what)),
            Err(Trip::Fatal(fatal)) => Err(fatal),
        }
    }

    /// The answer to an act that was answered before.
    fn known(&self, order: &Packed) -> Result<Option<Answer>, Fatal> {
        let row = self
            .conn
            .prepare_cached("SELECT request, first, n, refusal FROM act WHERE act = ?1")?
            .query_row([order.act_bytes], |row| {
                let refusal: Option<String> = row.get(3)?;
                Ok((Hash(row.get(0)?), unsql(row.get(1)?), unsql(row.get(2)?), refusal))
            })
            .optional()?;
        let Some((request, first, n, refusal)) = row else { return Ok(None) };
        if request != order.request {
            return Ok(Some(Answer::OtherRequest));
        }
        let done = self.done_before(first, n)?;
        Ok(Some(match refusal {
            None => Answer::Done(done),
            Some(refusal) => {
                let refusal = serde_json::from_str(&refusal)
                    .map_err(|error| Fatal::damaged(first, format!("its stored answer cannot be read: {error}")))?;
                Answer::Refused(Box::new(refusal), Some(done))
            }
        }))
    }

    fn done_before(&self, first: u64, n: u64) -> Result<Done, Fatal> {
        let mut entries = Vec::new();
        for at in first..=n {
            let header = entries::header(&self.conn, at)?;
            entries.push((at, header.stream, header.kind));
        }
        let bytes = entries::bytes(&self.conn, n)?.ok_or_else(|| Fatal::damaged(n, "it is missing"))?;
        Ok(Done { first, n, leaf: Hash::leaf(&bytes), entries, repeated: true })
    }

    /// An act that had nothing to write. It is not remembered: doing it again does nothing again.
    fn nothing(&self) -> Done {
        Done { first: self.head.size(), n: self.head.n(), leaf: self.head.leaf, entries: Vec::new(), repeated: false }
    }

    /// The streams that are not as the asker saw them, what this batch wrote before included.
    fn stale(&mut self, expected: &BTreeMap<Stream, u64>) -> Result<Vec<StaleStream>, Fatal> {
        let mut stale = Vec::new();
        for (stream, expected) in expected {
            let live = self.views.live(&self.conn, stream)?.map(|live| (live.rev, live.n));
            let rev = live.map_or(0, |(rev, _)| rev);
            if rev != *expected {
                let last = live.map(|(_, n)| entries::last_change(&self.conn, n)).transpose()?;
                stale.push(StaleStream { stream: stream.clone(), expected: *expected, rev, last });
            }
        }
        Ok(stale)
    }

    /// The `at` of the next entries; a step of the clock is written first.
    fn now(&mut self, batch: &mut Batch) -> Result<Time, Fatal> {
        let tick = self.pace.tick();
        if let Some(step) = tick.step {
            self.step(step, None, batch)?;
        }
        Ok(tick.at)
    }

    fn step(&mut self, step: ClockStepped, why: Option<String>, batch: &mut Batch) -> Result<(), Fatal> {
        tracing::warn!(from = %step.from, to = %step.to, cause = step.cause, "the clock stepped");
        self.own_entry(step.to, step.into(), why, batch)
    }

    fn own_entry(&mut self, at: Time, body: Body, why: Option<String>, batch: &mut Batch) -> Result<(), Fatal> {
        let author = Author { act: None, at, by: By::system("book") };
        let mut sheet = Sheet::new(&self.conn, &mut self.views, &self.book, &self.head, author);
        let written = match sheet.entry(&Stream::book(), body, why, None) {
            Ok(()) => sheet.done(),
            Err(Trip::Fatal(fatal)) => return Err(fatal),
            Err(Trip::Order(what)) => return Err(Fatal::Panic(what)),
            Err(Trip::Refused(refusal)) => return Err(Fatal::Panic(refusal.to_string())),
        };
        self.apply(written, batch)?;
        Ok(())
    }

    /// Asks the rules, and supplies what they ask for, until they have decided.
    fn decided(&mut self, order: &Packed, context: &Context) -> Result<Result<Vec<Draft>, Box<Refusal>>, Fatal> {
        let mut world = World::default();
        for stream in order.expected.keys().cloned().chain(actor(&order.by)) {
            self.supply(&mut world, Need::Stream(stream))?;
        }
        for _ in 0..NEEDS_MAX {
            match (self.decide)(&world, context, &order.command) {
                Ok(drafts) => return Ok(Ok(drafts)),
                Err(Stop::Refused(refusal)) => return Ok(Err(refusal)),
                Err(Stop::Need(need)) => self.supply(&mut world, need)?,
            }
        }
        Ok(Err(Box::new(Refusal::internal("The rules asked for more than any decision needs."))))
    }

    fn supply(&mut self, world: &mut World, need: Need) -> Result<(), Fatal> {
        match need {
            Need::Stream(stream) => {
                let record = self.views.live(&self.conn, &stream)?.map(|live| live.record.clone());
                world.put(stream, record);
            }
            Need::Set(key) => {
                let streams = self.views.set(&self.conn, &key)?;
                world.put_set(key, streams);
            }
            Need::Count(thing) => world.put_count(thing, self.views.count(&self.conn, thing)?),
        }
        Ok(())
    }

    /// Makes the entries of what was decided.
    fn sheet(&mut self, order: &Packed, at: Time, drafts: Vec<Draft>) -> Result<Written, Trip> {
        for draft in &drafts {
            if let Draft::Entry { body, .. } = draft {
                held::check(&self.conn, &order.brought, body)?;
            }
        }
        let author = Author { act: Some(order.act.clone()), at, by: order.by.clone() };
        let mut sheet = Sheet::new(&self.conn, &mut self.views, &self.book, &self.head, author);
        for draft in drafts {
            sheet.draft(draft, order.key.as_ref())?;
        }
        Ok(sheet.done())
    }

    /// Puts an order's entries into the transaction and into what the next order of the batch sees.
    fn apply(&mut self, written: Written, batch: &mut Batch) -> Result<Done, Fatal> {
        let first = self.head.size();
        let mut entries = Vec::with_capacity(written.lines.len());
        for line in written.lines {
            entries::insert(&self.conn, &line)?;
            self.head.push(line.leaf);
            self.tiles.push(&self.conn, line.leaf)?;
            batch.keep |= matches!(line.kind, "signature.applied" | "record.exported");
            batch.fresh.push(Committed { n: line.n, stream: line.stream.clone(), kind: line.kind });
            entries.push((line.n, line.stream, line.kind.to_owned()));
        }
        for (stream, live) in written.lives {
            self.views.put(&self.conn, stream, live)?;
        }
        self.pace.wrote(written.at);
        Ok(Done { first, n: self.head.n(), leaf: self.head.leaf, entries, repeated: false })
    }

    /// Remembers the answer to an act for whoever asks again.
    fn remember(&self, order: &Packed, done: &Done, refusal: Option<&Refusal>) -> Result<(), Fatal> {
        let refusal = refusal.map(serde_json::to_string).transpose();
        let refusal = refusal.map_err(|error| Fatal::Panic(format!("a refusal cannot be stored: {error}")))?;
        self.conn
            .prepare_cached("INSERT INTO act (act, request, first, n, refusal) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![order.act_bytes, order.request.0, sql(done.first), sql(done.n), refusal])?;
        Ok(())
    }

    /// Stores what came with an order that was done: captured bytes with the batch, files and secrets at once.
    fn bring(&mut self, order: &mut Packed, batch: &mut Batch) -> Result<(), Fatal> {
        batch.frames.extend(order.frame.take());
        for (sha256, bytes) in &order.files {
            if !held::is_stored(&self.conn, sha256)? {
                self.conn
                    .prepare_cached("INSERT INTO file (sha256, bytes) VALUES (?1, ?2)")?
                    .execute(params![sha256.0, bytes])?;
            }
        }
        if let Some(change) = &order.secret {
            secrets::change(&self.conn, change)?;
        }
        Ok(())
    }

    /// Answers a refusal, and records it where it matters.
    fn refuse(&mut self, order: &Packed, at: Time, refusal: Box<Refusal>, batch: &mut Batch) -> Result<Answer, Fatal> {
        let Some(stream) = refused::place(refusal.kind, &order.by) else { return Ok(Answer::Refused(refusal, None)) };
        if self.views.live(&self.conn, &stream)?.is_none() {
            return Ok(Answer::Refused(refusal, None));
        }
        let author = Author { act: Some(order.act.clone()), at, by: order.by.clone() };
        let mut sheet = Sheet::new(&self.conn, &mut self.views, &self.book, &self.head, author);
        let body = refused::body(&refusal, &order.command);
        let written = match sheet.entry(&stream, body.into(), None, None) {
            Ok(()) => sheet.done(),
            Err(Trip::Fatal(fatal)) => return Err(fatal),
            Err(Trip::Order(what)) => return Ok(self.incident(order, &what)),
            Err(Trip::Refused(other)) => return Ok(Answer::Refused(other, None)),
        };
        let done = self.apply(written, batch)?;
        self.remember(order, &done, Some(&refusal))?;
        Ok(Answer::Refused(refusal, Some(done)))
    }

    fn incident(&mut self, order: &Packed, what: &str) -> Answer {
        let incident = self.next_incident();
        tracing::error!(incident, act = %order.act, what, "an order was not written");
        Answer::Failed(incident)
    }

    /// A number under which a person can find the cause in the log.
    pub(crate) fn next_incident(&mut self) -> String {
        self.incidents += 1;
        format!("{:X}-{}", self.pace.last().micros(), self.incidents)
    }
}

/// The streams of an actor, which every decision looks at.
fn actor(by: &By) -> Vec<Stream> {
    match by {
        By::Person(person) => {
            vec![Stream::of(Thing::Session, &person.session), Stream::account(&person.account)]
        }
        By::Machine(machine) => vec![Stream::of(Thing::Station, &machine.station)],
        By::System(_) => Vec::new(),
    }
}
