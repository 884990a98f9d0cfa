//! A rule set aside, once, for one thing, by two people, from a closed list.

use serde::{Deserialize, Serialize};

use super::Role;
use crate::Labels;
use crate::ids::{Id, Stream};

/// Which rule is set aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum OverrideKind {
    /// More is issued than the order needs with its allowance.
    ExtraIssue,
    /// A container is destroyed after its day.
    LateDestruction,
    /// A reading of a line device is used after its calibration was due.
    DeviceOverdue,
}

/// Who may ask for an override, and who may grant it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OverrideRule {
    /// Which.
    pub kind: OverrideKind,
    /// Roles that may ask.
    pub asks: &'static [Role],
    /// Roles that may grant.
    pub grants: &'static [Role],
}

/// The closed list. What is not in it nobody may override.
pub const OVERRIDES: &[OverrideRule] = &[
    OverrideRule { kind: OverrideKind::ExtraIssue, asks: &[Role::LabelRoom], grants: &[Role::Supervisor] },
    OverrideRule { kind: OverrideKind::LateDestruction, asks: &[Role::LabelRoom], grants: &[Role::Reviewer] },
    OverrideRule { kind: OverrideKind::DeviceOverdue, asks: &[Role::Line], grants: &[Role::Reviewer] },
];

/// One person asks, with a reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OverrideRequested {
    /// For what: the order, a container.
    pub about: Stream,
    /// For a reading: of which device of the line, and no other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device: Option<Id>,
    /// Which rule.
    pub kind: OverrideKind,
    /// For an extra issue: how many labels at most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels: Option<Labels>,
    /// For an extra issue: of which material line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub material: Option<u16>,
    /// In which order.
    pub order: Stream,
}

/// A second person grants it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OverrideGranted {}

/// A second person refuses it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OverrideRefused {}

/// It was used. It cannot be used again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OverrideUsed {
    /// For what.
    pub by: Stream,
}
