//! `DIR/lock`: whoever serves or changes a book holds it, and says there who it is.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;

use crate::layout::Layout;

/// The lock of a book, held until it is dropped. The operating system gives it back when the process dies.
#[derive(Debug)]
pub struct Lock {
    // Held, not read: the lock lives as long as the open file.
    _file: File,
}

/// Why the lock was not taken.
#[derive(Debug)]
pub enum LockError {
    /// Somebody has it; what they said about themselves.
    Held(String),
    /// The file could not be used.
    Io(io::Error),
}

impl fmt::Display for LockError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Held(who) => write!(
                f,
                "The book is in use by {who}. End it, or give the command to the running server through control.sock."
            ),
            Self::Io(error) => write!(f, "The lock file cannot be used: {error}."),
        }
    }
}

impl std::error::Error for LockError {}

impl Lock {
    /// Takes the lock of a book for this process; `software` is who to say has it.
    ///
    /// Errors: [`LockError`].
    pub fn take(layout: &Layout, software: &str) -> Result<Self, LockError> {
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o600)
            .open(layout.lock())
            .map_err(LockError::Io)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut who = String::new();
                let read = file.read_to_string(&mut who);
                let known = read.is_ok() && !who.trim().is_empty();
                return Err(LockError::Held(if known { who.trim().to_owned() } else { "another process".to_owned() }));
            }
            Err(TryLockError::Error(error)) => return Err(LockError::Io(error)),
        }
        let mut say = || -> io::Result<()> {
            file.set_len(0)?;
            file.rewind()?;
            writeln!(file, "process {} ({software})", std::process::id())
        };
        say().map_err(LockError::Io)?;
        Ok(Self { _file: file })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_is_told_who_has_the_lock() {
        let dir = tempfile::tempdir().unwrap();
        let layout = Layout::new(dir.path());
        let held = Lock::take(&layout, "tallyseal 1.2.3").unwrap();
        let error = Lock::take(&layout, "another").unwrap_err().to_string();
        assert!(error.contains(&format!("process {} (tallyseal 1.2.3)", std::process::id())), "{error}");
        drop(held);
        Lock::take(&layout, "another").unwrap();
    }
}
