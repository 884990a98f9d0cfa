//! Accounts: one person, for ever.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{AccountId, Stream, Thing};
use tallyseal_schema::kinds::{
    AccountDisabled, AccountEnrolled, AccountKeyCompromised, AccountKeyEnrolled, AccountKeyRetired, AccountLocked,
    AccountPasswordChanged, AccountPasswordReset, AccountRolesChanged, AccountUnlocked, Grant, Role,
};
use tallyseal_schema::signature::key_name;
use tallyseal_schema::{Body, By, Entry, Hash, Time, canonical};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::session::end_all;
use crate::state::Key;
use crate::text::{line, reason, said};
use crate::world::{Stop, World};
use crate::{Context, Draft};

/// How far ahead a grant may end: three years, whichever of them are leap years. Unit: microseconds. Common practice,
/// no source; the site's to lower.
const GRANT_MAX: i64 = (3 * 365 + 1) * 86_400 * 1_000_000;

/// What stands in place of a training in the grants of the two founders: nobody was there to hold it against.
const FOUNDING: &str = "one of the two founding accounts; the plant keeps the record of the training itself";

/// A signing key of an account.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AccountKey {
    /// Somebody else may have held it: what it signed at this `n` and after does not stand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compromised_from: Option<u64>,
    /// A second account confirmed the person's identity over it.
    pub confirmed: bool,
    /// SHA-256 of the raw public key.
    pub key: Hash,
    /// No longer good for new signatures.
    pub retired: bool,
}

/// What is remembered of an account.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AccountState {
    /// It no longer works.
    pub disabled: bool,
    /// One of the two that opened the book.
    pub founder: bool,
    /// Every key, in order.
    pub keys: Vec<AccountKey>,
    /// Nobody signs in with it before that moment.
    pub locked_until: Option<Time>,
    /// The password is a one-time one.
    pub must_change_password: bool,
    /// Printed name.
    pub name: String,
    /// What the person may act as, and until when. One that has ended stays here until it is renewed or taken away.
    pub roles: Vec<Grant>,
}

/// An account's ID with look-alikes brought together, so that two IDs which a person might confuse collide.
pub fn fold_account(id: &AccountId) -> String {
    id.as_str()
        .chars()
        .filter(|c| *c != '-')
        .map(|c| match c {
            'O' | 'Q' => '0',
            'I' | 'L' => '1',
            'Z' => '2',
            'S' => '5',
            'B' => '8',
            other => other,
        })
        .collect()
}

