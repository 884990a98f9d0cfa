//! The page of any thing: what it is, what was signed, what happened, what may be done. Things with much to show have
//! pages of their own besides.

use std::collections::BTreeSet;

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use serde::Deserialize;
use serde_json::Value;
use tallyseal_control::{AUTHORITY, Key, Record, Standing, State};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::Grant;
use tallyseal_schema::{By, Entry, Time};

use super::act::named;
use super::entry::compromised_from;
use super::sieve::{self, Asked, Sieve, asked, link};
use super::visitor::Visitor;
use super::words::Told;
use super::{Frame, PageError, beside, deviations, form, href, page, see_other, shown, words};
use crate::api;
use crate::clock;
use crate::counted::Counted;
use crate::desk::{Desk, Seat};
use crate::error::DeskError;

/// Entries that a history shows, the latest ones: a station has more in a year than a page can hold.
pub(super) const HISTORY: usize = 200;
/// Signatures that a page shows, the latest ones.
const SIGNATURES: usize = 30;
/// Versions that stand side by side at most, the latest ones.
const VERSIONS_MAX: usize = 6;

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
    /// From which entry on its key is marked as compromised, where it does not stand for that.
    pub(super) compromised: Option<String>,
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
    pub(super) hint: String,
    pub(super) href: String,
    pub(super) label: String,
}

/// Only those acts that may be meant as the thing stands now; what the rules would refuse is not offered.
pub(super) fn keep(mut offers: Vec<Offer>, meant: impl Fn(&str) -> bool) -> Vec<Offer> {
    offers.retain(|offer| {
        let name = offer.href.strip_prefix("/acts/").and_then(|rest| rest.split('?').next());
        name.is_some_and(&meant)
    });
    offers
}

impl Offer {
    /// A link to an act's form with some of its fields filled in.
    pub(super) fn of(command: &str, fields: &[(&str, &str)]) -> Self {
        let query = serde_urlencoded::to_string(fields).unwrap_or_default();
        Self { hint: form::summary(command), href: format!("/acts/{command}?{query}"), label: words::act(command) }
    }
}

#[derive(Template)]
#[template(path = "thing.html")]
struct ThingPage {
    /// What it is, beside its name.
    about: String,
    /// Everything, under its name in the record.
    all: Vec<Line>,
    frame: Frame,
    history: Vec<Happened>,
    /// What people want to know of it.
    lines: Vec<Line>,
    offers: Vec<Offer>,
    signatures: Vec<Signed>,
    told: Told,
    stream: String,
    versions: Option<Versions>,
}

/// The versions of one thing, side by side.
struct Versions {
    /// Each version: its name, its page, whether it is this one.
    heads: Vec<(String, String, bool)>,
    /// What they say: label, one text for each version, whether they differ.
    rows: Vec<(String, Vec<String>, bool)>,
}

#[derive(Template)]
#[template(path = "list.html")]
struct ListPage {
    csv: String,
    first: Option<String>,
    filtered: bool,
    frame: Frame,
    id: String,
    next: Option<String>,
    /// What may be begun here.
    offers: Vec<Offer>,
    path: String,
    state: String,
    /// The states that this page shows, for the filter.
    states: BTreeSet<String>,
    things: Vec<Listed>,
}

/// A thing in a list.
struct Listed {
    about: String,
    href: String,
    id: String,
    told: Told,
}

#[derive(Deserialize)]
pub(super) struct Shown {
    /// The entry that an act just made.
    pub(super) done: Option<u64>,
}

/// What was just recorded, in a sentence. Only of what was done in the session of whoever looks: an address with any other
/// number in it says nothing, neither that it was just now nor what it was.
pub(super) fn done(desk: &Desk, seat: &Seat, shown: &Shown) -> Option<String> {
    let n = shown.done?;
    let entry = Entry::read(&desk.book().entry(n).ok()??).ok()?;
    let own = matches!(&entry.header.by, By::Person(person) if person.session == seat.session);
    if !own {
        return None;
    }
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
    let missing = || DeskError::NotFound(named(&stream));
    let (_, record) = desk.book().record(&stream)?.ok_or_else(missing)?;
    let mut frame = Frame::new(&desk, Some(&seat), "things", words::capital(&named(&stream)));
    frame.done = done(&desk, &seat, &query);
    let page_of = ThingPage {
        about: about(&desk, &counted, &record)?,
        all: lines(&state["state"], true, &desk),
        history: history(&desk, &counted, &stream)?,
        lines: told_lines(&record, &state["state"], &desk),
        offers: offers(&frame, &stream, state["rev"].as_u64().unwrap_or(0)),
        signatures: signatures(&desk, &stream)?,
        stream: stream.to_string(),
        told: told(&record, clock::now()),
        versions: versions(&desk, &counted, &stream, &record)?,
        frame,
    };
    page(&page_of)
}

