//! The account of an order from its records, and who signs for it.

use std::sync::OnceLock;

use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{
    ClearanceWhen, Contents, CountPurpose, DeliveryHeld, DeviationDecision, DeviationRule, Direction, HandCountOpened,
    HandCounted, OrderFinished, OrderHeld, OrderReturnTaken, OverrideKind, ReconciliationComputed, Role, RollHeld,
    RollRan, Severity, Source, Term, Terms, Verdict,
};

use super::investigations::closes;
use crate::testing::{
    CODE, Plant, all_hats, colleague, id, labels, lift, line, open, reviewer, room, run_of, second_reviewer,
    supervisor, system,
};
use crate::testing_orders::{
    DISPENSER, LOT, ORDER, UNIT_COUNTER, clear_line_foreign, dismount_roll, examine_roll, finish_order, give_issue,
    line_colleague, mount_roll, receive_at_line, request_override, second_supervisor, take_issue, withdraw_issue,
};
use crate::{Command, OrderStatus, State};

const ACCEPT: DeviationDecision = DeviationDecision::Accept;
const REJECT: DeviationDecision = DeviationDecision::Reject;

fn reconcile(material: u16) -> Command {
    Command::Reconcile { order: id(ORDER), material }
}

fn check(reconciliation: &str) -> Command {
    Command::CheckReconciliation { reconciliation: id(reconciliation) }
}

fn sign() -> Command {
    Command::SignForPackaging { order: id(ORDER) }
}

fn review() -> Command {
    Command::ReviewOrder { order: id(ORDER), statement: "the trail was read; nothing was changed late".to_owned() }
}

fn approve() -> Command {
    Command::ApproveOrder { order: id(ORDER) }
}

fn reject() -> Command {
    Command::RejectOrder { order: id(ORDER), why: "nobody knows where they are".to_owned() }
}

fn reopen() -> Command {
    Command::ReopenOrder { order: id(ORDER), why: "labels were found under the machine".to_owned() }
}

fn open_container(container: &str, contents: Contents) -> Command {
    Command::OpenContainer {
        container: id(container),
        order: id(ORDER),
        material: 1,
        contents,
        place: "cage".to_owned(),
    }
}

fn seal(container: &str) -> Command {
    Command::SealContainer { container: id(container), seal: format!("S-{container}") }
}

fn fill(container: &str, hand_count: &Id) -> Command {
    Command::FillContainer { container: id(container), hand_count: hand_count.clone() }
}

fn from_device(device: &str, end: u32) -> Source {
    Source::Device { device: id(device), end, start: 0, wraps: 0 }
}

fn record(material: u16, term: Term, source: Source) -> Command {
    let purpose = matches!(term, Term::Samples | Term::Spoiled).then(|| "set-up".to_owned());
    Command::RecordQuantity { order: id(ORDER), material, term, source, purpose, overdue: None }
}

fn units(source: Source) -> Command {
    Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source, overdue: None }
}

fn withdraw(quantity: u32) -> Command {
    Command::WithdrawQuantity { order: id(ORDER), quantity, why: "read from the wrong display".to_owned() }
}

/// What the line did with the 300 labels of material 1, R-1 to R-3.
#[derive(Clone, Copy)]
struct Ran {
    good: u32,
    rest: u32,
    tail: u32,
    units: u32,
}

/// Nothing is missing.
const EXACT: Ran = Ran { good: 240, rest: 40, tail: 2, units: 240 };

impl Plant {
    /// Two people of the line count by hand, and agree.
    #[track_caller]
    fn by_hand(&mut self, material: Option<u16>, what: HandCounted, number: u32) -> Id {
        self.did(&line(), Command::OpenHandCount { order: id(ORDER), material, what });
        let count = self.last("hand_count.opened").header.stream.id();
        for by in [line(), line_colleague()] {
            self.did(&by, Command::EnterHandCount { hand_count: count.clone(), labels: labels(number) });
        }
        count
    }

    #[track_caller]
    fn quantity_by_hand(&mut self, material: u16, term: Term, what: HandCounted, number: u32) -> Id {
        let hand_count = self.by_hand(Some(material), what, number);
        let stream = id(&format!("hand_count/{hand_count}"));
        self.did(&line(), record(material, term, Source::HandCount { hand_count: stream }));
        hand_count
    }

    #[track_caller]
    fn gives_back(&mut self, material: u16, roll: &str) {
        let seal = format!("S-{roll}");
        self.did(&line(), Command::GiveBack { order: id(ORDER), material, roll: id(roll), seal });
    }

    #[track_caller]
    fn takes_back(&mut self, material: u16, roll: &str, tail: Option<(&Id, &str)>) {
        let command = Command::TakeBack {
            order: id(ORDER),
            material,
            roll: id(roll),
            seal_intact: true,
            tail: tail.map(|(tail, _)| tail.clone()),
            container: tail.map(|(_, container)| id(container)),
            rest: Some(id(&format!("{roll}-X"))),
            place: "returns".to_owned(),
        };
        self.did(&room(), command);
    }

