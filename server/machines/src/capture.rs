//! From a link's bytes to pieces that are appended to the book.
//!
//! Pure: no clock and no I/O. Time comes in as the span since any fixed moment, by a clock that never goes back.

use std::time::Duration;

use tallyseal_plugin_host::{Plugin, Session};
use tallyseal_schema::observation::{Located, Observation};

/// Nothing waits longer for its entry.
pub const WAIT_MAX: Duration = Duration::from_secs(1);

/// The most labels in one piece.
pub const LABELS_MAX: u32 = 4096;

/// The most bytes in one piece.
pub const BYTES_MAX: usize = 64 * 1024;

/// The most events in one piece, so that a machine that sends only noise makes no commit without bound.
pub const EVENTS_MAX: usize = 256;

/// A stretch of the byte stream that is ready to be appended, with what was seen when its last byte came.
///
/// Pieces are gapless. They end between frames, except where a timer, a full piece or a lost link cut one; so an
/// observation may begin in an earlier piece, or lie wholly in one, and a piece may have an observation but no bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// First byte in the count's stream on this link.
    pub offset: u64,
    /// The raw bytes. Range: at most [`BYTES_MAX`].
    pub bytes: Vec<u8>,
    /// Everything that was seen, in order: what `lines_hash` goes over.
    pub observations: Vec<Located>,
    /// Those of them that become their own entries: all but labels, totals, and a speed that did not change.
    pub events: Vec<Located>,
    /// Labels seen one by one: `label` observations. Range: at most [`LABELS_MAX`].
    pub labels: u32,
    /// The last running total in it.
    pub total: Option<u32>,
    /// The codes that were read, as runs.
    pub codes: Vec<CodeRun>,
}

/// Labels that follow each other with one and the same code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CodeRun {
    /// The code.
    pub code: String,
    /// Ordinal of the first label.
    pub first: u32,
    /// Ordinal of the last label.
    pub last: u32,
    /// First byte of the first label's frame.
    pub from: u64,
    /// First byte after the last label's frame.
    pub to: u64,
}

/// Tells which observations become entries of their own, one after the other.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sieve {
    speed: Option<u32>,
}

impl Sieve {
    /// True for all but labels, totals, and a speed that did not change.
    pub fn is_event(&mut self, seen: &Observation) -> bool {
        match seen {
            Observation::Label { .. } | Observation::Total { .. } => false,
            Observation::Speed { labels_per_min } => self.speed.replace(*labels_per_min) != Some(*labels_per_min),
            _ => true,
        }
    }
}

/// Runs a plugin over one link's bytes for one count, and says what to append and when.
#[derive(Debug)]
pub struct Segmenter {
    session: Session,
    piece: Piece,
    /// When the oldest byte of the piece came.
    since: Option<Duration>,
    /// Something in the piece must not wait.
    urgent: bool,
    sieve: Sieve,
    code: Option<String>,
    /// How many labels in a row had that code.
    run: u32,
    /// Room that is used again and again.
    found: Vec<Located>,
}

impl Segmenter {
    /// Begins at offset 0 of a count's stream.
    pub fn new(plugin: &Plugin) -> Self {
        Self {
            session: Session::new(plugin),
            piece: empty(0),
            since: None,
            urgent: false,
            sieve: Sieve::default(),
            code: None,
            run: 0,
            found: Vec::new(),
        }
    }

    /// Takes bytes that came at `now` and appends the pieces that are ready to `out`.
    ///
    /// A fault, a halt or anything else that a person must know makes its piece ready at once.
    pub fn feed(&mut self, bytes: &[u8], now: Duration, out: &mut Vec<Piece>) {
        let mut rest = bytes;
        while !rest.is_empty() {
            // Never 0: a full piece is cut below.
            let room = BYTES_MAX.saturating_sub(self.piece.bytes.len()).max(1);
            let (portion, more) = rest.split_at(room.min(rest.len()));
            rest = more;
            let portion_at = self.session.fed_to();
            self.piece.bytes.extend_from_slice(portion);
            let mut found = std::mem::take(&mut self.found);
            self.session.feed(portion, &mut found);
            self.take_all(&mut found, out);
            self.found = found;
            if self.urgent {
                self.cut(self.session.read_to(), out);
            }
            if self.piece.bytes.len() >= BYTES_MAX {
                self.cut(self.session.fed_to(), out);
            }
            // Where bytes of an earlier portion are left, they are the oldest and go on waiting.
            if self.piece.offset >= portion_at {
                self.since = (!self.piece.bytes.is_empty()).then_some(now);
            }
        }
    }

