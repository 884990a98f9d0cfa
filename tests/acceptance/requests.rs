//! Requests that make no sense: each gets a clear problem, and nothing comes of it.

use std::io::Write as _;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tallyseal_tests::api::{Client, act, hear, push};
use tallyseal_tests::plant::{Plant, item_draft};

/// The same object with other fields; null takes a field away.
fn with(base: &Value, changes: Value) -> Value {
    let mut changed = base.clone();
    for (field, value) in changes.as_object().unwrap() {
        match value {
            Value::Null => drop(changed.as_object_mut().unwrap().remove(field)),
            value => changed[field] = value.clone(),
        }
    }
    changed
}

#[test]
fn quantities_are_whole_numbers_within_reason() {
    let plant = Plant::stocked();
    let size = plant.size();
    let operator = plant.who("label_room");
    // As text, for JSON has more ways to write a number than a library gives.
    let stated = |number: &str| {
        let text = format!(
            r#"{{"act":"{}","role":"label_room","command":{{"delivery":"DL-2","item":"L-1","supplier":"SU-1","supplier_lot":"LOT",
            "maker":"Printer","receiving_code":"RC","condition":"sound","place":"cage","rolls":[{{"roll":"R-9","stated":{number}}}]}}}}"#,
            act()
        );
        operator.send_text("POST", "/api/acts/receive_delivery", &text)
    };
    for absurd in ["-1", "-500", "10000001", "4294967296", "18446744073709551616", "99999999999999999999999999"] {
        let problem = stated(absurd).problem(422, "invalid");
        assert!(problem["detail"].as_str().unwrap().len() > 20, "{absurd}: {problem}");
    }
    for no_integer in ["500.5", "500.0", "5e2", "1E400", "\"500\"", "null", "true", "[]", "NaN", "0x10", "+5", "007"] {
        assert_eq!(stated(no_integer).refused(422), "invalid", "{no_integer}");
    }
    assert_eq!(stated("0").refused(422), "nothing-stated");
    assert_eq!(plant.size(), size);
    assert_eq!(operator.thing("delivery/DL-2").refused(404), "not-found");
    stated("10000000").good();
    plant.end();
}

#[test]
fn an_item_with_an_absurd_measure_is_not_drafted() {
    let plant = Plant::stocked();
    let (supervisor, size) = (plant.who("supervisor"), plant.size());
    let draft = |changes: Value| {
        let draft = with(&with(&item_draft(), json!({ "revision": "02" })), changes);
        supervisor.act("draft_item", &json!({ "item": "L-2", "draft": draft }))
    };
    for absurd in [
        json!({ "pitch_um": 0 }),
        json!({ "pitch_um": 1_000_001 }),
        json!({ "width_um": 999 }),
        json!({ "web_thickness_um": 19 }),
        json!({ "lanes": 0 }),
        json!({ "lanes": 17 }),
        json!({ "faults_max": 1_001 }),
        json!({ "splices_max": 101 }),
        json!({ "use_by_days": 0 }),
    ] {
        assert_eq!(draft(absurd.clone()).refused(422), "out-of-range", "{absurd}");
    }
    for senseless in [
        json!({ "pitch_um": -53_000 }),
        json!({ "pitch_um": 53_000.5 }),
        json!({ "lanes": 256 }),
        json!({ "form": "sheet" }),
        json!({ "counts": "three" }),
        json!({ "relies_on": ["scratch"] }),
        json!({ "colour": "blue" }),
        json!({ "product": null }),
        json!({ "expected_code": { "symbology": "GS1 DataMatrix", "text": "1", "font": "OCR-B" } }),
    ] {
        assert_eq!(draft(senseless.clone()).refused(422), "invalid", "{senseless}");
    }
    assert_eq!(draft(json!({ "expected_code": null })).refused(422), "no-code-to-rely-on");
    assert_eq!(draft(json!({ "relies_on": ["web_break"] })).refused(422), "web-break-to-rely-on");
    assert_eq!(draft(json!({ "product": "" })).refused(422), "empty");
    assert_eq!(plant.size(), size, "nothing was recorded");
    draft(json!({})).good();
    plant.end();
}

