//! The page of an order: what it is, what it waits for, its steps, its material lines with the flow of their labels and
//! the arithmetic beside it, and everything that belongs to it.

use actix_web::HttpResponse;
use actix_web::web::{Data, Path, Query};
use askama::Template;
use serde::Deserialize;
use tallyseal_control::{
    ContainerStatus, Custody, DeviationState, DeviationStatus, HandCountStatus, IssueStatus, OrderRoll, OrderStatus,
    OverrideStatus, Reckoning, accounted_percent, issued_so_far, needed, product_test, proposed, unaccounted_percent,
};
use tallyseal_schema::ids::{Id, Stream};
use tallyseal_schema::kinds::{
    Coding, Contents, Limit, Limits, MaterialPlanned, ReconciliationComputed, RollRan, Source, Terms,
};

use super::deviations::text_of;
use super::flow::{self, Flow, Shape, Sort};
use super::next::{self, Due, Proposal, act_href, roles, word_of};
use super::orders::product;
use super::steps::{Step, steps};
use super::thing::{Happened, Offer, Shown, done, history, offers};
use super::visitor::Visitor;
use super::whole::{Part, Whole, asked, reckoning, signer};
use super::{Frame, PageError, href, page, words};
use crate::counted::Counted;
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use crate::{clock, randomness};

/// Parts of the page that renew by themselves.
#[derive(Deserialize)]
pub(super) struct Ask {
    #[serde(default)]
    done: Option<u64>,
    #[serde(default)]
    part: String,
}

/// One line of an account.
struct Sum {
    label: String,
    /// What is done with it: nothing, plus, minus, equals.
    sign: &'static str,
    text: String,
}

/// One test of an account: how it comes about, and whether it holds.
struct Test {
    lines: Vec<Sum>,
    limit: String,
    mark: &'static str,
    title: &'static str,
    verdict: &'static str,
}

/// The account of a material line.
struct AccountView {
    accounted: String,
    /// What must be done before there is one.
    missing: Option<(String, String)>,
    /// Who made and checked it.
    said: Vec<String>,
    /// The units have a counter of their own.
    independent: bool,
    link: Option<(String, String)>,
    tests: Vec<Test>,
}

/// The picture of a material line, and the same as a table.
struct FlowView {
    narrow: String,
    /// Label, number, share of what was issued, where it is now.
    rows: Vec<(String, String, String, String)>,
    wide: String,
}

/// One roll of a material line.
struct RollView {
    examined: String,
    href: String,
    id: String,
    issue: Option<(String, String)>,
    labels: String,
    mark: &'static str,
    rest: Option<(String, String, String)>,
    state: String,
    tail: Option<(String, String)>,
}

