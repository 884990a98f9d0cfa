//! Stations and the certified rolls that challenge them.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    CountLinkRestored, FaultKind, Link, MachineCounts, StationBenchCleared, StationLinkLost, StationLinkUp,
    StationPluginBound, StationQualified, StationRegistered, StationSetUp, StationWork, StationWorkLogged,
    TestRollCertified, TestRollRegistered, TestRollWithdrawn,
};
use tallyseal_schema::{Body, Entry, Hash, Labels, Time};

use crate::challenge::at_risk;
use crate::count::{cut, fault_name};
use crate::facts::signature;
use crate::refusal::Refusal;
use crate::roll::return_key;
use crate::state::Key;
use crate::text::{code, line, number, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft, PluginStatus};

/// Most places of one clearance, so that the entry which lists them stays within its size.
const PLACES_MAX: usize = 50;

/// Most faults on a test roll, all kinds together.
const TEST_FAULTS_MAX: u32 = 1_000;

/// The plugin that reads a station.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bound {
    /// What the machine's total counts.
    pub counts: MachineCounts,
    /// Its digest.
    pub digest: Hash,
    /// The plugin.
    pub plugin: Stream,
}

/// What a station is set up for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetUp {
    /// The item.
    pub item: Stream,
    /// At which speed. Unit: labels a minute.
    pub speed_labels_per_min: u32,
}

/// What is remembered of a station.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StationState {
    /// Challenge bracket: how many challenges were concluded.
    pub bracket: u64,
    /// The entry of the book that last made a challenge due: runs from before it prove nothing.
    pub changed_n: u64,
    /// The bench was cleared since the last count.
    pub cleared: bool,
    /// When the runs of the last challenge that passed began.
    pub challenged_at: Option<Time>,
    /// Why it must be challenged before it counts again; `None`: it need not.
    pub challenge_due: Option<String>,
    /// How long a challenge is good. Unit: minutes.
    pub challenge_interval_min: u32,
    /// How many counts began in this bracket.
    pub counts_in_bracket: u32,
    /// The last challenge failed.
    pub failed: bool,
    /// Brackets that a failed challenge ended: no count in them stands.
    pub failed_brackets: BTreeSet<u64>,
    /// The last count, open or not.
    pub last_count: Option<Stream>,
    /// How it is reached.
    pub link: Link,
    /// The link was there when it was last heard of.
    pub link_up: bool,
    /// What people call it.
    pub name: String,
    /// The count that is running.
    pub open_count: Option<Stream>,
    /// The plugin that reads it.
    pub plugin: Option<Bound>,
    /// Until when it is qualified.
    pub qualified_until: Option<Time>,
    /// Rated speed. Unit: labels a minute.
    pub rated_labels_per_min: u32,
    /// What it is set up for.
    pub set_up: Option<SetUp>,
}

