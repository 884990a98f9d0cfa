//! Everything that is not plain, gravest first, judged by the same words as the pages and from entries alone.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use tallyseal_control::{Record, State, evolve};
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::{Role, SignatureApplied};
use tallyseal_schema::{Body, By, Entry, Time};

use super::corrections::{change, late};
use super::say::{all_named, heading, text, who};
use super::{Block, Finding, Gathered, signatures};
use crate::grade::{self, Grade, Judged, Standing};
use crate::{told, words};

/// One exception, judged.
pub(crate) struct Exception<'a> {
    /// The same hold on other things: their entries.
    also: Vec<&'a Entry>,
    pub(crate) entry: &'a Entry,
    pub(crate) judged: Judged,
    /// What it says stands in the log of a table, a person, a plugin or the book, on which the record leans.
    pub(crate) of_log: bool,
    /// The last signature of a reviewer that covers it and stands.
    reviewed: Option<&'a Entry>,
    seen: Option<(String, Time)>,
    /// The entry after which nothing waited any more.
    settled: Option<u64>,
    standing: Standing,
    touches: BTreeSet<Stream>,
    /// Whether it still stands is told by a record that is not here.
    unknown: bool,
}

impl Exception<'_> {
    /// Nothing is left to do about it.
    pub(crate) fn is_done(&self) -> bool {
        !self.unknown
            && match self.standing {
                Standing::Settled => true,
                Standing::Open => self.seen.is_some() && self.judged.by_sight,
                Standing::Told => self.seen.is_some(),
            }
    }

    /// It only was to be seen, nobody answered it by itself, and a reviewer signed the record that it stands in.
    pub(crate) fn is_reviewed(&self) -> bool {
        self.reviewed.is_some() && !self.is_done() && !self.unknown && self.is_by_sight()
    }

    fn is_by_sight(&self) -> bool {
        self.standing == Standing::Told || (self.standing == Standing::Open && self.judged.by_sight)
    }

    fn standing(&self, gathered: &Gathered) -> String {
        let seen = self.seen.as_ref().map(|(name, at)| format!("seen by {name}, {}", gathered.at(*at)));
        let settled = || {
            let by = self.settled.and_then(|n| gathered.entry(n));
            by.map_or_else(
                || "settled".to_owned(),
                |entry| {
                    format!(
                        "settled by entry {} ({}), {}, {}",
                        entry.header.n,
                        words::kind(&entry.header.kind).to_lowercase(),
                        words::by(&entry.header.by),
                        gathered.at(entry.header.at)
                    )
                },
            )
        };
        let stands = match self.standing {
            _ if self.unknown => "whether it still stands is not told by this record".to_owned(),
            Standing::Settled => settled(),
            _ if self.is_reviewed() => self.reviewed.map(|entry| reviewed_in(gathered, entry)).unwrap_or_default(),
            Standing::Open if self.judged.by_sight && seen.is_some() => String::new(),
            Standing::Open => "open".to_owned(),
            Standing::Told if seen.is_some() => String::new(),
            Standing::Told => "open: to be seen by a reviewer".to_owned(),
        };
        [Some(stands), seen].into_iter().flatten().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
    }

    fn block(&self, gathered: &Gathered) -> Block {
        let header = &self.entry.header;
        let mut trail: Vec<String> = late(gathered, self.entry).into_iter().collect();
        if let Some(about) = refused_about(self.entry) {
            trail.push(format!("About {}.", words::named(about)));
        }
        let touched: Vec<&Stream> = self.touches.iter().filter(|one| **one != header.stream).collect();
        if !touched.is_empty() {
            trail.push(format!("It touches {}.", all_named(touched)));
        }
        for also in &self.also {
            let on = words::named(&also.header.stream);
            trail.push(format!(
                "Exception, entry {}: the same on {on}, {}.",
                also.header.n,
                gathered.at(also.header.at)
            ));
        }
        let sentence = told::sentence(self.entry, gathered.before(self.entry));
        Block::Exception(Finding {
            at: gathered.at(header.at),
            change: change(gathered, self.entry),
            grade: Some(self.judged.grade.number()),
            n: header.n,
            record: words::capital(&words::named(&header.stream)),
            sentence: if sentence.is_empty() { format!("{}.", words::kind(&header.kind)) } else { sentence },
            sort: self.judged.sort.to_owned(),
            standing: self.standing(gathered),
            trail,
            who: who(&header.by),
            why: header.why.clone(),
        })
    }
}

