//! A roll: what it is, what lies on it and where, how it was counted, where it came from and went, and its tag.

use std::collections::BTreeSet;

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use tallyseal_control::{
    CountState, CountStatus, Custody, DeliveryStatus, ItemState, Key, OrderState, Quality, RollCount, RollState, State,
};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{Direction, Role};

use super::sieve::{Asked, asked};
use super::strip::{self, Strip, Width, strip};
use super::thing::{Happened, Offer, Shown, Signed, done, history, keep, offers, signatures};
use super::visitor::Visitor;
use super::words::{self, Told, When};
use super::{Frame, PageError, href, mark, page, symbol};
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// Attempts of one roll that its page lists.
const ATTEMPTS_MAX: usize = 200;
/// Steps that a genealogy goes up or down.
const STEPS_MAX: usize = 12;
/// Marks that a tag lists one by one.
const TAG_MARKS: usize = 24;

/// One attempt to count the roll.
struct Attempt {
    agreed: Told,
    bracket: Told,
    count: Stream,
    direction: &'static str,
    labels: Option<String>,
    number: u32,
    purpose: &'static str,
    station: Stream,
    status: Told,
    taken_out: Option<String>,
    when: When,
    who: String,
}

/// One fault on the tag.
struct Row {
    kind: String,
    mark: String,
    place: String,
    /// What the counts saw.
    seen: &'static str,
}

/// What comes next for a roll or a delivery.
pub(super) struct Step {
    /// Where the person may do it.
    pub(super) offer: Option<Offer>,
    /// What it is and whose it is.
    pub(super) said: String,
}

/// One thing in the line of descent.
struct Kin {
    /// What it is, beside its name.
    about: String,
    children: Vec<Kin>,
    here: bool,
    href: String,
    name: String,
}

impl Kin {
    /// As a nested list. Names and texts are escaped by the template engine's own rules.
    fn html(&self) -> String {
        let text = |text: &str| {
            askama::filters::escape(text, askama::filters::Html).map(|safe| safe.to_string()).unwrap_or_default()
        };
        let name = match self.here {
            true => format!("<strong aria-current=\"true\">{}</strong>", text(&self.name)),
            false => format!("<a href=\"{}\">{}</a>", text(&self.href), text(&self.name)),
        };
        let children: String = self.children.iter().map(Kin::html).collect();
        let children = if children.is_empty() { children } else { format!("<ul>{children}</ul>") };
        format!("<li>{name} <span class=\"hint\">{}</span>{children}</li>", text(&self.about))
    }
}

#[derive(Template)]
#[template(path = "roll.html")]
struct RollPage {
    attempts: Vec<Attempt>,
    count: Told,
    custody: String,
    custody_href: Option<String>,
    delivery: Stream,
    ended: bool,
    frame: Frame,
    hidden: bool,
    history: Vec<Happened>,
    holds: Vec<Stream>,
    id: String,
    item: Stream,
    kin: String,
    /// Faults of the tag.
    marks: Vec<Row>,
    narrow: Option<Strip>,
    offers: Vec<Offer>,
    on_roll: Option<String>,
    parent: Option<Stream>,
    place: Option<String>,
    product: String,
    quality: Told,
    questioned: bool,
    rest: Option<Stream>,
    settled: Option<&'static str>,
    signatures: Vec<Signed>,
    stated: Option<String>,
    against: Option<String>,
    step: Step,
    stream: String,
    tagged: Option<String>,
    wide: Option<Strip>,
}

fn roll(desk: &Desk, id: &str) -> Result<(Stream, u64, RollState), PageError> {
    let missing = || DeskError::NotFound(format!("roll {id}"));
    let id: Id = id.parse().map_err(|_| missing())?;
    let stream = Stream::of(Thing::Roll, &id);
    match desk.book().record(&stream)? {
        Some((rev, record)) => match record.state {
            State::Roll(state) => Ok((stream, rev, state)),
            _ => Err(missing().into()),
        },
        None => Err(missing().into()),
    }
}

