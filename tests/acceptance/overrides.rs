//! What nobody may override, sentence by sentence, and the closed list of what may be: each refused with its reason,
//! and nothing of it written but the refusal.

use serde_json::{Value, json};
use tallyseal_schema::kinds::{OVERRIDES, Role};
use tallyseal_tests::api::{Answer, kinds};
use tallyseal_tests::packing::{
    CODED, DISPENSER, LOT, ORDER, VERIFIER, by_hand, clearance, device, examination, giving_back, mounting, part, plan,
    taking_back,
};
use tallyseal_tests::plant::{OTHER_CODE, Plant};

/// An override for an extra issue that is granted: it must open nothing but that.
fn granted(plant: &Plant) -> String {
    let over = plant.override_asked("label_room", "extra_issue", ORDER, &format!("order/{ORDER}"));
    plant.who("supervisor").sign("grant_override", &json!({ "over": over })).good();
    over
}

/// Every way to bring the roll to the line, with an override at hand, is refused with that code.
fn never_issued(plant: &Plant, roll: &str, code: &str) {
    let room = plant.who("label_room");
    let over = granted(plant);
    plant.refuses(409, code, || room.act("examine_before_issue", &examination(ORDER, 1, roll)));
    let give = json!({ "order": ORDER, "material": 1, "rolls": [roll] });
    plant.refuses(409, code, || room.sign("give_issue", &give));
    let with_it = json!({ "order": ORDER, "material": 1, "rolls": [roll], "extra": over });
    plant.refuses(409, code, || room.sign("give_issue", &with_it));
    assert_eq!(plant.state("override", &over)["status"], "granted", "it was not used");
}

#[test]
fn a_rejected_roll_is_issued_by_nobody() {
    let plant = Plant::packing();
    // Also after it was released and counted.
    let reject = json!({ "delivery": "D-1", "why": "the print smears" });
    plant.who("reviewer").sign("reject_delivery", &reject).good();
    never_issued(&plant, "R-1", "roll-rejected");
    plant.end();
}

#[test]
fn an_obsolete_roll_is_issued_and_taken_by_nobody() {
    let plant = Plant::packing();
    let issue = plant.given(ORDER, 1, &["R-1", "R-2", "R-3"]);
    let obsolete = json!({ "item": CODED, "rule": "immediate", "why": "a new leaflet" });
    plant.who("reviewer").sign("obsolete_item", &obsolete).good();
    never_issued(&plant, "R-6", "roll-obsolete");
    // What was given already is not taken over either.
    plant.refuses(409, "roll-obsolete", || plant.who("line").sign("take_issue", &json!({ "issue": issue })));
    plant.end();
}

#[test]
fn a_wrong_code_at_the_line_stops_the_order_holds_the_delivery_and_cannot_be_run_on() {
    let plant = Plant::at_the_line();
    let (line, reviewer, reviewer2) = (plant.who("line"), plant.who("reviewer"), plant.who("reviewer2"));
    plant.start_order(ORDER);
    let over = granted(&plant);
    let mut wrong = mounting(ORDER, 1, "R-1");
    wrong["code_read"] = json!(OTHER_CODE);
    // It is no refusal: it must be kept.
    let kept = line.act("mount_roll", &wrong).good();
    assert!(!kinds(&kept).contains(&"order.roll_mounted"), "{kept}");
    let deviation = part(&kept, "deviation");
    let known = plant.state("deviation", &deviation);
    assert_eq!((&known["rule"], &known["severity"]), (&json!("wrong_code"), &json!("critical")));
    for roll in ["R-1", "R-2", "R-3", "R-6"] {
        assert_eq!(plant.roll(roll)["holds"], json!([format!("deviation/{deviation}")]), "{roll}");
    }

    // Read again with the right code, another roll, another device: held is held, whoever asks.
    plant.refuses(409, "held", || line.act("mount_roll", &mounting(ORDER, 1, "R-1")));
    plant.refuses(409, "held", || line.act("mount_roll", &mounting(ORDER, 1, "R-2")));
    plant.refuses(409, "held", || {
        let given = json!({ "order": ORDER, "material": 1, "rolls": ["R-6"], "extra": over });
        plant.who("label_room").sign("give_issue", &given)
    });
    let about = [("order", ORDER), ("delivery", "D-1"), ("roll", "R-1"), ("roll", "R-2")];
    for (thing, id) in about {
        let lift = json!({ "record": format!("{thing}/{id}"), "cause": deviation, "why": "it was a reading mistake" });
        plant.refuses(403, "wrong-code-holds", || reviewer.sign("lift_hold", &lift));
        plant.refuses(403, "wrong-role", || plant.who("supervisor").sign("lift_hold", &lift));
    }
    // Neither may an interim word lift it.
    let interim = json!({ "deviation": deviation, "decision": "may_run_on", "text": "with every label looked at" });
    reviewer.act("decide_interim", &interim).good();
    plant.refuses(409, "held", || line.act("mount_roll", &mounting(ORDER, 1, "R-2")));

    // After the deviation is closed the order and its other rolls run on; the roll itself never does.
    let lower = json!({ "deviation": deviation, "severity": "minor", "impact": "none", "why": "one reading" });
    plant.refuses(403, "critical-lowered", || plant.who("supervisor").act("assess_deviation", &lower));
    plant.deviation_accepted(&deviation);
    for (thing, id) in [("order", ORDER), ("delivery", "D-1"), ("roll", "R-2")] {
        let lift = json!({ "record": format!("{thing}/{id}"), "cause": deviation, "why": "no other label was found" });
        reviewer2.sign("lift_hold", &lift).good();
    }
    let lift = json!({ "record": "roll/R-1", "cause": deviation, "why": "no other label was found" });
    plant.refuses(403, "wrong-code-roll", || reviewer2.sign("lift_hold", &lift));
    plant.refuses(409, "held", || line.act("mount_roll", &mounting(ORDER, 1, "R-1")));
    line.act("mount_roll", &mounting(ORDER, 1, "R-2")).good();
    plant.end();
}

