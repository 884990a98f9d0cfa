//! Integrity: the book's key and checkpoints, a verification of the whole book, a checkpoint from paper, a sealed record that
//! is handed in; and what all of it shows and does not show.

use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::PathBuf;
use std::time::Duration;

use actix_multipart::{Field, Multipart};
use actix_web::http::StatusCode;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::{Data, Payload};
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use futures_util::StreamExt as _;
use tallyseal_book::{Book, ReadError};
use tallyseal_schema::checkpoint::{self, Checkpoint, NoteError, VerifierKey};
use tallyseal_schema::entry::Header;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::signature::key_name;
use tallyseal_schema::{Hash, Time, canonical, tree};
use tallyseal_verify::Trust;

use super::outside::Outside;
use super::visitor::{Visitor, not_from_elsewhere, typed};
use super::{Frame, PageError, checks, page, page_as, see_other, words};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use crate::verifying::{Began, Found, Stage, handed_in_prefix};
use crate::{clock, randomness};

/// The largest sealed record that is taken in. Unit: bytes.
const RECORD_MAX: usize = 200 * 1024 * 1024;
/// The largest token of a form. Unit: bytes.
const TOKEN_MAX: usize = 4 * 1024;
/// A file that is handed in must not pause for longer.
const PAUSE: Duration = Duration::from_secs(20);
/// Nor take longer as a whole.
const HANDING_IN: Duration = Duration::from_secs(15 * 60);

/// A checkpoint as somebody typed it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Paper {
    /// Which book it says that it is of.
    origin: Option<String>,
    size: u64,
    root: Hash,
    /// The lines with which it is signed, as in a note.
    signatures: String,
}

impl Paper {
    /// Reads what people type: blanks in numbers and roots, a hyphen for the dash, the root in base64 or hexadecimal digits, the
    /// name of the book and the signatures or not.
    ///
    /// Errors: what is wrong with it, in a sentence.
    fn read(text: &str) -> Result<Self, &'static str> {
        let (mut body, mut signed): (Vec<&str>, Vec<String>) = (Vec::new(), Vec::new());
        for line in text.lines().map(str::trim).filter(|line| !line.is_empty()) {
            let dashed = line.trim_start_matches(['\u{2014}', '\u{2013}', '-']);
            match signed.last_mut() {
                _ if dashed.len() < line.len() => signed.push(dashed.trim().to_owned()),
                // A long line that paper broke.
                Some(last) => last.push_str(line),
                None => body.push(line),
            }
        }
        let (origin, size, root) = match body.as_slice() {
            [size, root] => (None, size, root),
            [origin, size, root] => (Some((*origin).to_owned()), size, root),
            _ => {
                return Err(
                    "Type the lines as they are printed: the book's name, the size, the root; or size and root.",
                );
            }
        };
        let plain = |text: &str| text.chars().filter(|c| !c.is_whitespace() && *c != ',').collect::<String>();
        let size = plain(size).parse().map_err(|_| "The size is the number of entries: digits only.")?;
        let root = plain(root);
        let root = match root.parse::<Hash>() {
            Ok(root) => Some(root),
            Err(_) => canonical::unbase64(&root).and_then(|root| root.try_into().ok()).map(Hash),
        };
        let root = root.ok_or("The root is 44 characters with = at the end; one of them is missing or too many.")?;
        let signatures = signed.iter().filter_map(|line| line.split_once(char::is_whitespace));
        let signatures = signatures.map(|(name, rest)| format!("\u{2014} {name} {}\n", plain(rest))).collect();
        Ok(Self { origin, size, root, signatures })
    }

    /// As a note, where it says the book and is signed.
    fn note(&self) -> Option<String> {
        let origin = self.origin.as_ref()?.parse().ok()?;
        let body = Checkpoint { origin, size: self.size, root: self.root }.body();
        (!self.signatures.is_empty()).then(|| format!("{body}\n{}", self.signatures))
    }

    fn signature(&self, key: &VerifierKey) -> Signature {
        let Some(note) = self.note() else { return Signature::None };
        match checkpoint::open(&note, std::slice::from_ref(key)) {
            Ok(opened) if opened.signed_by.is_empty() => Signature::Strange,
            Ok(_) => Signature::Good,
            Err(NoteError::BadSignature(_)) => Signature::Bad,
            Err(_) => Signature::Unreadable,
        }
    }
}

