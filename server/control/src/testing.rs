//! An invented plant in memory: acts are decided by the rules, their entries are written, read back and remembered as
//! the executor would. No signature in it is real.

use std::collections::{BTreeMap, BTreeSet};

use tallyseal_schema::entry::{Header, Machine, Person};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CodePlace, CountPurpose, CountRule, Direction, Disposition, ExaminationResult, ExpectedCode, Fate, FaultKind, Form,
    Grant, ItemDrafted, Link, MachineCounts, Occasion, PluginFile, Role, RollStated, SignatureApplied, Specimen,
    Unwind,
};
use tallyseal_schema::observation::{Located, Observation, lines_hash};
use tallyseal_schema::signature::{Cover, key_name};
use tallyseal_schema::{Body, By, Entry, Hash, Labels, Time, canonical};

use crate::{
    Command, Context, CountState, Draft, Follower, Key, Need, Piece, Record, Refusal, RollState, State, StationState,
    Stop, World, decide, evolve,
};

/// The code on every good label of [`CODED`].
pub(crate) const CODE: &str = "0109521234567899";
/// A code that is no item's.
pub(crate) const OTHER_CODE: &str = "0109521234567882";
/// An item with a code; one count stands.
pub(crate) const CODED: &str = "L-100-A";
/// An item without one; two counts must agree.
pub(crate) const PLAIN: &str = "L-200-A";
/// Labels on the certified test roll.
pub(crate) const CERTIFIED: u32 = 97;
/// The only link of every station.
pub(crate) const LINK: &str = "main";

/// Reads any ID or stream of a test.
#[track_caller]
pub(crate) fn id<T: std::str::FromStr<Err = tallyseal_schema::ids::IdError>>(text: &str) -> T {
    text.parse().unwrap()
}

#[track_caller]
pub(crate) fn labels(number: u32) -> Labels {
    Labels::new(number).unwrap()
}

/// A person of the plant in one of their roles.
pub(crate) fn person(account: &str, role: Role) -> By {
    By::Person(Person {
        account: id(account),
        device: id("DEVICE-1"),
        name: name(account),
        role,
        session: id(&format!("S-{account}")),
    })
}

fn name(account: &str) -> String {
    format!("Person of {account}")
}

pub(crate) fn admin() -> By {
    person("U-0001", Role::Administrator)
}
pub(crate) fn reviewer() -> By {
    person("U-0002", Role::Reviewer)
}
/// Counts, and signs what they counted.
pub(crate) fn room() -> By {
    person("U-0003", Role::LabelRoom)
}
/// A colleague.
pub(crate) fn colleague() -> By {
    person("U-0004", Role::LabelRoom)
}
pub(crate) fn examiner() -> By {
    person("U-0005", Role::IncomingExaminer)
}
pub(crate) fn supervisor() -> By {
    person("U-0006", Role::Supervisor)
}
pub(crate) fn line() -> By {
    person("U-0007", Role::Line)
}
pub(crate) fn auditor() -> By {
    person("U-0008", Role::Auditor)
}
pub(crate) fn second_reviewer() -> By {
    person("U-0009", Role::Reviewer)
}
/// One person who has every role but two, acting in one of them.
pub(crate) fn all_hats(role: Role) -> By {
    person("U-0010", role)
}
pub(crate) fn system() -> By {
    By::system("test")
}
pub(crate) fn machine(station: &str) -> By {
    By::Machine(Machine { plugin: Hash::of(b"plugin"), station: id(station) })
}

/// When the training of everybody ends who was not founded.
pub(crate) const TRAINED_UNTIL: &str = "2027-03-01T00:00:00.000000Z";

/// These roles, on a training that is good for longer than any test takes, and no longer than its sessions.
pub(crate) fn grants(roles: &[Role]) -> Vec<Grant> {
    let until = TRAINED_UNTIL.parse().unwrap();
    roles.iter().map(|role| Grant { role: *role, training: "TR-0007".to_owned(), until: Some(until) }).collect()
}

/// The same actor with something else about them.
pub(crate) fn changed(by: By, change: impl FnOnce(&mut Person)) -> By {
    let By::Person(mut person) = by else { panic!("no person") };
    change(&mut person);
    By::Person(person)
}

/// The signing key that a person's password opens.
pub(crate) fn key_of(account: &str) -> Hash {
    key_name(&public_key(account, 1))
}

