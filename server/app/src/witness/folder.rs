//! The directory of a witness: its key, which books it follows, what it cosigned last.

use std::collections::BTreeMap;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use tallyseal_book::key_file;
use tallyseal_schema::BookName;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::witness::{Cosigner, WitnessKey};

use zeroize::Zeroizing;

use super::memory::{Memory, Seen};
use crate::cli::CannotRun;
use crate::randomness;

/// Where everything of one witness lies.
pub(crate) struct Folder(PathBuf);

impl Folder {
    pub(crate) fn new(dir: &Path) -> Self {
        Self(dir.to_owned())
    }

    fn key(&self) -> PathBuf {
        self.0.join("witness.key")
    }

    /// The public key with the name, one line.
    fn public(&self) -> PathBuf {
        self.0.join("witness.txt")
    }

    /// Keys of the books that are followed, one a line.
    fn books(&self) -> PathBuf {
        self.0.join("books.txt")
    }

    fn state(&self) -> PathBuf {
        self.0.join("state.json")
    }

    /// Makes a witness with a fresh key in a directory that is empty or not there. Gives its public key.
    ///
    /// Errors: in a sentence. Crash: the directory is left unfinished, and says so when it is used.
    pub(crate) fn init(&self, name: &str) -> Result<WitnessKey, CannotRun> {
        let dir = &self.0;
        if dir.exists() && fs::read_dir(dir)?.next().is_some() {
            return Err(CannotRun::because(format!("{} is not empty; name a new directory", dir.display())));
        }
        if !dir.exists() {
            DirBuilder::new().mode(0o700).create(dir)?;
        }
        let seed = Zeroizing::new(randomness::bytes::<32>()?);
        let cosigner = Cosigner::new(name, SigningKey::from_seed(&seed)?)?;
        key_file::write(&self.key(), &seed)?;
        replace(&self.books(), b"")?;
        Memory::create(&self.state())?;
        // Last: with it the witness is whole.
        replace(&self.public(), format!("{}\n", cosigner.public()).as_bytes())?;
        Ok(cosigner.public().clone())
    }

    /// Follows one more book from now on; a server that runs on the directory hears of it at its next call.
    pub(crate) fn follow(&self, book: &VerifierKey) -> Result<(), CannotRun> {
        if book.name.parse::<BookName>().is_err() {
            return Err(CannotRun::because(format!("{} is not the name of a book", book.name)));
        }
        self.name()?;
        let mut text = fs::read_to_string(self.books())?;
        let line = book.to_string();
        if !text.lines().any(|known| known == line) {
            text.push_str(&line);
            text.push('\n');
            replace(&self.books(), text.as_bytes())?;
        }
        Ok(())
    }

    fn name(&self) -> Result<WitnessKey, CannotRun> {
        let text = fs::read_to_string(self.public()).map_err(|error| {
            CannotRun::because(format!(
                "{} holds no witness ({error}); make one with `tallyseal witness init`",
                self.0.display()
            ))
        })?;
        Ok(text.trim_end().parse()?)
    }

    /// Opens it for cosigning. Nobody else does until the answer is dropped.
    pub(crate) fn open(&self) -> Result<Opened, CannotRun> {
        let public = self.name()?;
        let lock = File::options().write(true).create(true).truncate(false).mode(0o600).open(self.0.join("lock"))?;
        lock.try_lock().map_err(|_| {
            CannotRun::because(format!("another process cosigns in {}; end it first", self.0.display()))
        })?;
        let cosigner =
            Cosigner::new(public.name(), SigningKey::from_seed(&Zeroizing::new(key_file::read(&self.key())?))?)?;
        if *cosigner.public() != public {
            return Err(CannotRun::because(format!(
                "{} and {} do not belong together; put the right one back",
                self.key().display(),
                self.public().display()
            )));
        }
        let memory = Memory::open(&self.state())?;
        let opened = Opened { books: self.books(), cosigner, memory, _lock: lock };
        opened.followed().map_err(CannotRun::because)?;
        Ok(opened)
    }
}

/// A witness that can cosign.
pub(crate) struct Opened {
    books: PathBuf,
    pub(super) cosigner: Cosigner,
    pub(super) memory: Memory,
    // Held, not read.
    _lock: File,
}

impl Opened {
    /// The keys of each book that is followed, read anew: the operator may have added one.
    ///
    /// Errors: the file cannot be read, or a line of it is no key.
    pub(super) fn followed(&self) -> Result<BTreeMap<String, Vec<VerifierKey>>, String> {
        let text = fs::read_to_string(&self.books).map_err(|error| format!("{}: {error}", self.books.display()))?;
        let mut followed: BTreeMap<String, Vec<VerifierKey>> = BTreeMap::new();
        for line in text.lines().filter(|line| !line.trim().is_empty()) {
            let key: VerifierKey = line.trim().parse().map_err(|error| format!("{}: {error}", self.books.display()))?;
            followed.entry(key.name.clone()).or_default().push(key);
        }
        Ok(followed)
    }

    /// What is answered to a submission at that time, in seconds since 1970. What is cosigned is on disk before.
    pub(super) fn add_checkpoint(&self, text: &str, time: u64) -> Seen {
        match self.followed() {
            Ok(followed) => self.memory.add(text, &followed, &self.cosigner, time),
            Err(why) => Seen::Failed(why),
        }
    }
}

/// Writes a file anew: it is whole or as it was, and on disk before this returns.
pub(super) fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let tmp = path.with_extension("tmp");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&tmp)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&tmp, path)?;
    path.parent().map_or(Ok(()), |dir| File::open(dir)?.sync_all())
}
