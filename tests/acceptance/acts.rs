//! One act is done once, whoever repeats it, and nobody acts on a page that is out of date.

use serde_json::{Value, json};
use tallyseal_tests::api::{act, kinds};
use tallyseal_tests::plant::Plant;

fn moved(place: &str) -> Value {
    json!({ "roll": "R-1", "place": place })
}

#[test]
fn a_retried_request_gets_the_same_receipt_and_is_recorded_once() {
    let mut plant = Plant::stocked();
    let same = act();
    let first = plant.who("label_room").order("move_roll", &moved("shelf 1"), &same, &json!({}), None).good();
    assert_eq!((kinds(&first), &first["repeated"]), (vec!["roll.moved"], &json!(false)));
    let same_receipt = |again: &Value| {
        for field in ["act", "n", "leaf", "entries"] {
            assert_eq!(again[field], first[field], "{field}");
        }
        assert_eq!(again["repeated"], true);
    };
    let size = plant.size();
    let again = plant.who("label_room").order("move_roll", &moved("shelf 1"), &same, &json!({}), None).good();
    same_receipt(&again);
    assert_eq!(plant.size(), size);

    // Also after the roll has gone on, and after the server was started anew.
    plant.who("label_room").act("move_roll", &moved("shelf 2")).good();
    plant.stop();
    plant.start();
    let again = plant.who("label_room").order("move_roll", &moved("shelf 1"), &same, &json!({}), None).good();
    same_receipt(&again);
    assert_eq!(plant.roll("R-1")["place"], "shelf 2");
    assert_eq!(plant.kinds("roll/R-1").iter().filter(|kind| *kind == "roll.moved").count(), 2);
    plant.end();
}

#[test]
fn a_retried_refusal_stays_refused_and_is_recorded_once() {
    let plant = Plant::stocked();
    let same = act();
    let attempt =
        || plant.who("label_room").order("release_delivery", &json!({ "delivery": "DL-1" }), &same, &json!({}), None);
    let first = attempt().problem(403, "wrong-role");
    let size = plant.size();
    let again = attempt().problem(403, "wrong-role");
    assert_eq!(first["recorded"], again["recorded"]);
    assert!(first["recorded"]["n"].is_number(), "{first}");
    assert_eq!(plant.size(), size);
    plant.end();
}

#[test]
fn the_same_act_at_the_same_moment_from_many_hands_is_done_once() {
    let plant = Plant::stocked();
    let same = act();
    let operator = plant.who("label_room");
    let answers: Vec<Value> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..8)
            .map(|_| scope.spawn(|| operator.order("move_roll", &moved("shelf 1"), &same, &json!({}), None).good()))
            .collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).collect()
    });
    assert_eq!(answers.iter().filter(|answer| answer["repeated"] == false).count(), 1);
    assert!(answers.iter().all(|answer| answer["leaf"] == answers[0]["leaf"]));
    assert_eq!(plant.kinds("roll/R-1").iter().filter(|kind| *kind == "roll.moved").count(), 1);
    plant.end();
}

#[test]
fn the_same_act_with_another_request_is_a_conflict_and_does_nothing() {
    let plant = Plant::stocked();
    let same = act();
    let operator = plant.who("label_room");
    operator.order("move_roll", &moved("shelf 1"), &same, &json!({}), None).good();
    let size = plant.size();
    let other = [
        operator.order("move_roll", &moved("shelf 2"), &same, &json!({}), None),
        operator.order("move_roll", &moved("shelf 1"), &same, &json!({ "roll/R-1": 3 }), None),
        operator.order("move_roll", &json!({ "roll": "R-2", "place": "shelf 1" }), &same, &json!({}), None),
        operator.order("remark", &json!({ "record": "roll/R-1", "text": "moved" }), &same, &json!({}), None),
        // Another person's request is another request, however alike.
        plant.who("second").order("move_roll", &moved("shelf 1"), &same, &json!({}), None),
    ];
    for answer in other {
        assert_eq!(answer.refused(409), "other-request");
    }
    assert_eq!((plant.size(), plant.roll("R-1")["place"].as_str()), (size, Some("shelf 1")));
    // What the other wanted is done with an act of its own.
    plant.who("second").order("move_roll", &moved("shelf 2"), &act(), &json!({}), None).good();
    plant.end();
}

#[test]
fn of_two_people_who_act_on_one_page_the_second_is_told_what_changed() {
    let plant = Plant::stocked();
    let (one, other) = (plant.who("label_room"), plant.who("second"));
    let seen = |who: &tallyseal_tests::api::Client| json!({ "roll/R-1": who.thing("roll/R-1").good()["rev"] });
    let (page_one, page_other) = (seen(one), seen(other));
    assert_eq!(page_one, page_other);
    one.order("move_roll", &moved("shelf 1"), &act(), &page_one, None).good();

    let mine = act();
    let size = plant.size();
    let problem = other.order("move_roll", &moved("shelf 2"), &mine, &page_other, None).problem(409, "stale");
    let changed = &problem["changed"][0];
    assert_eq!(changed["stream"], "roll/R-1");
    assert_eq!(
        (&changed["expected"], &changed["rev"]),
        (&page_one["roll/R-1"], &json!(page_one["roll/R-1"].as_u64().unwrap() + 1))
    );
    assert_eq!((&changed["last"]["kind"], &changed["last"]["by"]["account"]), (&json!("roll.moved"), &json!("U-0004")));
    assert!(changed["last"]["at"].is_string(), "{changed}");
    assert!(problem["detail"].as_str().unwrap().contains("roll/R-1"), "{problem}");
    assert_eq!((plant.size(), plant.roll("R-1")["place"].as_str()), (size, Some("shelf 1")));

    // Having looked again, and with the same act too, since nothing was done under it.
    other.order("move_roll", &moved("shelf 2"), &mine, &seen(other), None).good();
    assert_eq!(plant.roll("R-1")["place"], "shelf 2");
    plant.end();
}

#[test]
fn a_page_that_showed_nothing_yet_is_out_of_date_once_the_thing_is_there() {
    let plant = Plant::stocked();
    let nothing_yet = json!({ "supplier/SU-2": 0 });
    let register = json!({ "supplier": "SU-2", "name": "Another printer", "site": "other.example" });
    let supervisor = plant.who("supervisor");
    supervisor.order("register_supplier", &register, &act(), &nothing_yet, None).good();
    let remark = json!({ "record": "supplier/SU-2", "text": "new here" });
    let problem = supervisor.order("remark", &remark, &act(), &nothing_yet, None).problem(409, "stale");
    assert_eq!((&problem["changed"][0]["expected"], &problem["changed"][0]["rev"]), (&json!(0), &json!(1)));
    // And the other way round: what never was is not there.
    let problem =
        supervisor.order("remark", &remark, &act(), &json!({ "supplier/SU-9": 4 }), None).problem(409, "stale");
    assert_eq!(problem["changed"][0]["last"], Value::Null);
    plant.end();
}
