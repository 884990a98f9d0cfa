//! `tallyseal witness`: for whoever watches a book from outside.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Subcommand;
use tallyseal_schema::checkpoint::VerifierKey;

use crate::cli::{CannotRun, Outcome, Ran};
use crate::say;
use crate::witness::{self, Folder};

/// What a witness is told.
#[derive(Subcommand)]
pub(crate) enum WitnessCmd {
    /// Makes a witness with a key of its own, and prints its public key.
    #[command(after_help = "Example: tallyseal witness init --dir /srv/witness --name quality.example/w1")]
    Init {
        /// Directory to make; it must be empty or not there.
        #[arg(long)]
        dir: PathBuf,
        /// Name of the witness, without blanks, for example quality.example/w1.
        #[arg(long)]
        name: String,
    },
    /// Follows a book, by its key.
    #[command(
        after_help = "Example: tallyseal witness follow --dir /srv/witness --log label-room.example/plant-1+01+AQ..."
    )]
    Follow {
        /// Directory of the witness.
        #[arg(long)]
        dir: PathBuf,
        /// The book's key, as `tallyseal checkpoint --key` prints it.
        #[arg(long, value_name = "VKEY")]
        log: VerifierKey,
    },
    /// Cosigns checkpoints that continue what it saw.
    #[command(after_help = "Example: tallyseal witness serve --dir /srv/witness --listen 127.0.0.1:8461")]
    Serve {
        /// Directory of the witness.
        #[arg(long)]
        dir: PathBuf,
        /// Where to listen.
        #[arg(long, default_value = "127.0.0.1:8461")]
        listen: SocketAddr,
        /// Allow an address that is not loopback. There is no TLS: checkpoints and cosignatures are signed, not secret.
        #[arg(long)]
        on_network: bool,
    },
}

pub(crate) fn witness(command: &WitnessCmd) -> Ran {
    match command {
        WitnessCmd::Init { dir, name } => {
            let key = Folder::new(dir).init(name)?;
            say::line(format_args!("{key}"))?;
            Ok(Outcome::Good)
        }
        WitnessCmd::Follow { dir, log } => {
            Folder::new(dir).follow(log)?;
            say::line(format_args!("Follows {}.", log.name))?;
            Ok(Outcome::Good)
        }
        WitnessCmd::Serve { dir, listen, on_network } => {
            if !listen.ip().is_loopback() && !on_network {
                return Err(CannotRun::because(format!(
                    "{listen} is not loopback; say --on-network to be asked by other machines"
                )));
            }
            witness::serve(Folder::new(dir).open()?, *listen)
        }
    }
}
