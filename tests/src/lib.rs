//! Shared means of the tests: the real binary, clients, a plant that is set up through the API, and the verifiers.
//!
//! Everything here panics where it cannot go on: a test that cannot run has failed.
#![allow(clippy::missing_panics_doc, clippy::unwrap_used, clippy::expect_used)]

pub mod api;
pub mod authority;
pub mod book;
pub mod faketime;
pub mod generated;
pub mod instance;
pub mod openapi;
pub mod packing;
pub mod plant;
pub mod server;
pub mod tampering;
pub mod verifiers;
pub mod visitor;
pub mod witness;

/// The top folder of the project.
pub fn top() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().expect("the top folder is there")
}
