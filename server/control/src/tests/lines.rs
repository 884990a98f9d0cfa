use tallyseal_schema::kinds::{ClearanceWhen, ClearedPlace, LineDevice, LineDeviceKind, Role, RollRan};

use crate::testing::{Plant, all_hats, changed, id, line, person, reviewer, room, supervisor};
use crate::testing_orders::{
    LINE, ORDER, check_clearance, clear_line, clear_line_foreign, devices, dismount_roll, finish_order, line_colleague,
    mount_roll, places, plan_order, register_line, start_order, void_order,
};
use crate::{Command, LineState, State};

fn state<'p>(plant: &'p Plant, line: &str) -> &'p LineState {
    match &plant.record(&format!("line/{line}")).state {
        State::Line(state) => state,
        _ => panic!("no line"),
    }
}

fn clear_with(places: Vec<ClearedPlace>) -> Command {
    Command::PerformClearance { line: id(LINE), order: id(ORDER), when: ClearanceWhen::Before, places }
}

fn change(devices: Vec<LineDevice>) -> Command {
    Command::ChangeLineDevices { line: id(LINE), devices, why: "calibrated".to_owned() }
}

#[test]
fn a_line_is_registered_once_with_devices_that_differ() {
    let mut plant = Plant::peopled();
    let all = devices(&plant);
    plant.makes(&supervisor(), register_line("LN-9", all.clone()), &["line.registered LN-9"]);
    assert_eq!(state(&plant, "LN-9").devices, all);
    plant.refuses(&supervisor(), register_line("LN-9", all.clone()), "id-in-use");
    plant.refuses(&supervisor(), register_line("LN-8", Vec::new()), "number-of-devices");
    let first = all.first().unwrap().clone();
    let many = |number: usize| {
        (0..number).map(|n| LineDevice { id: id(&format!("DV-{n}")), ..first.clone() }).collect::<Vec<_>>()
    };
    plant.clone().did(&supervisor(), register_line("LN-8", many(40)));
    plant.refuses(&supervisor(), register_line("LN-8", many(41)), "number-of-devices");
    plant.refuses(&supervisor(), register_line("LN-8", vec![first.clone(), first.clone()]), "device-twice");
    for (digits, refused) in [(3, true), (4, false), (9, false), (10, true)] {
        let with = register_line("LN-8", vec![LineDevice { digits, ..first.clone() }]);
        if refused {
            plant.refuses(&supervisor(), with, "out-of-range");
        } else {
            plant.clone().did(&supervisor(), with);
        }
    }
    plant.refuses(
        &supervisor(),
        register_line("LN-8", vec![LineDevice { name: " ".to_owned(), ..first.clone() }]),
        "empty",
    );
    let Command::RegisterLine { line, devices, place, .. } = register_line("LN-8", all) else { panic!() };
    let (empty, name) = (String::new(), "Line 8".to_owned());
    plant.refuses(
        &supervisor(),
        Command::RegisterLine { line: line.clone(), name: empty.clone(), place, devices: devices.clone() },
        "empty",
    );
    plant.refuses(&supervisor(), Command::RegisterLine { line, name, place: empty, devices }, "empty");
}

#[test]
fn devices_change_with_a_reason_and_not_under_an_order_that_reads_them() {
    let mut plant = Plant::at_the_line();
    let old = state(&plant, LINE).devices.clone();
    let calibrated: Vec<LineDevice> = old
        .iter()
        .map(|device| LineDevice { calibration_due: device.calibration_due.plus_micros(1), ..device.clone() })
        .collect();
    plant.refuses(&supervisor(), change(old.clone()), "nothing-changed");
    plant.refuses(
        &supervisor(),
        Command::ChangeLineDevices { line: id(LINE), devices: calibrated.clone(), why: String::new() },
        "no-reason",
    );
    let unknown = Command::ChangeLineDevices { line: id("LN-9"), devices: old.clone(), why: "calibrated".to_owned() };
    plant.refuses(&supervisor(), unknown, "no-such-line");
    plant.refuses(&supervisor(), change(Vec::new()), "number-of-devices");
    let fewer: Vec<LineDevice> = old.iter().skip(1).cloned().collect();
    // Nothing runs: any change goes.
    plant.clone().makes(&supervisor(), change(fewer.clone()), &["line.devices_changed LN-1"]);
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.did(&line(), start_order(ORDER, &clearance));
    plant.refuses(&supervisor(), change(fewer), "order-on-line");
    let with = |change: fn(&mut LineDevice)| {
        let mut all = old.clone();
        change(all.first_mut().unwrap());
        all
    };
    plant.refuses(&supervisor(), change(with(|device| device.digits = 5)), "order-on-line");
    plant.refuses(&supervisor(), change(with(|device| device.kind = LineDeviceKind::Verifier)), "order-on-line");
    let mut more = calibrated;
    more.push(LineDevice { id: id("UC-2"), ..more.first().unwrap().clone() });
    plant.did(&supervisor(), change(more.clone()));
    assert_eq!(state(&plant, LINE).devices, more);
}

