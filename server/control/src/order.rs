//! Packaging orders: planned, staged, run, finished, reconciled, signed for packaging, reviewed, approved.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::str::FromStr;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use tallyseal_schema::ids::{AccountId, Id, Stream, Thing};
use tallyseal_schema::kinds::{
    ClearanceWhen, Coding, DocumentCopy, ExaminationVerdict, Form, Limits, LineDeviceKind, LineOrderClosed,
    LineOrderOpened, MaterialPlanned, OrderFinished, OrderInterrupted, OrderPlanned, OrderResumed, OrderStarted,
    OrderVoided, ProductLot, RollRan, Source, Term, Unwind,
};
use tallyseal_schema::{Body, Entry, Labels, Time};

use crate::delivery::held;
use crate::line::{CLEARANCE_MINUTES, Use, must_count, occupied};
use crate::refusal::Refusal;
use crate::roll::held_by_key;
use crate::state::Key;
use crate::text::{line as one_line, reason, said};
use crate::world::{Stop, World, of};
use crate::{ContainerStatus, Context, Draft, IssueStatus, LimitSetStatus};

/// Most lots of product in one order.
const LOTS_MAX: usize = 50;

/// Most material lines of one order.
const MATERIALS_MAX: usize = 20;

/// Most procedures that one order names.
const PROCEDURES_MAX: usize = 50;

/// How far an order has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OrderStatus {
    /// Nothing was examined or issued for it yet.
    Planned,
    /// Rolls are examined and issued.
    Staged,
    /// The line runs.
    InProgress,
    /// The line stands.
    Interrupted,
    /// The line has run it to its end; labels are given back and counted.
    Finished,
    /// Every material line has its account.
    Reconciled,
    /// Signed for packaging: it is with quality.
    InReview,
    /// The label record is approved. No release of the batch.
    Approved,
    /// The label record is rejected.
    Rejected,
    /// It will not be run.
    Voided,
}

/// What became of one roll in the order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderRoll {
    /// With which issue it came.
    pub issue: Option<Stream>,
    /// Labels on it when it was issued.
    pub issued: Labels,
    /// Material line.
    pub material: u16,
    /// On which dispenser it is.
    pub mounted: Option<Id>,
    /// How it came off its dispenser last.
    pub ran: Option<RollRan>,
    /// It was scanned in at the line.
    pub received: bool,
    /// Handed back by the line, and by whom.
    pub given_back: Option<AccountId>,
    /// Taken back by the label room.
    pub taken_back: bool,
    /// The un-coded rest of it, a roll of its own.
    pub rest: Option<Stream>,
    /// The hand count of its coded tail.
    pub tail: Option<Stream>,
    /// So many counts of it had begun when it was examined.
    pub runs: u32,
    /// How it came off the roll when it was examined.
    pub unwind: Option<Unwind>,
    /// What the examination before issue found.
    pub verdict: Option<ExaminationVerdict>,
}

/// One recorded quantity.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Quantity {
    /// How many labels, or units.
    pub count: u32,
    /// Of which product lot, for units.
    pub lot: Option<String>,
    /// Material line; absent for units.
    pub material: Option<u16>,
    /// How the number came about.
    pub source: Source,
    /// What became of the labels; absent for units.
    pub term: Option<Term>,
    /// It was wrong and no longer counts.
    pub withdrawn: bool,
}

/// Limits fixed at the first issue of a material line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Frozen {
    /// From which set.
    pub limit_set: Stream,
    /// The limits.
    pub limits: Limits,
    /// How far the count of one roll may be off.
    pub uncertainty: Labels,
}

/// Reads a map by numbers. A view is an enum tagged inside, and there serde hands the keys over as the texts that JSON
/// has, not as numbers.
fn numbered<'de, D, K, V>(deserializer: D) -> Result<BTreeMap<K, V>, D::Error>
where
    D: Deserializer<'de>,
    K: FromStr + Ord,
    K::Err: fmt::Display,
    V: Deserialize<'de>,
{
    let texts = BTreeMap::<String, V>::deserialize(deserializer)?;
    texts.into_iter().map(|(key, value)| key.parse().map(|key| (key, value)).map_err(D::Error::custom)).collect()
}

