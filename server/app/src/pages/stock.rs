//! Stock: rolls by filter and the rolls that should be at a place.

use std::collections::BTreeSet;

use actix_web::HttpResponse;
use actix_web::web::{Data, Query};
use askama::Template;
use tallyseal_control::{Custody, Key, Quality, Record, RollState, State};
use tallyseal_schema::ids::{Id, Stream, Thing};

use super::sieve::{self, Asked, Sieve, asked, link};
use super::thing::{Offer, Shown, done};
use super::visitor::Visitor;
use super::words::{self, Told};
use super::{Frame, PageError, beside, href, page, see_other};
use crate::counted::Counted;
use crate::desk::Desk;
use tallyseal_schema::kinds::Role;

/// Places that the page of places lists at most.
const PLACES_MAX: usize = 500;
/// Rolls that one stock count takes at most: it is done place by place.
const COUNTED_MAX: usize = 1_000;

/// A roll in a list.
pub(super) struct Row {
    pub(super) count: Told,
    pub(super) custody: String,
    pub(super) delivery: Stream,
    pub(super) held: bool,
    pub(super) item: Stream,
    /// Labels on it. `None`: none is known, it is hidden, or the roll is no more.
    pub(super) labels: Option<u32>,
    /// Its number is hidden while it runs.
    pub(super) hidden: bool,
    pub(super) place: String,
    pub(super) quality: Told,
    pub(super) roll: Stream,
}

impl Row {
    pub(super) fn new(stream: &Stream, state: &RollState, counted: &Counted) -> Self {
        let (hidden, ended) = (counted.has(stream), state.custody == (Custody::Ended {}));
        let there = matches!(state.custody, Custody::Store {});
        Self {
            count: words::count_of(state),
            custody: words::custody(&state.custody),
            delivery: state.delivery.clone(),
            held: !state.holds.is_empty(),
            item: state.item.clone(),
            labels: state.settled.as_ref().filter(|_| !hidden && !ended).map(|settled| settled.on_roll.get()),
            hidden,
            place: if there { state.place.clone() } else { String::new() },
            quality: words::quality(state.quality),
            roll: stream.clone(),
        }
    }

    /// The number as shown.
    pub(super) fn number(&self) -> String {
        match self.labels {
            Some(labels) => words::number(labels),
            None if self.hidden => "hidden".to_owned(),
            None => "\u{2013}".to_owned(),
        }
    }

    fn cells(&self) -> Vec<String> {
        let labels =
            self.labels.map_or_else(|| if self.hidden { "hidden" } else { "" }.to_owned(), |one| one.to_string());
        vec![
            self.roll.id().to_string(),
            self.item.id().to_string(),
            self.delivery.id().to_string(),
            self.quality.text.clone(),
            if self.held { "yes" } else { "no" }.to_owned(),
            self.count.text.clone(),
            self.custody.clone(),
            labels,
            self.place.clone(),
        ]
    }
}

const HEAD: &[&str] = &["roll", "item", "delivery", "quality", "on hold", "count", "custody", "labels on it", "place"];

/// One heading of a list that may be sorted by.
pub(super) struct Heading {
    /// `ascending` or `descending`, where the list is sorted by it.
    pub(super) sorted: Option<&'static str>,
    pub(super) href: String,
    pub(super) label: &'static str,
    pub(super) number: bool,
}

/// One choice of a filter.
pub(super) struct Pick {
    pub(super) chosen: bool,
    pub(super) label: String,
    pub(super) value: String,
}

/// The choices of a filter.
pub(super) fn picks(choices: &[(&str, &str)], chosen: &str) -> Vec<Pick> {
    choices
        .iter()
        .map(|(value, label)| Pick { chosen: *value == chosen, label: (*label).to_owned(), value: (*value).to_owned() })
        .collect()
}

#[derive(Template)]
#[template(path = "rolls.html")]
struct RollsPage {
    count: Vec<Pick>,
    csv: String,
    custody: Vec<Pick>,
    delivery: String,
    filtered: bool,
    first: Option<String>,
    frame: Frame,
    headings: Vec<Heading>,
    id: String,
    item: String,
    items: Vec<String>,
    next: Option<String>,
    offers: Vec<Offer>,
    place: String,
    places: Vec<String>,
    quality: Vec<Pick>,
    rows: Vec<Row>,
    /// The list is too long to be sorted so.
    unsorted: bool,
}

