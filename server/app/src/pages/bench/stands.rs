//! What stands at a station: its record, the count that is looked at and its roll, what is hidden meanwhile.

use tallyseal_control::{
    Bound, CountState, CountStatus, Facts, ItemState, Key, PluginState, Record, RollState, Settlement, State,
    StationState, settle,
};
use tallyseal_schema::Time;
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{CrossCheck, Direction, FaultKind, SettledBy};

use super::super::words;
use crate::clock;
use crate::counted::Counted;
use crate::desk::Desk;
use crate::error::DeskError;

/// A count as it stands.
pub(super) struct Looked {
    /// A second person has checked it.
    pub(super) checked: bool,
    pub(super) facts: Facts,
    /// Its figures are hidden: its roll is being counted again.
    pub(super) hidden: bool,
    pub(super) rev: u64,
    /// Its roll; `None` for a test roll.
    pub(super) roll: Option<RollState>,
    pub(super) state: CountState,
    pub(super) stream: Stream,
}

/// A station as it stands.
pub(super) struct Stands {
    pub(super) at: Time,
    /// The count that is looked at: the one that runs, the last one, or one that was asked for.
    pub(super) count: Option<Looked>,
    pub(super) counted: Counted,
    pub(super) id: Id,
    /// What it is set up for.
    pub(super) item: Option<ItemState>,
    pub(super) plugin: Option<PluginState>,
    pub(super) rev: u64,
    /// Closed runs of a test roll that wait for their conclusion, in the order in which they were run.
    pub(super) runs: Vec<(Stream, CountState)>,
    pub(super) station: StationState,
    pub(super) stream: Stream,
}

/// A state in a word, with the class that repeats it in colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Word {
    pub(super) class: &'static str,
    pub(super) text: &'static str,
}

const fn word(text: &'static str, class: &'static str) -> Word {
    Word { class, text }
}

impl Looked {
    fn load(desk: &Desk, counted: &Counted, stream: &Stream) -> Result<Option<Self>, DeskError> {
        let Some((rev, record)) = desk.book().record(stream)? else { return Ok(None) };
        let hidden = !counted.hidden(stream, &record.state).is_empty();
        let Record { facts, state: State::Count(state), .. } = record else { return Ok(None) };
        let roll = match desk.book().record(&state.roll)? {
            Some((_, Record { state: State::Roll(roll), .. })) => Some(roll),
            _ => None,
        };
        let checked = facts.signed("count checked");
        Ok(Some(Self { checked, facts, hidden, rev, roll, state, stream: stream.clone() }))
    }

    /// What it stood at when it was shown, for what is done about it then. A count that runs goes on meanwhile.
    pub(super) fn shown_at(&self) -> Option<(String, u64)> {
        (self.state.status != CountStatus::Open).then(|| (self.stream.to_string(), self.rev))
    }

    /// Faults of which nobody has said yet what is done about them.
    pub(super) fn faults_waiting(&self) -> usize {
        match self.state.of_test_roll() {
            true => 0,
            false => self.state.faults.iter().filter(|fault| fault.disposition.is_none()).count(),
        }
    }

    /// A wrong code of which nobody has said yet that the roll is set aside.
    pub(super) fn has_wrong_code_waiting(&self) -> bool {
        let waits =
            |fault: &tallyseal_control::Fault| fault.fault == FaultKind::WrongCode && fault.disposition.is_none();
        !self.state.of_test_roll() && self.state.faults.iter().any(waits)
    }

    /// It can only be interrupted: part counts are never added.
    pub(super) fn is_torn(&self) -> bool {
        self.state.faults.iter().any(|fault| fault.fault == FaultKind::WebBreak)
            || [CrossCheck::TotalReset, CrossCheck::TooManyFaults]
                .iter()
                .any(|check| self.state.exceptions.contains_key(check))
    }

    /// Who ran it, where it is signed or closed.
    pub(super) fn is_of(&self, account: &AccountId) -> bool {
        self.state.closed_by.as_ref() == Some(account)
            || self.facts.signatures.iter().any(|signature| signature.account == *account)
    }

