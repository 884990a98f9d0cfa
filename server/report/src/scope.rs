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

#[cfg(test)]
mod tests {
    use std::convert::Infallible;

    use tallyseal_schema::entry::{Header, Machine, Person};
    use tallyseal_schema::kinds::{
        CountOpened, DeliveryReceived, DeviationOpened, DeviationRule, Direction, MachineCounts, Occasion, Role,
        RollCountOpened, RollHeld, RollReceived, RollStated, Severity, StationChallengePassed, StationLinkUp,
        StationPluginBound,
    };
    use tallyseal_schema::{Labels, Time};

    use super::*;

    const OLD: Hash = Hash([1; 32]);
    const NEW: Hash = Hash([2; 32]);

    /// A small book, entries by stream.
    #[derive(Default)]
    struct Small(BTreeMap<Stream, Vec<Entry>>);

    fn stream(text: &str) -> Stream {
        text.parse().unwrap()
    }

    fn labels(number: u32) -> Labels {
        Labels::new(number).unwrap()
    }

    fn system() -> By {
        By::system("test")
    }

    fn person(account: &str) -> By {
        By::Person(Person {
            account: account.parse().unwrap(),
            device: "D-1".parse().unwrap(),
            name: "Ana Invented".to_owned(),
            role: Role::LabelRoom,
            session: "S-1".parse().unwrap(),
        })
    }

    fn machine(station: &str, plugin: Hash) -> By {
        By::Machine(Machine { plugin, station: station.parse().unwrap() })
    }

    impl Small {
        fn add(&mut self, at: &str, by: By, body: impl Into<Body>) {
            let body = body.into();
            let header = Header {
                act: None,
                at: Time::default(),
                book: "label-room.example/plant-1".parse().unwrap(),
                by,
                kind: body.kind().name.to_owned(),
                n: 0,
                occurred: None,
                prev: Hash::ZERO,
                rev: 0,
                stream: stream(at),
                v: 1,
                why: None,
            };
            self.0.entry(stream(at)).or_default().push(Entry { header, body });
        }

        /// A thing of which only its being there matters.
        fn stub(&mut self, at: &str) {
            self.add(at, system(), StationLinkUp { link: "tcp-out".to_owned() });
        }

        fn delivery(&mut self, id: &str, rolls: &[&str]) {
            let stated = |roll: &&str| RollStated { roll: roll.parse().unwrap(), stated: labels(500) };
            let body = DeliveryReceived {
                condition: "sound".to_owned(),
                item: stream("item/I-1"),
                maker: "maker".to_owned(),
                place: "cage".to_owned(),
                receiving_code: "RC-1".to_owned(),
                rolls: rolls.iter().map(stated).collect(),
                supplier: stream("supplier/SU-1"),
                supplier_lot: "LOT-1".to_owned(),
            };
            self.add(&format!("delivery/{id}"), person("U-1"), body);
            for roll in rolls {
                let body = RollReceived {
                    delivery: stream(&format!("delivery/{id}")),
                    item: stream("item/I-1"),
                    place: "cage".to_owned(),
                    stated: labels(500),
                };
                self.add(&format!("roll/{roll}"), person("U-1"), body);
            }
        }

        fn bind(&mut self, station: &str, plugin: &str, digest: Hash) {
            let plugin = stream(plugin);
            let body = StationPluginBound { counts: MachineCounts::Labels, digest, plugin };
            self.add(station, system(), body);
        }

        fn challenge(&mut self, station: &str, bracket: u64, runs: &[&str]) {
            let run = |count: &&str| ChallengeRun {
                count: stream(count),
                direction: Direction::Forward,
                faults: BTreeMap::new(),
                labels: labels(101),
            };
            let body = StationChallengePassed {
                bracket,
                certified: labels(101),
                occasion: Occasion::Start,
                runs: runs.iter().map(run).collect(),
                since: Time::default(),
                test_roll: stream("test_roll/TR-1"),
            };
            self.add(station, system(), body);
        }

        fn count(&mut self, count: &str, roll: &str, purpose: CountPurpose, bracket: u64, plugin: Hash) {
            let direction = Direction::Forward;
            let body = CountOpened {
                attempt: 1,
                bracket,
                counts: MachineCounts::Labels,
                direction,
                expected_code: None,
                item: stream("item/I-1"),
                plugin,
                purpose,
                roll: stream(roll),
                station: stream("station/T-1"),
            };
            self.add(count, person("U-2"), body);
            if purpose != CountPurpose::Challenge {
                self.add(roll, person("U-2"), RollCountOpened { attempt: 1, count: stream(count), direction, purpose });
            }
        }

