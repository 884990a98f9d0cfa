//! The witnesses of this book: each kept checkpoint is submitted to them, what they cosign is kept, and whether they go on
//! doing it is recorded.
//!
//! One task for each witness, beside everything else: the executor never waits for one. Rule: C2SP `tlog-witness`.

use std::fmt;
use std::str::FromStr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tallyseal_book::Book;
use tallyseal_control::{BookState, Command, Record, State};
use tallyseal_schema::Time;
use tallyseal_schema::checkpoint::{self, Note};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::OtherHistory;
use tallyseal_schema::witness::{Submission, WitnessKey, WitnessKeyError};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::cli::CannotRun;
use crate::desk::system_order;

/// A witness must answer within this time.
const ANSWER: Duration = Duration::from_secs(10);
/// Nothing that a witness answers is longer. Unit: bytes.
const ANSWER_MAX: u64 = 64 * 1024;
/// After a failure it is asked again after this time, then after twice as long, and so on.
const AGAIN: Duration = Duration::from_millis(500);
/// But at least so often.
const AGAIN_MAX: Duration = Duration::from_secs(60);
/// So long a server that ends waits for the last cosignatures.
const LAST: Duration = Duration::from_secs(2);
/// Calls for one checkpoint: where the witness is, and from there on.
const CALLS_MAX: usize = 4;

/// A witness to ask: where, and the key by which its cosignatures are known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Asked {
    key: WitnessKey,
    url: String,
}

/// A text that names no witness.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum AskedError {
    /// Not URL and key.
    Form,
    /// No plain HTTP address.
    Url,
    /// The key.
    Key(WitnessKeyError),
}

impl fmt::Display for AskedError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Form => f.write_str("a witness is named as URL=KEY, for example http://10.0.0.9:8461=quality.example/w1+..."),
            Self::Url => f.write_str(
                "the address of a witness begins with http://; there is no TLS here, as checkpoints and cosignatures are \
                 signed and hold nothing secret",
            ),
            Self::Key(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for AskedError {}

impl FromStr for Asked {
    type Err = AskedError;

    fn from_str(text: &str) -> Result<Self, AskedError> {
        let (url, key) = text.split_once('=').ok_or(AskedError::Form)?;
        let plain = url.strip_prefix("http://").is_some_and(|rest| !rest.is_empty() && !rest.starts_with('/'));
        if !plain || url.contains(|c: char| c.is_whitespace() || c.is_control() || matches!(c, '?' | '#' | '@')) {
            return Err(AskedError::Url);
        }
        let key = key.parse().map_err(AskedError::Key)?;
        Ok(Self { key, url: url.trim_end_matches('/').to_owned() })
    }
}

impl Asked {
    /// Its key.
    pub(crate) fn key(&self) -> &WitnessKey {
        &self.key
    }
}

/// What was cosigned last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Cosigned {
    /// When the witness says that it did.
    pub(crate) at: Time,
    /// How many entries.
    pub(crate) size: u64,
}

/// One witness as it stands.
#[derive(Debug, Clone)]
pub(crate) struct Standing {
    /// What it cosigned last; `None`: nothing yet.
    pub(crate) cosigned: Option<Cosigned>,
    /// Its key.
    pub(crate) key: WitnessKey,
    /// Why it did not cosign when it was asked last; `None`: it did, or was not asked yet.
    pub(crate) problem: Option<String>,
    /// Where it is asked.
    pub(crate) url: String,
}

/// Which witnesses to ask, and how long one may be away before that is recorded.
#[derive(Debug, Clone)]
pub(crate) struct Asking {
    pub(crate) all: Vec<Asked>,
    pub(crate) patience: Duration,
}

impl Default for Asking {
    fn default() -> Self {
        Self { all: Vec::new(), patience: Duration::from_secs(10 * 60) }
    }
}

/// The witnesses of a served book.
pub(crate) struct Witnesses {
    each: Vec<Arc<Mutex<Standing>>>,
    tasks: Vec<JoinHandle<()>>,
}