impl StationState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::StationRegistered(body) = body else { return None };
        Some(Self {
            bracket: 0,
            changed_n: 0,
            cleared: false,
            challenged_at: None,
            challenge_due: Some("it was never challenged".to_owned()),
            challenge_interval_min: body.challenge_interval_min,
            counts_in_bracket: 0,
            failed: false,
            failed_brackets: BTreeSet::new(),
            last_count: None,
            link: body.link.clone(),
            link_up: false,
            name: body.name.clone(),
            open_count: None,
            plugin: None,
            qualified_until: None,
            rated_labels_per_min: body.rated_labels_per_min,
            set_up: None,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::StationQualified(body) => self.qualified_until = Some(body.valid_until),
            Body::StationPluginBound(body) => {
                self.plugin = Some(Bound { counts: body.counts, digest: body.digest, plugin: body.plugin.clone() });
                self.make_due(entry, "another plugin reads it");
            }
            Body::StationBenchCleared(_) => self.cleared = true,
            Body::StationSetUp(body) => {
                self.set_up = Some(SetUp { item: body.item.clone(), speed_labels_per_min: body.speed_labels_per_min });
                self.make_due(entry, "it was set up anew");
            }
            Body::StationWorkLogged(body) => match body.work {
                StationWork::Cleaning => {}
                StationWork::Repair => self.make_due(entry, "it was repaired"),
                StationWork::Move => self.make_due(entry, "it was moved"),
            },
            Body::StationCountOpened(body) => {
                self.open_count = Some(body.count.clone());
                self.last_count = Some(body.count.clone());
                self.counts_in_bracket = self.counts_in_bracket.saturating_add(1);
            }
            Body::StationCountEnded(_) => {
                self.open_count = None;
                self.cleared = false;
            }
            Body::StationChallengePassed(body) => {
                self.bracket = body.bracket.saturating_add(1);
                self.counts_in_bracket = 0;
                self.challenged_at = Some(body.since);
                self.challenge_due = None;
                self.failed = false;
            }
            Body::StationChallengeFailed(body) => {
                self.bracket = body.bracket.saturating_add(1);
                self.counts_in_bracket = 0;
                self.make_due(entry, "its last challenge failed");
                self.failed = true;
                self.failed_brackets.insert(body.bracket);
            }
            Body::StationDoubted(_) => self.make_due(entry, "counts of a roll did not agree"),
            Body::StationLinkUp(_) => self.link_up = true,
            Body::StationLinkLost(_) => self.link_up = false,
            _ => {}
        }
    }

    fn make_due(&mut self, entry: &Entry, why: &str) {
        // A failed challenge is not forgotten because something else made one due as well.
        if !self.failed || self.challenge_due.is_none() {
            self.challenge_due = Some(why.to_owned());
        }
        self.changed_n = entry.header.n;
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if self.open_count.is_some() {
            keys.push(Key::new("station.counting", "yes"));
        }
        if self.failed {
            keys.push(Key::new("station.failed", "yes"));
        }
    }

    /// Why the station must be challenged before it counts at `at`; `None`: it need not.
    pub fn why_challenge(&self, at: Time) -> Option<String> {
        if let Some(why) = &self.challenge_due {
            return Some(why.clone());
        }
        let interval_us = i64::from(self.challenge_interval_min).saturating_mul(60_000_000);
        let overdue = self.challenged_at.is_none_or(|last| at > last.plus_micros(interval_us));
        overdue.then(|| format!("its last challenge is more than {} minutes old", self.challenge_interval_min))
    }
}

/// What is remembered of a test roll.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestRollState {
    /// Quality accepted its certificate.
    pub accepted: bool,
    /// How many labels it holds.
    pub certified: Labels,
    /// The code on its good labels.
    pub code: Option<String>,
    /// When its certificate ends.
    pub expires: Time,
    /// Faults it carries.
    pub faults: BTreeMap<FaultKind, u32>,
    /// It is out of use.
    pub withdrawn: bool,
}

impl TestRollState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::TestRollRegistered(body) = body else { return None };
        Some(Self {
            accepted: false,
            certified: body.certified,
            code: body.code.clone(),
            expires: body.expires,
            faults: body.faults.clone(),
            withdrawn: false,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::TestRollCertified(_) => self.accepted = true,
            Body::TestRollWithdrawn(_) => self.withdrawn = true,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if !self.withdrawn {
            keys.push(certified_key(self.certified));
        }
    }

    /// Refuses where the test roll proves nothing at `at`.
    pub(crate) fn must_be_good(&self, id: &Id, at: Time) -> Result<(), Stop> {
        let (code, text, remedy) = if self.withdrawn {
            ("test-roll-withdrawn", "is withdrawn", "Take another test roll.")
        } else if !self.accepted {
            ("test-roll-not-certified", "is not certified yet", "Let a reviewer accept its certificate.")
        } else if at > self.expires {
            ("test-roll-expired", "is past the date of its certificate", "Take one whose certificate is in date.")
        } else {
            return Ok(());
        };
        Err(Refusal::conflict(code, format!("The test roll {id} {text}."), remedy).into())
    }
}

/// The key of the test rolls in use that hold so many labels.
fn certified_key(certified: Labels) -> Key {
    Key::new("test_roll.certified", certified)
}

pub(crate) fn register(world: &World, station: &Id, given: StationRegistered) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    world.must_be_new("station", &stream)?;
    if !(1..=100_000).contains(&given.rated_labels_per_min) || !(1..=10_080).contains(&given.challenge_interval_min) {
        return Err(Refusal::invalid(
            "out-of-range",
            "The rated speed is 1 to 100,000 labels a minute, the challenge interval 1 minute to 7 days.",
            "Look at the machine's plate and the procedure.",
        )
        .into());
    }
    let Link::TcpOut { address } = &given.link;
    let port = address.rsplit_once(':').and_then(|(host, port)| (!host.is_empty()).then(|| port.parse::<u16>().ok()));
    if port.flatten().is_none_or(|port| port == 0) || address.len() > 300 {
        return Err(Refusal::invalid(
            "bad-address",
            "The address of the machine is not of the form HOST:PORT.",
            "Give the address of the machine or of its serial server, for example 192.0.2.7:4001.",
        )
        .into());
    }
    let body = StationRegistered { name: line("name", &given.name)?, place: line("place", &given.place)?, ..given };
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn qualify(
    world: &World,
    context: &Context,
    station: &Id,
    basis: &str,
    valid_until: Time,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    world.station(&stream)?;
    if valid_until <= context.at {
        return Err(Refusal::invalid(
            "in-the-past",
            "The qualification would have ended already.",
            "Give a date that is still to come.",
        )
        .into());
    }
    let basis = said("basis", basis)?;
    let signed = signature(world, context, &stream, &[], "station qualified")?;
    Ok(vec![Draft::entry(&stream, StationQualified { basis, valid_until }), signed])
}