impl AccountState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        matches!(body, Body::AccountEnrolled(_)).then(Self::default)
    }

    /// The grant of that role, whether or not it has ended.
    pub fn grant(&self, role: Role) -> Option<&Grant> {
        self.roles.iter().find(|grant| grant.role == role)
    }

    /// True where the person may act so at that moment.
    ///
    /// Rule: 21 CFR 11.10(i); `FORMAT.md` section 4.
    pub fn acts_as(&self, role: Role, at: Time) -> bool {
        self.grant(role).is_some_and(|grant| grant.holds(at))
    }

    /// All that the person may act as at that moment.
    pub fn live_roles(&self, at: Time) -> Vec<Role> {
        self.roles.iter().filter(|grant| grant.holds(at)).map(|grant| grant.role).collect()
    }

    /// True where it may open and renew accounts for as long as the book is kept.
    fn administers_for_good(&self) -> bool {
        !self.disabled && lasts(&self.roles)
    }

    /// True where that key is enrolled, confirmed and not retired.
    pub fn may_sign_with(&self, key: &Hash) -> bool {
        self.keys.iter().any(|known| known.key == *key && known.confirmed && !known.retired)
    }

    /// True where nobody signs in with the account at that moment.
    pub fn is_locked(&self, at: Time) -> bool {
        self.locked_until.is_some_and(|until| at < until)
    }

    /// True where that key is the account's first one and may confirm the other founder though nobody has confirmed
    /// it: the two begin the book by confirming each other, each with the key made under their own password.
    ///
    /// Rule: `FORMAT.md` section 4.
    pub fn founds_with(&self, key: &Hash) -> bool {
        self.founder && self.keys.first().is_some_and(|first| first.key == *key && !first.retired)
    }

    /// From which entry on signatures by that key do not stand; `None` where nobody marked it so.
    ///
    /// Rule: `FORMAT.md` section 4.
    pub fn compromised_from(&self, key: &Hash) -> Option<u64> {
        self.keys.iter().filter(|known| known.key == *key).filter_map(|known| known.compromised_from).min()
    }

    /// The key for new signatures, confirmed or not.
    pub fn current_key(&self) -> Option<&AccountKey> {
        self.keys.last().filter(|key| !key.retired)
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::AccountEnrolled(body) => {
                self.founder = body.founder;
                self.name.clone_from(&body.name);
                self.roles.clone_from(&body.roles);
                self.must_change_password = true;
            }
            Body::AccountKeyEnrolled(body) => {
                self.keys.push(AccountKey { compromised_from: None, confirmed: false, key: body.key, retired: false });
            }
            Body::AccountKeyCompromised(body) => {
                for key in self.keys.iter_mut().filter(|known| known.key == body.key) {
                    // The earliest counts: a later mark takes nothing back.
                    key.compromised_from = Some(key.compromised_from.map_or(body.from, |from| from.min(body.from)));
                }
            }
            Body::AccountKeyRetired(body) => {
                for key in self.keys.iter_mut().filter(|known| known.key == body.key) {
                    key.retired = true;
                }
            }
            Body::AccountRolesChanged(body) => self.roles.clone_from(&body.roles),
            Body::AccountDisabled(_) => self.disabled = true,
            Body::AccountPasswordChanged(_) => self.must_change_password = false,
            Body::AccountPasswordReset(_) => self.must_change_password = true,
            Body::AccountLocked(body) => self.locked_until = Some(body.until),
            Body::AccountUnlocked(_) => self.locked_until = None,
            Body::SignatureApplied(body) if body.meaning == "identity confirmed" => {
                // Over the newest key only: an older one was lost or left, and nobody looked at it now.
                if let Some(key) = self.keys.last_mut() {
                    key.confirmed = true;
                }
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, stream: &Stream, keys: &mut Vec<Key>) {
        if let Ok(account) = stream.id().as_str().parse() {
            keys.push(Key::new("account.folded", fold_account(&account)));
        }
        if self.founder {
            keys.push(Key::new("account.founder", "yes"));
        }
        keys.extend(self.keys.iter().map(|key| Key::new("account.key", key.key)));
        if !self.disabled && self.keys.iter().any(|key| !key.confirmed && !key.retired) {
            keys.push(Key::new("account.unconfirmed", "yes"));
        }
        if !self.disabled && self.locked_until.is_some() {
            keys.push(Key::new("account.locked", "yes"));
        }
        // When it ends is looked at by whoever asks: a key knows no clock.
        if !self.disabled && self.roles.iter().any(|grant| grant.until.is_some()) {
            keys.push(Key::new("account.ends", "yes"));
        }
    }
}

fn checked_roles(roles: &[Role]) -> Result<Vec<Role>, Stop> {
    let mut sorted = roles.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    if sorted.is_empty() {
        return Err(Refusal::invalid("no-role", "The account has no role.", "Give at least one role.").into());
    }
    let admin_and_label = sorted.contains(&Role::Administrator)
        && sorted.iter().any(|role| !matches!(role, Role::Administrator | Role::Auditor));
    if admin_and_label {
        return Err(Refusal::invalid(
            "administrator-has-no-label-acts",
            "An administrator does no label acts.",
            "Open a second account for another person, or leave the role of administrator away.",
        )
        .into());
    }
    Ok(sorted)
}

