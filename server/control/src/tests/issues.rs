use tallyseal_schema::kinds::{
    Coding, DeliveryHeld, ExaminationVerdict, ItemDrafted, ObsoleteRule, OrderHeld, OrderPlanned, OverrideKind, Role,
    RollChoice, RollHeld, RollRan, Severity, Specimen, Unwind,
};
use tallyseal_schema::{Body, By};

use crate::testing::{
    CODE, CODED, OTHER_CODE, Plant, colleague, examiner, id, labels, line, open_incoming, open_recount, person,
    release, reviewer, room, run_of, supervisor, system,
};
use crate::testing_orders::{
    DISPENSER, LIMITS, ORDER, UNIT_COUNTER, dismount_roll, examine_roll, give_issue, interrupt_order, line_colleague,
    material, mount_roll, order_plan, plan_order, ratio, receive_at_line, request_override, take_issue, withdraw_issue,
};
use crate::{Command, Custody, IssueStatus, OrderStatus, State};

const EXTRA: OverrideKind = OverrideKind::ExtraIssue;

/// The examination of a roll of material 1, with something else about it.
fn examined(roll: &str, change: impl FnOnce(&mut Command)) -> Command {
    let mut command = examine_roll(ORDER, 1, roll);
    change(&mut command);
    command
}

fn with_code(roll: &str, code: Option<&str>) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { code_read, .. } = command else { unreachable!() };
        *code_read = code.map(str::to_owned);
    })
}

fn with_choice(roll: &str, reason: RollChoice) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { choice, .. } = command else { unreachable!() };
        *choice = Some(reason);
    })
}

fn with_unwind(roll: &str, way: Unwind) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { unwind, .. } = command else { unreachable!() };
        *unwind = way;
    })
}

fn different(roll: &str) -> Command {
    examined(roll, |command| {
        let Command::ExamineBeforeIssue { verdict, .. } = command else { unreachable!() };
        *verdict = ExaminationVerdict::Different;
    })
}

fn mounted_with(roll: &str, code: Option<&str>, device: &str) -> Command {
    Command::MountRoll {
        order: id(ORDER),
        material: 1,
        roll: id(roll),
        device: id(device),
        code_read: code.map(str::to_owned),
    }
}

fn obsolete(item: &str) -> Command {
    let why = "the artwork changed".to_owned();
    Command::ObsoleteItem { item: id(item), rule: ObsoleteRule::Immediate, last_use: None, why }
}

fn reject(delivery: &str) -> Command {
    Command::RejectDelivery { delivery: id(delivery), why: "misprinted".to_owned() }
}

/// With a deviation that may hold something.
fn deviation(plant: &mut Plant) {
    let command = Command::OpenDeviation {
        about: vec![id("roll/R-1")],
        severity: Severity::Major,
        text: "the box was wet".to_owned(),
    };
    plant.did(&room(), command);
}

fn hold_roll(plant: &mut Plant, roll: &str) {
    deviation(plant);
    plant.writes(&system(), &format!("roll/{roll}"), RollHeld { cause: id("deviation/DV-000001") }.into());
}

fn hold_order(plant: &mut Plant) {
    deviation(plant);
    plant.writes(&system(), "order/PO-1", OrderHeld { cause: id("deviation/DV-000001") }.into());
}

/// Rolls of material 1 are examined.
fn staged(rolls: &[&str]) -> Plant {
    let mut plant = Plant::planned();
    for roll in rolls {
        plant.did(&room(), examine_roll(ORDER, 1, roll));
    }
    plant
}

/// Material 1 is given, and not taken over.
fn given() -> Plant {
    let mut plant = staged(&["R-1", "R-2", "R-3"]);
    plant.did(&room(), give_issue(ORDER, 1, &["R-1", "R-2", "R-3"], None));
    plant
}

fn issue_status(plant: &Plant, issue: &str) -> IssueStatus {
    match &plant.record(&format!("issue/{issue}")).state {
        State::Issue(state) => state.status,
        _ => panic!("no issue"),
    }
}

