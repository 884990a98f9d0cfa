//! Rules set aside, and holds.

use tallyseal_control::OverrideStatus;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::{Body, Entry};

use super::super::{Gathered, Section, Tone};
use super::make::{NOT_HERE, Step, Table, cells, field, num, wide};
use super::read::{by, n, with_why};
use crate::told::plain;
use crate::words;

const CLAUSE: &str = "21 CFR 211.100(b); EU GMP 4.21(g)";

/// The overrides of an order.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Overrides", CLAUSE);
    let of_it = |stream: &&Stream| g.override_(stream).is_some_and(|state| state.order == *order);
    let all: Vec<&Stream> = g.things(Thing::Override).into_iter().filter(of_it).collect();
    if all.is_empty() {
        step.note("No rule was set aside.");
    }
    for stream in all {
        one(&mut step, stream);
    }
    step.section()
}

/// The record of an override alone.
pub(super) fn section(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Override {}", stream.id()), CLAUSE);
    one(&mut step, stream);
    step.section()
}

fn one(step: &mut Step, stream: &Stream) {
    let g = step.gathered();
    step.heading(format!("Override {}", stream.id()), CLAUSE);
    let asked = g.stream(stream).find_map(|entry| match &entry.body {
        Body::OverrideRequested(body) => Some((entry, body)),
        _ => None,
    });
    let (Some((entry, body)), Some(state)) = (asked, g.override_(stream)) else {
        step.note(NOT_HERE);
        return;
    };
    let (status, tone) = match state.status {
        OverrideStatus::Requested => ("asked for, and nobody has decided", Tone::Grave),
        OverrideStatus::Granted => ("granted, not used", Tone::Plain),
        OverrideStatus::Refused => ("refused", Tone::Plain),
        OverrideStatus::Used => ("granted and used; it cannot be used again", Tone::Plain),
    };
    let bounds = [
        body.labels.map(|labels| format!("at most {}", words::labels(labels.get()))),
        body.material.map(|material| format!("material line {material}")),
        body.device.as_ref().map(|device| format!("device {device}")),
    ];
    let bounds: Vec<String> = bounds.into_iter().flatten().collect();
    let bounds = if bounds.is_empty() { "once, for the thing it is about".to_owned() } else { bounds.join(", ") };
    let about = match body.about == body.order {
        true => words::named(&body.about),
        false => format!("{}, of the {}", words::named(&body.about), words::named(&body.order)),
    };
    step.fields(vec![
        field("Rule set aside", plain(body.kind)).asked(CLAUSE).on([entry]),
        field("For", about).asked(CLAUSE).on([entry]),
        field("Bounds", bounds).asked(CLAUSE).on([entry]),
        field("Reason that was given", entry.header.why.clone().unwrap_or_default()).asked(CLAUSE).on([entry]),
        field("State", status).asked(CLAUSE).toned(tone),
    ]);
    let used = g.events(stream, |body| match body {
        Body::OverrideUsed(body) => Some(body),
        _ => None,
    });
    let used = used.map(|(entry, body)| {
        field("Used by", format!("{} {}", words::thing(body.by.thing()), body.by.id())).asked(CLAUSE).on([entry])
    });
    step.fields(used.collect());
    let kinds = ["override.requested", "override.granted", "override.refused", "override.used"];
    let hands = step.hands(stream, &kinds);
    step.people(hands, NOT_HERE);
    step.corrections(stream);
}

/// Every hold over something in the record, put on and lifted.
pub(super) fn holds(g: &Gathered) -> Section {
    let mut step = Step::new(g, "Holds", "21 CFR 211.192; 21 CFR 211.125(c)");
    let columns =
        vec![wide("On what", 3), wide("What", 3), wide("Because of", 3), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table = Table::new("", "21 CFR 211.192", columns);
    for entry in g.entries() {
        let Some((what, cause, tone)) = hold(entry) else { continue };
        let on = format!("{} {}", words::thing(entry.header.stream.thing()), entry.header.stream.id());
        let cause = with_why(format!("deviation {}", cause.id()), entry);
        table.toned(cells![on, what, cause, by(entry), g.local(entry.header.at), n(entry)], tone);
    }
    step.table(table, "Nothing in this record was put on hold.");
    if g.record.thing() == Thing::Order.as_str() {
        step.corrections_where(&g.record, |kind| kind == "order.hold_lifted");
    }
    step.section()
}

fn hold(entry: &Entry) -> Option<(&'static str, &Stream, Tone)> {
    Some(match &entry.body {
        Body::OrderHeld(body) => ("put on hold", &body.cause, Tone::Grave),
        Body::RollHeld(body) => ("put on hold", &body.cause, Tone::Grave),
        Body::DeliveryHeld(body) => ("put on hold", &body.cause, Tone::Grave),
        Body::OrderHoldLifted(body) => ("hold lifted", &body.cause, Tone::Plain),
        Body::RollHoldLifted(body) => ("hold lifted", &body.cause, Tone::Plain),
        Body::DeliveryHoldLifted(body) => ("hold lifted", &body.cause, Tone::Plain),
        _ => return None,
    })
}
