//! The account of one material line: the arithmetic, and the act that records it.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use tallyseal_schema::ids::{Id, Stream, Thing};
use tallyseal_schema::kinds::{
    Coding, DeviationRule, HandCounted, Limit, Limits, OrderReconciled, ReconciliationComputed, RollRan, Severity,
    Source, Term, Terms, Verdict,
};
use tallyseal_schema::{Body, Entry, Labels, Ratio};

use crate::facts::signature;
use crate::issue::order_in;
use crate::refusal::Refusal;
use crate::state::Key;
use crate::world::{Stop, World, of};
use crate::{Context, Draft, IssueStatus, OrderRoll, OrderState, OrderStatus, deviation};

/// Version of the formulas below, kept in every account. Change a formula and this changes with it.
const FORMULA: &str = "balance-1";

/// Decimals of a percentage as it is shown, before zeros at its end are left away.
const DECIMALS: u32 = 4;

/// Decimals that a percentage keeps, zeros too.
const DECIMALS_MIN: usize = 2;

/// What is remembered of an account.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReconciliationState {
    /// A second person has checked it.
    pub checked: bool,
    /// As it was computed.
    pub computed: ReconciliationComputed,
}

impl ReconciliationState {
    pub(crate) fn start(body: &Body) -> Option<Self> {
        let Body::ReconciliationComputed(computed) = body else { return None };
        Some(Self { checked: false, computed: computed.clone() })
    }

    pub(crate) fn evolve(&mut self, entry: &Entry) {
        if let Body::SignatureApplied(body) = &entry.body
            && body.meaning == "reconciliation checked"
        {
            self.checked = true;
        }
    }

    pub(crate) fn keys(&self, keys: &mut Vec<Key>) {
        keys.push(Key::new("reconciliation.order", &self.computed.order));
    }
}

/// What the arithmetic needs. Every number in it is a count of its own.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Given<'a> {
    /// Lot, expiry or serial is printed on the labels: one too many is no matter of counting.
    pub coded: bool,
    pub labels_per_unit: Ratio,
    pub limits: &'a Limits,
    pub terms: &'a Terms,
    /// How far the counts of all its rolls may be off together.
    pub uncertainty: Labels,
    pub units: u64,
}

/// What it gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Account {
    pub against_product: Verdict,
    pub balance: Verdict,
    /// More labels were used than issued, by one of the two tests, and it is outside.
    pub outside_over: bool,
    pub product: i64,
    pub unaccounted: i64,
}

impl Account {
    pub(crate) fn outside(&self) -> bool {
        self.against_product == Verdict::Outside || self.balance == Verdict::Outside
    }
}

/// Balance and product test of one material line. `None`: a number is beyond what an entry can carry.
///
/// Unit of `unaccounted`: labels; positive is short, negative is over. Unit of `product`: `1/den` of a label; negative is
/// fewer labels than the finished units need, which is the same side as over: labels came from somewhere.
/// Rule: 21 CFR 211.125(c); EU GMP Part I 4.21(h).
pub(crate) fn account(given: &Given<'_>) -> Option<Account> {
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = *given.terms;
    let left_for_good = [coded, returned, samples, spoiled, rejected]
        .into_iter()
        .try_fold(i128::from(issued), |left, term| left.checked_sub(i128::from(term)))?;
    let unaccounted = i64::try_from(left_for_good.checked_sub(i128::from(good))?).ok()?;
    let (den, num) = (i128::from(given.labels_per_unit.den()), i128::from(given.labels_per_unit.num()));
    let product = left_for_good.checked_mul(den)?.checked_sub(num.checked_mul(i128::from(given.units))?)?;
    let product = i64::try_from(product).ok()?;
    let judged = |short: &Limit, over: &Limit, size: i64, is_over: bool, den: u32| {
        let parts = Parts { den, size: size.unsigned_abs() };
        match size {
            0 => Verdict::Within,
            // A part of a label is no label: with one shipper label for 24 units the last case is seldom full.
            _ if is_over && given.coded && parts.whole() > 0 => Verdict::Outside,
            _ if parts.inside(if is_over { over } else { short }, issued) => Verdict::Within,
            _ if is_over && !given.coded && parts.at_most(given.uncertainty) => Verdict::WithinUncertainty,
            _ => Verdict::Outside,
        }
    };
    let limits = given.limits;
    let balance = judged(&limits.short, &limits.over, unaccounted, unaccounted < 0, 1);
    // The names of the product's limits are those of the labels on good units: fewer than needed is short.
    let against_product =
        judged(&limits.product_over, &limits.product_short, product, product < 0, given.labels_per_unit.den());
    let outside_over =
        (balance == Verdict::Outside && unaccounted < 0) || (against_product == Verdict::Outside && product < 0);
    Some(Account { against_product, balance, outside_over, product, unaccounted })
}

