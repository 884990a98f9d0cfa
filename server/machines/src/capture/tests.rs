//! The segmenter over the shipped plugin's lines, at times that the tests choose.

use std::path::Path;
use std::sync::LazyLock;

use proptest::prelude::*;
use tallyseal_plugin_host::replay;

use super::*;

static PLUGIN: LazyLock<Plugin> = LazyLock::new(|| {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/ticket-line");
    Plugin::load(&Plugin::read_folder(&dir).unwrap()).unwrap()
});

fn line(body: &str) -> Vec<u8> {
    let check = body.bytes().fold(0, |check, byte| check ^ byte);
    format!("{body};{check:02X}\r\n").into_bytes()
}

fn lines(bodies: &[&str]) -> Vec<u8> {
    bodies.iter().flat_map(|body| line(body)).collect()
}

const fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// Feeds each text at its time, with the ticks that were due before, and gives the pieces with the time of each.
fn run(feeds: &[(u64, Vec<u8>)]) -> Vec<(u64, Piece)> {
    let mut segmenter = Segmenter::new(&PLUGIN);
    let mut pieces = Vec::new();
    let mut keep = |at: Duration, out: &mut Vec<Piece>| {
        pieces.extend(out.drain(..).map(|piece| (u64::try_from(at.as_millis()).unwrap(), piece)));
    };
    let mut out = Vec::new();
    for (at, bytes) in feeds {
        while let Some(deadline) = segmenter.deadline().filter(|deadline| *deadline <= ms(*at)) {
            segmenter.tick(deadline, &mut out);
            keep(deadline, &mut out);
        }
        segmenter.feed(bytes, ms(*at), &mut out);
        keep(ms(*at), &mut out);
    }
    if let Some(deadline) = segmenter.deadline() {
        segmenter.tick(deadline, &mut out);
        keep(deadline, &mut out);
    }
    assert_eq!(segmenter.deadline(), None);
    pieces
}

#[test]
fn labels_wait_a_second_and_a_fault_does_not() {
    let pieces = run(&[
        (0, line("L;000001;A")),
        (400, line("C;000001")),
        (999, line("L;000002;A")),
        (1_500, line("L;000003;A")),
        (1_600, lines(&["L;000004;A", "M;000004", "L;000005;A"])),
        (1_700, line("L;000006;A")),
    ]);
    let seen: Vec<(u64, u32, Option<u32>, usize)> =
        pieces.iter().map(|(at, piece)| (*at, piece.labels, piece.total, piece.events.len())).collect();
    assert_eq!(seen, [(1_000, 2, Some(1), 0), (1_600, 3, None, 1), (2_700, 1, None, 0)]);
    let (_, fault) = &pieces[1];
    assert_eq!(fault.events[0].seen, Observation::Missing { ordinal: 4, lane: None });
    assert_eq!(fault.bytes, lines(&["L;000003;A", "L;000004;A", "M;000004", "L;000005;A"]));
}

#[test]
fn a_piece_ends_between_frames_unless_the_timer_cuts_one() {
    let half = line("L;000001;A");
    let (first, second) = half.split_at(5);
    // The fault ends the piece, the begun line waits for its own second from when it came.
    let pieces = run(&[(0, [line("J;000000"), first.to_vec()].concat()), (700, second.to_vec())]);
    assert_eq!(pieces.iter().map(|(at, piece)| (*at, piece.bytes.len())).collect::<Vec<_>>(), [(0, 13), (1_000, 15)]);
    // A line that comes too slowly is captured in two pieces and seen in the second, with its whole place.
    let pieces = run(&[(0, first.to_vec()), (1_200, second.to_vec())]);
    assert_eq!(pieces.iter().map(|(at, piece)| (*at, piece.labels)).collect::<Vec<_>>(), [(1_000, 0), (2_200, 1)]);
    let seen = &pieces[1].1.observations[0];
    assert_eq!((seen.from, seen.to, pieces[1].1.offset), (0, 15, 5));
}