#[test]
fn a_clearance_is_performed_by_one_and_checked_by_another() {
    let mut plant = Plant::planned();
    plant.makes(
        &line(),
        clear_line(ORDER, ClearanceWhen::Before),
        &["clearance.performed CL-000001", "order.part_begun PO-1", "\"cleared\" CL-000001"],
    );
    let clearance = id("CL-000001");
    plant.refuses(&line(), check_clearance(&clearance), "same-person");
    // Nor in another role.
    let as_supervisor = changed(line(), |person| person.role = Role::Supervisor);
    plant.refuses(&as_supervisor, check_clearance(&clearance), "not-your-role");
    plant.refuses(&supervisor(), check_clearance(&id("CL-000009")), "no-such-clearance");
    plant.clone().makes(&supervisor(), check_clearance(&clearance), &["\"clearance checked\" CL-000001"]);
    plant.makes(&line_colleague(), check_clearance(&clearance), &["\"clearance checked\" CL-000001"]);
    plant.refuses(&supervisor(), check_clearance(&clearance), "already-checked");
}

#[test]
fn a_person_with_two_roles_does_not_check_their_own_clearance() {
    let mut plant = Plant::planned();
    plant.enrolled("U-0013", &[Role::Line, Role::Supervisor]);
    plant.did(&person("U-0013", Role::Line), clear_line(ORDER, ClearanceWhen::Before));
    plant.refuses(&person("U-0013", Role::Supervisor), check_clearance(&id("CL-000001")), "same-person");
}

#[test]
fn a_clearance_is_signed_with_a_password() {
    let mut plant = Plant::planned();
    let refused = plant.act_with(&line(), None, clear_line(ORDER, ClearanceWhen::Before)).unwrap_err();
    assert_eq!(refused.code, "needs-password");
    plant.did(&line(), clear_line(ORDER, ClearanceWhen::Before));
    let refused = plant.act_with(&line_colleague(), None, check_clearance(&id("CL-000001"))).unwrap_err();
    assert_eq!(refused.code, "needs-password");
}

#[test]
fn a_clearance_names_every_place_once_and_what_was_found_there() {
    let mut plant = Plant::planned();
    plant.refuses(&line(), clear_with(Vec::new()), "number-of-places");
    let many = |number: usize| {
        let place = places().first().unwrap().clone();
        (0..number).map(|n| ClearedPlace { place: format!("place {n}"), ..place.clone() }).collect::<Vec<_>>()
    };
    plant.clone().did(&line(), clear_with(many(100)));
    plant.refuses(&line(), clear_with(many(101)), "number-of-places");
    let with = |change: fn(&mut ClearedPlace)| {
        let mut all = places();
        change(all.last_mut().unwrap());
        clear_with(all)
    };
    // White space around it is no other place.
    plant.refuses(&line(), with(|place| place.place = " labeller ".to_owned()), "place-twice");
    plant.refuses(&line(), with(|place| place.place = String::new()), "empty");
    plant.refuses(&line(), with(|place| place.found = "  ".to_owned()), "empty");
}

#[test]
fn a_clearance_is_for_the_line_and_the_order_that_belong_together() {
    let mut plant = Plant::planned();
    let all = devices(&plant);
    plant.did(&supervisor(), register_line("LN-2", all));
    let clear = |line: &str, order: &str| Command::PerformClearance {
        line: id(line),
        order: id(order),
        when: ClearanceWhen::Before,
        places: places(),
    };
    plant.refuses(&line(), clear("LN-2", ORDER), "order-of-another-line");
    plant.refuses(&line(), clear("LN-9", ORDER), "no-such-line");
    plant.refuses(&line(), clear(LINE, "PO-9"), "no-such-order");
}

#[test]
fn each_clearance_has_its_time() {
    use ClearanceWhen::{After, Again, Before};
    let mut plant = Plant::at_the_line();
    for when in [After, Again] {
        plant.refuses(&line(), clear_line(ORDER, when), "order-not-started");
    }
    let mut void = Plant::planned();
    void.did(&supervisor(), void_order(ORDER));
    for when in [Before, After, Again] {
        void.refuses(&line(), clear_line(ORDER, when), "order-voided");
    }
    let clearance = plant.cleared(ORDER, Before);
    plant.did(&line(), start_order(ORDER, &clearance));
    plant.refuses(&line(), clear_line(ORDER, Before), "order-in-progress");
    plant.clone().did(&line(), clear_line(ORDER, Again));
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.refuses(&line(), clear_line(ORDER, After), "roll-still-mounted");
    plant.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::UsedUp));
    let clearance = plant.cleared(ORDER, After);
    plant.did(&line(), finish_order(ORDER, &clearance));
    for when in [Before, After, Again] {
        plant.refuses(&line(), clear_line(ORDER, when), "order-finished");
    }
}

