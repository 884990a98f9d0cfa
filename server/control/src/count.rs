//! Counts: opened, observed, closed or interrupted or aborted, disposed of, signed. Every attempt is kept.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CodePlace, CountAborted, CountClosed, CountDispositionCorrected, CountEnd, CountExceptionFound, CountFaultDisposed,
    CountInterrupted, CountLinkLost, CountOpened, CountPurpose, CrossCheck, DeviationRule, Direction, Disposition,
    Fate, FaultKind, MachineCounts, Mark, Role, RollBracketed, RollCountDoubted, RollCountEnded, RollCountOpened,
    RollCountSettled, RollCounted, RollCountsDisagreed, RollHeld, Severity, StationCountEnded, StationCountOpened,
    StationDoubted, Superseded,
};
use tallyseal_schema::observation::Observation;
use tallyseal_schema::{Body, By, Entry, Hash, Labels, Time};

use crate::challenge::{self, RUNS_MAX};
use crate::facts::signature;
use crate::marks::{self, Former, MARKS_MAX, Run};
use crate::observe::{could_pass, passed_us};
use crate::refusal::Refusal;
use crate::roll::{RollState, differs};
use crate::settle::{Settlement, compared, settle};
use crate::state::Key;
use crate::text::{number, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft, StationState, codes, deviation};

/// So many faults of one count are kept one by one; further ones are in the captured bytes and in one exception.
pub(crate) const FAULTS_KEPT: usize = 2_000;

/// So many reports of the machine in one count are kept one by one, as [`FAULTS_KEPT`].
pub(crate) const REPORTS_KEPT: u32 = 4_000;

/// So many exceptions of one check are kept for one count; the last of them says that there may be more.
pub(crate) const EXCEPTIONS_KEPT: u32 = 100;

/// So many counts may begin on a station between two challenges, whatever the interval: so a challenge that fails can
/// hold every roll of its bracket in one act.
pub(crate) const COUNTS_IN_BRACKET_MAX: u32 = 1_000;

/// A first total of no more than so many labels may be one that was set to zero: the web creeps before a count is opened.
/// Our own choice, no source. Unit: labels.
const NEAR_ZERO: u32 = 5;

/// So many places are named in the exception that says that the counts of a roll saw different faults.
const PLACES_NAMED: usize = 10;

/// Longest text of a machine that is copied into an entry. Unit: characters.
const MACHINE_TEXT_MAX: usize = 500;

/// A text of a machine, cut to what is copied into an entry.
pub(crate) fn cut(text: &str) -> String {
    text.chars().take(MACHINE_TEXT_MAX).collect()
}

/// The name for people.
pub(crate) fn fault_name(kind: FaultKind) -> String {
    kind.as_str().replace('_', " ")
}

/// True for the checks that question the number of labels. Such a count stands only if another one agrees that
/// nothing questions.
pub(crate) const fn questions(check: CrossCheck) -> bool {
    match check {
        CrossCheck::TotalAgainstLabels
        | CrossCheck::TotalFell
        | CrossCheck::TotalReset
        | CrossCheck::TotalJumped
        | CrossCheck::TotalLeftOver
        | CrossCheck::OrdinalGap
        | CrossCheck::OrdinalFell
        | CrossCheck::Overspeed
        | CrossCheck::TicketAgainstTotal
        | CrossCheck::Unreadable
        | CrossCheck::LinkLost
        | CrossCheck::WebBreak
        | CrossCheck::TooManyFaults => true,
        CrossCheck::Alarm
        | CrossCheck::MachineReference
        | CrossCheck::Silence
        | CrossCheck::FaultCap
        | CrossCheck::FaultMapsDiffer => false,
    }
}

/// How far a count has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CountStatus {
    /// The table runs.
    Open,
    /// The roll has ended; faults are disposed of, then it is signed.
    Closed,
    /// Signed by the person who closed it.
    Signed,
    /// Power, link or web lost.
    Interrupted,
    /// Given up.
    Aborted,
}

/// The piece that was taken out for a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// Where it went.
    pub fate: Fate,
    /// Labels in it; counted once for a range of faults.
    pub labels: Labels,
    /// Ordinal of its last label.
    pub last: u32,
}

/// Which entry disposed of a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Disposed {
    /// Its revision in the count's stream.
    pub rev: u64,
}

/// What is remembered of a machine's totals, beside the first and the last one. All of it begins anew with a reset.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Totals {
    /// When the last one came.
    pub at: Option<Time>,
    /// When the first one came.
    pub first_at: Option<Time>,
    /// Labels that had been seen one by one by then.
    pub first_labels_seen: u32,
    /// Labels that had been seen one by one when the last one came.
    pub labels_seen: u32,
    /// The machine was reset in this count.
    pub reset: bool,
    /// The most by which one was higher than the one before. Unit: labels.
    pub step: u32,
}

/// A fault as it was seen in this run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fault {
    /// By which entry it was disposed of.
    pub disposed: Option<Disposed>,
    /// What was done about it.
    pub disposition: Option<Disposition>,
    /// What it is.
    pub fault: FaultKind,
    /// What was read, for a wrong code.
    pub found: Option<String>,
    /// Last label of a run that shares it; else equal to `ordinal`.
    pub last: u32,
    /// The label, or the last label before the place.
    pub ordinal: u32,
    /// The piece taken out, on the first fault of the range it was taken out for.
    pub piece: Option<Taken>,
}

impl Fault {
    /// True where it is of that kind and lies wholly within the range.
    fn lies_in(&self, kind: FaultKind, first: u32, last: u32) -> bool {
        let range = first..=last;
        self.fault == kind && range.contains(&self.ordinal) && range.contains(&self.last)
    }
}

