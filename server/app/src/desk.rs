//! What a person, at a page or through the API, may ask of the server: sign in, act, sign, read.
//!
//! The desk parses, checks passwords and opens keys. It never decides: every act goes to the book's executor as one
//! order, and what may be done is said by `control` there, under the state of that moment.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use tallyseal_book::{ActError, Book, Order, ReadError, Receipt, Secret, SecretChange};
use tallyseal_control::{AccountState, Command, Key, Record, Refusal, RefusalKind, SessionState, State};
use tallyseal_schema::entry::Person;
use tallyseal_schema::ids::{AccountId, Act, BookName, Id, Stream, Thing};
use tallyseal_schema::kinds::{Grant, PluginFile, Role, SessionEnd};
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::signature::{SigningKey, key_name, key_statement};
use tallyseal_schema::{By, Hash, Time, canonical};
use tokio::sync::{OwnedMutexGuard, Semaphore};
use unicode_normalization::UnicodeNormalization;
use zeroize::Zeroizing;

use crate::capture::Captures;
use crate::clock;
use crate::copies::Copies;
use crate::counted::{Counted, may_count_by_hand, told_hand_count};
use crate::error::DeskError;
use crate::idle::Idle;
use crate::randomness;
use crate::strangers::Strangers;
use crate::streams::Streams;
use crate::time_stamps::{self, TimeStamps};
use crate::token::Tokens;
use crate::vault::{self, Vault, VaultError};
use crate::verifying::Verifying;
use crate::witnesses::{Standing, Witnesses};

/// How long a session lasts whatever happens.
const SESSION: Duration = Duration::from_secs(12 * 60 * 60);
/// So many passwords are stretched at a time: 64 MiB each.
const STRETCHING_MAX: usize = 4;
/// So many of them for log-ins: strangers must not keep those waiting who are signed in and sign.
const KNOCKING_MAX: usize = 2;
/// So many log-ins may wait; a further one is told to come again.
const PORCH_MAX: usize = 32;
/// Characters of what is typed as an account that are looked at: more than an ID has.
const ACCOUNT_MAX: usize = 40;
/// Failed log-ins of one account before it is locked for a while.
const FAILURES_MAX: u32 = 10;
/// A session that may not read a record and asks again within this time is answered without another entry: the book keeps
/// each for good, and asking costs nothing.
const ASKED_AGAIN: Duration = Duration::from_secs(60);
/// So many of them are remembered.
const ASKED_MAX: usize = 10_000;
/// How long it is locked.
const LOCKED: Duration = Duration::from_secs(15 * 60);

/// The desk of one book.
pub struct Desk {
    /// Who may not read what, and when that was recorded.
    asked: Mutex<BTreeMap<(Id, Option<Stream>), Instant>>,
    book: Book,
    captures: Captures,
    /// Becomes true when the server ends: pages that watch let go.
    closing: tokio::sync::watch::Sender<bool>,
    /// The demo's accounts, shown at its door; empty everywhere else.
    demo: OnceLock<Vec<DemoAccount>>,
    failures: Mutex<BTreeMap<String, (u32, Instant)>>,
    idle: Idle,
    knocking: Semaphore,
    name: BookName,
    porch: Semaphore,
    strangers: Arc<Strangers>,
    streams: Arc<Streams>,
    stretching: Arc<Semaphore>,
    tokens: Tokens,
    /// Sessions in which a password is being tried.
    turns: Mutex<BTreeMap<Id, Arc<tokio::sync::Mutex<()>>>>,
    vault: Arc<Vault>,
    copies: Arc<Copies>,
    verifying: Arc<Verifying>,
    /// Set once, when the server has begun to ask them.
    time_stamps: OnceLock<Arc<TimeStamps>>,
    witnesses: OnceLock<Arc<Witnesses>>,
    zone: chrono_tz::Tz,
}

/// An account of the demo with its password, which is no secret.
#[derive(Debug, Clone)]
pub(crate) struct DemoAccount {
    pub(crate) account: String,
    pub(crate) name: String,
    pub(crate) password: String,
    pub(crate) role: &'static str,
}

/// A person at a device: an open session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seat {
    /// Whose.
    pub account: AccountId,
    /// At which device.
    pub device: Id,
    /// All that was granted to the person, also what has ended.
    pub grants: Vec<Grant>,
    /// Nobody used it for a while: nothing is open but to give account and password again.
    pub locked: bool,
    /// The password is a one-time one: nothing but its change is open.
    pub must_change_password: bool,
    /// Printed name.
    pub name: String,
    /// What the person may act as now: one whose grant has ended is not among them.
    pub roles: Vec<Role>,
    /// The session.
    pub session: Id,
}

impl Seat {
    /// A role for one's own affairs. Where none is left that is good, one that has ended will do: whoever has none signs
    /// out all the same and keeps their password.
    fn own_role(&self) -> Option<Role> {
        self.roles.first().copied().or_else(|| self.grants.first().map(|grant| grant.role))
    }