/// How a thing stands, in a word with its mark.
fn told(record: &Record, now: Time) -> Told {
    match &record.state {
        State::Account(state) if state.disabled => Told::new("grave", "disabled"),
        State::Account(state) if state.is_locked(now) => Told::new("hold", "locked"),
        State::Account(state) if state.must_change_password => Told::new("hold", "has a one-time password"),
        State::Account(state) if state.keys.iter().any(|key| key.confirmed && !key.retired) => {
            Told::new("good", "in use")
        }
        State::Account(_) => Told::new("hold", "signing key not confirmed"),
        State::Station(state) if state.failed => Told::new("grave", "failed, locked"),
        State::Station(state) if state.qualified_until.is_none_or(|until| until < now) => {
            Told::new("hold", "not qualified")
        }
        State::Station(state) if state.challenge_due.is_some() => Told::new("hold", "challenge due"),
        State::Station(state) if !state.link_up => Told::new("hold", "no link"),
        State::Station(_) => Told::new("good", "in service"),
        State::TestRoll(state) if state.withdrawn => Told::new("", "withdrawn"),
        State::TestRoll(state) if state.expires < now => Told::new("grave", "expired"),
        State::TestRoll(state) if state.accepted => Told::new("good", "in use"),
        State::TestRoll(_) => Told::new("hold", "certificate not accepted"),
        State::Supplier(state) if state.approved_for.is_empty() => Told::new("hold", "approved for nothing"),
        State::Supplier(_) => Told::new("good", "approved"),
        State::Line(state) if state.order.is_some() => Told::new("good", "runs an order"),
        State::Line(_) => Told::new("", "free"),
        State::Roll(state) => words::quality(state.quality),
        State::Delivery(state) => words::delivery_status(state.status),
        State::Count(state) => words::count_status(state.status),
        State::Clearance(state) if state.checked_at.is_some() => Told::new("good", "checked"),
        State::Clearance(_) => Told::new("hold", "to be checked"),
        _ => {
            let text = status(record);
            Told::new(words::mark_of(&text), text)
        }
    }
}

/// What a thing is, in a few words beside its name, without what is hidden now.
fn about(desk: &Desk, counted: &Counted, record: &Record) -> Result<String, PageError> {
    let id = |stream: &Stream| stream.id().to_string();
    Ok(match &record.state {
        State::Account(state) => {
            let title = |grant: &Grant| match grant.holds(clock::now()) {
                true => grant.role.title().to_owned(),
                false => format!("{} (ended)", grant.role.title()),
            };
            let roles: Vec<String> = state.roles.iter().map(title).collect();
            format!("{}, {}", state.name, roles.join(", "))
        }
        State::Supplier(state) => state.name.clone(),
        State::Item(state) => {
            let draft = &state.draft;
            let strength = draft.strength.as_deref().map(|one| format!(" {one}")).unwrap_or_default();
            format!("{} revision {}, {}{strength}, {}", draft.code, draft.revision, draft.product, draft.market)
        }
        State::Delivery(state) => format!("{}, supplier's lot {}", id(&state.item), state.supplier_lot),
        State::Roll(state) => format!("{}, {}", id(&state.item), words::custody(&state.custody)),
        State::Count(state) => {
            format!("{} at {}, {}", id(&state.roll), id(&state.station), words::purpose(state.purpose))
        }
        State::Station(state) => state.name.clone(),
        State::Plugin(state) => format!("{} {}", state.name, state.version),
        State::Deviation(state) => deviations::text_of(desk.book(), state, counted)?.chars().take(120).collect(),
        State::Line(state) => format!("{}, {}", state.name, state.place),
        State::Clearance(state) => format!("{} for {}", id(&state.line), id(&state.order)),
        State::LimitSet(state) => format!("for {}", state.draft.item_code),
        State::Order(state) => {
            let lots: Vec<&str> = state.plan.lots.iter().map(|lot| lot.lot.as_str()).collect();
            format!("{}, lot {}", state.plan.product, lots.join(", "))
        }
        State::Issue(state) => format!("to {}", id(&state.order)),
        State::HandCount(state) => format!("for {}", id(&state.order)),
        _ => String::new(),
    })
}