/// What is remembered of a count.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CountState {
    /// Which attempt.
    pub attempt: u32,
    /// Challenge bracket of the station.
    pub bracket: u64,
    /// Length of its byte stream on each link.
    pub bytes: BTreeMap<String, u64>,
    /// Who closed it.
    pub closed_by: Option<AccountId>,
    /// Places whose code was read by hand, each with its label.
    pub codes_checked: BTreeSet<(CodePlace, u32)>,
    /// Labels whose code the station read.
    pub codes_read: u32,
    /// What the machine's total counts.
    pub counts: MachineCounts,
    /// Which way the web ran.
    pub direction: Direction,
    /// Exceptions found, by check.
    pub exceptions: BTreeMap<CrossCheck, u32>,
    /// The code expected on every label.
    pub expected_code: Option<String>,
    /// Faults, in the order seen.
    pub faults: Vec<Fault>,
    /// For which item the station was set up.
    pub item: Stream,
    /// Labels that passed, once it is closed.
    pub labels: Option<Labels>,
    /// Labels seen one by one.
    pub labels_seen: u32,
    /// The machine's last running total.
    pub machine_total: Option<u32>,
    /// When it began.
    pub opened_at: Time,
    /// Who began it.
    pub opened_by: Option<AccountId>,
    /// The entry of the book with which it began.
    pub opened_n: u64,
    /// Digest of the plugin.
    pub plugin: Hash,
    /// For what.
    pub purpose: CountPurpose,
    /// Reports of the machine that were kept.
    pub reported: u32,
    /// The roll or test roll.
    pub roll: Stream,
    /// The machine reported the end of the roll.
    pub roll_end: bool,
    /// At which station.
    pub station: Stream,
    /// How far it has come.
    pub status: CountStatus,
    /// The machine's closing figure.
    pub ticket: Option<u32>,
    /// The first running total that was kept since the last reset.
    pub total_first: Option<u32>,
    /// More about its totals.
    pub totals: Totals,
}

impl CountState {
    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::CountOpened(body) = &entry.body else { return None };
        Some(Self {
            attempt: body.attempt,
            bracket: body.bracket,
            bytes: BTreeMap::new(),
            closed_by: None,
            codes_checked: BTreeSet::new(),
            codes_read: 0,
            counts: body.counts,
            direction: body.direction,
            exceptions: BTreeMap::new(),
            expected_code: body.expected_code.clone(),
            faults: Vec::new(),
            item: body.item.clone(),
            labels: None,
            labels_seen: 0,
            machine_total: None,
            opened_at: entry.header.at,
            opened_by: entry.header.by.account().cloned(),
            opened_n: entry.header.n,
            plugin: body.plugin,
            purpose: body.purpose,
            reported: 0,
            roll: body.roll.clone(),
            roll_end: false,
            station: body.station.clone(),
            status: CountStatus::Open,
            ticket: None,
            total_first: None,
            totals: Totals::default(),
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::CountSegmentCaptured(body) => {
                self.bytes.insert(body.link.clone(), body.offset.saturating_add(body.length));
                self.labels_seen = self.labels_seen.saturating_add(body.labels);
                self.codes_read = self.codes_read.saturating_add(body.read);
                if let Some(total) = body.total {
                    self.take_total(total, entry.header.at);
                }
            }
            Body::CountFaultSeen(body) => self.faults.push(Fault {
                disposed: None,
                disposition: None,
                fault: body.fault,
                found: body.found.clone(),
                last: body.last.unwrap_or(body.ordinal),
                ordinal: body.ordinal,
                piece: None,
            }),
            Body::CountMachineReported(body) => {
                self.reported = self.reported.saturating_add(1);
                match &body.seen {
                    Observation::Ticket { total, .. } => self.ticket = Some(*total),
                    Observation::RollEnd { .. } => self.roll_end = true,
                    Observation::Reset {} => {
                        self.machine_total = None;
                        self.total_first = None;
                        self.totals = Totals { reset: true, ..Totals::default() };
                    }
                    _ => {}
                }
            }
            Body::CountExceptionFound(body) => {
                let seen = self.exceptions.entry(body.check).or_default();
                *seen = seen.saturating_add(1);
            }
            Body::CountFaultDisposed(body) => self.dispose(body, entry.header.rev),
            Body::CountDispositionCorrected(body) => {
                for fault in self.faults.iter_mut().filter(|fault| fault.lies_in(body.fault, body.first, body.last)) {
                    (fault.disposed, fault.disposition, fault.piece) = (None, None, None);
                }
                let body = CountFaultDisposed {
                    disposition: body.disposition,
                    fate: body.fate,
                    fault: body.fault,
                    first: body.first,
                    labels: body.labels,
                    last: body.last,
                };
                self.dispose(&body, entry.header.rev);
            }
            Body::CountCodeChecked(body) => {
                self.codes_checked.insert((body.place, body.ordinal));
                let known = |fault: &Fault| {
                    fault.fault == FaultKind::WrongCode && (fault.ordinal..=fault.last).contains(&body.ordinal)
                };
                if !body.matches && !self.faults.iter().any(known) {
                    self.faults.push(Fault {
                        disposed: None,
                        disposition: None,
                        fault: FaultKind::WrongCode,
                        found: Some(body.found.clone()),
                        last: body.ordinal,
                        ordinal: body.ordinal,
                        piece: None,
                    });
                }
            }
            Body::CountClosed(body) => {
                self.status = CountStatus::Closed;
                self.labels = Some(body.labels);
                self.machine_total = Some(body.machine_total);
                self.closed_by = entry.header.by.account().cloned();
            }
            Body::CountInterrupted(_) => self.status = CountStatus::Interrupted,
            Body::CountAborted(_) => self.status = CountStatus::Aborted,
            Body::SignatureApplied(body) if body.meaning == "counted" => self.status = CountStatus::Signed,
            _ => {}
        }
    }

    fn take_total(&mut self, total: u32, at: Time) {
        match self.machine_total {
            Some(before) => self.totals.step = self.totals.step.max(total.saturating_sub(before)),
            None => {
                self.total_first = Some(total);
                self.totals.first_at = Some(at);
                self.totals.first_labels_seen = self.labels_seen;
            }
        }
        self.machine_total = Some(total);
        self.totals.at = Some(at);
        self.totals.labels_seen = self.labels_seen;
    }

    fn dispose(&mut self, body: &CountFaultDisposed, rev: u64) {
        let fate = body.fate.unwrap_or(Fate::Waste);
        let mut piece = body.labels.map(|labels| Taken { fate, labels, last: body.last });
        for fault in self.faults.iter_mut().filter(|fault| fault.lies_in(body.fault, body.first, body.last)) {
            if fault.disposition.is_none() {
                fault.disposed = Some(Disposed { rev });
                fault.disposition = Some(body.disposition);
                fault.piece = piece.take();
            }
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("count.roll", &self.roll));
        keys.push(Key::new("count.station", &self.station));
        if !self.of_test_roll() {
            keys.push(Key::new("count.bracket", format_args!("{}#{}", self.station, self.bracket)));
        }
        match self.status {
            CountStatus::Open => keys.push(Key::new("count.open", "yes")),
            CountStatus::Closed if self.purpose == CountPurpose::Challenge => {
                keys.push(challenge::runs_key(&self.station, self.bracket));
            }
            CountStatus::Closed if self.of_test_roll() => {}
            CountStatus::Closed => {
                keys.push(Key::new("count.unsigned", "yes"));
                keys.push(challenge::unsigned_key(&self.station, self.bracket));
            }
            CountStatus::Signed | CountStatus::Interrupted | CountStatus::Aborted => {}
        }
    }

