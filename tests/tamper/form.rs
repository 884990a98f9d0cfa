//! Entries out of their form, order or time, in a book whose links, roots, signatures and checkpoints all fit: written by
//! somebody who has every key and a writer of their own.

use serde_json::{Value, json};

use crate::attack::Place::At;
use crate::attack::{Finding, Outside, both_over_the_dump, found, holds, sentences};
use crate::forge::Forge;
use crate::stock::{Copy, stock};

/// What an independent reader sees of it in a dump.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Dump {
    /// Both find it.
    Found,
    /// A dump has no schemas: a body that does not fit is only judged by who has them.
    NotJudged,
}

fn forged(make: impl FnOnce(&mut Forge) -> usize) -> (Copy, u64) {
    let copy = Copy::new();
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let n = make(&mut forge);
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    (copy, n as u64)
}

#[track_caller]
fn attack(checks: &[&'static str], says: &str, dump: Dump, make: impl FnOnce(&mut Forge) -> usize) {
    let (copy, n) = forged(make);
    let by: Vec<Finding> = checks.iter().map(|check| (*check, At(n))).collect();
    let with = Outside::key(&stock().key);
    found(&copy.dir(), &with, &by);
    let said = sentences(&copy.dir(), &with, checks[0]);
    assert!(said.contains(says), "{said}");
    if dump == Dump::Found {
        both_over_the_dump(&copy, &with, 1);
    } else {
        let report = with.theirs(&copy.dump()).report;
        assert!(!report["not_judged"].as_array().unwrap().is_empty(), "{report:#}");
    }
}

/// An entry that nobody signs for, with others after it.
fn session(forge: &Forge) -> usize {
    *forge.all("session.opened").last().unwrap()
}

/// A remark put in late by a person.
fn remark(forge: &mut Forge) -> usize {
    let (n, by) = (forge.last(), forge.by("U-0003"));
    forge.insert(n, by, "remark.made", "roll/R-000101", json!({ "text": "seen" }))
}

/// That entry in another form of the same JSON.
fn written(forge: &mut Forge, from: &'static str, to: &'static str) -> usize {
    let n = remark(forge);
    forge.stored_as(n, move |text| {
        assert!(text.contains(from), "{text}");
        text.replacen(from, to, 1)
    });
    n
}

macro_rules! attacks {
    // One line for each attack, so that each is a test of its own.
    ($($(#[$note:meta])* $name:ident: $checks:expr, $says:expr, $dump:expr, $make:expr;)*) => {
        $($(#[$note])* #[test] fn $name() { attack(&$checks, $says, $dump, $make); })*
    };
}

attacks! {
    white_space: ["bytes"], "canonical", Dump::Found, |forge| written(forge, ",\"by\"", ", \"by\"");
    keys_in_another_order: ["bytes"], "canonical", Dump::Found,
        |forge| written(forge, "\"stream\":\"roll/R-000101\",\"v\":1", "\"v\":1,\"stream\":\"roll/R-000101\"");
    a_key_that_is_there_twice: ["bytes"], "canonical", Dump::Found, |forge| written(forge, "\"v\":1", "\"v\":1,\"v\":1");
    an_escape_that_is_not_needed: ["bytes"], "canonical", Dump::Found, |forge| written(forge, "seen", "s\\u0065en");
    a_number_with_a_fraction: ["bytes"], "canonical", Dump::Found, |forge| written(forge, "\"v\":1", "\"v\":1.0");
    a_number_beyond_what_all_programs_read: ["bytes"], "canonical", Dump::Found,
        |forge| written(forge, "\"v\":1", "\"v\":9007199254740993");
    bytes_after_the_entry: ["bytes"], "canonical", Dump::Found, |forge| written(forge, "\"v\":1}", "\"v\":1} ");
    a_field_that_no_entry_has: ["bytes"], "form", Dump::Found, |forge| {
        let n = remark(forge);
        forge.entries[n]["zone"] = json!("x");
        n
    };
    a_kind_in_the_stream_of_another_thing: ["bytes"], "cannot stand in", Dump::Found, |forge| {
        let (n, body) = (forge.last(), forge.entries[session(forge)]["body"].clone());
        forge.insert(n, json!({ "system": "sign-in" }), "session.opened", "roll/R-000101", body)
    };
    a_body_with_a_field_too_many: ["bytes"], "does not fit", Dump::NotJudged, |forge| {
        let n = remark(forge);
        forge.entries[n]["body"]["more"] = json!(1);
        n
    };
    a_body_with_a_quantity_that_is_none: ["bytes"], "does not fit", Dump::NotJudged, |forge| {
        let n = forge.find("roll/R-000102", "roll.counted");
        forge.entries[n]["body"]["labels"] = json!(-1);
        n
    };
    a_late_entry_without_a_reason: ["bytes"], "without a reason", Dump::Found, |forge| {
        let n = remark(forge);
        forge.entries[n]["occurred"] = forge.entries[n]["at"].clone();
        n
    };
    an_entry_of_another_book: ["chain"], "another book", Dump::Found, |forge| {
        let n = remark(forge);
        forge.entries[n]["book"] = json!("label-room.example/plant-2");
        n
    };
    an_act_that_stands_at_two_places: ["chain"], "stands at an earlier place too", Dump::Found, |forge| {
        let n = remark(forge);
        let before = forge.entries.iter().find_map(|entry| entry.get("act")).unwrap().clone();
        forge.entries[n]["act"] = before;
        n
    };
    an_act_of_two_people: ["chain"], "of the same act", Dump::Found, |forge| {
        let n = remark(forge);
        let (by, act) = (forge.by("U-0004"), forge.entries[n]["act"].clone());
        forge.insert(n + 1, by, "remark.made", "roll/R-000101", json!({ "text": "seen too" }));
        forge.entries[n + 1]["act"] = act;
        n + 1
    };
    a_time_before_that_of_the_entry_before: ["time"], "is before that of the entry before", Dump::Found, |forge| {
        let n = remark(forge);
        forge.entries[n]["at"] = json!("2020-01-01T00:00:00.000000Z");
        n
    };
    a_step_of_the_clock_from_another_time: ["time"], "which was not the time before", Dump::Found,
        |forge| step(forge, "2020-01-01T00:00:00.000001Z", "2020-01-01T00:00:00.000000Z");
    a_step_of_the_clock_to_another_time: ["time"], "but the entry is of", Dump::Found, |forge| {
        let n = forge.last();
        let before = forge.entries[n - 1]["at"].as_str().unwrap().to_owned();
        let n = step(forge, &before, "2020-01-01T00:00:00.000000Z");
        forge.entries[n]["body"]["to"] = json!("2020-01-01T00:00:00.000001Z");
        n
    };
}

/// The clock steps; what comes after it has the new time or a later one.
fn step(forge: &mut Forge, from: &str, to: &str) -> usize {
    let body = json!({ "boot": "forged", "cause": "forged", "from": from, "mono_us": 1, "to": to });
    let n = forge.last();
    forge.insert(n, json!({ "system": "book" }), "clock.stepped", "book/B", body);
    forge.entries[n]["at"] = json!(to);
    n
}

#[test]
fn what_is_no_fault_is_none() {
    let all_hold = |make: fn(&mut Forge) -> usize| {
        let (copy, _) = forged(make);
        let with = Outside::key(&stock().key);
        holds(&copy.dir(), &with);
        both_over_the_dump(&copy, &with, 0);
        copy
    };
    // A clock that steps back and says so; a remark that comes late and says why.
    all_hold(|forge| {
        let before = forge.entries[forge.last() - 1]["at"].as_str().unwrap().to_owned();
        step(forge, &before, "2020-01-01T00:00:00.000000Z")
    });
    all_hold(|forge| {
        let n = remark(forge);
        forge.entries[n]["occurred"] = json!("2020-01-01T00:00:00.000000Z");
        forge.entries[n]["why"] = json!("written down on paper first");
        n
    });
    // A kind that this version does not know is counted and said.
    let copy = all_hold(|forge| {
        let n = remark(forge);
        forge.entries[n]["kind"] = json!("remark.withdrawn");
        n
    });
    let report = Outside::nothing().report(&copy.dir(), &[]);
    assert!(report.notes.iter().any(|note| note.contains("that this program does not know")), "{report}");
    // Two entries of one act, by one person at one time.
    all_hold(|forge| {
        let n = remark(forge);
        let (by, act) = (forge.entries[n]["by"].clone(), forge.entries[n]["act"].clone());
        forge.insert(n + 1, by, "remark.made", "roll/R-000102", json!({ "text": "seen" }));
        forge.entries[n + 1]["act"] = act;
        n
    });
}

#[test]
fn a_stream_with_a_gap_is_found_where_it_goes_on() {
    let copy = Copy::new();
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let n = remark(&mut forge);
    forge.mend();
    // After everything was put in order: only this number is wrong, and what comes after it fits to it.
    let rev = forge.entries[n]["rev"].as_u64().unwrap();
    let skipped = move |text: &str| text.replace(&format!("\"rev\":{rev},"), &format!("\"rev\":{},", rev + 1));
    forge.stored_as(n, skipped);
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    found(&copy.dir(), &Outside::nothing(), &[("chain", At(n as u64))]);
    both_over_the_dump(&copy, &Outside::nothing(), 1);
}

#[test]
fn an_entry_that_says_it_stands_elsewhere_is_found_at_its_place() {
    let copy = Copy::new();
    let mut forge = Forge::with_everyones_keys(&copy.dir());
    let n = remark(&mut forge);
    forge.stored_as(n, move |text| text.replace(&format!("\"n\":{n},"), &format!("\"n\":{},", n + 7)));
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
    let at = |entry: &Value| entry["n"].as_u64().unwrap();
    assert_eq!(at(&forge.entries[n]), n as u64);
    found(&copy.dir(), &Outside::nothing(), &[("chain", At(n as u64))]);
    both_over_the_dump(&copy, &Outside::nothing(), 1);
}
