use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::FaultKind::{Splice, Unread};
use tallyseal_schema::kinds::{CountPurpose, CrossCheck, Direction, FaultKind};

use crate::Command;
use crate::testing::{
    CODE, PLAIN, Plant, id, leave, lift, open, record_check, reviewer, room, run_of, second_reviewer, set_up, sign,
    take_out,
};

const FORWARD: Direction = Direction::Forward;
const REWIND: Direction = Direction::Rewind;

fn incoming(roll: &str, direction: Direction) -> Command {
    open("ST-1", &format!("roll/{roll}"), CountPurpose::Incoming, direction)
}

/// Counts R-4, leaves its faults on it, signs; gives the count.
fn counted(plant: &mut Plant, direction: Direction, labels: u32, faults: &[(u32, FaultKind)]) -> Id {
    plant.signed("ST-1", incoming("R-4", direction), &run_of(labels, None, faults))
}

/// The marks of the last tag: what, where, and whether some count missed it.
fn marks(plant: &Plant) -> Vec<(FaultKind, u32, bool)> {
    let Body::RollCountSettled(body) = &plant.last("roll.count_settled").body else { panic!() };
    body.marks.iter().map(|mark| (mark.fault, mark.position, mark.missed)).collect()
}

fn differ(plant: &Plant, count: &Id) -> bool {
    plant.count_state(count).exceptions.contains_key(&CrossCheck::FaultMapsDiffer)
}

// Worked by hand: a splice after label 40 of 100 has 60 labels outside it, so winding back meets it after 60 labels, and
// after that run 40 labels come off before it.

#[test]
fn what_only_the_first_of_two_counts_saw_is_on_the_tag_and_said() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice), (90, Unread)]);
    let second = plant.counted("ST-1", incoming("R-4", REWIND), &run_of(100, None, &[(11, Unread)]));
    plant.leave_all(&second);
    let made = plant.did(&room(), sign(&second));
    assert_eq!(
        made,
        ["count.exception_found C-000004", "\"counted\" C-000004", "roll.counted R-4", "roll.count_settled R-4",]
    );
    // The unread label 90 is the eleventh from outside; both saw it.
    assert_eq!(marks(&plant), [(Splice, 40, true), (Unread, 90, false)]);
    let Body::CountExceptionFound(body) = &plant.last("count.exception_found").body else { panic!() };
    assert_eq!(
        body.text,
        "Not every count of R-4 saw the same faults. All are on its tag; seen by some counts only, by their places from the outer end: splice 40."
    );
    // It is said before the signature, which stands, and it does not question the number.
    assert!(plant.record(&format!("count/{second}")).facts.signed("counted"));
    assert!(!plant.count_state(&second).in_doubt());
    assert!(!plant.roll("R-4").counts[1].in_doubt);
}

#[test]
fn what_only_the_second_saw_is_said_as_well() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[]);
    let second = counted(&mut plant, REWIND, 100, &[(60, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 40, true)]);
    assert!(differ(&plant, &second));
}

#[test]
fn the_same_place_within_two_labels_is_one_mark_and_beyond_two() {
    for (seen_again, expected) in [
        (60, vec![(Splice, 40, false)]),
        (58, vec![(Splice, 42, false)]),
        (62, vec![(Splice, 38, false)]),
        (57, vec![(Splice, 40, true), (Splice, 43, true)]),
        (63, vec![(Splice, 37, true), (Splice, 40, true)]),
    ] {
        let mut plant = Plant::ready_for_two();
        counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
        let second = counted(&mut plant, REWIND, 100, &[(seen_again, Splice)]);
        assert_eq!(marks(&plant), expected, "{seen_again}");
        assert_eq!(differ(&plant, &second), expected.len() > 1, "{seen_again}");
    }
}

#[test]
fn another_kind_in_the_same_place_is_another_fault_and_two_are_two() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice), (41, Splice)]);
    counted(&mut plant, REWIND, 100, &[(60, Splice), (60, FaultKind::Missing)]);
    let missing = FaultKind::Missing;
    // One of the two splices was seen again; which of them does not matter, both are marked.
    assert_eq!(marks(&plant), [(missing, 40, true), (Splice, 40, false), (Splice, 40, true)]);
}