fn public_key(account: &str, number: u32) -> [u8; 32] {
    Hash::of(format!("{account} {number}").as_bytes()).0
}

/// The command that enrols somebody's key. `number`: which of their keys.
pub(crate) fn enrol_key(account: &str, number: u32) -> Command {
    let public = public_key(account, number);
    Command::EnrolKey {
        account: id(account),
        key: key_name(&public),
        public_key: canonical::base64(public),
        previous: (number > 1).then(|| key_name(&public_key(account, number - 1))),
        proof: "AA==".to_owned(),
    }
}

/// An item revision with everything in its range.
pub(crate) fn item_draft(code: &str, revision: &str) -> ItemDrafted {
    ItemDrafted {
        allergens: Vec::new(),
        code: code.to_owned(),
        counts: CountRule::One,
        expected_code: Some(ExpectedCode { symbology: "GS1 DataMatrix".to_owned(), text: CODE.to_owned() }),
        faults_max: 10,
        form: Form::Roll,
        language: "en".to_owned(),
        lanes: 1,
        market: "XX".to_owned(),
        pitch_um: 50_000,
        product: "Demonstrol".to_owned(),
        relies_on: [FaultKind::Splice, FaultKind::WrongCode].into(),
        revision: revision.to_owned(),
        splices_max: 2,
        strength: Some("50 mg".to_owned()),
        unwind: Unwind::OutsideLeftFirst,
        use_by_days: Some(730),
        web_thickness_um: 150,
        width_um: 80_000,
    }
}

pub(crate) fn specimen() -> Specimen {
    Specimen { id: "SP-1".to_owned(), place: "cabinet 1".to_owned() }
}

pub(crate) fn receive(delivery: &str, item: &str, rolls: &[(&str, u32)]) -> Command {
    Command::ReceiveDelivery {
        delivery: id(delivery),
        item: id(item),
        supplier: id("SU-1"),
        supplier_lot: "LOT-1".to_owned(),
        maker: "Printwerk".to_owned(),
        receiving_code: "RC-1".to_owned(),
        condition: "boxes sound".to_owned(),
        place: "quarantine cage".to_owned(),
        rolls: rolls.iter().map(|(roll, stated)| RollStated { roll: id(roll), stated: labels(*stated) }).collect(),
    }
}

pub(crate) fn examine(delivery: &str, rolls: &[&str], result: ExaminationResult) -> Command {
    Command::ExamineDelivery {
        delivery: id(delivery),
        plan: "accept on zero".to_owned(),
        reached: "unwound".to_owned(),
        rolls: rolls.iter().map(|roll| id(roll)).collect(),
        sampled: labels(40),
        critical: 0,
        major: 0,
        minor: 0,
        specimen: specimen(),
        result,
    }
}

pub(crate) fn release(delivery: &str) -> Command {
    Command::ReleaseDelivery { delivery: id(delivery) }
}

pub(crate) fn open(station: &str, roll: &str, purpose: CountPurpose, direction: Direction) -> Command {
    Command::OpenCount { station: id(station), roll: id(roll), purpose, direction }
}

/// A count of what came in, forward.
pub(crate) fn open_incoming(station: &str, roll: &str) -> Command {
    open(station, &format!("roll/{roll}"), CountPurpose::Incoming, Direction::Forward)
}

pub(crate) fn open_recount(station: &str, roll: &str) -> Command {
    open(station, &format!("roll/{roll}"), CountPurpose::Recount, Direction::Rewind)
}

pub(crate) fn open_challenge(station: &str, test_roll: &str, direction: Direction) -> Command {
    open(station, &format!("test_roll/{test_roll}"), CountPurpose::Challenge, direction)
}

pub(crate) fn close(count: &Id) -> Command {
    Command::CloseCount { count: count.clone() }
}

pub(crate) fn sign(count: &Id) -> Command {
    Command::SignCount { count: count.clone() }
}

pub(crate) fn check(count: &Id) -> Command {
    Command::CheckCount { count: count.clone() }
}

pub(crate) fn abort(count: &Id) -> Command {
    Command::AbortCount { count: count.clone(), why: "the wrong roll lay on the table".to_owned() }
}

pub(crate) fn interrupt(count: &Id) -> Command {
    Command::InterruptCount { count: count.clone(), cause: "power".to_owned() }
}

