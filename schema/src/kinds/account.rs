//! A person's account: for one person, for ever.

use serde::{Deserialize, Serialize};

use crate::ids::AccountId;
use crate::{Hash, Time};

/// What an account may act as. A person may hold several; an act is done in one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Stock, counts, issues, takes back, destroys.
    LabelRoom,
    /// Receives at the line, runs, hands back.
    Line,
    /// Examines what comes in.
    IncomingExaminer,
    /// Plans orders, drafts items and templates, signs for packaging.
    Supervisor,
    /// Of the quality unit: releases, rejects, decides, approves.
    Reviewer,
    /// Reads and verifies only.
    Auditor,
    /// Accounts and settings; no label acts.
    Administrator,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 7] = [
        Self::LabelRoom,
        Self::Line,
        Self::IncomingExaminer,
        Self::Supervisor,
        Self::Reviewer,
        Self::Auditor,
        Self::Administrator,
    ];

    /// The name in records.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::LabelRoom => "label_room",
            Self::Line => "line",
            Self::IncomingExaminer => "incoming_examiner",
            Self::Supervisor => "supervisor",
            Self::Reviewer => "reviewer",
            Self::Auditor => "auditor",
            Self::Administrator => "administrator",
        }
    }

    /// The name for people.
    pub const fn title(self) -> &'static str {
        match self {
            Self::LabelRoom => "label room",
            Self::Line => "line",
            Self::IncomingExaminer => "incoming examiner",
            Self::Supervisor => "supervisor",
            Self::Reviewer => "reviewer",
            Self::Auditor => "auditor",
            Self::Administrator => "administrator",
        }
    }
}

/// An account was opened for a person whose identity was checked.
///
/// Rule: 21 CFR 11.100(b), identity before a signature is assigned.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountEnrolled {
    /// The account.
    pub account: AccountId,
    /// One of the two accounts that opened the book; they confirm each other.
    pub founder: bool,
    /// Who checked the person's identity, and how.
    pub identity: String,
    /// The person's printed name.
    pub name: String,
    /// What the person may act as.
    pub roles: Vec<Role>,
}

/// A person's roles changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountRolesChanged {
    /// The account.
    pub account: AccountId,
    /// All roles from now on.
    pub roles: Vec<Role>,
}

/// An account stopped working. It is never used again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountDisabled {
    /// The account.
    pub account: AccountId,
}

/// A signing key was made for an account. It counts once it is confirmed: see `FORMAT.md` section 4.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountKeyEnrolled {
    /// The account.
    pub account: AccountId,
    /// SHA-256 of the raw public key.
    pub key: Hash,
    /// The key before it, where there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous: Option<Hash>,
    /// Base64 of the new key's signature over the key statement.
    pub proof: String,
    /// Base64 of the 32 raw bytes.
    pub public_key: String,
}

/// A signing key stopped being good for new signatures.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountKeyRetired {
    /// The account.
    pub account: AccountId,
    /// The key.
    pub key: Hash,
}

/// Too many wrong passwords were given for an account: nobody signs in with it until the stated moment.
///
/// Rule: 21 CFR 11.300(d), attempts at unauthorised use are detected and reported.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountLocked {
    /// The account.
    pub account: AccountId,
    /// How many wrong passwords.
    pub failures: u32,
    /// From when on it may be signed in to again, unless an administrator unlocks it before.
    pub until: Time,
}

/// An account may be signed in to again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountUnlocked {
    /// The account.
    pub account: AccountId,
}

/// An administrator had a one-time secret made in place of an account's password. The password before it opens nothing
/// any more, and the key under it is retired.
///
/// Rule: 21 CFR 11.300(c), a lost or compromised password is replaced under control.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountPasswordReset {
    /// The account.
    pub account: AccountId,
}

/// A person changed their password; the same signing key is kept under the new one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountPasswordChanged {
    /// The account.
    pub account: AccountId,
}
