//! Load on a server until it is gone: people at their devices who want things one after another, one of them counting
//! while the table runs a roll over TCP, one of them signing.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tallyseal_machines::table::{Direction, Roll, RollRun, RunReport, Scatter, Speed};
use tallyseal_tests::api::{Client, act};
use tallyseal_tests::plant::CODE;
use tokio::runtime::Runtime;

use crate::ledger::{Heard, Wish, hear};
use crate::site::{Site, ask};

/// Labels on the roll that is counted.
const LABELS: u32 = 400;
/// So fast the table runs: the whole roll takes under half a second.
const SPEED: u32 = 60_000;
/// Nobody waits longer for anything.
const PATIENCE: Duration = Duration::from_secs(30);

/// What the load tells whoever ends the server.
pub enum Word {
    /// An act was acknowledged.
    Acknowledged,
    /// A count is open and the table has begun to run.
    Counting,
}

/// A count that was open, and what came of the table's run for it.
pub struct Counted {
    pub count: String,
    run: Receiver<RunReport>,
    // Where the run is waited for, beside the threads.
    _runtime: Arc<Runtime>,
}

impl Counted {
    /// What the table said in its whole run; nothing where it waits for a server.
    pub fn run(&self) -> Option<RunReport> {
        self.run.recv_timeout(Duration::from_secs(2)).ok()
    }
}

/// People at work.
pub struct Load {
    counter: JoinHandle<Vec<Counted>>,
    others: Vec<JoinHandle<()>>,
    wishes: Arc<Mutex<Vec<Wish>>>,
    stop: Arc<AtomicBool>,
    words: Receiver<Word>,
}

/// One person at one device.
struct Person {
    client: Client,
    seq: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    told: Sender<Word>,
    who: &'static str,
    wishes: Arc<Mutex<Vec<Wish>>>,
}

impl Person {
    /// Wants one thing; remembers it before it is sent, and the receipt when there is one. `None`: nobody answered.
    fn want(&self, name: &'static str, command: Value, signs: bool) -> Option<u16> {
        if self.stop.load(Ordering::SeqCst) {
            return None;
        }
        let wish = Wish { act: act(), who: self.who, name, command, signs, receipt: None, nothing: false };
        let at = {
            let mut wishes = self.wishes.lock().unwrap();
            wishes.push(wish.clone());
            wishes.len() - 1
        };
        let answer = ask(&self.client, &wish);
        match hear(&answer) {
            Heard::Recorded(receipt) => {
                self.wishes.lock().unwrap()[at].receipt = Some(receipt);
                let _ = self.told.send(Word::Acknowledged);
            }
            Heard::Nothing => self.wishes.lock().unwrap()[at].nothing = true,
            Heard::Unknown => return None,
        }
        Some(answer.status)
    }

    /// A number of one's own, so that no two wishes are alike.
    fn next(&self) -> u64 {
        self.seq.fetch_add(1, Ordering::SeqCst)
    }

    fn remarks_on(&self, record: &'static str) {
        while self
            .want("remark", json!({ "record": record, "text": format!("seen, number {}", self.next()) }), false)
            .is_some()
        {}
    }

    fn moves(&self, roll: &'static str) {
        while self
            .want("move_roll", json!({ "roll": roll, "place": format!("shelf {}", self.next()) }), false)
            .is_some()
        {}
    }

    fn signs(&self) {
        let qualified = |basis: u64| json!({ "station": "T-1", "basis": format!("report {basis}"), "valid_until": "2099-01-01T00:00:00.000000Z" });
        while self.want("qualify_station", qualified(self.next()), true).is_some() {}
    }

    fn state(&self, stream: &str) -> Option<Value> {
        let answer = self.client.thing(stream);
        (answer.status == 200).then(|| answer.body["state"].clone())
    }

    /// Waits until it is so. `None`: the server is gone, or it did not become so.
    fn wait(&self, is_so: impl Fn(&Self) -> Option<bool>) -> Option<()> {
        let since = Instant::now();
        while !self.stop.load(Ordering::SeqCst) && since.elapsed() < PATIENCE {
            if is_so(self)? {
                return Some(());
            }
            // The server needs the processor too.
            std::thread::park_timeout(Duration::from_millis(3));
        }
        None
    }

    /// Counts one roll after another, whatever an earlier crash left open. Gives the counts in the order they were opened.
    fn counts(&self, supervisor: &Self, run: impl Fn(String) -> Counted) -> Vec<Counted> {
        let mut counted = Vec::new();
        while self.count(supervisor, &run, &mut counted).is_some() {}
        counted
    }

