use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{CrossCheck, FaultKind, RollCountSettled, SettledBy};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CODE, CODED, PLAIN, Plant, clear_bench, close, id, label, labels, leave, lift, open_incoming, open_recount,
    record_check, room, run_of, second_reviewer, set_up, sign, take_out,
};
use crate::{CountAxis, Quality};

/// What a table says of a roll without codes.
fn plain(labels: u32) -> Vec<Observation> {
    run_of(labels, None, &[])
}

/// The same where the machine's total and the labels it told differ: the number is in doubt.
fn doubtful(labels: u32) -> Vec<Observation> {
    let mut run = plain(labels);
    run.pop();
    run.push(Observation::Total { value: labels });
    run.insert(3, Observation::Unreadable { why: "half a line".to_owned() });
    run
}

#[track_caller]
fn settled(plant: &Plant) -> &RollCountSettled {
    match &plant.last("roll.count_settled").body {
        Body::RollCountSettled(body) => body,
        _ => panic!("nothing is settled"),
    }
}

/// Counts and signs R-4 and gives the entries of the signature.
#[track_caller]
fn counted(plant: &mut Plant, run: &[Observation]) -> Vec<String> {
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-4"), run);
    plant.did(&room(), sign(&count))
}

#[track_caller]
fn kinds(entries: &[String]) -> Vec<&str> {
    entries.iter().map(|entry| entry.rsplit_once(' ').unwrap().0).collect()
}

#[test]
fn one_count_stands_where_the_item_asks_for_one() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(99, Some(CODE), &[]));
    let body = settled(&plant);
    assert_eq!(
        (body.rule, body.counted, body.taken_out, body.on_roll),
        (SettledBy::OneCount, labels(99), labels(0), labels(99))
    );
    assert_eq!(body.standing, id("count/C-000003"));
}

#[test]
fn one_count_in_doubt_does_not_stand_alone() {
    let mut plant = Plant::ready();
    let run = run_of(100, Some(CODE), &[]);
    let mut torn = run.clone();
    torn.insert(9, Observation::Unreadable { why: "half a line".to_owned() });
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &torn);
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::Uncounted);
    assert!(plant.roll("R-1").counts[0].in_doubt);
    // One that nothing questions agrees with it.
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run);
    assert_eq!(settled(&plant).rule, SettledBy::TwoAgree);
}

#[test]
fn every_check_that_questions_the_number_leaves_a_count_in_doubt_and_the_others_do_not() {
    let label = |ordinal: u32| label(ordinal, None);
    let end = || [Observation::RollEnd { ordinal: 4 }, Observation::Total { value: 4 }];
    let four = || vec![label(1), label(2), label(3), label(4)];
    let with = |observation: Observation| [four(), vec![observation], end().to_vec()].concat();
    let all: [(CrossCheck, bool, Vec<Observation>); 9] = [
        (CrossCheck::TotalAgainstLabels, true, [four(), vec![label(5)], end().to_vec()].concat()),
        (CrossCheck::TotalFell, true, [vec![Observation::Total { value: 9 }], four(), end().to_vec()].concat()),
        (CrossCheck::OrdinalGap, true, [vec![label(1), label(3), label(4), label(5)], end().to_vec()].concat()),
        (CrossCheck::OrdinalFell, true, [vec![label(1), label(2), label(2), label(3)], end().to_vec()].concat()),
        (CrossCheck::Overspeed, true, with(Observation::Speed { labels_per_min: 1_001 })),
        (CrossCheck::TicketAgainstTotal, true, with(Observation::Ticket { total: 5, fields: Default::default() })),
        (CrossCheck::Unreadable, true, with(Observation::Unreadable { why: "x".to_owned() })),
        (CrossCheck::Alarm, false, with(Observation::Alarm { code: "A1".to_owned(), text: "door".to_owned() })),
        (
            CrossCheck::FaultCap,
            false,
            [
                vec![label(1), label(2), label(3), label(4)],
                (0..3).map(|_| Observation::Splice { ordinal: 4, lane: None }).collect(),
                end().to_vec(),
            ]
            .concat(),
        ),
    ];
    for (check, doubted, run) in all {
        let mut plant = Plant::ready_for_two();
        let count = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run);
        let state = plant.count_state(&count);
        assert!(state.exceptions.contains_key(&check), "{check:?}: {:?}", state.exceptions);
        assert_eq!(state.in_doubt(), doubted, "{check:?}");
        plant.leave_all(&count);
        plant.did(&room(), sign(&count));
        assert_eq!(plant.roll("R-4").counts[0].in_doubt, doubted, "{check:?}");
    }
}