#[test]
fn a_roll_is_examined_against_the_approved_specimen_before_it_is_issued() {
    let mut plant = Plant::planned();
    plant.makes(&room(), examine_roll(ORDER, 1, "R-1"), &["order.roll_examined PO-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::Staged);
    plant.makes(&examiner(), examine_roll(ORDER, 1, "R-2"), &["order.roll_examined PO-1"]);
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-1"), "already-examined");
    plant.refuses(&line(), examine_roll(ORDER, 1, "R-3"), "wrong-role");
    let other = examined("R-3", |command| {
        let Command::ExamineBeforeIssue { specimen, .. } = command else { unreachable!() };
        *specimen = Specimen { id: "SP-2".to_owned(), place: "cabinet 1".to_owned() };
    });
    plant.refuses(&room(), other, "not-the-approved-specimen");
    plant.refuses(&room(), examine_roll("PO-9", 1, "R-3"), "no-such-order");
    plant.refuses(&room(), examine_roll(ORDER, 3, "R-3"), "no-such-material");
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-99"), "no-such-roll");
}

#[test]
fn what_carries_a_code_is_read_and_what_carries_none_has_none() {
    let mut plant = Plant::planned();
    plant.refuses(&room(), with_code("R-1", None), "no-code-read");
    plant.refuses(&room(), with_code("R-1", Some("")), "empty");
    plant.did(&room(), with_code("R-1", Some(CODE)));
    plant.did(&room(), examine_roll(ORDER, 2, "R-4"));
}

#[test]
fn a_wrong_code_at_the_examination_sets_the_roll_aside_and_holds_the_delivery() {
    let wrong = |roll: &str| with_code(roll, Some(OTHER_CODE));
    let mut plant = Plant::planned();
    plant.makes(
        &room(),
        wrong("R-1"),
        &[
            "order.roll_examined PO-1",
            "deviation.opened DV-000001",
            "delivery.held D-1",
            "roll.held R-1",
            "roll.held R-2",
            "roll.held R-3",
            "roll.held R-6",
            "record.questioned PO-1",
        ],
    );
    // Whatever the eye said.
    let found = plant.order(ORDER).rolls.values().next().unwrap().verdict;
    assert_eq!(found, Some(ExaminationVerdict::Different));
    for roll in ["R-1", "R-2"] {
        plant.refuses(&room(), examine_roll(ORDER, 1, roll), "held");
        plant.refuses(&room(), give_issue(ORDER, 1, &[roll], None), "held");
    }
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.severity, Severity::Critical);
    assert_eq!(opened.about, [id("roll/R-1"), id("order/PO-1"), id("delivery/D-1")]);
    // The order may take what is of another delivery.
    plant.did(&room(), examine_roll(ORDER, 2, "R-4"));
    // A code where the item has none is a foreign label's.
    let mut plant = Plant::planned();
    let mut foreign = examine_roll(ORDER, 2, "R-4");
    let Command::ExamineBeforeIssue { code_read, .. } = &mut foreign else { unreachable!() };
    *code_read = Some(CODE.to_owned());
    plant.did(&room(), foreign);
    plant.refuses(&room(), examine_roll(ORDER, 2, "R-5"), "held");
}

#[test]
fn a_label_that_is_not_the_specimens_holds_the_delivery_and_names_who_has_rolls_of_it() {
    let mut plant = Plant::at_the_line();
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    let mut command = examine_roll("PO-2", 1, "R-6");
    let Command::ExamineBeforeIssue { verdict, .. } = &mut command else { unreachable!() };
    *verdict = ExaminationVerdict::Different;
    let made = plant.did(&room(), command);
    assert!(made.contains(&"record.questioned PO-1".to_owned()), "{made:?}");
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.about, [id("roll/R-6"), id("order/PO-2"), id("delivery/D-1"), id("order/PO-1")]);
    // What the line has of it is held too, and comes back.
    assert_eq!(plant.roll("R-1").holds.len(), 1);
    assert!(plant.roll("R-4").holds.is_empty());
    let mut plant = Plant::planned();
    plant.did(&room(), different("R-1"));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "held");
    // Even with its hold gone it must be examined again.
    let lifted = tallyseal_schema::kinds::RollHoldLifted { cause: id("deviation/DV-000001") };
    plant.writes(&system(), "roll/R-1", lifted.into());
    let lifted = tallyseal_schema::kinds::DeliveryHoldLifted { cause: id("deviation/DV-000001") };
    plant.writes(&system(), "delivery/D-1", lifted.into());
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "roll-differs");
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
}