#[test]
fn what_was_taken_out_after_the_first_count_is_neither_marked_nor_missed() {
    let mut plant = Plant::ready_for_two();
    let faults = [(30, Splice), (50, Splice)];
    let first = plant.counted("ST-1", incoming("R-4", FORWARD), &run_of(100, None, &faults));
    plant.did(&room(), take_out(&first, Splice, 50, 52, 4));
    plant.leave_all(&first);
    plant.did(&room(), sign(&first));
    // 96 labels, 66 of them outside the splice that is left.
    let mut sees = plant.clone();
    let second = counted(&mut sees, REWIND, 96, &[(66, Splice)]);
    assert_eq!(marks(&sees), [(Splice, 30, false)]);
    assert!(!differ(&sees, &second));
    let second = counted(&mut plant, REWIND, 96, &[]);
    assert_eq!(marks(&plant), [(Splice, 30, true)]);
    assert!(differ(&plant, &second));
}

#[test]
fn a_piece_of_the_second_count_takes_what_the_first_saw_in_it_and_brings_the_rest_nearer() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Unread), (70, Splice)]);
    // Winding back meets the unread label as the 61st and the splice after 30. Labels 59 to 62 are cut out for a splice.
    let second = plant.counted("ST-1", incoming("R-4", REWIND), &run_of(100, None, &[(62, Splice)]));
    plant.did(&room(), take_out(&second, Splice, 62, 62, 4));
    plant.did(&room(), sign(&second));
    // 70 labels outside it, less the four.
    assert_eq!(marks(&plant), [(Splice, 66, true)]);
}

#[test]
fn the_first_of_three_counts_is_heard_as_well_though_its_number_differs() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    counted(&mut plant, REWIND, 101, &[]);
    plant.did(&room(), record_check("R-4"));
    counted(&mut plant, FORWARD, 101, &[]);
    // After 60 of 101, so 41 outside; then after 41, so 60 outside.
    assert_eq!(marks(&plant), [(Splice, 60, true)]);
    // Seen by the first and the third, at its place or as far off as the numbers and the sensors allow.
    for (place, expected) in [(41, 1), (43, 1), (44, 2)] {
        let mut plant = Plant::ready_for_two();
        counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
        counted(&mut plant, REWIND, 101, &[(60, Splice)]);
        plant.did(&room(), record_check("R-4"));
        counted(&mut plant, FORWARD, 101, &[(place, Splice)]);
        assert_eq!(marks(&plant).len(), expected, "{place}");
    }
}

#[test]
fn a_difference_of_the_numbers_widens_what_is_the_same_place() {
    // Second count: one label more before the place.
    for (place, expected) in [(60, 1), (63, 1), (64, 2)] {
        let mut plant = Plant::ready_for_two();
        counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
        counted(&mut plant, REWIND, 101, &[(place, Splice)]);
        plant.did(&room(), record_check("R-4"));
        counted(&mut plant, FORWARD, 101, &[(101 - place, Splice)]);
        assert_eq!(marks(&plant).len(), expected, "{place}");
    }
}

#[test]
fn once_missed_stays_missed_though_a_later_count_sees_it() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    counted(&mut plant, REWIND, 101, &[]);
    plant.did(&room(), record_check("R-4"));
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 60, true)]);
}

#[test]
fn between_two_runs_the_same_way_the_faults_tell_whether_the_roll_was_wound_back() {
    // Wound back without a count: label 20 is label 20 again.
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(20, Splice), (40, Splice)]);
    counted(&mut plant, FORWARD, 100, &[(20, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 60, true), (Splice, 80, false)]);
    // Put on the other side: it comes after 80.
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(20, Splice), (40, Splice)]);
    counted(&mut plant, FORWARD, 100, &[(80, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 20, false), (Splice, 40, true)]);
    // Nothing tells: both places are marked.
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    counted(&mut plant, FORWARD, 100, &[]);
    assert_eq!(marks(&plant), [(Splice, 40, true), (Splice, 60, true)]);
    // In the middle both places are one.
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(50, Splice)]);
    counted(&mut plant, FORWARD, 100, &[]);
    assert_eq!(marks(&plant), [(Splice, 50, true)]);
}