#[test]
fn the_rated_speed_itself_is_no_exception() {
    let mut plant = Plant::ready_for_two();
    let run = [vec![Observation::Speed { labels_per_min: 1_000 }], plain(100)].concat();
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run);
    assert!(plant.count_state(&count).exceptions.is_empty());
}

#[test]
fn two_counts_that_agree_stand() {
    let mut plant = Plant::ready_for_two();
    assert_eq!(kinds(&counted(&mut plant, &plain(100))), ["\"counted\"", "roll.counted"]);
    assert_eq!(plant.roll("R-4").count_axis(), CountAxis::Uncounted);
    assert_eq!(kinds(&counted(&mut plant, &plain(100))), ["\"counted\"", "roll.counted", "roll.count_settled"]);
    let body = settled(&plant);
    assert_eq!((body.rule, body.counted, body.counts.len()), (SettledBy::TwoAgree, labels(100), 2));
    assert_eq!(plant.roll("R-4").count_axis(), CountAxis::AtRisk);
}

#[test]
fn two_counts_that_differ_by_one_wait_for_a_check_and_a_third() {
    let mut plant = Plant::ready_for_two();
    plant.refuses(&room(), record_check("R-4"), "counts-do-not-differ");
    counted(&mut plant, &plain(100));
    plant.refuses(&room(), record_check("R-4"), "counts-do-not-differ");
    assert_eq!(kinds(&counted(&mut plant, &plain(101))), ["\"counted\"", "roll.counted"]);
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "check-first");
    plant.makes(&room(), record_check("R-4"), &["roll.check_recorded R-4"]);
    plant.refuses(&room(), record_check("R-4"), "already-checked");
    plant.did(&room(), open_incoming("ST-1", "R-4"));
}

#[test]
fn the_third_decides_by_agreeing_with_either_of_the_first_two() {
    for third in [100, 101] {
        let mut plant = Plant::ready_for_two();
        counted(&mut plant, &plain(100));
        counted(&mut plant, &plain(101));
        plant.did(&room(), record_check("R-4"));
        counted(&mut plant, &plain(third));
        let body = settled(&plant);
        assert_eq!((body.rule, body.counted, body.counts.len()), (SettledBy::ThirdAgrees, labels(third), 3));
        assert_eq!(body.standing, id("count/C-000005"));
    }
}

#[test]
fn no_agreement_is_a_hold_a_deviation_and_a_challenge() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, &plain(100));
    counted(&mut plant, &plain(101));
    plant.did(&room(), record_check("R-4"));
    assert_eq!(
        counted(&mut plant, &plain(102)),
        [
            "\"counted\" C-000005",
            "roll.counted R-4",
            "roll.counts_disagreed R-4",
            "deviation.opened DV-000001",
            "roll.held R-4",
            "station.doubted ST-1",
        ]
    );
    let Body::DeviationOpened(body) = &plant.last("deviation.opened").body else { panic!() };
    // The numbers are in the roll's own entry, which is hidden while it is counted; a deviation is read by anybody.
    assert_eq!(body.text, "The counts of R-4 do not agree.");
    let Body::RollCountsDisagreed(disagreed) = &plant.last("roll.counts_disagreed").body else { panic!() };
    assert_eq!(disagreed.labels, [labels(100), labels(101), labels(102)]);
    assert_eq!(body.about.len(), 5);
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "held");
    plant.refuses(&room(), open_incoming("ST-1", "R-5"), "challenge-due");
    plant.challenged("ST-1");
    plant.did(&room(), open_incoming("ST-1", "R-5"));
}

#[test]
fn after_the_reviewer_has_lifted_that_hold_the_counting_begins_anew() {
    let mut plant = Plant::ready_for_two();
    for (number, run) in [(1, 100), (2, 101), (3, 102)] {
        if number == 3 {
            plant.did(&room(), record_check("R-4"));
        }
        counted(&mut plant, &plain(run));
    }
    plant.challenged("ST-1");
    plant.makes(
        &second_reviewer(),
        lift("roll/R-4", "DV-000001"),
        &["roll.hold_lifted R-4", "\"hold lifted\" DV-000001"],
    );
    // The earlier ones are no longer compared: 100 does not make two.
    assert_eq!(kinds(&counted(&mut plant, &plain(100))), ["\"counted\"", "roll.counted"]);
    counted(&mut plant, &plain(100));
    assert_eq!(settled(&plant).counts.len(), 2);
    assert_eq!(plant.roll("R-4").counts.len(), 5);
}

