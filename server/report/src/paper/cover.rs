//! The first page: what it is the record of, how it stands, who signed, what became of the labels, what is not plain.

use std::collections::BTreeSet;

use tallyseal_control::{OrderStatus, State};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::DocumentCopy;
use tallyseal_schema::{Body, Entry};

use super::exceptions::Exception;
use super::say::{column, field, heading, numbers, row, table, text, toned, who};
use super::{Block, Field, Gathered, Row, Tone, account, body, signatures};
use crate::grade::Grade;
use crate::words;

/// So many fields of what is no order tell what it is.
const IDENTITY: usize = 16;

/// The heading of the paper.
pub(crate) fn title(gathered: &Gathered) -> String {
    match gathered.record.thing() {
        "order" => format!("Label record of order {}", gathered.record.id()),
        _ => format!("Record of {}", words::named(&gathered.record)),
    }
}

/// The blocks of the page.
pub(crate) fn blocks(gathered: &Gathered, exceptions: &[Exception<'_>]) -> Vec<Block> {
    let mut fields = vec![state(gathered)];
    fields.extend(holds(gathered));
    fields.extend(identity(gathered));
    let mut blocks = vec![Block::Fields { fields }];
    blocks.push(heading(2, "Signatures", "21 CFR 11.50"));
    blocks.extend(signed(gathered));
    blocks.push(heading(2, "Exceptions", "EU GMP 4.21(g)"));
    blocks.extend(tallies(exceptions));
    blocks.extend(account::blocks(gathered));
    blocks.push(heading(2, "What this is", ""));
    blocks.extend(statement(gathered));
    blocks
}

/// How the thing stands, in a word, at the newest entry of the record.
fn state(gathered: &Gathered) -> Field {
    let stream = &gathered.record;
    let entries: Vec<u64> = gathered.stream(stream).last().map(|entry| entry.header.n).into_iter().collect();
    let (said, mark) = word(gathered, stream);
    let mut field = field("State", words::capital(&said), "", &entries);
    if let Some(State::Order(state)) = gathered.state(stream)
        && matches!(state.status, OrderStatus::Approved)
    {
        field.value.push_str("; this is no release of the batch");
        field.clause = "21 CFR 211.192; EU GMP Annex 11, 15".to_owned();
    }
    field.tone = match mark {
        "good" => Tone::Good,
        "grave" => Tone::Grave,
        _ => Tone::Plain,
    };
    if let Some(holds) = holds_of(gathered).filter(|holds| !holds.is_empty()) {
        field.value = format!("{}; ON HOLD by {}", field.value, super::say::all_named(holds));
        field.tone = Tone::Grave;
    }
    field
}

/// How a thing stands, and the mark of the word.
pub(crate) fn word(gathered: &Gathered, stream: &Stream) -> (String, &'static str) {
    let told = |told: words::Told| (told.text, told.mark);
    let said = |text: &str, mark: &'static str| (text.to_owned(), mark);
    match gathered.state(stream) {
        Some(State::Order(state)) => {
            let (text, mark) = words::order_status(state.status);
            said(text, mark)
        }
        Some(State::Delivery(state)) => told(words::delivery_status(state.status)),
        Some(State::Roll(state)) => {
            let (count, quality) = (words::count_of(state), words::quality(state.quality));
            (format!("{}; {}; {}", quality.text, count.text, words::custody(&state.custody)), quality.mark)
        }
        Some(State::Count(state)) => told(words::count_status(state.status)),
        Some(State::Account(state)) if state.disabled => said("disabled", "grave"),
        Some(State::Account(state)) if state.is_locked(gathered.newest) => said("locked", "hold"),
        Some(State::Account(_)) => said("in use", "good"),
        Some(State::Station(state)) if state.failed => said("failed, locked", "grave"),
        Some(State::Station(state)) if state.qualified_until.is_none_or(|until| until < gathered.newest) => {
            said("not qualified", "hold")
        }
        Some(State::Station(state)) if state.challenge_due.is_some() => said("challenge due", "hold"),
        Some(State::Station(_)) => said("in service", "good"),
        Some(State::TestRoll(state)) if state.withdrawn => said("withdrawn", ""),
        Some(State::TestRoll(state)) if state.accepted => said("certificate accepted", "good"),
        Some(State::TestRoll(_)) => said("certificate not accepted", "hold"),
        Some(State::Supplier(state)) if state.approved_for.is_empty() => said("approved for nothing", "hold"),
        Some(State::Supplier(_)) => said("approved", "good"),
        Some(State::Line(state)) if state.order.is_some() => said("runs an order", "good"),
        Some(State::Line(_)) => said("free", ""),
        Some(State::Clearance(state)) if state.checked_at.is_some() => said("checked", "good"),
        Some(State::Clearance(_)) => said("to be checked", "hold"),
        Some(State::Reconciliation(state)) if state.checked => said("checked", "good"),
        Some(State::Reconciliation(_)) => said("not checked", "hold"),
        Some(other) => {
            // The others have a word of their own in what is remembered of them.
            let value = serde_json::to_value(other).unwrap_or_default();
            let status = value.get("status").and_then(serde_json::Value::as_str).map(words::word);
            (status.unwrap_or_else(|| "recorded".to_owned()), "")
        }
        None => said("not told by this record", ""),
    }
}

/// The holds that lie on it; `None` where none can lie.
fn holds_of(gathered: &Gathered) -> Option<&BTreeSet<Stream>> {
    match gathered.state(&gathered.record) {
        Some(State::Order(state)) => Some(&state.holds),
        Some(State::Delivery(state)) => Some(&state.holds),
        Some(State::Roll(state)) => Some(&state.holds),
        _ => None,
    }
}

/// That no hold lies on it; one that does is said with its state.
fn holds(gathered: &Gathered) -> Option<Field> {
    holds_of(gathered).filter(|holds| holds.is_empty()).map(|_| field("On hold", "no", "", &[]))
}

/// What identifies it.
fn identity(gathered: &Gathered) -> Vec<Field> {
    let Some(first) = gathered.stream(&gathered.record).next() else { return Vec::new() };
    match &first.body {
        Body::OrderPlanned(plan) => of_order(gathered, first, plan),
        _ => of_other(gathered, first),
    }
}

fn of_order(gathered: &Gathered, first: &Entry, plan: &tallyseal_schema::kinds::OrderPlanned) -> Vec<Field> {
    let n = [first.header.n];
    let product = "21 CFR 211.188(a); EU GMP 4.21(a)";
    let copy = |copy: &DocumentCopy| format!("{} version {}", copy.id, copy.version);
    let mut fields = vec![
        field("Order", gathered.record.id().to_string(), "21 CFR 211.130(c)", &n),
        field("Product", plan.product.clone(), product, &n),
        field("Strength", plan.strength.clone().unwrap_or_else(|| "none".to_owned()), product, &n),
        field("Dosage form", plan.dosage_form.clone(), product, &n),
        field("Pack size", plan.pack.clone(), product, &n),
    ];
    for lot in &plan.lots {
        let value = format!("{}, expiry {}, {} units planned", lot.lot, lot.expiry, words::number(lot.units));
        fields.push(field("Product lot", value, "21 CFR 201.18; 21 CFR 211.137; EU GMP 4.21(a)", &n));
    }
    for line in &plan.materials {
        let name = format!("Labels, material line {}", line.material);
        fields.push(field(&name, account::item(gathered, &line.item), "21 CFR 211.186(b)(8)", &n));
    }
    let procedures: Vec<String> = plan.procedures.iter().map(copy).collect();
    fields.extend([
        field("Market", plan.market.clone(), "", &n),
        field("Kind of order", crate::told::plain(plan.kind), "", &n),
        field("Line", words::named(&plan.line), "21 CFR 211.188(b)(2); EU GMP 4.21(e)", &n),
        field("Master record", copy(&plan.master), "21 CFR 211.188(a)", &n),
        field("Procedures", procedures.join(", "), "21 CFR 211.125(f)", &n),
    ]);
    fields
}

/// What its first entry says: with that it came to be.
fn of_other(gathered: &Gathered, first: &Entry) -> Vec<Field> {
    let n = [first.header.n];
    let mut fields = vec![field("Record", words::capital(&words::named(&gathered.record)), "", &n)];
    let item = match gathered.state(&gathered.record) {
        Some(State::Delivery(state)) => Some(&state.item),
        Some(State::Roll(state)) => Some(&state.item),
        _ => None,
    };
    if let Some(item) = item {
        fields.push(field("Labels", account::item(gathered, item), "", &n));
    }
    let told = body::fields(gathered, first);
    let more = told.len().saturating_sub(IDENTITY);
    fields.extend(told.into_iter().take(IDENTITY).map(|(name, value)| field(&name, value, "", &n)));
    if more > 0 {
        let value =
            format!("{} in entry {} of the audit trail", words::so_many(more, "field", "fields"), first.header.n);
        fields.push(field("More", value, "", &n));
    }
    fields.push(field("Begun", format!("{}, {}", who(&first.header.by), gathered.at(first.header.at)), "", &n));
    fields
}

/// Who signed the record itself.
fn signed(gathered: &Gathered) -> Vec<Block> {
    let (own, others): (Vec<_>, Vec<_>) =
        signatures::all(gathered).partition(|(_, body)| body.record == gathered.record);
    let rows: Vec<Row> = own
        .into_iter()
        .map(|(entry, body)| {
            let void = signatures::void(gathered, entry, body);
            let stands = void.as_ref().map_or_else(|| "stands".to_owned(), |why| format!("void: {why}"));
            let cells = vec![
                body.meaning.clone(),
                format!("{} ({})", body.name, body.account),
                body.role.title().to_owned(),
                gathered.at(entry.header.at),
                stands,
                entry.header.n.to_string(),
            ];
            Row { tone: if void.is_some() { Tone::Former } else { Tone::Plain }, ..row(cells) }
        })
        .collect();
    let mut blocks = match rows.is_empty() {
        true => vec![text(format!("Nobody has signed the {} itself.", words::named(&gathered.record)))],
        false => {
            let columns = vec![
                column("Meaning", 4),
                column("Name", 4),
                column("Role", 3),
                column("When", 6),
                column("Stands", 4),
                numbers("Entry", 2),
            ];
            vec![table("", "", columns, rows)]
        }
    };
    if !others.is_empty() {
        let many = words::so_many(others.len(), "signature", "signatures");
        blocks.push(toned(format!("{many} on what it leans on: see Signatures."), Tone::Small));
    }
    blocks
}

/// How many exceptions there are, by grade, those that wait first.
fn tallies(exceptions: &[Exception<'_>]) -> Vec<Block> {
    let row_of = |of_log: bool, grade: Grade| {
        let of_it = exceptions.iter().filter(|one| one.of_log == of_log && one.judged.grade == grade);
        let (done, open): (Vec<_>, Vec<_>) = of_it.partition(|one| one.is_done());
        let (reviewed, open): (Vec<_>, Vec<_>) = open.into_iter().partition(|one| one.is_reviewed());
        let whose = if of_log { "in logs it leans on" } else { "of the record" };
        let cells = vec![
            format!("{} {}", grade.number(), grade.title()),
            whose.to_owned(),
            words::number(open.len() as u64),
            words::number(reviewed.len() as u64),
            words::number(done.len() as u64),
        ];
        let grave = !open.is_empty() && grade != Grade::Seen;
        (open.len() + reviewed.len() + done.len() > 0)
            .then(|| Row { tone: if grave { Tone::Grave } else { Tone::Plain }, ..row(cells) })
    };
    let rows = [false, true].into_iter().flat_map(|of_log| Grade::ALL.map(|grade| row_of(of_log, grade)));
    let rows: Vec<Row> = rows.flatten().collect();
    if rows.is_empty() {
        return vec![text("None.")];
    }
    let columns = vec![
        column("Grade", 5),
        column("", 4),
        numbers("Open", 2),
        numbers("Signed over by a reviewer", 4),
        numbers("Settled or seen", 3),
    ];
    vec![table("", "", columns, rows)]
}

fn statement(gathered: &Gathered) -> Vec<Block> {
    vec![
        text(format!(
            "This paper was made from {} entries of the book {} alone, as they stand at the checkpoint named at the foot of \
             each page. Same entries, same paper. The entries, their proofs and the checkpoint are attached to the file. \
             The software is designed to support work under 21 CFR Part 11, 21 CFR 211.122 to 211.130 and comparable rules; \
             whether its use meets them is for the plant to show.",
            words::number(gathered.places.len() as u64),
            gathered.checkpoint.origin
        )),
        toned(
            "Cautions. A sheet of paper proves nothing by itself: verify the file, with a key that did not come with it. What \
             was recorded after the checkpoint is not here. The approval of a label record is no release of a batch. No \
             number here is a substitute for looking at the labels.",
            Tone::Small,
        ),
    ]
}
