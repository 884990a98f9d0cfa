use tallyseal_schema::kinds::{OVERRIDES, OverrideKind, Role};
use tallyseal_schema::{By, Labels};

use crate::overrides::{Bounds, must_be_granted, used};
use crate::testing::{Plant, all_hats, id, line, reviewer, room, supervisor};
use crate::testing_orders::{
    DISPENSER, EXTRA_MAX, ORDER, order_plan, plan_order, request_override, second_supervisor, void_order,
};
use crate::{Command, Draft, OverrideStatus, Record, State, Stop, World};

const EXTRA: OverrideKind = OverrideKind::ExtraIssue;
const OVERDUE: OverrideKind = OverrideKind::DeviceOverdue;
const LATE: OverrideKind = OverrideKind::LateDestruction;

fn grant(over: &str) -> Command {
    Command::GrantOverride { over: id(over) }
}

fn refuse(over: &str) -> Command {
    Command::RefuseOverride { over: id(over), why: "the roll was found".to_owned() }
}

fn extra() -> Command {
    request_override(EXTRA, ORDER, "order/PO-1")
}

fn record(plant: &Plant) -> &Record {
    plant.record("override/OV-000001")
}

/// Whether an act that names the override would find that it allows it.
fn allowed(plant: &Plant, kind: OverrideKind, order: &str, about: &str) -> Result<(), String> {
    let mut world = World::default();
    world.put(id("override/OV-000001"), Some(record(plant).clone()));
    world.put(id("override/OV-000009"), None);
    let dispenser = id(DISPENSER);
    let wanted = match kind {
        OverrideKind::ExtraIssue => Bounds { labels: Labels::new(EXTRA_MAX), material: Some(1), device: None },
        OverrideKind::DeviceOverdue => Bounds { device: Some(&dispenser), ..Bounds::default() },
        OverrideKind::LateDestruction => Bounds::default(),
    };
    within(&world, kind, order, about, wanted)
}

fn within(world: &World, kind: OverrideKind, order: &str, about: &str, wanted: Bounds<'_>) -> Result<(), String> {
    match must_be_granted(world, &id("OV-000001"), kind, &id(order), &id(about), wanted) {
        Ok(stream) => {
            assert_eq!(stream, id("override/OV-000001"));
            Ok(())
        }
        Err(Stop::Refused(refusal)) => Err(refusal.code),
        Err(stop) => panic!("{stop:?}"),
    }
}

#[test]
fn the_list_is_closed() {
    let kinds: Vec<OverrideKind> = OVERRIDES.iter().map(|row| row.kind).collect();
    assert_eq!(kinds, [EXTRA, LATE, OVERDUE]);
    // Whoever asks is of another trade than whoever grants.
    for row in OVERRIDES {
        assert!(!row.asks.iter().any(|role| row.grants.contains(role)), "{row:?}");
    }
}

#[test]
fn one_person_asks_with_a_reason_and_a_second_grants_or_refuses() {
    let mut plant = Plant::planned();
    plant.makes(&room(), extra(), &["override.requested OV-000001", "order.part_begun PO-1"]);
    let Command::RequestOverride { kind, order, about, material, labels, device, .. } = extra() else { unreachable!() };
    let why = "x".to_owned();
    let without = Command::RequestOverride { kind, order, about, material, labels, device, why };
    plant.refuses(&room(), without, "no-reason");
    plant.refuses(&supervisor(), grant("OV-000009"), "no-such-override");
    plant.refuses(&supervisor(), refuse("OV-000009"), "no-such-override");
    let refused = plant.act_with(&supervisor(), None, grant("OV-000001")).unwrap_err();
    assert_eq!(refused.code, "needs-password");
    let mut refusing = plant.clone();
    refusing.refuses(&supervisor(), Command::RefuseOverride { over: id("OV-000001"), why: String::new() }, "no-reason");
    refusing.makes(&supervisor(), refuse("OV-000001"), &["override.refused OV-000001"]);
    refusing.refuses(&supervisor(), refuse("OV-000001"), "override-refused");
    refusing.refuses(&supervisor(), grant("OV-000001"), "override-refused");
    plant.makes(&supervisor(), grant("OV-000001"), &["override.granted OV-000001", "\"override granted\" OV-000001"]);
    plant.refuses(&supervisor(), grant("OV-000001"), "override-granted");
    plant.refuses(&second_supervisor(), refuse("OV-000001"), "override-granted");
}