    fn count(&self, supervisor: &Self, run: &impl Fn(String) -> Counted, counted: &mut Vec<Counted>) -> Option<()> {
        self.wait(|person| Some(person.state("station/T-1")?["link_up"] == json!(true)))?;
        self.clear_away(supervisor)?;
        let open =
            json!({ "station": "T-1", "roll": "roll/R-1", "purpose": "incoming", "direction": Direction::Forward });
        self.want("open_count", open, false)?;
        let count = self.state("station/T-1")?["open_count"].as_str()?.trim_start_matches("count/").to_owned();
        counted.push(run(count.clone()));
        let _ = self.told.send(Word::Counting);
        self.wait(|person| {
            let state = person.state(&format!("count/{count}"))?;
            Some(state["roll_end"] == json!(true) && state["ticket"].is_number())
        })?;
        self.want("close_count", json!({ "count": count }), false)?;
        Some(())
    }

    /// Ends what is open: interrupted where it was cut off, given up by a supervisor where it was whole or is closed.
    fn clear_away(&self, supervisor: &Self) -> Option<()> {
        let why = "a crash of the server is tried here";
        if let Some(open) = self.state("station/T-1")?["open_count"].as_str() {
            let count = open.trim_start_matches("count/");
            if self.want("interrupt_count", json!({ "count": count, "cause": why }), false)? != 200 {
                supervisor.want("abort_count", json!({ "count": count, "why": why }), false)?;
            }
        }
        if let Some(closed) = self.state("roll/R-1")?["unsigned_count"].as_str() {
            let count = closed.trim_start_matches("count/");
            supervisor.want("abort_count", json!({ "count": count, "why": why }), false)?;
        }
        Some(())
    }
}

impl Load {
    /// Puts the site's people to work on the server that runs there. `seed`: where their numbers begin.
    pub fn begin(site: &Site, url: &str, seed: u64) -> Self {
        let runtime =
            Arc::new(tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap());
        let (told, words) = channel();
        let (wishes, stop) = (Arc::default(), Arc::new(AtomicBool::new(false)));
        let seq = Arc::new(AtomicU64::new(seed << 32));
        let person = |who: &'static str| Person {
            client: site.client(who).at(url),
            seq: Arc::clone(&seq),
            stop: Arc::clone(&stop),
            told: told.clone(),
            who,
            wishes: Arc::clone(&wishes),
        };
        let (counter, supervisor) = (person("label_room"), person("supervisor"));
        let (table, numbers) = (site.plant.table.clone(), Arc::clone(&seq));
        let run = move |count: String| {
            let (said, run) = channel();
            // Every roll is another: a piece of bytes that was there before would not be stored again.
            let scatter = Scatter { splices: 2, missing: 2, unread: 2 };
            let roll = Roll::scattered(LABELS, Some(CODE), numbers.fetch_add(1, Ordering::SeqCst), scatter).unwrap();
            let how = RollRun { speed: Speed::LabelsPerMinute(SPEED), ..RollRun::new(roll) };
            let table = table.clone();
            runtime.spawn(async move { said.send(table.run(how).await.unwrap()) });
            Counted { count, run, _runtime: Arc::clone(&runtime) }
        };
        let counter = std::thread::spawn(move || counter.counts(&supervisor, run));
        let mut others = Vec::new();
        for (who, record) in [("supervisor", "delivery/DL-1"), ("reviewer", "item/L-1"), ("second", "roll/R-3")] {
            let person = person(who);
            others.push(std::thread::spawn(move || person.remarks_on(record)));
        }
        let mover = person("second");
        others.push(std::thread::spawn(move || mover.moves("R-4")));
        let signer = person("reviewer");
        others.push(std::thread::spawn(move || signer.signs()));
        Self { counter, others, wishes, stop, words }
    }

    /// Waits until the table runs for an open count, if that is `wanted`, then until so many acts more were acknowledged,
    /// then so long: the moment at which the server is ended.
    pub fn until(&self, counting: bool, acknowledged: u32, then: Duration) {
        let latest = Instant::now() + Duration::from_secs(3);
        let (mut wait_for_count, mut left) = (counting, acknowledged);
        while wait_for_count || left > 0 {
            match self.words.recv_timeout(latest.saturating_duration_since(Instant::now())) {
                Ok(Word::Counting) => wait_for_count = false,
                Ok(Word::Acknowledged) if !wait_for_count => left = left.saturating_sub(1),
                Ok(Word::Acknowledged) => {}
                // A slow machine: then it is ended now.
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return,
            }
        }
        let moment = Instant::now() + then;
        while self.words.recv_timeout(moment.saturating_duration_since(Instant::now())).is_ok() {}
    }

    /// How the people are told to stop, by whoever finds that the server does not end.
    pub fn stopper(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.stop)
    }

    /// Waits until everybody has noticed that the server is gone. Gives what they wanted, and the counts that were begun.
    pub fn end(self) -> (Vec<Wish>, Vec<Counted>) {
        let counted = self.counter.join().unwrap();
        for person in self.others {
            person.join().unwrap();
        }
        let wishes = std::mem::take(&mut *self.wishes.lock().unwrap());
        (wishes, counted)
    }
}
