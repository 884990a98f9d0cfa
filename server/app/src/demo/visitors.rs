//! What the demo has for people who look in while it is served: rolls that nobody has counted yet, a short test roll, and
//! the simulated table, which runs whatever roll a count is begun of.

use std::time::Duration;

use serde_json::json;
use tallyseal_book::{Book, ReadError};
use tallyseal_control::{CountState, CountStatus, Fault, Record, State};
use tallyseal_machines::table::{Direction, Roll, RollRun, SimFault, SimFaultKind, Speed, TableHandle};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{Disposition, FaultKind};
use tokio::sync::broadcast::error::RecvError;

use super::people::People;
use super::plant::{CODE, ITEM, OTHER_CODE, SHIPPER_ITEM, TEST_ROLL, deliver, next_year};
use super::shift::test_roll;
use crate::cli::CannotRun;
use crate::desk::Desk;

/// A test roll that has run before anybody is tired of it.
const SHORT_TEST_ROLL: &str = "TR-02";
const SHORT_CERTIFIED: u32 = 211;
/// Between the count that was begun and the first label: somebody walks to the table and presses its button.
const WALK: Duration = Duration::from_millis(1_500);
/// The table tells its total so often. Unit: labels.
const TOTAL_EVERY: u32 = 10;

/// Three deliveries that are released and not counted, and the short test roll.
pub(super) async fn stock(desk: &Desk, people: &People) -> Result<(), CannotRun> {
    let certificate = json!({
        "test_roll": SHORT_TEST_ROLL, "certificate": "CE-2026-02 (invented)", "certified": SHORT_CERTIFIED, "code": CODE,
        "expires": next_year(), "faults": { "missing": 1, "splice": 1, "unread": 1, "wrong_code": 1 },
    });
    people.supervisor.act(desk, "register_test_roll", certificate).await?;
    people.reviewer.sign(desk, "certify_test_roll", json!({ "test_roll": SHORT_TEST_ROLL })).await?;
    for (delivery, lot, item, rolls) in [
        ("DL-0004", "PW-77230", SHIPPER_ITEM, [("R-000401", 403), ("R-000402", 260)].as_slice()),
        ("DL-0005", "PW-77231", ITEM, [("R-000501", 643), ("R-000502", 500), ("R-000503", 150)].as_slice()),
        ("DL-0006", "PW-77232", ITEM, [("R-000601", 480)].as_slice()),
    ] {
        deliver(desk, people, (delivery, lot, item), rolls).await?;
    }
    Ok(())
}

/// What lies on the rolls that a visitor may count. What is stated is not always what is there.
fn printed(id: &str) -> Option<Roll> {
    let coded = |labels| Roll::plain(labels, Some(CODE));
    let wrong = || SimFaultKind::WrongCode(OTHER_CODE.to_owned());
    Some(match id {
        TEST_ROLL => test_roll(),
        SHORT_TEST_ROLL => coded(SHORT_CERTIFIED)
            .with(31, SimFaultKind::Missing)
            .with(77, SimFaultKind::Splice)
            .with(120, SimFaultKind::Unread)
            .with(160, wrong()),
        "R-000401" => Roll::plain(398, None)
            .with(50, SimFaultKind::Missing)
            .with(51, SimFaultKind::Missing)
            .with(133, SimFaultKind::Splice),
        "R-000402" => Roll::plain(260, None),
        "R-000501" => coded(639)
            .with(100, SimFaultKind::Missing)
            .with(200, SimFaultKind::Unread)
            .with(201, SimFaultKind::Unread)
            .with(202, SimFaultKind::Unread)
            .with(320, SimFaultKind::Splice)
            .with(411, SimFaultKind::Unread),
        "R-000502" => coded(500),
        // Coded as well, but the table's reader is off when it runs: the codes are read by hand.
        "R-000503" => Roll::plain(150, None).with(60, SimFaultKind::Splice),
        "R-000601" => coded(480).with(150, wrong()),
        _ => return None,
    })
}

/// Runs the roll of every count that is begun, at the speed that its station is set up for, and stops where the count is
/// interrupted or given up; until the book stops.
pub(super) async fn run_what_is_laid_on(book: Book, table: TableHandle) {
    let mut committed = book.subscribe();
    loop {
        match committed.recv().await {
            Ok(entry) if entry.kind == "count.opened" => {
                tokio::spawn(run(book.clone(), table.clone(), entry.stream));
            }
            Ok(entry) if matches!(entry.kind, "count.interrupted" | "count.aborted") => table.stop(),
            Ok(_) | Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => return,
        }
    }
}

async fn run(book: Book, table: TableHandle, count: Stream) {
    tokio::time::sleep(WALK).await;
    match laid_on(&book, &count) {
        Ok(Some(run)) => {
            if let Err(error) = table.run(run).await {
                tracing::error!(%count, %error, "the simulated table does not run");
            }
        }
        // Given up before it began.
        Ok(None) => {}
        Err(error) => tracing::error!(%count, %error, "the demo does not know what lies on the table"),
    }
}