/// The exceptions of the record: gravest first, within a grade what waits first, then in order.
pub(crate) fn find(gathered: &Gathered) -> Vec<Exception<'_>> {
    let mut ways = Ways { answers: answers(gathered), gathered, known: BTreeMap::new(), reviews: reviews(gathered) };
    let mut found: Vec<Exception<'_>> = gathered.entries().filter_map(|entry| ways.judge(entry)).collect();
    fold_holds(&mut found);
    found.sort_by_key(|one| (one.of_log, one.judged.grade, one.is_done(), one.entry.header.n));
    found
}

/// The blocks of the section.
pub(crate) fn blocks(gathered: &Gathered, found: &[Exception<'_>]) -> Vec<Block> {
    let mut blocks = vec![text(
        "Everything in these entries that is not a plain step of the work, in three grades, gravest first; within a grade \
         what still waits comes first. Each names the entry in which it stands: look it up in the audit trail below or in \
         the attached entries.",
    )];
    if found.is_empty() {
        blocks.push(text("There is no exception in this record."));
    }
    let parts = [
        (false, "what the record itself tells"),
        (true, "what the logs of tables, people and plugins tell on which the record leans"),
    ];
    for (of_log, what) in parts {
        for grade in Grade::ALL {
            let of_it: Vec<_> = found.iter().filter(|one| one.of_log == of_log && one.judged.grade == grade).collect();
            if of_it.is_empty() {
                continue;
            }
            let title = format!("Grade {}: {} ({what})", grade.number(), grade.title().to_lowercase());
            blocks.push(heading(2, title, ""));
            blocks.extend(of_it.into_iter().map(|one| one.block(gathered)));
        }
    }
    blocks
}

/// The same hold on many things is told once.
fn fold_holds(found: &mut Vec<Exception<'_>>) {
    let mut first: BTreeMap<(Stream, How), usize> = BTreeMap::new();
    let mut kept: Vec<Exception<'_>> = Vec::new();
    for one in found.drain(..) {
        let key = cause(one.entry).map(|cause| (cause.clone(), How::of(&one)));
        let before = key.as_ref().and_then(|key| first.get(key)).and_then(|index| kept.get_mut(*index));
        match before {
            Some(before) => {
                before.also.push(one.entry);
                before.touches.extend(one.touches);
            }
            None => {
                if let Some(key) = key {
                    first.insert(key, kept.len());
                }
                kept.push(one);
            }
        }
    }
    *found = kept;
}

/// How one stands, for what is told together: only what ended in the same act.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum How {
    Open,
    Settled,
}

impl How {
    fn of(one: &Exception<'_>) -> Self {
        if one.standing == Standing::Open { Self::Open } else { Self::Settled }
    }
}

/// Which hold an entry lays.
fn cause(entry: &Entry) -> Option<&Stream> {
    match &entry.body {
        Body::RollHeld(body) => Some(&body.cause),
        Body::DeliveryHeld(body) => Some(&body.cause),
        Body::OrderHeld(body) => Some(&body.cause),
        _ => None,
    }
}