/// True where these grants make an administrator whose role does not end by itself.
fn lasts(grants: &[Grant]) -> bool {
    grants.iter().any(|grant| grant.role == Role::Administrator && grant.until.is_none())
}

/// The grants as they are recorded: in the order of the roles, one for each.
///
/// Rule: 21 CFR 11.10(i) and 211.25(a).
fn checked_grants(grants: &[Grant], founder: bool, at: Time) -> Result<Vec<Grant>, Stop> {
    let roles: Vec<Role> = grants.iter().map(|grant| grant.role).collect();
    if checked_roles(&roles)?.len() < roles.len() {
        return Err(Refusal::invalid(
            "role-twice",
            "One role is granted twice; nobody could say which training and which end are meant.",
            "Grant each role once.",
        )
        .into());
    }
    let checked: Result<Vec<Grant>, Stop> = grants.iter().map(|grant| checked_grant(grant, founder, at)).collect();
    let mut checked = checked?;
    checked.sort_unstable();
    Ok(checked)
}

fn checked_grant(grant: &Grant, founder: bool, at: Time) -> Result<Grant, Stop> {
    let title = grant.role.title();
    if !grant.training.chars().any(char::is_alphanumeric) {
        return Err(Refusal::invalid(
            "no-training",
            format!("The role of {title} names no training."),
            "Name the record of the training that it rests on.",
        )
        .into());
    }
    let refused = match grant.until {
        // Were every administrator's role to end, nobody could renew anybody's.
        None if founder || grant.role == Role::Administrator => None,
        None => Some((
            "no-expiry",
            format!("The role of {title} has no end."),
            "Say until when the training is good; only administrators and the two founders may go without.",
        )),
        Some(until) if until <= at => Some((
            "expiry-passed",
            format!("The role of {title} would have ended on {} already.", until.in_words()),
            "Give an end that lies ahead, or leave the role away.",
        )),
        Some(until) if until > at.plus_micros(GRANT_MAX) => Some((
            "expiry-too-far",
            format!("The role of {title} would end on {}; a training is good for 3 years at most.", until.in_words()),
            "Give an earlier end, and renew the role after the next training.",
        )),
        Some(_) => None,
    };
    if let Some((code, text, remedy)) = refused {
        return Err(Refusal::invalid(code, text, remedy).into());
    }
    Ok(Grant { training: line("training", &grant.training)?, ..grant.clone() })
}

/// Checks that this account is not the last one that may open and renew accounts for good: whoever takes that away from
/// it may be an administrator whose own role ends, and then nobody would be left to renew anybody's.
fn not_the_last_to_administer(world: &World, stream: &Stream, state: &AccountState) -> Result<(), Stop> {
    if !state.administers_for_good() {
        return Ok(());
    }
    for other in world.set(&Key::new("thing", Thing::Account.as_str()))? {
        if other != stream && world.account(other)?.administers_for_good() {
            return Ok(());
        }
    }
    Err(Refusal::conflict(
        "last-administrator",
        format!("{} is the last administrator whose role does not end by itself.", stream.id()),
        "Make another account an administrator without an end first, so that somebody is left to renew the others.",
    )
    .into())
}

/// Checks that no account exists that a person might take for this one. Rule: an ID is for one person for ever.
fn must_not_look_alike(world: &World, account: &AccountId) -> Result<(), Stop> {
    if let Some(other) = world.set(&Key::new("account.folded", fold_account(account)))?.first() {
        return Err(Refusal::conflict(
            "account-looks-alike",
            format!("{account} is taken, or looks like the account {}.", other.id()),
            "Choose an ID that nobody can confuse with it; IDs are never used again.",
        )
        .into());
    }
    Ok(())
}

