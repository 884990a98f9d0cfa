//! What the checks need of a body, and the part of each check that needs no other entry.
//!
//! This runs on the reading threads: decoding and hashing are done before the entry takes its turn in the order of n.

use tallyseal_schema::canonical::unbase64;
use tallyseal_schema::entry::Person;
use tallyseal_schema::kinds::{
    AccountDisabled, AccountEnrolled, AccountKeyCompromised, AccountKeyEnrolled, AccountKeyRetired,
    AccountRolesChanged, BookKeyCompromised, BookKeyEnrolled, BookOpened, BookStarted, ClockStepped, PluginFile,
    SignatureApplied,
};
use tallyseal_schema::signature::{book_key_statement, key_name, key_statement, verify};
use tallyseal_schema::{AccountId, Body, BookName, By, Hash, Time};

/// The bodies that a later check looks at; all others are forgotten once they were read.
#[derive(Debug)]
pub(crate) enum Detail {
    /// Entry 0, or something that wants to be.
    Opened(BookOpened),
    /// Another key of the book.
    BookKey(NewBookKey),
    /// A key of the book was compromised.
    BookKeyCompromised(BookKeyCompromised),
    /// A server started.
    Started(BookStarted),
    /// The clock was set.
    Stepped(ClockStepped),
    /// An account was opened.
    Enrolled(AccountEnrolled),
    /// Its roles changed, or were granted anew.
    Roles(AccountRolesChanged),
    /// It ended.
    Disabled(AccountDisabled),
    /// A key was made for it.
    Key(NewKey),
    /// A key of it ended.
    Retired(AccountKeyRetired),
    /// A key of it was compromised.
    Compromised(AccountKeyCompromised),
    /// Somebody signed.
    Signed(Signed),
    /// A count began, with the plugin of this digest.
    CountOpened(Hash),
    /// A count has all of its bytes.
    CountEnded,
    /// Bytes of a count.
    Segment { link: String, offset: u64, length: u64, sha256: Hash },
    /// Bytes of no count.
    Stray { length: u64, sha256: Hash },
    /// Something was seen in bytes of a count: those before `to`.
    Seen { link: String, from: u64, to: u64 },
    /// Bytes may be missing here.
    LinkLost { link: String, at: u64 },
    /// A plugin's files.
    PluginDrafted { digest: Hash, files: Vec<PluginFile> },
}

/// A key of an account, and what its own entry says about it.
#[derive(Debug)]
pub(crate) struct NewKey {
    pub(crate) account: AccountId,
    pub(crate) key: Hash,
    pub(crate) previous: Option<Hash>,
    /// The raw key, where it is one.
    pub(crate) public: Option<[u8; 32]>,
    /// What is wrong with it.
    pub(crate) wrong: Vec<&'static str>,
}

/// A key of the book that follows another, and what its own entry says about it.
#[derive(Debug)]
pub(crate) struct NewBookKey {
    pub(crate) key: Hash,
    /// The raw key, where it is one.
    pub(crate) public: Option<[u8; 32]>,
    /// What the key before it must have signed.
    pub(crate) statement: Vec<u8>,
    pub(crate) proof: Vec<u8>,
    /// What is wrong with it.
    pub(crate) wrong: Vec<&'static str>,
}

/// A signature, and what its own entry says about it.
#[derive(Debug)]
pub(crate) struct Signed {
    pub(crate) body: SignatureApplied,
    /// The statement's bytes, as this entry states it, and the signature's; nothing where either has no form.
    pub(crate) signed: Option<(Vec<u8>, [u8; 64])>,
    /// Signer, name and role are those of the entry's author.
    pub(crate) by_author: bool,
}