#[test]
fn a_text_says_something_and_hides_nothing() {
    let plant = Plant::stocked();
    let (operator, size) = (plant.who("label_room"), plant.size());
    let remark = |text: &str| operator.act("remark", &json!({ "record": "roll/R-1", "text": text }));
    for empty in ["", "   ", "\n\t", "...", "-"] {
        assert_eq!(remark(empty).refused(422), "empty", "{empty:?}");
    }
    for hidden in ["over\u{202E}stated", "zero\u{200B}width", "bell\u{7}", "null\u{0}byte", "\u{FEFF}mark"] {
        assert_eq!(remark(hidden).refused(422), "control-characters", "{hidden:?}");
    }
    assert_eq!(remark(&"x".repeat(4_001)).refused(422), "too-long");
    let place = |place: &str| operator.act("move_roll", &json!({ "roll": "R-1", "place": place }));
    assert_eq!(place(&"x".repeat(201)).refused(422), "too-long");
    assert_eq!(place("two\nlines").refused(422), "control-characters");
    assert_eq!(plant.size(), size);

    remark(&"x".repeat(4_000)).good();
    remark("line one\nline two").good();
    // One name is one sequence of bytes in the record, however it was typed.
    remark("Z\u{30C}ilkova\u{301}").good();
    assert_eq!(plant.stream("roll/R-1").pop().unwrap()["body"]["text"], "\u{17D}ilkov\u{E1}");
    plant.end();
}

#[test]
fn what_is_no_request_is_refused_and_nothing_comes_of_it() {
    let plant = Plant::stocked();
    let (operator, size) = (plant.who("label_room"), plant.size());
    let good = json!({ "act": act(), "role": "label_room", "command": { "roll": "R-1", "place": "shelf 1" } });
    let path = "/api/acts/move_roll";

    let whole = good.to_string();
    let deep = format!("{}{}", "[".repeat(50_000), "]".repeat(50_000)).chars().take(60_000).collect::<String>();
    let doubled = whole.replacen("\"role\"", "\"role\":\"reviewer\",\"role\"", 1);
    let malformed = [
        "",
        " ",
        "{",
        "null",
        "[]",
        "\"move\"",
        &whole[..whole.len() - 1],
        &format!("{whole}{whole}"),
        &format!("{whole},"),
        &deep,
    ];
    for text in malformed {
        let shown: String = text.chars().take(80).collect();
        assert_eq!(operator.send_text("POST", path, text).refused(422), "invalid", "{shown}");
    }
    assert_eq!(operator.send_text("POST", path, &doubled).refused(400), "equal-keys");
    // Bytes that are no text.
    let mut stream = operator.connection();
    let bytes = [whole.replace("shelf 1", "shelf ").as_bytes(), b"\xFF\xFE"].concat();
    push(&mut stream, operator.head(path, bytes.len()).as_bytes());
    push(&mut stream, &bytes);
    assert!(hear(&mut stream, |heard| heard.contains("}")).starts_with("HTTP/1.1 422"));

    for changes in [
        json!({ "surprise": 1 }),
        json!({ "act": null }),
        json!({ "act": "not a uuid" }),
        json!({ "act": 7 }),
        json!({ "role": null }),
        json!({ "role": "operator" }),
        json!({ "role": ["label_room"] }),
        json!({ "command": [] }),
        json!({ "command": null }),
        json!({ "command": {} }),
        json!({ "command": { "roll": "R-1" } }),
        json!({ "command": { "roll": "R-1", "place": "shelf 1", "quantity": 5 } }),
        json!({ "command": { "roll": 1, "place": "shelf 1" } }),
        json!({ "command": { "roll": "r-1", "place": "shelf 1" } }),
        json!({ "command": { "roll": "../R-1", "place": "shelf 1" } }),
        json!({ "command": { "roll": "R-1' OR '1'='1", "place": "shelf 1" } }),
        json!({ "expected": { "roll R-1": 1 } }),
        json!({ "expected": { "roll/R-1": -1 } }),
        json!({ "expected": { "roll/R-1": 1.5 } }),
        json!({ "expected": { "roll/R-1": null } }),
        json!({ "expected": ["roll/R-1"] }),
        json!({ "password": 12_345 }),
    ] {
        let answer = operator.send("POST", path, Some(&with(&good, changes.clone())));
        assert_eq!(answer.refused(422), "invalid", "{changes}");
    }
    assert_eq!(plant.size(), size);
    assert_eq!(plant.roll("R-1")["place"], "cage");
    // And the request that all of them were made from is a good one.
    operator.send("POST", path, Some(&good)).good();
    plant.end();
}

