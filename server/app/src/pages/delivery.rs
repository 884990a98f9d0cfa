//! Deliveries: the list, and one with its steps, its rolls as stated and as counted, and what comes next.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use tallyseal_control::{DeliveryState, DeliveryStatus, Key, Record, State};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{DeliveryExamined, DeliveryReceived, ExaminationResult, Role};
use tallyseal_schema::{Body, Entry, Labels};

use super::roll::{Step, item_of, product_of, step};
use super::sieve::{self, Asked, Sieve, asked, link};
use super::stock::{Pick, Row, few, picks};
use super::thing::{Happened, Offer, Shown, Signed, done, history, keep, offers, signatures};
use super::visitor::Visitor;
use super::words::{self, Told, When};
use super::{Frame, PageError, beside, href, page, see_other};
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// Rolls of one delivery that its page lists: those it came with and the rests of them.
const ROLLS_MAX: usize = 2_000;

/// A delivery in a list.
struct Listed {
    delivery: Stream,
    held: bool,
    item: Stream,
    lot: String,
    rolls: String,
    status: Told,
    supplier: Stream,
    when: When,
}

#[derive(Template)]
#[template(path = "deliveries.html")]
struct DeliveriesPage {
    csv: String,
    filtered: bool,
    first: Option<String>,
    frame: Frame,
    id: String,
    item: String,
    items: Vec<String>,
    lot: String,
    next: Option<String>,
    offers: Vec<Offer>,
    rows: Vec<Listed>,
    status: Vec<Pick>,
}

fn delivery_of(record: &Record) -> Option<&DeliveryState> {
    match &record.state {
        State::Delivery(state) => Some(state),
        _ => None,
    }
}

fn sieve_of<'a>(query: &'a Asked) -> Sieve<'a> {
    let item = asked(query, "item").to_uppercase().parse::<Id>().ok().map(|id| Stream::of(Thing::Item, &id));
    let key = match (asked(query, "lot"), item, asked(query, "status")) {
        ("", Some(item), _) => Key::new("delivery.item", item),
        ("", None, "waits" | "received" | "examined") => Key::new("delivery.waits", "yes"),
        ("", None, _) => Key::new("thing", "delivery"),
        (lot, ..) => Key::new("delivery.supplier_lot", lot),
    };
    Sieve { after: asked(query, "after"), key, prefix: format!("delivery/{}", asked(query, "id").to_uppercase()) }
}

fn passes(query: &Asked, state: &DeliveryState) -> bool {
    use DeliveryStatus::{ExaminedBad, ExaminedGood, Received, Rejected, Released};
    let status = match asked(query, "status") {
        "waits" => matches!(state.status, Received | ExaminedGood | ExaminedBad),
        "received" => state.status == Received,
        "examined" => matches!(state.status, ExaminedGood | ExaminedBad),
        "released" => state.status == Released,
        "rejected" => state.status == Rejected,
        "held" => !state.holds.is_empty(),
        _ => true,
    };
    let item = match asked(query, "item") {
        "" => true,
        item => state.item.id().to_string() == item.to_uppercase(),
    };
    status && item
}

fn listed(desk: &Desk, one: &sieve::Passed) -> Option<Listed> {
    let state = delivery_of(&one.record)?;
    Some(Listed {
        delivery: one.stream.clone(),
        held: !state.holds.is_empty(),
        item: state.item.clone(),
        lot: state.supplier_lot.clone(),
        rolls: words::number(u64::try_from(state.rolls.len()).unwrap_or(0)),
        status: words::delivery_status(state.status),
        supplier: state.supplier.clone(),
        when: words::when(state.received_at, desk.zone()),
    })
}

