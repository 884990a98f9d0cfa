//! Witnesses: somebody elsewhere who followed the book and cosigned its checkpoints.
//!
//! Rule: C2SP `tlog-cosignature`, the Ed25519 form; key texts as C2SP `signed-note` verifier keys of type 0x04.

use std::fmt;
use std::str::FromStr;

use tallyseal_schema::Hash;
use tallyseal_schema::canonical::{base64, unbase64};
use tallyseal_schema::checkpoint::Note;
use tallyseal_schema::signature;

/// Timestamped Ed25519 cosignatures. Rule: C2SP signed-note, signature types.
const COSIGNATURE: u8 = 0x04;

/// A witness's public key under its name.
///
/// Shape: as text `NAME+ID+BASE64`, ID 8 lower-case hex digits, base64 of the type 0x04 and the raw key.
#[derive(Debug, Clone, PartialEq, Eq)]
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

impl WitnessKey {
    /// The key `public` under `name`, with its ID.
    ///
    /// Errors: a name that no signature line can hold: empty, with white space or `+`.
    pub fn new(name: &str, public: [u8; 32]) -> Result<Self, WitnessKeyError> {
        if name.is_empty() || name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '+') {
            return Err(WitnessKeyError("the name is empty or holds white space or '+'"));
        }
        let mut named = name.as_bytes().to_vec();
        named.extend_from_slice(&[b'\n', COSIGNATURE]);
        named.extend_from_slice(&public);
        let [a, b, c, d, ..] = Hash::of(&named).0;
        Ok(Self { name: name.to_owned(), id: [a, b, c, d], public })
    }

    /// Who it is.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// When this witness cosigned the note, in seconds since 1970; `None` where it did not.
    ///
    /// Errors: a line of this key whose signature is not good, which rejects the note.
    pub(crate) fn cosigned(&self, note: &Note) -> Result<Option<u64>, BadCosignature> {
        let mut latest = None;
        for line in note.signatures.iter().filter(|line| line.name == self.name && line.id == self.id) {
            let (time, signature) = line.signature.split_first_chunk::<8>().ok_or(BadCosignature)?;
            let time = u64::from_be_bytes(*time);
            let message = format!("cosignature/v1\ntime {time}\n{}", note.text);
            if i64::try_from(time).is_err() || !signature::verify(&self.public, message.as_bytes(), signature) {
                return Err(BadCosignature);
            }
            latest = latest.max(Some(time));
        }
        Ok(latest)
    }
}

/// A witness that is known, and a signature in its name that is not good.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct BadCosignature;

impl fmt::Display for WitnessKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut typed = vec![COSIGNATURE];
        typed.extend_from_slice(&self.public);
        write!(f, "{}+{:08x}+{}", self.name, u32::from_be_bytes(self.id), base64(typed))
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

#[cfg(test)]
mod tests {
    use tallyseal_schema::signature::SigningKey;

    use super::*;

    /// A note with one cosignature made here by the rule of C2SP tlog-cosignature.
    fn note(time: u64, seed: u8) -> (String, WitnessKey) {
        let key = SigningKey::from_seed(&[seed; 32]).unwrap();
        let witness = WitnessKey::new("witness.example/w1", key.public()).unwrap();
        let body = "book.example\n3\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
        let mut blob = witness.id.to_vec();
        blob.extend_from_slice(&time.to_be_bytes());
        blob.extend_from_slice(&key.sign(format!("cosignature/v1\ntime {time}\n{body}").as_bytes()));
        (format!("{body}\n\u{2014} witness.example/w1 {}\n", base64(blob)), witness)
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
}
