//! Who may not do what because of their role, and who not because of what they did before: every line of it through the
//! API, and nothing written but the refusal.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use tallyseal_schema::kinds::Role;
use tallyseal_tests::api::{Client, act};
use tallyseal_tests::packing::{
    CODED, ORDER, Step, clearance, commands, day, examination, giving_back, limits, part, plan, taking_back,
};
use tallyseal_tests::plant::Plant;

/// The first command of each name in a day.
fn one_of_each() -> Vec<(&'static str, Value)> {
    let mut seen = BTreeSet::new();
    let steps = day().into_iter().filter_map(|step| match step {
        Step::Act(_, name, command, _) => Some((name, command)),
        Step::Count => None,
    });
    steps.filter(|(name, _)| seen.insert(*name)).collect()
}

/// Label room: no acts of the line; line: none of the label room; administrator: no label acts; auditor: none but
/// reading; no act lets production stand in for quality. All of it is the one table of authority, held here command by
/// command and role by role.
#[test]
fn every_command_of_an_order_is_refused_to_a_role_that_it_is_not_for() {
    let plant = Plant::packing();
    let all = one_of_each();
    let names: BTreeSet<&str> = all.iter().map(|(name, _)| *name).collect();
    assert_eq!(names, commands().into_iter().collect());
    let roles = [
        Role::LabelRoom,
        Role::Line,
        Role::IncomingExaminer,
        Role::Supervisor,
        Role::Reviewer,
        Role::Auditor,
        Role::Administrator,
    ];
    for (name, command) in &all {
        let row = tallyseal_control::AUTHORITY.iter().find(|row| row.command == *name).unwrap();
        for role in roles.iter().filter(|role| !row.roles.contains(role)) {
            let client = plant.who(role.as_str());
            plant.refuses(403, "wrong-role", || client.act(name, command));
            // A role that the person does not have is no way around it.
            let borrowed = client.in_role(row.roles[0].as_str());
            plant.refuses(403, "not-your-role", || borrowed.act(name, command));
        }
    }
    let stranger = Client::stranger(plant.url());
    for (name, command) in &all {
        assert_eq!(stranger.act(name, command).refused(401), "signed-out", "{name}");
    }
    plant.end();
}

/// The acts of quality, as the rules list them: none of them is anybody else's, whatever they sign with.
#[test]
fn production_never_stands_in_for_quality() {
    const QUALITY: [&str; 14] = [
        "approve_limits",
        "withdraw_limits",
        "release_return",
        "consent_destruction",
        "review_order",
        "approve_order",
        "reject_order",
        "reopen_order",
        "decide_interim",
        "extend_due",
        "decide_deviation",
        "close_deviation",
        "lift_hold",
        "reject_delivery",
    ];
    for name in QUALITY {
        let row = tallyseal_control::AUTHORITY.iter().find(|row| row.command == name).unwrap();
        assert_eq!(row.roles, [Role::Reviewer], "{name}");
    }
    let plant = Plant::in_review();
    let supervisor = plant.who("supervisor");
    let review = json!({ "order": ORDER, "statement": "looked at" });
    plant.refuses(403, "wrong-role", || supervisor.sign("review_order", &review));
    plant.refuses(403, "wrong-role", || supervisor.sign("approve_order", &json!({ "order": ORDER })));
    // Nor does quality sign for packaging, or the line for the label room.
    plant.refuses(403, "wrong-role", || plant.who("reviewer").sign("sign_for_packaging", &json!({ "order": ORDER })));
    plant.end();
}

#[test]
fn whoever_drafts_limits_does_not_approve_them() {
    let plant = Plant::packing();
    let everything = plant.who("everything");
    let drafted = json!({ "limit_set": "LS-3", "draft": limits(CODED, 5, 0) });
    everything.in_role("supervisor").act("draft_limits", &drafted).good();
    let approve = json!({ "limit_set": "LS-3" });
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("approve_limits", &approve));
    plant.who("reviewer").sign("approve_limits", &approve).good();
    plant.end();
}

