//! Which streams a record leans on: the thing itself, what happened to it, and what made that count.
//!
//! A delivery's record holds its rolls; a roll's its counts; a count its station, its item and the challenges on both
//! sides of it, with the runs of the test roll. Everyone who acted is there with their account and its keys. A deviation
//! or a station is taken along and not followed further: else every record would hold the whole book.

use std::collections::{BTreeMap, BTreeSet};

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{ChallengeRun, CountPurpose};
use tallyseal_schema::{Body, By, Entry, Hash};

/// Every stream that belongs to the record of `record`, itself included.
///
/// `entries` gives all entries of a stream in order; an empty list for a stream that does not exist.
/// Errors: those of `entries`.
pub fn scope<E>(
    record: &Stream,
    entries: &mut dyn FnMut(&Stream) -> Result<Vec<Entry>, E>,
) -> Result<BTreeSet<Stream>, E> {
    let mut scope = Scope {
        brackets: BTreeSet::new(),
        plugins: BTreeSet::new(),
        record,
        taken: BTreeMap::new(),
        waiting: BTreeSet::from([record.clone()]),
    };
    // Each stream taken in may ask for others, until nothing is left to take in.
    while let Some(stream) = scope.waiting.pop_first() {
        let all = entries(&stream)?;
        for entry in &all {
            scope.follow(entry);
        }
        if !all.is_empty() {
            scope.taken.insert(stream, all);
        }
        if scope.waiting.is_empty() {
            scope.lean_on_stations();
        }
    }
    Ok(scope.taken.into_keys().collect())
}

struct Scope<'r> {
    /// Station and challenge bracket of each count of a roll.
    brackets: BTreeSet<(Stream, u64)>,
    /// Plugins that read a count or spoke for a machine.
    plugins: BTreeSet<Hash>,
    record: &'r Stream,
    taken: BTreeMap<Stream, Vec<Entry>>,
    waiting: BTreeSet<Stream>,
}

impl Scope<'_> {
    fn want(&mut self, stream: &Stream) {
        if !self.taken.contains_key(stream) {
            self.waiting.insert(stream.clone());
        }
    }

    fn follow(&mut self, entry: &Entry) {
        match &entry.header.by {
            By::Person(person) => self.want(&Stream::account(&person.account)),
            By::Machine(machine) => {
                self.plugins.insert(machine.plugin);
                // Also where no count is in the record, as with a roll held for the wrong code of its sister: which
                // plugin spoke is said in the station's stream.
                self.want(&Stream::of(Thing::Station, &machine.station));
            }
            By::System(_) => {}
        }
        match &entry.body {
            Body::SignatureApplied(body) => body.covers.keys().for_each(|covered| self.want(covered)),
            Body::DeliveryReceived(body) => {
                self.want(&body.item);
                self.want(&body.supplier);
                // A roll's record takes its delivery along, not the delivery's other rolls.
                if entry.header.stream == *self.record {
                    body.rolls.iter().for_each(|stated| self.want(&Stream::of(Thing::Roll, &stated.roll)));
                }
            }
            Body::DeliveryHeld(body) => self.want(&body.cause),
            Body::RollReceived(body) => {
                self.want(&body.delivery);
                self.want(&body.item);
            }
            Body::RollHeld(body) => self.want(&body.cause),
            Body::RollCountOpened(body) => self.want(&body.count),
            Body::CountOpened(body) => {
                self.want(&body.roll);
                self.want(&body.item);
                self.want(&body.station);
                self.plugins.insert(body.plugin);
                if body.purpose != CountPurpose::Challenge {
                    self.brackets.insert((body.station.clone(), body.bracket));
                }
            }
            _ => {}
        }
    }

    /// What the counts lean on in their stations' own streams: the plugins that read them, and the challenges that
    /// opened and closed their brackets.
    fn lean_on_stations(&mut self) {
        let mut wanted = Vec::new();
        let stations = self.taken.iter().filter(|(stream, _)| stream.thing() == Thing::Station.as_str());
        for (station, entries) in stations {
            let beside = |bracket: u64| {
                self.brackets.contains(&(station.clone(), bracket))
                    || bracket.checked_add(1).is_some_and(|next| self.brackets.contains(&(station.clone(), next)))
            };
            for entry in entries {
                match &entry.body {
                    Body::StationPluginBound(body) if self.plugins.contains(&body.digest) => {
                        wanted.push(body.plugin.clone());
                    }
                    Body::StationChallengePassed(body) if beside(body.bracket) => {
                        wanted.extend(run_streams(&body.runs, &body.test_roll));
                    }
                    Body::StationChallengeFailed(body) if beside(body.bracket) => {
                        wanted.extend(run_streams(&body.runs, &body.test_roll));
                        wanted.push(body.deviation.clone());
                    }
                    _ => {}
                }
            }
        }
        wanted.iter().for_each(|stream| self.want(stream));
    }
}

fn run_streams<'a>(runs: &'a [ChallengeRun], test_roll: &'a Stream) -> impl Iterator<Item = Stream> + 'a {
    runs.iter().map(|run| run.count.clone()).chain([test_roll.clone()])
}
