use tallyseal_schema::kinds::{Contents, HandCounted, OrderHeld, OverrideKind, Role, Severity, Source, Term};
use tallyseal_schema::{Body, Time};

use crate::testing::{
    CODE, Plant, all_hats, auditor, colleague, id, labels, line, open, open_recount, record_check, reviewer, room,
    run_of, second_reviewer, supervisor, system,
};
use crate::testing_orders::{DISPENSER, LOT, ORDER, UNIT_COUNTER, VERIFIER};
use crate::{Command, ContainerState, ContainerStatus, State};

const DAY: i64 = 86_400 * 1_000_000;

fn open_container(container: &str, material: u16, contents: Contents) -> Command {
    let place = "cage for destruction".to_owned();
    Command::OpenContainer { container: id(container), order: id(ORDER), material, contents, place }
}

fn fill(container: &str, hand_count: &str) -> Command {
    Command::FillContainer { container: id(container), hand_count: id(hand_count) }
}

fn seal(container: &str) -> Command {
    Command::SealContainer { container: id(container), seal: "S-77".to_owned() }
}

fn declare(container: &str, number: u32, late: Option<&str>) -> Command {
    Command::DeclareDestruction {
        container: id(container),
        labels: labels(number),
        method: "shredded and burnt".to_owned(),
        place: "hall 9".to_owned(),
        late: late.map(id),
    }
}

fn witness(container: &str) -> Command {
    Command::WitnessDestruction { container: id(container) }
}

fn consent(container: &str) -> Command {
    Command::ConsentDestruction { container: id(container), why: "the loss is explained".to_owned() }
}

fn agreed(plant: &mut Plant, material: u16, what: HandCounted, number: u32) -> String {
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(material), what });
    let hand_count = plant.last("hand_count.opened").header.stream.id();
    for by in [room(), colleague()] {
        plant.did(&by, Command::EnterHandCount { hand_count: hand_count.clone(), labels: labels(number) });
    }
    hand_count.to_string()
}

fn state<'p>(plant: &'p Plant, container: &str) -> &'p ContainerState {
    match &plant.record(&format!("container/{container}")).state {
        State::Container(state) => state,
        _ => panic!("no container"),
    }
}

fn quantity(material: u16, term: Term, device: &str, start: u32, end: u32) -> Command {
    let source = Source::Device { device: id(device), end, start, wraps: 0 };
    Command::RecordQuantity { order: id(ORDER), material, term, source, purpose: None, overdue: None }
}

/// Everything is given back and counted, with 10 coded labels in CN-1; of 300 labels `good` are on good units.
fn accounted(good: u32) -> Plant {
    let mut plant = Plant::finished();
    for (material, roll) in [(1, "R-3"), (2, "R-4")] {
        let seal = format!("S-{roll}");
        plant.did(&line(), Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal });
    }
    let tail = agreed(&mut plant, 1, HandCounted::CodedTail, 10);
    plant.did(&room(), open_container("CN-1", 1, Contents::Coded));
    for (material, roll, tail, container) in [(1, "R-3", Some(id(&tail)), Some(id("CN-1"))), (2, "R-4", None, None)] {
        let command = Command::TakeBack {
            order: id(ORDER),
            material,
            roll: id(roll),
            seal_intact: true,
            tail,
            container,
            rest: Some(id(&format!("{roll}-1"))),
            place: "cage".to_owned(),
        };
        plant.did(&room(), command);
    }
    let count = |roll: &str, station: &str| {
        let roll = format!("roll/{roll}");
        let (purpose, way) =
            (tallyseal_schema::kinds::CountPurpose::Return, tallyseal_schema::kinds::Direction::Forward);
        open(station, &roll, purpose, way)
    };
    plant.signed("ST-1", count("R-3-1", "ST-1"), &run_of(50, Some(CODE), &[]));
    for _ in 0..2 {
        plant.signed("ST-2", count("R-4-1", "ST-2"), &run_of(90, None, &[]));
    }
    plant.did(&line(), quantity(1, Term::Good, DISPENSER, 0, good));
    plant.did(&line(), quantity(2, Term::Good, VERIFIER, 0, 10));
    let source = Source::Device { device: id(UNIT_COUNTER), end: 240, start: 0, wraps: 0 };
    plant.did(&line(), Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None });
    plant
}

