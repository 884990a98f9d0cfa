//! One packaging order: planned, run, accounted for, signed.

use serde::{Deserialize, Serialize};

use super::{IssuedRoll, Limits, Specimen, Unwind};
use crate::ids::{Id, Stream};
use crate::{Labels, Ratio};

/// What an order is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum OrderKind {
    /// For the market.
    Commercial,
    /// A trial of line or material; nothing of it is sold.
    Trial,
    /// Validation of the process.
    Validation,
    /// For a clinical trial.
    Clinical,
}

/// One lot of product in an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ProductLot {
    /// Expiry, as printed.
    pub expiry: String,
    /// Lot number, as printed.
    pub lot: String,
    /// Units planned.
    pub units: u32,
}

/// A written procedure or master record that the order follows, in one version.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DocumentCopy {
    /// Its number.
    pub id: String,
    /// Its version.
    pub version: String,
}

/// What a line may need beyond the labels of its units.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Allowance {
    /// For setting up.
    pub fixed: Labels,
    /// For each change of roll.
    pub per_roll_change: Labels,
    /// Of the labels that the units need.
    pub ratio: Ratio,
}

/// Whether lot, expiry or serial is printed on the labels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Coding {
    /// Nothing is printed on them.
    None,
    /// Printed on the line, immediately before they are put on.
    Line,
}

/// One material line of an order: one item revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MaterialPlanned {
    /// What may be needed beyond them.
    pub allowance: Allowance,
    /// Whether anything is printed on the labels.
    pub coding: Coding,
    /// Which item revision.
    pub item: Stream,
    /// Labels on each unit, for example 1/24 for a shipper label.
    pub labels_per_unit: Ratio,
    /// Which limits hold; frozen at the first issue.
    pub limit_set: Stream,
    /// Its number in the order, from 1.
    pub material: u16,
}

/// An order was planned.
///
/// Rule: 21 CFR 211.188(a) and 211.186.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderPlanned {
    /// Dosage form.
    pub dosage_form: String,
    /// What it is for.
    pub kind: OrderKind,
    /// On which line.
    pub line: Stream,
    /// Lots of product.
    pub lots: Vec<ProductLot>,
    /// Market.
    pub market: String,
    /// The master record that it is a copy of.
    pub master: DocumentCopy,
    /// Material lines.
    pub materials: Vec<MaterialPlanned>,
    /// Pack size.
    pub pack: String,
    /// Procedures in force.
    pub procedures: Vec<DocumentCopy>,
    /// Product.
    pub product: String,
    /// Strength, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strength: Option<String>,
}

/// Something that belongs to the order began in a stream of its own: an issue, a clearance, a hand count, a container, an
/// override. So the order's own entries name everything that its record leans on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderPartBegun {
    /// Which.
    pub part: Stream,
}

/// What an examination before issue found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ExaminationVerdict {
    /// The same as the approved specimen.
    Same,
    /// Not the same.
    Different,
}

/// Why another good roll of the same delivery was taken than the proposed one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum RollChoice {
    /// The proposed one cannot be reached without moving others.
    Unreachable,
    /// Packing of the proposed one is damaged; it is looked at first.
    PackingDamaged,
    /// It fits the quantity that is needed better.
    FitsQuantity,
    /// The proposed one is set apart for another order.
    Reserved,
}

/// A roll was examined before issue against the approved specimen.
///
/// Rule: 21 CFR 211.125(b).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRollExamined {
    /// Why this roll, where another was proposed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub choice: Option<RollChoice>,
    /// What a reader gave, where the item carries a code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code_read: Option<String>,
    /// For which material line.
    pub material: u16,
    /// Which roll.
    pub roll: Stream,
    /// So many counts of the roll had begun before: another one winds it over, and it is examined anew.
    pub runs: u32,
    /// Against which specimen.
    pub specimen: Specimen,
    /// How it comes off the roll.
    pub unwind: Unwind,
    /// What was found.
    pub verdict: ExaminationVerdict,
}

/// The limits of a material line are fixed, at its first issue.
///
/// Rule: 21 CFR 211.125(c), preset.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderLimitsFrozen {
    /// From which set.
    pub limit_set: Stream,
    /// The limits.
    pub limits: Limits,
    /// Which material line.
    pub material: u16,
    /// How far the count of one roll may be off.
    pub uncertainty: Labels,
}

/// Rolls were handed over; who gave and who took is in the issue's own record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderIssued {
    /// The issue.
    pub issue: Stream,
    /// Labels on its rolls.
    pub labels: Labels,
    /// For which material line.
    pub material: u16,
    /// Every roll.
    pub rolls: Vec<IssuedRoll>,
}

