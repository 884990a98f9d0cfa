//! The sealed record of a thing, taken along from a page. `copy.html` is its form, for every page that shows a record; its
//! making is shown on a page of its own, where it is fetched when it is there.

use std::sync::Arc;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE, LOCATION};
use actix_web::web::{Data, Path, Payload, Query};
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use serde::Deserialize;
use tallyseal_report::paper::Sheet;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::Role;

use super::visitor::{Typed, Visitor, typed};
use super::{Frame, PageError, beside, href, page, words};
use crate::copies::{Part, Stands, file};
use crate::desk::{Desk, Seat};
use crate::error::DeskError;
use crate::export::{self, How, Stage};

/// The record that the path names.
pub(super) async fn take(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    path: Path<(String, String)>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let typed = typed(&request, payload, &desk, Some(&seat)).await?;
    let (thing, id) = path.into_inner();
    let stream = Stream::new(&thing, &id).map_err(|error| DeskError::Invalid(error.to_string()))?;
    begin(desk, &seat, &typed, stream)
}

/// The record that was typed.
pub(super) async fn take_typed(
    request: HttpRequest,
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    payload: Payload,
) -> Result<HttpResponse, PageError> {
    let typed = typed(&request, payload, &desk, Some(&seat)).await?;
    let thing = typed.get("thing").map_or("", String::as_str);
    let id = typed.get("id").map(|id| id.trim().to_uppercase()).unwrap_or_default();
    let stream = Stream::new(thing, &id).map_err(|_| DeskError::Invalid(words::NO_ID.to_owned()))?;
    begin(desk, &seat, &typed, stream)
}

fn begin(desk: Data<Desk>, seat: &Seat, typed: &Typed, record: Stream) -> Result<HttpResponse, PageError> {
    let role = typed.get("role").map_or("", String::as_str);
    // In a role that may not: the rules say so, and record it.
    let role = Role::ALL.into_iter().find(|one| one.as_str() == role).or(seat.roles.first().copied());
    let role = role.ok_or(DeskError::MayNotRead)?;
    let sheet = match typed.get("sheet").map(String::as_str) {
        Some("letter") => Sheet::Letter,
        _ => Sheet::A4,
    };
    let Some(name) = desk.copies().begin(desk.book().dir(), &seat.account, &record)? else {
        return Err(DeskError::Invalid(words::COPIES_FULL.to_owned()).into());
    };
    let (shown, seat) = (name.clone(), seat.clone());
    tokio::spawn(async move {
        let copies = Arc::clone(desk.copies());
        let told = |stage: Stage| copies.reached(&name, stage);
        let by = desk.seated(&seat, role);
        let made = match export::export(desk.book().clone(), by, record.clone(), How::of(sheet), &told).await {
            Ok(sealed) => Ok(sealed),
            Err(error) => Err(desk.noted(&seat, "note_export", Some(record), error).await.to_string()),
        };
        let dir = desk.book().dir().to_owned();
        let written = tokio::task::spawn_blocking(move || copies.ended(&dir, &name, made));
        if let Err(error) = written.await {
            tracing::error!(%error, "a copy was made and not kept");
        }
    });
    Ok(HttpResponse::SeeOther().insert_header((LOCATION, format!("/copies/{shown}"))).finish())
}

/// What is asked of a copy's page.
#[derive(Deserialize)]
pub(super) struct Asked {
    part: Option<String>,
}

#[derive(Template)]
#[template(path = "copying.html")]
struct CopyPage {
    frame: Frame,
    state: CopyState,
}

#[derive(Template)]
#[template(path = "copying_state.html")]
struct CopyState {
    failed: Option<String>,
    making: Option<&'static str>,
    name: String,
    /// Lengths of the record and of its pages.
    there: Option<(String, String)>,
    record: Stream,
    /// The record's own page.
    back: String,
}

/// How a copy stands.
pub(super) async fn state(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    name: Path<String>,
    asked: Query<Asked>,
) -> Result<HttpResponse, PageError> {
    let name = name.into_inner();
    let Some(copy) = desk.copies().of(&seat.account, &name) else {
        return Err(DeskError::NotFound(words::NO_COPY.to_owned()).into());
    };
    let mut state = CopyState {
        back: href(&copy.record),
        failed: None,
        making: None,
        name,
        record: copy.record.clone(),
        there: None,
    };
    match copy.stands {
        Stands::Making(stage) => state.making = Some(stage.said()),
        Stands::There(zip, pdf) => state.there = Some((words::bytes(zip), words::bytes(pdf))),
        Stands::Failed(why) => state.failed = Some(why),
    }
    if asked.part.is_some() {
        return page(&state);
    }
    let title = format!("Copy of {} {}", words::thing(copy.record.thing()), copy.record.id());
    page(&CopyPage { frame: Frame::new(&desk, Some(&seat), "", title), state })
}

/// A file of a copy that is there.
pub(super) async fn fetch(
    Visitor(seat): Visitor,
    desk: Data<Desk>,
    path: Path<(String, String)>,
) -> Result<HttpResponse, PageError> {
    let (name, wanted) = path.into_inner();
    let (part, kind) = match wanted.as_str() {
        "record.zip" => (Part::Zip, "application/zip"),
        "record.pdf" => (Part::Pdf, "application/pdf"),
        _ => return Err(DeskError::NotFound(words::NO_COPY.to_owned()).into()),
    };
    let copy = desk.copies().of(&seat.account, &name).filter(|copy| matches!(copy.stands, Stands::There(..)));
    let copy = copy.ok_or_else(|| DeskError::NotFound(words::NO_COPY.to_owned()))?;
    let place = file(desk.book().dir(), &name, part);
    let bytes =
        beside(move || Ok(std::fs::read(place).map_err(|error| DeskError::Internal(error.to_string()))?)).await?;
    let saved =
        format!("attachment; filename=\"{}.{}\"", copy.record.id(), if part == Part::Zip { "zip" } else { "pdf" });
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, kind))
        .insert_header((CONTENT_DISPOSITION, saved))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(bytes))
}
