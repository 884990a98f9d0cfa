//! Packaging signs, then quality reviews and approves by exception.

use std::collections::BTreeSet;

use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    DeviationDecision, HandCounted, OrderApproved, OrderRejected, OrderReopened, OrderSignedForPackaging, RemarkMade,
    Source,
};

use crate::facts::signature;
use crate::issue::order_in;
use crate::reconciliation::{is_given_up, must_stand, still_out, taken};
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{reason, said};
use crate::world::{Stop, World, of};
use crate::{
    ContainerState, ContainerStatus, Context, CountAxis, DeviationStatus, Draft, HandCountStatus, OrderState,
    OrderStatus,
};

/// Most records that one signature covers, so that its entry stays within its size.
const COVERED_MAX: usize = 1_500;

/// Most counts of the rolls of one order, so that together with its other parts a signature can cover them.
const COUNTS_MAX: usize = 1_000;

/// What an order's record leans on, as far as somebody had a part in it.
struct Leaning {
    containers: Vec<Stream>,
    /// Everything that a signature on the order covers with it.
    covered: BTreeSet<Stream>,
    /// Rolls that the line took over.
    rolls: Vec<Stream>,
    /// Un-coded rests of them that came back.
    rests: Vec<Stream>,
    /// Whatever a deviation may be about that touches the order.
    touched: BTreeSet<Stream>,
}

fn leaning(world: &World, order: &Stream, state: &OrderState) -> Result<Leaning, Stop> {
    let mut covered = BTreeSet::new();
    let parts = [
        "clearance.order",
        "container.order",
        "hand_count.order",
        "issue.order",
        "override.order",
        "reconciliation.order",
    ];
    for part in parts {
        covered.extend(world.set(&Key::new(part, order))?.iter().cloned());
    }
    must_be_covered(covered.len())?;
    let rolls = taken(world, order, None)?.rolls;
    let rests: Vec<Stream> = state.rolls.values().filter_map(|roll| roll.rest.clone()).collect();
    let mut touched = BTreeSet::from([order.clone()]);
    for stream in rolls.iter().chain(&rests) {
        let roll = world.roll(stream)?;
        // Whoever counted a roll of the order does not approve its record.
        covered.extend(roll.settled.iter().flat_map(|settled| settled.counts.iter().cloned()));
        touched.extend([stream.clone(), roll.delivery.clone()]);
        // The rest of a roll is that roll under another name; the rolls of one delivery bound the way up.
        let mut parent = roll.parent.as_ref().map(|(parent, _)| parent);
        while let Some(stream) = parent
            && touched.insert(stream.clone())
        {
            parent = world.roll(stream)?.parent.as_ref().map(|(parent, _)| parent);
        }
    }
    touched.extend(covered.iter().cloned());
    covered.extend(deviations(world, order, &touched)?);
    must_be_covered(covered.len())?;
    let containers = world.set(&Key::new("container.order", order))?.to_vec();
    Ok(Leaning { containers, covered, rolls, rests, touched })
}

/// Refuses to give the order so many rolls that nobody could sign its record in the end.
pub(crate) fn must_stay_coverable(world: &World, order: &Id, rolls: &BTreeSet<Stream>) -> Result<(), Stop> {
    let mut counts = 0_usize;
    for roll in rolls {
        counts = counts.saturating_add(world.roll(roll)?.settled.as_ref().map_or(1, |settled| settled.counts.len()));
    }
    if counts <= COUNTS_MAX {
        return Ok(());
    }
    Err(Refusal::conflict(
        "record-too-wide",
        format!(
            "With these rolls the order {order} leans on {counts} counts; a signature covers at most {COUNTS_MAX}."
        ),
        "Run it to its end with what it has; plan the rest as another order.",
    )
    .into())
}

fn must_be_covered(records: usize) -> Result<(), Stop> {
    if records <= COVERED_MAX {
        return Ok(());
    }
    Err(Refusal::conflict(
        "record-too-wide",
        format!("The order leans on {records} records; a signature covers at most {COVERED_MAX}."),
        "Tell the administrator; an order of that size is planned as several.",
    )
    .into())
}

/// Every deviation about one of them, or that holds one of them, or ever did hold the order.
fn deviations(world: &World, order: &Stream, touched: &BTreeSet<Stream>) -> Result<BTreeSet<Stream>, Stop> {
    let mut deviations = world.order(order)?.holds.clone();
    for stream in touched {
        deviations.extend(world.set(&Key::new("deviation.about", stream))?.iter().cloned());
        match stream.thing() {
            "roll" => deviations.extend(world.roll(stream)?.holds.iter().cloned()),
            "delivery" => deviations.extend(world.delivery(stream)?.holds.iter().cloned()),
            _ => {}
        }
    }
    Ok(deviations)
}

