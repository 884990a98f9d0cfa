//! Sets a [`Paper`] as PDF/A-3b, with the entries and proofs that it was made of attached.
//!
//! The same paper and the same attachments give the same bytes: nothing here asks a clock, a file or a name of the day.
//! A large record takes a gigabyte of memory that the library does not give back, so the server runs this in a child
//! process: see [`job`].
//!
//! Rule: ISO 19005-3 (PDF/A-3), conformance level B.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod faces;
mod job;
mod line_ends;
mod readable;
mod world;

use std::fmt;

use tallyseal_report::paper::Paper;
use typst::foundations::{Datetime, Smart};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

pub use job::{Head, Job, JobError};

#[cfg(test)]
mod tests;

use line_ends::streams_end_plainly;
use world::World;

/// What is attached, byte for byte as in the sealed record.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Attached {
    /// Checkpoint C1, a signed note.
    pub checkpoint: Vec<u8>,
    /// `entries.jsonl`.
    pub entries: Vec<u8>,
    /// `proofs.jsonl`.
    pub proofs: Vec<u8>,
}

/// Why it could not be set: a defect of ours, never of the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PressError(String);

impl fmt::Display for PressError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the record could not be set: {}", self.0)
    }
}

impl std::error::Error for PressError {}

/// More rows of tables than this, and the pages carry no marks for screen readers: they would be most of the file.
const TAGGED_ROWS: usize = 2_000;

/// Sets the paper. Gives the bytes of the PDF.
///
/// Errors: [`PressError`]; a character that no face has is no error, it is shown as its code point.
pub fn print(paper: &Paper, attached: &Attached) -> Result<Vec<u8>, PressError> {
    let world = World::new(paper, attached)?;
    let said = |errors: typst::ecow::EcoVec<typst::diag::SourceDiagnostic>| {
        let errors: Vec<String> = errors.iter().map(|error| error.message.to_string()).collect();
        PressError(errors.join("; "))
    };
    let document = typst::compile::<PagedDocument>(&world).output.map_err(said)?;
    let standards = PdfStandards::new(&[PdfStandard::A_3b]).map_err(|error| PressError(error.message().to_string()))?;
    let options = PdfOptions {
        ident: Smart::Custom(format!("{} {} {}", paper.anchor.book, paper.record, paper.anchor.size)),
        creator: Smart::Custom(Some(paper.anchor.software.clone())),
        timestamp: Some(Timestamp::new_utc(date(paper)?)),
        standards,
        tagged: rows(paper) <= TAGGED_ROWS,
        ..PdfOptions::default()
    };
    typst_pdf::pdf(&document, &options).map_err(said).map(streams_end_plainly)
}

/// The moment of the newest entry: the only date that there is.
fn date(paper: &Paper) -> Result<Datetime, PressError> {
    let text = paper.newest.to_string();
    let mut numbers = text.split(|c: char| !c.is_ascii_digit()).map(str::parse::<u16>);
    let mut next = || numbers.next().and_then(Result::ok);
    let small = |number: Option<u16>| number.and_then(|number| u8::try_from(number).ok());
    let (year, month, day) = (next(), small(next()), small(next()));
    let (hour, minute, second) = (small(next()), small(next()), small(next()));
    let date = || Datetime::from_ymd_hms(i32::from(year?), month?, day?, hour?, minute?, second?);
    date().ok_or_else(|| PressError(format!("{text} is no date")))
}

fn rows(paper: &Paper) -> usize {
    use tallyseal_report::paper::Block;
    let sections = paper.sections.iter().flat_map(|section| &section.blocks);
    let blocks = paper.cover.iter().chain(sections);
    blocks.map(|block| if let Block::Table { rows, .. } = block { rows.len() } else { 1 }).sum()
}
