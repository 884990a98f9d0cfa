//! Counts by hand are blind: whoever counts second must not be able to learn the first number.

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll, RollRun};
use tallyseal_tests::api::{Client, kinds};
use tallyseal_tests::packing::{CODED, ORDER, by_hand, part, taking_back};
use tallyseal_tests::plant::{CODE, Plant, password};
use tallyseal_tests::visitor::Visitor;

fn opened(plant: &Plant) -> String {
    let opened = json!({ "order": ORDER, "material": 1, "what": "spoiled" });
    part(&plant.who("label_room").act("open_hand_count", &opened).good(), "hand_count")
}

fn entered(plant: &Plant, who: &str, hand_count: &str, labels: u32) -> Value {
    plant.who(who).act("enter_hand_count", &json!({ "hand_count": hand_count, "labels": labels })).good()
}

/// The state as everybody sees it: alone, in the list, and by a search.
#[track_caller]
fn seen(client: &Client, hand_count: &str) -> Value {
    let stream = format!("hand_count/{hand_count}");
    let alone = client.thing(&stream).good();
    for page in ["/api/things/hand_count", "/api/things/hand_count?key=thing=hand_count"] {
        let listed = client.get(page).good();
        let all = listed["things"].as_array().unwrap();
        assert_eq!(all.iter().find(|thing| thing["stream"] == json!(stream)), Some(&alone), "{page}");
    }
    alone["state"].clone()
}

fn copy(client: &Client, record: &str) -> Result<Vec<u8>, String> {
    let asked = json!({ "record": record, "role": client.role });
    client.post_for_bytes("/api/exports", &asked).map_err(|answer| answer.refused(409))
}

#[test]
fn the_first_number_of_a_hand_count_is_nobody_s_to_see_until_the_second_is_there() {
    let plant = Plant::at_the_line();
    plant.start_order(ORDER);
    let hand_count = opened(&plant);
    let stream = format!("/api/entries?stream=hand_count/{hand_count}");
    // Nothing is told yet, and nothing is refused.
    plant.who("supervisor").get(&stream).good();
    let receipt = entered(&plant, "label_room", &hand_count, 347);
    assert_eq!(kinds(&receipt), ["hand_count.entered"]);
    assert!(!receipt.to_string().replace(receipt["checkpoint"].as_str().unwrap(), "").contains("\"labels\""));
    let n = receipt["entries"][0]["n"].as_u64().unwrap();

    for (who, client) in &plant.people {
        let state = seen(client, &hand_count);
        assert_eq!((&state["status"], &state["entered"]), (&json!("open"), &Value::Null), "{who}");
        // Nor may they ask whether it is one number after the other.
        for key in ["hand_count.entered=347", "hand_count.labels=347"] {
            let asked = client.get(&format!("/api/things/hand_count?key={key}"));
            assert_eq!(asked.refused(422), "invalid", "{who} {key}");
        }
    }
    // Who may still give a number reads neither the entry nor anything around it, in none of their roles.
    let ranges = [stream.clone(), format!("/api/entries?from={n}&to={n}"), "/api/entries?from=0".to_owned()];
    // The last range is a page of a thousand; the entry is in it or behind it.
    let pages = if n < 1_000 { &ranges[..] } else { &ranges[..2] };
    for who in ["label_room", "second", "line", "supervisor", "supervisor2", "everything"] {
        for role in ["supervisor", "reviewer", "line"] {
            for page in pages {
                let answer = plant.who(who).in_role(role).get(page);
                assert_eq!(answer.refused(403), "may-not-read", "{who} as {role}: {page}");
            }
        }
    }
    // Pages without it are theirs as ever; and who gives no number reads all.
    plant.who("supervisor").get(&format!("/api/entries?from={}&to={}", n - 1, n - 1)).good();
    for who in ["reviewer", "reviewer2", "auditor"] {
        let entry = plant.who(who).get(&format!("/api/entries?from={n}&to={n}")).good();
        assert_eq!(entry["body"], json!({ "labels": 347 }), "{who}");
    }
    // A copy is a way to read as well.
    for record in [format!("hand_count/{hand_count}"), format!("order/{ORDER}")] {
        for (who, role) in [("supervisor", "supervisor"), ("label_room", "label_room"), ("everything", "reviewer")] {
            let refused = copy(&plant.who(who).in_role(role), &record).unwrap_err();
            assert_eq!(refused, "hand-count-open", "{who} {record}");
        }
        copy(plant.who("auditor"), &record).unwrap();
    }

    // The second number, another one: it is counted anew, and whoever counts must not know either of them.
    let receipt = entered(&plant, "second", &hand_count, 348);
    assert_eq!(kinds(&receipt), ["hand_count.entered", "hand_count.differed"]);
    for (who, client) in &plant.people {
        let state = seen(client, &hand_count);
        assert_eq!((&state["status"], &state["entered"]), (&json!("differed"), &Value::Null), "{who}");
    }
    let told = format!("/api/entries?stream=hand_count/{hand_count}");
    assert_eq!(plant.who("supervisor").get(&told).refused(403), "may-not-read");
    assert_eq!(copy(plant.who("supervisor"), &format!("order/{ORDER}")).unwrap_err(), "hand-count-open");
    let read = plant.who("auditor").entries(&format!("hand_count/{hand_count}"));
    assert_eq!(read.iter().filter(|entry| entry["kind"] == "hand_count.entered").count(), 2);

    // Another attempt is as blind as the first; and where they agree it is open to all.
    let again = opened(&plant);
    entered(&plant, "second", &again, 348);
    assert_eq!(seen(plant.who("label_room"), &again)["entered"], Value::Null);
    assert_eq!(
        plant.who("supervisor").get(&format!("/api/entries?stream=hand_count/{again}")).refused(403),
        "may-not-read"
    );
    let receipt = entered(&plant, "label_room", &again, 348);
    assert_eq!(kinds(&receipt), ["hand_count.entered", "hand_count.agreed"]);
    assert_eq!(seen(plant.who("line"), &again)["entered"], json!([["U-0007", 348], ["U-0004", 348]]));
    assert_eq!(plant.who("supervisor").entries(&format!("hand_count/{again}")).len(), 4);
    // With a number that both said, what was counted before tells nothing any more.
    let all = plant.who("supervisor").entries(&format!("hand_count/{hand_count}"));
    let numbers = all.iter().filter(|entry| entry["kind"] == "hand_count.entered");
    assert_eq!(numbers.map(|entry| entry["body"]["labels"].as_u64().unwrap()).collect::<Vec<_>>(), [347, 348]);
    copy(plant.who("supervisor"), &format!("order/{ORDER}")).unwrap();
    plant.end();
}

