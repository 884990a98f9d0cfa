use tallyseal_schema::entry::Person;
use tallyseal_schema::kinds::{Role, SessionEnd};
use tallyseal_schema::{Body, By};

use crate::testing::{Plant, changed, id, machine, open_incoming, person, room, supervisor, system};
use crate::{Command, RefusalKind};

fn open(plant: &Plant, session: &str, minutes: i64) -> Command {
    let expires = plant.minutes_later(minutes);
    Command::OpenSession { session: id(session), account: id("U-0003"), device: id("DEVICE-1"), expires }
}

fn end(session: &str, cause: SessionEnd) -> Command {
    Command::EndSession { session: id(session), cause }
}

fn refuse_password() -> Command {
    Command::RefusePassword { purpose: "count signed".to_owned(), record: Some(id("count/C-000001")) }
}

fn room_in(session: &str) -> By {
    changed(room(), |by| by.session = id(session))
}

#[test]
fn a_session_ends_at_its_very_end_and_not_before() {
    let mut plant = Plant::ready();
    plant.did(&system(), open(&plant.clone(), "S-1", 60));
    let end = plant.now().plus_micros(60 * 60_000_000 - 1_000_000);
    let mut before = plant.clone();
    before.wait_until(end.plus_micros(-1));
    // The station's own interval has passed as well; that refusal comes after the session's.
    before.refuses(&room_in("S-1"), open_incoming("ST-1", "R-1"), "challenge-due");
    plant.wait_until(end);
    plant.refuses(&room_in("S-1"), open_incoming("ST-1", "R-1"), "signed-out");
}

#[test]
fn a_session_is_for_one_person_at_one_device() {
    let mut plant = Plant::ready();
    let with = |change: fn(&mut Person)| changed(room(), change);
    let wrong = [
        with(|by| by.session = id("S-U-0004")),
        with(|by| by.session = id("S-9999")),
        with(|by| by.device = id("DEVICE-2")),
        with(|by| by.account = id("U-0004")),
        with(|by| by.name = "Somebody else".to_owned()),
    ];
    for by in wrong {
        let refusal = plant.act(&by, open_incoming("ST-1", "R-1")).unwrap_err();
        assert_eq!((refusal.kind, refusal.code.as_str()), (RefusalKind::SignedOut, "signed-out"), "{refusal}");
    }
    plant.did(&room(), open_incoming("ST-1", "R-1"));
}

#[test]
fn a_session_is_opened_by_the_software_once_and_ends_after_it_begins() {
    let mut plant = Plant::peopled();
    let command = open(&plant, "S-1", 60);
    plant.makes(&system(), command.clone(), &["session.opened S-1"]);
    plant.refuses(&system(), command.clone(), "id-in-use");
    plant.refuses(&room(), command, "not-for-this-actor");
    plant.refuses(&system(), open(&plant.clone(), "S-2", 0), "internal");
    plant.did(&crate::testing::admin(), Command::DisableAccount { account: id("U-0003"), why: "gone".to_owned() });
    plant.refuses(&system(), open(&plant.clone(), "S-3", 60), "account-disabled");
}

#[test]
fn opening_a_session_ends_those_of_the_account_that_have_expired() {
    let mut plant = Plant::peopled();
    plant.did(&system(), open(&plant.clone(), "S-1", 10));
    plant.did(&system(), open(&plant.clone(), "S-2", 30));
    plant.wait_until(plant.minutes_later(15));
    plant.makes(&system(), open(&plant.clone(), "S-3", 60), &["session.opened S-3", "session.ended S-1"]);
    let Body::SessionEnded(ended) = &plant.last("session.ended").body else { panic!() };
    assert_eq!(ended.cause, SessionEnd::Expired);
}

#[test]
fn an_account_is_not_signed_in_without_bound() {
    let mut plant = Plant::peopled();
    // One is open already.
    for number in 1..200 {
        plant.did(&system(), open(&plant.clone(), &format!("S-{number}"), 600));
    }
    plant.refuses(&system(), open(&plant.clone(), "S-200", 600), "too-many-sessions");
    plant.did(&system(), end("S-7", SessionEnd::Idle));
    plant.did(&system(), open(&plant.clone(), "S-200", 600));
}

#[test]
fn a_person_ends_their_own_session_and_the_software_any() {
    let mut plant = Plant::peopled();
    plant.refuses(&room(), end("S-U-0004", SessionEnd::SignedOut), "not-your-session");
    plant.refuses(&room(), end("S-U-0003", SessionEnd::Idle), "internal");
    plant.makes(&room(), end("S-U-0003", SessionEnd::SignedOut), &["session.ended S-U-0003"]);
    plant.refuses(&room(), end("S-U-0003", SessionEnd::SignedOut), "signed-out");
    plant.makes(&system(), end("S-U-0004", SessionEnd::Idle), &["session.ended S-U-0004"]);
    plant.refuses(&system(), end("S-U-0004", SessionEnd::Idle), "signed-out");
    plant.refuses(&system(), end("S-9999", SessionEnd::Idle), "no-such-session");
}

#[test]
fn the_fifth_wrong_password_ends_the_session() {
    let mut plant = Plant::peopled();
    for _ in 0..4 {
        plant.makes(&room(), refuse_password(), &["session.password_refused S-U-0003"]);
    }
    let Body::SessionPasswordRefused(refused) = &plant.last("session.password_refused").body else { panic!() };
    assert_eq!(refused.failures, 4);
    plant.makes(&room(), refuse_password(), &["session.password_refused S-U-0003", "session.ended S-U-0003"]);
    plant.refuses(&room(), refuse_password(), "signed-out");
    // Only that person's.
    plant.makes(&supervisor(), refuse_password(), &["session.password_refused S-U-0006"]);
}

