//! Makes the sealed record of one thing: what leans on what, proofs, raw bytes, and the entry that says it was taken.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{Seek as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use tallyseal_book::{ActError, Book, Order, Receipt};
use tallyseal_control::{Command, Record, Refusal, State};
use tallyseal_press::{Attached, Head, Job};
use tallyseal_report::paper::Sheet;
use tallyseal_report::{Contents, Seal, Unsealed, prepare, scope};
use tallyseal_schema::checkpoint;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{CountSegmentCaptured, SCHEMAS};
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::sealed::ProofLine;
use tallyseal_schema::witness::WitnessKey;
use tallyseal_schema::{Body, By, Entry, Hash};

use crate::counted::{Counted, may_count_by_hand, told_hand_count};
use crate::desk::system_order;
use crate::error::DeskError;
use crate::witnesses::book_state;
use crate::{SOFTWARE, clock, printing, randomness};

/// So long a copy waits for the cosignatures of witnesses over its checkpoint.
pub(crate) const WITNESSED_WITHIN: Duration = Duration::from_secs(3);

/// How far the making of a copy is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stage {
    /// Entries, proofs and raw bytes are read.
    Gathering,
    /// The pages are set.
    Setting,
    /// It is recorded that the copy is taken, and sealed with that.
    Sealing,
}

impl Stage {
    /// What is done, in words.
    pub(crate) const fn said(self) -> &'static str {
        match self {
            Self::Gathering => "Gathering entries, proofs and raw bytes",
            Self::Setting => "Setting the pages",
            Self::Sealing => "Sealing it, and recording that it is taken",
        }
    }
}

/// Is told each stage as it begins.
pub(crate) type Told<'a> = &'a (dyn Fn(Stage) + Send + Sync);

/// A sealed record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Sealed {
    /// Its pages alone.
    pub(crate) pdf: Vec<u8>,
    /// All of it.
    pub(crate) zip: Vec<u8>,
}

/// How a copy is made.
#[derive(Debug, Clone, Copy)]
pub(crate) struct How {
    /// How long it waits for witnesses; none where the book is at rest and nobody asks them.
    pub(crate) patience: Duration,
    /// The sheets of its pages.
    pub(crate) sheet: Sheet,
}

impl How {
    /// On these sheets, from a server that asks its witnesses.
    pub(crate) const fn of(sheet: Sheet) -> Self {
        Self { patience: WITNESSED_WITHIN, sheet }
    }
}

/// The sealed record of `record`. `by`: who takes it; that is recorded.
///
/// Errors: there is no such thing; the person may not; the book cannot be read; the pages cannot be set.
pub(crate) async fn export(book: Book, by: By, record: Stream, how: How, told: Told<'_>) -> Result<Sealed, DeskError> {
    prepared(book, by, record, how, told).await?.sealed(told).await
}

/// As [`export`], into a file, which is there whole or not at all. That it can be written is proved before the book says
/// that the record was taken.
///
/// Errors: in a sentence; nothing is recorded then, but where the file was lost after its entry, which is said.
/// Crash: a file `.NAME.ACT.tmp` may be left beside it.
pub(crate) async fn export_to(
    book: Book,
    by: By,
    record: Stream,
    how: How,
    out: PathBuf,
    told: Told<'_>,
) -> Result<(), String> {
    let prepared = prepared(book, by, record, how, told).await.map_err(|error| error.to_string())?;
    let length = prepared.unsealed.length();
    let target = blocking(move || Target::reserve(out, length)).await?;
    let sealed = prepared.sealed(told).await.map_err(|error| error.to_string())?;
    blocking(move || target.fill(&sealed.zip)).await
}

async fn blocking<T: Send + 'static>(work: impl FnOnce() -> Result<T, String> + Send + 'static) -> Result<T, String> {
    tokio::task::spawn_blocking(work).await.map_err(|error| error.to_string())?
}

/// Room for the seal behind what is known before it: an entry, its proofs, a checkpoint. Unit: bytes.
const SEAL_ROOM: u64 = 512 * 1024;

/// A file that is being written under another name, beside its place. Dropped before it is whole, it is removed.
struct Target {
    file: File,
    out: PathBuf,
    tmp: PathBuf,
    whole: bool,
}

