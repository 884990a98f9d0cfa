//! A person's signature, and the table of what a signature may mean.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Role;
use crate::ids::{AccountId, BookName, Stream};
use crate::signature::{Cover, Statement};
use crate::{Hash, Time};

/// A person signed. It stands in the stream of the thing that is signed.
///
/// Rule: 21 CFR 11.50 (name, time, meaning) and 11.70 (linked to its record).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SignatureApplied {
    /// The signer, equal to `by`.
    pub account: AccountId,
    /// Stream to the last revision covered and the root over all its entries up to there.
    pub covers: BTreeMap<Stream, Cover>,
    /// SHA-256 of the signer's raw public key.
    pub key: Hash,
    /// One of [`MEANINGS`].
    pub meaning: String,
    /// The signer's printed name, equal to `by`.
    pub name: String,
    /// What is signed; a key of `covers`.
    pub record: Stream,
    /// The role signed in, equal to `by`.
    pub role: Role,
    /// Base64 of the Ed25519 signature over the statement.
    pub sig: String,
}

impl SignatureApplied {
    /// What was signed, where the entry with this body stands in that book with that time.
    pub fn statement<'a>(&'a self, book: &'a BookName, at: Time) -> Statement<'a> {
        Statement {
            account: &self.account,
            at,
            book,
            covers: &self.covers,
            key: &self.key,
            meaning: &self.meaning,
            name: &self.name,
            record: &self.record,
            role: self.role.as_str(),
        }
    }
}

/// What a signature may mean: who may give it, on what, and who is excluded because of what they did there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Meaning {
    /// The word printed with the signature.
    pub name: &'static str,
    /// On which things.
    pub things: &'static [&'static str],
    /// In which roles.
    pub roles: &'static [Role],
    /// Entry kinds whose author, in any covered stream, may not give this signature.
    pub excludes: &'static [&'static str],
    /// Meanings whose signer, in any covered stream, may not give this signature.
    pub excludes_signers: &'static [&'static str],
    /// The account that the record is about may not give it.
    pub excludes_self: bool,
}

/// Who made one of these had a part in the order, and neither reviews nor decides its record.
const PART_IN_ORDER: &[&str] = &[
    "order.planned",
    "order.roll_examined",
    "order.issued",
    "order.roll_received",
    "order.started",
    "order.roll_mounted",
    "order.roll_dismounted",
    "order.interrupted",
    "order.resumed",
    "order.quantity_recorded",
    "order.units_recorded",
    "order.quantity_withdrawn",
    "order.finished",
    "order.roll_given_back",
    "order.return_taken",
    "issue.given",
    "clearance.performed",
    "container.opened",
    "container.filled",
    "container.sealed",
    "container.destruction_declared",
    "hand_count.opened",
    "hand_count.entered",
    "override.requested",
    "reconciliation.computed",
];

/// Who gave one of these signatures neither.
const SIGNED_IN_ORDER: &[&str] = &[
    "signed for packaging",
    "counted",
    "issued",
    "issue taken",
    "cleared",
    "clearance checked",
    "destroyed",
    "destruction witnessed",
    "reconciled",
    "reconciliation checked",
];

