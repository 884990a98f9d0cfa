//! One deviation: how far it has come, what it touches, who may act, and the one act that comes next.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use tallyseal_book::Book;
use tallyseal_control::{DeviationState, DeviationStatus, Facts, Record, State};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{DeviationDecision, DeviationRule, meaning};
use tallyseal_schema::{Body, Entry};

use super::super::act::named;
use super::super::exceptions::gather::entries;
use super::super::exceptions::told::plain;
use super::super::exceptions::{act_href, gives, may_read};
use super::super::thing::{Happened, Shown, Signed, done, history, signatures};
use super::super::visitor::Visitor;
use super::super::{Frame, PageError, href, page, words};
use super::{class, is_overdue, scope, text_of};
use crate::clock;
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// Things of a sort named on the page at most; the others are counted.
const NAMED: usize = 12;

/// One step of a deviation's way.
struct Step {
    /// Who, where it was done.
    by: Option<String>,
    /// "done", "next" or "later".
    is: &'static str,
    texts: Vec<(&'static str, String)>,
    title: &'static str,
    when: Option<words::When>,
}

/// An act that may be done.
struct Do {
    href: String,
    label: String,
}

/// Whether this person may give one of the acts that end it.
struct May {
    act: &'static str,
    may: bool,
    why: String,
}

/// Things that may be touched too.
struct Near {
    all: Option<String>,
    more: usize,
    things: Vec<(String, String, Option<String>)>,
    why: &'static str,
}

#[derive(Template)]
#[template(path = "deviation.html")]
struct DeviationPage {
    about: Vec<(String, String)>,
    due: words::When,
    exceptions: String,
    frame: Frame,
    grave: &'static str,
    held: Vec<(String, String, Option<String>)>,
    history: Vec<Happened>,
    lift_rule: Option<&'static str>,
    main: Option<Do>,
    mays: Vec<May>,
    near: Vec<Near>,
    others: Vec<Do>,
    overdue: bool,
    rule: String,
    severity: String,
    signatures: Vec<Signed>,
    status: String,
    steps: Vec<Step>,
    text: String,
    wait: Option<String>,
}

pub(in super::super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let stream = Stream::new("deviation", &id).map_err(|error| DeskError::Invalid(error.to_string()))?;
    let missing = || DeskError::NotFound(format!("deviation {id}"));
    let (_, record) = desk.book().record(&stream)?.ok_or_else(missing)?;
    let State::Deviation(state) = &record.state else { return Err(missing().into()) };
    let counted = Counted::now(desk.book())?;
    let mut frame = Frame::new(&desk, Some(&seat), "deviations", format!("Deviation {}", stream.id()));
    frame.done = done(&desk, &seat, &query);
    let text = text_of(desk.book(), state, &counted)?;
    let all = entries(desk.book(), &stream)?;
    let hidden = text != state.text || !may_read(&counted, &seat);
    let mut steps = steps(&desk, state, &all);
    if hidden {
        // What entries say is for those who review; that a step was done, and who did it, is for all.
        steps.iter_mut().for_each(|step| step.texts.clear());
    }
    let mays = mays(&desk, &frame, &record, state, &seat.account)?;
    let (main, wait) = next(&desk, &frame, &stream, state, &mays)?;
    let page_of = DeviationPage {
        about: state.about.iter().map(|about| (words::capital(&named(about)), href(about))).collect(),
        due: words::when(state.due, desk.zone()),
        exceptions: format!("/deviations?about={stream}"),
        grave: class(state.severity),
        held: held(&desk, &frame, &stream)?,
        history: history(&desk, &counted, &stream)?,
        lift_rule: lift_rule(state),
        main,
        mays,
        near: near(&desk, &frame, &stream, state)?,
        others: others(&desk, &frame, &stream, state)?,
        overdue: is_overdue(state, clock::now()),
        rule: match state.rule {
            DeviationRule::Person => "A person opened it.".to_owned(),
            rule => format!("A rule opened it: {}.", plain(rule)),
        },
        severity: plain(state.severity),
        signatures: signatures(&desk, &stream)?,
        status: plain(state.status),
        steps,
        text,
        wait,
        frame,
    };
    page(&page_of)
}

/// The way of a deviation, the last of each sort of step.
fn steps(desk: &Desk, state: &DeviationState, all: &[Entry]) -> Vec<Step> {
    let last = |is: fn(&Body) -> bool| all.iter().rev().find(|entry| is(&entry.body));
    let step = |title: &'static str, entry: Option<&Entry>, is: &'static str| Step {
        by: entry.map(|entry| words::by(&entry.header.by)),
        is: if is == "done" && entry.is_none() { "later" } else { is },
        texts: entry.map(texts).unwrap_or_default(),
        title,
        when: entry.map(|entry| words::when(entry.header.at, desk.zone())),
    };
    use DeviationStatus as S;
    let at = |needs: DeviationStatus, waits: DeviationStatus| match state.status {
        status if status >= needs => "done",
        status if status == waits => "next",
        _ => "later",
    };
    let decided = last(|body| matches!(body, Body::DeviationDecided(_))).filter(|_| state.decision.is_some());
    let approved = all.iter().rev().find(|entry| match &entry.body {
        Body::SignatureApplied(body) => body.meaning == "deviation approved",
        _ => false,
    });
    let investigated = last(|body| matches!(body, Body::DeviationInvestigated(_)));
    let investigated = investigated.filter(|_| state.status >= S::Investigated);
    let mut steps = vec![
        step("Opened", all.first(), "done"),
        step("Assessed", last(|body| matches!(body, Body::DeviationAssessed(_))), at(S::Assessed, S::Opened)),
        step("Investigated", investigated, at(S::Investigated, S::Assessed)),
        step("Decided", decided, at(S::Decided, S::Investigated)),
        step("Approved", approved.filter(|_| decided.is_some()), at(S::Decided, S::Investigated)),
        step("Closed", last(|body| matches!(body, Body::DeviationClosed(_))), at(S::Closed, S::Decided)),
    ];
    // An interim decision may be, and need not.
    let interim = last(|body| matches!(body, Body::DeviationInterimDecided(_)));
    if interim.is_some() {
        steps.insert(2, step("Interim decision", interim, "done"));
    } else if state.status < S::Investigated {
        steps.insert(2, step("Interim decision, if there is one", None, "later"));
    }
    steps
}

/// What an entry of a deviation says, by its fields.
fn texts(entry: &Entry) -> Vec<(&'static str, String)> {
    let mut texts = match &entry.body {
        Body::DeviationAssessed(body) => vec![("Gravity", plain(body.severity)), ("Impact", body.impact.clone())],
        Body::DeviationInterimDecided(body) => {
            vec![("Decision", plain(body.decision)), ("Conditions", body.text.clone())]
        }
        Body::DeviationInvestigated(body) => vec![
            ("Cause", body.cause.clone()),
            ("Others considered", body.others.clone()),
            ("Conclusion", body.conclusion.clone()),
            ("Follow-up", body.follow_up.clone()),
        ],
        Body::DeviationDecided(body) => vec![("Decision", plain(body.decision)), ("Reasons", body.text.clone())],
        _ => Vec::new(),
    };
    if let Some(why) = &entry.header.why {
        texts.push(("Reason", why.clone()));
    }
    texts
}

/// Whether this person may do what is left, as far as views tell: nobody approves their own work.
fn mays(
    desk: &Desk,
    frame: &Frame,
    record: &Record,
    state: &DeviationState,
    account: &AccountId,
) -> Result<Vec<May>, PageError> {
    let mut mays = Vec::new();
    if state.status < DeviationStatus::Investigated {
        let may = gives(frame, "investigate");
        let why = if may { "" } else { "It is done as supervisor or reviewer." };
        mays.push(May { act: "Investigate", may, why: why.to_owned() });
    }
    if state.status < DeviationStatus::Decided {
        let why = match gives(frame, "decide_deviation") {
            false => "It is done as reviewer.".to_owned(),
            true => part_in(desk.book(), record, state, account)?.unwrap_or_default(),
        };
        mays.push(May { act: "Decide and approve", may: why.is_empty(), why });
    }
    if state.status < DeviationStatus::Closed {
        let opened = record.facts.doers.get("deviation.opened").is_some_and(|doers| doers.contains(account));
        let why = match (gives(frame, "close_deviation"), opened) {
            (false, _) => "It is done as reviewer.".to_owned(),
            (true, true) => "You opened it by an act of yours.".to_owned(),
            (true, false) => String::new(),
        };
        mays.push(May { act: "Close", may: why.is_empty(), why });
    }
    Ok(mays)
}

/// Which part this person had in it or in what it is about, so that another one approves it.
fn part_in(
    book: &Book,
    record: &Record,
    state: &DeviationState,
    account: &AccountId,
) -> Result<Option<String>, PageError> {
    if let Some(part) = part(&record.facts, account) {
        return Ok(Some(format!("You had a part in it: {part}.")));
    }
    for about in &state.about {
        if let Some((_, record)) = book.record(about)?
            && let Some(part) = part(&record.facts, account)
        {
            return Ok(Some(format!("You had a part in the {}: {part}.", named(about))));
        }
    }
    Ok(None)
}

/// What this person did that excludes them from approving.
fn part(facts: &Facts, account: &AccountId) -> Option<String> {
    let meaning = meaning("deviation approved")?;
    let did = meaning.excludes.iter().find(|kind| facts.doers.get(**kind).is_some_and(|doers| doers.contains(account)));
    let signed = || meaning.excludes_signers.iter().find(|other| facts.signers(other).any(|signer| signer == account));
    did.map(|kind| words::kind(kind).to_lowercase()).or_else(|| signed().map(|name| format!("signed \"{name}\"")))
}

/// The one act that comes next, for this person; or for whom it waits.
fn next(
    desk: &Desk,
    frame: &Frame,
    stream: &Stream,
    state: &DeviationState,
    mays: &[May],
) -> Result<(Option<Do>, Option<String>), PageError> {
    let (command, act, who) = match state.status {
        DeviationStatus::Opened => ("assess_deviation", "", "a supervisor or a reviewer, who assesses it"),
        DeviationStatus::Assessed => ("investigate", "Investigate", "a supervisor or a reviewer, who investigates it"),
        DeviationStatus::Investigated => {
            ("decide_deviation", "Decide and approve", "a reviewer who had no part in it, who decides it")
        }
        DeviationStatus::Decided => ("close_deviation", "Close", "a reviewer who did not open it, who closes it"),
        DeviationStatus::Closed => return Ok((None, None)),
    };
    let may = mays.iter().find(|may| may.act == act).is_none_or(|may| may.may);
    if !gives(frame, command) || !may {
        return Ok((None, Some(format!("It waits for {who}."))));
    }
    Ok((Some(link(desk, command, stream)?), None))
}

fn link(desk: &Desk, command: &str, stream: &Stream) -> Result<Do, PageError> {
    let id = stream.id().to_string();
    let href = act_href(desk, command, &[("deviation", &id)], stream, &href(stream))?;
    Ok(Do { href, label: words::act(command) })
}

/// What else may be done with it.
fn others(desk: &Desk, frame: &Frame, stream: &Stream, state: &DeviationState) -> Result<Vec<Do>, PageError> {
    use DeviationStatus as S;
    let commands: &[&str] = match state.status {
        S::Opened => &["decide_interim", "extend_scope", "extend_due"],
        S::Assessed => &["assess_deviation", "decide_interim", "extend_scope", "extend_due"],
        S::Investigated => &["assess_deviation", "extend_scope", "extend_due"],
        S::Decided => &["extend_scope", "extend_due"],
        S::Closed => &[],
    };
    let mut others = Vec::new();
    for command in commands.iter().filter(|command| gives(frame, command)) {
        let mut one = link(desk, command, stream)?;
        if *command == "assess_deviation" {
            one.label = "Assess it anew".to_owned();
        }
        others.push(one);
    }
    if gives(frame, "remark") {
        let href = act_href(desk, "remark", &[("record", stream.as_str())], stream, &href(stream))?;
        others.push(Do { href, label: words::act("remark") });
    }
    Ok(others)
}

/// What it holds, and the act that lifts each.
fn held(desk: &Desk, frame: &Frame, stream: &Stream) -> Result<Vec<(String, String, Option<String>)>, PageError> {
    let id = stream.id().to_string();
    let mut held = Vec::new();
    for record in scope::held(desk.book(), stream)? {
        let lift = match gives(frame, "lift_hold") {
            true => {
                let fields = [("record", record.as_str()), ("cause", id.as_str())];
                Some(act_href(desk, "lift_hold", &fields, &record, &href(stream))?)
            }
            false => None,
        };
        held.push((words::capital(&named(&record)), href(&record), lift));
    }
    Ok(held)
}

/// When its holds may be lifted.
fn lift_rule(state: &DeviationState) -> Option<&'static str> {
    match (state.decision, state.rule) {
        (Some(DeviationDecision::Reject), _) => {
            Some("Quality decided that what it is about may not be used: its holds stay.")
        }
        (_, DeviationRule::WrongCode) if !state.accepted() => {
            Some("It is about a wrong code: its holds stay until it is investigated, accepted and closed.")
        }
        _ => None,
    }
}

/// Suggestions, each with the act that extends the deviation to it.
fn near(desk: &Desk, frame: &Frame, stream: &Stream, state: &DeviationState) -> Result<Vec<Near>, PageError> {
    let extends = state.status != DeviationStatus::Closed && gives(frame, "extend_scope");
    let id = stream.id().to_string();
    let extend = |about: &str| -> Result<Option<String>, PageError> {
        match extends {
            true => {
                act_href(desk, "extend_scope", &[("deviation", &id), ("about", about)], stream, &href(stream)).map(Some)
            }
            false => Ok(None),
        }
    };
    let mut near = Vec::new();
    for suggested in scope::suggested(desk.book(), state)? {
        let mut things = Vec::new();
        for one in suggested.streams.iter().take(NAMED) {
            things.push((words::capital(&named(one)), href(one), extend(one.as_str())?));
        }
        let lines: Vec<String> = suggested.streams.iter().map(Stream::to_string).collect();
        let all = if lines.len() > 1 { extend(&lines.join("\n"))? } else { None };
        near.push(Near { all, more: suggested.streams.len().saturating_sub(NAMED), things, why: suggested.why });
    }
    Ok(near)
}
