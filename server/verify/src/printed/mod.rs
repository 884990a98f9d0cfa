//! A record's PDF: the entries and proofs attached to it are judged as in a sealed record. Its pages are not: they were
//! made of these entries by somebody, and only the book's own word on the file's hash, or setting them again, proves them.

mod file;
mod object;

use std::collections::BTreeSet;
use std::path::Path;

use tallyseal_schema::Hash;
use tallyseal_schema::entry::Header;

pub(crate) use file::Pdf;

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::findings::Findings;
use crate::options::Options;
use crate::report::{Report, SourceKind};
use crate::sealed::{Archive, Record, finished, judged, nothing};

const CHECKS: [Check; 8] = [
    Check::Pdf,
    Check::Bytes,
    Check::Chain,
    Check::Time,
    Check::Tree,
    Check::Checkpoints,
    Check::Keys,
    Check::Signatures,
];

/// Verifies a record's PDF by itself.
pub(crate) fn verify(path: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let mut findings = Findings::new(&options.skip);
    for check in CHECKS.into_iter().chain([Check::Separation]) {
        findings.looked(check, 0);
    }
    let bytes = std::fs::read(path).map_err(|error| CannotRun::reading(path.display(), error))?;
    let attached = match Pdf::open(&bytes).and_then(|pdf| pdf.attached()) {
        Ok(attached) => attached,
        Err(what) => {
            findings.fault(Check::Pdf, None, what);
            return Ok(finished(nothing(SourceKind::Printed), findings));
        }
    };
    findings.looked(Check::Pdf, attached.len() as u64);
    let members = attached.iter().map(|(name, bytes)| (name.clone(), bytes.as_slice())).collect();
    let archive = Archive { members };
    let streams = archive.get("entries.jsonl").map(streams).unwrap_or_default();
    let mut report = judged(&archive, Record::Printed { streams }, options, findings)?;
    report.notes.push(format!(
        "its pages are UNPROVEN: only what is attached to them was judged. The file's SHA-256 is {}; the book names it as \
         pdf in record.exported, and so does the sealed record that it came in",
        Hash::of(&bytes)
    ));
    Ok(report)
}

/// The streams of which there is more than the entry that opens the book.
fn streams(entries: &[u8]) -> BTreeSet<tallyseal_schema::ids::Stream> {
    let lines = entries.split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
    let headers = lines.filter_map(|line| Header::read(line).ok());
    headers.filter(|(header, _)| header.n > 0).map(|(header, _)| header.stream).collect()
}
