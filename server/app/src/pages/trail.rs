//! The audit trail: the entries of the book, the last first, filtered, printed, taken along as CSV.
//!
//! A filter by one record goes through the index. Any other one looks through a bounded number of entries at a time and says
//! where it stopped, so that a page takes as long in a book of a million entries as in one of a thousand.

use std::collections::BTreeMap;

use actix_web::HttpResponse;
use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::{Data, Query};
use askama::Template;
use serde_json::Value;
use tallyseal_book::{Book, ReadError};
use tallyseal_report::told::CHANGES;
use tallyseal_schema::entry::Header;
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{Grant, KINDS, Role};
use tallyseal_schema::{By, Time};

use super::visitor::Visitor;
use super::{Frame, PageError, beside, csv, href, page_as, shown, thing, words};
use crate::desk::Desk;
use crate::error::DeskError;

/// Entries that one page looks through at most.
const WINDOW: u64 = 5_000;
/// Entries that one CSV looks through at most.
const CSV_WINDOW: u64 = 50_000;
/// Rows of one CSV.
const CSV_ROWS: usize = 10_000;
/// Rows of one page, as one may choose.
const ROWS: &[usize] = &[100, 500, 1_000];
/// Entries read at a time.
const CHUNK: u64 = 500;
/// Entries of the book's own stream that are looked through for steps of the clock.
const STEPS_LOOKED: usize = 20_000;
/// Earlier entries of a record that are looked through for what was so before.
const EARLIER_LOOKED: usize = 500;
/// Characters of old and new values that a row shows; the entry shows all.
const CHANGE_MAX: usize = 300;

/// What was asked for, field by field as typed.
type Typed = BTreeMap<String, String>;

/// Which entries are wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Filter {
    changes: bool,
    from: Option<Time>,
    id: String,
    kind: String,
    late: bool,
    person: String,
    role: String,
    /// The one record that is meant, where thing and ID say one.
    stream: Option<Stream>,
    thing: String,
    to: Option<Time>,
}

impl Filter {
    /// As typed, and what of it makes no sense: field and sentence.
    fn of(typed: &Typed, zone: chrono_tz::Tz) -> (Self, Vec<(&'static str, &'static str)>) {
        let take = |name: &str| typed.get(name).map(|text| text.trim().to_owned()).unwrap_or_default();
        let mut faults = Vec::new();
        let mut time = |name: &'static str, moment: fn(&str, chrono_tz::Tz) -> Option<Time>| {
            let text = take(name);
            let time = moment(&text, zone);
            if time.is_none() && !text.is_empty() {
                faults.push((name, words::NO_MOMENT));
            }
            time
        };
        let (from, to) = (time("from", first_moment), time("to", last_moment));
        let (mut thing, mut id) = (take("thing"), take("id").to_uppercase());
        if let Some((typed_thing, typed_id)) = id.clone().split_once('/') {
            (thing, id) = (typed_thing.to_lowercase(), typed_id.to_owned());
        }
        if !id.is_empty() && id.parse::<Id>().is_err() {
            faults.push(("id", words::NO_ID));
        }
        let filter = Self {
            changes: take("changes") == "yes",
            from,
            kind: take("kind"),
            late: take("late") == "yes",
            person: take("person").to_lowercase(),
            role: take("role"),
            stream: Stream::new(&thing, &id).ok().filter(|_| Thing::parse(&thing).is_some()),
            id,
            thing,
            to,
        };
        (filter, faults)
    }

    /// True where an entry is wanted.
    fn fits(&self, header: &Header) -> bool {
        let kind = header.kind.as_str();
        (self.kind.is_empty() || kind == self.kind)
            && (self.thing.is_empty() || header.stream.thing() == self.thing)
            && (self.id.is_empty() || header.stream.id().as_str() == self.id)
            && (self.person.is_empty() || is_by(&header.by, &self.person))
            && (self.role.is_empty() || role_of(&header.by) == self.role)
            && (!self.changes || CHANGES.contains(&kind))
            && (!self.late || header.occurred.is_some_and(|occurred| occurred < header.at))
            && self.from.is_none_or(|from| header.at >= from)
            && self.to.is_none_or(|to| header.at <= to)
    }

    /// In words, for page, paper and CSV.
    fn words(&self, zone: chrono_tz::Tz) -> Vec<String> {
        let mut said = Vec::new();
        let mut say = |what: &str, value: &str| {
            if !value.is_empty() {
                said.push(format!("{what} {value}"));
            }
        };
        say("person", &self.person);
        say("role", &role_title(&self.role));
        say("record", &if self.thing.is_empty() { String::new() } else { words::thing(&self.thing) });
        say("ID", &self.id);
        say("kind", &self.kind);
        for (what, time) in [("from", self.from), ("to", self.to)] {
            if let Some(time) = time {
                let when = words::when(time, zone);
                say(what, &format!("{} ({} UTC)", when.local, when.utc));
            }
        }
        if self.changes {
            said.push("only what changes or takes back".to_owned());
        }
        if self.late {
            said.push("only what was recorded later than it happened".to_owned());
        }
        said
    }
}

