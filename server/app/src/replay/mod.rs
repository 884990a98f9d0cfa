//! The check `replay`: what the machine sent, run again through the plugin of that digest, gives the observations and the
//! entries that stand in the book.
//!
//! Entries come in the order of n and are read once. What is remembered grows with stations, items and counts that run,
//! not with entries: of a count its state, one unfinished frame, and what its plugin saw in at most two pieces.

mod count;
mod source;
mod track;

use std::collections::{BTreeMap, HashMap};

use tallyseal_control::{Record, State, StationState, evolve};
use tallyseal_plugin_host::{Plugin, engine_version};
use tallyseal_schema::entry::Machine;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::PluginFile;
use tallyseal_schema::plugin_files;
use tallyseal_schema::{Act, Body, By, Entry, Hash};
use tallyseal_verify::Report;

use count::{Count, Rules};
pub(crate) use source::{OfBook, OfRecord, Source};

/// Its name in reports.
pub(crate) const REPLAY: &str = "replay";

/// The engine of this program, as a server's start names its own.
pub(crate) fn engine() -> String {
    format!("tallyseal-plugin-host {}", engine_version())
}

/// What was found: how many pieces were looked at, faults, and what was not judged.
#[derive(Debug, Default)]
pub(crate) struct Found {
    pub(crate) faults: Vec<(Option<u64>, String)>,
    pub(crate) looked_at: u64,
    notes: BTreeMap<String, u64>,
}

impl Found {
    fn fault(&mut self, n: u64, what: impl Into<String>) {
        self.faults.push((Some(n), what.into()));
    }

    fn not_judged(&mut self, why: &str) {
        *self.notes.entry(why.to_owned()).or_default() += 1;
    }

    /// Adds it to a report.
    pub(crate) fn add_to(self, report: &mut Report) {
        report.add_check(REPLAY, self.looked_at, self.faults);
        report.notes.extend(self.notes.into_iter().map(|(why, times)| format!("{REPLAY}: {times} {why}")));
    }
}

/// Whether a plugin can be run.
#[derive(Debug, Clone)]
enum Runs {
    Yes(Plugin),
    /// Its files are there, and are those of its digest, and are no plugin; why.
    No(String),
    /// Its files are not there, or others: `plugins` says so.
    NotHere,
}

/// The entries of one act that a machine made in a count's stream.
struct Told {
    act: Option<Act>,
    entries: Vec<Entry>,
}

/// Everything that is remembered from entry to entry.
pub(crate) struct Replay<'s> {
    counts: BTreeMap<Stream, Count>,
    /// The engine of the server that was last started; `None` where the entries do not say.
    engine: Option<String>,
    found: Found,
    items: HashMap<Stream, Record>,
    /// Files of each plugin that was drafted, by its digest.
    drafted: HashMap<Hash, Vec<PluginFile>>,
    plugins: HashMap<Hash, Runs>,
    source: &'s dyn Source,
    stations: HashMap<Stream, Record>,
    told: Option<Told>,
}

impl<'s> Replay<'s> {
    /// Before the first entry.
    pub(crate) fn new(source: &'s dyn Source) -> Self {
        Self {
            counts: BTreeMap::new(),
            engine: None,
            found: Found::default(),
            items: HashMap::new(),
            drafted: HashMap::new(),
            plugins: HashMap::new(),
            source,
            stations: HashMap::new(),
            told: None,
        }
    }

    /// The next entry, by its bytes. What cannot be read is said by `bytes`, and passed over here.
    pub(crate) fn bytes(&mut self, bytes: &[u8]) {
        if let Ok(entry) = Entry::read(bytes) {
            self.entry(entry);
        }
    }

    fn entry(&mut self, entry: Entry) {
        let same_act = self.told.as_ref().is_some_and(|told| told.act.is_some() && told.act == entry.header.act);
        if !same_act {
            self.told_all();
        }
        match (Thing::parse(entry.header.stream.thing()), &entry.body) {
            (Some(Thing::Count), _) => self.of_count(entry),
            (Some(Thing::Item), _) => remember(&mut self.items, &entry),
            (Some(Thing::Station), _) => remember(&mut self.stations, &entry),
            (_, Body::PluginDrafted(body)) => {
                self.drafted.insert(body.digest, body.files.clone());
            }
            (_, Body::BookStarted(body)) => self.engine = Some(body.engine.clone()),
            _ => {}
        }
    }

