//! What is being counted now. What was stated, certified or counted before stays hidden for so long, on a table and by
//! hand alike, so that nobody counts towards a number.

use std::collections::BTreeSet;

use serde_json::{Map, Value};
use tallyseal_book::{Book, ReadError};
use tallyseal_control::{
    AUTHORITY, Authority, CountStatus, HandCountState, HandCountStatus, Key, OrderRoll, OrderStatus, Record, State,
};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::Grant;
use tallyseal_schema::{Body, Entry};

/// The keys that things are searched for by. A key that tells what is hidden at times is none of them: who may ask
/// whether a roll is certified for a number may ask for one number after the other.
const SEARCHABLE: &[&str] = &[
    "account.founder",
    "account.key",
    "clearance.order",
    "container.order",
    "container.waits",
    "count.open",
    "count.roll",
    "count.station",
    "count.unsigned",
    "delivery.item",
    "delivery.supplier_lot",
    "delivery.waits",
    "deviation.about",
    "deviation.open",
    "hand_count.order",
    "issue.open",
    "issue.order",
    "item.code",
    "item.revision",
    "limit_set.item_code",
    "order.line",
    "order.lot",
    "order.open",
    "order.roll",
    "override.order",
    "plugin.digest",
    "plugin.name",
    "plugin.version",
    "reconciliation.order",
    "roll.bracket",
    "roll.delivery",
    "roll.held",
    "roll.item",
    "roll.order",
    "roll.place",
    "roll.returned_from",
    "roll.stock",
    "roll.there",
    "session.open",
    "station.counting",
    "thing",
];

/// True where things may be searched for by that key, `PROPERTY=VALUE`.
pub(crate) fn is_searchable(key: &str) -> bool {
    key.split_once('=').is_some_and(|(property, _)| SEARCHABLE.contains(&property))
}

/// The rolls and test rolls that run over a table now, and who counts them.
pub(crate) struct Counted {
    people: BTreeSet<AccountId>,
    rolls: BTreeSet<Stream>,
    /// Whatever says what to expect of them: they themselves, their deliveries, the stations with their challenges.
    telling: BTreeSet<Stream>,
}

impl Counted {
    /// As it stands now.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn now(book: &Book) -> Result<Self, ReadError> {
        let mut now = Self { people: BTreeSet::new(), rolls: BTreeSet::new(), telling: BTreeSet::new() };
        for count in book.set(&Key::new("count.open", "yes"))? {
            if let Some((_, Record { state: State::Count(state), .. })) = book.record(&count)? {
                if let Some((_, Record { state: State::Roll(roll), .. })) = book.record(&state.roll)? {
                    now.telling.insert(roll.delivery);
                }
                now.telling.extend([state.roll.clone(), state.station]);
                now.people.extend(state.opened_by);
                now.rolls.insert(state.roll);
            }
        }
        Ok(now)
    }

    /// True where that roll or test roll runs.
    pub(crate) fn has(&self, roll: &Stream) -> bool {
        self.rolls.contains(roll)
    }

    /// True where the entries of that stream say what to expect of a roll that runs.
    pub(crate) fn tells(&self, stream: &Stream) -> bool {
        self.telling.contains(stream)
    }

    /// True where that person runs a count, in whichever role they ask.
    pub(crate) fn counts(&self, account: &AccountId) -> bool {
        self.people.contains(account)
    }

    /// The fields of a thing's state that are hidden now.
    pub(crate) fn hidden(&self, stream: &Stream, state: &State) -> &'static [&'static str] {
        match state {
            State::Roll(_) if self.has(stream) => &["stated", "settled", "counts", "tag"],
            State::TestRoll(_) if self.has(stream) => &["certified", "faults"],
            State::Count(count) if count.status != CountStatus::Open && self.has(&count.roll) => &[
                "codes_checked",
                "codes_read",
                "labels",
                "labels_seen",
                "machine_total",
                "ticket",
                "total_first",
                "totals",
            ],
            // From everybody: a number is no second one where another is known. Both stand in the entries for those who
            // review.
            State::HandCount(count) if count.status != HandCountStatus::Agreed => &["entered"],
            _ => &[],
        }
    }
}

impl Counted {
    /// True where that roll of an order runs, or what is left of it: the one's labels tell the other's.
    pub(crate) fn runs(&self, roll: &Stream, of_order: Option<&OrderRoll>) -> bool {
        self.has(roll) || of_order.and_then(|one| one.rest.as_ref()).is_some_and(|rest| self.has(rest))
    }