fn locked(standing: &Mutex<Standing>) -> MutexGuard<'_, Standing> {
    standing.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Witnesses {
    /// Says in the book which witnesses are asked, where it is others than before, and begins to ask them.
    ///
    /// Errors: the book takes no entry.
    pub(crate) async fn follow(book: &Book, asking: Asking) -> Result<Self, CannotRun> {
        let named = asking.all.iter().map(|one| one.key.to_string()).collect();
        let order = system_order("witness", Command::NameWitnesses { witnesses: named })?;
        book.act(order).await?;
        let (mut each, mut tasks) = (Vec::new(), Vec::new());
        for Asked { key, url } in asking.all {
            let standing = Standing { cosigned: None, key: key.clone(), problem: None, url: url.clone() };
            let standing = Arc::new(Mutex::new(standing));
            each.push(Arc::clone(&standing));
            let one = One {
                book: book.clone(),
                key,
                kept: book.kept(),
                lost: false,
                patience: asking.patience,
                standing,
                url,
            };
            tasks.push(tokio::spawn(one.follow()));
        }
        Ok(Self { each, tasks })
    }

    /// Each witness as it stands.
    pub(crate) fn stand(&self) -> Vec<Standing> {
        self.each.iter().map(|standing| locked(standing).clone()).collect()
    }

    /// Asks no more. Before that the witnesses that answer cosign what there is, as far as they do it at once: what is
    /// entered last before a stop is as exposed as anything.
    pub(crate) async fn end(&self, book: &Book) {
        if !self.each.is_empty()
            && let Ok(note) = book.keep_checkpoint().await
            && let Ok(last) = checkpoint::parse_body(&note)
        {
            let behind =
                |one: &Standing| one.problem.is_none() && one.cosigned.is_none_or(|cosigned| cosigned.size < last.size);
            let began = Instant::now();
            while began.elapsed() < LAST && self.stand().iter().any(behind) {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        }
        self.tasks.iter().for_each(JoinHandle::abort);
    }
}

/// What is remembered of the book itself.
///
/// Errors: the book cannot be read.
pub(crate) fn book_state(book: &Book) -> Result<BookState, tallyseal_book::ReadError> {
    Ok(match book.record(&Stream::book())? {
        Some((_, Record { state: State::Book(state), .. })) => state,
        _ => BookState::default(),
    })
}

/// What came of asking.
enum Outcome {
    Cosigned(Cosigned),
    /// The witness knows another history: how it differs, how many entries it cosigned, how many are here.
    Fork(OtherHistory, u64, u64),
    /// It did not; why, in a sentence.
    Not(String),
}

/// What a witness answers to one call.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Answer {
    /// Signature lines.
    Lines(String),
    /// It is at that size.
    Conflict(u64),
    /// It is not proved to continue what the witness saw.
    NotContinued,
    /// Anything else, in a sentence.
    Not(String),
}

/// The task of one witness.
struct One {
    book: Book,
    key: WitnessKey,
    kept: watch::Receiver<String>,
    /// The book says that it is away.
    lost: bool,
    patience: Duration,
    standing: Arc<Mutex<Standing>>,
    url: String,
}

