//! The account of the labels of a material line: one figure, its arithmetic, and how it stands to its limits.
//!
//! Rule: 21 CFR 211.125(c); EU GMP Part I 4.21(h).

use std::collections::BTreeSet;

use tallyseal_control::{
    ContainerStatus, Key, Need, OrderState, Reckoning, State, Stop, World, accounted_percent, product_test, reckoned,
    unaccounted_percent,
};
use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::{Contents, Limit, ReconciliationComputed, Terms, Verdict};

use super::say::{column, heading, numbers, row, table, text, toned};
use super::{Block, Gathered, Tone, picture};
use crate::flow::{Flow, Part, Sort};
use crate::words;

/// What asks for it.
const CLAUSE: &str = "21 CFR 211.125(c); EU GMP 4.21(h)";

/// The accounts of an order, or the one account whose record it is.
pub(crate) fn blocks(gathered: &Gathered) -> Vec<Block> {
    match gathered.state(&gathered.record) {
        Some(State::Order(order)) => {
            let lines =
                order.plan.materials.iter().map(|line| of_line(gathered, &gathered.record, order, line.material));
            lines.flatten().collect()
        }
        Some(State::Reconciliation(state)) => {
            let (order, material) = (state.computed.order.clone(), state.computed.material);
            let reckoning = made(&state.computed);
            let Some(State::Order(plan)) = gathered.state(&order) else { return Vec::new() };
            drawn(gathered, (&order, plan), material, &gathered.record, &reckoning)
        }
        _ => Vec::new(),
    }
}

fn made(computed: &ReconciliationComputed) -> Reckoning {
    Reckoning {
        account: Some(computed.clone()),
        missing: None,
        terms: computed.terms.clone(),
        unaccounted: computed.unaccounted,
    }
}

fn of_line(gathered: &Gathered, stream: &Stream, order: &OrderState, material: u16) -> Vec<Block> {
    let recorded = order.reconciled.get(&material);
    let state = recorded.and_then(|account| match gathered.state(account) {
        Some(State::Reconciliation(state)) => Some((account, state)),
        _ => None,
    });
    match state {
        Some((account, state)) => drawn(gathered, (stream, order), material, account, &made(&state.computed)),
        None => match so_far(gathered, &stream.id(), material) {
            // What it would come to is nobody's account: only what is recorded is judged.
            Some(reckoning) => {
                let reckoning = Reckoning { account: None, ..reckoning };
                drawn(gathered, (stream, order), material, stream, &reckoning)
            }
            None => {
                vec![text(format!("Material line {material}: no labels were issued, there is nothing to account for."))]
            }
        },
    }
}

/// What is known of a material line whose account was not made, by the entries of this record. `None`: nothing was issued.
fn so_far(gathered: &Gathered, order: &Id, material: u16) -> Option<Reckoning> {
    let mut world = World::default();
    loop {
        match reckoned(&world, order, material) {
            Ok(reckoning) => return Some(reckoning).filter(|reckoning| reckoning.terms.issued > 0),
            Err(Stop::Need(Need::Stream(stream))) => {
                let record = gathered.records.get(&stream).cloned();
                world.put(stream, record);
            }
            Err(Stop::Need(Need::Set(key))) => {
                let streams = with_key(gathered, &key);
                world.put_set(key, streams);
            }
            Err(Stop::Need(Need::Count(_)) | Stop::Refused(_)) => return None,
        }
    }
}

fn with_key(gathered: &Gathered, key: &Key) -> Vec<Stream> {
    let with = gathered.records.iter().filter(|(stream, record)| record.keys(stream).contains(key));
    with.map(|(stream, _)| stream.clone()).collect()
}