    /// Refuses where every role of the person has ended: nothing of the book is shown to them any more.
    ///
    /// Errors: a refusal, in a sentence.
    pub(crate) fn must_have_a_role(&self) -> Result<(), DeskError> {
        if self.roles.is_empty() {
            return Err(DeskError::refused(Refusal::forbidden(
                "not-your-role",
                format!("{} has no role any more: each has ended with its training.", self.name),
                "Ask the administrator to renew one, with a reference to a training.",
            )));
        }
        Ok(())
    }

    fn by(&self, role: Role) -> By {
        By::Person(Person {
            account: self.account.clone(),
            device: self.device.clone(),
            name: self.name.clone(),
            role,
            session: self.session.clone(),
        })
    }
}

/// A person who has just signed in.
#[derive(Debug, Clone)]
pub struct SignedIn {
    /// When the session ends.
    pub expires: Time,
    /// The session.
    pub seat: Seat,
    /// The token that names it.
    pub token: String,
}

/// What a person wants done.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ActRequest {
    /// The idempotency key, made by the client.
    pub act: Act,
    /// The command's fields.
    #[serde(default)]
    pub command: serde_json::Map<String, Value>,
    /// For each stream shown: the rev that was shown.
    #[serde(default)]
    pub expected: BTreeMap<Stream, u64>,
    /// The password, where the command is a signature.
    #[serde(default)]
    pub password: Option<Zeroizing<String>>,
    /// The role acted in.
    pub role: Role,
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Done {
    /// A one-time secret that was made, shown once.
    pub one_time_secret: Option<String>,
    /// The receipt.
    pub receipt: Receipt,
}

#[derive(Serialize)]
struct RequestForm<'a> {
    account: &'a AccountId,
    command: &'a Command,
    expected: &'a BTreeMap<Stream, u64>,
    role: Role,
}

/// Every text in Unicode NFC: the writer's duty, so that one name is one sequence of bytes in the record.
fn nfc(value: Value) -> Value {
    match value {
        Value::String(text) => Value::String(text.nfc().collect()),
        Value::Array(items) => Value::Array(items.into_iter().map(nfc).collect()),
        Value::Object(fields) => Value::Object(fields.into_iter().map(|(key, value)| (key, nfc(value))).collect()),
        other => other,
    }
}

impl Desk {
    /// A desk for a served book.
    pub(crate) fn new(
        book: Book,
        name: BookName,
        vault: Vault,
        tokens: Tokens,
        captures: Captures,
        idle: Idle,
        zone: chrono_tz::Tz,
    ) -> Self {
        Self {
            asked: Mutex::new(BTreeMap::new()),
            book,
            captures,
            closing: tokio::sync::watch::Sender::new(false),
            demo: OnceLock::new(),
            failures: Mutex::new(BTreeMap::new()),
            idle,
            knocking: Semaphore::new(KNOCKING_MAX),
            name,
            porch: Semaphore::new(PORCH_MAX),
            strangers: Arc::new(Strangers::default()),
            streams: Arc::default(),
            stretching: Arc::new(Semaphore::new(STRETCHING_MAX)),
            tokens,
            turns: Mutex::new(BTreeMap::new()),
            vault: Arc::new(vault),
            copies: Arc::default(),
            verifying: Arc::default(),
            time_stamps: OnceLock::new(),
            witnesses: OnceLock::new(),
            zone,
        }
    }

    /// The name of the book.
    pub(crate) fn name(&self) -> &BookName {
        &self.name
    }

    /// The plant's time zone.
    pub(crate) fn zone(&self) -> chrono_tz::Tz {
        self.zone
    }

    /// The demo's accounts; none everywhere else.
    pub(crate) fn demo(&self) -> &[DemoAccount] {
        self.demo.get().map_or(&[], Vec::as_slice)
    }

    /// Shows the demo's accounts at the door from now on.
    pub(crate) fn show_demo(&self, accounts: Vec<DemoAccount>) {
        let _ = self.demo.set(accounts);
    }

    /// The witnesses that are asked, each as it stands.
    pub(crate) fn witnesses(&self) -> Vec<Standing> {
        self.witnesses.get().map(|witnesses| witnesses.stand()).unwrap_or_default()
    }

    /// Shows these witnesses from now on.
    pub(crate) fn show_witnesses(&self, witnesses: Arc<Witnesses>) {
        let _ = self.witnesses.set(witnesses);
    }

    /// The time-stamping authority as it stands, where one is asked.
    pub(crate) fn time_stamps(&self) -> Option<time_stamps::Standing> {
        self.time_stamps.get()?.stands()
    }

    /// Shows this authority from now on.
    pub(crate) fn show_time_stamps(&self, time_stamps: Arc<TimeStamps>) {
        let _ = self.time_stamps.set(time_stamps);
    }

