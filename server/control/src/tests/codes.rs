use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::CodePlace::{AfterSplice, BeforeSplice, End, Start};
use tallyseal_schema::kinds::{DeviationRule, Direction, FaultKind, Severity};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CODE, OTHER_CODE, Plant, check, check_code, close, colleague, id, label, leave, open_challenge, open_incoming,
    room, run_of, set_aside, sign, supervisor,
};

/// R-1, whose item has a code, ran over a station that reads none; closed, its splices left.
fn unread_run(splices: &[u32]) -> (Plant, Id) {
    let mut plant = Plant::ready();
    let faults: Vec<_> = splices.iter().map(|place| (*place, FaultKind::Splice)).collect();
    let mut run = run_of(100, None, &faults);
    if splices.contains(&0) {
        run.insert(2, Observation::Splice { ordinal: 0, lane: None });
    }
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run);
    plant.leave_all(&count);
    (plant, count)
}

#[test]
fn codes_that_no_station_read_are_read_by_hand_at_start_end_and_both_sides_of_each_splice() {
    let (mut plant, count) = unread_run(&[40, 70]);
    assert!(!plant.count_state(&count).in_doubt());
    let places = [
        (Start, None, 1),
        (BeforeSplice, Some(40), 40),
        (AfterSplice, Some(40), 41),
        (BeforeSplice, Some(70), 70),
        (AfterSplice, Some(70), 71),
        (End, None, 100),
    ];
    // Every one of them is needed.
    for left_out in 0..places.len() {
        let mut plant = plant.clone();
        for (place, splice, _) in places.iter().enumerate().filter(|(n, _)| *n != left_out).map(|(_, place)| *place) {
            plant.refuses(&room(), sign(&count), "codes-by-hand");
            plant.makes(&room(), check_code(&count, place, splice, CODE), &["count.code_checked C-000003"]);
        }
        plant.refuses(&room(), sign(&count), "codes-by-hand");
        let (place, splice, ordinal) = places[left_out];
        plant.did(&room(), check_code(&count, place, splice, CODE));
        let Body::CountCodeChecked(body) = &plant.last("count.code_checked").body else { panic!() };
        assert_eq!((body.place, body.ordinal, body.matches, body.found.as_str()), (place, ordinal, true, CODE));
        plant.did(&room(), sign(&count));
    }
    let refusal = plant.act(&room(), sign(&count)).unwrap_err();
    assert_eq!(
        refusal.text,
        "The station did not read the codes of the count C-000003; nobody has read that of the first label (label 1), and 5 more."
    );
}

#[test]
fn a_splice_at_an_end_of_the_roll_has_one_side() {
    let (mut plant, count) = unread_run(&[0, 100]);
    for (place, splice) in [(Start, None), (End, None)] {
        plant.did(&room(), check_code(&count, place, splice, CODE));
    }
    plant.refuses(&room(), check_code(&count, BeforeSplice, Some(0), CODE), "no-label-there");
    plant.refuses(&room(), check_code(&count, AfterSplice, Some(100), CODE), "no-label-there");
    plant.refuses(&room(), sign(&count), "codes-by-hand");
    plant.did(&room(), check_code(&count, AfterSplice, Some(0), CODE));
    plant.refuses(&room(), sign(&count), "codes-by-hand");
    plant.did(&room(), check_code(&count, BeforeSplice, Some(100), CODE));
    plant.did(&room(), sign(&count));
}

