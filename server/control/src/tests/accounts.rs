use tallyseal_schema::kinds::Grant;
use tallyseal_schema::kinds::Role::{self, Administrator, Auditor, LabelRoom, Line, Reviewer, Supervisor};
use tallyseal_schema::{Body, By, Hash, Time, canonical};

use crate::testing::{
    Plant, TRAINED_UNTIL, admin, all_hats, changed, close, enrol_key, grants, id, key_of, open_incoming, person,
    reviewer, room, run_of, second_reviewer, sign, supervisor, system,
};
use crate::{AccountState, Command, RefusalKind, State, fold_account};

fn found(account: &str, roles: &[Role]) -> Command {
    Command::FoundAccount { account: id(account), name: "Jo Example".to_owned(), roles: roles.to_vec() }
}

fn enrol(account: &str, roles: &[Role]) -> Command {
    Command::EnrolAccount {
        account: id(account),
        name: "Jo Example".to_owned(),
        roles: grants(roles),
        identity: "passport seen".to_owned(),
    }
}

fn confirm(account: &str) -> Command {
    Command::ConfirmIdentity { account: id(account) }
}

fn roles(account: &str, roles: &[Role]) -> Command {
    Command::ChangeRoles { account: id(account), roles: grants(roles), why: "moved to another team".to_owned() }
}

fn disable(account: &str) -> Command {
    Command::DisableAccount { account: id(account), why: "left the company".to_owned() }
}

fn state<'p>(plant: &'p Plant, account: &str) -> &'p AccountState {
    match &plant.record(&format!("account/{account}")).state {
        State::Account(state) => state,
        _ => panic!("no account"),
    }
}

/// An account that was enrolled by `admin` and has set its password, and that nobody has confirmed.
fn with_newcomer() -> Plant {
    let mut plant = Plant::peopled();
    plant.did(&admin(), enrol("U-0050", &[LabelRoom]));
    plant.sits_down("U-0050");
    plant.did(&newcomer(LabelRoom), enrol_key("U-0050", 1));
    plant
}

fn newcomer(role: Role) -> By {
    changed(person("U-0050", role), |by| by.name = "Jo Example".to_owned())
}

#[test]
fn the_two_founders_confirm_each_other_though_nobody_has_confirmed_them() {
    let plant = Plant::founded();
    for account in ["U-0001", "U-0002"] {
        assert!(state(&plant, account).may_sign_with(&key_of(account)), "{account}");
    }
}

#[test]
fn founders_set_their_own_password_before_they_do_anything_else() {
    let mut plant = Plant::default();
    plant.did(&system(), named("U-0001", Administrator));
    plant.sits_down("U-0001");
    plant.founder("U-0002", Reviewer);
    plant.refuses(&admin(), enrol("U-0003", &[LabelRoom]), "one-time-password");
    plant.refuses(&admin(), confirm("U-0002"), "one-time-password");
    // Nor is the one-time secret made a password for good: a key of their own stands under it.
    plant.refuses(&admin(), Command::ChangePassword {}, "one-time-password");
    plant.makes(&admin(), enrol_key("U-0001", 1), &["account.key_enrolled U-0001", "account.password_changed U-0001"]);
    plant.makes(&admin(), confirm("U-0002"), &["\"identity confirmed\" U-0002"]);
    plant.did(&admin(), enrol("U-0003", &[LabelRoom]));
}

#[test]
fn nobody_makes_a_key_for_somebody_else_not_even_the_software() {
    let mut plant = Plant::default();
    plant.did(&system(), named("U-0001", Administrator));
    plant.refuses(&system(), enrol_key("U-0001", 1), "not-for-this-actor");
}

fn named(account: &str, role: Role) -> Command {
    let name = match &person(account, role) {
        By::Person(person) => person.name.clone(),
        _ => unreachable!(),
    };
    Command::FoundAccount { account: id(account), name, roles: vec![role] }
}

#[test]
fn an_unconfirmed_founder_signs_nothing_but_the_other_founder() {
    let mut plant = Plant::default();
    plant.founder("U-0001", Administrator);
    plant.founder("U-0002", Reviewer);
    plant.did(&admin(), enrol("U-0003", &[LabelRoom]));
    plant.sits_down("U-0003");
    plant.did(&changed(room(), |by| by.name = "Jo Example".to_owned()), enrol_key("U-0003", 1));
    plant.refuses(&reviewer(), confirm("U-0003"), "key-not-valid");
    plant.refuses(&reviewer(), confirm("U-0002"), "same-person");
    plant.makes(&reviewer(), confirm("U-0001"), &["\"identity confirmed\" U-0001"]);
    plant.refuses(&reviewer(), confirm("U-0003"), "key-not-valid");
    plant.makes(&admin(), confirm("U-0002"), &["\"identity confirmed\" U-0002"]);
    plant.makes(&reviewer(), confirm("U-0003"), &["\"identity confirmed\" U-0003"]);
}

