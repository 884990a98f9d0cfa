//! Every command: what a person, a machine's capture or the software itself may ask for.

use std::collections::{BTreeMap, BTreeSet};
use tallyseal_schema::kinds::ClearanceWhen;
use tallyseal_schema::kinds::ClearedPlace;
use tallyseal_schema::kinds::Contents;
use tallyseal_schema::kinds::DeviationDecision;
use tallyseal_schema::kinds::ExaminationVerdict;
use tallyseal_schema::kinds::HandCounted;
use tallyseal_schema::kinds::InterimDecision;
use tallyseal_schema::kinds::LimitSetDrafted;
use tallyseal_schema::kinds::LineDevice;
use tallyseal_schema::kinds::NoTimeStamp;
use tallyseal_schema::kinds::OrderPlanned;
use tallyseal_schema::kinds::OverrideKind;
use tallyseal_schema::kinds::RollChoice;
use tallyseal_schema::kinds::RollRan;
use tallyseal_schema::kinds::Source;
use tallyseal_schema::kinds::Term;
use tallyseal_schema::kinds::Unwind;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    AccessRefused, AccountKeyEnrolled, CodePlace, CountPurpose, Direction, Disposition, ExaminationResult, Fate,
    FaultKind, Grant, ItemDrafted, Link, MachineCounts, ObsoleteRule, Occasion, OtherHistory, PluginDrafted,
    PluginFile, RecordExported, RemarkMade, Role, RollStated, SessionEnd, Severity, Specimen, StationRegistered,
    StationSetUp, StationWork, TestRollRegistered,
};
use tallyseal_schema::observation::Located;
use tallyseal_schema::{Hash, Labels, Time};

use crate::refusal::Refusal;
use crate::text::{line, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};
use crate::{
    account, book, challenge, codes, container, count, delivery, deviation, giving_back, hand_count, issue, item,
    limits, line, observe, order, overrides, plugin, quantity, reconciliation, review, roll, session, station,
};

/// Captured bytes of a machine and what its plugin saw in them: one flush of the capture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Piece {
    /// The count that the capture believed to be open; `None`: none.
    pub count: Option<Stream>,
    /// Runs of equal read codes, in order: the code, first and last ordinal, and the bytes of the run's frames.
    pub codes: Vec<CodeRun>,
    /// Everything but labels and totals, in order.
    pub events: Vec<Located>,
    /// First and last ordinal of the labels seen one by one.
    pub ordinals: Option<(u32, u32)>,
    /// Labels seen one by one.
    pub labels: u32,
    /// How many bytes.
    pub length: u64,
    /// SHA-256 over the canonical lines of all its observations.
    pub lines: Hash,
    /// On which link.
    pub link: String,
    /// How many observations.
    pub observed: u32,
    /// First byte in the count's byte stream on that link, from 0.
    pub offset: u64,
    /// What the capture saw go wrong inside the piece's labels: gaps and falls of ordinals or totals.
    pub irregular: Vec<Irregular>,
    /// SHA-256 of the bytes.
    pub sha256: Hash,
    /// The machine's last running total in it, after the last reset in it.
    pub total: Option<u32>,
}

/// A run of labels that carried one code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CodeRun {
    /// What was read.
    pub code: String,
    /// Ordinal of the first label.
    pub first: u32,
    /// First byte of the first label's frame.
    pub from: u64,
    /// Ordinal of the last label.
    pub last: u32,
    /// First byte after the last label's frame.
    pub to: u64,
}

/// Most streams that one export may name, so that the entry which lists them stays within its size.
const EXPORTED_MAX: usize = 3_000;

/// A number of the machine that does not follow from the one before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Irregular {
    /// Ordinals left a gap.
    OrdinalGap {
        /// The one before.
        before: u32,
        /// The one after.
        after: u32,
    },
    /// Ordinals went backwards or stood.
    OrdinalFell {
        /// The one before.
        before: u32,
        /// The one after.
        after: u32,
    },
    /// The total fell.
    TotalFell {
        /// The one before.
        before: u32,
        /// The one after.
        after: u32,
    },
    /// The total rose by more than the labels that were told one by one.
    TotalJumped {
        /// The one before.
        before: u32,
        /// The one after.
        after: u32,
        /// Labels told between them.
        labels: u32,
    },
    /// The total was set back after something had passed.
    TotalReset {
        /// The total, or the last ordinal where there was none.
        before: u32,
    },
}

