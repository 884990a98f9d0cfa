use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{CountPurpose, CrossCheck, Direction, Disposition, Fate, FaultKind, MachineCounts, Role};
use tallyseal_schema::observation::Observation;

use crate::testing::{
    CODE, CODED, OTHER_CODE, Plant, abort, all_hats, check, close, colleague, draft_plugin, id, interrupt, label,
    labels, leave, open, open_incoming, open_recount, reviewer, room, run_of, second_reviewer, set_aside, set_up, sign,
    supervisor, system, take_out,
};
use crate::{Command, CountStatus};

fn good_roll() -> Vec<Observation> {
    run_of(100, Some(CODE), &[])
}

fn reject() -> Command {
    Command::RejectDelivery { delivery: id("D-1"), why: "misprinted".to_owned() }
}

/// A count of R-1 that is open and has run to its end, with these faults on it.
fn run_to_the_end(faults: &[(u32, FaultKind)]) -> (Plant, Id) {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &run_of(100, Some(CODE), faults));
    (plant, count)
}

/// The same, closed.
fn closed(faults: &[(u32, FaultKind)]) -> (Plant, Id) {
    let (mut plant, count) = run_to_the_end(faults);
    plant.did(&room(), close(&count));
    (plant, count)
}

/// A station ST-1 with a plugin that says only this, set up for R-1's item and challenged as well as it can be.
fn with_plugin(emits: &[&str], counts: MachineCounts) -> Plant {
    let mut plant = Plant::ready();
    let mut command = draft_plugin(b"second", "2.0.0");
    let Command::DraftPlugin { emits: says, counts: means, .. } = &mut command else { unreachable!() };
    *says = emits.iter().map(|name| (*name).to_owned()).collect();
    *means = counts;
    plant.did(&supervisor(), command);
    plant.did(&reviewer(), Command::ApprovePlugin { plugin: id("P-000002") });
    plant.did(&supervisor(), Command::BindPlugin { station: id("ST-1"), plugin: id("P-000002") });
    plant
}

/// Opens a count without the challenge that a new plugin needs: by the runs of a qualification.
fn opened_with(emits: &[&str], counts: MachineCounts) -> (Plant, Id) {
    let mut plant = with_plugin(emits, counts);
    let command = open("ST-1", "test_roll/T-1", CountPurpose::Qualification, Direction::Forward);
    let count = plant.opened(&room(), command);
    (plant, count)
}

fn says(plant: &mut Plant, count: &Id, observations: &[Observation]) {
    let piece = plant.piece(Some(count), observations);
    plant.did(&system(), Command::Observe { station: id("ST-1"), piece: Box::new(piece) });
}

fn closed_body(plant: &Plant) -> tallyseal_schema::kinds::CountClosed {
    match &plant.last("count.closed").body {
        Body::CountClosed(body) => body.clone(),
        _ => panic!("no count"),
    }
}

#[test]
fn a_count_binds_roll_and_station_until_it_ends() {
    let mut plant = Plant::ready();
    plant.makes(
        &room(),
        open_incoming("ST-1", "R-1"),
        &["count.opened C-000003", "station.count_opened ST-1", "roll.count_opened R-1"],
    );
    plant.station_stands("ST-2");
    plant.did(&room(), set_up("ST-2", CODED));
    plant.refuses(&room(), open_incoming("ST-2", "R-1"), "roll-in-count");
    plant.refuses(&room(), open_incoming("ST-1", "R-2"), "station-in-count");
    let move_roll = || Command::MoveRoll { roll: id("R-1"), place: "cage 2".to_owned() };
    plant.refuses(&room(), move_roll(), "roll-in-count");
    plant.makes(
        &room(),
        abort(&id("C-000003")),
        &["count.aborted C-000003", "station.count_ended ST-1", "roll.count_ended R-1"],
    );
    plant.did(&room(), move_roll());
}

#[test]
fn every_attempt_is_kept_and_numbered() {
    let mut plant = Plant::ready();
    let first = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.did(&room(), abort(&first));
    let second = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.did(&room(), interrupt(&second));
    let third = plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    let fourth = plant.signed("ST-1", open_recount("ST-1", "R-1"), &good_roll());
    let expected = [
        (first, 1, CountStatus::Aborted),
        (second, 2, CountStatus::Interrupted),
        (third, 3, CountStatus::Signed),
        (fourth, 4, CountStatus::Signed),
    ];
    for (count, attempt, status) in expected {
        let state = plant.count_state(&count);
        assert_eq!((state.attempt, state.status), (attempt, status), "{count}");
    }
    assert_eq!(plant.last("count.aborted").header.why.as_deref(), Some("the wrong roll lay on the table"));
}

