//! The account of each material line: every term with where it comes from, the formula in words and as arithmetic, the
//! limits that it was held against, and who made and checked it.

use tallyseal_control::{IssueStatus, OrderState, accounted_percent, product_test, unaccounted_percent};
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{HandCounted, Limit, ReconciliationComputed, Term, Terms, Verdict};
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::limits::limit;
use super::make::{NOT_HERE, Step, Table, cells, field, num, wide};
use super::quantities::source;
use super::read::ns;
use crate::told::{plain, short_or_over};
use crate::words;

const CLAUSE: &str = "21 CFR 211.125(c); 21 CFR 211.68(b); EU GMP 4.21(h)";

/// The accounts of an order, the superseded ones too.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Reconciliation", CLAUSE);
    let Some(state) = g.order(order) else { return step.section() };
    for line in &state.plan.materials {
        let of_it = |stream: &&Stream| {
            g.account_of_line(stream)
                .is_some_and(|made| made.computed.order == *order && made.computed.material == line.material)
        };
        let made: Vec<&Stream> = g.things(Thing::Reconciliation).into_iter().filter(of_it).collect();
        if made.is_empty() {
            step.heading(format!("Material line {}", line.material), CLAUSE);
            step.note("No account of it is made yet.");
        }
        for stream in made {
            let stands = state.reconciled.get(&line.material) == Some(stream);
            account(&mut step, stream, Some((order, state)).filter(|_| stands), stands);
        }
    }
    step.corrections_where(order, |kind| kind == "order.reconciled");
    step.section()
}

/// The record of an account alone.
pub(super) fn section(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Account {}", stream.id()), CLAUSE);
    // Where its numbers come from is in the record of its order.
    account(&mut step, stream, None, true);
    step.section()
}

/// One term of the account.
struct TermRow<'g> {
    from: Vec<String>,
    entries: Vec<&'g Entry>,
    /// What the sources come to.
    sum: u64,
}

impl TermRow<'_> {
    const fn none() -> Self {
        Self { from: Vec::new(), entries: Vec::new(), sum: 0 }
    }
}

fn account(step: &mut Step, stream: &Stream, of: Option<(&Stream, &OrderState)>, stands: bool) {
    let g = step.gathered();
    let made = g.stream(stream).find_map(|entry| match &entry.body {
        Body::ReconciliationComputed(body) => Some((entry, body)),
        _ => None,
    });
    let Some((entry, body)) = made else {
        step.note(NOT_HERE);
        return;
    };
    step.heading(format!("Material line {}: account {}", body.material, stream.id()), CLAUSE);
    if !stands {
        step.say("This account no longer stands: a number was changed, or a later one was made.", Tone::Former);
    }
    step.table(terms(g, entry, body, of), "");
    step.fields(balance(body).into_iter().map(|field| field.on([entry])).collect());
    step.table(product(entry, body), "");
    step.fields(against_product(body).into_iter().map(|field| field.on([entry])).collect());
    step.fields(basis(g, body, of).into_iter().map(|field| field.on([entry])).collect());
    let hands = step.hands(stream, &["reconciliation.computed"]);
    step.people(hands, NOT_HERE);
    if g.signatures(stream).iter().all(|(_, body, stands)| body.meaning != "reconciliation checked" || !stands) {
        step.say("No second person has checked it yet.", Tone::Grave);
    }
    step.corrections(stream);
}

fn terms(g: &Gathered, entry: &Entry, body: &ReconciliationComputed, of: Option<(&Stream, &OrderState)>) -> Table {
    let columns = vec![wide("Term", 3), num("Labels"), wide("Where the number comes from", 6), num("Entries")];
    let mut table = Table::new("Every label issued, and what became of it", CLAUSE, columns);
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = body.terms;
    let material = body.material;
    let recorded = |term: Term| of.map(|(order, state)| recorded(g, order, state, material, term));
    let rows = [
        ("Issued", issued, of.map(|(order, _)| taken_over(g, order, material))),
        ("− on good units", good, recorded(Term::Good)),
        ("− on rejected units", rejected, recorded(Term::Rejected)),
        ("− samples", samples, recorded(Term::Samples)),
        ("− spoiled", spoiled, recorded(Term::Spoiled)),
        ("− coded tail given back", coded, of.map(|(order, state)| tails(g, order, state, material))),
        ("− un-coded rest given back", returned, of.map(|(_, state)| rests(g, state, material))),
    ];
    for (name, labels, from) in rows {
        let from = from.unwrap_or_else(TermRow::none);
        let mut text = from.from.join("; ");
        let mut tone = Tone::Plain;
        if of.is_some() && from.sum != labels {
            text.push_str(&format!("; THE ENTRIES NAMED COME TO {}", words::number(from.sum)));
            tone = Tone::Grave;
        } else if of.is_none() {
            text.push_str("as the account says");
        } else if text.is_empty() {
            text.push_str("none was recorded");
        }
        table.toned(cells![name, words::number(labels), text, ns(from.entries)], tone);
    }
    let left = short_or_over(body.unaccounted);
    table.row(cells!["= unaccounted for", left, "positive is short, negative is over", entry.header.n.to_string()]);
    table
}

