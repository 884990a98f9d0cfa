//! The book's key, and the keys of accounts.

use serde_json::json;
use tallyseal_schema::canonical::base64;
use tallyseal_schema::signature::SigningKey;
use tallyseal_verify::Check;

use crate::fixture::*;

#[test]
fn an_entry_0_that_opens_no_book_of_format_1() {
    for (field, value) in [
        ("format", json!(2)),
        ("hash", json!("sha-512")),
        ("sign", json!("ed448")),
        ("zone", json!("")),
        ("public_key", json!("AAAA")),
    ] {
        println!("{field}");
        let mut book = Forge::empty(9);
        book.open();
        book.change(0, |entry| entry["body"][field] = value.clone());
        for founder in [ada(), bo()] {
            book.enrol(system(), &founder, true);
        }
        finds(|options| book.verify(options), Check::Keys, Some(0), &[]);
    }
    let mut book = Forge::empty(9);
    book.add(
        system(),
        "book.started",
        "book/B",
        json!({
            "boot": "", "clock": "", "engine": "", "mono_us": 0, "schemas": "00".repeat(32), "software": "",
            "store": "", "synchronised": "unknown",
        }),
    );
    for founder in [ada(), bo()] {
        book.enrol(system(), &founder, true);
    }
    finds(|options| book.verify(options), Check::Keys, Some(0), &[]);
    let mut book = Forge::empty(9);
    book.open();
    book.change(0, |entry| entry["stream"] = json!("book/C"));
    for founder in [ada(), bo()] {
        book.enrol(system(), &founder, true);
    }
    finds(|options| book.verify(options), Check::Keys, Some(0), &[]);
}

#[test]
fn a_book_opened_twice_or_without_its_two_founders() {
    added(Check::Keys, &[], Forge::open);
    added(Check::Keys, &[], |book| book.enrol(system(), &person("U-9", "Third", "reviewer", 19), true));
    let mut book = Forge::empty(9);
    book.open();
    book.enrol(system(), &ada(), true);
    finds(|options| book.verify(options), Check::Keys, None, &[]);
}

#[test]
fn accounts_and_keys_that_are_not_in_order() {
    let eve = || person("U-5", "Eve", "label_room", 5);
    added(Check::Keys, &[], |book| book.enrol(bo().by(), &cy(), false));
    // A key for nobody's account; a second key that names no key before it, or a wrong one; another's key.
    added(Check::Keys, &[], |book| book.enrol_key(eve().by(), &eve(), &eve().key, None));
    added(Check::Keys, &[], |book| book.enrol_key(cy().by(), &cy(), &eve().key, None));
    added(Check::Keys, &[], |book| book.enrol_key(cy().by(), &cy(), &eve().key, Some(di().key_name())));
    added(Check::Keys, &[], |book| {
        book.enrol(bo().by(), &eve(), false);
        book.enrol_key(eve().by(), &eve(), &cy().key, None)
    });
    for (field, value) in [
        ("proof", json!(base64([7; 64]))),
        ("proof", json!("no base64")),
        ("key", json!("ab".repeat(32))),
        ("public_key", json!("AAAA")),
    ] {
        println!("{field} {value}");
        added(Check::Keys, &[], |book| {
            book.enrol(bo().by(), &eve(), false);
            let n = book.enrol_key(eve().by(), &eve(), &eve().key, None);
            book.change(n, |entry| entry["body"][field] = value.clone());
            n
        });
    }
    // In the stream of another account.
    added(Check::Keys, &[], |book| {
        let body = json!({"account": "U-3"});
        book.add(ada().by(), "account.disabled", "account/U-4", body)
    });
    added(Check::Keys, &[], |book| {
        let body = json!({"account": "U-3", "key": di().key_name().hex()});
        book.add(ada().by(), "account.key_retired", "account/U-3", body)
    });
}

#[test]
fn a_key_that_follows_another_and_is_confirmed_is_good() {
    let new = || SigningKey::from_seed(&[33; 32]).unwrap();
    let renewed = |confirm: bool| {
        let mut book = sample(9);
        let retired = json!({"account": "U-3", "key": cy().key_name().hex()});
        book.add(ada().by(), "account.key_retired", "account/U-3", retired);
        book.enrol_key(cy().by(), &cy(), &new(), Some(cy().key_name()));
        if confirm {
            book.sign(&ada(), "identity confirmed", "account/U-3", &[]);
        }
        let renewed = Person { key: new(), ..cy() };
        let n = book.sign(&renewed, "counted", "count/C-1", &[]);
        (book, n)
    };
    assert!(renewed(true).0.verify(&without(&[])).ok());
    let (book, n) = renewed(false);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[]);
}
