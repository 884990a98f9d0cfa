use tallyseal_schema::Body;
use tallyseal_schema::kinds::{HandCounted, LineDevice, OverrideKind, RollRan, Source, Term};

use crate::testing::{Plant, colleague, id, labels, line, reviewer, room, supervisor};
use crate::testing_orders::{
    DISPENSER, LINE, LOT, ORDER, PRINTER, UNIT_COUNTER, VERIFIER, devices, dismount_roll, line_colleague, mount_roll,
    request_override,
};
use crate::{Command, OrderStatus};

fn device(device: &str, start: u32, end: u32, wraps: u8) -> Source {
    Source::Device { device: id(device), end, start, wraps }
}

fn by_hand(hand_count: &str) -> Source {
    Source::HandCount { hand_count: id(&format!("hand_count/{hand_count}")) }
}

/// Purposes where they are asked for.
fn quantity(material: u16, term: Term, source: Source) -> Command {
    let purpose = matches!(term, Term::Samples | Term::Spoiled).then(|| "at set-up".to_owned());
    Command::RecordQuantity { order: id(ORDER), material, term, source, purpose, overdue: None }
}

fn good(start: u32, end: u32) -> Command {
    quantity(1, Term::Good, device(DISPENSER, start, end, 0))
}

fn units(source: Source) -> Command {
    Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None }
}

fn with_override(mut command: Command, over: &str) -> Command {
    let (Command::RecordQuantity { overdue, .. } | Command::RecordUnits { overdue, .. }) = &mut command else {
        unreachable!()
    };
    *overdue = Some(id(over));
    command
}

fn withdraw(quantity: u32) -> Command {
    Command::WithdrawQuantity { order: id(ORDER), quantity, why: "the wrong counter was read".to_owned() }
}

/// A hand count on which two people agree. Gives its name.
fn agreed(plant: &mut Plant, material: Option<u16>, what: HandCounted, number: u32) -> String {
    plant.did(&line(), Command::OpenHandCount { order: id(ORDER), material, what });
    let hand_count = plant.last("hand_count.opened").header.stream.id();
    for by in [line(), line_colleague()] {
        plant.did(&by, Command::EnterHandCount { hand_count: hand_count.clone(), labels: labels(number) });
    }
    hand_count.to_string()
}

fn recorded(plant: &Plant) -> u32 {
    match &plant.last("order.quantity_recorded").body {
        Body::OrderQuantityRecorded(body) => body.labels.get(),
        _ => unreachable!(),
    }
}

#[test]
fn a_device_is_read_at_both_ends() {
    let mut plant = Plant::started();
    plant.makes(&line(), good(1_000, 1_240), &["order.quantity_recorded PO-1"]);
    assert_eq!(recorded(&plant), 240);
    plant.did(&line(), quantity(1, Term::Rejected, device(VERIFIER, 7, 9, 0)));
    assert_eq!(recorded(&plant), 2);
    // Nothing passed: that is a number too.
    plant.did(&line(), quantity(1, Term::Spoiled, device(PRINTER, 5, 5, 0)));
    assert_eq!(recorded(&plant), 0);
    plant.makes(&line(), units(device(UNIT_COUNTER, 0, 240, 0)), &["order.units_recorded PO-1"]);
    assert_eq!(plant.order(ORDER).quantities.keys().copied().collect::<Vec<_>>(), [1, 2, 3, 4]);
    plant.refuses(&room(), good(1_240, 1_250), "wrong-role");
}

