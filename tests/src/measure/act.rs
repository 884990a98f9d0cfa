//! Whole commands at 64 callers: read, decide, entry, act, state, view, durable; and how long one waits at 500 a second.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tallyseal_book::{Book, Order};
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_tests::book::Kept;

use crate::machine::{flush_time, room, written};
use crate::table::{heading, median, result, row, thousands};
use crate::{Asked, people, replay};

/// Callers that each wait for their answer before they ask again.
const CALLERS: u64 = 64;
/// Ours and the reference, each so often, in turn.
const ROUNDS: u64 = 3;
/// The open loop: so many a second, so long.
const RATE: u64 = 500;
const OPEN_LOOP: Duration = Duration::from_secs(10);

/// What one round of ours came to.
struct Ours {
    took: Duration,
    /// The book's size after each transaction.
    ends: BTreeSet<u64>,
    /// How large it was before.
    from: u64,
    written: u64,
}

fn ours(dir: &Path, round: u64, acts: u64) -> Ours {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let book = people::open(dir);
    let from = book.head().unwrap().n + 1;
    // Made before the clock runs: what a request is made of is not the book's work.
    let mut queues: Vec<Vec<Order>> = (0..CALLERS).map(|_| Vec::new()).collect();
    for number in (0..acts).rev() {
        queues[(number % CALLERS) as usize].push(people::command(round, number));
    }
    let (before, _) = written();
    let begin = Instant::now();
    let notes = runtime.block_on(async {
        let callers: Vec<_> = queues.into_iter().map(|queue| tokio::spawn(caller(book.clone(), queue))).collect();
        let mut notes = Vec::new();
        for caller in callers {
            notes.extend(caller.await.unwrap());
        }
        notes
    });
    let took = begin.elapsed();
    let (after, _) = written();
    book.shutdown_blocking();
    let ends = notes.iter().map(|note| parse_body(note).unwrap().size).collect();
    Ours { took, ends, from, written: after - before }
}

async fn caller(book: Book, mut queue: Vec<Order>) -> Vec<String> {
    let mut notes = Vec::with_capacity(queue.len());
    while let Some(order) = queue.pop() {
        notes.push(book.act(order).await.unwrap().checkpoint);
    }
    notes
}

/// Commands at their times, whoever still waits; how long each took from when it was due. The middle, and the 99th of 100.
fn open_loop(dir: &Path) -> (Duration, Duration) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let book = people::open(dir);
    let waits: Arc<Mutex<Vec<Duration>>> = Arc::default();
    runtime.block_on(async {
        let begin = Instant::now();
        let mut asked = Vec::new();
        for number in 0..RATE * OPEN_LOOP.as_secs() {
            let due = begin + Duration::from_micros(number * 1_000_000 / RATE);
            tokio::time::sleep_until(due.into()).await;
            let (book, waits, order) = (book.clone(), Arc::clone(&waits), people::command(900, number));
            asked.push(tokio::spawn(async move {
                book.act(order).await.unwrap();
                waits.lock().unwrap().push(due.elapsed());
            }));
        }
        for one in asked {
            one.await.unwrap();
        }
    });
    book.shutdown_blocking();
    let mut waits = std::mem::take(&mut *waits.lock().unwrap());
    waits.sort_unstable();
    (waits[waits.len() / 2], waits[waits.len() * 99 / 100])
}

pub fn measure(asked: &Asked) {
    heading("act: whole commands at 64 callers, against bare SQL of the same rows in the same batches");
    let room = room();
    row("flush time seen (4 KiB, fdatasync, median)", format!("{:?}", flush_time(room.path())));
    let prepared = room.path().join("prepared");
    people::found(&prepared);
    let prepared = Kept::of(&prepared);
    let (mut rates, mut reference, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let place = |name: &str| {
            let dir = room.path().join(format!("{name}-{round}"));
            prepared.put(&dir);
            dir
        };
        let (a, b) = (place("ours"), place("reference"));
        let done = ours(&a, round, asked.acts);
        // The entry that says that the server started is no command's; it is in the rows of the reference as well.
        let batches = replay::rows(&a, done.from, &done.ends);
        catch_up(&a, &b, done.from);
        let took = replay::write(&b, &batches);
        let rate = |took: Duration| asked.acts as f64 / took.as_secs_f64();
        let (one, other) = (rate(done.took), rate(took));
        row(
            &format!("round {}: ours, reference (commands/s)", round + 1),
            format!("{}, {}; ratio {:.3}", thousands(one), thousands(other), one / other),
        );
        if round == 0 {
            let entries = std::fs::metadata(a.join("book.db")).unwrap().len() as f64;
            row("commands in a batch, on average", format!("{:.1}", asked.acts as f64 / batches.len() as f64));
            row("bytes of the database per entry", format!("{:.0}", entries / (done.from + asked.acts) as f64));
            row(
                "bytes written per command, log and checkpoints included",
                format!("{:.0}", done.written as f64 / asked.acts as f64),
            );
        }
        rates.push(one);
        reference.push(other);
        ratios.push(one / other);
    }
    let dir = room.path().join("open-loop");
    prepared.put(&dir);
    let (middle, last) = open_loop(&dir);
    row("open loop at 500/s for 10 s: p50, p99", format!("{middle:?}, {last:?}"));
    result("act", median(rates), Some((median(reference), ratios)), "commands/s");
}

/// Brings the reference's copy to where ours began: the entry that a start writes.
fn catch_up(ours: &Path, reference: &Path, from: u64) {
    let stored = tallyseal_tests::book::entries(reference).len() as u64;
    let ends = (stored + 1..=from).collect();
    replay::write(reference, &replay::rows(ours, stored, &ends));
}
