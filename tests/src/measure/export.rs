//! Sealed records of 10,000 and of 1,000 entries, taken from a book at rest: how long, how large.

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use serde_json::json;
use tallyseal_schema::kinds::Role;

use crate::machine::room;
use crate::people;
use crate::table::{heading, median, result, row};

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
    let ratios: Vec<f64> = large.iter().zip(&small).map(|(large, small)| large / small).collect();
    row("10,000 entries", format!("{:.2} s, {} bytes", median(large.clone()), lengths.0));
    row("1,000 entries", format!("{:.2} s, {} bytes", median(small.clone()), lengths.1));
    let reference = median(small);
    result("export", median(large), Some((reference, ratios)), "s");
}