#[test]
fn a_role_that_the_person_does_not_have_is_refused_before_what_the_role_may_do() {
    let mut plant = Plant::ready();
    plant.refuses(&person("U-0003", Role::Reviewer), open_incoming("ST-1", "R-1"), "not-your-role");
    plant.refuses(&supervisor(), open_incoming("ST-1", "R-1"), "wrong-role");
    plant.refuses(&machine("ST-1"), open_incoming("ST-1", "R-1"), "not-for-this-actor");
    plant.refuses(&system(), open_incoming("ST-1", "R-1"), "not-for-this-actor");
}

#[test]
fn strangers_are_summed_up_by_the_software() {
    let mut plant = Plant::peopled();
    let note = |plant: &Plant, count: u32, minutes: i64| Command::NoteStrangers {
        source: "192.0.2.9".to_owned(),
        count,
        from: plant.now(),
        to: plant.minutes_later(minutes),
    };
    plant.makes(&system(), note(&plant.clone(), 3, 1), &["access.refused B"]);
    plant.refuses(&system(), note(&plant.clone(), 0, 1), "internal");
    plant.refuses(&system(), note(&plant.clone(), 3, -1), "internal");
    plant.refuses(&room(), note(&plant.clone(), 3, 1), "not-for-this-actor");
}

#[test]
fn a_session_that_ends_at_this_very_moment_has_expired() {
    let mut plant = Plant::peopled();
    plant.did(&system(), open(&plant.clone(), "S-1", 10));
    plant.wait_until(plant.minutes_later(10).plus_micros(-1_000_000));
    plant.clone().makes(&system(), open(&plant.clone(), "S-2", 60), &["session.opened S-2", "session.ended S-1"]);
    let mut before = Plant::peopled();
    before.did(&system(), open(&before.clone(), "S-1", 10));
    before.wait_until(before.minutes_later(10).plus_micros(-1_000_001));
    before.makes(&system(), open(&before.clone(), "S-2", 60), &["session.opened S-2"]);
}

fn lock(session: &str) -> Command {
    Command::LockSession { session: id(session), idle_seconds: 900 }
}

#[test]
fn a_locked_session_opens_nothing_but_itself_and_the_way_out() {
    let mut plant = Plant::ready();
    plant.makes(&system(), lock("S-U-0003"), &["session.locked S-U-0003"]);
    let Body::SessionLocked(locked) = &plant.last("session.locked").body else { panic!() };
    assert_eq!(locked.idle_seconds, 900);
    for command in super::authority::every_command() {
        let row = command.authority();
        let refused = plant.clone().act(&room(), command).map_err(|refusal| (refusal.kind, refusal.code));
        let locked = refused == Err((RefusalKind::Locked, "session-locked".to_owned()));
        assert_eq!(locked, !row.while_locked && !row.roles.is_empty(), "{}: {refused:?}", row.command);
    }
    // Not even in a role that the person has not: nothing is learned of it.
    let other = person("U-0003", Role::Reviewer);
    plant.clone().refuses(&other, open_incoming("ST-1", "R-1"), "session-locked");
    // Only that session.
    plant.did(&supervisor(), Command::Remark { record: id("roll/R-1"), text: "scratched core".to_owned() });
    plant.makes(&room(), Command::UnlockSession {}, &["session.unlocked S-U-0003"]);
    plant.did(&room(), open_incoming("ST-1", "R-1"));
    plant.did(&system(), lock("S-U-0003"));
    plant.makes(&room(), end("S-U-0003", SessionEnd::SignedOut), &["session.ended S-U-0003"]);
}

#[test]
fn a_session_is_locked_once_and_opened_once() {
    let mut plant = Plant::peopled();
    plant.refuses(&room(), lock("S-U-0003"), "not-for-this-actor");
    plant.refuses(&system(), Command::LockSession { session: id("S-U-0003"), idle_seconds: 0 }, "internal");
    plant.refuses(&system(), lock("S-9999"), "no-such-session");
    plant.refuses(&room(), Command::UnlockSession {}, "not-locked");
    plant.did(&system(), lock("S-U-0003"));
    plant.refuses(&system(), lock("S-U-0003"), "locked-already");
    plant.did(&room(), Command::UnlockSession {});
    plant.refuses(&room(), Command::UnlockSession {}, "not-locked");
    plant.did(&room(), end("S-U-0003", SessionEnd::SignedOut));
    plant.refuses(&system(), lock("S-U-0003"), "signed-out");
    plant.refuses(&room(), Command::UnlockSession {}, "signed-out");
}

#[test]
fn wrong_passwords_in_a_locked_session_count_on_and_end_it() {
    let mut plant = Plant::peopled();
    for _ in 0..2 {
        plant.did(&room(), refuse_password());
    }
    plant.did(&system(), lock("S-U-0003"));
    plant.did(&room(), refuse_password());
    plant.did(&room(), Command::UnlockSession {});
    plant.did(&room(), refuse_password());
    // A lock and a right password between them forgive nothing.
    plant.makes(&room(), refuse_password(), &["session.password_refused S-U-0003", "session.ended S-U-0003"]);
}

#[test]
fn nobody_goes_on_in_a_locked_session_while_the_account_is_locked() {
    let mut plant = Plant::peopled();
    plant.did(&system(), lock("S-U-0003"));
    let until = plant.minutes_later(15);
    plant.did(&system(), Command::LockAccount { account: id("U-0003"), failures: 10, until });
    plant.clone().refuses(&room(), Command::UnlockSession {}, "locked");
    plant.wait_until(until);
    plant.did(&room(), Command::UnlockSession {});
}
