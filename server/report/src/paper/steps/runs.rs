//! Counting runs: every attempt, what the machine and its reader said, the faults with what was done about them, and the
//! codes beside splices.

use std::collections::BTreeMap;

use tallyseal_control::{CountState, CountStatus, Fault, RollCount, RollState};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{CodePlace, FaultKind, StationSetUp};
use tallyseal_schema::observation::Observation;
use tallyseal_schema::{Body, Entry};

use super::super::{Field, Gathered, Section, Tone};
use super::make::{Hand, NOT_HERE, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, ns};
use crate::told::plain;
use crate::words;

/// The record of a count alone.
pub(super) fn section(g: &Gathered, count: &Stream) -> Section {
    let mut step = Step::new(g, format!("Count {}", count.id()), "21 CFR 211.68; 21 CFR 211.125(c)");
    let roll = g.count(count).map(|state| &state.roll);
    if let Some(roll) = roll {
        step.fields(vec![
            field("Counted", format!("{} {}", words::thing(roll.thing()), roll.id())).asked("21 CFR 211.125(c)"),
        ]);
    }
    attempts(&mut step, &[count], roll.and_then(|roll| g.roll(roll)));
    step.corrections(count);
    step.section()
}

/// All that is said of these runs.
pub(super) fn attempts(step: &mut Step, counts: &[&Stream], roll: Option<&RollState>) {
    let g = step.gathered();
    step.table(every_attempt(g, counts), "nobody has begun to count it");
    step.table_if_any(figures(g, counts, roll));
    step.fields(readers(g, counts));
    step.table_if_any(machine_said(g, counts));
    step.table_if_any(beside(g, counts));
    let any = counts.iter().any(|count| g.count(count).is_some());
    let faults = faults(g, counts);
    if any {
        step.table(faults, "no fault was seen");
        step.table_if_any(splices(g, counts));
        step.table_if_any(codes(g, counts));
    }
    let hands: Vec<Hand> = counts.iter().flat_map(|count| step.signed(count)).collect();
    if any {
        step.people(hands, "no run is signed yet");
    }
}

fn opened<'g>(g: &'g Gathered, count: &Stream) -> Option<&'g Entry> {
    g.stream(count).find(|entry| matches!(entry.body, Body::CountOpened(_)))
}

/// How a run ended, and in which entry.
fn ended<'g>(g: &'g Gathered, count: &Stream) -> Option<(&'g Entry, String)> {
    let mut ends = g.stream(count).filter_map(|entry| {
        let text = match &entry.body {
            Body::CountClosed(_) => "closed at the end of the roll".to_owned(),
            Body::CountInterrupted(body) => format!("interrupted: {}", body.cause),
            Body::CountAborted(_) => "given up".to_owned(),
            _ => return None,
        };
        Some((entry, super::read::with_why(text, entry)))
    });
    // Given up after it was closed: the last word counts.
    ends.next_back()
}

fn every_attempt(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns = vec![
        wide("Run", 2),
        wide("For", 2),
        col("Table"),
        wide("Operator", 3),
        wide("From, to", 3),
        wide("How it ended", 3),
        num("Entries"),
    ];
    let mut table = Table::new("Counting runs: every attempt", "21 CFR 211.68; 21 CFR 211.100(b)", columns).small();
    for count in counts {
        let Some(state) = g.count(count) else {
            table.toned(cells![count.id().to_string(), NOT_HERE], Tone::Small);
            continue;
        };
        let (opened, end) = (opened(g, count), ended(g, count));
        let from = opened.map(|entry| g.local(entry.header.at)).unwrap_or_default();
        let to = end.as_ref().map_or_else(|| "it runs".to_owned(), |(entry, _)| g.local(entry.header.at));
        let how = end.as_ref().map_or_else(|| words::count_status(state.status).text, |(_, text)| text.clone());
        let tone = match state.status {
            CountStatus::Interrupted | CountStatus::Aborted => Tone::Small,
            _ => Tone::Plain,
        };
        table.toned(
            cells![
                format!("{}, attempt {}", count.id(), state.attempt),
                format!("{}, {}", words::purpose(state.purpose), words::direction(state.direction)),
                state.station.id().to_string(),
                opened.map(by).unwrap_or_default(),
                format!("{from} to {to}"),
                how,
                ns(opened.into_iter().chain(end.as_ref().map(|(entry, _)| *entry))),
            ],
            tone,
        );
    }
    table
}

