//! The clock as the book sees it, and the rule that gives each entry its `at`.

use std::sync::Arc;

use tallyseal_schema::Time;
use tallyseal_schema::kinds::ClockStepped;

/// Where the book gets the time from. The application has the real one; tests have their own.
pub trait Clock: Send + Sync {
    /// The wall clock.
    fn now(&self) -> Time;

    /// A steady count that no one can set.
    ///
    /// Unit: microseconds since the machine's boot. Range: up to 2^53-1.
    fn mono_us(&self) -> u64;
}

/// How far the wall clock may fall behind the last entry, or stray from the steady count, without a word.
///
/// Unit: microseconds. Rule: `FORMAT.md` section 1, clock.
pub(crate) const SLACK_US: i64 = 2_000_000;

/// What stands for the boot ID of a machine that has none.
pub const UNKNOWN_BOOT: &str = "unknown";

/// The largest number of the record: a steady count beyond it could not be written.
pub(crate) const NUMBER_MAX: u64 = (1 << 53) - 1;

/// The moment for the next entry, and the step that must be recorded before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Tick {
    pub(crate) at: Time,
    pub(crate) step: Option<ClockStepped>,
}

/// Gives each entry its `at`.
pub(crate) struct Pace {
    clock: Arc<dyn Clock>,
    boot: String,
    /// `at` of the last entry.
    last: Time,
    /// Wall clock and steady count at the moment that both are held against: the last entry of this boot that says both,
    /// which a start or a step wrote. It does not move with each look, so that many small steps add up to one.
    anchor: Option<(Time, u64)>,
}

impl Pace {
    /// `last`: `at` of the book's last entry. `boot`: the machine's boot ID.
    pub(crate) fn new(clock: Arc<dyn Clock>, boot: String, last: Time) -> Self {
        Self { clock, boot, last, anchor: None }
    }

    /// An earlier entry says both clocks: where it is of this boot, steps since then are seen too.
    pub(crate) fn anchored(&mut self, boot: &str, at: Time, mono_us: u64) {
        // A machine that does not say its boot ID may have been started anew.
        if boot == self.boot && boot != UNKNOWN_BOOT && mono_us <= self.clock.mono_us() {
            self.anchor = Some((at, mono_us));
        }
    }

    /// `at` of the last entry.
    pub(crate) fn last(&self) -> Time {
        self.last
    }

    /// The steady count.
    pub(crate) fn mono_us(&self) -> u64 {
        self.clock.mono_us()
    }

    /// True where the wall clock is so far behind the last entry that a start must be refused.
    pub(crate) fn is_behind(&self) -> bool {
        behind(self.clock.now(), self.last)
    }

    /// The moment for the next entry: the later of now and the last `at`; where the clock was set back by more than
    /// the slack, now, with the step to record first. A jump ahead of the steady count is recorded too.
    pub(crate) fn tick(&mut self) -> Tick {
        let (wall, mono) = (self.clock.now(), self.clock.mono_us());
        let (wall_then, mono_then) = *self.anchor.get_or_insert((wall, mono));
        let steady = i64::try_from(mono.saturating_sub(mono_then)).unwrap_or(i64::MAX);
        let strayed = wall.micros().saturating_sub(wall_then.micros()).saturating_sub(steady);
        if behind(wall, self.last) {
            return self.step(wall, wall, mono, "the server's clock was set back");
        }
        let at = wall.max(self.last);
        if strayed > SLACK_US {
            return self.step(at, wall, mono, "the server's clock went ahead of its own steady count");
        }
        if strayed < -SLACK_US {
            return self.step(at, wall, mono, "the server's clock fell behind its own steady count");
        }
        Tick { at, step: None }
    }

    /// As [`Pace::tick`] where a start on an earlier clock was accepted: a step now, for that `cause`.
    pub(crate) fn accept(&mut self, cause: &str) -> Tick {
        let (wall, mono) = (self.clock.now(), self.clock.mono_us());
        self.step(wall, wall, mono, cause)
    }

    /// An entry was written with this `at`.
    pub(crate) fn wrote(&mut self, at: Time) {
        self.last = at;
    }

    fn step(&mut self, at: Time, wall: Time, mono: u64, cause: &str) -> Tick {
        self.anchor = Some((wall, mono));
        let step = ClockStepped {
            boot: self.boot.clone(),
            cause: cause.to_owned(),
            from: self.last,
            mono_us: mono.min(NUMBER_MAX),
            to: at,
        };
        Tick { at, step: Some(step) }
    }
}

fn behind(wall: Time, last: Time) -> bool {
    wall < last.plus_micros(-SLACK_US)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{HandClock, at};

    fn pace(clock: &Arc<HandClock>, last: i64) -> Pace {
        Pace::new(clock.clone(), "boot".to_owned(), at(last))
    }

    #[test]
    fn a_clock_at_most_two_seconds_behind_gives_the_last_at() {
        let clock = HandClock::at(100_000_000);
        let mut pace = pace(&clock, 102_000_000);
        assert_eq!(pace.tick(), Tick { at: at(102_000_000), step: None });
    }

    #[test]
    fn a_clock_further_behind_steps_back() {
        let clock = HandClock::at(100_000_000);
        let mut pace = pace(&clock, 102_000_001);
        let tick = pace.tick();
        assert_eq!(tick.at, at(100_000_000));
        let step = tick.step.unwrap();
        assert_eq!((step.from, step.to), (at(102_000_001), at(100_000_000)));
        pace.wrote(tick.at);
        assert_eq!(pace.tick(), Tick { at: at(100_000_000), step: None }, "a step is recorded once");
    }

    #[test]
    fn a_jump_ahead_of_the_steady_count_is_a_step_that_does_not_lower_at() {
        let clock = HandClock::at(100_000_000);
        let mut pace = pace(&clock, 100_000_000);
        pace.tick();
        clock.pass(60_000_000);
        assert_eq!(pace.tick().step, None, "time that passes is no step");
        clock.set(clock.wall() + 2_000_000);
        assert_eq!(pace.tick().step, None, "two seconds are within the slack");
        clock.set(clock.wall() + 2_000_001);
        let tick = pace.tick();
        assert_eq!(tick.at, at(164_000_001));
        assert_eq!(tick.step.map(|step| step.to), Some(at(164_000_001)));
    }

    #[test]
    fn a_fall_that_the_last_entry_does_not_show_is_a_step_too() {
        let clock = HandClock::at(100_000_000);
        let mut pace = pace(&clock, 1_000_000);
        pace.tick();
        clock.set(50_000_000);
        let tick = pace.tick();
        assert_eq!(tick.at, at(50_000_000));
        assert!(tick.step.is_some());
    }
}
