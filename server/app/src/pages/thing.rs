//! The page of any thing: what it is, what was signed, what happened, what may be done. Things with much to show have
//! pages of their own besides.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use serde::Deserialize;
use serde_json::Value;
use tallyseal_control::{AUTHORITY, Key};
use tallyseal_schema::Entry;
use tallyseal_schema::ids::{Id, Stream, Thing};

use super::act::named;
use super::visitor::Visitor;
use super::{Frame, PageError, form, href, page, see_other, shown, words};
use crate::api;
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// Things on one page of a list.
const PAGE: usize = 100;
/// Entries of a thing that its page shows, the newest; a station may have very many.
const HISTORY: usize = 500;

/// One line of what a thing is.
pub(super) struct Line {
    /// How deep it lies inside another.
    pub(super) depth: usize,
    pub(super) label: String,
    /// Where it leads, where it names a thing.
    pub(super) link: Option<String>,
    pub(super) text: String,
}

/// A signature as shown.
pub(super) struct Signed {
    pub(super) meaning: String,
    pub(super) name: String,
    pub(super) role: &'static str,
    pub(super) void: bool,
    pub(super) when: words::When,
}

/// One entry of a history.
pub(super) struct Happened {
    pub(super) by: String,
    pub(super) kind: String,
    pub(super) n: u64,
    pub(super) when: words::When,
    pub(super) why: Option<String>,
}

/// An act that may be done from here.
pub(super) struct Offer {
    pub(super) hint: &'static str,
    pub(super) href: String,
    pub(super) label: String,
}

#[derive(Template)]
#[template(path = "thing.html")]
struct ThingPage {
    frame: Frame,
    history: Vec<Happened>,
    lines: Vec<Line>,
    offers: Vec<Offer>,
    signatures: Vec<Signed>,
    stream: String,
}

#[derive(Template)]
#[template(path = "list.html")]
struct ListPage {
    frame: Frame,
    next: Option<String>,
    /// What may be begun here.
    offers: Vec<Offer>,
    thing: String,
    things: Vec<(String, String, String)>,
}

#[derive(Deserialize)]
pub(super) struct Shown {
    /// The entry that an act just made.
    pub(super) done: Option<u64>,
}

/// What was just recorded, in a sentence.
pub(super) fn done(desk: &Desk, shown: &Shown) -> Option<String> {
    let n = shown.done?;
    let entry = Entry::read(&desk.book().entry(n).ok()??).ok()?;
    Some(format!("Recorded as entry {}: {}.", words::number(n), words::kind(&entry.header.kind)))
}

pub(super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    path: Path<(String, String)>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let (thing, id) = path.into_inner();
    let stream = Stream::new(&thing, &id).map_err(|error| DeskError::Invalid(error.to_string()))?;
    let counted = Counted::now(desk.book())?;
    let state = api::shown(&desk, &counted, &stream)?;
    let mut lines = Vec::new();
    flatten(&state["state"], 0, &mut lines, &desk);
    let mut frame = Frame::new(&desk, Some(&seat), "things", words::capital(&named(&stream)));
    frame.done = done(&desk, &query);
    let page_of = ThingPage {
        history: history(&desk, &stream)?,
        lines,
        offers: offers(&frame, &stream, state["rev"].as_u64().unwrap_or(0)),
        signatures: signatures(&desk, &stream)?,
        stream: stream.to_string(),
        frame,
    };
    page(&page_of)
}

/// The signatures on a record, as people read them.
pub(super) fn signatures(desk: &Desk, stream: &Stream) -> Result<Vec<Signed>, PageError> {
    let Some((_, record)) = desk.book().record(stream)? else { return Ok(Vec::new()) };
    let signatures = record.facts.signatures.iter().map(|standing| Signed {
        meaning: standing.meaning.clone(),
        name: format!("{} ({})", standing.name, standing.account),
        role: standing.role.title(),
        void: standing.void,
        when: words::when(standing.at, desk.zone()),
    });
    Ok(signatures.collect())
}