/// What each run gave, and what it says beside the others.
fn figures(g: &Gathered, counts: &[&Stream], roll: Option<&RollState>) -> Table {
    let columns = vec![
        col("Run"),
        num("Labels counted"),
        num("Machine's total"),
        num("Seen one by one"),
        num("Taken out"),
        wide("Beside the others", 2),
        wide("Challenge bracket", 3),
        num("Entries"),
    ];
    let mut table =
        Table::new("What each run gave", "21 CFR 211.68(a); 21 CFR 211.125(c); EU GMP 5.56", columns).small();
    for count in counts {
        let Some(state) = g.count(count) else { continue };
        // What a run says that still runs is nobody's to count towards.
        if state.status == CountStatus::Open {
            continue;
        }
        let labels = state.labels.map_or_else(|| "not closed".to_owned(), |labels| words::number(labels.get()));
        let taken = roll.and_then(|roll| roll.counts.iter().find(|one| one.count == **count));
        let (says, tone) = roll.map_or((String::new(), Tone::Plain), |roll| beside_others(roll, state, taken));
        let closed = g.stream(count).filter(|entry| matches!(entry.body, Body::CountClosed(_)));
        let counted = g.stream(&state.roll).filter(|entry| match &entry.body {
            Body::RollCounted(body) => body.count == **count,
            _ => false,
        });
        table.toned(
            cells![
                count.id().to_string(),
                labels,
                state.machine_total.map(words::number).unwrap_or_default(),
                words::number(state.labels_seen),
                words::number(state.taken_out()),
                says,
                bracket(taken),
                ns(closed.chain(counted)),
            ],
            tone,
        );
    }
    table
}

/// What a count says beside the others, as its roll's page does.
fn beside_others(roll: &RollState, run: &CountState, taken: Option<&RollCount>) -> (String, Tone) {
    let Some(count) = taken else {
        return match run.status {
            CountStatus::Interrupted | CountStatus::Aborted => ("does not count".to_owned(), Tone::Small),
            _ => ("not signed yet".to_owned(), Tone::Plain),
        };
    };
    let (text, tone) = match roll.settled.as_ref() {
        _ if count.doubted => ("doubted", Tone::Former),
        Some(settled) if settled.standing == count.count => ("stands", Tone::Plain),
        Some(settled) if settled.counts.contains(&count.count) && count.labels == settled.counted => {
            ("agrees", Tone::Plain)
        }
        Some(settled) if settled.counts.contains(&count.count) => ("differs", Tone::Plain),
        _ if roll.disagreed => ("disagrees", Tone::Grave),
        _ if count.in_doubt => ("a cross-check questions it", Tone::Plain),
        Some(_) => ("of an earlier round", Tone::Plain),
        None => ("waits for another", Tone::Plain),
    };
    let doubt = if count.in_doubt && !text.starts_with("a cross") { "; a cross-check questions it" } else { "" };
    (format!("{text}{doubt}"), tone)
}

/// Whether a count stands between two good challenges of its station.
fn bracket(taken: Option<&RollCount>) -> &'static str {
    match taken {
        None => "",
        Some(count) if count.doubted => "the closing challenge failed",
        Some(count) if count.bracketed => "between two good challenges",
        Some(_) => "at risk until the closing challenge",
    }
}

