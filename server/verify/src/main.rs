//! `tallyseal-verify`: the verifier without the server in it. Exit 0: all checks hold; 1: a fault; 2: it could not run.

use std::io::Write as _;
use std::process::ExitCode;

use clap::Parser;
use tallyseal_verify::Arguments;

/// Checks a book of label counts, a sealed record or a dump against the written format.
///
/// Needs no server, no account and no network, and changes nothing.
#[derive(Parser)]
#[command(
    version,
    after_help = "Exit status: 0 all checks hold, 1 there is a fault, 2 it could not run.\n\nExample:\n  \
    tallyseal-verify DL-0001.zip --key 'label-room.example/plant-1+530d903a+AekyeR...'"
)]
struct Cli {
    #[command(flatten)]
    arguments: Arguments,
}

fn main() -> ExitCode {
    match run(&Cli::parse().arguments) {
        Ok(code) => ExitCode::from(code),
        Err(what) => {
            // No sentence: whoever read the report is gone.
            if !what.is_empty() {
                let _ = writeln!(std::io::stderr(), "tallyseal-verify: {what}");
            }
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<u8, String> {
    let report = arguments.verify(false)?;
    arguments.print(&report).map_err(|error| match error.kind() {
        std::io::ErrorKind::BrokenPipe => String::new(),
        _ => format!("the report cannot be written: {error}"),
    })?;
    Ok(report.exit_code())
}
