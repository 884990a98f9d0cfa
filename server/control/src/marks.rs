//! Where faults lie on a roll, from the end that the line meets first.
//!
//! Ordinals follow the run over the table. After a run the label counted last lies outermost, and the line unwinds
//! from outside: so every place is mirrored, whichever way the web ran. Pieces taken out shift what lies behind them.
//! A tag bears what any count saw, not what the last one saw: see [`tag`].

use std::collections::BTreeMap;

use tallyseal_schema::Labels;
use tallyseal_schema::kinds::{Direction, Disposition, FaultKind, Mark};

use crate::count::{Fault, Taken};

/// Two counts may give the place of one fault as many labels apart: sensors for labels, splices and codes do not sit at
/// the same spot of the table, and a fault is met from its other side when the web runs back. Two faults of one kind
/// that lie closer are taken for one only where one count saw one and the other count the other.
///
/// Common practice, no source: our own choice. Unit: labels.
const PLACE_TOLERANCE: u32 = 2;

/// Where two counts differ in their number, what lies behind the difference is further apart by it. No more is granted,
/// so that faults do not run into each other; what is further apart is marked twice. Our own choice. Unit: labels.
const DIFFERENCE_GRANTED: u32 = 3;

/// So many marks go onto one tag: an entry has to hold them. One count keeps fewer faults.
pub(crate) const MARKS_MAX: usize = 2_500;

/// The faults left on a roll of `labels` labels counted, from its outer end after the run, nearest first.
///
/// A fault on label p becomes label N - p + 1; one between labels, after p, becomes "after N - p". A label that lies
/// in a piece taken out is gone, and each place is brought nearer by the labels taken out before it. A place beyond the
/// labels counted (machine and count contradict each other) is put at the outer end, never left away.
pub fn marks(faults: &[Fault], labels: Labels) -> Vec<Mark> {
    tag(None, &[Run { compared: true, direction: Direction::Forward, faults, labels }])
}

/// One signed count, as far as the roll's tag needs it.
pub(crate) struct Run<'a> {
    /// It is one of those whose numbers are compared, and answers for what it did not see. One that a failed challenge
    /// questions is not; what it saw is marked all the same.
    pub compared: bool,
    /// Which way the web ran.
    pub direction: Direction,
    /// What it saw, with what was done about it.
    pub faults: &'a [Fault],
    /// What it counted.
    pub labels: Labels,
}

/// The tag that the roll bore before.
pub(crate) struct Former<'a> {
    /// Which way the web ran in the count after which it was made.
    pub direction: Direction,
    /// What stands on it.
    pub marks: &'a [Mark],
    /// Labels that were on the roll.
    pub on_roll: Labels,
    /// The quantity on it still stands.
    pub stands: bool,
}

/// The marks of a tag that carries every fault left on the roll that the former tag or any of the runs told of, in the
/// order of the runs, from the outer end after the last of them.
///
/// From run to run every place is brought into the order of the next one. Runs in opposite directions meet the places in
/// opposite order. Between two runs the same way nobody has recorded whether the roll was wound back or put on the other
/// side; the order is taken in which more faults are found again, and where neither is better, a fault that was not found
/// again is marked in both places: a mark too many is looked at, a mark too few is not. Faults of one kind within
/// [`PLACE_TOLERANCE`] are one fault; it is marked where the later run saw it. What was taken out after an earlier run is
/// neither marked nor missed.
pub(crate) fn tag(former: Option<Former<'_>>, runs: &[Run<'_>]) -> Vec<Mark> {
    let mut started = former.as_ref().is_some_and(|former| former.stands);
    let mut before = former.map(|former| (former.marks.to_vec(), former.on_roll.get(), former.direction));
    for run in runs {
        let pieces: Vec<(u32, u32)> = run.faults.iter().filter_map(piece).collect();
        let taken_out = pieces
            .iter()
            .fold(0, |sum: u32, (first, last)| sum.saturating_add(last.abs_diff(*first)).saturating_add(1));
        let places = places(before.as_ref(), run, started);
        let labels = run.labels.get();
        let marks = places.iter().filter_map(|place| mark(place, &pieces, labels)).collect();
        before = Some((marks, labels.saturating_sub(taken_out), run.direction));
        started |= run.compared;
    }
    let mut marks = before.map(|(marks, _, _)| marks).unwrap_or_default();
    marks.sort_by_key(|mark| (mark.position, mark.fault));
    marks
}

/// A fault left on the roll, in the order of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
    fault: FaultKind,
    first: u32,
    last: u32,
    missed: bool,
}

