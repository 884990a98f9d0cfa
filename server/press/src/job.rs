//! What is to be set as one run of bytes, for the pipe to the child process that sets it.
//!
//! Shape: four parts (record, key, sheet and software as JSON; entries; proofs; checkpoint), each as its length in 8 bytes,
//! greatest first, and its bytes; nothing after the fourth. What stands on the pages is made of the entries by the child: the
//! process that asks for it stays small.

use std::fmt;

use serde::{Deserialize, Serialize};
use tallyseal_report::paper::{self, Sheet};
use tallyseal_schema::ids::Stream;

use crate::{Attached, PressError, print};

/// What is to be set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// What is attached, and what the pages are made of.
    pub attached: Attached,
    /// How, and of what.
    pub head: Head,
}

/// What pages are made of beside what is attached to them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// The book's verifier key.
    pub key: String,
    /// Whose record.
    pub record: Stream,
    /// The sheets.
    pub sheet: Sheet,
    /// Name and version of what makes it.
    pub software: String,
}

/// Bytes that are no job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobError(String);

impl fmt::Display for JobError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a record to set: {}", self.0)
    }
}

impl std::error::Error for JobError {}

impl Job {
    /// As bytes. Errors: a head that is no JSON, which no head is.
    pub fn write(&self) -> Result<Vec<u8>, JobError> {
        let head = serde_json::to_vec(&self.head).map_err(|error| JobError(error.to_string()))?;
        let Attached { checkpoint, entries, proofs } = &self.attached;
        let mut bytes = Vec::with_capacity(head.len() + entries.len() + proofs.len() + checkpoint.len() + 32);
        for part in [&head, entries, proofs, checkpoint] {
            bytes.extend_from_slice(&(part.len() as u64).to_be_bytes());
            bytes.extend_from_slice(part);
        }
        Ok(bytes)
    }

    /// From bytes. Errors: any others than [`Job::write`] gives.
    pub fn read(bytes: &[u8]) -> Result<Self, JobError> {
        let mut rest = bytes;
        let mut part = || {
            let (length, after) = rest.split_first_chunk::<8>()?;
            let length = usize::try_from(u64::from_be_bytes(*length)).ok()?;
            let (part, after) = after.split_at_checked(length)?;
            rest = after;
            Some(part.to_vec())
        };
        let short = || JobError("it ends too soon".to_owned());
        let head = part().ok_or_else(short)?;
        let entries = part().ok_or_else(short)?;
        let proofs = part().ok_or_else(short)?;
        let checkpoint = part().ok_or_else(short)?;
        if !rest.is_empty() {
            return Err(JobError("something stands behind it".to_owned()));
        }
        let head = serde_json::from_slice(&head).map_err(|error| JobError(error.to_string()))?;
        Ok(Self { attached: Attached { checkpoint, entries, proofs }, head })
    }

    /// Makes the paper of the entries and sets it. Errors: as [`print`]; entries or a checkpoint of which no paper can be made.
    pub fn print(&self) -> Result<Vec<u8>, PressError> {
        let Head { key, record, sheet, software } = &self.head;
        let note = std::str::from_utf8(&self.attached.checkpoint).map_err(|error| PressError(error.to_string()))?;
        let paper = paper::of_lines(record, &self.attached.entries, note, key, software, *sheet);
        print(&paper.map_err(|error| PressError(error.to_string()))?, &self.attached)
    }
}
