//! What a person signs: everything of the streams covered, up to the entry before.

use std::collections::BTreeMap;

use tallyseal_schema::ids::Stream;
use tallyseal_schema::signature::{self, Cover, SigningKey, Statement};
use tallyseal_schema::{Body, Entry, Hash, canonical, tree};

use crate::testing::*;
use crate::{ActError, Order};

/// The cover that the entries before `n` give.
fn cover(entries: &[Entry], n: u64, stream: &Stream) -> Cover {
    let leaves: Vec<Hash> = entries
        .iter()
        .filter(|entry| entry.header.n < n && entry.header.stream == *stream)
        .map(|entry| Hash::leaf(&entry.to_bytes().unwrap()))
        .collect();
    Cover { rev: leaves.len() as u64, root: tree::root(&leaves) }
}

#[test]
fn a_signature_verifies_and_covers_what_its_own_act_wrote_before_it() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let key = SigningKey::from_seed(&[9; 32]).unwrap();
    let public = key.public();
    let receipt = book.act_blocking(Order { key: Some(key), ..order(2, person(), approve("SU-1")) }).unwrap();
    assert_eq!(receipt.entries.len(), 3);
    book.shutdown_blocking();

    let entries = verify(&plant);
    let entry = &entries[4];
    let Body::SignatureApplied(body) = &entry.body else { panic!("{entry:?}") };
    let record = stream("supplier/SU-1");
    let wanted: BTreeMap<Stream, Cover> = [record.clone(), Stream::book()]
        .map(|stream| (stream.clone(), cover(&entries, entry.header.n, &stream)))
        .into();
    assert_eq!((&body.covers, &body.record, entry.header.rev), (&wanted, &record, wanted[&record].rev + 1));
    assert_eq!(wanted[&record].rev, 2, "the registration and the remark of this very act");
    assert_eq!(body.key, signature::key_name(&public));
    let statement = Statement {
        account: &body.account,
        at: entry.header.at,
        book: &entry.header.book,
        covers: &body.covers,
        key: &body.key,
        meaning: &body.meaning,
        name: &body.name,
        record: &body.record,
        role: body.role.as_str(),
    };
    let sig = canonical::unbase64(&body.sig).unwrap();
    assert!(signature::verify(&public, &statement.bytes().unwrap(), &sig));
    assert!(!signature::verify(&public, &Statement { at: at(MORNING + 1), ..statement }.bytes().unwrap(), &sig));
}

#[test]
fn a_batch_with_a_signature_keeps_its_checkpoint_before_it_is_answered() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let kept = || std::fs::read_dir(plant.layout().checkpoints().join("000000000000")).unwrap().count();
    let before = kept();
    book.act_blocking(order(2, software(), remark("supplier/SU-1", "a word"))).unwrap();
    assert_eq!(kept(), before, "an ordinary act keeps none");
    let key = SigningKey::from_seed(&[9; 32]).unwrap();
    let receipt = book.act_blocking(Order { key: Some(key), ..order(3, person(), approve("SU-1")) }).unwrap();
    let file = plant.layout().checkpoints().join(format!("000000000000/{:016}", receipt.n + 1));
    assert_eq!(std::fs::read_to_string(file).unwrap(), receipt.checkpoint);
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn without_an_opened_key_a_password_is_asked_for_and_nothing_is_written() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    book.act_blocking(order(2, software(), sign_in())).unwrap();
    let head = book.head().unwrap();
    match book.act_blocking(order(3, person(), approve("SU-1"))) {
        Err(ActError::Refused { refusal, receipt: None }) => assert_eq!(refusal.code, "needs-password"),
        other => panic!("{other:?}"),
    }
    assert_eq!(book.head().unwrap(), head);
    let key = SigningKey::from_seed(&[9; 32]).unwrap();
    book.act_blocking(Order { key: Some(key), ..order(3, person(), approve("SU-1")) }).unwrap();
    book.shutdown_blocking();
    verify(&plant);
}