    /// How many faults of each kind. A run of labels that shares a fault counts each label.
    pub fn fault_totals(&self) -> BTreeMap<FaultKind, u32> {
        let mut totals = BTreeMap::new();
        for fault in &self.faults {
            let total: &mut u32 = totals.entry(fault.fault).or_default();
            *total = total.saturating_add(fault.last.saturating_sub(fault.ordinal).saturating_add(1));
        }
        totals
    }

    /// Labels taken out in all its pieces.
    pub fn taken_out(&self) -> u64 {
        self.faults.iter().filter_map(|fault| fault.piece).map(|piece| u64::from(piece.labels.get())).sum()
    }

    /// True where a cross-check questions its number.
    pub fn in_doubt(&self) -> bool {
        self.exceptions.keys().any(|check| questions(*check))
    }

    /// First and last ordinals of the pieces taken out.
    pub(crate) fn pieces(&self) -> Vec<(u32, u32)> {
        self.faults.iter().filter_map(marks::piece).collect()
    }

    /// True for a run of a test roll.
    pub fn of_test_roll(&self) -> bool {
        matches!(self.purpose, CountPurpose::Challenge | CountPurpose::Qualification)
    }

    pub(crate) fn must_be(&self, id: &Id, wanted: &[CountStatus]) -> Result<(), Stop> {
        if wanted.contains(&self.status) {
            return Ok(());
        }
        let (code, text, remedy) = match self.status {
            CountStatus::Open => ("count-open", "is still running", "Close it at the end of the roll first."),
            CountStatus::Closed => ("count-closed", "is closed", "Dispose of its faults and sign it."),
            CountStatus::Signed => {
                ("count-signed", "is signed", "Count again if it is in doubt; what is signed stays.")
            }
            CountStatus::Interrupted => {
                ("count-interrupted", "was interrupted", "Wind back and count the whole roll again.")
            }
            CountStatus::Aborted => ("count-aborted", "was given up", "Wind back and count the whole roll again."),
        };
        Err(Refusal::conflict(code, format!("The count {id} {text}."), remedy).into())
    }
}

/// An exception, where fewer than [`EXCEPTIONS_KEPT`] of that check are in the count already (`before`).
pub(crate) fn exception(count: &Stream, check: CrossCheck, text: String, before: u32) -> Option<Draft> {
    let text = match before.saturating_add(1) {
        last if last == EXCEPTIONS_KEPT => format!("{text} Further ones of the kind are not listed."),
        more if more > EXCEPTIONS_KEPT => return None,
        _ => text,
    };
    Some(Draft::entry(count, CountExceptionFound { check, text }))
}

pub(crate) fn open(
    world: &World,
    context: &Context,
    station: &Id,
    roll: &Stream,
    purpose: CountPurpose,
    direction: Direction,
) -> Result<Vec<Draft>, Stop> {
    let station_stream = of(Thing::Station, station);
    let state = world.station(&station_stream)?;
    if let Some(count) = &state.open_count {
        return Err(Refusal::conflict(
            "station-in-count",
            format!("The station {station} is counting ({}).", count.id()),
            "End that count first: one roll on one table.",
        )
        .into());
    }
    let not_ready = |code: &str, text: String, remedy: &str| Stop::from(Refusal::conflict(code, text, remedy));
    let Some(bound) = &state.plugin else {
        return Err(not_ready(
            "no-plugin",
            format!("The station {station} has no plugin."),
            "Bind an approved plugin to it.",
        ));
    };
    let of_test_roll = matches!(purpose, CountPurpose::Challenge | CountPurpose::Qualification);
    // A station becomes qualified by running test rolls; and the closing challenge may come after the last day.
    if !of_test_roll && state.qualified_until.is_none_or(|until| context.at > until) {
        return Err(not_ready(
            "station-not-qualified",
            format!("The station {station} is not qualified, or its qualification has ended."),
            "Use another station; a reviewer qualifies this one.",
        ));
    }
    if !state.link_up {
        return Err(not_ready(
            "link-down",
            format!("The link to the station {station} is down."),
            "Look at the machine, its cable and its serial server; the link comes back by itself.",
        ));
    }
    let Some(set_up) = &state.set_up else {
        return Err(not_ready(
            "not-set-up",
            format!("The station {station} is not set up for an item."),
            "Set it up first.",
        ));
    };
    let item = world.item(&set_up.item)?;
    let runs = challenge::waiting(world, context.at, &station_stream, state)?;
    let (attempt, expected_code) = if of_test_roll {
        let test_roll = world.test_roll(roll)?;
        test_roll.must_be_good(&roll.id(), context.at)?;
        if purpose == CountPurpose::Challenge {
            challenge::must_carry(&roll.id(), test_roll, &set_up.item.id(), &item.draft.relies_on)?;
            if let Some((_, other)) = runs.iter().find(|(_, run)| run.roll != *roll || runs.len() >= RUNS_MAX) {
                return Err(not_ready(
                    "conclude-first",
                    format!("Runs of the test roll {} on the station {station} are not concluded.", other.roll.id()),
                    "Conclude that challenge first, with all its runs.",
                ));
            }
        }
        (1, test_roll.code.clone())
    } else {
        let roll_state = world.roll(roll)?;
        must_be_countable(world, context, station, state, roll, roll_state, purpose)?;
        if let Some((run, _)) = runs.first() {
            return Err(not_ready(
                "conclude-first",
                format!("The challenge of the station {station} is not concluded ({}).", run.id()),
                "Run the test roll the other way if that is missing, and conclude the challenge; then count rolls.",
            ));
        }
        (roll_state.attempts.saturating_add(1), item.draft.expected_code.as_ref().map(|code| code.text.clone()))
    };
    let count = world.next(Thing::Count, "C", 0)?;
    let mut drafts = vec![
        Draft::entry(
            &count,
            CountOpened {
                attempt,
                bracket: state.bracket,
                counts: bound.counts,
                direction,
                expected_code,
                item: set_up.item.clone(),
                plugin: bound.digest,
                purpose,
                roll: roll.clone(),
                station: station_stream.clone(),
            },
        ),
        Draft::entry(&station_stream, StationCountOpened { count: count.clone() }),
    ];
    if roll.thing() == Thing::Roll.as_str() {
        drafts.push(Draft::entry(roll, RollCountOpened { attempt, count, direction, purpose }));
    }
    Ok(drafts)
}

