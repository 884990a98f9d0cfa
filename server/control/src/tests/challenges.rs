use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::Direction::{Forward, Rewind};
use tallyseal_schema::kinds::{FaultKind, Occasion, StationWork};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CERTIFIED, CODE, CODED, Plant, TEST_FAULTS, abort, clear_bench, conclude, id, interrupt, open_challenge,
    open_incoming, open_recount, room, run_of, set_up, sign, supervisor, system, test_run,
};
use crate::{Command, CountAxis};

const INTERVAL: Occasion = Occasion::Interval;

fn good_roll() -> Vec<Observation> {
    run_of(100, Some(CODE), &[])
}

/// Runs the test roll both ways, the second time as given, and concludes.
#[track_caller]
fn concluded(plant: &mut Plant, back: &[Observation]) -> Vec<String> {
    let first = plant.test_ran("ST-1", Forward, &test_run());
    let second = plant.test_ran("ST-1", Rewind, back);
    plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]))
}

fn failed(plant: &Plant) -> Vec<String> {
    match &plant.last("station.challenge_failed").body {
        Body::StationChallengeFailed(body) => body.findings.clone(),
        _ => panic!("no failed challenge"),
    }
}

#[test]
fn a_challenge_passes_where_both_runs_are_as_certified() {
    let mut plant = Plant::ready();
    assert_eq!(concluded(&mut plant, &test_run()), ["station.challenge_passed ST-1", "\"challenge concluded\" ST-1"]);
    let Body::StationChallengePassed(body) = &plant.last("station.challenge_passed").body else { panic!() };
    assert_eq!((body.bracket, body.certified.get(), body.runs.len()), (1, CERTIFIED, 2));
    assert_eq!(body.runs[1].faults[&FaultKind::Splice], 2);
    assert_eq!(plant.station("ST-1").bracket, 2);
}

#[test]
fn one_label_more_or_less_fails_it() {
    for labels in [CERTIFIED - 1, CERTIFIED + 1] {
        let mut plant = Plant::ready();
        concluded(&mut plant, &run_of(labels, Some(CODE), TEST_FAULTS));
        assert_eq!(failed(&plant), [format!("C-000004 counted {labels}, certified are {CERTIFIED}.")]);
        assert!(plant.station("ST-1").failed);
    }
}

#[test]
fn every_fault_kind_must_be_found_as_often_as_the_roll_carries_it() {
    for kind in [FaultKind::Splice, FaultKind::Missing, FaultKind::Unread, FaultKind::WrongCode] {
        // One is not found.
        let mut faults = TEST_FAULTS.to_vec();
        let place = faults.iter().position(|(_, fault)| *fault == kind).unwrap();
        faults.remove(place);
        let mut plant = Plant::ready();
        concluded(&mut plant, &run_of(CERTIFIED, Some(CODE), &faults));
        assert_eq!(failed(&plant).len(), 1, "{:?}", failed(&plant));
        // One is found that is not there.
        let mut faults = TEST_FAULTS.to_vec();
        faults.push((61, kind));
        let mut plant = Plant::ready();
        concluded(&mut plant, &run_of(CERTIFIED, Some(CODE), &faults));
        assert_eq!(failed(&plant).len(), 1, "{:?}", failed(&plant));
    }
    // A kind that the roll does not carry at all.
    let mut faults = TEST_FAULTS.to_vec();
    faults.push((61, FaultKind::Overlap));
    let mut plant = Plant::ready();
    concluded(&mut plant, &run_of(CERTIFIED, Some(CODE), &faults));
    assert_eq!(failed(&plant), ["C-000004 found 1 overlap, the roll carries 0."]);
}