impl Place {
    fn is_one(self) -> bool {
        self.first == self.last
    }
}

/// Everything that the run or what was known before it tells of, in the order of the run.
fn places(before: Option<&(Vec<Mark>, u32, Direction)>, run: &Run<'_>, started: bool) -> Vec<Place> {
    let seen =
        |fault: &Fault, missed: bool| Place { fault: fault.fault, first: fault.ordinal, last: fault.last, missed };
    let all: Vec<Place> = run.faults.iter().map(|fault| seen(fault, false)).collect();
    let empty = (Vec::new(), run.labels.get(), run.direction);
    let (marks, on_roll, direction) = before.unwrap_or(&empty);
    let tolerance = PLACE_TOLERANCE.saturating_add(on_roll.abs_diff(run.labels.get()).min(DIFFERENCE_GRANTED));
    let met = |wound_back: bool| -> Found {
        let known: Vec<Place> = marks.iter().map(|mark| met_again(mark, *on_roll, wound_back)).collect();
        Found::again(known, &all, tolerance)
    };
    let turned = met(false);
    let found = if *direction == run.direction {
        let wound_back = met(true);
        match wound_back.times.cmp(&turned.times) {
            std::cmp::Ordering::Greater => wound_back,
            std::cmp::Ordering::Less => turned,
            std::cmp::Ordering::Equal => turned.or(wound_back),
        }
    } else {
        turned
    };
    let mut places: Vec<Place> = run
        .faults
        .iter()
        .zip(&found.again)
        .filter(|(fault, _)| fault.disposition != Some(Disposition::TakenOut))
        .map(|(fault, again)| seen(fault, again.unwrap_or(started)))
        .collect();
    places.extend(found.not_again.iter().map(|place| Place { missed: place.missed || run.compared, ..*place }));
    places
}

/// The place of a mark in a run that begins with the outer end, or, where the roll was wound back, with the inner one.
fn met_again(mark: &Mark, on_roll: u32, wound_back: bool) -> Place {
    let (fault, missed) = (mark.fault, mark.missed);
    let end = mark.last.unwrap_or(mark.position);
    let (first, last) = if !wound_back {
        (mark.position, end)
    } else if fault.between_labels() {
        (on_roll.saturating_sub(end), on_roll.saturating_sub(mark.position))
    } else {
        let behind = |position: u32| on_roll.saturating_add(1).saturating_sub(position).max(1);
        (behind(end), behind(mark.position))
    };
    Place { fault, first, last, missed }
}

/// What of the places known before a run saw again.
#[derive(Default)]
struct Found {
    /// For each fault of the run, in order: `None` where it was not known; else whether some count had missed it before.
    again: Vec<Option<bool>>,
    /// The places known that the run did not see.
    not_again: Vec<Place>,
    /// How many of the places known it saw.
    times: usize,
}

impl Found {
    fn again(known: Vec<Place>, seen: &[Place], tolerance: u32) -> Self {
        let mut again: Vec<Option<bool>> = vec![None; seen.len()];
        let mut found: Vec<bool> = vec![false; known.len()];
        let (of_known, of_seen) = (by_kind(&known), by_kind(seen));
        for (kind, of_known) in &of_known {
            let of_seen = of_seen.get(kind).map_or(&[][..], Vec::as_slice);
            pair(of_known, of_seen, tolerance, |k, s, missed| {
                if let (Some(found), Some(again)) = (found.get_mut(k), again.get_mut(s)) {
                    (*found, *again) = (true, Some(missed));
                }
            });
            // A run of labels may be cut elsewhere in each count: it is found where others cover it.
            for (k, place) in of_known {
                if let Some(found) = found.get_mut(*k).filter(|found| !**found) {
                    *found = covered(*place, of_seen, tolerance);
                }
            }
            for (s, place) in of_seen {
                if let Some(again) = again.get_mut(*s).filter(|again| again.is_none())
                    && covered(*place, of_known, tolerance)
                {
                    let near = of_known.iter().filter(|(_, known)| overlap(*place, *known, tolerance));
                    *again = Some(near.into_iter().any(|(_, known)| known.missed));
                }
            }
        }
        let times = found.iter().filter(|found| **found).count();
        let not_again = known.iter().zip(&found).filter(|(_, found)| !**found).map(|(place, _)| *place).collect();
        Self { again, not_again, times }
    }

