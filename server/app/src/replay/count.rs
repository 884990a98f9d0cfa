//! One count, run again.

use std::collections::{BTreeMap, VecDeque};

use tallyseal_control::{CountState, CountStatus, Draft, ItemState, Record, State, evolve, retold};
use tallyseal_plugin_host::Plugin;
use tallyseal_schema::entry::Machine;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{CountLinkLost, CountSegmentCaptured};
use tallyseal_schema::observation::{Located, lines_hash};
use tallyseal_schema::{Body, Entry};

use super::track::{Memory, Track};
use super::{Found, Source, is_by};

/// Of a piece at whose end a capture was cut off: it had seen bytes that tell what the last frame is, and could not record
/// them any more.
const CUT_OFF: &str =
    "pieces that end in a frame that the loss of the link cut off, as only bytes that are lost tell what it was";

/// What a count is held against besides its own past.
pub(super) struct Rules {
    pub(super) item: ItemState,
    pub(super) rated_labels_per_min: u32,
}

/// What a machine said in one act, with what the count was before it.
struct Act {
    before: CountState,
    entries: Vec<Entry>,
    rules: Option<Rules>,
    segment: CountSegmentCaptured,
    /// The entry of the segment.
    n: u64,
}

/// A count that runs.
pub(super) struct Count {
    /// Pieces whose last observation is told by what comes after them, the oldest first, by link.
    held: BTreeMap<String, VecDeque<Act>>,
    /// The engine that ran it, where it is another than ours.
    other_engine: Option<String>,
    /// `None` where it is not there, or something differed: what follows cannot be judged.
    plugin: Option<Plugin>,
    record: Option<Record>,
    state: CountState,
    stream: Stream,
    tracks: BTreeMap<String, Track>,
}

impl Count {
    /// A count as it was opened; `None` where it cannot stand there.
    pub(super) fn opened(entry: &Entry, plugin: Option<Plugin>, other_engine: Option<String>) -> Option<Self> {
        let record = evolve(None, entry).ok()?;
        let State::Count(state) = record.state.clone() else { return None };
        let (held, tracks, stream) = (BTreeMap::new(), BTreeMap::new(), entry.header.stream.clone());
        Some(Self { held, other_engine, plugin, record: Some(record), state, stream, tracks })
    }

    pub(super) fn stream(&self) -> &Stream {
        &self.stream
    }

    pub(super) fn item(&self) -> &Stream {
        &self.state.item
    }

    pub(super) fn station(&self) -> &Stream {
        &self.state.station
    }

    pub(super) fn is_by(&self, machine: &Machine) -> bool {
        is_by(machine, &self.state.station, &self.state.plugin)
    }

    /// No machine speaks in it any more.
    pub(super) fn has_ended(&self) -> bool {
        self.state.status != CountStatus::Open
    }

    /// What follows is not judged.
    pub(super) fn spoil(&mut self) {
        self.plugin = None;
        self.held.clear();
        self.tracks.clear();
    }

    fn evolve(&mut self, entry: &Entry) {
        self.record = evolve(self.record.take(), entry).ok();
        match self.record.as_ref().map(|record| &record.state) {
            Some(State::Count(state)) => self.state = state.clone(),
            // Entries that do not follow one another: `chain` says which.
            _ => self.spoil(),
        }
    }

    /// Something differs. Under another engine that is no fault.
    fn differs(&mut self, n: u64, what: String, found: &mut Found) {
        match &self.other_engine {
            Some(engine) => found.not_judged(&format!(
                "things differ in counts that another engine ran ({engine}; this is {})",
                super::engine()
            )),
            None => found.fault(n, what),
        }
    }

    /// An entry that no machine made.
    pub(super) fn other(&mut self, entry: &Entry, found: &mut Found) {
        if let Body::CountLinkLost(lost) = &entry.body {
            self.link_lost(entry.header.n, lost, found);
        }
        self.evolve(entry);
        if self.has_ended() {
            let held = std::mem::take(&mut self.held);
            if let Some(act) = held.into_values().filter_map(|acts| acts.into_iter().next()).min_by_key(|act| act.n) {
                self.unseen(&act, found);
            }
        }
    }

    fn link_lost(&mut self, n: u64, lost: &CountLinkLost, found: &mut Found) {
        let Some(plugin) = &self.plugin else { return };
        let track = self.tracks.entry(lost.link.clone()).or_insert_with(|| Track::new(plugin));
        if track.fed_to() != lost.at_offset {
            let what = format!(
                "the link {} is lost at byte {}, and {} bytes have come",
                lost.link,
                lost.at_offset,
                track.fed_to()
            );
            self.differs(n, what, found);
            return self.spoil();
        }
        track.link_lost();
        self.settle(&lost.link, true, found);
        if let Some(track) = self.tracks.get_mut(&lost.link) {
            track.forget();
        }
    }

    /// The pieces that wait get what was seen since. `finally`: or never do, as nothing comes after them.
    fn settle(&mut self, link: &str, finally: bool, found: &mut Found) {
        loop {
            let Some(track) = self.tracks.get_mut(link) else { return };
            let Some(act) = self.held.get_mut(link).and_then(VecDeque::pop_front) else { return };
            let end = act.segment.offset.saturating_add(act.segment.length);
            match track.take(act.segment.observed, end) {
                Some(seen) if finally => match track.as_recorded(&act.segment, seen) {
                    Some(seen) => self.judge(&act, &seen, found),
                    None => found.not_judged(CUT_OFF),
                },
                Some(seen) => self.judge(&act, &seen, found),
                None if finally && track.is_cut_off_before(end) => found.not_judged(CUT_OFF),
                None if finally || track.read_to() >= end => return self.unseen(&act, found),
                // A frame whose end is told by the bytes after it, or by the loss of the link.
                None => return self.held.entry(link.to_owned()).or_default().push_front(act),
            }
        }
    }

