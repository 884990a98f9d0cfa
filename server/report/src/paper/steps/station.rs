//! Counting tables: what they are and who says they may be used, their log, and the challenges around the counts.

use std::collections::{BTreeMap, BTreeSet};

use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{ChallengeRun, FaultKind, Occasion};
use tallyseal_schema::{Body, Entry, Labels};

use super::super::{Gathered, Section, Tone};
use super::make::{Hand, NOT_HERE, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, ns, with_why};
use crate::told::plain;
use crate::words;

const CHALLENGE: &str = "21 CFR 211.68(a); EU GMP 5.56";

/// A station with one of its challenge brackets.
type Bracket = (Stream, u64);

/// The brackets in which rolls were counted, as far as the record holds their counts.
fn brackets(g: &Gathered) -> BTreeMap<Bracket, Vec<&Stream>> {
    let mut brackets: BTreeMap<Bracket, Vec<&Stream>> = BTreeMap::new();
    for count in g.things(Thing::Count) {
        let Some(state) = g.count(count).filter(|state| !state.of_test_roll()) else { continue };
        brackets.entry((state.station.clone(), state.bracket)).or_default().push(count);
    }
    brackets
}

/// One challenge as it was concluded.
struct Challenge<'g> {
    bracket: u64,
    certified: Labels,
    entry: &'g Entry,
    /// What was wrong; `None`: it passed.
    failed: Option<(&'g [String], &'g Stream)>,
    occasion: Occasion,
    runs: &'g [ChallengeRun],
    test_roll: &'g Stream,
}

fn challenges<'g>(g: &'g Gathered, station: &Stream) -> Vec<Challenge<'g>> {
    let all = g.stream(station).filter_map(|entry| match &entry.body {
        Body::StationChallengePassed(body) => Some(Challenge {
            bracket: body.bracket,
            certified: body.certified,
            entry,
            failed: None,
            occasion: body.occasion,
            runs: &body.runs,
            test_roll: &body.test_roll,
        }),
        Body::StationChallengeFailed(body) => Some(Challenge {
            bracket: body.bracket,
            certified: body.certified,
            entry,
            failed: Some((&body.findings, &body.deviation)),
            occasion: body.occasion,
            runs: &body.runs,
            test_roll: &body.test_roll,
        }),
        _ => None,
    });
    all.collect()
}

/// The tables of the record with the challenges before and after each of its counts.
pub(super) fn of_counts(g: &Gathered) -> Vec<Section> {
    let brackets = brackets(g);
    let stations: BTreeSet<&Stream> = brackets.keys().map(|(station, _)| station).collect();
    let mut sections = Vec::new();
    for station in stations {
        sections.push(table(g, station));
        let of_it: BTreeMap<u64, &Vec<&Stream>> = brackets
            .iter()
            .filter(|((one, _), _)| one == station)
            .map(|((_, bracket), counts)| (*bracket, counts))
            .collect();
        let beside = |bracket: u64| {
            of_it.contains_key(&bracket) || bracket.checked_add(1).is_some_and(|next| of_it.contains_key(&next))
        };
        let concluded: Vec<Challenge> = challenges(g, station).into_iter().filter(|one| beside(one.bracket)).collect();
        let mut step = Step::new(g, format!("Challenges of the counting table {}", station.id()), CHALLENGE);
        bracket_table(&mut step, station, &of_it);
        told(&mut step, &concluded);
        sections.push(step.section());
    }
    sections
}

/// The record of a station: what it is, its log, and all its challenges.
pub(super) fn sections(g: &Gathered, station: &Stream) -> Vec<Section> {
    let mut step = Step::new(g, format!("Challenges of the counting table {}", station.id()), CHALLENGE);
    let all = challenges(g, station);
    if all.is_empty() {
        step.note("It was never challenged.");
    }
    told(&mut step, &all);
    vec![table(g, station), step.section()]
}

