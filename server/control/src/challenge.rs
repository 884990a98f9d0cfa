//! Challenges: a certified roll, forward and back, with every fault that the item's set-up relies on.
//!
//! A challenge closes a *bracket*: the counts since the one before. It is judged on every run of the test roll that was
//! closed in the bracket and since the station was last changed, so that nobody runs until it fits; and no roll is
//! counted between those runs and their conclusion, so that what it closes lies wholly before it.

use std::collections::BTreeSet;

use tallyseal_schema::Time;
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    ChallengeRun, CountPurpose, CrossCheck, DeviationRule, Direction, FaultKind, Occasion, RollBracketed,
    RollCountDoubted, RollHeld, Severity, StationChallengeFailed, StationChallengePassed,
};

use crate::count::{CountState, CountStatus, fault_name, questions};
use crate::facts::signature;
use crate::refusal::Refusal;
use crate::roll::bracket_key;
use crate::state::Key;
use crate::text::number;
use crate::world::{Stop, World, of};
use crate::{Context, Draft, StationState, TestRollState, deviation, station};

/// Most runs of one challenge.
pub(crate) const RUNS_MAX: usize = 10;

/// The key of the closed runs of test rolls in a station's bracket.
pub(crate) fn runs_key(station: &Stream, bracket: u64) -> Key {
    Key::new("count.challenge", format_args!("{station}#{bracket}"))
}

impl StationState {
    /// The key of the closed runs of test rolls that its next conclusion is about; those before its last change are among
    /// them and prove nothing.
    pub fn runs_key(&self, station: &Stream) -> Key {
        runs_key(station, self.bracket)
    }

    /// The key of the counts of rolls, since its last challenge, that are closed and not signed.
    pub fn unsigned_key(&self, station: &Stream) -> Key {
        unsigned_key(station, self.bracket)
    }
}

/// The key of the counts of rolls in a station's bracket that are closed and not signed.
pub(crate) fn unsigned_key(station: &Stream, bracket: u64) -> Key {
    Key::new("count.unsigned_in", format_args!("{station}#{bracket}"))
}

/// The closed runs of good test rolls that no conclusion has judged yet, since the station was last changed.
pub(crate) fn waiting<'w>(
    world: &'w World,
    at: Time,
    station: &Stream,
    state: &StationState,
) -> Result<Vec<(&'w Stream, &'w CountState)>, Stop> {
    let mut runs = Vec::new();
    for count in world.set(&runs_key(station, state.bracket))? {
        let run = world.count(count)?;
        // A run before a change, or of a test roll that has gone out of use, proves nothing any more.
        if run.opened_n > state.changed_n && world.test_roll(&run.roll)?.must_be_good(&run.roll.id(), at).is_ok() {
            runs.push((count, run));
        }
    }
    Ok(runs)
}

/// Every roll counted in a station's bracket that no challenge has closed: signed or not yet signed.
pub(crate) fn at_risk(world: &World, station: &Stream, bracket: u64) -> Result<BTreeSet<Stream>, Stop> {
    let mut rolls: BTreeSet<Stream> = world.set(&bracket_key(station, bracket))?.iter().cloned().collect();
    for count in world.set(&unsigned_key(station, bracket))? {
        rolls.insert(world.count(count)?.roll.clone());
    }
    Ok(rolls)
}

/// Refuses a test roll that does not carry what the item's set-up relies on.
pub(crate) fn must_carry(
    test_roll: &Id,
    certified: &TestRollState,
    item: &Id,
    relies_on: &BTreeSet<FaultKind>,
) -> Result<(), Stop> {
    let Some(lacking) = relies_on.iter().find(|kind| !certified.faults.contains_key(kind)) else { return Ok(()) };
    Err(Refusal::conflict(
        "test-roll-lacks-fault",
        format!("The test roll {test_roll} carries no {}, which counting {item} relies on.", fault_name(*lacking)),
        "Take a test roll that carries every fault kind of the item's set-up.",
    )
    .into())
}

