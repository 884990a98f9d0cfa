//! The command line. Exit 0: done and in order; 1: it ran and found something wrong; 2: it could not run. Results go to
//! standard output, messages for people to standard error.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr as _;
use std::time::Duration;

use clap::{Parser, Subcommand};
use tallyseal_book::EarlierClock;
use tallyseal_report::paper::Sheet;
use tallyseal_schema::ids::AccountId;

use crate::config::Config;
use crate::time_stamps::Stamping;
use crate::witnesses::{Asked, Asking};
use crate::{commands, demo, printing, say};

/// What a command came to.
pub(crate) enum Outcome {
    /// Done and in order.
    Good,
    /// It ran and found something wrong; that has been said.
    FoundWrong,
}

/// Why a command could not run, in a sentence for a person; none where nobody reads standard output any more.
#[derive(Debug)]
pub(crate) struct CannotRun(Option<String>);

impl CannotRun {
    /// For that reason.
    pub(crate) fn because(why: impl Into<String>) -> Self {
        Self(Some(why.into()))
    }

    /// Whoever read standard output is gone and has seen what they wanted: nothing is left to be said.
    pub(crate) fn unheard() -> Self {
        Self(None)
    }

    /// The sentence, where there is one.
    pub(crate) fn why(&self) -> Option<&str> {
        self.0.as_deref()
    }
}

impl<E: std::error::Error> From<E> for CannotRun {
    fn from(error: E) -> Self {
        Self::because(error.to_string())
    }
}

pub(crate) type Ran = Result<Outcome, CannotRun>;

/// Electronic batch record for counting, issuing and accounting for printed labels.
#[derive(Parser)]
#[command(name = "tallyseal", version, after_help = "Example: tallyseal demo --once --dir /tmp/shift")]
struct Cli {
    #[command(subcommand)]
    command: Cmd,
}

#[derive(Subcommand)]
enum Cmd {
    /// An invented plant and one shift, with a simulated counting table over a real TCP link.
    #[command(after_help = "Example: tallyseal demo --once --dir /tmp/shift")]
    Demo(DemoArgs),
    /// Opens a new book with its key, its first administrator and its first reviewer.
    #[command(
        after_help = "Example: tallyseal init --dir /srv/book --book label-room.example/plant-1 --zone Europe/Prague"
    )]
    Init(InitArgs),
    /// Serves a book: captures machines, answers the JSON API.
    #[command(after_help = "Example: tallyseal serve --dir /srv/book --listen 127.0.0.1:8460")]
    Serve(ServeArgs),
    /// Checks a data directory, a sealed record or a dump; needs no server, no account, no network.
    #[command(after_help = "Example: tallyseal verify out/DL-0001.zip --key label-room.example/plant-1+0123abcd+AQ...")]
    Verify(tallyseal_verify::Arguments),
    /// Makes the sealed record of one thing.
    #[command(after_help = "Example: tallyseal export --dir /srv/book --record delivery/DL-0001 --out DL-0001.zip")]
    Export {
        /// Data directory of the book.
        #[arg(long)]
        dir: PathBuf,
        /// Whose record, as a stream.
        #[arg(long)]
        record: String,
        /// The file to write.
        #[arg(long)]
        out: PathBuf,
        /// The sheets of its pages.
        #[arg(long, value_enum, default_value_t = SheetArg::A4)]
        sheet: SheetArg,
    },
    /// Sets a record's pages: what the server runs for each copy, with the pages' words on standard input.
    #[command(name = printing::CHILD, hide = true)]
    SetPages,
    /// Prints the exact bytes of entries, one per line.
    #[command(after_help = "Example: tallyseal dump --dir /srv/book --from 0 --to 99")]
    Dump {
        /// Data directory of the book.
        #[arg(long)]
        dir: PathBuf,
        /// First entry.
        #[arg(long, default_value_t = 0)]
        from: u64,
        /// Last entry; the last one there is, where it is left away.
        #[arg(long)]
        to: Option<u64>,
    },
    /// Prints the newest signed checkpoint, or the book's public key.
    #[command(after_help = "Example: tallyseal checkpoint --dir /srv/book --key")]
    Checkpoint {
        /// Data directory of the book.
        #[arg(long)]
        dir: PathBuf,
        /// Print the book's public key as a C2SP verifier key instead.
        #[arg(long)]
        key: bool,
    },
    /// The book's own key.
    #[command(subcommand)]
    Key(KeyCmd),
    /// Drops the views and makes them again from the entries.
    #[command(after_help = "Example: tallyseal rebuild --dir /srv/book")]
    Rebuild {
        /// Data directory of the book; no server may be running on it.
        #[arg(long)]
        dir: PathBuf,
    },
    /// Looks at a plugin: its samples, its digest, what it makes of a capture.
    #[command(subcommand)]
    Plugin(PluginCmd),
    /// Watches books from outside: cosigns checkpoints that continue what it saw before.
    #[command(subcommand)]
    Witness(commands::witness::WitnessCmd),
    /// A counting table to test against.
    #[command(after_help = "Example: tallyseal simulate --listen 127.0.0.1:4001 --labels 5000 --splices 2 --seed 7")]
    Simulate(commands::simulate::SimulateArgs),
}