#[test]
fn the_roles_that_ask_and_grant_are_those_of_the_list() {
    let mut plant = Plant::started();
    let about = "order/PO-1";
    // Label room and line may both ask for something, not for everything.
    plant.refuses(&line(), request_override(EXTRA, ORDER, about), "wrong-role");
    plant.refuses(&room(), request_override(OVERDUE, ORDER, about), "wrong-role");
    plant.did(&room(), request_override(EXTRA, ORDER, about));
    plant.did(&line(), request_override(OVERDUE, ORDER, about));
    for act in [grant, refuse] {
        plant.refuses(&reviewer(), act("OV-000001"), "wrong-role");
        plant.refuses(&supervisor(), act("OV-000002"), "wrong-role");
    }
    plant.did(&supervisor(), grant("OV-000001"));
    plant.did(&reviewer(), grant("OV-000002"));
}

/// Asks with bounds that are given.
fn asked(kind: OverrideKind, about: &str, material: Option<u16>, labels: Option<u32>, device: Option<&str>) -> Command {
    Command::RequestOverride {
        kind,
        order: id(ORDER),
        about: id(about),
        material,
        labels: labels.map(|labels| Labels::new(labels).unwrap()),
        device: device.map(id),
        why: "the line has lost a roll".to_owned(),
    }
}

#[test]
fn whoever_grants_is_told_how_much_and_for_what() {
    let mut plant = Plant::started();
    let order = "order/PO-1";
    let unbounded: [(By, Command, &str); 9] = [
        (room(), asked(EXTRA, order, None, Some(100), None), "override-without-bounds"),
        (room(), asked(EXTRA, order, Some(1), None, None), "override-without-bounds"),
        (room(), asked(EXTRA, order, Some(1), Some(0), None), "override-without-bounds"),
        (room(), asked(EXTRA, order, Some(1), Some(100), Some(DISPENSER)), "override-without-bounds"),
        (room(), asked(EXTRA, order, Some(9), Some(100), None), "no-such-material"),
        (line(), asked(OVERDUE, order, None, None, None), "override-without-bounds"),
        (line(), asked(OVERDUE, order, Some(1), None, Some(DISPENSER)), "override-without-bounds"),
        (line(), asked(OVERDUE, order, None, None, Some("DP-9")), "no-such-device"),
        (room(), asked(LATE, "container/CN-9", None, Some(5), None), "no-such-container"),
    ];
    for (by, command, code) in unbounded {
        plant.refuses(&by, command, code);
    }
}

#[test]
fn an_override_allows_so_much_of_that_line_and_that_device_and_no_more() {
    let mut plant = Plant::started();
    plant.did(&room(), asked(EXTRA, "order/PO-1", Some(2), Some(50), None));
    plant.did(&supervisor(), grant("OV-000001"));
    let mut world = World::default();
    world.put(id("override/OV-000001"), Some(record(&plant).clone()));
    let extra = |material, labels| {
        let wanted = Bounds { device: None, labels: Labels::new(labels), material: Some(material) };
        within(&world, EXTRA, "order/PO-1", "order/PO-1", wanted)
    };
    assert_eq!(extra(2, 50), Ok(()));
    assert_eq!(extra(2, 1), Ok(()));
    assert_eq!(extra(2, 51), Err("override-exceeded".to_owned()));
    assert_eq!(extra(1, 50), Err("override-for-another".to_owned()));

    let mut plant = Plant::started();
    plant.did(&line(), request_override(OVERDUE, ORDER, "order/PO-1"));
    plant.did(&reviewer(), grant("OV-000001"));
    world.put(id("override/OV-000001"), Some(record(&plant).clone()));
    let reading = |device: &str| {
        let device = id(device);
        within(&world, OVERDUE, "order/PO-1", "order/PO-1", Bounds { device: Some(&device), ..Bounds::default() })
    };
    assert_eq!(reading(DISPENSER), Ok(()));
    assert_eq!(reading("VF-1"), Err("override-for-another".to_owned()));
}