#[test]
fn a_founders_second_key_confirms_nobody_until_it_is_confirmed_itself() {
    let mut plant = Plant::default();
    plant.founder("U-0001", Administrator);
    plant.founder("U-0002", Reviewer);
    plant.did(&reviewer(), enrol_key("U-0002", 2));
    plant.refuses(&reviewer(), confirm("U-0001"), "key-not-valid");
    // Nor does the first one, which the second one retired.
    let refused = plant.act_with(&reviewer(), Some(key_of("U-0002")), confirm("U-0001")).unwrap_err();
    assert_eq!(refused.code, "key-not-valid");
}

#[test]
fn a_book_has_two_founders_and_never_a_third() {
    let mut plant = Plant::default();
    plant.makes(&system(), found("U-0001", &[Administrator]), &["account.enrolled U-0001"]);
    plant.makes(&system(), found("U-0002", &[Reviewer]), &["account.enrolled U-0002"]);
    plant.refuses(&system(), found("U-0003", &[Reviewer]), "founded");
}

#[test]
fn founders_can_confirm_each_other_and_open_accounts() {
    let mut plant = Plant::default();
    plant.refuses(&system(), found("U-0001", &[LabelRoom]), "founder-cannot-confirm");
    plant.did(&system(), found("U-0001", &[Reviewer]));
    plant.refuses(&system(), found("U-0002", &[Reviewer]), "no-administrator");
    plant.did(&system(), found("U-0002", &[Administrator]));
}

#[test]
fn an_account_that_looks_like_another_is_refused_also_when_that_one_is_disabled() {
    let mut plant = Plant::peopled();
    plant.did(&admin(), disable("U-0008"));
    for alike in ["U-0008", "U-OO08", "U-000B", "U0008", "U--0008", "U-0Q08"] {
        plant.refuses(&admin(), enrol(alike, &[LabelRoom]), "account-looks-alike");
    }
    plant.makes(&admin(), enrol("U-0018", &[LabelRoom]), &["account.enrolled U-0018"]);
    plant.refuses(&admin(), enrol("U-OOI8", &[LabelRoom]), "account-looks-alike");
    plant.refuses(&admin(), enrol("U-00L8", &[LabelRoom]), "account-looks-alike");
}

#[test]
fn look_alikes_fold_together_and_others_do_not() {
    let folded = |text: &str| fold_account(&id(text));
    assert_eq!(folded("SOLIZB-Q"), "5011280");
    assert_eq!(folded("AB"), folded("A8"));
    assert_ne!(folded("AC"), folded("AG"));
}

#[test]
fn an_administrator_has_no_label_role_and_nobody_has_no_role() {
    let mut plant = Plant::peopled();
    plant.refuses(&admin(), enrol("U-0051", &[]), "no-role");
    for role in [LabelRoom, Line, Supervisor, Reviewer, Role::IncomingExaminer] {
        let roles = [Administrator, role];
        plant.refuses(&admin(), enrol("U-0051", &roles), "administrator-has-no-label-acts");
    }
    plant.did(&admin(), enrol("U-0051", &[Administrator, Auditor]));
    let roles: Vec<_> = state(&plant, "U-0051").roles.iter().map(|grant| grant.role).collect();
    assert_eq!(roles, [Auditor, Administrator], "in one order, however they were asked for");
}

#[test]
fn nobody_confirms_their_own_identity() {
    let mut plant = Plant::peopled();
    plant.did(&reviewer(), enrol_key("U-0002", 2));
    plant.did(&second_reviewer(), confirm("U-0002"));
    plant.did(&reviewer(), enrol_key("U-0002", 3));
    // The key that is not valid any more is not even looked at: it is their own account.
    plant.refuses(&reviewer(), confirm("U-0002"), "same-person");
}

#[test]
fn whoever_enrolled_an_account_does_not_confirm_it() {
    // Else one administrator alone could make a person that signs.
    let mut plant = with_newcomer();
    plant.refuses(&admin(), confirm("U-0050"), "same-person");
    plant.makes(&second_reviewer(), confirm("U-0050"), &["\"identity confirmed\" U-0050"]);
    plant.refuses(&reviewer(), confirm("U-0050"), "already-confirmed");
}

#[test]
fn a_key_signs_only_once_it_is_confirmed() {
    let mut plant = Plant::ready();
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(crate::testing::CODE), &[]));
    plant.did(&room(), enrol_key("U-0003", 2));
    plant.refuses(&room(), sign(&count), "key-not-valid");
    plant.did(&second_reviewer(), confirm("U-0003"));
    plant.did(&room(), sign(&count));
}