pub(crate) fn leave(count: &Id, fault: FaultKind, first: u32, last: u32) -> Command {
    let count = count.clone();
    Command::DisposeFaults { count, fault, first, last, disposition: Disposition::Left, labels: None, fate: None }
}

pub(crate) fn take_out(count: &Id, fault: FaultKind, first: u32, last: u32, piece: u32) -> Command {
    Command::DisposeFaults {
        count: count.clone(),
        fault,
        first,
        last,
        disposition: Disposition::TakenOut,
        labels: Some(labels(piece)),
        fate: Some(Fate::Waste),
    }
}

pub(crate) fn set_aside(count: &Id, first: u32, last: u32) -> Command {
    Command::DisposeFaults {
        count: count.clone(),
        fault: FaultKind::WrongCode,
        first,
        last,
        disposition: Disposition::SetAside,
        labels: None,
        fate: None,
    }
}

/// Corrects what was said: taken out with a piece of so many labels, or left.
pub(crate) fn correct(count: &Id, fault: FaultKind, first: u32, last: u32, piece: Option<u32>) -> Command {
    Command::CorrectDisposition {
        count: count.clone(),
        fault,
        first,
        last,
        disposition: if piece.is_some() { Disposition::TakenOut } else { Disposition::Left },
        labels: piece.map(labels),
        fate: piece.map(|_| Fate::Specimen),
        why: "the wrong key was pressed".to_owned(),
    }
}

pub(crate) fn check_code(count: &Id, place: CodePlace, splice: Option<u32>, found: &str) -> Command {
    Command::CheckCode { count: count.clone(), place, splice, found: found.to_owned() }
}

pub(crate) fn record_check(roll: &str) -> Command {
    Command::RecordCheck {
        roll: id(roll),
        web: "clean".to_owned(),
        sensor: "cleaned".to_owned(),
        speed: "halved".to_owned(),
    }
}

pub(crate) fn lift(record: &str, cause: &str) -> Command {
    Command::LiftHold { record: id(record), cause: id(cause), why: "investigated".to_owned() }
}

pub(crate) fn conclude(station: &str, test_roll: &str, occasion: Occasion, counts: &[&Id]) -> Command {
    Command::ConcludeChallenge {
        station: id(station),
        test_roll: id(test_roll),
        occasion,
        counts: counts.iter().map(|count| (*count).clone()).collect(),
    }
}

pub(crate) fn set_up(station: &str, item: &str) -> Command {
    Command::SetUpStation {
        station: id(station),
        item: id(item),
        sensor: "gap".to_owned(),
        sensitivity: "4".to_owned(),
        speed_labels_per_min: 800,
    }
}

pub(crate) fn clear_bench(station: &str) -> Command {
    Command::ClearBench {
        station: id(station),
        places: vec!["table".to_owned(), "floor".to_owned()],
        found: "nothing".to_owned(),
    }
}

pub(crate) fn register_station(station: &str) -> Command {
    Command::RegisterStation {
        station: id(station),
        name: format!("Table {station}"),
        place: "label room".to_owned(),
        rated_labels_per_min: 1_000,
        challenge_interval_min: 60,
        link: Link::TcpOut { address: "192.0.2.7:4001".to_owned() },
    }
}

pub(crate) fn draft_plugin(digest: &[u8], version: &str) -> Command {
    Command::DraftPlugin {
        digest: Hash::of(digest),
        name: "ticket-line".to_owned(),
        version: version.to_owned(),
        counts: MachineCounts::Labels,
        emits: Observation::NAMES.iter().map(|name| (*name).to_owned()).collect(),
        files: vec![PluginFile { length: 1, path: "plugin.toml".to_owned(), sha256: Hash::of(digest) }],
    }
}

