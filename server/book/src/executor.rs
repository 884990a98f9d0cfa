//! The executor's thread: orders in, one batch at a time, and what follows a commit: checkpoint, replies, live events.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tallyseal_schema::checkpoint::{self, Checkpoint, VerifierKey};
use tallyseal_schema::ids::BookName;
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{Act, Body};
use tokio::sync::{broadcast, watch};
use zeroize::Zeroize as _;

use crate::book::{Book, Parts};
use crate::book_keys;
use crate::clock::Tick;
use crate::core::{Answer, Batch, Core, Done, Packed};
use crate::error::{Fatal, OpenError};
use crate::fault::{self, Point};
use crate::key_file;
use crate::layout::Layout;
use crate::lock::Lock;
use crate::notes::Notes;
use crate::order::{ActError, Committed, Receipt};
use crate::store;

/// Orders that may wait. One more is told that the book is busy.
pub(crate) const QUEUE: usize = 4_096;
/// Orders in one transaction.
const BATCH: usize = 256;
/// Nobody asked anything for so long: now what waits for a quiet moment is done.
const QUIET: Duration = Duration::from_millis(50);
/// So many entries stand in the database's log at most before it is carried over, quiet moment or not: one that grew
/// without end would make that moment long.
const LOG_ENTRIES: usize = 2_000;
/// Live events that a slow listener may fall behind.
const EVENTS: usize = 4_096;

/// The way to the executor.
pub(crate) type Asks = SyncSender<Ask>;

/// The answer to whoever gave an order. Dropped without a word where the executor ended before it began.
pub(crate) type Reply = Box<dyn FnOnce(Result<Receipt, ActError>) + Send>;

/// Where the checkpoint goes that was kept.
pub(crate) type Kept = Box<dyn FnOnce(String) + Send>;

/// A new key for the book.
pub(crate) struct Rotation {
    pub(crate) seed: [u8; 32],
    pub(crate) why: Option<String>,
}

impl Drop for Rotation {
    fn drop(&mut self) {
        self.seed.zeroize();
    }
}

/// Where the new key goes, as a verifier key, or why there is none.
pub(crate) type Rotated = Box<dyn FnOnce(Result<String, ActError>) + Send>;

/// What the executor is asked.
pub(crate) enum Ask {
    /// An order.
    Order(Box<Packed>, Reply),
    /// Keep a checkpoint of what is there, and give it.
    Keep(Kept),
    /// Another key for the book from here on.
    Rotate(Box<Rotation>, Rotated),
    /// Keep a checkpoint of what is there, finish, and end.
    Stop,
}

/// What the first moments need beside the executor itself.
pub(crate) struct Start {
    /// The step to an earlier clock that was accepted, and why.
    pub(crate) accepted: Option<(Tick, String)>,
    pub(crate) layout: Layout,
    pub(crate) name: BookName,
    pub(crate) queue: usize,
    pub(crate) started: Body,
}

/// Why the executor ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum End {
    /// It was asked to.
    InOrder,
    /// It could not go on; why.
    Failed(String),
}

/// The one that appends.
pub(crate) struct Executor {
    core: Core,
    key: SigningKey,
    layout: Layout,
    notes: Notes,
    /// Entries in the database's log.
    logged: usize,
    /// Held until the database is closed.
    lock: Lock,
}

/// What the executor tells everybody.
struct Told {
    committed: broadcast::Sender<Committed>,
    kept: watch::Sender<String>,
    key: Arc<Mutex<String>>,
    latest: Arc<Mutex<String>>,
    end: watch::Sender<Option<End>>,
}

impl Executor {
    pub(crate) fn new(core: Core, key: SigningKey, layout: Layout, notes: Notes, lock: Lock) -> Self {
        Self { core, key, layout, notes, logged: 0, lock }
    }

    /// Writes that the server started, keeps a checkpoint, and goes to its own thread.
    pub(crate) fn start(mut self, start: Start) -> Result<Book, OpenError> {
        let mut bodies = Vec::new();
        let (tick, accepted) = match start.accepted {
            Some((tick, why)) => (tick, Some(why)),
            None => (self.core.pace.tick(), None),
        };
        if let Some(step) = tick.step {
            let why = accepted.unwrap_or_else(|| step.cause.clone());
            bodies.push((Body::from(step), Some(why)));
        }
        bodies.push((start.started, None));
        self.core.write_own(tick.at, bodies)?;
        let note = self.sign();
        self.notes.keep(self.core.head.size(), &note)?;
        self.carry_log(false)?;
        let key = Arc::new(Mutex::new(self.verifier_key()));
        let (asks, asked) = sync_channel(start.queue);
        let (committed, _) = broadcast::channel(EVENTS);
        let (end, ended) = watch::channel(None);
        let (keeping, kept) = watch::channel(note.clone());
        let latest = Arc::new(Mutex::new(note));
        let (tell, key_told, latest_told) = (committed.clone(), Arc::clone(&key), Arc::clone(&latest));
        let told = Told { committed: tell, kept: keeping, key: key_told, latest: latest_told, end };
        let thread = std::thread::Builder::new()
            .name("executor".to_owned())
            .spawn(move || self.run(&asked, &told))
            .map_err(Fatal::file("starting the executor's thread"))?;
        let (layout, name) = (start.layout, start.name);
        Ok(Book::new(Parts { asks, committed, key, kept, latest, layout, name, ended, thread }))
    }