#[derive(Subcommand)]
enum KeyCmd {
    /// Makes a new key for the book, has the old one vouch for it in an entry, and destroys the old one.
    #[command(after_help = "Example: tallyseal key rotate --dir /srv/book --why \"yearly change\"")]
    Rotate {
        /// Data directory of the book.
        #[arg(long)]
        dir: PathBuf,
        /// Why; it is recorded.
        #[arg(long, value_name = "TEXT")]
        why: Option<String>,
    },
}

#[derive(Subcommand)]
enum PluginCmd {
    /// Runs the samples and prints a report that a reviewer can read.
    #[command(after_help = "Example: tallyseal plugin check plugins/ticket-line")]
    Check {
        /// The plugin's folder.
        dir: PathBuf,
    },
    /// Prints the digest over the plugin's files.
    #[command(after_help = "Example: tallyseal plugin digest plugins/ticket-line")]
    Digest {
        /// The plugin's folder.
        dir: PathBuf,
    },
    /// Shows frame by frame what the plugin makes of a capture.
    #[command(after_help = "Example: tallyseal plugin try plugins/ticket-line table.capture")]
    Try {
        /// The plugin's folder.
        dir: PathBuf,
        /// Raw bytes of a machine.
        file: PathBuf,
    },
}

/// Sheets by name.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub(crate) enum SheetArg {
    /// 210 by 297 mm.
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl From<SheetArg> for Sheet {
    fn from(sheet: SheetArg) -> Self {
        match sheet {
            SheetArg::A4 => Self::A4,
            SheetArg::Letter => Self::Letter,
        }
    }
}

/// When a session that nobody uses is locked. There is no value that switches it off.
#[derive(clap::Args)]
pub(crate) struct IdleLock {
    /// Lock a session after so many minutes in which nobody used it, 1 to 60.
    #[arg(long, value_name = "MINUTES", default_value_t = 15, value_parser = clap::value_parser!(u64).range(1..=60))]
    idle_lock_minutes: u64,
    /// The same in seconds, 1 to 3600: for tests, which cannot wait for minutes.
    #[arg(
        long,
        hide = true,
        value_name = "SECONDS",
        conflicts_with = "idle_lock_minutes",
        value_parser = clap::value_parser!(u64).range(1..=3_600)
    )]
    idle_lock_seconds: Option<u64>,
}

impl IdleLock {
    /// For how long a session may not be used.
    pub(crate) fn limit(&self) -> Duration {
        Duration::from_secs(self.idle_lock_seconds.unwrap_or(self.idle_lock_minutes * 60))
    }
}

/// What the demo is given.
#[derive(clap::Args)]
pub(crate) struct DemoArgs {
    /// Where to put the book; a new folder for temporary files where it is left away.
    #[arg(long)]
    pub(crate) dir: Option<PathBuf>,
    /// Where to serve afterwards.
    #[arg(long, default_value = "127.0.0.1:8460")]
    pub(crate) listen: SocketAddr,
    /// Stop after the shift instead of serving it.
    #[arg(long)]
    pub(crate) once: bool,
    /// Where faults lie on the simulated rolls.
    #[arg(long, default_value_t = 7)]
    pub(crate) seed: u64,
    #[command(flatten)]
    pub(crate) idle_lock: IdleLock,
}

/// What a new book is given.
#[derive(clap::Args)]
pub(crate) struct InitArgs {
    /// Data directory to make; it must be empty or not there.
    #[arg(long)]
    pub(crate) dir: PathBuf,
    /// Name of the book, for example label-room.example/plant-1.
    #[arg(long)]
    pub(crate) book: String,
    /// IANA time zone of the plant.
    #[arg(long)]
    pub(crate) zone: String,
    /// ID and name of the first administrator.
    #[arg(long, default_value = "U-0001:First administrator")]
    pub(crate) administrator: String,
    /// ID and name of the first reviewer; another person.
    #[arg(long, default_value = "U-0002:First reviewer")]
    pub(crate) reviewer: String,
}

