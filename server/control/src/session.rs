//! Sessions, and whether an actor may act at all.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    AccountUnlocked, ActRefused, SessionEnd, SessionEnded, SessionLocked, SessionOpened, SessionPasswordRefused,
    SessionUnlocked,
};
use tallyseal_schema::{Body, By, Entry, Time};

use crate::authority::Authority;
use crate::refusal::{Refusal, RefusalKind};
use crate::state::Key;
use crate::text::{line, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// So many wrong passwords end a session, whatever succeeds between them. Rule: 21 CFR 11.300(d); the number is the site's to lower.
pub(crate) const FAILURES_MAX: u32 = 5;

/// So many sessions of one account may be open at the same time, so that ending all of them stays a small act.
pub(crate) const SESSIONS_MAX: usize = 200;

/// What is remembered of a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SessionState {
    /// Whose.
    pub account: AccountId,
    /// At which device.
    pub device: Id,
    /// Why it ended, where it has.
    pub ended: Option<SessionEnd>,
    /// When it ends whatever happens.
    pub expires: Time,
    /// Wrong passwords in it.
    pub failures: u32,
    /// Nobody used it for the idle time: nothing is open until its person gives account and password again.
    pub locked: bool,
}

impl SessionState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::SessionOpened(body) = body else { return None };
        Some(Self {
            account: body.account.clone(),
            device: body.device.clone(),
            ended: None,
            expires: body.expires,
            failures: 0,
            locked: false,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::SessionEnded(body) => self.ended = Some(body.cause),
            Body::SessionLocked(_) => self.locked = true,
            Body::SessionUnlocked(_) => self.locked = false,
            Body::SessionPasswordRefused(body) => self.failures = body.failures,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if self.ended.is_none() {
            keys.push(Key::new("session.open", &self.account));
            if !self.locked {
                keys.push(Key::new("session.unlocked", "yes"));
            }
        }
    }
}

/// Checks that the actor may give this kind of command now: session, account, role.
///
/// Rule: 21 CFR 11.10(d), (g) and (i). Rules about the thing itself come after this.
pub(crate) fn authorise(world: &World, context: &Context, authority: &Authority) -> Result<(), Stop> {
    let person = match &context.by {
        By::System(_) if authority.system => return Ok(()),
        By::Machine(_) if authority.machine => return Ok(()),
        By::Person(person) if !authority.roles.is_empty() => person,
        By::Person(_) => {
            return Err(Refusal::forbidden(
                "not-for-this-actor",
                format!("\"{}\" is recorded by the software itself, never by a person.", authority.command),
                "Use the page that shows the thing; what comes from a machine is recorded without you.",
            )
            .into());
        }
        By::System(_) | By::Machine(_) => {
            return Err(Refusal::forbidden(
                "not-for-this-actor",
                format!("\"{}\" is an act of a person.", authority.command),
                "Sign in and do it yourself.",
            )
            .into());
        }
    };
    let signed_out = |text: &str| Refusal::new(RefusalKind::SignedOut, "signed-out", text, "Sign in again.");
    let session = match world.session(&of(Thing::Session, &person.session)) {
        Err(Stop::Refused(_)) => return Err(signed_out("There is no such session.").into()),
        other => other?,
    };
    if session.account != person.account || session.device != person.device {
        return Err(signed_out("The session is another person's or another device's.").into());
    }
    if session.ended.is_some() {
        return Err(signed_out("The session has ended.").into());
    }
    if context.at >= session.expires {
        return Err(signed_out("The session has expired.").into());
    }
    let account = world.account(&Stream::account(&person.account))?;
    if account.disabled {
        return Err(signed_out("The account is disabled.").into());
    }
    // Before anything is said about roles: whoever stands at an unattended screen learns nothing.
    if session.locked && !authority.while_locked {
        return Err(Refusal::session_locked().into());
    }
    if account.name != person.name {
        return Err(signed_out("The account's name is another.").into());
    }
    let Some(grant) = account.grant(person.role) else {
        return Err(Refusal::forbidden(
            "not-your-role",
            format!("{} does not act as {}.", person.name, person.role.title()),
            "Choose a role that you have, or ask the administrator for this one.",
        )
        .into());
    };
    if let Some(until) = grant.until
        && !grant.holds(context.at)
        && !authority.with_expired_role
    {
        let (name, role, since) = (&person.name, person.role.title(), until.in_words());
        return Err(Refusal::forbidden(
            "role-expired",
            format!(
                "{name} acts as {role} no more since {since}: the training ({}) was good until then.",
                grant.training
            ),
            "Ask the administrator to renew the role, with a reference to a training.",
        )
        .into());
    }
    if !authority.roles.contains(&person.role) {
        let roles: Vec<_> = authority.roles.iter().map(|role| role.title()).collect();
        return Err(Refusal::forbidden(
            "wrong-role",
            format!("\"{}\" is done as {}, not as {}.", authority.command, roles.join(" or "), person.role.title()),
            "Ask a person who has that role.",
        )
        .into());
    }
    if account.must_change_password && !authority.with_one_time_password {
        return Err(Refusal::forbidden(
            "one-time-password",
            "A one-time password opens nothing but the change of the password.",
            "Set your own password first.",
        )
        .into());
    }
    Ok(())
}