pub(super) async fn deliveries(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    if let Ok(id) = asked(&query, "id").to_uppercase().parse::<Id>() {
        let stream = Stream::of(Thing::Delivery, &id);
        if desk.book().record(&stream)?.is_some() {
            return Ok(see_other(&href(&stream)));
        }
    }
    let pass = |_: &Stream, record: &Record| delivery_of(record).is_some_and(|state| passes(&query, state));
    let found = sieve_of(&query).page(&desk, sieve::PAGE, pass)?;
    let mut frame = Frame::new(&desk, Some(&seat), "deliveries", "Deliveries");
    frame.done = done(&desk, &seat, &Shown { done: asked(&query, "done").parse().ok() });
    let offers = match frame.is_any(&[Role::LabelRoom]) {
        true => vec![Offer::of("receive_delivery", &[])],
        false => Vec::new(),
    };
    let text = |name: &str| asked(&query, name).to_owned();
    page(&DeliveriesPage {
        csv: link("/deliveries.csv", &query, &[("after", "")]),
        filtered: ["id", "item", "lot", "status"].iter().any(|name| !asked(&query, name).is_empty()),
        first: (!asked(&query, "after").is_empty()).then(|| link("/deliveries", &query, &[("after", "")])),
        frame,
        id: text("id"),
        item: text("item"),
        items: few(&desk, "item")?,
        lot: text("lot"),
        next: found.next.map(|after| link("/deliveries", &query, &[("after", &after)])),
        offers,
        rows: found.passed.iter().filter_map(|one| listed(&desk, one)).collect(),
        status: picks(words::DELIVERIES, asked(&query, "status")),
    })
}

pub(super) async fn deliveries_csv(
    Visitor(_seat): Visitor,
    desk: Data<Desk>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let (rows, more) = beside(move || {
        let pass = |_: &Stream, record: &Record| delivery_of(record).is_some_and(|state| passes(&query, state));
        let found = Sieve { after: "", ..sieve_of(&query) }.file(&desk, pass)?;
        let all = found.passed.iter().filter_map(|one| listed(&desk, one));
        let rows = all.map(|one| {
            vec![
                one.delivery.id().to_string(),
                one.item.id().to_string(),
                one.supplier.id().to_string(),
                one.lot,
                one.when.utc,
                one.rolls.chars().filter(char::is_ascii_digit).collect(),
                one.status.text,
                if one.held { "yes" } else { "no" }.to_owned(),
            ]
        });
        Ok((rows.collect::<Vec<Vec<String>>>(), found.next.is_some()))
    })
    .await?;
    let head = ["delivery", "item", "supplier", "supplier's lot", "received (UTC)", "rolls", "status", "on hold"];
    Ok(sieve::csv("deliveries", &head, &rows, more))
}

/// One of the steps that a delivery goes through.
struct Stage {
    by: String,
    /// `past`, `here`, `ahead`.
    class: &'static str,
    name: &'static str,
    when: Option<When>,
}

/// A roll of the delivery, as stated and as counted.
struct Stated {
    against: String,
    counted: String,
    row: Row,
    stated: String,
}

/// The examination, in words.
struct Examination {
    critical: String,
    major: String,
    minor: String,
    plan: String,
    reached: String,
    result: Told,
    rolls: Vec<Stream>,
    sampled: String,
    specimen: String,
}

/// All that is stated and all that is counted.
struct Totals {
    against: String,
    counted: String,
    counted_rolls: String,
    stated: String,
}

#[derive(Template)]
#[template(path = "delivery.html")]
struct DeliveryPage {
    condition: String,
    deviations: Vec<Stream>,
    examination: Option<Examination>,
    frame: Frame,
    hidden: bool,
    history: Vec<Happened>,
    holds: Vec<Stream>,
    id: String,
    item: Stream,
    lot: String,
    maker: String,
    more: bool,
    offers: Vec<Offer>,
    product: String,
    receiving_code: String,
    rests: Vec<Row>,
    rolls: Vec<Stated>,
    signatures: Vec<Signed>,
    stages: Vec<Stage>,
    status: Told,
    step: Step,
    stream: String,
    supplier: Stream,
    totals: Totals,
}

/// What the delivery's entries say beyond what is remembered of it.
struct Entries {
    examined: Option<(DeliveryExamined, String, When)>,
    received: Option<(DeliveryReceived, String, When)>,
    decided: Option<(String, When)>,
}

fn told(desk: &Desk, stream: &Stream) -> Result<Entries, PageError> {
    let mut told = Entries { examined: None, received: None, decided: None };
    for bytes in desk.book().stream_entries(stream)? {
        let entry = Entry::read(&bytes).map_err(|error| DeskError::Internal(error.to_string()))?;
        let (by, when) = (words::by(&entry.header.by), words::when(entry.header.at, desk.zone()));
        match entry.body {
            Body::DeliveryReceived(body) => told.received = Some((body, by, when)),
            Body::DeliveryExamined(body) => told.examined = Some((body, by, when)),
            Body::DeliveryReleased(_) | Body::DeliveryRejected(_) => told.decided = Some((by, when)),
            _ => {}
        }
    }
    Ok(told)
}