/// One command. The JSON form is `{"do": NAME, ...fields}`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "json-schema", derive(schemars::JsonSchema))]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
#[expect(missing_docs, reason = "the fields are those of the entry that the command makes; they are explained there")]
pub enum Command {
    /// The software opens a founder's account (only while the book has fewer than two).
    FoundAccount { account: AccountId, name: String, roles: Vec<Role> },
    /// An administrator opens an account for a person whose identity was checked.
    EnrolAccount { account: AccountId, name: String, roles: Vec<Grant>, identity: String },
    /// A person's new signing key is enrolled (the software made it when the password was set).
    EnrolKey { account: AccountId, key: Hash, public_key: String, previous: Option<Hash>, proof: String },
    /// A second account confirms a person's identity over their key. Signature.
    ConfirmIdentity { account: AccountId },
    /// An administrator changes what a person may act as, or renews it after a training.
    ChangeRoles { account: AccountId, roles: Vec<Grant>, why: String },
    /// An administrator disables an account, for ever.
    DisableAccount { account: AccountId, why: String },
    /// An administrator has a one-time secret made in place of a person's password, which is lost.
    ResetPassword { account: AccountId, why: String },
    /// An administrator marks a person's signing key that somebody else may have held: what it signed at entry `from` and
    /// after does not stand.
    CompromiseKey { account: AccountId, key: Hash, from: u64, why: String },
    /// An administrator marks a key of the book that somebody else may have held: its checkpoints of size `from` and
    /// larger prove nothing by themselves.
    CompromiseBookKey { key: Hash, from: u64, why: String },
    /// Too many wrong passwords were given for an account (the software counted them).
    LockAccount { account: AccountId, failures: u32, until: Time },
    /// An administrator lets a locked account be signed in to again, before its time.
    UnlockAccount { account: AccountId, why: String },
    /// A person changed their own password; the key stays.
    ChangePassword {},
    /// A person signed in (the software checked the password).
    OpenSession { session: Id, account: AccountId, device: Id, expires: Time },
    /// A session ends.
    EndSession { session: Id, cause: SessionEnd },
    /// Nobody used a session for so long (the software measured it).
    LockSession { session: Id, idle_seconds: u64 },
    /// A person goes on in their locked session (the software checked account and password).
    UnlockSession {},
    /// A wrong password was given at a signature.
    RefusePassword { purpose: String, record: Option<Stream> },
    /// The software refused a person something before any rule was asked, for a rule's reason.
    NoteRefusal { code: String, command: String, record: Option<Stream>, text: String },
    /// Strangers were refused.
    NoteStrangers { source: String, count: u32, from: Time, to: Time },
    /// The server was told at its start which witnesses to ask, by their keys.
    NameWitnesses { witnesses: Vec<String> },
    /// A witness has not cosigned for a while. `since`: when it did last; `size`: how much.
    LoseWitness { witness: String, since: Option<Time>, size: u64, cause: String },
    /// A witness that was lost cosigned so many entries.
    RestoreWitness { witness: String, size: u64 },
    /// A witness knows another history of this book, of `known` entries.
    NoteFork { witness: String, size: u64, known: u64, history: OtherHistory },
    /// The server was told at its start which time-stamping authority to ask, and with which certificates (SHA-256).
    NameTimeAuthority { authority: Option<String>, certificates: Vec<Hash> },
    /// The newest checkpoint has no time-stamp token. `since`, `size`: of the last good one.
    LoseTimeStamp { authority: String, how: NoTimeStamp, since: Option<Time>, size: u64, cause: String },
    /// There is a good one again: the authority's time, and the size that it covers.
    RestoreTimeStamp { authority: String, at: Time, size: u64 },
    /// A receipt was shown that this book contradicts. `checkpoint`: what proves it.
    NoteReceipt { account: Option<AccountId>, n: u64, leaf: Hash, ours: Option<Hash>, checkpoint: Option<String> },
    /// Something worth keeping is written down; a remark is never deleted.
    Remark { record: Stream, text: String },
    /// A supplier is registered.
    RegisterSupplier { supplier: Id, name: String, site: String },
    /// Quality approves a supplier for an item. Signature.
    ApproveSupplier { supplier: Id, item: Id },
    /// One revision of one label is drafted; another person of the quality unit approves it.
    DraftItem { item: Id, draft: Box<ItemDrafted> },
    /// Quality approves an item revision against a specimen. Signature.
    ApproveItem { item: Id, specimen: Specimen },
    /// An item revision becomes obsolete. Signature.
    ObsoleteItem { item: Id, rule: ObsoleteRule, last_use: Option<Time>, why: String },
    /// A shipment arrives: every roll is scanned in, and all of it stands in quarantine.
    ReceiveDelivery {
        delivery: Id,
        item: Id,
        supplier: Id,
        supplier_lot: String,
        maker: String,
        receiving_code: String,
        condition: String,
        place: String,
        rolls: Vec<RollStated>,
    },
    /// A shipment is examined. Signature.
    ExamineDelivery {
        delivery: Id,
        plan: String,
        reached: String,
        rolls: Vec<Id>,
        sampled: Labels,
        critical: u32,
        major: u32,
        minor: u32,
        specimen: Specimen,
        result: ExaminationResult,
    },
    /// Quality releases a shipment. Signature.
    ReleaseDelivery { delivery: Id },
    /// Quality rejects a shipment. Signature.
    RejectDelivery { delivery: Id, why: String },
    /// Quality lifts a hold. Signature.
    LiftHold { record: Stream, cause: Id, why: String },
    /// A roll is put at another place in the store.
    MoveRoll { roll: Id, place: String },
    /// Web, sensor and speed were checked because two counts differ.
    RecordCheck { roll: Id, web: String, sensor: String, speed: String },
    /// A station is registered.
    RegisterStation {
        station: Id,
        name: String,
        place: String,
        rated_labels_per_min: u32,
        challenge_interval_min: u32,
        link: Link,
    },
    /// Quality declares a station qualified. Signature.
    QualifyStation { station: Id, basis: String, valid_until: Time },
    /// A station is bound to an approved plugin.
    BindPlugin { station: Id, plugin: Id },
    /// The bench is cleared.
    ClearBench { station: Id, places: Vec<String>, found: String },
    /// A station is set up for an item.
    SetUpStation { station: Id, item: Id, sensor: String, sensitivity: String, speed_labels_per_min: u32 },
    /// Work on a station is logged.
    LogStationWork { station: Id, work: StationWork, text: String },
    /// A certified test roll is registered.
    RegisterTestRoll {
        test_roll: Id,
        certificate: String,
        certified: Labels,
        code: Option<String>,
        expires: Time,
        faults: BTreeMap<FaultKind, u32>,
    },
    /// Quality accepts a test roll's certificate. Signature.
    CertifyTestRoll { test_roll: Id },
    /// A test roll goes out of use.
    WithdrawTestRoll { test_roll: Id, why: String },
    /// A version of a plugin is loaded as a draft (the software read its files and computed the digest).
    DraftPlugin {
        digest: Hash,
        name: String,
        version: String,
        counts: MachineCounts,
        emits: BTreeSet<String>,
        files: Vec<PluginFile>,
    },
    /// Quality approves a plugin. Signature.
    ApprovePlugin { plugin: Id },
    /// A roll or a test roll goes onto the counting table: its count begins.
    OpenCount { station: Id, roll: Stream, purpose: CountPurpose, direction: Direction },
    /// The capture of a station hands over what the machine said.
    #[cfg_attr(feature = "json-schema", schemars(skip))]
    Observe { station: Id, piece: Box<Piece> },
    /// The link to a station was lost.
    LoseLink { station: Id, link: String, cause: String },
    /// The link to a station is there.
    RestoreLink { station: Id, link: String },
    /// Nothing was heard from a station in the middle of a count.
    NoteSilence { station: Id, seconds: u32 },
    /// A count is closed at the end of the roll.
    CloseCount { count: Id },
    /// A count is interrupted: power, link or web lost.
    InterruptCount { count: Id, cause: String },
    /// A count is given up, with a reason. A whole run and a closed count only by a supervisor who did not run it.
    AbortCount { count: Id, why: String },
    /// Faults of one kind in a range are disposed of.
    DisposeFaults {
        count: Id,
        fault: FaultKind,
        first: u32,
        last: u32,
        disposition: Disposition,
        labels: Option<Labels>,
        fate: Option<Fate>,
    },
    /// What was said of the faults of one kind in a range is corrected, before the count is signed.
    CorrectDisposition {
        count: Id,
        fault: FaultKind,
        first: u32,
        last: u32,
        disposition: Disposition,
        labels: Option<Labels>,
        fate: Option<Fate>,
        why: String,
    },
    /// The code of one label is read by hand, where the station read none. Beside a splice, the ordinal of the splice
    /// is given.
    CheckCode { count: Id, place: CodePlace, splice: Option<u32>, found: String },
    /// The person who counted signs. Signature.
    SignCount { count: Id },
    /// A second person checks a signed count. Signature.
    CheckCount { count: Id },
    /// The runs of a test roll are concluded: passed or failed. Without runs, before a repair or a move: failed.
    /// Signature.
    ConcludeChallenge { station: Id, test_roll: Id, occasion: Occasion, counts: Vec<Id> },
    /// Something is not as it should be: it is written down, and somebody investigates it.
    OpenDeviation { about: Vec<Stream>, severity: Severity, text: String },
    /// A packaging line is registered.
    RegisterLine { line: Id, name: String, place: String, devices: Vec<LineDevice> },
    /// Devices of a line were exchanged or calibrated.
    ChangeLineDevices { line: Id, devices: Vec<LineDevice>, why: String },
    /// A line is cleared for an order. Signature.
    PerformClearance { line: Id, order: Id, when: ClearanceWhen, places: Vec<ClearedPlace> },
    /// A second person checks a clearance. Signature.
    CheckClearance { clearance: Id },
    /// Limits for one label are proposed; another person of the quality unit approves them.
    DraftLimits { limit_set: Id, draft: Box<LimitSetDrafted> },
    /// Quality approves limits. Signature.
    ApproveLimits { limit_set: Id },
    /// Limits go out of use.
    WithdrawLimits { limit_set: Id, why: String },
    /// A packaging order is planned, with its product lots and the labels that it needs.
    PlanOrder { order: Id, plan: Box<OrderPlanned> },
    /// An order will not be run.
    VoidOrder { order: Id, why: String },
    /// A roll is examined against the approved specimen before it is issued.
    ExamineBeforeIssue {
        order: Id,
        material: u16,
        roll: Id,
        verdict: ExaminationVerdict,
        specimen: Specimen,
        code_read: Option<String>,
        unwind: Unwind,
        choice: Option<RollChoice>,
    },
    /// The label room gives rolls to an order. Signature.
    GiveIssue { order: Id, material: u16, rolls: Vec<Id>, extra: Option<Id> },
    /// The line takes them over. Signature.
    TakeIssue { issue: Id },
    /// Rolls that were given and not taken over go back.
    WithdrawIssue { issue: Id, why: String },
    /// A roll is scanned in at its line.
    ReceiveAtLine { order: Id, material: u16, roll: Id },
    /// An order starts on its line.
    StartOrder { order: Id, clearance: Id },
    /// A roll is put on a dispenser.
    MountRoll { order: Id, material: u16, roll: Id, device: Id, code_read: Option<String> },
    /// A roll comes off its dispenser.
    DismountRoll { order: Id, material: u16, roll: Id, ran: RollRan },
    /// The line stands.
    InterruptOrder { order: Id, cause: String },
    /// The line runs again.
    ResumeOrder { order: Id, clearance: Option<Id> },
    /// A quantity of labels on the line is recorded.
    RecordQuantity {
        order: Id,
        material: u16,
        term: Term,
        source: Source,
        purpose: Option<String>,
        overdue: Option<Id>,
    },
    /// Finished units are recorded.
    RecordUnits { order: Id, lot: String, source: Source, overdue: Option<Id> },
    /// A recorded quantity was wrong.
    WithdrawQuantity { order: Id, quantity: u32, why: String },
    /// The line has run the order to its end.
    FinishOrder { order: Id, clearance: Id },
    /// The line hands a roll back, sealed and uncounted.
    GiveBack { order: Id, material: u16, roll: Id, seal: String },
    /// The label room takes a roll back: a coded tail into a container, the rest as a new roll.
    TakeBack {
        order: Id,
        material: u16,
        roll: Id,
        seal_intact: bool,
        tail: Option<Id>,
        container: Option<Id>,
        rest: Option<Id>,
        place: String,
    },
    /// Quality releases a roll that came back. Signature.
    ReleaseReturn { roll: Id },
    /// Something is to be counted by hand, blind, by two people.
    OpenHandCount { order: Id, material: Option<u16>, what: HandCounted },
    /// One person says how many.
    EnterHandCount { hand_count: Id, labels: Labels },
    /// A container is opened for labels that wait for destruction.
    OpenContainer { container: Id, order: Id, material: u16, contents: Contents, place: String },
    /// Labels counted by hand are put in.
    FillContainer { container: Id, hand_count: Id },
    /// A container is sealed. Signature.
    SealContainer { container: Id, seal: String },
    /// Quality lets a container be destroyed although the account is outside its limits. Signature.
    ConsentDestruction { container: Id, why: String },
    /// A container is destroyed; the witness signs next. Signature.
    DeclareDestruction { container: Id, labels: Labels, method: String, place: String, late: Option<Id> },
    /// A witness who was there signs. Signature.
    WitnessDestruction { container: Id },
    /// A material line is reconciled. Signature.
    Reconcile { order: Id, material: u16 },
    /// A named person checks the computed result. Signature.
    CheckReconciliation { reconciliation: Id },
    /// The person responsible for packaging signs. Signature.
    SignForPackaging { order: Id },
    /// Quality has reviewed the record and its audit trail. Signature.
    ReviewOrder { order: Id, statement: String },
    /// Quality approves the label record. Signature.
    ApproveOrder { order: Id },
    /// Quality rejects the label record. Signature.
    RejectOrder { order: Id, why: String },
    /// A record is opened again; everything stays in it.
    ReopenOrder { order: Id, why: String },
    /// A rule of the closed list is asked to be set aside, once. An extra issue says of which material line and how many
    /// labels at most, an overdue device which one.
    RequestOverride {
        kind: OverrideKind,
        order: Id,
        about: Stream,
        #[serde(default)]
        material: Option<u16>,
        #[serde(default)]
        labels: Option<Labels>,
        #[serde(default)]
        device: Option<Id>,
        why: String,
    },
    /// A second person grants it. Signature.
    GrantOverride { over: Id },
    /// A second person refuses it.
    RefuseOverride { over: Id, why: String },
    /// The gravity of a deviation is judged.
    AssessDeviation { deviation: Id, severity: Severity, impact: String, why: String },
    /// Further things are touched by a deviation.
    ExtendScope { deviation: Id, about: Vec<Stream>, why: String },
    /// What may go on until a deviation is decided.
    DecideInterim { deviation: Id, decision: InterimDecision, text: String },
    /// A deviation was investigated. Signature.
    Investigate { deviation: Id, cause: String, others: String, conclusion: String, follow_up: String },
    /// A deviation is to be closed later.
    ExtendDue { deviation: Id, due: Time, why: String },
    /// Quality decides, and approves the investigation. Signature.
    DecideDeviation { deviation: Id, decision: DeviationDecision, text: String },
    /// A deviation is closed.
    CloseDeviation { deviation: Id },
    /// A sealed record was made (the software made it).
    NoteExport { record: Stream, manifest: Hash, pdf: Option<Hash>, streams: BTreeMap<Stream, u64> },
}