pub(crate) fn conclude(
    world: &World,
    context: &Context,
    station: &Id,
    test_roll: &Id,
    occasion: Occasion,
    counts: &[Id],
) -> Result<Vec<Draft>, Stop> {
    let (station_stream, roll_stream) = (of(Thing::Station, station), of(Thing::TestRoll, test_roll));
    let state = station::idle(world, station, &station_stream)?;
    let certified = world.test_roll(&roll_stream)?;
    let Some(set_up) = &state.set_up else {
        return Err(Refusal::conflict(
            "not-set-up",
            format!("The station {station} is not set up for an item."),
            "Set it up first, and run the test roll with that set-up.",
        )
        .into());
    };
    if counts.is_empty() {
        if occasion != Occasion::BeforeWork {
            return Err(Refusal::invalid(
                "no-runs",
                "A challenge is judged on its runs, and none is given.",
                "Run the test roll forward and back, and give both counts. Only a station that cannot run it before a \
                 repair or a move is concluded without, as failed.",
            )
            .into());
        }
    } else {
        certified.must_be_good(test_roll, context.at)?;
    }
    let mut runs = Vec::new();
    let mut given = BTreeSet::new();
    for id in counts {
        let count = of(Thing::Count, id);
        let run = world.count(&count)?;
        must_belong(id, run, state, &station_stream, &roll_stream, &set_up.item)?;
        if !given.insert(count.clone()) {
            return Err(Refusal::invalid(
                "run-twice",
                format!("The count {id} is given twice."),
                "Give every run once.",
            )
            .into());
        }
        runs.push((count, run));
    }
    if let Some((left_out, _)) =
        waiting(world, context.at, &station_stream, state)?.iter().find(|(count, _)| !given.contains(*count))
    {
        return Err(Refusal::conflict(
            "run-left-out",
            format!("The count {} is a run of this challenge as well.", left_out.id()),
            "Give every run since the last challenge; what was run is judged, and nothing is left out.",
        )
        .into());
    }
    let relies_on = &world.item(&set_up.item)?.draft.relies_on;
    let mut findings: Vec<String> =
        runs.iter().flat_map(|(count, run)| findings(count, run, certified, relies_on)).collect();
    if runs.is_empty() {
        findings.push("The test roll could not be run.".to_owned());
    }
    let ran = |direction: Direction| runs.iter().any(|(_, run)| run.direction == direction);
    // One run that went wrong is enough to fail; to pass it takes both directions.
    if findings.is_empty() && !(ran(Direction::Forward) && ran(Direction::Rewind)) {
        return Err(Refusal::invalid(
            "both-directions",
            "A challenge is one run forward and one winding back.",
            "Run the test roll the other way as well, and give both counts.",
        )
        .into());
    }
    let since = runs.iter().map(|(_, run)| run.opened_at).min().unwrap_or(context.at);
    let runs: Vec<ChallengeRun> = runs
        .iter()
        .map(|(count, run)| ChallengeRun {
            count: count.clone(),
            direction: run.direction,
            faults: run.fault_totals(),
            labels: run.labels.unwrap_or_default(),
        })
        .collect();
    let bracketed = bracketed_counts(world, &station_stream, state.bracket)?;
    // The runs are signed with their conclusion.
    let covered: Vec<Stream> = runs.iter().map(|run| run.count.clone()).collect();
    let signed = signature(world, context, &station_stream, &covered, "challenge concluded")?;
    if findings.is_empty() {
        let body = StationChallengePassed {
            bracket: state.bracket,
            certified: certified.certified,
            occasion,
            runs,
            since,
            test_roll: roll_stream,
        };
        let mut drafts = vec![Draft::entry(&station_stream, body), signed];
        for (roll, count) in bracketed {
            drafts.push(Draft::entry(&roll, RollBracketed { count, station: station_stream.clone() }));
        }
        return Ok(drafts);
    }
    // Failed: lock the station, and hold every roll counted since the last good challenge, in this one act.
    let rolls = at_risk(world, &station_stream, state.bracket)?;
    let mut about = vec![station_stream.clone()];
    about.extend(rolls.iter().cloned());
    let mut orders = BTreeSet::new();
    for roll in &rolls {
        orders.extend(world.roll(roll)?.order.clone());
    }
    about.extend(orders.iter().cloned());
    // The text is on every page: what was found tells the certified number, and stands in the station's record only.
    let text = format!(
        "The station {station} failed its challenge with {test_roll}: {}. Since the last good one it counted {}.",
        number(findings.len(), "finding", "findings"),
        number(rolls.len(), "roll", "rolls")
    );
    let (cause, opened) = deviation::by_rule(world, 0, DeviationRule::ChallengeFailed, Severity::Major, about, text)?;
    let body = StationChallengeFailed {
        bracket: state.bracket,
        certified: certified.certified,
        deviation: cause.clone(),
        findings,
        occasion,
        runs,
        test_roll: roll_stream,
    };
    let mut drafts = vec![Draft::entry(&station_stream, body), signed, opened];
    for (roll, count) in bracketed {
        drafts.push(Draft::entry(&roll, RollCountDoubted { count, station: station_stream.clone() }));
    }
    drafts.extend(rolls.iter().map(|roll| Draft::entry(roll, RollHeld { cause: cause.clone() })));
    drafts.extend(orders.iter().map(|order| deviation::questioned(order, &cause)));
    Ok(drafts)
}

