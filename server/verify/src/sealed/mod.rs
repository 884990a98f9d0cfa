//! A sealed record: one thing's entries with everything that they rest on, and the proof that the book holds them.

mod archive;
mod manifest;
mod proofs;
mod seal;

use std::collections::{BTreeSet, HashSet};
use std::path::Path;

use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::sealed::{Manifest, ZipError};
use tallyseal_schema::{Body, Entry, Hash};

pub(crate) use archive::Archive;
use proofs::Proofs;

use crate::cannot_run::CannotRun;
use crate::check::Check;
use crate::chunk::Scene;
pub(crate) use crate::directory::finished;
use crate::directory::given;
use crate::entries_run::{self, Passed};
use crate::findings::Findings;
use crate::judge::{Extent, Judge, PluginFiles, Plugins};
use crate::notes::{self, Note, NoteText, Signers};
use crate::options::Options;
use crate::printed::Pdf;
use crate::report::{CheckpointSeen, Head, Report, Signatures, SourceKind, Trust};
use crate::source::{Lines, Opening, Source};
use crate::stamps::{self, Stamps};
use crate::verdict::{self, Given};

const CHECKS: [Check; 14] = [
    Check::Zip,
    Check::Manifest,
    Check::Complete,
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
    Check::Seal,
];

/// Verifies a sealed record.
pub(crate) fn verify(path: &Path, options: &Options<'_>) -> Result<Report, CannotRun> {
    let mut findings = Findings::new(&options.skip);
    for check in CHECKS {
        findings.looked(check, 0);
    }
    let length = std::fs::metadata(path).map_err(|error| CannotRun::reading(path.display(), error))?.len();
    if length > u64::from(u32::MAX) {
        // Said without bringing it into memory.
        findings.fault(Check::Zip, None, ZipError::TooLarge.to_string());
        return Ok(finished(nothing(SourceKind::SealedRecord), findings));
    }
    let zip = std::fs::read(path).map_err(|error| CannotRun::reading(path.display(), error))?;
    let Some(archive) = Archive::open(&zip, &mut findings) else {
        return Ok(finished(nothing(SourceKind::SealedRecord), findings));
    };
    let manifest = manifest::check(&archive, &mut findings);
    pages(&archive, &mut findings);
    judged(&archive, Record::Sealed { manifest }, options, findings)
}

/// What a record is besides its entries, proofs and checkpoint.
pub(crate) enum Record {
    /// Those of a PDF, with the streams that it has entries of.
    Printed {
        /// All of them but that of entry 0.
        streams: BTreeSet<Stream>,
    },
    /// All that a sealed record has.
    Sealed {
        /// Where it can be read.
        manifest: Option<Manifest>,
    },
}

/// The pages' file has attached what the record holds, byte for byte.
fn pages(archive: &Archive<'_>, findings: &mut Findings) {
    let Some(bytes) = archive.get("record.pdf") else { return };
    findings.looked(Check::Pdf, 1);
    match Pdf::open(bytes).and_then(|pdf| pdf.attached()) {
        Ok(attached) => {
            for (name, bytes) in &attached {
                if archive.get(name) != Some(bytes.as_slice()) {
                    let what = format!("{name} in record.pdf is not {name} in the record");
                    findings.fault(Check::Pdf, None, what);
                }
            }
        }
        Err(what) => findings.fault(Check::Pdf, None, format!("record.pdf: {what}")),
    }
}