fn reconcile(plant: &mut Plant) -> String {
    plant.did(&room(), Command::Reconcile { order: id(ORDER), material: 1 });
    plant.last("reconciliation.computed").header.stream.id().to_string()
}

fn check(reconciliation: &str) -> Command {
    Command::CheckReconciliation { reconciliation: id(reconciliation) }
}

/// Sealed, and the account of its material line checked.
fn ready(good: u32) -> Plant {
    let mut plant = accounted(good);
    plant.did(&room(), seal("CN-1"));
    let account = reconcile(&mut plant);
    plant.did(&supervisor(), check(&account));
    plant
}

fn sealed_at(plant: &Plant) -> Time {
    state(plant, "CN-1").sealed.as_ref().unwrap().1
}

#[test]
fn a_container_is_opened_for_one_content_of_one_material_line() {
    let mut plant = Plant::finished();
    plant.makes(
        &room(),
        open_container("CN-1", 1, Contents::Spoiled),
        &["container.opened CN-1", "order.part_begun PO-1"],
    );
    plant.refuses(&room(), open_container("CN-1", 1, Contents::Coded), "id-in-use");
    plant.refuses(&room(), open_container("CN-2", 2, Contents::Coded), "nothing-coded");
    plant.refuses(&room(), open_container("CN-2", 3, Contents::Coded), "no-such-material");
    plant.refuses(&line(), open_container("CN-2", 1, Contents::Coded), "wrong-role");
    let nowhere = Command::OpenContainer {
        container: id("CN-2"),
        order: id(ORDER),
        material: 1,
        contents: Contents::Coded,
        place: String::new(),
    };
    plant.refuses(&room(), nowhere, "empty");
    let mut plant = Plant::planned();
    plant.refuses(&room(), open_container("CN-1", 1, Contents::Spoiled), "order-not-started");
}

#[test]
fn what_two_people_counted_goes_in_once() {
    let mut plant = Plant::finished();
    for (container, contents) in [
        ("CN-1", Contents::Spoiled),
        ("CN-2", Contents::Rejected),
        ("CN-3", Contents::Uncoded),
        ("CN-4", Contents::Coded),
    ] {
        plant.did(&room(), open_container(container, 1, contents));
    }
    let spoiled = agreed(&mut plant, 1, HandCounted::Spoiled, 7);
    plant.makes(&room(), fill("CN-1", &spoiled), &["container.filled CN-1"]);
    plant.refuses(&room(), fill("CN-1", &spoiled), "hand-count-used");
    plant.refuses(&room(), fill("CN-2", &spoiled), "hand-count-of-another");
    let loose = agreed(&mut plant, 1, HandCounted::Container, 3);
    plant.did(&room(), fill("CN-1", &loose));
    // Nor into another container.
    plant.refuses(&room(), fill("CN-2", &loose), "hand-count-used");
    plant.refuses(&room(), fill("CN-3", &loose), "hand-count-used");
    assert_eq!(state(&plant, "CN-1").labels, labels(10));
    // Into coded labels go coded tails only.
    plant.refuses(&room(), fill("CN-4", &loose), "hand-count-of-another");
    let tail = agreed(&mut plant, 1, HandCounted::CodedTail, 4);
    plant.refuses(&room(), fill("CN-3", &tail), "hand-count-of-another");
    plant.did(&room(), fill("CN-4", &tail));
    let other_material = agreed(&mut plant, 2, HandCounted::Spoiled, 7);
    plant.refuses(&room(), fill("CN-1", &other_material), "hand-count-of-another");
    plant.refuses(&room(), fill("CN-9", &spoiled), "no-such-container");
    plant.refuses(&room(), fill("CN-1", "HC-000099"), "no-such-hand-count");
    plant.did(&room(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Spoiled });
    let uncounted = plant.last("hand_count.opened").header.stream.id().to_string();
    plant.refuses(&room(), fill("CN-1", &uncounted), "hand-count-not-agreed");
    plant.refuses(&line(), fill("CN-1", &uncounted), "wrong-role");
    // The same labels are a quantity of the order, too: that is another account of them.
    let source = Source::HandCount { hand_count: id(&format!("hand_count/{spoiled}")) };
    let purpose = Some("splices cut out".to_owned());
    let recorded =
        Command::RecordQuantity { order: id(ORDER), material: 1, term: Term::Spoiled, source, purpose, overdue: None };
    plant.did(&line(), recorded);
}

