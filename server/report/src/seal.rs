//! The one file: entries, proofs, raw bytes, plugins, schemas, a manifest over them, and the seal over the manifest.
//!
//! It is made in two steps, because the seal is an entry of the book itself: [`prepare`] fixes the manifest, the caller
//! records `record.exported` with its hash, [`Unsealed::seal`] adds that entry with its proofs. See `FORMAT.md` section 6.

use std::collections::BTreeMap;
use std::fmt;

use tallyseal_schema::ids::{BookName, Stream};
use tallyseal_schema::plugin_files::Files;
use tallyseal_schema::sealed::{self, ConsistencyLine, Manifest, ProofLine};
use tallyseal_schema::{Hash, canonical};

use crate::checking_page::{CHECKING_PAGE, checking_page};

/// What goes into a sealed record.
#[derive(Debug, Clone)]
pub struct Contents {
    /// The book's name.
    pub book: BookName,
    /// Raw bytes of machines, by SHA-256.
    pub captures: BTreeMap<Hash, Vec<u8>>,
    /// Checkpoint C1, a signed note.
    pub checkpoint: String,
    /// The exact bytes of each entry, by position.
    pub entries: BTreeMap<u64, Vec<u8>>,
    /// Inclusion of each entry in C1.
    pub proofs: BTreeMap<u64, ProofLine>,
    /// The pages for people, once they are set.
    pub pdf: Option<Vec<u8>>,
    /// Files of plugins, by digest.
    pub plugins: BTreeMap<Hash, Files>,
    /// Whose record.
    pub record: Stream,
    /// JSON Schemas, by file name.
    pub schemas: BTreeMap<String, Vec<u8>>,
    /// Size of C1.
    pub size: u64,
    /// Every stream and up to which rev.
    pub streams: BTreeMap<Stream, u64>,
}

/// Why a sealed record could not be made.
#[derive(Debug)]
pub enum SealError {
    /// An entry has no proof.
    NoProof {
        /// Which entry.
        n: u64,
    },
    /// A part could not be written.
    Write(canonical::WriteError),
    /// The parts do not fit into one file.
    Zip(sealed::ZipError),
}

impl fmt::Display for SealError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoProof { n } => write!(f, "entry {n} has no proof"),
            Self::Write(error) => write!(f, "a part could not be written: {error}"),
            Self::Zip(error) => write!(f, "the parts do not fit into one file: {error}"),
        }
    }
}

impl std::error::Error for SealError {}

impl From<canonical::WriteError> for SealError {
    fn from(error: canonical::WriteError) -> Self {
        Self::Write(error)
    }
}

/// A record whose manifest is fixed and which waits for its seal.
#[derive(Debug, Clone)]
pub struct Unsealed {
    manifest: Vec<u8>,
    members: Vec<(String, Vec<u8>)>,
    pdf: Option<Hash>,
}

/// The pages' file.
const PDF: &str = "record.pdf";

/// What the book says about the record once it is recorded there.
#[derive(Debug, Clone)]
pub struct Seal {
    /// Checkpoint C2, a signed note.
    pub checkpoint: String,
    /// Consistency from C1 to C2.
    pub consistency: Vec<Hash>,
    /// The exact bytes of the `record.exported` entry.
    pub entry: Vec<u8>,
    /// Its inclusion in C2.
    pub proof: ProofLine,
}

/// The two members that go line by line, which the pages' file has attached as well.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lines {
    /// `entries.jsonl`.
    pub entries: Vec<u8>,
    /// `proofs.jsonl`.
    pub proofs: Vec<u8>,
}

impl Contents {
    /// Entries and proofs as they stand in the record.
    ///
    /// Errors: [`SealError::NoProof`], [`SealError::Write`].
    pub fn lines(&self) -> Result<Lines, SealError> {
        let (mut entries, mut proofs) = (Vec::new(), Vec::new());
        for (n, bytes) in &self.entries {
            entries.extend_from_slice(bytes);
            entries.push(b'\n');
            let proof = self.proofs.get(n).ok_or(SealError::NoProof { n: *n })?;
            proofs.extend(canonical::write(proof)?);
            proofs.push(b'\n');
        }
        Ok(Lines { entries, proofs })
    }
}

