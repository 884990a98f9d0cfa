//! Attacks on a book that somebody follows while it is served: a real witness, a client that shows its receipt, a machine
//! whose clock is set.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use rusqlite::{Connection, OpenFlags};
use serde_json::{Value, json};
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_schema::tree::consistency;
use tallyseal_schema::witness::Submission;
use tallyseal_tests::api::{Answer, Client};
use tallyseal_tests::book::{Kept, checkpoint_size, checkpoints, cosigned, entries};
use tallyseal_tests::faketime::{self, Variable};
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::tallyseal;
use tallyseal_tests::witness::Witness;
use tallyseal_verify::Trust;

use crate::attack::{Outside, holds};
use crate::forge::Forge;
use crate::stock::{Copy, stock};

/// The demo's book after a server served it once and a witness cosigned all of it; made once for all tests.
pub struct Followed {
    book: Kept,
    witness: Kept,
    /// The witness's key.
    pub key: String,
    /// The newest checkpoint with its cosignature.
    note: String,
    /// How many entries that speaks of.
    pub size: u64,
}

static FOLLOWED: LazyLock<Followed> = LazyLock::new(|| {
    let copy = Copy::new();
    let witness = Witness::of(&stock().key);
    asking(&copy.dir(), &witness).stop();
    // A server that ends has its last words cosigned.
    let note = std::fs::read_to_string(cosigned(&copy.dir()).last().expect("it cosigned")).unwrap();
    let size = parse_body(&note).unwrap().size;
    assert!(said(&copy, "book.fork_seen").is_empty() && said(&copy, "book.witness_lost").is_empty());
    let key = witness.key.clone();
    Followed { book: Kept::of(&copy.dir()), witness: witness.keep(), key, note, size }
});

/// The book that a witness follows.
pub fn followed() -> &'static Followed {
    &FOLLOWED
}

impl Followed {
    /// A copy of it.
    pub fn copy(&self) -> Copy {
        Copy::of(&self.book)
    }

    /// The witness, which remembers it.
    pub fn witness(&self) -> Witness {
        Witness::again(&self.witness, &self.key)
    }

    /// What it cosigned, as somebody kept it elsewhere, and its key.
    pub fn kept(&self, copy: &Copy) -> Outside {
        Outside::checkpoint(&copy.put("cosigned.txt", self.note.as_bytes())).and_witness(&self.key)
    }

    /// A policy that asks for this witness.
    pub fn policy(&self, copy: &Copy, more: &str) -> Outside {
        let text = format!("witness = [\"{}\"]\nquorum = 1\n{more}", self.key);
        Outside::policy(&copy.put("policy.toml", text.as_bytes()))
    }

    /// By that, the witness speaks for the book up to there, and for nothing behind it.
    #[track_caller]
    pub fn speaks(&self, dir: &Path, with: &Outside, size: u64) {
        holds(dir, with);
        let report = with.report(dir, &[]);
        assert_eq!(report.trust, Trust::Witness, "{report}");
        let outside = report.outside.unwrap();
        assert_eq!((outside.size, outside.tail), (size, report.entries - size), "{report}");
    }

    /// A server that asks nobody serves that book and notices nothing. One that asks the witness is refused by it and says
    /// so in the book. Gives what it says.
    #[track_caller]
    pub fn refuses(&self, copy: &Copy) -> Value {
        Server::start(&copy.dir()).stop();
        let key = Outside::key(&stock().key);
        holds(&copy.dir(), &key);
        assert!(said(copy, "book.fork_seen").is_empty());

        let witness = self.witness();
        let server = asking(&copy.dir(), &witness);
        let seen = wait_for(copy, "book.fork_seen");
        server.stop();
        assert_eq!((&seen["body"]["witness"], &seen["body"]["known"]), (&json!(self.key), &json!(self.size)), "{seen}");
        // Whatever came after its words: the witness has not moved, and answers that it is elsewhere.
        assert!(cosigned(&copy.dir()).iter().all(|file| checkpoint_size(file) <= self.size));
        let note = std::fs::read_to_string(checkpoints(&copy.dir()).last().unwrap()).unwrap();
        let answer = witness.send(&Submission { old: 0, proof: Vec::new(), note }.to_text());
        assert_eq!((answer.status, answer.body), (409, format!("{}\n", self.size)));
        holds(&copy.dir(), &key);
        seen
    }
}

/// A server on that book which asks that witness.
pub fn asking(dir: &Path, witness: &Witness) -> Server {
    let more = ["--witness", &witness.asked(), "--witness-lost-seconds", "1"];
    faketime::start(dir, &[], &more).unwrap_or_else(|said| panic!("the server did not start: {said}"))
}

