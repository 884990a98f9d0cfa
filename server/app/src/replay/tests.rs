//! A capture and its replay, side by side: whatever the bytes, however they came and wherever the link was lost, the same is
//! seen again; and where one byte, place or number differs, that is said.

use std::cell::RefCell;
use std::collections::HashMap;
use std::time::Duration;

use proptest::prelude::*;
use tallyseal_machines::capture::{Piece, Segmenter};
use tallyseal_plugin_host::Plugin;
use tallyseal_schema::kinds::PluginFile;
use tallyseal_schema::observation::lines_hash;
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::{Entry, Hash};

use super::{Replay, Source};

/// A plugin whose frames begin with a mark, so that bytes outside of any frame are known as such only by what follows.
const DECLARATION: &str = r#"
api = 1
name = "marked"
version = "1.0.0"
about = "Frames between two marks"
emits = ["label", "speed"]
counts = "labels"

[framing]
kind = "delimited"
start = "<<"
end = ">"
max = 12
encoding = "ascii"

[[rule]]
about = "a label"
pattern = '^<<L(?P<ordinal>[0-9]{1,3})>$'
emits = "label"
[rule.field.ordinal]
type = "integer"
min = 1

[[rule]]
about = "a speed"
pattern = '^<<S(?P<speed>[0-9]{1,3})>$'
emits = "speed"
[rule.field.labels_per_min]
type = "integer"
group = "speed"
"#;

struct Stored {
    files: Files,
    pieces: RefCell<HashMap<Hash, Vec<u8>>>,
}

impl Source for Stored {
    fn capture(&self, sha256: &Hash) -> Option<Vec<u8>> {
        self.pieces.borrow().get(sha256).cloned()
    }

    fn files(&self, _digest: &Hash, _named: &[PluginFile]) -> Option<Files> {
        Some(self.files.clone())
    }
}

/// Entries of one count, as the book would have them, without what they lean on.
struct Told {
    entries: Vec<serde_json::Value>,
    digest: Hash,
}

impl Told {
    fn new(digest: Hash) -> Self {
        let mut told = Self { entries: Vec::new(), digest };
        let opened = serde_json::json!({
            "attempt": 1, "bracket": 0, "counts": "labels", "direction": "forward", "item": "item/L-1", "plugin": digest,
            "purpose": "incoming", "roll": "roll/R-1", "station": "station/T-1",
        });
        told.push("count.opened", serde_json::json!({ "system": "test" }), opened);
        told
    }

    fn push(&mut self, kind: &str, by: serde_json::Value, body: serde_json::Value) {
        let n = self.entries.len();
        self.entries.push(serde_json::json!({
            "act": format!("00000000-0000-4000-8000-{n:012}"), "at": "2026-01-01T00:00:00.000000Z", "body": body,
            "book": "label-room.example/test", "by": by, "kind": kind, "n": n, "prev": Hash::ZERO, "rev": n + 1,
            "stream": "count/C-1", "v": 1,
        }));
    }

    fn piece(&mut self, stored: &Stored, base: u64, piece: &Piece) {
        let seen: Vec<_> = piece
            .observations
            .iter()
            .cloned()
            .map(|mut located| {
                located.from += base;
                located.to += base;
                located
            })
            .collect();
        let sha256 = Hash::of(&piece.bytes);
        stored.pieces.borrow_mut().insert(sha256, piece.bytes.clone());
        let body = serde_json::json!({
            "labels": piece.labels, "length": piece.bytes.len(), "lines": lines_hash(&seen).unwrap(), "link": "main",
            "observed": seen.len(), "offset": base + piece.offset, "sha256": sha256,
        });
        let by = serde_json::json!({ "plugin": self.digest, "station": "T-1" });
        self.push("count.segment_captured", by, body);
    }

    fn lost(&mut self, at_offset: u64) {
        let body = serde_json::json!({ "at_offset": at_offset, "cause": "test", "link": "main" });
        self.push("count.link_lost", serde_json::json!({ "system": "capture" }), body);
    }

    /// How many pieces were looked at, and the places of the faults.
    fn replayed(&self, stored: &Stored) -> (u64, Vec<Option<u64>>) {
        let found = self.found(stored);
        (found.looked_at, found.faults.into_iter().map(|(n, _)| n).collect())
    }

    fn found(&self, stored: &Stored) -> super::Found {
        let mut replay = Replay::new(stored);
        for entry in &self.entries {
            let entry: Entry = Entry::read(&tallyseal_schema::canonical::write_value(entry).unwrap()).unwrap();
            replay.entry(entry);
        }
        replay.finish()
    }
}