/// What a table says of a roll that it runs from end to end: every label by its code, or by the fault on it.
pub(crate) fn run_of(labels: u32, code: Option<&str>, faults: &[(u32, FaultKind)]) -> Vec<Observation> {
    let mut all = vec![Observation::Reset {}, Observation::Started {}];
    let at = |ordinal: u32| faults.iter().filter(move |(place, _)| *place == ordinal).map(|(_, kind)| *kind);
    for ordinal in 1..=labels {
        let on_label = at(ordinal).find(|kind| !kind.between_labels());
        match (on_label, code) {
            (Some(FaultKind::Unread), _) => all.push(Observation::Unread { ordinal, lane: None }),
            (Some(FaultKind::WrongCode), _) => {
                all.push(Observation::Mismatch { ordinal, found: OTHER_CODE.to_owned(), lane: None });
            }
            (Some(FaultKind::Overlap), _) => all.push(Observation::Overlap { ordinal, lane: None }),
            _ => all.push(label(ordinal, code)),
        }
        for kind in at(ordinal).filter(|kind| kind.between_labels()) {
            all.push(match kind {
                FaultKind::Missing => Observation::Missing { ordinal, lane: None },
                FaultKind::Splice => Observation::Splice { ordinal, lane: None },
                _ => Observation::WebBreak { ordinal },
            });
        }
    }
    all.extend([Observation::RollEnd { ordinal: labels }, Observation::Total { value: labels }]);
    all
}

pub(crate) fn label(ordinal: u32, code: Option<&str>) -> Observation {
    Observation::Label { ordinal, code: code.map(str::to_owned), grade_tenths: None }
}

/// What a table says of the certified test roll.
pub(crate) fn test_run() -> Vec<Observation> {
    run_of(CERTIFIED, Some(CODE), TEST_FAULTS)
}

/// Where the test roll carries its faults.
pub(crate) const TEST_FAULTS: &[(u32, FaultKind)] = &[
    (10, FaultKind::Splice),
    (20, FaultKind::Missing),
    (30, FaultKind::Unread),
    (40, FaultKind::WrongCode),
    (50, FaultKind::Splice),
];

/// The book of the plant, as the rules see it.
#[derive(Clone, Default)]
pub(crate) struct Plant {
    at: Option<Time>,
    followers: BTreeMap<Stream, Follower>,
    index: BTreeMap<Key, BTreeSet<Stream>>,
    pub(crate) log: Vec<Entry>,
    records: BTreeMap<Stream, (u64, Record)>,
}

impl Plant {
    /// The time of the next act.
    pub(crate) fn now(&self) -> Time {
        self.at.unwrap_or_else(|| "2026-03-02T06:00:00.000000Z".parse().unwrap())
    }

    pub(crate) fn minutes_later(&self, minutes: i64) -> Time {
        self.now().plus_micros(minutes * 60_000_000)
    }

    /// Lets time pass.
    pub(crate) fn wait_until(&mut self, at: Time) {
        assert!(at >= self.now());
        self.at = Some(at);
    }

    /// Decides an act and writes its entries. They are named `KIND ID`, a signature `"MEANING" ID`.
    pub(crate) fn act(&mut self, by: &By, command: Command) -> Result<Vec<String>, Refusal> {
        let key = by.account().and_then(|account| self.account_key(account));
        self.act_with(by, key, command)
    }

    fn account_key(&self, account: &AccountId) -> Option<Hash> {
        match &self.records.get(&Stream::account(account))?.1.state {
            State::Account(state) => state.current_key().map(|key| key.key),
            _ => None,
        }
    }

    /// The same with a key of one's choice, or none.
    pub(crate) fn act_with(&mut self, by: &By, key: Option<Hash>, command: Command) -> Result<Vec<String>, Refusal> {
        let context = Context { at: self.now(), by: by.clone(), key };
        // Every command has a JSON form that says the same.
        let text = serde_json::to_string(&command).unwrap();
        assert_eq!(serde_json::from_str::<Command>(&text).unwrap(), command);
        let drafts = self.decided(&context, &command)?;
        let mut names = Vec::new();
        let mut touched = BTreeSet::new();
        for draft in drafts {
            let (stream, body, why, name) = match draft {
                Draft::Entry { stream, body, why, occurred } => {
                    assert_eq!(occurred, None);
                    let name = format!("{} {}", body.kind().name, stream.id());
                    (stream, *body, why, name)
                }
                Draft::Signature { record, meaning, also } => {
                    let name = format!("\"{meaning}\" {}", record.id());
                    (record.clone(), self.signature(&context, &record, meaning, &also).into(), None, name)
                }
            };
            self.write(&context, &stream, body, why);
            names.push(name);
            touched.insert(stream);
        }
        for stream in touched {
            // A view is stored as JSON and read again.
            let (_, record) = self.records.get(&stream).unwrap();
            let text = serde_json::to_string(record).unwrap();
            assert_eq!(serde_json::from_str::<Record>(&text).unwrap(), *record);
        }
        self.at = Some(self.now().plus_micros(1_000_000));
        Ok(names)
    }