/// What is remembered of an item.
pub(super) fn item_of(desk: &Desk, item: &Stream) -> Result<Option<ItemState>, PageError> {
    Ok(desk.book().record(item)?.and_then(|(_, record)| match record.state {
        State::Item(state) => Some(state),
        _ => None,
    }))
}

/// What an item is for, in words.
pub(super) fn product_of(item: Option<&ItemState>) -> String {
    item.map_or_else(String::new, |item| {
        [Some(item.draft.product.as_str()), item.draft.strength.as_deref()]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(", ")
    })
}

fn order_of(desk: &Desk, order: &Stream) -> Result<Option<OrderState>, PageError> {
    Ok(desk.book().record(order)?.and_then(|(_, record)| match record.state {
        State::Order(state) => Some(state),
        _ => None,
    }))
}

/// A roll that became another one's rest keeps its number in the order's record.
fn rest_of(order: Option<&OrderState>, roll: &Stream) -> Option<Stream> {
    order.and_then(|order| order.rolls.get(roll)).and_then(|roll| roll.rest.clone())
}

pub(super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let (stream, rev, state) = roll(&desk, &id)?;
    let counted = Counted::now(desk.book())?;
    let hidden = counted.has(&stream);
    let mut frame = Frame::new(&desk, Some(&seat), "rolls", format!("Roll {}", stream.id()));
    frame.done = done(&desk, &seat, &query);
    let item = item_of(&desk, &state.item)?;
    let tag = state.tag.as_ref().filter(|_| !hidden);
    let order = match &state.order {
        Some(order) => order_of(&desk, order)?,
        None => None,
    };
    let settled = state.settled.as_ref().filter(|_| !hidden);
    let stated = (!hidden && state.parent.is_none()).then(|| state.stated.get());
    let marks = tag.map(|tag| tag.marks.as_slice()).unwrap_or_default();
    let draw = |width| tag.map(|tag| strip(tag.on_roll.get(), &tag.marks, width));
    let seen = |missed: bool| if missed { "not by every count" } else { "by every count" };
    let rows = marks.iter().map(|mark| Row {
        kind: words::fault(mark.fault),
        mark: mark::mark(mark.fault),
        place: strip::place(mark),
        seen: seen(mark.missed),
    });
    let custody_href = state.custody.order().map(href);
    page(&RollPage {
        attempts: attempts(&desk, &stream, &state, &counted)?,
        count: words::count_of(&state),
        custody: words::capital(&words::custody(&state.custody)),
        custody_href,
        delivery: state.delivery.clone(),
        ended: state.custody == (Custody::Ended {}),
        hidden,
        history: history(&desk, &counted, &stream)?,
        holds: state.holds.iter().cloned().collect(),
        id: stream.id().to_string(),
        item: state.item.clone(),
        kin: kin(&desk, &stream, &state)?,
        marks: rows.collect(),
        narrow: draw(Width::Narrow),
        offers: keep(offers(&frame, &stream, rev), |act| is_meant(&state, act)),
        on_roll: settled.map(|settled| words::number(settled.on_roll.get())),
        parent: state.parent.as_ref().map(|(parent, _)| parent.clone()),
        place: (state.custody == (Custody::Store {})).then(|| state.place.clone()),
        product: product_of(item.as_ref()),
        quality: words::quality(state.quality),
        questioned: !hidden && state.tag.is_some() && state.settled.is_none(),
        rest: rest_of(order.as_ref(), &stream),
        settled: settled.map(|settled| words::settled_by(settled.rule)),
        signatures: signatures(&desk, &stream)?,
        against: settled.zip(stated).map(|(settled, stated)| words::against(settled.counted.get(), stated)),
        stated: stated.map(words::number),
        step: next(&desk, &frame, &stream, rev, &state)?,
        stream: stream.to_string(),
        tagged: tag.map(|tag| words::number(tag.on_roll.get())),
        wide: draw(Width::Wide),
        frame,
    })
}

