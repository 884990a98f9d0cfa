//! Everything that is not plain, in one list, gravest first; each with its trail and what may be done about it.

mod bytes;
pub(crate) mod gather;

pub(super) use bytes::bytes;
pub(crate) use tallyseal_report::{grade, told};

use std::collections::BTreeSet;

use actix_web::HttpResponse;
use actix_web::web::{Data, Query};
use askama::Template;
use serde::{Deserialize, Serialize};
use tallyseal_control::AUTHORITY;
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::Role;

use super::act::named;
use super::thing::{Shown, done};
use super::visitor::Visitor;
use super::{Frame, PageError, csv, href, page, words};
use crate::counted::Counted;
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use gather::{Gather, Row};
use grade::{Grade, Standing};

/// Exceptions on one page.
const PAGE: usize = 40;
/// Things named beside a hold that lies on many.
const ALSO: usize = 6;

/// What the list is asked for; every part is a field of the form above it.
#[derive(Debug, Clone, Default, Deserialize, Serialize)]
#[serde(default)]
pub(super) struct Asked {
    #[serde(skip_serializing_if = "Option::is_none")]
    before: Option<u64>,
    #[serde(skip_serializing_if = "String::is_empty")]
    delivery: String,
    #[serde(skip_serializing)]
    done: Option<u64>,
    #[serde(skip_serializing_if = "String::is_empty")]
    grade: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    order: String,
    #[serde(skip_serializing_if = "is_first")]
    page: usize,
    #[serde(skip_serializing_if = "String::is_empty")]
    person: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    roll: String,
    /// "all": what is settled or was seen too. Of one record that is the rule.
    #[serde(skip_serializing_if = "String::is_empty")]
    show: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    sort: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    station: String,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "as serde calls it")]
fn is_first(page: &usize) -> bool {
    *page == 0
}

impl Asked {
    /// The list with something asked otherwise.
    fn with(&self, change: impl FnOnce(&mut Self)) -> String {
        let mut asked = Self { page: 0, ..self.clone() };
        change(&mut asked);
        let query = serde_urlencoded::to_string(&asked).unwrap_or_default();
        if query.is_empty() { "/exceptions".to_owned() } else { format!("/exceptions?{query}") }
    }

    fn shows_all(&self) -> bool {
        match self.show.as_str() {
            "all" => true,
            "open" => false,
            _ => self.is_of_record(),
        }
    }

    fn is_of_record(&self) -> bool {
        [&self.order, &self.delivery, &self.roll].iter().any(|id| !id.trim().is_empty())
    }

    fn grade(&self) -> Option<Grade> {
        Grade::ALL.into_iter().find(|grade| grade.number().to_string() == self.grade)
    }

    fn is_filtered(&self) -> bool {
        self.is_of_record() || [&self.grade, &self.person, &self.station].iter().any(|text| !text.trim().is_empty())
    }
}

/// What is asked for, understood.
struct Filter {
    person: Option<AccountId>,
    /// The record of which everything is shown.
    record: Option<Stream>,
    touched: Vec<Stream>,
}

impl Filter {
    /// Errors: in a sentence, what there is not.
    fn of(desk: &Desk, asked: &Asked) -> Result<Result<Self, String>, PageError> {
        let mut touched = Vec::new();
        for (thing, id) in
            [("order", &asked.order), ("delivery", &asked.delivery), ("roll", &asked.roll), ("station", &asked.station)]
        {
            let id = id.trim().to_uppercase();
            if id.is_empty() {
                continue;
            }
            let stream = Stream::new(thing, &id).ok();
            match stream {
                Some(stream) if desk.book().record(&stream)?.is_some() => touched.push(stream),
                _ => return Ok(Err(format!("There is no {thing} {id} in this book."))),
            }
        }
        let person = asked.person.trim().to_uppercase();
        let person = match person.is_empty() {
            true => None,
            false => match person.parse::<AccountId>() {
                Ok(account) => Some(account),
                Err(_) => return Ok(Err(format!("{person} is no account."))),
            },
        };
        let record = touched.iter().find(|stream| stream.thing() != "station").cloned();
        Ok(Ok(Self { person, record, touched }))
    }

