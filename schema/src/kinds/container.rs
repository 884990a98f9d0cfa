//! Cut or coded labels that wait for destruction: numbered, sealed, counted.

use serde::{Deserialize, Serialize};

use crate::Labels;
use crate::ids::Stream;

/// What a container holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Contents {
    /// Coded labels that are left over.
    Coded,
    /// Spoiled labels.
    Spoiled,
    /// Labels of rejected units.
    Rejected,
    /// Un-coded labels that may not go back.
    Uncoded,
}

/// A container was opened for one material line of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerOpened {
    /// What it holds.
    pub contents: Contents,
    /// Of which material line.
    pub material: u16,
    /// Of which order.
    pub order: Stream,
    /// Where it stands.
    pub place: String,
}

/// Counted labels were put in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerFilled {
    /// The hand count that says how many.
    pub hand_count: Stream,
    /// How many.
    pub labels: Labels,
}

/// The container was sealed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerSealed {
    /// Labels in it.
    pub labels: Labels,
    /// Number of the seal.
    pub seal: String,
}

/// Quality lets it be destroyed although the account is outside its limits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerDestructionConsented {
    /// The account that is outside its limits.
    pub reconciliation: Stream,
}

/// One person has destroyed what is in it, and waits for the witness.
///
/// Rule: 21 CFR 211.125(d).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerDestructionDeclared {
    /// Labels destroyed.
    pub labels: Labels,
    /// The override that allows it after its day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late: Option<Stream>,
    /// How.
    pub method: String,
    /// Where.
    pub place: String,
}

/// A witness who was there has signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ContainerDestroyed {
    /// Labels destroyed.
    pub labels: Labels,
}