pub(crate) fn idle<'w>(world: &'w World, station: &Id, stream: &Stream) -> Result<&'w StationState, Stop> {
    let state = world.station(stream)?;
    match &state.open_count {
        None => Ok(state),
        Some(count) => Err(Refusal::conflict(
            "station-in-count",
            format!("The station {station} is counting ({}).", count.id()),
            "End that count first.",
        )
        .into()),
    }
}

/// Refuses what changes the station while rolls wait for its closing challenge: a challenge after the change would say
/// nothing about counts before it.
///
/// Rule: label-control practice: challenge before and after a repair or move, and with the set-up of the item counted.
fn bracket_must_be_closed(world: &World, station: &Id, stream: &Stream, state: &StationState) -> Result<(), Stop> {
    let rolls = at_risk(world, stream, state.bracket)?.len();
    if rolls == 0 {
        return Ok(());
    }
    Err(Refusal::conflict(
        "closing-challenge-first",
        format!(
            "Since its last challenge {} counted on the station {station}; after this change nobody could tell whether rightly.",
            number(rolls, "roll was", "rolls were")
        ),
        "Run the test roll forward and back and conclude the challenge first. If it cannot be run, conclude it \
         without runs as before work: it then counts as failed, and the rolls are put on hold.",
    )
    .into())
}