#[test]
fn a_count_is_for_a_purpose_that_fits_the_roll() {
    let mut plant = Plant::ready();
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "not-counted");
    plant.refuses(&room(), open("ST-1", "roll/R-1", CountPurpose::Issue, Direction::Forward), "no-order");
    plant.refuses(&room(), open("ST-1", "roll/R-1", CountPurpose::Return, Direction::Forward), "nothing-came-back");
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "already-counted");
    plant.did(&room(), open_recount("ST-1", "R-1"));
    let mut plant = Plant::ready();
    // A roll is no test roll, and a test roll no roll.
    plant.refuses(&room(), open("ST-1", "roll/R-1", CountPurpose::Challenge, Direction::Forward), "no-such-test-roll");
    plant.refuses(&room(), open("ST-1", "test_roll/T-1", CountPurpose::Incoming, Direction::Forward), "no-such-roll");
    plant.refuses(&room(), open_incoming("ST-1", "R-99"), "no-such-roll");
}

#[test]
fn a_count_that_was_closed_is_signed_before_the_roll_is_counted_again() {
    let (mut plant, count) = closed(&[]);
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "count-not-signed");
    plant.did(&room(), sign(&count));
    plant.did(&room(), open_recount("ST-1", "R-1"));
}

#[test]
fn a_count_is_closed_once_and_at_the_end_of_the_roll() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.refuses(&room(), close(&count), "roll-not-ended");
    plant.says("ST-1", &count, &good_roll());
    plant.makes(&room(), close(&count), &["count.closed C-000003", "station.count_ended ST-1", "roll.count_ended R-1"]);
    let body = closed_body(&plant);
    assert_eq!((body.labels, body.labels_seen, body.machine_total, body.exceptions), (labels(100), 100, 100, 0));
    plant.refuses(&room(), close(&count), "count-closed");
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), close(&count), "count-signed");
    plant.refuses(&room(), sign(&count), "count-signed");
    plant.refuses(&room(), close(&id("C-000099")), "no-such-count");
}

#[test]
fn nothing_follows_a_count_that_was_interrupted_or_given_up() {
    for end in [interrupt as fn(&Id) -> Command, abort] {
        let mut plant = Plant::ready();
        let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
        plant.did(&room(), end(&count));
        let code = if plant.count_state(&count).status == CountStatus::Aborted {
            "count-aborted"
        } else {
            "count-interrupted"
        };
        for command in [close(&count), interrupt(&count), abort(&count), sign(&count), check(&count)] {
            plant.refuses(&room(), command, code);
        }
        plant.refuses(&room(), leave(&count, FaultKind::Splice, 1, 9), code);
        plant.did(&room(), open_incoming("ST-1", "R-1"));
    }
}

#[test]
fn a_link_that_is_down_closes_no_count() {
    let (mut plant, count) = run_to_the_end(&[]);
    let lose = Command::LoseLink { station: id("ST-1"), link: "main".to_owned(), cause: "cable".to_owned() };
    plant.did(&system(), lose);
    plant.refuses(&room(), close(&count), "link-down");
    let mut restored = plant.clone();
    restored.did(&system(), Command::RestoreLink { station: id("ST-1"), link: "main".to_owned() });
    restored.did(&room(), close(&count));
    plant.did(&room(), interrupt(&count));
}

#[test]
fn part_counts_are_never_added() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    let run = good_roll();
    let (before, after) = run.split_at(40);
    plant.says("ST-1", &count, before);
    plant.says("ST-1", &count, &[Observation::WebBreak { ordinal: 38 }]);
    plant.says("ST-1", &count, after);
    plant.refuses(&room(), close(&count), "web-broke");
    plant.did(&room(), interrupt(&count));
    // A total that was set back in between.
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[label(1, Some(CODE)), Observation::Reset {}]);
    plant.says("ST-1", &count, &good_roll());
    plant.refuses(&room(), close(&count), "total-was-reset");
    plant.did(&room(), interrupt(&count));
    plant.signed("ST-1", open_incoming("ST-1", "R-1"), &good_roll());
}