impl One {
    async fn follow(mut self) {
        self.remember().await;
        let mut behind: Option<Instant> = None;
        let mut again = AGAIN;
        loop {
            let note = self.kept.borrow_and_update().clone();
            let size = checkpoint::parse_body(&note).map_or(0, |checkpoint| checkpoint.size);
            if self.size() >= size {
                (behind, again) = (None, AGAIN);
                // The executor is gone: so is everything to be said.
                if self.kept.changed().await.is_err() {
                    return;
                }
                continue;
            }
            let since = *behind.get_or_insert_with(Instant::now);
            match self.ask(note).await {
                Outcome::Cosigned(cosigned) => {
                    locked(&self.standing).problem = None;
                    locked(&self.standing).cosigned = Some(cosigned);
                    (behind, again) = (None, AGAIN);
                    if self.lost {
                        let back = Command::RestoreWitness { witness: self.key.to_string(), size: cosigned.size };
                        self.lost = !self.say(back).await;
                    }
                    continue;
                }
                Outcome::Fork(history, known, size) => {
                    let why = match history {
                        OtherHistory::Longer => format!("It cosigned {known} entries of this book; here are {size}."),
                        OtherHistory::Differs => {
                            format!("It cosigned {known} entries that are not those of this book.")
                        }
                    };
                    tracing::error!(witness = self.key.name(), why, "a witness knows another history of this book");
                    locked(&self.standing).problem = Some(why);
                    // It stays so until somebody does something about it.
                    again = AGAIN_MAX;
                    // Said once: the rules look whether it was.
                    self.say(Command::NoteFork { witness: self.key.to_string(), size, known, history }).await;
                }
                Outcome::Not(why) => {
                    tracing::warn!(witness = self.key.name(), why, "a witness did not cosign");
                    locked(&self.standing).problem = Some(why.clone());
                    if !self.lost && since.elapsed() >= self.patience {
                        let cosigned = locked(&self.standing).cosigned;
                        let lost = Command::LoseWitness {
                            witness: self.key.to_string(),
                            since: cosigned.map(|cosigned| cosigned.at),
                            size: cosigned.map_or(0, |cosigned| cosigned.size),
                            cause: why,
                        };
                        self.lost = self.say(lost).await;
                    }
                }
            }
            // Not before the moment at which it is to be recorded that it is away.
            let patience = self.patience.saturating_sub(since.elapsed());
            let wait = if self.lost || patience.is_zero() { again } else { again.min(patience) };
            tokio::time::sleep(wait).await;
            again = (again * 2).min(AGAIN_MAX);
        }
    }

    fn size(&self) -> u64 {
        locked(&self.standing).cosigned.map_or(0, |cosigned| cosigned.size)
    }

    /// What an earlier server was told: the newest note that it kept, and whether the book says that the witness is away.
    async fn remember(&mut self) {
        let (book, key) = (self.book.clone(), self.key.clone());
        let read = move || {
            let lost = book_state(&book)?.lost.contains_key(&key.to_string());
            let Some(size) = book.newest_cosigned(&key.id_text())? else { return Ok((lost, None)) };
            let note = book.cosigned(size, &key.id_text())?;
            // One that is spoiled is made again: the witness is simply asked.
            let cosigned = note.and_then(|note| cosigned(&key, &note).map(|(cosigned, _)| cosigned));
            Ok::<_, tallyseal_book::ReadError>((lost, cosigned))
        };
        match tokio::task::spawn_blocking(read).await {
            Ok(Ok((lost, cosigned))) => {
                self.lost = lost;
                locked(&self.standing).cosigned = cosigned;
            }
            Ok(Err(error)) => tracing::error!(%error, "what a witness cosigned could not be read"),
            Err(error) => tracing::error!(%error, "what a witness cosigned could not be read"),
        }
    }

    /// Records something; true where the book took it.
    async fn say(&self, command: Command) -> bool {
        let said = match system_order("witness", command) {
            Ok(order) => self.book.act(order).await.map(|_| ()).map_err(|error| error.to_string()),
            Err(error) => Err(error.to_string()),
        };
        if let Err(error) = &said {
            tracing::error!(error, "how a witness stands was not recorded");
        }
        said.is_ok()
    }

