//! The server is killed at a hundred moments under load, as a power cut would: nothing is told to it.

use std::time::Duration;

use serde_json::Value;
use tallyseal_book::Reader;
use tallyseal_machines::table::Random;

use crate::load::Load;
use crate::site::Site;

/// So often it is killed, where the environment does not say `TALLYSEAL_CRASH_ROUNDS`.
const ROUNDS: u64 = 100;
/// From which the moments are drawn.
const SEED: u64 = 0xdead;

/// How many bytes of a count's machine are recorded.
fn captured(site: &Site, count: &str) -> u64 {
    let stream = format!("count/{count}").parse().unwrap();
    let entries = Reader::open(&site.dir()).unwrap().stream_entries(&stream).unwrap();
    let entries = entries.iter().map(|bytes| serde_json::from_slice::<Value>(bytes).unwrap());
    entries
        .filter(|entry| entry["kind"] == "count.segment_captured")
        .map(|entry| entry["body"]["length"].as_u64().unwrap())
        .sum()
}

#[test]
fn nothing_acknowledged_is_lost_and_nothing_is_done_twice_when_the_server_is_killed_under_load() {
    let rounds = std::env::var("TALLYSEAL_CRASH_ROUNDS").map_or(ROUNDS, |text| text.parse().unwrap());
    let mut site = Site::new();
    let (mut unanswered, mut there, mut mid_count, mut in_flight, mut some_captured) = (0, 0, 0, 0, 0);
    site.start();
    for round in 0..rounds {
        let when = format!("round {round}");
        let url = site.plant.url().to_owned();
        let load = Load::begin(&site, &url, round + 1);
        let mut random = Random::new(SEED + round);
        // Mostly while a roll runs, and sometimes at any moment.
        let counting = random.between(0, 5) > 0;
        load.until(counting, random.between(0, 30), Duration::from_micros(u64::from(random.between(0, 40_000))));
        site.plant.server.take().unwrap().kill();
        let (wishes, counted) = load.end();
        let from = site.remember(wishes);
        if round % 10 == 9 {
            // As the kill left it, with its log: before any server has looked at it.
            site.verify(&when);
        }
        // What the table had said when its run was over; a run that waits for a server has said nothing yet.
        let last = counted.last().and_then(|last| Some((&last.count, last.run()?)));
        site.start();
        site.settle(from, &when);
        unanswered += site.unanswered.0;
        there += site.unanswered.1;
        if let Some((count, run)) = last {
            let kept = captured(&site, count);
            assert!(kept <= run.bytes, "{when}: the table said {} bytes for {count}, {kept} are recorded", run.bytes);
            // The table goes on without its server: what it says then is lost, and it knows.
            mid_count += u64::from(run.lines_lost > 0);
            in_flight += u64::from(run.bytes > kept);
            some_captured += u64::from(kept > 0 && run.lines_lost > 0);
        }
    }
    println!(
        "{rounds} kills: {} acts wanted, {unanswered} unanswered of which {there} were recorded; {mid_count} in mid-count, \
         {in_flight} with machine bytes not yet recorded, {some_captured} with some recorded",
        site.wishes.len()
    );
    // The kills hit where they were meant to: in the middle of requests, of counts and of bytes.
    assert!(unanswered as u64 >= rounds, "{unanswered} acts were unanswered in {rounds} kills");
    assert!(
        mid_count >= rounds / 4 && in_flight >= rounds / 4 && some_captured > 0,
        "{mid_count} {in_flight} {some_captured}"
    );
    site.end();
}
