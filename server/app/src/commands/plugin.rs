//! `tallyseal plugin check`, `digest`, `try`.

use std::path::Path;

use tallyseal_plugin_host::{Plugin, check_samples, try_capture};
use tallyseal_schema::plugin_files;

use crate::cli::{CannotRun, Outcome, Ran};
use crate::say;

pub(crate) fn check(dir: &Path) -> Ran {
    let report = check_samples(&Plugin::read_folder(dir)?);
    say::out(&format!("{report}"))?;
    Ok(if report.passed() { Outcome::Good } else { Outcome::FoundWrong })
}

pub(crate) fn digest(dir: &Path) -> Ran {
    say::line(format_args!("{}", plugin_files::digest(&Plugin::read_folder(dir)?)?))?;
    Ok(Outcome::Good)
}

pub(crate) fn try_file(dir: &Path, file: &Path) -> Ran {
    let plugin = Plugin::load(&Plugin::read_folder(dir)?)?;
    let capture =
        std::fs::read(file).map_err(|error| CannotRun::because(format!("cannot read {}: {error}", file.display())))?;
    for tried in try_capture(&plugin, &capture) {
        say::line(format_args!("{tried}"))?;
    }
    Ok(Outcome::Good)
}
