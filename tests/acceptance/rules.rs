//! What nobody may do, each with its reason and its way out, and nothing of it lost.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll};
use tallyseal_schema::Time;
use tallyseal_tests::api::{Client, kinds};
use tallyseal_tests::plant::{Plant, grants, item_draft, plain_run, plugin_files};

fn open(roll: &str) -> Value {
    json!({ "station": "T-1", "roll": format!("roll/{roll}"), "purpose": "incoming", "direction": "forward" })
}

#[test]
fn a_refusal_that_matters_is_an_entry_with_who_and_why() {
    let plant = Plant::ready();
    let size = plant.size();
    let problem = plant.who("label_room").act("open_count", &open("R-99")).problem(404, "no-such-roll");
    assert!(problem["remedy"].as_str().unwrap().contains("set it aside"), "{problem}");
    let entry = plant.entries().pop().unwrap();
    assert_eq!((entry["n"].as_u64(), problem["recorded"]["n"].as_u64()), (Some(size), Some(size)));
    assert_eq!((&entry["kind"], &entry["by"]["account"]), (&json!("act.refused"), &json!("U-0004")));
    assert_eq!((&entry["body"]["code"], &entry["body"]["command"]), (&json!("no-such-roll"), &json!("open_count")));
    assert!(entry["body"]["text"].as_str().unwrap().contains("R-99"), "{entry}");
    plant.end();
}

#[test]
fn an_item_taken_out_at_once_calls_back_every_roll() {
    let plant = Plant::ready();
    let (operator, reviewer) = (plant.who("label_room"), plant.who("reviewer"));
    let obsolete = |more: Value| {
        let mut command = json!({ "item": "L-1", "rule": "immediate", "why": "a new leaflet" });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        reviewer.sign("obsolete_item", &command)
    };
    let unsigned = json!({ "item": "L-1", "rule": "immediate", "why": "a new leaflet" });
    assert_eq!(reviewer.act("obsolete_item", &unsigned).refused(401), "needs-password");
    assert_eq!(obsolete(json!({ "why": "" })).refused(422), "no-reason");
    assert_eq!(obsolete(json!({ "last_use": "2099-01-01T00:00:00.000000Z" })).refused(422), "no-last-use");
    assert_eq!(obsolete(json!({ "rule": "run_out" })).refused(422), "no-last-use");
    let receipt = obsolete(json!({})).good();
    assert_eq!(kinds(&receipt)[0], "item.obsoleted");
    assert_eq!(kinds(&receipt).iter().filter(|kind| **kind == "roll.obsoleted").count(), 4);
    assert_eq!(plant.roll("R-1")["quality"], "obsolete");
    assert_eq!(operator.act("open_count", &open("R-1")).refused(409), "roll-obsolete");
    let received = json!({
        "delivery": "DL-2", "item": "L-1", "supplier": "SU-1", "supplier_lot": "LOT", "maker": "Printer",
        "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": [{ "roll": "R-9", "stated": 500 }],
    });
    assert_eq!(operator.act("receive_delivery", &received).refused(409), "item-obsolete");
    assert_eq!(obsolete(json!({})).refused(409), "item-obsolete");
    plant.end();
}

#[test]
fn an_item_that_runs_out_is_counted_on_and_nothing_new_is_received() {
    let plant = Plant::ready();
    plant.receive("DL-2", &["R-9"], 100);
    let run_out = |last_use: &str| {
        let command = json!({ "item": "L-1", "rule": "run_out", "last_use": last_use, "why": "a new leaflet" });
        plant.who("reviewer").sign("obsolete_item", &command)
    };
    assert_eq!(run_out("2020-01-01T00:00:00.000000Z").refused(422), "no-last-use");
    run_out("2099-01-01T00:00:00.000000Z").good();
    assert_eq!(run_out("2099-01-02T00:00:00.000000Z").refused(409), "item-runs-out");
    let received = json!({
        "delivery": "DL-3", "item": "L-1", "supplier": "SU-1", "supplier_lot": "LOT", "maker": "Printer",
        "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": [{ "roll": "R-10", "stated": 500 }],
    });
    assert_eq!(plant.who("label_room").act("receive_delivery", &received).refused(409), "item-obsolete");
    plant.signed_run("roll/R-1", "incoming", &plain_run(500));
    // And then it is taken out at once after all.
    let at_once = json!({ "item": "L-1", "rule": "immediate", "why": "recalled by the authority" });
    plant.who("reviewer").sign("obsolete_item", &at_once).good();
    assert_eq!(plant.who("label_room").act("open_count", &open("R-1")).refused(409), "roll-obsolete");
    plant.end();
}

