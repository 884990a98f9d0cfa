//! The checks that need the rules, which the small verifier does not have: that machines' bytes give what is recorded
//! (`replay`), that a record holds all it leans on (`scope`), that what pages show is what the entries give (`views`).

use std::collections::{BTreeSet, HashMap};
use std::path::Path;

use tallyseal_book::{OpenError, ReadError, Reader};
use tallyseal_report::scope;
use tallyseal_schema::Entry;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::sealed::{Manifest, Member, read_zip};
use tallyseal_verify::Report;

use crate::replay::{OfBook, OfRecord, Replay};

/// Entries read at a time.
const STEP: u64 = 1_000;

/// Adds the check `replay` over a book, up to the last entry that was verified. `live`: its server may write on.
///
/// Errors: it cannot be read.
pub(crate) fn replay_of_book(dir: &Path, live: bool, report: &mut Report) -> Result<(), OpenError> {
    let reader = if live { Reader::open(dir) } else { Reader::open_still(dir) }?;
    let source = OfBook(&reader);
    let mut replay = Replay::new(&source);
    let read = |error: ReadError| OpenError::Store(error.to_string());
    // Counted from the entries themselves: the row of the head is no part of the record.
    let mut from = 0;
    while from < report.entries {
        let upto = report.entries.min(from.saturating_add(STEP));
        for bytes in reader.entries(from, upto.saturating_sub(1)).map_err(read)? {
            replay.bytes(&bytes);
        }
        from = upto;
    }
    replay.finish().add_to(report);
    Ok(())
}

/// Adds the check `views` over a book that nobody writes to.
///
/// Errors: it cannot be read.
pub(crate) fn views(dir: &Path, report: &mut Report) -> Result<(), OpenError> {
    let differing = tallyseal_book::differing_views(dir)?;
    let faults = differing.faults.into_iter().map(|what| (None, what)).collect();
    report.add_check("views", differing.looked_at, faults);
    Ok(())
}

/// Adds the checks `replay` and `scope` over a sealed record. What is no such archive was said by the verifier.
///
/// Errors: the file cannot be read.
pub(crate) fn of_record(zip: &Path, report: &mut Report) -> std::io::Result<()> {
    let zip = std::fs::read(zip)?;
    let Ok(members) = read_zip(&zip) else { return Ok(()) };
    let members: HashMap<&str, &Member> = members.iter().map(|member| (member.name.as_str(), member)).collect();
    let bytes = |name: &str| members.get(name).map_or(&[][..], |member| member.bytes(&zip));
    let lines = || bytes("entries.jsonl").split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
    let source = OfRecord { zip: &zip, members: &members };
    let mut replay = Replay::new(&source);
    lines().for_each(|line| replay.bytes(line));
    replay.finish().add_to(report);
    if let Ok(manifest) = serde_json::from_slice::<Manifest>(bytes("manifest.json")) {
        let lines: Vec<&[u8]> = lines().collect();
        all_leaned_on(&manifest, &lines, report);
    }
    Ok(())
}

/// The check `scope`: the listed streams are all that the record leans on, by the entries that are there.
fn all_leaned_on(manifest: &Manifest, lines: &[&[u8]], report: &mut Report) {
    let mut streams: HashMap<Stream, Vec<Entry>> = HashMap::new();
    for entry in lines.iter().filter_map(|line| Entry::read(line).ok()) {
        streams.entry(entry.header.stream.clone()).or_default().push(entry);
    }
    let mut asked = BTreeSet::new();
    let taken = scope(&manifest.record, &mut |stream: &Stream| {
        asked.insert(stream.clone());
        Ok::<_, std::convert::Infallible>(streams.remove(stream).unwrap_or_default())
    });
    let Ok(taken) = taken;
    // The book's own stream is leaned on only where its key changed; the rules look into it to see that.
    if !taken.contains(&Stream::book()) {
        asked.remove(&Stream::book());
    }
    let missing = asked.iter().filter(|stream| !manifest.streams.contains_key(stream));
    let faults: Vec<(Option<u64>, String)> = missing
        .map(|stream| (naming(stream, lines), format!("it leans on {stream}, which is not in the record")))
        .collect();
    report.add_check("scope", asked.len() as u64, faults);
    let more = manifest.streams.keys().filter(|stream| !taken.contains(stream)).count();
    if more > 0 {
        report.notes.push(format!("scope: {more} listed streams that the record does not lean on, by these rules"));
    }
}

/// The first entry that names a stream, in full or by its ID.
fn naming(stream: &Stream, lines: &[&[u8]]) -> Option<u64> {
    let first = |text: String| {
        let found = lines.iter().find(|line| line.windows(text.len()).any(|part| part == text.as_bytes()));
        found.and_then(|line| Entry::read(line).ok()).map(|entry| entry.header.n)
    };
    first(format!("\"{stream}\"")).or_else(|| first(format!("\"{}\"", stream.id())))
}
