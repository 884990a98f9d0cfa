//! Crashes of the real server: killed at any moment under load, and ended at every named place between two durable steps.
//!
//! What was acknowledged is there after the next start, exactly as it was acknowledged; what was not is there wholly or not
//! at all; and who asks again with the same act has it done once. Each crash is followed by a start on the same book, and
//! the controls show that the one who checks would have seen the opposite.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod controls;
mod ledger;
mod load;
mod places;
mod rounds;
mod site;