/// What a table is, who says that it may be used, and what was done on it.
fn table(g: &Gathered, station: &Stream) -> Section {
    let mut step = Step::new(
        g,
        format!("Counting table {}", station.id()),
        "21 CFR 211.68(a); 21 CFR 211.182; 21 CFR 211.188(b)(2)",
    );
    let mut fields = Vec::new();
    for entry in g.stream(station) {
        match &entry.body {
            Body::StationRegistered(body) => {
                let tallyseal_schema::kinds::Link::TcpOut { address } = &body.link;
                let interval = words::with_unit("challenge_interval_min", u64::from(body.challenge_interval_min));
                let rated = words::with_unit("rated_labels_per_min", u64::from(body.rated_labels_per_min));
                fields.extend(
                    [
                        field("Table", format!("{}, {}", body.name, body.place))
                            .asked("21 CFR 211.188(b)(2); EU GMP 4.21(e)"),
                        field("Reached at", address.clone()),
                        field("Rated speed", rated).asked("21 CFR 211.68(a)"),
                        field("Challenge at least every", interval).asked(CHALLENGE),
                    ]
                    .map(|field| field.on([entry])),
                );
            }
            Body::StationQualified(body) => fields.push(
                field("Qualified", format!("on the strength of {}, until {}", body.basis, g.at(body.valid_until)))
                    .asked("21 CFR 211.68(a)")
                    .on([entry]),
            ),
            Body::StationPluginBound(body) => fields.push(
                field("Read by the plugin", plugin(g, &body.plugin, &body.digest.to_string()))
                    .asked("21 CFR 211.68(a); 21 CFR 211.68(b)")
                    .on([entry]),
            ),
            _ => {}
        }
    }
    if fields.is_empty() {
        fields.push(field("Table", NOT_HERE));
    }
    step.fields(fields);
    step.table(log(g, station), "nothing was logged");
    // Who concluded a challenge is told with it.
    let kinds = ["station.registered", "station.qualified", "station.plugin_bound"];
    let mut hands = step.done(station, &kinds);
    let signed = g.signatures(station).into_iter().filter(|(_, body, _)| body.meaning != "challenge concluded");
    hands.extend(signed.map(|(entry, body, stands)| Hand::signed(entry, &body.meaning, stands)));
    for plugin in g.things(Thing::Plugin) {
        hands.extend(step.hands(plugin, &["plugin.drafted", "plugin.approved"]));
    }
    step.people(hands, NOT_HERE);
    step.corrections(station);
    step.section()
}

fn plugin(g: &Gathered, stream: &Stream, digest: &str) -> String {
    match g.plugin(stream) {
        Some(plugin) => {
            let emits: Vec<&str> = plugin.emits.iter().map(String::as_str).collect();
            format!("{} version {}, digest {digest}; it may say: {}", plugin.name, plugin.version, emits.join(", "))
        }
        None => format!("{}, {NOT_HERE}, digest {digest}", stream.id()),
    }
}

/// The use of the table and the work on it.
fn log(g: &Gathered, station: &Stream) -> Table {
    let columns = vec![wide("What", 6), wide("By", 3), wide("When", 3), num("Entry")];
    let mut table = Table::new(
        "Set-ups, clearing and work on it",
        "21 CFR 211.182; 21 CFR 211.188(b)(6); 21 CFR 211.130(e)",
        columns,
    )
    .small();
    for entry in g.stream(station) {
        let text = match &entry.body {
            Body::StationBenchCleared(body) => {
                format!("bench cleared: {}; found: {}", body.places.join(", "), body.found)
            }
            Body::StationSetUp(body) => format!(
                "set up for {}: sensor {}, sensitivity {}, {} labels a minute",
                body.item.id(),
                body.sensor,
                body.sensitivity,
                words::number(body.speed_labels_per_min)
            ),
            Body::StationWorkLogged(body) => format!("{}: {}", plain(body.work), body.text),
            Body::StationDoubted(body) => {
                format!("the counts of {} do not agree: it is challenged before it counts again", body.roll.id())
            }
            Body::StationLinkLost(body) => format!("the link {} was lost: {}", body.link, body.cause),
            Body::StationLinkUp(body) => format!("the link {} is there", body.link),
            Body::StationStrayCaptured(body) => {
                format!(
                    "{} bytes came while no count was open; they are kept and belong to no roll",
                    words::number(body.length)
                )
            }
            _ => continue,
        };
        table.row(cells![with_why(text, entry), by(entry), g.local(entry.header.at), n(entry)]);
    }
    table
}

