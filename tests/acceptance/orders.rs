//! A packaging order from its plan to its approval, with a counting table behind a real TCP link.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use tallyseal_control::{Command, accounted_percent, unaccounted_percent};
use tallyseal_machines::table::Roll;
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::sealed::{read_zip, write_zip};
use tallyseal_tests::api::{Client, act, kinds};
use tallyseal_tests::packing::{
    CODED, DISPENSER, LOT, ORDER, Step, UNIT_COUNTER, VERIFIER, by_hand, commands, count_what_came_back, day, device,
    examination, giving_back, mounting, part, plan, taking_back,
};
use tallyseal_tests::plant::{CODE, Plant};
use tallyseal_tests::verifiers::{verify, verify_py};

/// Worked example, our own numbers: five rolls, I = 52,340; 50,112 on good units, 187 on rejected ones, 24 samples, 326
/// spoiled, 1,676 coded in excess, nothing back; so D = 15, 0.0287 %, accounted for 99.9713 %.
#[test]
fn the_worked_example_of_an_account_is_reckoned_to_the_label() {
    const ROLLS: [(&str, u32); 5] =
        [("R-11", 10_480), ("R-12", 10_465), ("R-13", 10_470), ("R-14", 10_462), ("R-15", 10_463)];
    let plant = Plant::packing();
    let (room, line) = (plant.who("label_room"), plant.who("line"));
    let rolls: Vec<&str> = ROLLS.iter().map(|(roll, _)| *roll).collect();
    plant.deliver_of("D-3", CODED, &rolls);
    plant.another_station("T-2");
    plant.set_up_for("T-2", CODED);
    for (roll, labels) in ROLLS {
        plant.counted_at("T-2", roll, "incoming", Roll::plain(labels, Some(CODE)));
    }
    plant.challenge_at("T-2", "end");

    // Limits of the example: 30 labels and 2 % short, none over.
    plant.approved_limits("LS-3", CODED, 30, 0);
    let mut planned = plan("LOT-B", 50_000);
    planned["materials"].as_array_mut().unwrap().truncate(1);
    planned["materials"][0]["limit_set"] = json!("limit_set/LS-3");
    plant.who("supervisor").act("plan_order", &json!({ "order": "PO-2", "plan": planned })).good();
    let issue = plant.issue("PO-2", 1, &rolls);
    assert_eq!(plant.state("issue", &issue)["labels"], 52_340);
    plant.start_order("PO-2");
    for roll in &rolls[..4] {
        plant.run_roll("PO-2", 1, roll, "used_up");
    }
    plant.run_roll("PO-2", 1, "R-15", "taken_off");
    plant.finish_order("PO-2");

    // 1,676 coded labels are more than two people count by hand at once: four heaps of at most 500, each a hand count of
    // its own, into one container. The last heap comes with its roll, on which nothing un-coded was left.
    let opened = json!({ "container": "CN-9", "order": "PO-2", "material": 1, "contents": "coded", "place": "cage" });
    room.act("open_container", &opened).good();
    let above = json!({ "order": "PO-2", "material": 1, "what": "coded_tail" });
    let whole = part(&room.act("open_hand_count", &above).good(), "hand_count");
    plant.refuses(422, "above-the-cap", || {
        room.act("enter_hand_count", &json!({ "hand_count": whole, "labels": 1_676 }))
    });
    // The count that was begun too large becomes that of the first heap: while it is open, numbers of its kind are hidden.
    for person in ["label_room", "second"] {
        plant.who(person).act("enter_hand_count", &json!({ "hand_count": whole, "labels": 500 })).good();
    }
    let others = [500, 500].map(|heap| plant.hand_counted("PO-2", Some(1), "coded_tail", heap));
    for counted in std::iter::once(whole).chain(others) {
        room.act("fill_container", &json!({ "container": "CN-9", "hand_count": counted })).good();
    }
    line.act("give_back", &giving_back("PO-2", 1, "R-15", "S-9")).good();
    let tail = plant.hand_counted("PO-2", Some(1), "coded_tail", 176);
    let back = taking_back("PO-2", 1, "R-15", &json!({ "tail": tail, "container": "CN-9" }));
    room.act("take_back", &back).good();
    assert_eq!(plant.state("container", "CN-9")["labels"], 1_676);

    plant.quantity("PO-2", 1, "good", device(VERIFIER, 0, 50_112)).good();
    plant.quantity("PO-2", 1, "rejected", device(VERIFIER, 50_112, 50_299)).good();
    for (term, labels) in [("samples", 24), ("spoiled", 326)] {
        let counted = plant.hand_counted("PO-2", Some(1), term, labels);
        plant.quantity("PO-2", 1, term, by_hand(&counted)).good();
    }
    plant.units("PO-2", "LOT-B", 50_112);

    let computed = plant.reconciled("PO-2", 1)["computed"].clone();
    let terms = json!({
        "coded": 1_676, "good": 50_112, "issued": 52_340, "rejected": 187, "returned": 0, "samples": 24, "spoiled": 326,
    });
    assert_eq!(computed["terms"], terms);
    assert_eq!((&computed["unaccounted"], &computed["product"]), (&json!(15), &json!(15)));
    assert_eq!((&computed["balance"], &computed["against_product"]), (&json!("within"), &json!("within")));
    assert_eq!((&computed["independent"], &computed["units"]), (&json!(true), &json!(50_112)));
    assert_eq!(computed["deviation"], Value::Null);
    assert_eq!(
        (accounted_percent(52_340, 15).as_str(), unaccounted_percent(52_340, 15).as_str()),
        ("99.9713", "0.0287")
    );
    plant.end();
}

