//! Deviations: the list, and each on a page of its own.

mod one;
mod scope;

pub(super) use one::one;

use std::cmp::Reverse;

use actix_web::HttpResponse;
use actix_web::web::{Data, Query};
use askama::Template;
use serde::{Deserialize, Serialize};
use tallyseal_book::{Book, ReadError};
use tallyseal_control::{DeviationState, DeviationStatus, Key, Record, State};
use tallyseal_schema::Time;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::Severity;

use super::act::named;
use super::exceptions::told::plain;
use super::shown::streams_of;
use super::thing::{Shown, done};
use super::visitor::Visitor;
use super::{Frame, PageError, csv, href, page, words};
use crate::clock;
use crate::counted::Counted;
use crate::desk::Desk;

/// Deviations of one key that are looked at for one list.
const LOOKED: usize = 1_000;
/// Deviations on one page.
const PAGE: usize = 50;
/// Things named in a row.
const ABOUT: usize = 4;

/// What the list is asked for.
#[derive(Debug, Clone, Default, Deserialize, Serialize)]
#[serde(default)]
pub(super) struct Asked {
    #[serde(skip_serializing_if = "String::is_empty")]
    about: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    after: Option<String>,
    #[serde(skip_serializing)]
    done: Option<u64>,
    /// "yes": major and critical ones only.
    #[serde(skip_serializing_if = "String::is_empty")]
    grave: String,
    /// "yes": those past their day only.
    #[serde(skip_serializing_if = "String::is_empty")]
    overdue: String,
    #[serde(skip_serializing_if = "is_first")]
    page: usize,
    #[serde(skip_serializing_if = "String::is_empty")]
    sort: String,
    /// "open" (where nothing is said), "closed" or "all".
    #[serde(skip_serializing_if = "String::is_empty")]
    status: String,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "as serde calls it")]
fn is_first(page: &usize) -> bool {
    *page == 0
}

impl Asked {
    fn query(&self) -> String {
        serde_urlencoded::to_string(self).unwrap_or_default()
    }
}

/// One deviation as the list has it.
struct Row {
    about: Vec<(String, String)>,
    about_more: usize,
    due: words::When,
    grave: &'static str,
    href: String,
    id: String,
    overdue: bool,
    severity: String,
    status: String,
    text: String,
}

#[derive(Template)]
#[template(path = "deviations.html")]
struct DeviationsPage {
    asked: Asked,
    csv: String,
    frame: Frame,
    is_filtered: bool,
    next: Option<String>,
    opens: bool,
    rows: Vec<Row>,
    wrong: Option<String>,
}

/// The class of the mark of a gravity.
fn class(severity: Severity) -> &'static str {
    match severity {
        Severity::Minor => "hold",
        Severity::Major | Severity::Critical => "grave",
    }
}

/// True where it should be closed by now.
fn is_overdue(state: &DeviationState, now: Time) -> bool {
    state.status != DeviationStatus::Closed && state.due < now
}

/// What may be read of a deviation's text: it may tell how much is on a roll that runs.
pub(super) fn text_of(book: &Book, state: &DeviationState, counted: &Counted) -> Result<String, ReadError> {
    Ok(match counted.hides_text(book, state)? {
        true => words::HIDDEN_WHILE_COUNTED.to_owned(),
        false => state.text.clone(),
    })
}

/// A list, and after which the next one begins.
type Listed = (Vec<(Stream, DeviationState)>, Option<String>);

/// Those that are asked for, in the order that is asked for.
fn find(desk: &Desk, asked: &Asked, about: Option<&Stream>, now: Time) -> Result<Listed, PageError> {
    let key = match (about, asked.status.as_str()) {
        (Some(about), _) => Key::new("deviation.about", about),
        (None, "all" | "closed") => Key::new("thing", "deviation"),
        (None, _) => Key::new("deviation.open", "yes"),
    };
    let mut streams = desk.book().set_page(&key, asked.after.as_deref(), LOOKED + 1)?;
    let more = streams.len() > LOOKED;
    streams.truncate(LOOKED);
    let next = streams.last().filter(|_| more).map(Stream::to_string);
    let mut found = Vec::new();
    for stream in streams {
        let Some((_, Record { state: State::Deviation(state), .. })) = desk.book().record(&stream)? else { continue };
        let closed = state.status == DeviationStatus::Closed;
        let of_status = match asked.status.as_str() {
            "all" => true,
            "closed" => closed,
            _ => !closed,
        };
        let grave = asked.grave != "yes" || state.severity > Severity::Minor;
        let late = asked.overdue != "yes" || is_overdue(&state, now);
        if of_status && grave && late {
            found.push((stream, state));
        }
    }
    match asked.sort.as_str() {
        "due" => found.sort_by_key(|(_, state)| state.due),
        // As the keys give them.
        "id" => {}
        _ => {
            found.sort_by_key(|(_, state)| {
                (state.status == DeviationStatus::Closed, Reverse(state.severity), state.due)
            });
        }
    }
    Ok((found, next))
}

