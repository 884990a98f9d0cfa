use std::collections::BTreeSet;

use proptest::prelude::*;
use tallyseal_schema::observation::{Located, Observation};

use crate::testing::{OTHER_CODE, label};
use crate::{Follower, Irregular, Summary};

fn located(observations: &[Observation]) -> Vec<Located> {
    (0_u64..).zip(observations).map(|(n, seen)| Located { from: n * 10, to: n * 10 + 10, seen: seen.clone() }).collect()
}

fn follow(observations: &[Observation]) -> Summary {
    Follower::default().follow(&located(observations))
}

fn unread(ordinal: u32) -> Observation {
    Observation::Unread { ordinal, lane: None }
}

fn mismatch(ordinal: u32) -> Observation {
    Observation::Mismatch { ordinal, found: OTHER_CODE.to_owned(), lane: None }
}

fn total(value: u32) -> Observation {
    Observation::Total { value }
}

#[track_caller]
fn check(observations: &[Observation], labels: u32, irregular: &[Irregular]) {
    let summary = follow(observations);
    assert_eq!((summary.labels, summary.irregular.as_slice()), (labels, irregular));
}

#[test]
fn labels_are_counted_and_their_ordinals_followed() {
    let read = |ordinal: u32| label(ordinal, Some("A"));
    check(&[], 0, &[]);
    check(&[read(1), read(2), read(3)], 3, &[]);
    check(&[read(2)], 1, &[Irregular::OrdinalGap { before: 0, after: 2 }]);
    check(&[read(1), read(3)], 2, &[Irregular::OrdinalGap { before: 1, after: 3 }]);
    check(&[read(1), read(1)], 2, &[Irregular::OrdinalFell { before: 1, after: 1 }]);
    check(&[read(1), read(2), read(1)], 3, &[Irregular::OrdinalFell { before: 2, after: 1 }]);
    check(
        &[read(u32::MAX), read(u32::MAX)],
        2,
        &[
            Irregular::OrdinalGap { before: 0, after: u32::MAX },
            Irregular::OrdinalFell { before: u32::MAX, after: u32::MAX },
        ],
    );
}

#[test]
fn a_label_that_could_not_be_read_has_passed_as_well() {
    let read = |ordinal: u32| label(ordinal, Some("A"));
    // Many tables tell nothing else of such a label.
    check(&[read(1), unread(2), read(3)], 3, &[]);
    check(&[unread(1), unread(2), read(3)], 3, &[]);
    check(&[read(1), mismatch(2), read(3)], 3, &[]);
    // Others tell of the label too, before or after.
    check(&[read(1), unread(2), label(2, None), read(3)], 3, &[]);
    check(&[read(1), label(2, None), unread(2), read(3)], 3, &[]);
    check(&[read(1), read(2), mismatch(2), read(3)], 3, &[]);
    // The label's own word comes once.
    check(&[read(1), unread(2), label(2, None), label(2, None)], 3, &[Irregular::OrdinalFell { before: 2, after: 2 }]);
    // A gap is a gap whoever tells of it.
    check(&[read(1), unread(3)], 2, &[Irregular::OrdinalGap { before: 1, after: 3 }]);
}

#[test]
fn a_machine_that_tells_of_labels_only_where_something_is_wrong_leaves_no_gaps() {
    check(&[unread(40), unread(70), mismatch(90), total(100)], 0, &[]);
}

#[test]
fn a_total_that_falls_is_seen_and_one_that_stands_is_none() {
    check(&[total(5), total(5), total(6)], 0, &[]);
    check(&[total(5), total(4)], 0, &[Irregular::TotalFell { before: 5, after: 4 }]);
    assert_eq!(follow(&[total(5), total(7)]).total, Some(7));
}

#[test]
fn a_reset_in_mid_count_is_seen_and_one_before_anything_passed_is_none() {
    let reset = Observation::Reset {};
    let read = label(1, Some("A"));
    check(&[reset.clone(), read.clone()], 1, &[]);
    check(&[total(2_500), total(2_500), reset.clone(), read.clone()], 1, &[]);
    check(&[Observation::Started {}, reset.clone()], 0, &[]);
    check(&[read.clone(), reset.clone(), read.clone()], 2, &[Irregular::TotalReset { before: 1 }]);
    check(&[total(0), total(1), reset.clone()], 0, &[Irregular::TotalReset { before: 1 }]);
    check(&[unread(40), reset.clone()], 0, &[Irregular::TotalReset { before: 0 }]);
    check(&[Observation::Splice { ordinal: 0, lane: None }, reset.clone()], 0, &[Irregular::TotalReset { before: 0 }]);
    // Twice in a row is one.
    check(&[read, reset.clone(), reset.clone()], 1, &[Irregular::TotalReset { before: 1 }]);
    assert_eq!(follow(&[total(90), reset.clone()]).total, None);
    assert_eq!(follow(&[total(90), reset, total(3)]).total, Some(3));
}

