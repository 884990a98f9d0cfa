//! Where every check writes down what it looked at and what it found.

use std::collections::BTreeMap;

use crate::check::Check;
use crate::report::{CheckLine, Fault};

/// So many faults of one check are kept with their words: the rest is counted, so that no file takes a machine's memory.
const KEPT_MAX: u64 = 10_000;

/// What all checks have found so far.
#[derive(Debug, Default)]
pub(crate) struct Findings {
    skip: Vec<Check>,
    looked: BTreeMap<Check, u64>,
    faults: Vec<(Check, Fault)>,
    /// How many each check found, also where they are too many to be kept.
    found: BTreeMap<Check, u64>,
    unjudged: BTreeMap<(Check, &'static str), u64>,
}

impl Findings {
    /// Nothing yet; `skip` is only for tests.
    pub(crate) fn new(skip: &[Check]) -> Self {
        Self { skip: skip.to_vec(), ..Self::default() }
    }

    /// A check looked at `count` more things. With 0 it says that the check was made.
    pub(crate) fn looked(&mut self, check: Check, count: u64) {
        *self.looked.entry(check).or_default() += count;
    }

    /// A check found something wrong: at entry `n`, where it lies at one.
    pub(crate) fn fault(&mut self, check: Check, n: Option<u64>, what: impl Into<String>) {
        self.looked.entry(check).or_default();
        if !self.skip.contains(&check) {
            let found = self.found.entry(check).or_default();
            *found += 1;
            if *found <= KEPT_MAX {
                self.faults.push((check, Fault { n, check: check.name().to_owned(), what: what.into() }));
            }
        }
    }

    /// A check could not judge `count` things; `why` is the end of "N things were not judged: ...".
    pub(crate) fn not_judged(&mut self, check: Check, why: &'static str, count: u64) {
        if count > 0 {
            *self.unjudged.entry((check, why)).or_default() += count;
        }
    }

    /// Everything: one line for each check that was made, the faults by entry, and what was not judged.
    pub(crate) fn finish(mut self) -> (Vec<CheckLine>, Vec<Fault>, Vec<String>) {
        // Threads find faults in any order; a report has one order.
        self.faults.sort_by(|(a, x), (b, y)| (x.n.is_some(), x.n, a, &x.what).cmp(&(y.n.is_some(), y.n, b, &y.what)));
        let lines = Check::ALL
            .into_iter()
            .filter_map(|check| {
                let looked_at = *self.looked.get(&check)?;
                let faults = self.found.get(&check).copied().unwrap_or_default();
                Some(CheckLine { check: check.name().to_owned(), looked_at, faults })
            })
            .collect();
        let not_judged =
            self.unjudged.into_iter().map(|((check, why), count)| format!("{check}: {count} not judged: {why}"));
        let more = self.found.into_iter().filter_map(|(check, found)| {
            let more = found.checked_sub(KEPT_MAX).filter(|more| *more > 0)?;
            Some(format!("{check}: {more} more faults are counted and not listed"))
        });
        let notes = not_judged.chain(more).collect();
        (lines, self.faults.into_iter().map(|(_, fault)| fault).collect(), notes)
    }
}
