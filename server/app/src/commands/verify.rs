//! `tallyseal verify`: the verifier's checks, and those that need the rules: that the views of a book are what its entries
//! fold to.

use std::path::Path;
use std::str::FromStr as _;

use tallyseal_book::Layout;
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_verify::{Arguments, Options};

use crate::cli::{CannotRun, Outcome, Ran};
use crate::control_socket::is_served;
use crate::{say, set_again};

pub(crate) fn verify(arguments: &Arguments) -> Ran {
    let is_book = arguments.path.is_dir();
    let live = is_book && is_served(&Layout::new(&arguments.path).socket());
    let mut report = arguments.verify(live).map_err(CannotRun::because)?;
    // A served book moves under a comparison of its views; its server folds them with the same code as it writes.
    if is_book && !live {
        let differing = tallyseal_book::differing_views(&arguments.path)?;
        let faults = differing.faults.into_iter().map(|what| (None, what)).collect();
        report.add_check("views", differing.looked_at, faults);
    }
    if !is_book {
        set_again::check(&arguments.path, &mut report);
    }
    arguments.print(&report).map_err(say::failed)?;
    Ok(if report.ok() { Outcome::Good } else { Outcome::FoundWrong })
}

/// Verifies a sealed record against the book's key and says the verdict in a line.
pub(crate) fn said(zip: &Path, key: &str) -> Result<bool, CannotRun> {
    let options = Options { keys: vec![VerifierKey::from_str(key)?], ..Options::default() };
    let report = tallyseal_verify::verify(zip, &options)?;
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