impl Leaning {
    fn also(&self) -> Vec<Stream> {
        self.covered.iter().cloned().collect()
    }

    /// Refuses where a container of the order is not as far as `enough` says.
    fn containers_must(
        &self,
        world: &World,
        enough: fn(&ContainerState) -> bool,
        code: &str,
        is_not: &str,
        remedy: &str,
    ) -> Result<(), Stop> {
        for stream in &self.containers {
            let container = world.container(stream)?;
            if !enough(container) {
                let text = format!("The container {} {is_not}.", stream.id());
                return Err(Refusal::conflict(code, text, remedy).into());
            }
        }
        Ok(())
    }

    /// Refuses where two people counted labels by hand and the number is nowhere in the account, or where a count was
    /// begun and not ended: who could leave a count out could count until it fits. One that was made by mistake is told
    /// of in a deviation about it.
    ///
    /// Rule: 21 CFR 211.125(c), every label is accounted for; (d), excess coded labels are destroyed.
    fn hand_counts_must_count(&self, world: &World, order: &Stream, state: &OrderState) -> Result<(), Stop> {
        let mut lying = BTreeSet::new();
        for container in &self.containers {
            lying.extend(&world.container(container)?.counts);
        }
        let recorded: BTreeSet<&Stream> = state
            .quantities
            .values()
            .filter_map(|quantity| match &quantity.source {
                Source::HandCount { hand_count } => Some(hand_count),
                Source::Device { .. } => None,
            })
            .collect();
        let of_order = world.set(&Key::new("hand_count.order", order))?;
        let mut agreed_since = BTreeSet::new();
        // The newest first: what differed counts for nothing once two people agree on the same thing.
        for stream in of_order.iter().rev() {
            let hand_count = world.hand_count(stream)?;
            let thing = (hand_count.material, hand_count.what);
            let is_tail = hand_count.what == HandCounted::CodedTail;
            let left = match (hand_count.status, hand_count.agreed()) {
                (HandCountStatus::Agreed, Some(labels)) => {
                    agreed_since.insert(thing);
                    let counts = lying.contains(stream) || (!is_tail && recorded.contains(stream));
                    labels.get() > 0 && !counts
                }
                (HandCountStatus::Agreed, None) => true,
                (HandCountStatus::Open, _) => !hand_count.entered.is_empty(),
                (HandCountStatus::Differed, _) => !agreed_since.contains(&thing),
            };
            if !left || !world.set(&Key::new("deviation.about", stream))?.is_empty() {
                continue;
            }
            let (code, text, remedy) = match hand_count.status {
                HandCountStatus::Agreed if is_tail => (
                    "tail-in-no-container",
                    "a coded tail was counted, and it lies in no container",
                    "Put it into a container for coded labels, and seal it; or open a deviation about the hand count.",
                ),
                HandCountStatus::Agreed => (
                    "hand-count-left-out",
                    "two people agree, and the number is in no quantity and no container",
                    "Record it; or open a deviation about the hand count, and say why it does not count.",
                ),
                HandCountStatus::Open => {
                    ("hand-count-open", "only one person has counted", "Let a second person count.")
                }
                HandCountStatus::Differed => (
                    "hand-count-open",
                    "two people differ, and nobody has counted anew",
                    "Open another hand count, and count everything anew.",
                ),
            };
            return Err(Refusal::conflict(code, format!("In the hand count {} {text}.", stream.id()), remedy).into());
        }
        Ok(())
    }
}

pub(crate) fn sign_for_packaging(world: &World, context: &Context, order: &Id) -> Result<Vec<Draft>, Stop> {
    let remedy = "It is signed for packaging when the line has finished it and every material line is reconciled.";
    let (stream, state) = order_in(world, order, &[OrderStatus::Reconciled], remedy)?;
    state.must_not_be_held(order)?;
    for planned in &state.plan.materials {
        must_stand(world, &stream, state, planned.material)?;
    }
    let leaning = leaning(world, &stream, state)?;
    leaning.hand_counts_must_count(world, &stream, state)?;
    leaning.containers_must(
        world,
        |container| container.status != ContainerStatus::Open,
        "container-open",
        "is not sealed",
        "Seal it first.",
    )?;
    let signed = signature(world, context, &stream, &leaning.also(), "signed for packaging")?;
    Ok(vec![Draft::entry(&stream, OrderSignedForPackaging {}), signed])
}

pub(crate) fn review(world: &World, context: &Context, order: &Id, statement: &str) -> Result<Vec<Draft>, Stop> {
    let remedy = "It is reviewed when it is signed for packaging and before it is approved.";
    let (stream, state) = order_in(world, order, &[OrderStatus::InReview], remedy)?;
    state.must_not_be_held(order)?;
    let text = said("statement on the audit trail", statement)?;
    let leaning = leaning(world, &stream, state)?;
    let signed = signature(world, context, &stream, &leaning.also(), "label record reviewed")?;
    Ok(vec![Draft::entry(&stream, RemarkMade { text }), signed])
}

