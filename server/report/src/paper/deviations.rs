//! Every deviation of the record, from what was found to what quality decided.
//!
//! Rule: 21 CFR 211.192.

use tallyseal_control::State;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::DeviationRule;
use tallyseal_schema::{Body, Entry};

use super::say::{all_named, field, heading, text};
use super::{Block, Field, Gathered, Tone, corrections, signatures};
use crate::told::plain;
use crate::words;

/// In place of a step that nobody has done.
const NOT_DONE: &str = "not done";

/// The blocks of the section.
pub(crate) fn blocks(gathered: &Gathered) -> Vec<Block> {
    let deviations: Vec<&Stream> = gathered.streams.keys().filter(|stream| stream.thing() == "deviation").collect();
    if deviations.is_empty() {
        return vec![text("No deviation is about anything in this record.")];
    }
    deviations.into_iter().flat_map(|stream| one(gathered, stream)).collect()
}

/// One deviation.
fn one(gathered: &Gathered, stream: &Stream) -> Vec<Block> {
    let mut blocks = vec![heading(2, words::capital(&words::named(stream)), "21 CFR 211.192")];
    blocks.push(Block::Fields { fields: fields(gathered, stream) });
    blocks.extend(corrections::corrections_of(gathered, stream));
    blocks
}

fn fields(gathered: &Gathered, stream: &Stream) -> Vec<Field> {
    let entries: Vec<&Entry> = gathered.stream(stream).collect();
    let mut fields = Vec::new();
    if let Some(State::Deviation(state)) = gathered.state(stream) {
        let mut now = field("State", words::capital(&plain(state.status)), "", &[]);
        now.entries.extend(entries.last().map(|entry| entry.header.n));
        fields.push(now);
    }
    fields.extend(entries.iter().flat_map(|entry| opened(gathered, entry)));
    fields.extend(entries.iter().filter_map(|entry| match &entry.body {
        Body::DeviationScopeExtended(body) => Some(did(gathered, entry, "Extended to", all_named(&body.about), "")),
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Classification", "21 CFR 211.192", |body| match body {
        Body::DeviationAssessed(body) => {
            Some(format!("{}. Impact: {}", words::capital(&plain(body.severity)), body.impact))
        }
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Interim decision", "EU GMP 4.21(g)", |body| match body {
        Body::DeviationInterimDecided(body) => {
            Some(format!("{}. Conditions: {}", words::capital(&plain(body.decision)), body.text))
        }
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Cause", "21 CFR 211.192", |body| match body {
        Body::DeviationInvestigated(body) => Some(body.cause.clone()),
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Other lots and things considered", "21 CFR 211.192", |body| match body {
        Body::DeviationInvestigated(body) => Some(body.others.clone()),
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Conclusion", "21 CFR 211.188(b)(12)", |body| match body {
        Body::DeviationInvestigated(body) => Some(body.conclusion.clone()),
        _ => None,
    }));
    fields.extend(step(gathered, &entries, "Follow-up", "21 CFR 211.192", |body| match body {
        Body::DeviationInvestigated(body) => Some(body.follow_up.clone()),
        _ => None,
    }));
    fields.extend(step(
        gathered,
        &entries,
        "Decision of quality",
        "21 CFR 211.22(a); 21 CFR 211.192",
        |body| match body {
            Body::DeviationDecided(body) => Some(format!("{}: {}", words::capital(&plain(body.decision)), body.text)),
            _ => None,
        },
    ));
    if let Some(State::Deviation(state)) = gathered.state(stream) {
        let due = entries.iter().filter(|entry| matches!(entry.body, Body::DeviationDueExtended(_)));
        let due: Vec<u64> = due.map(|entry| entry.header.n).collect();
        fields.push(field("To be closed by", gathered.at(state.due), "", &due));
    }
    fields.extend(step(gathered, &entries, "Closed", "", |body| {
        matches!(body, Body::DeviationClosed(_)).then(|| "Closed".to_owned())
    }));
    fields.push(holds(gathered, stream));
    fields.extend(signed(gathered, stream));
    fields
}

