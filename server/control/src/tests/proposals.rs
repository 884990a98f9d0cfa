use tallyseal_schema::Time;

use crate::testing::id;
use crate::{Candidate, propose};

fn day(day: i64) -> Time {
    Time::from_micros(day * 86_400 * 1_000_000 + 7).unwrap()
}

/// A roll of a delivery that came on that day.
fn roll(name: &str, came: i64, labels: u64) -> Candidate {
    Candidate {
        delivery: id(&format!("delivery/D-{came}")),
        labels,
        part: false,
        received_at: day(came),
        roll: id(&format!("roll/{name}")),
        use_by: None,
    }
}

fn part(name: &str, came: i64, labels: u64) -> Candidate {
    Candidate { part: true, ..roll(name, came, labels) }
}

fn until(last: Time, candidate: Candidate) -> Candidate {
    Candidate { use_by: Some(last), ..candidate }
}

/// What is proposed of them for that many labels, whatever the number of rolls.
#[track_caller]
fn check(candidates: &[Candidate], needed: u64, expected: &[&str]) {
    let mut turned = candidates.to_vec();
    turned.reverse();
    for candidates in [candidates.to_vec(), turned] {
        let proposed = propose(candidates, (0, 0), |_| needed);
        let names: Vec<String> = proposed.iter().map(|one| one.roll.id().to_string()).collect();
        assert_eq!(names, expected);
    }
}

#[test]
fn what_must_be_used_first_comes_first() {
    // Use-by before part rolls before age.
    check(&[part("A", 1, 100), until(day(90), roll("B", 5, 100))], 100, &["B"]);
    check(&[until(day(91), part("A", 1, 100)), until(day(90), roll("B", 5, 100))], 100, &["B"]);
    check(&[roll("A", 1, 100), part("B", 5, 100)], 100, &["B"]);
    check(&[roll("A", 2, 100), roll("B", 1, 100)], 100, &["B"]);
    check(&[part("A", 2, 50), part("B", 1, 50), roll("C", 1, 100)], 100, &["B", "A"]);
}

#[test]
fn a_use_by_is_compared_by_the_day() {
    let hours_later = day(90).plus_micros(3_600 * 1_000_000);
    check(&[until(day(90), roll("A", 1, 100)), until(hours_later, part("B", 2, 100))], 100, &["B"]);
    check(&[until(day(90), roll("A", 1, 100)), until(day(91), part("B", 2, 100))], 100, &["A"]);
}

#[test]
fn among_equals_the_one_that_leaves_fewest_over() {
    let equals = [roll("A", 1, 300), roll("B", 1, 120), roll("C", 1, 100), roll("D", 1, 200)];
    check(&equals, 90, &["C"]);
    check(&equals, 100, &["C"]);
    check(&equals, 101, &["B"]);
    check(&equals, 300, &["A"]);
    // None is enough alone: the largest, then the smallest that is enough for what is missing.
    check(&equals, 301, &["A", "C"]);
    check(&equals, 410, &["A", "B"]);
    check(&[roll("B", 1, 100), roll("A", 1, 100)], 150, &["A", "B"]);
}

#[test]
fn no_more_is_proposed_than_is_needed_and_at_least_one() {
    check(&[], 100, &[]);
    check(&[roll("A", 1, 100), roll("B", 1, 100)], 1_000, &["A", "B"]);
    check(&[roll("A", 1, 100), roll("B", 1, 100)], 0, &["A"]);
    // What the order has already counts, with its rolls: 100 and one change more.
    let need = |rolls: u64| 200 + (rolls - 1) * 10;
    let candidates = || vec![roll("A", 1, 100), roll("B", 1, 100)];
    assert_eq!(propose(candidates(), (100, 1), need).len(), 2);
    assert_eq!(propose(candidates(), (110, 1), need).len(), 1);
    let many: Vec<Candidate> = (0..200).map(|name| roll(&format!("R-{name}"), 1, 1)).collect();
    assert_eq!(propose(many, (0, 0), |_| u64::MAX).len(), 100);
}