/// What the signature on a typed checkpoint is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Signature {
    /// Not this book's over what was typed.
    Bad,
    Good,
    /// None was typed, or no name of a book.
    None,
    /// Of another key.
    Strange,
    Unreadable,
}

/// How a checkpoint stands to the book.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    /// The tree over the first entries of the book has another root.
    Differs,
    /// The book has fewer entries, so many.
    Longer(u64),
    /// Over no entry at all.
    Nothing,
    /// The book begins with exactly those entries, and has so many more.
    Within(u64),
}

/// Holds a size and a root against the book, by the proof that its tree gives.
fn stands(book: &Book, size: u64, root: &Hash) -> Result<Standing, PageError> {
    let newest = newest_of(book)?;
    if size == 0 {
        return Ok(Standing::Nothing);
    }
    if size > newest.size {
        return Ok(Standing::Longer(newest.size));
    }
    let path = if size == newest.size { Vec::new() } else { book.consistency(size, newest.size)? };
    let holds = tree::verify_consistency(size, root, newest.size, &newest.root, &path).is_ok();
    Ok(if holds { Standing::Within(newest.size - size) } else { Standing::Differs })
}

fn newest_of(book: &Book) -> Result<Checkpoint, PageError> {
    let note = book.checkpoint()?;
    checkpoint::parse_body(&note).map_err(|error| DeskError::Internal(error.to_string()).into())
}

/// An answer: its mark, what is so, what follows.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Verdict {
    /// `good`, `hold` or `grave`.
    mark: &'static str,
    /// In a few words.
    word: &'static str,
    sentences: Vec<String>,
}

const COMPARE: &str =
    "Compare what you typed with the paper, character by character, above all 0 and O, 1 and l and I.";
const NOT_SHOWN: &str = "It does not show that what was entered is true, nor that the clock was right. It is answered from the \
                         tree that the book keeps; a verification of the whole book hashes every entry anew.";

/// What a typed checkpoint says about this book.
fn verdict(paper: &Paper, name: &str, standing: Standing, signature: Signature) -> Verdict {
    let size = words::number(paper.size);
    let say = |mark, word, sentences: &[String]| Verdict { mark, word, sentences: sentences.to_vec() };
    if let Some(origin) = paper.origin.as_ref().filter(|origin| *origin != name) {
        let other =
            format!("This is a checkpoint of {origin}, and this book is {name}. It says nothing about this book.");
        return say("hold", "Another book", &[other, "If the name is typed wrongly, correct it.".to_owned()]);
    }
    match (standing, signature) {
        (Standing::Nothing, _) => {
            say("hold", "Proves nothing", &["A checkpoint of no entries says nothing about any.".to_owned()])
        }
        (Standing::Within(tail), signature) => {
            let after = match tail {
                0 => "There is no entry after them yet.".to_owned(),
                1 => "It says nothing about the 1 entry after them.".to_owned(),
                tail => format!("It says nothing about the {} entries after them.", words::number(tail)),
            };
            let rests = match signature {
                Signature::Good => "It is signed by this book's key.",
                Signature::None => "No signature was typed, so it is worth as much as the paper and whoever kept it.",
                Signature::Bad | Signature::Unreadable => {
                    "The root is right, but the signature as typed does not fit: it is typed wrongly, or was not made by this \
                     book's key."
                }
                Signature::Strange => "The signature is by a key that is not this book's; it was not judged.",
            };
            let same = format!(
                "This book still begins with exactly the {size} entries that this checkpoint was made over: since then none of \
                 them was changed, taken out, put in or moved."
            );
            say("good", "Still exactly so", &[same, rests.to_owned(), after, NOT_SHOWN.to_owned()])
        }
        (Standing::Longer(have), Signature::Good) => {
            let missing = format!(
                "This book's key signed that there were {size} entries, and here are {}. Entries are missing: this is an older \
                 copy, or somebody cut the end off.",
                words::number(have)
            );
            say("grave", "Entries are missing", &[missing, "Stop relying on this book and keep this paper.".to_owned()])
        }
        (Standing::Longer(have), _) => {
            let longer =
                format!("The paper speaks of {size} entries, and this book has {} in all.", words::number(have));
            let either = "Either the size is typed wrongly, or entries are missing here.".to_owned();
            say("grave", "Not so", &[longer, either, COMPARE.to_owned()])
        }
        (Standing::Differs, Signature::Good) => {
            let changed = format!(
                "This book's own key signed another root over {size} entries than these entries have. What the paper proves was \
                 changed in this book."
            );
            say(
                "grave",
                "The book was changed",
                &[changed, "Stop relying on this book and keep this paper.".to_owned()],
            )
        }
        (Standing::Differs, Signature::Bad) => {
            let differs = format!(
                "The first {size} entries of this book have another root, and the signature does not fit what was typed."
            );
            let either =
                "Most likely a character is typed wrongly. If all is as printed, the paper is not of this book's key."
                    .to_owned();
            say("grave", "Not so", &[differs, either, COMPARE.to_owned()])
        }
        (Standing::Differs, _) => {
            let differs = format!("The first {size} entries of this book have another root than the one typed.");
            let either = "Either size or root is typed wrongly, or the paper is of another book, or this book was changed. Type \
                          the name and the signature line too: they tell which."
                .to_owned();
            say("grave", "Not so", &[differs, either, COMPARE.to_owned()])
        }
    }
}

