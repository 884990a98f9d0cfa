//! What was to be made, by which master record, with which labels.

use tallyseal_control::{OrderStatus, needed};
use tallyseal_schema::Body;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{Coding, MaterialPlanned, OrderPlanned};

use super::super::{Field, Gathered, Section};
use super::item;
use super::make::{Hand, NOT_HERE, Step, Table, cells, field, maybe, num, wide};
use super::read::n;
use crate::told::plain;
use crate::words;

/// Corrections of an order that stand in other steps than its plan.
const ELSEWHERE: &[&str] = &["order.quantity_withdrawn", "order.reconciled", "order.reopened", "order.hold_lifted"];

const PRODUCT: &str = "21 CFR 211.188(a); 21 CFR 211.186(b)(1); EU GMP 4.21(a)";

/// The plan of an order, then each of its labels.
pub(super) fn sections(g: &Gathered, order: &Stream) -> Vec<Section> {
    let Some(state) = g.order(order) else { return Vec::new() };
    let mut sections = vec![plan(g, order, &state.plan, state.status)];
    sections.extend(state.plan.materials.iter().map(|line| label(g, order, &state.plan, line)));
    sections
}

fn plan(g: &Gathered, order: &Stream, plan: &OrderPlanned, status: OrderStatus) -> Section {
    let mut step =
        Step::new(g, format!("Plan of order {}", order.id()), "21 CFR 211.188(a); 21 CFR 211.186; EU GMP 4.21(a)");
    let planned = g.stream(order).find(|entry| matches!(entry.body, Body::OrderPlanned(_)));
    let units: u64 = plan.lots.iter().map(|lot| u64::from(lot.units)).sum();
    let line = match g.line(&plan.line) {
        Some(line) => format!("{}, {}, {}", plan.line.id(), line.name, line.place),
        None => plan.line.id().to_string(),
    };
    let copy = |one: &tallyseal_schema::kinds::DocumentCopy| format!("{}, version {}", one.id, one.version);
    let mut fields = vec![
        field("Packaging order", order.id().to_string()).asked("21 CFR 211.130(c); EU GMP 4.21(a)"),
        field("What it is for", plain(plan.kind)),
        field("Product", plan.product.clone()).asked(PRODUCT),
        maybe("Strength", plan.strength.clone(), "none is stated").asked(PRODUCT),
        field("Dosage form", plan.dosage_form.clone()).asked(PRODUCT),
        field("Pack size", plan.pack.clone()).asked(PRODUCT),
        field("Market", plan.market.clone()).asked("21 CFR 211.132"),
        field("Master record", copy(&plan.master)).asked("21 CFR 211.188(a)"),
        field("Units planned", format!("{} units", words::number(units))).asked("21 CFR 211.103; EU GMP 4.21(a)"),
        field("Packaging line", line).asked("21 CFR 211.188(b)(2); EU GMP 4.21(e)"),
    ];
    fields.extend(plan.procedures.iter().map(|one| field("Procedure", copy(one)).asked("21 CFR 211.125(f)")));
    let mut fields: Vec<Field> = fields.into_iter().map(|field| field.on(planned)).collect();
    fields.push(field("State", words::order_status(status).0));
    step.fields(fields);
    let columns = vec![wide("Lot", 3), wide("Expiry, as printed", 2), num("Units planned"), num("Entry")];
    let mut lots =
        Table::new("Lots of product", "21 CFR 211.130(c); 21 CFR 211.137; 21 CFR 201.18; EU GMP 4.21(a)", columns);
    for lot in &plan.lots {
        let entry = planned.map(n).unwrap_or_default();
        lots.row(cells![lot.lot.as_str(), lot.expiry.as_str(), words::number(lot.units), entry]);
    }
    step.table(lots, "no lot");
    let mut hands = Vec::new();
    for entry in g.stream(order) {
        let what = match &entry.body {
            Body::OrderPlanned(_) => "Order planned",
            Body::OrderVoided(_) => "Order made void",
            Body::OrderReopened(_) => "Record opened again",
            _ => continue,
        };
        hands.push(Hand::new(what, entry));
    }
    step.people(hands, NOT_HERE);
    step.corrections_where(order, |kind| !ELSEWHERE.contains(&kind));
    step.section()
}

/// One label of an order: the item as it was approved, what the order asks of it, and what is needed.
fn label(g: &Gathered, order: &Stream, plan: &OrderPlanned, line: &MaterialPlanned) -> Section {
    let title = format!("Label of material line {}", line.material);
    let mut step = Step::new(g, title, "21 CFR 211.186(b)(8); 21 CFR 211.125(c); EU GMP 4.19");
    let planned = g.stream(order).find(|entry| matches!(entry.body, Body::OrderPlanned(_)));
    let (num_, den) = (line.labels_per_unit.num(), line.labels_per_unit.den());
    let per = if den == 1 { format!("{num_} on each unit") } else { format!("{num_} for {den} units") };
    let coding = match line.coding {
        Coding::Line => "coded at the line: lot, expiry or serial is printed on it; not coded when it is issued",
        Coding::None => "not coded",
    };
    let asked: Vec<Field> = vec![
        field("Labels on each unit", per).asked("21 CFR 211.125(c)"),
        field("Coding", coding).asked("21 CFR 211.122(h); 21 CFR 211.125(d)"),
    ];
    step.fields(asked.into_iter().map(|field| field.on(planned)).collect());
    step.fields(item::fields(g, &line.item));
    step.table(need(g, order, plan, line), "");
    step.people(item::hands(&step, &line.item), NOT_HERE);
    step.corrections(&line.item);
    step.section()
}

/// What is needed, part by part, as it is reckoned for the rolls that the order has.
fn need(g: &Gathered, order: &Stream, plan: &OrderPlanned, line: &MaterialPlanned) -> Table {
    let rolls = g
        .order(order)
        .map(|state| state.rolls.values().filter(|one| one.material == line.material && one.issue.is_some()).count());
    let need = needed(plan, line, u64::try_from(rolls.unwrap_or(0)).unwrap_or(u64::MAX));
    let (ratio, allowance) = (line.labels_per_unit, &line.allowance);
    let per = if ratio.den() == 1 { ratio.num().to_string() } else { ratio.to_string() };
    let mut table = Table::new("Labels that it needs", "21 CFR 211.125(a)", vec![wide("", 4), num("Labels")]);
    table.row(cells![format!("{} units × {per}", words::number(need.units)), words::number(need.for_units)]);
    table.row(cells!["+ for setting up", words::number(need.fixed)]);
    let running = format!("+ lost in running, {} of {}", allowance.ratio, words::number(need.for_units));
    table.row(cells![running, words::number(need.running)]);
    let changes = format!("+ changes of roll, {} × {}", words::number(need.changes), allowance.per_roll_change);
    table.row(cells![changes, words::number(need.for_changes)]);
    table.row(cells!["= needed", words::number(need.total)]);
    table
}