/// A day alone begins where `from` is meant.
fn first_moment(text: &str, zone: chrono_tz::Tz) -> Option<Time> {
    let text = if is_day(text) { format!("{text} 00:00") } else { text.to_owned() };
    words::moment(&text, zone)?.parse().ok()
}

/// What is typed to the minute or the second means all of it.
fn last_moment(text: &str, zone: chrono_tz::Tz) -> Option<Time> {
    let time: Time = words::moment(text, zone)?.parse().ok()?;
    let rest = match text.trim().len() {
        16 => 59_999_999,
        // As records have it: to the microsecond.
        27 => 0,
        _ => 999_999,
    };
    Some(time.plus_micros(rest))
}

fn is_day(text: &str) -> bool {
    text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-')
}

/// True where that account did it, or somebody with that in their name.
fn is_by(by: &By, person: &str) -> bool {
    match by {
        By::Person(one) => one.account.as_str().to_lowercase() == person || one.name.to_lowercase().contains(person),
        By::Machine(_) | By::System(_) => false,
    }
}

fn role_of(by: &By) -> &'static str {
    match by {
        By::Person(person) => person.role.as_str(),
        By::Machine(_) => "machine",
        By::System(_) => "software",
    }
}

fn role_title(role: &str) -> String {
    let titled = Role::ALL.iter().find(|one| one.as_str() == role).map(|one| one.title());
    titled.unwrap_or(role).to_owned()
}

/// An entry that was found: its header and its exact bytes.
struct Hit {
    bytes: Vec<u8>,
    header: Header,
}

/// What was found, and how far one has looked.
#[derive(Default)]
struct Walk {
    hits: Vec<Hit>,
    /// The newest and the oldest entry that was looked at.
    looked: Option<(u64, u64)>,
    /// Where to go on: before that n, or that rev of the one record.
    next: Option<u64>,
    /// Older steps of the clock were not looked for.
    steps_unknown: bool,
}

/// How much one walk may do.
#[derive(Clone, Copy)]
struct Bound {
    entries: u64,
    rows: usize,
}

/// Looks through the entries, the last first.
///
/// Errors: the book cannot be read.
fn walk(book: &Book, filter: &Filter, before: Option<u64>, bound: Bound) -> Result<Walk, ReadError> {
    match &filter.stream {
        Some(stream) => walk_stream(book, stream, filter, before, bound),
        None => walk_book(book, filter, before, bound),
    }
}

fn read(bytes: &[u8]) -> Result<Header, ReadError> {
    Header::read(bytes).map(|(header, _)| header).map_err(|error| ReadError::Damaged(error.to_string()))
}

