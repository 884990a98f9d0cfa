//! One entry of the book: its header, who made it, and its canonical bytes. See `FORMAT.md` section 1.

use std::fmt;

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::canonical;
pub use crate::ids::Act;
use crate::ids::{AccountId, BookName, Id, Stream};
use crate::kinds::{Body, Role};
use crate::{Hash, Time};

/// Who made an entry: exactly one of a person, a machine through its plugin, or a component of the software.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(untagged)]
pub enum By {
    /// A person, in a session, in one of their roles.
    Person(Person),
    /// A machine, as its plugin understood it.
    Machine(Machine),
    /// A component of the software, acting by rule.
    System(System),
}

/// A person in a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// Whose account.
    pub account: AccountId,
    /// At which device.
    pub device: Id,
    /// The person's printed name, as it was then.
    pub name: String,
    /// The role acted in.
    pub role: Role,
    /// In which session.
    pub session: Id,
}

/// A machine behind a plugin.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Machine {
    /// Digest of the plugin that read the machine's bytes.
    pub plugin: Hash,
    /// ID of the station.
    pub station: Id,
}

/// A component of the software.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct System {
    /// Its name, for example `book` or `capture`.
    pub system: String,
}

impl By {
    /// A component of the software.
    pub fn system(component: &str) -> Self {
        Self::System(System { system: component.to_owned() })
    }

    /// The account, where a person made the entry.
    pub fn account(&self) -> Option<&AccountId> {
        match self {
            Self::Person(person) => Some(&person.account),
            Self::Machine(_) | Self::System(_) => None,
        }
    }
}

/// Everything of an entry but its body.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// The command it belongs to; the entries of one act are consecutive and share `at` and `by`.
    pub act: Option<Act>,
    /// The server's clock.
    pub at: Time,
    /// The book.
    pub book: BookName,
    /// Who made it.
    pub by: By,
    /// Subject and past verb, for example `count.closed`.
    pub kind: String,
    /// Position in the book, from 0.
    pub n: u64,
    /// When the actor says that it happened, for a late entry.
    pub occurred: Option<Time>,
    /// Leaf hash of entry n-1.
    pub prev: Hash,
    /// Position in the stream, from 1.
    pub rev: u64,
    /// What it is about.
    pub stream: Stream,
    /// Version of the body's schema, from 1.
    pub v: u32,
    /// The reason, where one is required.
    pub why: Option<String>,
}

/// A whole entry with its typed body.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// All but the body.
    pub header: Header,
    /// What happened.
    pub body: Body,
}

/// The wire form; field names and their order of declaration are those of the record.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire<B> {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    act: Option<Act>,
    at: Time,
    body: B,
    book: BookName,
    by: By,
    kind: String,
    n: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    occurred: Option<Time>,
    prev: Hash,
    rev: u64,
    stream: Stream,
    v: u32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

impl<B> Wire<B> {
    fn split(self) -> (Header, B) {
        let header = Header {
            act: self.act,
            at: self.at,
            book: self.book,
            by: self.by,
            kind: self.kind,
            n: self.n,
            occurred: self.occurred,
            prev: self.prev,
            rev: self.rev,
            stream: self.stream,
            v: self.v,
            why: self.why,
        };
        (header, self.body)
    }
}

/// Why bytes are not an entry that this software knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EntryError {
    /// The bytes are not canonical: see section 1 of the format.
    Form(canonical::ScanError),
    /// A field of the entry is missing, unknown or out of its form.
    Header(String),
    /// The body does not fit the schema of its kind and version.
    Body {
        /// The kind.
        kind: String,
        /// Its version.
        v: u32,
        /// What does not fit.
        what: String,
    },
    /// This software does not know that kind in that version: not judged.
    Unknown {
        /// The kind.
        kind: String,
        /// Its version.
        v: u32,
    },
    /// It cannot be written in canonical form.
    Write(canonical::WriteError),
    /// Its bytes would be more than an entry may hold.
    TooLong {
        /// How many.
        bytes: usize,
    },
}

impl fmt::Display for EntryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Form(error) => write!(f, "the bytes are not canonical: {error}"),
            Self::Header(what) => write!(f, "the entry is not of its form: {what}"),
            Self::Body { kind, v, what } => write!(f, "the body does not fit {kind} v{v}: {what}"),
            Self::Unknown { kind, v } => write!(f, "{kind} v{v} is not known to this version of the software"),
            Self::Write(error) => write!(f, "the entry cannot be written: {error}"),
            Self::TooLong { bytes } => {
                write!(f, "the entry would be {bytes} bytes long; at most {} are allowed", canonical::ENTRY_MAX)
            }
        }
    }
}

impl std::error::Error for EntryError {}

fn is_kind(text: &str) -> bool {
    let word = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_lowercase() || b == b'_');
    text.split_once('.').is_some_and(|(subject, verb)| word(subject) && word(verb))
}

impl Header {
    /// Reads the header of stored bytes and leaves the body as it is.
    ///
    /// The bytes must have passed [`canonical::scan_object`]. Errors: [`EntryError::Header`].
    pub fn read(bytes: &[u8]) -> Result<(Self, &RawValue), EntryError> {
        let wire: Wire<&RawValue> =
            serde_json::from_slice(bytes).map_err(|error| EntryError::Header(error.to_string()))?;
        let (header, body) = wire.split();
        if !is_kind(&header.kind) || header.v == 0 || header.rev == 0 || !body.get().starts_with('{') {
            return Err(EntryError::Header("kind, v, rev or body is out of its form".to_owned()));
        }
        Ok((header, body))
    }
}

impl Entry {
    /// The stored bytes: canonical JSON. These are the record, and are hashed as they are.
    ///
    /// Errors: [`EntryError::Write`], [`EntryError::TooLong`].
    pub fn to_bytes(&self) -> Result<Vec<u8>, EntryError> {
        let header = &self.header;
        let wire = Wire {
            act: header.act.clone(),
            at: header.at,
            body: &self.body,
            book: header.book.clone(),
            by: header.by.clone(),
            kind: header.kind.clone(),
            n: header.n,
            occurred: header.occurred,
            prev: header.prev,
            rev: header.rev,
            stream: header.stream.clone(),
            v: header.v,
            why: header.why.clone(),
        };
        let bytes = canonical::write(&wire).map_err(EntryError::Write)?;
        if bytes.len() > canonical::ENTRY_MAX { Err(EntryError::TooLong { bytes: bytes.len() }) } else { Ok(bytes) }
    }

    /// Reads stored bytes strictly: canonical form, header, body by its schema.
    ///
    /// Errors: every [`EntryError`] but the writing ones.
    pub fn read(bytes: &[u8]) -> Result<Self, EntryError> {
        if bytes.len() > canonical::ENTRY_MAX {
            return Err(EntryError::TooLong { bytes: bytes.len() });
        }
        canonical::scan_object(bytes).map_err(EntryError::Form)?;
        let (header, body) = Header::read(bytes)?;
        let body = Body::read(&header.kind, header.v, body)?;
        Ok(Self { header, body })
    }
}