/// What is remembered of an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderState {
    /// When the line finished it.
    pub finished_at: Option<Time>,
    /// Limits in force, by material line.
    #[serde(deserialize_with = "numbered")]
    pub frozen: BTreeMap<u16, Frozen>,
    /// When the line last started, resumed, or took a roll off its dispenser: the clearance after it comes later.
    pub handled_at: Option<Time>,
    /// Deviations that hold it.
    pub holds: BTreeSet<Stream>,
    /// Since when the line stands, where it does.
    pub interrupted_at: Option<Time>,
    /// Every issue.
    pub issues: Vec<Stream>,
    /// As it was planned.
    pub plan: OrderPlanned,
    /// Recorded quantities by their number.
    #[serde(deserialize_with = "numbered")]
    pub quantities: BTreeMap<u32, Quantity>,
    /// The account that stands, by material line.
    #[serde(deserialize_with = "numbered")]
    pub reconciled: BTreeMap<u16, Stream>,
    /// Every roll that was examined or issued for it.
    pub rolls: BTreeMap<Stream, OrderRoll>,
    /// How far it has come.
    pub status: OrderStatus,
}

impl OrderState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::OrderPlanned(plan) = body else { return None };
        Some(Self {
            finished_at: None,
            frozen: BTreeMap::new(),
            handled_at: None,
            holds: BTreeSet::new(),
            interrupted_at: None,
            issues: Vec::new(),
            plan: plan.clone(),
            quantities: BTreeMap::new(),
            reconciled: BTreeMap::new(),
            rolls: BTreeMap::new(),
            status: OrderStatus::Planned,
        })
    }

    fn roll(&mut self, roll: &Stream, material: u16) -> &mut OrderRoll {
        self.rolls.entry(roll.clone()).or_insert_with(|| OrderRoll {
            issue: None,
            issued: Labels::ZERO,
            material,
            mounted: None,
            ran: None,
            received: false,
            given_back: None,
            taken_back: false,
            rest: None,
            tail: None,
            runs: 0,
            unwind: None,
            verdict: None,
        })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        match &entry.body {
            Body::OrderRollExamined(body) => {
                if self.status == OrderStatus::Planned {
                    self.status = OrderStatus::Staged;
                }
                let roll = self.roll(&body.roll, body.material);
                roll.material = body.material;
                roll.runs = body.runs;
                roll.unwind = Some(body.unwind);
                roll.verdict = Some(body.verdict);
            }
            Body::OrderLimitsFrozen(body) => {
                let frozen = Frozen {
                    limit_set: body.limit_set.clone(),
                    limits: body.limits.clone(),
                    uncertainty: body.uncertainty,
                };
                self.frozen.insert(body.material, frozen);
            }
            Body::OrderIssued(body) => {
                self.issues.push(body.issue.clone());
                for issued in &body.rolls {
                    let roll = self.roll(&issued.roll, body.material);
                    roll.issue = Some(body.issue.clone());
                    roll.issued = issued.labels;
                }
            }
            Body::OrderRollReceived(body) => self.roll(&body.roll, body.material).received = true,
            Body::OrderStarted(_) | Body::OrderResumed(_) => {
                self.status = OrderStatus::InProgress;
                self.handled_at = Some(entry.header.at);
                self.interrupted_at = None;
            }
            Body::OrderInterrupted(_) => {
                self.status = OrderStatus::Interrupted;
                self.interrupted_at = Some(entry.header.at);
            }
            Body::OrderRollMounted(body) => {
                self.roll(&body.roll, body.material).mounted = Some(body.device.clone());
            }
            Body::OrderRollDismounted(body) => {
                self.handled_at = Some(entry.header.at);
                let roll = self.roll(&body.roll, body.material);
                roll.mounted = None;
                roll.ran = Some(body.ran);
            }
            Body::OrderQuantityRecorded(body) => {
                let quantity = Quantity {
                    count: body.labels.get(),
                    lot: None,
                    material: Some(body.material),
                    source: body.source.clone(),
                    term: Some(body.term),
                    withdrawn: false,
                };
                self.quantities.insert(body.quantity, quantity);
                self.account_again();
            }
            Body::OrderUnitsRecorded(body) => {
                let quantity = Quantity {
                    count: body.units,
                    lot: Some(body.lot.clone()),
                    material: None,
                    source: body.source.clone(),
                    term: None,
                    withdrawn: false,
                };
                self.quantities.insert(body.quantity, quantity);
                self.account_again();
            }
            Body::OrderQuantityWithdrawn(body) => {
                if let Some(quantity) = self.quantities.get_mut(&body.quantity) {
                    quantity.withdrawn = true;
                }
                self.account_again();
            }
            Body::OrderFinished(_) => {
                self.status = OrderStatus::Finished;
                self.finished_at = Some(entry.header.at);
            }
            Body::OrderRollGivenBack(body) => {
                self.roll(&body.roll, body.material).given_back = entry.header.by.account().cloned();
            }
            Body::OrderReturnTaken(body) => {
                let roll = self.roll(&body.roll, body.material);
                roll.taken_back = true;
                roll.rest.clone_from(&body.rest);
                roll.tail.clone_from(&body.tail);
                self.account_again();
            }
            Body::OrderReconciled(body) => {
                self.reconciled.insert(body.material, body.reconciliation.clone());
                if self.plan.materials.iter().all(|line| self.reconciled.contains_key(&line.material)) {
                    self.status = OrderStatus::Reconciled;
                }
            }
            Body::OrderHeld(body) => {
                self.holds.insert(body.cause.clone());
            }
            Body::OrderHoldLifted(body) => {
                self.holds.remove(&body.cause);
            }
            Body::OrderSignedForPackaging(_) => self.status = OrderStatus::InReview,
            Body::OrderApproved(_) => self.status = OrderStatus::Approved,
            Body::OrderRejected(_) => self.status = OrderStatus::Rejected,
            Body::OrderVoided(_) => self.status = OrderStatus::Voided,
            Body::OrderReopened(_) => {
                self.status = OrderStatus::Finished;
                self.reconciled.clear();
            }
            _ => {}
        }
    }

    /// A number has changed after an account was made: it is made again.
    fn account_again(&mut self) {
        if matches!(self.status, OrderStatus::Reconciled | OrderStatus::InReview) {
            self.status = OrderStatus::Finished;
        }
        self.reconciled.clear();
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("order.line", &self.plan.line));
        for lot in &self.plan.lots {
            keys.push(Key::new("order.lot", &lot.lot));
        }
        for roll in self.rolls.keys() {
            keys.push(Key::new("order.roll", roll));
        }
        if !matches!(self.status, OrderStatus::Approved | OrderStatus::Rejected | OrderStatus::Voided) {
            keys.push(Key::new("order.open", "yes"));
        }
        match self.status {
            OrderStatus::Reconciled => keys.push(Key::new("order.to_sign", "yes")),
            OrderStatus::InReview => keys.push(Key::new("order.to_review", "yes")),
            OrderStatus::InProgress | OrderStatus::Interrupted => keys.push(Key::new("order.running", "yes")),
            _ => {}
        }
        if !self.holds.is_empty() {
            keys.push(Key::new("order.held", "yes"));
        }
        keys.extend(self.holds.iter().map(held_by_key));
    }

    /// Labels recorded for a fate of a material line, without those that were withdrawn.
    pub fn recorded(&self, material: u16, term: Term) -> u64 {
        let standing = self.quantities.values().filter(|quantity| !quantity.withdrawn);
        let of_term = standing.filter(|one| one.material == Some(material) && one.term == Some(term));
        of_term.fold(0, |sum, quantity| sum.saturating_add(u64::from(quantity.count)))
    }

    /// True while the order occupies its line, running or standing.
    pub(crate) fn on_the_line(&self) -> bool {
        matches!(self.status, OrderStatus::InProgress | OrderStatus::Interrupted)
    }

    /// Refuses where a hold lies over the order. `order`: for the sentence.
    pub(crate) fn must_not_be_held(&self, order: &Id) -> Result<(), Stop> {
        self.holds.first().map_or(Ok(()), |hold| Err(held("order", order, hold)))
    }

    /// Refuses where a roll is on a dispenser.
    pub(crate) fn must_have_no_roll_mounted(&self) -> Result<(), Stop> {
        let mounted = self.rolls.iter().find_map(|(roll, state)| state.mounted.as_ref().map(|device| (roll, device)));
        match mounted {
            None => Ok(()),
            Some((roll, device)) => Err(Refusal::conflict(
                "roll-still-mounted",
                format!("The roll {} is still on {device}.", roll.id()),
                "Take it off first, and scan it off.",
            )
            .into()),
        }
    }

    /// The material line of that number. Errors: there is none.
    pub(crate) fn material(&self, order: &Id, material: u16) -> Result<&MaterialPlanned, Stop> {
        self.plan.materials.iter().find(|line| line.material == material).ok_or_else(|| {
            Refusal::invalid(
                "no-such-material",
                format!("The order {order} has no material line {material}."),
                format!("Give a number from 1 to {}.", self.plan.materials.len()),
            )
            .into()
        })
    }
}

