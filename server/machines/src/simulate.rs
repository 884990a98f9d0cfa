//! `tallyseal simulate`: a counting table to test against, with a script made from a few options.

use std::collections::BTreeSet;
use std::fmt;
use std::io::{self, BufRead as _};
use std::net::SocketAddr;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::mpsc;

use crate::table::{
    Direction, HaltOn, Roll, RollError, RollRun, RunReport, Scatter, SimFaultKind, Speed, TableError, TableOptions,
    serve,
};

/// What to simulate.
#[derive(Debug, Clone)]
pub struct SimulateOptions {
    /// Where the table listens. Port 0: any free one, which is told.
    pub listen: SocketAddr,
    /// Labels on the roll.
    pub labels: u32,
    /// The code on each; `None`: a table without a reader.
    pub code: Option<String>,
    /// Where the scattered faults lie. The same seed gives the same roll.
    pub seed: u64,
    /// How many faults to scatter.
    pub scatter: Scatter,
    /// Labels that bear another code: code and label, counted from the end that runs first in forward direction.
    pub wrong_codes: Vec<(String, u32)>,
    /// The web tears after this label.
    pub web_break: Option<u32>,
    /// How fast.
    pub speed: Speed,
    /// How many runs; 0: without end.
    pub runs: u32,
    /// Which way each run goes.
    pub passes: Passes,
    /// Labels counted twice, or, below 0, passed over, in each run.
    pub miscount: i32,
    /// What the table stops for.
    pub halt_on: BTreeSet<HaltOn>,
    /// What starts a run.
    pub start: StartOn,
    /// Pause between two runs that follow each other by themselves.
    pub pause: Duration,
    /// A keep-alive line so often while idle.
    pub keep_alive: Option<Duration>,
}

impl SimulateOptions {
    /// A table at `listen` that runs a roll of 1,000 labels without a fault once, forward, at 600 labels a minute, as soon
    /// as a client connects.
    pub fn new(listen: SocketAddr) -> Self {
        Self {
            listen,
            labels: 1000,
            // A GTIN with the prefix that GS1 keeps for examples.
            code: Some("0109521234567899".to_owned()),
            seed: 1,
            scatter: Scatter::default(),
            wrong_codes: Vec::new(),
            web_break: None,
            speed: Speed::LabelsPerMinute(600),
            runs: 1,
            passes: Passes::Forward,
            miscount: 0,
            halt_on: BTreeSet::new(),
            start: StartOn::Client,
            pause: Duration::from_secs(2),
            keep_alive: Some(Duration::from_secs(5)),
        }
    }
}

/// Which way the runs go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Passes {
    /// All forward.
    Forward,
    /// All winding back.
    Rewind,
    /// Forward and back in turn, as a challenge goes.
    Alternate,
}

/// What starts a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StartOn {
    /// A client that is connected: all runs follow each other.
    Client,
    /// A newline on standard input: one run each.
    Newline,
}

/// What a simulation tells while it goes. `Display` is a line for a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SimulateEvent {
    /// The table is on.
    Listening(SocketAddr),
    /// It waits for somebody to press return.
    Waiting,
    /// A run begins as soon as a client is there: its number from 1, and its way.
    Starting(u32, Direction),
    /// A run ended.
    Finished(u32, RunReport),
}

impl fmt::Display for SimulateEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Listening(address) => write!(f, "The table listens on {address}."),
            Self::Waiting => f.write_str("Press return to run the roll."),
            Self::Starting(run, direction) => {
                let way = match direction {
                    Direction::Forward => "forward",
                    Direction::Rewind => "winding back",
                };
                write!(f, "Run {run}, {way}: begins when a client is there.")
            }
            Self::Finished(run, report) => {
                write!(f, "Run {run}: total {}, {} lines in {} bytes", report.total, report.lines, report.bytes)?;
                match report.lines_lost {
                    0 => f.write_str("."),
                    lost => write!(f, ", {lost} lines said to nobody."),
                }
            }
        }
    }
}

