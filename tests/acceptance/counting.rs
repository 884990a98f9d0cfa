//! Counting rolls: what an operator does all day.

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Disturbance, Roll, RollRun, SimFaultKind, Trouble};
use tallyseal_tests::api::kinds;
use tallyseal_tests::plant::{CODE, OTHER_CODE, Plant};

fn plain(labels: u32) -> Roll {
    Roll::plain(labels, Some(CODE))
}

fn forward(roll: Roll) -> RollRun {
    RollRun::new(roll)
}

fn rewind(roll: Roll) -> RollRun {
    RollRun { direction: Direction::Rewind, ..RollRun::new(roll) }
}

/// A run in which so many labels are counted twice, or, below 0, passed over.
fn miscounted(run: RollRun, miscount: i32) -> RollRun {
    RollRun { miscount, ..run }
}

/// A run in which the table's last words are lost: the link is cut after that label.
fn lost_after(run: RollRun, after: u32) -> RollRun {
    let disturbances = vec![Disturbance { after, trouble: Trouble::CutLink { lines_lost: u32::MAX } }];
    RollRun { disturbances, ..run }
}

fn open(roll: &str, purpose: &str) -> Value {
    json!({ "station": "T-1", "roll": format!("roll/{roll}"), "purpose": purpose, "direction": "forward" })
}

#[track_caller]
fn settled(plant: &Plant, roll: &str) -> Value {
    let settled = plant.roll(roll)["settled"].clone();
    assert!(settled.is_object(), "no count of {roll} stands");
    settled
}

/// Kind and place of every fault on a roll's tag.
fn marks(settled: &Value) -> Vec<(&str, u64)> {
    let marks = settled["marks"].as_array().unwrap().iter();
    marks.map(|mark| (mark["fault"].as_str().unwrap(), mark["position"].as_u64().unwrap())).collect()
}

/// The checks that found an exception on a count, in order and once each.
fn exceptions(plant: &Plant, count: &str) -> Vec<String> {
    plant.count_state(count)["exceptions"].as_object().unwrap().keys().cloned().collect()
}

#[test]
fn two_counts_that_agree_stand_and_are_at_risk_until_the_closing_challenge() {
    let plant = Plant::ready();
    let roll =
        plain(498).with(100, SimFaultKind::Missing).with(200, SimFaultKind::Splice).with(300, SimFaultKind::Unread);
    plant.signed_run("roll/R-1", "incoming", &forward(roll.clone()));
    assert_eq!(plant.roll("R-1")["count_axis"], "uncounted", "one count of two does not stand");
    let second = plant.signed_run("roll/R-1", "incoming", &rewind(roll));

    let stands = settled(&plant, "R-1");
    assert_eq!(stands["rule"], "two_agree");
    assert_eq!((&stands["counted"], &stands["on_roll"], &stands["taken_out"]), (&json!(498), &json!(498), &json!(0)));
    assert_eq!(stands["standing"], format!("count/{second}"));
    // Forward and back: the end that ran first lies outermost again, where the line begins.
    assert_eq!(marks(&stands), [("missing", 100), ("splice", 200), ("unread", 300)]);

    assert_eq!(plant.roll("R-1")["count_axis"], "at_risk");
    assert_eq!(plant.challenge("end"), "station.challenge_passed");
    assert_eq!(plant.roll("R-1")["count_axis"], "counted");
    plant.end();
}