#[test]
fn a_new_key_retires_the_one_before_it_and_a_confirmation_does_not_bring_it_back() {
    let mut plant = Plant::peopled();
    plant.makes(&room(), enrol_key("U-0003", 2), &["account.key_retired U-0003", "account.key_enrolled U-0003"]);
    plant.did(&second_reviewer(), confirm("U-0003"));
    let state = state(&plant, "U-0003");
    assert!(!state.may_sign_with(&key_of("U-0003")));
    assert!(state.may_sign_with(&state.current_key().unwrap().key));
}

#[test]
fn a_confirmation_is_of_the_newest_key_only() {
    let mut plant = Plant::default();
    plant.founder("U-0001", Administrator);
    plant.founder("U-0002", Reviewer);
    plant.did(&reviewer(), enrol_key("U-0002", 2));
    plant.did(&admin(), confirm("U-0002"));
    let confirmed: Vec<_> = state(&plant, "U-0002").keys.iter().map(|key| (key.confirmed, key.retired)).collect();
    assert_eq!(confirmed, [(false, true), (true, false)]);
}

#[test]
fn a_person_sets_only_their_own_key() {
    let mut plant = Plant::peopled();
    plant.refuses(&room(), enrol_key("U-0004", 2), "not-your-key");
    plant.refuses(&admin(), enrol_key("U-0004", 2), "not-your-key");
}

fn compromise(account: &str, key: Hash, from: u64) -> Command {
    Command::CompromiseKey { account: id(account), key, from, why: "the password was read over a shoulder".to_owned() }
}

#[test]
fn a_compromised_key_is_marked_and_retired_by_another_administrator() {
    let mut plant = Plant::peopled();
    let key = key_of("U-0003");
    plant.refuses(&room(), compromise("U-0003", key, 7), "wrong-role");
    plant.refuses(&reviewer(), compromise("U-0003", key, 7), "wrong-role");
    plant.refuses(&admin(), compromise("U-0001", key_of("U-0001"), 7), "same-person");
    plant.refuses(&admin(), compromise("U-0003", key_of("U-0002"), 7), "not-the-accounts-key");
    let mut silent = compromise("U-0003", key, 7);
    let Command::CompromiseKey { why, .. } = &mut silent else { unreachable!() };
    why.clear();
    assert!(plant.act(&admin(), silent).is_err(), "without a reason");
    let done = plant.did(&admin(), compromise("U-0003", key, 7));
    assert_eq!(done[..2], ["account.key_compromised U-0003", "account.key_retired U-0003"]);
    assert!(done[2..].iter().all(|entry| entry.starts_with("session.ended")) && done.len() > 2, "{done:?}");
    assert!(!state(&plant, "U-0003").may_sign_with(&key));
    assert_eq!(state(&plant, "U-0003").compromised_from(&key), Some(7));
    // Later than that says nothing new; earlier does, and retires nothing a second time.
    for from in [7, 8] {
        plant.refuses(&admin(), compromise("U-0003", key, from), "compromised-already");
    }
    plant.makes(&admin(), compromise("U-0003", key, 6), &["account.key_compromised U-0003"]);
    assert_eq!(state(&plant, "U-0003").compromised_from(&key), Some(6));
}

#[test]
fn a_signature_is_found_with_its_key_and_place() {
    let plant = Plant::founded();
    let record = plant.record("account/U-0002");
    let signature = record.facts.signatures.first().unwrap();
    assert_eq!((signature.key, signature.meaning.as_str()), (key_of("U-0001"), "identity confirmed"));
    assert!(signature.n > 0);
}

#[test]
fn a_key_has_its_own_name_follows_the_one_before_and_is_enrolled_once() {
    let mut plant = Plant::peopled();
    let key = |change: fn(&mut Command)| {
        let mut command = enrol_key("U-0003", 2);
        change(&mut command);
        command
    };
    let wrong = [
        key(|command| {
            let Command::EnrolKey { key, .. } = command else { unreachable!() };
            *key = Hash::of(b"another");
        }),
        key(|command| {
            let Command::EnrolKey { public_key, .. } = command else { unreachable!() };
            *public_key = canonical::base64([7; 31]);
        }),
        key(|command| {
            let Command::EnrolKey { previous, .. } = command else { unreachable!() };
            *previous = None;
        }),
        key(|command| {
            let Command::EnrolKey { previous, .. } = command else { unreachable!() };
            *previous = Some(key_of("U-0004"));
        }),
        // A colleague's key under one's own account.
        key(|command| {
            let Command::EnrolKey { account, .. } = enrol_key("U-0004", 1) else { unreachable!() };
            let Command::EnrolKey { key, public_key, .. } = enrol_key(account.as_str(), 1) else { unreachable!() };
            let Command::EnrolKey { key: mine, public_key: my_public, .. } = command else { unreachable!() };
            (*mine, *my_public) = (key, public_key);
        }),
    ];
    for command in wrong {
        let refusal = plant.act(&room(), command).unwrap_err();
        assert_eq!(refusal.kind, RefusalKind::Internal, "{refusal}");
    }
    plant.did(&room(), enrol_key("U-0003", 2));
}

