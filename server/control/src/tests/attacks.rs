//! What a dishonest or tired person might try, and what must come of it.

use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::{
    ClearanceWhen, Contents, CountPurpose, DeviationDecision, Direction, ExaminationVerdict, FaultKind, HandCounted,
    InterimDecision, IssueGiven, IssueTaken, IssuedRoll, ObsoleteRule, OrderRollDismounted, Role, RollRan,
    RollReceived, RollReturned, Severity, Source, Term, Verdict,
};
use tallyseal_schema::{Body, By};

use super::investigations::{assess, close, closes, decide, investigate};
use crate::testing::{
    CODE, CODED, OTHER_CODE, PLAIN, Plant, colleague, id, labels, lift, line, open, person, reviewer, room, run_of,
    second_reviewer, set_up, sign, supervisor, take_out,
};
use crate::testing_orders::{
    DISPENSER, LOT, ORDER, UNIT_COUNTER, VERIFIER, clear_line, clear_line_foreign, dismount_roll, draft_limits,
    examine_roll, finish_order, give_issue, interrupt_order, limits_draft, line_colleague, mount_roll, order_plan,
    plan_order, resume_order, second_supervisor, start_order, take_issue, void_order, withdraw_issue,
};
use crate::{Command, ContainerState, CountAxis, OrderStatus, State, evolve};

const ACCEPT: DeviationDecision = DeviationDecision::Accept;
const REJECT: DeviationDecision = DeviationDecision::Reject;

/// A person of the line who is a reviewer as well.
fn both() -> (By, By) {
    (person("U-0013", Role::Line), person("U-0013", Role::Reviewer))
}

fn examined(roll: &str, change: impl FnOnce(&mut Command)) -> Command {
    let mut command = examine_roll(ORDER, 1, roll);
    change(&mut command);
    command
}

fn reads(roll: &str, code: &str) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { code_read, .. } = command else { unreachable!() };
        *code_read = Some(code.to_owned());
    })
}

fn looks_different(roll: &str) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { verdict, .. } = command else { unreachable!() };
        *verdict = ExaminationVerdict::Different;
    })
}

fn mount_with(roll: &str, device: &str, code: &str) -> Command {
    let code_read = Some(code.to_owned());
    Command::MountRoll { order: id(ORDER), material: 1, roll: id(roll), device: id(device), code_read }
}

fn read_from(device: &str, start: u32, end: u32, wraps: u8) -> Source {
    Source::Device { device: id(device), end, start, wraps }
}

fn record(material: u16, term: Term, source: Source) -> Command {
    let purpose = matches!(term, Term::Samples | Term::Spoiled).then(|| "set-up".to_owned());
    Command::RecordQuantity { order: id(ORDER), material, term, source, purpose, overdue: None }
}

fn withdraw(quantity: u32) -> Command {
    Command::WithdrawQuantity { order: id(ORDER), quantity, why: "a typing mistake".to_owned() }
}

fn reconcile(material: u16) -> Command {
    Command::Reconcile { order: id(ORDER), material }
}

fn sign_order() -> Command {
    Command::SignForPackaging { order: id(ORDER) }
}

fn review() -> Command {
    Command::ReviewOrder { order: id(ORDER), statement: "the trail was read".to_owned() }
}

fn approve() -> Command {
    Command::ApproveOrder { order: id(ORDER) }
}

fn reject() -> Command {
    Command::RejectOrder { order: id(ORDER), why: "it cannot be run".to_owned() }
}

fn seal(container: &str) -> Command {
    Command::SealContainer { container: id(container), seal: "S-9".to_owned() }
}

fn give_back(material: u16, roll: &str) -> Command {
    Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal: format!("S-{roll}") }
}

fn take_back(material: u16, roll: &str, rest: &str) -> Command {
    Command::TakeBack {
        order: id(ORDER),
        material,
        roll: id(roll),
        seal_intact: true,
        tail: None,
        container: None,
        rest: Some(id(rest)),
        place: "cage".to_owned(),
    }
}

fn back(station: &str, roll: &str) -> Command {
    open(station, &format!("roll/{roll}"), CountPurpose::Return, Direction::Forward)
}