fn walk_stream(
    book: &Book,
    stream: &Stream,
    filter: &Filter,
    before: Option<u64>,
    bound: Bound,
) -> Result<Walk, ReadError> {
    let mut walk = Walk::default();
    let (mut at, mut left) = (before, bound.entries);
    while left > 0 {
        let limit = CHUNK.min(left);
        let part = book.stream_page(stream, at, usize::try_from(limit).unwrap_or(usize::MAX))?;
        if part.is_empty() {
            return Ok(walk);
        }
        for bytes in part {
            let header = read(&bytes)?;
            at = Some(header.rev);
            let newest = walk.looked.map_or(header.n, |(newest, _)| newest);
            walk.looked = Some((newest, header.n));
            left = left.saturating_sub(1);
            if filter.fits(&header) {
                walk.hits.push(Hit { bytes, header });
            }
            if walk.hits.len() >= bound.rows {
                left = 0;
                break;
            }
        }
    }
    walk.next = at.filter(|rev| *rev > 1);
    Ok(walk)
}

fn walk_book(book: &Book, filter: &Filter, before: Option<u64>, bound: Bound) -> Result<Walk, ReadError> {
    let size = book.head()?.n.saturating_add(1);
    let end = before.map_or(size, |before| before.min(size));
    let mut walk = Walk::default();
    let mut spans = vec![(0, end)];
    if filter.from.is_some() || filter.to.is_some() {
        let (pieces, unknown) = pieces(book, end)?;
        walk.steps_unknown = unknown;
        spans = span(&pieces, filter, &mut |n| at(book, n))?;
    }
    let mut left = bound.entries;
    for (start, end) in spans.into_iter().rev() {
        let mut at = end;
        while at > start {
            if left == 0 || walk.hits.len() >= bound.rows {
                walk.next = Some(at);
                return Ok(walk);
            }
            let from = start.max(at.saturating_sub(CHUNK.min(left)));
            let part = book.entries(from, at - 1)?;
            if part.is_empty() {
                return Err(ReadError::Damaged(format!("the entries before entry {at} are missing")));
            }
            for bytes in part.into_iter().rev() {
                let header = read(&bytes)?;
                // Always further back, whatever the bytes say.
                at = header.n.min(at - 1);
                left = left.saturating_sub(1);
                let newest = walk.looked.map_or(header.n, |(newest, _)| newest);
                walk.looked = Some((newest, header.n));
                if filter.fits(&header) {
                    walk.hits.push(Hit { bytes, header });
                }
                if walk.hits.len() >= bound.rows {
                    break;
                }
            }
        }
    }
    Ok(walk)
}

fn at(book: &Book, n: u64) -> Result<Time, ReadError> {
    let bytes = book.entry(n)?.ok_or_else(|| ReadError::Damaged(format!("entry {n} is missing")))?;
    Ok(read(&bytes)?.at)
}

/// The parts of the book before `end` in which time does not go back, and whether older steps of the clock are unknown.
///
/// Rule: `FORMAT.md` section 1: `at` falls at a `clock.stepped` entry and nowhere else.
fn pieces(book: &Book, end: u64) -> Result<(Vec<(u64, u64)>, bool), ReadError> {
    let stream = Stream::book();
    let mut steps = Vec::new();
    let (mut before, mut looked) = (None, 0);
    while looked < STEPS_LOOKED {
        let part = book.stream_page(&stream, before, usize::try_from(CHUNK).unwrap_or(usize::MAX))?;
        if part.is_empty() {
            break;
        }
        looked += part.len();
        for bytes in &part {
            let header = read(bytes)?;
            before = Some(header.rev);
            if header.kind == "clock.stepped" && header.n < end {
                steps.push(header.n);
            }
        }
    }
    steps.reverse();
    let mut pieces = Vec::new();
    let mut start = 0;
    for step in steps.into_iter().chain([end]) {
        if step > start {
            pieces.push((start, step));
        }
        start = step;
    }
    Ok((pieces, looked >= STEPS_LOOKED))
}

/// The parts of these pieces that lie in the wanted time, by bisection of each.
fn span(
    pieces: &[(u64, u64)],
    filter: &Filter,
    at: &mut dyn FnMut(u64) -> Result<Time, ReadError>,
) -> Result<Vec<(u64, u64)>, ReadError> {
    let mut spans = Vec::new();
    for (start, end) in pieces {
        let from = match filter.from {
            Some(from) => first(*start, *end, &mut |n| Ok(at(n)? >= from))?,
            None => *start,
        };
        let to = match filter.to {
            Some(to) => first(from, *end, &mut |n| Ok(at(n)? > to))?,
            None => *end,
        };
        if to > from {
            spans.push((from, to));
        }
    }
    Ok(spans)
}

