//! Rolls: quality, count and custody, the holds over them, and the counts that were taken into their record.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CountEnd, DeliveryHoldLifted, DeviationDecision, DeviationRule, Mark, OrderHoldLifted, RollCheckRecorded,
    RollCounted, RollHoldLifted, RollMoved, SettledBy,
};
use tallyseal_schema::{Body, Entry, Labels};

use crate::delivery::held;
use crate::facts::signature;
use crate::item::stock_key;
use crate::refusal::Refusal;
use crate::settle::{agree, compared};
use crate::state::Key;
use crate::text::{line, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// The axis of quality.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quality {
    /// Waits for quality.
    Quarantine,
    /// Released by quality.
    Released,
    /// Rejected by quality.
    Rejected,
    /// Obsolete, waits for destruction.
    Obsolete,
}

/// The axis of counting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CountAxis {
    /// No count stands.
    Uncounted,
    /// A count stands, and no closing challenge of its station has passed yet.
    AtRisk,
    /// A count stands between two good challenges.
    Counted,
}

/// The axis of custody: who has the roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "at", rename_all = "snake_case")]
pub enum Custody {
    /// In the label room's store.
    Store {},
    /// Given to an order; the line has not signed for it yet.
    Given {
        /// The order.
        order: Stream,
    },
    /// A person of the line has signed for it.
    Taken {
        /// The order.
        order: Stream,
    },
    /// Scanned in at its line.
    Line {
        /// The order.
        order: Stream,
    },
    /// On a dispenser.
    Mounted {
        /// The order.
        order: Stream,
    },
    /// Handed back by the line, sealed and uncounted.
    GivenBack {
        /// The order.
        order: Stream,
    },
    /// It is no more.
    Ended {},
}

impl Custody {
    /// For which order it is out of the store.
    pub fn order(&self) -> Option<&Stream> {
        match self {
            Self::Store {} | Self::Ended {} => None,
            Self::Given { order }
            | Self::Taken { order }
            | Self::Line { order }
            | Self::Mounted { order }
            | Self::GivenBack { order } => Some(order),
        }
    }
}

/// One signed count in the roll's record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RollCount {
    /// Challenge bracket of the station.
    pub bracket: u64,
    /// A closing challenge has passed.
    pub bracketed: bool,
    /// The count.
    pub count: Stream,
    /// The closing challenge failed.
    pub doubted: bool,
    /// A cross-check questions its number.
    pub in_doubt: bool,
    /// Labels counted.
    pub labels: Labels,
    /// At which station.
    pub station: Stream,
    /// Labels taken out of the roll during or after it.
    pub taken_out: Labels,
}

/// The quantity that stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Settled {
    /// Labels counted.
    pub counted: Labels,
    /// Every count that was looked at.
    pub counts: Vec<Stream>,
    /// Faults left on it, from the outer end.
    pub marks: Vec<Mark>,
    /// Labels on the roll.
    pub on_roll: Labels,
    /// By which rule.
    pub rule: SettledBy,
    /// The count that stands.
    pub standing: Stream,
    /// Labels taken out.
    pub taken_out: Labels,
}

/// What the roll's tag says, from its last settlement on; a count that is doubted later takes no mark off it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tag {
    /// The count after which it was made.
    pub count: Stream,
    /// Faults left on the roll, from the outer end.
    pub marks: Vec<Mark>,
    /// Labels that were on the roll then.
    pub on_roll: Labels,
    /// Where in the roll's counts those begin that came after it.
    pub counts_from: usize,
}

