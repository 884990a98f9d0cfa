use tallyseal_schema::kinds::{DeviationInterimDecided, HandCounted, InterimDecision, Severity};
use tallyseal_schema::{Body, By};

use crate::testing::{Plant, auditor, colleague, id, labels, line, reviewer, room, supervisor, system};
use crate::testing_orders::{ORDER, line_colleague};
use crate::{Command, HAND_COUNT_MAX, HandCountState, HandCountStatus, State};

fn open(material: Option<u16>, what: HandCounted) -> Command {
    Command::OpenHandCount { order: id(ORDER), material, what }
}

fn enter(hand_count: &str, number: u32) -> Command {
    Command::EnterHandCount { hand_count: id(hand_count), labels: labels(number) }
}

fn state<'p>(plant: &'p Plant, hand_count: &str) -> &'p HandCountState {
    match &plant.record(&format!("hand_count/{hand_count}")).state {
        State::HandCount(state) => state,
        _ => panic!("no hand count"),
    }
}

/// Two people count, and say this. Gives what the second number made.
fn attempt(plant: &mut Plant, material: u16, what: HandCounted, numbers: [u32; 2]) -> Vec<String> {
    plant.did(&line(), open(Some(material), what));
    let hand_count = plant.last("hand_count.opened").header.stream.id();
    plant.did(&line(), enter(hand_count.as_str(), numbers[0]));
    plant.did(&line_colleague(), enter(hand_count.as_str(), numbers[1]))
}

#[test]
fn two_people_count_and_agree() {
    let mut plant = Plant::started();
    plant.makes(
        &line(),
        open(Some(1), HandCounted::Samples),
        &["hand_count.opened HC-000001", "order.part_begun PO-1"],
    );
    plant.makes(&line(), enter("HC-000001", 12), &["hand_count.entered HC-000001"]);
    assert_eq!(state(&plant, "HC-000001").agreed(), None);
    plant.makes(&room(), enter("HC-000001", 12), &["hand_count.entered HC-000001", "hand_count.agreed HC-000001"]);
    assert_eq!(state(&plant, "HC-000001").agreed(), Some(labels(12)));
    plant.refuses(&colleague(), enter("HC-000001", 12), "hand-count-ended");
    // None is a number.
    let made = attempt(&mut plant, 1, HandCounted::Spoiled, [0, 0]);
    assert_eq!(made.last().map(String::as_str), Some("hand_count.agreed HC-000002"));
}

#[test]
fn nobody_counts_twice_and_a_refusal_gives_no_number_away() {
    let mut plant = Plant::started();
    plant.did(&line(), open(Some(1), HandCounted::Samples));
    plant.did(&line(), enter("HC-000001", 413));
    plant.refuses(&line(), enter("HC-000001", 413), "same-person");
    let refusal = plant.act(&line(), enter("HC-000001", 1)).unwrap_err();
    assert!(!refusal.to_string().contains("413"), "{refusal}");
    plant.refuses(&reviewer(), enter("HC-000001", 413), "wrong-role");
    plant.refuses(&auditor(), enter("HC-000001", 413), "wrong-role");
    plant.refuses(&supervisor(), open(Some(1), HandCounted::Samples), "wrong-role");
    plant.did(&supervisor(), enter("HC-000001", 413));
}

#[test]
fn only_a_small_heap_is_counted_by_hand() {
    let mut plant = Plant::started();
    plant.did(&line(), open(Some(1), HandCounted::Samples));
    plant.refuses(&line(), enter("HC-000001", HAND_COUNT_MAX + 1), "above-the-cap");
    plant.did(&line(), enter("HC-000001", HAND_COUNT_MAX));
    plant.refuses(&room(), enter("HC-000001", 10_000_000), "above-the-cap");
    plant.did(&room(), enter("HC-000001", HAND_COUNT_MAX));
}

