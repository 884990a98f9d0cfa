//! A tail that was cut off: found by what speaks of more entries than there are, inside the book or outside it.

use tallyseal_tests::book::{administer, checkpoint_size, checkpoints, cosigned, entries, mend_head};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{binary, tallyseal, verify};

use crate::attack::Place::At;
use crate::attack::{Outside, both_find, both_hold, found, holds, sentences};
use crate::stock::{Copy, stock};

/// So many entries are cut off.
pub const CUT: u64 = 40;

/// How many entries a cut leaves.
pub fn left_by_a_cut(copy: &Copy) -> u64 {
    // Between two acts: half of one would be seen by what belongs to it.
    let all = entries(&copy.dir());
    let act = |n: u64| serde_json::from_slice::<serde_json::Value>(&all[n as usize]).unwrap()["act"].clone();
    let mut left = all.len() as u64 - CUT;
    while act(left) == act(left - 1) && !act(left).is_null() {
        left -= 1;
    }
    left
}

/// Cuts the last entries off and makes the head fit. Gives how many are left.
pub fn cut(copy: &Copy) -> u64 {
    let left = left_by_a_cut(copy);
    administer(&copy.dir(), |db| {
        db.execute("DELETE FROM entry WHERE n >= ?1", [left as i64]).unwrap();
        db.execute("DELETE FROM act WHERE n >= ?1", [left as i64]).unwrap();
        mend_head(db);
    });
    left
}

/// Takes away what the book itself keeps of checkpoints over more entries.
pub fn cut_checkpoints(copy: &Copy, left: u64) {
    let all = checkpoints(&copy.dir()).into_iter().chain(cosigned(&copy.dir()));
    for file in all.filter(|file| checkpoint_size(file) > left) {
        std::fs::remove_file(file).unwrap();
    }
}

#[test]
fn a_cut_tail_is_found_by_the_checkpoints_that_the_book_keeps() {
    let copy = Copy::new();
    holds(&copy.dir(), &Outside::nothing());
    let left = cut(&copy);
    found(&copy.dir(), &Outside::nothing(), &[("checkpoints", At(left))]);
    assert!(sentences(&copy.dir(), &Outside::nothing(), "checkpoints").contains("the tail is cut"));
}

#[test]
fn a_tail_cut_with_its_checkpoints_is_found_by_one_from_outside_and_by_nothing_else() {
    let copy = Copy::new();
    let kept = copy.kept_elsewhere(u64::MAX);
    let with = Outside::key(&stock().key).and_checkpoints([kept.clone()]);
    holds(&copy.dir(), &with);
    both_hold(&copy.dump(), &with);
    let left = cut(&copy);
    cut_checkpoints(&copy, left);

    // Neither the key, nor the views made anew, nor the server itself notices: the rest is a good book.
    holds(&copy.dir(), &Outside::key(&stock().key));
    let rebuilt = tallyseal(["rebuild", "--dir", copy.dir().to_str().unwrap()]);
    assert!(rebuilt.status.success(), "{}", String::from_utf8_lossy(&rebuilt.stderr));
    let whole = tallyseal(["verify", copy.dir().to_str().unwrap()]);
    assert!(whole.status.success(), "{}", String::from_utf8_lossy(&whole.stdout));

    found(&copy.dir(), &with, &[("checkpoints", At(left))]);
    both_find(&copy.dump(), &with, &[("checkpoints", At(left))]);

    Server::start(&copy.dir()).stop();
    // It has gone on, past the place where it was cut: the kept checkpoint speaks of other entries there.
    let grown = entries(&copy.dir()).len() as u64;
    assert!(grown > left && grown < left + CUT);
    let verdict = verify(&copy.dir(), &["--checkpoint", kept.to_str().unwrap()]);
    assert_eq!(verdict.code, 1, "{:#}", verdict.report);
    assert_eq!(verdict.at("checkpoints"), [Some(grown)]);
}

#[test]
fn a_server_refuses_a_book_that_was_set_back_behind_its_own_checkpoints() {
    let copy = Copy::new();
    let whole = entries(&copy.dir()).len();
    let left = cut(&copy);
    let rebuilt = tallyseal(["rebuild", "--dir", copy.dir().to_str().unwrap()]);
    assert!(rebuilt.status.success(), "{}", String::from_utf8_lossy(&rebuilt.stderr));
    let said = Server::try_start(&copy.dir(), &binary("tallyseal"), &[]).err().expect("it must not start");
    let wanted = format!("it has {left} entries and signed that it had {whole}");
    assert!(said.contains("exit 2") && said.contains(&wanted), "{said}");
    assert_eq!(entries(&copy.dir()).len() as u64, left, "nothing was written");
}