/// The key that leaves the fewest rolls to look at.
fn key(query: &Asked) -> Key {
    let of = |name: &str, thing: Thing| {
        asked(query, name).to_uppercase().parse::<Id>().ok().map(|id| Stream::of(thing, &id))
    };
    if let Some(delivery) = of("delivery", Thing::Delivery) {
        return Key::new("roll.delivery", delivery);
    }
    match asked(query, "place") {
        "" => {}
        place => return Key::new("roll.place", place),
    }
    if let Some(order) = of("order", Thing::Order) {
        return Key::new("roll.order", order);
    }
    if asked(query, "quality") == "held" {
        return Key::new("roll.held", "yes");
    }
    if let Some(item) = of("item", Thing::Item) {
        return Key::new("roll.item", item);
    }
    match asked(query, "custody") {
        "ended" | "any" => Key::new("thing", "roll"),
        _ => Key::new("roll.there", "yes"),
    }
}

/// True where a roll passes every filter.
fn passes(query: &Asked, stream: &Stream, state: &RollState) -> bool {
    let is = |name: &str, stream: &Stream| match asked(query, name) {
        "" => true,
        id => stream.id().to_string() == id.to_uppercase(),
    };
    let quality = match asked(query, "quality") {
        "held" => !state.holds.is_empty(),
        "quarantine" => state.quality == Quality::Quarantine,
        "released" => state.quality == Quality::Released,
        "rejected" => state.quality == Quality::Rejected,
        "obsolete" => state.quality == Quality::Obsolete,
        _ => true,
    };
    let count = match asked(query, "count") {
        "" => true,
        word => words::count_key(state) == word,
    };
    let custody = match asked(query, "custody") {
        "any" => true,
        "" => state.custody != (Custody::Ended {}),
        word => words::custody_key(&state.custody) == word,
    };
    let place = match asked(query, "place") {
        "" => true,
        place => state.custody == (Custody::Store {}) && state.place == place,
    };
    let order = match asked(query, "order") {
        "" => true,
        id => state.custody.order().is_some_and(|order| order.id().to_string() == id.to_uppercase()),
    };
    stream.thing() == "roll"
        && quality
        && count
        && custody
        && place
        && order
        && is("item", &state.item)
        && is("delivery", &state.delivery)
}

fn roll_of(record: &Record) -> Option<&RollState> {
    match &record.state {
        State::Roll(state) => Some(state),
        _ => None,
    }
}

fn sieve_of<'a>(query: &'a Asked) -> Sieve<'a> {
    Sieve {
        after: asked(query, "after"),
        key: key(query),
        prefix: format!("roll/{}", asked(query, "id").to_uppercase()),
    }
}

/// The columns by which a list of rolls is sorted: name in the address, heading, whether it is a number.
const COLUMNS: &[(&str, &str, bool)] = &[
    ("roll", "Roll", false),
    ("item", "Item", false),
    ("delivery", "Delivery", false),
    ("quality", "Quality", false),
    ("count", "Count", false),
    ("custody", "Custody", false),
    ("labels", "Labels on it", true),
    ("place", "Place", false),
];

fn sort(rows: &mut [Row], by: &str) {
    match by {
        "item" => rows.sort_by(|a, b| a.item.cmp(&b.item)),
        "delivery" => rows.sort_by(|a, b| a.delivery.cmp(&b.delivery)),
        "quality" => rows.sort_by(|a, b| a.quality.text.cmp(&b.quality.text)),
        "count" => rows.sort_by(|a, b| a.count.text.cmp(&b.count.text)),
        "custody" => rows.sort_by(|a, b| a.custody.cmp(&b.custody)),
        "labels" => rows.sort_by_key(|row| row.labels),
        "place" => rows.sort_by(|a, b| a.place.cmp(&b.place)),
        _ => rows.sort_by(|a, b| a.roll.cmp(&b.roll)),
    }
}

/// `column`, and whether the highest comes first.
fn sorted_by(query: &Asked) -> (&str, bool) {
    match asked(query, "sort") {
        "" => ("roll", false),
        text => text.strip_prefix('-').map_or((text, false), |column| (column, true)),
    }
}

