//! The third answer: neither in order nor wrong, but not verified.

use std::fmt;

/// Why a verification could not run at all. Nothing is said about what was to be verified.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CannotRun(String);

impl CannotRun {
    /// With this sentence for the person who asked.
    pub(crate) fn new(sentence: impl Into<String>) -> Self {
        Self(sentence.into())
    }

    /// Something could not be read; which, and what the system said.
    pub(crate) fn reading(what: impl fmt::Display, cause: impl fmt::Display) -> Self {
        Self(format!("{what} cannot be read: {cause}"))
    }
}

impl fmt::Display for CannotRun {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for CannotRun {}