    fn decided(&self, context: &Context, command: &Command) -> Result<Vec<Draft>, Refusal> {
        let mut world = World::default();
        // No decision may ask for more: the executor gives up then.
        for _ in 0..10_000 {
            match decide(&world, context, command) {
                Ok(drafts) => return Ok(drafts),
                Err(Stop::Refused(refusal)) => {
                    self.must_speak_plainly(&refusal);
                    return Err(*refusal);
                }
                Err(Stop::Need(Need::Stream(stream))) => {
                    let record = self.records.get(&stream).map(|(_, record)| record.clone());
                    world.put(stream, record);
                }
                Err(Stop::Need(Need::Set(key))) => {
                    let streams = self.index.get(&key).into_iter().flatten().cloned().collect();
                    world.put_set(key, streams);
                }
                Err(Stop::Need(Need::Count(thing))) => world.put_count(thing, self.count(thing)),
            }
        }
        panic!("the decision has lost its way");
    }

    fn must_speak_plainly(&self, refusal: &Refusal) {
        let sentence = |text: &str| {
            text.ends_with('.')
                && !text.contains("..")
                && text.starts_with(|c: char| c.is_uppercase() || c.is_ascii_digit() || c == '"')
        };
        let internal = refusal.kind == crate::RefusalKind::Internal;
        assert!(internal || sentence(&refusal.text), "{refusal}");
        assert!(sentence(&refusal.remedy), "{refusal}");
        assert!(refusal.code.bytes().all(|b| b.is_ascii_lowercase() || b == b'-'), "{}", refusal.code);
    }

    fn count(&self, thing: Thing) -> u64 {
        self.records.keys().filter(|stream| stream.thing() == thing.as_str()).count() as u64
    }

    fn signature(&self, context: &Context, record: &Stream, meaning: &str, also: &[Stream]) -> SignatureApplied {
        let By::Person(person) = &context.by else { panic!("only a person signs") };
        let cover = |stream: &Stream| Cover { rev: self.records.get(stream).unwrap().0, root: Hash([0; 32]) };
        SignatureApplied {
            account: person.account.clone(),
            covers: std::iter::once(record).chain(also).map(|stream| (stream.clone(), cover(stream))).collect(),
            key: context.key.unwrap(),
            meaning: meaning.to_owned(),
            name: person.name.clone(),
            record: record.clone(),
            role: person.role,
            sig: "AA==".to_owned(),
        }
    }

    fn write(&mut self, context: &Context, stream: &Stream, body: Body, why: Option<String>) {
        let before = self.records.remove(stream);
        let rev = before.as_ref().map_or(0, |(rev, _)| *rev) + 1;
        let kind = body.kind();
        let header = Header {
            act: None,
            at: context.at,
            book: id("a.example"),
            by: context.by.clone(),
            kind: kind.name.to_owned(),
            n: self.log.len() as u64,
            occurred: None,
            prev: Hash([0; 32]),
            rev,
            stream: stream.clone(),
            v: kind.v,
            why,
        };
        let entry = Entry { header, body };
        // What is written can be written, is not too long, and says the same when it is read.
        let bytes = entry.to_bytes().unwrap();
        assert_eq!(Entry::read(&bytes).unwrap(), entry);
        let old: BTreeSet<Key> = before.iter().flat_map(|(_, record)| record.keys(stream)).collect();
        let record = evolve(before.map(|(_, record)| record), &entry).unwrap();
        let new: BTreeSet<Key> = record.keys(stream).into_iter().collect();
        for key in old.difference(&new) {
            self.index.get_mut(key).unwrap().remove(stream);
        }
        for key in new.difference(&old) {
            self.index.entry(key.clone()).or_default().insert(stream.clone());
        }
        self.records.insert(stream.clone(), (rev, record));
        self.log.push(entry);
    }

    /// Writes an entry that no rule decided.
    pub(crate) fn writes(&mut self, by: &By, stream: &str, body: Body) {
        let context = Context { at: self.now(), by: by.clone(), key: None };
        self.write(&context, &id(stream), body, None);
    }

