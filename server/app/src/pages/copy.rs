//! The sealed record of a thing, taken along from a page. `copy.html` is its form, for every page that shows a record.

use actix_web::web::{Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::Role;

use super::visitor::{Typed, Visitor, typed};
use super::{PageError, words};
use crate::api;
use crate::desk::{Desk, Seat};
use crate::error::DeskError;

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
    given(&desk, &seat, &typed, stream).await
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
    given(&desk, &seat, &typed, stream).await
}

async fn given(desk: &Desk, seat: &Seat, typed: &Typed, stream: Stream) -> Result<HttpResponse, PageError> {
    let role = typed.get("role").map_or("", String::as_str);
    // In a role that may not: the rules say so, and record it.
    let role = Role::ALL.into_iter().find(|one| one.as_str() == role).or(seat.roles.first().copied());
    let role = role.ok_or(DeskError::MayNotRead)?;
    Ok(api::sealed_record(desk, seat, role, stream).await?)
}