pub(crate) fn open(
    world: &World,
    context: &Context,
    session: &Id,
    account: &AccountId,
    device: &Id,
    expires: Time,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Session, session);
    world.must_be_new("session", &stream)?;
    let state = world.account(&Stream::account(account))?;
    if state.disabled {
        return Err(Refusal::new(
            RefusalKind::SignedOut,
            "account-disabled",
            "The account is disabled.",
            "Ask the administrator.",
        )
        .into());
    }
    if state.is_locked(context.at) {
        return Err(account_locked().into());
    }
    if expires <= context.at {
        return Err(Refusal::internal("a session must end after it begins").into());
    }
    let body = SessionOpened { account: account.clone(), device: device.clone(), expires };
    let mut drafts = vec![Draft::entry(&stream, body)];
    if state.locked_until.is_some() {
        let unlocked = AccountUnlocked { account: account.clone() };
        drafts.push(Draft::because(&Stream::account(account), unlocked, "the time that the lock stated has passed"));
    }
    let mut live = 0_usize;
    for other in world.set(&Key::new("session.open", account))? {
        if context.at >= world.session(other)?.expires {
            drafts.push(Draft::entry(other, SessionEnded { cause: SessionEnd::Expired }));
        } else {
            live += 1;
        }
    }
    if live >= SESSIONS_MAX {
        return Err(Refusal::conflict(
            "too-many-sessions",
            format!("The account {account} is signed in {live} times."),
            "Sign out elsewhere first, or wait until an old session has expired.",
        )
        .into());
    }
    Ok(drafts)
}

pub(crate) fn end(world: &World, context: &Context, session: &Id, cause: SessionEnd) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Session, session);
    let state = world.session(&stream)?;
    if let Some(account) = context.by.account() {
        if *account != state.account {
            return Err(
                Refusal::forbidden("not-your-session", "That is another person's session.", "End your own.").into()
            );
        }
        if cause != SessionEnd::SignedOut {
            return Err(Refusal::internal("a person ends a session by signing out").into());
        }
    }
    if state.ended.is_some() {
        return Err(Refusal::conflict("signed-out", "The session has ended.", "Nothing is left to do.").into());
    }
    Ok(vec![Draft::entry(&stream, SessionEnded { cause })])
}

/// Locks a session that nobody used. Only what this person may see and do is stopped: captures and open counts run on.
///
/// Rule: 21 CFR 11.10(d). The software measures the time; nobody can switch it off.
pub(crate) fn lock(world: &World, session: &Id, idle_seconds: u64) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Session, session);
    let state = world.session(&stream)?;
    if state.ended.is_some() {
        return Err(Refusal::conflict("signed-out", "The session has ended.", "Nothing is left to do.").into());
    }
    if state.locked {
        return Err(
            Refusal::conflict("locked-already", "The session is locked already.", "Nothing is left to do.").into()
        );
    }
    if idle_seconds == 0 {
        return Err(Refusal::internal("a session that is in use is not locked").into());
    }
    Ok(vec![Draft::entry(&stream, SessionLocked { idle_seconds })])
}

/// Opens a locked session to its own person, whose account and password the software has checked.
pub(crate) fn unlock(world: &World, context: &Context) -> Result<Vec<Draft>, Stop> {
    let By::Person(person) = &context.by else {
        return Err(Refusal::internal("only a person opens a session again").into());
    };
    let stream = of(Thing::Session, &person.session);
    if world.account(&Stream::account(&person.account))?.is_locked(context.at) {
        return Err(account_locked().into());
    }
    if !world.session(&stream)?.locked {
        return Err(Refusal::conflict("not-locked", "The session is not locked.", "Nothing is left to do.").into());
    }
    Ok(vec![Draft::entry(&stream, SessionUnlocked {})])
}

fn account_locked() -> Refusal {
    Refusal::new(
        RefusalKind::SignedOut,
        "locked",
        "Too many wrong passwords were given for this account.",
        "Wait until its time has passed, or ask an administrator to unlock it.",
    )
}

/// Ends every open session of an account: its authority has changed, and what is on a screen no longer holds.
///
/// Rule: 21 CFR 11.10(d); a revocation bites at once.
pub(crate) fn end_all(world: &World, account: &AccountId) -> Result<Vec<Draft>, Stop> {
    let open = world.set(&Key::new("session.open", account))?;
    Ok(open.iter().map(|session| Draft::entry(session, SessionEnded { cause: SessionEnd::Revoked })).collect())
}

/// Rule: 21 CFR 11.10(g); a refusal that matters is a record, whichever part of the software gave it.
pub(crate) fn note_refusal(
    context: &Context,
    code: &str,
    command: &str,
    record: Option<&Stream>,
    text: &str,
) -> Result<Vec<Draft>, Stop> {
    let By::Person(person) = &context.by else {
        return Err(Refusal::internal("only a person is refused in a session").into());
    };
    let body = ActRefused {
        code: line("code", code)?,
        command: line("command", command)?,
        record: record.cloned(),
        text: said("text", text)?,
    };
    Ok(vec![Draft::entry(&of(Thing::Session, &person.session), body)])
}

pub(crate) fn refuse_password(
    world: &World,
    context: &Context,
    purpose: &str,
    record: Option<&Stream>,
) -> Result<Vec<Draft>, Stop> {
    let By::Person(person) = &context.by else {
        return Err(Refusal::internal("only a person has a password").into());
    };
    let stream = of(Thing::Session, &person.session);
    let failures = world.session(&stream)?.failures.saturating_add(1);
    let body = SessionPasswordRefused { failures, purpose: line("purpose", purpose)?, record: record.cloned() };
    let mut drafts = vec![Draft::entry(&stream, body)];
    if failures >= FAILURES_MAX {
        drafts.push(Draft::entry(&stream, SessionEnded { cause: SessionEnd::Failures }));
    }
    Ok(drafts)
}
