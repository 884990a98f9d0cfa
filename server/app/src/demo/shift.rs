//! The shift: challenge, three rolls, a wrong code, closing challenge.

use serde_json::{Value, json};
use tallyseal_book::Receipt;
use tallyseal_control::{CountState, CountStatus, Record, RollState, State};
use tallyseal_machines::table::{Direction, Roll, RollRun, Scatter, SimFaultKind, TableHandle};
use tallyseal_schema::ids::Stream;

use super::people::People;
use super::plant::{
    CERTIFIED, CODE, ITEM, OTHER_CODE, OTHER_ROLLS, ROLLS, SHIPPER_ITEM, SHIPPER_LABELS, SHIPPER_ROLL, STATION,
    TEST_ROLL,
};
use crate::cli::CannotRun;
use crate::desk::Desk;
use crate::say;

pub(super) struct Shift<'a> {
    pub(super) desk: &'a Desk,
    pub(super) people: &'a People,
    table: &'a TableHandle,
}

pub(super) async fn work(desk: &Desk, people: &People, table: &TableHandle, seed: u64) -> Result<(), CannotRun> {
    let shift = Shift { desk, people, table };
    say::line(shift.at_station(ITEM).await?)?;

    let [plain, faulty, disputed] = ROLLS;
    let roll = Roll::plain(plain.1, Some(CODE));
    shift.count(plain.0, &roll, "incoming", Direction::Forward, 0).await?;
    shift.count(plain.0, &roll, "incoming", Direction::Rewind, 0).await?;
    shift.tell_settled(plain.0)?;

    let scatter = Scatter { splices: 2, missing: 3, unread: 1 };
    let roll = Roll::scattered(faulty.1 - 3, Some(CODE), seed, scatter)?;
    shift.count(faulty.0, &roll, "incoming", Direction::Forward, 0).await?;
    shift.count(faulty.0, &roll, "incoming", Direction::Rewind, 0).await?;
    shift.tell_settled(faulty.0)?;
    shift.tell_marks(faulty.0)?;

    let roll = Roll::plain(disputed.1, Some(CODE));
    let first = shift.count(disputed.0, &roll, "incoming", Direction::Forward, 0).await?;
    let second = shift.count(disputed.0, &roll, "incoming", Direction::Rewind, -1).await?;
    say::line(format_args!(
        "Roll {}: {first} forward, {second} winding back. A third count is refused before a check:",
        disputed.0
    ))?;
    shift.must_be_refused("open_count", shift.open(disputed.0, "incoming", Direction::Forward)).await?;
    let check = json!({
        "roll": disputed.0, "web": "runs true, no slack", "sensor": "dust on the window, wiped off", "speed": "as set up",
    });
    people.operator.act(desk, "record_check", check).await?;
    shift.count(disputed.0, &roll, "incoming", Direction::Forward, 0).await?;
    shift.tell_settled(disputed.0)?;

    let [mixed, sister] = OTHER_ROLLS;
    let roll = Roll::plain(mixed.1, Some(CODE)).with(1_417, SimFaultKind::WrongCode(OTHER_CODE.to_owned()));
    shift.count(mixed.0, &roll, "incoming", Direction::Forward, 0).await?;
    shift.tell_held(sister.0).await?;
    say::line(shift.challenge("end").await?)?;

    shift.at_station(SHIPPER_ITEM).await?;
    shift.count(SHIPPER_ROLL, &Roll::plain(SHIPPER_LABELS, None), "incoming", Direction::Forward, 0).await?;
    shift.challenge("end").await?;
    shift.pack().await
}

/// What lies on the certified test roll.
pub(super) fn test_roll() -> Roll {
    Roll::plain(CERTIFIED, Some(CODE))
        .with(101, SimFaultKind::Missing)
        .with(202, SimFaultKind::Unread)
        .with(333, SimFaultKind::Splice)
        .with(404, SimFaultKind::WrongCode(OTHER_CODE.to_owned()))
        .with(505, SimFaultKind::Missing)
        .with(707, SimFaultKind::Unread)
}