/// The run of a count that is open.
fn laid_on(book: &Book, count: &Stream) -> Result<Option<RollRun>, ReadError> {
    let Some((_, Record { state: State::Count(state), .. })) = book.record(count)? else { return Ok(None) };
    if state.status != CountStatus::Open {
        return Ok(None);
    }
    let speed = match book.record(&state.station)? {
        Some((_, Record { state: State::Station(station), .. })) => {
            station.set_up.map_or(station.rated_labels_per_min, |set_up| set_up.speed_labels_per_min)
        }
        _ => return Ok(None),
    };
    let roll = lies(book, &state)?;
    Ok(Some(RollRun {
        direction: state.direction,
        speed: Speed::LabelsPerMinute(speed),
        total_every: TOTAL_EVERY,
        ..RollRun::new(roll)
    }))
}

/// What lies on the roll now: as it was printed, without what was taken out of it since. Of a roll that the demo has not
/// made for visitors: as many good labels as its record has.
fn lies(book: &Book, count: &CountState) -> Result<Roll, ReadError> {
    let record = match book.record(&count.roll)? {
        Some((_, Record { state: State::Roll(roll), .. })) => Some(roll),
        _ => None,
    };
    let Some(mut roll) = printed(count.roll.id().as_str()) else {
        let labels = record.map_or(0, |roll| roll.settled.map_or(roll.stated, |settled| settled.on_roll).get());
        return Ok(Roll::plain(labels, count.expected_code.as_deref()));
    };
    for before in record.into_iter().flat_map(|roll| roll.counts) {
        if let Some((_, Record { state: State::Count(before), .. })) = book.record(&before.count)? {
            roll = cut(roll, before.direction, &before.faults);
        }
    }
    Ok(roll)
}

/// A roll without what was taken out of it in a count.
fn cut(roll: Roll, direction: Direction, faults: &[Fault]) -> Roll {
    let turned = direction == Direction::Rewind;
    let seen = if turned { roll.mirrored() } else { roll };
    let taken = || faults.iter().filter(|fault| fault.disposition == Some(Disposition::TakenOut));
    let pieces: Vec<(u32, u32)> = taken()
        .filter_map(|fault| fault.piece)
        .filter(|piece| piece.labels.get() > 0)
        .map(|piece| (piece.last.saturating_add(1).saturating_sub(piece.labels.get()), piece.last))
        .collect();
    let gone_to = |label: u32| -> u32 {
        let in_piece = |(first, last): &(u32, u32)| (*last).min(label).saturating_add(1).saturating_sub(*first);
        pieces.iter().map(in_piece).sum()
    };
    let is_gone = |fault: &SimFault| match fault.kind {
        SimFaultKind::Splice => taken().any(|one| one.fault == FaultKind::Splice && one.ordinal == fault.at),
        SimFaultKind::Missing => taken().any(|one| one.fault == FaultKind::Missing && one.ordinal == fault.at),
        SimFaultKind::WebBreak => false,
        SimFaultKind::Unread | SimFaultKind::WrongCode(_) => {
            pieces.iter().any(|(first, last)| (*first..=*last).contains(&fault.at))
        }
    };
    let faults = seen
        .faults
        .iter()
        .filter(|fault| !is_gone(fault))
        .map(|fault| SimFault { at: fault.at.saturating_sub(gone_to(fault.at)), kind: fault.kind.clone() });
    let left = Roll {
        labels: seen.labels.saturating_sub(gone_to(seen.labels)),
        code: seen.code.clone(),
        faults: faults.collect(),
    };
    if turned { left.mirrored() } else { left }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_roll_that_a_visitor_may_count_is_one_that_the_table_can_run() {
        let all = [TEST_ROLL, SHORT_TEST_ROLL, "R-000401", "R-000402", "R-000501", "R-000502", "R-000503", "R-000601"];
        for id in all {
            assert_eq!(printed(id).map(|roll| roll.check()), Some(Ok(())), "{id}");
        }
        assert_eq!(printed(SHORT_TEST_ROLL).map(|roll| roll.labels), Some(SHORT_CERTIFIED));
        assert_eq!(printed("R-000101"), None);
    }

    #[test]
    fn what_was_taken_out_lies_on_the_roll_no_more() {
        let fault = |fault, ordinal, piece: Option<(u32, u32)>| tallyseal_control::Fault {
            disposed: None,
            disposition: Some(if piece.is_some() { Disposition::TakenOut } else { Disposition::Left }),
            fault,
            found: None,
            last: ordinal,
            ordinal,
            piece: piece.map(|(labels, last)| tallyseal_control::Taken {
                fate: tallyseal_schema::kinds::Fate::Waste,
                labels: tallyseal_schema::Labels::new(labels).unwrap(),
                last,
            }),
        };
        let roll = Roll::plain(10, Some("A")).with(3, SimFaultKind::Splice).with(8, SimFaultKind::Unread);
        let splice = fault(FaultKind::Splice, 3, Some((2, 4)));
        let unread = fault(FaultKind::Unread, 8, None);
        let left = cut(roll.clone(), Direction::Forward, &[splice, unread]);
        assert_eq!(left, Roll::plain(8, Some("A")).with(6, SimFaultKind::Unread));
        // The same piece as it is met when the roll is wound back: labels 7 and 8 of that run are 4 and 3 of this one.
        let splice = fault(FaultKind::Splice, 7, Some((2, 8)));
        let unread = fault(FaultKind::Unread, 3, None);
        assert_eq!(cut(roll, Direction::Rewind, &[unread, splice]), left);
    }
}
