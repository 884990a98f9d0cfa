use std::collections::BTreeMap;

use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::{CrossCheck, DeviationRule, Direction, FaultKind, Severity};
use tallyseal_schema::observation::Observation;
use tallyseal_schema::{Body, Hash};

use crate::testing::{
    CODE, LINK, OTHER_CODE, Plant, abort, close, draft_plugin, id, interrupt, label, leave, machine, open_challenge,
    open_incoming, reviewer, room, run_of, sign, supervisor, system,
};
use crate::{Command, CountStatus, Irregular, Piece, RefusalKind};

fn splice(ordinal: u32) -> Observation {
    Observation::Splice { ordinal, lane: None }
}

fn unread(ordinal: u32) -> Observation {
    Observation::Unread { ordinal, lane: None }
}

fn mismatch(ordinal: u32, found: &str) -> Observation {
    Observation::Mismatch { ordinal, found: found.to_owned(), lane: None }
}

fn observe(piece: Piece) -> Command {
    Command::Observe { station: id("ST-1"), piece: Box::new(piece) }
}

/// A count of R-1 is open.
fn counting() -> (Plant, Id) {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    (plant, count)
}

/// The same of R-4, whose item has no code.
fn counting_plain() -> (Plant, Id) {
    let mut plant = Plant::ready_for_two();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-4"));
    (plant, count)
}

#[track_caller]
fn exceptions(plant: &Plant, count: &Id) -> BTreeMap<CrossCheck, u32> {
    plant.count_state(count).exceptions.clone()
}

fn faults(plant: &Plant, count: &Id) -> Vec<(FaultKind, u32, u32)> {
    plant.count_state(count).faults.iter().map(|fault| (fault.fault, fault.ordinal, fault.last)).collect()
}

#[test]
fn plain_labels_are_one_segment_and_every_fault_is_its_own_entry() {
    let (mut plant, count) = counting();
    let made = plant.says("ST-1", &count, &run_of(100, Some(CODE), &[(7, FaultKind::Splice), (9, FaultKind::Unread)]));
    assert_eq!(
        made,
        [
            "count.machine_reported C-000003",
            "count.segment_captured C-000003",
            "count.machine_reported C-000003",
            "count.fault_seen C-000003",
            "count.fault_seen C-000003",
            "count.machine_reported C-000003",
        ]
    );
    let Body::CountSegmentCaptured(segment) = &plant.last("count.segment_captured").body else { panic!() };
    assert_eq!((segment.labels, segment.total, segment.offset), (100, Some(100), 0));
    assert_eq!(plant.count_state(&count).bytes[LINK], segment.length);
    assert_eq!(faults(&plant, &count), [(FaultKind::Splice, 7, 7), (FaultKind::Unread, 9, 9)]);
}

#[test]
fn a_piece_follows_where_the_one_before_it_ended() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[label(1, Some(CODE))]);
    let piece = plant.piece(Some(&count), &[label(2, Some(CODE))]);
    for offset in [0, piece.offset - 1, piece.offset + 1] {
        let refusal = plant.act(&machine("ST-1"), observe(Piece { offset, ..piece.clone() })).unwrap_err();
        assert_eq!((refusal.kind, refusal.text.as_str()), (RefusalKind::Internal, "the count's byte stream has a gap"));
    }
    plant.did(&machine("ST-1"), observe(piece.clone()));
    // The same piece again is not counted again.
    assert!(plant.act(&machine("ST-1"), observe(piece)).is_err());
    assert_eq!(plant.count_state(&count).labels_seen, 2);
}

#[test]
fn a_machine_speaks_for_its_own_station_through_its_own_plugin() {
    let (mut plant, count) = counting();
    let piece = plant.piece(Some(&count), &[label(1, Some(CODE))]);
    let stranger = tallyseal_schema::By::Machine(tallyseal_schema::entry::Machine {
        plugin: Hash::of(b"another"),
        station: id("ST-1"),
    });
    for by in [machine("ST-2"), stranger] {
        assert_eq!(plant.act(&by, observe(piece.clone())).unwrap_err().kind, RefusalKind::Internal);
    }
    plant.refuses(&room(), observe(piece.clone()), "not-for-this-actor");
    plant.did(&machine("ST-1"), observe(piece));
}