pub(crate) fn found(world: &World, account: &AccountId, name: &str, roles: &[Role]) -> Result<Vec<Draft>, Stop> {
    let founders = world.set(&Key::new("account.founder", "yes"))?;
    if founders.len() >= 2 {
        return Err(Refusal::conflict(
            "founded",
            "The book has its two founders.",
            "Let the administrator open further accounts.",
        )
        .into());
    }
    must_not_look_alike(world, account)?;
    let roles = checked_roles(roles)?;
    if !roles.iter().any(|role| matches!(role, Role::Administrator | Role::Reviewer)) {
        return Err(Refusal::invalid(
            "founder-cannot-confirm",
            "A founder must confirm the other one, and these roles cannot.",
            "Make each founder an administrator or a reviewer.",
        )
        .into());
    }
    let mut administrator = roles.contains(&Role::Administrator);
    for founder in founders {
        administrator |= world.account(founder)?.grant(Role::Administrator).is_some();
    }
    if !founders.is_empty() && !administrator {
        return Err(Refusal::invalid(
            "no-administrator",
            "Neither founder would be an administrator; nobody could ever open another account.",
            "Make one of the two an administrator.",
        )
        .into());
    }
    let body = AccountEnrolled {
        account: account.clone(),
        founder: true,
        identity: "one of the two founding accounts; they confirm each other".to_owned(),
        name: line("name", name)?,
        // Without an end: the book must never lose those who can renew others.
        roles: roles.into_iter().map(|role| Grant { role, training: FOUNDING.to_owned(), until: None }).collect(),
    };
    Ok(vec![Draft::entry(&Stream::account(account), body)])
}

pub(crate) fn enrol(
    world: &World,
    context: &Context,
    account: &AccountId,
    name: &str,
    roles: &[Grant],
    identity: &str,
) -> Result<Vec<Draft>, Stop> {
    must_not_look_alike(world, account)?;
    let body = AccountEnrolled {
        account: account.clone(),
        founder: false,
        identity: said("identity", identity)?,
        name: line("name", name)?,
        roles: checked_grants(roles, false, context.at)?,
    };
    Ok(vec![Draft::entry(&Stream::account(account), body)])
}

pub(crate) fn enrol_key(world: &World, context: &Context, body: AccountKeyEnrolled) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(&body.account);
    let state = world.account(&stream)?;
    if let By::Person(person) = &context.by
        && person.account != body.account
    {
        return Err(Refusal::forbidden("not-your-key", "A person sets only their own key.", "Sign in yourself.").into());
    }
    not_disabled(state, &body.account)?;
    // What the software made is looked at all the same: a verifier would call it a fault for ever.
    let public = canonical::unbase64(&body.public_key).and_then(|bytes| <[u8; 32]>::try_from(bytes).ok());
    if public.is_none_or(|public| key_name(&public) != body.key) {
        return Err(Refusal::internal("the key's name is not that of its public part").into());
    }
    if !world.set(&Key::new("account.key", body.key))?.is_empty() {
        return Err(Refusal::internal("one key is enrolled once and belongs to one account").into());
    }
    let mut drafts = Vec::new();
    if let Some(old) = state.current_key().map(|key| key.key) {
        // A new key without the old one's signature replaces it: the old one signs nothing more.
        drafts.push(Draft::because(
            &stream,
            AccountKeyRetired { account: body.account.clone(), key: old },
            "a new key was made under the person's own password",
        ));
    }
    if body.previous != state.keys.last().map(|key| key.key) {
        return Err(Refusal::internal("the key before it is not the account's").into());
    }
    let account = body.account.clone();
    drafts.push(Draft::entry(&stream, body));
    if state.must_change_password && matches!(context.by, By::Person(_)) {
        drafts.push(Draft::entry(&stream, AccountPasswordChanged { account }));
    }
    Ok(drafts)
}