    /// The rests are counted at their stations; PLAIN asks for two counts.
    #[track_caller]
    fn counts_rests(&mut self, coded: u32) {
        let back = |roll: &str, station: &str| {
            open(station, &format!("roll/{roll}"), CountPurpose::Return, Direction::Forward)
        };
        self.signed("ST-1", back("R-3-X", "ST-1"), &run_of(coded, Some(CODE), &[]));
        for _ in 0..2 {
            self.signed("ST-2", back("R-4-X", "ST-2"), &run_of(90, None, &[]));
        }
    }

    #[track_caller]
    fn closing_challenges(&mut self) {
        self.challenged("ST-1");
        self.challenged("ST-2");
    }

    #[track_caller]
    fn destroys(&mut self, container: &str, number: u32) {
        let (method, place) = ("shredded".to_owned(), "yard".to_owned());
        let container: Id = id(container);
        let labels = labels(number);
        self.did(
            &room(),
            Command::DeclareDestruction { container: container.clone(), labels, method, place, late: None },
        );
        self.did(&line(), Command::WitnessDestruction { container });
    }

    fn account(&self, reconciliation: &str) -> &ReconciliationComputed {
        match &self.record(&format!("reconciliation/{reconciliation}")).state {
            State::Reconciliation(state) => &state.computed,
            _ => panic!("no account"),
        }
    }

    /// Finished, rolls given back and their rests counted, everything in containers and recorded.
    fn ended(ran: Ran) -> Self {
        let mut plant = Self::finished();
        for (container, contents) in [("K-1", Contents::Coded), ("K-2", Contents::Spoiled), ("K-3", Contents::Rejected)]
        {
            plant.did(&room(), open_container(container, contents));
        }
        for (material, roll) in [(1, "R-3"), (2, "R-4")] {
            plant.gives_back(material, roll);
        }
        let tail = plant.by_hand(Some(1), HandCounted::CodedTail, ran.tail);
        plant.takes_back(1, "R-3", Some((&tail, "K-1")));
        plant.takes_back(2, "R-4", None);
        plant.counts_rests(ran.rest);
        plant.did(&line(), record(1, Term::Good, from_device(DISPENSER, ran.good)));
        let rejected = plant.quantity_by_hand(1, Term::Rejected, HandCounted::Rejected, 5);
        plant.quantity_by_hand(1, Term::Samples, HandCounted::Samples, 3);
        let spoiled = plant.quantity_by_hand(1, Term::Spoiled, HandCounted::Spoiled, 10);
        plant.did(&line(), units(from_device(UNIT_COUNTER, ran.units)));
        plant.quantity_by_hand(2, Term::Good, HandCounted::Good, 10);
        plant.did(&room(), fill("K-2", &spoiled));
        plant.did(&room(), fill("K-3", &rejected));
        plant
    }

    /// The same with nothing missing.
    fn exact() -> Self {
        static EXACTLY: OnceLock<Plant> = OnceLock::new();
        EXACTLY.get_or_init(|| Self::ended(EXACT)).clone()
    }

    fn seals(&mut self) {
        for container in ["K-1", "K-2", "K-3"] {
            self.did(&room(), seal(container));
        }
    }

    /// Both material lines reconciled, nothing checked.
    fn to_be_checked() -> Self {
        let mut plant = Self::exact();
        plant.did(&room(), reconcile(1));
        plant.did(&room(), reconcile(2));
        plant
    }

    /// Checked, and everything sealed.
    fn to_be_signed() -> Self {
        let mut plant = Self::to_be_checked();
        plant.did(&colleague(), check("RC-000001"));
        plant.did(&colleague(), check("RC-000002"));
        plant.seals();
        plant
    }

    fn with_quality() -> Self {
        let mut plant = Self::to_be_signed();
        plant.did(&supervisor(), sign());
        plant
    }

    /// Destroyed, bracketed and reviewed: nothing stands in the way.
    fn to_be_approved() -> Self {
        static TO_BE_APPROVED: OnceLock<Plant> = OnceLock::new();
        let made = TO_BE_APPROVED.get_or_init(|| {
            let mut plant = Self::with_quality();
            plant.closing_challenges();
            for (container, number) in [("K-1", 2), ("K-2", 10), ("K-3", 5)] {
                plant.destroys(container, number);
            }
            plant.did(&reviewer(), review());
            plant
        });
        made.clone()
    }
}

fn deviation_about(plant: &mut Plant, about: &str) -> String {
    let (about, text) = (vec![id(about)], "looked odd".to_owned());
    plant.did(&line(), Command::OpenDeviation { about, severity: Severity::Major, text });
    plant.last("deviation.opened").header.stream.id().to_string()
}

