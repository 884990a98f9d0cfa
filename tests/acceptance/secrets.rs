//! Strangers leave one trace, and secrets none.

use std::path::Path;

use serde_json::{Value, json};
use tallyseal_tests::api::{Client, act};
use tallyseal_tests::plant::{Plant, grants, password};
use tallyseal_tests::server::{NewBook, Server};
use tallyseal_tests::verifiers::{all_hold_by, binary, tallyseal};

#[test]
fn strangers_are_summed_up_in_one_entry() {
    let mut plant = Plant::with_people();
    let size = plant.size();
    let stranger = Client::stranger(plant.url());
    for path in ["/api/session", "/api/entries", "/api/things/roll"] {
        assert_eq!(stranger.get(path).refused(401), "signed-out");
    }
    for account in ["U-0004", "U-9999"] {
        let answer = Client::sign_in(plant.url(), account, "not the password at all", "label_room").err().unwrap();
        assert_eq!(answer.refused(401), "wrong-password");
    }
    assert_eq!(stranger.with_token("a.b.c").get("/api/session").refused(401), "signed-out");
    assert_eq!(plant.size(), size, "a stranger does not grow the book");
    plant.stop();
    let entries = tallyseal_tests::book::entries(&plant.book.dir());
    let entries: Vec<Value> = entries.iter().map(|bytes| serde_json::from_slice(bytes).unwrap()).collect();
    let refused: Vec<&Value> = entries.iter().filter(|entry| entry["kind"] == "access.refused").collect();
    assert_eq!(refused.len(), 1);
    let body = &refused[0]["body"];
    assert_eq!((&body["count"], &body["source"]), (&json!(6), &json!("127.0.0.1")));
    assert!(body["from"].as_str().unwrap() < body["to"].as_str().unwrap(), "{body}");
    plant.end();
}

/// Every file below a folder, with its bytes.
fn files(folder: &Path, found: &mut Vec<(String, Vec<u8>)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else {
            found.push((path.display().to_string(), std::fs::read(&path).unwrap()));
        }
    }
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|window| window == part)
}

#[test]
fn a_secret_is_in_no_entry_no_log_no_error_and_no_copy() {
    let book = NewBook::open();
    let dir = book.dir();
    let server = Server::start_with(&dir, &binary("tallyseal"), &[("TALLYSEAL_LOG", "trace")]);
    let mut secrets: Vec<(&str, String)> =
        book.founders.iter().map(|founder| ("one-time secret", founder.secret.clone())).collect();
    let mut answers: Vec<Value> = Vec::new();

    let settle = |account: &str, secret: &str, role: &str| {
        let mut client = Client::sign_in(&server.url, account, secret, role).unwrap();
        client.set_password(&password(account)).good();
        client
    };
    let administrator = settle("U-0001", &book.founders[0].secret, "administrator");
    let reviewer = settle("U-0002", &book.founders[1].secret, "reviewer");
    administrator.sign("confirm_identity", &json!({ "account": "U-0002" })).good();
    reviewer.sign("confirm_identity", &json!({ "account": "U-0001" })).good();
    let enrol =
        json!({ "account": "U-0003", "name": "Person", "roles": grants(&["supervisor"]), "identity": "card seen" });
    let enrolling = act();
    let made = administrator.order("enrol_account", &enrol, &enrolling, &json!({}), None).good();
    let one_time = made["one_time_secret"].as_str().unwrap().to_owned();
    // Shown once: a retry gets the receipt without it, and the secret that was shown still is the one.
    let again = administrator.order("enrol_account", &enrol, &enrolling, &json!({}), None).good();
    assert_eq!((&again["repeated"], &again["one_time_secret"]), (&json!(true), &Value::Null));
    let supervisor = settle("U-0003", &one_time, "supervisor");
    secrets.push(("one-time secret", one_time));
    reviewer.sign("confirm_identity", &json!({ "account": "U-0003" })).good();
    supervisor
        .act("register_supplier", &json!({ "supplier": "SU-1", "name": "Printer", "site": "printing.example" }))
        .good();

    // Passwords given where they are wrong, in the wrong place, or in a request that makes no sense.
    let wrong = "a wrong but telling password";
    answers.push(Client::sign_in(&server.url, "U-0003", wrong, "supervisor").err().unwrap().body);
    answers.push(Client::sign_in(&server.url, wrong, wrong, "supervisor").err().unwrap().body);
    answers.push(
        supervisor.order("register_supplier", &json!({ "supplier": "SU-1" }), &act(), &json!({}), Some(wrong)).body,
    );
    let moved = json!({ "supplier": "SU-2", "name": "Other", "site": "other.example" });
    answers.push(supervisor.order("register_supplier", &moved, &act(), &json!({}), Some(wrong)).body);
    answers.push(supervisor.send("POST", "/api/password", Some(&json!({ "current": wrong, "new": "short" }))).body);
    answers.push(
        supervisor
            .send("POST", "/api/password", Some(&json!({ "current": wrong, "new": "another wrong but telling one" })))
            .body,
    );
    answers.push(supervisor.send("POST", "/api/password", Some(&json!({ "password": wrong }))).body);
    answers.push(supervisor.send_text("POST", "/api/session", &format!("{{\"password\":\"{wrong}\"")).body);
    secrets.push(("wrong password", wrong.to_owned()));
    secrets.push(("wrong password", "another wrong but telling one".to_owned()));
    for client in [&administrator, &reviewer, &supervisor] {
        secrets.push(("password", client.password.clone()));
        secrets.push(("token", client.token().to_owned()));
    }

    let copy = json!({ "record": "supplier/SU-1", "role": "supervisor" });
    let zip = supervisor.post_for_bytes("/api/exports", &copy).unwrap();
    let said = server.stop_and_tell();
    assert!(said.lines().count() > 20, "the log tells enough to be worth the search");
    let dump = tallyseal(["dump", "--dir", dir.to_str().unwrap()]);

    let mut places = vec![
        ("the log".to_owned(), said.into_bytes()),
        ("the sealed record".to_owned(), zip),
        ("the dump".to_owned(), dump.stdout),
        ("the answers".to_owned(), Value::Array(answers).to_string().into_bytes()),
    ];
    files(&dir, &mut places);
    assert!(places.iter().any(|(name, _)| name.ends_with("book.db")));
    // The server's own keys lie in their files and nowhere else.
    let (keys, others): (Vec<_>, Vec<_>) = places.iter().partition(|(name, _)| name.contains("/keys/"));
    assert_eq!(keys.len(), 3);
    for (name, bytes) in &places {
        for (what, secret) in &secrets {
            assert!(!holds(bytes, secret.as_bytes()), "a {what} is in {name}");
        }
    }
    for (key, bytes) in keys {
        let text = std::str::from_utf8(bytes).unwrap().trim();
        let raw = tallyseal_schema::canonical::unbase64(text).unwrap();
        for (name, bytes) in &others {
            assert!(!holds(bytes, text.as_bytes()) && !holds(bytes, &raw), "{key} is in {name}");
        }
    }
    all_hold_by(&dir, &book.key);
}
