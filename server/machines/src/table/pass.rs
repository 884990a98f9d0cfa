//! One run of a roll over the table, from a script to what the table prints.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use super::Direction;
use super::line;
use super::roll::{Roll, RollError, SimFaultKind, check_code};

/// How fast the web moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speed {
    /// Labels a minute; an empty place takes as long as a label. Range: 1 to 99,999.
    LabelsPerMinute(u32),
    /// As fast as the bytes go; the table then prints no speed.
    AsFastAsItGoes,
}

/// What the table stops for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum HaltOn {
    /// A splice.
    Splice,
    /// An empty place.
    Missing,
    /// A label that cannot be read.
    Unread,
    /// A label with another code than the one the table was taught.
    WrongCode,
}

/// What goes wrong on the way, once so many labels have been counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disturbance {
    /// It comes right after this label, by the table's own count; 0: before the first.
    pub after: u32,
    /// What.
    pub trouble: Trouble,
}

/// What may go wrong on the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// The link is cut. So many lines are said to nobody; then the table waits for a client and goes on.
    CutLink {
        /// Lines that are lost.
        lines_lost: u32,
    },
    /// So many bytes of what follows are lost on the way.
    DropBytes(u32),
    /// One byte of the next line is changed on the way.
    GarbleLine,
    /// So many bytes without an end, right before the next line.
    Endless(u32),
    /// The table raises an alarm of its own. Shape of the code: a letter and two digits; of the text: at most 80 of
    /// printable ASCII.
    Alarm(String, String),
}

/// A run of a roll: what lies on it, which way it goes, and what goes wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RollRun {
    /// The roll as it runs forward.
    pub roll: Roll,
    /// Which way it runs; winding back, the table meets the roll's other end first and counts from there.
    pub direction: Direction,
    /// How fast.
    pub speed: Speed,
    /// So many labels are counted twice, or, below 0, passed over. They lie evenly spread, on labels without a fault.
    pub miscount: i32,
    /// What the table stops for; it goes on by itself.
    pub halt_on: BTreeSet<HaltOn>,
    /// How long it stands still then.
    pub halt_pause: Duration,
    /// The running total is printed every so many labels, and at the end. 0: at the end only.
    pub total_every: u32,
    /// The code that the table was taught. With it, the table itself says that a code differs; without, it prints what it
    /// reads.
    pub reference: Option<String>,
    /// What goes wrong on the way.
    pub disturbances: Vec<Disturbance>,
}

impl RollRun {
    /// A run forward, as fast as it goes, that stops for nothing and counts right.
    pub fn new(roll: Roll) -> Self {
        Self {
            roll,
            direction: Direction::Forward,
            speed: Speed::AsFastAsItGoes,
            miscount: 0,
            halt_on: BTreeSet::new(),
            halt_pause: Duration::ZERO,
            total_every: 50,
            reference: None,
            disturbances: Vec::new(),
        }
    }
}

/// One thing that the table does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// The web moves by one label.
    Move,
    /// It prints this.
    Print(Vec<u8>),
    /// It stands still for so long.
    Rest(Duration),
    /// What it does to its link.
    Disturb(Trouble),
}

/// Gives the steps of a run, one after another.
#[derive(Debug)]
pub struct Pass {
    run: RollRun,
    /// What lies on a label, and what lies after it, seen from the end that runs first.
    on_label: BTreeMap<u32, SimFaultKind>,
    after_label: BTreeMap<u32, Vec<SimFaultKind>>,
    /// Labels that are passed over or counted twice.
    miscounted: BTreeSet<u32>,
    disturbances: BTreeMap<u32, Vec<Trouble>>,
    /// The label under the sensor; 0 before the first.
    passed: u32,
    /// What the table's own counter says.
    pub counted: u32,
    tally: Tally,
    /// The run is over once the queue is empty.
    over: bool,
    steps: VecDeque<Step>,
}

#[derive(Debug, Default)]
struct Tally {
    joints: u32,
    missing: u32,
    unread: u32,
    wrong: u32,
}

