use tallyseal_schema::Time;
use tallyseal_schema::kinds::{CountPurpose, Direction, FaultKind, Link, Role, StationWork};

use crate::testing::{
    CERTIFIED, CODE, CODED, PLAIN, Plant, all_hats, clear_bench, close, conclude, draft_plugin, id, item_draft, labels,
    open, open_challenge, open_incoming, register_station, reviewer, room, run_of, second_reviewer, set_up, supervisor,
    system,
};
use crate::{Command, RefusalKind};

fn qualify(station: &str, valid_until: Time) -> Command {
    Command::QualifyStation { station: id(station), basis: "report QR-2".to_owned(), valid_until }
}

fn bind(station: &str, plugin: &str) -> Command {
    Command::BindPlugin { station: id(station), plugin: id(plugin) }
}

fn work(station: &str, work: StationWork) -> Command {
    Command::LogStationWork { station: id(station), work, text: "sensor wiped".to_owned() }
}

fn test_roll(roll: &str, certified: u32, faults: &[(FaultKind, u32)], expires: Time) -> Command {
    Command::RegisterTestRoll {
        test_roll: id(roll),
        certificate: "CE-2".to_owned(),
        certified: labels(certified),
        code: Some(CODE.to_owned()),
        expires,
        faults: faults.iter().copied().collect(),
    }
}

fn certify(roll: &str) -> Command {
    Command::CertifyTestRoll { test_roll: id(roll) }
}

fn withdraw(roll: &str) -> Command {
    Command::WithdrawTestRoll { test_roll: id(roll), why: "torn".to_owned() }
}

fn tomorrow(plant: &Plant) -> Time {
    plant.minutes_later(1_440)
}

/// A count of a roll is open at the station.
fn counting() -> Plant {
    let mut plant = Plant::ready();
    plant.did(&room(), open_incoming("ST-1", "R-1"));
    plant
}

#[test]
fn a_station_is_registered_within_its_ranges() {
    let plant = Plant::furnished();
    let with = |speed: u32, interval: u32, address: &str| {
        let mut command = register_station("ST-9");
        let Command::RegisterStation { rated_labels_per_min, challenge_interval_min, link, .. } = &mut command else {
            unreachable!()
        };
        (*rated_labels_per_min, *challenge_interval_min) = (speed, interval);
        *link = Link::TcpOut { address: address.to_owned() };
        command
    };
    for (speed, interval) in [(1, 1), (100_000, 10_080)] {
        plant.clone().makes(&supervisor(), with(speed, interval, "table-1.example:4001"), &["station.registered ST-9"]);
    }
    for (speed, interval) in [(0, 60), (100_001, 60), (600, 0), (600, 10_081)] {
        plant.clone().refuses(&supervisor(), with(speed, interval, "192.0.2.7:4001"), "out-of-range");
    }
    let long = format!("{}:1", "a".repeat(300));
    for address in ["", "192.0.2.7", ":4001", "192.0.2.7:", "192.0.2.7:0", "192.0.2.7:65536", "192.0.2.7:x", &long] {
        plant.clone().refuses(&supervisor(), with(600, 60, address), "bad-address");
    }
    plant.clone().refuses(&supervisor(), register_station("ST-1"), "id-in-use");
}

#[test]
fn quality_qualifies_a_station_for_a_time_to_come_and_not_whoever_registered_it() {
    let mut plant = Plant::furnished();
    let now = plant.now();
    plant.refuses(&reviewer(), qualify("ST-1", now), "in-the-past");
    plant.makes(
        &reviewer(),
        qualify("ST-1", now.plus_micros(1)),
        &["station.qualified ST-1", "\"station qualified\" ST-1"],
    );
    plant.did(&all_hats(Role::Supervisor), register_station("ST-2"));
    plant.refuses(&all_hats(Role::Reviewer), qualify("ST-2", tomorrow(&plant.clone())), "same-person");
}