impl OrderStatus {
    /// The refusal that an order in this state gives. `remedy`: what to do, or when the act has its time.
    pub(crate) fn refusal(self, order: &Id, remedy: &str) -> Stop {
        let (code, text) = match self {
            Self::Planned | Self::Staged => ("order-not-started", "has not started"),
            Self::InProgress => ("order-in-progress", "is running"),
            Self::Interrupted => ("order-interrupted", "is interrupted"),
            Self::Finished => ("order-finished", "is finished"),
            Self::Reconciled => ("order-reconciled", "is finished and reconciled"),
            Self::InReview => ("order-in-review", "is signed for packaging and with quality"),
            Self::Approved => ("order-approved", "has an approved label record"),
            Self::Rejected => ("order-rejected", "has a rejected label record"),
            Self::Voided => ("order-voided", "is void"),
        };
        Refusal::conflict(code, format!("The order {order} {text}."), remedy).into()
    }
}

fn number_of(code: &str, what: &str, given: usize, from: usize, to: usize) -> Result<(), Stop> {
    if (from..=to).contains(&given) {
        return Ok(());
    }
    Err(Refusal::invalid(
        code,
        format!("An order has {from} to {to} {what}; this one has {given}."),
        "Plan a larger one as several orders, and leave none empty.",
    )
    .into())
}

