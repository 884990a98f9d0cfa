//! Machines and plugins that say what they should not: it is kept, it is said so, and no number is invented.

use std::io::Write as _;
use std::net::TcpListener;
use std::path::PathBuf;

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Disturbance, RollRun, Speed, Trouble};
use tallyseal_tests::api::act;
use tallyseal_tests::plant::{CODE, Plant, plain_run, plugin_files};
use tallyseal_tests::top;

fn disturbed(after: u32, trouble: Trouble) -> RollRun {
    RollRun { disturbances: vec![Disturbance { after, trouble }], ..plain_run(500) }
}

/// How often each check found an exception on a count.
fn exceptions(plant: &Plant, count: &str) -> Value {
    plant.count_state(count)["exceptions"].clone()
}

/// The text of the first exception of that check on a count.
#[track_caller]
fn exception_text(plant: &Plant, count: &str, check: &str) -> String {
    let entries = plant.stream(&format!("count/{count}"));
    let found =
        entries.iter().find(|entry| entry["kind"] == "count.exception_found" && entry["body"]["check"] == check);
    found.unwrap_or_else(|| panic!("no {check} on {count}"))["body"]["text"].as_str().unwrap().to_owned()
}

#[test]
fn what_the_table_says_after_a_count_was_closed_is_kept_apart_and_changes_nothing() {
    let plant = Plant::ready();
    let count = plant.run("roll/R-1", "incoming", &plain_run(500));
    let before = plant.stream(&format!("count/{count}"));
    let state = plant.count_state(&count);
    // Somebody winds the roll back without having opened a count.
    plant.run_table(RollRun { direction: Direction::Rewind, ..plain_run(500) });
    let strays = || -> Vec<Value> {
        plant.stream("station/T-1").into_iter().filter(|entry| entry["kind"] == "station.stray_captured").collect()
    };
    // The table's lines of that run, each of them kept.
    let bytes = |strays: &[Value]| strays.iter().map(|entry| entry["body"]["length"].as_u64().unwrap()).sum::<u64>();
    plant.wait_for("the stray bytes", || bytes(&strays()) > 14_000);
    for stray in strays() {
        assert_eq!(stray["body"]["after"], format!("count/{count}"));
        assert_eq!(stray["by"]["station"], "T-1");
    }
    assert_eq!(plant.stream(&format!("count/{count}")), before);
    assert_eq!(plant.count_state(&count), state);
    plant.who("label_room").sign("sign_count", &json!({ "count": count })).good();
    // What strayed before a count was opened does not run into it either.
    plant.signed_run("roll/R-1", "incoming", &RollRun { direction: Direction::Rewind, ..plain_run(500) });
    assert_eq!(plant.roll("R-1")["settled"]["on_roll"], 500);
    plant.end();
}

#[test]
fn a_garbled_line_is_kept_as_unreadable_and_questions_the_count() {
    let plant = Plant::ready();
    let count = plant.run("roll/R-1", "incoming", &disturbed(249, Trouble::GarbleLine));
    let found = exceptions(&plant, &count);
    assert_eq!(found["unreadable"], 1, "{found}");
    assert_eq!(found["ordinal_gap"], 1, "{found}");
    assert_eq!(found["total_against_labels"], 1, "{found}");
    assert!(exception_text(&plant, &count, "unreadable").starts_with("Bytes "));
    // The machine's own total stands as its total; nothing is made up for the label that was not seen.
    let state = plant.count_state(&count);
    assert_eq!((&state["labels"], &state["labels_seen"]), (&json!(500), &json!(499)));
    plant.who("label_room").sign("sign_count", &json!({ "count": count })).good();
    assert_eq!(plant.roll("R-1")["counts"][0]["in_doubt"], true);
    plant.end();
}

