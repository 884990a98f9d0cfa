//! How the executor ends: in order, or for good after what it cannot go on from.

use crate::ActError;
use crate::testing::*;

#[test]
fn after_a_panic_in_a_rule_nothing_is_written_any_more() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let answer = book.act_blocking(order(2, software(), remark("supplier/SU-1", "panic")));
    assert!(matches!(answer, Err(ActError::Failed { .. })), "{answer:?}");
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let why = runtime.block_on(book.stopped());
    assert_eq!(book.failure().as_deref(), Some(why.as_str()));
    assert!(why.contains("panic"), "{why}");
    // Whoever hears of it finds the book free, and as it was before.
    let again = plant.open();
    assert!(again.act_blocking(order(1, software(), register("SU-1"))).unwrap().repeated);
    let answer = book.act_blocking(order(3, software(), register("SU-3")));
    assert!(matches!(&answer, Err(ActError::Stopped(said)) if *said == why), "{answer:?}");
    again.act_blocking(order(3, software(), register("SU-3"))).unwrap();
    again.shutdown_blocking();
    assert_eq!(verify(&plant).len(), 5);
}

#[test]
fn after_an_error_of_the_database_the_whole_batch_is_undone() {
    let plant = Plant::new();
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    // Somebody writes an entry under the server: the next one cannot be put in its place.
    plant.database().execute_batch("INSERT INTO entry VALUES (3, 'roll/R-1', 1, x'00')").unwrap();
    let answer = book.act_blocking(order(2, software(), register("SU-2")));
    assert!(matches!(answer, Err(ActError::Failed { .. })), "{answer:?}");
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    assert!(runtime.block_on(book.stopped()).contains("next n"));
    assert!(plant.try_open().is_err(), "and the next start says that it is damaged");
}

#[test]
fn one_more_than_the_queue_holds_is_told_that_it_is_busy() {
    let plant = Plant { queue: 2, ..Plant::new() };
    let book = plant.open();
    book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let local = tokio::task::LocalSet::new();
    local.block_on(&runtime, async {
        let ask = |number, text: &str| {
            let (book, order) = (book.clone(), order(number, software(), remark("supplier/SU-1", text)));
            tokio::task::spawn_local(async move { book.act(order).await })
        };
        let held = ask(2, "wait");
        tokio::task::yield_now().await;
        plant.gate.until_waited();
        let waiting = [ask(3, "three"), ask(4, "four")];
        tokio::task::yield_now().await;
        let busy = book.act(order(5, software(), remark("supplier/SU-1", "five"))).await;
        assert!(matches!(busy, Err(ActError::Busy)), "{busy:?}");
        plant.gate.pass();
        held.await.unwrap().unwrap();
        for answer in waiting {
            answer.await.unwrap().unwrap();
        }
        book.act(order(5, software(), remark("supplier/SU-1", "five"))).await.unwrap();
        book.shutdown().await;
    });
    assert_eq!(verify(&plant).len(), 7);
}

#[test]
fn an_end_in_order_does_what_waits_and_keeps_a_checkpoint() {
    let plant = Plant::new();
    let book = plant.open();
    let receipt = book.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    let clone = book.clone();
    book.shutdown_blocking();
    let file = plant.layout().checkpoints().join(format!("000000000000/{:016}", receipt.n + 1));
    assert_eq!(std::fs::read_to_string(file).unwrap(), receipt.checkpoint);
    assert_eq!(clone.failure(), None);
    let answer = clone.act_blocking(order(2, software(), register("SU-2")));
    assert!(matches!(answer, Err(ActError::Stopped(_))), "{answer:?}");
    assert_eq!(clone.head().unwrap().n, receipt.n, "reading goes on");
    clone.shutdown_blocking();
    verify(&plant);
}

#[test]
fn the_last_handle_to_go_ends_the_executor() {
    let plant = Plant::new();
    let book = plant.open();
    let clone = book.clone();
    drop(book);
    clone.act_blocking(order(1, software(), register("SU-1"))).unwrap();
    drop(clone);
    plant.open().shutdown_blocking();
    verify(&plant);
}

#[test]
fn a_checkpoint_is_kept_ten_seconds_after_the_head_moved_or_after_a_thousand_entries() {
    let plant = Plant { queue: 4_096, ..Plant::new() };
    let book = plant.open();
    let kept = |receipt: &crate::Receipt| {
        plant.layout().checkpoints().join(format!("000000000000/{:016}", receipt.n + 1)).exists()
    };
    let act = |number| book.act_blocking(order(number, software(), register(&format!("SU-{number}")))).unwrap();
    let kept_now = || std::fs::read_dir(plant.layout().checkpoints().join("000000000000")).unwrap().count();
    act(1);
    plant.clock.pass(9_999_999);
    act(2);
    // An answer says that whatever was to be kept after the order before it is.
    act(3);
    assert_eq!(kept_now(), 2, "the making and the start");
    plant.clock.pass(1);
    let receipts = [act(4), act(5)];
    assert_eq!(kept_now(), 3);
    let newest = kept(&receipts[0]) || plant.layout().checkpoints().join("000000000000/0000000000000005").exists();
    assert!(newest, "in a quiet moment before the fourth act, or after it");
    std::thread::scope(|scope| {
        for caller in 1..=8_u32 {
            scope.spawn(move || (0..130).for_each(|i| drop(act(caller * 1_000 + i))));
        }
    });
    act(6);
    assert_eq!(kept_now(), 4, "and one after a thousand entries");
    book.shutdown_blocking();
    verify(&plant);
}
