//! Runs a plugin over machine bytes: framing, declared rules, limits, observations. No network, no files but the
//! plugin's own folder when it is drafted, no clock, no randomness.
//!
//! A plugin is text (`plugins/README.md` tells how to write one). Its rules are data: they cannot loop, allocate without
//! bound or reach anything. The same bytes give the same observations for ever, however a link cuts them into pieces.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod attempt;
mod checksum;
mod declaration;
mod escape;
mod field;
mod folder;
mod framing;
mod load;
mod plugin;
mod rule;
mod samples;
mod session;

pub use attempt::{Outcome, Tried, try_capture};
pub use escape::escaped;
pub use folder::FolderError;
pub use load::LoadError;
pub use plugin::{Plugin, RuleSummary};
pub use samples::{Report, SampleReport, check_samples};
pub use session::{Session, replay};

/// The version of the engine that turns bytes into observations.
///
/// It changes whenever any plugin and any bytes could give other observations than before, the wording of an
/// `unreadable` included; so a replay that differs under another engine is a note and not a fault.
pub const fn engine_version() -> &'static str {
    "rules-1"
}
