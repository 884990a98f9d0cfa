//! What wants the hand next at a bench: one thing, by how far station and count have come.

use tallyseal_control::{AUTHORITY, CountStatus, Fault};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{CodePlace, CrossCheck, Direction, Disposition, FaultKind, Role};

use super::stands::{Looked, Stands};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use crate::pages::{mark, words};
use crate::randomness;

/// Groups of faults that are shown with their forms at once; further ones follow when these are said.
const GROUPS_MAX: usize = 40;
/// Places that a bench has; whoever clears it names those that were looked at.
const BENCH_PLACES: &str = "table\ntake-up disc\nfloor\nwaste bin";

/// One of a few words that a form asks for.
pub(super) struct Choice {
    pub(super) field: &'static str,
    pub(super) legend: &'static str,
    /// Value, label, and whether it is the one that is likely.
    pub(super) words: Vec<(&'static str, &'static str, bool)>,
}

/// A form that gives one command.
pub(super) struct Post {
    pub(super) act: String,
    pub(super) choice: Option<Choice>,
    pub(super) command: &'static str,
    pub(super) fields: Vec<(&'static str, String)>,
    pub(super) label: String,
    /// Its form is filled in on a page of its own.
    pub(super) page: bool,
    /// What was shown of which record: another one since is said instead of acted on.
    pub(super) rev: Option<(String, u64)>,
    pub(super) role: &'static str,
    /// What is typed: field and label.
    pub(super) text: Option<(&'static str, &'static str)>,
}

/// What the scan field takes.
pub(super) struct Scan {
    /// For this form alone.
    pub(super) act: String,
    /// Purpose and direction may be chosen.
    pub(super) asks: bool,
    pub(super) button: &'static str,
    pub(super) fields: Vec<(&'static str, String)>,
    pub(super) label: String,
    /// It is what wants the hand next.
    pub(super) main: bool,
    pub(super) wants: &'static str,
}

/// Faults of one kind that follow each other, of which something is to be said.
pub(super) struct Group {
    pub(super) act: String,
    pub(super) fault: &'static str,
    pub(super) first: u32,
    /// What was read in place of the code.
    pub(super) found: Option<String>,
    /// How many labels a piece has that takes just these out.
    pub(super) labels: String,
    pub(super) last: u32,
    pub(super) main: bool,
    pub(super) mark: String,
    pub(super) rev: Option<(String, u64)>,
    pub(super) role: &'static str,
    pub(super) said: String,
    pub(super) wrong_code: bool,
}

/// What was said of faults.
pub(super) struct Said {
    pub(super) correct: Option<String>,
    pub(super) mark: String,
    pub(super) said: String,
    pub(super) what: String,
}

/// What wants the hand next.
#[derive(Default)]
pub(super) struct Next {
    /// Other things that may be done, none of which is next.
    pub(super) others: Vec<Post>,
    /// All faults of a kind at once: how many, what they are called, the form.
    pub(super) all_of: Vec<Post>,
    pub(super) groups: Vec<Group>,
    pub(super) main: Option<Post>,
    /// How many groups are not shown yet.
    pub(super) more: usize,
    pub(super) said: Vec<Said>,
    pub(super) scan: Option<Scan>,
    pub(super) text: String,
    pub(super) title: String,
}

/// In which of their roles a person may give a command.
pub(super) fn role_for(seat: &Seat, command: &str) -> Option<Role> {
    let row = AUTHORITY.iter().find(|row| row.command == command)?;
    seat.roles.iter().copied().find(|role| row.roles.contains(role))
}

struct Deciding<'a> {
    desk: &'a Desk,
    seat: &'a Seat,
    stands: &'a Stands,
}

/// What the person at the bench does next.
///
/// Errors: the book cannot be read; no act can be made.
pub(super) fn next(desk: &Desk, seat: &Seat, stands: &Stands) -> Result<Next, DeskError> {
    let deciding = Deciding { desk, seat, stands };
    let mut next = Next::default();
    if seat.locked {
        "The session is locked".clone_into(&mut next.title);
        "The count goes on and is recorded. Unlock the session to do anything here.".clone_into(&mut next.text);
        return Ok(next);
    }
    let decided = match &stands.count {
        Some(count) => deciding.of_count(count, &mut next)?,
        None => false,
    };
    if !decided {
        deciding.of_station(&mut next)?;
    }
    deciding.other_acts(&mut next)?;
    Ok(next)
}

impl Deciding<'_> {
    /// A form of a command that this person may give.
    fn post(&self, command: &'static str, label: impl Into<String>) -> Result<Option<Post>, DeskError> {
        let Some(role) = role_for(self.seat, command) else { return Ok(None) };
        Ok(Some(Post {
            act: randomness::act()?.to_string(),
            choice: None,
            command,
            fields: Vec::new(),
            label: label.into(),
            page: false,
            rev: None,
            role: role.as_str(),
            text: None,
        }))
    }

