//! A simulated table, a real TCP connection, the link, the segmenter and the shipped plugin: what comes out is what the
//! script put in.

use std::path::Path;
use std::time::Duration;

use tallyseal_machines::capture::{Piece, Segmenter};
use tallyseal_machines::link::{LinkEvent, run_tcp_out};
use tallyseal_machines::table::{
    Direction, Disturbance, HaltOn, Roll, RollRun, RunReport, Scatter, SimFaultKind, Speed, TableHandle, TableOptions,
    Trouble, serve,
};
use tallyseal_plugin_host::{Plugin, replay};
use tallyseal_schema::observation::{Located, Observation};
use tokio::io::AsyncReadExt as _;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::Instant;

const CODE: &str = "010952123456789910A1\u{1d}21X";
const OTHER: &str = "0109521234567905";

fn plugin() -> Plugin {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/ticket-line");
    Plugin::load(&Plugin::read_folder(&dir).unwrap()).unwrap()
}

/// A table with a link to it, and everything that came over it.
struct Bench {
    table: TableHandle,
    events: mpsc::Receiver<LinkEvent>,
    stop: watch::Sender<bool>,
    link: JoinHandle<()>,
    plugin: Plugin,
    segmenter: Segmenter,
    began: Instant,
    pieces: Vec<(Duration, Piece)>,
    /// Offsets at which the link was lost, with the causes.
    lost: Vec<(u64, String)>,
    ups: usize,
}

impl Bench {
    async fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let table = serve(listener, TableOptions::default()).unwrap();
        let (sender, events) = mpsc::channel(4);
        let (stop, stopped) = watch::channel(false);
        let link = tokio::spawn(run_tcp_out(table.address().to_string(), sender, stopped));
        let plugin = plugin();
        let segmenter = Segmenter::new(&plugin);
        let began = Instant::now();
        Self { table, events, stop, link, plugin, segmenter, began, pieces: vec![], lost: vec![], ups: 0 }
    }

    /// Runs a roll and takes what comes until the closing ticket is in a piece.
    async fn run(&mut self, run: RollRun) -> RunReport {
        let table = self.table.clone();
        let running = tokio::spawn(async move { table.run(run).await.unwrap() });
        while !self.pieces.iter().any(|(_, piece)| piece.events.iter().any(|event| event.seen.name() == "ticket")) {
            self.step().await;
        }
        running.await.unwrap()
    }

    /// Takes the next event of the link, or the timer's.
    async fn step(&mut self) {
        let mut out = Vec::new();
        let far = Duration::from_secs(24 * 3600);
        let deadline = self.began + self.segmenter.deadline().unwrap_or(far);
        tokio::select! {
            biased;
            event = self.events.recv() => match event.expect("the link ended") {
                LinkEvent::Up => self.ups += 1,
                LinkEvent::Bytes(bytes) => self.segmenter.feed(&bytes, self.began.elapsed(), &mut out),
                LinkEvent::Down { cause } => {
                    self.lost.push((self.segmenter.offset(), cause));
                    self.segmenter.link_lost(&mut out);
                }
            },
            () = tokio::time::sleep_until(deadline) => self.segmenter.tick(self.began.elapsed(), &mut out),
        }
        let now = self.began.elapsed();
        self.pieces.extend(out.into_iter().map(|piece| (now, piece)));
    }

    /// Stops the link, and gives everything that was seen, after comparing it with a replay of the bytes.
    async fn finish(mut self) -> (Vec<Located>, Vec<u8>) {
        self.stop.send(true).unwrap();
        self.link.await.unwrap();
        let mut out = Vec::new();
        self.segmenter.finish(&mut out);
        let pieces: Vec<Piece> = self.pieces.into_iter().map(|(_, piece)| piece).chain(out).collect();
        let mut bytes = Vec::new();
        for piece in &pieces {
            assert_eq!(piece.offset, bytes.len() as u64);
            bytes.extend_from_slice(&piece.bytes);
        }
        let seen: Vec<Located> = pieces.iter().flat_map(|piece| piece.observations.clone()).collect();
        let lost: Vec<u64> = self.lost.iter().map(|(at, _)| *at).collect();
        assert_eq!(seen, replay(&self.plugin, &bytes, &lost));
        (seen, bytes)
    }
}