#[test]
fn a_right_number_that_a_cross_check_questions_fails_it() {
    let mut plant = Plant::ready();
    let first = plant.test_ran("ST-1", Forward, &test_run());
    let second = plant.opened(&room(), open_challenge("ST-1", "T-1", Rewind));
    let run = test_run();
    let (before, after) = run.split_at(30);
    plant.says("ST-1", &second, before);
    plant.did(&system(), Command::LoseLink { station: id("ST-1"), link: "main".to_owned(), cause: "cable".to_owned() });
    plant.did(&system(), Command::RestoreLink { station: id("ST-1"), link: "main".to_owned() });
    plant.says("ST-1", &second, after);
    plant.did(&room(), crate::testing::close(&second));
    plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]));
    assert_eq!(failed(&plant), ["C-000004 has an exception: the link was lost."]);
}

#[test]
fn a_machine_that_compares_with_another_code_fails_it() {
    let mut plant = Plant::ready();
    let mut run = test_run();
    run.insert(5, Observation::Mismatch { ordinal: 2, found: CODE.to_owned(), lane: None });
    concluded(&mut plant, &run);
    assert_eq!(failed(&plant), ["C-000004 has an exception: the machine compares with another code."]);
}

#[test]
fn to_pass_takes_both_directions_and_to_fail_one_is_enough() {
    let mut plant = Plant::ready();
    let first = plant.test_ran("ST-1", Forward, &test_run());
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first]), "both-directions");
    let second = plant.test_ran("ST-1", Forward, &test_run());
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]), "both-directions");
    let third = plant.test_ran("ST-1", Rewind, &test_run());
    plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second, &third]));
    // And now one run that went wrong.
    plant.challenge_failed("ST-1");
    assert!(plant.station("ST-1").failed);
}

#[test]
fn no_run_is_left_out_so_nobody_runs_until_it_fits() {
    let mut plant = Plant::ready();
    let wrong = plant.test_ran("ST-1", Forward, &run_of(CERTIFIED - 1, Some(CODE), TEST_FAULTS));
    let first = plant.test_ran("ST-1", Forward, &test_run());
    let second = plant.test_ran("ST-1", Rewind, &test_run());
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]), "run-left-out");
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second, &second]), "run-twice");
    let made = plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &wrong, &second]));
    assert_eq!(made.first().unwrap(), "station.challenge_failed ST-1", "\"challenge concluded\" ST-1");
}

#[test]
fn a_whole_run_of_the_test_roll_is_given_up_by_nobody() {
    let mut plant = Plant::ready();
    let run = plant.opened(&room(), open_challenge("ST-1", "T-1", Forward));
    plant.says("ST-1", &run, &run_of(CERTIFIED - 1, Some(CODE), TEST_FAULTS));
    for by in [room(), supervisor()] {
        plant.refuses(&by, abort(&run), "roll-ended");
    }
    plant.refuses(&room(), interrupt(&run), "roll-ended");
    plant.did(&room(), crate::testing::close(&run));
    plant.refuses(&supervisor(), abort(&run), "conclude-instead");
    plant.refuses(&room(), sign(&run), "conclude-instead");
    // One that is not whole is wound back, and is none of the challenge's runs.
    let mut plant = Plant::ready();
    let run = plant.opened(&room(), open_challenge("ST-1", "T-1", Forward));
    plant.says("ST-1", &run, test_run().get(..30).unwrap());
    plant.did(&room(), abort(&run));
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&run]), "not-of-this-challenge");
    plant.challenged("ST-1");
}

#[test]
fn a_run_belongs_to_its_roll_its_station_its_set_up_and_its_bracket() {
    let mut plant = Plant::ready();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", CODED));
    let elsewhere = plant.test_ran("ST-2", Forward, &test_run());
    let roll = plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    // The fixture's own challenge has used these.
    let before: [Id; 1] = [id("C-000001")];
    let open = plant.opened(&room(), open_challenge("ST-1", "T-1", Forward));
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&open]), "station-in-count");
    plant.did(&room(), abort(&open));
    for run in [&elsewhere, &roll, &before[0], &open] {
        plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[run]), "not-of-this-challenge");
    }
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&id("C-000099")]), "no-such-count");
    plant.refuses(&room(), conclude("ST-1", "T-9", INTERVAL, &[&before[0]]), "no-such-test-roll");
}

