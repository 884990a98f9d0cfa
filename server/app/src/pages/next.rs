//! What wants the hand next in an order, as far as its state says. The rules decide when it is done; here nothing is
//! decided, only proposed.

use tallyseal_control::{
    AUTHORITY, Candidate, ContainerStatus, Custody, HandCountStatus, IssueStatus, OrderState, OrderStatus,
    OverrideStatus, lapsed,
};
use tallyseal_schema::Time;
use tallyseal_schema::ids::{AccountId, Stream};
use tallyseal_schema::kinds::{ClearanceWhen, Coding, Role, RollRan, Term};

use super::whole::{Part, Whole, titles};
use super::{href, words};
use crate::desk::Seat;

/// So long a clearance may be started with; the rules hold it, this only proposes. Unit: minutes.
const CLEARANCE_MINUTES: i64 = 60;

/// One act that the order waits for.
pub(super) struct Due {
    pub(super) href: String,
    pub(super) label: String,
    /// Who does it.
    pub(super) roles: &'static [Role],
    /// What it is about, and who must not do it.
    pub(super) text: String,
    /// Who has done the first half of it: somebody else must come.
    pub(super) not: Option<AccountId>,
}

impl Due {
    /// True where that person may do it, as far as roles and the other half say.
    pub(super) fn is_for(&self, seat: &Seat) -> bool {
        self.not.as_ref() != Some(&seat.account) && seat.roles.iter().any(|role| self.roles.contains(role))
    }

    /// Who does it, in words.
    pub(super) fn who(&self) -> String {
        titles(self.roles)
    }
}

/// A link to the form of an act, with what is known filled in.
pub(super) fn act_href(command: &str, fields: &[(&str, &str)], shown: &[(&Stream, u64)], back: &str) -> String {
    let revs: Vec<(String, String)> =
        shown.iter().map(|(stream, rev)| (format!("rev.{stream}"), rev.to_string())).collect();
    let mut query: Vec<(&str, &str)> = fields.to_vec();
    query.extend(revs.iter().map(|(name, rev)| (name.as_str(), rev.as_str())));
    query.push(("back", back));
    format!("/acts/{command}?{}", serde_urlencoded::to_string(query).unwrap_or_default())
}

/// The roles that may give a command.
pub(super) fn roles(command: &str) -> &'static [Role] {
    AUTHORITY.iter().find(|row| row.command == command).map_or(&[], |row| row.roles)
}

/// Rolls that are proposed for a material line, and what it has and needs.
pub(super) struct Proposal {
    pub(super) candidates: Vec<Candidate>,
    pub(super) has: u64,
    pub(super) material: u16,
    pub(super) needs: u64,
}

impl Proposal {
    /// Labels on the proposed rolls.
    pub(super) fn labels(&self) -> u64 {
        self.candidates.iter().map(|one| one.labels).fold(0, u64::saturating_add)
    }

    /// True where the material line has not yet what it needs.
    pub(super) fn is_wanted(&self) -> bool {
        self.has < self.needs
    }
}

/// True where the roll was found the same for this material line, the right way round, and not wound over since.
pub(super) fn is_examined(whole: &Whole, material: u16, roll: &Stream, attempts: Option<u32>) -> bool {
    let unwind = whole.order.plan.materials.iter().find(|line| line.material == material);
    let unwind = unwind.and_then(|line| whole.items.get(&line.item)).map(|item| item.draft.unwind);
    whole.order.rolls.get(roll).is_some_and(|one| {
        one.material == material
            && one.verdict == Some(tallyseal_schema::kinds::ExaminationVerdict::Same)
            && Some(one.runs) == attempts
            && one.unwind == unwind
    })
}

struct List<'a> {
    back: &'a str,
    due: Vec<Due>,
    whole: &'a Whole,
}

