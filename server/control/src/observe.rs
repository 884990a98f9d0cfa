//! What the machine said, judged against the item: which of it becomes entries, and what follows from it.

use std::collections::BTreeMap;

use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CountFaultSeen, CountMachineReported, CountSegmentCaptured, CrossCheck, DeviationRule, FaultKind, RollHeld,
    Severity, StationStrayCaptured,
};
use tallyseal_schema::observation::{Located, Observation};
use tallyseal_schema::{By, Hash, Time};

use crate::command::{CodeRun, Irregular, Piece};
use crate::count::{CountState, FAULTS_KEPT, REPORTS_KEPT, cut, exception};
use crate::delivery::{hold_whole, orders_served};
use crate::refusal::Refusal;
use crate::world::{Stop, World, of};
use crate::{Context, Draft, ItemState, StationState, deviation};

/// Longest key of a ticket's field, and how many fields are kept. Unit: characters.
const FIELD_MAX: usize = 60;
const FIELDS_KEPT: usize = 50;

/// Longest value of a ticket's field. Unit: characters.
const VALUE_MAX: usize = 200;

/// A total may rise by so many labels more than were told one by one between it and the one before: a machine says both
/// a few labels apart. Our own choice, no source. Unit: labels.
const TOLD_APART: u32 = 5;

/// Bytes that waited on their way come late and then at once: so much of a run at rated speed may come with one total.
/// Our own choice, no source. Unit: microseconds.
const LATE_US: u64 = 10_000_000;

/// Follows a machine from piece to piece and sums its labels up.
///
/// It lives in the capture of one count, and is fed every observation in order. However the observations are cut into
/// pieces, the sums over all pieces are the same.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Follower {
    /// A fault on a label told of the last label; the label's own observation may still come.
    by_fault: bool,
    first_total: Option<u32>,
    /// The machine tells single labels.
    labels_told: bool,
    last_code: Option<CodeRun>,
    last_ordinal: Option<u32>,
    last_total: Option<u32>,
    /// Something has passed since the count began or the machine was reset.
    moved: bool,
    /// Labels and missing labels told since the last total.
    since_total: u32,
}

/// What one piece comes to: the parts of [`Piece`] that are summed from its observations.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// Runs of equal read codes.
    pub codes: Vec<CodeRun>,
    /// Everything but labels and totals.
    pub events: Vec<Located>,
    /// Numbers that do not follow from those before.
    pub irregular: Vec<Irregular>,
    /// Labels seen one by one: read ones, and those of which a fault told.
    pub labels: u32,
    /// First and last ordinal of them.
    pub ordinals: Option<(u32, u32)>,
    /// The last running total, after the last reset.
    pub total: Option<u32>,
}

impl Follower {
    /// Sums up the observations of the next piece.
    pub fn follow(&mut self, observations: &[Located]) -> Summary {
        let mut summary = Summary::default();
        for located in observations {
            match &located.seen {
                Observation::Label { ordinal, code, .. } => {
                    self.label(*ordinal, &mut summary);
                    self.code(*ordinal, code.as_deref(), located, &mut summary);
                }
                Observation::Total { value } => self.total(*value, &mut summary),
                seen => {
                    match seen {
                        Observation::Reset {} => self.reset(&mut summary),
                        Observation::Unread { ordinal, .. }
                        | Observation::Mismatch { ordinal, .. }
                        | Observation::Overlap { ordinal, .. }
                        | Observation::VisionReject { ordinal, .. } => self.fault_on_label(*ordinal, &mut summary),
                        Observation::Missing { .. } => {
                            self.moved = true;
                            // Where the total counts pitches, it counts this one.
                            self.since_total = self.since_total.saturating_add(1);
                        }
                        Observation::Splice { .. } | Observation::WebBreak { .. } => self.moved = true,
                        _ => {}
                    }
                    summary.events.push(located.clone());
                }
            }
        }
        // A run of codes ends with the piece, so that a piece can be judged alone.
        summary.codes.extend(self.last_code.take());
        summary
    }