#[test]
fn a_station_counts_until_its_qualification_ends() {
    let mut plant = Plant::ready();
    let until = plant.minutes_later(30);
    plant.did(&reviewer(), qualify("ST-1", until));
    plant.wait_until(until);
    plant.clone().did(&room(), open_incoming("ST-1", "R-1"));
    plant.wait_until(until.plus_micros(1));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "station-not-qualified");
    // The closing challenge may come later, and qualification runs are what it becomes qualified by again.
    plant.clone().did(&room(), open_challenge("ST-1", "T-1", Direction::Forward));
    plant.did(&room(), open("ST-1", "test_roll/T-1", CountPurpose::Qualification, Direction::Forward));
}

#[test]
fn a_plugin_is_approved_by_somebody_who_did_not_load_it_and_then_bound() {
    let mut plant = Plant::furnished();
    plant.makes(&all_hats(Role::Supervisor), draft_plugin(b"second", "1.1.0"), &["plugin.drafted P-000002"]);
    plant.refuses(&supervisor(), bind("ST-1", "P-000002"), "plugin-not-approved");
    let approve = || Command::ApprovePlugin { plugin: id("P-000002") };
    plant.refuses(&all_hats(Role::Reviewer), approve(), "same-person");
    plant.makes(&reviewer(), approve(), &["plugin.approved P-000002", "\"plugin approved\" P-000002"]);
    plant.refuses(&second_reviewer(), approve(), "already-approved");
    plant.makes(&supervisor(), bind("ST-1", "P-000002"), &["station.plugin_bound ST-1"]);
    plant.refuses(&supervisor(), bind("ST-1", "P-000003"), "no-such-plugin");
}

#[test]
fn a_version_of_a_plugin_is_one_set_of_files() {
    let mut plant = Plant::furnished();
    plant.refuses(&supervisor(), draft_plugin(b"plugin", "1.0.0"), "plugin-known");
    plant.refuses(&supervisor(), draft_plugin(b"plugin", "1.0.1"), "plugin-known");
    plant.refuses(&supervisor(), draft_plugin(b"changed", "1.0.0"), "version-known");
    plant.did(&supervisor(), draft_plugin(b"changed", "1.0.1"));
    let with = |change: fn(&mut Command)| {
        let mut command = draft_plugin(b"more", "2.0.0");
        change(&mut command);
        command
    };
    let nonsense: [Command; 3] = [
        with(|command| {
            let Command::DraftPlugin { files, .. } = command else { unreachable!() };
            files.clear();
        }),
        with(|command| {
            let Command::DraftPlugin { files, .. } = command else { unreachable!() };
            let file = files.first().unwrap().clone();
            files.resize(65, file);
        }),
        with(|command| {
            let Command::DraftPlugin { emits, .. } = command else { unreachable!() };
            emits.insert("release_delivery".to_owned());
        }),
    ];
    for command in nonsense {
        assert_eq!(plant.act(&supervisor(), command).unwrap_err().kind, RefusalKind::Internal);
    }
}

#[test]
fn nothing_is_changed_on_a_station_that_is_counting() {
    let mut plant = counting();
    for (by, command) in [
        (supervisor(), bind("ST-1", "P-000001")),
        (room(), clear_bench("ST-1")),
        (room(), set_up("ST-1", CODED)),
        (room(), work("ST-1", StationWork::Cleaning)),
        (room(), work("ST-1", StationWork::Repair)),
        (room(), open_incoming("ST-1", "R-2")),
        (room(), open_challenge("ST-1", "T-1", Direction::Forward)),
        (room(), conclude("ST-1", "T-1", tallyseal_schema::kinds::Occasion::End, &[&id("C-000001")])),
    ] {
        plant.refuses(&by, command, "station-in-count");
    }
    // A qualification is a matter of paper.
    let until = tomorrow(&plant);
    plant.did(&reviewer(), qualify("ST-1", until));
}

