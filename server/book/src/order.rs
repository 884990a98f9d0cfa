//! What is asked of the book, and what it answers.

use std::collections::BTreeMap;
use std::fmt;

use tallyseal_control::{Command, Refusal};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{Act, By, Hash, Time};

/// One command, with all that its execution needs.
#[derive(Debug)]
pub struct Order {
    /// The idempotency key: made by the client, one for each thing that it wants done, kept when it tries again.
    pub act: Act,
    /// Who asks.
    pub by: By,
    /// For each stream that the asker was shown: the `rev` that they saw. 0: that there was none.
    pub expected: BTreeMap<Stream, u64>,
    /// What is to be done.
    pub command: Command,
    /// The signing key that the asker's password opened, where the command is a signature. Forgotten afterwards.
    pub key: Option<SigningKey>,
    /// Bytes of a machine that the command's entries name. Kept before the entries are.
    pub capture: Option<Vec<u8>>,
    /// Files that the command's entries name, for example those of a plugin.
    pub files: Vec<Vec<u8>>,
    /// What changes with the entries in what a password opens.
    pub secret: Option<SecretChange>,
    /// Hash of the request as the client sent it: the same act with another request is an error of the client.
    pub request: Hash,
}

/// What a person's password opens: the log-in and, once they have one, their signing key.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret {
    /// Whose.
    pub account: AccountId,
    /// How the password is stretched: algorithm, parameters, salt. Shape: the application's own.
    pub kdf: String,
    /// What the stretched password is held against at a log-in.
    pub verifier: Vec<u8>,
    /// A secret for the first log-in or after a reset: it must be changed and cannot sign.
    pub one_time: bool,
    /// The signing key under the password; `None` where the account has none.
    pub wrapped: Option<WrappedKey>,
}

/// A signing key under a password.
#[derive(Clone, PartialEq, Eq)]
pub struct WrappedKey {
    /// SHA-256 of the raw public key.
    pub key: Hash,
    /// Nonce of the encryption.
    pub nonce: Vec<u8>,
    /// The encrypted private key.
    pub ciphertext: Vec<u8>,
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Secret({}, not shown)", self.account)
    }
}

impl fmt::Debug for WrappedKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "WrappedKey({}, not shown)", self.key)
    }
}

/// A change in what passwords open, in the same transaction as the entries that tell of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SecretChange {
    /// This takes the place of what the account had.
    Put(Secret),
    /// The account has nothing any more.
    Remove(AccountId),
}

/// The answer to an act that was done: what a client keeps, so that it notices a book that was set back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// The act.
    pub act: Act,
    /// Position of its first entry.
    pub first: u64,
    /// Position of its last entry. Where the act had nothing to write: the last entry of the book, below `first`.
    pub n: u64,
    /// Leaf hash of entry `n`.
    pub leaf: Hash,
    /// Its entries: position, stream, kind.
    pub entries: Vec<(u64, Stream, String)>,
    /// A signed checkpoint of a size above `n`.
    pub checkpoint: String,
    /// The act had been done before; this is what was written then.
    pub repeated: bool,
}

/// A stream that is not as the asker saw it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StaleStream {
    /// Which.
    pub stream: Stream,
    /// The `rev` that was seen.
    pub expected: u64,
    /// The `rev` it has.
    pub rev: u64,
    /// What was written last; `None` where nothing was ever written.
    pub last: Option<LastChange>,
}

/// The last entry of a stream, for the person who saw an older one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastChange {
    /// Its kind.
    pub kind: String,
    /// Who made it.
    pub by: By,
    /// When.
    pub at: Time,
}

/// Why an act was not done.
#[derive(Debug)]
pub enum ActError {
    /// A rule forbids it. Tell the asker.
    Refused {
        /// Which rule, and the way out.
        refusal: Box<Refusal>,
        /// Where the refusal was recorded: the receipt of that entry. The act then stays refused.
        receipt: Option<Box<Receipt>>,
    },
    /// Somebody was first. Show what there is now and let the asker decide again.
    Stale(Vec<StaleStream>),
    /// This act was already answered for another request. A fault of the client: an act is for one request.
    OtherRequest,
    /// Too many wait. Try again soon, with the same act.
    Busy,
    /// The book is no longer served; why. Try again when it is, with the same act.
    Stopped(String),
    /// The software failed. Whether it was recorded is not known: try again with the same act.
    Failed {
        /// Under which the cause stands in the log.
        incident: String,
    },
}

impl fmt::Display for ActError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused { refusal, .. } => write!(f, "{refusal}"),
            Self::Stale(streams) => {
                let names: Vec<&str> = streams.iter().map(|stale| stale.stream.as_str()).collect();
                write!(f, "{} changed since you saw it. Look at it again and decide anew.", names.join(", "))
            }
            Self::OtherRequest => f.write_str("This act was already used for another request. Begin a new one."),
            Self::Busy => f.write_str("The book is busy. Nothing was recorded; try again in a few seconds."),
            Self::Stopped(why) => write!(f, "The book is not served any more: {why}. Try again when it is."),
            Self::Failed { incident } => write!(
                f,
                "The server failed (incident {incident}). Look whether it was recorded; trying again records it once."
            ),
        }
    }
}

impl std::error::Error for ActError {}

/// An entry that is on disk, as live pages hear of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Committed {
    /// Its position.
    pub n: u64,
    /// Its stream.
    pub stream: Stream,
    /// Its kind.
    pub kind: &'static str,
}
