//! The seal: the export is an entry of the book, in a checkpoint that continues the one inside.

use tallyseal_schema::checkpoint::Checkpoint;
use tallyseal_schema::entry::{Entry, Header};
use tallyseal_schema::kinds::RecordExported;
use tallyseal_schema::sealed::{ConsistencyLine, Manifest, ProofLine};
use tallyseal_schema::tree::{verify_consistency, verify_inclusion};
use tallyseal_schema::{Body, Hash};

use super::archive::Archive;
use super::proofs::{few_lines, line};
use crate::check::Check;
use crate::findings::Findings;

/// Checks the three lines of `seal.jsonl`. True where C2 continues C1, so that what stands under C2 speaks for C1.
pub(super) fn check(
    archive: &Archive<'_>,
    manifest: Option<&Manifest>,
    c1: Option<&Checkpoint>,
    c2: Option<&Checkpoint>,
    findings: &mut Findings,
) -> bool {
    // What is not there at all is said by the manifest.
    let Some(bytes) = archive.get("seal.jsonl") else { return false };
    findings.looked(Check::Seal, 1);
    let mut wrong = |n: Option<u64>, what: String| findings.fault(Check::Seal, n, what);
    let parts = few_lines(bytes);
    let Some([export, proof, consistency]) = parts.as_deref() else {
        wrong(None, "seal.jsonl does not have three lines".to_owned());
        return false;
    };
    match Entry::read(export) {
        Ok(Entry { header, body: Body::RecordExported(body) }) => {
            exported(archive, manifest, c1, &header, &body, &mut wrong);
            included(&header, Hash::leaf(export), proof, c2, &mut wrong);
        }
        Ok(Entry { header, .. }) => wrong(Some(header.n), format!("{} seals nothing", header.kind)),
        Err(error) => wrong(None, format!("seal.jsonl, line 1: {error}")),
    }
    let proof: ConsistencyLine = match line(consistency) {
        Ok(proof) => proof,
        Err(what) => {
            wrong(None, format!("seal.jsonl, line 3: {what}"));
            return false;
        }
    };
    let (Some(c1), Some(c2)) = (c1, c2) else { return false };
    match verify_consistency(c1.size, &c1.root, c2.size, &c2.root, &proof.consistency) {
        Ok(()) => true,
        Err(error) => {
            wrong(None, format!("seal.txt does not continue checkpoint.txt: {error}"));
            false
        }
    }
}

/// The entry is about this very record.
fn exported(
    archive: &Archive<'_>,
    manifest: Option<&Manifest>,
    c1: Option<&Checkpoint>,
    header: &Header,
    body: &RecordExported,
    wrong: &mut impl FnMut(Option<u64>, String),
) {
    let n = Some(header.n);
    let mut want = |holds: bool, what: &str| {
        if !holds {
            wrong(n, what.to_owned());
        }
    };
    let manifest_hash = archive.get("manifest.json").map(Hash::of);
    want(manifest_hash == Some(body.manifest), "it names another manifest");
    want(archive.get("record.pdf").map(Hash::of) == body.pdf, "it names another record.pdf, or one where none is");
    want(c1.is_none_or(|c1| header.n >= c1.size), "it stands under the checkpoint that was made before it");
    if let Some(manifest) = manifest {
        want(header.book == manifest.book, "it is of another book");
        want(body.record == manifest.record, "it is about another record");
        want(header.stream == manifest.record, "it stands in another stream than the record's");
        want(body.streams == manifest.streams, "it lists other streams, or up to elsewhere");
    }
}

/// The entry is in C2.
fn included(
    header: &Header,
    leaf: Hash,
    proof: &[u8],
    c2: Option<&Checkpoint>,
    wrong: &mut impl FnMut(Option<u64>, String),
) {
    let proof: ProofLine = match line(proof) {
        Ok(proof) => proof,
        Err(what) => return wrong(None, format!("seal.jsonl, line 2: {what}")),
    };
    if proof.n != header.n || proof.leaf != leaf {
        return wrong(Some(header.n), "its proof is about another entry".to_owned());
    }
    let Some(c2) = c2 else { return };
    if let Err(error) = verify_inclusion(&leaf, header.n, c2.size, &proof.path, &c2.root) {
        wrong(Some(header.n), format!("it is not in seal.txt: {error}"));
    }
}