/// Every meaning. Printed into `FORMAT.md`; held by `control` when signing and by every verifier.
pub const MEANINGS: &[Meaning] = &[
    Meaning {
        name: "identity confirmed",
        things: &["account"],
        roles: &[Role::Administrator, Role::Reviewer],
        // Whoever has held a one-time secret of the account could be the one who now has its key.
        excludes: &["account.enrolled", "account.password_reset"],
        excludes_signers: &[],
        excludes_self: true,
    },
    Meaning {
        name: "item approved",
        things: &["item"],
        roles: &[Role::Reviewer],
        excludes: &["item.drafted"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "obsoleted",
        things: &["item"],
        roles: &[Role::Reviewer],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "supplier approved",
        things: &["supplier"],
        roles: &[Role::Reviewer],
        excludes: &["supplier.registered"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "examined",
        things: &["delivery"],
        roles: &[Role::IncomingExaminer],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "released",
        things: &["delivery"],
        roles: &[Role::Reviewer],
        excludes: &["delivery.received", "delivery.examined"],
        excludes_signers: &["examined"],
        excludes_self: false,
    },
    Meaning {
        name: "rejected",
        things: &["delivery"],
        roles: &[Role::Reviewer],
        excludes: &["delivery.received", "delivery.examined"],
        excludes_signers: &["examined"],
        excludes_self: false,
    },
    Meaning {
        name: "hold lifted",
        things: &["deviation"],
        roles: &[Role::Reviewer],
        excludes: &["deviation.opened", "roll.count_opened", "roll.count_ended", "roll.counted"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "counted",
        things: &["count"],
        roles: &[Role::LabelRoom],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "count checked",
        things: &["count"],
        roles: &[Role::LabelRoom, Role::Supervisor],
        excludes: &[
            "count.opened",
            "count.closed",
            "count.fault_disposed",
            "count.disposition_corrected",
            "count.code_checked",
        ],
        excludes_signers: &["counted"],
        excludes_self: false,
    },
    Meaning {
        name: "station qualified",
        things: &["station"],
        roles: &[Role::Reviewer],
        excludes: &["station.registered"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "challenge concluded",
        things: &["station"],
        roles: &[Role::LabelRoom],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "test roll certified",
        things: &["test_roll"],
        roles: &[Role::Reviewer],
        excludes: &["test_roll.registered"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "plugin approved",
        things: &["plugin"],
        roles: &[Role::Reviewer],
        excludes: &["plugin.drafted"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "limits approved",
        things: &["limit_set"],
        roles: &[Role::Reviewer],
        excludes: &["limit_set.drafted"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "cleared",
        things: &["clearance"],
        roles: &[Role::Line],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "clearance checked",
        things: &["clearance"],
        roles: &[Role::Line, Role::Supervisor],
        excludes: &["clearance.performed"],
        excludes_signers: &["cleared"],
        excludes_self: false,
    },
    Meaning {
        name: "issued",
        things: &["issue"],
        roles: &[Role::LabelRoom],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "issue taken",
        things: &["issue"],
        roles: &[Role::Line],
        excludes: &["issue.given"],
        excludes_signers: &["issued"],
        excludes_self: false,
    },
    Meaning {
        name: "container sealed",
        things: &["container"],
        roles: &[Role::LabelRoom],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "destruction consented",
        things: &["container"],
        roles: &[Role::Reviewer],
        excludes: &["container.opened", "container.filled", "container.sealed"],
        excludes_signers: &["container sealed"],
        excludes_self: false,
    },
    Meaning {
        name: "destroyed",
        things: &["container"],
        roles: &[Role::LabelRoom],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "destruction witnessed",
        things: &["container"],
        roles: &[Role::Line, Role::Supervisor, Role::Reviewer],
        excludes: &["container.destruction_declared"],
        excludes_signers: &["destroyed"],
        excludes_self: false,
    },
    Meaning {
        name: "reconciled",
        things: &["reconciliation"],
        roles: &[Role::LabelRoom, Role::Supervisor],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "reconciliation checked",
        things: &["reconciliation"],
        roles: &[Role::LabelRoom, Role::Supervisor, Role::Reviewer],
        excludes: &["reconciliation.computed"],
        excludes_signers: &["reconciled"],
        excludes_self: false,
    },
    Meaning {
        name: "override granted",
        things: &["override"],
        roles: &[Role::Supervisor, Role::Reviewer],
        excludes: &["override.requested"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "return released",
        things: &["roll"],
        roles: &[Role::Reviewer],
        excludes: &["roll.given_back", "roll.returned", "roll.count_opened"],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "deviation investigated",
        things: &["deviation"],
        roles: &[Role::Supervisor, Role::Reviewer],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "deviation approved",
        things: &["deviation"],
        roles: &[Role::Reviewer],
        excludes: &[
            "deviation.opened",
            "deviation.assessed",
            "deviation.investigated",
            "roll.count_opened",
            "order.planned",
            "order.roll_examined",
            "order.issued",
            "order.roll_received",
            "order.started",
            "order.roll_mounted",
            "order.roll_dismounted",
            "order.interrupted",
            "order.resumed",
            "order.quantity_recorded",
            "order.units_recorded",
            "order.quantity_withdrawn",
            "order.finished",
            "order.roll_given_back",
            "order.return_taken",
            "issue.given",
            "clearance.performed",
            "container.opened",
            "container.filled",
            "container.sealed",
            "container.destruction_declared",
            "hand_count.opened",
            "hand_count.entered",
            "override.requested",
            "reconciliation.computed",
        ],
        excludes_signers: &[
            "deviation investigated",
            "counted",
            "issued",
            "issue taken",
            "cleared",
            "clearance checked",
            "destroyed",
            "destruction witnessed",
            "reconciled",
            "reconciliation checked",
        ],
        excludes_self: false,
    },
    Meaning {
        name: "signed for packaging",
        things: &["order"],
        roles: &[Role::Supervisor],
        excludes: &[],
        excludes_signers: &[],
        excludes_self: false,
    },
    Meaning {
        name: "label record reviewed",
        things: &["order"],
        roles: &[Role::Reviewer],
        excludes: PART_IN_ORDER,
        excludes_signers: SIGNED_IN_ORDER,
        excludes_self: false,
    },
    Meaning {
        name: "label record approved",
        things: &["order"],
        roles: &[Role::Reviewer],
        excludes: PART_IN_ORDER,
        excludes_signers: SIGNED_IN_ORDER,
        excludes_self: false,
    },
    Meaning {
        name: "label record rejected",
        things: &["order"],
        roles: &[Role::Reviewer],
        excludes: PART_IN_ORDER,
        excludes_signers: SIGNED_IN_ORDER,
        excludes_self: false,
    },
];

/// The meaning of that name; `None` for one that this version does not know.
pub fn meaning(name: &str) -> Option<&'static Meaning> {
    MEANINGS.iter().find(|meaning| meaning.name == name)
}
