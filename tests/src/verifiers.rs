//! Both verifiers, as an auditor runs them: our own program, and the independent one in Python.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

use crate::top;

/// A binary of this workspace, built before the tests run.
pub fn binary(name: &str) -> PathBuf {
    // The tests' own executable lies in target/PROFILE/deps.
    let exe = std::env::current_exe().expect("a test has an executable");
    let profile = exe.parent().and_then(Path::parent).expect("target/PROFILE/deps");
    let path = profile.join(name);
    assert!(path.exists(), "{} is not built; tests/run builds it first", path.display());
    path
}

/// Runs a command of `tallyseal` and gives what it said.
pub fn tallyseal<I: AsRef<OsStr>>(args: impl IntoIterator<Item = I>) -> Output {
    Command::new(binary("tallyseal")).args(args).output().expect("tallyseal runs")
}

/// What a verification found: exit code and the JSON report.
#[derive(Debug)]
pub struct Verdict {
    /// 0: all hold; 1: a fault; 2: it could not run.
    pub code: i32,
    /// The report; null where it could not run.
    pub report: Value,
    /// What was said on standard error.
    pub said: String,
}

impl Verdict {
    /// The names of the checks that found a fault, in order and once each.
    pub fn faulty(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for fault in self.report["faults"].as_array().into_iter().flatten() {
            let name = fault["check"].as_str().unwrap_or_default().to_owned();
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names
    }

    /// Every check that found a fault, with the first entry that it names.
    pub fn firsts(&self) -> BTreeMap<String, Option<u64>> {
        self.faulty().into_iter().map(|name| (name.clone(), self.at(&name).into_iter().flatten().min())).collect()
    }

    /// The entries that that check found fault with.
    pub fn at(&self, check: &str) -> Vec<Option<u64>> {
        let faults = self.report["faults"].as_array().into_iter().flatten();
        faults.filter(|fault| fault["check"] == check).map(|fault| fault["n"].as_u64()).collect()
    }
}

fn verdict(output: &Output) -> Verdict {
    Verdict {
        code: output.status.code().unwrap_or(-1),
        report: serde_json::from_slice(&output.stdout).unwrap_or(Value::Null),
        said: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Our own program, in its small form that has no server in it.
pub fn verify(path: &Path, more: &[&str]) -> Verdict {
    let output = Command::new(binary("tallyseal-verify")).arg(path).arg("--json").args(more).output();
    verdict(&output.expect("tallyseal-verify runs"))
}

/// Our own program as a whole, with the checks that need the rules.
pub fn verify_whole(path: &Path, more: &[&str]) -> Verdict {
    let words = [OsStr::new("verify"), path.as_os_str(), OsStr::new("--json")];
    verdict(&tallyseal(words.into_iter().chain(more.iter().map(OsStr::new))))
}

/// The tests' own Python, with the packages that they use.
pub fn python() -> Command {
    Command::new(std::env::var_os("TALLYSEAL_PYTHON").unwrap_or_else(|| {
        let own = top().join("target/python/bin/python");
        if own.exists() { own.into() } else { "python3".into() }
    }))
}

/// The independent verifier.
pub fn verify_py(path: &Path, more: &[&str]) -> Verdict {
    let script = top().join("tests/independent/verify.py");
    let output = python().arg(script).arg(path).arg("--json").args(more).output();
    verdict(&output.expect("python runs"))
}

/// The whole book must verify, for both verifiers. `dir`: no server runs on it any more.
#[track_caller]
pub fn all_hold(dir: &Path) {
    hold(dir, &[]);
}

/// The whole book must verify against its key, for both verifiers and for the views that fold from it: what every
/// acceptance test ends with. `dir`: no server runs on it any more.
#[track_caller]
pub fn all_hold_by(dir: &Path, key: &str) {
    hold(dir, &["--key", key]);
    let whole = tallyseal([OsStr::new("verify"), dir.as_os_str()]);
    assert!(whole.status.success(), "{}", String::from_utf8_lossy(&whole.stdout));
}

#[track_caller]
fn hold(dir: &Path, more: &[&str]) {
    let ours = verify(dir, more);
    assert_eq!(ours.code, 0, "{}\n{}", serde_json::to_string_pretty(&ours.report).unwrap(), ours.said);
    let dumped = tallyseal([OsStr::new("dump"), OsStr::new("--dir"), dir.as_os_str()]);
    assert!(dumped.status.success(), "{}", String::from_utf8_lossy(&dumped.stderr));
    let mut dump = tempfile::Builder::new().suffix(".jsonl").tempfile().unwrap();
    dump.write_all(&dumped.stdout).unwrap();
    let theirs = verify_py(dump.path(), more);
    assert_eq!(theirs.code, 0, "{}\n{}", serde_json::to_string_pretty(&theirs.report).unwrap(), theirs.said);
}
