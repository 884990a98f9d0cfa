//! The sealed record: which streams belong to it, and the one file that a reviewer, an inspector and an auditor take
//! away. Bytes in, bytes out: no I/O, no clock.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod scope;
mod seal;

pub use scope::scope;
pub use seal::{Contents, Seal, SealError, Unsealed, prepare};