impl Target {
    /// Takes as much of the disk as will be needed.
    fn reserve(out: PathBuf, length: u64) -> Result<Self, String> {
        let failed = |error: &dyn std::fmt::Display| format!("cannot write {}: {error}", out.display());
        if out.exists() && !out.is_file() {
            return Err(failed(&"something that is no file has this name"));
        }
        let name = out.file_name().ok_or_else(|| failed(&"it names no file"))?.to_string_lossy().into_owned();
        let act = randomness::act().map_err(|error| failed(&error))?;
        let tmp = out.with_file_name(format!(".{name}.{act}.tmp"));
        let file =
            File::options().write(true).create_new(true).mode(0o600).open(&tmp).map_err(|error| failed(&error))?;
        let mut target = Self { file, out: out.clone(), tmp, whole: false };
        let mut reserve = || -> std::io::Result<()> {
            let nothing = vec![0; 64 * 1024];
            for _ in 0..(length + SEAL_ROOM).div_ceil(64 * 1024) {
                target.file.write_all(&nothing)?;
            }
            target.file.sync_all()
        };
        reserve().map_err(|error| failed(&error))?;
        Ok(target)
    }

    /// Writes it and gives it its name.
    fn fill(mut self, zip: &[u8]) -> Result<(), String> {
        let mut fill = || -> std::io::Result<()> {
            self.file.rewind()?;
            self.file.write_all(zip)?;
            self.file.set_len(zip.len() as u64)?;
            self.file.sync_all()?;
            std::fs::rename(&self.tmp, &self.out)?;
            let folder = self.out.parent().filter(|folder| !folder.as_os_str().is_empty());
            File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
        };
        fill().map_err(|error| {
            format!(
                "cannot write {}: {error}. The book says already that this copy was taken; take another one.",
                self.out.display()
            )
        })?;
        self.whole = true;
        Ok(())
    }
}

impl Drop for Target {
    fn drop(&mut self) {
        if !self.whole {
            // It has no name that anybody looks for.
            let _ = std::fs::remove_file(&self.tmp);
        }
    }
}

/// A record that may be taken, whole but for its seal.
struct Prepared {
    book: Book,
    by: By,
    record: Stream,
    /// Of C1.
    size: u64,
    streams: BTreeMap<Stream, u64>,
    unsealed: Unsealed,
}

async fn prepared(book: Book, by: By, record: Stream, how: How, told: Told<'_>) -> Result<Prepared, DeskError> {
    told(Stage::Gathering);
    if book.record(&record)?.is_none() {
        return Err(DeskError::refused(Refusal::not_found(record.thing(), &record)));
    }
    let reading = (book.clone(), record.clone());
    let gathered = tokio::task::spawn_blocking(move || gather(&reading.0, &reading.1, how.patience));
    let mut contents = gathered.await.map_err(|error| DeskError::Internal(error.to_string()))??;
    let (size, streams) = (contents.size, contents.streams.clone());
    if let By::Person(person) = &by {
        let counted = Counted::now(&book)?;
        let account = match book.record(&Stream::account(&person.account))? {
            Some((_, Record { state: State::Account(account), .. })) => Some(account),
            _ => None,
        };
        let (grants, live) = account.map_or_else(Default::default, |account| {
            let live = account.live_roles(clock::now());
            (account.roles, live)
        });
        // By all that the person may do, not by the role that they ask in: whoever may count, or reads no entries, gets
        // them in a copy no sooner than elsewhere.
        if may_count_by_hand(&grants) || !counted.lets_read(&person.account, &live) {
            if let Some(stream) = told_hand_count(&book, contents.entries.values())? {
                return Err(DeskError::refused(Refusal::conflict(
                    "hand-count-open",
                    format!(
                        "The hand count {} waits for a number, and this copy tells one that was given before.",
                        stream.id()
                    ),
                    "Take the copy when a second person has counted and both agree.",
                )));
            }
            for stream in streams.keys() {
                if counted.says(&book, stream)? {
                    let told = format!("A roll is being counted, and {} {} in this copy", stream.thing(), stream.id());
                    return Err(DeskError::refused(Refusal::conflict(
                        "roll-in-count",
                        format!("{told} would show what to expect."),
                        "Take the copy when the count has ended.",
                    )));
                }
            }
        }
    }
    told(Stage::Setting);
    let key = book.verifier_key()?;
    let (job, returned) = blocking(move || {
        let job = job(&contents, key, how.sheet)?;
        Ok((job, contents))
    })
    .await
    .map_err(DeskError::Internal)?;
    contents = returned;
    contents.pdf = Some(printing::set(job).await.map_err(DeskError::Internal)?);
    // Hashing a large record takes a while, and the web's two threads have others to answer.
    let unsealed = tokio::task::spawn_blocking(move || prepare(contents));
    let unsealed = unsealed.await.map_err(|error| DeskError::Internal(error.to_string()))?;
    let unsealed = unsealed.map_err(|error| DeskError::Internal(error.to_string()))?;
    Ok(Prepared { book, by, record, size, streams, unsealed })
}

