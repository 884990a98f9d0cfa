//! One act, one effect: all of it or none, once, and never on what was not seen.

use std::collections::BTreeMap;
use std::sync::Barrier;

use tallyseal_control::RefusalKind;
use tallyseal_schema::{Body, By, Hash, checkpoint};

use crate::testing::*;
use crate::{ActError, Order, Receipt, Secret, SecretChange, WrappedKey};

#[track_caller]
fn refused(answer: Result<Receipt, ActError>) -> (String, Option<Receipt>) {
    match answer {
        Err(ActError::Refused { refusal, receipt }) => (refusal.code.clone(), receipt.map(|receipt| *receipt)),
        other => panic!("not refused: {other:?}"),
    }
}

#[test]
fn an_act_is_answered_with_what_it_wrote() {
    let plant = Plant::new();
    let book = plant.open();
    let receipt = book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    assert_eq!(receipt.entries, [(2, stream("supplier/SU-1"), "supplier.registered".to_owned())]);
    assert_eq!((receipt.act.clone(), receipt.first, receipt.n, receipt.repeated), (act(1), 2, 2, false));
    let note = checkpoint::parse_body(&receipt.checkpoint).unwrap();
    assert_eq!(note.size, 3);
    assert_eq!(receipt.leaf, Hash::leaf(&book.entry(2).unwrap().unwrap()));
    assert_eq!(book.checkpoint().unwrap(), receipt.checkpoint);
    assert_eq!(book.record(&stream("supplier/SU-1")).unwrap().unwrap().0, 1);
    book.shutdown_blocking();
    assert_eq!(kinds(&verify(&plant)), ["book.opened", "book.started", "supplier.registered"]);
}

#[test]
fn the_same_act_is_done_once_also_after_a_start() {
    let plant = Plant::new();
    let book = plant.open();
    let first = book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let again = book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    assert_eq!(
        (again.n, again.leaf, again.entries.clone(), again.repeated),
        (first.n, first.leaf, first.entries.clone(), true)
    );
    let other = book.act_blocking(order(1, software(), register("SU-2")));
    assert!(matches!(other, Err(ActError::OtherRequest)), "{other:?}");
    book.shutdown_blocking();
    let book = plant.open();
    let again = book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    assert_eq!((again.n, again.entries, again.repeated), (first.n, first.entries, true));
    assert!(checkpoint::parse_body(&again.checkpoint).unwrap().size > again.n);
    book.shutdown_blocking();
    assert_eq!(kinds(&verify(&plant)), ["book.opened", "book.started", "supplier.registered", "book.started"]);
}

#[test]
fn all_entries_of_an_act_are_written_or_none() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    for (number, text) in [(2, "half"), (3, "misplace"), (4, "half")] {
        let answer = book.act_blocking(order(number, software(), remark("supplier/SU-1", text)));
        assert!(matches!(answer, Err(ActError::Failed { .. })), "{text}: {answer:?}");
    }
    // Nothing is remembered of them: the same act may be tried again, and the book goes on.
    book.act_blocking(order(2, software(), remark("supplier/SU-1", "good"))).unwrap();
    assert_eq!(book.record(&stream("supplier/SU-1")).unwrap().unwrap().0, 2);
    book.shutdown_blocking();
    assert_eq!(kinds(&verify(&plant)), ["book.opened", "book.started", "supplier.registered", "remark.made"]);
}

#[test]
fn an_act_with_nothing_to_write_is_done() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let receipt = book.act_blocking(order(2, software(), remark("supplier/SU-1", "say nothing"))).unwrap();
    assert_eq!((receipt.first, receipt.n, receipt.entries.len()), (3, 2, 0));
    book.shutdown_blocking();
    verify(&plant);
}

/// Holds the executor inside an order, gives it others, and lets go: they are one batch. Gives their answers.
fn in_one_batch(plant: &Plant, orders: Vec<Order>) -> Vec<Result<Receipt, ActError>> {
    let book = plant.open();
    book.act_blocking(order(900, software(), register("SU-900"))).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let answers = runtime.block_on(async {
        let held = tokio::task::LocalSet::new();
        held.run_until(async {
            let (holder, waiting) = (book.clone(), order(901, software(), remark("supplier/SU-900", "wait")));
            let holder = tokio::task::spawn_local(async move { holder.act(waiting).await });
            tokio::task::yield_now().await;
            plant.gate.until_waited();
            let mut waiting = Vec::new();
            for order in orders {
                let book = book.clone();
                waiting.push(tokio::task::spawn_local(async move { book.act(order).await }));
                tokio::task::yield_now().await;
            }
            plant.gate.pass();
            holder.await.unwrap().unwrap();
            let mut answers = Vec::new();
            for answer in waiting {
                answers.push(answer.await.unwrap());
            }
            answers
        })
        .await
    });
    book.shutdown_blocking();
    answers
}