/// What later checks need of this body; `None` for most.
pub(crate) fn detail(book: &BookName, at: Time, by: &By, body: Body) -> Option<Box<Detail>> {
    let detail = match body {
        Body::BookOpened(body) => Detail::Opened(body),
        Body::BookKeyEnrolled(body) => Detail::BookKey(new_book_key(book, &body)),
        Body::BookKeyCompromised(body) => Detail::BookKeyCompromised(body),
        Body::BookStarted(body) => Detail::Started(body),
        Body::ClockStepped(body) => Detail::Stepped(body),
        Body::AccountEnrolled(body) => Detail::Enrolled(body),
        Body::AccountRolesChanged(body) => Detail::Roles(body),
        Body::AccountDisabled(body) => Detail::Disabled(body),
        Body::AccountKeyEnrolled(body) => Detail::Key(new_key(book, body)),
        Body::AccountKeyRetired(body) => Detail::Retired(body),
        Body::AccountKeyCompromised(body) => Detail::Compromised(body),
        Body::SignatureApplied(body) => Detail::Signed(signed(book, at, by, body)),
        Body::CountOpened(body) => Detail::CountOpened(body.plugin),
        Body::CountClosed(_) | Body::CountInterrupted(_) | Body::CountAborted(_) => Detail::CountEnded,
        Body::CountSegmentCaptured(body) => {
            Detail::Segment { link: body.link, offset: body.offset, length: body.length, sha256: body.sha256 }
        }
        Body::StationStrayCaptured(body) => Detail::Stray { length: body.length, sha256: body.sha256 },
        Body::CountFaultSeen(body) => Detail::Seen { link: body.link, from: body.from, to: body.to },
        Body::CountMachineReported(body) => Detail::Seen { link: body.link, from: body.from, to: body.to },
        Body::CountLinkLost(body) => Detail::LinkLost { link: body.link, at: body.at_offset },
        Body::PluginDrafted(body) => Detail::PluginDrafted { digest: body.digest, files: body.files },
        _ => return None,
    };
    Some(Box::new(detail))
}

/// The 32 raw bytes of a public key.
pub(crate) fn public_key(base64: &str) -> Option<[u8; 32]> {
    unbase64(base64)?.try_into().ok()
}

fn new_key(book: &BookName, body: AccountKeyEnrolled) -> NewKey {
    let mut wrong = Vec::new();
    let public = public_key(&body.public_key);
    match &public {
        None => wrong.push("public_key is not base64 of 32 bytes"),
        Some(public) => {
            if key_name(public) != body.key {
                wrong.push("key is not the SHA-256 of public_key");
            }
            let statement = key_statement(&body.account, book, &body.key, body.previous.as_ref());
            let proof = unbase64(&body.proof).unwrap_or_default();
            if !statement.is_ok_and(|statement| verify(public, &statement, &proof)) {
                wrong.push("proof is not the new key's signature over account, book, key and previous key");
            }
        }
    }
    NewKey { account: body.account, key: body.key, previous: body.previous, public, wrong }
}

fn new_book_key(book: &BookName, body: &BookKeyEnrolled) -> NewBookKey {
    let mut wrong = Vec::new();
    let public = public_key(&body.public_key);
    match &public {
        None => wrong.push("public_key is not base64 of 32 bytes"),
        Some(public) if key_name(public) != body.key => wrong.push("key is not the SHA-256 of public_key"),
        Some(_) => {}
    }
    NewBookKey {
        key: body.key,
        public,
        statement: book_key_statement(book, &body.key).unwrap_or_default(),
        proof: unbase64(&body.proof).unwrap_or_default(),
        wrong,
    }
}

fn signed(book: &BookName, at: Time, by: &By, body: SignatureApplied) -> Signed {
    let statement = body.statement(book, at);
    let sig = unbase64(&body.sig).and_then(|sig| <[u8; 64]>::try_from(sig).ok());
    let signed = statement.bytes().ok().zip(sig);
    let author =
        |person: &Person| person.account == body.account && person.name == body.name && person.role == body.role;
    let by_author = matches!(by, By::Person(person) if author(person));
    Signed { body, signed, by_author }
}
