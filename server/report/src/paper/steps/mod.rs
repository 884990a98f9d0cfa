//! The steps of a record: each with every field that the entries hold, the clause that asks for it, the numbers of the
//! entries it stands on, and who performed and who checked it.

mod absent;
mod delivery;
mod destruction;
mod issue;
mod item;
mod limits;
mod line;
mod make;
mod overrides;
mod plan;
mod quantities;
mod read;
mod reconciliation;
mod returns;
mod review;
mod roll;
mod runs;
mod station;
mod things;

use std::collections::BTreeSet;

use tallyseal_schema::Body;
use tallyseal_schema::ids::{Stream, Thing};

use super::{Gathered, Section};

/// The steps of the record: of an order all that belongs to it, in the order of the work; of anything else what there is
/// of it. Empty for what has no steps, as a session or the book.
pub(crate) fn sections(gathered: &Gathered) -> Vec<Section> {
    let record = gathered.record.clone();
    if gathered.streams.get(&record).is_none_or(Vec::is_empty) {
        return Vec::new();
    }
    let mut sections = of(gathered, &record);
    if record.thing() != Thing::Account.as_str() && !sections.is_empty() {
        sections.push(things::who_acted(gathered));
    }
    sections.extend(absent::section(gathered));
    sections
}

fn of(g: &Gathered, record: &Stream) -> Vec<Section> {
    let Some(thing) = Thing::parse(record.thing()) else { return Vec::new() };
    match thing {
        Thing::Order => order(g, record),
        Thing::Delivery => {
            let rolls = g.delivery(record).map(|state| state.rolls.as_slice()).unwrap_or_default();
            let here = rolls.iter().filter(|roll| g.roll(roll).is_some());
            let mut sections = vec![delivery::section(g, record)];
            sections.extend(here.map(|roll| roll::section(g, roll)));
            sections.extend(station::of_counts(g));
            sections.push(overrides::holds(g));
            sections
        }
        Thing::Roll => {
            let mut sections: Vec<Section> =
                g.roll(record).map(|state| delivery::section(g, &state.delivery)).into_iter().collect();
            sections.push(roll::section(g, record));
            sections.extend(station::of_counts(g));
            sections.push(overrides::holds(g));
            sections
        }
        Thing::Count => {
            let mut sections = vec![runs::section(g, record)];
            sections.extend(station::of_counts(g));
            sections
        }
        Thing::Issue => {
            let mut sections = vec![issue::section(g, record)];
            let rolls = g.issue(record).map(|state| state.rolls.as_slice()).unwrap_or_default();
            sections.extend(rolls.iter().map(|one| roll::section(g, &one.roll)));
            sections.extend(station::of_counts(g));
            sections
        }
        Thing::Container => {
            let mut sections = vec![destruction::section(g, record)];
            sections.extend(g.things(Thing::Reconciliation).into_iter().map(|one| reconciliation::section(g, one)));
            sections
        }
        Thing::Deviation => about(g, record),
        Thing::Item => vec![item::section(g, record)],
        Thing::Supplier => vec![things::supplier(g, record)],
        Thing::Station => station::sections(g, record),
        Thing::TestRoll => vec![station::test_roll(g, record)],
        Thing::Plugin => vec![things::plugin(g, record)],
        Thing::Line => vec![line::line(g, record)],
        Thing::Clearance => vec![line::clearance_alone(g, record)],
        Thing::LimitSet => vec![limits::section(g, record)],
        Thing::HandCount => vec![quantities::hand_count(g, record)],
        Thing::Reconciliation => vec![reconciliation::section(g, record)],
        Thing::Override => vec![overrides::section(g, record)],
        Thing::Account => vec![things::account(g, record)],
        Thing::Session | Thing::Book => Vec::new(),
    }
}

/// An order, in the order of the work.
fn order(g: &Gathered, order: &Stream) -> Vec<Section> {
    let mut sections = plan::sections(g, order);
    sections.extend(limits::of_order(g, order));
    let rolls: Vec<&Stream> = g.order(order).into_iter().flat_map(|state| state.rolls.keys()).collect();
    // Of each shipment that a roll of the order came with, in the order of the rolls.
    let mut seen = BTreeSet::new();
    for roll in &rolls {
        if let Some(state) = g.roll(roll)
            && seen.insert(&state.delivery)
        {
            sections.push(delivery::section(g, &state.delivery));
        }
    }
    sections.extend(rolls.into_iter().map(|roll| roll::section(g, roll)));
    sections.extend(station::of_counts(g));
    sections.extend(issue::of_order(g, order));
    sections.extend(line::of_order(g, order));
    sections.extend(quantities::of_order(g, order));
    sections.extend(returns::of_order(g, order));
    sections.push(destruction::of_order(g, order));
    sections.push(reconciliation::of_order(g, order));
    sections.push(overrides::of_order(g, order));
    sections.push(overrides::holds(g));
    sections.push(review::of_order(g, order));
    sections
}

/// What a deviation is about, as far as the record holds it.
fn about(g: &Gathered, deviation: &Stream) -> Vec<Section> {
    let mut about: Vec<&Stream> = Vec::new();
    for entry in g.stream(deviation) {
        let more = match &entry.body {
            Body::DeviationOpened(body) => &body.about,
            Body::DeviationScopeExtended(body) => &body.about,
            _ => continue,
        };
        about.extend(more.iter().filter(|one| g.records.contains_key(one)));
    }
    let mut sections = Vec::new();
    for one in about {
        match Thing::parse(one.thing()) {
            Some(Thing::Roll) => sections.push(roll::section(g, one)),
            Some(Thing::Delivery) => sections.push(delivery::section(g, one)),
            Some(Thing::Count) => sections.push(runs::section(g, one)),
            Some(Thing::Reconciliation) => sections.push(reconciliation::section(g, one)),
            Some(Thing::Container) => sections.push(destruction::section(g, one)),
            Some(Thing::Clearance) => sections.push(line::clearance_alone(g, one)),
            _ => {}
        }
    }
    sections
}