/// Set-up, speed, expected code and plugin of the runs, each said once.
fn readers(g: &Gathered, counts: &[&Stream]) -> Vec<Field> {
    let mut plugins: BTreeMap<String, (Vec<String>, Vec<&Entry>)> = BTreeMap::new();
    let mut set_ups: BTreeMap<u64, (String, Vec<String>, &Entry)> = BTreeMap::new();
    let mut expected: BTreeMap<String, (Vec<String>, Vec<&Entry>)> = BTreeMap::new();
    for count in counts {
        let (Some(state), Some(opened)) = (g.count(count), opened(g, count)) else { continue };
        let named = match g.plugin_of(state.plugin) {
            Some((stream, plugin)) => format!("{} version {} ({}), ", plugin.name, plugin.version, stream.id()),
            None => String::new(),
        };
        let counts_what = format!("; the machine counts {}", plain(state.counts));
        let text = format!("{named}digest {}{counts_what}", state.plugin);
        let known = plugins.entry(text).or_default();
        known.0.push(count.id().to_string());
        known.1.push(opened);
        if let Some((entry, set_up)) = set_up_before(g, state) {
            let text = format!(
                "{} at {}: sensor {}, sensitivity {}, {} labels a minute",
                set_up.item.id(),
                state.station.id(),
                set_up.sensor,
                set_up.sensitivity,
                words::number(set_up.speed_labels_per_min)
            );
            set_ups.entry(entry.header.n).or_insert_with(|| (text, Vec::new(), entry)).1.push(count.id().to_string());
        }
        let code = match &state.expected_code {
            Some(code) => format!(
                "{code}; the table itself read it on {} of {} labels",
                words::number(state.codes_read),
                words::number(state.labels_seen)
            ),
            None => "none is printed".to_owned(),
        };
        let known = expected.entry(code).or_default();
        known.0.push(count.id().to_string());
        known.1.push(opened);
    }
    let set_ups = set_ups.into_values().map(|(text, runs, entry)| {
        field("Set-up of the table", format!("{text}; runs: {}", runs.join(", "))).asked("21 CFR 211.68(a)").on([entry])
    });
    let plugins = plugins.into_iter().map(|(text, (runs, entries))| {
        field("Plugin that read the machine", format!("{text}; runs: {}", runs.join(", ")))
            .asked("21 CFR 211.68(a)")
            .on(entries)
    });
    let expected = expected.into_iter().map(|(text, (runs, entries))| {
        field("Code expected in the run", format!("{text}; runs: {}", runs.join(", ")))
            .asked("21 CFR 211.125(b)")
            .on(entries)
    });
    set_ups.chain(expected).chain(plugins).collect()
}

/// The set-up that a run was made with: the last one before it.
fn set_up_before<'g>(g: &'g Gathered, run: &CountState) -> Option<(&'g Entry, &'g StationSetUp)> {
    let all = g.events(&run.station, |body| match body {
        Body::StationSetUp(body) => Some(body),
        _ => None,
    });
    all.take_while(|(entry, _)| entry.header.n < run.opened_n).last()
}

/// What the machine reported beside labels and faults, one row for each run.
fn machine_said(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns = vec![col("Run"), wide("What the machine reported, each with its entry", 1)];
    let mut table = Table::new("Reports of the machine", "21 CFR 211.68(a); 21 CFR 211.188(b)(1)", columns).small();
    for count in counts {
        let said = g.events(count, |body| match body {
            Body::CountMachineReported(body) => Some(reported(&body.seen)),
            _ => None,
        });
        let said: Vec<String> = said.map(|(entry, text)| format!("{text} ({})", entry.header.n)).collect();
        if !said.is_empty() {
            table.row(cells![count.id().to_string(), said.join("; ")]);
        }
    }
    table
}

fn reported(seen: &Observation) -> String {
    match seen {
        Observation::Started {} => "began to move the web".to_owned(),
        Observation::RollEnd { ordinal } => format!("end of the roll after label {}", words::number(*ordinal)),
        Observation::Halted { ordinal, cause } => {
            let cause = cause.as_ref().map(|cause| format!(": {cause}")).unwrap_or_default();
            format!("halted after label {}{cause}", words::number(*ordinal))
        }
        Observation::Reset {} => "set its total back to zero".to_owned(),
        Observation::Speed { labels_per_min } => format!("speed {} labels a minute", words::number(*labels_per_min)),
        Observation::Alarm { code, text } => format!("alarm {code}: {text}"),
        Observation::Ticket { total, .. } => format!("ticket with {}", words::number(*total)),
        Observation::Unreadable { why } => format!("bytes that cannot be read: {why}"),
        Observation::Total { value } => format!("total {}", words::number(*value)),
        other => words::word(other.name()),
    }
}