/// What the order and its issue say of the labels on a roll.
fn told(client: &Client, issue: &str, roll: &str) -> [Value; 4] {
    let order = client.thing(&format!("order/{ORDER}")).good()["state"].clone();
    let issued = client.thing(&format!("issue/{issue}")).good()["state"].clone();
    // The list says no more than the thing alone.
    let listed = client.get("/api/things/order").good();
    assert!(listed["things"].as_array().unwrap().iter().any(|thing| thing["state"] == order));
    let rolls = issued["rolls"].as_array().unwrap();
    let of = |id: &str| rolls.iter().find(|one| one["roll"] == json!(format!("roll/{id}"))).unwrap()["labels"].clone();
    [order["rolls"][format!("roll/{roll}")]["issued"].clone(), of(roll), issued["labels"].clone(), of("R-1")]
}

#[test]
fn what_was_issued_of_a_roll_is_not_told_while_what_came_back_of_it_is_counted() {
    let plant = Plant::handed_back();
    plant.open_container("CN-1", "coded");
    let tail = plant.hand_counted(ORDER, Some(1), "coded_tail", 4);
    let coded = taking_back(ORDER, 1, "R-3", &json!({ "tail": tail, "container": "CN-1", "rest": "R-31" }));
    plant.who("label_room").act("take_back", &coded).good();
    plant.another_station("T-2");
    plant.set_up_for("T-2", CODED);
    let state = plant.who("auditor").thing(&format!("order/{ORDER}")).good();
    let issue = state["state"]["rolls"]["roll/R-3"]["issue"].as_str().unwrap().trim_start_matches("issue/").to_owned();
    for client in plant.people.values() {
        assert_eq!(told(client, &issue, "R-3"), [json!(100), json!(100), json!(300), json!(100)]);
    }

    let opened = json!({ "station": "T-2", "roll": "roll/R-31", "purpose": "return", "direction": "forward" });
    let count = plant.who("label_room").act("open_count", &opened).made();
    for (who, client) in &plant.people {
        let hidden = [Value::Null, Value::Null, Value::Null, json!(100)];
        assert_eq!(told(client, &issue, "R-3"), hidden, "{who}");
        // Of the rolls that do not run it is said as before.
        let state = client.thing(&format!("order/{ORDER}")).good();
        assert_eq!(state["state"]["rolls"]["roll/R-1"]["issued"], json!(100), "{who}");
    }
    plant.run_table(RollRun::new(Roll::plain(46, Some(CODE))));
    plant.wait_for_end(&count);
    plant.who("label_room").act("close_count", &json!({ "count": count })).good();
    assert_eq!(told(plant.who("label_room"), &issue, "R-3")[0], json!(100));
}