    fn verifier_key(&self) -> String {
        VerifierKey::of_book(&self.core.book, self.key.public()).to_string()
    }

    fn sign(&self) -> String {
        let head = &self.core.head;
        let note = Checkpoint { origin: self.core.book.clone(), size: head.size(), root: head.frontier.root() };
        checkpoint::sign(&note, &self.key)
    }

    fn run(mut self, asked: &Receiver<Ask>, told: &Told) {
        let end = match self.serve(asked, told) {
            Ok(()) => End::InOrder,
            Err(fatal) => {
                // Nothing that is in memory counts any more: the next start reads the head again.
                tracing::error!(%fatal, "the executor stops");
                End::Failed(fatal.to_string())
            }
        };
        // ORDER: an open transaction goes with its connection, then the lock, then everybody hears: whoever starts
        // anew on hearing it finds the book free.
        let Self { core, lock, .. } = self;
        drop(core);
        drop(lock);
        told.end.send_replace(Some(end));
        // What still waits in the queue goes with it, replies and all: it was not begun.
    }

    fn serve(&mut self, asked: &Receiver<Ask>, told: &Told) -> Result<(), Fatal> {
        loop {
            let Some(first) = self.wait(asked) else {
                self.carry_log(false)?;
                self.keep_if_due(told)?;
                continue;
            };
            let Gathered { orders, keeps, rotate, stop } = gather(first, asked);
            if !orders.is_empty() {
                self.batch(orders, told)?;
            }
            if !keeps.is_empty() {
                let note = latest(told).clone();
                self.keep(&note, told)?;
                keeps.into_iter().for_each(|reply| reply(note.clone()));
            }
            if let Some((rotation, reply)) = rotate {
                self.rotate(&rotation, reply, told)?;
            }
            if stop {
                return self.finish(told);
            }
            // After the replies: nobody waits for these.
            self.keep_if_due(told)?;
            if self.logged >= LOG_ENTRIES {
                self.carry_log(false)?;
            }
        }
    }

    /// The next thing asked; `None` after a quiet moment, while there is something to do in one.
    fn wait(&self, asked: &Receiver<Ask>) -> Option<Ask> {
        if self.logged == 0 && !self.notes.is_behind() {
            return Some(asked.recv().unwrap_or(Ask::Stop));
        }
        match asked.recv_timeout(QUIET) {
            Ok(ask) => Some(ask),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => Some(Ask::Stop),
        }
    }

    fn finish(&mut self, told: &Told) -> Result<(), Fatal> {
        if self.notes.is_behind() {
            self.keep(&latest(told).clone(), told)?;
        }
        self.carry_log(true)
    }

    fn keep_if_due(&mut self, told: &Told) -> Result<(), Fatal> {
        if self.notes.is_due(self.core.head.size(), self.core.pace.mono_us()) {
            self.keep(&latest(told).clone(), told)?;
        }
        Ok(())
    }

    /// Keeps the newest checkpoint. It was signed when its batch was on disk, so it is of the head.
    fn keep(&mut self, note: &str, told: &Told) -> Result<(), Fatal> {
        self.notes.keep(self.core.head.size(), note)?;
        told.kept.send_if_modified(|kept| {
            let other = kept != note;
            if other {
                note.clone_into(kept);
            }
            other
        });
        Ok(())
    }

    fn carry_log(&mut self, all: bool) -> Result<(), Fatal> {
        if self.logged > 0 || all {
            store::carry_log(&self.core.conn, all)?;
            self.logged = 0;
        }
        Ok(())
    }

    /// One batch: the transaction, then everything that may only follow it.
    fn batch(&mut self, orders: Vec<(Packed, Reply)>, told: &Told) -> Result<(), Fatal> {
        let (orders, replies): (Vec<Packed>, Vec<Reply>) = orders.into_iter().unzip();
        let acts: Vec<Act> = orders.iter().map(|order| order.act.clone()).collect();
        // Nothing of the core is used after a panic but the incident's number.
        let ran = catch_unwind(AssertUnwindSafe(|| self.core.run(orders)))
            .unwrap_or_else(|_| Err(Fatal::Panic("a command made the software panic".to_owned())));
        let Batch { answers, fresh, keep, .. } = match ran {
            Ok(batch) => batch,
            Err(fatal) => {
                // CRASH: a failed commit may still be there. Nobody is told yes or no; a retry finds its act.
                let incident = self.core.next_incident();
                tracing::error!(incident, %fatal, "a batch failed");
                for reply in replies {
                    reply(Err(ActError::Failed { incident: incident.clone() }));
                }
                return Err(fatal);
            }
        };
        let note = if fresh.is_empty() { latest(told).clone() } else { self.signed(&fresh, told) };
        if keep {
            // ORDER: kept before anybody is answered, so that a signature never stands without its checkpoint.
            self.keep(&note, told)?;
        }
        fault::point(Point::BeforeReply);
        for ((act, answer), reply) in acts.into_iter().zip(answers).zip(replies) {
            reply(result(act, answer, &note));
        }
        for committed in fresh {
            // Nobody listens: nobody misses it.
            let _ = told.committed.send(committed);
        }
        Ok(())
    }

