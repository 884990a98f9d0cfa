//! The first page: what waits for this person's hand, role by role, in the order of urgency.

use actix_web::HttpResponse;
use actix_web::web::{Data, Query};
use askama::Template;
use tallyseal_control::{DESTROY_DAYS, DeviationState, DeviationStatus, Key, Record, State, lapsed};
use tallyseal_schema::Time;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::{OVERRIDES, Role, Severity};

use super::act::named;
use super::outside::{Alarm, alarms};
use super::thing::{Shown, done, status};
use super::visitor::Visitor;
use super::{Frame, PageError, beside, exceptions, href, page, words};
use crate::clock;
use crate::counted::Counted;
use crate::desk::Desk;
use crate::witnesses::book_state;

/// So many of a sort are named; the list has them all.
const NAMED: usize = 6;
/// So many are counted; beyond it is "more than".
const COUNTED: usize = 200;

/// One sort of work that waits.
struct Waiting {
    class: &'static str,
    hint: &'static str,
    /// Of its link in the page: whoever is on it stays there when the page renews itself.
    id: String,
    list: String,
    number: String,
    things: Vec<(String, String, String)>,
    title: &'static str,
}

/// What waits for one role of the person.
struct DeskOf {
    begins: Vec<(&'static str, &'static str)>,
    nothing: &'static str,
    quiet: Vec<&'static str>,
    title: String,
    waiting: Vec<Waiting>,
}

#[derive(Template)]
#[template(path = "today.html")]
struct TodayPage {
    alarms: Vec<Alarm>,
    desks: Vec<DeskOf>,
    frame: Frame,
}

/// Which of those under a key are meant.
type Which = fn(&Record, Time) -> bool;

/// One sort of work: its key, and what is said of it.
struct Sort {
    class: &'static str,
    hint: &'static str,
    key: &'static str,
    list: &'static str,
    title: &'static str,
    which: Which,
}

const fn sort(title: &'static str, key: &'static str, list: &'static str, hint: &'static str) -> Sort {
    Sort { class: "hand", hint, key, list, title, which: all }
}

impl Sort {
    const fn grave(self) -> Self {
        Self { class: "grave", ..self }
    }

    const fn calm(self) -> Self {
        Self { class: "calm", ..self }
    }

    const fn which(self, which: Which) -> Self {
        Self { which, ..self }
    }
}

fn all(_: &Record, _: Time) -> bool {
    true
}

fn deviation(record: &Record) -> Option<&DeviationState> {
    match &record.state {
        State::Deviation(state) => Some(state),
        _ => None,
    }
}

fn overdue_deviation(record: &Record, now: Time) -> bool {
    deviation(record).is_some_and(|state| state.due < now)
}

fn to_assess_or_investigate(record: &Record, _: Time) -> bool {
    deviation(record).is_some_and(|state| state.status < DeviationStatus::Investigated)
}

fn to_decide_or_close(record: &Record, _: Time) -> bool {
    deviation(record).is_some_and(|state| state.status >= DeviationStatus::Investigated)
}

fn granted_by(record: &Record, role: Role) -> bool {
    let State::Override(state) = &record.state else { return false };
    OVERRIDES.iter().any(|row| row.kind == state.kind && row.grants.contains(&role))
}

fn for_supervisor(record: &Record, _: Time) -> bool {
    granted_by(record, Role::Supervisor)
}

fn for_reviewer(record: &Record, _: Time) -> bool {
    granted_by(record, Role::Reviewer)
}

fn grave_and_new(record: &Record, _: Time) -> bool {
    deviation(record).is_some_and(|state| state.severity > Severity::Minor && state.status == DeviationStatus::Opened)
}

fn still_locked(record: &Record, now: Time) -> bool {
    matches!(&record.state, State::Account(state) if state.locked_until.is_some_and(|until| now < until))
}

/// Days before a role ends in which its renewal is asked for.
const RENEW_DAYS: i64 = 30;

/// People one of whose roles ends soon, or has ended.
fn role_ends_soon(record: &Record, now: Time) -> bool {
    let soon = now.plus_micros(RENEW_DAYS * 24 * 60 * 60 * 1_000_000);
    matches!(&record.state, State::Account(state) if state.roles.iter().any(|grant| !grant.holds(soon)))
}