#[test]
fn a_total_that_is_set_to_zero_before_anything_passes_is_none() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    // What the roll before came to, told again and again until the machine is set to zero.
    plant.says("ST-1", &count, &[Observation::Total { value: 2_500 }, Observation::Total { value: 2_500 }]);
    plant.says("ST-1", &count, &[Observation::Total { value: 2_500 }, Observation::Reset {}]);
    plant.says("ST-1", &count, &good_roll());
    plant.did(&room(), close(&count));
    assert_eq!((closed_body(&plant).labels, closed_body(&plant).exceptions), (labels(100), 0));
}

#[test]
fn a_reset_and_the_first_total_after_it_may_come_in_one_piece() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    let all = [
        [Observation::Total { value: 2_500 }, Observation::Reset {}].as_slice(),
        &good_roll(),
        &[Observation::Total { value: 100 }],
    ]
    .concat();
    plant.says("ST-1", &count, &all);
    assert_eq!(plant.count_state(&count).machine_total, Some(100));
    plant.did(&room(), close(&count));
}

#[test]
fn a_machine_that_has_counted_nothing_closes_nothing() {
    for nothing in [
        vec![],
        vec![Observation::Total { value: 0 }],
        vec![Observation::Ticket { total: 0, fields: Default::default() }],
    ] {
        let mut plant = Plant::ready();
        let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
        plant.says("ST-1", &count, &[nothing, vec![Observation::RollEnd { ordinal: 0 }]].concat());
        plant.refuses(&room(), close(&count), "nothing-counted");
        plant.did(&room(), interrupt(&count));
    }
}

#[test]
fn the_total_is_the_tickets_then_the_running_one_then_what_was_seen() {
    let ticket = |total: u32| Observation::Ticket { total, fields: Default::default() };
    let end = || Observation::RollEnd { ordinal: 3 };
    let three = [label(1, Some(CODE)), label(2, Some(CODE)), label(3, Some(CODE)), end()];
    for (more, total, exceptions) in [
        (vec![], 3, vec![]),
        (vec![Observation::Total { value: 4 }], 4, vec![CrossCheck::TotalAgainstLabels]),
        (vec![Observation::Total { value: 3 }, ticket(3)], 3, vec![]),
        (
            vec![Observation::Total { value: 3 }, ticket(2)],
            2,
            vec![CrossCheck::TotalAgainstLabels, CrossCheck::TicketAgainstTotal],
        ),
        (vec![ticket(3)], 3, vec![]),
    ] {
        let mut plant = Plant::ready();
        let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
        plant.says("ST-1", &count, &[three.as_slice(), &more].concat());
        plant.did(&room(), close(&count));
        assert_eq!(closed_body(&plant).machine_total, total);
        assert_eq!(plant.count_state(&count).machine_total, Some(total));
        let found: Vec<_> = plant.count_state(&count).exceptions.keys().copied().collect();
        assert_eq!(found, exceptions);
        assert_eq!(closed_body(&plant).exceptions as usize, exceptions.len());
    }
}

#[test]
fn a_machine_that_counts_places_has_its_missing_labels_taken_off() {
    let emits = ["total", "missing", "label"];
    let (mut plant, count) = opened_with(&emits, MachineCounts::Pitches);
    let missing = |ordinal: u32| Observation::Missing { ordinal, lane: None };
    says(&mut plant, &count, &[missing(3), missing(3), missing(9), Observation::Total { value: 100 }]);
    plant.did(&room(), close(&count));
    assert_eq!((closed_body(&plant).labels, closed_body(&plant).machine_total), (labels(97), 100));
    // One that counts labels does not.
    let (mut plant, count) = opened_with(&emits, MachineCounts::Labels);
    says(&mut plant, &count, &[missing(3), missing(3), Observation::Total { value: 100 }]);
    plant.did(&room(), close(&count));
    assert_eq!(closed_body(&plant).labels, labels(100));
}

