//! The one who checks is checked: books with what a crash must never leave are seen to be wrong.

use std::time::Duration;

use rusqlite::params;
use tallyseal_tests::book::{Kept, administer, entries, mend_head};
use tempfile::TempDir;

use crate::ledger::{Acts, Wish, wrong};
use crate::load::Load;
use crate::site::Site;

/// A copy of a data directory.
struct Copy(TempDir);

impl Copy {
    fn of(kept: &Kept) -> Self {
        let copy = Self(TempDir::new().unwrap());
        kept.put(&copy.dir());
        copy
    }

    fn dir(&self) -> std::path::PathBuf {
        self.0.path().join("book")
    }

    /// Deletes rows and makes the book go on as if they had never been: what a lost commit would leave.
    fn lose(&self, n: u64, to_the_end: bool) {
        administer(&self.dir(), |db| {
            let sign = if to_the_end { ">=" } else { "=" };
            db.execute(&format!("DELETE FROM entry WHERE n {sign} ?1"), [n as i64]).unwrap();
            mend_head(db);
        });
    }

    fn wrong(&self, wishes: &[Wish]) -> String {
        wrong(wishes, &Acts::of(&self.dir())).join("\n")
    }
}

#[test]
fn a_lost_a_changed_a_torn_and_a_doubled_act_are_seen() {
    let mut site = Site::new();
    site.start();
    let load = Load::begin(&site, site.plant.url(), 1);
    load.until(true, 40, Duration::ZERO);
    let stop = load.stopper();
    stop.store(true, std::sync::atomic::Ordering::SeqCst);
    let (wishes, _) = load.end();
    site.plant.stop();
    let kept = Kept::of(&site.dir());
    assert_eq!(Copy::of(&kept).wrong(&wishes), "");
    let receipts: Vec<_> = wishes.iter().filter_map(|wish| wish.receipt.clone()).collect();
    assert!(receipts.len() >= 40);

    // The last acknowledged act is gone, and everything after it.
    let last = receipts.iter().max_by_key(|receipt| receipt.n).unwrap();
    let copy = Copy::of(&kept);
    copy.lose(last.n, true);
    let said = copy.wrong(&wishes);
    assert!(said.contains(&format!("entry {} of the acknowledged", last.n)), "{said}");
    assert!(said.contains("a receipt says that there were"), "{said}");

    // An act from the middle is gone.
    let middle = &receipts[receipts.len() / 2];
    let copy = Copy::of(&kept);
    copy.lose(middle.n, false);
    assert!(copy.wrong(&wishes).contains("is not the one that was acknowledged"));

    // The first of an act's entries is gone, the last is there.
    let several = receipts.iter().find(|receipt| receipt.entries > 1).unwrap();
    let mut stored = entries(&site.dir());
    stored[several.n as usize - 1] = b"{}".to_vec();
    let said = wrong(&wishes, &Acts::among(&stored)).join("\n");
    assert!(said.contains("was acknowledged with") && said.contains("is of another book"), "{said}");

    // Another entry stands in the place.
    let copy = Copy::of(&kept);
    administer(&copy.dir(), |db| {
        db.execute(
            "UPDATE entry SET bytes = CAST(replace(CAST(bytes AS TEXT), '\"at\":\"2', '\"at\":\"3') AS BLOB) WHERE n = ?1",
            params![middle.n as i64],
        )
        .unwrap();
    });
    assert!(copy.wrong(&wishes).contains("is not the one that was acknowledged"));

    // An act was done a second time.
    let mut stored = entries(&site.dir());
    stored.push(stored[middle.n as usize].clone());
    let said = wrong(&wishes, &Acts::among(&stored)).join("\n");
    assert!(said.contains("was done twice"), "{said}");

    // What was refused for good without an entry is recorded all the same.
    let mut refused = wishes.iter().find(|wish| wish.receipt.is_some()).unwrap().clone();
    (refused.receipt, refused.nothing) = (None, true);
    let said = wrong(&[refused], &Acts::of(&site.dir())).join("\n");
    assert!(said.contains("nothing came"), "{said}");
}