/// The first n from `start` before `end` that is so; `end` where none is. What is so stays so.
fn first(start: u64, end: u64, is_so: &mut dyn FnMut(u64) -> Result<bool, ReadError>) -> Result<u64, ReadError> {
    let (mut low, mut high) = (start, end);
    while low < high {
        let middle = low + (high - low) / 2;
        if is_so(middle)? {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Ok(low)
}

/// What an entry says was so before, and is so from now on.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Change {
    /// Empty where the entry itself does not say it.
    pub(super) old: String,
    pub(super) new: String,
}

/// What an entry changed, where it is one that changes. Where it only says what is so now, what was so before is read from
/// an earlier entry of the same record.
pub(super) fn change(header: &Header, bytes: &[u8], desk: &Desk) -> Option<Change> {
    if !CHANGES.contains(&header.kind.as_str()) {
        return None;
    }
    let body = body_of(bytes)?;
    let change = match header.kind.as_str() {
        "count.disposition_corrected" => {
            let old = body["superseded"].as_array()?.iter().map(|one| disposed(one, &one["ordinal"]));
            Change { old: old.collect::<Vec<_>>().join("; "), new: disposed(&body, &body["first"]) }
        }
        "clock.stepped" => Change { old: said_moment(&body["from"], desk), new: said_moment(&body["to"], desk) },
        "order.quantity_withdrawn" => {
            let same = |earlier: &Value| earlier["quantity"] == body["quantity"] && earlier["source"].is_object();
            Change { old: earlier(header, desk, &same, None), new: "withdrawn".to_owned() }
        }
        kind => {
            let field = match kind {
                "account.roles_changed" => Some("roles"),
                "deviation.due_extended" => Some("due"),
                "line.devices_changed" => Some("devices"),
                _ => None,
            };
            let old = field.map(|field| earlier(header, desk, &|earlier| !earlier[field].is_null(), Some(field)));
            Change { old: old.unwrap_or_default(), new: said(&only(&body, field), desk) }
        }
    };
    Some(Change { old: cut(change.old), new: cut(change.new) })
}

fn body_of(bytes: &[u8]) -> Option<Value> {
    let (_, body) = Header::read(bytes).ok()?;
    serde_json::from_str(body.get()).ok()
}

/// A body with nothing but that field, where one is given.
fn only(body: &Value, field: Option<&str>) -> Value {
    match field {
        Some(field) => serde_json::json!({ field: body[field] }),
        None => body.clone(),
    }
}

/// What the last earlier entry of that record says which is so; empty where none is near.
fn earlier(header: &Header, desk: &Desk, is_so: &dyn Fn(&Value) -> bool, field: Option<&str>) -> String {
    let near = desk.book().stream_page(&header.stream, Some(header.rev), EARLIER_LOOKED).unwrap_or_default();
    let found = near.iter().filter_map(|bytes| body_of(bytes)).find(|body| is_so(body));
    found.map(|body| said(&only(&body, field), desk)).unwrap_or_default()
}

/// A moment of an entry, in the plant's time and as the entry has it: a page shows the one, a file for others the other.
fn said_moment(at: &Value, desk: &Desk) -> String {
    let text = at.as_str().unwrap_or_default();
    match text.parse::<Time>() {
        Ok(at) => format!("{} ({text})", words::when(at, desk.zone()).local),
        Err(_) => text.to_owned(),
    }
}

/// The roles of an account, each with its training and its end.
fn granted(roles: &Value, desk: &Desk) -> Option<String> {
    let grants: Vec<Grant> = serde_json::from_value(roles.clone()).ok()?;
    let said = grants.iter().map(|grant| {
        let end = grant.until.map(|until| format!(" until {}", words::when(until, desk.zone()).local));
        format!("{}{} on {}", grant.role.title(), end.unwrap_or_default(), grant.training)
    });
    Some(said.collect::<Vec<_>>().join("; "))
}

/// A body in one line of words.
fn said(body: &Value, desk: &Desk) -> String {
    if let Some(roles) = body.get("roles").filter(|_| body.as_object().is_some_and(|fields| fields.len() == 1))
        && let Some(said) = granted(roles, desk)
    {
        return said;
    }
    let mut said: Vec<(String, String)> = Vec::new();
    for line in thing::lines_of(body, desk).into_iter().filter(|line| !line.text.is_empty()) {
        match said.last_mut() {
            Some((label, text)) if *label == line.label => text.push_str(&format!(", {}", line.text)),
            _ => said.push((line.label, line.text)),
        }
    }
    said.iter().map(|(label, text)| format!("{} {text}", label.to_lowercase())).collect::<Vec<_>>().join("; ")
}

/// What was said to be done about a fault.
fn disposed(value: &Value, first: &Value) -> String {
    let at = match value["last"] == *first {
        true => format!("at {first}"),
        false => format!("at {first} to {}", value["last"]),
    };
    let mut said = vec![at, words::word(value["disposition"].as_str().unwrap_or_default())];
    said.extend(value["fate"].as_str().map(|fate| format!("to {}", words::word(fate))));
    said.extend(value["labels"].as_u64().map(|labels| format!("{} labels", words::number(labels))));
    said.join(", ")
}

fn cut(text: String) -> String {
    match text.char_indices().nth(CHANGE_MAX) {
        Some((at, _)) => format!("{}…", text.get(..at).unwrap_or_default()),
        None => text,
    }
}

/// One entry in a row.
struct Row {
    /// Empty where no person did it.
    account: String,
    change: Option<Change>,
    code: String,
    device: String,
    href: String,
    kind: String,
    /// When it happened, and how much later it was recorded, for a late one.
    late: Option<(words::When, String)>,
    n: u64,
    id: String,
    role: String,
    thing: String,
    when: words::When,
    who: String,
    why: Option<String>,
}

impl Row {
    fn of(hit: &Hit, desk: &Desk) -> Self {
        let header = &hit.header;
        let (who, device) = match &header.by {
            By::Person(person) => (person.name.clone(), person.device.to_string()),
            By::Machine(machine) => ("machine".to_owned(), machine.station.to_string()),
            By::System(system) => (format!("software, {}", system.system), String::new()),
        };
        let role = match &header.by {
            By::Person(person) => person.role.title().to_owned(),
            By::Machine(_) | By::System(_) => String::new(),
        };
        let late = header.occurred.filter(|occurred| *occurred < header.at);
        Self {
            account: header.by.account().map(ToString::to_string).unwrap_or_default(),
            change: change(header, &hit.bytes, desk),
            code: header.kind.clone(),
            device,
            href: href(&header.stream),
            kind: words::kind(&header.kind),
            late: late.map(|occurred| (words::when(occurred, desk.zone()), words::later(occurred, header.at))),
            n: header.n,
            id: header.stream.id().to_string(),
            role,
            thing: words::capital(&words::thing(header.stream.thing())),
            when: words::when(header.at, desk.zone()),
            who,
            why: header.why.clone(),
        }
    }
}

/// A choice of a list: value, words, chosen.
struct Choice {
    chosen: bool,
    value: String,
    words: String,
}

fn choice(value: &str, words: impl Into<String>, chosen: &str) -> Choice {
    Choice { chosen: value == chosen, value: value.to_owned(), words: words.into() }
}

/// Every kind once, by what it is about.
fn kinds(chosen: &str) -> Vec<(String, Vec<Choice>)> {
    let mut groups: BTreeMap<String, Vec<Choice>> = BTreeMap::new();
    for kind in KINDS {
        let subject = kind.name.split('.').next().unwrap_or_default();
        let group = groups.entry(words::capital(&words::thing(subject))).or_default();
        if group.iter().all(|one| one.value != kind.name) {
            group.push(choice(kind.name, words::kind(kind.name), chosen));
        }
    }
    groups.into_iter().collect()
}

#[derive(Template)]
#[template(path = "trail.html")]
struct TrailPage {
    csv: String,
    /// Fields that make no sense, with why.
    faults: Vec<(&'static str, &'static str)>,
    filter: Filter,
    filters: Vec<String>,
    frame: Frame,
    kinds: Vec<(String, Vec<Choice>)>,
    looked: Option<(String, String)>,
    /// The query of what follows.
    next: Option<String>,
    roles: Vec<Choice>,
    rows: Vec<Row>,
    sizes: Vec<Choice>,
    steps_unknown: bool,
    things: Vec<Choice>,
    total: String,
    typed: Typed,
    /// The query without where it went on: back to the newest.
    whole: Option<String>,
}

impl TrailPage {
    fn text(&self, name: &str) -> &str {
        self.typed.get(name).map_or("", String::as_str)
    }

    fn fault(&self, name: &str) -> Option<&'static str> {
        self.faults.iter().find(|(one, _)| *one == name).map(|(_, fault)| *fault)
    }
}