#[test]
fn a_recount_that_differs_by_one_is_resolved_by_a_third_after_a_check() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(500)));
    assert_eq!(settled(&plant, "R-1")["on_roll"], 500);
    assert_eq!(operator.act("open_count", &open("R-1", "incoming")).refused(409), "already-counted");
    let check = json!({ "roll": "R-1", "web": "runs true", "sensor": "clean", "speed": "as set up" });
    assert_eq!(operator.act("record_check", &check).refused(409), "counts-do-not-differ");

    plant.signed_run("roll/R-1", "recount", &miscounted(forward(plain(500)), -1));
    let before = plant.size();
    let problem = operator.act("open_count", &open("R-1", "recount")).problem(409, "check-first");
    assert!(problem["remedy"].as_str().unwrap().contains("web, sensor and speed"), "{problem}");
    // The refusal is an entry, and nothing else happened.
    assert_eq!((problem["recorded"]["n"].as_u64(), plant.size()), (Some(before), before + 1));

    operator.act("record_check", &check).good();
    assert_eq!(operator.act("record_check", &check).refused(409), "already-checked");
    plant.signed_run("roll/R-1", "recount", &rewind(plain(500)));
    let stands = settled(&plant, "R-1");
    assert_eq!((&stands["rule"], &stands["on_roll"]), (&json!("third_agrees"), &json!(500)));
    assert_eq!(stands["counts"].as_array().unwrap().len(), 3, "the one that stood, and both recounts");
    plant.end();
}

#[test]
fn three_counts_that_disagree_put_the_roll_on_hold_and_the_station_is_challenged() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.signed_run("roll/R-1", "incoming", &miscounted(rewind(plain(500)), -1));
    let check = json!({ "roll": "R-1", "web": "runs true", "sensor": "clean", "speed": "as set up" });
    operator.act("record_check", &check).good();
    let third = plant.run("roll/R-1", "incoming", &miscounted(forward(plain(500)), -2));
    let receipt = operator.sign("sign_count", &json!({ "count": third })).good();
    assert_eq!(
        kinds(&receipt),
        [
            "signature.applied",
            "roll.counted",
            "roll.counts_disagreed",
            "deviation.opened",
            "roll.held",
            "station.doubted"
        ]
    );
    let deviation = plant.who("reviewer").thing("deviation/DV-000001").good();
    assert_eq!(
        (&deviation["state"]["rule"], &deviation["state"]["severity"]),
        (&json!("counts_disagree"), &json!("major"))
    );
    // Its text is on every page: the numbers would tell the next operator what to find. They are in the roll's record.
    let text = deviation["state"]["text"].as_str().unwrap();
    assert!(["500", "499", "498"].iter().all(|number| !text.contains(number)), "{deviation}");
    let disagreed = plant.who("reviewer").entries("roll/R-1");
    let disagreed = disagreed.iter().find(|entry| entry["kind"] == "roll.counts_disagreed").unwrap();
    assert_eq!(disagreed["body"]["labels"], json!([500, 499, 498]));

    // Nobody counts on until it fits.
    assert_eq!(operator.act("open_count", &open("R-1", "incoming")).refused(409), "held");
    assert_eq!(operator.act("record_check", &check).refused(409), "held");
    assert_eq!(operator.act("open_count", &open("R-2", "incoming")).refused(409), "challenge-due");
    assert_eq!(plant.challenge("interval"), "station.challenge_passed");
    plant.signed_run("roll/R-2", "incoming", &forward(plain(500)));

    // After the reviewer's decision the counting begins anew.
    let reviewer = plant.who("reviewer");
    let lift = |why: &str, cause: &str| json!({ "record": "roll/R-1", "cause": cause, "why": why });
    assert_eq!(reviewer.sign("lift_hold", &lift("  ", "DV-000001")).refused(422), "no-reason");
    assert_eq!(reviewer.sign("lift_hold", &lift("the table was mended", "DV-000009")).refused(409), "not-held");
    reviewer.sign("lift_hold", &lift("the table was mended", "DV-000001")).good();
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(500)));
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    assert_eq!(settled(&plant, "R-1")["rule"], "two_agree");
    assert_eq!(plant.roll("R-1")["counts"].as_array().unwrap().len(), 5, "every attempt is kept");
    plant.end();
}

