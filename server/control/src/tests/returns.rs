use tallyseal_schema::Body;
use tallyseal_schema::kinds::{
    CountPurpose, DeliveryHeld, DeviationClosed, DeviationDecided, DeviationDecision, Direction, HandCounted,
    ObsoleteRule, Role, RollCountOpened, RollHeld, RollRan, Severity,
};

use crate::testing::{
    CODE, CODED, OTHER_CODE, Plant, all_hats, colleague, id, labels, lift, line, open, open_incoming, open_recount,
    person, reviewer, room, run_of, second_reviewer, supervisor, system,
};
use crate::testing_orders::{
    DISPENSER, ORDER, dismount_roll, examine_roll, give_issue, line_colleague, mount_roll, order_plan, plan_order,
    take_issue,
};
use crate::{Command, CountAxis, Custody, Quality};

fn give_back(material: u16, roll: &str) -> Command {
    Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal: format!("S-{roll}") }
}

/// What the label room says of a roll that it takes back.
#[derive(Clone, Copy)]
struct Taken<'a> {
    material: u16,
    roll: &'a str,
    seal_intact: bool,
    tail: Option<&'a str>,
    container: Option<&'a str>,
    rest: Option<&'a str>,
}

/// R-3 with a coded tail.
const R3: Taken<'_> = Taken {
    material: 1,
    roll: "R-3",
    seal_intact: true,
    tail: Some("HC-000001"),
    container: Some("CN-1"),
    rest: Some("R-3-1"),
};

/// R-4 without one.
const R4: Taken<'_> = Taken { material: 2, roll: "R-4", tail: None, container: None, rest: Some("R-4-1"), ..R3 };

fn take_back(taken: Taken<'_>) -> Command {
    Command::TakeBack {
        order: id(ORDER),
        material: taken.material,
        roll: id(taken.roll),
        seal_intact: taken.seal_intact,
        tail: taken.tail.map(id),
        container: taken.container.map(id),
        rest: taken.rest.map(id),
        place: "cage for returns".to_owned(),
    }
}

fn release(roll: &str) -> Command {
    Command::ReleaseReturn { roll: id(roll) }
}

fn tail(plant: &mut Plant, number: u32) {
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::CodedTail });
    let hand_count = plant.last("hand_count.opened").header.stream.id();
    for by in [room(), colleague()] {
        plant.did(&by, Command::EnterHandCount { hand_count: hand_count.clone(), labels: labels(number) });
    }
}

fn container(container: &str, contents: tallyseal_schema::kinds::Contents) -> Command {
    let place = "cage for destruction".to_owned();
    Command::OpenContainer { container: id(container), order: id(ORDER), material: 1, contents, place }
}

/// Finished; both rolls that were taken off are handed back; the tail of R-3 is counted and a container open.
fn handed_back() -> Plant {
    let mut plant = Plant::finished();
    plant.did(&line(), give_back(1, "R-3"));
    plant.did(&line(), give_back(2, "R-4"));
    tail(&mut plant, 5);
    plant.did(&room(), container("CN-1", tallyseal_schema::kinds::Contents::Coded));
    plant
}

/// R-3 is taken back.
fn taken_back() -> Plant {
    let mut plant = handed_back();
    plant.did(&room(), take_back(R3));
    plant
}

fn return_count(roll: &str) -> Command {
    open("ST-1", &format!("roll/{roll}"), CountPurpose::Return, Direction::Forward)
}

#[test]
fn the_line_hands_back_sealed_and_uncounted() {
    let mut plant = Plant::finished();
    plant.refuses(&room(), give_back(1, "R-3"), "wrong-role");
    let no_seal = Command::GiveBack { order: id(ORDER), material: 1, roll: id("R-3"), seal: " ".to_owned() };
    plant.refuses(&line(), no_seal, "empty");
    plant.refuses(&line(), give_back(2, "R-3"), "roll-of-another-material");
    plant.refuses(&line(), give_back(1, "R-6"), "roll-of-another-order");
    plant.refuses(&line(), give_back(1, "R-1"), "roll-is-no-more");
    plant.refuses(&line(), give_back(3, "R-3"), "no-such-material");
    plant.makes(&line(), give_back(1, "R-3"), &["order.roll_given_back PO-1", "roll.given_back R-3"]);
    plant.refuses(&line(), give_back(1, "R-3"), "roll-given-back");
    plant.refuses(&line(), dismount_roll(ORDER, 1, "R-3", RollRan::UsedUp), "roll-given-back");
    let mut plant = Plant::started();
    plant.did(&line(), mount_roll(ORDER, 1, "R-1"));
    plant.refuses(&line(), give_back(1, "R-1"), "roll-mounted");
    plant.refuses(&room(), take_back(Taken { roll: "R-2", ..R3 }), "roll-at-line");
}

