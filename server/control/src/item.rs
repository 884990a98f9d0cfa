//! Suppliers and item revisions.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    FaultKind, ItemApproved, ItemDrafted, ItemObsoleted, ObsoleteRule, RollObsoleted, Specimen, SupplierApproved,
    SupplierRegistered,
};
use tallyseal_schema::{Body, Entry, Time};

use crate::facts::signature;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::text::{code, line, reason};
use crate::world::{Stop, World, of};
use crate::{Context, Draft};

/// Most rolls that one act takes out of stock, so that an act stays of a bounded size. The act is repeated for the rest.
pub(crate) const OBSOLETED_MAX: usize = 1_000;

/// What is remembered of a supplier.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SupplierState {
    /// Items that it may deliver.
    pub approved_for: BTreeSet<Stream>,
    /// Its name.
    pub name: String,
}

impl SupplierState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        matches!(body, Body::SupplierRegistered(_)).then(Self::default)
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::SupplierRegistered(body) => self.name.clone_from(&body.name),
            Body::SupplierApproved(body) => {
                self.approved_for.insert(body.item.clone());
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        if self.approved_for.is_empty() {
            keys.push(Key::new("supplier.unapproved", "yes"));
        }
    }
}

/// How far an item revision has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ItemStatus {
    /// Waits for an independent checker.
    Drafted,
    /// May be received, counted and issued.
    Approved,
    /// Runs out: nothing new is received.
    RunningOut,
    /// Not one more.
    Obsolete,
}

/// What is remembered of an item revision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ItemState {
    /// As it was drafted.
    pub draft: ItemDrafted,
    /// Last moment of use, where it runs out.
    pub last_use: Option<Time>,
    /// The specimen that it was approved against.
    pub specimen: Option<Specimen>,
    /// How far it has come.
    pub status: ItemStatus,
}

impl ItemState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::ItemDrafted(draft) = body else { return None };
        Some(Self { draft: draft.clone(), last_use: None, specimen: None, status: ItemStatus::Drafted })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::ItemApproved(body) => {
                self.specimen = Some(body.specimen.clone());
                self.status = ItemStatus::Approved;
            }
            Body::ItemObsoleted(body) => {
                self.last_use = body.last_use;
                self.status = match body.rule {
                    ObsoleteRule::RunOut => ItemStatus::RunningOut,
                    ObsoleteRule::Immediate => ItemStatus::Obsolete,
                };
            }
            _ => {}
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("item.code", &self.draft.code));
        keys.push(revision_key(&self.draft.code, &self.draft.revision));
        if self.status == ItemStatus::Drafted {
            keys.push(Key::new("item.drafted", "yes"));
        }
    }

    /// Refuses where labels of this revision may not be used at `at`. `id`: for the sentence.
    pub(crate) fn must_be_usable(&self, id: &Id, at: Time) -> Result<(), Stop> {
        let ended = match self.status {
            ItemStatus::Approved => false,
            ItemStatus::RunningOut => self.last_use.is_some_and(|last| at > last),
            ItemStatus::Obsolete => true,
            ItemStatus::Drafted => {
                return Err(Refusal::conflict(
                    "item-not-approved",
                    format!("The item {id} is a draft."),
                    "Let a reviewer approve it first.",
                )
                .into());
            }
        };
        if ended {
            return Err(Refusal::conflict(
                "item-obsolete",
                format!("The item {id} is obsolete."),
                "Put its labels with those that wait for destruction, and take the new revision.",
            )
            .into());
        }
        Ok(())
    }
}

pub(crate) fn register_supplier(world: &World, supplier: &Id, name: &str, site: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Supplier, supplier);
    world.must_be_new("supplier", &stream)?;
    Ok(vec![Draft::entry(&stream, SupplierRegistered { name: line("name", name)?, site: line("site", site)? })])
}