/// A roll was scanned in at the line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRollReceived {
    /// For which material line.
    pub material: u16,
    /// Which roll.
    pub roll: Stream,
}

/// The order started on its line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderStarted {
    /// The clearance that it starts with.
    pub clearance: Stream,
}

/// A roll was put on its dispenser.
///
/// Rule: a validated scan stands in place of the second person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRollMounted {
    /// What was read on its first label, where the item carries a code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code_read: Option<String>,
    /// On which dispenser.
    pub device: Id,
    /// For which material line.
    pub material: u16,
    /// Which roll.
    pub roll: Stream,
}

/// How a roll came off its dispenser.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum RollRan {
    /// To its end.
    UsedUp,
    /// With labels left on it.
    TakenOff,
}

/// A roll came off its dispenser.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRollDismounted {
    /// Of which material line.
    pub material: u16,
    /// How.
    pub ran: RollRan,
    /// Which roll.
    pub roll: Stream,
}

/// The line stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderInterrupted {
    /// Why.
    pub cause: String,
}

/// The line runs again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderResumed {
    /// The clearance made again, where the line was left.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clearance: Option<Stream>,
}

/// What became of labels on the line. Each is a count of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Term {
    /// On good finished units.
    Good,
    /// On rejected units.
    Rejected,
    /// Samples, specimens and retains; never back.
    Samples,
    /// Spoiled in setting up or running, splices cut out.
    Spoiled,
}

/// How a number came about. None is derived from another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(tag = "how", rename_all = "snake_case", deny_unknown_fields)]
pub enum Source {
    /// A device of the line, from one reading to another.
    Device {
        /// Which device.
        device: Id,
        /// Its reading at the end.
        end: u32,
        /// Its reading at the start.
        start: u32,
        /// How often it began again at 0 in between.
        wraps: u8,
    },
    /// A blind count by two people.
    HandCount {
        /// Which.
        hand_count: Stream,
    },
}

/// A quantity of labels on the line was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderQuantityRecorded {
    /// How many.
    pub labels: Labels,
    /// Of which material line.
    pub material: u16,
    /// What samples are for, or why labels were spoiled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Its number in the order, from 1.
    pub quantity: u32,
    /// How the number came about.
    pub source: Source,
    /// What became of them.
    pub term: Term,
}

/// Finished units were counted by a unit counter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderUnitsRecorded {
    /// Of which product lot.
    pub lot: String,
    /// Its number in the order, from 1.
    pub quantity: u32,
    /// How the number came about.
    pub source: Source,
    /// How many.
    pub units: u32,
}

/// A recorded quantity was wrong and no longer counts; the right one is recorded anew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderQuantityWithdrawn {
    /// Its number.
    pub quantity: u32,
}

/// The line has run the order to its end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderFinished {
    /// The clearance after it.
    pub clearance: Stream,
}

/// The line handed a roll back, sealed and uncounted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRollGivenBack {
    /// Of which material line.
    pub material: u16,
    /// Which roll.
    pub roll: Stream,
    /// Number of the seal.
    pub seal: String,
}

/// The label room took a roll back: a coded tail into a container, the rest as a new roll.
///
/// Rule: 21 CFR 211.125(d) and (e); coded labels never go back to stock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderReturnTaken {
    /// Where the tail lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub container: Option<Stream>,
    /// Of which material line.
    pub material: u16,
    /// The un-coded rest, a roll of its own now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rest: Option<Stream>,
    /// Which roll.
    pub roll: Stream,
    /// The seal was intact.
    pub seal_intact: bool,
    /// The hand count of the coded tail that was cut off, where there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tail: Option<Stream>,
}

/// A material line was reconciled; a later one takes its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderReconciled {
    /// Which material line.
    pub material: u16,
    /// The account.
    pub reconciliation: Stream,
}

/// A hold lies over the order: nothing more is issued, started or signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderHeld {
    /// Because of which deviation.
    pub cause: Stream,
}

/// The hold was lifted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderHoldLifted {
    /// The deviation that had caused it.
    pub cause: Stream,
}

/// The person responsible for packaging has signed; the record is with quality.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderSignedForPackaging {}

/// The label record is approved. This is no release of the batch.
///
/// Rule: 21 CFR 211.192.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderApproved {}

/// The label record is rejected.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderRejected {}

/// The order will not be run; its number is never used again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderVoided {}

/// The record was opened again; everything stays in it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct OrderReopened {}
