use tallyseal_schema::kinds::{FaultKind, Form, ItemDrafted, ObsoleteRule, Role};
use tallyseal_schema::{By, Time};

use crate::testing::{
    CODED, PLAIN, Plant, all_hats, id, item_draft, open_incoming, receive, reviewer, room, second_reviewer, set_up,
    specimen, supervisor,
};
use crate::{Command, ItemState, ItemStatus, Quality, State};

fn draft(item: &str, draft: ItemDrafted) -> Command {
    Command::DraftItem { item: id(item), draft: Box::new(draft) }
}

fn approve(item: &str) -> Command {
    Command::ApproveItem { item: id(item), specimen: specimen() }
}

fn approve_supplier(supplier: &str, item: &str) -> Command {
    Command::ApproveSupplier { supplier: id(supplier), item: id(item) }
}

fn obsolete(item: &str, rule: ObsoleteRule, last_use: Option<Time>) -> Command {
    Command::ObsoleteItem { item: id(item), rule, last_use, why: "the artwork changed".to_owned() }
}

fn at_once(item: &str) -> Command {
    obsolete(item, ObsoleteRule::Immediate, None)
}

fn state<'p>(plant: &'p Plant, item: &str) -> &'p ItemState {
    match &plant.record(&format!("item/{item}")).state {
        State::Item(state) => state,
        _ => panic!("no item"),
    }
}

#[test]
fn a_supplier_is_registered_once_and_approved_for_each_item_by_quality() {
    let mut plant = Plant::furnished();
    let register = |supplier: &str| Command::RegisterSupplier {
        supplier: id(supplier),
        name: "Printer".to_owned(),
        site: "Hall 1".to_owned(),
    };
    plant.makes(&supervisor(), register("SU-2"), &["supplier.registered SU-2"]);
    plant.refuses(&supervisor(), register("SU-2"), "id-in-use");
    plant.makes(
        &reviewer(),
        approve_supplier("SU-2", CODED),
        &["supplier.approved SU-2", "\"supplier approved\" SU-2"],
    );
    plant.refuses(&reviewer(), approve_supplier("SU-2", CODED), "already-approved");
    plant.did(&reviewer(), approve_supplier("SU-2", PLAIN));
    plant.refuses(&reviewer(), approve_supplier("SU-3", CODED), "no-such-supplier");
    plant.refuses(&reviewer(), approve_supplier("SU-2", "L-999-A"), "no-such-item");
}

#[test]
fn whoever_registered_a_supplier_does_not_approve_it() {
    let mut plant = Plant::furnished();
    let register =
        Command::RegisterSupplier { supplier: id("SU-2"), name: "Printer".to_owned(), site: "Hall 1".to_owned() };
    plant.did(&all_hats(Role::Supervisor), register);
    plant.refuses(&all_hats(Role::Reviewer), approve_supplier("SU-2", CODED), "same-person");
    plant.did(&reviewer(), approve_supplier("SU-2", CODED));
}

#[test]
fn a_supplier_is_not_approved_for_an_item_that_goes() {
    let mut plant = Plant::furnished();
    let register =
        Command::RegisterSupplier { supplier: id("SU-2"), name: "Printer".to_owned(), site: "Hall 1".to_owned() };
    plant.did(&supervisor(), register);
    plant.did(&supervisor(), draft("L-100-B", item_draft("L-100", "B")));
    // Before the item is approved it may be: nothing is received of it until then.
    plant.did(&reviewer(), approve_supplier("SU-2", "L-100-B"));
    let last_use = plant.minutes_later(60);
    plant.did(&reviewer(), obsolete(CODED, ObsoleteRule::RunOut, Some(last_use)));
    plant.refuses(&reviewer(), approve_supplier("SU-2", CODED), "item-obsolete");
    plant.did(&reviewer(), at_once(PLAIN));
    plant.refuses(&reviewer(), approve_supplier("SU-2", PLAIN), "item-obsolete");
}

#[test]
fn an_item_is_drafted_by_one_person_and_approved_by_another_of_quality() {
    let mut plant = Plant::furnished();
    plant.makes(&all_hats(Role::Supervisor), draft("L-300-A", item_draft("L-300", "A")), &["item.drafted L-300-A"]);
    plant.refuses(&all_hats(Role::Reviewer), approve("L-300-A"), "same-person");
    plant.refuses(&supervisor(), approve("L-300-A"), "wrong-role");
    plant.makes(&reviewer(), approve("L-300-A"), &["item.approved L-300-A", "\"item approved\" L-300-A"]);
    plant.refuses(&second_reviewer(), approve("L-300-A"), "item-not-a-draft");
    plant.refuses(&supervisor(), draft("L-300-A", item_draft("L-300", "B")), "id-in-use");
}