/// What is remembered of a roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RollState {
    /// Attempts so far, of any purpose.
    pub attempts: u32,
    /// Web, sensor and speed were checked since the counts of this round differed.
    pub checked: bool,
    /// Every signed count.
    pub counts: Vec<RollCount>,
    /// Who has it.
    pub custody: Custody,
    /// With which shipment it came.
    pub delivery: Stream,
    /// Its counts do not agree and the rule allows no more.
    pub disagreed: bool,
    /// Deviations that hold it.
    pub holds: BTreeSet<Stream>,
    /// Of what.
    pub item: Stream,
    /// The count that is running.
    pub open_count: Option<Stream>,
    /// The order that took it over, whatever became of it since.
    pub order: Option<Stream>,
    /// The roll that it is the rest of, and the order that it came back from.
    pub parent: Option<(Stream, Stream)>,
    /// Where it stands.
    pub place: String,
    /// The axis of quality.
    pub quality: Quality,
    /// Where in `counts` the round begins that is not settled yet.
    pub round_from: usize,
    /// The quantity that stands.
    pub settled: Option<Settled>,
    /// What the supplier stated.
    pub stated: Labels,
    /// Its tag, once a count has stood.
    pub tag: Option<Tag>,
    /// It was wound over an odd number of times: it unwinds the other way than it came.
    pub turned: bool,
    /// A count was closed and is not signed yet.
    pub unsigned_count: Option<Stream>,
}