    fn of(&self, command: &'static str, field: &'static str, id: &Stream) -> Result<Option<Post>, DeskError> {
        let post = self.post(command, words::act(command))?;
        Ok(post.map(|post| Post { fields: vec![(field, id.id().to_string())], ..post }))
    }

    /// A form about a count as it was shown.
    fn of_shown(&self, command: &'static str, count: &Looked) -> Result<Option<Post>, DeskError> {
        Ok(self.of(command, "count", &count.stream)?.map(|post| Post { rev: count.shown_at(), ..post }))
    }

    /// A form that is filled in on its own page.
    fn on_page(&self, command: &'static str, field: &'static str, id: &Stream) -> Result<Option<Post>, DeskError> {
        Ok(self.of(command, field, id)?.map(|post| Post { page: true, ..post }))
    }

    fn may_count(&self) -> bool {
        role_for(self.seat, "open_count").is_some()
    }

    fn scan(&self, wants: &'static str, label: impl Into<String>, button: &'static str) -> Result<Scan, DeskError> {
        Ok(Scan {
            act: randomness::act()?.to_string(),
            asks: false,
            button,
            fields: Vec::new(),
            label: label.into(),
            main: false,
            wants,
        })
    }

    /// The scan of a roll that is to be counted.
    fn scan_roll(&self, main: bool) -> Result<Option<Scan>, DeskError> {
        if !self.may_count() {
            return Ok(None);
        }
        let scan = self.scan("roll", "Scan a roll or a test roll", "Begin the count")?;
        Ok(Some(Scan { asks: true, main, ..scan }))
    }

    /// What the count that is looked at wants; false where it wants nothing of this person.
    fn of_count(&self, count: &Looked, next: &mut Next) -> Result<bool, DeskError> {
        match count.state.status {
            CountStatus::Open => {
                self.of_open(count, next)?;
                Ok(true)
            }
            CountStatus::Closed if count.state.of_test_roll() => Ok(false),
            CountStatus::Closed => self.of_closed(count, next),
            CountStatus::Signed => self.of_signed(count, next),
            CountStatus::Interrupted | CountStatus::Aborted => Ok(false),
        }
    }

    fn of_open(&self, count: &Looked, next: &mut Next) -> Result<(), DeskError> {
        let station = &self.stands.station;
        if self.may_count() {
            let mut scan = self.scan("close", "Scan the roll again when it has ended", "Close its count")?;
            scan.fields.push(("count", count.stream.id().to_string()));
            next.scan = Some(scan);
            self.faults(count, next, count.has_wrong_code_waiting() && !count.is_torn())?;
        }
        if count.is_torn() {
            "Interrupt the count".clone_into(&mut next.title);
            next.text =
                "The web tore, the total was set back, or there are more faults than can be listed. Part counts \
                         are never added: wind back and count the whole roll again."
                    .to_owned();
            next.main = self.interrupt(count)?;
        } else if count.has_wrong_code_waiting() {
            "A wrong code was seen".clone_into(&mut next.title);
            next.text =
                "Stop the table at its own button. The roll is set aside and nothing else is done about it; its \
                         delivery is held whole, and quality decides."
                    .to_owned();
        } else if !station.link_up {
            "The link to the machine is down".clone_into(&mut next.title);
            next.text = "Look at the machine, its cable and its serial server; the link comes back by itself. Or \
                         interrupt the count, wind back and count the whole roll again."
                .to_owned();
        } else if self.stands.may_close(count) {
            "Close the count".clone_into(&mut next.title);
            next.text = match count.state.roll_end {
                true => "The machine has said that the roll has ended.".to_owned(),
                false => "Close it when the roll has run to its end.".to_owned(),
            };
            next.main = self.of("close_count", "count", &count.stream)?;
        } else {
            "The roll runs".clone_into(&mut next.title);
            next.text = "Faults come into the list when they are seen. When the machine has said that the roll has \
                         ended, the count can be closed."
                .to_owned();
        }
        Ok(())
    }

