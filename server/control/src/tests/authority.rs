use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use tallyseal_schema::kinds::{
    ClearanceWhen, CodePlace, Contents, DeviationDecision, ExaminationResult, FaultKind, HandCounted, InterimDecision,
    NoTimeStamp, ObsoleteRule, Occasion, OtherHistory, OverrideKind, Role, RollRan, SessionEnd, Severity, Source,
    StationWork, Term,
};
use tallyseal_schema::{By, Hash};

use crate::testing::{
    CODE, CODED, Plant, TRAINED_UNTIL, abort, admin, all_hats, auditor, check, check_code, clear_bench, close,
    conclude, correct, draft_plugin, enrol_key, examine, examiner, golden, grants, id, interrupt, item_draft, labels,
    leave, lift, line, machine, open_incoming, receive, record_check, register_station, release, reviewer, room,
    set_up, sign, specimen, supervisor, system,
};
use crate::testing_orders::{
    LIMITS, LINE, LOT, ORDER, UNIT_COUNTER, approve_limits, check_clearance, clear_line, devices, dismount_roll,
    draft_limits, examine_roll, finish_order, give_issue, interrupt_order, limits_draft, mount_roll, order_plan,
    plan_order, receive_at_line, register_line, request_override, resume_order, start_order, take_issue, void_order,
    withdraw_issue,
};
use crate::{AUTHORITY, Command, Piece};