/// What happens to a capture.
#[derive(Debug, Clone)]
enum Step {
    Bytes(&'static [u8]),
    /// Everything that has come is recorded.
    Flush,
    /// The link is lost, and the capture goes on.
    Lost,
    /// The capture ends without a word and another begins where it stood.
    Killed,
}

fn step() -> impl Strategy<Value = Step> {
    let bytes = prop::sample::select(vec![
        &b"<<L1>"[..],
        b"<<L2>",
        b"<<S5>",
        b"<<S6>",
        b"<<S5><<S5>",
        b"<",
        b"<<",
        b"L3",
        b">",
        b"noise",
        b"<<X>",
        b"x<",
        b"a line that is longer than any frame may be",
        b"<<L4><<L5><<L6><<L7>",
    ]);
    prop_oneof![8 => bytes.prop_map(Step::Bytes), 2 => Just(Step::Flush), 1 => Just(Step::Lost), 1 => Just(Step::Killed)]
}

fn captured(steps: &[Step]) -> (Stored, Told) {
    let files: Files = [("plugin.toml".to_owned(), DECLARATION.as_bytes().to_vec())].into();
    let plugin = Plugin::load(&files).unwrap();
    let stored = Stored { files, pieces: RefCell::default() };
    let mut told = Told::new(plugin.digest());
    let (mut base, mut recorded) = (0, 0);
    let mut segmenter = Segmenter::new(&plugin);
    let far = Duration::from_secs(1 << 40);
    for step in steps {
        let mut ready = Vec::new();
        match step {
            Step::Bytes(bytes) => segmenter.feed(bytes, Duration::ZERO, &mut ready),
            Step::Flush => segmenter.tick(far, &mut ready),
            Step::Lost => segmenter.link_lost(&mut ready),
            Step::Killed => {}
        }
        for piece in &ready {
            told.piece(&stored, base, piece);
            recorded += piece.bytes.len() as u64;
        }
        match step {
            Step::Lost => told.lost(recorded),
            Step::Killed => {
                told.lost(recorded);
                (base, segmenter) = (recorded, Segmenter::new(&plugin));
            }
            Step::Bytes(_) | Step::Flush => {}
        }
    }
    (stored, told)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_was_captured_is_seen_again(steps in prop::collection::vec(step(), 1..40)) {
        let (stored, told) = captured(&steps);
        let pieces = told.entries.iter().filter(|entry| entry["kind"] == "count.segment_captured").count();
        prop_assert_eq!(told.replayed(&stored), (pieces as u64, vec![]));
    }

    #[test]
    fn what_was_captured_otherwise_is_found_at_its_piece(
        steps in prop::collection::vec(step(), 1..40), which in any::<prop::sample::Index>(), how in 0..3,
    ) {
        let (stored, mut told) = captured(&steps);
        let pieces: Vec<usize> =
            (0..told.entries.len()).filter(|n| told.entries[*n]["kind"] == "count.segment_captured").collect();
        prop_assume!(!pieces.is_empty());
        let n = *which.get(&pieces);
        let body = &mut told.entries[n]["body"];
        match how {
            0 => body["lines"] = serde_json::json!(Hash::of(b"another")),
            1 => body["offset"] = serde_json::json!(body["offset"].as_u64().unwrap() + 1),
            _ => body["observed"] = serde_json::json!(body["observed"].as_u64().unwrap() + 1),
        }
        let found = told.found(&stored);
        let faults: Vec<Option<u64>> = found.faults.iter().map(|(n, _)| *n).collect();
        // Where the loss of the link cut the last frame of a piece off, nobody can say any more what it was: that is counted.
        let cut_off = faults.is_empty() && found.notes.keys().any(|note| note.contains("cut off"));
        // What the last piece ends with may be told by what is still to come: then it is not judged, as no later entry is
        // there and the count goes on. Its place is judged at once.
        let last = n == *pieces.last().unwrap() && how != 1;
        let is_found = faults.first() == Some(&Some(n as u64));
        // One observation more may be one that later bytes tell: then a later piece lacks it, or the count goes on.
        let later = how == 2 && faults.iter().all(|fault| *fault >= Some(n as u64));
        prop_assert!(is_found || (last && faults.is_empty()) || cut_off || later, "{faults:?}");
    }
}

#[test]
fn another_engine_is_no_fault() {
    let (stored, mut told) = captured(&[Step::Bytes(b"<<L1>"), Step::Flush]);
    let last = told.entries.len() - 1;
    told.entries[last]["body"]["lines"] = serde_json::json!(Hash::of(b"another"));
    assert_eq!(told.replayed(&stored).1, [Some(last as u64)]);
    let started = serde_json::json!({
        "boot": "b", "clock": "c", "engine": "tallyseal-plugin-host rules-0", "mono_us": 1, "schemas": Hash::ZERO,
        "software": "s", "store": "s", "synchronised": "unknown",
    });
    told.push("book.started", serde_json::json!({ "system": "test" }), started);
    let mut first = told.entries.pop().unwrap();
    first["stream"] = serde_json::json!("book/B");
    told.entries.insert(0, first);
    let mut replay = Replay::new(&stored);
    for entry in &told.entries {
        replay.bytes(&tallyseal_schema::canonical::write_value(entry).unwrap());
    }
    let found = replay.finish();
    assert!(found.faults.is_empty() && found.notes.keys().any(|note| note.contains("rules-0")), "{found:?}");
}