/// Where accounts are locked after too many wrong passwords: reviewer and administrator are told at once.
///
/// Rule: 21 CFR 11.300(d).
const fn locked_accounts() -> Sort {
    let hint = "Too many wrong passwords; talk to the person first.";
    sort("accounts locked", "account.locked", "/things/account", hint).which(still_locked)
}

/// Containers that wait near or past their day.
fn near_its_day(record: &Record, now: Time) -> bool {
    let State::Container(state) = &record.state else { return false };
    let warned = (DESTROY_DAYS - 5) * 24 * 60 * 60 * 1_000_000;
    state.sealed.as_ref().is_some_and(|(_, at)| now > at.plus_micros(warned))
}

/// Issues that the line may still take over.
fn fresh_issue(record: &Record, now: Time) -> bool {
    matches!(&record.state, State::Issue(state) if !lapsed(state.given_at, now))
}

/// Issues given so long ago that only the label room can do something about them.
fn lapsed_issue(record: &Record, now: Time) -> bool {
    matches!(&record.state, State::Issue(state) if lapsed(state.given_at, now))
}

/// The work of a role, most urgent first.
fn sorts(role: Role) -> Vec<Sort> {
    match role {
        Role::LabelRoom => vec![
            sort("counts that run", "count.open", "/bench", "A table runs, or stands in the middle of a roll."),
            sort("counts to be signed", "count.unsigned", "/things/count", "A count stands only when it is signed."),
            sort(
                "issues to withdraw",
                "issue.open",
                "/things/issue",
                "Given more than half an hour ago: nobody can take them over any more. Withdraw them and give the rolls anew.",
            )
            .which(lapsed_issue),
            sort("issues not taken over", "issue.open", "/things/issue", "The line must sign for them.").which(fresh_issue),
            sort("rolls given back sealed", "roll.given_back", "/rolls", "Take them back; your count stands."),
            sort(
                "containers near their day",
                "container.waits",
                "/things/container",
                "Coded labels are destroyed within their days.",
            )
            .which(near_its_day),
            sort(
                "rolls to be counted",
                "roll.to_count",
                "/rolls",
                "They lie in the store, and no count of them stands.",
            )
            .calm(),
        ],
        Role::Line => vec![
            sort(
                "issues to take over",
                "issue.open",
                "/things/issue",
                "The label room gave them; sign for them together.",
            )
            .which(fresh_issue),
            sort("orders on a line", "order.running", "/lines", "Running, or interrupted."),
        ],
        Role::IncomingExaminer => vec![sort(
            "deliveries to be examined",
            "delivery.to_examine",
            "/deliveries",
            "They are in quarantine until then.",
        )],
        Role::Supervisor => vec![
            sort(
                "deviations past their day",
                "deviation.open",
                "/deviations?overdue=yes",
                "Close them, or put them off with a reason.",
            )
            .which(overdue_deviation)
            .grave(),
            sort(
                "overrides asked for",
                "override.undecided",
                "/exceptions?grade=2",
                "Somebody waits at the line or the bench.",
            )
            .which(for_supervisor),
            sort(
                "deviations to assess or investigate",
                "deviation.open",
                "/deviations",
                "What they are about waits for it.",
            )
            .which(to_assess_or_investigate),
            sort(
                "orders to sign for packaging",
                "order.to_sign",
                "/orders",
                "Every material line has its account; quality reviews after you.",
            ),
            sort(
                "tables that failed their challenge",
                "station.failed",
                "/things/station",
                "Nothing is counted there until one passes.",
            )
            .grave(),
        ],
        Role::Reviewer => vec![
            sort(
                "grave deviations not assessed",
                "deviation.open",
                "/deviations?grave=yes",
                "Decide what may go on until then.",
            )
            .which(grave_and_new)
            .grave(),
            sort(
                "deviations past their day",
                "deviation.open",
                "/deviations?overdue=yes",
                "Close them, or put them off with a reason.",
            )
            .which(overdue_deviation)
            .grave(),
            sort("overrides asked for", "override.undecided", "/exceptions?grade=2", "Somebody waits.")
                .which(for_reviewer),
            sort(
                "deviations to decide or close",
                "deviation.open",
                "/deviations",
                "They are investigated; you decide where you had no part.",
            )
            .which(to_decide_or_close),
            sort(
                "label records to review",
                "order.to_review",
                "/orders",
                "Signed for packaging; look at the exceptions first.",
            ),
            sort("deliveries to release", "delivery.to_release", "/deliveries", "Examined and found good."),
            sort("deliveries to reject", "delivery.to_reject", "/deliveries", "Examined and not found good."),
            sort("returns to release", "roll.to_release", "/rolls", "Un-coded rests, counted, in quarantine."),
            sort("items to approve", "item.drafted", "/things/item", "Against a specimen."),
            sort("limits to approve", "limit_set.drafted", "/things/limit_set", "Somebody else proposed them."),
            sort(
                "plugins to approve",
                "plugin.drafted",
                "/things/plugin",
                "A machine is read only by an approved one.",
            ),
            sort("suppliers to approve", "supplier.unapproved", "/things/supplier", "For an item each."),
            sort("identities to confirm", "account.unconfirmed", "/things/account", "Nobody signs before."),
            locked_accounts(),
        ],
        Role::Administrator => vec![
            locked_accounts(),
            sort(
                "people whose role ends within a month, or has ended",
                "account.ends",
                "/things/account",
                "Renew it on a training, or let it end.",
            )
            .which(role_ends_soon),
            sort("identities to confirm", "account.unconfirmed", "/things/account", "Nobody signs before."),
        ],
        Role::Auditor => Vec::new(),
    }
}