pub(crate) fn approve(world: &World, context: &Context, order: &Id) -> Result<Vec<Draft>, Stop> {
    let remedy = "Its label record is approved after it was signed for packaging and reviewed.";
    let (stream, state) = order_in(world, order, &[OrderStatus::InReview], remedy)?;
    state.must_not_be_held(order)?;
    let facts = world.record(&stream)?.map(|record| &record.facts);
    for meaning in ["signed for packaging", "label record reviewed"] {
        if !facts.is_some_and(|facts| facts.signed(meaning)) {
            return Err(Refusal::conflict(
                "not-signed",
                format!("\"{meaning}\" is not signed on the order {order}, or the record has changed since."),
                "Let it be signed first.",
            )
            .into());
        }
    }
    for planned in &state.plan.materials {
        must_stand(world, &stream, state, planned.material)?;
    }
    let leaning = leaning(world, &stream, state)?;
    leaning.containers_must(
        world,
        // In one that was opened by mistake there is nothing to be destroyed.
        |container| container.status == ContainerStatus::Destroyed || container.counts.is_empty(),
        "container-not-destroyed",
        "is not destroyed before a witness yet",
        "Destroy it first, and let the witness sign.",
    )?;
    for roll in leaning.rolls.iter().chain(&leaning.rests) {
        if world.roll(roll)?.count_axis() == CountAxis::AtRisk {
            return Err(Refusal::conflict(
                "roll-at-risk",
                format!("No closing challenge has passed yet since the roll {} was counted.", roll.id()),
                "Challenge its station first.",
            )
            .into());
        }
    }
    deviations_must_be_accepted(world, &stream, &leaning)?;
    let signed = signature(world, context, &stream, &leaning.also(), "label record approved")?;
    Ok(vec![Draft::entry(&stream, OrderApproved {}), signed])
}

/// Refuses where a deviation that touches the order is open, or where quality rejected what it is about.
///
/// Rule: 21 CFR 211.192, no record is approved over an open investigation.
fn deviations_must_be_accepted(world: &World, order: &Stream, leaning: &Leaning) -> Result<(), Stop> {
    for stream in deviations(world, order, &leaning.touched)? {
        let deviation = world.deviation(&stream)?;
        if deviation.status != DeviationStatus::Closed {
            return Err(Refusal::conflict(
                "deviation-open",
                format!("The deviation {} touches the order {} and is not closed.", stream.id(), order.id()),
                "Investigate, decide and close it first.",
            )
            .into());
        }
        if deviation.decision == Some(DeviationDecision::Reject) {
            return Err(Refusal::forbidden(
                "deviation-rejects",
                format!("Quality decided in {} that what it is about may not be used.", stream.id()),
                "Reject the label record.",
            )
            .into());
        }
    }
    Ok(())
}

pub(crate) fn reject(world: &World, context: &Context, order: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    // Also before it is signed for packaging: an account that can never be made must not keep a record open for ever.
    let mut wanted = vec![OrderStatus::Finished, OrderStatus::Reconciled, OrderStatus::InReview];
    // Nor one that can neither start, because its item or its limits went out of use, nor be made void.
    let staged = world.order(&of(Thing::Order, order))?;
    let never_started = staged.status == OrderStatus::Staged && !staged.issues.is_empty();
    if never_started {
        wanted.push(OrderStatus::Staged);
    }
    let remedy = "Its label record is rejected after the line has finished it and before it is approved.";
    let (stream, state) = order_in(world, order, &wanted, remedy)?;
    let why = reason(why)?;
    let leaning = leaning(world, &stream, state)?;
    if never_started {
        for roll in &leaning.rolls {
            let came_back = state.rolls.get(roll).is_some_and(|roll| roll.taken_back);
            if !came_back && !is_given_up(world, roll, &stream)? {
                return Err(still_out(&roll.id()));
            }
        }
    }
    let signed = signature(world, context, &stream, &leaning.also(), "label record rejected")?;
    Ok(vec![Draft::because(&stream, OrderRejected {}, &why), signed])
}

pub(crate) fn reopen(world: &World, order: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let wanted = [OrderStatus::InReview, OrderStatus::Approved, OrderStatus::Rejected];
    let remedy = "Only a record that is with quality, approved or rejected is opened again.";
    let (stream, _) = order_in(world, order, &wanted, remedy)?;
    Ok(vec![Draft::because(&stream, OrderReopened {}, &reason(why)?)])
}