impl RollState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let (delivery, item, place, stated, parent) = match body {
            Body::RollReceived(body) => (&body.delivery, &body.item, &body.place, body.stated, None),
            Body::RollReturned(body) => {
                let parent = Some((body.parent.clone(), body.order.clone()));
                (&body.delivery, &body.item, &body.place, Labels::ZERO, parent)
            }
            _ => return None,
        };
        Some(Self {
            attempts: 0,
            checked: false,
            counts: Vec::new(),
            custody: Custody::Store {},
            delivery: delivery.clone(),
            disagreed: false,
            holds: BTreeSet::new(),
            item: item.clone(),
            open_count: None,
            order: None,
            parent,
            place: place.clone(),
            quality: Quality::Quarantine,
            round_from: 0,
            settled: None,
            stated,
            tag: None,
            turned: false,
            unsigned_count: None,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::RollMoved(body) => self.place.clone_from(&body.place),
            Body::RollReleased(_) | Body::RollReturnReleased(_) => self.quality = Quality::Released,
            Body::RollIssued(body) => self.custody = Custody::Given { order: body.order.clone() },
            Body::RollIssueWithdrawn(_) => self.custody = Custody::Store {},
            Body::RollTaken(_) => {
                self.order = self.custody.order().cloned();
                self.carry(|order| Custody::Taken { order });
            }
            Body::RollReceivedAtLine(_) | Body::RollDismounted(_) => self.carry(|order| Custody::Line { order }),
            Body::RollMounted(_) => self.carry(|order| Custody::Mounted { order }),
            Body::RollGivenBack(_) => self.carry(|order| Custody::GivenBack { order }),
            Body::RollEnded(_) => self.custody = Custody::Ended {},
            Body::RollRejected(_) => self.quality = Quality::Rejected,
            Body::RollObsoleted(_) => self.quality = Quality::Obsolete,
            Body::RollHeld(body) => {
                self.holds.insert(body.cause.clone());
            }
            Body::RollHoldLifted(body) => {
                self.holds.remove(&body.cause);
                if self.disagreed && self.holds.is_empty() {
                    // After the reviewer's decision the counting begins anew; the old counts stay in the record.
                    self.disagreed = false;
                    self.begin_round();
                }
            }
            Body::RollCountOpened(body) => {
                self.attempts = self.attempts.max(body.attempt);
                self.open_count = Some(body.count.clone());
            }
            Body::RollCountEnded(body) => {
                self.open_count = None;
                if body.how == CountEnd::Closed {
                    self.turned = !self.turned;
                    self.unsigned_count = Some(body.count.clone());
                } else if self.unsigned_count.as_ref() == Some(&body.count) {
                    // Given up after it was closed: the roll lies as that run left it.
                    self.unsigned_count = None;
                }
            }
            Body::RollCounted(body) => self.take_count(body),
            Body::RollCheckRecorded(_) => self.checked = true,
            Body::RollCountSettled(body) => {
                self.settled = Some(Settled {
                    counted: body.counted,
                    counts: body.counts.clone(),
                    marks: body.marks.clone(),
                    on_roll: body.on_roll,
                    rule: body.rule,
                    standing: body.standing.clone(),
                    taken_out: body.taken_out,
                });
                self.tag = Some(Tag {
                    count: body.standing.clone(),
                    marks: body.marks.clone(),
                    on_roll: body.on_roll,
                    counts_from: self.counts.len(),
                });
                self.begin_round();
            }
            Body::RollCountsDisagreed(_) => {
                self.disagreed = true;
                self.settled = None;
            }
            Body::RollBracketed(body) => {
                for count in self.counts.iter_mut().filter(|count| count.count == body.count) {
                    count.bracketed = true;
                }
            }
            Body::RollCountDoubted(body) => {
                for count in self.counts.iter_mut().filter(|count| count.count == body.count) {
                    count.doubted = true;
                    // What was checked when it differed from another no longer answers for the next difference.
                    self.checked = false;
                }
                if self.settled.as_ref().is_some_and(|settled| settled.counts.contains(&body.count)) {
                    self.settled = None;
                }
            }
            _ => {}
        }
    }

    fn carry(&mut self, to: impl FnOnce(Stream) -> Custody) {
        if let Some(order) = self.custody.order().cloned() {
            self.custody = to(order);
        }
    }

    fn begin_round(&mut self) {
        self.round_from = self.counts.len();
        self.checked = false;
    }

    /// Takes a signed count into the round.
    pub(crate) fn take_count(&mut self, body: &RollCounted) {
        self.unsigned_count = None;
        self.counts.push(RollCount {
            bracket: body.bracket,
            bracketed: false,
            count: body.count.clone(),
            doubted: false,
            in_doubt: body.in_doubt,
            labels: body.labels,
            station: body.station.clone(),
            taken_out: body.taken_out,
        });
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("roll.item", &self.item));
        keys.push(delivery_key(&self.delivery));
        if let Some((_, order)) = &self.parent {
            keys.push(Key::new("roll.returned_from", order));
        }
        if self.waits_for_return() {
            keys.push(return_key(&self.item));
        }
        if let Some(order) = self.custody.order() {
            keys.push(Key::new("roll.order", order));
        }
        if self.order.is_some() {
            keys.push(handed_out_key(&self.delivery));
        }
        if self.may_be_issued() {
            keys.push(issuable_key(&self.item));
        }
        // What an order has counts as stock: a revision that is taken out at once calls it back.
        let there = !matches!(self.custody, Custody::Ended {});
        if there {
            keys.push(Key::new("roll.there", "yes"));
        }
        if self.custody == (Custody::Store {}) {
            keys.push(Key::new("roll.place", &self.place));
        }
        if there && there_to_use(self.quality) {
            keys.push(stock_key(&self.item));
        }
        if !self.holds.is_empty() {
            keys.push(Key::new("roll.held", "yes"));
        }
        keys.extend(self.holds.iter().map(held_by_key));
        if self.disagreed {
            keys.push(Key::new("roll.disagreed", "yes"));
        }
        if self.settled.is_none() && self.counts.iter().any(|count| count.doubted) {
            keys.push(Key::new("roll.doubted", "yes"));
        }
        if matches!(self.custody, Custody::GivenBack { .. }) {
            keys.push(Key::new("roll.given_back", "yes"));
        }
        let in_store = self.custody == Custody::Store {} && self.holds.is_empty();
        let in_count = self.open_count.is_some() || self.unsigned_count.is_some();
        if in_store && !in_count && self.settled.is_none() && there_to_use(self.quality) {
            keys.push(Key::new("roll.to_count", "yes"));
        }
        if in_store && self.parent.is_some() && self.settled.is_some() && self.quality == Quality::Quarantine {
            keys.push(Key::new("roll.to_release", "yes"));
        }
        for count in self.counts.iter().filter(|count| !count.bracketed && !count.doubted) {
            keys.push(bracket_key(&count.station, count.bracket));
        }
    }

    /// The axis of counting.
    pub fn count_axis(&self) -> CountAxis {
        let Some(settled) = &self.settled else { return CountAxis::Uncounted };
        let at_risk = |count: &RollCount| settled.counts.contains(&count.count) && !count.bracketed;
        if self.counts.iter().any(at_risk) { CountAxis::AtRisk } else { CountAxis::Counted }
    }

    /// The signed counts of the round, in order, the doubted ones among them.
    pub fn round_counts(&self) -> &[RollCount] {
        self.counts.get(self.round_from..).unwrap_or_default()
    }

    /// What came back of the roll that it is the rest of, by its own counts: what is on it, and what the label room has
    /// taken out of it since, each piece with its fate in a count. `None`: no count stands.
    pub fn came_back(&self) -> Option<u64> {
        let counts = self.counts.get(..self.round_from).unwrap_or_default();
        let taken_out = counts.iter().map(|count| u64::from(count.taken_out.get())).fold(0, u64::saturating_add);
        self.settled.as_ref().map(|settled| u64::from(settled.on_roll.get()).saturating_add(taken_out))
    }

    /// The rest of a roll that came back, and no count of it stands yet.
    pub(crate) fn waits_for_return(&self) -> bool {
        self.parent.is_some() && self.settled.is_none() && self.custody == Custody::Store {}
    }

    /// By its own record alone: released, counted, in the store, on no hold and in no count.
    pub(crate) fn may_be_issued(&self) -> bool {
        self.custody == Custody::Store {}
            && self.quality == Quality::Released
            && self.holds.is_empty()
            && self.settled.is_some()
            && self.open_count.is_none()
            && self.unsigned_count.is_none()
    }

    /// Refuses where the roll is not in the label room's store.
    pub(crate) fn must_be_in_store(&self, id: &Id) -> Result<(), Stop> {
        if let Some(order) = self.custody.order() {
            return Err(Refusal::conflict(
                "roll-out-of-store",
                format!("The roll {id} is not in the store; the order {} has it.", order.id()),
                "The line gives it back first; or withdraw the issue while the line has not taken it over.",
            )
            .into());
        }
        if self.custody == (Custody::Ended {}) {
            return Err(Refusal::conflict(
                "roll-is-no-more",
                format!("The roll {id} is no more: it was used up, or came back and its rest is another roll."),
                "Scan the tag again; if a roll with this tag lies in front of you, set it aside and tell the reviewer.",
            )
            .into());
        }
        Ok(())
    }

    /// The signed counts since the last tag, in order.
    pub(crate) fn counts_since_tag(&self) -> &[RollCount] {
        self.counts.get(self.tag.as_ref().map_or(0, |tag| tag.counts_from)..).unwrap_or_default()
    }

    /// Refuses where nothing may be done with the roll: rejected, obsolete, or on hold.
    pub(crate) fn must_be_free(&self, id: &Id) -> Result<(), Stop> {
        if let Some(hold) = self.holds.first() {
            return Err(held("roll", id, hold));
        }
        match self.quality {
            Quality::Quarantine | Quality::Released => Ok(()),
            Quality::Rejected => Err(Refusal::conflict(
                "roll-rejected",
                format!("The roll {id} is rejected."),
                "Put it with the rejected goods; nobody may override this.",
            )
            .into()),
            Quality::Obsolete => Err(Refusal::conflict(
                "roll-obsolete",
                format!("The roll {id} is obsolete and waits for destruction."),
                "Put it with those that wait for destruction, and take a roll of the new revision.",
            )
            .into()),
        }
    }
}