fn must_be_countable(
    world: &World,
    context: &Context,
    station: &Id,
    state: &StationState,
    roll: &Stream,
    roll_state: &RollState,
    purpose: CountPurpose,
) -> Result<(), Stop> {
    let id = roll.id();
    roll_state.must_be_in_store(&id)?;
    let came_back = purpose == CountPurpose::Return && roll_state.waits_for_return();
    // What came back is counted in every state, on hold and obsolete too: its order cannot be accounted for else. The
    // count releases nothing. But where its counts disagree it is quality's turn, as with any other.
    if !came_back || roll_state.disagreed {
        roll_state.must_be_free(&id)?;
    }
    if let Some(count) = &roll_state.open_count {
        return Err(Refusal::conflict(
            "roll-in-count",
            format!("The roll {id} is being counted ({}).", count.id()),
            "End that count first.",
        )
        .into());
    }
    if let Some(count) = &roll_state.unsigned_count {
        return Err(Refusal::conflict(
            "count-not-signed",
            format!("The count {} of the roll {id} is not signed.", count.id()),
            "Dispose of its faults and sign it first. If it was run wrongly, a supervisor gives it up with a reason.",
        )
        .into());
    }
    let set_up_item = state.set_up.as_ref().map(|set_up| &set_up.item);
    if set_up_item != Some(&roll_state.item) {
        return Err(Refusal::conflict(
            "set-up-for-another-item",
            format!("The station {station} is not set up for {}, the item of the roll {id}.", roll_state.item.id()),
            "Run the closing challenge, clear the bench, set the station up for this item, and challenge it again.",
        )
        .into());
    }
    if !came_back {
        world.item(&roll_state.item)?.must_be_usable(&roll_state.item.id(), context.at)?;
    }
    if let Some(why) = state.why_challenge(context.at) {
        return Err(Refusal::conflict(
            "challenge-due",
            format!("The station {station} must be challenged: {why}."),
            "Run a test roll forward and back and conclude the challenge.",
        )
        .into());
    }
    if state.counts_in_bracket >= COUNTS_IN_BRACKET_MAX {
        return Err(Refusal::conflict(
            "challenge-due",
            format!(
                "The station {station} must be challenged: {} counts began since its last challenge.",
                state.counts_in_bracket
            ),
            "Run a test roll forward and back and conclude the challenge.",
        )
        .into());
    }
    match (purpose, &roll_state.settled) {
        (CountPurpose::Return, _) if roll_state.parent.is_none() => {
            return Err(Refusal::conflict(
                "nothing-came-back",
                format!("The roll {id} did not come back from a packaging order."),
                "Count it as incoming or for a recount.",
            )
            .into());
        }
        (CountPurpose::Incoming, None) if roll_state.parent.is_some() => {
            return Err(Refusal::conflict(
                "roll-came-back",
                format!("The roll {id} came back from a packaging order."),
                "Count it as a return.",
            )
            .into());
        }
        (CountPurpose::Incoming | CountPurpose::Return, None) | (CountPurpose::Recount, Some(_)) => {}
        (CountPurpose::Incoming | CountPurpose::Return, Some(_)) => {
            return Err(Refusal::conflict(
                "already-counted",
                format!("A count of the roll {id} stands."),
                "Count it for a recount, with that count as the first.",
            )
            .into());
        }
        (CountPurpose::Recount, None) => {
            return Err(Refusal::conflict(
                "not-counted",
                format!("No count of the roll {id} stands yet."),
                "Count it as incoming, or as a return where it came back from an order.",
            )
            .into());
        }
        _ => {
            return Err(Refusal::conflict(
                "no-order",
                "An issue takes the count that stands; no count is made for it.",
                "Count it as incoming or for a recount.",
            )
            .into());
        }
    }
    if differs(roll_state) && !roll_state.checked {
        return Err(Refusal::conflict(
            "check-first",
            format!("Two counts of the roll {id} differ, or neither of them is beyond doubt."),
            "Check web, sensor and speed and record it; then count the third time.",
        )
        .into());
    }
    Ok(())
}

/// The entries of a lost link on an open count.
pub(crate) fn lose_link(state: &CountState, count: &Stream, link: &str, cause: &str) -> Vec<Draft> {
    let at_offset = state.bytes.get(link).copied().unwrap_or(0);
    let lost = CountLinkLost { at_offset, cause: cause.to_owned(), link: link.to_owned() };
    let before = state.exceptions.get(&CrossCheck::LinkLost).copied().unwrap_or(0);
    let text = format!(
        "The link {link} was lost after {at_offset} bytes ({cause}); what the machine said meanwhile is missing."
    );
    let mut drafts = vec![Draft::entry(count, lost)];
    drafts.extend(exception(count, CrossCheck::LinkLost, text, before));
    drafts
}

pub(crate) fn silence(world: &World, station: &Id, seconds: u32) -> Result<Vec<Draft>, Stop> {
    let Some(count) = &world.station(&of(Thing::Station, station))?.open_count else { return Ok(Vec::new()) };
    let before = world.count(count)?.exceptions.get(&CrossCheck::Silence).copied().unwrap_or(0);
    let text = format!("Nothing was heard from the machine for {seconds} seconds.");
    Ok(exception(count, CrossCheck::Silence, text, before).into_iter().collect())
}

/// The station's and the roll's part of a count's end.
fn ended(state: &CountState, count: &Stream, how: CountEnd) -> Vec<Draft> {
    let mut drafts = vec![Draft::entry(&state.station, StationCountEnded { count: count.clone() })];
    if !state.of_test_roll() {
        drafts.push(Draft::entry(&state.roll, RollCountEnded { count: count.clone(), how }));
    }
    drafts
}

