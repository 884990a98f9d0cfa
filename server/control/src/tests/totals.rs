use tallyseal_schema::Body;
use tallyseal_schema::ids::Id;
use tallyseal_schema::kinds::CrossCheck::{self, TotalJumped, TotalLeftOver};
use tallyseal_schema::observation::Observation;

use crate::testing::{CODE, Plant, close, label, open_incoming, room};

// The station of these tests is rated for 1,000 labels a minute, and one second passes with every act.

fn total(value: u32) -> Observation {
    Observation::Total { value }
}

fn end() -> Observation {
    Observation::RollEnd { ordinal: 0 }
}

/// A count of R-4, whose labels carry no code.
fn counting() -> (Plant, Id) {
    let mut plant = Plant::ready_for_two();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-4"));
    (plant, count)
}

/// The same, after so many minutes.
fn counting_since(minutes: i64) -> (Plant, Id) {
    let (mut plant, count) = counting();
    let later = plant.minutes_later(minutes);
    plant.wait_until(later);
    (plant, count)
}

fn found(plant: &Plant, count: &Id, check: CrossCheck) -> bool {
    plant.count_state(count).exceptions.contains_key(&check)
}

/// Ends and closes the count; true where its total is said to be left over.
fn left_over(mut plant: Plant, count: &Id) -> bool {
    plant.says("ST-1", count, &[end()]);
    plant.did(&room(), close(count));
    let found = found(&plant, count, TotalLeftOver);
    assert_eq!(plant.count_state(count).in_doubt(), found || plant.count_state(count).exceptions.len() > 1);
    found
}

#[test]
fn a_total_that_rises_by_more_than_could_pass_is_questioned() {
    // One second between the totals and ten for bytes that were late: 183 labels at rated speed.
    for (rise, jumped) in [(0, false), (183, false), (184, true), (100_000, true)] {
        let (mut plant, count) = counting();
        plant.says("ST-1", &count, &[total(0)]);
        plant.says("ST-1", &count, &[total(rise)]);
        assert_eq!(found(&plant, &count, TotalJumped), jumped, "{rise}");
        assert_eq!(plant.count_state(&count).in_doubt(), jumped);
    }
    // In a minute more can pass.
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[total(0)]);
    let later = plant.minutes_later(1);
    plant.wait_until(later);
    let mut more = plant.clone();
    plant.says("ST-1", &count, &[total(1_183)]);
    assert!(!found(&plant, &count, TotalJumped));
    more.says("ST-1", &count, &[total(1_184)]);
    assert!(found(&more, &count, TotalJumped));
    let Body::CountExceptionFound(body) = &more.last("count.exception_found").body else { panic!() };
    assert_eq!(
        body.text,
        "The total rose from 0 to 1184 within 61 seconds; 0 labels were told, and at the rated 1000 labels a minute no more than 1183 could pass."
    );
    // What has passed before the last total answers for nothing after it.
    plant.says("ST-1", &count, &[total(1_183)]);
    plant.says("ST-1", &count, &[total(1_367)]);
    assert!(found(&plant, &count, TotalJumped));
}

#[test]
fn labels_told_one_by_one_answer_for_the_total_however_fast_they_come() {
    for (beyond, jumped) in [(0, false), (5, false), (6, true)] {
        let (mut plant, count) = counting();
        let labels: Vec<_> = (1..=1_000).map(|ordinal| label(ordinal, None)).collect();
        plant.says("ST-1", &count, &[total(0)]);
        plant.says("ST-1", &count, &labels);
        plant.says("ST-1", &count, &[total(1_000 + beyond)]);
        assert_eq!(found(&plant, &count, TotalJumped), jumped, "{beyond}");
        // Told once, by whoever saw it.
        assert_eq!(plant.count_state(&count).exceptions.get(&TotalJumped).copied().unwrap_or(0), u32::from(jumped));
    }
    // Those before the last total answer for nothing after it.
    let (mut plant, count) = counting();
    let mut said: Vec<_> = (1..=20).map(|ordinal| label(ordinal, None)).collect();
    said.extend([total(20), total(40)]);
    plant.says("ST-1", &count, &said);
    assert!(found(&plant, &count, TotalJumped));
    // Nor on a machine that tells labels only where something is wrong, which is held against the time.
    for (rise, jumped) in [(183, false), (184, true)] {
        let (mut plant, count) = counting();
        let mut said: Vec<_> = (1..=200).map(|ordinal| Observation::Unread { ordinal, lane: None }).collect();
        said.push(total(200));
        plant.says("ST-1", &count, &said);
        plant.says("ST-1", &count, &[total(200 + rise)]);
        assert_eq!(found(&plant, &count, TotalJumped), jumped, "{rise}");
    }
    // Where it counts pitches, a missing label is one.
    let (mut plant, count) = counting();
    let missing = Observation::Missing { ordinal: 1, lane: None };
    plant.says("ST-1", &count, &[total(0), label(1, None), missing.clone(), missing, total(8)]);
    assert!(!found(&plant, &count, TotalJumped));
}

