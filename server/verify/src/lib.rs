//! Checks a book, a sealed record or a dump against the written format; needs no server and no trust in it.
//!
//! [`verify`] reads what it is given once, from the first entry to the last, and writes down every fault with the
//! entry at which it lies; a fault never stops it. It believes only the bytes of entries and what it hashed itself,
//! and it changes nothing. What the verdict rests on is part of the verdict: see [`Trust`].
//!
//! How it works: threads read chunks of entries, hash them, scan and parse them, and leave small facts (`chunk`); one
//! judge takes the facts in the order of n and remembers streams, accounts and keys (`judge`).
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod arguments;
mod cannot_run;
mod chain_only;
mod check;
mod chunk;
mod day_files;
mod detail;
mod directory;
mod display;
mod dump;
mod entries_run;
mod findings;
mod header;
mod judge;
mod maker;
mod notes;
mod options;
mod pipeline;
mod policy;
mod printed;
mod report;
mod sealed;
mod signing;
mod source;
mod stamps;
pub mod time_stamp;
mod tree_run;
mod verdict;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::Path;

pub use arguments::Arguments;
pub use cannot_run::CannotRun;
pub use chain_only::{ChainReport, verify_chain};
pub use check::Check;
pub use options::{Options, Progress, Require, RequireError};
pub use policy::{Compromised, Policy, PolicyError, PolicySeen};
pub use report::{
    CheckLine, CheckpointSeen, CompromisedKey, Fault, Head, Outside, Report, Signatures, SourceKind, TimeStampSeen,
    Trust,
};
pub use tallyseal_schema::witness::{WitnessKey, WitnessKeyError};

/// Verifies a data directory, a sealed record, a record's PDF or a dump.
///
/// Errors: it could not run, and nothing is said about what was to be verified.
pub fn verify(source: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let mut report = judged(source, &options.with_policy())?;
    report.policy = options.policy.as_ref().map(PolicySeen::from);
    Ok(report)
}

fn judged(source: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let kind = std::fs::metadata(source).map_err(|error| CannotRun::reading(source.display(), error))?;
    if kind.is_dir() {
        return directory::verify(source, options);
    }
    if !kind.is_file() {
        return Err(CannotRun::new(format!("{} is neither a file nor a directory", source.display())));
    }
    match FileKind::of(source).map_err(|error| CannotRun::reading(source.display(), error))? {
        FileKind::Zip => sealed::verify(source, options),
        FileKind::Dump => dump::verify(source, options),
        FileKind::Pdf => printed::verify(source, options),
        FileKind::Unknown => Err(CannotRun::new(format!(
            "{} is none of the forms that can be verified: a data directory, a sealed record (ZIP), a record's PDF, a dump",
            source.display()
        ))),
    }
}

/// The files that a record's PDF has attached, by name; `None` where it is not of the strict form.
pub fn attached(pdf: &[u8]) -> Option<BTreeMap<String, Vec<u8>>> {
    printed::Pdf::open(pdf).and_then(|pdf| pdf.attached()).ok()
}

/// What a file wants to be. By its name first: a spoiled archive is a spoiled archive and not an unknown file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum FileKind {
    Zip,
    Dump,
    Pdf,
    Unknown,
}

impl FileKind {
    fn of(path: &Path) -> std::io::Result<Self> {
        let extension = path.extension().map(|extension| extension.to_ascii_lowercase());
        match extension.as_ref().and_then(|extension| extension.to_str()) {
            Some("zip") => return Ok(Self::Zip),
            Some("pdf") => return Ok(Self::Pdf),
            Some("jsonl") => return Ok(Self::Dump),
            _ => {}
        }
        let mut file = File::open(path)?;
        let mut start = Vec::new();
        (&mut file).take(5).read_to_end(&mut start)?;
        let length = file.seek(SeekFrom::End(0))?;
        file.seek(SeekFrom::Start(length.saturating_sub(22)))?;
        let mut end = Vec::new();
        file.read_to_end(&mut end)?;
        Ok(match start.as_slice() {
            [b'P', b'K', ..] => Self::Zip,
            _ if end.starts_with(b"PK\x05\x06") => Self::Zip,
            b"%PDF-" => Self::Pdf,
            [b'{', ..] => Self::Dump,
            _ => Self::Unknown,
        })
    }
}