    /// A token for the forms of a session's pages; `None`: none could be made.
    pub(crate) fn form_token(&self, seat: &Seat) -> Option<String> {
        let until = clock::now().micros() / 1_000_000 + i64::try_from(SESSION.as_secs()).ok()?;
        self.tokens.make_form(&seat.session, u64::try_from(until).ok()?).ok()
    }

    /// True for a token of that session's forms.
    pub(crate) fn is_form_token(&self, seat: &Seat, token: &str) -> bool {
        self.tokens.is_form(&seat.session, token)
    }

    /// Returns when the server ends.
    pub(crate) async fn closed(&self) {
        let mut closing = self.closing.subscribe();
        // An error says that the desk is gone, which ends what waits as well.
        let _ = closing.wait_for(|closing| *closing).await;
    }

    /// Lets everything go that waits for news.
    pub(crate) fn close(&self) {
        self.closing.send_replace(true);
    }

    /// The book, for reading.
    pub fn book(&self) -> &Book {
        &self.book
    }

    /// Who was refused without a session.
    pub fn strangers(&self) -> &Strangers {
        &self.strangers
    }

    /// Signs a person in. `source`: where the call comes from, for the record of failures.
    ///
    /// Errors: wrong account or password (never said which), locked for a while, disabled.
    pub async fn sign_in(
        &self,
        account: &str,
        password: Zeroizing<String>,
        device: Id,
        source: &str,
    ) -> Result<SignedIn, DeskError> {
        let folded = fold_typed(account);
        let _waiting = self.porch.try_acquire().map_err(|_| ActError::Busy)?;
        let given: Result<AccountId, _> = folded.parse();
        let locked = match &given {
            Ok(id) => self.account(id)?.is_some_and(|account| account.is_locked(clock::now())),
            Err(_) => false,
        };
        if locked || !self.may_try(&folded) {
            self.strangers.note(source, clock::now());
            return Err(DeskError::Locked);
        }
        // An ID of no good form goes the same way as one that does not exist, and takes as long.
        let (id, secret): (AccountId, _) = match given {
            Ok(id) => {
                let secret = self.book.secret(&id)?;
                (id, secret)
            }
            Err(_) => ("NOBODY".parse().map_err(|_| DeskError::WrongPassword)?, None),
        };
        let knock = self.knocking.acquire().await.map_err(|error| DeskError::Internal(error.to_string()))?;
        let opened = self.open(&id, secret, password).await;
        drop(knock);
        if let Err(error) = opened {
            if error == VaultError::WrongPassword {
                self.strangers.note(source, clock::now());
                self.lock_where_due(&id).await?;
            }
            return Err(error.into());
        }
        self.lock_failures().remove(&folded);
        let session = randomness::session()?;
        self.idle.begin(&session);
        let at = clock::now();
        let expires = at.plus_micros(i64::try_from(SESSION.as_micros()).unwrap_or(i64::MAX));
        let command = Command::OpenSession { session: session.clone(), account: id.clone(), device, expires };
        self.system("sign-in", command).await?;
        let token = self
            .tokens
            .make(&session, u64::try_from(expires.micros() / 1_000_000).unwrap_or(0))
            .map_err(|error| DeskError::Internal(error.to_string()))?;
        let seat = self.seat(&token)?;
        Ok(SignedIn { expires, seat, token })
    }

    /// A session that is open, and whose it is.
    ///
    /// Errors: [`DeskError::SignedOut`] where it is not known, has ended or expired, or the account is disabled.
    fn standing(&self, session: &Id) -> Result<(SessionState, AccountState), DeskError> {
        let Some((_, Record { state: State::Session(state), .. })) =
            self.book.record(&Stream::of(Thing::Session, session))?
        else {
            return Err(DeskError::SignedOut);
        };
        let account = self.account(&state.account)?.ok_or(DeskError::SignedOut)?;
        if state.ended.is_some() || account.disabled || clock::now() >= state.expires {
            return Err(DeskError::SignedOut);
        }
        Ok((state, account))
    }

    /// The open session that a token names, locked or not. Read anew on every call: ending it bites at once.
    ///
    /// Errors: [`DeskError::SignedOut`].
    pub fn seat(&self, token: &str) -> Result<Seat, DeskError> {
        let session = self.tokens.read(token).ok_or(DeskError::SignedOut)?;
        let (state, account) = self.standing(&session)?;
        Ok(Seat {
            account: state.account,
            device: state.device,
            roles: account.live_roles(clock::now()),
            grants: account.roles,
            locked: state.locked,
            must_change_password: account.must_change_password,
            name: account.name,
            session,
        })
    }

    /// The open session that a token names, which its person uses now. One that nobody had used for too long is locked.
    ///
    /// Errors: [`DeskError::SignedOut`]; the lock could not be recorded.
    pub(crate) async fn used_seat(&self, token: &str) -> Result<Seat, DeskError> {
        let mut seat = self.seat(token)?;
        if !seat.locked
            && let Some(idle) = self.idle.used(&seat.session)
        {
            self.lock_session(&seat.session, idle).await?;
            seat.locked = true;
        }
        Ok(seat)
    }

