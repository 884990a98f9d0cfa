//! Where faults lie on a roll, from the end that the line meets first.
//!
//! Ordinals follow the run over the table. After a run the label counted last lies outermost, and the line unwinds
//! from outside: so every place is mirrored, whichever way the web ran. Pieces taken out shift what lies behind them.

use tallyseal_schema::Labels;
use tallyseal_schema::kinds::{Disposition, Mark};

use crate::count::Fault;

/// The faults left on a roll of `labels` labels counted, from its outer end after the run, nearest first.
///
/// A fault on label p becomes label N - p + 1; one between labels, after p, becomes "after N - p". A label that lies
/// in a piece taken out is gone, and each place is brought nearer by the labels taken out before it. A place beyond the
/// labels counted (machine and count contradict each other) is put at the outer end, never left away.
pub fn marks(faults: &[Fault], labels: Labels) -> Vec<Mark> {
    let pieces: Vec<(u32, u32)> = faults.iter().filter_map(piece).collect();
    let gone = |ordinal: u32| -> u32 {
        pieces.iter().map(|(first, last)| taken_beyond(*first, *last, ordinal)).fold(0, u32::saturating_add)
    };
    let mut marks: Vec<Mark> = faults
        .iter()
        .filter(|fault| fault.disposition != Some(Disposition::TakenOut))
        .filter_map(|fault| {
            if fault.fault.between_labels() {
                let inside = pieces.iter().any(|(first, last)| (*first..*last).contains(&fault.ordinal));
                let position = labels.get().saturating_sub(fault.ordinal).saturating_sub(gone(fault.ordinal));
                return (!inside).then_some(Mark { fault: fault.fault, last: None, position });
            }
            let (first, last) = surviving(&pieces, fault.ordinal.max(1), fault.last.max(1))?;
            let place = |ordinal: u32| {
                let behind = labels.get().saturating_add(1).saturating_sub(ordinal);
                behind.saturating_sub(gone(ordinal)).max(1)
            };
            let (position, end) = (place(last), place(first));
            Some(Mark { fault: fault.fault, last: (end != position).then_some(end), position })
        })
        .collect();
    marks.sort_by_key(|mark| (mark.position, mark.fault));
    marks
}

/// First and last ordinal of the piece that was taken out for a fault. It ends with the last label of the range.
pub(crate) fn piece(fault: &Fault) -> Option<(u32, u32)> {
    let taken = fault.piece?;
    let first = taken.last.checked_add(1)?.checked_sub(taken.labels.get())?;
    (taken.labels != Labels::ZERO).then_some((first, taken.last))
}

/// The labels `first` to `last` without what was taken out at either end; `None` where none is left. What was taken
/// out in the middle leaves no gap on the roll.
pub(crate) fn surviving(pieces: &[(u32, u32)], first: u32, last: u32) -> Option<(u32, u32)> {
    let (mut first, mut last) = (first, last);
    while let Some((_, end)) = pieces.iter().find(|(from, to)| (*from..=*to).contains(&first)) {
        first = end.checked_add(1)?;
    }
    while let Some((start, _)) = pieces.iter().find(|(from, to)| (*from..=*to).contains(&last)) {
        last = start.checked_sub(1)?;
    }
    (first <= last).then_some((first, last))
}

/// Labels of the piece that come off the roll before `ordinal`: those that ran over the table after it.
fn taken_beyond(first: u32, last: u32, ordinal: u32) -> u32 {
    let from = first.max(ordinal.saturating_add(1));
    last.saturating_add(1).saturating_sub(from)
}

#[cfg(test)]
mod tests {
    use tallyseal_schema::kinds::FaultKind::{self, Missing, Splice, Unread};

    use super::*;
    use crate::count::Taken;

    fn fault(kind: FaultKind, ordinal: u32) -> Fault {
        Fault { disposition: None, fault: kind, found: None, last: ordinal, ordinal, piece: None }
    }

    fn taken_out(kind: FaultKind, ordinal: u32, labels: u32) -> Fault {
        Fault {
            disposition: Some(Disposition::TakenOut),
            piece: Some(Taken { labels: Labels::new(labels).unwrap(), last: ordinal }),
            ..fault(kind, ordinal)
        }
    }