/// Each command once.
pub(super) fn every_command() -> Vec<Command> {
    let plant = Plant::default();
    let (from, to) = (plant.now(), plant.minutes_later(1));
    let count = id("C-000001");
    let piece = Piece {
        count: None,
        codes: Vec::new(),
        events: Vec::new(),
        ordinals: None,
        labels: 0,
        length: 1,
        lines: Hash([0; 32]),
        link: "main".to_owned(),
        observed: 0,
        offset: 0,
        irregular: Vec::new(),
        sha256: Hash([0; 32]),
        total: None,
    };
    let why = || "because of something".to_owned();
    let read = Source::Device { device: id(UNIT_COUNTER), end: 9, start: 0, wraps: 0 };
    vec![
        Command::FoundAccount { account: id("U-1"), name: "Jo".to_owned(), roles: vec![Role::Reviewer] },
        Command::EnrolAccount {
            account: id("U-1"),
            name: "Jo".to_owned(),
            roles: grants(&[Role::Line]),
            identity: "seen".to_owned(),
        },
        enrol_key("U-0003", 2),
        Command::ConfirmIdentity { account: id("U-0003") },
        Command::ChangeRoles { account: id("U-0003"), roles: grants(&[Role::Line]), why: why() },
        Command::DisableAccount { account: id("U-0003"), why: why() },
        Command::ResetPassword { account: id("U-0003"), why: why() },
        Command::CompromiseKey { account: id("U-0003"), key: Hash([1; 32]), from: 1, why: why() },
        Command::CompromiseBookKey { key: Hash([1; 32]), from: 1, why: why() },
        Command::LockAccount { account: id("U-0003"), failures: 10, until: to },
        Command::UnlockAccount { account: id("U-0003"), why: why() },
        Command::ChangePassword {},
        Command::OpenSession { session: id("S-1"), account: id("U-0003"), device: id("D-1"), expires: to },
        Command::EndSession { session: id("S-U-0003"), cause: SessionEnd::SignedOut },
        Command::LockSession { session: id("S-U-0003"), idle_seconds: 900 },
        Command::UnlockSession {},
        Command::RefusePassword { purpose: "sign".to_owned(), record: None },
        Command::NoteRefusal {
            code: "roll-in-count".to_owned(),
            command: "note_export".to_owned(),
            record: None,
            text: "It would show what to expect.".to_owned(),
        },
        Command::NoteStrangers { source: "192.0.2.9".to_owned(), count: 1, from, to },
        Command::NameWitnesses { witnesses: vec!["witness.example/w1+20324abe+BCms".to_owned()] },
        Command::LoseWitness { witness: "w".to_owned(), since: None, size: 0, cause: "gone".to_owned() },
        Command::RestoreWitness { witness: "w".to_owned(), size: 1 },
        Command::NoteFork { witness: "w".to_owned(), size: 1, known: 2, history: OtherHistory::Longer },
        Command::NameTimeAuthority { authority: Some("http://192.0.2.7/".to_owned()), certificates: Vec::new() },
        Command::LoseTimeStamp {
            authority: "http://192.0.2.7/".to_owned(),
            how: NoTimeStamp::NoToken,
            since: None,
            size: 0,
            cause: "gone".to_owned(),
        },
        Command::RestoreTimeStamp { authority: "http://192.0.2.7/".to_owned(), at: from, size: 1 },
        Command::NoteReceipt { account: None, n: 9, leaf: Hash([1; 32]), ours: None, checkpoint: None },
        Command::Remark { record: id("roll/R-1"), text: "scratched core".to_owned() },
        Command::RegisterSupplier { supplier: id("SU-9"), name: "Printer".to_owned(), site: "Hall 1".to_owned() },
        Command::ApproveSupplier { supplier: id("SU-1"), item: id(CODED) },
        Command::DraftItem { item: id("L-300-A"), draft: Box::new(item_draft("L-300", "A")) },
        Command::ApproveItem { item: id("L-300-A"), specimen: specimen() },
        Command::ObsoleteItem { item: id(CODED), rule: ObsoleteRule::Immediate, last_use: None, why: why() },
        receive("D-9", CODED, &[("R-91", 100)]),
        examine("D-1", &["R-1"], ExaminationResult::Accept),
        release("D-1"),
        Command::RejectDelivery { delivery: id("D-1"), why: why() },
        lift("roll/R-1", "DV-000001"),
        Command::MoveRoll { roll: id("R-1"), place: "cage 2".to_owned() },
        record_check("R-1"),
        register_station("ST-9"),
        Command::QualifyStation { station: id("ST-1"), basis: "report".to_owned(), valid_until: to },
        Command::BindPlugin { station: id("ST-1"), plugin: id("P-000001") },
        clear_bench("ST-1"),
        set_up("ST-1", CODED),
        Command::LogStationWork { station: id("ST-1"), work: StationWork::Cleaning, text: "wiped".to_owned() },
        Command::RegisterTestRoll {
            test_roll: id("T-9"),
            certificate: "CE-9".to_owned(),
            certified: labels(51),
            code: None,
            expires: to,
            faults: BTreeMap::new(),
        },
        Command::CertifyTestRoll { test_roll: id("T-9") },
        Command::WithdrawTestRoll { test_roll: id("T-1"), why: why() },
        draft_plugin(b"other", "2.0.0"),
        Command::ApprovePlugin { plugin: id("P-000002") },
        open_incoming("ST-1", "R-1"),
        Command::Observe { station: id("ST-1"), piece: Box::new(piece) },
        Command::LoseLink { station: id("ST-1"), link: "main".to_owned(), cause: "closed".to_owned() },
        Command::RestoreLink { station: id("ST-1"), link: "main".to_owned() },
        Command::NoteSilence { station: id("ST-1"), seconds: 20 },
        close(&count),
        interrupt(&count),
        abort(&count),
        leave(&count, FaultKind::Splice, 1, 9),
        correct(&count, FaultKind::Splice, 1, 9, None),
        check_code(&count, CodePlace::Start, None, CODE),
        sign(&count),
        check(&count),
        conclude("ST-1", "T-1", Occasion::Start, &[&count]),
        Command::OpenDeviation { about: vec![id("roll/R-1")], severity: Severity::Minor, text: "torn".to_owned() },
        register_line("LN-9", devices(&plant)),
        Command::ChangeLineDevices { line: id(LINE), devices: devices(&plant), why: why() },
        clear_line(ORDER, ClearanceWhen::Before),
        check_clearance(&id("CL-000001")),
        draft_limits("LS-9", limits_draft("L-100", 0)),
        approve_limits("LS-9"),
        Command::WithdrawLimits { limit_set: id(LIMITS), why: why() },
        plan_order("PO-9", order_plan()),
        void_order(ORDER),
        examine_roll(ORDER, 1, "R-1"),
        give_issue(ORDER, 1, &["R-1"], None),
        take_issue("IS-000001"),
        withdraw_issue("IS-000001"),
        receive_at_line(ORDER, 1, "R-1"),
        start_order(ORDER, &id("CL-000001")),
        mount_roll(ORDER, 1, "R-1"),
        dismount_roll(ORDER, 1, "R-1", RollRan::TakenOff),
        interrupt_order(ORDER),
        resume_order(ORDER, None),
        Command::RecordQuantity {
            order: id(ORDER),
            material: 1,
            term: Term::Good,
            source: read.clone(),
            purpose: None,
            overdue: None,
        },
        Command::RecordUnits { order: id(ORDER), lot: LOT.to_owned(), source: read, overdue: None },
        Command::WithdrawQuantity { order: id(ORDER), quantity: 1, why: why() },
        finish_order(ORDER, &id("CL-000001")),
        Command::GiveBack { order: id(ORDER), material: 1, roll: id("R-1"), seal: "S-1".to_owned() },
        Command::TakeBack {
            order: id(ORDER),
            material: 1,
            roll: id("R-1"),
            seal_intact: true,
            tail: None,
            container: None,
            rest: None,
            place: "cage".to_owned(),
        },
        Command::ReleaseReturn { roll: id("R-1") },
        Command::OpenHandCount { order: id(ORDER), material: Some(1), what: HandCounted::Spoiled },
        Command::EnterHandCount { hand_count: id("HC-000001"), labels: labels(1) },
        Command::OpenContainer {
            container: id("CN-1"),
            order: id(ORDER),
            material: 1,
            contents: Contents::Coded,
            place: "cage".to_owned(),
        },
        Command::FillContainer { container: id("CN-1"), hand_count: id("HC-000001") },
        Command::SealContainer { container: id("CN-1"), seal: "S-2".to_owned() },
        Command::ConsentDestruction { container: id("CN-1"), why: why() },
        Command::DeclareDestruction {
            container: id("CN-1"),
            labels: labels(1),
            method: "shredded".to_owned(),
            place: "room 4".to_owned(),
            late: None,
        },
        Command::WitnessDestruction { container: id("CN-1") },
        Command::Reconcile { order: id(ORDER), material: 1 },
        Command::CheckReconciliation { reconciliation: id("RC-000001") },
        Command::SignForPackaging { order: id(ORDER) },
        Command::ReviewOrder { order: id(ORDER), statement: "looked through".to_owned() },
        Command::ApproveOrder { order: id(ORDER) },
        Command::RejectOrder { order: id(ORDER), why: why() },
        Command::ReopenOrder { order: id(ORDER), why: why() },
        request_override(OverrideKind::ExtraIssue, ORDER, "order/PO-1"),
        Command::GrantOverride { over: id("OV-000001") },
        Command::RefuseOverride { over: id("OV-000001"), why: why() },
        Command::AssessDeviation {
            deviation: id("DV-000001"),
            severity: Severity::Major,
            impact: "none".to_owned(),
            why: why(),
        },
        Command::ExtendScope { deviation: id("DV-000001"), about: vec![id("roll/R-1")], why: why() },
        Command::DecideInterim {
            deviation: id("DV-000001"),
            decision: InterimDecision::MayRunOn,
            text: "the others run on".to_owned(),
        },
        Command::Investigate {
            deviation: id("DV-000001"),
            cause: "known".to_owned(),
            others: "none".to_owned(),
            conclusion: "no harm".to_owned(),
            follow_up: "none".to_owned(),
        },
        Command::ExtendDue { deviation: id("DV-000001"), due: to, why: why() },
        Command::DecideDeviation {
            deviation: id("DV-000001"),
            decision: DeviationDecision::Accept,
            text: "agreed".to_owned(),
        },
        Command::CloseDeviation { deviation: id("DV-000001") },
        Command::NoteExport {
            record: id("roll/R-1"),
            manifest: Hash([0; 32]),
            pdf: None,
            streams: [(id("roll/R-1"), 1)].into(),
        },
    ]
}

