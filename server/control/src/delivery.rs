//! Deliveries: received, examined, released or rejected; held whole when a wrong label is found in one.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    DeliveryExamined, DeliveryHeld, DeliveryReceived, DeliveryRejected, DeliveryReleased, ExaminationResult, Form,
    RollHeld, RollReceived, RollRejected, RollReleased, RollStated, Specimen,
};
use tallyseal_schema::{Body, Entry, Labels, Time};

use crate::facts::signature;
use crate::item::checked_specimen;
use crate::refusal::Refusal;
use crate::roll::{delivery_key, handed_out_key, held_by_key};
use crate::state::Key;
use crate::text::{line, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft, ItemStatus, Quality};

/// Most rolls in one delivery, so that the entry which lists them stays within its size.
const ROLLS_MAX: usize = 1_000;

/// How far a delivery has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DeliveryStatus {
    /// In quarantine.
    Received,
    /// Examined, and may be released by its plan.
    ExaminedGood,
    /// Examined, and may not.
    ExaminedBad,
    /// Released by quality.
    Released,
    /// Rejected by quality.
    Rejected,
}

/// What is remembered of a delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeliveryState {
    /// Deviations that hold it.
    pub holds: BTreeSet<Stream>,
    /// Of what.
    pub item: Stream,
    /// When it was received.
    pub received_at: Time,
    /// Every roll, in the order of receipt.
    pub rolls: Vec<Stream>,
    /// How far it has come.
    pub status: DeliveryStatus,
    /// From whom.
    pub supplier: Stream,
    /// The supplier's lot.
    pub supplier_lot: String,
}

impl DeliveryState {
    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::DeliveryReceived(body) = &entry.body else { return None };
        Some(Self {
            holds: BTreeSet::new(),
            item: body.item.clone(),
            received_at: entry.header.at,
            rolls: body.rolls.iter().map(|stated| of(Thing::Roll, &stated.roll)).collect(),
            status: DeliveryStatus::Received,
            supplier: body.supplier.clone(),
            supplier_lot: body.supplier_lot.clone(),
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::DeliveryExamined(body) => {
                self.status = match body.result {
                    ExaminationResult::Accept => DeliveryStatus::ExaminedGood,
                    ExaminationResult::Reject => DeliveryStatus::ExaminedBad,
                }
            }
            Body::DeliveryReleased(_) => self.status = DeliveryStatus::Released,
            Body::DeliveryRejected(_) => self.status = DeliveryStatus::Rejected,
            Body::DeliveryHeld(body) => {
                self.holds.insert(body.cause.clone());
            }
            Body::DeliveryHoldLifted(body) => {
                self.holds.remove(&body.cause);
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if matches!(self.status, DeliveryStatus::Received | DeliveryStatus::ExaminedGood | DeliveryStatus::ExaminedBad)
        {
            keys.push(Key::new("delivery.waits", "yes"));
        }
        keys.push(Key::new("delivery.item", &self.item));
        keys.push(Key::new("delivery.supplier_lot", &self.supplier_lot));
        match self.status {
            DeliveryStatus::Received => keys.push(Key::new("delivery.to_examine", "yes")),
            DeliveryStatus::ExaminedGood => keys.push(Key::new("delivery.to_release", "yes")),
            DeliveryStatus::ExaminedBad => keys.push(Key::new("delivery.to_reject", "yes")),
            DeliveryStatus::Released | DeliveryStatus::Rejected => {}
        }
        if !self.holds.is_empty() {
            keys.push(Key::new("delivery.held", "yes"));
        }
        keys.extend(self.holds.iter().map(held_by_key));
    }
}

/// What is given when a shipment is received.
pub(crate) struct Receipt<'a> {
    pub condition: &'a str,
    pub delivery: &'a Id,
    pub item: &'a Id,
    pub maker: &'a str,
    pub place: &'a str,
    pub receiving_code: &'a str,
    pub rolls: &'a [RollStated],
    pub supplier: &'a Id,
    pub supplier_lot: &'a str,
}

pub(crate) fn receive(world: &World, given: &Receipt<'_>) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Delivery, given.delivery);
    world.must_be_new("delivery", &stream)?;
    let item = of(Thing::Item, given.item);
    let supplier = of(Thing::Supplier, given.supplier);
    let state = world.item(&item)?;
    match state.status {
        ItemStatus::Approved => {}
        ItemStatus::Drafted => {
            return Err(Refusal::conflict(
                "item-not-approved",
                format!("The item {} is a draft.", given.item),
                "Let a reviewer approve it first; keep the shipment apart until then.",
            )
            .into());
        }
        ItemStatus::RunningOut | ItemStatus::Obsolete => {
            return Err(Refusal::conflict(
                "item-obsolete",
                format!("The item {} is obsolete; nothing new is received of it.", given.item),
                "Keep the shipment apart and tell the supplier and the reviewer.",
            )
            .into());
        }
    }
    if state.draft.form == Form::Cut {
        return Err(Refusal::conflict(
            "cut-labels",
            format!("The item {} comes as cut labels, and this book receives rolls only.", given.item),
            "Keep them closed and apart, and account for them on paper by the procedure.",
        )
        .into());
    }
    if !world.supplier(&supplier)?.approved_for.contains(&item) {
        return Err(Refusal::conflict(
            "supplier-not-approved",
            format!("The supplier {} is not approved for {}.", given.supplier, given.item),
            "Keep the shipment apart; a reviewer may approve the supplier for this item.",
        )
        .into());
    }
    if given.rolls.is_empty() || given.rolls.len() > ROLLS_MAX {
        return Err(Refusal::invalid(
            "number-of-rolls",
            format!("A delivery has 1 to {ROLLS_MAX} rolls; this one has {}.", given.rolls.len()),
            "Scan every roll in; receive a larger shipment in parts.",
        )
        .into());
    }
    let mut seen = BTreeSet::new();
    for stated in given.rolls {
        if !seen.insert(&stated.roll) {
            return Err(Refusal::invalid(
                "roll-twice",
                format!("The roll {} stands twice in the list.", stated.roll),
                "Scan every roll once.",
            )
            .into());
        }
        if stated.stated == Labels::ZERO {
            return Err(Refusal::invalid(
                "nothing-stated",
                format!("Nothing is stated for the roll {}.", stated.roll),
                "Give the quantity that the supplier states on it.",
            )
            .into());
        }
        world.must_be_new("roll", &of(Thing::Roll, &stated.roll))?;
    }
    let place = line("place", given.place)?;
    let received = DeliveryReceived {
        condition: said("condition", given.condition)?,
        item: item.clone(),
        maker: line("maker", given.maker)?,
        place: place.clone(),
        receiving_code: line("receiving code", given.receiving_code)?,
        rolls: given.rolls.to_vec(),
        supplier,
        supplier_lot: line("supplier's lot", given.supplier_lot)?,
    };
    let rolls = given.rolls.iter().map(|stated| {
        let body =
            RollReceived { delivery: stream.clone(), item: item.clone(), place: place.clone(), stated: stated.stated };
        Draft::entry(&of(Thing::Roll, &stated.roll), body)
    });
    Ok(std::iter::once(Draft::entry(&stream, received)).chain(rolls).collect())
}

/// What is given when a shipment is examined.
pub(crate) struct Examination<'a> {
    pub critical: u32,
    pub delivery: &'a Id,
    pub major: u32,
    pub minor: u32,
    pub plan: &'a str,
    pub reached: &'a str,
    pub result: ExaminationResult,
    pub rolls: &'a [Id],
    pub sampled: Labels,
    pub specimen: &'a Specimen,
}