impl Pass {
    /// Errors: [`RollError`], where the table could not tell of such a run.
    pub fn new(run: RollRun) -> Result<Self, RollError> {
        check(&run)?;
        let roll = match run.direction {
            Direction::Forward => run.roll.clone(),
            Direction::Rewind => run.roll.mirrored(),
        };
        let mut on_label = BTreeMap::new();
        let mut after_label: BTreeMap<u32, Vec<SimFaultKind>> = BTreeMap::new();
        for fault in roll.faults {
            if fault.kind.between_labels() {
                after_label.entry(fault.at).or_default().push(fault.kind);
            } else {
                on_label.insert(fault.at, fault.kind);
            }
        }
        let miscounted = spread(run.miscount, run.roll.labels, &on_label)?;
        let mut disturbances: BTreeMap<u32, Vec<Trouble>> = BTreeMap::new();
        for disturbance in &run.disturbances {
            disturbances.entry(disturbance.after).or_default().push(disturbance.trouble.clone());
        }
        let mut pass = Self {
            run,
            on_label,
            after_label,
            miscounted,
            disturbances,
            passed: 0,
            counted: 0,
            tally: Tally::default(),
            over: false,
            steps: VecDeque::new(),
        };
        pass.begin();
        Ok(pass)
    }

    fn begin(&mut self) {
        self.print(line::line("Z"));
        if let Speed::LabelsPerMinute(speed) = self.run.speed {
            self.print(line::line(&format!("V;{speed:05}")));
        }
        self.print(line::line("S"));
        self.disturb();
        self.gap();
    }

    /// The next label comes under the sensor.
    fn advance(&mut self) {
        if self.passed >= self.run.roll.labels {
            return self.end();
        }
        self.passed += 1;
        self.steps.push_back(Step::Move);
        let times = match (self.miscounted.contains(&self.passed), self.run.miscount < 0) {
            (false, _) => 1,
            (true, true) => 0,
            (true, false) => 2,
        };
        for _ in 0..times {
            self.counted += 1;
            self.tell_label();
            if self.run.total_every > 0 && self.counted.is_multiple_of(self.run.total_every) {
                self.print(line::at('C', self.counted));
            }
            self.disturb();
        }
        self.gap();
    }

    fn tell_label(&mut self) {
        let Some(code) = self.run.roll.code.clone() else { return };
        let read = match self.on_label.get(&self.passed) {
            Some(SimFaultKind::Unread) => {
                self.tally.unread += 1;
                self.print(line::at('U', self.counted));
                return self.halt(HaltOn::Unread, 'U');
            }
            Some(SimFaultKind::WrongCode(wrong)) => wrong.clone(),
            _ => code,
        };
        if self.run.reference.as_ref().is_some_and(|taught| *taught != read) {
            self.tally.wrong += 1;
            self.print(line::mismatch(self.counted, &read));
            self.halt(HaltOn::WrongCode, 'W');
        } else {
            self.print(line::label(self.counted, &read));
        }
    }

    /// What lies after the label under the sensor.
    fn gap(&mut self) {
        for kind in self.after_label.remove(&self.passed).unwrap_or_default() {
            match kind {
                SimFaultKind::Splice => {
                    self.tally.joints += 1;
                    self.print(line::at('J', self.counted));
                    self.halt(HaltOn::Splice, 'J');
                }
                SimFaultKind::Missing => {
                    self.tally.missing += 1;
                    self.steps.push_back(Step::Move);
                    self.print(line::at('M', self.counted));
                    self.halt(HaltOn::Missing, 'M');
                }
                SimFaultKind::WebBreak => {
                    self.print(line::at('B', self.counted));
                    self.print(line::line(&format!("H;{:06};B", self.counted)));
                    return self.close();
                }
                SimFaultKind::Unread | SimFaultKind::WrongCode(_) => {}
            }
        }
    }

    fn halt(&mut self, kind: HaltOn, cause: char) {
        if self.run.halt_on.contains(&kind) {
            self.print(line::line(&format!("H;{:06};{cause}", self.counted)));
            if !self.run.halt_pause.is_zero() {
                self.steps.push_back(Step::Rest(self.run.halt_pause));
            }
            self.print(line::line("S"));
        }
    }

    fn disturb(&mut self) {
        for trouble in self.disturbances.remove(&self.counted).unwrap_or_default() {
            match trouble {
                Trouble::Alarm(code, text) => self.print(line::line(&format!("A;{code};{text}"))),
                other => self.steps.push_back(Step::Disturb(other)),
            }
        }
    }