    /// Submits a checkpoint, from where the witness is.
    async fn ask(&self, mut note: String) -> Outcome {
        let mut old = self.size();
        for _ in 0..CALLS_MAX {
            let Ok(at) = checkpoint::parse_body(&note) else {
                return Outcome::Not("The book's checkpoint cannot be read.".to_owned());
            };
            let book = self.book.clone();
            let proof = move || match old == 0 || old == at.size {
                true => Ok(Vec::new()),
                false => book.consistency(old, at.size),
            };
            let proof = match tokio::task::spawn_blocking(proof).await {
                Ok(Ok(proof)) => proof,
                Ok(Err(error)) => return Outcome::Not(error.to_string()),
                Err(error) => return Outcome::Not(error.to_string()),
            };
            let body = Submission { old, proof, note: note.clone() }.to_text();
            match called(format!("{}/add-checkpoint", self.url), body).await {
                Answer::Lines(lines) => return self.kept(&note, &lines, at.size).await,
                Answer::NotContinued if old > 0 => return Outcome::Fork(OtherHistory::Differs, old, at.size),
                Answer::NotContinued => {
                    return Outcome::Not("The witness refuses the first checkpoint, which needs no proof.".to_owned());
                }
                // It is where we said, and as large: then it has another root.
                Answer::Conflict(known) if known == old => return Outcome::Fork(OtherHistory::Differs, known, at.size),
                Answer::Conflict(known) if known <= at.size => old = known,
                Answer::Conflict(known) => match self.book.head() {
                    // It heard of a newer checkpoint of ours, whose answer we did not hear.
                    Ok(head) if known <= head.n + 1 => match self.book.keep_checkpoint().await {
                        Ok(newer) => (note, old) = (newer, known),
                        Err(error) => return Outcome::Not(error.to_string()),
                    },
                    Ok(head) => return Outcome::Fork(OtherHistory::Longer, known, head.n + 1),
                    Err(error) => return Outcome::Not(error.to_string()),
                },
                Answer::Not(why) => return Outcome::Not(why),
            }
        }
        Outcome::Not("The witness says another size at each call.".to_owned())
    }

    /// Keeps what was cosigned, where the cosignature is good.
    async fn kept(&self, note: &str, lines: &str, size: u64) -> Outcome {
        let Some((signed, kept)) = cosigned(&self.key, &format!("{note}{lines}")) else {
            return Outcome::Not("The witness answered with no good cosignature by the key that was named.".to_owned());
        };
        let (book, id) = (self.book.clone(), self.key.id_text());
        match tokio::task::spawn_blocking(move || book.keep_cosigned(size, &id, &kept)).await {
            Ok(Ok(())) => Outcome::Cosigned(signed),
            Ok(Err(error)) => Outcome::Not(error.to_string()),
            Err(error) => Outcome::Not(error.to_string()),
        }
    }
}

/// What a note says that this witness cosigned, and the note with its cosignatures and no others' lines but the book's;
/// `None` where it did not, or a line of its is bad.
fn cosigned(key: &WitnessKey, text: &str) -> Option<(Cosigned, String)> {
    let note = Note::parse(text).ok()?;
    let checkpoint = note.checkpoint().ok()?;
    let seconds = i64::try_from(key.cosigned(&note).ok()??).ok()?;
    let at = Time::from_micros(seconds.checked_mul(1_000_000)?)?;
    let (body, lines) = text.rsplit_once("\n\n")?;
    let ours = lines
        .lines()
        .zip(&note.signatures)
        .filter(|(_, line)| key.is_of(line) || line.name == checkpoint.origin.as_str());
    let lines: String = ours.map(|(line, _)| format!("{line}\n")).collect();
    Some((Cosigned { at, size: checkpoint.size }, format!("{body}\n\n{lines}")))
}

/// One call, on a thread of its own: a server that ends does not wait for it.
async fn called(url: String, body: String) -> Answer {
    let (tell, told) = tokio::sync::oneshot::channel();
    let work = move || drop(tell.send(call(&url, &body)));
    if let Err(error) = std::thread::Builder::new().name("witness".to_owned()).spawn(work) {
        return Answer::Not(format!("No thread can be had: {error}."));
    }
    told.await.unwrap_or_else(|_| Answer::Not("The call broke off; the server's log says where.".to_owned()))
}

fn call(url: &str, body: &str) -> Answer {
    let config = ureq::Agent::config_builder()
        .timeout_global(Some(ANSWER))
        .http_status_as_error(false)
        .max_redirects(0)
        // Only where the operator said, whatever the environment says.
        .proxy(None)
        .build();
    let agent = ureq::Agent::new_with_config(config);
    let mut response = match agent.post(url).content_type("text/plain; charset=utf-8").send(body) {
        Ok(response) => response,
        Err(error) => return Answer::Not(format!("No answer: {error}.")),
    };
    let status = response.status().as_u16();
    let text = match response.body_mut().with_config().limit(ANSWER_MAX).read_to_string() {
        Ok(text) => text,
        Err(error) => return Answer::Not(format!("The answer could not be read: {error}.")),
    };
    answered(status, text)
}

