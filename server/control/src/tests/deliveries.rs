use tallyseal_schema::kinds::{DeliveryHeld, ExaminationResult, ObsoleteRule, Role, Severity};

use crate::testing::{
    CODED, OTHER_CODE, Plant, abort, all_hats, examine, examiner, id, labels, lift, open_incoming, receive, release,
    reviewer, room, second_reviewer, supervisor, system,
};
use crate::{Command, DeliveryState, DeliveryStatus, Quality, State};

const ACCEPT: ExaminationResult = ExaminationResult::Accept;

fn reject(delivery: &str) -> Command {
    Command::RejectDelivery { delivery: id(delivery), why: "misprinted".to_owned() }
}

fn state<'p>(plant: &'p Plant, delivery: &str) -> &'p DeliveryState {
    match &plant.record(&format!("delivery/{delivery}")).state {
        State::Delivery(state) => state,
        _ => panic!("no delivery"),
    }
}

/// A delivery of two rolls in quarantine.
fn received() -> Plant {
    let mut plant = Plant::furnished();
    plant.did(&room(), receive("D-1", CODED, &[("R-1", 100), ("R-2", 90)]));
    plant
}

#[test]
fn a_delivery_is_received_with_every_roll_into_quarantine() {
    let mut plant = Plant::furnished();
    plant.makes(
        &room(),
        receive("D-1", CODED, &[("R-1", 100), ("R-2", 90)]),
        &["delivery.received D-1", "roll.received R-1", "roll.received R-2"],
    );
    let roll = plant.roll("R-2");
    assert_eq!((roll.quality, roll.stated, roll.place.as_str()), (Quality::Quarantine, labels(90), "quarantine cage"));
}

#[test]
fn an_id_is_used_once_for_ever() {
    let mut plant = received();
    plant.refuses(&room(), receive("D-1", CODED, &[("R-9", 100)]), "id-in-use");
    plant.refuses(&room(), receive("D-2", CODED, &[("R-9", 100), ("R-1", 100)]), "id-in-use");
    plant.refuses(&room(), receive("D-2", CODED, &[("R-9", 100), ("R-9", 100)]), "roll-twice");
    // A refused delivery leaves nothing behind.
    plant.did(&room(), receive("D-2", CODED, &[("R-9", 100)]));
}

#[test]
fn a_delivery_has_one_to_a_thousand_rolls_and_each_states_something() {
    let plant = Plant::furnished();
    let of = |number: usize| {
        let rolls: Vec<String> = (0..number).map(|roll| format!("R-{roll:030}")).collect();
        let rolls: Vec<(&str, u32)> = rolls.iter().map(|roll| (roll.as_str(), 10_000_000)).collect();
        receive("D-1", CODED, &rolls)
    };
    plant.clone().refuses(&room(), of(0), "number-of-rolls");
    plant.clone().did(&room(), of(1));
    assert_eq!(plant.clone().did(&room(), of(1_000)).len(), 1_001);
    plant.clone().refuses(&room(), of(1_001), "number-of-rolls");
    plant.clone().refuses(&room(), receive("D-1", CODED, &[("R-1", 0)]), "nothing-stated");
    plant.clone().did(&room(), receive("D-1", CODED, &[("R-1", 1)]));
}

#[test]
fn only_an_approved_supplier_delivers_an_item() {
    let mut plant = Plant::furnished();
    plant.did(
        &supervisor(),
        Command::RegisterSupplier { supplier: id("SU-2"), name: "Printer".to_owned(), site: "Hall 1".to_owned() },
    );
    let from = |supplier: &str| {
        let mut command = receive("D-1", CODED, &[("R-1", 100)]);
        let Command::ReceiveDelivery { supplier: other, .. } = &mut command else { unreachable!() };
        *other = id(supplier);
        command
    };
    plant.refuses(&room(), from("SU-2"), "supplier-not-approved");
    plant.refuses(&room(), from("SU-3"), "no-such-supplier");
    plant.refuses(&room(), receive("D-1", "L-999-A", &[("R-1", 100)]), "no-such-item");
    plant.did(&reviewer(), Command::ApproveSupplier { supplier: id("SU-2"), item: id(CODED) });
    plant.did(&room(), from("SU-2"));
}

#[test]
fn a_delivery_is_examined_once_and_signed() {
    let mut plant = received();
    plant.makes(&examiner(), examine("D-1", &["R-1"], ACCEPT), &["delivery.examined D-1", "\"examined\" D-1"]);
    plant.refuses(&examiner(), examine("D-1", &["R-1"], ACCEPT), "already-examined");
    plant.did(&reviewer(), release("D-1"));
    plant.refuses(&examiner(), examine("D-1", &["R-1"], ACCEPT), "already-examined");
}

