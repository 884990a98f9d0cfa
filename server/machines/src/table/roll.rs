//! What lies on a simulated roll.

use std::collections::BTreeSet;
use std::fmt;

use super::random::Random;

/// The most labels that a roll may have: the table prints six digits.
const LABELS_MAX: u32 = 999_999;

/// The longest code that the table prints. Unit: characters.
const CODE_MAX: usize = 96;

/// A simulated roll, as it runs forward.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Roll {
    /// Labels that are really on it. Range: 0 to 999,999.
    pub labels: u32,
    /// The code printed on each of them; `None` where the table has no reader.
    pub code: Option<String>,
    /// What is wrong with it.
    pub faults: Vec<SimFault>,
}

/// Something wrong at a place of a roll.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimFault {
    /// For a fault of a label, its number from 1; for one between labels, the number of the label before it, from 0.
    /// Both count from the end that runs first in forward direction.
    pub at: u32,
    /// What.
    pub kind: SimFaultKind,
}

/// What may be wrong on a simulated roll.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SimFaultKind {
    /// Two webs are joined between two labels.
    Splice,
    /// An empty place between two labels.
    Missing,
    /// The web tears between two labels: the run ends there.
    WebBreak,
    /// A label whose code cannot be read.
    Unread,
    /// A label that bears this code.
    WrongCode(String),
}

impl SimFaultKind {
    /// True where it lies between two labels and not on one.
    pub const fn between_labels(&self) -> bool {
        matches!(self, Self::Splice | Self::Missing | Self::WebBreak)
    }
}

/// How many faults of each kind to scatter over a roll.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Scatter {
    /// Splices.
    pub splices: u32,
    /// Empty places.
    pub missing: u32,
    /// Labels that cannot be read.
    pub unread: u32,
}

/// Why a roll or a run of it cannot be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RollError {
    /// More labels than the table prints.
    Labels(u32),
    /// A fault beyond the roll's end, or on a label 0; the fault.
    Place(SimFault),
    /// Two faults of one label; its number.
    Twice(u32),
    /// A code that the table cannot print; the code.
    Code(String),
    /// A fault of a code on a roll that is run without a reader.
    NoReader,
    /// More faults than there are places.
    Scatter,
    /// More labels passed over or counted twice than there are labels without a fault; how many.
    Miscount(i32),
    /// A count, total or length that the table cannot print or send; what.
    Range(&'static str),
}

impl fmt::Display for RollError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Labels(labels) => write!(f, "a roll has at most {LABELS_MAX} labels, not {labels}"),
            Self::Place(fault) => write!(f, "there is no place {} on the roll for {:?}", fault.at, fault.kind),
            Self::Twice(label) => write!(f, "label {label} has two faults"),
            Self::Code(code) => write!(
                f,
                "{code:?} is no code that the table prints: 1 to {CODE_MAX} of printable ASCII without '^', or 0x1D"
            ),
            Self::NoReader => f.write_str("a table without a reader cannot tell unread labels and wrong codes"),
            Self::Scatter => f.write_str("there are more faults than places on the roll"),
            Self::Miscount(by) => write!(f, "a roll of that size cannot be miscounted by {by}"),
            Self::Range(what) => write!(f, "{what} is too large for this table"),
        }
    }
}

impl std::error::Error for RollError {}

impl Roll {
    /// A roll without faults.
    pub fn plain(labels: u32, code: Option<&str>) -> Self {
        Self { labels, code: code.map(str::to_owned), faults: Vec::new() }
    }

    /// A roll with scattered faults. The same arguments give the same roll for ever. No two of them share a label or a
    /// place between two labels, and none between labels lies at an end of the roll.
    ///
    /// Errors: [`RollError::Scatter`], where there is no room for so many.
    pub fn scattered(labels: u32, code: Option<&str>, seed: u64, scatter: Scatter) -> Result<Self, RollError> {
        let mut roll = Self::plain(labels, code);
        let mut random = Random::new(seed);
        let gaps = u64::from(scatter.splices) + u64::from(scatter.missing);
        if gaps > u64::from(labels.saturating_sub(1)) || scatter.unread > labels {
            return Err(RollError::Scatter);
        }
        let (mut gaps_taken, mut labels_taken) = (BTreeSet::new(), BTreeSet::new());
        let mut scatter_one = |kind: SimFaultKind, times: u32| {
            for _ in 0..times {
                let (first, last, taken) = match kind.between_labels() {
                    true => (1, labels - 1, &mut gaps_taken),
                    false => (1, labels, &mut labels_taken),
                };
                // There is a free place, so going on from a taken one, and around, finds it.
                let mut at = random.between(first, last);
                while !taken.insert(at) {
                    at = if at == last { first } else { at + 1 };
                }
                roll.faults.push(SimFault { at, kind: kind.clone() });
            }
        };
        scatter_one(SimFaultKind::Splice, scatter.splices);
        scatter_one(SimFaultKind::Missing, scatter.missing);
        scatter_one(SimFaultKind::Unread, scatter.unread);
        Ok(roll)
    }

    /// The same roll with one more fault.
    #[must_use]
    pub fn with(mut self, at: u32, kind: SimFaultKind) -> Self {
        self.faults.push(SimFault { at, kind });
        self
    }

