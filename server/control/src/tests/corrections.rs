use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{Disposition, Fate, FaultKind, Superseded};

use crate::testing::{
    CODE, Plant, check, close, colleague, correct, interrupt, labels, leave, open_incoming, room, run_of, set_aside,
    sign, supervisor, take_out,
};
use crate::{Command, CountStatus};

const SPLICE: FaultKind = FaultKind::Splice;

/// R-1 counted with these faults, closed.
fn closed(faults: &[(u32, FaultKind)]) -> (Plant, Id) {
    let mut plant = Plant::ready();
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), faults));
    (plant, count)
}

fn settled(plant: &Plant) -> (u32, u32, usize) {
    let settled = plant.roll("R-1").settled.clone().unwrap();
    (settled.taken_out.get(), settled.on_roll.get(), settled.marks.len())
}

#[test]
fn what_was_left_by_mistake_is_taken_out_and_both_are_in_the_book() {
    let (mut plant, count) = closed(&[(40, SPLICE)]);
    plant.did(&room(), leave(&count, SPLICE, 40, 40));
    plant.makes(&room(), correct(&count, SPLICE, 40, 40, Some(3)), &["count.disposition_corrected C-000003"]);
    let Body::CountFaultDisposed(old) = &plant.last("count.fault_disposed").body else { panic!() };
    assert_eq!(old.disposition, Disposition::Left);
    let entry = plant.last("count.disposition_corrected");
    let Body::CountDispositionCorrected(new) = &entry.body else { panic!() };
    assert_eq!((new.disposition, new.labels, new.fate), (Disposition::TakenOut, Some(labels(3)), Some(Fate::Specimen)));
    let was = Superseded { disposition: Disposition::Left, fate: None, labels: None, last: 40, ordinal: 40 };
    assert_eq!(new.superseded, [was]);
    assert_eq!(entry.header.why.as_deref(), Some("the wrong key was pressed"));
    plant.did(&room(), sign(&count));
    assert_eq!(settled(&plant), (3, 97, 0));
}

#[test]
fn what_was_taken_out_by_mistake_is_left_and_the_ledger_and_the_tag_follow() {
    let (mut plant, count) = closed(&[(40, SPLICE)]);
    plant.did(&room(), take_out(&count, SPLICE, 40, 40, 3));
    plant.did(&room(), correct(&count, SPLICE, 40, 40, None));
    let Body::CountDispositionCorrected(new) = &plant.last("count.disposition_corrected").body else { panic!() };
    let was = Superseded {
        disposition: Disposition::TakenOut,
        fate: Some(Fate::Waste),
        labels: Some(labels(3)),
        last: 40,
        ordinal: 40,
    };
    assert_eq!(new.superseded, [was]);
    // And once more: the number of the piece was wrong as well.
    plant.did(&room(), correct(&count, SPLICE, 40, 40, Some(5)));
    plant.did(&room(), correct(&count, SPLICE, 40, 40, None));
    plant.did(&room(), sign(&count));
    assert_eq!(settled(&plant), (0, 100, 1));
}

#[test]
fn it_is_corrected_with_a_reason_and_until_the_count_is_signed() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &run_of(100, Some(CODE), &[(40, SPLICE)]));
    plant.refuses(&room(), correct(&count, SPLICE, 40, 40, None), "nothing-to-correct");
    plant.did(&room(), leave(&count, SPLICE, 40, 40));
    plant.did(&room(), correct(&count, SPLICE, 40, 40, Some(2)));
    let mut ended = plant.clone();
    plant.did(&room(), close(&count));
    plant.refuses(&room(), correct(&count, SPLICE, 41, 50, None), "nothing-to-correct");
    plant.refuses(&room(), correct(&count, FaultKind::Missing, 40, 40, None), "nothing-to-correct");
    let mut silent = correct(&count, SPLICE, 40, 40, None);
    let Command::CorrectDisposition { why, .. } = &mut silent else { unreachable!() };
    *why = " ".to_owned();
    plant.refuses(&room(), silent, "no-reason");
    plant.refuses(&supervisor(), correct(&count, SPLICE, 40, 40, None), "wrong-role");
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), correct(&count, SPLICE, 40, 40, None), "count-signed");
    assert_eq!(plant.count_state(&count).status, CountStatus::Signed);
    assert!(plant.record(&format!("count/{count}")).facts.signed("counted"));
    // Nor in a count that came to nothing.
    ended.says("ST-1", &count, &[tallyseal_schema::observation::Observation::Unreadable { why: "x".to_owned() }]);
    ended.did(&room(), interrupt(&count));
    ended.refuses(&room(), correct(&count, SPLICE, 40, 40, None), "count-interrupted");
}

