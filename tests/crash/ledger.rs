//! What the clients know: every act that they wanted, and the receipt where they have one. And what must be true of a book
//! that they come back to.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tallyseal_book::Reader;
use tallyseal_schema::Hash;
use tallyseal_schema::checkpoint::parse_body;
use tallyseal_schema::tree::Frontier;
use tallyseal_tests::api::Answer;

/// One thing that a client wanted, as it was sent.
#[derive(Clone)]
pub struct Wish {
    /// The idempotency key.
    pub act: String,
    /// Who, by the name that the plant has for them.
    pub who: &'static str,
    /// The command's name.
    pub name: &'static str,
    /// Its fields.
    pub command: Value,
    /// It is a signature and goes with the password.
    pub signs: bool,
    /// What the server has said for good.
    pub receipt: Option<Receipt>,
    /// The server said for good that nothing came of it.
    pub nothing: bool,
}

/// What a client keeps of an answer.
#[derive(Clone, Debug)]
pub struct Receipt {
    /// The last entry of the act.
    pub n: u64,
    /// Its leaf hash.
    pub leaf: String,
    /// How many entries the act has, where that was said: a refusal is one.
    pub entries: u64,
    /// A checkpoint over it, where one came along.
    pub checkpoint: Option<String>,
    /// It had been done before.
    pub repeated: bool,
}

/// What an answer comes to.
pub enum Heard {
    /// Recorded, for good.
    Recorded(Receipt),
    /// Answered, and nothing was recorded.
    Nothing,
    /// Not answered, or not for good: it may be recorded or not.
    Unknown,
}

/// What a client hears in an answer.
pub fn hear(answer: &Answer) -> Heard {
    let body = &answer.body;
    match answer.status {
        200 => Heard::Recorded(Receipt {
            n: body["n"].as_u64().unwrap(),
            leaf: body["leaf"].as_str().unwrap().to_owned(),
            entries: body["entries"].as_array().unwrap().len() as u64,
            checkpoint: body["checkpoint"].as_str().map(str::to_owned),
            repeated: body["repeated"].as_bool().unwrap(),
        }),
        0 | 500 | 503 => Heard::Unknown,
        _ => match body.get("recorded") {
            Some(recorded) => Heard::Recorded(Receipt {
                n: recorded["n"].as_u64().unwrap(),
                leaf: recorded["leaf"].as_str().unwrap().to_owned(),
                entries: 1,
                checkpoint: None,
                repeated: false,
            }),
            None => Heard::Nothing,
        },
    }
}

/// The acts in a book: which entries each has, and the leaf hash of every entry.
pub struct Acts {
    /// Leaf hash of every entry.
    pub leaves: Vec<Hash>,
    /// Act to its entries, ascending.
    pub places: BTreeMap<String, Vec<u64>>,
}

impl Acts {
    /// Reads the book in `dir` from its first entry to its last, whether or not a server runs on it.
    pub fn of(dir: &Path) -> Self {
        Self::among(&Reader::open(dir).unwrap().entries(0, u64::MAX).unwrap())
    }

    /// Of entries in their order.
    pub fn among(entries: &[Vec<u8>]) -> Self {
        let mut places: BTreeMap<String, Vec<u64>> = BTreeMap::new();
        for (n, bytes) in entries.iter().enumerate() {
            // In the one form that an entry has, its act comes first.
            if let Some(rest) = bytes.strip_prefix(b"{\"act\":\"") {
                let act = String::from_utf8(rest[..36].to_vec()).unwrap();
                places.entry(act).or_default().push(n as u64);
            }
        }
        Self { leaves: entries.iter().map(|bytes| Hash::leaf(bytes)).collect(), places }
    }

    /// The entries of an act.
    pub fn of_act(&self, act: &str) -> &[u64] {
        self.places.get(act).map_or(&[], Vec::as_slice)
    }
}

/// Everything that is wrong with a book for those who wrote in it; nothing where all is as it must be.
pub fn wrong(wishes: &[Wish], acts: &Acts) -> Vec<String> {
    let mut wrong = Vec::new();
    for (act, places) in &acts.places {
        let first = places[0];
        if !places.iter().copied().eq(first..first + places.len() as u64) {
            wrong.push(format!("the act {act} was done twice: entries {places:?}"));
        }
    }
    for wish in wishes.iter().filter(|wish| wish.nothing && !acts.of_act(&wish.act).is_empty()) {
        wrong.push(format!("of {} nothing came, it was said, and it is recorded", wish.name));
    }
    let receipts = wishes.iter().filter_map(|wish| Some((wish, wish.receipt.as_ref()?)));
    let mut checkpoints = BTreeMap::new();
    for (wish, receipt) in receipts {
        let Receipt { n, leaf, entries, checkpoint, .. } = receipt;
        let places = acts.of_act(&wish.act);
        match acts.leaves.get(*n as usize) {
            None => wrong.push(format!("entry {n} of the acknowledged {} is gone", wish.name)),
            Some(is) if is.hex() != *leaf => {
                wrong.push(format!("entry {n} is not the one that was acknowledged for {}", wish.name));
            }
            Some(_) if places.last() != Some(n) || places.len() as u64 != *entries => {
                wrong.push(format!(
                    "{} was acknowledged with {entries} entries up to {n}; it has {places:?}",
                    wish.name
                ));
            }
            Some(_) => {}
        }
        if let Some(text) = checkpoint {
            let note = parse_body(text).unwrap();
            if note.size <= *n {
                wrong.push(format!("the checkpoint over {} entries came with entry {n}", note.size));
            }
            checkpoints.insert(note.size, note.root);
        }
    }
    let mut tree = Frontier::new();
    for leaf in &acts.leaves {
        tree.push(*leaf);
        if checkpoints.remove(&tree.size()).is_some_and(|root| root != tree.root()) {
            wrong.push(format!(
                "the checkpoint over {} entries that came with a receipt is of another book",
                tree.size()
            ));
        }
    }
    wrong.extend(checkpoints.keys().map(|size| format!("a receipt says that there were {size} entries")));
    wrong
}

/// The newest checkpoint that came with any receipt, in a file.
pub fn newest_checkpoint(wishes: &[Wish], folder: &Path) -> PathBuf {
    let texts = wishes.iter().filter_map(|wish| wish.receipt.as_ref()?.checkpoint.as_ref());
    let newest = texts.max_by_key(|text| parse_body(text).unwrap().size).unwrap();
    let file = folder.join("newest-receipt.txt");
    std::fs::write(&file, newest).unwrap();
    file
}