#[test]
fn a_total_that_is_no_quantity_closes_nothing() {
    let (mut plant, count) = opened_with(&["total", "missing"], MachineCounts::Pitches);
    says(
        &mut plant,
        &count,
        &[Observation::Missing { ordinal: 1, lane: None }, Observation::Total { value: 10_000_002 }],
    );
    plant.refuses(&room(), close(&count), "absurd-total");
    says(&mut plant, &count, &[Observation::Total { value: 10_000_001 }]);
    plant.did(&room(), close(&count));
    let (mut plant, count) = opened_with(&["total", "missing"], MachineCounts::Pitches);
    let missing = || Observation::Missing { ordinal: 1, lane: None };
    says(&mut plant, &count, &[missing(), missing(), Observation::Total { value: 1 }]);
    plant.refuses(&room(), close(&count), "absurd-total");
    says(&mut plant, &count, &[Observation::Total { value: 2 }]);
    plant.refuses(&room(), close(&count), "nothing-counted");
    says(&mut plant, &count, &[Observation::Total { value: 3 }]);
    plant.did(&room(), close(&count));
    assert_eq!(closed_body(&plant).labels, labels(1));
}

#[test]
fn labels_seen_are_held_against_the_total_only_where_the_machine_tells_every_label() {
    let unread = |ordinal: u32| Observation::Unread { ordinal, lane: None };
    for (emits, differs) in [(vec!["total", "unread"], false), (vec!["total", "unread", "label"], true)] {
        let (mut plant, count) = opened_with(&emits, MachineCounts::Labels);
        says(&mut plant, &count, &[unread(1), Observation::Total { value: 50 }]);
        plant.did(&room(), close(&count));
        let found = plant.count_state(&count).exceptions.contains_key(&CrossCheck::TotalAgainstLabels);
        assert_eq!(found, differs, "{emits:?}");
    }
}

#[test]
fn a_reader_that_reads_nothing_of_a_coded_roll_leaves_the_count_in_doubt() {
    let end = [Observation::Reset {}, Observation::RollEnd { ordinal: 0 }, Observation::Total { value: 100 }];
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &end);
    plant.did(&room(), close(&count));
    assert!(plant.count_state(&count).in_doubt());
    // Where the labels carry no code there is nothing to read.
    let mut plant = Plant::ready_for_two();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-4"));
    plant.says("ST-1", &count, &end);
    plant.did(&room(), close(&count));
    assert!(!plant.count_state(&count).in_doubt());
}

#[test]
fn a_machine_that_cannot_tell_the_end_of_the_roll_is_closed_by_the_person() {
    let (mut plant, count) = opened_with(&["total"], MachineCounts::Labels);
    says(&mut plant, &count, &[Observation::Total { value: 97 }]);
    plant.did(&room(), close(&count));
}

#[test]
fn whoever_closed_a_count_signs_it_and_a_second_person_checks_it() {
    let (mut plant, count) = closed(&[]);
    plant.refuses(&colleague(), sign(&count), "not-your-count");
    plant.refuses(&colleague(), check(&count), "count-closed");
    plant.makes(&room(), sign(&count), &["\"counted\" C-000003", "roll.counted R-1", "roll.count_settled R-1"]);
    plant.refuses(&room(), check(&count), "same-person");
    plant.makes(&colleague(), check(&count), &["\"count checked\" C-000003"]);
    plant.refuses(&supervisor(), check(&count), "already-checked");
    assert!(plant.record("count/C-000003").facts.signed("count checked"));
}

#[test]
fn nobody_who_had_a_part_in_a_count_checks_it() {
    // One opens, another closes and signs, a third disposes.
    let mut plant = Plant::ready();
    let count = plant.opened(&all_hats(Role::LabelRoom), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &run_of(100, Some(CODE), &[(7, FaultKind::Splice)]));
    plant.did(&colleague(), leave(&count, FaultKind::Splice, 7, 7));
    plant.did(&room(), close(&count));
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), check(&count), "same-person");
    plant.refuses(&colleague(), check(&count), "same-person");
    plant.refuses(&all_hats(Role::Supervisor), check(&count), "same-person");
    plant.did(&supervisor(), check(&count));
}

#[test]
fn a_count_is_signed_when_every_fault_has_its_disposition() {
    let (mut plant, count) = closed(&[(7, FaultKind::Splice), (9, FaultKind::Unread), (30, FaultKind::Unread)]);
    plant.refuses(&room(), sign(&count), "faults-wait");
    plant.did(&room(), leave(&count, FaultKind::Splice, 7, 7));
    plant.did(&room(), leave(&count, FaultKind::Unread, 9, 9));
    plant.refuses(&room(), sign(&count), "faults-wait");
    plant.did(&room(), leave(&count, FaultKind::Unread, 30, 30));
    plant.did(&room(), sign(&count));
}