/// Whatever was typed as what they are about.
fn about(desk: &Desk, asked: &Asked) -> Result<Result<Option<Stream>, String>, PageError> {
    let typed = asked.about.trim();
    if typed.is_empty() {
        return Ok(Ok(None));
    }
    if let Some((thing, id)) = typed.split_once('/')
        && let Ok(stream) = Stream::new(&thing.to_lowercase(), &id.to_uppercase())
    {
        return Ok(Ok(Some(stream)));
    }
    let id = typed.to_uppercase();
    let streams = match id.parse() {
        Ok(id) => streams_of(desk, &id)?,
        Err(_) => Vec::new(),
    };
    Ok(streams.into_iter().next().map(Some).ok_or_else(|| format!("Nothing in this book is called {id}.")))
}

pub(super) async fn list(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let asked = asked.into_inner();
    let now = clock::now();
    let counted = Counted::now(desk.book())?;
    let ((found, next), wrong) = match about(&desk, &asked)? {
        Ok(about) => (find(&desk, &asked, about.as_ref(), now)?, None),
        Err(wrong) => ((Vec::new(), None), Some(wrong)),
    };
    let mut frame = Frame::new(&desk, Some(&seat), "deviations", "Deviations");
    frame.done = done(&desk, &seat, &Shown { done: asked.done });
    let further = found.len() > asked.page.saturating_add(1).saturating_mul(PAGE);
    let shown = found.iter().skip(asked.page.saturating_mul(PAGE)).take(PAGE);
    let row = |(stream, state): &(Stream, DeviationState)| -> Result<Row, ReadError> {
        Ok(Row {
            about: state.about.iter().take(ABOUT).map(|about| (named(about), href(about))).collect(),
            about_more: state.about.len().saturating_sub(ABOUT),
            due: words::when(state.due, desk.zone()),
            grave: class(state.severity),
            href: href(stream),
            id: stream.id().to_string(),
            overdue: is_overdue(state, now),
            severity: plain(state.severity),
            status: plain(state.status),
            text: text_of(desk.book(), state, &counted)?,
        })
    };
    let rows: Vec<Row> = shown.map(row).collect::<Result<_, _>>()?;
    let next = match further {
        true => Some(Asked { page: asked.page.saturating_add(1), ..asked.clone() }),
        false => next.map(|after| Asked { after: Some(after), page: 0, ..asked.clone() }),
    };
    let next = next.map(|asked| format!("/deviations?{}", asked.query()));
    let page_of = DeviationsPage {
        csv: format!("/deviations.csv?{}", asked.query()),
        is_filtered: !asked.query().is_empty(),
        next,
        opens: super::exceptions::gives(&frame, "open_deviation"),
        rows,
        wrong,
        asked,
        frame,
    };
    page(&page_of)
}

/// The list as a file.
pub(super) async fn list_csv(
    Visitor(_seat): Visitor,
    desk: Data<Desk>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let now = clock::now();
    let counted = Counted::now(desk.book())?;
    let about = about(&desk, &asked)?.map_err(crate::error::DeskError::Invalid)?;
    let (found, next) = find(&desk, &asked, about.as_ref(), now)?;
    let row = |(stream, state): (Stream, DeviationState)| -> Result<Vec<String>, ReadError> {
        let about: Vec<String> = state.about.iter().map(Stream::to_string).collect();
        let decision = state.decision.map(plain).unwrap_or_default();
        Ok(vec![
            stream.id().to_string(),
            plain(state.severity),
            plain(state.status),
            decision,
            state.due.to_string(),
            if is_overdue(&state, now) { "yes" } else { "no" }.to_owned(),
            plain(state.rule),
            about.join(" "),
            text_of(desk.book(), &state, &counted)?,
        ])
    };
    let rows: Vec<Vec<String>> = found.into_iter().map(row).collect::<Result<_, _>>()?;
    let header =
        ["deviation", "gravity", "state", "decision", "due (UTC)", "overdue", "opened by rule", "about", "found"];
    // Whoever counts the lines must not take a part for all.
    let rest = next.map(|after| {
        vec![format!(
            "NOT ALL: {LOOKED} deviations were looked at, up to {after}; those after it were not. Narrow the filters."
        )]
    });
    let earlier = asked.after.as_ref().map(|after| {
        vec![format!("NOT ALL: begun after {after}, as on the page; those before it were not looked at.")]
    });
    Ok(csv::file("deviations", &header, rows.into_iter().chain(earlier).chain(rest)))
}