    /// Makes ready what has waited for a second. To be called at [`Segmenter::deadline`].
    pub fn tick(&mut self, now: Duration, out: &mut Vec<Piece>) {
        if self.deadline().is_some_and(|deadline| deadline <= now) {
            self.cut(self.session.fed_to(), out);
        }
    }

    /// When [`Segmenter::tick`] must be called at the latest; `None` while nothing waits.
    pub fn deadline(&self) -> Option<Duration> {
        self.since.map(|since| since + WAIT_MAX)
    }

    /// The link was lost here. What is there becomes ready; a frame that was cut off becomes unreadable, and the next
    /// byte begins a new one.
    pub fn link_lost(&mut self, out: &mut Vec<Piece>) {
        let mut found = Vec::new();
        self.session.link_lost(&mut found);
        self.take_all(&mut found, out);
        self.cut(self.session.fed_to(), out);
    }

    /// The count's stream ends. What is there becomes ready; a frame that was cut off becomes unreadable.
    pub fn finish(&mut self, out: &mut Vec<Piece>) {
        let mut found = Vec::new();
        self.session.finish(&mut found);
        self.take_all(&mut found, out);
        self.cut(self.session.fed_to(), out);
    }

    /// First byte of the stream that has not come yet: where a loss lies when the link goes down now.
    pub fn offset(&self) -> u64 {
        self.session.fed_to()
    }

    fn take_all(&mut self, found: &mut Vec<Located>, out: &mut Vec<Piece>) {
        for located in found.drain(..) {
            let to = located.to;
            self.take(located);
            if self.piece.labels >= LABELS_MAX || self.piece.events.len() >= EVENTS_MAX {
                self.cut(to, out);
            }
        }
    }

    fn take(&mut self, located: Located) {
        match &located.seen {
            Observation::Label { ordinal, code, .. } => {
                self.piece.labels += 1;
                if let Some(code) = code {
                    self.note_code(code, *ordinal, located.from, located.to);
                }
            }
            Observation::Total { value } => self.piece.total = Some(*value),
            _ => {}
        }
        let event = self.sieve.is_event(&located.seen);
        self.urgent |= event && located.seen != (Observation::Started {});
        if event {
            self.piece.events.push(located.clone());
        }
        self.piece.observations.push(located);
    }

    /// A code other than the one that several labels before had may be a wrong one, and must not wait. Where every label
    /// has a code of its own, no code is repeated and none of them hurries.
    fn note_code(&mut self, code: &str, ordinal: u32, from: u64, to: u64) {
        if self.code.as_deref() == Some(code) {
            self.run = self.run.saturating_add(1);
        } else {
            self.urgent |= self.run >= 2;
            self.code = Some(code.to_owned());
            self.run = 1;
        }
        match self.piece.codes.last_mut() {
            Some(last) if last.code == code && last.last.checked_add(1) == Some(ordinal) => {
                last.last = ordinal;
                last.to = to;
            }
            _ => self.piece.codes.push(CodeRun { code: code.to_owned(), first: ordinal, last: ordinal, from, to }),
        }
    }

    /// Ends the piece before byte `to` of the stream.
    fn cut(&mut self, to: u64, out: &mut Vec<Piece>) {
        let length = usize::try_from(to.saturating_sub(self.piece.offset)).unwrap_or(usize::MAX);
        let length = length.min(self.piece.bytes.len());
        if length == 0 && self.piece.observations.is_empty() {
            return;
        }
        let rest = self.piece.bytes.split_off(length);
        let next = Piece { bytes: rest, ..empty(self.piece.offset + length as u64) };
        self.urgent = false;
        if next.bytes.is_empty() {
            self.since = None;
        }
        out.push(std::mem::replace(&mut self.piece, next));
    }
}

fn empty(offset: u64) -> Piece {
    Piece {
        offset,
        bytes: Vec::new(),
        observations: Vec::new(),
        events: Vec::new(),
        labels: 0,
        total: None,
        codes: Vec::new(),
    }
}

#[cfg(test)]
mod tests;
