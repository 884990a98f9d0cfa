//! What Tallyseal records: entries, their canonical bytes, hashes, proofs, signatures and sealed records.
//!
//! This crate has no I/O, no clock and no randomness. It is the only crate that hashes and the only one
//! that a verifier needs; `FORMAT.md` beside it is the prose of the same contract.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

pub mod canonical;
pub mod checkpoint;
pub mod entry;
pub mod hash;
pub mod ids;
pub mod kinds;
pub mod observation;
pub mod plugin_files;
pub mod quantity;
pub mod sealed;
pub mod signature;
pub mod time;
pub mod tree;
pub mod two_people;
pub mod witness;

pub use entry::{Act, By, Entry, Header};
pub use hash::Hash;
pub use ids::{AccountId, BookName, Stream};
pub use kinds::Body;
pub use quantity::{Labels, Ratio};
pub use time::Time;