#[test]
fn a_counter_that_begins_again_is_said_to_and_never_guessed() {
    // Six digits.
    let plant = Plant::started();
    let with = |start: u32, end: u32, wraps: u8| quantity(1, Term::Good, device(DISPENSER, start, end, wraps));
    let cases = [
        (999_990, 10, 1, Ok(20)),
        (999_999, 0, 1, Ok(1)),
        (0, 999_999, 0, Ok(999_999)),
        (0, 0, 1, Ok(1_000_000)),
        (0, 0, 10, Ok(10_000_000)),
        (0, 1, 10, Err("absurd-quantity")),
        (0, 0, 255, Err("absurd-quantity")),
        (10, 9, 0, Err("reading-falls")),
        (999_990, 10, 0, Err("reading-falls")),
        (0, 1_000_000, 0, Err("reading-too-large")),
        (1_000_000, 0, 1, Err("reading-too-large")),
        (u32::MAX, u32::MAX, 255, Err("reading-too-large")),
    ];
    for (start, end, wraps, expected) in cases {
        let mut plant = plant.clone();
        match expected {
            Ok(number) => {
                plant.did(&line(), with(start, end, wraps));
                assert_eq!(recorded(&plant), number, "{start} {end} {wraps}");
            }
            Err(code) => plant.refuses(&line(), with(start, end, wraps), code),
        }
    }
}

#[test]
fn units_stay_within_what_a_quantity_may_be() {
    let mut plant = Plant::started();
    plant.refuses(&line(), units(device(UNIT_COUNTER, 0, 1, 10)), "absurd-quantity");
    plant.did(&line(), units(device(UNIT_COUNTER, 0, 0, 10)));
}

#[test]
fn a_negative_number_does_not_even_come_in() {
    for text in [
        r#"{"how":"device","device":"DP-1","end":-1,"start":0,"wraps":0}"#,
        r#"{"how":"device","device":"DP-1","end":1,"start":0,"wraps":-1}"#,
        r#"{"how":"device","device":"DP-1","end":1.5,"start":0,"wraps":0}"#,
        r#"{"how":"device","device":"DP-1","end":4294967296,"start":0,"wraps":0}"#,
        r#"{"how":"plug","labels":7}"#,
    ] {
        assert!(serde_json::from_str::<Source>(text).is_err(), "{text}");
    }
    let text = r#"{"do":"enter_hand_count","hand_count":"HC-000001","labels":-3}"#;
    let error = serde_json::from_str::<Command>(text).unwrap_err().to_string();
    assert!(error.contains("-3 is not a quantity of labels"), "{error}");
}

#[test]
fn readings_of_one_device_do_not_overlap() {
    let mut plant = Plant::started();
    plant.did(&line(), good(100, 200));
    for (start, end) in [(100, 200), (199, 300), (0, 101), (120, 130), (0, 900)] {
        plant.refuses(&line(), good(start, end), "readings-overlap");
        // Nor under another name, for another material.
        plant.refuses(&line(), quantity(1, Term::Samples, device(DISPENSER, start, end, 0)), "readings-overlap");
        plant.refuses(&line(), quantity(2, Term::Good, device(DISPENSER, start, end, 0)), "readings-overlap");
    }
    plant.did(&line(), good(200, 300));
    plant.did(&line(), good(0, 100));
    // Another device has its own counter.
    plant.did(&line(), quantity(1, Term::Rejected, device(VERIFIER, 100, 200, 0)));
    // A wrong one is withdrawn, and its readings are free.
    plant.did(&line(), withdraw(1));
    plant.did(&line(), good(100, 199));
    let units_twice = || units(device(UNIT_COUNTER, 0, 10, 0));
    plant.did(&line(), units_twice());
    plant.refuses(&line(), units_twice(), "readings-overlap");
}

#[test]
fn a_counter_that_began_again_goes_through_the_same_readings_once_more_and_no_oftener() {
    let lap = |start: u32, end: u32, wraps: u8| quantity(1, Term::Good, device(DISPENSER, start, end, wraps));
    let mut plant = Plant::started();
    plant.did(&line(), lap(0, 900_000, 0));
    plant.did(&line(), lap(900_000, 800_000, 1));
    // 800,000 to 900,000 is passed a second time.
    plant.did(&line(), lap(800_000, 900_000, 0));
    plant.refuses(&line(), lap(800_000, 900_000, 0), "readings-overlap");
    plant.refuses(&line(), lap(0, 1, 0), "readings-overlap");
    plant.did(&line(), lap(900_000, 999_999, 0));
    // Without a lap that was recorded, what lies before the first reading is before it.
    let mut plant = Plant::started();
    plant.did(&line(), lap(500_000, 600_000, 0));
    plant.did(&line(), lap(400_000, 500_000, 0));
    plant.refuses(&line(), lap(550_000, 560_000, 0), "readings-overlap");
}

