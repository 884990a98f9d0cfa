//! The raw bytes of machines: their places leave no gap, and nothing is seen where no bytes are.

use std::collections::{BTreeMap, HashMap};

use crate::check::Check;
use crate::detail::Detail;
use crate::findings::Findings;

/// How far the bytes of one link go in one count.
#[derive(Default)]
struct Link {
    /// Where the next segment must begin.
    next: u64,
    /// The last byte that an observation or a loss speaks of, and the entry that does.
    reach: u64,
    reach_n: u64,
}

/// What is remembered of raw bytes: growth with counts only. That they are there is looked at where entries are read.
#[derive(Default)]
pub(crate) struct Captures {
    counts: HashMap<usize, BTreeMap<String, Link>>,
}

impl Captures {
    /// What an entry says about raw bytes; `whole`: its stream was there from the beginning.
    pub(super) fn entry(&mut self, n: u64, count: usize, whole: bool, detail: &Detail, findings: &mut Findings) {
        match detail {
            Detail::Segment { link, offset, length, .. } => {
                let name = link;
                let link = self.link(count, name);
                if *offset != link.next && whole {
                    let what = format!("bytes of {name} from {offset} on, where byte {} must come next", link.next);
                    findings.fault(Check::Captures, Some(n), what);
                }
                link.next = offset.saturating_add(*length);
            }
            Detail::Seen { link, from, to } => {
                if from > to {
                    findings.fault(Check::Captures, Some(n), format!("something seen in bytes {from} to {to}"));
                }
                self.reach(n, count, link, *to);
            }
            Detail::LinkLost { link, at } => self.reach(n, count, link, *at),
            Detail::CountEnded if whole => {
                let beyond = self.counts.get(&count).into_iter().flatten().filter(|(_, link)| link.reach > link.next);
                for (name, link) in beyond {
                    let what = format!("it speaks of byte {} of {name}, which has {}", link.reach, link.next);
                    findings.fault(Check::Captures, Some(link.reach_n), what);
                }
            }
            _ => {}
        }
    }

    fn link(&mut self, count: usize, name: &str) -> &mut Link {
        self.counts.entry(count).or_default().entry(name.to_owned()).or_default()
    }

    fn reach(&mut self, n: u64, count: usize, link: &str, to: u64) {
        let link = self.link(count, link);
        if to > link.reach {
            (link.reach, link.reach_n) = (to, n);
        }
    }
}