#[test]
fn what_was_seen_is_held_against_what_the_batch_wrote_before() {
    let plant = Plant::new();
    let seen = |number, text, rev| Order {
        expected: BTreeMap::from([(stream("supplier/SU-900"), rev)]),
        ..order(number, software(), remark("supplier/SU-900", text))
    };
    // Rev 1 is the registration, rev 2 the remark that holds the batch.
    let answers = in_one_batch(&plant, vec![seen(1, "first", 2), seen(2, "second", 2), seen(3, "third", 3)]);
    assert!(answers[0].is_ok() && answers[2].is_ok(), "{answers:?}");
    let Err(ActError::Stale(stale)) = &answers[1] else { panic!("{answers:?}") };
    let last = stale[0].last.as_ref().unwrap();
    assert_eq!((stale.len(), stale[0].expected, stale[0].rev), (1, 2, 3));
    assert_eq!((last.kind.as_str(), &last.by), ("remark.made", &software()));
    let heads: Vec<u64> = [&answers[0], &answers[2]]
        .map(|answer| checkpoint::parse_body(&answer.as_ref().unwrap().checkpoint).unwrap().size)
        .to_vec();
    assert_eq!(heads[0], heads[1], "they were one batch");
    verify(&plant);
}

#[test]
fn what_was_expected_not_to_be_there_is_stale_too() {
    let plant = Plant::new();
    let book = plant.open();
    let with = |number, expected: &[(&str, u64)]| Order {
        expected: expected.iter().map(|(name, rev)| (stream(name), *rev)).collect(),
        ..order(number, software(), register("SU-1"))
    };
    let Err(ActError::Stale(stale)) = book.act_blocking(with(1, &[("roll/R-1", 4), ("supplier/SU-1", 0)])) else {
        panic!()
    };
    assert_eq!((stale.len(), stale[0].rev, stale[0].last.is_none()), (1, 0, true));
    book.act_blocking(with(1, &[("supplier/SU-1", 0)])).unwrap();
    let Err(ActError::Stale(stale)) = book.act_blocking(with(2, &[("supplier/SU-1", 0)])) else { panic!() };
    assert_eq!((stale[0].rev, stale[0].last.as_ref().unwrap().kind.as_str()), (1, "supplier.registered"));
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn the_next_order_of_a_batch_sees_states_sets_and_numbers_of_the_last() {
    let plant = Plant::new();
    let answers = in_one_batch(
        &plant,
        vec![
            order(1, software(), register("SU-1")),
            order(2, software(), register("SU-1")),
            order(4, software(), sign_in()),
            order(3, software(), remark("supplier/SU-1", "look around")),
            order(5, software(), sign_out()),
            order(6, software(), remark("supplier/SU-1", "look around")),
            order(1, software(), register("SU-1")),
        ],
    );
    assert_eq!(refused_code(&answers[1]), "id-in-use");
    assert!(answers[6].as_ref().unwrap().repeated);
    let seen: Vec<String> = verify(&plant)
        .into_iter()
        .filter_map(|entry| match entry.body {
            Body::RemarkMade(remark) if remark.text.contains("suppliers") => Some(remark.text),
            _ => None,
        })
        .collect();
    let saw = |sessions| format!("2 suppliers, next supplier/SU-000003, {sessions} sessions");
    assert_eq!(seen, [saw(1), saw(0)]);
}

fn refused_code(answer: &Result<Receipt, ActError>) -> String {
    match answer {
        Err(ActError::Refused { refusal, .. }) => refusal.code.clone(),
        other => panic!("not refused: {other:?}"),
    }
}

#[test]
fn a_refusal_in_a_session_is_recorded_and_the_act_stays_refused() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), sign_in())).unwrap();
    book.act_blocking(order(2, software(), register("SU-1"))).unwrap();
    let (code, receipt) = refused(book.act_blocking(order(3, person(), remark("supplier/SU-1", "refuse"))));
    let receipt = receipt.unwrap();
    assert_eq!(code, "refused-here");
    assert_eq!(receipt.entries, [(4, stream("session/SE-1"), "act.refused".to_owned())]);
    let (code, again) = refused(book.act_blocking(order(3, person(), remark("supplier/SU-1", "refuse"))));
    let again = again.unwrap();
    assert_eq!((code.as_str(), again.n, again.repeated), ("refused-here", receipt.n, true));
    book.shutdown_blocking();
    let entries = verify(&plant);
    let Body::ActRefused(body) = &entries.last().unwrap().body else { panic!() };
    assert_eq!((body.code.as_str(), body.command.as_str()), ("refused-here", "remark"));
    assert_eq!((body.record.clone(), body.text.as_str()), (Some(stream("supplier/SU-1")), "It may not be. Leave it."));
    assert_eq!(
        (&entries.last().unwrap().header.by, entries.last().unwrap().header.act.clone()),
        (&person(), Some(act(3)))
    );
}

