//! The command line of a verification, as the small binary and the server's own program both take it.

use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;

use tallyseal_schema::checkpoint::VerifierKey;

use crate::time_stamp::Authorities;
use crate::{Options, Policy, Report, Require, WitnessKey, verify};

/// What to verify and what to hold it against.
#[derive(Debug, Clone, clap::Args)]
pub struct Arguments {
    /// A data directory, a sealed record (ZIP) or a dump (entries, one per line).
    pub path: PathBuf,
    /// The book's key, as it is printed at the foot of every record.
    #[arg(long, value_name = "VKEY")]
    pub key: Vec<VerifierKey>,
    /// A checkpoint that was kept elsewhere.
    #[arg(long, value_name = "FILE")]
    pub checkpoint: Vec<PathBuf>,
    /// The key of a witness whose cosignatures count.
    #[arg(long, value_name = "KEY")]
    pub witness_key: Vec<WitnessKey>,
    /// The certificates (PEM) of a time-stamping authority, from outside: makes time-stamp tokens be judged.
    #[arg(long, value_name = "FILE")]
    pub tsa_ca: Vec<PathBuf>,
    /// A time-stamp token that was kept elsewhere, over a checkpoint that is here or given.
    #[arg(long, value_name = "FILE", requires = "tsa_ca")]
    pub time_stamp: Vec<PathBuf>,
    /// What to ask for, as a TOML file: the book's key, witnesses and how many of them, keys that were stolen.
    #[arg(long, value_name = "FILE")]
    pub policy: Option<PathBuf>,
    /// What must come from outside: key, checkpoint or witness; its lack is a fault.
    #[arg(long, value_name = "WHAT")]
    pub require: Vec<Require>,
    /// One line of JSON instead of a report for people: what the README says of it.
    #[arg(long)]
    pub json: bool,
}

impl Arguments {
    /// Verifies, with progress on standard error where that is a terminal. `live`: see [`Options::live`].
    ///
    /// Errors: it could not run; why, in a sentence.
    pub fn verify(&self, live: bool) -> Result<Report, String> {
        let read =
            |path: &PathBuf| std::fs::read(path).map_err(|error| format!("{} cannot be read: {error}", path.display()));
        // What is not text is no note; it is said as such.
        let text = |path: &PathBuf| Ok::<_, String>(String::from_utf8_lossy(&read(path)?).into_owned());
        let policy = self
            .policy
            .as_ref()
            .map(|path| Policy::read(&read(path)?).map_err(|error| format!("{}: {error}", path.display())));
        let mut certificates = Vec::new();
        for path in &self.tsa_ca {
            certificates.extend(read(path)?);
            certificates.push(b'\n');
        }
        let authorities = (!self.tsa_ca.is_empty()).then(|| Authorities::read(&certificates)).transpose();
        let show = |done: u64, total: u64| {
            // Progress that nobody can see is no reason to stop.
            let _ = write!(std::io::stderr(), "\r{done} of {total} entries");
        };
        let progress: &dyn Fn(u64, u64) = &show;
        let terminal = std::io::stderr().is_terminal();
        let options = Options {
            keys: self.key.clone(),
            checkpoints: self.checkpoint.iter().map(text).collect::<Result<_, _>>()?,
            authorities: authorities.map_err(|error| format!("--tsa-ca: {error}"))?,
            time_stamps: self.time_stamp.iter().map(read).collect::<Result<_, _>>()?,
            witnesses: self.witness_key.clone(),
            policy: policy.transpose()?,
            require: self.require.clone(),
            progress: terminal.then_some(progress),
            live,
            ..Options::default()
        };
        let report = verify(&self.path, &options);
        if terminal {
            let _ = writeln!(std::io::stderr());
        }
        report.map_err(|error| error.to_string())
    }

    /// Writes the report to standard output in the form asked for.
    ///
    /// Errors: it cannot be written.
    pub fn print(&self, report: &Report) -> std::io::Result<()> {
        let text = if self.json { report.to_json() + "\n" } else { report.to_string() };
        let mut out = std::io::stdout().lock();
        out.write_all(text.as_bytes()).and_then(|()| out.flush())
    }
}