#[test]
fn a_command_that_there_is_not_or_that_the_software_gives_itself_is_refused() {
    let plant = Plant::stocked();
    let size = plant.size();
    let stream = "session/S-1";
    let software = [
        ("found_account", json!({ "account": "U-0050", "name": "Founder", "roles": ["administrator"] })),
        ("enrol_key", json!({ "account": "U-0004", "key": "00", "public_key": "", "previous": null, "proof": "" })),
        ("change_password", json!({})),
        (
            "open_session",
            json!({ "session": "S-1", "account": "U-0001", "device": "D-1", "expires": "2099-01-01T00:00:00.000000Z" }),
        ),
        ("end_session", json!({ "session": "S-1", "cause": "signed_out" })),
        ("refuse_password", json!({ "purpose": "x", "record": stream })),
        ("note_refusal", json!({ "code": "x", "command": "x", "record": stream, "text": "x" })),
        ("lock_account", json!({ "account": "U-0001", "failures": 10, "until": "2099-01-01T00:00:00.000000Z" })),
        (
            "note_strangers",
            json!({ "source": "x", "count": 1, "from": "2026-01-01T00:00:00.000000Z", "to": "2026-01-01T00:00:00.000000Z" }),
        ),
        ("draft_plugin", json!({})),
        ("observe", json!({ "station": "T-1", "piece": {} })),
        ("lose_link", json!({ "station": "T-1", "link": "tcp-out", "cause": "x" })),
        ("restore_link", json!({ "station": "T-1", "link": "tcp-out" })),
        ("note_silence", json!({ "station": "T-1", "seconds": 9 })),
        ("note_export", json!({ "record": "roll/R-1", "manifest": "00", "pdf": null, "streams": {} })),
    ];
    let unknown =
        ["release_everything", "", "remark%20", "Remark", "remark/more", "..%2Fsession", "drop%20table%20entry"];
    for client in plant.people.values() {
        for (name, command) in &software {
            assert_eq!(client.act(name, command).refused(404), "no-such-command", "{name}");
        }
        for name in unknown {
            let code = client.act(name, &json!({})).refused(404);
            assert!(code == "no-such-command" || code == "not-found", "{name}: {code}");
        }
    }
    // A command's own field cannot turn it into another one.
    let disguised = json!({ "do": "disable_account", "account": "U-0001", "why": "because" });
    assert_eq!(plant.who("label_room").act("remark", &disguised).refused(422), "invalid");
    let disguised = json!({ "do": "note_silence", "record": "roll/R-1", "text": "seen" });
    plant.who("label_room").act("remark", &disguised).good();
    assert_eq!(plant.entries().pop().unwrap()["kind"], "remark.made");
    assert_eq!(plant.size(), size + 1);
    plant.end();
}