/// Rule: `FORMAT.md` section 4; 21 CFR 11.300(c). The old key is retired, and whoever gave the one-time secret does not
/// confirm the new one: else one administrator alone could sign as somebody else.
pub(crate) fn reset_password(
    world: &World,
    context: &Context,
    account: &AccountId,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_oneself(context, account)?;
    not_disabled(state, account)?;
    if !somebody_could_confirm(world, context, &stream)? {
        return Err(Refusal::conflict(
            "nobody-to-confirm",
            format!(
                "Nobody but you could confirm the key that {account} makes next, and whoever gives a one-time secret \
                 does not confirm."
            ),
            "Open an account for another administrator or reviewer and have it confirmed first.",
        )
        .into());
    }
    let why = reason(why)?;
    let mut drafts = vec![Draft::because(&stream, AccountPasswordReset { account: account.clone() }, &why)];
    if let Some(key) = state.current_key().map(|key| key.key) {
        drafts.push(Draft::because(&stream, AccountKeyRetired { account: account.clone(), key }, &why));
    }
    if state.is_locked(context.at) {
        drafts.push(Draft::because(&stream, AccountUnlocked { account: account.clone() }, &why));
    }
    drafts.extend(end_all(world, account)?);
    Ok(drafts)
}

/// True where a person other than the actor can confirm the next key of that account: an administrator or a reviewer
/// whose own key is confirmed, or a founder whom the other founder has yet to confirm.
fn somebody_could_confirm(world: &World, context: &Context, stream: &Stream) -> Result<bool, Stop> {
    let facts = &world.record(stream)?.ok_or_else(|| Refusal::not_found("account", stream))?.facts;
    for other in world.set(&Key::new("thing", Thing::Account.as_str()))? {
        if other == stream || context.by.account().is_some_and(|actor| *other == Stream::account(actor)) {
            continue;
        }
        let state = world.account(other)?;
        let settled = match state.current_key() {
            Some(key) => key.confirmed || (state.founder && state.keys.len() == 1),
            None => state.founder && state.keys.is_empty(),
        };
        let role = state.acts_as(Role::Administrator, context.at) || state.acts_as(Role::Reviewer, context.at);
        let had_a_part = facts.doers.values().flatten().any(|doer| *other == Stream::account(doer));
        if settled && role && !state.disabled && !had_a_part {
            return Ok(true);
        }
    }
    Ok(false)
}

pub(crate) fn lock(
    world: &World,
    context: &Context,
    account: &AccountId,
    failures: u32,
    until: Time,
) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_disabled(state, account)?;
    if state.is_locked(context.at) {
        return Err(Refusal::conflict(
            "locked-already",
            format!("The account {account} is locked already."),
            "Nothing is left to do.",
        )
        .into());
    }
    if until <= context.at {
        return Err(Refusal::internal("a lock must end after it begins").into());
    }
    Ok(vec![Draft::entry(&stream, AccountLocked { account: account.clone(), failures, until })])
}

pub(crate) fn unlock(world: &World, context: &Context, account: &AccountId, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_oneself(context, account)?;
    not_disabled(state, account)?;
    if !state.is_locked(context.at) {
        return Err(Refusal::conflict(
            "not-locked",
            format!("The account {account} is not locked."),
            "Nothing is left to do.",
        )
        .into());
    }
    Ok(vec![Draft::because(&stream, AccountUnlocked { account: account.clone() }, &reason(why)?)])
}

pub(crate) fn change_password(world: &World, context: &Context) -> Result<Vec<Draft>, Stop> {
    let Some(account) = context.by.account() else {
        return Err(Refusal::internal("only a person has a password").into());
    };
    let stream = Stream::account(account);
    world.account(&stream)?;
    Ok(vec![Draft::entry(&stream, AccountPasswordChanged { account: account.clone() })])
}