/// What people want to know of a thing, in order: what is empty, or a counter of the software, is left to the rest.
fn told_lines(record: &Record, state: &Value, desk: &Desk) -> Vec<Line> {
    let mut lines = lines(state, false, desk);
    let line = |label: &str, text: String| Line { depth: 0, label: label.to_owned(), link: None, text };
    if let State::Account(account) = &record.state {
        let keys = match account.keys.iter().find(|key| !key.retired) {
            Some(key) if key.confirmed => "confirmed: what this person signs is theirs",
            Some(_) => "not confirmed yet: a second account confirms who this person is",
            None => "none: the person sets a password first",
        };
        lines.push(line("Signing key", keys.to_owned()));
        let may = AUTHORITY.iter().filter(|row| row.is_given_by_name());
        let live = account.live_roles(clock::now());
        let may = may.filter(|row| row.roles.iter().any(|role| live.contains(role)));
        let acts: Vec<String> = may.map(|row| words::act(row.command)).collect();
        if !account.disabled && !acts.is_empty() {
            lines.push(line("May", acts.join(" \u{b7} ")));
        }
    }
    lines
}

/// The other versions of the same thing.
fn versions(desk: &Desk, counted: &Counted, stream: &Stream, record: &Record) -> Result<Option<Versions>, PageError> {
    let key = match &record.state {
        State::Item(state) => Key::new("item.code", &state.draft.code),
        State::Plugin(state) => Key::new("plugin.name", &state.name),
        State::LimitSet(state) => Key::new("limit_set.item_code", &state.draft.item_code),
        _ => return Ok(None),
    };
    let mut all = desk.book().set_page(&key, None, sieve::PAGE)?;
    if all.len() < 2 {
        return Ok(None);
    }
    let skipped = all.len().saturating_sub(VERSIONS_MAX);
    let all = all.split_off(skipped);
    let mut heads = Vec::new();
    let mut columns = Vec::new();
    for one in &all {
        heads.push((one.id().to_string(), href(one), one == stream));
        columns.push(lines(&api::shown(desk, counted, one)?["state"], false, desk));
    }
    Ok(Some(Versions { heads, rows: side_by_side(&columns) }))
}

/// One row for each label that any version has, in the order in which the versions have them.
fn side_by_side(columns: &[Vec<Line>]) -> Vec<(String, Vec<String>, bool)> {
    let mut labels: Vec<(usize, &str)> = Vec::new();
    for line in columns.iter().flatten() {
        if !line.text.is_empty() && !labels.contains(&(line.depth, line.label.as_str())) {
            labels.push((line.depth, &line.label));
        }
    }
    let text_in = |column: &[Line], depth: usize, label: &str| -> String {
        let lines = column.iter().filter(|line| line.depth == depth && line.label == label && !line.text.is_empty());
        lines.map(|line| line.text.as_str()).collect::<Vec<_>>().join(", ")
    };
    let row = |(depth, label): (usize, &str)| {
        let texts: Vec<String> = columns.iter().map(|column| text_in(column, depth, label)).collect();
        let differ = texts.iter().any(|text| Some(text) != texts.first());
        (label.to_owned(), texts, differ)
    };
    labels.into_iter().map(row).collect()
}

/// The signatures on a record, as people read them.
pub(super) fn signatures(desk: &Desk, stream: &Stream) -> Result<Vec<Signed>, PageError> {
    let Some((_, record)) = desk.book().record(stream)? else { return Ok(Vec::new()) };
    let skipped = record.facts.signatures.len().saturating_sub(SIGNATURES);
    let signed = |standing: &Standing| -> Result<Signed, PageError> {
        let compromised = compromised_from(desk, &standing.account, &standing.key, standing.n)?;
        Ok(Signed {
            compromised: compromised.map(words::number),
            meaning: standing.meaning.clone(),
            name: format!("{} ({})", standing.name, standing.account),
            role: standing.role.title(),
            void: standing.void,
            when: words::when(standing.at, desk.zone()),
        })
    };
    record.facts.signatures.iter().skip(skipped).map(signed).collect()
}