#[test]
fn a_one_time_password_opens_nothing_but_the_setting_of_ones_own() {
    let mut plant = Plant::ready();
    plant.did(&admin(), enrol("U-0050", &[LabelRoom]));
    plant.sits_down("U-0050");
    let newcomer = newcomer(LabelRoom);
    plant.refuses(&newcomer, open_incoming("ST-1", "R-1"), "one-time-password");
    plant.makes(&newcomer, enrol_key("U-0050", 1), &["account.key_enrolled U-0050", "account.password_changed U-0050"]);
    plant.did(&newcomer, open_incoming("ST-1", "R-1"));
}

fn reset(account: &str) -> Command {
    Command::ResetPassword { account: id(account), why: "forgot it over the holidays".to_owned() }
}

fn unlock(account: &str) -> Command {
    Command::UnlockAccount { account: id(account), why: "called by telephone, voice known".to_owned() }
}

#[test]
fn a_reset_retires_the_key_ends_the_sessions_and_leaves_a_one_time_password() {
    let mut plant = Plant::peopled();
    plant.makes(
        &admin(),
        reset("U-0002"),
        &["account.password_reset U-0002", "account.key_retired U-0002", "session.ended S-U-0002"],
    );
    assert!(state(&plant, "U-0002").must_change_password);
    assert!(!state(&plant, "U-0002").may_sign_with(&key_of("U-0002")));
    plant.refuses(&reviewer(), confirm("U-0003"), "signed-out");
}

#[test]
fn after_a_reset_a_second_person_confirms_the_new_key_and_not_the_one_who_reset() {
    let mut plant = Plant::peopled();
    plant.did(&admin(), enrol("U-0050", &[Reviewer]));
    plant.sits_down("U-0050");
    plant.did(&newcomer(Reviewer), enrol_key("U-0050", 1));
    plant.did(&reviewer(), confirm("U-0050"));
    plant.did(&admin(), reset("U-0050"));
    let expires = plant.now().plus_micros(60_000_000);
    let session = id("S-AGAIN");
    let device = id("DEVICE-1");
    plant.did(&system(), Command::OpenSession { session, account: id("U-0050"), device, expires });
    let again = changed(newcomer(Reviewer), |by| by.session = id("S-AGAIN"));
    // The key from before is retired, and the secret cannot sign.
    let refused = plant.act_with(&again, Some(key_of("U-0050")), confirm("U-0003")).unwrap_err();
    assert_eq!(refused.code, "one-time-password");
    plant.makes(&again, enrol_key("U-0050", 2), &["account.key_enrolled U-0050", "account.password_changed U-0050"]);
    plant.did(&room(), enrol_key("U-0003", 2));
    plant.refuses(&again, confirm("U-0003"), "key-not-valid");
    plant.refuses(&admin(), confirm("U-0050"), "same-person");
    plant.makes(&second_reviewer(), confirm("U-0050"), &["\"identity confirmed\" U-0050"]);
}

#[test]
fn a_founder_is_reset_only_where_a_third_person_could_confirm_them() {
    let mut plant = Plant::founded();
    plant.refuses(&admin(), reset("U-0002"), "nobody-to-confirm");
    // Enrolled is not enough: the third must be confirmed.
    plant.did(&admin(), enrol("U-0050", &[Reviewer]));
    plant.sits_down("U-0050");
    plant.did(&newcomer(Reviewer), enrol_key("U-0050", 1));
    plant.refuses(&admin(), reset("U-0002"), "nobody-to-confirm");
    plant.did(&reviewer(), confirm("U-0050"));
    plant.did(&admin(), reset("U-0002"));
    // And now the third is the only one who can confirm the second.
    plant.refuses(&admin(), reset("U-0050"), "nobody-to-confirm");
}

#[test]
fn a_lost_one_time_secret_is_given_anew_before_it_was_ever_used() {
    let mut plant = Plant::peopled();
    plant.did(&admin(), enrol("U-0050", &[LabelRoom]));
    plant.makes(&admin(), reset("U-0050"), &["account.password_reset U-0050"]);
    plant.refuses(&admin(), reset("U-0001"), "same-person");
    plant.refuses(&reviewer(), reset("U-0050"), "wrong-role");
    let why = Command::ResetPassword { account: id("U-0050"), why: " ".to_owned() };
    plant.refuses(&admin(), why, "no-reason");
    plant.did(&admin(), disable("U-0050"));
    plant.refuses(&admin(), reset("U-0050"), "account-disabled");
}

