//! A server's life: starting, being in the way of another, ending, and what stands afterwards.

use serde_json::json;
use tallyseal_machines::table::Direction;
use tallyseal_tests::api::{act, push};
use tallyseal_tests::plant::{Plant, plain_run};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{binary, verify};
use tempfile::TempDir;

/// What a server said that did not serve.
#[track_caller]
fn refused(started: Result<Server, String>) -> String {
    match started {
        Ok(server) => panic!("it serves at {}", server.url),
        Err(said) => said,
    }
}

#[test]
fn a_second_server_on_a_book_is_refused_and_names_the_first() {
    let plant = Plant::with_people();
    let dir = plant.book.dir();
    let before = plant.size();
    let said = refused(Server::try_start(&dir, &binary("tallyseal"), &[]));
    let process = plant.server.as_ref().unwrap().process();
    assert!(said.starts_with("exit 2: "), "{said}");
    assert!(said.contains(&format!("process {process}")), "{said}");
    // The first one goes on, and its command line is still answered.
    plant.who("label_room").get("/api/session").good();
    assert_eq!(plant.size(), before);
    let key = tallyseal_tests::verifiers::tallyseal(["checkpoint", "--key", "--dir", dir.to_str().unwrap()]);
    assert_eq!(String::from_utf8(key.stdout).unwrap().trim(), plant.book.key);
    plant.end();
}

#[test]
fn an_address_that_others_can_reach_needs_a_proxy_in_front() {
    let mut plant = Plant::with_people();
    plant.stop();
    let dir = plant.book.dir();
    let start = |listen: &str, more: &[&str]| Server::try_start_at(&dir, &binary("tallyseal"), &[], listen, more);
    let entries = tallyseal_tests::book::entries(&dir).len();
    for listen in ["0.0.0.0:0", "[::]:0", "192.0.2.7:8460"] {
        let said = refused(start(listen, &[]));
        assert!(said.starts_with("exit 2: ") && said.contains("--behind-proxy"), "{listen}: {said}");
    }
    assert_eq!(tallyseal_tests::book::entries(&dir).len(), entries, "a start that was refused is not in the book");
    start("0.0.0.0:0", &["--behind-proxy"]).unwrap().stop();
    plant.end();
}

#[test]
fn a_server_that_cannot_listen_or_has_no_book_says_so_and_leaves_nothing() {
    let plant = Plant::with_people();
    let mut other = Plant::with_people();
    let taken = plant.url().trim_start_matches("http://").to_owned();
    let dir = other.book.dir();
    other.stop();
    let entries = tallyseal_tests::book::entries(&dir).len();
    let said = refused(Server::try_start_at(&dir, &binary("tallyseal"), &[], &taken, &[]));
    assert!(said.starts_with("exit 2: ") && said.contains(&taken), "{said}");
    assert_eq!(tallyseal_tests::book::entries(&dir).len(), entries, "a start that was refused is not in the book");
    other.end();
    let folder = TempDir::new().unwrap();
    let said = refused(Server::try_start(&folder.path().join("nothing"), &binary("tallyseal"), &[]));
    assert!(said.starts_with("exit 2: ") && said.contains("There is no book"), "{said}");
    assert!(!folder.path().join("nothing").exists());
    plant.end();
}

#[test]
fn an_orderly_end_leaves_a_checkpoint_of_the_whole_book() {
    let mut plant = Plant::stocked();
    plant.who("label_room").act("move_roll", &json!({ "roll": "R-1", "place": "shelf 1" })).good();
    plant.stop();
    let dir = plant.book.dir();
    let size = tallyseal_tests::book::entries(&dir).len();
    let kept = std::fs::read_to_string(dir.join(format!("checkpoints/000000000000/{size:016}"))).unwrap();
    assert_eq!(kept.lines().nth(1), Some(size.to_string().as_str()), "{kept}");
    // Kept elsewhere, it shows that nothing was cut off.
    let elsewhere = plant.book.folder.path().join("kept");
    std::fs::write(&elsewhere, &kept).unwrap();
    let verdict = verify(&dir, &["--key", &plant.book.key, "--checkpoint", elsewhere.to_str().unwrap()]);
    assert_eq!((verdict.code, verdict.report["trust"].as_str()), (0, Some("checkpoint")), "{}", verdict.report);
    assert!(!dir.join("control.sock").exists());
    plant.start();
    plant.who("label_room").act("move_roll", &json!({ "roll": "R-1", "place": "shelf 2" })).good();
    plant.end();
}