/// What happened to a thing, last first: who, when, what sort of entry and why. What entries say is for those who review.
pub(super) fn history(desk: &Desk, stream: &Stream) -> Result<Vec<Happened>, PageError> {
    let mut history = Vec::new();
    for bytes in desk.book().stream_tail(stream, HISTORY)? {
        let entry = Entry::read(&bytes).map_err(|error| DeskError::Internal(error.to_string()))?;
        history.push(Happened {
            by: words::by(&entry.header.by),
            kind: words::kind(&entry.header.kind),
            n: entry.header.n,
            when: words::when(entry.header.at, desk.zone()),
            why: entry.header.why,
        });
    }
    history.reverse();
    Ok(history)
}

/// The acts of this person's roles that are about that thing.
pub(super) fn offers(frame: &Frame, stream: &Stream, rev: u64) -> Vec<Offer> {
    let thing = stream.thing();
    let mut commands = form::commands_about(thing);
    commands.extend(["remark", "open_deviation"]);
    let may = |command: &&str| AUTHORITY.iter().any(|row| row.command == *command && frame.is_any(row.roles));
    let offers = commands.into_iter().filter(may).map(|command| {
        let field = match command {
            "remark" => "record",
            "open_deviation" => "about",
            _ => thing,
        };
        let value = if field == thing { stream.id().to_string() } else { stream.to_string() };
        let rev = rev.to_string();
        let query = [(field, value.as_str()), (&format!("rev.{stream}"), &rev), ("back", &href(stream))];
        let query = serde_urlencoded::to_string(query).unwrap_or_default();
        Offer { hint: form::summary(command), href: format!("/acts/{command}?{query}"), label: words::act(command) }
    });
    offers.collect()
}

/// A state as lines of label and text, inner things deeper.
fn flatten(value: &Value, depth: usize, lines: &mut Vec<Line>, desk: &Desk) {
    let Some(fields) = value.as_object() else { return };
    let mut names: Vec<&String> = fields.keys().filter(|name| *name != "thing").collect();
    names.sort_by_key(|name| words::order_of(name));
    for name in names {
        field(&words::label(name), &fields[name], depth, lines, desk);
    }
}

fn field(label: &str, value: &Value, depth: usize, lines: &mut Vec<Line>, desk: &Desk) {
    let line = |text: String, link: Option<String>| Line { depth, label: label.to_owned(), link, text };
    match value {
        Value::Null => {}
        Value::Object(inner) if inner.len() == 2 && inner.contains_key("num") && inner.contains_key("den") => {
            lines.push(line(format!("{} / {}", inner["num"], inner["den"]), None));
        }
        Value::Object(inner) if inner.is_empty() => {}
        Value::Object(_) => {
            lines.push(line(String::new(), None));
            flatten(value, depth + 1, lines, desk);
        }
        Value::Array(items) if items.iter().all(|item| !item.is_object() && !item.is_array()) => {
            for item in items {
                let (text, link) = text_of(item, desk);
                lines.push(line(text, link));
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                field(&format!("{label} {}", index + 1), item, depth, lines, desk);
            }
        }
        other => {
            let (text, link) = text_of(other, desk);
            lines.push(line(text, link));
        }
    }
}

fn text_of(value: &Value, desk: &Desk) -> (String, Option<String>) {
    match value {
        Value::Bool(true) => ("yes".to_owned(), None),
        Value::Bool(false) => ("no".to_owned(), None),
        Value::Number(number) => (number.as_u64().map_or_else(|| number.to_string(), words::number), None),
        Value::String(text) => {
            if let Some(stream) = text.contains('/').then(|| text.parse::<Stream>().ok()).flatten() {
                return (named(&stream), Some(href(&stream)));
            }
            if let Ok(at) = text.parse::<tallyseal_schema::Time>() {
                return (words::when(at, desk.zone()).local, None);
            }
            (text.clone(), None)
        }
        other => (other.to_string(), None),
    }
}

