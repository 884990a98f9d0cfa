//! Verifications that run beside the server's work: of the book itself, one at a time, and of sealed records that are
//! handed in. What was found is kept in memory: the next start begins without a word about an earlier one.

use std::collections::BTreeMap;
use std::fs::{self, DirBuilder};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::DirBuilderExt as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tallyseal_book::{Book, Layout};
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::witness::WitnessKey;
use tallyseal_schema::{Hash, Time};
use tallyseal_verify::time_stamp::Authorities;
use tallyseal_verify::{CheckLine, CheckpointSeen, Fault, Head, Options, Outside, Report, SourceKind, Trust};

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::{clock, printing, set_again, whole};

/// Sealed records that are under way at a time: one is verified, the others wait or come in.
const HANDED_IN_MAX: usize = 3;
/// Faults that are kept for showing; all of them are counted.
const FAULTS_MAX: usize = 50;
/// The folder in the book's directory that holds the copy whose views are compared.
const COPY: &str = "verification.tmp";

/// Who began a verification, when, and of what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Began {
    /// When.
    pub(crate) at: Time,
    /// Who, as people read it.
    pub(crate) by: String,
    /// A checkpoint from outside to hold the book against.
    pub(crate) outside: Option<String>,
    /// Also whether what pages show is what the entries give.
    pub(crate) views: bool,
    /// Whose cosignatures count.
    pub(crate) witnesses: Vec<WitnessKey>,
    /// The certificates that were given for the time-stamping authority.
    pub(crate) authorities: Option<Authorities>,
}

/// How far a verification is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Stage {
    /// Entries looked at, of how many; 0 of 0 before it is known.
    Entries(u64, u64),
    /// What machines sent is run again.
    Replay,
    /// What pages show is compared.
    Views,
}

/// What a verification found.
#[derive(Debug, Clone)]
pub(crate) struct Found {
    /// Name of the book.
    pub(crate) book: Option<String>,
    /// The newest checkpoint that holds.
    pub(crate) checkpoint: Option<CheckpointSeen>,
    /// Every check that was made.
    pub(crate) checks: Vec<CheckLine>,
    /// Signatures that do not stand, because of a key that is marked as compromised.
    pub(crate) compromised: u64,
    /// How many entries were there.
    pub(crate) entries: u64,
    /// How many faults there are.
    pub(crate) fault_count: u64,
    /// The first of them, by entry.
    pub(crate) faults: Vec<Fault>,
    /// The first entry at which a fault lies.
    pub(crate) first_bad: Option<u64>,
    /// The last entry.
    pub(crate) head: Option<Head>,
    /// What was not judged and why.
    pub(crate) notes: Vec<String>,
    /// The newest proof from outside.
    pub(crate) outside: Option<Outside>,
    /// They are pages alone, and were not set again: nothing shows that they say what the entries say.
    pub(crate) pages_unproven: bool,
    /// Signatures that stand.
    pub(crate) standing: u64,
    /// What the verdict rests on.
    pub(crate) trust: Trust,
    /// Signatures whose record changed after them.
    pub(crate) void: u64,
}

impl From<Report> for Found {
    fn from(report: Report) -> Self {
        // As the checks count them: of very many not all are listed.
        let fault_count = report.checks.iter().map(|check| check.faults).sum();
        let set_again = report.checks.iter().any(|line| line.check == set_again::CHECK);
        let pages_unproven = report.source == SourceKind::Printed && !set_again;
        let first_bad = report.faults.iter().filter_map(|fault| fault.n).min();
        let mut faults = report.faults;
        faults.truncate(FAULTS_MAX);
        Self {
            book: report.book.map(|book| book.to_string()),
            checkpoint: report.checkpoint,
            checks: report.checks,
            compromised: report.signatures.compromised,
            entries: report.entries,
            fault_count,
            faults,
            first_bad,
            head: report.head,
            notes: report.notes,
            outside: report.outside,
            pages_unproven,
            standing: report.signatures.standing,
            trust: report.trust,
            void: report.signatures.void,
        }
    }
}

/// A verification that came to its end, or could not run; why.
#[derive(Debug, Clone)]
pub(crate) struct Ended {
    pub(crate) at: Time,
    pub(crate) began: Began,
    pub(crate) found: Result<Found, String>,
}

