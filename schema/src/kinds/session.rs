//! Sessions: one continuous use of one device by one person, and what was refused in it.

use serde::{Deserialize, Serialize};

use crate::Time;
use crate::ids::{AccountId, Id, Stream};

/// A person signed in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionOpened {
    /// Who.
    pub account: AccountId,
    /// At which device.
    pub device: Id,
    /// When it ends whatever happens.
    pub expires: Time,
}

/// Why a session ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum SessionEnd {
    /// The person signed out.
    SignedOut,
    /// Nothing happened for the idle time.
    Idle,
    /// The absolute end came.
    Expired,
    /// The account was disabled or its roles changed.
    Revoked,
    /// Too many wrong passwords at signing.
    Failures,
}

/// A session ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionEnded {
    /// Why.
    pub cause: SessionEnd,
}

/// A session was locked: nobody had used it for the idle time. Its person opens it again, nothing is lost meanwhile.
///
/// Rule: 21 CFR 11.10(d), limited access; 11.200(a), one continuous period of controlled access.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionLocked {
    /// For how long nobody had used it. Unit: seconds.
    pub idle_seconds: u64,
}

/// The person of a locked session gave account and password again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionUnlocked {}

/// A wrong password was given where a signature or a password change was asked for.
///
/// Rule: 21 CFR 11.300(d), attempts at unauthorised use are detected and reported.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SessionPasswordRefused {
    /// How many in this session, this one included.
    pub failures: u32,
    /// What would have been done with it.
    pub purpose: String,
    /// What would have been signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<Stream>,
}

/// An act that a rule forbade.
///
/// Rule: 21 CFR 11.10(f) and (g), operational and authority checks; a refusal that matters is a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ActRefused {
    /// Which rule, as a short stable code.
    pub code: String,
    /// Name of the command.
    pub command: String,
    /// What it was about, whether or not that thing exists.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<Stream>,
    /// What the person was told.
    pub text: String,
}