#[test]
fn a_station_counts_only_when_everything_is_in_place() {
    let mut plant = Plant::furnished();
    plant.released("D-1", CODED, &["R-1"]);
    plant.did(&supervisor(), register_station("ST-2"));
    let tried = || open_incoming("ST-2", "R-1");
    plant.refuses(&room(), tried(), "no-plugin");
    plant.did(&supervisor(), bind("ST-2", "P-000001"));
    plant.refuses(&room(), tried(), "station-not-qualified");
    let until = tomorrow(&plant);
    plant.did(&reviewer(), qualify("ST-2", until));
    plant.refuses(&room(), tried(), "link-down");
    plant.did(&system(), Command::RestoreLink { station: id("ST-2"), link: "main".to_owned() });
    plant.refuses(&room(), tried(), "not-set-up");
    plant.did(&room(), set_up("ST-2", CODED));
    plant.refuses(&room(), tried(), "challenge-due");
    plant.challenged("ST-2");
    plant.did(&room(), tried());
    plant.refuses(&room(), open_incoming("ST-9", "R-1"), "no-such-station");
}

#[test]
fn the_bench_is_cleared_between_items_and_anew_after_each_count() {
    let mut plant = Plant::ready();
    // A challenge was run since, and nothing was cleared after it.
    plant.refuses(&room(), set_up("ST-1", PLAIN), "bench-not-cleared");
    plant.did(&room(), clear_bench("ST-1"));
    plant.clone().did(&room(), set_up("ST-1", PLAIN));
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    plant.challenged("ST-1");
    plant.refuses(&room(), set_up("ST-1", PLAIN), "bench-not-cleared");
    // For the same item nothing needs clearing.
    plant.did(&room(), set_up("ST-1", CODED));
}

#[test]
fn a_clearance_names_the_places_that_were_looked_at() {
    let mut plant = Plant::furnished();
    let with = |places: usize| Command::ClearBench {
        station: id("ST-1"),
        places: vec!["é".repeat(100); places],
        found: "nothing".to_owned(),
    };
    plant.refuses(&room(), with(0), "no-places");
    plant.refuses(&room(), with(51), "no-places");
    plant.did(&room(), with(50));
    plant.did(&room(), with(1));
}

#[test]
fn a_set_up_stays_within_the_rated_speed() {
    let plant = Plant::furnished();
    let at = |speed: u32| {
        let mut command = set_up("ST-1", CODED);
        let Command::SetUpStation { speed_labels_per_min, .. } = &mut command else { unreachable!() };
        *speed_labels_per_min = speed;
        command
    };
    plant.clone().did(&room(), at(1_000));
    plant.clone().did(&room(), at(1));
    plant.clone().refuses(&room(), at(1_001), "too-fast");
    plant.clone().refuses(&room(), at(0), "too-fast");
    plant.clone().refuses(&room(), set_up("ST-1", "L-999-A"), "no-such-item");
}