/// Two people and two roles, both present.
#[test]
fn giver_and_taker_of_an_issue_are_two_people_in_two_roles() {
    let plant = Plant::packing();
    let everything = plant.who("everything");
    for roll in ["R-1", "R-2", "R-3"] {
        plant.who("label_room").act("examine_before_issue", &examination(ORDER, 1, roll)).good();
    }
    let given = json!({ "order": ORDER, "material": 1, "rolls": ["R-1", "R-2", "R-3"] });
    let issue = part(&everything.in_role("label_room").sign("give_issue", &given).good(), "issue");
    let take = json!({ "issue": issue });
    plant.refuses(403, "same-person", || everything.in_role("line").sign("take_issue", &take));
    // Another person of the giver's own role is not enough.
    plant.refuses(403, "wrong-role", || plant.who("second").sign("take_issue", &take));
    let at_line = json!({ "order": ORDER, "material": 1, "roll": "R-1" });
    plant.refuses(409, "issue-not-taken", || plant.who("line").act("receive_at_line", &at_line));
    plant.who("line").sign("take_issue", &take).good();
    plant.end();
}

#[test]
fn whoever_clears_a_line_does_not_check_it() {
    let plant = Plant::packing();
    let everything = plant.who("everything");
    let performed = everything.in_role("line").sign("perform_clearance", &clearance(ORDER, "before")).good();
    let check = json!({ "clearance": part(&performed, "clearance") });
    plant.refuses(403, "same-person", || everything.in_role("line").sign("check_clearance", &check));
    plant.refuses(403, "same-person", || everything.in_role("supervisor").sign("check_clearance", &check));
    plant.who("line2").sign("check_clearance", &check).good();
    plant.end();
}

/// Blind, by two people; the first number is nobody's to read before the second.
#[test]
fn whoever_counted_by_hand_does_not_count_a_second_time() {
    let plant = Plant::handed_back();
    let everything = plant.who("everything");
    let opened = json!({ "order": ORDER, "material": 1, "what": "coded_tail" });
    let hand_count = part(&plant.who("label_room").act("open_hand_count", &opened).good(), "hand_count");
    let enter = json!({ "hand_count": hand_count, "labels": 4 });
    everything.in_role("label_room").act("enter_hand_count", &enter).good();
    plant.refuses(403, "same-person", || everything.in_role("label_room").act("enter_hand_count", &enter));
    plant.refuses(403, "same-person", || everything.in_role("supervisor").act("enter_hand_count", &enter));
    for who in ["label_room", "second", "line", "everything"] {
        let shown = plant.who(who).thing(&format!("hand_count/{hand_count}")).good();
        assert_eq!(shown["state"]["entered"], Value::Null, "{who} reads the first number: {shown}");
    }
    plant.who("second").act("enter_hand_count", &enter).good();
    assert_eq!(plant.state("hand_count", &hand_count)["status"], "agreed");
    plant.end();
}

#[test]
fn whoever_hands_a_roll_back_does_not_take_it_back() {
    let plant = Plant::at_the_line();
    let everything = plant.who("everything");
    everything.in_role("line").act("give_back", &giving_back(ORDER, 1, "R-3", "S-1")).good();
    let back = taking_back(ORDER, 1, "R-3", &json!({ "rest": "R-31" }));
    plant.refuses(403, "same-person", || everything.in_role("label_room").act("take_back", &back));
    plant.who("label_room").act("take_back", &back).good();
    plant.end();
}

#[test]
fn whoever_reconciles_does_not_check_it() {
    let plant = Plant::accounted();
    let everything = plant.who("everything");
    let it = json!({ "order": ORDER, "material": 1 });
    let account = part(&everything.in_role("supervisor").sign("reconcile", &it).good(), "reconciliation");
    let check = json!({ "reconciliation": account });
    for role in ["label_room", "supervisor", "reviewer"] {
        plant.refuses(403, "same-person", || everything.in_role(role).sign("check_reconciliation", &check));
    }
    // Second later but before use: nothing goes on without the check.
    plant.who("second").sign("reconcile", &json!({ "order": ORDER, "material": 2 })).good();
    plant.refuses(409, "account-not-checked", || {
        plant.who("supervisor").sign("sign_for_packaging", &json!({ "order": ORDER }))
    });
    plant.end();
}