#[test]
fn a_coded_tail_goes_into_its_container_and_the_rest_is_a_new_roll_in_quarantine() {
    let mut plant = handed_back();
    plant.makes(
        &room(),
        take_back(R3),
        &["roll.returned R-3-1", "order.return_taken PO-1", "roll.ended R-3", "container.filled CN-1"],
    );
    let rest = plant.roll("R-3-1");
    assert_eq!(
        (rest.quality, rest.count_axis(), &rest.custody),
        (Quality::Quarantine, CountAxis::Uncounted, &Custody::Store {})
    );
    assert_eq!(rest.parent, Some((id("roll/R-3"), id("order/PO-1"))));
    assert_eq!(plant.roll("R-3").custody, Custody::Ended {});
    let of_order = plant.order(ORDER).rolls.get(&id("roll/R-3")).unwrap();
    assert!(of_order.taken_back);
    assert_eq!(of_order.tail, Some(id("hand_count/HC-000001")));
    plant.makes(&room(), take_back(R4), &["roll.returned R-4-1", "order.return_taken PO-1", "roll.ended R-4"]);
    plant.refuses(&room(), take_back(R3), "roll-is-no-more");
}

#[test]
fn coded_labels_never_go_back_to_stock_for_nobody() {
    let mut plant = handed_back();
    // Without a count of its tail, none of it is taken back; not by anybody.
    for by in [room(), colleague(), all_hats(Role::LabelRoom)] {
        let without = Taken { tail: None, container: None, ..R3 };
        plant.refuses(&by, take_back(without), "coded-tail-not-counted");
    }
    plant.refuses(&room(), take_back(Taken { container: None, ..R3 }), "no-container");
    plant.refuses(&reviewer(), take_back(R3), "wrong-role");
    // The roll itself is in no state in which it could be examined or released.
    plant.refuses(&reviewer(), release("R-3"), "nothing-came-back");
    plant.refuses(&room(), examine_roll(ORDER, 1, "R-3"), "order-finished");
    plant.did(&room(), take_back(R3));
    plant.refuses(&room(), return_count("R-3"), "roll-is-no-more");
    // No tail at all is the word of two people, too.
    let mut plant = handed_back();
    tail(&mut plant, 0);
    let none = Taken { tail: Some("HC-000002"), ..R3 };
    plant.refuses(&room(), take_back(none), "nothing-to-put-in");
    plant.refuses(&room(), take_back(Taken { container: None, rest: None, ..none }), "no-rest");
    plant.did(&room(), take_back(Taken { container: None, ..none }));
}

#[test]
fn a_tail_is_counted_for_this_roll_and_lies_in_a_container_for_it() {
    let mut plant = handed_back();
    plant.refuses(&room(), take_back(Taken { tail: Some("HC-000009"), ..R3 }), "no-such-hand-count");
    plant.refuses(&room(), take_back(Taken { container: Some("CN-9"), ..R3 }), "no-such-container");
    plant.did(&room(), container("CN-2", tallyseal_schema::kinds::Contents::Spoiled));
    plant.refuses(&room(), take_back(Taken { container: Some("CN-2"), ..R3 }), "container-for-another");
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Samples });
    plant.refuses(&room(), take_back(Taken { tail: Some("HC-000002"), ..R3 }), "hand-count-of-another");
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::CodedTail });
    plant.refuses(&room(), take_back(Taken { tail: Some("HC-000003"), ..R3 }), "hand-count-not-agreed");
    plant.did(&room(), Command::SealContainer { container: id("CN-1"), seal: "S-9".to_owned() });
    plant.refuses(&room(), take_back(R3), "container-sealed");
    // The whole of what came back was coded.
    let mut plant = handed_back();
    plant.makes(
        &room(),
        take_back(Taken { rest: None, ..R3 }),
        &["order.return_taken PO-1", "roll.ended R-3", "container.filled CN-1"],
    );
}

