//! The operator's bench: one station, one roll, and what wants the hand next; and the board with every station.

mod next;
mod stands;

use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Payload, Query};
use actix_web::{HttpRequest, HttpResponse, ResponseError as _};
use askama::Template;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use tallyseal_control::{CountStatus, Record, RollState, State};
use tallyseal_schema::ids::{Act, Id, Stream, Thing};
use tallyseal_schema::kinds::{CountPurpose, Direction, FaultKind, MachineCounts, Role};

use super::mark;
use super::visitor::{Looker, Typed, Visitor, typed};
use super::web_strip::{Place, Strip};
use super::{Frame, PageError, page, page_as, see_other, shown, thing, words};
use crate::desk::{ActRequest, Desk, Seat};
use crate::error::{DeskError, Problem};
use next::Next;
use stands::{Looked, Stands, Word};

/// Stations on the board. A plant has few.
pub(super) const STATIONS_MAX: usize = 100;
/// Further counts of a station that wait for a signature and are named.
const UNSIGNED_MAX: usize = 6;
/// Widths of the strip in its own units: one for a wide page, one for a narrow one.
const WIDE: u32 = 1_180;
const NARROW: u32 = 420;

/// Where a station's bench is, with a certain count where one is looked at.
fn href(station: &Id, count: Option<&Stream>) -> String {
    match count {
        Some(count) => format!("/bench/{station}?count={}", count.id()),
        None => format!("/bench/{station}"),
    }
}