#[test]
fn a_disposition_is_for_one_kind_in_one_range_once() {
    let (mut plant, count) = closed(&[(7, FaultKind::Splice), (9, FaultKind::Unread), (30, FaultKind::Unread)]);
    plant.refuses(&room(), leave(&count, FaultKind::Splice, 8, 100), "no-such-fault");
    plant.refuses(&room(), leave(&count, FaultKind::Splice, 1, 6), "no-such-fault");
    plant.refuses(&room(), leave(&count, FaultKind::Missing, 1, 100), "no-such-fault");
    plant.refuses(&room(), leave(&count, FaultKind::Unread, 30, 9), "no-such-fault");
    plant.makes(&room(), leave(&count, FaultKind::Unread, 9, 30), &["count.fault_disposed C-000003"]);
    plant.refuses(&room(), leave(&count, FaultKind::Unread, 9, 30), "no-such-fault");
    plant.did(&room(), leave(&count, FaultKind::Splice, 7, 7));
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), leave(&count, FaultKind::Splice, 7, 7), "count-signed");
}

#[test]
fn a_wrong_code_is_set_aside_and_nothing_else_is() {
    let (mut plant, count) = closed(&[(7, FaultKind::Splice), (9, FaultKind::WrongCode)]);
    plant.refuses(&room(), leave(&count, FaultKind::WrongCode, 9, 9), "wrong-code-sets-aside");
    plant.refuses(&room(), take_out(&count, FaultKind::WrongCode, 9, 9, 1), "wrong-code-sets-aside");
    let mut splice = set_aside(&count, 7, 7);
    let Command::DisposeFaults { fault, .. } = &mut splice else { unreachable!() };
    *fault = FaultKind::Splice;
    plant.refuses(&room(), splice, "wrong-code-sets-aside");
    plant.did(&room(), set_aside(&count, 9, 9));
    plant.did(&room(), leave(&count, FaultKind::Splice, 7, 7));
    plant.did(&room(), sign(&count));
}

#[test]
fn nothing_is_done_about_the_faults_of_a_test_roll() {
    let mut plant = Plant::ready();
    let run = plant.opened(&room(), crate::testing::open_challenge("ST-1", "T-1", Direction::Forward));
    plant.says("ST-1", &run, &crate::testing::test_run());
    for command in
        [leave(&run, FaultKind::Splice, 1, 97), take_out(&run, FaultKind::Splice, 10, 10, 1), set_aside(&run, 1, 97)]
    {
        plant.refuses(&room(), command.clone(), "faults-on-purpose");
        let mut closed = plant.clone();
        closed.did(&room(), close(&run));
        closed.refuses(&room(), command, "faults-on-purpose");
    }
}

#[test]
fn a_piece_that_is_taken_out_has_its_labels_and_its_fate_and_nothing_else_has() {
    let (plant, count) = closed(&[(9, FaultKind::Unread)]);
    let with = |disposition: Disposition, piece: Option<u32>, fate: Option<Fate>| {
        let mut command = leave(&count, FaultKind::Unread, 9, 9);
        let Command::DisposeFaults { disposition: what, labels: how_many, fate: where_to, .. } = &mut command else {
            unreachable!()
        };
        (*what, *how_many, *where_to) = (disposition, piece.map(labels), fate);
        command
    };
    let (left, out) = (Disposition::Left, Disposition::TakenOut);
    for (disposition, piece, fate, code) in [
        (out, None, None, "piece-without-fate"),
        (out, Some(1), None, "piece-without-fate"),
        (out, None, Some(Fate::Waste), "piece-without-fate"),
        (left, Some(1), None, "no-piece"),
        (left, None, Some(Fate::Waste), "no-piece"),
        (left, Some(1), Some(Fate::Waste), "no-piece"),
    ] {
        plant.clone().refuses(&room(), with(disposition, piece, fate), code);
    }
    for fate in [Fate::Waste, Fate::Specimen, Fate::Supplier] {
        plant.clone().did(&room(), with(out, Some(1), Some(fate)));
    }
}