/// Heading, figure, arithmetic, verdicts. `account`: the stream that holds it.
fn drawn(
    gathered: &Gathered,
    (stream, order): (&Stream, &OrderState),
    material: u16,
    account: &Stream,
    reckoning: &Reckoning,
) -> Vec<Block> {
    let item =
        order.plan.materials.iter().find(|line| line.material == material).map(|line| item(gathered, &line.item));
    let title = format!("Labels of material line {material}: {}", item.unwrap_or_else(|| "item not known".to_owned()));
    let mut blocks = vec![heading(2, title, CLAUSE)];
    let flow = flow_of(gathered, (stream, order), material, reckoning);
    let accounted = format!(
        "{} issued, {} % accounted for",
        words::labels(reckoning.terms.issued),
        accounted_percent(reckoning.terms.issued, reckoning.unaccounted)
    );
    let caption = match &reckoning.account {
        Some(_) => format!("{accounted}: {}", words::named(account)),
        None => format!("{} issued; the account is not made yet", words::labels(reckoning.terms.issued)),
    };
    blocks.push(picture::flow(&flow, &format!("{}-{material}", account.id()), &caption));
    blocks.push(balance(&flow, reckoning));
    if let Some(computed) = &reckoning.account {
        blocks.push(balance_verdict(computed));
        blocks.extend(product(computed));
        if !computed.independent {
            blocks.push(text("Units had no counter of their own here: balance and product are one test, not two."));
        }
        let limits: Vec<u64> = order
            .frozen
            .get(&material)
            .into_iter()
            .flat_map(|frozen| frozen_at(gathered, &frozen.limit_set, material))
            .collect();
        let set = order.frozen.get(&material).map(|frozen| words::capital(&words::named(&frozen.limit_set)));
        blocks.push(toned(
            format!(
                "Formula {}. {}, frozen at the first issue{}.",
                computed.formula,
                set.unwrap_or_else(|| "Limits that are not in this record".to_owned()),
                limits.first().map_or_else(String::new, |n| format!(" (entry {n})"))
            ),
            Tone::Small,
        ));
    }
    blocks
}

fn frozen_at(gathered: &Gathered, set: &Stream, material: u16) -> Vec<u64> {
    let frozen = gathered.entries().filter(|entry| {
        matches!(&entry.body, tallyseal_schema::Body::OrderLimitsFrozen(body) if body.limit_set == *set && body.material == material)
    });
    frozen.map(|entry| entry.header.n).collect()
}

/// An item as the paper names it.
pub(crate) fn item(gathered: &Gathered, stream: &Stream) -> String {
    match gathered.state(stream) {
        Some(State::Item(state)) => {
            format!("{} revision {} ({})", state.draft.code, state.draft.revision, words::named(stream))
        }
        _ => words::named(stream),
    }
}

fn flow_of(gathered: &Gathered, (stream, order): (&Stream, &OrderState), material: u16, reckoning: &Reckoning) -> Flow {
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = reckoning.terms;
    let boxes = |contents: Contents| {
        let of_it = gathered.records.iter().filter_map(|(one, record)| match &record.state {
            State::Container(state)
                if state.order == *stream
                    && state.material == material
                    && state.contents == contents
                    && state.labels.get() > 0 =>
            {
                Some(format!("{} {}", one.id(), container(state.status)))
            }
            _ => None,
        });
        of_it.collect::<Vec<_>>().join(", ")
    };
    let rests = order.rolls.values().filter(|one| one.material == material).filter_map(|one| one.rest.as_ref());
    let rests: BTreeSet<String> = rests.map(|rest| rest.id().to_string()).collect();
    let part =
        |label: &str, labels: u64, note: String| Part { label: label.to_owned(), labels, note, sort: Sort::Known };
    let mut parts = vec![
        part("On good units", good, String::new()),
        part("On rejected units", rejected, boxes(Contents::Rejected)),
        part("Samples", samples, String::new()),
        part("Spoiled", spoiled, boxes(Contents::Spoiled)),
        part("Given back: coded tail", coded, boxes(Contents::Coded)),
        part("Given back: un-coded rest", returned, rests.into_iter().collect::<Vec<_>>().join(", ")),
    ];
    let left = u64::try_from(reckoning.unaccounted).unwrap_or(0);
    let over = if reckoning.unaccounted < 0 { reckoning.unaccounted.unsigned_abs() } else { 0 };
    parts.push(match reckoning.account {
        Some(_) => Part {
            label: "Unaccounted for".to_owned(),
            labels: left,
            note: if over > 0 { format!("over by {}", words::number(over)) } else { String::new() },
            sort: Sort::Unaccounted,
        },
        None => Part {
            label: "Not told yet".to_owned(),
            labels: left,
            note: "the account is not made".to_owned(),
            sort: Sort::Pending,
        },
    });
    Flow { issued, over, parts }
}