/// A difference in parts of `1/den` of a label.
struct Parts {
    den: u32,
    size: u64,
}

impl Parts {
    fn whole(&self) -> u64 {
        self.size.checked_div(u64::from(self.den)).unwrap_or(self.size)
    }

    fn at_most(&self, labels: Labels) -> bool {
        u128::from(self.size) <= u128::from(labels.get()) * u128::from(self.den)
    }

    /// Both hold: the number of labels, and the ratio of what was issued. Exact, by cross-multiplication.
    fn inside(&self, limit: &Limit, issued: u64) -> bool {
        let part = u128::from(self.size).checked_mul(u128::from(limit.ratio.den()));
        let whole = u128::from(issued)
            .checked_mul(u128::from(limit.ratio.num()))
            .and_then(|whole| whole.checked_mul(u128::from(self.den)));
        self.at_most(limit.labels) && part.zip(whole).is_some_and(|(part, whole)| part <= whole)
    }
}

/// `part` of `whole` with so many decimals, exactly rounded, half up. `None` where `whole` is 0 or the numbers are too
/// large.
///
/// Rule: USP General Notices 7.20 and Ph. Eur. General Notices 1.4 round half up, once, from the exact value.
pub(crate) fn rounded(part: u128, whole: u128, decimals: u32) -> Option<String> {
    let scale = 10_u128.checked_pow(decimals)?;
    let doubled = part.checked_mul(scale)?.checked_mul(2)?.checked_add(whole)?;
    let quotient = doubled.checked_div(whole.checked_mul(2)?)?;
    let (before, after) = (quotient.checked_div(scale)?, quotient.checked_rem(scale)?);
    let width = usize::try_from(decimals).ok()?;
    Some(if width == 0 { before.to_string() } else { format!("{before}.{after:0width$}") })
}

/// With zeros at the end left away, but for the first decimals.
fn trimmed(mut text: String) -> String {
    let point = text.find('.').unwrap_or(text.len());
    while text.len() > point.saturating_add(DECIMALS_MIN).saturating_add(1) && text.ends_with('0') {
        text.pop();
    }
    text
}

/// How much of what was issued is accounted for, in percent, as it is shown: two to four decimals, half up; `-` where
/// nothing was issued. Never 100 while a label is unaccounted for; the whole number of labels stands beside it.
///
/// `unaccounted`: labels, negative where more was found than issued.
pub fn accounted_percent(issued: u64, unaccounted: i64) -> String {
    let accounted = i128::from(issued).saturating_sub(i128::from(unaccounted));
    let text = u128::try_from(accounted).ok().and_then(|part| percent(part, issued));
    match text {
        Some(text) if unaccounted > 0 && text == "100.00" => "more than 99.9999".to_owned(),
        Some(text) if unaccounted < 0 && text == "100.00" => "more than 100".to_owned(),
        Some(text) => text,
        None => "-".to_owned(),
    }
}

/// How much of what was issued is unaccounted for, in percent, without its sign: short and over are said in words. As
/// [`accounted_percent`]; never 0 while it is not 0.
pub fn unaccounted_percent(issued: u64, unaccounted: i64) -> String {
    match percent(u128::from(unaccounted.unsigned_abs()), issued) {
        Some(text) if unaccounted != 0 && text == "0.00" => "less than 0.0001".to_owned(),
        Some(text) => text,
        None => "-".to_owned(),
    }
}

fn percent(part: u128, whole: u64) -> Option<String> {
    rounded(part.checked_mul(100)?, u128::from(whole), DECIMALS).map(trimmed)
}

/// The rolls that the line took over for a material line: what was issued.
pub(crate) struct Taken {
    pub labels: u64,
    pub rolls: Vec<Stream>,
}

