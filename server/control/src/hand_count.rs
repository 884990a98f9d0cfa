//! Counts by hand: small, blind, by two people, marked for ever.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    Coding, DeviationRule, HandCountAgreed, HandCountDiffered, HandCountEntered, HandCountOpened, HandCounted,
    InterimDecision, OrderPartBegun, Severity,
};
use tallyseal_schema::{Body, Entry, Labels};

use crate::issue::order_in;
use crate::quantity::COUNTING;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::world::{Stop, World, of};
use crate::{Context, DeviationStatus, Draft, deviation};

/// Most labels, or units, of one count by hand. Site policy: common practice, no source found.
pub const HAND_COUNT_MAX: u32 = 500;

/// So many attempts may differ one after the other; then quality looks at it. As with counts on a table.
const ATTEMPTS: usize = 3;

/// Most hand counts of one order, so that what must be looked at stays of a bounded size.
const HAND_COUNTS_MAX: usize = 1_000;

const COUNTING_REMEDY: &str =
    "Labels are counted by hand from the start of the order until it is signed for packaging.";

/// How far a hand count has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HandCountStatus {
    /// Nobody, or one person, has counted.
    Open,
    /// Both numbers are the same.
    Agreed,
    /// They are not; counted anew.
    Differed,
}

/// What is remembered of a hand count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HandCountState {
    /// Who counted what. Hidden from everybody until the second number is there.
    pub entered: Vec<(AccountId, Labels)>,
    /// Material line; absent for units.
    pub material: Option<u16>,
    /// Of which order.
    pub order: Stream,
    /// How far it has come.
    pub status: HandCountStatus,
    /// What is counted.
    pub what: HandCounted,
}

impl HandCountState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::HandCountOpened(body) = body else { return None };
        Some(Self {
            entered: Vec::new(),
            material: body.material,
            order: body.order.clone(),
            status: HandCountStatus::Open,
            what: body.what,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::HandCountEntered(body) => {
                if let Some(account) = entry.header.by.account() {
                    self.entered.push((account.clone(), body.labels));
                }
            }
            Body::HandCountAgreed(_) => self.status = HandCountStatus::Agreed,
            Body::HandCountDiffered(_) => self.status = HandCountStatus::Differed,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("hand_count.order", &self.order));
    }

    /// The number that both said; `None` before.
    pub fn agreed(&self) -> Option<Labels> {
        (self.status == HandCountStatus::Agreed).then(|| self.entered.last().map(|(_, labels)| *labels)).flatten()
    }
}

/// What is counted, as a person says it.
pub(crate) const fn name(what: HandCounted) -> &'static str {
    match what {
        HandCounted::Good => "labels on good units",
        HandCounted::Rejected => "labels on rejected units",
        HandCounted::Samples => "samples",
        HandCounted::Spoiled => "spoiled labels",
        HandCounted::CodedTail => "a coded tail",
        HandCounted::Units => "finished units",
        HandCounted::Container => "what lies in a container",
    }
}

/// The last attempts at the same thing that differed, since two people agreed on it, oldest first. `but`: is left out.
fn differed_before(
    world: &World,
    order: &Stream,
    material: Option<u16>,
    what: HandCounted,
    but: Option<&Stream>,
) -> Result<Vec<Stream>, Stop> {
    let mut differed = Vec::new();
    for stream in world.set(&Key::new("hand_count.order", order))? {
        let state = world.hand_count(stream)?;
        if (state.material, state.what) != (material, what) || Some(stream) == but {
            continue;
        }
        match state.status {
            HandCountStatus::Agreed => differed.clear(),
            HandCountStatus::Differed => differed.push(stream.clone()),
            HandCountStatus::Open => {}
        }
    }
    Ok(differed)
}

pub(crate) fn open(world: &World, order: &Id, material: Option<u16>, what: HandCounted) -> Result<Vec<Draft>, Stop> {
    let (order_stream, state) = order_in(world, order, COUNTING, COUNTING_REMEDY)?;
    match (what, material) {
        (HandCounted::Units, None) => {}
        (HandCounted::Units, Some(_)) => {
            return Err(Refusal::invalid(
                "units-of-no-material",
                "Finished units belong to the order, not to a material line.",
                "Leave the material line away.",
            )
            .into());
        }
        (_, None) => {
            return Err(Refusal::invalid(
                "no-material",
                format!("To count {}, the material line must be known.", name(what)),
                "Give the number of the material line.",
            )
            .into());
        }
        (_, Some(material)) => {
            let line = state.material(order, material)?;
            if what == HandCounted::CodedTail && line.coding == Coding::None {
                return Err(nothing_coded(material));
            }
        }
    }
    let known = world.set(&Key::new("hand_count.order", &order_stream))?.len();
    if known >= HAND_COUNTS_MAX {
        return Err(Refusal::conflict(
            "too-many-hand-counts",
            format!("The order {order} has {known} hand counts already, and takes no more."),
            "Counts by hand are for small quantities; tell the reviewer.",
        )
        .into());
    }
    let differed = differed_before(world, &order_stream, material, what, None)?;
    if let Some(last) = differed.last().filter(|_| differed.len() % ATTEMPTS == 0) {
        must_be_decided(world, last, what)?;
    }
    let stream = world.next(Thing::HandCount, "HC", 0)?;
    let part = Draft::entry(&order_stream, OrderPartBegun { part: stream.clone() });
    Ok(vec![Draft::entry(&stream, HandCountOpened { material, order: order_stream, what }), part])
}

