//! Packaging lines: the board for the wall, and the page of the person at a line.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use serde::Deserialize;
use tallyseal_control::{Custody, Key, LineState, OrderRoll, OrderState, OrderStatus, Record, State};
use tallyseal_schema::Time;
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{LineDevice, LineDeviceKind, Role, RollRan};

use super::next::{self, Due, act_href, word_of};
use super::order::{chosen, proposals, roll_state};
use super::orders::{open_at, product};
use super::shown::streams_of;
use super::thing::{Offer, Shown, done};
use super::visitor::Visitor;
use super::whole::{Whole, last_reading};
use super::{Frame, PageError, form, href, page, words};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use crate::{clock, randomness};

/// Lines on the board at most: a plant has few.
const LINES_MAX: usize = 200;
/// Acts of others that the board names.
const WAITING_MAX: usize = 3;

/// One line of the board.
struct Card {
    due: Vec<String>,
    href: String,
    id: String,
    name: String,
    order: Option<OnLine>,
    /// Orders that are planned on it and have not begun.
    planned: Vec<(String, String)>,
}

/// The order on a line.
struct OnLine {
    href: String,
    id: String,
    lots: Vec<(String, String)>,
    mark: &'static str,
    /// Device and roll.
    mounted: Vec<(String, String)>,
    product: String,
    state: &'static str,
}

fn on_line(stream: &Stream, order: &OrderState) -> OnLine {
    let (state, mark) = words::order_status(order.status);
    let mounted = order
        .rolls
        .iter()
        .filter_map(|(roll, one)| one.mounted.as_ref().map(|device| (device.to_string(), roll.id().to_string())));
    OnLine {
        href: href(stream),
        id: stream.id().to_string(),
        lots: order.plan.lots.iter().map(|lot| (lot.lot.clone(), lot.expiry.clone())).collect(),
        mark,
        mounted: mounted.collect(),
        product: product(order),
        state,
    }
}

#[derive(Template)]
#[template(path = "lines.html")]
struct LinesPage {
    cards: Vec<Card>,
    frame: Frame,
    may_register: bool,
}

#[derive(Template)]
#[template(path = "lines_board.html")]
struct BoardPart {
    cards: Vec<Card>,
}

#[derive(Deserialize, Default)]
pub(super) struct Ask {
    #[serde(default)]
    done: Option<u64>,
    #[serde(default)]
    order: String,
    #[serde(default)]
    part: String,
    #[serde(default)]
    scan: String,
}

fn line_of(desk: &Desk, stream: &Stream) -> Result<Option<LineState>, PageError> {
    match desk.book().record(stream)? {
        Some((_, Record { state: State::Line(line), .. })) => Ok(Some(line)),
        _ => Ok(None),
    }
}

pub(super) async fn board(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Ask>,
) -> Result<HttpResponse, PageError> {
    let mut cards = Vec::new();
    for stream in desk.book().set_page(&Key::new("thing", "line"), None, LINES_MAX)? {
        if let Some(line) = line_of(&desk, &stream)? {
            cards.push(card(&desk, &stream, &line)?);
        }
    }
    if query.part == "board" {
        return page(&BoardPart { cards });
    }
    let mut frame = Frame::new(&desk, Some(&seat), "lines", "Lines");
    frame.done = done(&desk, &seat, &Shown { done: query.done });
    page(&LinesPage { cards, may_register: frame.is_any(next::roles("register_line")), frame })
}

fn card(desk: &Desk, stream: &Stream, line: &LineState) -> Result<Card, PageError> {
    let now = clock::now();
    let mut due: Vec<String> = line.devices.iter().filter(|device| is_overdue(device, now)).map(overdue).collect();
    let mut order = None;
    if let Some(running) = &line.order {
        let whole = Whole::read(desk, &running.id())?;
        let acts = next::due(&whole, &proposals(desk, &whole)?, now, &href(stream));
        due.extend(acts.iter().take(WAITING_MAX).map(|one| format!("{} ({})", one.label, one.who())));
        order = Some(on_line(running, &whole.order));
    }
    let waiting = open_at(desk, stream)?
        .into_iter()
        .filter(|(_, order)| matches!(order.status, OrderStatus::Planned | OrderStatus::Staged));
    Ok(Card {
        due,
        href: href(stream),
        id: stream.id().to_string(),
        name: line.name.clone(),
        order,
        planned: waiting.map(|(order, _)| (order.id().to_string(), href(&order))).collect(),
    })
}