/// Every issue of an order that the line took over, or only those of one material line.
///
/// Errors: an issue still waits for the line.
pub(crate) fn taken(world: &World, order: &Stream, material: Option<u16>) -> Result<Taken, Stop> {
    let mut taken = Taken { labels: 0, rolls: Vec::new() };
    for stream in world.set(&Key::new("issue.order", order))? {
        let issue = world.issue(stream)?;
        if material.is_some_and(|material| issue.material != material) {
            continue;
        }
        match issue.status {
            IssueStatus::Given => {
                return Err(Refusal::conflict(
                    "issue-open",
                    format!("The issue {} was given and not taken over yet.", stream.id()),
                    "Let the line sign for it, or withdraw it.",
                )
                .into());
            }
            IssueStatus::Withdrawn => {}
            IssueStatus::Taken => {
                taken.labels = taken.labels.saturating_add(u64::from(issue.labels.get()));
                taken.rolls.extend(issue.rolls.iter().map(|issued| issued.roll.clone()));
            }
        }
    }
    Ok(taken)
}

/// What an account stands on, gathered from the records.
struct Basis {
    coded: bool,
    independent: bool,
    labels_per_unit: Ratio,
    limits: Limits,
    terms: Terms,
    uncertainty: Labels,
    units: u64,
}

impl Basis {
    fn account(&self) -> Result<Account, Stop> {
        let given = Given {
            coded: self.coded,
            labels_per_unit: self.labels_per_unit,
            limits: &self.limits,
            terms: &self.terms,
            uncertainty: self.uncertainty,
            units: self.units,
        };
        let account = account(&given);
        account.ok_or_else(|| Refusal::internal("the quantities are larger than any order can have").into())
    }

    /// The account as it is recorded.
    fn computed(
        self,
        account: &Account,
        order: &Stream,
        material: u16,
        deviation: Option<Stream>,
    ) -> ReconciliationComputed {
        ReconciliationComputed {
            against_product: account.against_product,
            balance: account.balance,
            deviation,
            formula: FORMULA.to_owned(),
            independent: self.independent,
            labels_per_unit: self.labels_per_unit,
            limits: self.limits,
            material,
            order: order.clone(),
            product: account.product,
            terms: self.terms,
            unaccounted: account.unaccounted,
            uncertainty: self.uncertainty,
            units: self.units,
        }
    }

    /// The same numbers as those of an account that was made.
    fn is_that_of(&self, made: &ReconciliationComputed) -> bool {
        self.terms == made.terms && self.units == made.units && self.uncertainty == made.uncertainty
    }
}

/// What a roll that the line gave back left, in labels.
fn rest_of(world: &World, order: &Stream, id: &Id, roll: &OrderRoll) -> Result<u64, Stop> {
    let Some(rest) = &roll.rest else { return Ok(0) };
    let Some(came_back) = world.roll(rest)?.came_back() else {
        // Lost before it was counted, or nothing was on it, which no table counts.
        if is_given_up(world, rest, order)? {
            return Ok(0);
        }
        return Err(Refusal::conflict(
            "rest-not-counted",
            format!("What is left of the roll {id}, now {}, has no count that stands.", rest.id()),
            "Count it at a station first; the label room's own count is what goes back.",
        )
        .into());
    };
    Ok(came_back)
}

/// The refusal that a roll gives which the line still has.
pub(crate) fn still_out(roll: &Id) -> Stop {
    Refusal::conflict(
        "roll-not-accounted",
        format!("The roll {roll} is still out: it was neither used up nor taken back."),
        "Let the line give it back and the label room take it, or record that it ran to its end; where nobody finds \
         it, open a deviation about the roll and the order.",
    )
    .into()
}