#[test]
fn a_locked_account_opens_no_session_until_its_time_or_until_it_is_unlocked() {
    let mut plant = Plant::peopled();
    let lock = |plant: &Plant| Command::LockAccount {
        account: id("U-0003"),
        failures: 10,
        until: plant.now().plus_micros(900_000_000),
    };
    let open = |plant: &Plant, session: &str| Command::OpenSession {
        session: id(session),
        account: id("U-0003"),
        device: id("DEVICE-1"),
        expires: plant.now().plus_micros(3_600_000_000),
    };
    plant.refuses(&admin(), unlock("U-0003"), "not-locked");
    plant.refuses(&admin(), lock(&plant.clone()), "not-for-this-actor");
    plant.makes(&system(), lock(&plant.clone()), &["account.locked U-0003"]);
    plant.refuses(&system(), lock(&plant.clone()), "locked-already");
    plant.refuses(&system(), open(&plant.clone(), "S-1"), "locked");
    // Whoever is in stays in: a stranger at the door puts nobody out.
    plant.did(&room(), Command::ChangePassword {});
    plant.refuses(&reviewer(), unlock("U-0003"), "wrong-role");
    plant.makes(&admin(), unlock("U-0003"), &["account.unlocked U-0003"]);
    plant.did(&system(), open(&plant.clone(), "S-1"));
    // The time that was stated passes: the first who signs in says so.
    plant.did(&system(), lock(&plant.clone()));
    let until = state(&plant, "U-0003").locked_until.unwrap();
    plant.wait_until(until.plus_micros(-1));
    plant.refuses(&system(), open(&plant.clone(), "S-2"), "locked");
    plant.wait_until(until);
    let opened = open(&plant.clone(), "S-2");
    plant.makes(&system(), opened, &["session.opened S-2", "account.unlocked U-0003"]);
    // A reset opens a lock as well.
    plant.did(&system(), lock(&plant.clone()));
    plant.did(&admin(), reset("U-0003"));
    assert_eq!(state(&plant, "U-0003").locked_until, None);
}

#[test]
fn a_signature_without_a_password_asks_for_it() {
    let mut plant = Plant::ready();
    let count = plant.counted("ST-1", open_incoming("ST-1", "R-1"), &run_of(100, Some(crate::testing::CODE), &[]));
    let refusal = plant.act_with(&room(), None, sign(&count)).unwrap_err();
    assert_eq!((refusal.kind, refusal.code.as_str()), (RefusalKind::NeedsPassword, "needs-password"));
    // An act that is no signature needs none.
    let count = plant.opened(&room(), open_incoming("ST-1", "R-2"));
    plant.says("ST-1", &count, &run_of(5, Some(crate::testing::CODE), &[]));
    plant.act_with(&room(), None, close(&count)).unwrap();
}

#[test]
fn an_account_without_a_key_is_not_confirmed() {
    let mut plant = Plant::peopled();
    plant.did(&admin(), enrol("U-0050", &[LabelRoom]));
    plant.refuses(&reviewer(), confirm("U-0050"), "no-key");
}

#[test]
fn nobody_changes_their_own_authority() {
    let mut plant = Plant::peopled();
    plant.refuses(&admin(), roles("U-0001", &[Administrator, Auditor]), "same-person");
    plant.refuses(&admin(), disable("U-0001"), "same-person");
}

#[test]
fn an_account_is_found_by_its_lock_and_by_a_role_that_ends() {
    let keys = |plant: &Plant, account: &str| {
        let stream = format!("account/{account}");
        plant.record(&stream).keys(&id(&stream)).into_iter().map(|key| key.0).collect::<Vec<_>>()
    };
    let mut plant = Plant::ready();
    // A founder's role has no end; that of everybody else has one.
    assert!(!keys(&plant, "U-0001").contains(&"account.ends=yes".to_owned()));
    assert!(keys(&plant, "U-0003").contains(&"account.ends=yes".to_owned()));
    assert!(!keys(&plant, "U-0003").contains(&"account.locked=yes".to_owned()));
    let until = plant.minutes_later(15);
    plant.did(&system(), Command::LockAccount { account: id("U-0003"), failures: 10, until });
    assert!(keys(&plant, "U-0003").contains(&"account.locked=yes".to_owned()));
    plant.did(&admin(), disable("U-0003"));
    assert!(
        !keys(&plant, "U-0003").iter().any(|key| key.starts_with("account.ends") || key.starts_with("account.locked"))
    );
}

