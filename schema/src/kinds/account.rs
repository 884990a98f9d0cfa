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

/// One role of a person, for as long as the training that it rests on is good.
///
/// Rule: 21 CFR 11.10(i) and 211.25(a): education, training and experience of those who do it. A training that nobody
/// renews is none, so the grant ends by itself.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Grant {
    /// What the person may act as.
    pub role: Role,
    /// The record of the training that it rests on, as the plant names it.
    pub training: String,
    /// The first moment at which it is good no more; absent: it does not end by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Time>,
}

impl Grant {
    /// True where it is good at that moment: before its end, and not at it.
    ///
    /// Rule: `FORMAT.md` section 4.
    pub fn holds(&self, at: Time) -> bool {
        self.until.is_none_or(|until| at < until)
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
    /// What the person may act as, and until when: one grant per role.
    pub roles: Vec<Grant>,
}

/// A person's roles changed, or were granted anew after a training.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountRolesChanged {
    /// The account.
    pub account: AccountId,
    /// All roles from now on: one grant per role.
    pub roles: Vec<Grant>,
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

/// Somebody else may have held a person's signing key: what it signed from some entry on does not stand.
///
/// Rule: `FORMAT.md` section 4; 21 CFR 11.300(c), loss management of what identifies a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AccountKeyCompromised {
    /// The account.
    pub account: AccountId,
    /// The `n` of the first entry whose signature by this key does not stand.
    pub from: u64,
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grant_is_good_before_its_end_and_not_at_it() {
        let until: Time = "2027-11-26T00:00:00.000000Z".parse().unwrap();
        let grant = Grant { role: Role::Line, training: "TR-0007".to_owned(), until: Some(until) };
        assert!(grant.holds(until.plus_micros(-1)));
        assert!(!grant.holds(until));
        assert!(!grant.holds(until.plus_micros(1)));
        assert!(Grant { until: None, ..grant }.holds("9999-12-31T23:59:59.999999Z".parse().unwrap()));
    }

    #[test]
    fn a_grant_has_one_form() {
        let text = r#"{"role":"line","training":"TR-0007","until":"2027-11-26T00:00:00.000000Z"}"#;
        let grant: Grant = serde_json::from_str(text).unwrap();
        assert_eq!(serde_json::to_string(&grant).unwrap(), text);
        let endless = r#"{"role":"administrator","training":"TR-0001"}"#;
        let grant: Grant = serde_json::from_str(endless).unwrap();
        assert_eq!(serde_json::to_string(&grant).unwrap(), endless);
        for wrong in [
            r#""line""#,
            r#"{"role":"line"}"#,
            r#"{"role":"line","training":"TR-0007","until":"2027-11-26"}"#,
            r#"{"role":"line","training":"TR-0007","since":"2027-11-26T00:00:00.000000Z"}"#,
        ] {
            assert!(serde_json::from_str::<Grant>(wrong).is_err(), "{wrong}");
        }
    }
}
