//! What became of labels and units on the line: each number with its source and its readings, and the counts by hand.

use std::collections::BTreeSet;

use tallyseal_control::{HandCountStatus, Quantity, accounted_percent};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{Fate, LineDeviceKind, Source, Specimen, Term};
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::make::{Hand, NOT_HERE, NOT_YET, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, ns, with_why};
use crate::told::plain;
use crate::words;

const QUANTITIES: &str = "21 CFR 211.125(c); 21 CFR 211.188(b)(10); EU GMP 4.21(h); EU GMP 5.59";

/// Quantities and units of an order, then its counts by hand.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Vec<Section> {
    let mut sections = vec![quantities(g, order), units(g, order)];
    sections.push(specimens(g, order));
    let by_hand: Vec<&Stream> = hand_counts(g, order);
    if !by_hand.is_empty() {
        let mut step = Step::new(g, "Counted by hand", "21 CFR 211.125(c); 21 CFR 211.188(b)(11)");
        step.table(hand_table(g, &by_hand), NOT_YET);
        by_hand.iter().for_each(|one| step.corrections(one));
        sections.push(step.section());
    }
    sections
}

/// How a number came about. `order`: to know its line and the digits of its counters.
pub(super) fn source(g: &Gathered, order: &Stream, source: &Source) -> String {
    match source {
        Source::Device { device, start, end, wraps } => {
            let known = g
                .order(order)
                .and_then(|state| g.line(&state.plan.line))
                .and_then(|line| line.devices.iter().find(|one| one.id == *device));
            let kind = known.map(|one| format!(" ({})", plain(one.kind))).unwrap_or_default();
            let digits = known.map(|one| format!(" of {} digits", one.digits)).unwrap_or_default();
            let laps = match wraps {
                0 => String::new(),
                1 => format!("; its counter{digits} began again at 0 once"),
                more => format!("; its counter{digits} began again at 0 {more} times"),
            };
            format!("{device}{kind}: from {} to {}{laps}", words::number(*start), words::number(*end))
        }
        Source::HandCount { hand_count } => format!("hand count {}", hand_count.id()),
    }
}

/// Everything that is known of one number.
struct Told<'g> {
    entry: &'g Entry,
    quantity: &'g Quantity,
    withdrawn: Option<&'g Entry>,
}

fn told<'g>(g: &'g Gathered, order: &Stream, number: u32, quantity: &'g Quantity) -> Option<Told<'g>> {
    let entry = g.stream(order).find(|entry| match &entry.body {
        Body::OrderQuantityRecorded(body) => body.quantity == number,
        Body::OrderUnitsRecorded(body) => body.quantity == number,
        _ => false,
    })?;
    let withdrawn = g.stream(order).find(|entry| match &entry.body {
        Body::OrderQuantityWithdrawn(body) => body.quantity == number,
        _ => false,
    });
    Some(Told { entry, quantity, withdrawn })
}

impl Told<'_> {
    fn tone(&self) -> Tone {
        if self.quantity.withdrawn { Tone::Former } else { Tone::Plain }
    }

    /// How a withdrawn number is told: who, when and why.
    fn with(&self, g: &Gathered, text: String) -> String {
        match self.withdrawn {
            Some(entry) => {
                let text = format!("{text}; WITHDRAWN by {}, {}", by(entry), g.local(entry.header.at));
                with_why(text, entry)
            }
            None => text,
        }
    }

    fn entries(&self) -> String {
        ns([self.entry].into_iter().chain(self.withdrawn))
    }
}

fn quantities(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Labels on the line: used, rejected, sampled, spoiled", QUANTITIES);
    let columns = vec![
        num("No."),
        col("Line"),
        wide("What became of them", 3),
        num("Labels"),
        wide("How the number came about", 4),
        wide("Recorded by, when", 4),
        num("Entries"),
    ];
    let mut table = Table::new("Each quantity, a count of its own", QUANTITIES, columns);
    if let Some(state) = g.order(order) {
        for (number, quantity) in &state.quantities {
            let (Some(material), Some(term)) = (quantity.material, quantity.term) else { continue };
            let Some(told) = told(g, order, *number, quantity) else { continue };
            let purpose = match &told.entry.body {
                Body::OrderQuantityRecorded(body) => body.purpose.as_deref(),
                _ => None,
            };
            let what = match (purpose, term) {
                (Some(purpose), Term::Samples) => format!("{}, not given back; for: {purpose}", words::term(term)),
                (Some(purpose), _) => format!("{}; why: {purpose}", words::term(term)),
                (None, _) => words::term(term).to_owned(),
            };
            table.toned(
                cells![
                    number.to_string(),
                    material.to_string(),
                    what,
                    words::number(quantity.count),
                    told.with(g, source(g, order, &quantity.source)),
                    format!("{}, {}", by(told.entry), g.local(told.entry.header.at)),
                    told.entries(),
                ],
                told.tone(),
            );
        }
    }
    step.table(table, NOT_YET);
    step.table(readings(g, order), "no device was read");
    step.section()
}