    /// The same roll as it lies when it is wound back, from its other end: label p is label N-p+1, and what lies after
    /// label p lies after label N-p. Several things in one place come in reverse order.
    #[must_use]
    pub fn mirrored(&self) -> Self {
        let faults = self.faults.iter().rev().map(|fault| {
            let last = if fault.kind.between_labels() { self.labels } else { self.labels.saturating_add(1) };
            SimFault { at: last.saturating_sub(fault.at), kind: fault.kind.clone() }
        });
        Self { labels: self.labels, code: self.code.clone(), faults: faults.collect() }
    }

    /// Refuses a roll that the table could not tell of. Errors: [`RollError`].
    pub fn check(&self) -> Result<(), RollError> {
        if self.labels > LABELS_MAX {
            return Err(RollError::Labels(self.labels));
        }
        if let Some(code) = &self.code {
            check_code(code)?;
        }
        let mut labels = BTreeSet::new();
        for fault in &self.faults {
            let first = if fault.kind.between_labels() { 0 } else { 1 };
            if !(first..=self.labels).contains(&fault.at) {
                return Err(RollError::Place(fault.clone()));
            }
            if fault.kind.between_labels() {
                continue;
            }
            if self.code.is_none() {
                return Err(RollError::NoReader);
            }
            if !labels.insert(fault.at) {
                return Err(RollError::Twice(fault.at));
            }
            if let SimFaultKind::WrongCode(code) = &fault.kind {
                check_code(code)?;
            }
        }
        Ok(())
    }
}

/// Refuses a code that the table cannot print. Errors: [`RollError::Code`].
pub(super) fn check_code(code: &str) -> Result<(), RollError> {
    let printable = |b: u8| (0x20..=0x7e).contains(&b) && b != b'^' || b == super::line::GROUP_SEPARATOR;
    if (1..=CODE_MAX).contains(&code.len()) && code.bytes().all(printable) {
        Ok(())
    } else {
        Err(RollError::Code(code.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(roll: &Roll) -> Vec<(u32, &SimFaultKind)> {
        roll.faults.iter().map(|fault| (fault.at, &fault.kind)).collect()
    }

    #[test]
    fn a_roll_wound_back_has_its_faults_seen_from_the_other_end() {
        let roll = Roll::plain(10, Some("A"))
            .with(0, SimFaultKind::Splice)
            .with(3, SimFaultKind::Missing)
            .with(3, SimFaultKind::Splice)
            .with(1, SimFaultKind::Unread)
            .with(4, SimFaultKind::WrongCode("B".into()));
        let back = roll.mirrored();
        assert_eq!(
            at(&back),
            [
                (7, &SimFaultKind::WrongCode("B".into())),
                (10, &SimFaultKind::Unread),
                (7, &SimFaultKind::Splice),
                (7, &SimFaultKind::Missing),
                (10, &SimFaultKind::Splice),
            ]
        );
        assert_eq!(back.mirrored(), roll);
        assert_eq!(back.check(), Ok(()));
    }

    #[test]
    fn scattered_faults_are_as_many_as_asked_and_share_no_place() {
        let scatter = Scatter { splices: 3, missing: 6, unread: 10 };
        let roll = Roll::scattered(10, Some("A"), 1, scatter).unwrap();
        let mut gaps: Vec<u32> = roll.faults.iter().filter(|f| f.kind.between_labels()).map(|f| f.at).collect();
        gaps.sort_unstable();
        assert_eq!(gaps, [1, 2, 3, 4, 5, 6, 7, 8, 9]);
        assert_eq!(roll.faults.iter().filter(|f| f.kind == SimFaultKind::Unread).count(), 10);
        assert_eq!(roll.check(), Ok(()));
        assert_eq!(Roll::scattered(10, Some("A"), 1, scatter), Ok(roll.clone()));
        assert_ne!(Roll::scattered(10, Some("A"), 2, scatter), Ok(roll));
        let more = Scatter { splices: 4, ..scatter };
        assert_eq!(Roll::scattered(10, Some("A"), 1, more), Err(RollError::Scatter));
        assert_eq!(Roll::scattered(0, None, 1, Scatter::default()).map(|roll| roll.faults.len()), Ok(0));
    }

    #[test]
    fn a_roll_that_cannot_be_is_refused() {
        let roll = || Roll::plain(5, Some("A"));
        assert_eq!(Roll::plain(1_000_000, None).check(), Err(RollError::Labels(1_000_000)));
        assert!(matches!(roll().with(6, SimFaultKind::Splice).check(), Err(RollError::Place(_))));
        assert!(matches!(roll().with(0, SimFaultKind::Unread).check(), Err(RollError::Place(_))));
        let twice = roll().with(2, SimFaultKind::Unread).with(2, SimFaultKind::WrongCode("B".into()));
        assert_eq!(twice.check(), Err(RollError::Twice(2)));
        assert_eq!(Roll::plain(5, None).with(2, SimFaultKind::Unread).check(), Err(RollError::NoReader));
        for code in ["", "a^b", "é", "\r", &"x".repeat(97)] {
            assert!(matches!(Roll::plain(1, Some(code)).check(), Err(RollError::Code(_))), "{code:?}");
        }
        assert_eq!(Roll::plain(1, Some("01;\u{1d}21")).check(), Ok(()));
    }
}