#[test]
fn bytes_that_came_with_a_cut_wait_from_their_own_time() {
    // At 900 a fault ends the piece that began at 0; what is left came at 900.
    let pieces = run(&[(0, line("L;000001;A")), (900, [line("J;000001"), b"L;0000".to_vec()].concat())]);
    assert_eq!(pieces.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [900, 1_900]);
    // At 900 nothing is cut: the oldest byte came at 0.
    let pieces = run(&[(0, b"L;0000".to_vec()), (900, b"01;A".to_vec())]);
    assert_eq!(pieces.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [1_000]);
}

#[test]
fn started_waits_and_an_unchanged_speed_is_no_event() {
    let pieces =
        run(&[(0, line("S")), (10, line("V;00600")), (20, line("S")), (30, line("V;00600")), (40, line("V;00700"))]);
    let events: Vec<(u64, Vec<&str>)> =
        pieces.iter().map(|(at, piece)| (*at, piece.events.iter().map(|event| event.seen.name()).collect())).collect();
    assert_eq!(events, [(10, vec!["started", "speed"]), (40, vec!["started", "speed"])]);
    assert_eq!(pieces[1].1.observations.len(), 3);
}

#[test]
fn codes_are_kept_as_runs_and_another_code_does_not_wait() {
    let pieces = run(&[
        (0, lines(&["L;000001;A", "L;000002;A", "U;000003", "L;000004;A"])),
        (100, line("L;000005;A")),
        (200, line("L;000006;B")),
        (300, lines(&["L;000007;A", "L;000008;A"])),
        (400, line("L;000010;A")),
    ]);
    let run_of = |code: &str, first, last, from, to| CodeRun { code: code.into(), first, last, from, to };
    assert_eq!(pieces[0].1.codes, [run_of("A", 1, 2, 0, 30), run_of("A", 4, 4, 43, 58)]);
    assert_eq!((pieces[1].0, &pieces[1].1.codes[1]), (200, &run_of("B", 6, 6, 73, 88)));
    assert_eq!(
        (pieces[2].0, &pieces[2].1.codes[..]),
        (1_300, &[run_of("A", 7, 8, 88, 118), run_of("A", 10, 10, 118, 133)][..])
    );
    // Where every label has its own code, none of them hurries.
    let pieces = run(&[(0, lines(&["L;000001;A1", "L;000002;A2"])), (100, line("L;000003;A3"))]);
    assert_eq!(pieces.iter().map(|(at, piece)| (*at, piece.codes.len())).collect::<Vec<_>>(), [(1_000, 3)]);
}

#[test]
fn a_piece_has_at_most_4096_labels_64_kib_and_256_events() {
    let labels: Vec<u8> = (1..=5_000).flat_map(|ordinal| line(&format!("L;{ordinal:06};A"))).collect();
    let pieces = run(&[(0, labels.clone())]);
    assert_eq!(pieces.iter().map(|(at, piece)| (*at, piece.labels)).collect::<Vec<_>>(), [(0, 4_096), (1_000, 904)]);
    let long: Vec<u8> = (1..=2_000).flat_map(|ordinal| line(&format!("L;{ordinal:06};{}", "A".repeat(60)))).collect();
    let pieces = run(&[(0, long.clone())]);
    assert!(pieces.iter().all(|(_, piece)| piece.bytes.len() <= BYTES_MAX));
    assert_eq!(pieces.iter().map(|(_, piece)| piece.labels).sum::<u32>(), 2_000);
    assert_eq!((pieces[0].0, pieces[0].1.bytes.len()), (0, BYTES_MAX));
    let noise = run(&[(0, b"\r\n".repeat(600))]);
    assert_eq!(noise.iter().map(|(_, piece)| piece.events.len()).collect::<Vec<_>>(), [256, 256, 88]);
}