/// A check as shown.
struct CheckShown {
    /// Empty where there is none.
    faults: String,
    /// It had something to look at.
    judged: bool,
    looked_at: String,
    means: &'static str,
    title: String,
}

/// A fault as shown: at which entry, what the check is called, what is wrong.
struct FaultShown {
    check: String,
    n: Option<u64>,
    what: String,
}

/// What a verification found, in words.
#[derive(Template)]
#[template(path = "found.html")]
struct FoundPart {
    checks: Vec<CheckShown>,
    faults: Vec<FaultShown>,
    first_bad: Option<u64>,
    /// Entries of this very book: they have a page.
    here: bool,
    more: Option<String>,
    notes: Vec<String>,
    sentences: Vec<String>,
    verdict: Verdict,
}

impl FoundPart {
    /// `whole`: it is about the whole book and not about a record; `here`: about this book.
    fn of(found: &Found, whole: bool, here: bool) -> Self {
        let holds = found.fault_count == 0;
        let count = words::number(found.fault_count);
        let verdict = match (holds, found.fault_count) {
            (true, _) if found.pages_unproven => Verdict {
                mark: "hold",
                word: "Entries in order, pages not proven",
                sentences: vec![
                    format!("Everything that was checked holds. {}", checks::trust(found.trust)),
                    "Nothing shows that the pages say what the attached entries say: see below why they were not set again. \
                     Take the sealed record (the ZIP), or compare them with the entries yourself."
                        .to_owned(),
                ],
            },
            (true, _) => Verdict {
                mark: "good",
                word: "In order",
                sentences: vec![format!("Everything that was checked holds. {}", checks::trust(found.trust))],
            },
            (false, 1) => {
                Verdict { mark: "grave", word: "Not in order", sentences: vec!["There is 1 fault.".to_owned()] }
            }
            (false, _) => {
                Verdict { mark: "grave", word: "Not in order", sentences: vec![format!("There are {count} faults.")] }
            }
        };
        let title = |name: &str| checks::meaning(name).map_or_else(|| name.to_owned(), |row| row.title.to_owned());
        let shown = found.checks.iter().map(|line| {
            let meaning = checks::meaning(&line.check);
            let what = match line.looked_at {
                1 => meaning.map_or("thing", |row| row.one),
                _ => meaning.map_or("things", |row| row.looked_at),
            };
            CheckShown {
                faults: if line.faults == 0 { String::new() } else { words::number(line.faults) },
                judged: line.looked_at > 0,
                looked_at: format!("{} {what}", words::number(line.looked_at)),
                means: meaning.map_or("", |row| row.means),
                title: title(&line.check),
            }
        });
        let faults = found.faults.iter().map(|fault| FaultShown {
            check: title(&fault.check),
            n: fault.n,
            what: fault.what.clone(),
        });
        let more = found.fault_count.saturating_sub(found.faults.len() as u64);
        Self {
            checks: shown.collect(),
            faults: faults.collect(),
            first_bad: found.first_bad,
            here,
            more: (more > 0).then(|| words::number(more)),
            notes: found.notes.clone(),
            sentences: sentences(found, whole),
            verdict,
        }
    }
}

