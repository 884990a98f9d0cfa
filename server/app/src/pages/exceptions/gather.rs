//! Where exceptions are looked for: by keys whatever stands; of one record everything; else the newest entries.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use tallyseal_book::{Book, ReadError};
use tallyseal_control::{Key, Record, State};
use tallyseal_report::scope;
use tallyseal_schema::ids::{AccountId, Stream, Thing};
use tallyseal_schema::{Body, By, Entry, Time};

use super::grade::{self, Judged, Standing};
use super::told;
use crate::counted::Counted;

/// So many of the newest entries are looked through for what has no key.
pub(crate) const WINDOW: u64 = 2_000;
/// So many streams of one key are looked at.
const PER_KEY: usize = 300;

/// What stands, by key.
const KEYS: &[&str] = &[
    "deviation.open",
    "delivery.held",
    "order.held",
    "roll.held",
    "roll.disagreed",
    "roll.doubted",
    "count.unsigned",
    "count.open",
    "override.undecided",
    "delivery.to_reject",
    "roll.to_release",
];

/// What a remark says of an entry that it answers.
pub(crate) fn answer(n: u64) -> String {
    format!("Entry {n} seen.")
}

/// One exception.
#[derive(Debug, Clone)]
pub(crate) struct Row {
    /// The record that it is about, where it stands elsewhere.
    about: Option<Stream>,
    /// Further things on which the same lies.
    pub(crate) also: Vec<Stream>,
    pub(crate) at: Time,
    pub(crate) by: By,
    /// The machine's bytes are there.
    pub(crate) bytes: bool,
    pub(crate) change: Option<(String, String)>,
    /// Which hold it is, where it is one: the same on many things is told once.
    cause: Option<Stream>,
    /// It tells of a roll that runs now: what it says waits.
    pub(crate) hidden: bool,
    pub(crate) judged: Judged,
    pub(crate) n: u64,
    pub(crate) occurred: Option<Time>,
    /// Who of quality answered it, and when.
    pub(crate) seen: Option<(String, Time)>,
    pub(crate) sentence: String,
    pub(crate) standing: Standing,
    pub(crate) stream: Stream,
    /// Whatever it touches, itself included.
    pub(crate) touches: BTreeSet<Stream>,
    pub(crate) why: Option<String>,
}

impl Row {
    /// The record on which it is answered: what was refused about a record is answered there.
    pub(crate) fn answered_on(&self) -> &Stream {
        self.about.as_ref().unwrap_or(&self.stream)
    }

    /// Nothing is left to do about it. What waits for an act is not done by having been seen; a late entry is.
    pub(crate) fn is_done(&self) -> bool {
        match self.standing {
            Standing::Settled => true,
            Standing::Open => self.seen.is_some() && self.judged.by_sight,
            Standing::Told => self.seen.is_some(),
        }
    }
}

/// What was found, and how far it was looked.
pub(crate) struct Found {
    /// A key has more than were looked at.
    pub(crate) more: bool,
    pub(crate) rows: Vec<Row>,
    /// Of the window: its first and last entry.
    pub(crate) window: Option<(u64, u64)>,
}

/// Looks for exceptions. Reads each stream and each record once.
pub(crate) struct Gather<'a> {
    book: &'a Book,
    counted: &'a Counted,
    records: RefCell<BTreeMap<Stream, Option<Record>>>,
    rows: BTreeMap<u64, Row>,
    streams: BTreeMap<Stream, Vec<Entry>>,
}

impl<'a> Gather<'a> {
    pub(crate) fn new(book: &'a Book, counted: &'a Counted) -> Self {
        let (records, rows, streams) = (RefCell::default(), BTreeMap::new(), BTreeMap::new());
        Self { book, counted, records, rows, streams }
    }

    /// Whatever stands, and what the newest entries tell; `before`: those before that entry, without what stands.
    pub(crate) fn newest(mut self, before: Option<u64>) -> Result<Found, ReadError> {
        let mut more = false;
        if before.is_none() {
            for key in KEYS {
                let streams = self.book.set_page(&Key::new(key, "yes"), None, PER_KEY + 1)?;
                more |= streams.len() > PER_KEY;
                for stream in streams.iter().take(PER_KEY) {
                    self.take_standing(stream)?;
                }
            }
            self.take_alarms()?;
        }
        let head = self.book.head()?.n;
        let last = before.map_or(head, |before| before.saturating_sub(1).min(head));
        let first = (last + 1).saturating_sub(WINDOW);
        for bytes in self.book.entries(first, last)? {
            self.take(&read(&bytes)?)?;
        }
        Ok(Found { more, rows: self.finish(), window: Some((first, last)) })
    }