#[derive(Default)]
struct State {
    ended: Option<Ended>,
    running: Option<(Began, Stage)>,
}

struct HandedIn {
    running: Arc<Semaphore>,
    taken: Arc<Semaphore>,
}

impl Default for HandedIn {
    fn default() -> Self {
        Self { running: Arc::new(Semaphore::new(1)), taken: Arc::new(Semaphore::new(HANDED_IN_MAX)) }
    }
}

/// The turn of one sealed record, given back when it is let go.
pub(crate) struct Turn(#[allow(dead_code, reason = "held, not looked at")] OwnedSemaphorePermit);

/// The verifications of one server.
#[derive(Default)]
pub(crate) struct Verifying {
    /// How many checkpoints are in a folder that no new one comes into, and the largest size there.
    full: Mutex<BTreeMap<PathBuf, (u64, Option<u64>)>>,
    /// Sealed records that are handed in: one is verified at a time, which is enough for the memory of a small server, and
    /// few wait, whose bytes lie on the disk meanwhile.
    handed_in: HandedIn,
    state: Mutex<State>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Verifying {
    /// What runs, and what was found last.
    pub(crate) fn stands(&self) -> (Option<(Began, Stage)>, Option<Ended>) {
        let state = locked(&self.state);
        (state.running.clone(), state.ended.clone())
    }

    /// Begins a verification of the whole book; false where one runs already.
    pub(crate) fn begin(self: &Arc<Self>, book: Book, began: Began) -> bool {
        {
            let mut state = locked(&self.state);
            if state.running.is_some() {
                return false;
            }
            state.running = Some((began.clone(), Stage::Entries(0, 0)));
        }
        let this = Arc::clone(self);
        // A thread of its own, not one of the runtime's: a server that ends does not wait for it.
        let work = move || {
            let found = catch_unwind(AssertUnwindSafe(|| this.whole(&book, &began)));
            let found =
                found.unwrap_or_else(|_| Err("The verification broke off; the server's log says where.".into()));
            let mut state = locked(&this.state);
            state.ended = Some(Ended { at: clock::now(), began, found });
            state.running = None;
        };
        if std::thread::Builder::new().name("verify".to_owned()).spawn(work).is_err() {
            locked(&self.state).running = None;
            return false;
        }
        true
    }

    fn reached(&self, stage: Stage) {
        if let Some((_, reached)) = &mut locked(&self.state).running {
            *reached = stage;
        }
    }

    /// Reads the book's own files, as they lie on the disk, up to the last entry at the start; the server writes on.
    fn whole(&self, book: &Book, began: &Began) -> Result<Found, String> {
        let progress = |done: u64, total: u64| self.reached(Stage::Entries(done, total));
        let options = Options {
            checkpoints: began.outside.iter().cloned().collect(),
            progress: Some(&progress),
            threads: threads(),
            witnesses: began.witnesses.clone(),
            authorities: began.authorities.clone(),
            live: true,
            ..Options::default()
        };
        let mut report = tallyseal_verify::verify(book.dir(), &options).map_err(|error| error.to_string())?;
        self.reached(Stage::Replay);
        whole::replay_of_book(book.dir(), true, &mut report).map_err(|error| error.to_string())?;
        if began.views {
            self.reached(Stage::Views);
            let copy = Copy::of(book).map_err(|error| format!("The copy to compare could not be made: {error}"))?;
            whole::views(&copy.0, &mut report).map_err(|error| error.to_string())?;
        }
        Ok(report.into())
    }

    /// A turn for one more sealed record, before any byte of it is taken in; `None`: so many are under way already.
    pub(crate) fn turn(&self) -> Option<Turn> {
        Arc::clone(&self.handed_in.taken).try_acquire_owned().ok().map(Turn)
    }

    /// Verifies a sealed record, or the pages of one alone, that was handed in, against the book's key. One at a time; the next
    /// waits. `held`: what must not go before the work is done, whether or not anybody waits for its answer.
    pub(crate) async fn handed_in(
        &self,
        turn: Turn,
        file: PathBuf,
        held: impl Send + 'static,
        key: VerifierKey,
    ) -> Result<Found, String> {
        let running = Arc::clone(&self.handed_in.running).acquire_owned().await;
        let running = running.map_err(|_| "The server is stopping.".to_owned())?;
        // Whatever a stranger's record does to the setter of pages, it does in a child process with its limits.
        let runtime = tokio::runtime::Handle::current();
        let set = move |job| runtime.block_on(printing::set(job));
        let work = move || {
            // A client that hangs up ends what waits here, not this work: the turns and the file are its own.
            let _own = (held, running, turn);
            let options = Options { keys: vec![key], threads: threads(), ..Options::default() };
            let report = tallyseal_verify::verify(&file, &options).map_err(|error| error.to_string());
            let report = report.and_then(|mut report| {
                whole::of_record(&file, &mut report).map_err(|error| error.to_string())?;
                set_again::check(&file, &mut report, &set);
                Ok(report)
            });
            // Where it lies here is nothing to whoever handed it in.
            report.map(Found::from).map_err(|error| error.replace(&file.display().to_string(), "The file"))
        };
        let found = tokio::task::spawn_blocking(work).await;
        found.unwrap_or_else(|_| Err("The verification broke off; the server's log says where.".to_owned()))
    }

    /// How many checkpoints are kept, and the size of the newest. Reads names only; folders that are full are read once.
    ///
    /// Errors: the folder cannot be read.
    pub(crate) fn kept(&self, dir: &Path) -> io::Result<(u64, Option<u64>)> {
        let (mut count, mut newest) = (0, None);
        let mut folders = Vec::new();
        for entry in fs::read_dir(Layout::new(dir).checkpoints())? {
            let entry = entry?;
            match entry.file_type()?.is_dir() {
                true => folders.push(entry.path()),
                // As an older version kept them.
                false => note(&entry, &mut count, &mut newest),
            }
        }
        folders.sort_unstable();
        let last = folders.pop();
        let mut full = locked(&self.full);
        for folder in folders {
            let (inside, largest) = match full.get(&folder) {
                Some(known) => *known,
                None => {
                    let mut known = (0, None);
                    for entry in fs::read_dir(&folder)? {
                        note(&entry?, &mut known.0, &mut known.1);
                    }
                    full.insert(folder, known);
                    known
                }
            };
            count += inside;
            newest = newest.max(largest);
        }
        for entry in last.iter().flat_map(fs::read_dir).flatten() {
            note(&entry?, &mut count, &mut newest);
        }
        Ok((count, newest))
    }
}

/// How the temporary files of this book's server are called that hold records which are handed in. Other servers on this
/// machine have their own.
pub(crate) fn handed_in_prefix(dir: &Path) -> String {
    let dir = fs::canonicalize(dir).unwrap_or_else(|_| dir.to_owned());
    let name = Hash::of(dir.as_os_str().as_bytes()).hex();
    format!("tallyseal-handed-in-{}-", name.get(..16).unwrap_or_default())
}

/// Removes what a server that was killed left: the copy whose views were compared, records that were handed in. Called by the
/// one server that has the book.
pub(crate) fn clear_left(dir: &Path) {
    let copy = dir.join(COPY);
    if copy.exists()
        && let Err(error) = fs::remove_dir_all(&copy)
    {
        tracing::error!(%error, "a copy that an earlier server left was not removed");
    }
    let prefix = handed_in_prefix(dir);
    for entry in fs::read_dir(std::env::temp_dir()).into_iter().flatten().flatten() {
        let left = entry.file_name().to_str().is_some_and(|name| name.starts_with(&prefix));
        if left && let Err(error) = fs::remove_file(entry.path()) {
            tracing::error!(%error, "a record that was handed in to an earlier server was not removed");
        }
    }
}

/// Counts a file of checkpoints/, whose name is its size in 16 digits.
fn note(entry: &fs::DirEntry, count: &mut u64, newest: &mut Option<u64>) {
    let name = entry.file_name();
    let size = name.to_str().filter(|name| name.len() == 16).and_then(|name| name.parse::<u64>().ok());
    if size.is_some() {
        *count += 1;
        *newest = (*newest).max(size);
    }
}

/// Half of the cores: the book's own work goes on beside it.
fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, |cores| cores.get().div_ceil(2))
}