#[test]
fn another_good_roll_of_the_delivery_takes_a_reason_and_one_of_another_delivery_is_not_taken() {
    // are enough.
    let mut plant = Plant::planned();
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-6"), "another-roll-proposed");
    plant.refuses(&room(), with_choice("R-1", RollChoice::FitsQuantity), "no-choice-to-explain");
    plant.did(&room(), with_choice("R-6", RollChoice::Unreachable));
    let Body::OrderRollExamined(examined) = &plant.last("order.roll_examined").body else { unreachable!() };
    assert_eq!(examined.choice, Some(RollChoice::Unreachable));
    // A younger delivery.
    let younger = |plant: &mut Plant| {
        plant.released("D-3", CODED, &["R-7"]);
        plant.signed("ST-1", open_incoming("ST-1", "R-7"), &run_of(100, Some(CODE), &[]));
    };
    let mut plant = Plant::planned();
    younger(&mut plant);
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-7"), "another-roll-proposed");
    plant.refuses(&room(), with_choice("R-7", RollChoice::Reserved), "not-of-a-proposed-delivery");
    // What cannot be used is not proposed.
    for roll in ["R-1", "R-2", "R-3", "R-6"] {
        plant.writes(&system(), &format!("roll/{roll}"), RollHeld { cause: id("deviation/DV-000001") }.into());
    }
    plant.did(&room(), examine_roll(ORDER, 1, "R-7"));
}

#[test]
fn two_people_in_two_roles_hand_over_once() {
    let mut plant = staged(&["R-1", "R-2", "R-3"]);
    plant.makes(
        &room(),
        give_issue(ORDER, 1, &["R-1", "R-2", "R-3"], None),
        &[
            "order.limits_frozen PO-1",
            "roll.issued R-1",
            "roll.issued R-2",
            "roll.issued R-3",
            "order.part_begun PO-1",
            "issue.given IS-000001",
            "\"issued\" IS-000001",
        ],
    );
    assert_eq!(plant.roll("R-1").custody, Custody::Given { order: id("order/PO-1") });
    // A second issue of a roll.
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "roll-out-of-store");
    plant.refuses(&line(), receive_at_line(ORDER, 1, "R-1"), "issue-not-taken");
    plant.refuses(&room(), take_issue("IS-000001"), "wrong-role");
    plant.makes(
        &line(),
        take_issue("IS-000001"),
        &[
            "issue.taken IS-000001",
            "\"issue taken\" IS-000001",
            "order.issued PO-1",
            "roll.taken R-1",
            "roll.taken R-2",
            "roll.taken R-3",
        ],
    );
    let state = plant.order(ORDER);
    assert_eq!(state.rolls.values().next().unwrap().issued, labels(100));
    assert_eq!(state.rolls.values().next().unwrap().issue, Some(id("issue/IS-000001")));
    plant.refuses(&line(), take_issue("IS-000001"), "issue-taken");
    plant.refuses(&room(), withdraw_issue("IS-000001"), "issue-taken");
    plant.refuses(&line(), take_issue("IS-000009"), "no-such-issue");
    // The order in its whole is one roll's owner: another order cannot have it.
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    plant.refuses(&room(), examine_roll("PO-2", 1, "R-1"), "roll-out-of-store");
}

#[test]
fn whoever_gave_does_not_take() {
    let mut plant = Plant::planned();
    plant.enrolled("U-0013", &[Role::LabelRoom, Role::Line]);
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&person("U-0013", Role::LabelRoom), give_issue(ORDER, 1, &["R-1"], None));
    plant.refuses(&person("U-0013", Role::Line), take_issue("IS-000001"), "same-person");
    plant.did(&line(), take_issue("IS-000001"));
}

