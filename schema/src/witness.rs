//! Witnesses: somebody elsewhere who follows a book and cosigns its checkpoints, and what is sent to them for it.
//!
//! Rule: C2SP `tlog-cosignature`, the Ed25519 form, and C2SP `tlog-witness`, the body of `add-checkpoint`; key texts as
//! C2SP `signed-note` verifier keys of type 0x04. `FORMAT.md` section 3.

use std::fmt;
use std::str::FromStr;

use crate::canonical::{base64, unbase64};
use crate::checkpoint::{NOTE_MAX, Note, NoteSignature};
use crate::hash::Hash;
use crate::signature::{self, SigningKey};

/// Timestamped Ed25519 cosignatures. Rule: C2SP signed-note, signature types.
const COSIGNATURE: u8 = 0x04;

/// Most hashes in the proof of a submission. Rule: C2SP tlog-witness, add-checkpoint.
pub const PROOF_MAX: usize = 63;

/// The largest submission that is read: a note of the largest size, the line before it, and the longest proof.
///
/// Unit: bytes.
pub const SUBMISSION_MAX: usize = NOTE_MAX + 32 + PROOF_MAX * 45;

/// A witness's public key under its name.
///
/// Shape: as text `NAME+ID+BASE64`, ID 8 lower-case hex digits, base64 of the type 0x04 and the raw key.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct WitnessKey {
    name: String,
    id: [u8; 4],
    public: [u8; 32],
}

/// A text that is not a witness's key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WitnessKeyError(&'static str);

impl fmt::Display for WitnessKeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a witness's key (NAME+ID+BASE64): {}", self.0)
    }
}

impl std::error::Error for WitnessKeyError {}

/// A witness that is known, and a signature in its name that is not good.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BadCosignature;

impl fmt::Display for BadCosignature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the cosignature is not good")
    }
}

impl std::error::Error for BadCosignature {}

impl WitnessKey {
    /// The key `public` under `name`, with its ID.
    ///
    /// Errors: a name that no signature line can hold: empty, with white space or `+`.
    pub fn new(name: &str, public: [u8; 32]) -> Result<Self, WitnessKeyError> {
        if name.is_empty() || name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '+') {
            return Err(WitnessKeyError("the name is empty or holds white space or '+'"));
        }
        let [a, b, c, d, ..] = Hash::digest(&[name.as_bytes(), b"\n", &[COSIGNATURE], &public]).0;
        Ok(Self { name: name.to_owned(), id: [a, b, c, d], public })
    }

    /// Who it is.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What signature lines name it by: the first four bytes of SHA-256 over name, 0x0A, 0x04, raw key.
    pub fn id(&self) -> [u8; 4] {
        self.id
    }

    /// The raw Ed25519 public key.
    pub fn public(&self) -> &[u8; 32] {
        &self.public
    }

    /// The ID in 8 hex digits.
    pub fn id_text(&self) -> String {
        format!("{:08x}", u32::from_be_bytes(self.id))
    }

    /// True for a line that says it is this witness's.
    pub fn is_of(&self, line: &NoteSignature) -> bool {
        line.name == self.name && line.id == self.id
    }

    /// When this witness cosigned the note, in seconds since 1970; `None` where it did not. Of several, the latest.
    ///
    /// Errors: a line of this key whose signature is not good, which rejects the note.
    pub fn cosigned(&self, note: &Note) -> Result<Option<u64>, BadCosignature> {
        Ok(self.times(note)?.into_iter().max())
    }

    /// Every time at which this witness cosigned the note. Unit: seconds since 1970.
    ///
    /// Errors: as [`WitnessKey::cosigned`].
    pub fn times(&self, note: &Note) -> Result<Vec<u64>, BadCosignature> {
        let mut times = Vec::new();
        for line in note.signatures.iter().filter(|line| self.is_of(line)) {
            let (time, signature) = line.signature.split_first_chunk::<8>().ok_or(BadCosignature)?;
            let time = u64::from_be_bytes(*time);
            let message = message(&note.text, time);
            if i64::try_from(time).is_err() || !signature::verify(&self.public, message.as_bytes(), signature) {
                return Err(BadCosignature);
            }
            times.push(time);
        }
        Ok(times)
    }
}

/// What is signed. Rule: C2SP tlog-cosignature, Ed25519 signed message.
fn message(text: &str, time: u64) -> String {
    format!("cosignature/v1\ntime {time}\n{text}")
}

impl fmt::Display for WitnessKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut typed = vec![COSIGNATURE];
        typed.extend_from_slice(&self.public);
        write!(f, "{}+{}+{}", self.name, self.id_text(), base64(typed))
    }
}

impl FromStr for WitnessKey {
    type Err = WitnessKeyError;

    fn from_str(text: &str) -> Result<Self, WitnessKeyError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(_), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(WitnessKeyError("three parts joined by '+' are wanted"));
        };
        let key = unbase64(key).ok_or(WitnessKeyError("the last part is not base64"))?;
        let Some((&COSIGNATURE, public)) = key.split_first() else {
            return Err(WitnessKeyError("only Ed25519 cosignatures (type 4) are known"));
        };
        let public = public.try_into().map_err(|_| WitnessKeyError("an Ed25519 key has 32 bytes"))?;
        let key = Self::new(name, public)?;
        if key.to_string() != text {
            return Err(WitnessKeyError("the ID does not belong to this name and key"));
        }
        Ok(key)
    }
}