/// True where a person opened a deviation about the roll and its order, and quality has accepted and closed it: a roll
/// that nobody finds keeps neither its line nor its order for ever. Its labels stay unaccounted for.
///
/// Rule: label-control practice, a roll that is missing is a deviation.
pub(crate) fn is_given_up(world: &World, roll: &Stream, order: &Stream) -> Result<bool, Stop> {
    for stream in world.set(&Key::new("deviation.about", roll))? {
        let deviation = world.deviation(stream)?;
        // One about the roll alone may be older than the order, and about something else.
        let names_both = deviation.about.contains(order);
        if names_both && deviation.rule == DeviationRule::Person && deviation.accepted() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Every quantity of a material line, or the sentence that says what is missing.
fn basis(world: &World, order: &Stream, state: &OrderState, material: u16) -> Result<Basis, Stop> {
    let planned = state.material(&order.id(), material)?;
    let issued = taken(world, order, Some(material))?;
    let mut tails = BTreeSet::new();
    let mut returned = 0_u64;
    for stream in &issued.rolls {
        let id = stream.id();
        let roll = state.rolls.get(stream);
        match roll {
            Some(roll) if roll.taken_back => {
                let was_mounted = roll.ran.is_some();
                if planned.coding == Coding::Line && was_mounted && roll.tail.is_none() {
                    return Err(Refusal::conflict(
                        "tail-not-counted",
                        format!("The coded tail of the roll {id} was not counted."),
                        "Count it by hand, two people, and put it into a container.",
                    )
                    .into());
                }
                returned = returned.saturating_add(rest_of(world, order, &id, roll)?);
                tails.extend(roll.tail.clone());
            }
            Some(roll) if roll.mounted.is_none() && roll.ran == Some(RollRan::UsedUp) => {}
            // Its labels are missing, and the balance shows them as short.
            _ if is_given_up(world, stream, order)? => {}
            _ => return Err(still_out(&id)),
        }
    }
    // A coded end that was cut off the machine after its roll had run out lies in a container without a roll's name.
    for container in world.set(&Key::new("container.order", order))? {
        let container = world.container(container)?;
        for count in container.counts.iter().filter(|_| container.material == material) {
            if world.hand_count(count)?.what == HandCounted::CodedTail {
                tails.insert(count.clone());
            }
        }
    }
    let mut coded = 0_u64;
    for tail in &tails {
        let Some(labels) = world.hand_count(tail)?.agreed() else {
            return Err(Refusal::conflict(
                "hand-count-open",
                format!("The hand count {} of a coded tail has no number that both people agree on.", tail.id()),
                "Finish it, or count anew.",
            )
            .into());
        };
        coded = coded.saturating_add(u64::from(labels.get()));
    }
    let Some(frozen) = state.frozen.get(&material) else {
        return Err(Refusal::conflict(
            "limits-not-frozen",
            format!("No limits are in force for the material line {material}: nothing was issued for it."),
            "Void the order, or issue what it needs.",
        )
        .into());
    };
    let quantities = || state.quantities.values().filter(|quantity| !quantity.withdrawn);
    let of_material = || quantities().filter(|quantity| quantity.material == Some(material));
    let sum = |term: Term| state.recorded(material, term);
    if !of_material().any(|quantity| quantity.term == Some(Term::Good)) {
        return Err(missing(&format!("labels on good units of the material line {material}")));
    }
    let unit_counts = || quantities().filter(|quantity| quantity.term.is_none());
    if unit_counts().next().is_none() {
        return Err(missing("finished units"));
    }
    let device = |source: &Source| match source {
        Source::Device { device, .. } => Some(device.clone()),
        Source::HandCount { .. } => None,
    };
    let good_devices: BTreeSet<Id> = of_material()
        .filter(|quantity| quantity.term == Some(Term::Good))
        .filter_map(|quantity| device(&quantity.source))
        .collect();
    let shares = |source: &Source| device(source).is_some_and(|device| good_devices.contains(&device));
    let rolls = u32::try_from(issued.rolls.len()).unwrap_or(u32::MAX);
    let uncertainty = frozen.uncertainty.get().saturating_mul(rolls).min(Labels::MAX);
    Ok(Basis {
        coded: planned.coding == Coding::Line,
        independent: !unit_counts().any(|quantity| shares(&quantity.source)),
        labels_per_unit: planned.labels_per_unit,
        limits: frozen.limits.clone(),
        terms: Terms {
            coded,
            good: sum(Term::Good),
            issued: issued.labels,
            rejected: sum(Term::Rejected),
            returned,
            samples: sum(Term::Samples),
            spoiled: sum(Term::Spoiled),
        },
        uncertainty: Labels::new(uncertainty).unwrap_or(Labels::ZERO),
        units: unit_counts().fold(0_u64, |sum, quantity| sum.saturating_add(u64::from(quantity.count))),
    })
}

/// The product test of an account, line by line: what its `product` is the difference of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ProductTest {
    /// Labels that the balance leaves for good units: issued less everything else. Negative: more was found than issued.
    pub left: i64,
    /// Labels that the finished units need, in parts of `1/den` of a label.
    pub needed: u64,
    /// The denominator of the labels on each unit.
    pub den: u32,
}

/// See [`ProductTest`]; by the same numbers as the account.
pub fn product_test(made: &ReconciliationComputed) -> ProductTest {
    let good = i128::from(made.terms.good).saturating_add(i128::from(made.unaccounted));
    let ratio = made.labels_per_unit;
    let needed = u128::from(made.units).saturating_mul(u128::from(ratio.num()));
    ProductTest {
        left: i64::try_from(good).unwrap_or(i64::MAX),
        needed: u64::try_from(needed).unwrap_or(u64::MAX),
        den: ratio.den(),
    }
}

/// What is known of a material line before its account is made, and the account as it would be made now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reckoning {
    /// The account, where nothing is missing for it.
    pub account: Option<ReconciliationComputed>,
    /// What is missing for it.
    pub missing: Option<Box<Refusal>>,
    /// The quantities that are known so far.
    pub terms: Terms,
    /// Issued less all of them: only an account tells whether it is short or over.
    pub unaccounted: i64,
}