#[test]
fn a_held_roll_is_issued_by_nobody() {
    let plant = Plant::packing();
    // The examination before issue finds another code: roll, delivery and its other rolls are held.
    let mut wrong = examination(ORDER, 1, "R-1");
    wrong["code_read"] = json!(OTHER_CODE);
    plant.who("label_room").act("examine_before_issue", &wrong).good();
    never_issued(&plant, "R-1", "held");
    never_issued(&plant, "R-6", "held");
    plant.end();
}

#[test]
fn coded_labels_never_go_back_to_stock() {
    let plant = Plant::handed_back();
    let room = plant.who("label_room");
    let back = |more: Value| room.act("take_back", &taking_back(ORDER, 1, "R-3", &more));
    plant.refuses(409, "coded-tail-not-counted", || back(json!({ "rest": "R-31" })));
    plant.open_container("CN-1", "coded");
    plant.open_container("CN-2", "uncoded");
    plant.refuses(409, "coded-tail-not-counted", || back(json!({ "rest": "R-31", "container": "CN-1" })));
    let tail = plant.hand_counted(ORDER, Some(1), "coded_tail", 4);
    plant.refuses(422, "no-container", || back(json!({ "rest": "R-31", "tail": tail })));
    plant.refuses(409, "container-for-another", || back(json!({ "rest": "R-31", "tail": tail, "container": "CN-2" })));
    plant.refuses(409, "hand-count-of-another", || {
        room.act("fill_container", &json!({ "container": "CN-2", "hand_count": tail }))
    });
    // What was counted as something else is no coded tail.
    let other = plant.hand_counted(ORDER, Some(1), "container", 4);
    plant.refuses(409, "hand-count-of-another", || back(json!({ "rest": "R-31", "tail": other, "container": "CN-1" })));
    // A number of one person alone is none.
    let alone = json!({ "order": ORDER, "material": 1, "what": "coded_tail" });
    let alone = part(&room.act("open_hand_count", &alone).good(), "hand_count");
    room.act("enter_hand_count", &json!({ "hand_count": alone, "labels": 0 })).good();
    plant.refuses(409, "hand-count-not-agreed", || back(json!({ "rest": "R-31", "tail": alone })));
    // The un-coded rest is a new roll; the old one is no way back into the cage.
    back(json!({ "rest": "R-31", "tail": tail, "container": "CN-1" })).good();
    plant.refuses(409, "roll-is-no-more", || room.act("move_roll", &json!({ "roll": "R-3", "place": "cage" })));
    plant.refuses(409, "roll-is-no-more", || {
        room.act("take_back", &taking_back(ORDER, 1, "R-3", &json!({ "rest": "R-32", "tail": tail })))
    });
    plant.refuses(409, "roll-not-counted", || plant.who("reviewer").sign("release_return", &json!({ "roll": "R-31" })));
    // Nothing coded comes out of its container again.
    room.sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
    let more = plant.hand_counted(ORDER, Some(1), "coded_tail", 3);
    plant.refuses(409, "container-sealed", || {
        room.act("fill_container", &json!({ "container": "CN-1", "hand_count": more }))
    });
    plant.end();
}

