//! A deviation from its opening to its end, and the holds that it may lift.

use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::{
    DeliveryHeld, DeviationDecision, DeviationRule, InterimDecision, OrderHeld, Role, RollHeld, Severity,
};
use tallyseal_schema::{Body, By};

use crate::testing::{
    OTHER_CODE, Plant, abort, all_hats, id, label, lift, line, open_incoming, reviewer, room, second_reviewer,
    supervisor, system,
};
use crate::{Command, DeviationState, DeviationStatus, State};

const DEVIATION: &str = "DV-000001";
const ACCEPT: DeviationDecision = DeviationDecision::Accept;
const REJECT: DeviationDecision = DeviationDecision::Reject;

pub(super) fn assess(deviation: &str, severity: Severity) -> Command {
    let (impact, why) = ("none on the labels used".to_owned(), "looked at the web".to_owned());
    Command::AssessDeviation { deviation: id(deviation), severity, impact, why }
}

fn extend(about: &[&str]) -> Command {
    let about = about.iter().map(|about| id(about)).collect();
    Command::ExtendScope { deviation: id(DEVIATION), about, why: "of the same pallet".to_owned() }
}

fn interim() -> Command {
    let text = "every roll is looked at first".to_owned();
    Command::DecideInterim { deviation: id(DEVIATION), decision: InterimDecision::MayRunOn, text }
}

pub(super) fn investigate(deviation: &str) -> Command {
    Command::Investigate {
        deviation: id(deviation),
        cause: "a dull knife".to_owned(),
        others: "all rolls of the delivery".to_owned(),
        conclusion: "none of them was used".to_owned(),
        follow_up: "the knife is changed each week".to_owned(),
    }
}

fn put_off(plant: &Plant, days: i64) -> Command {
    let due = state(plant).due.plus_micros(days * 86_400_000_000);
    Command::ExtendDue { deviation: id(DEVIATION), due, why: "the supplier has not answered".to_owned() }
}

pub(super) fn decide(deviation: &str, decision: DeviationDecision) -> Command {
    Command::DecideDeviation { deviation: id(deviation), decision, text: "as investigated".to_owned() }
}

pub(super) fn close(deviation: &str) -> Command {
    Command::CloseDeviation { deviation: id(deviation) }
}

fn state(plant: &Plant) -> &DeviationState {
    match &plant.record(&format!("deviation/{DEVIATION}")).state {
        State::Deviation(state) => state,
        _ => panic!("no deviation"),
    }
}

fn open(plant: &mut Plant, severity: Severity) {
    let about: Vec<Stream> = vec![id("roll/R-1"), id("station/ST-1")];
    plant.did(&line(), Command::OpenDeviation { about, severity, text: "a torn edge".to_owned() });
}

/// Opened by the line.
fn opened() -> Plant {
    let mut plant = Plant::ready();
    open(&mut plant, Severity::Major);
    plant
}

fn assessed() -> Plant {
    let mut plant = opened();
    plant.did(&supervisor(), assess(DEVIATION, Severity::Major));
    plant
}

fn investigated() -> Plant {
    let mut plant = assessed();
    plant.did(&supervisor(), investigate(DEVIATION));
    plant
}

fn decided() -> Plant {
    let mut plant = investigated();
    plant.did(&reviewer(), decide(DEVIATION, ACCEPT));
    plant
}

fn closed() -> Plant {
    let mut plant = decided();
    plant.did(&reviewer(), close(DEVIATION));
    plant
}

/// Through to its end.
pub(super) fn closes(plant: &mut Plant, deviation: &str, decision: DeviationDecision) {
    plant.did(&supervisor(), assess(deviation, Severity::Critical));
    plant.did(&supervisor(), investigate(deviation));
    plant.did(&reviewer(), decide(deviation, decision));
    plant.did(&reviewer(), close(deviation));
}