fn checked_copy(what: &str, copy: &DocumentCopy) -> Result<DocumentCopy, Stop> {
    Ok(DocumentCopy {
        id: one_line(&format!("number of the {what}"), &copy.id)?,
        version: one_line(&format!("version of the {what}"), &copy.version)?,
    })
}

fn checked_lots(lots: &[ProductLot]) -> Result<Vec<ProductLot>, Stop> {
    number_of("number-of-lots", "lots of product", lots.len(), 1, LOTS_MAX)?;
    let mut checked: Vec<ProductLot> = Vec::with_capacity(lots.len());
    for lot in lots {
        let number = one_line("lot", &lot.lot)?;
        if checked.iter().any(|other| other.lot == number) {
            return Err(Refusal::invalid(
                "lot-twice",
                format!("The lot {number} stands twice in the order."),
                "Give every lot once, with all its units.",
            )
            .into());
        }
        if lot.units == 0 || lot.units > Labels::MAX {
            return Err(Refusal::invalid(
                "out-of-range",
                format!("The lot {number} has {} units; it must be 1 to {}.", lot.units, Labels::MAX),
                "Give the units that are planned of it.",
            )
            .into());
        }
        checked.push(ProductLot { expiry: one_line("expiry", &lot.expiry)?, lot: number, units: lot.units });
    }
    Ok(checked)
}

/// What a material line needs, part by part. Unit: labels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Needed {
    /// Changes of roll: one fewer than rolls.
    pub changes: u64,
    /// For setting up.
    pub fixed: u64,
    /// On the units themselves.
    pub for_units: u64,
    /// For all changes of roll together.
    pub for_changes: u64,
    /// Lost in running: a share of the labels on the units.
    pub running: u64,
    /// All of it.
    pub total: u64,
    /// Units of all lots.
    pub units: u64,
}