#[test]
fn between_counts_it_speaks_through_the_plugin_that_is_bound_now() {
    let mut plant = Plant::ready();
    plant.did(&supervisor(), draft_plugin(b"second", "2.0.0"));
    plant.did(&reviewer(), Command::ApprovePlugin { plugin: id("P-000002") });
    plant.did(&supervisor(), Command::BindPlugin { station: id("ST-1"), plugin: id("P-000002") });
    let piece = plant.piece(None, &[]);
    assert!(plant.act(&machine("ST-1"), observe(piece.clone())).is_err());
    let second = tallyseal_schema::By::Machine(tallyseal_schema::entry::Machine {
        plugin: Hash::of(b"second"),
        station: id("ST-1"),
    });
    plant.makes(&second, observe(piece), &["station.stray_captured ST-1"]);
}

#[test]
fn what_belongs_to_no_open_count_is_kept_and_added_to_none() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &run_of(100, Some(CODE), &[]));
    plant.did(&room(), close(&count));
    let before = plant.count_state(&count).clone();
    // A late word for the count that was closed, for no count, and for one of long ago.
    for belongs in [Some(count.clone()), None, Some(id("C-000001"))] {
        let piece = plant.piece(belongs.as_ref(), &[label(101, Some(OTHER_CODE)), Observation::Total { value: 101 }]);
        plant.makes(&machine("ST-1"), observe(piece), &["station.stray_captured ST-1"]);
    }
    assert_eq!(*plant.count_state(&count), before);
    assert!(plant.roll("R-1").holds.is_empty());
    let Body::StationStrayCaptured(stray) = &plant.last("station.stray_captured").body else { panic!() };
    assert_eq!((stray.after.clone(), stray.length, stray.observed), (Some(id("count/C-000003")), 20, 2));
    // A station that has never counted has nothing before it.
    let mut plant = Plant::furnished();
    let piece = plant.piece(None, &[]);
    plant.did(&machine("ST-1"), observe(piece));
    let Body::StationStrayCaptured(stray) = &plant.last("station.stray_captured").body else { panic!() };
    assert_eq!(stray.after, None);
}

#[test]
fn a_wrong_code_is_critical_and_holds_the_delivery_when_it_is_seen() {
    let (mut plant, count) = counting();
    let made =
        plant.says("ST-1", &count, &[label(1, Some(CODE)), label(2, Some(OTHER_CODE)), label(3, Some(OTHER_CODE))]);
    assert_eq!(
        made,
        [
            "count.segment_captured C-000003",
            "count.fault_seen C-000003",
            "deviation.opened DV-000001",
            "delivery.held D-1",
            "roll.held R-1",
            "roll.held R-2",
            "roll.held R-3",
        ]
    );
    let Body::DeviationOpened(deviation) = &plant.last("deviation.opened").body else { panic!() };
    assert_eq!((deviation.rule, deviation.severity), (DeviationRule::WrongCode, Severity::Critical));
    let about: Vec<_> = deviation.about.iter().map(|stream| stream.as_str()).collect();
    assert_eq!(about, ["roll/R-1", "count/C-000003", "delivery/D-1"]);
    assert!(
        deviation.text.contains("label 2 of the run carries \"0109521234567882\" and not \"0109521234567899\""),
        "{}",
        deviation.text
    );
    assert_eq!(faults(&plant, &count), [(FaultKind::WrongCode, 2, 3)]);
    // Once is enough.
    let made = plant.says("ST-1", &count, &[label(4, Some(OTHER_CODE)), label(5, Some("ANOTHER"))]);
    assert_eq!(made, ["count.segment_captured C-000003", "count.fault_seen C-000003", "count.fault_seen C-000003"]);
}