#[test]
fn a_deviation_goes_from_step_to_step_and_each_is_an_entry() {
    let mut plant = opened();
    assert_eq!(state(&plant).status, DeviationStatus::Opened);
    plant.makes(&supervisor(), assess(DEVIATION, Severity::Minor), &["deviation.assessed DV-000001"]);
    assert_eq!((state(&plant).status, state(&plant).severity), (DeviationStatus::Assessed, Severity::Minor));
    assert_eq!(plant.last("deviation.assessed").header.why.as_deref(), Some("looked at the web"));
    plant.makes(&reviewer(), interim(), &["deviation.interim_decided DV-000001"]);
    assert_eq!(state(&plant).interim, Some(InterimDecision::MayRunOn));
    let investigated = ["deviation.investigated DV-000001", "\"deviation investigated\" DV-000001"];
    plant.makes(&supervisor(), investigate(DEVIATION), &investigated);
    let decided = ["deviation.decided DV-000001", "\"deviation approved\" DV-000001"];
    plant.makes(&reviewer(), decide(DEVIATION, ACCEPT), &decided);
    assert_eq!((state(&plant).status, state(&plant).decision), (DeviationStatus::Decided, Some(ACCEPT)));
    assert!(!state(&plant).accepted());
    plant.makes(&reviewer(), close(DEVIATION), &["deviation.closed DV-000001"]);
    assert!(state(&plant).accepted());
    let facts = &plant.record("deviation/DV-000001").facts;
    assert!(facts.signed("deviation investigated") && facts.signed("deviation approved"));
    // The approval covers what it is about.
    let Body::SignatureApplied(signed) = &plant.last("signature.applied").body else { panic!() };
    let covered: Vec<String> = signed.covers.keys().map(ToString::to_string).collect();
    assert_eq!(covered, ["deviation/DV-000001", "roll/R-1", "station/ST-1"]);
}

