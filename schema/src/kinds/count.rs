//! One run of one roll through one station, in one direction, for one purpose. Every attempt is kept.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::ids::Stream;
use crate::observation::Observation;
use crate::{Hash, Labels};

/// What may be wrong at a place on a roll.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// A label is absent; lies between two labels.
    Missing,
    /// Two webs are joined; lies between two labels.
    Splice,
    /// A code could not be read.
    Unread,
    /// A code is not the item's: it can only stop and be set aside.
    WrongCode,
    /// Two labels lie over each other.
    Overlap,
    /// A camera refused a label.
    VisionReject,
    /// The web tore; lies between two labels.
    WebBreak,
}

impl FaultKind {
    /// The name in records.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Missing => "missing",
            Self::Splice => "splice",
            Self::Unread => "unread",
            Self::WrongCode => "wrong_code",
            Self::Overlap => "overlap",
            Self::VisionReject => "vision_reject",
            Self::WebBreak => "web_break",
        }
    }

    /// True where it lies between two labels and not on one.
    pub const fn between_labels(self) -> bool {
        matches!(self, Self::Missing | Self::Splice | Self::WebBreak)
    }
}

/// What a count is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CountPurpose {
    /// What came from the supplier.
    Incoming,
    /// A settled quantity is counted again.
    Recount,
    /// Before an issue.
    Issue,
    /// What came back.
    Return,
    /// A certified test roll challenges the station.
    Challenge,
    /// A run of a qualification protocol.
    Qualification,
}

/// Which way the web runs over the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// From the supply side to the take-up side.
    Forward,
    /// Winding back.
    Rewind,
}

/// What the machine's total counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum MachineCounts {
    /// Labels.
    Labels,
    /// Places where a label should be.
    Pitches,
}

/// A count began.
///
/// Rule: 21 CFR 211.68(a) and 211.125(c); every attempt is kept (label-control practice).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountOpened {
    /// Which attempt, from 1, of all counts of the roll; 1 for a test roll.
    pub attempt: u32,
    /// Challenge bracket of the station: how many of its challenges were concluded before.
    pub bracket: u64,
    /// What the machine's total counts.
    pub counts: MachineCounts,
    /// Which way the web runs.
    pub direction: Direction,
    /// The code expected on every label; absent where none is printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_code: Option<String>,
    /// For which item the station is set up.
    pub item: Stream,
    /// Digest of the plugin that reads the machine.
    pub plugin: Hash,
    /// For what.
    pub purpose: CountPurpose,
    /// The roll or the test roll.
    pub roll: Stream,
    /// At which station.
    pub station: Stream,
}

/// Raw bytes of the machine were captured, with what their plugin saw in them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountSegmentCaptured {
    /// Labels seen one by one in it, read or not.
    pub labels: u32,
    /// How many bytes.
    pub length: u64,
    /// SHA-256 over the canonical lines of its observations.
    pub lines: Hash,
    /// On which link.
    pub link: String,
    /// How many observations.
    pub observed: u32,
    /// First byte, in the count's byte stream on that link, from 0.
    pub offset: u64,
    /// Labels in it whose code was read; absent where none was.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub read: u32,
    /// SHA-256 of the bytes.
    pub sha256: Hash,
    /// The machine's last running total in it; where it was reset in it, the last one after that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total: Option<u32>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde gives a reference")]
fn is_zero(number: &u32) -> bool {
    *number == 0
}

/// A fault was seen. One entry each, when it is seen.
///
/// Rule: 21 CFR 211.122(b), 211.125(b); field list of label-control practice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountFaultSeen {
    /// What the machine called the cause.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// What.
    pub fault: FaultKind,
    /// What was read, for a wrong code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found: Option<String>,
    /// First byte of the frame that said so.
    pub from: u64,
    /// On which lane, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lane: Option<u8>,
    /// Last label, where a run of labels shares the fault; absent where it is one place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<u32>,
    /// On which link.
    pub link: String,
    /// The label, or the last label before the place, in the order of this run.
    pub ordinal: u32,
    /// First byte after the frame.
    pub to: u64,
}

/// The machine said something that is neither a label nor a fault: halted, reset, alarm, ticket, unreadable bytes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountMachineReported {
    /// First byte of the frame that said so.
    pub from: u64,
    /// On which link.
    pub link: String,
    /// What.
    pub seen: Observation,
    /// First byte after the frame.
    pub to: u64,
}

