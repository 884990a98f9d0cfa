//! The clock never goes back unsaid.

use tallyseal_schema::Time;

use crate::check::Check;
use crate::chunk::Head;
use crate::detail::Detail;
use crate::findings::Findings;

/// The time of the entry before.
#[derive(Default)]
pub(super) struct Clock {
    last: Option<(u64, Time)>,
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
    }

    pub(super) fn finish(&self, findings: &mut Findings) {
        let why = "earlier than an entry before it, and a step of the clock may stand between that is not here";
        findings.not_judged(Check::Time, why, self.unknown);
    }
}
