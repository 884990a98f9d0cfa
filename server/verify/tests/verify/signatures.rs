//! People's signatures, and who may not sign.

use serde_json::{Value, json};
use tallyseal_schema::Time;
use tallyseal_schema::canonical::base64;
use tallyseal_schema::signature::SigningKey;
use tallyseal_verify::Check;

use crate::fixture::places::*;
use crate::fixture::*;

#[test]
fn a_signature_that_covers_less_than_its_streams() {
    added(Check::Signatures, &[], |book| {
        let leaves = book.stream("count/C-1");
        let less = &leaves[..leaves.len() - 1];
        let root = tallyseal_schema::tree::root(less).hex();
        let cover = json!({"rev": less.len(), "root": root});
        book.sign_changed(&cy(), "counted", "count/C-1", &[], |body| body["covers"]["count/C-1"] = cover.clone())
    });
    added(Check::Signatures, &[], |book| {
        let root = tallyseal_schema::tree::root(&book.stream("plugin/P-1")[..1]).hex();
        let cover = json!({"rev": 1, "root": root});
        let also = ["plugin/P-1"];
        book.sign_changed(&cy(), "counted", "count/C-1", &also, |body| body["covers"]["plugin/P-1"] = cover.clone())
    });
}

#[test]
fn a_signature_over_another_root() {
    added(Check::Signatures, &[], |book| {
        book.sign_changed(&cy(), "counted", "count/C-1", &["plugin/P-1"], |body| {
            body["covers"]["plugin/P-1"]["root"] = json!("ab".repeat(32));
        })
    });
}

#[test]
fn a_signature_over_nothing_or_not_over_its_record() {
    added(Check::Signatures, &[], |book| {
        book.sign_changed(&cy(), "counted", "count/C-1", &[], |body| body["covers"] = json!({}))
    });
    added(Check::Signatures, &[], |book| {
        book.sign_changed(&cy(), "counted", "count/C-1", &["plugin/P-1"], |body| {
            body["covers"].as_object_mut().unwrap().remove("count/C-1");
        })
    });
    added(Check::Signatures, &[], |book| {
        book.sign_changed(&cy(), "counted", "count/C-1", &[], |body| {
            body["covers"]["roll/R-1"] = json!({"rev": 1, "root": "ab".repeat(32)});
        })
    });
}

#[test]
fn a_signature_moved_to_another_record() {
    added(Check::Signatures, &[], |book| {
        let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
        entry["stream"] = json!("count/C-2");
        entry["rev"] = json!(1);
        book.put(entry)
    });
}

#[test]
fn a_signature_with_the_key_of_another_person() {
    // Named as theirs, and used under the signer's name.
    added(Check::Signatures, &[], |book| {
        let forged = Person { key: di().key, ..cy() };
        book.sign(&forged, "counted", "count/C-1", &[])
    });
    added(Check::Signatures, &[], |book| {
        let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
        let other = book.signature(&Person { key: di().key, ..cy() }, "counted", "count/C-1", &[], |body| {
            body["key"] = json!(cy().key_name().hex());
        });
        entry["body"]["sig"] = other["body"]["sig"].clone();
        book.put(entry)
    });
}

#[test]
fn a_signature_with_a_key_that_was_retired_or_never_confirmed() {
    added(Check::Signatures, &[], |book| {
        let body = json!({"account": "U-3", "key": cy().key_name().hex()});
        book.add(ada().by(), "account.key_retired", "account/U-3", body);
        book.sign(&cy(), "counted", "count/C-1", &[])
    });
    let eve = || person("U-5", "Eve", "label_room", 5);
    added(Check::Signatures, &[], |book| {
        book.enrol(bo().by(), &eve(), false);
        book.enrol_key(eve().by(), &eve(), &eve().key, None);
        book.sign(&eve(), "counted", "count/C-1", &[])
    });
    // Confirmed by oneself: said by both.
    let mut book = sample(9);
    let boss = person("U-6", "Gil", "administrator", 6);
    book.enrol(bo().by(), &boss, false);
    book.enrol_key(boss.by(), &boss, &boss.key, None);
    let n = book.sign(&boss, "identity confirmed", "account/U-6", &[]);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[Check::Separation]);
}