#[test]
fn no_order_starts_resumes_or_ends_without_its_clearance() {
    let plant = Plant::at_the_line();
    let (line, line2) = (plant.who("line"), plant.who("line2"));
    let over = granted(&plant);
    let start = |clearance: &str| line.act("start_order", &json!({ "order": ORDER, "clearance": clearance }));
    plant.refuses(422, "invalid", || line.act("start_order", &json!({ "order": ORDER })));
    plant.refuses(422, "invalid", || line.act("start_order", &json!({ "order": ORDER, "clearance": null })));
    plant.refuses(404, "no-such-clearance", || start("CL-404"));
    plant.refuses(404, "no-such-clearance", || start(&over));
    let one = part(&line.sign("perform_clearance", &clearance(ORDER, "before")).good(), "clearance");
    plant.refuses(409, "clearance-not-checked", || start(&one));
    line2.sign("check_clearance", &json!({ "clearance": one })).good();
    // Another order's clearance of the same line.
    plant.who("supervisor").act("plan_order", &json!({ "order": "PO-2", "plan": plan("LOT-B", 24) })).good();
    let others = plant.cleared("PO-2", "before");
    plant.refuses(409, "clearance-of-another-order", || start(&others));
    start(&one).good();

    line.act("interrupt_order", &json!({ "order": ORDER, "cause": "the packer stands" })).good();
    let resume = json!({ "order": ORDER, "clearance": one });
    plant.refuses(409, "clearance-of-another-kind", || line.act("resume_order", &resume));
    line.act("resume_order", &json!({ "order": ORDER })).good();
    plant.run_rolls(ORDER);
    let finish = |clearance: &str| line.act("finish_order", &json!({ "order": ORDER, "clearance": clearance }));
    plant.refuses(422, "invalid", || line.act("finish_order", &json!({ "order": ORDER })));
    plant.refuses(409, "clearance-of-another-kind", || finish(&one));
    let after = part(&line.sign("perform_clearance", &clearance(ORDER, "after")).good(), "clearance");
    plant.refuses(409, "clearance-not-checked", || finish(&after));
    line2.sign("check_clearance", &json!({ "clearance": after })).good();
    finish(&after).good();
    plant.end();
}

#[test]
fn foreign_labels_on_the_line_are_no_clearance() {
    let plant = Plant::at_the_line();
    let line = plant.who("line");
    let mut found = clearance(ORDER, "before");
    found["places"][2]["foreign"] = json!(true);
    found["places"][2]["found"] = json!("one label of another product");
    let done = line.sign("perform_clearance", &found).good();
    let deviation = part(&done, "deviation");
    assert_eq!(plant.state("deviation", &deviation)["severity"], "critical");
    let foreign = part(&done, "clearance");
    plant.who("line2").sign("check_clearance", &json!({ "clearance": foreign })).good();
    let start = json!({ "order": ORDER, "clearance": foreign });
    plant.refuses(409, "held", || line.act("start_order", &start));
    // Also when the hold is lifted, it is not this clearance that counts.
    plant.deviation_accepted(&deviation);
    let lift =
        json!({ "record": format!("order/{ORDER}"), "cause": deviation, "why": "the label was of the order before" });
    plant.who("reviewer2").sign("lift_hold", &lift).good();
    plant.refuses(409, "foreign-found", || line.act("start_order", &start));
    plant.start_order(ORDER);
    plant.end();
}

/// There is no waiver in this book: an account is made, checked, and stands, or the record is rejected.
#[test]
fn an_account_is_not_waived_after_the_fact() {
    let plant = Plant::accounted();
    let (supervisor, reviewer) = (plant.who("supervisor"), plant.who("reviewer"));
    for name in ["waive_reconciliation", "waive", "grant_waiver"] {
        assert_eq!(reviewer.act(name, &json!({ "order": ORDER })).refused(404), "no-such-command");
    }
    let sign = || supervisor.sign("sign_for_packaging", &json!({ "order": ORDER }));
    plant.refuses(409, "order-finished", sign);
    plant.refuses(409, "order-finished", || reviewer.sign("approve_order", &json!({ "order": ORDER })));
    plant.who("label_room").sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
    let declared = json!({ "container": "CN-1", "labels": 4, "method": "shredded", "place": "room 4" });
    plant.refuses(409, "not-reconciled", || plant.who("label_room").sign("declare_destruction", &declared));
    plant.end();
}

