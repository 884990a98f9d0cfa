//! Named places between the durable steps, at which the crash tests end the process.
//!
//! Only with the cargo feature `faults` do they do anything: the process aborts at the place that the environment
//! variable `TALLYSEAL_FAULT` names, as `NAME` or `NAME:NTH` (the NTH time it is reached, from 1).

/// A place between two durable steps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Point {
    /// Orders were taken from the queue; no transaction is open.
    BeforeBegin,
    /// The entries of a batch are in the transaction, its states and head not yet.
    AfterInsert,
    /// Captured bytes were written and not yet synced.
    AfterCaptureWrite,
    /// Captured bytes are on disk, the entries that name them not yet.
    AfterCaptureSync,
    /// Everything of a batch is in the transaction.
    BeforeCommit,
    /// A batch is on disk; nobody knows.
    AfterCommit,
    /// The checkpoint is kept, where one was due; nobody was answered.
    BeforeReply,
    /// A checkpoint stands in its temporary file, synced, under no name.
    AfterCheckpointTmp,
    /// A checkpoint has its name; the directory was not synced.
    AfterCheckpointRename,
    /// The log of the database is about to be carried into the database file.
    BeforeWalCheckpoint,
    /// The book's next key is on disk under its own name; no entry speaks of it.
    AfterNextKey,
    /// The entry that enrols it is on disk; the old key still has its name.
    AfterKeyEntry,
    /// What the old key's file held was written over; the next one has not its name yet.
    AfterOldKeyGone,
    /// New views are filled under their new names.
    BeforeViewSwap,
    /// The old views were dropped inside the transaction that puts the new ones in place.
    InViewSwap,
}

impl Point {
    /// Every place.
    pub const ALL: [Self; 15] = [
        Self::BeforeBegin,
        Self::AfterInsert,
        Self::AfterCaptureWrite,
        Self::AfterCaptureSync,
        Self::BeforeCommit,
        Self::AfterCommit,
        Self::BeforeReply,
        Self::AfterCheckpointTmp,
        Self::AfterCheckpointRename,
        Self::BeforeWalCheckpoint,
        Self::AfterNextKey,
        Self::AfterKeyEntry,
        Self::AfterOldKeyGone,
        Self::BeforeViewSwap,
        Self::InViewSwap,
    ];

    /// The name in `TALLYSEAL_FAULT`.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::BeforeBegin => "BeforeBegin",
            Self::AfterInsert => "AfterInsert",
            Self::AfterCaptureWrite => "AfterCaptureWrite",
            Self::AfterCaptureSync => "AfterCaptureSync",
            Self::BeforeCommit => "BeforeCommit",
            Self::AfterCommit => "AfterCommit",
            Self::BeforeReply => "BeforeReply",
            Self::AfterCheckpointTmp => "AfterCheckpointTmp",
            Self::AfterCheckpointRename => "AfterCheckpointRename",
            Self::BeforeWalCheckpoint => "BeforeWalCheckpoint",
            Self::AfterNextKey => "AfterNextKey",
            Self::AfterKeyEntry => "AfterKeyEntry",
            Self::AfterOldKeyGone => "AfterOldKeyGone",
            Self::BeforeViewSwap => "BeforeViewSwap",
            Self::InViewSwap => "InViewSwap",
        }
    }
}

/// True in a build in which the places do something. A release must say no.
pub const ACTIVE: bool = cfg!(feature = "faults");

/// The process may end here.
#[cfg(not(feature = "faults"))]
#[inline(always)]
pub(crate) fn point(_: Point) {}

/// The process ends here, where the environment says so.
#[cfg(feature = "faults")]
pub(crate) fn point(point: Point) {
    use std::sync::OnceLock;
    use std::sync::atomic::{AtomicU64, Ordering};

    static WANTED: OnceLock<Option<(String, u64)>> = OnceLock::new();
    static REACHED: AtomicU64 = AtomicU64::new(0);

    let wanted = WANTED.get_or_init(|| {
        let text = std::env::var("TALLYSEAL_FAULT").ok()?;
        let (name, nth) = text.split_once(':').unwrap_or((&text, "1"));
        Some((name.to_owned(), nth.parse().ok()?))
    });
    if let Some((name, nth)) = wanted
        && name == point.as_str()
        && REACHED.fetch_add(1, Ordering::SeqCst) + 1 == *nth
    {
        std::process::abort();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_has_a_name_of_its_own() {
        for (i, point) in Point::ALL.iter().enumerate() {
            assert!(Point::ALL.iter().skip(i + 1).all(|other| other.as_str() != point.as_str()), "{point:?}");
            assert_eq!(point.as_str(), format!("{point:?}"));
        }
    }
}