    fn total(&mut self, value: u32, summary: &mut Summary) {
        if let Some(before) = self.last_total.filter(|before| value < *before) {
            summary.irregular.push(Irregular::TotalFell { before, after: value });
        }
        // One that tells labels only where something is wrong cannot be held to them.
        if let Some(before) = self.last_total.filter(|_| self.labels_told) {
            let labels = self.since_total;
            if value > before.saturating_add(labels).saturating_add(TOLD_APART) {
                summary.irregular.push(Irregular::TotalJumped { before, after: value, labels });
            }
        }
        self.since_total = 0;
        self.moved |= self.first_total.is_some_and(|first| value > first);
        self.first_total = self.first_total.or(Some(value));
        self.last_total = Some(value);
        summary.total = Some(value);
    }

    /// The total of the roll before, set to zero when a count begins, is no exception; one in mid-count is.
    fn reset(&mut self, summary: &mut Summary) {
        if self.moved {
            let before = self.last_total.or(self.last_ordinal).unwrap_or(0);
            summary.irregular.push(Irregular::TotalReset { before });
        }
        summary.codes.extend(self.last_code.take());
        *self = Self { labels_told: self.labels_told, ..Self::default() };
        summary.total = None;
    }

    fn label(&mut self, ordinal: u32, summary: &mut Summary) {
        self.labels_told = true;
        self.moved = true;
        let before = self.last_ordinal.unwrap_or(0);
        if self.by_fault && ordinal == before {
            self.by_fault = false;
            return;
        }
        if ordinal <= before {
            summary.irregular.push(Irregular::OrdinalFell { before, after: ordinal });
        } else if ordinal > before.saturating_add(1) {
            summary.irregular.push(Irregular::OrdinalGap { before, after: ordinal });
        }
        self.count(ordinal, false, summary);
    }

    /// A label that could not be read, or was read wrongly, has passed as well: many machines tell nothing else of it.
    fn fault_on_label(&mut self, ordinal: u32, summary: &mut Summary) {
        self.moved = true;
        let before = self.last_ordinal.unwrap_or(0);
        if ordinal > before.saturating_add(1) {
            // A machine that tells of labels only where something is wrong leaves no gap between two faults.
            if !self.labels_told {
                return;
            }
            summary.irregular.push(Irregular::OrdinalGap { before, after: ordinal });
        }
        if ordinal > before {
            self.count(ordinal, true, summary);
        }
    }

    fn count(&mut self, ordinal: u32, by_fault: bool, summary: &mut Summary) {
        summary.labels = summary.labels.saturating_add(1);
        self.since_total = self.since_total.saturating_add(1);
        let first = summary.ordinals.map_or(ordinal, |(first, _)| first);
        summary.ordinals = Some((first, ordinal));
        self.last_ordinal = Some(ordinal);
        self.by_fault = by_fault;
    }

    fn code(&mut self, ordinal: u32, code: Option<&str>, located: &Located, summary: &mut Summary) {
        match (code, &mut self.last_code) {
            (Some(code), Some(run)) if run.code == code && Some(ordinal) == run.last.checked_add(1) => {
                run.last = ordinal;
                run.to = located.to;
            }
            (Some(code), _) => {
                summary.codes.extend(self.last_code.take());
                self.last_code = Some(CodeRun {
                    code: code.to_owned(),
                    first: ordinal,
                    from: located.from,
                    last: ordinal,
                    to: located.to,
                });
            }
            (None, _) => summary.codes.extend(self.last_code.take()),
        }
    }
}

/// A code as it is compared and written: the group separator of GS1 as `^`, as people write it into the item.
pub(crate) fn readable(code: &str) -> String {
    code.replace('\u{1D}', "^")
}

