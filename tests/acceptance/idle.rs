//! A session that nobody uses is locked, and nobody can switch that off.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::{Value, json};
use tallyseal_machines::table::Direction;
use tallyseal_tests::api::{Answer, Client, act};
use tallyseal_tests::plant::{Plant, password, plain_run};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::binary;

/// So short a limit is for tests only. Unit: seconds.
const SOON: [&str; 2] = ["--idle-lock-seconds", "3"];

fn unlock(client: &Client, account: &str, password: &str) -> Answer {
    let given = json!({ "account": account, "password": password });
    client.send("POST", "/api/session/unlock", Some(&given))
}

fn session(plant: &Plant, account: &str) -> String {
    let all = plant.who("auditor").get("/api/things/session").good();
    let all = all["things"].as_array().unwrap();
    let last = all.iter().rfind(|thing| thing["state"]["account"] == account && thing["state"]["ended"].is_null());
    last.unwrap()["stream"].as_str().unwrap().to_owned()
}

/// Does `work` while these people look at a page every moment, so that they stay in.
fn while_used<T>(people: &[&Client], work: impl FnOnce() -> T) -> T {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let over = &over;
        for client in people {
            scope.spawn(move || {
                while !over.load(Ordering::Relaxed) {
                    client.get("/api/session");
                    std::thread::sleep(Duration::from_millis(200));
                }
            });
        }
        // Also where the work fails: else its test would never end.
        struct Over<'a>(&'a AtomicBool);
        impl Drop for Over<'_> {
            fn drop(&mut self) {
                self.0.store(true, Ordering::Relaxed);
            }
        }
        let _over = Over(over);
        work()
    })
}

fn is_locked(plant: &Plant, session: &str) -> bool {
    plant.who("auditor").thing(session).good()["state"]["locked"] == json!(true)
}

#[test]
fn a_session_that_nobody_uses_is_locked_and_its_person_opens_it_again() {
    let mut plant = Plant::stocked();
    std::thread::sleep(Duration::from_secs(3));
    plant.restart_saying(&SOON);
    let (auditor, room) = (plant.who("auditor"), plant.who("label_room"));
    // A restart makes nobody younger: all of them had been away for longer than that.
    assert_eq!(auditor.get("/api/session").refused(423), "session-locked");
    unlock(auditor, "U-0006", &password("U-0006")).good();
    while_used(&[auditor], || {
        let session = session(&plant, "U-0004");
        plant.wait_for("the lock", || is_locked(&plant, &session));
        unlock(room, "u-0004 ", &password("U-0004")).good();
        room.act("move_roll", &json!({ "roll": "R-1", "place": "shelf 1" })).good();
        // Whoever uses it stays in.
        for _ in 0..20 {
            room.get("/api/session").good();
            std::thread::sleep(Duration::from_millis(200));
        }
        // Nobody asks anything of it now, and it is locked all the same.
        plant.wait_for("the lock", || is_locked(&plant, &session));
        let locked = plant.stream(&session).pop().unwrap();
        assert_eq!((&locked["kind"], &locked["by"]), (&json!("session.locked"), &json!({ "system": "idle-lock" })));
        assert!((3..=20).contains(&locked["body"]["idle_seconds"].as_u64().unwrap()), "{locked}");

        let size = plant.size();
        for page in ["/api/session", "/api/things/roll", "/api/things/roll/R-1", "/api/entries", "/api/checkpoint"] {
            assert_eq!(room.get(page).refused(423), "session-locked", "{page}");
        }
        assert_eq!(room.get("/api/proofs/0").refused(423), "session-locked");
        let moved = json!({ "roll": "R-1", "place": "shelf 2" });
        for role in ["label_room", "reviewer"] {
            // Whichever role is asked for: nothing is learned of it.
            assert_eq!(room.in_role(role).act("move_roll", &moved).refused(423), "session-locked");
        }
        assert_eq!(room.sign("sign_count", &json!({ "count": "C-000001" })).refused(423), "session-locked");
        let bodies = [
            ("/api/password", json!({ "current": password("U-0004"), "new": "another password, and a long one" })),
            ("/api/exports", json!({ "record": "roll/R-1", "role": "label_room" })),
            ("/api/plugins", json!({ "act": act(), "role": "supervisor", "files": {} })),
        ];
        for (page, body) in bodies {
            assert_eq!(room.send("POST", page, Some(&body)).refused(423), "session-locked", "{page}");
        }
        assert_eq!(plant.size(), size, "what is asked in a locked session does not grow the book");
        assert_eq!(plant.roll("R-1")["place"], "shelf 1");

        let receipt = unlock(room, "U-0004", &password("U-0004")).good();
        assert_eq!(receipt["entries"][0]["kind"], "session.unlocked");
        room.act("move_roll", &moved).good();
        assert_eq!(unlock(room, "U-0004", &password("U-0004")).refused(409), "not-locked");
        // The way out is open from a locked one as well.
        plant.wait_for("the lock", || is_locked(&plant, &session));
        room.send("DELETE", "/api/session", None).good();
        assert_eq!(room.get("/api/session").refused(401), "signed-out");
        assert_eq!(unlock(room, "U-0004", &password("U-0004")).refused(401), "signed-out");
    });
    plant.end();
}

