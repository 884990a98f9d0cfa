//! How the steps look at a gathered record: states by their stream, entries that are like something, and who made them.

use tallyseal_control::{
    ClearanceState, ContainerState, CountState, DeliveryState, Facts, HandCountState, IssueState, ItemState,
    LimitSetState, LineState, OrderState, OverrideState, PluginState, ReconciliationState, RollState, State,
};
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::SignatureApplied;
use tallyseal_schema::{Body, Entry, Hash};

use super::super::Gathered;
use crate::words;

macro_rules! states {
    // One way to look at each sort of thing; `None` where the record does not hold it.
    ($($name:ident $variant:ident $type:ty;)*) => {
        impl Gathered {
            $(pub(super) fn $name(&self, stream: &Stream) -> Option<&$type> {
                match &self.records.get(stream)?.state {
                    State::$variant(state) => Some(state),
                    _ => None,
                }
            })*
        }
    };
}

states! {
    clearance Clearance ClearanceState;
    container Container ContainerState;
    count Count CountState;
    delivery Delivery DeliveryState;
    hand_count HandCount HandCountState;
    issue Issue IssueState;
    item Item ItemState;
    limit_set LimitSet LimitSetState;
    line Line LineState;
    order Order OrderState;
    override_ Override OverrideState;
    plugin Plugin PluginState;
    account_of_line Reconciliation ReconciliationState;
    roll Roll RollState;
}

impl Gathered {
    pub(super) fn facts(&self, stream: &Stream) -> Option<&Facts> {
        self.records.get(stream).map(|record| &record.facts)
    }

    /// Everything of that sort in the record, in the order in which it began.
    pub(super) fn things(&self, thing: Thing) -> Vec<&Stream> {
        let of_it = self.streams.iter().filter(|(stream, _)| stream.thing() == thing.as_str());
        let mut found: Vec<(Option<u64>, &Stream)> =
            of_it.map(|(stream, all)| (all.first().map(|first| first.header.n), stream)).collect();
        found.sort_unstable();
        found.into_iter().map(|(_, stream)| stream).collect()
    }

    /// The entry at that place of a stream, from 1.
    pub(super) fn at_rev(&self, stream: &Stream, rev: u64) -> Option<&Entry> {
        let at = usize::try_from(rev.checked_sub(1)?).ok()?;
        self.streams.get(stream)?.get(at).filter(|entry| entry.header.rev == rev)
    }

    /// The entries of a stream that are like that.
    pub(super) fn events<'g, B: 'g>(
        &'g self,
        stream: &Stream,
        pick: impl Fn(&'g Body) -> Option<B> + 'g,
    ) -> impl Iterator<Item = (&'g Entry, B)> {
        self.stream(stream).filter_map(move |entry| Some((entry, pick(&entry.body)?)))
    }

    /// The signatures of a stream, each with whether it still stands.
    pub(super) fn signatures(&self, stream: &Stream) -> Vec<(&Entry, &SignatureApplied, bool)> {
        let stands = |entry: &Entry| {
            let given = self.facts(stream).map(|facts| facts.signatures.as_slice()).unwrap_or_default();
            given.iter().any(|one| one.rev == entry.header.rev && !one.void)
        };
        let all = self.events(stream, |body| match body {
            Body::SignatureApplied(body) => Some(body),
            _ => None,
        });
        all.map(|(entry, body)| (entry, body, stands(entry))).collect()
    }

    /// The plugin with that digest.
    pub(super) fn plugin_of(&self, digest: Hash) -> Option<(&Stream, &PluginState)> {
        let all = self.things(Thing::Plugin).into_iter();
        all.filter_map(|stream| Some((stream, self.plugin(stream)?))).find(|(_, plugin)| plugin.digest == digest)
    }

    /// Who made an entry, and when.
    pub(super) fn done(&self, entry: &Entry) -> String {
        format!("{}, {}", words::by(&entry.header.by), self.at(entry.header.at))
    }
}

/// The entry's number as a cell of a table.
pub(super) fn n(entry: &Entry) -> String {
    entry.header.n.to_string()
}

/// The numbers of several entries as a cell of a table.
pub(super) fn ns<'e>(entries: impl IntoIterator<Item = &'e Entry>) -> String {
    let mut numbers: Vec<u64> = entries.into_iter().map(|entry| entry.header.n).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

/// Who made it.
pub(super) fn by(entry: &Entry) -> String {
    words::by(&entry.header.by)
}

/// A text of the record with its reason, where one was given.
pub(super) fn with_why(text: impl Into<String>, entry: &Entry) -> String {
    let text = text.into();
    match &entry.header.why {
        Some(why) => format!("{text}; reason: {why}"),
        None => text,
    }
}
