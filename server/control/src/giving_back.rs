//! Giving back: the line hands back sealed and uncounted; the label room cuts off the coded tail and counts the rest.
//!
//! A roll comes back whatever holds it: only so can its order be accounted for. What held it holds its rest.

use tallyseal_schema::Labels;
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    Coding, Contents, DeviationDecision, DeviationRule, HandCounted, OrderReturnTaken, OrderRollGivenBack, RollEnd,
    RollEnded, RollGivenBack, RollHeld, RollObsoleted, RollRejected, RollReturnReleased, RollReturned, Severity,
};

use crate::container::filled;
use crate::delivery::held;
use crate::facts::signature;
use crate::hand_count::{agreed_for, nothing_coded};
use crate::issue::{elsewhere, must_be_of_order, order_in};
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::line;
use crate::world::{Stop, World, of};
use crate::{
    Context, CountAxis, Custody, DeliveryStatus, DeviationStatus, Draft, OrderRoll, OrderState, OrderStatus, Quality,
    RollState, deviation,
};

/// The states of an order in which rolls come back.
const RETURNING: &[OrderStatus] = &[
    OrderStatus::Staged,
    OrderStatus::InProgress,
    OrderStatus::Interrupted,
    OrderStatus::Finished,
    // One that was given up and is found after all: the account is made anew.
    OrderStatus::Reconciled,
];

const RETURNING_REMEDY: &str =
    "Rolls come back before the order is signed for packaging; for one that is found later, tell the reviewer.";

/// Also a roll that was never scanned in: what may not be received can go back.
pub(crate) fn give_back(world: &World, order: &Id, material: u16, roll: &Id, seal: &str) -> Result<Vec<Draft>, Stop> {
    let (order_stream, state) = order_in(world, order, RETURNING, RETURNING_REMEDY)?;
    state.material(order, material)?;
    let stream = of(Thing::Roll, roll);
    let custody = &world.roll(&stream)?.custody;
    must_be_of_order(roll, &stream, custody, &order_stream, state, material)?;
    if !matches!(custody, Custody::Line { .. } | Custody::Taken { .. }) {
        return Err(elsewhere(roll, custody));
    }
    let body = OrderRollGivenBack { material, roll: stream.clone(), seal: line("seal", seal)? };
    Ok(vec![Draft::entry(&order_stream, body), Draft::entry(&stream, RollGivenBack { order: order_stream.clone() })])
}

/// What is given.
pub(crate) struct Taking<'a> {
    pub container: Option<&'a Id>,
    pub material: u16,
    pub order: &'a Id,
    pub place: &'a str,
    pub rest: Option<&'a Id>,
    pub roll: &'a Id,
    pub seal_intact: bool,
    pub tail: Option<&'a Id>,
}

