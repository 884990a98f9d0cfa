//! Limits: what they are, where they come from, and when they were fixed for an order.

use tallyseal_schema::Body;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{Limit, LimitBasis, Limits};

use super::super::{Field, Gathered, Section};
use super::make::{Hand, NOT_HERE, NOT_YET, Step, field};
use crate::told::plain;
use crate::words;

const CLAUSE: &str = "21 CFR 211.125(c); EU GMP 4.21(h)";

/// What one limit allows.
pub(super) fn limit(limit: &Limit) -> String {
    let what = if limit.labels.get() == 1 { "label" } else { "labels" };
    format!("{} {what}, and {} of what was issued", words::number(limit.labels.get()), limit.ratio)
}

fn rows(limits: &Limits) -> Vec<Field> {
    let rows = [
        ("Short, at most", &limits.short),
        ("Over, at most", &limits.over),
        ("Fewer than the units need, at most", &limits.product_short),
        ("More than the units need, at most", &limits.product_over),
    ];
    rows.map(|(name, one)| field(name, limit(one)).asked(CLAUSE)).into()
}

/// Where a set of limits comes from.
fn origin(g: &Gathered, set: &Stream) -> Vec<Field> {
    let drafted = g.stream(set).find(|entry| matches!(entry.body, Body::LimitSetDrafted(_)));
    let Some(state) = g.limit_set(set) else {
        return vec![field("Where they come from", NOT_HERE).asked(CLAUSE)];
    };
    let basis = match state.draft.basis {
        LimitBasis::Provisional => "provisional: there is no history yet, and they are to be replaced",
        LimitBasis::History => "the plant's own comparable orders",
    };
    vec![
        field("For the label of the code", state.draft.item_code.clone()).on(drafted),
        field("Where they come from", basis).asked(CLAUSE).on(drafted),
        field("Data behind them", state.draft.data.clone()).asked(CLAUSE).on(drafted),
        field("State of the set now", plain(state.status)),
    ]
}

fn hands<'g>(step: &Step<'g>, set: &Stream) -> Vec<Hand<'g>> {
    step.hands(set, &["limit_set.drafted", "limit_set.approved", "limit_set.withdrawn"])
}

/// The record of a set alone.
pub(super) fn section(g: &Gathered, set: &Stream) -> Section {
    let mut step = Step::new(g, format!("Limits {}", set.id()), CLAUSE);
    let drafted = g.stream(set).find(|entry| matches!(entry.body, Body::LimitSetDrafted(_)));
    step.fields(origin(g, set));
    if let Some(state) = g.limit_set(set) {
        let mut fields = rows(&state.draft.limits);
        fields.push(uncertainty(state.draft.uncertainty.get()));
        step.fields(fields.into_iter().map(|field| field.on(drafted)).collect());
    }
    step.people(hands(&step, set), NOT_HERE);
    step.corrections(set);
    step.section()
}

fn uncertainty(labels: u32) -> Field {
    field("The count of one roll may be off by", words::labels(labels)).asked("21 CFR 211.68(a)")
}

/// The limits of each material line of an order, as they were fixed at its first issue.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Option<Section> {
    let state = g.order(order)?;
    let mut step = Step::new(g, "Limits and where they come from", CLAUSE);
    for line in &state.plan.materials {
        step.heading(format!("Material line {}", line.material), "");
        let frozen = g.events(order, |body| match body {
            Body::OrderLimitsFrozen(body) if body.material == line.material => Some(body),
            _ => None,
        });
        let frozen = frozen.last();
        let set = frozen.as_ref().map_or(&line.limit_set, |(_, body)| &body.limit_set);
        let when = match &frozen {
            Some((entry, _)) => format!("at the first issue: {}", g.done(entry)),
            None => format!("{NOT_YET}; this is fixed at the first issue"),
        };
        let entry = frozen.as_ref().map(|(entry, _)| *entry);
        let mut fields = vec![
            field("Limit set", set.id().to_string()).asked(CLAUSE).on(entry),
            field("Fixed for this order", when).asked(CLAUSE).on(entry),
        ];
        let stated = match &frozen {
            Some((_, body)) => Some((&body.limits, body.uncertainty)),
            None => g.limit_set(set).map(|set| (&set.draft.limits, set.draft.uncertainty)),
        };
        match stated {
            Some((limits, off)) => {
                fields.extend(rows(limits).into_iter().chain([uncertainty(off.get())]).map(|field| field.on(entry)));
            }
            None => fields.push(field("Limits", NOT_HERE).asked(CLAUSE)),
        }
        fields.extend(origin(g, set));
        step.fields(fields);
        step.people(hands(&step, set), NOT_HERE);
        step.corrections(set);
    }
    Some(step.section())
}