#[test]
fn a_refusal_to_a_machine_is_recorded_at_its_station() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register_station())).unwrap();
    let (_, receipt) = refused(book.act_blocking(order(2, machine(), remark("station/T-1", "refuse"))));
    assert_eq!(receipt.unwrap().entries[0].1, stream("station/T-1"));
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn a_refusal_that_does_not_matter_leaves_no_entry() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let before = book.head().unwrap();
    let cases: [(By, &str, RefusalKind); 4] = [
        (person(), "refuse", RefusalKind::Conflict),  // without a session
        (machine(), "refuse", RefusalKind::Conflict), // of no station
        (software(), "refuse", RefusalKind::Conflict),
        (software(), "ask for ever", RefusalKind::Internal),
    ];
    for (number, (by, text, kind)) in (10..).zip(cases) {
        match book.act_blocking(order(number, by, remark("supplier/SU-1", text))) {
            Err(ActError::Refused { refusal, receipt: None }) => assert_eq!(refusal.kind, kind),
            other => panic!("{text}: {other:?}"),
        }
    }
    book.act_blocking(order(2, software(), sign_in())).unwrap();
    let (_, receipt) = refused(book.act_blocking(order(20, person(), remark("supplier/SU-1", "make no sense"))));
    assert_eq!(receipt, None);
    assert_eq!(book.head().unwrap().n, before.n + 1, "only the session");
    book.shutdown_blocking();
    verify(&plant);
}

#[test]
fn many_callers_at_once_each_get_their_own_answer() {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    let start = Barrier::new(8);
    std::thread::scope(|scope| {
        for caller in 0..8_u32 {
            let (book, start) = (book.clone(), &start);
            scope.spawn(move || {
                start.wait();
                for i in 0..40 {
                    let number = caller * 100 + i;
                    let supplier = format!("SU-{number}");
                    let receipt = book.act_blocking(order(number, software(), register(&supplier))).unwrap();
                    assert_eq!(receipt.entries[0].1, stream(&format!("supplier/{supplier}")));
                    let bytes = book.entry(receipt.n).unwrap().unwrap();
                    assert_eq!(Hash::leaf(&bytes), receipt.leaf, "what was answered can be read");
                }
            });
        }
    });
    book.shutdown_blocking();
    assert_eq!(verify(&plant).len(), 2 + 8 * 40);
}

#[test]
fn live_pages_hear_of_every_entry_in_order() {
    let plant = Plant::new();
    let book = plant.open();
    let mut heard = book.subscribe();
    for number in 1..=20 {
        book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    }
    let mut told = Vec::new();
    while told.len() < 20 {
        told.push(heard.blocking_recv().unwrap().n);
    }
    assert_eq!(told, (2..22).collect::<Vec<u64>>());
    book.shutdown_blocking();
}

#[test]
fn what_a_password_opens_changes_with_the_entries_or_not_at_all() {
    let plant = Plant::new();
    let book = plant.open();
    let secret = Secret {
        account: "U-1".parse().unwrap(),
        kdf: "k".to_owned(),
        verifier: vec![1, 2],
        one_time: true,
        wrapped: Some(WrappedKey { key: Hash::of(b"key"), nonce: vec![3], ciphertext: vec![4] }),
    };
    let with = |number, supplier: &str, change| Order {
        secret: Some(change),
        ..order(number, software(), register(supplier))
    };
    book.act_blocking(with(1, "SU-1", SecretChange::Put(secret.clone()))).unwrap();
    assert_eq!(book.secret(&secret.account).unwrap().as_ref(), Some(&secret));
    let other = Secret { wrapped: None, one_time: false, ..secret.clone() };
    refused(book.act_blocking(with(2, "SU-1", SecretChange::Put(other.clone()))));
    assert_eq!(book.secret(&secret.account).unwrap().as_ref(), Some(&secret), "the act was refused");
    book.act_blocking(with(3, "SU-2", SecretChange::Put(other.clone()))).unwrap();
    assert_eq!(book.secret(&secret.account).unwrap(), Some(other));
    book.act_blocking(with(4, "SU-3", SecretChange::Remove(secret.account.clone()))).unwrap();
    assert_eq!(book.secret(&secret.account).unwrap(), None);
    assert!(!format!("{secret:?}").contains("[4]"), "a secret is not printed");
    book.shutdown_blocking();
    verify(&plant);
}
