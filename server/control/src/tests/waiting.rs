//! What waits for somebody's hand is found by a key for as long as it waits.

use tallyseal_schema::kinds::{ExaminationResult, OverrideKind};

use crate::testing::{
    CODE, CODED, Plant, close, examine, examiner, id, item_draft, open_incoming, receive, reviewer, room, run_of,
    supervisor,
};
use crate::testing_orders::{ORDER, approve_limits, draft_limits, limits_draft, request_override};
use crate::{Command, Key};

/// True where that thing is found by that key.
fn waits(plant: &Plant, stream: &str, key: &str) -> bool {
    plant.record(stream).keys(&id(stream)).contains(&Key::new(key, "yes"))
}

#[test]
fn a_delivery_waits_for_its_examination_and_then_for_quality() {
    let mut plant = Plant::furnished();
    plant.did(&room(), receive("D-1", CODED, &[("R-1", 100)]));
    let all = |plant: &Plant| {
        ["delivery.to_examine", "delivery.to_release", "delivery.to_reject"]
            .map(|key| waits(plant, "delivery/D-1", key))
    };
    assert_eq!(all(&plant), [true, false, false]);
    let mut bad = plant.clone();
    bad.did(&examiner(), examine("D-1", &["R-1"], ExaminationResult::Reject));
    assert_eq!(all(&bad), [false, false, true]);
    plant.did(&examiner(), examine("D-1", &["R-1"], ExaminationResult::Accept));
    assert_eq!(all(&plant), [false, true, false]);
    plant.did(&reviewer(), crate::testing::release("D-1"));
    assert_eq!(all(&plant), [false, false, false]);
}

#[test]
fn a_roll_waits_to_be_counted_until_it_is_begun() {
    let mut plant = Plant::ready();
    assert!(waits(&plant, "roll/R-1", "roll.to_count"));
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    assert!(!waits(&plant, "roll/R-1", "roll.to_count"));
    plant.says("ST-1", &count, &run_of(100, Some(CODE), &[]));
    plant.did(&room(), close(&count));
    // It waits for a signature now, not for another count.
    assert!(!waits(&plant, "roll/R-1", "roll.to_count"));
    plant.did(&room(), crate::testing::sign(&count));
    assert!(!waits(&plant, "roll/R-1", "roll.to_count"));
}

#[test]
fn counts_behind_a_failed_challenge_are_found_with_what_holds_their_roll() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    assert!(!waits(&plant, "roll/R-1", "roll.doubted") && !waits(&plant, "station/ST-1", "station.failed"));
    plant.challenge_failed("ST-1");
    assert!(waits(&plant, "roll/R-1", "roll.doubted") && waits(&plant, "station/ST-1", "station.failed"));
    let held = Key::new("hold.cause", "deviation/DV-000001");
    assert!(plant.record("roll/R-1").keys(&id("roll/R-1")).contains(&held));
    plant.challenged("ST-1");
    assert!(!waits(&plant, "station/ST-1", "station.failed"));
}

#[test]
fn an_override_waits_until_it_is_granted_or_refused() {
    let mut plant = Plant::planned();
    plant.did(&room(), request_override(OverrideKind::ExtraIssue, ORDER, "order/PO-1"));
    let undecided = |plant: &Plant| waits(plant, "override/OV-000001", "override.undecided");
    assert!(undecided(&plant));
    let mut refused = plant.clone();
    refused.did(&supervisor(), Command::RefuseOverride { over: id("OV-000001"), why: "not needed".to_owned() });
    assert!(!undecided(&refused));
    plant.did(&supervisor(), Command::GrantOverride { over: id("OV-000001") });
    assert!(!undecided(&plant));
}

#[test]
fn an_order_waits_for_its_signature_and_then_for_quality() {
    let of = |plant: &Plant| {
        ["order.running", "order.to_sign", "order.to_review", "order.held"]
            .map(|key| waits(plant, &format!("order/{ORDER}"), key))
    };
    assert_eq!(of(&Plant::planned()), [false, false, false, false]);
    assert_eq!(of(&Plant::started()), [true, false, false, false]);
    assert_eq!(of(&Plant::reconciled()), [false, true, false, false]);
    assert_eq!(of(&Plant::in_review()), [false, false, true, false]);
}

#[test]
fn what_quality_approves_waits_as_a_draft() {
    let mut plant = Plant::furnished();
    plant.did(&supervisor(), Command::DraftItem { item: id("L-900-A"), draft: Box::new(item_draft("L-900", "A")) });
    assert!(waits(&plant, "item/L-900-A", "item.drafted") && !waits(&plant, &format!("item/{CODED}"), "item.drafted"));
    plant.did(&supervisor(), draft_limits("LS-9", limits_draft("L-100", 0)));
    assert!(waits(&plant, "limit_set/LS-9", "limit_set.drafted"));
    plant.did(&reviewer(), approve_limits("LS-9"));
    assert!(!waits(&plant, "limit_set/LS-9", "limit_set.drafted"));
}