#[test]
fn a_link_cut_in_mid_roll_is_recorded_and_such_a_count_does_not_stand_alone() {
    let plant = Plant::ready();
    let cut = vec![Disturbance { after: 200, trouble: Trouble::CutLink { lines_lost: 30 } }];
    let first = plant.run("roll/R-1", "incoming", &RollRun { disturbances: cut.clone(), ..forward(plain(500)) });
    let found = exceptions(&plant, &first);
    for check in ["link_lost", "ordinal_gap", "total_against_labels"] {
        assert!(found.contains(&check.to_owned()), "{check} is not in {found:?}");
    }
    let said = plant.kinds(&format!("count/{first}"));
    let at =
        |kind: &str| said.iter().position(|known| known == kind).unwrap_or_else(|| panic!("no {kind} in {said:?}"));
    assert!(at("count.link_lost") < at("count.link_restored"));
    assert!(at("count.link_restored") < at("count.closed"));
    let station = plant.kinds("station/T-1");
    assert!(
        station.ends_with(
            &["station.count_opened", "station.link_lost", "station.link_up", "station.count_ended"].map(String::from)
        ),
        "{station:?}"
    );
    // The machine's own total is whole, so it is closed as an exception; two of that kind prove nothing to each other.
    assert_eq!(plant.count_state(&first)["labels"], 500);
    plant.who("label_room").sign("sign_count", &json!({ "count": first })).good();
    plant.signed_run("roll/R-1", "incoming", &RollRun { disturbances: cut, ..rewind(plain(500)) });
    assert_eq!(plant.roll("R-1")["count_axis"], "uncounted");
    let third = open("R-1", "incoming");
    assert_eq!(plant.who("label_room").act("open_count", &third).refused(409), "check-first");
    let check = json!({ "roll": "R-1", "web": "runs true", "sensor": "clean", "speed": "plug was loose" });
    plant.who("label_room").act("record_check", &check).good();
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    assert_eq!(settled(&plant, "R-1")["rule"], "third_agrees");
    plant.end();
}

#[test]
fn an_interrupted_count_is_wound_back_and_the_whole_roll_counted_again() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(lost_after(forward(plain(500)), 300));
    plant.wait_for("the loss of the link", || exceptions(&plant, &count).contains(&"link_lost".to_owned()));
    plant.wait_for_link(true);
    // What was counted up to there is no count.
    let close = json!({ "count": count });
    assert_eq!(operator.act("close_count", &close).refused(409), "roll-not-ended");
    let empty = json!({ "count": count, "cause": "" });
    assert_eq!(operator.act("interrupt_count", &empty).refused(422), "empty");
    let receipt = operator.act("interrupt_count", &json!({ "count": count, "cause": "the cable was pulled" })).good();
    assert_eq!(kinds(&receipt), ["count.interrupted", "station.count_ended", "roll.count_ended"]);
    assert_eq!(operator.act("close_count", &close).refused(409), "count-interrupted");
    assert_eq!(operator.sign("sign_count", &close).refused(409), "count-interrupted");

    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(500)));
    let roll = plant.roll("R-1");
    assert_eq!((&roll["settled"]["on_roll"], &roll["attempts"]), (&json!(500), &json!(3)));
    assert_eq!(roll["counts"].as_array().unwrap().len(), 2, "the part count was never added");
    plant.end();
}

#[test]
fn no_count_is_opened_or_closed_while_the_machine_is_gone() {
    let mut plant = Plant::ready();
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(forward(plain(500)));
    plant.wait_for_end(&count);
    plant.switch_table_off();
    let close = json!({ "count": count });
    assert_eq!(plant.who("label_room").act("close_count", &close).refused(409), "link-down");
    let lost = json!({ "count": count, "cause": "the table lost power" });
    plant.who("label_room").act("interrupt_count", &lost).good();
    assert_eq!(plant.who("label_room").act("open_count", &open("R-1", "incoming")).refused(409), "link-down");
    plant.switch_table_on();
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.end();
}