/// One material line.
struct MaterialView {
    account: Option<AccountView>,
    coding: &'static str,
    /// The figures are not told now.
    counted: bool,
    flow: Option<FlowView>,
    item: (String, String),
    item_name: String,
    /// Which limits, what they are, and from where.
    limits: Vec<(&'static str, String)>,
    limits_from: Option<(String, String, &'static str)>,
    need: Vec<Sum>,
    number: u16,
    per_unit: String,
    rolls: Vec<RollView>,
}

/// One roll that is proposed.
struct CandidateView {
    delivery: (String, String),
    examined: bool,
    /// The act that examines it.
    examine: String,
    labels: String,
    part: bool,
    received: words::When,
    roll: (String, String),
    use_by: Option<words::When>,
}

/// Rolls that are proposed for a material line.
struct ProposalView {
    act: String,
    all_examined: bool,
    has: String,
    /// What it has is hidden while a roll of it runs.
    hidden: bool,
    item: String,
    material: u16,
    needs: String,
    rolls: String,
    rows: Vec<CandidateView>,
    sum: String,
    with: String,
}

/// One part of the order in a list.
struct PartView {
    href: String,
    id: String,
    mark: &'static str,
    said: Vec<String>,
    state: String,
    text: String,
}

/// The parts of one sort.
struct PartList {
    empty: &'static str,
    key: &'static str,
    rows: Vec<PartView>,
    title: &'static str,
}

/// One recorded quantity.
struct QuantityView {
    count: String,
    number: u32,
    source: String,
    what: String,
    withdraw: Option<String>,
    withdrawn: bool,
}

/// All that the page shows.
pub(super) struct View {
    acts: Vec<Offer>,
    back: String,
    frame: Frame,
    history: Vec<Happened>,
    holds: Vec<(String, String)>,
    id: String,
    kind: String,
    line: (String, String),
    lists: Vec<PartList>,
    lots: Vec<(String, String, String)>,
    /// What wants this person's hand first.
    main: Option<Due>,
    mark: &'static str,
    market: String,
    master: String,
    materials: Vec<MaterialView>,
    /// What else this person may do now.
    mine: Vec<Due>,
    pack: String,
    procedures: Vec<String>,
    product: String,
    may_issue: bool,
    proposals: Vec<ProposalView>,
    quantities: Vec<QuantityView>,
    rev: u64,
    state: &'static str,
    steps: Vec<Step>,
    stream: String,
    /// What others must do.
    waiting: Vec<Due>,
}

#[derive(Template)]
#[template(path = "order.html")]
struct OrderPage {
    frame: Frame,
    v: View,
}

#[derive(Template)]
#[template(path = "order_state.html")]
struct StatePart {
    v: View,
}

#[derive(Template)]
#[template(path = "order_body.html")]
struct BodyPart {
    v: View,
}

pub(super) async fn one(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    id: Path<String>,
    query: Query<Ask>,
) -> Result<HttpResponse, PageError> {
    let id: Id = id.to_uppercase().parse().map_err(|_| DeskError::NotFound(format!("order {id}")))?;
    let whole = Whole::read(&desk, &id)?;
    let v = view(&desk, &seat, &whole)?;
    match query.part.as_str() {
        "state" => page(&StatePart { v }),
        "body" => page(&BodyPart { v }),
        _ => {
            let mut frame = Frame::new(&desk, Some(&seat), "orders", format!("Order {id}"));
            frame.done = done(&desk, &seat, &Shown { done: query.done });
            page(&OrderPage { frame, v })
        }
    }
}

fn view(desk: &Desk, seat: &Seat, whole: &Whole) -> Result<View, PageError> {
    let counted = Counted::now(desk.book())?;
    let now = clock::now();
    let back = href(&whole.stream);
    let frame = Frame::new(desk, Some(seat), "orders", format!("Order {}", whole.id));
    let proposals = proposals(desk, whole)?;
    let (main, mine, waiting) = chosen(next::due(whole, &proposals, now, &back), seat);
    let (state, mark) = words::order_status(whole.order.status);
    let plan = &whole.order.plan;
    let mut materials = Vec::new();
    for material in &plan.materials {
        materials.push(material_view(desk, whole, &counted, material)?);
    }
    let mut shown = Vec::new();
    for proposal in &proposals {
        shown.push(proposal_view(desk, whole, &counted, proposal, &back)?);
    }
    let may_correct = frame.is_any(roles("withdraw_quantity")) && is_counting(whole.order.status);
    Ok(View {
        acts: acts(&frame, whole),
        back: back.clone(),
        history: history(desk, &counted, &whole.stream)?,
        holds: whole.order.holds.iter().map(|hold| (hold.id().to_string(), href(hold))).collect(),
        id: whole.id.to_string(),
        kind: words::word(&word_of(&plan.kind)),
        line: (plan.line.id().to_string(), href(&plan.line)),
        lists: lists(desk, whole, &counted, seat)?,
        lots: plan.lots.iter().map(|lot| (lot.lot.clone(), lot.expiry.clone(), words::number(lot.units))).collect(),
        main,
        mark,
        market: plan.market.clone(),
        master: format!("{}, version {}", plan.master.id, plan.master.version),
        materials,
        mine,
        pack: format!("{}, {}", plan.dosage_form, plan.pack),
        procedures: plan.procedures.iter().map(|one| format!("{}, version {}", one.id, one.version)).collect(),
        product: product(&whole.order),
        may_issue: frame.is_any(roles("give_issue")),
        proposals: shown,
        quantities: quantities(whole, &counted, may_correct, &back),
        rev: whole.rev,
        state,
        steps: steps(whole, desk.zone()),
        stream: whole.stream.to_string(),
        waiting,
        frame,
    })
}

/// The acts of this person's roles that belong to the order's state. The rules say for each whether it goes.
fn acts(frame: &Frame, whole: &Whole) -> Vec<Offer> {
    use OrderStatus as S;
    let status = whole.order.status;
    let fits = |command: &str| match command {
        "remark" | "open_deviation" => true,
        "void_order" => matches!(status, S::Planned | S::Staged),
        "start_order" => matches!(status, S::Planned | S::Staged),
        "examine_before_issue" | "give_issue" | "receive_at_line" | "perform_clearance" => {
            matches!(status, S::Planned | S::Staged | S::InProgress | S::Interrupted)
        }
        "mount_roll" | "interrupt_order" => status == S::InProgress,
        "resume_order" => status == S::Interrupted,
        "finish_order" => matches!(status, S::InProgress | S::Interrupted),
        "dismount_roll" => matches!(status, S::InProgress | S::Interrupted | S::Finished),
        "review_order" | "approve_order" | "reject_order" => status == S::InReview,
        "reopen_order" => matches!(status, S::InReview | S::Approved | S::Rejected),
        "sign_for_packaging" => status == S::Reconciled,
        "reconcile" => matches!(status, S::Finished | S::Reconciled),
        "record_quantity" | "record_units" | "withdraw_quantity" => is_counting(status),
        "give_back" | "take_back" => status == S::Staged || is_counting(status),
        _ => status != S::Voided,
    };
    let name = |offer: &Offer| {
        let path = offer.href.trim_start_matches("/acts/");
        path.split('?').next().unwrap_or_default().to_owned()
    };
    offers(frame, &whole.stream, whole.rev).into_iter().filter(|offer| fits(&name(offer))).collect()
}

/// The first act for this person's hand, their others, and those of others.
pub(super) fn chosen(due: Vec<Due>, seat: &Seat) -> (Option<Due>, Vec<Due>, Vec<Due>) {
    let (mine, waiting): (Vec<Due>, Vec<Due>) = due.into_iter().partition(|one| one.is_for(seat));
    let mut mine = mine.into_iter();
    (mine.next(), mine.collect(), waiting)
}

fn is_counting(status: OrderStatus) -> bool {
    use OrderStatus as S;
    matches!(status, S::InProgress | S::Interrupted | S::Finished | S::Reconciled)
}

/// What may still be issued, by the rule that the rolls are held to.
pub(super) fn proposals(desk: &Desk, whole: &Whole) -> Result<Vec<Proposal>, PageError> {
    use OrderStatus as S;
    let issuing = matches!(whole.order.status, S::Planned | S::Staged | S::InProgress | S::Interrupted);
    let mut proposals = Vec::new();
    if !issuing || !whole.order.holds.is_empty() {
        return Ok(proposals);
    }
    for line in &whole.order.plan.materials {
        let material = line.material;
        let so_far = asked(desk, |world| issued_so_far(world, &whole.id, material))?.unwrap_or_default();
        let has = so_far.0;
        let mut proposal =
            Proposal { candidates: Vec::new(), has, material, needs: needed(&whole.order.plan, line, so_far.1).total };
        if proposal.is_wanted() {
            let now = clock::now();
            proposal.candidates = asked(desk, |world| proposed(world, now, &whole.id, material))?.unwrap_or_default();
            let rolls = so_far.1.saturating_add(u64::try_from(proposal.candidates.len()).unwrap_or(0));
            proposal.needs = needed(&whole.order.plan, line, rolls).total;
        }
        proposals.push(proposal);
    }
    Ok(proposals)
}

fn named(stream: &Stream) -> (String, String) {
    (stream.id().to_string(), href(stream))
}

fn proposal_view(
    desk: &Desk,
    whole: &Whole,
    counted: &Counted,
    proposal: &Proposal,
    back: &str,
) -> Result<ProposalView, PageError> {
    // What was issued before tells what was on each roll, and that what is left of it.
    let hidden = counted.runs_in(&whole.order, Some(proposal.material));
    let issued = |labels: u64| if hidden { words::COUNTED_NOW.to_owned() } else { words::number(labels) };
    let material = proposal.material.to_string();
    let mut rows = Vec::new();
    let line = whole.order.plan.materials.iter().find(|line| line.material == proposal.material);
    let specimen = line.and_then(|line| whole.items.get(&line.item)).and_then(|item| item.specimen.as_ref());
    for one in &proposal.candidates {
        let roll = one.roll.id();
        let mut fields = vec![("order", whole.id.as_str()), ("material", material.as_str()), ("roll", roll.as_str())];
        if let Some(specimen) = specimen {
            fields.extend([("specimen.id", specimen.id.as_str()), ("specimen.place", specimen.place.as_str())]);
        }
        rows.push(CandidateView {
            delivery: named(&one.delivery),
            examined: next::is_examined(
                whole,
                proposal.material,
                &one.roll,
                whole.rolls.get(&one.roll).map(|state| state.attempts),
            ),
            examine: act_href("examine_before_issue", &fields, &[(&whole.stream, whole.rev)], back),
            labels: words::number(one.labels),
            part: one.part,
            received: words::when(one.received_at, desk.zone()),
            roll: named(&one.roll),
            use_by: one.use_by.map(|at| words::when(at, desk.zone())),
        });
    }
    Ok(ProposalView {
        act: randomness::act()?.to_string(),
        all_examined: rows.iter().all(|row| row.examined),
        has: issued(proposal.has),
        hidden,
        item: line.map(|line| line.item.id().to_string()).unwrap_or_default(),
        material: proposal.material,
        needs: words::number(proposal.needs),
        rolls: next::ids(&proposal.candidates),
        rows,
        sum: words::number(proposal.labels()),
        with: issued(proposal.has.saturating_add(proposal.labels())),
    })
}

fn sum(sign: &'static str, label: impl Into<String>, text: impl Into<String>) -> Sum {
    Sum { label: label.into(), sign, text: text.into() }
}

fn material_view(
    desk: &Desk,
    whole: &Whole,
    counted: &Counted,
    line: &MaterialPlanned,
) -> Result<MaterialView, PageError> {
    let material = line.material;
    let hidden = whole.hidden(counted, material);
    let item = whole.items.get(&line.item).map(|item| &item.draft);
    let frozen = whole.order.frozen.get(&material);
    let limits = match frozen {
        Some(frozen) => Some((&frozen.limit_set, &frozen.limits, frozen.uncertainty, "fixed at the first issue")),
        None => whole.limits.get(&line.limit_set).map(|set| {
            (&line.limit_set, &set.draft.limits, set.draft.uncertainty, "as it stands now; fixed at the first issue")
        }),
    };
    let (account, flow) = match hidden {
        true => (None, None),
        false => figures(desk, whole, material)?,
    };
    let (num, den) = (line.labels_per_unit.num(), line.labels_per_unit.den());
    Ok(MaterialView {
        account,
        coding: match line.coding {
            Coding::Line => "coded at the line: lot, expiry or serial is printed on it",
            Coding::None => "not coded",
        },
        counted: hidden,
        flow,
        item: named(&line.item),
        item_name: item
            .map(|item| format!("{} revision {}, {}", item.code, item.revision, item.language))
            .unwrap_or_default(),
        limits: limits
            .map(|(_, limits, uncertainty, _)| {
                let mut rows = limit_rows(limits);
                rows.push(("The count of one roll may be off by", words::number(uncertainty.get())));
                rows
            })
            .unwrap_or_default(),
        limits_from: limits.map(|(set, _, _, from)| (set.id().to_string(), href(set), from)),
        need: need(whole, line),
        number: material,
        per_unit: if den == 1 { format!("{num} on each unit") } else { format!("{num} for {den} units") },
        rolls: whole
            .order
            .rolls
            .iter()
            .filter(|(_, one)| one.material == material)
            .map(|(roll, one)| roll_view(whole, counted, roll, one))
            .collect(),
    })
}

/// What is needed, part by part.
fn need(whole: &Whole, line: &MaterialPlanned) -> Vec<Sum> {
    let out = whole.order.rolls.values().filter(|one| one.material == line.material && one.issue.is_some()).count();
    let need = needed(&whole.order.plan, line, u64::try_from(out).unwrap_or(u64::MAX));
    let (ratio, allowance) = (line.labels_per_unit, &line.allowance);
    let units = words::number(need.units);
    let per = if ratio.den() == 1 { ratio.num().to_string() } else { ratio.to_string() };
    vec![
        sum("", format!("{units} units × {per}"), words::number(need.for_units)),
        sum("+", "for setting up", words::number(need.fixed)),
        sum(
            "+",
            format!("lost in running, {} of {}", allowance.ratio, words::number(need.for_units)),
            words::number(need.running),
        ),
        sum(
            "+",
            format!("changes of roll, {} × {}", words::number(need.changes), allowance.per_roll_change),
            words::number(need.for_changes),
        ),
        sum("=", "needed", words::number(need.total)),
    ]
}

fn limit_text(limit: &Limit) -> String {
    let what = if limit.labels.get() == 1 { "label" } else { "labels" };
    format!("{} {what}, and {} of what was issued", words::number(limit.labels.get()), limit.ratio)
}

fn limit_rows(limits: &Limits) -> Vec<(&'static str, String)> {
    vec![
        ("Short, at most", limit_text(&limits.short)),
        ("Over, at most", limit_text(&limits.over)),
        ("Fewer than the units need, at most", limit_text(&limits.product_short)),
        ("More than the units need, at most", limit_text(&limits.product_over)),
    ]
}

fn roll_view(whole: &Whole, counted: &Counted, roll: &Stream, one: &OrderRoll) -> RollView {
    let runs = counted.runs(roll, Some(one));
    let (state, mark) = roll_state(whole, roll, one);
    let labels = match (runs, &one.issue) {
        (true, _) => words::COUNTED_NOW.to_owned(),
        (false, Some(_)) => words::number(one.issued.get()),
        (false, None) => "not issued".to_owned(),
    };
    let rest = one.rest.as_ref().map(|rest| {
        let settled = whole.rolls.get(rest).and_then(|state| state.settled.as_ref());
        let text = match settled {
            _ if counted.has(rest) => words::COUNTED_NOW.to_owned(),
            Some(settled) => format!("{} on it", words::number(settled.on_roll.get())),
            None => "not counted yet".to_owned(),
        };
        let (id, link) = named(rest);
        (id, link, text)
    });
    RollView {
        examined: one.verdict.map(|verdict| words::word(&word_of(&verdict))).unwrap_or_default(),
        href: href(roll),
        id: roll.id().to_string(),
        issue: one.issue.as_ref().map(named),
        labels,
        mark,
        rest,
        state,
        tail: one.tail.as_ref().map(named),
    }
}

/// Where a roll of the order is.
pub(super) fn roll_state(whole: &Whole, roll: &Stream, one: &OrderRoll) -> (String, &'static str) {
    let custody = whole.rolls.get(roll).map(|state| &state.custody);
    let given = whole.issues.iter().any(|issue| {
        issue.state.status == IssueStatus::Given && issue.state.rolls.iter().any(|given| given.roll == *roll)
    });
    match custody {
        _ if one.taken_back => ("taken back".to_owned(), "good"),
        _ if one.ran == Some(RollRan::UsedUp) => ("used up".to_owned(), "good"),
        Some(Custody::GivenBack { .. }) => ("given back, not taken back yet".to_owned(), "hold"),
        Some(Custody::Mounted { .. }) => {
            (one.mounted.as_ref().map_or_else(String::new, |device| format!("mounted on {device}")), "good")
        }
        Some(Custody::Line { .. }) if one.ran.is_some() => ("at the line, taken off".to_owned(), ""),
        Some(Custody::Line { .. }) => ("at the line".to_owned(), ""),
        Some(Custody::Taken { .. }) => ("taken over, not scanned in yet".to_owned(), "hold"),
        _ if given => ("given, not taken over yet".to_owned(), "hold"),
        _ => ("in the store".to_owned(), ""),
    }
}

/// Flow and account of a material line.
fn figures(desk: &Desk, whole: &Whole, material: u16) -> Result<(Option<AccountView>, Option<FlowView>), PageError> {
    let made = whole.order.reconciled.get(&material);
    let made = made.and_then(|stream| whole.reconciliations.iter().find(|one| one.stream == *stream));
    let reckoning = match made {
        Some(made) => {
            let computed = made.state.computed.clone();
            let (terms, unaccounted) = (computed.terms.clone(), computed.unaccounted);
            Some(Reckoning { account: Some(computed), missing: None, terms, unaccounted })
        }
        None => reckoning(desk, &whole.id, material)?,
    };
    let Some(reckoning) = reckoning else { return Ok((None, None)) };
    if reckoning.terms.issued == 0 {
        return Ok((None, None));
    }
    let flow = flow_of(whole, material, &reckoning);
    let id = format!("m{material}");
    let rows = flow.parts.iter().map(|part| {
        let share = match part.labels {
            _ if part.sort == Sort::Pending => "-".to_owned(),
            0 => "-".to_owned(),
            labels => format!("{} %", unaccounted_percent(flow.issued, i64::try_from(labels).unwrap_or(i64::MAX))),
        };
        (part.label.clone(), part.figure(), share, part.note.clone())
    });
    let drawn = FlowView {
        narrow: flow::svg(&flow, &format!("{id}-narrow"), Shape::Narrow),
        rows: rows.collect(),
        wide: flow::svg(&flow, &format!("{id}-wide"), Shape::Wide),
    };
    Ok((Some(account_view(made, &reckoning)), Some(drawn)))
}

fn flow_of(whole: &Whole, material: u16, reckoning: &Reckoning) -> Flow {
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = reckoning.terms;
    let boxes = |contents: Contents| {
        let of_it = whole.containers.iter().filter(|one| {
            one.state.material == material && one.state.contents == contents && one.state.labels.get() > 0
        });
        let notes: Vec<String> =
            of_it.map(|one| format!("{} {}", one.stream.id(), container_state(one.state.status).0)).collect();
        notes.join(", ")
    };
    let rests: Vec<String> = whole
        .order
        .rolls
        .values()
        .filter(|one| one.material == material)
        .filter_map(|one| one.rest.as_ref().map(|rest| rest.id().to_string()))
        .collect();
    let part = |label: &str, labels: u64, note: String| flow::Part {
        label: label.to_owned(),
        labels,
        note,
        sort: Sort::Known,
    };
    let mut parts = vec![
        part("On good units", good, String::new()),
        part("On rejected units", rejected, boxes(Contents::Rejected)),
        part("Samples", samples, String::new()),
        part("Spoiled", spoiled, boxes(Contents::Spoiled)),
        part("Given back: coded tail", coded, boxes(Contents::Coded)),
        part("Given back: un-coded rest", returned, rests.join(", ")),
    ];
    let left = u64::try_from(reckoning.unaccounted).unwrap_or(0);
    let over = if reckoning.unaccounted < 0 { reckoning.unaccounted.unsigned_abs() } else { 0 };
    parts.push(match reckoning.account {
        Some(_) => flow::Part {
            label: "Unaccounted for".to_owned(),
            labels: left,
            note: if over > 0 { format!("over by {}", words::number(over)) } else { String::new() },
            sort: Sort::Unaccounted,
        },
        None => flow::Part {
            label: "Not told yet".to_owned(),
            labels: left,
            note: "the account is not made".to_owned(),
            sort: Sort::Pending,
        },
    });
    Flow { issued, over, parts }
}

/// A signed difference in words: short and over, never a minus sign.
fn difference(value: i64, short: &str, over: &str) -> String {
    match value {
        0 => "0".to_owned(),
        1.. => format!("{} {short}", words::number(value.unsigned_abs())),
        _ => format!("{} {over}", words::number(value.unsigned_abs())),
    }
}

fn account_view(made: Option<&Part<tallyseal_control::ReconciliationState>>, reckoning: &Reckoning) -> AccountView {
    let said = made.map(|made| {
        let signed = |meaning: &str, what: &str, not: &str| match made.signed(meaning) {
            Some(one) => format!("{what} by {}", signer(one)),
            None => not.to_owned(),
        };
        vec![
            signed("reconciled", "Made", "Not signed"),
            signed("reconciliation checked", "Checked", "Not checked yet: another person than who made it"),
        ]
    });
    let missing = reckoning.missing.as_ref().map(|refusal| (refusal.text.clone(), refusal.remedy.clone()));
    let tests =
        reckoning.account.as_ref().map_or_else(Vec::new, |account| vec![balance(account), product_view(account)]);
    AccountView {
        accounted: accounted_percent(reckoning.terms.issued, reckoning.unaccounted),
        independent: reckoning.account.as_ref().is_none_or(|account| account.independent),
        link: made.map(|made| named(&made.stream)),
        missing,
        said: said.unwrap_or_default(),
        tests,
    }
}

fn balance(account: &ReconciliationComputed) -> Test {
    let Terms { coded, good, issued, rejected, returned, samples, spoiled } = account.terms;
    let mut lines = vec![sum("", "issued", words::number(issued))];
    for (label, labels) in [
        ("on good units", good),
        ("on rejected units", rejected),
        ("samples", samples),
        ("spoiled", spoiled),
        ("coded tail given back", coded),
        ("un-coded rest given back", returned),
    ] {
        lines.push(sum("−", label, words::number(labels)));
    }
    let percent = unaccounted_percent(issued, account.unaccounted);
    let value = difference(account.unaccounted, "short", "over");
    lines.push(sum("=", "unaccounted for", format!("{value} ({percent} %)")));
    let (verdict, mark) = words::verdict(account.balance);
    let (side, limit) = match account.unaccounted {
        ..0 => ("over", &account.limits.over),
        _ => ("short", &account.limits.short),
    };
    Test {
        lines,
        limit: format!("Limit {side}: {}", limit_text(limit)),
        mark,
        title: "Labels: issued against accounted for",
        verdict,
    }
}

fn product_view(account: &ReconciliationComputed) -> Test {
    let test = product_test(account);
    let left = match test.left {
        ..0 => format!("{} over", words::number(test.left.unsigned_abs())),
        left => words::number(left.unsigned_abs()),
    };
    let size = words::parts(account.product.unsigned_abs(), test.den);
    let value = match account.product {
        0 => "0".to_owned(),
        1.. => format!("{size} more than needed"),
        _ => format!("{size} fewer than needed"),
    };
    let per =
        if test.den == 1 { account.labels_per_unit.num().to_string() } else { account.labels_per_unit.to_string() };
    let lines = vec![
        sum("", "labels that the balance leaves for good units", left),
        sum("−", format!("{} units × {per}", words::number(account.units)), words::parts(test.needed, test.den)),
        sum("=", "difference", value),
    ];
    let (verdict, mark) = words::verdict(account.against_product);
    let (side, limit) = match account.product {
        ..0 => ("fewer", &account.limits.product_short),
        _ => ("more", &account.limits.product_over),
    };
    Test {
        lines,
        limit: format!("Limit {side}: {}", limit_text(limit)),
        mark,
        title: "Product: units against their labels",
        verdict,
    }
}

fn quantities(whole: &Whole, counted: &Counted, may_correct: bool, back: &str) -> Vec<QuantityView> {
    let any_hidden = whole.order.plan.materials.iter().any(|line| whole.hidden(counted, line.material));
    let rows = whole.order.quantities.iter().map(|(number, quantity)| {
        let hidden = match quantity.material {
            Some(material) => whole.hidden(counted, material),
            None => any_hidden,
        };
        let what = match (quantity.material, quantity.term, &quantity.lot) {
            (Some(material), Some(term), _) => format!("{}, material line {material}", words::term(term)),
            (_, _, Some(lot)) => format!("Finished units of lot {lot}"),
            _ => String::new(),
        };
        let source = match &quantity.source {
            Source::Device { device, .. } if hidden => device.to_string(),
            Source::Device { device, start, end, wraps } => {
                let laps = if *wraps > 0 { format!(", began again at 0 {wraps} times") } else { String::new() };
                format!("{device}: from {} to {}{laps}", words::number(*start), words::number(*end))
            }
            Source::HandCount { hand_count } => format!("hand count {}", hand_count.id()),
        };
        let text = number.to_string();
        let fields = [("order", whole.id.as_str()), ("quantity", text.as_str())];
        QuantityView {
            count: if hidden { words::COUNTED_NOW.to_owned() } else { words::number(quantity.count) },
            number: *number,
            source,
            what,
            withdraw: (may_correct && !quantity.withdrawn)
                .then(|| act_href("withdraw_quantity", &fields, &[(&whole.stream, whole.rev)], back)),
            withdrawn: quantity.withdrawn,
        }
    });
    rows.collect()
}

fn container_state(status: ContainerStatus) -> (&'static str, &'static str) {
    match status {
        ContainerStatus::Open => ("open", ""),
        ContainerStatus::Sealed => ("sealed", "hold"),
        ContainerStatus::Declared => ("destroyed, the witness has not signed yet", "hold"),
        ContainerStatus::Destroyed => ("destroyed", "good"),
    }
}

fn part_view<S>(part: &Part<S>, text: String, (state, mark): (impl Into<String>, &'static str)) -> PartView {
    let signed = part.facts.signatures.iter().map(|one| format!("{}: {}", one.meaning, signer(one)));
    PartView {
        href: href(&part.stream),
        id: part.stream.id().to_string(),
        mark,
        said: signed.collect(),
        state: state.into(),
        text,
    }
}

/// Who must come next, and that it must be somebody else.
fn another(seat: &Seat, first: Option<&tallyseal_schema::ids::AccountId>, command: &str) -> String {
    let who = super::whole::titles(roles(command));
    match first {
        Some(first) if *first == seat.account => format!("waits for another person than you ({who})"),
        Some(first) => format!("waits for another person than {first} ({who})"),
        None => format!("waits for a second person ({who})"),
    }
}

fn lists(desk: &Desk, whole: &Whole, counted: &Counted, seat: &Seat) -> Result<Vec<PartList>, PageError> {
    let clearances = whole.clearances.iter().map(|part| {
        let state = match (&part.state, part.state.checked_at) {
            (state, _) if state.foreign() => ("foreign labels or product were found".to_owned(), "grave"),
            (_, Some(_)) => ("performed and checked".to_owned(), "good"),
            (state, None) => (another(seat, state.performed_by.as_ref(), "check_clearance"), "hold"),
        };
        part_view(part, format!("{} the order", words::word(&word_of(&part.state.when))), state)
    });
    let issues = whole.issues.iter().map(|part| {
        let state = match part.state.status {
            IssueStatus::Given => (another(seat, part.state.given_by.as_ref(), "take_issue"), "hold"),
            IssueStatus::Taken => ("taken over".to_owned(), "good"),
            IssueStatus::Withdrawn => ("withdrawn".to_owned(), ""),
        };
        let rolls: Vec<String> = part.state.rolls.iter().map(|one| one.roll.id().to_string()).collect();
        part_view(part, format!("material line {}: {}", part.state.material, rolls.join(", ")), state)
    });
    let hand_counts = whole.hand_counts.iter().map(|part| {
        let count = &part.state;
        let state = match count.status {
            HandCountStatus::Open if count.entered.is_empty() => ("nobody has counted yet".to_owned(), "hold"),
            HandCountStatus::Open => {
                (another(seat, count.entered.first().map(|(one, _)| one), "enter_hand_count"), "hold")
            }
            HandCountStatus::Agreed if whole.waits.has(count.material, count.what) => {
                ("both counted the same; counted anew".to_owned(), "good")
            }
            HandCountStatus::Agreed => (
                count
                    .agreed()
                    .map(|labels| format!("both counted {}", words::number(labels.get())))
                    .unwrap_or_default(),
                "good",
            ),
            HandCountStatus::Differed => ("the two differ; counted anew".to_owned(), "hold"),
        };
        let of = count.material.map(|material| format!(", material line {material}")).unwrap_or_default();
        part_view(part, format!("{}{of}", words::word(&word_of(&count.what))), state)
    });
    let containers = whole.containers.iter().map(|part| {
        let (word, mark) = container_state(part.state.status);
        let word = match (part.state.status, &part.state.declared) {
            (ContainerStatus::Declared, Some((first, _, _))) => another(seat, Some(first), "witness_destruction"),
            _ => word.to_owned(),
        };
        let labels = match whole.waits.of_line(part.state.material) {
            Some(_) => words::COUNTED_NOW.to_owned(),
            None => format!("{} labels", words::number(part.state.labels.get())),
        };
        let text = format!(
            "{labels}, {}, material line {}, {}",
            words::word(&word_of(&part.state.contents)),
            part.state.material,
            part.state.place
        );
        part_view(part, text, (word, mark))
    });
    Ok(vec![
        PartList {
            empty: "The line was not cleared yet.",
            key: "clearances",
            rows: clearances.collect(),
            title: "Clearances",
        },
        PartList { empty: "Nothing was issued yet.", key: "issues", rows: issues.collect(), title: "Issues" },
        PartList {
            empty: "Nothing was counted by hand.",
            key: "hand-counts",
            rows: hand_counts.collect(),
            title: "Hand counts",
        },
        PartList {
            empty: "No container was opened.",
            key: "containers",
            rows: containers.collect(),
            title: "Containers",
        },
        judged(whole, seat),
        PartList {
            empty: "No rule was set aside.",
            key: "overrides",
            rows: overrides(whole, seat),
            title: "Overrides",
        },
        PartList {
            empty: "There is none.",
            key: "deviations",
            rows: deviations(desk, whole, counted)?,
            title: "Deviations",
        },
    ])
}

fn judged(whole: &Whole, seat: &Seat) -> PartList {
    let rows = whole.reconciliations.iter().map(|part| {
        let stands = whole.order.reconciled.values().any(|one| *one == part.stream);
        let first = part.signed("reconciled").map(|one| &one.account);
        let state = match (stands, part.state.checked) {
            (false, _) => ("no longer stands".to_owned(), ""),
            (true, true) => ("made and checked".to_owned(), "good"),
            (true, false) => (another(seat, first, "check_reconciliation"), "hold"),
        };
        part_view(part, format!("material line {}", part.state.computed.material), state)
    });
    PartList { empty: "No account was made yet.", key: "accounts", rows: rows.collect(), title: "Accounts" }
}

fn overrides(whole: &Whole, seat: &Seat) -> Vec<PartView> {
    let rows = whole.overrides.iter().map(|part| {
        let state = match part.state.status {
            OverrideStatus::Requested => (another(seat, part.state.requested_by.as_ref(), "grant_override"), "hold"),
            OverrideStatus::Granted => ("granted, not used yet".to_owned(), "hold"),
            OverrideStatus::Refused => ("refused".to_owned(), ""),
            OverrideStatus::Used => ("used".to_owned(), "good"),
        };
        part_view(part, words::word(&word_of(&part.state.kind)), state)
    });
    rows.collect()
}

fn deviations(desk: &Desk, whole: &Whole, counted: &Counted) -> Result<Vec<PartView>, PageError> {
    let row = |part: &Part<DeviationState>| {
        let word = words::word(&word_of(&part.state.status));
        let mark = if part.state.status == DeviationStatus::Closed { "good" } else { "grave" };
        let text = text_of(desk.book(), &part.state, counted)?;
        Ok(part_view(part, format!("{}: {text}", word_of(&part.state.severity)), (word, mark)))
    };
    whole.deviations.iter().map(row).collect()
}