    fn unseen(&mut self, act: &Act, found: &mut Found) {
        let there = self.tracks.get(&act.segment.link).map_or(0, Track::waiting);
        let what =
            format!("{} observations are recorded, and the plugin makes {there} of these bytes", act.segment.observed);
        self.differs(act.n, what, found);
        self.spoil();
    }

    /// What a machine said in one act.
    pub(super) fn told(&mut self, entries: Vec<Entry>, rules: Option<Rules>, source: &dyn Source, found: &mut Found) {
        let before = self.state.clone();
        entries.iter().for_each(|entry| self.evolve(entry));
        let Some(plugin) = self.plugin.clone() else {
            return found.not_judged("acts of machines in counts that cannot be run, or differ from some entry on");
        };
        let segment = entries.iter().find_map(|entry| match &entry.body {
            Body::CountSegmentCaptured(body) => Some((entry.header.n, body.clone())),
            _ => None,
        });
        let first = entries.first().map_or(0, |entry| entry.header.n);
        let Some((n, segment)) = segment else {
            return self.differs(first, "a machine's entry that no bytes come with".to_owned(), found);
        };
        found.looked_at = found.looked_at.saturating_add(1);
        let track = self.tracks.entry(segment.link.clone()).or_insert_with(|| Track::new(&plugin));
        if track.fed_to() != segment.offset {
            let what = format!("bytes from {} on, where byte {} must come next", segment.offset, track.fed_to());
            self.differs(n, what, found);
            return self.spoil();
        }
        let bytes = source.capture(&segment.sha256).filter(|bytes| bytes.len() as u64 == segment.length);
        let Some(bytes) = bytes else {
            found.not_judged("pieces whose raw bytes are not there, with what follows them in their counts");
            return self.spoil();
        };
        track.feed(&bytes);
        let link = segment.link.clone();
        self.settle(&link, false, found);
        let observed = usize::try_from(segment.observed).unwrap_or(usize::MAX);
        let act = Act { before, entries, rules, segment, n };
        let Some(track) = self.tracks.get(&link) else { return };
        let waits = self.held.get(&link).is_some_and(|held| !held.is_empty());
        if !waits && track.waiting() > observed {
            return self.unseen(&act, found);
        }
        self.held.entry(link.clone()).or_default().push_back(act);
        self.settle(&link, false, found);
    }

    /// The observations of a piece are known: are they those that were recorded, and do the entries follow from them?
    fn judge(&mut self, act: &Act, seen: &[Located], found: &mut Found) {
        let lines = match lines_hash(seen) {
            Ok(lines) if lines == act.segment.lines => lines,
            _ => {
                let what = format!(
                    "the plugin sees something else in bytes {} to {} of {} than was recorded",
                    act.segment.offset,
                    act.segment.offset.saturating_add(act.segment.length),
                    act.segment.link
                );
                self.differs(act.n, what, found);
                return self.spoil();
            }
        };
        let Some(rules) = &act.rules else {
            return found.not_judged("acts of machines whose item or station is not there: only what was seen in them");
        };
        let Some(track) = self.tracks.get_mut(&act.segment.link) else { return };
        let at = act.entries.first().map_or(act.before.opened_at, |entry| entry.header.at);
        let told: Vec<(Memory, Option<(u64, String)>)> = std::mem::take(&mut track.memories)
            .into_iter()
            .map(|mut memory| {
                let piece = memory.piece(&self.stream, &act.segment, seen, lines);
                let drafts = retold(&self.stream, &act.before, &rules.item, rules.rated_labels_per_min, at, &piece);
                let difference = difference(&drafts, &act.entries);
                (memory, difference)
            })
            .collect();
        let mut first = None;
        let mut fitting = Vec::new();
        for (memory, difference) in told {
            match difference {
                None if fitting.contains(&memory) => {}
                None => fitting.push(memory),
                Some(difference) => {
                    first.get_or_insert((memory, difference));
                }
            }
        }
        match first {
            Some((memory, (n, what))) if fitting.is_empty() => {
                track.memories = vec![memory];
                self.differs(n, what, found);
            }
            _ => track.memories = fitting,
        }
    }
}

/// Where the entries are not those that follow.
fn difference(drafts: &[Draft], entries: &[Entry]) -> Option<(u64, String)> {
    for (place, entry) in entries.iter().enumerate() {
        match drafts.get(place) {
            Some(Draft::Entry { body, .. }) if **body == entry.body => {}
            Some(Draft::Entry { body, .. }) if body.kind().name == entry.header.kind => {
                let what = format!("{} says something else than follows from the machine's bytes", entry.header.kind);
                return Some((entry.header.n, what));
            }
            Some(Draft::Entry { body, .. }) => {
                let what =
                    format!("{} stands where {} follows from the machine's bytes", entry.header.kind, body.kind().name);
                return Some((entry.header.n, what));
            }
            _ => {
                let what = format!("{} does not follow from the machine's bytes", entry.header.kind);
                return Some((entry.header.n, what));
            }
        }
    }
    let missing = drafts.get(entries.len())?;
    let last = entries.last().map_or(0, |entry| entry.header.n);
    let kind = match missing {
        Draft::Entry { body, .. } => body.kind().name,
        Draft::Signature { .. } => "a signature",
    };
    Some((last, format!("{kind} follows from the machine's bytes and does not stand after it")))
}
