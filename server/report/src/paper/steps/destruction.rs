//! Containers: what was put in, sealed, and destroyed before a witness.

use tallyseal_control::ContainerStatus;
use tallyseal_schema::Body;
use tallyseal_schema::ids::{Stream, Thing};

use super::super::{Gathered, Section, Tone};
use super::make::{NOT_HERE, Step, Table, cells, field, num, wide};
use super::quantities::{hand_table, openers};
use super::read::{by, n, with_why};
use crate::told::plain;
use crate::words;

const CLAUSE: &str = "21 CFR 211.125(d); 21 CFR 211.122(e); EU GMP 5.62";

/// The containers of an order.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Containers and destruction", CLAUSE);
    let of_it = |stream: &&Stream| g.container(stream).is_some_and(|state| state.order == *order);
    let all: Vec<&Stream> = g.things(Thing::Container).into_iter().filter(of_it).collect();
    if all.is_empty() {
        step.note("No container was opened.");
    }
    for stream in all {
        one(&mut step, stream);
    }
    step.section()
}

/// The record of a container: itself, and the counts it stands on.
pub(super) fn section(g: &Gathered, container: &Stream) -> Section {
    let mut step = Step::new(g, format!("Container {}", container.id()), CLAUSE);
    one(&mut step, container);
    let counts: Vec<&Stream> = g.container(container).into_iter().flat_map(|state| &state.counts).collect();
    step.table(hand_table(g, &counts), "nothing was put in");
    step.people(openers(g, &counts), "no hand count");
    step.section()
}

fn one(step: &mut Step, stream: &Stream) {
    let g = step.gathered();
    step.heading(format!("Container {}", stream.id()), CLAUSE);
    let Some(state) = g.container(stream) else {
        step.note(NOT_HERE);
        return;
    };
    let (status, tone) = match state.status {
        ContainerStatus::Open => ("open", Tone::Plain),
        ContainerStatus::Sealed => ("sealed, waits for destruction", Tone::Grave),
        ContainerStatus::Declared => ("destroyed; the witness has not signed yet", Tone::Grave),
        ContainerStatus::Destroyed => ("destroyed before a witness", Tone::Good),
    };
    let mut fields = vec![field("State", status).asked(CLAUSE).toned(tone)];
    let mut filled = Table::new(
        "What was put in",
        "21 CFR 211.125(c); 21 CFR 211.125(d)",
        vec![wide("Hand count", 2), num("Labels"), wide("By", 4), wide("When", 3), num("Entry")],
    );
    for entry in g.stream(stream) {
        let mut told = match &entry.body {
            Body::ContainerOpened(body) => vec![
                field(
                    "What it holds",
                    format!("{}, material line {} of {}", plain(body.contents), body.material, body.order.id()),
                )
                .asked(CLAUSE),
                field("Where it stands", body.place.clone()).asked("21 CFR 211.122(d)"),
            ],
            Body::ContainerSealed(body) => vec![
                field("Labels in it when it was sealed", words::labels(body.labels.get())).asked(CLAUSE),
                field("Seal", body.seal.clone()).asked(CLAUSE),
            ],
            Body::ContainerDestructionConsented(body) => vec![
                field(
                    "Destroyed although the account is outside its limits",
                    with_why(format!("consent of quality to {}: {}", body.reconciliation.id(), g.done(entry)), entry),
                )
                .asked("21 CFR 211.125(c); 21 CFR 211.125(d)")
                .toned(Tone::Grave),
            ],
            Body::ContainerDestructionDeclared(body) => {
                let mut told = vec![
                    field("Labels destroyed", words::labels(body.labels.get())).asked(CLAUSE),
                    field("Method", body.method.clone()).asked(CLAUSE),
                    field("Place of destruction", body.place.clone()).asked(CLAUSE),
                    field("Destroyed by", g.done(entry)).asked(CLAUSE),
                ];
                if let Some(late) = &body.late {
                    told.push(
                        field("After its day, by the override", late.id().to_string())
                            .asked("21 CFR 211.100(b)")
                            .toned(Tone::Grave),
                    );
                }
                told
            }
            Body::ContainerDestroyed(body) => vec![
                field("Witness", g.done(entry)).asked(CLAUSE),
                field("Labels destroyed, as the witness signed", words::labels(body.labels.get())).asked(CLAUSE),
            ],
            Body::ContainerFilled(body) => {
                let when = g.local(entry.header.at);
                let count = body.hand_count.id().to_string();
                filled.row(cells![count, words::number(body.labels.get()), by(entry), when, n(entry)]);
                continue;
            }
            _ => continue,
        };
        fields.extend(told.drain(..).map(|field| field.on([entry])));
    }
    step.fields(fields);
    step.table(filled, "nothing");
    let kinds = [
        "container.opened",
        "container.filled",
        "container.sealed",
        "container.destruction_consented",
        "container.destruction_declared",
        "container.destroyed",
    ];
    let hands = step.hands(stream, &kinds);
    step.people(hands, NOT_HERE);
    step.corrections(stream);
}