#[test]
fn both_people_are_there_or_it_is_given_anew() {
    let plant = given();
    let at = plant.last("issue.given").header.at;
    let half_an_hour = 30 * 60 * 1_000_000;
    let mut in_time = plant.clone();
    in_time.wait_until(at.plus_micros(half_an_hour));
    in_time.did(&line(), take_issue("IS-000001"));
    let mut late = plant;
    late.wait_until(at.plus_micros(half_an_hour + 1));
    late.refuses(&line(), take_issue("IS-000001"), "issue-lapsed");
    late.did(&colleague(), withdraw_issue("IS-000001"));
    late.did(&room(), give_issue(ORDER, 1, &["R-1", "R-2", "R-3"], None));
    late.did(&line(), take_issue("IS-000002"));
}

#[test]
fn a_withdrawn_issue_leaves_its_rolls_where_they_lay_and_counts_for_nothing() {
    let mut plant = given();
    let no_reason = Command::WithdrawIssue { issue: id("IS-000001"), why: String::new() };
    plant.refuses(&room(), no_reason, "no-reason");
    plant.makes(
        &room(),
        withdraw_issue("IS-000001"),
        &[
            "issue.withdrawn IS-000001",
            "roll.issue_withdrawn R-1",
            "roll.issue_withdrawn R-2",
            "roll.issue_withdrawn R-3",
        ],
    );
    assert_eq!(issue_status(&plant, "IS-000001"), IssueStatus::Withdrawn);
    assert_eq!(plant.roll("R-1").custody, Custody::Store {});
    plant.refuses(&room(), withdraw_issue("IS-000001"), "issue-withdrawn");
    plant.refuses(&line(), take_issue("IS-000001"), "issue-withdrawn");
    // The limits stay as they were frozen.
    let made = plant.did(&room(), give_issue(ORDER, 1, &["R-1", "R-2", "R-3"], None));
    assert!(!made.iter().any(|name| name.starts_with("order.limits_frozen")));
}

#[test]
fn an_issue_has_rolls_each_once() {
    let mut plant = staged(&["R-1", "R-2"]);
    plant.refuses(&room(), give_issue(ORDER, 1, &[], None), "number-of-rolls");
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1", "R-1"], None), "roll-twice");
    let many: Vec<String> = (0..101).map(|roll| format!("R-{roll}")).collect();
    let many: Vec<&str> = many.iter().map(String::as_str).collect();
    plant.refuses(&room(), give_issue(ORDER, 1, &many, None), "number-of-rolls");
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-3"], None), "roll-not-examined");
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-99"], None), "no-such-roll");
    plant.refuses(&room(), give_issue(ORDER, 3, &["R-1"], None), "no-such-material");
    plant.refuses(&room(), give_issue(ORDER, 2, &["R-1"], None), "roll-of-another-item");
    plant.refuses(&room(), examine_roll(ORDER, 2, "R-1"), "roll-of-another-item");
    plant.refuses(&line(), give_issue(ORDER, 1, &["R-1"], None), "wrong-role");
}

#[test]
fn nobody_issues_a_rejected_an_obsolete_or_a_held_roll() {
    let examined = || staged(&["R-1", "R-2", "R-3"]);
    let cases: [(&str, fn(&mut Plant)); 5] = [
        ("held", |plant| hold_roll(plant, "R-1")),
        ("held", |plant| {
            deviation(plant);
            plant.writes(&system(), "delivery/D-1", DeliveryHeld { cause: id("deviation/DV-000001") }.into());
        }),
        ("roll-rejected", |plant| {
            plant.did(&reviewer(), reject("D-1"));
        }),
        ("roll-obsolete", |plant| {
            plant.did(&reviewer(), obsolete(CODED));
        }),
        ("held", |plant| hold_order(plant)),
    ];
    for (code, change) in cases {
        let mut plant = examined();
        change(&mut plant);
        plant.refuses(&room(), give_issue(ORDER, 1, &["R-1", "R-2", "R-3"], None), code);
        let mut plant = Plant::planned();
        change(&mut plant);
        plant.refuses(&room(), examine_roll(ORDER, 1, "R-1"), code);
        // Nor does the line take it over, scan it in or mount it when it became so in between.
        let mut plant = given();
        change(&mut plant);
        plant.refuses(&line(), take_issue("IS-000001"), code);
        let mut plant = given();
        plant.did(&line(), take_issue("IS-000001"));
        change(&mut plant);
        plant.refuses(&line(), receive_at_line(ORDER, 1, "R-1"), code);
        let mut plant = Plant::started();
        change(&mut plant);
        plant.refuses(&line(), mount_roll(ORDER, 1, "R-1"), code);
    }
}

