//! From the store to the line: examination before issue, issue by two people, receipt, mounting.
//!
//! A roll is given once: its custody says where it is, and nothing but the store gives it.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    DeviationRule, ExaminationVerdict, IssueGiven, IssueTaken, IssueWithdrawn, IssuedRoll, LineDeviceKind,
    MaterialPlanned, OrderHeld, OrderIssued, OrderLimitsFrozen, OrderPartBegun, OrderRollDismounted, OrderRollExamined,
    OrderRollMounted, OrderRollReceived, OverrideKind, RollChoice, RollDismounted, RollEnd, RollEnded,
    RollIssueWithdrawn, RollIssued, RollMounted, RollRan, RollReceivedAtLine, RollTaken, Severity, Specimen, Unwind,
};
use tallyseal_schema::{Body, Entry, Labels, Time};

use crate::delivery::{held, hold_whole, orders_served};
use crate::facts::signature;
use crate::item::checked_specimen;
use crate::observe::readable;
use crate::order::need;
use crate::refusal::Refusal;
use crate::review::must_stay_coverable;
use crate::roll::issuable_key;
use crate::state::Key;
use crate::text::{code, reason};
use crate::world::{Stop, World, of};
use crate::{
    Context, Custody, DeliveryState, DeliveryStatus, Draft, ItemState, LimitSetStatus, OrderState, OrderStatus,
    Quality, RollState, deviation, overrides,
};

/// Most rolls of one issue, and of one proposal.
const ROLLS_MAX: usize = 100;

/// The second of two people who must both be there signs within this time. Unit: minutes. The site's to change; no
/// number in law.
pub(crate) const TOGETHER_MIN: i64 = tallyseal_schema::two_people::PRESENT_MINUTES as i64;

/// One day. Unit: microseconds.
pub(crate) const DAY: i64 = 24 * 60 * 60 * 1_000_000;

/// The states of an order in which rolls may be examined and given.
const ISSUING: &[OrderStatus] =
    &[OrderStatus::Planned, OrderStatus::Staged, OrderStatus::InProgress, OrderStatus::Interrupted];

/// How far an issue has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum IssueStatus {
    /// Given by the label room; the line has not signed yet.
    Given,
    /// Taken over by the line.
    Taken,
    /// Not taken over; the rolls lie where they lay.
    Withdrawn,
}

/// What is remembered of an issue.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct IssueState {
    /// The override that allows more than the order needs.
    pub extra: Option<Stream>,
    /// When it was given.
    pub given_at: Time,
    /// Who gave.
    pub given_by: Option<AccountId>,
    /// Labels on its rolls.
    pub labels: Labels,
    /// Material line.
    pub material: u16,
    /// To which order.
    pub order: Stream,
    /// Every roll.
    pub rolls: Vec<IssuedRoll>,
    /// How far it has come.
    pub status: IssueStatus,
}

impl IssueState {
    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::IssueGiven(body) = &entry.body else { return None };
        Some(Self {
            extra: body.extra.clone(),
            given_at: entry.header.at,
            given_by: entry.header.by.account().cloned(),
            labels: body.labels,
            material: body.material,
            order: body.order.clone(),
            rolls: body.rolls.clone(),
            status: IssueStatus::Given,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::IssueTaken(_) => self.status = IssueStatus::Taken,
            Body::IssueWithdrawn(_) => self.status = IssueStatus::Withdrawn,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("issue.order", &self.order));
        if self.status == IssueStatus::Given {
            keys.push(Key::new("issue.open", "yes"));
        }
    }
}

/// The order, where it is in one of the states that the act belongs to.
pub(crate) fn order_in<'w>(
    world: &'w World,
    id: &Id,
    wanted: &[OrderStatus],
    remedy: &str,
) -> Result<(Stream, &'w OrderState), Stop> {
    let stream = of(Thing::Order, id);
    let state = world.order(&stream)?;
    if wanted.contains(&state.status) { Ok((stream, state)) } else { Err(state.status.refusal(id, remedy)) }
}

/// A roll that may be issued, with what decides which one comes first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// With which shipment it came.
    pub delivery: Stream,
    /// Labels on it, by the count that stands.
    pub labels: u64,
    /// The rest of a roll that came back.
    pub part: bool,
    /// When the shipment came.
    pub received_at: Time,
    /// Which roll.
    pub roll: Stream,
    /// Last moment of use; `None`: no limit.
    pub use_by: Option<Time>,
}