/// What was there, in sentences.
fn sentences(found: &Found, whole: bool) -> Vec<String> {
    let mut said = Vec::new();
    let mut first = match &found.book {
        Some(book) => format!("{} entries of the book {book}", words::number(found.entries)),
        None => "Which book it is of could not be read".to_owned(),
    };
    if let Some(head) = found.head {
        first.push_str(&format!(", the last is entry {}", words::number(head.n)));
    }
    said.push(format!("{first}."));
    if found.standing + found.void > 0 {
        said.push(format!(
            "{} signatures stand; {} are void, because their record changed after them.",
            words::number(found.standing),
            words::number(found.void)
        ));
    }
    if found.compromised > 0 {
        said.push(format!(
            "{} signatures do not stand, because a key is marked as compromised.",
            words::number(found.compromised)
        ));
    }
    match (&found.outside, found.trust) {
        (Some(outside), Trust::Checkpoint | Trust::Witness) => said.push(format!(
            "The newest proof from outside covers {} entries; {} stand after it, for which nothing from outside speaks.",
            words::number(outside.size),
            words::number(outside.tail)
        )),
        (None, _) if whole => said.push("Nothing from outside spoke for any of these entries.".to_owned()),
        _ => {}
    }
    said
}

/// A verification of the book that runs, or was made last.
#[derive(Template)]
#[template(path = "run.html")]
struct RunPart {
    /// Entries done, of how many.
    done: u64,
    done_words: String,
    ended: Option<(words::When, String)>,
    failed: Option<String>,
    found: Option<FoundPart>,
    held_against: bool,
    runs: bool,
    started: Option<(words::When, String)>,
    total: u64,
    total_words: String,
    replay: bool,
    views: bool,
}

impl RunPart {
    fn of(desk: &Desk) -> Self {
        let (running, ended) = desk.verifying().stands();
        let mut part = Self {
            done: 0,
            done_words: String::new(),
            ended: None,
            failed: None,
            found: None,
            held_against: false,
            runs: running.is_some(),
            started: None,
            total: 0,
            total_words: String::new(),
            replay: false,
            views: false,
        };
        match (running, ended) {
            (Some((began, stage)), _) => {
                part.began(&began, desk);
                match stage {
                    Stage::Entries(done, total) => (part.done, part.total) = (done, total),
                    Stage::Replay => part.replay = true,
                    Stage::Views => part.views = true,
                }
                (part.done_words, part.total_words) = (words::number(part.done), words::number(part.total));
            }
            (None, Some(ended)) => {
                part.began(&ended.began, desk);
                let took = match seconds_between(ended.began.at, ended.at) {
                    0 => "less than a second".to_owned(),
                    seconds => words::span_words(seconds),
                };
                part.ended = Some((words::when(ended.at, desk.zone()), took));
                match ended.found {
                    Ok(found) => part.found = Some(FoundPart::of(&found, true, true)),
                    Err(why) => part.failed = Some(why),
                }
            }
            (None, None) => {}
        }
        part
    }

    fn began(&mut self, began: &Began, desk: &Desk) {
        self.started = Some((words::when(began.at, desk.zone()), began.by.clone()));
        self.held_against = began.outside.is_some();
    }
}

fn seconds_between(from: Time, to: Time) -> u64 {
    to.micros().saturating_sub(from.micros()).max(0).unsigned_abs() / 1_000_000
}

/// The newest checkpoint as shown.
struct Newest {
    age: String,
    kept: String,
    root: String,
    size: String,
    text: String,
    when: words::When,
}