/// Judges entries, proofs and checkpoint, and with a sealed record's all that is around them.
pub(crate) fn judged(
    archive: &Archive<'_>,
    record: Record,
    options: &Options<'_>,
    mut findings: Findings,
) -> Result<Report, CannotRun> {
    let entries = archive.get("entries.jsonl").unwrap_or_default();
    let lines = Lines::of_memory(entries)?;
    let opening = Opening::of(&lines.first()?);
    let (manifest, printed) = match record {
        Record::Sealed { manifest } => (manifest, None),
        Record::Printed { streams } => (None, Some(streams)),
    };
    if let Some(manifest) = &manifest
        && opening.book.as_ref().is_some_and(|book| *book != manifest.book)
    {
        findings.fault(Check::Manifest, None, format!("it is of the book {}, its entries are not", manifest.book));
    }

    let kind = if printed.is_some() { SourceKind::Printed } else { SourceKind::SealedRecord };
    let raw_bytes = printed.is_none().then(|| archive.captures(&mut findings));
    let scene = Scene { book: opening.book.clone(), sizes: Vec::new(), contiguous: false, raw_bytes };
    let files = if printed.is_some() { PluginFiles::NotHere } else { archive.plugins(&mut findings) };
    let plugins = Plugins::new(files, false);
    let mut judge = Judge::new(Extent::Streams, plugins);
    if let Some(manifest) = &manifest {
        judge.streams.list(manifest.streams.keys().cloned());
    }
    judge.streams.list(printed.into_iter().flatten());
    // Whether the book signed it is asked below, when its keys are known.
    let unsigned = archive.get("checkpoint.txt").and_then(|text| std::str::from_utf8(text).ok());
    let unsigned = unsigned.and_then(|text| checkpoint::parse_body(text).ok());
    let mut proved = Proofs::read(archive.get("proofs.jsonl").unwrap_or_default(), unsigned.as_ref(), &mut findings);
    let given = given(options);
    let tokens: Vec<_> = stamps::given(options).collect();
    let mut stamps = Stamps::judge(&tokens, &given, options, &mut findings);
    let source = Source::Lines(lines);
    let passed =
        entries_run::run(&source, &scene, &mut judge, options, &mut findings, &mut |fact, stream, findings| {
            proved.entry(fact, findings);
            stamps.entry(fact);
            if let (Some(n @ 1..), Some(stream), Some(manifest)) = (fact.n, stream, &manifest)
                && !manifest.streams.contains_key(stream)
            {
                findings.fault(
                    Check::Complete,
                    Some(n),
                    format!("it stands in {stream}, which the manifest does not list"),
                );
            }
        })?;
    proved.finish(&mut findings);
    if kind == SourceKind::SealedRecord {
        captures_without_entry(archive, entries, &mut findings);
    }
    let signers = Signers { book: opening.book.as_ref(), keys: &judge.book_keys, witnesses: &options.witnesses };
    let inside = Inside::open(archive, signers, &mut findings);
    if let (Some(c1), Some(manifest)) = (&inside.c1, &manifest)
        && c1.checkpoint.size != manifest.size
    {
        let (size, said) = (c1.checkpoint.size, manifest.size);
        findings.fault(Check::Manifest, None, format!("it says size {said}, checkpoint.txt says {size}"));
    }
    let outside = notes::open_all(&given, signers, options.threads(), &mut findings);
    notes::contradictions(&outside, &mut findings);

    if opening.n != Some(0) {
        findings.fault(Check::Complete, Some(0), "entry 0 is not there");
    }
    if let Some(manifest) = &manifest {
        complete(manifest, &judge, &mut findings);
    }
    let sealed = kind == SourceKind::SealedRecord
        && seal::check(archive, manifest.as_ref(), inside.c1(), inside.c2(), &mut findings);
    Ok(finished(
        Outcome { kind, judge: &judge, passed, inside, outside, stamps, sealed, opening, page: another_page(archive) }
            .report(options, &mut findings),
        findings,
    ))
}

/// Raw bytes that no entry names are no part of the record.
fn captures_without_entry(archive: &Archive<'_>, entries: &[u8], findings: &mut Findings) {
    let mut named = HashSet::new();
    for line in entries.split(|byte| *byte == b'\n') {
        match Entry::read(line).map(|entry| entry.body) {
            Ok(Body::CountSegmentCaptured(body)) => drop(named.insert(body.sha256)),
            Ok(Body::StationStrayCaptured(body)) => drop(named.insert(body.sha256)),
            _ => {}
        }
    }
    for name in archive.members.keys().filter(|name| name.starts_with("captures/")) {
        let hash = name.strip_prefix("captures/").and_then(hash_name);
        if hash.is_some_and(|hash| !named.contains(&hash)) {
            findings.fault(Check::Captures, None, format!("{name} is named by no entry"));
        }
    }
}

/// Each listed stream is there from 1 to where the manifest says.
fn complete(manifest: &Manifest, judge: &Judge<'_>, findings: &mut Findings) {
    findings.looked(Check::Complete, manifest.streams.len() as u64);
    let mut wrong = |stream: &Stream, what: String| findings.fault(Check::Complete, None, format!("{stream} {what}"));
    for (stream, wanted) in &manifest.streams {
        match judge.streams.extent_of(stream) {
            (rev, _) if rev != *wanted => wrong(stream, format!("goes to rev {rev}, the manifest says {wanted}")),
            (_, false) => wrong(stream, "is not there in full".to_owned()),
            _ => {}
        }
    }
}

/// The two checkpoints inside, where they are good.
struct Inside {
    c1: Option<Note>,
    c2: Option<Note>,
}