/// The count as figures and a strip.
struct Figures {
    attempt: String,
    direction: &'static str,
    exceptions: Vec<String>,
    /// Kinds of fault with their marks, names and numbers.
    faults: Vec<(String, &'static str, String)>,
    /// The large figure; `None` while it is hidden.
    figure: Option<String>,
    /// Deviations that hold the roll.
    holds: Vec<(String, String)>,
    /// Why the figures are hidden; empty where they are not.
    hidden: &'static str,
    href: String,
    id: String,
    label: &'static str,
    /// The other figure, where the machine gives two.
    other: Option<(&'static str, String)>,
    open: bool,
    outcome: Option<String>,
    purpose: &'static str,
    roll: String,
    roll_href: String,
    /// Wide and narrow.
    strips: Option<(String, String)>,
    test_roll: bool,
    when: words::When,
    who: String,
    word: Word,
}

/// A station's bench as shown.
struct Bench {
    back: String,
    /// A count was asked for: its fragments are asked for with it.
    chosen: String,
    challenge: (String, &'static str),
    figures: Option<Figures>,
    form_token: String,
    id: String,
    link: (&'static str, &'static str),
    locked: bool,
    name: String,
    next: Next,
    plugin: Option<(String, String)>,
    set_up: Option<(String, String, u32)>,
    stream: String,
    unsigned: Vec<(String, String)>,
    /// Another one where what is to be done is another.
    version: String,
    word: Word,
}

impl Bench {
    /// The count whose faults are shown.
    fn count_id(&self) -> &str {
        self.figures.as_ref().map_or("", |figures| &figures.id)
    }
}

#[derive(Template)]
#[template(path = "bench.html")]
struct BenchPage {
    bench: Bench,
    frame: Frame,
    wrong: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "bench_now.html")]
struct NowPart {
    bench: Bench,
}

#[derive(Template)]
#[template(path = "bench_hand.html")]
struct HandPart {
    bench: Bench,
}

/// A station on the board.
struct Row {
    about: String,
    challenge: (String, &'static str),
    counts: Option<(String, &'static str, String)>,
    href: String,
    id: String,
    link: (&'static str, &'static str),
    name: String,
    plugin: String,
    word: Word,
}

#[derive(Template)]
#[template(path = "board.html")]
struct BoardPage {
    frame: Frame,
    may_register: bool,
    rows: Vec<Row>,
    watched: String,
}

#[derive(Template)]
#[template(path = "board_now.html")]
struct BoardPart {
    rows: Vec<Row>,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    count: Option<Id>,
    done: Option<u64>,
    /// Only that part of the page, for a live one.
    part: Option<String>,
}

/// The large figure of a count, what it is, and the machine's other one.
fn figure(stands: &Stands, count: &Looked) -> (u32, &'static str, Option<(&'static str, u32)>) {
    let state = &count.state;
    let total = state.machine_total;
    let pitches = state.counts == MachineCounts::Pitches;
    let by_total = if pitches { "places by the machine's total" } else { "labels by the machine's total" };
    if let Some(labels) = state.labels {
        let seen = (state.labels_seen > 0).then_some(("seen one by one", state.labels_seen));
        return (labels.get(), "labels counted", seen);
    }
    if state.labels_seen > 0 || (stands.tells_labels() && total.is_none() && state.expected_code.is_some()) {
        let other = if pitches { "places, the machine's total" } else { "the machine's total" };
        return (state.labels_seen, "labels seen one by one", total.map(|total| (other, total)));
    }
    (total.unwrap_or(0), by_total, None)
}

fn count_word(stands: &Stands, count: &Looked) -> Word {
    let judged = count.state.purpose == CountPurpose::Challenge && count.state.bracket < stands.station.bracket;
    let (text, class) = match count.state.status {
        CountStatus::Open if count.state.roll_end => ("the roll has ended", "hold"),
        CountStatus::Open => ("running", "good"),
        CountStatus::Closed if count.state.of_test_roll() && judged => ("judged with its challenge", "good"),
        CountStatus::Closed if count.state.purpose == CountPurpose::Qualification => ("closed", "good"),
        CountStatus::Closed if count.state.of_test_roll() => ("closed, waits for its challenge", "hold"),
        CountStatus::Closed => ("closed, not signed", "hold"),
        CountStatus::Signed if count.checked => ("signed and checked", "good"),
        CountStatus::Signed => ("signed", "good"),
        CountStatus::Interrupted => ("interrupted", "grave"),
        CountStatus::Aborted => ("given up", "grave"),
    };
    Word { class, text }
}

fn figures(desk: &Desk, stands: &Stands, count: &Looked) -> Result<Figures, DeskError> {
    let state = &count.state;
    let (value, label, other) = figure(stands, count);
    let strip = Strip {
        passed: count.passed(),
        places: state
            .faults
            .iter()
            .map(|fault| Place {
                fault: fault.fault,
                first: fault.ordinal,
                last: fault.last,
                waits: fault.disposition.is_none() && !state.of_test_roll(),
            })
            .collect(),
        whole: state.labels.is_some() || state.roll_end,
    };
    let totals = state.fault_totals();
    let of_kind =
        |(kind, many): (&FaultKind, &u32)| (mark::mark(*kind), words::faults(*kind, *many), words::number(*many));
    let hidden = match state.status {
        _ if count.hidden => "Its number is hidden while the roll is counted again.",
        CountStatus::Open => "",
        // Whoever runs the test roll next is not to know what to expect.
        _ if state.of_test_roll() => "Its number and faults are judged with the challenge and stand in its record.",
        _ => "",
    };
    let opened_by = state.opened_by.as_ref().map(ToString::to_string).unwrap_or_default();
    Ok(Figures {
        attempt: words::number(state.attempt),
        direction: words::direction(state.direction),
        exceptions: next::exceptions(count),
        faults: if hidden.is_empty() { totals.iter().map(of_kind).collect() } else { Vec::new() },
        figure: hidden.is_empty().then(|| words::number(value)),
        hidden,
        holds: count
            .roll
            .iter()
            .flat_map(|roll| &roll.holds)
            .map(|cause| (cause.id().to_string(), super::href(cause)))
            .collect(),
        href: super::href(&count.stream),
        id: count.stream.id().to_string(),
        label,
        other: other.filter(|_| hidden.is_empty()).map(|(label, value)| (label, words::number(value))),
        open: state.status == CountStatus::Open,
        outcome: stands.outcome(desk, count)?,
        purpose: words::purpose(state.purpose),
        roll: state.roll.id().to_string(),
        roll_href: super::href(&state.roll),
        strips: hidden.is_empty().then(|| (strip.svg(WIDE, "wide"), strip.svg(NARROW, "narrow"))),
        test_roll: state.of_test_roll(),
        when: words::when(state.opened_at, desk.zone()),
        who: opened_by,
        word: count_word(stands, count),
    })
}

fn link_of(stands: &Stands) -> (&'static str, &'static str) {
    if stands.station.link_up { ("link up", "good") } else { ("link down", "grave") }
}

/// Until when the last challenge is good, or why one is due.
fn challenge_of(desk: &Desk, stands: &Stands) -> (String, &'static str) {
    let station = &stands.station;
    match (station.why_challenge(stands.at), station.challenged_at) {
        (Some(why), _) if station.failed => (format!("challenge failed: {why}"), "grave"),
        (Some(why), _) => (format!("challenge due: {why}"), "hold"),
        (None, Some(at)) => {
            let until = at.plus_micros(i64::from(station.challenge_interval_min).saturating_mul(60_000_000));
            (format!("challenged, good until {}", words::when(until, desk.zone()).local), "good")
        }
        (None, None) => (String::new(), "hold"),
    }
}

/// What it is set up for, as a person calls it.
fn item_name(stands: &Stands) -> Option<(String, String)> {
    let set_up = stands.station.set_up.as_ref()?;
    let product = stands.item.as_ref().map(|item| {
        let strength = item.draft.strength.as_deref().map(|strength| format!(" {strength}")).unwrap_or_default();
        format!("{}{strength}", item.draft.product)
    });
    Some((set_up.item.id().to_string(), product.unwrap_or_default()))
}

fn bench(desk: &Desk, seat: &Seat, stands: &Stands, chosen: Option<&Id>) -> Result<Bench, DeskError> {
    let chosen_count = chosen.map(|id| Stream::of(Thing::Count, id));
    // A locked session sees what runs, and nothing that was counted before.
    let seen = stands.count.as_ref().filter(|count| !seat.locked || count.state.status == CountStatus::Open);
    let figures = seen.map(|count| figures(desk, stands, count)).transpose()?;
    let next = next::next(desk, seat, stands)?;
    let unsigned = if seat.locked { Vec::new() } else { stands.unsigned(desk, UNSIGNED_MAX)? };
    let unsigned = unsigned.iter().map(|count| (count.id().to_string(), href(&stands.id, Some(count)))).collect();
    let plugin = stands.plugin.as_ref().zip(stands.station.plugin.as_ref());
    Ok(Bench {
        back: href(&stands.id, chosen_count.as_ref()),
        challenge: challenge_of(desk, stands),
        chosen: chosen.map(ToString::to_string).unwrap_or_default(),
        figures,
        form_token: desk.form_token(seat).unwrap_or_default(),
        id: stands.id.to_string(),
        link: link_of(stands),
        locked: seat.locked,
        name: stands.station.name.clone(),
        version: version(stands, &next),
        next,
        plugin: plugin
            .map(|(plugin, bound)| (format!("{} {}", plugin.name, plugin.version), super::href(&bound.plugin))),
        set_up: item_name(stands).map(|(item, product)| {
            let speed = stands.station.set_up.as_ref().map_or(0, |set_up| set_up.speed_labels_per_min);
            (item, product, speed)
        }),
        stream: stands.stream.to_string(),
        unsigned,
        word: stands.word(),
    })
}

/// What the part with the forms depends on: another version is worth showing anew. The number of labels is not in it.
fn version(stands: &Stands, next: &Next) -> String {
    let count = stands.count.as_ref().map(|count| {
        let state = &count.state;
        let said = state.faults.iter().filter(|fault| fault.disposition.is_some()).count();
        let codes = state.codes_checked.len();
        let rev = count.shown_at().map_or(0, |(_, rev)| rev);
        format!("{} {:?} {rev} {} {said} {codes}", count.stream.id(), state.status, state.faults.len())
    });
    format!("{} {} {}", stands.rev, count.unwrap_or_default(), next.title)
}

/// Shows the bench to whoever is signed in and has a role. A locked session sees the count and may do nothing: the lock hides no count.
pub(super) async fn bench_page(
    Looker(seat): Looker,
    desk: Data<Desk>,
    station: Path<String>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let id = station_id(&station)?;
    let chosen = asked.count.as_ref().filter(|_| !seat.locked);
    let stands = Stands::load(&desk, &id, chosen)?;
    let bench = bench(&desk, &seat, &stands, chosen)?;
    match asked.part.as_deref() {
        Some("now") => page(&NowPart { bench }),
        Some("hand") => page(&HandPart { bench }),
        _ => {
            let mut frame = Frame::new(&desk, Some(&seat), "bench", format!("{id}, bench"));
            frame.done = thing::done(&desk, &seat, &thing::Shown { done: asked.done });
            page(&BenchPage { bench, frame, wrong: None })
        }
    }
}

fn station_id(text: &str) -> Result<Id, DeskError> {
    text.to_uppercase().parse().map_err(|_| DeskError::NotFound(format!("station {text}")))
}

/// What a scan is to do: the command and its fields, or what does not go and what to do then.
type Meant = Result<(&'static str, Map<String, Value>), (String, String)>;

/// Begins a count of the roll that was scanned, closes the one that runs, or takes the code of a label: what the page
/// asked for. The rules say whether it may be.
pub(super) async fn scan(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    station: Path<String>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let id = station_id(&station)?;
    let input = typed(&request, payload, &desk, Some(&seat)).await?;
    let take = |name: &str| input.get(name).map_or("", |text| text.trim());
    let chosen = take("chosen").parse::<Id>().ok();
    let back = href(&id, chosen.as_ref().map(|id| Stream::of(Thing::Count, id)).as_ref());
    let wrong = match meant(&desk, &id, &input)? {
        Err(said) => (StatusCode::UNPROCESSABLE_ENTITY, said),
        Ok((name, command)) => {
            let Ok(act) = take("act").parse::<Act>() else {
                return Err(DeskError::Invalid("the form has no act".to_owned()).into());
            };
            // In a role that may not: the rules say so, and record it.
            let role = next::role_for(&seat, name).or(seat.roles.first().copied()).unwrap_or(Role::LabelRoom);
            let asked = ActRequest { act, command, expected: Default::default(), password: None, role };
            match desk.act(&seat, name, asked).await {
                // What was begun or closed is what the bench shows then, whatever it showed before.
                Ok(done) if name == "check_code" => {
                    let join = if back.contains('?') { '&' } else { '?' };
                    return Ok(see_other(&format!("{back}{join}done={}", done.receipt.n)));
                }
                Ok(done) => return Ok(see_other(&format!("/bench/{id}?done={}", done.receipt.n))),
                Err(error @ DeskError::SignedOut) => return Err(error.into()),
                Err(error) => {
                    let problem = Problem::of(&error);
                    (error.status_code(), (problem.detail, problem.remedy))
                }
            }
        }
    };
    let stands = Stands::load(&desk, &id, chosen.as_ref())?;
    let bench = bench(&desk, &seat, &stands, chosen.as_ref())?;
    let frame = Frame::new(&desk, Some(&seat), "bench", format!("{id}, bench"));
    page_as(wrong.0, &BenchPage { bench, frame, wrong: Some(wrong.1) })
}

/// A page that was sent to, looked at again.
pub(super) async fn scan_again(Visitor(_): Visitor, station: Path<String>) -> Result<HttpResponse, PageError> {
    Ok(see_other(&href(&station_id(&station)?, None)))
}

fn meant(desk: &Desk, station: &Id, input: &Typed) -> Result<Meant, DeskError> {
    let take = |name: &str| input.get(name).map_or("", |text| text.trim());
    let text = take("text");
    let fields = |value: Value| value.as_object().cloned().unwrap_or_default();
    if text.is_empty() {
        return Ok(Err(words::nothing_scanned()));
    }
    Ok(match take("wants") {
        "close" => {
            let Ok(count) = take("count").parse::<Id>() else { return Ok(Err(words::nothing_scanned())) };
            match desk.book().record(&Stream::of(Thing::Count, &count))? {
                Some((_, Record { state: State::Count(state), .. })) if is_id_of(text, &state.roll) => {
                    Ok(("close_count", fields(json!({ "count": count }))))
                }
                _ => Err(words::another_roll_runs(text)),
            }
        }
        "code" => {
            let splice = take("splice").parse::<u32>().ok();
            let code = json!({ "count": take("count"), "place": take("place"), "splice": splice, "found": text });
            Ok(("check_code", fields(code)))
        }
        _ => match rolls(desk, text)?.as_slice() {
            [] => Err(words::no_such_roll(text)),
            [roll] => {
                let (purpose, direction) = as_needed(desk, station, roll)?;
                let chosen = |name: &str, needed: Value| match take(name) {
                    "" => needed,
                    given => given.into(),
                };
                let open = json!({
                    "station": station,
                    "roll": roll,
                    "purpose": chosen("purpose", json!(purpose)),
                    "direction": chosen("direction", json!(direction)),
                });
                Ok(("open_count", fields(open)))
            }
            _ => Err(words::two_of_that_name(text)),
        },
    })
}

fn is_id_of(text: &str, roll: &Stream) -> bool {
    let id = text.rsplit('/').next().unwrap_or_default();
    id.eq_ignore_ascii_case(roll.id().as_str())
}

/// The rolls and test rolls of that ID.
fn rolls(desk: &Desk, text: &str) -> Result<Vec<Stream>, DeskError> {
    let (thing, id) = text.split_once('/').unwrap_or(("", text));
    let Ok(id) = id.to_uppercase().parse::<Id>() else { return Ok(Vec::new()) };
    let mut found = shown::streams_of(desk, &id)?;
    found.retain(|stream| {
        matches!(stream.thing(), "roll" | "test_roll") && (thing.is_empty() || stream.thing() == thing)
    });
    Ok(found)
}

/// For what and which way a roll is counted next, as its record has it.
fn as_needed(desk: &Desk, station: &Id, roll: &Stream) -> Result<(CountPurpose, Direction), DeskError> {
    match desk.book().record(roll)? {
        Some((_, Record { state: State::Roll(state), .. })) => Ok((purpose_of(&state), stands::next_direction(&state))),
        _ => {
            let stands = Stands::load(desk, station, None)?;
            let last = stands.runs.last().map(|(_, run)| run.direction);
            Ok((CountPurpose::Challenge, last.map_or(Direction::Forward, next::other_way)))
        }
    }
}

const fn purpose_of(roll: &RollState) -> CountPurpose {
    match (&roll.settled, &roll.parent) {
        (Some(_), _) => CountPurpose::Recount,
        (None, Some(_)) => CountPurpose::Return,
        (None, None) => CountPurpose::Incoming,
    }
}

fn rows(desk: &Desk) -> Result<Vec<Row>, DeskError> {
    let row = |stands: &Stands| {
        let counts = stands.open().map(|count| {
            let (value, label, _) = figure(stands, count);
            (words::number(value), label, count.state.roll.id().to_string())
        });
        Row {
            about: item_name(stands)
                .map_or_else(|| "not set up".to_owned(), |(item, product)| format!("{item}, {product}")),
            challenge: challenge_of(desk, stands),
            counts,
            href: href(&stands.id, None),
            id: stands.id.to_string(),
            link: link_of(stands),
            name: stands.station.name.clone(),
            plugin: stands
                .plugin
                .as_ref()
                .map_or_else(|| "no plugin".to_owned(), |plugin| format!("{} {}", plugin.name, plugin.version)),
            word: stands.word(),
        }
    };
    Ok(stands::stations(desk, STATIONS_MAX)?.iter().map(row).collect())
}

/// Every station, for the wall.
pub(super) async fn board(
    Looker(seat): Looker,
    desk: Data<Desk>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let rows = rows(&desk)?;
    if asked.part.is_some() {
        return page(&BoardPart { rows });
    }
    let mut frame = Frame::new(&desk, Some(&seat), "bench", "Stations");
    frame.done = thing::done(&desk, &seat, &thing::Shown { done: asked.done });
    let watched: Vec<String> = rows.iter().map(|row| format!("station/{}", row.id)).collect();
    page(&BoardPage {
        may_register: next::role_for(&seat, "register_station").is_some(),
        rows,
        watched: watched.join(","),
        frame,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scan_means_a_roll_however_it_is_typed() {
        let roll: Stream = "roll/R-000101".parse().unwrap();
        for text in ["R-000101", "r-000101", "roll/R-000101"] {
            assert!(is_id_of(text, &roll), "{text}");
        }
        for text in ["R-00010", "R-0001011", "", "roll/"] {
            assert!(!is_id_of(text, &roll), "{text}");
        }
    }
}
