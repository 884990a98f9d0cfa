//! What every attack is held against: the real verifier, its checks switched off one by one, and the independent one.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use tallyseal_tests::book::checkpoints;
use tallyseal_tests::verifiers::{Verdict, tallyseal, verify, verify_py, verify_whole};
use tallyseal_verify::{Check, Options, Policy, Report};

use crate::stock::Copy;

/// What a verifier is given that the server's administrator cannot change.
#[derive(Clone, Default)]
pub struct Outside {
    /// The book's key.
    pub key: Option<String>,
    /// Checkpoints that were kept.
    pub checkpoints: Vec<PathBuf>,
    /// Keys of witnesses.
    pub witnesses: Vec<String>,
    /// A policy.
    pub policy: Option<PathBuf>,
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

    /// A policy.
    pub fn policy(file: &Path) -> Self {
        Self { policy: Some(file.to_owned()), ..Self::default() }
    }

    /// This witness too.
    pub fn and_witness(mut self, key: &str) -> Self {
        self.witnesses.push(key.to_owned());
        self
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
        for key in &self.witnesses {
            words.extend(["--witness-key", key]);
        }
        if let Some(file) = &self.policy {
            words.extend(["--policy", file.to_str().unwrap()]);
        }
        words
    }

    /// What our verifier finds, with the faults of some checks thrown away.
    pub fn report(&self, path: &Path, skip: &[Check]) -> Report {
        let options = Options {
            keys: self.key.iter().map(|key| key.parse().unwrap()).collect(),
            checkpoints: self.checkpoints.iter().map(|file| std::fs::read_to_string(file).unwrap()).collect(),
            witnesses: self.witnesses.iter().map(|key| key.parse().unwrap()).collect(),
            policy: self.policy.as_ref().map(|file| Policy::read(&std::fs::read(file).unwrap()).unwrap()),
            skip: skip.to_vec(),
            ..Options::default()
        };
        tallyseal_verify::verify(path, &options).unwrap()
    }

    /// What our program says.
    pub fn ours(&self, path: &Path) -> Verdict {
        verify(path, &self.words())
    }

    /// What our program says as a whole, with the checks that need the rules.
    pub fn whole(&self, path: &Path) -> Verdict {
        verify_whole(path, &self.words())
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

/// As [`found`] for that check and place, with whatever else finds it too.
#[track_caller]
pub fn found_first(path: &Path, outside: &Outside, check: &'static str, place: Place) {
    let report = outside.report(path, &[]);
    let others = findings(&report).into_keys().filter(|other| other != check);
    let others = others.map(|other| (check_of(&other).name(), Place::Somewhere));
    let by: Vec<Finding> = others.chain([(check, place)]).collect();
    found(path, outside, &by);
}

/// As [`found`], and the independent program finds the same.
#[track_caller]
pub fn both_find(path: &Path, outside: &Outside, by: &[Finding]) {
    found(path, outside, by);
    both_agree(path, outside);
}

/// Both programs come to the same exit code, by the same checks, each first at the same entry where both name one.
#[track_caller]
pub fn both_agree(path: &Path, outside: &Outside) -> Verdict {
    let (ours, theirs) = (outside.ours(path), outside.theirs(path));
    let said = || format!("ours {:#}\ntheirs {:#}\n{}", ours.report["faults"], theirs.report["faults"], theirs.said);
    assert_eq!(ours.code, theirs.code, "{}", said());
    let (first, other) = (ours.firsts(), theirs.firsts());
    assert!(first.keys().eq(other.keys()), "{first:?}, {other:?}\n{}", said());
    // An entry of a sealed record that cannot be read has no place that both would name.
    let both = first.iter().zip(other.values()).filter(|((_, ours), theirs)| ours.is_some() && theirs.is_some());
    for ((check, ours), theirs) in both {
        assert_eq!(ours, theirs, "{check}: {}", said());
    }
    ours
}

/// All is well, says our program as a whole.
#[track_caller]
pub fn whole_holds(path: &Path, outside: &Outside) {
    let verdict = outside.whole(path);
    assert_eq!(verdict.code, 0, "{:#}\n{}", verdict.report, verdict.said);
}

/// Of all checks of the whole program exactly that one finds it, first at that entry. The small program lacks that check and
/// finds nothing: so that check is what finds it.
#[track_caller]
pub fn found_by_rules(path: &Path, outside: &Outside, check: &str, n: Option<u64>) -> String {
    holds(path, outside);
    let verdict = outside.whole(path);
    assert_eq!(verdict.code, 1, "{:#}\n{}", verdict.report, verdict.said);
    assert_eq!(verdict.faulty(), [check], "{:#}", verdict.report);
    assert_eq!(verdict.at(check).into_iter().min().unwrap(), n, "{:#}", verdict.report);
    verdict.report["faults"].to_string()
}

/// What pages show is made anew from the entries, so that it does not tell.
#[track_caller]
pub fn rebuild(copy: &Copy) {
    let rebuilt = tallyseal(["rebuild", "--dir", copy.dir().to_str().unwrap()]);
    assert!(rebuilt.status.success(), "{}", String::from_utf8_lossy(&rebuilt.stderr));
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
    assert_eq!(outside.ours(&dump).code, code);
    both_agree(&dump, &outside);
}