fn is_overdue(device: &LineDevice, now: Time) -> bool {
    now > device.calibration_due
}

fn overdue(device: &LineDevice) -> String {
    format!("Calibration of {} is overdue", device.id)
}

/// One device of the line, and what may be recorded from it.
struct DeviceView {
    due: words::When,
    id: String,
    kind: String,
    last: Option<String>,
    mounted: Option<(String, String)>,
    name: String,
    overdue: bool,
    record: Vec<(String, String)>,
}

/// One roll that the line has.
struct AtLine {
    href: String,
    id: String,
    mark: &'static str,
    material: u16,
    scan: String,
    state: String,
}

/// What more a form about a scanned roll asks.
enum More {
    /// How the roll came off.
    Ran,
    /// Nothing.
    Nothing,
    /// The number of a seal.
    Seal,
    /// On which dispenser, and whether its code is read.
    Where { code: bool, devices: Vec<(String, String)> },
}

/// One form about a scanned roll.
struct ScanForm {
    act: String,
    command: &'static str,
    material: u16,
    more: More,
    title: &'static str,
}

/// What was scanned, and what may be done with it now.
struct Scanned {
    /// The act that opens a deviation about it.
    deviate: String,
    forms: Vec<ScanForm>,
    /// It must not be here.
    grave: bool,
    href: String,
    id: String,
    /// What else carries that ID.
    others: Vec<(String, String)>,
    text: String,
}

