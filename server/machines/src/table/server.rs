//! The simulated table as a server on TCP, run by a handle.

use std::fmt;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};

use super::line;
use super::pass::{Pass, RollRun, Speed, Step, Trouble};
use super::port::Port;
use super::roll::RollError;

/// Bytes that the table puts together before it sends them.
const SEND_AT: usize = 8 * 1024;

/// How a table behaves while nothing runs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TableOptions {
    /// It sends a keep-alive line so often while idle; `None`: it is silent.
    pub keep_alive: Option<Duration>,
}

/// What a run came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunReport {
    /// The table's own total.
    pub total: u32,
    /// Lines printed, also those that were lost on the way.
    pub lines: u64,
    /// Bytes handed to the network.
    pub bytes: u64,
    /// Lines said to nobody, for no client was there.
    pub lines_lost: u64,
}

/// Why a run did not take place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TableError {
    /// The table could not tell of such a run.
    Roll(RollError),
    /// The table is switched off: its task ended.
    Off,
}

impl fmt::Display for TableError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Roll(error) => error.fmt(f),
            Self::Off => f.write_str("the table is switched off"),
        }
    }
}

impl std::error::Error for TableError {}

/// The buttons of a simulated table. The table is switched off when the last handle is dropped.
#[derive(Debug, Clone)]
pub struct TableHandle {
    address: SocketAddr,
    buttons: mpsc::Sender<Button>,
    connected: watch::Receiver<bool>,
    stops: watch::Sender<u64>,
}

#[derive(Debug)]
enum Button {
    Run(Box<RollRun>, oneshot::Sender<Result<RunReport, TableError>>),
    Cut(oneshot::Sender<()>),
}

impl TableHandle {
    /// Where the table listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Waits for a client, runs a roll, and answers when all of its bytes were handed to the network.
    ///
    /// Runs wait for one another. Errors: [`TableError`].
    pub async fn run(&self, run: RollRun) -> Result<RunReport, TableError> {
        self.press(|done| Button::Run(Box::new(run), done)).await?
    }

    /// Stops the web by hand: a run that is on ends where it is, and nothing more is said of it.
    pub fn stop(&self) {
        self.stops.send_modify(|stops| *stops = stops.wrapping_add(1));
    }

    /// Cuts the link between two runs; the table takes the next client.
    ///
    /// Errors: [`TableError::Off`].
    pub async fn cut_link(&self) -> Result<(), TableError> {
        self.press(Button::Cut).await
    }

    /// Waits until a client is connected, or until none is.
    ///
    /// Errors: [`TableError::Off`].
    pub async fn wait_connected(&self, connected: bool) -> Result<(), TableError> {
        let mut watched = self.connected.clone();
        watched.wait_for(|is| *is == connected).await.map(|_| ()).map_err(|_| TableError::Off)
    }

    async fn press<T>(&self, button: impl FnOnce(oneshot::Sender<T>) -> Button) -> Result<T, TableError> {
        let (done, answer) = oneshot::channel();
        self.buttons.send(button(done)).await.map_err(|_| TableError::Off)?;
        answer.await.map_err(|_| TableError::Off)
    }
}

/// Switches a table on. It listens, holds one client, and runs rolls when its handle says so.
///
/// Must be called within a tokio runtime. Errors: the listener has no address.
pub fn serve(listener: TcpListener, options: TableOptions) -> io::Result<TableHandle> {
    let address = listener.local_addr()?;
    let (buttons, pressed) = mpsc::channel(16);
    let (connected, watched) = watch::channel(false);
    let (stops, stopped) = watch::channel(0);
    tokio::spawn(work(Port::new(listener, connected), pressed, stopped, options));
    Ok(TableHandle { address, buttons, connected: watched, stops })
}

async fn work(
    mut port: Port,
    mut pressed: mpsc::Receiver<Button>,
    mut stopped: watch::Receiver<u64>,
    options: TableOptions,
) {
    // A year is never; an interval needs some span.
    let mut keep_alive = interval(options.keep_alive.unwrap_or(Duration::from_secs(365 * 24 * 3600)));
    keep_alive.set_missed_tick_behavior(MissedTickBehavior::Delay);
    keep_alive.reset();
    loop {
        tokio::select! {
            biased;
            button = pressed.recv() => match button {
                Some(Button::Run(run, done)) => {
                    // Who stopped it before meant another run.
                    stopped.mark_unchanged();
                    let report = Running::run(&mut port, *run, &stopped).await;
                    keep_alive.reset();
                    // Nobody may wait for it any more.
                    let _ = done.send(report);
                }
                Some(Button::Cut(done)) => {
                    port.cut().await;
                    let _ = done.send(());
                }
                None => return port.cut().await,
            },
            _ = keep_alive.tick() => {
                port.send(&line::line("K")).await;
            }
            _ = port.mind() => {}
        }
    }
}

