//! Packaging lines and their devices; the clearing of a line before, after and in the middle of an order.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    ClearancePerformed, ClearanceWhen, ClearedPlace, DeviationRule, LineDevice, LineDevicesChanged, LineRegistered,
    OrderHeld, OrderInterrupted, OrderPartBegun, Severity,
};
use tallyseal_schema::{Body, Entry, Time};

use crate::facts::signature;
use crate::reconciliation::is_given_up;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{line as one_line, number, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Custody, Draft, OrderState, OrderStatus, deviation};

/// Most devices on a line, so that an entry stays of a bounded size.
const DEVICES_MAX: usize = 40;

/// Most places of one clearance.
const PLACES_MAX: usize = 100;

/// So long after it was performed a clearance may be started with. Unit: minutes. The site's to change; the rules say
/// "immediately before" and give no number.
pub(crate) const CLEARANCE_MINUTES: i64 = 60;

/// What is remembered of a packaging line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineState {
    /// Its devices.
    pub devices: Vec<LineDevice>,
    /// For people.
    pub name: String,
    /// The order that runs on it.
    pub order: Option<Stream>,
    /// Where it stands.
    pub place: String,
    /// The order that ran on it last and is finished.
    pub previous: Option<Stream>,
    /// When an order last began or ended on it.
    pub used_at: Option<Time>,
}

impl LineState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::LineRegistered(body) = body else { return None };
        Some(Self {
            devices: body.devices.clone(),
            name: body.name.clone(),
            order: None,
            place: body.place.clone(),
            previous: None,
            used_at: None,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::LineDevicesChanged(body) => self.devices.clone_from(&body.devices),
            Body::LineOrderOpened(body) => {
                self.order = Some(body.order.clone());
                self.used_at = Some(entry.header.at);
            }
            Body::LineOrderClosed(body) => {
                self.order = None;
                self.previous = Some(body.order.clone());
                self.used_at = Some(entry.header.at);
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, _keys: &mut Vec<Key>) {}
}

/// What is remembered of one clearing of a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClearanceState {
    /// When a second person checked it.
    pub checked_at: Option<Time>,
    /// Which line.
    pub line: Stream,
    /// For which order.
    pub order: Stream,
    /// When it was performed.
    pub performed_at: Time,
    /// Who performed it.
    pub performed_by: Option<AccountId>,
    /// Every place looked at.
    pub places: Vec<ClearedPlace>,
    /// Before, after or again.
    pub when: ClearanceWhen,
}

impl ClearanceState {
    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::ClearancePerformed(body) = &entry.body else { return None };
        Some(Self {
            checked_at: None,
            line: body.line.clone(),
            order: body.order.clone(),
            performed_at: entry.header.at,
            performed_by: entry.header.by.account().cloned(),
            places: body.places.clone(),
            when: body.when,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        if let Body::SignatureApplied(body) = &entry.body
            && body.meaning == "clearance checked"
        {
            self.checked_at = Some(entry.header.at);
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("clearance.order", &self.order));
        if self.foreign() {
            keys.push(foreign_key(&self.line));
        }
    }

    /// True where labels or product that do not belong there were found.
    pub fn foreign(&self) -> bool {
        self.places.iter().any(|place| place.foreign)
    }
}

/// The key of the clearances of a line that found foreign labels or product.
fn foreign_key(line: &Stream) -> Key {
    Key::new("clearance.foreign", line)
}

fn checked_devices(devices: &[LineDevice]) -> Result<Vec<LineDevice>, Stop> {
    if devices.is_empty() || devices.len() > DEVICES_MAX {
        return Err(Refusal::invalid(
            "number-of-devices",
            format!("A line has 1 to {DEVICES_MAX} devices; this one has {}.", devices.len()),
            "Give every dispenser, printer, verifier and unit counter of the line.",
        )
        .into());
    }
    let mut seen = BTreeSet::new();
    let mut checked = Vec::with_capacity(devices.len());
    for device in devices {
        if !seen.insert(&device.id) {
            return Err(Refusal::invalid(
                "device-twice",
                format!("The device {} stands twice in the list.", device.id),
                "Give every device once, by what is printed on it.",
            )
            .into());
        }
        if !(4..=9).contains(&device.digits) {
            return Err(Refusal::invalid(
                "out-of-range",
                format!("The counter of {} has {} digits; it must have 4 to 9.", device.id, device.digits),
                "Count the digits of its display.",
            )
            .into());
        }
        checked.push(LineDevice { name: one_line("name of the device", &device.name)?, ..device.clone() });
    }
    Ok(checked)
}

pub(crate) fn register(
    world: &World,
    line: &Id,
    name: &str,
    place: &str,
    devices: &[LineDevice],
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Line, line);
    world.must_be_new("line", &stream)?;
    let body = LineRegistered {
        devices: checked_devices(devices)?,
        name: one_line("name", name)?,
        place: one_line("place", place)?,
    };
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn change_devices(world: &World, line: &Id, devices: &[LineDevice], why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Line, line);
    let state = world.line(&stream)?;
    let devices = checked_devices(devices)?;
    if devices == state.devices {
        return Err(Refusal::invalid(
            "nothing-changed",
            format!("These are the devices that the line {line} has already."),
            "Nothing is left to do.",
        )
        .into());
    }
    // Readings of the order that runs are told by device and digits: they stay what they were until it has ended.
    if let Some(order) = &state.order {
        let now: BTreeMap<&Id, &LineDevice> = devices.iter().map(|device| (&device.id, device)).collect();
        let same =
            |old: &&LineDevice| now.get(&old.id).is_some_and(|new| (new.kind, new.digits) == (old.kind, old.digits));
        if let Some(device) = state.devices.iter().find(|old| !same(old)) {
            return Err(Refusal::conflict(
                "order-on-line",
                format!("The order {} runs on the line {line} with the device {}.", order.id(), device.id),
                "Leave the device in the list until the order is finished; add the new one beside it.",
            )
            .into());
        }
    }
    let why = reason(why)?;
    Ok(vec![Draft::because(&stream, LineDevicesChanged { devices }, &why)])
}