#[test]
fn one_revision_of_one_label_is_one_item() {
    let mut plant = Plant::furnished();
    plant.refuses(&supervisor(), draft("L-100-X", item_draft("L-100", "A")), "revision-known");
    plant.refuses(&supervisor(), draft("L-100-X", item_draft(" L-100", "A ")), "revision-known");
    plant.did(&supervisor(), draft("L-100-B", item_draft("L-100", "B")));
    // The two texts are kept apart: neither of these is the other.
    plant.did(&supervisor(), draft("L-1", item_draft("L \" \" 1", "2")));
    plant.did(&supervisor(), draft("L-2", item_draft("L", "1\" \"2")));
}

#[test]
fn each_measure_of_an_item_lies_in_its_range() {
    type Change = fn(&mut ItemDrafted, u32);
    let plant = Plant::furnished();
    // (what, smallest, largest)
    let ranges: [(Change, u32, u32); 7] = [
        (|draft, value| draft.pitch_um = value, 1_000, 1_000_000),
        (|draft, value| draft.width_um = value, 1_000, 1_000_000),
        (|draft, value| draft.web_thickness_um = value, 20, 2_000),
        (|draft, value| draft.lanes = u8::try_from(value).unwrap(), 1, 16),
        (|draft, value| draft.use_by_days = Some(value), 1, 36_525),
        (|draft, value| draft.faults_max = value, 0, 1_000),
        (|draft, value| draft.splices_max = value, 0, 100),
    ];
    for (change, from, to) in ranges {
        let with = |value: u32| {
            let mut changed = item_draft("L-300", "A");
            change(&mut changed, value);
            draft("L-300-A", changed)
        };
        plant.clone().did(&supervisor(), with(from));
        plant.clone().did(&supervisor(), with(to));
        plant.clone().refuses(&supervisor(), with(to + 1), "out-of-range");
        if let Some(below) = from.checked_sub(1) {
            plant.clone().refuses(&supervisor(), with(below), "out-of-range");
        }
    }
}

#[test]
fn an_item_says_everything_that_it_is_known_by() {
    let plant = Plant::furnished();
    let without: [fn(&mut ItemDrafted); 7] = [
        |draft| draft.code.clear(),
        |draft| draft.revision.clear(),
        |draft| draft.product.clear(),
        |draft| draft.market.clear(),
        |draft| draft.language.clear(),
        |draft| draft.strength = Some(String::new()),
        |draft| draft.allergens = vec!["milk".to_owned(), " ".to_owned()],
    ];
    for change in without {
        let mut changed = item_draft("L-300", "A");
        change(&mut changed);
        plant.clone().refuses(&supervisor(), draft("L-300-A", changed), "empty");
    }
    let allergens =
        |number: usize| ItemDrafted { allergens: vec!["milk".to_owned(); number], ..item_draft("L-300", "A") };
    plant.clone().did(&supervisor(), draft("L-300-A", allergens(50)));
    plant.clone().refuses(&supervisor(), draft("L-300-A", allergens(51)), "out-of-range");
}

#[test]
fn an_item_relies_only_on_what_a_challenge_can_show() {
    let mut plant = Plant::furnished();
    let without_code = ItemDrafted { expected_code: None, ..item_draft("L-300", "A") };
    plant.refuses(&supervisor(), draft("L-300-A", without_code.clone()), "no-code-to-rely-on");
    let without_both = ItemDrafted { relies_on: [FaultKind::Splice].into(), ..without_code };
    plant.did(&supervisor(), draft("L-300-A", without_both));
    let torn = ItemDrafted { relies_on: [FaultKind::WebBreak].into(), ..item_draft("L-300", "B") };
    plant.refuses(&supervisor(), draft("L-300-B", torn), "web-break-to-rely-on");
}

#[test]
fn cut_labels_may_be_drafted_and_are_not_received_as_rolls() {
    let mut plant = Plant::furnished();
    plant.did(&supervisor(), draft("L-300-A", ItemDrafted { form: Form::Cut, ..item_draft("L-300", "A") }));
    plant.did(&reviewer(), approve("L-300-A"));
    plant.did(&reviewer(), approve_supplier("SU-1", "L-300-A"));
    plant.refuses(&room(), receive("D-9", "L-300-A", &[("R-91", 100)]), "cut-labels");
}

