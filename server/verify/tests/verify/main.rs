//! The verifier against forged books: every test builds a small book with a writer of its own, spoils it in one way,
//! and asks that the right check names the right entry.

#![expect(clippy::type_complexity, reason = "tables of cases, each with a deed to do")]

mod archive;
mod bytes;
mod capture;
mod changed_keys;
mod cli;
mod dump;
mod fixture;
mod form;
mod keys;
mod notes;
mod printed;
mod rows;
mod sealed;
mod signatures;
mod time_stamps;
mod trust;