impl Command {
    /// The name of the command, as in its JSON form.
    pub const fn name(&self) -> &'static str {
        self.authority().command
    }

    /// What the command is about: the stream that a refusal names, and whose page it is given on.
    pub fn about(&self) -> Option<Stream> {
        use Command as C;
        let (thing, id) = match self {
            C::FoundAccount { account, .. }
            | C::EnrolAccount { account, .. }
            | C::EnrolKey { account, .. }
            | C::ConfirmIdentity { account }
            | C::ChangeRoles { account, .. }
            | C::DisableAccount { account, .. }
            | C::ResetPassword { account, .. }
            | C::CompromiseKey { account, .. }
            | C::LockAccount { account, .. }
            | C::UnlockAccount { account, .. } => return Some(Stream::account(account)),
            C::CompromiseBookKey { .. } => return Some(Stream::book()),
            C::OpenSession { session, .. } | C::EndSession { session, .. } | C::LockSession { session, .. } => {
                (Thing::Session, session)
            }
            C::RefusePassword { record, .. } | C::NoteRefusal { record, .. } => return record.clone(),
            C::Remark { record, .. } | C::LiftHold { record, .. } | C::NoteExport { record, .. } => {
                return Some(record.clone());
            }
            C::OpenDeviation { about, .. } => return about.first().cloned(),
            C::OpenCount { roll, .. } => return Some(roll.clone()),
            C::NoteStrangers { .. } | C::ChangePassword {} | C::UnlockSession {} | C::DraftPlugin { .. } => {
                return None;
            }
            C::NameWitnesses { .. }
            | C::LoseWitness { .. }
            | C::RestoreWitness { .. }
            | C::NoteFork { .. }
            | C::NameTimeAuthority { .. }
            | C::LoseTimeStamp { .. }
            | C::RestoreTimeStamp { .. }
            | C::NoteReceipt { .. } => return Some(Stream::book()),
            C::RegisterSupplier { supplier, .. } | C::ApproveSupplier { supplier, .. } => (Thing::Supplier, supplier),
            C::DraftItem { item, .. } | C::ApproveItem { item, .. } | C::ObsoleteItem { item, .. } => {
                (Thing::Item, item)
            }
            C::ReceiveDelivery { delivery, .. }
            | C::ExamineDelivery { delivery, .. }
            | C::ReleaseDelivery { delivery }
            | C::RejectDelivery { delivery, .. } => (Thing::Delivery, delivery),
            C::MoveRoll { roll, .. } | C::RecordCheck { roll, .. } => (Thing::Roll, roll),
            C::RegisterStation { station, .. }
            | C::QualifyStation { station, .. }
            | C::BindPlugin { station, .. }
            | C::ClearBench { station, .. }
            | C::SetUpStation { station, .. }
            | C::LogStationWork { station, .. }
            | C::Observe { station, .. }
            | C::LoseLink { station, .. }
            | C::RestoreLink { station, .. }
            | C::NoteSilence { station, .. }
            | C::ConcludeChallenge { station, .. } => (Thing::Station, station),
            C::RegisterTestRoll { test_roll, .. }
            | C::CertifyTestRoll { test_roll }
            | C::WithdrawTestRoll { test_roll, .. } => (Thing::TestRoll, test_roll),
            C::ApprovePlugin { plugin } => (Thing::Plugin, plugin),
            C::CloseCount { count }
            | C::InterruptCount { count, .. }
            | C::AbortCount { count, .. }
            | C::DisposeFaults { count, .. }
            | C::CorrectDisposition { count, .. }
            | C::CheckCode { count, .. }
            | C::SignCount { count }
            | C::CheckCount { count } => (Thing::Count, count),
            C::RegisterLine { line, .. } | C::ChangeLineDevices { line, .. } => (Thing::Line, line),
            C::PerformClearance { order, .. }
            | C::PlanOrder { order, .. }
            | C::VoidOrder { order, .. }
            | C::ExamineBeforeIssue { order, .. }
            | C::GiveIssue { order, .. }
            | C::ReceiveAtLine { order, .. }
            | C::StartOrder { order, .. }
            | C::MountRoll { order, .. }
            | C::DismountRoll { order, .. }
            | C::InterruptOrder { order, .. }
            | C::ResumeOrder { order, .. }
            | C::RecordQuantity { order, .. }
            | C::RecordUnits { order, .. }
            | C::WithdrawQuantity { order, .. }
            | C::FinishOrder { order, .. }
            | C::GiveBack { order, .. }
            | C::TakeBack { order, .. }
            | C::OpenHandCount { order, .. }
            | C::Reconcile { order, .. }
            | C::SignForPackaging { order }
            | C::ReviewOrder { order, .. }
            | C::ApproveOrder { order }
            | C::RejectOrder { order, .. }
            | C::ReopenOrder { order, .. }
            | C::RequestOverride { order, .. } => (Thing::Order, order),
            C::CheckClearance { clearance } => (Thing::Clearance, clearance),
            C::DraftLimits { limit_set, .. } | C::ApproveLimits { limit_set } | C::WithdrawLimits { limit_set, .. } => {
                (Thing::LimitSet, limit_set)
            }
            C::TakeIssue { issue } | C::WithdrawIssue { issue, .. } => (Thing::Issue, issue),
            C::ReleaseReturn { roll } => (Thing::Roll, roll),
            C::EnterHandCount { hand_count, .. } => (Thing::HandCount, hand_count),
            C::OpenContainer { container, .. }
            | C::FillContainer { container, .. }
            | C::SealContainer { container, .. }
            | C::ConsentDestruction { container, .. }
            | C::DeclareDestruction { container, .. }
            | C::WitnessDestruction { container } => (Thing::Container, container),
            C::CheckReconciliation { reconciliation } => (Thing::Reconciliation, reconciliation),
            C::GrantOverride { over } | C::RefuseOverride { over, .. } => (Thing::Override, over),
            C::AssessDeviation { deviation, .. }
            | C::ExtendScope { deviation, .. }
            | C::DecideInterim { deviation, .. }
            | C::Investigate { deviation, .. }
            | C::ExtendDue { deviation, .. }
            | C::DecideDeviation { deviation, .. }
            | C::CloseDeviation { deviation } => (Thing::Deviation, deviation),
        };
        Some(of(thing, id))
    }
}