#[test]
fn a_change_of_roles_bites_at_once_and_ends_every_session() {
    let mut plant = Plant::ready();
    plant.makes(&admin(), roles("U-0003", &[Line]), &["account.roles_changed U-0003", "session.ended S-U-0003"]);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "signed-out");
    plant.refuses(&admin(), roles("U-0003", &[Line]), "nothing-changes");
    let mut plant = Plant::ready();
    plant.did(&admin(), roles("U-0010", &[Supervisor]));
    let command = Command::OpenSession {
        session: id("S-NEW"),
        account: id("U-0010"),
        device: id("DEVICE-1"),
        expires: plant.minutes_later(60),
    };
    plant.did(&system(), command);
    let by = changed(all_hats(LabelRoom), |by| by.session = id("S-NEW"));
    plant.refuses(&by, open_incoming("ST-1", "R-1"), "not-your-role");
}

/// One grant, changed.
fn one(role: Role, change: impl FnOnce(&mut Grant)) -> Vec<Grant> {
    let mut granted = grants(&[role]);
    change(&mut granted[0]);
    granted
}

fn grant(account: &str, roles: Vec<Grant>) -> Command {
    Command::ChangeRoles { account: id(account), roles, why: "trained anew".to_owned() }
}

fn enrol_with(account: &str, roles: Vec<Grant>) -> Command {
    let (name, identity) = ("Jo Example".to_owned(), "passport seen".to_owned());
    Command::EnrolAccount { account: id(account), name, roles, identity }
}

fn remark() -> Command {
    Command::Remark { record: id("roll/R-1"), text: "scratched core".to_owned() }
}

fn sits_again(plant: &mut Plant, account: &str, session: &str) {
    let (session, device, expires) = (id(session), id("DEVICE-1"), plant.minutes_later(60));
    plant.did(&system(), Command::OpenSession { session, account: id(account), device, expires });
}

#[test]
fn a_role_works_to_its_end_and_not_at_it_and_the_session_goes_on() {
    let mut plant = Plant::ready();
    let end: Time = TRAINED_UNTIL.parse().unwrap();
    plant.wait_until(end.plus_micros(-1));
    plant.clone().did(&room(), remark());
    plant.wait_until(end);
    plant.refuses(&room(), remark(), "role-expired");
    let refusal = plant.act(&room(), open_incoming("ST-1", "R-1")).unwrap_err();
    assert_eq!((refusal.kind, refusal.code.as_str()), (RefusalKind::Forbidden, "role-expired"));
    assert_eq!(
        refusal.to_string(),
        "Person of U-0003 acts as label room no more since 1 March 2027, 00:00:00 UTC: the training (TR-0007) was good \
         until then. Ask the administrator to renew the role, with a reference to a training."
    );
    // A role that they never had is another matter.
    plant.refuses(&person("U-0003", Line), open_incoming("ST-1", "R-1"), "not-your-role");
    // What is theirs goes on in the same session.
    plant.makes(&room(), Command::ChangePassword {}, &["account.password_changed U-0003"]);
    plant.makes(&room(), enrol_key("U-0003", 2), &["account.key_retired U-0003", "account.key_enrolled U-0003"]);
    let end_session =
        Command::EndSession { session: id("S-U-0003"), cause: tallyseal_schema::kinds::SessionEnd::SignedOut };
    plant.makes(&room(), end_session, &["session.ended S-U-0003"]);
    // And they may sign in again.
    sits_again(&mut plant, "U-0003", "S-AGAIN");
}

#[test]
fn one_role_ends_and_another_of_the_same_person_goes_on() {
    let mut plant = Plant::ready();
    let soon = plant.minutes_later(10);
    let mut both = grants(&[LabelRoom, Supervisor]);
    both[0].until = Some(soon);
    plant.did(&admin(), grant("U-0010", both));
    sits_again(&mut plant, "U-0010", "S-NEW");
    let by = |role| changed(all_hats(role), |by| by.session = id("S-NEW"));
    plant.wait_until(soon);
    plant.refuses(&by(LabelRoom), open_incoming("ST-1", "R-1"), "role-expired");
    plant.refuses(&by(LabelRoom), remark(), "role-expired");
    plant.did(&by(Supervisor), remark());
    assert_eq!(state(&plant, "U-0010").live_roles(soon.plus_micros(-1)), [LabelRoom, Supervisor]);
    assert_eq!(state(&plant, "U-0010").live_roles(soon), [Supervisor]);
}

