//! Packaging lines, and the clearing of them.

use serde::{Deserialize, Serialize};

use crate::Time;
use crate::ids::{Id, Stream};

/// What a device on a line does with labels or units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum LineDeviceKind {
    /// Puts labels on units, and counts them.
    Dispenser,
    /// Prints lot, expiry or serial on labels.
    Printer,
    /// Reads every label that was put on.
    Verifier,
    /// Counts finished units.
    UnitCounter,
}

/// A device on a line that gives a reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LineDevice {
    /// Until when its reading may be used.
    pub calibration_due: Time,
    /// Digits of its counter, after which it begins again at 0.
    /// Range: 4 to 9.
    pub digits: u8,
    /// What is printed on it.
    pub id: Id,
    /// What it does.
    pub kind: LineDeviceKind,
    /// For people.
    pub name: String,
}

/// A packaging line was registered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LineRegistered {
    /// Its devices.
    pub devices: Vec<LineDevice>,
    /// For people.
    pub name: String,
    /// Where it stands.
    pub place: String,
}

/// Devices of a line were exchanged or calibrated: these are all that it has now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LineDevicesChanged {
    /// Its devices.
    pub devices: Vec<LineDevice>,
}

/// An order runs on the line; no other may until it ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LineOrderOpened {
    /// The order.
    pub order: Stream,
}

/// The order no longer runs on the line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LineOrderClosed {
    /// The order.
    pub order: Stream,
}

/// When a line is cleared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ClearanceWhen {
    /// Immediately before an order starts.
    Before,
    /// After it has ended.
    After,
    /// In the middle: foreign material, the line was left, another lot or revision.
    Again,
}

/// One named place, and what was found there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ClearedPlace {
    /// Labels or product that do not belong there were found.
    pub foreign: bool,
    /// What was found.
    pub found: String,
    /// Which place, for example the reject bin.
    pub place: String,
}

/// A line was cleared by one person. It counts once a second one has checked it.
///
/// Rule: 21 CFR 211.130(e) and 211.188(b)(6).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ClearancePerformed {
    /// Which line.
    pub line: Stream,
    /// For which order.
    pub order: Stream,
    /// Every place looked at.
    pub places: Vec<ClearedPlace>,
    /// When.
    pub when: ClearanceWhen,
}
