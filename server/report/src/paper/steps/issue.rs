//! From the label room to the line: the examination before issue, each issue with both people, the receipt at the line.

use tallyseal_control::IssueStatus;
use tallyseal_schema::Body;
use tallyseal_schema::ids::{Stream, Thing};
use tallyseal_schema::kinds::ExaminationVerdict;

use super::super::{Gathered, Section, Tone};
use super::make::{NOT_HERE, NOT_YET, Step, Table, cells, col, field, num, wide};
use super::read::{by, n, with_why};
use crate::told::plain;
use crate::words;

const ISSUE: &str = "21 CFR 211.125(a); EU GMP 4.21(h)";

/// The three steps of an order.
pub(super) fn of_order(g: &Gathered, order: &Stream) -> Vec<Section> {
    vec![examined(g, order), issued(g, order), received(g, order)]
}

fn examined(g: &Gathered, order: &Stream) -> Section {
    const CLAUSE: &str = "21 CFR 211.125(b); 21 CFR 211.130(d)";
    let mut step = Step::new(g, "Examined before issue", CLAUSE);
    let columns = vec![
        wide("Roll", 2),
        col("Line"),
        wide("Against the specimen", 3),
        wide("Code read", 3),
        wide("Unwinds", 2),
        wide("Result", 3),
        wide("By, when", 4),
        num("Entry"),
    ];
    let mut table = Table::new("Each roll against the approved specimen", CLAUSE, columns).small();
    let all = g.events(order, |body| match body {
        Body::OrderRollExamined(body) => Some(body),
        _ => None,
    });
    for (entry, body) in all {
        let (verdict, tone) = match body.verdict {
            ExaminationVerdict::Same => ("same", Tone::Plain),
            ExaminationVerdict::Different => ("DIFFERENT", Tone::Grave),
        };
        let choice = body.choice.map(|choice| format!("; taken instead of the proposed one: {}", plain(choice)));
        let code = code_said(g, order, body.material, body.code_read.as_deref());
        table.toned(
            cells![
                body.roll.id().to_string(),
                body.material.to_string(),
                format!("{}, kept at {}", body.specimen.id, body.specimen.place),
                code,
                plain(body.unwind),
                with_why(format!("{verdict}{}", choice.unwrap_or_default()), entry),
                format!("{}, {}", by(entry), g.local(entry.header.at)),
                n(entry),
            ],
            tone,
        );
    }
    step.table(table, NOT_YET);
    step.section()
}

/// What was read on a roll, beside what its label should carry.
pub(super) fn code_said(g: &Gathered, order: &Stream, material: u16, read: Option<&str>) -> String {
    let expected = g.order(order).and_then(|state| {
        let line = state.plan.materials.iter().find(|line| line.material == material)?;
        g.item(&line.item)?.draft.expected_code.as_ref().map(|code| code.text.as_str())
    });
    match (read, expected) {
        (Some(read), Some(expected)) if read == expected => format!("{read}, as expected"),
        (Some(read), Some(expected)) => format!("{read}, EXPECTED {expected}"),
        (Some(read), None) => read.to_owned(),
        (None, Some(_)) => "not read".to_owned(),
        (None, None) => "none is printed".to_owned(),
    }
}

fn issued(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Issue", ISSUE);
    let issues: Vec<&Stream> = g
        .things(Thing::Issue)
        .into_iter()
        .filter(|issue| g.issue(issue).is_some_and(|state| state.order == *order))
        .collect();
    if issues.is_empty() {
        step.note(NOT_YET);
    }
    if let Some(state) = g.order(order) {
        let mut fields = Vec::new();
        for line in &state.plan.materials {
            let taken = g.events(order, |body| match body {
                Body::OrderIssued(body) if body.material == line.material => Some(body.labels.get()),
                _ => None,
            });
            let taken: Vec<_> = taken.collect();
            if taken.is_empty() {
                continue;
            }
            let sum: u64 = taken.iter().map(|(_, labels)| u64::from(*labels)).sum();
            let name = format!("Issued for material line {}", line.material);
            let text = format!("{} labels", words::number(sum));
            fields.push(field(name, text).asked(ISSUE).on(taken.iter().map(|(entry, _)| *entry)));
        }
        step.fields(fields);
    }
    for issue in issues {
        one(&mut step, issue);
    }
    step.section()
}

/// The record of an issue alone.
pub(super) fn section(g: &Gathered, issue: &Stream) -> Section {
    let mut step = Step::new(g, format!("Issue {}", issue.id()), ISSUE);
    one(&mut step, issue);
    step.section()
}

fn one(step: &mut Step, issue: &Stream) {
    let g = step.gathered();
    step.heading(format!("Issue {}", issue.id()), ISSUE);
    let given = g.stream(issue).find_map(|entry| match &entry.body {
        Body::IssueGiven(body) => Some((entry, body)),
        _ => None,
    });
    let (Some((entry, body)), Some(state)) = (given, g.issue(issue)) else {
        step.note(NOT_HERE);
        return;
    };
    let (status, tone) = match state.status {
        IssueStatus::Given => ("given, not taken over yet", Tone::Grave),
        IssueStatus::Taken => ("taken over", Tone::Good),
        IssueStatus::Withdrawn => ("withdrawn: the rolls lie where they lay", Tone::Former),
    };
    let mut fields = vec![
        field("Order", format!("{}, material line {}", body.order.id(), body.material)).asked(ISSUE).on([entry]),
        field("Quantity issued", words::labels(body.labels.get())).asked(ISSUE).on([entry]),
        field("State", status).asked(ISSUE).toned(tone),
    ];
    if let Some(extra) = &body.extra {
        let text = format!("more than the order needs, by the override {}", extra.id());
        fields.push(field("Override", text).asked("21 CFR 211.100(b)").on([entry]));
    }
    step.fields(fields);
    let columns = vec![wide("Roll", 2), num("Labels"), wide("Challenge bracket of its count, when it was issued", 4)];
    let mut table = Table::new("Rolls of the issue", ISSUE, columns);
    for roll in &body.rolls {
        let risk = if roll.at_risk { "at risk: no closing challenge had passed" } else { "closed by a good challenge" };
        table.row(cells![roll.roll.id().to_string(), words::number(roll.labels.get()), risk]);
    }
    step.table(table, "no roll");
    let hands = step.hands(issue, &["issue.given", "issue.taken", "issue.withdrawn"]);
    step.people(hands, NOT_HERE);
    step.corrections(issue);
}

fn received(g: &Gathered, order: &Stream) -> Section {
    let mut step = Step::new(g, "Received at the line", "EU GMP 5.52");
    let columns = vec![
        wide("Roll", 2),
        col("Line"),
        num("Labels issued"),
        wide("Scanned in by", 3),
        wide("When", 3),
        num("Entry"),
    ];
    let mut table = Table::new("Each roll scanned in at the line", "EU GMP 5.52", columns);
    let all = g.events(order, |body| match body {
        Body::OrderRollReceived(body) => Some(body),
        _ => None,
    });
    for (entry, body) in all {
        let issued =
            g.order(order).and_then(|state| state.rolls.get(&body.roll)).map(|roll| words::number(roll.issued.get()));
        table.row(cells![
            body.roll.id().to_string(),
            body.material.to_string(),
            issued.unwrap_or_default(),
            by(entry),
            g.local(entry.header.at),
            n(entry),
        ]);
    }
    step.table(table, NOT_YET);
    step.section()
}
