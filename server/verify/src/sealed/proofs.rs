//! `proofs.jsonl`: one line for each entry, in the same order, that it is in checkpoint C1.

use tallyseal_schema::canonical;
use tallyseal_schema::checkpoint::Checkpoint;
use tallyseal_schema::sealed::ProofLine;
use tallyseal_schema::tree::verify_inclusion;

use crate::check::Check;
use crate::chunk::Fact;
use crate::findings::Findings;

/// The lines that are left, to be taken in step with the entries.
pub(super) struct Proofs<'a> {
    lines: Lines<'a>,
    c1: Option<&'a Checkpoint>,
    line: u64,
    absent: u64,
}

/// The lines of a file one after the other, so that a file of nothing but lines takes no memory besides.
type Lines<'a> = std::slice::Split<'a, u8, fn(&u8) -> bool>;

/// Lines that each end in a line feed, the first few of them; `None` where the last does not.
pub(super) fn few_lines(bytes: &[u8]) -> Option<Vec<&[u8]>> {
    if bytes.is_empty() {
        return Some(Vec::new());
    }
    Some(bytes.strip_suffix(b"\n")?.split(|byte| *byte == b'\n').take(4).collect())
}

/// One canonical line.
pub(super) fn line<T: serde::de::DeserializeOwned>(bytes: &[u8]) -> Result<T, String> {
    canonical::scan_object(bytes).map_err(|error| error.to_string())?;
    serde_json::from_slice(bytes).map_err(|error| error.to_string())
}

impl<'a> Proofs<'a> {
    pub(super) fn read(bytes: &'a [u8], c1: Option<&'a Checkpoint>, findings: &mut Findings) -> Self {
        let ended = bytes.strip_suffix(b"\n");
        if ended.is_none() && !bytes.is_empty() {
            findings.fault(Check::Tree, None, "proofs.jsonl: the last line does not end in a line feed");
        }
        let feed: fn(&u8) -> bool = |byte| *byte == b'\n';
        let mut lines = ended.unwrap_or(bytes).split(feed);
        if bytes.is_empty() {
            lines.next();
        }
        Self { lines, c1, line: 0, absent: 0 }
    }

    /// The next entry has the next proof.
    pub(super) fn entry(&mut self, fact: &Fact, findings: &mut Findings) {
        findings.looked(Check::Tree, 1);
        self.line += 1;
        let Some(bytes) = self.lines.next() else {
            self.absent += 1;
            if self.absent == 1 {
                findings.fault(Check::Tree, fact.n, "from here on there is no line in proofs.jsonl");
            }
            return;
        };
        let proof: ProofLine = match line(bytes) {
            Ok(proof) => proof,
            Err(what) => {
                findings.fault(Check::Tree, fact.n, format!("proofs.jsonl, line {}: {what}", self.line));
                return;
            }
        };
        if fact.n.is_some_and(|n| n != proof.n) || fact.leaf.is_some_and(|leaf| leaf != proof.leaf) {
            let what = format!("proofs.jsonl, line {}, is about entry {} or another leaf", self.line, proof.n);
            findings.fault(Check::Tree, fact.n, what);
            return;
        }
        // Without C1 there is nothing to prove it against, which was said.
        let Some(c1) = self.c1 else { return };
        if let Err(error) = verify_inclusion(&proof.leaf, proof.n, c1.size, &proof.path, &c1.root) {
            findings.fault(Check::Tree, fact.n.or(Some(proof.n)), format!("it is not in checkpoint.txt: {error}"));
        }
    }

    /// No proof is left over.
    pub(super) fn finish(self, findings: &mut Findings) {
        let left = self.lines.count();
        if left > 0 {
            findings.fault(Check::Tree, None, format!("proofs.jsonl has {left} lines more than there are entries"));
        }
    }
}