#[test]
fn a_confirmation_that_is_not_good_confirms_nothing() {
    let eve = || person("U-5", "Eve", "label_room", 5);
    let mut book = sample(9);
    book.enrol(bo().by(), &eve(), false);
    book.enrol_key(eve().by(), &eve(), &eve().key, None);
    let bad = book.sign(&ada(), "identity confirmed", "account/U-5", &[]);
    book.change(bad, |entry| entry["body"]["sig"] = json!(base64([9; 64])));
    let n = book.sign(&eve(), "counted", "count/C-1", &[]);
    let report = book.verify(&without(&[]));
    assert_eq!(found(&report), [("signatures".to_owned(), Some(bad)), ("signatures".to_owned(), Some(n))], "{report}");
}

#[test]
fn only_a_founders_first_key_confirms_unconfirmed_and_only_the_other_founder() {
    // Neither founder is confirmed yet, and one confirms a third person.
    let mut book = Forge::empty(9);
    book.open();
    for founder in [ada(), bo()] {
        book.enrol(system(), &founder, true);
        book.enrol_key(system(), &founder, &founder.key, None);
    }
    let eve = person("U-5", "Eve", "label_room", 5);
    book.enrol(bo().by(), &eve, false);
    book.enrol_key(eve.by(), &eve, &eve.key, None);
    let n = book.sign(&ada(), "identity confirmed", "account/U-5", &[]);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[]);
    // A founder's second key, not confirmed, cannot confirm the other founder.
    let new = SigningKey::from_seed(&[34; 32]).unwrap();
    let mut book = sample(9);
    let retired = json!({"account": "U-1", "key": ada().key_name().hex()});
    book.add(bo().by(), "account.key_retired", "account/U-1", retired);
    book.enrol_key(ada().by(), &ada(), &new, Some(ada().key_name()));
    let renewed = Person { key: new, ..ada() };
    let n = book.sign(&renewed, "identity confirmed", "account/U-2", &[]);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[]);
}

#[test]
fn a_second_use_of_a_signature() {
    let mut book = sample(9);
    let sig = book.values[COUNTED as usize]["body"]["sig"].clone();
    let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
    entry["body"]["sig"] = sig;
    let n = book.put(entry);
    finds(|options| book.verify(options), Check::Signatures, Some(n), &[]);
    let report = book.verify(&without(&[]));
    assert!(report.faults.iter().any(|fault| fault.what.contains("used at an earlier entry")), "{report}");
}

#[test]
fn a_signature_whose_statement_was_changed_after_it() {
    let cases: [(&str, fn(&mut Value)); 3] = [
        ("the meaning", |entry| entry["body"]["meaning"] = json!("examined")),
        ("the time", |entry| entry["at"] = json!("2027-01-01T00:00:00.000000Z")),
        ("no signature at all", |entry| entry["body"]["sig"] = json!("AAAA")),
    ];
    for (what, change) in cases {
        println!("{what}");
        let mut book = sample(9);
        let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
        change(&mut entry);
        let n = book.put(entry);
        let also: &[Check] = if what == "the meaning" { &[Check::Separation] } else { &[] };
        finds(|options| book.verify(options), Check::Signatures, Some(n), also);
    }
}

#[test]
fn a_signer_who_is_not_the_author() {
    for (field, value) in [("account", json!("U-4")), ("name", json!("Di Amato")), ("role", json!("supervisor"))] {
        println!("{field}");
        added(Check::Signatures, &[], |book| {
            let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
            entry["by"][field] = value.clone();
            book.put(entry)
        });
    }
    added(Check::Signatures, &[], |book| {
        let mut entry = book.signature(&cy(), "counted", "count/C-1", &[], |_| {});
        entry["by"] = system();
        book.put(entry)
    });
}

#[test]
fn a_signer_whose_account_is_not_open_had_ended_or_lost_the_role() {
    added(Check::Signatures, &[], |book| {
        let eve = person("U-5", "Eve", "label_room", 5);
        book.sign(&eve, "counted", "count/C-1", &[])
    });
    added(Check::Signatures, &[], |book| {
        book.add(ada().by(), "account.disabled", "account/U-3", json!({"account": "U-3"}));
        book.sign(&cy(), "counted", "count/C-1", &[])
    });
    added(Check::Signatures, &[], |book| {
        let body = json!({"account": "U-3", "roles": [grant("line")]});
        book.add(ada().by(), "account.roles_changed", "account/U-3", body);
        book.sign(&cy(), "counted", "count/C-1", &[])
    });
}