#[test]
fn a_line_without_an_end_is_cut_kept_and_said_to_be_unreadable() {
    let plant = Plant::ready();
    let count = plant.run("roll/R-1", "incoming", &disturbed(250, Trouble::Endless(300_000)));
    let found = exceptions(&plant, &count);
    assert!(found["unreadable"].as_u64().unwrap() >= 1, "{found}");
    assert!(found["unreadable"].as_u64().unwrap() <= 100, "the same is not said without end: {found}");
    let state = plant.count_state(&count);
    assert_eq!(state["labels"], 500);
    assert!(state["bytes"]["tcp-out"].as_u64().unwrap() > 300_000, "every byte is kept: {state}");
    plant.end();
}

#[test]
fn half_a_line_before_a_cut_is_not_joined_to_what_comes_after_it() {
    let plant = Plant::stocked();
    let machine = TcpListener::bind("127.0.0.1:0").unwrap();
    plant.machine_at("P-000001", &machine.local_addr().unwrap().to_string());
    plant.set_up();
    let open =
        json!({ "station": "T-1", "roll": "test_roll/TR-1", "purpose": "qualification", "direction": "forward" });
    let count = plant.who("label_room").act("open_count", &open).made();
    let line = |body: String| format!("{body};{:02X}\r\n", body.bytes().fold(0, |sum, byte| sum ^ byte));
    let label = |ordinal: u32| line(format!("L;{ordinal:06};{CODE}"));

    let (mut link, _) = machine.accept().unwrap();
    let before: String = ["Z", "S"].map(|body| line(body.to_owned())).into_iter().chain((1..=10).map(label)).collect();
    let cut = label(11);
    let (half, rest) = cut.split_at(12);
    link.write_all((before + half).as_bytes()).unwrap();
    drop(link);
    let (mut link, _) = machine.accept().unwrap();
    let end = ["E;000020", "H;000020;E", "C;000020", "T;000020;J000;M000;U000;W000"].map(|body| line(body.to_owned()));
    let after: String = (12..=20).map(label).chain(end).collect();
    link.write_all((rest.to_owned() + &after).as_bytes()).unwrap();
    plant.wait_for_end(&count);
    plant.who("label_room").act("close_count", &json!({ "count": count })).good();

    let state = plant.count_state(&count);
    let found = json!({ "link_lost": 1, "ordinal_gap": 1, "total_against_labels": 1, "unreadable": 2 });
    assert_eq!((&state["labels_seen"], &state["exceptions"]), (&json!(19), &found));
    // What came before the cut stands before it in the record.
    let kinds = plant.kinds(&format!("count/{count}"));
    let at = |wanted: &str| kinds.iter().position(|kind| kind == wanted).unwrap();
    assert!(at("count.segment_captured") < at("count.link_lost"), "{kinds:?}");
    plant.end();
}

#[test]
fn dropped_bytes_leave_a_gap_that_is_seen() {
    let plant = Plant::ready();
    let count = plant.run("roll/R-1", "incoming", &disturbed(250, Trouble::DropBytes(200)));
    let found = exceptions(&plant, &count);
    for check in ["unreadable", "ordinal_gap", "total_against_labels"] {
        assert_eq!(found[check], 1, "{check} in {found}");
    }
    plant.end();
}

#[test]
fn dropped_last_words_leave_the_count_open_until_it_is_interrupted() {
    let plant = Plant::ready();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(disturbed(500, Trouble::DropBytes(1_000)));
    plant.wait_for("the labels before", || plant.count_state(&count)["labels_seen"] == json!(500));
    let operator = plant.who("label_room");
    assert_eq!(operator.act("close_count", &json!({ "count": count })).refused(409), "roll-not-ended");
    operator.act("interrupt_count", &json!({ "count": count, "cause": "the last words are missing" })).good();
    plant.end();
}

#[test]
fn alarms_and_overspeed_are_exceptions_in_the_machines_words() {
    let plant = Plant::ready();
    let alarm = Trouble::Alarm("E07".to_owned(), "take-up disc slips".to_owned());
    let run = RollRun { speed: Speed::LabelsPerMinute(60_000), ..disturbed(100, alarm) };
    let count = plant.run("roll/R-1", "incoming", &run);
    assert_eq!(exceptions(&plant, &count), json!({ "alarm": 1, "overspeed": 1 }));
    assert!(exception_text(&plant, &count, "alarm").contains("take-up disc slips"));
    assert!(exception_text(&plant, &count, "overspeed").contains("60000"), "the speed is said");
    plant.end();
}