#[test]
fn a_count_that_is_not_whole_is_given_up_with_a_reason_by_whoever_runs_it() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    let give_up = |why: &str| json!({ "count": count, "why": why });
    assert_eq!(operator.act("abort_count", &give_up("")).refused(422), "no-reason");
    assert_eq!(operator.act("abort_count", &give_up(" .. ")).refused(422), "no-reason");
    operator.act("abort_count", &give_up("the wrong roll was on the table")).good();
    let entry = plant.stream(&format!("count/{count}")).pop().unwrap();
    assert_eq!((&entry["kind"], &entry["why"]), (&json!("count.aborted"), &json!("the wrong roll was on the table")));
    assert_eq!(operator.act("abort_count", &give_up("once more")).refused(409), "count-aborted");
    assert_eq!(plant.roll("R-1")["open_count"], Value::Null);
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.end();
}

#[test]
fn a_whole_count_is_given_up_only_by_a_supervisor_who_had_no_part_in_it() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(miscounted(forward(plain(500)), 1));
    plant.wait_for_end(&count);
    let (lost, why) = (json!({ "count": count, "cause": "lost" }), json!({ "count": count, "why": "one too many" }));
    assert_eq!(operator.act("interrupt_count", &lost).refused(409), "roll-ended");
    assert_eq!(operator.act("abort_count", &why).refused(409), "roll-ended");
    operator.act("close_count", &json!({ "count": count })).good();
    assert_eq!(operator.act("abort_count", &why).refused(409), "count-closed");
    plant.who("supervisor").act("abort_count", &why).good();
    assert_eq!(operator.sign("sign_count", &json!({ "count": count })).refused(409), "count-aborted");
    assert_eq!(plant.roll("R-1")["unsigned_count"], Value::Null);
    plant.end();
}

#[test]
fn a_torn_web_ends_the_run_and_its_part_count_is_never_closed() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(forward(plain(500).with(220, SimFaultKind::WebBreak)));
    plant.wait_for("the ticket of the torn roll", || plant.count_state(&count)["ticket"] == json!(220));
    assert_eq!(exceptions(&plant, &count), ["web_break"]);
    assert_eq!(operator.act("close_count", &json!({ "count": count })).refused(409), "web-broke");
    operator.act("interrupt_count", &json!({ "count": count, "cause": "the web tore" })).good();
    // Mended with a splice where it tore, and counted whole.
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500).with(220, SimFaultKind::Splice)));
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(500).with(220, SimFaultKind::Splice)));
    let stands = settled(&plant, "R-1");
    assert_eq!((&stands["on_roll"], marks(&stands)), (&json!(500), vec![("splice", 220)]));
    plant.end();
}

#[test]
fn every_fault_is_left_and_mapped_or_taken_out_with_its_fate_before_anybody_signs() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let roll = plain(500)
        .with(100, SimFaultKind::Missing)
        .with(200, SimFaultKind::Unread)
        .with(201, SimFaultKind::Unread)
        .with(300, SimFaultKind::Splice);
    let count = plant.run("roll/R-1", "incoming", &forward(roll));
    let sign = json!({ "count": count });
    let problem = operator.sign("sign_count", &sign).problem(409, "faults-wait");
    assert!(problem["detail"].as_str().unwrap().contains("4 faults wait"), "{problem}");

    let dispose = |more: Value| {
        let mut command = json!({ "count": count });
        command.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        operator.act("dispose_faults", &command)
    };
    let missing = json!({ "fault": "missing", "first": 100, "last": 100, "disposition": "left" });
    let refused = |changes: Value, status, code: &str| {
        let mut changed = missing.clone();
        changed.as_object_mut().unwrap().extend(changes.as_object().unwrap().clone());
        assert_eq!(dispose(changed).refused(status), code, "{changes}");
    };
    refused(json!({ "first": 101, "last": 101 }), 422, "no-such-fault");
    refused(json!({ "fault": "splice" }), 422, "no-such-fault");
    refused(json!({ "disposition": "set_aside" }), 403, "wrong-code-sets-aside");
    refused(json!({ "disposition": "taken_out" }), 422, "piece-without-fate");
    refused(json!({ "disposition": "taken_out", "labels": 2 }), 422, "piece-without-fate");
    refused(json!({ "disposition": "taken_out", "fate": "waste" }), 422, "piece-without-fate");
    refused(json!({ "labels": 2 }), 422, "no-piece");
    refused(json!({ "disposition": "taken_out", "labels": 101, "fate": "waste" }), 422, "piece-does-not-fit");
    dispose(missing.clone()).good();
    refused(json!({}), 422, "no-such-fault");

    let unread = json!({ "fault": "unread", "first": 200, "last": 201, "disposition": "taken_out", "fate": "waste" });
    let piece = |labels: u32| {
        let mut piece = unread.clone();
        piece["labels"] = json!(labels);
        piece
    };
    assert_eq!(dispose(piece(1)).refused(422), "piece-too-short", "it would leave label 200 on the roll");
    dispose(piece(2)).good();
    let splice = json!({
        "fault": "splice", "first": 300, "last": 300, "disposition": "taken_out", "labels": 4, "fate": "specimen",
    });
    dispose(splice).good();
    operator.sign("sign_count", &sign).good();

    // 500 ran over the table, 6 were cut out; what is left is counted again, with the faults nearer to the outer end.
    let left = plain(494).with(100, SimFaultKind::Missing);
    plant.signed_run("roll/R-1", "incoming", &rewind(left));
    let stands = settled(&plant, "R-1");
    assert_eq!((&stands["counted"], &stands["taken_out"], &stands["on_roll"]), (&json!(500), &json!(6), &json!(494)));
    assert_eq!(marks(&stands), [("missing", 100)]);
    plant.end();
}

