//! An order with everything that belongs to it, as its pages show it. Each part is found by a key of the order, so that
//! nothing else of the book is looked at.

use std::collections::BTreeMap;

use tallyseal_control::{
    ClearanceState, ContainerState, DeviationState, Facts, HandCountState, IssueState, ItemState, Key, LimitSetState,
    LineState, Need, OrderState, OverrideState, Reckoning, ReconciliationState, Record, Refusal, RollState, Standing,
    State, Stop, World,
};
use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::Role;
use tallyseal_schema::{Body, By, Entry, Time};

use super::{PageError, words};
use crate::counted::{Counted, Waiting};
use crate::desk::Desk;
use crate::error::DeskError;

/// One thing that belongs to an order.
pub(super) struct Part<S> {
    pub(super) facts: Facts,
    pub(super) rev: u64,
    pub(super) state: S,
    pub(super) stream: Stream,
}

impl<S> Part<S> {
    /// Its first signature of that meaning that stands.
    pub(super) fn signed(&self, meaning: &str) -> Option<&Standing> {
        self.facts.signatures.iter().rev().find(|one| one.meaning == meaning && !one.void)
    }
}

/// One entry of the order's own record.
pub(super) struct Event {
    pub(super) at: Time,
    pub(super) body: Body,
    pub(super) by: By,
}

/// An order with all that belongs to it.
pub(super) struct Whole {
    pub(super) clearances: Vec<Part<ClearanceState>>,
    pub(super) containers: Vec<Part<ContainerState>>,
    pub(super) deviations: Vec<Part<DeviationState>>,
    pub(super) events: Vec<Event>,
    pub(super) facts: Facts,
    pub(super) hand_counts: Vec<Part<HandCountState>>,
    pub(super) id: Id,
    pub(super) issues: Vec<Part<IssueState>>,
    pub(super) items: BTreeMap<Stream, ItemState>,
    pub(super) limits: BTreeMap<Stream, LimitSetState>,
    pub(super) line: Option<LineState>,
    pub(super) order: OrderState,
    pub(super) overrides: Vec<Part<OverrideState>>,
    pub(super) reconciliations: Vec<Part<ReconciliationState>>,
    pub(super) rev: u64,
    /// Its rolls, and the rests of them.
    pub(super) rolls: BTreeMap<Stream, RollState>,
    pub(super) stream: Stream,
    /// What of it is being counted by hand.
    pub(super) waits: Waiting,
}

fn parts<S>(desk: &Desk, key: &Key, pick: fn(State) -> Option<S>) -> Result<Vec<Part<S>>, PageError> {
    let mut parts = Vec::new();
    for stream in desk.book().set(key)? {
        if let Some((rev, Record { facts, state })) = desk.book().record(&stream)?
            && let Some(state) = pick(state)
        {
            parts.push(Part { facts, rev, state, stream });
        }
    }
    Ok(parts)
}

macro_rules! pick {
    ($variant:ident) => {
        |state| match state {
            State::$variant(state) => Some(state),
            _ => None,
        }
    };
}