#[test]
fn whoever_destroys_does_not_witness_it_and_nobody_witnesses_what_is_not_declared() {
    let plant = Plant::in_review();
    let everything = plant.who("everything");
    let witness = json!({ "container": "CN-1" });
    plant.refuses(409, "container-sealed", || plant.who("line").sign("witness_destruction", &witness));
    let declared = json!({ "container": "CN-1", "labels": 4, "method": "shredded", "place": "room 4" });
    everything.in_role("label_room").sign("declare_destruction", &declared).good();
    for role in ["line", "supervisor", "reviewer"] {
        plant.refuses(403, "same-person", || everything.in_role(role).sign("witness_destruction", &witness));
    }
    plant.refuses(403, "wrong-role", || plant.who("second").sign("witness_destruction", &witness));
    plant.who("line2").sign("witness_destruction", &witness).good();
    plant.end();
}

/// Whoever had any part in an order does not review, approve or reject its record.
#[test]
fn whoever_had_a_part_in_an_order_does_not_judge_its_record() {
    let plant = Plant::at_the_line();
    let everything = plant.who("everything");
    // The smallest part: one roll mounted.
    plant.start_order(ORDER);
    let mount = tallyseal_tests::packing::mounting(ORDER, 1, "R-1");
    everything.in_role("line").act("mount_roll", &mount).good();
    let off = json!({ "order": ORDER, "material": 1, "roll": "R-1", "ran": "used_up" });
    plant.who("line").act("dismount_roll", &off).good();
    plant.finish_order(ORDER);
    let reject = json!({ "order": ORDER, "why": "the line stood for too long" });
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("reject_order", &reject));
    plant.who("reviewer").sign("reject_order", &reject).good();
    plant.end();

    // Who only counted one thing by hand had a part too.
    let plant = Plant::handed_back();
    let everything = plant.who("everything");
    let opened = json!({ "order": ORDER, "material": 1, "what": "samples" });
    let hand_count = part(&plant.who("label_room").act("open_hand_count", &opened).good(), "hand_count");
    let enter = json!({ "hand_count": hand_count, "labels": 2 });
    everything.in_role("label_room").act("enter_hand_count", &enter).good();
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("reject_order", &reject));
    plant.end();
}

#[test]
fn packaging_signs_before_quality_and_who_signed_for_packaging_does_not_review() {
    let plant = Plant::accounted();
    let everything = plant.who("everything");
    for material in [1, 2] {
        plant.reconciled(ORDER, material);
    }
    plant.who("label_room").sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
    let review = json!({ "order": ORDER, "statement": "every entry was looked at" });
    let it = json!({ "order": ORDER });
    plant.refuses(409, "order-reconciled", || plant.who("reviewer").sign("review_order", &review));
    plant.refuses(409, "order-reconciled", || plant.who("reviewer").sign("approve_order", &it));
    everything.in_role("supervisor").sign("sign_for_packaging", &it).good();
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("review_order", &review));
    plant.refuses(409, "not-signed", || plant.who("reviewer").sign("approve_order", &it));
    plant.who("reviewer").sign("review_order", &review).good();
    // Destruction comes last, and the approval after it.
    plant.refuses(409, "container-not-destroyed", || plant.who("reviewer").sign("approve_order", &it));
    let declared = json!({ "container": "CN-1", "labels": 4, "method": "shredded", "place": "room 4" });
    plant.who("label_room").sign("declare_destruction", &declared).good();
    plant.who("line2").sign("witness_destruction", &json!({ "container": "CN-1" })).good();
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("approve_order", &it));
    plant.who("reviewer").sign("approve_order", &it).good();
    plant.end();
}