#[test]
fn what_was_said_of_a_fault_is_corrected_with_a_reason_until_the_count_is_signed() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let count = plant.run("roll/R-1", "incoming", &forward(plain(500).with(300, SimFaultKind::Splice)));
    plant.dispose_all(&count);
    let correct = |why: &str| {
        let command = json!({
            "count": count, "fault": "splice", "first": 300, "last": 300, "disposition": "taken_out", "labels": 4,
            "fate": "specimen", "why": why,
        });
        operator.act("correct_disposition", &command)
    };
    assert_eq!(correct("").refused(422), "no-reason");
    correct("\"left\" was pressed, and it was cut out").good();
    operator.sign("sign_count", &json!({ "count": count })).good();
    assert_eq!(correct("once more").refused(409), "count-signed");
    let kinds = plant.kinds(&format!("count/{count}"));
    for kind in ["count.fault_disposed", "count.disposition_corrected"] {
        assert_eq!(kinds.iter().filter(|made| *made == kind).count(), 1, "{kind}");
    }
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(496)));
    let stands = settled(&plant, "R-1");
    assert_eq!((&stands["counted"], &stands["taken_out"]), (&json!(500), &json!(4)));
    assert!(marks(&stands).is_empty(), "{stands}");
    plant.end();
}

#[test]
fn what_only_one_of_two_counts_saw_is_on_the_tag_and_among_the_exceptions() {
    let plant = Plant::ready();
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500).with(200, SimFaultKind::Splice)));
    let second = plant.signed_run("roll/R-1", "incoming", &rewind(plain(500)));
    let stands = settled(&plant, "R-1");
    assert_eq!(marks(&stands), [("splice", 200)]);
    assert_eq!(stands["marks"][0]["missed"], true);
    assert_eq!(exceptions(&plant, &second), ["fault_maps_differ"]);
    plant.end();
}