#[test]
fn a_server_that_was_ended_in_mid_count_says_what_may_be_missing_and_goes_on() {
    let mut plant = Plant::ready();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.stop();
    plant.start();
    // Whoever is answered first is told already.
    let state = plant.count_state(&count);
    plant.wait_for_link(true);
    assert_eq!(state["status"], "open");
    assert_eq!(state["exceptions"]["link_lost"], 1, "{state}");
    // It counts on; the number is questioned, as it must be.
    plant.run_table(plain_run(500));
    plant.wait_for_end(&count);
    plant.who("label_room").act("close_count", &json!({ "count": count })).good();
    plant.who("label_room").sign("sign_count", &json!({ "count": count })).good();
    assert_eq!(plant.roll("R-1")["counts"][0]["in_doubt"], true);
    plant.end();
}

#[test]
fn what_was_acknowledged_is_there_after_a_power_cut() {
    let mut plant = Plant::ready();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(plain_run(500));
    plant.wait_for_end(&count);
    let same = act();
    let close = json!({ "count": count });
    let closed = plant.who("label_room").order("close_count", &close, &same, &json!({}), None).good();
    plant.server.take().unwrap().kill();
    plant.start();
    let again = plant.who("label_room").order("close_count", &close, &same, &json!({}), None).good();
    assert_eq!((&again["repeated"], &again["leaf"]), (&json!(true), &closed["leaf"]));
    assert_eq!(plant.count_state(&count)["labels"], 500);
    plant.who("label_room").sign("sign_count", &close).good();
    plant.end();
}

#[test]
fn a_client_that_asks_while_the_server_ends_is_answered_or_can_ask_again() {
    let mut plant = Plant::stocked();
    let operator = plant.who("label_room").clone();
    let acts: Vec<String> = (0..40).map(|_| act()).collect();
    let moved = |place: usize| json!({ "roll": "R-1", "place": format!("shelf {place}") });
    let answered: Vec<bool> = std::thread::scope(|scope| {
        let sender = scope.spawn(|| {
            acts.iter()
                .enumerate()
                .map(|(place, act)| operator.order("move_roll", &moved(place), act, &json!({}), None).status == 200)
                .collect()
        });
        plant.wait_for("some acts", || plant.roll("R-1")["place"] != json!("cage"));
        plant.server.take().unwrap().stop();
        sender.join().unwrap()
    });
    plant.start();
    for (place, (act, answered)) in acts.iter().zip(&answered).enumerate() {
        let again = plant.who("label_room").order("move_roll", &moved(place), act, &json!({}), None).good();
        assert!(*answered <= again["repeated"].as_bool().unwrap(), "act {place} was acknowledged and is not there");
    }
    assert_eq!(plant.kinds("roll/R-1").iter().filter(|kind| *kind == "roll.moved").count(), 40);
    plant.end();
}

#[test]
fn a_client_that_hangs_up_before_the_answer_has_its_count_opened_all_the_same() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let command = json!({ "station": "T-1", "roll": "roll/R-1", "purpose": "incoming", "direction": "forward" });
    let body = json!({ "act": act(), "role": "label_room", "command": command }).to_string();
    let mut stream = operator.connection();
    push(&mut stream, operator.head("/api/acts/open_count", body.len()).as_bytes());
    push(&mut stream, body.as_bytes());
    drop(stream);
    plant.wait_for("the count", || plant.station()["open_count"].is_string());
    let count = plant.station()["open_count"].as_str().unwrap().trim_start_matches("count/").to_owned();
    // What the table says belongs to that count and strays nowhere.
    plant.run_table(plain_run(500));
    plant.wait_for_end(&count);
    operator.act("close_count", &json!({ "count": count })).good();
    assert_eq!(plant.count_state(&count)["labels_seen"], 500);
    plant.end();
}
