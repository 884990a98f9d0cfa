//! What came back from the line: sealed by it, taken back by the label room, counted there anew.

use tallyseal_schema::ids::Stream;
use tallyseal_schema::{Body, Entry};

use super::super::{Gathered, Section, Tone};
use super::make::{Step, Table, cells, col, num, wide};
use super::read::{by, n, ns, with_why};
use super::roll;
use crate::words;

const CLAUSE: &str = "21 CFR 211.125(c); 21 CFR 211.125(d); 21 CFR 211.125(e); EU GMP 4.21(h)";

/// Returns of an order, then the record of each rest.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Vec<Section> {
    let mut step = Step::new(g, "Given back by the line", CLAUSE);
    step.table(given(g, order), "no roll was given back");
    step.table(taken(g, order), "no roll was taken back");
    let mut sections = vec![step.section()];
    let rests = g.order(order).into_iter().flat_map(|state| state.rolls.values()).filter_map(|one| one.rest.as_ref());
    sections.extend(rests.map(|rest| roll::section(g, rest)));
    sections
}

fn given(g: &Gathered, order: &Stream) -> Table {
    let columns =
        vec![wide("Roll", 2), col("Line"), wide("Seal", 2), wide("Given by", 4), wide("When", 3), num("Entry")];
    let mut table = Table::new("Handed over by the line, sealed and uncounted", CLAUSE, columns);
    let all = g.events(order, |body| match body {
        Body::OrderRollGivenBack(body) => Some(body),
        _ => None,
    });
    for (entry, body) in all {
        let roll = with_why(body.roll.id().to_string(), entry);
        table.row(cells![
            roll,
            body.material.to_string(),
            body.seal.as_str(),
            by(entry),
            g.local(entry.header.at),
            n(entry)
        ]);
    }
    table
}

fn taken(g: &Gathered, order: &Stream) -> Table {
    let columns = vec![
        wide("Roll", 2),
        wide("Seal", 2),
        wide("Coded tail cut off", 3),
        wide("Un-coded rest", 2),
        num("Labels, counted anew"),
        wide("Quality of the rest", 3),
        wide("Received by, when", 4),
        num("Entries"),
    ];
    let mut table = Table::new("Taken back by the label room", CLAUSE, columns).small();
    let all = g.events(order, |body| match body {
        Body::OrderReturnTaken(body) => Some(body),
        _ => None,
    });
    for (entry, body) in all {
        let tail = body.tail.as_ref().map(|tail| {
            let labels = g.hand_count(tail).and_then(|count| count.agreed()).map(|labels| words::labels(labels.get()));
            let labels = labels.unwrap_or_else(|| "no number yet".to_owned());
            let into = body.container.as_ref().map(|one| format!(", into {}", one.id())).unwrap_or_default();
            format!("{labels} by the hand count {}{into}", tail.id())
        });
        let rest = body.rest.as_ref().and_then(|rest| g.roll(rest));
        let counted = match (&body.rest, rest.and_then(|rest| rest.came_back())) {
            (None, _) => "nothing is left".to_owned(),
            (Some(_), Some(labels)) => words::number(labels),
            (Some(_), None) => "no count stands".to_owned(),
        };
        let released = body
            .rest
            .as_ref()
            .and_then(|rest| g.stream(rest).find(|entry| matches!(entry.body, Body::RollReturnReleased(_))));
        let quality = match (rest, released) {
            (_, Some(entry)) => format!("released by {}, {}", by(entry), g.local(entry.header.at)),
            (Some(rest), None) => words::quality(rest.quality).text,
            (None, None) => String::new(),
        };
        let settled = body
            .rest
            .as_ref()
            .and_then(|rest| g.stream(rest).rfind(|entry| matches!(entry.body, Body::RollCountSettled(_))));
        let (seal, tone) = if body.seal_intact { ("intact", Tone::Plain) } else { ("BROKEN OR MISSING", Tone::Grave) };
        let entries: [Option<&Entry>; 3] = [Some(entry), settled, released];
        table.toned(
            cells![
                body.roll.id().to_string(),
                seal,
                tail.unwrap_or_else(|| "none".to_owned()),
                body.rest.as_ref().map(|rest| rest.id().to_string()).unwrap_or_else(|| "none".to_owned()),
                counted,
                quality,
                with_why(format!("{}, {}", by(entry), g.local(entry.header.at)), entry),
                ns(entries.into_iter().flatten()),
            ],
            tone,
        );
    }
    table
}