/// Labels that carry a wrong code.
pub(crate) struct Wrong {
    pub first: u32,
    pub found: String,
    pub last: u32,
}

/// One decision on a piece: the count as it was, and the entries so far.
struct Judgement<'w> {
    count: &'w Stream,
    drafts: Vec<Draft>,
    exceptions: BTreeMap<CrossCheck, u32>,
    faults: u32,
    kept: usize,
    link: &'w str,
    reported: u32,
    splices: u32,
    state: &'w CountState,
    wrong: Vec<Wrong>,
}

impl<'w> Judgement<'w> {
    fn of(count: &'w Stream, link: &'w str, state: &'w CountState) -> Self {
        let totals = state.fault_totals();
        let wrong = state.faults.iter().filter(|fault| fault.fault == FaultKind::WrongCode);
        Self {
            count,
            drafts: Vec::new(),
            exceptions: state.exceptions.clone(),
            faults: totals.values().copied().fold(0, u32::saturating_add),
            kept: state.faults.len(),
            link,
            reported: state.reported,
            splices: totals.get(&FaultKind::Splice).copied().unwrap_or(0),
            state,
            wrong: wrong
                .map(|fault| Wrong {
                    first: fault.ordinal,
                    found: fault.found.clone().unwrap_or_default(),
                    last: fault.last,
                })
                .collect(),
        }
    }

    fn exception(&mut self, check: CrossCheck, text: String) {
        let seen = self.exceptions.entry(check).or_default();
        self.drafts.extend(exception(self.count, check, text, *seen));
        *seen = seen.saturating_add(1);
    }

    /// A machine gone wild must not fill the book: the rest is in the captured bytes, and the count cannot be closed.
    fn too_many(&mut self) {
        if !self.exceptions.contains_key(&CrossCheck::TooManyFaults) {
            self.exception(
                CrossCheck::TooManyFaults,
                format!(
                    "More than {FAULTS_KEPT} faults or {REPORTS_KEPT} reports; further ones are in the captured bytes only."
                ),
            );
        }
    }

    fn reported(&mut self, located: &Located) {
        if self.reported >= REPORTS_KEPT {
            return self.too_many();
        }
        self.reported = self.reported.saturating_add(1);
        let body = CountMachineReported {
            from: located.from,
            link: self.link.to_owned(),
            seen: shortened(&located.seen),
            to: located.to,
        };
        self.drafts.push(Draft::entry(self.count, body));
    }

    fn fault(&mut self, body: CountFaultSeen) {
        let labels = body.last.unwrap_or(body.ordinal).saturating_sub(body.ordinal).saturating_add(1);
        self.faults = self.faults.saturating_add(labels);
        if body.fault == FaultKind::Splice {
            self.splices = self.splices.saturating_add(1);
        }
        if self.kept >= FAULTS_KEPT {
            return self.too_many();
        }
        self.kept += 1;
        self.drafts.push(Draft::entry(self.count, body));
    }

    fn place(&self, fault: FaultKind, ordinal: u32, lane: Option<u8>, located: &Located) -> CountFaultSeen {
        CountFaultSeen {
            cause: None,
            fault,
            found: None,
            from: located.from,
            lane,
            last: None,
            link: self.link.to_owned(),
            ordinal,
            to: located.to,
        }
    }

    /// The code `found` on the labels `first` to `last`, which is not the item's. A place is told once, whether the
    /// label's own reading tells of it or the machine's comparison.
    fn wrong_code(&mut self, found: &str, first: u32, last: u32, lane: Option<u8>, bytes: (u64, u64)) {
        let found = cut(found);
        let (mut first, mut last) = (first, last);
        for known in self.wrong.iter().filter(|known| known.found == found) {
            if known.first <= first && first <= known.last {
                first = known.last.saturating_add(1);
            }
            if known.first <= last && last <= known.last {
                last = known.first.saturating_sub(1);
            }
        }
        if first > last {
            return;
        }
        self.wrong.push(Wrong { first, found: found.clone(), last });
        self.fault(CountFaultSeen {
            cause: None,
            fault: FaultKind::WrongCode,
            found: Some(found),
            from: bytes.0,
            lane,
            last: (last != first).then_some(last),
            link: self.link.to_owned(),
            ordinal: first,
            to: bytes.1,
        });
    }

