//! The serial executor over the append-only store, checkpoints, captures, views.
//!
//! Only the executor appends, from one thread over one connection: see `core` for what happens in its transaction and
//! `executor` for what happens around it. Everything that can be wrong at a start is looked for in `open`, and a book
//! that is not as it should be is not served.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing))]

mod book;
mod book_keys;
mod capture;
mod capture_files;
mod clock;
mod core;
mod create;
mod differing;
mod entries;
mod error;
mod executor;
pub mod fault;
mod fold;
mod held;
pub mod key_file;
mod layout;
mod lock;
mod modes;
mod notes;
mod open;
mod order;
mod reader;
mod refused;
mod secrets;
mod sheet;
mod store;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod tile;
mod views;

pub use book::Book;
pub use clock::{Clock, UNKNOWN_BOOT};
pub use create::Opening;
pub use differing::{Differing, differing_views};
pub use error::{CreateError, OpenError, ReadError};
pub use fold::rebuild;
pub use layout::Layout;
pub use lock::{Lock, LockError};
pub use open::{BootInfo, EarlierClock, Settings};
pub use order::{ActError, Committed, LastChange, Order, Receipt, Secret, SecretChange, StaleStream, WrappedKey};
pub use reader::{HeadInfo, Reader};