#[derive(Template)]
#[template(path = "sorts.html")]
struct SortsPage {
    frame: Frame,
    sorts: Vec<(&'static str, String)>,
}

/// Every sort of record.
pub(super) async fn sorts(Visitor(seat): Visitor, desk: Data<Desk>) -> Result<HttpResponse, PageError> {
    let listed = Thing::ALL.iter().filter(|thing| !matches!(thing, Thing::Book | Thing::Session));
    let sorts = listed.map(|thing| (thing.as_str(), words::capital(&words::thing(thing.as_str())))).collect();
    page(&SortsPage { frame: Frame::new(&desk, Some(&seat), "things", "All records"), sorts })
}

#[derive(Deserialize)]
pub(super) struct After {
    after: Option<String>,
    done: Option<u64>,
}

pub(super) async fn list(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    thing: Path<String>,
    query: Query<After>,
) -> Result<HttpResponse, PageError> {
    let known = Thing::parse(&thing).ok_or_else(|| DeskError::NotFound(format!("list of {thing}")))?;
    let key = Key::new("thing", known.as_str());
    let mut streams = desk.book().set_page(&key, query.after.as_deref(), PAGE + 1)?;
    let next =
        (streams.len() > PAGE).then(|| streams.truncate(PAGE)).and_then(|()| streams.last().map(Stream::to_string));
    let mut things = Vec::new();
    for stream in &streams {
        let state = match desk.book().record(stream)? {
            Some((_, record)) => status(&record),
            None => String::new(),
        };
        things.push((stream.id().to_string(), href(stream), state));
    }
    let mut frame = Frame::new(&desk, Some(&seat), "things", words::capital(&words::thing(known.as_str())));
    frame.done = done(&desk, &Shown { done: query.done });
    let begins = begins(known);
    let offers = AUTHORITY.iter().filter(|row| begins.contains(&row.command) && frame.is_any(row.roles));
    let offers = offers.map(|row| Offer {
        hint: form::summary(row.command),
        href: format!("/acts/{}", row.command),
        label: words::act(row.command),
    });
    page(&ListPage { next, offers: offers.collect(), thing: known.as_str().to_owned(), things, frame })
}

/// The acts with which a thing of that sort begins.
fn begins(thing: Thing) -> &'static [&'static str] {
    match thing {
        Thing::Account => &["enrol_account"],
        Thing::Supplier => &["register_supplier"],
        Thing::Item => &["draft_item"],
        Thing::Delivery => &["receive_delivery"],
        Thing::Station => &["register_station"],
        Thing::TestRoll => &["register_test_roll"],
        Thing::Deviation => &["open_deviation"],
        Thing::Line => &["register_line"],
        Thing::LimitSet => &["draft_limits"],
        Thing::Order => &["plan_order"],
        _ => &[],
    }
}

/// How far a thing has come, in a word, where it has a status.
pub(super) fn status(record: &tallyseal_control::Record) -> String {
    let state = serde_json::to_value(&record.state).unwrap_or_default();
    state["status"].as_str().map(words::word).unwrap_or_default()
}

#[derive(Deserialize)]
pub(super) struct Find {
    #[serde(default)]
    id: String,
}

#[derive(Template)]
#[template(path = "find.html")]
struct FindPage {
    frame: Frame,
    found: Vec<(String, String)>,
    id: String,
}

/// Whatever was scanned or typed, wherever it is.
pub(super) async fn find(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Find>,
) -> Result<HttpResponse, PageError> {
    let typed = query.id.trim().to_uppercase();
    let found = match typed.split_once('/') {
        Some((thing, id)) => Stream::new(&thing.to_lowercase(), id).into_iter().collect(),
        None => match typed.parse::<Id>() {
            Ok(id) => shown::streams_of(&desk, &id)?,
            Err(_) => Vec::new(),
        },
    };
    if let [one] = found.as_slice() {
        return Ok(see_other(&href(one)));
    }
    let found = found.iter().map(|stream| (named(stream), href(stream))).collect();
    page(&FindPage { frame: Frame::new(&desk, Some(&seat), "find", "Find"), found, id: typed })
}
