//! The witness: it follows the checkpoints of books that others keep, and cosigns those that continue what it saw.
//!
//! It runs elsewhere, under other people's control, and knows nothing of entries: of each book only the size and the root
//! that it cosigned last. Rule: C2SP `tlog-witness`, `tlog-cosignature`.

mod folder;
mod memory;
mod web;

pub(crate) use folder::Folder;
pub(crate) use web::serve;
