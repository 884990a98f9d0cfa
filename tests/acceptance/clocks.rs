//! The clock of the machine, set back and forward.

use serde_json::{Value, json};
use tallyseal_tests::faketime::{self, SetClock, Variable, off_by};
use tallyseal_tests::plant::Plant;
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::all_hold_by;

fn start(plant: &Plant, environment: &[Variable], more: &[&str]) -> Result<Server, String> {
    faketime::start(&plant.book.dir(), environment, more)
}

/// The entries of a book at rest.
fn entries(plant: &Plant) -> Vec<Value> {
    let lines = tallyseal_tests::book::entries(&plant.book.dir());
    lines.iter().map(|line| serde_json::from_slice(line).unwrap()).collect()
}

fn kinds(entries: &[Value]) -> Vec<&str> {
    entries.iter().map(|entry| entry["kind"].as_str().unwrap()).collect()
}

/// By how many seconds a step moved the clock, as the book sees it: from the last entry, which may be minutes old.
fn moved(step: &Value) -> i64 {
    let micros =
        |field: &str| step["body"][field].as_str().unwrap().parse::<tallyseal_schema::Time>().unwrap().micros();
    (micros("to") - micros("from")) / 1_000_000
}

#[test]
fn a_start_on_a_clock_that_was_set_back_needs_two_people_and_both_clocks_are_recorded() {
    let mut plant = Plant::with_people();
    plant.stop();
    let before = entries(&plant);
    let said = start(&plant, &off_by("-2h"), &[]).err().expect("it must not serve");
    assert!(said.starts_with("exit 2: ") && said.contains("--accept-earlier-clock"), "{said}");
    // One person twice, somebody unknown, no reason.
    for (people, why) in [("U-0001,U-0001", Some("x")), ("U-0001,U-9999", Some("x")), ("U-0001,U-0002", None)] {
        let mut more = vec!["--accept-earlier-clock", people];
        more.extend(why.into_iter().flat_map(|why| ["--why", why]));
        let said = start(&plant, &off_by("-2h"), &more).err().expect("it must not serve");
        assert!(said.starts_with("exit 2: "), "{said}");
    }
    assert_eq!(entries(&plant).len(), before.len(), "a start that was refused is not in the book");
    let more = ["--accept-earlier-clock", "U-0001,U-0002", "--why", "the battery of the clock was changed"];
    start(&plant, &off_by("-2h"), &more).unwrap().stop();
    let after = entries(&plant);
    assert_eq!(kinds(&after[before.len()..])[..2], ["clock.stepped", "book.started"]);
    let (step, started) = (&after[before.len()], &after[before.len() + 1]);
    assert!((-7_201..-3_600).contains(&moved(step)), "{step}");
    assert_eq!(step["why"], "the battery of the clock was changed");
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap();
    for entry in [step, started] {
        assert_eq!(entry["body"]["boot"], boot.trim());
        assert!(entry["body"]["mono_us"].as_u64().unwrap() > 0);
    }
    assert!(["yes", "no", "unknown"].iter().any(|state| started["body"]["synchronised"] == *state), "{started}");
    // And back to the right time: in the same boot that is a step forward, which nobody need accept.
    start(&plant, &[], &[]).unwrap().stop();
    let last = entries(&plant);
    assert_eq!(kinds(&last[after.len()..])[..2], ["clock.stepped", "book.started"]);
    assert!((7_190..10_800).contains(&moved(&last[after.len()])), "{}", last[after.len()]);
    all_hold_by(&plant.book.dir(), &plant.book.key);
}

#[test]
fn a_clock_that_was_set_forward_before_a_start_is_a_step_where_the_machine_ran_on() {
    let mut plant = Plant::with_people();
    plant.stop();
    let before = entries(&plant).len();
    start(&plant, &off_by("+2d"), &[]).unwrap().stop();
    let after = entries(&plant);
    assert_eq!(kinds(&after[before..])[..2], ["clock.stepped", "book.started"]);
    assert!((172_790..180_000).contains(&moved(&after[before])), "{}", after[before]);
    all_hold_by(&plant.book.dir(), &plant.book.key);
}

#[test]
fn a_clock_that_is_set_while_the_server_runs_is_a_step_before_the_next_entry() {
    let mut plant = Plant::stocked();
    plant.stop();
    let clock = SetClock::right();
    let environment = clock.environment();
    let environment: Vec<(&str, &str)> = environment.iter().map(|(name, value)| (*name, value.as_str())).collect();
    plant.start_with(&environment);
    let remark = |text: &str| {
        plant.who("reviewer").act("remark", &json!({ "record": "delivery/DL-1", "text": text })).good();
    };
    remark("as it is");
    clock.set("-600");
    remark("ten minutes back");
    clock.set("+0");
    remark("as it was");
    clock.set("+1");
    remark("one second is no step");
    let of_the_book = plant.stream("book/B");
    let steps: Vec<&Value> = of_the_book.iter().filter(|entry| entry["kind"] == "clock.stepped").collect();
    let [back, forward] = steps[..] else { panic!("{steps:?}") };
    assert!((-601..-300).contains(&moved(back)), "{back}");
    assert!((590..900).contains(&moved(forward)), "{forward}");
    assert!(back["body"]["cause"].as_str().unwrap().contains("set back"), "{back}");
    assert!(forward["body"]["cause"].as_str().unwrap().contains("ahead"), "{forward}");
    // Each stands right before the remark that met it.
    let all = plant.entries();
    for (step, text) in [(back, "ten minutes back"), (forward, "as it was")] {
        let n = step["n"].as_u64().unwrap() as usize;
        assert_eq!(all[n + 1]["body"]["text"], text);
    }
    plant.end();
}