#[test]
fn a_sealed_container_stays_as_it_is() {
    let mut plant = Plant::finished();
    plant.did(&room(), open_container("CN-1", 1, Contents::Spoiled));
    let first = agreed(&mut plant, 1, HandCounted::Spoiled, 7);
    plant.did(&room(), fill("CN-1", &first));
    plant.refuses(&line(), seal("CN-1"), "wrong-role");
    let no_seal = Command::SealContainer { container: id("CN-1"), seal: String::new() };
    plant.refuses(&room(), no_seal, "empty");
    plant.refuses(&room(), declare("CN-1", 7, None), "container-open");
    plant.refuses(&line(), witness("CN-1"), "container-open");
    plant.refuses(&reviewer(), consent("CN-1"), "container-open");
    plant.makes(&room(), seal("CN-1"), &["container.sealed CN-1", "\"container sealed\" CN-1"]);
    let Body::ContainerSealed(sealed) = &plant.last("container.sealed").body else { unreachable!() };
    assert_eq!(sealed.labels, labels(7));
    let second = agreed(&mut plant, 1, HandCounted::Spoiled, 2);
    plant.refuses(&room(), fill("CN-1", &second), "container-sealed");
    plant.refuses(&room(), seal("CN-1"), "container-sealed");
    plant.refuses(&line(), witness("CN-1"), "container-sealed");
    // Opened by mistake: sealed with nothing in it.
    plant.did(&room(), open_container("CN-2", 1, Contents::Spoiled));
    plant.did(&room(), seal("CN-2"));
}

#[test]
fn destruction_comes_after_the_account_and_before_a_witness() {
    let mut plant = accounted(240);
    plant.did(&room(), seal("CN-1"));
    plant.refuses(&room(), declare("CN-1", 10, None), "not-reconciled");
    plant.refuses(&reviewer(), consent("CN-1"), "not-reconciled");
    let account = reconcile(&mut plant);
    plant.refuses(&room(), declare("CN-1", 10, None), "account-not-checked");
    plant.did(&supervisor(), check(&account));
    plant.refuses(&reviewer(), consent("CN-1"), "no-consent-needed");
    plant.refuses(&line(), declare("CN-1", 10, None), "wrong-role");
    plant.refuses(&line(), witness("CN-1"), "container-sealed");
    plant.makes(&room(), declare("CN-1", 10, None), &["container.destruction_declared CN-1", "\"destroyed\" CN-1"]);
    plant.refuses(&room(), declare("CN-1", 10, None), "destruction-declared");
    plant.refuses(&room(), witness("CN-1"), "wrong-role");
    plant.refuses(&auditor(), witness("CN-1"), "wrong-role");
    plant.makes(&line(), witness("CN-1"), &["container.destroyed CN-1", "\"destruction witnessed\" CN-1"]);
    assert_eq!(state(&plant, "CN-1").status, ContainerStatus::Destroyed);
    plant.refuses(&line(), witness("CN-1"), "container-destroyed");
    plant.refuses(&room(), declare("CN-1", 10, None), "container-destroyed");
}

#[test]
fn whoever_destroyed_does_not_witness() {
    let mut plant = ready(240);
    plant.did(&all_hats(Role::LabelRoom), declare("CN-1", 10, None));
    for role in [Role::Supervisor, Role::Reviewer] {
        plant.refuses(&all_hats(role), witness("CN-1"), "same-person");
    }
    plant.did(&supervisor(), witness("CN-1"));
}