/// All that the page of a line shows.
struct View {
    acts: Vec<Offer>,
    address: String,
    /// Where an act comes back to.
    back: String,
    devices: Vec<DeviceView>,
    id: String,
    is_line: bool,
    main: Option<Due>,
    mine: Vec<Due>,
    name: String,
    order: Option<OnLine>,
    others: Vec<(String, String, &'static str)>,
    place: String,
    rev: u64,
    rolls: Vec<AtLine>,
    stream: String,
    waiting: Vec<Due>,
}

#[derive(Template)]
#[template(path = "line.html")]
struct LinePage {
    frame: Frame,
    /// The next thing is a scan, not a form about what was scanned.
    scan_first: bool,
    scanned: Option<Scanned>,
    v: View,
}

#[derive(Template)]
#[template(path = "line_state.html")]
struct StatePart {
    v: View,
}

#[derive(Template)]
#[template(path = "line_work.html")]
struct WorkPart {
    v: View,
}

pub(super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Ask>,
) -> Result<HttpResponse, PageError> {
    let id: Id = id.to_uppercase().parse().map_err(|_| DeskError::NotFound(format!("line {id}")))?;
    let stream = Stream::of(Thing::Line, &id);
    let line = line_of(&desk, &stream)?.ok_or_else(|| DeskError::NotFound(format!("line {id}")))?;
    let open = open_at(&desk, &stream)?;
    let whole = match shown_order(&line, &open, &query.order) {
        Some(order) => Some(Whole::read(&desk, &order.id())?),
        None => None,
    };
    let mut frame = Frame::new(&desk, Some(&seat), "lines", format!("Line {id}"));
    frame.done = done(&desk, &seat, &Shown { done: query.done });
    let v = view(&desk, &seat, &frame, &stream, &line, whole.as_ref(), &open)?;
    match query.part.as_str() {
        "state" => page(&StatePart { v }),
        "work" => page(&WorkPart { v }),
        _ => {
            let scanned = scanned(&desk, (&stream, &line), whole.as_ref(), query.scan.trim(), v.is_line)?;
            let scan_first = scanned.as_ref().is_none_or(|one| one.forms.is_empty());
            page(&LinePage { frame, scan_first, scanned, v })
        }
    }
}

/// The order that the page is about: the one that is asked for, the one that runs, or the one that is next for the line's
/// hand.
fn shown_order(line: &LineState, open: &[(Stream, OrderState)], asked: &str) -> Option<Stream> {
    let asked = open.iter().find(|(order, _)| !asked.is_empty() && order.id().as_str() == asked.to_uppercase());
    let at_line = |order: &OrderState| {
        order.status == OrderStatus::Finished
            && order.rolls.values().any(|one| {
                one.issue.is_some() && one.given_back.is_none() && !one.taken_back && one.ran != Some(RollRan::UsedUp)
            })
    };
    let next = || {
        let of = |wanted: &dyn Fn(&OrderState) -> bool| open.iter().find(|(_, order)| wanted(order));
        of(&at_line)
            .or_else(|| of(&|order| order.status == OrderStatus::Staged))
            .or_else(|| of(&|order| order.status == OrderStatus::Planned))
            .map(|(order, _)| order.clone())
    };
    asked.map(|(order, _)| order.clone()).or_else(|| line.order.clone()).or_else(next)
}

fn view(
    desk: &Desk,
    seat: &Seat,
    frame: &Frame,
    stream: &Stream,
    line: &LineState,
    whole: Option<&Whole>,
    open: &[(Stream, OrderState)],
) -> Result<View, PageError> {
    let now = clock::now();
    let address = href(stream);
    let back = match whole {
        Some(whole) => format!("{address}?order={}", whole.id),
        None => address.clone(),
    };
    let due = match whole {
        Some(whole) => next::due(whole, &proposals(desk, whole)?, now, &back),
        None => Vec::new(),
    };
    let (main, mine, waiting) = chosen(due, seat);
    let is_line = frame.is_any(&[Role::Line]);
    let previous = match &line.previous {
        Some(previous) => match desk.book().record(previous)? {
            Some((_, Record { state: State::Order(order), .. })) => Some(order),
            _ => None,
        },
        None => None,
    };
    let devices = line.devices.iter().map(|device| {
        let last = whole
            .and_then(|whole| whole.last_reading(&device.id))
            .or_else(|| previous.as_ref().and_then(|order| last_reading(order, &device.id)));
        device_view(desk, device, last, whole, is_line, &back)
    });
    let others = open.iter().filter(|(order, _)| whole.is_none_or(|whole| whole.stream != *order));
    Ok(View {
        acts: whole.map(|whole| acts(frame, whole, &back)).unwrap_or_default(),
        address: address.clone(),
        devices: devices.collect(),
        id: stream.id().to_string(),
        is_line,
        main,
        mine,
        name: line.name.clone(),
        order: whole.map(|whole| on_line(&whole.stream, &whole.order)),
        others: others
            .map(|(order, state)| {
                let address = format!("{address}?order={}", order.id());
                (order.id().to_string(), address, words::order_status(state.status).0)
            })
            .collect(),
        place: line.place.clone(),
        rev: whole.map_or(0, |whole| whole.rev),
        rolls: whole.map(|whole| at_line(whole, &address)).unwrap_or_default(),
        stream: whole.map_or_else(|| stream.to_string(), |whole| format!("{stream},{}", whole.stream)),
        waiting,
        back,
    })
}

/// What the line may do with the order at any time, beside what it waits for.
fn acts(frame: &Frame, whole: &Whole, back: &str) -> Vec<Offer> {
    use OrderStatus as S;
    let commands: &[&str] = match whole.order.status {
        S::Planned | S::Staged => &["perform_clearance", "receive_at_line", "give_back", "start_order"],
        S::InProgress => &[
            "mount_roll",
            "dismount_roll",
            "record_quantity",
            "record_units",
            "open_hand_count",
            "interrupt_order",
            "perform_clearance",
            "give_back",
            "finish_order",
        ],
        S::Interrupted => &["resume_order", "dismount_roll", "perform_clearance", "open_hand_count", "give_back"],
        S::Finished | S::Reconciled => {
            &["give_back", "dismount_roll", "record_quantity", "record_units", "open_hand_count"]
        }
        _ => &[],
    };
    let line = whole.order.plan.line.id();
    let mut offers: Vec<Offer> = commands
        .iter()
        .filter(|command| frame.is_any(next::roles(command)))
        .map(|command| {
            let mut fields = vec![("order", whole.id.as_str())];
            if *command == "perform_clearance" {
                fields.push(("line", line.as_str()));
            }
            Offer {
                hint: form::summary(command),
                href: act_href(command, &fields, &[(&whole.stream, whole.rev)], back),
                label: words::act(command),
            }
        })
        .collect();
    let about = whole.stream.to_string();
    for (command, field) in [("remark", "record"), ("open_deviation", "about")] {
        if frame.is_any(next::roles(command)) {
            let href = act_href(command, &[(field, about.as_str())], &[], back);
            offers.push(Offer { hint: form::summary(command), href, label: words::act(command) });
        }
    }
    offers
}

fn device_view(
    desk: &Desk,
    device: &LineDevice,
    last: Option<u32>,
    whole: Option<&Whole>,
    is_line: bool,
    back: &str,
) -> DeviceView {
    let mounted = whole.and_then(|whole| {
        whole.order.rolls.iter().find(|(_, one)| one.mounted.as_ref() == Some(&device.id)).map(|(roll, _)| roll)
    });
    DeviceView {
        due: words::when(device.calibration_due, desk.zone()),
        id: device.id.to_string(),
        kind: words::word(&word_of(&device.kind)),
        last: last.map(words::number),
        mounted: mounted.map(|roll| (roll.id().to_string(), href(roll))),
        name: device.name.clone(),
        overdue: is_overdue(device, clock::now()),
        record: match whole {
            Some(whole) if is_line => record_links(whole, device, last, back),
            _ => Vec::new(),
        },
    }
}

/// The quantities that a device may count, each with its form filled in as far as it is known.
fn record_links(whole: &Whole, device: &LineDevice, last: Option<u32>, back: &str) -> Vec<(String, String)> {
    use OrderStatus as S;
    if !matches!(whole.order.status, S::InProgress | S::Interrupted | S::Finished | S::Reconciled) {
        return Vec::new();
    }
    let start = last.map(|last| last.to_string()).unwrap_or_default();
    let source = [
        ("order", whole.id.as_str()),
        ("source.how", "device"),
        ("source.device.device", device.id.as_str()),
        ("source.device.start", start.as_str()),
        ("source.device.wraps", "0"),
    ];
    let link = |command: &str, more: &[(&str, &str)]| {
        let fields: Vec<(&str, &str)> = source.iter().chain(more).copied().collect();
        act_href(command, &fields, &[(&whole.stream, whole.rev)], back)
    };
    let terms: &[&str] = match device.kind {
        LineDeviceKind::Dispenser => &["good", "samples", "spoiled"],
        LineDeviceKind::Printer => &["samples", "spoiled"],
        LineDeviceKind::Verifier => &["good", "rejected", "samples", "spoiled"],
        LineDeviceKind::UnitCounter => {
            let lots = whole.order.plan.lots.iter();
            return lots
                .map(|lot| (format!("units of {}", lot.lot), link("record_units", &[("lot", &lot.lot)])))
                .collect();
        }
    };
    let mut links = Vec::new();
    for line in &whole.order.plan.materials {
        let material = line.material.to_string();
        for term in terms {
            links.push((
                format!("{term}, line {material}"),
                link("record_quantity", &[("material", &material), ("term", term)]),
            ));
        }
    }
    links
}

fn at_line(whole: &Whole, address: &str) -> Vec<AtLine> {
    let there = whole.order.rolls.iter().filter(|(_, one)| one.issue.is_some() && !one.taken_back);
    there
        .map(|(roll, one)| {
            let (state, mark) = roll_state(whole, roll, one);
            let id = roll.id().to_string();
            let scan = format!("{address}?order={}&scan={id}", whole.id);
            AtLine { href: href(roll), id, mark, material: one.material, scan, state }
        })
        .collect()
}

/// What was scanned, and what may be done with it now.
fn scanned(
    desk: &Desk,
    (line_stream, line): (&Stream, &LineState),
    whole: Option<&Whole>,
    typed: &str,
    is_line: bool,
) -> Result<Option<Scanned>, PageError> {
    if typed.is_empty() {
        return Ok(None);
    }
    let typed = typed.to_uppercase();
    let id = typed.rsplit_once('/').map_or(typed.as_str(), |(_, id)| id);
    let Ok(id) = id.parse::<Id>() else {
        let shown: String = typed.chars().take(40).collect();
        return Ok(Some(unknown(shown, words::NO_ID.to_owned())));
    };
    let streams = streams_of(desk, &id)?;
    let others = streams.iter().filter(|one| one.thing() != "roll");
    let others: Vec<(String, String)> = others.map(|one| (super::act::named(one), href(one))).collect();
    let Some(roll) = streams.iter().find(|one| one.thing() == "roll") else {
        let text = if others.is_empty() { "It is unknown here. Scan it again." } else { "It is no roll." };
        return Ok(Some(Scanned { others, ..unknown(id.to_string(), text.to_owned()) }));
    };
    let of_order = whole.and_then(|whole| whole.order.rolls.get(roll).map(|one| (whole, one)));
    let mut seen = Scanned { href: href(roll), ..unknown(id.to_string(), String::new()) };
    seen.deviate = act_href("open_deviation", &[("about", roll.as_str())], &[], &href(line_stream));
    let Some((whole, one)) = of_order.filter(|(_, one)| one.issue.is_some()) else {
        seen.grave = true;
        seen.text = match whole {
            Some(whole) => format!(
                "It is not a roll that the order {} has. Set it aside at once, and tell the label room and the reviewer; look at the other rolls at the line.",
                whole.id
            ),
            None => "No order is at this line. Set it aside at once, and tell the label room.".to_owned(),
        };
        return Ok(Some(seen));
    };
    let (state, _) = roll_state(whole, roll, one);
    seen.text = format!("Material line {}: {state}.", one.material);
    if is_line {
        seen.forms = forms(line, whole, roll, one)?;
    }
    Ok(Some(seen))
}

fn unknown(id: String, text: String) -> Scanned {
    let (deviate, forms, href, others) = (String::new(), Vec::new(), String::new(), Vec::new());
    Scanned { deviate, forms, grave: false, href, id, others, text }
}

/// What may be done with a roll of the order, by where it is.
fn forms(line: &LineState, whole: &Whole, roll: &Stream, one: &OrderRoll) -> Result<Vec<ScanForm>, PageError> {
    let item = whole.order.plan.materials.iter().find(|line| line.material == one.material);
    let item = item.and_then(|line| whole.items.get(&line.item));
    let free = |device: &&LineDevice| {
        device.kind == LineDeviceKind::Dispenser
            && !whole.order.rolls.values().any(|other| other.mounted.as_ref() == Some(&device.id))
    };
    let mut forms: Vec<(&'static str, &'static str, More)> = Vec::new();
    match whole.rolls.get(roll).map(|state| &state.custody) {
        Some(Custody::Taken { .. }) => {
            forms.push(("receive_at_line", "Receive it at the line", More::Nothing));
            forms.push(("give_back", "Give it back", More::Seal));
        }
        Some(Custody::Line { .. }) => {
            if whole.order.status == OrderStatus::InProgress {
                let devices = line.devices.iter().filter(free);
                let devices: Vec<_> = devices.map(|device| (device.id.to_string(), device.name.clone())).collect();
                let code = item.is_some_and(|item| item.draft.expected_code.is_some());
                if !devices.is_empty() {
                    forms.push(("mount_roll", "Mount it", More::Where { code, devices }));
                }
            }
            forms.push(("give_back", "Give it back", More::Seal));
        }
        Some(Custody::Mounted { .. }) => forms.push(("dismount_roll", "Take it off", More::Ran)),
        _ => {}
    }
    let mut made = Vec::new();
    for (command, title, more) in forms {
        let act = randomness::act()?.to_string();
        made.push(ScanForm { act, command, material: one.material, more, title });
    }
    Ok(made)
}
