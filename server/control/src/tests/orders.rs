use tallyseal_schema::kinds::{
    ClearanceWhen, Coding, ItemDrafted, LineDevice, LineDeviceKind, MaterialPlanned, ObsoleteRule, OrderPlanned,
    ProductLot, RollRan,
};
use tallyseal_schema::{Body, Labels};

use crate::order::need;
use crate::testing::{
    CODED, PLAIN, Plant, id, item_draft, line, reviewer, room, second_reviewer, specimen, supervisor,
};
use crate::testing_orders::{
    LIMITS, LIMITS_PLAIN, LINE, ORDER, approve_limits, check_clearance, clear_line, clear_line_foreign, devices,
    dismount_roll, draft_limits, examine_roll, finish_order, give_issue, interrupt_order, limits_draft, line_colleague,
    material, mount_roll, order_plan, plan_order, ratio, receive_at_line, register_line, resume_order, start_order,
    take_issue, void_order, withdraw_issue,
};
use crate::{Command, LineState, OrderStatus, State};

fn with(change: impl FnOnce(&mut OrderPlanned)) -> Command {
    let mut plan = order_plan();
    change(&mut plan);
    plan_order("PO-9", plan)
}

/// The plan with another second material line.
fn with_second(second: MaterialPlanned) -> Command {
    with(|plan| {
        plan.materials.pop();
        plan.materials.push(second);
    })
}

fn line_state(plant: &Plant) -> &LineState {
    match &plant.record(&format!("line/{LINE}")).state {
        State::Line(state) => state,
        _ => panic!("no line"),
    }
}

fn lift(cause: &str) -> Command {
    crate::testing::lift("order/PO-1", cause)
}

/// An order whose line stands; the clock shows `after_seconds` since it was interrupted.
fn standing(after_seconds: i64) -> Plant {
    let mut plant = Plant::started();
    let at = plant.now();
    plant.did(&line(), interrupt_order(ORDER));
    plant.wait_until(at.plus_micros(after_seconds.max(1) * 1_000_000));
    plant
}

