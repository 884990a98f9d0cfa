//! What a witness cosigned last, and whether the next checkpoint continues it: one lock, one file.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::{Deserialize, Serialize};
use tallyseal_schema::checkpoint::{self, Checkpoint, NoteError, VerifierKey};
use tallyseal_schema::witness::{Cosigner, Submission};
use tallyseal_schema::{BookName, Hash, canonical, tree};

use super::folder::replace;
use crate::cli::CannotRun;

/// Size and root that were cosigned last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Last {
    root: Hash,
    size: u64,
}

/// Of each book, what was cosigned last.
pub(super) struct Memory {
    file: PathBuf,
    last: Mutex<BTreeMap<BookName, Last>>,
}

/// The answer to a submission.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Seen {
    /// It continues what was seen; the signature line.
    Cosigned(String),
    /// It is no submission; why.
    Malformed(String),
    /// The book is not followed.
    Unknown,
    /// No key of the book signed it.
    NotSigned,
    /// It does not begin where the witness is, or is of its size with another root; that size.
    Conflict(u64),
    /// It is not proved to continue what was seen.
    NotContinued,
    /// The witness could not keep it, so it did not sign it; why.
    Failed(String),
}

impl Memory {
    /// Of a witness that has seen nothing yet.
    pub(super) fn create(file: &Path) -> Result<(), CannotRun> {
        Ok(replace(file, b"{}\n")?)
    }

    /// Errors: the file is not there or not as it was written. Then nothing may be cosigned: a witness that has forgotten
    /// what it saw would cosign a book that was set back.
    pub(super) fn open(file: &Path) -> Result<Self, CannotRun> {
        let wrong = |why: String| {
            CannotRun::because(format!(
                "{} cannot be read ({why}). Without it this witness does not know what it cosigned. Put the newest copy of \
                 it back; where there is none, make a new witness and say so to whoever trusts this one.",
                file.display()
            ))
        };
        let text = fs::read_to_string(file).map_err(|error| wrong(error.to_string()))?;
        let last = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
        Ok(Self { file: file.to_owned(), last: Mutex::new(last) })
    }

    /// Judges a submission, and keeps and cosigns what continues the last one.
    ///
    /// Rule: C2SP tlog-witness, add-checkpoint; the order of the checks is that of the text.
    /// Crash: before the rename the old size stands and nothing was answered; after it the new one stands, whether or not
    /// anybody heard.
    pub(super) fn add(
        &self,
        text: &str,
        followed: &BTreeMap<String, Vec<VerifierKey>>,
        cosigner: &Cosigner,
        time: u64,
    ) -> Seen {
        let given = match Submission::parse(text) {
            Ok(given) => given,
            Err(error) => return Seen::Malformed(error.to_string()),
        };
        let note = match checkpoint::Note::parse(&given.note) {
            Ok(note) => note,
            Err(error) => return Seen::Malformed(error.to_string()),
        };
        let Some(keys) = note.text.split('\n').next().and_then(|origin| followed.get(origin)) else {
            return Seen::Unknown;
        };
        let checkpoint = match checkpoint::open(&given.note, keys) {
            Ok(opened) if opened.signed_by.is_empty() => return Seen::NotSigned,
            Ok(opened) => opened.checkpoint,
            Err(NoteError::BadSignature(_)) => return Seen::NotSigned,
            Err(error) => return Seen::Malformed(error.to_string()),
        };
        if given.old > checkpoint.size {
            return Seen::Malformed("the old size is larger than the checkpoint's".to_owned());
        }
        // ORDER: one lock from the look at the last size to the new one on disk. Two submissions never both continue it.
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        let known = last.get(&checkpoint.origin).copied().unwrap_or(Last { root: Hash::of(b""), size: 0 });
        if given.old != known.size {
            return Seen::Conflict(known.size);
        }
        if checkpoint.size == known.size {
            if checkpoint.root != known.root {
                accuse(&given.note, known);
                return Seen::Conflict(known.size);
            }
            if !given.proof.is_empty() {
                return Seen::NotContinued;
            }
        } else if let Err(seen) = continues(&known, &checkpoint, &given) {
            accuse(&given.note, known);
            return seen;
        }
        if checkpoint.size > known.size {
            let mut next = last.clone();
            next.insert(checkpoint.origin.clone(), Last { root: checkpoint.root, size: checkpoint.size });
            if let Err(why) = self.keep(&next) {
                return Seen::Failed(why);
            }
            *last = next;
        }
        // ORDER: signed only after it is on disk.
        Seen::Cosigned(cosigner.cosign(&note.text, time))
    }