    /// Of two orders that are as good as each other: only what was found in both was found.
    fn or(self, other: Self) -> Self {
        let both = |(one, two): (&Option<bool>, &Option<bool>)| one.zip(*two).map(|(one, two)| one || two);
        let again = self.again.iter().zip(&other.again).map(both).collect();
        let mut not_again = self.not_again;
        let more: Vec<Place> = other.not_again.into_iter().filter(|place| !not_again.contains(place)).collect();
        not_again.extend(more);
        Self { again, not_again, times: self.times }
    }
}

/// The places of each kind with their numbers, from the first to the last.
fn by_kind(places: &[Place]) -> BTreeMap<FaultKind, Vec<(usize, Place)>> {
    let mut all: BTreeMap<FaultKind, Vec<(usize, Place)>> = BTreeMap::new();
    for (number, place) in places.iter().enumerate() {
        all.entry(place.fault).or_default().push((number, *place));
    }
    for places in all.values_mut() {
        places.sort_by_key(|(number, place)| (place.first, place.last, *number));
    }
    all
}

/// Pairs single places of one kind, one with one, as many as can be: both lists go up, so the first two that lie within
/// the tolerance are a pair.
fn pair(known: &[(usize, Place)], seen: &[(usize, Place)], tolerance: u32, mut found: impl FnMut(usize, usize, bool)) {
    let mut known = known.iter().filter(|(_, place)| place.is_one()).peekable();
    let mut seen = seen.iter().filter(|(_, place)| place.is_one()).peekable();
    while let (Some((k, before)), Some((s, now))) = (known.peek(), seen.peek()) {
        if before.first.abs_diff(now.first) <= tolerance {
            found(*k, *s, before.missed);
            known.next();
            seen.next();
        } else if before.first < now.first {
            known.next();
        } else {
            seen.next();
        }
    }
}

fn overlap(one: Place, other: Place, tolerance: u32) -> bool {
    one.first <= other.last.saturating_add(tolerance) && other.first <= one.last.saturating_add(tolerance)
}

/// True where every label of the place lies in one of the others, each longer by the tolerance at both ends. A single
/// place is covered by a run only: single places are paired. `others` go up.
fn covered(place: Place, others: &[(usize, Place)], tolerance: u32) -> bool {
    let mut next = place.first;
    for (_, other) in others.iter().filter(|(_, other)| !(place.is_one() && other.is_one())) {
        if other.first.saturating_sub(tolerance) > next {
            return false;
        }
        let end = other.last.saturating_add(tolerance);
        if end >= place.last {
            return true;
        }
        next = next.max(end.saturating_add(1));
    }
    false
}

/// The mark of a place in a run of so many labels; `None` where it is gone with a piece.
fn mark(place: &Place, pieces: &[(u32, u32)], labels: u32) -> Option<Mark> {
    let gone = |ordinal: u32| -> u32 {
        pieces.iter().map(|(first, last)| taken_beyond(*first, *last, ordinal)).fold(0, u32::saturating_add)
    };
    let Place { fault, missed, .. } = *place;
    if fault.between_labels() {
        let inside = pieces.iter().any(|(first, last)| (*first..*last).contains(&place.first));
        let position = labels.saturating_sub(place.first).saturating_sub(gone(place.first));
        return (!inside).then_some(Mark { fault, last: None, missed, position });
    }
    let (first, last) = surviving(pieces, place.first.max(1), place.last.max(1))?;
    let from_outside = |ordinal: u32| {
        let behind = labels.saturating_add(1).saturating_sub(ordinal);
        behind.saturating_sub(gone(ordinal)).max(1)
    };
    let (position, end) = (from_outside(last), from_outside(first));
    Some(Mark { fault, last: (end != position).then_some(end), missed, position })
}

/// First and last ordinal of the piece that was taken out for a fault. It ends with the last label of the range.
pub(crate) fn piece(fault: &Fault) -> Option<(u32, u32)> {
    extent(fault.piece?)
}

/// First and last ordinal of a piece; `None` where no label went with it.
pub(crate) fn extent(taken: Taken) -> Option<(u32, u32)> {
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
    use tallyseal_schema::kinds::Fate;
    use tallyseal_schema::kinds::FaultKind::{self, Missing, Splice, Unread};

    use super::*;
    use crate::count::Taken;

    fn fault(kind: FaultKind, ordinal: u32) -> Fault {
        Fault { disposed: None, disposition: None, fault: kind, found: None, last: ordinal, ordinal, piece: None }
    }

    fn taken_out(kind: FaultKind, ordinal: u32, labels: u32) -> Fault {
        Fault {
            disposition: Some(Disposition::TakenOut),
            piece: Some(Taken { fate: Fate::Waste, labels: Labels::new(labels).unwrap(), last: ordinal }),
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