#[test]
fn two_counts_in_doubt_prove_nothing_to_each_other() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, &doubtful(100));
    assert_eq!(kinds(&counted(&mut plant, &doubtful(100))), ["\"counted\"", "roll.counted"]);
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "check-first");
    plant.did(&room(), record_check("R-4"));
    let mut still = plant.clone();
    counted(&mut plant, &plain(100));
    assert_eq!(settled(&plant).rule, SettledBy::ThirdAgrees);
    assert!(kinds(&counted(&mut still, &doubtful(100))).contains(&"roll.counts_disagreed"));
}

#[test]
fn a_count_that_was_given_up_is_not_one_of_the_three() {
    let mut plant = Plant::ready_for_two();
    counted(&mut plant, &plain(100));
    for _ in 0..3 {
        let count = plant.opened(&room(), open_incoming("ST-1", "R-4"));
        plant.says("ST-1", &count, &[label(1, None)]);
        plant.did(&room(), crate::testing::abort(&count));
    }
    counted(&mut plant, &plain(100));
    assert_eq!(settled(&plant).rule, SettledBy::TwoAgree);
}

#[test]
fn pieces_taken_out_between_counts_do_not_make_them_differ() {
    let mut plant = Plant::ready_for_two();
    let first = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run_of(100, None, &[(50, FaultKind::Splice)]));
    plant.did(&room(), take_out(&first, FaultKind::Splice, 50, 52, 4));
    plant.did(&room(), sign(&first));
    counted(&mut plant, &plain(96));
    let body = settled(&plant);
    assert_eq!((body.counted, body.taken_out, body.on_roll), (labels(100), labels(4), labels(96)));
    // Without that, 96 and 100 would be a difference; and 100 after it is one.
    let mut plant = Plant::ready_for_two();
    let first = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run_of(100, None, &[(50, FaultKind::Splice)]));
    plant.did(&room(), take_out(&first, FaultKind::Splice, 50, 52, 4));
    plant.did(&room(), sign(&first));
    counted(&mut plant, &plain(100));
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "check-first");
}

#[test]
fn counted_is_always_on_the_roll_and_taken_out() {
    // Every settlement of a roll through three rounds, pieces taken out in most counts of them.
    let mut plant = Plant::ready_for_two();
    let mut on_roll = 100;
    let mut taken = 0;
    for (round, pieces) in [[3, 0], [2, 5], [0, 7]].into_iter().enumerate() {
        for piece in pieces {
            let command = if plant.roll("R-4").settled.is_none() {
                open_incoming("ST-1", "R-4")
            } else {
                open_recount("ST-1", "R-4")
            };
            let count = plant.counted("ST-1", command, &run_of(on_roll, None, &[(20, FaultKind::Splice)]));
            plant.did(&room(), take_out(&count, FaultKind::Splice, 20, 20, piece));
            plant.did(&room(), sign(&count));
            on_roll -= piece;
            taken += piece;
        }
        let body = settled(&plant);
        assert_eq!(body.counted, body.on_roll.plus(body.taken_out).unwrap(), "{round}");
        assert_eq!(body.on_roll, labels(on_roll), "{round}");
    }
    assert_eq!(on_roll + taken, 100);
    let all: u32 = plant.roll("R-4").counts.iter().map(|count| count.taken_out.get()).sum();
    assert_eq!(all, taken);
}

#[test]
fn a_recount_is_held_against_the_count_that_stands() {
    let mut plant = Plant::ready();
    let run = run_of(100, Some(CODE), &[]);
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run);
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run);
    let body = settled(&plant);
    assert_eq!((body.rule, body.counts.len()), (SettledBy::TwoAgree, 2));
    // One that differs, a check, and a third that agrees with the one that stood.
    let count = plant.counted("ST-1", open_recount("ST-1", "R-1"), &run_of(99, Some(CODE), &[]));
    plant.did(&room(), sign(&count));
    assert_eq!(plant.roll("R-1").settled.as_ref().unwrap().on_roll, labels(100));
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "check-first");
    plant.did(&room(), record_check("R-1"));
    let mut differs = plant.clone();
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run);
    assert_eq!(settled(&plant).rule, SettledBy::ThirdAgrees);
    let last = differs.counted("ST-1", open_recount("ST-1", "R-1"), &run_of(98, Some(CODE), &[]));
    let made = differs.did(&room(), sign(&last));
    assert!(kinds(&made).contains(&"roll.counts_disagreed"));
    assert_eq!(differs.roll("R-1").count_axis(), CountAxis::Uncounted);
}

