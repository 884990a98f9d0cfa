//! The server calls the machine, or the serial server in front of it, over TCP.

use std::io;
use std::time::Duration;

use socket2::{SockRef, TcpKeepalive};
use tokio::io::AsyncReadExt as _;
use tokio::net::TcpStream;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, sleep, timeout};

use super::LinkEvent;
use super::backoff::Backoff;

/// How long a machine has to take a call. Unit: seconds.
const CONNECT_S: u64 = 3;

/// A machine that says nothing is asked after so long, then so often, so many times: a dead one is known after 8 s.
const KEEPALIVE_IDLE: Duration = Duration::from_secs(5);
const KEEPALIVE_INTERVAL: Duration = Duration::from_secs(1);
const KEEPALIVE_TRIES: u32 = 3;

/// A link that stayed up so long has proved itself, also where the machine had nothing to say.
const PROVED: Duration = Duration::from_secs(10);

/// Bytes taken from the socket at a time.
const READ_MAX: usize = 16 * 1024;

/// Keeps a link to `address` (host and port) up until it is told to stop.
///
/// Ends when `stop` becomes true or its sender is dropped, or when nobody receives events any more. Events are sent in
/// order over a bounded channel: while it is full nothing is read, and the machine's own flow control holds it back.
/// After a loss it tries again, after 100 ms at first and at most 5 s later. Bytes that nobody has received when the stop
/// comes are dropped, as are those still in the network: stop a link only when no count is open on it.
pub async fn run_tcp_out(address: String, events: mpsc::Sender<LinkEvent>, mut stop: watch::Receiver<bool>) {
    // Both ends of a link's life are one future, so that every wait in it can be given up at once.
    tokio::select! {
        biased;
        // An error says that the sender is gone: nobody could stop us any more.
        _ = stop.wait_for(|stop| *stop) => {}
        () = keep_up(&address, &events) => {}
    }
}

async fn keep_up(address: &str, events: &mpsc::Sender<LinkEvent>) {
    let mut backoff = Backoff::new();
    let mut told_down = false;
    loop {
        let cause = match connect(address).await {
            Ok(stream) => {
                tracing::info!(address, "link up");
                told_down = false;
                if events.send(LinkEvent::Up).await.is_err() {
                    return;
                }
                let since = Instant::now();
                let mut heard = false;
                let Some(cause) = read(address, stream, events, &mut heard).await else { return };
                // One that only takes calls and hangs up, as a table does that is busy with another, has proved nothing.
                if heard || since.elapsed() >= PROVED {
                    backoff.reset();
                }
                cause
            }
            Err(cause) => cause,
        };
        if !told_down {
            tracing::warn!(address, cause, "link down");
            told_down = true;
            if events.send(LinkEvent::Down { cause }).await.is_err() {
                return;
            }
        }
        sleep(backoff.wait()).await;
    }
}

/// Reads until the connection ends, and says why it did; `None` when nobody receives any more.
async fn read(
    address: &str,
    mut stream: TcpStream,
    events: &mpsc::Sender<LinkEvent>,
    heard: &mut bool,
) -> Option<String> {
    let mut buffer = vec![0; READ_MAX];
    loop {
        match stream.read(&mut buffer).await {
            Ok(0) => return Some(format!("{address} closed the connection")),
            Ok(length) => {
                *heard = true;
                let bytes = buffer.get(..length).unwrap_or_default().to_vec();
                events.send(LinkEvent::Bytes(bytes)).await.ok()?;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Some(lost(address, &error)),
        }
    }
}

async fn connect(address: &str) -> Result<TcpStream, String> {
    let connected = timeout(Duration::from_secs(CONNECT_S), TcpStream::connect(address)).await;
    let stream = match connected {
        Err(_) => return Err(format!("{address} did not answer within {CONNECT_S} s")),
        Ok(Err(error)) => return Err(unreached(address, &error)),
        Ok(Ok(stream)) => stream,
    };
    watch_over(&stream).map_err(|error| format!("the connection to {address} could not be watched over: {error}"))?;
    Ok(stream)
}

/// A machine that loses power says nothing, so a connection that only waits would wait for ever.
fn watch_over(stream: &TcpStream) -> io::Result<()> {
    let keepalive =
        TcpKeepalive::new().with_time(KEEPALIVE_IDLE).with_interval(KEEPALIVE_INTERVAL).with_retries(KEEPALIVE_TRIES);
    SockRef::from(stream).set_tcp_keepalive(&keepalive)
}

fn unreached(address: &str, error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionRefused => format!("{address} refused the connection: nothing listens there"),
        io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            format!("{address} cannot be reached over the network")
        }
        io::ErrorKind::TimedOut => format!("{address} did not answer"),
        _ => format!("no connection to {address}: {error}"),
    }
}

fn lost(address: &str, error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::ConnectionReset => format!("{address} broke the connection off"),
        io::ErrorKind::TimedOut | io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
            format!("{address} does not answer any more: its power or the network is gone")
        }
        _ => format!("the connection to {address} failed: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use tokio::net::TcpListener;

    use super::*;

    #[tokio::test]
    async fn a_connection_is_asked_whether_it_still_lives() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let stream = connect(&listener.local_addr().unwrap().to_string()).await.unwrap();
        let socket = SockRef::from(&stream);
        assert!(socket.keepalive().unwrap());
        assert_eq!(socket.tcp_keepalive_time().unwrap(), Duration::from_secs(5));
        assert_eq!(socket.tcp_keepalive_interval().unwrap(), Duration::from_secs(1));
        assert_eq!(socket.tcp_keepalive_retries().unwrap(), 3);
    }

    #[test]
    fn a_cause_is_a_sentence_for_a_person() {
        for (error, expected) in [
            (io::ErrorKind::ConnectionReset, "broke the connection off"),
            (io::ErrorKind::TimedOut, "does not answer any more: its power or the network is gone"),
        ] {
            assert_eq!(lost("table:4001", &error.into()), format!("table:4001 {expected}"));
        }
        assert!(unreached("table:4001", &io::ErrorKind::HostUnreachable.into()).contains("cannot be reached"));
    }
}