#[test]
fn a_signature_in_a_role_that_had_expired() {
    // Cy signs at the end of the grant, a microsecond before it, and in a role that another grant of the same keeps open.
    let signed = |end: i64, more: &[Value]| {
        let mut book = sample(9);
        let signs: Time = at(book.size() + 1).parse().unwrap();
        let mut granted = vec![grant("label_room")];
        granted[0]["until"] = json!(signs.plus_micros(end));
        granted.extend_from_slice(more);
        let body = json!({"account": "U-3", "roles": granted});
        book.add(ada().by(), "account.roles_changed", "account/U-3", body);
        let n = book.sign(&cy(), "counted", "count/C-1", &[]);
        assert_eq!(book.values[usize::try_from(n).unwrap()]["at"], json!(signs));
        let report = book.verify(&without(&[]));
        report.faults.into_iter().map(|fault| (fault.n, fault.what)).collect::<Vec<_>>()
    };
    for end in [0, -1, -86_400_000_000] {
        let faults = signed(end, &[grant("line")]);
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(faults[0].1.starts_with("the role label_room of account U-3 had expired at "), "{faults:?}");
    }
    assert_eq!(signed(1, &[]), []);
    assert_eq!(signed(0, &[grant("label_room")]), []);
    added(Check::Signatures, &[], |book| {
        let mut granted = grant("label_room");
        granted["until"] = json!(at(0));
        let body = json!({"account": "U-3", "roles": [granted]});
        book.add(ada().by(), "account.roles_changed", "account/U-3", body);
        book.sign(&cy(), "counted", "count/C-1", &[])
    });
}

#[test]
fn each_fault_of_a_signature_is_said() {
    let eve = person("U-5", "Eve", "label_room", 5);
    let mut book = sample(9);
    book.sign(&eve, "counted", "count/C-1", &[]);
    let what: Vec<String> = book.verify(&without(&[])).faults.into_iter().map(|fault| fault.what).collect();
    assert_eq!(what, ["account U-5 was not open", "the key is none of account U-5's"]);
}

#[test]
fn a_signature_is_void_after_content_and_stands_after_anything_else() {
    let mut book = sample(9);
    let found = json!({"check": "silence", "text": "quiet"});
    book.add(system(), "count.exception_found", "count/C-1", found);
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert_eq!((report.signatures.standing, report.signatures.void), (5, 2));
}

#[test]
fn one_who_did_or_signed_what_excludes() {
    // Di closed the count and checks it.
    let mut book = sample(9);
    let closed = json!({"exceptions": 0, "faults": {}, "labels": 3, "labels_seen": 3, "machine_total": 3});
    book.add(di().by(), "count.closed", "count/C-1", closed);
    let n = book.sign(&di(), "count checked", "count/C-1", &[]);
    finds(|options| book.verify(options), Check::Separation, Some(n), &[]);
    // In a covered stream that is not the record.
    let mut book = sample(9);
    book.add(di().by(), "remark.made", "count/C-2", json!({"text": "x"}));
    let closed = json!({"exceptions": 0, "faults": {}, "labels": 3, "labels_seen": 3, "machine_total": 3});
    book.add(di().by(), "count.closed", "count/C-3", closed);
    let n = book.sign(&di(), "count checked", "count/C-2", &["count/C-3"]);
    finds(|options| book.verify(options), Check::Separation, Some(n), &[]);
    // Gave the other signature: counted, and checks.
    let both = || person("U-7", "Fay", "label_room", 7);
    let mut book = sample(9);
    book.join(&both());
    book.sign(&both(), "counted", "count/C-1", &[]);
    let n = book.sign(&both(), "count checked", "count/C-1", &[]);
    finds(|options| book.verify(options), Check::Separation, Some(n), &[]);
}

#[test]
fn a_meaning_on_a_thing_or_in_a_role_that_it_is_not_for() {
    added(Check::Separation, &[], |book| book.sign(&cy(), "counted", "supplier/SU-1", &[]));
    added(Check::Separation, &[], |book| book.sign(&bo(), "counted", "count/C-1", &[]));
}

#[test]
fn a_meaning_that_is_not_in_the_table_is_not_judged_and_counted() {
    let mut book = sample(9);
    book.sign(&bo(), "moon approved", "count/C-1", &[]);
    let report = book.verify(&without(&[]));
    assert!(report.ok(), "{report}");
    assert!(report.notes.iter().any(|note| note.starts_with("separation: 1 not judged")), "{report}");
}