    fn keeps(&self, row: &Row) -> bool {
        self.touched.iter().all(|stream| row.touches.contains(stream))
            && self.person.as_ref().is_none_or(|account| gather::is_by(row, account))
    }
}

/// What may be done about an exception.
struct Do {
    href: String,
    label: String,
}

/// An exception as shown.
struct Shape {
    also: Vec<(String, String)>,
    also_more: usize,
    by: String,
    bytes: Option<String>,
    change: Option<(String, String)>,
    does: Vec<Do>,
    href: String,
    n: u64,
    named: String,
    occurred: Option<words::When>,
    seen: Option<(String, words::When)>,
    sentence: String,
    sort: &'static str,
    standing: Option<&'static str>,
    when: words::When,
    why: Option<String>,
}

/// The exceptions of one grade.
struct Part {
    class: &'static str,
    number: u8,
    rows: Vec<Shape>,
    title: &'static str,
}

/// How many of a grade there are, and the list of them alone.
struct Tally {
    class: &'static str,
    href: String,
    is_chosen: bool,
    number: String,
    title: &'static str,
}

#[derive(Template)]
#[template(path = "exceptions.html")]
struct ExceptionsPage {
    all: String,
    asked: Asked,
    csv: String,
    frame: Frame,
    further_back: Option<(String, String)>,
    looked: Option<(String, bool)>,
    may_read: bool,
    more: bool,
    none: Option<&'static str>,
    others: Option<(String, &'static str)>,
    pages: Vec<(String, usize, bool)>,
    parts: Vec<Part>,
    signs: Vec<Do>,
    tallies: Vec<Tally>,
    wrong: Option<String>,
}

/// True where this person may read now what entries say; as the API holds it.
pub(crate) fn may_read(counted: &Counted, seat: &Seat) -> bool {
    counted.lets_read(&seat.account, &seat.roles)
}

/// Looks for what is asked, gravest first.
fn find(
    desk: &Desk,
    counted: &Counted,
    seat: &Seat,
    asked: &Asked,
    filter: &Filter,
) -> Result<gather::Found, PageError> {
    let gather = Gather::new(desk.book(), counted);
    let mut found = match &filter.record {
        Some(record) => gather.of_record(record)?,
        None => gather.newest(asked.before)?,
    };
    let reads = may_read(counted, seat);
    found.rows.retain(|row| filter.keeps(row) && (asked.shows_all() || !row.is_done()));
    for row in &mut found.rows {
        if row.hidden || !reads {
            row.sentence = if row.hidden { words::HIDDEN_WHILE_COUNTED.to_owned() } else { String::new() };
            row.change = None;
            row.bytes = false;
        }
        // A reason says as much as the entry that it is given for.
        if row.hidden {
            row.why = None;
        }
        row.bytes &= reads;
    }
    match asked.sort.as_str() {
        "newest" => found.rows.sort_by_key(|row| std::cmp::Reverse(row.n)),
        "oldest" => found.rows.sort_by_key(|row| row.n),
        _ => found.rows.sort_by_key(|row| (row.judged.grade, row.is_done(), std::cmp::Reverse(row.n))),
    }
    Ok(found)
}

/// The list.
pub(super) async fn list(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let asked = asked.into_inner();
    let counted = Counted::now(desk.book())?;
    let (filter, wrong) = match Filter::of(&desk, &asked)? {
        Ok(filter) => (Some(filter), None),
        Err(wrong) => (None, Some(wrong)),
    };
    let found = match &filter {
        Some(filter) => find(&desk, &counted, &seat, &asked, filter)?,
        None => gather::Found { more: false, rows: Vec::new(), window: None },
    };
    let mut frame = Frame::new(&desk, Some(&seat), "exceptions", "Exceptions");
    frame.done = done(&desk, &seat, &Shown { done: asked.done });
    let tallies = tallies(&asked, &found.rows);
    let rows: Vec<&Row> =
        found.rows.iter().filter(|row| asked.grade().is_none_or(|grade| row.judged.grade == grade)).collect();
    let number_of_pages = rows.len().div_ceil(PAGE);
    let at = asked.page.min(number_of_pages.saturating_sub(1));
    let shown = rows.iter().skip(at * PAGE).take(PAGE);
    let mut parts: Vec<Part> = Vec::new();
    for row in shown {
        let grade = row.judged.grade;
        if parts.last().is_none_or(|part| part.number != grade.number()) {
            parts.push(Part { class: grade.class(), number: grade.number(), rows: Vec::new(), title: grade.title() });
        }
        let shape = shape(&desk, &frame, &asked, row)?;
        if let Some(part) = parts.last_mut() {
            part.rows.push(shape);
        }
    }
    let further_back = found
        .window
        .filter(|(first, _)| *first > 0)
        .map(|(first, _)| (asked.with(|asked| asked.before = Some(first)), words::number(first)));
    let looked = found.window.map(|(first, last)| (words::number(last + 1 - first), asked.before.is_some()));
    let others = match asked.shows_all() {
        true => (asked.with(|asked| asked.show = "open".to_owned()), "Only what still waits to be settled or seen"),
        false => (asked.with(|asked| asked.show = "all".to_owned()), "Also what is settled or was seen"),
    };
    let none =
        rows.is_empty().then(|| if asked.is_filtered() { words::NO_SUCH_EXCEPTION } else { words::NO_EXCEPTION });
    let record = filter.as_ref().and_then(|filter| filter.record.as_ref());
    let page_of = ExceptionsPage {
        all: "/exceptions".to_owned(),
        csv: asked.with(|_| ()).replacen("/exceptions", "/exceptions.csv", 1),
        further_back,
        looked,
        may_read: may_read(&counted, &seat),
        more: found.more,
        none: none.filter(|_| wrong.is_none()),
        others: Some(others),
        pages: (0..number_of_pages)
            .filter(|_| number_of_pages > 1)
            .map(|page| (asked.with(|asked| asked.page = page), page + 1, page == at))
            .collect(),
        parts,
        signs: signs(&desk, &frame, &asked, record)?,
        tallies,
        wrong,
        asked,
        frame,
    };
    page(&page_of)
}

fn tallies(asked: &Asked, rows: &[Row]) -> Vec<Tally> {
    let tally = |grade: Grade| {
        let number = rows.iter().filter(|row| row.judged.grade == grade).count();
        let is_chosen = asked.grade() == Some(grade);
        let chosen = if is_chosen { String::new() } else { grade.number().to_string() };
        Tally {
            class: grade.class(),
            href: asked.with(|asked| asked.grade = chosen),
            is_chosen,
            number: words::number(number as u64),
            title: grade.title(),
        }
    };
    Grade::ALL.into_iter().map(tally).collect()
}

/// True where a role of whoever looks gives that command.
pub(super) fn gives(frame: &Frame, command: &str) -> bool {
    AUTHORITY.iter().any(|row| row.command == command && frame.is_any(row.roles))
}

/// The page of an act, with what is known filled in, and the revision that was shown.
pub(super) fn act_href(
    desk: &Desk,
    command: &str,
    fields: &[(&str, &str)],
    shown: &Stream,
    back: &str,
) -> Result<String, PageError> {
    let rev = desk.book().record(shown)?.map(|(rev, _)| rev.to_string()).unwrap_or_default();
    let rev_of = format!("rev.{shown}");
    let mut query: Vec<(&str, &str)> = fields.to_vec();
    query.extend([(rev_of.as_str(), rev.as_str()), ("back", back)]);
    let query = serde_urlencoded::to_string(query).unwrap_or_default();
    Ok(format!("/acts/{command}?{query}"))
}

fn shape(desk: &Desk, frame: &Frame, asked: &Asked, row: &Row) -> Result<Shape, PageError> {
    let zone = desk.zone();
    let also = row.also.iter().take(ALSO).map(|stream| (named(stream), href(stream)));
    let standing = match row.standing {
        Standing::Open => Some("waits"),
        Standing::Settled => Some("settled"),
        Standing::Told => None,
    };
    Ok(Shape {
        also: also.collect(),
        also_more: row.also.len().saturating_sub(ALSO),
        by: words::by(&row.by),
        bytes: row.bytes.then(|| format!("/exceptions/bytes/{}", row.n)),
        change: row.change.clone(),
        does: does(desk, frame, asked, row)?,
        href: href(row.answered_on()),
        n: row.n,
        named: words::capital(&named(row.answered_on())),
        occurred: row.occurred.map(|at| words::when(at, zone)),
        seen: row.seen.as_ref().map(|(who, at)| (who.clone(), words::when(*at, zone))),
        sentence: row.sentence.clone(),
        sort: row.judged.sort,
        standing,
        when: words::when(row.at, zone),
        why: row.why.clone(),
    })
}

/// What this person may do about it, the act that settles it first.
fn does(desk: &Desk, frame: &Frame, asked: &Asked, row: &Row) -> Result<Vec<Do>, PageError> {
    let back = asked.with(|_| ());
    let id = row.stream.id().to_string();
    let mut acts: Vec<(&str, Vec<(&str, String)>)> = Vec::new();
    if row.standing == Standing::Open {
        match row.stream.thing() {
            "override" => {
                acts.extend(["grant_override", "refuse_override"].map(|act| (act, vec![("over", id.clone())])))
            }
            "count" if row.judged.passes => acts.push(("sign_count", vec![("count", id.clone())])),
            "roll" if row.judged.passes => acts.push(("release_return", vec![("roll", id.clone())])),
            "reconciliation" => acts.push(("check_reconciliation", vec![("reconciliation", id.clone())])),
            _ => {}
        }
    }
    let record = row.answered_on();
    if frame.is_any(&[Role::Reviewer]) {
        if row.seen.is_none() {
            let text = gather::answer(row.n);
            let role = Role::Reviewer.as_str().to_owned();
            acts.push(("remark", vec![("record", record.to_string()), ("text", text), ("role", role)]));
        }
    } else {
        acts.push(("remark", vec![("record", record.to_string())]));
    }
    if !matches!(record.thing(), "deviation" | "session" | "book" | "account") {
        let text = format!("{} (entry {} of {}).", row.judged.sort, row.n, named(&row.stream));
        acts.push(("open_deviation", vec![("about", record.to_string()), ("text", text)]));
    }
    let mut does = Vec::new();
    if row.stream.thing() == "deviation" {
        does.push(Do { href: href(&row.stream), label: "Go to the deviation".to_owned() });
    }
    for (act, fields) in acts {
        if !gives(frame, act) {
            continue;
        }
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, text)| (*name, text.as_str())).collect();
        let shown = if matches!(act, "remark" | "open_deviation") { record } else { &row.stream };
        let answers = act == "remark" && fields.len() > 1;
        let label = if answers { "Say that it was seen".to_owned() } else { words::act(act) };
        does.push(Do { href: act_href(desk, act, &fields, shown, &back)?, label });
    }
    Ok(does)
}

