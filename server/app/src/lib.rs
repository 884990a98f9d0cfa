//! The one binary: command line, sessions, commands, JSON API.
//!
//! Time, IDs and randomness enter here and nowhere else (`clock`, `randomness`); what they decide is decided in
//! `control`, what is written is written by the book's executor.
#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::expect_used, clippy::panic))]

mod api;
mod capture;
mod cli;
mod clock;
mod commands;
mod config;
mod control_socket;
mod copies;
mod counted;
mod demo;
mod desk;
mod equal_keys;
mod error;
mod export;
mod founding;
mod idle;
mod pages;
mod printing;
mod randomness;
mod receipts;
mod replay;
mod say;
mod server;
mod set_again;
mod strangers;
mod streams;
mod time_stamps;
mod token;
mod vault;
mod verifying;
mod whole;
mod witness;
mod witnesses;

pub use cli::run;

/// Name and version of this software, as entries say it.
pub(crate) const SOFTWARE: &str = concat!("tallyseal ", env!("CARGO_PKG_VERSION"));