#[test]
fn a_wrong_code_found_by_hand_is_a_wrong_code() {
    let (mut plant, count) = unread_run(&[40]);
    plant.makes(
        &room(),
        check_code(&count, AfterSplice, Some(40), OTHER_CODE),
        &[
            "count.code_checked C-000003",
            "deviation.opened DV-000001",
            "delivery.held D-1",
            "roll.held R-1",
            "roll.held R-2",
            "roll.held R-3",
        ],
    );
    let Body::DeviationOpened(body) = &plant.last("deviation.opened").body else { panic!() };
    assert_eq!((body.rule, body.severity), (DeviationRule::WrongCode, Severity::Critical));
    assert!(body.text.contains("label 41 of the run carries"), "{}", body.text);
    let wrong = plant.count_state(&count).faults.last().unwrap();
    assert_eq!((wrong.fault, wrong.ordinal, wrong.last), (FaultKind::WrongCode, 41, 41));
    // It cannot be read away, a second one opens no second deviation, and it can only be set aside.
    plant.refuses(&room(), check_code(&count, AfterSplice, Some(40), CODE), "already-checked");
    plant.makes(&room(), check_code(&count, End, None, OTHER_CODE), &["count.code_checked C-000003"]);
    plant.did(&room(), check_code(&count, Start, None, CODE));
    plant.did(&room(), check_code(&count, BeforeSplice, Some(40), CODE));
    plant.refuses(&room(), sign(&count), "faults-wait");
    plant.refuses(&room(), leave(&count, FaultKind::WrongCode, 41, 41), "wrong-code-sets-aside");
    plant.did(&room(), set_aside(&count, 1, 100));
    plant.did(&room(), sign(&count));
    let marks: Vec<_> = plant.roll("R-1").settled.as_ref().unwrap().marks.iter().map(|mark| mark.fault).collect();
    assert_eq!(marks.iter().filter(|kind| **kind == FaultKind::WrongCode).count(), 2);
}

#[test]
fn where_the_station_reads_them_nobody_need_to() {
    // Every label read, or said to be unread.
    let mut plant = Plant::ready();
    let faults = [(40, FaultKind::Splice), (50, FaultKind::Unread), (51, FaultKind::Overlap)];
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &faults));
    // One label passed without a word about its code: the reader was off.
    let mut plant = Plant::ready();
    let mut run = run_of(100, Some(CODE), &[]);
    let at = run.iter().position(|seen| *seen == label(60, Some(CODE))).unwrap();
    run[at] = label(60, None);
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run);
    plant.refuses(&room(), sign(&count), "codes-by-hand");
    plant.did(&room(), check_code(&count, Start, None, CODE));
    plant.did(&room(), check_code(&count, End, None, CODE));
    plant.did(&room(), sign(&count));
    // A station that tells nothing but a total.
    let mut plant = Plant::ready();
    let totals = [Observation::Reset {}, Observation::RollEnd { ordinal: 100 }, Observation::Total { value: 100 }];
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &totals);
    plant.refuses(&room(), sign(&count), "codes-by-hand");
    // An item without a code.
    let mut plant = Plant::ready_for_two();
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run_of(100, None, &[]));
    plant.refuses(&room(), check_code(&count, Start, None, CODE), "no-code-expected");
    plant.did(&room(), sign(&count));
}

#[test]
fn a_code_is_read_by_hand_where_there_is_a_label_and_while_the_count_is_not_signed() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &run_of(100, None, &[(40, FaultKind::Splice)]));
    plant.did(&room(), check_code(&count, BeforeSplice, Some(40), CODE));
    plant.refuses(&room(), check_code(&count, End, None, CODE), "count-open");
    plant.refuses(&room(), check_code(&count, BeforeSplice, None, CODE), "which-splice");
    plant.refuses(&room(), check_code(&count, Start, Some(40), CODE), "which-splice");
    plant.refuses(&room(), check_code(&count, AfterSplice, Some(41), CODE), "no-such-fault");
    plant.refuses(&room(), check_code(&count, Start, None, " "), "empty");
    plant.refuses(&supervisor(), check_code(&count, Start, None, CODE), "wrong-role");
    plant.did(&room(), close(&count));
    plant.leave_all(&count);
    plant.did(&colleague(), check_code(&count, AfterSplice, Some(40), CODE));
    plant.did(&room(), check_code(&count, Start, None, CODE));
    plant.did(&room(), check_code(&count, End, None, CODE));
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), check_code(&count, Start, None, CODE), "count-signed");
    // Whoever read one has had a part in the count.
    plant.refuses(&colleague(), check(&count), "same-person");
    // A test roll shows what the station reads by itself.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_challenge("ST-1", "T-1", Direction::Forward));
    plant.refuses(&room(), check_code(&count, Start, None, CODE), "test-roll-by-machine");
    assert_eq!(count, id("C-000003"));
}