/// Why a simulation could not go on.
#[derive(Debug)]
pub enum SimulateError {
    /// The table cannot listen there.
    Listen(SocketAddr, io::Error),
    /// There can be no such roll.
    Roll(RollError),
    /// The table stopped by itself.
    Table(TableError),
}

impl fmt::Display for SimulateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Listen(address, error) => write!(f, "the table cannot listen on {address}: {error}"),
            Self::Roll(error) => error.fmt(f),
            Self::Table(error) => error.fmt(f),
        }
    }
}

impl std::error::Error for SimulateError {}

/// Simulates a table until its runs are done and the client has left, or standard input ends.
///
/// `say` is told what happens. Errors: [`SimulateError`].
pub async fn simulate(options: SimulateOptions, say: impl FnMut(SimulateEvent)) -> Result<(), SimulateError> {
    let starts = match options.start {
        StartOn::Client => None,
        StartOn::Newline => Some(newlines()),
    };
    run(options, starts, say).await
}

/// One message for each line on standard input. A thread of its own, for a read of a terminal cannot be given up; it
/// ends with the process.
fn newlines() -> mpsc::Receiver<()> {
    let (sender, receiver) = mpsc::channel(1);
    std::thread::spawn(move || {
        for line in io::stdin().lock().lines() {
            if line.is_err() || sender.blocking_send(()).is_err() {
                return;
            }
        }
    });
    receiver
}

async fn run(
    options: SimulateOptions,
    mut starts: Option<mpsc::Receiver<()>>,
    mut say: impl FnMut(SimulateEvent),
) -> Result<(), SimulateError> {
    let mut roll = Roll::scattered(options.labels, options.code.as_deref(), options.seed, options.scatter)
        .map_err(SimulateError::Roll)?;
    for (code, label) in &options.wrong_codes {
        // The label bears one code, whether or not it could have been read.
        roll.faults.retain(|fault| fault.kind.between_labels() || fault.at != *label);
        roll = roll.with(*label, SimFaultKind::WrongCode(code.clone()));
    }
    if let Some(after) = options.web_break {
        roll = roll.with(after, SimFaultKind::WebBreak);
    }
    roll.check().map_err(SimulateError::Roll)?;
    let listen = |error| SimulateError::Listen(options.listen, error);
    let listener = TcpListener::bind(options.listen).await.map_err(listen)?;
    let table = serve(listener, TableOptions { keep_alive: options.keep_alive }).map_err(listen)?;
    say(SimulateEvent::Listening(table.address()));
    let mut number = 0;
    while options.runs == 0 || number < options.runs {
        match &mut starts {
            Some(starts) => {
                say(SimulateEvent::Waiting);
                if starts.recv().await.is_none() {
                    return Ok(());
                }
            }
            None if number > 0 => tokio::time::sleep(options.pause).await,
            None => {}
        }
        number += 1;
        let direction = match options.passes {
            Passes::Alternate if number % 2 == 0 => Direction::Rewind,
            Passes::Forward | Passes::Alternate => Direction::Forward,
            Passes::Rewind => Direction::Rewind,
        };
        say(SimulateEvent::Starting(number, direction));
        let run = RollRun {
            direction,
            speed: options.speed,
            miscount: options.miscount,
            halt_on: options.halt_on.clone(),
            ..RollRun::new(roll.clone())
        };
        let report = table.run(run).await.map_err(SimulateError::Table)?;
        say(SimulateEvent::Finished(number, report));
    }
    // The last bytes may still be on their way.
    table.wait_connected(false).await.map_err(SimulateError::Table)
}

#[cfg(test)]
mod tests {
    use tokio::io::AsyncReadExt as _;
    use tokio::net::TcpStream;

    use super::*;