/// What is to be set of a record.
fn job(contents: &Contents, key: String, sheet: Sheet) -> Result<Job, String> {
    let head = Head { key, record: contents.record.clone(), sheet, software: SOFTWARE.to_owned() };
    let lines = contents.lines().map_err(|error| error.to_string())?;
    let checkpoint = contents.checkpoint.clone().into_bytes();
    let attached = Attached { checkpoint, entries: lines.entries, proofs: lines.proofs };
    Ok(Job { attached, head })
}

impl Prepared {
    /// Records that it is taken, and seals it with that.
    async fn sealed(self, told: Told<'_>) -> Result<Sealed, DeskError> {
        told(Stage::Sealing);
        let Self { book, by, record, size, streams, unsealed } = self;
        let (manifest, pdf) = (unsealed.manifest_hash(), unsealed.pdf_hash());
        let command = Command::NoteExport { record, manifest, pdf, streams };
        let receipt = noted(&book, by, command, size).await?;
        // C2 is the checkpoint of that very batch: it has the entry in it and stands outside the database already.
        let note = receipt.checkpoint;
        let sealed_size = parsed(&note)?.size;
        let entry =
            book.entry(receipt.n)?.ok_or_else(|| DeskError::Internal("the export's entry is gone".to_owned()))?;
        let seal = Seal {
            consistency: book.consistency(size, sealed_size)?,
            proof: ProofLine { leaf: Hash::leaf(&entry), n: receipt.n, path: book.inclusion(receipt.n, sealed_size)? },
            checkpoint: note,
            entry,
        };
        let sealed = blocking(move || {
            let pdf = unsealed.pdf().unwrap_or_default().to_vec();
            let zip = unsealed.seal(&seal).map_err(|error| error.to_string())?;
            Ok(Sealed { pdf, zip })
        });
        sealed.await.map_err(DeskError::Internal)
    }
}

/// How often the book's own stream may move while a copy is taken: it is written once a minute at most.
const TRIES: u32 = 20;

/// Records that a copy is taken, under the key that its first checkpoint was signed by: the copy has no entry of a key that
/// came after that, so that nobody could hold its second checkpoint against one.
async fn noted(book: &Book, by: By, command: Command, size: u64) -> Result<Receipt, DeskError> {
    for _ in 0..TRIES {
        let Some((rev, Record { state: State::Book(state), .. })) = book.record(&Stream::book())? else { break };
        if state.keys.last().is_some_and(|key| key.n >= size) {
            return Err(DeskError::refused(Refusal::conflict(
                "book-key-changed",
                "The book changed its key while this copy was made.",
                "Take the copy again.",
            )));
        }
        let expected = BTreeMap::from([(Stream::book(), rev)]);
        match book.act(Order { by: by.clone(), expected, ..system_order("export", command.clone())? }).await {
            Err(ActError::Stale(_)) => {}
            done => return Ok(done?),
        }
    }
    Err(DeskError::Internal("the book's own stream did not stand still".to_owned()))
}

fn parsed(note: &str) -> Result<checkpoint::Checkpoint, DeskError> {
    checkpoint::parse_body(note).map_err(|error| DeskError::Internal(error.to_string()))
}

fn read(bytes: &[u8]) -> Result<Entry, DeskError> {
    Entry::read(bytes).map_err(|error| DeskError::Internal(error.to_string()))
}