fn headings(query: &Asked) -> Vec<Heading> {
    let (by, down) = sorted_by(query);
    let heading = |(name, label, number): &(&str, &'static str, bool)| {
        let sorted = (*name == by).then_some(if down { "descending" } else { "ascending" });
        let next = if *name == by && !down { format!("-{name}") } else { (*name).to_owned() };
        let next = if next == "roll" { String::new() } else { next };
        let href = link("/rolls", query, &[("sort", &next), ("after", ""), ("from", "")]);
        Heading { sorted, href, label, number: *number }
    };
    COLUMNS.iter().map(heading).collect()
}

/// The rolls of one page of the list, where the next begins, and whether they could be sorted as asked.
struct Listed {
    next: Option<String>,
    rows: Vec<Row>,
    sorted: bool,
}

fn listed(desk: &Desk, query: &Asked, counted: &Counted) -> Result<Listed, PageError> {
    let sieve = sieve_of(query);
    let pass = |stream: &Stream, record: &Record| roll_of(record).is_some_and(|state| passes(query, stream, state));
    let rows = |passed: &[sieve::Passed]| -> Vec<Row> {
        let row = |one: &sieve::Passed| roll_of(&one.record).map(|state| Row::new(&one.stream, state, counted));
        passed.iter().filter_map(row).collect()
    };
    let (by, down) = sorted_by(query);
    if (by, down) != ("roll", false) {
        let all = Sieve { after: "", ..sieve_of(query) }.all(desk, pass)?;
        if all.next.is_none() {
            let mut all = rows(&all.passed);
            sort(&mut all, by);
            if down {
                all.reverse();
            }
            let from: usize = asked(query, "from").parse().unwrap_or(0);
            let more = all.len() > from.saturating_add(sieve::PAGE);
            let next =
                more.then(|| link("/rolls", query, &[("from", &(from + sieve::PAGE).to_string()), ("after", "")]));
            let rows = all.into_iter().skip(from).take(sieve::PAGE).collect();
            return Ok(Listed { next, rows, sorted: true });
        }
    }
    let found = sieve.page(desk, sieve::PAGE, pass)?;
    let next = found.next.map(|after| link("/rolls", query, &[("after", &after), ("from", "")]));
    Ok(Listed { next, rows: rows(&found.passed), sorted: (by, down) == ("roll", false) })
}

/// The roll that was scanned, where the filter names one whole.
fn scanned(desk: &Desk, query: &Asked) -> Result<Option<Stream>, PageError> {
    let typed = asked(query, "id").to_uppercase();
    let Ok(id) = typed.parse::<Id>() else { return Ok(None) };
    let stream = Stream::of(Thing::Roll, &id);
    Ok(desk.book().record(&stream)?.map(|_| stream))
}

/// What a field offers: the things of which a plant has few.
pub(super) fn few(desk: &Desk, thing: &str) -> Result<Vec<String>, PageError> {
    let found = desk.book().set_page(&Key::new("thing", thing), None, PLACES_MAX)?;
    Ok(found.iter().map(|stream| stream.id().to_string()).collect())
}

pub(super) async fn rolls(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    if let Some(roll) = scanned(&desk, &query)? {
        return Ok(see_other(&href(&roll)));
    }
    let counted = Counted::now(desk.book())?;
    let listed = listed(&desk, &query, &counted)?;
    let mut frame = Frame::new(&desk, Some(&seat), "rolls", "Rolls");
    frame.done = done(&desk, &seat, &Shown { done: asked(&query, "done").parse().ok() });
    let text = |name: &str| asked(&query, name).to_owned();
    let later = ["after", "from"].iter().any(|name| !asked(&query, name).is_empty());
    let filters = ["id", "delivery", "item", "place", "quality", "count", "custody", "order"];
    let offers = match frame.is_any(&[Role::LabelRoom]) {
        true => vec![Offer::of("receive_delivery", &[("back", "/deliveries")])],
        false => Vec::new(),
    };
    page(&RollsPage {
        count: picks(words::COUNTS, asked(&query, "count")),
        csv: link("/rolls.csv", &query, &[("after", ""), ("from", "")]),
        custody: picks(words::CUSTODIES, asked(&query, "custody")),
        delivery: text("delivery"),
        filtered: filters.iter().any(|name| !asked(&query, name).is_empty()),
        first: later.then(|| link("/rolls", &query, &[("after", ""), ("from", "")])),
        frame,
        headings: headings(&query),
        id: text("id"),
        item: text("item"),
        items: few(&desk, "item")?,
        next: listed.next,
        offers,
        place: text("place"),
        places: desk.book().values("roll.place", PLACES_MAX)?,
        quality: picks(words::QUALITIES, asked(&query, "quality")),
        rows: listed.rows,
        unsorted: !listed.sorted,
    })
}