#[test]
fn a_declaration_without_its_witness_lapses_and_is_made_again() {
    let mut plant = ready(240);
    plant.did(&room(), declare("CN-1", 10, None));
    let at = plant.last("container.destruction_declared").header.at;
    let half_an_hour = 30 * 60 * 1_000_000;
    let mut in_time = plant.clone();
    in_time.wait_until(at.plus_micros(half_an_hour));
    in_time.refuses(&room(), declare("CN-1", 10, None), "destruction-declared");
    let mut in_time = plant.clone();
    in_time.wait_until(at.plus_micros(half_an_hour));
    in_time.did(&line(), witness("CN-1"));
    plant.wait_until(at.plus_micros(half_an_hour + 1));
    plant.refuses(&line(), witness("CN-1"), "declaration-lapsed");
    plant.did(&colleague(), declare("CN-1", 10, None));
    plant.did(&line(), witness("CN-1"));
}

#[test]
fn a_number_that_is_not_the_sealed_one_is_kept_and_is_a_deviation() {
    let mut plant = ready(240);
    let made = plant.did(&room(), declare("CN-1", 9, None));
    assert_eq!(
        made,
        [
            "container.destruction_declared CN-1",
            "deviation.opened DV-000001",
            "record.questioned CN-1",
            "record.questioned PO-1",
            "record.questioned RC-000001",
            "\"destroyed\" CN-1"
        ]
    );
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.severity, Severity::Critical);
    // Declared again, it is not told twice; another number is.
    let at = plant.last("container.destruction_declared").header.at;
    plant.wait_until(at.plus_micros(31 * 60 * 1_000_000));
    let mut other = plant.clone();
    assert_eq!(plant.did(&room(), declare("CN-1", 9, None)).len(), 2);
    assert!(other.did(&room(), declare("CN-1", 11, None)).contains(&"deviation.opened DV-000002".to_owned()));
    // Of labels that are not coded it is less grave.
    let mut plant = accounted(240);
    plant.did(&room(), open_container("CN-2", 1, Contents::Spoiled));
    for container in ["CN-1", "CN-2"] {
        plant.did(&room(), seal(container));
    }
    let account = reconcile(&mut plant);
    plant.did(&supervisor(), check(&account));
    plant.did(&room(), declare("CN-2", 1, None));
    let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { unreachable!() };
    assert_eq!(opened.severity, Severity::Major);
}

#[test]
fn outside_its_limits_only_with_qualitys_consent_to_just_this_account() {
    // 9 short.
    let mut plant = ready(231);
    plant.refuses(&room(), declare("CN-1", 10, None), "consent-needed");
    plant.refuses(&supervisor(), consent("CN-1"), "wrong-role");
    let no_reason = Command::ConsentDestruction { container: id("CN-1"), why: "-".to_owned() };
    plant.refuses(&reviewer(), no_reason, "no-reason");
    plant.makes(
        &reviewer(),
        consent("CN-1"),
        &["container.destruction_consented CN-1", "\"destruction consented\" CN-1"],
    );
    plant.refuses(&second_reviewer(), consent("CN-1"), "no-consent-needed");
    // The consent is to the account that was there.
    let mut again = plant.clone();
    again.did(&line(), quantity(1, Term::Rejected, VERIFIER, 10, 12));
    again.refuses(&room(), declare("CN-1", 10, None), "not-reconciled");
    let account = reconcile(&mut again);
    again.did(&supervisor(), check(&account));
    again.refuses(&room(), declare("CN-1", 10, None), "consent-needed");
    again.did(&second_reviewer(), consent("CN-1"));
    again.did(&room(), declare("CN-1", 10, None));
    again.refuses(&reviewer(), consent("CN-1"), "destruction-declared");
    // Also where a declaration has lapsed in between.
    let at = again.last("container.destruction_declared").header.at;
    again.wait_until(at.plus_micros(31 * 60 * 1_000_000));
    again.did(&line(), quantity(1, Term::Rejected, VERIFIER, 12, 13));
    let account = reconcile(&mut again);
    again.did(&supervisor(), check(&account));
    again.refuses(&room(), declare("CN-1", 10, None), "consent-needed");
    again.did(&reviewer(), consent("CN-1"));
    again.did(&room(), declare("CN-1", 10, None));
    plant.did(&room(), declare("CN-1", 10, None));
}