/// Everything that the day of [`ORDER`] brings, from the issue to the approval.
pub(super) fn the_whole_day(plant: &Plant) {
    let (room, line, reviewer) = (plant.who("label_room"), plant.who("line"), plant.who("reviewer"));
    plant.issue(ORDER, 1, &["R-1", "R-2", "R-3"]);
    plant.issue(ORDER, 2, &["R-4"]);
    plant.start_order(ORDER);

    // A jam spoils most of a roll: one more than the order needs, with an override.
    plant.run_roll(ORDER, 1, "R-1", "used_up");
    room.act("examine_before_issue", &examination(ORDER, 1, "R-6")).good();
    let more = json!({ "order": ORDER, "material": 1, "rolls": ["R-6"] });
    plant.refuses(409, "more-than-needed", || room.sign("give_issue", &more));
    let over = plant.override_asked("label_room", "extra_issue", ORDER, &format!("order/{ORDER}"));
    let with_it = json!({ "order": ORDER, "material": 1, "rolls": ["R-6"], "extra": over });
    plant.refuses(409, "override-not-granted", || room.sign("give_issue", &with_it));
    plant.who("supervisor").sign("grant_override", &json!({ "over": over })).good();
    let given = room.sign("give_issue", &with_it).good();
    assert!(kinds(&given).contains(&"override.used"), "{given}");
    line.sign("take_issue", &json!({ "issue": part(&given, "issue") })).good();
    line.act("receive_at_line", &json!({ "order": ORDER, "material": 1, "roll": "R-6" })).good();

    // The line stands for a while, and runs on.
    line.act("interrupt_order", &json!({ "order": ORDER, "cause": "the packer stands" })).good();
    plant.refuses(409, "order-interrupted", || line.act("mount_roll", &mounting(ORDER, 1, "R-2")));
    line.act("resume_order", &json!({ "order": ORDER })).good();
    for (material, roll, ran) in
        [(1, "R-2", "used_up"), (1, "R-6", "used_up"), (1, "R-3", "taken_off"), (2, "R-4", "taken_off")]
    {
        plant.run_roll(ORDER, material, roll, ran);
    }
    plant.finish_order(ORDER);

    // Back: sealed and uncounted from the line; a coded tail and an un-coded rest in the label room.
    for (material, roll, seal) in [(1, "R-3", "S-1"), (2, "R-4", "S-2")] {
        line.act("give_back", &giving_back(ORDER, material, roll, seal)).good();
    }
    plant.take_back_and_count("T-2", 36);

    // 400 issued: 240 good, 3 rejected, 2 samples, 95 spoiled, 4 coded, 36 back; 20 are short.
    plant.open_container("CN-2", "spoiled");
    let spoiled = plant.hand_counted(ORDER, Some(1), "spoiled", 95);
    room.act("fill_container", &json!({ "container": "CN-2", "hand_count": spoiled })).good();
    for (material, term, source) in [
        (1, "good", device(VERIFIER, 0, 240)),
        (1, "rejected", device(VERIFIER, 240, 243)),
        (1, "samples", device(DISPENSER, 0, 2)),
        (1, "spoiled", by_hand(&spoiled)),
        (2, "good", device(DISPENSER, 7, 17)),
        (2, "spoiled", device(DISPENSER, 17, 18)),
    ] {
        plant.quantity(ORDER, material, term, source).good();
    }
    // A reading was mistyped: it is withdrawn with a reason, and recorded anew.
    let mistyped = json!({ "order": ORDER, "lot": LOT, "source": device(UNIT_COUNTER, 0, 204) });
    let entry = line.act("record_units", &mistyped).good();
    assert_eq!(kinds(&entry), ["order.units_recorded"]);
    let wrong = json!({ "order": ORDER, "quantity": 7, "why": "two digits changed places" });
    line.act("withdraw_quantity", &wrong).good();
    plant.units(ORDER, LOT, 240);
    for (container, seal) in [("CN-1", "S-3"), ("CN-2", "S-4")] {
        room.sign("seal_container", &json!({ "container": container, "seal": seal })).good();
    }

    let coded = plant.reconciled(ORDER, 1)["computed"].clone();
    assert_eq!((&coded["unaccounted"], &coded["product"]), (&json!(20), &json!(20)));
    assert_eq!((&coded["balance"], &coded["against_product"]), (&json!("outside"), &json!("outside")));
    let shipper = plant.reconciled(ORDER, 2)["computed"].clone();
    assert_eq!((&shipper["unaccounted"], &shipper["balance"]), (&json!(0), &json!("within")));
    // 1/24 of a label for each unit, in parts of 24: 10 labels for 240 units.
    assert_eq!((&shipper["product"], &shipper["units"]), (&json!(0), &json!(240)));
    plant.who("supervisor").sign("sign_for_packaging", &json!({ "order": ORDER })).good();

    // Outside its limits, nothing is destroyed without quality's consent, and nothing approved before the deviation is closed.
    let destroy = |container: &str, labels: u32| {
        let declared = json!({ "container": container, "labels": labels, "method": "shredded", "place": "room 4" });
        room.sign("declare_destruction", &declared)
    };
    plant.refuses(409, "consent-needed", || destroy("CN-1", 4));
    for (container, labels) in [("CN-1", 4), ("CN-2", 95)] {
        let consent = json!({ "container": container, "why": "the missing ones are not in it" });
        reviewer.sign("consent_destruction", &consent).good();
        destroy(container, labels).good();
        plant.who("line2").sign("witness_destruction", &json!({ "container": container })).good();
    }
    let review = json!({ "order": ORDER, "statement": "every entry and every change was looked at" });
    let approve = json!({ "order": ORDER });
    plant.refuses(409, "not-signed", || reviewer.sign("approve_order", &approve));
    let deviation = coded["deviation"].as_str().unwrap().trim_start_matches("deviation/").to_owned();
    let known = plant.state("deviation", &deviation);
    assert_eq!((&known["severity"], &known["rule"]), (&json!("critical"), &json!("reconciliation_outside")));
    reviewer.sign("review_order", &review).good();
    plant.refuses(409, "deviation-open", || reviewer.sign("approve_order", &approve));
    plant.deviation_accepted(&deviation);
    // The deviation is another record; what was reviewed before it was closed covers it as it stood then.
    reviewer.sign("review_order", &review).good();
    reviewer.sign("approve_order", &approve).good();
    reviewer.sign("release_return", &json!({ "roll": "R-31" })).good();
}