#[test]
fn a_recount_loses_no_mark_of_the_tag_before_it() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", incoming("R-1", FORWARD), &run_of(100, Some(CODE), &[(40, Splice)]));
    assert_eq!(marks(&plant), [(Splice, 60, false)]);
    let recount = |direction| open("ST-1", "roll/R-1", CountPurpose::Recount, direction);
    let again = plant.signed("ST-1", recount(REWIND), &run_of(100, Some(CODE), &[]));
    assert_eq!(marks(&plant), [(Splice, 40, true)]);
    assert!(differ(&plant, &again));
    // And the next one does not forget it either, nor that it was missed once.
    plant.signed("ST-1", recount(FORWARD), &run_of(100, Some(CODE), &[(40, Splice)]));
    assert_eq!(marks(&plant), [(Splice, 60, true)]);
}

#[test]
fn what_a_doubted_count_saw_is_marked_and_it_misses_nothing() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    plant.challenge_failed("ST-1");
    plant.challenged("ST-1");
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    let mut both = plant.clone();
    counted(&mut plant, REWIND, 100, &[]);
    counted(&mut plant, FORWARD, 100, &[]);
    assert_eq!(marks(&plant), [(Splice, 60, true)]);
    // Two good counts saw it and another fault, which the doubted one had not seen.
    counted(&mut both, REWIND, 100, &[(60, Splice), (10, Unread)]);
    counted(&mut both, FORWARD, 100, &[(40, Splice), (91, Unread)]);
    assert_eq!(marks(&both), [(Unread, 10, false), (Splice, 60, false)]);
}

#[test]
fn a_count_that_a_failed_challenge_doubts_does_not_answer_for_what_it_did_not_see() {
    let mut plant = Plant::ready_for_two();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", PLAIN));
    plant.challenged("ST-2");
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    let on_other = open("ST-2", "roll/R-4", CountPurpose::Incoming, REWIND);
    plant.signed("ST-2", on_other, &run_of(101, None, &[]));
    plant.challenge_failed("ST-2");
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    counted(&mut plant, FORWARD, 100, &[(40, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 60, false)]);
}

#[test]
fn a_roll_that_was_wound_back_is_as_short_as_what_was_taken_out_of_it() {
    let mut plant = Plant::ready_for_two();
    let faults = [(20, Splice), (30, Splice), (60, Unread)];
    let first = plant.counted("ST-1", incoming("R-4", FORWARD), &run_of(100, None, &faults));
    plant.did(&room(), take_out(&first, Unread, 60, 60, 10));
    plant.did(&room(), leave(&first, Splice, 20, 30));
    plant.did(&room(), sign(&first));
    counted(&mut plant, FORWARD, 90, &[(20, Splice)]);
    assert_eq!(marks(&plant), [(Splice, 60, true), (Splice, 70, false)]);
}

#[test]
fn a_standing_count_that_is_doubted_takes_no_mark_off_the_roll() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", incoming("R-1", FORWARD), &run_of(100, Some(CODE), &[(40, Splice)]));
    plant.challenge_failed("ST-1");
    plant.challenged("ST-1");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
    assert!(plant.roll("R-1").settled.is_none());
    plant.signed("ST-1", incoming("R-1", REWIND), &run_of(100, Some(CODE), &[]));
    assert_eq!(marks(&plant), [(Splice, 40, true)]);
}

#[test]
fn counts_whose_faults_no_tag_holds_agree_in_nothing() {
    let mut plant = Plant::ready_for_two();
    // At the beginning of each run, so at two ends of the roll.
    let faults = |number: u32| (1..=number).map(|label| (label, Unread)).collect::<Vec<_>>();
    counted(&mut plant, FORWARD, 6_000, &faults(1_500));
    plant.did(&reviewer(), lift("roll/R-4", "DV-000001"));
    let mut fits = plant.clone();
    counted(&mut fits, REWIND, 6_000, &faults(1_000));
    assert_eq!(marks(&fits).len(), 2_500);
    counted(&mut plant, REWIND, 6_000, &faults(1_001));
    let Body::DeviationOpened(body) = &plant.last("deviation.opened").body else { panic!() };
    assert_eq!(body.text, "The counts of R-4 saw so many different faults that no tag holds them.");
    assert!(plant.roll("R-4").settled.is_none() && plant.roll("R-4").disagreed);
    assert_eq!(id::<Id>("R-4"), plant.last("roll.counts_disagreed").header.stream.id());
}