/// Which rolls come next: use-by first (by the day), then part rolls, then the oldest delivery; among rolls that these
/// leave equal, the smallest one that is enough, else the largest; in the end by name.
///
/// `has`: labels and rolls that the order has already. `need`: labels needed for so many rolls in all. At least one roll
/// is proposed where there is one, at most 100.
/// Rule: 21 CFR 211.122(d) and label-control practice, oldest first and no open part rolls left over.
pub fn propose(mut candidates: Vec<Candidate>, has: (u64, u64), need: impl Fn(u64) -> u64) -> Vec<Candidate> {
    type Rank = (bool, i64, bool, Time, Stream);
    let rank = |one: &Candidate| -> Rank {
        let day = one.use_by.map_or(0, |at| at.micros().div_euclid(DAY));
        (one.use_by.is_none(), day, !one.part, one.received_at, one.delivery.clone())
    };
    candidates.sort_by_cached_key(|one| (rank(one), one.labels, one.roll.clone()));
    let (mut labels, mut rolls) = has;
    let mut chosen: Vec<Candidate> = Vec::new();
    while chosen.len() < ROLLS_MAX && (chosen.is_empty() || labels < need(rolls)) {
        let Some(first) = candidates.first().map(rank) else { break };
        let equal = candidates.iter().take_while(|one| rank(one) == first).count();
        let missing = need(rolls.saturating_add(1)).saturating_sub(labels);
        // They lie in ascending order of their labels. Of several largest ones the first by name.
        let enough = candidates.iter().take(equal).position(|one| one.labels >= missing);
        let largest = candidates.get(equal.saturating_sub(1)).map_or(0, |one| one.labels);
        let next = enough.or_else(|| candidates.iter().take(equal).position(|one| one.labels == largest)).unwrap_or(0);
        let next = candidates.remove(next);
        labels = labels.saturating_add(next.labels);
        rolls = rolls.saturating_add(1);
        chosen.push(next);
    }
    chosen
}

/// Last moment of use of a delivery's rolls; `None`: no limit.
fn use_by(item: &ItemState, delivery: &DeliveryState) -> Option<Time> {
    let days = item.draft.use_by_days?;
    Some(delivery.received_at.plus_micros(i64::from(days).saturating_mul(DAY)))
}

/// Refuses where labels of the roll may not be used now: rejected, obsolete or on hold, nobody may override this; its item
/// out of use; past its use-by.
fn must_be_usable(world: &World, at: Time, id: &Id, state: &RollState) -> Result<(), Stop> {
    state.must_be_free(id)?;
    let delivery = world.delivery(&state.delivery)?;
    if let Some(hold) = delivery.holds.first() {
        return Err(held("delivery", &state.delivery.id(), hold));
    }
    let item = world.item(&state.item)?;
    item.must_be_usable(&state.item.id(), at)?;
    if use_by(item, delivery).is_some_and(|last| at > last) {
        return Err(Refusal::conflict(
            "past-use-by",
            format!("The roll {id} is past its use-by."),
            "Put it with those that wait for destruction, and take another roll.",
        )
        .into());
    }
    Ok(())
}

/// The roll as a candidate for an issue of `item`, and whether its count is at risk. Errors: why it may not be issued,
/// whatever was examined.
fn issuable(world: &World, at: Time, roll: &Stream, item: &Stream) -> Result<(Candidate, IssuedRoll), Stop> {
    let id = &roll.id();
    let state = world.roll(roll)?;
    if state.item != *item {
        return Err(Refusal::conflict(
            "roll-of-another-item",
            format!("The roll {id} is of {}, the material line of {}.", state.item.id(), item.id()),
            "Put it back to its place, look at its neighbours, and take a roll of the material.",
        )
        .into());
    }
    state.must_be_in_store(id)?;
    must_be_usable(world, at, id, state)?;
    let refused = |code: &str, text: String, remedy: &str| Stop::from(Refusal::conflict(code, text, remedy));
    let delivery = world.delivery(&state.delivery)?;
    if delivery.status != DeliveryStatus::Released {
        return Err(refused(
            "delivery-not-released",
            format!("The delivery {} of the roll {id} is not released.", state.delivery.id()),
            "Leave it in quarantine until quality has released it.",
        ));
    }
    if state.quality != Quality::Released {
        return Err(refused(
            "roll-not-released",
            format!("The roll {id} is in quarantine."),
            "Leave it there until quality has released it.",
        ));
    }
    if let Some(count) = &state.open_count {
        return Err(refused(
            "roll-in-count",
            format!("The roll {id} is being counted ({}).", count.id()),
            "End that count and sign it first.",
        ));
    }
    if let Some(count) = &state.unsigned_count {
        return Err(refused(
            "count-not-signed",
            format!("The count {} of the roll {id} is not signed.", count.id()),
            "Dispose of its faults and sign it first.",
        ));
    }
    let Some(settled) = &state.settled else {
        return Err(refused(
            "roll-not-counted",
            format!("No count of the roll {id} stands."),
            "Count it first; the supplier's figure is no count.",
        ));
    };
    if settled.on_roll == Labels::ZERO {
        return Err(refused(
            "nothing-on-roll",
            format!("By its count, nothing is left on the roll {id}."),
            "Count it again if labels are on it.",
        ));
    }
    let candidate = Candidate {
        delivery: state.delivery.clone(),
        labels: u64::from(settled.on_roll.get()),
        part: state.parent.is_some(),
        received_at: delivery.received_at,
        roll: roll.clone(),
        use_by: use_by(world.item(item)?, delivery),
    };
    let at_risk = state.count_axis() == crate::CountAxis::AtRisk;
    Ok((candidate, IssuedRoll { at_risk, labels: settled.on_roll, roll: roll.clone() }))
}

