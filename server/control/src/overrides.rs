//! Overrides: a rule of the closed list set aside, once, by two people.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    OVERRIDES, OrderPartBegun, OverrideGranted, OverrideKind, OverrideRefused, OverrideRequested, OverrideRule,
    OverrideUsed, Role,
};
use tallyseal_schema::{Body, By, Entry, Labels};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::reason;
use crate::world::{Stop, World, of};
use crate::{Context, Draft, OrderState};

/// How far an override has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OverrideStatus {
    /// One person asks.
    Requested,
    /// A second one grants it; it may be used once.
    Granted,
    /// A second one refuses it.
    Refused,
    /// It was used.
    Used,
}

/// What is remembered of an override.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OverrideState {
    /// For what.
    pub about: Stream,
    /// For a reading: of which device.
    pub device: Option<Id>,
    /// Which rule.
    pub kind: OverrideKind,
    /// For an extra issue: how many labels at most.
    pub labels: Option<Labels>,
    /// For an extra issue: of which material line.
    pub material: Option<u16>,
    /// In which order.
    pub order: Stream,
    /// Who asked.
    pub requested_by: Option<AccountId>,
    /// How far it has come.
    pub status: OverrideStatus,
}

impl OverrideState {
    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::OverrideRequested(body) = &entry.body else { return None };
        Some(Self {
            about: body.about.clone(),
            device: body.device.clone(),
            kind: body.kind,
            labels: body.labels,
            material: body.material,
            order: body.order.clone(),
            requested_by: entry.header.by.account().cloned(),
            status: OverrideStatus::Requested,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::OverrideGranted(_) => self.status = OverrideStatus::Granted,
            Body::OverrideRefused(_) => self.status = OverrideStatus::Refused,
            Body::OverrideUsed(_) => self.status = OverrideStatus::Used,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("override.order", &self.order));
        if self.status == OverrideStatus::Requested {
            keys.push(Key::new("override.undecided", "yes"));
        }
    }
}

/// What an override is bounded to, or what is wanted under it: nobody grants more than they were told.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Bounds<'a> {
    /// Of which device a reading is.
    pub(crate) device: Option<&'a Id>,
    /// How many labels an extra issue has.
    pub(crate) labels: Option<Labels>,
    /// Of which material line it is.
    pub(crate) material: Option<u16>,
}

fn rule(kind: OverrideKind) -> Result<&'static OverrideRule, Stop> {
    let row = OVERRIDES.iter().find(|row| row.kind == kind);
    row.ok_or_else(|| Refusal::internal("an override that is not in the list").into())
}

/// What is set aside, as a person says it.
const fn name(kind: OverrideKind) -> &'static str {
    match kind {
        OverrideKind::ExtraIssue => "more than the order needs",
        OverrideKind::LateDestruction => "destruction after its day",
        OverrideKind::DeviceOverdue => "a reading after the calibration was due",
    }
}

fn must_act_as(context: &Context, roles: &[Role], does: &str, kind: OverrideKind) -> Result<(), Stop> {
    if let By::Person(person) = &context.by
        && !roles.contains(&person.role)
    {
        let titles: Vec<_> = roles.iter().map(|role| role.title()).collect();
        return Err(Refusal::forbidden(
            "wrong-role",
            format!(
                "The override \"{}\" is {does} as {}, not as {}.",
                name(kind),
                titles.join(" or "),
                person.role.title()
            ),
            "Ask a person who has that role.",
        )
        .into());
    }
    Ok(())
}

pub(crate) fn request(
    world: &World,
    context: &Context,
    kind: OverrideKind,
    order: &Id,
    about: &Stream,
    bounds: Bounds<'_>,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let order_stream = of(Thing::Order, order);
    let state = world.order(&order_stream)?;
    must_act_as(context, rule(kind)?.asks, "asked for", kind)?;
    let fits = match kind {
        OverrideKind::ExtraIssue | OverrideKind::DeviceOverdue => *about == order_stream,
        OverrideKind::LateDestruction => {
            about.thing() == Thing::Container.as_str() && world.container(about)?.order == order_stream
        }
    };
    if !fits {
        return Err(Refusal::invalid(
            "override-about-another",
            format!("The override \"{}\" cannot be about {about} in the order {order}.", name(kind)),
            match kind {
                OverrideKind::ExtraIssue | OverrideKind::DeviceOverdue => "Ask for it about the order itself.",
                OverrideKind::LateDestruction => "Ask for it about a container of that order.",
            },
        )
        .into());
    }
    use crate::OrderStatus as S;
    let of_use = match kind {
        OverrideKind::ExtraIssue => matches!(state.status, S::Planned | S::Staged) || state.on_the_line(),
        OverrideKind::DeviceOverdue => {
            matches!(state.status, S::Finished | S::Reconciled | S::InReview) || state.on_the_line()
        }
        OverrideKind::LateDestruction => state.status != S::Voided,
    };
    if !of_use {
        return Err(state.status.refusal(order, "There is nothing in it now that this override would be for."));
    }
    must_be_bounded(world, state, order, kind, bounds)?;
    let why = reason(why)?;
    let stream = world.next(Thing::Override, "OV", 0)?;
    let Bounds { device, labels, material } = bounds;
    let (about, device) = (about.clone(), device.cloned());
    let body = OverrideRequested { about, device, kind, labels, material, order: order_stream.clone() };
    let part = Draft::entry(&order_stream, OrderPartBegun { part: stream.clone() });
    Ok(vec![Draft::because(&stream, body, &why), part])
}