#[derive(Template)]
#[template(path = "integrity.html")]
struct IntegrityPage {
    /// An answer to what was just typed or handed in, with its title.
    answer: Option<(String, Verdict)>,
    /// What the verification of a record found, which has the answer.
    answer_found: Option<FoundPart>,
    fault: Option<(&'static str, String)>,
    fingerprint: Vec<String>,
    frame: Frame,
    key: String,
    key_id: String,
    live: String,
    limits: &'static [(&'static str, &'static str)],
    may: bool,
    meanings: &'static [checks::Meaning],
    newest: Newest,
    outside: Outside,
    run: RunPart,
    things: Vec<(&'static str, String)>,
    typed: String,
}

impl IntegrityPage {
    /// Made away from the web's two threads: the first one lists every checkpoint that is kept.
    async fn of(desk: &Data<Desk>, seat: &Seat) -> Result<Self, PageError> {
        let (desk, seat) = (desk.clone(), seat.clone());
        let made = tokio::task::spawn_blocking(move || Self::made(&desk, &seat)).await;
        made.map_err(|error| DeskError::Internal(error.to_string()))?
    }

    fn made(desk: &Desk, seat: &Seat) -> Result<Self, PageError> {
        let key = own_key(desk)?;
        let listed = Thing::ALL.iter().filter(|thing| !matches!(thing, Thing::Book | Thing::Session));
        let fingerprint = key_name(&key.public).hex();
        Ok(Self {
            answer: None,
            answer_found: None,
            fault: None,
            fingerprint: groups(&fingerprint),
            frame: Frame::new(desk, Some(seat), "integrity", "Integrity"),
            key: key.to_string(),
            key_id: key.id.iter().map(|byte| format!("{byte:02x}")).collect(),
            live: Stream::book().to_string(),
            limits: checks::LIMITS,
            may: desk.reads_entries(seat)?,
            meanings: checks::MEANINGS,
            newest: newest_shown(desk)?,
            outside: Outside::of(desk)?,
            run: RunPart::of(desk),
            things: listed.map(|thing| (thing.as_str(), words::capital(&words::thing(thing.as_str())))).collect(),
            typed: String::new(),
        })
    }

    fn fault_at(&self, field: &str) -> Option<&str> {
        self.fault.as_ref().filter(|(at, _)| *at == field).map(|(_, fault)| fault.as_str())
    }
}

/// Digits in groups of four, as they are read aloud.
fn groups(digits: &str) -> Vec<String> {
    digits.as_bytes().chunks(4).map(|group| String::from_utf8_lossy(group).into_owned()).collect()
}

fn own_key(desk: &Desk) -> Result<VerifierKey, PageError> {
    let key = desk.book().verifier_key()?;
    key.parse().map_err(|error: checkpoint::VerifierKeyError| DeskError::Internal(error.to_string()).into())
}

fn newest_shown(desk: &Desk) -> Result<Newest, PageError> {
    let book = desk.book();
    let text = book.checkpoint()?;
    let at = checkpoint::parse_body(&text).map_err(|error| DeskError::Internal(error.to_string()))?;
    let gone = || DeskError::Internal("the last entry of the newest checkpoint is gone".to_owned());
    let last = book.entry(at.size.saturating_sub(1))?.ok_or_else(gone)?;
    let (header, _) = Header::read(&last).map_err(|error| DeskError::Internal(error.to_string()))?;
    let kept = desk.verifying().kept(book.dir()).map_err(|error| ReadError::Store(error.to_string()))?;
    Ok(Newest {
        age: match seconds_between(header.at, clock::now()) {
            0 => "just now".to_owned(),
            seconds => format!("{} ago", words::span_words(seconds)),
        },
        kept: words::number(kept.0),
        root: canonical::base64(at.root.0),
        size: words::number(at.size),
        text,
        when: words::when(header.at, desk.zone()),
    })
}

pub(super) async fn page_of(Visitor(seat): Visitor, desk: Data<Desk>) -> Result<HttpResponse, PageError> {
    page(&IntegrityPage::of(&desk, &seat).await?)
}

/// The newest checkpoint as a note; kept, since it is given away.
pub(super) async fn newest(_visitor: Visitor, desk: Data<Desk>) -> Result<HttpResponse, PageError> {
    let note = desk.book().keep_checkpoint().await.map_err(DeskError::from)?;
    let at = checkpoint::parse_body(&note).map_err(|error| DeskError::Internal(error.to_string()))?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/plain; charset=utf-8"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"checkpoint-{}.txt\"", at.size)))
        .body(note))
}

