//! One compiled rule, and what it makes of a frame.

use std::collections::BTreeMap;

use regex::bytes::{CaptureLocations, Regex};
use tallyseal_schema::observation::Observation;

use crate::checksum::Checksum;
use crate::declaration::{Encoding, Order};
use crate::escape::escaped;
use crate::field::{Groups, Matched, Number, Text};

/// The longest reason an `unreadable` gives. Unit: characters.
const WHY_MAX: usize = 200;

/// What a plugin makes of one frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The machine said this.
    Seen(Observation),
    /// A declared rule says that this frame says nothing.
    Ignored,
    /// The plugin cannot read it; why not.
    Unreadable(String),
}

impl Outcome {
    /// The observation that goes into the record; `None` for an ignored frame.
    pub fn into_observation(self) -> Option<Observation> {
        match self {
            Self::Seen(observation) => Some(observation),
            Self::Ignored => None,
            Self::Unreadable(why) => Some(Observation::Unreadable { why }),
        }
    }

    /// A frame that cannot be read, with its reason cut to a bounded length.
    pub(crate) fn unreadable(why: &str) -> Self {
        Self::Unreadable(why.chars().take(WHY_MAX).collect())
    }
}

/// A rule, ready to run.
#[derive(Debug)]
pub struct Rule {
    /// Its place in the declaration, from 1.
    pub number: usize,
    /// What its author says that it is for.
    pub about: Option<String>,
    /// The pattern as it is declared.
    pub pattern: String,
    /// The pattern, compiled so that it must match the whole frame.
    pub regex: Regex,
    /// The check value in the frame.
    pub check: Option<Check>,
    /// What it makes of a frame that matches and holds its check.
    pub make: Make,
}

/// A check value that stands in the frame.
#[derive(Debug)]
pub struct Check {
    pub kind: Checksum,
    /// The group that it is over.
    pub over: usize,
    /// The group that it must equal.
    pub equals: usize,
    /// How its bytes stand there; `None`: in hexadecimal digits.
    pub order: Option<Order>,
}

/// What a rule makes, with where each value comes from. One variant per observation that may be declared.
#[derive(Debug)]
pub enum Make {
    Ignore,
    Started,
    Total { value: Number },
    Label { ordinal: Number, code: Option<Text>, grade_tenths: Option<Number> },
    Missing { ordinal: Number, lane: Option<Number> },
    Splice { ordinal: Number, lane: Option<Number> },
    Unread { ordinal: Number, lane: Option<Number> },
    Mismatch { ordinal: Number, found: Text, lane: Option<Number> },
    Overlap { ordinal: Number, lane: Option<Number> },
    VisionReject { ordinal: Number, cause: Text, lane: Option<Number> },
    WebBreak { ordinal: Number },
    RollEnd { ordinal: Number },
    Halted { ordinal: Number, cause: Option<Text> },
    Reset,
    Speed { labels_per_min: Number },
    Alarm { code: Text, text: Text },
    Ticket { total: Number, extra: BTreeMap<String, Text> },
}

impl Rule {
    /// What this rule makes of `frame`; `None` where its pattern does not match.
    pub fn judge(&self, frame: &[u8], encoding: Encoding, found: &mut CaptureLocations) -> Option<Outcome> {
        self.regex.captures_read(found, frame)?;
        let matched = Matched { frame, found, encoding };
        let made = match self.check.as_ref().map_or(Ok(()), |check| check.holds(&matched)) {
            Ok(()) => self.make.make(&matched),
            Err(why) => Err(why),
        };
        Some(match made {
            Ok(Some(observation)) => Outcome::Seen(observation),
            Ok(None) => Outcome::Ignored,
            Err(why) => Outcome::unreadable(&format!("rule {}: {why}", self.number)),
        })
    }
}

impl Check {
    fn holds(&self, matched: &Matched<'_>) -> Result<(), String> {
        let group = |number| Groups(vec![number]).bytes(matched);
        let (Some(over), Some(said)) = (group(self.over), group(self.equals)) else {
            return Err(format!("a group of its {} check took no part in the match", self.kind.name()));
        };
        let width = self.kind.width_bytes();
        let value = self.kind.over(&over);
        let expected = match self.order {
            // Upper or lower case: both are read.
            None => return self.compare_hex(value, width * 2, &said),
            Some(Order::HighFirst) => value.to_be_bytes().get(4 - width..).map(<[u8]>::to_vec),
            Some(Order::LowFirst) => value.to_le_bytes().get(..width).map(<[u8]>::to_vec),
        };
        let expected = expected.unwrap_or_default();
        if expected == said.as_ref() { Ok(()) } else { Err(self.differs(&escaped(&expected, 8), &said)) }
    }

    fn compare_hex(&self, value: u32, digits: usize, said: &[u8]) -> Result<(), String> {
        let expected = format!("{value:0digits$X}");
        if said.eq_ignore_ascii_case(expected.as_bytes()) { Ok(()) } else { Err(self.differs(&expected, said)) }
    }