#[test]
fn an_item_taken_out_at_once_takes_every_roll_of_it_with_it_whatever_its_place() {
    let mut plant = Plant::ready();
    plant.did(&room(), receive("D-3", CODED, &[("R-6", 100)]));
    plant.did(&reviewer(), Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() });
    plant.makes(
        &reviewer(),
        at_once(CODED),
        &["item.obsoleted L-100-A", "\"obsoleted\" L-100-A", "roll.obsoleted R-6"],
    );
    // What was rejected stays rejected, and another item is not touched.
    assert_eq!(plant.roll("R-1").quality, Quality::Rejected);
    assert_eq!(plant.roll("R-4").quality, Quality::Released);
    plant.refuses(&room(), open_incoming("ST-1", "R-6"), "roll-obsolete");
    plant.refuses(&reviewer(), at_once(CODED), "item-obsolete");
}

#[test]
fn more_rolls_than_one_act_takes_out_go_when_it_is_repeated() {
    let mut plant = Plant::furnished();
    for delivery in 0..3 {
        let rolls: Vec<String> = (0..400).map(|roll| format!("R-{delivery}-{roll}")).collect();
        let rolls: Vec<(&str, u32)> = rolls.iter().map(|roll| (roll.as_str(), 100)).collect();
        plant.did(&room(), receive(&format!("D-{delivery}"), CODED, &rolls));
    }
    // The item's own entry, its signature and a thousand rolls; then the rest, signed as well.
    assert_eq!(plant.did(&reviewer(), at_once(CODED)).len(), 1_002);
    assert_eq!(state(&plant, CODED).status, ItemStatus::Obsolete);
    assert_eq!(plant.did(&reviewer(), at_once(CODED)).len(), 201);
    plant.refuses(&reviewer(), at_once(CODED), "item-obsolete");
}

#[test]
fn a_revision_that_runs_out_is_used_to_its_last_moment_and_no_longer() {
    let mut plant = Plant::ready();
    let last_use = plant.minutes_later(30);
    plant.makes(
        &reviewer(),
        obsolete(CODED, ObsoleteRule::RunOut, Some(last_use)),
        &["item.obsoleted L-100-A", "\"obsoleted\" L-100-A"],
    );
    plant.refuses(&room(), receive("D-3", CODED, &[("R-6", 100)]), "item-obsolete");
    assert_eq!(plant.roll("R-1").quality, Quality::Released);
    plant.wait_until(last_use);
    plant.clone().did(&room(), open_incoming("ST-1", "R-1"));
    plant.wait_until(last_use.plus_micros(1));
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "item-obsolete");
    plant.refuses(&room(), set_up("ST-1", CODED), "item-obsolete");
}

#[test]
fn a_last_use_lies_ahead_and_only_stock_that_runs_out_has_one() {
    let mut plant = Plant::ready();
    let now = plant.now();
    plant.refuses(&reviewer(), obsolete(CODED, ObsoleteRule::RunOut, None), "no-last-use");
    plant.refuses(&reviewer(), obsolete(CODED, ObsoleteRule::RunOut, Some(now)), "no-last-use");
    plant.refuses(&reviewer(), obsolete(CODED, ObsoleteRule::Immediate, Some(plant.minutes_later(1))), "no-last-use");
    plant.did(&reviewer(), obsolete(CODED, ObsoleteRule::RunOut, Some(now.plus_micros(1))));
    plant.refuses(&reviewer(), obsolete(CODED, ObsoleteRule::RunOut, Some(plant.minutes_later(9))), "item-runs-out");
    // What runs out may still be taken out at once.
    plant.did(&reviewer(), at_once(CODED));
}

#[test]
fn a_draft_is_not_in_use() {
    let mut plant = Plant::furnished();
    plant.did(&supervisor(), draft("L-300-A", item_draft("L-300", "A")));
    plant.refuses(&room(), receive("D-9", "L-300-A", &[("R-91", 100)]), "item-not-approved");
    plant.refuses(&room(), set_up("ST-1", "L-300-A"), "item-not-approved");
    plant.refuses(&reviewer(), at_once("L-300-A"), "item-not-approved");
}

#[test]
fn taking_an_item_out_takes_a_reason() {
    let mut plant = Plant::ready();
    let by: By = reviewer();
    let command =
        Command::ObsoleteItem { item: id(CODED), rule: ObsoleteRule::Immediate, last_use: None, why: "x".to_owned() };
    plant.refuses(&by, command, "no-reason");
    plant.did(&by, at_once(CODED));
    for kind in ["item.obsoleted", "roll.obsoleted"] {
        assert_eq!(plant.last(kind).header.why.as_deref(), Some("the artwork changed"), "{kind}");
    }
}