    fn interrupt(&self, count: &Looked) -> Result<Option<Post>, DeskError> {
        let post = self.of("interrupt_count", "count", &count.stream)?;
        Ok(post.map(|post| Post { text: Some(("cause", "What was lost: power, link or web, and how")), ..post }))
    }

    fn of_closed(&self, count: &Looked, next: &mut Next) -> Result<bool, DeskError> {
        let ours = count.state.closed_by.as_ref() == Some(&self.seat.account);
        let (faults, codes) = (count.faults_waiting(), count.state.codes_waiting());
        if !self.may_count() {
            "The count is not signed yet".clone_into(&mut next.title);
            "Whoever closed it says what was done about its faults, and signs.".clone_into(&mut next.text);
            self.faults(count, next, false)?;
            return Ok(true);
        }
        self.faults(count, next, faults > 0)?;
        if faults > 0 {
            next.title = match faults {
                1 => "Say what was done about 1 fault".to_owned(),
                many => format!("Say what was done about {many} faults"),
            };
            "Each is left on the roll and mapped on its tag, or taken out; a wrong code is set aside, and nothing else."
                .clone_into(&mut next.text);
            next.scan = self.scan_roll(false)?;
        } else if let Some((place, ordinal)) = codes.first() {
            let what = words::code_place(*place);
            next.title = format!("Read the code of {what} by hand");
            next.text = format!(
                "The station did not read the codes of this roll. {} left to be read.",
                match codes.len() {
                    1 => "1 label is".to_owned(),
                    many => format!("{many} labels are"),
                }
            );
            let mut scan =
                self.scan("code", format!("Scan the code of {what} (label {})", words::number(*ordinal)), "Record it")?;
            scan.fields.push(("count", count.stream.id().to_string()));
            scan.fields.push(("place", words::serialised(place)));
            match place {
                CodePlace::BeforeSplice => scan.fields.push(("splice", ordinal.to_string())),
                CodePlace::AfterSplice => scan.fields.push(("splice", ordinal.saturating_sub(1).to_string())),
                CodePlace::Start | CodePlace::End => {}
            }
            scan.main = true;
            next.scan = Some(scan);
        } else if ours {
            "Sign the count".clone_into(&mut next.title);
            "Every fault has its disposition. Your signature says that you counted this roll."
                .clone_into(&mut next.text);
            next.main = self.of_shown("sign_count", count)?;
            next.scan = self.scan_roll(false)?;
        } else {
            "The count waits for a signature".clone_into(&mut next.title);
            let who = count.state.closed_by.as_ref().map(ToString::to_string).unwrap_or_default();
            next.text = format!("It is signed by {who}, who closed it. Another roll may be scanned.");
            next.scan = self.scan_roll(true)?;
        }
        Ok(true)
    }

    fn of_signed(&self, count: &Looked, next: &mut Next) -> Result<bool, DeskError> {
        if count.state.of_test_roll() {
            return Ok(false);
        }
        self.faults(count, next, false)?;
        if !count.checked && !count.is_of(&self.seat.account) && role_for(self.seat, "check_count").is_some() {
            "Check the count".clone_into(&mut next.title);
            next.text =
                "You are the second person: look at the roll, its tag and the faults, then sign that the count \
                         was checked."
                    .to_owned();
            next.main = self.of_shown("check_count", count)?;
            next.scan = self.scan_roll(false)?;
            return Ok(true);
        }
        if self.stands.check_is_due(self.desk, count)? {
            "Check web, sensor and speed".clone_into(&mut next.title);
            "Two counts of this roll differ. What the check found is recorded before a third one."
                .clone_into(&mut next.text);
            next.main = self.on_page("record_check", "roll", &count.state.roll)?;
            next.scan = self.scan_roll(false)?;
            return Ok(true);
        }
        Ok(false)
    }