#[test]
fn wrong_passwords_at_a_locked_session_count_as_everywhere() {
    let mut plant = Plant::with_people();
    plant.restart_saying(&SOON);
    let auditor = plant.who("auditor").clone();
    // Locked already, or just about to be: both answers are good ones.
    unlock(&auditor, "U-0006", &password("U-0006"));
    while_used(&[&auditor], || {
        let clients: Vec<Client> = (0..3)
            .map(|_| Client::sign_in(plant.url(), "U-0007", &password("U-0007"), "label_room").unwrap())
            .collect();
        let sessions: Vec<String> = clients
            .iter()
            .map(|client| format!("session/{}", client.get("/api/session").good()["session"].as_str().unwrap()))
            .collect();
        for session in &sessions {
            plant.wait_for("the lock", || is_locked(&plant, session));
        }
        // Another person's account opens nothing here, though its password is right.
        assert_eq!(unlock(&clients[0], "U-0004", &password("U-0004")).refused(401), "wrong-password");
        let last = plant.stream(&sessions[0]).pop().unwrap();
        assert_eq!(last["kind"], "session.password_refused");
        assert_eq!(last["body"], json!({ "failures": 1, "purpose": "unlock" }));
        for failures in 2..=5 {
            let answer = unlock(&clients[0], "U-0007", "not the password at all");
            assert_eq!(answer.refused(401), "wrong-password", "{failures}");
        }
        let last = plant.stream(&sessions[0]).pop().unwrap();
        assert_eq!((&last["kind"], &last["body"]), (&json!("session.ended"), &json!({ "cause": "failures" })));
        assert_eq!(unlock(&clients[0], "U-0007", &password("U-0007")).refused(401), "signed-out");
        // Guessing on in the next one is guessing all the same: the account is locked at the tenth.
        for _ in 0..5 {
            let answer = unlock(&clients[1], "U-0007", "not the password at all");
            assert_eq!(answer.refused(401), "wrong-password");
        }
        let locked = plant.stream("account/U-0007").pop().unwrap();
        assert_eq!((&locked["kind"], &locked["body"]["failures"]), (&json!("account.locked"), &json!(10)));
        assert_eq!(unlock(&clients[2], "U-0007", &password("U-0007")).refused(429), "locked");
    });
    plant.end();
}

#[test]
fn a_locked_session_stops_neither_a_machine_nor_a_count() {
    let mut plant = Plant::ready();
    plant.restart_saying(&SOON);
    let (auditor, room) = (plant.who("auditor").clone(), plant.who("label_room").clone());
    unlock(&auditor, "U-0006", &password("U-0006"));
    unlock(&room, "U-0004", &password("U-0004"));
    while_used(&[&auditor], || {
        let session = session(&plant, "U-0004");
        let count = while_used(&[&room], || {
            plant.wait_for_link(true);
            plant.open_count("roll/R-1", "incoming", Direction::Forward)
        });
        plant.wait_for("the lock", || is_locked(&plant, &session));
        plant.run_table(plain_run(40));
        let state = || plant.state("count", &count);
        plant.wait_for("the table's last word", || state()["roll_end"] == json!(true) && state()["ticket"].is_number());
        assert_eq!(state()["status"], "open");
        let close = json!({ "count": count });
        assert_eq!(room.act("close_count", &close).refused(423), "session-locked");
        assert_eq!(state()["status"], "open");
        unlock(&room, "U-0004", &password("U-0004")).good();
        room.act("close_count", &close).good();
        let kinds: Vec<Value> = plant.stream(&format!("count/{count}")).iter().map(|one| one["kind"].clone()).collect();
        let all: Vec<&str> = kinds.iter().map(|kind| kind.as_str().unwrap()).collect();
        assert_eq!((all.first(), all.last()), (Some(&"count.opened"), Some(&"count.closed")), "{all:?}");
        assert!(!all.contains(&"count.link_lost"), "{all:?}");
    });
    plant.end();
}

#[test]
fn the_idle_lock_cannot_be_switched_off() {
    let mut plant = Plant::with_people();
    plant.stop();
    let start = |more: &[&str]| {
        let dir = plant.book.dir();
        match Server::try_start_at(&dir, &binary("tallyseal"), &[], "127.0.0.1:0", more) {
            Ok(server) => {
                server.stop();
                String::new()
            }
            Err(said) => said,
        }
    };
    for minutes in ["0", "61", "-1", "never", "1440", ""] {
        let said = start(&[&format!("--idle-lock-minutes={minutes}")]);
        assert!(said.starts_with("exit 2: ") && said.contains("--idle-lock-minutes"), "{minutes}: {said}");
    }
    for seconds in ["0", "3601"] {
        let said = start(&[&format!("--idle-lock-seconds={seconds}")]);
        assert!(said.starts_with("exit 2: ") && said.contains("--idle-lock-seconds"), "{seconds}: {said}");
    }
    for minutes in ["1", "60"] {
        assert_eq!(start(&[&format!("--idle-lock-minutes={minutes}")]), "");
    }
    plant.end();
}
