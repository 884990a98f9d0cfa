//! Something that was not as it should be, until it is closed.

use serde::{Deserialize, Serialize};

use crate::Time;
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
    /// Labels of an order are not accounted for within its limits.
    ReconciliationOutside,
    /// A roll differs from the approved specimen, or labels lie where they do not belong.
    ForeignLabel,
    /// What was destroyed is not what was sealed.
    DestructionDiffers,
    /// Hand counts of one thing do not agree.
    HandCountsDiffer,
    /// A seal was broken or missing when labels came back.
    SealBroken,
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

/// A deviation was opened about this record, or extended to it. It stands in the stream of what the deviation is about, so
/// that the record names every deviation about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RecordQuestioned {
    /// Which deviation.
    pub deviation: Stream,
}

/// What may go on until it is decided.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum InterimDecision {
    /// Work goes on.
    MayRunOn,
    /// Everything that it is about stands.
    Stop,
}

/// Its gravity was judged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationAssessed {
    /// What it may mean for product and patient.
    pub impact: String,
    /// How grave.
    pub severity: Severity,
}

/// Further things are touched by it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationScopeExtended {
    /// Which.
    pub about: Vec<Stream>,
}

/// What may go on until it is decided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationInterimDecided {
    /// What may go on.
    pub decision: InterimDecision,
    /// Under which conditions.
    pub text: String,
}

/// It was investigated.
///
/// Rule: 21 CFR 211.192: the investigation extends to other lots and products that may be touched.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationInvestigated {
    /// What caused it, or what was excluded.
    pub cause: String,
    /// What follows for the labels concerned.
    pub conclusion: String,
    /// What is done so that it does not come again.
    pub follow_up: String,
    /// Other lots, orders, rolls considered.
    pub others: String,
}

/// It is to be closed later.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationDueExtended {
    /// By when.
    pub due: Time,
}

/// What quality decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum DeviationDecision {
    /// What it is about may go on.
    Accept,
    /// What it is about may not be used.
    Reject,
}

/// Quality decided, and approved the investigation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationDecided {
    /// What.
    pub decision: DeviationDecision,
    /// In sentences.
    pub text: String,
}

/// It is closed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviationClosed {}
