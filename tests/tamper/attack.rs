//! What every attack is held against: the real verifier, its checks switched off one by one, and the independent one.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use tallyseal_tests::book::checkpoints;
use tallyseal_tests::verifiers::{Verdict, verify, verify_py};
use tallyseal_verify::{Check, Options, Report};

use crate::stock::Copy;

/// What a verifier is given that the server's administrator cannot change.
#[derive(Clone, Default)]
pub struct Outside {
    /// The book's key.
    pub key: Option<String>,
    /// Checkpoints that were kept.
    pub checkpoints: Vec<PathBuf>,
}

impl Outside {
    /// Nothing.
    pub fn nothing() -> Self {
        Self::default()
    }

    /// The book's key.
    pub fn key(key: &str) -> Self {
        Self { key: Some(key.to_owned()), ..Self::default() }
    }

    /// A checkpoint.
    pub fn checkpoint(file: &Path) -> Self {
        Self { checkpoints: vec![file.to_owned()], ..Self::default() }
    }

    /// These too.
    pub fn and_checkpoints(mut self, files: impl IntoIterator<Item = PathBuf>) -> Self {
        self.checkpoints.extend(files);
        self
    }

    fn words(&self) -> Vec<&str> {
        let mut words = Vec::new();
        if let Some(key) = &self.key {
            words.extend(["--key", key]);
        }
        for file in &self.checkpoints {
            words.extend(["--checkpoint", file.to_str().unwrap()]);
        }
        words
    }

    /// What our verifier finds, with the faults of some checks thrown away.
    pub fn report(&self, path: &Path, skip: &[Check]) -> Report {
        let options = Options {
            keys: self.key.iter().map(|key| key.parse().unwrap()).collect(),
            checkpoints: self.checkpoints.iter().map(|file| std::fs::read_to_string(file).unwrap()).collect(),
            skip: skip.to_vec(),
            ..Options::default()
        };
        tallyseal_verify::verify(path, &options).unwrap()
    }

    /// What our program says.
    pub fn ours(&self, path: &Path) -> Verdict {
        verify(path, &self.words())
    }

    /// What the independent program says.
    pub fn theirs(&self, path: &Path) -> Verdict {
        verify_py(path, &self.words())
    }
}

/// Where a check finds its first fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// At that entry.
    At(u64),
    /// At no entry in particular.
    Nowhere,
    /// Not said here: another test does.
    Somewhere,
}

/// A check and where it finds its first fault.
pub type Finding = (&'static str, Place);

fn check_of(name: &str) -> Check {
    Check::ALL.into_iter().find(|check| check.name() == name).unwrap_or_else(|| panic!("there is no check {name}"))
}

/// Every check that found something, with the first entry that it names.
fn findings(report: &Report) -> BTreeMap<String, Option<u64>> {
    let mut found = BTreeMap::new();
    for fault in &report.faults {
        let first = found.entry(fault.check.clone()).or_insert(fault.n);
        *first = fault.n.min(*first);
    }
    found
}

/// The same checks found something, at the places that are said.
#[track_caller]
fn compare(report: &Report, wanted: &[Finding], when: &str) {
    let found = findings(report);
    let names: BTreeSet<&str> = wanted.iter().map(|(check, _)| *check).collect();
    assert_eq!(found.keys().map(String::as_str).collect::<BTreeSet<_>>(), names, "{when}{report}");
    for (check, place) in wanted {
        let wanted = match place {
            Place::At(n) => Some(*n),
            Place::Nowhere => None,
            Place::Somewhere => continue,
        };
        assert_eq!(found[*check], wanted, "{when}{check} names the place: {report}");
    }
}

/// All is well, says our program.
#[track_caller]
pub fn holds(path: &Path, outside: &Outside) {
    let verdict = outside.ours(path);
    assert_eq!(verdict.code, 0, "{:#}\n{}", verdict.report, verdict.said);
}

/// All is well, say both programs, of a sealed record or a dump.
#[track_caller]
pub fn both_hold(path: &Path, outside: &Outside) {
    holds(path, outside);
    let verdict = outside.theirs(path);
    assert_eq!(verdict.code, 0, "{:#}\n{}", verdict.report, verdict.said);
}

/// Exactly these checks find it, each first at that entry; with each switched off that one finds nothing, and with all of
/// them switched off nobody does.
#[track_caller]
pub fn found(path: &Path, outside: &Outside, by: &[Finding]) {
    let verdict = outside.ours(path);
    assert_eq!(verdict.code, 1, "{:#}\n{}", verdict.report, verdict.said);
    compare(&outside.report(path, &[]), by, "");
    for (name, _) in by {
        let others: Vec<Finding> = by.iter().copied().filter(|(other, _)| other != name).collect();
        compare(&outside.report(path, &[check_of(name)]), &others, &format!("without {name}: "));
    }
    let all: Vec<Check> = by.iter().map(|(name, _)| check_of(name)).collect();
    let blind = outside.report(path, &all);
    assert_eq!(blind.exit_code(), 0, "{blind}");
}

/// As [`found`], and the independent program finds something too.
#[track_caller]
pub fn both_find(path: &Path, outside: &Outside, by: &[Finding]) {
    found(path, outside, by);
    let verdict = outside.theirs(path);
    assert_eq!(verdict.code, 1, "{:#}\n{}", verdict.report, verdict.said);
}

/// What a check says about all that it finds.
#[track_caller]
pub fn sentences(path: &Path, outside: &Outside, check: &str) -> String {
    let report = outside.report(path, &[]);
    let said: Vec<&str> = report.faults.iter().filter(|fault| fault.check == check).map(|fault| &*fault.what).collect();
    assert!(!said.is_empty(), "{check} found nothing: {report}");
    said.join("\n")
}

/// Both programs come to this exit code over a dump of the book, with all checkpoints that the book keeps at hand.
#[track_caller]
pub fn both_over_the_dump(copy: &Copy, outside: &Outside, code: i32) {
    let outside = outside.clone().and_checkpoints(checkpoints(&copy.dir()));
    let dump = copy.dump();
    for (who, verdict) in [("ours", outside.ours(&dump)), ("theirs", outside.theirs(&dump))] {
        assert_eq!(verdict.code, code, "{who}: {:#}\n{}", verdict.report, verdict.said);
    }
}
