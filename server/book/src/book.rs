//! The handle of a served book: orders go to its executor, reading goes to connections of its own.

use std::path::Path;
use std::sync::mpsc::TrySendError;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use tallyseal_control::{Key, Record};
use tallyseal_schema::Hash;
use tallyseal_schema::ids::{AccountId, BookName, Stream};
use tokio::sync::{broadcast, oneshot, watch};

use crate::core::Packed;
use crate::error::ReadError;
use crate::executor::{Ask, Asks, End, Kept, Reply, Rotated, Rotation};
use crate::layout::Layout;
use crate::notes;
use crate::order::{ActError, Committed, Order, Receipt, Secret};
use crate::reader::{HeadInfo, Reader};

/// Reading connections that are kept open.
const READERS_MAX: usize = 16;

/// A served book. Cheap to clone; the executor ends in order when the last clone goes.
#[derive(Clone)]
pub struct Book(Arc<Inner>);

struct Inner {
    asks: Asks,
    committed: broadcast::Sender<Committed>,
    key: Arc<Mutex<String>>,
    kept: watch::Receiver<String>,
    latest: Arc<Mutex<String>>,
    layout: Layout,
    name: BookName,
    readers: Mutex<Vec<Reader>>,
    ended: watch::Receiver<Option<End>>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

/// What a handle is made of.
pub(crate) struct Parts {
    pub(crate) asks: Asks,
    pub(crate) committed: broadcast::Sender<Committed>,
    pub(crate) key: Arc<Mutex<String>>,
    pub(crate) kept: watch::Receiver<String>,
    pub(crate) latest: Arc<Mutex<String>>,
    pub(crate) layout: Layout,
    pub(crate) name: BookName,
    pub(crate) ended: watch::Receiver<Option<End>>,
    pub(crate) thread: JoinHandle<()>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Inner {
    /// Ends the executor and waits for it.
    fn end(&self) {
        // Before the executor closes: the last connection to go empties the log, and one that only reads cannot.
        locked(&self.readers).clear();
        // A full queue empties; a closed one has no executor any more.
        let _ = self.asks.send(Ask::Stop);
        if let Some(thread) = locked(&self.thread).take() {
            // It hands its end over by itself, a panic included.
            let _ = thread.join();
        }
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.end();
    }
}

impl Book {
    pub(crate) fn new(parts: Parts) -> Self {
        Self(Arc::new(Inner {
            asks: parts.asks,
            committed: parts.committed,
            key: parts.key,
            kept: parts.kept,
            latest: parts.latest,
            layout: parts.layout,
            name: parts.name,
            readers: Mutex::new(Vec::new()),
            ended: parts.ended,
            thread: Mutex::new(Some(parts.thread)),
        }))
    }

    /// Does what an order says, once; answers when it is durable.
    ///
    /// Captured bytes are hashed and deflated here, by the caller, not by the executor. Once the order is in the queue
    /// it is done, also where the caller stops waiting.
    /// Errors: [`ActError`]. Crash: whoever got no answer asks again with the same act.
    pub async fn act(&self, order: Order) -> Result<Receipt, ActError> {
        let (reply, waiting) = oneshot::channel();
        self.ask(order, Box::new(move |answer| drop(reply.send(answer))))?;
        waiting.await.unwrap_or_else(|_| Err(self.why_stopped()))
    }

    /// As [`Book::act`], for a thread that may block.
    pub fn act_blocking(&self, order: Order) -> Result<Receipt, ActError> {
        let (reply, waiting) = std::sync::mpsc::sync_channel(1);
        self.ask(order, Box::new(move |answer| drop(reply.send(answer))))?;
        waiting.recv().unwrap_or_else(|_| Err(self.why_stopped()))
    }

    fn ask(&self, order: Order, reply: Reply) -> Result<(), ActError> {
        let packed = Packed::of(order).map_err(|refusal| ActError::Refused { refusal, receipt: None })?;
        match self.0.asks.try_send(Ask::Order(Box::new(packed), reply)) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(_)) => Err(ActError::Busy),
            Err(TrySendError::Disconnected(_)) => Err(self.why_stopped()),
        }
    }

    fn why_stopped(&self) -> ActError {
        let why = match &*self.0.ended.borrow() {
            Some(End::Failed(why)) => why.clone(),
            Some(End::InOrder) => "it was ended in order".to_owned(),
            None => "it is ending".to_owned(),
        };
        ActError::Stopped(why)
    }