    /// What the station wants before it counts.
    fn of_station(&self, next: &mut Next) -> Result<(), DeskError> {
        let Stands { station, stream, .. } = self.stands;
        if station.plugin.is_none() {
            "No plugin reads this station".clone_into(&mut next.title);
            "A supervisor binds an approved one to it; until then nothing that the machine says is understood."
                .clone_into(&mut next.text);
            next.main = self.on_page("bind_plugin", "station", stream)?;
        } else if !station.link_up {
            "The link to the machine is down".clone_into(&mut next.title);
            "Look at the machine, its cable and its serial server; the link comes back by itself."
                .clone_into(&mut next.text);
            next.scan = self.scan_roll(false)?;
        } else if station.set_up.is_none() && !station.cleared {
            "Clear the bench".clone_into(&mut next.title);
            "Look at every place for labels of another item, and record it. Then the station is set up."
                .clone_into(&mut next.text);
            next.main = self.clear()?;
        } else if station.set_up.is_none() {
            "Set the station up".clone_into(&mut next.title);
            "Say for which item: sensor, sensitivity, speed.".clone_into(&mut next.text);
            next.main = self.on_page("set_up_station", "station", stream)?;
        } else if self.stands.ran_both_ways() {
            "Conclude the challenge".clone_into(&mut next.title);
            next.text = format!(
                "The test roll {} was run forward and winding back. Every run is judged; you sign what comes of it.",
                self.test_roll()
            );
            next.main = self.conclude()?;
            next.scan = self.scan_roll(false)?;
        } else if let Some((_, run)) = self.stands.runs.last() {
            "Run the test roll the other way".clone_into(&mut next.title);
            let way = words::direction(other_way(run.direction));
            next.text = format!("Scan {} again: {way}.", run.roll.id());
            next.scan = self.scan_roll(true)?;
        } else if let Some(why) = station.why_challenge(self.stands.at) {
            "Challenge the station".clone_into(&mut next.title);
            next.text = format!(
                "It counts no roll before: {why}. Scan a certified test roll; it runs forward, then winding back."
            );
            next.scan = self.scan_roll(true)?;
        } else if !self.stands.is_qualified() {
            "The station is not qualified".clone_into(&mut next.title);
            "A reviewer qualifies it; until then it counts test rolls only.".clone_into(&mut next.text);
            next.main = self.on_page("qualify_station", "station", stream)?;
            next.scan = self.scan_roll(false)?;
        } else {
            "Count a roll".clone_into(&mut next.title);
            "Lay it on, thread it, set the machine's total to zero, and scan its tag.".clone_into(&mut next.text);
            next.scan = self.scan_roll(true)?;
        }
        if next.main.is_none() && next.scan.is_none() && !self.may_count() {
            next.text.push_str(" That is done in other roles than yours.");
        }
        Ok(())
    }

    fn clear(&self) -> Result<Option<Post>, DeskError> {
        let post = self.on_page("clear_bench", "station", &self.stands.stream)?;
        Ok(post.map(|mut post| {
            post.fields.push(("places", BENCH_PLACES.to_owned()));
            post
        }))
    }

    fn test_roll(&self) -> String {
        self.stands.runs.last().map(|(_, run)| run.roll.id().to_string()).unwrap_or_default()
    }

    fn conclude(&self) -> Result<Option<Post>, DeskError> {
        let counts: Vec<String> = self.stands.runs.iter().map(|(run, _)| run.id().to_string()).collect();
        let Some(mut post) = self.of("conclude_challenge", "station", &self.stands.stream)? else { return Ok(None) };
        post.rev = Some((self.stands.stream.to_string(), self.stands.rev));
        post.fields.push(("test_roll", self.test_roll()));
        post.fields.push(("counts", counts.join("\n")));
        let station = &self.stands.station;
        // Rolls that were counted since the last one make it a closing one, as far as anybody can tell from here.
        let counted = station.counts_in_bracket > u32::try_from(self.stands.runs.len()).unwrap_or(u32::MAX);
        let likely = if station.failed {
            "doubt"
        } else if !counted {
            "start"
        } else if station.challenge_due.is_none() && station.why_challenge(self.stands.at).is_none() {
            "end"
        } else {
            "interval"
        };
        let occasions = [
            ("start", "start of work"),
            ("interval", "in between"),
            ("end", "end of work"),
            ("before_work", "before a repair or move"),
            ("after_work", "after a repair or move"),
            ("doubt", "after a doubt"),
        ];
        let words = occasions.iter().map(|(value, label)| (*value, *label, *value == likely)).collect();
        post.choice = Some(Choice { field: "occasion", legend: "On which occasion", words });
        Ok(Some(post))
    }