#[test]
fn a_run_from_before_a_change_of_the_station_proves_nothing_after_it() {
    let changes: [fn(&mut Plant); 3] = [
        |plant| {
            plant.did(&room(), set_up("ST-1", CODED));
        },
        |plant| {
            let (station, text) = (id("ST-1"), "new roller".to_owned());
            plant.did(&room(), Command::LogStationWork { station, work: StationWork::Repair, text });
        },
        |plant| {
            plant.did(&supervisor(), Command::BindPlugin { station: id("ST-1"), plugin: id("P-000001") });
        },
    ];
    for change in changes {
        let mut plant = Plant::ready();
        let first = plant.test_ran("ST-1", Forward, &test_run());
        let second = plant.test_ran("ST-1", Rewind, &test_run());
        change(&mut plant);
        plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]), "not-of-this-challenge");
        // They are no longer waited for either.
        plant.challenged("ST-1");
        plant.did(&room(), open_incoming("ST-1", "R-1"));
    }
}

#[test]
fn no_roll_is_counted_between_the_runs_and_their_conclusion() {
    let mut plant = Plant::ready();
    plant.did(&room(), open_incoming("ST-1", "R-1"));
    plant.did(&room(), abort(&id("C-000003")));
    let first = plant.test_ran("ST-1", Forward, &test_run());
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "conclude-first");
    let second = plant.test_ran("ST-1", Rewind, &test_run());
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "conclude-first");
    plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]));
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn runs_of_one_test_roll_are_concluded_before_another_is_taken() {
    let mut plant = Plant::ready();
    let expires = plant.minutes_later(1_440);
    plant.did(
        &supervisor(),
        Command::RegisterTestRoll {
            test_roll: id("T-2"),
            certificate: "CE-2".to_owned(),
            certified: crate::testing::labels(51),
            code: Some(CODE.to_owned()),
            expires,
            faults: [(FaultKind::Splice, 1), (FaultKind::WrongCode, 1)].into(),
        },
    );
    plant.did(&crate::testing::reviewer(), Command::CertifyTestRoll { test_roll: id("T-2") });
    plant.test_ran("ST-1", Forward, &run_of(CERTIFIED - 1, Some(CODE), TEST_FAULTS));
    plant.refuses(&room(), open_challenge("ST-1", "T-2", Forward), "conclude-first");
    // Where the roll itself goes out of use, its runs are no longer waited for.
    let why = "torn in the second run".to_owned();
    plant.did(&supervisor(), Command::WithdrawTestRoll { test_roll: id("T-1"), why });
    plant.did(&room(), open_challenge("ST-1", "T-2", Forward));
}

#[test]
fn a_challenge_has_ten_runs_at_most() {
    let mut plant = Plant::ready();
    for _ in 0..10 {
        plant.test_ran("ST-1", Forward, &test_run());
    }
    plant.refuses(&room(), open_challenge("ST-1", "T-1", Rewind), "conclude-first");
}

#[test]
fn the_interval_counts_from_the_first_run_and_is_good_to_its_last_moment() {
    let mut plant = Plant::ready();
    let began = plant.now();
    let first = plant.test_ran("ST-1", Forward, &test_run());
    let second = plant.test_ran("ST-1", Rewind, &test_run());
    plant.wait_until(began.plus_micros(40 * 60_000_000));
    plant.did(&room(), conclude("ST-1", "T-1", INTERVAL, &[&first, &second]));
    let end = began.plus_micros(60 * 60_000_000);
    assert_eq!(plant.station("ST-1").why_challenge(end), None);
    plant.wait_until(end);
    plant.clone().did(&room(), open_incoming("ST-1", "R-1"));
    plant.wait_until(end.plus_micros(1));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "challenge-due");
    // The test roll itself may run, or nothing ever would.
    plant.challenged("ST-1");
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn a_count_that_began_in_time_goes_on_when_the_interval_ends() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.wait_until(plant.minutes_later(90));
    plant.says("ST-1", &count, &good_roll());
    plant.did(&room(), crate::testing::close(&count));
    plant.did(&room(), sign(&count));
}