#[test]
fn an_item_is_not_used_after_its_last_use_date() {
    let plant = Plant::stocked();
    plant.machine("P-000001");
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap() + Duration::from_secs(3);
    let last_use = Time::from_micros(i64::try_from(since.as_micros()).unwrap()).unwrap();
    let command = json!({ "item": "L-1", "rule": "run_out", "last_use": last_use, "why": "a new leaflet" });
    plant.who("reviewer").sign("obsolete_item", &command).good();
    let set_up = json!({
        "station": "T-1", "item": "L-1", "sensor": "gap", "sensitivity": "4", "speed_labels_per_min": 1_000,
    });
    plant.wait_for("the last use", || {
        let answer = plant.who("label_room").act("set_up_station", &set_up);
        answer.status != 200 && answer.refused(409) == "item-obsolete"
    });
    plant.end();
}

#[test]
fn nobody_approves_their_own_work() {
    let plant = Plant::stocked();
    let both = plant.hire("U-0021", &["supervisor", "reviewer", "incoming_examiner", "label_room"]);
    let (author, approver) = (both.in_role("supervisor"), both.in_role("reviewer"));
    let mut draft = item_draft();
    draft["revision"] = json!("02");
    author.act("draft_item", &json!({ "item": "L-2", "draft": draft })).good();
    let approve = json!({ "item": "L-2", "specimen": { "id": "SP-9", "place": "cabinet" } });
    let problem = approver.sign("approve_item", &approve).problem(403, "same-person");
    assert!(problem["remedy"].as_str().unwrap().contains("second person"), "{problem}");
    plant.who("reviewer").sign("approve_item", &approve).good();

    author.act("register_supplier", &json!({ "supplier": "SU-2", "name": "Other", "site": "other.example" })).good();
    let supplier = json!({ "supplier": "SU-2", "item": "L-2" });
    assert_eq!(approver.sign("approve_supplier", &supplier).refused(403), "same-person");

    let station = json!({
        "station": "T-2", "name": "Table 2", "place": "label room", "rated_labels_per_min": 1_200,
        "challenge_interval_min": 480, "link": { "kind": "tcp-out", "address": "127.0.0.1:9" },
    });
    author.act("register_station", &station).good();
    let qualify = json!({ "station": "T-2", "basis": "report", "valid_until": "2099-01-01T00:00:00.000000Z" });
    assert_eq!(approver.sign("qualify_station", &qualify).refused(403), "same-person");

    let test_roll = json!({
        "test_roll": "TR-2", "certificate": "CE-2", "certified": 997, "expires": "2099-01-01T00:00:00.000000Z",
        "faults": {},
    });
    author.act("register_test_roll", &test_roll).good();
    assert_eq!(approver.sign("certify_test_roll", &json!({ "test_roll": "TR-2" })).refused(403), "same-person");

    // Received, examined and released by one person: the last is another's.
    let received = json!({
        "delivery": "DL-2", "item": "L-1", "supplier": "SU-1", "supplier_lot": "LOT", "maker": "Printer",
        "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": [{ "roll": "R-9", "stated": 500 }],
    });
    plant.who("label_room").act("receive_delivery", &received).good();
    let examined = json!({
        "delivery": "DL-2", "plan": "accept on zero", "reached": "unwound", "rolls": ["R-9"], "sampled": 20,
        "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-9", "place": "cabinet" }, "result": "accept",
    });
    both.in_role("incoming_examiner").sign("examine_delivery", &examined).good();
    let release = json!({ "delivery": "DL-2" });
    assert_eq!(approver.sign("release_delivery", &release).refused(403), "same-person");
    plant.who("reviewer").sign("release_delivery", &release).good();
    plant.end();
}

