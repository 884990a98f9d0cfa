//! What is being counted now. What was stated, certified or counted before stays hidden for so long, on a table and by
//! hand alike, so that nobody counts towards a number.

use std::collections::BTreeSet;

use serde_json::{Map, Value};
use tallyseal_book::{Book, ReadError};
use tallyseal_control::{
    AUTHORITY, Authority, CountStatus, DeviationState, HandCountState, HandCountStatus, Key, OrderRoll, OrderState,
    OrderStatus, Quantity, Record, State,
};
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{Grant, HandCounted, Role, Source};
use tallyseal_schema::{Body, Entry};

/// The roles that read entries.
pub(crate) const READERS: &[Role] = &[Role::Supervisor, Role::Reviewer, Role::Auditor];

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
    /// Those that run, and those that they are the rest of: what was on a roll, less what was used, is on its rest.
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
                now.telling.insert(state.station);
                now.people.extend(state.opened_by);
                let mut next = Some(state.roll);
                while let Some(roll) = next.take() {
                    if let Some((_, Record { state: State::Roll(state), .. })) = book.record(&roll)? {
                        now.telling.insert(state.delivery);
                        next = state.parent.map(|(parent, _)| parent);
                    }
                    now.telling.insert(roll.clone());
                    // A roll that is there already has brought those above it.
                    if !now.rolls.insert(roll) {
                        break;
                    }
                }
            }
        }
        Ok(now)
    }

    /// True where that roll or test roll runs, or what came back of it.
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

    /// True for a person of those who review and verify, by the roles that they have: a count's operator would see what was
    /// stated. Nor does whoever counts just now look it up in another role that they have.
    pub(crate) fn lets_read(&self, account: &AccountId, roles: &[Role]) -> bool {
        roles.iter().any(|role| READERS.contains(role)) && !self.counts(account)
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

    /// True where a roll of that material line of an order runs; of any line, where none is given.
    pub(crate) fn runs_in(&self, order: &OrderState, material: Option<u16>) -> bool {
        let mut rolls = order.rolls.iter().filter(|(_, one)| material.is_none_or(|material| one.material == material));
        !self.rolls.is_empty() && rolls.any(|(roll, one)| self.runs(roll, Some(one)))
    }

    /// True where what the entries of that stream say tells what to expect of a roll that runs: its own figures and those
    /// of its order, whoever wrote them down.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn says(&self, book: &Book, stream: &Stream) -> Result<bool, ReadError> {
        match stream.thing() {
            "deviation" => match book.record(stream)? {
                Some((_, Record { state: State::Deviation(state), .. })) => self.hides_text(book, &state),
                _ => Ok(false),
            },
            _ => self.says_itself(book, stream),
        }
    }

    /// True where the text of a deviation is hidden: it may tell what is expected on a roll that runs. Much is about a table
    /// that runs, and tells nothing of what lies on it.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn hides_text(&self, book: &Book, deviation: &DeviationState) -> Result<bool, ReadError> {
        for about in deviation.about.iter().filter(|about| about.thing() != "station") {
            if self.says_itself(book, about)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// As [`Counted::says`], of anything but a deviation: two that are about each other would never end.
    fn says_itself(&self, book: &Book, stream: &Stream) -> Result<bool, ReadError> {
        if self.tells(stream) {
            return Ok(true);
        }
        let of_order = ["container", "hand_count", "issue", "order", "override", "reconciliation"];
        let looked_at = stream.thing() == "reconciliation" || !self.rolls.is_empty();
        if !looked_at || !(stream.thing() == "count" || of_order.contains(&stream.thing())) {
            return Ok(false);
        }
        let Some((_, Record { state, .. })) = book.record(stream)? else { return Ok(false) };
        let (order, material) = match state {
            State::Count(count) => return Ok(self.has(&count.roll)),
            State::Order(order) => return Ok(self.runs_in(&order, None)),
            State::Container(state) => (state.order, Some(state.material)),
            State::HandCount(state) => (state.order, state.material),
            State::Issue(state) => (state.order, Some(state.material)),
            State::Override(state) => (state.order, state.material),
            State::Reconciliation(state) => {
                let computed = state.computed;
                if Waiting::now(book, &computed.order)?.of_line(computed.material).is_some() {
                    return Ok(true);
                }
                (computed.order, Some(computed.material))
            }
            _ => return Ok(false),
        };
        Ok(order_of(book, &order)?.is_some_and(|order| self.runs_in(&order, material)))
    }

    /// Takes out of a thing's state what is hidden now: whole fields, what an order, an issue or an account says of the
    /// labels on a roll that runs, and what was found before of anything that is counted by hand.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn veil(
        &self,
        book: &Book,
        stream: &Stream,
        state: &State,
        fields: &mut Map<String, Value>,
    ) -> Result<(), ReadError> {
        blank_in(fields, self.hidden(stream, state));
        match state {
            State::Order(order) => self.veil_order(book, stream, order, fields)?,
            State::Issue(issue) => {
                let Some(order) = order_of(book, &issue.order)? else { return Ok(()) };
                let mut any = false;
                for (index, one) in issue.rolls.iter().enumerate() {
                    if self.runs(&one.roll, order.rolls.get(&one.roll)) {
                        any = true;
                        blank(fields.get_mut("rolls").and_then(|rolls| rolls.get_mut(index)), &["labels"]);
                    }
                }
                // The sum and the other rolls tell it as well.
                if any {
                    blank_in(fields, &["labels"]);
                }
            }
            State::Reconciliation(made) => {
                let computed = &made.computed;
                let waits = Waiting::now(book, &computed.order)?;
                let runs =
                    order_of(book, &computed.order)?.is_some_and(|order| self.runs_in(&order, Some(computed.material)));
                if runs || waits.of_line(computed.material).is_some() {
                    blank(fields.get_mut("computed"), &["product", "terms", "unaccounted"]);
                }
                if waits.has(None, HandCounted::Units) {
                    blank(fields.get_mut("computed"), &["units"]);
                }
            }
            State::Override(asked) => {
                let order = order_of(book, &asked.order)?;
                let runs = order.is_some_and(|order| self.runs_in(&order, asked.material));
                blank_in(fields, if runs { &["labels"] } else { &[] });
            }
            State::HandCount(count) => {
                let again = Waiting::now(book, &count.order)?.has(count.material, count.what);
                blank_in(fields, if again { &["entered"] } else { &[] });
            }
            State::Container(container) => {
                let waits = Waiting::now(book, &container.order)?;
                let Some(_) = waits.of_line(container.material) else { return Ok(()) };
                blank_in(fields, &["labels"]);
                // Who declared it destroyed, how many labels, when.
                if let Some(labels) = fields.get_mut("declared").and_then(|declared| declared.get_mut(1)) {
                    *labels = Value::Null;
                }
            }
            State::Deviation(deviation) => {
                let hidden = self.hides_text(book, deviation)?;
                blank_in(fields, if hidden { &["text"] } else { &[] });
            }
            _ => {}
        }
        Ok(())
    }

    fn veil_order(
        &self,
        book: &Book,
        stream: &Stream,
        order: &OrderState,
        fields: &mut Map<String, Value>,
    ) -> Result<(), ReadError> {
        for (roll, one) in &order.rolls {
            if self.runs(roll, Some(one)) {
                blank(fields.get_mut("rolls").and_then(|rolls| rolls.get_mut(roll.as_str())), &["issued"]);
            }
        }
        let waits = Waiting::now(book, stream)?;
        for (number, quantity) in &order.quantities {
            if self.runs_in(order, quantity.material) || waits.tells(book, quantity)? {
                let shown = fields.get_mut("quantities").and_then(|all| all.get_mut(number.to_string()));
                let Some(Value::Object(shown)) = shown else { continue };
                blank_in(shown, &["count"]);
                // Readings of a device are the number in other words.
                if matches!(quantity.source, Source::Device { .. }) {
                    blank(shown.get_mut("source"), &["end", "start", "wraps"]);
                }
            }
        }
        Ok(())
    }
}