/// Cross-checks and losses of the link.
fn beside(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns = vec![col("Run"), wide("What", 5), wide("When", 2), num("Entry")];
    let mut table =
        Table::new("Cross-checks of the server, and the link", "21 CFR 211.68(a); 21 CFR 211.68(b)", columns).small();
    for count in counts {
        for entry in g.stream(count) {
            let text = match &entry.body {
                Body::CountExceptionFound(body) => format!("{}: {}", words::cross_check(body.check), body.text),
                Body::CountLinkLost(body) => format!("the link {} was lost: {}", body.link, body.cause),
                Body::CountLinkRestored(body) => format!("the link {} is back", body.link),
                _ => continue,
            };
            table.row(cells![count.id().to_string(), text, g.local(entry.header.at), n(entry)]);
        }
    }
    table
}

/// The entries with which the faults of a run came into it, in the order of its faults.
fn seen_in<'g>(g: &'g Gathered, count: &Stream, faults: &[Fault]) -> Vec<&'g Entry> {
    let mut entries: Vec<&Entry> = Vec::new();
    for entry in g.stream(count) {
        match &entry.body {
            Body::CountFaultSeen(_) => entries.push(entry),
            // A wrong code that was read by hand is a fault where the run did not know it yet.
            Body::CountCodeChecked(body) if !body.matches => {
                let is_new = faults.get(entries.len()).is_some_and(|fault| {
                    fault.fault == FaultKind::WrongCode
                        && fault.ordinal == body.ordinal
                        && fault.found.as_deref() == Some(body.found.as_str())
                });
                if is_new {
                    entries.push(entry);
                }
            }
            _ => {}
        }
    }
    entries
}

/// What was done about a fault, in words.
fn done_about(fault: &Fault) -> String {
    match fault.disposition {
        Some(disposition) => words::disposition(disposition).to_owned(),
        None => "nothing is said yet".to_owned(),
    }
}

fn faults(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns = vec![
        col("Run"),
        wide("Fault, in the order of the run", 4),
        wide("Found", 3),
        wide("Expected", 3),
        wide("Disposition", 3),
        wide("Piece taken out", 3),
        num("Entries"),
    ];
    let clause = "21 CFR 211.122(b); 21 CFR 211.125(b); 21 CFR 211.125(c); 21 CFR 211.184(e); 21 CFR 201.25";
    let mut table = Table::new("Faults seen in the runs", clause, columns).small();
    for count in counts {
        let Some(state) = g.count(count) else { continue };
        let seen = seen_in(g, count, &state.faults);
        for (index, fault) in state.faults.iter().enumerate() {
            let many = fault.last.saturating_sub(fault.ordinal).saturating_add(1);
            let on_label = !fault.fault.between_labels();
            let piece =
                fault.piece.map(|piece| format!("{}, {}", words::labels(piece.labels.get()), words::fate(piece.fate)));
            let disposed = fault.disposed.and_then(|by| g.at_rev(count, by.rev));
            let grave = fault.fault == FaultKind::WrongCode;
            let mut what = words::fault_at(fault.fault, fault.ordinal, fault.last, many);
            if let Some(more) = seen.get(index).and_then(|entry| further(&entry.body)) {
                what.push_str(&more);
            }
            table.toned(
                cells![
                    count.id().to_string(),
                    what,
                    fault.found.clone().unwrap_or_default(),
                    state.expected_code.clone().filter(|_| on_label).unwrap_or_default(),
                    done_about(fault),
                    piece.unwrap_or_default(),
                    ns(seen.get(index).copied().into_iter().chain(disposed)),
                ],
                if grave { Tone::Grave } else { Tone::Plain },
            );
        }
    }
    table
}