pub(crate) fn examine(world: &World, context: &Context, given: &Examination<'_>) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Delivery, given.delivery);
    let state = world.delivery(&stream)?;
    match state.status {
        DeliveryStatus::Received => {}
        DeliveryStatus::Rejected => {
            return Err(Refusal::conflict(
                "delivery-rejected",
                format!("The delivery {} is rejected.", given.delivery),
                "Put it with the rejected goods; there is nothing left to examine.",
            )
            .into());
        }
        DeliveryStatus::ExaminedGood | DeliveryStatus::ExaminedBad | DeliveryStatus::Released => {
            return Err(Refusal::conflict(
                "already-examined",
                format!("The delivery {} is already examined.", given.delivery),
                "A second examination needs quality's decision: tell the reviewer.",
            )
            .into());
        }
    }
    if let Some(hold) = state.holds.first() {
        return Err(held("delivery", given.delivery, hold));
    }
    let rolls: Vec<Stream> = given.rolls.iter().map(|roll| of(Thing::Roll, roll)).collect();
    if let Some(stranger) = rolls.iter().find(|roll| !state.rolls.contains(roll)) {
        return Err(Refusal::invalid(
            "roll-of-another-delivery",
            format!("The roll {} is not in the delivery {}.", stranger.id(), given.delivery),
            "Scan only rolls of this delivery; set the other aside and tell the reviewer.",
        )
        .into());
    }
    if rolls.iter().collect::<BTreeSet<_>>().len() != rolls.len() {
        return Err(Refusal::invalid(
            "roll-twice",
            "A roll stands twice in the list of opened rolls.",
            "Give every opened roll once.",
        )
        .into());
    }
    if rolls.is_empty() || given.sampled == Labels::ZERO {
        return Err(Refusal::invalid(
            "nothing-examined",
            "No roll was opened, or no label was looked at.",
            "Give the rolls that were opened and how many labels were examined.",
        )
        .into());
    }
    // Critical defects (text, strength, code) are accept-on-zero whatever the plan says of others.
    if given.critical > 0 && given.result == ExaminationResult::Accept {
        return Err(Refusal::invalid(
            "critical-defects-reject",
            format!("Critical defects were found ({}); one is enough to reject.", given.critical),
            "Record the result as reject; quality decides what follows.",
        )
        .into());
    }
    let body = DeliveryExamined {
        critical: given.critical,
        major: given.major,
        minor: given.minor,
        plan: said("plan", given.plan)?,
        reached: said("how labels inside rolls were reached", given.reached)?,
        result: given.result,
        rolls,
        sampled: given.sampled,
        specimen: checked_specimen(given.specimen)?,
    };
    let signed = signature(world, context, &stream, &[], "examined")?;
    Ok(vec![Draft::entry(&stream, body), signed])
}

