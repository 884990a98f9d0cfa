//! `tallyseal simulate`.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::time::Duration;

use clap::ValueEnum;
use tallyseal_machines::simulate::{Passes, SimulateOptions, StartOn, simulate as run};
use tallyseal_machines::table::{HaltOn, Scatter, Speed};

use crate::cli::{CannotRun, Outcome, Ran, runtime};
use crate::say;

/// What the simulated table is given.
#[derive(clap::Args)]
pub(crate) struct SimulateArgs {
    /// Where the table listens; the server's link calls it.
    #[arg(long, default_value = "127.0.0.1:4001")]
    listen: SocketAddr,
    /// Labels on the roll.
    #[arg(long, default_value_t = 1_000)]
    labels: u32,
    /// The code on every label; "none" for a table without a reader.
    #[arg(long, default_value = "0109521234567899")]
    code: String,
    /// Where the scattered faults lie.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Labels a minute; 0: as fast as it goes.
    #[arg(long, default_value_t = 600)]
    speed: u32,
    /// Splices to scatter.
    #[arg(long, default_value_t = 0)]
    splices: u32,
    /// Missing labels to scatter.
    #[arg(long, default_value_t = 0)]
    missing: u32,
    /// Unreadable labels to scatter.
    #[arg(long, default_value_t = 0)]
    unread: u32,
    /// A wrong code at a label, as CODE@LABEL; may be given several times.
    #[arg(long)]
    wrong_code: Vec<String>,
    /// The web tears after this label.
    #[arg(long)]
    web_break: Option<u32>,
    /// So many labels are counted twice, or passed over below 0.
    #[arg(long, default_value_t = 0, allow_hyphen_values = true)]
    miscount: i32,
    /// Runs; 0: without end.
    #[arg(long, default_value_t = 1)]
    runs: u32,
    /// Which way the runs go.
    #[arg(long, value_enum, default_value_t = Way::Alternate)]
    direction: Way,
    /// Stop the web at every fault.
    #[arg(long)]
    halt: bool,
    /// Begin each run with a return on standard input instead of when a client is there.
    #[arg(long)]
    on_return: bool,
}

/// Which way the runs go.
#[derive(Clone, Copy, ValueEnum)]
enum Way {
    /// All forward.
    Forward,
    /// All winding back.
    Rewind,
    /// Forward and back in turn.
    Alternate,
}

pub(crate) fn simulate(args: &SimulateArgs) -> Ran {
    let mut wrong_codes = Vec::new();
    for text in &args.wrong_code {
        let parsed = text.rsplit_once('@').and_then(|(code, label)| Some((code.to_owned(), label.parse().ok()?)));
        wrong_codes.push(parsed.ok_or_else(|| CannotRun::because(format!("\"{text}\" is not CODE@LABEL")))?);
    }
    let options = SimulateOptions {
        labels: args.labels,
        code: (args.code != "none").then(|| args.code.clone()),
        seed: args.seed,
        scatter: Scatter { splices: args.splices, missing: args.missing, unread: args.unread },
        wrong_codes,
        web_break: args.web_break,
        speed: if args.speed == 0 { Speed::AsFastAsItGoes } else { Speed::LabelsPerMinute(args.speed) },
        runs: args.runs,
        passes: match args.direction {
            Way::Forward => Passes::Forward,
            Way::Rewind => Passes::Rewind,
            Way::Alternate => Passes::Alternate,
        },
        miscount: args.miscount,
        halt_on: if args.halt {
            BTreeSet::from([HaltOn::Splice, HaltOn::Missing, HaltOn::Unread, HaltOn::WrongCode])
        } else {
            BTreeSet::new()
        },
        start: if args.on_return { StartOn::Newline } else { StartOn::Client },
        pause: Duration::from_secs(2),
        ..SimulateOptions::new(args.listen)
    };
    runtime()?.block_on(run(options, say::person))?;
    Ok(Outcome::Good)
}
