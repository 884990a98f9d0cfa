//! Containers of labels that wait for destruction: filled, sealed, destroyed last, before a witness.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    Coding, ContainerDestroyed, ContainerDestructionConsented, ContainerDestructionDeclared, ContainerFilled,
    ContainerOpened, ContainerSealed, Contents, DeviationDecision, DeviationRule, HandCounted, OrderPartBegun,
    OverrideKind, Severity, Verdict,
};
use tallyseal_schema::{Body, Entry, Labels, Time};

use crate::delivery::held;
use crate::facts::signature;
use crate::hand_count::{agreed_for, nothing_coded};
use crate::issue::{DAY, TOGETHER_MIN, lapsed, order_in};
use crate::reconciliation::must_stand;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{line, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, DeviationStatus, Draft, OrderState, OrderStatus, deviation, overrides};

/// Days from sealing in which a container is destroyed. The site's to change; no number in law.
pub const DESTROY_DAYS: i64 = 30;

/// Most containers of one order.
const CONTAINERS_MAX: usize = 200;

/// The states of an order in which containers are opened, filled and sealed.
const FILLING: &[OrderStatus] = &[
    OrderStatus::Staged,
    OrderStatus::InProgress,
    OrderStatus::Interrupted,
    OrderStatus::Finished,
    OrderStatus::Reconciled,
];

const FILLING_REMEDY: &str =
    "Containers are filled until the order is signed for packaging; then a reviewer opens it again.";

/// The states of an order in which its containers are destroyed.
const DESTROYING: &[OrderStatus] = &[OrderStatus::Finished, OrderStatus::Reconciled, OrderStatus::InReview];

const DESTROYING_REMEDY: &str = "Destruction comes last: after the account of its labels, and before the approval.";

/// How far a container has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ContainerStatus {
    /// Being filled.
    Open,
    /// Sealed and locked up.
    Sealed,
    /// One person has destroyed it; the witness has not signed yet.
    Declared,
    /// Destroyed before a witness.
    Destroyed,
}

/// What is remembered of a container.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContainerState {
    /// The account outside its limits with which quality lets it be destroyed all the same.
    pub consented: Option<Stream>,
    /// What it holds.
    pub contents: Contents,
    /// Hand counts that were put in.
    pub counts: BTreeSet<Stream>,
    /// Who has destroyed it, how many, and when they said so.
    pub declared: Option<(AccountId, Labels, Time)>,
    /// Labels in it.
    pub labels: Labels,
    /// The override that was used because it is destroyed after its day.
    pub late: Option<Stream>,
    /// Material line.
    pub material: u16,
    /// Of which order.
    pub order: Stream,
    /// Where it stands.
    pub place: String,
    /// The seal, and when it was sealed.
    pub sealed: Option<(String, Time)>,
    /// How far it has come.
    pub status: ContainerStatus,
}

impl ContainerState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::ContainerOpened(body) = body else { return None };
        Some(Self {
            consented: None,
            contents: body.contents,
            counts: BTreeSet::new(),
            declared: None,
            labels: Labels::ZERO,
            late: None,
            material: body.material,
            order: body.order.clone(),
            place: body.place.clone(),
            sealed: None,
            status: ContainerStatus::Open,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::ContainerFilled(body) => {
                self.counts.insert(body.hand_count.clone());
                self.labels = self.labels.plus(body.labels).unwrap_or(self.labels);
            }
            Body::ContainerSealed(body) => {
                self.sealed = Some((body.seal.clone(), entry.header.at));
                self.status = ContainerStatus::Sealed;
            }
            Body::ContainerDestructionConsented(body) => self.consented = Some(body.reconciliation.clone()),
            Body::ContainerDestructionDeclared(body) => {
                self.declared =
                    entry.header.by.account().map(|account| (account.clone(), body.labels, entry.header.at));
                self.late = body.late.clone().or(self.late.take());
                self.status = ContainerStatus::Declared;
            }
            Body::ContainerDestroyed(_) => self.status = ContainerStatus::Destroyed,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("container.order", &self.order));
        // In one that was sealed empty there is nothing to be destroyed.
        let empty = self.sealed.is_some() && self.counts.is_empty();
        if self.status != ContainerStatus::Destroyed && !empty {
            keys.push(Key::new("container.waits", "yes"));
        }
    }
}

