//! Every act in every state, as text: what is not listed as done is refused, and a change of a rule is a diff.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use tallyseal_schema::By;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{
    ClearanceWhen, CodePlace, Contents, CountPurpose, Direction, ExaminationResult, FaultKind, HandCounted,
    ItemDrafted, ObsoleteRule, Occasion, OrderHeld, OverrideKind, RollRan, Severity, Source, StationWork, Term,
};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CODE, CODED, OTHER_CODE, PLAIN, Plant, abort, check, check_code, clear_bench, close, colleague, conclude, correct,
    examine, examiner, golden, id, interrupt, item_draft, label, leave, lift, line, open, open_challenge,
    open_incoming, open_recount, receive, record_check, register_station, release, reviewer, room, run_of,
    second_reviewer, set_aside, set_up, sign, specimen, supervisor, system, take_out,
};
use crate::testing_orders::{
    LOT, ORDER, UNIT_COUNTER, VERIFIER, clear_line, clear_line_foreign, dismount_roll, examine_roll, finish_order,
    give_issue, interrupt_order, mount_roll, order_plan, plan_order, receive_at_line, request_override, resume_order,
    start_order, take_issue, void_order, withdraw_issue,
};
use crate::{Command, Refusal};

type State = (&'static str, Plant);
type Act = (&'static str, By, Command);

/// The table of one thing, and the sentences of all its refusals.
fn table(states: Vec<State>, acts: &[Act]) -> (String, BTreeMap<String, Refusal>) {
    let mut text = String::new();
    let mut refusals = BTreeMap::new();
    for (state, plant) in states {
        let _ = writeln!(text, "## {state}");
        for (act, by, command) in acts {
            let outcome = match plant.clone().act(by, command.clone()) {
                Ok(made) if made.is_empty() => "nothing".to_owned(),
                Ok(made) => made.join(", "),
                Err(refusal) => {
                    let code = refusal.code.clone();
                    refusals.entry(code.clone()).or_insert(refusal);
                    format!("- {code}")
                }
            };
            let _ = writeln!(text, "{act:<28}{outcome}");
        }
        text.push('\n');
    }
    (text, refusals)
}

fn good_roll() -> Vec<Observation> {
    run_of(100, Some(CODE), &[])
}

fn after(plant: &Plant, change: impl FnOnce(&mut Plant)) -> Plant {
    let mut plant = plant.clone();
    change(&mut plant);
    plant
}

fn work(work: StationWork) -> Command {
    Command::LogStationWork { station: id("ST-1"), work, text: "looked after".to_owned() }
}

fn reject(delivery: &str) -> Command {
    Command::RejectDelivery { delivery: id(delivery), why: "misprinted".to_owned() }
}

fn obsolete(item: &str, plant: &Plant, rule: ObsoleteRule) -> Command {
    let last_use = (rule == ObsoleteRule::RunOut).then(|| plant.minutes_later(600));
    Command::ObsoleteItem { item: id(item), rule, last_use, why: "the artwork changed".to_owned() }
}

/// R-4 with two counts that differ; the item asks for two.
fn differing() -> Plant {
    let mut plant = Plant::ready_for_two();
    for labels in [100, 101] {
        plant.signed("ST-1", open_incoming("ST-1", "R-4"), &run_of(labels, None, &[]));
    }
    plant
}

fn rolls() -> (String, BTreeMap<String, Refusal>) {
    let ready = Plant::ready();
    let quarantine = after(&Plant::furnished(), |plant| {
        plant.did(&room(), receive("D-1", CODED, &[("R-1", 100), ("R-2", 100)]));
        plant.did(&room(), set_up("ST-1", CODED));
        plant.challenged("ST-1");
    });
    let counting = after(&ready, |plant| {
        plant.did(&room(), open_incoming("ST-1", "R-1"));
    });
    let counted = after(&ready, |plant| {
        plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    });
    let held = after(&counting, |plant| {
        plant.says("ST-1", &id("C-000003"), &vec![Observation::Splice { ordinal: 1, lane: None }; 3]);
        plant.did(&room(), abort(&id("C-000003")));
    });
    let states = vec![
        ("quarantine, uncounted", quarantine.clone()),
        ("released, uncounted", ready.clone()),
        ("in a count", counting.clone()),
        (
            "count closed, not signed",
            after(&ready, |plant| {
                plant.counted("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
            }),
        ),
        ("counted, at risk", counted.clone()),
        (
            "counted, between two good challenges",
            after(&counted, |plant| {
                plant.challenged("ST-1");
            }),
        ),
        (
            "counted in doubt",
            after(&ready, |plant| {
                let run = [vec![Observation::Unreadable { why: "x".to_owned() }], good_roll()].concat();
                plant.signed("ST-1", open_incoming("ST-1", "R-1"), &run);
            }),
        ),
        (
            "its recount differs",
            after(&counted, |plant| {
                plant.signed("ST-1", open_recount("ST-1", "R-1"), &run_of(99, Some(CODE), &[]));
            }),
        ),
        (
            "its recount differs, checked",
            after(&counted, |plant| {
                plant.signed("ST-1", open_recount("ST-1", "R-1"), &run_of(99, Some(CODE), &[]));
                plant.did(&room(), record_check("R-1"));
            }),
        ),
        ("on hold for too many faults", held.clone()),
        (
            "on hold for a wrong code",
            after(&counting, |plant| {
                plant.says("ST-1", &id("C-000003"), &[label(1, Some(OTHER_CODE))]);
                plant.did(&room(), abort(&id("C-000003")));
            }),
        ),
        (
            "on hold for a failed challenge, then another passed",
            after(&counted, |plant| {
                plant.challenge_failed("ST-1");
                plant.challenged("ST-1");
            }),
        ),
        (
            "rejected",
            after(&ready, |plant| {
                plant.did(&reviewer(), reject("D-1"));
            }),
        ),
        (
            "rejected and on hold",
            after(&held, |plant| {
                plant.did(&reviewer(), reject("D-1"));
            }),
        ),
        (
            "obsolete",
            after(&ready, |plant| {
                let command = obsolete(CODED, plant, ObsoleteRule::Immediate);
                plant.did(&reviewer(), command);
            }),
        ),
    ];
    let of = |purpose: CountPurpose| open("ST-1", "roll/R-1", purpose, Direction::Forward);
    let acts = [
        ("receive again", room(), receive("D-9", CODED, &[("R-1", 100)])),
        ("move", room(), Command::MoveRoll { roll: id("R-1"), place: "cage 2".to_owned() }),
        ("open incoming", room(), of(CountPurpose::Incoming)),
        ("open recount", room(), of(CountPurpose::Recount)),
        ("open issue", room(), of(CountPurpose::Issue)),
        ("open return", room(), of(CountPurpose::Return)),
        ("record check", room(), record_check("R-1")),
        ("lift its hold", second_reviewer(), lift("roll/R-1", "DV-000001")),
        ("reject its delivery", second_reviewer(), reject("D-1")),
        ("obsolete its item", reviewer(), obsolete(CODED, &ready, ObsoleteRule::Immediate)),
    ];
    let (text, mut refusals) = table(states, &acts);
    // The same for the item that asks for two counts.
    let states = vec![
        ("R-4: two counts differ", differing()),
        (
            "R-4: two counts differ, checked",
            after(&differing(), |plant| {
                plant.did(&room(), record_check("R-4"));
            }),
        ),
        (
            "R-4: three counts disagree",
            after(&differing(), |plant| {
                plant.did(&room(), record_check("R-4"));
                plant.signed("ST-1", open_incoming("ST-1", "R-4"), &run_of(102, None, &[]));
            }),
        ),
    ];
    let acts = [
        ("open incoming", room(), open_incoming("ST-1", "R-4")),
        ("open recount", room(), open_recount("ST-1", "R-4")),
        ("record check", room(), record_check("R-4")),
        ("lift its hold", reviewer(), lift("roll/R-4", "DV-000001")),
    ];
    let (more, of_two) = table(states, &acts);
    refusals.extend(of_two);
    (format!("{text}{more}"), refusals)
}

fn counts() -> (String, BTreeMap<String, Refusal>) {
    let ready = Plant::ready();
    let count: Id = id("C-000003");
    let open_now = after(&ready, |plant| {
        plant.did(&room(), open_incoming("ST-1", "R-1"));
    });
    let says = |plant: &Plant, run: &[Observation]| after(plant, |plant| drop(plant.says("ST-1", &count, run)));
    let faulty = run_of(100, Some(CODE), &[(7, FaultKind::Splice), (9, FaultKind::WrongCode)]);
    let whole = says(&open_now, &good_roll());
    let closed = after(&whole, |plant| drop(plant.did(&room(), close(&count))));
    let signed = after(&closed, |plant| drop(plant.did(&room(), sign(&count))));
    let run_of_test_roll = after(&ready, |plant| {
        plant.did(&room(), open_challenge("ST-1", "T-1", Direction::Forward));
    });
    let states = vec![
        ("open, nothing said", open_now.clone()),
        ("open, half run", says(&open_now, good_roll().get(..50).unwrap())),
        ("open, run to its end", whole.clone()),
        (
            "open, run to its end, bytes lost",
            says(&open_now, &[vec![Observation::Unreadable { why: "x".to_owned() }], good_roll()].concat()),
        ),
        (
            "open, the link is down",
            after(&whole, |plant| {
                let (station, link, cause) = (id("ST-1"), "main".to_owned(), "cable".to_owned());
                plant.did(&system(), Command::LoseLink { station, link, cause });
            }),
        ),
        ("open, the web tore", says(&says(&open_now, &[Observation::WebBreak { ordinal: 3 }]), &good_roll())),
        ("open, the total was set back", says(&open_now, &[vec![label(1, Some(CODE))], good_roll()].concat())),
        ("closed", closed.clone()),
        ("closed with faults", after(&says(&open_now, &faulty), |plant| drop(plant.did(&room(), close(&count))))),
        ("closed, its bracket failed", after(&closed, |plant| drop(plant.challenge_failed("ST-1")))),
        (
            "closed, its codes not read",
            after(&says(&open_now, &run_of(100, None, &[])), |plant| drop(plant.did(&room(), close(&count)))),
        ),
        (
            "closed, its splice left",
            after(&says(&open_now, &faulty), |plant| {
                plant.did(&room(), close(&count));
                plant.did(&room(), leave(&count, FaultKind::Splice, 1, 100));
            }),
        ),
        ("signed", signed.clone()),
        ("signed and checked", after(&signed, |plant| drop(plant.did(&supervisor(), check(&count))))),
        ("interrupted", after(&open_now, |plant| drop(plant.did(&room(), interrupt(&count))))),
        ("given up", after(&open_now, |plant| drop(plant.did(&room(), abort(&count))))),
        ("of the test roll, open", run_of_test_roll.clone()),
        ("of the test roll, run to its end", says(&run_of_test_roll, &crate::testing::test_run())),
        (
            "of the test roll, closed",
            after(&says(&run_of_test_roll, &crate::testing::test_run()), |plant| {
                plant.did(&room(), close(&count));
            }),
        ),
    ];
    let acts = [
        ("close", room(), close(&count)),
        ("interrupt", room(), interrupt(&count)),
        ("give up", room(), abort(&count)),
        ("give up as supervisor", supervisor(), abort(&count)),
        ("leave splice", room(), leave(&count, FaultKind::Splice, 1, 100)),
        ("take splice out", room(), take_out(&count, FaultKind::Splice, 1, 8, 3)),
        ("leave wrong code", room(), leave(&count, FaultKind::WrongCode, 1, 100)),
        ("set wrong code aside", room(), set_aside(&count, 1, 100)),
        ("correct splice to left", room(), correct(&count, FaultKind::Splice, 1, 100, None)),
        ("correct wrong code", room(), correct(&count, FaultKind::WrongCode, 1, 100, None)),
        ("read a code by hand", room(), check_code(&count, CodePlace::Start, None, CODE)),
        ("sign", room(), sign(&count)),
        ("sign as a colleague", colleague(), sign(&count)),
        ("check as who counted", room(), check(&count)),
        ("check as a colleague", colleague(), check(&count)),
        ("conclude a challenge", room(), conclude("ST-1", "T-1", Occasion::Interval, &[&count])),
    ];
    table(states, &acts)
}

fn stations() -> (String, BTreeMap<String, Refusal>) {
    let furnished = Plant::furnished();
    let rolls = |plant: &Plant| after(plant, |plant| plant.released("D-1", CODED, &["R-1"]));
    let ready = Plant::ready();
    let states = vec![
        ("not registered", after(&Plant::peopled(), |_| ())),
        ("registered", after(&Plant::peopled(), |plant| drop(plant.did(&supervisor(), register_station("ST-1"))))),
        ("bound and qualified", rolls(&furnished)),
        (
            "set up, never challenged",
            after(&rolls(&furnished), |plant| drop(plant.did(&room(), set_up("ST-1", CODED)))),
        ),
        ("in service", ready.clone()),
        ("in a count", after(&ready, |plant| drop(plant.did(&room(), open_incoming("ST-1", "R-1"))))),
        (
            "rolls wait for the closing challenge",
            after(&ready, |plant| {
                plant.signed("ST-1", open_incoming("ST-1", "R-2"), &good_roll());
            }),
        ),
        (
            "one run of the test roll done",
            after(&ready, |plant| {
                plant.test_ran("ST-1", Direction::Forward, &crate::testing::test_run());
            }),
        ),
        (
            "due by its interval",
            after(&ready, |plant| {
                let later = plant.minutes_later(61);
                plant.wait_until(later);
            }),
        ),
        ("due after a repair", after(&ready, |plant| drop(plant.did(&room(), work(StationWork::Repair))))),
        ("failed", after(&ready, |plant| drop(plant.challenge_failed("ST-1")))),
        (
            "its link is down",
            after(&ready, |plant| {
                let (station, link, cause) = (id("ST-1"), "main".to_owned(), "cable".to_owned());
                plant.did(&system(), Command::LoseLink { station, link, cause });
            }),
        ),
        (
            "its qualification has ended",
            after(&ready, |plant| {
                let valid_until = plant.now().plus_micros(1);
                let command =
                    Command::QualifyStation { station: id("ST-1"), basis: "report QR-2".to_owned(), valid_until };
                plant.did(&reviewer(), command);
            }),
        ),
        ("cleared", after(&ready, |plant| drop(plant.did(&room(), clear_bench("ST-1"))))),
    ];
    let valid_until = ready.now().plus_micros(300 * 86_400 * 1_000_000);
    let link = || "main".to_owned();
    let acts = [
        ("register", supervisor(), register_station("ST-1")),
        (
            "qualify",
            reviewer(),
            Command::QualifyStation { station: id("ST-1"), basis: "report QR-2".to_owned(), valid_until },
        ),
        ("bind the plugin", supervisor(), Command::BindPlugin { station: id("ST-1"), plugin: id("P-000001") }),
        ("clear the bench", room(), clear_bench("ST-1")),
        ("set up, same item", room(), set_up("ST-1", CODED)),
        ("set up, other item", room(), set_up("ST-1", PLAIN)),
        ("log cleaning", room(), work(StationWork::Cleaning)),
        ("log repair", room(), work(StationWork::Repair)),
        ("log move", room(), work(StationWork::Move)),
        ("count a roll", room(), open_incoming("ST-1", "R-1")),
        ("run the test roll", room(), open_challenge("ST-1", "T-1", Direction::Rewind)),
        (
            "run for a qualification",
            room(),
            open("ST-1", "test_roll/T-1", CountPurpose::Qualification, Direction::Forward),
        ),
        ("conclude the last run", room(), conclude("ST-1", "T-1", Occasion::Interval, &[&id("C-000003")])),
        ("conclude without runs", room(), conclude("ST-1", "T-1", Occasion::BeforeWork, &[])),
        ("lose the link", system(), Command::LoseLink { station: id("ST-1"), link: link(), cause: "cable".to_owned() }),
        ("restore the link", system(), Command::RestoreLink { station: id("ST-1"), link: link() }),
        ("note silence", system(), Command::NoteSilence { station: id("ST-1"), seconds: 20 }),
    ];
    table(states, &acts)
}

fn deliveries() -> (String, BTreeMap<String, Refusal>) {
    let furnished = Plant::furnished();
    let received = after(&furnished, |plant| {
        plant.did(&room(), receive("D-1", CODED, &[("R-1", 100), ("R-2", 100)]));
    });
    let examined = |result: ExaminationResult| {
        after(&received, |plant| drop(plant.did(&examiner(), examine("D-1", &["R-1"], result))))
    };
    let good = examined(ExaminationResult::Accept);
    let held = |plant: &Plant| {
        after(plant, |plant| {
            plant.did(&room(), set_up("ST-1", CODED));
            plant.challenged("ST-1");
            let count = plant.opened(&room(), open_incoming("ST-1", "R-2"));
            plant.says("ST-1", &count, &[label(1, Some(OTHER_CODE))]);
        })
    };
    let states = vec![
        ("not received", furnished.clone()),
        ("received", received.clone()),
        ("examined, accepted", good.clone()),
        ("examined, not accepted", examined(ExaminationResult::Reject)),
        ("released", after(&good, |plant| drop(plant.did(&reviewer(), release("D-1"))))),
        ("rejected", after(&received, |plant| drop(plant.did(&reviewer(), reject("D-1"))))),
        ("received, on hold", held(&received)),
        ("examined, on hold", held(&good)),
        (
            "examined, item obsolete",
            after(&good, |plant| {
                let command = obsolete(CODED, plant, ObsoleteRule::Immediate);
                plant.did(&reviewer(), command);
            }),
        ),
    ];
    let acts = [
        ("receive", room(), receive("D-1", CODED, &[("R-8", 100)])),
        ("examine, accept", examiner(), examine("D-1", &["R-1"], ExaminationResult::Accept)),
        ("examine, reject", examiner(), examine("D-1", &["R-1"], ExaminationResult::Reject)),
        ("release", reviewer(), release("D-1")),
        ("reject", reviewer(), reject("D-1")),
        ("lift its hold", second_reviewer(), lift("delivery/D-1", "DV-000001")),
    ];
    table(states, &acts)
}

fn items() -> (String, BTreeMap<String, Refusal>) {
    let furnished = Plant::furnished();
    let draft = |plant: &mut Plant| {
        let draft: Box<ItemDrafted> = Box::new(item_draft("L-300", "A"));
        drop(plant.did(&supervisor(), Command::DraftItem { item: id("L-300-A"), draft }));
    };
    let drafted = after(&furnished, draft);
    let approve = || Command::ApproveItem { item: id("L-300-A"), specimen: specimen() };
    let approve_supplier = || Command::ApproveSupplier { supplier: id("SU-1"), item: id("L-300-A") };
    let approved = after(&drafted, |plant| {
        plant.did(&reviewer(), approve());
        plant.did(&reviewer(), approve_supplier());
    });
    let running_out = after(&approved, |plant| {
        let command = obsolete("L-300-A", plant, ObsoleteRule::RunOut);
        plant.did(&reviewer(), command);
    });
    let states = vec![
        ("not drafted", furnished.clone()),
        ("drafted", drafted.clone()),
        ("approved", approved.clone()),
        ("runs out", running_out.clone()),
        (
            "ran out",
            after(&running_out, |plant| {
                let later = plant.minutes_later(601);
                plant.wait_until(later);
            }),
        ),
        (
            "obsolete",
            after(&approved, |plant| {
                let command = obsolete("L-300-A", plant, ObsoleteRule::Immediate);
                plant.did(&reviewer(), command);
            }),
        ),
    ];
    let later = after(&furnished, |plant| {
        let later = plant.minutes_later(700);
        plant.wait_until(later);
    });
    let acts = [
        ("draft", supervisor(), Command::DraftItem { item: id("L-300-A"), draft: Box::new(item_draft("L-300", "A")) }),
        (
            "draft it under another ID",
            supervisor(),
            Command::DraftItem { item: id("L-300-X"), draft: Box::new(item_draft("L-300", "A")) },
        ),
        ("approve", reviewer(), approve()),
        ("approve a supplier", reviewer(), approve_supplier()),
        ("let it run out", reviewer(), obsolete("L-300-A", &later, ObsoleteRule::RunOut)),
        ("take it out at once", reviewer(), obsolete("L-300-A", &later, ObsoleteRule::Immediate)),
        ("receive", room(), receive("D-3", "L-300-A", &[("R-8", 100)])),
        ("set a station up", room(), set_up("ST-1", "L-300-A")),
    ];
    table(states, &acts)
}

fn orders() -> (String, BTreeMap<String, Refusal>) {
    let started = Plant::started();
    let finished = Plant::finished();
    let foreign = |plant: &Plant, when: ClearanceWhen| {
        after(plant, |plant| drop(plant.did(&line(), clear_line_foreign(ORDER, when))))
    };
    let staged = after(&Plant::planned(), |plant| drop(plant.did(&room(), examine_roll(ORDER, 2, "R-4"))));
    let given = after(&staged, |plant| drop(plant.did(&room(), give_issue(ORDER, 2, &["R-4"], None))));
    let at_the_line = after(&Plant::at_the_line(), |plant| drop(plant.cleared(ORDER, ClearanceWhen::Before)));
    let interrupted = after(&started, |plant| drop(plant.did(&line(), interrupt_order(ORDER))));
    let reviewed = Plant::reviewed();
    let approved = after(&reviewed, |plant| drop(plant.did(&second_reviewer(), approve_order())));
    let states = vec![
        ("not planned", Plant::stocked()),
        ("planned", Plant::planned()),
        ("planned, foreign labels were found", foreign(&Plant::planned(), ClearanceWhen::Before)),
        ("a roll is examined", staged),
        ("rolls are given", given.clone()),
        ("rolls are taken over", after(&given, |plant| drop(plant.did(&line(), take_issue("IS-000001"))))),
        ("every material is at the cleared line", at_the_line.clone()),
        ("the same, an hour later", after(&at_the_line, |plant| plant.wait_until(plant.minutes_later(60)))),
        ("the same, foreign labels were found", foreign(&at_the_line, ClearanceWhen::Before)),
        ("running", started.clone()),
        ("running, a roll is mounted", after(&started, |plant| drop(plant.did(&line(), mount_roll(ORDER, 1, "R-1"))))),
        ("interrupted", interrupted.clone()),
        ("interrupted more than an hour ago", after(&interrupted, |plant| plant.wait_until(plant.minutes_later(60)))),
        (
            "interrupted, the line is cleared again",
            after(&interrupted, |plant| drop(plant.cleared(ORDER, ClearanceWhen::Again))),
        ),
        ("foreign labels were found in the middle", foreign(&started, ClearanceWhen::Again)),
        (
            "run to its end, the line is cleared",
            after(&started, |plant| drop(plant.cleared(ORDER, ClearanceWhen::After))),
        ),
        ("finished", finished.clone()),
        ("finished, every label is accounted for", Plant::accounted()),
        ("reconciled, the container is open", Plant::reconciled()),
        ("signed for packaging", Plant::in_review()),
        ("reviewed", reviewed.clone()),
        (
            "reviewed and held",
            after(&reviewed, |plant| {
                let (about, text) = (vec![id("order/PO-1")], "a label lay on the stairs".to_owned());
                plant.did(&room(), Command::OpenDeviation { about, severity: Severity::Major, text });
                let held = OrderHeld { cause: id("deviation/DV-000001") };
                plant.writes(&system(), "order/PO-1", held.into());
            }),
        ),
        ("approved", approved.clone()),
        ("rejected", after(&reviewed, |plant| drop(plant.did(&second_reviewer(), reject_order())))),
        ("opened again", after(&approved, |plant| drop(plant.did(&reviewer(), reopen_order())))),
        ("void", after(&Plant::planned(), |plant| drop(plant.did(&supervisor(), void_order(ORDER))))),
    ];
    let read = |device: &str| Source::Device { device: id(device), end: 520, start: 500, wraps: 0 };
    let acts = [
        ("plan", supervisor(), plan_order(ORDER, order_plan())),
        ("make void", supervisor(), void_order(ORDER)),
        ("examine a roll", room(), examine_roll(ORDER, 2, "R-5")),
        ("give a roll", room(), give_issue(ORDER, 2, &["R-4"], None)),
        ("take the rolls over", line(), take_issue("IS-000001")),
        ("withdraw the issue", room(), withdraw_issue("IS-000001")),
        ("receive at the line", line(), receive_at_line(ORDER, 2, "R-4")),
        ("clear before", line(), clear_line(ORDER, ClearanceWhen::Before)),
        ("clear again", line(), clear_line(ORDER, ClearanceWhen::Again)),
        ("clear after", line(), clear_line(ORDER, ClearanceWhen::After)),
        ("start", line(), start_order(ORDER, &id("CL-000001"))),
        ("mount a roll", line(), mount_roll(ORDER, 2, "R-4")),
        ("take a roll off", line(), dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff)),
        ("interrupt", line(), interrupt_order(ORDER)),
        ("resume", line(), resume_order(ORDER, None)),
        ("resume with clearance", line(), resume_order(ORDER, Some(&id("CL-000002")))),
        (
            "record good labels",
            line(),
            Command::RecordQuantity {
                order: id(ORDER),
                material: 1,
                term: Term::Good,
                source: read(VERIFIER),
                purpose: None,
                overdue: None,
            },
        ),
        (
            "record units",
            line(),
            Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source: read(UNIT_COUNTER), overdue: None },
        ),
        (
            "withdraw a quantity",
            line(),
            Command::WithdrawQuantity { order: id(ORDER), quantity: 1, why: "read wrongly".to_owned() },
        ),
        ("finish", line(), finish_order(ORDER, &id("CL-000002"))),
        (
            "give a roll back",
            line(),
            Command::GiveBack { order: id(ORDER), material: 2, roll: id("R-4"), seal: "S-9".to_owned() },
        ),
        (
            "take a roll back",
            room(),
            Command::TakeBack {
                order: id(ORDER),
                material: 2,
                roll: id("R-4"),
                seal_intact: true,
                tail: None,
                container: None,
                rest: Some(id("R-42")),
                place: "quarantine cage".to_owned(),
            },
        ),
        (
            "count by hand",
            room(),
            Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Spoiled },
        ),
        (
            "open a container",
            room(),
            Command::OpenContainer {
                container: id("CN-9"),
                order: id(ORDER),
                material: 1,
                contents: Contents::Coded,
                place: "cage".to_owned(),
            },
        ),
        ("seal its container", room(), Command::SealContainer { container: id("CN-1"), seal: "S-8".to_owned() }),
        ("reconcile material 1", colleague(), Command::Reconcile { order: id(ORDER), material: 1 }),
        ("sign for packaging", supervisor(), Command::SignForPackaging { order: id(ORDER) }),
        (
            "review",
            second_reviewer(),
            Command::ReviewOrder { order: id(ORDER), statement: "every entry was looked at".to_owned() },
        ),
        ("approve", second_reviewer(), approve_order()),
        ("reject", second_reviewer(), reject_order()),
        ("open again", reviewer(), reopen_order()),
        ("ask for more rolls", room(), request_override(OverrideKind::ExtraIssue, ORDER, "order/PO-1")),
        ("lift its hold", second_reviewer(), lift("order/PO-1", "DV-000001")),
    ];
    table(states, &acts)
}

