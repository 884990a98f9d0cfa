//! `DIR/lock`: a book that somebody serves or changes is not read behind their back.

use std::fs::{File, TryLockError};
use std::io::Read as _;
use std::path::Path;

use crate::cannot_run::CannotRun;

/// Shared with other readers; as long as it is held, nobody can begin to change the book.
pub(crate) struct Lock {
    // Held, not read: the lock lives as long as the open file.
    _file: Option<File>,
}

impl Lock {
    /// Takes the lock of a book that nobody serves.
    ///
    /// Errors: somebody does.
    pub(crate) fn take(dir: &Path) -> Result<Self, CannotRun> {
        let path = dir.join("lock");
        let mut file = match File::open(&path) {
            Ok(file) => file,
            // Nobody ever served this copy of the book.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Self { _file: None }),
            Err(error) => return Err(CannotRun::reading(path.display(), error)),
        };
        match file.try_lock_shared() {
            Ok(()) => Ok(Self { _file: Some(file) }),
            Err(TryLockError::WouldBlock) => {
                let mut who = String::new();
                let said = (&mut file).take(200).read_to_string(&mut who).is_ok() && !who.trim().is_empty();
                let who = if said { who.trim() } else { "another process" };
                Err(CannotRun::new(format!(
                    "the book in {} is in use by {}; ask the server, `tallyseal verify` does that",
                    dir.display(),
                    who.chars().filter(|c| !c.is_control()).collect::<String>()
                )))
            }
            // A file system without locks holds no running server.
            Err(TryLockError::Error(_)) => Ok(Self { _file: None }),
        }
    }
}