#[test]
fn every_label_of_an_order_is_accounted_for_and_each_number_is_a_count() {
    let mut plant = Plant::exact();
    plant.makes(
        &room(),
        reconcile(1),
        &["reconciliation.computed RC-000001", "order.reconciled PO-1", "\"reconciled\" RC-000001"],
    );
    let account = plant.account("RC-000001");
    let terms = Terms { coded: 2, good: 240, issued: 300, rejected: 5, returned: 40, samples: 3, spoiled: 10 };
    assert_eq!(account.terms, terms);
    assert_eq!((account.units, account.unaccounted, account.product), (240, 0, 0));
    assert_eq!((account.balance, account.against_product), (Verdict::Within, Verdict::Within));
    // Three rolls, each counted to the label or one beside it.
    assert_eq!((account.uncertainty, account.independent), (labels(3), true));
    assert_eq!((account.formula.as_str(), account.deviation.as_ref()), ("balance-1", None));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Finished);
    // One shipper label for 24 units.
    plant.did(&supervisor(), reconcile(2));
    let account = plant.account("RC-000002");
    assert_eq!((account.terms.issued, account.terms.good, account.terms.returned), (100, 10, 90));
    assert_eq!((account.unaccounted, account.product), (0, 0));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Reconciled);
    // The signature covers the order whose numbers it is about.
    let Body::SignatureApplied(signed) = &plant.last("signature.applied").body else { panic!() };
    assert!(signed.covers.contains_key(&id("order/PO-1")));
}

#[test]
fn an_account_waits_for_every_roll_and_every_count() {
    let mut plant = Plant::started();
    plant.refuses(&room(), reconcile(1), "order-in-progress");
    // R-3 is still at the line, and so is R-4.
    let mut plant = Plant::finished();
    plant.refuses(&room(), reconcile(1), "roll-not-accounted");
    plant.refuses(&room(), reconcile(2), "roll-not-accounted");
    plant.refuses(&room(), reconcile(3), "no-such-material");
    plant.gives_back(2, "R-4");
    plant.refuses(&room(), reconcile(2), "roll-not-accounted");
    plant.takes_back(2, "R-4", None);
    plant.refuses(&room(), reconcile(2), "rest-not-counted");
    for _ in 0..2 {
        let back = open("ST-2", "roll/R-4-X", CountPurpose::Return, Direction::Forward);
        plant.signed("ST-2", back, &run_of(90, None, &[]));
    }
    plant.refuses(&room(), reconcile(2), "quantity-missing");
    plant.quantity_by_hand(2, Term::Good, HandCounted::Good, 10);
    plant.refuses(&room(), reconcile(2), "quantity-missing");
    plant.did(&line(), units(from_device(UNIT_COUNTER, 240)));
    plant.refuses(&line(), reconcile(2), "wrong-role");
    plant.did(&room(), reconcile(2));
    // What was withdrawn is missing again.
    let mut plant = Plant::exact();
    plant.did(&line(), withdraw(1));
    plant.refuses(&room(), reconcile(1), "quantity-missing");
}

#[test]
fn an_issue_that_waits_for_the_line_is_no_part_of_an_account_and_stands_in_its_way() {
    let mut plant = Plant::started();
    plant.did(&room(), examine_roll(ORDER, 2, "R-5"));
    let mut request = request_override(OverrideKind::ExtraIssue, ORDER, "order/PO-1");
    if let Command::RequestOverride { material, .. } = &mut request {
        *material = Some(2);
    }
    let over = plant.granted_as(&room(), &second_supervisor(), request);
    plant.did(&room(), give_issue(ORDER, 2, &["R-5"], Some(&over)));
    let issue = plant.last("issue.given").header.stream.id().to_string();
    let gone_back = |plant: &mut Plant, roll: &str| {
        plant.did(&line(), mount_roll(ORDER, 2, roll));
        plant.did(&line(), dismount_roll(ORDER, 2, roll, RollRan::UsedUp));
    };
    gone_back(&mut plant, "R-4");
    let mut taken = plant.clone();
    // Withdrawn: 100 labels.
    plant.did(&room(), withdraw_issue(&issue));
    let finish = |plant: &mut Plant| {
        for (material, roll) in [(1, "R-1"), (1, "R-2"), (1, "R-3")] {
            plant.did(&line(), mount_roll(ORDER, material, roll));
            plant.did(&line(), dismount_roll(ORDER, material, roll, RollRan::UsedUp));
        }
        let clearance = plant.cleared(ORDER, ClearanceWhen::After);
        plant.did(&line(), finish_order(ORDER, &clearance));
        plant.quantity_by_hand(2, Term::Good, HandCounted::Good, 100);
        plant.did(&line(), units(from_device(UNIT_COUNTER, 2_400)));
        plant.did(&room(), reconcile(2));
    };
    finish(&mut plant);
    assert_eq!(plant.account("RC-000001").terms.issued, 100);
    // Taken over: 200.
    taken.did(&line(), take_issue(&issue));
    taken.did(&line(), receive_at_line(ORDER, 2, "R-5"));
    gone_back(&mut taken, "R-5");
    finish(&mut taken);
    assert_eq!(taken.account("RC-000001").terms.issued, 200);
    assert_eq!(taken.account("RC-000001").balance, Verdict::Outside);
}