#[test]
fn an_order_runs_from_its_plan_to_the_approval_of_its_record() {
    let plant = Plant::packing();
    the_whole_day(&plant);
    let order = plant.state("order", ORDER);
    assert_eq!(order["status"], "approved");
    let signed: Vec<(String, String, String)> = plant
        .stream(&format!("order/{ORDER}"))
        .iter()
        .filter(|entry| entry["kind"] == "signature.applied")
        .map(|entry| {
            let text = |value: &Value| value.as_str().unwrap().to_owned();
            let by = &entry["by"];
            // An entry carries the role acted in and the device.
            assert_eq!((&entry["body"]["role"], &by["device"]), (&by["role"], &json!("D-TEST")), "{entry}");
            (text(&entry["body"]["meaning"]), text(&by["account"]), text(&by["role"]))
        })
        .collect();
    let signed: Vec<_> = signed.iter().map(|(a, b, c)| (a.as_str(), b.as_str(), c.as_str())).collect();
    let expected = [
        ("signed for packaging", "U-0003", "supervisor"),
        ("label record reviewed", "U-0002", "reviewer"),
        ("label record reviewed", "U-0002", "reviewer"),
        ("label record approved", "U-0002", "reviewer"),
    ];
    assert_eq!(signed, expected);
    assert_eq!(plant.roll("R-31")["quality"], "released");
    for (container, labels) in [("CN-1", 4), ("CN-2", 95)] {
        let state = plant.state("container", container);
        assert_eq!((&state["status"], &state["labels"]), (&json!("destroyed"), &json!(labels)));
    }
    // Approved is approved: nobody writes into it without opening it again.
    plant.refuses(409, "order-approved", || plant.quantity(ORDER, 1, "good", device(VERIFIER, 243, 244)));
    plant.refuses(409, "order-approved", || {
        plant.who("label_room").act(
            "open_container",
            &json!({
                "container": "CN-3", "order": ORDER, "material": 1, "contents": "coded", "place": "cage",
            }),
        )
    });

    holds_everything_and_nothing_less(&plant);
    plant.end();
}