fn answered(status: u16, text: String) -> Answer {
    match status {
        200 => Answer::Lines(text),
        409 => match text.trim_end_matches('\n').parse() {
            Ok(size) => Answer::Conflict(size),
            Err(_) => Answer::Not("It answers 409 and does not say at which size it is.".to_owned()),
        },
        422 => Answer::NotContinued,
        404 => Answer::Not(
            "It does not follow this book; its operator names the book's key with `tallyseal witness follow`."
                .to_owned(),
        ),
        403 => Answer::Not("It knows another key of this book than the one that signs now.".to_owned()),
        other => {
            let why: String = text.chars().filter(|c| !c.is_control()).take(100).collect();
            Answer::Not(format!("It answers {other}: {why}."))
        }
    }
}

#[cfg(test)]
mod tests {
    use tallyseal_schema::Hash;
    use tallyseal_schema::checkpoint::Checkpoint;
    use tallyseal_schema::signature::SigningKey;
    use tallyseal_schema::witness::Cosigner;

    use super::*;

    const KEY: &str = "witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";

    #[test]
    fn a_witness_is_named_by_its_address_and_its_key() {
        let asked: Asked = format!("http://10.0.0.9:8461/={KEY}").parse().unwrap();
        assert_eq!((asked.url.as_str(), asked.key.name()), ("http://10.0.0.9:8461", "witness.example/w1"));
        for bad in [
            KEY.to_owned(),
            format!("https://10.0.0.9={KEY}"),
            format!("http://={KEY}"),
            format!("http://a b={KEY}"),
            format!("http://user@host={KEY}"),
            "http://10.0.0.9:8461=witness".to_owned(),
        ] {
            assert!(bad.parse::<Asked>().is_err(), "{bad}");
        }
    }

    #[test]
    fn only_a_good_cosignature_of_the_named_key_counts_and_only_its_line_is_kept() {
        let book = SigningKey::from_seed(&[1; 32]).unwrap();
        let checkpoint = Checkpoint { origin: "a.example".parse().unwrap(), size: 7, root: Hash([2; 32]) };
        let note = checkpoint::sign(&checkpoint, &book);
        let [ours, other] = [3, 4].map(|seed| Cosigner::new("w", SigningKey::from_seed(&[seed; 32]).unwrap()).unwrap());
        let (one, two) = (ours.cosign(&checkpoint.body(), 1_000), other.cosign(&checkpoint.body(), 1_000));
        let (signed, kept) = cosigned(ours.public(), &format!("{note}{two}{one}")).unwrap();
        assert_eq!((signed.size, signed.at.micros()), (7, 1_000_000_000));
        assert_eq!(kept, format!("{note}{one}"));
        assert_eq!(cosigned(ours.public(), &format!("{note}{two}")), None);
        // Its own line under another checkpoint.
        let elsewhere = ours.cosign(&Checkpoint { size: 8, ..checkpoint }.body(), 1_000);
        assert_eq!(cosigned(ours.public(), &format!("{note}{elsewhere}")), None);
    }

    #[test]
    fn each_answer_of_the_witness_text_is_understood() {
        // https://c2sp.org/tlog-witness, add-checkpoint.
        assert_eq!(answered(409, "20852163\n".to_owned()), Answer::Conflict(20_852_163));
        assert_eq!(answered(422, String::new()), Answer::NotContinued);
        assert_eq!(answered(200, "x".to_owned()), Answer::Lines("x".to_owned()));
        for (status, text) in [(409, "many"), (404, ""), (403, ""), (400, "bad"), (500, ""), (302, "")] {
            assert!(matches!(answered(status, text.to_owned()), Answer::Not(_)), "{status}");
        }
    }
}