/// The query of the filters that say something, with one more field.
fn query(typed: &Typed, more: &[(&str, &str)]) -> String {
    let own = typed.iter().filter(|(name, text)| !text.trim().is_empty() && *name != "before");
    let own = own.map(|(name, text)| (name.as_str(), text.as_str()));
    serde_urlencoded::to_string(own.chain(more.iter().copied()).collect::<Vec<_>>()).unwrap_or_default()
}

/// An ID alone that one record has: that record, so that it is found through the index.
fn resolve(desk: &Desk, mut filter: Filter) -> Result<Filter, PageError> {
    if filter.stream.is_none()
        && filter.thing.is_empty()
        && let Ok(id) = filter.id.parse::<Id>()
        && let [one] = shown::streams_of(desk, &id)?.as_slice()
    {
        filter.thing = one.thing().to_owned();
        filter.stream = Some(one.clone());
    }
    Ok(filter)
}

async fn looked(desk: &Data<Desk>, filter: &Filter, before: Option<u64>, bound: Bound) -> Result<Walk, PageError> {
    let (desk, filter) = (desk.clone(), filter.clone());
    // Thousands of entries: the web's two threads have others to answer.
    let walked = tokio::task::spawn_blocking(move || walk(desk.book(), &filter, before, bound)).await;
    Ok(walked.map_err(|error| DeskError::Internal(error.to_string()))??)
}

