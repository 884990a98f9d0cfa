//! What a verifier asks for, written down once: the book's key, witnesses and how many of them, keys that were stolen.

use std::fmt;

use serde::{Deserialize, Serialize};
use tallyseal_schema::checkpoint::VerifierKey;
use tallyseal_schema::witness::WitnessKey;
use tallyseal_schema::{Hash, Time};

/// What a policy file says. Rule: `FORMAT.md` section 3, policy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Policy {
    /// The book's key.
    pub key: Option<VerifierKey>,
    /// Witnesses whose cosignatures count.
    pub witnesses: Vec<WitnessKey>,
    /// So many of them must have cosigned. Range: 0, which asks for none, to their number.
    pub quorum: usize,
    /// Keys of the book that somebody else may have.
    pub compromised: Vec<Compromised>,
    /// SHA-256 of the file, by which two people see that they hold the same one.
    pub sha256: Hash,
}

/// A key of the book that somebody else may have.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Compromised {
    /// The key's ID: 8 hex digits.
    pub key: String,
    /// Checkpoints of this size and more prove nothing by this key.
    pub from: u64,
    /// Unless enough witnesses cosigned before this moment.
    pub since: Time,
}

/// The file as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    key: Option<String>,
    #[serde(default)]
    witness: Vec<String>,
    quorum: Option<usize>,
    #[serde(default)]
    compromised: Vec<WrittenKey>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenKey {
    key: String,
    from: u64,
    since: String,
}

/// Why a text is no policy, in a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PolicyError(String);

impl fmt::Display for PolicyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "not a policy: {}", self.0)
    }
}

impl std::error::Error for PolicyError {}

impl Policy {
    /// Reads the bytes of a policy file.
    ///
    /// Errors: it is not TOML, says something that is not known, or something that cannot be.
    pub fn read(bytes: &[u8]) -> Result<Self, PolicyError> {
        let wrong = |what: String| PolicyError(what);
        let text = std::str::from_utf8(bytes).map_err(|_| wrong("it is not UTF-8".to_owned()))?;
        let written: Written = toml::from_str(text).map_err(|error| wrong(error.message().to_owned()))?;
        let key = written.key.map(|key| key.parse::<VerifierKey>()).transpose();
        let key = key.map_err(|error| wrong(format!("key: {error}")))?;
        let mut witnesses: Vec<WitnessKey> = Vec::new();
        for text in &written.witness {
            let witness: WitnessKey = text.parse().map_err(|error| wrong(format!("witness: {error}")))?;
            // One key under two names is one witness: a quorum counts people, not names.
            if witnesses.iter().any(|known| known.public() == witness.public()) {
                return Err(wrong(format!("the key of the witness {} is there twice", witness.name())));
            }
            witnesses.push(witness);
        }
        let quorum = match (written.quorum, witnesses.len()) {
            (None, 0) => 0,
            (None, _) => return Err(wrong("witnesses are named and no quorum: say how many must cosign".to_owned())),
            (Some(quorum), all) if quorum > all => {
                return Err(wrong(format!("a quorum of {quorum} and only {all} witnesses")));
            }
            (Some(quorum), _) => quorum,
        };
        let compromised = written.compromised.into_iter().map(compromised).collect::<Result<_, _>>();
        let compromised = compromised.map_err(wrong)?;
        Ok(Self { key, witnesses, quorum, compromised, sha256: Hash::of(bytes) })
    }

    /// What it asks for, in words.
    pub(crate) fn asks(&self) -> Vec<String> {
        let mut asks = Vec::new();
        if let Some(key) = &self.key {
            asks.push(format!("the book's key {key}"));
        }
        match (self.quorum, self.witnesses.len()) {
            (0, _) => {}
            (quorum, all) => asks.push(format!("cosignatures of {quorum} of {all} witnesses")),
        }
        for Compromised { key, from, since } in &self.compromised {
            asks.push(format!("nothing proved by key {key} from size {from} on, unless witnessed before {since}"));
        }
        asks
    }

    /// Where a checkpoint signed by the key with that ID proves nothing by itself: since when its witnesses do not count.
    pub(crate) fn tainted(&self, key: [u8; 4], size: u64) -> Option<Time> {
        let id = format!("{:08x}", u32::from_be_bytes(key));
        let stolen = self.compromised.iter().filter(|one| one.key == id && size >= one.from);
        stolen.map(|one| one.since).min()
    }
}