#[test]
fn codes_that_the_station_did_not_read_are_read_by_hand_and_a_wrong_one_is_a_wrong_one() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    // The reader is off: the table tells totals, a splice and the end.
    let roll = Roll::plain(500, None).with(200, SimFaultKind::Splice);
    let count = plant.run("roll/R-1", "incoming", &forward(roll));
    plant.dispose_all(&count);
    let sign = || operator.sign("sign_count", &json!({ "count": count }));
    let read = |place: &str, splice: Option<u32>, found: &str| {
        let mut command = json!({ "count": count, "place": place, "found": found });
        if let Some(splice) = splice {
            command["splice"] = json!(splice);
        }
        operator.act("check_code", &command)
    };
    read("start", None, CODE).good();
    read("before_splice", Some(200), CODE).good();
    read("after_splice", Some(200), CODE).good();
    assert_eq!(sign().refused(409), "codes-by-hand");
    assert_eq!(plant.roll("R-2")["holds"], json!([]));
    read("end", None, OTHER_CODE).good();
    assert_eq!(plant.roll("R-2")["holds"], json!(["deviation/DV-000001"]), "the whole delivery is held");
    assert_eq!(sign().refused(409), "faults-wait");
    let aside = json!({ "count": count, "fault": "wrong_code", "first": 500, "last": 500, "disposition": "set_aside" });
    operator.act("dispose_faults", &aside).good();
    sign().good();
    plant.end();
}

#[test]
fn a_wrong_code_stops_sets_aside_and_holds_the_whole_delivery_at_once() {
    let plant = Plant::ready();
    let (operator, reviewer) = (plant.who("label_room"), plant.who("reviewer"));
    let count = plant.open_count("roll/R-1", "incoming", Direction::Forward);
    plant.run_table(forward(plain(500).with(150, SimFaultKind::WrongCode(OTHER_CODE.to_owned()))));
    plant.wait_for_end(&count);

    // Held before anybody has closed or signed anything.
    let deviation = reviewer.thing("deviation/DV-000001").good()["state"].clone();
    assert_eq!((&deviation["rule"], &deviation["severity"]), (&json!("wrong_code"), &json!("critical")));
    // What it says is for those who read entries, while the roll still runs.
    assert_eq!(deviation["text"], Value::Null);
    let opened = plant.stream("deviation/DV-000001").remove(0);
    for part in [OTHER_CODE, CODE, "label 150", "DL-1"] {
        assert!(opened["body"]["text"].as_str().unwrap().contains(part), "{part} is not in {opened}");
    }
    for roll in ["R-1", "R-2", "R-3", "R-4"] {
        assert_eq!(plant.roll(roll)["holds"], json!(["deviation/DV-000001"]), "{roll}");
    }
    let delivery = reviewer.thing("delivery/DL-1").good()["state"].clone();
    assert_eq!(delivery["holds"], json!(["deviation/DV-000001"]));

    operator.act("close_count", &json!({ "count": count })).good();
    assert_eq!(reviewer.thing("deviation/DV-000001").good()["state"]["text"], opened["body"]["text"]);
    let dispose = |disposition: &str| {
        let command = json!({
            "count": count, "fault": "wrong_code", "first": 150, "last": 150, "disposition": disposition,
        });
        operator.act("dispose_faults", &command)
    };
    assert_eq!(dispose("left").refused(403), "wrong-code-sets-aside");
    dispose("set_aside").good();
    operator.sign("sign_count", &json!({ "count": count })).good();

    // Nobody may override it, quality included, before it is investigated and closed.
    assert_eq!(operator.act("open_count", &open("R-2", "incoming")).refused(409), "held");
    for record in ["roll/R-2", "delivery/DL-1"] {
        let lift = json!({ "record": record, "cause": "DV-000001", "why": "looked at every label" });
        assert_eq!(reviewer.sign("lift_hold", &lift).refused(403), "wrong-code-holds");
    }
    reviewer.sign("reject_delivery", &json!({ "delivery": "DL-1", "why": "labels of another strength in it" })).good();
    assert_eq!(plant.roll("R-3")["quality"], "rejected");
    plant.end();
}

#[test]
fn a_roll_with_more_faults_than_its_item_allows_is_set_aside_by_itself() {
    let plant = Plant::ready();
    let spliced = [50, 100, 150, 200].into_iter().fold(plain(500), |roll, at| roll.with(at, SimFaultKind::Splice));
    plant.signed_run("roll/R-1", "incoming", &forward(spliced));
    let deviation = plant.who("reviewer").thing("deviation/DV-000001").good()["state"].clone();
    assert_eq!((&deviation["rule"], &deviation["severity"]), (&json!("fault_cap"), &json!("major")));
    assert_eq!(plant.roll("R-1")["holds"], json!(["deviation/DV-000001"]));
    assert_eq!(plant.roll("R-2")["holds"], json!([]), "its sisters are not held for that");
    plant.end();
}