    /// True where the item's labels carry that code. Where they carry none, every code is a foreign label's.
    fn expects(&self, found: &str) -> bool {
        self.state.expected_code.as_deref().is_some_and(|expected| readable(expected) == found)
    }

    fn event(&mut self, located: &Located, rated_labels_per_min: u32) {
        match &located.seen {
            Observation::Missing { ordinal, lane } => {
                self.fault(self.place(FaultKind::Missing, *ordinal, *lane, located));
            }
            Observation::Splice { ordinal, lane } => {
                self.fault(self.place(FaultKind::Splice, *ordinal, *lane, located));
            }
            Observation::Unread { ordinal, lane } => {
                self.fault(self.place(FaultKind::Unread, *ordinal, *lane, located));
            }
            Observation::Overlap { ordinal, lane } => {
                self.fault(self.place(FaultKind::Overlap, *ordinal, *lane, located));
            }
            Observation::VisionReject { ordinal, cause, lane } => {
                let place = self.place(FaultKind::VisionReject, *ordinal, *lane, located);
                self.fault(CountFaultSeen { cause: Some(cut(cause)), ..place });
            }
            Observation::WebBreak { ordinal } => {
                self.fault(self.place(FaultKind::WebBreak, *ordinal, None, located));
                self.exception(CrossCheck::WebBreak, format!("The web tore after label {ordinal}."));
            }
            Observation::Mismatch { ordinal, found, lane } => {
                let found = readable(found);
                if self.expects(&found) {
                    self.reported(located);
                    let text = format!(
                        "The machine calls the code of label {ordinal} wrong, and it is the right one: the machine compares with another."
                    );
                    self.exception(CrossCheck::MachineReference, text);
                } else {
                    self.wrong_code(&found, *ordinal, *ordinal, *lane, (located.from, located.to));
                }
            }
            Observation::Speed { labels_per_min } => {
                if *labels_per_min > rated_labels_per_min {
                    self.reported(located);
                    let text =
                        format!("{labels_per_min} labels a minute; the station is rated for {rated_labels_per_min}.");
                    self.exception(CrossCheck::Overspeed, text);
                }
            }
            Observation::Alarm { code, text } => {
                self.reported(located);
                self.exception(CrossCheck::Alarm, format!("Alarm {} of the machine: {}", cut(code), cut(text)));
            }
            Observation::Unreadable { why } => {
                self.reported(located);
                let text = format!("Bytes {} to {} could not be read: {}", located.from, located.to, cut(why));
                self.exception(CrossCheck::Unreadable, text);
            }
            Observation::Started {}
            | Observation::RollEnd { .. }
            | Observation::Halted { .. }
            | Observation::Ticket { .. } => self.reported(located),
            // Told before the segment: see `observe`. Labels and totals are in the segment itself.
            Observation::Reset {} | Observation::Label { .. } | Observation::Total { .. } => {}
        }
    }

    fn irregular(&mut self, all: &[Irregular]) {
        // One exception for each check and piece, with how many there were.
        let mut first: BTreeMap<CrossCheck, (String, u32)> = BTreeMap::new();
        for one in all {
            let (check, text) = match one {
                Irregular::OrdinalGap { before, after } => {
                    (CrossCheck::OrdinalGap, format!("Label {after} followed label {before}."))
                }
                Irregular::OrdinalFell { before, after } => {
                    (CrossCheck::OrdinalFell, format!("Label {after} came after label {before}."))
                }
                Irregular::TotalFell { before, after } => {
                    (CrossCheck::TotalFell, format!("The total fell from {before} to {after}."))
                }
                Irregular::TotalJumped { before, after, labels } => {
                    let text = format!("The total rose from {before} to {after} while {labels} labels were told.");
                    (CrossCheck::TotalJumped, text)
                }
                Irregular::TotalReset { before } => (CrossCheck::TotalReset, was_reset(*before)),
            };
            let (_, times) = first.entry(check).or_insert((text, 0));
            *times = times.saturating_add(1);
        }
        for (check, (text, times)) in first {
            let more = if times > 1 { format!(" And {} more of the kind.", times - 1) } else { String::new() };
            self.exception(check, format!("{text}{more}"));
        }
    }