pub(crate) fn approve_supplier(world: &World, context: &Context, supplier: &Id, item: &Id) -> Result<Vec<Draft>, Stop> {
    let (stream, item_stream) = (of(Thing::Supplier, supplier), of(Thing::Item, item));
    let state = world.supplier(&stream)?;
    if matches!(world.item(&item_stream)?.status, ItemStatus::RunningOut | ItemStatus::Obsolete) {
        return Err(Refusal::conflict(
            "item-obsolete",
            format!("The item {item} is obsolete; nothing new is received of it."),
            "Approve the supplier for the revision that follows it.",
        )
        .into());
    }
    if state.approved_for.contains(&item_stream) {
        return Err(Refusal::conflict(
            "already-approved",
            format!("The supplier {supplier} is approved for {item} already."),
            "Nothing is left to do.",
        )
        .into());
    }
    let signed = signature(world, context, &stream, &[], "supplier approved")?;
    Ok(vec![Draft::entry(&stream, SupplierApproved { item: item_stream }), signed])
}

/// The key of the one item that is this revision of this label. The quotes keep the two texts apart.
fn revision_key(code: &str, revision: &str) -> Key {
    Key::new("item.revision", format_args!("{code:?} {revision:?}"))
}

fn checked_draft(draft: &ItemDrafted) -> Result<ItemDrafted, Stop> {
    let mut draft = draft.clone();
    for (field, text) in [
        ("code", &mut draft.code),
        ("revision", &mut draft.revision),
        ("product", &mut draft.product),
        ("market", &mut draft.market),
        ("language", &mut draft.language),
    ] {
        *text = line(field, text)?;
    }
    draft.strength = draft.strength.as_deref().map(|strength| line("strength", strength)).transpose()?;
    draft.allergens = draft.allergens.iter().map(|allergen| line("allergen", allergen)).collect::<Result<_, _>>()?;
    let within = |field: &str, value: u32, from: u32, to: u32, unit: &str| -> Result<(), Stop> {
        if (from..=to).contains(&value) {
            return Ok(());
        }
        Err(Refusal::invalid(
            "out-of-range",
            format!("\"{field}\" is {value} {unit}; it must be {from} to {to}."),
            "Measure it again, and mind the unit.",
        )
        .into())
    };
    within("number of allergens", u32::try_from(draft.allergens.len()).unwrap_or(u32::MAX), 0, 50, "words")?;
    within("use-by", draft.use_by_days.unwrap_or(1), 1, 36_525, "days")?;
    within("pitch", draft.pitch_um, 1_000, 1_000_000, "µm")?;
    within("width", draft.width_um, 1_000, 1_000_000, "µm")?;
    within("web thickness", draft.web_thickness_um, 20, 2_000, "µm")?;
    within("lanes", u32::from(draft.lanes), 1, 16, "lanes")?;
    within("largest number of faults", draft.faults_max, 0, 1_000, "faults")?;
    within("largest number of splices", draft.splices_max, 0, 100, "splices")?;
    if draft.relies_on.contains(&FaultKind::WebBreak) {
        return Err(Refusal::invalid(
            "web-break-to-rely-on",
            "A torn web is never counted to its end, so no test roll can show that it is found.",
            "Take web breaks off the list.",
        )
        .into());
    }
    if let Some(expected) = &mut draft.expected_code {
        expected.text = code("expected code", &expected.text)?;
        expected.symbology = line("symbology", &expected.symbology)?;
    } else if draft.relies_on.contains(&FaultKind::WrongCode) {
        return Err(Refusal::invalid(
            "no-code-to-rely-on",
            "The item relies on wrong codes being found, and has no code.",
            "Give the code that every label carries, or take wrong codes off the list.",
        )
        .into());
    }
    Ok(draft)
}