fn obsolete(item: &str) -> Command {
    let why = "the artwork changed".to_owned();
    Command::ObsoleteItem { item: id(item), rule: ObsoleteRule::Immediate, last_use: None, why }
}

fn deviation_about(plant: &mut Plant, about: &str) -> String {
    let (about, text) = (vec![id(about)], "looked odd".to_owned());
    plant.did(&supervisor(), Command::OpenDeviation { about, severity: Severity::Major, text });
    plant.last("deviation.opened").header.stream.id().to_string()
}

fn nobody_finds(plant: &mut Plant, roll: &str) -> String {
    let about = vec![id(&format!("roll/{roll}")), id("order/PO-1")];
    let text = "nobody finds it".to_owned();
    plant.did(&line(), Command::OpenDeviation { about, severity: Severity::Major, text });
    plant.last("deviation.opened").header.stream.id().to_string()
}

fn opened_hand_count(plant: &mut Plant, what: HandCounted) -> Id {
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what });
    plant.last("hand_count.opened").header.stream.id()
}

fn enters(plant: &mut Plant, hand_count: &Id, by: &By, number: u32) -> Vec<String> {
    plant.did(by, Command::EnterHandCount { hand_count: hand_count.clone(), labels: labels(number) })
}

fn checked(plant: &mut Plant) {
    for material in [1, 2] {
        plant.did(&colleague(), reconcile(material));
        let reconciliation = plant.last("reconciliation.computed").header.stream.id();
        plant.did(&second_supervisor(), Command::CheckReconciliation { reconciliation });
    }
}

// A wrong code that somebody has read is kept, whatever else is wrong with the act.

#[test]
fn a_wrong_code_read_at_a_second_look_is_kept() {
    let mut plant = Plant::planned();
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    let made = plant.did(&room(), reads("R-1", OTHER_CODE));
    assert!(made.contains(&"roll.held R-1".to_owned()), "{made:?}");
}

#[test]
fn a_second_look_that_finds_a_difference_is_kept() {
    let mut plant = Plant::planned();
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    let made = plant.did(&room(), looks_different("R-1"));
    assert!(made.contains(&"roll.held R-1".to_owned()), "{made:?}");
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "held");
}

#[test]
fn a_wrong_code_on_a_roll_that_was_not_proposed_is_kept() {
    let mut plant = Plant::planned();
    // R-6 is not among the proposed ones.
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-6"), "another-roll-proposed");
    let made = plant.did(&room(), reads("R-6", OTHER_CODE));
    assert!(made.contains(&"roll.held R-6".to_owned()), "{made:?}");
    let mut plant = Plant::planned();
    let made = plant.did(&room(), looks_different("R-6"));
    assert!(made.contains(&"roll.held R-6".to_owned()), "{made:?}");
}

#[test]
fn a_wrong_code_read_with_the_wrong_specimen_in_hand_is_kept() {
    let mut plant = Plant::planned();
    let mut command = reads("R-1", OTHER_CODE);
    let Command::ExamineBeforeIssue { specimen, .. } = &mut command else { unreachable!() };
    specimen.id = "SP-9".to_owned();
    let made = plant.did(&room(), command);
    assert!(made.contains(&"roll.held R-1".to_owned()), "{made:?}");
}

#[test]
fn a_wrong_code_at_a_dispenser_that_is_occupied_or_none_is_kept() {
    for device in [DISPENSER, UNIT_COUNTER, "DP-9"] {
        let mut plant = Plant::started();
        plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
        let made = plant.did(&line(), mount_with("R-2", device, OTHER_CODE));
        assert!(made.contains(&"order.held PO-1".to_owned()), "{device}: {made:?}");
        assert!(made.contains(&"roll.held R-2".to_owned()), "{device}: {made:?}");
    }
}

// A clearance that is missing.

#[test]
fn taking_a_roll_off_does_not_make_foreign_labels_forgotten() {
    let mut plant = Plant::started();
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Again));
    plant.did(&second_reviewer(), lift("order/PO-1", "DV-000001"));
    plant.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff));
    plant.refuses(&line(), resume_order(ORDER, None), "clearance-needed");
}