/// A copy of the book's database as of one moment, removed when it is let go. It stands in the book's own directory: it
/// holds all that the book holds, and nobody else enters there.
struct Copy(PathBuf);

impl Copy {
    fn of(book: &Book) -> Result<Self, String> {
        let dir = book.dir().join(COPY);
        // A server that was killed may have left one.
        if dir.exists() {
            fs::remove_dir_all(&dir).map_err(|error| error.to_string())?;
        }
        DirBuilder::new().mode(0o700).create(&dir).map_err(|error| error.to_string())?;
        let copy = Self(dir);
        book.snapshot(&Layout::new(&copy.0).db()).map_err(|error| error.to_string())?;
        Ok(copy)
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(&self.0) {
            tracing::error!(%error, "the copy that was compared was not removed");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_killed_server_left_is_cleared_and_no_other_books() {
        let dirs = ["one", "two"].map(|name| {
            let dir = std::env::temp_dir().join(format!("tallyseal-left-{}-{name}", std::process::id()));
            fs::create_dir_all(dir.join(COPY)).unwrap();
            fs::write(dir.join(COPY).join("book.db"), "a copy").unwrap();
            dir
        });
        let files = dirs.each_ref().map(|dir| std::env::temp_dir().join(format!("{}A-1.zip", handed_in_prefix(dir))));
        for file in &files {
            fs::write(file, "a record").unwrap();
        }
        clear_left(&dirs[0]);
        assert_eq!(dirs.each_ref().map(|dir| dir.join(COPY).exists()), [false, true]);
        assert_eq!(files.each_ref().map(|file| file.exists()), [false, true]);
        clear_left(&dirs[1]);
        assert!(!files[1].exists());
        for dir in dirs {
            fs::remove_dir_all(dir).unwrap();
        }
    }

    #[tokio::test]
    async fn a_turn_lasts_as_long_as_the_work_whoever_hangs_up() {
        let verifying = Arc::new(Verifying::default());
        let turns: Vec<Turn> = std::iter::from_fn(|| verifying.turn()).take(10).collect();
        assert_eq!(turns.len(), HANDED_IN_MAX);
        drop(turns);
        // What is held is let go by the work itself: here it waits until it may.
        struct Held(std::sync::mpsc::Receiver<()>);
        impl Drop for Held {
            fn drop(&mut self) {
                let _ = self.0.recv();
            }
        }
        let (go, may) = std::sync::mpsc::channel();
        let key = VerifierKey::of_book(
            &"label-room.example/plant-1".parse().unwrap(),
            tallyseal_schema::signature::SigningKey::from_seed(&[7; 32]).unwrap().public(),
        );
        let (own, turn) = (Arc::clone(&verifying), verifying.turn().unwrap());
        let asked = tokio::spawn(async move { own.handed_in(turn, "/nowhere.zip".into(), Held(may), key).await });
        while verifying.handed_in.running.available_permits() == 1 {
            tokio::task::yield_now().await;
        }
        asked.abort();
        assert!(asked.await.is_err());
        assert_eq!(verifying.handed_in.running.available_permits(), 0);
        go.send(()).unwrap();
        while verifying.handed_in.running.available_permits() == 0 {
            tokio::task::yield_now().await;
        }
        assert!(verifying.turn().is_some());
    }

    #[test]
    fn checkpoints_are_counted_by_their_names_alone() {
        let dir = std::env::temp_dir().join(format!("tallyseal-kept-{}", std::process::id()));
        let checkpoints = dir.join("checkpoints");
        for (folder, sizes) in [("000000000000", &[7_u64, 9_000][..]), ("000000000001", &[10_000])] {
            fs::create_dir_all(checkpoints.join(folder)).unwrap();
            for size in sizes {
                fs::write(checkpoints.join(folder).join(format!("{size:016}")), "").unwrap();
            }
        }
        fs::write(checkpoints.join("next.tmp"), "").unwrap();
        let verifying = Verifying::default();
        assert_eq!(verifying.kept(&dir).unwrap(), (3, Some(10_000)));
        // The newest folder grows; the others are known.
        fs::write(checkpoints.join("000000000001/0000000000010007"), "").unwrap();
        assert_eq!(verifying.kept(&dir).unwrap(), (4, Some(10_007)));
        fs::remove_dir_all(&dir).unwrap();
    }
}
