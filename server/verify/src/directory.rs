//! A data directory: every check that needs all entries.

use std::path::Path;

use tallyseal_schema::BookName;
use tallyseal_schema::ids::Stream;

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::chunk::{Fact, Scene};
use crate::day_files;
use crate::entries_run::{self, Passed};
use crate::findings::Findings;
use crate::judge::{Extent, Judge, PluginFiles, Plugins, founders};
use crate::notes::{self, NoteText, Signers};
use crate::options::Options;
use crate::report::{Head, Outside, Report, SourceKind};
use crate::source::{BookFile, Opening, Source};
use crate::stamps::{self, Stamps};
use crate::verdict::{self, Given};

/// Checkpoints are kept at the latest after so many entries; a longer tail without one is worth a word.
///
/// Rule: `FORMAT.md` section 3.
const LATE_ENTRIES: u64 = 1_000;

/// The notes that were given from outside.
pub(crate) fn given(options: &Options<'_>) -> Vec<NoteText> {
    let numbered = options.checkpoints.iter().zip(1..);
    numbered
        .map(|(text, number)| NoteText { name: format!("given, number {number}"), text: text.clone(), outside: true })
        .collect()
}

/// Verifies a data directory.
pub(crate) fn verify(dir: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let mut findings = Findings::new(&options.skip);
    // Before the entries, and time-stamps before checkpoints: a server that runs may keep further ones while we read, and
    // each comes after what it is over.
    let mut tokens = stamps::read_dir(&dir.join("checkpoints"), options)?;
    tokens.extend(stamps::given(options));
    let mut texts = notes::read_dir(&dir.join("checkpoints"))?;
    let book = BookFile::open(dir, options.live)?;
    texts.extend(given(options));

    let opening = book.first()?.map(|bytes| Opening::of(&bytes)).unwrap_or_default();

    let (pieces, about_captures) = day_files::index(&dir.join("captures"), options.threads())?;
    let scene =
        Scene { book: opening.book.clone(), sizes: notes::sizes(&texts), contiguous: true, raw_bytes: Some(pieces) };
    let files = PluginFiles::Store(Box::new(book.files()?));
    let mut judge = Judge::new(Extent::Whole, Plugins::new(files, true));
    if book.before_zero > 0 {
        findings.fault(Check::Chain, None, format!("{} rows stand before entry 0", book.before_zero));
    }
    if book.end == 0 {
        findings.fault(Check::Chain, Some(0), "there is no entry at all");
    }
    for check in [
        Check::Bytes,
        Check::Chain,
        Check::Time,
        Check::Tree,
        Check::Checkpoints,
        Check::Keys,
        Check::Signatures,
        Check::Separation,
        Check::Captures,
        Check::Plugins,
    ] {
        findings.looked(check, 0);
    }
    let end = book.end;
    let source = Source::Book(book);
    let mut stamps = Stamps::judge(&tokens, &texts, options, &mut findings);
    let mut seen = |fact: &Fact, _: Option<&Stream>, _: &mut Findings| stamps.entry(fact);
    let passed = entries_run::run(&source, &scene, &mut judge, options, &mut findings, &mut seen)?;
    founders(&judge.accounts, &mut findings);
    let mut report =
        Ended { judge: &judge, passed: &passed, book: opening.book.as_ref(), end, from_zero: true, stamps: &stamps }
            .held_against(&texts, options, &mut findings);
    report.book = opening.book;
    report.notes.extend(about_captures);
    Ok(finished(report, findings))
}

/// What there is after the last entry.
pub(crate) struct Ended<'a> {
    pub(crate) judge: &'a Judge<'a>,
    pub(crate) passed: &'a Passed,
    pub(crate) book: Option<&'a BookName>,
    /// One more than the last n.
    pub(crate) end: u64,
    /// The entries begin at 0, so the tree over them is the book's.
    pub(crate) from_zero: bool,
    pub(crate) stamps: &'a Stamps,
}

impl Ended<'_> {
    /// Holds the entries against checkpoints, and says what the verdict rests on.
    pub(crate) fn held_against(&self, texts: &[NoteText], options: &Options<'_>, findings: &mut Findings) -> Report {
        // Only now is it known which key signs at which size.
        let keys = &self.judge.book_keys;
        let given = Given::of(self.book, keys, options, findings);
        let signers = Signers { book: self.book, keys, witnesses: &options.witnesses };
        let notes = &notes::open_all(texts, signers, options.threads(), findings);
        notes::contradictions(notes, findings);
        let mut held = Vec::new();
        if self.from_zero {
            findings.looked(Check::Tree, self.passed.tree.size());
            held = notes::against_tree(notes, &self.passed.tree, self.end, findings);
        } else {
            findings.not_judged(Check::Checkpoints, "the entries before the dump are not here", notes.len() as u64);
        }
        let proofs = given.proofs(held.iter().copied(), options, findings);
        let names: Vec<&str> = held.iter().map(|note| note.name.as_str()).collect();
        let (time_stamp, about_stamps) = self.stamps.finish(&names, findings);
        let at = |size: u64| self.passed.times.get(&size).copied();
        let (trust, outside) = verdict::trust(&proofs, self.end, at, options, findings);
        let checkpoint = notes::newest(held);
        let mut report = Report {
            source: SourceKind::Directory,
            trust,
            book: None,
            key: verdict::own_key(self.book, keys).map(|key| key.to_string()),
            entries: self.judge.entries,
            head: self.judge.last.map(|(n, leaf)| Head { n, leaf }),
            checkpoint,
            outside,
            time_stamp,
            signatures: self.passed.signed.signatures,
            compromised: self.passed.signed.compromised.clone(),
            policy: None,
            checks: Vec::new(),
            faults: Vec::new(),
            notes: verdict::about_compromised(&self.passed.signed.compromised).collect(),
        };
        report.notes.extend(verdict::about_keys(self.book, keys));
        report.notes.extend(about_stamps);
        let behind = self.end.saturating_sub(checkpoint.map_or(0, |checkpoint| checkpoint.size));
        if behind > LATE_ENTRIES && self.from_zero {
            report.notes.push(format!(
                "{behind} entries stand after the newest checkpoint; a book keeps one at least every {LATE_ENTRIES}"
            ));
        }
        if outside.is_some_and(|Outside { tail, .. }| tail > 0) {
            report
                .notes
                .push("nothing from outside speaks for the exposed tail, nor shows that it is whole".to_owned());
        }
        report
    }
}

/// The report with everything that was found.
pub(crate) fn finished(mut report: Report, findings: Findings) -> Report {
    let (checks, faults, notes) = findings.finish();
    report.checks = checks;
    report.faults = faults;
    report.notes.splice(0..0, notes);
    report
}