#[test]
fn a_closing_challenge_that_passes_takes_every_count_of_its_bracket_out_of_risk() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.signed("ST-1", open_incoming("ST-1", "R-2"), &good_roll());
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &good_roll());
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::AtRisk);
    assert_eq!(
        concluded(&mut plant, &test_run()),
        [
            "station.challenge_passed ST-1",
            "\"challenge concluded\" ST-1",
            "roll.bracketed R-1",
            "roll.bracketed R-1",
            "roll.bracketed R-2"
        ]
    );
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::Counted);
    assert_eq!(plant.roll("R-3").count_axis(), CountAxis::Uncounted);
    // The next one has nothing left to bracket.
    assert_eq!(plant.challenged("ST-1"), ["station.challenge_passed ST-1", "\"challenge concluded\" ST-1"]);
}

#[test]
fn a_challenge_that_fails_locks_the_station_and_holds_every_roll_since_the_last_good_one_in_one_act() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.challenged("ST-1");
    plant.signed("ST-1", open_incoming("ST-1", "R-2"), &good_roll());
    // Closed and not signed yet: it was counted since as well.
    let unsigned = plant.counted("ST-1", open_incoming("ST-1", "R-3"), &good_roll());
    assert_eq!(
        plant.challenge_failed("ST-1"),
        [
            "station.challenge_failed ST-1",
            "\"challenge concluded\" ST-1",
            "deviation.opened DV-000001",
            "roll.count_doubted R-2",
            "roll.held R-2",
            "roll.held R-3",
        ]
    );
    let Body::DeviationOpened(body) = &plant.last("deviation.opened").body else { panic!() };
    let about: Vec<_> = body.about.iter().map(|stream| stream.as_str()).collect();
    assert_eq!(about, ["station/ST-1", "roll/R-2", "roll/R-3"]);
    assert!(body.text.contains("it counted 2 rolls."), "{}", body.text);
    // Before the last good challenge nothing is touched.
    assert_eq!((plant.roll("R-1").count_axis(), plant.roll("R-1").holds.len()), (CountAxis::Counted, 0));
    // The count that did not stand any more leaves the roll uncounted.
    assert_eq!(plant.roll("R-2").count_axis(), CountAxis::Uncounted);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "challenge-due");
    // What was counted is signed all the same, and never stands.
    assert_eq!(
        plant.did(&room(), sign(&unsigned)),
        ["\"counted\" C-000007", "roll.counted R-3", "roll.count_doubted R-3"]
    );
    assert_eq!(plant.roll("R-3").count_axis(), CountAxis::Uncounted);
}

#[test]
fn a_station_that_failed_counts_again_after_a_challenge_that_passes() {
    let mut plant = Plant::ready();
    plant.challenge_failed("ST-1");
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "challenge-due");
    // Something else that makes one due does not make the failure forgotten.
    plant.did(&room(), set_up("ST-1", CODED));
    assert_eq!(plant.station("ST-1").why_challenge(plant.now()).as_deref(), Some("its last challenge failed"));
    plant.challenged("ST-1");
    assert!(!plant.station("ST-1").failed);
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn a_signature_that_comes_after_the_closing_challenge_passed_is_bracketed_at_once() {
    let mut plant = Plant::ready();
    let late = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.challenged("ST-1");
    assert_eq!(
        plant.did(&room(), sign(&late)),
        ["\"counted\" C-000003", "roll.counted R-1", "roll.bracketed R-1", "roll.count_settled R-1"]
    );
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::Counted);
    // A later challenge that fails does not reach back to it.
    plant.challenge_failed("ST-1");
    assert_eq!((plant.roll("R-1").count_axis(), plant.roll("R-1").holds.len()), (CountAxis::Counted, 0));
}

