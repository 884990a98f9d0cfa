//! One shipment: what came, from whom, what was stated and counted, how it was examined, and what quality decided.

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::ExaminationResult;
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::make::{NOT_HERE, NOT_YET, Step, Table, cells, col, field, num, wide};
use super::read::n;
use crate::words;

const RECEIPT: &str = "21 CFR 211.184(a); 21 CFR 211.122(c)";
const EXAMINATION: &str = "21 CFR 211.122(a); 21 CFR 211.184(d)";

pub(super) fn section(g: &Gathered, delivery: &Stream) -> Section {
    let mut step = Step::new(g, format!("Delivery {}", delivery.id()), "21 CFR 211.122(a); 21 CFR 211.184(a)");
    step.fields(receipt(g, delivery));
    step.table(rolls(g, delivery), NOT_HERE);
    let asked = "21 CFR 211.122(a); 21 CFR 211.122(b); 21 CFR 211.122(c); 21 CFR 211.184(b); 21 CFR 211.184(d)";
    step.heading("Examination of the receipt", asked);
    examination(&mut step, delivery);
    step.heading("Decision of quality", "21 CFR 211.22(a); 21 CFR 211.122(b)");
    step.fields(decision(g, delivery));
    let kinds = ["delivery.received", "delivery.examined", "delivery.released", "delivery.rejected"];
    let mut hands = step.hands(delivery, &kinds);
    hands.extend(supplier_hands(&step, delivery));
    step.people(hands, NOT_HERE);
    step.corrections(delivery);
    step.section()
}

fn receipt(g: &Gathered, delivery: &Stream) -> Vec<Field> {
    let mut found = g.events(delivery, |body| match body {
        Body::DeliveryReceived(body) => Some(body),
        _ => None,
    });
    let Some((entry, body)) = found.next() else {
        return vec![field("Receipt", NOT_HERE).asked(RECEIPT)];
    };
    let registered = g.stream(&body.supplier).find_map(|entry| match &entry.body {
        Body::SupplierRegistered(body) => Some((entry, format!("{}, {}", body.name, body.site))),
        _ => None,
    });
    let supplier = match &registered {
        Some((_, name)) => format!("{name} ({})", body.supplier.id()),
        None => format!("{}, {NOT_HERE}", body.supplier.id()),
    };
    let stated: u64 = body.rolls.iter().map(|roll| u64::from(roll.stated.get())).sum();
    vec![
        field("Supplier", supplier).asked(RECEIPT).on(registered.map(|(entry, _)| entry)).on([entry]),
        field("Prime maker", body.maker.clone()).asked(RECEIPT).on([entry]),
        field("Supplier's lot", body.supplier_lot.clone()).asked(RECEIPT).on([entry]),
        field("Receiving code", body.receiving_code.clone()).asked(RECEIPT).on([entry]),
        field("Item", body.item.id().to_string()).asked("21 CFR 211.122(c)").on([entry]),
        field("Received", g.done(entry)).asked(RECEIPT).on([entry]),
        field("State of packing and papers", body.condition.clone()).asked("21 CFR 211.122(a)").on([entry]),
        field("Put to", body.place.clone()).asked("21 CFR 211.122(d)").on([entry]),
        field(
            "Quantity stated",
            format!("{} labels on {}", words::number(stated), words::so_many(body.rolls.len(), "roll", "rolls")),
        )
        .asked(RECEIPT)
        .on([entry]),
    ]
}