/// The one who cosigns: a witness's private key under its name.
#[derive(Debug)]
pub struct Cosigner {
    key: SigningKey,
    public: WitnessKey,
}

impl Cosigner {
    /// The witness `name` with its private key.
    ///
    /// Errors: as [`WitnessKey::new`].
    pub fn new(name: &str, key: SigningKey) -> Result<Self, WitnessKeyError> {
        let public = WitnessKey::new(name, key.public())?;
        Ok(Self { key, public })
    }

    /// Its public key.
    pub fn public(&self) -> &WitnessKey {
        &self.public
    }

    /// The signature line for a note's text, its line feed included. `time`: now, in seconds since 1970.
    ///
    /// It says that at `time` no larger tree of that origin was known to the witness, and that this one continues all
    /// that it cosigned: whoever calls this has made sure of it.
    pub fn cosign(&self, text: &str, time: u64) -> String {
        let mut blob = self.public.id.to_vec();
        blob.extend_from_slice(&time.to_be_bytes());
        blob.extend_from_slice(&self.key.sign(message(text, time).as_bytes()));
        format!("\u{2014} {} {}\n", self.public.name, base64(blob))
    }
}

/// What is sent to a witness: the body of `add-checkpoint`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Submission {
    /// The size that the witness cosigned last, as the sender believes; 0 where it cosigned nothing.
    pub old: u64,
    /// Consistency from there to the checkpoint; empty from 0 and between equal sizes.
    pub proof: Vec<Hash>,
    /// The checkpoint, a signed note.
    pub note: String,
}

/// Why a text is no submission.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SubmissionError(&'static str);

impl fmt::Display for SubmissionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a submission of a checkpoint: {}", self.0)
    }
}

impl std::error::Error for SubmissionError {}

impl Submission {
    /// As it is sent.
    pub fn to_text(&self) -> String {
        let proof: String = self.proof.iter().map(|hash| base64(hash.0) + "\n").collect();
        format!("old {}\n{proof}\n{}", self.old, self.note)
    }

