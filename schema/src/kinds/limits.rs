//! The limits that a reconciliation is held against: set beforehand, approved by another person.

use serde::{Deserialize, Serialize};

use crate::{Labels, Ratio};

/// Where limits come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum LimitBasis {
    /// No history yet; tight, and to be replaced.
    Provisional,
    /// The plant's own comparable orders.
    History,
}

/// How much may be unexplained. Both must hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// At most so many labels.
    pub labels: Labels,
    /// At most this much of what was issued.
    pub ratio: Ratio,
}

/// The limits of one reconciliation, short and over apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// More labels found than issued: `unaccounted` is negative. The graver side, it may be nothing at all.
    pub over: Limit,
    /// The balance leaves more labels for good units than the units need: `product` is positive. Labels were lost at
    /// the line; it is the same side as `short`.
    pub product_over: Limit,
    /// The balance leaves fewer labels for good units than the units need: `product` is negative. Units outnumber their
    /// labels, which came from somewhere; it is the same side as `over`, and may be nothing at all.
    pub product_short: Limit,
    /// Fewer labels found than issued: `unaccounted` is positive. Labels were lost.
    pub short: Limit,
}

/// Limits were proposed.
///
/// Rule: 21 CFR 211.125(c), narrow preset limits based on historical operating data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LimitSetDrafted {
    /// Where they come from.
    pub basis: LimitBasis,
    /// Which orders, which were left out and why; for provisional ones, why there is no history.
    pub data: String,
    /// For the label of this code, in any revision.
    pub item_code: String,
    /// The limits.
    pub limits: Limits,
    /// How far the count of one roll may be off by the counter's own qualification.
    pub uncertainty: Labels,
}

/// Quality approved the limits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LimitSetApproved {}

/// The limits go out of use. Orders that froze them keep them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LimitSetWithdrawn {}