/// The part of the page that moves while a verification runs.
pub(super) async fn run_part(Visitor(seat): Visitor, desk: Data<Desk>) -> Result<HttpResponse, PageError> {
    match desk.reads_entries(&seat)? {
        true => page(&RunPart::of(&desk)),
        false => Err(DeskError::MayNotRead.into()),
    }
}

/// Begins a verification of the whole book.
pub(super) async fn begin(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let typed = typed(&request, payload, &desk, Some(&seat)).await?;
    desk.may_read_entries(&seat, None).await?;
    let text = typed.get("checkpoint").map_or("", |text| text.trim());
    let outside = match text {
        "" => None,
        text => match Paper::read(text).map(|paper| paper.note()) {
            Ok(Some(note)) => Some(note),
            read => {
                let why = read.err().unwrap_or("Here the name of the book and the signature line are needed too.");
                let mut page = IntegrityPage::of(&desk, &seat).await?;
                page.fault = Some(("outside", why.to_owned()));
                text.clone_into(&mut page.typed);
                return page_as(StatusCode::UNPROCESSABLE_ENTITY, &page);
            }
        },
    };
    let by = format!("{} ({})", seat.name, seat.account);
    let views = typed.get("views").is_some_and(|views| views == "yes");
    // Where one runs already, the page shows that one.
    desk.verifying().begin(
        desk.book().clone(),
        Began {
            at: clock::now(),
            by,
            outside,
            views,
            witnesses: desk.witnesses().into_iter().map(|standing| standing.key).collect(),
            authorities: desk.time_stamps().and_then(|standing| standing.authorities),
        },
    );
    Ok(see_other("/integrity#run"))
}

/// Holds a checkpoint from paper against the book.
pub(super) async fn paper(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let typed = typed(&request, payload, &desk, Some(&seat)).await?;
    desk.may_read_entries(&seat, None).await?;
    let text = typed.get("checkpoint").cloned().unwrap_or_default();
    let mut page_of = IntegrityPage::of(&desk, &seat).await?;
    let paper = match Paper::read(&text) {
        Ok(paper) => paper,
        Err(why) => {
            page_of.fault = Some(("paper", why.to_owned()));
            page_of.typed = text;
            return page_as(StatusCode::UNPROCESSABLE_ENTITY, &page_of);
        }
    };
    let standing = stands(desk.book(), paper.size, &paper.root)?;
    let verdict = verdict(&paper, desk.name().as_str(), standing, paper.signature(&own_key(&desk)?));
    page_of.answer = Some(("The checkpoint from paper".to_owned(), verdict));
    page_of.typed = text;
    page(&page_of)
}

/// A file that is handed in, removed when it is let go. It lies among the temporary files, for its owner alone.
struct HandedIn {
    file: File,
    length: usize,
    name: String,
    path: PathBuf,
}

impl HandedIn {
    fn new(desk: &Desk, name: String) -> Result<Self, PageError> {
        let prefix = handed_in_prefix(desk.book().dir());
        // What a file wants to be, its name says, as on the command line: a spoiled archive is no unknown file.
        let kind = if name.to_ascii_lowercase().ends_with(".pdf") { "pdf" } else { "zip" };
        let path = std::env::temp_dir().join(format!("{prefix}{}.{kind}", randomness::act()?));
        let file = File::options().write(true).create_new(true).mode(0o600).open(&path);
        let file = file.map_err(|error| DeskError::Internal(format!("{}: {error}", path.display())))?;
        Ok(Self { file, length: 0, name, path })
    }

    fn add(&mut self, bytes: &[u8]) -> Result<(), PageError> {
        self.length += bytes.len();
        if self.length > RECORD_MAX {
            return Err(DeskError::TooLarge(RECORD_MAX).into());
        }
        self.file.write_all(bytes).map_err(|error| DeskError::Internal(error.to_string()).into())
    }
}

impl Drop for HandedIn {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::error!(%error, "a record that was handed in was not removed");
        }
    }
}

