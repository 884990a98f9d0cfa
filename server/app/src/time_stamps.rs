//! Time-stamps: every now and then the newest checkpoint is shown to a time-stamping authority, its token is kept, and
//! whether it goes on giving good ones is recorded.
//!
//! One task beside everything else: the executor never waits for an authority. Rule: RFC 3161, over HTTP as in its section
//! 3.4.

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tallyseal_book::{Book, ReadError};
use tallyseal_control::Command;
use tallyseal_schema::checkpoint;
use tallyseal_schema::kinds::NoTimeStamp;
use tallyseal_schema::{By, Entry, Hash, Time};
use tallyseal_verify::time_stamp::{self, Answer, Authorities, Stamp, TOKEN_MAX};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::cli::CannotRun;
use crate::desk::system_order;
use crate::randomness;
use crate::witnesses::book_state;

/// Whose entries these are.
const COMPONENT: &str = "time_stamp";
/// How often the newest checkpoint is stamped, where nothing else is said.
const EVERY: Duration = Duration::from_secs(10 * 60);
/// How long there may be no token before that is recorded.
const PATIENCE: Duration = Duration::from_secs(10 * 60);
/// An authority must answer within this time.
const ANSWER: Duration = Duration::from_secs(10);
/// After a failure it is asked again after this time, then after twice as long, and so on.
const AGAIN: Duration = Duration::from_millis(500);
/// But at least so often.
const AGAIN_MAX: Duration = Duration::from_secs(60);
/// So many entries of its own make nothing new for an authority to see.
const OWN_MAX: u64 = 4;

/// An address that is none of an authority that can be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct UrlError;

impl fmt::Display for UrlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(
            "the address of a time-stamping authority begins with http:// and has no user, query or fragment; there is no TLS \
             here, as its tokens are signed and what it is shown is a hash",
        )
    }
}

impl std::error::Error for UrlError {}

/// Which authority to ask, and how often.
#[derive(Debug, Clone)]
pub(crate) struct Stamping {
    /// The certificates that its own must lead to; `None`: whoever answers there is believed.
    pub(crate) authorities: Option<Authorities>,
    /// How long passes from one token to the next, where there is something new.
    pub(crate) every: Duration,
    /// How long it may give none before that is recorded.
    pub(crate) patience: Duration,
    pub(crate) url: String,
}

impl Stamping {
    /// Errors: the address is none.
    pub(crate) fn new(url: &str, authorities: Option<Authorities>, seconds: Option<u64>) -> Result<Self, UrlError> {
        let plain = url.strip_prefix("http://").is_some_and(|rest| !rest.is_empty() && !rest.starts_with('/'));
        if !plain || url.contains(|c: char| c.is_whitespace() || c.is_control() || matches!(c, '?' | '#' | '@')) {
            return Err(UrlError);
        }
        let every = seconds.map_or(EVERY, |seconds| Duration::from_secs(seconds.max(1)));
        Ok(Self { authorities, every, patience: PATIENCE, url: url.to_owned() })
    }
}

/// A token that is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Kept {
    /// How many entries its checkpoint covers.
    pub(crate) size: u64,
    /// What it says.
    pub(crate) stamp: Stamp,
}

/// The authority as it stands.
#[derive(Debug, Clone)]
pub(crate) struct Standing {
    /// The certificates that its own must lead to.
    pub(crate) authorities: Option<Authorities>,
    /// The newest token.
    pub(crate) kept: Option<Kept>,
    /// Why it gave none when it was asked last; `None`: it did, or was not asked yet.
    pub(crate) problem: Option<String>,
    /// Where it is asked.
    pub(crate) url: String,
}

/// The time-stamping of a served book.
pub(crate) struct TimeStamps(Option<(Arc<Mutex<Standing>>, JoinHandle<()>)>);

fn locked(standing: &Mutex<Standing>) -> MutexGuard<'_, Standing> {
    standing.lock().unwrap_or_else(PoisonError::into_inner)
}

impl TimeStamps {
    /// Says in the book which authority is asked, where it is another than before, and begins to ask it.
    ///
    /// Errors: the book takes no entry.
    pub(crate) async fn follow(book: &Book, stamping: Option<Stamping>) -> Result<Self, CannotRun> {
        let authorities = stamping.as_ref().and_then(|stamping| stamping.authorities.as_ref());
        let name = Command::NameTimeAuthority {
            authority: stamping.as_ref().map(|stamping| stamping.url.clone()),
            certificates: authorities.map(Authorities::fingerprints).unwrap_or_default(),
        };
        book.act(system_order(COMPONENT, name)?).await?;
        let Some(stamping) = stamping else { return Ok(Self(None)) };
        let standing = Arc::new(Mutex::new(Standing {
            authorities: stamping.authorities.clone(),
            kept: None,
            problem: None,
            url: stamping.url.clone(),
        }));
        let shown = Arc::clone(&standing);
        let one = One { book: book.clone(), kept: book.kept(), lost: None, stamping, standing };
        Ok(Self(Some((shown, tokio::spawn(one.follow())))))
    }