/// What a count comes to when it is closed.
struct Closing {
    labels: Labels,
    seen: Option<u32>,
    total: u32,
}

/// What the open count would come to. Errors: why it cannot be closed.
fn closing(world: &World, count: &Id, state: &CountState) -> Result<Closing, Stop> {
    let station = world.station(&state.station)?;
    if !station.link_up {
        return Err(Refusal::conflict(
            "link-down",
            "The link to the machine is down; its last word may be missing.",
            "Wait until it is back, or interrupt the count, wind back and count the whole roll again.",
        )
        .into());
    }
    if state.faults.iter().any(|fault| fault.fault == FaultKind::WebBreak) {
        return Err(Refusal::conflict(
            "web-broke",
            format!("The web tore during the count {count}; part counts are never added."),
            "Interrupt the count, mend the web by the procedure, wind back and count the whole roll again.",
        )
        .into());
    }
    if state.exceptions.contains_key(&CrossCheck::TotalReset) {
        return Err(Refusal::conflict(
            "total-was-reset",
            format!("The machine's total was set back during the count {count}; part counts are never added."),
            "Interrupt the count, wind back, set the total to zero and count the whole roll again.",
        )
        .into());
    }
    if state.exceptions.contains_key(&CrossCheck::TooManyFaults) {
        return Err(Refusal::conflict(
            "too-many-faults",
            format!("The count {count} has more faults or reports than can be listed one by one."),
            "Interrupt the count, look at sensor, set-up and roll, and set the roll aside if it is as bad as that.",
        )
        .into());
    }
    let emits: BTreeSet<&str> = match &station.plugin {
        Some(bound) => world.plugin(&bound.plugin)?.emits.iter().map(String::as_str).collect(),
        None => BTreeSet::new(),
    };
    if emits.contains("roll_end") && !state.roll_end {
        return Err(Refusal::conflict(
            "roll-not-ended",
            "The machine has not reported the end of the roll.",
            "Run the roll to its end; if that cannot be, interrupt the count or give it up with a reason.",
        )
        .into());
    }
    // A machine that tells single labels only when something is wrong with them has not told all of them. One that
    // reads codes and has read none of a coded roll has its reader off.
    let told = state.labels_seen > 0 || state.expected_code.is_some();
    let seen = (told && emits.contains("label")).then_some(state.labels_seen);
    let nothing = || {
        Refusal::conflict(
            "nothing-counted",
            "The machine has not counted a label.",
            "Run the roll, or interrupt the count.",
        )
    };
    let total = state.ticket.or(state.machine_total).or(seen).ok_or_else(nothing)?;
    let missing = state.fault_totals().get(&FaultKind::Missing).copied().unwrap_or(0);
    let labels = match state.counts {
        MachineCounts::Labels => Some(total),
        MachineCounts::Pitches => total.checked_sub(missing),
    };
    let Some(labels) = labels.and_then(Labels::new) else {
        return Err(Refusal::conflict(
            "absurd-total",
            format!("The machine's total of {total}, with {missing} labels missing, is no quantity of labels."),
            "Interrupt the count and let the machine be looked at.",
        )
        .into());
    };
    if labels == Labels::ZERO {
        return Err(nothing().into());
    }
    Ok(Closing { labels, seen, total })
}

/// True where the machine has said that the roll ran to its end and the count can be closed: a whole count, which
/// nobody drops because its number does not please.
fn is_whole(world: &World, count: &Id, state: &CountState) -> Result<bool, Stop> {
    if !state.roll_end && state.ticket.is_none() {
        return Ok(false);
    }
    match closing(world, count, state) {
        Ok(_) => Ok(true),
        Err(Stop::Refused(_)) => Ok(false),
        Err(need) => Err(need),
    }
}

/// Why part of the first number that the machine told may belong to the roll before: no reset was seen, and it is more
/// than the labels seen by then and those that could have passed since the count began, or than they and the widest step
/// from one total to the next. `None`: it began near zero.
fn left_over(state: &CountState, at: Time, rated_labels_per_min: u32) -> Option<String> {
    if state.totals.reset {
        return None;
    }
    let (first, first_at, seen) = match (state.total_first, state.ticket) {
        (Some(first), _) => (first, state.totals.first_at.unwrap_or(at), state.totals.first_labels_seen),
        (None, Some(ticket)) => (ticket, at, state.labels_seen),
        (None, None) => return None,
    };
    let near = seen.saturating_add(NEAR_ZERO);
    let could = could_pass(passed_us(state.opened_at, first_at), rated_labels_per_min);
    if first > near.saturating_add(could) {
        return Some(format!(
            "The first total was {first}; since the count began, at the rated {rated_labels_per_min} labels a minute, no more than {could} could pass, {seen} labels were seen one by one, and no reset was."
        ));
    }
    (state.totals.step > 0 && first > near.saturating_add(state.totals.step)).then(|| {
        format!(
            "The first total was {first}, and later ones rose by no more than {}; {seen} labels were seen one by one before it, and no reset was.",
            state.totals.step
        )
    })
}

pub(crate) fn close(world: &World, context: &Context, count: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    state.must_be(count, &[CountStatus::Open])?;
    let Closing { labels, seen, total } = closing(world, count, state)?;
    let mut drafts = Vec::new();
    if let Some(text) = left_over(state, context.at, world.station(&state.station)?.rated_labels_per_min) {
        drafts.extend(exception(&stream, CrossCheck::TotalLeftOver, text, 0));
    }
    if let (Some(ticket), Some(running)) = (state.ticket, state.machine_total)
        && ticket != running
    {
        let text = format!("The closing ticket says {ticket}, the running total {running}.");
        drafts.extend(exception(&stream, CrossCheck::TicketAgainstTotal, text, 0));
    }
    if let Some(seen) = seen
        && seen != labels.get()
    {
        let text = format!("The total comes to {labels} labels; {seen} were seen one by one.");
        drafts.extend(exception(&stream, CrossCheck::TotalAgainstLabels, text, 0));
    }
    let exceptions =
        state.exceptions.values().copied().fold(u32::try_from(drafts.len()).unwrap_or(u32::MAX), u32::saturating_add);
    let body = CountClosed {
        exceptions,
        faults: state.fault_totals(),
        labels,
        labels_seen: state.labels_seen,
        machine_total: total,
    };
    drafts.push(Draft::entry(&stream, body));
    drafts.extend(ended(state, &stream, CountEnd::Closed));
    Ok(drafts)
}

