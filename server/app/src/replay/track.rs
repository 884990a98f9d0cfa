//! One link of one count, run again.

use std::collections::VecDeque;

use tallyseal_control::{Follower, Piece};
use tallyseal_machines::capture::Sieve;
use tallyseal_plugin_host::{Plugin, Session};
use tallyseal_schema::Hash;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::CountSegmentCaptured;
use tallyseal_schema::observation::{Located, Observation, lines_hash};

/// The longest mark of a frame. Unit: bytes.
const MARK_MAX: u64 = 16;

/// What a capture remembers from piece to piece beside its plugin's frame.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Memory {
    follower: Follower,
    sieve: Sieve,
}

impl Memory {
    /// What the capture handed over for these observations.
    pub(super) fn piece(
        &mut self,
        count: &Stream,
        segment: &CountSegmentCaptured,
        seen: &[Located],
        lines: Hash,
    ) -> Piece {
        let summary = self.follower.follow(seen);
        Piece {
            count: Some(count.clone()),
            codes: summary.codes,
            events: seen.iter().filter(|located| self.sieve.is_event(&located.seen)).cloned().collect(),
            ordinals: summary.ordinals,
            labels: summary.labels,
            length: segment.length,
            lines,
            link: segment.link.clone(),
            observed: u32::try_from(seen.len()).unwrap_or(u32::MAX),
            offset: segment.offset,
            irregular: summary.irregular,
            sha256: segment.sha256,
            total: summary.total,
        }
    }
}

/// The plugin at work on the bytes of one link.
pub(super) struct Track {
    session: Session,
    /// Where a frame begins that the loss of the link cut off, for as long as nothing came after it.
    cut_off: Option<u64>,
    /// What was seen and is in no piece yet.
    seen: VecDeque<Located>,
    /// What the capture may have remembered. A capture that began anew after a loss had forgotten everything, one that only
    /// lost its link had not, and the entries say only that the link was lost: so both are followed, until one fits no more.
    pub(super) memories: Vec<Memory>,
}

impl Track {
    pub(super) fn new(plugin: &Plugin) -> Self {
        Self { cut_off: None, session: Session::new(plugin), seen: VecDeque::new(), memories: vec![Memory::default()] }
    }

    /// The first byte that has not come yet.
    pub(super) fn fed_to(&self) -> u64 {
        self.session.fed_to()
    }

    pub(super) fn feed(&mut self, bytes: &[u8]) {
        let mut out = Vec::new();
        self.session.feed(bytes, &mut out);
        self.cut_off = None;
        self.seen.extend(out);
    }

    /// First byte that is in no finished frame yet.
    pub(super) fn read_to(&self) -> u64 {
        self.session.read_to()
    }

    /// True where the loss of the link cut a frame off that begins before that byte.
    pub(super) fn is_cut_off_before(&self, end: u64) -> bool {
        self.cut_off.is_some_and(|from| from < end)
    }

    /// What was recorded of these: themselves, but where the loss of the link cut the last frame off perhaps another reason
    /// for it; `None` where that is why nobody can say it any more.
    pub(super) fn as_recorded(&self, segment: &CountSegmentCaptured, seen: Vec<Located>) -> Option<Vec<Located>> {
        let is_recorded = |seen: &[Located]| lines_hash(seen).is_ok_and(|lines| lines == segment.lines);
        let cut_off = seen.last().is_some_and(|last| self.cut_off == Some(last.from));
        if !cut_off || is_recorded(&seen) {
            return Some(seen);
        }
        self.told_by_later(&seen).find(|told| is_recorded(told))
    }

    /// How many observations wait for their piece.
    pub(super) fn waiting(&self) -> usize {
        self.seen.len()
    }

    /// The next `wanted` observations, where so many were seen in bytes before `end`.
    pub(super) fn take(&mut self, wanted: u32, end: u64) -> Option<Vec<Located>> {
        let wanted = usize::try_from(wanted).ok()?;
        let there = self.seen.iter().take(wanted).take_while(|located| located.to <= end).count();
        (there == wanted).then(|| self.seen.drain(..wanted).collect())
    }

    /// The link was lost: a frame that was cut off was unreadable, if the capture was still there to say so.
    pub(super) fn link_lost(&mut self) {
        let mut out = Vec::new();
        self.session.link_lost(&mut out);
        self.cut_off = out.last().map(|located| located.from);
        self.seen.extend(out);
        if !self.memories.contains(&Memory::default()) {
            self.memories.push(Memory::default());
        }
    }

    /// The same observations as a capture may have recorded them that saw more bytes than it could still record: these told
    /// it what the last frame is, and here only the loss of the link is known.
    fn told_by_later<'a>(&'a self, seen: &'a [Located]) -> impl Iterator<Item = Vec<Located>> + 'a {
        let last = seen.last().filter(|last| self.cut_off == Some(last.from));
        let reasons = last.into_iter().flat_map(|_| self.session.told_by_later());
        // A mark may have begun in the last bytes, and what stands before it ends there.
        let ends = |why: String| (0..=MARK_MAX).map(move |shorter| (why.clone(), shorter));
        reasons.flat_map(ends).filter_map(|(why, shorter)| {
            let mut told = seen.to_vec();
            let last = told.last_mut()?;
            last.to = last.to.checked_sub(shorter).filter(|to| *to > last.from)?;
            last.seen = Observation::Unreadable { why };
            Some(told)
        })
    }

    /// What nobody was there to say.
    pub(super) fn forget(&mut self) {
        self.seen.clear();
    }
}
