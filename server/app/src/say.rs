//! Standard output: written so that a disk that is full or a reader that is gone is an error, never a panic.

use std::io::{self, Write as _};
use std::os::fd::AsFd as _;

use crate::cli::CannotRun;

/// Writes text to standard output and brings it out of this process.
///
/// Errors: it could not be written; a reader that is gone is [`CannotRun::unheard`].
pub(crate) fn out(text: &str) -> Result<(), CannotRun> {
    let mut stdout = io::stdout().lock();
    stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()).map_err(failed)
}

/// As [`out`], with a line's end after it.
///
/// Errors: as [`out`].
pub(crate) fn line(text: impl std::fmt::Display) -> Result<(), CannotRun> {
    out(&format!("{text}\n"))
}

/// Brings what was written to the disk, where standard output is a file: some disks say only then that they are full.
///
/// Errors: as [`out`].
pub(crate) fn settle() -> Result<(), CannotRun> {
    let stdout = io::stdout();
    let file = std::fs::File::from(stdout.as_fd().try_clone_to_owned().map_err(failed)?);
    match file.metadata() {
        Ok(metadata) if metadata.is_file() => file.sync_all().map_err(failed),
        // Pipes and terminals have no disk.
        _ => Ok(()),
    }
}

/// What a failed writing of standard output means for the command.
pub(crate) fn failed(error: io::Error) -> CannotRun {
    match error.kind() {
        io::ErrorKind::BrokenPipe => CannotRun::unheard(),
        _ => CannotRun::because(format!("standard output cannot be written: {error}")),
    }
}

/// Says something to a person on standard error. Where nobody can hear it there is nobody else to be told.
pub(crate) fn person(text: impl std::fmt::Display) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// Says what is being done, where a person looks on: standard error is a terminal.
pub(crate) fn doing(what: &str) {
    use std::io::IsTerminal as _;
    if io::stderr().is_terminal() {
        person(format_args!("{what} ..."));
    }
}
