//! One entry: its words, its exact bytes, and the proof that it stands in the book.

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web::{Data, Path};
use askama::Template;
use serde_json::{Value, json};
use tallyseal_book::{Book, ReadError};
use tallyseal_control::{Record, State};
use tallyseal_schema::entry::{Header, Person};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::SignatureApplied;
use tallyseal_schema::signature::verify;
use tallyseal_schema::{AccountId, Body, By, Entry, Hash, canonical, checkpoint, tree};

use super::act::named;
use super::thing::{Line, lines_of};
use super::visitor::Visitor;
use super::{Frame, PageError, href, page, trail, words};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;

/// A signature as an auditor reads it.
struct Signed {
    /// From which entry on its key is marked as compromised, where it does not stand for that.
    compromised: Option<String>,
    /// Record, its page, the last entry of it that is covered, the root over these.
    covers: Vec<(String, String, String, String)>,
    /// Made by the key that this person had enrolled, over exactly this.
    good: Option<bool>,
    key: String,
    meaning: String,
    signer: String,
    /// The record changed after it.
    void: Option<bool>,
}

/// The way from an entry to a root.
struct Proof {
    leaf: String,
    path: Vec<String>,
    root: String,
    size: String,
}

/// A neighbour: its n.
type Neighbour = Option<u64>;

#[derive(Template)]
#[template(path = "entry.html")]
struct EntryPage {
    bytes: String,
    change: Option<trail::Change>,
    code: String,
    facts: Vec<Line>,
    frame: Frame,
    late: Option<(words::When, String)>,
    length: String,
    lines: Vec<Line>,
    n: u64,
    newer: Neighbour,
    newer_of_record: Neighbour,
    older: Neighbour,
    older_of_record: Neighbour,
    prev: String,
    /// None right after it was written, before the checkpoint over it is signed.
    proof: Option<Proof>,
    record: String,
    record_href: String,
    signed: Option<Signed>,
    v: u32,
    when: words::When,
}

/// The bytes of an entry, for a person who may read them.
async fn read(desk: &Desk, seat: &Seat, n: u64) -> Result<Vec<u8>, PageError> {
    // Which record it is of is for those who may read it; a refusal says nothing of it.
    let read = |book: &Book| Ok::<_, ReadError>(book.entry(n)?.into_iter().collect());
    let mut found = desk.read_entries(seat, None, read).await?;
    found.pop().ok_or_else(|| DeskError::NotFound(format!("entry {n}")).into())
}

fn header(bytes: &[u8]) -> Result<(Header, Value), PageError> {
    let unreadable = |error: String| PageError::from(DeskError::Internal(error));
    let (header, body) = Header::read(bytes).map_err(|error| unreadable(error.to_string()))?;
    let body = serde_json::from_str(body.get()).map_err(|error| unreadable(error.to_string()))?;
    Ok((header, body))
}

pub(super) async fn one(Visitor(seat): Visitor, desk: Data<Desk>, n: Path<u64>) -> Result<HttpResponse, PageError> {
    let n = n.into_inner();
    let bytes = read(&desk, &seat, n).await?;
    let (header, body) = header(&bytes)?;
    let book = desk.book();
    let of_record = |before: u64| -> Result<Option<Header>, PageError> {
        let found = book.stream_page(&header.stream, Some(before), 1)?;
        Ok(match found.first() {
            Some(bytes) => Some(self::header(bytes)?.0),
            None => None,
        })
    };
    let newer_of_record = of_record(header.rev.saturating_add(2))?.filter(|newer| newer.rev > header.rev);
    let late = header.occurred.filter(|occurred| *occurred < header.at);
    let page_of = EntryPage {
        change: trail::change(&header, &bytes, &desk),
        code: header.kind.clone(),
        facts: facts(&header),
        late: late.map(|occurred| (words::when(occurred, desk.zone()), words::later(occurred, header.at))),
        length: words::number(bytes.len() as u64),
        lines: lines_of(&body, &desk),
        n,
        newer: (book.head()?.n > n).then_some(n.saturating_add(1)),
        newer_of_record: newer_of_record.map(|newer| newer.n),
        older: n.checked_sub(1),
        older_of_record: of_record(header.rev)?.map(|older| older.n),
        prev: header.prev.to_string(),
        proof: proof_of(&desk, n, &bytes, &book.checkpoint()?)?,
        record: words::capital(&named(&header.stream)),
        record_href: href(&header.stream),
        signed: signed(&desk, &bytes)?,
        v: header.v,
        when: words::when(header.at, desk.zone()),
        frame: Frame::new(
            &desk,
            Some(&seat),
            "trail",
            format!("Entry {}: {}", words::number(n), words::kind(&header.kind)),
        ),
        bytes: String::from_utf8_lossy(&bytes).into_owned(),
    };
    page(&page_of)
}