/// What sort of question an exception's standing answers: equal ones of a stream have one way.
type Question = (Stream, &'static str, String);

/// How exceptions came to stand, each way walked once.
struct Ways<'a> {
    answers: BTreeMap<(&'a Stream, u64), &'a Entry>,
    gathered: &'a Gathered,
    /// The moments at which the standing changed, as entry and standing.
    known: BTreeMap<Question, Vec<(u64, Standing)>>,
    reviews: Vec<(&'a Entry, &'a SignatureApplied)>,
}

impl<'a> Ways<'a> {
    fn judge(&mut self, entry: &'a Entry) -> Option<Exception<'a>> {
        let gathered = self.gathered;
        let judged = grade::of_entry(entry)?;
        let judged = grade::in_its_stream(judged, entry, gathered.before(entry))?;
        let stream = &entry.header.stream;
        let looked = RefCell::new(BTreeSet::new());
        let look = |stream: &Stream| -> Option<Record> {
            looked.borrow_mut().insert(stream.clone());
            gathered.records.get(stream).cloned()
        };
        let record = gathered.records.get(stream);
        let standing = record.map_or(Standing::Told, |record| grade::standing(judged, entry, record, &look));
        if judged.passes && standing != Standing::Open {
            return None;
        }
        let looked = looked.into_inner();
        let unknown = judged.grade != Grade::Seen
            && (record.is_none() || looked.iter().any(|other| !gathered.records.contains_key(other)));
        let settled = match standing {
            Standing::Settled if !unknown => self.settled(judged, entry, &looked),
            _ => None,
        };
        let answered = |stream: &Stream| {
            let answer = self.answers.get(&(stream, entry.header.n))?;
            let By::Person(person) = &answer.header.by else { return None };
            Some((person.name.clone(), answer.header.at))
        };
        let seen = answered(stream).or_else(|| answered(refused_about(entry)?));
        let covering = |(_, body): &&(&Entry, &SignatureApplied)| {
            body.covers.get(stream).is_some_and(|cover| cover.rev >= entry.header.rev)
        };
        let reviewed = self.reviews.iter().rfind(covering).map(|(signed, _)| *signed);
        Some(Exception {
            also: Vec::new(),
            entry,
            judged,
            of_log: *stream != gathered.record && is_log(stream),
            reviewed,
            seen,
            settled,
            standing,
            touches: touches(gathered, entry),
            unknown,
        })
    }

    /// The entry after which it waited no more: the streams that tell it are folded once more, entry by entry.
    fn settled(&mut self, judged: Judged, entry: &Entry, looked: &BTreeSet<Stream>) -> Option<u64> {
        let asks = match &entry.body {
            Body::RollCountDoubted(body) => body.count.to_string(),
            Body::StationChallengeFailed(body) => body.deviation.to_string(),
            _ => cause(entry).map(Stream::to_string).unwrap_or_default(),
        };
        let stream = &entry.header.stream;
        let question = (stream.clone(), entry.body.kind().name, format!("{asks} {}", judged.by_sight));
        let gathered = self.gathered;
        let way = self.known.entry(question).or_insert_with(|| way(gathered, judged, entry, looked));
        let n = entry.header.n;
        let mut was_open = false;
        let mut settled = None;
        for (at, standing) in way.iter().filter(|(at, _)| *at >= n) {
            match standing {
                Standing::Open => (was_open, settled) = (true, None),
                Standing::Settled | Standing::Told if was_open => settled = settled.or(Some(*at)),
                Standing::Settled | Standing::Told => {}
            }
        }
        settled
    }
}

/// The standing after each entry that could change it, where it changed.
fn way(gathered: &Gathered, judged: Judged, entry: &Entry, looked: &BTreeSet<Stream>) -> Vec<(u64, Standing)> {
    let own = &entry.header.stream;
    let streams = std::iter::once(own).chain(looked).filter_map(|stream| gathered.streams.get(stream));
    let numbers: BTreeSet<u64> = streams.flatten().map(|entry| entry.header.n).collect();
    let mut records: BTreeMap<Stream, Record> = BTreeMap::new();
    let mut way: Vec<(u64, Standing)> = Vec::new();
    for n in numbers {
        let Some(one) = gathered.entry(n) else { continue };
        let stream = &one.header.stream;
        // What was folded once can be folded again.
        let Ok(record) = evolve(records.remove(stream), one) else { continue };
        records.insert(stream.clone(), record);
        let Some(record) = records.get(own) else { continue };
        let standing = grade::standing(judged, entry, record, &|other| records.get(other).cloned());
        if way.last().is_none_or(|(_, last)| *last != standing) || n == entry.header.n {
            way.push((n, standing));
        }
    }
    way
}

/// A log that grows without bound: it is a record of its own.
fn is_log(stream: &Stream) -> bool {
    matches!(stream.thing(), "station" | "account" | "plugin" | "session" | "book" | "test_roll")
}

/// The record about which something was refused.
fn refused_about(entry: &Entry) -> Option<&Stream> {
    match &entry.body {
        Body::ActRefused(body) => body.record.as_ref(),
        Body::SessionPasswordRefused(body) => body.record.as_ref(),
        _ => None,
    }
}

/// Who of quality answered which entry, by the stream and the entry's number: the first remark after it that names it.
fn answers(gathered: &Gathered) -> BTreeMap<(&Stream, u64), &Entry> {
    let mut answers = BTreeMap::new();
    for entry in gathered.entries() {
        let (Body::RemarkMade(body), By::Person(person)) = (&entry.body, &entry.header.by) else { continue };
        if person.role != Role::Reviewer {
            continue;
        }
        for n in numbers_named(&body.text).filter(|n| *n < entry.header.n) {
            answers.entry((&entry.header.stream, n)).or_insert(entry);
        }
    }
    answers
}

/// The entries that a text names as `Entry N ` does.
fn numbers_named(text: &str) -> impl Iterator<Item = u64> {
    text.match_indices("Entry ").filter_map(|(at, word)| {
        let (number, _) = text.get(at + word.len()..)?.split_once(' ')?;
        number.parse().ok().filter(|n: &u64| n.to_string() == number)
    })
}

/// The signatures of reviewers that stand, in order.
fn reviews(gathered: &Gathered) -> Vec<(&Entry, &SignatureApplied)> {
    let of_reviewers = signatures::all(gathered).filter(|(_, body)| body.role == Role::Reviewer);
    of_reviewers.filter(|(entry, body)| signatures::void(gathered, entry, body).is_none()).collect()
}

fn reviewed_in(gathered: &Gathered, entry: &Entry) -> String {
    let Body::SignatureApplied(body) = &entry.body else { return String::new() };
    format!(
        "not answered by itself; {} signed \"{}\" over it, entry {}, {}",
        body.name,
        body.meaning,
        entry.header.n,
        gathered.at(entry.header.at)
    )
}

/// What an exception touches: by its record as it stands, one step further where that is a count or a roll.
fn touches(gathered: &Gathered, entry: &Entry) -> BTreeSet<Stream> {
    let mut touched = BTreeSet::from([entry.header.stream.clone()]);
    match gathered.state(&entry.header.stream) {
        Some(State::Deviation(state)) => touched.extend(state.about.iter().cloned()),
        Some(State::Count(state)) => touched.extend([state.roll.clone(), state.station.clone()]),
        Some(State::Override(state)) => touched.extend([state.about.clone(), state.order.clone()]),
        Some(State::Issue(state)) => {
            touched.insert(state.order.clone());
            touched.extend(state.rolls.iter().map(|roll| roll.roll.clone()));
        }
        Some(State::HandCount(state)) => touched.extend([state.order.clone()]),
        Some(State::Container(state)) => touched.extend([state.order.clone()]),
        Some(State::Clearance(state)) => touched.extend([state.order.clone(), state.line.clone()]),
        Some(State::Reconciliation(state)) => touched.extend([state.computed.order.clone()]),
        _ => {}
    }
    touched.extend(cause(entry).cloned());
    match &entry.body {
        Body::ActRefused(_) | Body::SessionPasswordRefused(_) => touched.extend(refused_about(entry).cloned()),
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
        if let Some(State::Roll(state)) = gathered.state(&roll) {
            touched.insert(state.delivery.clone());
            touched.extend(state.order.clone());
        }
    }
    touched
}
