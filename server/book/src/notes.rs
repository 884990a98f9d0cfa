//! `checkpoints/`: the signed checkpoints that are kept for ever, one file each, named by their size, in folders of
//! 10,000 sizes.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use crate::error::Fatal;
use crate::fault::{self, Point};
use crate::layout::{make_dir, sync_dir};

/// A checkpoint is kept at the latest so long after the head moved.
///
/// Unit: microseconds. Rule: `FORMAT.md` section 3.
pub(crate) const LATE_US: u64 = 10_000_000;
/// A checkpoint is kept at the latest after so many entries. Rule: `FORMAT.md` section 3.
pub(crate) const LATE_ENTRIES: u64 = 1_000;

/// So many sizes share a folder, so that no folder is ever long to list.
const FOLDER_SIZES: u64 = 10_000;

/// The name of the file of a checkpoint of that size. Shape: 16 decimal digits, so that names sort as sizes do.
fn file_name(size: u64) -> String {
    format!("{size:016}")
}

/// The name of the folder that holds it. Shape: the first 12 of these digits.
fn folder_name(size: u64) -> String {
    format!("{:012}", size / FOLDER_SIZES)
}

/// The file of a checkpoint of that size.
pub(crate) fn file(dir: &Path, size: u64) -> PathBuf {
    dir.join(folder_name(size)).join(file_name(size))
}

/// The newest checkpoint that was kept: its file, and the size in its name. Older versions of the software kept them in
/// `checkpoints/` itself; these are still read.
pub(crate) fn newest(dir: &Path) -> io::Result<Option<(PathBuf, u64)>> {
    let mut newest: Option<(u64, PathBuf)> = None;
    let mut folders = Vec::new();
    for entry in fs::read_dir(dir)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            let name = entry.file_name();
            let number = name.to_str().and_then(|name| name.parse::<u64>().ok());
            folders.extend(number.filter(|number| format!("{number:012}") == *name.to_string_lossy()));
        } else {
            newest = newest.max(sized(&entry));
        }
    }
    folders.sort_unstable();
    // A crash may have left the last folder empty.
    for folder in folders.into_iter().rev() {
        let mut inside = None;
        for entry in fs::read_dir(dir.join(format!("{folder:012}")))? {
            inside = inside.max(sized(&entry?));
        }
        if inside.is_some() {
            newest = newest.max(inside);
            break;
        }
    }
    Ok(newest.map(|(size, file)| (file, size)))
}

/// The size in a file's name, and its path; `None` where it is no checkpoint's name.
fn sized(entry: &fs::DirEntry) -> Option<(u64, PathBuf)> {
    let name = entry.file_name();
    let size = name.to_str()?.parse().ok().filter(|size| *file_name(*size) == *name)?;
    Some((size, entry.path()))
}

/// The text of the newest checkpoint that was kept; `None` where there is none.
pub(crate) fn newest_text(dir: &Path) -> io::Result<Option<String>> {
    newest(dir)?.map(|(file, _)| fs::read_to_string(file)).transpose()
}

/// What the name of a time-stamp token ends with. Rule: `FORMAT.md` section 3.
pub(crate) const TIME_STAMP: &str = "tst";

/// A file beside the checkpoint of that size. `ending`: the key ID in 8 hex digits of the witness that cosigned it, or
/// [`TIME_STAMP`].
pub(crate) fn beside(dir: &Path, size: u64, ending: &str) -> PathBuf {
    dir.join(folder_name(size)).join(format!("{}.{ending}", file_name(size)))
}

/// Keeps what others signed of a checkpoint, beside it.
///
/// Crash: a temporary file may be left that nobody reads; else it is whole.
pub(crate) fn keep_beside(dir: &Path, size: u64, ending: &str, bytes: &[u8]) -> io::Result<()> {
    let to = beside(dir, size, ending);
    let tmp = to.with_extension(format!("{ending}.tmp"));
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&tmp)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&tmp, &to)?;
    to.parent().map_or(Ok(()), sync_dir)
}

/// The largest size beside whose checkpoint a file with that ending is kept.
pub(crate) fn newest_beside(dir: &Path, ending: &str) -> io::Result<Option<u64>> {
    let mut folders: Vec<PathBuf> = Vec::new();
    for entry in fs::read_dir(dir)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            folders.push(entry.path());
        }
    }
    folders.sort_unstable();
    for folder in folders.into_iter().rev() {
        let mut newest = None;
        for entry in fs::read_dir(folder)? {
            let name = entry?.file_name();
            let size = name.to_str().and_then(|name| name.split_once('.')).filter(|(_, of)| *of == ending);
            let size = size.and_then(|(name, _)| name.parse().ok().filter(|size| file_name(*size) == name));
            newest = newest.max(size);
        }
        if newest.is_some() {
            return Ok(newest);
        }
    }
    Ok(None)
}

/// Keeps checkpoints, and knows when the next one is due.
#[derive(Debug)]
pub(crate) struct Notes {
    dir: PathBuf,
    /// Size of the newest one kept.
    kept: u64,
    /// The steady count when the head first moved beyond it.
    moved_us: Option<u64>,
}

impl Notes {
    /// `kept`: size of the newest one there.
    pub(crate) fn new(dir: PathBuf, kept: u64) -> Self {
        Self { dir, kept, moved_us: None }
    }

    /// The head is now at `size`.
    pub(crate) fn moved(&mut self, size: u64, mono_us: u64) {
        if size > self.kept {
            self.moved_us.get_or_insert(mono_us);
        }
    }