/// Every attempt to count the roll, the first first.
fn attempts(desk: &Desk, stream: &Stream, state: &RollState, counted: &Counted) -> Result<Vec<Attempt>, PageError> {
    let mut attempts = Vec::new();
    let hidden = counted.has(stream);
    for count in desk.book().set_page(&Key::new("count.roll", stream), None, ATTEMPTS_MAX)? {
        let Some((_, record)) = desk.book().record(&count)? else { continue };
        let signed = record.facts.signatures.first().map(|one| format!("{} ({})", one.name, one.account));
        let State::Count(run) = record.state else { continue };
        let taken = state.counts.iter().find(|one| one.count == count);
        let shown = taken.filter(|_| !hidden);
        let who = signed.or_else(|| run.opened_by.as_ref().map(ToString::to_string)).unwrap_or_default();
        attempts.push(Attempt {
            agreed: agreed(state, &run, taken, hidden),
            bracket: bracket(taken),
            direction: match run.direction {
                Direction::Forward => "forward",
                Direction::Rewind => "winding back",
            },
            labels: shown.map(|one| words::number(one.labels.get())),
            number: run.attempt,
            purpose: words::purpose(run.purpose),
            station: run.station.clone(),
            status: words::count_status(run.status),
            taken_out: shown.map(|one| words::number(one.taken_out.get())),
            when: words::when(run.opened_at, desk.zone()),
            who,
            count,
        });
    }
    attempts.sort_by_key(|attempt| attempt.number);
    Ok(attempts)
}

/// Whether a count stands between two good challenges of its station.
fn bracket(taken: Option<&RollCount>) -> Told {
    match taken {
        None => Told::new("", ""),
        Some(count) if count.doubted => Told::new("grave", "the closing challenge failed"),
        Some(count) if count.bracketed => Told::new("good", "between two good challenges"),
        Some(_) => Told::new("hold", "at risk until the closing challenge"),
    }
}

/// What a count says beside the others.
fn agreed(state: &RollState, run: &CountState, taken: Option<&RollCount>, hidden: bool) -> Told {
    let Some(count) = taken else {
        return match run.status {
            CountStatus::Interrupted | CountStatus::Aborted => Told::new("", "does not count"),
            _ => Told::new("", ""),
        };
    };
    let settled = state.settled.as_ref();
    match settled {
        _ if hidden => Told::new("", ""),
        _ if count.doubted => Told::new("grave", "doubted"),
        Some(settled) if settled.standing == count.count => Told::new("good", "stands"),
        Some(settled) if settled.counts.contains(&count.count) && count.labels == settled.counted => {
            Told::new("good", "agrees")
        }
        Some(settled) if settled.counts.contains(&count.count) => Told::new("hold", "differs"),
        _ if state.disagreed => Told::new("grave", "disagrees"),
        _ if count.in_doubt => Told::new("hold", "a cross-check questions it"),
        _ => Told::new("", "waits for another"),
    }
}

