//! A plugin at work on one byte stream.

use regex::bytes::CaptureLocations;
use tallyseal_schema::observation::{Located, Observation};

use crate::framing::{Cut, End, Framer};
use crate::plugin::Plugin;
use crate::rule::Outcome;

/// A plugin at work: one per count and link. It holds at most one unfinished frame, whatever comes.
#[derive(Debug)]
pub struct Session {
    framer: Framer,
    judge: Judge,
}

/// The rules with their room, apart from the framer so that both can be borrowed at once.
#[derive(Debug)]
pub(crate) struct Judge {
    plugin: Plugin,
    room: Vec<CaptureLocations>,
}

impl Judge {
    pub(crate) fn new(plugin: &Plugin) -> Self {
        Self { plugin: plugin.clone(), room: plugin.program.room() }
    }

    pub(crate) fn judge(&mut self, cut: &Cut<'_>) -> (Option<usize>, Outcome) {
        match &cut.frame {
            Ok(frame) => self.plugin.program.judge(frame, &mut self.room),
            Err(why) => (None, Outcome::unreadable(why)),
        }
    }

    fn located(&mut self, cut: &Cut<'_>) -> Option<Located> {
        let seen: Observation = self.judge(cut).1.into_observation()?;
        Some(Located { from: cut.from, to: cut.to, seen })
    }
}

impl Session {
    /// Begins at offset 0 of a stream, with nothing remembered.
    pub fn new(plugin: &Plugin) -> Self {
        Self { framer: Framer::new(plugin.program.shape.clone()), judge: Judge::new(plugin) }
    }

    /// Takes the next bytes of the stream and appends what was seen in them.
    pub fn feed(&mut self, bytes: &[u8], out: &mut Vec<Located>) {
        let Self { framer, judge } = self;
        framer.feed(bytes, &mut |cut| out.extend(judge.located(&cut)));
    }

    /// The link was lost here: bytes may be missing. An unfinished frame becomes unreadable, and the next byte begins a
    /// new one. A replay must be told the same places; see [`replay`].
    pub fn link_lost(&mut self, out: &mut Vec<Located>) {
        self.end(End::Lost, out);
    }

    /// What an unfinished frame would be called, had the bytes after it come: which of these, only they tell.
    pub fn told_by_later(&self) -> [String; 3] {
        self.framer.told_by_later()
    }

    /// The stream ends. An unfinished frame becomes unreadable.
    pub fn finish(&mut self, out: &mut Vec<Located>) {
        self.end(End::Finished, out);
    }

    fn end(&mut self, end: End, out: &mut Vec<Located>) {
        let Self { framer, judge } = self;
        framer.end(end, &mut |cut| out.extend(judge.located(&cut)));
    }

    /// First byte of the stream that is in no finished frame yet.
    pub fn read_to(&self) -> u64 {
        self.framer.cut_to()
    }

    /// First byte of the stream that has not come yet.
    pub fn fed_to(&self) -> u64 {
        self.framer.fed_to()
    }
}

/// What a plugin sees in a whole recorded stream, with the places at which its link was lost.
///
/// `lost_at`: offsets in ascending order, each at most the length of `bytes`; others are passed over.
pub fn replay(plugin: &Plugin, bytes: &[u8], lost_at: &[u64]) -> Vec<Located> {
    let mut session = Session::new(plugin);
    let mut out = Vec::new();
    for at in lost_at {
        let from = usize::try_from(session.fed_to()).unwrap_or(usize::MAX);
        let to = usize::try_from(*at).unwrap_or(usize::MAX);
        if let Some(stretch) = bytes.get(from..to) {
            session.feed(stretch, &mut out);
            session.link_lost(&mut out);
        }
    }
    let from = usize::try_from(session.fed_to()).unwrap_or(usize::MAX);
    session.feed(bytes.get(from..).unwrap_or_default(), &mut out);
    session.finish(&mut out);
    out
}
