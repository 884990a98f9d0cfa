//! What a plugin may say about a machine's bytes: a closed set. A plugin proposes; it never decides.

use serde::{Deserialize, Serialize};

use crate::canonical;
use crate::hash::{Hash, Hasher};

/// One thing that a machine said, as its plugin understood it.
///
/// `ordinal` is always the ordinal of the last label counted when it was seen, from 1; 0 before the first label.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Observation {
    /// The machine began to move the web.
    Started {},
    /// The machine's running total.
    Total {
        /// Labels or pitches, as the plugin's `counts` says.
        value: u32,
    },
    /// One label passed.
    Label {
        /// Its ordinal, from 1.
        ordinal: u32,
        /// The code that was read on it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        code: Option<String>,
        /// The print-quality grade in tenths (0 to 40), where the machine grades.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grade_tenths: Option<u8>,
    },
    /// A label is absent from the web.
    Missing {
        /// Last label before the gap.
        ordinal: u32,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// Two webs are joined here.
    Splice {
        /// Last label before the joint.
        ordinal: u32,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// A label's code could not be read.
    Unread {
        /// The label.
        ordinal: u32,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// The machine itself says that a code differs from its reference.
    Mismatch {
        /// The label.
        ordinal: u32,
        /// What was read.
        found: String,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// Two labels lie over each other.
    Overlap {
        /// The upper label.
        ordinal: u32,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// A camera refused a label.
    VisionReject {
        /// The label.
        ordinal: u32,
        /// What the camera's program called the cause.
        cause: String,
        /// On a multi-lane web: which lane, from 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lane: Option<u8>,
    },
    /// The web tore.
    WebBreak {
        /// Last label before the tear.
        ordinal: u32,
    },
    /// The end of the roll passed.
    RollEnd {
        /// Last label of the roll.
        ordinal: u32,
    },
    /// The machine stopped the web.
    Halted {
        /// Last label counted.
        ordinal: u32,
        /// Why, in the machine's words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        cause: Option<String>,
    },
    /// The machine's total was set back to zero.
    Reset {},
    /// Web speed.
    Speed {
        /// Labels a minute.
        labels_per_min: u32,
    },
    /// The machine raised an alarm of its own.
    Alarm {
        /// Its code.
        code: String,
        /// Its text.
        text: String,
    },
    /// The machine's own closing figure.
    Ticket {
        /// Labels or pitches, as the plugin's `counts` says.
        total: u32,
        /// What else stood on it.
        #[serde(default)]
        fields: std::collections::BTreeMap<String, String>,
    },
    /// Bytes that the plugin could not read. They are kept.
    Unreadable {
        /// Why not.
        why: String,
    },
}

impl Observation {
    /// The name under which a plugin declares that it may emit this.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Started {} => "started",
            Self::Total { .. } => "total",
            Self::Label { .. } => "label",
            Self::Missing { .. } => "missing",
            Self::Splice { .. } => "splice",
            Self::Unread { .. } => "unread",
            Self::Mismatch { .. } => "mismatch",
            Self::Overlap { .. } => "overlap",
            Self::VisionReject { .. } => "vision_reject",
            Self::WebBreak { .. } => "web_break",
            Self::RollEnd { .. } => "roll_end",
            Self::Halted { .. } => "halted",
            Self::Reset {} => "reset",
            Self::Speed { .. } => "speed",
            Self::Alarm { .. } => "alarm",
            Self::Ticket { .. } => "ticket",
            Self::Unreadable { .. } => "unreadable",
        }
    }

    /// The label, where it tells of a fault on one; `None` for everything else.
    pub const fn label_at_fault(&self) -> Option<u32> {
        match self {
            Self::Unread { ordinal, .. }
            | Self::Mismatch { ordinal, .. }
            | Self::Overlap { ordinal, .. }
            | Self::VisionReject { ordinal, .. } => Some(*ordinal),
            _ => None,
        }
    }

    /// Every name a plugin may declare. `unreadable` is not among them: every plugin may say that.
    pub const NAMES: [&'static str; 16] = [
        "started",
        "total",
        "label",
        "missing",
        "splice",
        "unread",
        "mismatch",
        "overlap",
        "vision_reject",
        "web_break",
        "roll_end",
        "halted",
        "reset",
        "speed",
        "alarm",
        "ticket",
    ];
}

/// An observation with the place of its bytes in the count's byte stream on one link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Located {
    /// First byte of the frame it came from, from 0.
    pub from: u64,
    /// First byte after the frame.
    pub to: u64,
    /// What was seen.
    pub seen: Observation,
}

impl Located {
    /// The canonical line of this observation, without its newline. A segment names the hash of its lines.
    pub fn line(&self) -> Result<Vec<u8>, canonical::WriteError> {
        canonical::write(self)
    }
}

/// SHA-256 over the canonical lines of `observations`, each ended by 0x0A. Empty: SHA-256 of nothing.
pub fn lines_hash(observations: &[Located]) -> Result<Hash, canonical::WriteError> {
    let mut hasher = Hasher::default();
    for observation in observations {
        hasher.update(&observation.line()?);
        hasher.update(b"\n");
    }
    Ok(hasher.finish())
}