/// The key of whatever one deviation holds.
pub(crate) fn held_by_key(cause: &Stream) -> Key {
    Key::new("hold.cause", cause)
}

const fn there_to_use(quality: Quality) -> bool {
    matches!(quality, Quality::Quarantine | Quality::Released)
}

/// The key of rolls with a count in a station's bracket that no challenge has closed.
pub(crate) fn bracket_key(station: &Stream, bracket: u64) -> Key {
    Key::new("roll.bracket", format_args!("{station}#{bracket}"))
}

/// The key of rolls of an item that came back and of which no count stands yet.
pub(crate) fn return_key(item: &Stream) -> Key {
    Key::new("roll.return_waits", item)
}

/// The key of rolls of an item that may be issued by their own record.
pub(crate) fn issuable_key(item: &Stream) -> Key {
    Key::new("roll.issuable", item)
}

/// The key of rolls of a delivery that an order took over, used up or not.
pub(crate) fn handed_out_key(delivery: &Stream) -> Key {
    Key::new("roll.handed_out", delivery)
}

/// The key of every roll of a delivery, the rests of those that came back among them.
pub(crate) fn delivery_key(delivery: &Stream) -> Key {
    Key::new("roll.delivery", delivery)
}

pub(crate) fn move_to(world: &World, roll: &Id, place: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Roll, roll);
    let state = world.roll(&stream)?;
    state.must_be_in_store(roll)?;
    if state.open_count.is_some() {
        return Err(Refusal::conflict(
            "roll-in-count",
            format!("The roll {roll} is on a counting table."),
            "End its count first.",
        )
        .into());
    }
    Ok(vec![Draft::entry(&stream, RollMoved { place: line("place", place)? })])
}

