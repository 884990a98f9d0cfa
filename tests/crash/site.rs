//! The site of the crashes: one plant whose server is ended again and again, and everything that its people remember.

use std::path::{Path, PathBuf};

use serde_json::json;
use tallyseal_tests::api::Client;
use tallyseal_tests::plant::Plant;
use tallyseal_tests::server::Server;
use tallyseal_tests::verifiers::{all_hold_by, verify};

use crate::ledger::{Acts, Heard, Wish, hear, newest_checkpoint, wrong};

/// A plant that is ready to count, and its ledger.
pub struct Site {
    pub plant: Plant,
    /// Every act that was ever wanted.
    pub wishes: Vec<Wish>,
    /// How many acts of the last load had no answer, and how many of these were in the book all the same.
    pub unanswered: (usize, usize),
}

impl Site {
    pub fn new() -> Self {
        let mut plant = Plant::ready();
        plant.stop();
        Self { plant, wishes: Vec::new(), unanswered: (0, 0) }
    }

    pub fn dir(&self) -> PathBuf {
        self.plant.book.dir()
    }

    /// Starts a server with nothing special about it: it must serve.
    pub fn start(&mut self) {
        self.plant.start();
    }

    /// Everybody's client, with the server where it is now.
    pub fn client(&self, who: &str) -> Client {
        self.plant.who(who).clone()
    }

    /// Takes what the clients of one load remember.
    pub fn remember(&mut self, wishes: Vec<Wish>) -> usize {
        let from = self.wishes.len();
        self.wishes.extend(wishes);
        from
    }

    /// After a crash and a start: nothing acknowledged is lost or changed, nothing was done twice, and asking again with
    /// the same act gives the same receipt where it was done, and does it once where it was not. `from`: the first wish
    /// of the load that the crash ended.
    #[track_caller]
    pub fn settle(&mut self, from: usize, when: &str) {
        let before = Acts::of(&self.dir());
        assert_eq!(wrong(&self.wishes, &before), [""; 0], "{when}");
        let (mut asked, mut there) = (0, 0);
        for at in from..self.wishes.len() {
            let answered = self.wishes[at].receipt.clone();
            // Of those that were answered a few ask again as well.
            if self.wishes[at].nothing || answered.is_some() && at % 5 != 0 {
                continue;
            }
            let wish = self.wishes[at].clone();
            let done = before.of_act(&wish.act);
            asked += usize::from(answered.is_none());
            there += usize::from(answered.is_none() && !done.is_empty());
            let answer = ask(&self.client(wish.who), &wish);
            let what = format!("{when}: {} again, {answer:?}", wish.name);
            match hear(&answer) {
                Heard::Recorded(receipt) => {
                    let refused = answer.status != 200;
                    if let Some(last) = done.last() {
                        assert_eq!(receipt.n, *last, "{what}: recorded at {done:?}");
                        assert_eq!(receipt.entries, done.len() as u64, "{what}: not whole, {done:?}");
                        assert!(refused || receipt.repeated, "{what}");
                    } else {
                        assert!(answered.is_none() && !receipt.repeated, "{what}: acknowledged and gone");
                        assert!(receipt.n >= before.leaves.len() as u64, "{what}: recorded under another act");
                    }
                    if let Some(first) = answered {
                        assert_eq!((receipt.n, &receipt.leaf), (first.n, &first.leaf), "{what}");
                    }
                    self.wishes[at].receipt = Some(receipt);
                }
                // Refused without an entry: it had not been done, and is not.
                Heard::Nothing => {
                    assert!(done.is_empty() && answered.is_none(), "{what}: recorded at {done:?}");
                    self.wishes[at].nothing = true;
                }
                Heard::Unknown => panic!("{what}: a server that runs answers"),
            }
        }
        self.unanswered = (asked, there);
        assert_eq!(wrong(&self.wishes, &Acts::of(&self.dir())), [""; 0], "{when}, after asking again");
    }

    /// The whole book verifies against the newest checkpoint that anybody was given. No server runs.
    #[track_caller]
    pub fn verify(&self, when: &str) {
        let newest = newest_checkpoint(&self.wishes, self.plant.book.folder.path());
        let outside = ["--key", &self.plant.book.key, "--checkpoint", newest.to_str().unwrap()];
        let verdict = verify(&self.dir(), &outside);
        assert_eq!(verdict.code, 0, "{when}: {:#}\n{}", verdict.report, verdict.said);
    }

    /// At the end: ended in order, the book holds for both verifiers and its views are what its entries fold to.
    pub fn end(mut self) {
        if self.plant.server.is_some() {
            self.plant.stop();
        }
        self.verify("at the end");
        all_hold_by(&self.dir(), &self.plant.book.key);
    }
}

/// Asks for a wish as it was asked first.
pub fn ask(client: &Client, wish: &Wish) -> tallyseal_tests::api::Answer {
    let password = wish.signs.then_some(client.password.as_str());
    client.order(wish.name, &wish.command, &wish.act, &json!({}), password)
}

/// The server that ends itself at named places, in a build of its own.
pub fn faulty_binary() -> PathBuf {
    let given = std::env::var_os("TALLYSEAL_FAULTS_BIN").map(PathBuf::from);
    let path = given.unwrap_or_else(|| tallyseal_tests::top().join("target/faults/debug/tallyseal"));
    assert!(
        path.exists(),
        "{} is not built: cargo build -p tallyseal --features faults --target-dir target/faults, or tests/run",
        path.display()
    );
    path
}

/// Starts the server that ends itself at that place.
pub fn start_faulty(dir: &Path, fault: &str) -> Result<Server, String> {
    Server::try_start(dir, &faulty_binary(), &[("TALLYSEAL_FAULT", fault)])
}