/// What the entry says, with who did it, when, and why.
fn did(gathered: &Gathered, entry: &Entry, name: &str, what: String, clause: &str) -> Field {
    let header = &entry.header;
    let why = header.why.as_ref().map_or_else(String::new, |why| format!(" Reason: {why}."));
    let value = format!(
        "{what}{} {}, {}.{why}",
        if what.ends_with('.') { "" } else { "." },
        words::by(&header.by),
        gathered.at(header.at)
    );
    field(name, value, clause, &[header.n])
}

/// Every time that a step was done; what a later one replaced is former.
fn step(
    gathered: &Gathered,
    entries: &[&Entry],
    name: &str,
    clause: &str,
    said: impl Fn(&Body) -> Option<String>,
) -> Vec<Field> {
    let mut fields: Vec<Field> = entries
        .iter()
        .filter_map(|entry| said(&entry.body).map(|what| did(gathered, entry, name, what, clause)))
        .collect();
    let last = fields.len().saturating_sub(1);
    for former in fields.iter_mut().take(last) {
        former.tone = Tone::Former;
    }
    if fields.is_empty() {
        fields.push(field(name, NOT_DONE, clause, &[]));
    }
    fields
}

fn opened(gathered: &Gathered, entry: &Entry) -> Vec<Field> {
    let Body::DeviationOpened(body) = &entry.body else { return Vec::new() };
    let n = [entry.header.n];
    let rule = match body.rule {
        DeviationRule::Person => "a person".to_owned(),
        rule => format!("a rule: {}", plain(rule)),
    };
    vec![
        did(gathered, entry, "What was found", body.text.clone(), "21 CFR 211.100(b); EU GMP 4.21(g)"),
        field("Opened by", rule, "", &n),
        field("About", all_named(&body.about), "", &n),
        field("Gravity when opened", plain(body.severity), "", &n),
    ]
}

/// What it holds or held in this record.
fn holds(gathered: &Gathered, stream: &Stream) -> Field {
    let mut said = Vec::new();
    let mut numbers = Vec::new();
    for entry in gathered.entries() {
        let (cause, what) = match &entry.body {
            Body::RollHeld(body) => (&body.cause, "held"),
            Body::DeliveryHeld(body) => (&body.cause, "held"),
            Body::OrderHeld(body) => (&body.cause, "held"),
            Body::RollHoldLifted(body) => (&body.cause, "hold lifted"),
            Body::DeliveryHoldLifted(body) => (&body.cause, "hold lifted"),
            Body::OrderHoldLifted(body) => (&body.cause, "hold lifted"),
            _ => continue,
        };
        if cause == stream {
            numbers.push(entry.header.n);
            said.push(format!("{} {what} (entry {})", words::named(&entry.header.stream), entry.header.n));
        }
    }
    let value = if said.is_empty() { "none in this record".to_owned() } else { said.join(", ") };
    field("Holds", value, "", &numbers)
}

fn signed(gathered: &Gathered, stream: &Stream) -> Vec<Field> {
    let of_it: Vec<_> = signatures::all(gathered).filter(|(_, body)| body.record == *stream).collect();
    if of_it.is_empty() {
        return vec![field("Signatures", "none", "21 CFR 211.192; 21 CFR 11.50", &[])];
    }
    let said = of_it.into_iter().map(|(entry, body)| {
        let void = signatures::void(gathered, entry, body);
        let stands = void.as_ref().map_or_else(|| "stands".to_owned(), |why| format!("void: {why}"));
        let value = format!(
            "{} ({}), {}, {}; {stands}",
            body.name,
            body.account,
            body.role.title(),
            gathered.at(entry.header.at)
        );
        let name = format!("Signed \"{}\"", body.meaning);
        let tone = if void.is_some() { Tone::Former } else { Tone::Plain };
        Field { tone, ..field(&name, value, "21 CFR 211.192; 21 CFR 11.50", &[entry.header.n]) }
    });
    said.collect()
}