#[test]
fn an_order_is_planned_with_its_material_lines() {
    let mut plant = Plant::stocked();
    plant.makes(&supervisor(), plan_order(ORDER, order_plan()), &["order.planned PO-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::Planned);
    assert_eq!(plant.order(ORDER).plan, order_plan());
    plant.refuses(&supervisor(), plan_order(ORDER, order_plan()), "id-in-use");
    let refused = plant.act(&line(), with(|_| ())).unwrap_err();
    assert_eq!(refused.kind, crate::RefusalKind::Forbidden);
}

#[test]
fn what_is_written_in_a_plan_is_looked_at() {
    let mut plant = Plant::stocked();
    let texts: [fn(&mut OrderPlanned) -> &mut String; 8] = [
        |plan| &mut plan.dosage_form,
        |plan| &mut plan.market,
        |plan| &mut plan.master.id,
        |plan| &mut plan.master.version,
        |plan| &mut plan.pack,
        |plan| &mut plan.product,
        |plan| &mut plan.procedures.first_mut().unwrap().id,
        |plan| &mut plan.lots.first_mut().unwrap().expiry,
    ];
    for text in texts {
        plant.refuses(&supervisor(), with(|plan| *text(plan) = " ".to_owned()), "empty");
    }
    plant.refuses(&supervisor(), with(|plan| plan.strength = Some(String::new())), "empty");
    plant.refuses(
        &supervisor(),
        with(|plan| plan.lots.first_mut().unwrap().lot = "L\u{200b}1".to_owned()),
        "control-characters",
    );
    // What is kept is what was said, without white space around it.
    plant.did(&supervisor(), with(|plan| plan.pack = "  30 tablets ".to_owned()));
    assert_eq!(plant.order("PO-9").plan.pack, "30 tablets");
}

#[test]
fn an_order_has_lots_material_lines_and_procedures_in_their_number() {
    let mut plant = Plant::stocked();
    let lots = |number: usize| {
        with(|plan| {
            let lot = plan.lots.first().unwrap().clone();
            plan.lots = (0..number).map(|n| ProductLot { lot: format!("LOT-{n}"), ..lot.clone() }).collect();
        })
    };
    plant.refuses(&supervisor(), lots(0), "number-of-lots");
    plant.clone().did(&supervisor(), lots(50));
    plant.refuses(&supervisor(), lots(51), "number-of-lots");
    plant.refuses(&supervisor(), with(|plan| plan.lots.push(plan.lots.first().unwrap().clone())), "lot-twice");
    for (units, refused) in [(0, true), (1, false), (Labels::MAX + 1, true)] {
        let planned = with(|plan| plan.lots.first_mut().unwrap().units = units);
        if refused {
            plant.refuses(&supervisor(), planned, "out-of-range");
        } else {
            plant.clone().did(&supervisor(), planned);
        }
    }
    plant.refuses(&supervisor(), with(|plan| plan.lots.first_mut().unwrap().units = Labels::MAX), "order-too-large");
    plant.refuses(&supervisor(), with(|plan| plan.materials.clear()), "number-of-materials");
    let of_material = |number: u16| {
        with(|plan| {
            let first = plan.materials.first().unwrap().clone();
            plan.materials = (1..=number).map(|material| MaterialPlanned { material, ..first.clone() }).collect();
        })
    };
    // Twenty are not too many, but these are all of one item.
    plant.refuses(&supervisor(), of_material(20), "item-twice");
    plant.refuses(&supervisor(), of_material(21), "number-of-materials");
    let procedures = |number: usize| {
        with(|plan| {
            let copy = plan.procedures.first().unwrap().clone();
            plan.procedures = vec![copy; number];
        })
    };
    plant.clone().did(&supervisor(), procedures(50));
    plant.refuses(&supervisor(), procedures(51), "number-of-procedures");
}

#[test]
fn material_lines_are_numbered_from_one_and_name_each_item_once() {
    let mut plant = Plant::stocked();
    for wrong in [0, 1, 3] {
        let second = material(wrong, PLAIN, LIMITS_PLAIN, ratio(1, 24), Coding::None, 1);
        plant.refuses(&supervisor(), with_second(second), "material-number");
    }
    let again = material(2, CODED, LIMITS, ratio(1, 1), Coding::Line, 1);
    plant.refuses(&supervisor(), with_second(again), "item-twice");
    let none = material(2, PLAIN, LIMITS_PLAIN, ratio(0, 24), Coding::None, 1);
    plant.refuses(&supervisor(), with_second(none), "no-labels-per-unit");
    let mut wide = material(2, PLAIN, LIMITS_PLAIN, ratio(1, 24), Coding::None, 1);
    wide.allowance.ratio = ratio(1, 1);
    plant.clone().did(&supervisor(), with_second(wide.clone()));
    wide.allowance.ratio = ratio(1_000_000, 999_999);
    plant.refuses(&supervisor(), with_second(wide), "out-of-range");
}

#[test]
fn a_material_line_needs_a_usable_roll_label_of_this_product() {
    let mut plant = Plant::stocked();
    let second = |item: &str| with_second(material(2, item, LIMITS_PLAIN, ratio(1, 24), Coding::None, 1));
    plant.refuses(&supervisor(), second("L-999-A"), "no-such-item");
    let drafts: [(&str, fn(&mut ItemDrafted)); 4] = [
        ("cut-labels", |draft| draft.form = tallyseal_schema::kinds::Form::Cut),
        ("item-of-another-product", |draft| draft.product = "Examplin".to_owned()),
        ("item-of-another-product", |draft| draft.strength = Some("5 mg".to_owned())),
        ("item-of-another-product", |draft| draft.market = "YY".to_owned()),
    ];
    for (n, (code, change)) in drafts.into_iter().enumerate() {
        let item = format!("L-200-{n}");
        let mut draft = item_draft("L-200", &format!("rev {n}"));
        change(&mut draft);
        plant.did(&supervisor(), Command::DraftItem { item: id(&item), draft: Box::new(draft) });
        plant.refuses(&supervisor(), second(&item), "item-not-approved");
        plant.did(&reviewer(), Command::ApproveItem { item: id(&item), specimen: specimen() });
        plant.refuses(&supervisor(), second(&item), code);
    }
    // A label that names no strength, for example a shipper's, serves every strength.
    let draft = ItemDrafted { strength: None, ..item_draft("L-200", "no strength") };
    plant.did(&supervisor(), Command::DraftItem { item: id("L-200-S"), draft: Box::new(draft) });
    plant.did(&reviewer(), Command::ApproveItem { item: id("L-200-S"), specimen: specimen() });
    plant.clone().did(&supervisor(), second("L-200-S"));
    // A running-out revision may be planned until its last use.
    let last_use = plant.minutes_later(60);
    let (item, why) = (id(PLAIN), "new artwork".to_owned());
    let rule = ObsoleteRule::RunOut;
    plant.did(&reviewer(), Command::ObsoleteItem { item, rule, last_use: Some(last_use), why });
    plant.wait_until(last_use);
    plant.clone().did(&supervisor(), second(PLAIN));
    plant.wait_until(last_use.plus_micros(1));
    plant.refuses(&supervisor(), second(PLAIN), "item-obsolete");
}

#[test]
fn limits_are_approved_and_of_the_label_before_an_order_is_planned() {
    let mut plant = Plant::stocked();
    let second = |limit_set: &str| with_second(material(2, PLAIN, limit_set, ratio(1, 24), Coding::None, 1));
    plant.refuses(&supervisor(), second("LS-9"), "no-such-limit-set");
    plant.refuses(&supervisor(), second(LIMITS), "limits-of-another-item");
    plant.did(&supervisor(), draft_limits("LS-9", limits_draft("L-200", 0)));
    plant.refuses(&supervisor(), second("LS-9"), "limits-not-approved");
    plant.did(&reviewer(), approve_limits("LS-9"));
    plant.clone().did(&supervisor(), second("LS-9"));
    plant.did(&reviewer(), Command::WithdrawLimits { limit_set: id("LS-9"), why: "too wide".to_owned() });
    plant.refuses(&supervisor(), second("LS-9"), "limits-not-approved");
}

#[test]
fn an_order_is_planned_on_a_line_that_can_run_it() {
    let mut plant = Plant::stocked();
    let on = |line: &str| with(|plan| plan.line = id(&format!("line/{line}")));
    plant.refuses(&supervisor(), on("LN-9"), "no-such-line");
    let all = devices(&plant);
    let without =
        |kind: LineDeviceKind| all.iter().filter(|device| device.kind != kind).cloned().collect::<Vec<LineDevice>>();
    plant.did(&supervisor(), register_line("LN-2", without(LineDeviceKind::Dispenser)));
    plant.refuses(&supervisor(), on("LN-2"), "device-missing");
    plant.did(&supervisor(), register_line("LN-3", without(LineDeviceKind::Printer)));
    plant.refuses(&supervisor(), on("LN-3"), "device-missing");
    // Nothing is printed there: no printer is needed.
    plant.did(
        &supervisor(),
        with(|plan| {
            plan.line = id("line/LN-3");
            plan.materials.first_mut().unwrap().coding = Coding::None;
        }),
    );
}

#[test]
fn the_need_is_units_and_allowance_rounded_up() {
    let plan = order_plan();
    let of = |index: usize, rolls: u64| need(&plan, plan.materials.get(index).unwrap(), rolls);
    // 240 + 10 + a hundredth of 240, rounded up, + 2 per change of roll.
    assert_eq!((of(0, 0), of(0, 1), of(0, 2), of(0, 3)), (253, 253, 255, 257));
    // 240 / 24 + 1 + 1.
    assert_eq!(of(1, 1), 12);
    let mut plan = order_plan();
    plan.lots = vec![
        ProductLot { units: 13, ..plan.lots.first().unwrap().clone() },
        ProductLot { lot: "LOT-B".to_owned(), units: 12, ..plan.lots.first().unwrap().clone() },
    ];
    // 25 units need two shipper labels, over all lots together.
    assert_eq!(need(&plan, plan.materials.get(1).unwrap(), 1), 2 + 1 + 1);
    let line = MaterialPlanned { labels_per_unit: ratio(1_000_000, 1), ..plan.materials.first().unwrap().clone() };
    plan.lots.first_mut().unwrap().units = u32::MAX;
    assert!(need(&plan, &line, u64::MAX) > u64::from(Labels::MAX));
}

#[test]
fn an_order_is_void_only_while_nothing_was_taken() {
    let mut plant = Plant::planned();
    plant.refuses(&supervisor(), void_order("PO-9"), "no-such-order");
    plant.refuses(&supervisor(), Command::VoidOrder { order: id(ORDER), why: "-".to_owned() }, "no-reason");
    plant.clone().makes(&supervisor(), void_order(ORDER), &["order.voided PO-1"]);
    plant.did(&room(), examine_roll(ORDER, 2, "R-4"));
    plant.clone().did(&reviewer(), void_order(ORDER));
    plant.did(&room(), give_issue(ORDER, 2, &["R-4"], None));
    plant.refuses(&supervisor(), void_order(ORDER), "issue-open");
    let mut withdrawn = plant.clone();
    withdrawn.did(&room(), withdraw_issue("IS-000001"));
    withdrawn.did(&supervisor(), void_order(ORDER));
    assert_eq!(withdrawn.order(ORDER).status, OrderStatus::Voided);
    // Its number is never used again.
    withdrawn.refuses(&supervisor(), plan_order(ORDER, order_plan()), "id-in-use");
    withdrawn.refuses(&supervisor(), void_order(ORDER), "order-voided");
    plant.did(&line(), take_issue("IS-000001"));
    plant.refuses(&supervisor(), void_order(ORDER), "issue-taken");
    let mut started = Plant::started();
    started.refuses(&supervisor(), void_order(ORDER), "order-in-progress");
    started.did(&line(), interrupt_order(ORDER));
    started.refuses(&supervisor(), void_order(ORDER), "order-interrupted");
    Plant::finished().refuses(&supervisor(), void_order(ORDER), "order-finished");
}

#[test]
fn an_order_starts_with_rolls_at_the_line_and_a_checked_clearance() {
    let mut plant = Plant::at_the_line();
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.makes(&line(), start_order(ORDER, &clearance), &["order.started PO-1", "line.order_opened LN-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::InProgress);
    assert_eq!(line_state(&plant).order, Some(id("order/PO-1")));
    let Body::OrderStarted(body) = &plant.last("order.started").body else { panic!() };
    assert_eq!(body.clearance, id("clearance/CL-000001"));
    plant.refuses(&line(), start_order(ORDER, &clearance), "order-in-progress");
    plant.refuses(&line(), start_order("PO-9", &clearance), "no-such-order");
    plant.did(&line(), interrupt_order(ORDER));
    plant.refuses(&line(), start_order(ORDER, &clearance), "order-interrupted");
}

#[test]
fn an_order_does_not_start_before_every_material_is_at_the_line() {
    let mut plant = Plant::planned();
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.refuses(&line(), start_order(ORDER, &clearance), "material-not-at-line");
    for (material, roll, issue) in [(1, "R-1", "IS-000001"), (2, "R-4", "IS-000002")] {
        plant.did(&room(), examine_roll(ORDER, material, roll));
        plant.did(&room(), give_issue(ORDER, material, &[roll], None));
        plant.refuses(&line(), start_order(ORDER, &clearance), "material-not-at-line");
        plant.did(&line(), take_issue(issue));
        plant.refuses(&line(), start_order(ORDER, &clearance), "material-not-at-line");
        plant.did(&line(), receive_at_line(ORDER, material, roll));
    }
    plant.did(&line(), start_order(ORDER, &clearance));
}

#[test]
fn a_roll_that_may_not_be_mounted_is_no_roll_to_start_with() {
    let mut plant = Plant::at_the_line();
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    let (order, roll, seal) = (id(ORDER), id("R-4"), "S-1".to_owned());
    plant.did(&line(), Command::GiveBack { order, material: 2, roll, seal });
    plant.refuses(&line(), start_order(ORDER, &clearance), "material-not-at-line");
    let mut plant = Plant::at_the_line();
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    let (item, why) = (id(CODED), "the artwork is wrong".to_owned());
    plant.did(&reviewer(), Command::ObsoleteItem { item, rule: ObsoleteRule::Immediate, last_use: None, why });
    plant.refuses(&line(), start_order(ORDER, &clearance), "roll-obsolete");
    // One that may be mounted is enough: the others are given back.
    let mut plant = Plant::at_the_line();
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    let held = tallyseal_schema::kinds::RollHeld { cause: id("deviation/DV-000009") };
    for roll in ["R-1", "R-2"] {
        plant.writes(&room(), &format!("roll/{roll}"), held.clone().into());
    }
    plant.clone().did(&line(), start_order(ORDER, &clearance));
    plant.writes(&room(), "roll/R-3", held.into());
    plant.refuses(&line(), start_order(ORDER, &clearance), "held");
}

#[test]
fn nobody_starts_without_a_clearance_that_counts() {
    use ClearanceWhen::{Again, Before};
    let mut plant = Plant::at_the_line();
    plant.refuses(&line(), start_order(ORDER, &id("CL-000001")), "no-such-clearance");
    plant.did(&line(), clear_line(ORDER, Before));
    let clearance = id("CL-000001");
    plant.refuses(&line(), start_order(ORDER, &clearance), "clearance-not-checked");
    plant.did(&line_colleague(), check_clearance(&clearance));
    // Of another order.
    let mut other = plant.clone();
    other.did(&supervisor(), plan_order("PO-2", order_plan()));
    let its = other.cleared("PO-2", Before);
    other.refuses(&line(), start_order(ORDER, &its), "clearance-of-another-order");
    // Performed two seconds ago: exactly sixty minutes are allowed.
    let limit = plant.minutes_later(60).plus_micros(-2_000_000);
    let mut last = plant.clone();
    last.wait_until(limit);
    last.did(&line(), start_order(ORDER, &clearance));
    let mut stale = plant.clone();
    stale.wait_until(limit.plus_micros(1));
    stale.refuses(&line(), start_order(ORDER, &clearance), "clearance-stale");
    // Of another kind.
    plant.did(&line(), start_order(ORDER, &clearance));
    plant.did(&line(), interrupt_order(ORDER));
    let again = plant.cleared(ORDER, Again);
    plant.refuses(&line(), finish_order(ORDER, &again), "clearance-of-another-kind");
}

#[test]
fn an_order_that_ran_in_between_makes_a_clearance_void() {
    // PO-2 stands at the same line with everything that it needs: it is cleared first and starts too late.
    let mut plant = Plant::planned();
    plant.did(
        &supervisor(),
        plan_order(
            "PO-2",
            OrderPlanned { materials: order_plan().materials.into_iter().take(1).collect(), ..order_plan() },
        ),
    );
    for (order, material, roll, issue) in
        [("PO-2", 1, "R-1", "IS-000001"), (ORDER, 1, "R-2", "IS-000002"), (ORDER, 2, "R-4", "IS-000003")]
    {
        plant.did(&room(), examine_roll(order, material, roll));
        plant.did(&room(), give_issue(order, material, &[roll], None));
        plant.did(&line(), take_issue(issue));
        plant.did(&line(), receive_at_line(order, material, roll));
    }
    let early = plant.cleared("PO-2", ClearanceWhen::Before);
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.did(&line(), start_order(ORDER, &clearance));
    plant.refuses(&line(), start_order("PO-2", &early), "line-occupied");
    let after = plant.cleared(ORDER, ClearanceWhen::After);
    plant.did(&line(), finish_order(ORDER, &after));
    plant.refuses(&line(), start_order("PO-2", &early), "line-used-since");
    for (material, roll) in [(1, "R-2"), (2, "R-4")] {
        let (order, roll, seal) = (id(ORDER), id(roll), "S-1".to_owned());
        plant.did(&line(), Command::GiveBack { order, material, roll, seal });
    }
    let fresh = plant.cleared("PO-2", ClearanceWhen::Before);
    // What is found afterwards shows that the line was not clear.
    let mut found = plant.clone();
    found.did(&supervisor(), plan_order("PO-3", order_plan()));
    found.did(&line(), clear_line_foreign("PO-3", ClearanceWhen::Before));
    found.refuses(&line(), start_order("PO-2", &fresh), "foreign-found-since");
    plant.did(&line(), start_order("PO-2", &fresh));
}

#[test]
fn foreign_labels_end_the_use_of_their_clearance_and_hold_the_order_until_quality_lifts_it() {
    let mut plant = Plant::at_the_line();
    let clean = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Before));
    let found = id("CL-000002");
    plant.did(&line_colleague(), check_clearance(&found));
    plant.refuses(&line(), start_order(ORDER, &clean), "held");
    plant.did(&second_reviewer(), lift("DV-000001"));
    plant.refuses(&line(), start_order(ORDER, &found), "foreign-found");
    plant.refuses(&line(), start_order(ORDER, &clean), "foreign-found-since");
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.did(&line(), start_order(ORDER, &clearance));
}

#[test]
fn a_line_stands_and_runs_again() {
    let mut plant = Plant::started();
    plant.refuses(&line(), resume_order(ORDER, None), "order-in-progress");
    plant.refuses(&line(), Command::InterruptOrder { order: id(ORDER), cause: String::new() }, "empty");
    plant.makes(&line(), interrupt_order(ORDER), &["order.interrupted PO-1"]);
    plant.refuses(&line(), interrupt_order(ORDER), "order-interrupted");
    // It still has its line.
    assert_eq!(line_state(&plant).order, Some(id("order/PO-1")));
    plant.makes(&line(), resume_order(ORDER, None), &["order.resumed PO-1"]);
    assert_eq!((plant.order(ORDER).status, plant.order(ORDER).interrupted_at), (OrderStatus::InProgress, None));
    let mut planned = Plant::planned();
    planned.refuses(&line(), interrupt_order(ORDER), "order-not-started");
    planned.refuses(&line(), resume_order(ORDER, None), "order-not-started");
    planned.refuses(&line(), interrupt_order("PO-9"), "no-such-order");
    planned.refuses(&line(), resume_order("PO-9", None), "no-such-order");
    let mut finished = Plant::finished();
    finished.refuses(&line(), interrupt_order(ORDER), "order-finished");
    finished.refuses(&line(), resume_order(ORDER, None), "order-finished");
}

#[test]
fn a_line_that_was_left_is_cleared_again() {
    standing(60 * 60).did(&line(), resume_order(ORDER, None));
    let mut left = standing(60 * 60 + 1);
    left.refuses(&line(), resume_order(ORDER, None), "clearance-needed");
    let clearance = left.cleared(ORDER, ClearanceWhen::Again);
    let mut stale = left.clone();
    stale.wait_until(left.minutes_later(60));
    stale.refuses(&line(), resume_order(ORDER, Some(&clearance)), "clearance-stale");
    left.refuses(&line(), resume_order(ORDER, Some(&id("CL-000001"))), "clearance-of-another-kind");
    left.did(&line(), resume_order(ORDER, Some(&clearance)));
    // It was for that interruption and for no later one.
    left.did(&line(), interrupt_order(ORDER));
    left.refuses(&line(), resume_order(ORDER, Some(&clearance)), "line-used-since");
}

#[test]
fn after_foreign_labels_a_line_runs_on_only_when_it_is_clear_and_quality_has_lifted_the_hold() {
    let mut plant = Plant::started();
    plant.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Again));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Interrupted);
    plant.refuses(&line(), resume_order(ORDER, None), "held");
    plant.did(&second_reviewer(), lift("DV-000001"));
    plant.refuses(&line(), resume_order(ORDER, None), "clearance-needed");
    let clearance = plant.cleared(ORDER, ClearanceWhen::Again);
    plant.did(&line(), resume_order(ORDER, Some(&clearance)));
}