/// What comes next, and whose it is.
fn next(desk: &Desk, frame: &Frame, stream: &Stream, rev: u64, state: &RollState) -> Result<Step, PageError> {
    let id = stream.id().to_string();
    let back = href(stream);
    let rev_field = format!("rev.{stream}");
    let rev = rev.to_string();
    let step = |command: &str, field: &str, value: &str, said: &str| {
        let fields = [(field, value), (rev_field.as_str(), rev.as_str()), ("back", back.as_str())];
        step(frame, command, &fields, said)
    };
    let of_order = |command: &str, order: &Stream, said: &str| -> Result<Step, PageError> {
        let (order_rev, material) = match desk.book().record(order)? {
            Some((order_rev, record)) => match record.state {
                State::Order(order) => (order_rev.to_string(), order.rolls.get(stream).map(|roll| roll.material)),
                _ => (String::new(), None),
            },
            None => (String::new(), None),
        };
        let (order_id, material) = (order.id().to_string(), material.map(|one| one.to_string()).unwrap_or_default());
        let order_field = format!("rev.{order}");
        let fields = [
            ("order", order_id.as_str()),
            ("material", material.as_str()),
            ("roll", id.as_str()),
            (order_field.as_str(), order_rev.as_str()),
            ("back", back.as_str()),
        ];
        Ok(self::step(frame, command, &fields, said))
    };
    let nothing = |said: String| Step { offer: None, said };
    if let Some(hold) = state.holds.first() {
        return Ok(Step {
            offer: Some(Offer { hint: String::new(), href: href(hold), label: format!("See {}", hold.id()) }),
            said: format!(
                "It is on hold because of {}: leave it set aside until a reviewer lifts the hold.",
                hold.id()
            ),
        });
    }
    Ok(match (&state.custody, state.quality) {
        (Custody::Ended {}, _) => nothing("It is no more. Its record stays.".to_owned()),
        (_, Quality::Rejected) => nothing("It is rejected: put it with the rejected goods.".to_owned()),
        (_, Quality::Obsolete) => nothing("It is obsolete: put it with what waits for destruction.".to_owned()),
        (Custody::Given { order }, _) => nothing(format!("The line takes over the issue to {}.", order.id())),
        (Custody::Taken { order }, _) => of_order("receive_at_line", order, "The line scans it in")?,
        (Custody::Line { order }, _) => {
            of_order("mount_roll", order, "The line puts it on a dispenser, or gives it back")?
        }
        (Custody::Mounted { order }, _) => of_order("dismount_roll", order, "It runs; the line takes it off")?,
        (Custody::GivenBack { order }, _) => {
            of_order("take_back", order, "The label room takes it back and counts it")?
        }
        (Custody::Store {}, _) if state.open_count.is_some() => match &state.open_count {
            Some(count) => Step {
                offer: Some(Offer { hint: String::new(), href: href(count), label: "See the count".to_owned() }),
                said: "It is on a counting table. What was stated and counted stays hidden until the count is closed."
                    .to_owned(),
            },
            None => nothing(String::new()),
        },
        (Custody::Store {}, _) if state.unsigned_count.is_some() => match &state.unsigned_count {
            Some(count) => self::step(
                frame,
                "sign_count",
                &[("count", &count.id().to_string()), ("back", &back)],
                "Its count is closed; who counted disposes of the faults and signs",
            ),
            None => nothing(String::new()),
        },
        (Custody::Store {}, Quality::Quarantine) if state.parent.is_none() => quarantine(desk, frame, state, &back)?,
        (Custody::Store {}, _) if state.disagreed => nothing("Its counts do not agree: a reviewer decides.".to_owned()),
        (Custody::Store {}, _) if state.settled.is_none() => {
            step("open_count", "roll", stream.as_str(), "It waits to be counted")
        }
        (Custody::Store {}, Quality::Quarantine) => {
            step("release_return", "roll", &id, "It came back and is counted; quality releases it")
        }
        (Custody::Store {}, Quality::Released) => {
            nothing("It is released and counted: it may be issued to an order.".to_owned())
        }
    })
}

/// Whether an act may be meant for the roll as it stands.
fn is_meant(state: &RollState, act: &str) -> bool {
    let order = state.custody.order().is_some();
    match (act, &state.custody) {
        ("remark" | "open_deviation", _) => true,
        (_, Custody::Ended {}) => false,
        ("receive_at_line", custody) => matches!(custody, Custody::Taken { .. }),
        ("mount_roll", custody) => matches!(custody, Custody::Line { .. }),
        ("give_back", custody) => matches!(custody, Custody::Line { .. } | Custody::Taken { .. }),
        ("dismount_roll", custody) => matches!(custody, Custody::Mounted { .. }),
        ("take_back", custody) => matches!(custody, Custody::GivenBack { .. }),
        ("release_return", _) => !order && state.parent.is_some() && state.quality == Quality::Quarantine,
        // Where two counts differ and a third is needed.
        ("record_check", _) => !order && !state.checked && state.round_counts().len() > 1,
        ("move_roll" | "open_count" | "examine_before_issue", _) => !order && state.open_count.is_none(),
        _ => true,
    }
}