/// One arm per command: from what was asked to the module whose rule it is.
pub(crate) fn decide(world: &World, context: &Context, command: &Command) -> Result<Vec<Draft>, Stop> {
    use Command as C;
    session::authorise(world, context, &command.authority())?;
    match command {
        C::FoundAccount { account, name, roles } => account::found(world, account, name, roles),
        C::EnrolAccount { account, name, roles, identity } => {
            account::enrol(world, context, account, name, roles, identity)
        }
        C::EnrolKey { account, key, public_key, previous, proof } => {
            let body = AccountKeyEnrolled {
                account: account.clone(),
                key: *key,
                previous: *previous,
                proof: proof.clone(),
                public_key: public_key.clone(),
            };
            account::enrol_key(world, context, body)
        }
        C::ConfirmIdentity { account } => account::confirm_identity(world, context, account),
        C::ChangeRoles { account, roles, why } => account::change_roles(world, context, account, roles, why),
        C::DisableAccount { account, why } => account::disable(world, context, account, why),
        C::ResetPassword { account, why } => account::reset_password(world, context, account, why),
        C::CompromiseKey { account, key, from, why } => {
            account::compromise_key(world, context, account, key, *from, why)
        }
        C::CompromiseBookKey { key, from, why } => book::compromise_key(world, key, *from, why),
        C::LockAccount { account, failures, until } => account::lock(world, context, account, *failures, *until),
        C::UnlockAccount { account, why } => account::unlock(world, context, account, why),
        C::ChangePassword {} => account::change_password(world, context),
        C::OpenSession { session, account, device, expires } => {
            session::open(world, context, session, account, device, *expires)
        }
        C::EndSession { session, cause } => session::end(world, context, session, *cause),
        C::LockSession { session, idle_seconds } => session::lock(world, session, *idle_seconds),
        C::UnlockSession {} => session::unlock(world, context),
        C::RefusePassword { purpose, record } => session::refuse_password(world, context, purpose, record.as_ref()),
        C::NoteRefusal { code, command, record, text } => {
            session::note_refusal(context, code, command, record.as_ref(), text)
        }
        C::NoteStrangers { source, count, from, to } => {
            if *count == 0 || from > to {
                return Err(Refusal::internal("strangers are at least one, and the first comes before the last").into());
            }
            let source = &line("source", source)?;
            let body = AccessRefused { count: *count, from: *from, source: source.clone(), to: *to };
            Ok(vec![Draft::entry(&Stream::book(), body)])
        }
        C::NameWitnesses { witnesses } => book::name_witnesses(world, witnesses),
        C::LoseWitness { witness, since, size, cause } => book::lose_witness(world, witness, *since, *size, cause),
        C::RestoreWitness { witness, size } => book::restore_witness(world, witness, *size),
        C::NoteFork { witness, size, known, history } => book::note_fork(world, witness, *size, *known, *history),
        C::NameTimeAuthority { authority, certificates } => {
            book::name_time_authority(world, authority.as_ref(), certificates)
        }
        C::LoseTimeStamp { authority, how, since, size, cause } => {
            book::lose_time_stamp(world, authority, *how, *since, *size, cause)
        }
        C::RestoreTimeStamp { authority, at, size } => book::restore_time_stamp(world, authority, *at, *size),
        C::NoteReceipt { account, n, leaf, ours, checkpoint } => {
            book::note_receipt(world, account.as_ref(), *n, *leaf, *ours, checkpoint.as_ref())
        }
        C::Remark { record, text } => {
            if world.record(record)?.is_none() {
                return Err(Refusal::not_found(record.thing(), record).into());
            }
            Ok(vec![Draft::entry(record, RemarkMade { text: said("remark", text)? })])
        }
        C::RegisterSupplier { supplier, name, site } => item::register_supplier(world, supplier, name, site),
        C::ApproveSupplier { supplier, item } => item::approve_supplier(world, context, supplier, item),
        C::DraftItem { item, draft } => item::draft(world, item, draft),
        C::ApproveItem { item, specimen } => item::approve(world, context, item, specimen),
        C::ObsoleteItem { item, rule, last_use, why } => item::obsolete(world, context, item, *rule, *last_use, why),
        C::ReceiveDelivery {
            delivery,
            item,
            supplier,
            supplier_lot,
            maker,
            receiving_code,
            condition,
            place,
            rolls,
        } => delivery::receive(
            world,
            &delivery::Receipt {
                condition,
                delivery,
                item,
                maker,
                place,
                receiving_code,
                rolls,
                supplier,
                supplier_lot,
            },
        ),
        C::ExamineDelivery { delivery, plan, reached, rolls, sampled, critical, major, minor, specimen, result } => {
            let given = delivery::Examination {
                critical: *critical,
                delivery,
                major: *major,
                minor: *minor,
                plan,
                reached,
                result: *result,
                rolls,
                sampled: *sampled,
                specimen,
            };
            delivery::examine(world, context, &given)
        }
        C::ReleaseDelivery { delivery } => delivery::release(world, context, delivery),
        C::RejectDelivery { delivery, why } => delivery::reject(world, context, delivery, why),
        C::LiftHold { record, cause, why } => roll::lift_hold(world, context, record, cause, why),
        C::MoveRoll { roll, place } => roll::move_to(world, roll, place),
        C::RecordCheck { roll, web, sensor, speed } => roll::record_check(world, roll, web, sensor, speed),
        C::RegisterStation { station, name, place, rated_labels_per_min, challenge_interval_min, link } => {
            let given = StationRegistered {
                challenge_interval_min: *challenge_interval_min,
                link: link.clone(),
                name: name.clone(),
                place: place.clone(),
                rated_labels_per_min: *rated_labels_per_min,
            };
            station::register(world, station, given)
        }
        C::QualifyStation { station, basis, valid_until } => {
            station::qualify(world, context, station, basis, *valid_until)
        }
        C::BindPlugin { station, plugin } => station::bind(world, station, plugin),
        C::ClearBench { station, places, found } => station::clear_bench(world, station, places, found),
        C::SetUpStation { station, item, sensor, sensitivity, speed_labels_per_min } => {
            let given = StationSetUp {
                item: of(Thing::Item, item),
                sensitivity: sensitivity.clone(),
                sensor: sensor.clone(),
                speed_labels_per_min: *speed_labels_per_min,
            };
            station::set_up(world, context, station, given, item)
        }
        C::LogStationWork { station, work, text } => station::log_work(world, station, *work, text),
        C::RegisterTestRoll { test_roll, certificate, certified, code, expires, faults } => {
            let given = TestRollRegistered {
                certificate: certificate.clone(),
                certified: *certified,
                code: code.clone(),
                expires: *expires,
                faults: faults.clone(),
            };
            station::register_test_roll(world, context, test_roll, given)
        }
        C::CertifyTestRoll { test_roll } => station::certify_test_roll(world, context, test_roll),
        C::WithdrawTestRoll { test_roll, why } => station::withdraw_test_roll(world, test_roll, why),
        C::DraftPlugin { digest, name, version, counts, emits, files } => {
            let body = PluginDrafted {
                counts: *counts,
                digest: *digest,
                emits: emits.clone(),
                files: files.clone(),
                name: name.clone(),
                version: version.clone(),
            };
            plugin::draft(world, body)
        }
        C::ApprovePlugin { plugin } => plugin::approve(world, context, plugin),
        C::OpenCount { station, roll, purpose, direction } => {
            count::open(world, context, station, roll, *purpose, *direction)
        }
        C::Observe { station, piece } => observe::observe(world, context, station, piece),
        C::LoseLink { station, link, cause } => station::link_lost(world, station, link, cause),
        C::RestoreLink { station, link } => station::link_up(world, station, link),
        C::NoteSilence { station, seconds } => count::silence(world, station, *seconds),
        C::CloseCount { count } => count::close(world, context, count),
        C::InterruptCount { count, cause } => count::interrupt(world, count, cause),
        C::AbortCount { count, why } => count::abort(world, context, count, why),
        C::DisposeFaults { count, fault, first, last, disposition, labels, fate } => {
            let given = count::Disposal {
                count,
                disposition: *disposition,
                fate: *fate,
                fault: *fault,
                first: *first,
                labels: *labels,
                last: *last,
            };
            count::dispose(world, &given)
        }
        C::CorrectDisposition { count, fault, first, last, disposition, labels, fate, why } => {
            let given = count::Disposal {
                count,
                disposition: *disposition,
                fate: *fate,
                fault: *fault,
                first: *first,
                labels: *labels,
                last: *last,
            };
            count::correct(world, &given, why)
        }
        C::CheckCode { count, place, splice, found } => codes::check(world, count, *place, *splice, found),
        C::SignCount { count } => count::sign(world, context, count),
        C::CheckCount { count } => count::check(world, context, count),
        C::ConcludeChallenge { station, test_roll, occasion, counts } => {
            challenge::conclude(world, context, station, test_roll, *occasion, counts)
        }
        C::OpenDeviation { about, severity, text } => deviation::by_person(world, about, *severity, text),
        C::RegisterLine { line, name, place, devices } => line::register(world, line, name, place, devices),
        C::ChangeLineDevices { line, devices, why } => line::change_devices(world, line, devices, why),
        C::PerformClearance { line, order, when, places } => {
            line::perform_clearance(world, context, line, order, *when, places)
        }
        C::CheckClearance { clearance } => line::check_clearance(world, context, clearance),
        C::DraftLimits { limit_set, draft } => limits::draft(world, limit_set, draft),
        C::ApproveLimits { limit_set } => limits::approve(world, context, limit_set),
        C::WithdrawLimits { limit_set, why } => limits::withdraw(world, limit_set, why),
        C::PlanOrder { order, plan } => order::plan(world, context, order, plan),
        C::VoidOrder { order, why } => order::void(world, order, why),
        C::ExamineBeforeIssue { order, material, roll, verdict, specimen, code_read, unwind, choice } => {
            issue::examine(
                world,
                context,
                &issue::Examination {
                    choice: *choice,
                    code_read: code_read.as_deref(),
                    material: *material,
                    order,
                    roll,
                    specimen,
                    unwind: *unwind,
                    verdict: *verdict,
                },
            )
        }
        C::GiveIssue { order, material, rolls, extra } => {
            issue::give(world, context, order, *material, rolls, extra.as_ref())
        }
        C::TakeIssue { issue } => issue::take(world, context, issue),
        C::WithdrawIssue { issue, why } => issue::withdraw(world, issue, why),
        C::ReceiveAtLine { order, material, roll } => issue::receive(world, context, order, *material, roll),
        C::StartOrder { order, clearance } => order::start(world, context, order, clearance),
        C::MountRoll { order, material, roll, device, code_read } => {
            issue::mount(world, context, order, *material, roll, device, code_read.as_deref())
        }
        C::DismountRoll { order, material, roll, ran } => issue::dismount(world, order, *material, roll, *ran),
        C::InterruptOrder { order, cause } => order::interrupt(world, order, cause),
        C::ResumeOrder { order, clearance } => order::resume(world, context, order, clearance.as_ref()),
        C::RecordQuantity { order, material, term, source, purpose, overdue } => quantity::record(
            world,
            context,
            &quantity::Given {
                material: *material,
                order,
                overdue: overdue.as_ref(),
                purpose: purpose.as_deref(),
                source,
                term: *term,
            },
        ),
        C::RecordUnits { order, lot, source, overdue } => {
            quantity::record_units(world, context, order, lot, source, overdue.as_ref())
        }
        C::WithdrawQuantity { order, quantity, why } => quantity::withdraw(world, order, *quantity, why),
        C::FinishOrder { order, clearance } => order::finish(world, context, order, clearance),
        C::GiveBack { order, material, roll, seal } => giving_back::give_back(world, order, *material, roll, seal),
        C::TakeBack { order, material, roll, seal_intact, tail, container, rest, place } => giving_back::take_back(
            world,
            context,
            &giving_back::Taking {
                container: container.as_ref(),
                material: *material,
                order,
                place,
                rest: rest.as_ref(),
                roll,
                seal_intact: *seal_intact,
                tail: tail.as_ref(),
            },
        ),
        C::ReleaseReturn { roll } => giving_back::release(world, context, roll),
        C::OpenHandCount { order, material, what } => hand_count::open(world, order, *material, *what),
        C::EnterHandCount { hand_count, labels } => hand_count::enter(world, context, hand_count, *labels),
        C::OpenContainer { container, order, material, contents, place } => {
            container::open(world, container, order, *material, *contents, place)
        }
        C::FillContainer { container, hand_count } => container::fill(world, container, hand_count),
        C::SealContainer { container, seal } => container::seal(world, context, container, seal),
        C::ConsentDestruction { container, why } => container::consent(world, context, container, why),
        C::DeclareDestruction { container, labels, method, place, late } => {
            container::declare(world, context, container, *labels, method, place, late.as_ref())
        }
        C::WitnessDestruction { container } => container::witness(world, context, container),
        C::Reconcile { order, material } => reconciliation::compute(world, context, order, *material),
        C::CheckReconciliation { reconciliation } => reconciliation::check(world, context, reconciliation),
        C::SignForPackaging { order } => review::sign_for_packaging(world, context, order),
        C::ReviewOrder { order, statement } => review::review(world, context, order, statement),
        C::ApproveOrder { order } => review::approve(world, context, order),
        C::RejectOrder { order, why } => review::reject(world, context, order, why),
        C::ReopenOrder { order, why } => review::reopen(world, order, why),
        C::RequestOverride { kind, order, about, material, labels, device, why } => {
            let bounds = overrides::Bounds { device: device.as_ref(), labels: *labels, material: *material };
            overrides::request(world, context, *kind, order, about, bounds, why)
        }
        C::GrantOverride { over } => overrides::grant(world, context, over),
        C::RefuseOverride { over, why } => overrides::refuse(world, context, over, why),
        C::AssessDeviation { deviation, severity, impact, why } => {
            deviation::assess(world, context, deviation, *severity, impact, why)
        }
        C::ExtendScope { deviation, about, why } => deviation::extend_scope(world, deviation, about, why),
        C::DecideInterim { deviation, decision, text } => deviation::decide_interim(world, deviation, *decision, text),
        C::Investigate { deviation, cause, others, conclusion, follow_up } => {
            deviation::investigate(world, context, deviation, cause, others, conclusion, follow_up)
        }
        C::ExtendDue { deviation, due, why } => deviation::extend_due(world, context, deviation, *due, why),
        C::DecideDeviation { deviation, decision, text } => {
            deviation::decide(world, context, deviation, *decision, text)
        }
        C::CloseDeviation { deviation } => deviation::close(world, context, deviation),
        C::NoteExport { record, manifest, pdf, streams } => {
            if world.record(record)?.is_none() {
                return Err(Refusal::not_found(record.thing(), record).into());
            }
            if streams.len() > EXPORTED_MAX {
                return Err(Refusal::invalid(
                    "export-too-large",
                    format!("The record leans on {} others; one export holds at most {EXPORTED_MAX}.", streams.len()),
                    "Take the records of its parts one by one.",
                )
                .into());
            }
            let body =
                RecordExported { manifest: *manifest, pdf: *pdf, record: record.clone(), streams: streams.clone() };
            Ok(vec![Draft::entry(record, body)])
        }
    }
}