    /// Does an act that must succeed.
    #[track_caller]
    pub(crate) fn did(&mut self, by: &By, command: Command) -> Vec<String> {
        let shown = format!("{command:?}");
        self.act(by, command).unwrap_or_else(|refusal| panic!("{}: {refusal}\n{shown}", refusal.code))
    }

    /// Does an act that must make just these entries.
    #[track_caller]
    pub(crate) fn makes(&mut self, by: &By, command: Command, entries: &[&str]) {
        assert_eq!(self.did(by, command), entries);
    }

    /// Tries an act that must be refused with that code.
    #[track_caller]
    pub(crate) fn refuses(&mut self, by: &By, command: Command, code: &str) {
        let shown = format!("{command:?}");
        match self.act(by, command) {
            Err(refusal) => assert_eq!(refusal.code, code, "{refusal}\n{shown}"),
            Ok(entries) => panic!("done: {entries:?}\n{shown}"),
        }
    }

    pub(crate) fn record(&self, stream: &str) -> &Record {
        &self.records.get(&id::<Stream>(stream)).unwrap().1
    }

    pub(crate) fn roll(&self, roll: &str) -> &RollState {
        match &self.record(&format!("roll/{roll}")).state {
            State::Roll(state) => state,
            _ => panic!("no roll"),
        }
    }

    pub(crate) fn count_state(&self, count: &Id) -> &CountState {
        match &self.record(&format!("count/{count}")).state {
            State::Count(state) => state,
            _ => panic!("no count"),
        }
    }

    pub(crate) fn station(&self, station: &str) -> &StationState {
        match &self.record(&format!("station/{station}")).state {
            State::Station(state) => state,
            _ => panic!("no station"),
        }
    }

    /// The last entry of a kind.
    #[track_caller]
    pub(crate) fn last(&self, kind: &str) -> &Entry {
        self.log.iter().rev().find(|entry| entry.header.kind == kind).unwrap()
    }

    /// Opens a count that must open.
    #[track_caller]
    pub(crate) fn opened(&mut self, by: &By, command: Command) -> Id {
        self.did(by, command);
        let Body::CountOpened(_) = &self.last("count.opened").body else { panic!("no count") };
        self.last("count.opened").header.stream.id()
    }

    /// The piece that a capture would make of what the machine says now.
    pub(crate) fn piece(&mut self, count: Option<&Id>, observations: &[Observation]) -> Piece {
        let count: Option<Stream> = count.map(|count| id(&format!("count/{count}")));
        let offset = match count.as_ref().and_then(|count| self.records.get(count)) {
            Some((_, Record { state: State::Count(state), .. })) => state.bytes.get(LINK).copied().unwrap_or(0),
            _ => 0,
        };
        let mut at = offset;
        let located: Vec<Located> = observations
            .iter()
            .map(|seen| {
                at += 10;
                Located { from: at - 10, to: at, seen: seen.clone() }
            })
            .collect();
        let follower = count.clone().map(|count| self.followers.entry(count).or_default());
        let summary = follower.unwrap_or(&mut Follower::default()).follow(&located);
        Piece {
            count,
            codes: summary.codes,
            events: summary.events,
            ordinals: summary.ordinals,
            labels: summary.labels,
            length: at - offset,
            // Some tests say what no plugin can; the capture would not get this far with it.
            lines: lines_hash(&located).unwrap_or(Hash([0; 32])),
            link: LINK.to_owned(),
            observed: u32::try_from(located.len()).unwrap(),
            offset,
            irregular: summary.irregular,
            sha256: Hash([0; 32]),
            total: summary.total,
        }
    }

    /// The machine at a station says this in a count.
    #[track_caller]
    pub(crate) fn says(&mut self, station: &str, count: &Id, observations: &[Observation]) -> Vec<String> {
        let piece = self.piece(Some(count), observations);
        self.did(&machine(station), Command::Observe { station: id(station), piece: Box::new(piece) })
    }

    /// Counts a roll from end to end and closes the count; nothing is signed.
    #[track_caller]
    pub(crate) fn counted(&mut self, station: &str, command: Command, run: &[Observation]) -> Id {
        let count = self.opened(&room(), command);
        for observations in run.chunks(60) {
            self.says(station, &count, observations);
        }
        self.did(&room(), close(&count));
        count
    }