/// The members of a sealed record.
fn members(zip: &[u8]) -> BTreeMap<String, Vec<u8>> {
    read_zip(zip).unwrap().iter().map(|member| (member.name.clone(), member.bytes(zip).to_vec())).collect()
}

fn lines(member: &[u8]) -> Vec<Vec<u8>> {
    member.strip_suffix(b"\n").unwrap().split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect()
}

fn joined(lines: &[Vec<u8>]) -> Vec<u8> {
    lines.iter().flat_map(|line| [line.as_slice(), b"\n"].concat()).collect()
}

/// The record without one stream, with everything mended that can be mended without a key.
fn without(zip: &[u8], stream: &str) -> Vec<u8> {
    let mut all = members(zip);
    let entries = lines(&all["entries.jsonl"]);
    let stands: Vec<bool> =
        entries.iter().map(|line| serde_json::from_slice::<Value>(line).unwrap()["stream"] != stream).collect();
    assert!(stands.contains(&false), "{stream}");
    for name in ["entries.jsonl", "proofs.jsonl"] {
        let kept = lines(&all[name]).into_iter().zip(&stands).filter(|(_, stands)| **stands).map(|(line, _)| line);
        let kept = joined(&kept.collect::<Vec<_>>());
        all.insert(name.to_owned(), kept);
    }
    let mut manifest: Value = serde_json::from_slice(&all["manifest.json"]).unwrap();
    manifest["streams"].as_object_mut().unwrap().remove(stream).unwrap();
    for name in ["entries.jsonl", "proofs.jsonl"] {
        manifest["files"][name] = json!(Hash::of(&all[name]));
    }
    all.insert("manifest.json".to_owned(), write_value(&manifest).unwrap());
    let order = read_zip(zip).unwrap();
    let put: Vec<(String, Vec<u8>)> =
        order.iter().map(|member| (member.name.clone(), all[&member.name].clone())).collect();
    write_zip(&put).unwrap()
}