    /// Reads what was sent. The note in it is left unread.
    ///
    /// Errors: [`SubmissionError`]. Rule: C2SP tlog-witness, add-checkpoint.
    pub fn parse(text: &str) -> Result<Self, SubmissionError> {
        if text.len() > SUBMISSION_MAX {
            return Err(SubmissionError("it is too long"));
        }
        let (head, note) =
            text.split_once("\n\n").ok_or(SubmissionError("there is no empty line before the checkpoint"))?;
        let mut lines = head.split('\n');
        let old = lines.next().and_then(|line| line.strip_prefix("old "));
        let old = old.filter(|size| {
            *size == "0" || (!size.starts_with('0') && !size.is_empty() && size.bytes().all(|b| b.is_ascii_digit()))
        });
        let old = old.and_then(|size| size.parse().ok());
        let old = old.ok_or(SubmissionError("the first line is not \"old\" and a plain decimal number"))?;
        let mut proof = Vec::new();
        for line in lines {
            let hash = unbase64(line).and_then(|hash| hash.try_into().ok());
            proof.push(Hash(hash.ok_or(SubmissionError("a line of the proof is not base64 of 32 bytes"))?));
            if proof.len() > PROOF_MAX {
                return Err(SubmissionError("the proof has more than 63 lines"));
            }
        }
        Ok(Self { old, proof, note: note.to_owned() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkpoint::Checkpoint;

    /// A note with one cosignature, and whose it is.
    fn note(time: u64, seed: u8) -> (String, WitnessKey) {
        let witness = Cosigner::new("witness.example/w1", SigningKey::from_seed(&[seed; 32]).unwrap()).unwrap();
        let body = "book.example\n3\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
        (format!("{body}\n{}", witness.cosign(body, time)), witness.public().clone())
    }

    #[test]
    fn a_cosignature_says_when_and_only_for_its_own_text() {
        let (text, witness) = note(1_679_315_147, 7);
        assert_eq!(witness.cosigned(&Note::parse(&text).unwrap()), Ok(Some(1_679_315_147)));
        let moved = text.replace("\n3\n", "\n4\n");
        assert_eq!(witness.cosigned(&Note::parse(&moved).unwrap()), Err(BadCosignature));
        let stranger = note(1, 8).1;
        assert_eq!(stranger.cosigned(&Note::parse(&text).unwrap()), Ok(None));
    }

    #[test]
    fn the_known_cosignature_is_made_and_read() {
        // Made by Python's `cryptography` 50.0.2 (OpenSSL's Ed25519) and `hashlib` from the message of C2SP
        // tlog-cosignature, seed 32 to 63; no code of ours had a part in it.
        let text = "label-room.example/plant-1\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
        let line = concat!(
            "\u{2014} witness.example/w1 IDJKvgAAAABkGFDLLKQ+zp6jm9ZZtqPbs6YnrkqxAlRUpxV7Q1EV5pAWNTPnjIVJRU2nMhtlIwII",
            "ULi4KWBjjOx9UCdFk6NEFTH/AA==\n"
        );
        let seed = std::array::from_fn(|i| 32 + i as u8);
        let witness = Cosigner::new("witness.example/w1", SigningKey::from_seed(&seed).unwrap()).unwrap();
        let key = "witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";
        assert_eq!(witness.public().to_string(), key);
        assert_eq!(witness.cosign(text, 1_679_315_147), line);
        let read = Note::parse(&format!("{text}\n{line}")).unwrap();
        assert_eq!(key.parse::<WitnessKey>().unwrap().times(&read), Ok(vec![1_679_315_147]));
    }

    #[test]
    fn the_example_of_the_cosignature_text_has_the_form_that_is_read() {
        // https://c2sp.org/tlog-cosignature, the example; its key is not published, its time stands in the text.
        let note = Note::parse(concat!(
            "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n",
            "\u{2014} example.com/behind-the-sofa ",
            "Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n",
            "\u{2014} witness.example.com/w1 ",
            "jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==\n"
        ))
        .unwrap();
        let line = note.signatures.last().unwrap();
        let (time, signature) = line.signature.split_first_chunk::<8>().unwrap();
        assert_eq!((u64::from_be_bytes(*time), signature.len()), (1_679_315_147, 64));
        assert!(message(&note.text, 1_679_315_147).starts_with("cosignature/v1\ntime 1679315147\nexample.com/behind"));
    }

    #[test]
    fn a_key_text_is_read_back_and_a_spoiled_one_refused() {
        let (_, witness) = note(1, 7);
        assert_eq!(witness.to_string().parse(), Ok(witness.clone()));
        let text = witness.to_string();
        for bad in [
            text.replace("w1", "w2"),
            text.replace('+', "-"),
            format!("{text} "),
            text.replace("witness.example/w1+", "witness.example/w1+0"),
            // A key of the type that signs checkpoints.
            "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".to_owned(),
            String::new(),
        ] {
            assert!(bad.parse::<WitnessKey>().is_err(), "{bad}");
        }
    }

    /// The example request of https://c2sp.org/tlog-witness.
    const EXAMPLE: &str = "old 20852014\n\
        PlRNCrwHpqhGrupue0L7gxbjbMiKA9temvuZZDDpkaw=\n\
        jrJZDmY8Y7SyJE0MWLpLozkIVMSMZcD5kvuKxPC3swk=\n\
        5+pKlUdi2LeF/BcMHBn+Ku6yhPGNCswZZD1X/6QgPd8=\n\
        /6WVhPs2CwSsb5rYBH5cjHV/wSmA79abXAwhXw3Kj/0=\n\
        \n\
        example.com/behind-the-sofa\n\
        20852163\n\
        CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\
        \n\
        \u{2014} example.com/behind-the-sofa \
        Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n\
        \u{2014} example.com/behind-the-sofa \
        opLqBQsREYCgu6xQkYQwJr9fo45a62DN9EdmHXnZdXNqlcVGlCum2Wks+49/V6267UEjw6QUXTS5Rovnzv++qbSzm9Q=\n";

    #[test]
    fn the_example_of_the_witness_text_is_read_and_written() {
        let read = Submission::parse(EXAMPLE).unwrap();
        assert_eq!((read.old, read.proof.len()), (20_852_014, 4));
        let note = Note::parse(&read.note).unwrap();
        let wanted = Checkpoint { size: 20_852_163, ..note.checkpoint().unwrap() };
        assert_eq!((note.checkpoint().unwrap(), note.signatures.len()), (wanted, 2));
        assert_eq!(read.to_text(), EXAMPLE);
    }

    #[test]
    fn a_submission_out_of_form_is_refused() {
        let proof_line = "PlRNCrwHpqhGrupue0L7gxbjbMiKA9temvuZZDDpkaw=\n";
        for (what, bad) in [
            ("nothing", String::new()),
            ("no empty line", "old 0\n".to_owned()),
            ("another first word", EXAMPLE.replace("old ", "new ")),
            ("a leading zero", EXAMPLE.replace("old 2", "old 02")),
            ("a sign", EXAMPLE.replace("old 2", "old +2")),
            ("no size", EXAMPLE.replace("old 20852014", "old ")),
            ("two blanks", EXAMPLE.replace("old ", "old  ")),
            ("a size beyond 64 bits", EXAMPLE.replace("20852014", "99999999999999999999")),
            ("a hash of 31 bytes", EXAMPLE.replace("PlRNCrwHpqhGrupue0L7gxbjbMiKA9temvuZZDDpkaw=", "AAAA")),
            ("64 lines", format!("old 1\n{}\nx", proof_line.repeat(64))),
            ("too long", format!("old 0\n\n{}", "x".repeat(SUBMISSION_MAX))),
        ] {
            assert!(Submission::parse(&bad).is_err(), "{what}");
        }
        assert_eq!(Submission::parse(&format!("old 1\n{}\nx", proof_line.repeat(63))).unwrap().proof.len(), 63);
    }
}