/// A checkpoint is kept now, and the witness asked, and not within ten seconds.
pub fn ask_now(copy: &Copy) {
    let output = tallyseal(["checkpoint", "--dir", copy.dir().to_str().unwrap()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// The witness is given the newest checkpoint of that book with the proof that it would need.
pub fn submitted(copy: &Copy, witness: &Witness, old: u64) -> u16 {
    let note = std::fs::read_to_string(checkpoints(&copy.dir()).last().unwrap()).unwrap();
    let size = parse_body(&note).unwrap().size as usize;
    let proof = consistency(&Forge::of(&copy.dir()).leaves()[..size], old).unwrap();
    witness.send(&Submission { old, proof, note }.to_text()).status
}

/// Every entry of a kind, with its place. Also of a book that is served.
pub fn said(copy: &Copy, kind: &str) -> Vec<Value> {
    let db = Connection::open_with_flags(copy.dir().join("book.db"), OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    db.busy_timeout(Duration::from_secs(5)).unwrap();
    let mut statement =
        db.prepare("SELECT bytes FROM entry WHERE instr(bytes, CAST(?1 AS BLOB)) > 0 ORDER BY n").unwrap();
    let rows = statement.query_map([format!("\"kind\":\"{kind}\"")], |row| row.get::<_, Vec<u8>>(0)).unwrap();
    let all = rows.map(|bytes| serde_json::from_slice::<Value>(&bytes.unwrap()).unwrap());
    all.filter(|entry| entry["kind"] == kind).collect()
}

/// The first entry of a kind, as soon as it is there.
#[track_caller]
pub fn wait_for(copy: &Copy, kind: &str) -> Value {
    until(kind, || said(copy, kind).into_iter().next())
}

/// Waits for something, at most a minute.
#[track_caller]
pub fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let since = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(since.elapsed() < Duration::from_secs(60), "waited in vain: {what}");
        // The server that is waited for needs the processor as well.
        std::thread::park_timeout(Duration::from_millis(10));
    }
}

/// The newest checkpoint that a witness cosigned of more than so many entries, as soon as it is kept.
#[track_caller]
pub fn cosigned_beyond(copy: &Copy, size: u64) -> PathBuf {
    until("a cosignature", || cosigned(&copy.dir()).into_iter().find(|file| checkpoint_size(file) > size))
}

/// Somebody signs in: something to record. The answer of the server, with the receipt.
#[track_caller]
pub fn sign_in(server: &Server) -> Answer {
    let given = json!({ "account": "U-0004", "password": "demo only, for 4", "device": "D-TEST" });
    let answer = Client::stranger(&server.url).send("POST", "/api/session", Some(&given));
    assert_eq!(answer.status, 200, "{}", answer.body);
    answer
}

/// A server on a machine whose clock is as that environment says.
pub fn on_a_clock(copy: &Copy, environment: &[Variable]) -> Server {
    faketime::start(&copy.dir(), environment, &[]).unwrap_or_else(|said| panic!("the server did not start: {said}"))
}

/// The kinds of the entries from `n` on with their places, without what comes by itself: the demo's machine is away, and its
/// people's sessions end.
fn kinds(copy: &Copy, n: usize) -> Vec<(usize, String)> {
    let all = entries(&copy.dir()).into_iter().enumerate().skip(n).map(|(n, bytes)| {
        let entry: Value = serde_json::from_slice(&bytes).unwrap();
        (n, entry["kind"].as_str().unwrap().to_owned())
    });
    let ours = ["book.started", "clock.stepped", "session.opened"];
    all.filter(|(_, kind)| ours.contains(&kind.as_str())).collect()
}

/// The entries from `n` on are of these kinds. Gives the place of each.
#[track_caller]
pub fn written<const N: usize>(copy: &Copy, n: usize, wanted: [&str; N]) -> [usize; N] {
    let all = kinds(copy, n);
    assert!(all.iter().map(|(_, kind)| kind).eq(wanted), "{all:?}");
    all.into_iter().map(|(n, _)| n).collect::<Vec<_>>().try_into().unwrap()
}

/// Whoever holds the key takes entries out of the book, and signs the rest of it anew.
pub fn taken_out(copy: &Copy, which: impl Fn(&Value) -> bool) {
    let mut forge = Forge::of(&copy.dir());
    forge.entries.retain(|entry| !which(entry));
    forge.mend();
    forge.write_with_checkpoints(&copy.dir());
}