// Labels that are counted twice, or left out.

#[test]
fn one_reading_does_not_stand_twice_because_a_lap_between_was_withdrawn() {
    let mut plant = Plant::finished();
    plant.did(&line(), record(1, Term::Good, read_from(VERIFIER, 0, 240, 0)));
    // A lap that nobody ran makes room for the same reading again.
    plant.did(&line(), record(1, Term::Good, read_from(VERIFIER, 999_990, 0, 1)));
    plant.did(&line(), record(1, Term::Good, read_from(VERIFIER, 0, 240, 0)));
    plant.refuses(&line(), withdraw(2), "readings-overlap");
    // In the other order it goes.
    plant.did(&line(), withdraw(3));
    plant.did(&line(), withdraw(2));
}

#[test]
fn what_two_people_counted_is_not_left_out_of_the_account() {
    for what in [HandCounted::CodedTail, HandCounted::Spoiled, HandCounted::Rejected, HandCounted::Samples] {
        let mut plant = Plant::reconciled();
        plant.did(&room(), seal("CN-1"));
        let hand_count = plant.hand_counted(Some(1), what, 7).to_string();
        let code = if what == HandCounted::CodedTail { "tail-in-no-container" } else { "hand-count-left-out" };
        plant.refuses(&supervisor(), sign_order(), code);
        // Where it was counted by mistake, that is told; quality looks at it.
        deviation_about(&mut plant, &format!("hand_count/{hand_count}"));
        plant.did(&supervisor(), sign_order());
    }
}

#[test]
fn what_two_people_counted_and_was_withdrawn_or_is_nothing_stands_in_nobodys_way() {
    let mut plant = Plant::accounted();
    let hand_count = plant.hand_counted(Some(1), HandCounted::Samples, 3);
    let source = Source::HandCount { hand_count: id(&format!("hand_count/{hand_count}")) };
    plant.did(&line(), record(1, Term::Samples, source));
    plant.did(&line(), withdraw(8));
    plant.hand_counted(Some(1), HandCounted::CodedTail, 0);
    plant.did(&room(), seal("CN-1"));
    checked(&mut plant);
    plant.did(&supervisor(), sign_order());
}

#[test]
fn a_hand_count_that_was_begun_is_ended_before_packaging_signs() {
    let mut plant = Plant::reconciled();
    plant.did(&room(), seal("CN-1"));
    // Nobody has counted yet: nothing is known of it.
    let hand_count = opened_hand_count(&mut plant, HandCounted::Spoiled);
    plant.clone().did(&supervisor(), sign_order());
    enters(&mut plant, &hand_count, &line(), 50);
    plant.refuses(&supervisor(), sign_order(), "hand-count-open");
    // They differ, and nobody counts anew.
    enters(&mut plant, &hand_count, &line_colleague(), 49);
    plant.refuses(&supervisor(), sign_order(), "hand-count-open");
    plant.hand_counted(Some(1), HandCounted::Spoiled, 0);
    plant.did(&supervisor(), sign_order());
}

#[test]
fn hand_counts_that_were_opened_beforehand_do_not_go_on_until_it_fits() {
    let mut plant = Plant::started();
    let opened: Vec<Id> = (0..5).map(|_| opened_hand_count(&mut plant, HandCounted::Spoiled)).collect();
    for (hand_count, number) in opened.iter().zip(1..=3) {
        enters(&mut plant, hand_count, &line(), number);
        enters(&mut plant, hand_count, &line_colleague(), number + 1);
    }
    plant.last("deviation.opened");
    let command = Command::EnterHandCount { hand_count: opened.get(3).unwrap().clone(), labels: labels(4) };
    plant.refuses(&line(), command, "hand-counts-differ");
}