    /// How far the web has come. Unit: labels.
    pub(super) fn passed(&self) -> u32 {
        let open = self.state.labels_seen.max(self.state.machine_total.unwrap_or(0));
        self.state.labels.map_or(open, tallyseal_schema::Labels::get)
    }
}

impl Stands {
    /// Errors: there is no such station; the book cannot be read.
    pub(super) fn load(desk: &Desk, id: &Id, asked_for: Option<&Id>) -> Result<Self, DeskError> {
        let stream = Stream::of(Thing::Station, id);
        let Some((rev, Record { state: State::Station(station), .. })) = desk.book().record(&stream)? else {
            return Err(DeskError::NotFound(format!("station {id}")));
        };
        let counted = Counted::now(desk.book())?;
        let asked_for = asked_for.map(|id| Stream::of(Thing::Count, id));
        let mut count = None;
        if let Some(count_stream) = asked_for.as_ref().or(station.open_count.as_ref()).or(station.last_count.as_ref()) {
            count = Looked::load(desk, &counted, count_stream)?.filter(|count| count.state.station == stream);
        }
        let item = match &station.set_up {
            Some(set_up) => match desk.book().record(&set_up.item)? {
                Some((_, Record { state: State::Item(item), .. })) => Some(item),
                _ => None,
            },
            None => None,
        };
        let plugin = plugin(desk, station.plugin.as_ref())?;
        let mut runs = Vec::new();
        for run in desk.book().set(&station.runs_key(&stream))? {
            if let Some((_, Record { state: State::Count(state), .. })) = desk.book().record(&run)?
                && state.opened_n > station.changed_n
            {
                runs.push((run, state));
            }
        }
        runs.sort_by_key(|(_, run)| run.opened_n);
        Ok(Self { at: clock::now(), count, counted, id: id.clone(), item, plugin, rev, runs, station, stream })
    }

    /// The count that runs.
    pub(super) fn open(&self) -> Option<&Looked> {
        self.count.as_ref().filter(|count| count.state.status == CountStatus::Open)
    }

    /// The machine has said that the roll has ended, or is one that never says so.
    pub(super) fn may_close(&self, count: &Looked) -> bool {
        let says = self.plugin.as_ref().is_some_and(|plugin| plugin.emits.contains("roll_end"));
        let heard = count.state.ticket.is_some() || count.state.machine_total.is_some() || count.state.labels_seen > 0;
        heard && (count.state.roll_end || !says) && self.station.link_up && !count.is_torn()
    }

    /// The machine tells labels one by one.
    pub(super) fn tells_labels(&self) -> bool {
        self.plugin.as_ref().is_some_and(|plugin| plugin.emits.contains("label"))
    }

    pub(super) fn is_qualified(&self) -> bool {
        self.station.qualified_until.is_some_and(|until| self.at <= until)
    }

    /// True where the runs go both ways.
    pub(super) fn ran_both_ways(&self) -> bool {
        let ran = |direction: Direction| self.runs.iter().any(|(_, run)| run.direction == direction);
        ran(Direction::Forward) && ran(Direction::Rewind)
    }

    /// The state in a word.
    pub(super) fn word(&self) -> Word {
        let station = &self.station;
        if station.open_count.is_some() {
            return match self.open() {
                _ if !station.link_up => word("counting, link down", "grave"),
                Some(count) if count.is_torn() => word("to be interrupted", "grave"),
                Some(count) if count.has_wrong_code_waiting() => word("wrong code", "grave"),
                Some(count) if count.state.roll_end => word("roll ended", "hold"),
                _ => word("counting", "good"),
            };
        }
        if station.plugin.is_none() {
            return word("no plugin", "hold");
        }
        if !station.link_up {
            return word("link down", "grave");
        }
        if station.set_up.is_none() {
            return word("not set up", "hold");
        }
        if self.ran_both_ways() {
            return word("challenge to be concluded", "hold");
        }
        if !self.runs.is_empty() {
            return word("challenge half run", "hold");
        }
        if station.failed {
            return word("challenge failed", "grave");
        }
        if station.why_challenge(self.at).is_some() {
            return word("challenge due", "hold");
        }
        if !self.is_qualified() {
            return word("not qualified", "hold");
        }
        match &self.count {
            Some(count) if count.state.status == CountStatus::Closed && !count.state.of_test_roll() => {
                word("count to be signed", "hold")
            }
            _ => word("ready", "good"),
        }
    }