fn approve_order() -> Command {
    Command::ApproveOrder { order: id(ORDER) }
}

fn reject_order() -> Command {
    Command::RejectOrder { order: id(ORDER), why: "a page is missing".to_owned() }
}

fn reopen_order() -> Command {
    Command::ReopenOrder { order: id(ORDER), why: "labels were found behind the line".to_owned() }
}

#[test]
fn every_act_on_a_roll_in_every_state() {
    golden("roll.txt", &rolls().0);
}

#[test]
fn every_act_on_a_count_in_every_state() {
    golden("count.txt", &counts().0);
}

#[test]
fn every_act_on_a_station_in_every_state() {
    golden("station.txt", &stations().0);
}

#[test]
fn every_act_on_a_delivery_in_every_state() {
    golden("delivery.txt", &deliveries().0);
}

#[test]
fn every_act_on_an_item_in_every_state() {
    golden("item.txt", &items().0);
}

#[test]
fn every_act_on_an_order_in_every_state() {
    golden("order.txt", &orders().0);
}

#[test]
fn what_a_person_is_told_is_what_is_kept() {
    let mut all = BTreeMap::new();
    for (_, refusals) in [rolls(), counts(), stations(), deliveries(), items(), orders()] {
        all.extend(refusals);
    }
    let mut text = String::new();
    for (code, refusal) in all {
        let _ = writeln!(text, "{code}\n    {}\n    {}", refusal.text, refusal.remedy);
    }
    golden("refusals.txt", &text);
}