impl Whole {
    /// Errors: there is no such order; the book cannot be read.
    pub(super) fn read(desk: &Desk, id: &Id) -> Result<Self, PageError> {
        let stream = Stream::of(tallyseal_schema::ids::Thing::Order, id);
        let Some((rev, Record { facts, state: State::Order(order) })) = desk.book().record(&stream)? else {
            return Err(DeskError::NotFound(format!("order {id}")).into());
        };
        let of = |property: &str| Key::new(property, &stream);
        let mut events = Vec::new();
        for bytes in desk.book().stream_entries(&stream)? {
            let entry = Entry::read(&bytes).map_err(|error| DeskError::Internal(error.to_string()))?;
            events.push(Event { at: entry.header.at, body: entry.body, by: entry.header.by });
        }
        let mut rolls = BTreeMap::new();
        for (roll, one) in &order.rolls {
            for stream in std::iter::once(roll).chain(&one.rest) {
                if let Some((_, Record { state: State::Roll(state), .. })) = desk.book().record(stream)? {
                    rolls.insert(stream.clone(), state);
                }
            }
        }
        let mut items = BTreeMap::new();
        let mut limits = BTreeMap::new();
        for material in &order.plan.materials {
            if let Some((_, Record { state: State::Item(item), .. })) = desk.book().record(&material.item)? {
                items.insert(material.item.clone(), item);
            }
            if let Some((_, Record { state: State::LimitSet(set), .. })) = desk.book().record(&material.limit_set)? {
                limits.insert(material.limit_set.clone(), set);
            }
        }
        let line = match desk.book().record(&order.plan.line)? {
            Some((_, Record { state: State::Line(line), .. })) => Some(line),
            _ => None,
        };
        Ok(Self {
            clearances: parts(desk, &of("clearance.order"), pick!(Clearance))?,
            containers: parts(desk, &of("container.order"), pick!(Container))?,
            deviations: parts(desk, &of("deviation.about"), pick!(Deviation))?,
            events,
            facts,
            hand_counts: parts(desk, &of("hand_count.order"), pick!(HandCount))?,
            id: id.clone(),
            issues: parts(desk, &of("issue.order"), pick!(Issue))?,
            items,
            limits,
            line,
            overrides: parts(desk, &of("override.order"), pick!(Override))?,
            reconciliations: parts(desk, &of("reconciliation.order"), pick!(Reconciliation))?,
            order,
            rev,
            rolls,
            waits: Waiting::now(desk.book(), &stream)?,
            stream,
        })
    }

    /// Why the figures of a material line are not told now: a roll of it, or what is left of one, is being counted, or
    /// something of it by hand.
    pub(super) fn hidden(&self, counted: &Counted, material: u16) -> bool {
        counted.runs_in(&self.order, Some(material)) || self.waits.of_line(material).is_some()
    }

    /// Its own last signature of that meaning that stands.
    pub(super) fn signed(&self, meaning: &str) -> Option<&Standing> {
        self.facts.signatures.iter().rev().find(|one| one.meaning == meaning && !one.void)
    }

    /// The last reading at the end that is known of a device, in this order.
    pub(super) fn last_reading(&self, device: &Id) -> Option<u32> {
        last_reading(&self.order, device)
    }
}

/// The last reading at the end that an order has of a device.
pub(super) fn last_reading(order: &OrderState, device: &Id) -> Option<u32> {
    let standing = order.quantities.values().rev().filter(|quantity| !quantity.withdrawn);
    let mut readings = standing.filter_map(|quantity| match &quantity.source {
        tallyseal_schema::kinds::Source::Device { device: of, end, .. } if of == device => Some(*end),
        _ => None,
    });
    readings.next()
}

/// Lets a rule look at whatever it asks for. What it refuses is an answer, too.
///
/// Errors: the book cannot be read.
pub(super) fn asked<T>(
    desk: &Desk,
    ask: impl Fn(&World) -> Result<T, Stop>,
) -> Result<Result<T, Box<Refusal>>, PageError> {
    let mut world = World::default();
    loop {
        match ask(&world) {
            Ok(answer) => return Ok(Ok(answer)),
            Err(Stop::Refused(refusal)) => return Ok(Err(refusal)),
            Err(Stop::Need(Need::Stream(stream))) => {
                let record = desk.book().record(&stream)?.map(|(_, record)| record);
                world.put(stream, record);
            }
            Err(Stop::Need(Need::Set(key))) => {
                let streams = desk.book().set(&key)?;
                world.put_set(key, streams);
            }
            Err(Stop::Need(Need::Count(_))) => {
                return Err(DeskError::Internal("a page begins nothing that has a number".to_owned()).into());
            }
        }
    }
}

/// What is known of a material line now.
pub(super) fn reckoning(desk: &Desk, order: &Id, material: u16) -> Result<Option<Reckoning>, PageError> {
    Ok(asked(desk, |world| tallyseal_control::reckoned(world, order, material))?.ok())
}

/// A person's signature in words.
pub(super) fn signer(standing: &Standing) -> String {
    format!("{} ({}), {}", standing.name, standing.account, standing.role.title())
}

/// Roles in words.
pub(super) fn titles(roles: &[Role]) -> String {
    let titles: Vec<&str> = roles.iter().map(|role| role.title()).collect();
    match titles.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, before)) => format!("{} or {last}", before.join(", ")),
        None => words::NOBODY.to_owned(),
    }
}
