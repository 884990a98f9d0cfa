//! How long to wait before trying again.

use std::time::Duration;

const FIRST: Duration = Duration::from_millis(100);
const MOST: Duration = Duration::from_secs(5);

/// Waits that double from 100 ms to 5 s, and begin anew once a link has proved itself.
#[derive(Debug)]
pub struct Backoff {
    next: Duration,
}

impl Backoff {
    pub fn new() -> Self {
        Self { next: FIRST }
    }

    /// The next wait.
    pub fn wait(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(MOST);
        wait
    }

    /// The link worked.
    pub fn reset(&mut self) {
        self.next = FIRST;
    }
}

#[cfg(test)]
mod tests {
    use super::Backoff;

    #[test]
    fn waits_double_up_to_five_seconds_and_begin_anew() {
        let mut backoff = Backoff::new();
        let waits: Vec<u128> = (0..9).map(|_| backoff.wait().as_millis()).collect();
        assert_eq!(waits, [100, 200, 400, 800, 1600, 3200, 5000, 5000, 5000]);
        backoff.reset();
        assert_eq!(backoff.wait().as_millis(), 100);
    }
}