/// What a role begins by itself.
fn begins(role: Role) -> Vec<(&'static str, &'static str)> {
    match role {
        Role::LabelRoom => vec![("/bench", "To the bench"), ("/acts/receive_delivery", "Receive a delivery")],
        Role::Line => vec![("/lines", "To the lines")],
        Role::IncomingExaminer => vec![("/deliveries", "To the deliveries")],
        Role::Supervisor => vec![("/acts/plan_order", "Plan an order"), ("/exceptions", "Exceptions")],
        Role::Reviewer => vec![("/exceptions", "Exceptions"), ("/deviations", "Deviations")],
        Role::Auditor => vec![("/trail", "Audit trail"), ("/exceptions?show=all", "Exceptions")],
        Role::Administrator => vec![("/acts/enrol_account", "Enrol an account")],
    }
}

pub(super) async fn today(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    query: Query<Shown>,
) -> Result<HttpResponse, PageError> {
    let now = clock::now();
    let mut frame = Frame::new(&desk, Some(&seat), "today", "Today");
    frame.done = done(&desk, &seat, &query);
    let (alarms, desks) = beside(move || {
        let desks = seat.roles.iter().map(|role| desk_of(&desk, *role, now)).collect::<Result<_, _>>()?;
        Ok((alarms(&desk)?, desks))
    })
    .await?;
    page(&TodayPage { alarms, desks, frame })
}

fn desk_of(desk: &Desk, role: Role, now: Time) -> Result<DeskOf, PageError> {
    let (mut waiting, mut quiet) = (Vec::new(), Vec::new());
    let mut later = Vec::new();
    if role == Role::Reviewer {
        waiting.extend(graded(desk)?);
        // What is only to be seen comes after what waits for a hand.
        later.extend(waiting.pop_if(|group| group.class == exceptions::grade::Grade::Seen.class()));
    }
    if role == Role::Auditor {
        waiting.push(checkpoint(desk)?);
    }
    if matches!(role, Role::Administrator | Role::Auditor) {
        waiting.extend(unwitnessed(desk)?);
    }
    for sort in sorts(role) {
        match waits(desk, &sort, now)? {
            Some(group) => waiting.push(group),
            None => quiet.push(sort.title),
        }
    }
    waiting.extend(later);
    let title = format!("As {}", role.title());
    Ok(DeskOf { begins: begins(role), nothing: words::NOTHING_WAITS, quiet, title, waiting })
}

/// The things of a sort; `None`: there is none.
fn waits(desk: &Desk, sort: &Sort, now: Time) -> Result<Option<Waiting>, PageError> {
    let mut things = Vec::new();
    let mut number: usize = 0;
    let streams = desk.book().set_page(&Key::new(sort.key, "yes"), None, COUNTED + 1)?;
    // Where there are more than were looked at, what was not looked at may wait too: nobody is told that nothing does.
    let more = streams.len() > COUNTED;
    for stream in streams.into_iter().take(COUNTED) {
        let Some((_, record)) = desk.book().record(&stream)? else { continue };
        if !(sort.which)(&record, now) {
            continue;
        }
        number += 1;
        if things.len() < NAMED {
            things.push(thing(&stream, &record));
        }
    }
    Ok((number > 0 || more).then(|| Waiting {
        class: sort.class,
        hint: sort.hint,
        id: id(sort.title),
        list: sort.list.to_owned(),
        number: so_far(number, more),
        things,
        title: sort.title,
    }))
}

