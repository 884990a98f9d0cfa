//! Deviations: opened by rule or by a person, assessed, investigated, decided, closed.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    DeliveryHeld, DeviationAssessed, DeviationClosed, DeviationDecided, DeviationDecision, DeviationDueExtended,
    DeviationInterimDecided, DeviationInvestigated, DeviationOpened, DeviationRule, DeviationScopeExtended,
    InterimDecision, OrderHeld, RecordQuestioned, Role, RollHeld, Severity,
};
use tallyseal_schema::{Body, By, Entry, Time};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// Most things that a person's deviation is about.
const ABOUT_MAX: usize = 200;

/// Most things that a deviation is about after it was extended, so that a signature can cover them all.
const SCOPE_MAX: usize = 1_000;

/// Days until a deviation is to be closed. The site's to change; no number in law.
const DUE_DAYS: i64 = 30;

/// Days that a deviation may be put off at a time. The site's to change; no number in law.
const EXTENDED_DAYS_MAX: i64 = 90;

/// One day. Unit: microseconds.
const DAY: i64 = 24 * 60 * 60 * 1_000_000;

/// How far a deviation has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DeviationStatus {
    /// Opened; its gravity is a rule's or the finder's word.
    Opened,
    /// Its gravity was judged.
    Assessed,
    /// Investigated and signed.
    Investigated,
    /// Decided and approved by quality.
    Decided,
    /// Closed.
    Closed,
}

/// What is remembered of a deviation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DeviationState {
    /// What it is about.
    pub about: Vec<Stream>,
    /// What quality decided.
    pub decision: Option<DeviationDecision>,
    /// By when it is to be closed.
    pub due: Time,
    /// What may go on until then.
    pub interim: Option<InterimDecision>,
    /// By which rule.
    pub rule: DeviationRule,
    /// How grave.
    pub severity: Severity,
    /// How far it has come.
    pub status: DeviationStatus,
    /// What was found.
    pub text: String,
}

impl DeviationState {
    /// Closed, and what it is about may go on.
    pub fn accepted(&self) -> bool {
        self.status == DeviationStatus::Closed && self.decision == Some(DeviationDecision::Accept)
    }

