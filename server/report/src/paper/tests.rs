use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use tallyseal_schema::checkpoint::{self, Checkpoint};
use tallyseal_schema::entry::Header;
use tallyseal_schema::signature::SigningKey;
use tallyseal_schema::{Body, Entry, Hash};

use super::*;
use crate::told::CHANGES;

const AT: &str = "2026-11-26T10:00:00.000000Z";
const ORDER: &str = "order/PO-1";

/// An entry, the next one of the book.
fn entry(n: u64, rev: u64, stream: &str, kind: &str, body: &Value) -> Entry {
    let by =
        json!({ "account": "U-1", "device": "D-1", "name": "Ana Invented", "role": "supervisor", "session": "S-1" });
    let header = Header {
        act: None,
        at: AT.parse().unwrap(),
        book: "label-room.example/plant-1".parse().unwrap(),
        by: serde_json::from_value(by).unwrap(),
        kind: kind.to_owned(),
        n,
        occurred: None,
        prev: Hash::ZERO,
        rev,
        stream: stream.parse().unwrap(),
        v: 1,
        why: Some("it was wrong".to_owned()),
    };
    let body = serde_json::value::to_raw_value(body).unwrap();
    Entry { body: Body::read(kind, 1, &body).unwrap(), header }
}

fn opened() -> Entry {
    let body = json!({
        "format": 1, "hash": "sha-256", "name": "label-room.example/plant-1", "public_key": "AAAA", "sign": "ed25519",
        "software": "tallyseal 0.1.0", "zone": "Europe/Prague",
    });
    entry(0, 1, "book/B", "book.opened", &body)
}

fn limit() -> Value {
    json!({ "labels": 1, "ratio": { "num": 2, "den": 100 } })
}

fn planned(product: &str) -> Value {
    json!({
        "dosage_form": "tablets", "kind": "commercial", "line": "line/LN-1",
        "lots": [{ "expiry": "2028-03", "lot": "LOT-A", "units": 240 }], "market": "XX",
        "master": { "id": "MR-1", "version": "3" },
        "materials": [{
            "allowance": { "fixed": 1, "per_roll_change": 2, "ratio": { "num": 1, "den": 100 } }, "coding": "line",
            "item": "item/I-1", "labels_per_unit": { "num": 1, "den": 1 }, "limit_set": "limit_set/LS-1", "material": 1,
        }],
        "pack": "30", "procedures": [], "product": product,
    })
}

fn bytes(entries: &[Entry]) -> BTreeMap<u64, Vec<u8>> {
    entries.iter().map(|entry| (entry.header.n, entry.to_bytes().unwrap())).collect()
}

/// Checkpoint C1 of a book of that size.
fn note(size: u64) -> String {
    let origin = "label-room.example/plant-1".parse().unwrap();
    let key = SigningKey::from_seed(&[7; 32]).unwrap();
    checkpoint::sign(&Checkpoint { origin, size, root: Hash::ZERO }, &key)
}

fn gathered(entries: Vec<Entry>, record: &str) -> Gathered {
    let (places, streams) = super::gathered::placed(entries);
    // Not folded: what stands on the paper about a correction follows from entries alone.
    Gathered {
        checkpoint: checkpoint::parse_body(&note(99)).unwrap(),
        key: String::new(),
        newest: AT.parse().unwrap(),
        places,
        record: record.parse().unwrap(),
        records: BTreeMap::new(),
        streams,
        zone: chrono_tz::Europe::Prague,
    }
}