#[test]
fn a_tail_is_used_for_one_roll() {
    let mut plant = Plant::started();
    for roll in ["R-1", "R-2"] {
        plant.did(&line(), mount_roll(ORDER, 1, roll));
        plant.did(&line(), dismount_roll(ORDER, 1, roll, RollRan::TakenOff));
        plant.did(&line(), give_back(1, roll));
    }
    for number in [4, 0] {
        tail(&mut plant, number);
    }
    plant.did(&room(), container("CN-1", tallyseal_schema::kinds::Contents::Coded));
    plant.did(&room(), take_back(Taken { roll: "R-1", rest: Some("R-1-1"), ..R3 }));
    plant.refuses(&room(), take_back(Taken { roll: "R-2", rest: Some("R-2-1"), ..R3 }), "hand-count-used");
    let none = |roll: &'static str, rest: &'static str| {
        take_back(Taken { roll, rest: Some(rest), tail: Some("HC-000002"), container: None, ..R3 })
    };
    plant.did(&room(), none("R-2", "R-2-1"));
    // Nor is one of no labels the word about two rolls.
    plant.did(&line(), mount_roll(ORDER, 1, "R-3"));
    plant.did(&line(), dismount_roll(ORDER, 1, "R-3", RollRan::TakenOff));
    plant.did(&line(), give_back(1, "R-3"));
    plant.refuses(&room(), none("R-3", "R-3-1"), "hand-count-used");
}

#[test]
fn what_was_never_mounted_or_never_coded_has_no_tail() {
    let mut plant = handed_back();
    plant.refuses(&room(), take_back(Taken { tail: Some("HC-000001"), ..R4 }), "nothing-coded");
    plant.refuses(&room(), take_back(Taken { container: Some("CN-1"), ..R4 }), "nothing-to-put-in");
    plant.refuses(&room(), take_back(Taken { rest: None, ..R4 }), "no-rest");
    plant.refuses(&room(), take_back(Taken { rest: Some("R-5"), ..R4 }), "id-in-use");
    plant.refuses(&room(), take_back(Taken { rest: Some("R-4"), ..R4 }), "id-in-use");
    plant.refuses(&room(), take_back(Taken { roll: "R-5", ..R4 }), "roll-of-another-order");
    let mut plant = Plant::started();
    plant.did(&line(), give_back(1, "R-3"));
    tail(&mut plant, 3);
    plant.did(&room(), container("CN-1", tallyseal_schema::kinds::Contents::Coded));
    plant.refuses(&room(), take_back(R3), "roll-was-not-mounted");
    plant.refuses(&room(), take_back(Taken { tail: None, container: None, rest: None, ..R3 }), "no-rest");
    plant.did(&room(), take_back(Taken { tail: None, container: None, ..R3 }));
}

#[test]
fn whoever_handed_back_does_not_take_back() {
    let mut plant = Plant::finished();
    plant.enrolled("U-0013", &[Role::LabelRoom, Role::Line]);
    plant.did(&person("U-0013", Role::Line), give_back(2, "R-4"));
    plant.refuses(&person("U-0013", Role::LabelRoom), take_back(R4), "same-person");
    plant.refuses(&line(), take_back(R4), "wrong-role");
    plant.did(&room(), take_back(R4));
}

#[test]
fn a_broken_seal_is_kept_and_questions_the_rest() {
    let mut plant = handed_back();
    plant.makes(
        &room(),
        take_back(Taken { seal_intact: false, ..R4 }),
        &[
            "roll.returned R-4-1",
            "order.return_taken PO-1",
            "roll.ended R-4",
            "deviation.opened DV-000001",
            "record.questioned PO-1",
            "record.questioned R-4",
            "record.questioned R-4-1",
        ],
    );
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.severity, Severity::Major);
}

#[test]
fn what_could_not_be_scanned_in_goes_back_all_the_same() {
    let mut plant = Plant::planned();
    plant.did(&room(), examine_roll(ORDER, 1, "R-1"));
    plant.did(&room(), give_issue(ORDER, 1, &["R-1"], None));
    plant.refuses(&line(), give_back(1, "R-1"), "issue-not-taken");
    plant.did(&line(), take_issue("IS-000001"));
    plant.did(&line(), give_back(1, "R-1"));
    plant.did(&room(), take_back(Taken { roll: "R-1", tail: None, container: None, rest: Some("R-1-1"), ..R3 }));
}

