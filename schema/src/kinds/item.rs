//! Suppliers, and one revision of one label.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::FaultKind;
use crate::Time;
use crate::ids::Stream;

/// A maker or seller of printed labels was registered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SupplierRegistered {
    /// Its name.
    pub name: String,
    /// Where it prints.
    pub site: String,
}

/// Quality approved a supplier for one item revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SupplierApproved {
    /// For what.
    pub item: Stream,
}

/// The physical piece kept with a record. Its picture is a copy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Specimen {
    /// What is written on it.
    pub id: String,
    /// Where it is kept.
    pub place: String,
}

/// How labels come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// On a web.
    Roll,
    /// Single.
    Cut,
}

/// Which side of the web lies outside, and which edge of the label comes off the roll first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Unwind {
    /// Print outside, top of the label first.
    OutsideTopFirst,
    /// Print outside, bottom of the label first.
    OutsideBottomFirst,
    /// Print outside, right edge first.
    OutsideRightFirst,
    /// Print outside, left edge first.
    OutsideLeftFirst,
    /// Print inside, top of the label first.
    InsideTopFirst,
    /// Print inside, bottom of the label first.
    InsideBottomFirst,
    /// Print inside, right edge first.
    InsideRightFirst,
    /// Print inside, left edge first.
    InsideLeftFirst,
}

/// How many counts an incoming roll needs. Fixed beforehand, never after a count was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CountRule {
    /// One count stands.
    One,
    /// Two counts that agree stand; where they differ, a third decides: see `control`.
    TwoAgree,
}

/// What is expected to be read on every label.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ExpectedCode {
    /// For example `GS1 DataMatrix`.
    pub symbology: String,
    /// What a reader gives; GS as `^`.
    pub text: String,
}

/// One revision of one label was drafted.
///
/// Rule: 21 CFR 211.186(b)(8), labels as part of the master record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ItemDrafted {
    /// Allergens named on it, where food.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub allergens: Vec<String>,
    /// The label's code in the plant.
    pub code: String,
    /// How many counts an incoming roll needs.
    pub counts: CountRule,
    /// What every label carries; absent where none is printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_code: Option<ExpectedCode>,
    /// More faults than this on one roll set it aside. Unit: faults.
    pub faults_max: u32,
    /// Roll or cut.
    pub form: Form,
    /// Language of the text.
    pub language: String,
    /// Labels side by side.
    pub lanes: u8,
    /// For which market.
    pub market: String,
    /// Distance from label to label. Unit: micrometres.
    pub pitch_um: u32,
    /// For which product.
    pub product: String,
    /// Fault kinds that counting this item relies on: a challenge must show every one of them.
    pub relies_on: BTreeSet<FaultKind>,
    /// Which revision of the artwork.
    pub revision: String,
    /// More splices than this on one roll set it aside. Unit: splices.
    pub splices_max: u32,
    /// Strength of the product, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strength: Option<String>,
    /// How it must come off the roll.
    pub unwind: Unwind,
    /// Days after receipt in which it may be used; absent where there is no limit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub use_by_days: Option<u32>,
    /// Thickness of web and label. Unit: micrometres.
    pub web_thickness_um: u32,
    /// Width of the web. Unit: micrometres.
    pub width_um: u32,
}

/// A checker of the quality unit approved the draft against a specimen.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ItemApproved {
    /// The specimen that every delivery and issue is examined against.
    pub specimen: Specimen,
}

/// How an obsolete revision goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ObsoleteRule {
    /// Stock may be used until the last-use date; nothing new is received.
    RunOut,
    /// Not one more: stock waits for destruction.
    Immediate,
}

/// An item revision became obsolete.
///
/// Rule: 21 CFR 211.122(e), obsolete labels are destroyed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ItemObsoleted {
    /// Last moment of use, where stock runs out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_use: Option<Time>,
    /// How it goes.
    pub rule: ObsoleteRule,
}