/// Cause and lane, where the machine told them.
fn further(body: &Body) -> Option<String> {
    let Body::CountFaultSeen(body) = body else { return None };
    let cause = body.cause.as_ref().map(|cause| format!("; {cause}")).unwrap_or_default();
    let lane = body.lane.map(|lane| format!("; lane {lane}")).unwrap_or_default();
    Some(format!("{cause}{lane}")).filter(|text| !text.is_empty())
}

/// Each splice with the codes on both sides of it.
fn splices(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns = vec![
        col("Run"),
        wide("Splice", 3),
        wide("Code before it", 4),
        wide("Code after it", 4),
        wide("Disposition", 3),
    ];
    let mut table =
        Table::new("Splices: the code on both sides", "21 CFR 211.122(a); 21 CFR 211.125(b)", columns).small();
    for count in counts {
        let Some(state) = g.count(count) else { continue };
        for fault in state.faults.iter().filter(|fault| fault.fault == FaultKind::Splice) {
            let side = |place: CodePlace, label: Option<u32>| code_beside(g, count, state, place, label);
            table.row(cells![
                count.id().to_string(),
                words::fault_at(fault.fault, fault.ordinal, fault.last, 1),
                side(CodePlace::BeforeSplice, Some(fault.ordinal).filter(|label| *label > 0)),
                side(CodePlace::AfterSplice, fault.ordinal.checked_add(1)),
                done_about(fault),
            ]);
        }
    }
    table
}

/// The code on one side of a splice: read by hand, or by the table as every other one.
fn code_beside(g: &Gathered, count: &Stream, state: &CountState, place: CodePlace, label: Option<u32>) -> String {
    let beyond = state.labels.is_some_and(|labels| label.is_some_and(|label| label > labels.get()));
    let Some(label) = label.filter(|_| !beyond) else { return "no label there".to_owned() };
    if state.expected_code.is_none() {
        return "no code is printed".to_owned();
    }
    let by_hand = g.events(count, |body| match body {
        Body::CountCodeChecked(body) if body.place == place && body.ordinal == label => Some(body),
        _ => None,
    });
    if let Some((entry, body)) = by_hand.last() {
        let matches = if body.matches { "as expected" } else { "NOT as expected" };
        return format!(
            "label {}: {}, {matches}; read by hand (entry {})",
            words::number(label),
            body.found,
            entry.header.n
        );
    }
    let fault = state
        .faults
        .iter()
        .find(|fault| !fault.fault.between_labels() && (fault.ordinal..=fault.last).contains(&label));
    // Every label of the run is told for: its code was read, or it is said what is wrong with it.
    let told_all = state.codes_read > 0 && !left_to_hand(state);
    match fault {
        Some(fault) => format!("label {}: {}", words::number(label), words::fault(fault.fault)),
        None if told_all => format!("label {}: read by the table, as expected", words::number(label)),
        None => "not read".to_owned(),
    }
}

/// True where labels passed and nothing tells what they carry.
fn left_to_hand(state: &CountState) -> bool {
    let on_labels = state.fault_totals().into_iter().filter(|(kind, _)| !kind.between_labels());
    let told = on_labels.map(|(_, labels)| labels).fold(state.codes_read, u32::saturating_add);
    state.labels_seen > told
}

/// Codes that were read by hand.
fn codes(g: &Gathered, counts: &[&Stream]) -> Table {
    let columns =
        vec![col("Run"), wide("Place", 3), wide("Read", 4), wide("As expected", 2), wide("By", 3), num("Entry")];
    let mut table =
        Table::new("Codes read by hand", "21 CFR 211.122(a); 21 CFR 211.122(g); 21 CFR 211.125(b)", columns).small();
    for count in counts {
        let read = g.events(count, |body| match body {
            Body::CountCodeChecked(body) => Some(body),
            _ => None,
        });
        for (entry, body) in read {
            let place = format!("{} ({})", words::code_place(body.place), words::number(body.ordinal));
            let (matches, tone) = if body.matches { ("yes", Tone::Plain) } else { ("NO", Tone::Grave) };
            table.toned(cells![count.id().to_string(), place, body.found.as_str(), matches, by(entry), n(entry)], tone);
        }
    }
    table
}