    /// Waits until the executor has ended; why. The database is closed then, and the lock free.
    pub async fn stopped(&self) -> String {
        let mut ended = self.0.ended.clone();
        // An error: the thread is gone without a word, which only a panic outside a batch could do.
        let _ = ended.wait_for(Option::is_some).await;
        self.failure().unwrap_or_else(|| "it was ended in order".to_owned())
    }

    /// Why the executor could not go on; `None` while it does, and where it was ended in order.
    ///
    /// The process must then end too (exit code 70) and start anew: only a start reads the head again.
    pub fn failure(&self) -> Option<String> {
        if self.0.ended.has_changed().is_err() && self.0.ended.borrow().is_none() {
            return Some("the executor is gone".to_owned());
        }
        match &*self.0.ended.borrow() {
            Some(End::Failed(why)) => Some(why.clone()),
            Some(End::InOrder) | None => None,
        }
    }

    /// Ends the executor in order: what waits is done, a checkpoint is kept, the log is carried over.
    pub async fn shutdown(&self) {
        let book = self.clone();
        let ended = tokio::task::spawn_blocking(move || book.shutdown_blocking());
        let _ = ended.await;
    }

    /// As [`Book::shutdown`], for a thread that may block.
    pub fn shutdown_blocking(&self) {
        self.0.end();
    }

    /// Copies the database of the served book to a new file, as it was at one moment, while orders go on.
    ///
    /// Only the database: whoever copies a whole book copies `checkpoints/` before it and `captures/` after it, so
    /// that the copy is never behind a checkpoint that it holds, and holds all bytes that it names.
    /// Errors: the file is there already; it cannot be written.
    /// Crash: the file is not whole, and says so when it is opened.
    pub fn snapshot(&self, to: &Path) -> Result<(), ReadError> {
        self.read(|reader| reader.snapshot(to))
    }

    /// The newest checkpoint that is kept, and each further one as soon as it is.
    pub fn kept(&self) -> watch::Receiver<String> {
        self.0.kept.clone()
    }

    /// Keeps a checkpoint of that size as a witness cosigned it, beside the one that it is of. `id`: the ID of the
    /// witness's key, 8 hex digits. Blocks until it is on disk.
    ///
    /// Errors: it cannot be written. Crash: it is there whole or not at all.
    pub fn keep_cosigned(&self, size: u64, id: &str, note: &str) -> Result<(), ReadError> {
        let kept = notes::keep_beside(&self.0.layout.checkpoints(), size, id, note.as_bytes());
        kept.map_err(|error| ReadError::Store(format!("keeping a cosigned checkpoint: {error}")))
    }