    /// What the capture cannot see that began anew in mid-count: numbers that do not follow from the piece before.
    fn against_the_past(&mut self, piece: &Piece, at: Time, rated_labels_per_min: u32) {
        let told = |wanted: fn(&Irregular) -> bool| piece.irregular.iter().any(wanted);
        let was_moved = self.state.labels_seen > 0
            || !self.state.faults.is_empty()
            || self.state.machine_total.zip(self.state.total_first).is_some_and(|(last, first)| last > first);
        if has_reset(piece) {
            if was_moved && !told(|one| matches!(one, Irregular::TotalReset { .. })) {
                let before = self.state.machine_total.unwrap_or(self.state.labels_seen);
                self.exception(CrossCheck::TotalReset, was_reset(before));
            }
        } else if let (Some(before), Some(now)) = (self.state.machine_total, piece.total) {
            if now < before && !told(|one| matches!(one, Irregular::TotalFell { .. })) {
                self.exception(CrossCheck::TotalFell, format!("The total fell from {before} to {now}."));
            }
            let labels = self.state.labels_seen.saturating_add(piece.labels);
            let labels = labels.saturating_sub(self.state.totals.labels_seen);
            let since_us = self.state.totals.at.map_or(0, |last| passed_us(last, at));
            let could = could_pass(since_us.saturating_add(LATE_US), rated_labels_per_min);
            if now.saturating_sub(before) > could.saturating_add(labels)
                && !told(|one| matches!(one, Irregular::TotalJumped { .. }))
            {
                let text = format!(
                    "The total rose from {before} to {now} within {} seconds; {labels} labels were told, and at the rated {rated_labels_per_min} labels a minute no more than {could} could pass.",
                    since_us / 1_000_000
                );
                self.exception(CrossCheck::TotalJumped, text);
            }
        }
    }
}

/// Time from one moment to another. Unit: microseconds.
pub(crate) fn passed_us(from: Time, to: Time) -> u64 {
    u64::try_from(to.micros().saturating_sub(from.micros())).unwrap_or(0)
}

/// How many labels can pass in that time at rated speed.
pub(crate) fn could_pass(time_us: u64, rated_labels_per_min: u32) -> u32 {
    let labels = u64::from(rated_labels_per_min).saturating_mul(time_us) / 60_000_000;
    u32::try_from(labels).unwrap_or(u32::MAX)
}

fn was_reset(before: u32) -> String {
    format!("The machine's total was set back in mid-count, at {before}.")
}

fn has_reset(piece: &Piece) -> bool {
    piece.events.iter().any(|event| event.seen == Observation::Reset {})
}

/// What is copied of a report into its entry. Keys of a ticket in characters that a key may have.
fn shortened(seen: &Observation) -> Observation {
    match seen {
        Observation::Halted { ordinal, cause } => {
            Observation::Halted { ordinal: *ordinal, cause: cause.as_deref().map(cut) }
        }
        Observation::Alarm { code, text } => Observation::Alarm { code: cut(code), text: cut(text) },
        Observation::Unreadable { why } => Observation::Unreadable { why: cut(why) },
        Observation::Mismatch { ordinal, found, lane } => {
            Observation::Mismatch { ordinal: *ordinal, found: cut(found), lane: *lane }
        }
        Observation::Ticket { total, fields } => {
            let key = |text: &str| -> String {
                let good = |c: char| if (' '..='~').contains(&c) && c != '"' && c != '\\' { c } else { '?' };
                text.chars().take(FIELD_MAX).map(good).collect()
            };
            let fields = fields.iter().take(FIELDS_KEPT);
            let fields = fields.map(|(name, value)| (key(name), value.chars().take(VALUE_MAX).collect())).collect();
            Observation::Ticket { total: *total, fields }
        }
        other => other.clone(),
    }
}