pub(crate) fn nothing_coded(material: u16) -> Stop {
    Refusal::invalid(
        "nothing-coded",
        format!("Nothing is printed on the labels of the material line {material}; there is no coded tail."),
        "Leave the tail away; what is left is a rest, and comes back as a roll of its own.",
    )
    .into()
}

/// Refuses a further attempt while nobody has decided on those that differ: nothing is counted until it fits.
fn must_be_decided(world: &World, last: &Stream, what: HandCounted) -> Result<(), Stop> {
    for stream in world.set(&Key::new("deviation.about", last))? {
        let state = world.deviation(stream)?;
        let decided = state.status == DeviationStatus::Closed || state.interim == Some(InterimDecision::MayRunOn);
        if state.rule == DeviationRule::HandCountsDiffer && !decided {
            return Err(Refusal::conflict(
                "hand-counts-differ",
                format!("{ATTEMPTS} hand counts of {} do not agree ({}).", name(what), stream.id()),
                "Keep the labels together and sealed; quality decides how they are counted.",
            )
            .into());
        }
    }
    Ok(())
}

pub(crate) fn enter(world: &World, context: &Context, hand_count: &Id, labels: Labels) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::HandCount, hand_count);
    let state = world.hand_count(&stream)?;
    match state.status {
        HandCountStatus::Open => {}
        HandCountStatus::Agreed => {
            return Err(Refusal::conflict(
                "hand-count-ended",
                format!("Two people have counted {hand_count} already, and agree."),
                "Nothing is left to do; what is further there is counted as another one.",
            )
            .into());
        }
        HandCountStatus::Differed => {
            return Err(Refusal::conflict(
                "hand-count-ended",
                format!("Two people have counted {hand_count} already, and do not agree."),
                "Open another hand count, and count everything anew.",
            )
            .into());
        }
    }
    order_in(world, &state.order.id(), COUNTING, COUNTING_REMEDY)?;
    if labels.get() > HAND_COUNT_MAX {
        return Err(Refusal::invalid(
            "above-the-cap",
            format!("{labels} is more than the {HAND_COUNT_MAX} that are counted by hand."),
            "Count it on a counting table; or make smaller heaps, each a hand count of its own.",
        )
        .into());
    }
    let Some(account) = context.by.account() else {
        return Err(Refusal::internal("only a person counts by hand").into());
    };
    if state.entered.iter().any(|(before, _)| before == account) {
        return Err(Refusal::forbidden(
            "same-person",
            format!("You have counted {hand_count} already; the second number is another person's."),
            "Ask a second person to count, without telling your number.",
        )
        .into());
    }
    // Also where it was opened beforehand.
    let mut differed = differed_before(world, &state.order, state.material, state.what, Some(&stream))?;
    if let Some(last) = differed.last().filter(|_| differed.len() % ATTEMPTS == 0) {
        must_be_decided(world, last, state.what)?;
    }
    let mut drafts = vec![Draft::entry(&stream, HandCountEntered { labels })];
    let Some((_, first)) = state.entered.first() else { return Ok(drafts) };
    if *first == labels {
        drafts.push(Draft::entry(&stream, HandCountAgreed { labels }));
        return Ok(drafts);
    }
    drafts.push(Draft::entry(&stream, HandCountDiffered {}));
    differed.push(stream);
    if differed.len() % ATTEMPTS == 0 {
        let mut about = vec![state.order.clone()];
        let attempts = differed.iter().rev().take(ATTEMPTS).rev();
        about.extend(attempts.cloned());
        let text = format!(
            "{ATTEMPTS} hand counts of {} in the order {} do not agree, one after the other.",
            name(state.what),
            state.order.id()
        );
        let rule = DeviationRule::HandCountsDiffer;
        let (cause, opened) = deviation::by_rule(world, 0, rule, Severity::Major, about.clone(), text)?;
        drafts.push(opened);
        drafts.extend(deviation::all_questioned(&about, &cause));
    }
    Ok(drafts)
}

/// The number of a hand count that two people agreed on, where it is of that order and material line and one of `what`.
pub(crate) fn agreed_for(
    world: &World,
    hand_count: &Stream,
    order: &Stream,
    material: Option<u16>,
    what: &[HandCounted],
) -> Result<Labels, Stop> {
    let state = world.hand_count(hand_count)?;
    if state.order != *order || state.material != material || !what.contains(&state.what) {
        return Err(Refusal::conflict(
            "hand-count-of-another",
            format!("The hand count {} is of {}, or of another order or material.", hand_count.id(), name(state.what)),
            "Give the hand count of just this.",
        )
        .into());
    }
    match state.agreed() {
        Some(labels) => Ok(labels),
        None => Err(Refusal::conflict(
            "hand-count-not-agreed",
            format!("No two people agree on the hand count {}.", hand_count.id()),
            "Let a second person count; where the two differ, open another hand count.",
        )
        .into()),
    }
}
