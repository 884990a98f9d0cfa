//! A table of attacks on a real book and a real sealed record, by who makes them and where the proof lies.
//!
//! Every attack is looked at three ways: untouched, both verifiers say that all is well; changed, they say that it is not,
//! and ours names the check and the first bad entry; changed and with that check switched off, that check says nothing,
//! and where all checks that found it are off, nobody does. So each check is shown to be what finds its fault.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod any_byte;
mod any_value;
mod archive;
mod attack;
mod database;
mod forge;
mod form;
mod fuzz;
mod holder_of_keys;
mod matrix;
mod members;
mod pdf;
mod people;
mod replay;
mod scope;
mod served;
mod start;
mod stock;
mod tails;
mod unharmed;