pub(crate) fn perform_clearance(
    world: &World,
    context: &Context,
    line: &Id,
    order: &Id,
    when: ClearanceWhen,
    places: &[ClearedPlace],
) -> Result<Vec<Draft>, Stop> {
    let (line_stream, order_stream) = (of(Thing::Line, line), of(Thing::Order, order));
    let line_state = world.line(&line_stream)?;
    let state = world.order(&order_stream)?;
    if state.plan.line != line_stream {
        return Err(other_line(order, &state.plan.line));
    }
    let at_its_time = match when {
        ClearanceWhen::Before => matches!(state.status, OrderStatus::Planned | OrderStatus::Staged),
        ClearanceWhen::After | ClearanceWhen::Again => state.on_the_line(),
    };
    if !at_its_time {
        return Err(state.status.refusal(
            order,
            match when {
                ClearanceWhen::Before => "A clearance before is made for an order that is still to start.",
                ClearanceWhen::After => "A clearance after is made when the order has run and is not finished yet.",
                ClearanceWhen::Again => "A clearance again is made in the middle of an order.",
            },
        ));
    }
    match (when, &line_state.order) {
        (ClearanceWhen::Before, Some(other)) => return Err(occupied(line, other)),
        (ClearanceWhen::After, _) => state.must_have_no_roll_mounted()?,
        _ => {}
    }
    let places = checked_places(places)?;
    // What was found is kept in any case; that nothing was found cannot be while the book knows of rolls.
    if when == ClearanceWhen::Before
        && !places.iter().any(|place| place.foreign)
        && let Some(previous) = &line_state.previous
    {
        must_have_left(world, line, previous)?;
    }
    let clearance = world.next(Thing::Clearance, "CL", 0)?;
    let foreign: Vec<&str> = places.iter().filter(|place| place.foreign).map(|place| place.place.as_str()).collect();
    let mut found = Vec::new();
    if !foreign.is_empty() {
        found = foreign_found(world, line_state, state, order, &order_stream, &line_stream, &clearance, &foreign)?;
    }
    let part = Draft::entry(&order_stream, OrderPartBegun { part: clearance.clone() });
    let body = ClearancePerformed { line: line_stream, order: order_stream, places, when };
    let signed = signature(world, context, &clearance, &[], "cleared")?;
    let mut drafts = vec![Draft::entry(&clearance, body), part, signed];
    drafts.extend(found);
    Ok(drafts)
}

