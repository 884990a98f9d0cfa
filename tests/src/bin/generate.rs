//! Writes what is generated from the types: the JSON Schemas and the tables of `schema/FORMAT.md`.
//!
//! `cargo run -p tallyseal-tests --bin generate` from the top folder. A test holds the files equal to the types.

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    for (path, text) in tallyseal_tests::generated::all(&top) {
        if let Err(error) = std::fs::write(&path, text) {
            eprintln!("{}: {error}", path.display());
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}
