//! The page of an act: its form, what does not go and why, what is signed, and what was recorded.

use std::collections::BTreeMap;

use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Payload, Query};
use actix_web::{HttpRequest, HttpResponse, ResponseError as _};
use askama::Template;
use tallyseal_book::ActError;
use tallyseal_control::{AUTHORITY, Authority, RefusalKind, Signs};
use tallyseal_schema::ids::{Act, Stream};
use tallyseal_schema::kinds::Role;
use zeroize::Zeroizing;

use super::form::{self, Field, Form, Input};
use super::shown::Lookup;
use super::visitor::{Visitor, typed};
pub(super) use super::words::named;
use super::{Frame, PageError, href, local, page, page_as, see_other, words};
use crate::desk::{ActRequest, Desk, Done, Seat};
use crate::error::{DeskError, Problem};
use crate::randomness;

/// One record that a signature covers, as it stands now.
struct Covered {
    /// How many entries it has; 0 where the act begins it.
    at: u64,
    href: String,
    /// The root over its entries; empty where the act begins it.
    root: String,
    /// How many entries it has.
    rev: String,
    record: String,
    stream: String,
}

/// What a person is about to sign.
struct Signing {
    covers: Vec<Covered>,
    /// What it means.
    meaning: String,
}

/// What somebody else changed meanwhile.
struct Changed {
    by: String,
    href: String,
    kind: String,
    record: String,
    when: words::When,
}

#[derive(Template)]
#[template(path = "act.html")]
struct ActPage {
    act: String,
    back: String,
    changed: Vec<Changed>,
    command: String,
    /// For each stream that was shown: the rev.
    expected: Vec<(String, u64)>,
    faults: Vec<(String, String)>,
    fields: Vec<Field>,
    frame: Frame,
    /// Said already, and only carried on: the fields of an act that is about to be signed. Name, label, text.
    kept: Vec<(String, String, String)>,
    /// In which of their roles the person may.
    roles: Vec<(Role, bool)>,
    /// Who may, where this person may not.
    others: Option<String>,
    signing: Option<Signing>,
    summary: String,
    title: String,
    wrong: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "secret.html")]
struct SecretPage {
    account: String,
    back: String,
    frame: Frame,
    secret: String,
}

fn row(name: &str) -> Result<&'static Authority, DeskError> {
    let row = AUTHORITY.iter().find(|row| row.command == name && row.is_given_by_name());
    row.ok_or_else(|| DeskError::NoSuchCommand(name.chars().take(40).collect()))
}

/// The roles of a person in which they may give a command.
fn roles_of(seat: &Seat, row: &Authority, chosen: &str) -> Vec<(Role, bool)> {
    let may: Vec<Role> = seat.roles.iter().copied().filter(|role| row.roles.contains(role)).collect();
    let any = may.iter().any(|role| role.as_str() == chosen);
    may.iter().enumerate().map(|(at, role)| (*role, if any { role.as_str() == chosen } else { at == 0 })).collect()
}

/// A page of an act with its form.
struct Draft<'a> {
    desk: &'a Desk,
    input: &'a Input,
    row: &'static Authority,
    seat: &'a Seat,
}

impl Draft<'_> {
    fn page(&self, form: Form, act: String) -> ActPage {
        let name = self.row.command;
        let title = words::act(name);
        let take = |name: &str| self.input.get(name).cloned().unwrap_or_default();
        let roles = roles_of(self.seat, self.row, &take("role"));
        let titles: Vec<&str> = self.row.roles.iter().map(|role| role.title()).collect();
        let others = roles.is_empty().then(|| titles.join(" or "));
        ActPage {
            act,
            back: match self.input.get("back").map_or("", String::as_str) {
                "" => String::new(),
                back => local(back).to_owned(),
            },
            changed: Vec::new(),
            command: name.to_owned(),
            expected: self.expected(),
            faults: form.faults,
            fields: form.fields,
            frame: Frame::new(self.desk, Some(self.seat), "act", title.clone()),
            kept: Vec::new(),
            roles,
            others,
            signing: None,
            summary: form::summary(name),
            title,
            wrong: None,
        }
    }

    /// The rev at which the page before showed a stream.
    fn shown_at(&self, stream: &str) -> Option<u64> {
        self.input.get(&format!("rev.{stream}"))?.parse().ok()
    }

    /// For each stream that the page before showed: its rev then; `rev.STREAM` in the form.
    fn expected(&self) -> Vec<(String, u64)> {
        let shown = self.input.iter().filter_map(|(name, rev)| Some((name.strip_prefix("rev.")?, rev.parse().ok()?)));
        shown.map(|(stream, rev)| (stream.to_owned(), rev)).collect()
    }
}