/// A roll on its way over the table.
struct Running<'a> {
    port: &'a mut Port,
    /// Printed and not yet sent.
    waiting: Vec<u8>,
    lines_waiting: u64,
    /// How long a label takes; `None`: no time at all.
    pitch: Option<Duration>,
    /// When the next label is under the sensor.
    due: Instant,
    drop_bytes: usize,
    garble: bool,
    /// The link is cut: so many lines are still to be lost before the table waits for a client. `None`: it is not cut.
    cut: Option<u32>,
    report: RunReport,
}

impl<'a> Running<'a> {
    async fn run(port: &'a mut Port, run: RollRun, stopped: &watch::Receiver<u64>) -> Result<RunReport, TableError> {
        let pitch = match run.speed {
            Speed::LabelsPerMinute(speed) => Some(Duration::from_secs(60) / speed.max(1)),
            Speed::AsFastAsItGoes => None,
        };
        let mut pass = Pass::new(run).map_err(TableError::Roll)?;
        port.client().await;
        let mut running = Self {
            port,
            waiting: Vec::new(),
            lines_waiting: 0,
            pitch,
            due: Instant::now(),
            drop_bytes: 0,
            garble: false,
            cut: None,
            report: RunReport { total: 0, lines: 0, bytes: 0, lines_lost: 0 },
        };
        for step in pass.by_ref() {
            // Where the last handle is gone nobody stops it any more: it runs on to its end.
            if stopped.has_changed().unwrap_or(false) {
                break;
            }
            running.step(step).await;
        }
        running.send().await;
        running.report.total = pass.counted;
        Ok(running.report)
    }

    async fn step(&mut self, step: Step) {
        match step {
            Step::Move => {
                if let Some(pitch) = self.pitch {
                    self.rest(pitch).await;
                }
            }
            Step::Rest(rest) => self.rest(rest).await,
            Step::Print(line) => self.print(line).await,
            Step::Disturb(trouble) => self.disturb(trouble).await,
        }
    }

    /// Stands still, or moves the web, for so long after the last time. The clock is the plan, so that a late wake does
    /// not slow the whole roll down.
    async fn rest(&mut self, rest: Duration) {
        self.due += rest;
        if self.due > Instant::now() {
            self.send().await;
            tokio::select! {
                () = sleep_until(self.due) => {}
                _ = self.port.mind() => {}
            }
        }
    }

    async fn print(&mut self, mut line: Vec<u8>) {
        self.report.lines += 1;
        match self.cut {
            Some(0) => {
                self.cut = None;
                self.port.client().await;
                // The time that the table waited is not made up for.
                self.due = Instant::now();
            }
            Some(left) => {
                self.cut = Some(left - 1);
                self.report.lines_lost += 1;
                return;
            }
            None => {}
        }
        if std::mem::take(&mut self.garble) {
            // In the middle of the line, so that its end still ends it.
            let middle = line.len() / 2;
            if let Some(byte) = line.get_mut(middle) {
                *byte ^= 0x15;
            }
        }
        let dropped = self.drop_bytes.min(line.len());
        self.drop_bytes -= dropped;
        self.waiting.extend_from_slice(line.get(dropped..).unwrap_or_default());
        self.lines_waiting += 1;
        if self.waiting.len() >= SEND_AT {
            self.send().await;
        }
    }

    async fn disturb(&mut self, trouble: Trouble) {
        match trouble {
            Trouble::CutLink { lines_lost } => {
                self.send().await;
                self.port.cut().await;
                self.cut = Some(lines_lost);
            }
            Trouble::DropBytes(bytes) => self.drop_bytes += bytes as usize,
            Trouble::GarbleLine => self.garble = true,
            Trouble::Endless(bytes) => {
                let mut left = bytes as usize;
                while left > 0 {
                    let portion = left.min(SEND_AT);
                    self.waiting.resize(self.waiting.len() + portion, b'~');
                    left -= portion;
                    self.send().await;
                }
            }
            // The pass prints it.
            Trouble::Alarm(..) => {}
        }
    }

    async fn send(&mut self) {
        let lines = std::mem::take(&mut self.lines_waiting);
        if self.waiting.is_empty() {
            return;
        }
        if self.port.send(&self.waiting).await {
            self.report.bytes += self.waiting.len() as u64;
        } else {
            self.report.lines_lost += lines;
        }
        self.waiting.clear();
    }
}