/// The signatures that this person gives on the record that is looked at.
fn signs(desk: &Desk, frame: &Frame, asked: &Asked, record: Option<&Stream>) -> Result<Vec<Do>, PageError> {
    use tallyseal_control::{DeliveryStatus, OrderStatus, State};
    let Some(record) = record else { return Ok(Vec::new()) };
    let Some((_, state)) = desk.book().record(record)? else { return Ok(Vec::new()) };
    let (field, acts): (&str, &[&str]) = match &state.state {
        State::Order(order) => match order.status {
            OrderStatus::Reconciled => ("order", &["sign_for_packaging"]),
            OrderStatus::InReview => ("order", &["review_order", "approve_order", "reject_order"]),
            _ => ("order", &[]),
        },
        State::Delivery(delivery) => match delivery.status {
            DeliveryStatus::ExaminedGood => ("delivery", &["release_delivery", "reject_delivery"]),
            DeliveryStatus::ExaminedBad => ("delivery", &["reject_delivery"]),
            _ => ("delivery", &[]),
        },
        _ => return Ok(Vec::new()),
    };
    let id = record.id().to_string();
    let mut signs = vec![Do { href: href(record), label: words::capital(&named(record)) }];
    for act in acts.iter().filter(|act| gives(frame, act)) {
        let href = act_href(desk, act, &[(field, &id)], record, &asked.with(|_| ()))?;
        signs.push(Do { href, label: words::act(act) });
    }
    Ok(signs)
}