pub(crate) fn record_check(world: &World, roll: &Id, web: &str, sensor: &str, speed: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Roll, roll);
    let state = world.roll(&stream)?;
    state.must_be_in_store(roll)?;
    // What came back is counted in every state, for the account of its order.
    if !state.waits_for_return() {
        state.must_be_free(roll)?;
    }
    if !differs(state) {
        return Err(Refusal::conflict(
            "counts-do-not-differ",
            format!("No two counts of the roll {roll} differ."),
            "A check is recorded when two counts differ, before the third.",
        )
        .into());
    }
    if state.checked {
        return Err(Refusal::conflict(
            "already-checked",
            format!("The check of the roll {roll} is recorded already."),
            "Count it the third time.",
        )
        .into());
    }
    let body =
        RollCheckRecorded { sensor: said("sensor", sensor)?, speed: said("speed", speed)?, web: said("web", web)? };
    Ok(vec![Draft::entry(&stream, body)])
}

/// True where the counts of the round (for a recount: with the one that stands) are two and do not agree.
pub(crate) fn differs(state: &RollState) -> bool {
    matches!(compared(state).as_slice(), [first, second] if !agree(first, second))
}

pub(crate) fn lift_hold(
    world: &World,
    context: &Context,
    record: &Stream,
    cause: &Id,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let deviation = of(Thing::Deviation, cause);
    let holds = match record.thing() {
        "roll" => &world.roll(record)?.holds,
        "delivery" => &world.delivery(record)?.holds,
        "order" => &world.order(record)?.holds,
        _ => {
            return Err(Refusal::invalid(
                "nothing-to-hold",
                format!("Only rolls, deliveries and orders are ever on hold; {record} is none of them."),
                "Give the roll, the delivery or the order that is on hold.",
            )
            .into());
        }
    };
    if !holds.contains(&deviation) {
        return Err(Refusal::conflict(
            "not-held",
            format!("{} is not on hold because of {cause}.", record.id()),
            "Look at its record for what holds it.",
        )
        .into());
    }
    let state = world.deviation(&deviation)?;
    if state.decision == Some(DeviationDecision::Reject) {
        return Err(Refusal::forbidden(
            "deviation-rejects",
            format!("Quality decided in {cause} that what it is about may not be used."),
            "Leave it set aside; it is rejected or destroyed.",
        )
        .into());
    }
    if state.rule == DeviationRule::WrongCode {
        if !state.accepted() {
            return Err(Refusal::forbidden(
                "wrong-code-holds",
                format!(
                    "The deviation {cause} is about a wrong code; its holds stay until it is investigated and closed."
                ),
                "Leave everything of this delivery set aside; quality may reject it.",
            )
            .into());
        }
        // The first roll that it is about is the one on which the code was read; what was added later are sisters. What
        // came back of it is the same roll under another name.
        let found_on = state.about.iter().find(|about| about.thing() == Thing::Roll.as_str());
        let parent = match record.thing() {
            "roll" => world.roll(record)?.parent.as_ref().map(|(parent, _)| parent),
            _ => None,
        };
        if found_on == Some(record) || (parent.is_some() && found_on == parent) {
            return Err(Refusal::forbidden(
                "wrong-code-roll",
                format!("A wrong code was read on the roll {} itself.", record.id()),
                "It stays set aside for ever; nobody may override this.",
            )
            .into());
        }
    }
    let why = reason(why)?;
    let signed = signature(world, context, &deviation, std::slice::from_ref(record), "hold lifted")?;
    let lifted = match record.thing() {
        "roll" => Draft::because(record, RollHoldLifted { cause: deviation }, &why),
        "delivery" => Draft::because(record, DeliveryHoldLifted { cause: deviation }, &why),
        _ => Draft::because(record, OrderHoldLifted { cause: deviation }, &why),
    };
    Ok(vec![lifted, signed])
}