#[test]
fn an_examination_looks_at_rolls_of_the_delivery_each_of_them_once() {
    let mut plant = received();
    plant.did(&room(), receive("D-2", CODED, &[("R-3", 100)]));
    plant.refuses(&examiner(), examine("D-1", &["R-1", "R-3"], ACCEPT), "roll-of-another-delivery");
    plant.refuses(&examiner(), examine("D-1", &["R-1", "R-99"], ACCEPT), "roll-of-another-delivery");
    plant.refuses(&examiner(), examine("D-1", &["R-1", "R-1"], ACCEPT), "roll-twice");
    plant.refuses(&examiner(), examine("D-1", &[], ACCEPT), "nothing-examined");
    let mut nothing = examine("D-1", &["R-1"], ACCEPT);
    let Command::ExamineDelivery { sampled, .. } = &mut nothing else { unreachable!() };
    *sampled = labels(0);
    plant.refuses(&examiner(), nothing, "nothing-examined");
}

#[test]
fn one_critical_defect_rejects_whatever_the_plan_says() {
    let plant = received();
    let with = |defects: u32, found: ExaminationResult| {
        let mut command = examine("D-1", &["R-1"], found);
        let Command::ExamineDelivery { critical, major, minor, .. } = &mut command else { unreachable!() };
        (*critical, *major, *minor) = (defects, 9, 9);
        command
    };
    plant.clone().refuses(&examiner(), with(1, ACCEPT), "critical-defects-reject");
    plant.clone().did(&examiner(), with(0, ACCEPT));
    let mut plant = plant;
    plant.did(&examiner(), with(1, ExaminationResult::Reject));
    plant.refuses(&reviewer(), release("D-1"), "examination-rejects");
}

#[test]
fn quality_releases_what_was_examined_and_signed() {
    let mut plant = received();
    plant.refuses(&reviewer(), release("D-1"), "delivery-not-examined");
    plant.did(&examiner(), examine("D-1", &["R-1"], ACCEPT));
    plant.makes(
        &reviewer(),
        release("D-1"),
        &["delivery.released D-1", "\"released\" D-1", "roll.released R-1", "roll.released R-2"],
    );
    plant.refuses(&second_reviewer(), release("D-1"), "already-released");
}

#[test]
fn whoever_received_or_examined_a_delivery_does_not_decide_over_it() {
    let mut plant = Plant::furnished();
    plant.did(&all_hats(Role::LabelRoom), receive("D-1", CODED, &[("R-1", 100)]));
    plant.did(&examiner(), examine("D-1", &["R-1"], ACCEPT));
    plant.refuses(&all_hats(Role::Reviewer), release("D-1"), "same-person");
    plant.refuses(&all_hats(Role::Reviewer), reject("D-1"), "same-person");
    let mut plant = received();
    plant.did(&all_hats(Role::IncomingExaminer), examine("D-1", &["R-1"], ACCEPT));
    plant.refuses(&all_hats(Role::Reviewer), release("D-1"), "same-person");
    plant.refuses(&all_hats(Role::Reviewer), reject("D-1"), "same-person");
    plant.did(&reviewer(), release("D-1"));
}

#[test]
fn a_rejected_delivery_is_never_released_and_takes_every_roll_with_it() {
    let mut plant = received();
    plant.makes(
        &reviewer(),
        reject("D-1"),
        &["delivery.rejected D-1", "\"rejected\" D-1", "roll.rejected R-1", "roll.rejected R-2"],
    );
    assert_eq!(plant.last("roll.rejected").header.why.as_deref(), Some("misprinted"));
    plant.refuses(&reviewer(), release("D-1"), "delivery-rejected");
    plant.refuses(&reviewer(), reject("D-1"), "delivery-rejected");
    plant.refuses(&examiner(), examine("D-1", &["R-1"], ACCEPT), "delivery-rejected");
}

#[test]
fn quality_may_reject_in_any_state_with_a_reason() {
    for ready in [0, 1, 2, 3] {
        let mut plant = received();
        if ready >= 1 {
            let result = if ready == 3 { ExaminationResult::Reject } else { ACCEPT };
            plant.did(&examiner(), examine("D-1", &["R-1"], result));
        }
        if ready == 2 {
            plant.did(&reviewer(), release("D-1"));
        }
        let no_reason = Command::RejectDelivery { delivery: id("D-1"), why: String::new() };
        plant.refuses(&reviewer(), no_reason, "no-reason");
        plant.did(&reviewer(), reject("D-1"));
        assert_eq!(plant.roll("R-2").quality, Quality::Rejected, "{ready}");
    }
}

#[test]
fn nothing_of_an_obsolete_item_is_released() {
    let mut plant = received();
    plant.did(&examiner(), examine("D-1", &["R-1"], ACCEPT));
    let mut running_out = plant.clone();
    let last_use = plant.minutes_later(30);
    let (item, why) = (id(CODED), "the artwork changed".to_owned());
    let command = Command::ObsoleteItem { item, rule: ObsoleteRule::RunOut, last_use: Some(last_use), why };
    running_out.did(&reviewer(), command);
    running_out.clone().did(&reviewer(), release("D-1"));
    running_out.wait_until(last_use.plus_micros(1));
    running_out.refuses(&reviewer(), release("D-1"), "item-obsolete");
    let (item, why) = (id(CODED), "the artwork changed".to_owned());
    plant.did(&reviewer(), Command::ObsoleteItem { item, rule: ObsoleteRule::Immediate, last_use: None, why });
    plant.refuses(&reviewer(), release("D-1"), "item-obsolete");
}