#[test]
fn what_is_taken_out_of_a_rest_came_back_all_the_same() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    // Of the 100 on it 10 were used; at a missing label a piece of 3 is cut out in the second count.
    plant.signed("ST-2", back("ST-2", "R-41"), &run_of(90, None, &[]));
    let count = plant.counted("ST-2", back("ST-2", "R-41"), &run_of(90, None, &[(20, FaultKind::Missing)]));
    plant.did(&room(), take_out(&count, FaultKind::Missing, 20, 20, 3));
    plant.did(&room(), sign(&count));
    assert_eq!(plant.roll("R-41").settled.as_ref().unwrap().on_roll, labels(87));
    plant.did(&line(), record(2, Term::Good, read_from(DISPENSER, 0, 10, 0)));
    let source = read_from(UNIT_COUNTER, 0, 240, 0);
    plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
    plant.did(&room(), reconcile(2));
    let Body::ReconciliationComputed(computed) = &plant.last("reconciliation.computed").body else { panic!() };
    assert_eq!((computed.terms.returned, computed.unaccounted), (90, 0));
}

#[test]
fn a_later_recount_of_what_came_back_does_not_change_the_account() {
    let mut plant = Plant::reconciled();
    plant.did(&room(), seal("CN-1"));
    let recount = open("ST-1", "roll/R-31", CountPurpose::Recount, Direction::Rewind);
    let count = plant.counted("ST-1", recount, &run_of(46, Some(CODE), &[(20, FaultKind::Missing)]));
    plant.did(&room(), take_out(&count, FaultKind::Missing, 20, 20, 5));
    plant.did(&room(), sign(&count));
    assert_eq!(plant.roll("R-31").settled.as_ref().unwrap().on_roll, labels(41));
    plant.did(&supervisor(), sign_order());
}

// Numbers that no longer stand.

#[test]
fn an_issue_is_not_taken_on_a_number_that_no_longer_stands() {
    let mut plant = Plant::planned();
    let recount = open("ST-1", "roll/R-1", CountPurpose::Recount, Direction::Rewind);
    plant.signed("ST-1", recount, &run_of(100, Some(CODE), &[]));
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
    // Its station fails, and the hold comes and goes before the line signs.
    plant.challenge_failed("ST-1");
    plant.refuses(&line(), take_issue("IS-000001"), "held");
    plant.did(&second_reviewer(), lift("roll/R-1", "DV-000001"));
    plant.refuses(&line(), take_issue("IS-000001"), "count-no-longer-stands");
    plant.did(&room(), withdraw_issue("IS-000001"));
}

// Limits and their sides.

#[test]
fn labels_lost_at_the_line_have_the_limit_of_what_is_lost() {
    // Fewer labels than the units need may be none at all; what the line loses not less than counting can show.
    let mut plant = Plant::peopled();
    let mut draft = limits_draft("L-100", 0);
    draft.limits.product_short.labels = labels(0);
    plant.clone().did(&supervisor(), draft_limits("LS-9", draft.clone()));
    draft.limits.product_over.labels = labels(0);
    plant.refuses(&supervisor(), draft_limits("LS-9", draft), "below-uncertainty");
    // The test plant lets 5 be lost, and none come from nowhere.
    let limits = limits_draft("L-100", 0).limits;
    assert_eq!((limits.product_over.labels, limits.product_short.labels), (labels(5), labels(0)));
}

#[test]
fn units_that_outnumber_their_labels_are_the_graver_side() {
    for (units, verdict) in [(241, Verdict::Outside), (236, Verdict::Within), (240, Verdict::Within)] {
        let mut plant = Plant::given_back();
        plant.device_counted(1, Term::Good, VERIFIER, 0, 240);
        plant.device_counted(1, Term::Rejected, VERIFIER, 240, 243);
        plant.device_counted(1, Term::Samples, DISPENSER, 0, 2);
        plant.device_counted(1, Term::Spoiled, DISPENSER, 2, 7);
        let source = read_from(UNIT_COUNTER, 0, units, 0);
        plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
        plant.did(&room(), reconcile(1));
        let Body::ReconciliationComputed(computed) = &plant.last("reconciliation.computed").body else { panic!() };
        assert_eq!((computed.balance, computed.against_product), (Verdict::Within, verdict), "{units}");
    }
}

// Nobody approves what they had a hand in.