/// Labels and rolls that the order has of a material line: given and not withdrawn, without those that came back whole.
fn given_before(world: &World, order: &Stream, state: &OrderState, material: u16) -> Result<(u64, u64), Stop> {
    let (mut labels, mut rolls) = (0_u64, 0_u64);
    for stream in world.set(&Key::new("issue.order", order))? {
        let issue = world.issue(stream)?;
        if issue.material != material || issue.status == IssueStatus::Withdrawn {
            continue;
        }
        for issued in &issue.rolls {
            let whole = |roll: &crate::OrderRoll| roll.taken_back && roll.ran.is_none();
            if !state.rolls.get(&issued.roll).is_some_and(whole) {
                labels = labels.saturating_add(u64::from(issued.labels.get()));
                rolls = rolls.saturating_add(1);
            }
        }
    }
    Ok((labels, rolls))
}

/// Labels and rolls that an order has of a material line, without those that were withdrawn or came back whole.
///
/// Errors: no such order; [`Stop::Need`], as in a decision.
pub fn issued_so_far(world: &World, order: &Id, material: u16) -> Result<(u64, u64), Stop> {
    let stream = of(Thing::Order, order);
    given_before(world, &stream, world.order(&stream)?, material)
}

/// The rolls that are proposed for a material line of an order at `at`: see [`propose`].
///
/// Errors: no such order or material line; [`Stop::Need`], as in a decision.
pub fn proposed(world: &World, at: Time, order: &Id, material: u16) -> Result<Vec<Candidate>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    let line = state.material(order, material)?;
    let mut candidates = Vec::new();
    for roll in world.set(&issuable_key(&line.item))? {
        match issuable(world, at, roll, &line.item) {
            Ok((candidate, _)) => candidates.push(candidate),
            Err(Stop::Refused(_)) => {}
            Err(need) => return Err(need),
        }
    }
    let has = given_before(world, &stream, state, material)?;
    Ok(propose(candidates, has, |rolls| need(&state.plan, line, rolls)))
}

/// What is given.
pub(crate) struct Examination<'a> {
    pub choice: Option<RollChoice>,
    pub code_read: Option<&'a str>,
    pub material: u16,
    pub order: &'a Id,
    pub roll: &'a Id,
    pub specimen: &'a Specimen,
    pub unwind: Unwind,
    pub verdict: ExaminationVerdict,
}

/// What a reader gave, as it is kept, and whether it is another than the item's. Where the item's labels carry no code,
/// every code is a foreign label's. Errors: nothing was read where the item carries a code.
fn judged_code(item: &ItemState, read: Option<&str>) -> Result<(Option<String>, bool), Stop> {
    let read = read.map(|read| code("code that was read", &readable(read))).transpose()?;
    let expected = item.draft.expected_code.as_ref().map(|expected| readable(&expected.text));
    if expected.is_some() && read.is_none() {
        return Err(Refusal::invalid(
            "no-code-read",
            "The labels of this item carry a code, and none was read.",
            "Read the code of the first label with a reader; if it cannot be read, set the roll aside.",
        )
        .into());
    }
    let wrong = read.is_some() && read != expected;
    Ok((read, wrong))
}