fn must_belong(
    id: &Id,
    run: &CountState,
    station: &StationState,
    station_stream: &Stream,
    test_roll: &Stream,
    item: &Stream,
) -> Result<(), Stop> {
    let why = if run.purpose != CountPurpose::Challenge || run.roll != *test_roll {
        "is no run of that test roll"
    } else if run.station != *station_stream || run.item != *item {
        "was run on another station or with another set-up"
    } else if run.bracket != station.bracket {
        "was concluded before"
    } else if run.opened_n <= station.changed_n {
        "was run before the station was set up, bound, repaired, moved or doubted"
    } else if run.status != CountStatus::Closed {
        "was not run to its end"
    } else {
        return Ok(());
    };
    Err(Refusal::conflict(
        "not-of-this-challenge",
        format!("The count {id} {why}."),
        "Run the test roll again if need be, and give the runs of this challenge.",
    )
    .into())
}

fn findings(
    count: &Stream,
    run: &CountState,
    certified: &TestRollState,
    relies_on: &BTreeSet<FaultKind>,
) -> Vec<String> {
    let mut found = Vec::new();
    let labels = run.labels.unwrap_or_default();
    if labels != certified.certified {
        found.push(format!("{} counted {labels}, certified are {}.", count.id(), certified.certified));
    }
    let totals = run.fault_totals();
    let kinds: BTreeSet<_> = certified.faults.keys().chain(relies_on).chain(totals.keys()).copied().collect();
    for kind in kinds {
        let carried = certified.faults.get(&kind).copied().unwrap_or(0);
        let seen = totals.get(&kind).copied().unwrap_or(0);
        if carried != seen {
            found.push(format!("{} found {seen} {}, the roll carries {carried}.", count.id(), fault_name(kind)));
        }
    }
    // A right number that a cross-check questions shows nothing.
    found.extend(
        run.exceptions
            .keys()
            .filter(|check| questions(**check) || **check == CrossCheck::MachineReference)
            .map(|check| format!("{} has an exception: {}.", count.id(), check_name(*check))),
    );
    found
}

const fn check_name(check: CrossCheck) -> &'static str {
    match check {
        CrossCheck::TotalAgainstLabels => "total and labels differ",
        CrossCheck::TotalFell => "the total fell",
        CrossCheck::TotalReset => "the total was set back",
        CrossCheck::TotalJumped => "the total jumped",
        CrossCheck::TotalLeftOver => "the total did not begin at zero",
        CrossCheck::OrdinalGap => "labels were left out",
        CrossCheck::OrdinalFell => "labels came twice",
        CrossCheck::Overspeed => "it ran too fast",
        CrossCheck::TicketAgainstTotal => "ticket and total differ",
        CrossCheck::Unreadable => "bytes could not be read",
        CrossCheck::LinkLost => "the link was lost",
        CrossCheck::MachineReference => "the machine compares with another code",
        CrossCheck::Alarm => "the machine raised an alarm",
        CrossCheck::WebBreak => "the web tore",
        CrossCheck::Silence => "the machine fell silent",
        CrossCheck::TooManyFaults => "too many faults",
        CrossCheck::FaultCap => "more faults than the item allows",
        CrossCheck::FaultMapsDiffer => "its counts saw different faults",
    }
}

/// Every signed count that lies in the station's bracket, with its roll.
fn bracketed_counts(world: &World, station: &Stream, bracket: u64) -> Result<Vec<(Stream, Stream)>, Stop> {
    let mut all = Vec::new();
    for roll in world.set(&bracket_key(station, bracket))? {
        for count in &world.roll(roll)?.counts {
            if count.station == *station && count.bracket == bracket && !count.bracketed && !count.doubted {
                all.push((roll.clone(), count.count.clone()));
            }
        }
    }
    Ok(all)
}