fn order_of(book: &Book, order: &Stream) -> Result<Option<OrderState>, ReadError> {
    Ok(match book.record(order)? {
        Some((_, Record { state: State::Order(order), .. })) => Some(order),
        _ => None,
    })
}

/// What is being counted by hand of one order: begun and not agreed, or counted by two who differed and not anew since.
/// What was agreed of the same before is no number to count towards either.
#[derive(Default)]
pub(crate) struct Waiting(Vec<(Stream, Option<u16>, HandCounted)>);

impl Waiting {
    /// As it stands now. Nothing once the order's hand counts are over: one that was begun and never made hides nothing
    /// for ever.
    ///
    /// Errors: the book cannot be read.
    pub(crate) fn now(book: &Book, order: &Stream) -> Result<Self, ReadError> {
        use OrderStatus as S;
        let status = match order_of(book, order)? {
            Some(order) => order.status,
            None => return Ok(Self::default()),
        };
        let running = matches!(status, S::Planned | S::Staged | S::InProgress | S::Interrupted | S::Finished);
        // Where they differed the account was made without them; one that is begun after it is a count all the same.
        if !running && status != S::Reconciled {
            return Ok(Self::default());
        }
        let mut all = Vec::new();
        for stream in book.set(&Key::new("hand_count.order", order))? {
            if let Some((_, Record { state: State::HandCount(count), .. })) = book.record(&stream)? {
                all.push((stream, count));
            }
        }
        let settled = |stream: &Stream, count: &HandCountState| {
            all.iter().any(|(other, state)| {
                let same = state.material == count.material && state.what == count.what;
                same && other > stream && state.status == HandCountStatus::Agreed
            })
        };
        let waits = all.iter().filter(|(stream, count)| match count.status {
            HandCountStatus::Open => true,
            HandCountStatus::Agreed => false,
            HandCountStatus::Differed => running && !settled(stream, count),
        });
        Ok(Self(waits.map(|(stream, count)| (stream.clone(), count.material, count.what)).collect()))
    }