/// A label that does not belong on this roll was found: a critical deviation about the roll, its delivery and every
/// order that got rolls of it; the delivery is held whole. `order`: where it was found.
///
/// Rule: 21 CFR 211.122, 211.125(b), 211.192: it can only stop and be set aside; quality decides.
fn found_wrong(
    world: &World,
    order: &Stream,
    roll: &Stream,
    rule: DeviationRule,
    text: String,
) -> Result<(Stream, Vec<Draft>), Stop> {
    let delivery = &world.roll(roll)?.delivery;
    let sisters: Vec<Stream> = orders_served(world, delivery)?.into_iter().filter(|sister| sister != order).collect();
    let mut about = vec![roll.clone(), order.clone(), delivery.clone()];
    about.extend(sisters.iter().cloned());
    let text = format!("{text} The roll is set aside, the delivery {} is held whole.", delivery.id());
    let (cause, opened) = deviation::by_rule(world, 0, rule, Severity::Critical, about, text)?;
    let mut drafts = vec![opened];
    drafts.extend(hold_whole(world, delivery, &cause)?);
    drafts.extend(sisters.iter().map(|sister| deviation::questioned(sister, &cause)));
    Ok((cause, drafts))
}

fn wrong_code_text(item: &ItemState, roll: &Id, read: &str, when: &str) -> String {
    let instead = match &item.draft.expected_code {
        Some(expected) => format!("and not \"{}\"", readable(&expected.text)),
        None => "where the item carries no code".to_owned(),
    };
    format!("On the roll {roll} \"{read}\" was read {when}, {instead}.")
}

pub(crate) fn examine(world: &World, context: &Context, given: &Examination<'_>) -> Result<Vec<Draft>, Stop> {
    let remedy = "Rolls are examined and issued until the line has run the order to its end.";
    let (order, state) = order_in(world, given.order, ISSUING, remedy)?;
    state.must_not_be_held(given.order)?;
    let line = state.material(given.order, given.material)?;
    let roll = of(Thing::Roll, given.roll);
    issuable(world, context.at, &roll, &line.item)?;
    let roll_state = world.roll(&roll)?;
    let item = world.item(&line.item)?;
    let judged = judged_code(item, given.code_read);
    // What was found is kept, whatever else is wrong with the act: a refusal would leave the roll free to be issued.
    let wrong = matches!(judged, Ok((_, true)));
    let found = wrong || given.verdict == ExaminationVerdict::Different;
    if !found
        && let Some(before) = state.rolls.get(&roll)
        && before.verdict == Some(ExaminationVerdict::Same)
        && (before.material, before.runs) == (given.material, roll_state.attempts)
        && before.unwind == Some(item.draft.unwind)
    {
        return Err(Refusal::conflict(
            "already-examined",
            format!("The roll {} is examined for this material line already.", given.roll),
            "Give it to the line.",
        )
        .into());
    }
    let specimen = checked_specimen(given.specimen)?;
    if !wrong && item.specimen.as_ref().is_some_and(|approved| approved.id != specimen.id) {
        return Err(Refusal::invalid(
            "not-the-approved-specimen",
            format!("\"{}\" is not the specimen that {} was approved against.", specimen.id, line.item.id()),
            "Take the approved specimen from its place, and compare with that one.",
        )
        .into());
    }
    let (code_read, _) = judged?;
    let proposed = proposed(world, context.at, given.order, given.material)?;
    let is_proposed = proposed.iter().any(|one| one.roll == roll);
    match given.choice {
        _ if found => {}
        None if !is_proposed => return Err(not_proposed(given.roll, &proposed)),
        Some(_) if is_proposed => {
            return Err(Refusal::invalid(
                "no-choice-to-explain",
                format!("The roll {} is among those that are proposed.", given.roll),
                "Leave the reason for another roll away.",
            )
            .into());
        }
        Some(_) if !proposed.iter().any(|one| one.delivery == roll_state.delivery) => {
            return Err(Refusal::conflict(
                "not-of-a-proposed-delivery",
                format!("The roll {} is not of a delivery that is to be used first.", given.roll),
                "Take a roll of the delivery that is proposed; one that cannot be used is put on hold, then the next is.",
            )
            .into());
        }
        _ => {}
    }
    // What carries another code is not the same, whatever the eye says.
    let verdict = if wrong { ExaminationVerdict::Different } else { given.verdict };
    let body = OrderRollExamined {
        choice: given.choice,
        code_read: code_read.clone(),
        material: given.material,
        roll: roll.clone(),
        runs: roll_state.attempts,
        specimen,
        unwind: given.unwind,
        verdict,
    };
    let mut drafts = vec![Draft::entry(&order, body)];
    if verdict == ExaminationVerdict::Different {
        let (rule, text) = if wrong {
            let read = code_read.unwrap_or_default();
            let text = wrong_code_text(item, given.roll, &read, "at the examination before issue");
            (DeviationRule::WrongCode, text)
        } else {
            let text = format!(
                "At the examination before issue to {} the roll {} was not the same as the approved specimen.",
                given.order, given.roll
            );
            (DeviationRule::ForeignLabel, text)
        };
        let (cause, found) = found_wrong(world, &order, &roll, rule, text)?;
        drafts.extend(found);
        // The order itself is not held: no label of this roll has reached it.
        drafts.push(deviation::questioned(&order, &cause));
    }
    Ok(drafts)
}