#[test]
fn a_lost_link_and_the_end_leave_nothing_behind() {
    let mut segmenter = Segmenter::new(&PLUGIN);
    let mut out = Vec::new();
    segmenter.feed(b"L;0000", ms(0), &mut out);
    segmenter.tick(ms(1_000), &mut out);
    assert_eq!(out.len(), 1);
    // The bytes are captured already; what they turn out to be is not.
    segmenter.link_lost(&mut out);
    assert_eq!((out[1].offset, out[1].bytes.len(), out[1].events.len()), (6, 0, 1));
    segmenter.link_lost(&mut out);
    assert_eq!(out.len(), 2);
    segmenter.feed(&line("C;000007"), ms(2_000), &mut out);
    segmenter.feed(b"C;", ms(2_000), &mut out);
    segmenter.finish(&mut out);
    assert_eq!((out.len(), out[2].total, segmenter.offset(), segmenter.deadline()), (3, Some(7), 21, None));
    let Observation::Unreadable { why } = &out[2].events[0].seen else { panic!("{out:?}") };
    assert_eq!(why, "the bytes ended in the middle of this frame");
    let bytes: Vec<u8> = out.iter().flat_map(|piece| piece.bytes.clone()).collect();
    let seen: Vec<Located> = out.iter().flat_map(|piece| piece.observations.clone()).collect();
    assert_eq!(replay(&PLUGIN, &bytes, &[6]), seen);
}

fn anything() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        4 => (1..20_u32, "[ABC]").prop_map(|(ordinal, code)| line(&format!("L;{ordinal:06};{code}"))),
        1 => (0..20_u32).prop_map(|total| line(&format!("C;{total:06}"))),
        1 => "[JMUZSKEB]".prop_map(|letter| line(&format!("{letter};000003"))),
        1 => (1..3_u32).prop_map(|speed| line(&format!("V;{speed:05}"))),
        1 => prop::collection::vec(any::<u8>(), 0..400),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever comes in whatever pieces at whatever times, and wherever the link is lost: the pieces are gapless and
    /// within their bounds, hold what a replay sees, and nothing waits for more than a second.
    #[test]
    fn pieces_are_gapless_and_punctual(
        feeds in prop::collection::vec((prop::collection::vec(anything(), 0..12), 0..900_u64, 1..200_usize, any::<bool>()), 0..20),
    ) {
        let mut segmenter = Segmenter::new(&PLUGIN);
        let mut out = Vec::new();
        let mut stream = Vec::new();
        let mut lost = Vec::new();
        let mut captured = 0;
        let mut now = ms(0);
        // When each byte of the stream came.
        let mut came: Vec<Duration> = Vec::new();
        let check = |out: &[Piece], captured: &mut usize, now: Duration, came: &[Duration]| {
            let length: usize = out.iter().map(|piece| piece.bytes.len()).sum();
            for at in &came[*captured..length] {
                assert!(now - *at <= WAIT_MAX);
            }
            *captured = length;
        };
        for (texts, pause, size, lose) in feeds {
            let then = now + ms(pause);
            while let Some(deadline) = segmenter.deadline().filter(|deadline| *deadline <= then) {
                now = deadline;
                segmenter.tick(now, &mut out);
                check(&out, &mut captured, now, &came);
            }
            now = then;
            for portion in texts.concat().chunks(size) {
                stream.extend_from_slice(portion);
                came.resize(stream.len(), now);
                segmenter.feed(portion, now, &mut out);
                check(&out, &mut captured, now, &came);
            }
            if lose {
                lost.push(segmenter.offset());
                segmenter.link_lost(&mut out);
                check(&out, &mut captured, now, &came);
                prop_assert_eq!(segmenter.deadline(), None);
            }
        }
        segmenter.finish(&mut out);
        let mut offset = 0;
        for piece in &out {
            prop_assert_eq!(piece.offset, offset);
            offset += piece.bytes.len() as u64;
            prop_assert!(piece.bytes.len() <= BYTES_MAX && piece.labels <= LABELS_MAX && piece.events.len() <= EVENTS_MAX);
            prop_assert!(piece.observations.iter().all(|located| located.to <= offset));
            prop_assert!(piece.events.iter().all(|event| piece.observations.contains(event)));
            let labels = piece.observations.iter().filter(|located| located.seen.name() == "label").count();
            prop_assert_eq!(piece.labels as usize, labels);
            let in_runs: u32 = piece.codes.iter().map(|run| run.last - run.first + 1).sum();
            prop_assert_eq!(in_runs as usize, labels);
        }
        let bytes: Vec<u8> = out.iter().flat_map(|piece| piece.bytes.clone()).collect();
        prop_assert_eq!(&bytes, &stream);
        let seen: Vec<Located> = out.iter().flat_map(|piece| piece.observations.clone()).collect();
        prop_assert_eq!(seen, replay(&PLUGIN, &stream, &lost));
    }
}
