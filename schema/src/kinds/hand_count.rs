//! A count by hand: small, blind, by two people, and marked for ever.

use serde::{Deserialize, Serialize};

use crate::Labels;
use crate::ids::Stream;

/// What is counted by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum HandCounted {
    /// Labels on good units.
    Good,
    /// Labels on rejected units.
    Rejected,
    /// Samples, specimens and retains.
    Samples,
    /// Spoiled labels.
    Spoiled,
    /// A coded tail, cut off the roll.
    CodedTail,
    /// Finished units, where there is no unit counter.
    Units,
    /// What lies in a container.
    Container,
}

/// Something is to be counted by hand, by two people who do not see each other's number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HandCountOpened {
    /// Of which material line; absent for units.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub material: Option<u16>,
    /// Of which order.
    pub order: Stream,
    /// What is counted.
    pub what: HandCounted,
}

/// One person's number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HandCountEntered {
    /// How many.
    pub labels: Labels,
}

/// Both numbers are the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HandCountAgreed {
    /// How many.
    pub labels: Labels,
}

/// The two numbers are not the same: it is counted anew, as another hand count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct HandCountDiffered {}