    fn differs(&self, expected: &str, said: &[u8]) -> String {
        format!("its {} check gives {expected}, but the frame says {}", self.kind.name(), escaped(said, 8))
    }
}

impl Make {
    /// The name of what it makes; `None` where it ignores the frame.
    pub const fn emits(&self) -> Option<&'static str> {
        Some(match self {
            Self::Ignore => return None,
            Self::Started => "started",
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
            Self::Reset => "reset",
            Self::Speed { .. } => "speed",
            Self::Alarm { .. } => "alarm",
            Self::Ticket { .. } => "ticket",
        })
    }

    fn make(&self, matched: &Matched<'_>) -> Result<Option<Observation>, String> {
        let number = |name: &str, source: &Number| required(name, source.read(matched));
        let text = |name: &str, source: &Text| required(name, source.read(matched));
        let ordinal = |source: &Number| number("ordinal", source);
        let lane = |source: &Option<Number>| small("lane", source.as_ref(), matched);
        Ok(Some(match self {
            Self::Ignore => return Ok(None),
            Self::Started => Observation::Started {},
            Self::Total { value } => Observation::Total { value: number("value", value)? },
            Self::Label { ordinal: at, code, grade_tenths } => Observation::Label {
                ordinal: ordinal(at)?,
                code: optional("code", code.as_ref(), matched)?,
                grade_tenths: small("grade_tenths", grade_tenths.as_ref(), matched)?,
            },
            Self::Missing { ordinal: at, lane: on } => Observation::Missing { ordinal: ordinal(at)?, lane: lane(on)? },
            Self::Splice { ordinal: at, lane: on } => Observation::Splice { ordinal: ordinal(at)?, lane: lane(on)? },
            Self::Unread { ordinal: at, lane: on } => Observation::Unread { ordinal: ordinal(at)?, lane: lane(on)? },
            Self::Mismatch { ordinal: at, found, lane: on } => {
                Observation::Mismatch { ordinal: ordinal(at)?, found: text("found", found)?, lane: lane(on)? }
            }
            Self::Overlap { ordinal: at, lane: on } => Observation::Overlap { ordinal: ordinal(at)?, lane: lane(on)? },
            Self::VisionReject { ordinal: at, cause, lane: on } => {
                Observation::VisionReject { ordinal: ordinal(at)?, cause: text("cause", cause)?, lane: lane(on)? }
            }
            Self::WebBreak { ordinal: at } => Observation::WebBreak { ordinal: ordinal(at)? },
            Self::RollEnd { ordinal: at } => Observation::RollEnd { ordinal: ordinal(at)? },
            Self::Halted { ordinal: at, cause } => {
                Observation::Halted { ordinal: ordinal(at)?, cause: optional("cause", cause.as_ref(), matched)? }
            }
            Self::Reset => Observation::Reset {},
            Self::Speed { labels_per_min } => {
                Observation::Speed { labels_per_min: number("labels_per_min", labels_per_min)? }
            }
            Self::Alarm { code, text: words } => {
                Observation::Alarm { code: text("code", code)?, text: text("text", words)? }
            }
            Self::Ticket { total, extra } => {
                let mut fields = BTreeMap::new();
                for (name, source) in extra {
                    if let Some(value) = optional(name, Some(source), matched)? {
                        fields.insert(name.clone(), value);
                    }
                }
                Observation::Ticket { total: number("total", total)?, fields }
            }
        }))
    }
}

fn required<T>(name: &str, read: Result<Option<T>, String>) -> Result<T, String> {
    match read {
        Ok(Some(value)) => Ok(value),
        Ok(None) => Err(format!("`{name}` took no part in the match")),
        Err(what) => Err(format!("`{name}` {what}")),
    }
}

/// A text that may be absent. An empty one is absent too: a machine that prints an empty place said nothing there.
fn optional(name: &str, source: Option<&Text>, matched: &Matched<'_>) -> Result<Option<String>, String> {
    let read = source.map_or(Ok(None), |source| source.read(matched));
    read.map(|text| text.filter(|text| !text.is_empty())).map_err(|what| format!("`{name}` {what}"))
}

/// A number of at most 255 that may be absent; the range was judged when the plugin was loaded.
fn small(name: &str, source: Option<&Number>, matched: &Matched<'_>) -> Result<Option<u8>, String> {
    let read = source.map_or(Ok(None), |source| source.read(matched)).map_err(|what| format!("`{name}` {what}"))?;
    read.map(|number| u8::try_from(number).map_err(|_| format!("`{name}` is {number}, more than 255"))).transpose()
}

#[cfg(test)]
mod tests {
    use super::Outcome;

    #[test]
    fn a_reason_is_cut_to_its_bound() {
        let Outcome::Unreadable(why) = Outcome::unreadable(&"é".repeat(300)) else { panic!("it was read") };
        assert_eq!(why, "é".repeat(200));
    }
}