#[test]
fn a_device_counts_what_it_is_made_for() {
    let mut plant = Plant::started();
    let cases = [
        (Term::Good, UNIT_COUNTER),
        (Term::Good, PRINTER),
        (Term::Rejected, DISPENSER),
        (Term::Samples, UNIT_COUNTER),
        (Term::Spoiled, UNIT_COUNTER),
    ];
    for (term, name) in cases {
        plant.refuses(&line(), quantity(1, term, device(name, 0, 1, 0)), "device-does-not-fit");
    }
    plant.refuses(&line(), units(device(DISPENSER, 0, 1, 0)), "device-does-not-fit");
    plant.refuses(&line(), quantity(1, Term::Good, device("DP-9", 0, 1, 0)), "no-such-device");
    plant.refuses(&line(), quantity(3, Term::Good, device(DISPENSER, 0, 1, 0)), "no-such-material");
    let other_lot = Command::RecordUnits {
        order: id(ORDER),
        lot: "LOT-B".to_owned(),
        source: device(UNIT_COUNTER, 0, 1, 0),
        overdue: None,
    };
    plant.refuses(&line(), other_lot, "no-such-lot");
    plant.did(&line(), quantity(1, Term::Good, device(VERIFIER, 0, 1, 0)));
}

#[test]
fn samples_and_spoiled_labels_have_a_purpose_or_a_cause_and_others_none() {
    let mut plant = Plant::started();
    let with = |term: Term, purpose: Option<&str>| {
        let source = device(VERIFIER, 0, 1, 0);
        let purpose = purpose.map(str::to_owned);
        Command::RecordQuantity { order: id(ORDER), material: 1, term, source, purpose, overdue: None }
    };
    for term in [Term::Samples, Term::Spoiled] {
        plant.refuses(&line(), with(term, None), "no-purpose");
        plant.refuses(&line(), with(term, Some(" ")), "empty");
    }
    for term in [Term::Good, Term::Rejected] {
        plant.refuses(&line(), with(term, Some("retain")), "purpose-without-need");
    }
    plant.did(&line(), with(Term::Samples, Some("retain")));
}

#[test]
fn a_reading_after_the_calibration_was_due_takes_an_override_each_time() {
    let mut plant = Plant::started();
    let due = plant.minutes_later(10);
    let all = devices(&plant).into_iter().map(|device| LineDevice { calibration_due: due, ..device }).collect();
    let why = "calibrated anew".to_owned();
    plant.did(&supervisor(), Command::ChangeLineDevices { line: id(LINE), devices: all, why });
    let kind = OverrideKind::DeviceOverdue;
    let over = plant.granted(&line(), &reviewer(), kind, ORDER, "order/PO-1");
    plant.refuses(&line(), with_override(good(0, 10), over.as_str()), "override-not-needed");
    plant.wait_until(due);
    plant.did(&line(), good(0, 10));
    plant.wait_until(due.plus_micros(1_000_000));
    plant.refuses(&line(), good(10, 20), "calibration-overdue");
    plant.makes(
        &line(),
        with_override(good(10, 20), over.as_str()),
        &["order.quantity_recorded PO-1", "override.used OV-000001"],
    );
    plant.refuses(&line(), with_override(good(20, 30), over.as_str()), "override-used");
    plant.refuses(&line(), units(device(UNIT_COUNTER, 0, 9, 0)), "calibration-overdue");
    let mut request = request_override(kind, ORDER, "order/PO-1");
    if let Command::RequestOverride { device, .. } = &mut request {
        *device = Some(id(UNIT_COUNTER));
    }
    let over = plant.granted_as(&line(), &reviewer(), request);
    plant.did(&line(), with_override(units(device(UNIT_COUNTER, 0, 9, 0)), over.as_str()));
    let extra = plant.granted(&room(), &supervisor(), OverrideKind::ExtraIssue, ORDER, "order/PO-1");
    plant.refuses(&line(), with_override(good(20, 30), extra.as_str()), "override-for-another");
    // A count by hand needs no device.
    let samples = agreed(&mut plant, Some(1), HandCounted::Samples, 3);
    let by_hand = quantity(1, Term::Samples, by_hand(&samples));
    plant.refuses(&line(), with_override(by_hand.clone(), extra.as_str()), "override-not-needed");
    plant.did(&line(), by_hand);
}