#[test]
fn a_piece_fits_into_what_ran_over_the_table() {
    let (plant, count) = closed(&[(9, FaultKind::Unread), (100, FaultKind::Unread)]);
    let piece = |first: u32, last: u32, labels: u32| take_out(&count, FaultKind::Unread, first, last, labels);
    // Labels 1 to 9 and no more; the last one is the hundredth.
    plant.clone().did(&room(), piece(9, 9, 9));
    plant.clone().refuses(&room(), piece(9, 9, 10), "piece-does-not-fit");
    plant.clone().did(&room(), piece(100, 100, 100));
    plant.clone().refuses(&room(), piece(100, 101, 1), "piece-does-not-fit");
    // It holds what it was cut out for.
    plant.clone().did(&room(), piece(9, 12, 4));
    plant.clone().refuses(&room(), piece(9, 12, 3), "piece-too-short");
    plant.clone().refuses(&room(), piece(9, 9, 0), "piece-too-short");
    plant.clone().did(&room(), piece(9, 100, 92));
    plant.clone().refuses(&room(), piece(9, 100, 91), "piece-too-short");
}

#[test]
fn a_piece_between_labels_may_hold_none() {
    let (mut plant, count) = closed(&[(9, FaultKind::Missing)]);
    plant.did(&room(), take_out(&count, FaultKind::Missing, 9, 9, 0));
    assert_eq!(plant.count_state(&count).taken_out(), 0);
    plant.did(&room(), sign(&count));
    assert_eq!(plant.roll("R-1").settled.as_ref().unwrap().on_roll, labels(100));
}

#[test]
fn a_label_is_taken_out_once() {
    let faults = [(9, FaultKind::Unread), (12, FaultKind::Splice), (15, FaultKind::Unread), (20, FaultKind::Missing)];
    let (mut plant, count) = closed(&faults);
    // Labels 10 to 14 with the splice.
    plant.did(&room(), take_out(&count, FaultKind::Splice, 12, 14, 5));
    plant.refuses(&room(), take_out(&count, FaultKind::Unread, 15, 15, 2), "piece-overlaps");
    plant.refuses(&room(), take_out(&count, FaultKind::Unread, 9, 10, 2), "piece-overlaps");
    plant.refuses(&room(), take_out(&count, FaultKind::Missing, 20, 20, 15), "piece-overlaps");
    plant.did(&room(), take_out(&count, FaultKind::Unread, 15, 15, 1));
    plant.did(&room(), take_out(&count, FaultKind::Unread, 9, 9, 1));
    plant.did(&room(), take_out(&count, FaultKind::Missing, 20, 20, 5));
    assert_eq!(plant.count_state(&count).taken_out(), 12);
    plant.did(&room(), sign(&count));
    assert_eq!(plant.roll("R-1").settled.as_ref().unwrap().on_roll, labels(88));
}

#[test]
fn a_fault_that_lay_in_a_piece_taken_out_before_goes_with_a_piece_of_none() {
    let (mut plant, count) = closed(&[(9, FaultKind::Unread), (12, FaultKind::Splice)]);
    plant.did(&room(), take_out(&count, FaultKind::Splice, 12, 12, 6));
    plant.did(&room(), take_out(&count, FaultKind::Unread, 9, 9, 0));
    plant.did(&room(), sign(&count));
    let settled = plant.roll("R-1").settled.as_ref().unwrap();
    assert_eq!((settled.on_roll, settled.marks.len()), (labels(94), 0));
}

#[test]
fn faults_may_be_disposed_of_while_the_table_stands() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says(
        "ST-1",
        &count,
        &run_of(100, Some(CODE), &[(7, FaultKind::Splice)]).into_iter().take(12).collect::<Vec<_>>(),
    );
    // Nine labels have passed; the piece may not reach beyond them.
    assert_eq!(plant.count_state(&count).labels_seen, 9);
    plant.refuses(&room(), take_out(&count, FaultKind::Splice, 7, 10, 4), "piece-does-not-fit");
    plant.did(&room(), take_out(&count, FaultKind::Splice, 7, 9, 4));
}

#[test]
fn a_whole_count_is_dropped_by_nobody_because_its_number_does_not_please() {
    let (plant, count) = run_to_the_end(&[]);
    plant.clone().refuses(&room(), interrupt(&count), "roll-ended");
    plant.clone().refuses(&room(), abort(&count), "roll-ended");
    plant.clone().refuses(&colleague(), abort(&count), "roll-ended");
    plant.clone().makes(
        &supervisor(),
        abort(&count),
        &["count.aborted C-000003", "station.count_ended ST-1", "roll.count_ended R-1"],
    );
    // A ticket is the end of a roll as well.
    let (mut plant, count) = opened_with(&["total", "ticket"], MachineCounts::Labels);
    says(&mut plant, &count, &[Observation::Ticket { total: 9, fields: Default::default() }]);
    plant.refuses(&room(), interrupt(&count), "roll-ended");
}

