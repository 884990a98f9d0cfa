//! Frame by frame: what a plugin makes of a capture, for the person who writes or reviews it.

use std::fmt;

use tallyseal_schema::observation::Located;

use crate::escape::escaped;
use crate::framing::{End, Framer};
use crate::plugin::Plugin;
pub use crate::rule::Outcome;
use crate::session::Judge;

/// Bytes of a frame that are shown.
const SHOWN_MAX: usize = 160;

/// One frame of a capture, and what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tried {
    /// First byte of the frame.
    pub from: u64,
    /// First byte after it.
    pub to: u64,
    /// Its bytes as a person reads them, cut to 160 bytes.
    pub shown: String,
    /// The rule whose pattern matched, from 1.
    pub rule: Option<usize>,
    /// What the plugin made of it.
    pub outcome: Outcome,
}

impl Tried {
    /// The canonical line that the frame adds to an `expected.jsonl`; `None` for an ignored frame.
    pub fn line(&self) -> Option<String> {
        let seen = self.outcome.clone().into_observation()?;
        let line = Located { from: self.from, to: self.to, seen }.line().ok()?;
        String::from_utf8(line).ok()
    }
}

/// Two lines: the frame, and the rule with the canonical line, or why there is none.
impl fmt::Display for Tried {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}-{}  {}", self.from, self.to, self.shown)?;
        match self.rule {
            Some(rule) => write!(f, "    rule {rule}: ")?,
            None => f.write_str("    no rule: ")?,
        }
        match self.line() {
            Some(line) => f.write_str(&line),
            None => f.write_str("ignored"),
        }
    }
}

/// Runs `plugin` over a whole capture and tells of each frame.
pub fn try_capture(plugin: &Plugin, capture: &[u8]) -> Vec<Tried> {
    let mut framer = Framer::new(plugin.program.shape.clone());
    let mut judge = Judge::new(plugin);
    let mut tried = Vec::new();
    let mut sink = |cut: crate::framing::Cut<'_>| {
        let (rule, outcome) = judge.judge(&cut);
        tried.push(Tried { from: cut.from, to: cut.to, shown: escaped(cut.bytes, SHOWN_MAX), rule, outcome });
    };
    framer.feed(capture, &mut sink);
    framer.end(End::Finished, &mut sink);
    tried
}