pub(crate) fn take_back(world: &World, context: &Context, given: &Taking<'_>) -> Result<Vec<Draft>, Stop> {
    let (order, state) = order_in(world, given.order, RETURNING, RETURNING_REMEDY)?;
    let material = state.material(given.order, given.material)?;
    let stream = of(Thing::Roll, given.roll);
    let roll = world.roll(&stream)?;
    must_be_of_order(given.roll, &stream, &roll.custody, &order, state, given.material)?;
    if !matches!(roll.custody, Custody::GivenBack { .. }) {
        return Err(elsewhere(given.roll, &roll.custody));
    }
    let known = state.rolls.get(&stream).ok_or_else(|| Refusal::internal("a roll that its order does not know"))?;
    if known.given_back.is_some() && context.by.account() == known.given_back.as_ref() {
        return Err(Refusal::forbidden(
            "same-person",
            format!("You handed the roll {} back yourself; the label room takes it over.", given.roll),
            "Ask another person of the label room to take it back.",
        )
        .into());
    }
    let place = line("place", given.place)?;
    let coded = material.coding == Coding::Line;
    let tail = tail_of(world, given, &order, state, known, coded)?;
    let rest = given.rest.map(|rest| of(Thing::Roll, rest));
    if let Some(rest) = &rest {
        world.must_be_new("roll", rest)?;
    } else if known.ran.is_none() || !coded || tail.as_ref().is_none_or(|tail| tail.labels == Labels::ZERO) {
        return Err(Refusal::invalid(
            "no-rest",
            format!(
                "The roll {} came back with labels on it, and it is not said as which roll they go on.",
                given.roll
            ),
            "Put a new tag on what is left, and scan it.",
        )
        .into());
    }
    let mut drafts = Vec::new();
    if let Some(rest) = &rest {
        drafts.extend(becomes(rest, &stream, roll, &order, place));
    }
    let body = OrderReturnTaken {
        container: given.container.map(|container| of(Thing::Container, container)),
        material: given.material,
        rest: rest.clone(),
        roll: stream.clone(),
        seal_intact: given.seal_intact,
        tail: tail.as_ref().map(|tail| tail.count.clone()),
    };
    drafts.push(Draft::entry(&order, body));
    drafts.push(Draft::entry(&stream, RollEnded { child: rest.clone(), how: RollEnd::Returned }));
    drafts.extend(tail.and_then(|tail| tail.put_in));
    if !given.seal_intact {
        let text = format!(
            "The seal of the roll {} was broken or missing when it came back from the order {}.",
            given.roll, given.order
        );
        let mut about = vec![stream, order];
        about.extend(rest);
        let rule = DeviationRule::SealBroken;
        let (cause, opened) = deviation::by_rule(world, 0, rule, Severity::Major, about.clone(), text)?;
        drafts.push(opened);
        drafts.extend(deviation::all_questioned(&about, &cause));
    }
    Ok(drafts)
}

/// A coded tail that was cut off and counted.
struct Tail {
    count: Stream,
    labels: Labels,
    /// The entry that puts it into its container, where there is something to put in.
    put_in: Option<Draft>,
}

/// The coded tail. A roll of coded material that was on a dispenser has a count of it in every case, be it of 0 labels;
/// a container is given where there is something to put in, and only there.
///
/// Rule: 21 CFR 211.125(d): excess labels with a lot or control number are destroyed. Coded labels never go back to
/// stock, for nobody.
fn tail_of(
    world: &World,
    given: &Taking<'_>,
    order: &Stream,
    state: &OrderState,
    known: &OrderRoll,
    coded: bool,
) -> Result<Option<Tail>, Stop> {
    let tail = match given.tail {
        Some(_) if !coded => return Err(nothing_coded(given.material)),
        Some(_) if known.ran.is_none() => {
            return Err(Refusal::invalid(
                "roll-was-not-mounted",
                format!("The roll {} was on no dispenser; nothing of it is coded.", given.roll),
                "Leave the tail away; if labels of it are coded all the same, tell the reviewer.",
            )
            .into());
        }
        Some(tail) => of(Thing::HandCount, tail),
        None if coded && known.ran.is_some() => {
            return Err(Refusal::conflict(
                "coded-tail-not-counted",
                format!("The roll {} was on a dispenser, and its coded labels are not counted.", given.roll),
                "Cut the coded tail off, let two people count it, none being 0, and give the count; coded labels never \
                 go back to stock.",
            )
            .into());
        }
        None => {
            return match given.container {
                Some(container) => Err(nothing_for(container)),
                None => Ok(None),
            };
        }
    };
    let labels = agreed_for(world, &tail, order, Some(given.material), &[HandCounted::CodedTail])?;
    if let Some((other, _)) = state.rolls.iter().find(|(_, one)| one.tail.as_ref() == Some(&tail)) {
        return Err(Refusal::conflict(
            "hand-count-used",
            format!("The hand count {} is of the tail of the roll {} already.", tail.id(), other.id()),
            "Count the tail of this roll as another one.",
        )
        .into());
    }
    let put_in = match (given.container, labels == Labels::ZERO) {
        (Some(container), true) => return Err(nothing_for(container)),
        (None, true) => None,
        (Some(container), false) => Some(filled(world, container, order, given.material, Contents::Coded, &tail)?),
        (None, false) => {
            return Err(Refusal::invalid(
                "no-container",
                format!("The coded tail of the roll {} has {labels} labels, and no container.", given.roll),
                "Open a container for coded labels of this material line, and give it.",
            )
            .into());
        }
    };
    Ok(Some(Tail { count: tail, labels, put_in }))
}