impl ContainerState {
    /// Refuses where it does not wait for its destruction. A declaration without its witness lapses, and is made again.
    fn must_wait(&self, id: &Id, now: Time) -> Result<(), Stop> {
        match &self.declared {
            Some((_, _, at)) if lapsed(*at, now) => self.must_be(id, &[ContainerStatus::Declared]),
            _ => self.must_be(id, &[ContainerStatus::Sealed]),
        }
    }

    fn must_be(&self, id: &Id, wanted: &[ContainerStatus]) -> Result<(), Stop> {
        if wanted.contains(&self.status) {
            return Ok(());
        }
        let (code, text, remedy) = match self.status {
            ContainerStatus::Open => ("container-open", "is not sealed", "Seal it first."),
            ContainerStatus::Sealed => {
                ("container-sealed", "is sealed", "Leave it locked up; open another one for what is further there.")
            }
            ContainerStatus::Declared => (
                "destruction-declared",
                "is declared destroyed",
                "Let the witness who was there sign; after half an hour it is declared again.",
            ),
            ContainerStatus::Destroyed => ("container-destroyed", "is destroyed", "Nothing is left to do."),
        };
        Err(Refusal::conflict(code, format!("The container {id} {text}."), remedy).into())
    }
}

pub(crate) fn open(
    world: &World,
    container: &Id,
    order: &Id,
    material: u16,
    contents: Contents,
    place: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Container, container);
    world.must_be_new("container", &stream)?;
    let (order_stream, state) = order_in(world, order, FILLING, FILLING_REMEDY)?;
    let line_of = state.material(order, material)?;
    if contents == Contents::Coded && line_of.coding == Coding::None {
        return Err(nothing_coded(material));
    }
    let known = world.set(&Key::new("container.order", &order_stream))?.len();
    if known >= CONTAINERS_MAX {
        return Err(Refusal::conflict(
            "too-many-containers",
            format!("The order {order} has {known} containers already, and takes no more."),
            "Fill those that are open.",
        )
        .into());
    }
    let part = Draft::entry(&order_stream, OrderPartBegun { part: stream.clone() });
    let body = ContainerOpened { contents, material, order: order_stream, place: line("place", place)? };
    Ok(vec![Draft::entry(&stream, body), part])
}

/// What may go into a container, by its count. A coded tail also goes in without its roll: cut off the machine after the
/// roll had run out.
const fn goes_in(contents: Contents) -> &'static [HandCounted] {
    match contents {
        Contents::Coded => &[HandCounted::CodedTail],
        Contents::Spoiled => &[HandCounted::Spoiled, HandCounted::Container],
        Contents::Rejected => &[HandCounted::Rejected, HandCounted::Container],
        Contents::Uncoded => &[HandCounted::Container],
    }
}