impl Inside {
    fn open(archive: &Archive<'_>, signers: Signers<'_>, findings: &mut Findings) -> Self {
        let mut open = |name: &str| {
            // What is not there at all is said by the manifest.
            let text = String::from_utf8_lossy(archive.get(name)?).into_owned();
            let text = NoteText { name: name.to_owned(), text, outside: false };
            notes::open_all(&[text], signers, 1, findings).pop()
        };
        Self { c1: open("checkpoint.txt"), c2: open("seal.txt") }
    }

    fn c1(&self) -> Option<&Checkpoint> {
        self.c1.as_ref().map(|note| &note.checkpoint)
    }

    fn c2(&self) -> Option<&Checkpoint> {
        self.c2.as_ref().map(|note| &note.checkpoint)
    }
}

/// All that the report is made of.
struct Outcome<'a> {
    kind: SourceKind,
    judge: &'a Judge<'a>,
    passed: Passed,
    inside: Inside,
    outside: Vec<Note>,
    stamps: Stamps,
    /// The seal joins C2 to C1.
    sealed: bool,
    opening: Opening,
    /// What is to be said about the checking page in the record.
    page: Option<String>,
}

/// SHA-256 of the checking page of this version. Generated.
const CHECKING_PAGE: &str = include_str!("../checking_page.sha256");

/// A checking page is no part of what is proved, but who opens it should know whether it is the one that we know.
fn another_page(archive: &Archive<'_>) -> Option<String> {
    let hash = Hash::of(archive.get("verify.html")?);
    let known = hash.hex() == CHECKING_PAGE.trim_end();
    (!known).then(|| {
        format!(
            "verify.html is another checking page than this version's, with SHA-256 {hash}: what it shows is not known"
        )
    })
}

impl Outcome<'_> {
    fn report(self, options: &Options<'_>, findings: &mut Findings) -> Report {
        let c2 = self.inside.c2.filter(|_| self.sealed);
        let inside: Vec<Note> = self.inside.c1.into_iter().chain(c2).collect();
        // A checkpoint from outside can only be held against one of the same size: there is no proof to any other.
        let mut agreeing = Vec::new();
        for note in &self.outside {
            match inside.iter().find(|inside| inside.checkpoint.size == note.checkpoint.size) {
                Some(inside) if inside.checkpoint == note.checkpoint => agreeing.push(note),
                Some(_) => {
                    let what = format!("the checkpoint {} names another root than the one in the record", note.name);
                    findings.fault(Check::Checkpoints, None, what);
                }
                None => findings.not_judged(Check::Checkpoints, "of another size than those in the record", 1),
            }
        }
        let (book, keys) = (self.opening.book.as_ref(), &self.judge.book_keys);
        let given = Given::of(book, keys, options, findings);
        let names: Vec<&str> = agreeing.iter().map(|note| note.name.as_str()).collect();
        let (time_stamp, about_stamps) = self.stamps.finish(&names, findings);
        let proofs = given.proofs(inside.iter().chain(agreeing), options, findings);
        let at = |_| self.judge.last_at;
        let end = self.judge.last.map_or(0, |(n, _)| n.saturating_add(1));
        let (trust, outside) = verdict::trust(&proofs, end, at, options, findings);
        let key = verdict::own_key(book, keys).map(|key| key.to_string());
        let signed = self.passed.signed;
        let mut notes: Vec<String> = verdict::about_compromised(&signed.compromised).collect();
        notes.extend(verdict::about_keys(book, keys));
        notes.extend(self.page);
        notes.extend(about_stamps);
        Report {
            source: self.kind,
            trust,
            book: self.opening.book,
            key,
            entries: self.judge.entries,
            head: self.judge.last.map(|(n, leaf)| Head { n, leaf }),
            checkpoint: notes::newest(&inside),
            outside,
            time_stamp,
            signatures: signed.signatures,
            compromised: signed.compromised,
            policy: None,
            checks: Vec::new(),
            faults: Vec::new(),
            notes,
        }
    }
}

/// Of an archive that cannot be opened.
pub(crate) fn nothing(source: SourceKind) -> Report {
    Report {
        source,
        trust: Trust::Itself,
        book: None,
        key: None,
        entries: 0,
        head: None,
        checkpoint: None::<CheckpointSeen>,
        outside: None,
        time_stamp: None,
        signatures: Signatures::default(),
        compromised: Vec::new(),
        policy: None,
        checks: Vec::new(),
        faults: Vec::new(),
        notes: Vec::new(),
    }
}

/// A SHA-256 as a file's name.
fn hash_name(name: &str) -> Option<Hash> {
    name.parse().ok()
}