pub(crate) fn release(world: &World, context: &Context, delivery: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Delivery, delivery);
    let state = world.delivery(&stream)?;
    if let Some(hold) = state.holds.first() {
        return Err(held("delivery", delivery, hold));
    }
    let next = match state.status {
        DeliveryStatus::ExaminedGood => None,
        DeliveryStatus::Received => {
            Some(("delivery-not-examined", "is not examined", "Let the incoming examiner examine it first."))
        }
        DeliveryStatus::ExaminedBad => Some((
            "examination-rejects",
            "was examined and may not be released by its plan",
            "Reject it, or let quality decide on a deviation.",
        )),
        DeliveryStatus::Released => Some(("already-released", "is released already", "Nothing is left to do.")),
        DeliveryStatus::Rejected => Some((
            "delivery-rejected",
            "is rejected",
            "A rejected delivery is never released; send it back or destroy it.",
        )),
    };
    if let Some((code, text, remedy)) = next {
        return Err(Refusal::conflict(code, format!("The delivery {delivery} {text}."), remedy).into());
    }
    world.item(&state.item)?.must_be_usable(&state.item.id(), context.at)?;
    // The examiner's signature must stand over everything that was recorded of the delivery.
    if !world.record(&stream)?.is_some_and(|record| record.facts.signed("examined")) {
        return Err(Refusal::conflict(
            "not-signed",
            format!("The examination of the delivery {delivery} is not signed, or the record has changed since."),
            "Let the incoming examiner sign it.",
        )
        .into());
    }
    let signed = signature(world, context, &stream, &[], "released")?;
    let mut drafts = vec![Draft::entry(&stream, DeliveryReleased {}), signed];
    for roll in &state.rolls {
        if world.roll(roll)?.quality == Quality::Quarantine {
            drafts.push(Draft::entry(roll, RollReleased { delivery: stream.clone() }));
        }
    }
    Ok(drafts)
}

pub(crate) fn reject(world: &World, context: &Context, delivery: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Delivery, delivery);
    let state = world.delivery(&stream)?;
    if state.status == DeliveryStatus::Rejected {
        return Err(Refusal::conflict(
            "delivery-rejected",
            format!("The delivery {delivery} is rejected already."),
            "Nothing is left to do.",
        )
        .into());
    }
    let why = reason(why)?;
    let signed = signature(world, context, &stream, &[], "rejected")?;
    let mut drafts = vec![Draft::because(&stream, DeliveryRejected {}, &why), signed];
    // The rests of rolls that came back from an order go with it.
    for roll in world.set(&delivery_key(&stream))? {
        if !matches!(world.roll(roll)?.quality, Quality::Rejected | Quality::Obsolete) {
            drafts.push(Draft::because(roll, RollRejected { delivery: stream.clone() }, &why));
        }
    }
    Ok(drafts)
}

/// Holds a delivery whole: itself and every roll of it, wherever they are.
///
/// Rule: 21 CFR 211.122, 211.125(b) and label-control practice: a wrong label in one roll questions all that came with it.
pub(crate) fn hold_whole(world: &World, delivery: &Stream, cause: &Stream) -> Result<Vec<Draft>, Stop> {
    let mut drafts = vec![Draft::entry(delivery, DeliveryHeld { cause: cause.clone() })];
    let rolls = world.set(&delivery_key(delivery))?;
    drafts.extend(rolls.iter().map(|roll| Draft::entry(roll, RollHeld { cause: cause.clone() })));
    Ok(drafts)
}

/// Every order that took over a roll of the delivery, in ascending order.
pub(crate) fn orders_served(world: &World, delivery: &Stream) -> Result<BTreeSet<Stream>, Stop> {
    let mut orders = BTreeSet::new();
    for roll in world.set(&handed_out_key(delivery))? {
        orders.extend(world.roll(roll)?.order.clone());
    }
    Ok(orders)
}

/// The refusal that a hold gives.
pub(crate) fn held(title: &str, id: &Id, cause: &Stream) -> Stop {
    Refusal::conflict(
        "held",
        format!("The {title} {id} is on hold ({}).", cause.id()),
        "Leave it set aside; only a reviewer may lift a hold.",
    )
    .into()
}