pub(crate) fn interrupt(world: &World, count: &Id, cause: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    state.must_be(count, &[CountStatus::Open])?;
    if is_whole(world, count, state)? && !state.in_doubt() {
        return Err(roll_ended(count, state));
    }
    let mut drafts = vec![Draft::entry(&stream, CountInterrupted { cause: said("what was lost", cause)? })];
    drafts.extend(ended(state, &stream, CountEnd::Interrupted));
    Ok(drafts)
}

fn roll_ended(count: &Id, state: &CountState) -> Stop {
    let remedy = if state.of_test_roll() {
        "Close it and conclude the challenge with it."
    } else {
        "Close it. If it was run wrongly, a supervisor who did not run it gives it up with a reason."
    };
    let text = format!("The count {count} ran to the end of the roll; nothing of it was lost.");
    Refusal::conflict("roll-ended", text, remedy).into()
}

/// A count that is not whole is given up by whoever runs it. A whole one, and one that is closed, is given up by a
/// supervisor who had no part in it: else counts would be repeated until they fit.
pub(crate) fn abort(world: &World, context: &Context, count: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    let supervised = match &context.by {
        By::Person(person) => person.role == Role::Supervisor,
        By::Machine(_) | By::System(_) => false,
    };
    let whole = match state.status {
        CountStatus::Open => is_whole(world, count, state)?,
        CountStatus::Closed if state.of_test_roll() => return Err(conclude_instead(count)),
        CountStatus::Closed if supervised => true,
        _ => {
            state.must_be(count, &[CountStatus::Open])?;
            false
        }
    };
    if whole {
        if state.of_test_roll() || !supervised {
            return Err(roll_ended(count, state));
        }
        let by = context.by.account();
        if by == state.opened_by.as_ref() || by == state.closed_by.as_ref() {
            return Err(Refusal::forbidden(
                "same-person",
                format!("You ran the count {count} yourself; giving a whole count up needs another person."),
                "Ask a supervisor who had no part in it.",
            )
            .into());
        }
    }
    let mut drafts = vec![Draft::because(&stream, CountAborted {}, &reason(why)?)];
    if state.status == CountStatus::Open {
        drafts.extend(ended(state, &stream, CountEnd::Aborted));
    } else {
        drafts.push(Draft::entry(&state.roll, RollCountEnded { count: stream.clone(), how: CountEnd::Aborted }));
    }
    Ok(drafts)
}

fn conclude_instead(count: &Id) -> Stop {
    Refusal::conflict(
        "conclude-instead",
        format!("The count {count} is a run of a test roll."),
        "Conclude the challenge with it.",
    )
    .into()
}

/// What is given when faults are disposed of.
pub(crate) struct Disposal<'a> {
    pub count: &'a Id,
    pub disposition: Disposition,
    pub fate: Option<Fate>,
    pub fault: FaultKind,
    pub first: u32,
    pub labels: Option<Labels>,
    pub last: u32,
}

pub(crate) fn dispose(world: &World, given: &Disposal<'_>) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, given.count);
    let state = world.count(&stream)?;
    state.must_be(given.count, &[CountStatus::Open, CountStatus::Closed])?;
    if state.of_test_roll() {
        return Err(Refusal::conflict(
            "faults-on-purpose",
            format!("The count {} is a run of a test roll; its faults are there on purpose.", given.count),
            "Leave the test roll as it is, and conclude the challenge with the run.",
        )
        .into());
    }
    let of_range = state.faults.iter().filter(|fault| fault.lies_in(given.fault, given.first, given.last));
    let waiting: Vec<&Fault> = of_range.filter(|fault| fault.disposition.is_none()).collect();
    if waiting.is_empty() {
        return Err(Refusal::invalid(
            "no-such-fault",
            format!("No {} waits for a disposition from {} to {}.", fault_name(given.fault), given.first, given.last),
            "Take the places from the list of faults.",
        )
        .into());
    }
    must_make_sense(state, given, &waiting)?;
    let body = CountFaultDisposed {
        disposition: given.disposition,
        fate: given.fate,
        fault: given.fault,
        first: given.first,
        labels: given.labels,
        last: given.last,
    };
    Ok(vec![Draft::entry(&stream, body)])
}

/// Corrects what was said of the faults of one kind in a range, until the count is signed. What was said before stays
/// in its own entry and is repeated in the new one; a wrong code stays set aside.
///
/// Rule: 21 CFR 11.10(e): a change does not obscure what was recorded before, and carries its reason.
pub(crate) fn correct(world: &World, given: &Disposal<'_>, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, given.count);
    let state = world.count(&stream)?;
    state.must_be(given.count, &[CountStatus::Open, CountStatus::Closed])?;
    let of_range: Vec<&Fault> =
        state.faults.iter().filter(|fault| fault.lies_in(given.fault, given.first, given.last)).collect();
    let old: Vec<&Fault> = of_range.iter().copied().filter(|fault| fault.disposition.is_some()).collect();
    if old.is_empty() {
        return Err(Refusal::invalid(
            "nothing-to-correct",
            format!(
                "No {} from {} to {} has a disposition that could be corrected.",
                fault_name(given.fault),
                given.first,
                given.last
            ),
            "Take the places from the list of faults; give those that wait their first disposition.",
        )
        .into());
    }
    if given.fault == FaultKind::WrongCode {
        return Err(Refusal::forbidden(
            "wrong-code-sets-aside",
            "A wrong code is set aside, and no correction changes that.",
            "Leave the roll set aside; quality decides.",
        )
        .into());
    }
    // What one entry took out with one piece is corrected together: half a piece has no number of labels.
    let partly = |fault: &&Fault| {
        fault.disposition == Some(Disposition::TakenOut)
            && !old.iter().any(|of_old| std::ptr::eq(*of_old, *fault))
            && old.iter().any(|of_old| of_old.disposed == fault.disposed)
    };
    if let Some(fault) = state.faults.iter().find(partly) {
        return Err(Refusal::invalid(
            "half-a-piece",
            format!("The fault at label {} was taken out with the same piece.", fault.ordinal),
            "Give the whole range that the piece was taken out for.",
        )
        .into());
    }
    let unsaid = |fault: &Fault| {
        let mut fault = fault.clone();
        (fault.disposed, fault.disposition, fault.piece) = (None, None, None);
        fault
    };
    let mut before = state.clone();
    for fault in &mut before.faults {
        if fault.lies_in(given.fault, given.first, given.last) {
            *fault = unsaid(fault);
        }
    }
    let waiting: Vec<&Fault> =
        before.faults.iter().filter(|fault| fault.lies_in(given.fault, given.first, given.last)).collect();
    must_make_sense(&before, given, &waiting)?;
    must_leave_nothing_behind(state, &before, given)?;
    let superseded = old
        .iter()
        .filter_map(|fault| {
            Some(Superseded {
                disposition: fault.disposition?,
                fate: fault.piece.map(|piece| piece.fate),
                labels: fault.piece.map(|piece| piece.labels),
                last: fault.last,
                ordinal: fault.ordinal,
            })
        })
        .collect();
    let body = CountDispositionCorrected {
        disposition: given.disposition,
        fate: given.fate,
        fault: given.fault,
        first: given.first,
        labels: given.labels,
        last: given.last,
        superseded,
    };
    Ok(vec![Draft::because(&stream, body, &reason(why)?)])
}