#[test]
fn what_came_back_is_counted_by_the_label_room_as_a_return() {
    let mut plant = taken_back();
    plant.refuses(&room(), open_incoming("ST-1", "R-3-1"), "roll-came-back");
    plant.refuses(&room(), open_recount("ST-1", "R-3-1"), "not-counted");
    plant.refuses(&room(), return_count("R-6"), "nothing-came-back");
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    let rest = plant.roll("R-3-1");
    assert_eq!(rest.settled.as_ref().unwrap().on_roll, labels(40));
    plant.refuses(&room(), return_count("R-3-1"), "already-counted");
    plant.did(&room(), open_recount("ST-1", "R-3-1"));
}

#[test]
fn quality_releases_what_was_counted_and_then_it_is_stock_again() {
    let mut plant = taken_back();
    plant.refuses(&reviewer(), release("R-3-1"), "roll-not-counted");
    plant.refuses(&room(), release("R-3-1"), "wrong-role");
    plant.refuses(&reviewer(), release("R-6"), "nothing-came-back");
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    let mut again = plant.clone();
    again.did(&room(), open_recount("ST-1", "R-3-1"));
    again.refuses(&reviewer(), release("R-3-1"), "roll-not-counted");
    // In quarantine it is nothing to issue, whatever its delivery is.
    plant.did(&supervisor(), plan_order("PO-2", order_plan()));
    plant.refuses(&room(), examine_roll("PO-2", 1, "R-3-1"), "roll-not-released");
    plant.challenged("ST-1");
    plant.makes(&reviewer(), release("R-3-1"), &["roll.return_released R-3-1", "\"return released\" R-3-1"]);
    assert_eq!(plant.roll("R-3-1").quality, Quality::Released);
    plant.refuses(&second_reviewer(), release("R-3-1"), "already-released");
    // A part roll comes first.
    plant.did(&room(), examine_roll("PO-2", 1, "R-3-1"));
}

#[test]
fn whoever_took_it_back_or_counted_it_does_not_release_it() {
    let mut plant = handed_back();
    plant.did(&all_hats(Role::LabelRoom), take_back(R3));
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    plant.challenged("ST-1");
    plant.refuses(&all_hats(Role::Reviewer), release("R-3-1"), "same-person");
    let mut plant = taken_back();
    let count = plant.opened(&all_hats(Role::LabelRoom), return_count("R-3-1"));
    plant.did(&all_hats(Role::LabelRoom), crate::testing::interrupt(&count));
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    plant.challenged("ST-1");
    plant.refuses(&all_hats(Role::Reviewer), release("R-3-1"), "same-person");
    plant.did(&reviewer(), release("R-3-1"));
    // Nor who counted the roll that it was part of.
    let mut plant = taken_back();
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    plant.challenged("ST-1");
    let (direction, purpose) = (Direction::Forward, CountPurpose::Incoming);
    let counted = RollCountOpened { attempt: 1, count: id("count/C-000001"), direction, purpose };
    plant.writes(&all_hats(Role::LabelRoom), "roll/R-3", counted.into());
    plant.refuses(&all_hats(Role::Reviewer), release("R-3-1"), "same-person");
}

#[test]
fn nothing_is_released_that_is_questioned_held_rejected_or_obsolete() {
    let counted = |seal_intact: bool| {
        let mut plant = handed_back();
        plant.did(&room(), take_back(Taken { seal_intact, ..R3 }));
        plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
        plant.challenged("ST-1");
        plant
    };
    // A broken seal, until its deviation is closed; and then only if it may go on.
    let decided = |decision: DeviationDecision| {
        let mut plant = counted(false);
        plant.refuses(&reviewer(), release("R-3-1"), "deviation-open");
        let body = DeviationDecided { decision, text: "looked at label by label".to_owned() };
        plant.writes(&system(), "deviation/DV-000001", body.into());
        plant.writes(&system(), "deviation/DV-000001", DeviationClosed {}.into());
        plant
    };
    decided(DeviationDecision::Reject).refuses(&reviewer(), release("R-3-1"), "deviation-rejects");
    decided(DeviationDecision::Accept).did(&reviewer(), release("R-3-1"));
    let mut plant = counted(true);
    plant.did(&reviewer(), Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() });
    plant.refuses(&reviewer(), release("R-3-1"), "roll-rejected");
    let mut plant = counted(true);
    let why = "the artwork changed".to_owned();
    let gone = Command::ObsoleteItem { item: id(CODED), rule: ObsoleteRule::Immediate, last_use: None, why };
    plant.did(&reviewer(), gone);
    plant.refuses(&reviewer(), release("R-3-1"), "roll-obsolete");
    let mut plant = counted(true);
    plant.did(
        &room(),
        Command::OpenDeviation { about: vec![id("roll/R-6")], severity: Severity::Major, text: "wet".to_owned() },
    );
    let mut held = plant.clone();
    held.writes(&system(), "roll/R-3-1", RollHeld { cause: id("deviation/DV-000001") }.into());
    held.refuses(&reviewer(), release("R-3-1"), "held");
    plant.writes(&system(), "delivery/D-1", DeliveryHeld { cause: id("deviation/DV-000001") }.into());
    plant.refuses(&reviewer(), release("R-3-1"), "held");
}