/// What happened to a thing, last first: who, when, what sort of entry and why. What entries say is for those who review;
/// nor is a reason told while it may say what to expect of a roll that runs.
pub(super) fn history(desk: &Desk, counted: &Counted, stream: &Stream) -> Result<Vec<Happened>, PageError> {
    let hidden = counted.says(desk.book(), stream)?;
    let mut history = Vec::new();
    for bytes in desk.book().stream_page(stream, None, HISTORY)? {
        let entry = Entry::read(&bytes).map_err(|error| DeskError::Internal(error.to_string()))?;
        history.push(Happened {
            by: words::by(&entry.header.by),
            kind: words::kind(&entry.header.kind),
            n: entry.header.n,
            when: words::when(entry.header.at, desk.zone()),
            why: entry.header.why.filter(|_| !hidden),
        });
    }
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

/// Fields that say something to the software alone, or that the page says elsewhere.
const NOISE: &[&str] = &[
    "bracket",
    "bytes",
    "changed_n",
    "counts_from",
    "counts_in_bracket",
    "digest",
    "doers",
    "emits",
    "failed_brackets",
    "files",
    "frozen",
    "keys",
    "opened_n",
    "plugin",
    "reported",
    "round_from",
    "runs",
    "sha256",
    "status",
    "total_first",
    "totals",
];
/// Fields whose "no" says something.
const SAID_NO: &[&str] = &["cleared", "foreign", "link_up", "seal_intact"];
/// A state as lines of label and text, inner things deeper. `all`: everything in it.
fn lines(state: &Value, all: bool, desk: &Desk) -> Vec<Line> {
    let mut lines = Vec::new();
    flatten(state, "", 0, all, &mut lines, desk);
    lines
}

/// A value as lines of label and text, inner things deeper, with everything that is in it.
pub(super) fn lines_of(value: &Value, desk: &Desk) -> Vec<Line> {
    lines(value, true, desk)
}

fn flatten(value: &Value, path: &str, depth: usize, all: bool, lines: &mut Vec<Line>, desk: &Desk) {
    let Some(fields) = value.as_object() else { return };
    let mut names: Vec<&String> = fields.keys().filter(|name| *name != "thing").collect();
    names.sort_by_key(|name| (!words::OWN.contains(&name.as_str()), words::order_of(name)));
    for name in names {
        let value = &fields[name];
        let silent = value == &Value::Bool(false) && !SAID_NO.contains(&name.as_str());
        if !all && (NOISE.contains(&name.as_str()) || silent || says_nothing(value)) {
            continue;
        }
        match words::OWN.contains(&name.as_str()) {
            true => flatten(value, path, depth, all, lines, desk),
            false => field(
                &format!("{path}.{name}"),
                &words::told_label(&format!("{path}.{name}"), name),
                value,
                depth,
                all,
                lines,
                desk,
            ),
        }
    }
}

/// True where a value has nothing in it.
fn says_nothing(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::String(text) => text.is_empty(),
        Value::Array(items) => items.is_empty(),
        Value::Object(fields) => fields.is_empty(),
        _ => false,
    }
}

fn field(path: &str, label: &str, value: &Value, depth: usize, all: bool, lines: &mut Vec<Line>, desk: &Desk) {
    let line = |text: String, link: Option<String>| Line { depth, label: label.to_owned(), link, text };
    match value {
        Value::Null => {}
        Value::Object(inner) if inner.len() == 2 && inner.contains_key("num") && inner.contains_key("den") => {
            lines.push(line(format!("{} / {}", inner["num"], inner["den"]), None));
        }
        Value::Object(inner) if inner.is_empty() => {}
        Value::Object(_) => {
            lines.push(line(String::new(), None));
            flatten(value, path, depth + 1, all, lines, desk);
        }
        Value::Array(items) if items.iter().all(|item| !item.is_object() && !item.is_array()) => {
            let texts: Vec<(String, Option<String>)> = items.iter().map(|item| text_of(path, item, desk)).collect();
            match texts.iter().any(|(_, link)| link.is_some()) {
                // Each leads somewhere.
                true => lines.extend(texts.into_iter().map(|(text, link)| line(text, link))),
                false => lines.push(line(texts.into_iter().map(|(text, _)| text).collect::<Vec<_>>().join(", "), None)),
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                field(path, &format!("{} {}", words::one_of(label), index + 1), item, depth, all, lines, desk);
            }
        }
        other => {
            let (text, link) = text_of(path, other, desk);
            lines.push(line(text, link));
        }
    }
}

