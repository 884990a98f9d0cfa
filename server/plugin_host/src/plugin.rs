//! A plugin that was read from its files and may run.

use std::sync::Arc;

use regex::bytes::CaptureLocations;
use tallyseal_schema::Hash;
use tallyseal_schema::kinds::MachineCounts;

use crate::declaration::Encoding;
use crate::framing::Shape;
use crate::rule::{Outcome, Rule};

/// A plugin: what it says about itself, and its rules, ready to run. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Plugin {
    pub(crate) program: Arc<Program>,
}

/// What `load` makes of a declaration.
#[derive(Debug)]
pub struct Program {
    pub digest: Hash,
    pub name: String,
    pub version: String,
    pub about: String,
    pub emits: Vec<&'static str>,
    pub counts: MachineCounts,
    pub encoding: Encoding,
    pub shape: Shape,
    /// The framing as a person reads it.
    pub framing: String,
    pub rules: Vec<Rule>,
}

/// One rule as a reviewer sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleSummary {
    /// Its place in the declaration, from 1. Rules are tried in this order.
    pub number: usize,
    /// What its author says that it is for.
    pub about: Option<String>,
    /// What it emits; `None` where it ignores the frame.
    pub emits: Option<&'static str>,
    /// The pattern of its frames.
    pub pattern: String,
}

impl Plugin {
    /// The version of the declaration's language. It stands in `plugin.toml` as `api`.
    pub const API: u32 = 1;

    /// The digest over its files: the name under which it is approved and bound.
    pub fn digest(&self) -> Hash {
        self.program.digest
    }

    /// Its name. Shape: `[a-z0-9][a-z0-9-]{0,31}`.
    pub fn name(&self) -> &str {
        &self.program.name
    }

    /// Its version. Shape: three numbers joined by dots.
    pub fn version(&self) -> &str {
        &self.program.version
    }

    /// What machine it reads, in a sentence.
    pub fn about(&self) -> &str {
        &self.program.about
    }

    /// The names of the observations it may emit, in the order of [`tallyseal_schema::observation::Observation::NAMES`].
    pub fn emits(&self) -> &[&'static str] {
        &self.program.emits
    }

    /// What the machine's total counts.
    pub fn counts(&self) -> MachineCounts {
        self.program.counts
    }

    /// How it cuts the stream into frames, in words.
    pub fn framing(&self) -> &str {
        &self.program.framing
    }

    /// Its rules, in the order in which they are tried.
    pub fn rules(&self) -> impl Iterator<Item = RuleSummary> + '_ {
        self.program.rules.iter().map(|rule| RuleSummary {
            number: rule.number,
            about: rule.about.clone(),
            emits: rule.make.emits(),
            pattern: rule.pattern.clone(),
        })
    }
}

impl Program {
    /// Room for the groups of each rule, so that a frame costs no allocation.
    pub fn room(&self) -> Vec<CaptureLocations> {
        self.rules.iter().map(|rule| rule.regex.capture_locations()).collect()
    }

    /// What the rules make of a frame: the first whose pattern matches decides, and its number is given.
    pub fn judge(&self, frame: &[u8], room: &mut [CaptureLocations]) -> (Option<usize>, Outcome) {
        if let Some(why) = self.undecodable(frame) {
            return (None, Outcome::unreadable(&why));
        }
        for (rule, found) in self.rules.iter().zip(room) {
            if let Some(outcome) = rule.judge(frame, self.encoding, found) {
                return (Some(rule.number), outcome);
            }
        }
        (None, Outcome::unreadable("no rule matches this frame"))
    }

    fn undecodable(&self, frame: &[u8]) -> Option<String> {
        match self.encoding {
            Encoding::Ascii => {
                let (at, byte) = frame.iter().enumerate().find(|(_, byte)| !byte.is_ascii())?;
                Some(format!("byte 0x{byte:02X} at place {} of the frame is not ASCII", at + 1))
            }
            Encoding::Utf8 => {
                let error = std::str::from_utf8(frame).err()?;
                Some(format!("not UTF-8 from place {} of the frame on", error.valid_up_to() + 1))
            }
            Encoding::Latin1 | Encoding::Bytes => None,
        }
    }
}