fn not_proposed(roll: &Id, proposed: &[Candidate]) -> Stop {
    let names: Vec<String> = proposed.iter().take(5).map(|one| one.roll.id().to_string()).collect();
    let first = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
    Refusal::conflict(
        "another-roll-proposed",
        format!("The roll {roll} is not among those to be used first ({first})."),
        "Take a proposed one, or give the reason from the list for this one.",
    )
    .into()
}

pub(crate) fn give(
    world: &World,
    context: &Context,
    order: &Id,
    material: u16,
    rolls: &[Id],
    extra: Option<&Id>,
) -> Result<Vec<Draft>, Stop> {
    let remedy = "Rolls are issued until the line has run the order to its end.";
    let (order_stream, state) = order_in(world, order, ISSUING, remedy)?;
    state.must_not_be_held(order)?;
    let line = state.material(order, material)?;
    if rolls.is_empty() || rolls.len() > ROLLS_MAX {
        return Err(Refusal::invalid(
            "number-of-rolls",
            format!("An issue has 1 to {ROLLS_MAX} rolls; this one has {}.", rolls.len()),
            "Scan every roll; make a larger issue in parts.",
        )
        .into());
    }
    let mut seen = BTreeSet::new();
    let (mut issued, mut sum) = (Vec::new(), Some(Labels::ZERO));
    for id in rolls {
        if !seen.insert(id) {
            return Err(Refusal::invalid(
                "roll-twice",
                format!("The roll {id} stands twice in the list."),
                "Scan every roll once.",
            )
            .into());
        }
        let roll = of(Thing::Roll, id);
        let (_, one) = issuable(world, context.at, &roll, &line.item)?;
        must_be_examined(world, id, &roll, state, line)?;
        sum = sum.and_then(|sum| sum.plus(one.labels));
        issued.push(one);
    }
    let Some(labels) = sum else {
        return Err(Refusal::invalid(
            "absurd-quantity",
            format!("The rolls have more than {} labels together.", Labels::MAX),
            "Make the issue in parts.",
        )
        .into());
    };
    let issue = world.next(Thing::Issue, "IS", 0)?;
    let used = match (more_than_needed(world, &order_stream, state, line, &issued)?, extra) {
        (None, None) => None,
        (Some(_), Some(over)) => {
            let kind = OverrideKind::ExtraIssue;
            let wanted = overrides::Bounds { device: None, labels: Some(labels), material: Some(material) };
            Some(overrides::must_be_granted(world, over, kind, &order_stream, &order_stream, wanted)?)
        }
        (Some(text), None) => {
            return Err(Refusal::conflict(
                "more-than-needed",
                text,
                "Give fewer rolls; or ask for an extra issue with a reason, and let a supervisor grant it.",
            )
            .into());
        }
        (None, Some(_)) => {
            return Err(Refusal::invalid(
                "override-not-needed",
                "This issue is not more than the order needs.",
                "Give it without the override, and keep that for when it is needed.",
            )
            .into());
        }
    };
    let mut rolls: BTreeSet<Stream> = issued.iter().map(|one| one.roll.clone()).collect();
    for stream in world.set(&Key::new("issue.order", &order_stream))? {
        let before = world.issue(stream)?;
        if before.status != IssueStatus::Withdrawn {
            rolls.extend(before.rolls.iter().map(|one| one.roll.clone()));
        }
    }
    must_stay_coverable(world, order, &rolls)?;
    let frozen = frozen_limits(world, state, line)?;
    let signed = signature(world, context, &issue, &[], "issued")?;
    let mut drafts = Vec::new();
    drafts.extend(frozen.map(|body| Draft::entry(&order_stream, body)));
    for one in &issued {
        drafts.push(Draft::entry(&one.roll, RollIssued { issue: issue.clone(), order: order_stream.clone() }));
    }
    drafts.extend(used.as_ref().map(|over| overrides::used(over, &issue)));
    drafts.push(Draft::entry(&order_stream, OrderPartBegun { part: issue.clone() }));
    let body = IssueGiven { extra: used, labels, material, order: order_stream, rolls: issued };
    drafts.push(Draft::entry(&issue, body));
    drafts.push(signed);
    Ok(drafts)
}