#[test]
fn whoever_loads_a_plugin_does_not_approve_it() {
    let plant = Plant::with_people();
    let both = plant.hire("U-0021", &["supervisor", "reviewer"]);
    let body = json!({ "act": tallyseal_tests::api::act(), "role": "supervisor", "files": plugin_files("plugins/ticket-line") });
    let plugin = both.send("POST", "/api/plugins", Some(&body)).made();
    let approve = json!({ "plugin": plugin });
    assert_eq!(both.in_role("reviewer").sign("approve_plugin", &approve).refused(403), "same-person");
    plant.who("reviewer").sign("approve_plugin", &approve).good();
    plant.end();
}

#[test]
fn whoever_counted_does_not_check_the_count() {
    let plant = Plant::ready();
    let (one, other) = (plant.who("label_room"), plant.who("second"));
    let count = plant.run("roll/R-1", "incoming", &plain_run(500));
    let it = json!({ "count": count });
    assert_eq!(other.sign("check_count", &it).refused(409), "count-closed");
    assert_eq!(other.sign("sign_count", &it).refused(403), "not-your-count");
    one.sign("sign_count", &it).good();
    assert_eq!(one.sign("check_count", &it).refused(403), "same-person");
    other.sign("check_count", &it).good();
    assert_eq!(other.sign("check_count", &it).refused(409), "already-checked");
    assert_eq!(one.sign("sign_count", &it).refused(409), "count-signed");
    plant.end();
}

#[test]
fn a_hold_is_not_lifted_by_whoever_counted_the_roll() {
    let plant = Plant::ready();
    let both = plant.hire("U-0021", &["label_room", "reviewer"]);
    // That person counts a roll, the challenge fails, the roll is held.
    let opened = both.act("open_count", &open("R-1")).made();
    plant.run_table(plain_run(500));
    plant.wait_for_end(&opened);
    both.act("close_count", &json!({ "count": opened })).good();
    both.sign("sign_count", &json!({ "count": opened })).good();
    let short = Roll { labels: 100, ..Plant::test_roll() };
    assert_eq!(plant.challenge_with("end", &short), "station.challenge_failed");
    let lift = json!({ "record": "roll/R-1", "cause": "DV-000001", "why": "the sensor was dirty" });
    assert_eq!(both.in_role("reviewer").sign("lift_hold", &lift).refused(403), "same-person");
    plant.who("reviewer").sign("lift_hold", &lift).good();
    assert_eq!(plant.roll("R-1")["holds"], json!([]));
    plant.end();
}