/// The order's sealed record holds every stream that the order leans on; both verifiers take it, and neither takes it
/// with one stream left out.
fn holds_everything_and_nothing_less(plant: &Plant) {
    let copy = json!({ "record": format!("order/{ORDER}"), "role": "auditor" });
    let zip = plant.who("auditor").post_for_bytes("/api/exports", &copy).unwrap();
    let path = plant.book.folder.path().join("order.zip");
    let judged = |zip: &[u8]| {
        std::fs::write(&path, zip).unwrap();
        verify(&path, &["--key", &plant.book.key])
    };
    let good = judged(&zip);
    assert_eq!(good.code, 0, "{}", good.report);
    assert_eq!(verify_py(&path, &["--key", &plant.book.key]).code, 0);
    let manifest: Value = serde_json::from_slice(&members(&zip)["manifest.json"]).unwrap();
    let held: BTreeSet<String> = manifest["streams"].as_object().unwrap().keys().cloned().collect();

    // Of this book, in which one order ran, everything but what had no part in it: the roll that was not needed with its
    // counts, sessions, people who did nothing that it leans on, and the book's own stream, of which entry 0 is there.
    let spare: BTreeSet<String> = plant
        .stream("roll/R-5")
        .iter()
        .filter_map(|entry| entry["body"]["count"].as_str().map(str::to_owned))
        .collect();
    let all: BTreeSet<String> =
        plant.entries().iter().map(|entry| entry["stream"].as_str().unwrap().to_owned()).collect();
    let left: Vec<&String> =
        all.difference(&held).filter(|stream| !stream.starts_with("session/") && !spare.contains(*stream)).collect();
    assert_eq!(left, ["account/U-0006", "account/U-0012", "book/B", "roll/R-5"], "{held:?}");

    // One stream of every thing that is in it.
    let mut things = BTreeSet::new();
    for stream in held.iter().filter(|stream| things.insert(stream.split('/').next())) {
        let verdict = judged(&without(&zip, stream));
        assert_eq!(verdict.code, 1, "{stream} is missing: {}", verdict.report);
        // The seal names every stream that was exported.
        assert!(
            verdict.faulty().iter().any(|check| check == "seal" || check == "zip"),
            "{stream}: {:?}",
            verdict.faulty()
        );
    }
    for stream in ["hand_count/HC-000001", "override/OV-000001", "roll/R-31"] {
        std::fs::write(&path, without(&zip, stream)).unwrap();
        assert_eq!(verify_py(&path, &["--key", &plant.book.key]).code, 1, "{stream}");
    }
}

#[test]
fn a_power_cut_in_the_middle_of_an_issue_and_of_a_return_loses_and_doubles_nothing() {
    let mut plant = Plant::packing();
    let issue = plant.given(ORDER, 1, &["R-1", "R-2", "R-3"]);
    plant.issue(ORDER, 2, &["R-4"]);

    // The power goes while the line signs; whoever heard nothing asks again, with the same act.
    let same = act();
    let take = json!({ "issue": issue });
    cut_during(&mut plant, "line", "take_issue", &take, &same, true);
    let line = plant.who("line");
    let taken = line.order("take_issue", &take, &same, &json!({}), Some(&line.password)).good();
    assert_eq!(kinds(&taken)[..3], ["issue.taken", "signature.applied", "order.issued"]);
    assert_eq!(plant.kinds(&format!("issue/{issue}")).iter().filter(|kind| *kind == "issue.taken").count(), 1);
    assert_eq!(plant.state("order", ORDER)["rolls"]["roll/R-1"]["issued"], 100);

    for roll in ["R-1", "R-2", "R-3"] {
        plant.who("line").act("receive_at_line", &json!({ "order": ORDER, "material": 1, "roll": roll })).good();
    }
    plant.start_order(ORDER);
    plant.run_rolls(ORDER);
    let same = act();
    let back = giving_back(ORDER, 1, "R-3", "S-1");
    cut_during(&mut plant, "line", "give_back", &back, &same, false);
    plant.who("line").order("give_back", &back, &same, &json!({}), None).good();
    let given = plant.kinds("roll/R-3");
    assert_eq!(given.iter().filter(|kind| *kind == "roll.given_back").count(), 1, "{given:?}");

    // And the rest of it goes on.
    plant.finish_order(ORDER);
    plant.who("line").act("give_back", &giving_back(ORDER, 2, "R-4", "S-2")).good();
    plant.take_back_and_count("T-2", 46);
    plant.record_quantities(240);
    for material in [1, 2] {
        let computed = plant.reconciled(ORDER, material)["computed"].clone();
        assert_eq!((&computed["unaccounted"], &computed["balance"]), (&json!(0), &json!("within")));
    }
    plant.end();
}

/// Kills the server while somebody asks it for that, and starts it again.
fn cut_during(plant: &mut Plant, who: &str, name: &str, command: &Value, act: &str, signs: bool) {
    let client = plant.who(who).clone();
    let password = signs.then(|| client.password.clone());
    let asked = std::thread::scope(|scope| {
        let asking = scope.spawn(|| client.order(name, command, act, &json!({}), password.as_deref()));
        std::thread::sleep(std::time::Duration::from_millis(if signs { 60 } else { 2 }));
        plant.server.take().unwrap().kill();
        asking.join().unwrap()
    });
    // Answered in time, or not at all.
    assert!([0, 200].contains(&asked.status), "{}", asked.body);
    plant.start();
}