pub(crate) fn confirm_identity(world: &World, context: &Context, account: &AccountId) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_disabled(state, account)?;
    match state.current_key() {
        None => Err(Refusal::conflict(
            "no-key",
            format!("{account} has no signing key yet."),
            "Let the person sign in once and set their own password.",
        )
        .into()),
        Some(key) if key.confirmed => Err(Refusal::conflict(
            "already-confirmed",
            format!("The identity of {account} is confirmed."),
            "Nothing is left to do.",
        )
        .into()),
        Some(_) => {
            let signed = signature(world, context, &stream, &[], "identity confirmed")?;
            Ok(vec![signed])
        }
    }
}

pub(crate) fn change_roles(
    world: &World,
    context: &Context,
    account: &AccountId,
    roles: &[Grant],
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_oneself(context, account)?;
    let roles = checked_grants(roles, state.founder, context.at)?;
    not_disabled(state, account)?;
    if state.roles == roles {
        return Err(Refusal::conflict(
            "nothing-changes",
            format!("The account {account} has just these roles, on the same training and until the same day."),
            "Nothing is left to do.",
        )
        .into());
    }
    if !lasts(&roles) {
        not_the_last_to_administer(world, &stream, state)?;
    }
    let body = AccountRolesChanged { account: account.clone(), roles };
    let mut drafts = vec![Draft::because(&stream, body, &reason(why)?)];
    drafts.extend(end_all(world, account)?);
    Ok(drafts)
}

pub(crate) fn disable(world: &World, context: &Context, account: &AccountId, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_oneself(context, account)?;
    if state.disabled {
        return Err(Refusal::conflict(
            "account-disabled",
            format!("The account {account} is disabled already."),
            "Nothing is left to do.",
        )
        .into());
    }
    not_the_last_to_administer(world, &stream, state)?;
    let mut drafts = vec![Draft::because(&stream, AccountDisabled { account: account.clone() }, &reason(why)?)];
    drafts.extend(end_all(world, account)?);
    Ok(drafts)
}

/// Marks a key that somebody else may have held. It signs nothing more from now on; what it signed from `from` on is
/// still there and does not stand. The password that opens it is reset as well: see `reset_password`.
///
/// Rule: `FORMAT.md` section 4; 21 CFR 11.300(c). Nobody marks their own key: whoever holds it could take back what they
/// signed.
pub(crate) fn compromise_key(
    world: &World,
    context: &Context,
    account: &AccountId,
    key: &Hash,
    from: u64,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = Stream::account(account);
    let state = world.account(&stream)?;
    not_oneself(context, account)?;
    let Some(known) = state.keys.iter().find(|known| known.key == *key) else {
        return Err(Refusal::invalid(
            "not-the-accounts-key",
            format!("{account} has never had the key {key}."),
            "Copy the key from the signature or from the account's page.",
        )
        .into());
    };
    if let Some(earlier) = known.compromised_from.filter(|earlier| *earlier <= from) {
        return Err(Refusal::conflict(
            "compromised-already",
            format!("That key is marked as compromised from entry {earlier} on already."),
            "Nothing is left to do, unless it was compromised even earlier.",
        )
        .into());
    }
    let why = reason(why)?;
    let mut drafts =
        vec![Draft::because(&stream, AccountKeyCompromised { account: account.clone(), from, key: *key }, &why)];
    if !known.retired {
        drafts.push(Draft::because(&stream, AccountKeyRetired { account: account.clone(), key: *key }, &why));
        drafts.extend(end_all(world, account)?);
    }
    Ok(drafts)
}

fn not_disabled(state: &AccountState, account: &AccountId) -> Result<(), Stop> {
    if state.disabled {
        return Err(Refusal::conflict(
            "account-disabled",
            format!("The account {account} is disabled."),
            "A disabled account is never used again; open another.",
        )
        .into());
    }
    Ok(())
}

fn not_oneself(context: &Context, account: &AccountId) -> Result<(), Stop> {
    if context.by.account() == Some(account) {
        return Err(Refusal::forbidden(
            "same-person",
            "Nobody changes their own authority.",
            "Ask another administrator.",
        )
        .into());
    }
    Ok(())
}