#[test]
fn whoever_sealed_does_not_consent() {
    let mut plant = accounted(231);
    plant.did(&all_hats(Role::LabelRoom), seal("CN-1"));
    let account = reconcile(&mut plant);
    plant.did(&supervisor(), check(&account));
    plant.refuses(&all_hats(Role::Reviewer), consent("CN-1"), "same-person");
    plant.did(&reviewer(), consent("CN-1"));
}

#[test]
fn after_its_day_a_container_takes_an_override_once() {
    let plant = ready(240);
    let due = sealed_at(&plant).plus_micros(30 * DAY);
    let mut in_time = plant.clone();
    in_time.wait_until(due);
    in_time.did(&room(), declare("CN-1", 10, None));
    let kind = OverrideKind::LateDestruction;
    let mut early = plant.clone();
    let over = early.granted(&room(), &reviewer(), kind, ORDER, "container/CN-1");
    early.refuses(&room(), declare("CN-1", 10, Some(over.as_str())), "override-not-needed");
    let mut late = plant;
    late.wait_until(due.plus_micros(1));
    late.refuses(&room(), declare("CN-1", 10, None), "destruction-late");
    late.did(&room(), open_container("CN-2", 1, Contents::Spoiled));
    let other = late.granted(&room(), &reviewer(), kind, ORDER, "container/CN-2");
    late.refuses(&room(), declare("CN-1", 10, Some(other.as_str())), "override-for-another");
    let over = late.granted(&room(), &reviewer(), kind, ORDER, "container/CN-1");
    late.makes(
        &room(),
        declare("CN-1", 10, Some(over.as_str())),
        &["container.destruction_declared CN-1", &format!("override.used {over}"), "\"destroyed\" CN-1"],
    );
    // Without a witness it is declared again, with the same one: it is the same destruction.
    let at = late.last("container.destruction_declared").header.at;
    late.wait_until(at.plus_micros(31 * 60 * 1_000_000));
    late.refuses(&room(), declare("CN-1", 10, None), "destruction-late");
    late.did(&room(), declare("CN-1", 10, Some(over.as_str())));
    late.did(&line(), witness("CN-1"));
}

#[test]
fn nothing_is_destroyed_while_the_order_is_held_and_what_was_is_witnessed() {
    let hold = |plant: &mut Plant| {
        plant.did(
            &room(),
            Command::OpenDeviation { about: vec![id("order/PO-1")], severity: Severity::Major, text: "x1".to_owned() },
        );
        plant.writes(&system(), "order/PO-1", OrderHeld { cause: id("deviation/DV-000001") }.into());
    };
    let mut plant = ready(240);
    hold(&mut plant);
    plant.refuses(&room(), declare("CN-1", 10, None), "held");
    let mut plant = ready(240);
    plant.did(&room(), declare("CN-1", 10, None));
    hold(&mut plant);
    plant.did(&line(), witness("CN-1"));
}

#[test]
fn an_account_that_no_longer_stands_lets_nothing_be_destroyed() {
    let mut plant = ready(240);
    // A coded end that was found in the machine after the account.
    let tail = agreed(&mut plant, 1, HandCounted::CodedTail, 2);
    plant.did(&room(), open_container("CN-2", 1, Contents::Coded));
    plant.did(&room(), fill("CN-2", &tail));
    plant.refuses(&room(), declare("CN-1", 10, None), "account-out-of-date");
    // So does another count of what came back.
    let mut plant = ready(240);
    plant.signed("ST-1", open_recount("ST-1", "R-3-1"), &run_of(51, Some(CODE), &[]));
    plant.did(&room(), record_check("R-3-1"));
    plant.signed("ST-1", open_recount("ST-1", "R-3-1"), &run_of(51, Some(CODE), &[]));
    plant.refuses(&room(), declare("CN-1", 10, None), "account-out-of-date");
}
