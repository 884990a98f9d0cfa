//! The only place that asks what time it is.

use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use tallyseal_book::{Clock, UNKNOWN_BOOT};
use tallyseal_schema::Time;
use tallyseal_schema::kinds::Synchronised;

/// The operating system's clocks.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Time {
        // A clock before 1970 or after 9999 is read as the epoch; the book then refuses to start on it.
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        i64::try_from(since.as_micros()).ok().and_then(Time::from_micros).unwrap_or_default()
    }

    fn mono_us(&self) -> u64 {
        // Time since boot: it goes on over a restart of the server and stands against the wall clock.
        let text = std::fs::read_to_string("/proc/uptime").unwrap_or_default();
        let seconds = text.split('.').next().and_then(|whole| whole.trim().parse::<u64>().ok()).unwrap_or(0);
        let hundredths = text.split(['.', ' ']).nth(1).and_then(|part| part.parse::<u64>().ok()).unwrap_or(0);
        seconds.saturating_mul(1_000_000).saturating_add(hundredths.saturating_mul(10_000))
    }
}

/// Now.
pub fn now() -> Time {
    SystemClock.now()
}

/// The machine's boot ID, or that there is none.
pub fn boot_id() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
        .map_or_else(|_| UNKNOWN_BOOT.to_owned(), |text| text.trim().to_owned())
}

/// What can be said about the clock's source. Shape: the kernel's clock source and which time service is seen.
pub fn clock_state() -> String {
    let source = std::fs::read_to_string("/sys/devices/system/clocksource/clocksource0/current_clocksource")
        .map_or_else(|_| "unknown".to_owned(), |text| text.trim().to_owned());
    let service = [TIMESYNC, "/run/chrony/chronyd.pid", "/run/ntpd.pid"].iter().find(|path| Path::new(path).exists());
    match service {
        Some(path) => format!("clock source {source}; time service seen ({path})"),
        None => format!("clock source {source}; no time service seen"),
    }
}

/// What systemd's time service keeps while it runs; the file in it is made with its first answer from a time server.
const TIMESYNC: &str = "/run/systemd/timesync";

/// Whether the clock follows a time service, as far as files say so: that needs no privilege and no call that is unsafe
/// to make. Only systemd's service says it so; with any other, or in a container, it is not known.
pub fn synchronised() -> Synchronised {
    synchronised_by(Path::new(TIMESYNC))
}

fn synchronised_by(timesync: &Path) -> Synchronised {
    match (timesync.join("synchronized").exists(), timesync.exists()) {
        (true, _) => Synchronised::Yes,
        (false, true) => Synchronised::No,
        (false, false) => Synchronised::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_is_called_synchronised_only_where_something_says_so() {
        let dir = tempfile::tempdir().unwrap();
        let timesync = dir.path().join("timesync");
        assert_eq!(synchronised_by(&timesync), Synchronised::Unknown);
        std::fs::create_dir(&timesync).unwrap();
        assert_eq!(synchronised_by(&timesync), Synchronised::No);
        std::fs::write(timesync.join("synchronized"), "").unwrap();
        assert_eq!(synchronised_by(&timesync), Synchronised::Yes);
    }
}
