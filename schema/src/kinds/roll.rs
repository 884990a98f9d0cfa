//! One roll of labels: quality, count, custody, and its own ledger.

use serde::{Deserialize, Serialize};

use super::{CountPurpose, Direction, FaultKind};
use crate::Labels;
use crate::ids::Stream;

/// A roll came in with its shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollReceived {
    /// With which shipment.
    pub delivery: Stream,
    /// Of what.
    pub item: Stream,
    /// Where it stands.
    pub place: String,
    /// What the supplier says is on it.
    pub stated: Labels,
}

/// A roll was put elsewhere.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollMoved {
    /// Where it stands now.
    pub place: String,
}

/// Quality released the roll with its shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollReleased {
    /// The shipment.
    pub delivery: Stream,
}

/// Quality rejected the roll with its shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollRejected {
    /// The shipment.
    pub delivery: Stream,
}

/// The roll's item became obsolete: it waits for destruction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollObsoleted {
    /// The item.
    pub item: Stream,
}

/// A count of the roll began; it may have no other until that one ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCountOpened {
    /// Which attempt, from 1, of all counts of the roll.
    pub attempt: u32,
    /// The count.
    pub count: Stream,
    /// Which way the web runs.
    pub direction: Direction,
    /// For what.
    pub purpose: CountPurpose,
}

/// How a count of the roll ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CountEnd {
    /// Closed at the end of the roll.
    Closed,
    /// Power, link or web lost: counted whole again.
    Interrupted,
    /// Given up by a person, with a reason; also after it was closed, by a supervisor and before it was signed.
    Aborted,
}

/// The roll is no longer in a count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCountEnded {
    /// The count.
    pub count: Stream,
    /// How.
    pub how: CountEnd,
}

/// A signed count was taken into the roll's record. Whether it stands is said by `roll.count_settled`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCounted {
    /// Challenge bracket of the station in which it was taken.
    pub bracket: u64,
    /// The count.
    pub count: Stream,
    /// A cross-check questions its number (the link was lost, total and labels differ, a number fell): it stands only
    /// if another count that nothing questions agrees with it.
    pub in_doubt: bool,
    /// Labels that passed the sensor.
    pub labels: Labels,
    /// At which station.
    pub station: Stream,
    /// Labels taken out of the roll during or after it.
    pub taken_out: Labels,
}

/// Which rule let a count stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum SettledBy {
    /// The item asks for one count.
    OneCount,
    /// The first two counts agree.
    TwoAgree,
    /// The third, after a recorded check, agrees with one of the first two.
    ThirdAgrees,
}

/// One mark on the roll's tag: where a fault lies, from the end that the line meets first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// What lies there.
    pub fault: FaultKind,
    /// Ordinal of the last label from the outer end, where a run of labels shares the fault.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<u32>,
    /// True where a count of those compared ran over the place and did not see it; absent where every one did.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub missed: bool,
    /// For a fault on a label: that label's ordinal from the outer end, from 1. For a fault between labels (splice,
    /// missing): how many labels come off before it.
    pub position: u32,
}

/// It is settled how many labels are on the roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCountSettled {
    /// Labels counted.
    pub counted: Labels,
    /// Every count that was looked at, in order.
    pub counts: Vec<Stream>,
    /// Faults left on the roll, from the outer end as it was wound after the last count: every one that any signed
    /// count since the roll's former tag saw, and what that tag bore, less what was taken out.
    pub marks: Vec<Mark>,
    /// Labels on the roll: counted less taken out.
    pub on_roll: Labels,
    /// By which rule.
    pub rule: SettledBy,
    /// The count that stands.
    pub standing: Stream,
    /// Labels taken out, each piece with its fate in the count's record.
    pub taken_out: Labels,
}

/// The counts of the roll do not agree, and the rule allows no more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCountsDisagreed {
    /// Every count that was looked at, in order.
    pub counts: Vec<Stream>,
    /// What each said.
    pub labels: Vec<Labels>,
}

/// Web, sensor and speed were checked because two counts differ.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCheckRecorded {
    /// What was found on the sensor.
    pub sensor: String,
    /// What was found about the speed.
    pub speed: String,
    /// What was found on the web.
    pub web: String,
}

/// A closing challenge passed: this count of the roll is no longer at risk.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollBracketed {
    /// The count.
    pub count: Stream,
    /// The station whose challenge it was.
    pub station: Stream,
}

/// The station failed a challenge that should have closed this count's bracket: the count no longer stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollCountDoubted {
    /// The count.
    pub count: Stream,
    /// The station.
    pub station: Stream,
}

/// A hold lies over the roll: nothing may be done with it, and what it was before is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollHeld {
    /// Because of which deviation.
    pub cause: Stream,
}

/// A hold was lifted; the roll is again what it was before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollHoldLifted {
    /// The deviation that had caused it.
    pub cause: Stream,
}

/// What was left of a roll came back from an order and is a roll of its own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollReturned {
    /// With which shipment the parent came.
    pub delivery: Stream,
    /// Of what.
    pub item: Stream,
    /// From which order.
    pub order: Stream,
    /// The roll that it was part of.
    pub parent: Stream,
    /// Where it stands.
    pub place: String,
}

/// The roll is given to an order. It can be given once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollIssued {
    /// With which issue.
    pub issue: Stream,
    /// To which order.
    pub order: Stream,
}

/// The issue was withdrawn; the roll lies where it lay.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollIssueWithdrawn {
    /// Which issue.
    pub issue: Stream,
}

/// A person of the line took the roll over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollTaken {
    /// With which issue.
    pub issue: Stream,
}

/// The roll was scanned in at its line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollReceivedAtLine {
    /// Which line.
    pub line: Stream,
}

/// The roll is on a dispenser.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollMounted {
    /// Of which line.
    pub line: Stream,
}

/// The roll came off the dispenser with labels left on it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollDismounted {}

/// The roll was handed back by the line, sealed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollGivenBack {
    /// From which order.
    pub order: Stream,
}

/// How a roll ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum RollEnd {
    /// Every label was used on the line.
    UsedUp,
    /// It came back from the line; what was left is counted elsewhere.
    Returned,
}

/// The roll is no more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollEnded {
    /// The roll that is left of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub child: Option<Stream>,
    /// How.
    pub how: RollEnd,
}

/// Quality released what came back.
///
/// Rule: 21 CFR 211.125(e).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RollReturnReleased {}