fn id(title: &str) -> String {
    title.to_lowercase().replace(' ', "-")
}

fn thing(stream: &Stream, record: &Record) -> (String, String, String) {
    (words::capital(&named(stream)), href(stream), status(record))
}

/// A number, as far as it was counted.
fn so_far(number: usize, more: bool) -> String {
    format!("{}{}", words::number(number as u64), if more { "+" } else { "" })
}

/// The exceptions that wait, by grade.
fn graded(desk: &Desk) -> Result<Vec<Waiting>, PageError> {
    let counted = Counted::now(desk.book())?;
    let numbers = exceptions::waiting(desk, &counted)?;
    let grades = exceptions::grade::Grade::ALL.into_iter().zip(numbers).filter(|(_, number)| *number > 0);
    Ok(grades
        .map(|(grade, number)| Waiting {
            class: grade.class(),
            hint: grade.title(),
            id: id(grade.title()),
            list: format!("/exceptions?grade={}", grade.number()),
            number: words::number(number as u64),
            things: Vec::new(),
            title: match grade {
                exceptions::grade::Grade::Stops => "exceptions of grade 1",
                exceptions::grade::Grade::Decision => "exceptions of grade 2",
                exceptions::grade::Grade::Seen => "exceptions of grade 3",
            },
        })
        .collect())
}

/// The witnesses that do not cosign: whoever runs the server gets them back, whoever verifies knows of the exposed tail.
fn unwitnessed(desk: &Desk) -> Result<Option<Waiting>, PageError> {
    let lost = book_state(desk.book())?.lost;
    let things = lost.iter().map(|(key, since)| {
        let since = since.map(|since| words::when(since, desk.zone()).local);
        let since = since.map_or("never cosigned".to_owned(), |since| format!("unwitnessed since {since}"));
        (exceptions::told::witness_name(key).to_owned(), "/integrity".to_owned(), since)
    });
    let things: Vec<_> = things.collect();
    Ok((!things.is_empty()).then(|| Waiting {
        class: "hold",
        hint: "Nobody outside follows the book there: what was entered since could be made anew unseen.",
        id: id("unwitnessed"),
        list: "/integrity".to_owned(),
        number: words::number(things.len() as u64),
        things,
        title: "witnesses that do not cosign",
    }))
}

/// How far the book goes, for whoever verifies it.
fn checkpoint(desk: &Desk) -> Result<Waiting, PageError> {
    let head = desk.book().head()?;
    // The second line of a checkpoint is its size, the third the root (C2SP tlog-checkpoint).
    let note = desk.book().checkpoint()?;
    let size = note.lines().nth(1).and_then(|size| size.parse::<u64>().ok()).unwrap_or(0);
    let at = match size.checked_sub(1) {
        Some(last) => desk.book().entry(last)?.and_then(|bytes| tallyseal_schema::Entry::read(&bytes).ok()),
        None => None,
    };
    let at = at.map(|entry| words::when(entry.header.at, desk.zone()).local).unwrap_or_default();
    Ok(Waiting {
        class: "calm",
        id: id("checkpoint"),
        hint: "Verify the chain, the signatures and the checkpoints; take a copy of the last one with you.",
        list: "/integrity".to_owned(),
        number: words::number(head.n + 1),
        things: vec![(format!("Last checkpoint: {} entries", words::number(size)), "/integrity".to_owned(), at)],
        title: "entries in this book",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_has_something_to_begin_and_no_sort_twice() {
        for role in Role::ALL {
            assert!(!begins(role).is_empty(), "{role:?}");
            let titles: Vec<&str> = sorts(role).iter().map(|sort| sort.title).collect();
            let once: std::collections::BTreeSet<&&str> = titles.iter().collect();
            assert_eq!(once.len(), titles.len(), "{role:?}");
        }
    }

    #[test]
    fn more_than_were_counted_are_said_to_be_more() {
        assert_eq!((so_far(200, false), so_far(0, true)), ("200".to_owned(), "0+".to_owned()));
    }
}