    /// Everything of one record: its streams, and what was refused in the sessions in which it was made.
    pub(crate) fn of_record(mut self, record: &Stream) -> Result<Found, ReadError> {
        let book = self.book;
        let mut read_in: BTreeMap<Stream, Vec<Entry>> = BTreeMap::new();
        let streams = scope(record, &mut |stream: &Stream| {
            // A table's log and a person's account are records of their own, and grow without bound.
            if matches!(stream.thing(), "station" | "account" | "plugin" | "session" | "book") && stream != record {
                return Ok(Vec::new());
            }
            let entries = entries(book, stream)?;
            read_in.insert(stream.clone(), entries.clone());
            Ok::<_, ReadError>(entries)
        })?;
        let mut sessions = BTreeSet::new();
        for entries in read_in.values() {
            let people = entries.iter().filter_map(|entry| match &entry.header.by {
                By::Person(person) => Some(Stream::of(Thing::Session, &person.session)),
                _ => None,
            });
            sessions.extend(people);
        }
        self.streams = read_in;
        for stream in &streams {
            let all = self.streams.get(stream).cloned().unwrap_or_default();
            for entry in &all {
                self.take(entry)?;
            }
        }
        for session in sessions {
            for entry in entries(book, &session)? {
                if refused_about(&entry).is_some_and(|about| streams.contains(about)) {
                    self.take(&entry)?;
                }
            }
        }
        // What a count or a deviation touches besides is the record's all the same.
        for row in self.rows.values_mut() {
            row.touches.insert(record.clone());
        }
        Ok(Found { more: false, rows: self.finish(), window: None })
    }

    /// What says that another history of the book is known. The book's own stream is long; it remembers where they stand.
    fn take_alarms(&mut self) -> Result<(), ReadError> {
        let Some(Record { state: State::Book(state), .. }) = self.record(&Stream::book())? else { return Ok(()) };
        for n in state.alarms {
            if let Some(bytes) = self.book.entry(n)? {
                self.take(&read(&bytes)?)?;
            }
        }
        Ok(())
    }

    /// The exceptions of a stream that stand.
    fn take_standing(&mut self, stream: &Stream) -> Result<(), ReadError> {
        let all = match self.streams.get(stream) {
            Some(all) => all.clone(),
            None => entries(self.book, stream)?,
        };
        self.streams.insert(stream.clone(), all.clone());
        for entry in &all {
            let Some(judged) = grade::of_entry(entry) else { continue };
            let Some(record) = self.record(stream)? else { continue };
            if grade::standing(judged, entry, &record, &|stream| self.record(stream).ok().flatten()) == Standing::Open {
                self.take(entry)?;
            }
        }
        Ok(())
    }

    fn record(&self, stream: &Stream) -> Result<Option<Record>, ReadError> {
        if let Some(known) = self.records.borrow().get(stream) {
            return Ok(known.clone());
        }
        let record = self.book.record(stream)?.map(|(_, record)| record);
        self.records.borrow_mut().insert(stream.clone(), record.clone());
        Ok(record)
    }

    /// The entries of a stream, where it is no log that grows without bound.
    fn stream(&mut self, stream: &Stream) -> Result<&[Entry], ReadError> {
        if matches!(stream.thing(), "station" | "account" | "session" | "book") {
            return Ok(&[]);
        }
        if !self.streams.contains_key(stream) {
            let all = entries(self.book, stream)?;
            self.streams.insert(stream.clone(), all);
        }
        Ok(self.streams.get(stream).map_or(&[], Vec::as_slice))
    }

    fn take(&mut self, entry: &Entry) -> Result<(), ReadError> {
        let header = &entry.header;
        let Some(judged) = grade::of_entry(entry) else { return Ok(()) };
        if self.rows.contains_key(&header.n) {
            return Ok(());
        }
        let all = self.stream(&header.stream)?;
        let (earlier, later) = all.split_at(all.partition_point(|one| one.header.rev < header.rev));
        let Some(judged) = grade::in_its_stream(judged, entry, earlier) else { return Ok(()) };
        let (sentence, change) = (told::sentence(entry, earlier), told::change(entry, earlier));
        let mut seen = answered(header.n, later);
        let Some(record) = self.record(&header.stream)? else { return Ok(()) };
        let look = |stream: &Stream| self.record(stream).ok().flatten();
        let standing = grade::standing(judged, entry, &record, &look);
        if judged.passes && standing != Standing::Open {
            return Ok(());
        }
        let touches = self.touches(entry, &record)?;
        let about = refused_about(entry).cloned();
        if let (None, Some(about)) = (&seen, &about) {
            seen = answered(header.n, self.stream(about)?);
        }
        let tells = |stream: &Stream| self.counted.tells(stream);
        // Much touches a table that runs; only its own log says what is expected on it.
        let hidden = self.counted.says(self.book, &header.stream)?
            || touches.iter().any(|one| one.thing() != "station" && tells(one))
            || match &about {
                Some(about) => about.thing() != "station" && self.counted.says(self.book, about)?,
                None => false,
            };
        let row = Row {
            about,
            also: Vec::new(),
            at: header.at,
            by: header.by.clone(),
            bytes: has_bytes(entry),
            change,
            cause: match &entry.body {
                Body::RollHeld(body) => Some(body.cause.clone()),
                Body::DeliveryHeld(body) => Some(body.cause.clone()),
                Body::OrderHeld(body) => Some(body.cause.clone()),
                _ => None,
            },
            hidden,
            judged,
            n: header.n,
            occurred: header.occurred,
            seen,
            sentence,
            standing,
            stream: header.stream.clone(),
            touches,
            why: header.why.clone(),
        };
        self.rows.insert(header.n, row);
        Ok(())
    }