pub(super) async fn trail(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query_of: Query<Typed>,
) -> Result<HttpResponse, PageError> {
    let typed = query_of.into_inner();
    let (filter, faults) = Filter::of(&typed, desk.zone());
    let filter = resolve(&desk, filter)?;
    desk.may_read_entries(&seat, filter.stream.as_ref()).await?;
    let before = typed.get("before").and_then(|before| before.parse().ok());
    let rows = typed.get("rows").and_then(|rows| rows.parse().ok()).filter(|rows| ROWS.contains(rows)).unwrap_or(100);
    let walk = match faults.is_empty() {
        true => looked(&desk, &filter, before, Bound { entries: WINDOW, rows }).await?,
        false => Walk::default(),
    };
    let thing_choices = Thing::ALL
        .iter()
        .map(|thing| choice(thing.as_str(), words::capital(&words::thing(thing.as_str())), &filter.thing));
    let role_choices = Role::ALL.iter().map(|role| choice(role.as_str(), words::capital(role.title()), &filter.role));
    let others = [choice("machine", "Machine", &filter.role), choice("software", "Software", &filter.role)];
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let page = TrailPage {
        csv: query(&typed, &[]),
        faults,
        filters: filter.words(desk.zone()),
        frame: Frame::new(&desk, Some(&seat), "trail", "Audit trail"),
        kinds: kinds(&filter.kind),
        looked: walk.looked.map(|(newest, oldest)| (words::number(newest), words::number(oldest))),
        next: walk.next.map(|next| query(&typed, &[("before", &next.to_string())])),
        roles: role_choices.chain(others).collect(),
        rows: walk.hits.iter().map(|hit| Row::of(hit, &desk)).collect(),
        sizes: ROWS
            .iter()
            .map(|size| choice(&size.to_string(), words::number(*size as u64), &rows.to_string()))
            .collect(),
        steps_unknown: walk.steps_unknown,
        things: thing_choices.collect(),
        total: words::number(desk.book().head()?.n.saturating_add(1)),
        whole: before.map(|_| query(&typed, &[])),
        filter,
        typed,
    };
    page_as(status, &page)
}