    fn end(&mut self) {
        self.print(line::at('E', self.counted));
        self.print(line::line(&format!("H;{:06};E", self.counted)));
        self.close();
    }

    fn close(&mut self) {
        let Tally { joints, missing, unread, wrong } = self.tally;
        self.print(line::at('C', self.counted));
        self.print(line::line(&format!("T;{:06};J{joints:03};M{missing:03};U{unread:03};W{wrong:03}", self.counted)));
        self.over = true;
    }

    fn print(&mut self, line: Vec<u8>) {
        self.steps.push_back(Step::Print(line));
    }
}

impl Iterator for Pass {
    type Item = Step;

    fn next(&mut self) -> Option<Step> {
        while self.steps.is_empty() && !self.over {
            self.advance();
        }
        self.steps.pop_front()
    }
}

fn check(run: &RollRun) -> Result<(), RollError> {
    run.roll.check()?;
    if let Some(reference) = &run.reference {
        check_code(reference)?;
    }
    if let Speed::LabelsPerMinute(speed) = run.speed
        && !(1..=99_999).contains(&speed)
    {
        return Err(RollError::Range("the speed"));
    }
    if run.miscount > 0 && run.roll.labels.saturating_add_signed(run.miscount) > 999_999 {
        return Err(RollError::Miscount(run.miscount));
    }
    // The ticket has three digits for each.
    if run.roll.faults.len() > 999 {
        return Err(RollError::Range("the number of faults"));
    }
    for disturbance in &run.disturbances {
        if let Trouble::Alarm(code, text) = &disturbance.trouble {
            let [letter, tens, ones] = code.as_bytes() else { return Err(RollError::Range("the code of an alarm")) };
            if !letter.is_ascii_uppercase() || !tens.is_ascii_digit() || !ones.is_ascii_digit() {
                return Err(RollError::Range("the code of an alarm"));
            }
            if text.len() > 80 || !text.bytes().all(|b| (0x20..=0x7e).contains(&b)) {
                return Err(RollError::Range("the text of an alarm"));
            }
        }
    }
    Ok(())
}