#[test]
fn whoever_took_off_withdrew_or_ended_does_not_review_it_as_quality() {
    let (at_line, as_reviewer) = both();
    let acts: [fn(&mut Plant, &By); 3] = [
        |plant, by| {
            plant.did(by, withdraw(1));
            plant.device_counted(1, Term::Good, VERIFIER, 0, 240);
        },
        |plant, by| {
            plant.did(by, Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Spoiled });
        },
        |_, _| {},
    ];
    for (n, act) in acts.into_iter().enumerate() {
        let mut plant = Plant::accounted();
        plant.enrolled("U-0013", &[Role::Line, Role::Reviewer]);
        act(&mut plant, &at_line);
        plant.did(&room(), seal("CN-1"));
        checked(&mut plant);
        plant.did(&supervisor(), sign_order());
        if n < 2 {
            plant.refuses(&as_reviewer, review(), "same-person");
        } else {
            plant.did(&as_reviewer, review());
        }
    }
}

#[test]
fn whoever_said_how_a_roll_ran_decides_no_deviation_about_its_order() {
    let (at_line, as_reviewer) = both();
    let acts: [fn(&mut Plant, &By); 4] = [
        |plant, by| {
            plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
            plant.did(by, dismount_roll(ORDER, 1, "R-1", RollRan::UsedUp));
        },
        |plant, by| {
            plant.did(by, interrupt_order(ORDER));
        },
        |plant, by| {
            plant.did(&line(), interrupt_order(ORDER));
            plant.did(by, resume_order(ORDER, None));
        },
        |plant, by| {
            let clearance = plant.cleared(ORDER, ClearanceWhen::After);
            plant.did(by, finish_order(ORDER, &clearance));
        },
    ];
    for act in acts {
        let mut plant = Plant::started();
        plant.enrolled("U-0013", &[Role::Line, Role::Reviewer]);
        act(&mut plant, &at_line);
        let deviation = deviation_about(&mut plant, "order/PO-1");
        plant.did(&supervisor(), assess(&deviation, Severity::Major));
        plant.did(&supervisor(), investigate(&deviation));
        plant.refuses(&as_reviewer, decide(&deviation, ACCEPT), "same-person");
        plant.did(&reviewer(), decide(&deviation, ACCEPT));
        plant.did(&reviewer(), close(&deviation));
    }
}

// Dead ends.

#[test]
fn an_order_whose_item_is_taken_out_of_use_after_the_issue_comes_to_an_end() {
    let mut plant = Plant::at_the_line();
    plant.did(&reviewer(), obsolete(CODED));
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.refuses(&line(), start_order(ORDER, &clearance), "roll-obsolete");
    plant.refuses(&supervisor(), void_order(ORDER), "issue-taken");
    for (material, roll) in [(1, "R-1"), (1, "R-2"), (1, "R-3"), (2, "R-4")] {
        plant.did(&line(), give_back(material, roll));
        plant.did(&room(), take_back(material, roll, &format!("{roll}-X")));
    }
    plant.did(&second_reviewer(), reject());
    assert_eq!(plant.order(ORDER).status, OrderStatus::Rejected);
    // One of which nothing was taken is made void, as before.
    let mut plant = Plant::planned();
    plant.refuses(&reviewer(), reject(), "order-not-started");
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.refuses(&reviewer(), reject(), "order-not-started");
}

#[test]
fn a_rest_is_not_released_before_the_challenge_after_its_count() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    for _ in 0..2 {
        plant.signed("ST-2", back("ST-2", "R-41"), &run_of(89, None, &[]));
    }
    assert_eq!(plant.roll("R-41").count_axis(), CountAxis::AtRisk);
    // Released, issued and used up it could never be counted again, and its order's account had lost its number.
    plant.refuses(&reviewer(), Command::ReleaseReturn { roll: id("R-41") }, "roll-at-risk");
    plant.challenged("ST-2");
    plant.did(&reviewer(), Command::ReleaseReturn { roll: id("R-41") });
}