fn stages(told: &Entries, status: DeliveryStatus) -> Vec<Stage> {
    let stage = |name, done: Option<(String, When)>, here: bool| Stage {
        class: match &done {
            Some(_) => "past",
            None if here => "here",
            None => "ahead",
        },
        by: done.as_ref().map(|(by, _)| by.clone()).unwrap_or_default(),
        name,
        when: done.map(|(_, when)| when),
    };
    let of = |found: Option<(&String, &When)>| found.map(|(by, when)| (by.clone(), when.clone()));
    let received = of(told.received.as_ref().map(|(_, by, when)| (by, when)));
    let examined = of(told.examined.as_ref().map(|(_, by, when)| (by, when)));
    let last = match status {
        DeliveryStatus::Rejected => "Rejected",
        DeliveryStatus::Released => "Released",
        _ => "Released or rejected",
    };
    vec![
        stage("Received", received, false),
        stage("Examined", examined.clone(), status == DeliveryStatus::Received),
        stage(last, told.decided.clone(), examined.is_some()),
    ]
}

fn examination(body: &DeliveryExamined) -> Examination {
    Examination {
        critical: words::number(body.critical),
        major: words::number(body.major),
        minor: words::number(body.minor),
        plan: body.plan.clone(),
        reached: body.reached.clone(),
        result: match body.result {
            ExaminationResult::Accept => Told::new("good", "may be released by its plan"),
            ExaminationResult::Reject => Told::new("grave", "may not be released by its plan"),
        },
        rolls: body.rolls.clone(),
        sampled: words::number(body.sampled.get()),
        specimen: format!("{}, kept at {}", body.specimen.id, body.specimen.place),
    }
}

pub(super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let missing = || DeskError::NotFound(format!("delivery {id}"));
    let stream = Stream::of(Thing::Delivery, &id.parse::<Id>().map_err(|_| missing())?);
    let (rev, record) = desk.book().record(&stream)?.ok_or_else(missing)?;
    let state = delivery_of(&record).ok_or_else(missing)?;
    let counted = Counted::now(desk.book())?;
    let hidden = counted.tells(&stream);
    let told = told(&desk, &stream)?;
    let mut frame = Frame::new(&desk, Some(&seat), "deliveries", format!("Delivery {}", stream.id()));
    frame.done = done(&desk, &seat, &query);
    let (rolls, rests, totals, more) = rolls(&desk, &stream, &counted, hidden)?;
    let item = item_of(&desk, &state.item)?;
    let received = told.received.as_ref().map(|(body, ..)| body);
    page(&DeliveryPage {
        condition: received.map(|body| body.condition.clone()).unwrap_or_default(),
        deviations: desk.book().set_page(&Key::new("deviation.about", &stream), None, sieve::PAGE)?,
        examination: told.examined.as_ref().map(|(body, ..)| examination(body)),
        hidden,
        history: history(&desk, &counted, &stream)?,
        holds: state.holds.iter().cloned().collect(),
        id: stream.id().to_string(),
        item: state.item.clone(),
        lot: state.supplier_lot.clone(),
        maker: received.map(|body| body.maker.clone()).unwrap_or_default(),
        more,
        offers: keep(offers(&frame, &stream, rev), |act| is_meant(state.status, act)),
        product: product_of(item.as_ref()),
        receiving_code: received.map(|body| body.receiving_code.clone()).unwrap_or_default(),
        rests,
        rolls,
        signatures: signatures(&desk, &stream)?,
        stages: stages(&told, state.status),
        status: words::delivery_status(state.status),
        step: next(&frame, &stream, rev, state),
        stream: stream.to_string(),
        supplier: state.supplier.clone(),
        totals,
        frame,
    })
}

/// Whether an act may be meant for the delivery as it stands.
fn is_meant(status: DeliveryStatus, act: &str) -> bool {
    match act {
        "receive_delivery" => false,
        "examine_delivery" => status == DeliveryStatus::Received,
        "release_delivery" => status == DeliveryStatus::ExaminedGood,
        "reject_delivery" => status != DeliveryStatus::Rejected,
        _ => true,
    }
}

type Rolls = (Vec<Stated>, Vec<Row>, Totals, bool);

