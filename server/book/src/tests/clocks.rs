//! The clock in the book: `at` never falls without a word, and a start on an earlier clock is deliberate.

use tallyseal_control::Command;
use tallyseal_schema::kinds::Role;
use tallyseal_schema::{Body, Entry};

use crate::testing::*;
use crate::{Book, EarlierClock, OpenError, Settings};

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
fn a_step_while_no_server_ran_is_seen_at_the_start_where_the_machine_ran_on() {
    let plant = Plant::new();
    plant.open().shutdown_blocking();
    plant.clock.pass(60_000_000);
    plant.open().shutdown_blocking();
    // Two days ahead of what has passed since boot.
    plant.clock.set(MORNING + 172_800_000_000);
    plant.open().shutdown_blocking();
    // The same after a new boot is no step: nothing was there to measure it by.
    plant.clock.set(MORNING + 2 * 172_800_000_000);
    let boot = crate::BootInfo { id: "another".to_owned(), ..plant.settings().boot };
    Book::open(&plant.path(), Settings { boot, ..plant.settings() }).unwrap().shutdown_blocking();
    let entries = verify(&plant);
    let wanted = ["book.opened", "book.started", "book.started", "clock.stepped", "book.started", "book.started"];
    assert_eq!(kinds(&entries), wanted);
    let Body::ClockStepped(step) = &entries[3].body else { panic!() };
    assert_eq!(step.to.micros() - step.from.micros(), 172_800_000_000 - 60_000_000);
}

#[test]
fn many_small_steps_are_seen_as_the_step_that_they_add_up_to() {
    let plant = Plant::new();
    let book = plant.open();
    for number in 1..=3 {
        plant.clock.set(plant.clock.wall() + 900_000);
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    book.shutdown_blocking();
    let kinds: Vec<_> = verify(&plant).into_iter().map(|entry| entry.header.kind).collect();
    let wanted = ["book.opened", "book.started", "supplier.registered", "supplier.registered"];
    assert_eq!(kinds[..4], wanted);
    assert_eq!(kinds[4..], ["clock.stepped", "supplier.registered"], "2.7 s in three steps");
}

#[test]
fn a_start_on_a_clock_before_the_last_entry_needs_the_option() {
    let plant = Plant::new();
    let book = plant.open();
    let people = [("U-0001", "U-0001"), ("U-0002", "U-0002"), ("U-0003", "U-0001"), ("U-0004", "U-0004")];
    for ((account, name), number) in people.into_iter().zip(1..) {
        let (account, name) = (account.parse().unwrap(), format!("Person {name}"));
        let found = Command::FoundAccount { account, name, roles: vec![Role::Reviewer] };
        book.act_blocking(order(number, software(), found)).unwrap();
    }
    let disable = Command::DisableAccount { account: "U-0004".parse().unwrap(), why: "left".to_owned() };
    book.act_blocking(order(5, software(), disable)).unwrap();
    book.shutdown_blocking();
    plant.clock.set(MORNING - 2_000_000);
    plant.open().shutdown_blocking();
    plant.clock.set(MORNING - 2_000_001);
    assert!(matches!(plant.refused(), OpenError::Clock { .. }));
    let before = verify(&plant).len();
    let accepted = |first: &str, second: &str| Settings {
        accept_earlier_clock: Some(EarlierClock {
            people: [first.parse().unwrap(), second.parse().unwrap()],
            why: "the battery of the clock was changed".to_owned(),
        }),
        ..plant.settings()
    };
    let start = |first, second| Book::open(&plant.path(), accepted(first, second));
    // Two people who are there, work, and are two.
    for (first, second) in
        [("U-0001", "U-0001"), ("U-0001", "U-0003"), ("U-0001", "U-0004"), ("U-0001", "U-0009"), ("U-0009", "U-0002")]
    {
        assert!(matches!(start(first, second), Err(OpenError::People(_))), "{first} and {second}");
    }
    assert_eq!(verify(&plant).len(), before, "a refused start writes nothing");
    start("U-0001", "U-0002").unwrap().shutdown_blocking();
    let entries = verify(&plant);
    assert_eq!(kinds(&entries)[before..], ["clock.stepped", "book.started"]);
    assert_eq!(ats(&entries)[before..], [-2_000_001, -2_000_001]);
    assert_eq!(entries[before].header.why.as_deref(), Some("the battery of the clock was changed"));
    let Body::ClockStepped(step) = &entries[before].body else { panic!() };
    assert_eq!(
        step.cause,
        "whoever started the server states that U-0001 (Person U-0001) and U-0002 (Person U-0002) accept an earlier clock"
    );
    // From then on the clock is in order again.
    plant.open().shutdown_blocking();
    verify(&plant);
}