/// The labels that are miscounted: evenly spread, each moved on to the next one without a fault of its own.
fn spread(by: i32, labels: u32, faulty: &BTreeMap<u32, SimFaultKind>) -> Result<BTreeSet<u32>, RollError> {
    let times = by.unsigned_abs();
    let free = u64::from(labels).saturating_sub(faulty.len() as u64);
    if u64::from(times) > free {
        return Err(RollError::Miscount(by));
    }
    let mut chosen = BTreeSet::new();
    for nth in 1..=u64::from(times) {
        let ideal = nth * u64::from(labels) / (u64::from(times) + 1);
        let mut at = u32::try_from(ideal).unwrap_or(labels).clamp(1, labels);
        // There are more free labels than chosen ones, so this ends.
        while faulty.contains_key(&at) || !chosen.insert(at) {
            at = if at >= labels { 1 } else { at + 1 };
        }
    }
    Ok(chosen)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the table prints, without checks and line ends, with moves as dots.
    fn printed(run: RollRun) -> String {
        let words = Pass::new(run).unwrap().map(|step| match step {
            Step::Move => ".".to_owned(),
            Step::Print(line) => {
                let text = String::from_utf8(line).unwrap();
                let (body, check) = text.trim_end().rsplit_once(';').unwrap();
                assert_eq!(format!("{:02X}", body.bytes().fold(0, |sum, byte| sum ^ byte)), check);
                body.to_owned()
            }
            Step::Rest(rest) => format!("({rest:?})"),
            Step::Disturb(trouble) => format!("({trouble:?})"),
        });
        words.collect::<Vec<_>>().join(" ")
    }

    fn roll() -> Roll {
        Roll::plain(4, Some("A"))
            .with(1, SimFaultKind::Splice)
            .with(1, SimFaultKind::Missing)
            .with(2, SimFaultKind::Unread)
            .with(3, SimFaultKind::WrongCode("B".into()))
    }

    #[test]
    fn a_run_forward_tells_what_its_script_says() {
        assert_eq!(
            printed(RollRun { total_every: 3, ..RollRun::new(roll()) }),
            "Z S . L;000001;A J;000001 . M;000001 . U;000002 . L;000003;B C;000003 . L;000004;A \
             E;000004 H;000004;E C;000004 T;000004;J001;M001;U001;W000"
        );
    }

    #[test]
    fn winding_back_tells_the_same_from_the_other_end() {
        let run = RollRun { direction: Direction::Rewind, total_every: 0, ..RollRun::new(roll()) };
        assert_eq!(
            printed(run),
            "Z S . L;000001;A . L;000002;B . U;000003 . M;000003 J;000003 . L;000004;A \
             E;000004 H;000004;E C;000004 T;000004;J001;M001;U001;W000"
        );
    }

    #[test]
    fn a_taught_table_says_itself_what_is_wrong_and_stops_where_it_is_told_to() {
        let run = RollRun {
            speed: Speed::LabelsPerMinute(600),
            reference: Some("A".into()),
            halt_on: [HaltOn::WrongCode, HaltOn::Splice].into(),
            halt_pause: Duration::from_secs(2),
            total_every: 0,
            disturbances: vec![Disturbance { after: 0, trouble: Trouble::Alarm("E07".into(), "disc".into()) }],
            ..RollRun::new(roll())
        };
        assert_eq!(
            printed(run),
            "Z V;00600 S A;E07;disc . L;000001;A J;000001 H;000001;J (2s) S . M;000001 . U;000002 \
             . W;000003;B H;000003;W (2s) S . L;000004;A E;000004 H;000004;E C;000004 T;000004;J001;M001;U001;W001"
        );
    }

    #[test]
    fn a_torn_web_ends_the_run() {
        let roll = Roll::plain(3, None)
            .with(2, SimFaultKind::WebBreak)
            .with(2, SimFaultKind::Missing)
            .with(3, SimFaultKind::Splice);
        assert_eq!(printed(RollRun::new(roll)), "Z S . . B;000002 H;000002;B C;000002 T;000002;J000;M000;U000;W000");
    }

    #[test]
    fn a_miscount_is_of_labels_without_a_fault() {
        let less = RollRun { miscount: -1, total_every: 0, ..RollRun::new(roll()) };
        assert_eq!(
            printed(less),
            "Z S . L;000001;A J;000001 . M;000001 . U;000002 . L;000003;B . \
             E;000003 H;000003;E C;000003 T;000003;J001;M001;U001;W000"
        );
        let more = RollRun { miscount: 2, total_every: 0, ..RollRun::new(Roll::plain(3, Some("A"))) };
        assert_eq!(
            printed(more),
            "Z S . L;000001;A L;000002;A . L;000003;A L;000004;A . L;000005;A \
             E;000005 H;000005;E C;000005 T;000005;J000;M000;U000;W000"
        );
        let none = RollRun { miscount: -3, ..RollRun::new(roll()) };
        assert_eq!(Pass::new(none).err(), Some(RollError::Miscount(-3)));
        let all = RollRun { miscount: -2, ..RollRun::new(Roll::plain(2, None)) };
        assert!(printed(all).ends_with("T;000000;J000;M000;U000;W000"));
    }

    #[test]
    fn an_empty_roll_ends_at_once() {
        assert_eq!(
            printed(RollRun::new(Roll::plain(0, None))),
            "Z S E;000000 H;000000;E C;000000 T;000000;J000;M000;U000;W000"
        );
    }

    #[test]
    fn a_run_that_the_table_cannot_tell_of_is_refused() {
        let refused = |run: RollRun| Pass::new(run).err();
        let run = || RollRun::new(Roll::plain(2, Some("A")));
        assert_eq!(refused(RollRun { speed: Speed::LabelsPerMinute(0), ..run() }), Some(RollError::Range("the speed")));
        assert!(matches!(refused(RollRun { reference: Some("^".into()), ..run() }), Some(RollError::Code(_))));
        for (code, text) in [("e07", ""), ("E7", ""), ("E07", "\n")] {
            let trouble = Trouble::Alarm(code.into(), text.into());
            let run = RollRun { disturbances: vec![Disturbance { after: 1, trouble }], ..run() };
            assert!(matches!(refused(run), Some(RollError::Range(_))), "{code} {text:?}");
        }
    }
}
