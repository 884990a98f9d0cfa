//! Acts that need two people: one table, printed into `FORMAT.md`.
//!
//! No entry has two authors. The first person's entry or signature stands in a stream of its own, the second person's in the
//! same stream; [`crate::kinds::MEANINGS`] says that they are not one person, and every verifier holds that.

use std::fmt;

/// When the second person acts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Second {
    /// Both are there: the second acts within [`PRESENT_MINUTES`] of the first.
    Present,
    /// Later, but before the thing is used.
    BeforeUse,
    /// A scan that the software checks stands in place of the second person.
    Scan,
}

impl fmt::Display for Second {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Present => "both present",
            Self::BeforeUse => "later, before use",
            Self::Scan => "a checked scan",
        })
    }
}

/// So long after the first person a second one who was present may sign. Site policy; no number in law. Unit: minutes.
pub const PRESENT_MINUTES: u32 = 30;

/// One act that needs two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TwoPeople {
    /// What is done.
    pub act: &'static str,
    /// What the first person leaves: an entry kind, or a signature's meaning.
    pub first: &'static str,
    /// What the second person leaves.
    pub second: &'static str,
    /// When.
    pub when: Second,
}

/// Every act that needs two.
///
/// Rule: 21 CFR 211.188(b)(11), the person performing and the person checking each significant step.
pub const TWO_PEOPLE: &[TwoPeople] = &[
    TwoPeople { act: "issue", first: "issued", second: "issue taken", when: Second::Present },
    TwoPeople { act: "destruction", first: "destroyed", second: "destruction witnessed", when: Second::Present },
    TwoPeople { act: "override", first: "override.requested", second: "override granted", when: Second::BeforeUse },
    TwoPeople { act: "hand count", first: "hand_count.entered", second: "hand_count.entered", when: Second::BeforeUse },
    TwoPeople { act: "line clearance", first: "cleared", second: "clearance checked", when: Second::BeforeUse },
    TwoPeople { act: "reconciliation", first: "reconciled", second: "reconciliation checked", when: Second::BeforeUse },
    TwoPeople {
        act: "roll change",
        first: "order.roll_mounted",
        second: "the roll's tag and code",
        when: Second::Scan,
    },
    TwoPeople { act: "count", first: "counted", second: "count checked", when: Second::BeforeUse },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kinds::{KINDS, meaning};

    #[test]
    fn the_second_signature_is_never_the_firsts() {
        for row in TWO_PEOPLE {
            let kind = KINDS.iter().any(|kind| kind.name == row.first);
            let Some(second) = meaning(row.second) else {
                // No signature: two entries that `control` holds apart, or a scan.
                assert!(kind, "{} is a kind", row.first);
                continue;
            };
            let apart = second.excludes.contains(&row.first) || second.excludes_signers.contains(&row.first);
            assert!(apart, "{}: who gave \"{}\" may not give \"{}\"", row.act, row.first, row.second);
            assert!(kind || meaning(row.first).is_some(), "{} is known", row.first);
        }
    }
}