/// What the server is given.
#[derive(clap::Args)]
pub(crate) struct ServeArgs {
    /// Data directory of the book.
    #[arg(long)]
    pub(crate) dir: PathBuf,
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8460")]
    pub(crate) listen: SocketAddr,
    /// A proxy on this machine or network ends TLS in front of it: allow an address that is not loopback.
    #[arg(long)]
    pub(crate) behind_proxy: bool,
    #[command(flatten)]
    pub(crate) idle_lock: IdleLock,
    /// A witness that cosigns this book's checkpoints; also `witness = ["URL=KEY"]` in config.toml of the data directory.
    #[arg(long, value_name = "URL=KEY")]
    witness: Vec<Asked>,
    /// After how many seconds it is recorded that a witness is away: for tests, which cannot wait for minutes.
    #[arg(long, hide = true, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=3_600))]
    witness_lost_seconds: Option<u64>,
    /// A time-stamping authority (RFC 3161), which must run on another machine; also in config.toml as [time_stamp] with url,
    /// ca and seconds.
    #[arg(long, value_name = "URL")]
    time_stamp_url: Option<String>,
    /// The certificates (PEM) that the authority's own must lead to.
    #[arg(long, value_name = "FILE")]
    time_stamp_ca: Option<PathBuf>,
    /// How often the newest checkpoint is stamped, where there is a newer one. Unit: seconds [default: 600]
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=86_400))]
    time_stamp_seconds: Option<u64>,
    /// After how many seconds it is recorded that the authority is away: for tests, which cannot wait for minutes.
    #[arg(long, hide = true, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=3_600))]
    time_stamp_lost_seconds: Option<u64>,
    /// Start although the clock is before the last entry: the accounts of the two people who agreed on it, as A,B.
    #[arg(long, value_name = "A,B", requires = "why")]
    pub(crate) accept_earlier_clock: Option<String>,
    /// Why they did; it is recorded with their names.
    #[arg(long, value_name = "TEXT", requires = "accept_earlier_clock")]
    pub(crate) why: Option<String>,
}

impl ServeArgs {
    /// The witnesses to ask: those said here and those in the data directory.
    pub(crate) fn asking(&self) -> Result<Asking, CannotRun> {
        let all = Config::read(&self.dir)?.witnesses(&self.witness)?;
        let patience = self.witness_lost_seconds.map_or(Asking::default().patience, Duration::from_secs);
        Ok(Asking { all, patience })
    }

    /// The time-stamping authority to ask, as said here or in the data directory.
    pub(crate) fn stamping(&self) -> Result<Option<Stamping>, CannotRun> {
        let config = Config::read(&self.dir)?;
        let (url, ca) = (self.time_stamp_url.as_deref(), self.time_stamp_ca.as_deref());
        let mut stamping = config.time_stamping(&self.dir, url, ca, self.time_stamp_seconds)?;
        if let (Some(stamping), Some(seconds)) = (&mut stamping, self.time_stamp_lost_seconds) {
            stamping.patience = Duration::from_secs(seconds);
        }
        Ok(stamping)
    }

    /// Who accepted a start on an earlier clock, where it was asked for.
    pub(crate) fn accepted(&self) -> Result<Option<EarlierClock>, CannotRun> {
        let (Some(people), Some(why)) = (&self.accept_earlier_clock, &self.why) else { return Ok(None) };
        let (first, second) = people.split_once(',').ok_or_else(|| {
            CannotRun::because(format!("\"{people}\" is not two accounts, for example U-0001,U-0002"))
        })?;
        let people = [AccountId::from_str(first.trim())?, AccountId::from_str(second.trim())?];
        let why = tallyseal_control::reason(why).map_err(|refusal| CannotRun::because(refusal.to_string()))?;
        Ok(Some(EarlierClock { people, why }))
    }
}

/// Runs the command line of this process.
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    log_to_stderr();
    let ran = match cli.command {
        Cmd::Demo(args) => demo::demo(&args),
        Cmd::Init(args) => commands::init::init(&args),
        Cmd::Serve(args) => commands::serve::serve(&args),
        Cmd::Verify(args) => commands::verify::verify(&args),
        Cmd::Export { dir, record, out, sheet } => commands::book::export(&dir, &record, sheet.into(), &out),
        Cmd::SetPages => printing::child(),
        Cmd::Dump { dir, from, to } => commands::book::dump(&dir, from, to),
        Cmd::Checkpoint { dir, key } => commands::book::checkpoint(&dir, key),
        Cmd::Key(KeyCmd::Rotate { dir, why }) => commands::key::rotate(&dir, why.as_deref()),
        Cmd::Rebuild { dir } => commands::book::rebuild(&dir),
        Cmd::Plugin(PluginCmd::Check { dir }) => commands::plugin::check(&dir),
        Cmd::Plugin(PluginCmd::Digest { dir }) => commands::plugin::digest(&dir),
        Cmd::Plugin(PluginCmd::Try { dir, file }) => commands::plugin::try_file(&dir, &file),
        Cmd::Witness(command) => commands::witness::witness(&command),
        Cmd::Simulate(args) => commands::simulate::simulate(&args),
    };
    match ran {
        Ok(Outcome::Good) => ExitCode::SUCCESS,
        Ok(Outcome::FoundWrong) => ExitCode::from(1),
        Err(error) => {
            if let Some(why) = error.why() {
                say::person(format_args!("tallyseal: {why}"));
            }
            ExitCode::from(2)
        }
    }
}

/// JSON lines on standard error; `TALLYSEAL_LOG` says how much (default: warnings).
fn log_to_stderr() {
    let filter = tracing_subscriber::EnvFilter::try_from_env("TALLYSEAL_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn"));
    // A second call in one process finds a subscriber there already; that one stays.
    let _ = tracing_subscriber::fmt().json().with_env_filter(filter).with_writer(std::io::stderr).try_init();
}

/// A runtime for the commands that need one.
pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, CannotRun> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| CannotRun::because(format!("no threads can be had: {error}")))
}
