//! One durable command alone: how much of the processor it takes, and how often the disk is made to write.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use tallyseal_tests::book::Kept;

use crate::machine::{cpu, flush_time, room, written};
use crate::table::{heading, result, row};
use crate::{Asked, people};

/// Commands that are given one after another.
const COMMANDS: u64 = 3_000;
/// In the two counted runs: what both have in common is the start and the end.
const FEW: u64 = 100;
const MANY: u64 = 600;

pub fn measure(asked: &Asked) {
    heading("commit: one durable command alone");
    let room = room();
    let flush = flush_time(room.path());
    row("flush time seen (4 KiB, fdatasync, median)", format!("{flush:?}"));
    let prepared = room.path().join("prepared");
    people::found(&prepared);
    let prepared = Kept::of(&prepared);
    let commands = asked.acts.min(COMMANDS);

    let dir = room.path().join("alone");
    prepared.put(&dir);
    let book = people::open(&dir);
    let orders: Vec<_> = (0..commands).map(|number| people::command(0, number)).collect();
    let ((bytes, calls), spent, begin) = (written(), cpu(), Instant::now());
    for order in orders {
        book.act_blocking(order).unwrap();
    }
    let (took, spent, (bytes_after, calls_after)) = (begin.elapsed(), cpu() - spent, written());
    book.shutdown_blocking();
    let each = |total: f64| total / commands as f64;
    let us = each(spent.as_secs_f64() * 1e6);
    row("commands, one after another", commands);
    row("time per command", format!("{:.0} us", each(took.as_secs_f64() * 1e6)));
    row("processor time per command (caller and executor)", format!("{us:.1} us"));
    row("bytes written per command (/proc/self/io)", format!("{:.0}", each((bytes_after - bytes) as f64)));
    row("system calls that write, per command (/proc/self/io)", format!("{:.2}", each((calls_after - calls) as f64)));

    let counted = |acts: u64| {
        let dir = room.path().join(format!("counted-{acts}"));
        prepared.put(&dir);
        syncs(&dir, acts)
    };
    match counted(FEW).zip(counted(MANY)) {
        Some((few, many)) => {
            let per_commit = (many as f64 - few as f64) / (MANY - FEW) as f64;
            row("fsync and fdatasync per command (strace)", format!("{per_commit:.3}"));
        }
        None => row("fsync and fdatasync per command", "not counted: there is no strace here"),
    }
    result("commit", us, None, "us of processor time per command");
}

/// Gives commands to the book in `dir`, and nothing else. Run as a process of its own.
pub fn child(dir: &Path, acts: u64) {
    let book = people::open(dir);
    for number in 0..acts {
        book.act_blocking(people::command(0, number)).unwrap();
    }
    book.shutdown_blocking();
}

/// How often a process that gives so many commands syncs a file; `None` where strace is not here.
fn syncs(dir: &Path, acts: u64) -> Option<usize> {
    let trace = dir.join("trace");
    let traced = Command::new("strace")
        .args(["-f", "-qq", "-e", "trace=fsync,fdatasync", "-e", "signal=none", "-o"])
        .arg(&trace)
        .arg(std::env::current_exe().unwrap())
        .args(["commit-child", "--acts", &acts.to_string(), "--dir"])
        .arg(dir)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    if !traced.is_ok_and(|status| status.success()) {
        return None;
    }
    // A call that was interrupted in the trace stands there twice, the second time as resumed.
    let calls = std::fs::read_to_string(&trace).ok()?;
    Some(calls.lines().filter(|line| line.contains("sync(") && !line.contains("resumed")).count())
}