fn seen(located: &[Located]) -> Vec<Observation> {
    located.iter().map(|located| located.seen.clone()).collect()
}

/// What a table that is not disturbed and does not stop must say of a roll, told from the roll alone.
fn told_of(labels: u32, total_every: u32, at: impl Fn(u32) -> Vec<SimFaultKind>) -> Vec<Observation> {
    let mut told = vec![Observation::Reset {}, Observation::Started {}];
    let (mut joints, mut missing, mut unread) = (0, 0, 0);
    for ordinal in 0..=labels {
        let faults = at(ordinal);
        if ordinal > 0 {
            let on_label = faults.iter().find(|kind| !kind.between_labels());
            told.push(match on_label {
                Some(SimFaultKind::Unread) => {
                    unread += 1;
                    Observation::Unread { ordinal, lane: None }
                }
                Some(SimFaultKind::WrongCode(code)) => {
                    Observation::Label { ordinal, code: Some(code.clone()), grade_tenths: None }
                }
                _ => Observation::Label { ordinal, code: Some(CODE.to_owned()), grade_tenths: None },
            });
            if ordinal % total_every == 0 {
                told.push(Observation::Total { value: ordinal });
            }
        }
        for kind in &faults {
            match kind {
                SimFaultKind::Splice => {
                    joints += 1;
                    told.push(Observation::Splice { ordinal, lane: None });
                }
                SimFaultKind::Missing => {
                    missing += 1;
                    told.push(Observation::Missing { ordinal, lane: None });
                }
                _ => {}
            }
        }
    }
    told.push(Observation::RollEnd { ordinal: labels });
    told.push(Observation::Halted { ordinal: labels, cause: Some("end of the roll".to_owned()) });
    told.push(Observation::Total { value: labels });
    let fields = [("joints", joints), ("missing", missing), ("unread", unread), ("wrong", 0)];
    let fields = fields.map(|(name, number)| (name.to_owned(), number.to_string())).into();
    told.push(Observation::Ticket { total: labels, fields });
    told
}

fn roll() -> Roll {
    let scatter = Scatter { splices: 3, missing: 4, unread: 5 };
    let mut roll = Roll::scattered(1_007, Some(CODE), 20_261_125, scatter).unwrap();
    roll.faults.retain(|fault| fault.at != 500 || fault.kind.between_labels());
    roll.with(500, SimFaultKind::WrongCode(OTHER.to_owned()))
}

#[tokio::test]
async fn a_roll_forward_and_back_is_seen_as_its_script_says() {
    let roll = roll();
    for direction in [Direction::Forward, Direction::Rewind] {
        let mut bench = Bench::new().await;
        let report = bench.run(RollRun { direction, ..RollRun::new(roll.clone()) }).await;
        assert_eq!((report.total, report.lines_lost, bench.ups, bench.lost.len()), (1_007, 0, 1, 0));
        let labels: u32 = bench.pieces.iter().map(|(_, piece)| piece.labels).sum();
        assert_eq!(labels, 1_007 - 5);
        assert_eq!(bench.pieces.iter().rev().find_map(|(_, piece)| piece.total), Some(1_007));
        let other: Vec<(u32, u32)> = bench
            .pieces
            .iter()
            .flat_map(|(_, piece)| &piece.codes)
            .filter(|run| run.code == OTHER)
            .map(|run| (run.first, run.last))
            .collect();
        let place = if direction == Direction::Forward { 500 } else { 1_007 - 500 + 1 };
        assert_eq!(other, [(place, place)]);
        let (located, bytes) = bench.finish().await;
        assert_eq!(bytes.len() as u64, report.bytes);
        let expected = told_of(1_007, 50, |ordinal| {
            let here = roll.faults.iter().filter(|fault| match (direction, fault.kind.between_labels()) {
                (Direction::Forward, _) => fault.at == ordinal,
                (Direction::Rewind, true) => fault.at + ordinal == 1_007,
                (Direction::Rewind, false) => fault.at + ordinal == 1_007 + 1,
            });
            here.map(|fault| fault.kind.clone()).collect()
        });
        assert_eq!(seen(&located), expected);
        let mut end = 0;
        for located in &located {
            assert_eq!(located.from, end, "every byte of a clean run is in an observation");
            end = located.to;
        }
    }
}