/// Which counts lie between which challenges, and what a challenge that fails undoes.
fn bracket_table(step: &mut Step, station: &Stream, of_it: &BTreeMap<u64, &Vec<&Stream>>) {
    let g = step.gathered();
    let all = challenges(g, station);
    let columns = vec![
        wide("Challenge before", 2),
        wide("Counts in between", 4),
        wide("Challenge after", 2),
        wide("What it means for them", 5),
    ];
    let mut table = Table::new("Counts between two challenges", CHALLENGE, columns);
    for (bracket, counts) in of_it {
        let before = bracket.checked_sub(1).and_then(|before| all.iter().find(|one| one.bracket == before));
        let after = all.iter().find(|one| one.bracket == *bracket);
        let named = |one: Option<&Challenge>, none: &str| match one {
            Some(one) => {
                format!("{} (entry {})", if one.failed.is_some() { "FAILED" } else { "passed" }, one.entry.header.n)
            }
            None => none.to_owned(),
        };
        let rolls: BTreeSet<String> =
            counts.iter().filter_map(|count| g.count(count)).map(|count| count.roll.id().to_string()).collect();
        let rolls = rolls.into_iter().collect::<Vec<_>>().join(", ");
        let (means, tone) = match after {
            Some(one) if one.failed.is_some() => (
                format!(
                    "It failed: none of these counts stands, and the rolls {rolls} are on hold until a reviewer decides."
                ),
                Tone::Grave,
            ),
            Some(_) => (
                format!(
                    "It passed: they stand. Had it failed, none of them would stand, and the rolls {rolls} would be on hold."
                ),
                Tone::Plain,
            ),
            None => (
                format!(
                    "It is not done yet: they are at risk. If it fails, none of them stands, and the rolls {rolls} are put on hold."
                ),
                Tone::Grave,
            ),
        };
        let counts = counts.iter().filter_map(|count| Some(format!("{} of {}", count.id(), g.count(count)?.roll.id())));
        table.toned(
            cells![
                named(before, "none is in this record"),
                counts.collect::<Vec<_>>().join(", "),
                named(after, "none yet"),
                means
            ],
            tone,
        );
    }
    step.table(table, "no roll was counted at it");
    step.note("Counts of other rolls between the same challenges are in the records of those rolls.");
}

/// Each challenge with its runs.
fn told(step: &mut Step, all: &[Challenge]) {
    for one in all {
        challenge(step, one);
    }
}

fn fault_list(faults: &BTreeMap<FaultKind, u32>) -> String {
    let faults: Vec<String> =
        faults.iter().map(|(kind, many)| format!("{} {}", words::number(*many), words::faults(*kind, *many))).collect();
    if faults.is_empty() { "none".to_owned() } else { faults.join(", ") }
}