    pub(crate) fn start(entry: &Entry) -> Option<Self> {
        let Body::DeviationOpened(body) = &entry.body else { return None };
        Some(Self {
            about: body.about.clone(),
            decision: None,
            due: entry.header.at.plus_micros(DUE_DAYS * DAY),
            interim: None,
            rule: body.rule,
            severity: body.severity,
            status: DeviationStatus::Opened,
            text: body.text.clone(),
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::DeviationAssessed(body) => {
                self.severity = body.severity;
                self.status = DeviationStatus::Assessed;
            }
            Body::DeviationScopeExtended(body) => {
                let further = body.about.iter().filter(|stream| !self.about.contains(stream)).cloned();
                let further: Vec<_> = further.collect();
                self.about.extend(further);
                // What is touched further was not looked at yet.
                self.status = self.status.min(DeviationStatus::Assessed);
                self.decision = None;
            }
            Body::DeviationInterimDecided(body) => self.interim = Some(body.decision),
            Body::DeviationInvestigated(_) => self.status = DeviationStatus::Investigated,
            Body::DeviationDueExtended(body) => self.due = body.due,
            Body::DeviationDecided(body) => {
                self.decision = Some(body.decision);
                self.status = DeviationStatus::Decided;
            }
            Body::DeviationClosed(_) => self.status = DeviationStatus::Closed,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if self.status != DeviationStatus::Closed {
            keys.push(Key::new("deviation.open", "yes"));
        }
        for stream in &self.about {
            keys.push(Key::new("deviation.about", stream));
        }
    }
}

/// A deviation that a rule opens. `ahead`: how many this same decision has opened before it.
pub(crate) fn by_rule(
    world: &World,
    ahead: u64,
    rule: DeviationRule,
    severity: Severity,
    about: Vec<Stream>,
    text: String,
) -> Result<(Stream, Draft), Stop> {
    let stream = world.next(Thing::Deviation, "DV", ahead)?;
    let draft = Draft::entry(&stream, DeviationOpened { about, rule, severity, text });
    Ok((stream, draft))
}

pub(crate) fn by_person(world: &World, about: &[Stream], severity: Severity, text: &str) -> Result<Vec<Draft>, Stop> {
    if about.is_empty() || about.len() > ABOUT_MAX {
        return Err(Refusal::invalid(
            "about-nothing",
            format!("A deviation is about 1 to {ABOUT_MAX} things; this one names {}.", about.len()),
            "Scan what it is about; for more, name the delivery or the station instead of every roll.",
        )
        .into());
    }
    must_be_there(world, about)?;
    let text = said("what was found", text)?;
    let (stream, draft) = by_rule(world, 0, DeviationRule::Person, severity, about.to_vec(), text)?;
    let mut drafts = vec![draft];
    drafts.extend(all_questioned(about, &stream));
    Ok(drafts)
}

fn must_be_there(world: &World, about: &[Stream]) -> Result<(), Stop> {
    for stream in about {
        if world.record(stream)?.is_none() {
            return Err(Refusal::not_found(stream.thing(), stream).into());
        }
    }
    Ok(())
}

/// The entry by which a record names a deviation about it. An act that opens a deviation by rule and puts no hold on a
/// record, which names the deviation too, writes it there.
pub(crate) fn questioned(about: &Stream, deviation: &Stream) -> Draft {
    Draft::entry(about, RecordQuestioned { deviation: deviation.clone() })
}

/// [`questioned`] for everything that a deviation is about, each once.
pub(crate) fn all_questioned(about: &[Stream], deviation: &Stream) -> Vec<Draft> {
    let once: BTreeSet<&Stream> = about.iter().collect();
    once.into_iter().map(|about| questioned(about, deviation)).collect()
}

/// The refusal of an act that the deviation's state does not allow.
fn not_now(deviation: &Id, status: DeviationStatus) -> Stop {
    let (now, remedy) = match status {
        DeviationStatus::Opened => ("opened and not assessed yet", "Assess it first."),
        DeviationStatus::Assessed => ("assessed and not investigated yet", "Investigate it, and sign, first."),
        DeviationStatus::Investigated => ("investigated already", "Let a reviewer decide it, or assess it anew."),
        DeviationStatus::Decided => ("decided", "Close it; or extend it to what else is touched, and look at it anew."),
        DeviationStatus::Closed => ("closed", "Open another deviation that names this one."),
    };
    Refusal::conflict("deviation-not-ready", format!("The deviation {deviation} is {now}."), remedy).into()
}

pub(crate) fn assess(
    world: &World,
    context: &Context,
    deviation: &Id,
    severity: Severity,
    impact: &str,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    use DeviationStatus as S;
    match state.status {
        S::Opened | S::Assessed | S::Investigated => {}
        S::Decided | S::Closed => return Err(not_now(deviation, state.status)),
    }
    let reviews = matches!(&context.by, By::Person(person) if person.role == Role::Reviewer);
    if state.severity == Severity::Critical && severity < Severity::Critical && !reviews {
        return Err(Refusal::forbidden(
            "critical-lowered",
            format!("The deviation {deviation} is critical; only a reviewer may find that it is less."),
            "Assess it as critical, or ask a reviewer.",
        )
        .into());
    }
    let (impact, why) = (said("impact", impact)?, reason(why)?);
    Ok(vec![Draft::because(&stream, DeviationAssessed { impact, severity }, &why)])
}

pub(crate) fn extend_scope(world: &World, deviation: &Id, about: &[Stream], why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    if state.status == DeviationStatus::Closed {
        return Err(not_now(deviation, state.status));
    }
    let mut further: Vec<Stream> = Vec::new();
    for one in about.iter().take(ABOUT_MAX.saturating_add(1)) {
        if !state.about.contains(one) && !further.contains(one) {
            further.push(one.clone());
        }
    }
    if further.is_empty() {
        return Err(Refusal::conflict(
            "about-nothing-new",
            format!("The deviation {deviation} is about all of that already."),
            "Scan what else is touched.",
        )
        .into());
    }
    let in_all = state.about.len().saturating_add(further.len());
    if in_all > SCOPE_MAX || about.len() > ABOUT_MAX {
        return Err(Refusal::invalid(
            "about-too-much",
            format!(
                "A deviation is extended by at most {ABOUT_MAX} things at a time, to {SCOPE_MAX} in all; this one would \
                 be about {in_all}."
            ),
            "Name the delivery or the station instead of every roll, or open another deviation.",
        )
        .into());
    }
    must_be_there(world, &further)?;
    let why = reason(why)?;
    let mut drafts = vec![Draft::because(&stream, DeviationScopeExtended { about: further.clone() }, &why)];
    drafts.extend(all_questioned(&further, &stream));
    if state.interim == Some(InterimDecision::Stop) {
        drafts.extend(stopped(world, &stream, &further)?);
    }
    Ok(drafts)
}

pub(crate) fn decide_interim(
    world: &World,
    deviation: &Id,
    decision: InterimDecision,
    text: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    use DeviationStatus as S;
    match state.status {
        S::Opened | S::Assessed => {}
        // After the investigation there is nothing to be bridged; and the entry would void its signature.
        S::Investigated | S::Decided | S::Closed => return Err(not_now(deviation, state.status)),
    }
    let mut drafts = vec![Draft::entry(&stream, DeviationInterimDecided { decision, text: said("conditions", text)? })];
    if decision == InterimDecision::Stop {
        drafts.extend(stopped(world, &stream, &state.about)?);
    }
    Ok(drafts)
}

/// The holds by which everything that can be held stands: what was decided is not left to memory. A hold is lifted as
/// any other.
fn stopped(world: &World, deviation: &Stream, about: &[Stream]) -> Result<Vec<Draft>, Stop> {
    let once: BTreeSet<&Stream> = about.iter().collect();
    let mut drafts = Vec::new();
    for stream in once {
        let cause = deviation.clone();
        match Thing::parse(stream.thing()) {
            Some(Thing::Order) if !world.order(stream)?.holds.contains(deviation) => {
                drafts.push(Draft::entry(stream, OrderHeld { cause }));
            }
            Some(Thing::Delivery) if !world.delivery(stream)?.holds.contains(deviation) => {
                drafts.push(Draft::entry(stream, DeliveryHeld { cause }));
            }
            Some(Thing::Roll) if !world.roll(stream)?.holds.contains(deviation) => {
                drafts.push(Draft::entry(stream, RollHeld { cause }));
            }
            _ => {}
        }
    }
    Ok(drafts)
}

pub(crate) fn investigate(
    world: &World,
    context: &Context,
    deviation: &Id,
    cause: &str,
    others: &str,
    conclusion: &str,
    follow_up: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    if state.status != DeviationStatus::Assessed {
        return Err(not_now(deviation, state.status));
    }
    let body = DeviationInvestigated {
        cause: said("cause", cause)?,
        conclusion: said("conclusion", conclusion)?,
        follow_up: said("follow-up", follow_up)?,
        others: said("others considered", others)?,
    };
    let signed = signature(world, context, &stream, &[], "deviation investigated")?;
    Ok(vec![Draft::entry(&stream, body), signed])
}

pub(crate) fn extend_due(
    world: &World,
    context: &Context,
    deviation: &Id,
    due: Time,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    if state.status == DeviationStatus::Closed {
        return Err(not_now(deviation, state.status));
    }
    let latest = state.due.max(context.at).plus_micros(EXTENDED_DAYS_MAX * DAY);
    if due <= state.due.max(context.at) || due > latest {
        return Err(Refusal::invalid(
            "due-out-of-range",
            format!("A new day must be later than the old one and than now, and by {EXTENDED_DAYS_MAX} days at most."),
            "Give a later day; where it takes longer, it is put off again then.",
        )
        .into());
    }
    let why = reason(why)?;
    Ok(vec![Draft::because(&stream, DeviationDueExtended { due }, &why)])
}

pub(crate) fn decide(
    world: &World,
    context: &Context,
    deviation: &Id,
    decision: DeviationDecision,
    text: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    if state.status != DeviationStatus::Investigated {
        return Err(not_now(deviation, state.status));
    }
    let body = DeviationDecided { decision, text: said("decision", text)? };
    // It covers what the deviation is about: whoever had a part in any of it does not approve.
    let signed = signature(world, context, &stream, &state.about, "deviation approved")?;
    Ok(vec![Draft::entry(&stream, body), signed])
}

pub(crate) fn close(world: &World, context: &Context, deviation: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Deviation, deviation);
    let state = world.deviation(&stream)?;
    if state.status != DeviationStatus::Decided {
        return Err(not_now(deviation, state.status));
    }
    let facts = world.record(&stream)?.map(|record| &record.facts);
    let opened = facts.and_then(|facts| facts.doers.get("deviation.opened"));
    if opened.zip(context.by.account()).is_some_and(|(opened, account)| opened.contains(account)) {
        return Err(Refusal::forbidden(
            "same-person",
            format!("The deviation {deviation} was opened by an act of yours."),
            "Let another reviewer close it.",
        )
        .into());
    }
    Ok(vec![Draft::entry(&stream, DeviationClosed {})])
}
