//! Files that hold 32 secret bytes: the book's key, and whatever else the server keeps under `keys/`.
//!
//! Shape: base64 of the 32 bytes and a line feed. Mode 0600 in a directory of mode 0700; anything wider is refused.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use tallyseal_schema::canonical;
use zeroize::Zeroize as _;

use crate::fault::{self as faults, Point};
use crate::layout::sync_dir;

/// Why a key file cannot be used.
#[derive(Debug)]
pub struct KeyFileError {
    /// Which file or directory.
    pub path: PathBuf,
    /// What is wrong with it.
    pub fault: KeyFault,
}

/// What is wrong with a key file.
#[derive(Debug)]
pub enum KeyFault {
    /// Others than its owner may read or write it; its mode.
    Exposed(u32),
    /// It does not hold base64 of 32 bytes.
    Form,
    /// It could not be read or written.
    Io(io::Error),
}

impl fmt::Display for KeyFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let path = self.path.display();
        match &self.fault {
            KeyFault::Exposed(mode) => write!(
                f,
                "{path} can be read by others than its owner (mode {mode:04o}). Take the key out of use if they could \
                 have read it; else `chmod go= {path}`."
            ),
            KeyFault::Form => write!(f, "{path} does not hold a key (base64 of 32 bytes)."),
            KeyFault::Io(error) => write!(f, "The key file {path} cannot be used: {error}."),
        }
    }
}

impl std::error::Error for KeyFileError {}

fn fault(path: &Path, fault: KeyFault) -> KeyFileError {
    KeyFileError { path: path.to_owned(), fault }
}

/// Writes a new key file and brings it to disk.
///
/// Errors: [`KeyFault::Io`], also where the file is there already: a key is never written over.
/// Crash: the file may be there empty or without its name; [`read`] then says so.
pub fn write(path: &Path, secret: &[u8; 32]) -> Result<(), KeyFileError> {
    let put = || -> io::Result<()> {
        let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
        let mut text = canonical::base64(secret);
        text.push('\n');
        let written = file.write_all(text.as_bytes());
        text.zeroize();
        written?;
        file.sync_all()?;
        path.parent().map_or(Ok(()), sync_dir)
    };
    put().map_err(|error| fault(path, KeyFault::Io(error)))
}

/// Reads a key file.
///
/// Errors: [`KeyFault`]; one that group or others may touch is refused, and so is one in such a directory.
pub fn read(path: &Path) -> Result<[u8; 32], KeyFileError> {
    if let Some(dir) = path.parent() {
        check_mode(dir, &File::open(dir).map_err(|error| fault(dir, KeyFault::Io(error)))?)?;
    }
    let mut file = File::open(path).map_err(|error| fault(path, KeyFault::Io(error)))?;
    // Of the opened file, not of the name: the name could be turned to another file in between.
    check_mode(path, &file)?;
    let mut text = String::new();
    file.read_to_string(&mut text).map_err(|error| fault(path, KeyFault::Io(error)))?;
    let decoded = canonical::unbase64(text.strip_suffix('\n').unwrap_or(&text));
    text.zeroize();
    let mut bytes = decoded.ok_or_else(|| fault(path, KeyFault::Form))?;
    let secret = <[u8; 32]>::try_from(bytes.as_slice()).map_err(|_| fault(path, KeyFault::Form));
    bytes.zeroize();
    secret
}

/// Puts the key file `next` in the place of `old`, whose bytes are written over first.
///
/// Whoever calls this has made sure that `old` is needed no more. What a disk keeps beside its files (its own copies, a
/// snapshot, a backup) is beyond this: see the deployment's words on keys.
///
/// Errors: [`KeyFault::Io`]. Crash: `old` may be spoiled and `next` still under its own name; it is called again then.
pub(crate) fn replace(old: &Path, next: &Path) -> Result<(), KeyFileError> {
    let put = || -> io::Result<()> {
        if let Ok(mut file) = OpenOptions::new().write(true).open(old) {
            let length = usize::try_from(file.metadata()?.len().min(4_096)).unwrap_or(0);
            file.write_all(&vec![b'\n'; length])?;
            file.sync_all()?;
        }
        faults::point(Point::AfterOldKeyGone);
        std::fs::rename(next, old)?;
        old.parent().map_or(Ok(()), sync_dir)
    };
    put().map_err(|error| fault(old, KeyFault::Io(error)))
}

/// Removes a key file that was made and never used.
///
/// Errors: [`KeyFault::Io`].
pub(crate) fn discard(path: &Path) -> Result<(), KeyFileError> {
    let put = || -> io::Result<()> {
        std::fs::remove_file(path)?;
        path.parent().map_or(Ok(()), sync_dir)
    };
    put().map_err(|error| fault(path, KeyFault::Io(error)))
}

fn check_mode(path: &Path, file: &File) -> Result<(), KeyFileError> {
    let mode = file.metadata().map_err(|error| fault(path, KeyFault::Io(error)))?.permissions().mode() & 0o7777;
    if mode & 0o077 == 0 { Ok(()) } else { Err(fault(path, KeyFault::Exposed(mode))) }
}

#[cfg(test)]
mod tests {
    use std::fs::{Permissions, set_permissions};

    use super::*;
    use crate::layout::make_dir;

    #[test]
    fn a_key_comes_back_and_is_never_written_over() {
        let dir = tempfile::tempdir().unwrap();
        let keys = dir.path().join("keys");
        make_dir(&keys).unwrap();
        let path = keys.join("a.key");
        write(&path, &[7; 32]).unwrap();
        assert_eq!(read(&path).unwrap(), [7; 32]);
        assert!(write(&path, &[8; 32]).is_err());
        assert_eq!(read(&path).unwrap(), [7; 32]);
    }

    #[test]
    fn a_key_that_others_can_touch_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let keys = dir.path().join("keys");
        make_dir(&keys).unwrap();
        let path = keys.join("a.key");
        write(&path, &[7; 32]).unwrap();
        for (what, mode) in [(&path, 0o640), (&path, 0o604), (&keys, 0o750), (&keys, 0o701)] {
            set_permissions(what, Permissions::from_mode(mode)).unwrap();
            assert!(matches!(read(&path).unwrap_err().fault, KeyFault::Exposed(m) if m == mode), "{mode:o}");
            set_permissions(what, Permissions::from_mode(0o700)).unwrap();
        }
    }

    #[test]
    fn anything_but_32_bytes_is_no_key() {
        let dir = tempfile::tempdir().unwrap();
        let keys = dir.path().join("keys");
        make_dir(&keys).unwrap();
        for (i, text) in ["", "AAAA\n", "not base64!\n"].into_iter().enumerate() {
            let path = keys.join(i.to_string());
            std::fs::write(&path, text).unwrap();
            set_permissions(&path, Permissions::from_mode(0o600)).unwrap();
            assert!(matches!(read(&path).unwrap_err().fault, KeyFault::Form), "{text:?}");
        }
    }
}