#[test]
fn what_is_missing_or_too_much_is_a_deviation_by_its_weight() {
    for (ran, unaccounted, product, severity) in [
        // Six short; the limit is five. The labels are coded.
        (Ran { good: 234, units: 234, ..EXACT }, 6, 6, Severity::Critical),
        // One over, of coded labels.
        (Ran { good: 241, units: 241, ..EXACT }, -1, -1, Severity::Critical),
        (Ran { tail: 3, ..EXACT }, -1, -1, Severity::Critical),
        // The counters disagree: the balance is whole and the product is not.
        (Ran { units: 241, ..EXACT }, 0, -1, Severity::Critical),
        (Ran { units: 234, ..EXACT }, 0, 6, Severity::Critical),
    ] {
        let mut plant = Plant::ended(ran);
        plant.makes(
            &room(),
            reconcile(1),
            &[
                "reconciliation.computed RC-000001",
                "order.reconciled PO-1",
                "deviation.opened DV-000001",
                "record.questioned PO-1",
                "\"reconciled\" RC-000001",
            ],
        );
        let account = plant.account("RC-000001");
        assert_eq!((account.unaccounted, account.product), (unaccounted, product));
        assert_eq!(account.deviation, Some(id("deviation/DV-000001")));
        let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { panic!() };
        assert_eq!((opened.rule, opened.severity), (DeviationRule::ReconciliationOutside, severity));
        assert_eq!(opened.about, [id("order/PO-1"), id("reconciliation/RC-000001")]);
        assert!(!opened.text.contains('-') || opened.text.contains("PO-1"), "{}", opened.text);
    }
}

#[test]
fn labels_without_a_code_are_major_when_short_and_critical_when_over() {
    // 100 were issued of material 2, 90 came back.
    for (good, units_, severity) in [(4, 96, Severity::Major), (12, 288, Severity::Critical)] {
        let mut plant = Plant::finished();
        plant.gives_back(2, "R-4");
        plant.takes_back(2, "R-4", None);
        for _ in 0..2 {
            let back = open("ST-2", "roll/R-4-X", CountPurpose::Return, Direction::Forward);
            plant.signed("ST-2", back, &run_of(90, None, &[]));
        }
        plant.quantity_by_hand(2, Term::Good, HandCounted::Good, good);
        plant.did(&line(), units(from_device(UNIT_COUNTER, units_)));
        plant.did(&room(), reconcile(2));
        let Body::DeviationOpened(opened) = &plant.last("deviation.opened").body else { panic!() };
        assert_eq!(opened.severity, severity, "{}", opened.text);
    }
}

#[test]
fn coded_ends_that_were_cut_off_the_machine_count_and_each_count_once() {
    let mut plant = Plant::ended(Ran { good: 236, units: 236, ..EXACT });
    let found = plant.by_hand(Some(1), HandCounted::CodedTail, 4);
    // Counted and put nowhere: it is in no account yet.
    plant.did(&room(), fill("K-1", &found));
    plant.did(&room(), reconcile(1));
    let account = plant.account("RC-000001");
    assert_eq!((account.terms.coded, account.unaccounted, account.deviation.as_ref()), (6, 0, None));
}

#[test]
fn with_one_counter_only_both_tests_are_one() {
    let mut plant = Plant::exact();
    // No rule lets a dispenser count units; a book of an older rule may say it.
    let recorded = plant.last("order.units_recorded").body.clone();
    let Body::OrderUnitsRecorded(mut body) = recorded else { panic!() };
    let quantity = body.quantity;
    plant.did(&line(), withdraw(quantity));
    body.quantity += 100;
    body.source = from_device(DISPENSER, 240);
    plant.writes(&line(), "order/PO-1", body.into());
    plant.did(&room(), reconcile(1));
    assert!(!plant.account("RC-000001").independent);
    // Material 2 was counted by hand, and its units by that device: two tests.
    plant.did(&room(), reconcile(2));
    assert!(plant.account("RC-000002").independent);
}

#[test]
fn an_account_is_made_again_only_when_a_number_has_changed_and_the_old_one_stays() {
    let mut plant = Plant::to_be_checked();
    plant.refuses(&room(), reconcile(1), "already-reconciled");
    plant.did(&line(), withdraw(1));
    assert_eq!(plant.order(ORDER).status, OrderStatus::Finished);
    plant.refuses(&colleague(), check("RC-000001"), "account-superseded");
    plant.did(&line(), record(1, Term::Good, from_device(DISPENSER, 240)));
    plant.did(&room(), reconcile(1));
    plant.refuses(&colleague(), check("RC-000001"), "account-superseded");
    plant.did(&colleague(), check("RC-000003"));
    // A count that changes outside of the order's own entries: what lies in a container.
    let mut plant = Plant::to_be_signed();
    plant.did(&room(), open_container("K-4", Contents::Coded));
    let found = plant.by_hand(Some(1), HandCounted::CodedTail, 1);
    plant.did(&room(), fill("K-4", &found));
    plant.did(&room(), seal("K-4"));
    plant.refuses(&supervisor(), sign(), "account-out-of-date");
    plant.did(&room(), reconcile(1));
    assert_eq!(plant.account("RC-000003").unaccounted, -1);
    let mut plant = Plant::to_be_checked();
    let found = plant.by_hand(Some(1), HandCounted::CodedTail, 1);
    plant.did(&room(), fill("K-1", &found));
    plant.refuses(&colleague(), check("RC-000001"), "account-out-of-date");
}