#[test]
fn a_machine_that_falls_silent_in_mid_count_is_an_exception() {
    let plant = Plant::ready();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    // The link comes back, the machine does not.
    plant.run_table(disturbed(100, Trouble::CutLink { lines_lost: u32::MAX }));
    plant.wait_for("the silence", || exceptions(&plant, &count)["silence"] == json!(1));
    assert!(exception_text(&plant, &count, "silence").contains("seconds"));
    let lost = json!({ "count": count, "cause": "the table stands still" });
    plant.who("label_room").act("interrupt_count", &lost).good();
    plant.end();
}

#[test]
fn a_plugin_that_fails_its_own_samples_or_never_matches_is_not_drafted() {
    let plant = Plant::with_people();
    let supervisor = plant.who("supervisor");
    let misbehaving = top().join("plugins/misbehaving");
    let mut folders: Vec<PathBuf> =
        std::fs::read_dir(&misbehaving).unwrap().map(|entry| entry.unwrap().path()).collect();
    folders.retain(|path| path.is_dir());
    assert!(folders.len() >= 15, "{folders:?}");
    let before = plant.size();
    for folder in &folders {
        let body = json!({ "act": act(), "role": "supervisor", "files": plugin_files(folder.to_str().unwrap()) });
        let problem = supervisor.send("POST", "/api/plugins", Some(&body)).problem(422, "invalid");
        // The report says which part is wrong, in the words that the folder expects.
        let expected = std::fs::read_to_string(folder.join("refused.txt")).unwrap();
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains(expected.trim()), "{}: {detail}", folder.display());
    }
    assert_eq!(plant.size(), before, "nothing of them is in the book");
    plant.end();
}

#[test]
fn a_plugin_is_drafted_once_and_a_change_needs_a_new_version() {
    let plant = Plant::with_people();
    let supervisor = plant.who("supervisor");
    let draft = |files: &Value| {
        let body = json!({ "act": act(), "role": "supervisor", "files": files });
        supervisor.send("POST", "/api/plugins", Some(&body))
    };
    let good = plugin_files("plugins/ticket-line");
    let plugin = draft(&good).made();
    assert_eq!(draft(&good).refused(409), "plugin-known");
    let mut changed = good.clone();
    changed["readme.md"] = json!(tallyseal_schema::canonical::base64(b"Another text.\n"));
    assert_eq!(draft(&changed).refused(409), "version-known");
    // Nothing but files with good names and good base64 is taken.
    let mut broken = good.clone();
    broken["readme.md"] = json!("no base64!");
    assert_eq!(draft(&broken).refused(422), "invalid");
    let mut outside = good.clone();
    outside["../../etc/passwd"] = good["readme.md"].clone();
    assert_eq!(draft(&outside).refused(422), "invalid");
    assert_eq!(draft(&json!({})).refused(422), "invalid");
    // A draft reads no station.
    let station = json!({
        "station": "T-1", "name": "Table 1", "place": "label room", "rated_labels_per_min": 1_200,
        "challenge_interval_min": 480, "link": { "kind": "tcp-out", "address": "127.0.0.1:9" },
    });
    supervisor.act("register_station", &station).good();
    let bind = json!({ "station": "T-1", "plugin": plugin });
    assert_eq!(supervisor.act("bind_plugin", &bind).refused(409), "plugin-not-approved");
    plant.who("reviewer").sign("approve_plugin", &json!({ "plugin": plugin })).good();
    supervisor.act("bind_plugin", &bind).good();
    plant.end();
}