/// The entry that puts counted labels into a container of that order and material line. Each hand count goes into one
/// container, once.
pub(crate) fn filled(
    world: &World,
    container: &Id,
    order: &Stream,
    material: u16,
    contents: Contents,
    hand_count: &Stream,
) -> Result<Draft, Stop> {
    let stream = of(Thing::Container, container);
    let state = world.container(&stream)?;
    state.must_be(container, &[ContainerStatus::Open])?;
    if state.order != *order || state.material != material || state.contents != contents {
        return Err(Refusal::conflict(
            "container-for-another",
            format!("The container {container} is for another order, material line or content."),
            "Take the container that is open for just this, or open one.",
        )
        .into());
    }
    let labels = agreed_for(world, hand_count, order, Some(material), goes_in(contents))?;
    for other in world.set(&Key::new("container.order", order))? {
        if world.container(other)?.counts.contains(hand_count) {
            return Err(Refusal::conflict(
                "hand-count-used",
                format!("The hand count {} is in the container {} already.", hand_count.id(), other.id()),
                "Labels go into one container, once; count what is further there as another hand count.",
            )
            .into());
        }
    }
    if state.labels.plus(labels).is_none() {
        return Err(Refusal::conflict(
            "container-full",
            format!("With them the container {container} would hold more than {} labels.", Labels::MAX),
            "Seal it, and open another one.",
        )
        .into());
    }
    Ok(Draft::entry(&stream, ContainerFilled { hand_count: hand_count.clone(), labels }))
}

pub(crate) fn fill(world: &World, container: &Id, hand_count: &Id) -> Result<Vec<Draft>, Stop> {
    let state = world.container(&of(Thing::Container, container))?;
    order_in(world, &state.order.id(), FILLING, FILLING_REMEDY)?;
    let counted = of(Thing::HandCount, hand_count);
    Ok(vec![filled(world, container, &state.order, state.material, state.contents, &counted)?])
}

/// An empty one too: opened by mistake, it would stand in the way of the order for ever.
pub(crate) fn seal(world: &World, context: &Context, container: &Id, seal: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Container, container);
    let state = world.container(&stream)?;
    state.must_be(container, &[ContainerStatus::Open])?;
    order_in(world, &state.order.id(), FILLING, FILLING_REMEDY)?;
    let seal = line("seal", seal)?;
    let signed = signature(world, context, &stream, &[], "container sealed")?;
    Ok(vec![Draft::entry(&stream, ContainerSealed { labels: state.labels, seal }), signed])
}

/// The account of the container's material line, which stands and was checked, and whether a limit is broken.
fn account(world: &World, state: &ContainerState, order: &OrderState) -> Result<(Stream, bool), Stop> {
    let stream = must_stand(world, &state.order, order, state.material)?;
    let computed = &world.reconciliation(&stream)?.computed;
    let outside = [computed.balance, computed.against_product].contains(&Verdict::Outside);
    Ok((stream, outside))
}

pub(crate) fn consent(world: &World, context: &Context, container: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Container, container);
    let state = world.container(&stream)?;
    state.must_wait(container, context.at)?;
    let (_, order) = order_in(world, &state.order.id(), DESTROYING, DESTROYING_REMEDY)?;
    let (reconciliation, outside) = account(world, state, order)?;
    if !outside || state.consented.as_ref() == Some(&reconciliation) {
        return Err(Refusal::conflict(
            "no-consent-needed",
            format!("The container {container} may be destroyed as it is."),
            "Nothing is left to do.",
        )
        .into());
    }
    let why = reason(why)?;
    let also = std::slice::from_ref(&reconciliation);
    let signed = signature(world, context, &stream, also, "destruction consented")?;
    let body = ContainerDestructionConsented { reconciliation };
    Ok(vec![Draft::because(&stream, body, &why), signed])
}