#[test]
fn equal_codes_of_labels_in_a_row_are_one_run() {
    let runs = |observations: &[Observation]| {
        follow(observations)
            .codes
            .into_iter()
            .map(|run| (run.code, run.first, run.last, run.from, run.to))
            .collect::<Vec<_>>()
    };
    let run = |code: &str, first: u32, last: u32, from: u64, to: u64| (code.to_owned(), first, last, from, to);
    let read = |ordinal: u32, code: &str| label(ordinal, Some(code));
    assert_eq!(runs(&[read(1, "A"), read(2, "A"), read(3, "B")]), [run("A", 1, 2, 0, 20), run("B", 3, 3, 20, 30)]);
    // What lies between does not part a run, a label without a code and a gap do.
    assert_eq!(runs(&[read(1, "A"), total(1), read(2, "A")]), [run("A", 1, 2, 0, 30)]);
    assert_eq!(runs(&[read(1, "A"), label(2, None), read(3, "A")]).len(), 2);
    assert_eq!(runs(&[read(1, "A"), unread(2), read(3, "A")]).len(), 2);
    assert_eq!(runs(&[read(1, "A"), read(3, "A")]).len(), 2);
    assert_eq!(runs(&[read(1, "A"), Observation::Reset {}, read(2, "A")]).len(), 2);
    assert_eq!(runs(&[read(u32::MAX, "A"), read(0, "A")]).len(), 2);
}

fn any_observation() -> impl Strategy<Value = Observation> {
    let ordinal = || 0_u32..9;
    prop_oneof![
        6 => (ordinal(), prop_oneof![Just(None), Just(Some("A")), Just(Some("B"))]).prop_map(|(n, code)| label(n, code)),
        2 => ordinal().prop_map(unread),
        2 => ordinal().prop_map(mismatch),
        3 => ordinal().prop_map(total),
        1 => Just(Observation::Reset {}),
        1 => Just(Observation::Started {}),
        1 => ordinal().prop_map(|ordinal| Observation::Splice { ordinal, lane: None }),
    ]
}

/// What a count comes to, however its observations were cut: the codes as sets of labels, since a run ends with its
/// piece.
fn sums(pieces: &[Summary]) -> impl PartialEq + std::fmt::Debug {
    let codes: BTreeSet<(String, u32)> = pieces
        .iter()
        .flat_map(|piece| &piece.codes)
        .flat_map(|run| (run.first..=run.last).map(|ordinal| (run.code.clone(), ordinal)))
        .collect();
    let irregular: Vec<Irregular> = pieces.iter().flat_map(|piece| piece.irregular.clone()).collect();
    let events: Vec<Located> = pieces.iter().flat_map(|piece| piece.events.clone()).collect();
    (pieces.iter().map(|piece| piece.labels).sum::<u32>(), codes, irregular, events)
}

proptest! {
    #[test]
    fn however_the_observations_are_cut_they_come_to_the_same(
        observations in proptest::collection::vec(any_observation(), 0..40),
        cuts in proptest::collection::vec(0_usize..6, 0..40),
    ) {
        let all = located(&observations);
        let whole = [Follower::default().follow(&all)];
        let mut follower = Follower::default();
        let mut pieces = Vec::new();
        let mut rest = all.as_slice();
        for cut in cuts {
            let (piece, after) = rest.split_at(cut.min(rest.len()));
            pieces.push(follower.follow(piece));
            rest = after;
        }
        pieces.push(follower.follow(rest));
        prop_assert_eq!(sums(&pieces), sums(&whole));
        // The total that stands at the end is the last one after the last reset.
        let mut total = None;
        for (piece, summary) in pieces.iter().map(|piece| (piece.events.iter().any(|event| event.seen == Observation::Reset {}), piece)) {
            total = if piece { summary.total } else { summary.total.or(total) };
        }
        prop_assert_eq!(total, whole[0].total);
    }
}