/// Fields that name another thing, which must be there.
const NAMES: [&str; 14] = [
    "clearance",
    "container",
    "deviation",
    "extra",
    "hand_count",
    "issue",
    "limit_set",
    "line",
    "order",
    "over",
    "overdue",
    "reconciliation",
    "roll",
    "tail",
];
/// Commands that make the thing which the field names: there is none yet.
const MAKES: [(&str, &str); 4] = [
    ("register_line", "line"),
    ("draft_limits", "limit_set"),
    ("plan_order", "order"),
    ("open_container", "container"),
];
/// Fields that are what a person says.
const SAID: [&str; 19] = [
    "cause",
    "conclusion",
    "follow_up",
    "found",
    "impact",
    "lot",
    "method",
    "name",
    "others",
    "pack",
    "place",
    "product",
    "purpose",
    "seal",
    "statement",
    "text",
    "why",
    "data",
    "market",
];

/// The command with one leaf changed, for every leaf of it that `change` has other values for.
fn changed(command: &Value, change: &dyn Fn(&str, &Value) -> Vec<Value>) -> Vec<Value> {
    fn leaves(at: &str, value: &Value, path: &str, all: &mut Vec<(String, String)>) {
        match value {
            Value::Object(fields) => {
                for (field, value) in fields {
                    leaves(field, value, &format!("{path}/{field}"), all);
                }
            }
            Value::Array(items) => {
                for (index, value) in items.iter().enumerate() {
                    leaves(at, value, &format!("{path}/{index}"), all);
                }
            }
            _ => all.push((at.to_owned(), path.to_owned())),
        }
    }
    let mut all = Vec::new();
    leaves("", command, "", &mut all);
    let mut made = Vec::new();
    for (field, path) in all {
        for value in change(&field, command.pointer(&path).unwrap()) {
            let mut other = command.clone();
            *other.pointer_mut(&path).unwrap() = value;
            made.push(other);
        }
    }
    made
}

/// Everything that is wrong with a command as it stands, whatever the state of the book.
fn senseless(command: &Value) -> Vec<Value> {
    let mut all = changed(command, &|_, value| match value {
        Value::Number(_) => vec![json!(-1), json!(1.5), json!(1e30), json!("1"), json!([1]), json!({})],
        Value::String(_) => vec![json!(7), json!(["x"]), json!({})],
        Value::Bool(_) => vec![json!(1), json!("true"), Value::Null],
        _ => Vec::new(),
    });
    // A field that nobody knows, at the top and in every object below it.
    let mut more = command.clone();
    more["surprise"] = json!(1);
    all.push(more);
    for field in command.as_object().unwrap().keys() {
        for path in [format!("/{field}"), format!("/{field}/0"), format!("/{field}/limits")] {
            let mut more = command.clone();
            if let Some(Value::Object(fields)) = more.pointer_mut(&path) {
                fields.insert("surprise".to_owned(), json!(1));
                all.push(more);
            }
        }
    }
    all
}

/// Whether a command without that field is a command all the same.
fn may_be_left_out(name: &str, field: &str) -> bool {
    let optional: &[&str] = match name {
        "examine_before_issue" => &["choice", "code_read"],
        "give_issue" => &["extra"],
        "mount_roll" => &["code_read"],
        "resume_order" => &["clearance"],
        "record_quantity" => &["purpose", "overdue"],
        "record_units" => &["overdue"],
        "take_back" => &["tail", "container", "rest"],
        "open_hand_count" => &["material"],
        "declare_destruction" => &["late"],
        _ => &[],
    };
    optional.contains(&field)
}