#[test]
fn a_wrong_code_is_told_once_whoever_tells_of_it() {
    let wrong = |ordinal: u32| label(ordinal, Some(OTHER_CODE));
    let told: [(&[&[Observation]], &[(FaultKind, u32, u32)]); 11] = [
        // The reading, and the machine's own comparison in the same piece or the next.
        (&[&[wrong(1), mismatch(1, OTHER_CODE)]], &[(FaultKind::WrongCode, 1, 1)]),
        (&[&[wrong(1)], &[mismatch(1, OTHER_CODE)]], &[(FaultKind::WrongCode, 1, 1)]),
        (&[&[mismatch(1, OTHER_CODE)], &[wrong(1)]], &[(FaultKind::WrongCode, 1, 1)]),
        // The comparison first, then a run that begins or ends with the same label.
        (
            &[&[mismatch(1, OTHER_CODE)], &[wrong(1), wrong(2), wrong(3)]],
            &[(FaultKind::WrongCode, 1, 1), (FaultKind::WrongCode, 2, 3)],
        ),
        (&[&[wrong(1), wrong(2), mismatch(2, OTHER_CODE)]], &[(FaultKind::WrongCode, 1, 2)]),
        // A place told of lies behind a run, before it, or apart from it on either side.
        (
            &[&[mismatch(3, OTHER_CODE)], &[wrong(1), wrong(2), wrong(3)]],
            &[(FaultKind::WrongCode, 3, 3), (FaultKind::WrongCode, 1, 2)],
        ),
        (
            &[&[mismatch(2, OTHER_CODE)], &[wrong(1), wrong(2), wrong(3)]],
            &[(FaultKind::WrongCode, 2, 2), (FaultKind::WrongCode, 1, 3)],
        ),
        (
            &[&[mismatch(5, OTHER_CODE)], &[wrong(2), wrong(3)]],
            &[(FaultKind::WrongCode, 5, 5), (FaultKind::WrongCode, 2, 3)],
        ),
        (
            &[&[wrong(1), label(2, Some(CODE))], &[wrong(3), wrong(4)]],
            &[(FaultKind::WrongCode, 1, 1), (FaultKind::WrongCode, 3, 4)],
        ),
        (&[&[wrong(1), wrong(2), wrong(3)], &[mismatch(2, OTHER_CODE)]], &[(FaultKind::WrongCode, 1, 3)]),
        // Another code on the same label is another finding.
        (&[&[wrong(1), mismatch(1, "ANOTHER")]], &[(FaultKind::WrongCode, 1, 1), (FaultKind::WrongCode, 1, 1)]),
    ];
    for (pieces, expected) in told {
        let (mut plant, count) = counting();
        for piece in pieces {
            plant.says("ST-1", &count, piece);
        }
        assert_eq!(faults(&plant, &count), expected);
    }
}

#[test]
fn a_code_longer_than_is_copied_is_told_once_as_well() {
    let (mut plant, count) = counting();
    let long = "9".repeat(3_000);
    plant.says("ST-1", &count, &[label(1, Some(&long))]);
    plant.says("ST-1", &count, &[mismatch(1, &long)]);
    assert_eq!(faults(&plant, &count), [(FaultKind::WrongCode, 1, 1)]);
    let found = plant.count_state(&count).faults[0].found.clone().unwrap();
    assert_eq!(found.len(), 500);
}

#[test]
fn a_code_where_the_item_carries_none_is_a_foreign_label() {
    for seen in [label(1, Some(CODE)), mismatch(1, CODE)] {
        let (mut plant, count) = counting_plain();
        plant.says("ST-1", &count, &[seen]);
        assert_eq!(faults(&plant, &count), [(FaultKind::WrongCode, 1, 1)]);
        let Body::DeviationOpened(deviation) = &plant.last("deviation.opened").body else { panic!() };
        assert!(deviation.text.contains("where the item carries no code"), "{}", deviation.text);
        assert_eq!(plant.roll("R-5").holds.len(), 1);
    }
    let (mut plant, count) = counting_plain();
    plant.says("ST-1", &count, &[label(1, None)]);
    assert!(faults(&plant, &count).is_empty());
}

#[test]
fn a_machine_that_calls_the_right_code_wrong_compares_with_another() {
    let (mut plant, count) = counting();
    let made = plant.says("ST-1", &count, &[label(1, Some(CODE)), mismatch(1, CODE)]);
    assert_eq!(
        made,
        ["count.segment_captured C-000003", "count.machine_reported C-000003", "count.exception_found C-000003"]
    );
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::MachineReference, 1)].into());
    assert!(faults(&plant, &count).is_empty() && plant.roll("R-1").holds.is_empty());
    // Its number is not questioned by that.
    assert!(!plant.count_state(&count).in_doubt());
}