    fn of_count(&mut self, entry: Entry) {
        let stream = entry.header.stream.clone();
        if let Body::CountOpened(body) = &entry.body {
            let other = self.engine.clone().filter(|engine| *engine != self::engine());
            let plugin = match self.plugin(&body.plugin) {
                Runs::Yes(plugin) => Some(plugin),
                Runs::No(why) => {
                    let what = format!("its plugin cannot be run, so no machine was read by it: {why}");
                    match &other {
                        None => self.found.fault(entry.header.n, what),
                        Some(_) => self.found.not_judged("counts whose plugin another engine ran and this one cannot"),
                    }
                    None
                }
                Runs::NotHere => {
                    self.found.not_judged("counts whose plugin is not there to be run");
                    None
                }
            };
            if let Some(count) = Count::opened(&entry, plugin, other) {
                self.counts.insert(stream, count);
            }
            return;
        }
        let machine = matches!(entry.header.by, By::Machine(_));
        let of_machine = matches!(
            entry.body,
            Body::CountSegmentCaptured(_) | Body::CountFaultSeen(_) | Body::CountMachineReported(_)
        );
        if machine {
            let told = self.told.get_or_insert_with(|| Told { act: entry.header.act.clone(), entries: Vec::new() });
            told.entries.push(entry);
            return;
        }
        if of_machine {
            let what = format!("{} is what a machine says, and no machine made it", entry.header.kind);
            self.found.fault(entry.header.n, what);
        }
        if let Some(count) = self.counts.get_mut(&stream) {
            count.other(&entry, &mut self.found);
            if count.has_ended() {
                self.counts.remove(&stream);
            }
        }
    }

    /// The act of a machine is whole.
    fn told_all(&mut self) {
        let Some(Told { entries, .. }) = self.told.take() else { return };
        let Some(first) = entries.first() else { return };
        let n = first.header.n;
        let Some(count) = self.counts.get_mut(&first.header.stream) else {
            return self.found.fault(n, format!("a machine speaks in {}, which is not open", first.header.stream));
        };
        let strange = |entry: &&Entry| {
            entry.header.stream != *count.stream() || !matches!(&entry.header.by, By::Machine(by) if count.is_by(by))
        };
        if let Some(strange) = entries.iter().find(strange) {
            let what = "it is not by the station and the plugin that the count was opened with";
            self.found.fault(strange.header.n, what);
            return count.spoil();
        }
        let state = |records: &HashMap<Stream, Record>, stream: &Stream| records.get(stream).cloned();
        let item = match state(&self.items, count.item()).map(|record| record.state) {
            Some(State::Item(item)) => Some(item),
            _ => None,
        };
        let rated = match self.stations.get(count.station()).map(|record| &record.state) {
            Some(State::Station(StationState { rated_labels_per_min, .. })) => Some(*rated_labels_per_min),
            _ => None,
        };
        let rules = item.zip(rated).map(|(item, rated_labels_per_min)| Rules { item, rated_labels_per_min });
        count.told(entries, rules, self.source, &mut self.found);
    }

    /// The plugin of a digest, from the files that were stored with its draft.
    fn plugin(&mut self, digest: &Hash) -> Runs {
        if let Some(known) = self.plugins.get(digest) {
            return known.clone();
        }
        let files = self.source.files(digest, self.drafted.get(digest).map_or(&[], Vec::as_slice));
        let files = files.filter(|files| plugin_files::digest(files).is_ok_and(|found| found == *digest));
        let runs = match files.map(|files| Plugin::load(&files)) {
            None => Runs::NotHere,
            Some(Ok(plugin)) => Runs::Yes(plugin),
            Some(Err(why)) => Runs::No(why.to_string()),
        };
        self.plugins.insert(*digest, runs.clone());
        runs
    }

    /// After the last entry. A count that still runs may not have said all.
    pub(crate) fn finish(mut self) -> Found {
        self.told_all();
        self.found
    }
}

/// Takes an entry into what is remembered; a stream whose entries do not follow one another is forgotten.
fn remember(records: &mut HashMap<Stream, Record>, entry: &Entry) {
    let stream = &entry.header.stream;
    if let Ok(record) = evolve(records.remove(stream), entry) {
        records.insert(stream.clone(), record);
    }
}

/// A machine's author is that station through that plugin.
fn is_by(machine: &Machine, station: &Stream, plugin: &Hash) -> bool {
    machine.plugin == *plugin && Stream::of(Thing::Station, &machine.station) == *station
}

#[cfg(test)]
mod tests;