/// Who raised, assessed or investigated a deviation, or had a part in what it is about, does not approve it.
#[test]
fn whoever_raised_or_investigated_a_deviation_does_not_approve_it() {
    let plant = Plant::packing();
    let everything = plant.who("everything");
    let deviation = |by: [&Client; 3]| {
        let opened = json!({ "about": ["line/LN-1"], "severity": "major", "text": "the guide was loose" });
        let deviation = part(&by[0].act("open_deviation", &opened).good(), "deviation");
        let assessed = json!({ "deviation": deviation, "severity": "major", "impact": "none", "why": "looked at" });
        by[1].act("assess_deviation", &assessed).good();
        let investigated = json!({
            "deviation": deviation, "cause": "a screw", "others": "none", "conclusion": "no label is touched",
            "follow_up": "it was tightened",
        });
        by[2].sign("investigate", &investigated).good();
        deviation
    };
    let (supervisor, own) = (plant.who("supervisor"), everything.in_role("supervisor"));
    for by in [[&own, supervisor, supervisor], [supervisor, &own, supervisor], [supervisor, supervisor, &own]] {
        let deviation = deviation(by);
        let decide = json!({ "deviation": deviation, "decision": "accept", "text": "explained" });
        plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("decide_deviation", &decide));
        plant.refuses(409, "deviation-not-ready", || {
            plant.who("reviewer").act("close_deviation", &json!({ "deviation": deviation }))
        });
        plant.who("reviewer").sign("decide_deviation", &decide).good();
    }
    // A part in the order that it is about: planned it.
    own.act("plan_order", &json!({ "order": "PO-2", "plan": plan("LOT-B", 24) })).good();
    let opened = json!({ "about": ["order/PO-2"], "severity": "minor", "text": "a page was torn" });
    let deviation = part(&supervisor.act("open_deviation", &opened).good(), "deviation");
    let assessed = json!({ "deviation": deviation, "severity": "minor", "impact": "none", "why": "looked at" });
    supervisor.act("assess_deviation", &assessed).good();
    let investigated = json!({
        "deviation": deviation, "cause": "a corner", "others": "none", "conclusion": "it is legible", "follow_up": "none yet",
    });
    supervisor.sign("investigate", &investigated).good();
    let decide = json!({ "deviation": deviation, "decision": "accept", "text": "explained" });
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("decide_deviation", &decide));
    plant.end();
}

#[test]
fn whoever_sealed_a_container_or_counted_a_rest_does_not_consent_or_release_for_quality() {
    let plant = Plant::handed_back();
    let everything = plant.who("everything");
    let (room, rest) = (everything.in_role("label_room"), "R-31");
    plant.open_container("CN-1", "coded");
    let tail = plant.hand_counted(ORDER, Some(1), "coded_tail", 4);
    let back = taking_back(ORDER, 1, "R-3", &json!({ "tail": tail, "container": "CN-1", "rest": rest }));
    room.act("take_back", &back).good();
    let shipper = taking_back(ORDER, 2, "R-4", &json!({ "rest": "R-41" }));
    plant.who("label_room").act("take_back", &shipper).good();
    // 40 and not 46: six are short, and quality must consent.
    plant.count_rests("T-2", 40);
    let release = json!({ "roll": rest });
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("release_return", &release));
    plant.who("reviewer").sign("release_return", &release).good();
    plant.record_quantities(240);
    room.sign("seal_container", &json!({ "container": "CN-1", "seal": "S-3" })).good();
    for material in [1, 2] {
        plant.reconciled(ORDER, material);
    }
    let consent = json!({ "container": "CN-1", "why": "the missing ones are not in it" });
    plant.refuses(403, "same-person", || everything.in_role("reviewer").sign("consent_destruction", &consent));
    plant.who("reviewer").sign("consent_destruction", &consent).good();
    plant.end();
}

/// The password of a signature is the signer's own, and every signature asks for it.
#[test]
fn no_signature_of_an_order_is_given_without_the_signers_password() {
    let plant = Plant::in_review();
    let reviewer = plant.who("reviewer");
    let review = json!({ "order": ORDER, "statement": "every entry was looked at" });
    plant.refuses(401, "needs-password", || reviewer.act("review_order", &review));
    let size = plant.size();
    let with_anothers = reviewer.order("review_order", &review, &act(), &json!({}), Some(&plant.who("line").password));
    assert_eq!(with_anothers.refused(401), "wrong-password");
    // The attempt is in the book.
    assert_eq!(plant.size(), size + 1);
    plant.end();
}