    /// Counts a roll from end to end, leaves every fault on it and signs.
    #[track_caller]
    pub(crate) fn signed(&mut self, station: &str, command: Command, run: &[Observation]) -> Id {
        let count = self.counted(station, command, run);
        self.leave_all(&count);
        self.did(&room(), sign(&count));
        count
    }

    /// Leaves every fault of a count on the roll, and sets it aside for wrong codes.
    #[track_caller]
    pub(crate) fn leave_all(&mut self, count: &Id) {
        let kinds: BTreeSet<FaultKind> = self.count_state(count).faults.iter().map(|fault| fault.fault).collect();
        for kind in kinds {
            let command = match kind {
                FaultKind::WrongCode => set_aside(count, 0, u32::MAX),
                _ => leave(count, kind, 0, u32::MAX),
            };
            self.did(&room(), command);
        }
    }

    /// Runs the test roll one way.
    #[track_caller]
    pub(crate) fn test_ran(&mut self, station: &str, direction: Direction, run: &[Observation]) -> Id {
        self.counted(station, open_challenge(station, "T-1", direction), run)
    }

    /// A challenge that passes.
    #[track_caller]
    pub(crate) fn challenged(&mut self, station: &str) -> Vec<String> {
        let forward = self.test_ran(station, Direction::Forward, &test_run());
        let back = self.test_ran(station, Direction::Rewind, &test_run());
        self.did(&room(), conclude(station, "T-1", Occasion::Interval, &[&forward, &back]))
    }

    /// A challenge that fails: one label too many.
    #[track_caller]
    pub(crate) fn challenge_failed(&mut self, station: &str) -> Vec<String> {
        let run = self.test_ran(station, Direction::Forward, &run_of(CERTIFIED + 1, Some(CODE), TEST_FAULTS));
        self.did(&room(), conclude(station, "T-1", Occasion::Interval, &[&run]))
    }

    pub(crate) fn enrolled(&mut self, account: &str, roles: &[Role]) {
        self.did(
            &admin(),
            Command::EnrolAccount {
                account: id(account),
                name: name(account),
                roles: grants(roles),
                identity: "identity card seen".to_owned(),
            },
        );
        self.sits_down(account);
        let person = person(account, *roles.first().unwrap());
        self.did(&person, enrol_key(account, 1));
        self.did(&reviewer(), Command::ConfirmIdentity { account: id(account) });
    }

    pub(crate) fn sits_down(&mut self, account: &str) {
        let expires = self.now().plus_micros(400 * 86_400 * 1_000_000);
        let session = id(&format!("S-{account}"));
        let command = Command::OpenSession { session, account: id(account), device: id("DEVICE-1"), expires };
        self.did(&system(), command);
    }

    /// A founder who has set a password of their own, and whom nobody has confirmed yet.
    pub(crate) fn founder(&mut self, account: &str, role: Role) {
        let account_id = id(account);
        self.did(&system(), Command::FoundAccount { account: account_id, name: name(account), roles: vec![role] });
        self.sits_down(account);
        self.did(&person(account, role), enrol_key(account, 1));
    }

    /// Two founders who have confirmed each other.
    pub(crate) fn founded() -> Self {
        let mut plant = Self::default();
        plant.founder("U-0001", Role::Administrator);
        plant.founder("U-0002", Role::Reviewer);
        plant.did(&admin(), Command::ConfirmIdentity { account: id("U-0002") });
        plant.did(&reviewer(), Command::ConfirmIdentity { account: id("U-0001") });
        plant
    }

    /// With everybody in it.
    pub(crate) fn peopled() -> Self {
        let mut plant = Self::founded();
        plant.enrolled("U-0003", &[Role::LabelRoom]);
        plant.enrolled("U-0004", &[Role::LabelRoom]);
        plant.enrolled("U-0005", &[Role::IncomingExaminer]);
        plant.enrolled("U-0006", &[Role::Supervisor]);
        plant.enrolled("U-0007", &[Role::Line]);
        plant.enrolled("U-0008", &[Role::Auditor]);
        plant.enrolled("U-0009", &[Role::Reviewer]);
        let hats = [Role::LabelRoom, Role::IncomingExaminer, Role::Supervisor, Role::Reviewer];
        plant.enrolled("U-0010", &hats);
        plant
    }