/// What the filter finds, as far as it was looked for; the last line says how far.
pub(super) async fn csv(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query_of: Query<Typed>,
) -> Result<HttpResponse, PageError> {
    let typed = query_of.into_inner();
    let (filter, faults) = Filter::of(&typed, desk.zone());
    if let Some((name, fault)) = faults.first() {
        return Err(DeskError::Invalid(format!("{name}: {fault}")).into());
    }
    let filter = resolve(&desk, filter)?;
    desk.may_read_entries(&seat, filter.stream.as_ref()).await?;
    let before = typed.get("before").and_then(|before| before.parse().ok());
    let walk = looked(&desk, &filter, before, Bound { entries: CSV_WINDOW, rows: CSV_ROWS }).await?;
    let zone = desk.zone();
    let (mut out, walk) = beside(move || Ok((csv_rows(&walk, &desk), walk))).await?;
    let filters = filter.words(zone);
    let filters = if filters.is_empty() { "no filter".to_owned() } else { filters.join("; ") };
    let looked = match (walk.looked, walk.next) {
        (None, _) => "There was nothing to look through.".to_owned(),
        (Some((newest, oldest)), None) => format!("Looked through entries {newest} to {oldest}: all there are."),
        (Some((newest, oldest)), Some(_)) => {
            format!("NOT ALL: looked through entries {newest} to {oldest}; older ones were not looked at.")
        }
    };
    let by = format!("Taken by {} ({}), {}.", seat.name, seat.account, crate::clock::now());
    csv::row(&mut out, [format!("{looked} Filters: {filters}. {by}").as_str()].into_iter());
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8; header=present"))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"trail.csv\""))
        .body(out))
}