/// Refuses a correction after which a fault is said to be taken out and lies in no piece any more: it would be on the
/// roll and on no tag.
fn must_leave_nothing_behind(state: &CountState, before: &CountState, given: &Disposal<'_>) -> Result<(), Stop> {
    let mut pieces = before.pieces();
    let taken = |labels: Labels| Taken { fate: Fate::Waste, labels, last: given.last };
    pieces.extend(given.labels.and_then(|labels| marks::extent(taken(labels))));
    let within = |pieces: &[(u32, u32)], fault: &Fault| {
        if fault.fault.between_labels() {
            pieces.iter().any(|(first, last)| (*first..*last).contains(&fault.ordinal))
        } else {
            marks::surviving(pieces, fault.ordinal, fault.last).is_none()
        }
    };
    let others = before.faults.iter().filter(|fault| fault.disposition == Some(Disposition::TakenOut));
    let old = state.pieces();
    let Some(left) = others.into_iter().find(|fault| within(&old, fault) && !within(&pieces, fault)) else {
        return Ok(());
    };
    Err(Refusal::conflict(
        "leans-on-piece",
        format!("The {} at label {} is said to be gone with that piece.", fault_name(left.fault), left.ordinal),
        "Correct what was said of that fault first, then this.",
    )
    .into())
}

/// Refuses a disposition that does not fit its fault, or a piece that does not fit the roll. `waiting`: the faults that
/// it is about.
fn must_make_sense(state: &CountState, given: &Disposal<'_>, waiting: &[&Fault]) -> Result<(), Stop> {
    if (given.fault == FaultKind::WrongCode) != (given.disposition == Disposition::SetAside) {
        return Err(Refusal::forbidden(
            "wrong-code-sets-aside",
            "A wrong code can only stop and be set aside, and nothing else is.",
            "Set the roll aside for a wrong code; leave other faults on the roll or take them out.",
        )
        .into());
    }
    match (given.disposition, given.labels, given.fate) {
        (Disposition::TakenOut, Some(labels), Some(_)) => piece_must_fit(state, given, waiting, labels),
        (Disposition::TakenOut, _, _) => Err(Refusal::invalid(
            "piece-without-fate",
            "A piece that is taken out needs its number of labels and where it goes.",
            "Count its labels and say: waste, specimen or supplier.",
        )
        .into()),
        (_, None, None) => Ok(()),
        _ => Err(Refusal::invalid(
            "no-piece",
            "Only a piece that is taken out has labels and a fate.",
            "Leave them away.",
        )
        .into()),
    }
}

/// Refuses a piece that cannot have been cut out of this roll: beyond what ran over the table, over another piece, or
/// without the labels it was taken out for.
fn piece_must_fit(state: &CountState, given: &Disposal<'_>, waiting: &[&Fault], labels: Labels) -> Result<(), Stop> {
    let seen = waiting.iter().map(|fault| fault.last).max().unwrap_or(0);
    let passed = match state.labels {
        Some(labels) => labels.get().max(seen),
        None => seen.max(state.labels_seen).max(state.machine_total.unwrap_or(0)),
    };
    let (from, to) = (given.last.saturating_add(1).saturating_sub(labels.get()), given.last);
    if given.last > passed || labels.get() > given.last {
        return Err(Refusal::invalid(
            "piece-does-not-fit",
            format!(
                "A piece of {labels} labels that ends with label {to} does not fit: {passed} labels ran over the table."
            ),
            "Count the labels of the piece that was cut out, and give the place of its last label.",
        )
        .into());
    }
    let pieces = state.pieces();
    if let Some((first, last)) =
        pieces.iter().find(|(first, last)| labels > Labels::ZERO && from <= *last && *first <= to)
    {
        return Err(Refusal::invalid(
            "piece-overlaps",
            format!("Labels {first} to {last} were taken out before; a label is taken out once."),
            "Give only the labels of this piece. For a fault that lay in the other piece: a piece of 0 labels.",
        )
        .into());
    }
    let on_labels = waiting.iter().filter(|fault| !fault.fault.between_labels());
    let left = on_labels.filter_map(|fault| marks::surviving(&pieces, fault.ordinal, fault.last));
    if let Some((first, last)) = left.into_iter().find(|(first, _)| labels == Labels::ZERO || *first < from) {
        return Err(Refusal::invalid(
            "piece-too-short",
            format!(
                "A piece of {labels} labels that ends with label {to} leaves labels {first} to {last} on the roll."
            ),
            "Dispose of each place by its own piece, or give the whole piece.",
        )
        .into());
    }
    Ok(())
}

