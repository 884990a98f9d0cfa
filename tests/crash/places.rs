//! The server ends itself at every named place between two durable steps: at its start, under load, and while views are
//! made anew.

use std::process::Command;
use std::sync::atomic::Ordering;
use std::sync::mpsc::channel;
use std::time::Duration;

use tallyseal_book::fault::Point;
use tallyseal_tests::book::as_administrator;

use crate::load::Load;
use crate::site::{Site, faulty_binary, start_faulty};

/// A place that is not reached in this time is never reached.
const PATIENCE: Duration = Duration::from_secs(60);

/// Where a place must be reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reached {
    /// Before the server serves.
    AtStart,
    /// While it serves.
    UnderLoad,
    /// While it begins to serve: machines are looked at before anybody is told.
    Either,
}

/// The times at which each place is tried, and where that is. A start writes one entry and keeps one checkpoint.
fn times(point: Point) -> &'static [(u64, Reached)] {
    use Reached::{AtStart, Either, UnderLoad};
    match point {
        Point::BeforeBegin | Point::AfterInsert | Point::BeforeCommit | Point::AfterCommit => {
            &[(1, AtStart), (2, Either), (20, UnderLoad), (57, UnderLoad)]
        }
        Point::AfterCheckpointTmp | Point::AfterCheckpointRename => &[(1, AtStart), (2, UnderLoad), (4, UnderLoad)],
        Point::BeforeReply => &[(1, Either), (20, UnderLoad), (57, UnderLoad)],
        Point::AfterCaptureWrite | Point::AfterCaptureSync => &[(1, UnderLoad), (3, UnderLoad)],
        Point::BeforeWalCheckpoint => &[(1, Either)],
        // Not under load: see the tests of keys and of views.
        Point::AfterNextKey | Point::AfterKeyEntry | Point::AfterOldKeyGone => &[],
        Point::BeforeViewSwap | Point::InViewSwap => &[],
    }
}

/// Runs the server that ends itself there, and load on it where it serves. Gives the first wish of the load.
fn crash(site: &mut Site, fault: &str, reached: Reached, seed: u64) -> usize {
    let server = match start_faulty(&site.dir(), fault) {
        Ok(server) => server,
        Err(said) => {
            assert_ne!(reached, Reached::UnderLoad, "{fault}: {said}");
            assert!(said.starts_with("exit -1: "), "{fault}: it ended by a signal, its own: {said}");
            return site.wishes.len();
        }
    };
    assert_ne!(reached, Reached::AtStart, "{fault}: it serves");
    let load = Load::begin(site, &server.url, seed);
    let (stop, process) = (load.stopper(), server.process().to_string());
    let (ended, wait) = channel::<()>();
    // A place that is never reached must not keep the test for ever.
    let watch = std::thread::spawn(move || {
        let late = wait.recv_timeout(PATIENCE).is_err();
        if late {
            stop.store(true, Ordering::SeqCst);
            Command::new("kill").args(["-KILL", &process]).status().unwrap();
        }
        late
    });
    let code = server.ended();
    ended.send(()).unwrap_or_default();
    let late = watch.join().unwrap();
    let (wishes, _) = load.end();
    assert!(!late, "{fault}: the place was not reached in {PATIENCE:?} with {} acts", wishes.len());
    assert_eq!(code, None, "{fault}: it ended by a signal, its own");
    site.remember(wishes)
}

#[test]
fn at_every_named_place_all_or_nothing_of_an_act_is_there_and_what_was_acknowledged_is() {
    let mut site = Site::new();
    let (mut crashes, mut unanswered, mut there, mut committed) = (0, 0, 0, 0);
    for point in Point::ALL {
        for (nth, reached) in times(point) {
            let fault = format!("{}:{nth}", point.as_str());
            crashes += 1;
            let from = crash(&mut site, &fault, *reached, crashes);
            site.start();
            site.settle(from, &fault);
            unanswered += site.unanswered.0;
            there += site.unanswered.1;
            if matches!(point, Point::AfterCommit | Point::BeforeReply) {
                committed += site.unanswered.1;
            }
            site.plant.stop();
            if !site.wishes.is_empty() {
                site.verify(&fault);
            }
        }
    }
    println!("{crashes} crashes at named places: {unanswered} acts unanswered, {there} of them were recorded");
    assert!(there < unanswered);
    // Between commit and answer everything of the batch is there and nobody was told. One batch may be the machine's alone.
    assert!(committed > 0, "no unanswered act was ever there after a commit");
    site.end();
}

#[test]
fn a_change_of_the_books_key_is_finished_or_taken_back() {
    let mut site = Site::new();
    let dir = site.dir();
    let key = || {
        let told = tallyseal_tests::verifiers::tallyseal(["checkpoint", "--key", "--dir", dir.to_str().unwrap()]);
        String::from_utf8(told.stdout).unwrap().trim().to_owned()
    };
    // The commit of the start is the first.
    let places = [
        (Point::AfterNextKey, 1, false),
        (Point::BeforeCommit, 2, false),
        (Point::AfterCommit, 2, true),
        (Point::AfterKeyEntry, 1, true),
        (Point::AfterOldKeyGone, 1, true),
        (Point::AfterCheckpointTmp, 2, true),
        (Point::AfterCheckpointRename, 2, true),
    ];
    for (point, nth, changed) in places {
        let before = key();
        let rotated = Command::new(faulty_binary())
            .args(["key", "rotate", "--dir", dir.to_str().unwrap()])
            .env("TALLYSEAL_FAULT", format!("{}:{nth}", point.as_str()))
            .output()
            .unwrap();
        assert_eq!(rotated.status.code(), None, "{point:?}: {}", String::from_utf8_lossy(&rotated.stderr));
        site.start();
        site.plant.stop();
        assert_eq!(key() != before, changed, "{point:?}");
        assert!(!dir.join("keys/book.key.next").exists(), "{point:?}");
        tallyseal_tests::verifiers::all_hold_by(&dir, &site.plant.book.key);
    }
    site.plant.end();
}

#[test]
fn views_that_were_being_made_are_made_again() {
    for point in [Point::BeforeViewSwap, Point::InViewSwap] {
        // On request, and at a start that finds views of another version.
        let mut site = Site::new();
        let rebuilt = Command::new(faulty_binary())
            .args(["rebuild", "--dir", site.dir().to_str().unwrap()])
            .env("TALLYSEAL_FAULT", point.as_str())
            .output()
            .unwrap();
        assert_eq!(rebuilt.status.code(), None, "{point:?}: {}", String::from_utf8_lossy(&rebuilt.stderr));
        site.start();
        site.plant.stop();
        as_administrator(&site.dir(), "UPDATE view SET version = '0.0'");
        let said = start_faulty(&site.dir(), point.as_str()).err().expect("it must not serve");
        assert!(said.starts_with("exit -1: "), "{point:?}: {said}");
        site.start();
        site.plant.end();
    }
}

#[test]
fn a_build_without_the_places_passes_them_by() {
    let fault = ("TALLYSEAL_FAULT", "BeforeBegin:1");
    let mut site = Site::new();
    site.plant.start_with(&[fault]);
    site.plant.end();
}