    fn options() -> SimulateOptions {
        SimulateOptions {
            labels: 20,
            speed: Speed::AsFastAsItGoes,
            pause: Duration::ZERO,
            keep_alive: None,
            ..SimulateOptions::new("127.0.0.1:0".parse().unwrap())
        }
    }

    /// Runs a simulation with a client that reads until `last` has come, and gives what was said and read.
    async fn read_until(options: SimulateOptions, last: &str, times: usize) -> (Vec<SimulateEvent>, String) {
        let (say, mut said) = mpsc::unbounded_channel();
        let task = tokio::spawn(simulate(options, move |event| say.send(event).unwrap()));
        let Some(SimulateEvent::Listening(address)) = said.recv().await else { panic!("not listening") };
        let mut client = TcpStream::connect(address).await.unwrap();
        let mut text = String::new();
        let mut buffer = [0; 4096];
        while text.matches(last).count() < times {
            let length = client.read(&mut buffer).await.unwrap();
            assert!(length > 0, "the table hung up: {text}");
            text.push_str(std::str::from_utf8(&buffer[..length]).unwrap());
        }
        drop(client);
        task.await.unwrap().unwrap();
        let mut events = Vec::new();
        while let Some(event) = said.recv().await {
            events.push(event);
        }
        (events, text)
    }

    #[tokio::test]
    async fn runs_follow_each_other_forward_and_back_until_the_client_leaves() {
        let options = SimulateOptions {
            runs: 2,
            passes: Passes::Alternate,
            wrong_codes: vec![("OTHER".to_owned(), 5)],
            scatter: Scatter { splices: 1, missing: 0, unread: 20 },
            ..options()
        };
        let (events, text) = read_until(options, "\nT;", 2).await;
        assert!(text.contains("\nL;000005;OTHER;"), "{text}");
        assert!(text.contains("\nL;000016;OTHER;"), "{text}");
        assert_eq!(text.matches("\nU;").count(), 2 * 19);
        assert_eq!(events[0], SimulateEvent::Starting(1, Direction::Forward));
        assert_eq!(events[2], SimulateEvent::Starting(2, Direction::Rewind));
        let SimulateEvent::Finished(2, report) = &events[3] else { panic!("{events:?}") };
        assert_eq!((report.total, report.lines_lost), (20, 0));
        assert_eq!(events.len(), 4);
    }

    #[tokio::test]
    async fn a_run_starts_with_each_newline_and_none_after_the_last() {
        let (start, starts) = mpsc::channel(1);
        let (say, mut said) = mpsc::unbounded_channel();
        let task = tokio::spawn(run(
            SimulateOptions { runs: 0, web_break: Some(3), ..options() },
            Some(starts),
            move |event| say.send(event).unwrap(),
        ));
        let Some(SimulateEvent::Listening(address)) = said.recv().await else { panic!("not listening") };
        let client = TcpStream::connect(address).await.unwrap();
        for number in 1..3 {
            assert_eq!(said.recv().await, Some(SimulateEvent::Waiting));
            start.send(()).await.unwrap();
            assert_eq!(said.recv().await, Some(SimulateEvent::Starting(number, Direction::Forward)));
            let Some(SimulateEvent::Finished(_, report)) = said.recv().await else { panic!("not finished") };
            assert_eq!(report.total, 3);
        }
        drop(start);
        task.await.unwrap().unwrap();
        drop(client);
    }

    #[tokio::test]
    async fn what_cannot_be_is_said_before_the_table_listens() {
        let error = simulate(SimulateOptions { web_break: Some(21), ..options() }, |_| {}).await.unwrap_err();
        assert_eq!(error.to_string(), "there is no place 21 on the roll for WebBreak");
        let taken = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let listen = taken.local_addr().unwrap();
        let error = simulate(SimulateOptions { listen, ..options() }, |_| {}).await.unwrap_err();
        assert!(error.to_string().starts_with(&format!("the table cannot listen on {listen}: ")), "{error}");
    }
}