#[test]
fn a_count_whose_bracket_failed_leaves_the_round_and_its_pieces_stay_taken_out() {
    let mut plant = Plant::ready_for_two();
    let run = |labels: u32| run_of(labels, None, &[(20, FaultKind::Splice)]);
    let first = plant.counted("ST-1", open_incoming("ST-1", "R-4"), &run(100));
    plant.did(&room(), take_out(&first, FaultKind::Splice, 20, 20, 3));
    plant.did(&room(), sign(&first));
    plant.challenge_failed("ST-1");
    plant.challenged("ST-1");
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    // 97 are on it. Neither of these is compared with the first.
    assert_eq!(kinds(&counted(&mut plant, &plain(97))), ["\"counted\"", "roll.counted"]);
    counted(&mut plant, &plain(97));
    let body = settled(&plant);
    assert_eq!((body.counted, body.taken_out, body.on_roll), (labels(100), labels(3), labels(97)));
    assert_eq!(body.counts.len(), 2);
}

#[test]
fn a_piece_of_a_doubted_count_in_the_middle_is_taken_out_for_those_after_it() {
    let mut plant = Plant::ready_for_two();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", PLAIN));
    plant.challenged("ST-2");
    counted(&mut plant, &plain(100));
    // The second, on a station that fails before it is signed, takes out five.
    let run = run_of(100, None, &[(20, FaultKind::Splice)]);
    let second = plant.counted("ST-2", open_incoming("ST-2", "R-4"), &run);
    plant.did(&room(), take_out(&second, FaultKind::Splice, 20, 20, 5));
    plant.challenge_failed("ST-2");
    plant.did(&room(), sign(&second));
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    assert_eq!(plant.roll("R-4").quality, Quality::Released);
    // A third of 95 agrees with the first of 100.
    counted(&mut plant, &plain(95));
    let body = settled(&plant);
    assert_eq!((body.rule, body.counted, body.on_roll), (SettledBy::TwoAgree, labels(100), labels(95)));
}

#[test]
fn a_standing_count_that_is_doubted_leaves_the_roll_uncounted() {
    let mut plant = Plant::ready();
    let run = run_of(100, Some(CODE), &[]);
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run);
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::AtRisk);
    plant.challenge_failed("ST-1");
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::Uncounted);
    plant.challenged("ST-1");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "not-counted");
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run);
    assert_eq!(settled(&plant).rule, SettledBy::OneCount);
}

#[test]
fn the_marks_lie_where_the_line_meets_them() {
    // Worked by hand: 100 labels, the hundredth outermost after the run. The splice after 40 has 60 labels before it;
    // the unread label 90 is the eleventh from outside. Labels 71 to 75 are taken out, which brings the splice nearer.
    let mut plant = Plant::ready();
    let faults = [(40, FaultKind::Splice), (90, FaultKind::Unread), (75, FaultKind::Missing)];
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &faults));
    plant.did(&room(), take_out(&count, FaultKind::Missing, 75, 75, 5));
    plant.did(&room(), leave(&count, FaultKind::Splice, 40, 40));
    plant.did(&room(), leave(&count, FaultKind::Unread, 90, 90));
    plant.did(&room(), sign(&count));
    let marks: Vec<_> = settled(&plant).marks.iter().map(|mark| (mark.fault, mark.position, mark.last)).collect();
    assert_eq!(marks, [(FaultKind::Unread, 11, None), (FaultKind::Splice, 55, None)]);
    assert_eq!(settled(&plant).on_roll, labels(95));
}

#[test]
fn a_roll_wound_over_once_unwinds_the_other_way_round_and_after_twice_as_it_came() {
    let mut plant = Plant::ready();
    let run = run_of(100, Some(CODE), &[]);
    assert!(!plant.roll("R-1").turned);
    let first: Id = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run);
    assert!(plant.roll("R-1").turned);
    plant.did(&room(), sign(&first));
    let second = plant.opened(&room(), open_recount("ST-1", "R-1"));
    plant.says("ST-1", &second, &run);
    plant.did(&room(), close(&second));
    assert!(!plant.roll("R-1").turned);
}