#[test]
fn an_order_is_finished_when_the_line_is_clear_behind_it() {
    let mut plant = Plant::started();
    plant.refuses(&line(), finish_order("PO-9", &id("CL-000001")), "no-such-order");
    plant.refuses(&line(), finish_order(ORDER, &id("CL-000009")), "no-such-clearance");
    // The one before does not serve.
    plant.refuses(&line(), finish_order(ORDER, &id("CL-000001")), "clearance-of-another-kind");
    plant.did(&line(), clear_line(ORDER, ClearanceWhen::After));
    let clearance = id("CL-000002");
    plant.refuses(&line(), finish_order(ORDER, &clearance), "clearance-not-checked");
    plant.did(&line_colleague(), check_clearance(&clearance));
    let mut again = plant.clone();
    again.did(&line(), mount_roll(ORDER, 1, "R-1"));
    again.refuses(&line(), finish_order(ORDER, &clearance), "roll-still-mounted");
    again.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff));
    again.refuses(&line(), finish_order(ORDER, &clearance), "line-used-since");
    // It has no end to its validity: nothing may be done on the line after it.
    plant.wait_until(plant.minutes_later(600));
    plant.makes(&line(), finish_order(ORDER, &clearance), &["order.finished PO-1", "line.order_closed LN-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::Finished);
    assert_eq!((&line_state(&plant).order, &line_state(&plant).previous), (&None, &Some(id("order/PO-1"))));
    plant.refuses(&line(), finish_order(ORDER, &clearance), "order-finished");
    let mut planned = Plant::planned();
    planned.refuses(&line(), finish_order(ORDER, &id("CL-000001")), "order-not-started");
}

#[test]
fn an_order_that_stands_is_finished_too_and_a_hold_does_not_keep_the_line() {
    let mut plant = standing(1);
    let clearance = plant.cleared(ORDER, ClearanceWhen::After);
    plant.did(&line(), finish_order(ORDER, &clearance));
    let mut held = Plant::started();
    let made = held.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::After));
    assert_eq!(made.last().unwrap(), "order.interrupted PO-1");
    held.did(&line_colleague(), check_clearance(&id("CL-000002")));
    held.refuses(&line(), finish_order(ORDER, &id("CL-000002")), "foreign-found");
    let clearance = held.cleared(ORDER, ClearanceWhen::After);
    held.did(&line(), finish_order(ORDER, &clearance));
    assert!(!held.order(ORDER).holds.is_empty());
}