    /// The checkpoint of that size as the witness with that key ID cosigned it; `None` where it did not.
    ///
    /// Errors: it cannot be read.
    pub fn cosigned(&self, size: u64, id: &str) -> Result<Option<String>, ReadError> {
        match std::fs::read_to_string(notes::beside(&self.0.layout.checkpoints(), size, id)) {
            Ok(note) => Ok(Some(note)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(ReadError::Store(format!("reading a cosigned checkpoint: {error}"))),
        }
    }

    /// The largest size that the witness with that key ID cosigned; `None` where it cosigned none.
    ///
    /// Errors: `checkpoints/` cannot be read.
    pub fn newest_cosigned(&self, id: &str) -> Result<Option<u64>, ReadError> {
        let newest = notes::newest_beside(&self.0.layout.checkpoints(), id);
        newest.map_err(|error| ReadError::Store(format!("reading checkpoints/: {error}")))
    }

    /// Keeps a time-stamp token over the checkpoint of that size, beside it. Blocks until it is on disk.
    ///
    /// Errors: it cannot be written. Crash: it is there whole or not at all.
    pub fn keep_time_stamp(&self, size: u64, token: &[u8]) -> Result<(), ReadError> {
        let kept = notes::keep_beside(&self.0.layout.checkpoints(), size, notes::TIME_STAMP, token);
        kept.map_err(|error| ReadError::Store(format!("keeping a time-stamp: {error}")))
    }

    /// The time-stamp token over the largest checkpoint that has one: its size, the checkpoint, the token.
    ///
    /// Errors: `checkpoints/` cannot be read.
    pub fn newest_time_stamp(&self) -> Result<Option<(u64, String, Vec<u8>)>, ReadError> {
        let dir = self.0.layout.checkpoints();
        let read = || -> std::io::Result<_> {
            let Some(size) = notes::newest_beside(&dir, notes::TIME_STAMP)? else { return Ok(None) };
            let note = std::fs::read_to_string(notes::file(&dir, size))?;
            Ok(Some((size, note, std::fs::read(notes::beside(&dir, size, notes::TIME_STAMP))?)))
        };
        read().map_err(|error| ReadError::Store(format!("reading checkpoints/: {error}")))
    }

    /// Hears of every entry from now on.
    pub fn subscribe(&self) -> broadcast::Receiver<Committed> {
        self.0.committed.subscribe()
    }

    /// The directory that holds it.
    pub fn dir(&self) -> &Path {
        self.0.layout.dir()
    }

    /// The book's name.
    pub fn name(&self) -> &BookName {
        &self.0.name
    }

    /// A signed checkpoint of everything that is durable now, kept in `checkpoints/`: for whoever gives it to others.
    ///
    /// Errors: the executor has ended.
    pub async fn keep_checkpoint(&self) -> Result<String, ActError> {
        let (reply, waiting) = oneshot::channel();
        self.keep(Box::new(move |note| drop(reply.send(note))))?;
        waiting.await.map_err(|_| self.why_stopped())
    }

    /// As [`Book::keep_checkpoint`], for a thread that may block.
    pub fn keep_checkpoint_blocking(&self) -> Result<String, ActError> {
        let (reply, waiting) = std::sync::mpsc::sync_channel(1);
        self.keep(Box::new(move |note| drop(reply.send(note))))?;
        waiting.recv().map_err(|_| self.why_stopped())
    }

    fn keep(&self, reply: Kept) -> Result<(), ActError> {
        match self.0.asks.try_send(Ask::Keep(reply)) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(_)) => Err(ActError::Busy),
            Err(TrySendError::Disconnected(_)) => Err(self.why_stopped()),
        }
    }

    /// A signed checkpoint of everything that is durable now, whether or not it is kept.
    pub fn checkpoint(&self) -> Result<String, ReadError> {
        Ok(locked(&self.0.latest).clone())
    }

    /// The book's public key as a C2SP verifier key: the one that signs now.
    pub fn verifier_key(&self) -> Result<String, ReadError> {
        Ok(locked(&self.0.key).clone())
    }

    /// Changes the book's key: `seed` is that of the new one, 32 random bytes. Gives the new verifier key.
    ///
    /// The new key is on disk before its entry, and the old private key is destroyed after it. Checkpoints that are kept
    /// stay as they are, signed by the key of their time.
    ///
    /// Errors: [`ActError`]; after [`ActError::Failed`] nothing has changed.
    /// Crash: the next start finishes the change where its entry is there, and takes it back where it is not.
    pub async fn rotate_key(&self, seed: [u8; 32], why: Option<String>) -> Result<String, ActError> {
        let (reply, waiting) = oneshot::channel();
        self.rotate(Rotation { seed, why }, Box::new(move |done| drop(reply.send(done))))?;
        waiting.await.unwrap_or_else(|_| Err(self.why_stopped()))
    }

    /// As [`Book::rotate_key`], for a thread that may block.
    pub fn rotate_key_blocking(&self, seed: [u8; 32], why: Option<String>) -> Result<String, ActError> {
        let (reply, waiting) = std::sync::mpsc::sync_channel(1);
        self.rotate(Rotation { seed, why }, Box::new(move |done| drop(reply.send(done))))?;
        waiting.recv().unwrap_or_else(|_| Err(self.why_stopped()))
    }

    fn rotate(&self, rotation: Rotation, reply: Rotated) -> Result<(), ActError> {
        match self.0.asks.try_send(Ask::Rotate(Box::new(rotation), reply)) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(_)) => Err(ActError::Busy),
            Err(TrySendError::Disconnected(_)) => Err(self.why_stopped()),
        }
    }

    /// Reads over a connection of the pool. Blocks, as all reading does; a batch that commits never makes it wait.
    fn read<T>(&self, look: impl FnOnce(&Reader) -> Result<T, ReadError>) -> Result<T, ReadError> {
        let pooled = locked(&self.0.readers).pop();
        let reader = match pooled {
            Some(reader) => reader,
            None => Reader::open(self.0.layout.dir()).map_err(|error| ReadError::Store(error.to_string()))?,
        };
        let found = look(&reader);
        // One that failed is not used again.
        if found.is_ok() {
            let mut readers = locked(&self.0.readers);
            if readers.len() < READERS_MAX && self.0.ended.borrow().is_none() {
                readers.push(reader);
            }
        }
        found
    }

    /// Where the book ends. Errors: [`ReadError`].
    pub fn head(&self) -> Result<HeadInfo, ReadError> {
        self.read(Reader::head)
    }

    /// The exact bytes of an entry; `None` beyond the end.
    pub fn entry(&self, n: u64) -> Result<Option<Vec<u8>>, ReadError> {
        self.read(|reader| reader.entry(n))
    }

    /// The exact bytes of the entries from `from` to `to`, both included, as far as they are there.
    pub fn entries(&self, from: u64, to: u64) -> Result<Vec<Vec<u8>>, ReadError> {
        self.read(|reader| reader.entries(from, to))
    }

    /// The exact bytes of all entries of a stream, in order.
    pub fn stream_entries(&self, stream: &Stream) -> Result<Vec<Vec<u8>>, ReadError> {
        self.read(|reader| reader.stream_entries(stream))
    }

    /// As [`Book::stream_entries`], the last first: `limit` at most, those before a rev where one is given.
    pub fn stream_page(&self, stream: &Stream, before: Option<u64>, limit: usize) -> Result<Vec<Vec<u8>>, ReadError> {
        self.read(|reader| reader.stream_page(stream, before, limit))
    }

    /// A stream as remembered, with its last rev; `None` where there is no such thing.
    pub fn record(&self, stream: &Stream) -> Result<Option<(u64, Record)>, ReadError> {
        self.read(|reader| reader.record(stream))
    }

    /// The streams that carry a key, in ascending order.
    pub fn set(&self, key: &Key) -> Result<Vec<Stream>, ReadError> {
        self.read(|reader| reader.set(key))
    }

    /// As [`Book::set`], `limit` at most, those after a stream where one is given.
    pub fn set_page(&self, key: &Key, after: Option<&str>, limit: usize) -> Result<Vec<Stream>, ReadError> {
        self.read(|reader| reader.set_page(key, after, limit))
    }

    /// The values that a key's property has now, in ascending order, `limit` at most. See [`Reader::values`].
    pub fn values(&self, property: &str, limit: usize) -> Result<Vec<String>, ReadError> {
        self.read(|reader| reader.values(property, limit))
    }

    /// How many streams carry a key.
    pub fn set_size(&self, key: &Key) -> Result<u64, ReadError> {
        self.read(|reader| reader.set_size(key))
    }

    /// How many entries a stream has, and the root over them: what a signature on it covers. `None`: no such thing.
    pub fn stands_at(&self, stream: &Stream) -> Result<Option<(u64, Hash)>, ReadError> {
        self.read(|reader| reader.stands_at(stream))
    }

    /// What an account's password opens; `None` where it has none.
    pub fn secret(&self, account: &AccountId) -> Result<Option<Secret>, ReadError> {
        self.read(|reader| reader.secret(account))
    }

    /// The bytes of a file that an entry names by its SHA-256.
    pub fn file(&self, sha256: &Hash) -> Result<Option<Vec<u8>>, ReadError> {
        self.read(|reader| reader.file(sha256))
    }

    /// The raw machine bytes with this SHA-256.
    pub fn capture(&self, sha256: &Hash) -> Result<Option<Vec<u8>>, ReadError> {
        self.read(|reader| reader.capture(sha256))
    }

    /// Inclusion of entry `n` in the tree of `size` entries. Errors: there is no such entry or tree.
    pub fn inclusion(&self, n: u64, size: u64) -> Result<Vec<Hash>, ReadError> {
        self.read(|reader| reader.inclusion(n, size))
    }

    /// Consistency of the tree of `old` entries with that of `new`. Errors: there are no such trees.
    pub fn consistency(&self, old: u64, new: u64) -> Result<Vec<Hash>, ReadError> {
        self.read(|reader| reader.consistency(old, new))
    }
}