/// Every issue that the line took over.
fn taken_over<'g>(g: &'g Gathered, order: &Stream, material: u16) -> TermRow<'g> {
    let mut row = TermRow::none();
    for issue in g.things(Thing::Issue) {
        let Some(state) = g.issue(issue) else { continue };
        if state.order != *order || state.material != material || state.status != IssueStatus::Taken {
            continue;
        }
        let rolls: Vec<String> = state
            .rolls
            .iter()
            .map(|roll| format!("{} with {}", roll.roll.id(), words::number(roll.labels.get())))
            .collect();
        row.from.push(format!("issue {}: {}", issue.id(), rolls.join(", ")));
        row.entries
            .extend(g.stream(issue).filter(|entry| matches!(entry.body, Body::IssueGiven(_) | Body::IssueTaken(_))));
        row.sum = row.sum.saturating_add(u64::from(state.labels.get()));
    }
    row
}

/// The quantities of a term that stand.
fn recorded<'g>(g: &'g Gathered, order: &Stream, state: &OrderState, material: u16, term: Term) -> TermRow<'g> {
    let mut row = TermRow::none();
    for (number, quantity) in &state.quantities {
        if quantity.withdrawn || quantity.material != Some(material) || quantity.term != Some(term) {
            continue;
        }
        row.from.push(format!(
            "quantity {number}: {} by {}",
            words::number(quantity.count),
            source(g, order, &quantity.source)
        ));
        row.entries.extend(g.stream(order).filter(|entry| match &entry.body {
            Body::OrderQuantityRecorded(body) => body.quantity == *number,
            _ => false,
        }));
        row.sum = row.sum.saturating_add(u64::from(quantity.count));
    }
    row
}

/// The coded tails of its rolls, and those that lie in a container without a roll's name.
fn tails<'g>(g: &'g Gathered, order: &Stream, state: &OrderState, material: u16) -> TermRow<'g> {
    let of_rolls = state.rolls.values().filter(|one| one.material == material && one.taken_back);
    let mut tails: std::collections::BTreeSet<&Stream> = of_rolls.filter_map(|one| one.tail.as_ref()).collect();
    for container in g.things(Thing::Container) {
        let Some(container) = g.container(container) else { continue };
        if container.order == *order && container.material == material {
            let coded = |count: &&Stream| g.hand_count(count).is_some_and(|count| count.what == HandCounted::CodedTail);
            tails.extend(container.counts.iter().filter(coded));
        }
    }
    let mut row = TermRow::none();
    for tail in tails {
        let Some(labels) = g.hand_count(tail).and_then(|count| count.agreed()) else { continue };
        row.from.push(format!("hand count {}: {}", tail.id(), words::number(labels.get())));
        row.entries.extend(g.stream(tail).filter(|entry| matches!(entry.body, Body::HandCountAgreed(_))));
        row.sum = row.sum.saturating_add(u64::from(labels.get()));
    }
    row
}

/// The rests that the label room counted anew, with what it took out of them.
fn rests<'g>(g: &'g Gathered, state: &OrderState, material: u16) -> TermRow<'g> {
    let mut row = TermRow::none();
    let back = state.rolls.values().filter(|one| one.material == material && one.taken_back);
    for rest in back.filter_map(|one| one.rest.as_ref()) {
        let Some(labels) = g.roll(rest).and_then(|rest| rest.came_back()) else { continue };
        row.from.push(format!("roll {}: {} by the label room's own count", rest.id(), words::number(labels)));
        row.entries.extend(g.stream(rest).rfind(|entry| matches!(entry.body, Body::RollCountSettled(_))));
        row.sum = row.sum.saturating_add(labels);
    }
    row
}

fn verdict(verdict: Verdict) -> (&'static str, Tone) {
    let tone = match verdict {
        Verdict::Within => Tone::Good,
        Verdict::WithinUncertainty | Verdict::Outside => Tone::Grave,
    };
    (words::verdict(verdict).0, tone)
}

/// A difference against a limit: both conditions, each with its numbers.
fn held(size: u64, den: u32, issued: u64, against: &Limit) -> String {
    let parts = words::parts(size, den);
    let part =
        if den == 1 { format!("{size}/{issued}") } else { format!("{size}/{}", u128::from(issued) * u128::from(den)) };
    format!(
        "{parts} of at most {}; and {part} of what was issued, of at most {}",
        words::labels(against.labels.get()),
        against.ratio
    )
}

