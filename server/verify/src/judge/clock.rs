//! The clock never goes back unsaid.

use tallyseal_schema::Time;

use crate::check::Check;
use crate::chunk::Head;
use crate::detail::Detail;
use crate::findings::Findings;

/// The boot ID of a machine that does not say it.
const UNKNOWN_BOOT: &str = "unknown";

/// By how much the clock and the steady count of one boot may move apart from one entry that says both to the next: 2 s
/// without a word, 2 s by which `at` may stand still, and what reading them takes.
///
/// Unit: microseconds. Rule: `FORMAT.md` section 1, clock.
const APART_US: i64 = 5_000_000;

/// Both clocks as an entry says them.
struct Both {
    n: u64,
    at: Time,
    boot: String,
    mono_us: u64,
}

/// The time of the entry before.
#[derive(Default)]
pub(super) struct Clock {
    last: Option<(u64, Time)>,
    /// The last entry that says both clocks.
    both: Option<Both>,
    /// Entries that are earlier than one before them, with others between that are not here.
    unknown: u64,
}

impl Clock {
    /// An entry's time cannot be read.
    pub(super) fn unreadable(&mut self) {
        self.last = None;
    }

    pub(super) fn head(&mut self, n: u64, head: &Head, findings: &mut Findings) {
        findings.looked(Check::Time, 1);
        let before = self.last.filter(|(last, _)| last.checked_add(1) == Some(n)).map(|(_, at)| at);
        match (head.detail.as_deref(), before) {
            (Some(Detail::Stepped(step)), before) => {
                if step.to != head.at {
                    findings.fault(
                        Check::Time,
                        Some(n),
                        format!("a step to {}, but the entry is of {}", step.to, head.at),
                    );
                }
                if before.is_some_and(|before| before != step.from) {
                    findings.fault(
                        Check::Time,
                        Some(n),
                        format!("a step from {}, which was not the time before", step.from),
                    );
                }
            }
            (_, Some(before)) if head.at < before => {
                findings.fault(
                    Check::Time,
                    Some(n),
                    format!("its time {} is before that of the entry before", head.at),
                );
            }
            (_, None) if self.last.is_some_and(|(_, last)| head.at < last) => self.unknown += 1,
            _ => {}
        }
        self.last = Some((n, head.at));
        match head.detail.as_deref() {
            // A step is what an entry says about the two moving apart.
            Some(Detail::Stepped(step)) => self.both(n, head.at, &step.boot, step.mono_us, true, findings),
            Some(Detail::Started(start)) => self.both(n, head.at, &start.boot, start.mono_us, false, findings),
            _ => {}
        }
    }

    /// An entry says both clocks: within one boot they go on together, where no step says otherwise.
    fn both(&mut self, n: u64, at: Time, boot: &str, mono_us: u64, stepped: bool, findings: &mut Findings) {
        let now = Both { n, at, boot: boot.to_owned(), mono_us };
        let Some(then) = self.both.replace(now).filter(|then| then.boot == boot && boot != UNKNOWN_BOOT) else {
            return;
        };
        let Some(steady) = mono_us.checked_sub(then.mono_us) else {
            let what = format!("the steady count is smaller than at entry {}, in the same boot", then.n);
            findings.fault(Check::Time, Some(n), what);
            return;
        };
        let steady = i64::try_from(steady).unwrap_or(i64::MAX);
        let passed = at.micros().saturating_sub(then.at.micros());
        if !stepped && passed.saturating_sub(steady).saturating_abs() > APART_US {
            let seconds = |us: i64| us / 1_000_000;
            let what = format!(
                "since entry {} of the same boot the clock moved by {} s and the steady count by {} s, and no step says so",
                then.n,
                seconds(passed),
                seconds(steady)
            );
            findings.fault(Check::Time, Some(n), what);
        }
    }

    pub(super) fn finish(&self, findings: &mut Findings) {
        let why = "earlier than an entry before it, and a step of the clock may stand between that is not here";
        findings.not_judged(Check::Time, why, self.unknown);
    }
}
