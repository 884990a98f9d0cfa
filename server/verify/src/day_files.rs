//! The day files of captured machine bytes in a data directory: every piece is inflated and hashed, whatever is said
//! about it elsewhere.
//!
//! A piece: `TSC1`, SHA-256 of its raw bytes (32 bytes), their length (4, highest byte first), length of the payload
//! (4), a checksum (4) for whoever adds to the file, then the payload, raw deflate of RFC 1951.

use std::collections::HashMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use flate2::{Decompress, FlushDecompress, Status};
use tallyseal_schema::Hash;
use tallyseal_schema::hash::Hasher;

use crate::cannot_run::CannotRun;

const MAGIC: &[u8; 4] = b"TSC1";
const HEAD_LEN: usize = 48;

/// About how much of a file a thread takes at once. Unit: bytes.
const PART: u64 = 4 * 1024 * 1024;

/// Every piece that is whole, by its SHA-256, with its length; and what else there is to say.
pub(crate) type Index = (HashMap<Hash, u64>, Vec<String>);

/// Some pieces of one file: from where to where.
struct Part<'a> {
    path: &'a Path,
    from: u64,
    to: u64,
}

/// Reads every day file of a directory, on `threads` threads; a directory that is not there holds none.
///
/// Errors: a file cannot be read.
pub(crate) fn index(dir: &Path, threads: usize) -> Result<Index, CannotRun> {
    let files = day_files(dir).map_err(|error| CannotRun::reading(dir.display(), error))?;
    let mut index = Index::default();
    let mut parts = Vec::new();
    for path in &files {
        cut(path, &mut parts, &mut index.1).map_err(|error| CannotRun::reading(path.display(), error))?;
    }
    let next = AtomicUsize::new(0);
    let read: Vec<Result<Index, CannotRun>> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(|| read_parts(&parts, &next))).collect();
        let died = || Err(CannotRun::new("a reading thread ended before its work did"));
        running.into_iter().map(|part| part.join().unwrap_or_else(|_| died())).collect()
    });
    for part in read {
        let (pieces, notes) = part?;
        index.0.extend(pieces);
        index.1.extend(notes);
    }
    index.1.sort_unstable();
    Ok(index)
}

fn day_files(dir: &Path) -> io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    match std::fs::read_dir(dir) {
        Ok(entries) => {
            for entry in entries {
                files.push(entry?.path());
            }
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error),
    }
    files.retain(|file| file.extension().is_some_and(|extension| extension == "cap"));
    files.sort_unstable();
    Ok(files)
}

/// Cuts a file between pieces, by their heads alone.
fn cut<'a>(path: &'a Path, parts: &mut Vec<Part<'a>>, notes: &mut Vec<String>) -> io::Result<()> {
    let file = File::open(path)?;
    let length = file.metadata()?.len();
    let mut input = BufReader::new(file);
    let (mut from, mut at) = (0, 0);
    while at < length {
        let Some(head) = Head::read(&mut input)?.filter(|head| at + head.length() <= length) else {
            // An orphan that a crash tore is harmless; bytes that an entry names are missed where it names them.
            notes.push(format!("captures: {} ends in {} bytes that are no piece", path.display(), length - at));
            break;
        };
        input.seek_relative(i64::from(head.payload))?;
        at += head.length();
        if at - from >= PART {
            parts.push(Part { path, from, to: at });
            from = at;
        }
    }
    if at > from {
        parts.push(Part { path, from, to: at });
    }
    Ok(())
}

fn read_parts(parts: &[Part<'_>], next: &AtomicUsize) -> Result<Index, CannotRun> {
    let mut index = Index::default();
    let mut inflate = Inflate::new();
    while let Some(part) = parts.get(next.fetch_add(1, Ordering::Relaxed)) {
        read_part(part, &mut inflate, &mut index).map_err(|error| CannotRun::reading(part.path.display(), error))?;
    }
    Ok(index)
}

fn read_part(part: &Part<'_>, inflate: &mut Inflate, (pieces, notes): &mut Index) -> io::Result<()> {
    let mut file = File::open(part.path)?;
    file.seek(SeekFrom::Start(part.from))?;
    let mut input = BufReader::with_capacity(256 * 1024, file).take(part.to - part.from);
    let mut at = part.from;
    while let Some(head) = Head::read(&mut input)? {
        let mut payload = input.by_ref().take(u64::from(head.payload));
        if inflate.hash(&mut payload, u64::from(head.raw))?.is_some_and(|hash| hash == head.sha256) {
            pieces.insert(head.sha256, u64::from(head.raw));
        } else {
            notes.push(format!("captures: {} has a piece at byte {at} that is not what it says", part.path.display()));
        }
        io::copy(&mut payload, &mut io::sink())?;
        at += head.length();
    }
    Ok(())
}

/// Inflates one payload after another in the same memory.
struct Inflate {
    state: Decompress,
    out: Vec<u8>,
}

impl Inflate {
    fn new() -> Self {
        Self { state: Decompress::new(false), out: vec![0; 32 * 1024] }
    }

    /// SHA-256 of what the payload inflates to; `None` where that is not `raw` bytes, or no deflate at all.
    fn hash(&mut self, payload: &mut impl BufRead, raw: u64) -> io::Result<Option<Hash>> {
        self.state.reset(false);
        let mut hasher = Hasher::default();
        loop {
            let input = payload.fill_buf()?;
            let (read, made) = (self.state.total_in(), self.state.total_out());
            let Ok(status) = self.state.decompress(input, &mut self.out, FlushDecompress::None) else {
                return Ok(None);
            };
            let used = (self.state.total_in() - read) as usize;
            let len = (self.state.total_out() - made) as usize;
            payload.consume(used);
            hasher.update(self.out.get(..len).unwrap_or_default());
            match status {
                // More than was said is never made.
                _ if self.state.total_out() > raw => return Ok(None),
                Status::StreamEnd => return Ok((self.state.total_out() == raw).then(|| hasher.finish())),
                _ if used == 0 && len == 0 => return Ok(None),
                _ => {}
            }
        }
    }
}

struct Head {
    sha256: Hash,
    raw: u32,
    payload: u32,
}

impl Head {
    /// The next head; `None` where there is none.
    fn read(input: &mut impl io::Read) -> io::Result<Option<Self>> {
        let mut bytes = [0; HEAD_LEN];
        match input.read_exact(&mut bytes) {
            Ok(()) => Ok(Self::parse(&bytes)),
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn parse(bytes: &[u8; HEAD_LEN]) -> Option<Self> {
        let (magic, rest) = bytes.split_first_chunk::<4>()?;
        let (sha256, rest) = rest.split_first_chunk::<32>()?;
        let (raw, rest) = rest.split_first_chunk::<4>()?;
        let (payload, _) = rest.split_first_chunk::<4>()?;
        let (raw, payload) = (u32::from_be_bytes(*raw), u32::from_be_bytes(*payload));
        (magic == MAGIC).then_some(Self { sha256: Hash(*sha256), raw, payload })
    }

    /// Of the whole piece. Unit: bytes.
    fn length(&self) -> u64 {
        HEAD_LEN as u64 + u64::from(self.payload)
    }
}
