//! The record that a person reads and signs, made of entries alone: same entries, same paper.
//!
//! | part | file |
//! |---|---|
//! | what the entries come to | `gathered` |
//! | what stands on the paper | `model` |
//! | first page, the accounts in one figure | `cover`, `account` |
//! | exceptions, corrections, deviations, signatures | `exceptions`, `corrections`, `deviations`, `signatures` |
//! | the steps of the work | `steps` |
//! | every entry with every field | `trail`, `body` |
//! | how it was made, clauses of the margin | `made`, `clauses` |

mod account;
mod body;
pub mod clauses;
mod corrections;
mod cover;
mod deviations;
mod exceptions;
mod gathered;
mod made;
mod model;
mod picture;
mod say;
mod signatures;
mod steps;
#[cfg(test)]
mod tests;
mod trail;

use std::collections::BTreeMap;

use tallyseal_schema::Entry;
use tallyseal_schema::ids::Stream;

pub use gathered::{Gathered, PaperError};
pub use model::{Align, Anchor, Block, Column, Field, Finding, Paper, Row, Section, Sheet, Signature, Tone};

use say::{section, text};

/// The paper of a record. `entries`: bytes as in `entries.jsonl`, by position. `note`: checkpoint C1. `key`: the book's
/// verifier key. `software`: name and version of what makes it.
///
/// Errors: what cannot be read; the record has no entry among them.
pub fn of(
    record: &Stream,
    entries: &BTreeMap<u64, Vec<u8>>,
    note: &str,
    key: &str,
    software: &str,
    sheet: Sheet,
) -> Result<Paper, PaperError> {
    let read = entries
        .iter()
        .map(|(n, bytes)| Entry::read(bytes).map_err(|error| PaperError::Entry { n: *n, what: error.to_string() }));
    of_entries(record, read.collect::<Result<_, _>>()?, note, key, software, sheet)
}

/// As [`of`], from the bytes of an `entries.jsonl`.
///
/// Errors: as [`of`]; a line that is no entry.
pub fn of_lines(
    record: &Stream,
    lines: &[u8],
    note: &str,
    key: &str,
    software: &str,
    sheet: Sheet,
) -> Result<Paper, PaperError> {
    let lines = lines.strip_suffix(b"\n").unwrap_or(lines).split(|byte| *byte == b'\n').zip(1..);
    let read = lines
        .map(|(bytes, line)| Entry::read(bytes).map_err(|error| PaperError::Line { line, what: error.to_string() }));
    of_entries(record, read.collect::<Result<_, _>>()?, note, key, software, sheet)
}

fn of_entries(
    record: &Stream,
    entries: Vec<Entry>,
    note: &str,
    key: &str,
    software: &str,
    sheet: Sheet,
) -> Result<Paper, PaperError> {
    let gathered = Gathered::of(record, entries, note, key)?;
    if gathered.stream(record).next().is_none() {
        return Err(PaperError::Empty(record.clone()));
    }
    Ok(paper(&gathered, software, sheet))
}

fn paper(gathered: &Gathered, software: &str, sheet: Sheet) -> Paper {
    let found = exceptions::find(gathered);
    let cover = cover::blocks(gathered, &found);
    let mut sections =
        vec![section("Exceptions", "21 CFR 211.192; EU GMP 4.21(g)", true, exceptions::blocks(gathered, &found))];
    sections.extend(steps::sections(gathered));
    sections.push(section("Deviations", "21 CFR 211.192; 21 CFR 211.188(b)(12)", false, deviations::blocks(gathered)));
    sections.push(section("Signatures", "21 CFR 11.50; 21 CFR 11.70", false, signatures::blocks(gathered)));
    sections.push(section(
        "Corrections",
        "21 CFR 11.10(e); EU GMP 4.9; EU GMP Annex 11, 8.2",
        false,
        all_corrections(gathered),
    ));
    sections.push(section("Audit trail", "21 CFR 11.10(e); EU GMP Annex 11, 9", true, trail::blocks(gathered)));
    let clauses = "21 CFR 11.10(a); 21 CFR 11.10(b)";
    sections.push(section("How this record was made", clauses, true, made::blocks(gathered, software)));
    // Last, so that it has the clauses of its own section too.
    let legend = made::legend(&cover, &sections);
    if let Some(last) = sections.last_mut() {
        last.blocks.extend(legend);
    }
    Paper {
        anchor: anchor(gathered, software),
        cover,
        newest: gathered.newest,
        record: gathered.record.to_string(),
        sections,
        sheet,
        title: cover::title(gathered),
    }
}

fn all_corrections(gathered: &Gathered) -> Vec<Block> {
    let all = corrections::all(gathered);
    let said = match all.is_empty() {
        true => "Nothing in this record was changed, put right or taken back.",
        false => {
            "Everything that changes, puts right or takes back what an earlier entry said, in order; each stands in its step as \
             well. What was there before is struck, and stays readable."
        }
    };
    std::iter::once(text(said)).chain(all).collect()
}

fn anchor(gathered: &Gathered, software: &str) -> Anchor {
    let checkpoint = &gathered.checkpoint;
    let code = checkpoint.body();
    Anchor {
        book: checkpoint.origin.to_string(),
        root: code.lines().nth(2).unwrap_or_default().to_owned(),
        code,
        key: gathered.key.clone(),
        size: checkpoint.size,
        software: software.to_owned(),
    }
}
