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
    lines: std::vec::IntoIter<&'a [u8]>,
    c1: Option<&'a Checkpoint>,
    line: u64,
    absent: u64,
}

/// Lines that each end in a line feed; `None` where the last does not.
pub(super) fn lines(bytes: &[u8]) -> Option<Vec<&[u8]>> {
    if bytes.is_empty() {
        return Some(Vec::new());
    }
    Some(bytes.strip_suffix(b"\n")?.split(|byte| *byte == b'\n').collect())
}

/// One canonical line.
pub(super) fn line<T: serde::de::DeserializeOwned>(bytes: &[u8]) -> Result<T, String> {
    canonical::scan_object(bytes).map_err(|error| error.to_string())?;
    serde_json::from_slice(bytes).map_err(|error| error.to_string())
}

impl<'a> Proofs<'a> {
    pub(super) fn read(bytes: &'a [u8], c1: Option<&'a Checkpoint>, findings: &mut Findings) -> Self {
        let lines = lines(bytes).unwrap_or_else(|| {
            findings.fault(Check::Tree, None, "proofs.jsonl: the last line does not end in a line feed");
            bytes.split(|byte| *byte == b'\n').collect()
        });
        Self { lines: lines.into_iter(), c1, line: 0, absent: 0 }
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
        let left = self.lines.len();
        if left > 0 {
            findings.fault(Check::Tree, None, format!("proofs.jsonl has {left} lines more than there are entries"));
        }
    }
}
