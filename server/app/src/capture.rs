//! The capture of every station: link, plugin, segments, entries. One task per station; it decides nothing.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tallyseal_book::{ActError, Book, Order};
use tallyseal_control::{Command, Follower, Key, Piece, Record, State};
use tallyseal_machines::capture::{Piece as Segment, Segmenter};
use tallyseal_machines::link::{LinkEvent, run_tcp_out};
use tallyseal_plugin_host::Plugin;
use tallyseal_schema::entry::Machine;
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::Link;
use tallyseal_schema::observation::{Located, Observation, lines_hash};
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::{By, Hash};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::Instant;

use crate::desk::system_order;
use crate::error::DeskError;
use crate::randomness;

/// The name of a station's only link.
const LINK: &str = "tcp-out";
/// Silence of the machine in mid-count that is worth an exception.
const SILENCE: Duration = Duration::from_secs(10);
/// A moment, by the capture's own clock, at which everything has waited long enough.
const FAR: Duration = Duration::from_secs(1 << 40);
/// How long after a capture has failed it begins anew.
const AGAIN: Duration = Duration::from_secs(1);

/// The captures of all stations. Cheap to clone.
#[derive(Clone)]
pub struct Captures {
    stations: Arc<Mutex<BTreeMap<Id, mpsc::Sender<Tell>>>>,
    stop: watch::Sender<bool>,
}

/// What a capture is told.
enum Tell {
    /// Record what has come so far; then answer.
    Flush(oneshot::Sender<()>),
    /// The station's record changed: look which count is open and which plugin is bound; then answer.
    LookAgain(oneshot::Sender<()>),
}

/// Says of every link that it is down, as it is after a start until it is heard of. Done before anybody is answered:
/// else a count could be closed over what was said while no server ran.
///
/// Errors: the book cannot be read, or does not take it.
pub async fn lose_all(book: &Book) -> Result<(), DeskError> {
    for station in book.set(&Key::new("thing", Thing::Station.as_str()))? {
        let cause = "the server was started anew".to_owned();
        let command = Command::LoseLink { station: station.id(), link: LINK.to_owned(), cause };
        book.act(system_order("capture", command)?).await?;
    }
    Ok(())
}

impl Captures {
    /// No captures yet.
    pub fn new() -> Self {
        Self { stations: Arc::default(), stop: watch::Sender::new(false) }
    }

    /// Begins the capture of every station that has a plugin, now and whenever one gets one, until the book stops.
    pub async fn follow(self, book: Book) {
        let mut committed = book.subscribe();
        loop {
            match book.set(&Key::new("thing", Thing::Station.as_str())) {
                Ok(stations) => stations.iter().for_each(|stream| self.begin(&book, stream)),
                Err(error) => tracing::error!(%error, "the stations cannot be read; those not captured yet are not"),
            }
            loop {
                match committed.recv().await {
                    Ok(entry) if entry.kind == "station.plugin_bound" => break,
                    Ok(_) => {}
                    // Some were missed: look at all stations again.
                    Err(tokio::sync::broadcast::error::RecvError::Lagged(_)) => break,
                    Err(tokio::sync::broadcast::error::RecvError::Closed) => return,
                }
            }
        }
    }

    /// Records what the station's machine has said so far.
    pub async fn flush(&self, station: &Id) {
        self.tell(station, Tell::Flush).await;
    }

    /// Tells the station's capture that a count was opened or ended, or a plugin bound; returns when it goes by that.
    pub async fn look_again(&self, station: &Id) {
        self.tell(station, Tell::LookAgain).await;
    }

    /// Ends all captures after they have recorded what came.
    pub async fn stop(&self) {
        let stations: Vec<Id> = self.lock().keys().cloned().collect();
        for station in stations {
            self.flush(&station).await;
        }
        self.stop.send_replace(true);
    }