/// Refuses a roll that was not found the same for this material line, or not the right way round, or was wound over
/// since.
///
/// Rule: 21 CFR 211.125(b).
fn must_be_examined(
    world: &World,
    id: &Id,
    roll: &Stream,
    state: &OrderState,
    line: &MaterialPlanned,
) -> Result<(), Stop> {
    let examined = state.rolls.get(roll).filter(|one| one.material == line.material);
    let Some((examined, verdict)) = examined.and_then(|one| Some((one, one.verdict?))) else {
        return Err(Refusal::conflict(
            "roll-not-examined",
            format!("The roll {id} is not examined for this material line."),
            "Examine it against the approved specimen first.",
        )
        .into());
    };
    if verdict == ExaminationVerdict::Different {
        return Err(Refusal::conflict(
            "roll-differs",
            format!("The roll {id} was found different from the approved specimen."),
            "Leave it set aside; quality decides. If its deviation is closed, examine it again.",
        )
        .into());
    }
    if examined.runs != world.roll(roll)?.attempts {
        return Err(Refusal::conflict(
            "counted-since-examined",
            format!("The roll {id} was on a counting table after it was examined."),
            "Examine it again: counting winds it over.",
        )
        .into());
    }
    if examined.unwind != Some(world.item(&line.item)?.draft.unwind) {
        return Err(Refusal::conflict(
            "wrong-unwind",
            format!("The roll {id} comes off the wrong way for {}.", line.item.id()),
            "Wind it over on the counting table, for a recount, and examine it again.",
        )
        .into());
    }
    Ok(())
}

/// Why the issue is more than the order needs; `None` where it is not. It is more where a smaller one would have done:
/// without its smallest roll the need is covered all the same. The last roll of an issue may overshoot.
fn more_than_needed(
    world: &World,
    order: &Stream,
    state: &OrderState,
    line: &MaterialPlanned,
    issued: &[IssuedRoll],
) -> Result<Option<String>, Stop> {
    let (labels, rolls) = given_before(world, order, state, line.material)?;
    let all: u64 = issued.iter().map(|one| u64::from(one.labels.get())).fold(labels, u64::saturating_add);
    let smallest = issued.iter().map(|one| u64::from(one.labels.get())).min().unwrap_or(0);
    let number = u64::try_from(issued.len()).unwrap_or(u64::MAX).saturating_add(rolls);
    let without = number.saturating_sub(1);
    let needed = need(&state.plan, line, without);
    Ok((all.saturating_sub(smallest) >= needed).then(|| {
        format!(
            "The order {} needs {needed} labels of this material with its allowance; with this issue it has {all}.",
            order.id()
        )
    }))
}

/// The limits of the material line, where this is its first issue.
///
/// Rule: 21 CFR 211.125(c): preset, and not changed afterwards.
fn frozen_limits(world: &World, state: &OrderState, line: &MaterialPlanned) -> Result<Option<OrderLimitsFrozen>, Stop> {
    if state.frozen.contains_key(&line.material) {
        return Ok(None);
    }
    let set = world.limit_set(&line.limit_set)?;
    let item = world.item(&line.item)?;
    if set.status != LimitSetStatus::Approved || set.draft.item_code != item.draft.code {
        return Err(Refusal::conflict(
            "limits-not-approved",
            format!("The limit set {} is not approved for {}.", line.limit_set.id(), item.draft.code),
            "Let a reviewer approve it; or plan the order anew with a set that is approved.",
        )
        .into());
    }
    Ok(Some(OrderLimitsFrozen {
        limit_set: line.limit_set.clone(),
        limits: set.draft.limits.clone(),
        material: line.material,
        uncertainty: set.draft.uncertainty,
    }))
}

impl IssueState {
    fn must_be_given(&self, id: &Id) -> Result<(), Stop> {
        let (code, text, remedy) = match self.status {
            IssueStatus::Given => return Ok(()),
            IssueStatus::Taken => {
                ("issue-taken", "was taken over by the line", "What is not needed the line gives back, roll by roll.")
            }
            IssueStatus::Withdrawn => ("issue-withdrawn", "was withdrawn", "Give the rolls in a new issue."),
        };
        Err(Refusal::conflict(code, format!("The issue {id} {text}."), remedy).into())
    }
}

/// True where the first of two people signed so long ago that they were not there together.
pub fn lapsed(first: Time, now: Time) -> bool {
    now > first.plus_micros(TOGETHER_MIN * 60 * 1_000_000)
}