#[test]
fn a_supervisor_who_ran_a_count_does_not_give_it_up_whole() {
    let mut plant = Plant::ready();
    let count = plant.opened(&all_hats(Role::LabelRoom), open_incoming("ST-1", "R-1"));
    // While it runs, anybody of the label room may stop it.
    plant.clone().did(&all_hats(Role::LabelRoom), abort(&count));
    plant.clone().did(&supervisor(), abort(&count));
    plant.says("ST-1", &count, &good_roll());
    plant.refuses(&all_hats(Role::Supervisor), abort(&count), "same-person");
    plant.did(&room(), close(&count));
    plant.refuses(&all_hats(Role::Supervisor), abort(&count), "same-person");
    plant.did(&supervisor(), abort(&count));
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &good_roll());
    plant.did(&all_hats(Role::LabelRoom), close(&count));
    plant.refuses(&all_hats(Role::Supervisor), abort(&count), "same-person");
}

#[test]
fn a_closed_count_that_nobody_can_sign_is_given_up_by_a_supervisor_and_frees_the_roll() {
    let (mut plant, count) = closed(&[]);
    plant.refuses(&room(), abort(&count), "count-closed");
    plant.refuses(&supervisor(), Command::AbortCount { count: count.clone(), why: " ".to_owned() }, "no-reason");
    plant.makes(&supervisor(), abort(&count), &["count.aborted C-000003", "roll.count_ended R-1"]);
    assert_eq!(plant.count_state(&count).status, CountStatus::Aborted);
    plant.refuses(&room(), sign(&count), "count-aborted");
    plant.did(&room(), open_incoming("ST-1", "R-1"));
    // What is signed stays.
    let (mut plant, count) = closed(&[]);
    plant.did(&room(), sign(&count));
    plant.refuses(&supervisor(), abort(&count), "count-signed");
}

#[test]
fn a_whole_run_with_something_lost_may_be_counted_again() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[Observation::Unreadable { why: "no such line".to_owned() }]);
    plant.says("ST-1", &count, &good_roll());
    plant.clone().did(&room(), close(&count));
    plant.did(&room(), interrupt(&count));
}

#[test]
fn a_roll_that_may_not_be_touched_is_not_counted() {
    let mut plant = Plant::ready();
    plant.did(&reviewer(), reject());
    plant.refuses(&room(), open_incoming("ST-1", "R-1"), "roll-rejected");
    // What is rejected while it runs is counted to its end and signed: what was seen is a fact.
    let (mut plant, count) = run_to_the_end(&[]);
    plant.did(&second_reviewer(), reject());
    plant.did(&room(), close(&count));
    plant.did(&room(), sign(&count));
    plant.refuses(&room(), open_recount("ST-1", "R-1"), "roll-rejected");
}

#[test]
fn a_roll_in_quarantine_is_counted() {
    let mut plant = Plant::ready();
    plant.did(&room(), crate::testing::receive("D-3", CODED, &[("R-6", 100)]));
    plant.signed("ST-1", open_incoming("ST-1", "R-6"), &good_roll());
}

#[test]
fn a_code_with_group_separators_is_the_item_s_whichever_way_it_is_written() {
    let mut plant = Plant::furnished();
    let mut draft = crate::testing::item_draft("L-300", "A");
    draft.expected_code.as_mut().unwrap().text = "01095212345678992110^99".to_owned();
    plant.did(&supervisor(), Command::DraftItem { item: id("L-300-A"), draft: Box::new(draft) });
    plant.did(&reviewer(), Command::ApproveItem { item: id("L-300-A"), specimen: crate::testing::specimen() });
    plant.did(&reviewer(), Command::ApproveSupplier { supplier: id("SU-1"), item: id("L-300-A") });
    plant.released("D-3", "L-300-A", &["R-6"]);
    plant.did(&room(), set_up("ST-1", "L-300-A"));
    plant.challenged("ST-1");
    let count = plant.opened(&room(), open_incoming("ST-1", "R-6"));
    let as_read = "01095212345678992110\u{1D}99";
    plant.says("ST-1", &count, &[label(1, Some(as_read)), label(2, Some("01095212345678992110^99"))]);
    assert!(plant.count_state(&count).faults.is_empty());
    plant.says("ST-1", &count, &[label(3, Some("0109521234567899211099"))]);
    assert_eq!(plant.count_state(&count).faults.len(), 1);
    plant.says("ST-1", &count, &[Observation::Mismatch { ordinal: 4, found: as_read.to_owned(), lane: None }]);
    assert!(plant.count_state(&count).exceptions.contains_key(&CrossCheck::MachineReference));
    assert_eq!(plant.count_state(&count).faults.len(), 1);
    assert_ne!(as_read, OTHER_CODE);
}