impl List<'_> {
    fn push(&mut self, command: &str, fields: &[(&str, &str)], label: impl Into<String>, text: impl Into<String>) {
        self.other(command, fields, &[], label, text, None);
    }

    /// The second half of what needs two people.
    fn second<S>(
        &mut self,
        command: &str,
        field: &str,
        part: &Part<S>,
        (first, did): (Option<AccountId>, &str),
        label: &str,
    ) {
        let id = part.stream.id().to_string();
        let name = part.facts.signatures.iter().find(|one| Some(&one.account) == first.as_ref());
        let who = match (&first, name) {
            (_, Some(one)) => format!("{} ({})", one.name, one.account),
            (Some(account), None) => account.to_string(),
            (None, None) => "somebody".to_owned(),
        };
        let text = format!("{id} was {did} by {who}. Another person must do this: {}.", titles(roles(command)));
        self.other(command, &[(field, id.as_str())], &[(&part.stream, part.rev)], format!("{label} {id}"), text, first);
    }

    /// What takes the place of the second signature where that came too late.
    fn lapsed<S>(&mut self, command: &str, field: &str, part: &Part<S>, label: &str, text: &str) {
        let id = part.stream.id().to_string();
        let shown = [(&part.stream, part.rev)];
        self.other(command, &[(field, id.as_str())], &shown, format!("{label} {id}"), format!("{id} {text}"), None);
    }

    fn other(
        &mut self,
        command: &str,
        fields: &[(&str, &str)],
        shown: &[(&Stream, u64)],
        label: impl Into<String>,
        text: impl Into<String>,
        not: Option<AccountId>,
    ) {
        let whole = self.whole;
        let mut all = Vec::new();
        let order = whole.id.to_string();
        let mut revs = shown.to_vec();
        // What names another record is about that one; whoever works on the order meanwhile does not make it stale.
        if shown.is_empty() {
            all.push(("order", order.as_str()));
            revs.push((&whole.stream, whole.rev));
        }
        all.extend(fields);
        self.due.push(Due {
            href: act_href(command, &all, &revs, self.back),
            label: label.into(),
            roles: roles(command),
            text: text.into(),
            not,
        });
    }

    /// What is not an act here but has a page of its own.
    fn elsewhere(&mut self, href: String, roles: &'static [Role], label: String, text: &str) {
        self.due.push(Due { href, label, roles, text: text.to_owned(), not: None });
    }
}

/// Everything that the order waits for, what comes first at the front.
pub(super) fn due(whole: &Whole, proposals: &[Proposal], now: Time, back: &str) -> Vec<Due> {
    let mut list = List { back, due: Vec::new(), whole };
    for cause in &whole.order.holds {
        list.elsewhere(
            href(cause),
            &[Role::Supervisor, Role::Reviewer],
            format!("Look at the deviation {}", cause.id()),
            "It holds the order: nothing more is issued, started or signed until quality lifts the hold.",
        );
    }
    for over in whole.overrides.iter().filter(|one| one.state.status == OverrideStatus::Requested) {
        let first = over.state.requested_by.clone();
        list.second("grant_override", "over", over, (first, "asked for"), "Grant the override");
    }
    match whole.order.status {
        OrderStatus::Planned | OrderStatus::Staged => {
            clearances(&mut list, now, ClearanceWhen::Before);
            issuing(&mut list, proposals, now);
            starting(&mut list, now);
        }
        OrderStatus::InProgress => {
            running(&mut list, now);
            issuing(&mut list, proposals, now);
        }
        OrderStatus::Interrupted => {
            standing(&mut list, now);
            issuing(&mut list, proposals, now);
        }
        OrderStatus::Finished => finished(&mut list),
        OrderStatus::Reconciled => reconciled(&mut list, now),
        OrderStatus::InReview => {
            containers(&mut list, now);
            match whole.signed("label record reviewed") {
                None => list.push(
                    "review_order",
                    &[],
                    words::act("review_order"),
                    "The record, its exceptions and its trail, by a reviewer who had no part in it.",
                ),
                Some(_) => list.push(
                    "approve_order",
                    &[],
                    words::act("approve_order"),
                    "Approving the label record releases no batch.",
                ),
            }
        }
        OrderStatus::Approved | OrderStatus::Rejected | OrderStatus::Voided => {}
    }
    list.due
}

/// The second half of hand counts that were begun.
fn hand_counts(list: &mut List) {
    let whole = list.whole;
    for count in whole.hand_counts.iter().filter(|one| one.state.status == HandCountStatus::Open) {
        let what = words::word(&word_of(&count.state.what));
        match count.state.entered.as_slice() {
            [] => list.other(
                "enter_hand_count",
                &[("hand_count", count.stream.id().as_str())],
                &[(&count.stream, count.rev)],
                format!("Count by hand: {what} ({})", count.stream.id()),
                "Two people count one after the other; neither sees the other's number.",
                None,
            ),
            [(first, _), ..] => list.second(
                "enter_hand_count",
                "hand_count",
                count,
                (Some(first.clone()), "counted once"),
                "Count a second time, without the first number:",
            ),
        }
    }
}