pub(crate) fn bind(world: &World, station: &Id, plugin: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    let station_state = idle(world, station, &stream)?;
    let plugin_stream = of(Thing::Plugin, plugin);
    let state = world.plugin(&plugin_stream)?;
    if state.status != PluginStatus::Approved {
        return Err(Refusal::conflict(
            "plugin-not-approved",
            format!("The plugin {plugin} is a draft."),
            "Let a reviewer who did not load it approve it.",
        )
        .into());
    }
    bracket_must_be_closed(world, station, &stream, station_state)?;
    let body = StationPluginBound { counts: state.counts, digest: state.digest, plugin: plugin_stream };
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn clear_bench(world: &World, station: &Id, places: &[String], found: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    idle(world, station, &stream)?;
    if places.is_empty() || places.len() > PLACES_MAX {
        return Err(Refusal::invalid(
            "no-places",
            format!("A clearance names 1 to {PLACES_MAX} places; this one names {}.", places.len()),
            "Name every place that was looked at: table, floor, waste, take-up disc.",
        )
        .into());
    }
    let places = places.iter().map(|place| line("place", place)).collect::<Result<_, _>>()?;
    Ok(vec![Draft::entry(&stream, StationBenchCleared { found: said("what was found", found)?, places })])
}

pub(crate) fn set_up(
    world: &World,
    context: &Context,
    station: &Id,
    given: StationSetUp,
    item: &Id,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    let state = idle(world, station, &stream)?;
    // What came back from an order is counted also where its item is obsolete by now.
    if let Err(stop) = world.item(&given.item)?.must_be_usable(item, context.at)
        && world.set(&return_key(&given.item))?.is_empty()
    {
        return Err(stop);
    }
    let other_item = state.set_up.as_ref().is_some_and(|set_up| set_up.item != given.item);
    if other_item && !state.cleared {
        return Err(Refusal::conflict(
            "bench-not-cleared",
            format!("The bench of {station} was not cleared since the last item."),
            "Clear it, look at every place, and record it.",
        )
        .into());
    }
    if given.speed_labels_per_min == 0 || given.speed_labels_per_min > state.rated_labels_per_min {
        return Err(Refusal::invalid(
            "too-fast",
            format!(
                "{} labels a minute is not within the {} that {station} is rated for.",
                given.speed_labels_per_min, state.rated_labels_per_min
            ),
            "Set a speed that the station is rated for.",
        )
        .into());
    }
    bracket_must_be_closed(world, station, &stream, state)?;
    let body = StationSetUp {
        sensitivity: line("sensitivity", &given.sensitivity)?,
        sensor: line("sensor", &given.sensor)?,
        ..given
    };
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn log_work(world: &World, station: &Id, work: StationWork, text: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    let state = idle(world, station, &stream)?;
    match work {
        StationWork::Cleaning => {}
        StationWork::Repair | StationWork::Move => bracket_must_be_closed(world, station, &stream, state)?,
    }
    Ok(vec![Draft::entry(&stream, StationWorkLogged { text: said("what was done", text)?, work })])
}

pub(crate) fn link_up(world: &World, station: &Id, link: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    let state = world.station(&stream)?;
    if state.link_up {
        return Ok(Vec::new());
    }
    let mut drafts = vec![Draft::entry(&stream, StationLinkUp { link: link.to_owned() })];
    if let Some(count) = &state.open_count {
        drafts.push(Draft::entry(count, CountLinkRestored { link: link.to_owned() }));
    }
    Ok(drafts)
}

pub(crate) fn link_lost(world: &World, station: &Id, link: &str, cause: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Station, station);
    let state = world.station(&stream)?;
    if !state.link_up {
        return Ok(Vec::new());
    }
    let cause = cut(cause);
    let mut drafts = vec![Draft::entry(&stream, StationLinkLost { cause: cause.clone(), link: link.to_owned() })];
    if let Some(count) = &state.open_count {
        drafts.extend(crate::count::lose_link(world.count(count)?, count, link, &cause));
    }
    Ok(drafts)
}

pub(crate) fn register_test_roll(
    world: &World,
    context: &Context,
    test_roll: &Id,
    given: TestRollRegistered,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::TestRoll, test_roll);
    world.must_be_new("test roll", &stream)?;
    if given.certified == Labels::ZERO {
        return Err(Refusal::invalid(
            "nothing-certified",
            "A test roll holds at least one label.",
            "Read the number of labels on the certificate again.",
        )
        .into());
    }
    if given.expires <= context.at {
        return Err(Refusal::invalid(
            "in-the-past",
            "The certificate would have ended already.",
            "Read the date on the certificate again, or have the test roll certified anew.",
        )
        .into());
    }
    if let Some((kind, carried)) =
        given.faults.iter().find(|(kind, carried)| **carried == 0 || **kind == FaultKind::WebBreak)
    {
        return Err(Refusal::invalid(
            "fault-on-test-roll",
            format!("{carried} {} is nothing that a test roll carries.", fault_name(*kind)),
            "Leave faults out of which there are none; a torn web is never counted to its end.",
        )
        .into());
    }
    if given.faults.values().copied().fold(0, u32::saturating_add) > TEST_FAULTS_MAX {
        return Err(Refusal::invalid(
            "out-of-range",
            format!("A test roll carries at most {TEST_FAULTS_MAX} faults."),
            "Read the certificate again.",
        )
        .into());
    }
    if let Some(other) = world.set(&certified_key(given.certified))?.first() {
        return Err(Refusal::conflict(
            "same-certified-number",
            format!("The test roll {} holds {} labels as well.", other.id(), given.certified),
            "Take a number that no other test roll in use has, so that nobody takes one for the other.",
        )
        .into());
    }
    let code = given.code.as_deref().map(|text| code("code", text)).transpose()?;
    let body = TestRollRegistered { certificate: line("certificate", &given.certificate)?, code, ..given };
    Ok(vec![Draft::entry(&stream, body)])
}

pub(crate) fn certify_test_roll(world: &World, context: &Context, test_roll: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::TestRoll, test_roll);
    let state = world.test_roll(&stream)?;
    if state.accepted && !state.withdrawn {
        return Err(Refusal::conflict(
            "already-certified",
            format!("The certificate of the test roll {test_roll} is accepted already."),
            "Nothing is left to do.",
        )
        .into());
    }
    if state.withdrawn || context.at > state.expires {
        return Err(Refusal::conflict(
            "test-roll-ended",
            format!("The test roll {test_roll} is withdrawn, or its certificate has ended."),
            "Register another test roll under an ID of its own.",
        )
        .into());
    }
    let signed = signature(world, context, &stream, &[], "test roll certified")?;
    Ok(vec![Draft::entry(&stream, TestRollCertified {}), signed])
}

pub(crate) fn withdraw_test_roll(world: &World, test_roll: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::TestRoll, test_roll);
    if world.test_roll(&stream)?.withdrawn {
        return Err(Refusal::conflict(
            "test-roll-withdrawn",
            format!("The test roll {test_roll} is withdrawn already."),
            "Nothing is left to do.",
        )
        .into());
    }
    Ok(vec![Draft::because(&stream, TestRollWithdrawn {}, &reason(why)?)])
}