pub(crate) fn take(world: &World, context: &Context, issue: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Issue, issue);
    let state = world.issue(&stream)?;
    state.must_be_given(issue)?;
    let order = state.order.id();
    let remedy = "Withdraw the issue; the rolls stay in the store.";
    let (_, order_state) = order_in(world, &order, ISSUING, remedy)?;
    order_state.must_not_be_held(&order)?;
    if lapsed(state.given_at, context.at) {
        return Err(Refusal::conflict(
            "issue-lapsed",
            format!("The issue {issue} was given more than {TOGETHER_MIN} minutes ago; both people must be there."),
            "Withdraw it and give the rolls anew when somebody of the line is there.",
        )
        .into());
    }
    for one in &state.rolls {
        let roll = world.roll(&one.roll)?;
        must_be_usable(world, context.at, &one.roll.id(), roll)?;
        // A hold may have come and gone since, and with it the count that the number is of.
        if roll.settled.as_ref().map(|settled| settled.on_roll) != Some(one.labels) {
            return Err(Refusal::conflict(
                "count-no-longer-stands",
                format!("The count of the roll {} no longer stands.", one.roll.id()),
                "Withdraw the issue, count the roll again, and give it anew.",
            )
            .into());
        }
    }
    let signed = signature(world, context, &stream, &[], "issue taken")?;
    let body = OrderIssued {
        issue: stream.clone(),
        labels: state.labels,
        material: state.material,
        rolls: state.rolls.clone(),
    };
    let mut drafts = vec![Draft::entry(&stream, IssueTaken {}), signed, Draft::entry(&state.order, body)];
    drafts.extend(state.rolls.iter().map(|one| Draft::entry(&one.roll, RollTaken { issue: stream.clone() })));
    Ok(drafts)
}

pub(crate) fn withdraw(world: &World, issue: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Issue, issue);
    let state = world.issue(&stream)?;
    state.must_be_given(issue)?;
    Ok(withdrawn(&stream, state, &reason(why)?))
}

/// The entries of an issue that is withdrawn: its rolls lie where they lay. It must be given and not taken over.
pub(crate) fn withdrawn(issue: &Stream, state: &IssueState, why: &str) -> Vec<Draft> {
    let mut drafts = vec![Draft::because(issue, IssueWithdrawn {}, why)];
    drafts.extend(
        state.rolls.iter().map(|one| Draft::because(&one.roll, RollIssueWithdrawn { issue: issue.clone() }, why)),
    );
    drafts
}

/// Refuses a roll that this order does not have for this material line.
pub(crate) fn must_be_of_order(
    id: &Id,
    roll: &Stream,
    custody: &Custody,
    order: &Stream,
    state: &OrderState,
    material: u16,
) -> Result<(), Stop> {
    // One of this order that was used up or taken back is no stranger: the caller says that it is no more.
    let ended_here = matches!(custody, Custody::Ended {}) && state.rolls.contains_key(roll);
    if custody.order() != Some(order) && !ended_here {
        return Err(Refusal::conflict(
            "roll-of-another-order",
            format!("The roll {id} is not one that the order {} has.", order.id()),
            "Set it aside at once, and tell the label room and the reviewer; look at the other rolls at the line.",
        )
        .into());
    }
    if let Some(known) = state.rolls.get(roll)
        && known.material != material
    {
        return Err(Refusal::conflict(
            "roll-of-another-material",
            format!("The roll {id} is for the material line {}, not for {material}.", known.material),
            "Scan the roll of this material line, and look at both.",
        )
        .into());
    }
    Ok(())
}

/// The refusal where a roll of the order is not where the act needs it.
pub(crate) fn elsewhere(id: &Id, custody: &Custody) -> Stop {
    let (code, text, remedy) = match custody {
        Custody::Store {} => ("roll-in-store", "is in the store", "Let the label room issue it first."),
        Custody::Given { .. } => (
            "issue-not-taken",
            "is given, and the line has not taken the issue over",
            "Let a person of the line take the issue over first.",
        ),
        Custody::Taken { .. } => {
            ("roll-not-received", "is not scanned in at the line", "Scan it in at the line first.")
        }
        Custody::Line { .. } => ("roll-at-line", "lies at the line", "Mount it, or give it back."),
        Custody::Mounted { .. } => ("roll-mounted", "is on a dispenser", "Take it off its dispenser first."),
        Custody::GivenBack { .. } => {
            ("roll-given-back", "was handed back by the line", "Let the label room take it back.")
        }
        Custody::Ended {} => ("roll-is-no-more", "is no more", "Scan the tag again."),
    };
    Refusal::conflict(code, format!("The roll {id} {text}."), remedy).into()
}