/// What a delivery waits for keeps its rolls in quarantine.
fn quarantine(desk: &Desk, frame: &Frame, state: &RollState, back: &str) -> Result<Step, PageError> {
    let delivery = match desk.book().record(&state.delivery)? {
        Some((_, record)) => match record.state {
            State::Delivery(delivery) => Some(delivery),
            _ => None,
        },
        None => None,
    };
    let id = state.delivery.id().to_string();
    let fields = [("delivery", id.as_str()), ("back", back)];
    Ok(match delivery.map(|delivery| delivery.status) {
        Some(DeliveryStatus::Received) => {
            step(frame, "examine_delivery", &fields, &format!("Its delivery {id} waits for the examination"))
        }
        Some(DeliveryStatus::ExaminedGood) => step(
            frame,
            "release_delivery",
            &fields,
            &format!("Its delivery {id} is examined; quality releases or rejects it"),
        ),
        _ => Step { offer: None, said: format!("It waits in quarantine with its delivery {id}.") },
    })
}

/// A step with its button where the person may do it, else with whose it is.
pub(super) fn step(frame: &Frame, command: &str, fields: &[(&str, &str)], said: &str) -> Step {
    let row = tallyseal_control::AUTHORITY.iter().find(|row| row.command == command);
    let roles = row.map(|row| row.roles).unwrap_or_default();
    let may = frame.is_any(roles);
    let titles: Vec<&str> = roles.iter().map(|role: &Role| role.title()).collect();
    Step {
        offer: may.then(|| Offer::of(command, fields)),
        said: if may { format!("{said}.") } else { format!("{said} (as {}).", titles.join(" or ")) },
    }
}

/// Where the roll came from and what became of it: supplier's lot, delivery, rolls and orders, as a nested list.
fn kin(desk: &Desk, stream: &Stream, state: &RollState) -> Result<String, PageError> {
    // Upwards first: from this roll to the one that came with the delivery.
    let mut line = vec![stream.clone()];
    let mut known: BTreeSet<Stream> = line.iter().cloned().collect();
    let mut parent = state.parent.clone();
    while let Some((roll, _)) = parent.take() {
        if !known.insert(roll.clone()) || line.len() > STEPS_MAX {
            break;
        }
        parent = match desk.book().record(&roll)? {
            Some((_, record)) => match record.state {
                State::Roll(state) => state.parent,
                _ => None,
            },
            None => None,
        };
        line.push(roll);
    }
    let oldest = line.last().cloned().unwrap_or_else(|| stream.clone());
    let roll = roll_kin(desk, &oldest, stream, 0)?;
    let (lot, supplier) = match desk.book().record(&state.delivery)? {
        Some((_, record)) => match record.state {
            State::Delivery(delivery) => (delivery.supplier_lot, Some(delivery.supplier)),
            _ => (String::new(), None),
        },
        None => (String::new(), None),
    };
    let delivery = Kin {
        about: format!("supplier's lot {lot}"),
        children: vec![roll],
        here: false,
        href: href(&state.delivery),
        name: format!("Delivery {}", state.delivery.id()),
    };
    let top = match supplier {
        Some(supplier) => Kin {
            about: String::new(),
            children: vec![delivery],
            here: false,
            href: href(&supplier),
            name: format!("Supplier {}", supplier.id()),
        },
        None => delivery,
    };
    Ok(format!("<ul class=\"kin\">{}</ul>", top.html()))
}