#[test]
fn a_total_of_the_former_roll_is_questioned_and_not_counted_in_silence() {
    // One second after the count began 16 labels could have passed, and 5 are near zero.
    for (first, questioned) in [(0, false), (21, false), (22, true), (2_500, true)] {
        let (mut plant, count) = counting();
        plant.says("ST-1", &count, &[total(first)]);
        plant.says("ST-1", &count, &[total(first + 100)]);
        assert_eq!(left_over(plant, &count), questioned, "{first}");
    }
    // Labels that were seen answer for it as well.
    let (mut plant, count) = counting();
    let mut said: Vec<_> = (1..=100).map(|ordinal| label(ordinal, None)).collect();
    said.push(total(100));
    plant.says("ST-1", &count, &said);
    assert!(!left_over(plant, &count));
}

#[test]
fn a_total_that_waited_for_a_while_is_held_against_its_own_steps() {
    // The machine prints every hundred labels; ten minutes after the count began a thousand could have passed.
    for (first, questioned) in [(100, false), (105, false), (106, true), (900, true)] {
        let (mut plant, count) = counting_since(10);
        for step in 0..3 {
            plant.says("ST-1", &count, &[total(first + step * 100)]);
        }
        assert_eq!(left_over(plant, &count), questioned, "{first}");
    }
    // One total alone has no steps: a machine that says nothing before the end.
    let (mut plant, count) = counting_since(10);
    plant.says("ST-1", &count, &[total(2_500)]);
    assert!(!left_over(plant, &count));
    // Nor has a ticket; it is held against the time.
    for (minutes, questioned) in [(2, true), (3, false)] {
        let (mut plant, count) = counting_since(minutes);
        plant.says("ST-1", &count, &[Observation::Ticket { total: 2_500, fields: Default::default() }]);
        assert_eq!(left_over(plant, &count), questioned, "{minutes}");
    }
}

#[test]
fn after_a_reset_nothing_is_left_over() {
    for said in [vec![Observation::Reset {}, total(2_500)], vec![total(9_000), Observation::Reset {}, total(2_500)]] {
        let (mut plant, count) = counting();
        plant.says("ST-1", &count, &said);
        assert!(!left_over(plant, &count));
    }
    // Told before the machine was set to zero, and after.
    let (mut plant, count) = counting();
    plant.says("ST-1", &count, &[total(2_500)]);
    plant.says("ST-1", &count, &[Observation::Reset {}]);
    plant.says("ST-1", &count, &[total(10)]);
    assert!(!left_over(plant, &count));
}

#[test]
fn a_count_that_began_with_a_left_over_total_does_not_stand_alone() {
    let mut plant = Plant::ready();
    let count = plant.opened(&room(), open_incoming("ST-1", "R-1"));
    plant.says("ST-1", &count, &[total(50)]);
    plant.says("ST-1", &count, &(1..=100).map(|ordinal| label(ordinal, Some(CODE))).collect::<Vec<_>>());
    plant.says("ST-1", &count, &[total(150), end()]);
    plant.did(&room(), close(&count));
    assert!(found(&plant, &count, TotalLeftOver));
    plant.did(&room(), crate::testing::sign(&count));
    assert!(plant.roll("R-1").settled.is_none() && plant.roll("R-1").counts[0].in_doubt);
}