fn balance(body: &ReconciliationComputed) -> Vec<Field> {
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = body.terms;
    let plus: Vec<String> = [good, rejected, samples, spoiled, coded, returned].map(words::number).into();
    let accounted = i128::from(issued).saturating_sub(i128::from(body.unaccounted));
    let size = body.unaccounted.unsigned_abs();
    let left = match body.unaccounted {
        0.. => words::number(size),
        _ => format!("−{}", words::number(size)),
    };
    let (side, against) = match body.unaccounted {
        ..0 => ("over", &body.limits.over),
        _ => ("short", &body.limits.short),
    };
    let (said, tone) = verdict(body.balance);
    vec![
        field(
            "Formula, in words",
            "issued, less labels on good units, on rejected units, samples, spoiled, coded tails and un-coded rests \
             given back, is unaccounted for",
        )
        .asked(CLAUSE),
        field("Version of the formula", body.formula.clone()).asked("21 CFR 211.68(b)"),
        field("Formula, as arithmetic", format!("{} − ({}) = {left}", words::number(issued), plus.join(" + ")))
            .asked(CLAUSE),
        field(
            "Unaccounted for",
            format!("{} of {} labels issued", short_or_over(body.unaccounted), words::number(issued)),
        )
        .asked(CLAUSE),
        field(
            "Unaccounted for, in percent",
            format!(
                "{} % (from the exact fraction {size}/{issued}, rounded half up once, two to four decimals)",
                unaccounted_percent(issued, body.unaccounted)
            ),
        )
        .asked(CLAUSE),
        field(
            "Accounted for, in percent",
            format!("{} % (from the exact fraction {accounted}/{issued})", accounted_percent(issued, body.unaccounted)),
        )
        .asked(CLAUSE),
        field(format!("Limit {side}"), limit(against)).asked(CLAUSE),
        field("Held against it", held(size, 1, issued, against)).asked(CLAUSE),
        field("Verdict on the balance", said).asked(CLAUSE).toned(tone),
    ]
}

fn product(entry: &Entry, body: &ReconciliationComputed) -> Table {
    let test = product_test(body);
    let columns = vec![wide("Part", 6), num("Labels"), num("Entry")];
    let mut table = Table::new("Product test: units against their labels", "21 CFR 211.125(c)", columns);
    let left = match test.left {
        ..0 => format!("{} over", words::number(test.left.unsigned_abs())),
        left => words::number(left.unsigned_abs()),
    };
    let per = if test.den == 1 { body.labels_per_unit.num().to_string() } else { body.labels_per_unit.to_string() };
    let size = words::parts(body.product.unsigned_abs(), test.den);
    let value = match body.product {
        0 => "0".to_owned(),
        1.. => format!("{size} more than needed"),
        _ => format!("{size} fewer than needed"),
    };
    let at = entry.header.n.to_string();
    table.row(cells!["Labels that the balance leaves for good units", left, at.as_str()]);
    table.row(cells![
        format!("− {} units × {per}", words::number(body.units)),
        words::parts(test.needed, test.den),
        at.as_str()
    ]);
    table.row(cells!["= difference", value, at]);
    table
}

fn against_product(body: &ReconciliationComputed) -> Vec<Field> {
    let (side, against) = match body.product {
        ..0 => ("fewer than the units need", &body.limits.product_short),
        _ => ("more than the units need", &body.limits.product_over),
    };
    let (said, tone) = verdict(body.against_product);
    let independent = match body.independent {
        true => "yes: balance and product are two tests",
        false => "no: balance and product are one test, not two",
    };
    let den = body.labels_per_unit.den();
    vec![
        field("Units have a counter of their own", independent).asked("21 CFR 211.125(c)"),
        field(format!("Limit, {side}"), limit(against)).asked(CLAUSE),
        field("Product held against it", held(body.product.unsigned_abs(), den, body.terms.issued, against))
            .asked(CLAUSE),
        field("Verdict on the product", said).asked(CLAUSE).toned(tone),
    ]
}

/// What else the account stands on.
fn basis(g: &Gathered, body: &ReconciliationComputed, of: Option<(&Stream, &OrderState)>) -> Vec<Field> {
    let mut fields = vec![
        field("How far the counts may be off together", words::labels(body.uncertainty.get()))
            .asked("21 CFR 211.68(a)"),
    ];
    if let Some((_, state)) = of
        && let Some(frozen) = state.frozen.get(&body.material)
    {
        let basis =
            g.limit_set(&frozen.limit_set).map(|set| format!(", {}", plain(set.draft.basis))).unwrap_or_default();
        let text = format!("{}, fixed at the first issue{basis}", frozen.limit_set.id());
        fields.push(field("Limits in force, from the set", text).asked(CLAUSE));
    }
    if let Some(deviation) = &body.deviation {
        fields.push(
            field("Deviation that it opened", deviation.id().to_string()).asked("21 CFR 211.192").toned(Tone::Grave),
        );
    }
    fields
}
