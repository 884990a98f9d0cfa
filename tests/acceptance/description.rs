//! The description of the API says what the server does: it is a valid one, and what people say and hear fits it.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::process::Stdio;
use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use tallyseal_control::AUTHORITY;
use tallyseal_tests::api::Client;
use tallyseal_tests::openapi::MADE_HERE;
use tallyseal_tests::packing::{ORDER, Step, day};
use tallyseal_tests::plant::{Plant, password};
use tallyseal_tests::top;
use tallyseal_tests::verifiers::python;

fn kept() -> Value {
    serde_json::from_str(&std::fs::read_to_string(top().join("server/app/openapi.json")).unwrap()).unwrap()
}

/// What does not fit the description; `None`: all does.
fn misfits(description: &Value, said: &[Value]) -> Option<String> {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(description.to_string().as_bytes()).unwrap();
    let mut child = python()
        .arg(top().join("tests/independent/description.py"))
        .arg(file.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let lines: Vec<String> = said.iter().map(Value::to_string).collect();
    child.stdin.take().unwrap().write_all(lines.join("\n").as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let found = String::from_utf8_lossy(&output.stdout).into_owned();
    match output.status.code() {
        Some(0) => None,
        Some(1) if !found.is_empty() => Some(found),
        other => panic!("exit {other:?}: {found}{}", String::from_utf8_lossy(&output.stderr)),
    }
}

#[test]
fn the_description_is_open_to_all_and_has_every_command_for_people() {
    let plant = Plant::with_people();
    let served = Client::stranger(plant.url()).get("/api/openapi.json");
    assert_eq!(served.content_type, "application/json");
    let served = served.good();
    assert_eq!(served, kept());
    for row in AUTHORITY {
        let described = &served["paths"][format!("/api/acts/{}", row.command)]["post"];
        if row.roles.is_empty() || MADE_HERE.contains(&row.command) {
            assert!(described.is_null(), "{} is given at no such page", row.command);
            continue;
        }
        let schema = &described["requestBody"]["content"]["application/json"]["schema"];
        let roles: Vec<&str> = row.roles.iter().map(|role| role.as_str()).collect();
        assert_eq!(schema["properties"]["role"]["enum"], json!(roles), "{}", row.command);
    }
    plant.end();
}

#[test]
fn what_people_say_and_hear_fits_the_description() {
    let mut plant = Plant::packing();
    let said = Arc::new(Mutex::new(Vec::new()));
    for client in plant.people.values_mut() {
        *client = client.kept_in(&said);
    }
    let mut given = BTreeSet::new();
    // The day's acts until a table is needed: those of an order from its plan to the return of its rolls.
    for step in day() {
        let Step::Act(who, name, command, signs) = step else { break };
        let client = plant.who(who);
        let answer = if signs { client.sign(name, &command) } else { client.act(name, &command) };
        answer.good();
        given.insert(name);
    }
    assert!(given.len() >= 24, "{given:?}");
    let (supervisor, room, auditor) = (plant.who("supervisor"), plant.who("label_room"), plant.who("auditor"));
    for page in [
        "/api/health",
        "/api/openapi.json",
        "/api/session",
        "/api/things/order",
        "/api/things/roll?key=thing=roll&after=roll/R-2",
        "/api/things/account",
        "/api/things/session",
        "/api/proofs/7",
    ] {
        auditor.get(page).good();
    }
    for (thing, id) in [("order", ORDER), ("roll", "R-1"), ("hand_count", "HC-000001"), ("station", "T-1")] {
        auditor.thing(&format!("{thing}/{id}")).good();
    }
    assert_eq!(auditor.get("/api/checkpoint").status, 200);
    // Refusals of every sort have one form.
    auditor.thing("roll/R-99").refused(404);
    room.get("/api/entries?from=0&to=1").refused(403);
    supervisor.act("move_roll", &json!({ "roll": "R-1", "place": "shelf" })).refused(403);
    room.act("move_roll", &json!({ "roll": "R-1" })).refused(422);
    supervisor.act("sign_for_packaging", &json!({ "order": ORDER })).refused(409);
    plant.who("reviewer").act("approve_order", &json!({ "order": ORDER })).refused(409);
    // A person comes, takes a password of their own, and goes.
    let secret = plant.enrol("U-0031", &["line"]);
    let mut person = Client::stranger(plant.url()).kept_in(&said);
    let sign_in = json!({ "account": "U-0031", "password": secret, "device": "D-TEST" });
    let token = person.send("POST", "/api/session", Some(&sign_in)).good()["token"].as_str().unwrap().to_owned();
    person = person.with_token(&token);
    let own = json!({ "current": secret, "new": password("U-0031") });
    person.send("POST", "/api/password", Some(&own)).good();
    let unlock = json!({ "account": "U-0031", "password": password("U-0031") });
    person.send("POST", "/api/session/unlock", Some(&unlock)).problem(409, "not-locked");
    person.send("DELETE", "/api/session", None).good();
    person.get("/api/session").refused(401);

    let said = said.lock().unwrap().clone();
    assert!(said.len() > 60);
    assert_eq!(misfits(&kept(), &said), None);
    // The judge is not asleep: other descriptions do not fit.
    let mut other = kept();
    let receipt = other["components"]["schemas"]["Receipt"].as_object_mut().unwrap();
    receipt["properties"]["n"] = json!({ "type": "string" });
    assert!(misfits(&other, &said).is_some_and(|found| found.contains("is not of type 'string'")));
    let mut other = kept();
    other["paths"].as_object_mut().unwrap().remove("/api/acts/take_issue");
    assert!(misfits(&other, &said).is_some_and(|found| found.contains("no such page")));
    let mut other = kept();
    let act = &mut other["paths"]["/api/acts/mount_roll"]["post"]["requestBody"]["content"]["application/json"];
    act["schema"]["properties"]["command"]["properties"]["roll"] = json!({ "type": "integer" });
    assert!(misfits(&other, &said).is_some_and(|found| found.contains("is not of type 'integer'")));
    let mut other = kept();
    other["paths"]["/api/health"]["get"].as_object_mut().unwrap().remove("responses");
    other["info"].as_object_mut().unwrap().remove("title");
    assert!(misfits(&other, &[]).is_some_and(|found| found.contains("title")));
    plant.end();
}