/// Limits are frozen into an order at its first issue: what is approved or withdrawn later changes nothing in it.
#[test]
fn limits_are_not_changed_after_the_first_issue() {
    let plant = Plant::accounted();
    plant.who("reviewer").act("withdraw_limits", &json!({ "limit_set": "LS-1", "why": "too wide" })).good();
    plant.approved_limits("LS-3", CODED, 2, 0);
    let computed = plant.reconciled(ORDER, 1)["computed"].clone();
    assert_eq!((&computed["limits"]["short"]["labels"], &computed["balance"]), (&json!(5), &json!("within")));
    // A new order takes no limits that were withdrawn.
    plant.refuses(409, "limits-not-approved", || {
        plant.who("supervisor").act("plan_order", &json!({ "order": "PO-2", "plan": plan("LOT-B", 24) }))
    });
    plant.end();
}

#[test]
fn what_is_in_no_list_is_overridden_by_nobody() {
    let plant = Plant::at_the_line();
    for kind in [
        "waiver",
        "missing_clearance",
        "wrong_code",
        "held_roll",
        "rejected_roll",
        "obsolete_roll",
        "same_person",
        "coded_to_stock",
        "quality",
        "everything",
        "",
    ] {
        for (who, about) in [("label_room", "order/PO-1"), ("line", "order/PO-1"), ("label_room", "roll/R-1")] {
            let asked = json!({ "kind": kind, "order": ORDER, "about": about, "why": "we are in a hurry" });
            plant.refuses(422, "invalid", || plant.who(who).act("request_override", &asked));
        }
    }
    plant.end();
}

/// For every rule of the closed list: who asks, who grants, a reason, a second person, once, and a place where it is seen.
#[test]
fn what_may_be_overridden_has_its_roles_a_reason_and_a_second_person() {
    let plant = Plant::accounted();
    plant.who("label_room").sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
    let roles = [Role::LabelRoom, Role::Line, Role::IncomingExaminer, Role::Supervisor, Role::Reviewer];
    let everything = plant.who("everything");
    plant.who("supervisor").act("plan_order", &json!({ "order": "PO-2", "plan": plan("LOT-B", 24) })).good();
    for row in OVERRIDES {
        let kind = serde_json::to_value(row.kind).unwrap();
        let (order, about) = match kind.as_str().unwrap() {
            "late_destruction" => (ORDER, "container/CN-1".to_owned()),
            "extra_issue" => ("PO-2", "order/PO-2".to_owned()),
            _ => (ORDER, format!("order/{ORDER}")),
        };
        let asked = |why: &str| {
            let mut asked = json!({ "kind": kind, "order": order, "about": about, "why": why });
            match kind.as_str() {
                Some("extra_issue") => (asked["material"], asked["labels"]) = (json!(1), json!(100)),
                Some("device_overdue") => asked["device"] = json!(DISPENSER),
                _ => {}
            }
            asked
        };
        let asks = everything.in_role(row.asks[0].as_str());
        for role in roles.iter().filter(|role| !row.asks.contains(role)) {
            let other = everything.in_role(role.as_str());
            plant.refuses(403, "wrong-role", || other.act("request_override", &asked("a reason")));
        }
        plant.refuses(422, "no-reason", || asks.act("request_override", &asked("")));
        plant.refuses(422, "override-about-another", || {
            let mut other = asked("a reason");
            other["about"] = json!("roll/R-1");
            asks.act("request_override", &other)
        });
        let over = part(&asks.act("request_override", &asked("the line has lost a roll")).good(), "override");
        let it = json!({ "over": over });
        for role in roles.iter().filter(|role| !row.grants.contains(role)) {
            let other = everything.in_role(role.as_str());
            plant.refuses(403, "wrong-role", || other.sign("grant_override", &it));
        }
        // The same person in the right role is still the same person.
        let own = everything.in_role(row.grants[0].as_str());
        plant.refuses(403, "same-person", || own.sign("grant_override", &it));
        plant.refuses(403, "same-person", || own.act("refuse_override", &json!({ "over": over, "why": "no need" })));
        let grants = plant.who(row.grants[0].as_str());
        plant.refuses(401, "needs-password", || grants.act("grant_override", &it));
        grants.sign("grant_override", &it).good();
        plant.refuses(409, "override-granted", || grants.sign("grant_override", &it));
        // The order names it: what was set aside is read with its record.
        let named = plant.stream(&format!("order/{order}"));
        assert!(named.iter().any(|entry| entry["body"]["part"] == format!("override/{over}")), "{over}");
    }
    plant.end();
}

