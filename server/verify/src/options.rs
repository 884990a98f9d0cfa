//! What a verification is told from outside.

use std::fmt;
use std::str::FromStr;

use tallyseal_schema::checkpoint::VerifierKey;

use crate::check::Check;
use crate::policy::Policy;
use crate::time_stamp::Authorities;
use tallyseal_schema::witness::WitnessKey;

/// What must come from outside, or it is a fault that it did not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Require {
    /// The book's key, and something signed by it.
    Key,
    /// A checkpoint that was kept elsewhere, and that the book agrees with.
    Checkpoint,
    /// A cosignature of a witness over a checkpoint that the book agrees with.
    Witness,
}

/// A text that names nothing that can be required.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RequireError;

impl fmt::Display for RequireError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("key, checkpoint or witness can be required")
    }
}

impl std::error::Error for RequireError {}

impl FromStr for Require {
    type Err = RequireError;

    fn from_str(text: &str) -> Result<Self, RequireError> {
        match text {
            "key" => Ok(Self::Key),
            "checkpoint" => Ok(Self::Checkpoint),
            "witness" => Ok(Self::Witness),
            _ => Err(RequireError),
        }
    }
}

/// Is told how far the work is: entries done, entries in all.
pub type Progress<'a> = &'a dyn Fn(u64, u64);

/// What to hold the book against, and how to work. The default trusts nothing and asks for nothing.
#[derive(Clone, Default)]
pub struct Options<'a> {
    /// Keys of the book, from outside. Where any is given and none is the book's, that is a fault.
    pub keys: Vec<VerifierKey>,
    /// Checkpoints that were kept elsewhere: the text of each note.
    pub checkpoints: Vec<String>,
    /// Certificates of time-stamping authorities, from outside. Without them no token is judged.
    pub authorities: Option<Authorities>,
    /// Time-stamp tokens that were kept elsewhere, over checkpoints that are here or given.
    pub time_stamps: Vec<Vec<u8>>,
    /// Keys of witnesses whose cosignatures count, from outside.
    pub witnesses: Vec<WitnessKey>,
    /// What a policy file asks for besides. Its keys and witnesses count as given; its key and its quorum are required.
    pub policy: Option<Policy>,
    /// What must come from outside.
    pub require: Vec<Require>,
    /// Is called on the calling thread.
    pub progress: Option<Progress<'a>>,
    /// How many threads read and hash; 0: as many as the machine has cores.
    pub threads: usize,
    /// The caller is the server that holds the lock of the data directory: it may be read while the server writes,
    /// up to the last entry at the start.
    pub live: bool,
    /// Checks whose faults are thrown away. Only for tests, to show that a check is what finds a fault.
    #[doc(hidden)]
    pub skip: Vec<Check>,
}

impl Options<'_> {
    /// With what its policy asks for among what is given and required.
    pub(crate) fn with_policy(&self) -> Self {
        let mut options = self.clone();
        if let Some(policy) = &self.policy {
            let mut ask = |require| {
                if !options.require.contains(&require) {
                    options.require.push(require);
                }
            };
            if policy.key.is_some() {
                ask(Require::Key);
            }
            if policy.quorum > 0 {
                ask(Require::Witness);
            }
            options.keys.extend(policy.key.clone());
            for witness in &policy.witnesses {
                if !options.witnesses.contains(witness) {
                    options.witnesses.push(witness.clone());
                }
            }
        }
        options
    }

    /// So many witnesses speak for a checkpoint only together.
    pub(crate) fn quorum(&self) -> usize {
        self.policy.as_ref().map_or(1, |policy| policy.quorum.max(1))
    }

    /// How many threads, at least one.
    pub(crate) fn threads(&self) -> usize {
        threads(self.threads)
    }
}

/// More than this helps nobody, and a system may not give them.
const THREADS_MAX: usize = 256;

/// `wanted` threads, or as many as there are cores.
pub(crate) fn threads(wanted: usize) -> usize {
    let all = || std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    if wanted > 0 { wanted.min(THREADS_MAX) } else { all() }
}

impl fmt::Debug for Options<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options")
            .field("keys", &self.keys)
            .field("checkpoints", &self.checkpoints)
            .field("authorities", &self.authorities)
            .field("witnesses", &self.witnesses)
            .field("policy", &self.policy)
            .field("require", &self.require)
            .field("threads", &self.threads)
            .field("live", &self.live)
            .finish_non_exhaustive()
    }
}