/// What no act lets happen, and an account does not lean on all the same.
#[test]
fn an_account_looks_at_the_records_itself() {
    let returned = |rest: Option<&str>, tail: Option<&Id>| OrderReturnTaken {
        container: None,
        material: 1,
        rest: rest.map(id),
        roll: id("roll/R-3"),
        seal_intact: true,
        tail: tail.map(|tail| id(&format!("hand_count/{tail}"))),
    };
    let mut plant = Plant::finished();
    plant.writes(&room(), "order/PO-1", returned(None, None).into());
    plant.refuses(&room(), reconcile(1), "tail-not-counted");
    plant.did(&line(), Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::CodedTail });
    let tail = plant.last("hand_count.opened").header.stream.id();
    plant.writes(&room(), "order/PO-1", returned(None, Some(&tail)).into());
    plant.refuses(&room(), reconcile(1), "hand-count-open");
    // The tail was counted, and lies nowhere.
    let mut plant = Plant::exact();
    let tail = plant.by_hand(Some(1), HandCounted::CodedTail, 2);
    plant.writes(&room(), "order/PO-1", returned(Some("roll/R-3-X"), Some(&tail)).into());
    for (material, account) in [(1, "RC-000001"), (2, "RC-000002")] {
        plant.did(&room(), reconcile(material));
        plant.did(&colleague(), check(account));
    }
    plant.seals();
    plant.refuses(&supervisor(), sign(), "tail-in-no-container");
    // Nothing was ever issued.
    let mut plant = Plant::planned();
    plant.writes(&line(), "order/PO-1", OrderFinished { clearance: id("clearance/CL-000001") }.into());
    plant.refuses(&room(), reconcile(1), "limits-not-frozen");
    // Given, and neither taken nor withdrawn.
    let mut plant = Plant::exact();
    let given = plant.last("issue.given").body.clone();
    plant.writes(&room(), "issue/IS-000099", given);
    plant.refuses(&room(), reconcile(2), "issue-open");
    plant.did(&room(), reconcile(1));
    plant.refuses(&reviewer(), reject(), "issue-open");
}

#[test]
fn labels_are_destroyed_on_the_strength_of_an_account_that_stands() {
    let mut plant = Plant::exact();
    plant.seals();
    let destroy = || Command::DeclareDestruction {
        container: id("K-2"),
        labels: labels(10),
        method: "shredded".to_owned(),
        place: "yard".to_owned(),
        late: None,
    };
    plant.refuses(&room(), destroy(), "not-reconciled");
    plant.did(&room(), reconcile(1));
    plant.refuses(&room(), destroy(), "account-not-checked");
    plant.did(&colleague(), check("RC-000001"));
    plant.did(&room(), destroy());
}

#[test]
fn a_signature_covers_what_it_can_hold() {
    let mut plant = Plant::with_quality();
    let opened = HandCountOpened { material: Some(1), order: id("order/PO-1"), what: HandCounted::Samples };
    for number in 0..1_501 {
        plant.writes(&line(), &format!("hand_count/HX-{number}"), opened.clone().into());
    }
    plant.refuses(&reviewer(), review(), "record-too-wide");
}

#[test]
fn a_second_person_checks_the_account_once() {
    let mut plant = Plant::to_be_checked();
    plant.refuses(&room(), check("RC-000001"), "same-person");
    plant.refuses(&line(), check("RC-000001"), "wrong-role");
    plant.refuses(&colleague(), check("RC-000009"), "no-such-reconciliation");
    plant.makes(&colleague(), check("RC-000001"), &["\"reconciliation checked\" RC-000001"]);
    plant.refuses(&supervisor(), check("RC-000001"), "already-checked");
    plant.did(&second_reviewer(), check("RC-000002"));
}