    /// The faults of a count: those that wait in groups with their forms, then what was said of the others. `main`: the
    /// first group is what wants the hand next.
    fn faults(&self, count: &Looked, next: &mut Next, main: bool) -> Result<(), DeskError> {
        let status = count.state.status;
        if count.state.of_test_roll() {
            return Ok(());
        }
        let running = matches!(status, CountStatus::Open | CountStatus::Closed);
        let waiting: Vec<&Fault> = count.state.faults.iter().filter(|fault| fault.disposition.is_none()).collect();
        let runs = grouped(&waiting);
        if running && let Some(role) = role_for(self.seat, "dispose_faults") {
            for kind in kinds(&runs) {
                let of_kind: Vec<&Run> = runs.iter().filter(|run| run.fault == kind).collect();
                if let (true, Some(first), Some(last)) = (of_kind.len() > 1, of_kind.first(), of_kind.last()) {
                    next.all_of.push(self.all_of(count, kind, &of_kind, (first.first, last.last))?);
                }
            }
            for run in runs.iter().take(GROUPS_MAX) {
                next.groups.push(Group {
                    act: randomness::act()?.to_string(),
                    fault: run.fault.as_str(),
                    first: run.first,
                    found: run.found.clone(),
                    labels: match run.fault.between_labels() {
                        true => String::new(),
                        false => run.last.saturating_sub(run.first).saturating_add(1).to_string(),
                    },
                    last: run.last,
                    main: main && next.groups.is_empty(),
                    mark: mark::mark(run.fault),
                    rev: count.shown_at(),
                    role: role.as_str(),
                    said: words::fault_at(run.fault, run.first, run.last, run.many),
                    wrong_code: run.fault == FaultKind::WrongCode,
                });
            }
            next.more = runs.len().saturating_sub(GROUPS_MAX);
        }
        self.said(count, next, running);
        Ok(())
    }

    fn said(&self, count: &Looked, next: &mut Next, correctable: bool) {
        let said: Vec<&Fault> = count.state.faults.iter().filter(|fault| fault.disposition.is_some()).collect();
        let may = correctable && role_for(self.seat, "correct_disposition").is_some();
        for run in grouped(&said) {
            let Some(disposition) = run.disposition else { continue };
            let mut what = words::disposition(disposition).to_owned();
            if let Some((labels, fate)) = run.piece {
                what.push_str(&format!(": {} {fate}", words::labels(labels)));
            }
            let correct = (may && disposition != Disposition::SetAside).then(|| {
                let (first, last) = (run.first.to_string(), run.last.to_string());
                let id = count.stream.id().to_string();
                let query = [
                    ("count", id.as_str()),
                    ("fault", run.fault.as_str()),
                    ("first", first.as_str()),
                    ("last", last.as_str()),
                    ("back", &super::href(&self.stands.id, Some(&count.stream))),
                ];
                format!("/acts/correct_disposition?{}", serde_urlencoded::to_string(query).unwrap_or_default())
            });
            let said = words::fault_at(run.fault, run.first, run.last, run.many);
            next.said.push(Said { correct, mark: mark::mark(run.fault), said, what });
        }
    }

    fn all_of(
        &self,
        count: &Looked,
        kind: FaultKind,
        runs: &[&Run],
        (first, last): (u32, u32),
    ) -> Result<Post, DeskError> {
        let many: u32 = runs.iter().map(|run| run.many).sum();
        let (disposition, done) = match kind {
            FaultKind::WrongCode => ("set_aside", "set aside"),
            _ => ("left", "left on the roll"),
        };
        Ok(Post {
            act: randomness::act()?.to_string(),
            choice: None,
            command: "dispose_faults",
            fields: vec![
                ("count", count.stream.id().to_string()),
                ("fault", kind.as_str().to_owned()),
                ("first", first.to_string()),
                ("last", last.to_string()),
                ("disposition", disposition.to_owned()),
            ],
            label: format!("All {many} {}: {done}", words::faults(kind, many)),
            page: false,
            rev: count.shown_at(),
            role: role_for(self.seat, "dispose_faults").map_or("", Role::as_str),
            text: None,
        })
    }

    /// What else may be done here.
    fn other_acts(&self, next: &mut Next) -> Result<(), DeskError> {
        let mut others = Vec::new();
        if let Some(count) = &self.stands.count {
            let open = count.state.status == CountStatus::Open;
            let closed = count.state.status == CountStatus::Closed && !count.state.of_test_roll();
            if open && next.main.as_ref().is_none_or(|main| main.command != "interrupt_count") {
                others.extend(self.interrupt(count)?);
            }
            if open || closed {
                let post = self.of_shown("abort_count", count)?;
                others.extend(post.map(|post| Post { text: Some(("why", "Why it is given up")), ..post }));
            }
        }
        if self.stands.station.open_count.is_none() {
            let stream = &self.stands.stream;
            let is_main = |command: &str| next.main.as_ref().is_some_and(|main| main.command == command);
            if !is_main("clear_bench") {
                others.extend(self.clear()?);
            }
            for command in ["set_up_station", "log_station_work"] {
                if !is_main(command) {
                    others.extend(self.on_page(command, "station", stream)?);
                }
            }
        }
        next.others = others;
        Ok(())
    }
}