/// Refuses where rolls of the order that ran there before are still at the line.
///
/// Rule: 21 CFR 211.130(e), labels of operations before are removed.
fn must_have_left(world: &World, line: &Id, previous: &Stream) -> Result<(), Stop> {
    for roll in world.set(&Key::new("roll.order", previous))? {
        let there = matches!(world.roll(roll)?.custody, Custody::Line { .. } | Custody::Mounted { .. });
        if there && !is_given_up(world, roll, previous)? {
            return Err(Refusal::conflict(
                "rolls-left-at-line",
                format!("The roll {} of the order {} is still at the line {line}.", roll.id(), previous.id()),
                "Seal it and hand it back to the label room first; where nobody finds it, open a deviation about it \
                 and its order.",
            )
            .into());
        }
    }
    Ok(())
}

fn checked_places(places: &[ClearedPlace]) -> Result<Vec<ClearedPlace>, Stop> {
    if places.is_empty() || places.len() > PLACES_MAX {
        return Err(Refusal::invalid(
            "number-of-places",
            format!("A clearance names 1 to {PLACES_MAX} places; this one names {}.", places.len()),
            "Name every place that was looked at: machine, reject bin, floor, printer, shelves.",
        )
        .into());
    }
    let mut checked: Vec<ClearedPlace> = Vec::with_capacity(places.len());
    for place in places {
        let name = one_line("place", &place.place)?;
        if checked.iter().any(|other| other.place == name) {
            return Err(Refusal::invalid(
                "place-twice",
                format!("The place \"{name}\" stands twice in the list."),
                "Name every place once.",
            )
            .into());
        }
        checked.push(ClearedPlace { foreign: place.foreign, found: said("found", &place.found)?, place: name });
    }
    Ok(checked)
}

/// What follows when labels lie where they do not belong: a critical deviation, and a hold over the order. It names the
/// order that ran there before as well, because they are most likely that order's and its account lacks them.
///
/// Rule: 21 CFR 211.130(a), (b) and (e), 211.192.
#[expect(clippy::too_many_arguments, reason = "one sentence, taken out of its only caller")]
fn foreign_found(
    world: &World,
    line: &LineState,
    state: &OrderState,
    order: &Id,
    order_stream: &Stream,
    line_stream: &Stream,
    clearance: &Stream,
    places: &[&str],
) -> Result<Vec<Draft>, Stop> {
    let mut about = vec![order_stream.clone(), line_stream.clone(), clearance.clone()];
    let mut before = String::new();
    if let Some(previous) = &line.previous {
        before = format!(" Before it the order {} ran there.", previous.id());
        about.push(previous.clone());
    }
    let shown: Vec<&str> = places.iter().take(5).copied().collect();
    let text = format!(
        "The clearance {} of the line {} for the order {order} found what does not belong there in {}: {}{}.{before} \
         The order is held.",
        clearance.id(),
        line_stream.id(),
        number(places.len(), "place", "places"),
        shown.join(", "),
        if places.len() > shown.len() { " and others" } else { "" },
    );
    let (cause, opened) =
        deviation::by_rule(world, 0, DeviationRule::ForeignLabel, Severity::Critical, about.clone(), text)?;
    let mut drafts = vec![opened, Draft::entry(order_stream, OrderHeld { cause: cause.clone() })];
    drafts.extend(about.iter().skip(1).map(|record| deviation::questioned(record, &cause)));
    if state.status == OrderStatus::InProgress {
        let cause = format!("Foreign labels or product found by the clearance {}.", clearance.id());
        drafts.push(Draft::entry(order_stream, OrderInterrupted { cause }));
    }
    Ok(drafts)
}

pub(crate) fn check_clearance(world: &World, context: &Context, clearance: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Clearance, clearance);
    let state = world.clearance(&stream)?;
    if state.checked_at.is_some() {
        return Err(Refusal::conflict(
            "already-checked",
            format!("The clearance {clearance} is checked already."),
            "Nothing is left to do.",
        )
        .into());
    }
    if state.when != ClearanceWhen::After && is_stale(state, context.at) {
        return Err(stale(clearance));
    }
    let order = world.order(&state.order)?;
    let ended = match state.when {
        ClearanceWhen::Before => !matches!(order.status, OrderStatus::Planned | OrderStatus::Staged),
        ClearanceWhen::After | ClearanceWhen::Again => !order.on_the_line(),
    };
    // Checked later it would look as if it had counted.
    if ended {
        return Err(order
            .status
            .refusal(&state.order.id(), "A clearance is checked before it is used; this one is used no more."));
    }
    Ok(vec![signature(world, context, &stream, &[], "clearance checked")?])
}

