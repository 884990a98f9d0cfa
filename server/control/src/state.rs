//! What is remembered of each stream, and how entries change it.

use std::fmt;

use serde::{Deserialize, Serialize};
use tallyseal_schema::Entry;
use tallyseal_schema::ids::{Stream, Thing};

use crate::facts::Facts;
use crate::{AccountState, BookState, CountState, DeliveryState, DeviationState, ItemState, PluginState, RollState};
use crate::{ClearanceState, ContainerState, HandCountState, IssueState, LimitSetState, LineState};
use crate::{OrderState, OverrideState, ReconciliationState};
use crate::{SessionState, StationState, SupplierState, TestRollState};

/// Version of the states and keys below. Raise it with every change to what is remembered: views of another
/// version are folded anew from the entries.
pub const VIEW_VERSION: u32 = 9;

/// A key under which streams are found: `THING.PROPERTY=VALUE`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Key(pub String);

impl Key {
    /// A key.
    pub fn new(property: &str, value: impl fmt::Display) -> Self {
        Self(format!("{property}={value}"))
    }
}

/// What is remembered of one stream.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "thing", rename_all = "snake_case")]
pub enum State {
    /// The book.
    Book(BookState),
    /// A person's account.
    Account(AccountState),
    /// A session.
    Session(SessionState),
    /// A supplier.
    Supplier(SupplierState),
    /// An item revision.
    Item(ItemState),
    /// A delivery.
    Delivery(DeliveryState),
    /// A roll.
    Roll(RollState),
    /// A count.
    Count(CountState),
    /// A station.
    Station(StationState),
    /// A test roll.
    TestRoll(TestRollState),
    /// A plugin version.
    Plugin(PluginState),
    /// A deviation.
    Deviation(DeviationState),
    /// A packaging line.
    Line(LineState),
    /// One clearing of a line.
    Clearance(ClearanceState),
    /// A set of limits.
    LimitSet(LimitSetState),
    /// A packaging order.
    Order(OrderState),
    /// An issue of rolls.
    Issue(IssueState),
    /// A count by hand.
    HandCount(HandCountState),
    /// A container.
    Container(ContainerState),
    /// An account of a material line.
    Reconciliation(ReconciliationState),
    /// An override.
    Override(OverrideState),
}

/// A stream as remembered: its state, and what is common to all records.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Record {
    /// Who did what, and what was signed.
    pub facts: Facts,
    /// What it is.
    pub state: State,
}

/// An entry that cannot follow what came before it in its stream. The book is corrupt or of a newer version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EvolveError {
    /// Which entry.
    pub n: u64,
    /// What does not fit.
    pub what: String,
}

impl fmt::Display for EvolveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "entry {} cannot follow what is before it: {}", self.n, self.what)
    }
}

impl std::error::Error for EvolveError {}

/// Takes the next entry of a stream into what is remembered of it. `None`: its first entry.
///
/// Errors: the entry cannot stand there.
pub fn evolve(record: Option<Record>, entry: &Entry) -> Result<Record, EvolveError> {
    let error = |what: &str| EvolveError { n: entry.header.n, what: what.to_owned() };
    let kind = entry.body.kind();
    if !kind.things.is_empty() && !kind.things.contains(&entry.header.stream.thing()) {
        return Err(error("that kind does not stand in the stream of such a thing"));
    }
    let mut record = match record {
        Some(record) => record,
        None => {
            Record { facts: Facts::default(), state: start(entry).ok_or_else(|| error("no thing begins with it"))? }
        }
    };
    match &mut record.state {
        State::Book(state) => state.evolve(entry),
        State::Account(state) => state.evolve(entry),
        State::Session(state) => state.evolve(entry),
        State::Supplier(state) => state.evolve(entry),
        State::Item(state) => state.evolve(entry),
        State::Delivery(state) => state.evolve(entry),
        State::Roll(state) => state.evolve(entry),
        State::Count(state) => state.evolve(entry),
        State::Station(state) => state.evolve(entry),
        State::TestRoll(state) => state.evolve(entry),
        State::Plugin(state) => state.evolve(entry),
        State::Deviation(state) => state.evolve(entry),
        State::Line(state) => state.evolve(entry),
        State::Clearance(state) => state.evolve(entry),
        State::LimitSet(state) => state.evolve(entry),
        State::Order(state) => state.evolve(entry),
        State::Issue(state) => state.evolve(entry),
        State::HandCount(state) => state.evolve(entry),
        State::Container(state) => state.evolve(entry),
        State::Reconciliation(state) => state.evolve(entry),
        State::Override(state) => state.evolve(entry),
    }
    record.facts.evolve(entry);
    Ok(record)
}

