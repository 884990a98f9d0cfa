//! At the line: what it is, how it was cleared, and how the order ran on it.

use std::collections::BTreeMap;

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{ClearanceWhen, LineDevice, RollRan};
use tallyseal_schema::{Body, Entry};

use super::super::{Gathered, Section, Tone};
use super::issue::code_said;
use super::make::{Hand, NOT_HERE, NOT_YET, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, with_why};
use crate::told::plain;
use crate::words;

const CLEARING: &str = "21 CFR 211.130(e); 21 CFR 211.188(b)(6)";
const RUNNING: &str = "21 CFR 211.188(b)(1); EU GMP 4.21(b)";

/// The line of an order, its clearing before, the run, the clearing after.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Vec<Section> {
    let mut sections = Vec::new();
    if let Some(state) = g.order(order) {
        sections.push(line(g, &state.plan.line));
    }
    sections.push(cleared(g, order, "Line cleared before", &[ClearanceWhen::Before]));
    sections.push(run(g, order));
    if !clearances(g, order, &[ClearanceWhen::Again]).is_empty() {
        sections.push(cleared(g, order, "Line cleared again", &[ClearanceWhen::Again]));
    }
    sections.push(cleared(g, order, "Line cleared after", &[ClearanceWhen::After]));
    sections
}

/// What a line is, with its devices and the orders that ran on it.
pub(super) fn line(g: &Gathered, line: &Stream) -> Section {
    let mut step =
        Step::new(g, format!("Packaging line {}", line.id()), "21 CFR 211.188(b)(2); 21 CFR 211.182; EU GMP 4.21(e)");
    let mut lists: Vec<(&Entry, &[LineDevice])> = Vec::new();
    for entry in g.stream(line) {
        match &entry.body {
            Body::LineRegistered(body) => {
                let fields = vec![
                    field("Line", format!("{}, {}", line.id(), body.name))
                        .asked("21 CFR 211.188(b)(2); EU GMP 4.21(e)"),
                    field("Where it stands", body.place.clone()).asked("21 CFR 211.188(b)(2)"),
                ];
                step.fields(fields.into_iter().map(|field| field.on([entry])).collect());
                lists.push((entry, &body.devices));
            }
            Body::LineDevicesChanged(body) => lists.push((entry, &body.devices)),
            _ => {}
        }
    }
    if lists.is_empty() {
        step.note(format!("The entries of this line are {NOT_HERE}."));
    }
    let last = lists.len().saturating_sub(1);
    for (index, (entry, devices)) in lists.into_iter().enumerate() {
        let columns = vec![
            col("Device"),
            wide("Name", 3),
            wide("What it does", 2),
            num("Digits"),
            wide("Calibrated until", 3),
            num("Entry"),
        ];
        let caption = if index == last { "Devices" } else { "Devices that it had before" };
        let mut table = Table::new(caption, "21 CFR 211.68(a); 21 CFR 211.188(b)(2)", columns);
        let tone = if index == last { Tone::Plain } else { Tone::Former };
        for device in devices {
            table.toned(
                cells![
                    device.id.to_string(),
                    device.name.as_str(),
                    plain(device.kind),
                    device.digits.to_string(),
                    g.local(device.calibration_due),
                    n(entry),
                ],
                tone,
            );
        }
        step.table(table, "none");
    }
    let columns = vec![wide("What", 4), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table = Table::new("Use of the line", "21 CFR 211.182; 21 CFR 211.188(b)(2)", columns);
    for entry in g.stream(line) {
        let text = match &entry.body {
            Body::LineOrderOpened(body) => format!("order {} began", body.order.id()),
            Body::LineOrderClosed(body) => format!("order {} ended", body.order.id()),
            _ => continue,
        };
        table.row(cells![text, by(entry), g.local(entry.header.at), n(entry)]);
    }
    step.table(table, "no order has run on it");
    let hands = step.hands(line, &["line.registered", "line.devices_changed"]);
    step.people(hands, NOT_HERE);
    step.corrections(line);
    step.section()
}

fn clearances<'g>(g: &'g Gathered, order: &Stream, when: &[ClearanceWhen]) -> Vec<&'g Stream> {
    let of_it =
        |stream: &&Stream| g.clearance(stream).is_some_and(|state| state.order == *order && when.contains(&state.when));
    g.things(Thing::Clearance).into_iter().filter(of_it).collect()
}

fn cleared(g: &Gathered, order: &Stream, title: &str, when: &[ClearanceWhen]) -> Section {
    let mut step = Step::new(g, title, CLEARING);
    let all = clearances(g, order, when);
    if all.is_empty() {
        step.note(NOT_YET);
    }
    for stream in all {
        clearance(&mut step, stream);
    }
    step.section()
}

/// The record of a clearance alone.
pub(super) fn clearance_alone(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Clearance {}", stream.id()), CLEARING);
    clearance(&mut step, stream);
    step.section()
}