/// Somebody of every role.
fn actors() -> Vec<(Role, By)> {
    vec![
        (Role::LabelRoom, room()),
        (Role::Line, line()),
        (Role::IncomingExaminer, examiner()),
        (Role::Supervisor, supervisor()),
        (Role::Reviewer, reviewer()),
        (Role::Auditor, auditor()),
        (Role::Administrator, admin()),
    ]
}

#[test]
fn every_command_has_its_row_and_its_name_is_that_of_its_json() {
    let commands = every_command();
    let names: Vec<_> = commands.iter().map(Command::name).collect();
    assert_eq!(names, AUTHORITY.iter().map(|row| row.command).collect::<Vec<_>>());
    for command in &commands {
        let json = serde_json::to_value(command).unwrap();
        assert_eq!(json["do"], command.name());
    }
}

#[test]
fn each_command_is_refused_to_each_role_that_the_table_does_not_name() {
    let plant = Plant::ready();
    for (role, by) in actors() {
        for command in every_command() {
            let row = command.authority();
            let code = match plant.clone().act(&by, command) {
                Err(refusal) => refusal.code,
                Ok(_) => "done".to_owned(),
            };
            let expected = match (row.roles.contains(&role), row.roles.is_empty()) {
                (true, _) => None,
                (false, true) => Some("not-for-this-actor"),
                (false, false) => Some("wrong-role"),
            };
            match expected {
                Some(expected) => assert_eq!(code, expected, "{} as {role:?}", row.command),
                None => assert!(
                    !["not-for-this-actor", "wrong-role", "not-your-role"].contains(&code.as_str()),
                    "{} as {role:?}: {code}",
                    row.command
                ),
            }
        }
    }
}

