use tallyseal_schema::Body;
use tallyseal_schema::kinds::{RollMoved, StationBenchCleared};

use crate::evolve;
use crate::testing::Plant;

fn moved() -> Body {
    RollMoved { place: "cage 2".to_owned() }.into()
}

fn cleared() -> Body {
    StationBenchCleared { found: "nothing".to_owned(), places: Vec::new() }.into()
}

#[test]
fn an_entry_does_not_follow_where_its_kind_does_not_stand() {
    let plant = Plant::ready();
    let mut entry = plant.last("roll.released").clone();
    let record = || Some(plant.record(entry.header.stream.as_str()).clone());
    let (right, wrong) = (moved(), cleared());
    entry.body = right;
    let after = evolve(record(), &entry).unwrap();
    assert_ne!(Some(after), record());
    let mut stray = entry.clone();
    stray.body = wrong;
    let error = evolve(record(), &stray).unwrap_err();
    assert_eq!(error.n, entry.header.n);
    assert_eq!(
        error.to_string(),
        format!(
            "entry {} cannot follow what is before it: that kind does not stand in the stream of such a thing",
            error.n
        )
    );
}

#[test]
fn nothing_begins_with_an_entry_that_needs_something_before_it() {
    let plant = Plant::ready();
    let firsts = [
        ("account.enrolled", "account.password_changed"),
        ("session.opened", "session.ended"),
        ("supplier.registered", "supplier.approved"),
        ("item.drafted", "item.approved"),
        ("delivery.received", "delivery.examined"),
        ("roll.received", "roll.released"),
        ("count.opened", "count.closed"),
        ("station.registered", "station.qualified"),
        ("test_roll.registered", "test_roll.certified"),
        ("plugin.drafted", "plugin.approved"),
    ];
    let mut ended = plant.clone();
    ended.did(
        &crate::testing::room(),
        crate::Command::EndSession {
            session: crate::testing::id("S-U-0003"),
            cause: tallyseal_schema::kinds::SessionEnd::SignedOut,
        },
    );
    for (first, later) in firsts {
        assert!(evolve(None, plant.last(first)).is_ok(), "{first}");
        assert!(evolve(None, ended.last(later)).is_err(), "{later}");
    }
    let mut unknown = plant.last("roll.received").clone();
    unknown.header.stream = crate::testing::id("order/O-1");
    assert!(evolve(None, &unknown).is_err());
}
