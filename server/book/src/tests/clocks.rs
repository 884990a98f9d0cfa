//! The clock in the book: `at` never falls without a word, and a start on an earlier clock is deliberate.

use tallyseal_schema::{Body, Entry};

use crate::testing::*;
use crate::{Book, OpenError, Settings};

fn ats(entries: &[Entry]) -> Vec<i64> {
    entries.iter().map(|entry| entry.header.at.micros() - MORNING).collect()
}

#[test]
fn a_step_is_an_entry_before_the_act_that_met_it() {
    let plant = Plant::new();
    let book = plant.open();
    let word = |number| book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    plant.clock.pass(10_000_000);
    word(1);
    plant.clock.set(MORNING + 8_500_000);
    word(2); // 1.5 s behind: the last `at` again
    plant.clock.set(MORNING + 1_000_000);
    word(3); // 9 s behind: a step back
    plant.clock.set(MORNING + 3_601_000_000);
    word(4); // an hour ahead of the steady count
    book.shutdown_blocking();
    let entries = verify(&plant);
    let wanted = [
        "book.opened",
        "book.started",
        "supplier.registered",
        "supplier.registered",
        "clock.stepped",
        "supplier.registered",
        "clock.stepped",
        "supplier.registered",
    ];
    assert_eq!(kinds(&entries), wanted);
    let second = 1_000_000;
    let hour = 3_601 * second;
    assert_eq!(ats(&entries), [0, 0, 10 * second, 10 * second, second, second, hour, hour]);
    for n in [4, 6] {
        let Body::ClockStepped(step) = &entries[n].body else { panic!() };
        assert_eq!((step.from, step.to), (entries[n - 1].header.at, entries[n].header.at));
        assert_eq!((step.boot.as_str(), entries[n].header.stream.as_str()), ("boot", "book/B"));
        assert_eq!(entries[n].header.act, None, "it is nobody's act");
    }
}

#[test]
fn a_start_on_a_clock_before_the_last_entry_needs_the_option() {
    let plant = Plant::new();
    plant.open().shutdown_blocking();
    plant.clock.set(MORNING - 2_000_000);
    plant.open().shutdown_blocking();
    plant.clock.set(MORNING - 2_000_001);
    assert!(matches!(plant.refused(), OpenError::Clock { .. }));
    assert_eq!(verify(&plant).len(), 3, "a refused start writes nothing");
    let settings = Settings { accept_earlier_clock: true, ..plant.settings() };
    Book::open(&plant.path(), settings).unwrap().shutdown_blocking();
    let entries = verify(&plant);
    assert_eq!(kinds(&entries)[3..], ["clock.stepped", "book.started"]);
    assert_eq!(ats(&entries)[3..], [-2_000_001, -2_000_001]);
    assert!(entries[3].header.why.is_some());
    // From then on the clock is in order again.
    plant.open().shutdown_blocking();
    verify(&plant);
}
