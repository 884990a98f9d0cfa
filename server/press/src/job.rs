//! A paper with its attachments as one run of bytes, for the pipe to the child process that sets it.
//!
//! Shape: four parts (paper as JSON, entries, proofs, checkpoint), each as its length in 8 bytes, greatest first, and its
//! bytes; nothing after the fourth.

use std::fmt;

use tallyseal_report::paper::Paper;

use crate::{Attached, PressError, print};

/// What is to be set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// What is attached.
    pub attached: Attached,
    /// What stands on the pages.
    pub paper: Paper,
}

/// Bytes that are no job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobError(String);

impl fmt::Display for JobError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a paper to set: {}", self.0)
    }
}

impl std::error::Error for JobError {}

impl Job {
    /// As bytes. Errors: a paper that is no JSON, which no paper is.
    pub fn write(&self) -> Result<Vec<u8>, JobError> {
        let paper = serde_json::to_vec(&self.paper).map_err(|error| JobError(error.to_string()))?;
        let Attached { checkpoint, entries, proofs } = &self.attached;
        let mut bytes = Vec::with_capacity(paper.len() + entries.len() + proofs.len() + checkpoint.len() + 32);
        for part in [&paper, entries, proofs, checkpoint] {
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
        let paper = part().ok_or_else(short)?;
        let entries = part().ok_or_else(short)?;
        let proofs = part().ok_or_else(short)?;
        let checkpoint = part().ok_or_else(short)?;
        if !rest.is_empty() {
            return Err(JobError("something stands behind it".to_owned()));
        }
        let paper = serde_json::from_slice(&paper).map_err(|error| JobError(error.to_string()))?;
        Ok(Self { attached: Attached { checkpoint, entries, proofs }, paper })
    }

    /// Sets it. Errors: as [`print`].
    pub fn print(&self) -> Result<Vec<u8>, PressError> {
        print(&self.paper, &self.attached)
    }
}