fn compromised(written: WrittenKey) -> Result<Compromised, String> {
    let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
    if written.key.len() != 8 || !written.key.bytes().all(hex) {
        return Err(format!("compromised: \"{}\" is not a key's ID, 8 hex digits", written.key));
    }
    let since = written
        .since
        .parse()
        .map_err(|_| format!("compromised: \"{}\" is not a time as 2026-03-02T06:00:00.000000Z", written.since))?;
    Ok(Compromised { key: written.key, from: written.from, since })
}

/// What a policy asked, for a program.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PolicySeen {
    /// SHA-256 of the file.
    pub sha256: Hash,
    /// The book's key.
    pub key: Option<String>,
    /// So many witnesses must have cosigned.
    pub quorum: usize,
    /// Of these.
    pub witnesses: Vec<String>,
    /// Keys that prove less.
    pub compromised: Vec<Compromised>,
    /// All of it in words; not part of the JSON form.
    #[serde(skip)]
    pub asks: Vec<String>,
}

impl From<&Policy> for PolicySeen {
    fn from(policy: &Policy) -> Self {
        Self {
            sha256: policy.sha256,
            key: policy.key.as_ref().map(ToString::to_string),
            quorum: policy.quorum,
            witnesses: policy.witnesses.iter().map(ToString::to_string).collect(),
            compromised: policy.compromised.clone(),
            asks: policy.asks(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k";
    const W1: &str = "witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";

    #[test]
    fn a_policy_is_read_whole() {
        let text = format!(
            "key = \"{KEY}\"\nwitness = [\"{W1}\"]\nquorum = 1\n\n[[compromised]]\nkey = \"530d903a\"\nfrom = 1200\nsince = \"2026-03-02T06:00:00.000000Z\"\n"
        );
        let policy = Policy::read(text.as_bytes()).unwrap();
        assert_eq!((policy.key.clone().unwrap().to_string(), policy.quorum), (KEY.to_owned(), 1));
        assert_eq!(policy.sha256, Hash::of(text.as_bytes()));
        assert_eq!(policy.asks().len(), 3);
        let key = policy.key.as_ref().unwrap().id;
        assert_eq!(policy.tainted(key, 1_199), None);
        assert_eq!(policy.tainted(key, 1_200).unwrap().to_string(), "2026-03-02T06:00:00.000000Z");
        assert_eq!(policy.tainted([0; 4], 1_200), None);
        let empty = Policy::read(b"").unwrap();
        assert_eq!((empty.key, empty.quorum, empty.sha256.hex().get(..8)), (None, 0, Some("e3b0c442")));
    }

    #[test]
    fn what_is_not_known_or_cannot_be_is_refused() {
        for (bad, says) in [
            ("keys = []\n".to_owned(), "unknown field"),
            ("key = 7\n".to_owned(), "string"),
            ("key = \"x\"\n".to_owned(), "verifier key"),
            (format!("witness = [\"{KEY}\"]\nquorum = 1\n"), "witness"),
            (format!("witness = [\"{W1}\"]\n"), "how many"),
            (format!("witness = [\"{W1}\"]\nquorum = 2\n"), "only 1"),
            (format!("witness = [\"{W1}\"]\nquorum = -1\n"), ""),
            (format!("witness = [\"{W1}\", \"{W1}\"]\nquorum = 1\n"), "twice"),
            ("quorum = 1\n".to_owned(), "only 0"),
            ("[[compromised]]\nkey = \"530d903a\"\n".to_owned(), "missing"),
            (
                "[[compromised]]\nkey = \"530D903A\"\nfrom = 1\nsince = \"2026-03-02T06:00:00.000000Z\"\n".to_owned(),
                "ID",
            ),
            ("[[compromised]]\nkey = \"530d903a\"\nfrom = 1\nsince = \"yesterday\"\n".to_owned(), "time"),
            (
                "[[compromised]]\nkey = \"530d903a\"\nfrom = 1\nsince = \"2026-03-02T06:00:00.000000Z\"\nwhy = \"x\"\n"
                    .to_owned(),
                "unknown",
            ),
        ] {
            let error = Policy::read(bad.as_bytes()).unwrap_err().to_string();
            assert!(error.contains(says), "{bad}: {error}");
        }
        assert!(Policy::read(&[0xFF]).is_err());
    }
}