/// Refuses what would leave open how much is granted: whoever grants must know what for.
fn must_be_bounded(
    world: &World,
    state: &OrderState,
    order: &Id,
    kind: OverrideKind,
    bounds: Bounds<'_>,
) -> Result<(), Stop> {
    let unbounded = |text: &str, remedy: &str| Refusal::invalid("override-without-bounds", text, remedy).into();
    match (kind, bounds) {
        (OverrideKind::ExtraIssue, Bounds { device: None, labels: Some(labels), material: Some(material) }) => {
            state.material(order, material)?;
            match labels == Labels::ZERO {
                false => Ok(()),
                true => Err(unbounded("An extra issue of no labels is none.", "Say how many labels are needed.")),
            }
        }
        (OverrideKind::ExtraIssue, _) => Err(unbounded(
            "An extra issue must say of which material line and how many labels at most, and nothing else.",
            "Give the material line and the labels.",
        )),
        (OverrideKind::DeviceOverdue, Bounds { device: Some(device), labels: None, material: None }) => {
            let line = &state.plan.line;
            match world.line(line)?.devices.iter().any(|one| one.id == *device) {
                true => Ok(()),
                false => Err(Refusal::invalid(
                    "no-such-device",
                    format!("The line {} has no device {device}.", line.id()),
                    "Scan the device whose calibration is overdue.",
                )
                .into()),
            }
        }
        (OverrideKind::DeviceOverdue, _) => Err(unbounded(
            "It must say which device, and nothing else.",
            "Scan the device whose calibration is overdue.",
        )),
        (OverrideKind::LateDestruction, Bounds { device: None, labels: None, material: None }) => Ok(()),
        (OverrideKind::LateDestruction, _) => Err(unbounded(
            "The destruction of a container is of all that is in it.",
            "Leave material line, labels and device away.",
        )),
    }
}

fn must_be_asked(over: &Id, status: OverrideStatus) -> Result<(), Stop> {
    let (code, text) = match status {
        OverrideStatus::Requested => return Ok(()),
        OverrideStatus::Granted => ("override-granted", "is granted already"),
        OverrideStatus::Refused => ("override-refused", "was refused"),
        OverrideStatus::Used => ("override-used", "was used already"),
    };
    let remedy = "Leave it as it is; a new one may be asked for.";
    Err(Refusal::conflict(code, format!("The override {over} {text}."), remedy).into())
}

pub(crate) fn grant(world: &World, context: &Context, over: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Override, over);
    let state = world.over(&stream)?;
    must_be_asked(over, state.status)?;
    must_act_as(context, rule(state.kind)?.grants, "granted", state.kind)?;
    let signed = signature(world, context, &stream, &[], "override granted")?;
    Ok(vec![Draft::entry(&stream, OverrideGranted {}), signed])
}

pub(crate) fn refuse(world: &World, context: &Context, over: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Override, over);
    let state = world.over(&stream)?;
    must_be_asked(over, state.status)?;
    must_act_as(context, rule(state.kind)?.grants, "refused", state.kind)?;
    if context.by.account().is_some() && context.by.account() == state.requested_by.as_ref() {
        return Err(Refusal::forbidden(
            "same-person",
            format!("You asked for the override {over} yourself."),
            "Leave it unanswered, or ask a second person to refuse it.",
        )
        .into());
    }
    let why = reason(why)?;
    Ok(vec![Draft::because(&stream, OverrideRefused {}, &why)])
}

/// Refuses where the override does not allow this: not granted, used before, of another kind, order or thing.
/// Gives its stream, for [`used`].
pub(crate) fn must_be_granted(
    world: &World,
    over: &Id,
    kind: OverrideKind,
    order: &Stream,
    about: &Stream,
    wanted: Bounds<'_>,
) -> Result<Stream, Stop> {
    let stream = of(Thing::Override, over);
    let state = world.over(&stream)?;
    if (state.kind, &state.order, &state.about) != (kind, order, about) {
        return Err(Refusal::conflict(
            "override-for-another",
            format!(
                "The override {over} is for \"{}\" about the {} {}.",
                name(state.kind),
                state.about.thing().replace('_', " "),
                state.about.id()
            ),
            "Ask for one that is for this.",
        )
        .into());
    }
    let device = state.device.as_ref().map(|device| device.as_str());
    if (state.material, device) != (wanted.material, wanted.device.map(|device| device.as_str())) {
        let for_what = match (state.material, device) {
            (Some(material), _) => format!("the material line {material}"),
            (None, Some(device)) => format!("the device {device}"),
            (None, None) => "something else".to_owned(),
        };
        return Err(Refusal::conflict(
            "override-for-another",
            format!("The override {over} is for {for_what}."),
            "Ask for one that is for this.",
        )
        .into());
    }
    if let (Some(most), Some(labels)) = (state.labels, wanted.labels)
        && labels > most
    {
        return Err(Refusal::conflict(
            "override-exceeded",
            format!("The override {over} is for {most} labels at most; this would be {labels}."),
            "Give fewer; or ask for another override that says how many are needed.",
        )
        .into());
    }
    let (code, text, remedy) = match state.status {
        OverrideStatus::Granted => return Ok(stream),
        OverrideStatus::Requested => {
            ("override-not-granted", "is not granted yet", "Let a second person decide on it first.")
        }
        OverrideStatus::Refused => ("override-refused", "was refused", "Do it as the rule says."),
        OverrideStatus::Used => ("override-used", "was used already", "It is for one time; ask for a new one."),
    };
    Err(Refusal::conflict(code, format!("The override {over} {text}."), remedy).into())
}

/// The entry that uses an override up. `by`: what it was used for, for example the issue.
pub(crate) fn used(over: &Stream, by: &Stream) -> Draft {
    Draft::entry(over, OverrideUsed { by: by.clone() })
}