    /// True where that is being counted.
    pub(crate) fn has(&self, material: Option<u16>, what: HandCounted) -> bool {
        self.0.iter().any(|(_, of, counted)| (*of, *counted) == (material, what))
    }

    /// The first hand count that the account of that material line would tell something of.
    pub(crate) fn of_line(&self, material: u16) -> Option<&Stream> {
        self.0.iter().find(|(_, of, _)| of.is_none_or(|of| of == material)).map(|(stream, ..)| stream)
    }

    /// True where a quantity was counted by hand, and the same is being counted again.
    fn tells(&self, book: &Book, quantity: &Quantity) -> Result<bool, ReadError> {
        let Source::HandCount { hand_count } = &quantity.source else { return Ok(false) };
        Ok(!self.0.is_empty()
            && match book.record(hand_count)? {
                Some((_, Record { state: State::HandCount(count), .. })) => self.has(count.material, count.what),
                _ => false,
            })
    }
}

/// Says nothing in these fields of a thing.
fn blank(thing: Option<&mut Value>, fields: &[&str]) {
    if let Some(Value::Object(thing)) = thing {
        blank_in(thing, fields);
    }
}

fn blank_in(thing: &mut Map<String, Value>, fields: &[&str]) {
    for field in fields {
        thing.insert((*field).to_owned(), Value::Null);
    }
}

/// True where a person with these grants may still give a number in a hand count, in whichever role they ask. One that has
/// ended counts as well: it is renewed in a minute, and what was read in between stays read.
pub(crate) fn may_count_by_hand(grants: &[Grant]) -> bool {
    let may = |row: &Authority| grants.iter().any(|grant| row.roles.contains(&grant.role));
    AUTHORITY.iter().any(|row| row.command == "enter_hand_count" && may(row))
}

/// True while a number of this hand count could be counted towards: until both have counted, where they differed until a
/// later count of the same agrees or the order's account is made, and whenever the same is counted anew.
fn is_told_too_soon(book: &Book, count: &HandCountState) -> Result<bool, ReadError> {
    Ok(count.status == HandCountStatus::Open || Waiting::now(book, &count.order)?.has(count.material, count.what))
}

/// The first of the hand counts of which one of these entries tells a number too soon: its own, or what became of it in
/// the order.
///
/// Errors: the book cannot be read, or an entry of it.
pub(crate) fn told_hand_count<'a>(
    book: &Book,
    entries: impl IntoIterator<Item = &'a Vec<u8>>,
) -> Result<Option<Stream>, ReadError> {
    let mut looked_at = BTreeSet::new();
    for bytes in entries {
        let entry = Entry::read(bytes).map_err(|error| ReadError::Damaged(error.to_string()))?;
        let stream = match entry.body {
            Body::HandCountEntered(_) => entry.header.stream,
            Body::ContainerFilled(body) => body.hand_count,
            Body::OrderQuantityRecorded(body) => match body.source {
                Source::HandCount { hand_count } => hand_count,
                Source::Device { .. } => continue,
            },
            Body::OrderUnitsRecorded(body) => match body.source {
                Source::HandCount { hand_count } => hand_count,
                Source::Device { .. } => continue,
            },
            Body::ReconciliationComputed(body) => match Waiting::now(book, &body.order)?.of_line(body.material) {
                Some(waits) => return Ok(Some(waits.clone())),
                None => continue,
            },
            _ => continue,
        };
        if !looked_at.insert(stream.clone()) {
            continue;
        }
        if let Some((_, Record { state: State::HandCount(count), .. })) = book.record(&stream)?
            && is_told_too_soon(book, &count)?
        {
            return Ok(Some(stream));
        }
    }
    Ok(None)
}