/// The state before a thing's first entry, which `evolve` then takes in.
fn start(entry: &Entry) -> Option<State> {
    Some(match Thing::parse(entry.header.stream.thing())? {
        Thing::Book => State::Book(BookState::default()),
        Thing::Account => State::Account(AccountState::start(&entry.body)?),
        Thing::Session => State::Session(SessionState::start(&entry.body)?),
        Thing::Supplier => State::Supplier(SupplierState::start(&entry.body)?),
        Thing::Item => State::Item(ItemState::start(&entry.body)?),
        Thing::Delivery => State::Delivery(DeliveryState::start(entry)?),
        Thing::Roll => State::Roll(RollState::start(&entry.body)?),
        Thing::Count => State::Count(CountState::start(entry)?),
        Thing::Station => State::Station(StationState::start(&entry.body)?),
        Thing::TestRoll => State::TestRoll(TestRollState::start(&entry.body)?),
        Thing::Plugin => State::Plugin(PluginState::start(&entry.body)?),
        Thing::Deviation => State::Deviation(DeviationState::start(entry)?),
        Thing::Line => State::Line(LineState::start(&entry.body)?),
        Thing::Clearance => State::Clearance(ClearanceState::start(entry)?),
        Thing::LimitSet => State::LimitSet(LimitSetState::start(&entry.body)?),
        Thing::Order => State::Order(OrderState::start(&entry.body)?),
        Thing::Issue => State::Issue(IssueState::start(entry)?),
        Thing::HandCount => State::HandCount(HandCountState::start(&entry.body)?),
        Thing::Container => State::Container(ContainerState::start(&entry.body)?),
        Thing::Reconciliation => State::Reconciliation(ReconciliationState::start(&entry.body)?),
        Thing::Override => State::Override(OverrideState::start(entry)?),
    })
}

impl Record {
    /// The keys under which this stream is found now. Sorted, without doubles.
    pub fn keys(&self, stream: &Stream) -> Vec<Key> {
        let mut keys = vec![Key::new("thing", stream.thing())];
        match &self.state {
            State::Book(state) => state.keys(&mut keys),
            State::Supplier(state) => state.keys(&mut keys),
            State::Item(state) => state.keys(&mut keys),
            State::Account(state) => state.keys(stream, &mut keys),
            State::Session(state) => state.keys(&mut keys),
            State::Delivery(state) => state.keys(&mut keys),
            State::Roll(state) => state.keys(&mut keys),
            State::Count(state) => state.keys(&mut keys),
            State::Station(state) => state.keys(&mut keys),
            State::TestRoll(state) => state.keys(&mut keys),
            State::Plugin(state) => state.keys(&mut keys),
            State::Deviation(state) => state.keys(&mut keys),
            State::Line(state) => state.keys(&mut keys),
            State::Clearance(state) => state.keys(&mut keys),
            State::LimitSet(state) => state.keys(&mut keys),
            State::Order(state) => state.keys(&mut keys),
            State::Issue(state) => state.keys(&mut keys),
            State::HandCount(state) => state.keys(&mut keys),
            State::Container(state) => state.keys(&mut keys),
            State::Reconciliation(state) => state.keys(&mut keys),
            State::Override(state) => state.keys(&mut keys),
        }
        keys.sort_unstable();
        keys.dedup();
        keys
    }
}
