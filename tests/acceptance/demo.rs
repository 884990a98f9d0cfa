//! `tallyseal demo`: a stranger's first command.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use tallyseal_tests::api::Client;
use tallyseal_tests::server::Ended;
use tallyseal_tests::verifiers::{all_hold_by, binary, tallyseal, verify, verify_py};
use tempfile::TempDir;

fn demo(dir: &Path, seed: &str) -> Output {
    tallyseal(["demo", "--once", "--seed", seed, "--dir", dir.to_str().unwrap()])
}

#[track_caller]
fn said(output: Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[track_caller]
fn line<'a>(said: &'a str, words: &[&str]) -> &'a str {
    let found = said.lines().find(|line| words.iter().all(|word| line.contains(word)));
    found.unwrap_or_else(|| panic!("no line with {words:?} in:\n{said}"))
}

fn zips(dir: &Path) -> Vec<PathBuf> {
    let mut zips: Vec<PathBuf> =
        std::fs::read_dir(dir.join("out")).unwrap().map(|entry| entry.unwrap().path()).collect();
    zips.sort();
    zips
}

#[test]
fn the_demo_works_a_whole_shift_and_seals_records_that_both_verifiers_accept() {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("shift");
    let said = said(tallyseal(["demo", "--once", "--dir", dir.to_str().unwrap()]));

    assert!(said.lines().count() < 40, "{said}");
    let start = line(&said, &["Challenge (start)", "passed"]);
    let certified: u32 = start.split_whitespace().find_map(|word| word.parse().ok()).unwrap();
    assert!(!certified.is_multiple_of(2), "the certified number is odd: {start}");
    line(&said, &["Challenge (end)", "passed", "8 counts bracketed"]);
    line(&said, &["Roll R-000101", "two agree", "2500 labels on the roll"]);
    line(&said, &["Roll R-000102", "two agree", "2497 labels on the roll", "3 short"]);
    line(&said, &["on its tag", "splice", "unread", "missing"]);
    line(&said, &["A third count is refused before a check"]);
    line(&said, &["refused:", "Check web, sensor and speed"]);
    line(&said, &["Roll R-000103", "2500, 2499, 2500", "third agrees"]);
    line(&said, &["Deviation DV-000001 (critical)", "the delivery DL-0002 is held whole"]);
    line(&said, &["refused: The roll R-000202 is on hold"]);
    line(&said, &["refused: The order PO-260001 needs 4928 labels", "let a supervisor grant it"]);
    line(&said, &["Override OV-000001", "asked for by Ludo Marsh, granted by Petra Halm"]);
    line(&said, &["Given back sealed: 58 coded labels", "counted blind by two"]);
    line(&said, &["Line 1: issued 7497", "returned 2432, unaccounted 2;", "99.9733 %: within its limits"]);
    line(&said, &["Line 2: issued 400", "returned 188, unaccounted 9;", "97.75 %: OUTSIDE its limits"]);
    line(&said, &["deviation DV-000002 investigated by Petra Halm, approved by Jonas Okt"]);
    line(&said, &["CT-0001: 58 coded labels destroyed by Ludo Marsh before Tomas Reed"]);
    line(&said, &["Order PO-260001: signed for packaging", "(approved). This is no release of the batch."]);

    let key = line(&said, &["Key of the book: "]).trim_start_matches("Key of the book: ");
    let zips = zips(&dir);
    assert_eq!(zips.len(), 3);
    for zip in &zips {
        line(&said, &["Verified", zip.to_str().unwrap(), "0 faults", "trust: key"]);
        let ours = verify(zip, &["--key", key]);
        assert_eq!((ours.code, ours.report["trust"].as_str()), (0, Some("key")), "{}", ours.report);
        let theirs = verify_py(zip, &["--key", key]);
        assert_eq!(theirs.code, 0, "{} {}", theirs.report, theirs.said);
    }

    // The folder is full now: nothing may be opened over it.
    let before = std::fs::read(dir.join("book.db")).unwrap();
    let again = tallyseal(["demo", "--once", "--dir", dir.to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(2));
    let refused = String::from_utf8(again.stderr).unwrap();
    assert!(refused.contains("There is a book in") && refused.contains(dir.to_str().unwrap()), "{refused}");
    assert_eq!(std::fs::read(dir.join("book.db")).unwrap(), before);
    all_hold_by(&dir, key);
}

#[test]
fn another_seed_of_the_demo_puts_the_faults_elsewhere() {
    let folder = TempDir::new().unwrap();
    let marks = |seed: &str| {
        let dir = folder.path().join(seed);
        let said = said(demo(&dir, seed));
        let key = line(&said, &["Key of the book: "]).trim_start_matches("Key of the book: ").to_owned();
        all_hold_by(&dir, &key);
        line(&said, &["on its tag"]).to_owned()
    };
    let (eight, nine) = (marks("8"), marks("9"));
    assert_ne!(eight, nine);
    // The same kinds and numbers of faults, at other places.
    let words = |marks: &str| {
        marks.matches("missing").count() * 100 + marks.matches("splice").count() * 10 + marks.matches("unread").count()
    };
    assert_eq!((words(&eight), words(&nine)), (321, 321), "{eight} {nine}");
}

#[test]
fn the_demo_serves_on_loopback_only_because_its_passwords_are_printed() {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("shift");
    let refused = tallyseal(["demo", "--listen", "0.0.0.0:0", "--dir", dir.to_str().unwrap()]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8(refused.stderr).unwrap().contains("loopback only"));
    assert!(!dir.exists());
}

#[test]
fn the_demo_then_serves_its_book_to_the_accounts_that_it_printed() {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("shift");
    let demo = Command::new(binary("tallyseal"))
        .args(["demo", "--listen", "127.0.0.1:0", "--dir"])
        .arg(&dir)
        .stdout(Stdio::piped())
        .spawn();
    let mut demo = Ended(demo.unwrap());
    let mut said = String::new();
    let mut lines = BufReader::new(demo.0.stdout.take().unwrap()).lines();
    while !said.contains("Serving the pages") {
        said += &lines.next().expect("it serves after the shift").unwrap();
        said.push('\n');
    }
    assert!(said.lines().count() < 50, "{said}");
    let url = line(&said, &["Serving the pages at "]).split_whitespace().nth(4).unwrap();
    // An account as it is printed: ID, password, name and role, with two spaces between them.
    let account = line(&said, &["  U-0006  "]);
    let password = account.trim().split("  ").nth(1).unwrap().trim();
    let auditor = Client::sign_in(url, "U-0006", password, "auditor").unwrap();
    assert_eq!(auditor.thing("roll/R-000103").good()["state"]["settled"]["on_roll"], 2_500);

    assert!(Command::new("kill").args(["-INT", &demo.0.id().to_string()]).status().unwrap().success());
    assert!(demo.0.wait().unwrap().success());
    let key = line(&said, &["Key of the book: "]).trim_start_matches("Key of the book: ");
    all_hold_by(&dir, key);
}