#[test]
fn only_what_is_released_and_counted_is_issued() {
    let mut plant = Plant::planned();
    // In quarantine; released and not counted; counted and not signed; in a count.
    plant.did(&room(), crate::testing::receive("D-3", CODED, &[("R-7", 100), ("R-8", 100)]));
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-7"), "delivery-not-released");
    let accept = tallyseal_schema::kinds::ExaminationResult::Accept;
    plant.did(&examiner(), crate::testing::examine("D-3", &["R-7"], accept));
    plant.did(&reviewer(), release("D-3"));
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-7"), "roll-not-counted");
    let count = plant.opened(&room(), open_incoming("ST-1", "R-7"));
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-7"), "roll-in-count");
    for run in run_of(100, Some(CODE), &[]).chunks(60) {
        plant.says("ST-1", &count, run);
    }
    plant.did(&room(), crate::testing::close(&count));
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-7"), "count-not-signed");
    // Not in the store any more: the supplier's figure and the order's past say nothing.
    let mut plant = Plant::finished();
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    plant.refuses(&room(), examine_roll("PO-2", 1, "R-1"), "roll-is-no-more");
    plant.refuses(&room(), examine_roll("PO-2", 1, "R-3"), "roll-out-of-store");
}

#[test]
fn a_roll_whose_count_no_challenge_has_closed_is_issued_with_that_mark() {
    let mut plant = Plant::planned();
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    for roll in ["R-1", "R-2"] {
        plant.did(&room(), examine_roll(ORDER, 1, roll));
    }
    plant.did(&room(), give_issue(ORDER, 1, &["R-1", "R-2"], None));
    let Body::IssueGiven(body) = &plant.last("issue.given").body else { unreachable!() };
    assert_eq!(body.rolls.iter().map(|one| one.at_risk).collect::<Vec<_>>(), [true, false]);
    assert_eq!(body.labels, labels(200));
}

#[test]
fn a_roll_that_was_counted_again_or_comes_off_the_wrong_way_is_examined_again() {
    let mut plant = staged(&["R-1"]);
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "counted-since-examined");
    plant.did(&room(), with_unwind("R-1", Unwind::OutsideRightFirst));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "wrong-unwind");
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
}

#[test]
fn what_is_past_its_use_by_or_of_an_item_out_of_use_stays() {
    let until = |plant: &mut Plant, micros: i64| {
        let State::Delivery(delivery) = &plant.record("delivery/D-1").state else { unreachable!() };
        let last = delivery.received_at.plus_micros(90 * 86_400 * 1_000_000 + micros);
        plant.wait_until(last);
    };
    // Of an item that may be used for 90 days.
    let draft = ItemDrafted { use_by_days: Some(90), ..crate::testing::item_draft("L-100", "A") };
    let mut plant = stocked_with(draft);
    plant.did(&supervisor(), plan_order(ORDER, one_material()));
    let mut late = plant.clone();
    until(&mut plant, 0);
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "past-use-by");
    until(&mut late, 1);
    late.refuses(&room(), examine_roll(ORDER, 1, "R-1"), "past-use-by");
    // An item that runs out, and whose last day is over.
    let mut plant = Plant::planned();
    let last_use = plant.minutes_later(10);
    let why = "the artwork changed".to_owned();
    let command = Command::ObsoleteItem { item: id(CODED), rule: ObsoleteRule::RunOut, last_use: Some(last_use), why };
    plant.did(&reviewer(), command);
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.wait_until(last_use.plus_micros(1));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "item-obsolete");
}

fn one_material() -> OrderPlanned {
    OrderPlanned { materials: vec![material(1, CODED, LIMITS, ratio(1, 1), Coding::Line, 10)], ..order_plan() }
}

