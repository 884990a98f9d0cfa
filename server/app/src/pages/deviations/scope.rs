//! What else a deviation may touch, and what it holds: computed from views, proposed to a person.

use std::collections::BTreeSet;

use tallyseal_book::{Book, ReadError};
use tallyseal_control::{DeviationState, Key, Record, State};
use tallyseal_schema::ids::Stream;

/// Suggestions of a sort at most.
const MOST: usize = 60;

/// Things of one sort that may be touched too.
pub(super) struct Suggested {
    pub(super) streams: Vec<Stream>,
    pub(super) why: &'static str,
}

/// What else may be touched: sister rolls, orders that used the delivery, counts between the same two challenges.
///
/// Errors: the book cannot be read.
pub(super) fn suggested(book: &Book, state: &DeviationState) -> Result<Vec<Suggested>, ReadError> {
    let mut rolls: BTreeSet<Stream> = state.about.iter().filter(|about| about.thing() == "roll").cloned().collect();
    let mut deliveries: BTreeSet<Stream> =
        state.about.iter().filter(|about| about.thing() == "delivery").cloned().collect();
    let mut brackets = BTreeSet::new();
    for about in &state.about {
        match book.record(about)? {
            Some((_, Record { state: State::Count(count), .. })) if !count.of_test_roll() => {
                brackets.insert((count.station, count.bracket));
                rolls.insert(count.roll);
            }
            Some((_, Record { state: State::Order(order), .. })) => rolls.extend(order.rolls.into_keys()),
            _ => {}
        }
    }
    for roll in &rolls {
        if let Some((_, Record { state: State::Roll(roll), .. })) = book.record(roll)? {
            brackets.extend(roll.counts.iter().map(|count| (count.station.clone(), count.bracket)));
            deliveries.insert(roll.delivery);
        }
    }
    let mut sisters = BTreeSet::new();
    for delivery in &deliveries {
        if let Some((_, Record { state: State::Delivery(delivery), .. })) = book.record(delivery)? {
            sisters.extend(delivery.rolls);
        }
        // Rests that came back are rolls of the delivery too.
        sisters.extend(book.set_page(&Key::new("roll.delivery", delivery), None, MOST)?);
    }
    let mut orders = BTreeSet::new();
    for roll in sisters.iter().chain(&rolls).take(MOST) {
        orders.extend(book.set_page(&Key::new("order.roll", roll), None, MOST)?);
    }
    let mut counts = BTreeSet::new();
    for (station, bracket) in brackets.iter().take(MOST) {
        let key = Key::new("count.bracket", format_args!("{station}#{bracket}"));
        counts.extend(book.set_page(&key, None, MOST)?);
    }
    let further = |streams: BTreeSet<Stream>| -> Vec<Stream> {
        streams.into_iter().filter(|stream| !state.about.contains(stream)).take(MOST).collect()
    };
    let all = [
        ("Other rolls of the same delivery", further(sisters)),
        ("The delivery", further(deliveries)),
        ("Orders that used rolls of the delivery", further(orders)),
        ("Counts between the same two challenges", further(counts)),
    ];
    let all = all.into_iter().filter(|(_, streams)| !streams.is_empty());
    Ok(all.map(|(why, streams)| Suggested { streams, why }).collect())
}

/// What the deviation holds now.
///
/// Errors: the book cannot be read.
pub(super) fn held(book: &Book, deviation: &Stream) -> Result<Vec<Stream>, ReadError> {
    book.set_page(&Key::new("hold.cause", deviation), None, MOST * 4)
}
