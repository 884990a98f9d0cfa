//! A counting table, the certified rolls that challenge it, and the plugins that read it.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::{Direction, FaultKind, MachineCounts};
use crate::ids::Stream;
use crate::{Hash, Labels, Time};

/// How the server reaches a machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Link {
    /// The server calls the machine or its serial server.
    TcpOut {
        /// Host and port.
        address: String,
    },
}

/// A counting table was registered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationRegistered {
    /// A passed challenge is good for so long. Unit: minutes.
    pub challenge_interval_min: u32,
    /// How it is reached.
    pub link: Link,
    /// What people call it.
    pub name: String,
    /// Where it stands.
    pub place: String,
    /// The speed it is rated for. Unit: labels a minute.
    pub rated_labels_per_min: u32,
}

/// Quality declared the station qualified.
///
/// Rule: 21 CFR 211.68(a), equipment is checked by a written program.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationQualified {
    /// On the strength of which report.
    pub basis: String,
    /// Until when.
    pub valid_until: Time,
}

/// The station was bound to an approved plugin.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationPluginBound {
    /// What the machine's total counts, as the plugin declares.
    pub counts: MachineCounts,
    /// The plugin's digest.
    pub digest: Hash,
    /// The plugin.
    pub plugin: Stream,
}

/// The bench was cleared: nothing of the last item is left.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationBenchCleared {
    /// What was found, or that nothing was.
    pub found: String,
    /// Every place that was looked at.
    pub places: Vec<String>,
}

/// The station was set up for an item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationSetUp {
    /// For which item.
    pub item: Stream,
    /// Sensitivity, in the machine's own words.
    pub sensitivity: String,
    /// Which sensor.
    pub sensor: String,
    /// At which speed. Unit: labels a minute.
    pub speed_labels_per_min: u32,
}

/// What is written into a station's log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum StationWork {
    /// Cleaned.
    Cleaning,
    /// Repaired: it is challenged before it counts again.
    Repair,
    /// Moved: it is challenged before it counts again.
    Move,
}

/// Work on the station.
///
/// Rule: 21 CFR 211.182, equipment cleaning and use log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationWorkLogged {
    /// What was done.
    pub text: String,
    /// Which kind.
    pub work: StationWork,
}

/// A count began on the station; it may have no other until that one ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationCountOpened {
    /// The count.
    pub count: Stream,
}

/// The station's count ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationCountEnded {
    /// The count.
    pub count: Stream,
}

/// When a challenge is run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Occasion {
    /// At the start of the working period.
    Start,
    /// In between.
    Interval,
    /// At the end of the working period.
    End,
    /// Before a repair or a move.
    BeforeWork,
    /// After a repair or a move.
    AfterWork,
    /// After counts that did not agree, or a challenge that failed.
    Doubt,
}

/// What one run of the test roll gave.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ChallengeRun {
    /// The count.
    pub count: Stream,
    /// Which way.
    pub direction: Direction,
    /// Faults found of each kind.
    pub faults: BTreeMap<FaultKind, u32>,
    /// Labels counted.
    pub labels: Labels,
}

/// The test roll was counted rightly, forward and back, with every fault the item's set-up relies on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationChallengePassed {
    /// The bracket that it closes: how many challenges were concluded before.
    pub bracket: u64,
    /// What the roll is certified to hold.
    pub certified: Labels,
    /// When.
    pub occasion: Occasion,
    /// Every run of the test roll since the challenge before.
    pub runs: Vec<ChallengeRun>,
    /// When the first of the runs began: the interval to the next challenge counts from here.
    pub since: Time,
    /// The test roll.
    pub test_roll: Stream,
}

/// The test roll was not counted rightly: the station is locked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationChallengeFailed {
    /// The bracket that it ends: no count in it stands.
    pub bracket: u64,
    /// What the roll is certified to hold.
    pub certified: Labels,
    /// The deviation that it opened.
    pub deviation: Stream,
    /// What was wrong, one sentence each.
    pub findings: Vec<String>,
    /// When.
    pub occasion: Occasion,
    /// Every run of the test roll since the challenge before; none where it could not be run.
    pub runs: Vec<ChallengeRun>,
    /// The test roll.
    pub test_roll: Stream,
}

/// The counts of a roll disagreed for good: the station is challenged before it counts again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationDoubted {
    /// Whose counts.
    pub roll: Stream,
}

/// The link to the station was lost. An open count has an entry of its own about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationLinkLost {
    /// Why.
    pub cause: String,
    /// Which link.
    pub link: String,
}

/// The link to the station is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationLinkUp {
    /// Which link.
    pub link: String,
}

/// The machine spoke while no count was open. The bytes are kept and belong to no roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct StationStrayCaptured {
    /// The last count before, where there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<Stream>,
    /// How many bytes.
    pub length: u64,
    /// On which link.
    pub link: String,
    /// How many observations its plugin saw in them.
    pub observed: u32,
    /// SHA-256 of the bytes.
    pub sha256: Hash,
}

/// A certified test roll was registered.
///
/// Rule: common practice, no source: certified numbers are odd and different from each other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TestRollRegistered {
    /// The certificate.
    pub certificate: String,
    /// How many labels it holds.
    pub certified: Labels,
    /// The code on its good labels; absent where it carries none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// When the certificate ends.
    pub expires: Time,
    /// The faults it carries.
    pub faults: BTreeMap<FaultKind, u32>,
}

/// Quality accepted the certificate of a test roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TestRollCertified {}

/// A test roll was taken out of use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TestRollWithdrawn {}

/// One file of a plugin.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PluginFile {
    /// How many bytes.
    pub length: u64,
    /// Where in the folder.
    pub path: String,
    /// SHA-256 of the bytes.
    pub sha256: Hash,
}

/// A version of a plugin was loaded as a draft; these bytes run, whatever happens to the folder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PluginDrafted {
    /// What the machine's total counts.
    pub counts: MachineCounts,
    /// Digest over its files.
    pub digest: Hash,
    /// What it may say.
    pub emits: BTreeSet<String>,
    /// Every file.
    pub files: Vec<PluginFile>,
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// Quality approved a plugin for use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PluginApproved {
    /// Digest over its files.
    pub digest: Hash,
}