#[test]
fn three_counts_of_a_rest_that_disagree_wait_for_quality_as_any_others() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    for number in [88, 89] {
        plant.signed("ST-2", back("ST-2", "R-41"), &run_of(number, None, &[]));
    }
    plant.did(&room(), crate::testing::record_check("R-41"));
    plant.signed("ST-2", back("ST-2", "R-41"), &run_of(87, None, &[]));
    plant.challenged("ST-2");
    plant.refuses(&room(), back("ST-2", "R-41"), "held");
    plant.did(&second_reviewer(), lift("roll/R-41", "DV-000001"));
    for _ in 0..2 {
        plant.signed("ST-2", back("ST-2", "R-41"), &run_of(89, None, &[]));
    }
    assert!(plant.roll("R-41").settled.is_some());
}

#[test]
fn a_rest_on_which_nothing_is_left_or_that_is_lost_does_not_keep_its_order_for_ever() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    let count = plant.opened(&room(), back("ST-2", "R-41"));
    plant.says("ST-2", &count, &run_of(0, None, &[]));
    plant.refuses(&room(), crate::testing::close(&count), "nothing-counted");
    plant.did(&room(), crate::testing::interrupt(&count));
    plant.did(&line(), record(2, Term::Good, read_from(DISPENSER, 0, 10, 0)));
    let source = read_from(UNIT_COUNTER, 0, 240, 0);
    plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
    plant.refuses(&room(), reconcile(2), "rest-not-counted");
    let deviation = nobody_finds(&mut plant, "R-41");
    plant.refuses(&room(), reconcile(2), "rest-not-counted");
    closes(&mut plant, &deviation, ACCEPT);
    plant.did(&room(), reconcile(2));
    let Body::ReconciliationComputed(computed) = &plant.last("reconciliation.computed").body else { panic!() };
    assert_eq!((computed.terms.returned, computed.balance), (0, Verdict::Outside));
}

#[test]
fn a_roll_that_is_lost_at_the_line_keeps_neither_line_nor_order_for_ever() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    for _ in 0..2 {
        plant.signed("ST-2", back("ST-2", "R-41"), &run_of(90, None, &[]));
    }
    plant.did(&line(), record(1, Term::Good, read_from(VERIFIER, 0, 240, 0)));
    plant.did(&line(), record(2, Term::Good, read_from(DISPENSER, 0, 10, 0)));
    let source = read_from(UNIT_COUNTER, 0, 240, 0);
    plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    plant.refuses(&line(), clear_line("PO-2", ClearanceWhen::Before), "rolls-left-at-line");
    plant.refuses(&room(), reconcile(1), "roll-not-accounted");
    // Nobody finds R-3. That is a deviation; only quality lets the account be made without it.
    let alone = deviation_about(&mut plant, "roll/R-3");
    closes(&mut plant, &alone, ACCEPT);
    plant.refuses(&room(), reconcile(1), "roll-not-accounted");
    let deviation = nobody_finds(&mut plant, "R-3");
    plant.refuses(&line(), clear_line("PO-2", ClearanceWhen::Before), "rolls-left-at-line");
    plant.refuses(&room(), reconcile(1), "roll-not-accounted");
    closes(&mut plant, &deviation, ACCEPT);
    plant.did(&line(), clear_line("PO-2", ClearanceWhen::Before));
    plant.did(&room(), reconcile(1));
    let Body::ReconciliationComputed(computed) = &plant.last("reconciliation.computed").body else { panic!() };
    assert_eq!((computed.unaccounted, computed.balance), (60, Verdict::Outside));
    // Found after all, it comes back, and the account is made anew.
    plant.did(&room(), reconcile(2));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Reconciled);
    plant.did(&line(), give_back(1, "R-3"));
    let tail = plant.hand_counted(Some(1), HandCounted::CodedTail, 0);
    let mut command = take_back(1, "R-3", "R-31");
    let Command::TakeBack { tail: counted, .. } = &mut command else { unreachable!() };
    *counted = Some(tail);
    plant.did(&room(), command);
    assert_eq!(plant.order(ORDER).status, OrderStatus::Finished);
}