/// Those who are in the label room by one of their roles, and those who read no entries, take no copy in any role.
#[test]
fn a_copy_tells_nobody_what_they_may_not_read() {
    let plant = Plant::ready();
    let both = plant.hire("U-0031", &["label_room", "supervisor"]);
    let reviewer = plant.hire("U-0032", &["reviewer"]);
    let examiner = plant.who("incoming_examiner");
    copy(examiner, "roll/R-1").unwrap();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    for record in ["roll/R-1", "delivery/DL-1", "station/T-1", &format!("count/{count}")] {
        for client in [examiner, &both.in_role("supervisor"), &both.in_role("label_room")] {
            assert_eq!(copy(client, record).unwrap_err(), "roll-in-count", "{} {record}", client.role);
        }
        copy(&reviewer, record).unwrap();
        copy(plant.who("auditor"), record).unwrap();
    }
    plant.who("label_room").act("abort_count", &json!({ "count": count, "why": "the wrong roll lay on it" })).good();
    copy(examiner, "roll/R-1").unwrap();
    plant.end();

    let plant = Plant::at_the_line();
    plant.start_order(ORDER);
    let hand_count = opened(&plant);
    entered(&plant, "label_room", &hand_count, 347);
    for record in [format!("hand_count/{hand_count}"), format!("order/{ORDER}")] {
        assert_eq!(copy(plant.who("incoming_examiner"), &record).unwrap_err(), "hand-count-open", "{record}");
    }
    plant.end();
}

#[test]
fn what_two_agreed_on_is_hidden_while_the_same_is_counted_by_hand_again() {
    let plant = Plant::at_the_line();
    plant.start_order(ORDER);
    let first = plant.hand_counted(ORDER, Some(1), "spoiled", 137);
    plant.quantity(ORDER, 1, "spoiled", by_hand(&first)).good();
    let other = plant.hand_counted(ORDER, Some(1), "samples", 2);
    plant.quantity(ORDER, 1, "samples", by_hand(&other)).good();
    plant.open_container("CN-2", "spoiled");
    let filled = json!({ "container": "CN-2", "hand_count": first });
    plant.who("label_room").act("fill_container", &filled).good();

    let pages = [
        format!("/orders/{ORDER}"),
        format!("/things/order/{ORDER}"),
        format!("/lines/LN-1?order={ORDER}"),
        format!("/things/hand_count/{first}"),
        "/things/container/CN-2".to_owned(),
    ];
    let seen = |account: &str| -> Vec<&String> {
        let visitor = Visitor::sign_in(plant.url(), account, &password(account)).0;
        // As a word of its own: hashes and times have such digits in them.
        let tells = |path: &str| {
            let page = visitor.get(path).good();
            page.split(|c: char| !c.is_ascii_alphanumeric()).any(|word| word == "137")
        };
        pages.iter().filter(|path| tells(path)).collect()
    };
    let states = |client: &Client| {
        let order = client.thing(&format!("order/{ORDER}")).good()["state"]["quantities"].clone();
        let container = client.thing("container/CN-2").good()["state"]["labels"].clone();
        (seen_of(client, &first), order["1"]["count"].clone(), order["2"]["count"].clone(), container)
    };
    let told = (json!(137), json!(137), json!(2), json!(137));
    assert_eq!(states(plant.who("line")), told);
    assert!(seen("U-0008").len() >= 4, "{:?}", seen("U-0008"));

    // From the moment that it is begun, until a later one agrees: also while the two differ.
    let again = opened(&plant);
    for step in [None, Some(("label_room", 1)), Some(("second", 2))] {
        if let Some((who, labels)) = step {
            entered(&plant, who, &again, labels);
        }
        for (who, client) in &plant.people {
            assert_eq!(states(client), (Value::Null, Value::Null, json!(2), Value::Null), "{who} {step:?}");
        }
        for account in ["U-0004", "U-0008", "U-0010"] {
            assert_eq!(seen(account), Vec::<&String>::new(), "{account} {step:?}");
        }
        // Who may give a number reads it in no entry and no copy; who may not, does.
        let stream = format!("/api/entries?stream=hand_count/{first}");
        assert_eq!(plant.who("supervisor").get(&stream).refused(403), "may-not-read");
        let order = format!("/api/entries?stream=order/{ORDER}");
        assert_eq!(plant.who("supervisor").get(&order).refused(403), "may-not-read");
        plant.who("reviewer").get(&stream).good();
        assert_eq!(copy(plant.who("supervisor"), &format!("order/{ORDER}")).unwrap_err(), "hand-count-open");
        copy(plant.who("auditor"), &format!("order/{ORDER}")).unwrap();
    }
    plant.hand_counted(ORDER, Some(1), "spoiled", 137);
    assert_eq!(states(plant.who("line")), told);
    plant.who("supervisor").get(&format!("/api/entries?stream=hand_count/{first}")).good();
    plant.end();
}

/// The number that two agreed on, as the thing tells it.
fn seen_of(client: &Client, hand_count: &str) -> Value {
    seen(client, hand_count)["entered"][0][1].clone()
}
