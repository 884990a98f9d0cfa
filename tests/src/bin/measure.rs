//! Speed as ratios in one run: ours and a reference in turn, on the same bytes, disk and machine.
//!
//! `cargo run --release -p tallyseal-tests --bin measure -- act|commit|export|pages|verify-chain|verify [--entries N] [--acts N]`
//!
//! Prints a table and last one line of JSON. Nothing here passes or fails: a time is not a test.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

use std::process::ExitCode;

#[path = "../measure/act.rs"]
mod act;
#[path = "../measure/bulk.rs"]
mod bulk;
#[path = "../measure/commit.rs"]
mod commit;
#[path = "../measure/export.rs"]
mod export;
#[path = "../measure/machine.rs"]
mod machine;
#[path = "../measure/pages.rs"]
mod pages;
#[path = "../measure/people.rs"]
mod people;
#[path = "../measure/replay.rs"]
mod replay;
#[path = "../measure/table.rs"]
mod table;
#[path = "../measure/verify.rs"]
mod verify;

const USAGE: &str = "measure act|commit|export|pages|verify-chain|verify [--entries N] [--acts N]\n\n\
    act           whole commands at 64 callers against bare SQL of the same rows in the same batches\n\
    commit        one durable command alone: CPU and syncs\n\
    export        the sealed record of 10,000 entries against one of 1,000, from a book at rest\n\
    pages         pages of a served book of N entries, each against the page of one entry by its number\n\
    verify-chain  bytes, links and tree of a book of N entries (1,000,000) against SHA-256 of the same bytes in memory\n\
    verify        every check of that book against the same";

/// What was asked for.
pub struct Asked {
    /// How large the book is that is verified.
    pub entries: u64,
    /// How many commands are given in one round.
    pub acts: u64,
}

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let what = words.next().unwrap_or_default();
    let mut asked = Asked { entries: 1_000_000, acts: 30_000 };
    let mut dir = String::new();
    while let Some(word) = words.next() {
        let value = words.next().unwrap_or_default();
        match (word.as_str(), value.replace(['_', ','], "").parse()) {
            ("--entries", Ok(number)) => asked.entries = number,
            ("--acts", Ok(number)) => asked.acts = number,
            ("--dir", _) => dir = value,
            _ => {
                eprintln!("{USAGE}");
                return ExitCode::from(2);
            }
        }
    }
    match what.as_str() {
        "act" => act::measure(&asked),
        "commit" => commit::measure(&asked),
        // The same commands in a process of their own, so that its system calls can be counted.
        "commit-child" => commit::child(dir.as_ref(), asked.acts),
        "export" => export::measure(),
        "pages" => pages::measure(&asked),
        "verify-chain" => verify::chain(&asked),
        "verify" => verify::whole(&asked),
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    }
    ExitCode::SUCCESS
}