/// The readings of each device of the line, the verifier among them.
fn readings(g: &Gathered, order: &Stream) -> Table {
    let columns = vec![
        col("Device"),
        wide("What it does", 2),
        wide("Counted", 3),
        num("Start"),
        num("End"),
        num("Again at 0"),
        num("Number"),
        num("Entry"),
    ];
    let clause = "21 CFR 211.68(a); 21 CFR 211.122(g); EU GMP 5.56";
    let mut table = Table::new("Readings of the devices on the line", clause, columns).small();
    let Some(state) = g.order(order) else { return table };
    let line = g.line(&state.plan.line);
    let kind =
        |device: &Id| line.and_then(|line| line.devices.iter().find(|one| one.id == *device)).map(|one| one.kind);
    for (number, quantity) in &state.quantities {
        let Source::Device { device, start, end, wraps } = &quantity.source else { continue };
        let Some(told) = told(g, order, *number, quantity) else { continue };
        let what = match (quantity.term, &quantity.lot) {
            (Some(term), _) => words::term(term).to_owned(),
            (None, Some(lot)) => format!("Finished units of lot {lot}"),
            (None, None) => String::new(),
        };
        let does = kind(device).map_or_else(
            || NOT_HERE.to_owned(),
            |kind| match kind {
                LineDeviceKind::Verifier => "reads every label put on".to_owned(),
                other => plain(other),
            },
        );
        table.toned(
            cells![
                device.to_string(),
                does,
                what,
                words::number(*start),
                words::number(*end),
                wraps.to_string(),
                words::number(quantity.count),
                n(told.entry),
            ],
            told.tone(),
        );
    }
    table
}

fn units(g: &Gathered, order: &Stream) -> Section {
    const CLAUSE: &str = "21 CFR 211.125(c); 21 CFR 211.103; 21 CFR 211.188(b)(7)";
    let mut step = Step::new(g, "Units and yield", CLAUSE);
    let columns = vec![
        num("No."),
        wide("Lot", 2),
        num("Units"),
        wide("How the number came about", 4),
        wide("Recorded by, when", 4),
        num("Entries"),
    ];
    let mut table = Table::new("Finished units", CLAUSE, columns);
    let mut of_lots: Vec<Field> = Vec::new();
    if let Some(state) = g.order(order) {
        let mut all: Vec<&Entry> = Vec::new();
        let mut finished = 0_u64;
        for (number, quantity) in &state.quantities {
            let Some(lot) = &quantity.lot else { continue };
            let Some(told) = told(g, order, *number, quantity) else { continue };
            if !quantity.withdrawn {
                finished = finished.saturating_add(u64::from(quantity.count));
                all.push(told.entry);
            }
            table.toned(
                cells![
                    number.to_string(),
                    lot.as_str(),
                    words::number(quantity.count),
                    told.with(g, source(g, order, &quantity.source)),
                    format!("{}, {}", by(told.entry), g.local(told.entry.header.at)),
                    told.entries(),
                ],
                told.tone(),
            );
        }
        let planned: u64 = state.plan.lots.iter().map(|lot| u64::from(lot.units)).sum();
        if !all.is_empty() {
            let less = i64::try_from(i128::from(planned).saturating_sub(i128::from(finished))).unwrap_or(i64::MAX);
            let percent = accounted_percent(planned, less);
            let text = format!(
                "{} of {} units planned = {percent} % (from the exact fraction {finished}/{planned}, rounded half up once)",
                words::number(finished),
                words::number(planned)
            );
            of_lots.push(
                field("Yield of the order", text).asked("21 CFR 211.103; 21 CFR 211.188(b)(7)").on(all.iter().copied()),
            );
            of_lots.push(field("Units finished", format!("{} units", words::number(finished))).asked(CLAUSE).on(all));
        }
    }
    step.table(table, NOT_YET);
    step.fields(of_lots);
    // Of labels and of units alike: their numbers are of one row.
    step.corrections_where(order, |kind| kind == "order.quantity_withdrawn");
    step.section()
}