/// The rolls of a delivery. While one of them runs, none of their numbers is told: they are often the same.
fn rolls(desk: &Desk, stream: &Stream, counted: &Counted, hidden: bool) -> Result<Rolls, PageError> {
    let streams = desk.book().set_page(&Key::new("roll.delivery", stream), None, ROLLS_MAX + 1)?;
    let (mut rolls, mut rests) = (Vec::new(), Vec::new());
    let (mut stated, mut on_counted, mut of_counted) = (0_u64, 0_u64, 0_u64);
    let mut counted_rolls = 0_usize;
    for roll in streams.iter().take(ROLLS_MAX) {
        let Some((_, Record { state: State::Roll(state), .. })) = desk.book().record(roll)? else { continue };
        let mut row = Row::new(roll, &state, counted);
        if hidden {
            (row.hidden, row.labels) = (true, None);
        }
        if state.parent.is_some() {
            rests.push(row);
            continue;
        }
        let by_supplier = state.stated.get();
        stated += u64::from(by_supplier);
        let ours = state.settled.as_ref().map(|settled| settled.counted);
        if let Some(ours) = ours {
            counted_rolls += 1;
            on_counted += u64::from(ours.get());
            of_counted += u64::from(by_supplier);
        }
        let text = |number: Option<u32>| match number {
            _ if hidden => "hidden".to_owned(),
            Some(number) => words::number(number),
            None => "\u{2013}".to_owned(),
        };
        rolls.push(Stated {
            against: ours.filter(|_| !hidden).map_or_else(String::new, |ours| words::against(ours.get(), by_supplier)),
            counted: text(ours.map(Labels::get)),
            row,
            stated: text(Some(by_supplier)),
        });
    }
    let told = |number: u64| if hidden { "hidden".to_owned() } else { words::number(number) };
    let totals = Totals {
        against: if hidden || counted_rolls == 0 { String::new() } else { words::against_all(on_counted, of_counted) },
        counted: if counted_rolls == 0 && !hidden { "\u{2013}".to_owned() } else { told(on_counted) },
        counted_rolls: words::so_many(counted_rolls, "roll counted", "rolls counted"),
        stated: told(stated),
    };
    Ok((rolls, rests, totals, streams.len() > ROLLS_MAX))
}

/// What comes next, and whose it is.
fn next(frame: &Frame, stream: &Stream, rev: u64, state: &DeliveryState) -> Step {
    let id = stream.id().to_string();
    let (field, rev, back) = (format!("rev.{stream}"), rev.to_string(), href(stream));
    let fields = [("delivery", id.as_str()), (field.as_str(), rev.as_str()), ("back", back.as_str())];
    if let Some(hold) = state.holds.first() {
        return Step {
            offer: Some(Offer { hint: String::new(), href: href(hold), label: format!("See {}", hold.id()) }),
            said: format!("It is on hold because of {}: leave it set aside until a reviewer decides.", hold.id()),
        };
    }
    match state.status {
        DeliveryStatus::Received => step(frame, "examine_delivery", &fields, "It waits for the examination"),
        DeliveryStatus::ExaminedGood => {
            step(frame, "release_delivery", &fields, "Its examination is signed; quality releases or rejects it")
        }
        DeliveryStatus::ExaminedBad => {
            step(frame, "reject_delivery", &fields, "By its plan it may not be released; quality rejects it")
        }
        DeliveryStatus::Released => Step {
            offer: None,
            said: "It is released. Its rolls are counted one by one, on their own pages.".to_owned(),
        },
        DeliveryStatus::Rejected => {
            Step { offer: None, said: "It is rejected: its rolls go back to the supplier or are destroyed.".to_owned() }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_key_of_a_search_follows_the_narrowest_filter() {
        let key = |pairs: &[(&str, &str)]| {
            let query: Asked = pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect();
            sieve_of(&query).key.0.clone()
        };
        assert_eq!(key(&[]), "thing=delivery");
        assert_eq!(key(&[("status", "received")]), "delivery.waits=yes");
        assert_eq!(key(&[("status", "released")]), "thing=delivery");
        assert_eq!(key(&[("status", "received"), ("item", "l-1")]), "delivery.item=item/L-1");
        assert_eq!(key(&[("item", "L-1"), ("lot", "PW-7")]), "delivery.supplier_lot=PW-7");
    }
}
