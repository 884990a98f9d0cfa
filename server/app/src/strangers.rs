//! Calls without a session and failed log-ins, summed up: one entry a minute, so that a stranger cannot grow the book.

use std::sync::Mutex;

use tallyseal_control::Command;
use tallyseal_schema::Time;

/// What was refused since the last entry.
#[derive(Debug, Default)]
pub struct Strangers(Mutex<Option<Tally>>);

#[derive(Debug)]
struct Tally {
    count: u32,
    first: Time,
    last: Time,
    several: bool,
    source: String,
}

impl Strangers {
    /// Notes one refusal. `source`: where it came from.
    pub fn note(&self, source: &str, at: Time) {
        let mut tally = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        match &mut *tally {
            Some(tally) => {
                tally.count = tally.count.saturating_add(1);
                tally.last = tally.last.max(at);
                tally.several |= tally.source != source;
            }
            None => {
                let source = source.chars().take(100).collect();
                *tally = Some(Tally { count: 1, first: at, last: at, several: false, source });
            }
        }
    }

    /// The entry that is due, if any; what it tells is then forgotten here.
    pub fn take(&self) -> Option<Command> {
        let tally = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take()?;
        let source = if tally.several { format!("{} and others", tally.source) } else { tally.source };
        Some(Command::NoteStrangers { source, count: tally.count, from: tally.first, to: tally.last })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refusals_are_summed_up_into_one_entry() {
        let at = |seconds: i64| Time::from_micros(seconds * 1_000_000).unwrap();
        let strangers = Strangers::default();
        assert_eq!(strangers.take(), None);
        strangers.note("127.0.0.1", at(1));
        strangers.note("127.0.0.1", at(3));
        let Some(Command::NoteStrangers { source, count, from, to }) = strangers.take() else { panic!() };
        assert_eq!((source.as_str(), count, from, to), ("127.0.0.1", 2, at(1), at(3)));
        strangers.note("127.0.0.1", at(4));
        strangers.note("127.0.0.2", at(5));
        let Some(Command::NoteStrangers { source, .. }) = strangers.take() else { panic!() };
        assert_eq!(source, "127.0.0.1 and others");
        assert_eq!(strangers.take(), None);
    }
}