#[test]
fn what_was_stated_and_counted_before_is_hidden_while_a_roll_is_counted() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let shown = || operator.thing("roll/R-1").good()["state"].clone();
    assert_eq!(shown()["stated"], 500);
    let first = plant.signed_run("roll/R-1", "incoming", &forward(plain(499)));
    assert_eq!(operator.thing(&format!("count/{first}")).good()["state"]["labels"], 499);

    let second = plant.open_count("roll/R-1", "incoming", Direction::Rewind);
    let hidden = |state: &Value| {
        for field in ["stated", "settled", "counts"] {
            assert_eq!(state[field], Value::Null, "{field} in {state}");
        }
    };
    hidden(&shown());
    let listed = operator.get("/api/things/roll").good()["things"].clone();
    for roll in listed.as_array().unwrap() {
        if roll["stream"] == "roll/R-1" {
            hidden(&roll["state"]);
        } else {
            assert_eq!(roll["state"]["stated"], 500);
        }
    }
    // Nor by another way: the count before it, the entries, a copy of the record.
    let earlier = operator.thing(&format!("count/{first}")).good()["state"].clone();
    for field in ["labels", "labels_seen", "machine_total", "ticket", "total_first"] {
        assert_eq!(earlier[field], Value::Null, "{field} of the count before");
    }
    assert_eq!(operator.get("/api/entries?stream=roll/R-1").refused(403), "may-not-read");
    for client in [operator, plant.who("second")] {
        for record in ["roll/R-1", "delivery/DL-1", "station/T-1"] {
            let copy = json!({ "record": record, "role": "label_room" });
            assert_eq!(client.send("POST", "/api/exports", Some(&copy)).refused(409), "roll-in-count", "{record}");
        }
    }
    let copy = json!({ "record": "roll/R-1", "role": "auditor" });
    assert!(
        plant.who("auditor").post_for_bytes("/api/exports", &copy).is_ok(),
        "those who verify are not kept from it"
    );

    plant.run_table(rewind(plain(499)));
    plant.wait_for_end(&second);
    operator.act("close_count", &json!({ "count": second })).good();
    assert_eq!(shown()["stated"], 500);
    assert_eq!(operator.thing(&format!("count/{first}")).good()["state"]["labels"], 499);
    plant.end();
}

#[test]
fn whoever_counts_does_not_look_the_number_up_in_another_role() {
    let plant = Plant::ready();
    let both = plant.hire("U-0021", &["label_room", "reviewer"]);
    let reviewer = both.in_role("reviewer");
    let copy = json!({ "record": "roll/R-1", "role": "reviewer" });
    let copied = || reviewer.post_for_bytes("/api/exports", &copy).map(|_| ());
    assert_eq!(reviewer.get("/api/entries?stream=roll/R-1").status, 200);
    copied().unwrap();
    let count = both.act("open_count", &open("R-1", "incoming")).made();
    assert_eq!(reviewer.get("/api/entries?stream=roll/R-1").refused(403), "may-not-read");
    assert_eq!(copied().unwrap_err().refused(409), "roll-in-count");
    both.act("abort_count", &json!({ "count": count, "why": "only looking" })).good();
    assert_eq!(reviewer.get("/api/entries?stream=roll/R-1").status, 200);
    copied().unwrap();
    plant.end();
}

#[test]
fn the_certified_number_is_hidden_while_its_test_roll_runs() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let certified = || operator.thing("test_roll/TR-1").good()["state"]["certified"].clone();
    assert_eq!(certified(), 101);
    let count = plant.open_count("test_roll/TR-1", "challenge", Direction::Forward);
    assert_eq!(certified(), Value::Null);
    operator.act("abort_count", &json!({ "count": count, "why": "only looking" })).good();
    assert_eq!(certified(), 101);
    plant.end();
}