/// The head of the file, and a line for each entry that was found.
fn csv_rows(walk: &Walk, desk: &Desk) -> String {
    let mut out =
        String::from("entry,at_utc,at_plant,who,account,role,device,kind,record,reason,happened_utc,old,new\r\n");
    for hit in &walk.hits {
        let row = Row::of(hit, desk);
        let change = row.change.unwrap_or_default();
        let cells = [
            row.n.to_string(),
            row.when.utc,
            row.when.local,
            row.who,
            row.account,
            row.role,
            row.device,
            row.code,
            hit.header.stream.to_string(),
            row.why.unwrap_or_default(),
            row.late.map(|(when, _)| when.utc).unwrap_or_default(),
            change.old,
            change.new,
        ];
        csv::row(&mut out, cells.iter().map(String::as_str));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(pairs: &[(&str, &str)]) -> Typed {
        pairs.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect()
    }

    fn header(by: &str, kind: &str, stream: &str, at: &str, occurred: Option<&str>) -> Header {
        let person =
            format!(r#"{{"account":"{by}","device":"D-1","name":"Ludo Marsh","role":"label_room","session":"S-1"}}"#);
        let occurred = occurred.map(|time| format!(r#""occurred":"{time}","#)).unwrap_or_default();
        let zeros = "0".repeat(64);
        let text = format!(
            r#"{{"at":"{at}","body":{{}},"book":"a.example/b","by":{person},"kind":"{kind}","n":7,{occurred}"prev":"{zeros}","rev":3,"stream":"{stream}","v":1}}"#
        );
        Header::read(text.as_bytes()).unwrap().0
    }

    const AT: &str = "2026-11-26T13:30:00.500000Z";

    #[test]
    fn each_filter_keeps_what_it_names_and_nothing_else() {
        let zone = chrono_tz::Europe::Prague;
        let one = header("U-0004", "count.aborted", "count/C-1", AT, Some("2026-11-26T13:00:00.000000Z"));
        let cases: &[(&[(&str, &str)], bool)] = &[
            (&[], true),
            (&[("person", "u-0004")], true),
            (&[("person", "marsh")], true),
            (&[("person", "U-0005")], false),
            (&[("role", "label_room")], true),
            (&[("role", "machine")], false),
            (&[("thing", "count")], true),
            (&[("thing", "roll")], false),
            (&[("thing", "count"), ("id", "c-1")], true),
            (&[("id", "count/C-2")], false),
            (&[("kind", "count.aborted")], true),
            (&[("kind", "count.opened")], false),
            (&[("changes", "yes")], true),
            (&[("late", "yes")], true),
            // Prague is an hour ahead of UTC in November. What is typed to the minute means all of it.
            (&[("from", "2026-11-26 14:30")], true),
            (&[("from", "2026-11-26 14:31")], false),
            (&[("to", "2026-11-26 14:30")], true),
            (&[("to", "2026-11-26 14:29")], false),
            (&[("from", "2026-11-26"), ("to", "2026-11-26")], true),
            (&[("to", "2026-11-25")], false),
        ];
        for (asked, wanted) in cases {
            let (filter, faults) = Filter::of(&typed(asked), zone);
            assert_eq!(faults, [], "{asked:?}");
            assert_eq!(filter.fits(&one), *wanted, "{asked:?}");
        }
        let plain = header("U-0004", "count.opened", "count/C-1", AT, Some(AT));
        for asked in [[("changes", "yes")], [("late", "yes")]] {
            assert!(!Filter::of(&typed(&asked), zone).0.fits(&plain), "{asked:?}");
        }
    }

    #[test]
    fn what_makes_no_sense_is_said_at_its_field() {
        let asked = typed(&[("from", "yesterday"), ("id", "no id!")]);
        let (_, faults) = Filter::of(&asked, chrono_tz::UTC);
        assert_eq!(faults, [("from", words::NO_MOMENT), ("id", words::NO_ID)]);
    }

    #[test]
    fn a_time_is_found_in_each_piece_between_two_steps_of_the_clock() {
        // Seconds; at n 4 the clock was set back.
        let times = [10, 20, 20, 40, 15, 20, 30];
        let mut at = |n: u64| Ok(Time::from_micros(times[n as usize] * 1_000_000).unwrap());
        let pieces = [(0, 4), (4, 7)];
        let second = |seconds: i64| Time::from_micros(seconds * 1_000_000);
        for (from, to, wanted) in [
            (Some(20), Some(20), vec![(1, 3), (5, 6)]),
            (Some(16), None, vec![(1, 4), (5, 7)]),
            (None, Some(15), vec![(0, 1), (4, 5)]),
            (Some(41), None, vec![]),
            (None, Some(9), vec![]),
        ] {
            let filter = Filter { from: from.and_then(second), to: to.and_then(second), ..Filter::default() };
            assert_eq!(span(&pieces, &filter, &mut at).unwrap(), wanted, "{from:?} {to:?}");
        }
    }

    #[test]
    fn every_kind_that_changes_is_known_and_none_that_says_so_is_left_out() {
        for kind in CHANGES {
            assert!(KINDS.iter().any(|known| known.name == *kind), "{kind}");
        }
        let verbs =
            ["withdrawn", "corrected", "changed", "voided", "reopened", "retired", "obsoleted", "extended", "aborted"];
        for kind in KINDS {
            let changes = verbs.iter().any(|verb| kind.name.ends_with(verb)) && kind.name != "account.password_changed";
            assert!(!changes || CHANGES.contains(&kind.name), "{}", kind.name);
        }
    }

    #[test]
    fn a_cell_is_quoted_where_it_must_be_and_no_formula_runs() {
        let mut out = String::new();
        csv::row(&mut out, ["a", "b,\"c\"", "=1+1", "-"].into_iter());
        assert_eq!(out, "a,\"b,\"\"c\"\"\",\"'=1+1\",\"'-\"\r\n");
    }

    #[test]
    fn a_long_value_is_cut_between_two_characters() {
        assert_eq!(cut("é".repeat(CHANGE_MAX)), "é".repeat(CHANGE_MAX));
        assert_eq!(cut("é".repeat(CHANGE_MAX + 1)), format!("{}…", "é".repeat(CHANGE_MAX)));
    }
}