    /// Another key signs from here on. See `book_keys` for the order of the steps.
    ///
    /// A key that could not be made durable changes nothing. After the commit there is no way back: what fails then stops
    /// the executor, and the next start finishes it.
    fn rotate(&mut self, rotation: &Rotation, reply: Rotated, told: &Told) -> Result<(), Fatal> {
        let next = match book_keys::prepare(&self.layout, &self.core.book, &self.key, &rotation.seed) {
            Ok(next) => next,
            Err(error) => {
                let incident = self.core.next_incident();
                tracing::error!(incident, %error, "the book's key was not changed");
                reply(Err(ActError::Failed { incident }));
                return Ok(());
            }
        };
        fault::point(Point::AfterNextKey);
        let tick = self.core.pace.tick();
        let mut entries = Vec::new();
        if let Some(step) = tick.step {
            let why = step.cause.clone();
            entries.push((Body::from(step), Some(why)));
        }
        entries.push((Body::from(next.body), rotation.why.clone()));
        let batch = self.core.write_own(tick.at, entries)?;
        fault::point(Point::AfterKeyEntry);
        let placed = key_file::replace(&self.layout.book_key(), &self.layout.next_book_key());
        placed.map_err(|error| Fatal::Panic(error.to_string()))?;
        // ORDER: the first checkpoint that has the entry in it is signed by the key that it enrols.
        self.key = next.key;
        let note = self.signed(&batch.fresh, told);
        self.keep(&note, told)?;
        let key = self.verifier_key();
        told.key.lock().unwrap_or_else(PoisonError::into_inner).clone_from(&key);
        reply(Ok(key));
        for committed in batch.fresh {
            // Nobody listens: nobody misses it.
            let _ = told.committed.send(committed);
        }
        Ok(())
    }

    /// The head moved: a new checkpoint, in memory.
    fn signed(&mut self, fresh: &[Committed], told: &Told) -> String {
        // ORDER: signed only after the commit: the entries below it are durable.
        let note = self.sign();
        self.logged += fresh.len();
        self.notes.moved(self.core.head.size(), self.core.pace.mono_us());
        latest(told).clone_from(&note);
        note
    }
}

/// The newest checkpoint, signed and not always kept.
fn latest(told: &Told) -> std::sync::MutexGuard<'_, String> {
    told.latest.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What waited in the queue.
#[derive(Default)]
struct Gathered {
    /// The orders of the next batch.
    orders: Vec<(Packed, Reply)>,
    /// Who wants the checkpoint after it.
    keeps: Vec<Kept>,
    /// The change of the book's key after it; nothing more is gathered then.
    rotate: Option<(Box<Rotation>, Rotated)>,
    /// It is the last.
    stop: bool,
}

/// What is done next. No linger: who comes while it is synced is in the next.
fn gather(first: Ask, asked: &Receiver<Ask>) -> Gathered {
    let mut gathered = Gathered::default();
    let mut next = Some(first);
    while let Some(ask) = next {
        match ask {
            Ask::Order(order, reply) => gathered.orders.push((*order, reply)),
            Ask::Keep(reply) => gathered.keeps.push(reply),
            Ask::Rotate(rotation, reply) => {
                gathered.rotate = Some((rotation, reply));
                return gathered;
            }
            Ask::Stop => {
                gathered.stop = true;
                return gathered;
            }
        }
        let more = gathered.orders.len() < BATCH && gathered.keeps.len() < BATCH;
        next = if more { asked.try_recv().ok() } else { None };
    }
    gathered
}

fn receipt(act: Act, done: Done, note: &str) -> Receipt {
    Receipt {
        act,
        first: done.first,
        n: done.n,
        leaf: done.leaf,
        entries: done.entries,
        checkpoint: note.to_owned(),
        repeated: done.repeated,
    }
}

fn result(act: Act, answer: Answer, note: &str) -> Result<Receipt, ActError> {
    match answer {
        Answer::Done(done) => Ok(receipt(act, done, note)),
        Answer::Refused(refusal, done) => {
            Err(ActError::Refused { refusal, receipt: done.map(|done| Box::new(receipt(act, done, note))) })
        }
        Answer::Stale(streams) => Err(ActError::Stale(streams)),
        Answer::OtherRequest => Err(ActError::OtherRequest),
        Answer::Failed(incident) => Err(ActError::Failed { incident }),
    }
}