/// The other way.
pub(super) const fn other_way(direction: Direction) -> Direction {
    match direction {
        Direction::Forward => Direction::Rewind,
        Direction::Rewind => Direction::Forward,
    }
}

/// Faults of one kind that follow each other and of which the same was said.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Run {
    disposition: Option<Disposition>,
    fault: FaultKind,
    first: u32,
    found: Option<String>,
    last: u32,
    many: u32,
    /// Labels of the piece that was taken out, and where it went.
    piece: Option<(u32, String)>,
}

/// Faults gathered into runs of one kind without a label between them: wrong codes, then others by their places.
fn grouped(faults: &[&Fault]) -> Vec<Run> {
    let mut sorted: Vec<&&Fault> = faults.iter().collect();
    sorted.sort_by_key(|fault| (fault.fault, fault.ordinal, fault.last));
    let mut runs: Vec<Run> = Vec::new();
    let mut entry = None;
    for fault in sorted {
        let many = fault.last.saturating_sub(fault.ordinal).saturating_add(1);
        match runs.last_mut() {
            Some(run)
                if run.fault == fault.fault
                    && fault.ordinal <= run.last.saturating_add(1)
                    && run.found == fault.found
                    && entry == fault.disposed =>
            {
                run.last = run.last.max(fault.last);
                run.many = run.many.saturating_add(many);
            }
            _ => runs.push(Run {
                disposition: fault.disposition,
                fault: fault.fault,
                first: fault.ordinal,
                found: fault.found.clone(),
                last: fault.last,
                many,
                piece: fault.piece.map(|piece| (piece.labels.get(), words::fate(piece.fate).to_owned())),
            }),
        }
        entry = fault.disposed;
    }
    // What stops everything comes first.
    runs.sort_by_key(|run| (run.fault != FaultKind::WrongCode, run.first, run.fault));
    runs
}

fn kinds(runs: &[Run]) -> Vec<FaultKind> {
    let kinds: std::collections::BTreeSet<FaultKind> = runs.iter().map(|run| run.fault).collect();
    kinds.into_iter().collect()
}

/// What the cross-checks found, in words.
pub(super) fn exceptions(count: &Looked) -> Vec<String> {
    let say = |(check, many): (&CrossCheck, &u32)| {
        let text = words::cross_check(*check);
        if *many > 1 { format!("{text} ({many} times)") } else { text.to_owned() }
    };
    count.state.exceptions.iter().map(say).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(fault: FaultKind, ordinal: u32, last: u32) -> Fault {
        Fault { disposed: None, disposition: None, fault, found: None, last, ordinal, piece: None }
    }

    #[test]
    fn faults_that_follow_each_other_are_one_group_of_their_kind() {
        let all = [
            fault(FaultKind::Unread, 203, 203),
            fault(FaultKind::Unread, 200, 201),
            fault(FaultKind::Missing, 201, 201),
            fault(FaultKind::Unread, 202, 202),
            fault(FaultKind::Unread, 205, 205),
            fault(FaultKind::Missing, 201, 201),
        ];
        let told: Vec<_> = grouped(&all.iter().collect::<Vec<_>>())
            .iter()
            .map(|run| (run.fault, run.first, run.last, run.many))
            .collect();
        assert_eq!(
            told,
            [(FaultKind::Unread, 200, 203, 4), (FaultKind::Missing, 201, 201, 2), (FaultKind::Unread, 205, 205, 1),]
        );
    }

    #[test]
    fn two_wrong_codes_side_by_side_are_told_apart() {
        let wrong = |ordinal: u32, found: &str| Fault {
            found: Some(found.to_owned()),
            ..fault(FaultKind::WrongCode, ordinal, ordinal)
        };
        let all = [wrong(7, "A"), wrong(8, "B"), wrong(9, "B")];
        let told: Vec<_> = grouped(&all.iter().collect::<Vec<_>>())
            .iter()
            .map(|run| (run.first, run.last, run.found.clone()))
            .collect();
        assert_eq!(told, [(7, 7, Some("A".to_owned())), (8, 9, Some("B".to_owned()))]);
    }
}
