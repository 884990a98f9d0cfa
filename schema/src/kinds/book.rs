//! The book itself: its opening, its starts, its clock, strangers at its door.

use serde::{Deserialize, Serialize};

use crate::ids::{BookName, Stream};
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
    /// SHA-256 over the JSON Schemas of every entry kind.
    pub schemas: Hash,
    /// Name and version of the software.
    pub software: String,
    /// The store and its durability settings.
    pub store: String,
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