pub(super) async fn form_page(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    name: Path<String>,
    query: Query<Input>,
) -> Result<HttpResponse, PageError> {
    let row = row(&name)?;
    let mut input = query.into_inner();
    // Where no page said what it showed, this one shows the thing as it stands now.
    for thing in tallyseal_schema::ids::Thing::ALL {
        if let Some(id) = input.get(thing.as_str()).and_then(|id| id.parse().ok()) {
            let stream = Stream::of(thing, &id);
            if let Some((rev, _)) = desk.book().record(&stream)? {
                input.entry(format!("rev.{stream}")).or_insert_with(|| rev.to_string());
            }
        }
    }
    let draft = Draft { desk: &desk, input: &input, row, seat: &seat };
    let form = form::form(row.command, &input, false, &Lookup(&desk));
    page(&draft.page(form, randomness::act()?.to_string()))
}

pub(super) async fn submit(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    name: Path<String>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let row = row(&name)?;
    let mut input = typed(&request, payload, &desk, Some(&seat)).await?;
    let password = input.remove("password").filter(|password| !password.is_empty()).map(Zeroizing::new);
    // Only what was shown is signed: a password counts together with all that it would cover, as it stood then.
    let password = password.filter(|_| all_shown(&input));
    let draft = Draft { desk: &desk, input: &input, row, seat: &seat };
    let more = input.contains_key("_more");
    let form = form::form(row.command, &input, !more, &Lookup(&desk));
    let act = input.get("act").cloned().unwrap_or_default();
    if more || !form.faults.is_empty() {
        let status = if more { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
        return page_as(status, &draft.page(form, act));
    }
    let role = role_of(&seat, row, input.get("role").map_or("", String::as_str));
    let command = form.values.clone();
    let done = match (role, act.parse::<Act>()) {
        (Some(role), Ok(act)) => {
            let mut expected = BTreeMap::new();
            for (stream, rev) in draft.expected() {
                if let Ok(stream) = stream.parse::<Stream>() {
                    expected.insert(stream, rev);
                }
            }
            desk.act(&seat, row.command, ActRequest { act, command, expected, password, role }).await
        }
        (None, _) => Err(DeskError::Invalid("the form names no role that there is".to_owned())),
        (_, Err(_)) => Err(DeskError::Invalid("the form has no act".to_owned())),
    };
    match done {
        Ok(done) => finished(&desk, &seat, &input, done),
        Err(error) => failed(&draft, form, error),
    }
}

/// The role that was chosen, and no other in its place: where it may not, the rules say so and record it. Where none was
/// chosen, the first that may.
fn role_of(seat: &Seat, row: &Authority, chosen: &str) -> Option<Role> {
    match Role::ALL.into_iter().find(|role| role.as_str() == chosen) {
        Some(role) => Some(role),
        None if chosen.is_empty() => {
            let may = seat.roles.iter().copied().find(|role| row.roles.contains(role));
            may.or(seat.roles.first().copied())
        }
        None => None,
    }
}

/// True where the form says of each record that the signature covers how far it was shown.
fn all_shown(input: &Input) -> bool {
    let covers = input.get("_covers").map_or("", String::as_str);
    !covers.is_empty() && covers.split(' ').all(|stream| input.contains_key(&format!("rev.{stream}")))
}

/// What the person sees after it was recorded.
fn finished(desk: &Desk, seat: &Seat, input: &Input, done: Done) -> Result<HttpResponse, PageError> {
    let first = done.receipt.entries.first().map(|(_, stream, _)| href(stream)).unwrap_or_default();
    let back = match input.get("back").filter(|back| !back.is_empty()) {
        Some(back) => undone(local(back)),
        None => first,
    };
    if let Some(secret) = done.one_time_secret {
        let frame = Frame::new(desk, Some(seat), "act", "One-time password");
        let account = input.get("account").cloned().unwrap_or_default().to_uppercase();
        return page(&SecretPage { account, back, frame, secret });
    }
    let join = if back.contains('?') { '&' } else { '?' };
    Ok(see_other(&format!("{back}{join}done={}", done.receipt.n)))
}

/// A path without what an act before said of itself.
fn undone(path: &str) -> String {
    let Some((path, query)) = path.split_once('?') else { return path.to_owned() };
    let query: Vec<&str> = query.split('&').filter(|part| !part.starts_with("done=")).collect();
    if query.is_empty() { path.to_owned() } else { format!("{path}?{}", query.join("&")) }
}

/// The form again, with what was typed, and why it did not go.
fn failed(draft: &Draft, form: Form, error: DeskError) -> Result<HttpResponse, PageError> {
    let desk = draft.desk;
    if let DeskError::SignedOut = error {
        return Err(error.into());
    }
    let act_error = match &error {
        DeskError::Act(error) => Some(error.as_ref()),
        _ => None,
    };
    let same = matches!(act_error, Some(ActError::Busy | ActError::Stopped(_) | ActError::Failed { .. }));
    // What was not decided may be tried again as the same act; what was refused is a new one.
    let act = match draft.input.get("act").filter(|_| same) {
        Some(act) => act.clone(),
        None => randomness::act()?.to_string(),
    };
    let about = command_about(draft, &form);
    let mut said = Vec::new();
    form.fields.iter().for_each(|field| field.said(&mut said));
    let mut shown = draft.page(form, act);
    let mut status = error.status_code();
    // A wrong password is asked for again with the same in sight: what would be signed was said with it.
    let signature = match act_error {
        Some(ActError::Refused { refusal, .. }) if refusal.kind == RefusalKind::NeedsPassword => {
            Some((refusal.signs.clone(), None))
        }
        _ if matches!(error, DeskError::WrongPassword) => {
            let problem = Problem::of(&error);
            Some((None, Some((problem.detail, problem.remedy))))
        }
        _ => None,
    };
    match (signature, act_error) {
        (Some((signs, wrong)), _) => {
            let signs = signs.map(|signs| *signs).or_else(|| said_before(draft, about.as_ref()));
            let signing = signing(desk, signs)?;
            // What is shown is what will be signed: anything that comes in between makes the act stale. After a wrong
            // password too, so that nothing changes under the person's eyes without a word.
            let moved = wrong.is_some() && signing.covers.iter().any(|one| draft.shown_at(&one.stream) != Some(one.at));
            let mut expected: BTreeMap<String, u64> = draft.expected().into_iter().collect();
            expected.extend(signing.covers.iter().map(|one| (one.stream.clone(), one.at)));
            shown.expected = expected.into_iter().collect();
            shown.signing = Some(signing);
            shown.kept = said.into_iter().map(|(name, text)| (name.clone(), words::field(&name), text)).collect();
            if wrong.is_none() {
                status = StatusCode::OK;
            }
            shown.wrong = match (wrong, moved) {
                (Some((what, _)), true) => Some((what, words::MOVED.to_owned())),
                (wrong, _) => wrong,
            };
        }
        (None, Some(ActError::Stale(streams))) => {
            let mut expected: BTreeMap<String, u64> = draft.expected().into_iter().collect();
            expected.extend(streams.iter().map(|stale| (stale.stream.to_string(), stale.rev)));
            shown.expected = expected.into_iter().collect();
            for stale in streams {
                let Some(last) = &stale.last else { continue };
                shown.changed.push(Changed {
                    by: words::by(&last.by),
                    href: href(&stale.stream),
                    kind: words::kind(&last.kind),
                    record: named(&stale.stream),
                    when: words::when(last.at, desk.zone()),
                });
            }
            let problem = Problem::of(&error);
            shown.wrong =
                Some((problem.detail, "Look at what changed below; send it again if it still holds.".to_owned()));
        }
        _ => {
            let problem = Problem::of(&error);
            shown.wrong = Some((problem.detail, problem.remedy));
        }
    }
    page_as(status, &shown)
}

/// The record that a command is about, as its form says it.
fn command_about(draft: &Draft, form: &Form) -> Option<Stream> {
    let mut fields = form.values.clone();
    fields.insert("do".to_owned(), draft.row.command.into());
    serde_json::from_value::<tallyseal_control::Command>(fields.into()).ok()?.about()
}

/// What the page before said would be signed, where only the password was wrong since.
fn said_before(draft: &Draft, about: Option<&Stream>) -> Option<Signs> {
    let meaning = draft.input.get("_meaning").cloned().unwrap_or_default();
    let covers = draft.input.get("_covers").map_or("", String::as_str);
    let covers: Vec<Stream> = covers.split(' ').filter_map(|stream| stream.parse().ok()).collect();
    match covers.is_empty() {
        false => Some(Signs { covers, meaning }),
        true => about.map(|about| Signs { covers: vec![about.clone()], meaning }),
    }
}

fn signing(desk: &Desk, signs: Option<Signs>) -> Result<Signing, PageError> {
    let Signs { covers, meaning } = signs.unwrap_or(Signs { covers: Vec::new(), meaning: String::new() });
    let mut signing = Signing { covers: Vec::new(), meaning };
    for stream in &covers {
        let stands = desk.book().stands_at(stream)?;
        signing.covers.push(Covered {
            at: stands.map_or(0, |(rev, _)| rev),
            href: href(stream),
            root: stands.map(|(_, root)| root.to_string()).unwrap_or_default(),
            rev: stands.map(|(rev, _)| words::number(rev)).unwrap_or_default(),
            record: named(stream),
            stream: stream.to_string(),
        });
    }
    Ok(signing)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_act_said_of_itself_is_not_said_again() {
        for (path, expected) in [
            ("/rolls/R-1", "/rolls/R-1"),
            ("/rolls/R-1?done=5", "/rolls/R-1"),
            ("/rolls?a=b&done=5&c=d", "/rolls?a=b&c=d"),
        ] {
            assert_eq!(undone(path), expected);
        }
    }
}