    /// As [`Desk::used_seat`], for a page that looks on by itself: that is nobody's use of the session.
    ///
    /// Errors: [`DeskError::SignedOut`]; the lock could not be recorded.
    pub(crate) async fn watched_seat(&self, token: &str) -> Result<Seat, DeskError> {
        let mut seat = self.seat(token)?;
        if !seat.locked
            && let Some(idle) = self.idle.over(&seat.session)
        {
            self.lock_session(&seat.session, idle).await?;
            seat.locked = true;
        }
        Ok(seat)
    }

    /// How often [`Desk::lock_idle`] is to be called.
    pub(crate) fn idle_sweep(&self) -> Duration {
        self.idle.sweep()
    }

    /// Locks every session that nobody used for too long. What machines say and counts that are open run on.
    ///
    /// Errors: the book cannot be read or takes no entries; some may be locked.
    pub(crate) async fn lock_idle(&self) -> Result<(), DeskError> {
        for session in self.book.set(&Key::new("session.unlocked", "yes"))? {
            if let Some(idle) = self.idle.over(&session.id()) {
                // One that cannot be locked now keeps none of the others open.
                if let Err(error) = self.lock_session(&session.id(), idle).await {
                    tracing::error!(%session, ?error, "a session that nobody uses could not be locked");
                }
            }
        }
        self.idle.forget();
        Ok(())
    }