/// The next piece, which must not keep anybody waiting.
async fn next_of<T, E: std::fmt::Display>(
    stream: &mut (impl futures_util::Stream<Item = Result<T, E>> + Unpin),
) -> Result<Option<T>, PageError> {
    let next = tokio::time::timeout(PAUSE, stream.next()).await.map_err(|_| DeskError::TooSlow)?;
    next.transpose().map_err(|error| DeskError::Invalid(error.to_string()).into())
}

async fn token_of(field: &mut Field) -> Result<String, PageError> {
    let mut token = Vec::new();
    while let Some(bytes) = next_of(field).await? {
        token.extend_from_slice(&bytes);
        if token.len() > TOKEN_MAX {
            return Err(PageError::NotOurForm);
        }
    }
    String::from_utf8(token).map_err(|_| PageError::NotOurForm)
}

/// Takes the one file of a form in, after the token that shows it to be a form of this session.
async fn taken_in(desk: &Desk, seat: &Seat, form: &mut Multipart) -> Result<Option<HandedIn>, PageError> {
    let (mut ours, mut taken) = (false, None);
    while let Some(mut field) = next_of(form).await? {
        match field.name().unwrap_or_default().to_owned().as_str() {
            "form_token" => ours = desk.is_form_token(seat, &token_of(&mut field).await?),
            "record" if ours && taken.is_none() => {
                let name = field.content_disposition().and_then(|said| said.get_filename()).unwrap_or_default();
                let mut file = HandedIn::new(desk, name.chars().filter(|c| !c.is_control()).take(80).collect())?;
                while let Some(bytes) = next_of(&mut field).await? {
                    file.add(&bytes)?;
                }
                taken = Some(file);
            }
            _ => return Err(PageError::NotOurForm),
        }
    }
    match ours {
        true => Ok(taken.filter(|file| file.length > 0)),
        false => Err(PageError::NotOurForm),
    }
}

/// Verifies a sealed record that is handed in.
pub(super) async fn record(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    not_from_elsewhere(&request)?;
    desk.may_read_entries(&seat, None).await?;
    let turn = desk.verifying().turn();
    let turn = turn.ok_or(DeskError::TooMany("Other sealed records are being verified, and more must not wait."))?;
    let mut form = Multipart::new(request.headers(), payload);
    let taken = tokio::time::timeout(HANDING_IN, taken_in(&desk, &seat, &mut form)).await;
    let taken = taken.map_err(|_| DeskError::TooSlow)??;
    let mut page_of = IntegrityPage::of(&desk, &seat).await?;
    let Some(file) = taken else {
        page_of.fault = Some(("record", "Choose the file first.".to_owned()));
        return page_as(StatusCode::UNPROCESSABLE_ENTITY, &page_of);
    };
    let title = format!("The sealed record {}", file.name);
    match desk.verifying().handed_in(turn, file.path.clone(), file, own_key(&desk)?).await {
        Err(why) => {
            let verdict = Verdict { mark: "grave", word: "Not verified", sentences: vec![why] };
            page_of.answer = Some((title, verdict));
        }
        Ok(found) => {
            let ours = found.book.as_deref() == Some(desk.name().as_str());
            let mut part = FoundPart::of(&found, false, ours);
            part.sentences.extend(beside(&desk, &found, ours)?);
            page_of.answer = Some((title, part.verdict.clone()));
            page_of.answer_found = Some(part);
        }
    }
    page(&page_of)
}

/// How a sealed record stands to this book, in a sentence.
fn beside(desk: &Desk, found: &Found, ours: bool) -> Result<Option<String>, PageError> {
    if !ours {
        return Ok(found.book.is_some().then(|| "It is not of this book.".to_owned()));
    }
    let Some(held) = &found.checkpoint else { return Ok(None) };
    Ok(Some(match stands(desk.book(), held.size, &held.root)? {
        Standing::Within(_) => format!(
            "This book still begins with exactly the {} entries over which the record's newest checkpoint was made.",
            words::number(held.size)
        ),
        Standing::Longer(_) => {
            "The record knows of more entries than this book has: entries are missing here.".to_owned()
        }
        Standing::Differs => "This book does not contain what the record's checkpoint proves.".to_owned(),
        Standing::Nothing => "The record's checkpoint covers no entry.".to_owned(),
    }))
}