#[test]
fn each_command_is_refused_in_each_role_that_has_expired_but_what_is_ones_own_affair() {
    let mut plant = Plant::ready();
    plant.wait_until(TRAINED_UNTIL.parse().unwrap());
    for (role, by) in actors() {
        // The founders' roles do not end.
        if ["U-0001", "U-0002"].contains(&by.account().unwrap().as_str()) {
            continue;
        }
        for command in every_command() {
            let row = command.authority();
            let refused = plant.clone().act(&by, command).err();
            let code = refused.as_ref().map_or("done", |refusal| refusal.code.as_str());
            let expected = match (row.roles.is_empty(), row.with_expired_role) {
                (true, _) => code == "not-for-this-actor",
                (false, true) => !["role-expired", "wrong-role", "not-your-role"].contains(&code),
                (false, false) => code == "role-expired",
            };
            assert!(expected, "{} as {role:?}: {code}", row.command);
        }
    }
}

#[test]
fn each_command_is_refused_to_software_and_machines_unless_the_table_says_otherwise() {
    let plant = Plant::ready();
    for command in every_command() {
        let row = command.authority();
        for (by, may) in [(system(), row.system), (machine("ST-1"), row.machine)] {
            let refused =
                plant.clone().act(&by, command.clone()).is_err_and(|refusal| refusal.code == "not-for-this-actor");
            assert_eq!(refused, !may, "{} by {by:?}", row.command);
        }
    }
}

#[test]
fn every_role_is_what_the_person_has_and_chose() {
    // One person with many roles acts in the one that they chose, not in the best one.
    let plant = Plant::ready();
    plant.clone().refuses(&all_hats(Role::Supervisor), open_incoming("ST-1", "R-1"), "wrong-role");
    plant.clone().refuses(&all_hats(Role::Line), open_incoming("ST-1", "R-1"), "not-your-role");
    plant.clone().did(&all_hats(Role::LabelRoom), open_incoming("ST-1", "R-1"));
}

#[test]
fn no_act_lets_production_stand_in_for_quality() {
    let quality: BTreeSet<_> = [
        "approve_supplier",
        "approve_item",
        "obsolete_item",
        "release_delivery",
        "reject_delivery",
        "lift_hold",
        "qualify_station",
        "certify_test_roll",
        "approve_plugin",
        "approve_limits",
        "withdraw_limits",
        "release_return",
        "consent_destruction",
        "review_order",
        "approve_order",
        "reject_order",
        "reopen_order",
        "decide_interim",
        "extend_due",
        "decide_deviation",
        "close_deviation",
    ]
    .into();
    for row in AUTHORITY.iter().filter(|row| quality.contains(row.command)) {
        assert_eq!(row.roles, [Role::Reviewer], "{}", row.command);
    }
}

#[test]
fn the_table_is_the_one_that_is_kept() {
    let mut text = String::new();
    for row in AUTHORITY {
        let mut who: Vec<&str> = row.roles.iter().map(|role| role.as_str()).collect();
        who.extend(row.system.then_some("(software)"));
        who.extend(row.machine.then_some("(machine)"));
        who.extend(row.with_one_time_password.then_some("[one-time password]"));
        who.extend(row.while_locked.then_some("[locked session]"));
        who.extend(row.with_expired_role.then_some("[expired role]"));
        let _ = writeln!(text, "{:<24}{}", row.command, who.join(" "));
    }
    golden("authority.txt", &text);
}