#[test]
fn what_held_the_roll_holds_its_rest_and_it_is_counted_all_the_same() {
    let mut plant = Plant::started();
    let wrong = Command::MountRoll {
        order: id(ORDER),
        material: 1,
        roll: id("R-1"),
        device: id(DISPENSER),
        code_read: Some(OTHER_CODE.to_owned()),
    };
    plant.did(&line(), wrong);
    plant.did(&line_colleague(), give_back(1, "R-1"));
    plant.did(&room(), take_back(Taken { roll: "R-1", tail: None, container: None, rest: Some("R-1-1"), ..R3 }));
    assert_eq!(plant.roll("R-1-1").holds.len(), 1);
    // Its order must be accounted for.
    plant.signed("ST-1", return_count("R-1-1"), &run_of(100, Some(CODE), &[]));
    plant.refuses(&reviewer(), release("R-1-1"), "held");
    plant.refuses(&room(), open_recount("ST-1", "R-1-1"), "held");
    // The wrong code was on this roll, whatever its tag says now.
    let body = DeviationDecided { decision: DeviationDecision::Accept, text: "one roll only".to_owned() };
    plant.writes(&system(), "deviation/DV-000001", body.into());
    plant.writes(&system(), "deviation/DV-000001", DeviationClosed {}.into());
    plant.refuses(&second_reviewer(), lift("roll/R-1-1", "DV-000001"), "wrong-code-roll");
    plant.did(&second_reviewer(), lift("roll/R-2", "DV-000001"));
}

#[test]
fn what_comes_back_of_an_obsolete_item_is_counted_and_stays_out_of_use() {
    let mut plant = Plant::finished();
    let why = "the artwork changed".to_owned();
    let gone = Command::ObsoleteItem { item: id(CODED), rule: ObsoleteRule::Immediate, last_use: None, why };
    let made = plant.did(&reviewer(), gone);
    assert!(made.contains(&"roll.obsoleted R-3".to_owned()), "called back: {made:?}");
    plant.did(&line(), give_back(1, "R-3"));
    tail(&mut plant, 5);
    plant.did(&room(), container("CN-1", tallyseal_schema::kinds::Contents::Coded));
    plant.refuses(&room(), crate::testing::set_up("ST-1", CODED), "item-obsolete");
    let made = plant.did(&room(), take_back(R3));
    assert!(made.contains(&"roll.obsoleted R-3-1".to_owned()), "{made:?}");
    plant.did(&room(), crate::testing::set_up("ST-1", CODED));
    plant.challenged("ST-1");
    plant.signed("ST-1", return_count("R-3-1"), &run_of(40, Some(CODE), &[]));
    plant.refuses(&reviewer(), release("R-3-1"), "roll-obsolete");
    plant.refuses(&room(), crate::testing::set_up("ST-1", CODED), "item-obsolete");
}

#[test]
fn a_wrong_code_in_what_came_back_holds_it_too() {
    let mut plant = taken_back();
    let count = plant.opened(&room(), return_count("R-3-1"));
    let made = plant.says("ST-1", &count, &[crate::testing::label(1, Some(OTHER_CODE))]);
    assert!(made.contains(&"roll.held R-3-1".to_owned()), "{made:?}");
    assert!(made.contains(&"roll.held R-1".to_owned()), "{made:?}");
}