pub(crate) fn draft(world: &World, item: &Id, draft: &ItemDrafted) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Item, item);
    world.must_be_new("item", &stream)?;
    let draft = checked_draft(draft)?;
    if let Some(other) = world.set(&revision_key(&draft.code, &draft.revision))?.first() {
        return Err(Refusal::conflict(
            "revision-known",
            format!("Revision {} of {} is the item {} already.", draft.revision, draft.code, other.id()),
            "Use that item, or give the artwork a new revision.",
        )
        .into());
    }
    Ok(vec![Draft::entry(&stream, draft)])
}

pub(crate) fn approve(world: &World, context: &Context, item: &Id, specimen: &Specimen) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Item, item);
    let state = world.item(&stream)?;
    if state.status != ItemStatus::Drafted {
        return Err(Refusal::conflict(
            "item-not-a-draft",
            format!("The item {item} is no longer a draft."),
            "Draft a new revision to change it.",
        )
        .into());
    }
    let specimen = checked_specimen(specimen)?;
    let signed = signature(world, context, &stream, &[], "item approved")?;
    Ok(vec![Draft::entry(&stream, ItemApproved { specimen }), signed])
}

/// A specimen that can be found again.
pub(crate) fn checked_specimen(specimen: &Specimen) -> Result<Specimen, Stop> {
    Ok(Specimen { id: line("specimen", &specimen.id)?, place: line("place of the specimen", &specimen.place)? })
}

/// The key of the rolls of an item that are not rejected or obsolete.
pub(crate) fn stock_key(item: &Stream) -> Key {
    Key::new("roll.stock", item)
}

pub(crate) fn obsolete(
    world: &World,
    context: &Context,
    item: &Id,
    rule: ObsoleteRule,
    last_use: Option<Time>,
    why: &str,
) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Item, item);
    let state = world.item(&stream)?;
    let refused = match (state.status, rule) {
        (ItemStatus::Approved, _) | (ItemStatus::RunningOut, ObsoleteRule::Immediate) => None,
        // More rolls were in stock than one act takes out: the rest follows.
        (ItemStatus::Obsolete, ObsoleteRule::Immediate) if !world.set(&stock_key(&stream))?.is_empty() => None,
        (ItemStatus::Drafted, _) => {
            Some(("item-not-approved", "is a draft and was never in use", "Leave it; nothing is received of a draft."))
        }
        (ItemStatus::RunningOut, _) => {
            Some(("item-runs-out", "runs out already", "Take it out at once if its stock may not be used up."))
        }
        (ItemStatus::Obsolete, _) => Some(("item-obsolete", "is obsolete already", "Nothing is left to do.")),
    };
    if let Some((code, text, remedy)) = refused {
        return Err(Refusal::conflict(code, format!("The item {item} {text}."), remedy).into());
    }
    match (rule, last_use) {
        (ObsoleteRule::RunOut, Some(last)) if last > context.at => {}
        (ObsoleteRule::RunOut, _) => {
            return Err(Refusal::invalid(
                "no-last-use",
                "Stock that runs out needs a last-use date that is still to come.",
                "Give the last-use date, or take the revision out at once.",
            )
            .into());
        }
        (ObsoleteRule::Immediate, Some(_)) => {
            return Err(Refusal::invalid(
                "no-last-use",
                "A revision taken out at once has no last-use date.",
                "Leave the date away.",
            )
            .into());
        }
        (ObsoleteRule::Immediate, None) => {}
    }
    let why = reason(why)?;
    let mut drafts = Vec::new();
    if state.status != ItemStatus::Obsolete {
        drafts.push(Draft::because(&stream, ItemObsoleted { last_use, rule }, &why));
    }
    drafts.push(signature(world, context, &stream, &[], "obsoleted")?);
    if rule == ObsoleteRule::Immediate {
        // Every roll in stock, so that a roll's own record says that it waits for destruction.
        let stock = world.set(&stock_key(&stream))?;
        drafts.extend(
            stock
                .iter()
                .take(OBSOLETED_MAX)
                .map(|roll| Draft::because(roll, RollObsoleted { item: stream.clone() }, &why)),
        );
    }
    Ok(drafts)
}