#[test]
fn a_bracket_that_failed_stays_failed_when_later_ones_pass() {
    let mut plant = Plant::ready();
    let late = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.challenge_failed("ST-1");
    plant.challenged("ST-1");
    plant.challenged("ST-1");
    let made = plant.did(&room(), sign(&late));
    assert_eq!(made.last().unwrap(), "roll.count_doubted R-1");
}

#[test]
fn one_station_that_fails_leaves_the_counts_of_another_alone() {
    let mut plant = Plant::ready();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", CODED));
    plant.challenged("ST-2");
    plant.signed("ST-2", open_incoming("ST-2", "R-1"), &good_roll());
    plant.signed("ST-1", open_incoming("ST-1", "R-2"), &good_roll());
    plant.challenge_failed("ST-1");
    assert_eq!((plant.roll("R-1").count_axis(), plant.roll("R-1").holds.len()), (CountAxis::AtRisk, 0));
    assert_eq!(plant.roll("R-2").holds.len(), 1);
}

#[test]
fn a_station_that_cannot_run_the_test_roll_before_a_repair_is_concluded_as_failed() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    for occasion in [Occasion::Start, INTERVAL, Occasion::End, Occasion::AfterWork, Occasion::Doubt] {
        plant.refuses(&room(), conclude("ST-1", "T-1", occasion, &[]), "no-runs");
    }
    assert_eq!(
        plant.did(&room(), conclude("ST-1", "T-1", Occasion::BeforeWork, &[])),
        [
            "station.challenge_failed ST-1",
            "\"challenge concluded\" ST-1",
            "deviation.opened DV-000001",
            "roll.count_doubted R-1",
            "roll.held R-1"
        ]
    );
    assert_eq!(failed(&plant), ["The test roll could not be run."]);
    let (station, text) = (id("ST-1"), "new motor".to_owned());
    plant.did(&room(), Command::LogStationWork { station, work: StationWork::Repair, text });
    // Where it was run, the runs are judged.
    let mut plant = Plant::ready();
    plant.test_ran("ST-1", Forward, &test_run());
    plant.refuses(&room(), conclude("ST-1", "T-1", Occasion::BeforeWork, &[]), "run-left-out");
}

#[test]
fn a_station_that_is_not_set_up_is_not_challenged() {
    let mut plant = Plant::furnished();
    plant.refuses(&room(), open_challenge("ST-1", "T-1", Forward), "not-set-up");
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&id("C-000001")]), "not-set-up");
}

#[test]
fn a_thousand_counts_are_the_most_between_two_challenges() {
    let mut plant = Plant::ready();
    for _ in 0..1_000 {
        let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
        plant.did(&room(), abort(&count));
    }
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "challenge-due");
    plant.challenged("ST-1");
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn a_change_of_item_closes_one_bracket_and_opens_another() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.refuses(&room(), open_incoming("ST-1", "R-4"), "set-up-for-another-item");
    plant.challenged("ST-1");
    plant.did(&room(), clear_bench("ST-1"));
    plant.did(&room(), set_up("ST-1", crate::testing::PLAIN));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "set-up-for-another-item");
    plant.challenged("ST-1");
    plant.did(&room(), open_incoming("ST-1", "R-4"));
    assert_eq!(plant.count_state(&id("C-000008")).bracket, 3);
}