        fn scope(&self, record: &str) -> Vec<String> {
            let mut read = |stream: &Stream| Ok::<_, Infallible>(self.0.get(stream).cloned().unwrap_or_default());
            let Ok(scope) = scope(&stream(record), &mut read);
            scope.iter().map(ToString::to_string).collect()
        }
    }

    /// Two rolls of one delivery, the first counted between the challenges of the brackets 4 and 5.
    fn plant() -> Small {
        let mut small = Small::default();
        for at in ["account/U-1", "account/U-2", "item/I-1", "supplier/SU-1", "plugin/P-1", "plugin/P-2"] {
            small.stub(at);
        }
        small.stub("test_roll/TR-1");
        small.delivery("DL-1", &["R-1", "R-2"]);
        small.bind("station/T-1", "plugin/P-1", OLD);
        small.bind("station/T-1", "plugin/P-2", NEW);
        for (bracket, run) in [(3, "count/C-3"), (4, "count/C-4"), (5, "count/C-5"), (6, "count/C-6")] {
            small.count(run, "test_roll/TR-1", CountPurpose::Challenge, bracket, NEW);
            small.challenge("station/T-1", bracket, &[run]);
        }
        small.count("count/C-9", "roll/R-1", CountPurpose::Incoming, 5, NEW);
        small
    }

    const COUNTED: [&str; 10] = [
        "account/U-1",
        "account/U-2",
        "count/C-4",
        "count/C-5",
        "count/C-9",
        "delivery/DL-1",
        "item/I-1",
        "plugin/P-2",
        "roll/R-1",
        "station/T-1",
    ];

    #[test]
    fn a_rolls_record_holds_its_counts_with_the_challenges_on_both_sides_and_not_its_sister() {
        let mut expected = COUNTED.to_vec();
        expected.extend(["supplier/SU-1", "test_roll/TR-1"]);
        assert_eq!(plant().scope("roll/R-1"), expected);
        // A count leans on the same.
        assert_eq!(plant().scope("count/C-9"), expected);
    }

    #[test]
    fn a_deliverys_record_holds_all_its_rolls() {
        let mut expected = COUNTED.to_vec();
        expected.insert(9, "roll/R-2");
        expected.extend(["supplier/SU-1", "test_roll/TR-1"]);
        assert_eq!(plant().scope("delivery/DL-1"), expected);
        // The sister alone was never counted: no station, no count.
        let alone = ["account/U-1", "delivery/DL-1", "item/I-1", "roll/R-2", "supplier/SU-1"];
        assert_eq!(plant().scope("roll/R-2"), alone);
    }

    #[test]
    fn what_a_machine_has_written_brings_its_station_and_the_plugin_that_spoke() {
        let mut small = plant();
        let about = vec![stream("roll/R-1")];
        let (rule, severity) = (DeviationRule::WrongCode, Severity::Critical);
        let opened = DeviationOpened { about, rule, severity, text: "a wrong code".to_owned() };
        small.add("deviation/DV-1", machine("T-1", NEW), opened);
        small.add("roll/R-2", machine("T-1", NEW), RollHeld { cause: stream("deviation/DV-1") });
        assert_eq!(small.scope("deviation/DV-1"), ["deviation/DV-1", "plugin/P-2", "station/T-1"]);
        let held = small.scope("roll/R-2");
        for wanted in ["deviation/DV-1", "plugin/P-2", "station/T-1"] {
            assert!(held.iter().any(|stream| stream == wanted), "{wanted} in {held:?}");
        }
        // The roll on which it was found is not drawn in with them.
        assert!(!held.iter().any(|stream| stream == "roll/R-1" || stream == "count/C-9"), "{held:?}");
    }

    #[test]
    fn a_stream_that_is_not_there_is_no_part_of_a_record() {
        assert!(plant().scope("roll/R-404").is_empty());
    }

    #[test]
    fn a_book_that_cannot_be_read_gives_no_scope() {
        let refused = scope(&stream("roll/R-1"), &mut |_: &Stream| Err("the disk is gone"));
        assert_eq!(refused, Err("the disk is gone"));
    }
}