#[tokio::test]
async fn a_miscount_shows_in_the_totals_and_not_as_a_gap() {
    for (miscount, total) in [(-1, 99), (2, 102)] {
        let mut bench = Bench::new().await;
        let run = RollRun { miscount, ..RollRun::new(Roll::plain(100, Some(CODE))) };
        assert_eq!(bench.run(run).await.total, total);
        let (located, _) = bench.finish().await;
        assert_eq!(seen(&located), told_of(total, 50, |_| vec![]));
    }
}

#[tokio::test]
async fn a_link_that_is_cut_says_so_and_comes_back() {
    let mut bench = Bench::new().await;
    let address = bench.table.address();
    let cut = Disturbance { after: 40, trouble: Trouble::CutLink { lines_lost: 7 } };
    let run = RollRun { disturbances: vec![cut], total_every: 1_000, ..RollRun::new(Roll::plain(100, Some(CODE))) };
    let report = bench.run(run).await;
    assert_eq!((report.total, report.lines_lost, bench.ups), (100, 7, 2));
    assert_eq!(bench.lost.len(), 1);
    assert_eq!(bench.lost[0].1, format!("{address} closed the connection"));
    let lost_at = bench.lost[0].0;
    let (located, bytes) = bench.finish().await;
    // What was said before the cut is there, what was said to nobody is not, and nothing is made up for it.
    let ordinals: Vec<(u32, bool)> = located
        .iter()
        .filter_map(|located| match located.seen {
            Observation::Label { ordinal, .. } => Some((ordinal, located.from < lost_at)),
            _ => None,
        })
        .collect();
    let expected: Vec<(u32, bool)> =
        (1..=40).map(|ordinal| (ordinal, true)).chain((48..=100).map(|ordinal| (ordinal, false))).collect();
    assert_eq!(ordinals, expected);
    assert_eq!(bytes.len() as u64, report.bytes);
}

#[tokio::test]
async fn a_link_that_is_cut_in_the_middle_of_a_line_leaves_half_a_line() {
    let mut bench = Bench::new().await;
    let trouble = |after, trouble| Disturbance { after, trouble };
    // 25 bytes without an end, then the cut: what follows begins a new line.
    let disturbances = vec![trouble(2, Trouble::Endless(25)), trouble(2, Trouble::CutLink { lines_lost: 0 })];
    bench.run(RollRun { disturbances, ..RollRun::new(Roll::plain(4, Some(CODE))) }).await;
    let lost_at = bench.lost[0].0;
    let (located, _) = bench.finish().await;
    let half: Vec<&Located> = located.iter().filter(|located| located.seen.name() == "unreadable").collect();
    assert_eq!(half.len(), 1);
    assert_eq!((half[0].from, half[0].to), (lost_at - 25, lost_at));
    let why = "the link was lost in the middle of this frame".to_owned();
    assert_eq!(half[0].seen, Observation::Unreadable { why });
    assert_eq!(located.iter().filter(|located| located.seen.name() == "label").count(), 4);
}