/// What is known so far of a material line. It records nothing and judges nothing that is not complete.
///
/// Errors: no such order or material line; [`Stop::Need`], as in a decision.
pub fn reckoned(world: &World, order: &Id, material: u16) -> Result<Reckoning, Stop> {
    let stream = of(Thing::Order, order);
    let state = world.order(&stream)?;
    state.material(order, material)?;
    let refused = match basis(world, &stream, state, material).and_then(|basis| {
        let account = basis.account()?;
        Ok(basis.computed(&account, &stream, material, None))
    }) {
        Ok(account) => {
            let (terms, unaccounted) = (account.terms.clone(), account.unaccounted);
            return Ok(Reckoning { account: Some(account), missing: None, terms, unaccounted });
        }
        Err(Stop::Refused(refusal)) => refusal,
        Err(need) => return Err(need),
    };
    let terms = known(world, &stream, state, material)?;
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = terms;
    let found = [coded, good, rejected, returned, samples, spoiled].into_iter().map(i128::from).sum::<i128>();
    let unaccounted = i64::try_from(i128::from(issued).saturating_sub(found)).unwrap_or(i64::MIN);
    Ok(Reckoning { account: None, missing: Some(refused), terms, unaccounted })
}

/// The quantities of a material line that have a number now; what has none counts as 0.
fn known(world: &World, order: &Stream, state: &OrderState, material: u16) -> Result<Terms, Stop> {
    let (mut issued, mut returned, mut coded) = (0_u64, 0_u64, 0_u64);
    let mut tails = BTreeSet::new();
    for stream in world.set(&Key::new("issue.order", order))? {
        let issue = world.issue(stream)?;
        if issue.material == material && issue.status == IssueStatus::Taken {
            issued = issued.saturating_add(u64::from(issue.labels.get()));
        }
    }
    for roll in state.rolls.values().filter(|roll| roll.material == material) {
        tails.extend(roll.tail.clone());
        if let Some(rest) = &roll.rest {
            returned = returned.saturating_add(world.roll(rest)?.came_back().unwrap_or(0));
        }
    }
    for container in world.set(&Key::new("container.order", order))? {
        let container = world.container(container)?;
        for count in container.counts.iter().filter(|_| container.material == material) {
            if world.hand_count(count)?.what == HandCounted::CodedTail {
                tails.insert(count.clone());
            }
        }
    }
    for tail in &tails {
        coded = coded.saturating_add(world.hand_count(tail)?.agreed().map_or(0, |labels| u64::from(labels.get())));
    }
    let sum = |term: Term| state.recorded(material, term);
    Ok(Terms {
        coded,
        good: sum(Term::Good),
        issued,
        rejected: sum(Term::Rejected),
        returned,
        samples: sum(Term::Samples),
        spoiled: sum(Term::Spoiled),
    })
}

fn missing(what: &str) -> Stop {
    Refusal::conflict(
        "quantity-missing",
        format!("No quantity of {what} was recorded."),
        "Read it from its device, or count it by hand; it is never worked out from the others.",
    )
    .into()
}

/// Refuses where the account of a material line is missing, not checked, or its numbers are no longer those of the
/// records. Gives the account's stream.
pub(crate) fn must_stand(world: &World, order: &Stream, state: &OrderState, material: u16) -> Result<Stream, Stop> {
    let Some(stream) = state.reconciled.get(&material) else {
        return Err(Refusal::conflict(
            "not-reconciled",
            format!("The material line {material} of the order {} is not reconciled.", order.id()),
            "Reconcile it first.",
        )
        .into());
    };
    let made = world.reconciliation(stream)?;
    if !basis(world, order, state, material)?.is_that_of(&made.computed) {
        return Err(Refusal::conflict(
            "account-out-of-date",
            format!("A number has changed since the account {} was made.", stream.id()),
            "Reconcile the material line anew; the old account stays in the record.",
        )
        .into());
    }
    if !made.checked {
        return Err(Refusal::conflict(
            "account-not-checked",
            format!("Nobody has checked the account {} yet.", stream.id()),
            "Let a second person check and sign it.",
        )
        .into());
    }
    Ok(stream.clone())
}

