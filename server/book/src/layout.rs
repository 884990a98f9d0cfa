//! What stands where in the directory of a book.

use std::fs::{DirBuilder, File};
use std::io;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};

/// The directory that holds everything of one book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    dir: PathBuf,
}

impl Layout {
    /// The book in `dir`, whether or not there is one.
    pub fn new(dir: &Path) -> Self {
        Self { dir: dir.to_owned() }
    }

    /// The directory itself.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The database.
    pub fn db(&self) -> PathBuf {
        self.dir.join("book.db")
    }

    /// Day files of captured machine bytes.
    pub fn captures(&self) -> PathBuf {
        self.dir.join("captures")
    }

    /// Private keys.
    pub fn keys(&self) -> PathBuf {
        self.dir.join("keys")
    }

    /// The book's own private key.
    pub fn book_key(&self) -> PathBuf {
        self.keys().join("book.key")
    }

    /// The key that follows it, between its making and the moment at which it takes the other's place.
    pub fn next_book_key(&self) -> PathBuf {
        self.keys().join("book.key.next")
    }

    /// Every checkpoint that was kept, one file each.
    pub fn checkpoints(&self) -> PathBuf {
        self.dir.join("checkpoints")
    }

    /// What is there of a book beside its database: each of these is a trace of one, and a place where nobody makes another.
    pub fn traces(&self) -> Vec<PathBuf> {
        let kept = [self.keys(), self.checkpoints(), self.captures()];
        let logs = ["book.db-wal", "book.db-shm"].map(|name| self.dir.join(name));
        kept.into_iter().chain(logs).filter(|path| path.exists()).collect()
    }

    /// Held by whoever serves or changes the book.
    pub fn lock(&self) -> PathBuf {
        self.dir.join("lock")
    }

    /// Where the command line talks to a running server. The application makes it.
    pub fn socket(&self) -> PathBuf {
        self.dir.join("control.sock")
    }
}

/// Makes a directory that only its owner can enter.
pub(crate) fn make_dir(path: &Path) -> io::Result<()> {
    DirBuilder::new().mode(0o700).create(path)
}

/// Brings the names in a directory to disk.
pub(crate) fn sync_dir(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}