#[test]
fn a_roll_of_wrong_codes_is_signed_whatever_its_length() {
    // Every label of a whole roll is wrong: one fault, one mark, and not a mark for each label.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    let run = run_of(20_000, Some(crate::testing::OTHER_CODE), &[]);
    for observations in run.chunks(4_096) {
        plant.says("ST-1", &count, observations);
    }
    plant.did(&room(), close(&count));
    plant.leave_all(&count);
    plant.did(&room(), sign(&count));
    // A run ends with its piece: five pieces, five marks that cover the roll.
    let marks = &settled(&plant).marks;
    assert_eq!(marks.len(), 5);
    assert_eq!((marks[0].position, marks[4].last), (1, Some(20_000)));
    assert_eq!(plant.count_state(&count).fault_totals()[&FaultKind::WrongCode], 20_000);
}

#[test]
fn the_item_of_the_roll_decides_how_many_counts_it_needs() {
    // Set up for the item that asks for two, then for the one that asks for one.
    let mut plant = Plant::ready_for_two();
    plant.released("D-1", CODED, &["R-1"]);
    counted(&mut plant, &plain(100));
    assert!(plant.roll("R-4").settled.is_none());
    plant.challenged("ST-1");
    plant.did(&room(), clear_bench("ST-1"));
    plant.did(&room(), set_up("ST-1", CODED));
    plant.challenged("ST-1");
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    assert!(plant.roll("R-1").settled.is_some());
}

#[test]
fn a_check_answers_for_one_difference_and_not_for_the_next() {
    let mut plant = Plant::ready();
    let run = |labels: u32| run_of(labels, Some(CODE), &[]);
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run(100));
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run(99));
    plant.did(&room(), record_check("R-1"));
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run(100));
    assert_eq!(settled(&plant).rule, SettledBy::ThirdAgrees);
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run(99));
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "check-first");
}

#[test]
fn a_third_count_that_is_doubted_needs_another_check_and_another_third() {
    let mut plant = Plant::ready_for_two();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", PLAIN));
    plant.challenged("ST-2");
    counted(&mut plant, &plain(100));
    counted(&mut plant, &plain(101));
    plant.did(&room(), record_check("R-4"));
    let third = plant.counted("ST-2", open_incoming("ST-2", "R-4"), &plain(100));
    plant.challenge_failed("ST-2");
    plant.did(&room(), sign(&third));
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "check-first");
    plant.did(&room(), record_check("R-4"));
    counted(&mut plant, &plain(101));
    let body = settled(&plant);
    assert_eq!((body.rule, body.counted, body.counts.len()), (SettledBy::ThirdAgrees, labels(101), 3));
}

#[test]
fn a_disagreement_ends_when_the_last_hold_is_lifted() {
    let mut plant = Plant::ready_for_two();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", PLAIN));
    plant.challenged("ST-2");
    // The first count is another station's, whose bracket is still open.
    let first = plant.counted("ST-2", open_incoming("ST-2", "R-4"), &plain(100));
    plant.did(&room(), sign(&first));
    counted(&mut plant, &plain(101));
    plant.did(&room(), record_check("R-4"));
    counted(&mut plant, &plain(102));
    assert!(plant.roll("R-4").disagreed);
    let mut failed = plant.clone();
    failed.challenge_failed("ST-2");
    failed.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    assert!(failed.roll("R-4").disagreed);
    failed.did(&second_reviewer(), lift("roll/R-4", "DV-000002"));
    assert!(!failed.roll("R-4").disagreed);
    // Settled anew without the first count, the roll does not depend on it any more.
    plant.did(&second_reviewer(), lift("roll/R-4", "DV-000001"));
    assert!(!plant.roll("R-4").disagreed);
    plant.challenged("ST-1");
    counted(&mut plant, &plain(102));
    counted(&mut plant, &plain(102));
    plant.challenge_failed("ST-2");
    assert!(plant.roll("R-4").counts[0].doubted);
    assert_eq!(plant.roll("R-4").settled.as_ref().unwrap().on_roll, labels(102));
    assert_eq!(plant.roll("R-4").holds.len(), 1);
}