    /// With supplier, items, plugin and test rolls, and a station that is bound and qualified, its link up.
    pub(crate) fn furnished() -> Self {
        let mut plant = Self::peopled();
        plant.did(
            &supervisor(),
            Command::RegisterSupplier { supplier: id("SU-1"), name: "Printwerk".to_owned(), site: "Hall 2".to_owned() },
        );
        let coded = item_draft("L-100", "A");
        let plain = ItemDrafted {
            counts: CountRule::TwoAgree,
            expected_code: None,
            relies_on: [FaultKind::Missing].into(),
            ..item_draft("L-200", "A")
        };
        for (item, draft) in [(CODED, coded), (PLAIN, plain)] {
            plant.did(&supervisor(), Command::DraftItem { item: id(item), draft: Box::new(draft) });
            plant.did(&reviewer(), Command::ApproveItem { item: id(item), specimen: specimen() });
            plant.did(&reviewer(), Command::ApproveSupplier { supplier: id("SU-1"), item: id(item) });
        }
        plant.did(&supervisor(), draft_plugin(b"plugin", "1.0.0"));
        plant.did(&reviewer(), Command::ApprovePlugin { plugin: id("P-000001") });
        let expires = plant.now().plus_micros(300 * 86_400 * 1_000_000);
        plant.did(
            &supervisor(),
            Command::RegisterTestRoll {
                test_roll: id("T-1"),
                certificate: "CE-1".to_owned(),
                certified: labels(CERTIFIED),
                code: Some(CODE.to_owned()),
                expires,
                faults: [
                    (FaultKind::Splice, 2),
                    (FaultKind::Missing, 1),
                    (FaultKind::Unread, 1),
                    (FaultKind::WrongCode, 1),
                ]
                .into(),
            },
        );
        plant.did(&reviewer(), Command::CertifyTestRoll { test_roll: id("T-1") });
        plant.station_stands("ST-1");
        plant
    }

    /// A station that is registered, qualified and bound, its link up.
    pub(crate) fn station_stands(&mut self, station: &str) {
        self.did(&supervisor(), register_station(station));
        let valid_until = self.now().plus_micros(300 * 86_400 * 1_000_000);
        let basis = "report QR-1".to_owned();
        self.did(&reviewer(), Command::QualifyStation { station: id(station), basis, valid_until });
        self.did(&supervisor(), Command::BindPlugin { station: id(station), plugin: id("P-000001") });
        self.did(&system(), Command::RestoreLink { station: id(station), link: LINK.to_owned() });
    }

    /// Takes a delivery in and through to its release.
    pub(crate) fn released(&mut self, delivery: &str, item: &str, rolls: &[&str]) {
        let stated: Vec<(&str, u32)> = rolls.iter().map(|roll| (*roll, 100)).collect();
        self.did(&room(), receive(delivery, item, &stated));
        self.did(&examiner(), examine(delivery, rolls, ExaminationResult::Accept));
        self.did(&reviewer(), release(delivery));
    }

    /// Ready to count: deliveries released, the station set up for [`CODED`] and challenged.
    pub(crate) fn ready() -> Self {
        let mut plant = Self::furnished();
        plant.released("D-1", CODED, &["R-1", "R-2", "R-3"]);
        plant.released("D-2", PLAIN, &["R-4", "R-5"]);
        plant.did(&room(), set_up("ST-1", CODED));
        plant.challenged("ST-1");
        plant
    }

    /// The same, set up for [`PLAIN`], of which two counts must agree.
    pub(crate) fn ready_for_two() -> Self {
        let mut plant = Self::furnished();
        plant.released("D-2", PLAIN, &["R-4", "R-5"]);
        plant.did(&room(), set_up("ST-1", PLAIN));
        plant.challenged("ST-1");
        plant
    }
}

/// Compares a text with the file that is kept of it in `tests/golden`. With `UPDATE_GOLDEN=1` the file is written
/// anew: its diff is then what somebody looks at.
#[track_caller]
pub(crate) fn golden(name: &str, text: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(name);
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    for (line, (kept, now)) in kept.lines().zip(text.lines()).enumerate() {
        assert_eq!(now, kept, "{name}, line {}; UPDATE_GOLDEN=1 writes it anew", line + 1);
    }
    assert_eq!(text.lines().count(), kept.lines().count(), "{name} has another length; UPDATE_GOLDEN=1 writes it anew");
}
