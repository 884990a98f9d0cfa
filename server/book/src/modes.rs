//! Who may touch a book's files: looked at before it is served.

use std::io;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use crate::error::OpenError;
use crate::key_file::{KeyFault, KeyFileError};
use crate::layout::Layout;

/// Others than the owner may do none of this with what is under `keys/`: the keys, and names that stand for them.
const SECRET: u32 = 0o077;
/// Others than the owner may not do this in the data directory: whoever may write there can put other files in place.
const WRITE: u32 = 0o022;

/// Looks at the data directory, at `keys/` and at all that is in it.
///
/// Errors: [`OpenError::Open`], [`OpenError::Key`], each with the command that puts it right.
pub(crate) fn check(layout: &Layout) -> Result<(), OpenError> {
    let dir = layout.dir();
    let open = mode(dir)? & WRITE;
    if open != 0 {
        return Err(OpenError::Open(dir.to_owned(), mode(dir)?));
    }
    for folder in [layout.captures(), layout.checkpoints()] {
        if folder.exists() && mode(&folder)? & WRITE != 0 {
            return Err(OpenError::Open(folder.clone(), mode(&folder)?));
        }
    }
    let keys = layout.keys();
    secret(&keys)?;
    for inside in std::fs::read_dir(&keys).map_err(|error| unreadable(&keys, error))? {
        secret(&inside.map_err(|error| unreadable(&keys, error))?.path())?;
    }
    Ok(())
}

fn unreadable(path: &Path, error: io::Error) -> OpenError {
    OpenError::Key(KeyFileError { path: path.to_owned(), fault: KeyFault::Io(error) })
}

fn mode(path: &Path) -> Result<u32, OpenError> {
    let metadata = std::fs::metadata(path).map_err(|error| unreadable(path, error))?;
    Ok(metadata.permissions().mode() & 0o7777)
}

fn secret(path: &Path) -> Result<(), OpenError> {
    match mode(path)? {
        mode if mode & SECRET == 0 => Ok(()),
        mode => Err(OpenError::Key(KeyFileError { path: path.to_owned(), fault: KeyFault::Exposed(mode) })),
    }
}