fn nothing_for(container: &Id) -> Stop {
    Refusal::invalid(
        "nothing-to-put-in",
        format!("There are no coded labels to put into the container {container}."),
        "Leave the container away.",
    )
    .into()
}

/// The rest as a roll of its own: in quarantine, and under everything that lay over the roll it was part of.
fn becomes(rest: &Stream, parent: &Stream, roll: &RollState, order: &Stream, place: String) -> Vec<Draft> {
    let body = RollReturned {
        delivery: roll.delivery.clone(),
        item: roll.item.clone(),
        order: order.clone(),
        parent: parent.clone(),
        place,
    };
    let mut drafts = vec![Draft::entry(rest, body)];
    match roll.quality {
        Quality::Quarantine | Quality::Released => {}
        Quality::Rejected => drafts.push(Draft::entry(rest, RollRejected { delivery: roll.delivery.clone() })),
        Quality::Obsolete => drafts.push(Draft::entry(rest, RollObsoleted { item: roll.item.clone() })),
    }
    drafts.extend(roll.holds.iter().map(|cause| Draft::entry(rest, RollHeld { cause: cause.clone() })));
    drafts
}

/// Rule: 21 CFR 211.125(e): returned labels are kept so that they cannot be mixed up, and released anew.
pub(crate) fn release(world: &World, context: &Context, roll: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Roll, roll);
    let state = world.roll(&stream)?;
    let Some((parent, _)) = &state.parent else {
        return Err(Refusal::conflict(
            "nothing-came-back",
            format!("The roll {roll} did not come back from a packaging order."),
            "It is released with its delivery.",
        )
        .into());
    };
    state.must_be_free(roll)?;
    let refused = |code: &str, text: String, remedy: &str| Stop::from(Refusal::conflict(code, text, remedy));
    if state.quality == Quality::Released {
        return Err(refused(
            "already-released",
            format!("The roll {roll} is released already."),
            "Nothing is left to do.",
        ));
    }
    if state.settled.is_none() || state.open_count.is_some() || state.unsigned_count.is_some() {
        return Err(refused(
            "roll-not-counted",
            format!("What came back as the roll {roll} is not counted to the end."),
            "Count it as a return, and sign the count first.",
        ));
    }
    // Issued and used up it could never be counted again, and the account of its order would lose its number.
    if state.count_axis() == CountAxis::AtRisk {
        return Err(refused(
            "roll-at-risk",
            format!("No closing challenge has passed yet since the roll {roll} was counted."),
            "Challenge its station first.",
        ));
    }
    let delivery = world.delivery(&state.delivery)?;
    if let Some(hold) = delivery.holds.first() {
        return Err(held("delivery", &state.delivery.id(), hold));
    }
    if delivery.status != DeliveryStatus::Released {
        return Err(refused(
            "delivery-not-released",
            format!("The delivery {} of the roll {roll} is not released.", state.delivery.id()),
            "Leave the roll in quarantine.",
        ));
    }
    world.item(&state.item)?.must_be_usable(&state.item.id(), context.at)?;
    for about in world.set(&Key::new("deviation.about", &stream))? {
        let deviation = world.deviation(about)?;
        if deviation.status != DeviationStatus::Closed {
            return Err(refused(
                "deviation-open",
                format!("The deviation {} about the roll {roll} is not closed.", about.id()),
                "Investigate, decide and close it first.",
            ));
        }
        if deviation.decision == Some(DeviationDecision::Reject) {
            return Err(refused(
                "deviation-rejects",
                format!("The deviation {} decided that the roll {roll} may not be used.", about.id()),
                "Leave it set aside for destruction.",
            ));
        }
    }
    let signed = signature(world, context, &stream, std::slice::from_ref(parent), "return released")?;
    Ok(vec![Draft::entry(&stream, RollReturnReleased {}), signed])
}