pub(super) async fn rolls_csv(
    Visitor(_seat): Visitor,
    desk: Data<Desk>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let (rows, more) = beside(move || {
        let counted = Counted::now(desk.book())?;
        let pass =
            |stream: &Stream, record: &Record| roll_of(record).is_some_and(|state| passes(&query, stream, state));
        let found = Sieve { after: "", ..sieve_of(&query) }.file(&desk, pass)?;
        let row = |one: &sieve::Passed| roll_of(&one.record).map(|state| Row::new(&one.stream, state, &counted));
        let mut rows: Vec<Row> = found.passed.iter().filter_map(row).collect();
        let (by, down) = sorted_by(&query);
        sort(&mut rows, by);
        if down {
            rows.reverse();
        }
        Ok((rows.iter().map(Row::cells).collect::<Vec<_>>(), found.next.is_some()))
    })
    .await?;
    Ok(sieve::csv("rolls", HEAD, &rows, more))
}

#[derive(Template)]
#[template(path = "places.html")]
struct PlacesPage {
    frame: Frame,
    more: bool,
    /// Place, its page, how many rolls.
    places: Vec<(String, String, String)>,
}

/// What a scan at a place came to.
struct Surplus {
    /// What the person may do about it.
    act: Option<Offer>,
    /// What it is, in a sentence.
    said: String,
    href: Option<String>,
    id: String,
}

#[derive(Template)]
#[template(path = "place.html")]
struct PlacePage {
    /// Ends the count and shows what is missing.
    deviation: Option<Offer>,
    frame: Frame,
    /// Each roll that should be there, and whether it was seen.
    rows: Vec<(Row, bool)>,
    last: Option<String>,
    missing: usize,
    more: bool,
    place: String,
    seen: String,
    seen_count: usize,
    started: bool,
    surplus: Vec<Surplus>,
}

pub(super) async fn places(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let place = asked(&query, "place");
    if !place.is_empty() {
        return one_place(&desk, &seat, place, &query);
    }
    let names = desk.book().values("roll.place", PLACES_MAX + 1)?;
    let mut places = Vec::new();
    for name in names.iter().take(PLACES_MAX) {
        let rolls = desk.book().set_size(&Key::new("roll.place", name))?;
        places.push((name.clone(), link("/places", &Asked::new(), &[("place", name)]), words::number(rolls)));
    }
    page(&PlacesPage {
        frame: Frame::new(&desk, Some(&seat), "rolls", "Places"),
        more: names.len() > PLACES_MAX,
        places,
    })
}

/// The rolls that should be at a place, and which of them were seen there. Nothing of it is recorded: what was scanned
/// is in the address alone, until a person moves a roll or opens a deviation.
fn one_place(desk: &Desk, seat: &crate::desk::Seat, place: &str, query: &Asked) -> Result<HttpResponse, PageError> {
    let counted = Counted::now(desk.book())?;
    let mut seen: Vec<String> = Vec::new();
    let scan = asked(query, "scan").to_uppercase();
    for id in asked(query, "seen").split_whitespace().chain(scan.split_whitespace()).take(COUNTED_MAX) {
        if !seen.iter().any(|one| one == id) {
            seen.push(id.to_owned());
        }
    }
    let streams = desk.book().set_page(&Key::new("roll.place", place), None, COUNTED_MAX + 1)?;
    let more = streams.len() > COUNTED_MAX;
    let mut rows = Vec::new();
    let mut expected = BTreeSet::new();
    for stream in streams.iter().take(COUNTED_MAX) {
        if let Some((_, record)) = desk.book().record(stream)?
            && let Some(state) = roll_of(&record)
        {
            let id = stream.id().to_string();
            rows.push((Row::new(stream, state, &counted), seen.contains(&id)));
            expected.insert(id);
        }
    }
    let frame = Frame::new(desk, Some(seat), "rolls", format!("Stock at {place}"));
    let joined = seen.join(" ");
    let back = link("/places", &Asked::new(), &[("place", place), ("seen", &joined)]);
    let mut surplus = Vec::new();
    for id in seen.iter().filter(|id| !expected.contains(*id)) {
        surplus.push(surplus_of(desk, &frame, id, place, &back)?);
    }
    // What is not seen yet comes first: that is where the hand goes next.
    rows.sort_by_key(|(_, seen)| *seen);
    let missing: Vec<String> = rows.iter().filter(|(_, seen)| !seen).map(|(row, _)| row.roll.to_string()).collect();
    let started = !seen.is_empty();
    let may = frame.is_any(&[Role::LabelRoom, Role::Line, Role::IncomingExaminer, Role::Supervisor, Role::Reviewer]);
    let deviation = (started && !missing.is_empty() && may).then(|| {
        let text = words::not_found_at(place, missing.len());
        Offer::of(
            "open_deviation",
            &[
                ("about", &missing.iter().take(200).cloned().collect::<Vec<_>>().join("\n")),
                ("text", &text),
                ("back", &back),
            ],
        )
    });
    page(&PlacePage {
        deviation,
        frame,
        last: (!scan.is_empty()).then(|| words::scan_at(&scan, expected.contains(&scan))),
        missing: missing.len(),
        more,
        place: place.to_owned(),
        seen: joined,
        seen_count: rows.len() - missing.len(),
        started,
        surplus,
        rows,
    })
}