#[cfg(test)]
mod tests {
    use tallyseal_schema::signature::SigningKey;

    use super::*;

    const NAME: &str = "label-room.example/plant-1";

    fn note(size: u64) -> (String, VerifierKey) {
        let key = SigningKey::from_seed(&[7; 32]).unwrap();
        let checkpoint = Checkpoint { origin: NAME.parse().unwrap(), size, root: Hash([9; 32]) };
        (checkpoint::sign(&checkpoint, &key), VerifierKey::of_book(&checkpoint.origin, key.public()))
    }

    #[test]
    fn a_checkpoint_is_read_as_people_type_it() {
        let (note, key) = note(1_234);
        let root = canonical::base64([9; 32]);
        let whole = Paper::read(&note).unwrap();
        assert_eq!((whole.origin.as_deref(), whole.size, whole.root), (Some(NAME), 1_234, Hash([9; 32])));
        assert_eq!(whole.note().as_deref(), Some(note.as_str()));
        assert_eq!(whole.signature(&key), Signature::Good);
        // Blanks, a hyphen for the dash, lines of another system, a line that paper broke.
        let (body, blob) = note.trim_end().rsplit_once(' ').unwrap();
        let (first, second) = blob.split_at(40);
        let typed = body.replace("1234", " 1 234").replace('\u{2014}', "-").replace('\n', "\r\n");
        assert_eq!(Paper::read(&format!("{typed} {first}\r\n  {second}\r\n")).unwrap().note(), Some(note.clone()));
        // Size and root alone, in either form.
        for root in [root.clone(), "09".repeat(32), format!("{} {}", &root[..20], &root[20..])] {
            let short = Paper::read(&format!("1,234\n{root}\n")).unwrap();
            assert_eq!((short.size, short.root, short.signature(&key)), (1_234, Hash([9; 32]), Signature::None));
        }
        for bad in ["", "1234", "12a4\nx", &format!("1234\n{}", &root[1..]), "a\nb\nc\nd"] {
            assert!(Paper::read(bad).is_err(), "{bad:?}");
        }
    }

    #[test]
    fn a_signature_is_this_books_or_not() {
        let (note, key) = note(1_234);
        let changed = Paper::read(&note.replace("1234", "1235")).unwrap();
        assert_eq!(changed.signature(&key), Signature::Bad);
        let other = VerifierKey::of_book(&NAME.parse().unwrap(), SigningKey::from_seed(&[8; 32]).unwrap().public());
        assert_eq!(Paper::read(&note).unwrap().signature(&other), Signature::Strange);
    }

    #[test]
    fn each_answer_says_what_is_so() {
        let (note, _) = note(1_234);
        let paper = Paper::read(&note).unwrap();
        let cases = [
            (Standing::Within(0), Signature::Good, "good", "no entry after them"),
            (Standing::Within(1), Signature::None, "good", "the 1 entry after"),
            (Standing::Within(2_000), Signature::Bad, "good", "2\u{2009}000 entries after"),
            (Standing::Differs, Signature::Good, "grave", "was changed in this book"),
            (Standing::Differs, Signature::Bad, "grave", "typed wrongly"),
            (Standing::Differs, Signature::None, "grave", "Type the name"),
            (Standing::Longer(7), Signature::Good, "grave", "Entries are missing"),
            (Standing::Longer(7), Signature::None, "grave", "this book has 7"),
            (Standing::Nothing, Signature::None, "hold", "no entries"),
        ];
        for (standing, signature, mark, says) in cases {
            let said = verdict(&paper, NAME, standing, signature);
            assert_eq!(said.mark, mark, "{standing:?} {signature:?}");
            assert!(said.sentences.join(" ").contains(says), "{standing:?} {signature:?}: {said:?}");
        }
        let other = verdict(&paper, "label-room.example/plant-2", Standing::Differs, Signature::Strange);
        assert_eq!((other.mark, other.word), ("hold", "Another book"));
    }

    #[test]
    fn a_fingerprint_is_in_groups_of_four() {
        assert_eq!(groups("0123456789ab"), ["0123", "4567", "89ab"]);
    }
}