const fn container(status: ContainerStatus) -> &'static str {
    match status {
        ContainerStatus::Open => "open",
        ContainerStatus::Sealed => "sealed",
        ContainerStatus::Declared => "destroyed, the witness has not signed",
        ContainerStatus::Destroyed => "destroyed",
    }
}

/// A difference in words: never a minus sign, which is easily overlooked.
fn difference(value: i64, short: &str, over: &str) -> String {
    let size = words::number(value.unsigned_abs());
    match value {
        0 => "0".to_owned(),
        1.. => format!("{size} {short}"),
        _ => format!("{size} {over}"),
    }
}

fn sum(sign: &str, what: &str, labels: String) -> super::Row {
    row(vec![sign.to_owned(), what.to_owned(), labels])
}

fn arithmetic(caption: &str, rows: Vec<super::Row>) -> Block {
    table(caption, "", vec![column("", 1), column("", 9), numbers("Labels", 4)], rows)
}

fn verdict(what: &str, verdict: Verdict, side: &str, limit: &Limit) -> Block {
    let (said, mark) = words::verdict(verdict);
    let labels = words::labels(limit.labels.get());
    let tone = if mark == "good" { Tone::Good } else { Tone::Grave };
    toned(format!("{what}: {said}. Limit {side}: {labels}, and {} of what was issued.", limit.ratio), tone)
}

/// The figure in numbers: what is left of those issued when everything that is known is taken off.
fn balance(flow: &Flow, reckoning: &Reckoning) -> Block {
    let share = |part: &Part| match (part.labels, part.sort) {
        (0, _) | (_, Sort::Pending) => String::new(),
        (labels, _) => format!("{} %", unaccounted_percent(flow.issued, i64::try_from(labels).unwrap_or(i64::MAX))),
    };
    let line = |sign: &str, what: &str, labels: String, share: String, note: &str| {
        row(vec![sign.to_owned(), what.to_owned(), labels, share, note.to_owned()])
    };
    let mut rows = vec![line("", "Issued", words::number(flow.issued), String::new(), "")];
    for part in &flow.parts {
        let (sign, labels) = match (part.sort, reckoning.unaccounted) {
            (Sort::Known, _) => ("\u{2212}", part.figure()),
            (Sort::Pending, _) => ("=", part.figure()),
            (Sort::Unaccounted, left) => ("=", difference(left, "short", "over")),
        };
        let share = match (part.sort, reckoning.unaccounted) {
            (Sort::Unaccounted, left) => format!("{} %", unaccounted_percent(flow.issued, left)),
            _ => share(part),
        };
        let mut line = line(sign, &part.label, labels, share, &part.note);
        if part.sort == Sort::Unaccounted && reckoning.unaccounted != 0 {
            line.tone = Tone::Grave;
        }
        rows.push(line);
    }
    let columns = vec![
        column("", 1),
        column("What became of them", 7),
        numbers("Labels", 4),
        numbers("Of those issued", 4),
        column("Where", 7),
    ];
    table("Balance: issued against accounted for", "", columns, rows)
}

fn balance_verdict(account: &ReconciliationComputed) -> Block {
    let (side, limit) = match account.unaccounted {
        ..0 => ("over", &account.limits.over),
        _ => ("short", &account.limits.short),
    };
    verdict("Balance", account.balance, side, limit)
}

fn product(account: &ReconciliationComputed) -> Vec<Block> {
    let test = product_test(account);
    let left = difference(test.left, "", "over").trim_end().to_owned();
    let size = words::parts(account.product.unsigned_abs(), test.den);
    let value = match account.product {
        0 => "0".to_owned(),
        1.. => format!("{size} more than needed"),
        _ => format!("{size} fewer than needed"),
    };
    let per =
        if test.den == 1 { account.labels_per_unit.num().to_string() } else { account.labels_per_unit.to_string() };
    let needed = format!("{} units \u{d7} {per}", words::number(account.units));
    let rows = vec![
        sum("", "labels that the balance leaves for good units", left),
        sum("\u{2212}", &needed, words::parts(test.needed, test.den)),
        sum("=", "difference", value),
    ];
    let (side, limit) = match account.product {
        ..0 => ("fewer", &account.limits.product_short),
        _ => ("more", &account.limits.product_over),
    };
    vec![
        arithmetic("Product: units against their labels", rows),
        verdict("Product", account.against_product, side, limit),
    ]
}
