//! The steps of an order with their state: who did and signed what, when.

use tallyseal_control::{ContainerStatus, IssueStatus, OrderStatus, Standing};
use tallyseal_schema::Body;
use tallyseal_schema::Time;
use tallyseal_schema::kinds::{ClearanceWhen, RollRan};

use super::next::word_of;
use super::whole::{Part, Whole, signer};
use super::{href, words};

/// One thing that was done in a step.
pub(super) struct Did {
    pub(super) by: String,
    /// Where it is recorded.
    pub(super) link: Option<(String, String)>,
    pub(super) text: String,
    /// No longer counts.
    pub(super) void: bool,
    pub(super) when: words::When,
}

/// One step.
pub(super) struct Step {
    pub(super) did: Vec<Did>,
    /// The mark of the word.
    pub(super) mark: &'static str,
    pub(super) title: &'static str,
    /// Its state in a word or a few.
    pub(super) word: String,
}

struct Told<'a> {
    whole: &'a Whole,
    zone: chrono_tz::Tz,
}

fn step(title: &'static str, done: bool, begun: bool, word: impl Into<String>, did: Vec<Did>) -> Step {
    let mark = if done {
        "good"
    } else if begun {
        "hold"
    } else {
        ""
    };
    Step { did, mark, title, word: word.into() }
}

impl Told<'_> {
    fn when(&self, at: Time) -> words::When {
        words::when(at, self.zone)
    }

    /// The entries of the order that are like that, with what to say of each.
    fn events(&self, say: impl Fn(&Body) -> Option<String>) -> Vec<Did> {
        let told = self.whole.events.iter().filter_map(|event| {
            let text = say(&event.body)?;
            Some(Did { by: words::by(&event.by), link: None, text, void: false, when: self.when(event.at) })
        });
        told.collect()
    }

    fn signed<S>(&self, part: &Part<S>) -> Vec<Did> {
        let link = || Some((part.stream.id().to_string(), href(&part.stream)));
        part.facts.signatures.iter().map(|one| self.signature(one, link())).collect()
    }

    fn signature(&self, one: &Standing, link: Option<(String, String)>) -> Did {
        let text = format!("signature: {}", one.meaning);
        Did { by: signer(one), link, text, void: one.void, when: self.when(one.at) }
    }

    /// The order's own signatures of that meaning.
    fn own(&self, meaning: &str) -> Vec<Did> {
        let signatures = self.whole.facts.signatures.iter().filter(|one| one.meaning == meaning);
        signatures.map(|one| self.signature(one, None)).collect()
    }

    fn clearances(&self, when: ClearanceWhen) -> Vec<Did> {
        self.whole.clearances.iter().filter(|one| one.state.when == when).flat_map(|one| self.signed(one)).collect()
    }
}

/// Every step of the order, in the order in which they come.
pub(super) fn steps(whole: &Whole, zone: chrono_tz::Tz) -> Vec<Step> {
    let told = Told { whole, zone };
    let mut steps = vec![step(
        "Planned",
        true,
        true,
        "done",
        told.events(|body| match body {
            Body::OrderPlanned(_) => Some("planned".to_owned()),
            _ => None,
        }),
    )];
    steps.extend(before_the_line(&told));
    steps.extend(at_the_line(&told));
    steps.extend(afterwards(&told));
    steps.extend(signing(&told));
    steps
}

fn before_the_line(told: &Told) -> Vec<Step> {
    let whole = told.whole;
    let order = &whole.order;
    let examined = told.events(|body| match body {
        Body::OrderRollExamined(body) => Some(format!("{}: {}", body.roll.id(), words::word(&word_of(&body.verdict)))),
        _ => None,
    });
    // A roll may be looked at twice: rolls are told, not looks.
    let looked_at = order.rolls.values().filter(|one| one.verdict.is_some()).count();
    let all_looked_at = order
        .plan
        .materials
        .iter()
        .all(|line| order.rolls.values().any(|one| one.material == line.material && one.verdict.is_some()));
    let out = |one: &&tallyseal_control::OrderRoll| one.issue.is_some();
    let issued = order.rolls.values().filter(out).count();
    let received = order.rolls.values().filter(out).filter(|one| one.received).count();
    let waiting = whole.issues.iter().filter(|one| one.state.status == IssueStatus::Given).count();
    let each = order
        .plan
        .materials
        .iter()
        .all(|line| order.rolls.values().filter(out).any(|one| one.material == line.material));
    let word = match (each, waiting) {
        (_, 1..) => format!("{waiting} given and not taken over yet"),
        (true, 0) => format!("{issued} rolls taken over"),
        (false, 0) if issued > 0 => "not for each material line yet".to_owned(),
        (false, 0) => "open".to_owned(),
    };
    let receipts = told.events(|body| match body {
        Body::OrderRollReceived(body) => Some(format!("{} scanned in", body.roll.id())),
        _ => None,
    });
    vec![
        step(
            "Examined before issue",
            all_looked_at,
            !examined.is_empty(),
            count_word(looked_at, "roll looked at"),
            examined,
        ),
        step(
            "Issued",
            each && waiting == 0,
            issued + waiting > 0,
            word,
            whole.issues.iter().flat_map(|one| told.signed(one)).collect(),
        ),
        step(
            "Received at the line",
            issued > 0 && received == issued,
            received > 0,
            if issued == 0 { "open".to_owned() } else { format!("{received} of {issued} rolls") },
            receipts,
        ),
    ]
}

fn count_word(count: usize, what: &str) -> String {
    match count {
        0 => "open".to_owned(),
        1 => format!("1 {what}"),
        many => format!("{many} {}", what.replacen("roll", "rolls", 1)),
    }
}