fn stray(station: &Stream, after: Option<&Stream>, piece: &Piece) -> Draft {
    let body = StationStrayCaptured {
        after: after.cloned(),
        length: piece.length,
        link: piece.link.clone(),
        observed: piece.observed,
        sha256: piece.sha256,
    };
    Draft::entry(station, body)
}

pub(crate) fn observe(world: &World, context: &Context, station: &Id, piece: &Piece) -> Result<Vec<Draft>, Stop> {
    let station_stream = of(Thing::Station, station);
    let station_state = world.station(&station_stream)?;
    if let By::Machine(machine) = &context.by
        && (machine.station != *station || Some(machine.plugin) != digest(world, station_state)?)
    {
        return Err(Refusal::internal("a machine speaks only for its station and through its plugin").into());
    }
    let Some(count) = piece.count.as_ref().filter(|count| station_state.open_count.as_ref() == Some(count)) else {
        // The bytes belong to no count that is open: kept, and said so. Nothing is added to any count.
        return Ok(vec![stray(&station_stream, station_state.last_count.as_ref(), piece)]);
    };
    let state = world.count(count)?;
    if state.bytes.get(&piece.link).copied().unwrap_or(0) != piece.offset {
        return Err(Refusal::internal("the count's byte stream has a gap").into());
    }
    let too_long = |run: &CodeRun| run.last < run.first || run.last - run.first >= piece.observed.max(1);
    if piece.codes.iter().any(too_long) {
        return Err(Refusal::internal("a run of codes has more labels than were observed").into());
    }
    let item = world.item(&state.item)?;
    let told = judged(count, state, item, station_state.rated_labels_per_min, context.at, piece);
    let Told { mut drafts, capped, faults, splices, found } = told;
    if let Some(found) = &found {
        drafts.extend(hold_for_wrong_code(world, state, count, found)?);
    }
    if capped {
        let text = format!(
            "The roll {} has {faults} faults, {splices} of them splices: more than its item allows.",
            state.roll.id()
        );
        let about = vec![state.roll.clone(), count.clone()];
        let ahead = u64::from(found.is_some());
        let (cause, opened) = deviation::by_rule(world, ahead, DeviationRule::FaultCap, Severity::Major, about, text)?;
        drafts.push(opened);
        drafts.push(Draft::entry(&state.roll, RollHeld { cause }));
    }
    Ok(drafts)
}

/// What a piece comes to in the stream of its count, and what follows from that elsewhere.
struct Told {
    drafts: Vec<Draft>,
    /// The faults are more than the item allows, for the first time.
    capped: bool,
    faults: u32,
    splices: u32,
    /// The first wrong code of the count.
    found: Option<Wrong>,
}

/// The entries that a piece makes in the stream of its count, in order: they follow from what the count was before and
/// from what the machine said, and from nothing else. Deviations and holds that follow from them are not among them.
///
/// `at`: when it was recorded. `rated_labels_per_min`: of the station.
pub fn retold(
    count: &Stream,
    state: &CountState,
    item: &ItemState,
    rated_labels_per_min: u32,
    at: Time,
    piece: &Piece,
) -> Vec<Draft> {
    judged(count, state, item, rated_labels_per_min, at, piece).drafts
}