/// A roll that was scanned at a place where it should not be.
fn surplus_of(desk: &Desk, frame: &Frame, id: &str, place: &str, back: &str) -> Result<Surplus, PageError> {
    let stream = id.parse::<Id>().ok().map(|id| Stream::of(Thing::Roll, &id));
    let record = match &stream {
        Some(stream) => desk.book().record(stream)?.map(|(_, record)| record),
        None => None,
    };
    let (Some(stream), Some(state)) = (stream, record.as_ref().and_then(roll_of)) else {
        return Ok(Surplus { act: None, said: words::UNKNOWN_ROLL.to_owned(), href: None, id: id.to_owned() });
    };
    let text = words::found_at(id, place);
    let deviation = || {
        let may =
            frame.is_any(&[Role::LabelRoom, Role::Line, Role::IncomingExaminer, Role::Supervisor, Role::Reviewer]);
        may.then(|| Offer::of("open_deviation", &[("about", stream.as_str()), ("text", &text), ("back", back)]))
    };
    let (said, act) = match &state.custody {
        Custody::Store {} => {
            let may = frame.is_any(&[Role::LabelRoom]);
            let act = may.then(|| Offer::of("move_roll", &[("roll", id), ("place", place), ("back", back)]));
            (words::should_be_at(&state.place), act)
        }
        Custody::Ended {} => (words::ENDED_ROLL.to_owned(), deviation()),
        other => (words::should_be_with(&words::custody(other)), deviation()),
    };
    Ok(Surplus { act, said, href: Some(href(&stream)), id: id.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn query(pairs: &[(&str, &str)]) -> Asked {
        pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect()
    }

    #[test]
    fn the_narrowest_key_is_taken() {
        for (filters, expected) in [
            (vec![], "roll.there=yes"),
            (vec![("custody", "ended")], "thing=roll"),
            (vec![("item", "l-1")], "roll.item=item/L-1"),
            (vec![("item", "L-1"), ("quality", "held")], "roll.held=yes"),
            (vec![("item", "L-1"), ("place", "quarantine cage")], "roll.place=quarantine cage"),
            (vec![("place", "cage"), ("delivery", "dl-1")], "roll.delivery=delivery/DL-1"),
            (vec![("item", "not an ID")], "roll.there=yes"),
        ] {
            assert_eq!(key(&query(&filters)).0, expected, "{filters:?}");
        }
    }

    #[test]
    fn a_heading_sorts_the_other_way_the_second_time() {
        let of = |sort: &str| {
            let found = headings(&query(&[("sort", sort)]));
            found.into_iter().find(|heading| heading.label == "Place").map(|heading| (heading.href, heading.sorted))
        };
        assert_eq!(of(""), Some(("/rolls?sort=place".to_owned(), None)));
        assert_eq!(of("place"), Some(("/rolls?sort=-place".to_owned(), Some("ascending"))));
        assert_eq!(of("-place"), Some(("/rolls?sort=place".to_owned(), Some("descending"))));
    }
}