impl Shift<'_> {
    fn open(&self, roll: &str, purpose: &str, direction: Direction) -> Value {
        let thing = if purpose == "challenge" { "test_roll" } else { "roll" };
        json!({ "station": STATION, "roll": format!("{thing}/{roll}"), "purpose": purpose, "direction": direction })
    }

    /// One run of a roll over the table, from opening the count to closing it. Gives the count.
    async fn run(
        &self,
        roll_id: &str,
        roll: &Roll,
        purpose: &str,
        direction: Direction,
        miscount: i32,
    ) -> Result<Stream, CannotRun> {
        let opened = self.people.operator.act(self.desk, "open_count", self.open(roll_id, purpose, direction)).await?;
        let count = opened.entries.first().map(|(_, stream, _)| stream.clone());
        let count = count.ok_or_else(|| CannotRun::because("the count has no entry".to_owned()))?;
        let run = RollRun { direction, miscount, ..RollRun::new(roll.clone()) };
        // Listen before the table runs, so that its last word cannot be missed.
        let mut committed = self.desk.book().subscribe();
        self.table.run(run).await?;
        while !self.count_state(&count).is_ok_and(|state| state.roll_end && state.ticket.is_some()) {
            let heard = tokio::time::timeout(std::time::Duration::from_secs(20), committed.recv()).await;
            if heard.is_err() {
                return Err(CannotRun::because(format!("the table's last word on {} did not come", count.id())));
            }
        }
        self.people.operator.act(self.desk, "close_count", json!({ "count": count.id() })).await?;
        Ok(count)
    }

    /// A count that is disposed of and signed. Gives the labels.
    pub(super) async fn count(
        &self,
        roll_id: &str,
        roll: &Roll,
        purpose: &str,
        direction: Direction,
        miscount: i32,
    ) -> Result<u32, CannotRun> {
        let count = self.run(roll_id, roll, purpose, direction, miscount).await?;
        let state = self.count_state(&count)?;
        for (fault, total) in state.fault_totals() {
            let of_kind = state.faults.iter().filter(|seen| seen.fault == fault);
            let first = of_kind.clone().map(|seen| seen.ordinal).min().unwrap_or(0);
            let last = of_kind.map(|seen| seen.last).max().unwrap_or(0);
            let disposition = if fault.as_str() == "wrong_code" { "set_aside" } else { "left" };
            let disposal = json!({
                "count": count.id(), "fault": fault, "first": first, "last": last, "disposition": disposition,
            });
            self.people.operator.act(self.desk, "dispose_faults", disposal).await?;
            debug_assert!(total > 0);
        }
        self.people.operator.sign(self.desk, "sign_count", json!({ "count": count.id() })).await?;
        let state = self.count_state(&count)?;
        if state.status != CountStatus::Signed {
            return Err(CannotRun::because(format!("{} is not signed", count.id())));
        }
        Ok(state.labels.unwrap_or_default().get())
    }

    /// The certified roll, forward and back, with every fault that the item relies on. Gives what came of it, in words.
    pub(super) async fn challenge(&self, occasion: &str) -> Result<String, CannotRun> {
        let roll = test_roll();
        let mut counts = Vec::new();
        for direction in [Direction::Forward, Direction::Rewind] {
            counts.push(self.run(TEST_ROLL, &roll, "challenge", direction, 0).await?.id());
        }
        let conclude = json!({ "station": STATION, "test_roll": TEST_ROLL, "occasion": occasion, "counts": counts });
        let concluded = self.people.operator.sign(self.desk, "conclude_challenge", conclude).await?;
        let passed = concluded.entries.first().is_some_and(|(_, _, kind)| kind == "station.challenge_passed");
        let bracketed = concluded.entries.iter().filter(|(_, _, kind)| kind == "roll.bracketed").count();
        if !passed {
            return Err(CannotRun::because(format!("the challenge ({occasion}) failed")));
        }
        Ok(format!(
            "Challenge ({occasion}): {CERTIFIED} certified labels forward and back, every fault kind: passed; {bracketed} counts bracketed."
        ))
    }

    pub(super) async fn must_be_refused(&self, name: &str, command: Value) -> Result<(), CannotRun> {
        self.told_why(name, self.people.operator.act(self.desk, name, command).await)
    }

    /// The same for a signature.
    pub(super) async fn must_be_refused_signed(&self, name: &str, command: Value) -> Result<(), CannotRun> {
        self.told_why(name, self.people.operator.sign(self.desk, name, command).await)
    }

    fn told_why(&self, name: &str, done: Result<Receipt, CannotRun>) -> Result<(), CannotRun> {
        match done {
            Ok(_) => Err(CannotRun::because(format!("{name} should have been refused"))),
            Err(error) => {
                let why = error.why().unwrap_or_default();
                say::line(format_args!("  refused: {}", why.trim_start_matches(&format!("{name}: "))))?;
                Ok(())
            }
        }
    }

    fn count_state(&self, count: &Stream) -> Result<CountState, CannotRun> {
        match self.desk.book().record(count)? {
            Some((_, Record { state: State::Count(state), .. })) => Ok(state),
            _ => Err(CannotRun::because(format!("there is no {count}"))),
        }
    }

    fn roll_state(&self, roll: &str) -> Result<RollState, CannotRun> {
        match self.desk.book().record(&Stream::new("roll", roll)?)? {
            Some((_, Record { state: State::Roll(state), .. })) => Ok(state),
            _ => Err(CannotRun::because(format!("there is no roll {roll}"))),
        }
    }

    pub(super) fn tell_settled(&self, roll: &str) -> Result<(), CannotRun> {
        let state = self.roll_state(roll)?;
        let Some(settled) = &state.settled else {
            return Err(CannotRun::because(format!("no count of {roll} stands")));
        };
        let said: Vec<String> = state.counts.iter().map(|count| count.labels.to_string()).collect();
        let rule = serde_json::to_value(settled.rule)?.as_str().unwrap_or_default().replace('_', " ");
        let stated = i64::from(settled.counted.get()) - i64::from(state.stated.get());
        let against = match stated {
            _ if state.parent.is_some() => "the rest of another roll".to_owned(),
            0 => "as stated".to_owned(),
            short if short < 0 => format!("{} short of what was stated", -short),
            over => format!("{over} over what was stated"),
        };
        say::line(format_args!(
            "Roll {roll}: counts {}; {rule}: {} labels on the roll, {against}.",
            said.join(", "),
            settled.on_roll
        ))?;
        Ok(())
    }

    fn tell_marks(&self, roll: &str) -> Result<(), CannotRun> {
        let state = self.roll_state(roll)?;
        let marks = state.settled.map(|settled| settled.marks).unwrap_or_default();
        let said: Vec<String> = marks.iter().map(|mark| format!("{} {}", mark.fault.as_str(), mark.position)).collect();
        say::line(format_args!("  on its tag, from the end that the line meets first: {}", said.join(", ")))?;
        Ok(())
    }

    async fn tell_held(&self, sister: &str) -> Result<(), CannotRun> {
        let state = self.roll_state(sister)?;
        let Some(cause) = state.holds.first() else {
            return Err(CannotRun::because(format!("{sister} is not on hold")));
        };
        if let Some((_, Record { state: State::Deviation(deviation), .. })) = self.desk.book().record(cause)? {
            say::line(format_args!("Deviation {} (critical): {}", cause.id(), deviation.text))?;
        }
        say::line(format_args!("Counting its sister {sister} is refused:"))?;
        self.must_be_refused("open_count", self.open(sister, "incoming", Direction::Forward)).await
    }
}