    /// True where entries stand behind the newest one kept.
    pub(crate) fn is_behind(&self) -> bool {
        self.moved_us.is_some()
    }

    /// True where one must be kept now.
    pub(crate) fn is_due(&self, size: u64, mono_us: u64) -> bool {
        let late = |moved_us: u64| {
            mono_us.saturating_sub(moved_us) >= LATE_US || size.saturating_sub(self.kept) >= LATE_ENTRIES
        };
        self.moved_us.is_some_and(late)
    }

    /// Keeps the checkpoint `note` of that size.
    ///
    /// CRASH: before the rename a temporary file is left that nobody reads and the next one writes over; after it the
    /// file is whole. The name may be lost until the directory is synced; the entries below it are on disk already.
    pub(crate) fn keep(&mut self, size: u64, note: &str) -> Result<(), Fatal> {
        if size > self.kept {
            self.put(size, note).map_err(Fatal::file("keeping a checkpoint"))?;
            self.kept = size;
        }
        self.moved_us = None;
        Ok(())
    }

    fn put(&self, size: u64, note: &str) -> io::Result<()> {
        let to = file(&self.dir, size);
        if let Some(folder) = to.parent().filter(|folder| !folder.exists()) {
            make_dir(folder)?;
            sync_dir(&self.dir)?;
        }
        let tmp = self.dir.join("next.tmp");
        let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&tmp)?;
        file.write_all(note.as_bytes())?;
        file.sync_all()?;
        fault::point(Point::AfterCheckpointTmp);
        fs::rename(&tmp, &to)?;
        fault::point(Point::AfterCheckpointRename);
        to.parent().map_or(Ok(()), sync_dir)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_due_ten_seconds_or_a_thousand_entries_after_the_head_moved() {
        let mut notes = Notes::new(PathBuf::new(), 5);
        notes.moved(5, 0);
        assert!(!notes.is_due(5, u64::MAX), "the head has not moved");
        notes.moved(6, 1_000);
        notes.moved(7, 9_000_000);
        assert!(!notes.is_due(7, 10_000_999));
        assert!(notes.is_due(7, 10_001_000));
        assert!(!notes.is_due(1_004, 1_000));
        assert!(notes.is_due(1_005, 1_000));
    }

    #[test]
    fn cosigned_ones_lie_beside_and_are_none_of_the_kept() {
        let dir = tempfile::tempdir().unwrap();
        let mut notes = Notes::new(dir.path().to_owned(), 0);
        assert_eq!(newest_beside(dir.path(), "0badc0de").unwrap(), None);
        for size in [9, 10, 10_000, 20_000] {
            notes.keep(size, "kept").unwrap();
        }
        keep_beside(dir.path(), 10, "0badc0de", b"cosigned").unwrap();
        keep_beside(dir.path(), 9, "0badc0de", b"cosigned").unwrap();
        keep_beside(dir.path(), 10_000, "deadbeef", b"by another").unwrap();
        keep_beside(dir.path(), 9, TIME_STAMP, &[0xff]).unwrap();
        assert_eq!(newest_beside(dir.path(), "0badc0de").unwrap(), Some(10));
        assert_eq!(newest_beside(dir.path(), "deadbeef").unwrap(), Some(10_000));
        assert_eq!(newest_beside(dir.path(), TIME_STAMP).unwrap(), Some(9));
        let file = beside(dir.path(), 10, "0badc0de");
        assert_eq!(file, dir.path().join("000000000000/0000000000000010.0badc0de"));
        assert_eq!(std::fs::read_to_string(file).unwrap(), "cosigned");
        assert_eq!(newest_text(dir.path()).unwrap().as_deref(), Some("kept"));
        assert_eq!(newest(dir.path()).unwrap().map(|(_, size)| size), Some(20_000));
    }

    #[test]
    fn the_newest_is_the_largest_and_anything_else_is_passed_over() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(newest(dir.path()).unwrap(), None);
        let mut notes = Notes::new(dir.path().to_owned(), 0);
        notes.keep(9, "nine").unwrap();
        notes.keep(10, "ten").unwrap();
        notes.keep(10, "ten again").unwrap();
        for other in ["99", "next.tmp", "x", "00000000000000000011"] {
            std::fs::write(dir.path().join(other), "other").unwrap();
        }
        let of_ten = dir.path().join("000000000000/0000000000000010");
        assert_eq!(newest(dir.path()).unwrap(), Some((of_ten, 10)));
        assert_eq!(newest_text(dir.path()).unwrap().as_deref(), Some("ten"));
        assert_eq!(std::fs::read_to_string(file(dir.path(), 9)).unwrap(), "nine");
        // Ten thousand in a folder; one that is empty is passed over, and so is one of another name.
        notes.keep(9_999, "the last of a folder").unwrap();
        notes.keep(10_000, "the first of the next").unwrap();
        let first = dir.path().join("000000000001/0000000000010000");
        assert_eq!(newest(dir.path()).unwrap(), Some((first, 10_000)));
        for other in ["000000000002", "98", "later"] {
            std::fs::create_dir(dir.path().join(other)).unwrap();
        }
        assert_eq!(newest_text(dir.path()).unwrap().as_deref(), Some("the first of the next"));
        // As an older version kept them.
        std::fs::write(dir.path().join("0000000000010001"), "flat").unwrap();
        assert_eq!(newest_text(dir.path()).unwrap().as_deref(), Some("flat"));
    }
}