fn judged(
    count: &Stream,
    state: &CountState,
    item: &ItemState,
    rated_labels_per_min: u32,
    at: Time,
    piece: &Piece,
) -> Told {
    let mut judgement = Judgement::of(count, &piece.link, state);
    // A reset stands before the segment, whose total is the one after it.
    for event in piece.events.iter().filter(|event| event.seen == (Observation::Reset {})) {
        judgement.reported(event);
    }
    let segment = CountSegmentCaptured {
        labels: piece.labels,
        length: piece.length,
        lines: piece.lines,
        link: piece.link.clone(),
        observed: piece.observed,
        offset: piece.offset,
        read: piece.codes.iter().map(|run| (run.last - run.first).saturating_add(1)).fold(0, u32::saturating_add),
        sha256: piece.sha256,
        total: piece.total,
    };
    judgement.drafts.push(Draft::entry(count, segment));
    let (was_wrong, faults_before, splices_before) = (!judgement.wrong.is_empty(), judgement.faults, judgement.splices);
    judgement.irregular(&piece.irregular);
    judgement.against_the_past(piece, at, rated_labels_per_min);
    for run in &piece.codes {
        let found = readable(&run.code);
        if !judgement.expects(&found) {
            judgement.wrong_code(&found, run.first, run.last, None, (run.from, run.to));
        }
    }
    for event in &piece.events {
        judgement.event(event, rated_labels_per_min);
    }
    if state.of_test_roll() {
        // A test roll has its faults on purpose.
        return Told { drafts: judgement.drafts, capped: false, faults: 0, splices: 0, found: None };
    }
    let over = |faults: u32, splices: u32| faults > item.draft.faults_max || splices > item.draft.splices_max;
    let capped = over(judgement.faults, judgement.splices) && !over(faults_before, splices_before);
    if capped {
        let text = format!(
            "{} faults, {} of them splices; the item allows {} and {} on a roll.",
            judgement.faults, judgement.splices, item.draft.faults_max, item.draft.splices_max
        );
        judgement.exception(CrossCheck::FaultCap, text);
    }
    let Judgement { drafts, faults, splices, wrong, .. } = judgement;
    let found = if was_wrong { None } else { wrong.into_iter().next() };
    Told { drafts, capped, faults, splices, found }
}

/// The plugin that speaks for the station now: the open count's, else the bound one.
fn digest(world: &World, station: &StationState) -> Result<Option<Hash>, Stop> {
    Ok(match &station.open_count {
        Some(count) => Some(world.count(count)?.plugin),
        None => station.plugin.as_ref().map(|bound| bound.digest),
    })
}

/// A wrong code: critical deviation, the whole delivery held, every roll of it.
///
/// Rule: 21 CFR 211.122, 211.125(b) and label-control practice: it can only stop and set aside; quality decides.
pub(crate) fn hold_for_wrong_code(
    world: &World,
    state: &CountState,
    count: &Stream,
    found: &Wrong,
) -> Result<Vec<Draft>, Stop> {
    let roll = world.roll(&state.roll)?;
    let instead = match &state.expected_code {
        Some(expected) => format!("and not \"{}\"", cut(expected)),
        None => "where the item carries no code".to_owned(),
    };
    let text = format!(
        "On the roll {} label {} of the run carries \"{}\" {instead}. The roll is set aside, the delivery {} is held whole.",
        state.roll.id(),
        found.first,
        found.found,
        roll.delivery.id(),
    );
    let sisters = orders_served(world, &roll.delivery)?;
    let mut about = vec![state.roll.clone(), count.clone(), roll.delivery.clone()];
    about.extend(sisters.iter().cloned());
    let (cause, opened) = deviation::by_rule(world, 0, DeviationRule::WrongCode, Severity::Critical, about, text)?;
    let mut drafts = vec![opened];
    drafts.extend(hold_whole(world, &roll.delivery, &cause)?);
    drafts.extend(sisters.iter().map(|sister| deviation::questioned(sister, &cause)));
    Ok(drafts)
}