#[test]
fn what_is_counted_belongs_to_a_material_line_and_units_to_none() {
    let mut plant = Plant::started();
    plant.refuses(&line(), open(Some(1), HandCounted::Units), "units-of-no-material");
    plant.refuses(&line(), open(None, HandCounted::Samples), "no-material");
    plant.refuses(&line(), open(Some(3), HandCounted::Samples), "no-such-material");
    plant.refuses(&line(), open(Some(2), HandCounted::CodedTail), "nothing-coded");
    plant.did(&line(), open(Some(1), HandCounted::CodedTail));
    plant.did(&line(), open(None, HandCounted::Units));
    plant.refuses(&line(), enter("HC-000009", 1), "no-such-hand-count");
    let other = Command::OpenHandCount { order: id("PO-9"), material: None, what: HandCounted::Units };
    plant.refuses(&line(), other, "no-such-order");
    let mut plant = Plant::at_the_line();
    plant.refuses(&line(), open(None, HandCounted::Units), "order-not-started");
}

#[test]
fn two_numbers_that_differ_are_kept_and_it_is_counted_anew() {
    let mut plant = Plant::started();
    let made = attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
    assert_eq!(made, ["hand_count.entered HC-000001", "hand_count.differed HC-000001"]);
    assert_eq!(state(&plant, "HC-000001").status, HandCountStatus::Differed);
    assert_eq!(state(&plant, "HC-000001").agreed(), None);
    plant.refuses(&room(), enter("HC-000001", 12), "hand-count-ended");
    attempt(&mut plant, 1, HandCounted::Samples, [12, 12]);
}

#[test]
fn three_that_differ_one_after_the_other_are_a_deviation_and_nobody_goes_on_until_it_fits() {
    let mut plant = Plant::started();
    attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
    // Of other things, and what is agreed in between, it is another matter.
    attempt(&mut plant, 2, HandCounted::Samples, [1, 2]);
    attempt(&mut plant, 1, HandCounted::Spoiled, [1, 2]);
    attempt(&mut plant, 1, HandCounted::Samples, [12, 12]);
    for _ in 0..2 {
        let made = attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
        assert_eq!(made.len(), 2, "{made:?}");
    }
    let made = attempt(&mut plant, 1, HandCounted::Samples, [13, 12]);
    assert_eq!(
        made,
        [
            "hand_count.entered HC-000007",
            "hand_count.differed HC-000007",
            "deviation.opened DV-000001",
            "record.questioned HC-000005",
            "record.questioned HC-000006",
            "record.questioned HC-000007",
            "record.questioned PO-1",
        ]
    );
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.severity, Severity::Major);
    assert_eq!(opened.about.len(), 4);
    plant.refuses(&line(), open(Some(1), HandCounted::Samples), "hand-counts-differ");
    plant.did(&line(), open(Some(1), HandCounted::Rejected));
    // Quality decides how it goes on.
    let body = DeviationInterimDecided { decision: InterimDecision::MayRunOn, text: "count by three".to_owned() };
    plant.writes(&system(), "deviation/DV-000001", body.into());
    attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
    attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
    let made = attempt(&mut plant, 1, HandCounted::Samples, [12, 13]);
    assert!(made.contains(&"deviation.opened DV-000002".to_owned()), "{made:?}");
    plant.refuses(&line(), open(Some(1), HandCounted::Samples), "hand-counts-differ");
}

#[test]
fn the_same_two_people_in_any_of_their_roles_are_two() {
    let pairs: [(By, By); 2] = [(room(), colleague()), (line(), supervisor())];
    for (one, other) in pairs {
        let mut plant = Plant::finished();
        plant.did(&room(), open(Some(1), HandCounted::CodedTail));
        plant.did(&one, enter("HC-000001", 5));
        plant.did(&other, enter("HC-000001", 5));
        assert_eq!(state(&plant, "HC-000001").status, HandCountStatus::Agreed);
    }
}