/// As `Plant::stocked`, for one item that is drafted otherwise.
fn stocked_with(draft: ItemDrafted) -> Plant {
    let mut plant = Plant::peopled();
    plant.enrolled("U-0011", &[Role::Line]);
    let supplier = id("SU-1");
    let command = Command::RegisterSupplier { supplier, name: "Printwerk".to_owned(), site: "Hall 2".to_owned() };
    plant.did(&supervisor(), command);
    plant.did(&supervisor(), Command::DraftItem { item: id(CODED), draft: Box::new(draft) });
    plant.did(&reviewer(), Command::ApproveItem { item: id(CODED), specimen: crate::testing::specimen() });
    plant.did(&reviewer(), Command::ApproveSupplier { supplier: id("SU-1"), item: id(CODED) });
    let devices = crate::testing_orders::devices(&plant);
    plant.did(&supervisor(), crate::testing_orders::register_line("LN-1", devices));
    let limits = crate::testing_orders::limits_draft("L-100", 0);
    plant.did(&supervisor(), crate::testing_orders::draft_limits(LIMITS, limits));
    plant.did(&reviewer(), crate::testing_orders::approve_limits(LIMITS));
    plant.released("D-1", CODED, &["R-1"]);
    // Counted by a rule of the test: no station is needed for what is shown here.
    let settled = tallyseal_schema::kinds::RollCountSettled {
        counted: labels(100),
        counts: vec![id("count/C-000001")],
        marks: Vec::new(),
        on_roll: labels(100),
        rule: tallyseal_schema::kinds::SettledBy::OneCount,
        standing: id("count/C-000001"),
        taken_out: labels(0),
    };
    plant.writes(&system(), "roll/R-1", settled.into());
    plant
}

#[test]
fn more_than_the_order_needs_takes_an_override_that_is_used_up() {
    // 253 with one roll and 2 more for each further one: three rolls of 100 are enough, the last one overshoots.
    let all = ["R-1", "R-2", "R-3", "R-6"];
    let mut plant = staged(&["R-1", "R-2", "R-3"]);
    plant.did(&room(), with_choice("R-6", RollChoice::FitsQuantity));
    plant.refuses(&room(), give_issue(ORDER, 1, &all, None), "more-than-needed");
    // One after the other as well.
    plant.did(&room(), give_issue(ORDER, 1, &["R-1", "R-2"], None));
    let before_the_last = plant.clone();
    plant.did(&room(), give_issue(ORDER, 1, &["R-3"], None));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-6"], None), "more-than-needed");
    let over = plant.granted(&room(), &supervisor(), EXTRA, ORDER, "order/PO-1");
    let made = plant.did(&room(), give_issue(ORDER, 1, &["R-6"], Some(&over)));
    assert!(made.contains(&"override.used OV-000001".to_owned()), "{made:?}");
    let Body::IssueGiven(body) = &plant.last("issue.given").body else { unreachable!() };
    assert_eq!(body.extra, Some(id("override/OV-000001")));
    // It is not wasted where the order needs the roll.
    let mut plant = before_the_last;
    let over = plant.granted(&room(), &supervisor(), EXTRA, ORDER, "order/PO-1");
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-3"], Some(&over)), "override-not-needed");
    plant.did(&room(), give_issue(ORDER, 1, &["R-3"], None));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-6"], Some(&id("OV-000009"))), "no-such-override");
    plant.did(&room(), request_override(EXTRA, ORDER, "order/PO-1"));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-6"], Some(&id("OV-000002"))), "override-not-granted");
    plant.did(&room(), give_issue(ORDER, 1, &["R-6"], Some(&over)));
    plant.did(&room(), withdraw_issue("IS-000003"));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-6"], Some(&over)), "override-used");
}

#[test]
fn what_came_back_whole_may_be_replaced_and_what_ran_may_not() {
    let mut plant = Plant::started();
    plant.did(&line(), Command::GiveBack { order: id(ORDER), material: 1, roll: id("R-3"), seal: "S-1".to_owned() });
    plant.did(&room(), examine_roll(ORDER, 1, "R-6"));
    plant.refuses(&room(), give_issue(ORDER, 1, &["R-6"], None), "more-than-needed");
    let command = Command::TakeBack {
        order: id(ORDER),
        material: 1,
        roll: id("R-3"),
        seal_intact: true,
        tail: None,
        container: None,
        rest: Some(id("R-3-1")),
        place: "cage".to_owned(),
    };
    plant.did(&room(), command);
    plant.did(&room(), give_issue(ORDER, 1, &["R-6"], None));
}