#[test]
fn every_change_of_a_station_makes_a_challenge_due_and_cleaning_does_not() {
    let changes: [(&str, fn(&mut Plant)); 4] = [
        ("it was set up anew", |plant| {
            plant.did(&room(), set_up("ST-1", CODED));
        }),
        ("another plugin reads it", |plant| {
            plant.did(&supervisor(), bind("ST-1", "P-000001"));
        }),
        ("it was repaired", |plant| {
            plant.did(&room(), work("ST-1", StationWork::Repair));
        }),
        ("it was moved", |plant| {
            plant.did(&room(), work("ST-1", StationWork::Move));
        }),
    ];
    for (why, change) in changes {
        let mut plant = Plant::ready();
        assert_eq!(plant.station("ST-1").why_challenge(plant.now()), None);
        change(&mut plant);
        assert_eq!(plant.station("ST-1").why_challenge(plant.now()).as_deref(), Some(why));
        plant.refuses(&room(), open_incoming("ST-1", "R-1"), "challenge-due");
        plant.challenged("ST-1");
        plant.did(&room(), open_incoming("ST-1", "R-1"));
    }
    let mut plant = Plant::ready();
    plant.makes(&room(), work("ST-1", StationWork::Cleaning), &["station.work_logged ST-1"]);
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn nothing_that_needs_a_challenge_is_done_while_rolls_wait_for_the_closing_one() {
    // Else a repair between the counts and their closing challenge would hide what was wrong.
    let changes: [(fn() -> tallyseal_schema::By, fn() -> Command); 4] = [
        (room, || set_up("ST-1", CODED)),
        (supervisor, || bind("ST-1", "P-000001")),
        (room, || work("ST-1", StationWork::Repair)),
        (room, || work("ST-1", StationWork::Move)),
    ];
    let mut signed = Plant::ready();
    signed.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    let mut unsigned = Plant::ready();
    unsigned.counted("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    for (by, command) in changes {
        for plant in [&signed, &unsigned] {
            let mut plant = plant.clone();
            plant.refuses(&by(), command(), "closing-challenge-first");
            plant.clone().did(&room(), work("ST-1", StationWork::Cleaning));
            plant.challenged("ST-1");
            plant.did(&by(), command());
        }
    }
    // A count that was given up leaves nothing to be closed.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.did(&room(), crate::testing::abort(&count));
    plant.did(&room(), set_up("ST-1", CODED));
}

#[test]
fn a_link_that_comes_and_goes_is_told_once_each_time() {
    let mut plant = Plant::ready();
    let lose = || Command::LoseLink { station: id("ST-1"), link: "main".to_owned(), cause: "reset by peer".to_owned() };
    let restore = || Command::RestoreLink { station: id("ST-1"), link: "main".to_owned() };
    plant.makes(&system(), restore(), &[]);
    plant.makes(&system(), lose(), &["station.link_lost ST-1"]);
    plant.makes(&system(), lose(), &[]);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "link-down");
    plant.makes(&system(), restore(), &["station.link_up ST-1"]);
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    let count_lost = format!("count.link_lost {count}");
    let exception = format!("count.exception_found {count}");
    plant.makes(&system(), lose(), &["station.link_lost ST-1", &count_lost, &exception]);
    plant.makes(&system(), restore(), &["station.link_up ST-1", &format!("count.link_restored {count}")]);
}

#[test]
fn a_link_that_flaps_does_not_fill_the_count_with_exceptions() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    for _ in 0..150 {
        let cause = "x".repeat(10_000);
        plant.did(&system(), Command::LoseLink { station: id("ST-1"), link: "main".to_owned(), cause });
        plant.did(&system(), Command::RestoreLink { station: id("ST-1"), link: "main".to_owned() });
    }
    let exceptions = plant.log.iter().filter(|entry| entry.header.kind == "count.exception_found");
    assert_eq!(exceptions.count(), 100);
    assert!(plant.count_state(&count).in_doubt());
}

#[test]
fn a_test_roll_is_certified_by_quality_and_not_by_whoever_registered_it() {
    let mut plant = Plant::furnished();
    let expires = tomorrow(&plant);
    plant.makes(&all_hats(Role::Supervisor), test_roll("T-2", 51, &[], expires), &["test_roll.registered T-2"]);
    plant.refuses(&all_hats(Role::Reviewer), certify("T-2"), "same-person");
    plant.makes(&reviewer(), certify("T-2"), &["test_roll.certified T-2", "\"test roll certified\" T-2"]);
    plant.refuses(&second_reviewer(), certify("T-2"), "already-certified");
    plant.makes(&supervisor(), withdraw("T-2"), &["test_roll.withdrawn T-2"]);
    plant.refuses(&supervisor(), withdraw("T-2"), "test-roll-withdrawn");
    plant.refuses(&reviewer(), certify("T-2"), "test-roll-ended");
}