/// How many labels a material line needs: of its units, with the allowance for set-up, running and changes of roll.
/// Saturates. `rolls`: how many rolls are issued for it; 0 counts as 1.
pub fn needed(plan: &OrderPlanned, line: &MaterialPlanned, rolls: u64) -> Needed {
    let units: u64 = plan.lots.iter().map(|lot| u64::from(lot.units)).fold(0, u64::saturating_add);
    let for_units = line.labels_per_unit.of_rounded_up(units);
    let allowance = &line.allowance;
    let changes = rolls.saturating_sub(1);
    let for_changes = changes.saturating_mul(u64::from(allowance.per_roll_change.get()));
    let fixed = u64::from(allowance.fixed.get());
    let running = allowance.ratio.of_rounded_up(for_units);
    let total = for_units.saturating_add(fixed).saturating_add(running).saturating_add(for_changes);
    Needed { changes, fixed, for_units, for_changes, running, total, units }
}

/// All that a material line needs: see [`needed`].
pub(crate) fn need(plan: &OrderPlanned, line: &MaterialPlanned, rolls: u64) -> u64 {
    needed(plan, line, rolls).total
}

fn check_material(
    world: &World,
    context: &Context,
    plan: &OrderPlanned,
    index: usize,
    line: &MaterialPlanned,
) -> Result<(), Stop> {
    let number = line.material;
    if usize::from(number) != index.saturating_add(1) {
        return Err(Refusal::invalid(
            "material-number",
            format!("The material line {number} stands in place {}.", index.saturating_add(1)),
            "Number them 1, 2, 3 in the order in which they stand.",
        )
        .into());
    }
    if plan.materials.iter().take(index).any(|other| other.item == line.item) {
        return Err(Refusal::invalid(
            "item-twice",
            format!("The item {} stands in two material lines.", line.item.id()),
            "Put it into one line with all its labels per unit, so that every roll belongs to one line.",
        )
        .into());
    }
    let item = world.item(&line.item)?;
    item.must_be_usable(&line.item.id(), context.at)?;
    if item.draft.form == Form::Cut {
        return Err(Refusal::conflict(
            "cut-labels",
            format!("The item {} comes as cut labels, and this book issues rolls only.", line.item.id()),
            "Account for them on paper by the procedure.",
        )
        .into());
    }
    // A label of another product, strength or market in the plan is the mix-up that everything else is there to prevent.
    let other_strength = item.draft.strength.is_some() && item.draft.strength != plan.strength;
    if item.draft.product != plan.product || item.draft.market != plan.market || other_strength {
        return Err(Refusal::conflict(
            "item-of-another-product",
            format!(
                "The item {} is for {}{}, market {}; the order is for {}{}, market {}.",
                line.item.id(),
                item.draft.product,
                item.draft.strength.as_deref().map(|strength| format!(" {strength}")).unwrap_or_default(),
                item.draft.market,
                plan.product,
                plan.strength.as_deref().map(|strength| format!(" {strength}")).unwrap_or_default(),
                plan.market
            ),
            "Take the item of this product, strength and market, or correct the plan.",
        )
        .into());
    }
    let limits = world.limit_set(&line.limit_set)?;
    if limits.status != LimitSetStatus::Approved {
        return Err(Refusal::conflict(
            "limits-not-approved",
            format!("The limit set {} is not approved, or out of use.", line.limit_set.id()),
            "Let a reviewer approve it, or take another; limits are set before the order runs.",
        )
        .into());
    }
    if limits.draft.item_code != item.draft.code {
        return Err(Refusal::conflict(
            "limits-of-another-item",
            format!("The limit set {} is for the label {}.", line.limit_set.id(), limits.draft.item_code),
            format!("Take a limit set for the label {}.", item.draft.code),
        )
        .into());
    }
    if line.labels_per_unit.num() == 0 {
        return Err(Refusal::invalid(
            "no-labels-per-unit",
            format!("The material line {number} puts no label on any unit."),
            "Give how many labels each unit carries, for example 1/24 for a shipper label.",
        )
        .into());
    }
    let ratio = line.allowance.ratio;
    if ratio.num() > ratio.den() {
        return Err(Refusal::invalid(
            "out-of-range",
            format!("The allowance of the material line {number} is {ratio} of its need; it must be at most 1/1."),
            "Give the share that the line loses in running.",
        )
        .into());
    }
    if need(plan, line, 1) > u64::from(Labels::MAX) {
        return Err(Refusal::invalid(
            "order-too-large",
            format!("The material line {number} needs more than {} labels.", Labels::MAX),
            "Plan it as several orders.",
        )
        .into());
    }
    Ok(())
}