#[test]
fn runs_of_a_test_roll_that_has_expired_since_conclude_nothing() {
    let mut plant = Plant::ready();
    let expires = plant.minutes_later(30);
    plant.did(
        &supervisor(),
        Command::RegisterTestRoll {
            test_roll: id("T-2"),
            certificate: "CE-2".to_owned(),
            certified: crate::testing::labels(51),
            code: Some(CODE.to_owned()),
            expires,
            faults: [(FaultKind::Splice, 1), (FaultKind::WrongCode, 1)].into(),
        },
    );
    plant.did(&crate::testing::reviewer(), Command::CertifyTestRoll { test_roll: id("T-2") });
    let run = run_of(51, Some(CODE), &[(3, FaultKind::Splice), (5, FaultKind::WrongCode)]);
    let first = plant.counted("ST-1", open_challenge("ST-1", "T-2", Forward), &run);
    let second = plant.counted("ST-1", open_challenge("ST-1", "T-2", Rewind), &run);
    plant.wait_until(expires);
    plant.clone().did(&room(), conclude("ST-1", "T-2", INTERVAL, &[&first, &second]));
    plant.wait_until(expires.plus_micros(1));
    plant.refuses(&room(), conclude("ST-1", "T-2", INTERVAL, &[&first, &second]), "test-roll-expired");
    plant.challenged("ST-1");
}

#[test]
fn a_run_on_another_station_in_the_same_bracket_is_no_run_of_this_one() {
    let mut plant = Plant::ready();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", CODED));
    plant.challenged("ST-2");
    assert_eq!(plant.station("ST-2").bracket, plant.station("ST-1").bracket);
    let elsewhere = plant.test_ran("ST-2", Forward, &test_run());
    let here = plant.test_ran("ST-1", Rewind, &test_run());
    plant.refuses(&room(), conclude("ST-1", "T-1", INTERVAL, &[&elsewhere, &here]), "not-of-this-challenge");
}

#[test]
fn a_closing_challenge_brackets_the_counts_of_its_own_station_and_bracket_only() {
    let mut plant = Plant::ready();
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", CODED));
    plant.challenged("ST-2");
    plant.challenged("ST-2");
    // R-1 at both; its first count at ST-1 lies in a bracket that failed, and never stands.
    let late = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.challenge_failed("ST-1");
    plant.challenged("ST-1");
    plant.did(&room(), sign(&late));
    plant.did(&crate::testing::second_reviewer(), crate::testing::lift("roll/R-1", "DV-000001"));
    plant.signed("ST-2", open_incoming("ST-2", "R-1"), &good_roll());
    let here = plant.signed("ST-1", open_recount("ST-1", "R-1"), &good_roll());
    plant.challenged("ST-1");
    let bracketed: Vec<_> = plant.roll("R-1").counts.iter().filter(|count| count.bracketed).collect();
    assert_eq!(bracketed.len(), 1);
    assert_eq!(bracketed[0].count.id(), here);
    assert_eq!(plant.roll("R-1").count_axis(), CountAxis::AtRisk);
    // A later count of the same roll closes with the next challenge, and the one before is not told again.
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &good_roll());
    assert_eq!(
        plant.challenged("ST-1"),
        ["station.challenge_passed ST-1", "\"challenge concluded\" ST-1", "roll.bracketed R-1"]
    );
}

#[test]
fn a_failed_challenge_ends_its_bracket_and_begins_to_count_anew() {
    let mut plant = Plant::ready();
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.challenge_failed("ST-1");
    let station = plant.station("ST-1");
    assert_eq!((station.bracket, station.counts_in_bracket), (2, 0));
    assert!(station.failed_brackets.contains(&1));
}

#[test]
fn a_qualification_runs_any_test_roll_whatever_the_item_relies_on() {
    let mut plant = Plant::ready();
    let expires = plant.minutes_later(1_440);
    plant.did(
        &supervisor(),
        Command::RegisterTestRoll {
            test_roll: id("T-2"),
            certificate: "CE-2".to_owned(),
            certified: crate::testing::labels(51),
            code: None,
            expires,
            faults: Default::default(),
        },
    );
    plant.did(&crate::testing::reviewer(), Command::CertifyTestRoll { test_roll: id("T-2") });
    let purpose = tallyseal_schema::kinds::CountPurpose::Qualification;
    plant.did(&room(), crate::testing::open("ST-1", "test_roll/T-2", purpose, Forward));
}
