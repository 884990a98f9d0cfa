//! A private copy of a database whose log a crash left behind, so that reading it changes nothing in the book.

use std::fs::{self, DirBuilder};
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use crate::cannot_run::CannotRun;

/// A directory of our own that ends with this value.
pub(crate) struct PrivateCopy {
    dir: PathBuf,
}

static NEXT: AtomicU32 = AtomicU32::new(0);

impl PrivateCopy {
    /// Copies the database and its log.
    ///
    /// Errors: no room, or either cannot be read.
    pub(crate) fn of(database: &Path, log: &Path) -> Result<Self, CannotRun> {
        let copy = Self { dir: Self::make()? };
        let put = |from: &Path, name: &str| {
            fs::copy(from, copy.dir.join(name)).map_err(|error| {
                CannotRun::new(format!(
                    "a crash left a log beside {}, and a private copy to read it in cannot be made in {}: {error}",
                    database.display(),
                    copy.dir.display()
                ))
            })
        };
        put(database, "book.db")?;
        put(log, "book.db-wal")?;
        Ok(copy)
    }

    fn make() -> Result<PathBuf, CannotRun> {
        let place = std::env::temp_dir();
        // Made new and for us alone: a name that somebody else took is passed over.
        for _ in 0..1_000 {
            let number = NEXT.fetch_add(1, Ordering::Relaxed);
            let dir = place.join(format!("tallyseal-verify-{}-{number}", std::process::id()));
            match DirBuilder::new().mode(0o700).create(&dir) {
                Ok(()) => return Ok(dir),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(CannotRun::new(format!("{} cannot be made: {error}", dir.display()))),
            }
        }
        Err(CannotRun::new(format!("no private directory can be made in {}", place.display())))
    }

    /// The copied database.
    pub(crate) fn database(&self) -> PathBuf {
        self.dir.join("book.db")
    }
}

impl Drop for PrivateCopy {
    fn drop(&mut self) {
        // What cannot be removed is left to the system's own care for its temporary directory.
        let _ = fs::remove_dir_all(&self.dir);
    }
}