#[test]
fn each_step_waits_for_the_one_before_it() {
    type Step = (&'static str, By, fn(&Plant) -> Command);
    let steps: [Step; 7] = [
        ("assess", supervisor(), |_| assess(DEVIATION, Severity::Major)),
        ("extend scope", supervisor(), |_| extend(&["roll/R-2"])),
        ("interim", reviewer(), |_| interim()),
        ("investigate", supervisor(), |_| investigate(DEVIATION)),
        ("put off", reviewer(), |plant| put_off(plant, 1)),
        ("decide", reviewer(), |_| decide(DEVIATION, ACCEPT)),
        ("close", reviewer(), |_| close(DEVIATION)),
    ];
    for (plant, may) in [
        (opened(), vec!["assess", "extend scope", "interim", "put off"]),
        (assessed(), vec!["assess", "extend scope", "interim", "investigate", "put off"]),
        (investigated(), vec!["assess", "extend scope", "put off", "decide"]),
        (decided(), vec!["extend scope", "put off", "close"]),
        (closed(), vec![]),
    ] {
        for (step, by, command) in &steps {
            let mut plant = plant.clone();
            let command = command(&plant);
            if may.contains(step) {
                plant.did(by, command);
            } else {
                plant.refuses(by, command, "deviation-not-ready");
            }
        }
    }
}

#[test]
fn a_reviewer_who_had_a_part_in_it_does_not_decide() {
    let hats = |role| all_hats(role);
    // Opened it, assessed it, investigated it.
    let mut plant = Plant::ready();
    let about = vec![id("roll/R-1")];
    let text = "a torn edge".to_owned();
    plant.did(&hats(Role::Supervisor), Command::OpenDeviation { about, severity: Severity::Major, text });
    plant.did(&supervisor(), assess(DEVIATION, Severity::Major));
    plant.did(&supervisor(), investigate(DEVIATION));
    plant.refuses(&hats(Role::Reviewer), decide(DEVIATION, ACCEPT), "same-person");
    let mut plant = opened();
    plant.did(&hats(Role::Reviewer), assess(DEVIATION, Severity::Major));
    plant.did(&supervisor(), investigate(DEVIATION));
    plant.refuses(&hats(Role::Reviewer), decide(DEVIATION, ACCEPT), "same-person");
    let mut plant = assessed();
    plant.did(&hats(Role::Reviewer), investigate(DEVIATION));
    plant.refuses(&hats(Role::Reviewer), decide(DEVIATION, ACCEPT), "same-person");
    // Began a count of the roll that it is about.
    let mut plant = Plant::ready();
    let count = plant.opened(&hats(Role::LabelRoom), open_incoming("ST-1", "R-1"));
    plant.did(&room(), abort(&count));
    open(&mut plant, Severity::Major);
    plant.did(&supervisor(), assess(DEVIATION, Severity::Major));
    plant.did(&supervisor(), investigate(DEVIATION));
    plant.refuses(&hats(Role::Reviewer), decide(DEVIATION, ACCEPT), "same-person");
    plant.refuses(&supervisor(), decide(DEVIATION, ACCEPT), "wrong-role");
    plant.did(&second_reviewer(), decide(DEVIATION, ACCEPT));
}

#[test]
fn only_a_reviewer_finds_that_a_critical_one_is_less() {
    let mut plant = Plant::ready();
    open(&mut plant, Severity::Critical);
    for severity in [Severity::Minor, Severity::Major] {
        plant.refuses(&supervisor(), assess(DEVIATION, severity), "critical-lowered");
    }
    plant.did(&supervisor(), assess(DEVIATION, Severity::Critical));
    plant.did(&reviewer(), assess(DEVIATION, Severity::Major));
    // What is not critical any more the supervisor may judge again.
    plant.did(&supervisor(), assess(DEVIATION, Severity::Minor));
    plant.did(&supervisor(), assess(DEVIATION, Severity::Critical));
    let Command::AssessDeviation { deviation, severity, impact, .. } = assess(DEVIATION, Severity::Major) else {
        panic!()
    };
    plant.refuses(
        &reviewer(),
        Command::AssessDeviation { deviation, severity, impact, why: "ok".to_owned() },
        "no-reason",
    );
}

#[test]
fn what_is_touched_further_is_looked_at_again() {
    let mut plant = decided();
    plant.makes(
        &supervisor(),
        extend(&["roll/R-2", "roll/R-1", "roll/R-2"]),
        &["deviation.scope_extended DV-000001", "record.questioned R-2"],
    );
    let about: Vec<String> = state(&plant).about.iter().map(ToString::to_string).collect();
    assert_eq!(about, ["roll/R-1", "station/ST-1", "roll/R-2"]);
    assert_eq!((state(&plant).status, state(&plant).decision), (DeviationStatus::Assessed, None));
    assert!(!plant.record("deviation/DV-000001").facts.signed("deviation investigated"));
    plant.refuses(&reviewer(), close(DEVIATION), "deviation-not-ready");
    plant.refuses(&supervisor(), extend(&["roll/R-2"]), "about-nothing-new");
    plant.refuses(&supervisor(), extend(&[]), "about-nothing-new");
    plant.refuses(&supervisor(), extend(&["roll/R-99"]), "no-such-roll");
    plant.refuses(&supervisor(), extend(&["order/PO-99"]), "no-such-order");
    let many: Vec<Stream> = (0..201).map(|number| id(&format!("roll/X-{number}"))).collect();
    let (deviation, why): (Id, _) = (id(DEVIATION), "of the same pallet".to_owned());
    let command = Command::ExtendScope { deviation, about: many, why };
    plant.refuses(&supervisor(), command, "about-too-much");
    // One that was only opened is still to be assessed.
    let mut plant = opened();
    plant.did(&supervisor(), extend(&["roll/R-2"]));
    assert_eq!(state(&plant).status, DeviationStatus::Opened);
}

#[test]
fn a_day_is_put_off_to_a_later_one_within_ninety_days() {
    let mut plant = opened();
    let due = state(&plant).due;
    plant.refuses(&reviewer(), put_off(&plant, 0), "due-out-of-range");
    plant.refuses(&reviewer(), put_off(&plant, -1), "due-out-of-range");
    plant.refuses(&reviewer(), put_off(&plant, 91), "due-out-of-range");
    plant.makes(&reviewer(), put_off(&plant, 90), &["deviation.due_extended DV-000001"]);
    assert_eq!(state(&plant).due, due.plus_micros(90 * 86_400_000_000));
    plant.refuses(&supervisor(), put_off(&plant, 1), "wrong-role");
    // It voids nothing: a decision stands.
    let mut plant = decided();
    plant.did(&reviewer(), put_off(&plant, 1));
    plant.did(&reviewer(), close(DEVIATION));
}

#[test]
fn a_deviation_that_is_not_there_goes_nowhere() {
    let mut plant = Plant::ready();
    for (by, command) in [
        (supervisor(), assess(DEVIATION, Severity::Major)),
        (supervisor(), extend(&["roll/R-2"])),
        (reviewer(), interim()),
        (supervisor(), investigate(DEVIATION)),
        (reviewer(), decide(DEVIATION, ACCEPT)),
        (reviewer(), close(DEVIATION)),
    ] {
        plant.refuses(&by, command, "no-such-deviation");
    }
}

#[test]
fn every_text_of_a_step_must_say_something() {
    let mut plant = assessed();
    let all = ["cause", "others", "conclusion", "follow_up"];
    for empty in all {
        let text = |field: &str| if field == empty { " ".to_owned() } else { "said".to_owned() };
        let command = Command::Investigate {
            deviation: id(DEVIATION),
            cause: text("cause"),
            others: text("others"),
            conclusion: text("conclusion"),
            follow_up: text("follow_up"),
        };
        plant.refuses(&supervisor(), command, "empty");
    }
    let (deviation, decision) = (id(DEVIATION), InterimDecision::Stop);
    plant.refuses(&reviewer(), Command::DecideInterim { deviation, decision, text: " ".to_owned() }, "empty");
    let mut plant = investigated();
    let deviation = id(DEVIATION);
    plant.refuses(&reviewer(), Command::DecideDeviation { deviation, decision: ACCEPT, text: " ".to_owned() }, "empty");
}

/// A wrong code on `R-2`: the whole delivery `D-1` is held.
fn wrong_code() -> Plant {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-2"));
    plant.says("ST-1", &count, &[label(1, Some(OTHER_CODE))]);
    plant.did(&room(), abort(&count));
    plant
}

#[test]
fn a_wrong_codes_holds_are_lifted_when_it_is_closed_and_never_from_the_roll_itself() {
    let mut plant = wrong_code();
    assert_eq!(state(&plant).rule, DeviationRule::WrongCode);
    plant.did(&supervisor(), assess(DEVIATION, Severity::Critical));
    plant.did(&supervisor(), investigate(DEVIATION));
    plant.did(&reviewer(), decide(DEVIATION, ACCEPT));
    let lifted =
        |plant: &mut Plant, record: &str, code| plant.refuses(&second_reviewer(), lift(record, DEVIATION), code);
    for record in ["roll/R-1", "roll/R-2", "delivery/D-1"] {
        lifted(&mut plant, record, "wrong-code-holds");
    }
    plant.did(&reviewer(), close(DEVIATION));
    lifted(&mut plant, "roll/R-2", "wrong-code-roll");
    for (record, made) in [
        ("roll/R-1", ["roll.hold_lifted R-1", "\"hold lifted\" DV-000001"]),
        ("delivery/D-1", ["delivery.hold_lifted D-1", "\"hold lifted\" DV-000001"]),
    ] {
        plant.makes(&second_reviewer(), lift(record, DEVIATION), &made);
    }
    assert!(plant.roll("R-1").holds.is_empty() && !plant.roll("R-2").holds.is_empty());
    lifted(&mut plant, "roll/R-2", "wrong-code-roll");
}

#[test]
fn what_quality_rejected_stays_on_hold() {
    let mut plant = wrong_code();
    closes(&mut plant, DEVIATION, REJECT);
    for record in ["roll/R-1", "roll/R-2", "delivery/D-1"] {
        plant.refuses(&second_reviewer(), lift(record, DEVIATION), "deviation-rejects");
    }
    // Also where the rule is another and it would have been lifted before.
    let mut plant = opened();
    plant.writes(&system(), "roll/R-1", RollHeld { cause: id("deviation/DV-000001") }.into());
    closes(&mut plant, DEVIATION, REJECT);
    plant.refuses(&second_reviewer(), lift("roll/R-1", DEVIATION), "deviation-rejects");
}

#[test]
fn an_orders_hold_is_lifted_like_any_other() {
    let mut plant = Plant::planned();
    open(&mut plant, Severity::Critical);
    let held = OrderHeld { cause: id("deviation/DV-000001") };
    plant.refuses(&second_reviewer(), lift("order/PO-1", DEVIATION), "not-held");
    plant.writes(&system(), "order/PO-1", held.into());
    assert_eq!(plant.order("PO-1").holds.len(), 1);
    plant.makes(
        &second_reviewer(),
        lift("order/PO-1", DEVIATION),
        &["order.hold_lifted PO-1", "\"hold lifted\" DV-000001"],
    );
    assert!(plant.order("PO-1").holds.is_empty());
    plant.refuses(&second_reviewer(), lift("order/PO-99", DEVIATION), "no-such-order");
    plant.refuses(&second_reviewer(), lift("line/LN-1", DEVIATION), "nothing-to-hold");
    // A delivery held by a deviation that somebody opened: lifted before it is closed, as before.
    let held = DeliveryHeld { cause: id("deviation/DV-000001") };
    plant.writes(&system(), "delivery/D-1", held.into());
    plant.did(&second_reviewer(), lift("delivery/D-1", DEVIATION));
}
