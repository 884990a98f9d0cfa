//! From the drafts of one order to its entries: place, hash, time, signature. All of an order's entries or none.

use std::collections::BTreeMap;

use rusqlite::Connection;
use tallyseal_control::{Draft, Refusal, evolve};
use tallyseal_schema::entry::{Entry, Header, Person};
use tallyseal_schema::ids::{BookName, Stream};
use tallyseal_schema::kinds::SignatureApplied;
use tallyseal_schema::signature::{self, Cover, SigningKey, Statement};
use tallyseal_schema::{Act, Body, By, Hash, Time, canonical};

use crate::entries::{Head, Line};
use crate::error::{Fatal, Trip};
use crate::views::{Live, Views};

/// The largest position. Rule: `FORMAT.md` section 1, numbers.
const POSITION_MAX: u64 = (1 << 53) - 1;

/// Who makes entries, when, and for which act.
#[derive(Debug, Clone)]
pub(crate) struct Author {
    pub(crate) act: Option<Act>,
    pub(crate) at: Time,
    pub(crate) by: By,
}

/// The entries of one order while they are made. Nothing of it is stored until all of it can be.
pub(crate) struct Sheet<'a> {
    conn: &'a Connection,
    views: &'a mut Views,
    book: &'a BookName,
    author: Author,
    /// `n` and `prev` of the next entry.
    n: u64,
    prev: Hash,
    /// The streams as this order leaves them.
    lives: BTreeMap<Stream, Live>,
    lines: Vec<Line>,
}

/// What an order has to store.
pub(crate) struct Written {
    pub(crate) at: Time,
    pub(crate) lines: Vec<Line>,
    pub(crate) lives: BTreeMap<Stream, Live>,
}

impl<'a> Sheet<'a> {
    pub(crate) fn new(
        conn: &'a Connection,
        views: &'a mut Views,
        book: &'a BookName,
        head: &Head,
        author: Author,
    ) -> Self {
        Self { conn, views, book, author, n: head.size(), prev: head.leaf, lives: BTreeMap::new(), lines: Vec::new() }
    }

    /// What was written on it.
    pub(crate) fn done(self) -> Written {
        Written { at: self.author.at, lines: self.lines, lives: self.lives }
    }

    /// Makes the entry or the signature of a draft. `key`: the signer's opened key.
    pub(crate) fn draft(&mut self, draft: Draft, key: Option<&SigningKey>) -> Result<(), Trip> {
        match draft {
            Draft::Entry { stream, body, why, occurred } => self.entry(&stream, *body, why, occurred),
            Draft::Signature { record, meaning, also } => self.signature(record, meaning, also, key),
        }
    }

    /// A stream as it stands after what is on the sheet already.
    fn live(&mut self, stream: &Stream) -> Result<Option<&Live>, Fatal> {
        match self.lives.get(stream) {
            Some(live) => Ok(Some(live)),
            None => self.views.live(self.conn, stream),
        }
    }

    /// Makes one entry.
    pub(crate) fn entry(
        &mut self,
        stream: &Stream,
        body: Body,
        why: Option<String>,
        occurred: Option<Time>,
    ) -> Result<(), Trip> {
        let kind = body.kind();
        if self.n > POSITION_MAX {
            return Err(Trip::Order("the book is full".to_owned()));
        }
        let before = match self.lives.remove(stream) {
            Some(live) => Some(live),
            None => self.views.live(self.conn, stream)?.cloned(),
        };
        let (rev, mut frontier, record) = match before {
            Some(live) => (live.rev + 1, live.frontier, Some(live.record)),
            None => (1, Default::default(), None),
        };
        let author = &self.author;
        let header = Header {
            act: author.act.clone(),
            at: author.at,
            book: self.book.clone(),
            by: author.by.clone(),
            kind: kind.name.to_owned(),
            n: self.n,
            occurred,
            prev: self.prev,
            rev,
            stream: stream.clone(),
            v: kind.v,
            why,
        };
        let entry = Entry { header, body };
        let bytes = entry.to_bytes().map_err(|error| Trip::Order(error.to_string()))?;
        let leaf = Hash::leaf(&bytes);
        // The rules drafted what cannot follow: a fault of theirs, seen before anything is stored.
        let record = evolve(record, &entry).map_err(|error| Trip::Order(error.to_string()))?;
        frontier.push(leaf);
        self.lives.insert(stream.clone(), Live { rev, n: self.n, frontier, record });
        self.lines.push(Line { n: self.n, stream: stream.clone(), rev, kind: kind.name, bytes, leaf });
        self.n += 1;
        self.prev = leaf;
        Ok(())
    }

    /// Makes a signature by the author over everything of `record` and `also` up to here.
    ///
    /// Rule: `FORMAT.md` section 4.
    fn signature(
        &mut self,
        record: Stream,
        meaning: &str,
        also: Vec<Stream>,
        key: Option<&SigningKey>,
    ) -> Result<(), Trip> {
        let By::Person(Person { account, name, role, .. }) = self.author.by.clone() else {
            return Err(Trip::Order("only a person signs".to_owned()));
        };
        let key = key.ok_or_else(|| Trip::Refused(Box::new(Refusal::needs_password(meaning, Vec::new()))))?;
        let mut covers = BTreeMap::new();
        for stream in std::iter::once(record.clone()).chain(also) {
            let live = self.live(&stream)?;
            let live = live.ok_or_else(|| Trip::Order(format!("{stream} is signed and has no entry")))?;
            covers.insert(stream, Cover { rev: live.rev, root: live.frontier.root() });
        }
        let key_name = signature::key_name(&key.public());
        let statement = Statement {
            account: &account,
            at: self.author.at,
            book: self.book,
            covers: &covers,
            key: &key_name,
            meaning,
            name: &name,
            record: &record,
            role: role.as_str(),
        };
        let statement = statement.bytes().map_err(|error| Trip::Order(error.to_string()))?;
        let sig = canonical::base64(key.sign(&statement));
        let meaning = meaning.to_owned();
        let body =
            SignatureApplied { account, covers, key: key_name, meaning, name, record: record.clone(), role, sig };
        self.entry(&record, body.into(), None, None)
    }
}