    /// What the counts of the roll come to so far, in a sentence. Never while it is being counted.
    pub(super) fn outcome(&self, desk: &Desk, count: &Looked) -> Result<Option<String>, DeskError> {
        let Some(roll) = count.roll.as_ref().filter(|_| !self.counted.has(&count.state.roll)) else { return Ok(None) };
        if count.state.status != CountStatus::Signed {
            return Ok(None);
        }
        if let Some(settled) = roll.settled.as_ref().filter(|settled| settled.counts.contains(&count.stream)) {
            let rule = match settled.rule {
                SettledBy::OneCount => "the item asks for one count",
                SettledBy::TwoAgree => "two counts agree",
                SettledBy::ThirdAgrees => "the third count agrees with one before it",
            };
            return Ok(Some(format!("On the roll are {} labels: {rule}.", words::number(settled.on_roll.get()))));
        }
        if roll.disagreed {
            return Ok(Some("Its counts do not agree. It is on hold, and quality decides.".to_owned()));
        }
        Ok(match settled_by(desk, roll)? {
            Some(Settlement::NeedsSecond) => Some(format!(
                "One count is not enough for this item. Scan the roll again: {}.",
                words::direction(next_direction(roll))
            )),
            Some(Settlement::NeedsThird) if roll.checked => {
                Some("Web, sensor and speed are checked. Scan the roll again for the third count.".to_owned())
            }
            Some(Settlement::NeedsThird) => {
                Some("Two counts differ. Check web, sensor and speed before a third one.".to_owned())
            }
            _ => None,
        })
    }

    /// True where web, sensor and speed must be checked before the roll is counted again.
    pub(super) fn check_is_due(&self, desk: &Desk, count: &Looked) -> Result<bool, DeskError> {
        let Some(roll) = count.roll.as_ref().filter(|roll| roll.open_count.is_none() && !roll.disagreed) else {
            return Ok(false);
        };
        let third = matches!(settled_by(desk, roll)?, Some(Settlement::NeedsThird));
        Ok(count.state.status == CountStatus::Signed && third && !roll.checked)
    }

    /// Counts of rolls at this station that wait for their signature, others than the one that is looked at.
    pub(super) fn unsigned(&self, desk: &Desk, limit: usize) -> Result<Vec<Stream>, DeskError> {
        let mut others = desk.book().set_page(&self.station.unsigned_key(&self.stream), None, limit)?;
        others.retain(|stream| self.count.as_ref().is_none_or(|count| count.stream != *stream));
        Ok(others)
    }
}

fn plugin(desk: &Desk, bound: Option<&Bound>) -> Result<Option<PluginState>, DeskError> {
    let Some(bound) = bound else { return Ok(None) };
    Ok(match desk.book().record(&bound.plugin)? {
        Some((_, Record { state: State::Plugin(plugin), .. })) => Some(plugin),
        _ => None,
    })
}

fn settled_by(desk: &Desk, roll: &RollState) -> Result<Option<Settlement>, DeskError> {
    Ok(match desk.book().record(&roll.item)? {
        Some((_, Record { state: State::Item(item), .. })) if !roll.round_counts().is_empty() => {
            Some(settle(roll, item.draft.counts))
        }
        _ => None,
    })
}

/// The way that winds the roll back to how it came, or away from it.
pub(super) const fn next_direction(roll: &RollState) -> Direction {
    if roll.turned { Direction::Rewind } else { Direction::Forward }
}

/// Every station, `limit` at most.
pub(super) fn stations(desk: &Desk, limit: usize) -> Result<Vec<Stands>, DeskError> {
    let streams = desk.book().set_page(&Key::new("thing", Thing::Station.as_str()), None, limit)?;
    streams.iter().map(|stream| Stands::load(desk, &stream.id(), None)).collect()
}
