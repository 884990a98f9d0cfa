//! The link alone, against plain sockets.

use std::time::Duration;

use tallyseal_machines::link::{LinkEvent, run_tcp_out};
use tokio::io::AsyncWriteExt as _;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, timeout};

fn start(
    address: String,
    room: usize,
) -> (mpsc::Receiver<LinkEvent>, watch::Sender<bool>, tokio::task::JoinHandle<()>) {
    let (sender, events) = mpsc::channel(room);
    let (stop, stopped) = watch::channel(false);
    (events, stop, tokio::spawn(run_tcp_out(address, sender, stopped)))
}

async fn listen() -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    (listener, address)
}

#[tokio::test]
async fn a_machine_that_is_off_is_told_once_and_found_when_it_is_on() {
    let (listener, address) = listen().await;
    drop(listener);
    let (mut events, _stop, _link) = start(address.clone(), 4);
    let cause = format!("{address} refused the connection: nothing listens there");
    assert_eq!(events.recv().await, Some(LinkEvent::Down { cause }));
    let listener = TcpListener::bind(&address).await.unwrap();
    let (mut machine, _) = listener.accept().await.unwrap();
    // The next thing told is the Up, however often it tried in between.
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    machine.write_all(b"hello").await.unwrap();
    assert_eq!(events.recv().await, Some(LinkEvent::Bytes(b"hello".to_vec())));
}

/// Time is the test's own: a minute of tries passes at once.
#[tokio::test(start_paused = true)]
async fn an_outage_is_told_once_however_often_it_tries() {
    let (listener, address) = listen().await;
    drop(listener);
    let (mut events, _stop, _link) = start(address, 4);
    assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
    assert!(timeout(Duration::from_secs(60), events.recv()).await.is_err());
}

#[tokio::test]
async fn a_machine_that_breaks_off_is_told_so() {
    let (listener, address) = listen().await;
    let (mut events, _stop, _link) = start(address.clone(), 4);
    let (machine, _) = listener.accept().await.unwrap();
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    // Without lingering a close is a reset.
    socket2::SockRef::from(&machine).set_linger(Some(Duration::ZERO)).unwrap();
    drop(machine);
    let cause = format!("{address} broke the connection off");
    assert_eq!(events.recv().await, Some(LinkEvent::Down { cause }));
}

#[tokio::test]
async fn a_host_without_a_name_is_told_in_a_sentence() {
    let (mut events, _stop, _link) = start("no such host:1".into(), 4);
    let Some(LinkEvent::Down { cause }) = events.recv().await else { panic!("not down") };
    assert!(cause.starts_with("no connection to no such host:1: "), "{cause}");
}

/// Time is the test's own: the waits are made without waiting.
#[tokio::test(start_paused = true)]
async fn a_machine_that_hangs_up_at_once_is_called_less_and_less_often() {
    let (listener, address) = listen().await;
    let (mut events, _stop, _link) = start(address, 4);
    let mut last = Instant::now();
    let mut waits = Vec::new();
    for _ in 0..9 {
        let (machine, _) = listener.accept().await.unwrap();
        waits.push(last.elapsed().as_millis());
        last = Instant::now();
        drop(machine);
        assert_eq!(events.recv().await, Some(LinkEvent::Up));
        assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
    }
    let expected = [0, 100, 200, 400, 800, 1_600, 3_200, 5_000, 5_000];
    let close = |(wait, expected): (&u128, &u128)| wait.abs_diff(*expected) <= 20;
    assert!(waits.iter().zip(&expected).all(close), "{waits:?}");
    // One that said something is called again soon.
    let (mut machine, _) = listener.accept().await.unwrap();
    machine.write_all(b"x").await.unwrap();
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    assert_eq!(events.recv().await, Some(LinkEvent::Bytes(b"x".to_vec())));
    drop(machine);
    assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
    let last = Instant::now();
    listener.accept().await.unwrap();
    assert!(last.elapsed().as_millis().abs_diff(100) <= 20, "{:?}", last.elapsed());
}

/// Nobody takes the events: the link stops reading, the network's buffers fill, and the machine is held back.
#[tokio::test(start_paused = true)]
async fn a_full_channel_holds_the_machine_back() {
    let (listener, address) = listen().await;
    let (mut events, _stop, _link) = start(address, 2);
    let (mut machine, _) = listener.accept().await.unwrap();
    let hour = Duration::from_secs(3600);
    let mut sent = 0;
    // The hour passes at once when nothing moves any more.
    while let Ok(written) = timeout(hour, machine.write(&[b'x'; 65_536])).await {
        sent += written.unwrap();
        assert!(sent < 256 * 1024 * 1024, "the machine was never held back");
    }
    drop(machine);
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    let mut received = 0;
    loop {
        match events.recv().await.unwrap() {
            LinkEvent::Bytes(bytes) => {
                assert!((1..=16_384).contains(&bytes.len()));
                received += bytes.len();
            }
            LinkEvent::Down { .. } => break,
            LinkEvent::Up => panic!("up twice"),
        }
    }
    assert_eq!(received, sent);
}

#[tokio::test]
async fn a_link_stops_when_it_is_told_to_or_nobody_listens() {
    // While it reads.
    let (listener, address) = listen().await;
    let (mut events, stop, link) = start(address, 4);
    let _machine = listener.accept().await.unwrap();
    assert_eq!(events.recv().await, Some(LinkEvent::Up));
    stop.send(true).unwrap();
    link.await.unwrap();
    assert_eq!(events.recv().await, None);
    // While the channel is full.
    let (listener, address) = listen().await;
    let (_events, stop, link) = start(address, 1);
    let (mut machine, _) = listener.accept().await.unwrap();
    machine.write_all(b"x").await.unwrap();
    stop.send(true).unwrap();
    link.await.unwrap();
    // While it waits to call again; the sender of the stop is dropped.
    let (listener, address) = listen().await;
    drop(listener);
    let (mut events, stop, link) = start(address, 4);
    assert!(matches!(events.recv().await, Some(LinkEvent::Down { .. })));
    drop(stop);
    link.await.unwrap();
    // Nobody listens.
    let (listener, address) = listen().await;
    let (events, _stop, link) = start(address, 4);
    drop(events);
    let _machine = listener.accept().await.unwrap();
    link.await.unwrap();
}
