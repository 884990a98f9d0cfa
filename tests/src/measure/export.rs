//! Sealed records of 10,000 and of 1,000 entries, taken from a book at rest: how long, how large. And what memory a server keeps
//! that gave one of 10,000 away.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use serde_json::json;
use tallyseal_schema::kinds::Role;
use tallyseal_tests::api::Client;
use tallyseal_tests::server::Server;

use crate::machine::{memory, room};
use crate::table::{heading, median, result, row};
use crate::{bulk, people};

const ROUNDS: usize = 3;
const LARGE: u64 = 10_000;
const SMALL: u64 = 1_000;

/// The record of a roll with so many remarks. Seconds, and the length of the file.
fn take(program: &Path, dir: &Path, roll: &str, out: &Path) -> (f64, u64) {
    let begin = Instant::now();
    let output = Command::new(program)
        .args(["export", "--record", &format!("roll/{roll}"), "--dir"])
        .arg(dir)
        .arg("--out")
        .arg(out)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    (begin.elapsed().as_secs_f64(), out.metadata().unwrap().len())
}

/// How often the large record is taken from the server: what it keeps must not grow from one to the next.
const TAKEN: usize = 5;
/// So many write the remarks at once, so that they share the syncs of the disk.
const WRITERS: u64 = 16;

/// Memory of a server before it gives a record of 10,000 entries away, after it did so once, and after it did so again.
fn kept_memory(program: &Path, room: &Path) {
    let dir = room.join("served");
    let copied = Command::new("cp").arg("-r").arg(bulk::served(SMALL, program)).arg(&dir).status().unwrap();
    assert!(copied.success());
    let server = Server::start_with(&dir, program, &[]);
    let client = Client::sign_in(&server.url, "U-0002", bulk::PASSWORD, "reviewer").unwrap();
    std::thread::scope(|scope| {
        for writer in 0..WRITERS {
            let client = client.clone();
            scope.spawn(move || {
                for number in (writer..LARGE).step_by(WRITERS as usize) {
                    let text = format!("seen at the shelf, label side out, core clean, number {number}");
                    client.act("remark", &json!({ "record": "roll/R-000000-0", "text": text })).good();
                }
            });
        }
    });
    let ask = |roll: &str| {
        client.post_for_bytes("/api/exports", &json!({ "record": format!("roll/{roll}"), "role": "reviewer" })).unwrap()
    };
    // A small one first, so that what every export needs once is there.
    ask("R-000001-0");
    let now = || memory(server.process());
    let mut seen = vec![now()];
    for _ in 0..TAKEN {
        ask("R-000000-0");
        seen.push(now());
    }
    // The threads that did the work are let go after ten seconds, and with them what they still held.
    std::thread::sleep(std::time::Duration::from_secs(15));
    seen.push(now());
    let all: Vec<String> = seen.iter().map(|bytes| (bytes >> 20).to_string()).collect();
    row("memory of the server: before, after each of five, at rest", format!("{} MB", all.join(" ")));
    server.stop();
}

/// A record of 10,000 entries against one of 1,000.
pub fn measure() {
    heading("export: the sealed record of a roll with 10,000 entries, in turn with one of 1,000, from a book at rest");
    let program = std::env::current_exe().unwrap().with_file_name("tallyseal");
    let room = room();
    let dir = room.path().join("book");
    people::found(&dir);
    let book = people::open(&dir);
    let by = || people::person(10, Role::LabelRoom);
    for (roll, remarks) in [("R-000000", LARGE), ("R-000001", SMALL)] {
        for number in 0..remarks {
            let text = format!("seen at the shelf, label side out, core clean, number {number}");
            let remark = json!({ "record": format!("roll/{roll}"), "text": text });
            book.act_blocking(people::order(by(), "remark", remark)).unwrap();
        }
    }
    book.shutdown_blocking();
    let out = room.path().join("record.zip");
    // Once before the clock runs.
    take(&program, &dir, "R-000001", &out);
    let (mut large, mut small, mut lengths) = (Vec::new(), Vec::new(), (0, 0));
    for _ in 0..ROUNDS {
        let (seconds, length) = take(&program, &dir, "R-000000", &out);
        large.push(seconds);
        lengths.0 = length;
        let (seconds, length) = take(&program, &dir, "R-000001", &out);
        small.push(seconds);
        lengths.1 = length;
    }
    kept_memory(&program, room.path());
    let ratios: Vec<f64> = large.iter().zip(&small).map(|(large, small)| large / small).collect();
    row("10,000 entries", format!("{:.2} s, {} bytes", median(large.clone()), lengths.0));
    row("1,000 entries", format!("{:.2} s, {} bytes", median(small.clone()), lengths.1));
    let reference = median(small);
    result("export", median(large), Some((reference, ratios)), "s");
}
