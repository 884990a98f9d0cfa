//! The checks, each with its name.

use std::fmt;

/// One check that a verification makes. Rule: `FORMAT.md` section 7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Check {
    /// The archive is of the strict form.
    Zip,
    /// The manifest names every file with its hash, and nothing else is there.
    Manifest,
    /// Every listed stream is there from 1 to its last position, and nothing outside them.
    Complete,
    /// Every entry's bytes are canonical and fit the schema of their kind.
    Bytes,
    /// Every entry follows the one before it, in the book, in its stream and in its act.
    Chain,
    /// The clock never goes back unsaid.
    Time,
    /// The tree over all entries has the roots that the checkpoints name.
    Tree,
    /// The checkpoints are good notes of this book, and no entry that they speak of is missing.
    Checkpoints,
    /// The time-stamp tokens are good, by an authority that was given, and over the checkpoints that they lie beside.
    TimeStamps,
    /// The book's key and the keys of accounts were rightly enrolled.
    Keys,
    /// People's signatures: signer, key, what they cover.
    Signatures,
    /// Nobody signed who may not, because of what they did there.
    Separation,
    /// The raw bytes of machines are those that the entries name.
    Captures,
    /// The files of plugins are those that the entries name.
    Plugins,
    /// The pages' file is of the strict form and has the record's entries attached, and nothing else.
    Pdf,
    /// The export itself is an entry of the book.
    Seal,
    /// What had to come from outside came.
    Require,
}

impl Check {
    /// Every check, in the order in which they are reported.
    pub const ALL: [Self; 17] = [
        Self::Zip,
        Self::Manifest,
        Self::Complete,
        Self::Bytes,
        Self::Chain,
        Self::Time,
        Self::Tree,
        Self::Checkpoints,
        Self::TimeStamps,
        Self::Keys,
        Self::Signatures,
        Self::Separation,
        Self::Captures,
        Self::Plugins,
        Self::Pdf,
        Self::Seal,
        Self::Require,
    ];

    /// Its name in reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Zip => "zip",
            Self::Manifest => "manifest",
            Self::Complete => "complete",
            Self::Bytes => "bytes",
            Self::Chain => "chain",
            Self::Time => "time",
            Self::Tree => "tree",
            Self::Checkpoints => "checkpoints",
            Self::TimeStamps => "time_stamps",
            Self::Keys => "keys",
            Self::Signatures => "signatures",
            Self::Separation => "separation",
            Self::Captures => "captures",
            Self::Plugins => "plugins",
            Self::Pdf => "pdf",
            Self::Seal => "seal",
            Self::Require => "require",
        }
    }
}

impl fmt::Display for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