#[tokio::test]
async fn noise_on_the_line_is_kept_and_reported() {
    let mut bench = Bench::new().await;
    let trouble = |after, trouble| Disturbance { after, trouble };
    let disturbances = vec![
        trouble(10, Trouble::GarbleLine),
        trouble(20, Trouble::Endless(1_000)),
        trouble(30, Trouble::DropBytes(3)),
        trouble(40, Trouble::Alarm("E07".into(), "take-up disc".into())),
    ];
    let run = RollRun { disturbances, total_every: 1_000, ..RollRun::new(Roll::plain(50, Some(CODE))) };
    let report = bench.run(run).await;
    let (located, bytes) = bench.finish().await;
    assert_eq!(bytes.len() as u64, report.bytes);
    let ordinals: Vec<u32> = located
        .iter()
        .filter_map(|located| match located.seen {
            Observation::Label { ordinal, .. } => Some(ordinal),
            _ => None,
        })
        .collect();
    // The lines of 11, 21 and 31 cannot be believed; all others are there.
    let expected: Vec<u32> = (1..=50).filter(|ordinal| ![11, 21, 31].contains(ordinal)).collect();
    assert_eq!(ordinals, expected);
    let whys: Vec<(&str, u64)> = located
        .iter()
        .filter_map(|located| match &located.seen {
            Observation::Unreadable { why } => Some((why.as_str(), located.to - located.from)),
            _ => None,
        })
        .collect();
    let line = "L;000011;".len() as u64 + CODE.len() as u64 + ";00\r\n".len() as u64;
    assert_eq!(whys.len(), 1 + 7 + 1, "{whys:?}");
    assert_eq!(whys[1], ("no end within 160 bytes", 160));
    assert_eq!(whys[2], ("goes on, still without its end", 160));
    assert_eq!(whys[7], ("the end of a frame that is too long", 1_000 - 6 * 160 + line));
    assert_eq!(whys[8], ("no rule matches this frame", line - 3));
    assert!(
        located
            .iter()
            .any(|located| located.seen == Observation::Alarm { code: "E07".into(), text: "take-up disc".into() })
    );
    // Every byte is in an observation: nothing was dropped on our side.
    let mut end = 0;
    for located in &located {
        assert_eq!(located.from, end);
        end = located.to;
    }
    assert_eq!(end, bytes.len() as u64);
}

/// Time is the test's own here: a minute of web takes no minute.
#[tokio::test(start_paused = true)]
async fn a_fault_is_ready_when_it_is_seen_and_labels_within_a_second() {
    let mut bench = Bench::new().await;
    let roll = Roll::plain(100, Some(CODE)).with(57, SimFaultKind::Splice);
    let run = RollRun {
        speed: Speed::LabelsPerMinute(600),
        halt_on: [HaltOn::Splice].into(),
        halt_pause: Duration::from_secs(20),
        ..RollRun::new(roll)
    };
    bench.run(run).await;
    let (at, _) = bench.pieces.last().unwrap();
    let ideal = Duration::from_secs(10 + 20);
    assert!((ideal..ideal + Duration::from_secs(1)).contains(at), "{at:?}");
    let (at, piece) =
        bench.pieces.iter().find(|(_, piece)| piece.events.iter().any(|e| e.seen.name() == "splice")).unwrap();
    let ideal = Duration::from_millis(5_700);
    assert!((ideal..ideal + Duration::from_millis(250)).contains(at), "{at:?}");
    assert!(piece.events.iter().any(|event| event.seen.name() == "halted"));
    for (at, piece) in &bench.pieces {
        for located in &piece.observations {
            if let Observation::Label { ordinal, .. } = located.seen {
                let pause = if ordinal > 57 { 20_000 } else { 0 };
                let passed = Duration::from_millis(u64::from(ordinal) * 100 + pause);
                assert!(*at <= passed + Duration::from_millis(1_100), "label {ordinal} waited until {at:?}");
            }
        }
    }
    assert!(bench.pieces.len() >= 9, "{}", bench.pieces.len());
    bench.finish().await;
}

#[tokio::test]
async fn a_table_holds_one_client() {
    let mut bench = Bench::new().await;
    bench.table.wait_connected(true).await.unwrap();
    let (sender, mut events) = mpsc::channel(4);
    let (_stop, stopped) = watch::channel(false);
    tokio::spawn(run_tcp_out(bench.table.address().to_string(), sender, stopped));
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
    let report = bench.run(RollRun::new(Roll::plain(10, None))).await;
    assert_eq!((report.total, report.lines_lost), (10, 0));
    assert_eq!(bench.lost.len(), 0);
    // The place is free again once the first client leaves.
    let table = bench.table.clone();
    bench.finish().await;
    let running = tokio::spawn(async move { table.run(RollRun::new(Roll::plain(1, None))).await });
    while !matches!(events.recv().await, Some(LinkEvent::Bytes(_))) {}
    assert_eq!(running.await.unwrap().map(|report| report.total), Ok(1));
}