pub(crate) fn sign(world: &World, context: &Context, count: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    state.must_be(count, &[CountStatus::Closed])?;
    if state.of_test_roll() {
        return Err(conclude_instead(count));
    }
    if context.by.account() != state.closed_by.as_ref() {
        return Err(Refusal::forbidden(
            "not-your-count",
            "A count is signed by the person who closed it.",
            "Let that person sign; a second person checks it afterwards.",
        )
        .into());
    }
    let waiting = state.faults.iter().filter(|fault| fault.disposition.is_none()).count();
    if waiting > 0 {
        return Err(Refusal::conflict(
            "faults-wait",
            format!("Of the count {count}, {} for a disposition.", number(waiting, "fault waits", "faults wait")),
            "Say of each: left and mapped, taken out, or set aside.",
        )
        .into());
    }
    codes::must_be_checked(count, state)?;
    let labels = state.labels.ok_or_else(|| Refusal::internal("a closed count has its labels"))?;
    let taken_out = u32::try_from(state.taken_out()).ok().and_then(Labels::new);
    let taken_out = taken_out.ok_or_else(|| Refusal::internal("more was taken out than a roll holds"))?;
    let signed = signature(world, context, &stream, &[], "counted")?;
    let counted = RollCounted {
        bracket: state.bracket,
        count: stream.clone(),
        in_doubt: state.in_doubt(),
        labels,
        station: state.station.clone(),
        taken_out,
    };
    let mut roll = world.roll(&state.roll)?.clone();
    roll.take_count(&counted);
    let mut drafts = vec![signed, Draft::entry(&state.roll, counted)];
    let station = world.station(&state.station)?;
    if station.failed_brackets.contains(&state.bracket) {
        // The challenge that should have closed its bracket failed before it was signed: it never stands.
        let body = RollCountDoubted { count: stream.clone(), station: state.station.clone() };
        drafts.push(Draft::entry(&state.roll, body));
        return Ok(drafts);
    }
    if station.bracket > state.bracket {
        let body = RollBracketed { count: stream.clone(), station: state.station.clone() };
        drafts.push(Draft::entry(&state.roll, body));
    }
    let (differing, settled) = settled(world, state, &stream, &roll)?;
    drafts.extend(settled);
    // It is content of the count: said before the signature, which covers it.
    drafts.splice(0..0, differing);
    Ok(drafts)
}

/// The marks of the roll's tag, now that the count `last` is among its signed ones.
fn tag(world: &World, last: &CountState, count: &Stream, roll: &RollState) -> Result<Vec<Mark>, Stop> {
    let former = match &roll.tag {
        Some(tag) => Some(Former {
            direction: world.count(&tag.count)?.direction,
            marks: &tag.marks,
            on_roll: tag.on_roll,
            stands: roll.settled.is_some(),
        }),
        None => None,
    };
    let in_round: Vec<&Stream> =
        roll.round_counts().iter().filter(|count| !count.doubted).map(|count| &count.count).collect();
    let mut runs = Vec::new();
    for one in roll.counts_since_tag() {
        let state = if one.count == *count { last } else { world.count(&one.count)? };
        runs.push(Run {
            compared: in_round.contains(&&one.count),
            direction: state.direction,
            faults: &state.faults,
            labels: one.labels,
        });
    }
    Ok(marks::tag(former, &runs))
}

/// Says where the counts of a roll saw different faults; `None` where they saw the same.
fn maps_differ(roll: &Stream, marks: &[Mark]) -> Option<String> {
    let missed: Vec<&Mark> = marks.iter().filter(|mark| mark.missed).collect();
    let named: Vec<String> =
        missed.iter().take(PLACES_NAMED).map(|mark| format!("{} {}", fault_name(mark.fault), mark.position)).collect();
    if named.is_empty() {
        return None;
    }
    let more = match missed.len() - named.len() {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    Some(format!(
        "Not every count of {} saw the same faults. All are on its tag; seen by some counts only, by their places from the outer end: {}{more}.",
        roll.id(),
        named.join(", ")
    ))
}

/// What the roll's counts come to, now that this one is among them: what is said in the count's own record, and what in
/// the roll's and others.
fn settled(
    world: &World,
    state: &CountState,
    count: &Stream,
    roll: &RollState,
) -> Result<(Option<Draft>, Vec<Draft>), Stop> {
    let rule = world.item(&roll.item)?.draft.counts;
    let compared = compared(roll);
    let counts: Vec<Stream> = compared.iter().map(|one| one.count.clone()).collect();
    let settlement = settle(roll, rule);
    let marks = match &settlement {
        Settlement::Stands { .. } => tag(world, state, count, roll)?,
        _ => Vec::new(),
    };
    match settlement {
        Settlement::NeedsSecond | Settlement::NeedsThird => Ok((None, Vec::new())),
        Settlement::Stands { rule, counted, taken_out, on_roll } if marks.len() <= MARKS_MAX => {
            let differing = maps_differ(&state.roll, &marks)
                .and_then(|text| exception(count, CrossCheck::FaultMapsDiffer, text, 0));
            let body = RollCountSettled { counted, counts, marks, on_roll, rule, standing: count.clone(), taken_out };
            Ok((differing, vec![Draft::entry(&state.roll, body)]))
        }
        // Counts whose faults are so many, and so different, that no tag holds them agree in nothing.
        Settlement::Stands { .. } | Settlement::Disagree => {
            let labels: Vec<Labels> = compared.iter().map(|one| one.labels).collect();
            let stations: BTreeSet<Stream> = roll.round_counts().iter().map(|count| count.station.clone()).collect();
            let mut about = vec![state.roll.clone()];
            about.extend(counts.iter().cloned());
            about.extend(stations.iter().cloned());
            // Without the numbers: whoever counts next must not know what to expect.
            let text = if marks.is_empty() {
                format!("The counts of {} do not agree.", state.roll.id())
            } else {
                format!("The counts of {} saw so many different faults that no tag holds them.", state.roll.id())
            };
            let (cause, opened) =
                deviation::by_rule(world, 0, DeviationRule::CountsDisagree, Severity::Major, about, text)?;
            let mut drafts = vec![
                Draft::entry(&state.roll, RollCountsDisagreed { counts, labels }),
                opened,
                Draft::entry(&state.roll, RollHeld { cause }),
            ];
            drafts.extend(
                stations.iter().map(|station| Draft::entry(station, StationDoubted { roll: state.roll.clone() })),
            );
            Ok((None, drafts))
        }
    }
}

pub(crate) fn check(world: &World, context: &Context, count: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Count, count);
    let state = world.count(&stream)?;
    state.must_be(count, &[CountStatus::Signed])?;
    if world.record(&stream)?.is_some_and(|record| record.facts.signed("count checked")) {
        return Err(Refusal::conflict(
            "already-checked",
            format!("The count {count} is checked already."),
            "Nothing is left to do.",
        )
        .into());
    }
    Ok(vec![signature(world, context, &stream, &[], "count checked")?])
}