#[test]
fn packaging_signs_when_all_is_reconciled_checked_and_sealed() {
    let mut plant = Plant::exact();
    plant.refuses(&supervisor(), sign(), "order-finished");
    plant.did(&room(), reconcile(1));
    plant.refuses(&supervisor(), sign(), "order-finished");
    plant.did(&room(), reconcile(2));
    plant.refuses(&supervisor(), sign(), "account-not-checked");
    plant.did(&colleague(), check("RC-000001"));
    plant.refuses(&supervisor(), sign(), "account-not-checked");
    plant.did(&colleague(), check("RC-000002"));
    plant.refuses(&supervisor(), sign(), "container-open");
    plant.seals();
    plant.refuses(&reviewer(), sign(), "wrong-role");
    plant.makes(&supervisor(), sign(), &["order.signed_for_packaging PO-1", "\"signed for packaging\" PO-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::InReview);
    plant.refuses(&supervisor(), sign(), "order-in-review");
    // It covers every part, so that a part that changes is seen.
    let Body::SignatureApplied(signed) = &plant.last("signature.applied").body else { panic!() };
    let things: std::collections::BTreeSet<&str> = signed.covers.keys().map(|stream| stream.thing()).collect();
    let parts = ["clearance", "container", "count", "hand_count", "issue", "order", "reconciliation"];
    assert_eq!(things.into_iter().collect::<Vec<_>>(), parts);
}

#[test]
fn an_order_on_hold_is_signed_by_nobody() {
    let hold = |plant: &mut Plant| {
        let deviation = deviation_about(plant, "order/PO-1");
        plant.writes(&system(), "order/PO-1", OrderHeld { cause: id(&format!("deviation/{deviation}")) }.into());
        deviation
    };
    let mut plant = Plant::to_be_signed();
    let deviation = hold(&mut plant);
    plant.refuses(&supervisor(), sign(), "held");
    plant.did(&second_reviewer(), lift("order/PO-1", &deviation));
    plant.did(&supervisor(), sign());
    let mut plant = Plant::with_quality();
    hold(&mut plant);
    plant.refuses(&reviewer(), review(), "held");
    let mut plant = Plant::to_be_approved();
    hold(&mut plant);
    plant.refuses(&reviewer(), approve(), "held");
    plant.did(&reviewer(), reject());
}

#[test]
fn quality_reviews_with_a_statement_and_then_approves() {
    let mut plant = Plant::to_be_signed();
    plant.refuses(&reviewer(), review(), "order-reconciled");
    plant.did(&supervisor(), sign());
    plant.refuses(&reviewer(), approve(), "not-signed");
    let empty = Command::ReviewOrder { order: id(ORDER), statement: " ".to_owned() };
    plant.refuses(&reviewer(), empty, "empty");
    plant.refuses(&supervisor(), review(), "wrong-role");
    plant.makes(&reviewer(), review(), &["remark.made PO-1", "\"label record reviewed\" PO-1"]);
    // Reviewed again, when something came up since.
    plant.did(&second_reviewer(), review());
    let mut plant = Plant::to_be_approved();
    plant.refuses(&supervisor(), approve(), "wrong-role");
    plant.makes(&second_reviewer(), approve(), &["order.approved PO-1", "\"label record approved\" PO-1"]);
    assert_eq!(plant.order(ORDER).status, OrderStatus::Approved);
    let facts = &plant.record("order/PO-1").facts;
    for meaning in ["signed for packaging", "label record reviewed", "label record approved"] {
        assert!(facts.signed(meaning), "{meaning}");
    }
    for (by, command) in
        [(reviewer(), approve()), (reviewer(), review()), (reviewer(), reject()), (supervisor(), sign())]
    {
        plant.refuses(&by, command, "order-approved");
    }
}

#[test]
fn approval_waits_for_the_destruction_of_every_container() {
    let mut plant = Plant::with_quality();
    plant.closing_challenges();
    plant.did(&reviewer(), review());
    for (container, number) in [("K-1", 2), ("K-2", 10), ("K-3", 5)] {
        plant.refuses(&reviewer(), approve(), "container-not-destroyed");
        plant.destroys(container, number);
    }
    plant.did(&reviewer(), approve());
}

#[test]
fn a_container_opened_by_mistake_is_sealed_and_stands_in_nobodys_way() {
    let mut plant = Plant::to_be_signed();
    plant.did(&room(), open_container("K-9", Contents::Spoiled));
    plant.refuses(&supervisor(), sign(), "container-open");
    plant.did(&room(), seal("K-9"));
    plant.did(&supervisor(), sign());
    plant.closing_challenges();
    for (container, number) in [("K-1", 2), ("K-2", 10), ("K-3", 5)] {
        plant.destroys(container, number);
    }
    plant.did(&reviewer(), review());
    plant.did(&reviewer(), approve());
}

#[test]
fn approval_waits_for_the_closing_challenge_of_every_count() {
    let mut plant = Plant::with_quality();
    for (container, number) in [("K-1", 2), ("K-2", 10), ("K-3", 5)] {
        plant.destroys(container, number);
    }
    plant.did(&reviewer(), review());
    plant.refuses(&reviewer(), approve(), "roll-at-risk");
    plant.challenged("ST-1");
    plant.refuses(&reviewer(), approve(), "roll-at-risk");
    plant.challenged("ST-2");
    plant.did(&reviewer(), approve());
}

#[test]
fn approval_waits_for_every_deviation_that_touches_the_order() {
    for about in [
        "order/PO-1",
        "roll/R-1",
        "roll/R-3-X",
        "delivery/D-2",
        "issue/IS-000001",
        "clearance/CL-000001",
        "hand_count/HC-000001",
        "container/K-2",
        "reconciliation/RC-000001",
    ] {
        let mut plant = Plant::to_be_approved();
        let deviation = deviation_about(&mut plant, about);
        plant.refuses(&second_reviewer(), approve(), "deviation-open");
        let mut rejected = plant.clone();
        closes(&mut plant, &deviation, ACCEPT);
        plant.did(&second_reviewer(), approve());
        closes(&mut rejected, &deviation, REJECT);
        rejected.refuses(&second_reviewer(), approve(), "deviation-rejects");
        rejected.did(&second_reviewer(), reject());
    }
    // What is about another roll of the delivery, a person or the line is decided elsewhere.
    for about in ["roll/R-6", "account/U-0003", "line/LN-1", "station/ST-1"] {
        let mut plant = Plant::to_be_approved();
        deviation_about(&mut plant, about);
        plant.did(&second_reviewer(), approve());
    }
}

#[test]
fn a_deviation_that_holds_a_roll_of_the_order_is_closed_first_whatever_it_is_about() {
    let mut plant = Plant::to_be_approved();
    let deviation = deviation_about(&mut plant, "station/ST-1");
    let cause = id(&format!("deviation/{deviation}"));
    plant.writes(&system(), "roll/R-2", RollHeld { cause }.into());
    plant.refuses(&second_reviewer(), approve(), "deviation-open");
    closes(&mut plant, &deviation, ACCEPT);
    // The roll itself may stay on hold.
    plant.did(&second_reviewer(), approve());
    let mut plant = Plant::to_be_approved();
    let deviation = deviation_about(&mut plant, "station/ST-1");
    let cause = id(&format!("deviation/{deviation}"));
    plant.writes(&system(), "delivery/D-1", DeliveryHeld { cause }.into());
    plant.refuses(&second_reviewer(), approve(), "deviation-open");
}

#[test]
fn whoever_had_a_part_in_the_order_does_not_review_or_approve_it() {
    let hats = |role: Role| all_hats(role);
    // Examined a roll of it.
    let mut plant = Plant::with_quality();
    let examined = plant.last("order.roll_examined").body.clone();
    plant.writes(&hats(Role::IncomingExaminer), "order/PO-1", examined);
    for command in [review(), reject()] {
        plant.refuses(&hats(Role::Reviewer), command, "same-person");
    }
    // An entry of content voids what was signed before it.
    plant.refuses(&reviewer(), approve(), "not-signed");
    // Checked an account of it: its signature is in a stream that is covered.
    let mut checked = Plant::to_be_checked();
    checked.did(&hats(Role::Reviewer), check("RC-000001"));
    checked.did(&colleague(), check("RC-000002"));
    checked.seals();
    checked.did(&supervisor(), sign());
    checked.refuses(&hats(Role::Reviewer), review(), "same-person");
    checked.refuses(&hats(Role::Reviewer), reject(), "same-person");
    // Witnessed a destruction.
    let mut witnessed = Plant::with_quality();
    let container: Id = id("K-1");
    let (method, place) = ("shredded".to_owned(), "yard".to_owned());
    let command =
        Command::DeclareDestruction { container: container.clone(), labels: labels(2), method, place, late: None };
    witnessed.did(&room(), command);
    witnessed.did(&hats(Role::Reviewer), Command::WitnessDestruction { container });
    witnessed.refuses(&hats(Role::Reviewer), review(), "same-person");
    // Signed for packaging.
    let mut signed = Plant::to_be_signed();
    signed.did(&hats(Role::Supervisor), sign());
    signed.refuses(&hats(Role::Reviewer), review(), "same-person");
}

#[test]
fn whoever_counted_a_roll_of_the_order_does_not_approve_it() {
    let mut plant = Plant::ended(EXACT);
    let command = open("ST-1", "roll/R-3-X", CountPurpose::Recount, Direction::Rewind);
    let count = plant.opened(&all_hats(Role::LabelRoom), command);
    for observations in run_of(40, Some(CODE), &[]).chunks(60) {
        plant.says("ST-1", &count, observations);
    }
    plant.did(&all_hats(Role::LabelRoom), Command::CloseCount { count: count.clone() });
    plant.did(&all_hats(Role::LabelRoom), Command::SignCount { count });
    plant.did(&room(), reconcile(1));
    plant.did(&room(), reconcile(2));
    for account in ["RC-000001", "RC-000002"] {
        plant.did(&colleague(), check(account));
    }
    plant.seals();
    plant.did(&supervisor(), sign());
    plant.refuses(&all_hats(Role::Reviewer), review(), "same-person");
    plant.did(&reviewer(), review());
}

#[test]
fn a_record_is_rejected_with_a_reason_once_the_line_is_done() {
    let mut plant = Plant::started();
    plant.refuses(&reviewer(), reject(), "order-in-progress");
    for mut plant in [Plant::finished(), Plant::to_be_checked(), Plant::with_quality()] {
        let no_reason = Command::RejectOrder { order: id(ORDER), why: "no".to_owned() };
        plant.refuses(&reviewer(), no_reason, "no-reason");
        plant.refuses(&supervisor(), reject(), "wrong-role");
        plant.makes(&reviewer(), reject(), &["order.rejected PO-1", "\"label record rejected\" PO-1"]);
        assert_eq!(plant.order(ORDER).status, OrderStatus::Rejected);
        for (by, command) in
            [(reviewer(), reject()), (reviewer(), approve()), (room(), reconcile(1)), (supervisor(), sign())]
        {
            plant.refuses(&by, command, "order-rejected");
        }
    }
}

#[test]
fn a_record_is_opened_again_with_everything_in_it_and_signed_anew() {
    let mut plant = Plant::to_be_signed();
    plant.refuses(&reviewer(), reopen(), "order-reconciled");
    plant.did(&supervisor(), sign());
    plant.refuses(&supervisor(), reopen(), "wrong-role");
    let no_reason = Command::ReopenOrder { order: id(ORDER), why: "so".to_owned() };
    plant.refuses(&reviewer(), no_reason, "no-reason");
    let mut rejected = plant.clone();
    rejected.did(&reviewer(), reject());
    let mut approved = Plant::to_be_approved();
    approved.did(&reviewer(), approve());
    for mut plant in [plant, rejected, approved] {
        plant.makes(&reviewer(), reopen(), &["order.reopened PO-1"]);
        let state = plant.order(ORDER);
        assert_eq!((state.status, state.reconciled.len()), (OrderStatus::Finished, 0));
        assert_eq!(state.quantities.len(), 6);
        let facts = &plant.record("order/PO-1").facts;
        assert!(!facts.signatures.is_empty() && facts.signatures.iter().all(|signature| signature.void));
        plant.refuses(&reviewer(), approve(), "order-finished");
        // Everything is done anew: account, check and signatures.
        plant.did(&room(), reconcile(1));
        plant.did(&room(), reconcile(2));
        plant.did(&colleague(), check("RC-000003"));
        plant.did(&colleague(), check("RC-000004"));
        plant.did(&supervisor(), sign());
        plant.did(&reviewer(), review());
    }
}

#[test]
fn an_order_that_is_not_there_is_neither_signed_nor_rejected() {
    let mut plant = Plant::stocked();
    for (by, command) in [
        (room(), reconcile(1)),
        (supervisor(), sign()),
        (reviewer(), review()),
        (reviewer(), approve()),
        (reviewer(), reject()),
        (reviewer(), reopen()),
    ] {
        plant.refuses(&by, command, "no-such-order");
    }
}

/// The scope of a sealed record follows from entries alone, so the order's own entries name whatever names the order, and
/// each record of the job the deviations about it.
#[test]
fn an_order_names_every_part_of_its_record() {
    let names = |plant: &Plant, at: &str, named: &str| {
        let named = format!("\"{named}\"");
        let of_stream = plant.log.iter().filter(|entry| entry.header.stream.as_str() == at);
        of_stream.into_iter().any(|entry| serde_json::to_string(&entry.body).unwrap().contains(&named))
    };
    let mut busy = Plant::to_be_approved();
    let deviation = deviation_about(&mut busy, "container/K-2");
    closes(&mut busy, &deviation, ACCEPT);
    busy.did(&reviewer(), approve());
    let mut outside = Plant::ended(Ran { units: 241, ..EXACT });
    outside.did(&room(), reconcile(1));
    let mut foreign = Plant::at_the_line();
    foreign.did(&line(), clear_line_foreign(ORDER, ClearanceWhen::Before));
    foreign.granted(&room(), &second_supervisor(), OverrideKind::ExtraIssue, ORDER, "order/PO-1");
    let mut failed = Plant::with_quality();
    failed.challenge_failed("ST-1");
    let mut broken = Plant::finished();
    broken.gives_back(2, "R-4");
    let (order, roll, rest, place) = (id(ORDER), id("R-4"), Some(id("R-4-X")), "returns".to_owned());
    let (container, tail) = (None, None);
    broken
        .did(&room(), Command::TakeBack { order, material: 2, roll, seal_intact: false, tail, container, rest, place });
    for (plant, parts, deviations) in
        [(busy, 12, 1), (outside, 10, 1), (foreign, 4, 1), (failed, 11, 1), (broken, 4, 1)]
    {
        let things = ["clearance", "container", "hand_count", "issue", "override", "reconciliation"];
        let begins = plant.log.iter().filter(|entry| {
            let stream = &entry.header.stream;
            entry.header.rev == 1 && things.contains(&stream.thing()) && names(&plant, stream.as_str(), "order/PO-1")
        });
        let begun: Vec<&str> = begins.map(|entry| entry.header.stream.as_str()).collect();
        assert!(begun.len() >= parts, "{begun:?}");
        for part in begun {
            assert!(names(&plant, "order/PO-1", part), "{part}");
        }
        let mut found = 0;
        for entry in &plant.log {
            let Body::DeviationOpened(opened) = &entry.body else { continue };
            found += 1;
            for about in opened.about.iter().filter(|about| !["station", "count"].contains(&about.thing())) {
                // An account that opens a deviation names it itself, as a hold does.
                assert!(names(&plant, about.as_str(), entry.header.stream.as_str()), "{about} {}", entry.header.stream);
            }
        }
        assert_eq!(found, deviations);
    }
}