    fn keep(&self, next: &BTreeMap<BookName, Last>) -> Result<(), String> {
        let mut bytes = canonical::write(next).map_err(|error| error.to_string())?;
        bytes.push(b'\n');
        replace(&self.file, &bytes).map_err(|error| format!("{}: {error}", self.file.display()))
    }
}

/// A larger checkpoint continues the last one. From nothing everything does, without a proof.
fn continues(known: &Last, checkpoint: &Checkpoint, given: &Submission) -> Result<(), Seen> {
    let holds = match known.size {
        0 => given.proof.is_empty(),
        old => tree::verify_consistency(old, &known.root, checkpoint.size, &checkpoint.root, &given.proof).is_ok(),
    };
    if holds { Ok(()) } else { Err(Seen::NotContinued) }
}

/// What the book's key signed and what does not continue what was cosigned may be the proof of a second history: it goes to
/// the log, where the witness's operator keeps it.
fn accuse(note: &str, known: Last) {
    tracing::warn!(note, size = known.size, root = %known.root, "a checkpoint does not continue what was cosigned");
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use tallyseal_schema::checkpoint::Note;
    use tallyseal_schema::signature::SigningKey;
    use tallyseal_schema::tree::{consistency, root};

    use super::*;

    const BOOK: &str = "label-room.example/plant-1";

    fn book_key() -> SigningKey {
        SigningKey::from_seed(&[7; 32]).unwrap()
    }

    fn cosigner() -> Cosigner {
        Cosigner::new("witness.example/w1", SigningKey::from_seed(&[8; 32]).unwrap()).unwrap()
    }

    fn followed() -> BTreeMap<String, Vec<VerifierKey>> {
        let key = VerifierKey::of_book(&BOOK.parse().unwrap(), book_key().public());
        BTreeMap::from([(BOOK.to_owned(), vec![key])])
    }

    /// A directory that goes with the test.
    struct Dir(PathBuf);

    impl Dir {
        fn new(name: &str) -> Self {
            let dir = std::env::temp_dir().join(format!("tallyseal-witness-{}-{name}", std::process::id()));
            fs::create_dir_all(&dir).unwrap();
            Memory::create(&dir.join("state.json")).unwrap();
            Self(dir)
        }

        fn open(&self) -> Memory {
            Memory::open(&self.0.join("state.json")).unwrap()
        }
    }

    impl Drop for Dir {
        fn drop(&mut self) {
            fs::remove_dir_all(&self.0).unwrap();
        }
    }

    fn leaf(history: u8, n: usize) -> Hash {
        Hash::leaf(&[history, n as u8])
    }

    /// The first `size` leaves of a history that leaves the common one at `fork`.
    fn leaves(history: u8, fork: usize, size: usize) -> Vec<Hash> {
        (0..size).map(|n| leaf(if n < fork { 0 } else { history }, n)).collect()
    }

    fn note(leaves: &[Hash]) -> String {
        let (size, root) = (leaves.len() as u64, root(leaves));
        checkpoint::sign(&Checkpoint { origin: BOOK.parse().unwrap(), size, root }, &book_key())
    }

    fn submission(leaves: &[Hash], old: u64) -> String {
        let proof = consistency(leaves, old).unwrap_or_default();
        Submission { old, proof, note: note(leaves) }.to_text()
    }

    fn add(memory: &Memory, text: &str) -> Seen {
        memory.add(text, &followed(), &cosigner(), 1_000)
    }

    #[track_caller]
    fn cosigns(memory: &Memory, text: &str) {
        let Seen::Cosigned(line) = add(memory, text) else { panic!("{:?}", add(memory, text)) };
        let note = Submission::parse(text).unwrap().note;
        let note = Note::parse(&format!("{note}{line}")).unwrap();
        assert_eq!(cosigner().public().cosigned(&note), Ok(Some(1_000)));
    }

    #[test]
    fn what_continues_is_cosigned_and_anything_else_has_its_answer() {
        let dir = Dir::new("answers");
        let memory = dir.open();
        let all = leaves(0, 99, 9);
        // From nothing, without a proof.
        let with_proof = Submission { old: 0, proof: vec![all[0]], note: note(&all[..3]) }.to_text();
        assert_eq!(add(&memory, &with_proof), Seen::NotContinued);
        cosigns(&memory, &submission(&all[..3], 0));
        // The same again is cosigned anew; and on from there.
        cosigns(&memory, &submission(&all[..3], 3));
        cosigns(&memory, &submission(&all[..7], 3));
        // From where the witness is not: it says where it is.
        assert_eq!(add(&memory, &submission(&all, 3)), Seen::Conflict(7));
        assert_eq!(add(&memory, &submission(&all, 0)), Seen::Conflict(7));
        assert_eq!(add(&memory, &submission(&all[..3], 3)), Seen::Conflict(7), "a rollback");
        // As large, and other entries.
        let other = leaves(1, 5, 9);
        assert_eq!(add(&memory, &submission(&other[..7], 7)), Seen::Conflict(7));
        // Larger, and other entries; or no good proof.
        assert_eq!(add(&memory, &submission(&other, 7)), Seen::NotContinued);
        let spoiled = Submission { old: 7, proof: Vec::new(), note: note(&all) }.to_text();
        assert_eq!(add(&memory, &spoiled), Seen::NotContinued);
        // The old size beyond the new one.
        assert!(matches!(add(&memory, &submission(&all[..3], 8)), Seen::Malformed(_)));
        // Another book, another key, a spoiled signature.
        let strange = submission(&all, 7).replace("plant-1", "plant-2");
        assert_eq!(add(&memory, &strange), Seen::Unknown);
        let forged = SigningKey::from_seed(&[9; 32]).unwrap();
        let of_forged =
            checkpoint::sign(&Checkpoint { origin: BOOK.parse().unwrap(), size: 9, root: root(&all) }, &forged);
        let proof = consistency(&all, 7).unwrap();
        let text = Submission { old: 7, proof, note: of_forged }.to_text();
        assert_eq!(add(&memory, &text), Seen::NotSigned);
        assert_eq!(add(&memory, &submission(&all, 7).replace("\n9\n", "\n8\n")), Seen::NotSigned);
        for text in ["", "old 7\n\nnot a note", "old 7\n"] {
            assert!(matches!(add(&memory, text), Seen::Malformed(_)), "{text:?}");
        }
        // All of that left it where it was.
        cosigns(&memory, &submission(&all, 7));
    }

    #[test]
    fn what_was_cosigned_is_known_after_a_restart() {
        let dir = Dir::new("restart");
        let all = leaves(0, 99, 9);
        cosigns(&dir.open(), &submission(&all[..7], 0));
        assert_eq!(add(&dir.open(), &submission(&all[..3], 0)), Seen::Conflict(7));
        cosigns(&dir.open(), &submission(&all, 7));
        for spoiled in ["", "{", "{\"x\":1}", "[]"] {
            fs::write(dir.0.join("state.json"), spoiled).unwrap();
            assert!(Memory::open(&dir.0.join("state.json")).is_err(), "{spoiled:?}");
        }
        fs::remove_file(dir.0.join("state.json")).unwrap();
        assert!(Memory::open(&dir.0.join("state.json")).is_err());
    }

    #[test]
    fn what_cannot_be_kept_is_not_signed() {
        let dir = Dir::new("full");
        let memory = dir.open();
        let all = leaves(0, 99, 9);
        // Something in the way of the temporary file: it cannot be written.
        fs::create_dir(dir.0.join("state.tmp")).unwrap();
        assert!(matches!(add(&memory, &submission(&all[..3], 0)), Seen::Failed(_)));
        fs::remove_dir(dir.0.join("state.tmp")).unwrap();
        // It is as if it had never been asked.
        cosigns(&memory, &submission(&all[..5], 0));
    }

    /// Numbers that look random, from a seed.
    struct Dice(u64);

    impl Dice {
        fn below(&mut self, end: usize) -> usize {
            // Rule: xorshift64 of Marsaglia, "Xorshift RNGs", 2003.
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 % end as u64) as usize
        }
    }

    /// A server on a copy of the book: what it has, and where it believes the witness to be.
    struct Submitter {
        history: u8,
        size: usize,
        believed: u64,
    }

    /// Of all that was cosigned each continues the one before.
    #[track_caller]
    fn holds(cosigned: &[Vec<Hash>]) {
        for pair in cosigned.windows(2) {
            assert!(pair[1].starts_with(&pair[0]), "a set-back or a second history was cosigned: {pair:?}");
        }
    }

    #[test]
    fn two_submitters_in_a_thousand_orders_never_get_a_rollback_or_a_fork_cosigned() {
        let dir = Dir::new("interleavings");
        let (mut conflicts, mut refused, mut signed) = (0, 0, 0);
        for seed in 1..=1_000_u64 {
            Memory::create(&dir.0.join("state.json")).unwrap();
            let mut dice = Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
            let mut memory = dir.open();
            let fork = 1 + dice.below(6);
            let mut both = [1, 2].map(|history| Submitter { history, size: fork, believed: 0 });
            let mut cosigned: Vec<Vec<Hash>> = Vec::new();
            for _ in 0..8 {
                let one = &mut both[dice.below(2)];
                match dice.below(6) {
                    // The server goes on.
                    0 | 1 => one.size += 1 + dice.below(3),
                    // The server is set back to a copy.
                    2 => one.size = 1 + dice.below(one.size),
                    // The witness is ended and started again.
                    3 => memory = dir.open(),
                    // The server submits, from where it believes the witness to be, or from where it was told.
                    _ => {
                        let mine = leaves(one.history, fork, one.size);
                        let old = one.believed.min(mine.len() as u64);
                        match add(&memory, &submission(&mine, old)) {
                            Seen::Cosigned(_) => {
                                one.believed = mine.len() as u64;
                                cosigned.push(mine);
                                signed += 1;
                            }
                            Seen::Conflict(known) => {
                                one.believed = known;
                                conflicts += 1;
                            }
                            Seen::NotContinued => refused += 1,
                            other => panic!("seed {seed}: {other:?}"),
                        }
                    }
                }
            }
            holds(&cosigned);
        }
        // The orders were such that each answer came up.
        assert!(conflicts > 100 && refused > 0 && signed > 500, "{conflicts} {refused} {signed}");
    }

    #[test]
    fn two_submitters_at_the_same_moment_get_one_history_cosigned() {
        let dir = Dir::new("threads");
        for round in 0..25 {
            Memory::create(&dir.0.join("state.json")).unwrap();
            let memory = Arc::new(dir.open());
            let cosigned = Arc::new(Mutex::new(Vec::new()));
            let threads: Vec<_> = [1_u8, 2]
                .into_iter()
                .map(|history| {
                    let (memory, cosigned) = (Arc::clone(&memory), Arc::clone(&cosigned));
                    std::thread::spawn(move || {
                        let mut believed = 0;
                        for size in 3..9 {
                            let mine = leaves(history, 4, size);
                            match add(&memory, &submission(&mine, believed.min(size as u64))) {
                                Seen::Cosigned(_) => {
                                    believed = size as u64;
                                    cosigned.lock().unwrap().push(mine);
                                }
                                Seen::Conflict(known) => believed = known,
                                _ => {}
                            }
                        }
                    })
                })
                .collect();
            for thread in threads {
                thread.join().unwrap();
            }
            // Answers may be noted in another order than they were given.
            let mut cosigned = cosigned.lock().unwrap().clone();
            cosigned.sort_by_key(Vec::len);
            holds(&cosigned);
            assert!(!cosigned.is_empty(), "round {round}");
        }
    }
}