#[test]
fn a_disposition_reaches_only_what_lies_wholly_in_its_range() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    let code = |ordinal: u32, code: &str| label(ordinal, Some(code));
    plant.says(
        "ST-1",
        &count,
        &[code(1, CODE), code(2, "A"), code(3, "A"), code(4, "B"), code(5, "C"), code(6, "C"), code(7, "C")],
    );
    plant.did(&room(), set_aside(&count, 3, 6));
    let waiting: Vec<_> = plant
        .count_state(&count)
        .faults
        .iter()
        .filter(|fault| fault.disposition.is_none())
        .map(|fault| (fault.ordinal, fault.last))
        .collect();
    assert_eq!(waiting, [(2, 3), (5, 7)]);
}

#[test]
fn a_later_disposition_leaves_an_earlier_one_alone() {
    let (mut plant, count) = closed(&[(9, FaultKind::Unread), (30, FaultKind::Unread)]);
    plant.did(&room(), leave(&count, FaultKind::Unread, 9, 9));
    plant.did(&room(), take_out(&count, FaultKind::Unread, 1, 30, 1));
    let done: Vec<_> =
        plant.count_state(&count).faults.iter().map(|fault| (fault.disposition, fault.piece.is_some())).collect();
    assert_eq!(done, [(Some(Disposition::Left), false), (Some(Disposition::TakenOut), true)]);
}

#[test]
fn a_count_that_cannot_tell_its_end_may_be_given_up_while_it_runs() {
    let (mut plant, count) = opened_with(&["total"], MachineCounts::Labels);
    says(&mut plant, &count, &[Observation::Total { value: 9 }]);
    plant.clone().did(&room(), interrupt(&count));
    plant.did(&room(), abort(&count));
}

#[test]
fn a_count_is_found_by_what_it_is_now() {
    let keys = |plant: &Plant, count: &Id| {
        let stream = format!("count/{count}");
        plant.record(&stream).keys(&id(&stream)).into_iter().map(|key| key.0).collect::<Vec<_>>()
    };
    let always = ["count.bracket=station/ST-1#1", "count.roll=roll/R-1", "count.station=station/ST-1", "thing=count"]
        .map(str::to_owned);
    let with = |more: &[&str]| {
        let mut all = always.to_vec();
        all.extend(more.iter().map(|key| (*key).to_owned()));
        all.sort();
        all
    };
    let (mut plant, count) = run_to_the_end(&[]);
    assert_eq!(keys(&plant, &count), with(&["count.open=yes"]));
    plant.did(&room(), close(&count));
    assert_eq!(keys(&plant, &count), with(&["count.unsigned=yes", "count.unsigned_in=station/ST-1#1"]));
    plant.did(&room(), sign(&count));
    assert_eq!(keys(&plant, &count), with(&[]));
    // A run of a challenge waits for its conclusion, one of a qualification for nothing.
    let of = |purpose: CountPurpose| {
        let mut plant = Plant::ready();
        let count = plant.opened(&room(), open("ST-1", "test_roll/T-1", purpose, Direction::Forward));
        plant.says("ST-1", &count, &crate::testing::test_run());
        plant.did(&room(), close(&count));
        keys(&plant, &count).into_iter().filter(|key| !key.starts_with("count.roll")).collect::<Vec<_>>()
    };
    assert_eq!(
        of(CountPurpose::Challenge),
        ["count.challenge=station/ST-1#1", "count.station=station/ST-1", "thing=count"]
    );
    assert_eq!(of(CountPurpose::Qualification), ["count.station=station/ST-1", "thing=count"]);
}