#[test]
fn every_command_is_refused_to_a_role_that_it_is_not_for() {
    let plant = Plant::ready();
    let fields = [
        (
            "enrol_account",
            json!({ "account": "U-0050", "name": "New", "roles": grants(&["line"]), "identity": "card" }),
        ),
        ("change_roles", json!({ "account": "U-0004", "roles": grants(&["line"]), "why": "moved" })),
        ("disable_account", json!({ "account": "U-0004", "why": "left" })),
        ("reset_password", json!({ "account": "U-0004", "why": "because" })),
        ("unlock_account", json!({ "account": "U-0004", "why": "because" })),
        ("compromise_key", json!({ "account": "U-0004", "key": "00".repeat(32), "from": 1, "why": "it was seen" })),
        ("compromise_book_key", json!({ "key": "00".repeat(32), "from": 1, "why": "it was seen" })),
        ("confirm_identity", json!({ "account": "U-0004" })),
        ("register_supplier", json!({ "supplier": "SU-7", "name": "Seven", "site": "seven.example" })),
        ("approve_supplier", json!({ "supplier": "SU-1", "item": "L-1" })),
        ("draft_item", json!({ "item": "L-7", "draft": item_draft() })),
        ("approve_item", json!({ "item": "L-1", "specimen": { "id": "SP-1", "place": "cabinet" } })),
        ("obsolete_item", json!({ "item": "L-1", "rule": "immediate", "why": "new leaflet" })),
        (
            "receive_delivery",
            json!({
                "delivery": "DL-7", "item": "L-1", "supplier": "SU-1", "supplier_lot": "L", "maker": "P", "receiving_code": "R",
                "condition": "sound", "place": "cage", "rolls": [{ "roll": "R-7", "stated": 5 }],
            }),
        ),
        (
            "examine_delivery",
            json!({
                "delivery": "DL-1", "plan": "p", "reached": "r", "rolls": ["R-1"], "sampled": 1, "critical": 0, "major": 0,
                "minor": 0, "specimen": { "id": "SP-1", "place": "cabinet" }, "result": "accept",
            }),
        ),
        ("release_delivery", json!({ "delivery": "DL-1" })),
        ("reject_delivery", json!({ "delivery": "DL-1", "why": "wet boxes" })),
        ("lift_hold", json!({ "record": "roll/R-1", "cause": "DV-1", "why": "looked at" })),
        ("move_roll", json!({ "roll": "R-1", "place": "shelf" })),
        ("record_check", json!({ "roll": "R-1", "web": "w", "sensor": "s", "speed": "s" })),
        (
            "register_station",
            json!({
                "station": "T-7", "name": "Seven", "place": "room", "rated_labels_per_min": 1_000, "challenge_interval_min": 480,
                "link": { "kind": "tcp-out", "address": "127.0.0.1:9" },
            }),
        ),
        ("qualify_station", json!({ "station": "T-1", "basis": "b", "valid_until": "2099-01-01T00:00:00.000000Z" })),
        ("bind_plugin", json!({ "station": "T-1", "plugin": "P-000001" })),
        ("clear_bench", json!({ "station": "T-1", "places": ["table"], "found": "nothing" })),
        (
            "set_up_station",
            json!({
                "station": "T-1", "item": "L-1", "sensor": "gap", "sensitivity": "4", "speed_labels_per_min": 1_000,
            }),
        ),
        ("log_station_work", json!({ "station": "T-1", "work": "cleaning", "text": "wiped" })),
        (
            "register_test_roll",
            json!({
                "test_roll": "TR-7", "certificate": "C", "certified": 7, "expires": "2099-01-01T00:00:00.000000Z", "faults": {},
            }),
        ),
        ("certify_test_roll", json!({ "test_roll": "TR-1" })),
        ("withdraw_test_roll", json!({ "test_roll": "TR-1", "why": "torn" })),
        ("approve_plugin", json!({ "plugin": "P-000001" })),
        ("open_count", open("R-1")),
        ("close_count", json!({ "count": "C-000001" })),
        ("interrupt_count", json!({ "count": "C-000001", "cause": "lost" })),
        ("abort_count", json!({ "count": "C-000001", "why": "wrong" })),
        (
            "dispose_faults",
            json!({ "count": "C-000001", "fault": "splice", "first": 1, "last": 1, "disposition": "left" }),
        ),
        (
            "correct_disposition",
            json!({
                "count": "C-000001", "fault": "splice", "first": 1, "last": 1, "disposition": "left", "why": "mistyped",
            }),
        ),
        ("check_code", json!({ "count": "C-000001", "place": "start", "found": "1" })),
        ("sign_count", json!({ "count": "C-000001" })),
        ("check_count", json!({ "count": "C-000001" })),
        (
            "conclude_challenge",
            json!({ "station": "T-1", "test_roll": "TR-1", "occasion": "end", "counts": ["C-000001"] }),
        ),
        ("open_deviation", json!({ "about": ["roll/R-1"], "severity": "minor", "text": "found" })),
        ("remark", json!({ "record": "roll/R-1", "text": "seen" })),
    ];
    let roles = ["label_room", "line", "incoming_examiner", "supervisor", "reviewer", "auditor", "administrator"];
    for (name, command) in &fields {
        let row = tallyseal_control::AUTHORITY.iter().find(|row| row.command == *name).unwrap();
        for role in roles {
            if row.roles.iter().any(|allowed| allowed.as_str() == role) {
                continue;
            }
            // One session has each role of this plant; nobody is on the line.
            let client = plant.people.get(role).cloned().unwrap_or_else(|| plant.who("label_room").in_role(role));
            let expected = if role == "line" { "not-your-role" } else { "wrong-role" };
            assert_eq!(client.act(name, command).refused(403), expected, "{name} as {role}");
            // A role that the person does not have is no way around it.
            let borrowed = client.in_role(row.roles[0].as_str());
            if role != "line" {
                assert_eq!(borrowed.act(name, command).refused(403), "not-your-role", "{name} as {role}");
            }
        }
        assert_eq!(Client::stranger(plant.url()).act(name, command).refused(401), "signed-out", "{name}");
    }
    // What must be so whatever the table says: production does not stand in for quality, those who run the server and
    // those who look have no label acts.
    for (name, role) in [
        ("release_delivery", "supervisor"),
        ("lift_hold", "supervisor"),
        ("approve_item", "supervisor"),
        ("approve_plugin", "administrator"),
        ("move_roll", "auditor"),
        ("move_roll", "administrator"),
        ("open_count", "reviewer"),
        ("sign_count", "supervisor"),
        ("enrol_account", "reviewer"),
    ] {
        let (_, command) = fields.iter().find(|(known, _)| *known == name).unwrap();
        assert_eq!(plant.who(role).act(name, command).refused(403), "wrong-role", "{name} as {role}");
    }
    // Every command for people is in the list above, but those that have a route of their own and those of orders, which
    // `separation.rs` holds in the same way.
    let of_orders: Vec<&str> = tallyseal_tests::packing::day()
        .into_iter()
        .filter_map(|step| match step {
            tallyseal_tests::packing::Step::Act(_, name, ..) => Some(name),
            _ => None,
        })
        .collect();
    let own_route = [
        "enrol_key",
        "change_password",
        "end_session",
        "unlock_session",
        "refuse_password",
        "note_refusal",
        "draft_plugin",
        "note_export",
    ];
    for row in tallyseal_control::AUTHORITY.iter().filter(|row| !row.roles.is_empty()) {
        let listed = fields.iter().any(|(name, _)| *name == row.command);
        let elsewhere = own_route.contains(&row.command) || of_orders.contains(&row.command);
        assert!(listed || elsewhere, "{}", row.command);
        assert!(!(listed && own_route.contains(&row.command)), "{}", row.command);
    }
    plant.end();
}