#[test]
fn a_failed_challenge_locks_the_station_and_holds_every_roll_since_the_last_good_one() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    plant.signed_run("roll/R-1", "incoming", &forward(plain(500)));
    plant.signed_run("roll/R-1", "incoming", &rewind(plain(500)));
    assert_eq!(plant.challenge("interval"), "station.challenge_passed");
    plant.signed_run("roll/R-2", "incoming", &forward(plain(500)));
    let unsigned = plant.run("roll/R-3", "incoming", &forward(plain(500)));
    // A table that no longer sees splices.
    let blind = Roll {
        faults: Plant::test_roll().faults.into_iter().filter(|fault| fault.kind != SimFaultKind::Splice).collect(),
        ..Plant::test_roll()
    };
    assert_eq!(plant.challenge_with("end", &blind), "station.challenge_failed");

    let deviation = plant.who("reviewer").thing("deviation/DV-000001").good()["state"].clone();
    assert_eq!((&deviation["rule"], &deviation["severity"]), (&json!("challenge_failed"), &json!("major")));
    assert_eq!(
        deviation["about"],
        json!(["station/T-1", "roll/R-2", "roll/R-3"]),
        "not R-1: a good challenge closed it"
    );
    assert_eq!(plant.roll("R-1")["count_axis"], "counted");
    assert_eq!(plant.roll("R-2")["counts"][0]["doubted"], true);
    for roll in ["R-2", "R-3"] {
        assert_eq!(plant.roll(roll)["holds"], json!(["deviation/DV-000001"]), "{roll}");
    }
    // Signed afterwards it does not stand either.
    operator.sign("sign_count", &json!({ "count": unsigned })).good();
    assert_eq!(plant.roll("R-3")["counts"][0]["doubted"], true);
    // Locked until it is challenged again, and passes.
    assert_eq!(operator.act("open_count", &open("R-4", "incoming")).refused(409), "challenge-due");
    assert_eq!(plant.challenge("doubt"), "station.challenge_passed");
    plant.signed_run("roll/R-4", "incoming", &forward(plain(500)));
    plant.end();
}

#[test]
fn a_challenge_is_judged_on_every_run_in_both_directions() {
    let plant = Plant::ready();
    let operator = plant.who("label_room");
    let run = |roll: &Roll, direction| {
        plant.run("test_roll/TR-1", "challenge", &RollRun { direction, ..RollRun::new(roll.clone()) })
    };
    let conclude = |counts: &[&String]| {
        let command = json!({ "station": "T-1", "test_roll": "TR-1", "occasion": "interval", "counts": counts });
        operator.sign("conclude_challenge", &command)
    };
    assert_eq!(conclude(&[]).refused(422), "no-runs");
    let short = run(&Roll { labels: 100, ..Plant::test_roll() }, Direction::Forward);
    assert_eq!(operator.act("open_count", &open("R-1", "incoming")).refused(409), "conclude-first");
    let (good, back) = (run(&Plant::test_roll(), Direction::Forward), run(&Plant::test_roll(), Direction::Rewind));
    assert_eq!(conclude(&[&good, &good]).refused(422), "run-twice");
    // The run that did not fit is not left out.
    assert_eq!(conclude(&[&good, &back]).refused(409), "run-left-out");
    let concluded = conclude(&[&short, &good, &back]).good();
    assert_eq!(kinds(&concluded)[0], "station.challenge_failed");
    let good = run(&Plant::test_roll(), Direction::Forward);
    assert_eq!(conclude(&[&good]).refused(422), "both-directions");
    let back = run(&Plant::test_roll(), Direction::Rewind);
    let unsigned = json!({ "station": "T-1", "test_roll": "TR-1", "occasion": "interval", "counts": [good, back] });
    assert_eq!(operator.act("conclude_challenge", &unsigned).refused(401), "needs-password");
    assert_eq!(kinds(&conclude(&[&good, &back]).good())[0], "station.challenge_passed");
    plant.end();
}