#[test]
fn nobody_answers_what_they_asked_for() {
    let mut plant = Plant::planned();
    plant.did(&all_hats(Role::LabelRoom), extra());
    for act in [grant, refuse] {
        plant.refuses(&all_hats(Role::Supervisor), act("OV-000001"), "same-person");
    }
    plant.did(&supervisor(), grant("OV-000001"));
}

#[test]
fn an_override_is_about_what_its_rule_is_about() {
    let mut plant = Plant::started();
    let cases: [(By, OverrideKind, &str, &str); 5] = [
        (room(), EXTRA, "order/PO-2", "override-about-another"),
        (room(), EXTRA, "roll/R-1", "override-about-another"),
        (line(), OVERDUE, "line/LN-1", "override-about-another"),
        (room(), LATE, "order/PO-1", "override-about-another"),
        (room(), LATE, "container/CN-9", "no-such-container"),
    ];
    for (by, kind, about, code) in cases {
        plant.refuses(&by, request_override(kind, ORDER, about), code);
    }
    plant.refuses(&room(), request_override(EXTRA, "PO-9", "order/PO-9"), "no-such-order");
    // Another order's container.
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    let opened = tallyseal_schema::kinds::ContainerOpened {
        contents: tallyseal_schema::kinds::Contents::Coded,
        material: 1,
        order: id("order/PO-1"),
        place: "cage".to_owned(),
    };
    plant.writes(&room(), "container/CN-1", opened.into());
    plant.refuses(&room(), request_override(LATE, "PO-2", "container/CN-1"), "override-about-another");
    plant.did(&room(), request_override(LATE, ORDER, "container/CN-1"));
}

#[test]
fn an_override_is_asked_for_while_it_is_of_use() {
    let about = "order/PO-1";
    let mut planned = Plant::planned();
    planned.refuses(&line(), request_override(OVERDUE, ORDER, about), "order-not-started");
    planned.clone().did(&room(), extra());
    planned.did(&supervisor(), void_order(ORDER));
    planned.refuses(&room(), extra(), "order-voided");
    let mut finished = Plant::finished();
    finished.refuses(&room(), extra(), "order-finished");
    finished.did(&line(), request_override(OVERDUE, ORDER, about));
}

#[test]
fn an_override_allows_one_thing_once() {
    let mut plant = Plant::planned();
    let order = "order/PO-1";
    plant.did(&room(), extra());
    assert_eq!(allowed(&plant, EXTRA, order, order), Err("override-not-granted".to_owned()));
    let mut refused = plant.clone();
    refused.did(&supervisor(), refuse("OV-000001"));
    assert_eq!(allowed(&refused, EXTRA, order, order), Err("override-refused".to_owned()));
    plant.did(&supervisor(), grant("OV-000001"));
    assert_eq!(allowed(&plant, EXTRA, order, order), Ok(()));
    for (kind, order, about) in [(OVERDUE, order, order), (EXTRA, "order/PO-2", order), (EXTRA, order, "order/PO-2")] {
        assert_eq!(allowed(&plant, kind, order, about), Err("override-for-another".to_owned()));
    }
    let Draft::Entry { stream, body, .. } = used(&id("override/OV-000001"), &id("issue/IS-000001")) else { panic!() };
    plant.writes(&room(), &stream.to_string(), *body);
    let State::Override(state) = &record(&plant).state else { panic!() };
    assert_eq!(state.status, OverrideStatus::Used);
    assert_eq!(allowed(&plant, EXTRA, order, order), Err("override-used".to_owned()));
    plant.refuses(&supervisor(), grant("OV-000001"), "override-used");
    plant.refuses(&supervisor(), refuse("OV-000001"), "override-used");
    // It is no more than one: a second is asked for anew.
    plant.did(&room(), extra());
}