#[tokio::test]
async fn a_table_that_is_idle_says_that_it_is_there() {
    tokio::time::pause();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let table = serve(listener, TableOptions { keep_alive: Some(Duration::from_secs(5)) }).unwrap();
    let (sender, mut events) = mpsc::channel(4);
    let (_stop, stopped) = watch::channel(false);
    tokio::spawn(run_tcp_out(table.address().to_string(), sender, stopped));
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    let keep_alive = Some(LinkEvent::Bytes(b"K;4B\r\n".to_vec()));
    for _ in 0..3 {
        assert_eq!(events.recv().await, keep_alive);
    }
    // A run that took longer says enough; the next keep-alive comes its whole time after it.
    let run = RollRun { speed: Speed::LabelsPerMinute(60), ..RollRun::new(Roll::plain(7, None)) };
    let table_of_run = table.clone();
    let running = tokio::spawn(async move { table_of_run.run(run).await });
    let mut said = Vec::new();
    while !said.windows(3).any(|three| three == b"\nT;") {
        let Some(LinkEvent::Bytes(bytes)) = events.recv().await else { panic!("no bytes") };
        said.extend(bytes);
    }
    assert!(!said.windows(2).any(|two| two == b"K;"), "{}", String::from_utf8_lossy(&said));
    running.await.unwrap().unwrap();
    let ended = Instant::now();
    assert_eq!(events.recv().await, keep_alive);
    assert!(ended.elapsed().abs_diff(Duration::from_secs(5)) < Duration::from_millis(50), "{:?}", ended.elapsed());
    table.cut_link().await.unwrap();
    assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
}

/// Time is the test's own: half a minute without a client passes at once.
#[tokio::test(start_paused = true)]
async fn a_table_whose_link_was_cut_goes_on_at_its_own_pace() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let table = serve(listener, TableOptions::default()).unwrap();
    let cut = Disturbance { after: 10, trouble: Trouble::CutLink { lines_lost: 0 } };
    let run = RollRun {
        speed: Speed::LabelsPerMinute(600),
        disturbances: vec![cut],
        ..RollRun::new(Roll::plain(20, Some(CODE)))
    };
    let table_of_run = table.clone();
    let running = tokio::spawn(async move { table_of_run.run(run).await });
    let mut first = tokio::net::TcpStream::connect(table.address()).await.unwrap();
    let mut text = String::new();
    first.read_to_string(&mut text).await.unwrap();
    assert_eq!(text.matches("\nL;").count(), 10);
    tokio::time::advance(Duration::from_secs(30)).await;
    let back = Instant::now();
    let _second = tokio::net::TcpStream::connect(table.address()).await.unwrap();
    assert_eq!(running.await.unwrap().map(|report| report.lines_lost), Ok(0));
    // Nine more labels to wait for: the eleventh is the one that waited.
    assert!(back.elapsed().abs_diff(Duration::from_millis(900)) < Duration::from_millis(50), "{:?}", back.elapsed());
}

#[tokio::test(start_paused = true)]
async fn a_table_that_is_stopped_by_hand_says_no_more_of_that_run_and_runs_the_next_one() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let table = serve(listener, TableOptions::default()).unwrap();
    let mut client = tokio::net::TcpStream::connect(table.address()).await.unwrap();
    // Nothing runs: that says nothing about the run to come.
    table.stop();
    let roll = RollRun { speed: Speed::LabelsPerMinute(600), ..RollRun::new(Roll::plain(20, Some(CODE))) };
    let (table_of_run, run) = (table.clone(), roll.clone());
    let running = tokio::spawn(async move { table_of_run.run(run).await });
    tokio::time::sleep(Duration::from_millis(550)).await;
    table.stop();
    assert_eq!(running.await.unwrap().map(|report| report.total), Ok(6));
    assert_eq!(table.run(roll).await.map(|report| report.total), Ok(20));
    drop(table);
    let mut text = String::new();
    client.read_to_string(&mut text).await.unwrap();
    assert_eq!((text.matches("\nL;").count(), text.matches("\nT;").count()), (25, 1), "the sixth was under way");
}