pub(crate) fn receive(
    world: &World,
    context: &Context,
    order: &Id,
    material: u16,
    roll: &Id,
) -> Result<Vec<Draft>, Stop> {
    let remedy = "Give the roll back to the label room.";
    let (order_stream, state) = order_in(world, order, ISSUING, remedy)?;
    state.must_not_be_held(order)?;
    state.material(order, material)?;
    let stream = of(Thing::Roll, roll);
    let roll_state = world.roll(&stream)?;
    must_be_of_order(roll, &stream, &roll_state.custody, &order_stream, state, material)?;
    if !matches!(roll_state.custody, Custody::Taken { .. }) {
        return Err(elsewhere(roll, &roll_state.custody));
    }
    must_be_usable(world, context.at, roll, roll_state)?;
    let line = state.plan.line.clone();
    Ok(vec![
        Draft::entry(&order_stream, OrderRollReceived { material, roll: stream.clone() }),
        Draft::entry(&stream, RollReceivedAtLine { line }),
    ])
}

pub(crate) fn mount(
    world: &World,
    context: &Context,
    order: &Id,
    material: u16,
    roll: &Id,
    device: &Id,
    code_read: Option<&str>,
) -> Result<Vec<Draft>, Stop> {
    let remedy = "A roll is mounted while the line runs the order.";
    let (order_stream, state) = order_in(world, order, &[OrderStatus::InProgress], remedy)?;
    state.must_not_be_held(order)?;
    let line = state.material(order, material)?;
    let stream = of(Thing::Roll, roll);
    let roll_state = world.roll(&stream)?;
    must_be_of_order(roll, &stream, &roll_state.custody, &order_stream, state, material)?;
    if !matches!(roll_state.custody, Custody::Line { .. }) {
        return Err(elsewhere(roll, &roll_state.custody));
    }
    must_be_usable(world, context.at, roll, roll_state)?;
    let item = world.item(&line.item)?;
    let judged = judged_code(item, code_read);
    if let Ok((Some(read), true)) = &judged {
        // Not a refusal, because it must be kept: the line has a roll in its hands that it must not have. It is judged
        // before the dispenser is, for the same reason.
        let text = wrong_code_text(item, roll, read, &format!("before it was mounted for {order}"));
        let text = format!("{text} The order is held.");
        let (cause, mut drafts) = found_wrong(world, &order_stream, &stream, DeviationRule::WrongCode, text)?;
        drafts.push(Draft::entry(&order_stream, OrderHeld { cause }));
        return Ok(drafts);
    }
    let devices = &world.line(&state.plan.line)?.devices;
    if !devices.iter().any(|one| one.id == *device && one.kind == LineDeviceKind::Dispenser) {
        return Err(Refusal::invalid(
            "no-such-dispenser",
            format!("{device} is no dispenser of the line {}.", state.plan.line.id()),
            "Scan the dispenser on which the roll goes.",
        )
        .into());
    }
    if let Some((other, _)) = state.rolls.iter().find(|(_, one)| one.mounted.as_ref() == Some(device)) {
        return Err(Refusal::conflict(
            "dispenser-occupied",
            format!("The roll {} is on the dispenser {device}.", other.id()),
            "Take that one off first, and say how it ran.",
        )
        .into());
    }
    let (code_read, _) = judged?;
    let body = OrderRollMounted { code_read, device: device.clone(), material, roll: stream.clone() };
    Ok(vec![Draft::entry(&order_stream, body), Draft::entry(&stream, RollMounted { line: state.plan.line.clone() })])
}

/// Also with the order or the roll on hold, and after the end: it comes off, so that it can be given back.
pub(crate) fn dismount(world: &World, order: &Id, material: u16, roll: &Id, ran: RollRan) -> Result<Vec<Draft>, Stop> {
    let wanted = &[OrderStatus::InProgress, OrderStatus::Interrupted, OrderStatus::Finished];
    let (order_stream, state) = order_in(world, order, wanted, "A roll comes off while the line has the order.")?;
    state.material(order, material)?;
    let stream = of(Thing::Roll, roll);
    let roll_state = world.roll(&stream)?;
    must_be_of_order(roll, &stream, &roll_state.custody, &order_stream, state, material)?;
    if !matches!(roll_state.custody, Custody::Mounted { .. }) {
        return Err(elsewhere(roll, &roll_state.custody));
    }
    let body = OrderRollDismounted { material, ran, roll: stream.clone() };
    let off = match ran {
        RollRan::TakenOff => Draft::entry(&stream, RollDismounted {}),
        RollRan::UsedUp => Draft::entry(&stream, RollEnded { child: None, how: RollEnd::UsedUp }),
    };
    Ok(vec![Draft::entry(&order_stream, body), off])
}