/// A word of the record, as it is recorded.
pub(super) fn word_of(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// Clearances that wait for their second person.
fn clearances(list: &mut List, now: Time, when: ClearanceWhen) {
    let whole = list.whole;
    let waiting = |one: &&Part<tallyseal_control::ClearanceState>| {
        one.state.checked_at.is_none() && one.state.when == when && is_fresh(&one.state, now) && !one.state.foreign()
    };
    if let Some(last) = whole.clearances.iter().rev().find(waiting) {
        let first = last.state.performed_by.clone();
        list.second("check_clearance", "clearance", last, (first, "performed"), "Check the clearance");
    }
}

fn is_fresh(clearance: &tallyseal_control::ClearanceState, now: Time) -> bool {
    now <= clearance.performed_at.plus_micros(CLEARANCE_MINUTES * 60 * 1_000_000)
}

/// The last clearance that may be used.
fn usable(whole: &Whole, now: Time, when: ClearanceWhen) -> Option<&Part<tallyseal_control::ClearanceState>> {
    let since = match when {
        ClearanceWhen::Before => whole.line.as_ref().and_then(|line| line.used_at),
        ClearanceWhen::After => whole.order.handled_at,
        ClearanceWhen::Again => whole.order.interrupted_at,
    };
    whole.clearances.iter().rev().find(|one| {
        let state = &one.state;
        state.when == when
            && state.checked_at.is_some()
            && is_fresh(state, now)
            && !state.foreign()
            && since.is_none_or(|since| state.performed_at >= since)
    })
}

fn perform(list: &mut List, when: ClearanceWhen, text: &str) {
    let line = list.whole.order.plan.line.id();
    let when_word = word_of(&when);
    let label = match when {
        ClearanceWhen::Before => "Clear the line before the order",
        ClearanceWhen::After => "Clear the line after the order",
        ClearanceWhen::Again => "Clear the line again",
    };
    let mut fields = vec![("line", line.as_str()), ("when", when_word.as_str())];
    // The places that were looked at last time are offered again; what is found there is said anew.
    let places: Vec<(String, String)> = list.whole.clearances.last().map_or_else(Vec::new, |last| {
        let places = last.state.places.iter().enumerate();
        places.map(|(index, place)| (format!("places.{index}.place"), place.place.clone())).collect()
    });
    fields.extend(places.iter().map(|(name, place)| (name.as_str(), place.as_str())));
    list.push("perform_clearance", &fields, label, text);
}

/// What waits to be given, taken over and received. The roll that is received or mounted is not filled in: it is scanned,
/// because the scan stands in place of a second person.
fn issuing(list: &mut List, proposals: &[Proposal], now: Time) {
    let whole = list.whole;
    for issue in whole.issues.iter().filter(|one| one.state.status == IssueStatus::Given) {
        if lapsed(issue.state.given_at, now) {
            list.lapsed(
                "withdraw_issue",
                "issue",
                issue,
                "Withdraw the issue",
                "was given more than half an hour ago, and nobody takes it over any more. Withdraw it, and give the rolls \
                 anew when somebody of the line is there.",
            );
            continue;
        }
        let first = issue.state.given_by.clone();
        list.second("take_issue", "issue", issue, (first, "given"), "Take over the issue");
    }
    for (roll, one) in &whole.order.rolls {
        if matches!(whole.rolls.get(roll).map(|state| &state.custody), Some(Custody::Taken { .. })) {
            let material = one.material.to_string();
            list.push(
                "receive_at_line",
                &[("material", &material)],
                format!("Receive {} at the line", roll.id()),
                "Scan the roll itself, not a list.",
            );
        }
    }
    for proposal in proposals.iter().filter(|proposal| proposal.is_wanted()) {
        let material = proposal.material.to_string();
        let open: Vec<&Candidate> = proposal
            .candidates
            .iter()
            .filter(|one| !is_examined(whole, proposal.material, &one.roll, list_attempts(whole, &one.roll)))
            .collect();
        if let Some(first) = open.first() {
            let item = whole.order.plan.materials.iter().find(|line| line.material == proposal.material);
            let specimen = item.and_then(|line| whole.items.get(&line.item)).and_then(|item| item.specimen.as_ref());
            let mut fields = vec![("material", material.as_str())];
            let roll = first.roll.id();
            fields.push(("roll", roll.as_str()));
            if let Some(specimen) = specimen {
                fields.extend([("specimen.id", specimen.id.as_str()), ("specimen.place", specimen.place.as_str())]);
            }
            list.push(
                "examine_before_issue",
                &fields,
                format!("Examine {roll} before issue"),
                format!("Against the approved specimen, for material line {material}."),
            );
        } else if !proposal.candidates.is_empty() {
            let rolls = ids(&proposal.candidates);
            list.push(
                "give_issue",
                &[("material", &material), ("rolls", &rolls)],
                format!("Issue rolls for material line {material}"),
                "The label room gives and signs; then a person of the line takes over and signs. Two people in two roles.",
            );
        }
    }
}

/// The rolls of a proposal, one on each line.
pub(super) fn ids(candidates: &[Candidate]) -> String {
    candidates.iter().map(|one| one.roll.id().to_string()).collect::<Vec<_>>().join("\n")
}

/// So many counts of the roll have begun; `None` where the order has not looked at it.
fn list_attempts(whole: &Whole, roll: &Stream) -> Option<u32> {
    whole.rolls.get(roll).map(|state| state.attempts)
}

/// True where each material line has a roll at the line.
fn all_there(order: &OrderState) -> bool {
    order.plan.materials.iter().all(|line| {
        order.rolls.values().any(|one| one.material == line.material && one.received && one.given_back.is_none())
    })
}

fn starting(list: &mut List, now: Time) {
    let whole = list.whole;
    if !all_there(&whole.order) {
        return;
    }
    if let Some(clearance) = usable(whole, now, ClearanceWhen::Before) {
        let id = clearance.stream.id().to_string();
        list.push(
            "start_order",
            &[("clearance", &id)],
            "Start the order",
            format!("With the clearance {id}, which two people made."),
        );
    } else if !list.due.iter().any(|due| due.href.contains("check_clearance")) {
        perform(list, ClearanceWhen::Before, "Immediately before the start. A second person checks it.");
    }
}

/// True where good labels of each material line and units of each lot were recorded.
fn quantities_there(order: &OrderState) -> bool {
    let standing = || order.quantities.values().filter(|quantity| !quantity.withdrawn);
    let materials = order
        .plan
        .materials
        .iter()
        .all(|line| standing().any(|one| one.material == Some(line.material) && one.term == Some(Term::Good)));
    let lots = order.plan.lots.iter().all(|lot| standing().any(|one| one.lot.as_ref() == Some(&lot.lot)));
    materials && lots
}

fn quantities(list: &mut List) {
    let whole = list.whole;
    let standing = || whole.order.quantities.values().filter(|quantity| !quantity.withdrawn);
    for line in &whole.order.plan.materials {
        if !standing().any(|one| one.material == Some(line.material) && one.term == Some(Term::Good)) {
            let material = line.material.to_string();
            list.push(
                "record_quantity",
                &[("material", &material), ("term", "good"), ("source.how", "device"), ("source.device.wraps", "0")],
                format!("Record labels on good units, material line {material}"),
                "By the readings of a device, or by a hand count. It is never worked out from other numbers.",
            );
        }
    }
    for lot in &whole.order.plan.lots {
        if !standing().any(|one| one.lot.as_ref() == Some(&lot.lot)) {
            list.push(
                "record_units",
                &[("lot", &lot.lot), ("source.how", "device"), ("source.device.wraps", "0")],
                format!("Record finished units of lot {}", lot.lot),
                "By a counter of their own.",
            );
        }
    }
}

fn running(list: &mut List, now: Time) {
    let whole = list.whole;
    let order = &whole.order;
    hand_counts(list);
    for line in &order.plan.materials {
        let of_line = || order.rolls.iter().filter(|(_, one)| one.material == line.material);
        if of_line().any(|(_, one)| one.mounted.is_some()) {
            continue;
        }
        let next = of_line().find(|(_, one)| one.received && one.ran.is_none() && one.given_back.is_none());
        if let Some((roll, _)) = next {
            let material = line.material.to_string();
            list.push(
                "mount_roll",
                &[("material", &material)],
                format!("Mount {}", roll.id()),
                format!("Material line {material}: no roll is on a dispenser. Scan the roll and read its first label."),
            );
        }
    }
    quantities(list);
    // While the line runs a roll comes off when it has run out, which nobody can wait for; the scanner's field takes it.
    if quantities_there(order) {
        for (roll, one) in order.rolls.iter().filter(|(_, one)| one.mounted.is_some()) {
            let material = one.material.to_string();
            list.push(
                "dismount_roll",
                &[("material", &material), ("roll", roll.id().as_str())],
                format!("Take {} off", roll.id()),
                "The quantities are recorded: when the order is at its end.",
            );
        }
    }
    if order.rolls.values().all(|one| one.mounted.is_none()) && order.rolls.values().any(|one| one.ran.is_some()) {
        ending(list, now);
    }
}

fn ending(list: &mut List, now: Time) {
    let whole = list.whole;
    clearances(list, now, ClearanceWhen::After);
    if let Some(clearance) = usable(whole, now, ClearanceWhen::After) {
        let id = clearance.stream.id().to_string();
        list.push(
            "finish_order",
            &[("clearance", &id)],
            words::act("finish_order"),
            format!("With the clearance {id}, which two people made."),
        );
    } else if quantities_there(&whole.order) && !list.due.iter().any(|due| due.href.contains("check_clearance")) {
        perform(list, ClearanceWhen::After, "No roll is on a dispenser. A second person checks it.");
    }
}

fn standing(list: &mut List, now: Time) {
    let whole = list.whole;
    clearances(list, now, ClearanceWhen::Again);
    let left =
        whole.order.interrupted_at.is_some_and(|since| now > since.plus_micros(CLEARANCE_MINUTES * 60 * 1_000_000));
    match usable(whole, now, ClearanceWhen::Again) {
        Some(clearance) => {
            let id = clearance.stream.id().to_string();
            list.push("resume_order", &[("clearance", &id)], words::act("resume_order"), "The line was cleared again.");
        }
        None if left => perform(list, ClearanceWhen::Again, "The line has stood for more than an hour."),
        None => list.push("resume_order", &[], words::act("resume_order"), "The line stands."),
    }
    hand_counts(list);
    quantities(list);
    if whole.order.rolls.values().all(|one| one.mounted.is_none()) {
        ending(list, now);
    }
}

fn finished(list: &mut List) {
    let whole = list.whole;
    let order = &whole.order;
    hand_counts(list);
    for (roll, one) in &order.rolls {
        let material = one.material.to_string();
        let id = roll.id();
        let fields = [("material", material.as_str()), ("roll", id.as_str())];
        let coded =
            order.plan.materials.iter().any(|line| line.material == one.material && line.coding == Coding::Line);
        match whole.rolls.get(roll).map(|state| &state.custody) {
            Some(Custody::Mounted { .. }) => {
                list.push("dismount_roll", &fields, format!("Take {id} off"), "It is still on its dispenser.");
            }
            Some(Custody::Line { .. } | Custody::Taken { .. }) => {
                list.push("give_back", &fields, format!("Give {id} back"), "Sealed, and not counted by the line.");
            }
            Some(Custody::GivenBack { .. }) => {
                let tail = coded && one.ran == Some(RollRan::TakenOff);
                let text = match tail {
                    true => {
                        "Cut the coded tail off and let two people count it; the un-coded rest becomes a roll of its own."
                    }
                    false => "Its rest becomes a roll of its own, in quarantine.",
                };
                list.push("take_back", &fields, format!("Take {id} back"), text);
            }
            _ => {}
        }
        if let Some(rest) = one.rest.as_ref()
            && whole.rolls.get(rest).is_some_and(|state| state.settled.is_none())
        {
            list.elsewhere(
                "/bench".to_owned(),
                &[Role::LabelRoom],
                format!("Count {} as a return", rest.id()),
                "The label room's own count is what goes back.",
            );
        }
    }
    quantities(list);
    containers_to_seal(list);
    if !list.due.is_empty() {
        return;
    }
    accounts(list);
}

/// Accounts that are to be made or checked.
fn accounts(list: &mut List) {
    let whole = list.whole;
    for line in &whole.order.plan.materials {
        let material = line.material.to_string();
        match whole.order.reconciled.get(&line.material) {
            None => list.push(
                "reconcile",
                &[("material", &material)],
                format!("Make the account of material line {material}"),
                "Every label issued, and what became of it. Another person checks it.",
            ),
            Some(made) => {
                let Some(made) = whole.reconciliations.iter().find(|one| one.stream == *made) else { continue };
                if !made.state.checked {
                    let first = made.signed("reconciled").map(|one| one.account.clone());
                    list.second("check_reconciliation", "reconciliation", made, (first, "made"), "Check the account");
                }
            }
        }
    }
}

fn containers_to_seal(list: &mut List) {
    let whole = list.whole;
    for container in whole.containers.iter().filter(|one| one.state.status == ContainerStatus::Open) {
        list.other(
            "seal_container",
            &[("container", container.stream.id().as_str())],
            &[(&container.stream, container.rev)],
            format!("Seal the container {}", container.stream.id()),
            "Numbered seal; it is kept locked until it is destroyed.",
            None,
        );
    }
}

fn containers(list: &mut List, now: Time) {
    let whole = list.whole;
    for container in &whole.containers {
        match container.state.status {
            ContainerStatus::Sealed => list.other(
                "declare_destruction",
                &[("container", container.stream.id().as_str())],
                &[(&container.stream, container.rev)],
                format!("Destroy the container {}", container.stream.id()),
                "Before a witness, who signs afterwards.",
                None,
            ),
            ContainerStatus::Declared
                if container.state.declared.as_ref().is_some_and(|(_, _, at)| lapsed(*at, now)) =>
            {
                list.lapsed(
                    "declare_destruction",
                    "container",
                    container,
                    "Declare again the destruction of",
                    "was declared destroyed more than half an hour ago, and nobody witnesses it any more. Declare it again, \
                     with both people there.",
                );
            }
            ContainerStatus::Declared => {
                let first = container.state.declared.as_ref().map(|(account, _, _)| account.clone());
                let text = (first, "destroyed");
                list.second("witness_destruction", "container", container, text, "Witness the destruction of");
            }
            ContainerStatus::Open | ContainerStatus::Destroyed => {}
        }
    }
}

fn reconciled(list: &mut List, now: Time) {
    accounts(list);
    containers_to_seal(list);
    containers(list, now);
    if list.due.is_empty() {
        list.push(
            "sign_for_packaging",
            &[],
            words::act("sign_for_packaging"),
            "The person responsible for packaging signs before quality does.",
        );
    }
}

/// What the order waits for, in a few words, from its own state alone: for lists.
pub(super) fn waits(order: &OrderState) -> String {
    if let Some(hold) = order.holds.first() {
        return format!("Held by {}: quality decides", hold.id());
    }
    let any = |what: fn(&tallyseal_control::OrderRoll) -> bool| order.rolls.values().any(what);
    match order.status {
        OrderStatus::Planned => "Examination and issue of rolls (label room)",
        OrderStatus::Staged if all_there(order) => "Clearance and start (line)",
        OrderStatus::Staged if any(|one| one.issue.is_some() && !one.received) => "Receipt at the line (line)",
        OrderStatus::Staged => "Issue of rolls (label room, then line)",
        OrderStatus::InProgress => "The line runs it (line)",
        OrderStatus::Interrupted => "The line stands (line)",
        OrderStatus::Finished
            if any(|one| {
                one.issue.is_some() && one.given_back.is_none() && !one.taken_back && one.ran != Some(RollRan::UsedUp)
            }) =>
        {
            "Giving back of rolls (line)"
        }
        OrderStatus::Finished if any(|one| one.given_back.is_some() && !one.taken_back) => {
            "Taking back of rolls (label room)"
        }
        OrderStatus::Finished => "Counts of what came back, and the accounts (label room, supervisor)",
        OrderStatus::Reconciled => "Destruction, and the signature for packaging (label room, supervisor)",
        OrderStatus::InReview => "Review and decision (reviewer)",
        OrderStatus::Approved | OrderStatus::Rejected | OrderStatus::Voided => "Nothing",
    }
    .to_owned()
}