#[test]
fn two_equal_keys_in_one_object_are_refused_wherever_they_stand() {
    let plant = Plant::stocked();
    let (operator, size, act) = (plant.who("label_room"), plant.size(), act());
    for text in [
        format!(r#"{{"act":"{act}","role":"label_room","command":{{"roll":"R-1","place":"a","place":"shelf 1"}}}}"#),
        format!(r#"{{"act":"{act}","role":"auditor","role":"label_room","command":{{"roll":"R-1","place":"a"}}}}"#),
        format!(
            r#"{{"act":"{act}","role":"label_room","command":{{"roll":"R-1","place":"a"}},"expected":{{"roll/R-1":9,"roll/R-1":2}}}}"#
        ),
    ] {
        let answer = operator.send_text("POST", "/api/acts/move_roll", &text);
        assert_eq!(answer.refused(400), "equal-keys", "{text}");
    }
    assert_eq!(plant.size(), size);
    plant.end();
}

#[test]
fn nobody_searches_for_what_is_hidden() {
    let plant = Plant::stocked();
    let plugin = json!("P-000001");
    plant.machine(plugin.as_str().unwrap());
    let operator = plant.who("label_room");
    for key in
        ["test_roll.certified=101", "test_roll.certified=7", "test_roll.certified", "no.such=1", "", "=", "thing"]
    {
        let answer = operator.get(&format!("/api/things/test_roll?key={key}"));
        assert_eq!(answer.refused(422), "invalid", "{key}");
    }
    let found = |path: &str| operator.get(path).good()["things"].as_array().unwrap().len();
    assert_eq!((found("/api/things/roll?key=roll.item=item/L-1"), found("/api/things/test_roll")), (4, 1));
    plant.end();
}

#[test]
fn a_body_over_the_limit_is_refused_and_not_read_on() {
    let plant = Plant::stocked();
    let (operator, size) = (plant.who("label_room"), plant.size());
    let long = json!({ "act": act(), "role": "label_room", "command": { "roll": "R-1", "place": "x".repeat(70_000) } });
    let problem = operator.send("POST", "/api/acts/move_roll", Some(&long)).problem(413, "too-large");
    assert!(problem["detail"].as_str().unwrap().contains("65536"), "{problem}");

    // One that never says how long it is, and would never end.
    let mut stream = operator.connection();
    let head = operator.head("/api/acts/move_roll", 0).replace("Content-Length: 0", "Transfer-Encoding: chunked");
    push(&mut stream, head.as_bytes());
    let chunk = format!("2000\r\n{}\r\n", "x".repeat(0x2000));
    for _ in 0..16 {
        push(&mut stream, chunk.as_bytes());
    }
    let heard = hear(&mut stream, |heard| heard.contains("too-large"));
    assert!(heard.starts_with("HTTP/1.1 413"), "{heard}");

    // A session that is not there is told so before its body is looked at, whatever the route takes.
    let stranger = Client::stranger(plant.url());
    let files = json!({ "files": { "plugin.toml": "x".repeat(11 * 1024 * 1024) } });
    let answer = stranger.send("POST", "/api/plugins", Some(&files));
    assert!([0, 401].contains(&answer.status), "{}", answer.status);
    let supervisor = plant.who("supervisor");
    let mut stream = supervisor.connection();
    push(&mut stream, supervisor.head("/api/plugins", 11 * 1024 * 1024).as_bytes());
    let part = vec![b'x'; 1024 * 1024];
    for _ in 0..11 {
        push(&mut stream, &part);
    }
    let heard = hear(&mut stream, |heard| heard.contains("too-large"));
    assert!(heard.starts_with("HTTP/1.1 413"), "{heard}");
    assert_eq!(plant.size(), size);
    plant.end();
}

#[test]
fn a_request_that_comes_too_slowly_is_given_up_and_others_go_on() {
    let plant = Plant::stocked();
    let operator = plant.who("label_room");
    let since = Instant::now();
    // One stalls in its head, one in its body, and one sends a byte of its body now and then.
    let mut head = operator.connection();
    head.write_all(b"POST /api/acts/move_roll HTTP/1.1\r\nHost: te").unwrap();
    let mut body = operator.connection();
    body.write_all(operator.head("/api/acts/move_roll", 1_000).as_bytes()).unwrap();
    body.write_all(b"{\"act\":").unwrap();
    let mut trickle = operator.connection();
    trickle.write_all(operator.head("/api/acts/move_roll", 1_000).as_bytes()).unwrap();
    let mut sender = trickle.try_clone().unwrap();
    let (stop, stopped) = std::sync::mpsc::channel::<()>();
    let trickling = std::thread::spawn(move || {
        while stopped.recv_timeout(Duration::from_millis(200)).is_err() && sender.write_all(b" ").is_ok() {}
    });
    // Whoever is in time is served meanwhile.
    operator.act("move_roll", &json!({ "roll": "R-1", "place": "shelf 1" })).good();

    let heard = hear(&mut head, |_| false);
    assert!(heard.is_empty() || heard.starts_with("HTTP/1.1 408"), "{heard}");
    let heard = hear(&mut body, |heard| heard.contains("too-slow"));
    assert!(heard.starts_with("HTTP/1.1 408"), "{heard}");
    let heard = hear(&mut trickle, |heard| heard.contains("too-slow"));
    assert!(heard.starts_with("HTTP/1.1 408"), "{heard}");
    assert!(since.elapsed() < Duration::from_secs(25), "{:?}", since.elapsed());
    drop(stop);
    trickling.join().unwrap();
    plant.end();
}

#[test]
fn a_page_that_there_is_not_is_a_problem_as_any_other() {
    let plant = Plant::stocked();
    let auditor = plant.who("auditor");
    for path in
        ["/api", "/api/", "/api/nothing", "/api/things", "/api/things/roll/R-1/more", "/index.html", "/api/acts"]
    {
        assert_eq!(auditor.get(path).refused(404), "not-found", "{path}");
    }
    for path in ["/api/things/roll/R-99", "/api/things/roll/R-1%2Fmore", "/api/proofs/999999"] {
        let answer = auditor.get(path);
        let status = answer.status;
        let code = answer.refused(status);
        assert!((status, code.as_str()) == (404, "not-found") || (status, code.as_str()) == (422, "invalid"), "{path}");
    }
    for path in [
        "/api/things/roll/r-99",
        "/api/things/Roll/R-1",
        "/api/entries?from=x",
        "/api/entries?from=-1",
        "/api/entries?stream=roll",
        "/api/entries?form=1",
        "/api/things/roll?kee=1",
        "/api/proofs/x",
        "/api/proofs/-1",
    ] {
        assert_eq!(auditor.get(path).refused(422), "invalid", "{path}");
    }
    for (method, path) in [
        ("PUT", "/api/session"),
        ("DELETE", "/api/things/roll/R-1"),
        ("POST", "/api/health"),
        ("PATCH", "/api/acts/remark"),
    ] {
        assert_eq!(auditor.send(method, path, None).refused(405), "no-such-method", "{method} {path}");
    }
    // A page past the end is an empty one.
    assert_eq!(auditor.get("/api/entries?from=999999").body, "");
    assert_eq!(auditor.get("/api/entries?from=5&to=4").body, "");
    assert_eq!(auditor.get("/api/things/nothing").good()["things"], json!([]));
    plant.end();
}

#[test]
fn the_entries_are_read_by_those_who_review_and_verify() {
    let plant = Plant::stocked();
    for (name, client) in &plant.people {
        let answer = client.get("/api/entries?stream=roll/R-1");
        match *name {
            "supervisor" | "reviewer" | "auditor" => assert_eq!(answer.status, 200, "{name}"),
            _ => assert_eq!(answer.refused(403), "may-not-read", "{name}"),
        }
    }
    plant.end();
}

#[test]
fn reading_makes_no_entry_and_a_proof_is_for_the_entry_as_it_stands() {
    let plant = Plant::stocked();
    let size = plant.size();
    let auditor = plant.who("auditor");
    for path in [
        "/api/health",
        "/api/session",
        "/api/things/roll",
        "/api/things/roll/R-1",
        "/api/entries",
        "/api/checkpoint",
        "/api/proofs/7",
    ] {
        assert_eq!(auditor.get(path).status, 200, "{path}");
    }
    let proof = auditor.get("/api/proofs/7").good();
    assert_eq!((&proof["n"], &proof["size"]), (&json!(7), &json!(size)));
    let entries = auditor.get("/api/entries?from=7&to=7");
    let bytes = entries.body.to_string();
    assert_eq!(proof["leaf"], tallyseal_schema::Hash::leaf(bytes.as_bytes()).to_string());
    assert_eq!(plant.size(), size);
    plant.end();
}