#[test]
fn a_delivery_goes_only_the_way_of_its_life() {
    let plant = Plant::stocked();
    let (operator, examiner, reviewer) =
        (plant.who("label_room"), plant.who("incoming_examiner"), plant.who("reviewer"));
    let received = |more: Value| {
        let mut command = json!({
            "delivery": "DL-2", "item": "L-1", "supplier": "SU-1", "supplier_lot": "LOT", "maker": "Printer",
            "receiving_code": "RC", "condition": "sound", "place": "cage",
            "rolls": [{ "roll": "R-8", "stated": 500 }, { "roll": "R-9", "stated": 500 }],
        });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        operator.act("receive_delivery", &command)
    };
    assert_eq!(received(json!({ "item": "L-9" })).refused(404), "no-such-item");
    assert_eq!(received(json!({ "supplier": "SU-9" })).refused(404), "no-such-supplier");
    assert_eq!(received(json!({ "rolls": [] })).refused(422), "number-of-rolls");
    let twice = json!({ "rolls": [{ "roll": "R-8", "stated": 5 }, { "roll": "R-8", "stated": 5 }] });
    assert_eq!(received(twice).refused(422), "roll-twice");
    assert_eq!(received(json!({ "rolls": [{ "roll": "R-8", "stated": 0 }] })).refused(422), "nothing-stated");
    // A roll of another delivery is not received a second time, and nothing of the list is.
    let known = json!({ "rolls": [{ "roll": "R-8", "stated": 5 }, { "roll": "R-1", "stated": 5 }] });
    assert_eq!(received(known).refused(409), "id-in-use");
    assert_eq!(operator.thing("roll/R-8").refused(404), "not-found");
    received(json!({})).good();
    assert_eq!(received(json!({})).refused(409), "id-in-use");

    let release = json!({ "delivery": "DL-2" });
    assert_eq!(reviewer.sign("release_delivery", &release).refused(409), "delivery-not-examined");
    let examined = |more: Value| {
        let mut command = json!({
            "delivery": "DL-2", "plan": "accept on zero", "reached": "unwound", "rolls": ["R-8"], "sampled": 20,
            "critical": 0, "major": 0, "minor": 0, "specimen": { "id": "SP-9", "place": "cabinet" }, "result": "reject",
        });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        examiner.sign("examine_delivery", &command)
    };
    assert_eq!(examined(json!({ "rolls": ["R-1"] })).refused(422), "roll-of-another-delivery");
    assert_eq!(examined(json!({ "rolls": [] })).refused(422), "nothing-examined");
    assert_eq!(examined(json!({ "sampled": 0 })).refused(422), "nothing-examined");
    assert_eq!(examined(json!({ "critical": 1, "result": "accept" })).refused(422), "critical-defects-reject");
    examined(json!({ "critical": 1 })).good();
    assert_eq!(examined(json!({})).refused(409), "already-examined");
    assert_eq!(reviewer.sign("release_delivery", &release).refused(409), "examination-rejects");
    let reject = json!({ "delivery": "DL-2", "why": "a wrong strength was found" });
    reviewer.sign("reject_delivery", &reject).good();
    assert_eq!(reviewer.sign("reject_delivery", &reject).refused(409), "delivery-rejected");
    assert_eq!(plant.roll("R-9")["quality"], "rejected");
    plant.end();
}