    async fn lock_session(&self, session: &Id, idle: Duration) -> Result<(), DeskError> {
        let stream = Stream::of(Thing::Session, session);
        let Some((rev, Record { state: State::Session(state), .. })) = self.book.record(&stream)? else {
            return Ok(());
        };
        // What has expired opens nothing any more, locked or not.
        if state.locked || state.ended.is_some() || clock::now() >= state.expires {
            return Ok(());
        }
        let command = Command::LockSession { session: session.clone(), idle_seconds: idle.as_secs().max(1) };
        // Whatever is recorded of the session between that look and this order has been its use, or its end.
        let order = Order { expected: BTreeMap::from([(stream, rev)]), ..system_order("idle-lock", command)? };
        match self.book.act(order).await {
            Ok(_) | Err(ActError::Stale(_)) => Ok(()),
            Err(ActError::Refused { refusal, .. }) if refusal.kind == RefusalKind::Conflict => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Opens a locked session to its own person, who gives account and password again.
    ///
    /// Errors: wrong account or password (never said which), which counts like every other one; the account is locked;
    /// the session is not.
    pub async fn unlock(&self, seat: &Seat, account: &str, password: Zeroizing<String>) -> Result<Receipt, DeskError> {
        let _turn = self.turn(seat).await?;
        // Another person's password opens nothing here, however right: it is not even looked at.
        let own = fold_typed(account) == seat.account.as_str();
        let secret = if own { self.book.secret(&seat.account)? } else { None };
        let opened = self.open(&seat.account, secret, password).await;
        self.recorded(seat, "unlock", None, opened).await?;
        self.idle.begin(&seat.session);
        self.own(seat, Command::UnlockSession {}, None).await
    }

    /// A person in one of their roles, as entries name them. Whether they have the role is the executor's to check.
    pub fn seated(&self, seat: &Seat, role: Role) -> By {
        seat.by(role)
    }

    /// Ends a session at the person's own wish.
    pub async fn sign_out(&self, seat: &Seat) -> Result<Receipt, DeskError> {
        let command = Command::EndSession { session: seat.session.clone(), cause: SessionEnd::SignedOut };
        self.own(seat, command, None).await
    }

    /// Does what a person wants done, once, however often it is asked.
    ///
    /// Errors: everything that [`ActError`] says; a request that makes no sense; a wrong password, which is recorded.
    pub async fn act(&self, seat: &Seat, name: &str, request: ActRequest) -> Result<Done, DeskError> {
        // The demo's people act here without a web request; for all others it has just been done.
        self.idle.begin(&seat.session);
        let command = parse(name, request.command)?;
        let form =
            RequestForm { account: &seat.account, command: &command, expected: &request.expected, role: request.role };
        let order_hash = Hash::of(&canonical::write(&form).map_err(|error| DeskError::Invalid(error.to_string()))?);
        let key = match request.password {
            Some(password) => Some(self.signing_key(seat, &command, password).await?),
            None => None,
        };
        let (secret, one_time_secret) = match &command {
            Command::EnrolAccount { account, .. } | Command::ResetPassword { account, .. } => {
                let one_time = randomness::one_time_secret()?;
                let secret = self
                    .stretch(account.clone(), Zeroizing::new(one_time.clone()), |vault, account, password| {
                        vault.one_time(account, password)
                    })
                    .await?;
                (Some(SecretChange::Put(secret)), Some(one_time))
            }
            Command::DisableAccount { account, .. } => (Some(SecretChange::Remove(account.clone())), None),
            _ => (None, None),
        };
        let unlocked = match &command {
            Command::UnlockAccount { account, .. } | Command::ResetPassword { account, .. } => Some(account.clone()),
            _ => None,
        };
        let receipt = self
            .order(Order {
                act: request.act,
                by: seat.by(request.role),
                expected: request.expected,
                command,
                key,
                capture: None,
                files: Vec::new(),
                secret,
                request: order_hash,
            })
            .await?;
        if let Some(account) = unlocked {
            self.lock_failures().remove(account.as_str());
        }
        // A repeated act made no new secret: the one shown first is the one that counts.
        let one_time_secret = one_time_secret.filter(|_| !receipt.repeated);
        Ok(Done { one_time_secret, receipt })
    }

    /// Loads a version of a plugin as a draft. The bytes given here run from now on; no folder is read again.
    ///
    /// Errors: as [`Desk::act`]; files that are no plugin, with what is wrong.
    pub async fn draft_plugin(&self, seat: &Seat, act: Act, role: Role, files: Files) -> Result<Receipt, DeskError> {
        // Samples may run for seconds, and the web's threads have others to answer.
        let checked = tokio::task::spawn_blocking(move || (tallyseal_plugin_host::check_samples(&files), files)).await;
        let (report, files) = checked.map_err(|error| DeskError::Internal(error.to_string()))?;
        let Some(plugin) = report.plugin.as_ref().filter(|_| report.passed()) else {
            return Err(DeskError::Invalid(report.to_string()));
        };
        let command = Command::DraftPlugin {
            digest: plugin.digest(),
            name: plugin.name().to_owned(),
            version: plugin.version().to_owned(),
            counts: plugin.counts(),
            emits: plugin.emits().iter().map(|name| (*name).to_owned()).collect(),
            files: files
                .iter()
                .map(|(path, bytes)| PluginFile {
                    length: bytes.len() as u64,
                    path: path.clone(),
                    sha256: Hash::of(bytes),
                })
                .collect(),
        };
        let expected = BTreeMap::new();
        let form = RequestForm { account: &seat.account, command: &command, expected: &expected, role };
        let request = Hash::of(&canonical::write(&form).map_err(|error| DeskError::Invalid(error.to_string()))?);
        self.order(Order {
            act,
            by: seat.by(role),
            expected,
            command,
            key: None,
            capture: None,
            files: files.into_values().collect(),
            secret: None,
            request,
        })
        .await
    }

    /// Sets a person's own password. In place of a one-time secret it makes a new signing key, and whatever key there
    /// was before is retired: others have seen that secret. Later passwords keep the key.
    ///
    /// Errors: the current password is wrong (recorded); the new one is unfit.
    pub async fn set_password(
        &self,
        seat: &Seat,
        current: Zeroizing<String>,
        new: Zeroizing<String>,
    ) -> Result<Receipt, DeskError> {
        vault::fit(&seat.account, &seat.name, &new)?;
        if current == new {
            return Err(DeskError::Invalid("the new password is the old one".to_owned()));
        }
        let _turn = self.turn(seat).await?;
        let secret = self.book.secret(&seat.account)?.ok_or(DeskError::SignedOut)?;
        if secret.wrapped.is_some() && !secret.one_time {
            let stored = secret;
            let rewrapped = self
                .stretch(seat.account.clone(), current, move |vault, account, current| {
                    vault.rewrap(account, &stored, current, &new)
                })
                .await;
            let rewrapped = self.recorded(seat, "password change", None, rewrapped).await?;
            return self.own(seat, Command::ChangePassword {}, Some(SecretChange::Put(rewrapped))).await;
        }
        let opened = self.open(&seat.account, Some(secret), current).await;
        self.recorded(seat, "password change", None, opened).await?;
        let made = self.stretch(seat.account.clone(), new, |vault, account, new| vault.make(account, new)).await?;
        let previous = self.account(&seat.account)?.and_then(|account| account.keys.last().map(|key| key.key));
        let command = enrol_key_command(&seat.account, &self.name, &made.key, previous)?;
        self.own(seat, command, Some(SecretChange::Put(made.secret))).await
    }

    /// Gives an order of the software itself.
    pub(crate) async fn system(&self, component: &str, command: Command) -> Result<Receipt, DeskError> {
        let order = system_order(component, command)?;
        Ok(self.book.act(order).await?)
    }

    /// An order in one's own affairs: any role will do.
    async fn own(&self, seat: &Seat, command: Command, secret: Option<SecretChange>) -> Result<Receipt, DeskError> {
        let role = seat.own_role().ok_or(DeskError::SignedOut)?;
        let order = Order { by: seat.by(role), secret, ..system_order("desk", command)? };
        Ok(self.book.act(order).await?)
    }

    /// Gives the order; around the begin and the end of a count, and where a plugin is bound, the station's capture is
    /// told, so that the bytes before and after belong where they belong.
    async fn order(&self, order: Order) -> Result<Receipt, DeskError> {
        let station = match &order.command {
            Command::OpenCount { station, .. } | Command::BindPlugin { station, .. } => Some(station.clone()),
            Command::CloseCount { count }
            | Command::InterruptCount { count, .. }
            | Command::AbortCount { count, .. } => self.station_of(count)?,
            _ => None,
        };
        let Some(station) = station else { return Ok(self.book.act(order).await?) };
        let (book, captures) = (self.book.clone(), self.captures.clone());
        // A task of its own: a client that hangs up ends what waits for it, and must not keep the capture from hearing
        // of a count that was opened.
        let done = tokio::spawn(async move {
            // What the machine has said so far is recorded before the count is closed over it.
            captures.flush(&station).await;
            let done = book.act(order).await;
            captures.look_again(&station).await;
            done
        });
        Ok(done.await.map_err(|error| DeskError::Internal(error.to_string()))??)
    }

    fn station_of(&self, count: &Id) -> Result<Option<Id>, DeskError> {
        let record = self.book.record(&Stream::of(Thing::Count, count))?;
        Ok(match record {
            Some((_, Record { state: State::Count(state), .. })) => Some(state.station.id()),
            _ => None,
        })
    }

    fn account(&self, account: &AccountId) -> Result<Option<AccountState>, DeskError> {
        Ok(match self.book.record(&Stream::account(account))? {
            Some((_, Record { state: State::Account(state), .. })) => Some(state),
            _ => None,
        })
    }

    async fn signing_key(
        &self,
        seat: &Seat,
        command: &Command,
        password: Zeroizing<String>,
    ) -> Result<SigningKey, DeskError> {
        let _turn = self.turn(seat).await?;
        let secret = self.book.secret(&seat.account)?;
        let opened = self.open(&seat.account, secret, password).await;
        if let Some(key) = self.recorded(seat, command.name(), command.about(), opened).await? {
            return Ok(key);
        }
        let error = DeskError::refused(Refusal::forbidden(
            "no-key",
            "You have no signing key yet.",
            "Set your own password first; then a second person confirms your identity.",
        ));
        Err(self.noted(seat, command.name(), command.about(), error).await)
    }

    /// True for those who read entries now: see [`Counted::lets_read`].
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn reads_entries(&self, seat: &Seat) -> Result<bool, DeskError> {
        Ok(Counted::now(&self.book)?.lets_read(&seat.account, &seat.roles))
    }

    /// Lets through who reads entries. `record`: whose entries, where it is one thing's.
    ///
    /// Errors: [`DeskError::MayNotRead`]; that they asked is recorded.
    pub(crate) async fn may_read_entries(&self, seat: &Seat, record: Option<&Stream>) -> Result<(), DeskError> {
        match self.reads_entries(seat)? {
            true => Ok(()),
            false => Err(self.may_not_read(seat, record.cloned()).await),
        }
    }

    /// The exact bytes of entries, for a person who may read them. They are given as they are, or not at all: what tells the
    /// first number of a hand count waits for the second.
    ///
    /// Errors: as [`Desk::may_read_entries`], and where one of them tells too soon; the book cannot be read.
    pub(crate) async fn read_entries(
        &self,
        seat: &Seat,
        record: Option<&Stream>,
        read: impl FnOnce(&Book) -> Result<Vec<Vec<u8>>, ReadError>,
    ) -> Result<Vec<Vec<u8>>, DeskError> {
        self.may_read_entries(seat, record).await?;
        let all = read(&self.book)?;
        if may_count_by_hand(&seat.grants)
            && let Some(told) = told_hand_count(&self.book, &all)?
        {
            return Err(self.may_not_read(seat, Some(told)).await);
        }
        Ok(all)
    }

    /// The copies that people take.
    pub(crate) fn copies(&self) -> &Arc<Copies> {
        &self.copies
    }

    /// The verifications that run beside the work.
    pub(crate) fn verifying(&self) -> &Arc<Verifying> {
        &self.verifying
    }

    /// The pages that watch.
    pub(crate) fn streams(&self) -> &Arc<Streams> {
        &self.streams
    }

    /// What a person is told who may not read the entries of a stream, or any; that they asked is recorded, once a minute.
    pub(crate) async fn may_not_read(&self, seat: &Seat, record: Option<Stream>) -> DeskError {
        let asked = (seat.session.clone(), record.clone());
        if !first_within(&mut self.lock_asked(), &asked, Instant::now()) {
            return DeskError::MayNotRead;
        }
        let refusal = Refusal::forbidden(
            "may-not-read",
            "The entries are not for this person now.",
            "Read them when the count has ended, or ask a supervisor, a reviewer or an auditor.",
        );
        match self.noted(seat, "read_entries", record, DeskError::refused(refusal)).await {
            DeskError::Act(error) if matches!(*error, ActError::Refused { .. }) => DeskError::MayNotRead,
            other => {
                // It was not recorded: the next time it is.
                self.lock_asked().remove(&asked);
                other
            }
        }
    }

    /// Records a refusal that the desk itself gave, where the rules would have recorded it: whoever was refused was in a
    /// session, and it was a rule that forbade it. Gives what the person is told.
    pub(crate) async fn noted(
        &self,
        seat: &Seat,
        command: &str,
        record: Option<Stream>,
        error: DeskError,
    ) -> DeskError {
        let DeskError::Act(refused) = error else { return error };
        let ActError::Refused { refusal, receipt: None } = *refused else { return DeskError::Act(refused) };
        let matters = matches!(refusal.kind, RefusalKind::Conflict | RefusalKind::Forbidden | RefusalKind::NotFound);
        if !matters {
            return ActError::Refused { refusal, receipt: None }.into();
        }
        let note = Command::NoteRefusal {
            code: refusal.code.clone(),
            command: command.to_owned(),
            record,
            text: refusal.to_string(),
        };
        match self.own(seat, note, None).await {
            Ok(receipt) => ActError::Refused { refusal, receipt: Some(Box::new(receipt)) }.into(),
            Err(error) => error,
        }
    }

    /// Records a wrong password that was given within a session.
    async fn recorded<T>(
        &self,
        seat: &Seat,
        purpose: &str,
        record: Option<Stream>,
        result: Result<T, VaultError>,
    ) -> Result<T, DeskError> {
        if matches!(result, Err(VaultError::WrongPassword)) {
            // It counts for the account as well, and first: guessing on in one session after the other is guessing all
            // the same, whether or not the session still takes an entry.
            self.note_failure(seat.account.as_str());
            let noted = self.own(seat, Command::RefusePassword { purpose: purpose.to_owned(), record }, None).await;
            self.lock_where_due(&seat.account).await?;
            noted?;
        }
        Ok(result?)
    }

    /// Lets one password of a session be tried at a time, and none after the session has ended or the account is locked:
    /// a burst of guesses is one guess after the other, and each is counted before the next.
    ///
    /// Errors: ended, disabled, locked.
    async fn turn(&self, seat: &Seat) -> Result<OwnedMutexGuard<()>, DeskError> {
        let turn = {
            let mut turns = self.turns.lock().unwrap_or_else(PoisonError::into_inner);
            // Whoever waits or tries holds one too.
            turns.retain(|_, turn| Arc::strong_count(turn) > 1);
            Arc::clone(turns.entry(seat.session.clone()).or_default())
        };
        let turn = turn.lock_owned().await;
        let (_, account) = self.standing(&seat.session)?;
        if account.is_locked(clock::now()) {
            return Err(DeskError::Locked);
        }
        Ok(turn)
    }

    async fn open(
        &self,
        account: &AccountId,
        secret: Option<Secret>,
        password: Zeroizing<String>,
    ) -> Result<Option<SigningKey>, VaultError> {
        self.stretch(account.clone(), password, move |vault, account, password| {
            vault.open(account, secret.as_ref(), password)
        })
        .await
    }

    /// Runs Argon2id away from the web's threads, a few at a time.
    async fn stretch<T: Send + 'static>(
        &self,
        account: AccountId,
        password: Zeroizing<String>,
        work: impl FnOnce(&Vault, &AccountId, &str) -> Result<T, VaultError> + Send + 'static,
    ) -> Result<T, VaultError> {
        let broken = |what: &str| VaultError::Broken(what.to_owned());
        let permit =
            Arc::clone(&self.stretching).acquire_owned().await.map_err(|_| broken("the server is stopping"))?;
        let vault = Arc::clone(&self.vault);
        let worked = tokio::task::spawn_blocking(move || {
            let result = work(&vault, &account, &password);
            drop(permit);
            result
        });
        worked.await.map_err(|_| broken("the check of the password failed"))?
    }

    fn lock_asked(&self) -> std::sync::MutexGuard<'_, BTreeMap<(Id, Option<Stream>), Instant>> {
        self.asked.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn lock_failures(&self) -> std::sync::MutexGuard<'_, BTreeMap<String, (u32, Instant)>> {
        self.failures.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// True where a password may be tried for that account. The try counts as a failure until it has succeeded, so
    /// that many at the same time are no more than many one after the other, and none is forgotten by hanging up.
    fn may_try(&self, account: &str) -> bool {
        let mut failures = self.lock_failures();
        failures.retain(|_, (_, last)| last.elapsed() < LOCKED);
        if failures.get(account).is_some_and(|(times, _)| *times >= FAILURES_MAX) {
            return false;
        }
        count_failure(&mut failures, account);
        true
    }

    /// Counts a wrong password for an account that was given inside.
    fn note_failure(&self, account: &str) {
        count_failure(&mut self.lock_failures(), account);
    }

    /// Locks an account in the book where too many wrong passwords were given for it, at the door or in its sessions.
    /// The lock outlives this process, and whoever may read sees it.
    async fn lock_where_due(&self, account: &AccountId) -> Result<(), DeskError> {
        let failures = self.lock_failures().get(account.as_str()).map_or(0, |(times, _)| *times);
        if failures < FAILURES_MAX || self.account(account)?.is_none_or(|state| state.disabled) {
            return Ok(());
        }
        let until = clock::now().plus_micros(i64::try_from(LOCKED.as_micros()).unwrap_or(i64::MAX));
        let command = Command::LockAccount { account: account.clone(), failures, until };
        match self.book.act(system_order("sign-in", command)?).await {
            Ok(_) => {}
            // One of several at the same moment was quicker.
            Err(ActError::Refused { refusal, .. }) if refusal.code == "locked-already" => {}
            Err(error) => return Err(error.into()),
        }
        // From here on the entry says it, and for how long.
        self.lock_failures().remove(account.as_str());
        Ok(())
    }
}

/// An account as a person types it, in the form that IDs have.
fn fold_typed(account: &str) -> String {
    account.trim().chars().take(ACCOUNT_MAX).flat_map(char::to_uppercase).collect()
}

/// True where nothing equal was asked within the last minute; it is remembered from then on.
fn first_within<T: Ord + Clone>(all: &mut BTreeMap<T, Instant>, asked: &T, now: Instant) -> bool {
    let recent = |at: &Instant| now.saturating_duration_since(*at) < ASKED_AGAIN;
    if all.get(asked).is_some_and(recent) {
        return false;
    }
    if all.len() >= ASKED_MAX {
        all.retain(|_, at| recent(at));
    }
    // Where all are recent the oldest is let go: it costs an entry, no memory.
    if all.len() >= ASKED_MAX
        && let Some(oldest) = all.iter().min_by_key(|(_, at)| **at).map(|(one, _)| one.clone())
    {
        all.remove(&oldest);
    }
    all.insert(asked.clone(), now);
    true
}

/// Counts one more failure, or try, of an account.
fn count_failure(failures: &mut BTreeMap<String, (u32, Instant)>, account: &str) {
    // A stranger who tries many accounts must not fill the memory; the oldest are let go.
    if failures.len() >= 10_000
        && let Some(oldest) = failures.iter().min_by_key(|(_, (_, last))| *last).map(|(name, _)| name.clone())
    {
        failures.remove(&oldest);
    }
    let entry = failures.entry(account.to_owned()).or_insert((0, Instant::now()));
    *entry = (entry.0.saturating_add(1), Instant::now());
}

/// A command that a person may give, from its name and fields.
///
/// Errors: no such command for people; fields that are missing, unknown or out of their form, with serde's words.
fn parse(name: &str, fields: serde_json::Map<String, Value>) -> Result<Command, DeskError> {
    let Value::Object(mut fields) = nfc(Value::Object(fields)) else {
        return Err(DeskError::Invalid("a command has fields".to_owned()));
    };
    let row = tallyseal_control::AUTHORITY.iter().find(|row| row.command == name);
    if !row.is_some_and(tallyseal_control::Authority::is_given_by_name) {
        return Err(DeskError::NoSuchCommand(name.to_owned()));
    }
    fields.insert("do".to_owned(), Value::String(name.to_owned()));
    serde_json::from_value(Value::Object(fields)).map_err(|error| DeskError::Invalid(error.to_string()))
}

/// The command that enrols a key, with the proof that its holder has it.
pub(crate) fn enrol_key_command(
    account: &AccountId,
    book: &BookName,
    key: &SigningKey,
    previous: Option<Hash>,
) -> Result<Command, DeskError> {
    let public = key.public();
    let name = key_name(&public);
    let statement = key_statement(account, book, &name, previous.as_ref())
        .map_err(|error| DeskError::Internal(error.to_string()))?;
    Ok(Command::EnrolKey {
        account: account.clone(),
        key: name,
        public_key: canonical::base64(public),
        previous,
        proof: canonical::base64(key.sign(&statement)),
    })
}

/// An order of the software itself, under a fresh act.
pub(crate) fn system_order(component: &str, command: Command) -> Result<Order, DeskError> {
    let request = Hash::of(&canonical::write(&command).map_err(|error| DeskError::Internal(error.to_string()))?);
    Ok(Order {
        act: randomness::act()?,
        by: By::system(component),
        expected: BTreeMap::new(),
        command,
        key: None,
        capture: None,
        files: Vec::new(),
        secret: None,
        request,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_is_first_once_a_minute_and_the_memory_of_it_is_bounded() {
        let (mut all, begun) = (BTreeMap::new(), Instant::now());
        assert!(first_within(&mut all, &0, begun));
        assert!(!first_within(&mut all, &0, begun + ASKED_AGAIN / 2));
        assert!(first_within(&mut all, &1, begun));
        assert!(first_within(&mut all, &0, begun + ASKED_AGAIN));
        for n in 0..2 * ASKED_MAX {
            first_within(&mut all, &n, begun + ASKED_AGAIN);
        }
        assert_eq!(all.len(), ASKED_MAX);
    }
}