/// Fixes the record's files and their manifest.
///
/// Errors: [`SealError::NoProof`], [`SealError::Write`].
pub fn prepare(contents: Contents) -> Result<Unsealed, SealError> {
    let Lines { entries, proofs } = contents.lines()?;
    let mut members = vec![
        ("entries.jsonl".to_owned(), entries),
        ("proofs.jsonl".to_owned(), proofs),
        ("checkpoint.txt".to_owned(), contents.checkpoint.into_bytes()),
    ];
    let pdf = contents.pdf.as_deref().map(Hash::of);
    members.extend(contents.pdf.map(|pdf| (PDF.to_owned(), pdf)));
    members.extend(contents.captures.into_iter().map(|(hash, bytes)| (format!("captures/{hash}"), bytes)));
    for (digest, files) in contents.plugins {
        members.extend(files.into_iter().map(|(path, bytes)| (format!("plugins/{digest}/{path}"), bytes)));
    }
    members.extend(contents.schemas.into_iter().map(|(name, bytes)| (format!("schemas/{name}"), bytes)));
    members.push((CHECKING_PAGE.to_owned(), checking_page().into()));
    let manifest = canonical::write(&Manifest {
        book: contents.book,
        files: members.iter().map(|(name, bytes)| (name.clone(), Hash::of(bytes))).collect(),
        record: contents.record,
        size: contents.size,
        streams: contents.streams,
    })?;
    Ok(Unsealed { manifest, members, pdf })
}

impl Unsealed {
    /// About how long the file will be, without its seal. Unit: bytes.
    pub fn length(&self) -> u64 {
        // Every member stands in the file with two headers and its name twice.
        let member = |(name, bytes): &(String, Vec<u8>)| 2 * name.len() as u64 + 76 + bytes.len() as u64;
        self.members.iter().map(member).sum::<u64>() + self.manifest.len() as u64
    }

    /// SHA-256 of the manifest: what `record.exported` names.
    pub fn manifest_hash(&self) -> Hash {
        Hash::of(&self.manifest)
    }

    /// SHA-256 of the pages' file, where there is one: what `record.exported` names beside the manifest.
    pub fn pdf_hash(&self) -> Option<Hash> {
        self.pdf
    }

    /// The pages' file by itself.
    pub fn pdf(&self) -> Option<&[u8]> {
        self.members.iter().find(|(name, _)| name == PDF).map(|(_, bytes)| bytes.as_slice())
    }

