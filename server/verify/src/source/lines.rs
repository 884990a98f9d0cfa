//! Entries as lines: a dump, or a member of a sealed record.

use std::fs::File;
use std::io::{BufRead, BufReader, Cursor, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use tallyseal_schema::Hash;
use tallyseal_schema::canonical::ENTRY_MAX;
use tallyseal_schema::hash::Hasher;

use crate::cannot_run::CannotRun;
use crate::chunk::{CHUNK, Row};

/// Where the bytes are.
enum Place<'a> {
    File(PathBuf),
    Memory(&'a [u8]),
}

/// Lines, and where each chunk of them begins.
pub(crate) struct Lines<'a> {
    place: Place<'a>,
    /// Offset of the first line of each chunk, and of the end.
    offsets: Vec<u64>,
    /// How many lines.
    pub(crate) count: u64,
}

impl<'a> Lines<'a> {
    /// The lines of a file. Errors: it cannot be read.
    pub(crate) fn of_file(path: &Path) -> Result<Self, CannotRun> {
        let lines = Self { place: Place::File(path.to_owned()), offsets: Vec::new(), count: 0 };
        lines.indexed()
    }

    /// The lines of bytes in memory.
    pub(crate) fn of_memory(bytes: &'a [u8]) -> Result<Self, CannotRun> {
        let lines = Self { place: Place::Memory(bytes), offsets: Vec::new(), count: 0 };
        lines.indexed()
    }

    fn indexed(mut self) -> Result<Self, CannotRun> {
        let mut offsets = vec![0];
        let (mut at, mut count, mut line_open) = (0_u64, 0_u64, false);
        let mut input = self.input(0, u64::MAX)?;
        loop {
            let piece = input.fill_buf().map_err(|error| self.error(error))?;
            if piece.is_empty() {
                break;
            }
            for line in piece.split_inclusive(|byte| *byte == b'\n') {
                at += line.len() as u64;
                line_open = line.last() != Some(&b'\n');
                if !line_open {
                    count += 1;
                    if count % CHUNK == 0 {
                        offsets.push(at);
                    }
                }
            }
            let len = piece.len();
            input.consume(len);
        }
        drop(input);
        if offsets.last() != Some(&at) {
            offsets.push(at);
        }
        self.count = count + u64::from(line_open);
        self.offsets = offsets;
        Ok(self)
    }

    fn error(&self, error: std::io::Error) -> CannotRun {
        match &self.place {
            Place::File(path) => CannotRun::reading(path.display(), error),
            Place::Memory(_) => CannotRun::reading("memory", error),
        }
    }

    /// The bytes from one offset to another.
    fn input(&self, from: u64, to: u64) -> Result<Box<dyn BufRead + '_>, CannotRun> {
        Ok(match &self.place {
            Place::File(path) => {
                let mut file = File::open(path).map_err(|error| self.error(error))?;
                file.seek(SeekFrom::Start(from)).map_err(|error| self.error(error))?;
                Box::new(BufReader::with_capacity(256 * 1024, file).take(to - from))
            }
            Place::Memory(bytes) => {
                let end = usize::try_from(to).unwrap_or(usize::MAX).min(bytes.len());
                let part = usize::try_from(from).ok().and_then(|from| bytes.get(from..end));
                Box::new(Cursor::new(part.unwrap_or_default()))
            }
        })
    }

    pub(super) fn chunks(&self) -> usize {
        self.offsets.len().saturating_sub(1)
    }

    pub(super) fn before(&self, chunk: usize) -> u64 {
        (chunk as u64).saturating_mul(CHUNK)
    }

    /// The first line, or as much of it as an entry can have.
    pub(crate) fn first(&self) -> Result<Vec<u8>, CannotRun> {
        let mut line = Vec::new();
        let input = self.input(0, u64::MAX)?;
        input.take(ENTRY_MAX as u64 + 1).read_until(b'\n', &mut line).map_err(|error| self.error(error))?;
        if line.last() == Some(&b'\n') {
            line.pop();
        }
        Ok(line)
    }

    pub(super) fn rows(&self, chunk: usize, each: &mut dyn FnMut(Row<'_>)) -> Result<(), CannotRun> {
        let (Some(from), Some(to)) = (self.offsets.get(chunk), self.offsets.get(chunk + 1)) else { return Ok(()) };
        let mut input = self.input(*from, *to)?;
        let mut bytes = Vec::new();
        let mut line = self.before(chunk);
        // One byte for the line feed and one to see that the line is too long.
        let most = ENTRY_MAX as u64 + 2;
        loop {
            bytes.clear();
            let read = (&mut input).take(most).read_until(b'\n', &mut bytes).map_err(|error| self.error(error))?;
            if read == 0 {
                return Ok(());
            }
            line += 1;
            let ended = bytes.last() == Some(&b'\n');
            if ended {
                bytes.pop();
            } else if read as u64 == most {
                let (leaf, len, ended) = self.too_long(&mut input, &bytes)?;
                each(Row::TooLong { line, leaf, len });
                if !ended {
                    each(Row::Cut { line });
                }
                continue;
            }
            each(Row::Line { line, bytes: &bytes });
            if !ended {
                each(Row::Cut { line });
            }
        }
    }

    /// The rest of a line that begins with `start`: its leaf hash, its length, and whether a line feed ends it.
    fn too_long(&self, input: &mut dyn BufRead, start: &[u8]) -> Result<(Hash, u64, bool), CannotRun> {
        let mut hasher = Hasher::default();
        hasher.update(&[0x00]);
        hasher.update(start);
        let mut len = start.len() as u64;
        loop {
            let piece = input.fill_buf().map_err(|error| self.error(error))?;
            let end = piece.iter().position(|byte| *byte == b'\n');
            let part = piece.get(..end.unwrap_or(piece.len())).unwrap_or_default();
            hasher.update(part);
            len += part.len() as u64;
            let (used, done) = (part.len() + usize::from(end.is_some()), end.is_some() || piece.is_empty());
            input.consume(used);
            if done {
                return Ok((hasher.finish(), len, end.is_some()));
            }
        }
    }
}