#[test]
fn a_hand_count_is_of_just_this_and_is_used_once() {
    let mut plant = Plant::started();
    let samples = agreed(&mut plant, Some(1), HandCounted::Samples, 3);
    plant.refuses(&line(), quantity(2, Term::Samples, by_hand(&samples)), "hand-count-of-another");
    plant.refuses(&line(), quantity(1, Term::Spoiled, by_hand(&samples)), "hand-count-of-another");
    plant.refuses(&line(), units(by_hand(&samples)), "hand-count-of-another");
    plant.refuses(&line(), quantity(1, Term::Samples, by_hand("HC-000009")), "no-such-hand-count");
    plant.did(&line(), quantity(1, Term::Samples, by_hand(&samples)));
    assert_eq!(recorded(&plant), 3);
    plant.refuses(&line(), quantity(1, Term::Samples, by_hand(&samples)), "hand-count-used");
    plant.did(&line(), withdraw(1));
    plant.did(&line(), quantity(1, Term::Samples, by_hand(&samples)));
    let counted = agreed(&mut plant, None, HandCounted::Units, 240);
    plant.did(&line(), units(by_hand(&counted)));
    plant.refuses(&line(), units(by_hand(&counted)), "hand-count-used");
    // Not before both have counted.
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Spoiled });
    let open = plant.last("hand_count.opened").header.stream.id();
    plant.did(&colleague(), Command::EnterHandCount { hand_count: open.clone(), labels: labels(2) });
    plant.refuses(&line(), quantity(1, Term::Spoiled, by_hand(open.as_str())), "hand-count-not-agreed");
    plant.did(&room(), Command::EnterHandCount { hand_count: open.clone(), labels: labels(3) });
    plant.refuses(&line(), quantity(1, Term::Spoiled, by_hand(open.as_str())), "hand-count-not-agreed");
}

#[test]
fn a_wrong_quantity_is_withdrawn_with_a_reason_and_stays_in_the_record() {
    let mut plant = Plant::started();
    plant.did(&line(), good(0, 240));
    let no_reason = Command::WithdrawQuantity { order: id(ORDER), quantity: 1, why: "?".to_owned() };
    plant.refuses(&line(), no_reason, "no-reason");
    plant.refuses(&line(), withdraw(2), "no-such-quantity");
    plant.makes(&line(), withdraw(1), &["order.quantity_withdrawn PO-1"]);
    plant.refuses(&line(), withdraw(1), "already-withdrawn");
    assert!(plant.order(ORDER).quantities.get(&1).unwrap().withdrawn);
    // A number is not used again.
    plant.did(&line(), good(0, 241));
    assert!(plant.order(ORDER).quantities.contains_key(&2));
}

#[test]
fn quantities_are_recorded_while_there_is_something_to_count() {
    let mut plant = Plant::at_the_line();
    plant.refuses(&line(), good(0, 1), "order-not-started");
    plant.refuses(&line(), withdraw(1), "order-not-started");
    plant.refuses(&line(), units(device(UNIT_COUNTER, 0, 1, 0)), "order-not-started");
    let mut plant = Plant::started();
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.did(&line(), dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff));
    plant.did(&line(), good(0, 1));
    let mut plant = Plant::finished();
    plant.did(&line(), good(0, 1));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Finished);
}