    /// The authority as it stands; `None`: none is asked.
    pub(crate) fn stands(&self) -> Option<Standing> {
        self.0.as_ref().map(|(standing, _)| locked(standing).clone())
    }

    /// Asks no more.
    pub(crate) fn end(&self) {
        if let Some((_, task)) = &self.0 {
            task.abort();
        }
    }
}

/// What came of asking.
enum Outcome {
    Kept(Kept),
    /// There is none; why, in a sentence.
    Not(NoTimeStamp, String),
}

/// The task.
struct One {
    book: Book,
    kept: watch::Receiver<String>,
    /// The book says that tokens are missing, and why.
    lost: Option<NoTimeStamp>,
    stamping: Stamping,
    standing: Arc<Mutex<Standing>>,
}

impl One {
    async fn follow(mut self) {
        self.remember().await;
        let mut asked: Option<Instant> = None;
        let mut behind: Option<Instant> = None;
        let mut again = AGAIN;
        loop {
            let note = self.kept.borrow_and_update().clone();
            let size = checkpoint::parse_body(&note).map_or(0, |checkpoint| checkpoint.size);
            if !self.is_news(size) {
                (behind, again) = (None, AGAIN);
                // The executor is gone: so is everything to be stamped.
                if self.kept.changed().await.is_err() {
                    return;
                }
                continue;
            }
            // Not one for each checkpoint of a busy day: the newest that there is when the time has come.
            let rest = asked.map_or(Duration::ZERO, |asked| self.stamping.every.saturating_sub(asked.elapsed()));
            if !rest.is_zero() {
                tokio::time::sleep(rest).await;
                continue;
            }
            let since = *behind.get_or_insert_with(Instant::now);
            match self.ask(&note, size).await {
                Outcome::Kept(kept) => {
                    let (at, size) = (kept.stamp.at, kept.size);
                    locked(&self.standing).problem = None;
                    locked(&self.standing).kept = Some(kept);
                    (asked, behind, again) = (Some(Instant::now()), None, AGAIN);
                    if self.lost.is_some() {
                        let authority = self.stamping.url.clone();
                        if self.say(Command::RestoreTimeStamp { authority, at, size }).await {
                            self.lost = None;
                        }
                    }
                    continue;
                }
                Outcome::Not(how, why) => {
                    tracing::warn!(authority = self.stamping.url, why, "there is no time-stamp");
                    locked(&self.standing).problem = Some(why.clone());
                    // A bad token is said at once: an authority that is away is not.
                    let late = how == NoTimeStamp::BadToken || since.elapsed() >= self.stamping.patience;
                    let known = self.lost == Some(NoTimeStamp::BadToken) || self.lost == Some(how);
                    if late && !known {
                        self.lose(how, why).await;
                    }
                }
            }
            // Not before the moment at which it is to be recorded that there is none.
            let patience = self.stamping.patience.saturating_sub(since.elapsed());
            let wait = if self.lost.is_some() || patience.is_zero() { again } else { again.min(patience) };
            tokio::time::sleep(wait).await;
            again = (again * 2).min(AGAIN_MAX);
        }
    }

    /// True where a checkpoint of that size covers more than the newest token, and not only what this task wrote itself: a
    /// book at rest stays at rest.
    fn is_news(&self, size: u64) -> bool {
        let stamped = locked(&self.standing).kept.as_ref().map_or(0, |kept| kept.size);
        if size <= stamped || size - stamped > OWN_MAX {
            return size > stamped;
        }
        let own = |n| {
            let entry = self.book.entry(n).ok().flatten().and_then(|bytes| Entry::read(&bytes).ok());
            entry.is_some_and(|entry| entry.header.by == By::system(COMPONENT))
        };
        !(stamped..size).all(own)
    }

    /// What an earlier server was given, and whether the book says that tokens are missing.
    async fn remember(&mut self) {
        let (book, authorities) = (self.book.clone(), self.stamping.authorities.clone());
        // By itself: what the book says must be known also where no kept token can be read.
        self.lost = book_state(&book).ok().and_then(|state| state.time_authority).and_then(|asked| asked.lost);
        let read = move || {
            let Some((size, note, token)) = book.newest_time_stamp()? else { return Ok(None) };
            // One that is spoiled, or of another authority, is made anew: the authority is simply asked.
            let stamp = time_stamp::judge(&token, &Hash::of(note.as_bytes()), authorities.as_ref()).ok();
            Ok::<_, ReadError>(stamp.map(|stamp| Kept { size, stamp }))
        };
        match tokio::task::spawn_blocking(read).await {
            Ok(Ok(kept)) => locked(&self.standing).kept = kept,
            Ok(Err(error)) => tracing::error!(%error, "which time-stamps are kept could not be read"),
            Err(error) => tracing::error!(%error, "which time-stamps are kept could not be read"),
        }
    }

