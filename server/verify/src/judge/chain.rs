//! Every entry follows the one before it: in the book and in its act. (In its stream: see `streams`.)

use std::collections::HashSet;
use std::sync::Arc;

use tallyseal_schema::{By, Hash, Time};

use super::{Extent, same_author};
use crate::check::Check;
use crate::chunk::{Fact, Head};
use crate::findings::Findings;

/// The entry before.
struct Last {
    n: Option<u64>,
    leaf: Option<Hash>,
}

const PREV: &str = "prev is not the leaf hash of the entry before, and the entry after does not fit either";

/// Entry `torn` is as it was written, or nothing shows that it is not: what is wrong lies before it.
fn before_torn(torn: u64, findings: &mut Findings) {
    let before = torn.saturating_sub(1);
    findings.fault(Check::Chain, Some(before), format!("it is not the entry that entry {torn} was written after"));
}

/// The act of the entry before, and what its entries share.
struct Act {
    act: u128,
    at: Time,
    by: Arc<By>,
}

pub(super) struct Chain {
    extent: Extent,
    last: Option<Last>,
    act: Option<Act>,
    /// Every act so far: 16 bytes for each command of a person.
    acts: HashSet<u128>,
    /// Entries whose predecessor is not here.
    unlinked: u64,
    /// The entry before does not fit to the one before it: the next entry tells which of the two was changed.
    torn: Option<u64>,
}

impl Chain {
    pub(super) fn new(extent: Extent) -> Self {
        Self { extent, last: None, act: None, acts: HashSet::new(), unlinked: 0, torn: None }
    }

    pub(super) fn fact(&mut self, fact: &Fact, findings: &mut Findings) {
        findings.looked(Check::Chain, 1);
        if let Some(n) = fact.n {
            self.place(n, findings);
        }
        if let (Some(n), Some(head)) = (fact.n, &fact.head) {
            self.head(n, head, findings);
        }
        self.last = Some(Last { n: fact.n, leaf: fact.leaf });
    }

    /// The entry stands at `n`: is that the next place?
    fn place(&self, n: u64, findings: &mut Findings) {
        let next = match &self.last {
            None if self.extent == Extent::Whole => 0,
            None => return,
            // After an entry that does not say where it stands nothing can be expected.
            Some(last) => match last.n {
                Some(last) => last.saturating_add(1),
                None => return,
            },
        };
        match self.extent {
            _ if n < next => findings.fault(Check::Chain, Some(n), format!("it stands after entry {}", next - 1)),
            Extent::Whole | Extent::Tail if n == next + 1 => {
                findings.fault(Check::Chain, Some(next), format!("entry {next} is missing"));
            }
            Extent::Whole | Extent::Tail if n > next => {
                findings.fault(Check::Chain, Some(next), format!("entries {next} to {} are missing", n - 1));
            }
            _ => {}
        }
    }

    fn head(&mut self, n: u64, head: &Head, findings: &mut Findings) {
        if head.n != n {
            findings.fault(Check::Chain, Some(n), format!("it says that it is entry {}", head.n));
        }
        if head.stranger {
            findings.fault(Check::Chain, Some(n), "it says that it is of another book");
        }
        let before = match &self.last {
            _ if n == 0 => Some(Hash::ZERO),
            Some(last) if last.n.is_some_and(|last| last.checked_add(1) == Some(n)) => last.leaf,
            _ => None,
        };
        self.link(n, before.map(|before| before == head.prev), findings);
        self.act(n, head, findings);
    }

    /// `fits`: prev is the leaf hash of the entry before; nothing where that is not here.
    ///
    /// Where entry n does not fit to n-1, either of them was changed. Entry n+1 tells which: if it fits to n, then n is
    /// as it was written, and n-1 is not.
    fn link(&mut self, n: u64, fits: Option<bool>, findings: &mut Findings) {
        if n == 0 && fits == Some(false) {
            findings.fault(Check::Chain, Some(0), "prev of entry 0 is not 64 zeros");
            return;
        }
        match (self.torn.take(), fits) {
            (Some(torn), Some(false)) => findings.fault(Check::Chain, Some(torn), PREV),
            (Some(torn), _) => before_torn(torn, findings),
            (None, Some(false)) => self.torn = Some(n),
            (None, _) => {}
        }
        self.unlinked += u64::from(fits.is_none());
    }

    fn act(&mut self, n: u64, head: &Head, findings: &mut Findings) {
        let Some(act) = head.act else {
            self.act = None;
            return;
        };
        match &self.act {
            Some(last) if last.act == act => {
                if last.at != head.at || !same_author(&last.by, &head.by) {
                    findings.fault(Check::Chain, Some(n), "at or by differs from the entry before, of the same act");
                }
                return;
            }
            _ => {}
        }
        if !self.acts.insert(act) {
            findings.fault(
                Check::Chain,
                Some(n),
                "its act stands at an earlier place too; an act's entries are consecutive",
            );
        }
        self.act = Some(Act { act, at: head.at, by: Arc::clone(&head.by) });
    }

    pub(super) fn finish(&mut self, findings: &mut Findings) {
        if let Some(torn) = self.torn.take() {
            before_torn(torn, findings);
        }
        let why = "prev, because the entry before is not here";
        findings.not_judged(Check::Chain, why, self.unlinked);
    }
}
