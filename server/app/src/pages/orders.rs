//! The list of orders: filtered, sorted, in pages, and as CSV.

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::{Bytes, Data, Query};
use askama::Template;
use serde::Deserialize;
use tallyseal_control::{Key, OrderState, OrderStatus, Record, State};
use tallyseal_schema::ids::{Stream, Thing};

use super::next::{roles, waits, word_of};
use super::thing::{Shown, done};
use super::visitor::Visitor;
use super::{Frame, PageError, csv, href, page, words};
use crate::desk::Desk;
use crate::error::DeskError;

/// Orders on one page.
const PAGE: usize = 50;
/// So many are sorted at a time; what has more comes by number, so that no page looks at a whole book.
const SORTED: usize = 500;
/// So many are looked at for one page of a filter.
const LOOKED_AT: usize = 2_000;

/// Every state, for the filter.
const STATES: &[OrderStatus] = &[
    OrderStatus::Planned,
    OrderStatus::Staged,
    OrderStatus::InProgress,
    OrderStatus::Interrupted,
    OrderStatus::Finished,
    OrderStatus::Reconciled,
    OrderStatus::InReview,
    OrderStatus::Approved,
    OrderStatus::Rejected,
    OrderStatus::Voided,
];

/// What is asked for.
#[derive(Deserialize, Clone, Default)]
pub(super) struct Ask {
    after: Option<String>,
    #[serde(default)]
    done: Option<u64>,
    #[serde(default)]
    from: usize,
    #[serde(default)]
    line: String,
    #[serde(default)]
    sort: String,
    #[serde(default)]
    state: String,
}

impl Ask {
    /// The key under which all of them stand, and fewest others.
    fn key(&self) -> Key {
        let closed = matches!(self.state.as_str(), "all" | "approved" | "rejected" | "voided");
        match (closed, Stream::new("line", &self.line)) {
            (false, _) => Key::new("order.open", "yes"),
            (true, Ok(line)) => Key::new("order.line", line),
            (true, Err(_)) => Key::new("thing", "order"),
        }
    }

    fn wants(&self, order: &OrderState) -> bool {
        let state = matches!(self.state.as_str(), "" | "open" | "all") || word_of(&order.status) == self.state;
        let line = self.line.is_empty() || order.plan.line.id().as_str() == self.line;
        state && line
    }

    /// The address of the same list, with something else.
    fn with(&self, sort: &str, from: usize, after: Option<&str>) -> String {
        let mut query = vec![("state", self.state.clone()), ("line", self.line.clone()), ("sort", sort.to_owned())];
        if from > 0 {
            query.push(("from", from.to_string()));
        }
        query.extend(after.map(|after| ("after", after.to_owned())));
        query.retain(|(_, value)| !value.is_empty());
        format!("/orders?{}", serde_urlencoded::to_string(query).unwrap_or_default())
    }
}

/// One order of the list.
struct Row {
    href: String,
    id: String,
    line: String,
    lots: Vec<String>,
    mark: &'static str,
    product: String,
    state: &'static str,
    /// As the state says it itself, for sorting: as far as it has come.
    rank: usize,
    held: bool,
    waits: String,
}

fn row(stream: &Stream, order: &OrderState) -> Row {
    let (state, mark) = words::order_status(order.status);
    Row {
        href: href(stream),
        id: stream.id().to_string(),
        line: order.plan.line.id().to_string(),
        lots: order.plan.lots.iter().map(|lot| lot.lot.clone()).collect(),
        mark,
        product: product(order),
        state,
        rank: STATES.iter().position(|one| *one == order.status).unwrap_or(STATES.len()),
        held: !order.holds.is_empty(),
        waits: waits(order),
    }
}

/// Product and strength.
pub(super) fn product(order: &OrderState) -> String {
    let strength = order.plan.strength.as_deref().map(|strength| format!(" {strength}")).unwrap_or_default();
    format!("{}{strength}", order.plan.product)
}

fn order_of(desk: &Desk, stream: &Stream) -> Result<Option<OrderState>, PageError> {
    match desk.book().record(stream)? {
        Some((_, Record { state: State::Order(order), .. })) => Ok(Some(order)),
        _ => Ok(None),
    }
}