    async fn lose(&mut self, how: NoTimeStamp, why: String) {
        let kept = locked(&self.standing).kept.clone();
        let lost = Command::LoseTimeStamp {
            authority: self.stamping.url.clone(),
            how,
            since: kept.as_ref().map(|kept| kept.stamp.at),
            size: kept.as_ref().map_or(0, |kept| kept.size),
            cause: why,
        };
        if self.say(lost).await {
            self.lost = Some(how);
        }
    }

    /// Records something; true where the book took it.
    async fn say(&self, command: Command) -> bool {
        let said = match system_order(COMPONENT, command) {
            Ok(order) => self.book.act(order).await.map(|_| ()).map_err(|error| error.to_string()),
            Err(error) => Err(error.to_string()),
        };
        if let Err(error) = &said {
            tracing::error!(error, "how the time-stamping authority stands was not recorded");
        }
        said.is_ok()
    }

    /// Asks for a token over a checkpoint and keeps it, where it is good in every way.
    async fn ask(&self, note: &str, size: u64) -> Outcome {
        let none = |why: String| Outcome::Not(NoTimeStamp::NoToken, why);
        let covers = Hash::of(note.as_bytes());
        let nonce = match randomness::bytes::<16>() {
            Ok(nonce) => nonce,
            Err(error) => return none(error.to_string()),
        };
        let request = match time_stamp::request(&covers, &nonce) {
            Ok(request) => request,
            Err(error) => return none(format!("The request {error}.")),
        };
        let bytes = match called(self.stamping.url.clone(), request).await {
            Ok(bytes) => bytes,
            Err(why) => return none(why),
        };
        let (token, stamp) = match time_stamp::answer(&bytes, &covers, &nonce, self.stamping.authorities.as_ref()) {
            Answer::Token(token, stamp) => (token, stamp),
            Answer::No(why) => return none(why),
            Answer::Bad(error) => return Outcome::Not(NoTimeStamp::BadToken, format!("Its token {error}.")),
        };
        let book = self.book.clone();
        let keep = move || {
            let last = book.entry(size.saturating_sub(1))?;
            let last = last.and_then(|bytes| Some(Entry::read(&bytes).ok()?.header.at)).unwrap_or_default();
            if last > stamp.bound() {
                return Ok(Err((stamp.at, last)));
            }
            book.keep_time_stamp(size, &token)?;
            Ok::<_, ReadError>(Ok(Kept { size, stamp }))
        };
        match tokio::task::spawn_blocking(keep).await {
            Ok(Ok(Ok(kept))) => Outcome::Kept(kept),
            Ok(Ok(Err((at, last)))) => Outcome::Not(NoTimeStamp::BadToken, too_early(at, last)),
            Ok(Err(error)) => none(error.to_string()),
            Err(error) => none(error.to_string()),
        }
    }
}

/// One of two clocks is wrong; which one, nobody here can say.
fn too_early(at: Time, last: Time) -> String {
    format!("Its token is of {at}, and covers an entry of {last}: its clock or this server's is wrong.")
}

/// One call, on a thread of its own: a server that ends does not wait for it.
async fn called(url: String, request: Vec<u8>) -> Result<Vec<u8>, String> {
    let (tell, told) = tokio::sync::oneshot::channel();
    let work = move || drop(tell.send(call(&url, &request)));
    if let Err(error) = std::thread::Builder::new().name("time-stamp".to_owned()).spawn(work) {
        return Err(format!("No thread can be had: {error}."));
    }
    told.await.unwrap_or_else(|_| Err("The call broke off; the server's log says where.".to_owned()))
}

fn call(url: &str, request: &[u8]) -> Result<Vec<u8>, String> {
    let config = ureq::Agent::config_builder()
        .timeout_global(Some(ANSWER))
        .http_status_as_error(false)
        .max_redirects(0)
        // Only where the operator said, whatever the environment says.
        .proxy(None)
        .build();
    let agent = ureq::Agent::new_with_config(config);
    let response = agent.post(url).content_type("application/timestamp-query").send(request);
    let mut response = response.map_err(|error| format!("No answer: {error}."))?;
    let status = response.status().as_u16();
    if status != 200 {
        return Err(format!("It answers {status}."));
    }
    let read = response.body_mut().with_config().limit(TOKEN_MAX as u64).read_to_vec();
    read.map_err(|error| format!("The answer could not be read: {error}."))
}