pub(crate) fn plan(world: &World, context: &Context, order: &Id, plan: &OrderPlanned) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    world.must_be_new("order", &stream)?;
    let line = world.line(&plan.line)?;
    number_of("number-of-procedures", "procedures", plan.procedures.len(), 0, PROCEDURES_MAX)?;
    let checked = OrderPlanned {
        dosage_form: one_line("dosage form", &plan.dosage_form)?,
        lots: checked_lots(&plan.lots)?,
        market: one_line("market", &plan.market)?,
        master: checked_copy("master record", &plan.master)?,
        pack: one_line("pack size", &plan.pack)?,
        procedures: plan.procedures.iter().map(|copy| checked_copy("procedure", copy)).collect::<Result<_, _>>()?,
        product: one_line("product", &plan.product)?,
        strength: plan.strength.as_deref().map(|strength| one_line("strength", strength)).transpose()?,
        ..plan.clone()
    };
    number_of("number-of-materials", "material lines", checked.materials.len(), 1, MATERIALS_MAX)?;
    for (index, material) in checked.materials.iter().enumerate() {
        check_material(world, context, &checked, index, material)?;
    }
    let has = |kind: LineDeviceKind| line.devices.iter().any(|device| device.kind == kind);
    let coded = checked.materials.iter().any(|material| material.coding == Coding::Line);
    let missing = if !has(LineDeviceKind::Dispenser) {
        Some("dispenser")
    } else if coded && !has(LineDeviceKind::Printer) {
        Some("printer")
    } else {
        None
    };
    if let Some(missing) = missing {
        return Err(Refusal::conflict(
            "device-missing",
            format!("The line {} has no {missing}, and the order needs one.", checked.line.id()),
            "Register it with the line, or plan the order on another line.",
        )
        .into());
    }
    Ok(vec![Draft::entry(&stream, checked)])
}

pub(crate) fn void(world: &World, order: &Id, why: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    if !matches!(state.status, OrderStatus::Planned | OrderStatus::Staged) {
        return Err(state.status.refusal(order, "Only an order of which the line has taken nothing can be made void."));
    }
    for issue in world.set(&Key::new("issue.order", &stream))? {
        let (code, text, remedy) = match world.issue(issue)?.status {
            IssueStatus::Withdrawn => continue,
            IssueStatus::Given => {
                ("issue-open", "is given and not taken over", "Withdraw it first, so that its rolls lie in the store.")
            }
            IssueStatus::Taken => (
                "issue-taken",
                "was taken over by the line",
                "Run the order to its end, and account for every label; an order with labels out is not made void.",
            ),
        };
        return Err(
            Refusal::conflict(code, format!("The issue {} of the order {order} {text}.", issue.id()), remedy).into()
        );
    }
    for container in world.set(&Key::new("container.order", &stream))? {
        if world.container(container)?.status == ContainerStatus::Open {
            return Err(Refusal::conflict(
                "container-open",
                format!("The container {} of the order {order} is open.", container.id()),
                "Seal it first; afterwards nobody could.",
            )
            .into());
        }
    }
    let why = reason(why)?;
    Ok(vec![Draft::because(&stream, OrderVoided {}, &why)])
}

/// Every material line must have a roll at the line that can be mounted.
fn must_have_rolls(world: &World, order: &Id, state: &OrderState) -> Result<(), Stop> {
    for line in &state.plan.materials {
        let mut first_stop = None;
        let mut ready = false;
        let there = state.rolls.iter().filter(|(_, roll)| roll.material == line.material && roll.received);
        for (roll, _) in there.filter(|(_, roll)| roll.given_back.is_none()) {
            match world.roll(roll)?.must_be_free(&roll.id()) {
                Ok(()) => {
                    ready = true;
                    break;
                }
                Err(stop) => first_stop = first_stop.or(Some(stop)),
            }
        }
        match (ready, first_stop) {
            (true, _) => {}
            (false, Some(stop)) => return Err(stop),
            (false, None) => {
                return Err(Refusal::conflict(
                    "material-not-at-line",
                    format!(
                        "No roll of the material line {} of the order {order} was received at the line.",
                        line.material
                    ),
                    "Let the label room issue rolls, sign for them, and scan them in at the line.",
                )
                .into());
            }
        }
    }
    Ok(())
}