#[test]
fn an_override_is_used_once_and_only_where_the_rule_needs_it() {
    let plant = Plant::packing();
    let room = plant.who("label_room");
    let (over, refused) = (granted(&plant), plant.override_asked("label_room", "extra_issue", ORDER, "order/PO-1"));
    let no = json!({ "over": refused, "why": "what is there is enough" });
    plant.who("supervisor").act("refuse_override", &no).good();
    for roll in ["R-1", "R-2", "R-3"] {
        room.act("examine_before_issue", &examination(ORDER, 1, roll)).good();
    }
    let give = |rolls: &[&str], extra: &str| {
        room.sign("give_issue", &json!({ "order": ORDER, "material": 1, "rolls": rolls, "extra": extra }))
    };
    plant.refuses(422, "override-not-needed", || give(&["R-1", "R-2", "R-3"], &over));
    plant.issue(ORDER, 2, &["R-4"]);
    room.sign("give_issue", &json!({ "order": ORDER, "material": 1, "rolls": ["R-1", "R-2", "R-3"] })).good();
    room.act("examine_before_issue", &examination(ORDER, 1, "R-6")).good();
    plant.refuses(409, "override-refused", || give(&["R-6"], &refused));
    plant.refuses(404, "no-such-override", || give(&["R-6"], "OV-404"));
    let given = give(&["R-6"], &over).good();
    assert!(kinds(&given).contains(&"override.used"), "{given}");
    // Withdrawn, the rolls lie in the store again; the override is used up all the same.
    let issue = part(&given, "issue");
    room.act("withdraw_issue", &json!({ "issue": issue, "why": "nobody of the line is there" })).good();
    plant.refuses(409, "override-used", || give(&["R-6"], &over));
    plant.end();
}

/// A number that no device and no second person stands behind is none; and none is worked out from the others.
#[test]
fn a_quantity_has_its_device_or_two_people() {
    let plant = Plant::accounted();
    let line = plant.who("line");
    let record = |term: &str, source: Value| -> Answer { plant.quantity(ORDER, 1, term, source) };
    plant.refuses(422, "invalid", || record("good", json!({ "how": "estimate", "labels": 240 })));
    plant.refuses(422, "invalid", || record("good", json!(240)));
    plant.refuses(422, "invalid", || record("unaccounted", device(VERIFIER, 300, 310)));
    plant.refuses(422, "device-does-not-fit", || record("rejected", device(DISPENSER, 300, 310)));
    plant.refuses(422, "no-such-device", || record("good", device("DP-9", 300, 310)));
    plant.refuses(409, "readings-overlap", || record("good", device(VERIFIER, 200, 250)));
    plant.refuses(422, "reading-falls", || record("good", device(VERIFIER, 310, 300)));
    plant.refuses(422, "reading-too-large", || record("good", device(VERIFIER, 300, 1_000_000)));
    plant.refuses(422, "no-such-lot", || {
        line.act("record_units", &json!({ "order": ORDER, "lot": "LOT-Z", "source": device("UC-1", 300, 310) }))
    });
    let counted = plant.hand_counted(ORDER, Some(1), "samples", 3);
    plant.refuses(409, "hand-count-of-another", || record("spoiled", by_hand(&counted)));
    record("samples", by_hand(&counted)).good();
    plant.refuses(409, "hand-count-used", || record("samples", by_hand(&counted)));
    assert_eq!(plant.state("order", ORDER)["plan"]["lots"][0]["lot"], LOT);
    // A roll that the order does not have is given back by nobody.
    plant.refuses(409, "roll-of-another-order", || line.act("give_back", &giving_back(ORDER, 1, "R-6", "S-7")));
    plant.end();
}
