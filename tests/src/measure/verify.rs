//! Verifying a large book from its file, against SHA-256 over the same bytes as one buffer in memory on all cores.

use std::path::Path;
use std::time::{Duration, Instant};

use ring::digest::{SHA256, digest};
use rusqlite::{Connection, OpenFlags};
use tallyseal_verify::{Options, Report, verify, verify_chain};

use crate::machine::{cores, flush_time, folder, peak_memory};
use crate::table::{heading, median, result, row, thousands};
use crate::{Asked, bulk};

/// Ours and the reference, each so often, in turn.
const ROUNDS: usize = 5;

/// The bytes of all entries, one after another.
fn buffer(dir: &Path) -> Vec<u8> {
    let db = Connection::open_with_flags(dir.join("book.db"), OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let mut statement = db.prepare("SELECT bytes FROM entry ORDER BY n").unwrap();
    let mut rows = statement.query([]).unwrap();
    let mut all = Vec::new();
    while let Some(row) = rows.next().unwrap() {
        all.extend_from_slice(row.get_ref(0).unwrap().as_blob().unwrap());
    }
    all
}

/// SHA-256 over a buffer, each core its part.
fn reference(bytes: &[u8]) -> Duration {
    let part = bytes.len().div_ceil(cores());
    let begin = Instant::now();
    std::thread::scope(|scope| {
        let parts: Vec<_> = bytes.chunks(part).map(|part| scope.spawn(move || digest(&SHA256, part))).collect();
        for part in parts {
            assert_eq!(part.join().unwrap().as_ref().len(), 32);
        }
    });
    begin.elapsed()
}

fn measured(measure: &str, what: &str, asked: &Asked, mut ours: impl FnMut(&Path)) {
    heading(what);
    row("flush time seen (4 KiB, fdatasync, median); nothing is flushed here", format!("{:?}", flush_time(&folder())));
    let dir = bulk::book(asked.entries);
    let file = std::fs::metadata(dir.join("book.db")).unwrap().len();
    // Once before the clock runs: both then read from memory that the system has filled.
    let memory = peak_memory();
    ours(&dir);
    let used = peak_memory();
    row("most memory of the process: before, with the verification", format!("{} MB, {} MB", memory >> 20, used >> 20));
    let bytes = buffer(&dir);
    let streams = streams(&dir);
    row(
        "entries; their bytes; bytes per entry",
        format!(
            "{}; {}; {:.0}",
            thousands(asked.entries as f64),
            thousands(bytes.len() as f64),
            bytes.len() as f64 / asked.entries as f64
        ),
    );
    row(
        "streams; the database's bytes per entry",
        format!("{}; {:.0}", thousands(streams as f64), file as f64 / asked.entries as f64),
    );
    let (mut one, mut other) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let begin = Instant::now();
        ours(&dir);
        one.push(begin.elapsed().as_secs_f64());
        other.push(reference(&bytes).as_secs_f64());
    }
    let speed = |times: Vec<f64>| bytes.len() as f64 / median(times) / 1e6;
    let spread = |times: &[f64]| {
        let all: Vec<String> = times.iter().map(|time| format!("{:.0}", time * 1e3)).collect();
        all.join(" ")
    };
    row("ours, each round (ms)", spread(&one));
    row("reference, each round (ms)", spread(&other));
    row("ours (entries/s)", thousands(asked.entries as f64 / median(one.clone())));
    let ratios = one.iter().zip(&other).map(|(ours, reference)| reference / ours).collect();
    result(measure, speed(one), Some((speed(other), ratios)), "MB/s");
}

fn streams(dir: &Path) -> i64 {
    let db = Connection::open_with_flags(dir.join("book.db"), OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    db.query_row("SELECT count(DISTINCT stream) FROM entry", [], |row| row.get(0)).unwrap()
}

/// Bytes, links and tree.
pub fn chain(asked: &Asked) {
    let what = "verify-chain: bytes, links and tree from the file, against SHA-256 of the same bytes in memory";
    measured("verify-chain", what, asked, |dir| {
        let report = verify_chain(dir, 0).unwrap();
        assert!(report.ok() && report.entries == asked.entries);
    });
}

/// Every check.
pub fn whole(asked: &Asked) {
    let what = "verify: every check, one signature per 100 entries, against SHA-256 of the same bytes in memory";
    measured("verify", what, asked, |dir| {
        let report: Report = verify(dir, &Options::default()).unwrap();
        assert!(report.ok() && report.entries == asked.entries, "{report}");
    });
}