/// Every roll as stated and as counted.
fn rolls(g: &Gathered, delivery: &Stream) -> Table {
    let columns = vec![
        col("Roll"),
        num("Stated"),
        num("Verified"),
        wide("Difference", 2),
        wide("Counted at", 2),
        wide("Quality", 2),
        num("Entries"),
    ];
    let mut table =
        Table::new("Rolls: stated by the supplier, and counted here", "21 CFR 211.184(a); 21 CFR 211.68(a)", columns);
    let received = g.events(delivery, |body| match body {
        Body::DeliveryReceived(body) => Some(body),
        _ => None,
    });
    for (entry, stated) in received.flat_map(|(entry, body)| body.rolls.iter().map(move |roll| (entry, roll))) {
        let roll = Stream::of(Thing::Roll, &stated.roll);
        let number = words::number(stated.stated.get());
        let Some(state) = g.roll(&roll) else {
            table.toned(cells![roll.id().to_string(), number, NOT_HERE, "", "", "", n(entry)], Tone::Small);
            continue;
        };
        let settled = state.settled.as_ref();
        let counted = settled.map_or_else(|| "no count stands".to_owned(), |one| words::number(one.counted.get()));
        let against = settled.map(|one| words::against(one.counted.get(), stated.stated.get())).unwrap_or_default();
        let station = settled.and_then(|one| g.count(&one.standing)).map(|count| count.station.id().to_string());
        let settling = g.stream(&roll).rfind(|entry| matches!(entry.body, Body::RollCountSettled(_)));
        let quality = words::quality(state.quality).text;
        let entries = super::read::ns([entry].into_iter().chain(settling));
        table.row(cells![
            roll.id().to_string(),
            number,
            counted,
            against,
            station.unwrap_or_default(),
            quality,
            entries
        ]);
    }
    table
}

fn examination(step: &mut Step, delivery: &Stream) {
    let g = step.gathered();
    let all = g.events(delivery, |body| match body {
        Body::DeliveryExamined(body) => Some(body),
        _ => None,
    });
    let all: Vec<_> = all.collect();
    if all.is_empty() {
        step.note(NOT_YET);
    }
    for (entry, body) in all {
        let rolls: Vec<String> = body.rolls.iter().map(|roll| roll.id().to_string()).collect();
        let result = match body.result {
            ExaminationResult::Accept => ("accept: by its plan it may be released", Tone::Good),
            ExaminationResult::Reject => ("reject: by its plan it may not be released", Tone::Grave),
        };
        let specimen = format!("{}, kept at {}", body.specimen.id, body.specimen.place);
        let fields = vec![
            field("Sampling plan and criteria", body.plan.clone()).asked(EXAMINATION),
            field("Labels examined", words::labels(body.sampled.get())).asked(EXAMINATION),
            field("Rolls opened", rolls.join(", ")).asked(EXAMINATION),
            field("How labels inside rolls were reached", body.reached.clone()).asked(EXAMINATION),
            field("Proof-read against the specimen", specimen).asked("21 CFR 211.122(a)"),
            field("Critical defects, any one rejects", words::number(body.critical)).asked(EXAMINATION),
            field("Major defects", words::number(body.major)).asked(EXAMINATION),
            field("Minor defects", words::number(body.minor)).asked(EXAMINATION),
            field("Result", result.0).asked(EXAMINATION).toned(result.1),
            field("Examined by", g.done(entry)).asked(EXAMINATION),
        ];
        step.fields(fields.into_iter().map(|field| field.on([entry])).collect());
    }
}

fn decision(g: &Gathered, delivery: &Stream) -> Vec<Field> {
    let said = |entry: &Entry| match &entry.body {
        Body::DeliveryReleased(_) => Some(("Released", Tone::Good)),
        Body::DeliveryRejected(_) => Some(("Rejected", Tone::Grave)),
        _ => None,
    };
    let decided = g.stream(delivery).filter_map(|entry| {
        let (name, tone) = said(entry)?;
        let text = super::read::with_why(g.done(entry), entry);
        Some(field(name, text).asked("21 CFR 211.22(a); 21 CFR 211.122(b)").on([entry]).toned(tone))
    });
    let decided: Vec<Field> = decided.collect();
    let state = g.delivery(delivery).map(|state| words::delivery_status(state.status).text);
    match (decided.is_empty(), state) {
        (false, _) => decided,
        (true, state) => vec![field("State", state.unwrap_or_else(|| NOT_HERE.to_owned())).toned(Tone::Small)],
    }
}

/// Who approved the supplier for the item.
fn supplier_hands<'g>(step: &Step<'g>, delivery: &Stream) -> Vec<super::make::Hand<'g>> {
    let g = step.gathered();
    let Some(state) = g.delivery(delivery) else { return Vec::new() };
    let mut hands = Vec::new();
    for entry in g.stream(&state.supplier) {
        match &entry.body {
            Body::SupplierApproved(body) if body.item == state.item => {
                let text = format!("Supplier {} approved for {}", state.supplier.id(), state.item.id());
                hands.push(super::make::Hand::new(text, entry));
            }
            _ => {}
        }
    }
    hands
}