#[test]
fn a_wrong_code_on_a_test_roll_holds_nothing() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_challenge("ST-1", "T-1", Direction::Forward));
    let made = plant.says("ST-1", &count, &[label(1, Some(OTHER_CODE)), splice(1), splice(1), splice(1)]);
    assert_eq!(made.iter().filter(|name| name.starts_with("count.")).count(), made.len());
    assert!(exceptions(&plant, &count).is_empty());
}

#[test]
fn more_faults_than_the_item_allows_set_the_roll_aside_by_themselves() {
    // Ten faults and two splices are allowed.
    let (mut plant, count) = counting();
    let ten: Vec<_> = (1..=10).map(unread).collect();
    plant.says("ST-1", &count, &ten);
    assert!(plant.roll("R-1").holds.is_empty());
    let made = plant.says("ST-1", &count, &[unread(11)]);
    assert_eq!(
        made,
        [
            "count.segment_captured C-000003",
            "count.fault_seen C-000003",
            "count.exception_found C-000003",
            "deviation.opened DV-000001",
            "roll.held R-1",
        ]
    );
    let Body::DeviationOpened(deviation) = &plant.last("deviation.opened").body else { panic!() };
    assert_eq!((deviation.rule, deviation.severity), (DeviationRule::FaultCap, Severity::Major));
    assert!(plant.roll("R-2").holds.is_empty());
    // Once.
    plant.says("ST-1", &count, &[unread(12)]);
    assert_eq!(plant.roll("R-1").holds.len(), 1);
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::FaultCap, 1)].into());
}

#[test]
fn more_splices_than_the_item_allows_set_the_roll_aside_as_well() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[splice(1), splice(2)]);
    assert!(plant.roll("R-1").holds.is_empty());
    plant.says("ST-1", &count, &[splice(3)]);
    assert_eq!(plant.roll("R-1").holds.len(), 1);
    // Both caps in one piece are one finding.
    let (mut plant, count) = counting();
    let both: Vec<_> = (1..=11).map(splice).collect();
    plant.says("ST-1", &count, &both);
    assert_eq!(plant.roll("R-1").holds.len(), 1);
}

#[test]
fn a_wrong_code_and_too_many_faults_in_one_piece_are_two_deviations() {
    let (mut plant, count) = counting();
    let mut piece: Vec<_> = (1..=11).map(unread).collect();
    piece.push(label(12, Some(OTHER_CODE)));
    plant.says("ST-1", &count, &piece);
    let opened: Vec<_> = plant
        .log
        .iter()
        .filter(|entry| entry.header.kind == "deviation.opened")
        .map(|entry| entry.header.stream.id())
        .collect();
    assert_eq!(opened, [id("DV-000001"), id("DV-000002")]);
    assert_eq!(plant.roll("R-1").holds.len(), 2);
    assert_eq!(plant.roll("R-2").holds.len(), 1);
}

#[test]
fn a_roll_on_hold_is_counted_to_its_end_and_signed() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &run_of(100, Some(CODE), &[(5, FaultKind::WrongCode)]));
    plant.did(&room(), close(&count));
    plant.did(&room(), crate::testing::set_aside(&count, 5, 5));
    plant.did(&room(), sign(&count));
    assert_eq!(plant.count_state(&count).status, CountStatus::Signed);
    plant.refuses(&room(), crate::testing::open_recount("ST-1", "R-1"), "held");
}