#[test]
fn a_station_that_gets_a_new_plugin_version_is_read_with_it_at_once() {
    let plant = Plant::ready();
    let (supervisor, reviewer) = (plant.who("supervisor"), plant.who("reviewer"));
    let mut files = plugin_files("plugins/ticket-line");
    let text = std::fs::read_to_string(top().join("plugins/ticket-line/plugin.toml")).unwrap();
    let newer = text.replace("version = \"1.0.0\"", "version = \"1.0.1\"");
    files["plugin.toml"] = json!(tallyseal_schema::canonical::base64(newer.as_bytes()));
    let body = json!({ "act": act(), "role": "supervisor", "files": files });
    let plugin = supervisor.send("POST", "/api/plugins", Some(&body)).made();
    reviewer.sign("approve_plugin", &json!({ "plugin": plugin })).good();
    supervisor.act("bind_plugin", &json!({ "station": "T-1", "plugin": plugin })).good();
    let digest = supervisor.thing(&format!("plugin/{plugin}")).good()["state"]["digest"].clone();

    assert_eq!(plant.challenge("after_work"), "station.challenge_passed");
    let count = plant.signed_run("roll/R-1", "incoming", &plain_run(500));
    let entries = plant.stream(&format!("count/{count}"));
    let captured: Vec<&Value> = entries.iter().filter(|entry| entry["kind"] == "count.segment_captured").collect();
    assert!(!captured.is_empty() && captured.iter().all(|entry| entry["by"]["plugin"] == digest), "{captured:?}");
    plant.end();
}

#[test]
fn what_an_idle_machine_says_while_its_plugin_is_changed_is_all_kept() {
    let plant = Plant::stocked();
    let (supervisor, reviewer) = (plant.who("supervisor"), plant.who("reviewer"));
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    plant_machine(&plant, &listener.local_addr().unwrap().to_string());
    let mut files = plugin_files("plugins/ticket-line");
    let text = std::fs::read_to_string(top().join("plugins/ticket-line/plugin.toml")).unwrap();
    let newer = text.replace("version = \"1.0.0\"", "version = \"1.0.1\"");
    files["plugin.toml"] = json!(tallyseal_schema::canonical::base64(newer.as_bytes()));
    let body = json!({ "act": act(), "role": "supervisor", "files": files });
    let plugin = supervisor.send("POST", "/api/plugins", Some(&body)).made();
    reviewer.sign("approve_plugin", &json!({ "plugin": plugin })).good();

    let (mut machine, _) = listener.accept().unwrap();
    plant.wait_for_link(true);
    let done = std::sync::atomic::AtomicBool::new(false);
    let said = std::thread::scope(|scope| {
        let talking = scope.spawn(|| {
            let mut said = 0_u64;
            while !done.load(std::sync::atomic::Ordering::Relaxed) {
                // What nobody understands is not held back for a second, as labels are.
                let line = b"noise that no plugin knows\r\n";
                machine.write_all(line).unwrap();
                said += line.len() as u64;
                std::thread::park_timeout(std::time::Duration::from_micros(300));
            }
            said
        });
        for round in 0..10 {
            let plugin = if round % 2 == 0 { plugin.as_str() } else { "P-000001" };
            supervisor.act("bind_plugin", &json!({ "station": "T-1", "plugin": plugin })).good();
        }
        done.store(true, std::sync::atomic::Ordering::Relaxed);
        talking.join().unwrap()
    });
    let of = |kind: &str| -> Vec<Value> {
        plant.stream("station/T-1").into_iter().filter(|entry| entry["kind"] == kind).collect()
    };
    let kept =
        || -> u64 { of("station.stray_captured").iter().map(|stray| stray["body"]["length"].as_u64().unwrap()).sum() };
    let lost = of("station.link_lost").len();
    plant.wait_for("the last bytes", || kept() >= said || of("station.link_lost").len() > lost);
    assert_eq!(kept(), said);
    plant.end();
}

fn plant_machine(plant: &Plant, address: &str) {
    let link = json!({ "kind": "tcp-out", "address": address });
    let station = json!({
        "station": "T-1", "name": "Table 1", "place": "label room", "rated_labels_per_min": 1_200,
        "challenge_interval_min": 480, "link": link,
    });
    plant.who("supervisor").act("register_station", &station).good();
    plant.who("supervisor").act("bind_plugin", &json!({ "station": "T-1", "plugin": "P-000001" })).good();
}
