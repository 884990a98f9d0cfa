//! `tallyseal verify`: the verifier's checks, and those that need the rules (see [`whole`]).

use std::path::Path;
use std::str::FromStr as _;

use tallyseal_book::Layout;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_verify::{Arguments, Options, Report, SourceKind};

use crate::cli::{CannotRun, Outcome, Ran};
use crate::control_socket::is_served;
use crate::{say, set_again, whole};

pub(crate) fn verify(arguments: &Arguments) -> Ran {
    let is_book = arguments.path.is_dir();
    let live = is_book && is_served(&Layout::new(&arguments.path).socket());
    let mut report = arguments.verify(live).map_err(CannotRun::because)?;
    match report.source {
        SourceKind::Directory => {
            // A served book moves under a comparison of its views; its server folds them with the same code as it writes.
            let views = if live { Ok(()) } else { whole::views(&arguments.path, &mut report) };
            let done = views.and_then(|()| whole::replay_of_book(&arguments.path, live, &mut report));
            said_or_failed(done, &mut report)?;
        }
        SourceKind::SealedRecord => {
            said_or_failed(whole::of_record(&arguments.path, &mut report), &mut report)?;
            set_again::check(&arguments.path, &mut report, &set_again::here);
        }
        SourceKind::Printed => set_again::check(&arguments.path, &mut report, &set_again::here),
        SourceKind::Dump => {}
    }
    arguments.print(&report).map_err(say::failed)?;
    Ok(if report.ok() { Outcome::Good } else { Outcome::FoundWrong })
}

/// What could not be looked at hides nothing that was found already.
fn said_or_failed<E: std::fmt::Display>(done: Result<(), E>, report: &mut Report) -> Result<(), CannotRun> {
    match done {
        Err(error) if report.ok() => Err(CannotRun::because(error.to_string())),
        Err(error) => {
            report.notes.push(format!("further checks could not run: {error}"));
            Ok(())
        }
        Ok(()) => Ok(()),
    }
}

/// Verifies a sealed record against the book's key and says the verdict in a line.
pub(crate) fn said(zip: &Path, key: &str) -> Result<bool, CannotRun> {
    let options = Options { keys: vec![VerifierKey::from_str(key)?], ..Options::default() };
    let mut report = tallyseal_verify::verify(zip, &options)?;
    said_or_failed(whole::of_record(zip, &mut report), &mut report)?;
    let looked_at: u64 = report.checks.iter().map(|check| check.looked_at).sum();
    say::line(format_args!(
        "Verified {}: {} entries, {looked_at} things looked at, {} faults, trust: {}.",
        zip.display(),
        report.entries,
        report.faults.len(),
        report.trust.name()
    ))?;
    if !report.ok() {
        say::out(&format!("{report}"))?;
    }
    Ok(report.ok())
}