#[test]
fn an_ended_role_is_renewed_on_a_new_training() {
    let mut plant = Plant::ready();
    let end: Time = TRAINED_UNTIL.parse().unwrap();
    plant.wait_until(end);
    plant.refuses(&room(), remark(), "role-expired");
    // Not with the day that has passed.
    plant.refuses(&admin(), roles("U-0003", &[LabelRoom]), "expiry-passed");
    let renewed = one(LabelRoom, |grant| {
        grant.training = "TR-0099".to_owned();
        grant.until = Some(end.plus_micros(60_000_000));
    });
    plant.makes(
        &admin(),
        grant("U-0003", renewed.clone()),
        &["account.roles_changed U-0003", "session.ended S-U-0003"],
    );
    assert_eq!(state(&plant, "U-0003").roles, renewed);
    sits_again(&mut plant, "U-0003", "S-AGAIN");
    plant.did(&changed(room(), |by| by.session = id("S-AGAIN")), remark());
    // Only the training is another: that is a change too, and the very same is none.
    let same = grant("U-0003", renewed.clone());
    plant.refuses(&admin(), same, "nothing-changes");
    let other = renewed.into_iter().map(|grant| Grant { training: "TR-0100".to_owned(), ..grant }).collect();
    plant.did(&admin(), grant("U-0003", other));
}

#[test]
fn a_role_is_granted_once_on_a_training_and_until_a_day_within_three_years() {
    let plant = Plant::peopled();
    let now = plant.now();
    let longest = now.plus_micros(1_096 * 86_400 * 1_000_000);
    let wrong = [
        ("no-training", one(Line, |grant| grant.training = " - ".to_owned())),
        ("control-characters", one(Line, |grant| grant.training = "TR\u{202E}7".to_owned())),
        ("too-long", one(Line, |grant| grant.training = "x".repeat(201))),
        ("no-expiry", one(Line, |grant| grant.until = None)),
        ("no-expiry", one(Auditor, |grant| grant.until = None)),
        ("expiry-passed", one(Line, |grant| grant.until = Some(now))),
        ("expiry-passed", one(Administrator, |grant| grant.until = Some(now))),
        ("expiry-too-far", one(Line, |grant| grant.until = Some(longest.plus_micros(1)))),
        ("expiry-too-far", one(Administrator, |grant| grant.until = Some(longest.plus_micros(1)))),
        ("role-twice", [grants(&[Line]), one(Line, |grant| grant.training = "TR-0008".to_owned())].concat()),
        ("role-twice", grants(&[Line, LabelRoom, Line])),
        // Each of several.
        ("no-expiry", [grants(&[Line]), one(Supervisor, |grant| grant.until = None)].concat()),
    ];
    for (code, granted) in wrong {
        for command in [enrol_with("U-0050", granted.clone()), grant("U-0007", granted)] {
            let refusal = plant.clone().act(&admin(), command.clone()).unwrap_err();
            assert_eq!((refusal.kind, refusal.code.as_str()), (RefusalKind::Invalid, code), "{command:?}");
        }
    }
    let good = [
        one(Line, |grant| grant.until = Some(now.plus_micros(1))),
        one(Line, |grant| grant.until = Some(longest)),
        one(Administrator, |grant| grant.until = None),
        one(Administrator, |grant| grant.until = Some(longest)),
    ];
    for granted in good {
        plant.clone().did(&admin(), enrol_with("U-0050", granted.clone()));
        plant.clone().did(&admin(), grant("U-0007", granted));
    }
    let mut plant = plant;
    plant.did(&admin(), enrol_with("U-0050", one(Line, |grant| grant.training = "  TR-0007 ".to_owned())));
    assert_eq!(state(&plant, "U-0050").roles, grants(&[Line]));
}

#[test]
fn the_founders_roles_do_not_end_and_may_stay_so() {
    let mut plant = Plant::peopled();
    for founder in ["U-0001", "U-0002"] {
        let [grant] = state(&plant, founder).roles.as_slice() else { panic!() };
        assert_eq!(grant.until, None);
        assert!(grant.training.starts_with("one of the two founding accounts"), "{}", grant.training);
    }
    // Whatever else a founder is given may stay without an end as well; for nobody else.
    let endless = [one(Reviewer, |grant| grant.until = None), one(Supervisor, |grant| grant.until = None)].concat();
    plant.refuses(&admin(), grant("U-0009", endless.clone()), "no-expiry");
    plant.did(&admin(), grant("U-0002", endless));
}

