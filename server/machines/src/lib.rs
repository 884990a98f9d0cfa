//! Links to machines, capture of their bytes, and the simulated counting table.
//!
//! A link carries bytes and says when it came up and went down. A segmenter runs the plugin over them and says what to
//! append, and when. Neither decides anything about a count.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

pub mod capture;
pub mod link;
pub mod simulate;
pub mod table;