    async fn tell(&self, station: &Id, what: impl FnOnce(oneshot::Sender<()>) -> Tell) {
        let sender = self.lock().get(station).cloned();
        if let Some(sender) = sender {
            let (done, wait) = oneshot::channel();
            if sender.send(what(done)).await.is_ok() {
                let _ = wait.await;
            }
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, BTreeMap<Id, mpsc::Sender<Tell>>> {
        self.stations.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn begin(&self, book: &Book, stream: &Stream) {
        let station = stream.id();
        let Ok(Some((_, Record { state: State::Station(state), .. }))) = book.record(stream) else { return };
        let Some(bound) = &state.plugin else { return };
        let mut stations = self.lock();
        if stations.get(&station).is_some_and(|sender| !sender.is_closed()) {
            return;
        }
        let Some(plugin) = plugin(book, &bound.plugin) else {
            tracing::error!(station = %station, "the plugin's files are not in the book; the station is not captured");
            return;
        };
        let Link::TcpOut { address } = state.link;
        let (tell, told) = mpsc::channel(16);
        stations.insert(station.clone(), tell);
        let task = Task {
            book: book.clone(),
            digest: bound.digest,
            follower: Follower::default(),
            heard: None,
            plugin,
            quiet: false,
            started: Instant::now(),
            station,
            stop: self.stop.subscribe(),
            stream: stream.clone(),
            stretch: None,
        };
        let (captures, book, stream) = (self.clone(), book.clone(), stream.clone());
        tokio::spawn(async move {
            let ended = tokio::spawn(task.run(address, told)).await;
            if *captures.stop.borrow() || book.failure().is_some() {
                return;
            }
            // A station that nobody listens to must not look as if it were captured: what is missed is said, and it
            // begins anew.
            let why = ended.err().map_or_else(|| "its link ended".to_owned(), |error| error.to_string());
            tracing::error!(station = %stream.id(), why, "a capture ended by itself; it begins anew");
            tokio::time::sleep(AGAIN).await;
            captures.begin(&book, &stream);
        });
    }
}

impl Default for Captures {
    fn default() -> Self {
        Self::new()
    }
}

/// The plugin as it was drafted: from the bytes in the book, never from a folder.
fn plugin(book: &Book, stream: &Stream) -> Option<Plugin> {
    let Ok(Some((_, Record { state: State::Plugin(state), .. }))) = book.record(stream) else { return None };
    let mut files = Files::new();
    for file in &state.files {
        files.insert(file.path.clone(), book.file(&file.sha256).ok()??);
    }
    let plugin = Plugin::load(&files).ok()?;
    (plugin.digest() == state.digest).then_some(plugin)
}

/// Waits until all captures are to end. The watch's guard must not live on into what follows.
async fn ended(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

/// One byte stream: of a count, or of the time between counts.
struct Stretch {
    /// What came in this stream before this task began with it.
    base: u64,
    count: Option<Stream>,
    segmenter: Segmenter,
}

struct Task {
    book: Book,
    digest: Hash,
    follower: Follower,
    heard: Option<Instant>,
    plugin: Plugin,
    /// The machine has said itself that it stands still: silence is no exception.
    quiet: bool,
    started: Instant,
    station: Id,
    stop: watch::Receiver<bool>,
    stream: Stream,
    stretch: Option<Stretch>,
}

impl Task {
    async fn run(mut self, address: String, mut told: mpsc::Receiver<Tell>) {
        // After a start the link is down until it is heard of; a count that was open has lost what came meanwhile.
        self.lose("the capture was started anew".to_owned()).await;
        self.look_again();
        let (events, mut heard) = mpsc::channel(64);
        tokio::spawn(run_tcp_out(address, events, self.stop.clone()));
        let mut stop = self.stop.clone();
        let mut tick = tokio::time::interval(Duration::from_millis(200));
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                biased;
                Some(tell) = told.recv() => match tell {
                    Tell::Flush(done) => {
                        self.catch_up(&mut heard).await;
                        let _ = done.send(());
                    }
                    Tell::LookAgain(done) => {
                        self.catch_up(&mut heard).await;
                        self.look_again();
                        let _ = done.send(());
                    }
                },
                () = ended(&mut stop) => return,
                event = heard.recv() => match event {
                    Some(event) => self.event(event).await,
                    None => return,
                },
                _ = tick.tick() => self.tick().await,
            }
        }
    }

    fn elapsed(&self) -> Duration {
        self.started.elapsed()
    }

    /// Records what has already come from the machine: it belongs before this moment. No more than that, so that a
    /// machine that never stops talking keeps nobody waiting.
    async fn catch_up(&mut self, heard: &mut mpsc::Receiver<LinkEvent>) {
        for _ in 0..heard.len() {
            if let Ok(event) = heard.try_recv() {
                self.event(event).await;
            }
        }
        self.flush().await;
    }

    async fn event(&mut self, event: LinkEvent) {
        match event {
            LinkEvent::Up => self.restore().await,
            LinkEvent::Down { cause } => {
                let mut ready = Vec::new();
                if let Some(stretch) = &mut self.stretch {
                    stretch.segmenter.link_lost(&mut ready);
                }
                self.append(ready).await;
                self.lose(cause).await;
            }
            LinkEvent::Bytes(bytes) => {
                self.heard = Some(Instant::now());
                self.quiet = false;
                let now = self.elapsed();
                let mut ready = Vec::new();
                if let Some(stretch) = &mut self.stretch {
                    stretch.segmenter.feed(&bytes, now, &mut ready);
                }
                self.append(ready).await;
            }
        }
    }

    async fn tick(&mut self) {
        if self.stretch.is_none() {
            self.look_again();
        }
        let now = self.elapsed();
        let mut ready = Vec::new();
        if let Some(stretch) = &mut self.stretch {
            stretch.segmenter.tick(now, &mut ready);
        }
        self.append(ready).await;
        let counting = self.stretch.as_ref().is_some_and(|stretch| stretch.count.is_some());
        if let Some(heard) = self.heard.filter(|heard| counting && !self.quiet && heard.elapsed() > SILENCE) {
            self.quiet = true;
            let seconds = u32::try_from(heard.elapsed().as_secs()).unwrap_or(u32::MAX);
            self.note(Command::NoteSilence { station: self.station.clone(), seconds }).await;
        }
    }

    /// Records everything that has come in this stretch; a frame that is not whole stays in the segmenter's framer
    /// unless the stretch ends.
    async fn flush(&mut self) {
        let mut ready = Vec::new();
        if let Some(stretch) = &mut self.stretch {
            stretch.segmenter.tick(FAR, &mut ready);
        }
        self.append(ready).await;
    }

    /// True where another plugin speaks for the station than the one that reads it here.
    fn is_rebound(&self) -> bool {
        match self.book.record(&self.stream) {
            Ok(Some((_, Record { state: State::Station(state), .. }))) => {
                state.open_count.is_none() && state.plugin.is_some_and(|bound| bound.digest != self.digest)
            }
            _ => false,
        }
    }

    /// Looks which count is open and which plugin reads the station, and begins a new stretch where one changed.
    fn look_again(&mut self) {
        let Ok(Some((_, Record { state: State::Station(state), .. }))) = self.book.record(&self.stream) else { return };
        let rebound = state.plugin.as_ref().filter(|bound| bound.digest != self.digest);
        if rebound.is_none() && self.stretch.as_ref().is_some_and(|stretch| stretch.count == state.open_count) {
            return;
        }
        if let Some(bound) = rebound {
            let Some(plugin) = plugin(&self.book, &bound.plugin) else {
                tracing::error!(station = %self.station, "the plugin's files are not in the book; the old one goes on");
                return;
            };
            (self.digest, self.plugin) = (bound.digest, plugin);
        }
        let base = state.open_count.as_ref().map_or(0, |count| match self.book.record(count) {
            Ok(Some((_, Record { state: State::Count(state), .. }))) => state.bytes.get(LINK).copied().unwrap_or(0),
            _ => 0,
        });
        self.follower = Follower::default();
        self.heard = None;
        self.stretch = Some(Stretch { base, count: state.open_count, segmenter: Segmenter::new(&self.plugin) });
    }

    async fn append(&mut self, ready: Vec<Segment>) {
        let mut all_recorded = true;
        // What was not recorded, from the first piece on that was not.
        let mut left: Vec<u8> = Vec::new();
        for segment in ready {
            if !all_recorded {
                left.extend(segment.bytes);
                continue;
            }
            let Some(stretch) = &self.stretch else { return };
            let base = stretch.base;
            let count = stretch.count.clone();
            let moved = |located: &Located| Located {
                from: located.from.saturating_add(base),
                to: located.to.saturating_add(base),
                seen: located.seen.clone(),
            };
            let observations: Vec<Located> = segment.observations.iter().map(moved).collect();
            let summary = self.follower.follow(&observations);
            self.quiet |= observations.iter().any(|located| {
                matches!(
                    located.seen,
                    Observation::Halted { .. } | Observation::RollEnd { .. } | Observation::Ticket { .. }
                )
            });
            let lines = match lines_hash(&observations) {
                Ok(lines) => lines,
                Err(error) => {
                    tracing::error!(station = %self.station, %error, "an observation cannot be written");
                    all_recorded = false;
                    left.extend(segment.bytes);
                    continue;
                }
            };
            let piece = Piece {
                count,
                codes: summary.codes,
                events: segment.events.iter().map(moved).collect(),
                ordinals: summary.ordinals,
                labels: summary.labels,
                length: segment.bytes.len() as u64,
                lines,
                link: LINK.to_owned(),
                observed: u32::try_from(observations.len()).unwrap_or(u32::MAX),
                offset: segment.offset.saturating_add(base),
                irregular: summary.irregular,
                sha256: Hash::of(&segment.bytes),
                total: summary.total,
            };
            let by = By::Machine(Machine { plugin: self.digest, station: self.station.clone() });
            let command = Command::Observe { station: self.station.clone(), piece: Box::new(piece) };
            if !self.order(by, command, Some(segment.bytes.clone())).await {
                all_recorded = false;
                left.extend(segment.bytes);
            }
        }
        if !all_recorded && self.is_rebound() {
            // Another plugin speaks for the station since then: what the machine has said meanwhile is read by that one.
            if let Some(stretch) = &mut self.stretch {
                let mut rest = Vec::new();
                stretch.segmenter.tick(FAR, &mut rest);
                rest.into_iter().for_each(|segment| left.extend(segment.bytes));
            }
            self.look_again();
            if !self.is_rebound() {
                let now = self.elapsed();
                let mut ready = Vec::new();
                if let Some(stretch) = &mut self.stretch {
                    stretch.segmenter.feed(&left, now, &mut ready);
                }
                return Box::pin(self.append(ready)).await;
            }
        }
        if !all_recorded {
            // The next piece would not fit on what is recorded. The loss is said, and the stretch begins anew there.
            self.lose("what the machine said could not be recorded".to_owned()).await;
            self.restore().await;
            self.stretch = None;
            self.look_again();
        }
    }

    async fn lose(&self, cause: String) {
        self.note(Command::LoseLink { station: self.station.clone(), link: LINK.to_owned(), cause }).await;
    }

    async fn restore(&self) {
        self.note(Command::RestoreLink { station: self.station.clone(), link: LINK.to_owned() }).await;
    }

    async fn note(&self, command: Command) {
        self.order(By::system("capture"), command, None).await;
    }

    /// Gives an order and stays with it until it is recorded or it is known that it cannot be; true where it is.
    async fn order(&self, by: By, command: Command, capture: Option<Vec<u8>>) -> bool {
        let Ok(act) = randomness::act() else { return false };
        loop {
            let order = match system_order("capture", command.clone()) {
                Ok(order) => Order { act: act.clone(), by: by.clone(), capture: capture.clone(), ..order },
                Err(error) => {
                    tracing::error!(station = %self.station, %error, "an order could not be made");
                    return false;
                }
            };
            match self.book.act(order).await {
                Ok(_) => return true,
                // The link's channel fills meanwhile and TCP holds the machine back; nothing is dropped.
                Err(ActError::Busy) => tokio::time::sleep(Duration::from_millis(20)).await,
                Err(error) => {
                    tracing::error!(station = %self.station, %error, "the capture was not recorded");
                    return false;
                }
            }
        }
    }
}