#[test]
fn a_certificate_says_something_and_lies_in_its_ranges() {
    let plant = Plant::furnished();
    let now = plant.now();
    let expires = tomorrow(&plant);
    let faults = |number: u32| vec![(FaultKind::Splice, number)];
    plant.clone().refuses(&supervisor(), test_roll("T-2", 0, &[], expires), "nothing-certified");
    plant.clone().refuses(&supervisor(), test_roll("T-2", 51, &[], now), "in-the-past");
    plant.clone().did(&supervisor(), test_roll("T-2", 1, &[], now.plus_micros(1)));
    plant.clone().refuses(&supervisor(), test_roll("T-2", 51, &faults(0), expires), "fault-on-test-roll");
    plant.clone().refuses(
        &supervisor(),
        test_roll("T-2", 51, &[(FaultKind::WebBreak, 1)], expires),
        "fault-on-test-roll",
    );
    plant.clone().did(&supervisor(), test_roll("T-2", 51, &faults(1_000), expires));
    plant.clone().refuses(&supervisor(), test_roll("T-2", 51, &faults(1_001), expires), "out-of-range");
    plant.clone().refuses(&supervisor(), test_roll("T-1", 51, &[], expires), "id-in-use");
}

#[test]
fn two_test_rolls_in_use_never_hold_the_same_number() {
    let mut plant = Plant::furnished();
    let expires = tomorrow(&plant);
    plant.refuses(&supervisor(), test_roll("T-2", CERTIFIED, &[], expires), "same-certified-number");
    plant.did(&supervisor(), withdraw("T-1"));
    plant.did(&supervisor(), test_roll("T-2", CERTIFIED, &[], expires));
}

#[test]
fn a_test_roll_proves_something_only_while_it_is_certified_and_in_date() {
    let mut plant = Plant::ready();
    let expires = plant.minutes_later(60);
    plant.did(&supervisor(), test_roll("T-2", 51, &[(FaultKind::Splice, 1), (FaultKind::WrongCode, 1)], expires));
    let run = || open_challenge("ST-1", "T-2", Direction::Forward);
    plant.refuses(&room(), run(), "test-roll-not-certified");
    plant.did(&reviewer(), certify("T-2"));
    plant.clone().did(&room(), run());
    let mut withdrawn = plant.clone();
    withdrawn.did(&supervisor(), withdraw("T-2"));
    withdrawn.refuses(&room(), run(), "test-roll-withdrawn");
    plant.wait_until(expires);
    plant.clone().did(&room(), run());
    plant.wait_until(expires.plus_micros(1));
    plant.refuses(&room(), run(), "test-roll-expired");
    plant.refuses(&room(), open_challenge("ST-1", "T-9", Direction::Forward), "no-such-test-roll");
}

#[test]
fn a_test_roll_carries_every_fault_that_the_set_up_relies_on() {
    let mut plant = Plant::ready();
    let expires = tomorrow(&plant);
    plant.did(&supervisor(), test_roll("T-2", 51, &[(FaultKind::Splice, 1)], expires));
    plant.did(&reviewer(), certify("T-2"));
    plant.refuses(&room(), open_challenge("ST-1", "T-2", Direction::Forward), "test-roll-lacks-fault");
    // What it lacks does not matter where the item does not rely on it.
    let draft =
        tallyseal_schema::kinds::ItemDrafted { relies_on: [FaultKind::Splice].into(), ..item_draft("L-300", "A") };
    plant.did(&supervisor(), Command::DraftItem { item: id("L-300-A"), draft: Box::new(draft) });
    plant.did(&reviewer(), Command::ApproveItem { item: id("L-300-A"), specimen: crate::testing::specimen() });
    plant.did(&room(), clear_bench("ST-1"));
    plant.did(&room(), set_up("ST-1", "L-300-A"));
    let count = plant.opened(&room(), open_challenge("ST-1", "T-2", Direction::Forward));
    plant.says("ST-1", &count, &run_of(51, Some(CODE), &[(3, FaultKind::Splice)]));
    plant.did(&room(), close(&count));
}

#[test]
fn a_station_is_found_while_it_counts() {
    let keys = |plant: &Plant| {
        plant.record("station/ST-1").keys(&id("station/ST-1")).into_iter().map(|key| key.0).collect::<Vec<_>>()
    };
    assert_eq!(keys(&Plant::ready()), ["thing=station"]);
    assert_eq!(keys(&counting()), ["station.counting=yes", "thing=station"]);
}
