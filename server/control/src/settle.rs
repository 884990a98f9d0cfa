//! How many labels are on a roll: which count stands, by a rule that was fixed before anyone counted.
//!
//! At most three counts are compared. Two that agree stand; where they differ, web, sensor and speed are checked and
//! a third decides by agreeing with one of them; no agreement is a hold. Counts are never repeated until they fit.

use serde::Serialize;
use tallyseal_schema::Labels;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{CountRule, SettledBy};

use crate::roll::RollState;

/// One count on a basis on which it can be compared with the others: with the labels that were taken out of the
/// roll before it added again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Compared {
    pub basis: u64,
    pub count: Stream,
    pub in_doubt: bool,
    pub labels: Labels,
}

/// Two counts agree where they come to the same number and not both are in doubt: two runs with bytes missing prove
/// nothing to each other.
pub(crate) fn agree(one: &Compared, other: &Compared) -> bool {
    one.basis == other.basis && !(one.in_doubt && other.in_doubt)
}

/// What the counts of a round come to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum Settlement {
    /// A count stands.
    Stands {
        /// By which rule.
        rule: SettledBy,
        /// Labels counted, before anything was taken out in this round.
        counted: Labels,
        /// Labels taken out in this round.
        taken_out: Labels,
        /// Labels on the roll.
        on_roll: Labels,
    },
    /// Another count is needed.
    NeedsSecond,
    /// Two differ: a check of web, sensor and speed, then a third.
    NeedsThird,
    /// No agreement.
    Disagree,
}

/// The counts of the round, in order, on one basis. In a recount the quantity that stands comes first. A doubted count
/// is not compared, but what was taken out then is gone all the same.
pub(crate) fn compared(state: &RollState) -> Vec<Compared> {
    let mut all = Vec::new();
    if let Some(settled) = &state.settled {
        all.push(Compared {
            basis: u64::from(settled.on_roll.get()),
            count: settled.standing.clone(),
            in_doubt: false,
            labels: settled.on_roll,
        });
    }
    let mut taken_out = 0;
    for count in state.round_counts() {
        if !count.doubted {
            all.push(Compared {
                basis: u64::from(count.labels.get()) + taken_out,
                count: count.count.clone(),
                in_doubt: count.in_doubt,
                labels: count.labels,
            });
        }
        taken_out += u64::from(count.taken_out.get());
    }
    all
}

/// What the counts of the round come to, under the item's rule.
///
/// Rule: label-control practice; agreement shows repeatability, not truth: that is what the challenge is for.
pub fn settle(state: &RollState, rule: CountRule) -> Settlement {
    let counts = compared(state);
    let by = match counts.as_slice() {
        [one] if rule == CountRule::One && !one.in_doubt => SettledBy::OneCount,
        [] | [_] => return Settlement::NeedsSecond,
        [first, second] if agree(first, second) => SettledBy::TwoAgree,
        [_, _] => return Settlement::NeedsThird,
        [first, second, third] if agree(first, third) || agree(second, third) => SettledBy::ThirdAgrees,
        _ => return Settlement::Disagree,
    };
    let taken_out: u64 = state.round_counts().iter().map(|count| u64::from(count.taken_out.get())).sum();
    let basis = counts.last().map_or(0, |last| last.basis);
    let labels = |number: u64| u32::try_from(number).ok().and_then(Labels::new);
    match (labels(basis), labels(taken_out), basis.checked_sub(taken_out).and_then(labels)) {
        (Some(counted), Some(taken_out), Some(on_roll)) => Settlement::Stands { rule: by, counted, taken_out, on_roll },
        // More taken out than was there, or more than a roll holds: the numbers contradict each other.
        _ => Settlement::Disagree,
    }
}