#[test]
fn a_rejected_roll_and_a_roll_of_another_item_are_not_counted() {
    let plant = Plant::ready();
    let (operator, supervisor, reviewer) = (plant.who("label_room"), plant.who("supervisor"), plant.who("reviewer"));
    plant.receive("DL-2", &["R-9"], 500);
    reviewer.sign("reject_delivery", &json!({ "delivery": "DL-2", "why": "wet boxes" })).good();
    assert_eq!(operator.act("open_count", &open("R-9")).refused(409), "roll-rejected");

    let mut draft = item_draft();
    draft["revision"] = json!("02");
    supervisor.act("draft_item", &json!({ "item": "L-2", "draft": draft })).good();
    assert_eq!(supervisor.act("draft_item", &json!({ "item": "L-3", "draft": draft })).refused(409), "revision-known");
    let received = json!({
        "delivery": "DL-3", "item": "L-2", "supplier": "SU-1", "supplier_lot": "LOT", "maker": "Printer",
        "receiving_code": "RC", "condition": "sound", "place": "cage", "rolls": [{ "roll": "R-10", "stated": 500 }],
    });
    assert_eq!(operator.act("receive_delivery", &received).refused(409), "item-not-approved");
    reviewer.sign("approve_item", &json!({ "item": "L-2", "specimen": { "id": "SP-9", "place": "cabinet" } })).good();
    assert_eq!(operator.act("receive_delivery", &received).refused(409), "supplier-not-approved");
    reviewer.sign("approve_supplier", &json!({ "supplier": "SU-1", "item": "L-2" })).good();
    operator.act("receive_delivery", &received).good();
    assert_eq!(operator.act("open_count", &open("R-10")).refused(409), "set-up-for-another-item");
    // The bench is cleared between items, and the station challenged with the new set-up.
    plant.signed_run("roll/R-1", "incoming", &plain_run(500));
    let set_up = json!({
        "station": "T-1", "item": "L-2", "sensor": "gap", "sensitivity": "4", "speed_labels_per_min": 1_000,
    });
    assert_eq!(operator.act("set_up_station", &set_up).refused(409), "bench-not-cleared");
    operator.act("clear_bench", &json!({ "station": "T-1", "places": ["table"], "found": "nothing" })).good();
    assert_eq!(operator.act("set_up_station", &set_up).refused(409), "closing-challenge-first");
    let repair = json!({ "station": "T-1", "work": "repair", "text": "a new sensor" });
    assert_eq!(operator.act("log_station_work", &repair).refused(409), "closing-challenge-first");
    plant.challenge("end");
    operator.act("clear_bench", &json!({ "station": "T-1", "places": ["table"], "found": "nothing" })).good();
    operator.act("set_up_station", &set_up).good();
    assert_eq!(operator.act("open_count", &open("R-10")).refused(409), "challenge-due");
    plant.challenge("start");
    plant.signed_run("roll/R-10", "incoming", &plain_run(500));
    plant.end();
}

#[test]
fn one_roll_runs_on_one_table_at_a_time() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    assert_eq!(operator.act("open_count", &open("R-1")).refused(409), "station-in-count");
    assert_eq!(operator.act("open_count", &open("R-2")).refused(409), "station-in-count");
    assert_eq!(operator.act("move_roll", &json!({ "roll": "R-1", "place": "shelf" })).refused(409), "roll-in-count");
    assert_eq!(
        operator.act("clear_bench", &json!({ "station": "T-1", "places": ["table"], "found": "nothing" })).refused(409),
        "station-in-count"
    );
    plant.run_table(plain_run(500));
    plant.wait_for_end(&count);
    operator.act("close_count", &json!({ "count": count })).good();
    // Not signed yet: the roll is not counted over it.
    assert_eq!(operator.act("open_count", &open("R-1")).refused(409), "count-not-signed");
    plant.end();
}
