//! Bytes, headers and the clock: entries that are not of their form, or do not follow.

use serde_json::{Value, json};
use tallyseal_verify::Check;

use crate::fixture::places::*;
use crate::fixture::*;

#[test]
fn bytes_that_are_not_canonical() {
    let book = forged(|book| {
        let bytes = &mut book.bytes[LAST as usize];
        *bytes = String::from_utf8(bytes.clone()).unwrap().replace("\"n\":25", "\"n\": 25").into_bytes();
    });
    finds(|options| book.verify(options), Check::Bytes, Some(LAST), &[]);
}

#[test]
fn a_header_or_body_that_does_not_fit() {
    let cases: [(&str, fn(&mut Value)); 7] = [
        ("a field more in the body", |entry| entry["body"]["more"] = json!(1)),
        ("a field less in the body", |entry| entry["body"] = json!({})),
        ("a field more in the header", |entry| entry["more"] = json!(1)),
        ("a kind that is none", |entry| entry["kind"] = json!("Remark")),
        ("an author of two kinds", |entry| entry["by"]["system"] = json!("book")),
        ("a time that is none", |entry| entry["at"] = json!("2026-02-30T00:00:00.000000Z")),
        ("a late entry without a reason", |entry| entry["occurred"] = entry["at"].clone()),
    ];
    for (what, change) in cases {
        let book = forged(|book| book.change(LAST, change));
        println!("{what}");
        finds(|options| book.verify(options), Check::Bytes, Some(LAST), &[]);
    }
}

#[test]
fn a_kind_in_the_stream_of_another_thing() {
    added(Check::Bytes, &[], |book| {
        book.add(di().by(), "supplier.registered", "roll/R-1", json!({"name": "a", "site": "b"}))
    });
}

#[test]
fn an_unknown_kind_or_version_is_not_judged_and_counted() {
    let mut book = sample(9);
    book.add(system(), "moon.landed", "moon/M-1", json!({"anything": [1, 2, {"x": null}]}));
    let mut newer = book.draft(system(), "remark.made", "moon/M-1", json!({"text": 7}));
    newer["v"] = json!(2);
    book.put(newer);
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!(report.notes.iter().filter(|note| note.starts_with("bytes: 2 not judged")).count(), 1, "{report}");
}

#[test]
fn places_that_do_not_follow() {
    let cases: [(&str, fn(&mut Value)); 4] = [
        ("n", |entry| entry["n"] = json!(27)),
        ("rev with a gap", |entry| entry["rev"] = json!(12)),
        ("rev twice", |entry| entry["rev"] = json!(7)),
        ("another book", |entry| entry["book"] = json!("label-room.example/plant-2")),
    ];
    for (what, change) in cases {
        println!("{what}");
        let book = forged(|book| book.change(LAST, change));
        finds(|options| book.verify(options), Check::Chain, Some(LAST), &[]);
    }
}

#[test]
fn an_entry_0_that_says_that_something_was_before_it() {
    let mut book = Forge::empty(9);
    book.open();
    book.change(0, |entry| entry["prev"] = json!("ab".repeat(32)));
    for founder in [ada(), bo()] {
        book.enrol(system(), &founder, true);
    }
    finds(|options| book.verify(options), Check::Chain, Some(0), &[]);
}

#[test]
fn a_stream_that_does_not_begin_at_1() {
    added(Check::Chain, &[], |book| {
        let mut entry = book.draft(di().by(), "remark.made", "roll/R-7", json!({"text": "x"}));
        entry["rev"] = json!(2);
        book.put(entry)
    });
}

#[test]
fn an_act_that_recurs_or_is_torn_apart() {
    let remark = |book: &mut Forge, act: &str, change: fn(&mut Value)| {
        let mut entry = book.draft(di().by(), "remark.made", "supplier/SU-1", json!({"text": "x"}));
        entry["act"] = json!(act);
        change(&mut entry);
        book.put(entry)
    };
    let (a, b) = ("00000000-0000-4000-8000-00000000aaaa", "00000000-0000-4000-8000-00000000bbbb");
    let at_of_first = |entry: &mut Value| entry["at"] = json!(at(26));
    let mut book = sample(9);
    remark(&mut book, a, |_| {});
    remark(&mut book, a, at_of_first);
    assert!(book.verify(&without(&[])).ok(), "two entries of one act");

    added(Check::Chain, &[], |book| {
        remark(book, a, |_| {});
        remark(book, b, |_| {});
        remark(book, a, |_| {})
    });
    added(Check::Chain, &[], |book| {
        remark(book, a, |_| {});
        book.add(system(), "moon.landed", "moon/M-1", json!({}));
        remark(book, a, |_| {})
    });
    // Of one act, and not at one time; then not by one person.
    added(Check::Chain, &[], |book| {
        remark(book, a, |_| {});
        remark(book, a, |_| {})
    });
    added(Check::Chain, &[], |book| {
        remark(book, a, |_| {});
        remark(book, a, |entry| {
            entry["at"] = json!(at(26));
            entry["by"] = cy().by();
        })
    });
}

#[test]
fn a_clock_that_goes_back_unsaid() {
    added(Check::Time, &[], |book| {
        let mut entry = book.draft(di().by(), "remark.made", "supplier/SU-1", json!({"text": "x"}));
        entry["at"] = json!(at(3));
        book.put(entry)
    });
}

#[test]
fn a_step_of_the_clock_says_from_where_to_where() {
    let step = |from: u64, to: u64| {
        let mut book = sample(9);
        let body = json!({"boot": "b", "cause": "set", "from": at(from), "mono_us": 5, "to": at(to)});
        let mut entry = book.draft(system(), "clock.stepped", "book/B", body);
        entry["at"] = json!(at(3));
        book.put(entry);
        let mut after = book.draft(di().by(), "remark.made", "supplier/SU-1", json!({"text": "x"}));
        after["at"] = json!(at(4));
        book.put(after);
        book
    };
    assert!(step(LAST, 3).verify(&without(&[])).ok());
    for (from, to) in [(LAST - 1, 3), (LAST, 4)] {
        let book = step(from, to);
        finds(|options| book.verify(options), Check::Time, Some(LAST + 1), &[]);
    }
}