#[derive(Template)]
#[template(path = "orders.html")]
struct OrdersPage {
    csv: String,
    frame: Frame,
    line: String,
    lines: Vec<String>,
    may_plan: bool,
    next: Option<String>,
    rows: Vec<Row>,
    sort: String,
    /// Too many to be sorted otherwise than by number.
    by_number: bool,
    /// Key, title, address, for each column that sorts.
    sorts: Vec<(&'static str, &'static str, String)>,
    state: String,
    states: Vec<(String, &'static str)>,
}

const SORTS: &[(&str, &str)] = &[
    ("", "Order"),
    ("product", "Product"),
    ("lot", "Lots"),
    ("line", "Line"),
    ("state", "State"),
    ("waits", "Waits for"),
];

fn sort(rows: &mut [Row], by: &str) {
    match by {
        "product" => rows.sort_by(|a, b| (&a.product, &a.id).cmp(&(&b.product, &b.id))),
        "lot" => rows.sort_by(|a, b| (&a.lots, &a.id).cmp(&(&b.lots, &b.id))),
        "line" => rows.sort_by(|a, b| (&a.line, &a.id).cmp(&(&b.line, &b.id))),
        "state" => rows.sort_by(|a, b| (a.rank, &a.id).cmp(&(b.rank, &b.id))),
        "waits" => rows.sort_by(|a, b| (&a.waits, &a.id).cmp(&(&b.waits, &b.id))),
        _ => rows.sort_by(|a, b| a.id.cmp(&b.id)),
    }
}

pub(super) async fn list(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Ask>,
) -> Result<HttpResponse, PageError> {
    let ask = query.into_inner();
    let key = ask.key();
    let first = desk.book().set_page(&key, None, SORTED + 1)?;
    let by_number = first.len() > SORTED;
    let (rows, next) = match by_number {
        false => sorted(&desk, &ask, &first)?,
        true => numbered(&desk, &ask, &key)?,
    };
    let mut frame = Frame::new(&desk, Some(&seat), "orders", "Orders");
    frame.done = done(&desk, &seat, &Shown { done: ask.done });
    let lines = desk.book().set_page(&Key::new("thing", "line"), None, SORTED)?;
    let states = std::iter::once(("open".to_owned(), "open"))
        .chain(STATES.iter().map(|state| (word_of(state), words::order_status(*state).0)))
        .chain(std::iter::once(("all".to_owned(), "all, closed ones too")));
    let csv = ask.with(&ask.sort, 0, None).replacen("/orders?", "/orders.csv?", 1);
    page(&OrdersPage {
        by_number,
        csv,
        line: ask.line.clone(),
        lines: lines.iter().map(|line| line.id().to_string()).collect(),
        may_plan: frame.is_any(roles("plan_order")),
        next,
        rows,
        sort: ask.sort.clone(),
        sorts: SORTS.iter().map(|(key, title)| (*key, *title, ask.with(key, 0, None))).collect(),
        state: if ask.state.is_empty() { "open".to_owned() } else { ask.state.clone() },
        states: states.collect(),
        frame,
    })
}

/// All of them, sorted; one page.
fn sorted(desk: &Desk, ask: &Ask, streams: &[Stream]) -> Result<(Vec<Row>, Option<String>), PageError> {
    let mut rows = Vec::new();
    for stream in streams {
        if let Some(order) = order_of(desk, stream)?.filter(|order| ask.wants(order)) {
            rows.push(row(stream, &order));
        }
    }
    sort(&mut rows, &ask.sort);
    let end = ask.from.saturating_add(PAGE);
    let next = (rows.len() > end).then(|| ask.with(&ask.sort, end, None));
    Ok((rows.into_iter().skip(ask.from).take(PAGE).collect(), next))
}

/// By number, from where the page before ended.
fn numbered(desk: &Desk, ask: &Ask, key: &Key) -> Result<(Vec<Row>, Option<String>), PageError> {
    let mut rows = Vec::new();
    let mut after = ask.after.clone();
    let mut looked_at = 0;
    while rows.len() < PAGE && looked_at < LOOKED_AT {
        let streams = desk.book().set_page(key, after.as_deref(), PAGE)?;
        if streams.is_empty() {
            return Ok((rows, None));
        }
        for stream in streams {
            looked_at += 1;
            after = Some(stream.to_string());
            if let Some(order) = order_of(desk, &stream)?.filter(|order| ask.wants(order)) {
                rows.push(row(&stream, &order));
                if rows.len() == PAGE {
                    break;
                }
            }
        }
    }
    let next = ask.with("", 0, after.as_deref());
    Ok((rows, Some(next)))
}

/// One field of a CSV file; what a spreadsheet would take for a formula is text.
///
/// Rule: RFC 4180.
fn csv_field(text: &str) -> String {
    let text = format!("{}{text}", csv::guard(text));
    match text.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text,
    }
}

fn csv_line(fields: &[&str]) -> String {
    let fields: Vec<String> = fields.iter().map(|field| csv_field(field)).collect();
    format!("{}\r\n", fields.join(","))
}

/// Orders of a CSV file that are read at a time.
const CHUNK: usize = 200;
/// Orders that are looked at for one file.
const CSV_LOOKED: usize = 50_000;