fn text_of(path: &str, value: &Value, desk: &Desk) -> (String, Option<String>) {
    let name = path.rsplit('.').next().unwrap_or(path);
    match value {
        Value::Bool(true) => ("yes".to_owned(), None),
        Value::Bool(false) => ("no".to_owned(), None),
        Value::Number(number) => {
            (number.as_u64().map_or_else(|| number.to_string(), |number| words::with_unit(name, number)), None)
        }
        Value::String(text) => {
            if let Some(stream) = text.contains('/').then(|| text.parse::<Stream>().ok()).flatten() {
                return (named(&stream), Some(href(&stream)));
            }
            if let Ok(at) = text.parse::<Time>() {
                return (words::when(at, desk.zone()).local, None);
            }
            (words::record_word(text), None)
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

/// The things of a sort that pass the filters.
fn sieve_of<'a>(query: &'a Asked, thing: Thing) -> Sieve<'a> {
    let prefix = format!("{}/{}", thing.as_str(), asked(query, "id").to_uppercase());
    Sieve { after: asked(query, "after"), key: Key::new("thing", thing.as_str()), prefix }
}

fn listed(desk: &Desk, counted: &Counted, one: &sieve::Passed, now: Time) -> Result<Listed, PageError> {
    Ok(Listed {
        about: about(desk, counted, &one.record)?,
        href: href(&one.stream),
        id: one.stream.id().to_string(),
        told: told(&one.record, now),
    })
}

pub(super) async fn list(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    thing: Path<String>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let known = Thing::parse(&thing).ok_or_else(|| DeskError::NotFound(format!("list of {thing}")))?;
    let (now, state) = (clock::now(), asked(&query, "state"));
    let pass = |_: &Stream, record: &Record| state.is_empty() || told(record, now).text == state;
    let found = sieve_of(&query, known).page(&desk, sieve::PAGE, pass)?;
    let path = format!("/things/{}", known.as_str());
    let mut frame = Frame::new(&desk, Some(&seat), "things", words::capital(&words::several(known.as_str())));
    frame.done = done(&desk, &seat, &Shown { done: asked(&query, "done").parse().ok() });
    let begins = begins(known);
    let offers = AUTHORITY.iter().filter(|row| begins.contains(&row.command) && frame.is_any(row.roles));
    let offers = offers.map(|row| Offer::of(row.command, &[]));
    let counted = Counted::now(desk.book())?;
    let things = found.passed.iter().map(|one| listed(&desk, &counted, one, now));
    let things: Vec<Listed> = things.collect::<Result<_, _>>()?;
    page(&ListPage {
        csv: link(&format!("{path}.csv"), &query, &[("after", "")]),
        filtered: ["id", "state"].iter().any(|name| !asked(&query, name).is_empty()),
        first: (!asked(&query, "after").is_empty()).then(|| link(&path, &query, &[("after", "")])),
        id: asked(&query, "id").to_owned(),
        next: found.next.map(|after| link(&path, &query, &[("after", &after)])),
        offers: offers.collect(),
        state: state.to_owned(),
        states: things.iter().map(|one| one.told.text.clone()).filter(|text| !text.is_empty()).collect(),
        things,
        path,
        frame,
    })
}

pub(super) async fn list_csv(
    Visitor(_seat): Visitor,
    desk: Data<Desk>,
    thing: Path<String>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let known = Thing::parse(&thing).ok_or_else(|| DeskError::NotFound(format!("list of {thing}")))?;
    let (rows, more) = beside(move || {
        let (now, state) = (clock::now(), asked(&query, "state"));
        let pass = |_: &Stream, record: &Record| state.is_empty() || told(record, now).text == state;
        let found = Sieve { after: "", ..sieve_of(&query, known) }.file(&desk, pass)?;
        let counted = Counted::now(desk.book())?;
        let rows = found.passed.iter().map(|one| {
            let one = listed(&desk, &counted, one, now)?;
            Ok(vec![one.id, one.about, one.told.text])
        });
        let rows: Vec<Vec<String>> = rows.collect::<Result<_, PageError>>()?;
        Ok((rows, found.next.is_some()))
    })
    .await?;
    Ok(sieve::csv(known.as_str(), &[known.as_str(), "about", "state"], &rows, more))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_stand_side_by_side_and_what_differs_is_said() {
        let line =
            |label: &str, text: &str| Line { depth: 0, label: label.to_owned(), link: None, text: text.to_owned() };
        let old = vec![line("Revision", "02"), line("Market", "XX")];
        let new = vec![line("Revision", "03"), line("Market", "XX"), line("Strength", "50 mg")];
        let rows = side_by_side(&[old, new]);
        let row = |label: &str, one: &str, two: &str, differ| {
            (label.to_owned(), vec![one.to_owned(), two.to_owned()], differ)
        };
        assert_eq!(
            rows,
            [row("Revision", "02", "03", true), row("Market", "XX", "XX", false), row("Strength", "", "50 mg", true)]
        );
    }
}
