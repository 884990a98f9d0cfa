//! What a decision may look at: streams, sets of streams and next numbers, supplied one by one as it asks.

use std::collections::BTreeMap;

use tallyseal_schema::ids::{Id, Stream, Thing};

use crate::refusal::Refusal;
use crate::state::{Key, Record, State};
use crate::{AccountState, BookState, CountState, DeliveryState, DeviationState, ItemState, PluginState, RollState};
use crate::{ClearanceState, ContainerState, HandCountState, IssueState, LimitSetState, LineState};
use crate::{OrderState, OverrideState, ReconciliationState};
use crate::{SessionState, StationState, SupplierState, TestRollState};

/// One thing that a decision must look at and has not been given.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Need {
    /// The record of a stream, or that there is none.
    Stream(Stream),
    /// The streams that carry a key, in ascending order.
    Set(Key),
    /// How many streams of a thing there are; numbered things get the next number.
    Count(Thing),
}

/// Why a decision stopped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stop {
    /// It must look at something first.
    Need(Need),
    /// A rule forbids the command.
    Refused(Box<Refusal>),
}

impl From<Refusal> for Stop {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

/// Everything supplied so far.
#[derive(Debug, Clone, Default)]
pub struct World {
    streams: BTreeMap<Stream, Option<Record>>,
    sets: BTreeMap<Key, Vec<Stream>>,
    counts: BTreeMap<Thing, u64>,
}

macro_rules! typed {
    // One reader per thing; written once so that "no such thing" is the same sentence everywhere.
    ($($(#[$doc:meta])* $name:ident $variant:ident $state:ident $title:literal;)*) => {
        $($(#[$doc])*
        pub fn $name(&self, stream: &Stream) -> Result<&$state, Stop> {
            match self.record(stream)?.map(|record| &record.state) {
                Some(State::$variant(state)) => Ok(state),
                _ => Err(Refusal::not_found($title, stream).into()),
            }
        })*
    };
}

impl World {
    /// Supplies the record of a stream, or that there is none.
    pub fn put(&mut self, stream: Stream, record: Option<Record>) {
        self.streams.insert(stream, record);
    }

    /// Supplies a set.
    pub fn put_set(&mut self, key: Key, streams: Vec<Stream>) {
        self.sets.insert(key, streams);
    }

    /// Supplies how many streams of a thing there are.
    pub fn put_count(&mut self, thing: Thing, count: u64) {
        self.counts.insert(thing, count);
    }

    /// The record of a stream; `Ok(None)` where there is no such thing. Errors: [`Need::Stream`].
    pub fn record(&self, stream: &Stream) -> Result<Option<&Record>, Stop> {
        match self.streams.get(stream) {
            Some(record) => Ok(record.as_ref()),
            None => Err(Stop::Need(Need::Stream(stream.clone()))),
        }
    }

    /// The streams that carry a key. Errors: [`Need::Set`].
    pub fn set(&self, key: &Key) -> Result<&[Stream], Stop> {
        match self.sets.get(key) {
            Some(streams) => Ok(streams),
            None => Err(Stop::Need(Need::Set(key.clone()))),
        }
    }

    /// The stream of the next thing of a numbered kind, for example `count/C-000124`. `ahead`: how many of them this
    /// same decision has already taken. Errors: [`Need::Count`].
    pub fn next(&self, thing: Thing, prefix: &str, ahead: u64) -> Result<Stream, Stop> {
        let count = self.counts.get(&thing).ok_or(Stop::Need(Need::Count(thing)))?;
        let number = count.saturating_add(ahead).saturating_add(1);
        format!("{}/{prefix}-{number:06}", thing.as_str())
            .parse()
            .map_err(|_| Refusal::internal("the next number does not fit into an ID").into())
    }

    /// The book itself. Errors: not supplied, not opened.
    pub(crate) fn book(&self) -> Result<&BookState, Stop> {
        let stream = Stream::book();
        match self.record(&stream)?.map(|record| &record.state) {
            Some(State::Book(state)) => Ok(state),
            _ => Err(Refusal::not_found("book", &stream).into()),
        }
    }

    typed! {
        /// An account. Errors: not supplied, no such account.
        account Account AccountState "account";
        /// A session. Errors: not supplied, no such session.
        session Session SessionState "session";
        /// A supplier. Errors: not supplied, no such supplier.
        supplier Supplier SupplierState "supplier";
        /// An item revision. Errors: not supplied, no such item.
        item Item ItemState "item";
        /// A delivery. Errors: not supplied, no such delivery.
        delivery Delivery DeliveryState "delivery";
        /// A roll. Errors: not supplied, no such roll.
        roll Roll RollState "roll";
        /// A count. Errors: not supplied, no such count.
        count Count CountState "count";
        /// A station. Errors: not supplied, no such station.
        station Station StationState "station";
        /// A test roll. Errors: not supplied, no such test roll.
        test_roll TestRoll TestRollState "test roll";
        /// A plugin version. Errors: not supplied, no such plugin.
        plugin Plugin PluginState "plugin";
        /// A deviation. Errors: not supplied, no such deviation.
        deviation Deviation DeviationState "deviation";
        /// A packaging line. Errors: not supplied, no such line.
        line Line LineState "line";
        /// A clearance. Errors: not supplied, no such clearance.
        clearance Clearance ClearanceState "clearance";
        /// A set of limits. Errors: not supplied, no such limit set.
        limit_set LimitSet LimitSetState "limit set";
        /// An order. Errors: not supplied, no such order.
        order Order OrderState "order";
        /// An issue. Errors: not supplied, no such issue.
        issue Issue IssueState "issue";
        /// A hand count. Errors: not supplied, no such hand count.
        hand_count HandCount HandCountState "hand count";
        /// A container. Errors: not supplied, no such container.
        container Container ContainerState "container";
        /// An account. Errors: not supplied, no such reconciliation.
        reconciliation Reconciliation ReconciliationState "reconciliation";
        /// An override. Errors: not supplied, no such override.
        over Override OverrideState "override";
    }

    /// Refuses where the thing exists already: IDs are used once, for ever.
    pub fn must_be_new(&self, title: &str, stream: &Stream) -> Result<(), Stop> {
        match self.record(stream)? {
            Some(_) => Err(Refusal::conflict(
                "id-in-use",
                format!("The {title} {} is in the book already.", stream.id()),
                "Scan or type another ID; an ID is used once and never again.",
            )
            .into()),
            None => Ok(()),
        }
    }
}

/// The stream of a thing by the ID that a person scanned or typed.
pub(crate) fn of(thing: Thing, id: &Id) -> Stream {
    Stream::of(thing, id)
}