/// A roll, the order that took it, and what came back of it.
fn roll_kin(desk: &Desk, roll: &Stream, here: &Stream, depth: usize) -> Result<Kin, PageError> {
    let state = match desk.book().record(roll)? {
        Some((_, record)) => match record.state {
            State::Roll(state) => Some(state),
            _ => None,
        },
        None => None,
    };
    let mut kin = Kin {
        about: state.as_ref().map(|state| words::custody(&state.custody)).unwrap_or_default(),
        children: Vec::new(),
        here: roll == here,
        href: href(roll),
        name: format!("Roll {}", roll.id()),
    };
    let taken = state.as_ref().and_then(|state| state.order.clone().or_else(|| state.custody.order().cloned()));
    if let Some(order) = taken.filter(|_| depth < STEPS_MAX) {
        let known = order_of(desk, &order)?;
        let lots: Vec<&str> = known.iter().flat_map(|order| &order.plan.lots).map(|lot| lot.lot.as_str()).collect();
        let about = match known.as_ref() {
            Some(known) => format!("{}, lot {}", known.plan.product, lots.join(", ")),
            None => String::new(),
        };
        let mut child =
            Kin { about, children: Vec::new(), here: false, href: href(&order), name: format!("Order {}", order.id()) };
        if let Some(rest) = rest_of(known.as_ref(), roll) {
            child.children.push(roll_kin(desk, &rest, here, depth + 1)?);
        }
        kin.children.push(child);
    }
    Ok(kin)
}

#[derive(Template)]
#[template(path = "tag.html")]
struct TagPage {
    code: String,
    count: Told,
    delivery: String,
    frame: Frame,
    held: bool,
    ended: bool,
    hidden: bool,
    id: String,
    item: String,
    /// Marks that are listed, and how many more there are.
    marks: Vec<(char, String, String)>,
    more: usize,
    on_roll: Option<String>,
    /// As a strip across a sheet, not as a label.
    on_sheet: bool,
    other: String,
    product: String,
    quality: Told,
    questioned: bool,
    turned: bool,
    picture: Option<Strip>,
    whole: String,
}

/// The tag to print. Not while the roll is counted: its number would lie on the table.
pub(super) async fn tag(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let (stream, _, state) = roll(&desk, &id)?;
    let hidden = Counted::now(desk.book())?.has(&stream);
    let item = item_of(&desk, &state.item)?;
    let tag = state.tag.as_ref().filter(|_| !hidden);
    let marks = tag.map(|tag| tag.marks.as_slice()).unwrap_or_default();
    let draw = |width| tag.map(|tag| strip(tag.on_roll.get(), &tag.marks, width));
    let id = stream.id().to_string();
    let on_sheet = asked(&query, "as") == "strip";
    let whole = href(&stream);
    page(&TagPage {
        code: symbol::data_matrix(&id).unwrap_or_default(),
        count: words::count_of(&state),
        delivery: state.delivery.id().to_string(),
        frame: Frame::new(&desk, Some(&seat), "rolls", format!("Tag of roll {id}")),
        held: !state.holds.is_empty(),
        ended: state.custody == (Custody::Ended {}),
        hidden,
        item: state.item.id().to_string(),
        marks: marks
            .iter()
            .take(TAG_MARKS)
            .map(|mark| (mark::letter(mark.fault), words::fault(mark.fault), strip::place(mark)))
            .collect(),
        more: marks.len().saturating_sub(TAG_MARKS),
        on_roll: state.settled.as_ref().filter(|_| !hidden).map(|settled| words::number(settled.on_roll.get())),
        on_sheet,
        other: if on_sheet { format!("{whole}/tag") } else { format!("{whole}/tag?as=strip") },
        product: product_of(item.as_ref()),
        quality: words::quality(state.quality),
        questioned: state.tag.is_some() && state.settled.is_none(),
        turned: state.turned,
        picture: draw(if on_sheet { Width::Wide } else { Width::Tag }),
        whole,
        id,
    })
}