fn challenge(step: &mut Step, one: &Challenge) {
    let g = step.gathered();
    let (result, tone) = match one.failed {
        Some(_) => ("failed", Tone::Grave),
        None => ("passed", Tone::Good),
    };
    step.heading(format!("Challenge of entry {}: {result}", one.entry.header.n), CHALLENGE);
    let registered = g.stream(one.test_roll).find_map(|entry| match &entry.body {
        Body::TestRollRegistered(body) => Some((entry, body)),
        _ => None,
    });
    let mut fields = vec![
        field("Occasion", plain(one.occasion)).asked(CHALLENGE).on([one.entry]),
        field("Test roll", one.test_roll.id().to_string()).asked(CHALLENGE).on([one.entry]),
        field("Certified labels", words::labels(one.certified.get())).asked(CHALLENGE).on([one.entry]),
    ];
    if let Some((entry, body)) = registered {
        let until = g.at(body.expires);
        fields.push(field("Certificate", format!("{}, ends {until}", body.certificate)).asked(CHALLENGE).on([entry]));
        fields.push(field("Faults certified on it", fault_list(&body.faults)).asked(CHALLENGE).on([entry]));
        if let Some(code) = &body.code {
            fields.push(field("Code on its good labels", code.clone()).on([entry]));
        }
    } else {
        fields.push(field("Certificate", NOT_HERE).asked(CHALLENGE).toned(Tone::Small));
    }
    fields.push(field("Result", result).asked(CHALLENGE).on([one.entry]).toned(tone));
    if let Some((findings, deviation)) = one.failed {
        fields.push(field("What was wrong", findings.join("; ")).asked(CHALLENGE).on([one.entry]).toned(Tone::Grave));
        fields.push(field("Deviation", deviation.id().to_string()).asked("21 CFR 211.192").on([one.entry]));
    }
    step.fields(fields);
    let columns = vec![
        col("Run"),
        col("Way"),
        num("Labels"),
        wide("Against the certificate", 2),
        wide("Faults found", 3),
        wide("Operator", 3),
        wide("When", 2),
        num("Entries"),
    ];
    let mut table = Table::new("Its runs", CHALLENGE, columns).small();
    for run in one.runs {
        let opened = g.stream(&run.count).find(|entry| matches!(entry.body, Body::CountOpened(_)));
        let closed = g.stream(&run.count).filter(|entry| matches!(entry.body, Body::CountClosed(_)));
        let against = match run.labels == one.certified {
            true => "as certified".to_owned(),
            false => words::against(run.labels.get(), one.certified.get()),
        };
        table.row(cells![
            run.count.id().to_string(),
            words::direction(run.direction),
            words::number(run.labels.get()),
            against,
            fault_list(&run.faults),
            opened.map(by).unwrap_or_default(),
            opened.map(|entry| g.local(entry.header.at)).unwrap_or_default(),
            ns(opened.into_iter().chain(closed)),
        ]);
    }
    step.table(table, "the test roll was not run");
    // The signature that concludes it stands in the station's stream, in the same act.
    let act = &one.entry.header.act;
    let signed = g
        .signatures(&one.entry.header.stream)
        .into_iter()
        .filter(|(entry, body, _)| body.meaning == "challenge concluded" && act.is_some() && entry.header.act == *act);
    let mut hands: Vec<Hand> = vec![Hand::new("Challenge concluded", one.entry)];
    hands.extend(signed.map(|(entry, body, stands)| Hand::signed(entry, &body.meaning, stands)));
    let certified = g.signatures(one.test_roll).into_iter();
    hands.extend(certified.map(|(entry, body, stands)| Hand::signed(entry, &body.meaning, stands)));
    step.people(hands, NOT_HERE);
}

/// The record of a test roll.
pub(super) fn test_roll(g: &Gathered, stream: &Stream) -> Section {
    let mut step = Step::new(g, format!("Test roll {}", stream.id()), CHALLENGE);
    for entry in g.stream(stream) {
        if let Body::TestRollRegistered(body) = &entry.body {
            let fields = vec![
                field("Certificate", body.certificate.clone()).asked(CHALLENGE),
                field("Certified labels", words::labels(body.certified.get())).asked(CHALLENGE),
                field("Faults certified on it", fault_list(&body.faults)).asked(CHALLENGE),
                field("Code on its good labels", body.code.clone().unwrap_or_else(|| "none".to_owned())),
                field("Certificate ends", g.at(body.expires)).asked(CHALLENGE),
            ];
            step.fields(fields.into_iter().map(|field| field.on([entry])).collect());
        }
    }
    let hands = step.hands(stream, &["test_roll.registered", "test_roll.certified", "test_roll.withdrawn"]);
    step.people(hands, NOT_HERE);
    step.corrections(stream);
    step.section()
}