#[test]
fn a_wrong_code_stays_set_aside_and_nothing_else_is() {
    let (mut plant, count) = closed(&[(9, FaultKind::WrongCode), (40, SPLICE)]);
    plant.did(&room(), set_aside(&count, 9, 9));
    plant.did(&room(), leave(&count, SPLICE, 40, 40));
    for piece in [None, Some(1)] {
        plant.refuses(&room(), correct(&count, FaultKind::WrongCode, 9, 9, piece), "wrong-code-sets-aside");
    }
    let aside = |fault, place| Command::CorrectDisposition {
        count: count.clone(),
        fault,
        first: place,
        last: place,
        disposition: Disposition::SetAside,
        labels: None,
        fate: None,
        why: "the wrong key".to_owned(),
    };
    plant.refuses(&room(), aside(FaultKind::WrongCode, 9), "wrong-code-sets-aside");
    plant.refuses(&room(), aside(SPLICE, 40), "wrong-code-sets-aside");
    let wrong = plant.count_state(&count).faults.iter().find(|fault| fault.fault == FaultKind::WrongCode).unwrap();
    assert_eq!(wrong.disposition, Some(Disposition::SetAside));
}

#[test]
fn a_piece_is_corrected_whole_and_fits_like_any_other() {
    let unread = FaultKind::Unread;
    let (mut plant, count) = closed(&[(40, unread), (42, unread), (60, unread)]);
    plant.did(&room(), take_out(&count, unread, 40, 42, 3));
    plant.did(&room(), leave(&count, unread, 60, 60));
    plant.refuses(&room(), correct(&count, unread, 42, 42, None), "half-a-piece");
    plant.refuses(&room(), correct(&count, unread, 40, 42, Some(2)), "piece-too-short");
    plant.refuses(&room(), correct(&count, unread, 60, 60, Some(19)), "piece-overlaps");
    // Over its own old piece it may lie.
    plant.did(&room(), correct(&count, unread, 40, 42, Some(4)));
    assert_eq!(plant.count_state(&count).taken_out(), 4);
    plant.did(&room(), correct(&count, unread, 60, 60, Some(18)));
    plant.did(&room(), sign(&count));
    assert_eq!(settled(&plant), (22, 78, 0));
}

#[test]
fn no_correction_leaves_a_fault_on_the_roll_that_is_said_to_be_gone() {
    let unread = FaultKind::Unread;
    let (mut plant, count) = closed(&[(40, SPLICE), (39, unread), (38, FaultKind::Missing)]);
    plant.did(&room(), take_out(&count, SPLICE, 40, 40, 5));
    // These lay in that piece.
    plant.did(&room(), take_out(&count, unread, 39, 39, 0));
    plant.did(&room(), take_out(&count, FaultKind::Missing, 38, 38, 0));
    plant.refuses(&room(), correct(&count, SPLICE, 40, 40, None), "leans-on-piece");
    plant.refuses(&room(), correct(&count, SPLICE, 40, 40, Some(1)), "leans-on-piece");
    // A piece of two labels still holds the unread one, and no longer the missing one.
    plant.refuses(&room(), correct(&count, SPLICE, 40, 40, Some(2)), "leans-on-piece");
    plant.did(&room(), correct(&count, SPLICE, 40, 40, Some(3)));
    plant.did(&room(), correct(&count, unread, 39, 39, None));
    plant.did(&room(), correct(&count, FaultKind::Missing, 38, 38, None));
    plant.did(&room(), correct(&count, SPLICE, 40, 40, None));
    plant.did(&room(), sign(&count));
    assert_eq!(settled(&plant), (0, 100, 3));
}

#[test]
fn whoever_corrected_has_had_a_part_in_the_count() {
    let (mut plant, count) = closed(&[(40, SPLICE)]);
    plant.did(&room(), leave(&count, SPLICE, 40, 40));
    plant.did(&colleague(), correct(&count, SPLICE, 40, 40, Some(1)));
    plant.did(&room(), sign(&count));
    plant.refuses(&colleague(), check(&count), "same-person");
    plant.did(&supervisor(), check(&count));
}