    /// What an exception touches: by its record as it stands, one step further where that is a count or a roll.
    fn touches(&self, entry: &Entry, record: &Record) -> Result<BTreeSet<Stream>, ReadError> {
        let mut touched = BTreeSet::from([entry.header.stream.clone()]);
        match &record.state {
            State::Deviation(state) => touched.extend(state.about.iter().cloned()),
            State::Count(state) => touched.extend([state.roll.clone(), state.station.clone()]),
            State::Override(state) => touched.extend([state.about.clone(), state.order.clone()]),
            State::Issue(state) => {
                touched.insert(state.order.clone());
                touched.extend(state.rolls.iter().map(|roll| roll.roll.clone()));
            }
            State::HandCount(state) => touched.extend([state.order.clone()]),
            State::Container(state) => touched.extend([state.order.clone()]),
            State::Clearance(state) => touched.extend([state.order.clone(), state.line.clone()]),
            State::Reconciliation(state) => touched.extend([state.computed.order.clone()]),
            _ => {}
        }
        match &entry.body {
            Body::ActRefused(_) | Body::SessionPasswordRefused(_) => touched.extend(refused_about(entry).cloned()),
            Body::RollHeld(body) => touched.extend([body.cause.clone()]),
            Body::DeliveryHeld(body) => touched.extend([body.cause.clone()]),
            Body::OrderHeld(body) => touched.extend([body.cause.clone()]),
            Body::OrderRollExamined(body) => touched.extend([body.roll.clone()]),
            Body::OrderReturnTaken(body) => touched.extend([body.roll.clone()]),
            Body::StationChallengeFailed(body) => touched.extend([body.deviation.clone()]),
            _ => {}
        }
        if let By::Machine(machine) = &entry.header.by {
            touched.insert(Stream::of(Thing::Station, &machine.station));
        }
        let rolls: Vec<Stream> = touched.iter().filter(|stream| stream.thing() == "roll").cloned().collect();
        for roll in rolls {
            if let Some(Record { state: State::Roll(state), .. }) = self.record(&roll)? {
                touched.insert(state.delivery);
                touched.extend(state.order);
            }
        }
        Ok(touched)
    }

    /// The rows, the same hold on many things told once.
    fn finish(self) -> Vec<Row> {
        let mut holds: BTreeMap<(Stream, bool), u64> = BTreeMap::new();
        let mut rows: BTreeMap<u64, Row> = BTreeMap::new();
        for (n, row) in self.rows {
            let Some(cause) = &row.cause else {
                rows.insert(n, row);
                continue;
            };
            let key = (cause.clone(), row.standing == Standing::Open);
            match holds.get(&key).and_then(|first| rows.get_mut(first)) {
                Some(first) => {
                    first.also.push(row.stream);
                    first.touches.extend(row.touches);
                    first.hidden |= row.hidden;
                }
                None => {
                    holds.insert(key, n);
                    rows.insert(n, row);
                }
            }
        }
        rows.into_values().collect()
    }
}

/// The record about which something was refused.
fn refused_about(entry: &Entry) -> Option<&Stream> {
    match &entry.body {
        Body::ActRefused(body) => body.record.as_ref(),
        Body::SessionPasswordRefused(body) => body.record.as_ref(),
        _ => None,
    }
}

/// Who of quality answered that entry in these, and when.
fn answered(n: u64, entries: &[Entry]) -> Option<(String, Time)> {
    let words = format!("Entry {n} ");
    entries.iter().find_map(|entry| match (&entry.body, &entry.header.by) {
        (Body::RemarkMade(body), By::Person(person)) if reviews(person.role) && body.text.contains(&words) => {
            Some((person.name.clone(), entry.header.at))
        }
        _ => None,
    })
}

fn reviews(role: tallyseal_schema::kinds::Role) -> bool {
    role == tallyseal_schema::kinds::Role::Reviewer
}

/// True where what a machine said is kept with it.
fn has_bytes(entry: &Entry) -> bool {
    match &entry.body {
        Body::CountFaultSeen(_) | Body::CountExceptionFound(_) | Body::StationStrayCaptured(_) => true,
        // A silence has no bytes.
        Body::CountLinkLost(_) | Body::CountLinkRestored(_) => false,
        _ => matches!(entry.header.by, By::Machine(_)),
    }
}

/// True where the row is that person's.
pub(crate) fn is_by(row: &Row, account: &AccountId) -> bool {
    row.by.account() == Some(account)
}

pub(crate) fn read(bytes: &[u8]) -> Result<Entry, ReadError> {
    Entry::read(bytes).map_err(|error| ReadError::Damaged(error.to_string()))
}

/// All entries of a stream.
pub(crate) fn entries(book: &Book, stream: &Stream) -> Result<Vec<Entry>, ReadError> {
    book.stream_entries(stream)?.iter().map(|bytes| read(bytes)).collect()
}
