//! What a verification found, for a program.

use serde::Serialize;
use tallyseal_schema::{AccountId, BookName, Hash, Time};

use crate::policy::PolicySeen;

/// What the verdict rests on, the weakest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Trust {
    /// Only on what the book says about itself: somebody could have made all of it anew.
    #[serde(rename = "self")]
    Itself,
    /// On a key that came from outside.
    Key,
    /// On a checkpoint that was kept elsewhere.
    Checkpoint,
    /// On a witness who followed the book.
    Witness,
}

impl Trust {
    /// Its name in reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Itself => "self",
            Self::Key => "key",
            Self::Checkpoint => "checkpoint",
            Self::Witness => "witness",
        }
    }
}

/// The last entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Head {
    /// Its position.
    pub n: u64,
    /// Its leaf hash.
    pub leaf: Hash,
}

/// The newest checkpoint that holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct CheckpointSeen {
    /// How many entries it speaks of.
    pub size: u64,
    /// The root over them.
    pub root: Hash,
}

/// One check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CheckLine {
    /// Its name.
    pub check: String,
    /// How many things it looked at.
    pub looked_at: u64,
    /// How many faults it found.
    pub faults: u64,
}

/// Something wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// At which entry, where it lies at one.
    pub n: Option<u64>,
    /// Which check found it.
    pub check: String,
    /// What is wrong, in a sentence.
    pub what: String,
}

/// What has become of the signatures: how many of each.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Signatures {
    /// Their record got no content after them.
    pub standing: u64,
    /// Their record changed after them.
    pub void: u64,
    /// Not void, and they do not stand: their key, or the one that confirmed it, is marked as compromised.
    pub compromised: u64,
}

/// A person's key that is marked as compromised, and what falls with it. Rule: `FORMAT.md` section 4.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CompromisedKey {
    /// Whose key it is.
    pub account: AccountId,
    /// The signatures that do not stand for it, void ones too, ascending.
    pub entries: Vec<u64>,
    /// From which `n` on what it signed does not stand.
    pub from: u64,
    /// The key.
    pub key: Hash,
}

/// The newest proof that came from outside, or was signed by a key that did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outside {
    /// How many entries it covers, from entry 0.
    pub size: u64,
    /// The time of the last entry that it covers, or when the witness signed it.
    pub at: Option<Time>,
    /// How long ago that was when the verification ran. Unit: seconds.
    pub age_s: Option<u64>,
    /// How many entries stand after it: the exposed tail, which nothing from outside speaks for.
    pub tail: u64,
}

/// The newest good time-stamp token over a checkpoint that holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TimeStampSeen {
    /// How far the authority says that its time may be off. Unit: microseconds.
    pub accuracy_us: i64,
    /// The authority's time: what it covers was there before.
    pub at: Time,
    /// The authority, as its certificate says.
    pub authority: String,
    /// SHA-256 of its certificate.
    pub certificate: Hash,
    /// How many entries the checkpoint covers.
    pub size: u64,
}

/// What was verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceKind {
    /// A data directory.
    Directory,
    /// A sealed record.
    SealedRecord,
    /// Entries, one per line.
    Dump,
    /// A record's PDF by itself.
    Printed,
}

/// What a verification found. Its text form is for people; [`Report::to_json`] is for programs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// What was verified.
    pub source: SourceKind,
    /// What the verdict rests on.
    pub trust: Trust,
    /// The book, where any entry says which.
    pub book: Option<BookName>,
    /// The book's key as it says itself, as a verifier key.
    pub key: Option<String>,
    /// How many entries were there.
    pub entries: u64,
    /// The last of them.
    pub head: Option<Head>,
    /// The newest checkpoint that holds.
    pub checkpoint: Option<CheckpointSeen>,
    /// The newest proof from outside.
    pub outside: Option<Outside>,
    /// The newest good time-stamp.
    pub time_stamp: Option<TimeStampSeen>,
    /// What has become of the signatures.
    pub signatures: Signatures,
    /// Each key of a person that is marked as compromised, in the order of the keys.
    pub compromised: Vec<CompromisedKey>,
    /// What the policy asked, where there was one.
    pub policy: Option<PolicySeen>,
    /// Every check that was made.
    pub checks: Vec<CheckLine>,
    /// Every fault, by entry.
    pub faults: Vec<Fault>,
    /// What a reader should know and what is no fault: what was not judged and why.
    pub notes: Vec<String>,
}

/// The JSON form. Rule: `README.md`, how an auditor verifies; fields in this order, no others.
#[derive(Serialize)]
struct Json<'a> {
    ok: bool,
    trust: Trust,
    book: Option<&'a BookName>,
    entries: u64,
    head: Option<Head>,
    checkpoint: Option<CheckpointSeen>,
    signatures: Signatures,
    compromised: &'a [CompromisedKey],
    checks: &'a [CheckLine],
    faults: &'a [Fault],
    #[serde(skip_serializing_if = "Option::is_none")]
    policy: Option<&'a PolicySeen>,
    #[serde(skip_serializing_if = "Option::is_none")]
    time_stamp: Option<&'a TimeStampSeen>,
}

impl Report {
    /// True where every check that was made holds.
    pub fn ok(&self) -> bool {
        self.faults.is_empty()
    }

    /// What a program that printed this report ends with: 0 where all checks hold, 1 where there is a fault.
    pub fn exit_code(&self) -> u8 {
        u8::from(!self.ok())
    }

    /// Adds a check that this crate does not make itself, with its faults. The caller's faults stand after ours.
    pub fn add_check(&mut self, check: &str, looked_at: u64, faults: Vec<(Option<u64>, String)>) {
        self.checks.push(CheckLine { check: check.to_owned(), looked_at, faults: faults.len() as u64 });
        self.faults.extend(faults.into_iter().map(|(n, what)| Fault { n, check: check.to_owned(), what }));
    }

    /// One line of JSON.
    pub fn to_json(&self) -> String {
        let json = Json {
            ok: self.ok(),
            trust: self.trust,
            book: self.book.as_ref(),
            entries: self.entries,
            head: self.head,
            checkpoint: self.checkpoint,
            signatures: self.signatures,
            compromised: &self.compromised,
            checks: &self.checks,
            faults: &self.faults,
            policy: self.policy.as_ref(),
            time_stamp: self.time_stamp.as_ref(),
        };
        // Strings, numbers and hashes always have a JSON form.
        serde_json::to_string(&json).unwrap_or_default()
    }
}