fn clearance(step: &mut Step, stream: &Stream) {
    let g = step.gathered();
    let Some((entry, body)) = g.stream(stream).find_map(|entry| match &entry.body {
        Body::ClearancePerformed(body) => Some((entry, body)),
        _ => None,
    }) else {
        step.note(NOT_HERE);
        return;
    };
    step.heading(format!("Clearance {}", stream.id()), CLEARING);
    let foreign = body.places.iter().any(|place| place.foreign);
    let checked = g.clearance(stream).is_some_and(|state| state.checked_at.is_some());
    let (result, tone) = match (foreign, checked) {
        (true, _) => ("labels or product that do not belong there were found", Tone::Grave),
        (false, true) => ("nothing foreign was found; performed and checked", Tone::Good),
        (false, false) => ("nothing foreign was found; a second person has not checked it", Tone::Grave),
    };
    let of = format!("{} the order {}, line {}", words::capital(&plain(body.when)), body.order.id(), body.line.id());
    step.fields(vec![
        field("When", of).asked(CLEARING).on([entry]),
        field("Performed", g.done(entry)).asked(CLEARING).on([entry]),
        field("Result", result).asked(CLEARING).on([entry]).toned(tone),
    ]);
    let columns = vec![wide("Place", 3), wide("What was found", 5), wide("Foreign", 2)];
    let mut table = Table::new("Every place looked at", CLEARING, columns);
    for place in &body.places {
        let (foreign, tone) = if place.foreign { ("YES", Tone::Grave) } else { ("no", Tone::Plain) };
        table.toned(cells![place.place.as_str(), place.found.as_str(), foreign], tone);
    }
    step.table(table, "none");
    let hands = step.hands(stream, &["clearance.performed"]);
    step.people(hands, NOT_HERE);
    step.corrections(stream);
}

/// Start, stops and end; rolls on and off their dispensers.
fn run(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Run on the line", RUNNING);
    let find = |wanted: fn(&Body) -> bool| g.stream(order).find(|entry| wanted(&entry.body));
    let started = find(|body| matches!(body, Body::OrderStarted(_)));
    let finished = find(|body| matches!(body, Body::OrderFinished(_)));
    let stops = g.stream(order).filter(|entry| matches!(entry.body, Body::OrderInterrupted(_)));
    let stops: Vec<&Entry> = stops.collect();
    let at = |entry: Option<&Entry>, without: &str| entry.map_or_else(|| without.to_owned(), |entry| g.done(entry));
    step.fields(vec![
        field("Started", at(started, NOT_YET)).asked(RUNNING).on(started),
        field("Finished", at(finished, NOT_YET)).asked(RUNNING).on(finished),
        field("Stops", if stops.is_empty() { "none".to_owned() } else { words::so_many(stops.len(), "stop", "stops") })
            .asked(RUNNING)
            .on(stops),
    ]);
    let columns = vec![wide("What", 5), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table =
        Table::new("What happened at the line", "21 CFR 211.188(b)(1); 21 CFR 211.188(b)(2); EU GMP 4.21(b)", columns);
    for entry in g.stream(order) {
        let text = match &entry.body {
            Body::OrderStarted(body) => format!("started, with the clearance {}", body.clearance.id()),
            Body::OrderInterrupted(body) => format!("interrupted: {}", body.cause),
            Body::OrderResumed(body) => match &body.clearance {
                Some(clearance) => format!("resumed, with the clearance {}", clearance.id()),
                None => "resumed".to_owned(),
            },
            Body::OrderRollMounted(body) => format!("{} mounted on {}", body.roll.id(), body.device),
            Body::OrderRollDismounted(body) => format!("{} came off: {}", body.roll.id(), plain(body.ran)),
            Body::OrderFinished(body) => format!("finished, with the clearance {}", body.clearance.id()),
            _ => continue,
        };
        table.row(cells![with_why(text, entry), by(entry), g.local(entry.header.at), n(entry)]);
    }
    step.table(table, NOT_YET);
    step.table(changes(g, order), "no roll was mounted");
    let hands: Vec<Hand> = [(started, "Order started"), (finished, "Order finished")]
        .into_iter()
        .filter_map(|(entry, what)| Some(Hand::new(what, entry?)))
        .collect();
    step.people(hands, NOT_YET);
    step.section()
}

/// Each roll put on its dispenser, with the one before it and whether the codes are the same.
fn changes(g: &Gathered, order: &Stream) -> Table {
    const CLAUSE: &str = "21 CFR 211.125(b)";
    let columns = vec![
        col("Dispenser"),
        wide("Roll before", 3),
        wide("Roll put on", 2),
        wide("Code read on it", 4),
        wide("Operator", 3),
        wide("When", 3),
        num("Entry"),
    ];
    let mut table =
        Table::new("Rolls put on and changed; a validated scan stands in place of the second person", CLAUSE, columns)
            .small();
    let mut before: BTreeMap<String, String> = BTreeMap::new();
    let mut on: BTreeMap<&Stream, String> = BTreeMap::new();
    for entry in g.stream(order) {
        match &entry.body {
            Body::OrderRollMounted(body) => {
                let code = code_said(g, order, body.material, body.code_read.as_deref());
                let device = body.device.to_string();
                table.row(cells![
                    device.as_str(),
                    before.get(&device).cloned().unwrap_or_else(|| "none: the first".to_owned()),
                    body.roll.id().to_string(),
                    code,
                    by(entry),
                    g.local(entry.header.at),
                    n(entry),
                ]);
                on.insert(&body.roll, device);
            }
            Body::OrderRollDismounted(body) => {
                let ran = match body.ran {
                    RollRan::UsedUp => "used up",
                    RollRan::TakenOff => "taken off",
                };
                if let Some(device) = on.remove(&body.roll) {
                    before.insert(device, format!("{}, {ran}", body.roll.id()));
                }
            }
            _ => {}
        }
    }
    table
}