#[test]
fn a_wrong_label_in_one_roll_holds_the_whole_delivery_for_good() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-2"));
    plant.says("ST-1", &count, &[crate::testing::label(1, Some(OTHER_CODE))]);
    assert_eq!(state(&plant, "D-1").holds.len(), 1);
    for roll in ["R-1", "R-2", "R-3"] {
        assert_eq!(plant.roll(roll).holds.len(), 1, "{roll}");
    }
    assert!(plant.roll("R-4").holds.is_empty());
    plant.did(&room(), abort(&count));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "held");
    for record in ["delivery/D-1", "roll/R-1", "roll/R-2"] {
        plant.refuses(&second_reviewer(), lift(record, "DV-000001"), "wrong-code-holds");
    }
    // Quality may reject what is on hold; that takes nothing away from the hold.
    plant.did(&reviewer(), reject("D-1"));
    assert_eq!(plant.roll("R-1").holds.len(), 1);
}

#[test]
fn a_delivery_on_hold_is_neither_examined_nor_released() {
    let mut plant = Plant::furnished();
    plant.did(&room(), receive("D-1", CODED, &[("R-1", 100), ("R-2", 100)]));
    plant.did(&room(), crate::testing::set_up("ST-1", CODED));
    plant.challenged("ST-1");
    let mut examined = plant.clone();
    examined.did(&examiner(), examine("D-1", &["R-2"], ACCEPT));
    for (plant, by, command) in
        [(&mut plant, examiner(), examine("D-1", &["R-2"], ACCEPT)), (&mut examined, reviewer(), release("D-1"))]
    {
        let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
        plant.says("ST-1", &count, &[crate::testing::label(1, Some(OTHER_CODE))]);
        plant.refuses(&by, command, "held");
    }
}

#[test]
fn a_large_delivery_is_held_whole_in_one_act() {
    let mut plant = Plant::furnished();
    let rolls: Vec<String> = (0..1_000).map(|roll| format!("R-{roll}")).collect();
    let rolls: Vec<(&str, u32)> = rolls.iter().map(|roll| (roll.as_str(), 100)).collect();
    plant.did(&room(), receive("D-1", CODED, &rolls));
    plant.did(&room(), crate::testing::set_up("ST-1", CODED));
    plant.challenged("ST-1");
    let count = plant.opened(&room(), open_incoming("ST-1", "R-7"));
    let made = plant.says("ST-1", &count, &[crate::testing::label(1, Some(OTHER_CODE))]);
    // Segment, fault, deviation, delivery, rolls.
    assert_eq!(made.len(), 1_004);
    assert!(!plant.roll("R-999").holds.is_empty());
}

#[test]
fn an_examination_that_changed_after_it_was_signed_releases_nothing() {
    // No command of this version changes it; a later one might, and the rule is held here.
    let mut plant = received();
    plant.did(&examiner(), examine("D-1", &["R-1"], ACCEPT));
    assert!(plant.record("delivery/D-1").facts.signed("examined"));
    let again = plant.last("delivery.examined").body.clone();
    plant.writes(&system(), "delivery/D-1", again);
    assert_eq!(state(&plant, "D-1").status, DeliveryStatus::ExaminedGood);
    assert!(!plant.record("delivery/D-1").facts.signed("examined"));
    plant.refuses(&reviewer(), release("D-1"), "not-signed");
}

#[test]
fn a_delivery_is_found_by_its_item_and_the_suppliers_lot_and_a_hold_can_be_lifted_from_it() {
    let mut plant = received();
    let keys: Vec<_> = plant.record("delivery/D-1").keys(&id("delivery/D-1")).into_iter().map(|key| key.0).collect();
    assert_eq!(
        keys,
        [
            "delivery.item=item/L-100-A",
            "delivery.supplier_lot=LOT-1",
            "delivery.to_examine=yes",
            "delivery.waits=yes",
            "thing=delivery"
        ]
    );
    // Only wrong codes hold a delivery in this version, and those holds stay. One of another cause is lifted:
    let command = Command::OpenDeviation {
        about: vec![id("delivery/D-1")],
        severity: Severity::Major,
        text: "papers of another delivery".to_owned(),
    };
    plant.did(&room(), command);
    let held = DeliveryHeld { cause: id("deviation/DV-000001") };
    plant.writes(&system(), "delivery/D-1", held.into());
    plant.refuses(&examiner(), examine("D-1", &["R-1"], ACCEPT), "held");
    plant.makes(
        &reviewer(),
        lift("delivery/D-1", "DV-000001"),
        &["delivery.hold_lifted D-1", "\"hold lifted\" DV-000001"],
    );
    plant.did(&examiner(), examine("D-1", &["R-1"], ACCEPT));
}