    /// Takes out of a thing's state what is hidden now: whole fields, and what an order, an issue or an account says of
    /// the labels on a roll that runs.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn veil(
        &self,
        book: &Book,
        stream: &Stream,
        state: &State,
        fields: &mut Map<String, Value>,
    ) -> Result<(), ReadError> {
        for hidden in self.hidden(stream, state) {
            fields.insert((*hidden).to_owned(), Value::Null);
        }
        if self.rolls.is_empty() {
            return Ok(());
        }
        match state {
            State::Order(order) => {
                for (roll, one) in &order.rolls {
                    if self.runs(roll, Some(one)) {
                        blank(fields.get_mut("rolls").and_then(|rolls| rolls.get_mut(roll.as_str())), &["issued"]);
                    }
                }
            }
            State::Issue(issue) => {
                let Some((_, Record { state: State::Order(order), .. })) = book.record(&issue.order)? else {
                    return Ok(());
                };
                let mut any = false;
                for (index, one) in issue.rolls.iter().enumerate() {
                    if self.runs(&one.roll, order.rolls.get(&one.roll)) {
                        any = true;
                        blank(fields.get_mut("rolls").and_then(|rolls| rolls.get_mut(index)), &["labels"]);
                    }
                }
                // The sum and the other rolls tell it as well.
                if any {
                    fields.insert("labels".to_owned(), Value::Null);
                }
            }
            State::Reconciliation(made) => {
                let computed = &made.computed;
                let Some((_, Record { state: State::Order(order), .. })) = book.record(&computed.order)? else {
                    return Ok(());
                };
                let mut rolls = order.rolls.iter().filter(|(_, one)| one.material == computed.material);
                if rolls.any(|(roll, one)| self.runs(roll, Some(one))) {
                    blank(fields.get_mut("computed"), &["product", "terms", "unaccounted"]);
                }
            }
            _ => {}
        }
        Ok(())
    }
}

/// Says nothing in these fields of a thing.
fn blank(thing: Option<&mut Value>, fields: &[&str]) {
    if let Some(Value::Object(thing)) = thing {
        for field in fields {
            thing.insert((*field).to_owned(), Value::Null);
        }
    }
}

/// True where a person with these grants may still give a number in a hand count, in whichever role they ask. One that has
/// ended counts as well: it is renewed in a minute, and what was read in between stays read.
pub(crate) fn may_count_by_hand(grants: &[Grant]) -> bool {
    let may = |row: &Authority| grants.iter().any(|grant| row.roles.contains(&grant.role));
    AUTHORITY.iter().any(|row| row.command == "enter_hand_count" && may(row))
}

/// True while a number of this hand count could be counted towards: until both have counted, and where they differed until
/// a later count of the same agrees or the order's account is made.
fn is_told_too_soon(book: &Book, stream: &Stream, count: &HandCountState) -> Result<bool, ReadError> {
    match count.status {
        HandCountStatus::Open => return Ok(true),
        HandCountStatus::Agreed => return Ok(false),
        HandCountStatus::Differed => {}
    }
    for other in book.set(&Key::new("hand_count.order", &count.order))? {
        if let Some((_, Record { state: State::HandCount(state), .. })) = book.record(&other)? {
            let same = state.material == count.material && state.what == count.what;
            if same && other > *stream && state.status == HandCountStatus::Agreed {
                return Ok(false);
            }
        }
    }
    let running = [
        OrderStatus::Planned,
        OrderStatus::Staged,
        OrderStatus::InProgress,
        OrderStatus::Interrupted,
        OrderStatus::Finished,
    ];
    match book.record(&count.order)? {
        Some((_, Record { state: State::Order(order), .. })) => Ok(running.contains(&order.status)),
        _ => Ok(false),
    }
}

/// The first of the hand counts of which one of these entries tells a number too soon.
///
/// Errors: the book cannot be read, or an entry of it.
pub(crate) fn told_hand_count<'a>(
    book: &Book,
    entries: impl IntoIterator<Item = &'a Vec<u8>>,
) -> Result<Option<Stream>, ReadError> {
    let mut looked_at = BTreeSet::new();
    for bytes in entries {
        let entry = Entry::read(bytes).map_err(|error| ReadError::Damaged(error.to_string()))?;
        let stream = entry.header.stream;
        if !matches!(entry.body, Body::HandCountEntered(_)) || !looked_at.insert(stream.clone()) {
            continue;
        }
        if let Some((_, Record { state: State::HandCount(count), .. })) = book.record(&stream)?
            && is_told_too_soon(book, &stream, &count)?
        {
            return Ok(Some(stream));
        }
    }
    Ok(None)
}