pub(super) async fn csv(
    Visitor(_seat): Visitor,
    desk: Data<Desk>,
    query: Query<Ask>,
) -> Result<HttpResponse, PageError> {
    let ask = query.into_inner();
    let key = ask.key();
    let head = csv_line(&["order", "product", "lots", "market", "line", "state", "held", "waits for"]);
    let lines = futures_util::stream::unfold(Reached { head: Some(head), ..Reached::default() }, move |mut reached| {
        let (desk, ask, key) = (desk.clone(), ask.clone(), key.clone());
        async move {
            if let Some(head) = reached.head.take() {
                return Some((Ok::<Bytes, DeskError>(Bytes::from(head)), reached));
            }
            if reached.ended {
                return None;
            }
            let after = reached.after.clone();
            match super::beside(move || chunk(&desk, &ask, &key, after.as_deref())).await {
                Ok(None) => None,
                Ok(Some(_)) if reached.looked >= CSV_LOOKED => {
                    reached.ended = true;
                    let said = format!("NOT ALL: {CSV_LOOKED} orders were looked at; later ones were not.");
                    Some((Ok(Bytes::from(csv_line(&[&said]))), reached))
                }
                Ok(Some((text, last))) => {
                    reached.looked += CHUNK;
                    reached.after = Some(last);
                    Some((Ok(Bytes::from(text)), reached))
                }
                Err(error) => {
                    reached.ended = true;
                    Some((Err(DeskError::Internal(error.to_string())), reached))
                }
            }
        }
    });
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/csv; charset=utf-8"))
        .insert_header((CONTENT_DISPOSITION, "attachment; filename=\"orders.csv\""))
        .streaming(lines))
}

/// How far a file has come.
#[derive(Default)]
struct Reached {
    after: Option<String>,
    ended: bool,
    head: Option<String>,
    looked: usize,
}

/// The next orders of the file, and where it goes on.
fn chunk(desk: &Desk, ask: &Ask, key: &Key, after: Option<&str>) -> Result<Option<(String, String)>, PageError> {
    let streams = desk.book().set_page(key, after, CHUNK)?;
    let Some(last) = streams.last().map(Stream::to_string) else { return Ok(None) };
    let mut text = String::new();
    for stream in &streams {
        if let Some(order) = order_of(desk, stream)?.filter(|order| ask.wants(order)) {
            let row = row(stream, &order);
            let held = if row.held { "yes" } else { "no" };
            let lots = row.lots.join(" ");
            text.push_str(&csv_line(&[
                &row.id,
                &row.product,
                &lots,
                &order.plan.market,
                &row.line,
                row.state,
                held,
                &row.waits,
            ]));
        }
    }
    Ok(Some((text, last)))
}

/// The open orders of a line.
pub(super) fn open_at(desk: &Desk, line: &Stream) -> Result<Vec<(Stream, OrderState)>, PageError> {
    let mut found = Vec::new();
    let mut after: Option<String> = None;
    loop {
        // What is open is bounded by what a plant has in hand.
        let streams = desk.book().set_page(&Key::new("order.open", "yes"), after.as_deref(), SORTED)?;
        let Some(last) = streams.last() else { return Ok(found) };
        after = Some(last.to_string());
        for stream in &streams {
            if stream.thing() == Thing::Order.as_str()
                && let Some(order) = order_of(desk, stream)?.filter(|order| order.plan.line == *line)
            {
                found.push((stream.clone(), order));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_looks_only_where_its_orders_stand() {
        let ask = |state: &str, line: &str| Ask { state: state.to_owned(), line: line.to_owned(), ..Ask::default() };
        for (state, line, key) in [
            ("", "", "order.open=yes"),
            ("open", "LN-01", "order.open=yes"),
            ("finished", "", "order.open=yes"),
            ("all", "", "thing=order"),
            ("all", "LN-01", "order.line=line/LN-01"),
            ("approved", "LN-01", "order.line=line/LN-01"),
            ("voided", "not a line", "thing=order"),
        ] {
            assert_eq!(ask(state, line).key().0, key, "{state} {line}");
        }
        assert_eq!(ask("all", "LN-01").with("lot", 50, None), "/orders?state=all&line=LN-01&sort=lot&from=50");
    }

    #[test]
    fn a_csv_field_is_never_a_formula_and_never_two_fields() {
        for (text, field) in [
            ("PO-1", "PO-1"),
            ("tablets, 30", "\"tablets, 30\""),
            ("a \"b\"", "\"a \"\"b\"\"\""),
            ("=1+1", "'=1+1"),
            ("@x,y", "\"'@x,y\""),
        ] {
            assert_eq!(csv_field(text), field);
        }
    }
}
