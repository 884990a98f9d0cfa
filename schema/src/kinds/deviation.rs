//! Something that was not as it should be, until it is closed.

use serde::{Deserialize, Serialize};

use crate::ids::Stream;

/// How grave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// No influence on the labels used.
    Minor,
    /// A number or a check is in doubt.
    Major,
    /// A wrong label may reach a patient.
    Critical,
}

/// Which rule opened it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum DeviationRule {
    /// A code that is not the item's was read on a roll.
    WrongCode,
    /// A test roll was not counted rightly.
    ChallengeFailed,
    /// Counts of one roll do not agree.
    CountsDisagree,
    /// More faults or splices on a roll than its item allows.
    FaultCap,
    /// A person opened it.
    Person,
}

/// A deviation was opened.
///
/// Rule: 21 CFR 211.192, any unexplained discrepancy is investigated.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationOpened {
    /// What it is about, the first being where it was found.
    pub about: Vec<Stream>,
    /// By which rule.
    pub rule: DeviationRule,
    /// How grave, until it is assessed.
    pub severity: Severity,
    /// What was found, in sentences.
    pub text: String,
}