/// Who made it, in lines.
fn facts(header: &Header) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut say = |label: &str, text: String, link: Option<String>| {
        lines.push(Line { depth: 0, label: label.to_owned(), link, text });
    };
    match &header.by {
        By::Person(Person { account, device, name, role, session }) => {
            say("Who", format!("{name} ({account})"), Some(href(&Stream::account(account))));
            say("In which role", role.title().to_owned(), None);
            say("At which device", device.to_string(), None);
            say(
                "In which session",
                session.to_string(),
                Stream::new("session", session.as_str()).ok().as_ref().map(href),
            );
        }
        By::Machine(machine) => {
            let station = Stream::new("station", machine.station.as_str()).ok();
            say("Who", format!("the machine at {}", machine.station), station.as_ref().map(href));
            say("Read by the plugin", machine.plugin.to_string(), None);
        }
        By::System(system) => say("Who", format!("the software, {}", system.system), None),
    }
    if let Some(why) = &header.why {
        say("Reason", why.clone(), None);
    }
    if let Some(act) = &header.act {
        say("Act", act.to_string(), None);
    }
    lines
}

/// A signature, checked here and now against the key that its signer enrolled.
fn signed(desk: &Desk, bytes: &[u8]) -> Result<Option<Signed>, PageError> {
    let Ok(entry) = Entry::read(bytes) else { return Ok(None) };
    let Body::SignatureApplied(body) = &entry.body else { return Ok(None) };
    let public = public_key(desk, body)?;
    let statement = body.statement(&entry.header.book, entry.header.at);
    let sig = canonical::unbase64(&body.sig);
    let good = match (public, sig, statement.bytes()) {
        (Some(public), Some(sig), Ok(statement)) => Some(verify(&public, &statement, &sig)),
        _ => None,
    };
    let stands = desk.book().record(&body.record)?.and_then(|(_, record)| {
        record.facts.signatures.iter().find(|standing| standing.rev == entry.header.rev).map(|standing| standing.void)
    });
    let compromised = compromised_from(desk, &body.account, &body.key, entry.header.n)?;
    let covers = body.covers.iter().map(|(stream, cover)| {
        (words::capital(&named(stream)), href(stream), words::number(cover.rev), cover.root.to_string())
    });
    Ok(Some(Signed {
        compromised: compromised.map(words::number),
        covers: covers.collect(),
        good,
        key: body.key.to_string(),
        meaning: body.meaning.clone(),
        signer: format!("{} ({}), {}", body.name, body.account, body.role.title()),
        void: stands,
    }))
}

/// From which entry on the signer's key is marked as compromised, where the signature at `n` is one of those that do not
/// stand for it.
pub(super) fn compromised_from(desk: &Desk, account: &AccountId, key: &Hash, n: u64) -> Result<Option<u64>, PageError> {
    Ok(match desk.book().record(&Stream::account(account))? {
        Some((_, Record { state: State::Account(state), .. })) => state.compromised_from(key).filter(|from| *from <= n),
        _ => None,
    })
}

/// The key of that name which the signer enrolled.
fn public_key(desk: &Desk, body: &SignatureApplied) -> Result<Option<[u8; 32]>, PageError> {
    for bytes in desk.book().stream_entries(&Stream::account(&body.account))? {
        if let Ok(Entry { body: Body::AccountKeyEnrolled(enrolled), .. }) = Entry::read(&bytes)
            && enrolled.key == body.key
        {
            return Ok(canonical::unbase64(&enrolled.public_key).and_then(|key| key.try_into().ok()));
        }
    }
    Ok(None)
}

/// The proof in the tree of that checkpoint, tried out; nothing where the checkpoint does not cover the entry.
fn proof_of(desk: &Desk, n: u64, bytes: &[u8], note: &str) -> Result<Option<Proof>, PageError> {
    let internal = |error: String| PageError::from(DeskError::Internal(error));
    let at = checkpoint::parse_body(note).map_err(|error| internal(error.to_string()))?;
    if n >= at.size {
        return Ok(None);
    }
    let leaf = Hash::leaf(bytes);
    let path = desk.book().inclusion(n, at.size)?;
    tree::verify_inclusion(&leaf, n, at.size, &path, &at.root)
        .map_err(|error| internal(format!("entry {n}: {error}")))?;
    Ok(Some(Proof {
        leaf: leaf.to_string(),
        path: path.iter().map(Hash::to_string).collect(),
        root: at.root.to_string(),
        size: words::number(at.size),
    }))
}

fn download(name: String, kind: &'static str, body: Vec<u8>) -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, kind))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")))
        .body(body)
}

/// The exact bytes.
pub(super) async fn bytes(Visitor(seat): Visitor, desk: Data<Desk>, n: Path<u64>) -> Result<HttpResponse, PageError> {
    let bytes = read(&desk, &seat, *n).await?;
    Ok(download(format!("entry-{n}.json"), "application/json", bytes))
}

/// The proof, with the checkpoint that it leads to; that one is kept, since it is given away.
pub(super) async fn proof(Visitor(seat): Visitor, desk: Data<Desk>, n: Path<u64>) -> Result<HttpResponse, PageError> {
    let bytes = read(&desk, &seat, *n).await?;
    let note = desk.book().keep_checkpoint().await.map_err(DeskError::from)?;
    let at = checkpoint::parse_body(&note).map_err(|error| DeskError::Internal(error.to_string()))?;
    let path = desk.book().inclusion(*n, at.size)?;
    let proof = json!({
        "checkpoint": note,
        "leaf": Hash::leaf(&bytes),
        "n": *n,
        "path": path,
        "root": at.root,
        "size": at.size,
    });
    Ok(download(format!("proof-{n}.json"), "application/json", proof.to_string().into_bytes()))
}