/// A kind, its stream, what stood before in it, and what it says.
type Case = (&'static str, &'static str, Vec<(&'static str, Value)>, Value);

/// Each kind that puts something right.
fn corrections() -> Vec<Case> {
    let role = |role: &str| json!([{ "role": role, "training": "TR-1" }]);
    let devices =
        |name: &str| json!([{ "calibration_due": AT, "digits": 6, "id": "DP-1", "kind": "dispenser", "name": name }]);
    let deviation = || {
        ("deviation.opened", json!({ "about": ["roll/R-1"], "rule": "person", "severity": "minor", "text": "a tear" }))
    };
    let interim = |text: &str| json!({ "decision": "stop", "text": text });
    let cause = || json!({ "cause": "deviation/DV-1" });
    let quantity = json!({
        "lot": "LOT-A", "quantity": 7, "units": 204,
        "source": { "how": "device", "device": "UC-1", "start": 0, "end": 204, "wraps": 0 },
    });
    let enrolled = json!({
        "account": "U-9", "founder": false, "identity": "seen", "name": "Ned Invented", "roles": role("line"),
    });
    let disposition = json!({
        "disposition": "taken_out", "fate": "waste", "fault": "splice", "first": 40, "labels": 4, "last": 40,
        "superseded": [{ "disposition": "left", "last": 40, "ordinal": 40 }],
    });
    let stepped =
        json!({ "boot": "b", "cause": "set by hand", "from": AT, "mono_us": 1, "to": "2026-11-26T09:00:00.000000Z" });
    vec![
        ("account.disabled", "account/U-9", vec![], json!({ "account": "U-9" })),
        ("account.key_retired", "account/U-9", vec![], json!({ "account": "U-9", "key": "0".repeat(64) })),
        ("account.password_reset", "account/U-9", vec![], json!({ "account": "U-9" })),
        (
            "account.roles_changed",
            "account/U-9",
            vec![("account.enrolled", enrolled)],
            json!({ "account": "U-9", "roles": role("supervisor") }),
        ),
        ("clock.stepped", "book/B", vec![], stepped),
        ("count.aborted", "count/C-1", vec![], json!({})),
        ("count.disposition_corrected", "count/C-1", vec![], disposition),
        ("delivery.hold_lifted", "delivery/D-1", vec![], cause()),
        ("deviation.assessed", "deviation/DV-1", vec![deviation()], json!({ "impact": "none", "severity": "major" })),
        ("deviation.due_extended", "deviation/DV-1", vec![deviation()], json!({ "due": AT })),
        (
            "deviation.interim_decided",
            "deviation/DV-1",
            vec![deviation(), ("deviation.interim_decided", interim("by hand"))],
            interim("not at all"),
        ),
        ("deviation.scope_extended", "deviation/DV-1", vec![deviation()], json!({ "about": ["roll/R-2"] })),
        ("issue.withdrawn", "issue/IS-1", vec![], json!({})),
        ("item.obsoleted", "item/I-1", vec![], json!({ "rule": "immediate" })),
        ("limit_set.withdrawn", "limit_set/LS-1", vec![], json!({})),
        (
            "line.devices_changed",
            "line/LN-1",
            vec![("line.registered", json!({ "devices": devices("old"), "name": "Line 1", "place": "hall 3" }))],
            json!({ "devices": devices("new") }),
        ),
        ("order.hold_lifted", ORDER, vec![], cause()),
        ("order.quantity_withdrawn", ORDER, vec![("order.units_recorded", quantity)], json!({ "quantity": 7 })),
        (
            "order.reconciled",
            ORDER,
            vec![("order.reconciled", json!({ "material": 1, "reconciliation": "reconciliation/RC-1" }))],
            json!({ "material": 1, "reconciliation": "reconciliation/RC-2" }),
        ),
        ("order.reopened", ORDER, vec![("order.approved", json!({}))], json!({})),
        ("order.voided", ORDER, vec![], json!({})),
        ("roll.count_doubted", "roll/R-1", vec![], json!({ "count": "count/C-1", "station": "station/T-1" })),
        ("roll.hold_lifted", "roll/R-1", vec![], cause()),
        ("roll.issue_withdrawn", "roll/R-1", vec![], json!({ "issue": "issue/IS-1" })),
        ("roll.obsoleted", "roll/R-1", vec![], json!({ "item": "item/I-1" })),
        ("station.doubted", "station/T-1", vec![], json!({ "roll": "roll/R-1" })),
        ("test_roll.withdrawn", "test_roll/TR-1", vec![], json!({})),
    ]
}

#[test]
fn each_kind_that_puts_something_right_has_an_old_and_a_new_value_on_the_paper() {
    let all = corrections();
    // Those that the pages mark as changes, and those that lift, decide or account anew.
    let kinds: BTreeSet<&str> = all.iter().map(|(kind, ..)| *kind).collect();
    let left: Vec<_> = CHANGES.iter().filter(|kind| !kinds.contains(*kind)).collect();
    assert!(left.is_empty(), "{left:?}");
    for (kind, stream, earlier, body) in all {
        let mut entries = vec![];
        for (kind, body) in &earlier {
            let n = entries.len() as u64 + 1;
            entries.push(entry(n, n, stream, kind, body));
        }
        let n = entries.len() as u64 + 1;
        entries.push(entry(n, n, stream, kind, &body));
        let gathered = gathered(entries, stream);
        let corrections = corrections::corrections_of(&gathered, &gathered.record);
        let [Block::Correction(finding)] = corrections.as_slice() else { panic!("{kind}: {corrections:?}") };
        let (old, new) = finding.change.as_ref().unwrap();
        assert!(!old.is_empty() && !new.is_empty() && old != new, "{kind}: {old:?} {new:?}");
        assert_eq!((finding.n, finding.why.as_deref()), (n, Some("it was wrong")), "{kind}");
        assert!(finding.who.contains("Ana Invented (U-1), supervisor"), "{}", finding.who);
    }
}

#[test]
fn what_is_said_for_the_first_time_is_no_correction() {
    let assessed = json!({ "impact": "none", "severity": "minor" });
    let opened = json!({ "about": ["roll/R-1"], "rule": "person", "severity": "minor", "text": "a tear" });
    let reconciled = |material: u64| json!({ "material": material, "reconciliation": "reconciliation/RC-1" });
    let interim = json!({ "decision": "stop", "text": "by hand" });
    for (stream, kinds) in [
        ("deviation/DV-1", [("deviation.opened", opened.clone()), ("deviation.assessed", assessed)]),
        ("deviation/DV-1", [("deviation.opened", opened), ("deviation.interim_decided", interim)]),
        (ORDER, [("order.reconciled", reconciled(1)), ("order.reconciled", reconciled(2))]),
    ] {
        let entries = kinds.iter().zip(1..).map(|((kind, body), n)| entry(n, n, stream, kind, body)).collect();
        let gathered = gathered(entries, stream);
        assert_eq!(corrections::corrections_of(&gathered, &gathered.record), []);
    }
}

#[test]
fn a_late_entry_says_both_times_wherever_it_stands() {
    let mut late = entry(1, 1, ORDER, "order.planned", &planned("Demonstrol"));
    late.header.occurred = Some("2026-11-26T07:30:00.000000Z".parse().unwrap());
    let entries = bytes(&[opened(), late]);
    let paper = of(&ORDER.parse().unwrap(), &entries, &note(2), "key", "tallyseal", Sheet::A4).unwrap();
    // Prague: UTC+1 in winter (IANA time zone database).
    let both =
        ["26 Nov 2026 08:30:00 +01:00 (2026-11-26T07:30:00.000000Z)", "26 Nov 2026 11:00:00 +01:00", "2 h later"];
    let exceptions: Vec<&Finding> = blocks(&paper)
        .filter_map(|block| match block {
            Block::Exception(finding) => Some(finding),
            _ => None,
        })
        .collect();
    let [late] = exceptions.as_slice() else { panic!("{exceptions:?}") };
    assert_eq!((late.grade, late.sort.as_str()), (Some(2), "Late entry"));
    let trail = paper.sections.iter().find(|section| section.title == "Audit trail").unwrap();
    let row = trail.blocks.iter().find_map(|block| match block {
        Block::Table { rows, .. } => rows.get(1),
        _ => None,
    });
    let row = row.unwrap();
    for text in both {
        assert!(late.trail.iter().any(|line| line.contains(text)), "{text} is not in {:?}", late.trail);
        assert!(row.cells.iter().any(|cell| cell.contains(text)), "{text} is not in {:?}", row.cells);
    }
    assert_eq!(row.tone, Tone::Grave);
}

fn blocks(paper: &Paper) -> impl Iterator<Item = &Block> {
    paper.cover.iter().chain(paper.sections.iter().flat_map(|section| &section.blocks))
}

#[test]
fn what_people_write_is_on_the_paper_as_they_wrote_it() {
    let product = "#panic(\"x\") *b* $x$ _a_b_ \u{202e}tablets\u{202c} \u{1f9ea} \u{5d0}\u{5d1} <b>";
    let entries = bytes(&[opened(), entry(1, 1, ORDER, "order.planned", &planned(product))]);
    let paper = of(&ORDER.parse().unwrap(), &entries, &note(2), "key", "tallyseal", Sheet::Letter).unwrap();
    let on_cover = blocks(&paper).any(|block| match block {
        Block::Fields { fields } => fields.iter().any(|field| field.name == "Product" && field.value == product),
        _ => false,
    });
    assert!(on_cover);
    let in_trail = blocks(&paper).any(|block| match block {
        Block::Table { rows, small: true, .. } => {
            rows.iter().any(|row| row.cells.iter().any(|cell| cell.contains(product)))
        }
        _ => false,
    });
    assert!(in_trail);
    assert_eq!((paper.sheet, paper.record.as_str()), (Sheet::Letter, ORDER));
}

#[test]
fn a_word_of_the_record_is_put_into_words_and_the_same_letters_of_a_person_are_not() {
    let gathered = gathered(vec![opened()], "book/B");
    let body = json!({ "about": ["roll/R-1"], "rule": "wrong_code", "severity": "minor", "text": "wrong_label" });
    let told = body::fields(&gathered, &entry(1, 1, "deviation/DV-1", "deviation.opened", &body));
    let said = |name: &str| told.iter().find(|(one, _)| one == name).map(|(_, text)| text.as_str());
    assert_eq!((said("Rule"), said("Text")), (Some("wrong code"), Some("wrong_label")), "{told:?}");
}

#[test]
fn numbers_of_a_body_have_their_units_and_thousands() {
    let gathered = gathered(vec![opened()], "book/B");
    let body = json!({
        "basis": "provisional", "data": "none yet", "item_code": "L-1", "uncertainty": 1_200,
        "limits": { "over": limit(), "product_over": limit(), "product_short": limit(), "short": limit() },
    });
    let told = body::fields(&gathered, &entry(1, 1, "limit_set/LS-1", "limit_set.drafted", &body));
    assert!(told.contains(&("Uncertainty of one count".to_owned(), "1\u{2009}200 labels".to_owned())), "{told:?}");
    assert!(told.contains(&("Limits, over, at most, of what was issued".to_owned(), "2/100".to_owned())), "{told:?}");
}

#[test]
fn a_record_without_entries_and_entries_without_a_book_make_no_paper() {
    let of = |entries: &[Entry], record: &str, note: &str| {
        super::of(&record.parse().unwrap(), &bytes(entries), note, "key", "tallyseal", Sheet::A4)
            .unwrap_err()
            .to_string()
    };
    let planned = entry(1, 1, ORDER, "order.planned", &planned("Demonstrol"));
    assert!(of(&[opened(), planned.clone()], "order/PO-2", &note(2)).contains("nothing of order/PO-2"));
    assert!(of(&[planned], ORDER, &note(2)).contains("time zone"));
    assert!(of(&[opened()], "book/B", "no checkpoint").contains("the checkpoint cannot be read"));
    // What follows nothing is no record.
    let lone = entry(1, 1, ORDER, "order.approved", &json!({}));
    assert!(of(&[opened(), lone], ORDER, &note(2)).contains("entry 1 cannot be printed"));
}

#[test]
fn clauses_are_cited_once_each_and_say_what_they_ask() {
    let cites: BTreeSet<&str> = clauses::CLAUSES.iter().map(|clause| clause.cite).collect();
    assert_eq!(cites.len(), clauses::CLAUSES.len());
    assert!(clauses::CLAUSES.iter().all(|clause| !clause.asks.is_empty() && !clause.cite.contains(';')));
}