    /// Adds the seal and gives the one file.
    ///
    /// Errors: [`SealError::Write`], [`SealError::Zip`].
    pub fn seal(self, seal: &Seal) -> Result<Vec<u8>, SealError> {
        let mut lines = seal.entry.clone();
        lines.push(b'\n');
        lines.extend(canonical::write(&seal.proof)?);
        lines.push(b'\n');
        lines.extend(canonical::write(&ConsistencyLine { consistency: seal.consistency.clone() })?);
        lines.push(b'\n');
        let mut members = self.members;
        members.push(("manifest.json".to_owned(), self.manifest));
        members.push(("seal.jsonl".to_owned(), lines));
        members.push(("seal.txt".to_owned(), seal.checkpoint.clone().into_bytes()));
        sealed::write_zip(&members).map_err(SealError::Zip)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn proof(n: u64, entry: &[u8]) -> ProofLine {
        ProofLine { leaf: Hash::leaf(entry), n, path: vec![Hash([7; 32])] }
    }

    fn contents() -> Contents {
        let entries = BTreeMap::from([(0, b"{\"n\":0}".to_vec()), (12, b"{\"n\":12}".to_vec())]);
        Contents {
            book: "label-room.example/plant-1".parse().unwrap(),
            captures: BTreeMap::from([(Hash::of(b"raw"), b"raw".to_vec())]),
            checkpoint: "C1\n".to_owned(),
            pdf: Some(b"%PDF".to_vec()),
            proofs: entries.iter().map(|(n, bytes)| (*n, proof(*n, bytes))).collect(),
            entries,
            plugins: BTreeMap::from([(Hash([9; 32]), Files::from([("plugin.toml".to_owned(), b"api = 1".to_vec())]))]),
            record: "roll/R-1".parse().unwrap(),
            schemas: BTreeMap::from([("roll.received.v1.json".to_owned(), b"{}".to_vec())]),
            size: 13,
            streams: BTreeMap::from([("roll/R-1".parse().unwrap(), 1)]),
        }
    }

    fn seal() -> Seal {
        let entry = b"{\"n\":13}".to_vec();
        Seal { checkpoint: "C2\n".to_owned(), consistency: vec![Hash([8; 32])], proof: proof(13, &entry), entry }
    }

    #[test]
    fn the_file_holds_what_the_manifest_names_and_the_seal_and_nothing_else() {
        let unsealed = prepare(contents()).unwrap();
        let hash = unsealed.manifest_hash();
        let zip = unsealed.seal(&seal()).unwrap();
        let members: BTreeMap<String, Vec<u8>> = sealed::read_zip(&zip)
            .unwrap()
            .iter()
            .map(|member| (member.name.clone(), member.bytes(&zip).to_vec()))
            .collect();
        let manifest = &members["manifest.json"];
        assert_eq!(Hash::of(manifest), hash);
        let manifest: Manifest = serde_json::from_slice(manifest).unwrap();
        assert_eq!((manifest.size, manifest.record.as_str(), manifest.streams.len()), (13, "roll/R-1", 1));
        let mut named: Vec<&str> = manifest.files.keys().map(String::as_str).collect();
        named.extend(["manifest.json", "seal.jsonl", "seal.txt"]);
        named.sort_unstable();
        assert_eq!(members.keys().map(String::as_str).collect::<Vec<_>>(), named);
        for (name, hash) in &manifest.files {
            assert_eq!(Hash::of(&members[name]), *hash, "{name}");
        }
        assert!(named.contains(&format!("captures/{}", Hash::of(b"raw")).as_str()));
        assert!(named.contains(&format!("plugins/{}/plugin.toml", Hash([9; 32])).as_str()));
    }

    #[test]
    fn entries_and_proofs_stand_line_by_line_in_the_order_of_the_book() {
        let zip = prepare(contents()).unwrap().seal(&seal()).unwrap();
        let members = sealed::read_zip(&zip).unwrap();
        let text = |name: &str| {
            let member = members.iter().find(|member| member.name == name).unwrap();
            String::from_utf8(member.bytes(&zip).to_vec()).unwrap()
        };
        assert_eq!(text("entries.jsonl"), "{\"n\":0}\n{\"n\":12}\n");
        let proofs = text("proofs.jsonl");
        let places: Vec<u64> = proofs.lines().map(|line| serde_json::from_str::<ProofLine>(line).unwrap().n).collect();
        assert_eq!(places, [0, 12]);
        let seal = text("seal.jsonl");
        let lines: Vec<&str> = seal.lines().collect();
        assert_eq!((lines.len(), lines[0]), (3, "{\"n\":13}"));
        assert_eq!(serde_json::from_str::<ProofLine>(lines[1]).unwrap().n, 13);
        let consistency: ConsistencyLine = serde_json::from_str(lines[2]).unwrap();
        assert_eq!(consistency.consistency, [Hash([8; 32])]);
        assert_eq!((text("checkpoint.txt"), text("seal.txt")), ("C1\n".to_owned(), "C2\n".to_owned()));
    }

    #[test]
    fn an_entry_without_its_proof_is_never_sealed() {
        let mut lacking = contents();
        lacking.proofs.remove(&12);
        assert!(matches!(prepare(lacking), Err(SealError::NoProof { n: 12 })));
    }

    #[test]
    fn a_changed_byte_changes_the_manifest_that_the_book_names() {
        let before = prepare(contents()).unwrap().manifest_hash();
        let mut other = contents();
        other.captures.values_mut().for_each(|bytes| bytes[0] ^= 1);
        assert_ne!(prepare(other).unwrap().manifest_hash(), before);
    }
}