/// The list as a file, all pages of it.
pub(super) async fn list_csv(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let asked = asked.into_inner();
    let (found, asked) = super::beside(move || {
        let counted = Counted::now(desk.book())?;
        let filter = Filter::of(&desk, &asked)?.map_err(DeskError::Invalid)?;
        Ok((find(&desk, &counted, &seat, &asked, &filter)?, asked))
    })
    .await?;
    let header = [
        "grade",
        "exception",
        "standing",
        "entry",
        "record",
        "also",
        "says",
        "old",
        "new",
        "reason",
        "who",
        "when (UTC)",
        "occurred (UTC)",
        "seen by",
        "seen (UTC)",
    ];
    let kept = found.rows.iter().filter(|row| asked.grade().is_none_or(|grade| row.judged.grade == grade));
    let rows = kept.map(|row| {
        let (old, new) = row.change.clone().unwrap_or_default();
        let (who, seen) = row.seen.clone().map(|(who, at)| (who, at.to_string())).unwrap_or_default();
        let also: BTreeSet<String> = row.also.iter().map(Stream::to_string).collect();
        vec![
            row.judged.grade.number().to_string(),
            row.judged.sort.to_owned(),
            match row.standing {
                Standing::Open => "waits".to_owned(),
                Standing::Settled => "settled".to_owned(),
                Standing::Told => String::new(),
            },
            row.n.to_string(),
            row.stream.to_string(),
            also.into_iter().collect::<Vec<_>>().join(" "),
            row.sentence.clone(),
            old,
            new,
            row.why.clone().unwrap_or_default(),
            words::by(&row.by),
            row.at.to_string(),
            row.occurred.map(|at| at.to_string()).unwrap_or_default(),
            who,
            seen,
        ]
    });
    // Whoever counts the lines must not take a part for all.
    let older = found.window.filter(|(first, _)| *first > 0).map(|(first, last)| {
        vec![format!(
            "NOT ALL: looked through entries {last} to {first}; of older ones only what waits for a hand stands here."
        )]
    });
    let more = found
        .more
        .then(|| vec!["NOT ALL: more waits than was looked at; ask for one order, delivery or roll.".to_owned()]);
    Ok(csv::file("exceptions", &header, rows.chain(older).chain(more)))
}

/// How many exceptions of each grade wait, by what has a key and the newest entries.
///
/// Errors: the book cannot be read.
pub(super) fn waiting(desk: &Desk, counted: &Counted) -> Result<[usize; 3], PageError> {
    let found = Gather::new(desk.book(), counted).newest(None)?;
    let number = |grade: Grade| found.rows.iter().filter(|row| row.judged.grade == grade && !row.is_done()).count();
    Ok(Grade::ALL.map(number))
}
