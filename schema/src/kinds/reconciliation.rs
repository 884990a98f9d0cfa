//! The account of one material line: every label issued, and what became of it.

use serde::{Deserialize, Serialize};

use super::Limits;
use crate::ids::Stream;
use crate::{Labels, Ratio};

/// Every quantity that the account stands on. Unit: labels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Terms {
    /// Coded excess.
    pub coded: u64,
    /// On good units.
    pub good: u64,
    /// Issued: sum of the rolls' counts.
    pub issued: u64,
    /// On rejected units.
    pub rejected: u64,
    /// Returned, by the label room's own count.
    pub returned: u64,
    /// Samples, specimens, retains.
    pub samples: u64,
    /// Spoiled.
    pub spoiled: u64,
}

/// How a difference stands to its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Inside both limits, or 0.
    Within,
    /// On the side of over (more labels found than issued, or units that outnumber their labels) and beyond its limit,
    /// but no more than the counters may be off: comment and quality's acknowledgement.
    WithinUncertainty,
    /// Outside a limit: a deviation.
    Outside,
}

/// A material line was reconciled.
///
/// Rule: 21 CFR 211.125(c); EU GMP Part I 4.21(h). `issued - (good + rejected + samples + spoiled + coded + returned)` is
/// unaccounted; positive is short, negative is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ReconciliationComputed {
    /// Verdict on `product`: held against `product_over` where it is positive, against `product_short` where it is
    /// negative.
    pub against_product: Verdict,
    /// Verdict on `unaccounted`: held against `short` where it is positive, against `over` where it is negative.
    pub balance: Verdict,
    /// The deviation that it opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deviation: Option<Stream>,
    /// Which version of the formula, for example `balance-1`.
    pub formula: String,
    /// Units have a counter of their own; else balance and product are one test, not two.
    pub independent: bool,
    /// Labels on each unit.
    pub labels_per_unit: Ratio,
    /// The limits in force.
    pub limits: Limits,
    /// Which material line.
    pub material: u16,
    /// Which order.
    pub order: Stream,
    /// Labels that the balance leaves for good units, less labels that the units need, in parts of `1/den` of a label,
    /// the denominator of `labels_per_unit`. Positive: labels were lost at the line. Negative: units outnumber their
    /// labels.
    pub product: i64,
    /// The quantities.
    pub terms: Terms,
    /// Labels issued less labels accounted for. Positive is short, negative is over.
    pub unaccounted: i64,
    /// How far the counts may be off together.
    pub uncertainty: Labels,
    /// Finished units, by their own counter.
    pub units: u64,
}