fn is_stale(state: &ClearanceState, at: Time) -> bool {
    at > state.performed_at.plus_micros(CLEARANCE_MINUTES * 60 * 1_000_000)
}

fn stale(clearance: &Id) -> Stop {
    Refusal::conflict(
        "clearance-stale",
        format!("The clearance {clearance} was performed more than {CLEARANCE_MINUTES} minutes ago."),
        "Clear the line again, and let a second person check it.",
    )
    .into()
}

/// The refusal that another order on the line gives.
pub(crate) fn occupied(line: &Id, order: &Stream) -> Stop {
    Refusal::conflict(
        "line-occupied",
        format!("The order {} runs on the line {line}.", order.id()),
        "Finish that order first; a line runs one order at a time.",
    )
    .into()
}

fn other_line(order: &Id, line: &Stream) -> Stop {
    Refusal::conflict(
        "order-of-another-line",
        format!("The order {order} is planned for the line {}.", line.id()),
        "Go to its line, or plan a new order.",
    )
    .into()
}

/// True where a clearance of the line, performed at that moment or after it, found foreign labels or product.
pub(crate) fn foreign_since(world: &World, line: &Stream, since: Time) -> Result<bool, Stop> {
    for clearance in world.set(&foreign_key(line))? {
        if world.clearance(clearance)?.performed_at >= since {
            return Ok(true);
        }
    }
    Ok(false)
}

/// For what a clearance is to be used.
pub(crate) struct Use<'a> {
    /// It must have been performed after this moment, for example the last time a roll was mounted.
    pub after: Option<Time>,
    /// The order.
    pub order: &'a Stream,
    /// Its line.
    pub line: &'a Stream,
    /// Before, after or again.
    pub when: ClearanceWhen,
}

/// Refuses where the clearance does not count for this use: of another order or line, not of this kind, not checked by a
/// second person, too old, or labels were found that do not belong there.
///
/// Rule: 21 CFR 211.130(e). A missing clearance is among what nobody may override.
pub(crate) fn must_count(world: &World, context: &Context, clearance: &Id, used: &Use<'_>) -> Result<Stream, Stop> {
    let stream = of(Thing::Clearance, clearance);
    let state = world.clearance(&stream)?;
    if (&state.order, &state.line) != (used.order, used.line) {
        return Err(Refusal::conflict(
            "clearance-of-another-order",
            format!(
                "The clearance {clearance} was made for the order {} on the line {}.",
                state.order.id(),
                state.line.id()
            ),
            "Clear the line for this order, and let a second person check it.",
        )
        .into());
    }
    if state.when != used.when {
        let name = |when: ClearanceWhen| match when {
            ClearanceWhen::Before => "before an order",
            ClearanceWhen::After => "after an order",
            ClearanceWhen::Again => "in the middle of an order",
        };
        return Err(Refusal::conflict(
            "clearance-of-another-kind",
            format!("The clearance {clearance} was made {}; this needs one {}.", name(state.when), name(used.when)),
            "Clear the line, and let a second person check it.",
        )
        .into());
    }
    if state.foreign() {
        return Err(Refusal::conflict(
            "foreign-found",
            format!("The clearance {clearance} found labels or product that do not belong there."),
            "Take them away as the reviewer says, clear the line again, and let a second person check it.",
        )
        .into());
    }
    // What was found on the line after it shows that it was not clear.
    for other in world.set(&foreign_key(used.line))? {
        if world.clearance(other)?.performed_at >= state.performed_at {
            return Err(Refusal::conflict(
                "foreign-found-since",
                format!(
                    "After the clearance {clearance} the clearance {} of the same line found foreign labels.",
                    other.id()
                ),
                "Clear the line again, and let a second person check it.",
            )
            .into());
        }
    }
    if used.after.is_some_and(|after| state.performed_at <= after) {
        return Err(Refusal::conflict(
            "line-used-since",
            format!("The line was used after the clearance {clearance} was performed."),
            "Clear the line again, and let a second person check it.",
        )
        .into());
    }
    if used.when != ClearanceWhen::After && is_stale(state, context.at) {
        return Err(stale(clearance));
    }
    if state.checked_at.is_none() {
        return Err(Refusal::conflict(
            "clearance-not-checked",
            format!("No second person has checked the clearance {clearance}."),
            "Let a second person look at the line and sign.",
        )
        .into());
    }
    Ok(stream)
}
