//! Sets of limits: drafted by one person, approved by another, frozen into an order at its first issue.

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Thing};
use tallyseal_schema::kinds::{LimitSetApproved, LimitSetDrafted, LimitSetWithdrawn};
use tallyseal_schema::{Body, Entry};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{line, reason, said};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// Widest share of what was issued that a set may leave unexplained, in hundredths. The site's to lower; there is no
/// number in law, and a wider one is no limit.
const CEILING_PERCENT: u32 = 5;

/// Largest uncertainty of the count of one roll. Unit: labels. The site's to lower: a table that is worse is repaired.
const UNCERTAINTY_MAX: u32 = 20;

/// How far a set of limits has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitSetStatus {
    /// Waits for another person of the quality unit.
    Drafted,
    /// May be frozen into orders.
    Approved,
    /// No longer.
    Withdrawn,
}

/// What is remembered of a set of limits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LimitSetState {
    /// As it was drafted.
    pub draft: LimitSetDrafted,
    /// How far it has come.
    pub status: LimitSetStatus,
}

impl LimitSetState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::LimitSetDrafted(draft) = body else { return None };
        Some(Self { draft: draft.clone(), status: LimitSetStatus::Drafted })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::LimitSetApproved(_) => self.status = LimitSetStatus::Approved,
            Body::LimitSetWithdrawn(_) => self.status = LimitSetStatus::Withdrawn,
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("limit_set.item_code", &self.draft.item_code));
        if self.status == LimitSetStatus::Drafted {
            keys.push(Key::new("limit_set.drafted", "yes"));
        }
    }
}

/// Refuses limits that are none, and those that a right count could not keep.
///
/// Rule: 21 CFR 211.125(c), narrow limits. Ceiling and floor are the site's.
fn checked(draft: &LimitSetDrafted) -> Result<LimitSetDrafted, Stop> {
    let uncertainty = draft.uncertainty.get();
    if uncertainty > UNCERTAINTY_MAX {
        return Err(Refusal::invalid(
            "out-of-range",
            format!("The uncertainty of one roll is {uncertainty} labels; it must be 0 to {UNCERTAINTY_MAX}."),
            "Take it from the qualification of the counting table.",
        )
        .into());
    }
    let limits = &draft.limits;
    let rows = [
        ("short", &limits.short, true),
        ("over", &limits.over, false),
        ("product short", &limits.product_short, false),
        ("product over", &limits.product_over, true),
    ];
    for (name, limit, has_floor) in rows {
        let ratio = limit.ratio;
        if u64::from(ratio.num()) * 100 > u64::from(ratio.den()) * u64::from(CEILING_PERCENT) {
            return Err(Refusal::invalid(
                "above-ceiling",
                format!("The limit \"{name}\" is {ratio} of what was issued; the ceiling is {CEILING_PERCENT} %."),
                "Set it narrower; what lies outside is looked into.",
            )
            .into());
        }
        // Over may be nothing at all: no more labels come back than went out. So may product short, which is the same
        // side: no more units carry a label than labels were left for them.
        if has_floor && limit.labels < draft.uncertainty {
            return Err(Refusal::invalid(
                "below-uncertainty",
                format!(
                    "The limit \"{name}\" is {} labels, and the count of one roll may be off by {uncertainty}.",
                    limit.labels
                ),
                "Set it no tighter than the counting can show.",
            )
            .into());
        }
    }
    Ok(LimitSetDrafted {
        data: said("data", &draft.data)?,
        item_code: line("item code", &draft.item_code)?,
        ..draft.clone()
    })
}

pub(crate) fn draft(world: &World, limit_set: &Id, draft: &LimitSetDrafted) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::LimitSet, limit_set);
    world.must_be_new("limit set", &stream)?;
    Ok(vec![Draft::entry(&stream, checked(draft)?)])
}

pub(crate) fn approve(world: &World, context: &Context, limit_set: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::LimitSet, limit_set);
    let refused = match world.limit_set(&stream)?.status {
        LimitSetStatus::Drafted => None,
        LimitSetStatus::Approved => Some(("already-approved", "is approved already", "Nothing is left to do.")),
        LimitSetStatus::Withdrawn => {
            Some(("limits-withdrawn", "is out of use", "Draft a new set; a withdrawn one never comes back."))
        }
    };
    if let Some((code, text, remedy)) = refused {
        return Err(Refusal::conflict(code, format!("The limit set {limit_set} {text}."), remedy).into());
    }
    let signed = signature(world, context, &stream, &[], "limits approved")?;
    Ok(vec![Draft::entry(&stream, LimitSetApproved {}), signed])
}

pub(crate) fn withdraw(world: &World, limit_set: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::LimitSet, limit_set);
    if world.limit_set(&stream)?.status == LimitSetStatus::Withdrawn {
        return Err(Refusal::conflict(
            "limits-withdrawn",
            format!("The limit set {limit_set} is out of use already."),
            "Nothing is left to do.",
        )
        .into());
    }
    let why = reason(why)?;
    Ok(vec![Draft::because(&stream, LimitSetWithdrawn {}, &why)])
}