#[test]
fn limits_are_approved_when_they_are_frozen_and_stay() {
    let mut plant = staged(&["R-1", "R-2", "R-3"]);
    let withdraw = || Command::WithdrawLimits { limit_set: id(LIMITS), why: "too wide".to_owned() };
    let mut withdrawn = plant.clone();
    withdrawn.did(&reviewer(), withdraw());
    withdrawn.refuses(&room(), give_issue(ORDER, 1, &["R-1"], None), "limits-not-approved");
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
    plant.did(&reviewer(), withdraw());
    plant.did(&room(), give_issue(ORDER, 1, &["R-2"], None));
    assert_eq!(plant.order(ORDER).frozen.get(&1).unwrap().limit_set, id(&format!("limit_set/{LIMITS}")));
    assert!(!plant.order(ORDER).frozen.contains_key(&2));
}

#[test]
fn a_roll_is_scanned_in_at_the_line_once() {
    let mut plant = given();
    plant.did(&line(), take_issue("IS-000001"));
    plant.refuses(&room(), receive_at_line(ORDER, 1, "R-1"), "wrong-role");
    plant.makes(&line(), receive_at_line(ORDER, 1, "R-1"), &["order.roll_received PO-1", "roll.received_at_line R-1"]);
    plant.refuses(&line(), receive_at_line(ORDER, 1, "R-1"), "roll-at-line");
    plant.refuses(&line(), receive_at_line(ORDER, 2, "R-2"), "roll-of-another-material");
    plant.refuses(&line(), receive_at_line(ORDER, 1, "R-6"), "roll-of-another-order");
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    plant.refuses(&line(), receive_at_line("PO-2", 1, "R-2"), "roll-of-another-order");
}

#[test]
fn a_roll_is_mounted_by_a_scan_of_roll_and_code() {
    let mut plant = Plant::started();
    plant.refuses(&line(), mounted_with("R-1", None, DISPENSER), "no-code-read");
    plant.refuses(&line(), mounted_with("R-1", Some(CODE), UNIT_COUNTER), "no-such-dispenser");
    plant.refuses(&line(), mounted_with("R-1", Some(CODE), "DP-9"), "no-such-dispenser");
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-6"), "roll-of-another-order");
    plant.refuses(&line(), mount_roll(ORDER, 2, "R-1"), "roll-of-another-material");
    plant.refuses(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::UsedUp), "roll-at-line");
    plant.makes(&line(), mount_roll(ORDER, 1, "R-1"), &["order.roll_mounted PO-1", "roll.mounted R-1"]);
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-1"), "roll-mounted");
    plant.refuses(&line_colleague(), mount_roll(ORDER, 1, "R-2"), "dispenser-occupied");
    let taken_off = dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff);
    plant.makes(&line(), taken_off, &["order.roll_dismounted PO-1", "roll.dismounted R-1"]);
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.makes(
        &line(),
        dismount_roll(ORDER, 1, "R-1", RollRan::UsedUp),
        &["order.roll_dismounted PO-1", "roll.ended R-1"],
    );
    assert_eq!(plant.roll("R-1").custody, Custody::Ended {});
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-1"), "roll-is-no-more");
    let mut plant = Plant::at_the_line();
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-1"), "order-not-started");
    let mut plant = Plant::started();
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.did(&line(), interrupt_order(ORDER));
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-2"), "order-interrupted");
    plant.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff));
}

