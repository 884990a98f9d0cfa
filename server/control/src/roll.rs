//! Rolls: quality, count and custody, the holds over them, and the counts that were taken into their record.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CountEnd, DeliveryHoldLifted, DeviationRule, Mark, RollCheckRecorded, RollCounted, RollHoldLifted, RollMoved,
    SettledBy,
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
        let Body::RollReceived(body) = body else { return None };
        Some(Self {
            attempts: 0,
            checked: false,
            counts: Vec::new(),
            delivery: body.delivery.clone(),
            disagreed: false,
            holds: BTreeSet::new(),
            item: body.item.clone(),
            open_count: None,
            place: body.place.clone(),
            quality: Quality::Quarantine,
            round_from: 0,
            settled: None,
            stated: body.stated,
            tag: None,
            turned: false,
            unsigned_count: None,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::RollMoved(body) => self.place.clone_from(&body.place),
            Body::RollReleased(_) => self.quality = Quality::Released,
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
        keys.push(Key::new("roll.delivery", &self.delivery));
        if matches!(self.quality, Quality::Quarantine | Quality::Released) {
            keys.push(stock_key(&self.item));
        }
        if !self.holds.is_empty() {
            keys.push(Key::new("roll.held", "yes"));
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

/// The key of rolls with a count in a station's bracket that no challenge has closed.
pub(crate) fn bracket_key(station: &Stream, bracket: u64) -> Key {
    Key::new("roll.bracket", format_args!("{station}#{bracket}"))
}

pub(crate) fn move_to(world: &World, roll: &Id, place: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Roll, roll);
    let state = world.roll(&stream)?;
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
    state.must_be_free(roll)?;
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
        _ => {
            return Err(Refusal::invalid(
                "nothing-to-hold",
                format!("Only rolls and deliveries are ever on hold; {record} is neither."),
                "Give the roll or the delivery that is on hold.",
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
    if state.rule == DeviationRule::WrongCode {
        return Err(Refusal::forbidden(
            "wrong-code-holds",
            format!("The deviation {cause} is about a wrong code; its holds stay until it is investigated and closed."),
            "Leave everything of this delivery set aside; quality may reject it.",
        )
        .into());
    }
    let why = reason(why)?;
    let signed = signature(world, context, &deviation, std::slice::from_ref(record), "hold lifted")?;
    let lifted = if record.thing() == "roll" {
        Draft::because(record, RollHoldLifted { cause: deviation }, &why)
    } else {
        Draft::because(record, DeliveryHoldLifted { cause: deviation }, &why)
    };
    Ok(vec![lifted, signed])
}