pub(crate) fn start(world: &World, context: &Context, order: &Id, clearance: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    if !matches!(state.status, OrderStatus::Planned | OrderStatus::Staged) {
        return Err(state.status.refusal(order, "An order starts once; after an interruption it is resumed."));
    }
    state.must_not_be_held(order)?;
    let line = world.line(&state.plan.line)?;
    if let Some(other) = &line.order {
        return Err(occupied(&state.plan.line.id(), other));
    }
    must_have_rolls(world, order, state)?;
    let used = Use { after: line.used_at, line: &state.plan.line, order: &stream, when: ClearanceWhen::Before };
    let clearance = must_count(world, context, clearance, &used)?;
    let opened = LineOrderOpened { order: stream.clone() };
    Ok(vec![Draft::entry(&stream, OrderStarted { clearance }), Draft::entry(&state.plan.line, opened)])
}

pub(crate) fn interrupt(world: &World, order: &Id, cause: &str) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    if state.status != OrderStatus::InProgress {
        return Err(state.status.refusal(order, "Only a running order is interrupted."));
    }
    Ok(vec![Draft::entry(&stream, OrderInterrupted { cause: said("cause", cause)? })])
}

pub(crate) fn resume(world: &World, context: &Context, order: &Id, clearance: Option<&Id>) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    if state.status != OrderStatus::Interrupted {
        return Err(state.status.refusal(order, "Only an interrupted order is resumed."));
    }
    state.must_not_be_held(order)?;
    let since = state.interrupted_at.ok_or_else(|| Refusal::internal("an interruption without its time"))?;
    let clearance = match clearance {
        Some(clearance) => {
            let used = Use { after: Some(since), line: &state.plan.line, order: &stream, when: ClearanceWhen::Again };
            Some(must_count(world, context, clearance, &used)?)
        }
        None => {
            must_not_need_clearing(world, context, order, state, since)?;
            None
        }
    };
    Ok(vec![Draft::entry(&stream, OrderResumed { clearance })])
}

/// Refuses where the line stood so long that it was left, or labels were found that do not belong there.
fn must_not_need_clearing(
    world: &World,
    context: &Context,
    order: &Id,
    state: &OrderState,
    since: Time,
) -> Result<(), Stop> {
    let left = context.at > since.plus_micros(CLEARANCE_MINUTES * 60 * 1_000_000);
    // Taking a roll off while it stands is no clearing: what was found at the interruption counts in any case.
    let from = state.handled_at.map_or(since, |handled| handled.min(since));
    let foreign = crate::line::foreign_since(world, &state.plan.line, from)?;
    if !left && !foreign {
        return Ok(());
    }
    let because = if foreign {
        "foreign labels or product were found on its line".to_owned()
    } else {
        format!("its line has stood for more than {CLEARANCE_MINUTES} minutes")
    };
    Err(Refusal::conflict(
        "clearance-needed",
        format!("The order {order} does not run on as it is: {because}."),
        "Clear the line again, let a second person check it, and resume with that clearance.",
    )
    .into())
}

pub(crate) fn finish(world: &World, context: &Context, order: &Id, clearance: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    if !state.on_the_line() {
        return Err(state.status.refusal(order, "Only an order that the line runs is finished."));
    }
    state.must_have_no_roll_mounted()?;
    let used = Use { after: state.handled_at, line: &state.plan.line, order: &stream, when: ClearanceWhen::After };
    let clearance = must_count(world, context, clearance, &used)?;
    let closed = LineOrderClosed { order: stream.clone() };
    Ok(vec![Draft::entry(&stream, OrderFinished { clearance }), Draft::entry(&state.plan.line, closed)])
}
