//! What the product promises, shown on the real binary: over HTTP, with a counting table behind a real TCP link. Every
//! test has a book of its own and ends by having both verifiers look at all of it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod accounts;
mod acts;
mod authority;
mod bad_bytes;
mod blind;
mod clocks;
mod command_line;
mod counting;
mod demo;
mod description;
mod idle;
mod keys;
mod orders;
mod overrides;
mod pages;
mod paper;
mod paper_steps;
mod printed;
mod requests;
mod rules;
mod secrets;
mod separation;
mod serving;
mod time_stamps;
mod witnesses;
