//! Which streams a record leans on: the thing itself, what happened to it, and what made that count.
//!
//! A delivery's record holds its rolls; a roll's its counts; a count its station, its item and the challenges on both
//! sides of it, with the runs of the test roll. Everyone who acted is there with their account and its keys.
//!
//! An order's record holds its line and clearances, its issues and every roll of them as above, the rests that came
//! back, hand counts, containers, accounts, overrides, limit sets, and every deviation about any of it. All of them are
//! named by entries of the order itself, so that the scope follows from entries alone. A container's holds the hand
//! counts and accounts that it stands on; a deviation's what it is about; a station's its log with plugins, test rolls
//! and deviations, but no counts: those are records of their own.
//!
//! An order, a deviation, a station or a line is else taken along and not followed further: else every record would
//! hold the whole book. So a roll's record ends where it leaves the label room; what became of it is in its order's.

use std::collections::{BTreeMap, BTreeSet};

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{ChallengeRun, CountPurpose, Source};
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
    // A checkpoint is held against the key of its time, and what that key is worth: a book that changed its key, or marked
    // one, has its own stream in each record. Not followed further: who marked a key has no part in the record.
    let book = Stream::book();
    let about_keys = |entry: &Entry| matches!(entry.body, Body::BookKeyEnrolled(_) | Body::BookKeyCompromised(_));
    let all = entries(&book)?;
    if all.iter().any(about_keys) {
        scope.taken.insert(book, all);
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
        let own = entry.header.stream == *self.record;
        let thing = Thing::parse(entry.header.stream.thing());
        if self.follow_into_order(entry, own) {
            return;
        }
        match &entry.body {
            // Signatures on an order or a deviation cover everything that it leans on or is about.
            Body::SignatureApplied(body) if own || !matches!(thing, Some(Thing::Order | Thing::Deviation)) => {
                body.covers.keys().for_each(|covered| self.want(covered));
            }
            // A person, a table or a line is in many records; a deviation about them is in their own.
            Body::RecordQuestioned(body) if own || thing.is_some_and(is_of_a_job) => self.want(&body.deviation),
            Body::DeviationOpened(body) if own => body.about.iter().for_each(|about| self.want(about)),
            Body::DeviationScopeExtended(body) if own => body.about.iter().for_each(|about| self.want(about)),
            Body::DeliveryReceived(body) => {
                self.want(&body.item);
                self.want(&body.supplier);
                // A roll's record takes its delivery along, not the delivery's other rolls.
                if own {
                    body.rolls.iter().for_each(|stated| self.want(&Stream::of(Thing::Roll, &stated.roll)));
                }
            }
            Body::StationPluginBound(body) if own => self.want(&body.plugin),
            Body::StationSetUp(body) if own => self.want(&body.item),
            Body::StationChallengePassed(body) if own => self.want(&body.test_roll),
            Body::StationChallengeFailed(body) if own => {
                self.want(&body.test_roll);
                self.want(&body.deviation);
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

    /// What the entries of an order and of its parts name. True where it is one of them.
    fn follow_into_order(&mut self, entry: &Entry, own: bool) -> bool {
        let wanted: Vec<&Stream> = match &entry.body {
            // The order's own entries: only its own record follows them.
            Body::OrderReconciled(body) => {
                // What lies in a container is destroyed on the strength of its account.
                let leans = own || self.record.thing() == Thing::Container.as_str();
                if leans { vec![&body.reconciliation] } else { Vec::new() }
            }
            Body::OrderPlanned(body) if own => {
                let materials = body.materials.iter().flat_map(|planned| [&planned.item, &planned.limit_set]);
                materials.chain([&body.line]).collect()
            }
            Body::OrderPartBegun(body) if own => vec![&body.part],
            Body::OrderRollExamined(body) if own => vec![&body.roll],
            Body::OrderLimitsFrozen(body) if own => vec![&body.limit_set],
            Body::OrderIssued(body) if own => vec![&body.issue],
            Body::OrderRollReceived(body) if own => vec![&body.roll],
            Body::OrderStarted(body) if own => vec![&body.clearance],
            Body::OrderResumed(body) if own => body.clearance.iter().collect(),
            Body::OrderFinished(body) if own => vec![&body.clearance],
            Body::OrderRollMounted(body) if own => vec![&body.roll],
            Body::OrderQuantityRecorded(body) if own => hand_count(&body.source).collect(),
            Body::OrderUnitsRecorded(body) if own => hand_count(&body.source).collect(),
            Body::OrderReturnTaken(body) if own => {
                [&body.container, &body.rest, &body.tail].into_iter().flatten().chain([&body.roll]).collect()
            }
            Body::OrderHeld(body) if own => vec![&body.cause],
            // Its parts, in whatever record they are.
            Body::IssueGiven(body) => {
                let rolls = body.rolls.iter().map(|issued| &issued.roll);
                rolls.chain(&body.extra).chain([&body.order]).collect()
            }
            Body::ClearancePerformed(body) => vec![&body.line, &body.order],
            Body::HandCountOpened(body) => vec![&body.order],
            Body::ContainerOpened(body) => vec![&body.order],
            Body::ContainerFilled(body) => vec![&body.hand_count],
            Body::ContainerDestructionConsented(body) => vec![&body.reconciliation],
            Body::ContainerDestructionDeclared(body) => body.late.iter().collect(),
            Body::ReconciliationComputed(body) => body.deviation.iter().chain([&body.order]).collect(),
            Body::OverrideRequested(body) => vec![&body.about, &body.order],
            Body::OverrideUsed(body) => vec![&body.by],
            Body::RollReturned(body) => vec![&body.delivery, &body.item, &body.parent],
            _ => return false,
        };
        wanted.into_iter().for_each(|stream| self.want(stream));
        true
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

/// The hand count that a quantity came from.
fn hand_count(source: &Source) -> impl Iterator<Item = &Stream> {
    match source {
        Source::HandCount { hand_count } => Some(hand_count),
        Source::Device { .. } => None,
    }
    .into_iter()
}

/// Things that a delivery or an order consists of, and that stand in no other job's record but as part of it.
const fn is_of_a_job(thing: Thing) -> bool {
    matches!(
        thing,
        Thing::Delivery
            | Thing::Roll
            | Thing::Count
            | Thing::Clearance
            | Thing::Issue
            | Thing::HandCount
            | Thing::Container
            | Thing::Reconciliation
            | Thing::Override
    )
}

fn run_streams<'a>(runs: &'a [ChallengeRun], test_roll: &'a Stream) -> impl Iterator<Item = Stream> + 'a {
    runs.iter().map(|run| run.count.clone()).chain([test_roll.clone()])
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;

    use tallyseal_schema::entry::{Header, Machine, Person};
    use tallyseal_schema::kinds::{
        AccessRefused, Allowance, BookKeyCompromised, BookKeyEnrolled, ClearancePerformed, ClearanceWhen, Coding,
        ContainerDestructionConsented, ContainerDestructionDeclared, ContainerFilled, ContainerOpened, Contents,
        CountOpened, DeliveryReceived, DeviationOpened, DeviationRule, DeviationScopeExtended, Direction, DocumentCopy,
        ExaminationVerdict, HandCountOpened, HandCounted, IssueGiven, IssuedRoll, Limit, Limits, MachineCounts,
        MaterialPlanned, Occasion, OrderFinished, OrderHeld, OrderIssued, OrderKind, OrderLimitsFrozen, OrderPartBegun,
        OrderPlanned, OrderQuantityRecorded, OrderReconciled, OrderResumed, OrderReturnTaken, OrderRollExamined,
        OrderRollMounted, OrderRollReceived, OrderStarted, OrderUnitsRecorded, OverrideKind, OverrideRequested,
        OverrideUsed, ReconciliationComputed, RecordQuestioned, Role, RollCountOpened, RollHeld, RollReceived,
        RollReturned, RollStated, Severity, SignatureApplied, Specimen, StationChallengeFailed, StationChallengePassed,
        StationLinkUp, StationPluginBound, Term, Terms, Unwind, Verdict,
    };
    use tallyseal_schema::signature::Cover;
    use tallyseal_schema::{Labels, Ratio, Time};

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
        let about = vec![stream("station/T-2")];
        let opened = DeviationOpened { about, rule, severity, text: "a wrong code".to_owned() };
        small.add("deviation/DV-2", machine("T-1", NEW), opened);
        assert_eq!(small.scope("deviation/DV-2"), ["deviation/DV-2", "plugin/P-2", "station/T-1"]);
        let held = small.scope("roll/R-2");
        for wanted in ["deviation/DV-1", "plugin/P-2", "station/T-1"] {
            assert!(held.iter().any(|stream| stream == wanted), "{wanted} in {held:?}");
        }
        // The roll on which it was found is not drawn in with them.
        assert!(!held.iter().any(|stream| stream == "roll/R-1" || stream == "count/C-9"), "{held:?}");
    }

    #[test]
    fn a_book_that_changed_or_marked_a_key_is_in_every_record_itself() {
        let enrolled = BookKeyEnrolled { key: NEW, proof: String::new(), public_key: String::new() };
        for body in [Body::from(enrolled), Body::from(BookKeyCompromised { from: 1, key: OLD })] {
            let mut small = plant();
            small.add(
                "book/B",
                system(),
                AccessRefused { count: 1, from: Time::default(), source: "somewhere".to_owned(), to: Time::default() },
            );
            assert!(!small.scope("roll/R-2").contains(&"book/B".to_owned()));
            // The administrator who wrote it is not taken along for that.
            small.add("book/B", person("U-2"), body);
            let alone = ["account/U-1", "book/B", "delivery/DL-1", "item/I-1", "roll/R-2", "supplier/SU-1"];
            assert_eq!(small.scope("roll/R-2"), alone);
        }
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

    fn ratio(num: u32, den: u32) -> Ratio {
        Ratio::new(num, den).unwrap()
    }

    fn limits() -> Limits {
        let limit = Limit { labels: labels(1), ratio: ratio(1, 1_000) };
        Limits { over: limit.clone(), product_over: limit.clone(), product_short: limit.clone(), short: limit }
    }

    fn planned(item: &str, line: &str, limit_set: &str) -> OrderPlanned {
        let copy = || DocumentCopy { id: "M-1".to_owned(), version: "1".to_owned() };
        OrderPlanned {
            dosage_form: "tablet".to_owned(),
            kind: OrderKind::Commercial,
            line: stream(line),
            lots: Vec::new(),
            market: "XX".to_owned(),
            master: copy(),
            materials: vec![MaterialPlanned {
                allowance: Allowance { fixed: labels(0), per_roll_change: labels(0), ratio: ratio(0, 1) },
                coding: Coding::Line,
                item: stream(item),
                labels_per_unit: ratio(1, 1),
                limit_set: stream(limit_set),
                material: 1,
            }],
            pack: "30".to_owned(),
            procedures: vec![copy()],
            product: "Demonstrol".to_owned(),
            strength: None,
        }
    }

    fn part(part: &str) -> Body {
        OrderPartBegun { part: stream(part) }.into()
    }

    fn questioned(deviation: &str) -> Body {
        RecordQuestioned { deviation: stream(deviation) }.into()
    }

    fn computed(order: &str, deviation: Option<&str>) -> Body {
        let terms = Terms { coded: 0, good: 0, issued: 0, rejected: 0, returned: 0, samples: 0, spoiled: 0 };
        ReconciliationComputed {
            against_product: Verdict::Within,
            balance: Verdict::Within,
            deviation: deviation.map(stream),
            formula: "balance-1".to_owned(),
            independent: true,
            labels_per_unit: ratio(1, 1),
            limits: limits(),
            material: 1,
            order: stream(order),
            product: 0,
            terms,
            unaccounted: 0,
            uncertainty: labels(0),
            units: 0,
        }
        .into()
    }

    fn by_hand(hand_count: &str) -> Source {
        Source::HandCount { hand_count: stream(hand_count) }
    }

    fn signed(record: &str, also: &[&str]) -> Body {
        let cover = |at: &&str| (stream(at), Cover { rev: 1, root: Hash::ZERO });
        SignatureApplied {
            account: "U-1".parse().unwrap(),
            covers: [record].iter().chain(also).map(cover).collect(),
            key: Hash::ZERO,
            meaning: "signed".to_owned(),
            name: "Ana Invented".to_owned(),
            record: stream(record),
            role: Role::Supervisor,
            sig: "AA==".to_owned(),
        }
        .into()
    }

    fn destruction(late: Option<&str>) -> Body {
        let (method, place) = ("shredded".to_owned(), "yard".to_owned());
        ContainerDestructionDeclared { labels: labels(5), late: late.map(stream), method, place }.into()
    }

    /// Every entry of an order that names another stream: that stream, and the entry.
    fn naming() -> Vec<(&'static str, Body)> {
        let material = 1;
        let at = |text: &str| stream(text);
        vec![
            ("item/I-7", planned("item/I-7", "line/N", "limit_set/N").into()),
            ("line/L-7", planned("item/N", "line/L-7", "limit_set/N").into()),
            ("limit_set/LS-7", planned("item/N", "line/N", "limit_set/LS-7").into()),
            ("hand_count/HC-7", part("hand_count/HC-7")),
            (
                "roll/R-7",
                OrderRollExamined {
                    choice: None,
                    code_read: None,
                    material,
                    roll: at("roll/R-7"),
                    runs: 1,
                    specimen: Specimen { id: "SP-1".to_owned(), place: "cabinet".to_owned() },
                    unwind: Unwind::OutsideLeftFirst,
                    verdict: ExaminationVerdict::Same,
                }
                .into(),
            ),
            (
                "limit_set/LS-8",
                OrderLimitsFrozen {
                    limit_set: at("limit_set/LS-8"),
                    limits: limits(),
                    material,
                    uncertainty: labels(1),
                }
                .into(),
            ),
            (
                "issue/IS-7",
                OrderIssued { issue: at("issue/IS-7"), labels: labels(1), material, rolls: Vec::new() }.into(),
            ),
            ("roll/R-8", OrderRollReceived { material, roll: at("roll/R-8") }.into()),
            ("clearance/CL-7", OrderStarted { clearance: at("clearance/CL-7") }.into()),
            ("clearance/CL-8", OrderResumed { clearance: Some(at("clearance/CL-8")) }.into()),
            ("clearance/CL-9", OrderFinished { clearance: at("clearance/CL-9") }.into()),
            (
                "roll/R-9",
                OrderRollMounted { code_read: None, device: "DD-1".parse().unwrap(), material, roll: at("roll/R-9") }
                    .into(),
            ),
            (
                "hand_count/HC-8",
                OrderQuantityRecorded {
                    labels: labels(1),
                    material,
                    purpose: None,
                    quantity: 1,
                    source: by_hand("hand_count/HC-8"),
                    term: Term::Samples,
                }
                .into(),
            ),
            (
                "hand_count/HC-9",
                OrderUnitsRecorded { lot: "LOT".to_owned(), quantity: 2, source: by_hand("hand_count/HC-9"), units: 1 }
                    .into(),
            ),
            ("roll/R-10", returned("roll/R-10", None, None, None)),
            ("container/K-7", returned("roll/N", Some("container/K-7"), None, None)),
            ("roll/R-11", returned("roll/N", None, Some("roll/R-11"), None)),
            ("hand_count/HC-10", returned("roll/N", None, None, Some("hand_count/HC-10"))),
            ("reconciliation/RC-7", OrderReconciled { material, reconciliation: at("reconciliation/RC-7") }.into()),
            ("deviation/DV-7", OrderHeld { cause: at("deviation/DV-7") }.into()),
            ("deviation/DV-8", questioned("deviation/DV-8")),
            ("account/U-7", signed("order/O-1", &["account/U-7"])),
        ]
    }

    fn returned(roll: &str, container: Option<&str>, rest: Option<&str>, tail: Option<&str>) -> Body {
        OrderReturnTaken {
            container: container.map(stream),
            material: 1,
            rest: rest.map(stream),
            roll: stream(roll),
            seal_intact: true,
            tail: tail.map(stream),
        }
        .into()
    }

    /// A roll that came back from another order, R-1 of [`plant`], issued to the order O-1 and run there.
    fn order() -> Small {
        let mut small = plant();
        for at in ["line/L-1", "limit_set/LS-1", "item/I-9"] {
            small.stub(at);
        }
        let of_order = || stream("order/O-1");
        // O-0 had the parent; its own things are no part of what O-1 leans on.
        small.add("order/O-0", person("U-3"), part("hand_count/HC-0"));
        small.stub("hand_count/HC-0");
        small.stub("account/U-3");
        small.add(
            "roll/R-1-1",
            person("U-1"),
            RollReturned {
                delivery: stream("delivery/DL-1"),
                item: stream("item/I-1"),
                order: stream("order/O-0"),
                parent: stream("roll/R-1"),
                place: "cage".to_owned(),
            },
        );
        small.count("count/C-10", "roll/R-1-1", CountPurpose::Return, 5, NEW);
        small.add("order/O-1", person("U-1"), planned("item/I-1", "line/L-1", "limit_set/LS-1"));
        for at in
            ["clearance/CL-1", "clearance/CL-2", "override/OV-1", "issue/IS-1", "hand_count/HC-1", "container/K-1"]
        {
            small.add("order/O-1", person("U-1"), part(at));
        }
        for at in ["clearance/CL-1", "clearance/CL-2"] {
            let (line, when) = (stream("line/L-1"), ClearanceWhen::Before);
            small.add(at, person("U-4"), ClearancePerformed { line, order: of_order(), places: Vec::new(), when });
        }
        small.stub("account/U-4");
        let asked = OverrideRequested {
            about: of_order(),
            device: None,
            kind: OverrideKind::ExtraIssue,
            labels: Some(labels(400)),
            material: Some(1),
            order: of_order(),
        };
        small.add("override/OV-1", person("U-1"), asked);
        small.add("override/OV-1", person("U-1"), OverrideUsed { by: stream("issue/IS-1") });
        let rolls = vec![IssuedRoll { at_risk: false, labels: labels(400), roll: stream("roll/R-1-1") }];
        let extra = Some(stream("override/OV-1"));
        let given = IssueGiven { extra, labels: labels(400), material: 1, order: of_order(), rolls };
        small.add("issue/IS-1", person("U-1"), given);
        let what = HandCounted::CodedTail;
        small.add("hand_count/HC-1", person("U-5"), HandCountOpened { material: Some(1), order: of_order(), what });
        small.stub("account/U-5");
        let (contents, place) = (Contents::Coded, "cage".to_owned());
        small.add("container/K-1", person("U-1"), ContainerOpened { contents, material: 1, order: of_order(), place });
        let hand_count = stream("hand_count/HC-1");
        small.add("container/K-1", person("U-1"), ContainerFilled { hand_count, labels: labels(5) });
        small.add(
            "order/O-1",
            person("U-1"),
            returned("roll/R-1-1", Some("container/K-1"), None, Some("hand_count/HC-1")),
        );
        let reconciled = OrderReconciled { material: 1, reconciliation: stream("reconciliation/RC-1") };
        small.add("order/O-1", person("U-1"), reconciled);
        small.add("reconciliation/RC-1", person("U-1"), computed("order/O-1", Some("deviation/DV-1")));
        small.deviation("DV-1", DeviationRule::ReconciliationOutside, &["order/O-1", "reconciliation/RC-1"]);
        small.add("container/K-1", person("U-1"), destruction(None));
        // About the order and about a sister of the roll's delivery.
        small.deviation("DV-2", DeviationRule::Person, &["order/O-1", "roll/R-2"]);
        small.add("order/O-1", person("U-1"), questioned("deviation/DV-2"));
        small.add("roll/R-2", person("U-1"), questioned("deviation/DV-2"));
        // About a person who acted, which is in no order's record.
        small.deviation("DV-3", DeviationRule::Person, &["account/U-1"]);
        small.add("account/U-1", person("U-1"), questioned("deviation/DV-3"));
        small
    }

    impl Small {
        fn deviation(&mut self, id: &str, rule: DeviationRule, about: &[&str]) {
            let about: Vec<Stream> = about.iter().map(|about| stream(about)).collect();
            let text = "found".to_owned();
            let opened = DeviationOpened { about: about.clone(), rule, severity: Severity::Major, text };
            let at = format!("deviation/{id}");
            self.add(&at, person("U-1"), opened);
            // A signature covers all of it, and draws nothing into another record.
            let about: Vec<&str> = about.iter().map(|about| about.as_str()).collect();
            self.add(&at, person("U-1"), signed(&at, &about));
        }
    }

    #[test]
    fn an_orders_record_holds_everything_that_it_leans_on_and_nothing_of_another_order() {
        assert_eq!(
            order().scope("order/O-1"),
            [
                "account/U-1",
                "account/U-2",
                "account/U-4",
                "account/U-5",
                "clearance/CL-1",
                "clearance/CL-2",
                "container/K-1",
                "count/C-10",
                "count/C-4",
                "count/C-5",
                "count/C-9",
                "delivery/DL-1",
                "deviation/DV-1",
                "deviation/DV-2",
                "hand_count/HC-1",
                "issue/IS-1",
                "item/I-1",
                "limit_set/LS-1",
                "line/L-1",
                "order/O-1",
                "override/OV-1",
                "plugin/P-2",
                "reconciliation/RC-1",
                "roll/R-1",
                "roll/R-1-1",
                "station/T-1",
                "supplier/SU-1",
                "test_roll/TR-1",
            ]
        );
    }

    #[test]
    fn each_entry_of_an_order_brings_what_it_names_into_its_own_record_only() {
        for (named, body) in naming() {
            let mut small = Small::default();
            small.stub(named);
            small.add("order/O-1", system(), body);
            assert_eq!(small.scope("order/O-1"), [named, "order/O-1"].sorted(), "{named}");
            // Taken along by another record, it brings nothing.
            small.add("clearance/CL-1", system(), part("order/O-1"));
            small.add(
                "deviation/DV-1",
                system(),
                DeviationOpened {
                    about: vec![stream("order/O-1")],
                    rule: DeviationRule::Person,
                    severity: Severity::Major,
                    text: "found".to_owned(),
                },
            );
            assert_eq!(small.scope("deviation/DV-1"), ["deviation/DV-1", "order/O-1"], "{named}");
        }
    }

    #[test]
    fn a_roll_of_an_order_has_a_record_without_the_order() {
        let scope = order().scope("roll/R-1-1");
        for wanted in ["count/C-10", "count/C-9", "delivery/DL-1", "roll/R-1", "station/T-1", "test_roll/TR-1"] {
            assert!(scope.iter().any(|stream| stream == wanted), "{wanted} in {scope:?}");
        }
        assert!(!scope.iter().any(|stream| stream.starts_with("order/") || stream.starts_with("issue/")), "{scope:?}");
    }

    #[test]
    fn a_containers_record_holds_what_was_put_in_and_the_account_that_let_it_be_destroyed() {
        let mut small = order();
        let reconciliation = stream("reconciliation/RC-0");
        small.add("container/K-1", person("U-1"), ContainerDestructionConsented { reconciliation });
        small.add("container/K-1", person("U-1"), destruction(Some("override/OV-2")));
        small.add("container/K-1", person("U-1"), questioned("deviation/DV-4"));
        for at in ["reconciliation/RC-0", "override/OV-2", "deviation/DV-4"] {
            small.stub(at);
        }
        assert_eq!(
            small.scope("container/K-1"),
            [
                "account/U-1",
                "account/U-5",
                "container/K-1",
                "deviation/DV-1",
                "deviation/DV-4",
                "hand_count/HC-1",
                "order/O-1",
                "override/OV-2",
                "reconciliation/RC-0",
                "reconciliation/RC-1",
            ]
        );
    }

    #[test]
    fn a_deviations_record_holds_what_it_is_about_with_what_that_leans_on() {
        let mut small = order();
        let scope = small.scope("deviation/DV-2");
        assert_eq!(
            scope,
            ["account/U-1", "delivery/DL-1", "deviation/DV-2", "item/I-1", "order/O-1", "roll/R-2", "supplier/SU-1"]
        );
        small.add("deviation/DV-2", person("U-1"), DeviationScopeExtended { about: vec![stream("roll/R-1")] });
        let extended = small.scope("deviation/DV-2");
        for wanted in ["roll/R-1", "count/C-9", "station/T-1", "test_roll/TR-1"] {
            assert!(extended.iter().any(|stream| stream == wanted), "{wanted} in {extended:?}");
        }
        // The order that it is about does not bring its other things.
        assert!(!extended.iter().any(|stream| stream.starts_with("issue/")), "{extended:?}");
    }

    #[test]
    fn a_deviation_about_a_person_is_in_their_own_record() {
        assert_eq!(order().scope("account/U-1"), ["account/U-1", "deviation/DV-3"]);
        for job in ["delivery", "roll", "count", "clearance", "issue", "hand_count", "container", "override"] {
            let mut small = Small::default();
            let at = format!("{job}/X-1");
            small.add(&at, system(), questioned("deviation/DV-1"));
            small.stub("deviation/DV-1");
            small.add("order/O-1", system(), part(&at));
            assert!(small.scope("order/O-1").contains(&"deviation/DV-1".to_owned()), "{job}");
        }
        for other in ["station", "line", "item", "supplier", "plugin", "test_roll", "limit_set"] {
            let mut small = Small::default();
            let at = format!("{other}/X-1");
            small.add(&at, system(), questioned("deviation/DV-1"));
            small.stub("deviation/DV-1");
            small.add("order/O-1", system(), part(&at));
            assert_eq!(small.scope("order/O-1"), [&at, "order/O-1"].sorted(), "{other}");
        }
    }

    #[test]
    fn a_stations_record_is_its_log_with_plugins_test_rolls_and_deviations_and_no_counts() {
        let mut small = plant();
        let failed = StationChallengeFailed {
            bracket: 7,
            certified: labels(101),
            deviation: stream("deviation/DV-1"),
            findings: Vec::new(),
            occasion: Occasion::Interval,
            runs: Vec::new(),
            test_roll: stream("test_roll/TR-2"),
        };
        small.add("station/T-1", system(), failed);
        small.stub("test_roll/TR-2");
        small.deviation("DV-1", DeviationRule::ChallengeFailed, &["station/T-1", "roll/R-1"]);
        assert_eq!(
            small.scope("station/T-1"),
            [
                "account/U-1",
                "deviation/DV-1",
                "plugin/P-1",
                "plugin/P-2",
                "station/T-1",
                "test_roll/TR-1",
                "test_roll/TR-2"
            ]
        );
    }

    trait Sorted {
        fn sorted(self) -> Vec<String>;
    }

    impl<const N: usize> Sorted for [&str; N] {
        fn sorted(self) -> Vec<String> {
            let mut sorted: Vec<String> = self.iter().map(|text| (*text).to_owned()).collect();
            sorted.sort();
            sorted
        }
    }
}
