//! The book itself: its opening, its starts, its clock, strangers at its door.

use serde::{Deserialize, Serialize};

use crate::ids::{AccountId, BookName, Stream};
use crate::{Hash, Time};

/// Entry 0: the book was opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookOpened {
    /// Version of the record format: 1.
    pub format: u32,
    /// Hash algorithm: `sha-256`.
    pub hash: String,
    /// The book's name.
    pub name: BookName,
    /// Base64 of the 32 raw bytes of the book's public key.
    pub public_key: String,
    /// Signature algorithm: `ed25519`.
    pub sign: String,
    /// Name and version of the software.
    pub software: String,
    /// The plant's IANA time zone, for print.
    pub zone: String,
}

/// The book's key changed: from here on another key signs its checkpoints.
///
/// Rule: `FORMAT.md` section 3; NIST SP 800-57 part 1, cryptoperiods.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookKeyEnrolled {
    /// SHA-256 of the new raw public key.
    pub key: Hash,
    /// Base64 of the signature of the key before it over the book's key statement.
    pub proof: String,
    /// Base64 of the 32 raw bytes of the new key.
    pub public_key: String,
}

/// Somebody else may have held a key of the book: what it signed from some size on proves nothing by itself.
///
/// Rule: `FORMAT.md` section 3; NIST SP 800-57 part 1, compromise of keys.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookKeyCompromised {
    /// The first size whose checkpoint by this key proves nothing; and the first `n` at which it vouches for no new key.
    pub from: u64,
    /// SHA-256 of the raw public key.
    pub key: Hash,
}

/// Whether the clock of a machine follows a time service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Synchronised {
    /// The operating system says that it does.
    Yes,
    /// The operating system says that it does not.
    No,
    /// Nothing says either.
    Unknown,
}

/// A server started on the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookStarted {
    /// The machine's boot ID.
    pub boot: String,
    /// What the operating system says about its clock.
    pub clock: String,
    /// Version of the plugin engine.
    pub engine: String,
    /// The steady clock at that moment. Unit: microseconds since boot.
    pub mono_us: u64,
    /// SHA-256 over the JSON Schemas of every entry kind.
    pub schemas: Hash,
    /// Name and version of the software.
    pub software: String,
    /// The store and its durability settings.
    pub store: String,
    /// Whether the clock follows a time service.
    pub synchronised: Synchronised,
}

/// The server's clock moved against its own steady count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ClockStepped {
    /// The machine's boot ID.
    pub boot: String,
    /// What noticed it.
    pub cause: String,
    /// `at` of the entry before.
    pub from: Time,
    /// The steady clock at that moment. Unit: microseconds since boot.
    pub mono_us: u64,
    /// This entry's own `at`.
    pub to: Time,
}

/// Strangers were refused: failed log-ins and calls without a session, summed up over at most a minute.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccessRefused {
    /// How many.
    pub count: u32,
    /// The first.
    pub from: Time,
    /// Where they came from.
    pub source: String,
    /// The last.
    pub to: Time,
}

/// The server was told at its start which witnesses to ask from now on, and it was others before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookWitnessesNamed {
    /// Their keys as `NAME+ID+BASE64`, in ascending order. Empty: none.
    pub witnesses: Vec<String>,
}

/// A witness has cosigned no checkpoint for a while, though there was a new one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookWitnessLost {
    /// How it answered last, in a sentence.
    pub cause: String,
    /// When it cosigned last; absent where it never did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Time>,
    /// The largest size that it cosigned; 0 where it never did.
    pub size: u64,
    /// Its key.
    pub witness: String,
}

/// A witness that was lost cosigns again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookWitnessBack {
    /// The size that it cosigned.
    pub size: u64,
    /// Its key.
    pub witness: String,
}

/// How a witness's history of a book differs from this book.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum OtherHistory {
    /// It cosigned more entries than this book has.
    Longer,
    /// It cosigned as many entries as this book had then, but others.
    Differs,
}

/// A witness knows another history of this book: somebody set it back, or runs a second copy of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookForkSeen {
    /// How it differs.
    pub history: OtherHistory,
    /// How many entries the witness cosigned.
    pub known: u64,
    /// How many entries this book had.
    pub size: u64,
    /// The witness's key.
    pub witness: String,
}

/// The server was told at its start which time-stamping authority to ask from now on, and it was another before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookTimeAuthorityNamed {
    /// Its address; absent: none is asked any more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub authority: Option<String>,
    /// SHA-256 of each certificate that was given for it, in ascending order. Empty: its tokens are held against no
    /// certificate but their own.
    pub certificates: Vec<Hash>,
}

/// Why a checkpoint has no time-stamp token.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum NoTimeStamp {
    /// The authority gave none: no answer, or a refusal.
    NoToken,
    /// It gave one that is not good, and that was not kept.
    BadToken,
}

/// The newest checkpoint has no time-stamp token, though one was asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookTimeStampLost {
    /// The authority's address.
    pub authority: String,
    /// How it answered last, in a sentence.
    pub cause: String,
    /// Whether it gave none or a bad one.
    pub how: NoTimeStamp,
    /// The authority's time of the last good token; absent where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<Time>,
    /// The size of the checkpoint of that token; 0 where there is none.
    pub size: u64,
}

/// An authority whose time-stamp tokens were missing gave a good one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookTimeStampBack {
    /// The authority's time in it.
    pub at: Time,
    /// The authority's address.
    pub authority: String,
    /// The size of the checkpoint that it covers.
    pub size: u64,
}

/// Somebody showed a receipt of this book for an entry that this book does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BookReceiptContradicted {
    /// Who showed it, where they were signed in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub account: Option<AccountId>,
    /// The checkpoint of the receipt, where it proves the matter: signed by this book's key, over entries that are not
    /// these.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checkpoint: Option<String>,
    /// The leaf hash in the receipt.
    pub leaf: Hash,
    /// The position in the receipt.
    pub n: u64,
    /// The leaf hash of the entry that stands there; absent where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ours: Option<Hash>,
}

/// A sealed record was made and somebody took it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RecordExported {
    /// SHA-256 of its `manifest.json`.
    pub manifest: Hash,
    /// SHA-256 of its `record.pdf`, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pdf: Option<Hash>,
    /// Whose record.
    pub record: Stream,
    /// Every stream in it and up to which rev.
    pub streams: std::collections::BTreeMap<Stream, u64>,
}

/// A remark by anyone on anything. Never deleted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RemarkMade {
    /// What is remarked.
    pub text: String,
}
