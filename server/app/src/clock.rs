//! The only place that asks what time it is.

use std::time::{SystemTime, UNIX_EPOCH};

use tallyseal_book::Clock;
use tallyseal_schema::Time;

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
        .map_or_else(|_| "unknown".to_owned(), |text| text.trim().to_owned())
}

/// What can be said about the clock's source. Shape: the kernel's clock source and whether a time service is seen.
pub fn clock_state() -> String {
    let source = std::fs::read_to_string("/sys/devices/system/clocksource/clocksource0/current_clocksource")
        .map_or_else(|_| "unknown".to_owned(), |text| text.trim().to_owned());
    let service = ["/run/systemd/timesync/synchronized", "/run/chrony/chronyd.pid", "/run/ntpd.pid"]
        .iter()
        .find(|path| std::path::Path::new(path).exists());
    match service {
        Some(path) => format!("clock source {source}; time service seen ({path})"),
        None => format!("clock source {source}; no time service seen"),
    }
}