#[test]
fn a_line_on_which_an_order_runs_is_not_cleared_for_another() {
    let mut plant = Plant::started();
    plant.did(&supervisor(), plan_order("PO-2", crate::testing_orders::order_plan()));
    plant.refuses(&line(), clear_line("PO-2", ClearanceWhen::Before), "line-occupied");
}

#[test]
fn a_clearance_is_checked_before_it_is_used_and_not_when_it_is_stale() {
    let mut plant = Plant::at_the_line();
    plant.did(&line(), clear_line(ORDER, ClearanceWhen::Before));
    let mut at_the_limit = plant.clone();
    // It was performed a second before now.
    at_the_limit.wait_until(plant.minutes_later(60).plus_micros(-1_000_000));
    at_the_limit.did(&line_colleague(), check_clearance(&id("CL-000001")));
    let mut stale = plant.clone();
    stale.wait_until(plant.minutes_later(60).plus_micros(-999_999));
    stale.refuses(&line_colleague(), check_clearance(&id("CL-000001")), "clearance-stale");
    let second = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.did(&line(), start_order(ORDER, &second));
    plant.refuses(&line_colleague(), check_clearance(&id("CL-000001")), "order-in-progress");
    // The one after has all the time that nobody uses the line in.
    plant.did(&line(), clear_line(ORDER, ClearanceWhen::After));
    plant.wait_until(plant.minutes_later(600));
    plant.did(&line_colleague(), check_clearance(&id("CL-000003")));
}

#[test]
fn foreign_labels_before_the_start_hold_the_order() {
    let mut plant = Plant::at_the_line();
    plant.makes(
        &line(),
        clear_line_foreign(ORDER, ClearanceWhen::Before),
        &[
            "clearance.performed CL-000001",
            "order.part_begun PO-1",
            "\"cleared\" CL-000001",
            "deviation.opened DV-000001",
            "order.held PO-1",
            "record.questioned LN-1",
            "record.questioned CL-000001",
        ],
    );
    let State::Deviation(deviation) = &plant.record("deviation/DV-000001").state else { panic!() };
    assert_eq!(deviation.severity, tallyseal_schema::kinds::Severity::Critical);
    assert_eq!(deviation.rule, tallyseal_schema::kinds::DeviationRule::ForeignLabel);
    assert!(deviation.about.contains(&id("order/PO-1")));
    assert!(deviation.text.contains("1 place: floor."), "{}", deviation.text);
    // Cleared again, it is still held.
    let clearance = plant.cleared(ORDER, ClearanceWhen::Before);
    plant.refuses(&line(), start_order(ORDER, &clearance), "held");
}

#[test]
fn foreign_labels_in_the_middle_stop_the_line_and_name_the_order_before() {
    let mut plant = Plant::finished();
    plant.did(&supervisor(), plan_order("PO-2", crate::testing_orders::order_plan()));
    plant.did(&line(), clear_line_foreign("PO-2", ClearanceWhen::Before));
    let State::Deviation(deviation) = &plant.record("deviation/DV-000001").state else { panic!() };
    // They are most likely what the order before has left there.
    assert_eq!(deviation.about, ["order/PO-2", "line/LN-1", "clearance/CL-000003", "order/PO-1"].map(id));
    assert!(plant.order(ORDER).holds.is_empty());

    let mut plant = Plant::started();
    let made = plant.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Again));
    assert_eq!(made.last().unwrap(), "order.interrupted PO-1");
    plant.refuses(&line(), mount_roll(ORDER, 1, "R-1"), "order-interrupted");
    // A second find while it stands does not stop it twice.
    let made = plant.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Again));
    assert!(!made.iter().any(|made| made.starts_with("order.interrupted")), "{made:?}");
}

#[test]
fn a_line_is_not_clear_while_rolls_of_the_order_before_are_there() {
    let mut plant = Plant::finished();
    plant.did(&supervisor(), plan_order("PO-2", crate::testing_orders::order_plan()));
    plant.refuses(&line(), clear_line("PO-2", ClearanceWhen::Before), "rolls-left-at-line");
    // What was found is kept all the same.
    plant.clone().did(&line(), clear_line_foreign("PO-2", ClearanceWhen::Before));
    let give_back =
        |material, roll: &str| Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal: "S-1".to_owned() };
    plant.did(&line(), give_back(1, "R-3"));
    plant.refuses(&line(), clear_line("PO-2", ClearanceWhen::Before), "rolls-left-at-line");
    plant.did(&line(), give_back(2, "R-4"));
    plant.did(&line(), clear_line("PO-2", ClearanceWhen::Before));
}

#[test]
fn clearing_is_the_lines_work() {
    let mut plant = Plant::planned();
    for by in [room(), supervisor(), reviewer(), all_hats(Role::Supervisor)] {
        plant.refuses(&by, clear_line(ORDER, ClearanceWhen::Before), "wrong-role");
    }
}