#[test]
fn somebody_is_always_left_who_can_renew_the_others() {
    let mut plant = Plant::peopled();
    plant.enrolled("U-0050", &[Administrator]);
    let second = person("U-0050", Administrator);
    assert!(state(&plant, "U-0050").roles[0].until.is_some(), "one whose role ends");
    plant.refuses(&second, disable("U-0001"), "last-administrator");
    plant.refuses(&second, grant("U-0001", grants(&[Auditor])), "last-administrator");
    plant.refuses(&second, grant("U-0001", grants(&[Administrator])), "last-administrator");
    plant.did(&second, grant("U-0001", one(Administrator, |grant| grant.until = None)));
    plant.did(&second, enrol_with("U-0051", one(Administrator, |grant| grant.until = None)));
    plant.clone().did(&second, disable("U-0001"));
    // Whose role ends may go at any time.
    plant.did(
        &system(),
        Command::OpenSession {
            session: id("S-NEW"),
            account: id("U-0001"),
            device: id("DEVICE-1"),
            expires: plant.minutes_later(60),
        },
    );
    let first = changed(admin(), |by| by.session = id("S-NEW"));
    plant.did(&first, disable("U-0051"));
    plant.refuses(&second, disable("U-0001"), "last-administrator");
    plant.did(&first, disable("U-0050"));
}

#[test]
fn whoever_confirms_after_a_reset_has_a_role_that_has_not_ended() {
    let mut plant = Plant::founded();
    plant.enrolled("U-0009", &[Reviewer]);
    let end: Time = TRAINED_UNTIL.parse().unwrap();
    plant.wait_until(end.plus_micros(-1));
    plant.clone().did(&admin(), reset("U-0002"));
    plant.wait_until(end);
    plant.refuses(&admin(), reset("U-0002"), "nobody-to-confirm");
}

#[test]
fn a_disabled_account_does_nothing_and_never_comes_back() {
    let mut plant = Plant::ready();
    plant.makes(&admin(), disable("U-0003"), &["account.disabled U-0003", "session.ended S-U-0003"]);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "signed-out");
    plant.refuses(&admin(), disable("U-0003"), "account-disabled");
    plant.refuses(&admin(), roles("U-0003", &[Line]), "account-disabled");
    plant.refuses(&reviewer(), confirm("U-0003"), "account-disabled");
    plant.refuses(&room(), enrol_key("U-0003", 2), "signed-out");
    plant.refuses(&admin(), enrol("U-0003", &[LabelRoom]), "account-looks-alike");
}

#[test]
fn disabling_and_changing_roles_take_a_reason_and_the_entry_carries_it() {
    let mut plant = Plant::peopled();
    plant.refuses(&admin(), Command::DisableAccount { account: id("U-0003"), why: " - ".to_owned() }, "no-reason");
    plant.refuses(
        &admin(),
        Command::ChangeRoles { account: id("U-0003"), roles: grants(&[Line]), why: "ok".to_owned() },
        "no-reason",
    );
    plant.did(&admin(), disable("U-0003"));
    assert_eq!(plant.last("account.disabled").header.why.as_deref(), Some("left the company"));
}

#[test]
fn a_person_changes_their_own_password_and_keeps_the_key() {
    let mut plant = Plant::peopled();
    plant.makes(&supervisor(), Command::ChangePassword {}, &["account.password_changed U-0006"]);
    assert!(state(&plant, "U-0006").may_sign_with(&key_of("U-0006")));
    let Body::AccountPasswordChanged(_) = &plant.last("account.password_changed").body else { panic!() };
}

#[test]
fn nothing_begins_an_account_but_its_enrolment() {
    let mut plant = Plant::peopled();
    plant.refuses(&admin(), roles("U-0099", &[Line]), "no-such-account");
    plant.refuses(&admin(), disable("U-0099"), "no-such-account");
    plant.refuses(&reviewer(), confirm("U-0099"), "no-such-account");
    plant.refuses(&admin(), reset("U-0099"), "no-such-account");
    plant.refuses(&admin(), unlock("U-0099"), "no-such-account");
}

#[test]
fn the_second_founder_is_founded_whoever_was_enrolled_before_and_looks_like_none_of_them() {
    let mut plant = Plant::default();
    plant.founder("U-0001", Administrator);
    plant.did(&admin(), Command::ChangePassword {});
    plant.did(&admin(), enrol("U-0003", &[LabelRoom]));
    plant.did(&admin(), enrol("U-0004", &[LabelRoom]));
    plant.refuses(&system(), found("U-OOO1", &[Reviewer]), "account-looks-alike");
    plant.refuses(&system(), found("U-0004", &[Reviewer]), "account-looks-alike");
    plant.did(&system(), found("U-0002", &[Reviewer]));
}

#[test]
fn a_disabled_account_does_nothing_though_a_session_of_it_were_left_open() {
    let mut plant = Plant::ready();
    let disabled = tallyseal_schema::kinds::AccountDisabled { account: id("U-0003") };
    plant.writes(&system(), "account/U-0003", disabled.into());
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "signed-out");
}