/// True where the line has begun with the order.
fn has_started(status: OrderStatus) -> bool {
    !matches!(status, OrderStatus::Planned | OrderStatus::Staged | OrderStatus::Voided)
}

fn at_the_line(told: &Told) -> Vec<Step> {
    let whole = told.whole;
    let order = &whole.order;
    let started = has_started(order.status);
    let cleared = |when: ClearanceWhen, passed: bool, title: &'static str| {
        let of_it = || whole.clearances.iter().filter(|one| one.state.when == when);
        let word = match (passed, of_it().next_back()) {
            (true, _) => "done",
            (false, None) => "open",
            (false, Some(last)) if last.state.foreign() => "foreign labels or product were found",
            (false, Some(last)) if last.state.checked_at.is_none() => "performed; a second person is to check it",
            (false, Some(_)) => "performed and checked; good for an hour",
        };
        step(title, passed, of_it().next().is_some(), word, told.clearances(when))
    };
    let run = told.events(|body| match body {
        Body::OrderStarted(_) => Some("started".to_owned()),
        Body::OrderInterrupted(body) => Some(format!("interrupted: {}", body.cause)),
        Body::OrderResumed(_) => Some("resumed".to_owned()),
        Body::OrderRollMounted(body) => Some(format!("{} mounted on {}", body.roll.id(), body.device)),
        Body::OrderRollDismounted(body) => {
            Some(format!("{} came off: {}", body.roll.id(), words::word(&word_of(&body.ran))))
        }
        _ => None,
    });
    let ended = order.finished_at.is_some() && !order.on_the_line_now();
    let word = match order.status {
        OrderStatus::InProgress => "running",
        OrderStatus::Interrupted => "interrupted",
        _ if started => "ran",
        _ => "open",
    };
    let mut all = vec![cleared(ClearanceWhen::Before, started, "Line cleared before")];
    all.push(step("Running", started && ended, started, word, run));
    if whole.clearances.iter().any(|one| one.state.when == ClearanceWhen::Again) {
        all.push(cleared(ClearanceWhen::Again, order.status != OrderStatus::Interrupted, "Line cleared again"));
    }
    all.push(cleared(ClearanceWhen::After, ended, "Line cleared after"));
    let finished = told.events(|body| match body {
        Body::OrderFinished(_) => Some("finished".to_owned()),
        Body::OrderVoided(_) => Some("made void".to_owned()),
        _ => None,
    });
    all.push(step("Finished", ended, false, if ended { "done" } else { "open" }, finished));
    all
}

/// Only what the view says: an order that the line has.
trait OnTheLine {
    fn on_the_line_now(&self) -> bool;
}

impl OnTheLine for tallyseal_control::OrderState {
    fn on_the_line_now(&self) -> bool {
        matches!(self.status, OrderStatus::InProgress | OrderStatus::Interrupted)
    }
}

fn afterwards(told: &Told) -> Vec<Step> {
    let whole = told.whole;
    let order = &whole.order;
    let out: Vec<_> =
        order.rolls.values().filter(|one| one.issue.is_some() && one.ran != Some(RollRan::UsedUp)).collect();
    let back = out.iter().filter(|one| one.taken_back).count();
    let given = told.events(|body| match body {
        Body::OrderRollGivenBack(body) => Some(format!("{} handed back, seal {}", body.roll.id(), body.seal)),
        Body::OrderReturnTaken(body) => Some(format!("{} taken back", body.roll.id())),
        _ => None,
    });
    let word = match (out.len(), has_started(order.status)) {
        (0, true) => "no roll is left over".to_owned(),
        (_, false) => "open".to_owned(),
        (many, true) => format!("{back} of {many} rolls"),
    };
    let made = order.reconciled.len();
    let lines = order.plan.materials.len();
    let checked = whole
        .reconciliations
        .iter()
        .filter(|one| order.reconciled.values().any(|stands| *stands == one.stream) && one.state.checked)
        .count();
    let accounts = whole.reconciliations.iter().flat_map(|one| {
        let old = !order.reconciled.values().any(|stands| *stands == one.stream);
        let mut did = told.signed(one);
        did.iter_mut().for_each(|one| one.void |= old);
        did
    });
    let destroyed = whole.containers.iter().filter(|one| one.state.status == ContainerStatus::Destroyed).count();
    let boxes = whole.containers.len();
    vec![
        step(
            "Given back",
            has_started(order.status) && back == out.len() && order.finished_at.is_some(),
            !given.is_empty(),
            word,
            given,
        ),
        step(
            "Reconciled",
            made == lines && checked == lines,
            made > 0,
            if made == 0 { "open".to_owned() } else { format!("{made} of {lines} accounts made, {checked} checked") },
            accounts.collect(),
        ),
        step(
            "Destroyed",
            boxes > 0 && destroyed == boxes,
            destroyed > 0,
            if boxes == 0 { "no container".to_owned() } else { format!("{destroyed} of {boxes} containers") },
            whole.containers.iter().flat_map(|one| told.signed(one)).collect(),
        ),
    ]
}

fn signing(told: &Told) -> Vec<Step> {
    let rejected = told.whole.order.status == OrderStatus::Rejected;
    let last = if rejected { "label record rejected" } else { "label record approved" };
    let steps = [
        ("Signed for packaging", "signed for packaging"),
        ("Reviewed", "label record reviewed"),
        (if rejected { "Label record rejected" } else { "Label record approved" }, last),
    ];
    let made = steps.map(|(title, meaning)| {
        let did = told.own(meaning);
        let stands = did.iter().any(|one| !one.void);
        let word = match (stands, did.is_empty()) {
            (true, _) => "signed",
            (false, true) => "open",
            (false, false) => "no longer signed: the record changed",
        };
        step(title, stands, !did.is_empty(), word, did)
    });
    made.into()
}