#[test]
fn what_quality_has_rejected_is_destroyed_and_not_locked_up_for_ever() {
    let mut plant = Plant::reconciled();
    plant.did(&room(), seal("CN-1"));
    let deviation = deviation_about(&mut plant, "order/PO-1");
    let cause: Stream = id(&format!("deviation/{deviation}"));
    plant.writes(&crate::testing::system(), "order/PO-1", tallyseal_schema::kinds::OrderHeld { cause }.into());
    let declare = || Command::DeclareDestruction {
        container: id("CN-1"),
        labels: labels(4),
        method: "shredded".to_owned(),
        place: "yard".to_owned(),
        late: None,
    };
    plant.refuses(&room(), declare(), "held");
    closes(&mut plant, &deviation, REJECT);
    plant.refuses(&second_reviewer(), lift("order/PO-1", &deviation), "deviation-rejects");
    plant.did(&room(), declare());
    plant.did(&line(), Command::WitnessDestruction { container: id("CN-1") });
    let State::Container(ContainerState { status, .. }) = &plant.record("container/CN-1").state else { panic!() };
    assert_eq!(*status, crate::ContainerStatus::Destroyed);
}

#[test]
fn what_quality_has_stopped_for_now_stands() {
    let mut plant = Plant::started();
    let deviation = deviation_about(&mut plant, "order/PO-1");
    let decided = |decision| {
        let (deviation, text) = (id(&deviation), "until the camera was looked at".to_owned());
        Command::DecideInterim { deviation, decision, text }
    };
    plant.did(&reviewer(), decided(InterimDecision::MayRunOn));
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::UsedUp));
    plant.did(&reviewer(), decided(InterimDecision::Stop));
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-2"), "held");
    plant.did(&second_reviewer(), lift("order/PO-1", &deviation));
    plant.did(&line(), mount_roll(ORDER, 1, "R-2"));
}

#[test]
fn a_station_is_not_kept_by_the_rest_of_an_obsolete_item() {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&room(), take_back(2, "R-4", "R-41"));
    plant.did(&reviewer(), obsolete(PLAIN));
    for _ in 0..2 {
        plant.signed("ST-2", back("ST-2", "R-41"), &run_of(89, None, &[]));
    }
    plant.challenged("ST-2");
    assert_eq!(plant.roll("R-41").count_axis(), CountAxis::Counted);
    plant.did(&room(), crate::testing::clear_bench("ST-2"));
    plant.did(&room(), set_up("ST-2", CODED));
}

#[test]
fn an_order_is_not_given_more_rolls_than_its_signatures_can_cover() {
    let mut plant = Plant::planned();
    let mut rolls = Vec::new();
    for number in 0..999 {
        let (delivery, item) = (id("delivery/D-1"), id(&format!("item/{CODED}")));
        let body = RollReceived { delivery, item, place: "cage".to_owned(), stated: labels(100) };
        let roll = format!("roll/RX-{number}");
        plant.writes(&room(), &roll, body.into());
        rolls.push(IssuedRoll { at_risk: false, labels: labels(100), roll: id(&roll) });
    }
    let given = IssueGiven { extra: None, labels: labels(99_900), material: 2, order: id("order/PO-1"), rolls };
    plant.writes(&room(), "issue/IS-000001", given.into());
    for roll in ["R-1", "R-2"] {
        plant.did(&room(), examine_roll(ORDER, 1, roll));
    }
    plant.clone().did(&room(), give_issue(ORDER, 1, &["R-1"], None));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1", "R-2"], None), "record-too-wide");
}

#[test]
fn a_container_of_an_order_that_is_void_waits_for_nobody() {
    let mut plant = Plant::planned();
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    let (contents, place) = (Contents::Coded, "cage".to_owned());
    let command = Command::OpenContainer { container: id("CN-1"), order: id(ORDER), material: 1, contents, place };
    plant.did(&room(), command);
    let waits = |plant: &Plant| plant.record("container/CN-1").keys(&id("container/CN-1")).len();
    assert_eq!(waits(&plant), 3);
    plant.refuses(&supervisor(), void_order(ORDER), "container-open");
    plant.did(&room(), seal("CN-1"));
    plant.did(&supervisor(), void_order(ORDER));
    assert_eq!(waits(&plant), 2);
}