/// One day with every command of it, and before each of them all that could be wrong with it: missing and unknown fields,
/// values of another sort, negative and absurd numbers, material lines and things that there are not, texts that say
/// nothing, a page that is out of date, a body over the limit. Then it is done: once, however often it is asked; and
/// somebody else on the same page is told that it changed.
#[test]
fn every_command_of_an_order_takes_nothing_that_makes_no_sense_and_is_done_once() {
    let plant = Plant::packing();
    let mut done: BTreeSet<&str> = BTreeSet::new();
    for step in day() {
        let Step::Act(who, name, command, signs) = step else {
            count_what_came_back(&plant);
            continue;
        };
        let client = plant.who(who);
        let size = plant.size();
        if done.insert(name) {
            wrong_in_itself(client, name, &command);
            assert_eq!(plant.size(), size, "{name}: nothing of it is recorded");
            not_there(&plant, client, name, &command);
        }

        // Seen before the line was registered, and so out of date, whatever the command.
        let old = json!({ "line/LN-1": 0 });
        let size = plant.size();
        assert_eq!(client.order(name, &command, &act(), &old, None).refused(409), "stale", "{name}");
        assert_eq!(plant.size(), size, "{name}");

        let mut whole = command.clone();
        whole["do"] = json!(name);
        let about = serde_json::from_value::<Command>(whole).unwrap().about().unwrap();
        let rev = |plant: &Plant| plant.who("auditor").thing(about.as_str()).body["rev"].as_u64().unwrap_or(0);
        let before = rev(&plant);
        let page = json!({ about.as_str(): before });
        let password = signs.then_some(client.password.as_str());
        let same = act();
        let first = client.order(name, &command, &same, &page, password);
        assert_eq!(first.status, 200, "{name} {command}: {}", first.body);
        let (first, size) = (first.good(), plant.size());
        let again = client.order(name, &command, &same, &page, password).good();
        assert_eq!((&again["repeated"], &again["leaf"]), (&json!(true), &first["leaf"]), "{name}");
        // The same act with other content is another request.
        assert_eq!(client.order(name, &command, &same, &json!({}), password).refused(409), "other-request", "{name}");
        // The one who looked at the page as well.
        if rev(&plant) > before {
            let other = plant.who("everything").in_role(&client.role);
            let late = other.order(name, &command, &act(), &page, None).problem(409, "stale");
            assert_eq!(late["changed"][0]["stream"], about.as_str(), "{name}: {late}");
        }
        assert_eq!(plant.size(), size, "{name}: done once");
    }
    assert_eq!(done, commands().into_iter().collect());
    assert_eq!(plant.state("order", ORDER)["status"], "rejected");
    plant.end();
}

/// What is wrong in itself is said, and not recorded.
fn wrong_in_itself(client: &Client, name: &str, command: &Value) {
    let invalid = |command: &Value| {
        let answer = client.act(name, command);
        assert_eq!(answer.status, 422, "{name} {command}: {}", answer.body);
        answer.refused(422)
    };
    for field in command.as_object().unwrap().keys().filter(|field| !may_be_left_out(name, field)) {
        let mut less = command.clone();
        less.as_object_mut().unwrap().remove(field);
        // Which of them an override needs is a rule's to say, not the shape's.
        let bounds = name == "request_override" && matches!(field.as_str(), "material" | "labels");
        let code = if bounds { "override-without-bounds" } else { "invalid" };
        assert_eq!(invalid(&less), code, "{name} without {field}");
    }
    for senseless in senseless(command) {
        assert_eq!(invalid(&senseless), "invalid", "{name} {senseless}");
    }
    let long = json!({ "order": "x".repeat(70_000) });
    assert_eq!(client.act(name, &long).refused(413), "too-large", "{name}");
}

/// Things that there are not, and texts that say nothing.
fn not_there(plant: &Plant, client: &Client, name: &str, command: &Value) {
    for field in NAMES.into_iter().filter(|field| command.get(field).is_some() && !MAKES.contains(&(name, field))) {
        let mut unknown = command.clone();
        unknown[field] = json!("X-404");
        let code = client.act(name, &unknown).refused(404);
        assert!(code.starts_with("no-such-"), "{name} {field}: {code}");
    }
    if command.get("material").is_some() {
        for material in [0, 3, 65_535] {
            let mut unknown = command.clone();
            unknown["material"] = json!(material);
            plant.refuses(422, "no-such-material", || client.act(name, &unknown));
        }
    }
    let size = plant.size();
    let silent = changed(command, &|field, value| match value {
        Value::String(_) if SAID.contains(&field) => {
            vec![json!(""), json!(" \t"), json!("over\u{202E}stated"), json!("x".repeat(4_001))]
        }
        _ => Vec::new(),
    });
    for silent in silent {
        let code = client.act(name, &silent).refused(422);
        let codes = ["empty", "no-reason", "control-characters", "too-long", "no-such-lot"];
        assert!(codes.contains(&code.as_str()), "{name} {silent}: {code}");
    }
    assert_eq!(plant.size(), size, "{name}");
}