#[test]
fn each_cross_check_is_an_exception_where_it_is_seen() {
    let reported = "count.machine_reported";
    let all: [(CrossCheck, Vec<Observation>, bool); 6] = [
        (CrossCheck::Overspeed, vec![Observation::Speed { labels_per_min: 1_001 }], true),
        (CrossCheck::Unreadable, vec![Observation::Unreadable { why: "half a line".to_owned() }], true),
        (CrossCheck::Alarm, vec![Observation::Alarm { code: "A07".to_owned(), text: "cover open".to_owned() }], true),
        (CrossCheck::OrdinalGap, vec![label(1, Some(CODE)), label(3, Some(CODE))], false),
        (CrossCheck::OrdinalFell, vec![label(1, Some(CODE)), label(1, Some(CODE))], false),
        (CrossCheck::TotalFell, vec![Observation::Total { value: 3 }, Observation::Total { value: 2 }], false),
    ];
    for (check, observations, is_report) in all {
        let (mut plant, count) = counting();
        let made = plant.says("ST-1", &count, &observations);
        assert_eq!(exceptions(&plant, &count), [(check, 1)].into());
        assert_eq!(made.iter().any(|name| name.starts_with(reported)), is_report, "{check:?}");
    }
    // The rated speed is no exception, and is not told.
    let (mut plant, count) = counting();
    let made = plant.says("ST-1", &count, &[Observation::Speed { labels_per_min: 1_000 }]);
    assert_eq!(made, ["count.segment_captured C-000003"]);
}

#[test]
fn what_is_irregular_many_times_in_a_piece_is_one_exception_that_says_how_often() {
    let (mut plant, count) = counting();
    let gaps: Vec<_> = (1..=5).map(|n| label(n * 10, Some(CODE))).collect();
    plant.says("ST-1", &count, &gaps);
    let Body::CountExceptionFound(found) = &plant.last("count.exception_found").body else { panic!() };
    assert_eq!(found.text, "Label 10 followed label 0. And 4 more of the kind.");
}

#[test]
fn a_capture_that_began_anew_does_not_hide_what_fell_or_was_set_back() {
    // The follower is lost with the server; the count's own past is not.
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[Observation::Total { value: 10 }, Observation::Total { value: 40 }]);
    plant.says("ST-1", &count, &[Observation::Total { value: 50 }]);
    let piece = plant.piece(Some(&count), &[]);
    let fell = Piece { irregular: Vec::new(), total: Some(49), ..piece.clone() };
    let mut same = plant.clone();
    same.did(&machine("ST-1"), observe(Piece { total: Some(50), ..fell.clone() }));
    assert_eq!(exceptions(&same, &count), [].into());
    let mut after = plant.clone();
    after.did(&machine("ST-1"), observe(fell));
    assert_eq!(exceptions(&after, &count), [(CrossCheck::TotalFell, 1)].into());
    let reset = plant.piece(Some(&count), &[Observation::Reset {}]);
    plant.did(&machine("ST-1"), observe(Piece { irregular: Vec::new(), ..reset }));
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::TotalReset, 1)].into());
    assert_eq!(plant.count_state(&count).machine_total, None);
    plant.refuses(&room(), close(&count), "total-was-reset");
}

#[test]
fn a_fall_that_the_capture_has_seen_is_told_once() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[Observation::Total { value: 50 }]);
    plant.says("ST-1", &count, &[Observation::Total { value: 49 }]);
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::TotalFell, 1)].into());
    plant.says("ST-1", &count, &[label(1, Some(CODE))]);
    plant.says("ST-1", &count, &[Observation::Reset {}]);
    assert_eq!(exceptions(&plant, &count)[&CrossCheck::TotalReset], 1);
}

#[test]
fn silence_is_told_only_while_a_count_is_open() {
    let (mut plant, count) = counting();
    let silent = || Command::NoteSilence { station: id("ST-1"), seconds: 20 };
    plant.makes(&system(), silent(), &[&format!("count.exception_found {count}")]);
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::Silence, 1)].into());
    plant.did(&room(), abort(&count));
    plant.makes(&system(), silent(), &[]);
    plant.refuses(&machine("ST-1"), silent(), "not-for-this-actor");
}