#[test]
fn a_wrong_code_at_the_line_is_kept_and_stops_everything() {
    for (material, roll, code) in [(1, "R-1", OTHER_CODE), (2, "R-4", CODE)] {
        let mut plant = Plant::started();
        let command = Command::MountRoll {
            order: id(ORDER),
            material,
            roll: id(roll),
            device: id(DISPENSER),
            code_read: Some(code.to_owned()),
        };
        let made = plant.did(&line(), command);
        assert_eq!(made.first().map(String::as_str), Some("deviation.opened DV-000001"));
        assert_eq!(made.last().map(String::as_str), Some("order.held PO-1"));
        assert_eq!(plant.roll(roll).custody, Custody::Line { order: id("order/PO-1") });
        let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
        assert!(opened.text.contains(code), "{}", opened.text);
        assert_eq!(opened.severity, Severity::Critical);
        for other in ["R-2", "R-4"] {
            let material = if other == "R-4" { 2 } else { 1 };
            plant.refuses(&line(), mount_roll(ORDER, material, other), "held");
        }
        plant.refuses(&room(), examine_roll(ORDER, 1, "R-6"), "held");
        // What is on a dispenser comes off, and everything can be given back.
        plant.did(&line(), Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal: "S-1".to_owned() });
    }
    // GS1's separator reads as people write it.
    let draft = ItemDrafted {
        expected_code: Some(tallyseal_schema::kinds::ExpectedCode {
            symbology: "GS1 DataMatrix".to_owned(),
            text: "0109521234567899^10A".to_owned(),
        }),
        ..crate::testing::item_draft("L-100", "A")
    };
    let mut plant = stocked_with(draft);
    plant.did(&supervisor(), plan_order(ORDER, one_material()));
    let made = plant.did(&room(), with_code("R-1", Some("0109521234567899\u{1D}10A")));
    assert_eq!(made, ["order.roll_examined PO-1"]);
}

#[test]
fn nothing_is_examined_issued_or_received_when_the_line_has_ended_the_order() {
    let plant = Plant::finished();
    let acts: [(By, Command); 4] = [
        (room(), examine_roll(ORDER, 1, "R-6")),
        (room(), give_issue(ORDER, 1, &["R-6"], None)),
        (line(), receive_at_line(ORDER, 1, "R-3")),
        (line(), mount_roll(ORDER, 1, "R-3")),
    ];
    for (by, command) in acts {
        plant.clone().refuses(&by, command, "order-finished");
    }
}

#[test]
fn a_roll_out_of_the_store_is_not_counted_moved_or_checked() {
    let check = |roll: &str| crate::testing::record_check(roll);
    let move_to = |roll: &str| Command::MoveRoll { roll: id(roll), place: "shelf 1".to_owned() };
    let mut plant = given();
    for _ in 0..2 {
        plant.refuses(&room(), open_recount("ST-1", "R-1"), "roll-out-of-store");
        plant.refuses(&room(), move_to("R-1"), "roll-out-of-store");
        plant.refuses(&room(), check("R-1"), "roll-out-of-store");
        if issue_status(&plant, "IS-000001") == IssueStatus::Given {
            plant.did(&line(), take_issue("IS-000001"));
        }
    }
    let mut plant = Plant::finished();
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "roll-is-no-more");
    plant.refuses(&room(), move_to("R-1"), "roll-is-no-more");
    plant.refuses(&room(), check("R-1"), "roll-is-no-more");
    plant.refuses(&room(), move_to("R-3"), "roll-out-of-store");
}

#[test]
fn a_wrong_code_on_the_table_names_the_orders_that_have_rolls_of_the_delivery() {
    let mut plant = Plant::at_the_line();
    let count = plant.opened(&room(), open_recount("ST-1", "R-6"));
    let made = plant.says("ST-1", &count, &[crate::testing::label(1, Some(OTHER_CODE))]);
    assert!(made.contains(&"record.questioned PO-1".to_owned()), "{made:?}");
    assert!(made.contains(&"roll.held R-1".to_owned()), "{made:?}");
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert!(opened.about.contains(&id("order/PO-1")));
    // And a challenge that fails names the orders of what it counted.
    let mut plant = Plant::planned();
    plant.signed("ST-1", open_recount("ST-1", "R-1"), &run_of(100, Some(CODE), &[]));
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
    plant.did(&line(), take_issue("IS-000001"));
    let made = plant.challenge_failed("ST-1");
    assert!(made.contains(&"record.questioned PO-1".to_owned()), "{made:?}");
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert!(opened.about.contains(&id("order/PO-1")));
}