/// Everything that goes into the record, as it stands at one checkpoint.
fn gather(book: &Book, record: &Stream, patience: Duration) -> Result<Contents, DeskError> {
    // C1 is given away with the record: it is kept like every checkpoint that others hold.
    let note = book.keep_checkpoint_blocking()?;
    let at = parsed(&note)?;
    let note = witnessed(book, &note, at.size, patience)?;
    // Entries after the checkpoint are left for the next copy, in every stream alike.
    let upto = |stream: &Stream| -> Result<Vec<(Vec<u8>, Entry)>, DeskError> {
        let mut all = Vec::new();
        for bytes in book.stream_entries(stream)? {
            let entry = read(&bytes)?;
            if entry.header.n < at.size {
                all.push((bytes, entry));
            }
        }
        Ok(all)
    };
    let scope = scope(record, &mut |stream| -> Result<Vec<Entry>, DeskError> {
        Ok(upto(stream)?.into_iter().map(|(_, entry)| entry).collect())
    })?;
    let mut contents = Contents {
        book: at.origin.clone(),
        captures: BTreeMap::new(),
        checkpoint: note,
        entries: BTreeMap::new(),
        pdf: None,
        plugins: BTreeMap::new(),
        proofs: BTreeMap::new(),
        record: record.clone(),
        schemas: SCHEMAS.iter().map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec())).collect(),
        size: at.size,
        streams: BTreeMap::new(),
    };
    let mut kinds = BTreeSet::new();
    let first = book.entry(0)?.ok_or_else(|| DeskError::Internal("entry 0 is gone".to_owned()))?;
    kinds.insert(schema_name(&read(&first)?));
    contents.entries.insert(0, first);
    for stream in scope {
        for (bytes, entry) in upto(&stream)? {
            take_along(book, &mut contents, &entry)?;
            kinds.insert(schema_name(&entry));
            contents.streams.insert(stream.clone(), entry.header.rev);
            contents.entries.insert(entry.header.n, bytes);
        }
    }
    // The seal's own entry stands outside the manifest; its schema is taken along with the others.
    kinds.insert("record.exported.v1.json".to_owned());
    contents.schemas.retain(|name, _| kinds.contains(name));
    for (n, bytes) in &contents.entries {
        let path = book.inclusion(*n, at.size)?;
        contents.proofs.insert(*n, ProofLine { leaf: Hash::leaf(bytes), n: *n, path });
    }
    Ok(contents)
}

/// The checkpoint with the cosignatures of the witnesses that answer within `patience`: as it is kept, it is on its way to
/// each of them. A record is held up no longer by one that is away.
fn witnessed(book: &Book, note: &str, size: u64, patience: Duration) -> Result<String, DeskError> {
    let state = book_state(book)?;
    let asked = state.witnesses.iter().filter(|key| !state.lost.contains_key(*key) && !state.forked.contains(*key));
    let ids = asked.filter_map(|key| key.parse::<WitnessKey>().ok()).map(|key| key.id_text());
    let began = Instant::now();
    let mut signed = note.to_owned();
    for id in ids {
        loop {
            if let Some(cosigned) = book.cosigned(size, &id)? {
                // It is the same note, with the witness's lines after it.
                signed.push_str(cosigned.strip_prefix(note).unwrap_or_default());
                break;
            }
            if began.elapsed() >= patience {
                break;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    Ok(signed)
}

fn schema_name(entry: &Entry) -> String {
    format!("{}.v{}.json", entry.header.kind, entry.header.v)
}

/// The raw bytes and plugin files that an entry names.
fn take_along(book: &Book, contents: &mut Contents, entry: &Entry) -> Result<(), DeskError> {
    let gone = |what: String| DeskError::Internal(format!("{what} is not in the book's folder any more"));
    match &entry.body {
        Body::CountSegmentCaptured(CountSegmentCaptured { sha256, .. }) => {
            let bytes = book.capture(sha256)?.ok_or_else(|| gone(format!("the capture {sha256}")))?;
            contents.captures.insert(*sha256, bytes);
        }
        Body::StationStrayCaptured(body) => {
            let bytes = book.capture(&body.sha256)?.ok_or_else(|| gone(format!("the capture {}", body.sha256)))?;
            contents.captures.insert(body.sha256, bytes);
        }
        Body::PluginDrafted(body) => {
            let mut files = Files::new();
            for file in &body.files {
                let bytes = book.file(&file.sha256)?.ok_or_else(|| gone(format!("the plugin file {}", file.path)))?;
                files.insert(file.path.clone(), bytes);
            }
            contents.plugins.insert(body.digest, files);
        }
        _ => {}
    }
    Ok(())
}