#[test]
fn a_machine_gone_wild_fills_neither_the_book_nor_an_entry() {
    let (mut plant, count) = counting();
    let noise = "\u{7}".repeat(501);
    let wild: Vec<_> = (0..250)
        .flat_map(|n| {
            [
                unread(n),
                Observation::Unreadable { why: noise.clone() },
                Observation::Alarm { code: noise.clone(), text: noise.clone() },
                Observation::VisionReject { ordinal: n, cause: noise.clone(), lane: Some(1) },
                Observation::Halted { ordinal: n, cause: Some(noise.clone()) },
                Observation::Speed { labels_per_min: 5_000 },
                mismatch(n, CODE),
                Observation::Ticket { total: n, fields: [("žluť \"1\\".to_owned(), noise.clone())].into() },
                Observation::Started {},
            ]
        })
        .collect();
    for _ in 0..6 {
        plant.says("ST-1", &count, &wild);
    }
    let of = |kind: &str| {
        let here = |entry: &&tallyseal_schema::Entry| entry.header.kind == kind && entry.header.stream.id() == count;
        plant.log.iter().filter(here).count()
    };
    assert_eq!(of("count.fault_seen"), 2_000);
    assert_eq!(of("count.machine_reported"), 4_000);
    for check in [CrossCheck::Unreadable, CrossCheck::Alarm, CrossCheck::Overspeed, CrossCheck::MachineReference] {
        assert_eq!(exceptions(&plant, &count)[&check], 100, "{check:?}");
    }
    assert_eq!(exceptions(&plant, &count)[&CrossCheck::TooManyFaults], 1);
    // Such a count says nothing about the roll.
    plant.says("ST-1", &count, &[Observation::RollEnd { ordinal: 1 }]);
    plant.refuses(&room(), close(&count), "too-many-faults");
    plant.did(&room(), interrupt(&count));
}

#[test]
fn the_two_thousandth_fault_is_kept_and_the_next_one_is_not() {
    let (mut plant, count) = counting();
    let missing = |number: usize| vec![Observation::Missing { ordinal: 1, lane: None }; number];
    plant.says("ST-1", &count, &missing(1_999));
    plant.says("ST-1", &count, &missing(1));
    assert_eq!(plant.count_state(&count).faults.len(), 2_000);
    assert!(!exceptions(&plant, &count).contains_key(&CrossCheck::TooManyFaults));
    plant.says("ST-1", &count, &missing(1));
    plant.says("ST-1", &count, &missing(1));
    assert_eq!(plant.count_state(&count).faults.len(), 2_000);
    assert_eq!(exceptions(&plant, &count)[&CrossCheck::TooManyFaults], 1);
}

#[test]
fn a_wrong_code_after_two_thousand_faults_still_holds_the_delivery() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &vec![Observation::Missing { ordinal: 1, lane: None }; 2_000]);
    plant.says("ST-1", &count, &[label(1, Some(OTHER_CODE))]);
    assert_eq!(plant.roll("R-2").holds.len(), 1);
}

#[test]
fn the_longest_texts_of_a_machine_fit_into_an_entry() {
    let (mut plant, count) = counting_plain();
    // Six bytes each in JSON, and four.
    for noise in ["\u{1}", "😀", "\""] {
        let noise = noise.repeat(600);
        plant.says(
            "ST-1",
            &count,
            &[
                Observation::Ticket {
                    total: 1,
                    fields: (0..60).map(|field| (format!("{field:03}{noise}"), noise.clone())).collect(),
                },
                Observation::Alarm { code: noise.clone(), text: noise.clone() },
                mismatch(1, &noise),
            ],
        );
    }
    assert_eq!(faults(&plant, &count).len(), 3);
}

#[test]
fn a_run_of_codes_never_claims_more_labels_than_were_observed() {
    let (mut plant, count) = counting();
    let piece = plant.piece(Some(&count), &[label(1, Some(OTHER_CODE)), label(2, Some(OTHER_CODE))]);
    for (first, last) in [(1, 3), (2, 1), (0, u32::MAX)] {
        let mut wrong = piece.clone();
        (wrong.codes[0].first, wrong.codes[0].last) = (first, last);
        assert_eq!(plant.act(&machine("ST-1"), observe(wrong)).unwrap_err().kind, RefusalKind::Internal);
    }
    plant.did(&machine("ST-1"), observe(piece));
}

#[test]
fn an_irregular_total_reset_of_the_capture_is_an_exception() {
    let (mut plant, count) = counting();
    let piece = plant.piece(Some(&count), &[Observation::Reset {}]);
    let piece = Piece { irregular: vec![Irregular::TotalReset { before: 7 }], ..piece };
    plant.did(&machine("ST-1"), observe(piece));
    let Body::CountExceptionFound(found) = &plant.last("count.exception_found").body else { panic!() };
    assert_eq!(found.text, "The machine's total was set back in mid-count, at 7.");
}