/// A cross-check by the server.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CrossCheck {
    /// The machine's total differs from the labels seen one by one.
    TotalAgainstLabels,
    /// The total fell without a reset.
    TotalFell,
    /// The machine's total was set back in the middle of the count.
    TotalReset,
    /// The total rose by more labels than were seen, or than could have passed in the time.
    TotalJumped,
    /// The first total is not near zero and the machine was not reset: part of it may belong to the roll before.
    TotalLeftOver,
    /// Ordinals of labels left a gap.
    OrdinalGap,
    /// Ordinals went backwards.
    OrdinalFell,
    /// Faster than the station is rated.
    Overspeed,
    /// The closing ticket differs from the running total.
    TicketAgainstTotal,
    /// Bytes that the plugin could not read.
    Unreadable,
    /// The link was lost and bytes may be missing.
    LinkLost,
    /// The machine raised an alarm.
    Alarm,
    /// The machine's own comparison of codes disagrees with the item's code.
    MachineReference,
    /// The web tore.
    WebBreak,
    /// Nothing was heard from the machine.
    Silence,
    /// More faults or reports than are kept one by one; all of them are in the captured bytes. Such a count is not closed.
    TooManyFaults,
    /// More faults or splices than the item allows on one roll.
    FaultCap,
    /// A fault that one count of the roll saw, another did not.
    FaultMapsDiffer,
}

/// Something on this count is not plain: it goes to the exceptions.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountExceptionFound {
    /// Which check.
    pub check: CrossCheck,
    /// In a sentence.
    pub text: String,
}

/// The link to the machine was lost while the count was open. Bytes may be missing here.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountLinkLost {
    /// Offset in the count's byte stream at which the loss lies.
    pub at_offset: u64,
    /// Why.
    pub cause: String,
    /// Which link.
    pub link: String,
}

/// The link to the machine is back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountLinkRestored {
    /// Which link.
    pub link: String,
}

/// What is done about faults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Disposition {
    /// Left on the roll and mapped on its tag.
    Left,
    /// Taken out, the piece with a fate.
    TakenOut,
    /// Nothing but to set the roll aside.
    SetAside,
}

/// Where a piece went that was taken out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Fate {
    /// Into the container of waste, to be counted and destroyed.
    Waste,
    /// Kept with the record.
    Specimen,
    /// To the supplier, with a claim.
    Supplier,
}

/// A person disposed of a contiguous range of faults of one kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountFaultDisposed {
    /// What is done.
    pub disposition: Disposition,
    /// Where the piece went, for one taken out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fate: Option<Fate>,
    /// Of which kind.
    pub fault: FaultKind,
    /// First ordinal of the range.
    pub first: u32,
    /// Labels in the piece that was taken out. The piece ends with the label `last`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels: Option<Labels>,
    /// Last ordinal of the range.
    pub last: u32,
}

/// A disposition that a later entry supersedes. Its own entry stays as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Superseded {
    /// What was said to be done.
    pub disposition: Disposition,
    /// Where the piece was said to go.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fate: Option<Fate>,
    /// Labels that the piece was said to have.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels: Option<Labels>,
    /// Last label of the fault, where a run of labels shares it; else equal to `ordinal`.
    pub last: u32,
    /// The fault's place.
    pub ordinal: u32,
}

/// A person corrected what was said about faults of one kind, before the count was signed; `why` says the reason.
///
/// Rule: 21 CFR 11.10(e), a change does not obscure what was recorded before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountDispositionCorrected {
    /// What is done, now.
    pub disposition: Disposition,
    /// Where the piece went, for one taken out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fate: Option<Fate>,
    /// Of which kind.
    pub fault: FaultKind,
    /// First ordinal of the range.
    pub first: u32,
    /// Labels in the piece that was taken out. The piece ends with the label `last`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub labels: Option<Labels>,
    /// Last ordinal of the range.
    pub last: u32,
    /// What was said before of each fault in the range that had a disposition. At least one.
    pub superseded: Vec<Superseded>,
}

/// Where on a roll a code is read by hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CodePlace {
    /// The first label of the run.
    Start,
    /// The last label of the run.
    End,
    /// The last label before a splice.
    BeforeSplice,
    /// The first label after a splice.
    AfterSplice,
}

/// A person read the code of one label by eye or with a hand scanner, because the station did not read it.
///
/// Rule: 21 CFR 211.122(g) and label-control practice: a splice is where another roll's labels come in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountCodeChecked {
    /// What was read; GS as `^`.
    pub found: String,
    /// True where it is the code expected on every label. Where it is not, the label carries a wrong code.
    pub matches: bool,
    /// The label, in the order of this run.
    pub ordinal: u32,
    /// Which place it stands for.
    pub place: CodePlace,
}

/// A count was closed at the end of the roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountClosed {
    /// How many exceptions it has.
    pub exceptions: u32,
    /// How many faults of each kind.
    pub faults: BTreeMap<FaultKind, u32>,
    /// Labels that passed the sensor: the machine's total, less missing labels where it counts pitches.
    pub labels: Labels,
    /// Labels that were seen one by one.
    pub labels_seen: u32,
    /// The machine's total.
    pub machine_total: u32,
}

/// A count was interrupted: power, link or web lost. The roll is wound back and counted whole again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountInterrupted {
    /// What was lost.
    pub cause: String,
}

/// A count was given up by a person, before it was signed; `why` says the reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CountAborted {}