#[test]
fn a_deviation_about_the_roll_that_a_rest_was_part_of_touches_the_order_that_got_the_rest() {
    let mut plant = Plant::accounted();
    let (order, place) = (id("order/PO-0"), "cage".to_owned());
    let (delivery, item) = (id("delivery/D-1"), id(&format!("item/{CODED}")));
    let body = RollReturned { delivery, item, order, parent: id("roll/R-6"), place };
    plant.writes(&room(), "roll/R-61", body.into());
    let (issue, order): (Stream, Stream) = (id("issue/IS-000099"), id("order/PO-1"));
    let roll: Stream = id("roll/R-61");
    let rolls = vec![IssuedRoll { at_risk: false, labels: labels(0), roll: roll.clone() }];
    let given = IssueGiven { extra: None, labels: labels(0), material: 1, order, rolls };
    plant.writes(&room(), issue.as_str(), given.into());
    plant.writes(&line(), issue.as_str(), IssueTaken {}.into());
    let ran = RollRan::UsedUp;
    plant.writes(&line(), "order/PO-1", OrderRollDismounted { material: 1, ran, roll }.into());
    plant.did(&room(), seal("CN-1"));
    checked(&mut plant);
    plant.did(&supervisor(), sign_order());
    let (method, place) = ("shredded".to_owned(), "yard".to_owned());
    let container: Id = id("CN-1");
    let labels = labels(4);
    let declared = Command::DeclareDestruction { container: container.clone(), labels, method, place, late: None };
    plant.did(&room(), declared);
    plant.did(&line_colleague(), Command::WitnessDestruction { container });
    plant.did(&second_reviewer(), review());
    plant.clone().did(&second_reviewer(), approve());
    let deviation = deviation_about(&mut plant, "roll/R-6");
    plant.refuses(&second_reviewer(), approve(), "deviation-open");
    closes(&mut plant, &deviation, ACCEPT);
    plant.did(&second_reviewer(), approve());
}

#[test]
fn whoever_caused_a_deviation_does_not_close_it() {
    let (at_line, as_reviewer) = both();
    let mut plant = Plant::started();
    plant.enrolled("U-0013", &[Role::Line, Role::Reviewer]);
    plant.did(&at_line, mount_with("R-1", DISPENSER, OTHER_CODE));
    plant.did(&supervisor(), assess("DV-000001", Severity::Critical));
    plant.did(&supervisor(), investigate("DV-000001"));
    plant.refuses(&as_reviewer, decide("DV-000001", ACCEPT), "same-person");
    plant.did(&reviewer(), decide("DV-000001", ACCEPT));
    plant.refuses(&as_reviewer, close("DV-000001"), "same-person");
    plant.did(&reviewer(), close("DV-000001"));
    plant.refuses(&as_reviewer, lift("order/PO-1", "DV-000001"), "same-person");
}

// What is remembered.

#[test]
fn no_entry_makes_the_memory_of_a_thing_panic_or_unreadable() {
    let mut plant = Plant::reviewed();
    plant.did(&second_reviewer(), approve());
    plant.did(&reviewer(), Command::ReopenOrder { order: id(ORDER), why: "one more label was found".to_owned() });
    let mut bodies: Vec<&tallyseal_schema::Entry> = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for entry in plant.log.iter().rev() {
        if seen.insert(entry.header.kind.clone()) {
            bodies.push(entry);
        }
    }
    let mut streams = std::collections::BTreeSet::new();
    for entry in &plant.log {
        streams.insert(entry.header.stream.clone());
    }
    let mut things = std::collections::BTreeMap::new();
    for stream in &streams {
        things.entry(stream.thing().to_owned()).or_insert_with(|| stream.clone());
    }
    for stream in things.values() {
        let mut record = Some(plant.record(stream.as_str()).clone());
        for by in [room(), crate::testing::system()] {
            for entry in &bodies {
                let mut entry = (*entry).clone();
                entry.header.stream = stream.clone();
                entry.header.by = by.clone();
                let _ = evolve(None, &entry);
                if let Ok(after) = evolve(record.clone(), &entry) {
                    let _ = after.keys(stream);
                    let text = serde_json::to_string(&after).unwrap();
                    assert_eq!(serde_json::from_str::<crate::Record>(&text).unwrap(), after);
                    record = Some(after);
                }
            }
        }
    }
}
