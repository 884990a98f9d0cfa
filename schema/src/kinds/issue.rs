//! One handing over of rolls from the label room to the line, by two people in two roles.

use serde::{Deserialize, Serialize};

use crate::Labels;
use crate::ids::Stream;

/// One roll of an issue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct IssuedRoll {
    /// No closing challenge has passed since its count: it blocks approval of the order until one does.
    pub at_risk: bool,
    /// Labels on it, by the count that stands.
    pub labels: Labels,
    /// Which roll.
    pub roll: Stream,
}

/// The label room gives rolls to an order.
///
/// Rule: 21 CFR 211.125(a).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct IssueGiven {
    /// The override that allows more than the order needs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extra: Option<Stream>,
    /// Their sum.
    pub labels: Labels,
    /// For which material line.
    pub material: u16,
    /// To which order.
    pub order: Stream,
    /// Every roll.
    pub rolls: Vec<IssuedRoll>,
}

/// The line took the rolls over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct IssueTaken {}

/// The rolls were not taken over and go back to where they lay.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct IssueWithdrawn {}