pub(crate) fn compute(world: &World, context: &Context, order: &Id, material: u16) -> Result<Vec<Draft>, Stop> {
    let wanted = [OrderStatus::Finished, OrderStatus::Reconciled];
    let remedy = "A material line is reconciled when the line has finished the order, and before it is signed.";
    let (order_stream, state) = order_in(world, order, &wanted, remedy)?;
    let basis = basis(world, &order_stream, state, material)?;
    if let Some(made) = state.reconciled.get(&material)
        && basis.is_that_of(&world.reconciliation(made)?.computed)
    {
        return Err(Refusal::conflict(
            "already-reconciled",
            format!("The account {} has these very numbers.", made.id()),
            "Let a second person check it; a number that is wrong is withdrawn and recorded anew first.",
        )
        .into());
    }
    let reckoned = basis.account()?;
    let stream = world.next(Thing::Reconciliation, "RC", 0)?;
    let mut opened = None;
    if reckoned.outside() {
        let severity = if basis.coded || reckoned.outside_over { Severity::Critical } else { Severity::Major };
        let about = vec![order_stream.clone(), stream.clone()];
        let text = outside(order, material, &basis, &reckoned);
        opened = Some(deviation::by_rule(world, 0, DeviationRule::ReconciliationOutside, severity, about, text)?);
    }
    let deviation = opened.as_ref().map(|(deviation, _)| deviation.clone());
    let body = basis.computed(&reckoned, &order_stream, material, deviation);
    let signed = signature(world, context, &stream, std::slice::from_ref(&order_stream), "reconciled")?;
    let mut drafts = vec![
        Draft::entry(&stream, body),
        Draft::entry(&order_stream, OrderReconciled { material, reconciliation: stream.clone() }),
    ];
    if let Some((deviation, draft)) = opened {
        drafts.push(draft);
        drafts.push(deviation::questioned(&order_stream, &deviation));
    }
    drafts.push(signed);
    Ok(drafts)
}

/// What is outside, in a sentence each.
fn outside(order: &Id, material: u16, basis: &Basis, account: &Account) -> String {
    let mut text = format!("The account of the material line {material} of the order {order} is outside its limits.");
    let issued = basis.terms.issued;
    if account.balance == Verdict::Outside {
        let size = account.unaccounted.unsigned_abs();
        let side = if account.unaccounted < 0 { "over" } else { "short" };
        let percent = unaccounted_percent(issued, account.unaccounted);
        text.push_str(&format!(" By the balance {size} of {issued} labels are {side} ({percent} %)."));
    }
    if account.against_product == Verdict::Outside {
        let den = basis.labels_per_unit.den();
        let size = account.product.unsigned_abs();
        let parts = if den == 1 { size.to_string() } else { format!("{size}/{den}") };
        let side = if account.product < 0 { "fewer" } else { "more" };
        let units = basis.units;
        text.push_str(&format!(" For {units} finished units the balance leaves {parts} labels {side} than they need."));
    }
    text
}

pub(crate) fn check(world: &World, context: &Context, reconciliation: &Id) -> Result<Vec<Draft>, Stop> {
    let stream = of(Thing::Reconciliation, reconciliation);
    let made = world.reconciliation(&stream)?;
    if made.checked {
        return Err(Refusal::conflict(
            "already-checked",
            format!("The account {reconciliation} is checked already."),
            "Nothing is left to do.",
        )
        .into());
    }
    let order = &made.computed.order;
    let state = world.order(order)?;
    if state.reconciled.get(&made.computed.material) != Some(&stream) {
        return Err(Refusal::conflict(
            "account-superseded",
            format!("The account {reconciliation} no longer stands: a number was changed, or a later one was made."),
            "Check the one that stands.",
        )
        .into());
    }
    if !basis(world, order, state, made.computed.material)?.is_that_of(&made.computed) {
        return Err(Refusal::conflict(
            "account-out-of-date",
            format!("A number has changed since the account {reconciliation} was made."),
            "Reconcile the material line anew; the old account stays in the record.",
        )
        .into());
    }
    Ok(vec![signature(world, context, &stream, std::slice::from_ref(order), "reconciliation checked")?])
}
