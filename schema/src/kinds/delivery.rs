//! One shipment of one item revision.

use serde::{Deserialize, Serialize};

use super::Specimen;
use crate::Labels;
use crate::ids::{Id, Stream};

/// One roll as the supplier stated it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollStated {
    /// The roll's own ID here.
    pub roll: Id,
    /// What the supplier says is on it.
    pub stated: Labels,
}

/// A shipment was received into quarantine.
///
/// Rule: 21 CFR 211.122(c) and 211.184(a), records of each shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryReceived {
    /// State of packing and papers.
    pub condition: String,
    /// Of what.
    pub item: Stream,
    /// The prime maker, where the supplier is not.
    pub maker: String,
    /// Where it stands.
    pub place: String,
    /// The plant's receiving code.
    pub receiving_code: String,
    /// Every roll.
    pub rolls: Vec<RollStated>,
    /// From whom.
    pub supplier: Stream,
    /// The supplier's lot.
    pub supplier_lot: String,
}

/// What an examination found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ExaminationResult {
    /// By its plan the delivery may be released.
    Accept,
    /// By its plan it may not.
    Reject,
}

/// A shipment was examined against the approved specimen.
///
/// Rule: 21 CFR 211.122(a) to (c).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryExamined {
    /// Critical defects found: text, strength, code. Any one rejects.
    pub critical: u32,
    /// Major defects found.
    pub major: u32,
    /// Minor defects found.
    pub minor: u32,
    /// The sampling plan used.
    pub plan: String,
    /// How labels inside rolls were reached.
    pub reached: String,
    /// What the plan says.
    pub result: ExaminationResult,
    /// Rolls that were opened.
    pub rolls: Vec<Stream>,
    /// Labels examined.
    pub sampled: Labels,
    /// The specimen that was proof-read whole.
    pub specimen: Specimen,
}

/// Quality released the shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryReleased {}

/// Quality rejected the shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryRejected {}

/// A hold lies over the whole shipment; what it was before is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryHeld {
    /// Because of which deviation.
    pub cause: Stream,
}

/// A hold was lifted; the shipment is again what it was before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeliveryHoldLifted {
    /// The deviation that had caused it.
    pub cause: Stream,
}