    #[track_caller]
    fn check(faults: &[Fault], labels: u32, expected: &[(FaultKind, u32)]) {
        let marks = marks(faults, Labels::new(labels).unwrap());
        assert!(marks.iter().all(|mark| mark.last.is_none()), "{marks:?}");
        assert_eq!(marks.iter().map(|mark| (mark.fault, mark.position)).collect::<Vec<_>>(), expected);
    }

    #[track_caller]
    fn check_run(faults: &[Fault], labels: u32, expected: &[(u32, Option<u32>)]) {
        let marks = marks(faults, Labels::new(labels).unwrap());
        let runs = marks.iter().filter(|mark| mark.fault == Unread);
        assert_eq!(runs.map(|mark| (mark.position, mark.last)).collect::<Vec<_>>(), expected);
    }

    // Worked by hand on a roll of ten labels, 1 first over the table, 10 outermost afterwards.
    #[test]
    fn places_are_mirrored() {
        check(&[fault(Splice, 4), fault(Unread, 10), fault(Unread, 1)], 10, &[(Unread, 1), (Splice, 6), (Unread, 10)]);
        check(&[fault(Splice, 0), fault(Missing, 10)], 10, &[(Missing, 0), (Splice, 10)]);
    }

    #[test]
    fn a_run_of_labels_is_one_mark_from_its_nearest_to_its_farthest_label() {
        let run = Fault { last: 5, ..fault(Unread, 3) };
        check_run(&[run], 10, &[(6, Some(8))]);
        let whole = Fault { last: 10, ..fault(Unread, 1) };
        check_run(&[whole], 10, &[(1, Some(10))]);
    }

    #[test]
    fn a_piece_taken_out_of_a_run_shortens_it_wherever_it_lay() {
        let run = || Fault { last: 6, ..fault(Unread, 3) };
        // Splices with two labels each. Labels 4 and 5 are gone: 10 9 8 7 6 3 2 1 remain from outside.
        check_run(&[run(), taken_out(Splice, 5, 2)], 10, &[(5, Some(6))]);
        // Labels 6 and 7: 10 9 8 5 4 3 2 1.
        check_run(&[run(), taken_out(Splice, 7, 2)], 10, &[(4, Some(6))]);
        // Labels 2 and 3: 10 9 8 7 6 5 4 1.
        check_run(&[run(), taken_out(Splice, 3, 2)], 10, &[(5, Some(7))]);
        // Labels 3 to 6, in two pieces that meet.
        check_run(&[run(), taken_out(Splice, 4, 2), taken_out(Splice, 6, 2)], 10, &[]);
    }

    #[test]
    fn a_piece_taken_out_is_gone_and_brings_the_rest_nearer() {
        // Labels 7 and 8 are cut out: 10 9 | 6 5 4 ... remain from outside; label 4 is then the fifth.
        check(&[taken_out(Unread, 8, 2), fault(Unread, 4), fault(Unread, 9)], 10, &[(Unread, 2), (Unread, 5)]);
        // The same with a splice after label 4: the labels 10 9 6 5 come off before it.
        check(&[taken_out(Unread, 8, 2), fault(Splice, 4)], 10, &[(Splice, 4)]);
        // Another fault within the piece goes with it.
        check(&[taken_out(Unread, 8, 2), fault(Unread, 7), fault(Splice, 7)], 10, &[]);
        // A joint at either edge of the piece is still a place on the roll.
        check(&[taken_out(Unread, 8, 2), fault(Splice, 6), fault(Missing, 8)], 10, &[(Missing, 2), (Splice, 2)]);
    }

    #[test]
    fn a_place_beyond_what_was_counted_is_put_at_the_outer_end_and_not_lost() {
        check(&[fault(Unread, 11), fault(Splice, 12)], 10, &[(Splice, 0), (Unread, 1)]);
        check(&[fault(Unread, 0)], 10, &[(Unread, 10)]);
    }
}
