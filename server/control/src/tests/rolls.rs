use tallyseal_schema::kinds::{FaultKind, Role};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CODE, Plant, abort, all_hats, close, colleague, id, label, lift, line, open_incoming, open_recount, reviewer, room,
    run_of, second_reviewer, sign,
};
use crate::{Command, Key, Quality, Record};

fn move_to(roll: &str, place: &str) -> Command {
    Command::MoveRoll { roll: id(roll), place: place.to_owned() }
}

fn splice(ordinal: u32) -> Observation {
    Observation::Splice { ordinal, lane: None }
}

/// R-1 is on hold, because more splices were seen on it than its item allows; the count was given up.
fn held() -> Plant {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[splice(1), splice(2), splice(3)]);
    plant.did(&room(), abort(&count));
    plant
}

#[test]
fn a_roll_is_moved_by_the_label_room_whatever_its_state() {
    let mut plant = held();
    plant.makes(&room(), move_to("R-1", "cage of rejects"), &["roll.moved R-1"]);
    assert_eq!(plant.roll("R-1").place, "cage of rejects");
    plant.did(&reviewer(), Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() });
    plant.did(&room(), move_to("R-1", "cage 2"));
    plant.refuses(&room(), move_to("R-1", " "), "empty");
    plant.refuses(&room(), move_to("R-99", "cage 2"), "no-such-roll");
    plant.refuses(&line(), move_to("R-1", "line 2"), "wrong-role");
}

#[test]
fn a_hold_lies_over_the_roll_and_lifts_to_what_was_before() {
    let mut plant = held();
    assert_eq!(plant.roll("R-1").quality, Quality::Released);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "held");
    plant.makes(
        &second_reviewer(),
        lift("roll/R-1", "DV-000001"),
        &["roll.hold_lifted R-1", "\"hold lifted\" DV-000001"],
    );
    assert_eq!(plant.roll("R-1").quality, Quality::Released);
    assert_eq!(plant.last("roll.hold_lifted").header.why.as_deref(), Some("investigated"));
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn what_happens_under_a_hold_is_there_when_it_is_lifted() {
    let mut plant = held();
    plant.did(&reviewer(), Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() });
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
    assert_eq!(plant.roll("R-1").quality, Quality::Rejected);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "roll-rejected");
}

#[test]
fn two_holds_are_lifted_one_by_one() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    let count = plant.opened(&room(), open_recount("ST-1", "R-1"));
    plant.says("ST-1", &count, &[splice(1), splice(2), splice(3)]);
    plant.did(&room(), abort(&count));
    plant.challenge_failed("ST-1");
    assert_eq!(plant.roll("R-1").holds.len(), 2);
    plant.challenged("ST-1");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000002"));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "held");
    plant.refuses(&second_reviewer(), lift("roll/R-1", "DV-000002"), "not-held");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn a_hold_is_lifted_by_quality_over_the_deviation_that_caused_it() {
    let mut plant = held();
    for record in ["station/ST-1", "count/C-000003", "item/L-100-A"] {
        plant.refuses(&second_reviewer(), lift(record, "DV-000001"), "nothing-to-hold");
    }
    plant.refuses(&second_reviewer(), lift("roll/R-2", "DV-000001"), "not-held");
    plant.refuses(&second_reviewer(), lift("roll/R-1", "DV-000009"), "not-held");
    plant.refuses(&second_reviewer(), lift("roll/R-99", "DV-000001"), "no-such-roll");
    plant.refuses(&second_reviewer(), lift("delivery/D-1", "DV-000001"), "not-held");
    let (record, cause) = (id("roll/R-1"), id("DV-000001"));
    plant.refuses(&second_reviewer(), Command::LiftHold { record, cause, why: "ok".to_owned() }, "no-reason");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
}

#[test]
fn whoever_had_a_part_in_counting_a_roll_does_not_lift_its_hold() {
    let hats = || all_hats(Role::LabelRoom);
    let reviewing = || all_hats(Role::Reviewer);
    // Opened it.
    let mut plant = Plant::ready();
    let count = plant.opened(&hats(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[splice(1), splice(2), splice(3)]);
    plant.did(&room(), abort(&count));
    plant.refuses(&reviewing(), lift("roll/R-1", "DV-000001"), "same-person");
    // Ended it.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[splice(1), splice(2), splice(3)]);
    plant.did(&hats(), abort(&count));
    plant.refuses(&reviewing(), lift("roll/R-1", "DV-000001"), "same-person");
    // Signed it, and by that opened the deviation about its counts.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says(
        "ST-1",
        &count,
        &run_of(100, Some(CODE), &[(1, FaultKind::Splice), (2, FaultKind::Splice), (3, FaultKind::Splice)]),
    );
    plant.did(&hats(), close(&count));
    plant.leave_all(&count);
    plant.did(&hats(), sign(&count));
    plant.refuses(&reviewing(), lift("roll/R-1", "DV-000001"), "same-person");
    plant.did(&reviewer(), lift("roll/R-1", "DV-000001"));
}

#[test]
fn whoever_concluded_a_failed_challenge_does_not_lift_the_holds_that_it_caused() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    let run = plant.test_ran("ST-1", tallyseal_schema::kinds::Direction::Forward, &run_of(9, Some(CODE), &[]));
    plant.did(
        &all_hats(Role::LabelRoom),
        crate::testing::conclude("ST-1", "T-1", tallyseal_schema::kinds::Occasion::End, &[&run]),
    );
    plant.refuses(&all_hats(Role::Reviewer), lift("roll/R-1", "DV-000001"), "same-person");
    plant.did(&reviewer(), lift("roll/R-1", "DV-000001"));
}

#[test]
fn a_roll_is_found_by_what_it_is_now() {
    let keys = |plant: &Plant, roll: &str| {
        let record: &Record = plant.record(&format!("roll/{roll}"));
        record.keys(&id(&format!("roll/{roll}"))).into_iter().map(|key| key.0).collect::<Vec<_>>()
    };
    let mut plant = Plant::ready();
    assert_eq!(
        keys(&plant, "R-1"),
        [
            "roll.delivery=delivery/D-1",
            "roll.item=item/L-100-A",
            "roll.place=quarantine cage",
            "roll.stock=item/L-100-A",
            "roll.there=yes",
            "roll.to_count=yes",
            "thing=roll"
        ]
    );
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    assert!(keys(&plant, "R-1").contains(&"roll.bracket=station/ST-1#1".to_owned()));
    plant.challenged("ST-1");
    assert!(!keys(&plant, "R-1").contains(&"roll.bracket=station/ST-1#1".to_owned()));
    let plant = held();
    assert!(keys(&plant, "R-1").contains(&Key::new("roll.held", "yes").0));
    let mut plant = held();
    plant.did(&reviewer(), Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() });
    assert!(!keys(&plant, "R-1").contains(&"roll.stock=item/L-100-A".to_owned()));
}

#[test]
fn a_check_belongs_between_the_second_and_the_third_count() {
    let mut plant = held();
    plant.refuses(&room(), crate::testing::record_check("R-1"), "held");
    plant.refuses(&room(), crate::testing::record_check("R-2"), "counts-do-not-differ");
    plant.refuses(&room(), crate::testing::record_check("R-99"), "no-such-roll");
    // While a roll runs nothing is compared yet.
    let count = plant.opened(&colleague(), open_incoming("ST-1", "R-2"));
    plant.says("ST-1", &count, &[label(1, Some(CODE))]);
    plant.refuses(&room(), crate::testing::record_check("R-2"), "counts-do-not-differ");
}