/// Specimens and samples, as far as the entries name them: what the labels are like that were used.
fn specimens(g: &Gathered, order: &Stream) -> Section {
    const CLAUSE: &str = "21 CFR 211.188(b)(8); EU GMP 4.21(f)";
    let mut step = Step::new(g, "Specimens and samples, as far as they are recorded", CLAUSE);
    let columns = vec![wide("Specimen or sample", 3), wide("What it is for", 5), wide("By, when", 4), num("Entry")];
    let mut table = Table::new("", CLAUSE, columns).small();
    let mut add = |what: String, why: String, entry: &Entry| {
        table.row(cells![what, why, format!("{}, {}", by(entry), g.local(entry.header.at)), n(entry)]);
    };
    let kept = |one: &Specimen| format!("{}, kept at {}", one.id, one.place);
    // Once each, where two material lines share an item or two rolls a delivery.
    let mut seen = BTreeSet::new();
    let lines = g.order(order).map(|state| state.plan.materials.as_slice()).unwrap_or_default();
    let rolls = g.order(order).into_iter().flat_map(|state| state.rolls.keys());
    let deliveries = rolls.filter_map(|roll| g.roll(roll)).map(|roll| &roll.delivery);
    for stream in lines.iter().map(|line| &line.item).chain(deliveries).filter(|stream| seen.insert(*stream)) {
        for entry in g.stream(stream) {
            match &entry.body {
                Body::ItemApproved(body) => {
                    add(kept(&body.specimen), format!("approved specimen of {}", stream.id()), entry);
                }
                Body::DeliveryExamined(body) => {
                    add(kept(&body.specimen), format!("proof-read whole for the delivery {}", stream.id()), entry);
                }
                _ => {}
            }
        }
    }
    for count in g.things(Thing::Count) {
        for fault in g.count(count).into_iter().flat_map(|state| &state.faults) {
            let Some(piece) = fault.piece.filter(|piece| piece.fate == Fate::Specimen) else { continue };
            if let Some(entry) = fault.disposed.and_then(|by| g.at_rev(count, by.rev)) {
                let what = format!("{} taken out of the roll", words::labels(piece.labels.get()));
                let place = format!("{}, the piece that ends with label {}", count.id(), words::number(piece.last));
                add(what, format!("{}: {place}", words::fate(piece.fate)), entry);
            }
        }
    }
    for entry in g.stream(order) {
        if let Body::OrderQuantityRecorded(body) = &entry.body
            && body.term == Term::Samples
        {
            let withdrawn =
                g.order(order).and_then(|state| state.quantities.get(&body.quantity)).is_some_and(|one| one.withdrawn);
            let purpose = body.purpose.clone().unwrap_or_default();
            let more = if withdrawn { "; WITHDRAWN" } else { "" };
            let what =
                format!("{} off the line, material line {}{more}", words::labels(body.labels.get()), body.material);
            add(what, with_why(purpose, entry), entry);
        }
    }
    step.table(table, "none is recorded");
    step.section()
}

fn hand_counts<'g>(g: &'g Gathered, order: &Stream) -> Vec<&'g Stream> {
    let of_it = |stream: &&Stream| g.hand_count(stream).is_some_and(|state| state.order == *order);
    g.things(Thing::HandCount).into_iter().filter(of_it).collect()
}

/// The record of a hand count alone.
pub(super) fn hand_count(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Hand count {}", stream.id()), "21 CFR 211.125(c); 21 CFR 211.188(b)(11)");
    step.table(hand_table(g, &[stream]), NOT_HERE);
    step.corrections(stream);
    step.section()
}

/// Both people with both numbers. One number alone is not told: the second person counts without knowing it.
pub(super) fn hand_table(g: &Gathered, streams: &[&Stream]) -> Table {
    let columns = vec![
        wide("Hand count", 3),
        wide("Of what", 3),
        wide("First person", 4),
        num("Number"),
        wide("Second person", 4),
        num("Number"),
        wide("Outcome", 2),
        num("Entries"),
    ];
    let mut table = Table::new(
        "Counted by two people, neither knowing the other's number",
        "21 CFR 211.125(c); 21 CFR 211.188(b)(11)",
        columns,
    );
    for stream in streams {
        let Some(state) = g.hand_count(stream) else { continue };
        let entered = g.events(stream, |body| match body {
            Body::HandCountEntered(body) => Some(body.labels.get()),
            _ => None,
        });
        let entered: Vec<(&Entry, u32)> = entered.collect();
        let open = state.status == HandCountStatus::Open;
        let person =
            |at: usize| entered.get(at).map(|(entry, _)| format!("{}, {}", by(entry), g.local(entry.header.at)));
        let number = |at: usize| match entered.get(at) {
            Some(_) if open => "told when both have counted".to_owned(),
            Some((_, number)) => words::number(*number),
            None => String::new(),
        };
        let (outcome, tone) = match state.status {
            HandCountStatus::Open => ("not finished", Tone::Plain),
            HandCountStatus::Agreed => ("both the same", Tone::Plain),
            HandCountStatus::Differed => ("DIFFER: counted anew", Tone::Grave),
        };
        let of = match state.material {
            Some(material) => format!("{}, material line {material}", plain(state.what)),
            None => plain(state.what),
        };
        let entries = g.stream(stream);
        let entries = entries.filter(|entry| !matches!(entry.body, Body::SignatureApplied(_)));
        table.toned(
            cells![
                stream.id().to_string(),
                of,
                person(0).unwrap_or_default(),
                number(0),
                person(1).unwrap_or_default(),
                number(1),
                outcome,
                ns(entries),
            ],
            tone,
        );
    }
    table
}

/// Who opened a hand count.
pub(super) fn openers<'g>(g: &'g Gathered, streams: &[&Stream]) -> Vec<Hand<'g>> {
    let opened =
        streams.iter().filter_map(|stream| g.stream(stream).find(|e| matches!(e.body, Body::HandCountOpened(_))));
    opened.map(|entry| Hand::new(format!("Hand count {} opened", entry.header.stream.id()), entry)).collect()
}