/// Rule: 21 CFR 211.125(d) and label-control practice: counted, sealed, accounted for, and only then destroyed.
pub(crate) fn declare(
    world: &World,
    context: &Context,
    container: &Id,
    labels: Labels,
    method: &str,
    place: &str,
    late: Option<&Id>,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Container, container);
    let state = world.container(&stream)?;
    state.must_wait(container, context.at)?;
    let (_, order) = order_in(world, &state.order.id(), DESTROYING, DESTROYING_REMEDY)?;
    // Labels are evidence while a hold is not decided. Where quality has rejected, its hold is never lifted.
    for hold in &order.holds {
        let deviation = world.deviation(hold)?;
        if deviation.status != DeviationStatus::Closed || deviation.decision != Some(DeviationDecision::Reject) {
            return Err(held("order", &state.order.id(), hold));
        }
    }
    let (reconciliation, outside) = account(world, state, order)?;
    if outside && state.consented.as_ref() != Some(&reconciliation) {
        return Err(Refusal::conflict(
            "consent-needed",
            format!("The account of the labels in the container {container} is outside its limits."),
            "Keep it locked up; a reviewer may consent to its destruction.",
        )
        .into());
    }
    let used = late_override(world, context, container, &stream, state, late)?;
    let body = ContainerDestructionDeclared {
        labels,
        late: late.map(|over| of(Thing::Override, over)),
        method: said("method", method)?,
        place: line("place", place)?,
    };
    let signed = signature(world, context, &stream, &[], "destroyed")?;
    let mut drafts = vec![Draft::entry(&stream, body)];
    drafts.extend(used.as_ref().map(|over| overrides::used(over, &stream)));
    let told = state.declared.as_ref().is_some_and(|(_, before, _)| *before == labels);
    if labels != state.labels && !told {
        let severity = if state.contents == Contents::Coded { Severity::Critical } else { Severity::Major };
        let text = format!(
            "The container {container} was sealed with {} labels; {labels} were destroyed by the declaration.",
            state.labels
        );
        let about = vec![stream.clone(), state.order.clone(), reconciliation];
        let rule = DeviationRule::DestructionDiffers;
        let (cause, opened) = deviation::by_rule(world, 0, rule, severity, about.clone(), text)?;
        drafts.push(opened);
        drafts.extend(deviation::all_questioned(&about, &cause));
    }
    drafts.push(signed);
    Ok(drafts)
}

/// The override that is used up because the container is destroyed after its day; `None` where none is, or where the
/// lapsed declaration before this one used it.
fn late_override(
    world: &World,
    context: &Context,
    container: &Id,
    stream: &Stream,
    state: &ContainerState,
    late: Option<&Id>,
) -> Result<Option<Stream>, Stop> {
    let is_late =
        state.sealed.as_ref().is_some_and(|(_, at)| context.at > at.plus_micros(DESTROY_DAYS.saturating_mul(DAY)));
    match (is_late, late) {
        (false, None) => Ok(None),
        (true, Some(over)) if state.late.as_ref() == Some(&of(Thing::Override, over)) => Ok(None),
        (true, Some(over)) => {
            let kind = OverrideKind::LateDestruction;
            overrides::must_be_granted(world, over, kind, &state.order, stream, Default::default()).map(Some)
        }
        (true, None) => Err(Refusal::conflict(
            "destruction-late",
            format!("The container {container} was sealed more than {DESTROY_DAYS} days ago."),
            "Keep it locked up; ask for an override with a reason, and let a reviewer grant it.",
        )
        .into()),
        (false, Some(_)) => Err(Refusal::invalid(
            "override-not-needed",
            format!("The container {container} was sealed no more than {DESTROY_DAYS} days ago."),
            "Declare it without the override.",
        )
        .into()),
    }
}

pub(crate) fn witness(world: &World, context: &Context, container: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Container, container);
    let state = world.container(&stream)?;
    let declared = state.declared.as_ref().filter(|_| state.status == ContainerStatus::Declared);
    let Some((_, labels, at)) = declared else {
        state.must_be(container, &[ContainerStatus::Declared])?;
        return Err(Refusal::internal("a declared destruction has its declaration").into());
    };
    if lapsed(*at, context.at) {
        return Err(Refusal::conflict(
            "declaration-lapsed",
            format!("The destruction of {container} was declared more than {TOGETHER_MIN} minutes ago."),
            "Only who was there witnesses it: let it be declared again, with both people there.",
        )
        .into());
    }
    let signed = signature(world, context, &stream, &[], "destruction witnessed")?;
    Ok(vec![Draft::entry(&stream, ContainerDestroyed { labels: *labels }), signed])
}