#[test]
fn the_link_of_a_count_is_kept_apart_by_its_name() {
    // Two links of one station, each with its own stream of bytes.
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[label(1, Some(CODE))]);
    let piece = plant.piece(Some(&count), &[]);
    plant.did(&machine("ST-1"), observe(Piece { link: "second".to_owned(), length: 5, offset: 0, ..piece.clone() }));
    plant.did(&machine("ST-1"), observe(Piece { length: 3, ..piece }));
    let bytes = &plant.count_state(&count).bytes;
    assert_eq!((bytes[LINK], bytes["second"]), (13, 5));
}

#[test]
fn faults_seen_by_a_camera_or_lying_over_each_other_are_kept_with_their_cause() {
    let (mut plant, count) = counting();
    plant.says(
        "ST-1",
        &count,
        &[
            label(1, Some(CODE)),
            Observation::VisionReject { ordinal: 1, cause: "smear".to_owned(), lane: Some(2) },
            Observation::Overlap { ordinal: 1, lane: None },
        ],
    );
    let Body::CountFaultSeen(seen) =
        &plant.log.iter().rfind(|entry| entry.header.kind == "count.fault_seen").unwrap().body
    else {
        panic!()
    };
    assert_eq!(seen.fault, FaultKind::Overlap);
    assert_eq!(faults(&plant, &count), [(FaultKind::VisionReject, 1, 1), (FaultKind::Overlap, 1, 1)]);
    plant.did(&room(), leave(&count, FaultKind::VisionReject, 1, 1));
    plant.did(&room(), leave(&count, FaultKind::Overlap, 1, 1));
}

#[test]
fn after_a_reset_the_totals_before_it_say_nothing_of_whether_labels_passed() {
    // The roll before stood at 2,500; the machine is set to zero, and five labels pass; then the capture begins anew.
    let (mut plant, count) = counting_plain();
    plant.says("ST-1", &count, &[Observation::Total { value: 2_500 }]);
    plant.says("ST-1", &count, &[Observation::Reset {}]);
    plant.says("ST-1", &count, &[Observation::Total { value: 1 }]);
    plant.says("ST-1", &count, &[Observation::Total { value: 5 }]);
    assert!(exceptions(&plant, &count).is_empty());
    let reset = plant.piece(Some(&count), &[Observation::Reset {}]);
    plant.did(&machine("ST-1"), observe(Piece { irregular: Vec::new(), ..reset }));
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::TotalReset, 1)].into());
}

#[test]
fn a_web_that_tore_is_a_fault_and_an_exception() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[label(1, Some(CODE)), Observation::WebBreak { ordinal: 1 }]);
    assert_eq!(faults(&plant, &count), [(FaultKind::WebBreak, 1, 1)]);
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::WebBreak, 1)].into());
}

#[test]
fn more_faults_in_one_piece_than_are_kept_are_cut_off_there() {
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &vec![Observation::Missing { ordinal: 1, lane: None }; 2_001]);
    assert_eq!(plant.count_state(&count).faults.len(), 2_000);
    assert_eq!(exceptions(&plant, &count)[&CrossCheck::TooManyFaults], 1);
}

#[test]
fn the_hundredth_exception_of_a_check_says_that_there_may_be_more() {
    let (mut plant, count) = counting();
    let alarm = Observation::Alarm { code: "A07".to_owned(), text: "cover open.".to_owned() };
    let text = |plant: &Plant| match &plant.last("count.exception_found").body {
        Body::CountExceptionFound(found) => found.text.clone(),
        _ => panic!(),
    };
    plant.says("ST-1", &count, &vec![alarm.clone(); 99]);
    assert_eq!(text(&plant), "Alarm A07 of the machine: cover open.");
    plant.says("ST-1", &count, &vec![alarm; 2]);
    assert_eq!(text(&plant), "Alarm A07 of the machine: cover open. Further ones of the kind are not listed.");
    assert_eq!(exceptions(&plant, &count), [(CrossCheck::Alarm, 100)].into());
}
